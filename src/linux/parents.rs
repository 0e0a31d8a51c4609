//! Open folders of a destination, kept for the next file that goes into them.
//!
//! Invariant: a kept folder was reached beneath the root without links; forgetting one costs time only.

use super::beneath::{FOLDER, open_folder};
use crate::port::Fault;
use rustix::fd::{AsFd, OwnedFd};
use std::collections::BTreeMap;
use std::ops::Bound;
use std::sync::{Arc, Mutex, PoisonError};

/// Folders kept open at a time: more than the workers can be in, few enough for any limit on open files.
const KEPT: usize = 64;

#[derive(Debug)]
pub(super) struct Parents {
    root: Arc<OwnedFd>,
    kept: Mutex<Kept>,
}

#[derive(Debug, Default)]
struct Kept {
    folders: BTreeMap<String, (Arc<OwnedFd>, u64)>,
    /// Counts requests; the number of the last one tells how fresh a folder is.
    requests: u64,
}

impl Parents {
    pub(super) fn new(root: Arc<OwnedFd>) -> Self {
        Self {
            root,
            kept: Mutex::new(Kept::default()),
        }
    }

    /// The folder at a `/`-separated path, `""` = the root.
    pub(super) fn folder(&self, path: &str) -> Result<Arc<OwnedFd>, Fault> {
        if path.is_empty() {
            return Ok(Arc::clone(&self.root));
        }
        if let Some(fd) = self.lock().find(path) {
            return Ok(fd);
        }
        let parts: Vec<&str> = path.split('/').collect();
        let fd = Arc::new(open_folder(self.root.as_fd(), &parts, FOLDER)?);
        self.lock().keep(path, &fd);
        Ok(fd)
    }

    /// Forgets a folder and all below it, because its name is about to mean something else.
    pub(super) fn forget(&self, path: &str) {
        let folders = &mut self.lock().folders;
        folders.remove(path);
        // Every renamed file comes by here, and next to none is a folder that is kept: one look must do.
        let below = format!("{path}/");
        while let Some(kept) = folders
            .range::<str, _>((Bound::Included(below.as_str()), Bound::Unbounded))
            .next()
            .map(|(kept, _)| kept)
            .filter(|kept| kept.starts_with(&below))
            .cloned()
        {
            folders.remove(&kept);
        }
    }

    fn lock(&self) -> std::sync::MutexGuard<'_, Kept> {
        self.kept.lock().unwrap_or_else(PoisonError::into_inner)
    }
}

impl Kept {
    fn find(&mut self, path: &str) -> Option<Arc<OwnedFd>> {
        self.requests = self.requests.wrapping_add(1);
        let (fd, last) = self.folders.get_mut(path)?;
        *last = self.requests;
        Some(Arc::clone(fd))
    }

    fn keep(&mut self, path: &str, fd: &Arc<OwnedFd>) {
        if self.folders.len() >= KEPT
            && let Some(oldest) = self
                .folders
                .iter()
                .min_by_key(|(_, (_, last))| *last)
                .map(|(path, _)| path.clone())
        {
            self.folders.remove(&oldest);
        }
        self.folders
            .insert(path.to_owned(), (Arc::clone(fd), self.requests));
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn forgetting_takes_what_lies_below_and_spares_like_names() {
        let scratch = tempfile::tempdir().unwrap();
        for folder in ["a/b", "ab", "c"] {
            std::fs::create_dir_all(scratch.path().join(folder)).unwrap();
        }
        let root = rustix::fs::open(scratch.path(), FOLDER, rustix::fs::Mode::empty()).unwrap();
        let parents = Parents::new(Arc::new(root));
        for folder in ["a", "a/b", "ab", "c"] {
            parents.folder(folder).unwrap();
        }
        parents.forget("a");
        let mut kept: Vec<String> = parents.lock().folders.keys().cloned().collect();
        kept.sort_unstable();
        assert_eq!(kept, ["ab", "c"]);
    }

    #[test]
    fn the_number_of_open_folders_is_bounded() {
        let scratch = tempfile::tempdir().unwrap();
        let root = rustix::fs::open(scratch.path(), FOLDER, rustix::fs::Mode::empty()).unwrap();
        let parents = Parents::new(Arc::new(root));
        for n in 0..3 * KEPT {
            std::fs::create_dir(scratch.path().join(n.to_string())).unwrap();
            parents.folder(&n.to_string()).unwrap();
        }
        assert_eq!(parents.lock().folders.len(), KEPT);
        assert!(
            parents
                .lock()
                .folders
                .contains_key(&(3 * KEPT - 1).to_string())
        );
    }
}
