//! What copies are read from: the folder's tree, or the drives with their volumes.

use crate::job::{Job, fault_problem};
use crate::port::Tree;
use crate::read::source::{Opener, Source};
use crate::read::trees::TreeOpener;
use crate::step::outcome::Problem;

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
