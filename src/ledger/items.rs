//! Item rows: what the survey found, what the copy got, what was decided.
//!
//! Invariant: every change of what is wanted or got goes through this file, because each
//! moves the running sum that the facts carry.

use super::row::{
    GOT_COLUMNS, ITEM_COLUMNS, ITEM_WIDTH, class_from, from_sql, read_got, read_item,
};
pub use super::row::{class_code, encode, kind_code, kind_from};
use super::terms::{HAD, LISTED, TO_COPY, UNREADABLE, WANTED};
use super::{FactBody, GotRow, ItemRow, Ledger, LedgerError, RowSum, Want};
use crate::survey::item::Marks;
use crate::value::{Moment, Name};
use rusqlite::{OptionalExtension, Row, params};

impl Ledger {
    /// The running sum as it stands.
    pub fn row_sum(&self) -> Result<RowSum, LedgerError> {
        Ok(self
            .get("row-sum")?
            .and_then(|text| RowSum::parse(&text))
            .unwrap_or_default())
    }

    /// Keeps the running sum; call once at the end of the transaction that changed rows.
    pub fn keep_row_sum(&self, sum: RowSum) -> Result<(), LedgerError> {
        self.set("row-sum", &sum.to_string())
    }

    /// Adds an item row and its part of the sum.
    pub fn add_item(&self, item: &ItemRow, sum: &mut RowSum) -> Result<(), LedgerError> {
        let mut statement = self.doing(
            "listing an item",
            self.db().prepare_cached(
                "INSERT INTO item(id,parent,volume,name,wide,stream,kind,bytes,allocated,device,inode,modified,changed,created,mode,user,grp,
                 names,marks,class,rule,want,waiver,twin,bag,target,fault,seen,layout)
                 VALUES(?1,?2,?3,?4,?5,?6,?7,?8,?9,?10,?11,?12,?13,?14,?15,?16,?17,?18,?19,?20,?21,?22,?23,?24,?25,?26,?27,?28,?29)",
            ),
        )?;
        self.doing(
            "listing an item",
            statement.execute(params![
                item.id,
                item.parent,
                item.volume,
                item.name.stored(),
                item.name.is_wide(),
                item.stream.as_ref().map(Name::stored),
                kind_code(item.kind),
                item.bytes as i64,
                item.allocated as i64,
                item.device as i64,
                item.inode as i64,
                item.modified_ns,
                item.changed_ns,
                item.created_ns,
                item.mode,
                item.user,
                item.group,
                item.names,
                item.marks.0,
                class_code(item.class),
                item.rule,
                item.want.code(),
                item.waiver,
                item.twin,
                item.bag,
                item.target,
                item.fault,
                item.seen,
                item.layout,
            ]),
        )?;
        sum.add(&encode(
            item.id,
            item.want,
            item.waiver,
            &GotRow::nothing(item.id),
        ));
        Ok(())
    }

    /// Replaces what was got of an item; `before` is the row as it stood.
    pub fn put_got(
        &self,
        want: Want,
        waiver: i64,
        before: &GotRow,
        now: &GotRow,
        sum: &mut RowSum,
    ) -> Result<(), LedgerError> {
        sum.take(&encode(before.item, want, waiver, before));
        sum.add(&encode(now.item, want, waiver, now));
        let mut statement = self.doing(
            "keeping what was copied",
            self.db().prepare_cached(
                "INSERT OR REPLACE INTO got(item,state,blake3,sha256,written,verified,mismatch,again,batch,missing,fault)
                 VALUES(?1,?2,?3,?4,?5,?6,?7,?8,?9,?10,?11)",
            ),
        )?;
        let missing = (!now.missing.is_empty())
            .then(|| serde_json::to_string(&now.missing).unwrap_or_default());
        self.doing(
            "keeping what was copied",
            statement.execute(params![
                now.item,
                now.state.code(),
                now.blake3.map(|d| d.0.to_vec()),
                now.sha256.map(|d| d.0.to_vec()),
                now.written as i64,
                now.verified as i64,
                now.mismatch as i64,
                now.again,
                now.batch,
                missing,
                now.fault,
            ]),
        )?;
        Ok(())
    }

    /// Changes whether an item is wanted.
    pub fn put_want(
        &self,
        item: &ItemRow,
        got: &GotRow,
        want: Want,
        waiver: i64,
        sum: &mut RowSum,
    ) -> Result<(), LedgerError> {
        sum.take(&encode(item.id, item.want, item.waiver, got));
        sum.add(&encode(item.id, want, waiver, got));
        let mut statement = self.doing(
            "keeping a decision",
            self.db()
                .prepare_cached("UPDATE item SET want=?2, waiver=?3 WHERE id=?1"),
        )?;
        self.doing(
            "keeping a decision",
            statement.execute(params![item.id, want.code(), waiver]),
        )?;
        Ok(())
    }

    /// One item and what was got of it.
    pub fn item(&self, id: i64) -> Result<Option<(ItemRow, GotRow)>, LedgerError> {
        let sql = format!(
            "SELECT {ITEM_COLUMNS}, {GOT_COLUMNS} FROM item LEFT JOIN got ON got.item = item.id WHERE item.id = ?1"
        );
        let mut query = self.doing("looking up an item", self.db().prepare_cached(&sql))?;
        self.doing(
            "looking up an item",
            query.query_row([id], read_both).optional(),
        )
    }

    /// Every item in the order of its number, with what was got of it. `see` may stop the walk with an error.
    pub fn each_item<E: From<LedgerError>>(
        &self,
        condition: &str,
        mut see: impl FnMut(ItemRow, GotRow) -> Result<(), E>,
    ) -> Result<(), E> {
        let sql = format!(
            "SELECT {ITEM_COLUMNS}, {GOT_COLUMNS} FROM item LEFT JOIN got ON got.item = item.id {} ORDER BY item.id",
            if condition.is_empty() {
                String::new()
            } else {
                format!("WHERE {condition}")
            }
        );
        let mut query = self.doing("walking the items", self.db().prepare_cached(&sql))?;
        let rows = self.doing("walking the items", query.query_map([], read_both))?;
        for row in rows {
            let (item, got) = self.doing("reading an item", row)?;
            see(item, got)?;
        }
        Ok(())
    }

    /// Every item with only the columns that the gate weighs, in the order of its number.
    pub fn each_gate_row(&self, mut see: impl FnMut(ItemRow, GotRow)) -> Result<(), LedgerError> {
        let sql = format!(
            "SELECT item.id, item.kind, item.class, item.bytes, item.modified, item.marks, item.want, item.waiver, {GOT_COLUMNS}
             FROM item LEFT JOIN got ON got.item = item.id ORDER BY item.id"
        );
        let mut query = self.doing("walking the items", self.db().prepare_cached(&sql))?;
        let mut rows = self.doing("walking the items", query.query([]))?;
        while let Some(row) = self.doing("reading an item", rows.next())? {
            let both = (|| {
                let id = row.get(0)?;
                let mut item = ItemRow::bare(
                    id,
                    kind_from(row.get(1)?),
                    Want::from_code(row.get(6)?),
                    Marks(row.get(5)?),
                );
                item.class = class_from(row.get(2)?);
                item.bytes = row.get::<_, i64>(3)? as u64;
                item.modified_ns = row.get(4)?;
                item.waiver = row.get(7)?;
                Ok((item, read_got(row, 8, id)?))
            })();
            let (item, got) = self.doing("reading an item", both)?;
            see(item, got);
        }
        Ok(())
    }

    /// Keeps the running sum and says in a fact that rows moved, in the transaction that moved them.
    pub fn rows_moved(&self, at: Moment, sum: RowSum) -> Result<(), LedgerError> {
        self.keep_row_sum(sum)?;
        self.record(
            at,
            &FactBody::RowsMoved {
                rows: sum.to_string(),
            },
        )?;
        Ok(())
    }

    /// Up to `limit` items after number `after` that have a copy at one of the destinations in `mask`.
    pub fn copies_after(
        &self,
        mask: u64,
        after: i64,
        limit: usize,
    ) -> Result<Vec<(ItemRow, GotRow)>, LedgerError> {
        let sql = format!(
            "SELECT {ITEM_COLUMNS}, {GOT_COLUMNS} FROM got JOIN item ON item.id = got.item
             WHERE got.item > ?1 AND (got.written & ?2) <> 0 ORDER BY got.item LIMIT ?3"
        );
        let mut query = self.doing("taking the next copies", self.db().prepare_cached(&sql))?;
        let rows = self.doing(
            "taking the next copies",
            query.query_map(params![after, mask as i64, limit as i64], read_both),
        )?;
        rows.map(|row| self.doing("reading a copy's row", row))
            .collect()
    }

    /// Up to `limit` items of the copying order after place `after` that still lack a copy at one of the
    /// destinations in `mask`, that changed, or that could not be read before; with their places.
    pub fn still_to_copy(
        &self,
        after: i64,
        mask: u64,
        limit: usize,
    ) -> Result<Vec<(i64, ItemRow, GotRow)>, LedgerError> {
        let sql = format!(
            "SELECT {ITEM_COLUMNS}, {GOT_COLUMNS}, queue.place FROM queue JOIN item ON item.id = queue.item LEFT JOIN got ON got.item = item.id
             WHERE queue.place > ?1 AND {WANTED} AND ({TO_COPY} OR {UNREADABLE} OR ({HAD} AND (got.written & ?2) <> ?2))
             ORDER BY queue.place LIMIT ?3"
        );
        let mut query = self.doing(
            "taking the next items to copy",
            self.db().prepare_cached(&sql),
        )?;
        let rows = self.doing(
            "taking the next items to copy",
            query.query_map(params![after, mask as i64, limit as i64], |row| {
                let (item, got) = read_both(row)?;
                Ok((row.get(ITEM_WIDTH + 10)?, item, got))
            }),
        )?;
        rows.map(|row| self.doing("reading an item to copy", row))
            .collect()
    }

    /// The child of `parent` with exactly this name (and stream).
    pub fn child(
        &self,
        parent: i64,
        name: &Name,
        stream: Option<&Name>,
    ) -> Result<Option<(ItemRow, GotRow)>, LedgerError> {
        let sql = format!(
            "SELECT {ITEM_COLUMNS}, {GOT_COLUMNS} FROM item LEFT JOIN got ON got.item = item.id
             WHERE item.parent = ?1 AND item.name = ?2 AND item.stream IS ?3"
        );
        let mut query = self.doing("looking up a name", self.db().prepare_cached(&sql))?;
        self.doing(
            "looking up a name",
            query
                .query_row(
                    params![parent, name.stored(), stream.map(Name::stored)],
                    read_both,
                )
                .optional(),
        )
    }

    /// Every item directly below `parent`.
    pub fn each_child(
        &self,
        parent: i64,
        mut see: impl FnMut(ItemRow, GotRow),
    ) -> Result<(), LedgerError> {
        let sql = format!(
            "SELECT {ITEM_COLUMNS}, {GOT_COLUMNS} FROM item LEFT JOIN got ON got.item = item.id WHERE item.parent = ?1"
        );
        let mut query = self.doing("listing a folder", self.db().prepare_cached(&sql))?;
        let rows = self.doing("listing a folder", query.query_map([parent], read_both))?;
        for row in rows {
            let (item, got) = self.doing("reading an item", row)?;
            see(item, got);
        }
        Ok(())
    }

    /// Parent and name of an item.
    pub fn name_of(&self, id: i64) -> Result<Option<(i64, Name)>, LedgerError> {
        let mut query = self.doing(
            "looking up a name",
            self.db()
                .prepare_cached("SELECT parent, name, wide FROM item WHERE id = ?1"),
        )?;
        let row = query.query_row([id], |row| {
            let name = row.get_ref(1)?.as_blob().map_err(from_sql)?;
            Ok((
                row.get(0)?,
                Name::from_stored(name, row.get::<_, i64>(2)? != 0),
            ))
        });
        self.doing("looking up a name", row.optional())
    }

    /// Bag path of a folder item.
    pub fn place(&self, folder: i64) -> Result<Option<String>, LedgerError> {
        let mut query = self.doing(
            "looking up a place",
            self.db()
                .prepare_cached("SELECT bag FROM place WHERE item=?1"),
        )?;
        self.doing(
            "looking up a place",
            query.query_row([folder], |row| row.get(0)).optional(),
        )
    }

    /// Keeps the bag path of a folder item.
    pub fn put_place(&self, folder: i64, bag: &str) -> Result<(), LedgerError> {
        let mut statement = self.doing(
            "keeping a place",
            self.db()
                .prepare_cached("INSERT OR REPLACE INTO place(item, bag) VALUES(?1, ?2)"),
        )?;
        self.doing("keeping a place", statement.execute(params![folder, bag]))?;
        Ok(())
    }

    /// A place in the bag that two items of the list have: the copy of one would take that of the other. `None` = there is
    /// none, as it should be.
    pub fn shared_place(&self) -> Result<Option<String>, LedgerError> {
        let doing = "looking for two items of one place";
        // Two folders of one place; two items of one folder that have no more than their name to be told apart by.
        for sql in [
            &format!("SELECT place.bag FROM place JOIN item ON item.id = place.item WHERE {LISTED} GROUP BY place.bag HAVING count(*) > 1 LIMIT 1"),
            &format!("SELECT place.bag FROM (SELECT parent AS up, name AS called, stream AS part FROM item GROUP BY parent, name, stream HAVING count(*) > 1)
             JOIN item ON item.parent = up AND item.name = called AND item.stream IS part JOIN place ON place.item = item.parent
             WHERE {LISTED} GROUP BY item.parent, coalesce(item.bag, ''), item.name, item.stream HAVING count(*) > 1 LIMIT 1"),
        ] {
            let found = self.db().query_row(sql, [], |row| row.get(0));
            if let Some(place) = self.doing(doing, found.optional())? {
                return Ok(Some(place));
            }
        }
        Ok(None)
    }

    /// Forgets the extended attributes of an item: it is looked at anew.
    pub fn forget_attributes(&self, item: i64) -> Result<(), LedgerError> {
        self.doing(
            "forgetting old attributes",
            self.db
                .prepare_cached("DELETE FROM attribute WHERE item=?1")
                .and_then(|mut statement| statement.execute([item])),
        )?;
        Ok(())
    }

    /// Keeps an extended attribute of an item.
    pub fn put_attribute(&self, item: i64, name: &[u8], value: &[u8]) -> Result<(), LedgerError> {
        let mut statement = self.doing(
            "keeping an attribute",
            self.db().prepare_cached(
                "INSERT OR REPLACE INTO attribute(item, name, value) VALUES(?1,?2,?3)",
            ),
        )?;
        self.doing(
            "keeping an attribute",
            statement.execute(params![item, name, value]),
        )?;
        Ok(())
    }

    /// What stands beside the items that are not gone, in a fixed order: the places of folders in the bag, then every
    /// attribute with its name.
    pub fn each_beside(&self, mut see: impl FnMut(i64, &[&[u8]])) -> Result<(), LedgerError> {
        let doing = "walking what stands beside the items";
        for sql in [
            "SELECT place.item, CAST(place.bag AS BLOB), x'' FROM place LEFT JOIN item ON item.id = place.item
             WHERE coalesce(item.want, 0) <> 3 ORDER BY place.item",
            "SELECT attribute.item, attribute.name, attribute.value FROM attribute LEFT JOIN item ON item.id = attribute.item
             WHERE coalesce(item.want, 0) <> 3 ORDER BY attribute.item, attribute.name",
        ] {
            let mut query = self.doing(doing, self.db().prepare_cached(sql))?;
            let mut rows = self.doing(doing, query.query([]))?;
            while let Some(row) = self.doing(doing, rows.next())? {
                let read = (|| {
                    let bytes = |at| row.get_ref(at)?.as_blob().map_err(super::row::from_sql);
                    see(row.get(0)?, &[bytes(1)?, bytes(2)?]);
                    Ok(())
                })();
                self.doing(doing, read)?;
            }
        }
        Ok(())
    }

    /// How many rows each batch wrote, by the facts.
    pub fn batch_sizes(&self) -> Result<std::collections::HashMap<i64, u64>, LedgerError> {
        let doing = "adding up the batches";
        let sql = "SELECT json_extract(body, '$.batch'), sum(json_extract(body, '$.items')) FROM fact WHERE kind = 'batch' GROUP BY 1";
        let mut query = self.doing(doing, self.db().prepare_cached(sql))?;
        let rows = query.query_map([], |row| Ok((row.get(0)?, row.get::<_, i64>(1)? as u64)));
        self.doing(doing, rows)?
            .map(|row| self.doing(doing, row))
            .collect()
    }

    /// The number of the fact that committed the oldest of the copies that stand; `None` = there is no copy.
    pub fn first_copy(&self) -> Result<Option<i64>, LedgerError> {
        let sql = "SELECT min(batch) FROM got WHERE written <> 0";
        let batch = self
            .db()
            .query_row(sql, [], |row| row.get::<_, Option<i64>>(0));
        let Some(batch) = self.doing("looking for the oldest copy", batch)? else {
            return Ok(None);
        };
        let sql = "SELECT coalesce(min(number), 0) FROM fact WHERE kind = 'batch' AND json_extract(body, '$.batch') = ?1";
        let row = self.db().query_row(sql, [batch], |row| row.get(0));
        self.doing("finding a batch", row).map(Some)
    }

    /// Every rule that items refer to, with its name and reason, in the order of their numbers.
    pub fn each_rule(&self, mut see: impl FnMut(i64, &str, &str)) -> Result<(), LedgerError> {
        let doing = "walking the rules";
        let sql = "SELECT id, name, why FROM rule ORDER BY id";
        let mut query = self.doing(doing, self.db().prepare_cached(sql))?;
        let mut rows = self.doing(doing, query.query([]))?;
        while let Some(row) = self.doing(doing, rows.next())? {
            let text = |at: usize| row.get::<_, String>(at);
            let read = row.get(0).and_then(|id| Ok((id, text(1)?, text(2)?)));
            let (id, name, why) = self.doing(doing, read)?;
            see(id, &name, &why);
        }
        Ok(())
    }

    /// The extended attributes of an item.
    pub fn attributes(&self, item: i64) -> Result<Vec<(Vec<u8>, Vec<u8>)>, LedgerError> {
        let mut query = self.doing(
            "reading attributes",
            self.db()
                .prepare_cached("SELECT name, value FROM attribute WHERE item=?1 ORDER BY name"),
        )?;
        let rows = self.doing(
            "reading attributes",
            query.query_map([item], |row| Ok((row.get(0)?, row.get(1)?))),
        )?;
        rows.map(|row| self.doing("reading an attribute", row))
            .collect()
    }
}

pub(super) fn read_both(row: &Row<'_>) -> rusqlite::Result<(ItemRow, GotRow)> {
    let item = read_item(row)?;
    let got = read_got(row, ITEM_WIDTH, item.id)?;
    Ok((item, got))
}
