//! The order of copying: most worth per second of a drive that may die, kept in the ledger as a queue.

use crate::job::Job;
use crate::judge::order::{ClassValues, key, seconds};
use crate::judge::situation::Pace;
use crate::ledger::terms::{FILE, WANTED, WANTED_OR_WAIVED};
use crate::ledger::{Fact, FactBody, Ledger, LedgerError};
use crate::step::assess::{hazard_key, pace_key};
use crate::step::outcome::OrderStep;
use crate::survey::item::{Class, Mark, Marks};
use crate::value::Blake3;
use rusqlite::params;
use std::collections::HashMap;

/// Seconds that opening one more file costs on a drive with moving heads (engineering judgement).
const SEEK_SECONDS: f64 = 0.015;

/// Fills the queue. Items of like index stay together in the order of the walk, so that a folder is read in one go.
pub fn order(job: &Job<'_>, facts: &[Fact]) -> Result<(), LedgerError> {
    let ledger = &job.ledger;
    let values = class_values(job);
    let drives = of_volumes(job);
    let paces: Vec<(f64, f64)> = (0..crate::step::assess::drive_count(job))
        .map(|drive| pace_and_hazard(job, facts, drive))
        .collect();
    ledger.transaction::<_, LedgerError>(|ledger| {
        let db = ledger.db();
        let fresh = "DROP TABLE IF EXISTS temp.rank; CREATE TEMP TABLE rank(class INTEGER, bucket INTEGER, item INTEGER); DELETE FROM queue;";
        ledger.doing("clearing the queue", db.execute_batch(fresh))?;
        let mut select = ledger.doing("ranking", db.prepare(&format!("SELECT id, class, bytes, volume FROM item WHERE {FILE} AND {WANTED_OR_WAIVED} AND twin = 0 AND marks & ?1 = 0")))?;
        let mut insert = ledger.doing("ranking", db.prepare("INSERT INTO temp.rank VALUES(?1, ?2, ?3)"))?;
        let mut rows = ledger.doing("ranking", select.query([Marks::without_content().0]))?;
        while let Some(row) = ledger.doing("ranking", rows.next())? {
            let read = (|| Ok((row.get::<_, i64>(0)?, row.get::<_, i64>(1)?, row.get::<_, i64>(2)? as u64, row.get::<_, i64>(3)?)))();
            let (id, class_code, bytes, volume) = ledger.doing("ranking", read)?;
            let drive = drives.get(&volume).copied().unwrap_or(0);
            let (pace, hazard) = paces.get(drive).copied().unwrap_or_else(|| pace_and_hazard(job, facts, drive));
            let class = Class::ALL.get(class_code as usize).copied().unwrap_or(Class::Irreplaceable);
            let rank = key(values.value(class, bytes), seconds(bytes, 1, pace, SEEK_SECONDS), hazard);
            ledger.doing("ranking", insert.execute(params![class_code, rank.bucket, id]))?;
        }
        ledger.doing("filling the queue", db.execute("INSERT INTO queue(item) SELECT item FROM temp.rank ORDER BY bucket, item", []))?;
        ledger.doing("tidying up", db.execute_batch("DROP TABLE temp.rank"))?;
        tell(job, ledger)
    })
}

