//! Why a run of `copy` did less than was asked: a destination away, given up, without room; a source gone.
//!
//! Invariant: whatever was not carried has its reason in the result itself; a warning beside it is not enough.

use super::carry::Errand;
use crate::job::Job;
use crate::port::{Destination, Fault};
use crate::step::outcome::Problem;
use crate::value::measure::bytes_in_words;

/// A file of less is not looked at before it is carried: room for it is there, or the destination is at its end anyway.
const LARGE: u64 = 8 << 20;
/// What stays free beside a large file, for everything that comes after it.
const SPARE: u64 = 1 << 20;

/// What kept a run from doing all of its work.
#[derive(Debug, Default)]
pub struct Short {
    /// Destinations that were not there from the start.
    pub away: Vec<(usize, Fault)>,
    /// Destinations that were given up on the way.
    pub failed: Vec<(usize, Fault)>,
    /// By destination: how many large files it has no room for, and the first of them.
    pub passed: Vec<(usize, u64, String)>,
}

impl Short {
    /// Passes a large file over at the destinations in `mask` that have no room for it, so that smaller ones still get
    /// theirs. `false` = no destination is left that it could be carried to.
    pub fn has_room(
        &mut self,
        errand: &mut Errand,
        destinations: &[Option<&dyn Destination>],
        mask: u64,
    ) -> bool {
        let bytes = errand.item.bytes;
        let lacking = errand.lacking(mask);
        if bytes < LARGE {
            return true;
        }
        for (number, destination) in destinations.iter().enumerate() {
            let bit = 1 << number;
            let takes = |to: &dyn Destination| {
                let free = to.facts().map_or(u64::MAX, |facts| facts.free_bytes);
                let has = |bytes: u64| free >= bytes.saturating_add(SPARE);
                // Whether holes take no room there is tried, so only where it matters.
                let held = errand.item.held();
                has(bytes) || held < bytes && has(held) && to.keeps_holes()
            };
            if destination.is_none_or(|to| lacking & bit == 0 || takes(to)) {
                continue;
            }
            errand.passed |= bit;
            match self.passed.iter_mut().find(|(known, ..)| *known == number) {
                Some((_, count, _)) => *count += 1,
                None => {
                    let first = format!("{} ({})", errand.item.name.text(), bytes_in_words(bytes));
                    self.passed.push((number, 1, first));
                }
            }
        }
        lacking & !errand.passed != 0
    }

    /// The reasons in words, one for each destination; `stopped` = why the run ended early, if nobody asked for that.
    fn reasons(&self, job: &Job<'_>, stopped: Option<&str>) -> Vec<String> {
        let at = |number: &usize| {
            let kept = job.setup.destinations.get(*number);
            kept.map(|kept| kept.to.text.clone()).unwrap_or_default()
        };
        let away = self
            .away
            .iter()
            .map(|(number, fault)| format!("{} is not here as it was: {fault}", at(number)));
        let failed = self
            .failed
            .iter()
            .map(|(number, fault)| format!("nothing more was written to {}: {fault}", at(number)));
        let passed = self.passed.iter().map(|(number, count, first)| {
            let more = match count - 1 {
                0 => String::new(),
                more => format!(" and {more} more"),
            };
            format!("{} has no room for {first}{more}", at(number))
        });
        let stopped = stopped.map(str::to_owned);
        stopped
            .into_iter()
            .chain(away)
            .chain(failed)
            .chain(passed)
            .collect()
    }

    /// Why the run did less than was asked; `None` = it did not.
    pub fn problem(&self, job: &Job<'_>, stopped: Option<&str>) -> Option<Problem> {
        let reasons = self.reasons(job, stopped);
        (!reasons.is_empty()).then(|| {
            Problem::stopped(
                format!(
                    "not everything was copied everywhere: {}",
                    reasons.join("; ")
                ),
                job.shown(),
                "put right what stands in the way, then go on from there:\nholdpoint copy JOB",
            )
        })
    }
}
