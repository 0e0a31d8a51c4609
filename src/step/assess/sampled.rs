//! The read speed of a drive, sampled: kept as facts, so that a slow or failing sample is not forgotten.
//!
//! Invariant: a place that did not read counts for the rest of the job; only a sample that went through says that a
//! drive is as fast as it was.

use super::readings::locked;
use crate::drive::evidence::EvidenceMedium;
use crate::drive::reading::Reading;
use crate::job::{Job, fault_problem, ledger_problem};
use crate::judge::situation::Pace;
use crate::ledger::{Fact, FactBody};
use crate::step::event::{Event, Tell};
use crate::step::outcome::Problem;
use crate::step::sample::{Met, sample};
use crate::value::Moment;

/// Samples a drive that may be read, and records what came of it.
pub(super) fn take(
    job: &Job<'_>,
    drive: usize,
    reading: &Reading,
    tell: Tell<'_>,
) -> Result<(), Problem> {
    let facts = job.ledger.facts().map_err(|e| ledger_problem(&e))?;
    let Some(kept) = job.setup.drives.get(drive).filter(|_| !locked(reading)) else {
        return Ok(());
    };
    if job.has_bad_symptom() || crate::step::waits_for_owner(job, &facts) {
        return Ok(());
    }
    let sectors = job.bench.sectors(&kept.path.path()).map_err(|fault| {
        fault_problem(
            &fault,
            "connect the drive again, then:\nholdpoint assess JOB",
        )
        .on_path(&kept.path.path())
    })?;
    let sample = sample(sectors.as_ref(), job.bench.clock());
    if let Some(trouble) = &sample.trouble {
        tell(Event::Warn {
            says: format!("the speed sample ended early: {trouble}"),
        });
    }
    let why = sample.trouble.unwrap_or_default();
    let body = |stalled: Option<f64>, error: Option<String>| FactBody::Sampled {
        drive,
        bytes_per_second: sample.bytes_per_second,
        stalled,
        error,
    };
    match sample.met {
        Met::Gone => job.record(&FactBody::Vanished { drive, why }),
        Met::Error => job.record(&body(None, Some(why))),
        Met::Stall(pace, before) => {
            // Without any pace of its own, the stall is held against what drives of its kind usually deliver.
            let own = own(&facts, drive).or(before);
            let medium: Option<EvidenceMedium> = reading.drive.medium.into();
            let own = own.unwrap_or(Pace::class_default(medium).bytes_per_second);
            job.record(&body(Some((pace / own).min(1.0)), None))
        }
        Met::Nothing if sample.bytes_per_second.is_some() => job.record(&body(None, None)),
        Met::Nothing => Ok(()),
    }
}

type Sampled<'a> = (Moment, Option<f64>, Option<f64>, Option<&'a String>);

/// Every sample of a drive, oldest first: when, its pace, the share at which it stalled, what did not read.
fn all(facts: &[Fact], wanted: usize) -> impl DoubleEndedIterator<Item = Sampled<'_>> {
    facts.iter().filter_map(move |fact| match &fact.body {
        FactBody::Sampled {
            drive,
            bytes_per_second,
            stalled,
            error,
        } if *drive == wanted => Some((fact.at, *bytes_per_second, *stalled, error.as_ref())),
        _ => None,
    })
}

/// The fastest pace ever seen is the drive's own: a slow first sample must not make a slow second one look usual.
fn own(facts: &[Fact], drive: usize) -> Option<f64> {
    let paces = all(facts, drive).filter_map(|(_, pace, ..)| pace);
    paces.filter(|pace| *pace >= 1.0).reduce(f64::max)
}

/// The newest pace of a drive, in bytes per second.
pub(super) fn pace(facts: &[Fact], drive: usize) -> Option<f64> {
    all(facts, drive).rev().find_map(|(_, pace, ..)| pace)
}

/// The read speed at the newest sample that says anything of it, as a share of the drive's own; `None` = there is
/// nothing to compare it with.
pub(super) fn share(facts: &[Fact], drive: usize) -> Option<f64> {
    let told = all(facts, drive).rev();
    let (_, pace, stalled, _) = told
        .into_iter()
        .find(|(_, pace, stalled, _)| pace.is_some() || stalled.is_some())?;
    let paces = all(facts, drive).filter(|(_, pace, ..)| pace.is_some());
    match (stalled, pace) {
        (Some(share), _) => Some(share),
        (None, Some(pace)) if paces.count() > 1 => own(facts, drive).map(|own| pace / own),
        _ => None,
    }
}

/// How many samples met a place that did not read, and when the newest did.
pub(super) fn errors(facts: &[Fact], drive: usize) -> (u64, Option<Moment>) {
    let met = all(facts, drive).filter(|(.., error)| error.is_some());
    met.fold((0, None), |(count, _), (at, ..)| (count + 1, Some(at)))
}
