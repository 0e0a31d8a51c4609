//! Writing a bag's own files, and those beside it, as streams: hashed while written, durable under a temporary name,
//! then renamed.
//!
//! Invariant: a file is either the old one or the new one, whole.

use super::spare;
use crate::port::{Destination, Fault, Writing};
use crate::read::digest::Digests;
use crate::value::{Blake3, Sha256};
use serde::{Deserialize, Serialize};

const BUFFER: usize = 256 << 10;

/// A file being written.
pub struct TagFile<'a> {
    to: &'a dyn Destination,
    path: String,
    /// Where its name stands: below the bag, or beside it.
    full: String,
    temporary: String,
    writing: Box<dyn Writing>,
    waiting: Vec<u8>,
    at: u64,
    digests: Digests,
}

/// A tag file that was written.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct TagWritten {
    /// Path within the bag, or beside it.
    pub path: String,
    /// Length in bytes.
    pub bytes: u64,
    /// Its BLAKE3.
    pub blake3: Blake3,
    /// Its SHA-256.
    pub sha256: Sha256,
}

impl<'a> TagFile<'a> {
    /// Starts `bag/<path>` at a destination.
    pub fn start(to: &'a dyn Destination, path: &str) -> Result<Self, Fault> {
        Self::start_at(to, path, format!("bag/{path}"))
    }

    fn start_at(to: &'a dyn Destination, path: &str, full: String) -> Result<Self, Fault> {
        let (temporary, writing) = spare::start(to, &full)?;
        Ok(Self {
            to,
            path: path.to_owned(),
            full,
            temporary,
            writing,
            waiting: Vec::with_capacity(BUFFER),
            at: 0,
            digests: Digests::default(),
        })
    }

    /// Adds bytes.
    pub fn add(&mut self, bytes: &[u8]) -> Result<(), Fault> {
        self.waiting.extend_from_slice(bytes);
        if self.waiting.len() >= BUFFER {
            self.flush()
        } else {
            Ok(())
        }
    }

    fn flush(&mut self) -> Result<(), Fault> {
        self.digests.update(&self.waiting);
        self.writing.write_at(self.at, &self.waiting)?;
        self.at += self.waiting.len() as u64;
        self.waiting.clear();
        Ok(())
    }

    /// Makes it durable under its own name.
    pub fn finish(mut self) -> Result<TagWritten, Fault> {
        self.flush()?;
        self.writing.finish(self.at)?;
        self.to.settle()?;
        let (folder, _) = self.full.rsplit_once('/').unwrap_or_default();
        self.to.make_folder(folder)?;
        self.to.rename(&self.temporary, &self.full)?;
        self.to.settle()?;
        let (blake3, sha256) = self.digests.finish();
        Ok(TagWritten {
            path: self.path,
            bytes: self.at,
            blake3,
            sha256,
        })
    }
}

/// Writes a whole tag file.
pub fn write_tag(to: &dyn Destination, path: &str, bytes: &[u8]) -> Result<TagWritten, Fault> {
    let mut file = TagFile::start(to, path)?;
    file.add(bytes)?;
    file.finish()
}

/// Writes a whole file beside the bag.
pub fn write_beside(to: &dyn Destination, path: &str, bytes: &[u8]) -> Result<TagWritten, Fault> {
    let mut file = TagFile::start_at(to, path, path.to_owned())?;
    file.add(bytes)?;
    file.finish()
}
