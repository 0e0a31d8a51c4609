//! From readings to relative risks: which signals are there, how much each may weigh (low, mid,
//! high) and since when it acts.
//!
//! Invariant: several signals are never multiplied, because they share causes and no source gives
//! joint factors. A reading that could not be made, or that lacks the counts that matter, is a
//! factor of its own and never looks like a clean reading.

use super::situation::{Situation, plausible};
use crate::drive::evidence::{Evidence, EvidenceMedium};
use crate::drive::signal::SignalId;

/// One step of a ladder: what it does to the 60-day loss probability of a signal-free drive.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Step {
    /// When this step applies, in words.
    pub when: &'static str,
    /// Relative risk within 60 days, low / mid / high; 1 = none.
    pub m: [f64; 3],
    /// Shape of the hazard after onset: below 1, the beginning is the worst.
    pub k: f64,
    /// Where the figures come from.
    pub source: &'static str,
}

/// One signal at work.
#[derive(Debug, Clone, PartialEq)]
pub struct Factor {
    /// Which signal; `None` for what the copy itself met.
    pub signal: Option<SignalId>,
    /// What was seen, in words.
    pub what: String,
    /// The step that applies (the last) and the milder ones of the same ladder before it: a worse
    /// count may never weigh less than a milder one would.
    pub steps: &'static [Step],
    /// Days since onset, low / mid / high.
    pub tau_days: [f64; 3],
    /// How the onset is known, in words.
    pub onset: String,
}

impl Factor {
    /// The step that applies.
    pub fn step(&self) -> &Step {
        // A ladder is never empty; the fallback is the neutral step.
        self.steps.last().unwrap_or(&NEUTRAL)
    }
}

const NEUTRAL: Step = Step {
    when: "nothing",
    m: [1.0; 3],
    k: 1.0,
    source: "none",
};

/// Shape in the high column: the step's less 0.2, not below 0.35 (engineering judgement).
pub fn high_shape(k: f64) -> f64 {
    (k - 0.2).max(0.35)
}

const JUDGEMENT: &str = "engineering judgement";

const fn step(when: &'static str, m: [f64; 3], k: f64, source: &'static str) -> Step {
    Step { when, m, k, source }
}

