//! The queue of gaps on made-up weak drives.

use super::*;
use proptest::prelude::*;

/// The time limit of the drive's reader.
const PATIENCE_MS: u64 = 6_000;

/// A simulated drive: some sectors never read, some need patience, some read otherwise at the second time.
#[derive(Debug, Clone, Default)]
struct Drive {
    unit: u64,
    bad: Vec<(u64, u64)>,
    /// (first, count, milliseconds needed)
    slow: Vec<(u64, u64, u64)>,
    /// Two readings of these differ.
    fickle: Vec<(u64, u64)>,
    /// Numbers of the requests at which the drive vanishes.
    vanishes: Vec<u64>,
}

impl Drive {
    /// Whether any unit of the request touches one of these.
    fn touches(&self, ask: &Ask, first: u64, count: u64) -> bool {
        let from = ask.first - ask.first % self.unit;
        let to = next_border(ask.first + ask.count - 1, self.unit);
        count > 0
            && first - first % self.unit < to
            && next_border(first + count - 1, self.unit) > from
    }

    fn never_reads(&self, sector: u64, patience: u64) -> bool {
        let one = Ask {
            first: sector,
            count: 1,
            approach: Approach::Single,
            near_error: false,
        };
        self.bad.iter().any(|b| self.touches(&one, b.0, b.1))
            || self
                .slow
                .iter()
                .any(|s| self.touches(&one, s.0, s.1) && s.2 > patience)
    }
}

fn small() -> Limits {
    Limits {
        stride_sectors: 64,
        near_stride_sectors: 16,
        unit_sectors: 1,
        margin_sectors: 200,
        sectors_per_second: 10_000.0,
        stall_ms: 500,
        fail_ms: 1_000,
        revisits: 1,
        revisit_rest_ms: 60_000,
        most_runs: 1_000_000,
    }
}

struct Run {
    gaps: Gaps,
    asks: Vec<Ask>,
    in_hand: Ranges,
}

/// Runs the queue against the drive to its end, checking every request.
fn run(limits: Limits, wanted: &[(u64, u64, f64)], drive: &Drive) -> Run {
    let mut gaps = Gaps::new(limits);
    let mut plan = Ranges::new();
    for (first, count, value) in wanted {
        gaps.want(*first, *count, *value, 0).unwrap();
        plan.set(*first, first + count, State::Unasked);
    }
    finish(gaps, plan, drive, Ranges::new())
}

fn finish(mut gaps: Gaps, plan: Ranges, drive: &Drive, mut in_hand: Ranges) -> Run {
    let mut asks = Vec::new();
    let mut now = 0u64;
    // The stretches reported add up to the states held.
    let mut ledger = gaps.ranges().clone();
    loop {
        let ask = match gaps.next(now) {
            Next::Done => break,
            Next::Rest { until_ms } => {
                assert!(until_ms > now);
                now = until_ms;
                continue;
            }
            Next::Ask(ask) => ask,
        };
        assert!(ask.count > 0);
        assert_eq!(gaps.next(now), Next::Ask(ask), "the same while in flight");
        for part in in_hand.within(ask.first, ask.first + ask.count) {
            assert_eq!(part.state, State::NotWanted, "asked again: {ask:?}");
        }
        for part in plan.within(ask.first, ask.first + ask.count) {
            assert_ne!(part.state, State::NotWanted, "not in the plan: {ask:?}");
        }
        asks.push(ask);
        assert!(asks.len() < 200_000, "no end");
        let (mut answer, mut took) = (Answer::Got, 1);
        if drive.vanishes.contains(&(asks.len() as u64)) {
            answer = Answer::Gone;
        } else if drive.bad.iter().any(|b| drive.touches(&ask, b.0, b.1)) {
            (answer, took) = (Answer::Refused, 800);
        } else if let Some(needs) = drive
            .slow
            .iter()
            .filter(|s| drive.touches(&ask, s.0, s.1))
            .map(|s| s.2)
            .max()
        {
            if needs > PATIENCE_MS {
                (answer, took) = (Answer::NoAnswer, PATIENCE_MS);
            } else {
                took = needs;
            }
        }
        if answer == Answer::Got && drive.fickle.iter().any(|f| drive.touches(&ask, f.0, f.1)) {
            answer = Answer::Differs;
        }
        now += took;
        let changed = gaps.report(answer, took, now);
        if answer == Answer::Got {
            in_hand.set(ask.first, ask.first + ask.count, State::InHand);
        }
        for stretch in changed {
            // Only what was asked alone may be called refused or unanswered.
            assert!(
                !matches!(stretch.state, State::Refused | State::NoAnswer)
                    || next_border(stretch.first, gaps.limits.unit_sectors) >= stretch.end(),
                "{stretch:?}"
            );
            ledger.set(stretch.first, stretch.end(), stretch.state);
        }
    }
    assert_eq!(&ledger, gaps.ranges(), "the ledger misses a change");
    assert_eq!(gaps.open(), 0);
    assert_eq!(gaps.requests(), asks.len() as u64);
    Run {
        gaps,
        asks,
        in_hand,
    }
}

