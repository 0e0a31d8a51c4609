//! What the facts come to: the newest survey, the last write, the release and what voids it, the closing.
//!
//! Invariant: every reader of the chain asks here, so that no two of them differ on what still counts.
//! A step that takes things apart before it puts them together again (a survey, a closing) is announced
//! by a fact of its own first: cut off in between, what stood before does not count any more.

use super::facts::{Fact, FactBody};
use crate::value::{Blake3, Moment};

/// The newest fact that says something wanted.
pub fn newest(facts: &[Fact], wanted: impl Fn(&FactBody) -> bool) -> Option<&Fact> {
    facts.iter().rev().find(|fact| wanted(&fact.body))
}

/// The newest finished survey; `None` = there is none, or a later one was begun and never finished.
pub fn surveyed(facts: &[Fact]) -> Option<&Fact> {
    let ended = |body: &FactBody| {
        matches!(
            body,
            FactBody::Surveyed { .. } | FactBody::SurveyBegun { .. }
        )
    };
    newest(facts, ended).filter(|fact| matches!(fact.body, FactBody::Surveyed { .. }))
}

/// The newest batch that wrote anything to a destination. A snapshot in the ledger's place counts as one: what was
/// written after it was made is not known.
pub fn last_write(facts: &[Fact]) -> Option<&Fact> {
    newest(facts, |body| {
        matches!(
            body,
            FactBody::Batch { items: 1.., .. } | FactBody::TakenBack { .. }
        )
    })
}

/// The newest fact that changed what a release would be about: a survey, a copy, a decision, an answer.
pub fn changed(facts: &[Fact]) -> Option<&Fact> {
    newest(facts, |body| {
        matches!(
            body,
            FactBody::SurveyBegun { .. }
                | FactBody::Batch { items: 1.., .. }
                | FactBody::Waived { .. }
                | FactBody::Answered { .. }
                | FactBody::TakenBack { .. }
        )
    })
}

/// The newest release, whether it still counts or not.
pub fn released(facts: &[Fact]) -> Option<&Fact> {
    newest(facts, |body| matches!(body, FactBody::Released { .. }))
}

/// What the newest release issued.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Issued {
    /// Number of the fact.
    pub number: i64,
    /// When.
    pub at: Moment,
    /// BLAKE3 of the certificate.
    pub certificate: Blake3,
    /// When it expires.
    pub expires: Moment,
    /// Whether a signature stands beside it.
    pub signed: bool,
}

/// The certificate of the newest release, whether it still counts or not.
pub fn issued(facts: &[Fact]) -> Option<Issued> {
    let fact = released(facts)?;
    match fact.body {
        FactBody::Released {
            certificate,
            expires,
            signed,
            ..
        } => Some(Issued {
            number: fact.number,
            at: fact.at,
            certificate,
            expires,
            signed,
        }),
        _ => None,
    }
}

/// The newest answer to a must-have: the paths that a person tied to it, or why it is not here.
pub fn answered(facts: &[Fact], number: usize) -> Option<(&[String], Option<&str>)> {
    facts.iter().rev().find_map(|fact| match &fact.body {
        FactBody::Answered {
            must_have,
            found,
            not_here,
        } if *must_have == number => Some((found.as_slice(), not_here.as_deref())),
        _ => None,
    })
}

/// The route of the newest forecast of a drive.
pub fn forecast_route(facts: &[Fact], wanted: usize) -> Option<&str> {
    facts.iter().rev().find_map(|fact| match &fact.body {
        FactBody::Forecast { drive, route, .. } if *drive == wanted => Some(route.as_str()),
        _ => None,
    })
}

/// The newest time that everything was to be put back: number of the fact, and how much did not come back.
pub fn returned(facts: &[Fact]) -> Option<(i64, u64)> {
    facts.iter().rev().find_map(|fact| match fact.body {
        FactBody::PutBack {
            refused,
            part: false,
            ..
        } => Some((fact.number, refused)),
        _ => None,
    })
}

/// The first fact after the newest release that makes it void.
pub fn voided(facts: &[Fact]) -> Option<&Fact> {
    let release = released(facts)?;
    facts
        .iter()
        .find(|fact| fact.number > release.number && voids(&fact.body))
}

