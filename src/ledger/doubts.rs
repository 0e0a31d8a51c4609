//! The copies that the newest inspection put in doubt, by item, and which decision accepted each.
//!
//! Invariant: these rows prove nothing by themselves. The fact of the inspection holds the digest over all of them, and
//! each decision the one over those it accepted: whoever reads them compares.

use super::{Ledger, LedgerError, row, schema};
use crate::survey::item::Class;
use rusqlite::params;

/// One copy in doubt, with what its item is now.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct DoubtRow {
    /// The item.
    pub item: i64,
    /// Its bytes.
    pub bytes: u64,
    /// When it was written last.
    pub modified_ns: i64,
    /// Its class.
    pub class: Class,
    /// The decision that accepted it as it is; 0 = none.
    pub waiver: i64,
}

impl Ledger {
    pub(super) fn lay_out_doubts(&self) -> Result<(), LedgerError> {
        self.doing(
            "laying out a table",
            self.db().execute_batch(schema::DOUBTS),
        )
    }

    /// Keeps what an inspection put in doubt in the place of what the one before did; what is in doubt again keeps its
    /// decision. Call in the transaction of its fact.
    pub fn keep_doubts(&self, items: impl Iterator<Item = i64>) -> Result<(), LedgerError> {
        let doing = "noting what is in doubt";
        let sql = "DROP TABLE IF EXISTS temp.doubted; CREATE TEMP TABLE doubted AS SELECT item, waiver FROM doubt; DELETE FROM doubt;";
        self.doing(doing, self.db().execute_batch(sql))?;
        let sql = "INSERT INTO doubt SELECT ?1, coalesce((SELECT waiver FROM temp.doubted WHERE item = ?1), 0)";
        let mut add = self.doing(doing, self.db().prepare_cached(sql))?;
        for item in items {
            self.doing(doing, add.execute([item]))?;
        }
        Ok(())
    }

    /// What is in doubt, in the order of its items. A ledger from before such rows were kept has none.
    pub fn doubts(&self) -> Result<Vec<DoubtRow>, LedgerError> {
        let doing = "reading what is in doubt";
        let sql = "SELECT EXISTS(SELECT 1 FROM sqlite_schema WHERE name = 'doubt')";
        let known = self.db().query_row(sql, [], |row| row.get::<_, bool>(0));
        if !self.doing(doing, known)? {
            return Ok(Vec::new());
        }
        let sql = "SELECT item.id, item.bytes, item.modified, item.class, doubt.waiver FROM doubt JOIN item ON item.id = doubt.item ORDER BY 1";
        let rows = self.db().prepare_cached(sql).and_then(|mut query| {
            query
                .query_map([], |found| {
                    Ok(DoubtRow {
                        item: found.get(0)?,
                        bytes: found.get::<_, i64>(1)? as u64,
                        modified_ns: found.get(2)?,
                        class: row::class_from(found.get(3)?),
                        waiver: found.get(4)?,
                    })
                })?
                .collect()
        });
        self.doing(doing, rows)
    }

    /// Marks that decision number `waiver` accepts this copy as it is. Call in the transaction of its fact.
    pub fn accept_doubt(&self, item: i64, waiver: i64) -> Result<(), LedgerError> {
        let sql = "UPDATE doubt SET waiver = ?2 WHERE item = ?1";
        let done = self
            .db()
            .prepare_cached(sql)
            .and_then(|mut query| query.execute(params![item, waiver]));
        self.doing("noting a decision", done).map(|_| ())
    }
}
