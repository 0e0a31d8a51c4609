//! What the facts come to: the newest survey, the last write, the release and what voids it, the closing.
//!
//! Invariant: every reader of the chain asks here, so that no two of them differ on what still counts.
//! A step that takes things apart before it puts them together again (a survey, a closing) is announced
//! by a fact of its own first: cut off in between, what stood before does not count any more.

use super::facts::{Fact, FactBody, FalseContent};
use crate::value::words::{ReadBack, Route};
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

/// The first of the surveys that found what the newest finished one found: what was written of their items holds of all of them.
pub fn first_like_newest(facts: &[Fact]) -> Option<&Fact> {
    let tree = |fact: &Fact| match &fact.body {
        FactBody::Surveyed { tree, .. } => Some(*tree),
        _ => None,
    };
    let newest = surveyed(facts)?;
    let ended = facts.iter().rev().filter(|fact| tree(fact).is_some());
    ended.take_while(|fact| tree(fact) == tree(newest)).last()
}

/// The newest batch that wrote anything to a destination. A snapshot in the ledger's place counts as one: what was
/// written after it was made is not known. So does a destination that was found in another place.
pub fn last_write(facts: &[Fact]) -> Option<&Fact> {
    newest(facts, |body| {
        matches!(
            body,
            FactBody::Batch { items: 1.., .. }
                | FactBody::TakenBack { .. }
                | FactBody::Moved { .. }
        )
    })
}

