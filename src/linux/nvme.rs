//! Health pages of an NVMe drive, by the kernel's admin pass-through (`linux/nvme_ioctl.h`).
//!
//! Invariant: only Identify (06h) and Get Log Page (02h) can be built, so nothing that is sent can
//! format, sanitise, write or load firmware; a refused command is never taken for an empty page.

use super::fault::{errno_words, fault, kind_of};
use crate::drive::question::{Question, Reply};
use crate::port::{Fault, FaultKind, Transport};
use rustix::fd::{AsFd, BorrowedFd, OwnedFd};
use rustix::fs::{Mode, OFlags, open};
use rustix::io::Errno;
use rustix::ioctl::{Ioctl, IoctlOutput, Opcode, ioctl};
use std::ffi::c_void;
use std::marker::PhantomData;
use std::path::Path;

/// `_IOWR('N', 0x41, struct nvme_admin_cmd)`.
const NVME_IOCTL_ADMIN_CMD: Opcode = 0xc048_4e41;
/// `_IO('N', 0x40)`: returns the namespace number.
const NVME_IOCTL_ID: Opcode = 0x4e40;
/// Milliseconds that one command may take.
const TIMEOUT_MS: u32 = 15_000;
/// All namespaces, as log pages of the whole controller want it.
const EVERY_NAMESPACE: u32 = 0xffff_ffff;
/// Longest log that is asked for in one go.
const LONGEST: u32 = 4096;

/// The commands that exist here. Both read.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Reading {
    /// Identify, controller or namespace structure.
    Identify { structure: u8, namespace: u32 },
    /// Get Log Page.
    Log { page: u8, bytes: u32 },
}

/// `struct nvme_passthru_cmd`.
#[repr(C)]
#[derive(Debug, Clone, Copy, Default)]
struct Command {
    opcode: u8,
    flags: u8,
    reserved: u16,
    namespace: u32,
    cdw2: u32,
    cdw3: u32,
    metadata: u64,
    address: u64,
    metadata_bytes: u32,
    data_bytes: u32,
    cdw10: u32,
    cdw11: u32,
    cdw12: u32,
    cdw13: u32,
    cdw14: u32,
    cdw15: u32,
    timeout_ms: u32,
    result: u32,
}

impl Reading {
    fn bytes(self) -> u32 {
        match self {
            Reading::Identify { .. } => 4096,
            Reading::Log { bytes, .. } => bytes,
        }
    }

    fn command(self) -> Command {
        let base = Command {
            data_bytes: self.bytes(),
            timeout_ms: TIMEOUT_MS,
            ..Command::default()
        };
        match self {
            Reading::Identify {
                structure,
                namespace,
            } => Command {
                opcode: 0x06,
                namespace,
                cdw10: u32::from(structure),
                ..base
            },
            Reading::Log { page, bytes } => {
                // Zero-based number of dwords: low half in cdw10, high half in cdw11 (NVMe 1.4, figures 190 and 191).
                let dwords = (bytes / 4).saturating_sub(1);
                // Retain the asynchronous event: reading must not take it from the running system.
                let retain = 1 << 15;
                Command {
                    opcode: 0x02,
                    namespace: EVERY_NAMESPACE,
                    cdw10: (dwords & 0xffff) << 16 | retain | u32::from(page),
                    cdw11: dwords >> 16,
                    ..base
                }
            }
        }
    }
}

/// One admin command with the buffer that it fills.
struct AdminCall<'a> {
    command: Command,
    _buffer: PhantomData<&'a mut [u8]>,
}

// SAFETY: the opcode is that of struct nvme_passthru_cmd, `as_ptr` gives a live one, and the kernel writes only it and
// `data_bytes` bytes at `address`, which `send` takes from a slice of that length.
#[allow(unsafe_code)]
unsafe impl Ioctl for AdminCall<'_> {
    /// What the call returned (0, or the drive's status), and the completion's first dword.
    type Output = (i32, u32);
    const IS_MUTATING: bool = true;

    fn opcode(&self) -> Opcode {
        NVME_IOCTL_ADMIN_CMD
    }

    fn as_ptr(&mut self) -> *mut c_void {
        (&raw mut self.command).cast()
    }

    unsafe fn output_from_ptr(out: IoctlOutput, at: *mut c_void) -> Result<(i32, u32), Errno> {
        // SAFETY: `at` is the pointer that `as_ptr` gave, still live.
        let command = unsafe { at.cast::<Command>().read() };
        Ok((out, command.result))
    }
}

