//! SCSI commands by the kernel's SG_IO request (`scsi/sg.h`, version 3).
//!
//! Invariant: a command is sent only if [`is_reading`] says that it reads; what the kernel, the
//! adapter and the drive each said about it is kept apart.

use rustix::fd::BorrowedFd;
use rustix::io::Errno;
use rustix::ioctl::{Ioctl, IoctlOutput, Opcode, ioctl};
use std::ffi::c_void;
use std::marker::PhantomData;

const SG_IO: Opcode = 0x2285;
/// Milliseconds that one command may take.
const TIMEOUT_MS: u32 = 15_000;
/// Room for sense data; all that the standard allows.
const SENSE: usize = 252;
const DIRECTION_NONE: i32 = -1;
const DIRECTION_IN: i32 = -3;

/// `struct sg_io_hdr` on 64-bit machines.
#[repr(C)]
struct Header {
    interface: i32,
    direction: i32,
    command_bytes: u8,
    sense_room: u8,
    pieces: u16,
    data_bytes: u32,
    data: *mut c_void,
    command: *const u8,
    sense: *mut u8,
    timeout_ms: u32,
    flags: u32,
    pack_id: i32,
    user: *mut c_void,
    status: u8,
    masked_status: u8,
    message_status: u8,
    sense_bytes: u8,
    host_status: u16,
    driver_status: u16,
    residual: i32,
    duration_ms: u32,
    info: u32,
}

/// What came of a command.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub(super) struct Outcome {
    /// SCSI status: 0 good, 2 check condition.
    pub status: u8,
    /// What the host adapter says; 0 = fine.
    pub host: u16,
    /// Sense data as delivered.
    pub sense: Vec<u8>,
    /// Data as delivered, as long as the device says it is.
    pub data: Vec<u8>,
    /// Bytes asked for and not delivered.
    pub missing: usize,
}

/// Whether a command can only read. ATA pass-through is looked into.
pub(super) fn is_reading(command: &[u8]) -> bool {
    let at = |place: usize| command.get(place).copied();
    match (at(0), command.len()) {
        // INQUIRY, LOG SENSE (the latter without saving: bit 0 of byte 1)
        (Some(0x12), 6) => true,
        (Some(0x4d), 10) => at(1) == Some(0),
        (Some(0x85), 16) => is_reading_ata(at(4), at(14)),
        (Some(0xa1), 12) => is_reading_ata(at(3), at(9)),
        _ => false,
    }
}

fn is_reading_ata(feature: Option<u8>, command: Option<u8>) -> bool {
    match (command, feature) {
        // IDENTIFY DEVICE, READ LOG EXT, READ NATIVE MAX ADDRESS EXT
        (Some(0xec | 0x2f | 0x27), Some(0)) => true,
        // SMART: READ DATA, READ THRESHOLDS, READ LOG, RETURN STATUS
        (Some(0xb0), Some(feature)) => matches!(feature, 0xd0 | 0xd1 | 0xd5 | 0xda),
        _ => false,
    }
}

struct Call<'a> {
    header: Header,
    _borrowed: PhantomData<&'a mut [u8]>,
}

// SAFETY: SG_IO takes a struct sg_io_hdr, `as_ptr` gives a live one, and the kernel writes only it, `data_bytes` bytes at
// `data` and `sense_room` bytes at `sense`, which `send` takes from slices of those lengths.
#[allow(unsafe_code)]
unsafe impl Ioctl for Call<'_> {
    type Output = Said;
    const IS_MUTATING: bool = true;

    fn opcode(&self) -> Opcode {
        SG_IO
    }

    fn as_ptr(&mut self) -> *mut c_void {
        (&raw mut self.header).cast()
    }

    unsafe fn output_from_ptr(_: IoctlOutput, at: *mut c_void) -> Result<Said, Errno> {
        // SAFETY: `at` is the pointer that `as_ptr` gave, still live.
        let header = unsafe { &*at.cast::<Header>() };
        Ok(Said {
            status: header.status,
            host: header.host_status,
            sense_bytes: header.sense_bytes,
            residual: header.residual,
        })
    }
}

/// The fields of the header that the kernel fills in.
struct Said {
    status: u8,
    host: u16,
    sense_bytes: u8,
    residual: i32,
}