const AWAITING: &[Step] = &[
    step(
        "1 to 10",
        [8.0, 16.0, 39.0],
        0.7,
        "mid: Pinheiro et al., FAST 2007, 3.5.4; high: Ma et al., FAST 2015, 3.3.2; low: engineering judgement",
    ),
    step(
        "11 to 100",
        [14.0, 25.0, 60.0],
        0.6,
        "engineering judgement between Pinheiro et al. 2007 and Ma et al. 2015",
    ),
    step("more than 100", [21.0, 40.0, 100.0], 0.5, JUDGEMENT),
];
const REMAPPED: &[Step] = &[
    step(
        "1 to 4",
        [3.0, 14.0, 21.0],
        0.7,
        "Pinheiro et al., FAST 2007, 3.5.2 and 3.5.3",
    ),
    step("5 to 40", [6.0, 14.0, 30.0], 0.7, JUDGEMENT),
    step(
        "41 to 200",
        [14.0, 29.0, 60.0],
        0.6,
        "mid derived from Ma et al., FAST 2015, 3.4 (50 % over 1.7 %)",
    ),
    step(
        "more than 200",
        [29.0, 56.0, 100.0],
        0.5,
        "mid derived from Ma et al., FAST 2015, 3.4 (95 % over 1.7 %)",
    ),
];
const UNREADABLE: &[Step] = &[step(
    "at least one",
    [21.0, 39.0, 60.0],
    0.5,
    "Pinheiro et al., FAST 2007, 3.5.1 and 3.5.3, mapped by meaning",
)];
const SELF_TEST_OTHER: &[Step] = &[step(
    "failed, not at a read",
    [20.0, 39.0, 100.0],
    0.5,
    JUDGEMENT,
)];
const LIMIT_CROSSED: &[Step] = &[step(
    "the drive reports a crossed limit",
    [23.0, 35.0, 50.0],
    1.0,
    "derived from Murray et al., JMLR 6 (2005), section 1 (3 to 10 % caught at 0.1 % false alarms)",
)];
const OVERDUE: &[Step] = &[step(
    "any",
    [1.0, 3.0, 15.0],
    1.0,
    "engineering judgement; may be power or cable",
)];
const GARBLED: &[Step] = &[step(
    "any",
    [1.0, 1.0, 2.0],
    1.0,
    "Pinheiro et al., FAST 2007, 3.5.5; Xu et al., ATC 2019: change the cable or port first",
)];
const HEAT: &[Step] = &[step(
    "above 50 degrees, or the drive's own warning",
    [1.0, 1.0, 2.0],
    1.0,
    "engineering judgement; cool before copying",
)];
const SLOW_DISK: &[Step] = &[step(
    "below half of its own pace",
    [3.0, 10.0, 39.0],
    0.7,
    "direction: Lu et al., FAST 2020; figures: engineering judgement",
)];
const SLOW_SOLID: &[Step] = &[step(
    "below half of its own pace",
    [1.0, 2.0, 10.0],
    0.7,
    "Lu et al., ATC 2022: slow NVMe drives rarely die within 5 months; figures: engineering judgement",
)];
const MET: &[Step] = &[step(
    "at least one in this copy",
    [21.0, 39.0, 60.0],
    0.5,
    "as a scan error (Pinheiro et al., FAST 2007, 3.5.1), onset at that moment; engineering judgement",
)];
const SPARE: &[Step] = &[
    step(
        "within 10 points of its limit",
        [2.0, 5.0, 15.0],
        1.0,
        "direction: Maneas et al., FAST 2020, finding 8; figures: engineering judgement",
    ),
    step(
        "below its limit",
        [5.0, 15.0, 50.0],
        1.0,
        "direction: Maneas et al., FAST 2020, finding 8; figures: engineering judgement",
    ),
];
const RELIABILITY: &[Step] = &[step("yes", [20.0, 50.0, 150.0], 0.7, JUDGEMENT)];
const WRITES_REFUSED: &[Step] = &[step(
    "yes",
    [10.0, 30.0, 100.0],
    0.7,
    "engineering judgement; reads usually still work",
)];
const BACKUP_POWER: &[Step] = &[step("yes", [1.0, 2.0, 5.0], 1.0, JUDGEMENT)];
const ENDURANCE: &[Step] = &[
    step(
        "100 to 149 %",
        [1.0, 1.5, 3.0],
        1.0,
        "Schroeder et al., FAST 2016 (linear growth); JESD218: retention no longer vouched for",
    ),
    step("150 % or more", [2.0, 5.0, 15.0], 1.0, JUDGEMENT),
];
const LOST_INSIDE: &[Step] = &[
    step(
        "1 to 9",
        [2.0, 5.0, 15.0],
        0.7,
        "high: Schroeder et al., FAST 2016, 5.6 (ratio for further errors); rest: engineering judgement",
    ),
    step("10 or more, or growing", [5.0, 15.0, 50.0], 0.7, JUDGEMENT),
];
const BAD_BLOCKS: &[Step] = &[
    step(
        "2 to 1,000",
        [1.0, 3.0, 10.0],
        0.7,
        "direction: Narayanan et al., SYSTOR 2016; Schroeder et al., FAST 2016",
    ),
    step(
        "more than 1,000",
        [5.0, 15.0, 50.0],
        0.7,
        "direction: Narayanan et al., SYSTOR 2016, 3.3",
    ),
];
const PROGRAM_ERASE: &[Step] = &[step(
    "any",
    [2.0, 5.0, 15.0],
    1.0,
    "direction: Narayanan et al., SYSTOR 2016, section 1",
)];
const PRE_END: &[Step] = &[
    step("warning", [2.0, 5.0, 15.0], 1.0, JUDGEMENT),
    step(
        "urgent, or life estimate at its top step",
        [5.0, 20.0, 60.0],
        1.0,
        JUDGEMENT,
    ),
];
const UNREAD_DISK: &[Step] = &[step(
    "health not known",
    [1.0, 1.6, 39.0],
    0.5,
    "mid: fleet over signal-free drives, 1/0.62 (Pinheiro et al., FAST 2007, 3.5.6); high: a strong signal cannot be ruled out (3.5.1)",
)];
const UNREAD_SOLID: &[Step] = &[step(
    "health not known",
    [1.0, 2.0, 50.0],
    0.7,
    "a strong signal cannot be ruled out; figures: engineering judgement",
)];
const AWAITING_UNKNOWN: &[Step] = &[step(
    "count not known",
    [1.0, 1.0, 16.0],
    0.7,
    "a first waiting sector cannot be ruled out (Pinheiro et al., FAST 2007, 3.5.4)",
)];
const REMAPPED_UNKNOWN: &[Step] = &[step(
    "count not known",
    [1.0, 1.0, 14.0],
    0.7,
    "a first replaced sector cannot be ruled out (Pinheiro et al., FAST 2007, 3.5.2)",
)];

