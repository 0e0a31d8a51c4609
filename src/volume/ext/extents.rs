//! Extent trees and block maps, down to runs.
//!
//! Invariant: a node that cannot be read, contradicts its parent or has a wrong checksum makes its whole range lost or doubted;
//! depth is bounded by the format (five levels, three of a block map) and the number of nodes by a budget.

use super::crc::crc32c;
use super::ground::Ground;
use super::runs::{Budget, Form, Mapped, Run};
use crate::port::Fault;
use crate::volume::bytes::{le16, le32};
use std::collections::HashMap;

/// Levels of an extent tree above its leaves at most.
const DEPTH: u16 = 5;
/// A length above this one is an unwritten extent's.
const WRITTEN: u64 = 32_768;
/// Logical blocks of a file: 32-bit numbers.
const BLOCKS: u64 = 1 << 32;
/// Entries of an inode's own block map: direct, and one for each level of indirection.
const DIRECT: u64 = 12;

/// Walks the trees of inodes.
pub struct Walker<'a, 'g> {
    /// The volume.
    pub ground: &'a Ground<'g>,
    /// Nodes read ahead, in the order of the drive.
    pub ahead: &'a HashMap<u64, Vec<u8>>,
    /// What may still be asked for.
    pub budget: &'a mut Budget,
    /// What checksums of this inode's blocks begin with.
    pub seed: u32,
    /// What came out.
    pub out: Mapped,
}

/// Blocks that the inode's own part of the tree or map refers to, to be read ahead.
pub fn first_nodes(block: &[u8], extents: bool, see: &mut dyn FnMut(u64)) {
    if !extents {
        for place in 12..15 {
            see(le32(block, place * 4).into());
        }
    } else if le16(block, 6) > 0 {
        for entry in 1..=usize::from(le16(block, 2).min(4)) {
            see(leaf_of(block, entry * 12));
        }
    }
}

fn leaf_of(node: &[u8], at: usize) -> u64 {
    u64::from(le16(node, at + 8)) << 32 | u64::from(le32(node, at + 4))
}

impl Walker<'_, '_> {
    /// Walks the 60 bytes of an inode.
    pub fn walk(&mut self, block: &[u8], extents: bool) -> Result<(), Fault> {
        if extents {
            self.node(block, None, 0, BLOCKS)
        } else {
            self.map(block)
        }
    }

    fn fetch(&mut self, block: u64) -> Result<Option<Vec<u8>>, Fault> {
        if !Budget::take(&mut self.budget.nodes) {
            self.out
                .wrong(|| "the volume has more block lists than blocks".to_owned());
            return Ok(None);
        }
        if block <= self.ground.sb.first || block >= self.ground.blocks() {
            self.out.wrong(|| {
                format!("a list of its blocks is said to lie at block {block}, outside the volume")
            });
            return Ok(None);
        }
        self.out.nodes.push(block);
        let bytes = match self.ahead.get(&block) {
            Some(bytes) => Some(bytes.clone()),
            None => self.ground.block(block)?,
        };
        if bytes.is_none() {
            self.out.unread = true;
            self.out
                .wrong(|| format!("a list of its blocks (block {block}) could not be read"));
        }
        Ok(bytes)
    }

    fn run(&mut self, logical: u64, blocks: u64, at: u64, form: Form) {
        if !Budget::take(&mut self.budget.runs) {
            self.out
                .wrong(|| "the volume has more pieces of files than blocks".to_owned());
            self.out.lose(logical, logical.saturating_add(blocks));
            return;
        }
        let inside = at > 0
            && at
                .checked_add(blocks)
                .is_some_and(|end| end <= self.ground.sb.blocks);
        if !inside {
            self.out.wrong(|| {
                format!("{blocks} of its blocks are said to lie at block {at}, outside the volume")
            });
            self.out.lose(logical, logical.saturating_add(blocks));
        } else if !self.out.add(Run {
            logical,
            blocks,
            at,
            form,
        }) {
            self.out
                .wrong(|| format!("block {logical} of it has two places"));
        }
    }

