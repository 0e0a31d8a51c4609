//! A job folder on a destination of this machine.
//!
//! Invariant: nothing outside the folder can be reached, whatever path is given or link planted; a
//! new file never replaces one; "settled" is said only after the kernel said so for everything written.

use super::beneath::{
    FOLDER, check_name, look_at, look_at_open, open_beneath, open_folder, reopen_folder, shown,
};
use super::fault::{fault, name_fault};
use super::open_file::{OpenFile, retry};
use super::parents::Parents;
use super::writing::OpenWriting;
use super::{facts, host};
use crate::port::{Below, Content, Destination, DestinationFacts, Fault, FaultKind, Writing};
use crate::value::Name;
use rustix::fd::{AsFd, OwnedFd};
use rustix::fs::{
    AtFlags, FileType, Mode, OFlags, RawDir, fstat, fstatfs, fsync, linkat, mkdirat, open, openat,
    renameat, syncfs, unlinkat,
};
use rustix::io::{Errno, pread, pwrite};
use std::collections::BTreeSet;
use std::mem::MaybeUninit;
use std::path::{Path, PathBuf};
use std::sync::{Arc, Mutex, PoisonError};

/// The largest file that [`Destination::read_small`] takes whole into memory.
const SMALL: u64 = 256 << 20;
/// File systems whose times or inode numbers do not last: FAT and exFAT, and whatever a program serves (FUSE; Linux
/// `uapi/linux/magic.h`).
const FLEETING: [u64; 3] = [0x4d44, 0x2011_bab0, 0x6573_5546];
/// Bytes asked for by one `getdents64`.
const LISTING: usize = 32 << 10;

/// How a file system is brought to keep what was written.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Settling {
    /// One `syncfs` writes everything out and empties the device's own cache.
    Whole,
    /// `syncfs` writes everything out, but the device's own cache needs an `fsync` after it.
    WholeThenOne,
    /// `syncfs` promises nothing here: each file and folder for itself.
    Each,
}

/// The first kernel whose `syncfs` reports write errors (syncfs(2)).
const SYNCFS_REPORTS: (u32, u32) = (5, 8);

impl Settling {
    /// By the magic number of `statfs(2)`.
    pub(super) fn of(magic: u64, kernel: Option<(u32, u32)>) -> Self {
        if kernel.is_none_or(|kernel| kernel < SYNCFS_REPORTS) {
            return Settling::Each;
        }
        match magic {
            // ext2 to ext4, xfs, btrfs, f2fs; and tmpfs, ramfs, where there is nothing to keep
            0xef53 | 0x5846_5342 | 0x9123_683e | 0xf2f5_2010 | 0x0102_1994 | 0x8584_58f6 => {
                Settling::Whole
            }
            // FAT, exFAT, ntfs3: their syncfs is not known to empty the device's cache
            0x4d44 | 0x2011_bab0 | 0x7366_746e => Settling::WholeThenOne,
            _ => Settling::Each,
        }
    }
}

/// One folder on a destination, kept open.
#[derive(Debug)]
pub struct FolderDestination {
    path: PathBuf,
    root: Arc<OwnedFd>,
    parents: Parents,
    settling: Settling,
    /// Folders with new entries since the last settling, where each must be made durable for itself.
    touched: Mutex<BTreeSet<String>>,
}

impl FolderDestination {
    /// Opens an existing folder. Links in the path as given are followed; none beneath it.
    ///
    /// # Errors
    /// When the folder is missing, is no folder, or may not be read.
    pub fn open(path: &Path) -> Result<Self, Fault> {
        let doing = || format!("opening the destination '{}'", path.display());
        let flags = OFlags::RDONLY | OFlags::DIRECTORY | OFlags::CLOEXEC;
        let root = open(path, flags, Mode::empty()).map_err(|e| fault(doing(), e))?;
        let system = fstatfs(&root).map_err(|e| fault(doing(), e))?;
        let magic = u64::from_ne_bytes(system.f_type.to_ne_bytes()) & 0xffff_ffff;
        let root = Arc::new(root);
        Ok(Self {
            path: path.to_owned(),
            parents: Parents::new(Arc::clone(&root)),
            root,
            settling: Settling::of(magic, host::kernel_version()),
            touched: Mutex::new(BTreeSet::new()),
        })
    }

