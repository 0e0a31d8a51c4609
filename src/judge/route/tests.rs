//! Which route follows from which signs.

use super::*;
use crate::judge::forecast::forecast;
use crate::judge::situation::{Pace, PaceSource};
use proptest::prelude::*;

fn disk() -> Evidence {
    Evidence {
        medium: Some(EvidenceMedium::Disk),
        readable: true,
        powered_hours: Some(46_000.0),
        sectors_awaiting: Some(0),
        sectors_remapped: Some(0),
        reads_given_up: Some(0),
        scan_unreadable: Some(0),
        limit_crossed: Some(false),
        ..Evidence::default()
    }
}

fn situation() -> Situation {
    Situation {
        plan_bytes: Some(195_000_000_000),
        drive_bytes: Some(1_000_204_886_016),
        pace: Pace {
            bytes_per_second: 45e6,
            source: PaceSource::Sampled,
        },
        memory: MemoryState::KnownGood,
        ..Situation::default()
    }
}

fn decide(e: &Evidence, s: &Situation) -> Decision {
    route(
        &forecast(e, s),
        e,
        &[],
        s,
        Stakes::default(),
        &RouteLimits::default(),
    )
}

#[test]
fn an_elderly_healthy_disk_goes_the_ordinary_route() {
    assert_eq!(decide(&disk(), &situation()).route, Route::Ordinary);
    let old = Evidence {
        sectors_remapped: Some(8),
        link_garbled: Some(31),
        ..disk()
    };
    let mut long = situation();
    long.plan_bytes = Some(900_000_000_000);
    for s in [situation(), long] {
        let d = decide(&old, &s);
        assert_eq!(d.route, Route::Ordinary, "{d:?}");
        assert_eq!(d.remarks.len(), 2);
        assert!(d.open.is_empty());
    }
}

#[test]
fn unread_health_is_ordinary_with_an_open_point() {
    let d = decide(&Evidence::default(), &situation());
    assert_eq!(d.route, Route::Ordinary);
    assert_eq!(d.open, vec![RoutePoint::HealthUnread]);
    assert!(d.reasons[0].contains("not known"));
    let mut s = situation();
    s.symptom = Symptom::Clicking;
    assert_eq!(decide(&Evidence::default(), &s).route, Route::Refer);
}

#[test]
fn present_media_errors_go_salvage() {
    type Change = fn(&mut Evidence, &mut Situation);
    let changes: [Change; 6] = [
        |e, _| e.sectors_awaiting = Some(1),
        |e, _| {
            e.sectors_awaiting = None;
            e.scan_unreadable = Some(2);
        },
        |e, _| e.self_test_read_failed = true,
        |e, _| e.growth.reads_given_up = Some(1),
        |_, s| s.errors_met = 1,
        |e, _| {
            e.medium = Some(EvidenceMedium::Nvme);
            e.growth.data_lost_inside = Some(1);
        },
    ];
    for change in changes {
        let (mut e, mut s) = (disk(), situation());
        change(&mut e, &mut s);
        let d = decide(&e, &s);
        assert_eq!(d.route, Route::Salvage, "{d:?}");
    }
}

#[test]
fn weighty_signals_go_gentle() {
    type Change = fn(&mut Evidence, &mut Situation);
    let changes: [Change; 8] = [
        |e, _| e.limit_crossed = Some(true),
        |e, _| e.reliability_reduced = true,
        |e, _| e.spare = Some((4, 10)),
        |e, _| e.growth.sectors_remapped = Some(1),
        |e, _| e.speed_share = Some(0.3),
        |e, _| e.self_test_other_failed = true,
        |e, _| e.sectors_remapped = Some(150),
        |_, s| s.vanished = 1,
    ];
    for change in changes {
        let (mut e, mut s) = (disk(), situation());
        change(&mut e, &mut s);
        let d = decide(&e, &s);
        assert_eq!(d.route, Route::Gentle, "{d:?}");
    }
}

#[test]
fn symptoms_and_imminent_loss_are_referred() {
    for symptom in Symptom::ALL.iter().filter(|s| **s != Symptom::None) {
        let mut s = situation();
        s.symptom = *symptom;
        let d = decide(&disk(), &s);
        assert_eq!(d.route, Route::Refer);
        assert!(d.open.contains(&RoutePoint::OwnerDecides));
    }
    let mut s = situation();
    s.vanished = 2;
    assert_eq!(decide(&disk(), &s).route, Route::Refer);

    // A drive getting worse, with hours still to go.
    let mut s = situation();
    s.counts_grew = true;
    s.plan_bytes = Some(500_000_000_000);
    let e = disk();
    let f = forecast(&e, &s);
    let limits = RouteLimits::default();
    let with = |irreplaceable| {
        route(
            &f,
            &e,
            &[],
            &s,
            Stakes {
                irreplaceable,
                locked: false,
            },
            &limits,
        )
        .route
    };
    assert_eq!(with(Some(true)), Route::Refer);
    assert_eq!(with(None), Route::Refer);
    assert_eq!(with(Some(false)), Route::Salvage);
}

#[test]
fn a_locked_drive_says_so_first() {
    let mut e = disk();
    e.sectors_awaiting = Some(3);
    let s = situation();
    let d = route(
        &forecast(&e, &s),
        &e,
        &[],
        &s,
        Stakes {
            irreplaceable: None,
            locked: true,
        },
        &RouteLimits::default(),
    );
    assert!(d.reasons[0].contains("password"));
    assert_eq!(d.open[0], RoutePoint::DataLocked);
    assert_eq!(d.route, Route::Salvage);
}

#[test]
fn a_weak_drive_and_doubtful_memory_move() {
    let mut s = situation();
    s.memory = MemoryState::Failed;
    s.errors_met = 1;
    assert!(
        decide(&disk(), &s)
            .remarks
            .iter()
            .any(|r| r.contains("sound machine"))
    );
    s.errors_met = 0;
    assert!(decide(&disk(), &s).remarks.is_empty());
}

proptest! {
    #![proptest_config(ProptestConfig { failure_persistence: None, ..ProptestConfig::default() })]

    #[test]
    fn worse_evidence_never_gives_a_milder_route(
        awaiting in 0u64..300, remapped in 0u64..300, given in 0u64..5, errors in 0u64..3,
        vanished in 0u32..3, hours in 0.0f64..60_000.0, plan in 0u64..2_000_000_000_000,
        which in 0usize..6, more in 1u64..300,
    ) {
        let e = Evidence {
            sectors_awaiting: Some(awaiting),
            sectors_remapped: Some(remapped),
            reads_given_up: Some(given),
            powered_hours: Some(hours),
            ..disk()
        };
        let s = Situation { errors_met: errors, vanished, plan_bytes: Some(plan), ..situation() };
        let (mut worse, mut later) = (e.clone(), s.clone());
        match which {
            0 => worse.sectors_awaiting = Some(awaiting + more),
            1 => worse.sectors_remapped = Some(remapped + more),
            2 => worse.reads_given_up = Some(given + more),
            3 => later.errors_met += more,
            4 => later.vanished += 1,
            _ => later.counts_grew = true,
        }
        let (a, b) = (decide(&e, &s), decide(&worse, &later));
        prop_assert!(b.route >= a.route, "{:?} then {:?}", a, b);
        prop_assert!(!a.reasons.is_empty());
    }
}
