//! A customer's folder, or a mounted volume, as a tree of entries.
//!
//! Invariant: nothing of the tree is written, no link is followed, no other mount is entered, and
//! nothing but regular files and folders is ever opened, because opening a device or a fifo acts.

use super::beneath::{
    FOLDER, Place, check_name, is_automount, look_at, look_at_open, open_folder, open_quietly,
    place_of, reopen_folder, shown, stamp_of,
};
use super::fault::fault;
use super::open_file::{OpenFile, retry};
use super::topology::{self, System};
use super::{ioctl, mountinfo};
use crate::port::{Content, Entry, Fault, FaultKind, Folder, Stamp, Tree, TreeRoot};
use crate::survey::item::{Kind, Mark, Marks};
use rustix::fd::{AsFd, AsRawFd, BorrowedFd, OwnedFd};
use rustix::fs::{
    FileType, Mode, OFlags, RawDir, Statx, StatxAttributes, fstatvfs, lgetxattr, llistxattr,
    llistxattr_query, open, readlinkat,
};
use rustix::io::Errno;
use std::mem::MaybeUninit;
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};

/// Bytes asked for by one `getdents64`.
const LISTING: usize = 32 << 10;
/// The kernel's limits for attribute lists and values are both 64 KiB (`linux/limits.h`).
const ATTRIBUTES: usize = 64 << 10;

/// What all folders of one tree share.
#[derive(Debug)]
struct Shared {
    place: Place,
    /// Cleared when the file system says that it keeps no attributes.
    keeps_attributes: AtomicBool,
}

/// A tree that starts at a folder of this machine.
#[derive(Debug)]
pub struct FolderTree {
    path: PathBuf,
    root: OwnedFd,
    shared: Arc<Shared>,
}

impl FolderTree {
    /// Opens the root. Links in the path as given are followed; nothing below it will be.
    ///
    /// # Errors
    /// When the folder is missing, is no folder, or may not be read.
    pub fn open(path: &Path) -> Result<Self, Fault> {
        let doing = || format!("opening the folder '{}'", path.display());
        let flags = OFlags::RDONLY | OFlags::DIRECTORY | OFlags::CLOEXEC;
        let root = match open(path, flags | OFlags::NOATIME, Mode::empty()) {
            Err(Errno::PERM) => open(path, flags, Mode::empty()),
            other => other,
        }
        .map_err(|e| fault(doing(), e))?;
        Self::of(root, path)
    }

    /// The tree of a mount that lies nowhere, by its descriptor; `path` is for messages.
    pub(super) fn within(mount: BorrowedFd<'_>, path: &Path) -> Result<Self, Fault> {
        let root = reopen_folder(mount, FOLDER | OFlags::NOATIME)
            .map_err(|e| fault(format!("opening '{}'", path.display()), e))?;
        Self::of(root, path)
    }

    fn of(root: OwnedFd, path: &Path) -> Result<Self, Fault> {
        let seen = look_at_open(root.as_fd())
            .map_err(|e| fault(format!("looking at '{}'", path.display()), e))?;
        Ok(Self {
            path: path.to_owned(),
            root,
            shared: Arc::new(Shared {
                place: place_of(&seen),
                keeps_attributes: AtomicBool::new(true),
            }),
        })
    }
}

impl Tree for FolderTree {
    fn root(&self) -> Result<TreeRoot, Fault> {
        let seen = look_at_open(self.root.as_fd())
            .map_err(|e| fault(format!("looking at '{}'", self.path.display()), e))?;
        let system = System::this_machine();
        let beneath = topology::beneath_open(&system, self.root.as_fd(), &self.path)?;
        Ok(TreeRoot {
            path: shown(std::os::unix::ffi::OsStrExt::as_bytes(
                self.path.as_os_str(),
            )),
            stamp: stamp_of(&seen),
            file_system: beneath
                .mount
                .map(|mount: mountinfo::Mount| mount.file_system)
                .unwrap_or_default(),
            file_system_id: file_system_id(&self.root),
            disks: beneath.disks,
            disks_unknown: beneath.unknown,
        })
    }

    fn folder(&self, parts: &[Vec<u8>]) -> Result<Box<dyn Folder>, Fault> {
        let fd = open_folder(self.root.as_fd(), parts, FOLDER | OFlags::NOATIME)?;
        Ok(Box::new(OpenFolder {
            fd,
            shared: Arc::clone(&self.shared),
        }))
    }
}

/// Identity of the file system that holds `fd`: its UUID where the kernel tells it, else the number
/// that `statfs` gives; empty = neither.
pub(super) fn file_system_id(fd: &OwnedFd) -> String {
    if let Some(uuid) = ioctl::file_system_uuid(fd.as_fd()) {
        return uuid.iter().map(|byte| format!("{byte:02x}")).collect();
    }
    match fstatvfs(fd) {
        Ok(facts) if facts.f_fsid != 0 => format!("{:016x}", facts.f_fsid),
        _ => String::new(),
    }
}

