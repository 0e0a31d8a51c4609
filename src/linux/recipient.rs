//! The fresh system's folder that items are put back to, by their original names.
//!
//! Invariant: nothing outside the folder can be reached, whatever path is given or link planted:
//! every part is opened by descriptor beneath the root, without links and on the root's own mount.
//! Nothing that is there is ever replaced.

use super::beneath::{
    FOLDER, check_name, look_at, look_at_open, open_beneath, open_folder, shown, stamp_of,
};
use super::destination::Settling;
use super::fault::{fault, kind_of, name_fault};
use super::open_file::OpenFile;
use super::writing::OpenWriting;
use super::{host, tree};
use crate::port::{
    Content, Dress, Fault, FaultKind, Lacking, RECIPIENT_UNDRESSED, Recipient, Stamp, Writing,
};
use crate::survey::item::Kind;
use rustix::fd::{AsFd, BorrowedFd, OwnedFd};
use rustix::fs::{
    AtFlags, FileType, Gid, Mode, OFlags, RenameFlags, Timespec, Timestamps, UTIME_OMIT, Uid,
    XattrFlags, chownat, fchmod, fchown, fsetxattr, fstatfs, fsync, linkat, mkdirat, open, openat,
    readlinkat, renameat, renameat_with, symlinkat, syncfs, unlinkat, utimensat,
};
use rustix::io::Errno;
use std::collections::{BTreeSet, HashMap};
use std::path::{Path, PathBuf};
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};

/// Folders kept open at a time.
const KEPT: usize = 64;

/// A folder of this machine that items are put back to.
#[derive(Debug)]
pub struct FolderRecipient {
    path: PathBuf,
    root: Arc<OwnedFd>,
    settling: Settling,
    /// Whether we may give things to other owners.
    is_root: bool,
    state: Mutex<State>,
}

#[derive(Debug, Default)]
struct State {
    kept: HashMap<Vec<u8>, Arc<OwnedFd>>,
    /// Folders with new entries since the last settling, where each must be made durable for itself.
    touched: BTreeSet<Vec<Vec<u8>>>,
}

impl FolderRecipient {
    /// Opens an existing folder. Links in the path as given are followed; none beneath it.
    ///
    /// # Errors
    /// When the folder is missing, is no folder, or may not be read.
    pub fn open(path: &Path) -> Result<Self, Fault> {
        let doing = || format!("opening the folder '{}'", path.display());
        let flags = OFlags::RDONLY | OFlags::DIRECTORY | OFlags::CLOEXEC;
        let root = open(path, flags, Mode::empty()).map_err(|e| fault(doing(), e))?;
        let system = fstatfs(&root).map_err(|e| fault(doing(), e))?;
        let magic = u64::from_ne_bytes(system.f_type.to_ne_bytes()) & 0xffff_ffff;
        Ok(Self {
            path: path.to_owned(),
            root: Arc::new(root),
            settling: Settling::of(magic, host::kernel_version()),
            is_root: rustix::process::geteuid().is_root(),
            state: Mutex::new(State::default()),
        })
    }

