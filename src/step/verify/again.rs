//! The second reading of the source: what a bad memory or a forgetful drive gave the first time
//! may come out otherwise the second.
//!
//! Invariant: the second reading goes through other pages than the first, and two readings that
//! disagree are kept as disagreeing until a third settles it; a source that changed is no reading at all. A drive on the
//! salvage route is asked for no sector that is in hand: a sample of it is read from its image, and it is not read in full.

use super::{PART, ROWS};
use crate::job::crew::{self, Foreman};
use crate::job::{Job, ledger_problem};
use crate::ledger::terms::HAD;
use crate::ledger::{Fact, FactBody, Got, GotRow, ItemRow, LedgerError, Paged, RowSum};
use crate::port::{Content, Fault, Memory};
use crate::read::digest;
use crate::read::places::{Place, Places};
use crate::read::source::{Source, unchanged};
use crate::step::event::{Event, Tell};
use crate::step::outcome::{Amount, MemoryState, Problem, Route};
use crate::step::running::RunningCounts;
use crate::survey::item::Mark;
use crate::value::Blake3;
use std::collections::HashSet;
use std::sync::Arc;

/// With good memory this many items, and at most so many bytes, are read from the source a second time.
const SAMPLE_ITEMS: u64 = 64;
const SAMPLE_BYTES: u64 = 256 << 20;

/// Reads the source a second time: a drawn sample with good memory, everything otherwise. Returns how many readings disagreed.
pub(super) fn read_source_again(job: &Job<'_>, tell: Tell<'_>) -> Result<u64, Problem> {
    let facts = job.ledger.facts().map_err(|e| ledger_problem(&e))?;
    let memory = crate::step::state::memory_in_force(job, &facts);
    let full = memory != Some(MemoryState::KnownGood);
    if job.has_bad_symptom() || crate::step::waits_for_owner(job, &facts) {
        // A drive that may die of being read is not read for a check.
        return Ok(0);
    }
    if full && is_too_weak(job, &facts) {
        tell(Event::Warn {
            says: "the source was not read a second time: the memory of this machine is in doubt, and the drive is too weak to be read in full twice; move it to a machine with sound memory, open a new job there and copy again".into(),
        });
        return Ok(0);
    }
    let (source, images) = match crate::step::source::again(job, &facts) {
        Ok(source) => source,
        Err(problem) => {
            tell(Event::Warn {
                says: format!("the source was not read a second time: {problem}"),
            });
            return Ok(0);
        }
    };
    let source = &source;
    let ledger = &job.ledger;
    let drawn = if full { None } else { Some(draw(job)?) };
    let mut again = Again {
        job,
        rows: Paged::default(),
        drawn,
        places: Places::new(ledger),
        waiting: Vec::new(),
        sum: ledger.row_sum().map_err(|e| ledger_problem(&e))?,
        counts: RunningCounts::start(job)?,
        done: Amount::default(),
        unequal: 0,
        unread: 0,
    };
    let route = crate::step::route_of(job, &facts);
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
                // What was refused the first time is not asked for again: it counts as the zeros that stand for it.
                digest_around(content.as_ref(), item.bytes, &got.missing, &mut block).map(Some)
            });
            (item, got, outcome)
        })
    })
    .and_then(|()| again.commit())
    .map_err(|e| ledger_problem(&e))?;
    let in_hand = images.iter().map(|image| image.given_bytes()).sum();
    let (done, unequal, unread, sum) = (again.done, again.unequal, again.unread, again.sum);
    if unread > 0 {
        tell(Event::Warn {
            says: format!("{unread} items of the source could not be read a second time"),
        });
    }
    job.record(&FactBody::SourceReadAgain {
        items: done.items,
        bytes: done.bytes,
        unequal,
        unread,
        full,
        in_hand,
        rows: sum.to_string(),
    })?;
    Ok(unequal)
}

/// Whether a drive of the job is too weak to be read in full a second time: on the salvage route no sector is asked for twice.
pub(crate) fn is_too_weak(job: &Job<'_>, facts: &[Fact]) -> bool {
    let weak = |drive| crate::step::state::route_of_drive(job, facts, drive) >= Route::Salvage;
    (0..job.setup.drives.len()).any(weak)
}

