//! From records to item rows: names come in the order of the file table, so they are put down
//! first and walked from the root afterwards.
//!
//! Invariant: every name and stream that a reader hands over becomes exactly one item, the
//! unreachable ones under a folder that says so. Memory does not grow with their number.

use super::carried::Carried;
use super::kept::VolumeKept;
use crate::bag::name::Taken;
use crate::ledger::{FactBody, Got, GotRow, ItemRow, Ledger, LedgerError, RowSum, Want};
use crate::step::outcome::PersonSeen;
use crate::survey::class::{Classer, FolderState};
use crate::survey::item::{Kind, Mark, Marks};
use crate::survey::person::{People, Seen};
use crate::survey::root::Root;
use crate::value::{Moment, Name};
use crate::volume::filesystem::{Found, NoContent, Survey};
use rusqlite::{Row, params};
use std::collections::{BTreeMap, HashMap};

/// Parent number that readers give to names whose folder is lost (all bits set).
pub(super) const LOST: i64 = -1;
/// Rows written before they are committed.
const ROWS_A_TRANSACTION: u64 = 20_000;

/// What one volume came to.
#[derive(Debug, Default, Clone, Copy)]
pub struct Walked {
    /// Items.
    pub items: u64,
    /// Their bytes.
    pub bytes: u64,
}

/// Writes item rows of drives.
pub struct Rows<'a> {
    ledger: &'a Ledger,
    classer: &'a Classer,
    survey: i64,
    at: Moment,
    next: i64,
    sum: RowSum,
    uncommitted: u64,
    carried: Option<Carried>,
    sync_roots: BTreeMap<String, u64>,
    /// Placeholders with a part of their content on the drive, and the bytes of it.
    partly_here: (u64, u64),
    /// Files with content that only keys open, and their bytes, by whose they are.
    key_bound: BTreeMap<String, (u64, u64)>,
}

/// Sync roots counted one by one; a hostile volume cannot make more.
const MOST_ROOTS: usize = 1000;

struct Record {
    record: i64,
    name: Name,
    stream: Option<Name>,
    kind: Kind,
    bytes: u64,
    created: i64,
    modified: i64,
    changed: i64,
    marks: Marks,
    target: Option<Vec<u8>>,
    layout: Option<Vec<u8>>,
    allocated: u64,
    names: u32,
    trouble: Option<String>,
}

struct Pending {
    record: i64,
    id: i64,
    state: FolderState,
    bag: String,
}

impl<'a> Rows<'a> {
    /// Starts afresh. What was copied already is carried over to the same items when every drive is the `same` still.
    pub fn begin(
        ledger: &'a Ledger,
        classer: &'a Classer,
        survey: i64,
        at: Moment,
        same: bool,
    ) -> Result<Self, LedgerError> {
        let db = ledger.db();
        ledger.doing("beginning the survey", db.execute_batch("BEGIN IMMEDIATE"))?;
        // Part of what it announces: where the whole survey is one transaction, a survey that breaks off never began.
        ledger.record(at, &FactBody::SurveyBegun { survey })?;
        let carried = Carried::begin(ledger, same)?;
        ledger.doing(
            "clearing an earlier survey",
            db.execute_batch(
                "DROP INDEX IF EXISTS item_name; DELETE FROM item; DELETE FROM place; DELETE FROM queue; DELETE FROM attribute; DELETE FROM got;
                 CREATE TEMP TABLE IF NOT EXISTS found(record INTEGER, parent INTEGER, name BLOB, wide INTEGER, stream BLOB, kind INTEGER, bytes INTEGER,
                   created INTEGER, modified INTEGER, changed INTEGER, marks INTEGER, target BLOB, layout BLOB, allocated INTEGER, names INTEGER, trouble TEXT, walked INTEGER DEFAULT 0);",
            ),
        )?;
        Ok(Self {
            ledger,
            classer,
            survey,
            at,
            next: 1,
            sum: RowSum::default(),
            uncommitted: 0,
            carried: Some(carried),
            sync_roots: BTreeMap::new(),
            partly_here: (0, 0),
            key_bound: BTreeMap::new(),
        })
    }

    /// Forgets the records of the volume before.
    pub fn clear(&mut self) -> Result<(), LedgerError> {
        self.ledger.doing(
            "clearing records",
            self.ledger
                .db()
                .execute_batch("DROP INDEX IF EXISTS temp.found_parent; DROP INDEX IF EXISTS temp.found_record; DELETE FROM temp.found"),
        )
    }

