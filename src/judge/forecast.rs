//! The forecast: how likely the drive is lost before the copy ends, how likely files are hit by
//! sectors that do not read, and how long it takes. Always a range, always with its working.
//!
//! No source gives a probability for hours of copying: every figure on that scale is an
//! extrapolation from weeks and months, and no study covers drives on a repair bench. The width
//! of the range says so.
//!
//! Invariant: worse evidence never lowers the high end; low <= mid <= high; no input, however
//! broken, gives anything but finite numbers.

mod files;
mod lost;
mod time;

use super::factors::{factors, left_aside};
use super::memory;
use super::situation::Situation;
use super::working::{Line, range_in_words};
use crate::drive::evidence::Evidence;
use crate::drive::signal::SignalId;
use crate::value::Probability;
use crate::value::words::Machine;
use files::{Sectors, files};
use lost::{lost, worsening_reasons};
use schemars::JsonSchema;
use serde::Serialize;
pub use time::NO_PLAN;
use time::time;

/// Chance of losing the drive before the copy ends.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, JsonSchema)]
pub struct DriveLost {
    /// Every doubt in the drive's favour.
    pub low: Probability,
    /// The middle of the judgement, not an average.
    pub mid: Probability,
    /// Every doubt against it.
    pub high: Probability,
}

/// Chance that at least one file of the plan is hit by a sector that does not read.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, JsonSchema)]
pub struct FilesHit {
    /// All bad sectors in one place.
    pub low: Probability,
    /// Every bad sector on its own.
    pub high: Probability,
    /// Number of files to expect.
    pub expected: f64,
}

/// Hours of reading that remain, all passes.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, JsonSchema)]
pub struct Hours {
    /// At the pace, nothing tried again.
    pub low: f64,
    /// With an allowance for retries and for moving between files.
    pub mid: f64,
    /// With a wide allowance, and time limits at known-bad places.
    pub high: f64,
}

/// The class of the high end. A range, not a verdict.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, JsonSchema)]
pub enum Grade {
    /// Below 0.5 %.
    #[serde(rename = "below-half-percent")]
    BelowHalf,
    /// 0.5 % up to 5 %.
    #[serde(rename = "half-to-5-percent")]
    HalfToFive,
    /// 5 % up to 20 %.
    #[serde(rename = "5-to-20-percent")]
    FiveToTwenty,
    /// 20 % or more.
    #[serde(rename = "above-20-percent")]
    AboveTwenty,
}

impl Grade {
    /// The class of a high end (borders: engineering judgement).
    pub fn of(high: Probability) -> Self {
        match high.get() {
            p if p < 0.005 => Grade::BelowHalf,
            p if p < 0.05 => Grade::HalfToFive,
            p if p < 0.20 => Grade::FiveToTwenty,
            _ => Grade::AboveTwenty,
        }
    }

    /// The class in words.
    pub fn words(self) -> &'static str {
        match self {
            Grade::BelowHalf => "below 0.5 %",
            Grade::HalfToFive => "0.5 to 5 %",
            Grade::FiveToTwenty => "5 to 20 %",
            Grade::AboveTwenty => "above 20 %",
        }
    }
}

/// What copying this drive is likely to bring.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct Forecast {
    /// Chance of losing the drive.
    pub drive_lost: DriveLost,
    /// Chance of files with gaps.
    pub files_hit: FilesHit,
    /// Time.
    pub hours: Hours,
    /// Every step, factor, value and source.
    pub working: Vec<Line>,
    /// The class of the high end.
    pub grade: Grade,
    /// Hazard of losing the drive per second of copying (mid), for the order of copying.
    #[serde(skip)]
    pub hazard_per_second: f64,
    /// The signals that moved the forecast.
    #[serde(skip)]
    pub moved_by: Vec<SignalId>,
    /// Why the drive counts as getting worse while it is read; empty = it does not.
    #[serde(skip)]
    pub worsening: Vec<String>,
}

/// Factor for a drive that was moved, dropped or brought in because of trouble, and is read
/// without a pause (engineering judgement: no study covers such drives).
pub const BENCH_FACTOR: [f64; 3] = [1.0, 2.0, 5.0];

/// Allowance for retries on the reading time, low / mid / high (engineering judgement).
pub const RETRY_ALLOWANCE: [f64; 3] = [1.0, 1.5, 3.0];

const COLUMN: [&str; 3] = ["low", "mid", "high"];
const JUDGEMENT: &str = "engineering judgement";

/// Makes the forecast.
pub fn forecast(e: &Evidence, s: &Situation) -> Forecast {
    let mut working = Vec::new();
    let sectors = Sectors::of(e, s);
    let (hours, days) = time(e, s, &sectors, &mut working);
    let found = factors(e, s);
    let worse = worsening_reasons(e, s);
    let (drive_lost, lambda_mid) = lost(e, s, &found, &worse, days, &mut working);
    let grade = Grade::of(drive_lost.high);
    working.push(Line::new(
        format!(
            "the drive is lost before the copy ends: {}; the high end lies in the class {}",
            range_in_words(drive_lost.low, drive_lost.high),
            grade.words()
        ),
        "",
        "",
        drive_lost.high.get(),
        "classes: engineering judgement",
    ));
    let files_hit = files(e, s, &sectors, &mut working);
    working.extend(memory::lines(s.memory));
    working.push(Line::new(
        match s.machine {
            Machine::Bench => {
                "the copy runs on the shop's own machine; its faults are not in these figures"
            }
            Machine::UnderRepair => {
                "the copy runs on the machine under repair; its crashes are not in these figures, and a blue screen does not convict the drive"
            }
        },
        "",
        "",
        1.0,
        "direction only: Zhang et al., DATE 2023; Nightingale et al., EuroSys 2011",
    ));
    working.push(Line::new(
        format!("left aside: {}", left_aside()),
        "",
        "",
        1.0,
        "as named",
    ));
    working.push(Line::new(
        "a clean reading is no promise: share of failed disks that showed none of the four strong signals",
        "",
        "over half",
        0.56,
        "Pinheiro et al., FAST 2007, 3.5.6 (over 56 %)",
    ));
    let copy_seconds = days[1] * 86_400.0;
    Forecast {
        drive_lost,
        files_hit,
        hours,
        working,
        grade,
        hazard_per_second: if copy_seconds > 0.0 {
            lambda_mid / copy_seconds
        } else {
            0.0
        },
        moved_by: found.iter().filter_map(|f| f.signal).collect(),
        worsening: worse.into_iter().map(|w| w.why).collect(),
    }
}

#[cfg(test)]
mod tests;