/// Sends one reading command. 0 = done; positive = the drive's status.
#[allow(unsafe_code)]
fn send(fd: BorrowedFd<'_>, reading: Reading, buffer: &mut [u8]) -> Result<i32, Errno> {
    let mut command = reading.command();
    command.data_bytes = u32::try_from(buffer.len()).map_err(|_| Errno::INVAL)?;
    // The address travels as a number; exposing it lets the kernel's writes be seen.
    command.address = buffer.as_mut_ptr().expose_provenance() as u64;
    let call = AdminCall {
        command,
        _buffer: PhantomData,
    };
    // SAFETY: the kernel writes at most `data_bytes` bytes, the length of `buffer`, which is borrowed for the whole call.
    unsafe { ioctl(fd, call) }.map(|(status, _)| status)
}

/// The request for the number of the namespace that a node stands for.
struct NamespaceId;

// SAFETY: the request takes no argument and answers by its return value.
#[allow(unsafe_code)]
unsafe impl Ioctl for NamespaceId {
    type Output = i32;
    const IS_MUTATING: bool = false;

    fn opcode(&self) -> Opcode {
        NVME_IOCTL_ID
    }

    fn as_ptr(&mut self) -> *mut c_void {
        std::ptr::null_mut()
    }

    unsafe fn output_from_ptr(out: IoctlOutput, _: *mut c_void) -> Result<i32, Errno> {
        Ok(out)
    }
}

/// The namespace number of an open node; `None` = the node is a controller, or no NVMe device.
#[allow(unsafe_code)]
fn namespace_of(fd: BorrowedFd<'_>) -> Option<u32> {
    // SAFETY: no argument, nothing written.
    let number = unsafe { ioctl(fd, NamespaceId) }.ok()?;
    u32::try_from(number).ok().filter(|number| *number != 0)
}

/// An NVMe drive.
#[derive(Debug)]
pub struct NvmeTransport {
    fd: OwnedFd,
    namespace: u32,
    /// Error-log entries that the drive keeps, once it has said so.
    error_entries: Option<u32>,
    /// Why nothing more is asked.
    silent: Option<String>,
}

impl NvmeTransport {
    /// Opens the drive's node for reading.
    ///
    /// # Errors
    /// When it is missing or may not be opened.
    pub fn open(node: &Path) -> Result<Self, Fault> {
        let flags = OFlags::RDONLY | OFlags::CLOEXEC | OFlags::NONBLOCK;
        let fd = open(node, flags, Mode::empty()).map_err(|e| {
            fault(
                format!("opening '{}' to ask for its health", node.display()),
                e,
            )
        })?;
        Ok(Self {
            namespace: namespace_of(fd.as_fd()).unwrap_or(1),
            fd,
            error_entries: None,
            silent: None,
        })
    }

    fn reading_of(&mut self, question: Question) -> Option<Reading> {
        Some(match question {
            Question::NvmeIdentifyController => Reading::Identify {
                structure: 1,
                namespace: 0,
            },
            Question::NvmeIdentifyNamespace => Reading::Identify {
                structure: 0,
                namespace: self.namespace,
            },
            Question::NvmeActiveNamespaces => Reading::Identify {
                structure: 2,
                namespace: 0,
            },
            Question::NvmeLog(0x01) => Reading::Log {
                page: 0x01,
                bytes: self.error_log_bytes(),
            },
            Question::NvmeLog(page) => Reading::Log {
                page,
                bytes: log_bytes(page)?,
            },
            _ => return None,
        })
    }

    /// 64 bytes for each entry that the drive keeps; asking for more than that may be refused.
    fn error_log_bytes(&mut self) -> u32 {
        if self.error_entries.is_none() {
            let _ = self.ask(Question::NvmeIdentifyController);
        }
        self.error_entries
            .unwrap_or(1)
            .saturating_mul(64)
            .clamp(64, LONGEST)
    }
}

/// Length of a log page whose length is fixed (NVMe Base 1.4, figures 194, 199 and 235).
fn log_bytes(page: u8) -> Option<u32> {
    match page {
        0x02 => Some(512),
        0x06 => Some(564),
        0x81 => Some(512),
        _ => None,
    }
}

/// What a status other than success means for a question.
fn judge_status(status: i32, question: Question) -> Reply {
    // Bits 7:0 code, 10:8 type.
    let code = status & 0xff;
    let kind = (status >> 8) & 0x7;
    let optional = !matches!(
        question,
        Question::NvmeIdentifyController | Question::NvmeLog(0x02)
    );
    match (kind, code) {
        // Generic: invalid opcode, invalid field; command specific: invalid log page. From memory of NVMe Base 1.4, 4.5.
        (0, 0x01 | 0x02) | (1, 0x09) if optional => Reply::NotReported,
        _ => Reply::Unread(format!(
            "the drive refused the command: NVMe status type {kind:x}h, code {code:02x}h"
        )),
    }
}

