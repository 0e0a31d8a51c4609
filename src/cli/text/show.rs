//! `show`: where a job stands, readable from afar: the state, then what comes next.

use super::{PRACTICE, or_unknown, points};
use crate::cli::page::{Page, Tone};
use crate::cli::phrase::{capital, day, listed, when};
use crate::step::outcome::{ItemCounts, OpenPoint, Outcome, Shown, ShownAll, State};
use crate::value::measure::count_in_words;

/// The page of one job.
pub fn page(page: &mut Page, outcome: &Outcome<Shown>) {
    let shown = &outcome.result;
    if let Some(at) = shown.closed {
        page.state(
            Tone::Plain,
            &format!("CLOSED since {}", when(at, page.look())),
        );
        page.say(
            "The shop's copies were deleted on the record. Nothing of this job is left to do.",
        );
        return;
    }
    match shown.state {
        State::Hold => page.state(Tone::Stop, "ON HOLD"),
        State::Released => {
            let until = shown
                .until
                .map(|moment| format!(" until {}", when(moment, page.look())))
                .unwrap_or_default();
            if shown.practice {
                page.state(Tone::Stop, PRACTICE);
                page.say(&format!("The rules for practice let it through{until}; those of a real job ask for more."));
            } else {
                page.state(Tone::Go, &format!("RELEASED{until}"));
            }
        }
    }
    page.gap();
    if let Some(note) = &shown.note {
        page.say(&capital(&format!("{note}.")));
    }
    if !shown.next.is_empty() {
        page.say("What comes next:");
        page.remedy(&shown.next);
    }
    page.gap();
    for what in &shown.on_hold {
        page.say(&capital(what));
    }
    if let Some(owner) = &shown.owner {
        page.say(&format!("Owner: {owner}"));
    }
    page.say(&counts(&shown.items, &outcome.open_points));
    points::open_points(page, outcome.job.as_deref(), &outcome.open_points);
}

/// The page of every job.
pub fn all(page: &mut Page, outcome: &Outcome<ShownAll>) {
    let jobs = &outcome.result.jobs;
    if jobs.is_empty() {
        page.say("No job was found.");
        if outcome.result.closed {
            page.say("Some folders may only be entered by another user: a job that was opened with sudo is found with sudo.");
        }
        if !page.quiet() {
            page.say("Start one:");
            page.command("holdpoint open --drive PATH --to DIR");
        }
        return;
    }
    for job in jobs {
        let since = job.opened.map_or_else(
            || "opening not known".to_owned(),
            |at| format!("since {}", day(at, page.look())),
        );
        match job.state {
            _ if job.closed.is_some() => page.state(Tone::Plain, &format!("CLOSED: {}", job.job)),
            State::Hold => page.state(Tone::Stop, &format!("ON HOLD: {}", job.job)),
            State::Released if job.practice => {
                page.state(Tone::Stop, &format!("{PRACTICE}: {}", job.job));
            }
            State::Released => page.state(Tone::Go, &format!("RELEASED: {}", job.job)),
        }
        page.under(&format!(
            "{}, {since}",
            or_unknown(job.owner.as_deref(), "owner")
        ));
        if let Some(note) = job.note.as_ref().filter(|_| job.closed.is_none()) {
            page.under(&capital(&format!("{note}.")));
        }
        if !job.next.is_empty() && !page.quiet() {
            page.remedy(&job.next);
        }
    }
}

/// The items in one sentence; states without items are left away, except that nothing is saved.
fn counts(items: &ItemCounts, points: &[OpenPoint]) -> String {
    // Where no copy counts at all, reading it back would not help.
    let copied = if points.iter().any(|point| point.id == "no-destination") {
        "copied only where no copy counts"
    } else {
        "copied but not yet read back"
    };
    let mut parts: Vec<String> = Vec::new();
    for (count, says) in [
        (items.verified, "verified"),
        (items.copied, copied),
        (items.listed, "listed but not copied"),
        (items.changed, "changed since they were listed"),
        (items.damaged, "with gaps"),
        (items.unreadable, "unreadable"),
        (items.placeholder, "without content on the drive"),
        (items.waived, "given up by a decision"),
        (items.left_out, "left out by a rule"),
    ] {
        if count > 0 {
            parts.push(format!("{} {says}", count_in_words(count)));
        }
    }
    if parts.is_empty() {
        return "No file is listed.".to_owned();
    }
    format!("Files: {}.", listed(&parts))
}
