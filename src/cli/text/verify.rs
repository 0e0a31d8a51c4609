//! `verify`: what was read back, how, and what differs.

use super::{amount, next, points, short, some};
use crate::cli::page::{Page, Tone};
use crate::cli::phrase::{counted, quoted};
use crate::step::outcome::{CopyAt, Outcome, ReadBack, Verified};
use crate::step::request::VerifyRequest;

/// The page.
pub fn page(page: &mut Page, request: &VerifyRequest, outcome: &Outcome<Verified>) {
    let seen = &outcome.result;
    let clean = seen.mismatched.is_empty() && seen.missing.is_empty() && seen.extra.is_empty();
    let how = match seen.method {
        ReadBack::Medium => "from the medium, past every cache",
        ReadBack::Network => "over the network; that says nothing about the medium behind it",
        ReadBack::CacheSuspected => {
            "but the bytes may have come from a cache, so this proves little"
        }
    };
    short(page, outcome);
    let line = format!("Read back and equal: {}, {how}.", amount(seen.verified));
    match (clean, seen.method) {
        (true, ReadBack::Medium) => page.state(Tone::Go, &line),
        (_, ReadBack::CacheSuspected) => page.warn(&line),
        _ => page.say(&line),
    }
    part(page, &seen.mismatched, "not equal to what was copied");
    part(page, &seen.missing, "recorded, but not there");
    part(page, &seen.extra, "there, but recorded nowhere");
    if outcome.job.is_none() && clean {
        page.say("In the words of RFC 8493 this bag is complete and valid: every file that its manifests list is there, and each has the bytes that they say.");
    }
    points::open_points(page, outcome.job.as_deref(), &outcome.open_points);

    let mut lines = Vec::new();
    if outcome.job.is_none() && clean && !request.attest {
        lines.push((
            "This machine's own signed statement:",
            format!(
                "holdpoint verify {} --attest",
                quoted(request.path.as_os_str())
            ),
        ));
    }
    next(page, outcome, &lines);
}

fn part(page: &mut Page, copies: &[CopyAt], says: &str) {
    if copies.is_empty() {
        return;
    }
    page.gap();
    page.warn(&format!(
        "{} {says}:",
        counted(copies.len() as u64, "copy", "copies")
    ));
    some(page, copies, 10, |page, copy| {
        page.item(&format!(
            "{} on {}: {}",
            copy.path, copy.destination, copy.why
        ));
    });
}
