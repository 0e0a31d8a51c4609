//! `verify`: reads every copy back from its medium and compares; reads the source a second time.
//!
//! Invariant: an item becomes "verified" at a destination only when the bytes read back after the
//! last write there have the digest of the bytes read from the source. How they were read back is
//! recorded, because it cannot be shown everywhere; a cache hit is never called the medium.

use crate::job::{Job, fault_problem, ledger_problem};
use crate::ledger::facts::Method;
use crate::ledger::{FactBody, Got, GotRow, ItemRow, Ledger, LedgerError, RowSum};
use crate::port::{Bench, Content, Destination, Fault, FaultKind, Memory};
use crate::read::source::{Place, unchanged};
use crate::read::trees::bag_path;
use crate::step::copy::places::Places;
use crate::step::crew::{self, Foreman};
use crate::step::event::{Event, Step, Tell};
use crate::step::outcome::{
    Amount, CopyAt, Exit, MemoryState, Outcome, Problem, ReadBack, Verified,
};
use crate::step::request::VerifyRequest;
use crate::value::Blake3;
use std::collections::{HashSet, VecDeque};
use std::sync::Arc;

/// Rows a transaction.
const ROWS: usize = 2000;
/// Bytes read at once.
const PART: usize = 2 << 20;
/// The most entries of one kind that the result names; more are counted by the open points.
const NAMED: usize = 1000;
/// With good memory this many items, and at most so many bytes, are read from the source a second time.
const SAMPLE_ITEMS: u64 = 64;
const SAMPLE_BYTES: u64 = 256 << 20;

/// Reads back the copies of a job, or a bag with no job at hand.
pub fn verify(
    job: &Job<'_>,
    request: &VerifyRequest,
    tell: Tell<'_>,
) -> Result<Outcome<Verified>, Problem> {
    tell(Event::Started { step: Step::Verify });
    let opened = job.destinations();
    let destinations: Vec<Option<&dyn Destination>> = opened
        .iter()
        .map(|d| d.as_ref().ok().map(AsRef::as_ref))
        .collect();
    if destinations.iter().all(Option::is_none) {
        let fault = opened.iter().find_map(|d| d.as_ref().err().cloned());
        let fault = fault.unwrap_or_else(|| {
            Fault::new(
                FaultKind::Missing,
                "opening the destinations",
                "the job has none",
            )
        });
        return Err(fault_problem(
            &fault,
            "connect a destination of this job, then holdpoint verify JOB",
        ));
    }
    // Sealing comes first: nothing may be written to a destination between its last copy and its reading back.
    crate::step::seal::seal_all(job, &destinations)?;
    let mut result = Verified {
        verified: Amount::default(),
        mismatched: Vec::new(),
        missing: Vec::new(),
        extra: Vec::new(),
        method: ReadBack::Medium,
    };
    for (number, kept) in job.setup.destinations.iter().enumerate() {
        match &opened[number] {
            Ok(destination) => one_destination(
                job,
                number,
                destination.as_ref(),
                kept.network,
                &mut result,
                tell,
            )?,
            Err(fault) => tell(Event::Warn {
                says: format!("not read back: {fault}"),
            }),
        }
    }
    let unequal = read_source_again(job, tell)?;
    for warning in job.snapshot() {
        tell(Event::Warn { says: warning });
    }
    if request.attest {
        tell(Event::Warn { says: "--attest is for a bag on another machine; this machine made the copies, so its word adds nothing".into() });
    }
    result.verified = verified_everywhere(job, &destinations)?;
    tell(Event::Finished);
    let bad = !result.mismatched.is_empty()
        || !result.missing.is_empty()
        || !result.extra.is_empty()
        || unequal > 0;
    let points = crate::step::points_now(job)?;
    Ok(Outcome::done(&job.dir, result, points).ending(if bad { Exit::Failed } else { Exit::Done }))
}

