//! `guard`: whether the command was let through.

use super::{next, points};
use crate::cli::page::{Page, Tone};
use crate::cli::phrase::capital;
use crate::step::outcome::{Guarded, Outcome};
use crate::step::request::GuardRequest;

/// The page.
pub fn page(page: &mut Page, request: &GuardRequest, outcome: &Outcome<Guarded>) {
    let guarded = &outcome.result;
    if let Some(why) = &guarded.refused {
        page.state(Tone::Stop, "REFUSED: the command was not started");
        page.say(&capital(why));
        points::open_points(page, outcome.job.as_deref(), &outcome.open_points);
        next(page, outcome, &[]);
        return;
    }
    if !guarded.ran {
        page.say(if request.dry_run {
            "The command would be let through. Nothing was started."
        } else {
            "Nothing was started."
        });
        return;
    }
    match guarded.exit {
        Some(0) => page.say("The command ran and ended well."),
        Some(code) => page.warn(&format!("The command ran and ended with exit code {code}.")),
        None => page.warn("The command ran and was ended by a signal."),
    }
    page.say(
        "The release is spent with it. A device is held against writing again, until the job is closed, \
         the device is unplugged or the machine is started anew.",
    );
    points::open_points(page, outcome.job.as_deref(), &outcome.open_points);
    next(page, outcome, &[]);
}
