//! Opening things beneath an open folder: by descriptors, never through a link, never across a
//! mount, never upwards.
//!
//! Invariant: what is opened lies on the same mount as the folder it was reached from, whatever
//! anybody renames or links in the meantime.

use super::fault::{fault, name_fault};
use crate::port::{Fault, FaultKind, Stamp};
use crate::value::Name;
use rustix::fd::{AsFd, BorrowedFd, OwnedFd};
use rustix::fs::{
    AtFlags, Mode, OFlags, ResolveFlags, Statx, StatxAttributes, StatxFlags, makedev, openat,
    openat2, statx,
};
use rustix::io::Errno;
use std::sync::atomic::{AtomicBool, Ordering};

/// The longest path that one call may carry; the kernel's own limit is 4096 with the final NUL.
const PATH_LIMIT: usize = 4000;

/// Set once `openat2` has turned out to be missing (before Linux 5.6, or filtered).
static NO_OPENAT2: AtomicBool = AtomicBool::new(false);

const RESOLVE: ResolveFlags = ResolveFlags::BENEATH
    .union(ResolveFlags::NO_SYMLINKS)
    .union(ResolveFlags::NO_XDEV);

/// What every `statx` here asks for.
pub(super) const WANTED: StatxFlags = StatxFlags::BASIC_STATS
    .union(StatxFlags::BTIME)
    .union(StatxFlags::MNT_ID);

/// Flags for a folder that will be listed or searched.
pub(super) const FOLDER: OFlags = OFlags::RDONLY
    .union(OFlags::DIRECTORY)
    .union(OFlags::NOFOLLOW)
    .union(OFlags::CLOEXEC);

/// A name for messages: exact where it is text, percent-escaped where not.
pub(super) fn shown(name: &[u8]) -> String {
    Name::Bytes(name.to_vec()).text()
}

/// Refuses what is no single name.
pub(super) fn check_name(name: &[u8]) -> Result<(), Fault> {
    let wrong = name.is_empty()
        || name == b"."
        || name == b".."
        || name.iter().any(|b| *b == b'/' || *b == 0);
    if wrong {
        return Err(Fault::new(
            FaultKind::Other,
            format!("looking at '{}'", shown(name)),
            "not a single file name (empty, '.', '..', '/' or NUL inside)",
        ));
    }
    Ok(())
}

/// Opens one relative path beneath `folder`. Every part that is a link, leads upwards or lies on
/// another mount is refused.
pub(super) fn open_beneath(
    folder: BorrowedFd<'_>,
    path: &[u8],
    flags: OFlags,
    mode: Mode,
) -> Result<OwnedFd, Errno> {
    if !NO_OPENAT2.load(Ordering::Relaxed) {
        // A rename elsewhere can make the kernel ask for another try (openat2(2), EAGAIN).
        for _ in 0..16 {
            match openat2(folder, path, flags, mode, RESOLVE) {
                Err(Errno::AGAIN | Errno::INTR) => {}
                Err(Errno::NOSYS) => {
                    NO_OPENAT2.store(true, Ordering::Relaxed);
                    return open_by_parts(folder, path, flags, mode);
                }
                other => return other,
            }
        }
    }
    open_by_parts(folder, path, flags, mode)
}

/// The same with `openat` alone: part by part, each compared with the mount it should lie on.
fn open_by_parts(
    folder: BorrowedFd<'_>,
    path: &[u8],
    flags: OFlags,
    mode: Mode,
) -> Result<OwnedFd, Errno> {
    let home = place_of(&statx(folder, "", AtFlags::EMPTY_PATH, WANTED)?);
    let mut parts = path.split(|b| *b == b'/').peekable();
    let mut at: Option<OwnedFd> = None;
    while let Some(part) = parts.next() {
        if check_name(part).is_err() {
            return Err(Errno::XDEV);
        }
        let from = at.as_ref().map_or(folder, |fd| fd.as_fd());
        let last = parts.peek().is_none();
        let flags = if last {
            flags | OFlags::NOFOLLOW
        } else {
            FOLDER
        };
        let fd = openat(from, part, flags, mode)?;
        if place_of(&statx(&fd, "", AtFlags::EMPTY_PATH, WANTED)?) != home {
            return Err(Errno::XDEV);
        }
        at = Some(fd);
    }
    at.ok_or(Errno::NOENT)
}