/// Whether somebody looked into the copies as they are; `None` = there are none to look into.
pub fn looked_into(facts: &[Fact]) -> Option<bool> {
    let written = last_write(facts)?.number;
    let looked = newest(facts, |body| matches!(body, FactBody::Inspected { .. }));
    Some(looked.is_some_and(|fact| fact.number > written))
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
pub fn forecast_route(facts: &[Fact], wanted: usize) -> Option<Route> {
    facts.iter().rev().find_map(|fact| match fact.body {
        FactBody::Forecast { drive, route, .. } if drive == wanted => Some(route),
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
    let release = released(facts)?.number;
    facts.iter().enumerate().find_map(|(place, fact)| {
        let (before, from) = facts.split_at_checked(place)?;
        (fact.number > release && voids(before, &fact.body, from)).then_some(fact)
    })
}

/// Whether a fact makes a release void that was given before it: `before` = all facts before it, `from` = it and all that
/// came after it. A release lapses with its evidence: what takes a piece of that away, or puts it in doubt, ends it; what
/// says once more what was known when it was given does not.
fn voids(before: &[Fact], body: &FactBody, from: &[Fact]) -> bool {
    match body {
        // Another answer, must-have, destination or machine than the gate weighed. Names of people are no evidence, and
        // where the drive is plugged in now is asked when it is looked at.
        FactBody::Opened { setup } => {
            let weighed = [
                "symptom",
                "memory",
                "machine",
                "must_haves",
                "answers",
                "destinations",
            ];
            let opened = |body: &FactBody| matches!(body, FactBody::Opened { .. });
            match newest(before, opened).map(|fact| &fact.body) {
                Some(FactBody::Opened { setup: then }) => {
                    weighed.iter().any(|key| setup.get(key) != then.get(key))
                }
                _ => true,
            }
        }
        // The health cannot be read any more, or not for the reason that was decided about.
        FactBody::Read {
            drive,
            readable,
            why_not,
            ..
        } => {
            let same_drive =
                |body: &FactBody| matches!(body, FactBody::Read { drive: of, .. } if of == drive);
            let then = newest(before, same_drive).map(|fact| &fact.body);
            let known = matches!(then, Some(FactBody::Read { readable: r, why_not: w, .. }) if (r, w) == (readable, why_not));
            (!readable || why_not.is_some()) && !known
        }
        // What became of the drive asks for more care than it was copied with, or for the owner's word.
        FactBody::Forecast { drive, route, .. } => {
            let same_drive = |body: &FactBody| matches!(body, FactBody::Forecast { drive: of, .. } if of == drive);
            let then = match newest(before, same_drive).map(|fact| &fact.body) {
                Some(FactBody::Forecast { route, .. }) => *route,
                _ => Route::Ordinary,
            };
            *route > then.max(Route::Gentle)
        }
        // These speak through the forecast that follows them.
        FactBody::Sampled { .. } | FactBody::Vanished { .. } => false,
        // What there is, or what is saved of it, is not what was weighed.
        FactBody::SurveyBegun { .. }
        | FactBody::Surveyed { .. }
        | FactBody::Batch { items: 1.., .. } => true,
        // Nothing new was copied, and no row changed.
        FactBody::Batch { .. } => false,
        // Rows moved in a reading back, which says at its end what came of it; one that was cut off says nothing.
        FactBody::RowsMoved { .. } => !from.iter().any(|fact| {
            matches!(
                fact.body,
                FactBody::Verified { .. } | FactBody::SourceReadAgain { .. }
            )
        }),
        // Something is wanted that has no copy.
        FactBody::Copied { remaining, .. } => *remaining > 0,
        // These say what the rows say; what moved those is a fact of its own.
        FactBody::Sealed { .. } | FactBody::Salvaged { .. } | FactBody::Ordered { .. } => false,
        // A copy is gone, differs or has company; or it may have been read from memory, and was not before.
        FactBody::Verified {
            destination,
            method,
            mismatched,
            missing,
            extra,
            ..
        } => {
            let same_place = |body: &FactBody| matches!(body, FactBody::Verified { destination: of, .. } if of == destination);
            let then = newest(before, same_place).map(|fact| &fact.body);
            let doubted = matches!(
                then,
                Some(FactBody::Verified {
                    method: ReadBack::CacheSuspected,
                    ..
                })
            );
            let doubtful = *method == ReadBack::CacheSuspected && !doubted;
            mismatched + missing + extra > 0 || doubtful
        }
        // Two readings of the source disagree. What could not be read this time says nothing of the copies.
        FactBody::SourceReadAgain { unequal, .. } => *unequal > 0,
        // Blank or false copies that were not found before, and so not decided about.
        FactBody::Inspected { false_content, .. } => {
            let looked = |body: &FactBody| matches!(body, FactBody::Inspected { .. });
            let then = match newest(before, looked).map(|fact| &fact.body) {
                Some(FactBody::Inspected { false_content, .. }) => false_content.as_ref(),
                _ => None,
            };
            let set = |content: &FalseContent| content.set_hash;
            false_content.is_some() && false_content.as_ref().map(set) != then.map(set)
        }
        // The certificate names decisions, and rests on answers: these are none of its own.
        FactBody::Waived { .. } | FactBody::Answered { .. } => true,
        // The newest answer of the gate counts: asked again and not released, the job is on hold.
        FactBody::AskedToRelease { .. } => true,
        FactBody::Released { .. } => false,
        // A recheck looks at the world, which can be put right: its newest answer counts, and `show` asks for it.
        FactBody::Rechecked { .. } => false,
        // Use is asked for by drive: it ends what a release allows, and does not make it wrong.
        FactBody::GuardStarted { .. }
        | FactBody::Guarded { .. }
        | FactBody::HeldAgain { .. }
        | FactBody::GivenBack { .. } => false,
        // What a release is for.
        FactBody::PutBack { .. } => false,
        // The copies go, or what happened to them is not known.
        FactBody::Closing { .. }
        | FactBody::TakenBack { .. }
        | FactBody::Moved { .. }
        | FactBody::Stripped { .. } => true,
        // With a day to come only the keeping time was set.
        FactBody::Closed { keep_until, .. } => keep_until.is_none(),
    }
}

/// What happened, for a sentence about why a release does not hold any more.
pub fn happened(body: &FactBody) -> &'static str {
    match body {
        FactBody::Opened { .. } => "an answer of the intake was changed",
        FactBody::Read { .. } => "a later health reading told otherwise",
        FactBody::Vanished { .. } => "the drive went away",
        FactBody::SurveyBegun { .. } | FactBody::Surveyed { .. } => "a new survey was begun",
        FactBody::Batch { .. } | FactBody::Copied { .. } => "something was copied",
        FactBody::Verified { .. } => "copies were not found as they were written",
        FactBody::SourceReadAgain { .. } => "two readings of the source differed",
        FactBody::Inspected { .. } => "copies were found that are in doubt",
        FactBody::Waived { .. } => "a decision was recorded",
        FactBody::Answered { .. } => "a must-have was answered",
        FactBody::AskedToRelease { .. } => "a release was asked for again and not given",
        FactBody::Closing { .. } => "the deleting of the copies was begun",
        FactBody::TakenBack { .. } => "an older record was put in its place",
        other => other.kind(),
    }
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
            wear: None,
            told: None,
            rows: String::new(),
        }
    }

    fn begun() -> FactBody {
        FactBody::SurveyBegun { survey: 1 }
    }

    fn release() -> FactBody {
        FactBody::Released {
            certificate: Blake3([0; 32]),
            manifest_root: None,
            expires: Moment::from_seconds(1_900_000_000),
            signed: false,
        }
    }

    fn closing() -> FactBody {
        FactBody::Closing { items: 1, bytes: 1 }
    }

    #[test]
    fn a_survey_of_an_earlier_program_is_understood() {
        let text = format!(
            r#"{{"fact":"surveyed","survey":1,"items":1,"bytes":1,"unaccounted_bytes":0,"tree":"{}","rows":""}}"#,
            "0".repeat(64)
        );
        let body: FactBody = serde_json::from_str(&text).unwrap();
        assert!(matches!(body, FactBody::Surveyed { wear: None, .. }));
        assert_eq!(serde_json::to_string(&body).unwrap(), text);
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
    fn a_survey_that_finds_the_same_again_is_like_the_first() {
        let of = |tree| FactBody::Surveyed {
            survey: 1,
            items: 1,
            bytes: 1,
            unaccounted_bytes: 0,
            tree: Blake3([tree; 32]),
            wear: None,
            told: None,
            rows: String::new(),
        };
        let first = |bodies| first_like_newest(&chain(bodies)).map(|fact| fact.number);
        let all = chain(vec![of(1), of(2), begun(), of(2)]);
        assert_eq!(
            first(vec![of(1), of(2), begun(), of(2)]),
            Some(all[1].number)
        );
        assert_eq!(first(vec![of(2), of(1), of(2)]), Some(all[2].number));
        assert_eq!(first(vec![of(2), begun()]), None);
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
            seen: Default::default(),
        };
        assert!(void(vec![release(), asked(1)]));
        assert!(
            void(vec![release(), asked(0)]),
            "the gate let it through, and the certificate could not be written"
        );
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

    fn told(memory: &str, owner: &str) -> FactBody {
        FactBody::Opened {
            setup: serde_json::json!({ "memory": memory, "owner": owner, "symptom": "none" }),
        }
    }

    fn read_back(method: ReadBack, (mismatched, missing, extra): (u64, u64, u64)) -> FactBody {
        FactBody::Verified {
            destination: 0,
            method,
            items: 1,
            bytes: 1,
            fetched_bytes: None,
            mismatched,
            missing,
            extra,
            written: None,
            rows: String::new(),
        }
    }

    #[test]
    fn a_release_lapses_with_its_evidence() {
        use ReadBack::{CacheSuspected, Medium};
        let void = |before: Vec<FactBody>, after: Vec<FactBody>| {
            let all = before.into_iter().chain([release()]).chain(after);
            voided(&chain(all.collect())).is_some()
        };
        // Copies read back.
        let before = || vec![read_back(Medium, (0, 0, 0))];
        assert!(!void(before(), vec![read_back(Medium, (0, 0, 0))]));
        for wrong in [(1, 0, 0), (0, 1, 0), (0, 0, 1)] {
            assert!(void(before(), vec![read_back(Medium, wrong)]), "{wrong:?}");
        }
        assert!(void(before(), vec![read_back(CacheSuspected, (0, 0, 0))]));
        let doubted = vec![read_back(CacheSuspected, (0, 0, 0))];
        assert!(!void(doubted.clone(), doubted), "it was so at the release");
        // A reading back that was cut off may have found anything.
        let moved = || FactBody::RowsMoved {
            rows: String::new(),
        };
        assert!(void(before(), vec![moved()]));
        assert!(!void(before(), vec![moved(), read_back(Medium, (0, 0, 0))]));
        // The source read a second time.
        let again = |unequal| FactBody::SourceReadAgain {
            items: 1,
            bytes: 1,
            unequal,
            unread: 0,
            full: true,
            in_hand: 0,
            rows: String::new(),
        };
        assert!(void(vec![], vec![again(1)]) && !void(vec![], vec![again(0)]));
        // Answers: what the gate weighed, not who is named.
        let opened = || vec![told("known-good", "R. Amsel")];
        assert!(void(opened(), vec![told("failed", "R. Amsel")]));
        assert!(!void(opened(), vec![told("known-good", "Rosa Amsel")]));
        let answered = FactBody::Answered {
            must_have: 0,
            found: Vec::new(),
            not_here: None,
        };
        assert!(void(vec![], vec![answered]));
        // The drive.
        let route = |route| FactBody::Forecast {
            drive: 0,
            route,
            high: 0.5,
            explained: Blake3([0; 32]),
        };
        assert!(void(
            vec![route(Route::Ordinary)],
            vec![route(Route::Refer)]
        ));
        assert!(!void(vec![route(Route::Refer)], vec![route(Route::Refer)]));
        assert!(!void(
            vec![route(Route::Ordinary)],
            vec![route(Route::Gentle)]
        ));
        let read = |why_not: Option<&str>| FactBody::Read {
            drive: 0,
            reading: 1,
            readable: why_not.is_none(),
            why_not: why_not.map(str::to_owned),
            digest: Blake3([0; 32]),
            copying: false,
        };
        assert!(void(vec![read(None)], vec![read(Some("a dock"))]));
        assert!(!void(
            vec![read(Some("a dock"))],
            vec![read(Some("a dock"))]
        ));
        // What the copies hold.
        let looked = |found: Option<u8>| FactBody::Inspected {
            looked: 1,
            doubtful: 1,
            false_content: found.map(|set| FalseContent {
                items: 1,
                bytes: 1,
                irreplaceable: 0,
                example: String::new(),
                set_hash: Blake3([set; 32]),
            }),
        };
        assert!(void(vec![looked(None)], vec![looked(Some(1))]));
        assert!(void(vec![looked(Some(2))], vec![looked(Some(1))]));
        assert!(!void(vec![looked(Some(1))], vec![looked(Some(1))]));
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
