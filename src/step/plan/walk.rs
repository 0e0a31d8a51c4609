//! Walking a folder on hold: every entry becomes an item row, through descriptors beneath the
//! root, links recorded and never followed, other mounts named and not entered.
//!
//! Invariant: an entry that cannot be looked at is an item too. Memory is bounded by the
//! largest folder and the folders still to be entered, not by the number of files.

use crate::bag::name::{DEEP_FOLDERS, Taken};
use crate::job::Job;
use crate::ledger::{Fact, FactBody, Got, GotRow, ItemRow, Ledger, LedgerError, RowSum, Want};
use crate::port::{Entry, Fault, FaultKind, Stamp, Tree};
use crate::read::source::unchanged;
use crate::step::event::{Event, Tell};
use crate::step::outcome::Problem;
use crate::survey::class::{Classer, FolderState};
use crate::survey::item::{Kind, Mark, Marks};
use crate::survey::person::{People, Seen};
use crate::survey::root::Root;
use crate::value::{Moment, Name};
use rusqlite::params;
use std::collections::HashMap;

/// Rows written before they are committed, so that `show` never waits long.
const ROWS_A_TRANSACTION: u64 = 20_000;
/// Entries of one folder that are sorted together; a larger folder is taken in stretches of this size.
const SORTED_TOGETHER: usize = 50_000;

/// Number of the rule for sockets, fifos and devices.
pub const RULE_SPECIAL: i64 = 100_001;
/// Its name.
pub const RULE_SPECIAL_NAME: &str = "special-files-hold-no-content";
/// Rule number of the folder that stands in for lost ones, behind those of the class rules.
pub const RULE_LOST: i64 = 100_002;
/// Its name.
pub const RULE_LOST_NAME: &str = "stands-in-for-lost-folders";

/// What a walk came to.
#[derive(Debug, Default, Clone, Copy)]
pub struct Walked {
    /// Entries seen.
    pub items: u64,
    /// Their bytes.
    pub bytes: u64,
    /// Files of an earlier survey that are gone, were not copied and can be had again.
    pub forgotten: u64,
}

struct Pending {
    id: i64,
    parts: Vec<Vec<u8>>,
    state: FolderState,
    bag: String,
}

struct Walk<'a> {
    ledger: &'a Ledger,
    classer: &'a Classer,
    tree: &'a dyn Tree,
    fresh: bool,
    survey: i64,
    /// The newest survey that stands in a bag.
    recorded: i64,
    next: i64,
    sum: RowSum,
    twins: HashMap<(u64, u64), i64>,
    stack: Vec<Pending>,
    walked: Walked,
    uncommitted: u64,
    at: Moment,
    people: People,
}

/// Surveys the folder of `job` as survey number `survey`.
pub fn walk(
    job: &Job<'_>,
    tree: &dyn Tree,
    classer: &Classer,
    root: &Root,
    survey: i64,
    tell: Tell<'_>,
) -> Result<Walked, Problem> {
    let ledger = &job.ledger;
    let failed = |e: LedgerError| crate::job::ledger_problem(&e);
    let facts = ledger.facts().map_err(failed)?;
    // After a finished survey every row counts: what is gone since is said, not forgotten.
    let ended = |fact: &Fact| matches!(fact.body, FactBody::Surveyed { .. });
    let fresh = !facts.iter().any(ended);
    let mut walk = Walk {
        ledger,
        classer,
        tree,
        fresh,
        survey,
        recorded: super::gone::recorded(&facts),
        next: 1,
        sum: RowSum::default(),
        twins: HashMap::new(),
        stack: vec![Pending {
            id: 0,
            parts: Vec::new(),
            state: classer.root_of(root),
            bag: "data/folder".to_owned(),
        }],
        walked: Walked::default(),
        uncommitted: 0,
        at: job.now(),
        people: People::new(i64::try_from(job.now().0).ok()),
    };
    walk.begin().map_err(failed)?;
    let outcome = walk.all(tell);
    match outcome {
        Ok(()) => walk.end(&super::people::own_name(job)).map_err(failed)?,
        Err(e) => {
            ledger.give_up();
            return Err(e);
        }
    }
    Ok(walk.walked)
}

