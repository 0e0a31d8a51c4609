//! Chains of clusters, as FAT and exFAT link them, and the book of who owns which cluster.
//!
//! Invariant: following a chain ends whatever the table says, and the steps of all chains together are bounded,
//! so that a million entries on one long chain cannot take for ever.

pub use super::bits::Bits;
use super::layout::{Coding, Layout, Piece};

/// What the table says behind one cluster.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Link {
    /// Goes on here.
    Next(u32),
    /// The chain ends properly.
    End,
    /// Marked as a bad cluster.
    Bad,
    /// Marked as free: the chain breaks off.
    Free,
    /// A number that no cluster has.
    Outside,
    /// Not readable in any copy.
    Unread,
}

/// How entries lie in the table.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum EntryForm {
    /// 12 bits.
    Bits12,
    /// 16 bits.
    Bits16,
    /// 32 bits, the upper four reserved.
    Bits28,
    /// 32 bits (exFAT).
    Bits32,
}

impl EntryForm {
    /// Bytes of a table with this many entries.
    pub fn table_bytes(self, entries: u64) -> u64 {
        match self {
            EntryForm::Bits12 => entries.saturating_mul(3).div_ceil(2),
            EntryForm::Bits16 => entries.saturating_mul(2),
            EntryForm::Bits28 | EntryForm::Bits32 => entries.saturating_mul(4),
        }
    }

    /// The entry of a cluster from the table's bytes; `None` = the table ends before.
    pub fn entry(self, raw: &[u8], cluster: u32) -> Option<u32> {
        let cluster = cluster as usize;
        match self {
            EntryForm::Bits12 => {
                let at = cluster.checked_add(cluster / 2)?;
                let pair = u16::from_le_bytes(super::bytes::array(raw, at)?);
                Some(u32::from(if cluster.is_multiple_of(2) {
                    pair & 0xFFF
                } else {
                    pair >> 4
                }))
            }
            EntryForm::Bits16 => super::bytes::array(raw, cluster.checked_mul(2)?)
                .map(|b| u16::from_le_bytes(b).into()),
            EntryForm::Bits28 => super::bytes::array(raw, cluster.checked_mul(4)?)
                .map(|b| u32::from_le_bytes(b) & 0x0FFF_FFFF),
            EntryForm::Bits32 => {
                super::bytes::array(raw, cluster.checked_mul(4)?).map(u32::from_le_bytes)
            }
        }
    }

    /// The number that marks a bad cluster; everything above it ends a chain.
    fn bad(self) -> u32 {
        match self {
            EntryForm::Bits12 => 0xFF7,
            EntryForm::Bits16 => 0xFFF7,
            EntryForm::Bits28 => 0x0FFF_FFF7,
            EntryForm::Bits32 => 0xFFFF_FFF7,
        }
    }
}

/// The allocation table, in memory.
#[derive(Debug, Clone)]
pub struct Table {
    raw: Vec<u8>,
    form: EntryForm,
    clusters: u32,
    /// The other copy, where it differs: it stands in for entries that cannot be.
    other: Vec<u8>,
    /// Clusters whose entry is not to be trusted: the copies differ, or it could not be read.
    pub doubtful: Bits,
}

impl Table {
    /// A table of `clusters` clusters (numbered from 2).
    pub fn new(raw: Vec<u8>, form: EntryForm, clusters: u32) -> Self {
        Self {
            raw,
            form,
            clusters,
            other: Vec::new(),
            doubtful: Bits::new(u64::from(clusters) + 2),
        }
    }

    /// Whether a cluster of this number exists.
    pub fn exists(&self, cluster: u32) -> bool {
        cluster >= 2 && cluster - 2 < self.clusters
    }

    /// Gives the table its other copy, for entries that cannot be: an entry that leads nowhere is damage where the
    /// copy goes on, because two copies do not both invent a sound chain.
    pub fn stand_in(&mut self, other: Vec<u8>) {
        self.other = other;
    }

    /// What follows the cluster: what this copy says, or where that cannot be (free, bad, outside) what the other one says.
    pub fn link(&self, cluster: u32) -> Link {
        let own = self.link_of(self.form.entry(&self.raw, cluster));
        if goes_on(own) {
            return own;
        }
        let other = self.link_of(self.form.entry(&self.other, cluster));
        if goes_on(other) {
            other
        } else if self.doubtful.has(cluster.into()) {
            // Copies that differ both go on: this entry was not read.
            Link::Unread
        } else {
            own
        }
    }

    /// What an entry says.
    pub fn link_of(&self, entry: Option<u32>) -> Link {
        match entry {
            None => Link::Outside,
            Some(0) => Link::Free,
            Some(entry) if self.exists(entry) => Link::Next(entry),
            Some(entry) if entry == self.form.bad() => Link::Bad,
            Some(entry) if entry > self.form.bad() => Link::End,
            Some(_) => Link::Outside,
        }
    }

