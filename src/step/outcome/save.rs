//! Results of `copy`, `verify` and `inspect`.

use super::{Amount, ReadBack};
pub use crate::bag::check::CopyAt;
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

/// Result of `copy`.
#[derive(Debug, Clone, PartialEq, Eq, Default, Serialize, Deserialize, JsonSchema)]
pub struct Copied {
    /// Whole and on the medium of the destinations, in this job so far.
    pub copied: Amount,
    /// Of these, read back since and equal at every destination that holds them.
    pub read_back: Amount,
    /// Items kept with gaps.
    pub damaged: u64,
    /// Items of which nothing could be read.
    pub unreadable: u64,
    /// Items still to be copied.
    pub remaining: u64,
}

/// Result of `verify`.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub struct Verified {
    /// Read back and equal.
    pub verified: Amount,
    /// Read back and not equal, or not readable.
    pub mismatched: Vec<CopyAt>,
    /// Recorded, but not there.
    pub missing: Vec<CopyAt>,
    /// There, but not recorded.
    pub extra: Vec<CopyAt>,
    /// How the bytes were read back.
    pub method: ReadBack,
}

/// Result of `inspect`.
#[derive(Debug, Clone, PartialEq, Eq, Default, Serialize, Deserialize, JsonSchema)]
pub struct Inspected {
    /// What was looked into.
    pub looked: Looked,
    /// Copies that may not be what they claim to be.
    pub doubtful: Vec<Doubtful>,
    /// Drawn for human eyes.
    pub sample: Vec<Drawn>,
}

/// How many items were looked into.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize, Deserialize, JsonSchema)]
pub struct Looked {
    /// How many.
    pub items: u64,
}

/// A copy that may not be what it claims to be.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub struct Doubtful {
    /// Path of the item.
    pub path: String,
    /// Hex of the exact bytes (or UTF-16LE units) when `path` is not exactly the path.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub raw: Option<String>,
    /// What is doubtful.
    pub why: String,
}

/// An item drawn for human eyes.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub struct Drawn {
    /// Path of the item.
    pub path: String,
    /// Hex of the exact bytes (or UTF-16LE units) when `path` is not exactly the path.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub raw: Option<String>,
    /// Where its copy lies, to be opened with an ordinary viewer.
    pub copy: String,
}
