//! `inspect`: looks whether the copies are what they claim to be, lists what was written while the
//! machine was sick, and draws a few for human eyes.
//!
//! Invariant: a copy that could not be looked into is in doubt, never passed over; a doubt changes no
//! item's state, because equal bytes stay equal: it is an open point, for a person to decide before the wipe.

use crate::job::crew::{self, Foreman};
use crate::job::here::{bits, some_here};
use crate::job::{Job, ledger_problem};
use crate::judge::gate::set_entry;
use crate::ledger::facts::FalseContent;
use crate::ledger::terms::{FILE, WANTED, WHOLE};
use crate::ledger::{FactBody, Got, GotRow, ItemRow, LedgerError, Paged};
use crate::port::Destination;
use crate::read::places::{Place, Places};
use crate::step::event::{Event, Step, Tell};
use crate::step::outcome::{Doubtful, Drawn, Inspected, Looked, Outcome, Problem};
use crate::step::request::InspectRequest;
use crate::survey::genuine::{BLOCK, Look, doubt, is_harmless};
use crate::survey::item::Class;
use crate::survey::sort::{Sort, sort_of};
use crate::value::{Blake3, Moment};
use std::collections::BTreeMap;
use std::sync::Arc;

/// Rows taken at once.
const ROWS: usize = 500;
/// The most doubts that the result names; all are counted.
const NAMED: usize = 1000;
/// Drawn when nobody says how many: as many as a person looks at with care (engineering judgement).
const DRAWN: u32 = 12;
/// Kinds of documents of which one each is drawn.
const KINDS: usize = 64;
/// Copies between two tellings.
const TOLD_EVERY: u64 = 500;

/// Looks into the copies.
pub fn inspect(
    job: &Job<'_>,
    request: &InspectRequest,
    tell: Tell<'_>,
) -> Result<Outcome<Inspected>, Problem> {
    let facts = job.ledger.facts().map_err(|e| ledger_problem(&e))?;
    crate::step::refuse_closing(job, &facts)?;
    tell(Event::Started {
        step: Step::Inspect,
    });
    let opened = job.destinations();
    let destinations = some_here(&opened, "inspect JOB")?;
    let here = bits(&destinations);
    let mut looking = Looking {
        job,
        places: Places::new(&job.ledger),
        rows: Paged::default(),
        here,
        since: request.fault_since,
        draw: Draw::new(request.sample.unwrap_or(DRAWN) as usize),
        looked: 0,
        in_doubt: 0,
        doubtful: Vec::new(),
        weighing: Weighing::default(),
        stopped: false,
        tell,
    };
    let memory = job.bench.memory();
    let (workers, from) = (job.bench.workers(), &destinations);
    crew::run(workers, &mut looking, &|| {
        let mut block = memory.block(BLOCK);
        Box::new(move |errand: Errand| {
            let why = look(from, &errand, &mut block);
            (errand, why)
        })
    })
    .map_err(|e| ledger_problem(&e))?;
    let (looked, in_doubt, stopped) = (looking.looked, looking.in_doubt, looking.stopped);
    let doubtful = std::mem::take(&mut looking.doubtful);
    let in_doubt_now: Vec<i64> = looking.weighing.items.keys().copied().collect();
    let false_content = std::mem::take(&mut looking.weighing).done();
    let drawn = std::mem::replace(&mut looking.draw, Draw::new(0)).chosen();
    let mut sample = Vec::with_capacity(drawn.len());
    for id in drawn {
        sample.extend(shown(job, id, here)?);
    }
    let tell = looking.tell;
    if in_doubt > doubtful.len() as u64 {
        tell(Event::Warn {
            says: format!("{in_doubt} copies are in doubt; the first {NAMED} are listed"),
        });
    }
    if !stopped {
        let fact = FactBody::Inspected {
            looked,
            doubtful: in_doubt,
            false_content,
        };
        let at = job.now();
        job.ledger
            .transaction::<_, LedgerError>(|ledger| {
                ledger.keep_doubts(in_doubt_now.iter().copied())?;
                ledger.record(at, &fact).map(|_| ())
            })
            .map_err(|e| ledger_problem(&e))?;
        for warning in job.snapshot() {
            tell(Event::Warn { says: warning });
        }
    }
    tell(Event::Finished);
    let result = Inspected {
        looked: Looked { items: looked },
        doubtful,
        sample,
    };
    let outcome = Outcome::done(&job.dir, result, crate::step::points_now(job)?);
    Ok(if stopped {
        let says = "it was told to stop: nothing is known of the other copies, and nothing of this is recorded";
        let problem = Problem::stopped(
            says,
            job.shown(),
            "holdpoint inspect JOB\nit looks into all of them again",
        );
        outcome
            .short(problem)
            .ending(crate::step::outcome::Exit::Stopped)
    } else {
        outcome
    })
}