/// Adds what the queue lacks at its end: a survey that was cut off after an earlier one may have listed items that no
/// order names yet, and nothing that is wanted may wait for ever.
pub fn complete(job: &Job<'_>) -> Result<(), LedgerError> {
    let ledger = &job.ledger;
    // An order that was edited is completed all the same, and stays what it is: edited.
    let is_edited = edited(job, &ledger.facts()?)?.is_some();
    ledger.transaction(|ledger| {
        let sql = &format!("INSERT INTO queue(item) SELECT id FROM item WHERE {FILE} AND {WANTED} AND twin = 0 AND marks & ?1 = 0
                   AND id NOT IN (SELECT item FROM queue)");
        let added = ledger.db().execute(sql, [Marks::without_content().0]);
        match ledger.doing("completing the queue", added)? {
            0 => Ok(()),
            _ if is_edited => Ok(()),
            _ => tell(job, ledger),
        }
    })
}

/// Says in the chain how the queue is; call in the transaction that changed it.
fn tell(job: &Job<'_>, ledger: &Ledger) -> Result<(), LedgerError> {
    let queue = digest(ledger)?;
    let told = FactBody::Ordered { queue };
    ledger.record(job.now(), &told).map(|_| ())
}

/// BLAKE3 over every place of the queue with its item, in order.
fn digest(ledger: &Ledger) -> Result<Blake3, LedgerError> {
    let doing = "adding up the queue";
    let sql = "SELECT place, item FROM queue ORDER BY place";
    let mut query = ledger.doing(doing, ledger.db().prepare(sql))?;
    let mut rows = ledger.doing(doing, query.query([]))?;
    let mut hasher = blake3::Hasher::new();
    while let Some(row) = ledger.doing(doing, rows.next())? {
        for column in 0..2 {
            let number: i64 = ledger.doing(doing, row.get(column))?;
            hasher.update(&number.to_le_bytes());
        }
    }
    Ok(Blake3(*hasher.finalize().as_bytes()))
}

/// Why the queue is not the one that the chain tells of; `None` = it is, or a survey is under way, which makes another.
pub fn edited(job: &Job<'_>, facts: &[Fact]) -> Result<Option<String>, LedgerError> {
    let told = facts.iter().rev().find_map(|fact| match fact.body {
        FactBody::Ordered { queue } => Some(Some(queue)),
        FactBody::SurveyBegun { .. } => Some(None),
        _ => None,
    });
    let Some(told) = told.flatten() else {
        return Ok(None);
    };
    Ok((digest(&job.ledger)? != told)
        .then(|| "the order of copying is not the one that the chain of facts holds".to_owned()))
}

/// What the policy says that an item of each class is worth.
pub fn class_values(job: &Job<'_>) -> ClassValues {
    let value = &job.policy.value;
    ClassValues {
        irreplaceable: value.irreplaceable.get(),
        hard_to_replace: value.hard_to_replace.get(),
        replaceable: value.replaceable.get(),
        rebuildable: value.rebuildable.get(),
        unit_bytes: u64::from(value.unit_bytes.get()),
        exponent: value.exponent.get(),
    }
}

/// The drive that each volume lies on; empty for a folder job.
fn of_volumes(job: &Job<'_>) -> HashMap<i64, usize> {
    // What cannot be understood is said by every other reader of the survey; here it only costs the order.
    let volumes = super::drive::volumes(job).unwrap_or_default();
    volumes.iter().map(|v| (v.number, v.drive)).collect()
}

/// Bytes per second and hazard per second of a drive, as its newest forecast kept them.
fn pace_and_hazard(job: &Job<'_>, facts: &[Fact], wanted: usize) -> (f64, f64) {
    let number = |key: String| {
        job.ledger
            .get(&key)
            .ok()
            .flatten()
            .and_then(|text| text.parse::<f64>().ok())
            .filter(|n| n.is_finite() && *n >= 0.0)
    };
    let forecast = facts
        .iter()
        .any(|fact| matches!(fact.body, FactBody::Forecast { drive, .. } if drive == wanted));
    let pace = number(pace_key(wanted))
        .filter(|pace| *pace >= 1.0)
        .unwrap_or(Pace::class_default(None).bytes_per_second);
    let hazard = if forecast {
        number(hazard_key(wanted)).unwrap_or(0.0)
    } else {
        0.0
    };
    (pace, hazard)
}

/// The queue as stretches of one class each, in order; a class that comes back is a new stretch, up to a bound.
pub fn steps(job: &Job<'_>) -> Result<Vec<OrderStep>, LedgerError> {
    const MOST: usize = 64;
    let ledger: &Ledger = &job.ledger;
    let sql = &format!(
        "SELECT item.class, item.bytes FROM queue JOIN item ON item.id = queue.item WHERE {WANTED} AND item.marks & ?1 = 0 ORDER BY queue.place"
    );
    let mut query = ledger.doing("reading the order", ledger.db().prepare(sql))?;
    let mut rows = ledger.doing(
        "reading the order",
        query.query([Marks::of(&[Mark::Gone]).0]),
    )?;
    let mut out: Vec<OrderStep> = Vec::new();
    while let Some(row) = ledger.doing("reading the order", rows.next())? {
        let read = (|| Ok((row.get::<_, i64>(0)?, row.get::<_, i64>(1)? as u64)))();
        let (class, bytes) = ledger.doing("reading the order", read)?;
        let class = Class::ALL
            .get(class as usize)
            .copied()
            .unwrap_or(Class::Irreplaceable);
        let full = out.len() >= MOST;
        let slot = match out.iter_mut().rev().find(|step| step.class == class) {
            Some(step) if full => Some(step),
            _ => out.last_mut().filter(|step| step.class == class),
        };
        match slot {
            Some(step) => {
                step.items += 1;
                step.bytes += bytes;
            }
            None => out.push(OrderStep {
                class,
                items: 1,
                bytes,
            }),
        }
    }
    // Further names of one file have no place of their own: they come with it.
    let sql = &format!(
        "SELECT class, count(*), coalesce(sum(bytes), 0) FROM item WHERE {FILE} AND {WANTED} AND twin <> 0 AND marks & ?1 = 0 GROUP BY class"
    );
    let mut query = ledger.doing("counting further names", ledger.db().prepare(sql))?;
    let mut rows = ledger.doing(
        "counting further names",
        query.query([Marks::without_content().0]),
    )?;
    while let Some(row) = ledger.doing("counting further names", rows.next())? {
        let read = (|| {
            let number = |at: usize| row.get::<_, i64>(at).map(|n| n as u64);
            Ok((number(0)?, number(1)?, number(2)?))
        })();
        let (class, items, bytes) = ledger.doing("counting further names", read)?;
        let class = Class::ALL.get(class as usize).copied();
        if let Some(step) = out.iter_mut().rev().find(|step| Some(step.class) == class) {
            step.items += items;
            step.bytes += bytes;
        }
    }
    Ok(out)
}
