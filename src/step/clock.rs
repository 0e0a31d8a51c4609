//! Whether the clock of this machine can be right.
//!
//! Invariant: nothing is recorded under a day before this program was made; every age and every term counts from such a day.

use crate::port::Bench;
use crate::step::outcome::Problem;
use crate::value::Moment;

/// No clock of a working machine shows a moment before this program was made.
const MADE: Moment = Moment::from_seconds(1_764_028_800); // 2025-11-25

/// What is wrong with a clock that shows `at`, if that can be told by itself.
pub fn clock_before_its_time(at: Moment) -> Option<String> {
    (at < MADE).then(|| format!("it shows {at:.0}, before this program was made"))
}

/// Refuses to record anything under a clock that cannot be right.
///
/// # Errors
/// When it shows a moment before this program was made.
pub fn right_clock(bench: &dyn Bench) -> Result<(), Problem> {
    match clock_before_its_time(bench.clock().now()) {
        None => Ok(()),
        Some(why) => Err(Problem::failed(
            format!("the clock of this machine cannot be right: {why}"),
            "",
            "set the clock, then do the same again",
        )),
    }
}