    /// One node of an extent tree that covers logical blocks `from..to`; `depth` = what its parent says.
    fn node(&mut self, node: &[u8], depth: Option<u16>, from: u64, to: u64) -> Result<(), Fault> {
        let (magic, entries, most, own) =
            (le16(node, 0), le16(node, 2), le16(node, 4), le16(node, 6));
        let room = node.len().saturating_sub(12) / 12;
        let sound = magic == 0xF30A
            && usize::from(most) <= room
            && entries <= most
            && own <= DEPTH
            && depth.is_none_or(|depth| depth == own);
        if !sound {
            self.out
                .wrong(|| "a list of its blocks makes no sense".to_owned());
            self.out.lose(from, to);
            return Ok(());
        }
        if depth.is_some() && self.ground.sb.sums() {
            let tail = 12 + 12 * usize::from(most);
            let sum = crc32c(self.seed, node.get(..tail).unwrap_or_default());
            if sum != le32(node, tail) {
                self.out
                    .wrong(|| "a list of its blocks has a wrong checksum".to_owned());
            }
        }
        let mut next = from;
        for entry in 1..=usize::from(entries) {
            let at = entry * 12;
            let logical = u64::from(le32(node, at));
            if logical < next || logical >= to {
                self.out
                    .wrong(|| format!("a list of its blocks is out of order at block {logical}"));
                self.out.lose(next, to);
                return Ok(());
            }
            if own == 0 {
                let length = u64::from(le16(node, at + 4));
                let (blocks, form) = if length > WRITTEN {
                    (length - WRITTEN, Form::Unwritten)
                } else {
                    (length, Form::Data)
                };
                next = logical + blocks;
                if blocks == 0 || next > to {
                    self.out
                        .wrong(|| format!("a piece of it has {blocks} blocks at block {logical}"));
                    self.out.lose(logical, to);
                    return Ok(());
                }
                let place = u64::from(le16(node, at + 6)) << 32 | u64::from(le32(node, at + 8));
                self.run(logical, blocks, place, form);
                continue;
            }
            // A node covers everything up to where the next one begins.
            let end = if entry < usize::from(entries) {
                u64::from(le32(node, at + 12)).clamp(logical + 1, to)
            } else {
                to
            };
            match self.fetch(leaf_of(node, at))? {
                Some(below) => self.node(&below, Some(own - 1), logical, end)?,
                None => self.out.lose(logical, end),
            }
            next = end;
        }
        Ok(())
    }

    /// A block map: 12 direct blocks, then one, two and three levels of lists.
    fn map(&mut self, block: &[u8]) -> Result<(), Fault> {
        for place in 0..DIRECT {
            self.direct(place, le32(block, place as usize * 4));
        }
        let each = self.ground.sb.block_bytes / 4;
        let mut logical = DIRECT;
        for level in 1..=3u32 {
            let place = le32(block, (DIRECT as usize + level as usize - 1) * 4);
            self.list(place, level, logical, each)?;
            logical += each.pow(level);
        }
        Ok(())
    }

    fn direct(&mut self, logical: u64, place: u32) {
        if place == 0 {
            return;
        }
        // Neighbours cost nothing: they join the run before.
        let joins = self.out.runs.last().is_some_and(|last| {
            last.form == Form::Data
                && last.end() == logical
                && last.at + last.blocks == u64::from(place)
        });
        if joins {
            self.budget.runs = self.budget.runs.saturating_add(1);
        }
        self.run(logical, 1, place.into(), Form::Data);
    }

    fn list(&mut self, place: u32, level: u32, logical: u64, each: u64) -> Result<(), Fault> {
        if place == 0 || logical >= BLOCKS {
            return Ok(());
        }
        let below = each.pow(level - 1);
        let Some(list) = self.fetch(place.into())? else {
            let end = logical.saturating_add(below * each).min(BLOCKS);
            self.out.lose(logical, end);
            return Ok(());
        };
        for (n, entry) in (0u64..).zip(list.chunks_exact(4)) {
            let here = logical + n * below;
            if level == 1 {
                self.direct(here, le32(entry, 0));
            } else {
                self.list(le32(entry, 0), level - 1, here, each)?;
            }
        }
        Ok(())
    }
}
