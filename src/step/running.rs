//! The counts of a step that is under way, kept with each batch so that `show` need not count the rows.
//!
//! Invariant: kept counts are those of the rows as of one numbered fact. They are used only while
//! that fact is the newest, so they can be missing but never stale.

use crate::job::{Job, ledger_problem};
use crate::ledger::{Fact, GotRow, ItemRow, Ledger, LedgerError};
use crate::step::outcome::{ItemCounts, Problem};
use crate::step::state::{Recorded, item_state, proving, slot};
use serde::{Deserialize, Serialize};

/// The setting that holds them.
const KEY: &str = "running-counts";

#[derive(Serialize, Deserialize)]
struct Kept {
    fact: i64,
    counts: ItemCounts,
}

/// Counts that follow the rows one by one.
#[derive(Debug, Clone, Copy)]
pub struct RunningCounts {
    counts: ItemCounts,
    counting: u64,
    recorded: Recorded,
}

impl RunningCounts {
    /// Counts once, at the start of a step. No fact that changes what folders and links count as
    /// may be recorded between this and the last [`RunningCounts::keep`].
    pub fn start(job: &Job<'_>) -> Result<Self, Problem> {
        let facts = job.ledger.facts().map_err(|e| ledger_problem(&e))?;
        Ok(Self {
            counts: super::counts(job)?,
            counting: proving(job, &facts),
            recorded: Recorded::now(job, &facts)?,
        })
    }

    /// One row moved.
    pub fn moved(&mut self, item: &ItemRow, before: &GotRow, now: &GotRow) {
        let state = |got| item_state(item, got, self.counting, self.recorded);
        let (before, now) = (state(before), state(now));
        let from = slot(&mut self.counts, before);
        *from = from.saturating_sub(1);
        *slot(&mut self.counts, now) += 1;
    }

    /// Keeps them with the newest fact. Call last in the transaction that moved the rows.
    pub fn keep(&self, ledger: &Ledger) -> Result<(), LedgerError> {
        let fact = ledger.get("newest-fact")?;
        let Some(fact) = fact.and_then(|text| text.parse().ok()) else {
            return Ok(());
        };
        let counts = self.counts;
        let text = serde_json::to_string(&Kept { fact, counts }).unwrap_or_default();
        ledger.set(KEY, &text)
    }
}

/// The kept counts, if they are those of the newest of `facts`.
pub fn kept(ledger: &Ledger, facts: &[Fact]) -> Result<Option<ItemCounts>, LedgerError> {
    let newest = facts.last().map(|fact| fact.number);
    Ok(ledger
        .get(KEY)?
        .and_then(|text| serde_json::from_str::<Kept>(&text).ok())
        .filter(|kept| Some(kept.fact) == newest)
        .map(|kept| kept.counts))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::ledger::{FactBody, Got, Want};
    use crate::survey::item::{Kind, Marks};
    use crate::value::Moment;

    #[test]
    fn counts_follow_the_rows_and_hold_for_their_fact_only() {
        let ledger = Ledger::in_memory().unwrap();
        let mut running = RunningCounts {
            counts: ItemCounts {
                listed: 2,
                ..ItemCounts::default()
            },
            counting: 1,
            recorded: Recorded {
                sealed: false,
                verified: false,
                keys_given_up: false,
            },
        };
        let item = ItemRow::bare(1, Kind::File, Want::Wanted, Marks::default());
        let nothing = GotRow::nothing(1);
        let mut got = GotRow::nothing(1);
        (got.state, got.written) = (Got::Whole, 1);
        running.moved(&item, &nothing, &got);
        let at = Moment::from_seconds(1_764_028_800);
        let fact = |n| FactBody::Inspected {
            looked: n,
            doubtful: 0,
            false_content: None,
        };
        ledger.record(at, &fact(1)).unwrap();
        running.keep(&ledger).unwrap();
        let told = kept(&ledger, &ledger.facts().unwrap()).unwrap().unwrap();
        assert_eq!((told.listed, told.copied), (1, 1));
        ledger.record(at, &fact(2)).unwrap();
        assert_eq!(kept(&ledger, &ledger.facts().unwrap()).unwrap(), None);
    }
}