/// The best copy of an item among the destinations in `here`: one that was read back and equal, if there is one.
fn best(got: &GotRow, here: u64) -> Option<usize> {
    let good = got.verified & !got.mismatch & here;
    let any = got.written & here;
    let mask = if good != 0 { good } else { any };
    (mask != 0).then(|| mask.trailing_zeros() as usize)
}

/// A drawn item with the place of its copy.
fn shown(job: &Job<'_>, id: i64, here: u64) -> Result<Option<Drawn>, Problem> {
    let failed = |e: LedgerError| ledger_problem(&e);
    let Some((item, got)) = job.ledger.item(id).map_err(failed)? else {
        return Ok(None);
    };
    let place = Places::new(&job.ledger).of(item.parent).map_err(failed)?;
    let kept = best(&got, here).and_then(|number| job.setup.destinations.get(number));
    Ok(kept.map(|kept| {
        let path = place.path_of(&item);
        Drawn {
            path: path.text(),
            raw: path.raw(),
            copy: format!("{}/{}", kept.folder.text, place.bag_path(&item)),
        }
    }))
}

struct Errand {
    item: ItemRow,
    place: Arc<Place>,
    number: usize,
}

/// What may be wrong with a copy.
fn look(from: &[Option<&dyn Destination>], errand: &Errand, block: &mut [u8]) -> Option<String> {
    let path = errand.place.bag_path(&errand.item);
    let destination = from.get(errand.number).copied().flatten()?;
    let outcome = destination.open(&path).and_then(|content| {
        let mut read = |at: u64, buf: &mut [u8]| content.read_at(at, buf);
        let is_hole = errand.item.allocated == 0;
        doubt(
            &errand.item.name.text(),
            is_hole,
            &mut Look::new(errand.item.bytes, &mut read, block),
        )
    });
    outcome.unwrap_or_else(|fault| Some(format!("its copy could not be looked into: {fault}")))
}

/// The foreman.
struct Looking<'a, 'b> {
    job: &'a Job<'b>,
    places: Places<'a>,
    rows: Paged,
    here: u64,
    since: Option<Moment>,
    draw: Draw,
    looked: u64,
    in_doubt: u64,
    doubtful: Vec<Doubtful>,
    weighing: Weighing,
    stopped: bool,
    tell: Tell<'a>,
}

impl Foreman for Looking<'_, '_> {
    type Errand = Errand;
    type Done = (Errand, Option<String>);
    type Error = LedgerError;

    fn next(&mut self) -> Result<Option<Errand>, LedgerError> {
        loop {
            if self.job.bench.stop_asked() {
                self.stopped = true;
                return Ok(None);
            }
            // Further names hold the same bytes; what has gaps is an open point of its own already.
            let condition = format!("{WANTED} AND {FILE} AND item.twin = 0 AND {WHOLE}");
            let ledger = &self.job.ledger;
            let next = (self.rows).next(|after| ledger.items_after(&condition, after, ROWS))?;
            let Some((item, got)) = next else {
                return Ok(None);
            };
            if got.state == Got::Whole
                && let Some(number) = best(&got, self.here)
            {
                let place = self.places.of(item.parent)?;
                return Ok(Some(Errand {
                    item,
                    place,
                    number,
                }));
            }
        }
    }

    fn take(&mut self, (errand, why): (Errand, Option<String>)) -> Result<(), LedgerError> {
        self.looked += 1;
        self.draw.see(&errand.item);
        if why.is_some() && weighs(&errand.item) {
            self.weighing.add(&errand);
        }
        let sick = self
            .since
            .filter(|since| written(&errand.item) >= since.0)
            .map(|since| {
                format!(
                    "last written {:.0}, while the machine was sick (since {since:.0})",
                    Moment(written(&errand.item))
                )
            });
        let why: Vec<String> = why.into_iter().chain(sick).collect();
        if !why.is_empty() {
            self.in_doubt += 1;
            if self.doubtful.len() < NAMED {
                let path = errand.place.path_of(&errand.item);
                self.doubtful.push(Doubtful {
                    path: path.text(),
                    raw: path.raw(),
                    why: why.join("; "),
                });
            }
        }
        if self.looked.is_multiple_of(TOLD_EVERY) {
            (self.tell)(Event::Counted {
                what: "copies looked into".into(),
                done: self.looked,
                all: None,
            });
        }
        Ok(())
    }
}

