//! What copies are read from: the folder's tree, or the drives with their volumes.

use crate::job::{Job, fault_problem};
use crate::port::Tree;
use crate::read::drives::DriveSource;
use crate::read::source::{Opener, Source};
use crate::read::trees::TreeOpener;
use crate::step::outcome::Problem;

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
