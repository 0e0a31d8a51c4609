//! What an earlier survey's items had got, carried over to the same items of the next survey.
//!
//! Invariant: carried over is only what was copied from a drive that is still the same by its fingerprint, of an item
//! that is the same in place, name, length, time and layout, to the very place in the bag that it has again.

use crate::ledger::row::read_got;
use crate::ledger::terms::LISTED;
use crate::ledger::{GotRow, ItemRow, Ledger, LedgerError, Want};
use rusqlite::{OptionalExtension, params};

/// Rows of the survey before, while the next one runs.
pub struct Carried {
    any: bool,
    /// Copies that were there before, less those carried over.
    left: u64,
}

impl Carried {
    /// Puts aside what earlier items had; `same` says that every drive is still what it was.
    pub fn begin(ledger: &Ledger, same: bool) -> Result<Self, LedgerError> {
        let doing = "putting aside what was copied before";
        let db = ledger.db();
        ledger.doing(doing, db.execute_batch("DROP TABLE IF EXISTS temp.before"))?;
        if !same {
            let written = db.query_row(
                "SELECT coalesce(sum(written <> 0), 0) FROM got",
                [],
                |row| row.get::<_, i64>(0),
            );
            return Ok(Self {
                any: false,
                left: ledger.doing(doing, written)? as u64,
            });
        }
        ledger.doing(
            doing,
            db.execute_batch(
                &format!("CREATE TEMP TABLE before AS SELECT got.state, got.blake3, got.sha256, got.written, got.verified, got.mismatch, got.again, got.batch,
                   got.missing, got.fault, item.id AS id, item.volume AS volume, item.inode AS inode, item.name AS name, item.stream AS stream,
                   item.kind AS kind, item.bytes AS bytes, item.modified AS modified, item.layout AS layout, item.bag AS bag, item.want AS want,
                   item.waiver AS waiver, place.bag AS place
                 FROM item LEFT JOIN got ON got.item = item.id LEFT JOIN place ON place.item = item.parent
                 WHERE {LISTED} AND (got.item IS NOT NULL OR item.waiver <> 0);
                 CREATE INDEX temp.before_inode ON before(volume, inode);"),
            ),
        )?;
        let counts = db.query_row(
            "SELECT count(*) <> 0, coalesce(sum(coalesce(written, 0) <> 0), 0) FROM temp.before",
            [],
            |row| Ok((row.get::<_, bool>(0)?, row.get::<_, i64>(1)?)),
        );
        let (any, left) = ledger.doing(doing, counts)?;
        Ok(Self {
            any,
            left: left as u64,
        })
    }

    /// Whether there is anything to carry over.
    pub fn any(&self) -> bool {
        self.any
    }

    /// What the same item had: what was got of it, and the waiver that gave it up (its number stays only while the item's does).
    pub fn take(
        &mut self,
        ledger: &Ledger,
        item: &ItemRow,
        place: &str,
    ) -> Result<Option<(GotRow, i64)>, LedgerError> {
        if !self.any {
            return Ok(None);
        }
        let doing = "looking up what was copied before";
        let mut query = ledger.doing(
            doing,
            ledger.db().prepare_cached(
                "SELECT state, blake3, sha256, written, verified, mismatch, again, batch, missing, fault, id, want, waiver FROM temp.before
                 WHERE volume = ?1 AND inode = ?2 AND name = ?3 AND stream IS ?4 AND kind = ?5 AND bytes = ?6 AND modified = ?7 AND layout IS ?8
                   AND bag IS ?9 AND place = ?10 LIMIT 1",
            ),
        )?;
        let found = query.query_row(
            params![
                item.volume,
                item.inode as i64,
                item.name.stored(),
                item.stream.as_ref().map(crate::value::Name::stored),
                crate::ledger::row::kind_code(item.kind),
                item.bytes as i64,
                item.modified_ns,
                item.layout,
                item.bag,
                place,
            ],
            |row| {
                let state: Option<i64> = row.get(0)?;
                let got = match state {
                    Some(_) => read_got(row, 0, item.id)?,
                    None => GotRow::nothing(item.id),
                };
                let (id, want, waiver): (i64, i64, i64) =
                    (row.get(10)?, row.get(11)?, row.get(12)?);
                let is_waived = Want::from_code(want) == Want::Waived && id == item.id;
                Ok((got, if is_waived { waiver } else { 0 }))
            },
        );
        let found = ledger.doing(doing, found.optional())?;
        if found.as_ref().is_some_and(|(got, _)| got.written != 0) {
            self.left = self.left.saturating_sub(1);
        }
        Ok(found)
    }

    /// Forgets the survey before; the number of copies that no item has any more.
    pub fn end(self, ledger: &Ledger) -> Result<u64, LedgerError> {
        ledger.doing(
            "forgetting an earlier survey",
            ledger
                .db()
                .execute_batch("DROP TABLE IF EXISTS temp.before"),
        )?;
        Ok(self.left)
    }
}