impl Transport for NvmeTransport {
    fn ask(&mut self, question: Question) -> Reply {
        if let Some(why) = &self.silent {
            return Reply::Unread(why.clone());
        }
        let Some(reading) = self.reading_of(question) else {
            return Reply::NotReported;
        };
        let mut buffer = vec![0u8; usize::try_from(reading.bytes()).unwrap_or(0)];
        match send(self.fd.as_fd(), reading, &mut buffer) {
            Ok(0) => {
                if question == Question::NvmeIdentifyController {
                    // ELPE counts from zero (Identify Controller, byte 262).
                    self.error_entries = buffer.get(262).map(|last| u32::from(*last) + 1);
                }
                Reply::Bytes(buffer)
            }
            Ok(status) if status > 0 => judge_status(status, question),
            Ok(_) => Reply::Unread("the kernel answered with a negative status".to_owned()),
            Err(errno) => {
                let why = match errno {
                    Errno::ACCESS | Errno::PERM => {
                        format!(
                            "{}: asking a drive for its health needs root",
                            errno_words(errno)
                        )
                    }
                    other => errno_words(other),
                };
                if matches!(
                    kind_of(errno),
                    FaultKind::Gone | FaultKind::NoAnswer | FaultKind::Refused
                ) || errno == Errno::INTR
                {
                    self.silent = Some(format!("not asked again after {why}"));
                }
                Reply::Unread(why)
            }
        }
    }

    fn says(&self) -> String {
        "NVMe".to_owned()
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use rustix::ioctl::opcode;
    use std::mem::offset_of;

    #[test]
    fn the_structure_is_the_kernels() {
        // linux/nvme_ioctl.h, struct nvme_passthru_cmd
        assert_eq!(size_of::<Command>(), 72);
        assert_eq!(offset_of!(Command, namespace), 4);
        assert_eq!(offset_of!(Command, metadata), 16);
        assert_eq!(offset_of!(Command, address), 24);
        assert_eq!(offset_of!(Command, data_bytes), 36);
        assert_eq!(offset_of!(Command, cdw10), 40);
        assert_eq!(offset_of!(Command, timeout_ms), 64);
        assert_eq!(offset_of!(Command, result), 68);
        assert_eq!(
            NVME_IOCTL_ADMIN_CMD,
            opcode::read_write::<Command>(b'N', 0x41)
        );
        assert_eq!(NVME_IOCTL_ID, opcode::none(b'N', 0x40));
    }

    #[test]
    fn log_requests_carry_page_length_and_the_retained_event() {
        // NVMe Base 1.4, 5.14: 512 bytes are 127 dwords counted from zero.
        let command = Reading::Log {
            page: 2,
            bytes: 512,
        }
        .command();
        assert_eq!(command.opcode, 0x02);
        assert_eq!(command.cdw10, 0x007f_8002);
        assert_eq!(command.cdw11, 0);
        assert_eq!(command.namespace, 0xffff_ffff);
        let identify = Reading::Identify {
            structure: 1,
            namespace: 0,
        }
        .command();
        assert_eq!(
            (identify.opcode, identify.cdw10, identify.data_bytes),
            (0x06, 1, 4096)
        );
    }

    #[test]
    fn nothing_but_reading_commands_comes_of_any_question() {
        let mut transport = NvmeTransport {
            fd: open("/dev/null", OFlags::RDONLY, Mode::empty()).unwrap(),
            namespace: 1,
            error_entries: Some(64),
            silent: None,
        };
        for log in 0..=255 {
            for question in [
                Question::NvmeLog(log),
                Question::AtaLog(log),
                Question::ScsiLog(log),
            ] {
                if let Some(reading) = transport.reading_of(question) {
                    assert!([0x02, 0x06].contains(&reading.command().opcode));
                }
            }
        }
        assert_eq!(transport.ask(Question::AtaIdentify), Reply::NotReported);
        // A device that knows no such request is unread, not empty.
        assert!(matches!(
            transport.ask(Question::NvmeIdentifyController),
            Reply::Unread(_)
        ));
    }

    #[test]
    fn a_missing_optional_page_is_not_reported_and_a_missing_health_page_is_unread() {
        let invalid_log_page = 0x109 | 0x4000;
        assert_eq!(
            judge_status(invalid_log_page, Question::NvmeLog(6)),
            Reply::NotReported
        );
        assert!(matches!(
            judge_status(invalid_log_page, Question::NvmeLog(2)),
            Reply::Unread(_)
        ));
        assert!(matches!(
            judge_status(0x06, Question::NvmeLog(6)),
            Reply::Unread(_)
        ));
    }
}
