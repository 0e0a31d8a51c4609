//! Results as text for people: one file per command, sentences instead of tables.
//!
//! Invariant: what is not known is said as plainly as what is bad; nothing is called saved,
//! safe or released unless the result says so. JSON carries the same facts for scripts.

pub mod caution;
pub mod points;

pub mod assess;
pub mod close;
pub mod copy;
pub mod demo;
pub mod guard;
pub mod inspect;
pub mod open;
pub mod plan;
pub mod policy;
pub mod print;
pub mod put_back;
pub mod recheck;
pub mod release;
pub mod show;
pub mod verify;
pub mod waive;

use super::page::Page;
use super::phrase::{counted, quoted};
use crate::step::outcome::{Amount, Outcome, Problem, ProblemKind};
use crate::value::measure::bytes_in_words;
use std::path::Path;

/// What stands where a real job would be released.
const PRACTICE: &str = "PRACTICE: releases nothing";

/// A job folder as it is typed in a command.
pub(super) fn typed(job: Option<&Path>) -> String {
    job.map_or_else(|| "JOB".to_owned(), |path| quoted(path.as_os_str()))
}

/// "1,204 files (12.3 GB)": what has content. Folders and links come along uncounted.
pub(super) fn amount(amount: Amount) -> String {
    format!("{} ({})", files(amount.items), bytes_in_words(amount.bytes))
}

/// "1,204 files".
pub(super) fn files(count: u64) -> String {
    counted(count, "file", "files")
}

/// "1,204 items": files, links and folders alike.
pub(super) fn items(count: u64) -> String {
    counted(count, "item", "items")
}

/// A value that may not be known; never left out silently.
pub(super) fn or_unknown(value: Option<&str>, what: &str) -> String {
    match value {
        Some(text) if !text.is_empty() => text.to_owned(),
        _ => format!("{what} not known"),
    }
}

/// The command that comes next as the job stands, and what else there is to type; nothing under `--quiet` or inside `run`.
pub(super) fn next<T>(page: &mut Page, outcome: &Outcome<T>, lines: &[(&str, String)]) {
    let first = outcome.next.as_deref();
    if page.quiet() || page.look().guided || lines.is_empty() && first.is_none() {
        return;
    }
    page.head("Next");
    if let Some(first) = first {
        page.remedy(first);
    }
    for (why, command) in lines {
        if !why.is_empty() {
            page.say(why);
        }
        page.command(command);
    }
}

/// At most `most` entries, then how many more there are.
pub(super) fn some<T>(
    page: &mut Page,
    entries: &[T],
    most: usize,
    mut each: impl FnMut(&mut Page, &T),
) {
    for entry in entries.iter().take(most) {
        each(page, entry);
    }
    if let Some(more) = entries.len().checked_sub(most).filter(|more| *more > 0) {
        page.item(&format!(
            "{} more (all of them with --json)",
            crate::value::measure::count_in_words(more as u64)
        ));
    }
}

/// Why a step did less than was asked, before what it did.
pub(super) fn short<T>(page: &mut Page, outcome: &Outcome<T>) {
    if let Some(short) = &outcome.short {
        let short = match &outcome.job {
            Some(job) => short.clone().for_job(job),
            None => short.clone(),
        };
        problem(page, &short);
        page.gap();
    }
}

/// Why a command did not do its work.
pub fn problem(page: &mut Page, problem: &Problem) {
    let head = match problem.kind {
        ProblemKind::Usage => "Not understood",
        ProblemKind::Failed => "Failed",
        ProblemKind::Hold => "ON HOLD",
        ProblemKind::Stopped => "Stopped early",
    };
    page.warn(&format!("{head}: {}", problem.what));
    if !problem.on.is_empty() {
        page.say(&format!("On: {}", problem.on));
    }
    if !problem.next.is_empty() {
        page.say("What to do next:");
        page.remedy(&problem.next);
    }
}
