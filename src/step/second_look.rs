//! The second look at a release: another person's, or the same person's after a pause.
//!
//! Invariant: another spelling of the technician's name is no other person.

use crate::job::Job;
use crate::judge::gate::SecondLook;
use crate::ledger::{Fact, FactBody, standing};
use crate::step::request::ReleaseRequest;

/// A second person, or the serial's last characters typed again after a pause since the first asking.
pub(super) fn given(job: &Job<'_>, request: &ReleaseRequest, facts: &[Fact]) -> SecondLook {
    let Some(text) = request
        .second_look
        .as_deref()
        .map(str::trim)
        .filter(|text| !text.is_empty())
    else {
        return SecondLook::Missing;
    };
    let wanted = crate::step::assess::serial_words(job);
    let count = job.policy.second_look.serial_characters.get() as usize;
    let tail: String = wanted
        .chars()
        .rev()
        .take(count)
        .collect::<Vec<_>>()
        .into_iter()
        .rev()
        .collect();
    if !tail.is_empty() && text.eq_ignore_ascii_case(&tail) {
        let pause = f64::from(job.policy.second_look.pause_minutes.get()) / 60.0;
        // The pause is for looking at things as they stand now: what was asked before the newest change is past.
        let changed = standing::changed(facts).map_or(0, |fact| fact.number);
        let first = facts
            .iter()
            .filter(|fact| fact.number > changed)
            // An asking by a clock that was ahead starts no pause that anybody could wait for.
            .find(|fact| {
                matches!(fact.body, FactBody::AskedToRelease { .. }) && fact.at <= job.now()
            })
            .map(|fact| fact.at);
        return match first {
            Some(first) if job.now().hours_since(first) >= pause => SecondLook::Done,
            Some(_) => SecondLook::NotEnough(format!(
                "the pause of {} minutes since the first asking is not over",
                job.policy.second_look.pause_minutes.get()
            )),
            None => SecondLook::NotEnough(format!(
                "this is the first asking; ask again in {} minutes",
                job.policy.second_look.pause_minutes.get()
            )),
        };
    }
    let technician = job.setup.technician.as_deref().unwrap_or_default();
    if is_same_person(technician, text) {
        return SecondLook::NotEnough("the second look must be another person's".into());
    }
    // A first name may be as short as the serial's end; one of that length with a digit in it is a serial mistyped.
    let letters = text.chars().filter(|c| c.is_alphabetic()).count();
    let short = text.chars().count() <= count;
    if letters < 3 || (short && text.chars().any(char::is_numeric)) {
        return SecondLook::NotEnough(
            "those are not the last characters of the serial, and too few letters for a name"
                .into(),
        );
    }
    SecondLook::Done
}

/// Whether two spellings may mean one person: every part of the shorter one stands in the longer one, an initial for the
/// part that it begins.
fn is_same_person(a: &str, b: &str) -> bool {
    let parts = |name: &str| -> Vec<String> {
        name.split(|c: char| !c.is_alphanumeric())
            .filter(|part| !part.is_empty())
            .map(str::to_lowercase)
            .collect()
    };
    let (mut a, mut b) = (parts(a), parts(b));
    if a.len() > b.len() {
        std::mem::swap(&mut a, &mut b);
    }
    let initial = |short: &str, long: &str| short.chars().count() == 1 && long.starts_with(short);
    !a.is_empty()
        && a.iter()
            .all(|x| b.iter().any(|y| x == y || initial(x, y) || initial(y, x)))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn another_spelling_is_no_other_person() {
        let technician = "K. Brandt";
        for same in [
            "K Brandt",
            "k.brandt",
            "Brandt",
            "K.\u{a0}Brandt",
            "Karla Brandt",
            "BRANDT, K.",
        ] {
            assert!(is_same_person(technician, same), "{same}");
        }
        for other in ["A. Brandt", "K. Holm", "Holm", "Mira Kant"] {
            assert!(!is_same_person(technician, other), "{other}");
        }
        assert!(!is_same_person("", "Holm"));
    }
}
