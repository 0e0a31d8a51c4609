//! How long reading takes: the pace, an allowance for retries, moving between files, and time
//! limits at known-bad places.
//!
//! Invariant: a pace that was not sampled widens the range, and the hazard's high column then
//! acts for the high hours.

use super::files::Sectors;
use super::{COLUMN, Hours, JUDGEMENT, RETRY_ALLOWANCE};
use crate::drive::evidence::{Evidence, EvidenceMedium};
use crate::judge::situation::{PaceSource, Situation};
use crate::judge::working::{Line, digits};

/// The step of the working that says that nothing is planned yet.
pub const NO_PLAN: &str = "no plan yet: the whole drive is taken as what is to be read";

/// Seconds that moving to another extent costs.
fn seek_seconds(medium: Option<EvidenceMedium>) -> f64 {
    match medium {
        Some(EvidenceMedium::Disk) | None => 0.015,
        Some(_) => 0.0002,
    }
}

/// Hours left, and the days that the hazard acts, low / mid / high.
pub(super) fn time(
    e: &Evidence,
    s: &Situation,
    sectors: &Sectors,
    working: &mut Vec<Line>,
) -> (Hours, [f64; 3]) {
    let pace = s.pace.usable(e.medium);
    let sampled = pace.source == PaceSource::Sampled;
    if s.plan_bytes.is_none() {
        working.push(Line::new(
            NO_PLAN,
            "",
            "",
            s.pass_bytes() as f64,
            match s.drive_bytes {
                Some(_) => "capacity as reported",
                None => "capacity not known either: 1 TB is assumed",
            },
        ));
    }
    let left = s.bytes_left();
    let whole = (s.pass_bytes() as f64 * s.passes()).max(1.0);
    let reading = left / pace.bytes_per_second / 3600.0;
    working.push(Line::new(
        "hours at the pace, nothing tried again",
        "bytes left / pace / 3600",
        format!(
            "bytes left = {} ({} passes of {}, {} read), pace = {} bytes/s",
            digits(left),
            digits(s.passes()),
            s.pass_bytes(),
            s.bytes_read,
            digits(pace.bytes_per_second)
        ),
        reading,
        if sampled {
            "pace sampled on this drive"
        } else {
            "pace: what drives of this kind usually do, not sampled (engineering judgement)"
        },
    ));
    let moves = s.extents.max(s.files) as f64 * s.passes() * (left / whole);
    let moving = moves * seek_seconds(e.medium) / 3600.0;
    let bad = sectors.groups().min(100_000) as f64 * sectors.share * 30.0 / 3600.0;
    // A pace that was not sampled may be off by a factor of two either way (engineering judgement).
    let doubt = if sampled { 1.0 } else { 2.0 };
    let hours = Hours {
        low: reading * RETRY_ALLOWANCE[0] / doubt,
        mid: reading * RETRY_ALLOWANCE[1] + moving,
        high: reading * RETRY_ALLOWANCE[2] * doubt + 2.0 * moving + bad,
    };
    let rows = [
        (hours.low, "hours at the pace * allowance / doubt", 0.0, 0.0),
        (
            hours.mid,
            "hours at the pace * allowance + moving",
            moving,
            0.0,
        ),
        (
            hours.high,
            "hours at the pace * allowance * doubt + moving + bad places",
            2.0 * moving,
            bad,
        ),
    ];
    for ((column, allowance), (value, formula, moving, bad)) in
        COLUMN.iter().zip(RETRY_ALLOWANCE).zip(rows)
    {
        working.push(Line::new(
            format!("hours left, {column}"),
            formula,
            format!(
                "hours at the pace = {}, allowance = {}, doubt = {}, moving = {}, bad places = {}",
                digits(reading),
                digits(allowance),
                digits(doubt),
                digits(moving),
                digits(bad)
            ),
            value,
            JUDGEMENT,
        ));
    }
    let mid = hours.mid / 24.0;
    (
        hours,
        [mid, mid, if sampled { mid } else { hours.high / 24.0 }],
    )
}
