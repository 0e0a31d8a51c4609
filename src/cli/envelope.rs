//! The one JSON document that every command prints under `--json`.
//!
//! Invariant: exactly one document, result or error, never both; nothing else on standard output.

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
    error: ErrorShown<'a>,
}

/// Why a command did not do its work.
#[derive(Debug, Serialize, JsonSchema)]
pub struct ErrorShown<'a> {
    /// What was tried, what was expected, what was found.
    pub what: &'a str,
    /// The path, device or item; empty when there is none.
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
    line(&Document {
        holdpoint: env!("CARGO_PKG_VERSION"),
        schema: SCHEMA,
        command,
        job,
        job_raw,
        result: &outcome.result,
        open_points: &outcome.open_points,
    })
}

/// The document for `problem`, with its line end.
pub fn refusal(command: &str, job: Option<&Path>, problem: &Problem) -> serde_json::Result<String> {
    let (job, job_raw) = job_text(job);
    line(&Refusal {
        holdpoint: env!("CARGO_PKG_VERSION"),
        schema: SCHEMA,
        command,
        job,
        job_raw,
        error: ErrorShown {
            what: &problem.what,
            on: &problem.on,
            next: &problem.next,
        },
    })
}

fn line(document: &impl Serialize) -> serde_json::Result<String> {
    let mut text = serde_json::to_string_pretty(document)?;
    text.push('\n');
    Ok(text)
}
