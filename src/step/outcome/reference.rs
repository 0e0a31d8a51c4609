//! Results of `policy`, `manual` and `completions`.

use crate::value::Blake3;
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

/// Result of `policy list`.
#[derive(Debug, Clone, PartialEq, Eq, Default, Serialize, Deserialize, JsonSchema)]
pub struct PoliciesListed {
    /// Every policy that is shipped.
    pub policies: Vec<PolicyLine>,
}

/// One policy.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub struct PolicyLine {
    /// Its name, or the file.
    pub name: String,
    /// What it is for, in a sentence.
    pub says: String,
    /// BLAKE3 of its text, as certificates name it.
    pub blake3: Blake3,
}

/// Result of `policy explain` and `policy check`.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub struct PolicyExplained {
    /// Which policy.
    pub policy: PolicyLine,
    /// What it demands, a sentence each; the source of a threshold stands in the sentence.
    pub demands: Vec<String>,
}

/// Result of `schema`.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct SchemaPrinted {
    /// The JSON Schema of every document.
    pub schema: serde_json::Value,
}

/// Result of `--version`.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub struct VersionPrinted {
    /// Version of the program.
    pub version: String,
}

/// Result of `--help`.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub struct HelpPrinted {
    /// The help, as it is printed for people.
    pub text: String,
}

/// Result of `manual`.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub struct ManualPrinted {
    /// The page (roff); `null` when files were written.
    pub text: Option<String>,
    /// The files that were written.
    pub files: Vec<String>,
}

/// Result of `completions`.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub struct CompletionsPrinted {
    /// Which shell.
    pub shell: String,
    /// The script.
    pub text: String,
}
