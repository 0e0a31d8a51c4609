//! Copies with gaps of which the salvage image has more by now: what is in hand is filled in, and what was copied before
//! comes from the copy. So a weak drive is asked for the gaps alone, and never again for what it once gave.
//!
//! Invariant: a copy is built upon only if all of it but the gaps has the digest that it was written with; else nothing of
//! what was read counts, and everything stays as it was. The new copy takes the place of the old one only when it has more.

use super::Run;
use super::buffers::Buffers;
use super::carry::{Errand, Nature, Targets, carry};
use super::committer::Committer;
use super::salvage::{Reached, Salvage};
use crate::job::ledger_problem;
use crate::ledger::terms::{FILE, WANTED, WITH_GAPS};
use crate::ledger::{GotRow, ItemRow, LedgerError};
use crate::port::{Content, Destination, Fault, FaultKind, Stamp, Stretch};
use crate::read::places::{Place, Places};
use crate::read::source::{Opener, Source};
use crate::read::trees::CopySource;
use crate::step::event::Tell;
use crate::step::outcome::Problem;
use crate::step::running::RunningCounts;
use crate::value::Blake3;
use std::sync::{Arc, Mutex, PoisonError};

/// Rows at a time.
const ROWS: usize = 200;

/// Wanted files that were copied with gaps.
fn had_with_gaps() -> String {
    format!("{WANTED} AND {FILE} AND {WITH_GAPS}")
}

impl<'a, 'b> Run<'a, 'b> {
    /// Puts the gaps of everything that was copied before to the queue; whether anything may be had of them.
    pub(super) fn want_gaps(
        &mut self,
        salvage: &Salvage<'a, 'b>,
        tell: Tell<'_>,
    ) -> Result<bool, LedgerError> {
        let (mut after, mut any) = (0, false);
        loop {
            let page = self.job.ledger.items_after(&had_with_gaps(), after, ROWS)?;
            let Some((last, _)) = page.last() else {
                return Ok(any);
            };
            after = last.id;
            for (item, got) in page.iter().filter(|(item, _)| item.twin == 0) {
                match salvage.want_gaps(item, got, &mut |event| self.look(event, tell))? {
                    Reached::Never => {}
                    Reached::Ready | Reached::Later => any = true,
                    Reached::Stop => return Ok(any),
                    Reached::Gone(drive, fault) => {
                        self.source_gone(drive, &fault)?;
                        return Ok(any);
                    }
                }
            }
        }
    }

    /// Fills what the image has by now into the copies that lack it, at the destinations in `mask`.
    pub(super) fn mend(
        &mut self,
        salvage: &Salvage<'a, 'b>,
        mask: u64,
        tell: Tell<'_>,
    ) -> Result<(), Problem> {
        let failed = |e: LedgerError| ledger_problem(&e);
        let (ledger, clock) = (&self.job.ledger, self.job.bench.clock());
        let counts = RunningCounts::start(self.job)?;
        let committer = Committer::new(ledger, clock, self.destinations, mask, counts);
        let mut committer = committer.map_err(failed)?;
        let buffers = Buffers::new(self.job.bench, false);
        let mut places = Places::new(ledger);
        let links = self.destinations.iter().enumerate().all(|(number, to)| {
            let facts = to
                .filter(|_| mask & (1 << number) != 0)
                .map(|to| to.facts());
            facts.is_none_or(|facts| facts.is_ok_and(|facts| facts.hard_links))
        });
        let mut after = 0;
        loop {
            let page = ledger
                .items_after(&had_with_gaps(), after, ROWS)
                .map_err(failed)?;
            let Some((last, _)) = page.last() else { break };
            after = last.id;
            for (item, before) in page {
                // A further name gets what its first name has, where it can be linked.
                let linked = item.twin != 0 && links;
                if linked || !salvage.has_gained(&item, &before) {
                    continue;
                }
                if !self.look(None, tell) {
                    return committer.commit().map_err(failed);
                }
                let Some(from) = self.copy_of(&before) else {
                    continue;
                };
                let Some(digest) = before.blake3 else {
                    continue;
                };
                let mut opener = Mended {
                    copy: CopySource { from }.into_opener(),
                    drive: salvage.source.opener(),
                    missing: before.missing.clone(),
                    digest,
                };
                let mut errand = Errand {
                    at: places.of(item.parent).map_err(failed)?,
                    item,
                    before,
                    passed: 0,
                    anew: true,
                };
                let live = committer.mask;
                if !self.short.has_room(&mut errand, self.destinations, live) {
                    continue;
                }
                let targets = Targets {
                    all: self.destinations,
                    mask: live,
                };
                let mut done = carry(
                    errand,
                    &mut opener,
                    Nature::of(&salvage.source),
                    &targets,
                    &buffers,
                );
                if !done.got.missing.is_empty() {
                    salvage.name_gaps(&done.errand.item, &mut done.got);
                }
                committer.add(done).map_err(failed)?;
            }
        }
        committer.commit().map_err(failed)?;
        self.short.failed.append(&mut committer.failed);
        Ok(())
    }

