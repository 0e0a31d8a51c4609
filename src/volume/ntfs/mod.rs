//! NTFS, read without mounting: every name and stream with the place of its bytes.
//!
//! The table of files is read once, in order, in requests of 1 MiB, the next two announced before this one is looked at; extension records are merged by
//! their base reference; paths come from parent references. Then, from compact notes alone: the tree is
//! judged, the clusters are counted against the volume's bitmap, and every name and stream is handed over
//! in record order. Memory: about 80 bytes of notes a record, 48 MiB of content kept in records (beyond it
//! the table is read a second time, in order), 16 MiB of bits. Three kinds of reads leave the order, all
//! rare: an attribute list or a reparse point too long for its record, and the first bytes of a hibernation file.
//!
//! Invariant: nothing missing looks whole. A record that cannot be read or contradicts itself, a part that no
//! record delivers, a cluster owned twice or outside the volume: each is a mark on the items concerned or an
//! open point, never silence. What NTFS itself cannot know stays unknown: contents and run lists have no
//! checksum, fixups find torn writes but not flipped bits, so a change that leaves every number consistent is not seen here.

pub mod boot;
mod content;
mod gather;
mod handover;
mod index;
mod origin;
pub(in crate::volume) mod owners;
pub mod pieces;
pub(in crate::volume) mod raw;
pub mod record;
pub mod reparse;
pub mod runs;
mod salvage;
mod scan;
mod store;
mod survey;
pub mod table;
mod tree;

pub use survey::{LOST_PARENT, survey};

use crate::port::{Fault, FaultKind, Sectors};
use crate::volume::filesystem::{Found, Limits, NotSurveyed, Place, Survey};

/// Bytes in memory as a volume; for tests and fuzzing.
pub struct InMemory<'a> {
    /// The volume.
    pub bytes: &'a [u8],
    /// Sector size to claim.
    pub sector_bytes: u32,
}

impl Sectors for InMemory<'_> {
    fn sector_bytes(&self) -> u32 {
        self.sector_bytes
    }

    fn bytes(&self) -> u64 {
        self.bytes.len() as u64
    }

    fn read_at(&self, at: u64, buf: &mut [u8]) -> Result<(), Fault> {
        let part = usize::try_from(at)
            .ok()
            .and_then(|from| self.bytes.get(from..from.checked_add(buf.len())?));
        match part {
            Some(part) => {
                buf.copy_from_slice(part);
                Ok(())
            }
            None => Err(Fault::new(
                FaultKind::Refused,
                format!("reading {} bytes at {at}", buf.len()),
                "behind the end",
            )),
        }
    }
}

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
    survey(&volume, place, &Limits::default(), see)
}
