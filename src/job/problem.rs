//! The one error form: why something was not done, on what, and what to do next.
//!
//! Invariant: it is made for the person at the bench; nothing is refused without a next step.

use super::KeptPath;
use std::fmt;
use std::path::Path;

/// Why a step did not do its work. What was tried, on what, and what to do next.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub struct Problem {
    /// Decides the exit code.
    pub kind: ProblemKind,
    /// What was tried, what was expected, what was found.
    pub what: String,
    /// The path, device or item; empty when there is none.
    pub on: String,
    /// The next step for the person at the bench.
    pub next: String,
}

/// The kinds of problem, one per exit code other than 0.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum ProblemKind {
    /// The command line makes no sense (exit code 2).
    Usage,
    /// It was tried and failed (exit code 1).
    Failed,
    /// The hold stands in the way (exit code 3).
    Hold,
    /// Stopped early, resumable (exit code 4).
    Stopped,
}

impl Problem {
    /// A problem of the given kind.
    pub fn new(
        kind: ProblemKind,
        what: impl Into<String>,
        on: impl Into<String>,
        next: impl Into<String>,
    ) -> Self {
        Self {
            kind,
            what: what.into(),
            on: on.into(),
            next: next.into(),
        }
    }

    /// The command line makes no sense.
    pub fn usage(what: impl Into<String>, on: impl Into<String>, next: impl Into<String>) -> Self {
        Self::new(ProblemKind::Usage, what, on, next)
    }

    /// It was tried and failed.
    pub fn failed(what: impl Into<String>, on: impl Into<String>, next: impl Into<String>) -> Self {
        Self::new(ProblemKind::Failed, what, on, next)
    }

    /// The hold stands in the way.
    pub fn hold(what: impl Into<String>, on: impl Into<String>, next: impl Into<String>) -> Self {
        Self::new(ProblemKind::Hold, what, on, next)
    }

    /// Stopped early, resumable.
    pub fn stopped(
        what: impl Into<String>,
        on: impl Into<String>,
        next: impl Into<String>,
    ) -> Self {
        Self::new(ProblemKind::Stopped, what, on, next)
    }

    /// The same, saying on which path.
    pub fn on_path(mut self, path: &Path) -> Self {
        self.on = KeptPath::of(path).text;
        self
    }

    /// The same with the job's folder in the commands of the next step.
    pub fn for_job(mut self, job: &Path) -> Self {
        let typed = format!(" {}", crate::value::typed(job.as_os_str()));
        self.next = self.next.replace(" JOB", &typed);
        self
    }
}

impl fmt::Display for Problem {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&self.what)?;
        if !self.on.is_empty() {
            write!(f, " ({})", self.on)?;
        }
        if !self.next.is_empty() {
            write!(f, "; next: {}", self.next)?;
        }
        Ok(())
    }
}
