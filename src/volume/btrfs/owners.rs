//! Who has which stretch of contents: the volume's own book of extents against the files.
//!
//! Invariant: a stretch that a file has and the book does not, or that the book gives to two, is a doubt about that file.

use super::item::kind;
use super::superblock::Pointer;
use super::tree::{Met, Trees};
use crate::port::Fault;
use crate::volume::bits::Bits;
use crate::volume::bytes::le64;
use crate::volume::filesystem::{Accounts, Findings, Weight};

/// What the book says of an extent that a file has.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Booked {
    /// It is there, and nobody else's.
    Own,
    /// It is there, but so is another one over the same bytes.
    Crossed,
    /// It is not there.
    Free,
    /// The book could not be read to its end.
    Unknown,
}

/// The book.
#[derive(Debug)]
pub struct Owners {
    /// Extents of contents: address and bytes.
    extents: Vec<(u64, u64)>,
    crossed: Bits,
    owned: Bits,
    whole: bool,
    unbooked: u64,
    sector_bytes: u64,
}

impl Owners {
    /// Reads the book; it may take `most_bytes` in memory.
    pub fn read(
        trees: &Trees<'_>,
        root: Pointer,
        most_bytes: u64,
        findings: &mut Findings,
    ) -> Result<Self, Fault> {
        const DATA: u64 = 1;
        let (mut extents, mut whole) = (Vec::new(), true);
        // How far the extents before reach, whether the last is contents, and those that others cross.
        let (mut reach, mut last, mut crossed) = (0u64, false, Vec::new());
        trees.walk(root, &mut |met| {
            let (key, bytes) = match met {
                Met::Item { key, bytes, .. } => (key, bytes),
                Met::Gap { why, .. } => {
                    whole = false;
                    findings.note("bitmap-unread", Weight::OpenPoint, None, || {
                        format!(
                            "a part of the volume's own book of what is in use is missing ({why})"
                        )
                    });
                    return Ok(());
                }
            };
            let length = match key.kind {
                kind::OWNED => key.offset,
                kind::OWNED_BLOCK => trees.sb.block_bytes.into(),
                _ => return Ok(()),
            };
            if extents.len() as u64 * size_of::<(u64, u64)>() as u64 > most_bytes {
                whole = false;
                findings.note("bitmap-unread", Weight::OpenPoint, None, || {
                    "it has more extents than fit in memory: whose the last of them are is not known".into()
                });
                return Ok(());
            }
            let data = key.kind == kind::OWNED && le64(bytes, 16) & DATA != 0;
            if key.object < reach {
                if last {
                    crossed.push(extents.len().saturating_sub(1));
                }
                if data {
                    crossed.push(extents.len());
                }
            }
            if data {
                extents.push((key.object, length));
            }
            let end = key.object.saturating_add(length);
            if end >= reach {
                (reach, last) = (end, data);
            }
            Ok(())
        })?;
        let count = extents.len() as u64;
        let mut bits = Bits::new(count);
        for index in crossed {
            bits.set(index as u64);
        }
        Ok(Self {
            extents,
            crossed: bits,
            owned: Bits::new(count),
            whole,
            unbooked: 0,
            sector_bytes: trees.sb.sector_bytes.into(),
        })
    }

    /// Books an extent for a file.
    pub fn claim(&mut self, at: u64, bytes: u64) -> Booked {
        match self.extents.binary_search(&(at, bytes)) {
            Ok(index) => {
                self.owned.set(index as u64);
                match self.crossed.has(index as u64) {
                    true => Booked::Crossed,
                    false => Booked::Own,
                }
            }
            Err(_) if !self.whole => Booked::Unknown,
            Err(_) => {
                self.unbooked = self.unbooked.saturating_add(bytes / self.sector_bytes);
                Booked::Free
            }
        }
    }

    /// The sums of it all, in sectors.
    pub fn count(&self, data_bytes: u64, accounts: &mut Accounts) {
        let sector = self.sector_bytes.max(1);
        let (mut in_use, mut owned, mut twice) = (0u64, 0u64, 0u64);
        for (index, (_, bytes)) in self.extents.iter().enumerate() {
            let sectors = bytes / sector;
            in_use = in_use.saturating_add(sectors);
            if self.owned.has(index as u64) {
                owned = owned.saturating_add(sectors);
            }
            if self.crossed.has(index as u64) {
                twice = twice.saturating_add(sectors);
            }
        }
        accounts.cluster_bytes = sector;
        accounts.clusters = data_bytes / sector;
        accounts.in_use = self.whole.then_some(in_use);
        accounts.owned = owned;
        accounts.in_use_without_owner = in_use - owned;
        accounts.owned_but_free = self.unbooked;
        accounts.owned_twice = twice;
    }
}
