//! Health pages of SCSI drives, and of ATA drives through their translation layer or a USB adapter.
//!
//! Invariant: each form of pass-through is tried once; what an adapter refuses or drops is "could
//! not be read", never an empty page and never the drive's own verdict; a link in trouble is left alone.

use super::disks::Bus;
use super::fault::{errno_words, fault, kind_of};
use super::sense::{self, Sense};
use super::sg::{self, Outcome};
use crate::drive::question::{Question, Reply};
use crate::port::{Fault, FaultKind, Transport};
use rustix::fd::{AsFd, BorrowedFd, OwnedFd};
use rustix::fs::{Mode, OFlags, open};
use rustix::io::Errno;
use std::path::Path;

/// What is said when an adapter lets no health request through.
const NOT_PASSED_ON: &str =
    "this USB adapter does not pass health requests on; connect the drive directly if you can";
/// What is said when the registers do not come back.
const VERDICT_DROPPED: &str =
    "this adapter does not pass the drive's own verdict on; connect the drive directly if you can";

/// What is said when the upper half of an address does not come back.
const ADDRESS_DROPPED: &str = "this adapter does not pass the drive's last address on";

/// Length of the pages that the drive may send: old devices mishandle more than 255 bytes.
const PAGE: usize = 252;
/// Page 89h holds a whole ATA identification.
const ATA_INFORMATION_PAGE: usize = 572;
/// Standard inquiry data.
const INQUIRY: usize = 36;
/// Room for a log page.
const LOG: usize = 4096;
/// One ATA data block.
const ATA_BLOCK: usize = 512;

/// Blocks of one SMART log at most: the comprehensive error log has up to 51.
const MOST_BLOCKS: u8 = 64;

/// The two shapes of ATA pass-through.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Form {
    Sixteen,
    Twelve,
}

/// One ATA reading command.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
struct Ata {
    command: u8,
    feature: u8,
    /// Low register: log number.
    low: u8,
    /// Mid register, and its upper half in 48-bit commands.
    mid: (u8, u8),
    high: u8,
    /// A 48-bit command.
    extended: bool,
    /// No data; the registers are the answer.
    registers: bool,
    /// Data blocks that are asked for.
    blocks: u8,
}

impl Ata {
    fn of(question: Question) -> Option<Self> {
        let base = Ata {
            command: 0xb0,
            feature: 0,
            low: 0,
            mid: (0x4f, 0),
            high: 0xc2,
            extended: false,
            registers: false,
            blocks: 1,
        };
        Some(match question {
            Question::AtaIdentify => Ata {
                command: 0xec,
                mid: (0, 0),
                high: 0,
                ..base
            },
            Question::AtaNativeMax => Ata {
                command: 0x27,
                mid: (0, 0),
                high: 0,
                extended: true,
                registers: true,
                ..base
            },
            Question::AtaSmartData => Ata {
                feature: 0xd0,
                ..base
            },
            Question::AtaSmartThresholds => Ata {
                feature: 0xd1,
                ..base
            },
            Question::AtaSmartStatus => Ata {
                feature: 0xda,
                registers: true,
                ..base
            },
            Question::AtaLog(log) => Ata {
                feature: 0xd5,
                low: log,
                ..base
            },
            Question::AtaGpl(log, page) => Ata {
                command: 0x2f,
                low: log,
                mid: (page, 0),
                high: 0,
                extended: true,
                ..base
            },
            _ => return None,
        })
    }

