//! From readings to relative risks: which signals are there, how much each may weigh (low, mid,
//! high) and since when it acts.
//!
//! Invariant: several signals are never multiplied, because they share causes and no source gives
//! joint factors. A reading that could not be made, or that lacks the counts that matter, is a
//! factor of its own and never looks like a clean reading.

use super::ladder::{
    AWAITING, AWAITING_UNKNOWN, BACKUP_POWER, BAD_BLOCKS, ENDURANCE, GARBLED, HEAT, LIMIT_CROSSED,
    LOST_INSIDE, MET, NEUTRAL, OVERDUE, PRE_END, PROGRAM_ERASE, RELIABILITY, REMAPPED,
    REMAPPED_UNKNOWN, SELF_TEST_OTHER, SLOW_DISK, SLOW_SOLID, SPARE, Step, UNREAD_DISK,
    UNREAD_SOLID, UNREADABLE, WRITES_REFUSED, up_to,
};
use super::situation::{Situation, plausible};
use crate::drive::evidence::{Evidence, EvidenceMedium};
use crate::drive::signal::SignalId;

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

/// Onset when nothing tells it: 240, 30 and 0 days (engineering judgement; the published curves
/// are fixed at 60 and 240 days only, so "just now" belongs to the high column).
pub const TAU_UNKNOWN: [f64; 3] = [240.0, 30.0, 0.0];

/// The larger of two counts, each of which may be unknown.
fn larger(a: Option<u64>, b: Option<u64>) -> Option<u64> {
    match (a, b) {
        (Some(a), Some(b)) => Some(a.max(b)),
        (a, b) => a.or(b),
    }
}

/// Reads that ended without data, by whichever count says most.
pub fn unread_reads(e: &Evidence) -> Option<u64> {
    let reads = larger(larger(e.reads_given_up, e.scan_unreadable), e.logged_unread);
    if e.is_solid() {
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
        _ => not_known(),
    }
}

/// Factors as they are found.
struct Factors(Vec<Factor>);

impl Factors {
    fn add(
        &mut self,
        signal: Option<SignalId>,
        what: String,
        steps: &'static [Step],
        (tau_days, onset): ([f64; 3], String),
    ) {
        self.0.push(Factor {
            signal,
            what,
            steps,
            tau_days,
            onset,
        });
    }
}

/// The onset of what nothing tells the age of.
fn not_known() -> ([f64; 3], String) {
    (TAU_UNKNOWN, "not known".to_owned())
}

/// What is left of the spare area and the drive's limit, as figures that can be true.
fn spare(e: &Evidence) -> Option<(u8, u8)> {
    e.spare
        .filter(|(left, limit)| *left <= 100 && *limit <= 100)
}

/// Whether the spare area is below its limit.
fn is_short(e: &Evidence) -> bool {
    e.spare_short || spare(e).is_some_and(|(left, limit)| left < limit)
}

/// Every factor that the evidence and the situation give, in a fixed order.
pub fn factors(e: &Evidence, s: &Situation) -> Vec<Factor> {
    let mut out = Factors(Vec::new());
    unread(e, &mut out);
    if e.is_solid() {
        solid_media(e, &mut out);
    } else {
        disk_media(e, &mut out);
    }
    told(e, &mut out);
    heat_and_pace(e, &mut out);
    met(s, &mut out);
    spare_and_warnings(e, &mut out);
    wear(e, &mut out);
    out.0
}