    /// A destination that is here and holds the copy.
    fn copy_of(&self, got: &GotRow) -> Option<&'a dyn Destination> {
        let holds = |number: &usize| got.written & !got.mismatch & (1 << number) != 0;
        let mut here = (0..self.destinations.len()).filter(holds);
        here.find_map(|number| self.destinations.get(number).copied().flatten())
    }
}

/// Opens one item: its gaps from the drive's image, everything else from its copy.
struct Mended<'a> {
    copy: Box<dyn Opener + 'a>,
    drive: Box<dyn Opener + 'a>,
    missing: Vec<(u64, u64)>,
    digest: Blake3,
}

impl Opener for Mended<'_> {
    fn open(&mut self, item: &ItemRow, place: &Arc<Place>) -> Result<Box<dyn Content>, Fault> {
        Ok(Box::new(Filled {
            copy: self
                .copy
                .open(item, place)
                .map_err(|e| not_as_it_was(&e.to_string()))?,
            drive: self.drive.open(item, place)?,
            missing: self.missing.clone(),
            bytes: item.bytes,
            digest: self.digest,
            so_far: Mutex::new((0, blake3::Hasher::new())),
        }))
    }

    fn stamp(&mut self, item: &ItemRow, place: &Arc<Place>) -> Result<Stamp, Fault> {
        self.drive.stamp(item, place)
    }
}

/// The copy is no ground to build on.
fn not_as_it_was(why: &str) -> Fault {
    Fault::new(
        FaultKind::Missing,
        "filling the gaps of a copy",
        why.to_owned(),
    )
}

/// A copy with its gaps filled, read once and in order.
struct Filled {
    copy: Box<dyn Content>,
    drive: Box<dyn Content>,
    missing: Vec<(u64, u64)>,
    bytes: u64,
    digest: Blake3,
    /// Up to where it was read, and the digest of the copy as it was written, zeros in the gaps.
    so_far: Mutex<(u64, blake3::Hasher)>,
}

impl Filled {
    /// The end of what lies at `at` alike, and whether that is a gap.
    fn part(&self, at: u64, end: u64) -> (u64, bool) {
        let next = self
            .missing
            .iter()
            .find(|(first, bytes)| at < first.saturating_add(*bytes));
        match next {
            Some((first, bytes)) if *first <= at => (first.saturating_add(*bytes).min(end), true),
            Some((first, _)) => ((*first).min(end), false),
            None => (end, false),
        }
    }

    fn read(&self, at: u64, buf: &mut [u8]) -> Result<Stretch, Fault> {
        let mut so_far = self.so_far.lock().unwrap_or_else(PoisonError::into_inner);
        if so_far.0 != at {
            return Err(not_as_it_was("it is read in order or not at all"));
        }
        let end = self.bytes.min(at.saturating_add(buf.len() as u64));
        let mut out = Stretch::default();
        let mut here = at;
        while here < end {
            let (to, is_gap) = self.part(here, end);
            let (from, to) = ((here - at) as usize, (to - at) as usize);
            let part = buf.get_mut(from..to).unwrap_or_default();
            let count = if is_gap {
                let got = match self.drive.read_around(here, part) {
                    Some(got) => got?,
                    None => return Err(not_as_it_was("its drive gives no gaps")),
                };
                out.missing.extend(got.missing);
                out.fault = got.fault.or(out.fault);
                // In the copy there are zeros.
                let zeros = [0u8; 4096];
                let mut left = got.bytes;
                while left > 0 {
                    let count = left.min(zeros.len());
                    so_far.1.update(&zeros[..count]);
                    left -= count;
                }
                got.bytes
            } else {
                let count = self.copy.read_at(here, part);
                let count = count.map_err(|e| not_as_it_was(&e.to_string()))?;
                so_far.1.update(part.get(..count).unwrap_or_default());
                count
            };
            if count == 0 {
                return Err(not_as_it_was("it is shorter than it was"));
            }
            here += count as u64;
        }
        out.bytes = (end - at) as usize;
        so_far.0 = end;
        if end == self.bytes && end > at {
            let found = Blake3(*so_far.1.finalize().as_bytes());
            if found != self.digest {
                return Err(not_as_it_was(&format!(
                    "expected BLAKE3 {}, found {found}",
                    self.digest
                )));
            }
        }
        Ok(out)
    }
}

impl Content for Filled {
    fn stamp(&self) -> Result<Stamp, Fault> {
        self.drive.stamp()
    }

    fn read_at(&self, at: u64, buf: &mut [u8]) -> Result<usize, Fault> {
        match self.read(at, buf)? {
            Stretch {
                fault: Some(fault), ..
            } => Err(fault),
            got => Ok(got.bytes),
        }
    }

    fn data_after(&self, at: u64) -> Result<Option<(u64, u64)>, Fault> {
        Ok((at < self.bytes).then(|| (at, self.bytes - at)))
    }

    fn read_around(&self, at: u64, buf: &mut [u8]) -> Option<Result<Stretch, Fault>> {
        Some(self.read(at, buf))
    }
}
