//! What enters the queue: ranges as an item wants them, and how earlier runs (or another way of asking) left them.
//!
//! Invariant: what has a state in this run keeps it, so nothing in hand and nothing that had its last answer is opened.

use super::open::{Approach, Gap};
use super::{Full, Gaps, State, Stretch, worth};

impl Gaps {
    /// Wants `count` sectors from `first`, each worth `value_per_sector` (any unit; what is no
    /// positive number counts as almost nothing). What has a state already keeps it, so the most
    /// precious should be wanted first. What an earlier run put off is asked in small strides;
    /// places that it left refused or unanswered are asked once more, not before `revisit_at_ms`.
    ///
    /// # Errors
    /// [`Full`] when the queue holds too many separate ranges; what was added stays.
    pub fn want(
        &mut self,
        first: u64,
        count: u64,
        value_per_sector: f64,
        revisit_at_ms: u64,
    ) -> Result<(), Full> {
        let end = first.saturating_add(count);
        let value = worth(value_per_sector);
        for part in self.ranges.within(first, end) {
            if part.state != State::NotWanted {
                continue;
            }
            for then in self.earlier.within(part.first, part.end()) {
                for zone in self.zones.within(then.first, then.end()) {
                    if self.crowded() {
                        return Err(Full {
                            first: zone.first,
                            end,
                            most: self.limits.most_runs,
                        });
                    }
                    let near = zone.state != State::NotWanted;
                    let gap = Gap {
                        near,
                        ..Gap::fresh(zone.first, zone.end(), value)
                    };
                    self.take_up(gap, then.state, revisit_at_ms);
                }
            }
            self.earlier.set(part.first, part.end(), State::NotWanted);
        }
        Ok(())
    }

    /// Opens what is wanted, as an earlier run left it.
    fn take_up(&mut self, gap: Gap, then: State, revisit_at_ms: u64) {
        let (state, open) = match then {
            State::Unasked | State::NotWanted | State::InHand => (State::Unasked, Some(gap)),
            // Should the drive vanish here again, the place is what drives it away.
            State::PutOff => (State::PutOff, Some(Gap { goes: 1, ..gap })),
            State::Refused | State::NoAnswer => {
                let again = Gap {
                    approach: Approach::Revisit,
                    tries: self.limits.revisits.saturating_sub(1),
                    due_ms: revisit_at_ms,
                    ..gap
                };
                (then, (self.limits.revisits > 0).then_some(again))
            }
            State::Disputed => (then, None),
        };
        self.ranges.set(gap.first, gap.end, state);
        if let Some(gap) = open {
            self.open.add(gap, &self.limits);
        }
    }

    /// Wants sectors that failed once already when they were asked by another way than this queue's, and that it knows
    /// nothing of: they come after everything that is away from an error, and none of them is asked alone more than once.
    ///
    /// # Errors
    /// As [`Gaps::want`].
    pub fn want_again(
        &mut self,
        first: u64,
        count: u64,
        value_per_sector: f64,
    ) -> Result<(), Full> {
        let end = first.saturating_add(count);
        for part in self.ranges.within(first, end) {
            if part.state != State::NotWanted {
                continue;
            }
            for then in self.earlier.within(part.first, part.end()) {
                if then.state != State::NotWanted {
                    continue;
                }
                if self.crowded() {
                    return Err(Full {
                        first: then.first,
                        end,
                        most: self.limits.most_runs,
                    });
                }
                self.keep_away(then.first, then.end(), self.limits.margin_sectors);
                self.ranges.set(then.first, then.end(), State::PutOff);
                let gap = Gap {
                    near: true,
                    goes: 1,
                    tries: self.limits.revisits,
                    ..Gap::fresh(then.first, then.end(), worth(value_per_sector))
                };
                self.open.add(gap, &self.limits);
            }
        }
        Ok(())
    }

    /// Takes up a row of the ledger from an earlier run. What was in hand stays in hand; anything else is taken up
    /// when it is wanted again.
    pub fn load(&mut self, row: Stretch) {
        let (first, end) = (row.first, row.end());
        match row.state {
            State::InHand => {
                self.ranges.set(first, end, State::InHand);
                self.earlier.set(first, end, State::NotWanted);
            }
            state => {
                self.ranges.set(first, end, State::NotWanted);
                self.earlier.set(first, end, state);
                if matches!(state, State::PutOff | State::Refused | State::NoAnswer) {
                    let margin = self.limits.margin_sectors;
                    self.zone(first.saturating_sub(margin), end.saturating_add(margin));
                }
            }
        }
    }

    /// What was in hand is lost again: it is asked for when it is wanted the next time.
    pub fn lose(&mut self, first: u64, count: u64) {
        for part in self.ranges.within(first, first.saturating_add(count)) {
            if part.state == State::InHand {
                self.ranges.set(part.first, part.end(), State::NotWanted);
            }
        }
    }
}
