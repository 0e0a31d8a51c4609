//! From hits to a state: what a partition is, and what has to happen before it may be wiped.
//!
//! Invariant: "holds no user data" needs a named rule and every byte read; a type in the table alone says nothing.

use super::what::Role;
use super::{Hit, Probe, What, container, unix};
use crate::value::measure::bytes_in_words;
use crate::volume::filesystem::{Findings, Weight};
use crate::volume::gap::GapLook;
use crate::volume::map::{PartitionType, guid};

/// Boot code at the start of a BIOS boot partition: at most this long, and nothing behind it (engineering judgement; a loader's
/// core is some 30 to 200 KiB, and the partition usually has 1 MiB).
const BOOT_CODE_BYTES: u64 = 1 << 20;

/// What a partition is, before anything in it was listed.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum VolumeState {
    /// A file system that is read directly; "surveyed" once that is done.
    Readable(What),
    /// A file system that could be read, but its first sector is gone: never empty. `boot_at` is the
    /// place of the backup, from the start of the partition.
    Damaged {
        /// The format.
        what: What,
        /// Where the backup lies, in bytes from the start of the partition.
        boot_at: u64,
        /// What is wrong.
        why: String,
    },
    /// Holds no user data, by this rule.
    HoldsNoUserData {
        /// The rule's word.
        rule: &'static str,
    },
    /// Encrypted.
    Locked(What),
    /// Not read here, or not known at all.
    Unrecognised {
        /// What it is, as far as it is known.
        why: String,
        /// What would do.
        next: &'static str,
    },
}

impl VolumeState {
    /// The state word of the survey.
    pub fn word(&self) -> &'static str {
        match self {
            VolumeState::Readable(_) => "surveyed",
            VolumeState::Damaged { .. } => "unrecognised",
            VolumeState::HoldsNoUserData { .. } => "holds no user data",
            VolumeState::Locked(_) => "locked",
            VolumeState::Unrecognised { .. } => "unrecognised",
        }
    }
}

/// Judges one partition. `look` is what reading all of it showed, if that was done.
pub fn judge(
    kind: PartitionType,
    bytes: u64,
    probe: &Probe,
    look: Option<&GapLook>,
) -> (VolumeState, Findings) {
    let mut findings = Findings::new();
    let Some(leading) = probe.leading() else {
        return (without_hits(kind, bytes, probe, look), findings);
    };
    for other in probe.hits.iter().skip(1) {
        note_second(leading, other, &mut findings);
    }
    if let Some(says) = leading.bytes
        && says > bytes
        && leading.damaged.is_none()
    {
        findings.note(
            "volume-longer-than-partition",
            Weight::OpenPoint,
            None,
            || {
                format!(
                    "the {} volume says that it is {says} bytes long, its partition has {bytes}",
                    leading.what.word()
                )
            },
        );
    }
    if !matches!(kind_agrees(kind, leading.what), Some(true) | None) {
        findings.note("type-differs", Weight::Sentence, None, || {
            format!(
                "the table calls it {}, the content is {}",
                kind.in_words(),
                leading.what.word()
            )
        });
    }
    if let Some(set) = deciding(bytes, probe)
        && *set != *leading
    {
        return (unrecognised(set), findings);
    }
    let state = match leading.what.role() {
        Role::Locked => VolumeState::Locked(leading.what),
        Role::Readable => match &leading.damaged {
            Some(why) => VolumeState::Damaged {
                what: leading.what,
                boot_at: leading.at,
                why: why.clone(),
            },
            None => VolumeState::Readable(leading.what),
        },
        Role::NoUserData => {
            if leading.note.as_deref() == Some(unix::SLEEPING) {
                findings.note("swap-holds-memory", Weight::OpenPoint, None, || {
                    format!(
                        "the swap area {}: what was open and not saved then may be in it",
                        unix::SLEEPING
                    )
                });
            }
            match leading.damaged {
                Some(_) => unrecognised(leading),
                None => VolumeState::HoldsNoUserData { rule: "swap" },
            }
        }
        Role::Foreign | Role::Container => unrecognised(leading),
    };
    (state, findings)
}

