//! Whether one folder lies inside another: a destination inside the source would be copied into
//! itself, and a source inside a destination would be written beside what is being read.
//!
//! Invariant: decided by devices, inodes and places within the file system, never by how a path is
//! spelt, so that links and bind mounts make no difference.

use super::beneath::{FOLDER, look_at_open, place_of};
use super::fault::fault;
use super::mountinfo::Mount;
use super::topology::System;
use super::{beneath, topology};
use crate::port::Fault;
use rustix::fd::{AsFd, OwnedFd};
use rustix::fs::{Mode, OFlags, Statx, open, openat};
use std::ffi::OsStr;
use std::os::unix::ffi::OsStrExt;
use std::path::{Path, PathBuf};

/// Deeper than any path that can be walked.
const DEEPEST: usize = 1 << 16;

/// Whether the existing folder `inner` is `outer` itself or lies inside it, on the same file system.
///
/// A folder on *another* file system that is mounted somewhere inside `outer` does not count: the
/// tree never enters other mounts.
///
/// # Errors
/// When one of the two cannot be opened or followed up to its root.
pub fn lies_inside(system: &System, inner: &Path, outer: &Path) -> Result<bool, Fault> {
    let (inner_fd, outer_fd) = (folder(inner)?, folder(outer)?);
    if met_on_the_way_up(&inner_fd, &outer_fd, inner)? {
        return Ok(true);
    }
    // A bind mount shows a folder elsewhere; its place within the file system tells.
    let mounts = system.mounts()?;
    let within = |fd: &OwnedFd, path: &Path| place_within(&mounts, fd, path);
    match (within(&inner_fd, inner), within(&outer_fd, outer)) {
        (Some((inner_device, inner)), Some((outer_device, outer))) => {
            Ok(inner_device == outer_device && inner.starts_with(&outer))
        }
        // Without mounts in sight the walk is all there is.
        _ => Ok(false),
    }
}

fn folder(path: &Path) -> Result<OwnedFd, Fault> {
    let flags = OFlags::PATH | OFlags::DIRECTORY | OFlags::CLOEXEC;
    open(path, flags, Mode::empty())
        .map_err(|e| fault(format!("opening the folder '{}'", path.display()), e))
}

fn same(a: &Statx, b: &Statx) -> bool {
    a.stx_ino == b.stx_ino
        && a.stx_dev_major == b.stx_dev_major
        && a.stx_dev_minor == b.stx_dev_minor
}

fn met_on_the_way_up(inner: &OwnedFd, outer: &OwnedFd, path: &Path) -> Result<bool, Fault> {
    let doing = |e| fault(format!("looking above '{}'", path.display()), e);
    let wanted = look_at_open(outer.as_fd()).map_err(doing)?;
    let mut seen = look_at_open(inner.as_fd()).map_err(doing)?;
    let home = place_of(&seen);
    let mut at: Option<OwnedFd> = None;
    for _ in 0..DEEPEST {
        if same(&seen, &wanted) {
            return Ok(true);
        }
        let from = at.as_ref().unwrap_or(inner);
        let flags = (FOLDER - OFlags::RDONLY) | OFlags::PATH;
        let above = openat(from, "..", flags, Mode::empty()).map_err(doing)?;
        let next = look_at_open(above.as_fd()).map_err(doing)?;
        // Above a mount's root other rules begin; the root of everything is its own parent.
        if place_of(&next) != home || same(&next, &seen) {
            return Ok(false);
        }
        seen = next;
        at = Some(above);
    }
    Ok(false)
}

/// The file system (by number) and the place within it that an open folder has.
fn place_within(mounts: &[Mount], fd: &OwnedFd, path: &Path) -> Option<((u32, u32), PathBuf)> {
    let seen = look_at_open(fd.as_fd()).ok()?;
    let mount = match place_of(&seen) {
        beneath::Place::Mount(id) => mounts.iter().find(|mount| mount.id == id)?,
        beneath::Place::Device(_) => topology::holding(mounts, path)?,
    };
    let path = path.canonicalize().ok()?;
    let below = path
        .strip_prefix(OsStr::from_bytes(&mount.point))
        .ok()?
        .to_owned();
    let root = Path::new(OsStr::from_bytes(&mount.root));
    Some((mount.device, root.join(below)))
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::os::unix::fs::symlink;

    #[test]
    fn nesting_is_seen_through_links_and_odd_spellings() {
        let scratch = tempfile::tempdir().unwrap();
        let at = |path: &str| scratch.path().join(path);
        std::fs::create_dir_all(at("source/deep/er")).unwrap();
        std::fs::create_dir_all(at("source two")).unwrap();
        symlink(at("source/deep"), at("elsewhere")).unwrap();
        let system = System::this_machine();
        let inside = |a: &str, b: &str| lies_inside(&system, &at(a), &at(b)).unwrap();
        assert!(inside("source", "source"));
        assert!(inside("source/deep/er", "source"));
        assert!(inside("elsewhere/er", "source"));
        assert!(inside("source/../source/deep", "source/deep/.."));
        assert!(!inside("source", "source/deep"));
        assert!(!inside("source two", "source"));
        assert!(lies_inside(&system, &at("none"), &at("source")).is_err());
    }
}