    /// The raw entry, for the flags kept in entry 1.
    pub fn raw_entry(&self, cluster: u32) -> Option<u32> {
        // A zeroed table keeps no flags either.
        self.form
            .entry(&self.raw, cluster)
            .filter(|entry| *entry != 0)
            .or_else(|| self.form.entry(&self.other, cluster))
            .or_else(|| self.form.entry(&self.raw, cluster))
    }
}

/// Whether an entry can be part of a chain.
pub fn goes_on(link: Link) -> bool {
    matches!(link, Link::Next(_) | Link::End)
}

/// How a chain ended.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum ChainEnd {
    /// By its end mark, within the limit.
    Proper,
    /// It goes on behind the limit.
    Longer,
    /// It comes back to itself.
    Loop,
    /// It breaks off at this cluster.
    Broken(u32, Link),
    /// The bound on all steps together was reached.
    GivenUp,
}

/// One chain, as runs of neighbouring clusters.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Chain {
    /// First cluster and count of each run.
    pub runs: Vec<(u32, u32)>,
    /// Clusters in all runs.
    pub clusters: u64,
    /// How it ended.
    pub end: ChainEnd,
    /// Passes through an entry that is not to be trusted.
    pub doubtful: bool,
    /// Clusters up to the first entry that is not to be trusted: what follows it may be anything.
    pub sure: u64,
}

impl Chain {
    /// No clusters.
    pub fn empty() -> Self {
        Self {
            runs: Vec::new(),
            clusters: 0,
            end: ChainEnd::Proper,
            doubtful: false,
            sure: u64::MAX,
        }
    }

    fn push(&mut self, cluster: u32) {
        self.clusters += 1;
        match self.runs.last_mut() {
            Some((first, count)) if first.checked_add(*count) == Some(cluster) => *count += 1,
            _ => self.runs.push((cluster, 1)),
        }
    }

    /// Keeps the first `needed` clusters and hands over what hangs on behind them.
    fn split_off(&mut self, needed: u64) -> Chain {
        let mut tail = Chain::empty();
        if self.clusters <= needed {
            return tail;
        }
        tail.end = std::mem::replace(&mut self.end, ChainEnd::Proper);
        tail.clusters = self.clusters - needed;
        self.clusters = needed;
        self.doubtful &= self.sure <= needed;
        let mut left = needed;
        for (first, count) in &mut self.runs {
            let keep = u32::try_from(left).unwrap_or(u32::MAX).min(*count);
            if keep < *count {
                tail.runs.push((first.saturating_add(keep), *count - keep));
            }
            left -= u64::from(keep);
            *count = keep;
        }
        self.runs.retain(|(_, count)| *count > 0);
        tail
    }

    /// The end in words; `None` = proper.
    pub fn trouble(&self) -> Option<String> {
        match self.end {
            ChainEnd::Proper if self.doubtful => Some(
                "the copies of the allocation table disagree about its clusters, or could not be read".to_owned(),
            ),
            ChainEnd::Proper => None,
            ChainEnd::Longer => Some("its chain of clusters is longer than its size says".to_owned()),
            ChainEnd::Loop => Some("its chain of clusters runs in a circle".to_owned()),
            ChainEnd::Broken(_, Link::End) => Some(format!(
                "its chain ends after {} clusters, its size needs more",
                self.clusters
            )),
            ChainEnd::Broken(at, link) => Some(format!(
                "its chain of clusters breaks off behind {} clusters, at cluster {at}: {}",
                self.clusters,
                match link {
                    Link::Unread => "what follows could not be read in any copy of the allocation table",
                    Link::Free => "marked free",
                    Link::Bad => "marked bad",
                    _ => "no such cluster",
                }
            )),
            ChainEnd::GivenUp => Some(
                "so many chains share clusters that this one was not followed".to_owned(),
            ),
        }
    }
}

/// The cluster area of a volume and who owns what in it.
#[derive(Debug, Clone)]
pub struct Space {
    /// Byte of the drive where cluster 2 starts.
    pub first_byte: u64,
    /// Bytes of one cluster.
    pub cluster_bytes: u64,
    /// Clusters.
    pub clusters: u32,
    /// Owned by somebody.
    pub owned: Bits,
    /// Owned by two.
    pub twice: Bits,
    /// Hanging on behind a file's size: set aside in advance, or being written at a crash.
    spare: Bits,
    /// Spare, and somebody else's too.
    crossed: Bits,
    /// Clusters claimed by all items together.
    claimed: u64,
    steps_left: u64,
}

