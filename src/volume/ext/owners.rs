//! Whose is every cluster? What the tables and the inodes claim, against the bitmaps of blocks.
//!
//! Invariant: memory is bounded whatever the volume's size, because the volume is looked at in slices; each slice walks the
//! compact notes once. Blocks of attributes, which inodes share on purpose, count once.

use super::ground::Ground;
use super::groups::{Groups, bitmap_holds, own_blocks};
use super::runs::Form;
use super::store::{Row, Store};
use super::superblock::{incompat, ro};
use crate::port::Fault;
use crate::volume::filesystem::{Accounts, Findings, Weight};
use crate::volume::ntfs::owners::{Bits, Owners, ones, ranges_of};

/// Clusters looked at together: 8 MiB of bits.
const SLICE: u64 = 64 << 20;
/// The inode of bad blocks.
const BAD: u32 = 1;

/// Counts clusters.
pub struct Count<'a, 'g> {
    /// The volume.
    pub ground: &'a Ground<'g>,
    /// Its groups.
    pub groups: &'a Groups,
    /// The notes.
    pub store: &'a Store,
}

/// Clusters of one slice.
struct Slice {
    from: u64,
    to: u64,
    own: Bits,
    twice: Bits,
}

impl Slice {
    /// Sets clusters `from..to` as far as they lie in the slice; how many that were.
    fn claim(&mut self, from: u64, to: u64) -> u64 {
        let from = from.max(self.from);
        let to = to.min(self.to);
        if from >= to {
            return 0;
        }
        self.own
            .claim(&mut self.twice, from - self.from, to - self.from);
        to - from
    }
}

/// Whether an inode's claims count: one that is free in the bitmap has a say only if a folder names it.
fn counts(row: &Row) -> bool {
    !row.is(Row::FREE) || row.names > 0
}

impl Count<'_, '_> {
    /// First cluster and the one behind the last for a range of blocks.
    pub fn clusters(&self, first: u64, blocks: u64) -> (u64, u64) {
        let sb = &self.ground.sb;
        let from = first.saturating_sub(sb.first);
        let to = first.saturating_add(blocks).saturating_sub(sb.first);
        (from / sb.cluster_blocks, to.div_ceil(sb.cluster_blocks))
    }

    /// Counts everything into `accounts`.
    pub fn run(&self, accounts: &mut Accounts, findings: &mut Findings) -> Result<Owners, Fault> {
        let sb = &self.ground.sb;
        let there = self.ground.blocks().saturating_sub(sb.first);
        let total = sb.clusters().min(there.div_ceil(sb.cluster_blocks));
        accounts.cluster_bytes = sb.block_bytes * sb.cluster_blocks;
        accounts.clusters = total;
        let mut out = Owners::default();
        let mut in_use = Some(0u64);
        let mut from = 0u64;
        while from < total {
            let to = from.saturating_add(SLICE).min(total);
            let mut slice = Slice {
                from,
                to,
                own: Bits::new(to - from),
                twice: Bits::new(to - from),
            };
            self.tables(&mut slice);
            if !self.inodes(&mut slice, accounts) {
                accounts.in_use = None;
                out.absurd = true;
                out.twice = vec![(0, total)];
                return Ok(out);
            }
            let book = self.book(&slice, findings)?;
            if book.is_none() {
                in_use = None;
            }
            for (i, (own, twice)) in slice
                .own
                .words()
                .iter()
                .zip(slice.twice.words())
                .enumerate()
            {
                let base = from + i as u64 * 64;
                accounts.owned += u64::from(own.count_ones());
                if sb.ro & ro::SHARED_BLOCKS == 0 {
                    accounts.owned_twice += u64::from(twice.count_ones());
                    ranges_of(*twice, base, &mut out.twice);
                }
                if let Some(book) = &book {
                    let used = book.words().get(i).copied().unwrap_or(0) & ones(to - base);
                    in_use = in_use.map(|n| n + u64::from(used.count_ones()));
                    accounts.in_use_without_owner += u64::from((used & !own).count_ones());
                    let free = own & !used;
                    accounts.owned_but_free += u64::from(free.count_ones());
                    ranges_of(free, base, &mut out.free);
                }
            }
            from = to;
        }
        accounts.in_use = in_use;
        Ok(out)
    }