    fn lock(&self) -> MutexGuard<'_, State> {
        self.state.lock().unwrap_or_else(PoisonError::into_inner)
    }

    fn doing(&self, what: &str, parts: &[Vec<u8>]) -> String {
        let names: Vec<String> = parts.iter().map(|part| shown(part)).collect();
        format!("{what} '{}' in '{}'", names.join("/"), self.path.display())
    }

    fn folder(&self, parts: &[Vec<u8>]) -> Result<Arc<OwnedFd>, Fault> {
        if parts.is_empty() {
            return Ok(Arc::clone(&self.root));
        }
        let key = parts.join(&b'/');
        if let Some(fd) = self.lock().kept.get(&key) {
            return Ok(Arc::clone(fd));
        }
        let fd = Arc::new(open_folder(self.root.as_fd(), parts, FOLDER)?);
        let mut state = self.lock();
        if state.kept.len() >= KEPT {
            state.kept.clear();
        }
        state.kept.insert(key, Arc::clone(&fd));
        Ok(fd)
    }

    /// The open folder that holds the last part, and that part.
    fn place<'p>(&self, parts: &'p [Vec<u8>]) -> Result<(Arc<OwnedFd>, &'p [u8]), Fault> {
        let Some((name, folder)) = parts.split_last() else {
            return Err(Fault::new(
                FaultKind::Other,
                format!("looking in '{}'", self.path.display()),
                "the folder itself was named where a thing in it is needed",
            ));
        };
        check_name(name)?;
        Ok((self.folder(folder)?, name))
    }

    fn touch(&self, parts: &[Vec<u8>]) {
        if self.settling == Settling::Each
            && let Some((_, folder)) = parts.split_last()
        {
            self.lock().touched.insert(folder.to_vec());
        }
    }

    fn open_plain(
        &self,
        folder: BorrowedFd<'_>,
        name: &[u8],
        flags: OFlags,
    ) -> Result<OwnedFd, Errno> {
        let flags = flags | OFlags::RDONLY | OFlags::NONBLOCK | OFlags::NOFOLLOW | OFlags::CLOEXEC;
        open_beneath(folder, name, flags, Mode::empty())
    }

    /// Mode, owner and attributes of an open file or folder; what was refused is named.
    fn dress_open(&self, fd: &OwnedFd, dress: &Dress, lacking: &mut Lacking) {
        let note_in =
            |list: &mut Vec<String>, what: String, outcome: Result<(), Errno>| match outcome {
                Ok(()) => true,
                Err(errno) => {
                    list.push(format!("{what}: {}", super::fault::errno_words(errno)));
                    false
                }
            };
        let Lacking { attributes, marks } = lacking;
        let mut is_given = false;
        if let Some((user, group)) = dress.owner
            && self.is_root
        {
            let given = fchown(fd, Some(Uid::from_raw(user)), Some(Gid::from_raw(group)));
            is_given = note_in(marks, format!("owner {user}:{group}"), given);
        }
        // A changed owner takes capabilities away and a changed mode may take the right to set attributes, so
        // attributes stand between the two. An access list sets mode bits of its own, so lists come last.
        let (lists, others): (Vec<_>, Vec<_>) = dress
            .attributes
            .iter()
            .partition(|(name, _)| name.starts_with(b"system.posix_acl_"));
        let set = |name: &[u8], value: &[u8]| fsetxattr(fd, name, value, XattrFlags::empty());
        for (name, value) in others {
            // What the system keeps there for itself is its own affair; this is what people's programs wrote.
            let list = match name.starts_with(b"user.") {
                true => &mut *attributes,
                false => &mut *marks,
            };
            let what = format!("attribute {}", shown(name));
            note_in(list, what, set(name, value));
        }
        if dress.mode != 0 {
            let mut mode = dress.mode & 0o7777;
            if mode & 0o6000 != 0 && !is_given {
                // A program that runs as its owner would now run as whoever put it back.
                mode &= !0o6000;
                note_in(
                    marks,
                    "the marks to run as owner or group".into(),
                    Err(Errno::PERM),
                );
            }
            note_in(
                marks,
                format!("mode {mode:o}"),
                fchmod(fd, Mode::from_raw_mode(mode)),
            );
        }
        for (name, value) in lists {
            let what = format!("access list {}", shown(name));
            note_in(marks, what, set(name, value));
        }
    }
}

/// Last written at `ns`; when it was last read stays as it is.
fn times(ns: i64) -> Timestamps {
    let nanoseconds = ns.rem_euclid(1_000_000_000);
    Timestamps {
        last_access: Timespec {
            tv_sec: 0,
            tv_nsec: UTIME_OMIT,
        },
        last_modification: Timespec {
            tv_sec: ns.div_euclid(1_000_000_000),
            tv_nsec: nanoseconds as _,
        },
    }
}

impl Recipient for FolderRecipient {
    fn look(&self, parts: &[Vec<u8>]) -> Result<Option<(Kind, Stamp, Option<Vec<u8>>)>, Fault> {
        if parts.is_empty() {
            let seen = look_at_open(self.root.as_fd())
                .map_err(|e| fault(self.doing("looking at", parts), e))?;
            return Ok(Some((Kind::Folder, stamp_of(&seen), None)));
        }
        let (folder, name) = match self.place(parts) {
            Err(missing) if missing.kind == FaultKind::Missing => return Ok(None),
            other => other?,
        };
        let seen = match look_at(folder.as_fd(), name) {
            Ok(seen) => seen,
            Err(Errno::NOENT) => return Ok(None),
            Err(errno) => return Err(name_fault(self.doing("looking at", parts), errno)),
        };
        let stamp = stamp_of(&seen);
        let kind = tree::kind_of(FileType::from_raw_mode(stamp.mode));
        let target = if kind == Kind::Link {
            let target = readlinkat(folder.as_fd(), name, Vec::new())
                .map_err(|e| fault(self.doing("reading the link", parts), e))?;
            Some(target.into_bytes())
        } else {
            None
        };
        Ok(Some((kind, stamp, target)))
    }