/// The hit that says what a place of `bytes` bytes is.
pub fn deciding(bytes: u64, probe: &Probe) -> Option<&Hit> {
    let leading = probe.leading()?;
    spread_set(bytes, probe)
        .filter(|_| leading.what.role() != Role::Locked)
        .or(Some(leading))
}

/// A set of drives that the place is a part of, whatever it begins with.
fn spread_set(bytes: u64, probe: &Probe) -> Option<&Hit> {
    let leading = probe.leading()?;
    // A set other than a mirror spreads its content; what looks like a file system at its start is a part of one.
    // A file system that fits its partition and lies over the superblock was made after the set was given up, and
    // a superblock whose sum does not hold proves no set.
    let after = |hit: &Hit| {
        leading.what.role() == Role::Readable
            && leading.damaged.is_none()
            && leading
                .bytes
                .is_some_and(|own| own <= bytes && (hit.damaged.is_some() || hit.at < own))
    };
    probe.hits.iter().find(|hit| {
        hit.what == What::Md
            && !after(hit)
            && !hit
                .note
                .as_deref()
                .unwrap_or_default()
                .starts_with(container::MIRROR)
    })
}

fn unrecognised(hit: &Hit) -> VolumeState {
    let mut why = hit.what.word().to_owned();
    for more in [&hit.note, &hit.damaged].into_iter().flatten() {
        why.push_str(", ");
        why.push_str(more);
    }
    VolumeState::Unrecognised {
        why,
        next: match hit.what {
            What::Xfs
            | What::Btrfs
            | What::F2fs
            | What::Hfs
            | What::HfsPlus
            | What::Apfs
            | What::Iso9660
            | What::Udf
            | What::Squashfs => {
                "not readable here; mount it on a throw-away overlay above the write-protected drive and give the mount with --folder"
            }
            What::Refs => {
                "not readable here; start it on a system that knows ReFS and give the files with --folder"
            }
            What::Md => {
                "not readable here; other drives belong to the set: put them on hold too, assemble it from all its members, write-protected, and give the result with --drive"
            }
            What::Lvm => {
                "not readable here; other drives may belong to its group: put them on hold too, activate its logical volumes from the write-protected drives and give each with --drive"
            }
            What::Ldm | What::StorageSpaces | What::Zfs | What::CoreStorage => {
                "not readable here; other drives may belong to it; assemble it on a system that knows it and give the files with --folder"
            }
            _ => {
                "not readable here; have the content copied by a system that knows it, or let the owner give it up"
            }
        },
    }
}

fn without_hits(
    kind: PartitionType,
    bytes: u64,
    probe: &Probe,
    look: Option<&GapLook>,
) -> VolumeState {
    let blank = look.is_some_and(|look| look.is_blank() && look.bytes >= bytes);
    // Read to the end, nothing in it that begins as a volume does, and nothing behind where boot code may lie.
    let boot_code = |look: &GapLook| {
        look.unread == 0
            && look.bytes >= bytes
            && look.candidates.is_empty()
            && look.content_end <= look.first_byte.saturating_add(BOOT_CODE_BYTES)
    };
    match kind {
        PartitionType::Gpt(guid::BIOS_BOOT) if look.is_some_and(boot_code) => {
            return VolumeState::HoldsNoUserData { rule: "bios-boot" };
        }
        PartitionType::Gpt(guid::MICROSOFT_RESERVED) if blank => {
            return VolumeState::HoldsNoUserData {
                rule: "microsoft-reserved-blank",
            };
        }
        _ if blank => return VolumeState::HoldsNoUserData { rule: "blank" },
        _ => {}
    }
    if let Some(look) = look.filter(|look| look.beyond > 0 && look.beyond == look.unread) {
        return VolumeState::Unrecognised {
            why: format!(
                "no known signature, and only its first {} were looked at, with {} bytes of content",
                bytes_in_words(look.bytes.saturating_sub(look.beyond)),
                look.content
            ),
            next: "ask the owner what this partition is for; then have it opened, or given up by name",
        };
    }
    if probe.unread_bytes > 0 || look.is_some_and(|look| look.unread > 0) {
        return VolumeState::Unrecognised {
            why: "parts of it could not be read, so what it holds is not known".to_owned(),
            next: "read the drive by the salvage route, then plan again",
        };
    }
    VolumeState::Unrecognised {
        why: match look {
            Some(look) if look.high_entropy => {
                "no known signature, and the content looks like noise: perhaps encrypted without a header".to_owned()
            }
            Some(look) => format!("no known signature, {} bytes of content", look.content),
            None => "no known signature".to_owned(),
        },
        next: "ask the owner what this partition is for; then have it opened, or given up by name",
    }
}

