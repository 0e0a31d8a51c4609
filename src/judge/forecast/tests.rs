//! The forecast against worked examples, and its order under all inputs.

use super::*;
use crate::drive::evidence::EvidenceMedium;
use crate::drive::evidence::Growth;

use crate::judge::situation::{Pace, PaceSource};
use crate::value::words::Symptom;
use crate::value::words::{Machine, MemoryState};
use proptest::prelude::*;

fn explain(f: &Forecast) -> Vec<String> {
    f.working.iter().map(Line::text).collect()
}

fn near(got: f64, want: f64, relative: f64) {
    assert!(
        (got - want).abs() <= relative * want.abs(),
        "got {got}, expected {want}"
    );
}

/// An invented disk of 1 TB, 4.1 years old, 12 sectors waiting, 8 replaced; 195 GB to read.
fn worked_example() -> (Evidence, Situation) {
    let e = Evidence {
        medium: Some(EvidenceMedium::Disk),
        readable: true,
        powered_hours: Some(4.1 * 8766.0),
        sectors_awaiting: Some(12),
        sectors_remapped: Some(8),
        reads_given_up: Some(0),
        scan_unreadable: Some(0),
        link_garbled: Some(0),
        limit_crossed: Some(false),
        ..Evidence::default()
    };
    let s = Situation {
        plan_bytes: Some(195_000_000_000),
        drive_bytes: Some(1_953_525_168 * 512),
        passes: 2.0,
        pace: Pace {
            bytes_per_second: 45e6,
            source: PaceSource::Sampled,
        },
        memory: MemoryState::Swapped,
        machine: Machine::Bench,
        ..Situation::default()
    };
    (e, s)
}

/// Derived worked example; every intermediate number of the hazard is recomputed here from the
/// formulas by plain powers, without the code's own functions.
#[test]
fn worked_example_of_the_drive() {
    let (e, s) = worked_example();
    let f = forecast(&e, &s);
    near(f.hours.mid, 3.611111, 1e-6);
    // Printed to four or five digits.
    near(f.drive_lost.low.get(), 5.757138e-5, 1e-6);
    near(f.drive_lost.mid.get(), 4.684018e-4, 1e-6);
    near(f.drive_lost.high.get(), 0.151413, 2e-5);
    assert_eq!(f.grade, Grade::FiveToTwenty);
    assert_eq!(
        range_in_words(f.drive_lost.low, f.drive_lost.high),
        "below 0.1 % to 15 %"
    );

    let value = |step: &str| {
        f.working
            .iter()
            .find(|l| l.step.starts_with(step))
            .unwrap_or_else(|| panic!("no step {step}"))
            .value
    };
    near(value("60-day loss chance"), 0.0041531830, 1e-7);
    near(
        value("hazard by day 60, low: 12 sectors"),
        0.0599034795,
        1e-7,
    );
    near(
        value("hazard by day 60, mid: 12 sectors"),
        0.1096246785,
        1e-7,
    );
    near(
        value("hazard by day 60, high: 12 sectors"),
        0.2866039630,
        1e-7,
    );
    near(
        value("hazard by day 60, high: 8 sectors"),
        0.1330692034,
        1e-7,
    );
    near(value("hazard while copying, low"), 5.176107e-5, 1e-6);
    near(value("hazard while copying, mid"), 2.174278e-4, 1e-6);
    near(
        value("hazard while copying, high: 12 sectors"),
        2.612122e-2,
        1e-6,
    );
    near(
        value("hazard while copying, high: 8 sectors"),
        6.663720e-3,
        1e-6,
    );
    near(value("background hazard per year, low"), 0.0140989244, 1e-7);
    near(value("background hazard per year, mid"), 0.0408219945, 1e-7);
    near(
        value("background hazard per year, high"),
        0.1255632230,
        1e-7,
    );
    near(value("hazard of the whole copy, low"), 5.757303e-5, 1e-6);
    near(value("hazard of the whole copy, mid"), 4.685115e-4, 1e-6);
    near(value("hazard of the whole copy, high"), 1.641835e-1, 1e-6);

    // By plain powers.
    let t = 195e9 * 2.0 * 1.5 / 45e6 / 86400.0;
    let b60 = 1.0 - 0.975f64.powf(60.0 / 365.0);
    let h60 = |m: f64| -(1.0 - m * b60).ln();
    let high = 5.0
        * (h60(60.0) * (t / 60.0f64).powf(0.4)
            + h60(30.0) * (t / 60.0f64).powf(0.5)
            + -(1.0f64 - 0.118).ln() * t / 365.0);
    near(f.drive_lost.high.get(), 1.0 - (-high).exp(), 1e-9);
}