    /// Puts one record down.
    pub fn take(&mut self, found: &Found) -> Result<(), LedgerError> {
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
        let ns = |time: Option<i64>| time.unwrap_or(0);
        let mut statement = self.ledger.doing(
            "putting a record down",
            self.ledger.db().prepare_cached(
                "INSERT INTO temp.found(record,parent,name,wide,stream,kind,bytes,created,modified,changed,marks,target,layout,allocated,names,trouble)
                 VALUES(?1,?2,?3,?4,?5,?6,?7,?8,?9,?10,?11,?12,?13,?14,?15,?16)",
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
            ]),
        )?;
        Ok(())
    }

    /// Walks the records of one volume from its root; `people` counts along.
    pub fn walk(
        &mut self,
        volume: &VolumeKept,
        survey: &Survey,
        people: &mut People,
    ) -> Result<Walked, LedgerError> {
        let db = self.ledger.db();
        self.ledger.doing(
            "sorting records",
            db.execute_batch("CREATE INDEX temp.found_parent ON found(parent)"),
        )?;
        let root_bag = format!("data/{}", volume.word());
        self.ledger.put_place(volume.root(), &root_bag)?;
        let root = survey.root as i64;
        let kind = self.look_at_root(root)?;
        let mut out = Walked::default();
        let mut twins: HashMap<(i64, Option<Vec<u8>>), i64> = HashMap::new();
        let mut stack = vec![Pending {
            record: root,
            id: volume.root(),
            state: self.classer.root_of(&kind),
            bag: root_bag.clone(),
        }];
        while let Some(pending) = stack.pop() {
            self.folder(
                volume, &pending, root, &mut stack, &mut twins, people, &mut out,
            )?;
        }
        self.lost(volume, &root_bag, root, &mut twins, people, &mut out)?;
        Ok(out)
    }

    fn look_at_root(&self, root: i64) -> Result<Root, LedgerError> {
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
        let top = names(root, 10_000)?;
        let text: Vec<String> = top.iter().map(|(_, name)| name.clone()).collect();
        let mut below = |name: &str| {
            let record = top
                .iter()
                .find(|(_, have)| have == name)
                .map(|(record, _)| *record);
            // What cannot be listed here only means that fewer rules apply.
            record
                .and_then(|record| names(record, 1_000).ok())
                .unwrap_or_default()
                .into_iter()
                .map(|(_, name)| name)
                .collect()
        };
        Ok(Root::guess("", true, &text, &mut below))
    }

    #[allow(clippy::too_many_arguments)] // the state of one walk; a struct would only carry it twice
    fn folder(
        &mut self,
        volume: &VolumeKept,
        pending: &Pending,
        root: i64,
        stack: &mut Vec<Pending>,
        twins: &mut HashMap<(i64, Option<Vec<u8>>), i64>,
        people: &mut People,
        out: &mut Walked,
    ) -> Result<(), LedgerError> {
        let mut children = self.children(pending.record, root)?;
        children.sort_by(|a, b| (&a.name, &a.stream).cmp(&(&b.name, &b.stream)));
        let mut taken = Taken::new();
        for child in children {
            let id = self.item(volume, pending, &child, &mut taken, twins, people, out)?;
            if child.kind == Kind::Folder && child.stream.is_none() {
                let own = self
                    .ledger
                    .item(id)?
                    .and_then(|(item, _)| item.bag)
                    .unwrap_or_else(|| child.name.text());
                let bag = super::super::walk::place_for(&pending.bag, &own, id);
                self.ledger.put_place(id, &bag)?;
                let state = self.classer.enter(&pending.state, &child.name.text());
                people.meet(&state);
                stack.push(Pending {
                    record: child.record,
                    id,
                    state,
                    bag,
                });
            }
            self.pause_for_readers()?;
        }
        Ok(())
    }

    /// The children of a record that no walk has reached yet; they count as reached from here on, so that a loop ends.
    fn children(&self, record: i64, root: i64) -> Result<Vec<Record>, LedgerError> {
        let sql = "SELECT record,name,wide,stream,kind,bytes,created,modified,changed,marks,target,layout,allocated,names,trouble
                   FROM temp.found WHERE parent = ?1 AND walked = 0 AND NOT (record = ?2 AND stream IS NULL)";
        let db = self.ledger.db();
        let rows = db.prepare_cached(sql).and_then(|mut query| {
            query
                .query_map(params![record, root], read_record)?
                .collect::<rusqlite::Result<Vec<_>>>()
        });
        let rows = self.ledger.doing("reading records", rows)?;
        self.ledger.doing(
            "marking records",
            db.prepare_cached("UPDATE temp.found SET walked = 1 WHERE parent = ?1")
                .and_then(|mut s| s.execute([record])),
        )?;
        Ok(rows)
    }

    #[allow(clippy::too_many_arguments)]
    fn item(
        &mut self,
        volume: &VolumeKept,
        at: &Pending,
        record: &Record,
        taken: &mut Taken,
        twins: &mut HashMap<(i64, Option<Vec<u8>>), i64>,
        people: &mut People,
        out: &mut Walked,
    ) -> Result<i64, LedgerError> {
        let id = self.next;
        self.next += 1;
        let stream = record.stream.as_ref().map(Name::text);
        // A stream of a folder is content like a file's.
        let kind = if record.stream.is_some() {
            Kind::File
        } else {
            record.kind
        };
        let name = record.name.text();
        let verdict = self.classer.judge(
            &at.state,
            &name,
            record.kind,
            record.bytes,
            stream.as_deref(),
        );
        let given = match &record.stream {
            Some(stream) => taken.give_stream(&record.name, stream),
            None => taken.give(&record.name),
        };
        let mut marks = record.marks;
        let mut twin = 0;
        if kind == Kind::File && record.names > 1 {
            marks.set(Mark::HardLinked);
            let first = *twins
                .entry((record.record, record.stream.as_ref().map(Name::stored)))
                .or_insert(id);
            twin = if first == id { 0 } else { first };
        }
        let has_content = marks.0 & super::super::no_content_marks() == 0;
        if kind == Kind::File && has_content && record.layout.is_none() {
            marks.set(Mark::Unreadable);
        }
        let special = kind == Kind::Special;
        let leave_out = special || verdict.leave_out;
        let item = ItemRow {
            id,
            parent: at.id,
            volume: volume.number,
            name: record.name.clone(),
            stream: record.stream.clone(),
            kind,
            bytes: if kind == Kind::File { record.bytes } else { 0 },
            allocated: record.allocated,
            device: volume.drive as u64,
            inode: record.record as u64,
            modified_ns: record.modified,
            changed_ns: record.changed,
            created_ns: record.created,
            mode: 0,
            user: 0,
            group: 0,
            names: record.names,
            marks,
            class: verdict.class,
            rule: if special {
                super::super::walk::RULE_SPECIAL
            } else {
                i64::from(verdict.rule.0)
            },
            want: if leave_out {
                Want::LeftOut
            } else {
                Want::Wanted
            },
            waiver: 0,
            twin,
            bag: (!given.same || record.stream.is_some()).then_some(given.text),
            target: record.target.clone(),
            fault: record.trouble.clone(),
            seen: self.survey,
            layout: record.layout.clone(),
        };
        if !leave_out {
            let modified = (item.modified_ns != 0).then_some(item.modified_ns);
            people.see(
                &at.state,
                &Seen {
                    name: &name,
                    kind: item.kind,
                    stream: item.stream.is_some(),
                    bytes: item.bytes,
                    modified,
                    marks,
                },
            );
        }
        if marks.has(Mark::Placeholder) && !leave_out {
            self.count_placeholder(&at.bag);
            if record.allocated > 0 {
                self.partly_here.0 += 1;
                self.partly_here.1 = self.partly_here.1.saturating_add(record.allocated);
            }
        }
        if !leave_out && item.bytes > 0 && twin == 0 && self.classer.is_key_bound(verdict.rule) {
            let whose = at.state.person().map_or("this machine", |person| person);
            if self.key_bound.len() < MOST_ROOTS || self.key_bound.contains_key(whose) {
                let (count, bytes) = self.key_bound.entry(whose.to_owned()).or_default();
                *count += 1;
                *bytes = bytes.saturating_add(item.bytes);
            }
        }
        let carried = match &mut self.carried {
            Some(carried) => carried.take(self.ledger, &item, &at.bag)?,
            None => None,
        };
        let mut item = item;
        if let Some((_, waiver)) = &carried
            && *waiver != 0
            && item.want == Want::Wanted
        {
            (item.want, item.waiver) = (Want::Waived, *waiver);
        }
        self.ledger.add_item(&item, &mut self.sum)?;
        if let Some((got, _)) = carried.filter(|(got, _)| got.state != Got::Nothing) {
            let nothing = GotRow::nothing(id);
            self.ledger
                .put_got(item.want, item.waiver, &nothing, &got, &mut self.sum)?;
        }
        out.items += 1;
        out.bytes += item.bytes;
        Ok(id)
    }

    /// A sync root is the folder below a profile that placeholders lie in; elsewhere the first folder.
    fn count_placeholder(&mut self, bag: &str) {
        let parts: Vec<&str> = bag.split('/').skip(2).take(5).collect();
        let depth = match parts.as_slice() {
            [first, ..] if first.eq_ignore_ascii_case("users") => 3,
            [_, second, ..] if second.eq_ignore_ascii_case("users") => 4,
            _ => 1,
        };
        let root = parts
            .get(..depth.min(parts.len()))
            .unwrap_or_default()
            .join("/");
        if self.sync_roots.len() < MOST_ROOTS || self.sync_roots.contains_key(&root) {
            *self.sync_roots.entry(root).or_default() += 1;
        }
    }

    /// What no walk reached: names whose folder is lost, and loops. They are items too.
    fn lost(
        &mut self,
        volume: &VolumeKept,
        root_bag: &str,
        root: i64,
        twins: &mut HashMap<(i64, Option<Vec<u8>>), i64>,
        people: &mut People,
        out: &mut Walked,
    ) -> Result<(), LedgerError> {
        let state = self.classer.root();
        let mut folder = None;
        loop {
            let next = self.ledger.db().query_row(
                "SELECT parent FROM temp.found WHERE walked = 0 AND NOT (record = ?1 AND parent = ?1 AND stream IS NULL) ORDER BY parent = ?2 DESC LIMIT 1",
                params![root, LOST],
                |row| row.get::<_, i64>(0),
            );
            let parent = match self.ledger.doing(
                "looking for lost records",
                rusqlite::OptionalExtension::optional(next),
            )? {
                Some(parent) => parent,
                None => return Ok(()),
            };
            let (id, bag) = match &folder {
                Some(known) => known,
                None => &*folder.insert(self.lost_folder(volume, root_bag)?),
            };
            let pending = Pending {
                record: parent,
                id: *id,
                state: state.clone(),
                bag: bag.clone(),
            };
            let mut stack = vec![pending];
            while let Some(pending) = stack.pop() {
                self.folder(volume, &pending, root, &mut stack, twins, people, out)?;
            }
        }
    }

    fn lost_folder(
        &mut self,
        volume: &VolumeKept,
        root_bag: &str,
    ) -> Result<(i64, String), LedgerError> {
        let id = self.next;
        self.next += 1;
        let mut item = ItemRow::bare(id, Kind::Folder, Want::Wanted, Marks::default());
        item.marks.set(Mark::Orphan);
        (item.parent, item.volume, item.seen, item.names) =
            (volume.root(), volume.number, self.survey, 1);
        item.name = Name::of("parent folder lost");
        item.rule = super::super::walk::RULE_LOST;
        self.ledger.add_item(&item, &mut self.sum)?;
        let bag = format!("{root_bag}/~lost");
        self.ledger.put_place(id, &bag)?;
        Ok((id, bag))
    }

    fn pause_for_readers(&mut self) -> Result<(), LedgerError> {
        self.uncommitted += 1;
        // A survey that breaks off must not have lost what was copied: then it is one transaction.
        let may = !self.carried.as_ref().is_some_and(Carried::any);
        if may && self.uncommitted >= ROWS_A_TRANSACTION {
            self.uncommitted = 0;
            self.ledger.rows_moved(self.at, self.sum)?;
            self.ledger.doing(
                "keeping a part of the survey",
                self.ledger.db().execute_batch("COMMIT; BEGIN IMMEDIATE"),
            )?;
        }
        Ok(())
    }

    /// The files with content that only keys open, and their bytes, by whose they are.
    pub fn key_bound(&mut self) -> BTreeMap<String, (u64, u64)> {
        std::mem::take(&mut self.key_bound)
    }

    /// Ends the survey of all drives; the copies that no item has any more are counted.
    pub fn end(mut self, people: &[PersonSeen]) -> Result<(RowSum, u64), LedgerError> {
        super::super::people::keep(self.ledger, people)?;
        super::kept::keep_sync_roots(self.ledger, &self.sync_roots, self.partly_here)?;
        let lost = match self.carried.take() {
            Some(carried) => carried.end(self.ledger)?,
            None => 0,
        };
        self.ledger.rows_moved(self.at, self.sum)?;
        self.ledger.doing(
            "ending the survey",
            self.ledger.db().execute_batch("DROP TABLE temp.found; CREATE UNIQUE INDEX IF NOT EXISTS item_name ON item(parent, name, stream, id); COMMIT"),
        )?;
        Ok((self.sum, lost))
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
    })
}
