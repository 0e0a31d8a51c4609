//! What copies are read from: the folder's tree, or the drives with their volumes.

use crate::job::{Job, fault_problem, ledger_problem};
use crate::judge::gaps::Limits;
use crate::ledger::Fact;
use crate::port::{Destination, Tree};
use crate::read::drives::DriveSource;
use crate::read::in_hand::InHand;
use crate::read::source::{Opener, Source};
use crate::read::trees::TreeOpener;
use crate::step::outcome::{Problem, Route};
use std::sync::Arc;

/// The source of a job.
pub enum JobSource {
    /// The customer's folder.
    Folder(Box<dyn Tree>),
    /// The drives with their volumes.
    Drives(DriveSource),
}

impl JobSource {
    /// Opens it.
    pub fn of(job: &Job<'_>) -> Result<Self, Problem> {
        let Some(kept) = &job.setup.folder else {
            return Ok(Self::Drives(crate::step::plan::drive::source(job)?));
        };
        let tree = job.tree().map_err(|fault| {
            fault_problem(&fault, "connect the source again, then do the same again")
                .on_path(&kept.path.path())
        })?;
        Ok(Self::Folder(tree))
    }
}

impl Source for JobSource {
    fn opener(&self) -> Box<dyn Opener + '_> {
        match self {
            Self::Folder(tree) => Box::new(TreeOpener::new(tree.as_ref())),
            Self::Drives(drives) => drives.opener(),
        }
    }

    fn has_stamps(&self) -> bool {
        match self {
            Self::Folder(_) => true,
            Self::Drives(drives) => drives.has_stamps(),
        }
    }
}

/// The source of a job for a second reading: what of a drive on the salvage route is in hand comes from its image, what it
/// refused is not asked again, and only the rest is asked of it, where it is here. With it the images.
///
/// # Errors
/// When the source is not here, or the ledger cannot be read.
pub fn again(job: &Job<'_>, facts: &[Fact]) -> Result<(JobSource, Vec<Arc<InHand>>), Problem> {
    let mut images = Vec::new();
    let mut source = match JobSource::of(job)? {
        JobSource::Drives(drives) => drives,
        folder => return Ok((folder, images)),
    };
    for (number, drive) in source.drives.iter_mut().enumerate() {
        let rows = job.ledger.ranges(number).map_err(|e| ledger_problem(&e))?;
        let route = crate::step::state::route_of_drive(job, facts, number);
        if route < Route::Salvage || rows.is_empty() {
            continue;
        }
        let opened = (0..job.setup.destinations.len())
            .map(|at| job.destination(at).ok().map(Arc::<dyn Destination>::from))
            .collect();
        let limits = Limits::for_sectors(drive.sector_bytes(), drive.sector_bytes());
        let layer = InHand::over(Arc::clone(drive), number, opened, None, limits, &rows);
        let is_away = source.away.get(number).is_some_and(Option::is_some);
        let layer = Arc::new(if is_away { layer.alone() } else { layer });
        *drive = layer.clone();
        images.push(layer);
    }
    Ok((JobSource::Drives(source), images))
}