#[test]
fn worked_example_of_the_files() {
    let (e, s) = worked_example();
    let f = forecast(&e, &s);
    near(f.files_hit.low.get(), 0.194960, 3e-6);
    near(f.files_hit.high.get(), 0.925902, 1e-6);
    let groups = f
        .working
        .iter()
        .find(|l| l.step.contains("each physical sector is bad on its own"))
        .unwrap();
    near(groups.value, 0.351911, 2e-6);
    assert_eq!(
        range_in_words(f.files_hit.low, f.files_hit.high),
        "19 % to 93 %"
    );
}

#[test]
fn worked_example_of_a_clean_drive() {
    let (mut e, s) = worked_example();
    e.sectors_awaiting = Some(0);
    e.sectors_remapped = Some(0);
    let f = forecast(&e, &s);
    // Derived: 0.00058 / 0.00168 / 0.00518 % before the bench factor.
    for (p, factor, want) in [
        (f.drive_lost.low, 1.0, 5.8e-6),
        (f.drive_lost.mid, 2.0, 1.68e-5),
        (f.drive_lost.high, 5.0, 5.18e-5),
    ] {
        near(p.get() / factor, want, 3e-3);
    }
    assert_eq!(
        range_in_words(f.drive_lost.low, f.drive_lost.high),
        "below 0.1 %"
    );
}

#[test]
fn a_worsening_drive_follows_its_own_regime() {
    let (e, mut s) = worked_example();
    s.counts_grew = true;
    let f = forecast(&e, &s);
    near(f.drive_lost.low.get(), 0.5 * (1.0 - 0.949190), 3e-5);
    near(f.drive_lost.mid.get(), 0.04319, 2e-4);
    let fast = 0.95 * (1.0 - 2f64.powf(-3.6111111 / 6.0));
    near(f.drive_lost.high.get(), fast, 1e-6);
    assert_eq!(f.worsening.len(), 1);
}

#[test]
fn unread_health_never_looks_clean() {
    let (mut e, s) = worked_example();
    e.sectors_awaiting = Some(0);
    e.sectors_remapped = Some(0);
    for medium in [
        None,
        Some(EvidenceMedium::Disk),
        Some(EvidenceMedium::Ssd),
        Some(EvidenceMedium::Nvme),
        Some(EvidenceMedium::Card),
    ] {
        e.medium = medium;
        e.data_lost_inside = Some(0);
        let clean = forecast(&e, &s);
        let unread = forecast(
            &Evidence {
                medium,
                powered_hours: e.powered_hours,
                ..Evidence::default()
            },
            &s,
        );
        assert!(unread.drive_lost.low >= clean.drive_lost.low);
        assert!(unread.drive_lost.mid > clean.drive_lost.mid);
        assert!(unread.drive_lost.high.get() > 3.0 * clean.drive_lost.high.get());
        assert!(unread.files_hit.high > clean.files_hit.high);
        assert!(explain(&unread).iter().any(|l| l.contains("not as clean")));
        assert!(unread.moved_by.contains(&SignalId::HealthUnread));
    }
}

#[test]
fn nothing_known_is_not_nothing_to_do() {
    let f = forecast(&Evidence::default(), &Situation::default());
    assert!(f.hours.mid > 1.0);
    assert!(f.drive_lost.high.get() > 0.05);
    assert!(explain(&f).iter().any(|l| l.contains("1 TB is assumed")));
}

#[test]
fn an_error_met_changes_the_plan() {
    let (mut e, mut s) = worked_example();
    e.sectors_awaiting = Some(0);
    e.sectors_remapped = Some(0);
    s.bytes_read = 50_000_000_000;
    let before = forecast(&e, &s);
    s.errors_met = 1;
    let after = forecast(&e, &s);
    assert!(after.files_hit.low.get() > 0.5 && before.files_hit.low.get() < 0.001);
    assert!(after.drive_lost.mid.get() > 10.0 * before.drive_lost.mid.get());
}

