//! `copy`: one pass over the source, both digests, every destination; resumable at any moment.
//!
//! Invariant: the ledger says "copied" only of what is on the medium; a run that is cut at any
//! instant repeats at most the batch in hand.

mod anew;
mod buffers;
mod carry;
mod committer;
mod feed;
mod short;
mod split;
mod twins;
mod watch;

use crate::job::{Job, bits, ledger_problem, some_here};
use crate::ledger::{FactBody, LedgerError, standing};
use crate::port::{Destination, Fault, FaultKind};
use crate::read::places::Places;
use crate::read::source::Source;
use crate::read::trees::CopySource;
use crate::step::crew::{self, Foreman};
use crate::step::event::{ClassAmount, Event, Step, Tell};
use crate::step::outcome::{Copied, Exit, Outcome, Problem, Route};
use crate::step::request::CopyRequest;
use crate::step::running::RunningCounts;
use crate::step::state::Whole;
use crate::survey::item::Class;
use buffers::Buffers;
use carry::{Done, Errand, Nature, Targets, carry};
use committer::Committer;
use feed::Feed;
use short::Short;
use std::sync::atomic::{AtomicU64, Ordering};
use watch::{Watch, Watched};

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
    if let Some(refused) = crate::step::refer_refusal(job, &facts, route) {
        return Err(refused);
    }
    let opened = job.destinations();
    let destinations = some_here(&opened, "copy JOB")?;
    let mask = bits(&destinations);
    let away = opened.iter().enumerate();
    let away = away.filter_map(|(number, opened)| Some((number, opened.as_ref().err()?.clone())));
    let away = away.collect();
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
    let source = crate::step::source::source(job)?;
    let anew = anew::forget_what_differs(job, mask).map_err(|e| ledger_problem(&e))?;
    if anew > 0 {
        tell(Event::Warn {
            says: format!(
                "{anew} copies that differed are written anew; if one differs again, replace that destination"
            ),
        });
    }
    let doubtful = anew::forget_failed_memory(job, &facts).map_err(|e| ledger_problem(&e))?;
    if doubtful > 0 {
        tell(Event::Warn {
            says: format!(
                "{doubtful} copies made while the memory counted as failed are written anew"
            ),
        });
    }
    let mut watch = Watch::new(job, route);
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
        short: Short {
            away,
            ..Short::default()
        },
    };
    run.announce(tell);
    // Another route in mid-copy ends one round and begins the next, with that route's pace.
    loop {
        run.rerouted = false;
        run.round(source.as_ref(), mask, tell)?;
        if !run.rerouted || run.stopped.is_some() {
            break;
        }
    }
    run.finish(tell)
}