    /// Makes the folder (and those above it) where it is missing, then opens it. A new folder is
    /// its owner's alone (mode 0700): it will hold a customer's data.
    ///
    /// # Errors
    /// When a folder cannot be made or opened.
    pub fn make(path: &Path) -> Result<Self, Fault> {
        let mut missing = Vec::new();
        for folder in path.ancestors() {
            if folder.as_os_str().is_empty() || folder.exists() {
                break;
            }
            missing.push(folder);
        }
        for folder in missing.into_iter().rev() {
            match rustix::fs::mkdir(folder, Mode::RWXU) {
                Ok(()) | Err(Errno::EXIST) => {}
                Err(errno) => {
                    return Err(name_fault(
                        format!("making the folder '{}'", folder.display()),
                        errno,
                    ));
                }
            }
            // The new entry is durable only with the folder that names it.
            if let Some(above) = folder.parent()
                && let Ok(above) = open(
                    if above.as_os_str().is_empty() {
                        Path::new(".")
                    } else {
                        above
                    },
                    OFlags::RDONLY | OFlags::DIRECTORY | OFlags::CLOEXEC,
                    Mode::empty(),
                )
            {
                let _ = fsync(&above);
            }
        }
        Self::open(path)
    }

    /// The folder's path as given.
    pub fn path(&self) -> &Path {
        &self.path
    }

    fn doing(&self, what: &str, path: &str) -> String {
        format!("{what} '{}' in '{}'", path, self.path.display())
    }

    fn touch(&self, folder: &str) {
        if self.settling == Settling::Each {
            let mut touched = self.touched.lock().unwrap_or_else(PoisonError::into_inner);
            if !touched.contains(folder) {
                touched.insert(folder.to_owned());
            }
        }
    }

    /// The open folder that holds `path`, and the name in it.
    fn place<'p>(&self, path: &'p str) -> Result<(Arc<OwnedFd>, &'p str, &'p str), Fault> {
        let (folder, name) = path.rsplit_once('/').unwrap_or(("", path));
        check_name(name.as_bytes())?;
        let parent = self.parents.folder(folder)?;
        Ok((parent, folder, name))
    }

    /// Removes one name; missing is fine.
    fn unlink(&self, path: &str, flags: AtFlags) -> Result<(), Fault> {
        let (parent, folder, name) = match self.place(path) {
            Err(fault) if fault.kind == FaultKind::Missing => return Ok(()),
            other => other?,
        };
        match unlinkat(parent.as_fd(), name, flags) {
            Ok(()) => {
                self.touch(folder);
                Ok(())
            }
            Err(Errno::NOENT) => Ok(()),
            Err(errno) => Err(fault(self.doing("removing", path), errno)),
        }
    }

    fn list(
        &self,
        path: &str,
        fd: &OwnedFd,
        is_fleeting: bool,
        see: &mut dyn FnMut(Below<'_>),
    ) -> Result<Vec<String>, Fault> {
        let mut below = Vec::new();
        let mut buffer = vec![MaybeUninit::<u8>::uninit(); LISTING];
        let mut entries = RawDir::new(fd, &mut buffer);
        while let Some(next) = entries.next() {
            let next = match next {
                Ok(next) => next,
                Err(Errno::INTR) => continue,
                Err(errno) => return Err(fault(self.doing("listing", path), errno)),
            };
            let name = next.file_name().to_bytes();
            if name == b"." || name == b".." {
                continue;
            }
            let seen = match look_at(fd.as_fd(), name) {
                Ok(seen) => seen,
                Err(Errno::NOENT) => continue,
                Err(errno) => return Err(fault(self.doing("looking at", &shown(name)), errno)),
            };
            let is_folder =
                FileType::from_raw_mode(u32::from(seen.stx_mode)) == FileType::Directory;
            let full = Name::Bytes(name.to_vec()).text();
            let full = if path.is_empty() {
                full
            } else {
                format!("{path}/{full}")
            };
            let written = seen.stx_mtime;
            let ns = i128::from(written.tv_sec) * 1_000_000_000 + i128::from(written.tv_nsec);
            see(Below {
                path: &full,
                is_folder,
                bytes: seen.stx_size,
                written: (!is_fleeting).then_some((ns, seen.stx_ino)),
            });
            // A foreign name that is not text is reported; it holds nothing of ours.
            if is_folder && std::str::from_utf8(name).is_ok() {
                below.push(full);
            }
        }
        Ok(below)
    }
}