/// Draws the sample, of one item at least: spread over all items by a fixed stride, so that a second run draws the same.
fn draw(job: &Job<'_>) -> Result<HashSet<i64>, Problem> {
    let ledger = &job.ledger;
    let failed = |e: LedgerError| ledger_problem(&e);
    // Read a second time can be what was copied under its first name and is still there.
    let gone = 1u64 << (Mark::Gone as u32);
    let drawn_from = format!("{HAD} AND item.twin = 0 AND item.marks & {gone} = 0");
    let count =
        format!("SELECT count(*) FROM got JOIN item ON item.id = got.item WHERE {drawn_from}");
    let counted = ledger
        .db()
        .query_row(&count, [], |row| row.get::<_, i64>(0));
    let all = ledger.doing("counting copies", counted).map_err(failed)?;
    let stride = (all as u64 / SAMPLE_ITEMS).max(1);
    let (mut place, mut bytes, mut out) = (0u64, 0u64, HashSet::new());
    let mut smallest: Option<(u64, i64)> = None;
    ledger
        .each_item::<LedgerError>(&drawn_from, |item, _| {
            smallest = Some((item.bytes, item.id)).min(smallest.or(Some((u64::MAX, 0))));
            if place.is_multiple_of(stride) && bytes + item.bytes <= SAMPLE_BYTES {
                bytes += item.bytes;
                out.insert(item.id);
            }
            place += 1;
            Ok(())
        })
        .map_err(failed)?;
    // A sample of nothing says nothing: where every drawn file is too large, the smallest one stands for them.
    if out.is_empty() {
        out.extend(smallest.map(|(_, id)| id));
    }
    Ok(out)
}

/// BLAKE3 of `bytes` bytes of content, with zeros in place of the missing ranges, none of which is read.
fn digest_around(
    content: &dyn Content,
    bytes: u64,
    missing: &[(u64, u64)],
    block: &mut [u8],
) -> Result<Blake3, Fault> {
    if missing.is_empty() {
        return digest::blake3(content, bytes, block).map(|(_, digest)| digest);
    }
    let mut hasher = blake3::Hasher::new();
    let mut at = 0u64;
    while at < bytes {
        let gap = missing
            .iter()
            .find(|(first, length)| at < first.saturating_add(*length));
        let (end, lost) = match gap {
            Some((first, length)) if *first <= at => (first.saturating_add(*length), true),
            Some((first, _)) => (*first, false),
            None => (bytes, false),
        };
        let want = usize::try_from(end.min(bytes) - at)
            .unwrap_or(block.len())
            .min(block.len());
        // The last request ends on a whole page behind the end, as requests that bypass the cache must.
        let ask = if end >= bytes && !lost {
            want.next_multiple_of(4096).min(block.len())
        } else {
            want
        };
        let part = &mut block[..ask];
        let count = if lost {
            part.fill(0);
            want
        } else {
            content.read_at(at, part)?.min(want)
        };
        if count == 0 {
            break;
        }
        hasher.update(&part[..count]);
        at += count as u64;
    }
    Ok(Blake3(*hasher.finalize().as_bytes()))
}

type Reread = (ItemRow, GotRow, Result<Option<Blake3>, Fault>);

/// The foreman that reads the source a second time.
struct Again<'a, 'b> {
    job: &'a Job<'b>,
    rows: Paged,
    drawn: Option<HashSet<i64>>,
    places: Places<'a>,
    waiting: Vec<Reread>,
    sum: RowSum,
    counts: RunningCounts,
    done: Amount,
    unequal: u64,
    unread: u64,
}

impl Again<'_, '_> {
    fn commit(&mut self) -> Result<(), LedgerError> {
        let waiting = std::mem::take(&mut self.waiting);
        let (mut sum, mut counts, at) = (self.sum, self.counts, self.job.now());
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
                    counts.moved(item, got, &now);
                }
            }
            ledger.rows_moved(at, sum)?;
            counts.keep(ledger)
        })?;
        (self.sum, self.counts) = (sum, counts);
        Ok(())
    }
}

impl Foreman for Again<'_, '_> {
    type Errand = (ItemRow, GotRow, Arc<Place>);
    type Done = Reread;
    type Error = LedgerError;

    fn next(&mut self) -> Result<Option<Self::Errand>, LedgerError> {
        loop {
            let ledger = &self.job.ledger;
            let next = (self.rows).next(|after| ledger.copies_after(u64::MAX >> 1, after, ROWS))?;
            let Some((item, got)) = next else {
                return Ok(None);
            };
            // What is gone cannot be read again; it need not when it was before.
            let is_settled = item.marks.has(Mark::Gone) && got.again == 1;
            let wanted = matches!(got.state, Got::Whole | Got::Gaps)
                && item.twin == 0
                && !is_settled
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
        // One that changed meanwhile was not read a second time either.
        self.unread += u64::from(!matches!(outcome, Ok(Some(_))));
        self.waiting.push(done);
        if self.waiting.len() >= ROWS {
            self.commit()
        } else {
            Ok(())
        }
    }
}
