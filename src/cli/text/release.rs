//! `release`: the gate's answer, in its first line.

use super::{PRACTICE, caution, next, points, typed};
use crate::cli::page::{Page, Tone};
use crate::cli::phrase::when;
use crate::step::outcome::{Outcome, Released, Signature, State};
use crate::step::request::ReleaseRequest;

/// The page.
pub fn page(page: &mut Page, request: &ReleaseRequest, outcome: &Outcome<Released>) {
    let released = &outcome.result;
    let job = typed(outcome.job.as_deref());
    match released.state {
        State::Hold => {
            page.state(Tone::Stop, "ON HOLD");
            page.say("Nothing of this job may be wiped.");
            points::open_points(page, outcome.job.as_deref(), &outcome.open_points);
            next(page, outcome, &[]);
        }
        State::Released => {
            let until = released
                .until
                .map(|moment| format!(" until {}", when(moment, page.look())))
                .unwrap_or_default();
            if released.practice {
                page.state(Tone::Stop, PRACTICE);
                page.say(&format!("The rules for practice let it through{until}; those of a real job ask for more."));
            } else {
                page.state(Tone::Go, &format!("RELEASED{until}"));
            }
            if let Some(path) = &released.certificate {
                page.say("Certificate:");
                page.path(path);
            }
            page.say(match released.signature {
                Signature::Sshsig => "Signed; anyone who knows the shop's public key can check it.",
                Signature::None => {
                    "Not signed: an unsigned record, which proves nothing to others."
                }
            });
            if let Some(root) = &released.manifest_root {
                page.say(&format!("Root over the manifest: {root}"));
            }
            caution::wiping(page);
            points::open_points(page, outcome.job.as_deref(), &outcome.open_points);
            let mut lines = Vec::new();
            if released.looked_into == Some(false) {
                lines.push((
                    "Nobody has looked whether the copies are what they claim to be:",
                    format!("holdpoint inspect {job}"),
                ));
            }
            if request.key.is_none() {
                lines.push((
                    "With a signature:",
                    format!("holdpoint release {job} --key FILE"),
                ));
            }
            if !released.practice {
                lines.push((
                    "Wipe only through the guard, which checks again:",
                    format!("holdpoint guard {job} -- CMD {{drive}}"),
                ));
            }
            next(page, outcome, &lines);
        }
    }
}
