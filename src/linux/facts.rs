//! What a destination can take, tried wherever trying is possible.
//!
//! Invariant: every probe file is removed again, whatever happens; what was not tried is not claimed.

use super::beneath::shown;
use super::destination::{device_of, second};
use super::fault::{errno_words, fault};
use super::topology::{self, System};
use crate::port::{DestinationFacts, Fault};
use rustix::fd::{AsFd, BorrowedFd, OwnedFd};
use rustix::fs::{
    AtFlags, Mode, OFlags, StatFs, StatVfsMountFlags, fstat, fstatfs, fstatvfs, ftruncate, linkat,
    openat, unlinkat,
};
use rustix::io::Errno;
use std::os::unix::ffi::OsStrExt;
use std::path::Path;
use std::sync::atomic::{AtomicU64, Ordering};
use std::time::{SystemTime, UNIX_EPOCH};

/// FAT keeps a file's length in 32 bits.
const FAT_LARGEST: u64 = u32::MAX as u64;
/// `MSDOS_SUPER_MAGIC` of statfs(2): every FAT.
const FAT: u64 = 0x4d44;
/// The magic number of the kernel's exFAT (`EXFAT_SUPER_MAGIC`).
const EXFAT: u64 = 0x2011_bab0;
/// Length of the file with which holes are tried: no file system allots as much at once for a file without content.
const HOLE: u64 = 16 << 20;
/// No file system in use takes longer names than this many bytes (or units).
const LONGEST: u64 = 255;

/// Makes probe names differ within one process.
static PROBES: AtomicU64 = AtomicU64::new(0);

/// Looks at the destination that `root` is the open folder of.
pub(super) fn look(root: BorrowedFd<'_>, path: &Path) -> Result<DestinationFacts, Fault> {
    let doing = || format!("looking at the destination '{}'", path.display());
    let room = fstatvfs(root).map_err(|e| fault(doing(), e))?;
    let system = fstatfs(root).map_err(|e| fault(doing(), e))?;
    let magic = magic(&system);
    let beneath = topology::beneath_open(&System::this_machine(), root, path)?;
    let tried = Tried::here(root, room.f_namemax);
    let read_only = room.f_flag.contains(StatVfsMountFlags::RDONLY);
    Ok(DestinationFacts {
        path: shown(path.as_os_str().as_bytes()),
        device: device_of(root).map_err(|e| fault(doing(), e))?,
        practice_only: beneath.through_loop || beneath.memory,
        network: beneath.network,
        file_system: match beneath.mount {
            Some(mount) => mount.file_system,
            None => format!("{magic:x}"),
        },
        disks: beneath.disks,
        disks_unknown: beneath.unknown,
        free_bytes: room.f_bavail.saturating_mul(room.f_frsize),
        free_entries: (room.f_files != 0).then_some(room.f_favail),
        longest_name: tried.longest_name,
        largest_file: (magic == FAT).then_some(FAT_LARGEST),
        folds_case: tried.folds_case,
        hard_links: tried.hard_links,
        not_writable: tried
            .not_writable
            .or_else(|| read_only.then(|| errno_words(Errno::ROFS))),
    })
}

/// Whether a file may have a length here that takes no room. FAT and exFAT have no holes, and would fill the file in trying.
pub(super) fn keeps_holes(root: BorrowedFd<'_>) -> bool {
    let Ok(system) = fstatfs(root) else {
        return false;
    };
    if [FAT, EXFAT].contains(&magic(&system)) {
        return false;
    }
    let tried = || {
        let probe = Probe::make(root, probe_name())?;
        let flags = OFlags::WRONLY | OFlags::NOFOLLOW | OFlags::CLOEXEC;
        let file = openat(root, probe.name.as_str(), flags, Mode::empty())?;
        ftruncate(&file, HOLE)?;
        fstat(&file)
    };
    // 512 bytes each, by `stat`(2).
    tried().is_ok_and(|seen| u64::try_from(seen.st_blocks).is_ok_and(|held| held * 512 < HOLE / 2))
}

fn magic(system: &StatFs) -> u64 {
    u64::from_ne_bytes(system.f_type.to_ne_bytes()) & 0xffff_ffff
}

/// A name that nobody else has.
fn probe_name() -> String {
    let number = PROBES.fetch_add(1, Ordering::Relaxed);
    // Process numbers return after a restart; what a crash left behind must not look like ours.
    let moment = SystemTime::now()
        .duration_since(UNIX_EPOCH)
        .map_or(0, |since| since.subsec_nanos());
    format!("holdpoint-probe-{}-{moment}-{number}", std::process::id())
}

/// What came of trying.
struct Tried {
    not_writable: Option<String>,
    folds_case: bool,
    hard_links: bool,
    longest_name: u32,
}

impl Tried {
    fn here(root: BorrowedFd<'_>, told: u64) -> Self {
        let told = if told == 0 {
            LONGEST
        } else {
            told.min(LONGEST)
        };
        let mut tried = Self {
            not_writable: None,
            folds_case: false,
            hard_links: false,
            longest_name: u32::try_from(told).unwrap_or(255),
        };
        let name = probe_name();
        if let Err(errno) = tried.names(root, &name) {
            tried.not_writable = Some(errno_words(errno));
        }
        tried
    }

    fn names(&mut self, root: BorrowedFd<'_>, name: &str) -> Result<(), Errno> {
        // Empty: this is asked after the copies were read back too, when nothing may take new room on the medium.
        let probe = Probe::make(root, name.to_owned())?;
        // The same name in capitals either is the same file, or is not there.
        match Probe::make(root, name.to_uppercase()) {
            Err(Errno::EXIST) => self.folds_case = true,
            Err(errno) => return Err(errno),
            Ok(_other) => {}
        }
        let second_name = format!("{name}-link");
        if linkat(
            root,
            probe.name.as_str(),
            root,
            second_name.as_str(),
            AtFlags::empty(),
        )
        .is_ok()
        {
            self.hard_links = true;
            let _removed_at_once = Probe {
                root: second(root)?,
                name: second_name,
            };
        }
        self.try_long_name(root, name);
        Ok(())
    }

    /// Shortens the longest name until one can be made; some layers take less than they tell.
    fn try_long_name(&mut self, root: BorrowedFd<'_>, name: &str) {
        let told = self.longest_name;
        for bytes in [told, 143, 100, 64]
            .into_iter()
            .filter(|bytes| *bytes <= told)
        {
            let mut long = name.to_owned();
            while (long.len() as u64) < u64::from(bytes) {
                long.push('n');
            }
            self.longest_name = bytes;
            match Probe::make(root, long) {
                Err(Errno::NAMETOOLONG | Errno::INVAL) => {}
                // Made, or refused for another reason, which says nothing about names.
                _ => return,
            }
        }
    }
}

/// A file made only to see whether it can be made; gone when dropped.
struct Probe {
    root: OwnedFd,
    name: String,
}

impl Probe {
    fn make(root: BorrowedFd<'_>, name: String) -> Result<Self, Errno> {
        let flags =
            OFlags::WRONLY | OFlags::CREATE | OFlags::EXCL | OFlags::NOFOLLOW | OFlags::CLOEXEC;
        // The way to remove it is there before the file is.
        let keep = second(root)?;
        openat(root, name.as_str(), flags, Mode::RUSR | Mode::WUSR)?;
        Ok(Self { root: keep, name })
    }
}

impl Drop for Probe {
    fn drop(&mut self) {
        let _ = unlinkat(self.root.as_fd(), self.name.as_str(), AtFlags::empty());
    }
}
