//! The findings as signals: a phrase for people, a weight, and how the value moved since the
//! reading before.
//!
//! Weights (the judge may weigh again; its forecast rests on the evidence, not on these):
//!
//! | weight | what |
//! | --- | --- |
//! | decides | data locked by a password; sectors waiting or unreadable now; a read without the data in the drive's own error log, of the last week of power; any media count that grows; a failed self-test; the drive's own report of a crossed limit; NVMe warning bits 0, 2 and 3; ten and more integrity errors |
//! | weighs | counts of bad media that cannot be made out or, on a disk, are not told; older entries of the error log; remapped or given-up counts that are large, or young, or beside waiting sectors; commands overdue; failed motor starts; spare near its limit; rated writing used up; heat above the limit; a pre-failure limit crossed once; pace below half; health unread |
//! | for the record | everything else: ages, temperatures, cable errors that do not grow, counts that are small, old and stable |
//!
//! Sources of the grouping: Pinheiro et al., FAST 2007, 3.5 (scan errors, first remapping); Ma et al., FAST 2015
//! (many remapped sectors); Schroeder et al., FAST 2016 (SSD). The limits of 40 and 10 and the two years are engineering judgement.
//!
//! Invariant: a count that is not told makes no signal and no good news; an unread drive is never silent.

mod other;

use super::changes;
use super::findings::{CrossedLimit, Findings, Found};
use super::self_tests::Outcome;
use crate::drive::evidence::Evidence;
use crate::drive::signal::{Signal, SignalId, Weight};
use crate::value::measure::count_in_words;
use crate::value::{Known, Moment};

/// The reading before: its moment and its numbers.
#[derive(Debug, Clone, PartialEq)]
pub struct Before {
    /// When it was taken.
    pub at: Moment,
    /// What it said.
    pub evidence: Evidence,
}

/// Above this many remapped sectors the literature no longer calls a disk healthy with a few spots.
const FEW_REMAPPED: u64 = 40;
/// Two years of power: from here on small counts are the marks of age.
const ELDERLY_HOURS: f64 = 17_532.0;

/// All signals, the heaviest first. `earlier` holds the readings that this one is compared with, the newest first;
/// `pace` is the read speed as a share of the drive's own earlier one.
pub fn of(f: &Findings, now: &Evidence, earlier: &[Before], pace: Option<f64>) -> Vec<Signal> {
    let mut make = Maker {
        out: Vec::new(),
        before: earlier.first(),
    };
    if f.locked {
        make.word(
            SignalId::DataLocked,
            Weight::Decides,
            "a drive password locks the data: nothing can be read until it is given",
            "IDENTIFY word 128",
        );
    }
    if let Some(why) = &f.unreadable {
        make.word(
            SignalId::HealthUnread,
            Weight::Weighs,
            &format!("health could not be read: {why}"),
            "transport",
        );
    }
    untold(&mut make, f, now);
    limits(&mut make, f);
    media(&mut make, f, now);
    other::mechanics(&mut make, f, now);
    other::solid_state(&mut make, f);
    other::heat_and_time(&mut make, f, now);
    make.out.extend(changes::worsening(earlier, now));
    if let Some(share) = pace.filter(|share| share.is_finite() && *share >= 0.0) {
        let percent = (share * 100.0).round();
        if percent < 90.0 {
            let weight = if share < 0.5 {
                Weight::Weighs
            } else {
                Weight::ForTheRecord
            };
            make.number(
                SignalId::ReadsSlowing,
                weight,
                &format!("reads at {percent} % of its own earlier pace"),
                percent,
                "percent",
                "sampling",
            );
        }
    }
    // Stable: within one weight the order above stays, so a lock comes first of all.
    make.out
        .sort_by_key(|signal| std::cmp::Reverse(signal.weight));
    make.out
}

/// A later reading than the one that the other signals are of could not be made.
pub fn unread_since(at: Moment, why: &str) -> Signal {
    Signal {
        id: SignalId::HealthUnread,
        weight: Weight::Weighs,
        says: format!(
            "health could not be read at {at}: {why}; what else is said here is of the last reading that could be made"
        ),
        value: None,
        unit: String::new(),
        before: None,
        before_at: None,
        source: "transport".to_owned(),
    }
}

struct Maker<'a> {
    out: Vec<Signal>,
    before: Option<&'a Before>,
}

