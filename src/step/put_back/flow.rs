//! The foreman of a put-back: hands out files, proves and names them batch by batch, and makes links,
//! further names and folders itself.
//!
//! Invariant: memory does not grow with the number of items, except for 8 bytes a folder that was
//! made and the few files that stand under another name or were refused.

mod further;
mod prove;

use super::carry::{Came, Errand, Found, NoPlace, PART, Porter, Written, find};
use super::chosen::Chosen;
use super::names::Names;
use super::spots::{Map, NoSpot, Parts, Spot, Spots, Top, dress_of, ends_all, own_name};
use crate::job::crew::{self, Foreman};
use crate::job::{Job, ledger_problem};
use crate::ledger::terms::{FILE, WAIVED, WANTED};
use crate::ledger::{Got, GotRow, ItemRow, LedgerError, Paged};
use crate::port::{Block, Destination, Fault, FaultKind, Lacking, Recipient};
use crate::read::places::Places;
use crate::step::event::{Event, Tell};
use crate::step::outcome::{Amount, Exit, Problem, PutBack, Refused};
use crate::survey::item::{Kind, Mark};
use crate::value::measure::bytes_in_words;
use crate::value::{Moment, Name};
use further::Further;
use std::collections::{HashMap, HashSet};
use std::sync::Arc;

/// Rows taken from the ledger at once.
const ROWS: usize = 500;
/// A batch is made durable, proven and named at so many files or bytes.
const BATCH_ITEMS: usize = 512;
const BATCH_BYTES: u64 = 512 << 20;
/// The most entries that the result names.
const NAMED: usize = 1000;
/// Tellings about marks that could not be put on; more are counted.
const TOLD: u64 = 20;

/// What a put-back came to.
pub struct Finished {
    /// For the owner.
    pub result: PutBack,
    /// Files and links that should have come back whole and did not.
    pub not_returned: u64,
    /// It ended before everything was put back.
    pub stopped: bool,
    /// Why, when nobody asked for it.
    pub short: Option<Problem>,
}

/// Why an item is not returned whole.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Loss {
    /// It was lost before: damaged, unreadable, never on the drive, or nothing that can be made again.
    Known,
    /// It should be there, and is not.
    New,
}

/// Everything at hand while items are put back.
pub struct Flow<'a, 'b> {
    job: &'a Job<'b>,
    to: &'a dyn Recipient,
    day: &'a str,
    chosen: &'a Chosen,
    spots: Spots<'a>,
    folders: Places<'a>,
    now: Moment,
    tell: Tell<'a>,
    block: Block,
    rows: Paged,
    further_names: bool,
    waiting: Vec<(Errand, Written)>,
    waiting_bytes: u64,
    /// First names that stand under another name than their own.
    elsewhere: HashMap<i64, Parts>,
    /// First names that are not there.
    absent: HashSet<i64>,
    result: PutBack,
    not_returned: u64,
    not_whole: u64,
    undressed: u64,
    streams: u64,
    stopped: bool,
    trouble: Option<Problem>,
}

impl<'a, 'b> Flow<'a, 'b> {
    /// Nothing done yet.
    pub fn new(
        job: &'a Job<'b>,
        to: &'a dyn Recipient,
        places: (&'a [Top], &'a [Map]),
        day: &'a str,
        chosen: &'a Chosen,
        tell: Tell<'a>,
    ) -> Self {
        let now = job.now();
        Self {
            job,
            to,
            day,
            chosen,
            spots: Spots::new(&job.ledger, to, places, day, now),
            folders: Places::new(&job.ledger),
            now,
            tell,
            block: job.bench.memory().block(PART),
            rows: Paged::default(),
            further_names: false,
            waiting: Vec::new(),
            waiting_bytes: 0,
            elsewhere: HashMap::new(),
            absent: HashSet::new(),
            result: PutBack::default(),
            not_returned: 0,
            not_whole: 0,
            undressed: 0,
            streams: 0,
            stopped: false,
            trouble: None,
        }
    }

