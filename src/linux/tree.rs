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
use rustix::fd::{AsFd, AsRawFd, OwnedFd};
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
        let seen = look_at_open(root.as_fd()).map_err(|e| fault(doing(), e))?;
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
mod tests {
    use super::*;
    use rustix::fs::{CWD, XattrFlags, mkfifoat, setxattr};
    use std::collections::BTreeMap;
    use std::ffi::OsStr;
    use std::os::unix::ffi::OsStrExt;
    use std::os::unix::fs::{FileExt, PermissionsExt, symlink};

    fn entries(folder: &dyn Folder) -> BTreeMap<Vec<u8>, Entry> {
        let mut all = BTreeMap::new();
        folder
            .each(&mut |entry| {
                all.insert(entry.name.clone(), entry);
            })
            .unwrap();
        all
    }

    #[test]
    fn every_kind_is_told_and_only_files_are_opened() {
        let scratch = tempfile::tempdir().unwrap();
        let at = scratch.path();
        std::fs::write(at.join("file"), b"content").unwrap();
        std::fs::hard_link(at.join("file"), at.join("twin")).unwrap();
        std::fs::create_dir(at.join("folder")).unwrap();
        symlink("../else\nwhere", at.join("link")).unwrap();
        mkfifoat(CWD, at.join("fifo"), Mode::RWXU).unwrap();
        let _socket = std::os::unix::net::UnixListener::bind(at.join("socket")).unwrap();
        let odd = b"caf\xe9\n\x1b[31m";
        std::fs::write(at.join(OsStr::from_bytes(odd)), b"").unwrap();
        let sparse = std::fs::File::create(at.join("sparse")).unwrap();
        sparse.set_len(1 << 20).unwrap();
        sparse.write_all_at(b"data", 512 << 10).unwrap();

        let tree = FolderTree::open(at).unwrap();
        let root = tree.folder(&[]).unwrap();
        let all = entries(&*root);
        assert_eq!(all.len(), 8);
        let kind = |name: &[u8]| all[name].kind;
        assert_eq!(kind(b"file"), Kind::File);
        assert_eq!(kind(b"folder"), Kind::Folder);
        assert_eq!(kind(b"link"), Kind::Link);
        assert_eq!(kind(b"fifo"), Kind::Special);
        assert_eq!(kind(b"socket"), Kind::Special);
        assert_eq!(kind(odd), Kind::File);
        assert_eq!(all[&b"link"[..]].target, Some(b"../else\nwhere".to_vec()));
        assert!(!all[&b"file"[..]].marks.has(Mark::OtherMount));
        let stamp = all[&b"file"[..]].stamp.clone().unwrap();
        assert_eq!(stamp, root.stamp(b"twin").unwrap());
        assert_eq!((stamp.bytes, stamp.names), (7, 2));
        assert!(stamp.modified_ns > 1_600_000_000_000_000_000);

        let content = root.open(b"file").unwrap();
        let mut buf = [0u8; 32];
        assert_eq!(content.read_at(0, &mut buf).unwrap(), 7);
        assert_eq!(content.read_at(7, &mut buf).unwrap(), 0);
        assert_eq!(content.stamp().unwrap(), stamp);
        // A fifo without a writer would block for ever, were it opened like a file.
        for name in [
            &b"fifo"[..],
            b"socket",
            b"link",
            b"folder",
            b"..",
            b"",
            b"none",
        ] {
            assert!(root.open(name).is_err());
        }
        assert!(root.folder(b"link").is_err());
        assert!(root.folder(b"..").is_err());
        assert!(tree.folder(&[b"..".to_vec()]).is_err());

        let stamp = all[&b"sparse"[..]].stamp.clone().unwrap();
        assert!(stamp.allocated < stamp.bytes);
        let sparse = root.open(b"sparse").unwrap();
        let (from, bytes) = sparse.data_after(0).unwrap().unwrap();
        assert!(from <= 512 << 10 && from + bytes >= (512 << 10) + 4);
        assert!(from > 0, "the hole before the data was not told");
        assert_eq!(sparse.data_after(from + bytes).unwrap(), None);
    }