/// Items verified at every destination that is here and holds them.
fn verified_everywhere(
    job: &Job<'_>,
    destinations: &[Option<&dyn Destination>],
) -> Result<Amount, Problem> {
    let here = destinations
        .iter()
        .enumerate()
        .filter(|(_, d)| d.is_some())
        .fold(0i64, |mask, (n, _)| mask | 1 << n);
    let ledger = &job.ledger;
    let row = ledger.db().query_row(
        "SELECT count(*), coalesce(sum(item.bytes), 0) FROM got JOIN item ON item.id = got.item
         WHERE got.written & ?1 <> 0 AND (got.verified & ~got.mismatch & ?1) = (got.written & ?1) AND got.state IN (1, 2)",
        [here],
        |row| Ok((row.get::<_, i64>(0)?, row.get::<_, i64>(1)?)),
    );
    let (items, bytes) = ledger
        .doing("counting what is verified", row)
        .map_err(|e| ledger_problem(&e))?;
    Ok(Amount::new(items as u64, bytes as u64))
}

struct Errand {
    item: ItemRow,
    got: GotRow,
    path: String,
}

enum Looked {
    Equal { bytes: u64, stored: u64 },
    Differs(String),
    Missing,
}

/// The foreman that reads one destination back.
struct Reading<'a, 'b> {
    job: &'a Job<'b>,
    places: Places<'a>,
    rows: VecDeque<(ItemRow, GotRow)>,
    after: i64,
    bit: u64,
    shown: String,
    waiting: Vec<(ItemRow, GotRow, Looked)>,
    sum: RowSum,
    done: Amount,
    read_bytes: u64,
    bad: (u64, u64),
    result: &'a mut Verified,
    tell: Tell<'a>,
}

impl Reading<'_, '_> {
    fn commit(&mut self) -> Result<(), LedgerError> {
        let waiting = std::mem::take(&mut self.waiting);
        let (bit, mut sum, at) = (self.bit, self.sum, self.job.now());
        self.job.ledger.transaction::<_, LedgerError>(|ledger| {
            for (item, got, looked) in &waiting {
                let mut now = got.clone();
                if matches!(looked, Looked::Equal { .. }) {
                    now.verified |= bit;
                    now.mismatch &= !bit;
                } else {
                    now.verified &= !bit;
                    now.mismatch |= bit;
                }
                ledger.put_got(item.want, item.waiver, got, &now, &mut sum)?;
            }
            ledger.rows_moved(at, sum)
        })?;
        self.sum = sum;
        (self.tell)(Event::Counted {
            what: format!("copies read back at {}", self.shown),
            done: self.done.items,
            all: None,
        });
        Ok(())
    }
}

impl Foreman for Reading<'_, '_> {
    type Errand = Errand;
    type Done = (Errand, Looked);
    type Error = LedgerError;

    fn next(&mut self) -> Result<Option<Errand>, LedgerError> {
        if self.rows.is_empty() {
            self.rows = written_at(&self.job.ledger, self.after, self.bit)?.into();
        }
        let Some((item, got)) = self.rows.pop_front() else {
            return Ok(None);
        };
        self.after = item.id;
        let place = self.places.of(item.parent)?;
        let path = bag_path(&item, &place);
        Ok(Some(Errand { item, got, path }))
    }

    fn take(&mut self, (errand, looked): (Errand, Looked)) -> Result<(), LedgerError> {
        let at = |why: String| CopyAt {
            path: errand.path.trim_start_matches("bag/").to_owned(),
            raw: None,
            destination: self.shown.clone(),
            why,
        };
        match &looked {
            Looked::Equal { bytes, stored } => {
                self.done.items += 1;
                self.done.bytes += bytes;
                self.read_bytes += stored;
            }
            Looked::Differs(why) => {
                self.bad.0 += 1;
                if self.result.mismatched.len() < NAMED {
                    self.result.mismatched.push(at(why.clone()));
                }
            }
            Looked::Missing => {
                self.bad.1 += 1;
                if self.result.missing.len() < NAMED {
                    self.result
                        .missing
                        .push(at("recorded as copied, and not there".into()));
                }
            }
        }
        self.waiting.push((errand.item, errand.got, looked));
        if self.waiting.len() >= ROWS {
            self.commit()
        } else {
            Ok(())
        }
    }
}