/// Whether a doubt about this item is one to decide about before the wipe. What comes with programs is got from them
/// again, and what is small, empty or never had room on the drive holds nothing that could be lost.
fn weighs(item: &ItemRow) -> bool {
    matches!(item.class, Class::Irreplaceable | Class::HardToReplace)
        && !is_harmless(&item.name.text(), item.bytes, item.allocated == 0)
}

/// The doubts to decide about, gathered in whatever order the crew comes back.
#[derive(Default)]
struct Weighing {
    items: BTreeMap<i64, [u8; 32]>,
    bytes: u64,
    irreplaceable: u64,
    example: Option<(i64, String)>,
}

impl Weighing {
    fn add(&mut self, errand: &Errand) {
        let item = &errand.item;
        self.bytes += item.bytes;
        self.irreplaceable += u64::from(item.class == Class::Irreplaceable);
        let entry = set_entry(item.id, item.bytes, item.modified_ns, 0);
        self.items.insert(item.id, entry);
        if self.example.as_ref().is_none_or(|(id, _)| item.id < *id) {
            self.example = Some((item.id, errand.place.path_of(item).text()));
        }
    }

    fn done(self) -> Option<FalseContent> {
        let (_, example) = self.example?;
        let mut set = blake3::Hasher::new();
        self.items.values().for_each(|entry| {
            set.update(entry);
        });
        Some(FalseContent {
            items: self.items.len() as u64,
            bytes: self.bytes,
            irreplaceable: self.irreplaceable,
            example,
            set_hash: Blake3(*set.finalize().as_bytes()),
        })
    }
}

/// When an item was written last, or made, whichever is later: a file copied onto the sick machine keeps its
/// old time of writing.
fn written(item: &ItemRow) -> i128 {
    i128::from(item.modified_ns.max(item.created_ns))
}

/// Draws for human eyes: the newest and the oldest picture, the newest film, the largest mail store, one of
/// each kind of document, and then what chance gives, the same in every run.
struct Draw {
    most: usize,
    first: BTreeMap<(u8, String), (i128, i64)>,
    by_chance: BTreeMap<[u8; 8], i64>,
}

impl Draw {
    fn new(most: usize) -> Self {
        Self {
            most,
            first: BTreeMap::new(),
            by_chance: BTreeMap::new(),
        }
    }

    fn see(&mut self, item: &ItemRow) {
        let name = item.name.text();
        let sort = sort_of(&name);
        let at = i128::from(item.modified_ns);
        let size = i128::from(item.bytes);
        // What comes with programs is not what the owner would look at.
        if item.bytes == 0 || matches!(item.class, Class::Replaceable | Class::Rebuildable) {
            return;
        }
        match sort {
            Sort::Picture => {
                self.keep(0, String::new(), at, item.id);
                self.keep(1, String::new(), -at, item.id);
            }
            Sort::Mail => self.keep(2, String::new(), size, item.id),
            Sort::Film => self.keep(3, String::new(), at, item.id),
            Sort::Document => {
                let kind = name.rsplit('.').next().unwrap_or_default().to_lowercase();
                if self.first.len() < KINDS || self.first.contains_key(&(4, kind.clone())) {
                    self.keep(4, kind, at, item.id);
                }
            }
            _ => return,
        }
        let digest = blake3::hash(&item.id.to_le_bytes());
        let mut key = [0u8; 8];
        key.iter_mut()
            .zip(digest.as_bytes())
            .for_each(|(to, from)| *to = *from);
        self.by_chance.insert(key, item.id);
        if self.by_chance.len() > self.most {
            self.by_chance.pop_last();
        }
    }

    fn keep(&mut self, order: u8, kind: String, weight: i128, id: i64) {
        let place = self.first.entry((order, kind)).or_insert((weight, id));
        // Equal weights: the lower number, whatever order the crew came back in.
        if (weight, -id) > (place.0, -place.1) {
            *place = (weight, id);
        }
    }

    fn chosen(self) -> Vec<i64> {
        let named = self.first.into_values().map(|(_, id)| id);
        let mut out: Vec<i64> = Vec::new();
        for id in named.chain(self.by_chance.into_values()) {
            if out.len() < self.most && !out.contains(&id) {
                out.push(id);
            }
        }
        out
    }
}
