//! What the state of the copying machine's memory means for the proof: a flip between the read
//! and the digest enters the copy and its digest alike, so only a second reading of the source
//! into other pages (or a digest made elsewhere) can show it.
//!
//! Invariant: a passed memory test never counts as proof of good memory.

use super::gate::{GateRules, MemoryNow, Now};
use super::point::Point;
use super::working::Line;
use crate::value::words::{MemoryState, Who};
use schemars::JsonSchema;
use serde::Serialize;

/// How the source is read a second time.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum SecondReading {
    /// A drawn sample of the source.
    Sample,
    /// The whole source, into other pages.
    Full,
    /// The whole source, and no copy counts until the memory was changed.
    CountsForNothing,
}

/// Which second reading a state of the memory asks for.
pub fn second_reading(memory: MemoryState) -> SecondReading {
    match memory {
        MemoryState::KnownGood => SecondReading::Sample,
        MemoryState::Swapped | MemoryState::Suspect => SecondReading::Full,
        MemoryState::Failed => SecondReading::CountsForNothing,
    }
}

/// The open points about memory.
pub(super) fn points(rules: &GateRules, now: &Now) -> Vec<Point> {
    let told = |alone: &str| match &now.memory_told {
        Some(answers) => {
            format!("{answers}; the worst that was told counts for every copy made until then")
        }
        None => alone.to_owned(),
    };
    let doubt = |says: &str, remedy: &str| {
        vec![Point::plain(
            "memory-doubt",
            rules.who("memory-doubt"),
            says,
            "a fault of memory between reading and hashing enters copy and hash alike",
            told("the state of memory as told at open"),
            remedy,
        )]
    };
    match now.memory {
        MemoryNow::Good { sampled: true } => Vec::new(),
        MemoryNow::Good { sampled: false } => doubt(
            "the drawn sample of the source was not read a second time after the last copy",
            "holdpoint verify JOB",
        ),
        // As a question of the intake it is open already.
        MemoryNow::NotTold if now.questions_open.contains(&"--memory") => Vec::new(),
        MemoryNow::NotTold => doubt(
            "nobody told the state of the copying machine's memory",
            "tell what is known of it (known-good, swapped, suspect, failed), as in:\nholdpoint open --job JOB --memory suspect",
        ),
        MemoryNow::Failed { attested: true, .. } => Vec::new(),
        MemoryNow::Failed { changed: true, .. } => vec![Point::plain(
            "memory-failed",
            Who::Nobody,
            "copies are left that were made before the failed memory was changed",
            "no copy made on it counts",
            told("memory told as failed"),
            "every copy is written anew:\nholdpoint copy JOB\nholdpoint verify JOB",
        )],
        MemoryNow::Failed { .. } => vec![Point::plain(
            "memory-failed",
            Who::Nobody,
            "the copies were made on a machine whose memory failed a test",
            "no copy made on it counts",
            told("memory told as failed"),
            "change the modules, say so, and every copy is written anew by the next copy:\nholdpoint open --job JOB --memory swapped\nor move the drive to a sound machine, copy there, and on another machine:\nholdpoint verify BAG --attest",
        )],
        MemoryNow::Doubtful {
            read_again: false,
            weak: true,
            ..
        } => doubt(
            "the source was not read a second time in full: the drive is too weak for that",
            "move the drive to a machine with sound memory, open a new job there and copy again\nor the owner decides:\nholdpoint waive JOB --point memory-doubt --decided-by owner --how signed --name NAME --reason TEXT",
        ),
        MemoryNow::Doubtful {
            read_again: false, ..
        } => doubt(
            "the source was not read a second time in full after the last copy",
            "holdpoint verify JOB",
        ),
        MemoryNow::Doubtful {
            read_again: true,
            attested: false,
            swapped: false,
            ..
        } => doubt(
            "the copies were made on doubtful memory and no other machine has verified them",
            "on another machine:\nholdpoint verify BAG --attest\nor the owner decides:\nholdpoint waive JOB --point memory-doubt --decided-by owner --how signed --name NAME --reason TEXT",
        ),
        MemoryNow::Doubtful { .. } => Vec::new(),
    }
}

/// Chance that a test of `hours` misses a fault that shows once in `mean_hours`.
pub fn test_misses(hours: f64, mean_hours: f64) -> f64 {
    if mean_hours > 0.0 {
        (-hours.max(0.0) / mean_hours).exp()
    } else {
        0.0
    }
}

/// The lines of the working about memory.
pub fn lines(memory: MemoryState) -> Vec<Line> {
    let says = match second_reading(memory) {
        SecondReading::Sample => "memory known good: a drawn sample of the source is read twice",
        SecondReading::Full if memory == MemoryState::Swapped => {
            "memory swapped, which proves nothing yet: the whole source is read twice, into other pages"
        }
        SecondReading::Full => "memory in doubt: the whole source is read twice, into other pages",
        SecondReading::CountsForNothing => {
            "memory failed: no copy made on this machine counts until the sticks are changed"
        }
    };
    vec![
        Line::new(
            says,
            "",
            "share of memory sticks with an error in a year, server fleet",
            0.08,
            "Schroeder, Pinheiro, Weber, SIGMETRICS 2009, abstract (more than 8 %)",
        ),
        Line::new(
            "chance that a memory test of 8 h misses a fault that shows once a day",
            "exp(-hours / 24)",
            "hours = 8",
            test_misses(8.0, 24.0),
            "derived; a passed test bounds only what it exercised",
        ),
    ]
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_passed_test_proves_little() {
        // Derived: a fault once in 24 h, tests of 1, 4, 8, 24 h.
        for (hours, want) in [(1.0, 0.9592), (4.0, 0.8465), (8.0, 0.7165), (24.0, 0.3679)] {
            assert!((test_misses(hours, 24.0) - want).abs() < 6e-5);
        }
    }

    #[test]
    fn only_known_good_memory_gets_by_with_a_sample() {
        assert_eq!(
            second_reading(MemoryState::KnownGood),
            SecondReading::Sample
        );
        assert_eq!(second_reading(MemoryState::Swapped), SecondReading::Full);
        assert_eq!(second_reading(MemoryState::Suspect), SecondReading::Full);
        assert_eq!(
            second_reading(MemoryState::Failed),
            SecondReading::CountsForNothing
        );
    }
}