fn note_second(leading: &Hit, other: &Hit, findings: &mut Findings) {
    let says = || {
        format!(
            "besides {} there is a signature of {} at byte {}{}",
            leading.what.word(),
            other.what.word(),
            other.at,
            other
                .damaged
                .as_deref()
                .map(|why| format!(" ({why})"))
                .unwrap_or_default()
        )
    };
    // A lock or container under a readable file system may be the real content; a left-over file system is one sentence.
    // Swap is written over from its start only: whatever else is there is not its own.
    let open = leading.what == What::Swap
        || other.damaged.is_none()
            && match other.what.role() {
                Role::Locked | Role::Container => {
                    other.what != What::Md || leading.what.role() != Role::Readable
                }
                _ => false,
            };
    let weight = if open {
        Weight::OpenPoint
    } else {
        Weight::Sentence
    };
    let id = if open {
        "second-signature"
    } else {
        "left-over-signature"
    };
    findings.note(id, weight, None, says);
}

/// Whether the table's type fits the content; `None` = the type does not say.
fn kind_agrees(kind: PartitionType, what: What) -> Option<bool> {
    use What::*;
    let fat = matches!(what, Fat12 | Fat16 | Fat32);
    let windows = fat || matches!(what, Ntfs | ExFat | Refs | BitLocker | BitLockerToGo);
    let unix = matches!(
        what,
        Ext2 | Ext3 | Ext4 | Xfs | Btrfs | F2fs | Luks1 | Luks2 | Squashfs
    );
    match kind {
        PartitionType::None => None,
        PartitionType::Mbr(kind) => match kind {
            0x01 | 0x04 | 0x06 | 0x0B | 0x0C | 0x0E | 0xEF => Some(fat || what == BitLockerToGo),
            0x07 => Some(windows && !fat),
            0x82 => Some(what == Swap),
            0x83 => Some(unix),
            0x8E => Some(what == Lvm),
            0xFD => Some(what == Md || unix),
            _ => None,
        },
        PartitionType::Gpt(kind) => match kind {
            guid::EFI_SYSTEM => Some(fat),
            guid::BASIC_DATA | guid::WINDOWS_RECOVERY => Some(windows),
            guid::LINUX | guid::LINUX_HOME => Some(unix),
            guid::LINUX_SWAP => Some(what == Swap),
            guid::LINUX_LVM => Some(what == Lvm),
            guid::LINUX_RAID => Some(what == Md),
            guid::LUKS => Some(matches!(what, Luks1 | Luks2)),
            guid::MICROSOFT_RESERVED | guid::BIOS_BOOT => Some(false),
            guid::STORAGE_SPACES => Some(what == StorageSpaces),
            guid::APFS => Some(what == Apfs),
            guid::HFS_PLUS => Some(what == HfsPlus),
            _ => None,
        },
    }
}