/// One open folder.
#[derive(Debug)]
struct OpenFolder {
    fd: OwnedFd,
    shared: Arc<Shared>,
}

impl OpenFolder {
    fn entry(&self, name: &[u8], told: FileType, scratch: &mut Scratch) -> Entry {
        let seen = match look_at(self.fd.as_fd(), name) {
            Ok(seen) => seen,
            Err(errno) => {
                let mut marks = Marks::default();
                marks.set(Mark::Unreadable);
                return Entry {
                    name: name.to_vec(),
                    kind: kind_of(told),
                    stamp: Err(fault(format!("looking at '{}'", shown(name)), errno)),
                    target: None,
                    attributes: Vec::new(),
                    marks,
                };
            }
        };
        let stamp = stamp_of(&seen);
        let kind = kind_of(FileType::from_raw_mode(stamp.mode));
        let mut marks = marks_of(&seen, kind);
        let elsewhere = place_of(&seen) != self.shared.place || is_automount(&seen);
        if elsewhere {
            marks.set(Mark::OtherMount);
        }
        let target = if kind == Kind::Link {
            match readlinkat(&self.fd, name, Vec::new()) {
                Ok(target) => Some(target.into_bytes()),
                Err(_) => {
                    marks.set(Mark::Unreadable);
                    None
                }
            }
        } else {
            None
        };
        let attributes = if elsewhere {
            Vec::new()
        } else {
            self.attributes(name, scratch, &mut marks)
        };
        Entry {
            name: name.to_vec(),
            kind,
            stamp: Ok(stamp),
            target,
            attributes,
            marks,
        }
    }

    /// Reads the extended attributes of an entry without opening it. The mark
    /// `ExtendedAttributes` with an attribute missing from the list says that it could not be read.
    fn attributes(
        &self,
        name: &[u8],
        scratch: &mut Scratch,
        marks: &mut Marks,
    ) -> Vec<(Vec<u8>, Vec<u8>)> {
        if !self.shared.keeps_attributes.load(Ordering::Relaxed) {
            return Vec::new();
        }
        // The first part is a jump to the very folder that is open; only the name itself is looked up, and a link not followed.
        scratch.path.truncate(scratch.stem);
        scratch.path.extend_from_slice(name);
        let path = scratch.path.as_slice();
        let names = match llistxattr(path, &mut scratch.names[..]) {
            Ok(0) => return Vec::new(),
            Ok(bytes) => scratch.names.get(..bytes).unwrap_or_default().to_vec(),
            Err(Errno::OPNOTSUPP) => {
                self.shared.keeps_attributes.store(false, Ordering::Relaxed);
                return Vec::new();
            }
            Err(Errno::RANGE) => match long_list(path) {
                Some(names) => names,
                None => {
                    marks.set(Mark::ExtendedAttributes);
                    return Vec::new();
                }
            },
            // Without /proc there is no way to ask without opening; a vanished entry has none to lose.
            Err(Errno::NOENT) if Path::new("/proc/self/fd").exists() => return Vec::new(),
            Err(_) => {
                marks.set(Mark::ExtendedAttributes);
                return Vec::new();
            }
        };
        let mut out = Vec::new();
        let mut value = vec![0u8; ATTRIBUTES];
        for attribute in names.split(|b| *b == 0).filter(|name| !name.is_empty()) {
            // The label of a security module is made anew by the next system and would mark every file.
            if attribute != b"security.selinux" {
                marks.set(Mark::ExtendedAttributes);
            }
            if let Ok(bytes) = retry(|| lgetxattr(path, attribute, &mut value[..])) {
                let value = value.get(..bytes).unwrap_or_default().to_vec();
                out.push((attribute.to_vec(), value));
            }
        }
        out
    }
}

fn long_list(path: &[u8]) -> Option<Vec<u8>> {
    // Between the two calls the list may grow; the kernel's limit always suffices.
    let bytes = llistxattr_query(path).ok()?.max(ATTRIBUTES);
    let mut names = vec![0u8; bytes];
    let got = llistxattr(path, &mut names[..]).ok()?;
    names.truncate(got);
    Some(names)
}

/// Buffers that one walk reuses for each entry.
struct Scratch {
    /// `/proc/self/fd/N/` and, behind `stem`, the entry's name.
    path: Vec<u8>,
    stem: usize,
    names: Vec<u8>,
}

impl Scratch {
    fn new(folder: &OwnedFd) -> Self {
        let path = format!("/proc/self/fd/{}/", folder.as_raw_fd()).into_bytes();
        Self {
            stem: path.len(),
            path,
            names: vec![0; 1024],
        }
    }
}