/// Repeats every line that has plain numbers, as a colleague would with a pocket calculator.
#[test]
fn the_working_can_be_repeated_from_what_is_printed() {
    let (e, mut s) = worked_example();
    s.files = 20_000;
    s.counts_grew = true;
    let f = forecast(&e, &s);
    let mut repeated = 0;
    for line in &f.working {
        let n = |name: &str| -> f64 {
            line.numbers
                .split(", ")
                .find_map(|part| part.strip_prefix(&format!("{name} = ")))
                .and_then(|text| text.split(' ').next())
                .unwrap_or_else(|| panic!("no {name} in {}", line.text()))
                .parse()
                .unwrap()
        };
        let want = match line.formula.as_str() {
            "bytes left / pace / 3600" => n("bytes left") / n("pace") / 3600.0,
            "hours at the pace * allowance + moving" => {
                n("hours at the pace") * n("allowance") + n("moving")
            }
            "hours at the pace * allowance * doubt + moving + bad places" => {
                n("hours at the pace") * n("allowance") * n("doubt") + n("moving") + n("bad places")
            }
            "1 - (1 - AFRcal)^(60 / 365)" => 1.0 - (1.0 - n("AFRcal")).powf(60.0 / 365.0),
            "-ln(1 - min(m * b60, 0.95))" => -(1.0 - (n("m") * n("b60")).min(0.95)).ln(),
            "H60 * (((tau + T) / 60)^k - (tau / 60)^k)" => {
                n("H60")
                    * (((n("tau") + n("T")) / 60.0).powf(n("k")) - (n("tau") / 60.0).powf(n("k")))
            }
            "-ln(1 - AFR0)" => -(1.0 - n("AFR0")).ln(),
            "F * (signals + background * T / 365)" => {
                n("F") * (n("signals") + n("background") * n("T") / 365.0)
            }
            "1 - exp(-hazard)" => 1.0 - (-n("hazard")).exp(),
            "p * (1 - 2^(-hours / half-life))" => {
                n("p") * (1.0 - 2f64.powf(-n("hours") / n("half-life")))
            }
            "f" => n("f"),
            "1 - (1 - f)^groups" => 1.0 - (1.0 - n("f")).powf(n("groups")),
            "1 - (1 + bad * f / r)^(-r)" => 1.0 - (1.0 + n("bad") * n("f") / n("r")).powf(-n("r")),
            "1 - C(N - n, k) / C(N, k), close to 1 - (1 - f)^k" => {
                1.0 - (1.0 - n("f")).powf(n("k"))
            }
            "files * (1 - (1 - (s + L - 1) / N)^groups)" => {
                let share = (n("s") + n("L") - 1.0) / 1_953_525_168.0;
                n("files") * (1.0 - (1.0 - share).powf(n("groups")))
            }
            "odds / (1 + odds), odds = prior / (1 - prior) * (sick / healthy)^events * exp(-(sick - healthy) * TB)" =>
            {
                let odds = n("prior") / (1.0 - n("prior"))
                    * (n("sick") / n("healthy")).powf(n("events"))
                    * (-(n("sick") - n("healthy")) * n("TB")).exp();
                odds / (1.0 + odds)
            }
            "state * (1 - exp(-sick * left)) + (1 - state) * (1 - exp(-healthy * left))" => {
                n("state") * (1.0 - (-n("sick") * n("left")).exp())
                    + (1.0 - n("state")) * (1.0 - (-n("healthy") * n("left")).exp())
            }
            _ => continue,
        };
        assert!(
            (line.value - want).abs() <= 2e-5 * want.abs() + 1e-9,
            "{}: repeated {want}",
            line.text()
        );
        repeated += 1;
    }
    assert!(repeated >= 25, "only {repeated} lines were repeated");
    assert!(f.working.iter().all(|l| !l.source.is_empty()));
    assert!(
        explain(&f)
            .iter()
            .all(|l| !l.to_lowercase().contains("safe"))
    );
}

#[test]
fn the_json_holds_the_keys_of_the_interface() {
    let (e, s) = worked_example();
    let json = serde_json::to_value(forecast(&e, &s)).unwrap();
    for key in ["drive_lost", "files_hit", "hours", "working"] {
        assert!(!json[key].is_null(), "{key}");
    }
    assert!(json["drive_lost"]["high"].is_f64());
    assert!(json["files_hit"]["expected"].is_f64());
    assert!(json["hours"]["mid"].is_f64());
    assert!(!json.to_string().contains("null"));
}

