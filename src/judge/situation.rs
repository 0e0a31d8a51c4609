//! What stands around the drive when a forecast is made: how much is to be read, how fast, on
//! which machine, and what has happened so far.
//!
//! Invariant: `None` means not known. Figures that cannot be true (NaN, negative, zero pace) are
//! taken as not known, never as good news.

use crate::drive::evidence::EvidenceMedium;
use crate::value::words::{Machine, MemoryState, Symptom};
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

/// Where a reading pace comes from.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum PaceSource {
    /// Sampled on this drive.
    Sampled,
    /// What drives of this kind usually do; nothing was sampled.
    ClassDefault,
}

/// How fast this drive delivers.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Pace {
    /// Bytes per second, sustained.
    pub bytes_per_second: f64,
    /// Where the figure comes from.
    pub source: PaceSource,
}

impl Pace {
    /// What a drive of this kind usually delivers over files of mixed size (engineering judgement,
    /// on the slow side; an unknown kind gets the slowest).
    pub fn class_default(medium: Option<EvidenceMedium>) -> Self {
        let bytes_per_second = match medium {
            Some(EvidenceMedium::Disk) => 45e6,
            Some(EvidenceMedium::Ssd) => 200e6,
            Some(EvidenceMedium::Nvme) => 400e6,
            Some(EvidenceMedium::Card) => 40e6,
            None => 20e6,
        };
        Self {
            bytes_per_second,
            source: PaceSource::ClassDefault,
        }
    }

    /// A sampled pace; a figure that cannot be true gives the default of the class.
    pub fn sampled(bytes_per_second: f64, medium: Option<EvidenceMedium>) -> Self {
        Self {
            bytes_per_second,
            source: PaceSource::Sampled,
        }
        .usable(medium)
    }

    /// This pace, or the default of the class when the figure cannot be true.
    pub fn usable(self, medium: Option<EvidenceMedium>) -> Self {
        if self.bytes_per_second.is_finite() && self.bytes_per_second >= 1.0 {
            self
        } else {
            Self::class_default(medium)
        }
    }
}

/// Everything besides the drive's health that a forecast needs.
#[derive(Debug, Clone, PartialEq)]
pub struct Situation {
    /// Bytes that the plan reads from this drive in one pass; `None` = no plan yet (the whole drive is taken).
    pub plan_bytes: Option<u64>,
    /// Capacity of the drive in bytes, as accessible now.
    pub drive_bytes: Option<u64>,
    /// Bytes of a logical sector.
    pub sector_bytes: u32,
    /// Bytes of a physical sector: what becomes unreadable together.
    pub physical_sector_bytes: u32,
    /// Passes over the source, the second reading included; a drawn sample of 5 % is 1.05.
    pub passes: f64,
    /// How fast it reads.
    pub pace: Pace,
    /// Reads that the drive did not answer with data in this copy so far (one count for each place).
    pub errors_met: u64,
    /// Hours since the latest of those; `None` counts as just now.
    pub error_hours_ago: Option<f64>,
    /// The drive's own counts of waiting, replaced or given-up sectors rose between two readings of this copy.
    pub counts_grew: bool,
    /// Bytes read from the drive so far in this copy, all passes.
    pub bytes_read: u64,
    /// How often the drive vanished in this job.
    pub vanished: u32,
    /// The memory of the copying machine.
    pub memory: MemoryState,
    /// Where the copy runs.
    pub machine: Machine,
    /// What was noticed.
    pub symptom: Symptom,
    /// Files in the plan; 0 = not known yet.
    pub files: u64,
    /// Extents of those files; 0 = not known (then each file counts as one).
    pub extents: u64,
    /// Age in years where it is known from a date of manufacture (powered hours are only a lower bound).
    pub age_years: Option<f64>,
}

impl Default for Situation {
    /// Nothing known: no plan yet, doubtful memory, default pace of an unknown drive.
    fn default() -> Self {
        Self {
            plan_bytes: None,
            drive_bytes: None,
            sector_bytes: 512,
            physical_sector_bytes: 4096,
            passes: 2.0,
            pace: Pace::class_default(None),
            errors_met: 0,
            error_hours_ago: None,
            counts_grew: false,
            bytes_read: 0,
            vanished: 0,
            memory: MemoryState::Suspect,
            machine: Machine::UnderRepair,
            symptom: Symptom::None,
            files: 0,
            extents: 0,
            age_years: None,
        }
    }
}

impl Situation {
    /// Passes as a usable figure: at least one, two when it cannot be true.
    pub fn passes(&self) -> f64 {
        if self.passes.is_finite() {
            self.passes.clamp(1.0, 10.0)
        } else {
            2.0
        }
    }

    /// Bytes that one pass reads: the plan's; without a plan the whole drive; with neither, 1 TB
    /// (an assumption, so that nothing known never looks like nothing to do).
    pub fn pass_bytes(&self) -> u64 {
        self.plan_bytes
            .or(self.drive_bytes)
            .unwrap_or(1_000_000_000_000)
    }

    /// Bytes still to be read, all passes.
    pub fn bytes_left(&self) -> f64 {
        (self.pass_bytes() as f64 * self.passes() - self.bytes_read as f64).max(0.0)
    }
}

/// A figure that is finite and not negative, else `None`.
pub(crate) fn plausible(x: Option<f64>) -> Option<f64> {
    x.filter(|x| x.is_finite() && *x >= 0.0)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_pace_that_cannot_be_true_is_not_used() {
        for bad in [f64::NAN, f64::INFINITY, 0.0, -5.0] {
            let pace = Pace::sampled(bad, Some(EvidenceMedium::Disk));
            assert_eq!(pace, Pace::class_default(Some(EvidenceMedium::Disk)));
        }
        let slowest = Pace::class_default(None).bytes_per_second;
        for medium in [
            EvidenceMedium::Disk,
            EvidenceMedium::Ssd,
            EvidenceMedium::Nvme,
            EvidenceMedium::Card,
        ] {
            assert!(Pace::class_default(Some(medium)).bytes_per_second >= slowest);
        }
    }
}
