//! What to ask a weak drive next. One queue of gaps, ranked by value per expected second of drive
//! time; each gap carries its own approach, so that neighbours may be asked differently. There are
//! no passes: `stride` over what is whole, leave at the first stall, keep 10 MB away from every
//! error until everything else was asked (another error lies within 10 MB of one in half of the
//! cases, and most drives have all of theirs in one place; Bairavasundaram et al., SIGMETRICS 2007,
//! 5.4.2; Schroeder et al., FAST 2010), then `narrow` down to what is bad, ask it alone, and after
//! a rest once more.
//!
//! Pure: the caller passes the time, performs each request and reports the answer. Sectors and
//! milliseconds only.
//!
//! What is wanted may come bit by bit, file by file: the caller asks what is clean of each at once
//! ([`Gaps::next_clean`]) and everything else when nothing clean is left ([`Gaps::next`]).
//!
//! Invariants: no sector in hand is asked for again; nothing outside the plan is asked for; every
//! wanted sector ends as in hand, refused, unanswered or disputed (or stays put off, said as such,
//! when memory or patience ended first); the number of requests is bounded; the same answers give
//! the same questions. Memory: at most [`Limits::most_runs`] runs, then failures are no longer
//! split but stay put off.

mod open;
mod question;
mod ranges;
mod wanted;

pub use open::Approach;
use open::{Gap, Open};
pub use question::{Answer, Ask, Full, Limits, Next};
pub use ranges::{Ranges, State, Stretch};

struct Flight {
    ask: Ask,
    gap: Gap,
}

/// The queue of gaps of one drive.
pub struct Gaps {
    limits: Limits,
    ranges: Ranges,
    /// How an earlier run left what nobody has wanted in this one yet.
    earlier: Ranges,
    /// Everything near a known error or stall, wanted or not.
    zones: Ranges,
    open: Open,
    flight: Option<Flight>,
    /// Where the heads are: after the last request.
    head: u64,
    requests: u64,
    /// Strides in a row that failed away from known errors.
    streak: u32,
}

impl Gaps {
    /// An empty queue.
    pub fn new(limits: Limits) -> Self {
        Self {
            limits: Limits {
                unit_sectors: limits.unit_sectors.max(1),
                // Room for doubling without overflow.
                margin_sectors: limits.margin_sectors.min(1 << 50),
                stride_sectors: limits.stride_sectors.max(limits.unit_sectors).max(1),
                near_stride_sectors: limits.near_stride_sectors.max(limits.unit_sectors).max(1),
                ..limits
            },
            ranges: Ranges::new(),
            earlier: Ranges::new(),
            zones: Ranges::new(),
            open: Open::default(),
            flight: None,
            head: 0,
            requests: 0,
            streak: 0,
        }
    }

    fn zone(&mut self, first: u64, end: u64) {
        self.zones.set(first, end, State::PutOff);
    }

    /// No place is asked again from now on (the forecast no longer allows it); what was refused or
    /// not answered stays so.
    pub fn forbid_revisits(&mut self) {
        self.limits.revisits = 0;
        for first in self.open.with(Approach::Revisit) {
            self.open.take(first, &self.limits);
        }
    }

    /// The best request away from every known error and stall; `None` = nothing such is left.
    pub fn next_clean(&mut self, now_ms: u64) -> Option<Ask> {
        if self.flight.is_none() && !self.open.has_clean() {
            return None;
        }
        match self.next(now_ms) {
            Next::Ask(ask) if !ask.near_error && ask.approach == Approach::Stride => Some(ask),
            _ => None,
        }
    }

    /// What to do now; `now_ms` is the caller's clock, which never goes back. While a request is in
    /// flight the answer is that request.
    pub fn next(&mut self, now_ms: u64) -> Next {
        if let Some(flight) = &self.flight {
            return Next::Ask(flight.ask);
        }
        let Some(gap) = self.open.take_best(self.head, now_ms, &self.limits) else {
            return match self.open.next_due() {
                Some(until_ms) => Next::Rest { until_ms },
                None => Next::Done,
            };
        };
        let (first, end) = self.cut(&gap);
        let ask = Ask {
            first,
            count: end - first,
            approach: gap.approach,
            near_error: gap.near,
        };
        self.flight = Some(Flight { ask, gap });
        self.requests = self.requests.saturating_add(1);
        self.head = end;
        Next::Ask(ask)
    }

