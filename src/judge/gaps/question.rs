//! The questions to a drive and its answers, with the sizes and time limits of the questions.
//!
//! Invariant: plain data; sectors and milliseconds only.

use super::open::Approach;

/// Sizes and time limits of the questions. Defaults are engineering judgement unless said.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Limits {
    /// Longest request, sectors (default 2 MiB of 512 bytes).
    pub stride_sectors: u64,
    /// Longest request near an error, sectors.
    pub near_stride_sectors: u64,
    /// Sectors that are read together inside the drive (8 for 512-byte sectors on 4096-byte ones).
    pub unit_sectors: u64,
    /// Margin round an error that comes last, sectors: 10 MB (Bairavasundaram et al., SIGMETRICS 2007, 5.4.2).
    pub margin_sectors: u64,
    /// Pace of the drive, for the ranking only.
    pub sectors_per_second: f64,
    /// A read that takes longer counts as a stall: its neighbourhood is left for later.
    pub stall_ms: u64,
    /// What a request that fails costs, for the ranking only. There is one time limit for all of them, the drive
    /// reader's own: a request under way cannot be called back, and while the drive owes its answer nothing else
    /// can be asked, so a shorter limit would only throw late answers away.
    pub fail_ms: u64,
    /// How often a refused or unanswered place is asked again after a rest.
    pub revisits: u8,
    /// Rest before a revisit.
    pub revisit_rest_ms: u64,
    /// Most runs held in memory.
    pub most_runs: usize,
}

impl Default for Limits {
    fn default() -> Self {
        Self::for_sectors(512, 4096)
    }
}

impl Limits {
    /// Limits for a drive with these sector sizes, in bytes.
    pub fn for_sectors(logical: u32, physical: u32) -> Self {
        let logical = u64::from(logical.max(1));
        let sectors = |bytes: u64| (bytes / logical).max(1);
        let unit = (u64::from(physical) / logical).max(1);
        Self {
            stride_sectors: sectors(2 << 20).max(unit),
            near_stride_sectors: sectors(256 << 10).max(unit),
            unit_sectors: unit,
            margin_sectors: sectors(10_000_000),
            sectors_per_second: sectors(45_000_000) as f64,
            stall_ms: 1_000,
            fail_ms: 5_000,
            revisits: 1,
            revisit_rest_ms: 60_000,
            most_runs: 1_000_000,
        }
    }
}

/// One request to the drive.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Ask {
    /// First sector.
    pub first: u64,
    /// Number of sectors.
    pub count: u64,
    /// How this place is approached.
    pub approach: Approach,
    /// Whether it lies near an error or stall.
    pub near_error: bool,
}

/// What to do now.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Next {
    /// Ask this, then [`super::Gaps::report`].
    Ask(Ask),
    /// Only places are left that are to be asked again after a rest.
    Rest {
        /// When the first of them is due, by the caller's clock.
        until_ms: u64,
    },
    /// Every wanted sector has its final state.
    Done,
}

/// How the drive answered.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Answer {
    /// All sectors of the request, written to the salvage image.
    Got,
    /// An error; nothing of the request counts.
    Refused,
    /// Time ran out.
    NoAnswer,
    /// Two reads of it differed.
    Differs,
    /// The drive is gone.
    Gone,
}

/// The queue is full: no more separate ranges can be held.
#[derive(Debug, Clone, Copy, PartialEq, Eq, thiserror::Error)]
#[error(
    "cannot add sectors {first} to {end} to the queue of gaps: {most} separate ranges are held already; work through these first, then add the rest"
)]
pub struct Full {
    /// First sector that was not added.
    pub first: u64,
    /// The sector after the last one.
    pub end: u64,
    /// The limit.
    pub most: usize,
}