/// The next rows with a copy at the destination `bit`, after item `after`.
fn written_at(
    ledger: &Ledger,
    after: i64,
    bit: u64,
) -> Result<Vec<(ItemRow, GotRow)>, LedgerError> {
    let mut out = Vec::new();
    ledger.each_item_after(after, bit, 1000, |item, got| out.push((item, got)))?;
    Ok(out)
}

fn one_destination(
    job: &Job<'_>,
    number: usize,
    at: &dyn Destination,
    network: bool,
    result: &mut Verified,
    tell: Tell<'_>,
) -> Result<(), Problem> {
    let fetched_before = at.fetched_bytes();
    let shown = job.setup.destinations[number].to.text.clone();
    let sum = job.ledger.row_sum().map_err(|e| ledger_problem(&e))?;
    let mut reading = Reading {
        job,
        places: Places::new(&job.ledger),
        rows: VecDeque::new(),
        after: 0,
        bit: 1 << number,
        shown: shown.clone(),
        waiting: Vec::new(),
        sum,
        done: Amount::default(),
        read_bytes: 0,
        bad: (0, 0),
        result,
        tell,
    };
    let memory = job.bench.memory();
    crew::run(job.bench.workers(), &mut reading, &|| {
        let mut block = memory.block(PART);
        Box::new(move |errand: Errand| {
            let looked = look(at, &errand, &mut block);
            (errand, looked)
        })
    })
    .and_then(|()| reading.commit())
    .map_err(|e| ledger_problem(&e))?;
    let (done, read_bytes, bad, sum) = (reading.done, reading.read_bytes, reading.bad, reading.sum);
    let (extra, lost_tags) = strangers(job, number, at, done.items + bad.0, &shown, result)?;
    let fetched = at
        .fetched_bytes()
        .zip(fetched_before)
        .map(|(now, before)| now.saturating_sub(before));
    let method = if network {
        Method::Network
    } else if fetched.is_some_and(|fetched| fetched >= read_bytes) {
        Method::Medium
    } else {
        Method::CacheSuspected
    };
    result.method = worse(result.method, method);
    job.record(&FactBody::Verified {
        destination: number,
        method,
        items: done.items,
        bytes: done.bytes,
        fetched_bytes: fetched,
        mismatched: bad.0 + lost_tags,
        missing: bad.1,
        extra,
        whole: true,
        rows: sum.to_string(),
    })
}

fn worse(a: ReadBack, b: Method) -> ReadBack {
    match (a, b) {
        (ReadBack::CacheSuspected, _) | (_, Method::CacheSuspected) => ReadBack::CacheSuspected,
        (ReadBack::Network, _) | (_, Method::Network) => ReadBack::Network,
        (ReadBack::Medium, Method::Medium) => ReadBack::Medium,
    }
}

fn look(at: &dyn Destination, errand: &Errand, block: &mut [u8]) -> Looked {
    let Some(expected) = errand.got.blake3 else {
        return Looked::Differs("the ledger holds no digest for it".into());
    };
    let content = match at.open(&errand.path) {
        Ok(content) => content,
        Err(fault) if fault.kind == FaultKind::Missing => return Looked::Missing,
        Err(fault) => return Looked::Differs(fault.to_string()),
    };
    match digest(content.as_ref(), block) {
        Err(fault) => Looked::Differs(fault.to_string()),
        Ok((bytes, _)) if bytes != errand.item.bytes => Looked::Differs(format!(
            "expected {} bytes, found {bytes}",
            errand.item.bytes
        )),
        // Holes are not on the medium, so they cannot be fetched from it.
        Ok((bytes, found)) if found == expected => Looked::Equal {
            bytes,
            stored: content
                .stamp()
                .map_or(bytes, |stamp| stamp.allocated.min(bytes)),
        },
        Ok((_, found)) => Looked::Differs(format!("expected BLAKE3 {expected}, found {found}")),
    }
}

