//! `inspect`: equal is not good; what may not be what it claims to be.

use super::{files, next, points, short, some, typed};
use crate::cli::page::Page;
use crate::cli::phrase::counted;
use crate::step::outcome::{Inspected, Outcome};
use crate::step::request::InspectRequest;

/// The page.
pub fn page(page: &mut Page, request: &InspectRequest, outcome: &Outcome<Inspected>) {
    let seen = &outcome.result;
    let job = typed(outcome.job.as_deref());
    short(page, outcome);
    page.say(&format!("Looked into {}.", files(seen.looked.items)));
    if seen.doubtful.is_empty() && outcome.short.is_some() {
        page.say("Until then nothing was in doubt.");
    } else if seen.doubtful.is_empty() {
        page.say("Each is what its name claims, as far as a program can tell.");
    } else {
        page.warn(&format!("{} in doubt:", files(seen.doubtful.len() as u64)));
        some(page, &seen.doubtful, 10, |page, doubt| {
            page.item(&format!("{}: {}", doubt.path, doubt.why));
        });
    }
    let open = outcome
        .open_points
        .iter()
        .find(|point| point.id == "doubtful-content")
        .map_or(0, |point| point.count);
    let rest = (seen.doubtful.len() as u64).saturating_sub(open);
    if rest > 0 {
        page.say(&format!(
            "{} in no open point: had again elsewhere, decided about, or in doubt by date only.",
            counted(rest, "of these stands", "of these stand")
        ));
    }
    if !seen.sample.is_empty() {
        page.head("Drawn for your eyes");
        page.say("Open each and look; a program cannot tell a good photo from a grey one.");
        some(page, &seen.sample, 20, |page, drawn| {
            page.item(&drawn.path);
            page.path(&drawn.copy);
        });
    }
    points::open_points(page, outcome.job.as_deref(), &outcome.open_points);
    let mut lines = Vec::new();
    if request.fault_since.is_none() {
        lines.push((
            "What was written while the machine was sick:",
            format!("holdpoint inspect {job} --fault-since DATE"),
        ));
    }
    next(page, outcome, &lines);
}
