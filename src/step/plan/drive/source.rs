//! The source that copies of a drive job are read from.

use super::kept::volumes;
use crate::job::{Job, fault_problem};
use crate::read::drives::DriveSource;
use crate::step::outcome::Problem;

/// Opens every drive of the job and knows its volumes.
pub fn source(job: &Job<'_>) -> Result<DriveSource, Problem> {
    let mut drives = Vec::new();
    for kept in &job.setup.drives {
        let sectors = job.bench.sectors(&kept.path.path()).map_err(|fault| {
            fault_problem(&fault, "connect the drive again, then do the same again")
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
    let volumes = volumes(job)?
        .into_iter()
        .map(|volume| (volume.number, volume.drive))
        .collect();
    Ok(DriveSource { drives, volumes })
}