impl Destination for FolderDestination {
    fn facts(&self) -> Result<DestinationFacts, Fault> {
        facts::look(self.root.as_fd(), &self.path)
    }

    fn keeps_holes(&self) -> bool {
        facts::keeps_holes(self.root.as_fd())
    }

    fn make_folder(&self, path: &str) -> Result<(), Fault> {
        if path.is_empty() || self.parents.folder(path).is_ok() {
            return Ok(());
        }
        let (above, _) = path.rsplit_once('/').unwrap_or(("", path));
        self.make_folder(above)?;
        let (parent, folder, name) = self.place(path)?;
        match mkdirat(parent.as_fd(), name, Mode::from_raw_mode(0o755)) {
            Ok(()) => self.touch(folder),
            Err(Errno::EXIST) => {}
            Err(errno) => return Err(name_fault(self.doing("making folder", path), errno)),
        }
        // That it is there and a folder is shown by opening it.
        self.parents.folder(path).map(|_| ())
    }

    fn create(&self, path: &str, bytes: u64) -> Result<Box<dyn Writing>, Fault> {
        let (parent, folder, name) = self.place(path)?;
        let flags =
            OFlags::WRONLY | OFlags::CREATE | OFlags::EXCL | OFlags::NOFOLLOW | OFlags::CLOEXEC;
        let fd = openat(parent.as_fd(), name, flags, Mode::from_raw_mode(0o644))
            .map_err(|e| name_fault(self.doing("creating", path), e))?;
        self.touch(folder);
        Ok(Box::new(OpenWriting::new(
            self.doing("writing", path),
            fd,
            bytes,
            self.settling == Settling::Each,
        )))
    }

    fn write_over(&self, path: &str) -> Result<Box<dyn Writing>, Fault> {
        let (parent, _, name) = self.place(path)?;
        let doing = || self.doing("writing over", path);
        let flags = OFlags::WRONLY | OFlags::NONBLOCK | OFlags::NOFOLLOW | OFlags::CLOEXEC;
        let fd = open_beneath(parent.as_fd(), name.as_bytes(), flags, Mode::empty())
            .map_err(|e| fault(doing(), e))?;
        let seen = fstat(&fd).map_err(|e| fault(doing(), e))?;
        // A file with a second name would be written over there too.
        if FileType::from_raw_mode(seen.st_mode) != FileType::RegularFile || seen.st_nlink != 1 {
            return Err(Fault::new(
                FaultKind::Other,
                doing(),
                "not a file of this program's own",
            ));
        }
        let had = u64::try_from(seen.st_size).unwrap_or(0);
        let each = self.settling == Settling::Each;
        Ok(Box::new(OpenWriting::over(doing(), fd, had, each)))
    }

    fn link(&self, existing: &str, path: &str) -> Result<(), Fault> {
        let (from, _, old) = self.place(existing)?;
        let (to, folder, new) = self.place(path)?;
        linkat(from.as_fd(), old, to.as_fd(), new, AtFlags::empty())
            .map_err(|e| name_fault(self.doing("giving a second name to", existing), e))?;
        self.touch(folder);
        Ok(())
    }

    fn rename(&self, from: &str, to: &str) -> Result<(), Fault> {
        let (old_parent, old_folder, old) = self.place(from)?;
        let (new_parent, new_folder, new) = self.place(to)?;
        renameat(old_parent.as_fd(), old, new_parent.as_fd(), new)
            .map_err(|e| name_fault(self.doing("renaming", from), e))?;
        self.parents.forget(from);
        self.parents.forget(to);
        self.touch(old_folder);
        self.touch(new_folder);
        Ok(())
    }

    fn remove(&self, path: &str) -> Result<(), Fault> {
        self.unlink(path, AtFlags::empty())
    }