    /// Takes the answer to the request in flight; gives the stretches whose state changed, for
    /// the ledger. Nothing happens when no request is in flight.
    pub fn report(&mut self, answer: Answer, took_ms: u64, now_ms: u64) -> Vec<Stretch> {
        let Some(Flight { ask, gap }) = self.flight.take() else {
            return Vec::new();
        };
        let (first, end) = (ask.first, ask.first + ask.count);
        match answer {
            Answer::Got => self.got(gap, first, end, took_ms),
            Answer::Refused => self.failed(gap, first, end, State::Refused, now_ms),
            Answer::NoAnswer => self.failed(gap, first, end, State::NoAnswer, now_ms),
            Answer::Differs => self.differs(gap, first, end),
            Answer::Gone => {
                if gap.goes == 0 {
                    self.driven_away(gap, first, end)
                } else {
                    // Twice at the same place: the place itself is taken as what drives it away.
                    self.failed(gap, first, end, State::NoAnswer, now_ms)
                }
            }
        }
    }

    /// The part of a gap that the next request covers.
    fn cut(&self, gap: &Gap) -> (u64, u64) {
        let unit = self.limits.unit_sectors;
        match gap.approach {
            Approach::Stride => {
                let stride = if gap.near {
                    self.limits.near_stride_sectors
                } else {
                    self.limits.stride_sectors
                };
                let end = gap.first.saturating_add(stride);
                if end >= gap.end {
                    return (gap.first, gap.end);
                }
                if gap.near && self.likelier_right(gap) {
                    // Sectors in hand on the right: come from there, so that a dead zone is
                    // approached from both sides.
                    let from = gap.end - stride;
                    let even = from - from % unit;
                    return (if even > gap.first { even } else { from }, gap.end);
                }
                // End on a border of what the drive reads together.
                let even = end - end % unit;
                (gap.first, if even > gap.first { even } else { end })
            }
            Approach::Narrow if !gap.tested => (gap.first, gap.end),
            Approach::Narrow => {
                let middle = self.middle(gap);
                if self.likelier_right(gap) {
                    (middle, gap.end)
                } else {
                    (gap.first, middle)
                }
            }
            Approach::Single | Approach::Revisit => {
                (gap.first, next_border(gap.first, unit).min(gap.end))
            }
        }
    }

    /// A border of the drive's own units near the middle; strictly inside unless the gap is one unit.
    fn middle(&self, gap: &Gap) -> u64 {
        let unit = self.limits.unit_sectors;
        let middle = gap.first + (gap.end - gap.first) / 2;
        let even = middle - middle % unit;
        if even > gap.first {
            even
        } else {
            next_border(gap.first, unit).min(gap.end)
        }
    }

    /// Whether the right half is likelier to read: what borders on sectors in hand is.
    fn likelier_right(&self, gap: &Gap) -> bool {
        let hope = |state: State| match state {
            State::InHand => 2,
            State::Unasked | State::NotWanted => 1,
            State::PutOff | State::Refused | State::NoAnswer | State::Disputed => 0,
        };
        let left = match gap.first.checked_sub(1) {
            Some(sector) => hope(self.ranges.state(sector)),
            None => 1,
        };
        hope(self.ranges.state(gap.end)) > left
    }

    fn got(&mut self, gap: Gap, first: u64, end: u64, took_ms: u64) -> Vec<Stretch> {
        self.ranges.set(first, end, State::InHand);
        let calm = Gap {
            goes: 0,
            fails: 0,
            ..gap
        };
        if gap.approach == Approach::Stride {
            if !gap.near {
                self.streak = 0;
            }
            self.hope(first, end);
        }
        for (from, to) in [(gap.first, first), (end, gap.end)] {
            if from >= to {
                continue;
            }
            let rest = calm.part(from, to);
            // What is left of a tested gap holds the bad place, though it was never asked alone.
            if gap.approach == Approach::Narrow && self.is_unit(from, to) {
                self.open.add(
                    Gap {
                        approach: Approach::Single,
                        ..rest
                    },
                    &self.limits,
                );
            } else {
                self.open.add(rest, &self.limits);
            }
        }
        if took_ms >= self.limits.stall_ms && gap.approach == Approach::Stride {
            self.keep_away(first, end, self.limits.margin_sectors);
        }
        vec![Stretch {
            first,
            count: end - first,
            state: State::InHand,
        }]
    }