fn voids(body: &FactBody) -> bool {
    matches!(
        body,
        FactBody::SurveyBegun { .. }
            | FactBody::Surveyed { .. }
            | FactBody::Batch { items: 1.., .. }
            | FactBody::Waived { .. }
            | FactBody::TakenBack { .. }
            // The newest answer of the gate counts: asked again and refused, the job is on hold.
            | FactBody::AskedToRelease {
                open_points: 1..,
                ..
            }
            | FactBody::Closing { .. }
            | FactBody::Closed {
                keep_until: None,
                ..
            }
    )
}

/// The deleting of the shop's copies was begun, or is done.
pub fn is_closing(facts: &[Fact]) -> bool {
    is_closed(facts) || newest(facts, |body| matches!(body, FactBody::Closing { .. })).is_some()
}

/// The shop's copies are gone, on the record.
pub fn is_closed(facts: &[Fact]) -> bool {
    closed(facts).is_some()
}

/// The fact that the shop's copies are gone.
pub fn closed(facts: &[Fact]) -> Option<&Fact> {
    let closed = |body: &FactBody| {
        matches!(
            body,
            FactBody::Closed {
                keep_until: None,
                ..
            }
        )
    };
    newest(facts, closed)
}

/// The newest acceptance, from which the keeping time counts: a release, or everything put back. A part of it
/// (one person, one class) starts no time for the rest.
pub fn accepted(facts: &[Fact]) -> Option<&Fact> {
    newest(facts, |body| {
        matches!(
            body,
            FactBody::Released { .. } | FactBody::PutBack { part: false, .. }
        )
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    fn chain(bodies: Vec<FactBody>) -> Vec<Fact> {
        (1..)
            .zip(bodies)
            .map(|(number, body)| Fact {
                number,
                at: Moment::from_seconds(1_800_000_000 + number),
                body,
                hash: Blake3([0; 32]),
            })
            .collect()
    }

    fn survey() -> FactBody {
        FactBody::Surveyed {
            survey: 1,
            items: 1,
            bytes: 1,
            unaccounted_bytes: 0,
            tree: Blake3([0; 32]),
            rows: String::new(),
        }
    }

    fn begun() -> FactBody {
        FactBody::SurveyBegun { survey: 1 }
    }

    fn release() -> FactBody {
        FactBody::Released {
            certificate: Blake3([0; 32]),
            manifest_root: Blake3([0; 32]),
            expires: Moment::from_seconds(1_900_000_000),
            signed: false,
        }
    }

    fn closing() -> FactBody {
        FactBody::Closing { items: 1, bytes: 1 }
    }

    #[test]
    fn a_survey_counts_when_it_is_the_newest_and_finished() {
        let counts = |bodies| surveyed(&chain(bodies)).is_some();
        assert!(!counts(vec![begun()]));
        assert!(counts(vec![begun(), survey()]));
        assert!(!counts(vec![begun(), survey(), begun()]));
        assert!(counts(vec![begun(), survey(), begun(), survey()]));
    }

    #[test]
    fn a_release_is_voided_by_what_comes_after_it_only() {
        let void = |bodies| voided(&chain(bodies)).is_some();
        assert!(!void(vec![survey(), release()]));
        assert!(void(vec![release(), begun()]));
        assert!(void(vec![release(), closing()]));
        let asked = |open_points| FactBody::AskedToRelease {
            second_look: None,
            open_points,
        };
        assert!(void(vec![release(), asked(1)]));
        assert!(!void(vec![release(), asked(0)]));
        assert!(!void(vec![asked(2), release()]));
        assert!(!void(vec![release(), closing(), release()]));
        let kept = FactBody::Closed {
            deleted_items: 0,
            deleted_bytes: 0,
            keep_until: Some(Moment::from_seconds(1)),
            reason: None,
        };
        assert!(!void(vec![release(), kept]));
        assert!(!void(vec![begun()]), "nothing was released");
    }

    #[test]
    fn a_part_that_was_put_back_is_no_acceptance() {
        let put_back = |part| FactBody::PutBack {
            to: String::new(),
            items: 1,
            bytes: 1,
            already_there: 0,
            set_beside: 0,
            refused: 0,
            part,
        };
        assert!(accepted(&chain(vec![put_back(true)])).is_none());
        assert!(accepted(&chain(vec![put_back(false)])).is_some());
        assert!(is_closing(&chain(vec![closing()])) && !is_closed(&chain(vec![closing()])));
    }
}