    fn remove_folder(&self, path: &str) -> Result<(), Fault> {
        self.parents.forget(path);
        if self.settling == Settling::Each {
            let mut touched = self.touched.lock().unwrap_or_else(PoisonError::into_inner);
            touched.remove(path);
        }
        self.unlink(path, AtFlags::REMOVEDIR)
    }

    fn settle(&self) -> Result<(), Fault> {
        let doing = || format!("making '{}' durable", self.path.display());
        if self.settling == Settling::Each {
            let touched =
                std::mem::take(&mut *self.touched.lock().unwrap_or_else(PoisonError::into_inner));
            for folder in touched {
                match self.parents.folder(&folder) {
                    Ok(fd) => match fsync(fd.as_fd()) {
                        // Some network file systems keep folders durable by themselves and refuse the request.
                        Ok(()) | Err(Errno::INVAL | Errno::OPNOTSUPP) => {}
                        Err(errno) => return Err(fault(doing(), errno)),
                    },
                    Err(gone) if gone.kind == FaultKind::Missing => {}
                    Err(other) => return Err(other),
                }
            }
        }
        match syncfs(&*self.root) {
            Ok(()) => {}
            // Every file was made durable when it was finished.
            Err(Errno::NOSYS | Errno::OPNOTSUPP) if self.settling == Settling::Each => {}
            Err(errno) => return Err(fault(doing(), errno)),
        }
        if self.settling == Settling::WholeThenOne {
            fsync(&*self.root).map_err(|e| fault(doing(), e))?;
        }
        Ok(())
    }

    fn open(&self, path: &str) -> Result<Box<dyn Content>, Fault> {
        let (parent, _, name) = self.place(path)?;
        let doing = || self.doing("opening", path);
        // Looked at before it is opened: what somebody planted here may be a device or a fifo.
        let seen = look_at(parent.as_fd(), name.as_bytes()).map_err(|e| fault(doing(), e))?;
        if FileType::from_raw_mode(u32::from(seen.stx_mode)) != FileType::RegularFile {
            return Err(Fault::new(
                FaultKind::Other,
                doing(),
                "not a regular file, so it is not opened",
            ));
        }
        let flags = OFlags::RDONLY | OFlags::NONBLOCK | OFlags::NOFOLLOW | OFlags::CLOEXEC;
        let open = |flags| open_beneath(parent.as_fd(), name.as_bytes(), flags, Mode::empty());
        let (fd, direct) = match open(flags | OFlags::DIRECT) {
            Ok(fd) => (fd, true),
            Err(Errno::INVAL | Errno::OPNOTSUPP) => {
                (open(flags).map_err(|e| fault(doing(), e))?, false)
            }
            Err(errno) => return Err(fault(doing(), errno)),
        };
        Ok(Box::new(OpenFile::reading_back(
            path.to_owned(),
            fd,
            direct,
        )?))
    }

