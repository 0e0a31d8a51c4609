//! Each factor of the forecast against the figures of its source.

use super::*;

fn disk() -> Evidence {
    Evidence {
        medium: Some(EvidenceMedium::Disk),
        readable: true,
        sectors_awaiting: Some(0),
        sectors_remapped: Some(0),
        reads_given_up: Some(0),
        scan_unreadable: Some(0),
        ..Evidence::default()
    }
}

fn nvme() -> Evidence {
    Evidence {
        medium: Some(EvidenceMedium::Nvme),
        readable: true,
        data_lost_inside: Some(0),
        spare: Some((100, 10)),
        endurance_spent: Some(3),
        ..Evidence::default()
    }
}

fn one(e: &Evidence) -> ([f64; 3], f64) {
    let all = factors(e, &Situation::default());
    assert_eq!(all.len(), 1, "{all:?}");
    (all[0].step().m, all[0].step().k)
}

#[test]
fn a_clean_reading_has_no_factor() {
    assert!(factors(&disk(), &Situation::default()).is_empty());
    assert!(factors(&nvme(), &Situation::default()).is_empty());
}

/// The proposed multipliers, row by row (Pinheiro et al. 2007, Ma et al. 2015 and engineering
/// judgement, as each step says).
#[test]
fn every_row_of_a_disk() {
    for (n, m, k) in [
        (1, [8.0, 16.0, 39.0], 0.7),
        (10, [8.0, 16.0, 39.0], 0.7),
        (11, [14.0, 25.0, 60.0], 0.6),
        (100, [14.0, 25.0, 60.0], 0.6),
        (101, [21.0, 40.0, 100.0], 0.5),
    ] {
        let e = Evidence {
            sectors_awaiting: Some(n),
            ..disk()
        };
        assert_eq!(one(&e), (m, k), "{n}");
    }
    for (n, m, k) in [
        (4, [3.0, 14.0, 21.0], 0.7),
        (5, [6.0, 14.0, 30.0], 0.7),
        (40, [6.0, 14.0, 30.0], 0.7),
        (41, [14.0, 29.0, 60.0], 0.6),
        (200, [14.0, 29.0, 60.0], 0.6),
        (201, [29.0, 56.0, 100.0], 0.5),
    ] {
        let e = Evidence {
            sectors_remapped: Some(n),
            ..disk()
        };
        assert_eq!(one(&e), (m, k), "{n}");
    }
    type Change = fn(&mut Evidence);
    let rows: [(Change, [f64; 3], f64); 10] = [
        (|e| e.reads_given_up = Some(1), [21.0, 39.0, 60.0], 0.5),
        (|e| e.scan_unreadable = Some(1), [21.0, 39.0, 60.0], 0.5),
        (|e| e.self_test_read_failed = true, [21.0, 39.0, 60.0], 0.5),
        (
            |e| e.self_test_other_failed = true,
            [20.0, 39.0, 100.0],
            0.5,
        ),
        (|e| e.limit_crossed = Some(true), [23.0, 35.0, 50.0], 1.0),
        (|e| e.commands_overdue = Some(2), [1.0, 3.0, 15.0], 1.0),
        (|e| e.starts_failed = Some(2), [1.0, 3.0, 15.0], 1.0),
        (|e| e.link_garbled = Some(900), [1.0, 1.0, 2.0], 1.0),
        (|e| e.celsius = Some(51.0), [1.0, 1.0, 2.0], 1.0),
        (|e| e.speed_share = Some(0.4), [3.0, 10.0, 39.0], 0.7),
    ];
    for (change, m, k) in rows {
        let mut e = disk();
        change(&mut e);
        assert_eq!(one(&e), (m, k));
    }
}

