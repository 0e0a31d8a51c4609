//! ext2, ext3 and ext4, read without mounting: every name with the place of its bytes.
//!
//! The journal is played into memory: a mount that skips it loses files, one that plays it back writes to the drive; this does
//! neither. Then the tables of inodes are read once, in order; the folders once, in the order of the drive; the clusters are
//! counted against the volume's bitmaps; and every name is handed over, parents first. Memory: about 100 bytes of notes for each
//! file and name and the attributes, a quarter of the limit for tables at most, 32 MiB of lists of blocks read ahead, 24 MiB of
//! bits.
//! Facts: the kernel's documentation of ext4's data structures.
//!
//! Invariant: nothing missing looks whole. An inode or block that cannot be read, contradicts itself or has a wrong checksum,
//! a cluster owned twice or outside the volume: each is a mark on the items concerned or an open point, never silence. What the
//! format cannot know stays unknown: contents have no checksum, and volumes without metadata checksums (ext2, ext3) have none for
//! names, lengths and places either.

mod attribute;
mod crc;
mod extents;
mod folder;
mod ground;
mod groups;
mod handover;
mod inode;
mod item;
mod journal;
mod names;
mod owners;
mod runs;
mod scan;
mod store;
pub mod superblock;
mod survey;

pub use survey::survey;

use crate::volume::filesystem::{Found, Limits, NotSurveyed, Place, Survey};
use crate::volume::ntfs::InMemory;

/// Surveys a volume that lies in memory.
pub fn survey_bytes(bytes: &[u8], see: &mut dyn FnMut(Found)) -> Result<Survey, NotSurveyed> {
    let volume = InMemory {
        bytes,
        sector_bytes: 512,
    };
    let place = Place {
        first_byte: 0,
        bytes: bytes.len() as u64,
    };
    survey(&volume, place, 0, Limits::default(), see)
}

#[cfg(test)]
mod tests;
