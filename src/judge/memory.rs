//! What the state of the copying machine's memory means for the proof: a flip between the read
//! and the digest enters the copy and its digest alike, so only a second reading of the source
//! into other pages (or a digest made elsewhere) can show it.
//!
//! Invariant: a passed memory test never counts as proof of good memory.

use super::working::Line;
use crate::value::words::MemoryState;
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