impl Walk<'_> {
    fn begin(&mut self) -> Result<(), LedgerError> {
        let db = self.ledger.db();
        self.ledger
            .doing("beginning the survey", db.execute_batch("BEGIN IMMEDIATE"))?;
        let survey = self.survey;
        self.ledger
            .record(self.at, &FactBody::SurveyBegun { survey })?;
        if self.fresh {
            self.ledger.doing(
                "clearing an unfinished survey",
                db.execute_batch("DROP INDEX IF EXISTS item_name; DELETE FROM item; DELETE FROM place; DELETE FROM queue; DELETE FROM attribute;"),
            )?;
        } else {
            self.sum = self.ledger.row_sum()?;
            self.next = self.ledger.doing(
                "numbering items",
                db.query_row("SELECT coalesce(max(id), 0) + 1 FROM item", [], |row| {
                    row.get(0)
                }),
            )?;
        }
        self.ledger.put_place(0, "data/folder")
    }

    fn end(&mut self, own: &str) -> Result<(), LedgerError> {
        let ledger = self.ledger;
        let names = "CREATE UNIQUE INDEX IF NOT EXISTS item_name ON item(parent, name, stream)";
        ledger.doing("indexing the names", ledger.db().execute_batch(names))?;
        if !self.fresh {
            self.walked.forgotten =
                super::gone::settle(ledger, self.survey, self.recorded, &mut self.sum)?;
        }
        super::people::keep(ledger, &super::people::lines(&self.people, own, "folder"))?;
        ledger.rows_moved(self.at, self.sum)?;
        ledger.doing("ending the survey", ledger.db().execute_batch("COMMIT"))
    }

    fn pause_for_readers(&mut self) -> Result<(), LedgerError> {
        self.uncommitted += 1;
        if self.uncommitted >= ROWS_A_TRANSACTION {
            self.uncommitted = 0;
            self.ledger.rows_moved(self.at, self.sum)?;
            self.ledger.doing(
                "keeping a part of the survey",
                self.ledger.db().execute_batch("COMMIT; BEGIN IMMEDIATE"),
            )?;
        }
        Ok(())
    }

    fn all(&mut self, tell: Tell<'_>) -> Result<(), Problem> {
        let mut told = 0;
        while let Some(pending) = self.stack.pop() {
            match self.folder(&pending) {
                Ok(()) => {}
                Err(Trouble::Ledger(e)) => return Err(crate::job::ledger_problem(&e)),
                Err(Trouble::Source(fault)) if pending.id == 0 || fault.kind == FaultKind::Gone => {
                    return Err(crate::job::fault_problem(
                        &fault,
                        "connect the source again, then:\nholdpoint plan JOB",
                    ));
                }
                Err(Trouble::Source(fault)) => {
                    tell(Event::Fault {
                        on: Name::Bytes(pending.parts.join(&b'/')).text(),
                        says: fault.to_string(),
                    });
                    self.mark_unreadable(pending.id, &fault)
                        .map_err(|e| crate::job::ledger_problem(&e))?;
                }
            }
            if self.walked.items >= told + 5000 {
                told = self.walked.items;
                tell(Event::Counted {
                    what: "items".into(),
                    done: told,
                    all: None,
                });
            }
        }
        Ok(())
    }

    fn mark_unreadable(&mut self, id: i64, fault: &Fault) -> Result<(), LedgerError> {
        let mut marks = Marks::default();
        marks.set(Mark::Unreadable);
        self.ledger.doing(
            "marking an unreadable folder",
            self.ledger.db().execute(
                "UPDATE item SET marks = marks | ?2, fault = ?3 WHERE id = ?1",
                params![id, marks.0, fault.to_string()],
            ),
        )?;
        Ok(())
    }

    fn folder(&mut self, pending: &Pending) -> Result<(), Trouble> {
        let folder = self.tree.folder(&pending.parts)?;
        let mut taken = Taken::new();
        if !self.fresh {
            // Names given before stay given, also those of entries that are gone: their copies still lie there.
            self.ledger.each_child(pending.id, |item, _| {
                taken.note(item.bag.as_deref().unwrap_or(&item.name.text()));
            })?;
        }
        let mut entries: Vec<Entry> = Vec::new();
        let mut trouble = None;
        let ended = folder.each(&mut |entry| {
            if trouble.is_some() {
                return;
            }
            entries.push(entry);
            if entries.len() >= SORTED_TOGETHER {
                let stretch = std::mem::take(&mut entries);
                trouble = self.stretch(pending, stretch, &mut taken).err();
            }
        });
        if let Some(e) = trouble {
            return Err(e.into());
        }
        // Even when the folder broke off in the middle, what it showed is listed.
        self.stretch(pending, entries, &mut taken)?;
        ended.map_err(Trouble::Source)
    }

    fn stretch(
        &mut self,
        pending: &Pending,
        mut entries: Vec<Entry>,
        taken: &mut Taken,
    ) -> Result<(), LedgerError> {
        entries.sort_by(|a, b| a.name.cmp(&b.name));
        let mut known = Vec::with_capacity(if self.fresh { 0 } else { entries.len() });
        if !self.fresh {
            for entry in &entries {
                let found =
                    self.ledger
                        .child(pending.id, &Name::Bytes(entry.name.clone()), None)?;
                known.push(found);
            }
        }
        let mut known = known.into_iter();
        for entry in entries {
            let before = known.next().flatten();
            self.entry(pending, entry, before, taken)?;
            self.pause_for_readers()?;
        }
        Ok(())
    }

    fn entry(
        &mut self,
        pending: &Pending,
        entry: Entry,
        before: Option<(ItemRow, GotRow)>,
        taken: &mut Taken,
    ) -> Result<(), LedgerError> {
        let name = Name::Bytes(entry.name.clone());
        let stamp = entry.stamp.clone().unwrap_or_default();
        let mut twin = 0;
        let id = before.as_ref().map_or(self.next, |(item, _)| item.id);
        if entry.kind == Kind::File && stamp.names > 1 {
            let first = *self.twins.entry((stamp.device, stamp.inode)).or_insert(id);
            twin = if first == id { 0 } else { first };
        }
        let verdict =
            self.classer
                .judge(&pending.state, &name.text(), entry.kind, stamp.bytes, None);
        let (rule, left_out) = match entry.kind {
            Kind::Special => (RULE_SPECIAL, true),
            _ => (i64::from(verdict.rule.0), verdict.leave_out),
        };
        let bag = match &before {
            Some((item, _)) => item.bag.clone(),
            None => {
                let given = taken.give(&name);
                (!given.same).then_some(given.text)
            }
        };
        let want = match &before {
            Some((item, _)) if item.want == Want::Waived => Want::Waived,
            _ if left_out => Want::LeftOut,
            _ => Want::Wanted,
        };
        let item = ItemRow {
            id,
            parent: pending.id,
            volume: 0,
            name,
            stream: None,
            kind: entry.kind,
            bytes: if entry.kind == Kind::File {
                stamp.bytes
            } else {
                0
            },
            allocated: stamp.allocated,
            device: stamp.device,
            inode: stamp.inode,
            modified_ns: stamp.modified_ns,
            changed_ns: stamp.changed_ns,
            created_ns: stamp.created_ns,
            mode: stamp.mode,
            user: stamp.user,
            group: stamp.group,
            names: stamp.names,
            marks: marks_of(&entry, &stamp),
            class: verdict.class,
            rule,
            want,
            waiver: before.as_ref().map_or(0, |(item, _)| item.waiver),
            twin,
            bag,
            target: entry.target.clone(),
            fault: entry.stamp.as_ref().err().map(Fault::to_string),
            seen: self.survey,
            layout: None,
        };
        if want != Want::LeftOut {
            self.meet(&pending.state, &item);
        }
        self.walked.items += 1;
        self.walked.bytes += item.bytes;
        match before {
            None => {
                self.next += 1;
                self.ledger.add_item(&item, &mut self.sum)?;
            }
            Some((old, got)) => self.renew(&old, &got, &item)?,
        }
        self.ledger.forget_attributes(id)?;
        for (name, value) in &entry.attributes {
            self.ledger.put_attribute(id, name, value)?;
        }
        if entry.kind == Kind::Folder {
            self.enter(pending, &item, &entry)?;
        }
        Ok(())
    }

    /// Counts an item among the things of whoever it belongs to.
    fn meet(&mut self, state: &FolderState, item: &ItemRow) {
        let seen = Seen {
            name: &item.name.text(),
            kind: item.kind,
            stream: false,
            bytes: item.bytes,
            modified: (item.modified_ns != 0).then_some(item.modified_ns),
            marks: item.marks,
        };
        self.people.see(state, &seen);
    }

    fn enter(
        &mut self,
        pending: &Pending,
        item: &ItemRow,
        entry: &Entry,
    ) -> Result<(), LedgerError> {
        let own = item.bag.clone().unwrap_or_else(|| item.name.text());
        let bag = place_for(&pending.bag, &own, item.id);
        self.ledger.put_place(item.id, &bag)?;
        // Another device number alone is no other mount: a subvolume of the same mount has one too, and is entered.
        if item.marks.has(Mark::OtherMount) || item.marks.has(Mark::Unreadable) {
            return Ok(());
        }
        let mut parts = pending.parts.clone();
        parts.push(entry.name.clone());
        let state = self.classer.enter(&pending.state, &item.name.text());
        self.people.meet(&state);
        self.stack.push(Pending {
            id: item.id,
            parts,
            state,
            bag,
        });
        Ok(())
    }

    /// Brings an earlier survey's row up to date; content that moved on must be copied again.
    fn renew(&mut self, old: &ItemRow, got: &GotRow, now: &ItemRow) -> Result<(), LedgerError> {
        let same = old.kind == now.kind && old.target == now.target && unchanged(old, &now.stamp());
        if old.want != now.want || old.waiver != now.waiver {
            self.ledger
                .put_want(old, got, now.want, now.waiver, &mut self.sum)?;
        }
        self.ledger.doing(
            "bringing an item up to date",
            self.ledger.db().prepare_cached(
                "UPDATE item SET kind=?2, bytes=?3, allocated=?4, device=?5, inode=?6, modified=?7, changed=?8, created=?9, mode=?10, user=?11,
                 grp=?12, names=?13, marks=?14, class=?15, rule=?16, twin=?17, target=?18, fault=?19, seen=?20 WHERE id=?1",
            )
            .and_then(|mut statement| {
                statement.execute(params![
                    now.id,
                    crate::ledger::row::kind_code(now.kind),
                    now.bytes as i64,
                    now.allocated as i64,
                    now.device as i64,
                    now.inode as i64,
                    now.modified_ns,
                    now.changed_ns,
                    now.created_ns,
                    now.mode,
                    now.user,
                    now.group,
                    now.names,
                    now.marks.0,
                    crate::ledger::row::class_code(now.class),
                    now.rule,
                    now.twin,
                    now.target,
                    now.fault,
                    now.seen,
                ])
            }),
        )?;
        let retry = matches!(got.state, Got::Changed);
        if (!same && got.state != Got::Nothing) || retry {
            let mut again = GotRow::nothing(now.id);
            again.state = Got::Nothing;
            self.ledger
                .put_got(now.want, now.waiver, got, &again, &mut self.sum)?;
        }
        Ok(())
    }
}