#[test]
fn a_whole_drive_is_read_in_long_requests_from_front_to_back() {
    let drive = Drive {
        unit: 1,
        ..Drive::default()
    };
    let run = run(small(), &[(0, 6400, 1.0)], &drive);
    assert_eq!(run.asks.len(), 100);
    assert!(run.asks.windows(2).all(|w| w[0].first < w[1].first));
    assert!(run.asks.iter().all(|a| a.approach == Approach::Stride));
    assert_eq!(run.gaps.ranges().len(), 1);
}

#[test]
fn one_bad_sector_costs_one_sector() {
    let drive = Drive {
        unit: 1,
        bad: vec![(1000, 1)],
        ..Drive::default()
    };
    let run = run(small(), &[(0, 6400, 1.0)], &drive);
    let runs: Vec<Stretch> = run.gaps.ranges().runs().collect();
    assert_eq!(runs.len(), 3);
    assert_eq!(
        (runs[1].first, runs[1].count, runs[1].state),
        (1000, 1, State::Refused)
    );
    // Halving: one failure and one success for each of the 6 halvings, one revisit, few strides more.
    assert!(run.asks.len() <= 100 + 2 * 6 + 1 + 30, "{}", run.asks.len());
}

#[test]
fn a_physical_sector_is_asked_as_one() {
    let mut limits = small();
    limits.unit_sectors = 8;
    let drive = Drive {
        unit: 8,
        bad: vec![(1003, 1)],
        ..Drive::default()
    };
    let run = run(limits, &[(3, 6397, 1.0)], &drive);
    assert_eq!(run.gaps.ranges().count(State::Refused), 8);
    assert_eq!(run.gaps.ranges().state(1000), State::Refused);
    assert_eq!(run.gaps.ranges().state(999), State::InHand);
    assert_eq!(run.gaps.ranges().state(1008), State::InHand);
}

#[test]
fn the_margin_round_an_error_comes_last() {
    let drive = Drive {
        unit: 1,
        bad: vec![(1000, 3)],
        ..Drive::default()
    };
    let run = run(small(), &[(0, 6400, 1.0)], &drive);
    let failing = run
        .asks
        .iter()
        .position(|a| a.first <= 1000 && a.first + a.count > 1000)
        .unwrap();
    let first_near = run.asks.iter().position(|a| a.near_error).unwrap();
    for ask in &run.asks[failing + 1..first_near] {
        // Nothing within 200 sectors of the failed request is touched before everything else was.
        let failed = run.asks[failing];
        assert!(
            ask.first + ask.count <= failed.first.saturating_sub(200)
                || ask.first >= failed.first + failed.count + 200
        );
    }
    assert!(run.asks[first_near..].iter().all(|a| a.near_error));
    let margin = run.asks[first_near..]
        .iter()
        .filter(|a| a.approach == Approach::Stride)
        .count();
    assert!(margin > 0);
}

#[test]
fn a_dead_zone_is_left_before_it_is_searched() {
    let drive = Drive {
        unit: 1,
        bad: vec![(20_000, 20_000)],
        ..Drive::default()
    };
    let run = run(small(), &[(0, 100_000, 1.0)], &drive);
    assert_eq!(run.gaps.ranges().count(State::InHand), 80_000);
    let failed = |a: &&Ask| a.first < 40_000 && a.first + a.count > 20_000;
    // All but 200 of the readable sectors are in hand before the 60th failure; a stride for each
    // 16 sectors of the zone would have cost 1,250.
    let mut in_hand = 0;
    let mut failures = 0;
    for ask in &run.asks {
        if failed(&ask) {
            failures += 1;
        } else {
            in_hand += ask.count;
        }
        if in_hand >= 79_800 {
            break;
        }
    }
    assert!(failures < 60, "{failures} failures");
}