    /// Puts back files, links and folders, then the further names of files.
    pub fn everything(&mut self, from: &[Option<&dyn Destination>]) -> Result<(), Problem> {
        let (to, job) = (self.to, self.job);
        // The ledger stays with this thread; the workers know the outside only.
        let (memory, workers, id) = (
            job.bench.memory(),
            job.bench.workers(),
            job.setup.id.as_str(),
        );
        for further_names in [false, true] {
            (self.further_names, self.rows) = (further_names, Paged::default());
            crew::run(workers, self, &|| {
                let porter = Porter { to, from, job: id };
                let mut block = memory.block(PART);
                Box::new(move |mut errand: Errand| {
                    let came = porter.carry(&mut errand, &mut block);
                    (errand, came)
                })
            })
            .and_then(|()| self.prove())
            .map_err(|e| ledger_problem(&e))?;
        }
        Ok(())
    }

    /// Dresses the folders and closes the account.
    pub fn finish(mut self) -> Result<Finished, Problem> {
        if !self.stopped && self.trouble.is_none() {
            self.dress_folders().map_err(|e| ledger_problem(&e))?;
            if let Err(fault) = self.to.settle() {
                self.give_up(&fault);
            }
        }
        let short = match self.trouble {
            Some(problem) if problem.exit() != Exit::Stopped => return Err(problem),
            short => short,
        };
        if self.undressed > TOLD {
            (self.tell)(Event::Warn {
                says: format!(
                    "{} items in all did not take on everything they wore",
                    self.undressed
                ),
            });
        }
        if self.streams > 0 {
            let (were, them) = match self.streams {
                1 => ("1 named stream was".to_owned(), "it"),
                n => (format!("{n} named streams were"), "them"),
            };
            (self.tell)(Event::Warn {
                says: format!(
                    "{were} put back as files beside what they belong to, called NAME (stream STREAM), because there is no other place for {them} here: where a program misses one, write it back as a stream on an NTFS volume"
                ),
            });
        }
        let unnamed = self
            .not_whole
            .saturating_sub(self.result.refused.len() as u64);
        if unnamed > 0 {
            (self.tell)(Event::Warn {
                says: format!(
                    "{unnamed} more items were not returned whole; the first {NAMED} are listed"
                ),
            });
        }
        self.result.set_beside = self.result.set_beside.saturating_add(self.spots.set_beside);
        Ok(Finished {
            result: self.result,
            not_returned: self.not_returned,
            stopped: self.stopped || short.is_some(),
            short,
        })
    }

    /// The recipient takes nothing any more: no new errands, and the step will say so.
    fn give_up(&mut self, fault: &Fault) {
        let (says, again) = (
            fault.to_string(),
            "the same command goes on from where it stopped",
        );
        self.trouble.get_or_insert_with(|| match fault.kind {
            FaultKind::Full => Problem::stopped(says, "", format!("make room there; {again}")),
            _ => {
                let look = "look whether the folder is still there and can be written to";
                Problem::failed(says, "", format!("{look}; {again}"))
            }
        });
    }

    fn refuse(&mut self, item: &ItemRow, folder: &[Vec<u8>], why: String, loss: Loss) {
        self.not_whole += 1;
        if loss == Loss::New {
            self.not_returned += 1;
            self.absent.insert(item.id);
        }
        if self.result.refused.len() < NAMED {
            let mut path = folder.to_vec();
            path.push(own_name(item));
            let name = Name::Bytes(path.join(&b'/'));
            self.result.refused.push(Refused {
                path: name.text(),
                raw: name.raw(),
                why,
            });
        }
    }

    fn names(&self, item: &ItemRow, own: Vec<u8>) -> Names {
        let stand_in = item.bag.clone().map(String::into_bytes);
        Names::new(own, stand_in, self.day, false)
    }