/// What the tree says of how an entry is stored, and what follows from its stamp.
fn marks_of(entry: &Entry, stamp: &Stamp) -> Marks {
    let mut marks = entry.marks;
    if entry.stamp.is_err() {
        marks.set(Mark::Unreadable);
    }
    if !entry.attributes.is_empty() {
        marks.set(Mark::ExtendedAttributes);
    }
    if entry.kind == Kind::File && stamp.allocated < stamp.bytes {
        marks.set(Mark::Sparse);
    }
    if entry.kind == Kind::File && stamp.names > 1 {
        marks.set(Mark::HardLinked);
    }
    marks
}

/// Bag path of a folder. A path that grows too long for ordinary tools starts afresh near the
/// root under the folder's number; the evidence file says which folder that is.
pub fn place_for(parent: &str, name: &str, id: i64) -> String {
    /// Leaves room for a file name (255 bytes) below 1,024, and for the destination's own path below 4,096 bytes.
    const LONGEST: usize = 700;
    if parent.len() + 1 + name.len() <= LONGEST {
        format!("{parent}/{name}")
    } else {
        let root = parent.splitn(3, '/').take(2).collect::<Vec<_>>().join("/");
        format!("{root}/{DEEP_FOLDERS}{id}")
    }
}

enum Trouble {
    Ledger(LedgerError),
    Source(Fault),
}

impl From<LedgerError> for Trouble {
    fn from(e: LedgerError) -> Self {
        Trouble::Ledger(e)
    }
}

impl From<Fault> for Trouble {
    fn from(fault: Fault) -> Self {
        Trouble::Source(fault)
    }
}