    /// The command block; `None` = this form cannot carry it.
    fn block(self, form: Form) -> Option<Vec<u8>> {
        // Protocol: 3 no data, 4 data in. Flags: registers wanted back (20h), or from device, in
        // blocks, counted by the count field (0Eh). The count is 1 even where ATA ignores it: some adapters fail on 0.
        let (protocol, flags, count) = if self.registers {
            (3 << 1, 0x20, 0)
        } else {
            (4 << 1, 0x0e, self.blocks)
        };
        Some(match form {
            Form::Sixteen => vec![
                0x85,
                protocol | u8::from(self.extended),
                flags,
                0,
                self.feature,
                0,
                count,
                0,
                self.low,
                self.mid.1,
                self.mid.0,
                0,
                self.high,
                // The address is one of sectors.
                if self.command == 0x27 { 0x40 } else { 0 },
                self.command,
                0,
            ],
            Form::Twelve if self.extended => return None,
            Form::Twelve => vec![
                0xa1,
                protocol,
                flags,
                self.feature,
                count,
                self.low,
                self.mid.0,
                self.high,
                0,
                self.command,
                0,
                0,
            ],
        })
    }

    fn bytes(self) -> usize {
        if self.registers {
            0
        } else {
            ATA_BLOCK * usize::from(self.blocks)
        }
    }
}

/// What one attempt at an ATA command came to.
#[derive(Debug, Clone, PartialEq, Eq)]
enum Attempt {
    /// The drive answered, one way or the other.
    Answered(Reply),
    /// The form as such was refused.
    FormRefused(Sense),
    /// The link is in trouble.
    Trouble(String),
}

/// Sends a command block; the real one, or a made-up adapter in tests.
trait Sender {
    fn send(&mut self, command: &[u8], bytes: usize) -> Result<Outcome, Errno>;
}

struct Node(OwnedFd);

impl Sender for Node {
    fn send(&mut self, command: &[u8], bytes: usize) -> Result<Outcome, Errno> {
        let fd: BorrowedFd<'_> = self.0.as_fd();
        sg::send(fd, command, bytes)
    }
}

/// A drive that speaks SCSI, or ATA behind something that does.
pub struct ScsiTransport {
    sender: Box<dyn Sender + Send>,
    bus: Bus,
    /// The kernel's own ATA layer says that it is the maker: an ATA drive is behind it.
    ata_behind: bool,
    /// The form that worked.
    form: Option<Form>,
    /// The directory of the SMART logs, once it was read: how many blocks each has.
    directory: Vec<u8>,
    /// Why no ATA command is tried any more.
    ata_refused: Option<Reply>,
    /// Why nothing is asked any more.
    silent: Option<String>,
}

impl ScsiTransport {
    /// Opens the node of a whole disk. `vendor` is what sysfs tells (`ATA` = the kernel's translation layer).
    ///
    /// # Errors
    /// When the node is missing or may not be opened.
    pub fn open(node: &Path, bus: Bus, vendor: Option<&str>) -> Result<Self, Fault> {
        let flags = OFlags::RDONLY | OFlags::CLOEXEC | OFlags::NONBLOCK;
        let fd = open(node, flags, Mode::empty()).map_err(|e| {
            fault(
                format!("opening '{}' to ask for its health", node.display()),
                e,
            )
        })?;
        Ok(Self::over(Box::new(Node(fd)), bus, vendor))
    }

    fn over(sender: Box<dyn Sender + Send>, bus: Bus, vendor: Option<&str>) -> Self {
        Self {
            sender,
            bus,
            ata_behind: bus == Bus::Ata || vendor.is_some_and(|vendor| vendor.trim() == "ATA"),
            form: None,
            directory: Vec::new(),
            ata_refused: None,
            silent: None,
        }
    }

