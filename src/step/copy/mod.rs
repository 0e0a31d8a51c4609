//! `copy`: one pass over the source, both digests, every destination; resumable at any moment.
//!
//! Invariant: the ledger says "copied" only of what is on the medium; a run that is cut at any
//! instant repeats at most the batch in hand.

mod anew;
mod buffers;
mod carry;
mod committer;
mod feed;
mod mend;
mod salvage;
mod short;
mod split;
mod steering;
mod totals;
mod twins;
mod watch;

use crate::bag::spare;
use crate::job::crew;
use crate::job::here::{bits, some_here};
use crate::job::{DestinationKept, Job, ledger_problem};
use crate::ledger::terms::{HAD, WANTED};
use crate::ledger::{Fact, FactBody, LedgerError, standing};
use crate::port::{Destination, Fault};
use crate::read::places::Places;
use crate::read::source::Source;
use crate::read::trees::CopySource;
use crate::step::event::{ClassAmount, Event, Step, Tell};
use crate::step::outcome::{Copied, Exit, Outcome, Problem, Route};
use crate::step::request::CopyRequest;
use crate::step::running::RunningCounts;
use crate::step::source::JobSource;
use crate::step::state::Whole;
use crate::survey::item::{Class, Mark};
use buffers::Buffers;
use carry::{Nature, Targets, carry};
use committer::Committer;
use feed::Feed;
pub use salvage::NEVER_READ;
use salvage::{Reached, Salvage};
use short::Short;
use std::sync::atomic::{AtomicU64, Ordering};
use steering::Steering;
use totals::{ClassTotal, totals};
use watch::Watch;

/// Kept free on the destination that holds the job, for its record when everything else is full.
const LEDGER_ROOM: u64 = 2 << 20;

/// Copies by the plan.
pub fn copy(
    job: &Job<'_>,
    request: &CopyRequest,
    tell: Tell<'_>,
) -> Result<Outcome<Copied>, Problem> {
    tell(Event::Started { step: Step::Copy });
    let facts = job.ledger.facts().map_err(|e| ledger_problem(&e))?;
    crate::step::refuse_closing(job, &facts)?;
    if standing::surveyed(&facts).is_none() {
        return Err(Problem::failed(
            "nothing can be copied before it is known what is there",
            job.shown(),
            "holdpoint plan JOB",
        ));
    }
    let route = crate::step::route_of(job, &facts);
    let away = salvage::drives_away(job, &facts)?;
    // Where no drive is left that could be asked, nothing is at stake that the owner would have to decide about.
    let is_alone = !away.is_empty() && away.len() == job.setup.drives.len();
    let refused = crate::step::refer_refusal(job, &facts, route);
    if let Some(refused) = refused.filter(|_| !is_alone) {
        return Err(refused);
    }
    for (number, why) in &away {
        tell(salvage::goes_on_alone(job, *number, why));
    }
    let opened = job.destinations();
    let destinations = some_here(&opened, "copy JOB")?;
    let mask = bits(&destinations);
    let unreached = opened.iter().enumerate();
    let unreached =
        unreached.filter_map(|(number, opened)| Some((number, opened.as_ref().err()?.clone())));
    let unreached = unreached.collect();
    check_list(job, &destinations, tell)?;
    let from = JobSource::of(job)?;
    copy_anew(job, &facts, mask, tell)?;
    keep_room(job, &destinations)?;
    let mut watch = Watch::new(job, route, |drive| {
        away.iter().any(|(gone, _)| *gone == drive)
    });
    watch.before()?;
    let mut run = Run {
        job,
        destinations: &destinations,
        watch,
        limits: Limits::of(job, request),
        totals: totals(job)?,
        bytes: 0,
        stopped: None,
        asked: false,
        rerouted: false,
        troubled: false,
        errors: 0,
        short: Short {
            away: unreached,
            ..Short::default()
        },
        gone: away.into_iter().next().map(|(_, why)| why),
    };
    run.announce(tell);
    // Another route in mid-copy ends one round and begins the next, with that route's pace.
    loop {
        run.rerouted = false;
        run.round(&from, mask, tell)?;
        if !run.rerouted || run.stopped.is_some() {
            break;
        }
    }
    run.finish(tell)
}

