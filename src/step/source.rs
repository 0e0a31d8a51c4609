//! What copies are read from: the folder's tree, or the drives with their volumes.

use crate::job::{Job, fault_problem, ledger_problem};
use crate::judge::gaps::Limits;
use crate::ledger::Fact;
use crate::port::{Destination, Tree};
use crate::read::in_hand::InHand;
use crate::read::source::{Opener, Source};
use crate::read::trees::TreeOpener;
use crate::step::outcome::{Problem, Route};
use std::sync::Arc;

/// A tree that is held by its source.
struct OwnTree(Box<dyn Tree>);

impl Source for OwnTree {
    fn opener(&self) -> Box<dyn Opener + '_> {
        Box::new(TreeOpener::new(self.0.as_ref()))
    }
}

/// The source of a job.
pub fn source(job: &Job<'_>) -> Result<Box<dyn Source>, Problem> {
    if job.setup.folder.is_none() {
        return Ok(Box::new(crate::step::plan::drive::source(job)?));
    }
    let tree = job.tree().map_err(|fault| {
        let problem = fault_problem(&fault, "connect the source again, then do the same again");
        match &job.setup.folder {
            Some(kept) => problem.on_path(&kept.path.path()),
            None => problem,
        }
    })?;
    Ok(Box::new(OwnTree(tree)))
}

/// The source of a job for a second reading: what of a drive on the salvage route is in hand comes from its image, what it
/// refused is not asked again, and only the rest is asked of it, where it is here. With it the images.
///
/// # Errors
/// When the source is not here, or the ledger cannot be read.
pub fn again(
    job: &Job<'_>,
    facts: &[Fact],
) -> Result<(Box<dyn Source>, Vec<Arc<InHand>>), Problem> {
    if job.setup.folder.is_some() {
        return Ok((source(job)?, Vec::new()));
    }
    let mut source = crate::step::plan::drive::source(job)?;
    let mut images = Vec::new();
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
    Ok((Box::new(source), images))
}
