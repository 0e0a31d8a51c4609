//! Item rows: what the survey found, what the copy got, what was decided.
//!
//! Invariant: every change of what is wanted or got goes through this file, because each
//! moves the running sum that the facts carry.

use super::{FactBody, Ledger, LedgerError, RowSum};
use crate::survey::item::{Class, Kind, Marks};
use crate::value::{Blake3, Moment, Name, Sha256};
use rusqlite::{OptionalExtension, Row, params};

/// Whether an item is to be copied.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Want {
    /// Yes.
    Wanted,
    /// Left out by the rule named in the row.
    LeftOut,
    /// Given up by a waiver.
    Waived,
    /// It was listed by an earlier survey and is no longer there.
    Vanished,
}

/// What copying an item came to.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Got {
    /// Nothing yet.
    Nothing,
    /// All bytes.
    Whole,
    /// Some ranges are missing (zero-filled in the copy).
    Gaps,
    /// No byte could be read.
    Unreadable,
    /// There is no content on the drive (placeholder).
    NoContent,
    /// It changed while it was read.
    Changed,
}

macro_rules! coded {
    ($type:ident { $($code:literal => $variant:ident),+ $(,)? } else $other:ident) => {
        impl $type {
            /// The number that the ledger stores.
            pub fn code(self) -> i64 {
                match self { $($type::$variant => $code),+ }
            }
            /// From the stored number; an unknown one is the least favourable variant.
            pub fn from_code(code: i64) -> Self {
                match code { $($code => $type::$variant,)+ _ => $type::$other }
            }
        }
    };
}
coded!(Want { 0 => Wanted, 1 => LeftOut, 2 => Waived, 3 => Vanished } else Wanted);
coded!(Got { 0 => Nothing, 1 => Whole, 2 => Gaps, 3 => Unreadable, 4 => NoContent, 5 => Changed } else Nothing);

/// The ledger's number for a class.
pub fn class_code(class: Class) -> i64 {
    match class {
        Class::Irreplaceable => 0,
        Class::HardToReplace => 1,
        Class::Replaceable => 2,
        Class::Rebuildable => 3,
    }
}

fn class_from(code: i64) -> Class {
    match code {
        1 => Class::HardToReplace,
        2 => Class::Replaceable,
        3 => Class::Rebuildable,
        _ => Class::Irreplaceable,
    }
}

/// The ledger's number for a kind.
pub fn kind_code(kind: Kind) -> i64 {
    match kind {
        Kind::File => 0,
        Kind::Folder => 1,
        Kind::Link => 2,
        Kind::Special => 3,
    }
}

/// From the stored number; an unknown one is a file, which must be copied.
pub fn kind_from(code: i64) -> Kind {
    match code {
        1 => Kind::Folder,
        2 => Kind::Link,
        3 => Kind::Special,
        _ => Kind::File,
    }
}

/// One item as the survey listed it.
#[derive(Debug, Clone, PartialEq)]
#[allow(missing_docs)] // the fields of `port::Stamp` and `Item`, see there
pub struct ItemRow {
    pub id: i64,
    pub parent: i64,
    pub volume: i64,
    pub name: Name,
    pub stream: Option<Name>,
    pub kind: Kind,
    pub bytes: u64,
    pub allocated: u64,
    pub device: u64,
    pub inode: u64,
    pub modified_ns: i64,
    pub changed_ns: i64,
    pub created_ns: i64,
    pub mode: u32,
    pub user: u32,
    pub group: u32,
    pub names: u32,
    pub marks: Marks,
    pub class: Class,
    pub rule: i64,
    pub want: Want,
    pub waiver: i64,
    /// The item that holds the content when this is a further name of it; 0 = itself.
    pub twin: i64,
    /// Name in the bag where it differs from the original.
    pub bag: Option<String>,
    pub target: Option<Vec<u8>>,
    /// Why the item could not be looked at.
    pub fault: Option<String>,
    /// Number of the survey that saw it last.
    pub seen: i64,
    pub layout: Option<Vec<u8>>,
}

/// What was copied of one item, at each destination (bit n = destination n).
#[derive(Debug, Clone, PartialEq)]
#[allow(missing_docs)]
pub struct GotRow {
    pub item: i64,
    pub state: Got,
    pub blake3: Option<Blake3>,
    pub sha256: Option<Sha256>,
    pub written: u64,
    pub verified: u64,
    pub mismatch: u64,
    /// Second reading of the source: 0 not done, 1 equal, 2 unequal.
    pub again: i64,
    pub batch: i64,
    /// Logical ranges that are missing: `[[first, bytes], ...]` as JSON.
    pub missing: Vec<(u64, u64)>,
    pub fault: Option<String>,
}

impl ItemRow {
    /// A row with nothing in it but what its state depends on.
    pub fn bare(id: i64, kind: Kind, want: Want, marks: Marks) -> Self {
        Self {
            id,
            parent: 0,
            volume: 0,
            name: Name::Bytes(Vec::new()),
            stream: None,
            kind,
            bytes: 0,
            allocated: 0,
            device: 0,
            inode: 0,
            modified_ns: 0,
            changed_ns: 0,
            created_ns: 0,
            mode: 0,
            user: 0,
            group: 0,
            names: 0,
            marks,
            class: Class::Irreplaceable,
            rule: 0,
            want,
            waiver: 0,
            twin: 0,
            bag: None,
            target: None,
            fault: None,
            seen: 0,
            layout: None,
        }
    }
}

impl GotRow {
    /// A row for an item of which nothing was copied.
    pub fn nothing(item: i64) -> Self {
        Self {
            item,
            state: Got::Nothing,
            blake3: None,
            sha256: None,
            written: 0,
            verified: 0,
            mismatch: 0,
            again: 0,
            batch: 0,
            missing: Vec::new(),
            fault: None,
        }
    }
}