    fn send(&mut self, command: &[u8], bytes: usize) -> Result<Outcome, Reply> {
        match self.sender.send(command, bytes) {
            Ok(outcome) if outcome.host != 0 => {
                let why = format!("the link failed (host status {:02x}h)", outcome.host);
                self.silent = Some(format!("not asked again: {why}"));
                Err(Reply::Unread(why))
            }
            Ok(outcome) => Ok(outcome),
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
                ) {
                    self.silent = Some(format!("not asked again after {why}"));
                }
                Err(Reply::Unread(why))
            }
        }
    }

    /// Blocks of a SMART log, by the directory; one where it tells nothing.
    fn blocks(&self, question: Question) -> u8 {
        let Question::AtaLog(log) = question else {
            return 1;
        };
        // ATA8-ACS, SMART log directory: word n holds the number of blocks of log n, its low byte first.
        let at = usize::from(log) * 2;
        match self.directory.get(at..at + 2) {
            Some([low, 0]) if log != 0 => (*low).clamp(1, MOST_BLOCKS),
            _ => 1,
        }
    }

    fn ata(&mut self, question: Question, ata: Ata) -> Reply {
        let ata = Ata {
            blocks: self.blocks(question),
            ..ata
        };
        if let Some(refused) = &self.ata_refused {
            return refused.clone();
        }
        if self.bus == Bus::Scsi && !self.ata_behind {
            // A drive that speaks SCSI itself has no such page, and is not poked for it.
            return Reply::NotReported;
        }
        let forms: &[Form] = match self.form {
            Some(Form::Sixteen) => &[Form::Sixteen],
            Some(Form::Twelve) => &[Form::Twelve],
            None => &[Form::Sixteen, Form::Twelve],
        };
        let mut refused = None;
        for form in forms {
            let Some(block) = ata.block(*form) else {
                continue;
            };
            let outcome = match self.send(&block, ata.bytes()) {
                Ok(outcome) => outcome,
                Err(unread) => return unread,
            };
            match judge_ata(question, ata, &outcome) {
                Attempt::Answered(reply) => {
                    self.form = Some(*form);
                    if let (Question::AtaLog(0), Reply::Bytes(bytes)) = (question, &reply) {
                        self.directory.clone_from(bytes);
                    }
                    return reply;
                }
                Attempt::FormRefused(sense) => refused = Some(sense),
                Attempt::Trouble(why) => {
                    self.silent = Some(format!("not asked again: {why}"));
                    return Reply::Unread(why);
                }
            }
        }
        let Some(sense) = refused else {
            return Reply::Unread("this adapter carries only short ATA commands".to_owned());
        };
        if self.form.is_some() {
            // The form works for other commands, so it is this one that is refused.
            return Reply::Unread(format!("the adapter refused the command: {sense}"));
        }
        let why = if self.bus == Bus::Usb {
            format!("{NOT_PASSED_ON} ({sense})")
        } else {
            format!("health requests are refused on the way to the drive ({sense})")
        };
        if !ata.extended {
            // Both forms were tried; a 48-bit command tries only one.
            self.ata_refused = Some(Reply::Unread(why.clone()));
        }
        Reply::Unread(why)
    }

    fn scsi(&mut self, command: &[u8], bytes: usize) -> Reply {
        match self.send(command, bytes) {
            Ok(outcome) => judge_scsi(&outcome),
            Err(unread) => unread,
        }
    }
}

fn judge_scsi(outcome: &Outcome) -> Reply {
    match outcome.status {
        0 if outcome.data.is_empty() => {
            Reply::Unread("the drive answered without any data".to_owned())
        }
        0 => Reply::Bytes(outcome.data.clone()),
        2 => match sense::parse(&outcome.sense) {
            // Operation or field unknown: there is no such page.
            Some(Sense {
                key: 5,
                code: 0x20 | 0x24,
                ..
            }) => Reply::NotReported,
            Some(sense) => Reply::Unread(sense.to_string()),
            None => Reply::Unread("check condition without sense data".to_owned()),
        },
        8 | 0x18 | 0x28 => Reply::Unread(format!(
            "the drive is busy (status {:02x}h)",
            outcome.status
        )),
        other => Reply::Unread(format!("status {other:02x}h")),
    }
}