/// Onset when nothing tells it: 240, 30 and 0 days (engineering judgement; the published curves
/// are fixed at 60 and 240 days only, so "just now" belongs to the high column).
pub const TAU_UNKNOWN: [f64; 3] = [240.0, 30.0, 0.0];

/// The first `n` steps of a ladder.
fn up_to(ladder: &'static [Step], n: usize) -> &'static [Step] {
    ladder.get(..n.min(ladder.len())).unwrap_or(ladder)
}

fn solid(medium: Option<EvidenceMedium>) -> bool {
    matches!(
        medium,
        Some(EvidenceMedium::Ssd | EvidenceMedium::Nvme | EvidenceMedium::Card)
    )
}

/// Whether the reading says nothing about the state of the medium itself.
pub fn blind(e: &Evidence) -> bool {
    if !e.readable {
        return true;
    }
    let counts = [
        e.sectors_awaiting,
        e.sectors_remapped,
        e.reads_given_up,
        e.scan_unreadable,
        e.data_lost_inside,
        e.program_erase_failures,
    ];
    let told = counts.iter().any(Option::is_some);
    if solid(e.medium) {
        !told && e.spare.is_none() && e.endurance_spent.is_none() && e.pre_end_of_life.is_none()
    } else {
        !told
    }
}

/// The larger of two counts, each of which may be unknown.
fn larger(a: Option<u64>, b: Option<u64>) -> Option<u64> {
    match (a, b) {
        (Some(a), Some(b)) => Some(a.max(b)),
        (a, b) => a.or(b),
    }
}

/// Reads that ended without data, by whichever count says most.
pub fn unread_reads(e: &Evidence) -> Option<u64> {
    let reads = larger(e.reads_given_up, e.scan_unreadable);
    if solid(e.medium) {
        larger(larger(reads, e.data_lost_inside), e.sectors_awaiting)
    } else {
        larger(reads, e.data_lost_inside)
    }
}

/// Whether any count of media errors rose since the reading before.
pub fn media_growth(e: &Evidence) -> bool {
    let g = &e.growth;
    [g.sectors_awaiting, g.reads_given_up, g.data_lost_inside]
        .iter()
        .any(|n| n.is_some_and(|n| n > 0))
}

/// Onset of one count: from the drive's logs, from growth between two readings, or not known.
fn onset(e: &Evidence, growth: Option<u64>, media: bool) -> ([f64; 3], String) {
    let between = plausible(e.growth.hours).map(|hours| hours / 24.0);
    let logged = if media {
        plausible(e.error_age_days)
    } else {
        None
    };
    match (growth, between, logged) {
        (Some(n), Some(days), _) if n > 0 => {
            let days = days.min(logged.unwrap_or(days));
            (
                TAU_UNKNOWN.map(|tau| tau.min(days)),
                "grew since the reading before".to_owned(),
            )
        }
        (Some(n), None, _) if n > 0 => ([0.0; 3], "grew at an unknown time".to_owned()),
        (_, _, Some(days)) => ([days; 3], "from the drive's own logs".to_owned()),
        (Some(0), Some(days), None) => (
            TAU_UNKNOWN.map(|tau| tau.max(days)),
            "no growth since the reading before".to_owned(),
        ),
        _ => (TAU_UNKNOWN, "not known".to_owned()),
    }
}

/// Every factor that the evidence and the situation give, in a fixed order.
pub fn factors(e: &Evidence, s: &Situation) -> Vec<Factor> {
    let mut out = Vec::new();
    let solid = solid(e.medium);
    let card = e.medium == Some(EvidenceMedium::Card);
    let mut add = |signal: Option<SignalId>,
                   what: String,
                   steps: &'static [Step],
                   (tau_days, onset): ([f64; 3], String)| {
        out.push(Factor {
            signal,
            what,
            steps,
            tau_days,
            onset,
        });
    };
    let unknown = || (TAU_UNKNOWN, "not known".to_owned());

    if blind(e) {
        let what = if e.readable {
            "the health pages hold none of the counts that matter: taken as not known, not as clean"
        } else {
            "health could not be read: taken as not known, not as clean"
        };
        let steps = if solid { UNREAD_SOLID } else { UNREAD_DISK };
        add(
            Some(SignalId::HealthUnread),
            what.to_owned(),
            steps,
            unknown(),
        );
    } else if !solid {
        if e.sectors_awaiting.is_none() {
            add(
                Some(SignalId::HealthUnread),
                "how many sectors wait to be remapped is not reported".to_owned(),
                AWAITING_UNKNOWN,
                unknown(),
            );
        }
        if e.sectors_remapped.is_none() {
            add(
                Some(SignalId::HealthUnread),
                "how many sectors were replaced is not reported".to_owned(),
                REMAPPED_UNKNOWN,
                unknown(),
            );
        }
    }

    if !solid {
        if let Some(n) = e.sectors_awaiting.filter(|n| *n > 0) {
            let place = match n {
                0..=10 => 1,
                11..=100 => 2,
                _ => 3,
            };
            add(
                Some(SignalId::SectorsAwaiting),
                format!("{n} sectors wait to be remapped"),
                up_to(AWAITING, place),
                onset(e, e.growth.sectors_awaiting, true),
            );
        }
        if let Some(n) = e.sectors_remapped.filter(|n| *n > 0) {
            let place = match n {
                0..=4 => 1,
                5..=40 => 2,
                41..=200 => 3,
                _ => 4,
            };
            add(
                Some(SignalId::SectorsRemapped),
                format!("{n} sectors already replaced by spares"),
                up_to(REMAPPED, place),
                onset(e, e.growth.sectors_remapped, true),
            );
        }
        let reads = unread_reads(e).unwrap_or(0);
        if reads > 0 || e.self_test_read_failed {
            let what = if reads > 0 {
                format!("{reads} reads ended without the data, or were found unreadable")
            } else {
                "the last self-test stopped at an unreadable sector".to_owned()
            };
            add(
                Some(SignalId::ReadsGivenUp),
                what,
                UNREADABLE,
                onset(
                    e,
                    larger(e.growth.reads_given_up, e.growth.data_lost_inside),
                    true,
                ),
            );
        }
    } else {
        let lost = unread_reads(e).unwrap_or(0);
        let grown = larger(
            larger(e.growth.reads_given_up, e.growth.data_lost_inside),
            e.growth.sectors_awaiting,
        );
        if lost > 0 {
            let place = if lost >= 10 || grown.is_some_and(|n| n > 0) {
                2
            } else {
                1
            };
            add(
                Some(SignalId::DataLostInside),
                format!("{lost} times the drive could not deliver intact data"),
                up_to(LOST_INSIDE, place),
                onset(e, grown, true),
            );
        }
        if let Some(n) = e.sectors_remapped.filter(|n| *n > 1) {
            add(
                Some(SignalId::SectorsRemapped),
                format!("{n} grown bad blocks"),
                up_to(BAD_BLOCKS, if n > 1000 { 2 } else { 1 }),
                onset(e, e.growth.sectors_remapped, false),
            );
        }
        if e.self_test_read_failed {
            add(
                Some(SignalId::SelfTestFound),
                "the last self-test stopped at an unreadable place".to_owned(),
                UNREADABLE,
                onset(e, None, true),
            );
        }
    }
    if e.self_test_other_failed {
        add(
            Some(SignalId::SelfTestFound),
            "the last self-test failed for another reason than a read".to_owned(),
            SELF_TEST_OTHER,
            unknown(),
        );
    }
    // NVMe's verdict is its warning byte: where a bit has its own row, it is not counted twice.
    let explained = e.medium == Some(EvidenceMedium::Nvme)
        && (e.spare_short
            || e.temperature_warning
            || e.reliability_reduced
            || e.writes_refused
            || e.backup_power_out);
    if e.limit_crossed == Some(true) && !explained {
        add(
            Some(SignalId::DrivePredictsFailure),
            "the drive itself reports that a limit was crossed".to_owned(),
            LIMIT_CROSSED,
            unknown(),
        );
    }
    let overdue = e.commands_overdue.unwrap_or(0);
    let starts = e.starts_failed.unwrap_or(0);
    if overdue > 0 || starts > 0 {
        let (signal, what) = if overdue > 0 {
            (
                SignalId::CommandsOverdue,
                format!("{overdue} commands ran out of time"),
            )
        } else {
            (
                SignalId::StartsFailed,
                format!("the motor failed to start {starts} times"),
            )
        };
        add(Some(signal), what, OVERDUE, unknown());
    }
    if let Some(n) = e.link_garbled.filter(|n| *n > 0) {
        add(
            Some(SignalId::LinkGarbled),
            format!("{n} transfers arrived garbled: suspect cable or port"),
            GARBLED,
            unknown(),
        );
    }
    let hot = !solid && e.celsius.is_some_and(|c| c > 50.0);
    if hot || e.temperature_warning {
        add(
            Some(SignalId::HeatNow),
            match plausible(e.celsius) {
                Some(c) => format!("{c:.0} degrees Celsius"),
                None => "the drive warns of its temperature".to_owned(),
            },
            HEAT,
            unknown(),
        );
    }
    if let Some(share) = plausible(e.speed_share).filter(|share| *share < 0.5) {
        add(
            Some(SignalId::ReadsSlowing),
            format!("reads at {:.0} % of its own earlier pace", share * 100.0),
            if solid { SLOW_SOLID } else { SLOW_DISK },
            unknown(),
        );
    }
    if s.errors_met > 0 {
        let days = plausible(s.error_hours_ago).unwrap_or(0.0) / 24.0;
        add(
            None,
            format!("{} places met in this copy that did not read", s.errors_met),
            MET,
            ([days; 3], "met in this copy".to_owned()),
        );
    }
    let spare = e
        .spare
        .filter(|(left, limit)| *left <= 100 && *limit <= 100);
    let short = e.spare_short || spare.is_some_and(|(left, limit)| left < limit);
    let near = spare.is_some_and(|(left, limit)| left.saturating_sub(limit) <= 10);
    if !card && (short || near) {
        let what = match spare {
            Some((left, limit)) => {
                format!("{left} % of the spare area is left; the drive's limit is {limit} %")
            }
            None => "the spare area is below its limit".to_owned(),
        };
        add(
            Some(if short {
                SignalId::SpareShort
            } else {
                SignalId::SpareLeft
            }),
            what,
            up_to(SPARE, if short { 2 } else { 1 }),
            unknown(),
        );
    }
    if e.reliability_reduced {
        add(
            Some(SignalId::ReliabilityReduced),
            "the drive says that its reliability is reduced".to_owned(),
            RELIABILITY,
            unknown(),
        );
    }
    if e.writes_refused {
        add(
            Some(SignalId::WritesRefused),
            "the drive accepts no more writes".to_owned(),
            WRITES_REFUSED,
            unknown(),
        );
    }
    if e.backup_power_out {
        add(
            Some(SignalId::BackupPowerOut),
            "its protection against power loss failed".to_owned(),
            BACKUP_POWER,
            unknown(),
        );
    }
    let spent = e.endurance_spent.unwrap_or(0);
    if spent >= 100 {
        add(
            Some(SignalId::EnduranceSpent),
            format!("{spent} % of the rated writing is spent"),
            up_to(ENDURANCE, if spent >= 150 { 2 } else { 1 }),
            unknown(),
        );
    }
    let last_step = card && (e.spare_short || short || spent >= 110);
    let pre_end = e.pre_end_of_life.unwrap_or(0);
    if pre_end >= 2 || last_step {
        let urgent = pre_end >= 3 || last_step;
        add(
            Some(SignalId::SpareShort),
            if urgent {
                "the card reports its end of life as near".to_owned()
            } else {
                "the card warns of its end of life".to_owned()
            },
            up_to(PRE_END, if urgent { 2 } else { 1 }),
            unknown(),
        );
    }
    if let Some(n) = e.program_erase_failures.filter(|n| *n > 0) {
        add(
            Some(SignalId::DataLostInside),
            format!("{n} program or erase failures"),
            PROGRAM_ERASE,
            unknown(),
        );
    }
    out
}

/// What could have been weighed and was deliberately not.
pub fn left_aside() -> &'static str {
    "power cycles, seek error counts, temperature up to 50 degrees and rated writing below 100 % carry no weight of their own (Pinheiro et al., FAST 2007, 3.4 and 3.5.5; El-Sayed et al., SIGMETRICS 2012)"
}

#[cfg(test)]
mod tests {
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
}
