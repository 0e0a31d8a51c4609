//! What the papers say of copies in doubt: how many, the first by name, all by folder, and the list of all.
//!
//! Invariant: a copy that was accepted with its doubt is listed like the others: it may not open all the same.

use crate::job::{Job, ledger_problem};
use crate::ledger::doubts::DoubtRow;
use crate::ledger::{Fact, LedgerError};
use crate::paper::account::{Doubtful, FIRST};
use crate::step::doubts::{self, Doubts};
use crate::step::outcome::Problem;
use crate::value::{Amount, shown};
use std::collections::BTreeMap;

/// The file beside the paper that lists them all.
pub const FILE: &str = "doubtful.txt";

/// For the papers.
pub fn of(job: &Job<'_>, facts: &[Fact]) -> Result<Doubtful, Problem> {
    let failed = |e: LedgerError| ledger_problem(&e);
    let Some(found) = Doubts::of(job, facts).map_err(failed)? else {
        return Ok(Doubtful::default());
    };
    let mut out = Doubtful {
        all: Amount::new(found.told.items, found.told.bytes),
        ..Doubtful::default()
    };
    let mut folders: BTreeMap<String, Amount> = BTreeMap::new();
    for row in &found.rows {
        let path = doubts::path(job, row.item).map_err(failed)?;
        let folder = path.rsplit_once('/').map_or("", |(folder, _)| folder);
        let amount = folders.entry(folder.to_owned()).or_default();
        *amount = amount.plus(Amount::new(1, row.bytes));
        if out.first.len() < FIRST {
            out.first.push((path, row.bytes));
        }
    }
    out.by_folder = folders.into_iter().collect();
    out.by_folder
        .sort_by_key(|(_, amount)| std::cmp::Reverse(amount.items));
    out.by_folder.truncate(FIRST);
    Ok(out)
}

/// All of them, a path a line.
pub fn list(job: &Job<'_>, facts: &[Fact]) -> Result<String, Problem> {
    let failed = |e: LedgerError| ledger_problem(&e);
    let found = Doubts::of(job, facts).map_err(failed)?;
    let rows = found.map(|found| found.rows).unwrap_or_default();
    let mut out = String::new();
    for path in paths(job, rows.iter()).map_err(failed)? {
        out.push_str(&shown(&path));
        out.push('\n');
    }
    Ok(out)
}

/// The first of those that a decision accepted.
pub fn accepted(job: &Job<'_>, waiver: i64) -> Result<Vec<String>, Problem> {
    let failed = |e: LedgerError| ledger_problem(&e);
    let rows = job.ledger.doubts().map_err(failed)?;
    let these = rows.iter().filter(|row| row.waiver == waiver);
    paths(job, these.take(FIRST)).map_err(failed)
}

fn paths<'r>(
    job: &Job<'_>,
    rows: impl Iterator<Item = &'r DoubtRow>,
) -> Result<Vec<String>, LedgerError> {
    rows.map(|row| doubts::path(job, row.item)).collect()
}
