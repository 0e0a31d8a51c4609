//! What the newest inspection put in doubt, and what was decided about single copies of it.
//!
//! Invariant: a copy is out of doubt only by a decision that froze exactly the copies it accepted; where the rows do not
//! have the digest of the inspection's own fact, all that it found stays in doubt.

use crate::job::{Job, ledger_problem};
use crate::judge::gate::set_entry;
use crate::judge::gate_content::FalseContentNow;
use crate::ledger::doubts::DoubtRow;
use crate::ledger::facts::{FalseContent, Waiver};
use crate::ledger::{Fact, FactBody, ItemRow, LedgerError, standing};
use crate::read::places::Places;
use crate::step::outcome::{DecidedBy, Problem};
use crate::step::request::WaiveRequest;
use crate::survey::item::Class;
use crate::value::Blake3;
use crate::value::words::{WaiverScope, Who};

/// The id of the open point.
pub const ID: &str = "doubtful-content";

/// What an inspection found that still says something about the copies as they are.
pub struct Doubts<'a> {
    /// Copies that were looked into.
    pub looked: u64,
    /// What it found, as its fact says it.
    pub told: &'a FalseContent,
    /// Each of them; empty when they are not known one by one.
    pub rows: Vec<DoubtRow>,
}

impl<'a> Doubts<'a> {
    /// Of the newest inspection; one from before the last write says nothing about the copies as they are.
    ///
    /// # Errors
    /// When the ledger cannot be read.
    pub fn of(job: &Job<'_>, facts: &'a [Fact]) -> Result<Option<Self>, LedgerError> {
        let last_write = standing::last_write(facts).map_or(0, |fact| fact.number);
        let newest = facts.iter().rev().find_map(|fact| match &fact.body {
            FactBody::Inspected {
                looked,
                false_content,
                ..
            } => Some((fact.number, *looked, false_content.as_ref())),
            _ => None,
        });
        let Some((number, looked, Some(told))) = newest else {
            return Ok(None);
        };
        if number < last_write {
            return Ok(None);
        }
        let mut rows = job.ledger.doubts()?;
        if digest(&rows) != told.set_hash {
            rows.clear();
        }
        Ok(Some(Self { looked, told, rows }))
    }

    /// Those that no decision about single copies accepted.
    pub fn undecided(&self, facts: &[Fact]) -> Vec<&DoubtRow> {
        let mut out: Vec<&DoubtRow> = self.rows.iter().collect();
        for fact in facts {
            let FactBody::Waived { waiver, .. } = &fact.body else {
                continue;
            };
            let of = |row: &&DoubtRow| row.waiver == waiver.number;
            if waiver.scope == WaiverScope::Doubtful
                && digest(self.rows.iter().filter(of)) == waiver.set_hash
            {
                out.retain(|row| !of(row));
            }
        }
        out
    }

    /// As the gate weighs it; `None` = every copy was decided about.
    ///
    /// # Errors
    /// When the ledger cannot be read.
    pub fn now(
        &self,
        job: &Job<'_>,
        facts: &[Fact],
    ) -> Result<Option<FalseContentNow>, LedgerError> {
        let whole = FalseContentNow {
            looked: self.looked,
            items: self.told.items,
            bytes: self.told.bytes,
            irreplaceable: self.told.irreplaceable,
            example: self.told.example.clone(),
            set: self.told.set_hash,
        };
        let rest = self.undecided(facts);
        if rest.len() == self.rows.len() {
            return Ok(Some(whole));
        }
        let Some(first) = rest.first() else {
            return Ok(None);
        };
        Ok(Some(FalseContentNow {
            items: rest.len() as u64,
            bytes: rest.iter().map(|row| row.bytes).sum(),
            irreplaceable: precious(rest.iter().copied()),
            example: path(job, first.item)?,
            set: digest(rest.iter().copied()),
            ..whole
        }))
    }
}

/// Where an item was, as the interface shows it.
///
/// # Errors
/// When the ledger cannot be read.
pub fn path(job: &Job<'_>, item: i64) -> Result<String, LedgerError> {
    let Some((item, _)) = job.ledger.item(item)? else {
        return Ok(String::new());
    };
    let place = Places::new(&job.ledger).of(item.parent)?;
    Ok(place.path_of(&item).text())
}

fn precious<'r>(rows: impl Iterator<Item = &'r DoubtRow>) -> u64 {
    rows.filter(|row| row.class == Class::Irreplaceable).count() as u64
}

/// The digest over some of them, in the order of their items.
fn digest<'r>(rows: impl IntoIterator<Item = &'r DoubtRow>) -> Blake3 {
    let mut set = blake3::Hasher::new();
    for row in rows {
        set.update(&set_entry(row.item, row.bytes, row.modified_ns, 0));
    }
    Blake3(*set.finalize().as_bytes())
}

/// Records that the copies of `items` that are in doubt are kept as they are; `None` = none of them is in doubt.
///
/// # Errors
/// When whoever decided may not, or the ledger cannot be written.
pub fn accept<'r>(
    job: &Job<'_>,
    request: &WaiveRequest,
    items: impl Iterator<Item = &'r ItemRow>,
    blank: Waiver,
) -> Result<Option<Waiver>, Problem> {
    let facts = job.ledger.facts().map_err(|e| ledger_problem(&e))?;
    let Some(doubts) = Doubts::of(job, &facts).map_err(|e| ledger_problem(&e))? else {
        return Ok(None);
    };
    let rest = digest(doubts.undecided(&facts));
    // All of them were accepted together, as a point: one more decision would take that one apart.
    if facts.iter().any(|fact| matches!(&fact.body, FactBody::Waived { waiver, .. } if waiver.is_about(WaiverScope::Point, ID) && waiver.set_hash == rest))
    {
        return Ok(None);
    }
    let named: std::collections::BTreeSet<i64> = items.map(|item| item.id).collect();
    let mut set = doubts.undecided(&facts);
    set.retain(|row| named.contains(&row.item));
    if set.is_empty() {
        return Ok(None);
    }
    match job.policy.who_waives(ID) {
        Who::Owner if request.decided_by != DecidedBy::Owner => {
            return Err(super::waive::only_the_owner(job));
        }
        Who::Nobody => {
            return Err(Problem::failed(
                format!("\"{ID}\" cannot be given up by anybody under this policy"),
                job.shown(),
                "look for better ones elsewhere on the drive, in older copies, in cloud accounts",
            ));
        }
        Who::Owner | Who::Technician => {}
    }
    let waiver = Waiver {
        items: set.len() as u64,
        bytes: set.iter().map(|row| row.bytes).sum(),
        set_hash: digest(set.iter().copied()),
        ..blank
    };
    let at = job.now();
    job.ledger
        .transaction::<_, LedgerError>(|ledger| {
            for row in &set {
                ledger.accept_doubt(row.item, waiver.number)?;
            }
            let rows = ledger.row_sum()?.to_string();
            let waiver = waiver.clone();
            ledger.record(at, &FactBody::Waived { waiver, rows })?;
            Ok(())
        })
        .map_err(|e| ledger_problem(&e))?;
    Ok(Some(waiver))
}