/// What could not be read, or is not told.
fn unread(e: &Evidence, out: &mut Factors) {
    let solid = e.is_solid();
    if e.is_blind() {
        let what = if e.readable {
            "the health pages hold none of the counts that matter: taken as not known, not as clean"
        } else {
            "health could not be read: taken as not known, not as clean"
        };
        let steps = if solid { UNREAD_SOLID } else { UNREAD_DISK };
        out.add(
            Some(SignalId::HealthUnread),
            what.to_owned(),
            steps,
            not_known(),
        );
    } else if !solid {
        if e.sectors_awaiting.is_none() {
            out.add(
                Some(SignalId::HealthUnread),
                "how many sectors wait to be remapped is not reported".to_owned(),
                AWAITING_UNKNOWN,
                not_known(),
            );
        }
        if e.sectors_remapped.is_none() {
            out.add(
                Some(SignalId::HealthUnread),
                "how many sectors were replaced is not reported".to_owned(),
                REMAPPED_UNKNOWN,
                not_known(),
            );
        }
    }
    if e.later_unread && !e.is_blind() {
        out.add(
            Some(SignalId::HealthUnread),
            "a later reading could not be made: what was read before stands, and how it is now is not known"
                .to_owned(),
            if solid { UNREAD_SOLID } else { UNREAD_DISK },
            not_known(),
        );
    }
}

