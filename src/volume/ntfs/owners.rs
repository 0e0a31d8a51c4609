//! Whose is every cluster? The clusters that records claim, against the volume's own bitmap.
//!
//! Invariant: memory is bounded whatever the volume's size, because the volume is looked at in slices: the first one
//! along with the file table, while the drive reads on; each further one walks the compact notes once.

use super::pieces::Ground;
use super::raw::is_ascii;
use super::record::kind;
use super::runs::Runs;
use super::store::{Note, Row, Store};
use crate::port::{Fault, Sectors};
use crate::volume::filesystem::Accounts;
use crate::volume::stored::{Narrow, Ranges, Stored, push_range};

/// Clusters looked at together: 8 MiB of bits.
const SLICE: u64 = 64 << 20;
/// Ranges remembered at most; beyond it neighbours are joined (so too much is doubted, never too little).
const RANGES: usize = 100_000;

/// What came out.
#[derive(Debug, Default)]
pub struct Owners {
    /// Clusters claimed more than once.
    pub twice: Ranges,
    /// Clusters claimed, but free in the volume's bitmap.
    pub free: Ranges,
    /// Counting was given up: the claims are absurdly many, so every claim is doubted.
    pub absurd: bool,
}

/// Adds a range of clusters, coarsening when there are too many.
fn add(ranges: &mut Ranges, at: u64, clusters: u64) {
    if ranges.len() < RANGES {
        push_range(ranges, at, clusters);
    } else if let Some(last) = ranges.last_mut() {
        last.1 = at.saturating_add(clusters).saturating_sub(last.0);
    }
}

/// Whether a range touches any of the (ascending) ranges.
pub fn touches(ranges: &Ranges, at: u64, clusters: u64) -> bool {
    let end = at.saturating_add(clusters);
    let from = ranges.partition_point(|(first, n)| first.saturating_add(*n) <= at);
    ranges.get(from).is_some_and(|(first, _)| *first < end)
}

/// One bit per cluster of a slice.
pub struct Bits(Vec<u64>);

impl Bits {
    /// All clear.
    pub fn new(bits: u64) -> Self {
        Self(vec![0; usize::try_from(bits.div_ceil(64)).unwrap_or(0)])
    }

    /// The bits, lowest first.
    pub fn words(&self) -> &[u64] {
        &self.0
    }

    /// Sets bits `from..to`; what was set already is set in `twice`.
    pub fn claim(&mut self, twice: &mut Bits, from: u64, to: u64) {
        let mut word = from / 64;
        while word * 64 < to {
            let low = from.saturating_sub(word * 64).min(64);
            let high = (to - word * 64).min(64);
            let mask = ones(high) & !ones(low);
            let at = word as usize;
            if let (Some(own), Some(other)) = (self.0.get_mut(at), twice.0.get_mut(at)) {
                *other |= *own & mask;
                *own |= mask;
            }
            word += 1;
        }
    }
}

/// The lowest `count` bits.
pub fn ones(count: u64) -> u64 {
    if count >= 64 {
        u64::MAX
    } else {
        (1 << count) - 1
    }
}

/// Adds the set bits of one word as ranges.
pub fn ranges_of(mut word: u64, base: u64, out: &mut Ranges) {
    while word != 0 {
        let first = u64::from(word.trailing_zeros());
        let run = u64::from((word >> first).trailing_ones());
        add(out, base + first, run);
        if first + run >= 64 {
            break;
        }
        word &= !ones(first + run);
    }
}

/// What records claim of one slice of the volume.
pub struct Claims {
    from: u64,
    end: u64,
    /// Clusters of the whole volume, as it says itself.
    clusters: u64,
    own: Bits,
    twice: Bits,
    /// Clusters marked as bad by the file system.
    bad: u64,
    /// What may still be claimed. A sound volume claims each cluster once; a hostile one could keep us busy for ever.
    left: Option<u64>,
}

/// Clusters that the volume has within its partition: a boot sector may claim any size.
fn total(ground: &Ground) -> u64 {
    let cluster = ground.geometry.cluster_bytes.max(1);
    let room = ground.place.bytes.div_ceil(cluster);
    ground.geometry.clusters.min(room)
}

impl Claims {
    /// No claims yet of the slice from that cluster on.
    pub fn new(ground: &Ground, from: u64) -> Self {
        let end = from.saturating_add(SLICE).min(total(ground));
        let bits = end.saturating_sub(from);
        Self {
            from,
            end,
            clusters: ground.geometry.clusters,
            own: Bits::new(bits),
            twice: Bits::new(bits),
            bad: 0,
            left: Some(bits.saturating_mul(4).saturating_add(1 << 20)),
        }
    }

    /// Every record's claims of the slice from that cluster on.
    fn all(ground: &Ground, from: u64, store: &Store) -> Self {
        let mut claims = Self::new(ground, from);
        for row in store.rows.iter().chain(&store.extensions) {
            claims.add(store, row);
        }
        claims
    }