/// BLAKE3 of content read to its end. BLAKE3 alone suffices here: both digests came from the same pass.
fn digest(content: &dyn Content, block: &mut [u8]) -> Result<(u64, Blake3), Fault> {
    let mut hasher = blake3::Hasher::new();
    let mut at = 0u64;
    loop {
        let count = content.read_at(at, block)?;
        if count == 0 {
            return Ok((at, Blake3(*hasher.finalize().as_bytes())));
        }
        for slice in block[..count].chunks(64 << 10) {
            hasher.update(slice);
        }
        at += count as u64;
        // A read that ends inside a page is the end of the file; asking once more would only cost a request.
        if count < block.len() && !at.is_multiple_of(4096) {
            return Ok((at, Blake3(*hasher.finalize().as_bytes())));
        }
    }
}

/// Payload files that the ledger does not know, and tag files that are not as they were sealed.
fn strangers(
    job: &Job<'_>,
    number: usize,
    at: &dyn Destination,
    expected: u64,
    shown: &str,
    result: &mut Verified,
) -> Result<(u64, u64), Problem> {
    let gone = |fault: Fault| {
        fault_problem(
            &fault,
            "connect the destination again, then holdpoint verify JOB",
        )
    };
    let mut found = 0u64;
    at.each("bag/data", &mut |_, is_folder, _| {
        found += u64::from(!is_folder)
    })
    .map_err(gone)?;
    let mut extra = 0;
    if found != expected {
        // Only now is it worth remembering names: a set of 64-bit hashes, 8 bytes an item.
        let mut known = HashSet::new();
        let mut places = Places::new(&job.ledger);
        let bit = 1u64 << number;
        job.ledger
            .each_item::<LedgerError>("got.written IS NOT NULL", |item, got| {
                if got.written & bit != 0 {
                    known.insert(short_hash(&bag_path(
                        &item,
                        places.of(item.parent)?.as_ref(),
                    )));
                }
                Ok(())
            })
            .map_err(|e| ledger_problem(&e))?;
        at.each("bag/data", &mut |path, is_folder, _| {
            if !is_folder && !known.contains(&short_hash(path)) {
                extra += 1;
                if result.extra.len() < NAMED {
                    let path = path.trim_start_matches("bag/").to_owned();
                    result.extra.push(CopyAt {
                        path,
                        raw: None,
                        destination: shown.to_owned(),
                        why: "in the bag, and not recorded".into(),
                    });
                }
            }
        })
        .map_err(gone)?;
    }
    let mut wrong = 0;
    for fault in crate::bag::check::check_tags(at, "bag").map_err(gone)? {
        wrong += 1;
        result.mismatched.push(CopyAt {
            path: fault.0,
            raw: None,
            destination: shown.to_owned(),
            why: fault.1,
        });
    }
    Ok((extra, wrong))
}

fn short_hash(path: &str) -> u64 {
    let digest = blake3::hash(path.as_bytes());
    let bytes = digest.as_bytes();
    u64::from_le_bytes([
        bytes[0], bytes[1], bytes[2], bytes[3], bytes[4], bytes[5], bytes[6], bytes[7],
    ])
}