/// Opens a folder beneath `root`, `parts` one below the other, of any depth.
pub(super) fn open_folder(
    root: BorrowedFd<'_>,
    parts: &[impl AsRef<[u8]>],
    flags: OFlags,
) -> Result<OwnedFd, Fault> {
    let mut at: Option<OwnedFd> = None;
    let mut path: Vec<u8> = Vec::new();
    let doing = || {
        let names: Vec<String> = parts.iter().map(|part| shown(part.as_ref())).collect();
        format!("opening folder '{}'", names.join("/"))
    };
    for (place, part) in parts.iter().enumerate() {
        let part = part.as_ref();
        check_name(part)?;
        if !path.is_empty() {
            path.push(b'/');
        }
        path.extend_from_slice(part);
        let next = parts.get(place + 1).map_or(0, |next| next.as_ref().len());
        if place + 1 == parts.len() || path.len() + next > PATH_LIMIT {
            let from = at.as_ref().map_or(root, |fd| fd.as_fd());
            let fd = open_quietly(from, &path, flags).map_err(|e| name_fault(doing(), e))?;
            at = Some(fd);
            path.clear();
        }
    }
    match at {
        Some(fd) => Ok(fd),
        None => reopen_folder(root, flags).map_err(|e| fault(doing(), e)),
    }
}

/// A second, independent descriptor of an open folder.
pub(super) fn reopen_folder(folder: BorrowedFd<'_>, flags: OFlags) -> Result<OwnedFd, Errno> {
    match openat(folder, ".", flags, Mode::empty()) {
        Err(Errno::PERM) if flags.contains(OFlags::NOATIME) => {
            openat(folder, ".", flags - OFlags::NOATIME, Mode::empty())
        }
        other => other,
    }
}

/// Opens without leaving a trace in the access time where we may; only owners and root may.
pub(super) fn open_quietly(
    folder: BorrowedFd<'_>,
    path: &[u8],
    flags: OFlags,
) -> Result<OwnedFd, Errno> {
    match open_beneath(folder, path, flags, Mode::empty()) {
        Err(Errno::PERM) if flags.contains(OFlags::NOATIME) => {
            open_beneath(folder, path, flags - OFlags::NOATIME, Mode::empty())
        }
        other => other,
    }
}

/// Where something lies: its mount where the kernel tells it, else its device.
///
/// A subvolume has a device number of its own but lies on the same mount, and belongs to the tree.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Place {
    Mount(u64),
    Device(u64),
}

pub(super) fn place_of(seen: &Statx) -> Place {
    if StatxFlags::from_bits_retain(seen.stx_mask).contains(StatxFlags::MNT_ID) {
        Place::Mount(seen.stx_mnt_id)
    } else {
        Place::Device(makedev(seen.stx_dev_major, seen.stx_dev_minor))
    }
}

/// Whether entering would make the kernel mount something.
pub(super) fn is_automount(seen: &Statx) -> bool {
    seen.stx_attributes.contains(StatxAttributes::AUTOMOUNT)
}

/// `statx` of a name in `folder`, links not followed, nothing mounted by it.
pub(super) fn look_at(folder: BorrowedFd<'_>, name: &[u8]) -> Result<Statx, Errno> {
    statx(
        folder,
        name,
        AtFlags::SYMLINK_NOFOLLOW | AtFlags::NO_AUTOMOUNT,
        WANTED,
    )
}

