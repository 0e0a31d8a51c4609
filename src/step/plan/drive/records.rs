//! Records as a reader hands them over, in the order of its tables: put down in a table of their own, read back by folder.
//!
//! Invariant: nothing is held in memory but one folder's records, and none is given out twice.

use crate::ledger::{Ledger, LedgerError};
use crate::survey::item::{Kind, Mark, Marks};
use crate::survey::root::Root;
use crate::value::Name;
use crate::volume::filesystem::{Access, Found, NoContent};
use rusqlite::{OptionalExtension, Row, params};

/// Parent number that readers give to names whose folder is lost (all bits set).
pub(super) const LOST: i64 = -1;

/// Names of one folder that are looked at to tell what a root is; a folder of Windows has some thousands.
const MOST_NAMES: i64 = 20_000;

/// One name or stream of a record.
pub struct Record {
    /// Number of the record.
    pub record: i64,
    /// Name.
    pub name: Name,
    /// Stream, if it is one.
    pub stream: Option<Name>,
    /// What it is.
    pub kind: Kind,
    /// Length.
    pub bytes: u64,
    /// When it was made.
    pub created: i64,
    /// When it was last written.
    pub modified: i64,
    /// When its record last changed.
    pub changed: i64,
    /// Its marks.
    pub marks: Marks,
    /// Where a link leads.
    pub target: Option<Vec<u8>>,
    /// Where its bytes are.
    pub layout: Option<Vec<u8>>,
    /// Bytes stored for it.
    pub allocated: u64,
    /// Names of the record.
    pub names: u32,
    /// What is wrong with it.
    pub trouble: Option<String>,
    /// Mode, owner and group; 0 where the format has none.
    pub access: Access,
}

/// The records of one volume.
#[derive(Clone, Copy)]
pub struct Records<'a> {
    ledger: &'a Ledger,
}

