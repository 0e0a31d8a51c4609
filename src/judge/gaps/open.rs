//! The gaps that are still open, and which of them comes next: value per expected second of drive
//! time, with everything near an error after everything else.
//!
//! Invariant: open gaps never overlap; each stands in exactly one of the two queues (ready, or
//! waiting for its time).

use super::Limits;
use std::collections::{BTreeMap, BTreeSet};

/// How a gap is asked for.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Approach {
    /// Long requests; leave at the first stall.
    Stride,
    /// Halve what was left, likelier half first.
    Narrow,
    /// One sector (one physical sector), one time limit.
    Single,
    /// Asked again after a rest.
    Revisit,
}

/// One open gap.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Gap {
    pub first: u64,
    pub end: u64,
    /// Worth of one sector.
    pub value: f64,
    pub approach: Approach,
    /// Lies within the margin of an error or stall.
    pub near: bool,
    /// Known to hold a bad place: asked as a whole and failed, or left over when the other half read.
    pub tested: bool,
    /// How often the drive vanished while this was asked.
    pub goes: u8,
    /// Strides in a row that failed just before this one.
    pub fails: u8,
    /// Revisits so far.
    pub tries: u8,
    /// Not before this moment, milliseconds of the caller's clock.
    pub due_ms: u64,
}

impl Gap {
    pub fn fresh(first: u64, end: u64, value: f64) -> Self {
        Self {
            first,
            end,
            value,
            approach: Approach::Stride,
            near: false,
            tested: false,
            goes: 0,
            fails: 0,
            tries: 0,
            due_ms: 0,
        }
    }

    /// The same with other borders.
    pub fn part(self, first: u64, end: u64) -> Self {
        Self { first, end, ..self }
    }

    /// Whether two neighbours may become one.
    fn joins(&self, other: &Gap) -> bool {
        self.approach == Approach::Stride
            && other.approach == Approach::Stride
            && self.near == other.near
            && self.fails == other.fails
            && self.tries == other.tries
            && self.value.to_bits() == other.value.to_bits()
            && self.goes == 0
            && other.goes == 0
    }

    fn key(&self, limits: &Limits) -> Key {
        let sectors = (self.end - self.first) as f64;
        let (tier, asked, reads, fail_ms) = match self.approach {
            Approach::Stride if !self.near => (0, sectors, 1.0, 0),
            Approach::Stride => (
                1,
                sectors.min(limits.near_stride_sectors as f64),
                // Bairavasundaram et al., SIGMETRICS 2007, 5.4.2: another error within 10 MB of one
                // in half of the cases; each failure in a row makes the next one likelier.
                0.5f64.powi(1 + i32::from(self.fails)),
                limits.fail_ms,
            ),
            Approach::Narrow => {
                let half = if self.tested { sectors / 2.0 } else { sectors };
                let reads = 0.5f64.powi(1 + i32::from(self.fails));
                (1, half, reads, limits.fail_ms)
            }
            Approach::Single => (1, limits.unit_sectors as f64, 0.3, limits.fail_ms),
            Approach::Revisit => (2, limits.unit_sectors as f64, 0.1, limits.fail_ms),
        };
        let seconds =
            asked / limits.sectors_per_second.max(1.0) + (1.0 - reads) * fail_ms as f64 / 1000.0;
        let rate = (self.value * asked * reads / seconds.max(1e-9)).max(f64::MIN_POSITIVE);
        Key {
            tier,
            // Two buckets for each doubling: like rates share a bucket and go in physical order.
            bucket: (-rate.log2() * 2.0).floor() as i32,
            first: self.first,
        }
    }
}

#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
struct Key {
    tier: u8,
    bucket: i32,
    first: u64,
}

/// All open gaps with their queues.
#[derive(Debug, Clone, Default)]
pub(super) struct Open {
    gaps: BTreeMap<u64, Gap>,
    ready: BTreeSet<Key>,
    waiting: BTreeSet<(u64, u64)>,
}

impl Open {
    pub fn len(&self) -> usize {
        self.gaps.len()
    }

    /// Adds a gap; unasked neighbours of one worth become one.
    pub fn add(&mut self, mut gap: Gap, limits: &Limits) {
        if gap.first >= gap.end {
            return;
        }
        if let Some(before) = self.gaps.range(..gap.first).next_back().map(|(_, g)| *g)
            && before.end == gap.first
            && before.joins(&gap)
        {
            self.take(before.first, limits);
            gap.first = before.first;
        }
        if let Some(after) = self.gaps.get(&gap.end).copied()
            && after.joins(&gap)
        {
            self.take(after.first, limits);
            gap.end = after.end;
        }
        if gap.due_ms > 0 {
            self.waiting.insert((gap.due_ms, gap.first));
        } else {
            self.ready.insert(gap.key(limits));
        }
        self.gaps.insert(gap.first, gap);
    }

    /// Takes the gap that starts at `first` out.
    pub fn take(&mut self, first: u64, limits: &Limits) -> Option<Gap> {
        let gap = self.gaps.remove(&first)?;
        self.waiting.remove(&(gap.due_ms, first));
        self.ready.remove(&gap.key(limits));
        Some(gap)
    }

    /// Takes the best gap out. Among gaps of like rate the one at or after `head` comes first, so
    /// that moving heads sweep. A resting gap is ready once its time has come.
    pub fn take_best(&mut self, head: u64, now_ms: u64, limits: &Limits) -> Option<Gap> {
        while let Some(&(due, first)) = self.waiting.first() {
            if due > now_ms {
                break;
            }
            self.waiting.pop_first();
            if let Some(gap) = self.gaps.get_mut(&first) {
                gap.due_ms = 0;
                self.ready.insert(gap.key(limits));
            }
        }
        let best = *self.ready.first()?;
        let from = Key {
            first: head,
            ..best
        };
        let key = self
            .ready
            .range(from..)
            .next()
            .filter(|key| key.tier == best.tier && key.bucket == best.bucket)
            .copied()
            .unwrap_or(best);
        self.take(key.first, limits)
    }

    /// Whether anything is ready that lies away from every known error and stall.
    pub fn has_clean(&self) -> bool {
        self.ready.first().is_some_and(|key| key.tier == 0)
    }

    /// When the next resting gap is due.
    pub fn next_due(&self) -> Option<u64> {
        self.waiting.first().map(|(due, _)| *due)
    }

    /// First sectors of the open gaps that overlap `first..end`.
    pub fn overlapping(&self, first: u64, end: u64) -> Vec<u64> {
        let before = self
            .gaps
            .range(..first)
            .next_back()
            .filter(|(_, gap)| gap.end > first);
        before
            .into_iter()
            .chain(self.gaps.range(first..end.max(first)))
            .map(|(at, _)| *at)
            .collect()
    }

    /// The gap that starts at `first`.
    pub fn get(&self, first: u64) -> Option<&Gap> {
        self.gaps.get(&first)
    }

    /// First sectors of every gap with this approach.
    pub fn with(&self, approach: Approach) -> Vec<u64> {
        self.gaps
            .values()
            .filter(|gap| gap.approach == approach)
            .map(|gap| gap.first)
            .collect()
    }
}