/// `statx` of something open.
pub(super) fn look_at_open(fd: BorrowedFd<'_>) -> Result<Statx, Errno> {
    statx(fd, "", AtFlags::EMPTY_PATH, WANTED)
}

/// The kernel's words as a [`Stamp`].
pub(super) fn stamp_of(seen: &Statx) -> Stamp {
    let has_birth = StatxFlags::from_bits_retain(seen.stx_mask).contains(StatxFlags::BTIME);
    Stamp {
        device: makedev(seen.stx_dev_major, seen.stx_dev_minor),
        inode: seen.stx_ino,
        bytes: seen.stx_size,
        allocated: seen.stx_blocks.saturating_mul(512),
        modified_ns: nanoseconds(seen.stx_mtime.tv_sec, seen.stx_mtime.tv_nsec),
        changed_ns: nanoseconds(seen.stx_ctime.tv_sec, seen.stx_ctime.tv_nsec),
        created_ns: if has_birth {
            nanoseconds(seen.stx_btime.tv_sec, seen.stx_btime.tv_nsec)
        } else {
            0
        },
        mode: u32::from(seen.stx_mode),
        user: seen.stx_uid,
        group: seen.stx_gid,
        names: seen.stx_nlink,
    }
}

fn nanoseconds(seconds: i64, nanoseconds: u32) -> i64 {
    seconds
        .saturating_mul(1_000_000_000)
        .saturating_add(i64::from(nanoseconds))
}

#[cfg(test)]
mod tests {
    use super::*;
    use rustix::fs::{CWD, open};
    use std::os::unix::fs::symlink;

    #[test]
    fn links_and_ways_up_are_refused_by_either_way_of_opening() {
        let scratch = tempfile::tempdir().unwrap();
        std::fs::create_dir_all(scratch.path().join("in/deep")).unwrap();
        std::fs::write(scratch.path().join("in/deep/file"), b"x").unwrap();
        symlink("deep", scratch.path().join("in/link")).unwrap();
        symlink("file", scratch.path().join("in/deep/name")).unwrap();
        let root = open(scratch.path().join("in"), FOLDER, Mode::empty()).unwrap();
        let flags = OFlags::RDONLY | OFlags::CLOEXEC;
        for way in [open_beneath, open_by_parts] {
            let open = |path: &str| way(root.as_fd(), path.as_bytes(), flags, Mode::empty());
            assert!(open("deep/file").is_ok());
            assert!(open("link/file").is_err());
            assert!(open("deep/name").is_err());
            assert!(open("../in/deep/file").is_err());
            assert!(open("/etc/hostname").is_err());
            assert_eq!(open("none").unwrap_err(), Errno::NOENT);
        }
    }

    #[test]
    fn folders_deeper_than_one_path_are_reached() {
        let scratch = tempfile::tempdir().unwrap();
        let root = open(scratch.path(), FOLDER, Mode::empty()).unwrap();
        let part = "n".repeat(200);
        let mut at = reopen_folder(root.as_fd(), FOLDER).unwrap();
        for _ in 0..60 {
            rustix::fs::mkdirat(&at, part.as_str(), Mode::RWXU).unwrap();
            at = openat(&at, part.as_str(), FOLDER, Mode::empty()).unwrap();
        }
        let parts = vec![part.as_bytes(); 60];
        let reached = open_folder(root.as_fd(), &parts, FOLDER).unwrap();
        assert_eq!(
            look_at_open(reached.as_fd()).unwrap().stx_ino,
            look_at_open(at.as_fd()).unwrap().stx_ino
        );
        let _ = CWD;
    }

    #[test]
    fn what_is_no_single_name_is_refused() {
        for name in [&b""[..], b".", b"..", b"a/b", b"a\0b"] {
            assert!(check_name(name).is_err());
        }
        assert!(check_name(b"...").is_ok());
        assert!(check_name(b"a\nb\\c").is_ok());
    }
}
