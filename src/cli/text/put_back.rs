//! `put-back`: what was returned, and what was not overwritten.

use super::{amount, files, items, next, points, short, some};
use crate::cli::page::Page;
use crate::step::outcome::{Exit, Outcome, PutBack};

/// The page.
pub fn page(page: &mut Page, outcome: &Outcome<PutBack>) {
    let done = &outcome.result;
    // What failed by itself stands in the list below.
    if outcome.exit == Exit::Stopped {
        short(page, outcome);
    }
    page.say(&format!(
        "Returned and read back: {}.",
        amount(done.returned)
    ));
    if done.already_there > 0 {
        page.say(&format!(
            "{} there already, and equal.",
            files(done.already_there)
        ));
    }
    if done.set_beside > 0 {
        page.say(&format!(
            "{} set beside a different one of the same name; nothing was overwritten.",
            items(done.set_beside)
        ));
    }
    if !done.refused.is_empty() {
        page.warn(&format!(
            "{} not returned whole:",
            items(done.refused.len() as u64)
        ));
        some(page, &done.refused, 10, |page, refused| {
            page.item(&format!("{}: {}", refused.path, refused.why));
        });
    }
    points::open_points(page, outcome.job.as_deref(), &outcome.open_points);
    next(page, outcome, &[]);
}
