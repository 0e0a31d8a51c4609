//! The gate by itself: what holds, who may settle it, and that taking evidence away never lets anything through.

use super::gate::*;
use super::gate_content::FalseContentNow;
use super::point::ORDER;
use crate::policy::Step;
use crate::survey::item::{Class, Got, Kind, Mark, Marks};
use crate::value::words::{WaiverScope, Who};
use crate::value::{Blake3, Moment};
use proptest::prelude::*;

const NOW: Moment = Moment::from_seconds(1_800_000_000);

fn hours_ago(hours: i64) -> Moment {
    Moment::from_seconds(1_800_000_000 - hours * 3600)
}

fn rules() -> GateRules {
    GateRules {
        copies: [2, 1, 1, 1],
        verified_hours: 72.0,
        health_hours: 1.0,
        who: ORDER
            .iter()
            .map(|id| ((*id).to_owned(), Who::Owner))
            .collect(),
        second_look: vec![Step::Release],
        practice: false,
    }
}

fn photo() -> ItemSeen {
    ItemSeen {
        id: 7,
        kind: Kind::File,
        class: Class::Irreplaceable,
        bytes: 5000,
        modified_ns: 1,
        marks: Marks::default(),
        left_out: false,
        waiver: 0,
        got: Got::Whole,
        written: 3,
        verified: 3,
        mismatch: 0,
        reads_disagree: false,
        missing_bytes: 0,
    }
}

fn place(path: &str) -> DestinationNow {
    DestinationNow {
        path: path.into(),
        trouble: None,
        differs: None,
        lacks: None,
        counts: true,
        why: None,
        verified: Some(VerifiedAt {
            at: hours_ago(1),
            whole: true,
            differed: false,
            doubtful: false,
        }),
        extra: 0,
    }
}

/// A job with nothing open.
fn settled() -> Now {
    Now {
        at: NOW,
        clock_wrong: None,
        ledger_broken: None,
        outrun_by: None,
        policy_edited: None,
        surveyed: Some(hours_ago(5)),
        source_gone: None,
        source_changed: None,
        unaccounted_bytes: 0,
        health: vec![HealthNow {
            drive: "the drive".into(),
            reading: Some((NOW, None)),
            before_last_read: false,
            live: true,
            symptom: false,
            refer_undecided: None,
            locked: false,
        }],
        destinations: vec![place("first"), place("second")],
        must_haves: Some(vec![MustHaveNow {
            asked: "the wedding".into(),
            answered: true,
            unsaved: 0,
            gone: None,
        }]),
        questions_open: Vec::new(),
        memory: MemoryNow::Good { sampled: true },
        memory_told: None,
        waivers: Vec::new(),
        false_content: None,
        second_look: SecondLook::Done,
        found: Vec::new(),
    }
}

fn ask(rules: &GateRules, items: &[ItemSeen], now: &Now) -> Verdict {
    let mut gate = Gate::new(rules.clone(), 3);
    items.iter().for_each(|item| gate.see(item));
    gate.close(now)
}

fn points(rules: &GateRules, items: &[ItemSeen], now: &Now) -> Vec<super::point::Point> {
    match ask(rules, items, now) {
        Verdict::Hold(points) => points,
        Verdict::Release(_) => Vec::new(),
    }
}

fn ids(items: &[ItemSeen], now: &Now) -> Vec<&'static str> {
    points(&rules(), items, now)
        .iter()
        .map(|point| point.id)
        .collect()
}

fn health(now: &mut Now) -> &mut HealthNow {
    if now.health.is_empty() {
        now.health = settled().health;
    }
    &mut now.health[0]
}

fn first(now: &mut Now) -> &mut DestinationNow {
    &mut now.destinations[0]
}