/// Clears what a cut-off run left, and sees that everything that is wanted is in the queue and has a place of its own.
fn check_list(
    job: &Job<'_>,
    destinations: &[Option<&dyn Destination>],
    tell: Tell<'_>,
) -> Result<(), Problem> {
    for destination in destinations.iter().flatten() {
        clear_work(*destination).map_err(|fault| {
            crate::job::fault_problem(&fault, "look at the destination, then:\nholdpoint copy JOB")
        })?;
    }
    let wanted_again = anew::take_back_lapsed(job)?;
    if wanted_again > 0 {
        tell(Event::Warn {
            says: format!(
                "{wanted_again} items that had been given up are wanted again: they are not as they were when that was decided"
            ),
        });
    }
    crate::step::plan::complete(job).map_err(|e| ledger_problem(&e))?;
    // The last look before copies get their names; a list made by an earlier version may have such places.
    let shared = job.ledger.shared_place();
    if let Some(place) = shared.map_err(|e| ledger_problem(&e))? {
        return Err(Problem::failed(
            "two items of the list have one place in the bag, and the copy of one would take that of the other",
            place,
            "survey again, which gives each a place of its own:\nholdpoint plan JOB",
        ));
    }
    Ok(())
}

/// What of earlier copies does not count any more is wanted again.
fn copy_anew(job: &Job<'_>, facts: &[Fact], mask: u64, tell: Tell<'_>) -> Result<(), Problem> {
    let anew = anew::forget_what_differs(job, mask).map_err(|e| ledger_problem(&e))?;
    if anew > 0 {
        tell(Event::Warn {
            says: format!(
                "{anew} copies that differed are written anew; if one differs again, replace that destination"
            ),
        });
    }
    let doubtful = anew::forget_failed_memory(job, facts).map_err(|e| ledger_problem(&e))?;
    if doubtful > 0 {
        tell(Event::Warn {
            says: format!(
                "{doubtful} copies made while the memory counted as failed are written anew"
            ),
        });
    }
    Ok(())
}

/// Keeps room for the job's record where it lies.
fn keep_room(job: &Job<'_>, destinations: &[Option<&dyn Destination>]) -> Result<(), Problem> {
    // Nothing is written where nothing is to be copied: the copies there may have been read back.
    let remaining = crate::step::state::remaining(job)?;
    for (number, destination) in destinations.iter().enumerate() {
        let holds_job = |kept: &DestinationKept| kept.folder.path() == job.dir;
        if let Some(destination) = destination
            && remaining > 0
            && job.setup.destinations.get(number).is_some_and(holds_job)
        {
            // Without it the record may not get all that it could; what it does not say never happened.
            let _ = spare::keep(*destination, spare::LEDGER, LEDGER_ROOM);
        }
    }
    Ok(())
}

/// How often what was passed over is tried again; more means that the image does not keep what is put into it.
const ROUNDS: u32 = 4;

/// Removes what a cut-off run left under temporary names. Room that was laid for later stays.
fn clear_work(destination: &dyn Destination) -> Result<(), Fault> {
    let mut left = Vec::new();
    destination.make_folder("in-work")?;
    destination.each("in-work", &mut |below| {
        if !below.is_folder && !spare::is_one(below.path) {
            left.push(below.path.to_owned());
        }
    })?;
    left.iter().try_for_each(|path| destination.remove(path))
}

struct Limits {
    bytes: Option<u64>,
    until_ticks: Option<u64>,
}

impl Limits {
    fn of(job: &Job<'_>, request: &CopyRequest) -> Self {
        let until = request.limit_minutes.map(|minutes| {
            job.bench
                .clock()
                .ticks()
                .saturating_add(minutes.saturating_mul(60_000_000_000))
        });
        Self {
            bytes: request.limit_bytes,
            until_ticks: until,
        }
    }
}

/// One run of `copy`.
struct Run<'a, 'b> {
    job: &'a Job<'b>,
    destinations: &'a [Option<&'a dyn Destination>],
    watch: Watch<'a, 'b>,
    limits: Limits,
    totals: [ClassTotal; 4],
    bytes: u64,
    stopped: Option<String>,
    /// It was stopped as somebody asked: by a signal, at a limit.
    asked: bool,
    rerouted: bool,
    /// Something did not read, or the source went away: the forecast is not what it was.
    troubled: bool,
    /// Items that met errors on a route that does not expect them.
    errors: u64,
    short: Short,
    /// Why a drive was not here from the start, so that only its salvage image was read.
    gone: Option<String>,
}