    fn open(&self, parts: &[Vec<u8>]) -> Result<Box<dyn Content>, Fault> {
        let (folder, name) = self.place(parts)?;
        let doing = || self.doing("opening", parts);
        // Looked at before it is opened: opening a device or a fifo acts.
        let seen = look_at(folder.as_fd(), name).map_err(|e| fault(doing(), e))?;
        if FileType::from_raw_mode(u32::from(seen.stx_mode)) != FileType::RegularFile {
            return Err(Fault::new(
                FaultKind::Other,
                doing(),
                "not a regular file, so it is not opened",
            ));
        }
        let (fd, direct) = match self.open_plain(folder.as_fd(), name, OFlags::DIRECT) {
            Ok(fd) => (fd, true),
            Err(Errno::INVAL | Errno::OPNOTSUPP) => {
                let plain = self.open_plain(folder.as_fd(), name, OFlags::empty());
                (plain.map_err(|e| fault(doing(), e))?, false)
            }
            Err(errno) => return Err(fault(doing(), errno)),
        };
        Ok(Box::new(OpenFile::reading_back(shown(name), fd, direct)?))
    }

    fn make_folder(&self, parts: &[Vec<u8>]) -> Result<(), Fault> {
        let (folder, name) = self.place(parts)?;
        let doing = || self.doing("making the folder", parts);
        match mkdirat(
            folder.as_fd(),
            name,
            Mode::from_raw_mode(RECIPIENT_UNDRESSED),
        ) {
            Ok(()) => self.touch(parts),
            Err(Errno::EXIST) => {}
            Err(errno) => return Err(name_fault(doing(), errno)),
        }
        // That it is there and a folder is shown by opening it.
        self.folder(parts).map(|_| ())
    }

    fn create(&self, parts: &[Vec<u8>], bytes: u64) -> Result<Box<dyn Writing>, Fault> {
        let (folder, name) = self.place(parts)?;
        let flags =
            OFlags::WRONLY | OFlags::CREATE | OFlags::EXCL | OFlags::NOFOLLOW | OFlags::CLOEXEC;
        let fd = openat(folder.as_fd(), name, flags, Mode::RUSR | Mode::WUSR)
            .map_err(|e| name_fault(self.doing("creating", parts), e))?;
        self.touch(parts);
        Ok(Box::new(OpenWriting::new(
            self.doing("writing", parts),
            fd,
            bytes,
            self.settling == Settling::Each,
        )))
    }

    fn rename(&self, from: &[Vec<u8>], to: &[Vec<u8>]) -> Result<(), Fault> {
        let (old_folder, old) = self.place(from)?;
        let (new_folder, new) = self.place(to)?;
        let doing = || self.doing("giving its name to", to);
        let moved = renameat_with(
            old_folder.as_fd(),
            old,
            new_folder.as_fd(),
            new,
            RenameFlags::NOREPLACE,
        );
        match moved {
            // A file system that does not know the flag (rename(2), EINVAL): a second name never replaces either.
            Err(Errno::INVAL | Errno::NOSYS) => {
                let flags = AtFlags::empty();
                match linkat(old_folder.as_fd(), old, new_folder.as_fd(), new, flags) {
                    Ok(()) => {
                        unlinkat(old_folder.as_fd(), old, flags).map_err(|e| fault(doing(), e))?;
                    }
                    // One that has no second names either (link(2), EPERM): looked at first, then renamed.
                    Err(Errno::PERM | Errno::OPNOTSUPP | Errno::NOSYS) => {
                        match look_at(new_folder.as_fd(), new) {
                            Err(Errno::NOENT) => {
                                renameat(old_folder.as_fd(), old, new_folder.as_fd(), new)
                                    .map_err(|e| name_fault(doing(), e))?
                            }
                            Ok(_) => return Err(name_fault(doing(), Errno::EXIST)),
                            Err(e) => return Err(fault(doing(), e)),
                        }
                    }
                    Err(e) => return Err(name_fault(doing(), e)),
                }
            }
            other => other.map_err(|e| name_fault(doing(), e))?,
        }
        self.touch(from);
        self.touch(to);
        Ok(())
    }

