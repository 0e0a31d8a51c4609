//! The source that copies of a drive job are read from.
//!
//! Invariant: a drive is left out only where it is plainly not here, its route is the salvage route, and something of it is
//! in the salvage image; who asks for the source is told so, and why.

use super::kept::volumes;
use crate::job::{Job, ledger_problem};
use crate::judge::gaps::State;
use crate::ledger::{Fact, LedgerError};
use crate::read::drives::{Away, DriveSource};
use crate::step::outcome::{Problem, Route};
use crate::step::present;
use std::sync::Arc;

/// Opens every drive of the job and knows its volumes.
pub fn source(job: &Job<'_>) -> Result<DriveSource, Problem> {
    let mut source = DriveSource {
        drives: Vec::new(),
        volumes: volumes(job)?
            .into_iter()
            .map(|volume| (volume.number, volume.drive))
            .collect(),
        away: Vec::new(),
    };
    let facts = job.ledger.facts().map_err(|e| ledger_problem(&e))?;
    for (number, kept) in job.setup.drives.iter().enumerate() {
        let away = image_alone(job, &facts, number)?;
        source.drives.push(match &away {
            Some(why) => Arc::new(Away {
                sector_bytes: kept.sector_bytes,
                bytes: kept.bytes,
                why: why.clone(),
            }),
            None => match present::to_read(job, &facts, number) {
                Ok((_, sectors)) => sectors,
                Err(mut problem) => {
                    if has_image(job, &facts, number).map_err(|e| ledger_problem(&e))? {
                        problem.next.push_str("\nor, if it is dead for good, take it out and do the same again: it then goes on from the salvage image alone");
                    }
                    return Err(problem);
                }
            },
        });
        source.away.push(away);
    }
    Ok(source)
}

/// Why drive `number` is not here, where its salvage image can stand for what of it is in hand; `None` = the drive is asked.
///
/// # Errors
/// When the ledger cannot be read, or its ranges are not those that the chain tells of.
pub fn image_alone(
    job: &Job<'_>,
    facts: &[Fact],
    number: usize,
) -> Result<Option<String>, Problem> {
    Ok(match present::away(job, number) {
        Some(why) if has_image(job, facts, number).map_err(|e| ledger_problem(&e))? => Some(why),
        _ => None,
    })
}

/// Whether drive `number` goes the salvage route, and something of it is in hand.
fn has_image(job: &Job<'_>, facts: &[Fact], number: usize) -> Result<bool, LedgerError> {
    if crate::step::state::route_of_drive(job, facts, number) < Route::Salvage {
        return Ok(false);
    }
    Ok(job.ledger.range_states(number)?.count(State::InHand) > 0)
}