fn marks_of(seen: &Statx, kind: Kind) -> Marks {
    let mut marks = Marks::default();
    if kind == Kind::File && seen.stx_attributes.contains(StatxAttributes::COMPRESSED) {
        marks.set(Mark::Compressed);
    }
    marks
}

pub(super) fn kind_of(kind: FileType) -> Kind {
    match kind {
        FileType::RegularFile => Kind::File,
        FileType::Directory => Kind::Folder,
        FileType::Symlink => Kind::Link,
        _ => Kind::Special,
    }
}

impl Folder for OpenFolder {
    fn each(&self, see: &mut dyn FnMut(Entry)) -> Result<(), Fault> {
        // A descriptor of its own for each walk, since the place in the listing belongs to the descriptor.
        let listing = reopen_folder(self.fd.as_fd(), FOLDER | OFlags::NOATIME)
            .map_err(|e| fault("opening a folder to list it", e))?;
        let mut buffer = vec![MaybeUninit::<u8>::uninit(); LISTING];
        let mut entries = RawDir::new(&listing, &mut buffer);
        let mut scratch = Scratch::new(&self.fd);
        while let Some(next) = entries.next() {
            let next = match next {
                Ok(next) => next,
                Err(Errno::INTR) => continue,
                Err(errno) => return Err(fault("listing a folder", errno)),
            };
            let name = next.file_name().to_bytes();
            if name == b"." || name == b".." {
                continue;
            }
            see(self.entry(name, next.file_type(), &mut scratch));
        }
        Ok(())
    }

    fn names(&self, see: &mut dyn FnMut(&[u8]) -> bool) -> Result<(), Fault> {
        let listing = reopen_folder(self.fd.as_fd(), FOLDER | OFlags::NOATIME)
            .map_err(|e| fault("opening a folder to list it", e))?;
        let mut buffer = vec![MaybeUninit::<u8>::uninit(); LISTING];
        let mut entries = RawDir::new(&listing, &mut buffer);
        while let Some(next) = entries.next() {
            let next = match next {
                Ok(next) => next,
                Err(Errno::INTR) => continue,
                Err(errno) => return Err(fault("listing a folder", errno)),
            };
            let name = next.file_name().to_bytes();
            if name != b"." && name != b".." && !see(name) {
                break;
            }
        }
        Ok(())
    }

    fn folder(&self, name: &[u8]) -> Result<Box<dyn Folder>, Fault> {
        check_name(name)?;
        let fd = open_quietly(self.fd.as_fd(), name, FOLDER | OFlags::NOATIME)
            .map_err(|e| fault(format!("opening folder '{}'", shown(name)), e))?;
        Ok(Box::new(OpenFolder {
            fd,
            shared: Arc::clone(&self.shared),
        }))
    }

    fn open(&self, name: &[u8]) -> Result<Box<dyn Content>, Fault> {
        check_name(name)?;
        let doing = || format!("opening '{}'", shown(name));
        let before = look_at(self.fd.as_fd(), name).map_err(|e| fault(doing(), e))?;
        regular(&before, &doing)?;
        // Not blocking, should it become a fifo between the two looks.
        let flags = OFlags::RDONLY
            | OFlags::NONBLOCK
            | OFlags::NOFOLLOW
            | OFlags::CLOEXEC
            | OFlags::NOATIME;
        let fd = open_quietly(self.fd.as_fd(), name, flags).map_err(|e| fault(doing(), e))?;
        let after = look_at_open(fd.as_fd()).map_err(|e| fault(doing(), e))?;
        regular(&after, &doing)?;
        let same = before.stx_ino == after.stx_ino
            && before.stx_dev_major == after.stx_dev_major
            && before.stx_dev_minor == after.stx_dev_minor;
        if !same {
            return Err(Fault::new(
                FaultKind::Missing,
                doing(),
                "replaced by another file while it was being opened",
            ));
        }
        Ok(Box::new(OpenFile::source(shown(name), fd)))
    }

    fn stamp(&self, name: &[u8]) -> Result<Stamp, Fault> {
        check_name(name)?;
        look_at(self.fd.as_fd(), name)
            .map(|seen| stamp_of(&seen))
            .map_err(|e| fault(format!("looking at '{}'", shown(name)), e))
    }
}

fn regular(seen: &Statx, doing: &dyn Fn() -> String) -> Result<(), Fault> {
    if FileType::from_raw_mode(u32::from(seen.stx_mode)) == FileType::RegularFile {
        Ok(())
    } else {
        Err(Fault::new(
            FaultKind::Other,
            doing(),
            "not a regular file, so it is not opened",
        ))
    }
}

#[cfg(test)]
#[path = "tree_tests.rs"]
mod tests;