#[test]
fn a_stall_is_left_at_once() {
    let drive = Drive {
        unit: 1,
        slow: vec![(1000, 1, 700)],
        ..Drive::default()
    };
    let run = run(small(), &[(0, 6400, 1.0)], &drive);
    assert_eq!(run.gaps.ranges().count(State::InHand), 6400);
    let at = run
        .asks
        .iter()
        .position(|a| a.first <= 1000 && a.first + a.count > 1000)
        .unwrap();
    assert!(run.asks[at + 1].first >= run.asks[at].first + run.asks[at].count + 200);
}

#[test]
fn what_takes_long_is_read_and_what_takes_for_ever_is_not_answered() {
    let drive = Drive {
        unit: 1,
        slow: vec![(1000, 2, 4_000), (3000, 1, 5_500), (5000, 1, 60_000)],
        ..Drive::default()
    };
    let run = run(small(), &[(0, 6400, 1.0)], &drive);
    assert_eq!(run.gaps.ranges().state(1000), State::InHand);
    assert_eq!(run.gaps.ranges().state(3000), State::InHand);
    assert_eq!(run.gaps.ranges().state(5000), State::NoAnswer);
    assert_eq!(run.gaps.ranges().count(State::InHand), 6399);
}

#[test]
fn the_most_precious_comes_first() {
    let drive = Drive {
        unit: 1,
        ..Drive::default()
    };
    let run = run(
        small(),
        &[(0, 640, 1.0), (5000, 640, 100.0), (9000, 64, f64::NAN)],
        &drive,
    );
    assert_eq!(run.asks[0].first, 5000);
    assert_eq!(run.asks[10].first, 0);
    assert_eq!(run.asks.last().unwrap().first, 9000);
}

#[test]
fn revisits_can_be_forbidden() {
    let mut gaps = Gaps::new(small());
    gaps.want(0, 1, 1.0, 0).unwrap();
    assert!(matches!(gaps.next(0), Next::Ask(_)));
    gaps.report(Answer::Refused, 10, 10);
    assert_eq!(gaps.next(10), Next::Rest { until_ms: 60_010 });
    gaps.forbid_revisits();
    assert_eq!(gaps.next(10), Next::Done);
    assert_eq!(gaps.ranges().state(0), State::Refused);
}

#[test]
fn a_place_that_drives_the_drive_away_comes_last_and_the_second_time_is_the_last() {
    let mut gaps = Gaps::new(small());
    gaps.want(0, 1000, 1.0, 0).unwrap();
    let Next::Ask(first) = gaps.next(0) else {
        panic!("no request")
    };
    let told = gaps.report(Answer::Gone, 10, 10);
    assert_eq!((told[0].count, told[0].state), (64, State::PutOff));
    let mut now = 10;
    let mut last = first;
    loop {
        match gaps.next(now) {
            Next::Ask(ask) => {
                let there = ask.first < first.first + first.count;
                last = ask;
                gaps.report(if there { Answer::Gone } else { Answer::Got }, 1, now);
            }
            Next::Rest { until_ms } => now = until_ms,
            Next::Done => break,
        }
    }
    assert!(last.first < 64, "{last:?}");
    assert_eq!(gaps.ranges().count(State::InHand), 1000 - 64);
    assert_eq!(gaps.ranges().count(State::NoAnswer), 64);
}

#[test]
fn what_is_wanted_later_near_an_error_comes_last_too() {
    let mut gaps = Gaps::new(small());
    gaps.want(1000, 8, 1.0, 0).unwrap();
    assert!(gaps.next_clean(0).is_some());
    gaps.report(Answer::Refused, 1, 1);
    assert_eq!(gaps.next_clean(1), None);
    // The margin is 200 sectors before the failed request and behind it.
    gaps.want(1100, 8, 1.0, 0).unwrap();
    assert_eq!(gaps.next_clean(1), None);
    gaps.want(1190, 100, 1.0, 0).unwrap();
    let ask = gaps.next_clean(1).unwrap();
    assert_eq!((ask.first, ask.count), (1208, 64));
}

#[test]
fn two_readings_that_differ_are_not_settled_by_a_third() {
    let drive = Drive {
        unit: 1,
        fickle: vec![(1000, 2)],
        ..Drive::default()
    };
    let run = run(small(), &[(0, 6400, 1.0)], &drive);
    assert_eq!(run.gaps.ranges().count(State::Disputed), 64);
    assert_eq!(run.asks.len(), 100);
}

