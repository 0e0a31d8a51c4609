//! `copy`: what is on the medium now, what has gaps, what remains.

use super::{amount, files, next, points, short};
use crate::cli::page::Page;
use crate::step::outcome::{Copied, Exit, Outcome};
use crate::step::request::CopyRequest;

/// The page.
pub fn page(page: &mut Page, request: &CopyRequest, outcome: &Outcome<Copied>) {
    let copied = &outcome.result;
    short(page, outcome);
    if outcome.exit == Exit::Stopped && outcome.short.is_none() {
        let limit = request.limit_bytes.is_some() || request.limit_minutes.is_some();
        page.warn(if limit {
            "Stopped at the limit; the same command goes on from here."
        } else {
            "Stopped early; the same command goes on from here."
        });
    }
    let proven = match copied.read_back {
        all if all == copied.copied && all.items > 0 => ", read back and equal".to_owned(),
        none if none.items == 0 => ", not yet read back".to_owned(),
        some => format!("; of these {} were read back and are equal", amount(some)),
    };
    page.say(&format!(
        "Copied so far: {}, whole and on the medium{proven}.",
        amount(copied.copied)
    ));
    if copied.damaged > 0 {
        page.warn(&format!(
            "{} kept with gaps: the missing ranges are filled with zeros and listed. They do not count as saved.",
            files(copied.damaged)
        ));
    }
    if copied.unreadable > 0 {
        page.warn(&format!(
            "{} could not be read at all.",
            files(copied.unreadable)
        ));
    }
    if copied.remaining > 0 {
        page.warn(&format!("{} still to be copied.", files(copied.remaining)));
    }
    points::open_points(page, outcome.job.as_deref(), &outcome.open_points);
    next(page, outcome, &[]);
}
