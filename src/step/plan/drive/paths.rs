//! Names for people: the paths of records while their volume is at hand.
//!
//! Invariant: a path that does not end, or a record that nobody listed, is left out; nothing is invented.

use super::records::LOST;
use crate::ledger::{Ledger, LedgerError};
use crate::value::Name;
use rusqlite::params;

/// Folders that a path is followed through.
const DEEPEST: usize = 128;

/// The paths of records of the volume that was walked last, for people.
pub fn paths(ledger: &Ledger, root: u64, records: &[u64]) -> Result<Vec<String>, LedgerError> {
    let doing = "looking for the names of records";
    let db = ledger.db();
    ledger.doing(
        doing,
        db.execute_batch("CREATE INDEX IF NOT EXISTS temp.found_record ON found(record)"),
    )?;
    let mut out = Vec::new();
    for record in records {
        let (mut here, mut parts) = (*record as i64, Vec::new());
        while here != root as i64 && here != LOST && parts.len() < DEEPEST {
            let up = db
                .prepare_cached("SELECT parent, name, wide FROM temp.found WHERE record = ?1 AND stream IS NULL LIMIT 1")
                .and_then(|mut query| {
                    let up = query.query_row(params![here], |row| {
                        let name: Vec<u8> = row.get(1)?;
                        Ok((row.get(0)?, Name::from_stored(&name, row.get(2)?).text()))
                    });
                    rusqlite::OptionalExtension::optional(up)
                });
            let Some((parent, name)) = ledger.doing(doing, up)? else {
                break;
            };
            parts.push(name);
            here = parent;
        }
        if !parts.is_empty() {
            parts.reverse();
            out.push(parts.join("/"));
        }
    }
    out.dedup();
    Ok(out)
}
