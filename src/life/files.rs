//! A destination's file system as a value: names, folders and bytes, and the operations that
//! change them.
//!
//! Invariant: an operation that does not fit (a missing parent, a name that is taken) changes
//! nothing; so any subset of a log can be applied, as a crash may leave it.

use std::collections::BTreeMap;

/// One change of a file system.
#[derive(Debug, Clone)]
pub enum Change {
    /// A folder is made.
    Folder(String),
    /// An empty file is made.
    File(String, u64),
    /// Bytes are written to a file.
    Write(u64, u64, Vec<u8>),
    /// A file gets its final length.
    Length(u64, u64),
    /// A file gets a second name.
    Link(u64, String),
    /// A name is moved, replacing what is there.
    Rename(String, String),
    /// A file's name goes.
    Remove(String),
    /// An empty folder goes.
    RemoveFolder(String),
}

/// What stands under a name.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Named {
    /// A folder.
    Folder,
    /// A file, by number.
    File(u64),
}

/// Names and bytes.
#[derive(Debug, Clone, Default)]
pub struct Files {
    folds_case: bool,
    /// By key: the name as written, and what it is.
    names: BTreeMap<String, (String, Named)>,
    bytes: BTreeMap<u64, Vec<u8>>,
}

fn above(path: &str) -> &str {
    path.rsplit_once('/').map_or("", |(folder, _)| folder)
}

impl Files {
    /// An empty file system; whether names that differ only in case are one there.
    pub fn new(folds_case: bool) -> Self {
        Self {
            folds_case,
            ..Self::default()
        }
    }

    fn key(&self, path: &str) -> String {
        if self.folds_case {
            path.to_lowercase()
        } else {
            path.to_owned()
        }
    }

    /// What stands at `path` (`""` is the root).
    pub fn at(&self, path: &str) -> Option<Named> {
        if path.is_empty() {
            return Some(Named::Folder);
        }
        self.names
            .get(&self.key(path))
            .map(|(_, named)| named.clone())
    }

    /// The bytes of the file at `path`.
    pub fn read(&self, path: &str) -> Option<&[u8]> {
        match self.at(path) {
            Some(Named::File(file)) => self.file(file),
            _ => None,
        }
    }

    /// The bytes of a file by number.
    pub fn file(&self, file: u64) -> Option<&[u8]> {
        self.bytes.get(&file).map(Vec::as_slice)
    }

    /// The bytes of a file by number, to be damaged.
    pub fn file_mut(&mut self, file: u64) -> Option<&mut Vec<u8>> {
        self.bytes.get_mut(&file)
    }

    /// Everything below `path`, parents first: name as written, and what it is.
    pub fn below(&self, path: &str) -> Vec<(String, Named)> {
        let front = if path.is_empty() {
            String::new()
        } else {
            format!("{}/", self.key(path))
        };
        self.names
            .range(front.clone()..)
            .take_while(|(key, _)| key.starts_with(&front))
            .map(|(_, both)| both.clone())
            .collect()
    }

    /// Bytes of all files.
    pub fn used(&self) -> u64 {
        self.bytes.values().map(|bytes| bytes.len() as u64).sum()
    }

    fn has_parent(&self, path: &str) -> bool {
        self.at(above(path)) == Some(Named::Folder)
    }

    fn put(&mut self, path: &str, named: Named) {
        let key = self.key(path);
        self.names.insert(key, (path.to_owned(), named));
    }

    /// Applies a change; `false` = it does not fit and nothing changed.
    pub fn apply(&mut self, change: &Change) -> bool {
        match change {
            Change::Folder(path) => {
                let fits = self.has_parent(path) && self.at(path).is_none();
                if fits {
                    self.put(path, Named::Folder);
                }
                fits
            }
            Change::File(path, file) => {
                let fits = self.has_parent(path) && self.at(path).is_none();
                if fits {
                    self.put(path, Named::File(*file));
                    self.bytes.insert(*file, Vec::new());
                }
                fits
            }
            Change::Write(file, at, new) => {
                let Some(bytes) = self.bytes.get_mut(file) else {
                    return false;
                };
                let start = usize::try_from(*at).unwrap_or(usize::MAX);
                let end = start.saturating_add(new.len());
                if bytes.len() < end {
                    bytes.resize(end, 0);
                }
                bytes
                    .get_mut(start..end)
                    .map(|range| range.copy_from_slice(new))
                    .is_some()
            }
            Change::Length(file, length) => match self.bytes.get_mut(file) {
                Some(bytes) => {
                    bytes.resize(usize::try_from(*length).unwrap_or(0), 0);
                    true
                }
                None => false,
            },
            Change::Link(file, path) => {
                let fits = self.has_parent(path)
                    && self.at(path).is_none()
                    && self.bytes.contains_key(file);
                if fits {
                    self.put(path, Named::File(*file));
                }
                fits
            }
            Change::Rename(from, to) => self.rename(from, to),
            Change::Remove(path) => {
                let Some(Named::File(file)) = self.at(path) else {
                    return false;
                };
                let key = self.key(path);
                self.names.remove(&key);
                self.forget(file);
                true
            }
            Change::RemoveFolder(path) => {
                let fits = self.at(path) == Some(Named::Folder) && self.below(path).is_empty();
                if fits {
                    let key = self.key(path);
                    self.names.remove(&key);
                }
                fits
            }
        }
    }

    fn rename(&mut self, from: &str, to: &str) -> bool {
        // Only files are ever renamed by the engine.
        let Some(Named::File(file)) = self.at(from) else {
            return false;
        };
        let replaced = match self.at(to) {
            Some(Named::Folder) => return false,
            Some(Named::File(old)) => Some(old),
            None => None,
        };
        if !self.has_parent(to) {
            return false;
        }
        let key = self.key(from);
        self.names.remove(&key);
        self.put(to, Named::File(file));
        if let Some(old) = replaced {
            self.forget(old);
        }
        true
    }

    fn forget(&mut self, file: u64) {
        let named = self
            .names
            .values()
            .any(|(_, named)| *named == Named::File(file));
        if !named {
            self.bytes.remove(&file);
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn changes_that_fit_apply_and_others_change_nothing() {
        let mut files = Files::default();
        assert!(!files.apply(&Change::File("a/b".into(), 1)));
        assert!(files.apply(&Change::Folder("a".into())));
        assert!(files.apply(&Change::File("a/b".into(), 1)));
        assert!(!files.apply(&Change::File("a/b".into(), 2)));
        assert!(files.apply(&Change::Write(1, 2, b"xy".to_vec())));
        assert_eq!(files.read("a/b"), Some(&b"\0\0xy"[..]));
        assert!(files.apply(&Change::Link(1, "c".into())));
        assert!(files.apply(&Change::Remove("a/b".into())));
        assert_eq!(files.read("c"), Some(&b"\0\0xy"[..]));
        assert!(files.apply(&Change::RemoveFolder("a".into())));
        assert!(files.apply(&Change::Length(1, 1)));
        assert!(files.apply(&Change::Rename("c".into(), "d".into())));
        assert_eq!(files.read("d"), Some(&b"\0"[..]));
        assert_eq!(files.used(), 1);
        let mut files = Files::new(true);
        assert!(files.apply(&Change::File("e".into(), 3)));
        assert!(!files.apply(&Change::File("E".into(), 4)));
    }
}
