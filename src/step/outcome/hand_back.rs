//! Results of `print`, `put-back`, `close`, `show` and `demo`.

use super::{Amount, State};
use crate::value::Moment;
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

/// Result of `print`.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub struct Printed {
    /// Path of the paper as HTML.
    pub html: String,
    /// Path of the paper as plain text.
    pub text: String,
}

/// Result of `put-back`.
#[derive(Debug, Clone, PartialEq, Eq, Default, Serialize, Deserialize, JsonSchema)]
pub struct PutBack {
    /// Written and read back.
    pub returned: Amount,
    /// Items that were there already, and equal.
    pub already_there: u64,
    /// Items put beside a different one of the same name.
    pub set_beside: u64,
    /// Items not put back.
    pub refused: Vec<Refused>,
}

/// An item that was not put back.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub struct Refused {
    /// Path of the item.
    pub path: String,
    /// Hex of the exact bytes (or UTF-16LE units) when `path` is not exactly the path.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub raw: Option<String>,
    /// Why.
    pub why: String,
}

/// Result of `close`.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub struct Closed {
    /// Whether the shop's copy is gone.
    pub closed: bool,
    /// What was deleted.
    pub deleted: Amount,
    /// Until when the copy is kept, when it is not gone. For the text.
    #[serde(skip)]
    pub keep_until: Option<Moment>,
}

/// Result of `show JOB`.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub struct Shown {
    /// Where the job stands.
    pub state: State,
    /// Its items by state.
    pub items: ItemCounts,
    /// The next command, whole; words in capitals are filled in by hand. Empty when nothing is left to do.
    pub next: String,
    /// What has to be said of the record itself: that it is a copy, or that a newer program wrote it.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub note: Option<String>,
    /// When the shop's copies were deleted on the record. For the text.
    #[serde(skip)]
    pub closed: Option<Moment>,
    /// Whether the policy is one for practice, whose certificates release nothing. For the text.
    #[serde(skip)]
    pub practice: bool,
    /// When the certificate expires. For the text; scripts read it in the certificate.
    #[serde(skip)]
    pub until: Option<Moment>,
    /// Whose drive, for the text. `None` = not told.
    #[serde(skip)]
    pub owner: Option<String>,
    /// What is on hold, for the text: model and serial, or the folder.
    #[serde(skip)]
    pub on_hold: Vec<String>,
}

/// Items by the state that they are in now; each item is counted once.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize, Deserialize, JsonSchema)]
pub struct ItemCounts {
    /// Found, not yet copied.
    pub listed: u64,
    /// On the medium, not yet read back.
    pub copied: u64,
    /// Read back, and equal.
    pub verified: u64,
    /// Kept with gaps.
    pub damaged: u64,
    /// Nothing could be read.
    pub unreadable: u64,
    /// Left out by a rule.
    pub left_out: u64,
    /// No content on the drive.
    pub placeholder: u64,
    /// Given up by a decision.
    pub waived: u64,
    /// The source changed since.
    pub changed: u64,
}

/// Result of `show` without a job.
#[derive(Debug, Clone, PartialEq, Eq, Default, Serialize, Deserialize, JsonSchema)]
pub struct ShownAll {
    /// Every job found.
    pub jobs: Vec<JobLine>,
    /// Folders on the way could not be entered by this user. For the text.
    #[serde(skip)]
    pub closed: bool,
}

/// One job in the list.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub struct JobLine {
    /// The job folder.
    pub job: String,
    /// Hex of the exact bytes of `job` when it is no text.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub raw: Option<String>,
    /// Where it stands.
    pub state: State,
    /// The owner as named at `open`; `null` = not told.
    pub owner: Option<String>,
    /// When it was opened; `null` = its ledger could not be read.
    pub opened: Option<Moment>,
    /// The next command; empty when nothing is left to do.
    pub next: String,
    /// What has to be said of the record itself, or why it could not be read.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub note: Option<String>,
    /// When the shop's copies were deleted on the record. For the text.
    #[serde(skip)]
    pub closed: Option<Moment>,
    /// Whether the policy is one for practice, whose certificates release nothing. For the text.
    #[serde(skip)]
    pub practice: bool,
}

/// Result of `demo`.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub struct Demonstrated {
    /// What happened, step by step.
    pub steps: Vec<DemoStep>,
    /// The folder that was kept; `null` = everything was removed again.
    pub kept: Option<String>,
}

/// One step of the demonstration.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub struct DemoStep {
    /// The command that a technician would type.
    pub command: String,
    /// What it showed.
    pub says: String,
}