#[test]
fn what_was_lost_again_is_asked_again_and_nothing_else() {
    let mut gaps = Gaps::new(small());
    gaps.want(0, 64, 1.0, 0).unwrap();
    assert!(gaps.next_clean(0).is_some());
    gaps.report(Answer::Got, 1, 1);
    gaps.lose(8, 8);
    assert_eq!(gaps.next(1), Next::Done, "nobody wants it yet");
    gaps.want(0, 64, 1.0, 0).unwrap();
    let ask = gaps.next_clean(1).unwrap();
    assert_eq!((ask.first, ask.count), (8, 8));
}

#[test]
fn a_full_queue_says_so_and_stays_honest() {
    let mut limits = small();
    limits.most_runs = 8;
    let mut gaps = Gaps::new(limits);
    let full = (0..20).find_map(|i| gaps.want(i * 1000, 10, 1.0, 0).err());
    assert!(full.unwrap().to_string().contains("8 separate ranges"));

    limits.most_runs = 6;
    let drive = Drive {
        unit: 1,
        bad: (0..20).map(|i| (i * 300 + 7, 1)).collect(),
        ..Drive::default()
    };
    let run = run(limits, &[(0, 6400, 1.0)], &drive);
    let left = run.gaps.ranges().count(State::PutOff);
    assert!(left > 0);
    assert_eq!(
        run.gaps.ranges().count(State::InHand) + run.gaps.ranges().count(State::Refused) + left,
        6400
    );
}

#[test]
fn an_earlier_run_is_taken_up() {
    let drive = Drive {
        unit: 1,
        bad: vec![(70, 2)],
        ..Drive::default()
    };
    let mut gaps = Gaps::new(small());
    let mut plan = Ranges::new();
    let mut in_hand = Ranges::new();
    for (first, count, state) in [
        (0, 64, State::InHand),
        (64, 64, State::PutOff),
        (128, 100, State::Unasked),
        (228, 2, State::Refused),
    ] {
        gaps.load(Stretch {
            first,
            count,
            state,
        });
        plan.set(first, first + count, state);
        if state == State::InHand {
            in_hand.set(first, first + count, state);
        }
    }
    // What nobody wants is not asked, whatever its state; refused places rest first.
    assert_eq!(gaps.next(0), Next::Done);
    gaps.want(0, 230, 1.0, 5_000).unwrap();
    assert_eq!(gaps.next_clean(0), None, "it lies near an error");
    let run = finish(gaps, plan, &drive, in_hand);
    assert_eq!(run.gaps.ranges().count(State::Refused), 2);
    assert_eq!(run.gaps.ranges().count(State::InHand), 228);
    let again = run.asks.iter().filter(|ask| ask.first >= 228).count();
    assert_eq!(again, 1 + 1, "two places, once each: {:?}", run.asks);
}

fn places(most: usize) -> impl Strategy<Value = Vec<(u64, u64)>> {
    proptest::collection::vec((0u64..9_000, 1u64..40), 0..most)
}

prop_compose! {
    fn any_drive()(
        unit in prop_oneof![Just(1u64), Just(8)],
        bad in places(6),
        slow in proptest::collection::vec((0u64..9_000, 1u64..10, 100u64..9_000), 0..4),
        vanishes in proptest::collection::vec(1u64..150, 0..5),
    ) -> Drive {
        Drive { unit, bad, slow, vanishes, ..Drive::default() }
    }
}

