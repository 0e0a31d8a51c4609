//! The one JSON document that every command prints under `--json`.
//!
//! Invariant: exactly one document; nothing else on standard output. It holds the result or the error; both only where
//! a step did part of its work (`put-back`).

use crate::step::outcome::{OpenPoint, Outcome, PathText, Problem, SCHEMA};
use schemars::JsonSchema;
use serde::Serialize;
use std::path::Path;

/// The document of a command that did its work.
#[derive(Debug, Serialize)]
pub struct Document<'a, T> {
    holdpoint: &'static str,
    schema: u32,
    command: &'a str,
    job: Option<String>,
    #[serde(skip_serializing_if = "Option::is_none")]
    job_raw: Option<String>,
    result: &'a T,
    open_points: &'a [OpenPoint],
    #[serde(skip_serializing_if = "Option::is_none")]
    error: Option<ErrorShown<'a>>,
}

/// The document of a command that did not.
#[derive(Debug, Serialize)]
pub struct Refusal<'a> {
    holdpoint: &'static str,
    schema: u32,
    command: &'a str,
    job: Option<String>,
    #[serde(skip_serializing_if = "Option::is_none")]
    job_raw: Option<String>,
    #[serde(skip_serializing_if = "Option::is_none")]
    open_points: Option<&'a [OpenPoint]>,
    error: ErrorShown<'a>,
}

/// Why a command did not do its work.
#[derive(Debug, Serialize, JsonSchema)]
pub struct ErrorShown<'a> {
    /// What was tried, what was expected, what was found.
    pub what: &'a str,
    /// The path, device, item or option; empty when there is none.
    pub on: &'a str,
    /// The next step.
    pub next: &'a str,
}

fn job_text(job: Option<&Path>) -> (Option<String>, Option<String>) {
    match job.map(PathText::of) {
        Some(text) => (Some(text.path), text.raw),
        None => (None, None),
    }
}

/// The document for `outcome`, with its line end.
pub fn document<T: Serialize>(command: &str, outcome: &Outcome<T>) -> serde_json::Result<String> {
    let (job, job_raw) = job_text(outcome.job.as_deref());
    let short = outcome.short.clone().map(|short| match &outcome.job {
        Some(job) => short.for_job(job),
        None => short,
    });
    line(&Document {
        holdpoint: env!("CARGO_PKG_VERSION"),
        schema: SCHEMA,
        command,
        job,
        job_raw,
        result: &outcome.result,
        open_points: &outcome.open_points,
        error: short.as_ref().map(shown),
    })
}

/// The document for `problem`, with its line end; `points` = those of the job, where they stand in the way.
pub fn refusal(
    command: &str,
    job: Option<&Path>,
    problem: &Problem,
    points: Option<&[OpenPoint]>,
) -> serde_json::Result<String> {
    let (job, job_raw) = job_text(job);
    let mut error = shown(problem);
    // What nobody named more closely was tried on the job.
    if error.on.is_empty() {
        error.on = job.as_deref().unwrap_or_default();
    }
    line(&Refusal {
        holdpoint: env!("CARGO_PKG_VERSION"),
        schema: SCHEMA,
        command,
        job: job.clone(),
        job_raw,
        open_points: points,
        error,
    })
}

fn shown(problem: &Problem) -> ErrorShown<'_> {
    ErrorShown {
        what: &problem.what,
        on: &problem.on,
        next: &problem.next,
    }
}

fn line(document: &impl Serialize) -> serde_json::Result<String> {
    let mut text = plain(&serde_json::to_string_pretty(document)?);
    text.push('\n');
    Ok(text)
}

/// JSON escapes only what lies below U+0020. Other characters that act on a terminal, too, are
/// written as `\\uXXXX` (RFC 8259, 7): the same document, harmless when somebody looks at it.
/// Outside strings JSON has no such characters, so every one stands inside a string.
fn plain(json: &str) -> String {
    let acts = |c: char| {
        (c.is_control() && c != '\n')
            || matches!(c as u32, 0x61c | 0x200b..=0x200f | 0x2028..=0x202e | 0x2060..=0x206f | 0xfeff | 0xe0000..=0xe007f)
    };
    if !json.chars().any(acts) {
        return json.to_owned();
    }
    let mut out = String::with_capacity(json.len() + 64);
    for c in json.chars() {
        if acts(c) {
            for unit in c.encode_utf16(&mut [0; 2]) {
                out.push_str(&format!("\\u{unit:04x}"));
            }
        } else {
            out.push(c);
        }
    }
    out
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    #[test]
    fn a_job_that_is_no_text_carries_its_bytes() {
        use std::os::unix::ffi::OsStrExt;
        let job = Path::new(std::ffi::OsStr::from_bytes(b"/caf\xe9"));
        let text = refusal("copy", Some(job), &Problem::failed("w", "o", "n"), None).unwrap();
        let document: serde_json::Value = serde_json::from_str(&text).unwrap();
        assert_eq!(document["job"], "/caf%E9");
        assert_eq!(document["job_raw"], "2f636166e9");
    }

    proptest! {
        #![proptest_config(ProptestConfig { failure_persistence: None, ..ProptestConfig::default() })]
        #[test]
        fn documents_are_harmless_and_lose_nothing(what in any::<String>()) {
            let text = refusal("copy", None, &Problem::failed(what.clone(), "\u{9b}2J\u{202e}\u{e0041}", ""), None).unwrap();
            prop_assert!(!text.chars().any(|c| c.is_control() && c != '\n'));
            let reorders = text.chars().any(|c| c as u32 == 0x202e);
            prop_assert!(!reorders);
            let document: serde_json::Value = serde_json::from_str(&text).unwrap();
            prop_assert_eq!(document["error"]["what"].as_str(), Some(what.as_str()));
            prop_assert_eq!(document["error"]["on"].as_str(), Some("\u{9b}2J\u{202e}\u{e0041}"));
        }
    }
}
