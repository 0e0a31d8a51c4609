//! The source that copies of a drive job are read from.

use super::kept::{Format, volumes};
use crate::job::{Job, ledger_problem};
use crate::read::drives::DriveSource;
use crate::read::ext_desk::ExtDesk;
use crate::step::outcome::Problem;
use std::collections::HashMap;
use std::sync::Arc;

/// Opens every drive of the job and knows its volumes.
pub fn source(job: &Job<'_>) -> Result<DriveSource, Problem> {
    let mut drives = Vec::new();
    let facts = job.ledger.facts().map_err(|e| ledger_problem(&e))?;
    for number in 0..job.setup.drives.len() {
        let (_, sectors) = crate::step::present::to_read(job, &facts, number)?;
        drives.push(sectors);
    }
    let mut by_volume = HashMap::new();
    let mut desks = HashMap::new();
    for volume in volumes(job)? {
        by_volume.insert(volume.number, volume.drive);
        if volume.format == Format::Ext
            && let Some(sectors) = drives.get(volume.drive)
        {
            desks.insert(
                volume.number,
                ExtDesk::open(Arc::clone(sectors), volume.place()),
            );
        }
    }
    Ok(DriveSource {
        drives,
        volumes: by_volume,
        desks,
    })
}