proptest! {
    #![proptest_config(ProptestConfig { failure_persistence: None, cases: 200, ..ProptestConfig::default() })]

    /// Everything readable is read, everything else ends in a final state, nothing in hand or
    /// outside the plan is asked for (checked by `run`), and the number of requests is bounded.
    #[test]
    fn everything_readable_is_read(
        drive in any_drive(),
        wanted in proptest::collection::vec((0u64..9_000, 1u64..3_000, 0.1f64..50.0), 1..6),
    ) {
        let limits = Limits { unit_sectors: drive.unit, ..small() };
        let run = run(limits, &wanted, &drive);
        let mut plan = Ranges::new();
        for (first, count, _) in &wanted {
            plan.set(*first, first + count, State::Unasked);
        }
        for stretch in run.gaps.ranges().runs() {
            prop_assert!(stretch.state.is_final(), "{:?}", stretch);
        }
        // A drive that keeps vanishing may cost the place where it did; without that, exact.
        let mut hard_units = 0;
        let mut sectors = 0u64;
        for stretch in plan.runs() {
            sectors += stretch.count;
            for sector in stretch.first..stretch.end() {
                let never = drive.never_reads(sector, PATIENCE_MS);
                let state = run.gaps.ranges().state(sector);
                if never {
                    prop_assert!(matches!(state, State::Refused | State::NoAnswer), "{} {:?}", sector, state);
                } else {
                    prop_assert_eq!(state, State::InHand, "sector {}", sector);
                    prop_assert_eq!(run.in_hand.state(sector), State::InHand);
                }
                if drive.never_reads(sector, 0) && (sector % drive.unit == 0 || sector == stretch.first) {
                    hard_units += 1;
                }
            }
        }
        // Each troubled unit costs at most its share of halvings (6 or 7, two requests each), a
        // question alone and a revisit; strides end at margins and at the borders of ranges.
        let strides = sectors / limits.near_stride_sectors + 2 * wanted.len() as u64;
        let most = strides
            + hard_units * (2 * 7 + 4 + 3)
            + 16 * drive.vanishes.len() as u64;
        prop_assert!(run.asks.len() as u64 <= most, "{} requests, at most {}", run.asks.len(), most);
    }

    #[test]
    fn the_same_answers_give_the_same_questions(drive in any_drive()) {
        let wanted = [(100, 5_000, 2.0), (7_000, 1_000, 9.0)];
        let limits = Limits { unit_sectors: drive.unit, ..small() };
        let (a, b) = (run(limits, &wanted, &drive), run(limits, &wanted, &drive));
        prop_assert_eq!(a.asks, b.asks);
    }

    /// For one worth, everything away from errors is asked before anything near one.
    #[test]
    fn near_errors_come_last(bad in places(8)) {
        let drive = Drive { unit: 1, bad, ..Drive::default() };
        let run = run(small(), &[(0, 9_000, 1.0)], &drive);
        let first = run.asks.iter().position(|a| a.near_error).unwrap_or(run.asks.len());
        prop_assert!(run.asks[first..].iter().all(|a| a.near_error));
    }

    /// Any order of answers ends, without a panic, in final states.
    #[test]
    fn any_answers_end(answers in proptest::collection::vec(0u8..5, 1..200), unit in 1u64..20, first in prop_oneof![0u64..1000, Just(u64::MAX - 700)]) {
        let mut gaps = Gaps::new(Limits { unit_sectors: unit, ..small() });
        gaps.want(first, 700, 1.0, 0).unwrap();
        let mut now = 0;
        for i in 0..50_000usize {
            match gaps.next(now) {
                Next::Done => break,
                Next::Rest { until_ms } => now = until_ms,
                Next::Ask(_) => {
                    let answer = match answers[i % answers.len()] {
                        0 => Answer::Got,
                        1 => Answer::Refused,
                        2 => Answer::NoAnswer,
                        3 => Answer::Differs,
                        _ => Answer::Gone,
                    };
                    gaps.report(answer, 5, now);
                }
            }
        }
        prop_assert_eq!(gaps.next(now), Next::Done);
        prop_assert!(gaps.ranges().runs().all(|run| run.state.is_final()));
    }
}

#[test]
fn what_failed_on_another_way_comes_last_and_once() {
    let mut gaps = Gaps::new(small());
    // One bad place that was met before, and a clean range away from it.
    gaps.want_again(1000, 3, 1.0).unwrap();
    gaps.want(5000, 64, 0.001, 0).unwrap();
    let mut asked = Vec::new();
    while let Next::Ask(ask) = gaps.next(0) {
        asked.push((ask.first, ask.count));
        let answer = match ask.first {
            1000..1003 => Answer::Refused,
            _ => Answer::Got,
        };
        gaps.report(answer, 1, 0);
    }
    assert_eq!(asked[0], (5000, 64));
    for place in 1000..1003 {
        let alone = asked.iter().filter(|ask| **ask == (place, 1)).count();
        assert_eq!(alone, 1, "{asked:?}");
        assert_eq!(gaps.ranges().state(place), State::Refused);
    }
    assert_eq!(gaps.next(u64::MAX), Next::Done);
}