    /// What borders on sectors that just read is asked with fresh hope.
    fn hope(&mut self, first: u64, end: u64) {
        for at in self
            .open
            .overlapping(first.saturating_sub(1), end.saturating_add(1))
        {
            if self
                .open
                .get(at)
                .is_some_and(|gap| gap.approach == Approach::Stride && gap.fails > 0)
                && let Some(gap) = self.open.take(at, &self.limits)
            {
                self.open.add(Gap { fails: 0, ..gap }, &self.limits);
            }
        }
    }

    /// Two readings of one place differ, and nobody can tell which is right: it is not asked a third time.
    fn differs(&mut self, gap: Gap, first: u64, end: u64) -> Vec<Stretch> {
        let gap = Gap {
            tested: false,
            ..gap
        };
        self.open.add(gap.part(gap.first, first), &self.limits);
        self.open.add(gap.part(end, gap.end), &self.limits);
        self.ranges.set(first, end, State::Disputed);
        vec![Stretch {
            first,
            count: end - first,
            state: State::Disputed,
        }]
    }

    /// The drive vanished at this request: should it come back, this place comes last.
    fn driven_away(&mut self, gap: Gap, first: u64, end: u64) -> Vec<Stretch> {
        // Which half of a gap holds its bad place is not known yet.
        let gap = Gap {
            tested: false,
            ..gap
        };
        self.open.add(gap.part(gap.first, first), &self.limits);
        self.open.add(gap.part(end, gap.end), &self.limits);
        let here = Gap {
            goes: 1,
            near: true,
            ..gap.part(first, end)
        };
        self.open.add(here, &self.limits);
        self.zone(first, end);
        if gap.approach == Approach::Revisit {
            // What it was before stands.
            return Vec::new();
        }
        self.ranges.set(first, end, State::PutOff);
        vec![Stretch {
            first,
            count: end - first,
            state: State::PutOff,
        }]
    }

    fn failed(&mut self, gap: Gap, first: u64, end: u64, how: State, now_ms: u64) -> Vec<Stretch> {
        let near = Gap {
            near: true,
            goes: 0,
            ..gap
        };
        // What of the gap was not asked.
        for (from, to) in [(gap.first, first), (end, gap.end)] {
            if from >= to {
                continue;
            }
            let rest = match gap.approach {
                // The other half of a tested gap: no longer known to be bad.
                Approach::Narrow => Gap {
                    tested: false,
                    ..near.part(from, to)
                },
                Approach::Stride if gap.near => {
                    self.leave_stride(near, from, to, from == end);
                    continue;
                }
                _ => Gap {
                    goes: 0,
                    ..gap.part(from, to)
                },
            };
            self.open.add(rest, &self.limits);
        }
        let failed = near.part(first, end);
        let state = if self.is_unit(first, end) {
            self.unit_failed(failed, how, now_ms)
        } else if self.crowded() {
            // No room to split: it stays put off, and is said to be.
            State::PutOff
        } else {
            self.open.add(
                Gap {
                    approach: Approach::Narrow,
                    tested: true,
                    fails: match gap.approach {
                        Approach::Stride if !gap.near => self.streak.min(40) as u8,
                        Approach::Stride => gap.fails,
                        _ => gap.fails.saturating_add(1).min(40),
                    },
                    ..failed
                },
                &self.limits,
            );
            State::PutOff
        };
        self.ranges.set(first, end, state);
        if gap.approach == Approach::Stride {
            // Failure after failure is a dead zone: each leap is twice as long, up to 64 margins.
            let leap = self.limits.margin_sectors << self.streak.min(6);
            if !gap.near {
                self.streak = self.streak.saturating_add(1);
            }
            self.keep_away(first, end, leap);
        }
        vec![Stretch {
            first,
            count: end - first,
            state,
        }]
    }

