//! A volume that only the kernel reads: how to mount it so that nothing is written to the drive, as commands to paste.
//!
//! A mount replays a journal even when it is read-only, and a mount that skips it loses files. So the device mapper lays a
//! scratch file over the volume: what recovery writes goes there (kernel documentation, "Device-mapper snapshot support").
//! The mount is a folder for a job of its own.

use super::kept::VolumeKept;
use crate::value::typed;
use crate::volume::signature::{Hit, What};
use std::ffi::OsStr;

/// Room for what recovery writes: a log of XFS has 2 GiB at most. The file is sparse; what does not fit ends the mount with
/// errors, never with other content.
const SCRATCH_GIB: u64 = 4;

/// The kernel's name of a format and what its mount needs besides; `None` = no commands are known to work.
fn mounted_as(hit: &Hit) -> Option<(&'static str, &'static str)> {
    if hit.note.is_some() || hit.damaged.is_some() {
        return None;
    }
    match hit.what {
        // A copy of the volume may be mounted already, which bears the same identity.
        What::Xfs => Some(("xfs", ",nouuid")),
        // From the top, whichever subvolume is the one to start from.
        What::Btrfs => Some(("btrfs", ",subvolid=5")),
        _ => None,
    }
}

/// What to do about `volume` of the drive at `path`, whose serial number is `serial`.
pub fn commands(hit: &Hit, volume: &VolumeKept, path: &OsStr, serial: &str) -> Option<String> {
    let (kind, more) = mounted_as(hit)?;
    let mut whose: String = serial
        .chars()
        .filter(char::is_ascii_alphanumeric)
        .take(20)
        .collect();
    if whose.is_empty() {
        whose = (volume.drive + 1).to_string();
    }
    let name = format!("holdpoint-{whose}-{}", volume.index);
    let (at, bytes) = (volume.first_byte, volume.bytes / 512 * 512);
    let sectors = bytes / 512;
    let path = typed(path);
    Some(format!(
        "not readable here, but by a Linux kernel. Mount it above a scratch file, so that nothing is written to the drive; this takes root, the \
         tools of the device mapper, and for SCRATCH an empty folder on another disk with {SCRATCH_GIB} GiB free:\n\
         sudo sh -ec 'truncate -s {SCRATCH_GIB}G \"$2/overlay\"; mkdir -p \"$2/mount\"; below=$(losetup -f --show -r -o {at} --sizelimit {bytes} \"$1\"); \
         trap \"losetup -d \\$below \\$above\" EXIT; above=$(losetup -f --show \"$2/overlay\"); \
         dmsetup create {name} --table \"0 {sectors} snapshot $below $above N 8\"; \
         mount -t {kind} -o ro,nosuid,nodev,noexec{more} /dev/mapper/{name} \"$2/mount\" || {{ dmsetup remove {name}; exit 1; }}' sh {path} SCRATCH\n\
         open a job of its own with --folder SCRATCH/mount and save what lies there; when it is done, take the mount down, and give this \
         volume up here with that job as the reason:\n\
         sudo sh -ec 'umount \"$1/mount\" || :; dmsetup remove {name}; rm \"$1/overlay\"' sh SCRATCH"
    ))
}

#[cfg(test)]
mod tests {
    use super::super::kept::Format;
    use super::*;

    fn volume() -> VolumeKept {
        VolumeKept {
            number: 2,
            drive: 0,
            index: 2,
            first_byte: 1 << 20,
            bytes: 64 << 20,
            reach: 0,
            boot_at: 0,
            format: Format::None,
            kind: "XFS".into(),
            label: None,
            state: crate::step::outcome::VolumeState::Unrecognised,
            rule: String::new(),
            notes: Vec::new(),
        }
    }

    fn hit(what: What) -> Hit {
        Hit {
            what,
            at: 0,
            bytes: None,
            label: None,
            id: None,
            damaged: None,
            note: None,
            protectors: Vec::new(),
        }
    }

    #[test]
    fn every_line_is_prose_or_a_command_of_the_shell() {
        let path = OsStr::new("/media/a drive's image");
        let told = commands(&hit(What::Xfs), &volume(), path, "S/N 12-3").unwrap();
        let lines: Vec<&str> = told.lines().collect();
        let [_, up, _, down] = lines[..] else {
            panic!("{told}");
        };
        for part in [
            "-o 1048576 --sizelimit 67108864 ",
            "create holdpoint-SN123-2 --table \"0 131072 snapshot",
            "-t xfs -o ro,nosuid,nodev,noexec,nouuid /dev/mapper/holdpoint-SN123-2 ",
            " sh '/media/a drive'\\''s image' SCRATCH",
        ] {
            assert!(up.contains(part), "{part}: {up}");
        }
        assert!(down.contains("dmsetup remove holdpoint-SN123-2"));
        assert!([up, down].iter().all(|line| line.starts_with("sudo ")));
        let btrfs = commands(&hit(What::Btrfs), &volume(), path, "").unwrap();
        assert!(btrfs.contains("subvolid=5 /dev/mapper/holdpoint-1-2"));
    }

    #[test]
    fn what_would_not_work_is_not_told() {
        let path = OsStr::new("/dev/sda");
        let mut many = hit(What::Btrfs);
        many.note = Some("spread over 2 devices".into());
        for hit in [many, hit(What::Apfs), hit(What::Refs)] {
            assert_eq!(commands(&hit, &volume(), path, "1"), None);
        }
    }
}