/// Sends one reading command that delivers up to `bytes` bytes (0 = none).
///
/// # Errors
/// EPERM when the command is not a reading one (nothing is sent then), or whatever the kernel says.
#[allow(unsafe_code)]
pub(super) fn send(fd: BorrowedFd<'_>, command: &[u8], bytes: usize) -> Result<Outcome, Errno> {
    if !is_reading(command) {
        return Err(Errno::PERM);
    }
    let mut data = vec![0u8; bytes];
    let mut sense = [0u8; SENSE];
    let header = Header {
        interface: i32::from(b'S'),
        direction: if bytes == 0 {
            DIRECTION_NONE
        } else {
            DIRECTION_IN
        },
        command_bytes: u8::try_from(command.len()).map_err(|_| Errno::INVAL)?,
        sense_room: u8::try_from(SENSE).unwrap_or(u8::MAX),
        pieces: 0,
        data_bytes: u32::try_from(bytes).map_err(|_| Errno::INVAL)?,
        data: data.as_mut_ptr().cast(),
        command: command.as_ptr(),
        sense: sense.as_mut_ptr(),
        timeout_ms: TIMEOUT_MS,
        flags: 0,
        pack_id: 0,
        user: std::ptr::null_mut(),
        status: 0,
        masked_status: 0,
        message_status: 0,
        sense_bytes: 0,
        host_status: 0,
        driver_status: 0,
        residual: 0,
        duration_ms: 0,
        info: 0,
    };
    let call = Call {
        header,
        _borrowed: PhantomData,
    };
    // SAFETY: command, data and sense outlive the call, and their lengths are those in the header.
    let said = unsafe { ioctl(fd, call) }?;
    let missing = usize::try_from(said.residual).unwrap_or(0).min(bytes);
    data.truncate(bytes - missing);
    Ok(Outcome {
        status: said.status,
        host: said.host,
        sense: sense
            .get(..usize::from(said.sense_bytes))
            .unwrap_or(&sense)
            .to_vec(),
        data,
        missing,
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::mem::offset_of;

    #[test]
    fn the_structure_is_the_kernels() {
        // scsi/sg.h, struct sg_io_hdr on x86-64
        assert_eq!(size_of::<Header>(), 88);
        assert_eq!(offset_of!(Header, data), 16);
        assert_eq!(offset_of!(Header, command), 24);
        assert_eq!(offset_of!(Header, sense), 32);
        assert_eq!(offset_of!(Header, timeout_ms), 40);
        assert_eq!(offset_of!(Header, user), 56);
        assert_eq!(offset_of!(Header, status), 64);
        assert_eq!(offset_of!(Header, sense_bytes), 67);
        assert_eq!(offset_of!(Header, host_status), 68);
        assert_eq!(offset_of!(Header, residual), 72);
    }

    #[test]
    fn only_reading_commands_pass() {
        let mut ata = [0u8; 16];
        ata[0] = 0x85;
        let mut passed = Vec::new();
        for command in 0..=255 {
            for feature in 0..=255 {
                ata[4] = feature;
                ata[14] = command;
                if is_reading(&ata) {
                    passed.push((command, feature));
                }
            }
        }
        assert_eq!(
            passed,
            [
                (0x27, 0),
                (0x2f, 0),
                (0xb0, 0xd0),
                (0xb0, 0xd1),
                (0xb0, 0xd5),
                (0xb0, 0xda),
                (0xec, 0)
            ]
        );
        for opcode in 0..=255u8 {
            for length in [6usize, 10, 12, 16] {
                let mut command = vec![0u8; length];
                command[0] = opcode;
                let expected = matches!((opcode, length), (0x12, 6) | (0x4d, 10));
                assert_eq!(is_reading(&command), expected, "{opcode:02x} {length}");
            }
        }
        // Saving log parameters writes to the drive.
        assert!(!is_reading(&[0x4d, 1, 0x42, 0, 0, 0, 0, 0, 4, 0]));
        let null = rustix::fs::open(
            "/dev/null",
            rustix::fs::OFlags::RDONLY,
            rustix::fs::Mode::empty(),
        )
        .unwrap();
        use rustix::fd::AsFd;
        // WRITE(10) never reaches the kernel, which would answer ENOTTY here.
        assert_eq!(send(null.as_fd(), &[0x2a; 10], 0).unwrap_err(), Errno::PERM);
        assert_eq!(
            send(null.as_fd(), &[0x12, 0, 0, 0, 36, 0], 36).unwrap_err(),
            Errno::NOTTY
        );
    }
}