impl Space {
    /// Nobody owns anything.
    pub fn new(first_byte: u64, cluster_bytes: u64, clusters: u32) -> Self {
        let bits = u64::from(clusters) + 2;
        let mut space = Self {
            first_byte,
            cluster_bytes,
            clusters,
            owned: Bits::new(bits),
            twice: Bits::new(bits),
            spare: Bits::new(bits),
            crossed: Bits::new(bits),
            claimed: 0,
            steps_left: 0,
        };
        space.refill();
        space
    }

    /// Allows the steps of one more pass over all chains: on a sound volume every cluster is stepped on once.
    pub fn refill(&mut self) {
        self.steps_left = u64::from(self.clusters) * 4 + (1 << 20);
    }

    /// Byte of the drive where the cluster starts.
    pub fn at(&self, cluster: u32) -> u64 {
        self.first_byte
            .saturating_add(u64::from(cluster.saturating_sub(2)).saturating_mul(self.cluster_bytes))
    }

    /// Follows a chain for `limit` clusters at most. A circle is found by keeping one earlier cluster and moving it up
    /// in doubling distances (Brent 1980).
    pub fn follow(&mut self, table: &Table, start: u32, limit: u64) -> Chain {
        let mut chain = Chain::empty();
        let (mut here, mut kept, mut since, mut distance) = (start, start, 0u64, 1u64);
        if !table.exists(start) {
            chain.end = ChainEnd::Broken(start, Link::Outside);
            return chain;
        }
        loop {
            if chain.clusters >= limit {
                chain.end = ChainEnd::Longer;
                return chain;
            }
            if self.steps_left == 0 {
                chain.end = ChainEnd::GivenUp;
                return chain;
            }
            self.steps_left -= 1;
            chain.push(here);
            if table.doubtful.has(u64::from(here)) {
                chain.doubtful = true;
                chain.sure = chain.sure.min(chain.clusters);
            }
            match table.link(here) {
                Link::Next(next) => {
                    if next == kept {
                        chain.end = ChainEnd::Loop;
                        self.cut_circle(table, start, since + 1, &mut chain);
                        return chain;
                    }
                    since += 1;
                    if since == distance {
                        (kept, since, distance) = (next, 0, distance.saturating_mul(2));
                    }
                    here = next;
                }
                Link::End => {
                    chain.end = ChainEnd::Proper;
                    return chain;
                }
                link => {
                    chain.end = ChainEnd::Broken(here, link);
                    return chain;
                }
            }
        }
    }

    /// Follows the chain of a file that needs `needed` clusters: those, and what hangs on behind them.
    pub fn follow_file(&mut self, table: &Table, start: u32, needed: u64) -> (Chain, Chain) {
        let mut chain = self.follow(table, start, u64::MAX);
        let tail = chain.split_off(needed);
        if chain.end == ChainEnd::Proper && chain.clusters < needed {
            let last = chain.runs.last().map_or(0, |(first, count)| {
                first.saturating_add(*count).saturating_sub(1)
            });
            chain.end = ChainEnd::Broken(last, Link::End);
        }
        (chain, tail)
    }

    /// Keeps of a chain that runs in a circle of `round` clusters what comes before the first repetition (Brent 1980:
    /// two walkers, one circle apart, meet where it begins).
    fn cut_circle(&mut self, table: &Table, start: u32, round: u64, chain: &mut Chain) {
        let step = |at: u32| match table.link(at) {
            Link::Next(next) => next,
            _ => at,
        };
        let most = chain.clusters;
        let ahead = (0..round).fold(start, |at, _| step(at));
        let (mut behind, mut ahead, mut way) = (start, ahead, 0u64);
        while behind != ahead && way < most {
            (behind, ahead, way) = (step(behind), step(ahead), way + 1);
        }
        self.steps_left = self.steps_left.saturating_sub(round.saturating_add(way));
        let keep = way.saturating_add(round).min(most);
        let mut left = keep;
        for (_, count) in &mut chain.runs {
            *count = u32::try_from(left).unwrap_or(u32::MAX).min(*count);
            left -= u64::from(*count);
        }
        chain.runs.retain(|(_, count)| *count > 0);
        chain.clusters = keep;
    }

    /// A run of neighbouring clusters without links (exFAT).
    pub fn run(&mut self, start: u32, count: u64) -> Chain {
        let mut chain = Chain::empty();
        let room = u64::from(self.clusters).saturating_sub(u64::from(start.saturating_sub(2)));
        if start < 2 || room == 0 {
            chain.end = ChainEnd::Broken(start, Link::Outside);
            return chain;
        }
        let fits = count.min(room);
        if self.steps_left < fits {
            chain.end = ChainEnd::GivenUp;
            return chain;
        }
        self.steps_left -= fits;
        chain.clusters = fits;
        chain
            .runs
            .push((start, u32::try_from(fits).unwrap_or(u32::MAX)));
        if fits < count {
            chain.end = ChainEnd::Broken(start, Link::Outside);
        }
        chain
    }

