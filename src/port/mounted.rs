//! A volume that only the kernel reads, mounted above a scratch: what its driver writes goes there, never to the drive.
//!
//! Invariant: what is mounted can be looked at through the value alone, and is gone with it, however the process ends.

use super::{Fault, Sectors, Tree};
use std::path::Path;
use std::sync::Arc;

/// A stretch of a drive to be mounted, and how.
#[derive(Debug, Clone, Copy)]
pub struct ToMount<'a> {
    /// The drive's node, or its image.
    pub drive: &'a Path,
    /// First byte of the volume on the drive.
    pub first_byte: u64,
    /// Its length in bytes.
    pub bytes: u64,
    /// The kernel's name of the file system.
    pub driver: &'a str,
    /// Options of that driver, each a word without a value.
    pub options: &'a [&'a str],
}

/// Why a volume is not mounted.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum NotMounted {
    /// This machine (or this user) has no way to: nothing was learned about the volume.
    NoWay(Fault),
    /// The driver would not have this volume.
    Refused(Fault),
}

/// A mounted volume.
pub trait Mounted: Send + Sync {
    /// Its folders and files. [`super::Content::extents`] of them counts from the volume's first byte.
    fn tree(&self) -> &dyn Tree;
    /// Inodes in use, by the file system's own count; `None` = not told.
    fn inodes_in_use(&self) -> Option<u64>;
    /// The volume beneath the mount, with what the driver wrote: its first byte is byte 0. It may be read for as long as it
    /// is mounted.
    fn sectors(&self) -> Result<Arc<dyn Sectors>, Fault>;
}

/// What lies in a stretch of a file.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum ToldForm {
    /// The content as it is.
    Plain,
    /// Set aside, never written: reads as zeros.
    Unwritten,
    /// Something whose place or form the driver does not tell.
    Untold,
}

/// One stretch of a file, as the driver tells it.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct ToldExtent {
    /// First byte of the content.
    pub from: u64,
    /// First byte on the volume.
    pub at: u64,
    /// Length in bytes.
    pub bytes: u64,
    /// What lies there.
    pub form: ToldForm,
    /// Other files may have these bytes too.
    pub shared: bool,
}