/// The columns of an item, in the order that [`read_item`] expects.
pub const ITEM_COLUMNS: &str = "item.id, item.parent, item.volume, item.name, item.wide, item.stream, item.kind, item.bytes, \
    item.allocated, item.device, item.inode, item.modified, item.changed, item.created, item.mode, item.user, item.grp, item.names, \
    item.marks, item.class, item.rule, item.want, item.waiver, item.twin, item.bag, item.target, item.fault, item.seen, item.layout";

/// The columns of what was got, in the order that [`read_got`] expects (after [`ITEM_COLUMNS`]).
pub const GOT_COLUMNS: &str = "got.state, got.blake3, got.sha256, got.written, got.verified, got.mismatch, got.again, got.batch, got.missing, got.fault";

/// Number of columns in [`ITEM_COLUMNS`].
pub const ITEM_WIDTH: usize = 29;

/// Reads an item from the first columns of a row.
pub fn read_item(row: &Row<'_>) -> rusqlite::Result<ItemRow> {
    let wide: i64 = row.get(4)?;
    let name: Vec<u8> = row.get(3)?;
    let stream: Option<Vec<u8>> = row.get(5)?;
    Ok(ItemRow {
        id: row.get(0)?,
        parent: row.get(1)?,
        volume: row.get(2)?,
        name: Name::from_stored(&name, wide != 0),
        stream: stream.map(|s| Name::from_stored(&s, wide != 0)),
        kind: kind_from(row.get(6)?),
        bytes: row.get::<_, i64>(7)? as u64,
        allocated: row.get::<_, i64>(8)? as u64,
        device: row.get::<_, i64>(9)? as u64,
        inode: row.get::<_, i64>(10)? as u64,
        modified_ns: row.get(11)?,
        changed_ns: row.get(12)?,
        created_ns: row.get(13)?,
        mode: row.get(14)?,
        user: row.get(15)?,
        group: row.get(16)?,
        names: row.get(17)?,
        marks: Marks(row.get(18)?),
        class: class_from(row.get(19)?),
        rule: row.get(20)?,
        want: Want::from_code(row.get(21)?),
        waiver: row.get(22)?,
        twin: row.get(23)?,
        bag: row.get(24)?,
        target: row.get(25)?,
        fault: row.get(26)?,
        seen: row.get(27)?,
        layout: row.get(28)?,
    })
}

/// Reads what was got from column `at` on; a missing row (outer join) is "nothing".
pub fn read_got(row: &Row<'_>, at: usize, item: i64) -> rusqlite::Result<GotRow> {
    let Some(state) = row.get::<_, Option<i64>>(at)? else {
        return Ok(GotRow::nothing(item));
    };
    let blake3: Option<Vec<u8>> = row.get(at + 1)?;
    let sha256: Option<Vec<u8>> = row.get(at + 2)?;
    let missing: Option<String> = row.get(at + 8)?;
    Ok(GotRow {
        item,
        state: Got::from_code(state),
        blake3: blake3.and_then(|b| Blake3::from_slice(&b)),
        sha256: sha256.and_then(|b| Sha256::from_slice(&b)),
        written: row.get::<_, i64>(at + 3)? as u64,
        verified: row.get::<_, i64>(at + 4)? as u64,
        mismatch: row.get::<_, i64>(at + 5)? as u64,
        again: row.get(at + 6)?,
        batch: row.get(at + 7)?,
        missing: missing
            .and_then(|text| serde_json::from_str(&text).ok())
            .unwrap_or_default(),
        fault: row.get(at + 9)?,
    })
}

/// The encoding of a row that the running sum adds up.
pub fn encode(item: i64, want: Want, waiver: i64, got: &GotRow) -> Vec<u8> {
    let mut out = Vec::with_capacity(160);
    for number in [item, want.code(), waiver, got.state.code(), got.again] {
        out.extend_from_slice(&number.to_le_bytes());
    }
    for mask in [got.written, got.verified, got.mismatch] {
        out.extend_from_slice(&mask.to_le_bytes());
    }
    match got.blake3 {
        Some(d) => out.extend_from_slice(&d.0),
        None => out.push(0),
    }
    match got.sha256 {
        Some(d) => out.extend_from_slice(&d.0),
        None => out.push(0),
    }
    for (first, bytes) in &got.missing {
        out.extend_from_slice(&first.to_le_bytes());
        out.extend_from_slice(&bytes.to_le_bytes());
    }
    out
}

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
    pub fn each_item_after(
        &self,
        after: i64,
        mask: u64,
        limit: usize,
        mut see: impl FnMut(ItemRow, GotRow),
    ) -> Result<(), LedgerError> {
        let sql = format!(
            "SELECT {ITEM_COLUMNS}, {GOT_COLUMNS} FROM got JOIN item ON item.id = got.item
             WHERE got.item > ?1 AND (got.written & ?2) <> 0 ORDER BY got.item LIMIT ?3"
        );
        let mut query = self.doing("taking the next copies", self.db().prepare_cached(&sql))?;
        let rows = self.doing(
            "taking the next copies",
            query.query_map(params![after, mask as i64, limit as i64], read_both),
        )?;
        for row in rows {
            let (item, got) = self.doing("reading a copy's row", row)?;
            see(item, got);
        }
        Ok(())
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
             WHERE queue.place > ?1 AND item.want = 0 AND (got.item IS NULL OR got.state IN (0, 3, 5) OR (got.state IN (1, 2) AND (got.written & ?2) <> ?2))
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

fn read_both(row: &Row<'_>) -> rusqlite::Result<(ItemRow, GotRow)> {
    let item = read_item(row)?;
    let got = read_got(row, ITEM_WIDTH, item.id)?;
    Ok((item, got))
}