    /// Puts on what the item wore; it stands at `at` now, and is called `place` in the end.
    fn dress(
        &mut self,
        item: &ItemRow,
        at: &[Vec<u8>],
        place: &[Vec<u8>],
    ) -> Result<(), LedgerError> {
        let dress = dress_of(&self.job.ledger, item, self.now)?;
        let Lacking {
            attributes,
            mut marks,
        } = match self.to.dress(at, item.kind, &dress) {
            Ok(lacking) => lacking,
            Err(fault) => Lacking {
                marks: vec![fault.to_string()],
                ..Lacking::default()
            },
        };
        if !attributes.is_empty() {
            let folder = self.spots.of(item.parent)?;
            let why = format!("put back without {}", attributes.join(", "));
            self.refuse(item, &folder.from, why, Loss::Known);
        }
        marks.splice(..0, attributes);
        if !marks.is_empty() {
            self.undressed += 1;
            if self.undressed <= TOLD {
                let path = Name::Bytes(place.join(&b'/')).text();
                (self.tell)(Event::Warn {
                    says: format!("'{path}' was put back without {}", marks.join(", ")),
                });
            }
        }
        Ok(())
    }

    /// The folder of an item, made and mapped, or the item refused.
    fn way_to(&mut self, item: &ItemRow) -> Result<Option<(Arc<Spot>, Parts)>, LedgerError> {
        let ready = self.spots.ready(item.parent).and_then(|spot| {
            let at = self.spots.in_spot(&spot, &own_name(item));
            self.spots.ready_above(&spot, &at)?;
            Ok((spot, at))
        });
        match ready {
            Ok(way) => Ok(Some(way)),
            Err(NoSpot::Ledger(e)) => Err(e),
            Err(NoSpot::Refused(why)) => {
                let from = self.spots.of(item.parent)?;
                self.refuse(item, &from.from, format!("its folder: {why}"), Loss::New);
                Ok(None)
            }
            Err(NoSpot::Stop(fault)) => {
                self.give_up(&fault);
                Ok(None)
            }
        }
    }

    /// Handles what needs no worker; a file that does comes back as an errand.
    fn one(&mut self, item: ItemRow, got: GotRow) -> Result<Option<Errand>, LedgerError> {
        let from = self.spots.of(item.parent)?;
        if !self.chosen.has(&item, &from.from) {
            return Ok(None);
        }
        match item.kind {
            Kind::Folder => {
                self.folder(&item)?;
                Ok(None)
            }
            Kind::Link => {
                self.link(&item)?;
                Ok(None)
            }
            Kind::Special => {
                let why = "a socket, fifo or device: it has no content and is not made again";
                self.refuse(&item, &from.from, why.into(), Loss::Known);
                Ok(None)
            }
            Kind::File => self.file(item, got, &from),
        }
    }

    fn folder(&mut self, item: &ItemRow) -> Result<(), LedgerError> {
        match self.spots.ready(item.id) {
            Ok(_) => Ok(()),
            Err(NoSpot::Ledger(e)) => Err(e),
            Err(NoSpot::Refused(why)) => {
                let from = self.spots.of(item.parent)?;
                self.refuse(item, &from.from, why, Loss::New);
                Ok(())
            }
            Err(NoSpot::Stop(fault)) => {
                self.give_up(&fault);
                Ok(())
            }
        }
    }

