//! `--list`: every item in full.

use crate::job::{Job, ledger_problem};
use crate::ledger::{LedgerError, Want};
use crate::read::places::Places;
use crate::step::outcome::{ListingItem, Problem};
use crate::step::state::{Recorded, item_state};
use crate::value::Name;
use std::collections::HashMap;

/// Every item, in the order of the survey, root first.
pub fn listing(job: &Job<'_>) -> Result<Vec<ListingItem>, Problem> {
    let failed = |e: LedgerError| ledger_problem(&e);
    let facts = job.ledger.facts().map_err(failed)?;
    let (recorded, counting) = (
        Recorded::now(job, &facts)?,
        crate::step::state::proving(job, &facts),
    );
    let rules = rule_names(job).map_err(failed)?;
    let mut places = Places::new(&job.ledger);
    let volumes = crate::step::plan::drive::volumes(job)?;
    let mut out = Vec::new();
    job.ledger
        .each_item::<LedgerError>("", |item, got| {
            if item.want == Want::Vanished {
                return Ok(());
            }
            let path = places.of(item.parent)?.path_of(&item);
            out.push(ListingItem {
                path: path.text(),
                raw: path.raw(),
                volume: crate::step::plan::volume_word(&volumes, item.volume),
                stream: item.stream.as_ref().map(Name::text),
                kind: item.kind,
                bytes: item.bytes,
                class: item.class,
                rule: rules
                    .get(&item.rule)
                    .cloned()
                    .unwrap_or_else(|| format!("rule {}", item.rule)),
                state: item_state(&item, &got, counting, recorded),
                blake3: got.blake3,
                sha256: got.sha256,
                missing: got.missing.clone(),
                marks: item.marks.list(),
            });
            Ok(())
        })
        .map_err(failed)?;
    Ok(out)
}

fn rule_names(job: &Job<'_>) -> Result<HashMap<i64, String>, LedgerError> {
    let ledger = &job.ledger;
    let rows = ledger
        .db()
        .prepare("SELECT id, name FROM rule")
        .and_then(|mut query| {
            query
                .query_map([], |row| Ok((row.get(0)?, row.get(1)?)))?
                .collect::<rusqlite::Result<HashMap<_, _>>>()
        });
    ledger.doing("reading the rules", rows)
}