fn judge_ata(question: Question, ata: Ata, outcome: &Outcome) -> Attempt {
    let sense = sense::parse(&outcome.sense);
    let registers = sense::registers(&outcome.sense);
    let unread = |why: &str| Attempt::Answered(Reply::Unread(why.to_owned()));
    match (outcome.status, sense) {
        (0, _) if ata.registers => unread(VERDICT_DROPPED),
        (0, _) if outcome.missing > 0 => unread(&format!(
            "only {} of {} bytes came",
            outcome.data.len(),
            ata.bytes()
        )),
        (0, _) if is_hollow(question, &outcome.data) => {
            unread("the adapter answered with bytes that are all alike, which is no page")
        }
        (0, _) => Attempt::Answered(Reply::Bytes(outcome.data.clone())),
        (
            2,
            Some(Sense {
                key: 5,
                code: 0x20 | 0x24,
                ..
            }),
        ) if registers.is_none() => Attempt::FormRefused(sense.unwrap_or(Sense {
            key: 5,
            code: 0,
            qualifier: 0,
        })),
        (2, Some(sense)) => {
            if registers.is_some_and(|registers| registers.aborted()) || sense.key == 0x0b {
                return Attempt::Answered(aborted(question, sense));
            }
            match registers {
                Some(registers) if question == Question::AtaNativeMax => match registers.address {
                    Some(address) => Attempt::Answered(Reply::Bytes(address.to_vec())),
                    None => unread(ADDRESS_DROPPED),
                },
                Some(registers) if ata.registers => {
                    Attempt::Answered(Reply::Bytes(vec![registers.mid, registers.high]))
                }
                None if ata.registers && sense.key <= 1 => unread(VERDICT_DROPPED),
                _ => Attempt::Answered(Reply::Unread(sense.to_string())),
            }
        }
        (2, None) if ata.registers => unread(VERDICT_DROPPED),
        (2, None) => unread("check condition without sense data"),
        (other, _) => Attempt::Trouble(format!("the drive answered with status {other:02x}h")),
    }
}

/// The drive itself says no: to a log, that it has none; to anything else, that it could not be read.
fn aborted(question: Question, sense: Sense) -> Reply {
    match question {
        Question::AtaLog(_)
        | Question::AtaGpl(..)
        | Question::AtaSmartThresholds
        | Question::AtaNativeMax => Reply::NotReported,
        _ => Reply::Unread(format!(
            "the drive aborted the command: absent or switched off ({sense})"
        )),
    }
}

/// All zeros or all ones where a real page never is; an empty log may well be zeros.
fn is_hollow(question: Question, data: &[u8]) -> bool {
    matches!(question, Question::AtaIdentify | Question::AtaSmartData)
        && (data.iter().all(|byte| *byte == 0) || data.iter().all(|byte| *byte == 0xff))
}

impl Transport for ScsiTransport {
    fn ask(&mut self, question: Question) -> Reply {
        if let Some(why) = &self.silent {
            return Reply::Unread(why.clone());
        }
        if let Some(ata) = Ata::of(question) {
            return self.ata(question, ata);
        }
        match question {
            Question::ScsiInquiry => self.scsi(&[0x12, 0, 0, 0, 36, 0], INQUIRY),
            Question::ScsiVpd(page) => {
                let bytes = if page == 0x89 {
                    ATA_INFORMATION_PAGE
                } else {
                    PAGE
                };
                let [high, low] = u16::try_from(bytes).unwrap_or(u16::MAX).to_be_bytes();
                self.scsi(&[0x12, 1, page, high, low, 0], bytes)
            }
            Question::ScsiLog(page) => {
                // Cumulative values; page numbers have six bits.
                let [high, low] = u16::try_from(LOG).unwrap_or(u16::MAX).to_be_bytes();
                let page = 0x40 | (page & 0x3f);
                self.scsi(&[0x4d, 0, page, 0, 0, 0, 0, high, low, 0], LOG)
            }
            _ => Reply::NotReported,
        }
    }

    fn says(&self) -> String {
        match self.bus {
            Bus::Usb => "USB adapter",
            Bus::Ata => "ATA",
            _ => "SCSI",
        }
        .to_owned()
    }
}

#[cfg(test)]
#[path = "scsi_tests.rs"]
mod tests;