impl Maker<'_> {
    fn word(&mut self, id: SignalId, weight: Weight, says: &str, source: &str) {
        self.out.push(Signal {
            id,
            weight,
            says: says.to_owned(),
            value: None,
            unit: String::new(),
            before: None,
            before_at: None,
            source: source.to_owned(),
        });
    }

    fn number(
        &mut self,
        id: SignalId,
        weight: Weight,
        says: &str,
        value: f64,
        unit: &str,
        source: &str,
    ) {
        let earlier = self
            .before
            .and_then(|b| changes::earlier_value(id, &b.evidence).map(|v| (v, b.at)));
        self.out.push(Signal {
            id,
            weight,
            says: says.to_owned(),
            value: Some(value),
            unit: unit.to_owned(),
            before: earlier.map(|(v, _)| v),
            before_at: earlier.map(|(_, at)| at),
            source: source.to_owned(),
        });
    }

    /// A number of which no earlier reading is kept under the same name.
    fn number_alone(
        &mut self,
        id: SignalId,
        weight: Weight,
        says: &str,
        value: f64,
        unit: &str,
        source: &str,
    ) {
        self.word(id, weight, says, source);
        if let Some(signal) = self.out.last_mut() {
            signal.value = Some(value);
            signal.unit = unit.to_owned();
        }
    }

    /// A count: no signal while it is zero or not told. Bytes that were delivered for a count of bad
    /// media, but cannot be made out, are told and weigh: they may hide one.
    fn count(
        &mut self,
        id: SignalId,
        weight: Weight,
        found: &Found<u64>,
        unit: &str,
        says: impl Fn(u64) -> String,
    ) {
        if let Some(n) = found.value.get().filter(|n| *n > 0) {
            self.number(id, weight, &says(n), n as f64, unit, &found.source);
        }
        let about = match id {
            SignalId::SectorsAwaiting => "whether sectors wait to be remapped",
            SignalId::SectorsRemapped => "whether sectors were replaced by spares",
            SignalId::ReadsGivenUp => "whether reads ended without the data",
            SignalId::ScanUnreadable => "whether the drive's own scan found unreadable sectors",
            _ => return,
        };
        if let Known::Implausible { raw } = &found.value {
            let says = format!("{about} cannot be made out ({raw})");
            self.word(id, Weight::Weighs, &says, &found.source);
        }
    }
}

/// "1 sector waits" / "12 sectors wait".
fn many(n: u64, one: &str, more: &str) -> String {
    format!("{} {}", count_in_words(n), if n == 1 { one } else { more })
}

fn times(n: u64) -> String {
    many(n, "time", "times")
}

/// Counts that are not told: what widens the forecast must be seen.
fn untold(make: &mut Maker<'_>, f: &Findings, now: &Evidence) {
    if f.unreadable.is_some() {
        return;
    }
    if now.is_blind() {
        make.word(
            SignalId::HealthUnread,
            Weight::Weighs,
            "the health pages hold none of the counts that matter: not known, not clean",
            "absence",
        );
        return;
    }
    if now.is_solid() {
        return;
    }
    for (id, found, says) in [
        (
            SignalId::SectorsAwaiting,
            &f.sectors_awaiting,
            "how many sectors wait to be remapped is not told",
        ),
        (
            SignalId::SectorsRemapped,
            &f.sectors_remapped,
            "how many sectors were replaced by spares is not told",
        ),
    ] {
        match &found.value {
            Known::NotReported => make.word(id, Weight::Weighs, says, "absence"),
            Known::Unread { why } => {
                make.word(id, Weight::Weighs, &format!("{says}: {why}"), &found.source);
            }
            Known::Value(_) | Known::Implausible { .. } => {}
        }
    }
}

fn limits(make: &mut Maker<'_>, f: &Findings) {
    if f.limit_crossed.value.get() == Some(true) {
        make.word(
            SignalId::DrivePredictsFailure,
            Weight::Decides,
            "the drive itself reports that a limit was crossed",
            &f.limit_crossed.source,
        );
    }
    let source = |c: &CrossedLimit| format!("vendor value {}: {}", c.id, c.words);
    for c in &f.crossed_limits {
        let (weight, says) = match (c.pre_failure, c.now) {
            (true, true) => (
                Weight::Decides,
                "a limit that predicts failure is crossed now",
            ),
            (true, false) => (Weight::Weighs, "A limit was crossed once, not now."),
            (false, true) => (
                Weight::ForTheRecord,
                "a limit of age or use is crossed; it predicts no failure",
            ),
            (false, false) => (
                Weight::ForTheRecord,
                "A limit was crossed once, not now. It is one of age or use.",
            ),
        };
        make.word(SignalId::DrivePredictsFailure, weight, says, &source(c));
    }
}

