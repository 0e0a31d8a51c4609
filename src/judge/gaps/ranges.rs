//! Sector ranges and their states, kept merged: neighbours of one state are one run.
//!
//! Invariant: runs never overlap, never touch a run of the same state, and are never empty; what
//! lies in no run is not wanted.

use std::collections::BTreeMap;

/// The state of a sector range.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum State {
    /// Wanted, nothing asked yet.
    Unasked,
    /// Its bytes are in the salvage image.
    InHand,
    /// Stalled or failed at a coarse request.
    PutOff,
    /// The drive answered with an error.
    Refused,
    /// Time ran out.
    NoAnswer,
    /// Two reads differed.
    Disputed,
    /// Outside the plan.
    NotWanted,
}

impl State {
    /// Every state.
    pub const ALL: [State; 7] = [
        State::Unasked,
        State::InHand,
        State::PutOff,
        State::Refused,
        State::NoAnswer,
        State::Disputed,
        State::NotWanted,
    ];

    /// The word of the interface.
    pub fn word(self) -> &'static str {
        match self {
            State::Unasked => "unasked",
            State::InHand => "in-hand",
            State::PutOff => "put-off",
            State::Refused => "refused",
            State::NoAnswer => "no-answer",
            State::Disputed => "disputed",
            State::NotWanted => "not-wanted",
        }
    }

    /// The state with this word.
    pub fn parse(word: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|state| state.word() == word)
    }

    /// Whether nothing more will be asked by itself: everything but unasked and put-off.
    pub fn is_final(self) -> bool {
        !matches!(self, State::Unasked | State::PutOff)
    }
}

/// One run of sectors in one state.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Stretch {
    /// First sector.
    pub first: u64,
    /// Number of sectors.
    pub count: u64,
    /// Their state.
    pub state: State,
}

impl Stretch {
    /// The sector after the last one.
    pub fn end(&self) -> u64 {
        self.first.saturating_add(self.count)
    }
}

/// A map of sector ranges to states.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Ranges {
    /// First sector to (end, state).
    runs: BTreeMap<u64, (u64, State)>,
}

impl Ranges {
    /// Nothing wanted.
    pub fn new() -> Self {
        Self::default()
    }

    /// Number of runs.
    pub fn len(&self) -> usize {
        self.runs.len()
    }

    /// Whether nothing is wanted.
    pub fn is_empty(&self) -> bool {
        self.runs.is_empty()
    }

    /// State of one sector.
    pub fn state(&self, sector: u64) -> State {
        match self.runs.range(..=sector).next_back() {
            Some((_, (end, state))) if *end > sector => *state,
            _ => State::NotWanted,
        }
    }

    /// Puts `first..end` into `state`, whatever it was, and merges with its neighbours.
    pub fn set(&mut self, first: u64, end: u64, state: State) {
        if first >= end {
            return;
        }
        let (mut first, mut end) = (first, end);
        // The run that reaches in from the left keeps its head.
        if let Some((&at, &(until, was))) = self.runs.range(..first).next_back()
            && until > first
        {
            self.runs.insert(at, (first, was));
            if until > end {
                self.runs.insert(end, (until, was));
            }
        }
        // Everything that starts inside goes; the last one keeps its tail.
        while let Some((&at, &(until, was))) = self.runs.range(first..end).next() {
            self.runs.remove(&at);
            if until > end {
                self.runs.insert(end, (until, was));
            }
        }
        if state == State::NotWanted {
            return;
        }
        if let Some((&at, &(until, was))) = self.runs.range(..first).next_back()
            && until == first
            && was == state
        {
            self.runs.remove(&at);
            first = at;
        }
        if let Some(&(until, was)) = self.runs.get(&end)
            && was == state
        {
            self.runs.remove(&end);
            end = until;
        }
        self.runs.insert(first, (end, state));
    }

    /// All runs in order.
    pub fn runs(&self) -> impl Iterator<Item = Stretch> + '_ {
        self.runs.iter().map(|(&first, &(end, state))| Stretch {
            first,
            count: end - first,
            state,
        })
    }

    /// `first..end` as stretches, the not-wanted ones included.
    pub fn within(&self, first: u64, end: u64) -> Vec<Stretch> {
        let mut out = Vec::new();
        let mut at = first;
        let before = self.runs.range(..first).next_back();
        let inside = self.runs.range(first..end);
        for (&run, &(until, state)) in before.into_iter().chain(inside) {
            let from = run.max(first);
            let to = until.min(end);
            if from >= to {
                continue;
            }
            if from > at {
                out.push(Stretch {
                    first: at,
                    count: from - at,
                    state: State::NotWanted,
                });
            }
            out.push(Stretch {
                first: from,
                count: to - from,
                state,
            });
            at = to;
        }
        if at < end {
            out.push(Stretch {
                first: at,
                count: end - at,
                state: State::NotWanted,
            });
        }
        out
    }

    /// Sectors in a state.
    pub fn count(&self, state: State) -> u64 {
        self.runs()
            .filter(|run| run.state == state)
            .map(|run| run.count)
            .sum()
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    #[test]
    fn words_go_both_ways() {
        for state in State::ALL {
            assert_eq!(State::parse(state.word()), Some(state));
        }
        assert_eq!(State::parse("bad"), None);
    }

    proptest! {
        #![proptest_config(ProptestConfig { failure_persistence: None, ..ProptestConfig::default() })]

        /// Against a plain array of states.
        #[test]
        fn agrees_with_a_plain_array(sets in proptest::collection::vec((0u64..60, 0u64..30, 0usize..7), 0..40)) {
            let mut plain = [State::NotWanted; 100];
            let mut ranges = Ranges::new();
            for (first, count, state) in sets {
                let state = State::ALL[state];
                ranges.set(first, first + count, state);
                for sector in first..first + count {
                    plain[sector as usize] = state;
                }
                for (sector, want) in plain.iter().enumerate() {
                    prop_assert_eq!(ranges.state(sector as u64), *want);
                }
                let runs: Vec<Stretch> = ranges.runs().collect();
                for pair in runs.windows(2) {
                    prop_assert!(pair[0].end() <= pair[1].first);
                    prop_assert!(pair[0].end() < pair[1].first || pair[0].state != pair[1].state);
                }
                let whole = ranges.within(0, 100);
                prop_assert_eq!(whole.iter().map(|run| run.count).sum::<u64>(), 100);
                for run in whole {
                    for sector in run.first..run.end() {
                        prop_assert_eq!(plain[sector as usize], run.state);
                    }
                }
                for state in State::ALL {
                    let count = plain.iter().filter(|s| **s == state).count() as u64;
                    if state != State::NotWanted {
                        prop_assert_eq!(ranges.count(state), count);
                    }
                }
            }
        }
    }
}
