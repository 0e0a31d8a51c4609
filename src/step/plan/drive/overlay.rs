//! A volume that only the kernel reads: mounted so that nothing is written to the drive.
//!
//! A mount replays a journal even when it is read-only, and a mount that skips it loses files. So the device mapper lays a
//! scratch over the volume: what recovery writes goes there (kernel documentation, "Device-mapper snapshot support").
//! XFS is mounted here for the time of the survey, which asks where each file lies, and Btrfs where it has a log to be applied,
//! before our own reader looks at what that left: after that both are read like any other volume.
//! Where that cannot be done there are commands to paste: such a mount is a folder for a job of its own. A weak drive is mounted too: the driver reads no more of it than a reader here would, and
//! contents are left to whatever route the copy goes.
//!
//! Invariant: a volume that was not mounted keeps the open point that it has without this.

use super::Unread;
use super::kept::{Format, VolumeKept};
use crate::job::Job;
use crate::port::{NotMounted, Sectors, ToMount};
use crate::value::typed;
use crate::volume::bytes::Part;
use crate::volume::filesystem::{Found, Limits, NotSurveyed, Place, Survey};
use crate::volume::signature::{Hit, What};
use crate::volume::{btrfs, xfs};
use std::ffi::OsStr;
use std::path::Path;

/// Room for what recovery writes: a log of XFS has 2 GiB at most. The file is sparse; what does not fit ends the mount with
/// errors, never with other content.
const SCRATCH_GIB: u64 = 4;

const XFS: &str = "xfs";
const BTRFS: &str = "btrfs";
const NO_UUID: &str = "nouuid";

/// Worth a word in the list of volumes.
const BY_MOUNT: &str =
    "listed by the kernel's driver, mounted above a scratch in memory for the time of the survey";
const BY_LOG: &str = "what stood in its log alone was applied by the kernel's driver, on a mount above a scratch in memory";

/// Who may list a volume that its signature alone does not show to be readable.
pub fn format_of(hit: &Hit) -> Format {
    match hit.what {
        What::Xfs if mounted_as(hit).is_some() => Format::Xfs,
        What::Btrfs if hit.note.is_none() => Format::Btrfs,
        _ => Format::None,
    }
}

/// The volume as the kernel is asked to mount it.
fn to_mount<'a>(
    volume: &VolumeKept,
    path: &'a Path,
    driver: &'a str,
    options: &'a [&'a str],
) -> ToMount<'a> {
    ToMount {
        drive: path,
        first_byte: volume.first_byte,
        bytes: volume.bytes,
        driver,
        options,
    }
}

/// Surveys an XFS volume of the drive at `path` by its mount. `sectors` remember what they were asked for.
pub fn xfs(
    job: &Job<'_>,
    volume: &mut VolumeKept,
    path: &Path,
    sectors: &dyn Sectors,
    see: &mut dyn FnMut(Found),
) -> Result<Survey, Unread> {
    let as_it_is = |why: String| Unread::AsItIs(Some(why));
    let place = volume.place();
    let part = Part::new(sectors, place);
    let sb = xfs::Superblock::read(&part).map_err(as_it_is)?;
    let to_mount = to_mount(volume, path, XFS, &[NO_UUID]);
    let mounted = job.bench.mounted(&to_mount).map_err(|why| match why {
        NotMounted::NoWay(_) => Unread::AsItIs(None),
        NotMounted::Refused(fault) => as_it_is(format!("tried here, above a scratch: {fault}")),
    })?;
    sb.read_what_changes(&part).map_err(|fault| {
        let doing = "reading the log of an XFS volume";
        Unread::Because(NotSurveyed::unread(doing, fault))
    })?;
    volume.notes.push(BY_MOUNT.into());
    Ok(xfs::survey(
        &sb,
        mounted.as_ref(),
        place,
        Limits::default(),
        see,
    ))
}

/// Surveys a Btrfs volume of the drive at `path`. Where a crash left something in its log, the kernel applies that on a mount
/// above a scratch, and the tables are read there; where it cannot, the log is an open point. `sectors` remember what they were
/// asked for.
pub fn btrfs(
    job: &Job<'_>,
    volume: &mut VolumeKept,
    path: &Path,
    sectors: &dyn Sectors,
    see: &mut dyn FnMut(Found),
) -> Result<Survey, Unread> {
    let place = volume.place();
    let because = |fault| {
        Unread::Because(NotSurveyed::unread(
            "reading the log of a Btrfs volume",
            fault,
        ))
    };
    // Any writing to the volume changes its superblocks.
    let log = btrfs::log_waits(&Part::new(sectors, place)).map_err(because)?;
    let to_mount = to_mount(volume, path, BTRFS, &["skip_balance", "nodiscard"]);
    let mounted = match log {
        true => job.bench.mounted(&to_mount).ok(),
        false => None,
    };
    let outcome = match &mounted {
        Some(mounted) => {
            volume.notes.push(BY_LOG.into());
            let tables = mounted.sectors().map_err(because)?;
            let whole = Place {
                first_byte: 0,
                bytes: tables.bytes(),
            };
            btrfs::survey(
                tables.as_ref(),
                whole,
                sectors,
                place,
                Limits::default(),
                see,
            )
        }
        None => btrfs::survey(sectors, place, sectors, place, Limits::default(), see),
    };
    outcome.map_err(|why| Unread::AsItIs(Some(why.found)))
}

/// The kernel's name of a format and what its mount needs besides; `None` = no commands are known to work.
fn mounted_as(hit: &Hit) -> Option<(&'static str, &'static str)> {
    if hit.note.is_some() || hit.damaged.is_some() {
        return None;
    }
    match hit.what {
        // A copy of the volume may be mounted already, which bears the same identity.
        What::Xfs => Some((XFS, NO_UUID)),
        // From the top, whichever subvolume is the one to start from.
        What::Btrfs => Some((BTRFS, "subvolid=5")),
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
         mount -t {kind} -o ro,nosuid,nodev,noexec,{more} /dev/mapper/{name} \"$2/mount\" || {{ dmsetup remove {name}; exit 1; }}' sh {path} SCRATCH\n\
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