    fn link(&mut self, item: &ItemRow) -> Result<(), LedgerError> {
        let Some((spot, mut at)) = self.way_to(item)? else {
            return Ok(());
        };
        let Some(target) = item.target.clone() else {
            let why = "where this link leads could not be read";
            self.refuse(item, &spot.from, why.into(), Loss::Known);
            return Ok(());
        };
        let Some(own) = at.pop() else { return Ok(()) };
        let mut names = self.names(item, own.clone());
        loop {
            let found = find(self.to, &at, &mut names, &mut |_, kind, _, there| {
                Ok(kind == Kind::Link && there == Some(target.as_slice()))
            });
            let place = match found {
                Ok(Found::Equal(_)) => return Ok(()),
                Ok(Found::Free(place)) => place,
                Err(NoPlace::Refused(why)) => {
                    self.refuse(item, &spot.from, why, Loss::New);
                    return Ok(());
                }
                Err(NoPlace::Stop(fault)) => {
                    self.give_up(&fault);
                    return Ok(());
                }
            };
            match self.to.make_link(&place, &target) {
                Ok(()) => {
                    self.result.set_beside += u64::from(place.last() != Some(&own));
                    return self.dress(item, &place, &place);
                }
                Err(fault) if fault.kind == FaultKind::Exists => {}
                Err(fault) if fault.kind == FaultKind::CannotHold && names.stand_in() => {}
                Err(fault) if ends_all(&fault) => {
                    self.give_up(&fault);
                    return Ok(());
                }
                Err(fault) => {
                    let why = format!("the link could not be made here ({fault})");
                    self.refuse(item, &spot.from, why, Loss::New);
                    return Ok(());
                }
            }
        }
    }

    fn file(
        &mut self,
        item: ItemRow,
        got: GotRow,
        from: &Arc<Spot>,
    ) -> Result<Option<Errand>, LedgerError> {
        if let Some((why, loss)) = no_copy(&item, &got) {
            self.refuse(&item, &from.from, why, loss);
            return Ok(None);
        }
        let Some((spot, mut at)) = self.way_to(&item)? else {
            return Ok(None);
        };
        let Some(own) = at.pop() else {
            return Ok(None);
        };
        let mut names = self.names(&item, own.clone());
        if item.twin != 0
            && let Some(first) = self.first_name(item.twin)?
        {
            match self.further_name(&item, &got, &first, (&at, &own), &mut names)? {
                Further::Done => return Ok(None),
                Further::CarryIt => names = self.names(&item, own.clone()),
            }
        }
        let place = self.folders.of(item.parent)?;
        Ok(Some(Errand {
            copy: place.bag_path(&item),
            item,
            got,
            spot,
            at,
            names,
            own,
        }))
    }

    /// An equal file stands at the recipient already.
    fn stands_there(&mut self, errand: &Errand, at: Parts) {
        if at.last() != Some(&errand.own) {
            self.elsewhere.insert(errand.item.id, at);
        }
        self.count_there(&errand.item, &errand.got);
    }

    fn count_there(&mut self, item: &ItemRow, got: &GotRow) {
        if got.state == Got::Whole {
            self.result.already_there += 1;
        } else {
            self.damaged(item, got);
        }
    }

    fn count_returned(&mut self, item: &ItemRow, got: &GotRow, is_beside: bool) {
        self.result.set_beside += u64::from(is_beside);
        self.streams += u64::from(item.stream.is_some());
        if got.state == Got::Whole {
            let so_far = self.result.returned;
            self.result.returned = Amount::new(
                so_far.items.saturating_add(1),
                so_far.bytes.saturating_add(item.bytes),
            );
        } else {
            self.damaged(item, got);
        }
    }

    /// It stands at the recipient, but is not what it was.
    fn damaged(&mut self, item: &ItemRow, got: &GotRow) {
        let missing: u64 = got.missing.iter().map(|(_, bytes)| bytes).sum();
        let why = format!(
            "put back damaged: {missing} of its {} bytes could not be read and are zeros",
            item.bytes
        );
        let folder = self.spots.of(item.parent);
        let folder = folder.map(|spot| spot.from.clone()).unwrap_or_default();
        self.refuse(item, &folder, why, Loss::Known);
    }
}

/// What goes back: all that was wanted, and of what was given up whatever there is a copy of all the same.
fn going_back(further_names: bool) -> String {
    let twin = if further_names { "<>" } else { "=" };
    format!(
        "item.twin {twin} 0 AND ({WANTED} OR {WAIVED} AND {FILE} AND coalesce(got.written, 0) <> 0)"
    )
}

