//! `recheck`: does the release still hold?

use super::{PRACTICE, next, points};
use crate::cli::page::{Page, Tone};
use crate::cli::phrase::when;
use crate::step::outcome::{Outcome, Rechecked};

/// The page.
pub fn page(page: &mut Page, outcome: &Outcome<Rechecked>) {
    let seen = &outcome.result;
    if seen.holds {
        let until = seen
            .until
            .map(|moment| format!(" until {}", when(moment, page.look())))
            .unwrap_or_default();
        if seen.practice {
            page.state(Tone::Stop, PRACTICE);
            page.say(&format!("A real release would hold{until}."));
        } else {
            page.state(Tone::Go, &format!("The release holds{until}"));
        }
    } else {
        page.state(Tone::Stop, "ON HOLD: the release does not hold");
    }
    for change in &seen.changed {
        let drive = if change.drive.is_empty() {
            String::new()
        } else {
            format!("{}: ", change.drive)
        };
        page.item(&format!("{drive}{}", change.in_words()));
    }
    points::open_points(page, outcome.job.as_deref(), &outcome.open_points);
    if !seen.holds {
        next(page, outcome, &[]);
    }
}
