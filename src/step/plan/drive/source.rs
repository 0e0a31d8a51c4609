//! The source that copies of a drive job are read from.

use super::kept::{Format, volumes};
use crate::job::{Job, fault_problem};
use crate::read::drives::DriveSource;
use crate::read::ext_desk::ExtDesk;
use crate::step::outcome::Problem;
use std::collections::HashMap;
use std::sync::Arc;

/// Opens every drive of the job and knows its volumes.
pub fn source(job: &Job<'_>) -> Result<DriveSource, Problem> {
    let mut drives = Vec::new();
    for kept in &job.setup.drives {
        let sectors = job.bench.sectors(&kept.path.path()).map_err(|fault| {
            fault_problem(&fault, "connect the drive again, then do the same again")
                .on_path(&kept.path.path())
        })?;
        if sectors.bytes() != kept.bytes {
            return Err(Problem::failed(
                format!(
                    "another drive stands at this place: expected {} bytes, found {}",
                    kept.bytes,
                    sectors.bytes()
                ),
                kept.path.text.clone(),
                "connect the drive on hold again",
            ));
        }
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