/// Reads the source a second time: a drawn sample with good memory, everything otherwise. Returns how many readings disagreed.
fn read_source_again(job: &Job<'_>, tell: Tell<'_>) -> Result<u64, Problem> {
    let full = !matches!(job.setup.memory, Some(MemoryState::KnownGood));
    if job.has_bad_symptom() {
        // A drive that may die of being read is not read for a check.
        return Ok(0);
    }
    let source = match crate::step::source::source(job) {
        Ok(source) => source,
        Err(problem) => {
            tell(Event::Warn {
                says: format!("the source was not read a second time: {problem}"),
            });
            return Ok(0);
        }
    };
    let source = source.as_ref();
    let ledger = &job.ledger;
    let drawn = if full { None } else { Some(draw(job)?) };
    let mut again = Again {
        job,
        rows: VecDeque::new(),
        after: 0,
        drawn,
        places: Places::new(ledger),
        waiting: Vec::new(),
        sum: ledger.row_sum().map_err(|e| ledger_problem(&e))?,
        done: Amount::default(),
        unequal: 0,
    };
    let route = crate::step::route_of(job, &ledger.facts().map_err(|e| ledger_problem(&e))?);
    let workers = if route == crate::step::outcome::Route::Ordinary {
        job.bench.workers()
    } else {
        job.bench.workers().min(1)
    };
    let memory: &dyn Memory = job.bench.memory();
    crew::run(workers, &mut again, &|| {
        let mut opener = source.opener();
        // Fresh blocks: other pages than those of the first reading, so that a bad one does not hit both.
        let mut block = memory.block(PART);
        Box::new(move |(item, got, place): (ItemRow, GotRow, Arc<Place>)| {
            let outcome = opener.open(&item, &place).and_then(|content| {
                if source.has_stamps() && !unchanged(&item, &content.stamp()?) {
                    return Ok(None);
                }
                digest(content.as_ref(), &mut block).map(|(_, digest)| Some(digest))
            });
            (item, got, outcome)
        })
    })
    .and_then(|()| again.commit())
    .map_err(|e| ledger_problem(&e))?;
    let (done, unequal, sum) = (again.done, again.unequal, again.sum);
    job.record(&FactBody::SourceReadAgain {
        items: done.items,
        bytes: done.bytes,
        unequal,
        full,
        rows: sum.to_string(),
    })?;
    Ok(unequal)
}

/// Draws the sample: spread over all items by a fixed stride, so that a second run draws the same.
fn draw(job: &Job<'_>) -> Result<HashSet<i64>, Problem> {
    let ledger = &job.ledger;
    let failed = |e: LedgerError| ledger_problem(&e);
    let whole: i64 = ledger
        .doing(
            "counting copies",
            ledger
                .db()
                .query_row("SELECT count(*) FROM got WHERE state = 1", [], |row| {
                    row.get(0)
                }),
        )
        .map_err(failed)?;
    let stride = (whole as u64 / SAMPLE_ITEMS).max(1);
    let (mut place, mut bytes, mut out) = (0u64, 0u64, HashSet::new());
    ledger
        .each_item::<LedgerError>("got.state = 1", |item, _| {
            if place.is_multiple_of(stride) && bytes + item.bytes <= SAMPLE_BYTES {
                bytes += item.bytes;
                out.insert(item.id);
            }
            place += 1;
            Ok(())
        })
        .map_err(failed)?;
    Ok(out)
}

type Reread = (ItemRow, GotRow, Result<Option<Blake3>, Fault>);

/// The foreman that reads the source a second time.
struct Again<'a, 'b> {
    job: &'a Job<'b>,
    rows: VecDeque<(ItemRow, GotRow)>,
    after: i64,
    drawn: Option<HashSet<i64>>,
    places: Places<'a>,
    waiting: Vec<Reread>,
    sum: RowSum,
    done: Amount,
    unequal: u64,
}

impl Again<'_, '_> {
    fn commit(&mut self) -> Result<(), LedgerError> {
        let waiting = std::mem::take(&mut self.waiting);
        let (mut sum, at) = (self.sum, self.job.now());
        self.job.ledger.transaction::<_, LedgerError>(|ledger| {
            for (item, got, outcome) in &waiting {
                let mut now = got.clone();
                now.again = match outcome {
                    Ok(Some(digest)) if Some(*digest) == got.blake3 => 1,
                    Ok(Some(_)) => 2,
                    // It changed since, or is not readable any more: the source check of the gate names that.
                    Ok(None) | Err(_) => got.again,
                };
                if now != *got {
                    ledger.put_got(item.want, item.waiver, got, &now, &mut sum)?;
                }
            }
            ledger.rows_moved(at, sum)
        })?;
        self.sum = sum;
        Ok(())
    }
}