    #[test]
    fn aligned_and_other_reads_deliver_the_same_bytes() {
        let scratch = tempfile::tempdir().unwrap();
        let bytes: Vec<u8> = (0..300_001u32)
            .map(|n| (n.wrapping_mul(2_654_435_761) >> 24) as u8)
            .collect();
        std::fs::write(scratch.path().join("f"), &bytes).unwrap();
        let tree = FolderTree::open(scratch.path()).unwrap();
        let content = tree.folder(&[]).unwrap().open(b"f").unwrap();
        let mut block = crate::port::Block::new(1 << 20, &|_| {});
        for (at, length) in [
            (0, 4096),
            (0, 1 << 20),
            (4096, 131_072),
            (299_008, 4096),
            (1, 4096),
            (17, 33),
            (300_000, 9),
        ] {
            let got = content.read_at(at as u64, &mut block[..length]).unwrap();
            let end = (at + length).min(bytes.len());
            assert_eq!(block[..got], bytes[at..end], "{length} bytes at {at}");
        }
        assert_eq!(content.read_at(300_001, &mut block[..10]).unwrap(), 0);
        assert_eq!(content.read_at(303_104, &mut block[..4096]).unwrap(), 0);
    }

    #[test]
    fn attributes_come_with_name_and_value() {
        let scratch = tempfile::tempdir().unwrap();
        let file = scratch.path().join("f");
        std::fs::write(&file, b"").unwrap();
        std::fs::write(scratch.path().join("plain"), b"").unwrap();
        if setxattr(&file, "user.origin", b"camera\0", XattrFlags::empty()).is_err() {
            crate::skip::skip(
                "attributes_come_with_name_and_value",
                "no user attributes here",
            );
            return;
        }
        let long = "user.".to_owned() + &"n".repeat(200);
        let mut expected = vec![(b"user.origin".to_vec(), b"camera\0".to_vec())];
        // More names than the first list has room for.
        for n in 0..8 {
            let name = format!("{long}{n}");
            if setxattr(&file, &name, b"", XattrFlags::empty()).is_ok() {
                expected.push((name.into_bytes(), Vec::new()));
            }
        }
        let tree = FolderTree::open(scratch.path()).unwrap();
        let all = entries(&*tree.folder(&[]).unwrap());
        let mut got = all[&b"f"[..]].attributes.clone();
        got.retain(|(name, _)| name != b"security.selinux");
        got.sort();
        expected.sort();
        assert_eq!(got, expected);
        assert!(all[&b"f"[..]].marks.has(Mark::ExtendedAttributes));
        assert!(!all[&b"plain"[..]].marks.has(Mark::ExtendedAttributes));
    }

    #[test]
    fn a_folder_that_may_not_be_read_is_a_fault() {
        if rustix::process::geteuid().is_root() {
            crate::skip::skip(
                "a_folder_that_may_not_be_read_is_a_fault",
                "root may read everything",
            );
            return;
        }
        let scratch = tempfile::tempdir().unwrap();
        let closed = scratch.path().join("closed");
        std::fs::create_dir(&closed).unwrap();
        std::fs::set_permissions(&closed, std::fs::Permissions::from_mode(0o000)).unwrap();
        let tree = FolderTree::open(scratch.path()).unwrap();
        let refused = tree.folder(&[b"closed".to_vec()]).err().unwrap();
        assert_eq!(refused.kind, FaultKind::Denied);
    }

    #[test]
    fn names_alone_are_those_of_the_entries_until_told_to_stop() {
        let scratch = tempfile::tempdir().unwrap();
        for n in 0..20 {
            std::fs::write(scratch.path().join(format!("file {n}")), b"").unwrap();
        }
        let tree = FolderTree::open(scratch.path()).unwrap();
        let folder = tree.folder(&[]).unwrap();
        let mut all = Vec::new();
        folder
            .names(&mut |name| {
                all.push(name.to_vec());
                true
            })
            .unwrap();
        all.sort();
        assert_eq!(all, entries(&*folder).into_keys().collect::<Vec<_>>());
        let mut seen = 0;
        folder
            .names(&mut |_| {
                seen += 1;
                seen < 5
            })
            .unwrap();
        assert_eq!(seen, 5);
    }

    #[test]
    fn a_walk_may_start_anew_while_another_is_under_way() {
        let scratch = tempfile::tempdir().unwrap();
        for n in 0..500 {
            std::fs::write(scratch.path().join(format!("file {n}")), b"").unwrap();
        }
        let tree = FolderTree::open(scratch.path()).unwrap();
        let folder = tree.folder(&[]).unwrap();
        let mut seen = 0;
        folder
            .each(&mut |_| {
                if seen == 250 {
                    assert_eq!(entries(&*folder).len(), 500);
                }
                seen += 1;
            })
            .unwrap();
        assert_eq!(seen, 500);
        assert_eq!(entries(&*folder).len(), 500);
    }

    #[test]
    fn the_root_says_what_it_lies_on() {
        let scratch = tempfile::tempdir().unwrap();
        let root = FolderTree::open(scratch.path()).unwrap().root().unwrap();
        assert!(!root.file_system.is_empty());
        assert_eq!(root.stamp.mode & 0o170_000, 0o040_000);
        assert!(FolderTree::open(&scratch.path().join("none")).is_err());
    }
}
