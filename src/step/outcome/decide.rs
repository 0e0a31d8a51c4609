//! Results of `waive`, `release`, `recheck` and `guard`.

use super::{Signature, State};
use crate::value::{Blake3, Moment};
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

/// Result of `waive`.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub struct Waived {
    /// The frozen set that may be lost.
    pub waived: WaivedSet,
    /// Its copies are kept as they are: they are only accepted with their doubt.
    #[serde(skip)]
    pub kept: bool,
}

/// The frozen set of one waiver.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub struct WaivedSet {
    /// How many items.
    pub items: u64,
    /// Their bytes.
    pub bytes: u64,
    /// Digest of the set; the waiver lapses when it changes.
    pub set_hash: Blake3,
}

/// Result of `waive --must-have`.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub struct Answered {
    /// The must-have and its answer.
    pub answered: Answer,
}

/// The answer to one must-have.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub struct Answer {
    /// Its number, counted from 1.
    pub number: u32,
    /// In the owner's words.
    pub asked: String,
    /// Paths that a person tied to it; empty = not here.
    pub found: Vec<String>,
    /// Why it is not here; `null` when it was found.
    pub not_here: Option<String>,
}

/// Result of `release`.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub struct Released {
    /// Whether the gate released.
    pub state: State,
    /// Path of the certificate; `null` on hold.
    pub certificate: Option<String>,
    /// What vouches for it.
    pub signature: Signature,
    /// Root over the manifest of the bag; `null` = no bag was sealed.
    pub manifest_root: Option<Blake3>,
    /// When the certificate expires. For the text; scripts read it in the certificate.
    #[serde(skip)]
    pub until: Option<Moment>,
    /// Whether the policy is one for practice, whose certificates release nothing. For the text.
    #[serde(skip)]
    pub practice: bool,
    /// Whether somebody looked into the copies; `None` = there are none. For the text.
    #[serde(skip)]
    pub looked_into: Option<bool>,
}

/// Result of `recheck`.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub struct Rechecked {
    /// Whether the release still holds for the drives present now.
    pub holds: bool,
    /// What is not as it was at the release.
    pub changed: Vec<Change>,
    /// When the certificate expires. For the text; scripts read it in the certificate.
    #[serde(skip)]
    pub until: Option<Moment>,
    /// Whether the policy is one for practice, whose certificates release nothing. For the text.
    #[serde(skip)]
    pub practice: bool,
}

/// One thing that is not as it was at the release.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub struct Change {
    /// Serial or path of the drive; empty when it is no drive's.
    pub drive: String,
    /// What changed ("power cycles", "fingerprint").
    pub what: String,
    /// At the release; `null` = not known then.
    pub before: Option<String>,
    /// Now; `null` = not known now.
    pub now: Option<String>,
}

impl Change {
    /// "size: 500 at the release, 400 now"; what was not known then is told as it is now.
    pub fn in_words(&self) -> String {
        let now = self.now.as_deref().unwrap_or("not known");
        match &self.before {
            Some(before) => format!("{}: {before} at the release, {now} now", self.what),
            None => format!("{}: {now}", self.what),
        }
    }
}

/// Result of `guard`.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub struct Guarded {
    /// Whether the command was started.
    pub ran: bool,
    /// Its exit code; `null` = not started, or ended by a signal.
    pub exit: Option<i32>,
    /// Why it was not started; `null` when it was, or would have been (`--dry-run`).
    pub refused: Option<String>,
}