impl Foreman for Again<'_, '_> {
    type Errand = (ItemRow, GotRow, Arc<Place>);
    type Done = Reread;
    type Error = LedgerError;

    fn next(&mut self) -> Result<Option<Self::Errand>, LedgerError> {
        loop {
            if self.rows.is_empty() {
                self.rows = written_at(&self.job.ledger, self.after, u64::MAX >> 1)?.into();
            }
            let Some((item, got)) = self.rows.pop_front() else {
                return Ok(None);
            };
            self.after = item.id;
            let wanted = got.state == Got::Whole
                && item.twin == 0
                && self
                    .drawn
                    .as_ref()
                    .is_none_or(|drawn| drawn.contains(&item.id));
            if wanted {
                let place = self.places.of(item.parent)?;
                return Ok(Some((item, got, place)));
            }
        }
    }

    fn take(&mut self, done: Reread) -> Result<(), LedgerError> {
        let (item, got, outcome) = &done;
        if let Ok(Some(digest)) = outcome {
            self.done.items += 1;
            self.done.bytes += item.bytes;
            self.unequal += u64::from(Some(*digest) != got.blake3);
        }
        self.waiting.push(done);
        if self.waiting.len() >= ROWS {
            self.commit()
        } else {
            Ok(())
        }
    }
}

/// Checks a bag with no job at hand; with `--attest` this machine states what it found, beside the bag.
pub fn verify_bag(
    bench: &dyn Bench,
    request: &VerifyRequest,
    tell: Tell<'_>,
) -> Result<Outcome<Verified>, Problem> {
    tell(Event::Started { step: Step::Verify });
    let gone = |fault: Fault| fault_problem(&fault, "name the folder that holds bagit.txt");
    let path = bench.absolute(&request.path).map_err(gone)?;
    let shown = crate::job::KeptPath::of(&path).text;
    let bag = bench.destination(&path, false).map_err(gone)?;
    let network = bag.facts().is_ok_and(|facts| facts.network);
    let before = bag.fetched_bytes();
    let checked =
        crate::bag::check::check(bag.as_ref(), "", &shown, bench.workers(), bench.memory())
            .map_err(gone)?;
    let fetched = bag
        .fetched_bytes()
        .zip(before)
        .map(|(now, before)| now.saturating_sub(before));
    let method = match (network, fetched) {
        (true, _) => ReadBack::Network,
        (false, Some(fetched)) if fetched >= checked.read_bytes => ReadBack::Medium,
        _ => ReadBack::CacheSuspected,
    };
    let whole =
        checked.mismatched.is_empty() && checked.missing.is_empty() && checked.extra.is_empty();
    if request.attest {
        match (whole, checked.root, path.parent()) {
            (true, Some(root), Some(beside)) => {
                let beside = bench.destination(beside, false).map_err(gone)?;
                let name = crate::step::attest::write(
                    bench,
                    beside.as_ref(),
                    root,
                    checked.verified.items,
                    checked.verified.bytes,
                )
                .map_err(|fault| {
                    fault_problem(
                        &fault,
                        "connect the destination for writing, then do the same again",
                    )
                })?;
                tell(Event::Warn {
                    says: format!("this machine's statement stands beside the bag: {name}"),
                });
            }
            _ => tell(Event::Warn {
                says: "no statement was written: the bag is not complete and valid".into(),
            }),
        }
    }
    tell(Event::Finished);
    let result = Verified {
        verified: checked.verified,
        mismatched: checked.mismatched,
        missing: checked.missing,
        extra: checked.extra,
        method,
    };
    let exit = if whole { Exit::Done } else { Exit::Failed };
    Ok(Outcome {
        job: None,
        result,
        open_points: Vec::new(),
        exit,
    })
}
