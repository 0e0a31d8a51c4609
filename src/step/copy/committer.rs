//! The committer: finished files become durable together, then one transaction says so.
//!
//! Invariant, in this order: every byte of the batch is on the medium; the files get their
//! final names; the names are on the medium; the ledger's transaction commits. A crash between
//! any two of these repeats at most the batch in hand, and nothing is called copied that is not.

use super::carry::{Done, Errand, temporary};
use crate::bag::spare;
use crate::ledger::row::class_code;
use crate::ledger::{FactBody, Got, Ledger, LedgerError, RowSum, Want};
use crate::port::{Clock, Destination, Fault, FaultKind};
use crate::step::running::RunningCounts;
use crate::survey::item::Class;
use std::collections::HashSet;

/// A batch ends at this many files ...
const FILES: usize = 1000;
/// ... or this many bytes ...
const BYTES: u64 = 256 << 20;
/// ... or after this time.
const NANOSECONDS: u64 = 1_000_000_000;
/// Folders remembered as made; more than this and the memory starts afresh.
const FOLDERS: usize = 4096;

/// What was committed of one class, for the progress.
#[derive(Debug, Default, Clone, Copy)]
pub struct Tally {
    /// Items.
    pub items: u64,
    /// Their bytes.
    pub bytes: u64,
    /// Those of them that did not come over whole.
    pub gaps: u64,
}

/// Collects finished items and commits them.
pub struct Committer<'a> {
    ledger: &'a Ledger,
    clock: &'a dyn Clock,
    destinations: &'a [Option<&'a dyn Destination>],
    /// Destinations still written to.
    pub mask: u64,
    /// Without room for more (bit mask): what is whole there already is still named and counted.
    full: u64,
    /// Why others are not any more.
    pub failed: Vec<(usize, Fault)>,
    waiting: Vec<Done>,
    waiting_bytes: u64,
    since: u64,
    made: Vec<HashSet<String>>,
    sum: RowSum,
    batch: i64,
    counts: RunningCounts,
    /// What was committed so far, by class.
    pub tally: [Tally; Class::ALL.len()],
}