#[test]
fn every_row_of_a_solid_state_drive() {
    type Change = fn(&mut Evidence);
    let rows: [(Change, [f64; 3], f64); 17] = [
        (|e| e.spare_short = true, [5.0, 15.0, 50.0], 1.0),
        (|e| e.spare = Some((9, 10)), [5.0, 15.0, 50.0], 1.0),
        (|e| e.spare = Some((10, 10)), [2.0, 5.0, 15.0], 1.0),
        (|e| e.spare = Some((20, 10)), [2.0, 5.0, 15.0], 1.0),
        (|e| e.reliability_reduced = true, [20.0, 50.0, 150.0], 0.7),
        (|e| e.writes_refused = true, [10.0, 30.0, 100.0], 0.7),
        (|e| e.backup_power_out = true, [1.0, 2.0, 5.0], 1.0),
        (|e| e.temperature_warning = true, [1.0, 1.0, 2.0], 1.0),
        (|e| e.endurance_spent = Some(100), [1.0, 1.5, 3.0], 1.0),
        (|e| e.endurance_spent = Some(150), [2.0, 5.0, 15.0], 1.0),
        (|e| e.data_lost_inside = Some(9), [2.0, 5.0, 15.0], 0.7),
        (|e| e.data_lost_inside = Some(10), [5.0, 15.0, 50.0], 0.7),
        (|e| e.sectors_remapped = Some(2), [1.0, 3.0, 10.0], 0.7),
        (|e| e.sectors_remapped = Some(1001), [5.0, 15.0, 50.0], 0.7),
        (
            |e| e.program_erase_failures = Some(1),
            [2.0, 5.0, 15.0],
            1.0,
        ),
        (|e| e.speed_share = Some(0.4), [1.0, 2.0, 10.0], 0.7),
        (
            |e| {
                e.data_lost_inside = Some(3);
                e.growth.data_lost_inside = Some(1);
            },
            [5.0, 15.0, 50.0],
            0.7,
        ),
    ];
    for (change, m, k) in rows {
        let mut e = nvme();
        change(&mut e);
        assert_eq!(one(&e), (m, k));
    }
    for harmless in [
        Evidence {
            spare: Some((21, 10)),
            ..nvme()
        },
        Evidence {
            endurance_spent: Some(99),
            ..nvme()
        },
        Evidence {
            sectors_remapped: Some(1),
            ..nvme()
        },
        Evidence {
            celsius: Some(70.0),
            ..nvme()
        },
    ] {
        assert!(factors(&harmless, &Situation::default()).is_empty());
    }
}

#[test]
fn every_row_of_a_card() {
    let card = |pre: u8, spent: u32| Evidence {
        medium: Some(EvidenceMedium::Card),
        readable: true,
        pre_end_of_life: Some(pre),
        endurance_spent: Some(spent),
        ..Evidence::default()
    };
    assert!(factors(&card(1, 30), &Situation::default()).is_empty());
    assert_eq!(one(&card(2, 30)), ([2.0, 5.0, 15.0], 1.0));
    assert_eq!(one(&card(3, 30)), ([5.0, 20.0, 60.0], 1.0));
    let beyond = factors(&card(1, 110), &Situation::default());
    assert!(beyond.iter().any(|f| f.step().m == [5.0, 20.0, 60.0]));
}

#[test]
fn what_is_not_known_is_a_factor_and_says_so() {
    let unread = factors(&Evidence::default(), &Situation::default());
    assert_eq!(unread.len(), 1);
    assert_eq!(unread[0].signal, Some(SignalId::HealthUnread));
    assert!(unread[0].what.contains("not as clean"));
    let no_counts = Evidence {
        medium: Some(EvidenceMedium::Disk),
        readable: true,
        limit_crossed: Some(false),
        ..Evidence::default()
    };
    assert_eq!(
        factors(&no_counts, &Situation::default())[0].signal,
        Some(SignalId::HealthUnread)
    );
    let half = Evidence {
        sectors_awaiting: None,
        ..disk()
    };
    assert_eq!(one(&half), ([1.0, 1.0, 16.0], 0.7));
}

#[test]
fn onset_follows_logs_growth_and_calm() {
    let logged = Evidence {
        sectors_remapped: Some(3),
        error_age_days: Some(400.0),
        ..disk()
    };
    assert_eq!(
        factors(&logged, &Situation::default())[0].tau_days,
        [400.0; 3]
    );
    let mut grew = logged.clone();
    grew.growth.sectors_remapped = Some(1);
    grew.growth.hours = Some(48.0);
    assert_eq!(
        factors(&grew, &Situation::default())[0].tau_days,
        [2.0, 2.0, 0.0]
    );
    let mut calm = Evidence {
        sectors_remapped: Some(3),
        ..disk()
    };
    calm.growth.sectors_remapped = Some(0);
    calm.growth.hours = Some(24.0 * 60.0);
    assert_eq!(
        factors(&calm, &Situation::default())[0].tau_days,
        [240.0, 60.0, 60.0]
    );
    let nonsense = Evidence {
        sectors_remapped: Some(3),
        error_age_days: Some(f64::NAN),
        ..disk()
    };
    assert_eq!(
        factors(&nonsense, &Situation::default())[0].tau_days,
        TAU_UNKNOWN
    );
}
