//! `close`: whether the shop's own copy is gone.

use super::{amount, points};
use crate::cli::page::Page;
use crate::cli::phrase::day;
use crate::step::outcome::{Closed, Outcome};

/// The page.
pub fn page(page: &mut Page, outcome: &Outcome<Closed>) {
    let closed = &outcome.result;
    if closed.closed {
        page.say(&if closed.deleted.items > 0 {
            format!("Closed. Deleted on the record: {}.", amount(closed.deleted))
        } else {
            "Closed. Nothing was left to delete.".to_owned()
        });
        page.say("Names were taken out of what stays; the job's folder keeps its own.");
    } else {
        page.say("Not closed: the shop's copy is kept.");
        if closed.deleted.items > 0 {
            page.warn(&format!("Deleted so far: {}.", amount(closed.deleted)));
        }
    }
    if let Some(until) = closed.keep_until {
        let text = format!("It is kept until {}.", day(until, page.look()));
        page.say(&text);
    }
    points::open_points(page, outcome.job.as_deref(), &outcome.open_points);
}
