//! The volume as blocks, with the changes of the journal laid over it.
//!
//! Invariant: a block that the journal replaces is never read from its old place, and no block outside the volume's place
//! is read at all.

use super::superblock::Superblock;
use crate::port::{Fault, Sectors};
use crate::volume::filesystem::Place;
use crate::volume::layout::{Piece, append};
use crate::volume::stored::{Narrow, Ranges, push_range, read_narrowing};
use std::collections::BTreeMap;

/// The first bytes of every block of a journal that is its own; a copy that begins with them is kept without them.
pub const JOURNAL_MAGIC: [u8; 4] = [0xC0, 0x3B, 0x39, 0x98];

/// What the journal has for one block.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Newer {
    /// The newer copy lies in this block.
    At {
        /// Block of the volume that belongs to the journal.
        block: u64,
        /// Its first four bytes are [`JOURNAL_MAGIC`], whatever the copy says.
        escaped: bool,
    },
    /// There is a newer copy, but it is damaged: neither it nor the old block is the content.
    Lost,
}

/// Newer copies by block.
pub type Overlay = BTreeMap<u64, Newer>;

/// A volume to read from.
pub struct Ground<'a> {
    /// The drive.
    pub sectors: &'a dyn Sectors,
    /// Where the volume lies, clipped to the drive.
    pub place: Place,
    /// Its sizes.
    pub sb: Superblock,
    /// What the journal changes.
    pub overlay: Overlay,
}

impl Ground<'_> {
    /// Blocks that exist both by the superblock and on the drive.
    pub fn blocks(&self) -> u64 {
        self.sb.blocks.min(self.place.bytes / self.sb.block_bytes)
    }

    /// Byte of the drive that a block begins with.
    fn at(&self, block: u64) -> u64 {
        self.place
            .first_byte
            .saturating_add(block.saturating_mul(self.sb.block_bytes))
    }

    /// Byte of the drive for a byte of a block, the journal's copy if there is one; `None` = outside or lost.
    pub fn spot(&self, block: u64, into: u64) -> Option<u64> {
        let block = match self.overlay.get(&block) {
            None => block,
            Some(Newer::At { block, .. }) => *block,
            Some(Newer::Lost) => return None,
        };
        (block < self.blocks()).then(|| self.at(block).saturating_add(into))
    }

    /// Reads blocks as they are with the journal's changes. What cannot be had is zeros and in `missing`, in bytes from the
    /// start of the buffer.
    pub fn read(&self, first: u64, count: u64, missing: &mut Ranges) -> Result<Vec<u8>, Fault> {
        let size = self.sb.block_bytes;
        let bytes = usize::try_from(count.saturating_mul(size)).unwrap_or(0);
        let mut buf = vec![0u8; bytes];
        let end = first.saturating_add(count);
        let there = end.min(self.blocks()).saturating_sub(first).min(count);
        let inside = usize::try_from(there.saturating_mul(size)).unwrap_or(0);
        let from = self.at(first);
        let mut gone = Ranges::new();
        if let Some(part) = buf.get_mut(..inside)
            && inside > 0
        {
            let mut refused = Ranges::new();
            read_narrowing(self.sectors, from, part, Narrow::default(), &mut refused)?;
            gone.extend(refused.iter().map(|(at, n)| (at.saturating_sub(from), *n)));
        }
        push_range(&mut gone, inside as u64, (bytes - inside) as u64);
        for (block, newer) in self.overlay.range(first..end) {
            let into = (block - first).saturating_mul(size);
            let Some(part) = usize::try_from(into)
                .ok()
                .and_then(|into| buf.get_mut(into..into.checked_add(size as usize)?))
            else {
                continue;
            };
            let mut refused = Ranges::new();
            match newer {
                Newer::At { block, .. } if *block < self.blocks() => {
                    let from = self.at(*block);
                    read_narrowing(self.sectors, from, part, Narrow::default(), &mut refused)?;
                    for (at, _) in &mut refused {
                        *at = into.saturating_add(at.saturating_sub(from));
                    }
                }
                _ => {
                    part.fill(0);
                    refused.push((into, size));
                }
            }
            if let Newer::At { escaped: true, .. } = newer
                && let Some(head) = part.get_mut(..4)
            {
                head.copy_from_slice(&JOURNAL_MAGIC);
            }
            gone = replace(&gone, into, size, &refused);
        }
        for (at, bytes) in gone {
            push_range(missing, at, bytes);
        }
        Ok(buf)
    }

    /// One block; `None` = (partly) unreadable, lost or outside.
    pub fn block(&self, block: u64) -> Result<Option<Vec<u8>>, Fault> {
        if block >= self.blocks() {
            return Ok(None);
        }
        let mut missing = Ranges::new();
        let bytes = self.read(block, 1, &mut missing)?;
        Ok(missing.is_empty().then_some(bytes))
    }

    /// The pieces of `count` blocks from `first`, the journal's copies in their places.
    pub fn pieces(&self, first: u64, count: u64, out: &mut Vec<Piece>) {
        let size = self.sb.block_bytes;
        let end = first.saturating_add(count);
        let there = end.min(self.blocks()).max(first);
        let mut next = first;
        for (block, newer) in self.overlay.range(first..there) {
            append(out, self.extent(next, *block - next));
            match newer {
                Newer::At {
                    block: own,
                    escaped,
                } if *own < self.blocks() => {
                    if *escaped {
                        append(out, Piece::Inline(JOURNAL_MAGIC.to_vec()));
                        append(
                            out,
                            Piece::Extent {
                                at: self.at(*own).saturating_add(4),
                                bytes: size - 4,
                            },
                        );
                    } else {
                        append(out, self.extent(*own, 1));
                    }
                }
                _ => append(out, Piece::Lost { bytes: size }),
            }
            next = block + 1;
        }
        append(out, self.extent(next, there.saturating_sub(next)));
        append(
            out,
            Piece::Lost {
                bytes: (end - there).saturating_mul(size),
            },
        );
    }

    fn extent(&self, block: u64, count: u64) -> Piece {
        Piece::Extent {
            at: self.at(block),
            bytes: count.saturating_mul(self.sb.block_bytes),
        }
    }

    /// Whether the journal changes any of these blocks.
    pub fn changed(&self, first: u64, count: u64) -> bool {
        self.overlay
            .range(first..first.saturating_add(count))
            .next()
            .is_some()
    }
}

/// `ranges` with everything in `at..at + bytes` replaced by `instead`.
fn replace(ranges: &Ranges, at: u64, bytes: u64, instead: &Ranges) -> Ranges {
    let end = at.saturating_add(bytes);
    let mut out: Ranges = Vec::new();
    for (from, n) in ranges {
        let to = from.saturating_add(*n);
        if *from < at {
            out.push((*from, to.min(at) - from));
        }
        if to > end {
            out.push(((*from).max(end), to - (*from).max(end)));
        }
    }
    out.extend(instead.iter().copied());
    out.sort_unstable();
    let mut joined = Ranges::new();
    for (from, n) in out {
        push_range(&mut joined, from, n);
    }
    joined
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn ranges_are_replaced_and_joined() {
        let ranges = vec![(0, 10), (20, 10)];
        assert_eq!(
            replace(&ranges, 5, 20, &vec![(10, 2)]),
            vec![(0, 5), (10, 2), (25, 5)]
        );
        assert_eq!(replace(&ranges, 10, 10, &vec![(10, 10)]), vec![(0, 30)]);
    }
}