impl<'a, 'b> Run<'a, 'b> {
    /// The drive that a volume lies on; the first for a folder.
    fn drive_of(&self, volume: i64) -> usize {
        let volumes = crate::step::plan::drive::volumes(self.job).unwrap_or_default();
        let found = volumes.iter().find(|kept| kept.number == volume);
        found.map_or(0, |kept| kept.drive)
    }

    fn announce(&self, tell: Tell<'_>) {
        let classes = Class::ALL
            .iter()
            .zip(&self.totals)
            .filter(|(_, total)| total.items > 0);
        tell(Event::Planned {
            classes: classes
                .map(|(class, total)| ClassAmount {
                    class: *class,
                    items: total.items,
                    bytes: total.bytes,
                })
                .collect(),
        });
    }

    /// Readers at once: several on the ordinary route, one on every other.
    fn workers(&self) -> usize {
        let most = self.job.bench.workers();
        if self.watch.route == Route::Ordinary {
            most
        } else {
            most.min(1)
        }
    }

    /// One round over everything that still lacks a copy, at the pace of the route as it stands.
    fn round(&mut self, from: &JobSource, mask: u64, tell: Tell<'_>) -> Result<(), Problem> {
        if self.watch.route == Route::Ordinary {
            self.carry_all(from, None, mask, tell)?;
            return self.carry_what_is_gone(mask, tell);
        }
        // One reading of a weak source fills the first destination; the others are filled from it.
        let first = mask & mask.wrapping_neg();
        match self.layered(from, tell)? {
            Some(salvage) => self.salvage(&salvage, first, tell)?,
            None => _ = self.carry_all(from, None, first, tell)?,
        }
        let from = self
            .destinations
            .get(first.trailing_zeros() as usize)
            .copied()
            .flatten();
        match from {
            Some(from) if !self.is_over() && mask != first => {
                self.carry_all(&CopySource { from }, None, mask & !first, tell)?;
                Ok(())
            }
            _ => Ok(()),
        }
    }

    /// What is no longer at the source is had from another destination's copy, where there is one.
    fn carry_what_is_gone(&mut self, mask: u64, tell: Tell<'_>) -> Result<(), Problem> {
        for (number, from) in self.destinations.iter().enumerate() {
            let failed = self.short.failed.iter();
            let to = failed.fold(mask & !(1 << number), |mask, (full, _)| mask & !(1 << full));
            let lacking = &format!("SELECT EXISTS(SELECT 1 FROM got JOIN item ON item.id = got.item WHERE {WANTED}
                 AND item.marks & ?1 <> 0 AND {HAD} AND got.written & ?2 <> 0 AND got.written & ?3 <> ?3)");
            let ledger = &self.job.ledger;
            let (gone, bit) = (1i64 << (Mark::Gone as u32), 1i64 << number);
            let asked = ledger
                .db()
                .query_row(lacking, [gone, bit, to as i64], |row| row.get(0));
            let lacks: bool = ledger
                .doing("looking for copies that lack", asked)
                .map_err(|e| ledger_problem(&e))?;
            if let Some(from) = *from
                && lacks
                && !self.is_over()
            {
                self.carry_all(&CopySource { from }, None, to, tell)?;
            }
        }
        Ok(())
    }

    /// The layers of the salvage route, where it is the route and there are sectors.
    fn layered(
        &mut self,
        from: &JobSource,
        tell: Tell<'_>,
    ) -> Result<Option<Salvage<'a, 'b>>, Problem> {
        let JobSource::Drives(drives) = from else {
            return Ok(None);
        };
        let facts = self.job.ledger.facts().map_err(|e| ledger_problem(&e))?;
        let (route, destinations) = (self.watch.route, self.destinations);
        let mut look = |event: Option<Event>| {
            if let Some(event) = event {
                tell(event);
            }
            true
        };
        Salvage::over(self.job, drives, &facts, route, destinations, &mut look)
    }

