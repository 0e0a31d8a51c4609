//! A destination that is mounted in another place than when it was named.
//!
//! Invariant: it is known by its id file alone, and only while none with that id lies in the old place. It may be a copy of
//! what was read back, so it has to be read back again before anything is released.

use super::places::{OnHold, independence};
use crate::job::{DestinationKept, ID_FILE, IdFile, Job, KeptPath, Setup, fault_problem};
use crate::step::outcome::Problem;
use std::path::{Path, PathBuf};

/// A destination and where it is now.
pub struct Moved {
    /// Its number.
    pub number: usize,
    /// The folder that was named.
    to: PathBuf,
}

/// Tells the destinations that the job had already from those that are new to it.
///
/// # Errors
/// When a destination is in its old place as well: then one of the two is a copy of the other.
pub fn told(job: &Job<'_>, named: Vec<PathBuf>) -> Result<(Vec<Moved>, Vec<PathBuf>), Problem> {
    let (mut moved, mut new) = (Vec::new(), Vec::new());
    for to in named {
        let Some(number) = known_by_its_id(job, &to) else {
            new.push(to);
            continue;
        };
        if let (Ok(_), Some(kept)) = (job.destination(number), job.setup.destinations.get(number)) {
            return Err(Problem::failed(
                format!(
                    "the same destination is at {} too, so one of the two is a copy of the other",
                    kept.to.text
                ),
                KeptPath::of(&to).text,
                "disconnect the one that copies did not go to; a copy made by another program is no destination of this job",
            ));
        }
        moved.push(Moved { number, to });
    }
    Ok((moved, new))
}

fn known_by_its_id(job: &Job<'_>, to: &Path) -> Option<usize> {
    let there = job.bench.destination(&to.join(&job.setup.name), false);
    let bytes = there.ok()?.read_small(ID_FILE).ok()??;
    let file: IdFile = serde_json::from_slice(&bytes).ok()?;
    let is_it = |kept: &DestinationKept| kept.id == file.destination;
    let number = job.setup.destinations.iter().position(is_it);
    number.filter(|_| file.job == job.setup.id)
}

/// Keeps where they are now, each weighed anew: it may lie on another disk than before.
///
/// # Errors
/// When one cannot be looked at.
pub fn settle(
    job: &Job<'_>,
    on_hold: &OnHold,
    setup: &mut Setup,
    moved: &[Moved],
) -> Result<(), Problem> {
    for Moved { number, to } in moved {
        let facts = (job.bench.destination(to, false))
            .and_then(|there| there.facts())
            .map_err(|fault| {
                fault_problem(&fault, "name a destination that can be read").on_path(to)
            })?;
        let others: Vec<DestinationKept> = (setup.destinations.iter().enumerate())
            .filter(|(other, kept)| other != number && (other < number || kept.independent))
            .map(|(_, kept)| kept.clone())
            .collect();
        let (independent, why) = independence(on_hold, &others, &facts);
        if let Some(kept) = setup.destinations.get_mut(*number) {
            kept.to = KeptPath::of(to);
            kept.folder = KeptPath::of(&to.join(&setup.name));
            kept.weigh(&facts, independent, why, job.policy.practice);
        }
    }
    Ok(())
}
