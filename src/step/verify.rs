//! `verify`: reads every copy back from its medium and compares; reads the source a second time.
//!
//! Invariant: an item becomes "verified" at a destination only when the bytes read back after the
//! last write there have the digest of the bytes read from the source. How they were read back is
//! recorded, because it cannot be shown everywhere; a cache hit is never called the medium.

mod again;
mod bag;

use crate::job::crew::{self, Foreman};
use crate::job::here::{bits, some_here};
use crate::job::{Job, fault_problem, ledger_problem};
use crate::ledger::{FactBody, GotRow, ItemRow, LedgerError, Paged, RowSum};
use crate::port::{Destination, Fault, FaultKind};
use crate::read::digest;
use crate::read::places::Places;
use crate::step::event::{Event, Step, Tell};
use crate::step::outcome::{Amount, CopyAt, Exit, Outcome, Problem, ReadBack, Verified};
use crate::step::request::VerifyRequest;
use crate::step::running::RunningCounts;
use crate::step::state::Whole;
use std::collections::HashSet;

pub(crate) use again::is_too_weak;
pub use bag::verify_bag;

/// Rows a transaction.
const ROWS: usize = 2000;
/// Bytes read at once.
const PART: usize = 2 << 20;
/// Free bytes in the ledger before the copies are read back, for the facts to come.
const LEDGER_ROOM: u32 = 256 << 10;
/// The most entries of one kind that the result names; more are counted by the open points.
const NAMED: usize = 1000;

/// Reads back the copies of a job. [`verify_bag`] does so for a bag with no job at hand.
pub fn verify(
    job: &Job<'_>,
    request: &VerifyRequest,
    tell: Tell<'_>,
) -> Result<Outcome<Verified>, Problem> {
    tell(Event::Started { step: Step::Verify });
    let facts = job.ledger.facts().map_err(|e| ledger_problem(&e))?;
    crate::step::refuse_closing(job, &facts)?;
    let opened = job.destinations();
    let destinations = some_here(&opened, "verify JOB")?;
    // Sealing comes first: nothing may be written to a destination between its last copy and its reading back.
    let sealed = crate::step::seal::seal_each(job, &destinations)?;
    // What is written after the reading back goes into room that was laid before it.
    for destination in destinations.iter().flatten() {
        crate::step::seal::lay_spares(job, *destination)?;
    }
    let room = job.ledger.make_room(LEDGER_ROOM);
    room.map_err(|e| ledger_problem(&e))?;
    for warning in job.snapshot() {
        tell(Event::Warn { says: warning });
    }
    let mut result = Verified {
        verified: Amount::default(),
        mismatched: Vec::new(),
        missing: Vec::new(),
        extra: Vec::new(),
        method: ReadBack::Medium,
    };
    let (mut read, mut not_read) = (destinations.clone(), Vec::new());
    for (number, kept) in job.setup.destinations.iter().enumerate() {
        let why_not = match (&opened[number], sealed.get(number)) {
            (Ok(_), Some(Some(Err(problem)))) => Some(format!("could not be sealed: {problem}")),
            (Ok(destination), _) => {
                let (at, network) = (destination.as_ref(), kept.network);
                one_destination(job, number, at, network, &mut result, tell)?
            }
            (Err(fault), _) => Some(format!("is not here as it was: {fault}")),
        };
        if let Some(why) = why_not {
            not_read.push(format!("{} {why}", kept.to.text));
            // What an earlier reading back proved there is not what this one says.
            if let Some(at) = read.get_mut(number) {
                *at = None;
            }
        }
    }
    let unequal = again::read_source_again(job, tell)?;
    if request.attest {
        tell(Event::Warn { says: "--attest is for a bag on another machine; this machine made the copies, so its word adds nothing".into() });
    }
    result.verified = verified_everywhere(job, &read)?;
    tell(Event::Finished);
    let bad = !result.mismatched.is_empty()
        || !result.missing.is_empty()
        || !result.extra.is_empty()
        || !not_read.is_empty()
        || unequal > 0;
    let points = crate::step::points_now(job)?;
    let mut outcome = Outcome::done(&job.dir, result, points);
    outcome.short = (!not_read.is_empty()).then(|| {
        Problem::failed(
            format!("not every copy was read back: {}", not_read.join("; ")),
            job.shown(),
            "connect what is not here, then:\nholdpoint verify JOB",
        )
    });
    Ok(outcome.ending(if bad { Exit::Failed } else { Exit::Done }))
}

/// Whole items verified at every one of these destinations that holds them; one with gaps is read back too, and not saved.
fn verified_everywhere(
    job: &Job<'_>,
    destinations: &[Option<&dyn Destination>],
) -> Result<Amount, Problem> {
    let read = bits(destinations);
    if read == 0 {
        return Ok(Amount::default());
    }
    let whole = Whole::at(&job.ledger, read).map_err(|e| ledger_problem(&e))?;
    Ok(whole.read_back)
}

struct Errand {
    item: ItemRow,
    got: GotRow,
    path: String,
}

enum Looked {
    Equal {
        bytes: u64,
        stored: u64,
    },
    Differs(String),
    Missing,
    /// It could not be read: the copy's trouble, or the destination is gone.
    Fault(Fault),
}

