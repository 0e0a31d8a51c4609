//! `--list`: every item in full.

use crate::job::{Job, ledger_problem};
use crate::ledger::{ItemRow, LedgerError, Want};
use crate::step::outcome::{ListingItem, Problem};
use crate::step::state::{Recorded, item_state};
use crate::value::Name;
use std::collections::HashMap;

/// Every item, in the order of the survey, root first.
pub fn listing(job: &Job<'_>) -> Result<Vec<ListingItem>, Problem> {
    let failed = |e: LedgerError| ledger_problem(&e);
    let facts = job.ledger.facts().map_err(failed)?;
    let (recorded, counting) = (Recorded::of(&facts), job.counting());
    let rules = rule_names(job).map_err(failed)?;
    let mut paths = Paths {
        job,
        known: HashMap::new(),
    };
    let volumes = crate::step::plan::drive::volumes(job)?;
    let mut out = Vec::new();
    job.ledger
        .each_item::<LedgerError>("", |item, got| {
            if item.want == Want::Vanished {
                return Ok(());
            }
            let (path, raw) = paths.of(&item)?;
            out.push(ListingItem {
                path,
                raw,
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

/// Original paths of items, remembered by folder.
pub struct Paths<'a, 'b> {
    /// The job.
    pub job: &'a Job<'b>,
    /// Folder number to its parts, exact.
    pub known: HashMap<i64, Vec<Vec<u8>>>,
}

impl Paths<'_, '_> {
    /// The exact parts of a folder's path.
    pub fn folder(&mut self, id: i64) -> Result<Vec<Vec<u8>>, LedgerError> {
        if id <= 0 {
            return Ok(Vec::new());
        }
        if let Some(parts) = self.known.get(&id) {
            return Ok(parts.clone());
        }
        let Some((row, _)) = self.job.ledger.item(id)? else {
            return Ok(Vec::new());
        };
        let mut parts = self.folder(row.parent)?;
        parts.push(row.name.stored());
        if self.known.len() >= 4096 {
            self.known.clear();
        }
        self.known.insert(id, parts.clone());
        Ok(parts)
    }

    /// An item's path as text, and in hex where the text is not exactly the path.
    pub fn of(&mut self, item: &ItemRow) -> Result<(String, Option<String>), LedgerError> {
        let mut parts = self.folder(item.parent)?;
        parts.push(item.name.stored());
        let name = Name::Bytes(parts.join(&b'/'));
        Ok((name.text(), (!name.is_text()).then(|| name.raw_hex())))
    }
}