fn media(make: &mut Maker<'_>, f: &Findings, now: &Evidence) {
    let growth = &now.growth;
    let grew = |n: Option<u64>| n.is_some_and(|n| n > 0);
    let nothing_waits = now.sectors_awaiting == Some(0);
    let elderly = now.powered_hours.is_some_and(|h| h >= ELDERLY_HOURS);
    let unchanged = growth.sectors_remapped == Some(0) && growth.hours.is_some_and(|h| h >= 24.0);

    make.count(
        SignalId::SectorsAwaiting,
        Weight::Decides,
        &f.sectors_awaiting,
        "sectors",
        |n| {
            many(
                n,
                "sector waits to be remapped",
                "sectors wait to be remapped",
            )
        },
    );
    if let Some(n) = f.awaiting_contradicted {
        make.number_alone(
            SignalId::SectorsAwaiting,
            Weight::Weighs,
            &format!(
                "{}, says the maker's own value; the drive's standard statistics say none",
                many(
                    n,
                    "sector waits to be remapped",
                    "sectors wait to be remapped"
                )
            ),
            n as f64,
            "sectors",
            "vendor value 197",
        );
    }
    let remapped = now.sectors_remapped.unwrap_or(0);
    let of_age = |n: u64| n <= FEW_REMAPPED && nothing_waits && (elderly || unchanged);
    let weight = if grew(growth.sectors_remapped) {
        Weight::Decides
    } else if of_age(remapped) {
        Weight::ForTheRecord
    } else {
        Weight::Weighs
    };
    let attempts = |n| {
        many(
            n,
            "attempt to replace a sector by a spare",
            "attempts to replace sectors by spares",
        )
    };
    make.count(
        SignalId::SectorsRemapped,
        weight,
        &f.sectors_remapped,
        "sectors",
        |n| {
            if f.sectors_remapped.source == "vendor value 196" {
                attempts(n)
            } else {
                many(
                    n,
                    "sector already replaced by a spare",
                    "sectors already replaced by spares",
                )
            }
        },
    );
    if let Some(n) = f.remap_attempts.value.get() {
        let weight = if of_age(n) {
            Weight::ForTheRecord
        } else {
            Weight::Weighs
        };
        make.number_alone(
            SignalId::SectorsRemapped,
            weight,
            &attempts(n),
            n as f64,
            "times",
            &f.remap_attempts.source,
        );
    }
    let given_up = now.reads_given_up.unwrap_or(0);
    let lately = now.unread_lately();
    let long_ago = now.error_age_days.is_none_or(|days| days >= 90.0);
    let weight = if grew(growth.reads_given_up) || (lately && given_up > 0) {
        Weight::Decides
    } else if given_up <= 10 && nothing_waits && elderly && long_ago {
        Weight::ForTheRecord
    } else {
        Weight::Weighs
    };
    make.count(
        SignalId::ReadsGivenUp,
        weight,
        &f.reads_given_up,
        "reads",
        |n| {
            many(
                n,
                "read ended without the data",
                "reads ended without the data",
            )
        },
    );
    // Beside a count that says the same, the log adds something only by being recent.
    if let Some(says) = now.logged_in_words().filter(|_| given_up == 0 || lately) {
        let weight = if lately {
            Weight::Decides
        } else if elderly && now.error_age_days.is_some_and(|days| days >= 90.0) {
            Weight::ForTheRecord
        } else {
            Weight::Weighs
        };
        let n = now.logged_unread.unwrap_or(0) as f64;
        make.number_alone(
            SignalId::ReadsGivenUp,
            weight,
            &says,
            n,
            "reads",
            &f.logged_unread.source,
        );
    }
    let weight = if nothing_waits && !grew(growth.reads_given_up) {
        // The lifetime count of a scan whose sectors have been dealt with since.
        Weight::Weighs
    } else {
        Weight::Decides
    };
    make.count(
        SignalId::ScanUnreadable,
        weight,
        &f.scan_unreadable,
        "sectors",
        |n| {
            format!(
                "the drive's own scan found {}",
                many(n, "unreadable sector", "unreadable sectors")
            )
        },
    );
    make.count(
        SignalId::ReadsLaboured,
        Weight::ForTheRecord,
        &f.reads_laboured,
        "reads",
        |n| many(n, "read needed extra tries", "reads needed extra tries"),
    );
    let lost = f.data_lost_inside.value.get().unwrap_or(0);
    let weight = if lost >= 10 || grew(growth.data_lost_inside) {
        Weight::Decides
    } else {
        Weight::Weighs
    };
    make.count(
        SignalId::DataLostInside,
        weight,
        &f.data_lost_inside,
        "times",
        |n| format!("{} the drive could not deliver intact data", times(n)),
    );
    if let Some(test) = &f.self_test {
        let weight = if test.failed() {
            Weight::Decides
        } else {
            Weight::ForTheRecord
        };
        match (&test.outcome, test.sector) {
            (Outcome::ReadFailed, Some(sector)) => make.number(
                SignalId::SelfTestFound,
                weight,
                &test.says(),
                sector as f64,
                "sector",
                test.source,
            ),
            _ => make.word(SignalId::SelfTestFound, weight, &test.says(), test.source),
        }
    }
}
