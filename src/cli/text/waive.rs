//! `waive`: what may be lost now, or where a must-have is.

use super::{items, next, points, typed};
use crate::cli::page::Page;
use crate::cli::phrase::{counted, listed};
use crate::step::outcome::{Answered, DecidedBy, How, Outcome, Waived};
use crate::step::request::{WaiveRequest, WaiveWhat};
use crate::value::measure::bytes_in_words;

/// The page of a waiver.
pub fn page(page: &mut Page, request: &WaiveRequest, outcome: &Outcome<Waived>) {
    let set = &outcome.result.waived;
    let who = match (request.decided_by, request.name.as_deref()) {
        (DecidedBy::Owner, Some(name)) => format!("{name}, the owner"),
        (DecidedBy::Owner, None) => "the owner".to_owned(),
        (DecidedBy::Technician, Some(name)) => format!("{name}, the technician"),
        (DecidedBy::Technician, None) => "the technician".to_owned(),
    };
    let how = match request.how {
        Some(How::Signed) => ", signed on paper",
        Some(How::Message) => ", by message",
        Some(How::Phone) => ", by telephone",
        None => "",
    };
    let what = match &request.what {
        // A point about no items: nothing is lost by it, a doubt is taken.
        WaiveWhat::Point(id) if set.bytes == 0 => format!("\"{id}\" does not stand in the way"),
        _ if outcome.result.kept => format!(
            "{} ({}) in doubt {}",
            counted(set.items, "copy", "copies"),
            bytes_in_words(set.bytes),
            if set.items == 1 {
                "is kept as it is, and may be unusable"
            } else {
                "are kept as they are, and may be unusable"
            }
        ),
        _ => format!(
            "{} ({}) may be lost",
            items(set.items),
            bytes_in_words(set.bytes)
        ),
    };
    page.say(&format!(
        "Recorded: {what}. Decided by {who}{how}, because: {}",
        request.reason
    ));
    if set.bytes > 0 {
        page.say("The decision covers exactly these, and lapses when they change.");
    }
    points::open_points(page, outcome.job.as_deref(), &outcome.open_points);
    let job = typed(outcome.job.as_deref());
    let mut lines = Vec::new();
    if request.how == Some(How::Signed) && request.proof.is_none() {
        lines.push((
            "The sheet to sign, if it is not signed yet:",
            format!("holdpoint print {job} --paper sheet"),
        ));
    }
    next(page, outcome, &lines);
}

/// The page of an answer to a must-have.
pub fn answered(page: &mut Page, outcome: &Outcome<Answered>) {
    let answer = &outcome.result.answered;
    let text = if answer.found.is_empty() {
        format!(
            "Recorded: \"{}\" is not on these drives{}",
            answer.asked,
            answer
                .not_here
                .as_deref()
                .map(|why| format!(": {why}"))
                .unwrap_or_default()
        )
    } else {
        format!(
            "Recorded: \"{}\" is {}",
            answer.asked,
            listed(&answer.found)
        )
    };
    page.say(&text);
    points::open_points(page, outcome.job.as_deref(), &outcome.open_points);
    next(page, outcome, &[]);
}
