//! `demo`: the steps, as a technician would type them.

use super::points;
use crate::cli::page::Page;
use crate::step::outcome::{Demonstrated, Outcome};

/// The page.
pub fn page(page: &mut Page, outcome: &Outcome<Demonstrated>) {
    page.say("Everything here is invented: the customer, the drive and its faults. No device was touched.");
    for step in &outcome.result.steps {
        page.gap();
        page.command(&step.command);
        for line in step.says.lines() {
            page.say(line);
        }
    }
    points::open_points(page, outcome.job.as_deref(), &outcome.open_points);
    page.gap();
    match &outcome.result.kept {
        Some(folder) => page.say(&format!("Kept: {folder}")),
        None => page.say("Nothing of it was kept."),
    }
}