/// A steeper step has a smaller shape, which at an old onset could weigh less than the milder
/// step before it; it must not.
#[test]
fn a_worse_step_never_weighs_less_however_old_the_onset() {
    let (base, s) = worked_example();
    for age in [0.0, 1.0, 30.0, 240.0, 1000.0, 3000.0] {
        for (count, next) in [(10, 11), (100, 101), (4, 5), (40, 41), (200, 201)] {
            let high = |awaiting, remapped| {
                let e = Evidence {
                    sectors_awaiting: Some(awaiting),
                    sectors_remapped: Some(remapped),
                    error_age_days: Some(age),
                    ..base.clone()
                };
                let f = forecast(&e, &s);
                (f.drive_lost.mid, f.drive_lost.high)
            };
            assert!(
                high(next, 0) >= high(count, 0),
                "{age} days, {next} waiting"
            );
            assert!(
                high(0, next) >= high(0, count),
                "{age} days, {next} replaced"
            );
            assert!(high(next, 0).0 >= high(count, 0).0);
        }
    }
}

fn any_count() -> impl Strategy<Value = Option<u64>> {
    prop_oneof![
        Just(None),
        Just(Some(0)),
        (0u64..300).prop_map(Some),
        any::<u64>().prop_map(Some)
    ]
}

fn any_figure() -> impl Strategy<Value = Option<f64>> {
    prop_oneof![
        Just(None),
        Just(Some(f64::NAN)),
        Just(Some(f64::INFINITY)),
        (-10.0f64..1e5).prop_map(Some),
    ]
}

fn any_medium() -> impl Strategy<Value = Option<EvidenceMedium>> {
    prop_oneof![
        Just(None),
        Just(Some(EvidenceMedium::Disk)),
        Just(Some(EvidenceMedium::Ssd)),
        Just(Some(EvidenceMedium::Nvme)),
        Just(Some(EvidenceMedium::Card)),
    ]
}

prop_compose! {
    fn any_evidence()(
        medium in any_medium(),
        counts in proptest::collection::vec(any_count(), 10),
        figures in proptest::collection::vec(any_figure(), 5),
        flags in proptest::collection::vec(any::<bool>(), 10),
        limit in proptest::option::of(any::<bool>()),
        spare in proptest::option::of((any::<u8>(), any::<u8>())),
        pre in proptest::option::of(any::<u8>()),
        spent in proptest::option::of(0u32..400),
        growth in proptest::collection::vec(any_count(), 4),
    ) -> Evidence {
        Evidence {
            medium,
            readable: flags[0],
            powered_hours: figures[0],
            sectors_awaiting: counts[0],
            sectors_remapped: counts[1],
            reads_given_up: counts[2],
            scan_unreadable: counts[3],
            self_test_read_failed: flags[1],
            self_test_other_failed: flags[2],
            limit_crossed: limit,
            commands_overdue: counts[4],
            starts_failed: counts[5],
            link_garbled: counts[6],
            celsius: figures[1],
            temperature_warning: flags[3],
            spare,
            spare_short: flags[4],
            pre_end_of_life: pre,
            endurance_spent: spent,
            reliability_reduced: flags[5],
            writes_refused: flags[6],
            backup_power_out: flags[7],
            data_lost_inside: counts[7],
            program_erase_failures: counts[8],
            growth: Growth {
                sectors_awaiting: growth[0],
                sectors_remapped: growth[1],
                reads_given_up: growth[2],
                data_lost_inside: growth[3],
                hours: figures[2],
            },
            logged_unread: counts[9],
            logged_since_start: flags[8],
            error_age_days: figures[3],
            speed_share: figures[4],
            later_unread: flags[9],
        }
    }
}

prop_compose! {
    fn any_situation()(
        plan in proptest::option::of(any::<u64>()),
        drive in proptest::option::of(any::<u64>()),
        sector in prop_oneof![Just(0u32), Just(512), Just(4096), any::<u32>()],
        pace in prop_oneof![Just(f64::NAN), Just(0.0), 1e5f64..1e9, Just(1e-300)],
        sampled in any::<bool>(),
        passes in prop_oneof![Just(f64::NAN), 0.0f64..5.0],
        errors in prop_oneof![Just(0u64), 0u64..5, any::<u64>()],
        ago in any_figure(),
        grew in any::<bool>(),
        read in any::<u64>(),
        vanished in 0u32..4,
        symptom in proptest::sample::select(Symptom::ALL),
        files in any::<u64>(),
        age in any_figure(),
    ) -> Situation {
        Situation {
            plan_bytes: plan,
            drive_bytes: drive,
            sector_bytes: sector,
            pace: Pace {
                bytes_per_second: pace,
                source: if sampled { PaceSource::Sampled } else { PaceSource::ClassDefault },
            },
            passes,
            errors_met: errors,
            error_hours_ago: ago,
            counts_grew: grew,
            bytes_read: read,
            vanished,
            symptom,
            files,
            age_years: age,
            ..Situation::default()
        }
    }
}