    /// Takes the claims of one record.
    fn add(&mut self, store: &Store, row: &Row) {
        for note in store.notes(row) {
            // Parts come first.
            let Note::Part {
                kind, name, list, ..
            } = note
            else {
                break;
            };
            self.part(row.number, kind, name, list);
        }
    }

    /// Takes the claims of one part of a record.
    pub fn part(&mut self, number: u32, kind: u32, name: &[u8], list: &[u8]) {
        let bad = number == 8 && kind == kind::DATA && is_ascii(name, "$Bad");
        for run in Runs::new(list, self.clusters).flatten() {
            let Some(first) = run.cluster else {
                continue;
            };
            let from = first.max(self.from);
            let to = first.saturating_add(run.clusters).min(self.end);
            if from >= to {
                continue;
            }
            self.left = self.left.and_then(|left| left.checked_sub(to - from));
            if self.left.is_none() {
                return;
            }
            if bad {
                self.bad = self.bad.saturating_add(to - from);
            }
            self.own
                .claim(&mut self.twice, from - self.from, to - self.from);
        }
    }
}

/// Counts everything into `accounts`. `first` holds the claims of the first slice; `bitmap` is the volume's own, `None` =
/// it cannot be read.
pub fn count(
    sectors: &dyn Sectors,
    ground: &Ground,
    store: &Store,
    first: Claims,
    bitmap: Option<&Stored>,
    accounts: &mut Accounts,
) -> Result<Owners, Fault> {
    let total = total(ground);
    accounts.cluster_bytes = ground.geometry.cluster_bytes;
    accounts.clusters = total;
    let mut out = Owners::default();
    let mut in_use = bitmap.map(|_| 0u64);
    let mut first = Some(first);
    let mut slice = 0u64;
    while slice < total {
        let claims = first
            .take()
            .unwrap_or_else(|| Claims::all(ground, slice, store));
        let end = claims.end;
        if claims.left.is_none() {
            accounts.in_use = None;
            out.absurd = true;
            out.twice = vec![(0, total)];
            return Ok(out);
        }
        accounts.marked_bad = accounts.marked_bad.saturating_add(claims.bad);
        let book = match bitmap {
            Some(bitmap) => read_book(sectors, bitmap, slice, end - slice)?,
            None => None,
        };
        if book.is_none() {
            in_use = None;
        }
        for (i, (own, twice)) in claims.own.0.iter().zip(&claims.twice.0).enumerate() {
            let base = slice + i as u64 * 64;
            accounts.owned += u64::from(own.count_ones());
            accounts.owned_twice += u64::from(twice.count_ones());
            ranges_of(*twice, base, &mut out.twice);
            if let Some(book) = &book {
                let used = book.get(i).copied().unwrap_or(0) & ones(end - base);
                in_use = in_use.map(|n| n + u64::from(used.count_ones()));
                accounts.in_use_without_owner += u64::from((used & !own).count_ones());
                let free = own & !used;
                accounts.owned_but_free += u64::from(free.count_ones());
                ranges_of(free, base, &mut out.free);
            }
        }
        slice = end;
    }
    accounts.in_use = in_use;
    Ok(out)
}

/// The bitmap's words for one slice (a multiple of 64 clusters from its start); `None` = unreadable.
fn read_book(
    sectors: &dyn Sectors,
    bitmap: &Stored,
    slice: u64,
    bits: u64,
) -> Result<Option<Vec<u64>>, Fault> {
    let wanted = bits.div_ceil(8);
    if bitmap.bytes() < (slice / 8).saturating_add(wanted) {
        return Ok(None);
    }
    let mut bytes = vec![0u8; usize::try_from(wanted).unwrap_or(0)];
    let mut missing = Ranges::new();
    bitmap.read(
        sectors,
        slice / 8,
        &mut bytes,
        Narrow::default(),
        &mut missing,
    )?;
    if !missing.is_empty() {
        return Ok(None);
    }
    Ok(Some(
        bytes
            .chunks(8)
            .map(|chunk| {
                let mut word = [0u8; 8];
                for (to, from) in word.iter_mut().zip(chunk) {
                    *to = *from;
                }
                u64::from_le_bytes(word)
            })
            .collect(),
    ))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn claims_and_collisions() {
        let mut own = Bits::new(300);
        let mut twice = Bits::new(300);
        own.claim(&mut twice, 10, 200);
        own.claim(&mut twice, 199, 260);
        own.claim(&mut twice, 0, 11);
        let mut ranges = Ranges::new();
        for (i, word) in twice.0.iter().enumerate() {
            ranges_of(*word, i as u64 * 64, &mut ranges);
        }
        assert_eq!(ranges, vec![(10, 1), (199, 1)]);
        assert_eq!(own.0.iter().map(|w| w.count_ones()).sum::<u32>(), 260);
        let mut all = Ranges::new();
        ranges_of(u64::MAX, 64, &mut all);
        ranges_of(u64::MAX, 128, &mut all);
        assert_eq!(all, vec![(64, 128)]);
        assert!(touches(&ranges, 5, 6) && touches(&ranges, 199, 1));
        assert!(!touches(&ranges, 11, 188) && !touches(&ranges, 200, 1000));
    }
}
