//! The source that copies of a drive job are read from.

use super::kept::volumes;
use crate::job::{Job, ledger_problem};
use crate::read::drives::DriveSource;
use crate::step::outcome::Problem;

/// Opens every drive of the job and knows its volumes.
pub fn source(job: &Job<'_>) -> Result<DriveSource, Problem> {
    let mut drives = Vec::new();
    let facts = job.ledger.facts().map_err(|e| ledger_problem(&e))?;
    for number in 0..job.setup.drives.len() {
        let (_, sectors) = crate::step::present::to_read(job, &facts, number)?;
        drives.push(sectors);
    }
    let volumes = volumes(job)?
        .into_iter()
        .map(|volume| (volume.number, volume.drive))
        .collect();
    Ok(DriveSource { drives, volumes })
}