impl<'a> Committer<'a> {
    /// Starts after the newest batch of the ledger.
    pub fn new(
        ledger: &'a Ledger,
        clock: &'a dyn Clock,
        destinations: &'a [Option<&'a dyn Destination>],
        mask: u64,
        counts: RunningCounts,
    ) -> Result<Self, LedgerError> {
        let batch = ledger
            .get("batch")?
            .and_then(|text| text.parse().ok())
            .unwrap_or(0);
        Ok(Self {
            ledger,
            clock,
            destinations,
            mask,
            full: 0,
            failed: Vec::new(),
            waiting: Vec::new(),
            waiting_bytes: 0,
            since: clock.ticks(),
            made: vec![HashSet::new(); destinations.len()],
            sum: ledger.row_sum()?,
            batch,
            counts,
            tally: Default::default(),
        })
    }

    /// Takes a finished item; commits when the batch is full or old. `true` = a batch was committed.
    pub fn add(&mut self, done: Done) -> Result<bool, LedgerError> {
        for (number, fault) in &done.failed {
            self.give_up_on(*number, fault.clone());
        }
        self.waiting_bytes += done.errand.item.bytes;
        self.waiting.push(done);
        let full = self.waiting.len() >= FILES || self.waiting_bytes >= BYTES;
        if full || self.clock.ticks().saturating_sub(self.since) >= NANOSECONDS {
            self.commit()?;
            return Ok(true);
        }
        Ok(false)
    }

    /// Whether the batch in hand has waited long enough.
    pub fn is_due(&self) -> bool {
        !self.waiting.is_empty() && self.clock.ticks().saturating_sub(self.since) >= NANOSECONDS
    }

    fn give_up_on(&mut self, number: usize, fault: Fault) {
        // A file that this destination cannot hold is the item's trouble, not the destination's.
        if fault.kind != FaultKind::CannotHold && self.mask & (1 << number) != 0 {
            self.mask &= !(1 << number);
            if fault.kind == FaultKind::Full {
                self.full |= 1 << number;
                if let Some(destination) = self.destinations.get(number).copied().flatten() {
                    // What was kept free until now is for the record of what was copied. Else there is less of it.
                    let _ = spare::give(destination, spare::LEDGER);
                }
            }
            self.failed.push((number, fault));
        }
    }

    /// Makes the batch durable and says so.
    pub fn commit(&mut self) -> Result<(), LedgerError> {
        self.since = self.clock.ticks();
        if self.waiting.is_empty() {
            return Ok(());
        }
        let mut waiting = std::mem::take(&mut self.waiting);
        self.waiting_bytes = 0;
        let destinations = self.destinations;
        for (number, destination) in destinations.iter().enumerate() {
            let bit = 1u64 << number;
            let Some(destination) = (*destination).filter(|_| (self.mask | self.full) & bit != 0)
            else {
                waiting
                    .iter_mut()
                    .for_each(|done| done.got.written &= !done.errand.lacking(bit));
                continue;
            };
            if let Err(fault) = self.place_batch(destination, number, &mut waiting) {
                self.give_up_on(number, fault);
                self.full &= !bit;
                // What was written since the last success may be lost: none of it counts.
                waiting.iter_mut().for_each(|done| {
                    let fresh = done.errand.lacking(bit);
                    done.got.written &= !fresh;
                });
            }
        }
        self.batch += 1;
        let (mut sum, batch, mut tally) = (self.sum, self.batch, self.tally);
        let (at, mut counts) = (self.clock.now(), self.counts);
        self.ledger.transaction::<_, LedgerError>(|ledger| {
            let (mut items, mut bytes) = (0, 0);
            for done in &mut waiting {
                if done.source_gone.is_some() {
                    continue;
                }
                let item = &done.errand.item;
                let unreadable = matches!(done.got.state, Got::Unreadable | Got::Changed);
                // Asking again that gave nothing new changes no row, so it voids no reading back.
                done.got.batch = done.errand.before.batch;
                if done.got.written == 0 && !unreadable || done.got == done.errand.before {
                    continue;
                }
                done.got.batch = batch;
                ledger.put_got(
                    Want::Wanted,
                    item.waiver,
                    &done.errand.before,
                    &done.got,
                    &mut sum,
                )?;
                counts.moved(item, &done.errand.before, &done.got);
                if let Some(tally) = tally.get_mut(class_code(item.class) as usize) {
                    tally.items += 1;
                    tally.bytes += item.bytes;
                    tally.gaps += u64::from(done.got.state != Got::Whole);
                }
                (items, bytes) = (items + 1, bytes + item.bytes);
            }
            ledger.keep_row_sum(sum)?;
            ledger.set("batch", &batch.to_string())?;
            ledger.record(
                at,
                &FactBody::Batch {
                    batch,
                    items,
                    bytes,
                    rows: sum.to_string(),
                },
            )?;
            counts.keep(ledger)
        })?;
        (self.sum, self.tally, self.counts) = (sum, tally, counts);
        Ok(())
    }

    fn place_batch(
        &mut self,
        destination: &dyn Destination,
        number: usize,
        waiting: &mut [Done],
    ) -> Result<(), Fault> {
        let bit = 1u64 << number;
        let fresh = |done: &Done| done.got.written & bit != 0 && done.errand.lacking(bit) != 0;
        if !waiting.iter().any(fresh) {
            return Ok(());
        }
        destination.settle()?;
        for done in waiting.iter_mut().filter(|done| fresh(done)) {
            match self.name(destination, number, &done.errand) {
                // There is room for this one's bytes and not for its name: it waits, and the others have theirs.
                Err(fault) if fault.kind == FaultKind::Full => {
                    done.got.written &= !bit;
                    self.give_up_on(number, fault);
                }
                named => named?,
            }
        }
        destination.settle()
    }

    /// Gives a file that is whole its final name.
    fn name(
        &mut self,
        destination: &dyn Destination,
        number: usize,
        errand: &Errand,
    ) -> Result<(), Fault> {
        let folder = format!("bag/{}", errand.at.bag);
        if !self.made[number].contains(&folder) {
            if self.made[number].len() >= FOLDERS {
                self.made[number].clear();
            }
            destination.make_folder(&folder)?;
            self.made[number].insert(folder);
        }
        let whole = errand.at.bag_path(&errand.item);
        destination.rename(&temporary(errand.item.id), &whole)
    }
}