    /// Everything that can be had at once, then what was put off, then what was passed over for it.
    fn salvage(
        &mut self,
        salvage: &Salvage<'a, 'b>,
        mask: u64,
        tell: Tell<'_>,
    ) -> Result<(), Problem> {
        let failed = |e: LedgerError| ledger_problem(&e);
        let has_gaps = self.want_gaps(salvage, tell).map_err(failed)?;
        for round in 0.. {
            let passed_over = self.carry_all(&salvage.source, Some(salvage), mask, tell)?;
            let is_done = passed_over == 0 && (round > 0 || !has_gaps);
            if is_done || self.is_over() {
                break;
            }
            if round >= ROUNDS && passed_over > 0 {
                self.stopped = Some(format!(
                    "the salvage image does not keep what is put into it: {passed_over} items wait for that"
                ));
                break;
            }
            let reached = salvage.finish(&mut |event| self.look(event, tell));
            match reached.map_err(failed)? {
                Reached::Ready | Reached::Later | Reached::Never => {}
                Reached::Stop => break,
                Reached::Gone(drive, fault) => {
                    self.source_gone(drive, &fault).map_err(failed)?;
                    break;
                }
            }
            if has_gaps {
                self.mend(salvage, mask, tell)?;
            }
        }
        salvage
            .keep_all(&mut |event| self.look(event, tell))
            .map_err(|e| ledger_problem(&e))
    }

    /// The source went away: the run ends, and that is held against the drive.
    fn source_gone(&mut self, drive: usize, fault: &Fault) -> Result<(), LedgerError> {
        self.stopped = Some(format!("the source is gone: {fault}"));
        let why = fault.to_string();
        let body = FactBody::Vanished { drive, why };
        let (ledger, at) = (&self.job.ledger, self.job.now());
        ledger.transaction::<_, LedgerError>(|ledger| ledger.record(at, &body).map(|_| ()))
    }

    /// Carries everything that still lacks a copy at one of the destinations in `mask`; how many items were passed over,
    /// because something of them comes later.
    fn carry_all(
        &mut self,
        source: &dyn Source,
        salvage: Option<&Salvage<'a, 'b>>,
        mask: u64,
        tell: Tell<'_>,
    ) -> Result<u64, Problem> {
        let clock = self.job.bench.clock();
        let ledger = &self.job.ledger;
        let counts = RunningCounts::start(self.job)?;
        let mut committer = Committer::new(ledger, clock, self.destinations, mask, counts)
            .map_err(|e| ledger_problem(&e))?;
        let buffers = Buffers::new(self.job.bench, self.workers() > 1);
        let live = AtomicU64::new(mask);
        let destinations = self.destinations;
        let from_drive = !source.is_copy() && !self.job.setup.drives.is_empty();
        let mut steering = Steering {
            run: self,
            committer: &mut committer,
            feed: Feed::new(ledger),
            live: &live,
            from_drive,
            salvage,
            passed_over: 0,
            tell,
        };
        crew::run(steering.run.workers(), &mut steering, &|| {
            let mut opener = source.opener();
            let (buffers, live) = (&buffers, &live);
            Box::new(move |errand| {
                let targets = Targets {
                    all: destinations,
                    mask: live.load(Ordering::Relaxed),
                };
                carry(
                    errand,
                    opener.as_mut(),
                    Nature::of(source),
                    &targets,
                    buffers,
                )
            })
        })
        .map_err(|e| ledger_problem(&e))?;
        let passed_over = steering.passed_over;
        committer.commit().map_err(|e| ledger_problem(&e))?;
        // Further names come when no first one is waited for.
        if !self.is_over() && passed_over == 0 {
            twins::link_all(self.job, &mut committer, self.destinations)
                .map_err(|e| ledger_problem(&e))?;
            // Names that could not be linked (the destination has no hard links) are carried like any other file.
            let mut opener = source.opener();
            let (mut places, mut after) = (Places::new(ledger), 0);
            loop {
                let errands = twins::left_over(self.job, committer.mask, &mut places, &mut after)
                    .map_err(|e| ledger_problem(&e))?;
                if errands.is_empty() {
                    break;
                }
                for mut errand in errands {
                    let destinations = self.destinations;
                    if !self
                        .short
                        .has_room(&mut errand, destinations, committer.mask)
                    {
                        continue;
                    }
                    let targets = Targets {
                        all: self.destinations,
                        mask: committer.mask,
                    };
                    let done = carry(
                        errand,
                        opener.as_mut(),
                        Nature::of(source),
                        &targets,
                        &buffers,
                    );
                    committer.add(done).map_err(|e| ledger_problem(&e))?;
                }
            }
            committer.commit().map_err(|e| ledger_problem(&e))?;
        }
        self.tell_classes(&committer, tell);
        self.short.failed.append(&mut committer.failed);
        for (total, done) in self.totals.iter_mut().zip(committer.tally) {
            total.done_items += done.items;
            total.done_bytes += done.bytes;
            total.gaps += done.gaps;
        }
        Ok(passed_over)
    }