    /// What is left of a stride near an error after it failed: the next stretch is likelier bad too,
    /// so the rest is halved and the far half comes first. That finds the end of a dead zone in a
    /// few questions instead of one for each stride. `to_right`: the rest lies right of the failure.
    fn leave_stride(&mut self, gap: Gap, first: u64, end: u64, to_right: bool) {
        let rest = gap.part(first, end);
        let likelier_bad = Gap {
            fails: gap.fails.saturating_add(1).min(40),
            ..rest
        };
        if (end - first) / 4 <= self.limits.near_stride_sectors || self.crowded() {
            self.open.add(likelier_bad, &self.limits);
            return;
        }
        let middle = self.middle(&rest);
        let (left, right) = if to_right {
            (likelier_bad, rest)
        } else {
            (rest, likelier_bad)
        };
        self.open.add(left.part(first, middle), &self.limits);
        self.open.add(right.part(middle, end), &self.limits);
    }

    /// One unit did not read: ask it later, or leave it.
    fn unit_failed(&mut self, gap: Gap, how: State, now_ms: u64) -> State {
        let again = u8::from(gap.approach == Approach::Revisit);
        let tries = gap.tries.saturating_add(again);
        if tries < self.limits.revisits {
            self.open.add(
                Gap {
                    approach: Approach::Revisit,
                    tries,
                    due_ms: now_ms.saturating_add(self.limits.revisit_rest_ms).max(1),
                    ..gap
                },
                &self.limits,
            );
        }
        how
    }

    /// Unasked gaps within the margin before `first` and `leap` after `end` come last from now on.
    fn keep_away(&mut self, first: u64, end: u64, leap: u64) {
        let from = first.saturating_sub(self.limits.margin_sectors);
        let to = end.saturating_add(leap);
        self.zone(from, to);
        for at in self.open.overlapping(from, to) {
            let clean = self
                .open
                .get(at)
                .is_some_and(|gap| gap.approach == Approach::Stride && !gap.near);
            if !clean {
                continue;
            }
            if let Some(gap) = self.open.take(at, &self.limits) {
                let (a, b) = (gap.first.max(from), gap.end.min(to));
                self.open.add(gap.part(gap.first, a), &self.limits);
                self.open.add(gap.part(b, gap.end), &self.limits);
                self.open.add(
                    Gap {
                        near: true,
                        ..gap.part(a, b)
                    },
                    &self.limits,
                );
            }
        }
    }

    /// Whether nothing in `first..end` can be asked apart.
    fn is_unit(&self, first: u64, end: u64) -> bool {
        next_border(first, self.limits.unit_sectors) >= end
    }

    fn crowded(&self) -> bool {
        self.ranges.len().saturating_add(self.open.len()) >= self.limits.most_runs
    }

    /// The states of all wanted sectors, merged.
    pub fn ranges(&self) -> &Ranges {
        &self.ranges
    }

    /// Requests made so far.
    pub fn requests(&self) -> u64 {
        self.requests
    }

    /// Whether any of these sectors still is to be asked.
    pub fn is_open(&self, first: u64, count: u64) -> bool {
        let end = first.saturating_add(count);
        let flying = |flight: &Flight| flight.gap.first < end && flight.gap.end > first;
        self.flight.as_ref().is_some_and(flying) || !self.open.overlapping(first, end).is_empty()
    }

    /// Open gaps, the one in flight included.
    pub fn open(&self) -> usize {
        self.open.len() + usize::from(self.flight.is_some())
    }
}

/// A worth that can be ranked.
fn worth(value: f64) -> f64 {
    if value.is_finite() && value > 0.0 {
        value
    } else {
        f64::MIN_POSITIVE
    }
}

/// The next multiple of `unit` after `at`.
fn next_border(at: u64, unit: u64) -> u64 {
    (at - at % unit).saturating_add(unit)
}

#[cfg(test)]
mod tests;