    /// Books the clusters of a chain for one owner.
    pub fn claim(&mut self, chain: &Chain) {
        self.claimed = self.claimed.saturating_add(chain.clusters);
        for (first, count) in &chain.runs {
            for cluster in (u64::from(*first)..).take(*count as usize) {
                if self.owned.set(cluster) {
                    self.twice.set(cluster);
                }
            }
        }
    }

    /// Books what hangs on behind a file. It takes nothing away from those who need the same clusters.
    pub fn claim_spare(&mut self, tail: &Chain) {
        for (first, count) in &tail.runs {
            for cluster in (u64::from(*first)..).take(*count as usize) {
                if self.spare.set(cluster) {
                    self.crossed.set(cluster);
                }
            }
        }
    }

    /// Ends the booking: what is spare and nobody else's belongs to the file that it hangs on to.
    pub fn close_books(&mut self) {
        self.crossed.join(&self.spare.common(&self.owned));
        self.owned.join(&self.spare);
    }

    /// What is wrong with what hangs on behind a file; `None` = it is its own and ends properly. Call it after the booking.
    pub fn tail_trouble(&self, tail: &Chain) -> Option<String> {
        let crossed = tail.runs.iter().any(|(first, count)| {
            (u64::from(*first)..)
                .take(*count as usize)
                .any(|cluster| self.crossed.has(cluster))
        });
        (crossed || tail.end != ChainEnd::Proper).then(|| {
            let more = if crossed {
                "goes on into clusters of another item"
            } else {
                "does not end as it should"
            };
            format!("its chain of clusters is longer than its size says and {more}")
        })
    }

    /// Whether items claim several times more clusters than there are: then what two claim is not worth copying for each,
    /// or a few bytes of a hostile volume fill any destination.
    fn absurd(&self) -> bool {
        self.claimed > u64::from(self.clusters).saturating_mul(4)
    }

    /// Whether any cluster of the chain has a second owner.
    pub fn shared(&self, chain: &Chain) -> bool {
        chain.runs.iter().any(|(first, count)| {
            (u64::from(*first)..)
                .take(*count as usize)
                .any(|cluster| self.twice.has(cluster))
        })
    }

    /// The pieces of `bytes` bytes stored in this chain; what it does not cover, and what follows an entry that is not to be
    /// trusted is lost. What another item owns too can be read, and is worth more than nothing: the caller marks both.
    /// Call it after everything was booked.
    pub fn pieces(&self, chain: &Chain, bytes: u64) -> Vec<Piece> {
        let mut pieces: Vec<Piece> = Vec::with_capacity(chain.runs.len() + 1);
        let mut left = bytes;
        let mut place = 0u64;
        let absurd = self.absurd();
        for (first, count) in &chain.runs {
            let mut from = 0u32;
            while from < *count && left > 0 {
                let lost = |into: u32| {
                    place.saturating_add(u64::from(into)) >= chain.sure
                        || absurd && self.twice.has(u64::from(*first) + u64::from(into))
                };
                let is_lost = lost(from);
                let mut to = from + 1;
                while to < *count && lost(to) == is_lost {
                    to += 1;
                }
                let here = u64::from(to - from)
                    .saturating_mul(self.cluster_bytes)
                    .min(left);
                if is_lost {
                    lose(&mut pieces, here);
                } else {
                    let at = self.at(first.saturating_add(from));
                    pieces.push(Piece::Extent { at, bytes: here });
                }
                left -= here;
                from = to;
            }
            place = place.saturating_add(u64::from(*count));
        }
        lose(&mut pieces, left);
        pieces
    }

    /// A plain layout of `bytes` bytes in this chain, of which `valid` were ever written; an absurd length is cut, and told.
    pub fn layout(&self, chain: &Chain, bytes: u64, valid: u64) -> (Layout, Option<String>) {
        let mut layout = Layout {
            pieces: self.pieces(chain, bytes),
            coding: Coding::Plain,
            length: bytes,
            valid: valid.min(bytes),
        };
        layout.lose_tail();
        let room = u64::from(self.clusters).saturating_mul(self.cluster_bytes);
        let said = layout.cut_absurd(room, self.cluster_bytes);
        let why = said.map(|said| {
            format!(
                "it says that it is {said} bytes long, but only {} of them have a place on this volume",
                layout.described()
            )
        });
        (layout, why)
    }
}

/// Adds a lost stretch.
fn lose(pieces: &mut Vec<Piece>, more: u64) {
    match pieces.last_mut() {
        _ if more == 0 => {}
        Some(Piece::Lost { bytes }) => *bytes = bytes.saturating_add(more),
        _ => pieces.push(Piece::Lost { bytes: more }),
    }
}

#[cfg(test)]
#[path = "chain_tests.rs"]
mod tests;
