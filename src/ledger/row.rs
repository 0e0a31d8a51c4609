//! One item as a row: what the survey found, what is wanted of it, what the copy got.
//!
//! Invariant: a code written to the ledger is never given another meaning; what cannot be
//! made out is read as the least favourable.

use crate::port::Stamp;
pub use crate::survey::item::Got;
use crate::survey::item::{Class, Kind, Mark, Marks};
use crate::value::{Blake3, Name, Sha256};
use rusqlite::Row;

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
// 4 is no code: that an item has no content on the drive is told by its marks, before anything is got.
coded!(Got { 0 => Nothing, 1 => Whole, 2 => Gaps, 3 => Unreadable, 5 => Changed } else Nothing);

/// The ledger's number for a class.
pub fn class_code(class: Class) -> i64 {
    match class {
        Class::Irreplaceable => 0,
        Class::HardToReplace => 1,
        Class::Replaceable => 2,
        Class::Rebuildable => 3,
    }
}

pub(super) fn class_from(code: i64) -> Class {
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
    /// Whether so much of it is holes that it is worth handling them as such: as much as one long request (engineering judgement).
    pub fn is_sparse(&self) -> bool {
        self.allocated.saturating_add(128 << 10) < self.bytes
    }

    /// Bytes that take room where holes take none. Of what is stored packed, the room that it has at the source says nothing: it
    /// is copied unpacked.
    pub fn held(&self) -> u64 {
        let packed = Marks::of(&[Mark::Compressed, Mark::SystemCompressed]);
        match self.marks.has(Mark::Sparse) && !self.marks.any(packed) {
            true => self.allocated.min(self.bytes),
            false => self.bytes,
        }
    }

    /// Bytes of a placeholder that lie on the drive all the same, and are not copied: perhaps a change that never reached the
    /// cloud.
    pub fn part_here(&self) -> u64 {
        match self.marks.has(Mark::Placeholder) {
            true => self.allocated.min(self.bytes),
            false => 0,
        }
    }

    /// What the source said of it when it was surveyed.
    pub fn stamp(&self) -> Stamp {
        Stamp {
            device: self.device,
            inode: self.inode,
            bytes: self.bytes,
            allocated: self.allocated,
            modified_ns: self.modified_ns,
            changed_ns: self.changed_ns,
            created_ns: self.created_ns,
            mode: self.mode,
            user: self.user,
            group: self.group,
            names: self.names,
        }
    }

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
    let blob = |at: usize| row.get_ref(at)?.as_blob_or_null().map_err(from_sql);
    let name = blob(3)?.unwrap_or_default();
    let stream = blob(5)?;
    Ok(ItemRow {
        id: row.get(0)?,
        parent: row.get(1)?,
        volume: row.get(2)?,
        name: Name::from_stored(name, wide != 0),
        stream: stream.map(|s| Name::from_stored(s, wide != 0)),
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

pub(super) fn from_sql(e: rusqlite::types::FromSqlError) -> rusqlite::Error {
    rusqlite::Error::FromSqlConversionFailure(0, rusqlite::types::Type::Blob, Box::new(e))
}

/// Reads what was got from column `at` on; a missing row (outer join) is "nothing".
pub fn read_got(row: &Row<'_>, at: usize, item: i64) -> rusqlite::Result<GotRow> {
    let Some(state) = row.get::<_, Option<i64>>(at)? else {
        return Ok(GotRow::nothing(item));
    };
    // Borrowed from SQLite: a million rows are read at a time, and none of this needs a copy.
    let blob = |at: usize| row.get_ref(at)?.as_blob_or_null().map_err(from_sql);
    let missing = row.get_ref(at + 8)?.as_str_or_null().map_err(from_sql)?;
    Ok(GotRow {
        item,
        state: Got::from_code(state),
        blake3: blob(at + 1)?.and_then(Blake3::from_slice),
        sha256: blob(at + 2)?.and_then(Sha256::from_slice),
        written: row.get::<_, i64>(at + 3)? as u64,
        verified: row.get::<_, i64>(at + 4)? as u64,
        mismatch: row.get::<_, i64>(at + 5)? as u64,
        again: row.get(at + 6)?,
        batch: row.get(at + 7)?,
        missing: missing
            .and_then(|text| serde_json::from_str(text).ok())
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