/// Removes what a cut-off run left under temporary names.
fn clear_work(destination: &dyn Destination) -> Result<(), Fault> {
    let mut left = Vec::new();
    destination.make_folder("in-work")?;
    destination.each("in-work", &mut |path, is_folder, _| {
        if !is_folder {
            left.push(path.to_owned());
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

/// Items and bytes to copy and already copied, by class.
#[derive(Debug, Clone, Copy, Default)]
struct ClassTotal {
    items: u64,
    bytes: u64,
    done_items: u64,
    done_bytes: u64,
    gaps: u64,
}

fn totals(job: &Job<'_>) -> Result<[ClassTotal; 4], Problem> {
    let mut out = [ClassTotal::default(); 4];
    let ledger = &job.ledger;
    let sql = "SELECT item.class, count(*), coalesce(sum(item.bytes),0), count(got.item), coalesce(sum(CASE WHEN got.item IS NULL THEN 0 ELSE item.bytes END),0),
               coalesce(sum(got.state IN (2,3)),0)
               FROM item LEFT JOIN got ON got.item = item.id AND got.state NOT IN (0, 5) WHERE item.kind = 0 AND item.want = 0 GROUP BY item.class";
    let mut query = ledger
        .doing("counting", ledger.db().prepare(sql))
        .map_err(|e| ledger_problem(&e))?;
    let rows = query
        .query_map([], |row| {
            let class: i64 = row.get(0)?;
            let number = |at: usize| row.get::<_, i64>(at).map(|n| n as u64);
            Ok((
                class,
                ClassTotal {
                    items: number(1)?,
                    bytes: number(2)?,
                    done_items: number(3)?,
                    done_bytes: number(4)?,
                    gaps: number(5)?,
                },
            ))
        })
        .and_then(Iterator::collect::<rusqlite::Result<Vec<_>>>);
    for (class, total) in ledger
        .doing("counting", rows)
        .map_err(|e| ledger_problem(&e))?
    {
        if let Some(place) = out.get_mut(class as usize) {
            *place = total;
        }
    }
    Ok(out)
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
    short: Short,
}

impl Run<'_, '_> {
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
    fn round(&mut self, source: &dyn Source, mask: u64, tell: Tell<'_>) -> Result<(), Problem> {
        if self.watch.route == Route::Ordinary || mask.count_ones() < 2 {
            return self.carry_all(source, mask, tell);
        }
        // One reading of a weak source fills the first destination; the others are filled from it.
        let first = mask & mask.wrapping_neg();
        self.carry_all(source, first, tell)?;
        let from = self
            .destinations
            .get(first.trailing_zeros() as usize)
            .copied()
            .flatten();
        match from {
            Some(from) if self.stopped.is_none() && !self.rerouted => {
                self.carry_all(&CopySource { from }, mask & !first, tell)
            }
            _ => Ok(()),
        }
    }

    /// Carries everything that still lacks a copy at one of the destinations in `mask`.
    fn carry_all(&mut self, source: &dyn Source, mask: u64, tell: Tell<'_>) -> Result<(), Problem> {
        let clock = self.job.bench.clock();
        let ledger = &self.job.ledger;
        let counts = RunningCounts::start(self.job)?;
        let mut committer = Committer::new(ledger, clock, self.destinations, mask, counts)
            .map_err(|e| ledger_problem(&e))?;
        let buffers = Buffers::new(self.job.bench.memory(), self.workers() > 1);
        let live = AtomicU64::new(mask);
        let destinations = self.destinations;
        let mut steering = Steering {
            run: self,
            committer: &mut committer,
            feed: Feed::new(ledger),
            live: &live,
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
        committer.commit().map_err(|e| ledger_problem(&e))?;
        if self.stopped.is_none() && !self.rerouted {
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
        Ok(())
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

    fn finish(self, tell: Tell<'_>) -> Result<Outcome<Copied>, Problem> {
        let job = self.job;
        let counts = crate::step::counts(job)?;
        let remaining = crate::step::state::remaining(job)?;
        let sum = job.ledger.row_sum().map_err(|e| ledger_problem(&e))?;
        let stopped = self
            .stopped
            .as_deref()
            .filter(|_| remaining > 0 && !self.asked);
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
            // Complete: the bags get their manifests now, so that they can be checked with stock tools from here on.
            for sealed in crate::step::seal::seal_each(job, self.destinations)? {
                if let Some(Err(problem)) = sealed {
                    tell(Event::Warn {
                        says: format!("no manifest was written: {problem}"),
                    });
                }
            }
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
            remaining,
        };
        let points = crate::step::points_now(job)?;
        // A destination that could not be written to the end is work left over, even where another one has it all.
        let exit = if self.stopped.is_some() && remaining > 0 || short.is_some() {
            Exit::Stopped
        } else {
            Exit::Done
        };
        let mut outcome = Outcome::done(&job.dir, result, points).ending(exit);
        outcome.short = short;
        Ok(outcome)
    }
}

/// The foreman of a copying crew.
struct Steering<'r, 'a, 'b, 'c> {
    run: &'r mut Run<'a, 'b>,
    committer: &'r mut Committer<'c>,
    feed: Feed<'c>,
    live: &'r AtomicU64,
    tell: Tell<'r>,
}

impl Foreman for Steering<'_, '_, '_, '_> {
    type Errand = Errand;
    type Done = Done;
    type Error = LedgerError;

    fn next(&mut self) -> Result<Option<Errand>, LedgerError> {
        if self.run.stopped.is_some() || self.run.rerouted || self.committer.mask == 0 {
            return Ok(None);
        }
        let (destinations, mask) = (self.run.destinations, self.committer.mask);
        let errand = loop {
            let Some(mut errand) = self.feed.next(mask)? else {
                return Ok(None);
            };
            if self.run.short.has_room(&mut errand, destinations, mask) {
                break errand;
            }
        };
        match self.run.watch.look(self.tell) {
            Ok(Watched::GoOn) => {}
            Ok(Watched::Rerouted) => {
                self.run.rerouted = true;
                return Ok(None);
            }
            Ok(Watched::Stop(why)) => self.run.stopped = Some(why),
            Err(problem) => self.run.stopped = Some(problem.to_string()),
        }
        if self.run.stopped.is_none() {
            self.run.stopped = self.run.stop_reason(self.run.bytes);
            self.run.asked = self.run.stopped.is_some();
        }
        if self.run.stopped.is_some() {
            return Ok(None);
        }
        // An item that is only asked for again does not use up the limit: else a few unreadable ones at the front
        // of the queue would keep every limited run from getting any further.
        if errand.before.state != crate::ledger::Got::Unreadable {
            self.run.bytes += errand.item.bytes;
        }
        Ok(Some(errand))
    }

    fn take(&mut self, done: Done) -> Result<(), LedgerError> {
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
        if let Some(fault) = &done.source_gone
            && self.run.stopped.is_none()
        {
            self.run.stopped = Some(format!("the source is gone: {fault}"));
            let body = FactBody::Vanished {
                drive: self.run.drive_of(done.errand.item.volume),
                why: fault.to_string(),
            };
            let (ledger, at) = (&self.run.job.ledger, self.run.job.now());
            ledger.transaction::<_, LedgerError>(|ledger| ledger.record(at, &body).map(|_| ()))?;
        }
        if self.committer.add(done)? {
            self.run.tell_classes(self.committer, self.tell);
        }
        self.live.store(self.committer.mask, Ordering::Relaxed);
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
