//! The foreman of a copying crew: what is handed out next, what is done with what comes back, and when it ends.

use super::Run;
use super::carry::{Done, Errand};
use super::committer::Committer;
use super::feed::Feed;
use super::salvage::{Reached, Salvage};
use super::watch::Watched;
use crate::job::crew::Foreman;
use crate::ledger::{Got, LedgerError};
use crate::port::FaultKind;
use crate::step::event::{Event, Tell};
use std::sync::atomic::{AtomicU64, Ordering};

/// The foreman.
pub(super) struct Steering<'r, 'a, 'b, 'c> {
    pub run: &'r mut Run<'a, 'b>,
    pub committer: &'r mut Committer<'c>,
    pub feed: Feed<'c>,
    pub live: &'r AtomicU64,
    /// A drive is read, and no folder or another destination's copies.
    pub from_drive: bool,
    /// The layer under the reader, on the salvage route.
    pub salvage: Option<&'r Salvage<'a, 'b>>,
    /// Items of which something comes later.
    pub passed_over: u64,
    pub tell: Tell<'r>,
}

impl Steering<'_, '_, '_, '_> {
    /// Brings in what can be had of an item at once; whether it can be copied now.
    fn reach(&mut self, errand: &Errand) -> Result<bool, LedgerError> {
        let Some(salvage) = self.salvage else {
            return Ok(true);
        };
        let (run, tell) = (&mut *self.run, &mut *self.tell);
        let reached = salvage.reach(&errand.item, &mut |event| run.look(event, tell))?;
        match reached {
            Reached::Ready => return Ok(true),
            Reached::Later => self.passed_over += 1,
            Reached::Stop | Reached::Never => {}
            Reached::Gone(drive, fault) => run.source_gone(drive, &fault)?,
        }
        Ok(false)
    }
}

impl Foreman for Steering<'_, '_, '_, '_> {
    type Errand = Errand;
    type Done = Done;
    type Error = LedgerError;

    fn next(&mut self) -> Result<Option<Errand>, LedgerError> {
        while !self.run.is_over() && self.committer.mask != 0 {
            let (destinations, mask) = (self.run.destinations, self.committer.mask);
            let Some(mut errand) = self.feed.next(mask)? else {
                return Ok(None);
            };
            if !self.run.short.has_room(&mut errand, destinations, mask) {
                continue;
            }
            if !self.run.look(None, self.tell) {
                return Ok(None);
            }
            if !self.reach(&errand)? {
                continue;
            }
            // An item that is only asked for again does not use up the limit: else a few unreadable ones at the front
            // of the queue would keep every limited run from getting any further.
            if errand.before.state != Got::Unreadable {
                self.run.bytes += errand.item.bytes;
            }
            return Ok(Some(errand));
        }
        Ok(None)
    }

    fn most_in_flight(&self) -> usize {
        // Each errand of a weak drive may take long to reach for: what came of the last ones is not kept waiting for it.
        if self.salvage.is_some() {
            2
        } else {
            usize::MAX
        }
    }

    fn take(&mut self, mut done: Done) -> Result<(), LedgerError> {
        let lacking = matches!(done.got.state, Got::Gaps | Got::Unreadable);
        if let Some(salvage) = self.salvage
            && lacking
        {
            if !salvage.is_final(&done.errand.item) {
                // It might still close: no such gap is recorded.
                self.passed_over += 1;
                return Ok(());
            }
            if !salvage.name_gaps(&done.errand.item, &mut done.got) {
                return Ok(());
            }
        }
        if let Some(fault) = &done.got.fault {
            (self.tell)(Event::Fault {
                on: done.errand.item.name.text(),
                says: fault.clone(),
            });
        }
        for (number, fault) in &done.failed {
            if fault.kind == FaultKind::CannotHold {
                let to = self.run.job.setup.destinations.get(*number);
                let to = to.map(|kept| kept.to.text.clone()).unwrap_or_default();
                (self.tell)(Event::Fault {
                    on: done.errand.item.name.text(),
                    says: format!("{to} cannot hold it: {fault}"),
                });
            }
        }
        self.run.troubled |= done.got.fault.is_some();
        let volume = done.errand.item.volume;
        let layered = |salvage: &Salvage<'_, '_>| salvage.has_layer(&done.errand.item);
        let unexpected = lacking && self.from_drive && !self.salvage.is_some_and(layered);
        if let Some(fault) = &done.source_gone
            && self.run.stopped.is_none()
        {
            self.run.source_gone(self.run.drive_of(volume), fault)?;
        }
        if self.committer.add(done)? {
            self.run.tell_classes(self.committer, self.tell);
        }
        self.live.store(self.committer.mask, Ordering::Relaxed);
        if unexpected && self.run.is_new_trouble() {
            // An error met on the way is a reason for another route, now and not at the next run.
            self.committer.commit()?;
            let drive = self.run.drive_of(volume);
            match self.run.watch.judge_errors(drive, self.tell) {
                Ok(Watched::GoOn) => {}
                Ok(Watched::Rerouted) => self.run.rerouted = true,
                Ok(Watched::Stop(why)) => self.run.stopped = Some(why),
                Err(problem) => self.run.stopped = Some(problem.to_string()),
            }
        }
        if self.run.rerouted {
            // What is handed out already comes back undone: the next round takes it up, at its own pace.
            self.live.store(0, Ordering::Relaxed);
        }
        Ok(())
    }

    fn look_around(&mut self) -> Result<(), LedgerError> {
        if self.committer.is_due() {
            self.committer.commit()?;
            self.run.tell_classes(self.committer, self.tell);
        }
        Ok(())
    }
}

impl Run<'_, '_> {
    /// Nothing more is handed out in this round.
    pub(super) fn is_over(&self) -> bool {
        self.stopped.is_some() || self.rerouted
    }

    /// Tells an event, looks at the drives when it is time, and at whether somebody asked to stop; whether to go on.
    pub(super) fn look(&mut self, event: Option<Event>, tell: Tell<'_>) -> bool {
        if let Some(event) = event {
            tell(event);
        }
        if self.is_over() {
            return false;
        }
        match self.watch.look(tell) {
            Ok(Watched::GoOn) => {}
            Ok(Watched::Rerouted) => self.rerouted = true,
            Ok(Watched::Stop(why)) => self.stopped = Some(why),
            Err(problem) => self.stopped = Some(problem.to_string()),
        }
        if !self.is_over() {
            self.stopped = self.stop_reason(self.bytes);
            self.asked = self.stopped.is_some();
        }
        !self.is_over()
    }

    /// Whether errors that were met may make this another route: looked at the first time, and each time that there are
    /// twice as many.
    fn is_new_trouble(&mut self) -> bool {
        self.errors += 1;
        !self.is_over() && self.errors.is_power_of_two()
    }
}