    fn stop_reason(&self, bytes: u64) -> Option<String> {
        if self.job.bench.stop_asked() {
            Some("stopped as asked".to_owned())
        } else if self.limits.bytes.is_some_and(|limit| bytes >= limit) {
            Some("the limit of bytes was reached".to_owned())
        } else if self
            .limits
            .until_ticks
            .is_some_and(|until| self.job.bench.clock().ticks() >= until)
        {
            Some("the limit of time was reached".to_owned())
        } else {
            None
        }
    }

    fn tell_classes(&self, committer: &Committer<'_>, tell: Tell<'_>) {
        let classes = Class::ALL.into_iter().zip(&self.totals);
        for ((class, total), done) in classes.zip(committer.tally) {
            if total.items > 0 {
                tell(Event::Class {
                    class,
                    items_done: (total.done_items + done.items).min(total.items),
                    items_all: total.items,
                    bytes_done: (total.done_bytes + done.bytes).min(total.bytes),
                    bytes_all: total.bytes,
                    gaps: total.gaps + done.gaps,
                });
            }
        }
    }

    fn finish(mut self, tell: Tell<'_>) -> Result<Outcome<Copied>, Problem> {
        let job = self.job;
        let counts = crate::step::counts(job)?;
        let remaining = crate::step::state::remaining(job)?;
        // Without its drive an item may be copied in part, and the rest of it waits too.
        let waits = remaining > 0 || self.gone.is_some() && salvage::waits_for_its_drive(job)?;
        if let Some(why) = self.gone.take().filter(|_| waits && self.stopped.is_none()) {
            self.stopped = Some(format!(
                "the drive is not here ({why}); this went on from the salvage image alone, and what is not in it waits for the drive"
            ));
        }
        let sum = job.ledger.row_sum().map_err(|e| ledger_problem(&e))?;
        let stopped = self.stopped.as_deref().filter(|_| waits && !self.asked);
        let short = self.short.problem(job, stopped);
        job.record(&FactBody::Copied {
            remaining,
            stopped: match &short {
                Some(short) => Some(short.what.clone()),
                None => self.stopped.clone(),
            },
            rows: sum.to_string(),
        })?;
        if self.troubled {
            crate::step::assess::judge_again(job)?;
        }
        if remaining == 0 {
            // Complete: the bags get their manifests now, so that they can be checked with stock tools from here on;
            // and anew where something of them was changed or lost.
            for sealed in crate::step::seal::seal_anew(job, self.destinations)? {
                if let Some(Err(problem)) = sealed {
                    tell(Event::Warn {
                        says: format!("no manifest was written: {problem}"),
                    });
                }
            }
        }
        for destination in self.destinations.iter().flatten() {
            let _ = spare::give(*destination, spare::LEDGER);
        }
        for warning in job.snapshot() {
            tell(Event::Warn { says: warning });
        }
        tell(Event::Finished);
        let whole = Whole::at(&job.ledger, u64::MAX).map_err(|e| ledger_problem(&e))?;
        let result = Copied {
            copied: whole.copied,
            read_back: whole.read_back,
            damaged: counts.damaged,
            unreadable: counts.unreadable,
            remaining: remaining + crate::step::state::lacking(job)?,
        };
        let points = crate::step::points_now(job)?;
        // A destination that could not be written to the end is work left over, even where another one has it all.
        let exit = if self.stopped.is_some() && waits || short.is_some() {
            Exit::Stopped
        } else {
            Exit::Done
        };
        let mut outcome = Outcome::done(&job.dir, result, points).ending(exit);
        outcome.short = short;
        Ok(outcome)
    }
}
