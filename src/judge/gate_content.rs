//! What an inspection found, as an open point: copies that are equal to what was read, and spoilt all the same.
//!
//! Invariant: the point freezes the very copies that were found; another set asks anew.

use super::gate::{GateRules, Now};
use super::gate_points::or_waive;
use super::point::{Point, things};
use crate::value::Blake3;
use crate::value::measure::{bytes_in_words, count_in_words};
use crate::value::words::Who;

/// Copies that an inspection found blank or not what they claim to be.
#[derive(Debug, Clone, PartialEq)]
pub struct FalseContentNow {
    /// Copies that were looked into.
    pub looked: u64,
    /// How many of them.
    pub items: u64,
    /// Their bytes.
    pub bytes: u64,
    /// How many are irreplaceable.
    pub irreplaceable: u64,
    /// One of them.
    pub example: String,
    /// Digest of them all.
    pub set: Blake3,
}

/// Equal is not good: what was copied faithfully may have been spoilt before.
pub(super) fn of_content(rules: &GateRules, now: &Now) -> Option<Point> {
    let found = now.false_content.as_ref()?;
    let id = "doubtful-content";
    let (copies, is) = match found.items {
        1 => ("copy", "is"),
        _ => ("copies", "are"),
    };
    let count = count_in_words(found.items);
    Some(Point {
        id,
        says: format!("{count} {copies} {is} blank or not what the name claims"),
        lost: format!(
            "the chance to find better ones; the copies are kept, but may be unusable ({})",
            lost_in_words(found.bytes, found.items, found.irreplaceable)
        ),
        evidence: format!(
            "{count} of {} copies looked at {is} blank or not what {} to be, for example {}",
            count_in_words(found.looked),
            if found.items == 1 {
                "it claims"
            } else {
                "they claim"
            },
            found.example
        ),
        remedy: {
            let together = or_waive("or accept them as they are:", id, rules.who(id));
            let alone = match together.is_empty() || found.items == 1 {
                true => String::new(),
                false => together
                    .replace("accept them as they are", "one of them alone")
                    .replace(&format!("--point {id}"), "--item PATH"),
            };
            format!(
                "holdpoint inspect JOB\nit lists them, and so does the sheet; look for better ones elsewhere on the drive, in older copies, in cloud accounts{together}{alone}"
            )
        },
        who: rules.who(id),
        count: found.items,
        bytes: found.bytes,
        set: found.set,
    })
}

/// "1.2 MB in 5 items, 3 of them irreplaceable".
pub(super) fn lost_in_words(bytes: u64, items: u64, precious: u64) -> String {
    let all = format!(
        "{} in {}",
        bytes_in_words(bytes),
        things(items, "item", "items")
    );
    match precious {
        0 => all,
        1 if items == 1 => format!("{all}, irreplaceable"),
        n => format!("{all}, {} of them irreplaceable", count_in_words(n)),
    }
}

/// Decisions about single things that together give up what only a no-rescue order can.
pub(super) fn whole_class(about: &str) -> Point {
    Point::plain(
        "waiver-lapsed",
        Who::Nobody,
        format!(
            "with the decision about {about} the whole irreplaceable class is given up, and some of it was never tried"
        ),
        "everything that cannot be had again",
        "nothing irreplaceable is left that is saved or wanted",
        "save it after all:\nholdpoint copy JOB\nor, when the owner wants nothing of what is on hold:\nholdpoint waive JOB --no-rescue --decided-by owner --how signed --name NAME --reason TEXT",
    )
}