/// Takes one piece of evidence away, or adds one doubt; the point that it must lead to.
type Doubt = (&'static str, fn(&mut Vec<ItemSeen>, &mut Now));

const DOUBTS: &[Doubt] = &[
    ("ledger-broken", |_, now| {
        now.ledger_broken = Some("fact 3".into())
    }),
    ("ledger-broken", |_, now| {
        now.outrun_by = Some("the other disk".into())
    }),
    ("policy-edited", |_, now| {
        now.policy_edited = Some("another".into())
    }),
    ("clock-wrong", |_, now| {
        now.clock_wrong = Some("2015".into())
    }),
    ("survey-unfinished", |_, now| now.surveyed = None),
    ("source-gone", |_, now| {
        now.source_gone = Some("away".into())
    }),
    ("source-changed", |_, now| {
        now.source_changed = Some((1, "a".into()))
    }),
    ("accounts-differ", |_, now| now.unaccounted_bytes = 1),
    ("data-locked", |_, now| health(now).locked = true),
    ("refer-undecided", |_, now| {
        health(now).refer_undecided = Some("clicking".into())
    }),
    ("health-unread", |_, now| now.health.clear()),
    ("health-unread", |_, now| health(now).reading = None),
    ("health-unread", |_, now| {
        health(now).reading = Some((NOW, Some("refused".into())))
    }),
    ("health-old", |_, now| health(now).before_last_read = true),
    ("health-old", |_, now| {
        health(now).reading = Some((hours_ago(2), None))
    }),
    ("no-destination", |_, now| {
        now.destinations.iter_mut().for_each(|d| d.counts = false)
    }),
    ("destination-missing", |_, now| {
        now.destinations[1].trouble = Some("gone".into())
    }),
    ("verification-missing", |_, now| {
        first(now).differs = Some("one short".into())
    }),
    ("extra-in-bag", |_, now| first(now).extra = 1),
    ("verification-missing", |_, now| first(now).verified = None),
    ("verification-missing", |_, now| {
        first(now).verified = Some(VerifiedAt {
            at: hours_ago(1),
            whole: false,
            differed: false,
            doubtful: false,
        });
    }),
    ("verification-old", |_, now| {
        first(now).verified = Some(VerifiedAt {
            at: hours_ago(73),
            whole: true,
            differed: false,
            doubtful: false,
        });
    }),
    ("verification-old", |_, now| {
        first(now).verified = Some(VerifiedAt {
            at: hours_ago(-1),
            whole: true,
            differed: false,
            doubtful: false,
        });
    }),
    ("verification-doubtful", |_, now| {
        first(now).verified = Some(VerifiedAt {
            at: hours_ago(1),
            whole: true,
            differed: false,
            doubtful: true,
        });
    }),
    ("must-haves-not-asked", |_, now| now.must_haves = None),
    ("must-have-open", |_, now| {
        now.must_haves = Some(vec![MustHaveNow {
            asked: "it".into(),
            answered: false,
            unsaved: 0,
            gone: None,
        }]);
    }),
    ("must-have-open", |_, now| {
        now.must_haves = Some(vec![MustHaveNow {
            asked: "it".into(),
            answered: true,
            unsaved: 2,
            gone: None,
        }]);
    }),
    ("must-have-open", |_, now| {
        now.must_haves = Some(vec![MustHaveNow {
            asked: "the wedding".into(),
            answered: true,
            unsaved: 0,
            gone: Some("Pictures/wedding".into()),
        }]);
    }),
    ("questions-open", |_, now| {
        now.questions_open = vec!["--owner"]
    }),
    ("memory-doubt", |_, now| now.memory = MemoryNow::NotTold),
    ("memory-doubt", |_, now| {
        now.memory = MemoryNow::Good { sampled: false }
    }),
    ("memory-doubt", |_, now| {
        now.memory = MemoryNow::Doubtful {
            read_again: false,
            attested: true,
            swapped: true,
            weak: false,
        };
    }),
    ("memory-doubt", |_, now| {
        now.memory = MemoryNow::Doubtful {
            read_again: true,
            attested: false,
            swapped: false,
            weak: false,
        };
    }),
    ("memory-failed", |_, now| {
        now.memory = MemoryNow::Failed {
            attested: false,
            changed: false,
        }
    }),
    ("doubtful-content", |_, now| {
        now.false_content = Some(FalseContentNow {
            looked: 9,
            items: 1,
            bytes: 1,
            irreplaceable: 1,
            example: "a".into(),
            set: Blake3([1; 32]),
        });
    }),
    ("not-copied", |items, _| {
        items[0].got = Got::Nothing;
        (items[0].written, items[0].verified) = (0, 0);
    }),
    ("not-copied", |items, _| {
        (items[0].written, items[0].verified) = (4, 4)
    }),
    ("changed-items", |items, _| items[0].got = Got::Changed),
    ("unreadable-items", |items, _| {
        items[0].got = Got::Unreadable
    }),
    ("damaged-items", |items, _| items[0].got = Got::Gaps),
    ("damaged-items", |items, _| {
        items[0].marks.set(Mark::Damaged)
    }),
    ("placeholders", |items, _| {
        items[0].marks.set(Mark::Placeholder)
    }),
    ("efs-keys", |items, _| items[0].marks.set(Mark::Efs)),
    ("unknown-tags", |items, _| {
        items[0].marks.set(Mark::UnknownTag)
    }),
    ("unknown-tags", |items, _| {
        items[0].marks.set(Mark::Deduplicated)
    }),
    ("mounts-not-entered", |items, _| {
        items[0].marks.set(Mark::OtherMount)
    }),
    ("folders-unreadable", |items, _| {
        items[0].kind = Kind::Folder;
        items[0].marks.set(Mark::Unreadable);
    }),
    ("unreadable-items", |items, _| {
        items[0].kind = Kind::Link;
        items[0].marks.set(Mark::Unreadable);
    }),
    ("not-verified", |items, _| items[0].verified = 0),
    ("not-verified", |items, _| items[0].verified = 1),
    ("single-copy", |items, _| {
        (items[0].written, items[0].verified) = (1, 1)
    }),
    ("copy-differs", |items, _| items[0].mismatch = 1),
    ("reads-disagree", |items, _| items[0].reads_disagree = true),
    ("second-look", |_, now| {
        now.second_look = SecondLook::Missing
    }),
    ("second-look", |_, now| {
        now.second_look = SecondLook::NotEnough("too soon".into())
    }),
];

#[test]
fn a_job_with_nothing_open_is_released() {
    let verdict = ask(&rules(), &[photo()], &settled());
    let Verdict::Release(release) = verdict else {
        panic!("{verdict:?}");
    };
    assert_eq!(
        (release.items(), release.bytes(), release.practice()),
        (1, 5000, false)
    );
}

#[test]
fn every_doubt_holds_by_its_own_name() {
    for (number, (id, doubt)) in DOUBTS.iter().enumerate() {
        let (mut items, mut now) = (vec![photo()], settled());
        doubt(&mut items, &mut now);
        assert!(
            ids(&items, &now).contains(id),
            "doubt {number}: {:?} and not {id}",
            ids(&items, &now)
        );
        assert_eq!(
            Gate::is_open(&rules(), 3, &items[0]),
            items[0] != photo(),
            "doubt {number}: the item by itself"
        );
    }
}

#[test]
fn a_decision_settles_its_own_point_only_and_only_from_who_may_decide() {
    for (id, doubt) in DOUBTS {
        let (mut items, mut now) = (vec![photo()], settled());
        doubt(&mut items, &mut now);
        let Some(point) = points(&rules(), &items, &now)
            .into_iter()
            .find(|point| point.id == *id)
        else {
            panic!("{id} does not hold");
        };
        let open = |now: &Now| {
            points(&rules(), &items, now)
                .iter()
                .any(|open| open.id == *id)
        };
        let decision = WaiverSeen {
            number: 1,
            scope: WaiverScope::Point,
            about: (*id).into(),
            set: point.set,
            by_owner: true,
        };
        now.waivers = vec![decision.clone()];
        assert_eq!(
            open(&now),
            point.who == Who::Nobody,
            "{id} after the owner's decision"
        );
        now.waivers = vec![WaiverSeen {
            by_owner: false,
            ..decision.clone()
        }];
        assert_eq!(
            open(&now),
            point.who != Who::Technician,
            "{id} after the technician's"
        );
        for wrong in [
            WaiverSeen {
                set: Blake3([9; 32]),
                ..decision.clone()
            },
            WaiverSeen {
                about: "another".into(),
                ..decision.clone()
            },
            WaiverSeen {
                scope: WaiverScope::Class,
                ..decision.clone()
            },
        ] {
            now.waivers = vec![wrong];
            assert!(open(&now), "{id} settled by {:?}", now.waivers);
        }
    }
}

#[test]
fn that_nothing_is_wanted_settles_no_item_that_it_does_not_cover() {
    let order = |set| WaiverSeen {
        number: 4,
        scope: WaiverScope::NoRescue,
        about: "everything".into(),
        set,
        by_owner: true,
    };
    let covered = ItemSeen {
        waiver: 4,
        got: Got::Nothing,
        written: 0,
        verified: 0,
        ..photo()
    };
    let set = Blake3(*blake3::hash(&set_entry(7, 5000, 1, 0)).as_bytes());
    let mut now = settled();
    now.destinations = Vec::new();
    now.must_haves = None;
    now.waivers = vec![order(set)];
    assert!(
        ids(&[covered], &now).is_empty(),
        "{:?}",
        ids(&[covered], &now)
    );
    let later = ItemSeen {
        id: 8,
        waiver: 0,
        ..covered
    };
    assert_eq!(ids(&[covered, later], &now), ["not-copied"]);
    now.waivers = vec![order(Blake3([0; 32]))];
    assert_eq!(ids(&[covered], &now), ["waiver-lapsed"]);
    now.waivers = vec![WaiverSeen {
        by_owner: false,
        ..order(set)
    }];
    assert!(!ids(&[covered], &now).is_empty());
}

#[test]
fn the_whole_irreplaceable_class_is_given_up_by_nothing_but_a_no_rescue_order() {
    let given_up = |got| ItemSeen {
        waiver: 4,
        got,
        written: 0,
        verified: 0,
        ..photo()
    };
    let waiver = |scope: WaiverScope, number| WaiverSeen {
        number,
        scope,
        about: "Pictures".into(),
        set: Blake3(*blake3::hash(&set_entry(7, 5000, 1, 0)).as_bytes()),
        by_owner: true,
    };
    let mut now = settled();
    now.waivers = vec![waiver(WaiverScope::Items, 4)];
    let untried = given_up(Got::Nothing);
    assert_eq!(ids(&[untried], &now), ["waiver-lapsed"]);
    let other = ItemSeen { id: 8, ..photo() };
    assert!(ids(&[untried, other], &now).is_empty(), "one is left");
    // What nobody could read, or what has no content, may go by name even if it is all there is.
    assert!(ids(&[given_up(Got::Unreadable)], &now).is_empty());
    assert!(ids(&[given_up(Got::Gaps)], &now).is_empty());
    let mut placeholder = untried;
    placeholder.marks.set(Mark::Placeholder);
    assert!(ids(&[placeholder], &now).is_empty());
    // One that cannot be had is not what is left.
    let lost = ItemSeen {
        id: 8,
        got: Got::Unreadable,
        ..photo()
    };
    assert!(ids(&[untried, lost], &now).contains(&"waiver-lapsed"));
    now.waivers.push(WaiverSeen {
        about: "everything".into(),
        ..waiver(WaiverScope::NoRescue, 5)
    });
    assert!(ids(&[untried], &now).is_empty());
}

#[test]
fn a_second_look_is_wanted_for_each_step_that_the_policy_names() {
    let asks = |step: Step, items: &[ItemSeen], waivers: Vec<WaiverSeen>| {
        let rules = GateRules {
            second_look: vec![step],
            ..rules()
        };
        let mut now = settled();
        now.second_look = SecondLook::Missing;
        now.waivers = waivers;
        let open = points(&rules, items, &now);
        assert!(
            open.iter().all(|point| point.id == "second-look"),
            "{open:?}"
        );
        !open.is_empty()
    };
    let decided = |scope: WaiverScope, about: &str, by_owner| WaiverSeen {
        number: 4,
        scope,
        about: about.into(),
        set: Blake3(*blake3::hash(&set_entry(8, 5000, 1, 0)).as_bytes()),
        by_owner,
    };
    let steps = [
        Step::VolumeWaiver,
        Step::ReferOverride,
        Step::IrreplaceableWaiver,
        Step::OwnerWaiver,
    ];
    for step in steps {
        assert!(!asks(step, &[photo()], Vec::new()), "{step}");
    }
    let given_up = ItemSeen {
        id: 8,
        waiver: 4,
        got: Got::Nothing,
        ..photo()
    };
    let dull = ItemSeen {
        class: Class::Rebuildable,
        ..given_up
    };
    let by_item = || vec![decided(WaiverScope::Items, "a.jpg", true)];
    let precious = Step::IrreplaceableWaiver;
    assert!(asks(precious, &[photo(), given_up], by_item()));
    assert!(!asks(precious, &[photo(), dull], by_item()));
    assert!(asks(Step::OwnerWaiver, &[photo(), dull], by_item()));
    let technician = vec![decided(WaiverScope::Items, "a.jpg", false)];
    assert!(!asks(Step::OwnerWaiver, &[photo(), dull], technician));
    let refer = vec![decided(WaiverScope::Point, "refer-undecided", true)];
    assert!(asks(Step::ReferOverride, &[photo()], refer));
    let volume = vec![decided(WaiverScope::Volume, "1:2", true)];
    assert!(asks(Step::VolumeWaiver, &[photo(), dull], volume));
    // Given up through the point of a damaged copy.
    let torn = ItemSeen {
        id: 8,
        got: Got::Gaps,
        ..photo()
    };
    assert!(asks(
        precious,
        &[torn],
        vec![decided(WaiverScope::Point, "damaged-items", true)]
    ));
}

#[test]
fn what_a_technician_may_settle_with_a_sound_drive_the_owner_settles_with_a_symptom() {
    let mut rules = rules();
    rules.who.insert("health-unread".into(), Who::Technician);
    let mut now = settled();
    now.health[0].reading = None;
    let who = |now: &Now| points(&rules, &[photo()], now)[0].who;
    assert_eq!(who(&now), Who::Technician);
    now.health[0].symptom = true;
    assert_eq!(who(&now), Who::Owner);
}

proptest! {
    #[test]
    fn no_set_of_doubts_lets_anything_through(chosen in proptest::collection::vec(0..DOUBTS.len(), 1..6)) {
        let (mut items, mut now) = (vec![photo(), ItemSeen { id: 8, ..photo() }], settled());
        for number in &chosen {
            DOUBTS[*number].1(&mut items, &mut now);
        }
        prop_assert!(matches!(ask(&rules(), &items, &now), Verdict::Hold(_)));
    }
}
