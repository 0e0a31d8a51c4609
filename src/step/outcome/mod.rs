//! What each step hands back: the `result` of the interface as types, the open points
//! beside it, and the one error form.
//!
//! Invariant: these types are the published JSON. Renaming a field or a word here is a
//! step of the schema version; `null` always means "not known", never zero.

mod decide;
mod hand_back;
mod reference;
mod save;
mod take_in;
mod words;

pub use decide::*;
pub use hand_back::*;
pub use reference::*;
pub use save::*;
pub use take_in::*;
pub use words::*;

pub use crate::job::problem::{Problem, ProblemKind};
pub use crate::value::Amount;

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};
use std::path::{Path, PathBuf};

/// Version of the JSON documents; changes only when a reader would have to change.
pub const SCHEMA: u32 = 1;

/// The exit codes of the interface.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord)]
#[repr(u8)]
pub enum Exit {
    /// The step did its work; for `release`, `recheck` and `guard`: released.
    Done = 0,
    /// The step failed, or (verify) a copy differs, is missing or extra.
    Failed = 1,
    /// The command line makes no sense.
    Usage = 2,
    /// The job is on hold, or the release no longer holds.
    Hold = 3,
    /// Stopped early; the same command goes on from there.
    Stopped = 4,
}

impl Exit {
    /// Every code, in order.
    pub const ALL: [Exit; 5] = [
        Exit::Done,
        Exit::Failed,
        Exit::Usage,
        Exit::Hold,
        Exit::Stopped,
    ];

    /// The number that the process ends with.
    pub fn code(self) -> u8 {
        self as u8
    }

    /// What the number means, for help and manual.
    pub fn meaning(self) -> &'static str {
        match self {
            Exit::Done => "done; for release: released",
            Exit::Failed => "failed; for verify: a copy differs, is missing or extra",
            Exit::Usage => "the command line makes no sense",
            Exit::Hold => "on hold: open points remain, or the release no longer holds",
            Exit::Stopped => {
                "stopped early; the same command goes on from there; run wants the job named"
            }
        }
    }
}

/// What a step did.
#[derive(Debug, Clone)]
pub struct Outcome<T> {
    /// The job folder, where there is one.
    pub job: Option<PathBuf>,
    /// The published result.
    pub result: T,
    /// Every reason known now why the gate would not release, most weighty first.
    pub open_points: Vec<OpenPoint>,
    /// How the process ends.
    pub exit: Exit,
    /// The command that comes next, for the text; `None` = nothing does, or it was not asked.
    pub next: Option<String>,
    /// Why less was done than was asked, although there is a result.
    pub short: Option<Problem>,
    /// What has to be said beside the result, of a step that tells nothing while it works.
    pub warnings: Vec<String>,
}

impl<T> Outcome<T> {
    /// A result that is about no job.
    pub fn alone(result: T) -> Self {
        Self {
            job: None,
            result,
            open_points: Vec::new(),
            exit: Exit::Done,
            next: None,
            short: None,
            warnings: Vec::new(),
        }
    }

    /// A step that did its work on `job`.
    pub fn done(job: &Path, result: T, open_points: Vec<OpenPoint>) -> Self {
        Self {
            job: Some(job.to_owned()),
            open_points,
            ..Self::alone(result)
        }
    }

    /// The same, saying these beside the result.
    pub fn warning(mut self, warnings: Vec<String>) -> Self {
        self.warnings = warnings;
        self
    }

    /// The same, saying why less was done than was asked.
    pub fn short(mut self, problem: Problem) -> Self {
        self.short = Some(problem);
        self
    }

    /// The same with another exit code.
    pub fn ending(mut self, exit: Exit) -> Self {
        self.exit = exit;
        self
    }
}

/// One reason why the gate will not release.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub struct OpenPoint {
    /// A stable word with hyphens (`volume-locked`).
    pub id: String,
    /// The point in a sentence for people.
    pub says: String,
    /// What is lost if the drive is wiped now.
    pub lost: String,
    /// What shows it.
    pub evidence: String,
    /// The next step, a command wherever there is one.
    pub remedy: String,
    /// Who may settle it by a decision.
    pub who: Who,
    /// How many items (volumes, must-haves) it stands for.
    pub count: u64,
}

impl Problem {
    /// How the process ends.
    pub fn exit(&self) -> Exit {
        match self.kind {
            ProblemKind::Usage => Exit::Usage,
            ProblemKind::Failed => Exit::Failed,
            ProblemKind::Hold => Exit::Hold,
            ProblemKind::Stopped => Exit::Stopped,
        }
    }
}

/// A path as the interface writes it: text, and the exact bytes beside it where they differ.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct PathText {
    /// Undecodable bytes percent-escaped.
    pub path: String,
    /// Hex of the bytes (or UTF-16LE units) when `path` is not exactly the path.
    pub raw: Option<String>,
}

impl PathText {
    /// From a path of this machine.
    #[cfg(unix)]
    pub fn of(path: &Path) -> Self {
        use std::os::unix::ffi::OsStrExt;
        let name = crate::value::Name::Bytes(path.as_os_str().as_bytes().to_vec());
        Self {
            path: name.text(),
            raw: name.raw(),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn exit_codes_are_the_published_ones() {
        let codes: Vec<u8> = Exit::ALL.iter().map(|exit| exit.code()).collect();
        assert_eq!(codes, [0, 1, 2, 3, 4]);
        assert_eq!(Problem::usage("a", "", "").exit().code(), 2);
        assert_eq!(Problem::failed("a", "", "").exit().code(), 1);
        assert_eq!(Problem::hold("a", "", "").exit().code(), 3);
        assert_eq!(Problem::stopped("a", "", "").exit().code(), 4);
    }

    #[test]
    fn a_path_that_is_no_text_carries_its_bytes() {
        use std::os::unix::ffi::OsStrExt;
        let path = Path::new(std::ffi::OsStr::from_bytes(b"/mnt/caf\xe9"));
        let text = PathText::of(path);
        assert_eq!(text.path, "/mnt/caf%E9");
        assert_eq!(text.raw.as_deref(), Some("2f6d6e742f636166e9"));
        assert_eq!(PathText::of(Path::new("/mnt")).raw, None);
    }
}