proptest! {
    #![proptest_config(ProptestConfig { failure_persistence: None, cases: 400, ..ProptestConfig::default() })]

    #[test]
    fn any_input_gives_finite_numbers_in_order(e in any_evidence(), s in any_situation()) {
        let f = forecast(&e, &s);
        prop_assert!(f.drive_lost.low <= f.drive_lost.mid);
        prop_assert!(f.drive_lost.mid <= f.drive_lost.high);
        prop_assert!(f.files_hit.low <= f.files_hit.high);
        prop_assert!(f.files_hit.expected.is_finite() && f.files_hit.expected >= 0.0);
        prop_assert!(f.hours.low <= f.hours.mid && f.hours.mid <= f.hours.high);
        prop_assert!(f.hours.high.is_finite() && f.hours.low >= 0.0);
        prop_assert!(f.hazard_per_second.is_finite() && f.hazard_per_second >= 0.0);
        prop_assert!(f.working.iter().all(|l| l.value.is_finite()));
        prop_assert!(explain(&f).iter().all(|l| !l.to_lowercase().contains("safe")));
    }

    /// Worse evidence never lowers the high end, whichever count or flag gets worse.
    #[test]
    fn worse_evidence_never_lowers_the_high_end(
        e in any_evidence(),
        s in any_situation(),
        which in 0usize..24,
        more in prop_oneof![1u64..400, any::<u64>()],
    ) {
        // A verdict of an NVMe drive is its warning byte: without a bit it cannot be, so adding the
        // bit that explains it is no worse evidence.
        prop_assume!(e.medium != Some(EvidenceMedium::Nvme) || e.limit_crossed != Some(true));
        let mut worse = e.clone();
        let mut later = s.clone();
        // Only a known count can be raised: unknown is a doubt of its own.
        let raise = |n: &mut Option<u64>| if let Some(n) = n { *n = n.saturating_add(more) };
        match which {
            0 => raise(&mut worse.sectors_awaiting),
            1 => raise(&mut worse.sectors_remapped),
            2 => raise(&mut worse.reads_given_up),
            3 => raise(&mut worse.scan_unreadable),
            4 => raise(&mut worse.commands_overdue),
            5 => raise(&mut worse.starts_failed),
            6 => raise(&mut worse.link_garbled),
            7 => raise(&mut worse.data_lost_inside),
            8 => raise(&mut worse.program_erase_failures),
            9 => raise(&mut worse.growth.sectors_awaiting),
            10 => raise(&mut worse.growth.sectors_remapped),
            11 => raise(&mut worse.growth.reads_given_up),
            12 => raise(&mut worse.growth.data_lost_inside),
            13 => worse.self_test_read_failed = true,
            14 => worse.self_test_other_failed = true,
            15 => worse.reliability_reduced = true,
            16 => worse.writes_refused = true,
            17 => worse.temperature_warning = true,
            18 => later.errors_met = later.errors_met.saturating_add(more),
            19 => later.counts_grew = true,
            20 => later.vanished += 1,
            21 => if let Some(n) = &mut worse.endurance_spent {
                *n = n.saturating_add(u32::try_from(more).unwrap_or(u32::MAX));
            },
            22 => worse.spare_short = true,
            _ => worse.backup_power_out = true,
        }
        let (before, after) = (forecast(&e, &s), forecast(&worse, &later));
        prop_assert!(
            after.drive_lost.high.get() >= before.drive_lost.high.get() - 1e-12,
            "{} then {}", before.drive_lost.high.get(), after.drive_lost.high.get()
        );
        prop_assert!(after.files_hit.high.get() >= before.files_hit.high.get() - 1e-12);
    }

    #[test]
    fn more_to_read_never_lowers_it(e in any_evidence(), bytes in 0u64..1 << 42, more in 0u64..1 << 40) {
        let at = |plan| forecast(&e, &Situation {
            plan_bytes: Some(plan),
            drive_bytes: Some(1 << 43),
            ..Situation::default()
        });
        let (a, b) = (at(bytes), at(bytes + more));
        prop_assert!(b.drive_lost.high >= a.drive_lost.high);
        prop_assert!(b.files_hit.high.get() >= a.files_hit.high.get() - 1e-12);
    }
}