/// Media errors of a disk with moving heads.
fn disk_media(e: &Evidence, out: &mut Factors) {
    if let Some(n) = e.sectors_awaiting.filter(|n| *n > 0) {
        let place = match n {
            0..=10 => 1,
            11..=100 => 2,
            _ => 3,
        };
        out.add(
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
        out.add(
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
        out.add(
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
}

/// Media errors of solid state.
fn solid_media(e: &Evidence, out: &mut Factors) {
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
        out.add(
            Some(SignalId::DataLostInside),
            format!("{lost} times the drive could not deliver intact data"),
            up_to(LOST_INSIDE, place),
            onset(e, grown, true),
        );
    }
    if let Some(n) = e.sectors_remapped.filter(|n| *n > 1) {
        out.add(
            Some(SignalId::SectorsRemapped),
            format!("{n} grown bad blocks"),
            up_to(BAD_BLOCKS, if n > 1000 { 2 } else { 1 }),
            onset(e, e.growth.sectors_remapped, false),
        );
    }
    if e.self_test_read_failed {
        out.add(
            Some(SignalId::SelfTestFound),
            "the last self-test stopped at an unreadable place".to_owned(),
            UNREADABLE,
            onset(e, None, true),
        );
    }
}

/// What the drive says of itself, its commands and its link.
fn told(e: &Evidence, out: &mut Factors) {
    if e.self_test_other_failed {
        out.add(
            Some(SignalId::SelfTestFound),
            "the last self-test failed for another reason than a read".to_owned(),
            SELF_TEST_OTHER,
            not_known(),
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
        out.add(
            Some(SignalId::DrivePredictsFailure),
            "the drive itself reports that a limit was crossed".to_owned(),
            LIMIT_CROSSED,
            not_known(),
        );
    }
    let overdue = e.commands_overdue.unwrap_or(0);
    let starts = e.starts_failed.unwrap_or(0);
    if overdue > 0 || starts > 0 {
        // One row of the table: both are named, neither counts twice.
        let (late, motor) = (
            format!("{overdue} commands ran out of time"),
            format!("the motor failed to start {starts} times"),
        );
        let (signal, what) = match (overdue, starts) {
            (_, 0) => (SignalId::CommandsOverdue, late),
            (0, _) => (SignalId::StartsFailed, motor),
            _ => (SignalId::CommandsOverdue, format!("{late}; {motor}")),
        };
        out.add(Some(signal), what, OVERDUE, not_known());
    }
    if let Some(n) = e.link_garbled.filter(|n| *n > 0) {
        out.add(
            Some(SignalId::LinkGarbled),
            format!("{n} transfers arrived garbled: suspect cable or port"),
            GARBLED,
            not_known(),
        );
    }
}

/// Heat, and how fast it reads.
fn heat_and_pace(e: &Evidence, out: &mut Factors) {
    let solid = e.is_solid();
    let hot = !solid && e.celsius.is_some_and(|c| c > 50.0);
    if hot || e.temperature_warning {
        out.add(
            Some(SignalId::HeatNow),
            match plausible(e.celsius) {
                Some(c) => format!("{c:.0} degrees Celsius"),
                None => "the drive warns of its temperature".to_owned(),
            },
            HEAT,
            not_known(),
        );
    }
    if let Some(share) = plausible(e.speed_share).filter(|share| *share < 0.5) {
        out.add(
            Some(SignalId::ReadsSlowing),
            format!("reads at {:.0} % of its own earlier pace", share * 100.0),
            if solid { SLOW_SOLID } else { SLOW_DISK },
            not_known(),
        );
    }
}

/// What this copy met.
fn met(s: &Situation, out: &mut Factors) {
    if s.errors_met > 0 {
        let days = plausible(s.error_hours_ago).unwrap_or(0.0) / 24.0;
        out.add(
            None,
            format!("{} places met in this copy that did not read", s.errors_met),
            MET,
            ([days; 3], "met in this copy".to_owned()),
        );
    }
}

/// The spare area and the warnings of solid state.
fn spare_and_warnings(e: &Evidence, out: &mut Factors) {
    if e.medium != Some(EvidenceMedium::Card) {
        let (spare, short) = (spare(e), is_short(e));
        let near = spare.is_some_and(|(left, limit)| left.saturating_sub(limit) <= 10);
        if short || near {
            let what = match spare {
                Some((left, limit)) => {
                    format!("{left} % of the spare area is left; the drive's limit is {limit} %")
                }
                None => "the spare area is below its limit".to_owned(),
            };
            out.add(
                Some(if short {
                    SignalId::SpareShort
                } else {
                    SignalId::SpareLeft
                }),
                what,
                up_to(SPARE, if short { 2 } else { 1 }),
                not_known(),
            );
        }
    }
    if e.reliability_reduced {
        out.add(
            Some(SignalId::ReliabilityReduced),
            "the drive says that its reliability is reduced".to_owned(),
            RELIABILITY,
            not_known(),
        );
    }
    if e.writes_refused {
        out.add(
            Some(SignalId::WritesRefused),
            "the drive accepts no more writes".to_owned(),
            WRITES_REFUSED,
            not_known(),
        );
    }
    if e.backup_power_out {
        out.add(
            Some(SignalId::BackupPowerOut),
            "its protection against power loss failed".to_owned(),
            BACKUP_POWER,
            not_known(),
        );
    }
}

/// How much of its writing is spent.
fn wear(e: &Evidence, out: &mut Factors) {
    let card = e.medium == Some(EvidenceMedium::Card);
    let spent = e.endurance_spent.unwrap_or(0);
    // A card's estimate is a step of ten per cent, whose upper edge is no percentage of its own; its
    // row is the one below.
    if spent >= 100 && !card {
        out.add(
            Some(SignalId::EnduranceSpent),
            format!("{spent} % of the rated writing is spent"),
            up_to(ENDURANCE, if spent >= 150 { 2 } else { 1 }),
            not_known(),
        );
    }
    let short = is_short(e);
    let last_step = card && (short || spent >= 110);
    let pre_end = e.pre_end_of_life.unwrap_or(0);
    if pre_end >= 2 || last_step {
        let urgent = pre_end >= 3 || last_step;
        let by_writing = spent >= 110 && pre_end < 3 && !short;
        let (signal, what) = match (urgent, by_writing) {
            (true, true) => (
                SignalId::EnduranceSpent,
                "more than the card's rated writing is spent",
            ),
            (true, false) => (
                SignalId::SpareShort,
                "the card reports its end of life as near",
            ),
            (false, _) => (SignalId::SpareShort, "the card warns of its end of life"),
        };
        out.add(
            Some(signal),
            what.to_owned(),
            up_to(PRE_END, if urgent { 2 } else { 1 }),
            not_known(),
        );
    }
    if let Some(n) = e.program_erase_failures.filter(|n| *n > 0) {
        out.add(
            Some(SignalId::DataLostInside),
            format!("{n} program or erase failures"),
            PROGRAM_ERASE,
            not_known(),
        );
    }
}

/// What could have been weighed and was deliberately not.
pub fn left_aside() -> &'static str {
    "power cycles, seek error counts, temperature up to 50 degrees and rated writing below 100 % carry no weight of their own (Pinheiro et al., FAST 2007, 3.4 and 3.5.5; El-Sayed et al., SIGMETRICS 2012)"
}

#[cfg(test)]
mod tests;
