//! From records to item rows: names come in the order of the file table, so they are put down
//! first and walked from the root afterwards.
//!
//! Invariant: every name and stream that a reader hands over becomes exactly one item, the
//! unreachable ones under a folder that says so. Memory does not grow with their number.

use super::carried::Carried;
use super::kept::{Format, VolumeKept};
use super::records::{Record, Records};
use super::tally::Tally;
use crate::bag::name::{LOST_FOLDER, Taken};
use crate::ledger::{FactBody, Got, GotRow, ItemRow, Ledger, LedgerError, RowSum, Want};
use crate::step::outcome::PersonSeen;
use crate::survey::class::{Classer, FolderState};
use crate::survey::item::{Kind, Mark, Marks};
use crate::survey::person::{People, Seen};
use crate::survey::root::{Root, RootKind};
use crate::value::{Moment, Name};
use crate::volume::btrfs;
use crate::volume::filesystem::Survey;
use std::collections::HashMap;

/// Rows written before they are committed.
const ROWS_A_TRANSACTION: u64 = 20_000;

/// The rule for the files of a home that is encrypted as a whole.
const ENCRYPTED_HOME: &str = "encrypted-home";

/// What one volume came to.
#[derive(Debug, Default, Clone, Copy)]
pub struct Walked {
    /// Items.
    pub items: u64,
    /// Their bytes.
    pub bytes: u64,
    /// Entries beneath links, where nothing should be.
    pub beneath_links: u64,
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
    records: Records<'a>,
    /// Some record of the volume has attributes.
    worn: bool,
    tally: Tally,
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
                "DROP INDEX IF EXISTS item_name; DELETE FROM item; DELETE FROM place; DELETE FROM queue; DELETE FROM attribute; DELETE FROM got;",
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
            records: Records::begin(ledger)?,
            worn: false,
            tally: Tally::default(),
        })
    }

    /// Walks the records of one volume from its root; `people` counts along.
    pub fn walk(
        &mut self,
        volume: &VolumeKept,
        survey: &Survey,
        people: &mut People,
    ) -> Result<Walked, LedgerError> {
        self.records.sort()?;
        self.worn = self.records.any_worn()?;
        let root_bag = format!("data/{}", volume.word());
        self.ledger.put_place(volume.root(), &root_bag)?;
        let root = survey.root as i64;
        let kind = self.records.root(root, None)?;
        let mut out = Walked::default();
        let mut twins: HashMap<(i64, Option<Vec<u8>>), i64> = HashMap::new();
        let mut stack = vec![Pending {
            record: root,
            id: volume.root(),
            state: self.classer.root_of(&kind),
            bag: root_bag.clone(),
        }];
        while let Some(pending) = stack.pop() {
            let mut taken = Taken::new();
            self.folder(
                volume, &pending, root, &mut taken, &mut stack, &mut twins, people, &mut out,
            )?;
        }
        self.lost(volume, &root_bag, root, &mut twins, people, &mut out)?;
        Ok(out)
    }

    #[allow(clippy::too_many_arguments)] // the state of one walk; a struct would only carry it twice
    fn folder(
        &mut self,
        volume: &VolumeKept,
        pending: &Pending,
        root: i64,
        taken: &mut Taken,
        stack: &mut Vec<Pending>,
        twins: &mut HashMap<(i64, Option<Vec<u8>>), i64>,
        people: &mut People,
        out: &mut Walked,
    ) -> Result<(), LedgerError> {
        let mut children = self.records.children(pending.record, root)?;
        children.sort_by(|a, b| (&a.name, &a.stream).cmp(&(&b.name, &b.stream)));
        for child in children {
            let mut id = self.item(volume, pending, &child, taken, twins, people, out)?;
            let mut is_folder = child.kind == Kind::Folder && child.stream.is_none();
            if child.kind == Kind::Link && child.stream.is_none() {
                let beneath = self.records.beneath(child.record)?;
                if beneath > 0 {
                    // A link holds nothing: a folder of its name beside it does, so that everything keeps its path.
                    out.beneath_links += beneath;
                    let name = (child.name.clone(), taken.give(&child.name).text);
                    id = self.stand_in(volume, pending.id, name, Marks::default())?;
                    is_folder = true;
                }
            }
            if is_folder {
                let own = self
                    .ledger
                    .item(id)?
                    .and_then(|(item, _)| item.bag)
                    .unwrap_or_else(|| child.name.text());
                let bag = super::super::walk::place_for(&pending.bag, &own, id);
                self.ledger.put_place(id, &bag)?;
                let state = match self.subvolume(volume, &child)? {
                    Some(root) => self.classer.root_of(&root),
                    None => self.classer.enter(&pending.state, &child.name.text()),
                };
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

    /// What a subvolume is, where it is more than a folder: systems stand in one of their own, and so do the homes (`@` and `@home`
    /// by a widespread custom, common practice), and a snapshot of either is one again.
    fn subvolume(&self, volume: &VolumeKept, child: &Record) -> Result<Option<Root>, LedgerError> {
        if volume.format != Format::Btrfs || !btrfs::begins_subvolume(child.record as u64) {
            return Ok(None);
        }
        let name = child.name.text();
        let name = name.strip_prefix('@').unwrap_or(&name);
        let root = self.records.root(child.record, Some(name))?;
        Ok(matches!(root.kind, RootKind::Linux | RootKind::Holder).then_some(root))
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
        let has_content = !marks.any(Marks::without_content());
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
            mode: record.access.mode,
            user: record.access.user,
            group: record.access.group,
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
        if !leave_out {
            if marks.has(Mark::Placeholder) {
                self.tally.placeholder(&at.bag, record.allocated);
            }
            if item.bytes > 0 && twin == 0 && self.classer.is_key_bound(verdict.rule) {
                let whose = at.state.person().map(|who| &**who);
                let of_home = self.classer.rule_name(verdict.rule) == ENCRYPTED_HOME;
                self.tally.key_bound(of_home, whose, item.bytes);
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
        if self.worn && item.stream.is_none() {
            self.records.dress(record.record, id)?;
        }
        if let Some((got, _)) = carried.filter(|(got, _)| got.state != Got::Nothing) {
            let nothing = GotRow::nothing(id);
            self.ledger
                .put_got(item.want, item.waiver, &nothing, &got, &mut self.sum)?;
        }
        out.items += 1;
        out.bytes += item.bytes;
        Ok(id)
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
        let mut taken = Taken::new();
        loop {
            let Some(parent) = self.records.lost(root)? else {
                return Ok(());
            };
            let (id, bag) = match &folder {
                Some(known) => known,
                None => {
                    let mut marks = Marks::default();
                    marks.set(Mark::Orphan);
                    let name = (Name::of("parent folder lost"), LOST_FOLDER.to_owned());
                    let id = self.stand_in(volume, volume.root(), name, marks)?;
                    let bag = format!("{root_bag}/{LOST_FOLDER}");
                    self.ledger.put_place(id, &bag)?;
                    &*folder.insert((id, bag))
                }
            };
            let pending = Pending {
                record: parent,
                id: *id,
                state: state.clone(),
                bag: bag.clone(),
            };
            let mut stack = Vec::new();
            // All that is lost lies in one folder of the bag, whatever number of folders it was in.
            self.folder(
                volume, &pending, root, &mut taken, &mut stack, twins, people, out,
            )?;
            while let Some(pending) = stack.pop() {
                let mut taken = Taken::new();
                self.folder(
                    volume, &pending, root, &mut taken, &mut stack, twins, people, out,
                )?;
            }
        }
    }

    /// A folder that no record is: it stands in for one, so that what lies in it is not lost.
    fn stand_in(
        &mut self,
        volume: &VolumeKept,
        parent: i64,
        (name, bag): (Name, String),
        marks: Marks,
    ) -> Result<i64, LedgerError> {
        let id = self.next;
        self.next += 1;
        let mut item = ItemRow::bare(id, Kind::Folder, Want::Wanted, marks);
        (item.parent, item.volume, item.seen, item.names) = (parent, volume.number, self.survey, 1);
        (item.name, item.bag) = (name, Some(bag));
        item.rule = super::super::walk::RULE_LOST;
        self.ledger.add_item(&item, &mut self.sum)?;
        Ok(id)
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

    /// Where the reader's records go.
    pub fn records(&self) -> Records<'a> {
        self.records
    }

    /// Ends the survey of all drives; the copies that no item has any more are counted. What comes back last is what was
    /// counted of all volumes.
    pub fn end(mut self, people: &[PersonSeen]) -> Result<(RowSum, u64, Tally), LedgerError> {
        super::super::people::keep(self.ledger, people)?;
        self.tally.keep(self.ledger)?;
        let lost = match self.carried.take() {
            Some(carried) => carried.end(self.ledger)?,
            None => 0,
        };
        self.records.end()?;
        self.ledger.rows_moved(self.at, self.sum)?;
        self.ledger.doing(
            "ending the survey",
            self.ledger.db().execute_batch("CREATE UNIQUE INDEX IF NOT EXISTS item_name ON item(parent, name, stream, id); COMMIT"),
        )?;
        Ok((self.sum, lost, self.tally))
    }
}

#[cfg(test)]
#[path = "rows_tests.rs"]
pub(super) mod tests;