impl<'a> Records<'a> {
    /// None yet.
    pub fn begin(ledger: &'a Ledger) -> Result<Self, LedgerError> {
        ledger.doing(
            "making room for records",
            ledger.db().execute_batch(
                "CREATE TEMP TABLE IF NOT EXISTS found(record INTEGER, parent INTEGER, name BLOB, wide INTEGER, stream BLOB, kind INTEGER, bytes INTEGER,
                   created INTEGER, modified INTEGER, changed INTEGER, marks INTEGER, target BLOB, layout BLOB, allocated INTEGER, names INTEGER, trouble TEXT, mode INTEGER, user INTEGER,
                   grp INTEGER);
                 CREATE TEMP TABLE IF NOT EXISTS reached(parent INTEGER PRIMARY KEY);
                 CREATE TEMP TABLE IF NOT EXISTS worn(record INTEGER, name BLOB, value BLOB, PRIMARY KEY(record, name)) WITHOUT ROWID;",
            ),
        )?;
        Ok(Self { ledger })
    }

    /// Forgets the records of the volume before.
    pub fn clear(&self) -> Result<(), LedgerError> {
        self.ledger.doing(
            "clearing records",
            self.ledger
                .db()
                .execute_batch("DROP INDEX IF EXISTS temp.found_parent; DROP INDEX IF EXISTS temp.found_record; DELETE FROM temp.found; DELETE FROM temp.reached; DELETE FROM temp.worn"),
        )
    }

    /// Puts one record down.
    pub fn take(&self, found: &Found) -> Result<(), LedgerError> {
        let mut marks = found.marks;
        match found.no_content {
            Some(NoContent::Placeholder) => marks.set(Mark::Placeholder),
            Some(NoContent::Deduplicated) => marks.set(Mark::Deduplicated),
            Some(NoContent::Encrypted) => marks.set(Mark::Efs),
            Some(NoContent::UnknownTag | NoContent::UnknownForm) => marks.set(Mark::UnknownTag),
            Some(NoContent::Folder | NoContent::Link | NoContent::Special) | None => {}
        }
        if found.stream.is_some() {
            marks.set(Mark::Stream);
        }
        if found.bytes == 0 && found.no_content.is_none() {
            // Nothing is encrypted in an empty file.
            marks.0 &= !(1 << Mark::Efs as u32);
        }
        let layout = found.layout.as_ref().filter(|_| found.no_content.is_none());
        let access = found.access.unwrap_or_default();
        let ns = |time: Option<i64>| time.unwrap_or(0);
        let mut statement = self.ledger.doing(
            "putting a record down",
            self.ledger.db().prepare_cached(
                "INSERT INTO temp.found(record,parent,name,wide,stream,kind,bytes,created,modified,changed,marks,target,layout,allocated,names,trouble,mode,user,grp)
                 VALUES(?1,?2,?3,?4,?5,?6,?7,?8,?9,?10,?11,?12,?13,?14,?15,?16,?17,?18,?19)",
            ),
        )?;
        self.ledger.doing(
            "putting a record down",
            statement.execute(params![
                found.record as i64,
                found.parent as i64,
                found.name.stored(),
                found.name.is_wide(),
                found.stream.as_ref().map(Name::stored),
                crate::ledger::row::kind_code(found.kind),
                found.bytes as i64,
                ns(found.times.created),
                ns(found.times.modified),
                ns(found.times.changed),
                marks.0,
                found
                    .link_target
                    .as_ref()
                    .map(|target| target.text().into_bytes()),
                layout.map(|layout| layout.to_bytes()),
                // Of a placeholder too: a part of its content may be here.
                found
                    .layout
                    .as_ref()
                    .map_or(0, |layout| layout.stored_bytes()) as i64,
                found.names,
                found.trouble,
                access.mode,
                access.user,
                access.group,
            ]),
        )?;
        // Named streams wear nothing of their own.
        if found.stream.is_none() {
            for (name, value) in &found.attributes {
                self.ledger.doing(
                    "putting an attribute down",
                    self.ledger
                        .db()
                        .prepare_cached(
                            "INSERT OR IGNORE INTO temp.worn(record,name,value) VALUES(?1,?2,?3)",
                        )
                        .and_then(|mut put| put.execute(params![found.record as i64, name, value])),
                )?;
            }
        }
        Ok(())
    }

    /// Gives item `item` the attributes of a record.
    pub fn dress(&self, record: i64, item: i64) -> Result<(), LedgerError> {
        self.ledger.doing(
            "keeping attributes",
            self.ledger
                .db()
                .prepare_cached("INSERT OR REPLACE INTO attribute(item, name, value) SELECT ?2, name, value FROM temp.worn WHERE record = ?1")
                .and_then(|mut dress| dress.execute(params![record, item])),
        )?;
        Ok(())
    }

    /// Whether any record has attributes.
    pub fn any_worn(&self) -> Result<bool, LedgerError> {
        self.ledger.doing(
            "looking for attributes",
            self.ledger
                .db()
                .query_row("SELECT EXISTS(SELECT 1 FROM temp.worn)", [], |row| {
                    row.get(0)
                }),
        )
    }

    /// Puts the records in order, before they are read back.
    pub fn sort(&self) -> Result<(), LedgerError> {
        self.ledger.doing(
            "sorting records",
            self.ledger
                .db()
                .execute_batch("CREATE INDEX temp.found_parent ON found(parent)"),
        )
    }

    /// What kind of root it is, by its own name, which that of a volume does not have, and the names in and below it.
    pub fn root(&self, root: i64, own: Option<&str>) -> Result<Root, LedgerError> {
        let names = |parent: i64, limit: i64| -> Result<Vec<(i64, String)>, LedgerError> {
            let rows = self
                .ledger
                .db()
                .prepare_cached("SELECT record, name, wide FROM temp.found WHERE parent = ?1 AND stream IS NULL AND record <> ?1 LIMIT ?2")
                .and_then(|mut query| {
                    query
                        .query_map(params![parent, limit], |row| {
                            let name: Vec<u8> = row.get(1)?;
                            Ok((row.get(0)?, Name::from_stored(&name, row.get(2)?).text()))
                        })?
                        .collect::<rusqlite::Result<Vec<_>>>()
                });
            self.ledger.doing("looking at the root", rows)
        };
        let top = names(root, MOST_NAMES)?;
        let text: Vec<String> = top.iter().map(|(_, name)| name.clone()).collect();
        let mut below = |path: &str| {
            let mut at = Some(root);
            for part in path.split('/') {
                // What cannot be listed here only means that fewer rules apply.
                let here = at
                    .and_then(|at| names(at, MOST_NAMES).ok())
                    .unwrap_or_default();
                let found = here.into_iter().find(|(_, have)| have == part);
                at = found.map(|(record, _)| record);
            }
            at.and_then(|at| names(at, MOST_NAMES).ok())
                .unwrap_or_default()
                .into_iter()
                .map(|(_, name)| name)
                .collect()
        };
        Ok(Root::guess(
            own.unwrap_or_default(),
            own.is_none(),
            &text,
            &mut below,
        ))
    }

    /// The children of a record that no walk has reached yet; they count as reached from here on, so that a loop ends.
    pub fn children(&self, record: i64, root: i64) -> Result<Vec<Record>, LedgerError> {
        let db = self.ledger.db();
        let first = db
            .prepare_cached("INSERT OR IGNORE INTO temp.reached(parent) VALUES(?1)")
            .and_then(|mut mark| mark.execute([record]));
        if self.ledger.doing("marking records", first)? == 0 {
            return Ok(Vec::new());
        }
        let sql = "SELECT record,name,wide,stream,kind,bytes,created,modified,changed,marks,target,layout,allocated,names,trouble,mode,user,grp
                   FROM temp.found WHERE parent = ?1 AND NOT (record = ?2 AND stream IS NULL)";
        let rows = db.prepare_cached(sql).and_then(|mut query| {
            query
                .query_map(params![record, root], read_record)?
                .collect::<rusqlite::Result<Vec<_>>>()
        });
        self.ledger.doing("reading records", rows)
    }

    /// How many names and streams say that they lie in this record, and no walk has reached.
    pub fn beneath(&self, record: i64) -> Result<u64, LedgerError> {
        let count = self
            .ledger
            .db()
            .prepare_cached("SELECT count(*) FROM temp.found WHERE parent = ?1 AND parent NOT IN (SELECT parent FROM temp.reached)")
            .and_then(|mut query| query.query_row([record], |row| row.get::<_, i64>(0)));
        Ok(self.ledger.doing("looking beneath a link", count)? as u64)
    }

    /// A record whose children no walk has reached; `None` = all were.
    pub fn lost(&self, root: i64) -> Result<Option<i64>, LedgerError> {
        let next = self.ledger.db().query_row(
            "SELECT parent FROM temp.found WHERE parent NOT IN (SELECT parent FROM temp.reached) AND NOT (record = ?1 AND parent = ?1 AND stream IS NULL)
             ORDER BY parent = ?2 DESC, parent LIMIT 1",
            params![root, LOST],
            |row| row.get::<_, i64>(0),
        );
        self.ledger
            .doing("looking for lost records", next.optional())
    }

    /// Forgets them all.
    pub fn end(&self) -> Result<(), LedgerError> {
        self.ledger.doing(
            "forgetting records",
            self.ledger.db().execute_batch(
                "DROP TABLE temp.found; DROP TABLE temp.reached; DROP TABLE temp.worn",
            ),
        )
    }
}

fn read_record(row: &Row<'_>) -> rusqlite::Result<Record> {
    let wide: bool = row.get(2)?;
    let name: Vec<u8> = row.get(1)?;
    let stream: Option<Vec<u8>> = row.get(3)?;
    Ok(Record {
        record: row.get(0)?,
        name: Name::from_stored(&name, wide),
        stream: stream.map(|stream| Name::from_stored(&stream, wide)),
        kind: crate::ledger::row::kind_from(row.get(4)?),
        bytes: row.get::<_, i64>(5)? as u64,
        created: row.get(6)?,
        modified: row.get(7)?,
        changed: row.get(8)?,
        marks: Marks(row.get(9)?),
        target: row.get(10)?,
        layout: row.get(11)?,
        allocated: row.get::<_, i64>(12)? as u64,
        names: row.get(13)?,
        trouble: row.get(14)?,
        access: Access {
            mode: row.get(15)?,
            user: row.get(16)?,
            group: row.get(17)?,
        },
    })
}