    fn each(&self, path: &str, see: &mut dyn FnMut(Below<'_>)) -> Result<(), Fault> {
        let system = fstatfs(&self.root).map_err(|e| fault(self.doing("listing", path), e))?;
        let magic = u64::from_ne_bytes(system.f_type.to_ne_bytes()) & 0xffff_ffff;
        let is_fleeting = FLEETING.contains(&magic);
        let mut waiting = vec![path.trim_matches('/').to_owned()];
        while let Some(next) = waiting.pop() {
            let parts: Vec<&str> = next.split('/').filter(|part| !part.is_empty()).collect();
            let fd = open_folder(self.root.as_fd(), &parts, FOLDER)?;
            waiting.append(&mut self.list(&next, &fd, is_fleeting, see)?);
        }
        Ok(())
    }

    fn read_small(&self, path: &str) -> Result<Option<Vec<u8>>, Fault> {
        let doing = || self.doing("reading", path);
        let (parent, _, name) = match self.place(path) {
            Err(missing) if missing.kind == FaultKind::Missing => return Ok(None),
            other => other?,
        };
        let flags = OFlags::RDONLY | OFlags::NONBLOCK | OFlags::NOFOLLOW | OFlags::CLOEXEC;
        let fd = match open_beneath(parent.as_fd(), name.as_bytes(), flags, Mode::empty()) {
            Ok(fd) => fd,
            Err(Errno::NOENT) => return Ok(None),
            Err(errno) => return Err(fault(doing(), errno)),
        };
        let seen = fstat(&fd).map_err(|e| fault(doing(), e))?;
        let bytes = u64::try_from(seen.st_size).unwrap_or(u64::MAX);
        if FileType::from_raw_mode(seen.st_mode) != FileType::RegularFile || bytes > SMALL {
            return Err(Fault::new(
                FaultKind::Other,
                doing(),
                format!("expected a file of at most {SMALL} bytes, found {bytes} bytes or no file"),
            ));
        }
        let mut out = vec![0u8; usize::try_from(bytes).unwrap_or(0).saturating_add(1)];
        let mut have = 0usize;
        loop {
            let rest = out.get_mut(have..).unwrap_or_default();
            if rest.is_empty() {
                // It grew while it was read; one more page until it ends.
                if have as u64 > SMALL {
                    return Err(Fault::new(
                        FaultKind::Other,
                        doing(),
                        "it grows without end",
                    ));
                }
                out.resize(have.saturating_add(4096), 0);
                continue;
            }
            match retry(|| pread(&fd, &mut *rest, have as u64)) {
                Ok(0) => break,
                Ok(got) => have = have.saturating_add(got),
                Err(errno) => return Err(fault(doing(), errno)),
            }
        }
        out.truncate(have);
        Ok(Some(out))
    }

    fn write_small(&self, path: &str, bytes: &[u8]) -> Result<(), Fault> {
        let doing = || self.doing("replacing", path);
        let (parent, _, name) = self.place(path)?;
        // One fixed name for each file, so that what a crash left behind is replaced, not collected.
        let beside = format!("{name}.new");
        match unlinkat(parent.as_fd(), beside.as_str(), AtFlags::empty()) {
            Ok(()) | Err(Errno::NOENT) => {}
            Err(errno) => return Err(name_fault(doing(), errno)),
        }
        let flags =
            OFlags::WRONLY | OFlags::CREATE | OFlags::EXCL | OFlags::NOFOLLOW | OFlags::CLOEXEC;
        let write = || -> Result<(), Errno> {
            let fd = openat(
                parent.as_fd(),
                beside.as_str(),
                flags,
                Mode::from_raw_mode(0o644),
            )?;
            let mut at = 0usize;
            while let Some(rest) = bytes.get(at..).filter(|rest| !rest.is_empty()) {
                match retry(|| pwrite(&fd, rest, at as u64))? {
                    0 => return Err(Errno::IO),
                    done => at = at.saturating_add(done),
                }
            }
            fsync(&fd)?;
            renameat(parent.as_fd(), beside.as_str(), parent.as_fd(), name)?;
            match fsync(parent.as_fd()) {
                Err(Errno::INVAL | Errno::OPNOTSUPP) if self.settling == Settling::Each => Ok(()),
                other => other,
            }
        };
        write().map_err(|errno| {
            let _ = unlinkat(parent.as_fd(), beside.as_str(), AtFlags::empty());
            name_fault(doing(), errno)
        })
    }

    fn fetched_bytes(&self) -> Option<u64> {
        fetched_bytes()
    }
}

/// `read_bytes` of `/proc/self/io` (proc(5)): bytes that this process had the storage layer fetch.
fn fetched_bytes() -> Option<u64> {
    let text = std::fs::read_to_string("/proc/self/io").ok()?;
    text.lines()
        .find_map(|line| line.strip_prefix("read_bytes: "))?
        .trim()
        .parse()
        .ok()
}

/// A second descriptor of the root, for those who probe it.
pub(super) fn second(root: rustix::fd::BorrowedFd<'_>) -> Result<OwnedFd, Errno> {
    reopen_folder(root, FOLDER)
}

/// The device number of an open folder.
pub(super) fn device_of(root: rustix::fd::BorrowedFd<'_>) -> Result<u64, Errno> {
    look_at_open(root).map(|seen| rustix::fs::makedev(seen.stx_dev_major, seen.stx_dev_minor))
}

#[cfg(test)]
#[path = "destination_tests.rs"]
mod tests;