    /// The file system's own blocks, and those that may be shared.
    fn tables(&self, slice: &mut Slice) {
        let sb = &self.ground.sb;
        let mut see = |first: u64, blocks: u64| {
            let (from, to) = self.clusters(first, blocks);
            slice.claim(from, to);
        };
        for (number, group) in (0u64..).zip(self.groups) {
            own_blocks(sb, number, group, &mut see);
        }
        if sb.has(incompat::MMP) && sb.mmp_block > 0 {
            see(sb.mmp_block, 1);
        }
        for row in self.store.rows.iter().filter(|row| counts(row)) {
            let block = self.store.notes_of(row).attribute_block;
            if block > sb.first {
                see(block, 1);
            }
        }
        // Copies of tables within one cluster, and shared attributes, are no collision.
        slice.twice = Bits::new(slice.to - slice.from);
    }

    /// The blocks of inodes; `false` = the claims are absurdly many.
    fn inodes(&self, slice: &mut Slice, accounts: &mut Accounts) -> bool {
        // A sound volume claims each cluster once; a hostile one could keep us busy for ever.
        let mut left = (slice.to - slice.from)
            .saturating_mul(4)
            .saturating_add(1 << 20);
        for row in self.store.rows.iter().filter(|row| counts(row)) {
            let notes = self.store.notes_of(row);
            let nodes = notes.nodes.iter().map(|node| (*node, 1));
            let data = notes
                .runs
                .iter()
                .filter(|run| run.form != Form::Lost)
                .map(|run| (run.at, run.blocks));
            // Pieces of one file may share a cluster: they follow one another.
            let mut last = None;
            for (first, blocks) in nodes.chain(data) {
                let (mut from, to) = self.clusters(first, blocks);
                if self.ground.sb.cluster_blocks > 1 && last == Some(from) {
                    from += 1;
                }
                last = to.checked_sub(1);
                let count = slice.claim(from, to);
                let Some(rest) = left.checked_sub(count) else {
                    return false;
                };
                left = rest;
                if row.inode == BAD {
                    accounts.marked_bad = accounts.marked_bad.saturating_add(count);
                }
            }
        }
        true
    }

    /// The bitmaps of a slice; `None` = one of them cannot be read.
    fn book(&self, slice: &Slice, findings: &mut Findings) -> Result<Option<Bits>, Fault> {
        let sb = &self.ground.sb;
        let each = (sb.group_blocks / sb.cluster_blocks).max(1);
        let mut book = Bits::new(slice.to - slice.from);
        let mut none = Bits::new(slice.to - slice.from);
        let mut set = |from: u64, to: u64| {
            let (from, to) = (from.max(slice.from), to.min(slice.to));
            if from < to {
                book.claim(&mut none, from - slice.from, to - slice.from);
            }
        };
        let mut whole = true;
        let first = slice.from / each;
        for number in first..slice.to.div_ceil(each) {
            let group = usize::try_from(number)
                .ok()
                .and_then(|n| self.groups.get(n));
            let Some(group) = group.filter(|group| group.usable) else {
                whole = false;
                continue;
            };
            let start = number * each;
            if group.no_blocks {
                own_blocks(sb, number, group, &mut |block, blocks| {
                    let (from, to) = self.clusters(block, blocks);
                    set(from.max(start), to.min(start + each));
                });
                continue;
            }
            let bitmap = self.ground.block(group.block_bitmap)?;
            let holds =
                |bitmap: &Vec<u8>| group.current && bitmap_holds(sb, bitmap, each, group.block_sum);
            let Some(bitmap) = bitmap.filter(holds) else {
                whole = false;
                findings.note("block-bitmap-unread", Weight::OpenPoint, None, || {
                    format!("the bitmap of blocks of group {number} is unreadable, in doubt or has a wrong checksum")
                });
                continue;
            };
            let mut begun = None;
            for bit in 0..=each {
                let on = bit < each
                    && bitmap
                        .get((bit / 8) as usize)
                        .is_some_and(|byte| byte & (1 << (bit % 8)) != 0);
                match (on, begun) {
                    (true, None) => begun = Some(bit),
                    (false, Some(from)) => {
                        set(start + from, start + bit);
                        begun = None;
                    }
                    _ => {}
                }
            }
        }
        Ok(whole.then_some(book))
    }
}