    fn make_link(&self, parts: &[Vec<u8>], target: &[u8]) -> Result<(), Fault> {
        let (folder, name) = self.place(parts)?;
        symlinkat(target, folder.as_fd(), name)
            .map_err(|e| name_fault(self.doing("making the link", parts), e))?;
        self.touch(parts);
        Ok(())
    }

    fn hard_link(&self, existing: &[Vec<u8>], parts: &[Vec<u8>]) -> Result<(), Fault> {
        let (from, old) = self.place(existing)?;
        let (to, new) = self.place(parts)?;
        // Without AT_SYMLINK_FOLLOW a link is not followed here either (linkat(2)).
        linkat(from.as_fd(), old, to.as_fd(), new, AtFlags::empty())
            .map_err(|e| name_fault(self.doing("giving a second name", parts), e))?;
        self.touch(parts);
        Ok(())
    }

    fn dress(&self, parts: &[Vec<u8>], kind: Kind, dress: &Dress) -> Result<Lacking, Fault> {
        let (folder, name) = self.place(parts)?;
        let doing = || self.doing("dressing", parts);
        let mut lacking = Lacking::default();
        match kind {
            Kind::File | Kind::Folder => {
                let flags = if kind == Kind::Folder {
                    OFlags::DIRECTORY
                } else {
                    OFlags::empty()
                };
                let fd = self
                    .open_plain(folder.as_fd(), name, flags)
                    .map_err(|e| fault(doing(), e))?;
                self.dress_open(&fd, dress, &mut lacking);
            }
            Kind::Link | Kind::Special => {
                if let Some((user, group)) = dress.owner
                    && self.is_root
                    && let Err(errno) = chownat(
                        folder.as_fd(),
                        name,
                        Some(Uid::from_raw(user)),
                        Some(Gid::from_raw(group)),
                        AtFlags::SYMLINK_NOFOLLOW,
                    )
                {
                    let marks = &mut lacking.marks;
                    marks.push(format!("owner: {}", super::fault::errno_words(errno)));
                }
                for (name, _) in &dress.attributes {
                    let what = format!("attribute {} of a link", shown(name));
                    lacking.marks.push(what);
                }
            }
        }
        // By name, not followed: a descriptor of a link cannot be had for this.
        let set = utimensat(
            folder.as_fd(),
            name,
            &times(dress.modified_ns),
            AtFlags::SYMLINK_NOFOLLOW,
        );
        if let Err(errno) = set {
            if kind_of(errno) == FaultKind::Gone {
                return Err(fault(doing(), errno));
            }
            let marks = &mut lacking.marks;
            marks.push(format!("time: {}", super::fault::errno_words(errno)));
        }
        Ok(lacking)
    }

    fn remove(&self, parts: &[Vec<u8>]) -> Result<(), Fault> {
        let (folder, name) = match self.place(parts) {
            Err(missing) if missing.kind == FaultKind::Missing => return Ok(()),
            other => other?,
        };
        match unlinkat(folder.as_fd(), name, AtFlags::empty()) {
            Ok(()) => {
                self.touch(parts);
                Ok(())
            }
            Err(Errno::NOENT) => Ok(()),
            Err(errno) => Err(fault(self.doing("removing", parts), errno)),
        }
    }

    fn settle(&self) -> Result<(), Fault> {
        let doing = || format!("making '{}' durable", self.path.display());
        let touched = std::mem::take(&mut self.lock().touched);
        for folder in touched {
            match self.folder(&folder) {
                Ok(fd) => match fsync(fd.as_fd()) {
                    // Some network file systems keep folders durable by themselves and refuse the request.
                    Ok(()) | Err(Errno::INVAL | Errno::OPNOTSUPP) => {}
                    Err(errno) => return Err(fault(doing(), errno)),
                },
                Err(gone) if gone.kind == FaultKind::Missing => {}
                Err(other) => return Err(other),
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
}

#[cfg(test)]
#[path = "recipient_tests.rs"]
mod tests;