/// Why there is no copy to put back.
fn no_copy(item: &ItemRow, got: &GotRow) -> Option<(String, Loss)> {
    let known = |why: &str| Some((why.to_owned(), Loss::Known));
    if item.marks.has(Mark::OtherMount) {
        return known("it lay on another mount and was not part of this job");
    }
    match got.state {
        Got::Whole | Got::Gaps if got.written != 0 => None,
        Got::Unreadable => known("nothing of it could be read from the source"),
        _ if item.part_here() > 0 => Some((
            format!(
                "it was a placeholder with only a part of its content on the drive ({}), and that part was not copied",
                bytes_in_words(item.part_here())
            ),
            Loss::Known,
        )),
        _ if item.marks.has(Mark::Placeholder) => {
            known("there was no content on the drive, only a placeholder")
        }
        _ if item.marks.has(Mark::Efs) => known(
            "it was encrypted with its owner's own key, and only noise could have been copied",
        ),
        _ if item.marks.has(Mark::UnknownTag) || item.marks.has(Mark::Deduplicated) => {
            known("it was stored in a way that this program cannot read")
        }
        _ if item.marks.has(Mark::Unreadable) => known("it could not be looked at on the source"),
        _ => Some((
            "it was never copied; that can be done only while the source is there".into(),
            Loss::New,
        )),
    }
}

impl Foreman for Flow<'_, '_> {
    type Errand = Errand;
    type Done = (Errand, Came);
    type Error = LedgerError;

    fn next(&mut self) -> Result<Option<Errand>, LedgerError> {
        loop {
            if self.trouble.is_some() {
                return Ok(None);
            }
            if self.job.bench.stop_asked() {
                self.stopped = true;
            }
            if self.stopped {
                return Ok(None);
            }
            let condition = going_back(self.further_names);
            let ledger = &self.job.ledger;
            let next = (self.rows).next(|after| ledger.items_after(&condition, after, ROWS))?;
            let Some((item, got)) = next else {
                return Ok(None);
            };
            if let Some(errand) = self.one(item, got)? {
                return Ok(Some(errand));
            }
        }
    }

    fn take(&mut self, (errand, came): (Errand, Came)) -> Result<(), LedgerError> {
        match came {
            Came::There(at) => self.stands_there(&errand, at),
            Came::Refused(why) => self.refuse(&errand.item, &errand.spot.from, why, Loss::New),
            Came::Stop(fault) => self.give_up(&fault),
            Came::Written(written) => {
                self.waiting_bytes = self.waiting_bytes.saturating_add(errand.item.bytes);
                self.waiting.push((errand, written));
                if self.waiting.len() >= BATCH_ITEMS || self.waiting_bytes >= BATCH_BYTES {
                    self.prove()?;
                }
            }
        }
        Ok(())
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::ledger::Want;
    use crate::survey::item::Marks;

    #[test]
    fn of_a_placeholder_it_is_told_whether_a_part_was_there() {
        let marks = Marks::of(&[Mark::Placeholder]);
        let mut item = ItemRow::bare(1, Kind::File, Want::Wanted, marks);
        item.bytes = 2_000_000;
        let got = GotRow::nothing(1);
        let why = |item: &ItemRow| no_copy(item, &got).unwrap().0;
        assert!(why(&item).contains("no content on the drive"));
        item.allocated = 524_288;
        let told = why(&item);
        assert!(
            told.contains("only a part of its content on the drive (524 kB)"),
            "{told}"
        );
        // What is stored in larger units than its length is no more than itself.
        (item.bytes, item.allocated) = (1000, 4096);
        assert_eq!(item.part_here(), 1000);
        item.marks = Marks::default();
        assert_eq!(item.part_here(), 0);
    }
}
