//! The chance that files are hit by sectors that do not read: the known-bad ones against the share
//! that the plan reads, and those that nobody knows of yet.
//!
//! Invariant: known-bad is a lower bound on bad; a count that is not known never counts as none.

use super::FilesHit;
use crate::drive::evidence::Evidence;
use crate::judge::factors::{media_growth, unread_reads};
use crate::judge::situation::Situation;
use crate::judge::working::{Line, chance_in_words, digits, range_in_words};
use crate::judge::{hits, two_state};
use crate::value::Probability;

/// Sector arithmetic of a situation.
pub(super) struct Sectors {
    /// Of the drive; `None` = capacity not known.
    drive: Option<u64>,
    /// Of the plan, one pass.
    plan: u64,
    /// Share of the drive that the plan reads; 1 when the capacity is not known.
    pub share: f64,
    /// Known bad now.
    bad: u64,
    /// Logical sectors that become unreadable together.
    group: u64,
}

impl Sectors {
    pub fn of(e: &Evidence, s: &Situation) -> Self {
        let size = u64::from(s.sector_bytes.max(1));
        let drive = s.drive_bytes.map(|b| b / size).filter(|n| *n > 0);
        let plan = s.pass_bytes() / size;
        let plan = drive.map_or(plan, |n| plan.min(n));
        let bad = e
            .sectors_awaiting
            .unwrap_or(0)
            .max(e.scan_unreadable.unwrap_or(0));
        Self {
            drive,
            plan,
            share: drive.map_or(1.0, |n| plan as f64 / n as f64),
            bad: drive.map_or(bad, |n| bad.min(n)),
            group: (u64::from(s.physical_sector_bytes) / size).clamp(1, 128),
        }
    }

    pub fn groups(&self) -> u64 {
        self.bad.div_ceil(self.group)
    }
}

/// The chance of files with gaps.
pub(super) fn files(e: &Evidence, s: &Situation, n: &Sectors, working: &mut Vec<Line>) -> FilesHit {
    let mut low = 0.0f64;
    let mut high = 0.0f64;
    let mut expected = 0.0f64;
    if n.bad > 0 {
        let groups = n.groups();
        let share = format!("f = {}", digits(n.share));
        low = n.share;
        working.push(Line::new(
            "files hit if all known-bad sectors lie in one place",
            "f",
            share.clone(),
            low,
            "derived: one cluster against the share that the plan reads",
        ));
        let by_group = -(groups as f64 * (-n.share.min(1.0)).ln_1p()).exp_m1();
        working.push(Line::new(
            "files hit if each physical sector is bad on its own",
            "1 - (1 - f)^groups",
            format!("{share}, groups = {groups} (of {} sectors)", n.group),
            by_group,
            "derived: clusters placed independently",
        ));
        working.push(Line::new(
            "files hit under strong but unknown clustering (r = 0.5)",
            "1 - (1 + bad * f / r)^(-r)",
            format!("bad = {}, {share}, r = 0.5", n.bad),
            hits::negative_binomial(n.share, n.bad, 0.5),
            "negative binomial; direction: Bairavasundaram et al., SIGMETRICS 2007, 5.4; r: engineering judgement",
        ));
        high = match n.drive {
            Some(drive) => hits::independent(drive, n.plan, n.bad),
            None => 1.0,
        };
        working.push(Line::new(
            "files hit if every known-bad sector lies on its own",
            "1 - C(N - n, k) / C(N, k), close to 1 - (1 - f)^k",
            match n.drive {
                Some(drive) => format!("N = {drive}, n = {}, k = {}, {share}", n.plan, n.bad),
                None => format!("capacity not known: f taken as 1, k = {}", n.bad),
            },
            high,
            "hypergeometric; waiting sectors lie in used areas more often than chance says",
        ));
        let (files, file) = if s.files > 0 {
            (s.files as f64, n.plan as f64 / s.files as f64)
        } else {
            (0.0, 0.0)
        };
        expected = match n.drive {
            Some(drive) if s.files > 0 => hits::files_expected(drive, files, file, n.group, groups),
            _ => groups as f64 * n.share,
        };
        working.push(Line::new(
            "number of files hit, each physical sector bad on its own",
            if s.files > 0 {
                "files * (1 - (1 - (s + L - 1) / N)^groups)"
            } else {
                "groups * f (files not counted yet)"
            },
            format!(
                "files = {}, s = {} sectors, L = {}, groups = {groups}, {share}",
                digits(files),
                digits(file),
                n.group
            ),
            expected,
            "derived; files taken as equal and in one piece",
        ));
    }
    let (p_low, p_high, events) = unknown_bad(e, s, working);
    low = low.max(p_low);
    high = high.max(p_high).max(low);
    let most = if s.files > 0 {
        s.files as f64
    } else {
        f64::MAX
    };
    expected = expected.max(events).min(most);
    working.push(Line::new(
        format!(
            "at least one file is hit: {}",
            range_in_words(Probability::new(low), Probability::new(high))
        ),
        "the larger of known-bad and still unknown, at either end",
        "",
        high,
        "known-bad is a lower bound on bad",
    ));
    FilesHit {
        low: Probability::new(low),
        high: Probability::new(high),
        expected: if expected.is_finite() { expected } else { most },
    }
}

