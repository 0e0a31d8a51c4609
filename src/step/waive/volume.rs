//! `waive --volume`: everything of one volume is given up: what the survey listed of it, and the points that it left.
//!
//! Invariant: each point is frozen as it stood; a survey that finds the volume otherwise opens it again.

use super::{Decision, waive_set};
use crate::job::ledger_problem;
use crate::judge::gate::Gate;
use crate::ledger::LedgerError;
use crate::ledger::facts::Waiver;
use crate::ledger::terms::WANTED;
use crate::step::gate::seen;
use crate::step::outcome::Problem;
use crate::step::plan::{drive, find};
use crate::value::words::WaiverScope;

/// Records that the owner gives up volume `number` of `named`.
pub(super) fn waive(
    decision: &Decision<'_, '_>,
    named: &str,
    number: u32,
) -> Result<Waiver, Problem> {
    let job = decision.job;
    let volume = find::volume(job, named, number)?;
    let about = volume.about();
    let open: Vec<_> = drive::points(job)?
        .into_iter()
        .filter(|point| point.volume == about)
        .collect();
    let rules = crate::step::gate::rules(job);
    let mut set = Vec::new();
    job.ledger
        .each_item::<LedgerError>(
            &format!("item.volume = {} AND {WANTED}", volume.number),
            |item, got| {
                if Gate::is_open(&rules, job.counting(), &seen(&item, &got)) {
                    set.push((item, got));
                }
                Ok(())
            },
        )
        .map_err(|e| ledger_problem(&e))?;
    if open.is_empty() && set.is_empty() {
        return Err(Problem::failed(
            format!("nothing of volume {about} is open: there is nothing to give up"),
            job.shown(),
            "holdpoint show JOB",
        ));
    }
    let files = set.len();
    let mut waiver = waive_set(decision, set, WaiverScope::Volume, &about)?;
    let points = open
        .iter()
        .filter_map(|point| point.point(|id| rules.who(id)));
    for (later, point) in (1..).zip(points) {
        decision.point(&point, later)?;
    }
    if files == 0 {
        waiver.bytes = volume.bytes;
    }
    Ok(waiver)
}