/// The foreman that reads one destination back.
struct Reading<'a, 'b> {
    job: &'a Job<'b>,
    number: usize,
    /// The destination is not there any more: nothing is known of what was not read yet.
    gone: Option<Fault>,
    places: Places<'a>,
    rows: Paged,
    bit: u64,
    shown: String,
    waiting: Vec<(ItemRow, GotRow, Looked)>,
    sum: RowSum,
    counts: RunningCounts,
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
        let mut counts = self.counts;
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
                counts.moved(item, got, &now);
            }
            ledger.rows_moved(at, sum)?;
            counts.keep(ledger)
        })?;
        (self.sum, self.counts) = (sum, counts);
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
        if self.gone.is_some() {
            return Ok(None);
        }
        let (ledger, bit) = (&self.job.ledger, self.bit);
        let next = self
            .rows
            .next(|after| ledger.copies_after(bit, after, ROWS))?;
        let Some((item, got)) = next else {
            return Ok(None);
        };
        let place = self.places.of(item.parent)?;
        let path = place.bag_path(&item);
        Ok(Some(Errand { item, got, path }))
    }

    fn take(&mut self, (errand, looked): (Errand, Looked)) -> Result<(), LedgerError> {
        if self.gone.is_none() && matches!(looked, Looked::Missing | Looked::Fault(_)) {
            // A copy that cannot be read says nothing while the whole destination is away.
            self.gone = self.job.destination(self.number).err();
        }
        if self.gone.is_some() {
            return Ok(());
        }
        let looked = match looked {
            Looked::Fault(fault) => Looked::Differs(fault.to_string()),
            other => other,
        };
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
            // Told apart above.
            Looked::Fault(_) => return Ok(()),
        }
        self.waiting.push((errand.item, errand.got, looked));
        if self.waiting.len() >= ROWS {
            self.commit()
        } else {
            Ok(())
        }
    }
}

/// Reads one destination back. What comes back is why it was not: then nothing is recorded of it.
fn one_destination(
    job: &Job<'_>,
    number: usize,
    at: &dyn Destination,
    network: bool,
    result: &mut Verified,
    tell: Tell<'_>,
) -> Result<Option<String>, Problem> {
    let shown = job.setup.destinations[number].to.text.clone();
    let fetched_before = at.fetched_bytes();
    let written = match crate::step::bags::look(at) {
        // Over a network the other machine sets the times, and may tell them more exactly later.
        Ok(lying) => lying
            .written
            .filter(|_| !network)
            .map(|sum| sum.to_string()),
        Err(fault) if fault.kind == FaultKind::Missing => None,
        Err(fault) => return Ok(Some(format!("was not read back: {fault}"))),
    };
    let sum = job.ledger.row_sum().map_err(|e| ledger_problem(&e))?;
    let mut reading = Reading {
        job,
        number,
        gone: None,
        places: Places::new(&job.ledger),
        rows: Paged::default(),
        bit: 1 << number,
        shown: shown.clone(),
        waiting: Vec::new(),
        sum,
        counts: RunningCounts::start(job)?,
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
    if let Some(fault) = reading.gone {
        return Ok(Some(format!("was cut off while it was read back: {fault}")));
    }
    let (done, read_bytes, bad, sum) = (reading.done, reading.read_bytes, reading.bad, reading.sum);
    let (extra, lost_tags) = strangers(job, number, at, done.items + bad.0, &shown, result)?;
    let fetched = at
        .fetched_bytes()
        .zip(fetched_before)
        .map(|(now, before)| now.saturating_sub(before));
    let method = if network {
        ReadBack::Network
    } else if fetched.is_some_and(|fetched| fetched >= read_bytes) {
        ReadBack::Medium
    } else {
        ReadBack::CacheSuspected
    };
    result.method = result.method.max(method);
    job.record(&FactBody::Verified {
        destination: number,
        method,
        items: done.items,
        bytes: done.bytes,
        fetched_bytes: fetched,
        mismatched: bad.0 + lost_tags,
        missing: bad.1,
        extra,
        written,
        rows: sum.to_string(),
    })?;
    Ok(None)
}

fn look(at: &dyn Destination, errand: &Errand, block: &mut [u8]) -> Looked {
    let Some(expected) = errand.got.blake3 else {
        return Looked::Differs("the ledger holds no digest for it".into());
    };
    let content = match at.open(&errand.path) {
        Ok(content) => content,
        Err(fault) if fault.kind == FaultKind::Missing => return Looked::Missing,
        Err(fault) => return Looked::Fault(fault),
    };
    match digest::blake3(content.as_ref(), errand.item.bytes, block) {
        Err(fault) => Looked::Fault(fault),
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
            "connect the destination again, then:\nholdpoint verify JOB",
        )
    };
    let mut found = 0u64;
    let listed = at.each("bag/data", &mut |below| {
        found += u64::from(!below.is_folder)
    });
    match listed {
        // Nothing is there: every copy was told as missing.
        Err(fault) if fault.kind == FaultKind::Missing => found = expected,
        listed => listed.map_err(gone)?,
    }
    let mut extra = 0;
    if found != expected {
        // Only now is it worth remembering names: a set of 64-bit hashes, 8 bytes an item.
        let mut known = HashSet::new();
        let mut places = Places::new(&job.ledger);
        let bit = 1u64 << number;
        job.ledger
            .each_item::<LedgerError>("got.written IS NOT NULL", |item, got| {
                if got.written & bit != 0 {
                    known.insert(short_hash(&places.of(item.parent)?.bag_path(&item)));
                }
                Ok(())
            })
            .map_err(|e| ledger_problem(&e))?;
        at.each("bag/data", &mut |below| {
            if !below.is_folder && !known.contains(&short_hash(below.path)) {
                extra += 1;
                if result.extra.len() < NAMED {
                    let path = below.path.trim_start_matches("bag/").to_owned();
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
