//! Trees: blocks that are checked before they are used, walked in the order of their keys.
//!
//! Invariant: an item is handed over only from a block whose checksum, place, identity, generation, level and order of keys are
//! right; what is missing between two keys is told as a gap, never skipped. A walk visits no block twice: the keys of a block's
//! children are told apart, and levels go down.

use super::chunks::Chunks;
use super::superblock::{Pointer, Superblock};
use crate::port::{Fault, FaultKind};
use crate::volume::bytes::{Part, array, le32, le64, u8_at};

/// Bytes of a block's head.
pub const HEAD: usize = 101;
/// Bytes of an item's entry in a leaf, and of a child's in a node.
const ITEM: usize = 25;
const CHILD: usize = 33;

/// What an item is found by.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct Key {
    /// Whom it is about.
    pub object: u64,
    /// What it is.
    pub kind: u8,
    /// Which one of these.
    pub offset: u64,
}

impl Key {
    fn read(raw: &[u8], at: usize) -> Self {
        Self {
            object: le64(raw, at),
            kind: u8_at(raw, at.saturating_add(8)),
            offset: le64(raw, at.saturating_add(9)),
        }
    }

    /// Of whatever comes first.
    pub const FIRST: Self = Self {
        object: 0,
        kind: 0,
        offset: 0,
    };
}

/// A checked block.
#[derive(Debug)]
pub struct Block {
    /// Its bytes.
    pub raw: Vec<u8>,
    /// Where it was read, from the start of the volume.
    pub place: u64,
    level: u8,
    count: usize,
}

impl Block {
    fn key(&self, index: usize) -> Key {
        let entry = if self.level == 0 { ITEM } else { CHILD };
        Key::read(&self.raw, HEAD + index * entry)
    }

    /// Where the bytes of an item begin within the block, and how many there are; `None` = not in it.
    fn item(&self, index: usize) -> Option<(usize, usize)> {
        let at = HEAD + index * ITEM + 17;
        let from = HEAD.checked_add(usize::try_from(le32(&self.raw, at)).ok()?)?;
        let bytes = usize::try_from(le32(&self.raw, at + 4)).ok()?;
        let table = HEAD + self.count * ITEM;
        (from >= table && from.checked_add(bytes)? <= self.raw.len()).then_some((from, bytes))
    }

    fn child(&self, index: usize) -> Pointer {
        let at = HEAD + index * CHILD + 17;
        Pointer {
            at: le64(&self.raw, at),
            generation: le64(&self.raw, at + 8),
            level: self.level.saturating_sub(1),
        }
    }
}

/// What a walk meets.
pub enum Met<'a> {
    /// An item.
    Item {
        /// What it is found by.
        key: Key,
        /// Its bytes.
        bytes: &'a [u8],
        /// The block that it lies in, and where in it.
        block: &'a Block,
        /// Where its bytes begin in that block.
        into: usize,
    },
    /// Whatever lies from this key on is missing.
    Gap {
        /// The first key that may be missing.
        from: Key,
        /// The first key that is not; `None` = to the end.
        to: Option<Key>,
        /// Why.
        why: String,
    },
}

/// The volume's blocks.
pub struct Trees<'a> {
    /// Where the blocks of tables are read.
    pub part: Part<'a>,
    /// Sizes and identity.
    pub sb: &'a Superblock,
    /// What addresses stand for.
    pub chunks: Chunks,
}

type See<'s> = &'s mut dyn FnMut(Met<'_>) -> Result<(), Fault>;

impl Trees<'_> {
    /// Reads a block; the inner error says why it is none.
    pub fn block(&self, wanted: Pointer) -> Result<Result<Block, String>, Fault> {
        let bytes = u64::from(self.sb.block_bytes);
        let Some(spot) = self.chunks.spot(wanted.at, bytes) else {
            return Ok(Err(format!("no chunk holds the block at {}", wanted.at)));
        };
        let mut why = String::new();
        for place in spot.copies {
            match self.part.read_vec(place, self.sb.block_bytes as usize) {
                Ok(raw) => match self.check(raw, place, wanted) {
                    Ok(block) => return Ok(Ok(block)),
                    Err(says) => why = format!("the block at {}: {says}", wanted.at),
                },
                Err(fault) if matches!(fault.kind, FaultKind::Refused | FaultKind::Missing) => {
                    why = format!("the block at {} cannot be read", wanted.at);
                }
                Err(fault) => return Err(fault),
            }
        }
        Ok(Err(why))
    }

    fn check(&self, raw: Vec<u8>, place: u64, wanted: Pointer) -> Result<Block, &'static str> {
        let (said, rest) = raw.split_at_checked(32).unwrap_or_default();
        let sum = self.sb.sum;
        if !sum.matches(rest, said.get(..sum.bytes()).unwrap_or_default()) {
            return Err("its checksum does not fit");
        }
        if le64(&raw, 0x30) != wanted.at || array(&raw, 0x20) != Some(self.sb.tables_id) {
            return Err("it is another one's");
        }
        if le64(&raw, 0x50) != wanted.generation {
            return Err("it is older or newer than the one that was meant");
        }
        let (level, count) = (u8_at(&raw, 0x64), le32(&raw, 0x60) as usize);
        let entry = if level == 0 { ITEM } else { CHILD };
        if level != wanted.level || count > (raw.len() - HEAD) / entry {
            return Err("its level or count is impossible");
        }
        Ok(Block {
            raw,
            place,
            level,
            count,
        })
    }

    /// Hands over every item of a tree, in order.
    ///
    /// # Errors
    /// Faults that are no refusals, and what `see` gives back.
    pub fn walk(&self, root: Pointer, see: See<'_>) -> Result<(), Fault> {
        self.below(root, Key::FIRST, None, true, see)
    }

    /// The part of a tree below one block, whose keys are from `low` on and before `high`.
    fn below(
        &self,
        at: Pointer,
        low: Key,
        high: Option<Key>,
        is_root: bool,
        see: See<'_>,
    ) -> Result<(), Fault> {
        let gap =
            |from: Key, to: Option<Key>, why: String, see: See<'_>| see(Met::Gap { from, to, why });
        let block = match self.block(at)? {
            Ok(block) => block,
            Err(why) => return gap(low, high, why, see),
        };
        if block.count == 0 {
            // Only a whole tree can be empty.
            return match is_root && block.level == 0 {
                true => Ok(()),
                false => gap(low, high, format!("the block at {} is empty", at.at), see),
            };
        }
        let inside = |key: Key, before: Option<Key>| {
            high.is_none_or(|high| key < high) && before.is_none_or(|before| key > before)
        };
        let mut before = None;
        for index in 0..block.count {
            let key = block.key(index);
            let after = (index + 1 < block.count)
                .then(|| block.key(index + 1))
                .or(high);
            if !inside(key, before) || !is_root && index == 0 && key != low {
                let from = before.unwrap_or(low);
                return gap(
                    from,
                    high,
                    format!("the keys of the block at {} are not in order", at.at),
                    see,
                );
            }
            before = Some(key);
            if block.level > 0 {
                self.below(block.child(index), key, after, false, see)?;
                continue;
            }
            let item = block.item(index);
            let bytes = item.and_then(|(from, bytes)| block.raw.get(from..from + bytes));
            match item.zip(bytes) {
                Some(((into, _), bytes)) => see(Met::Item {
                    key,
                    bytes,
                    block: &block,
                    into,
                })?,
                None => gap(
                    key,
                    after,
                    format!("an item of the block at {} lies outside it", at.at),
                    see,
                )?,
            }
        }
        Ok(())
    }
}
