//! What a run has before it and behind it, by class.

use crate::job::{Job, ledger_problem};
use crate::ledger::terms::{FAILED, FILE, UNTRIED, WANTED};
use crate::step::outcome::Problem;

/// Items and bytes to copy and already copied, by class.
#[derive(Debug, Clone, Copy, Default)]
pub(super) struct ClassTotal {
    pub items: u64,
    pub bytes: u64,
    pub done_items: u64,
    pub done_bytes: u64,
    pub gaps: u64,
}

pub(super) fn totals(job: &Job<'_>) -> Result<[ClassTotal; 4], Problem> {
    let mut out = [ClassTotal::default(); 4];
    let ledger = &job.ledger;
    let sql = &format!("SELECT item.class, count(*), coalesce(sum(item.bytes),0), count(got.item), coalesce(sum(CASE WHEN got.item IS NULL THEN 0 ELSE item.bytes END),0),
               coalesce(sum({FAILED}),0)
               FROM item LEFT JOIN got ON got.item = item.id AND NOT {UNTRIED} WHERE {FILE} AND {WANTED} GROUP BY item.class");
    let mut query = ledger
        .doing("counting", ledger.db().prepare(sql))
        .map_err(|e| ledger_problem(&e))?;
    let rows = query
        .query_map([], |row| {
            let class: i64 = row.get(0)?;
            let number = |at: usize| row.get::<_, i64>(at).map(|n| n as u64);
            Ok((
                class,
                ClassTotal {
                    items: number(1)?,
                    bytes: number(2)?,
                    done_items: number(3)?,
                    done_bytes: number(4)?,
                    gaps: number(5)?,
                },
            ))
        })
        .and_then(Iterator::collect::<rusqlite::Result<Vec<_>>>);
    for (class, total) in ledger
        .doing("counting", rows)
        .map_err(|e| ledger_problem(&e))?
    {
        if let Some(place) = out.get_mut(class as usize) {
            *place = total;
        }
    }
    Ok(out)
}