/// Errors that nobody knows of yet: the two-state update.
fn unknown_bad(e: &Evidence, s: &Situation, working: &mut Vec<Line>) -> (f64, f64, f64) {
    let read = s.bytes_read as f64 / 1e12;
    let left = s.bytes_left() / s.passes() / 1e12;
    let unread = e.is_blind();
    let history = unread_reads(e).is_some_and(|n| n > 0)
        || e.self_test_read_failed
        || e.sectors_awaiting.is_some_and(|n| n > 0)
        || media_growth(e);
    let (prior, source) = if history {
        (
            two_state::PRIOR_HISTORY,
            "Bairavasundaram et al., SIGMETRICS 2007, 5.4.3: affected drives with another error within a month (54.8 to 62 %)",
        )
    } else if unread {
        (
            two_state::PRIOR_UNREAD,
            "health not known: upper share of disks that carry a strong signal, derived from Pinheiro et al., FAST 2007, 3.5",
        )
    } else {
        (
            two_state::PRIOR_NEARLINE,
            "Bairavasundaram et al., SIGMETRICS 2007, table 1: nearline drives with an error in 32 months",
        )
    };
    let high_state = two_state::sick(prior, s.errors_met, read);
    let mid_state = two_state::sick(two_state::PRIOR_ALL.min(prior), s.errors_met, read);
    for (name, prior, state, source) in [
        (
            "mid",
            two_state::PRIOR_ALL.min(prior),
            mid_state,
            "Bairavasundaram et al., SIGMETRICS 2007, table 1: all drives",
        ),
        ("high", prior, high_state, source),
    ] {
        working.push(Line::new(
            format!("the drive is one that errs often, {name}"),
            "odds / (1 + odds), odds = prior / (1 - prior) * (sick / healthy)^events * exp(-(sick - healthy) * TB)",
            format!(
                "prior = {}, events = {}, TB = {}, sick = {}, healthy = {}",
                digits(prior),
                s.errors_met,
                digits(read),
                digits(two_state::SICK_PER_TB),
                digits(two_state::HEALTHY_PER_TB)
            ),
            state,
            format!(
                "{source}; healthy: Gray and van Ingen 2005 (5 in 2 PB); sick: engineering judgement"
            ),
        ));
    }
    let low = -(-two_state::HEALTHY_PER_TB * left).exp_m1();
    let low = if s.errors_met > 0 {
        two_state::any_event(mid_state, left)
    } else {
        low
    };
    let high = two_state::any_event(high_state, left);
    let events = two_state::events_expected(mid_state, left);
    working.push(Line::new(
        "read errors not yet known to expect in what is left",
        "(state * sick + (1 - state) * healthy) * left",
        format!(
            "state = {}, left = {} TB, sick = {}, healthy = {}",
            digits(mid_state),
            digits(left),
            digits(two_state::SICK_PER_TB),
            digits(two_state::HEALTHY_PER_TB)
        ),
        events,
        "two-state mixture, middle state; derived",
    ));
    for (name, value) in [("low", low), ("high", high)] {
        working.push(Line::new(
            format!(
                "an error not yet known in what is left, {name}: {}",
                chance_in_words(Probability::new(value))
            ),
            "state * (1 - exp(-sick * left)) + (1 - state) * (1 - exp(-healthy * left))",
            format!(
                "state = {}, left = {} TB, sick = {}, healthy = {}",
                digits(match name {
                    "high" => high_state,
                    _ if s.errors_met > 0 => mid_state,
                    _ => 0.0,
                }),
                digits(left),
                digits(two_state::SICK_PER_TB),
                digits(two_state::HEALTHY_PER_TB)
            ),
            value,
            "two-state mixture; derived",
        ));
    }
    (low, high.max(low), events)
}
