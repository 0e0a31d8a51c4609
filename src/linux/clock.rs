//! The machine's clocks behind [`port::Clock`](crate::port::Clock).
//!
//! Invariant: ticks never go back, whatever happens to the calendar clock.

use crate::port::Clock;
use crate::value::Moment;
use std::time::{Duration, Instant, SystemTime, UNIX_EPOCH};

/// The clocks of this machine.
#[derive(Debug, Clone, Copy)]
pub struct MachineClock {
    start: Instant,
}

impl MachineClock {
    /// Starts counting ticks now.
    pub fn new() -> Self {
        Self {
            start: Instant::now(),
        }
    }
}

impl Default for MachineClock {
    fn default() -> Self {
        Self::new()
    }
}

impl Clock for MachineClock {
    fn now(&self) -> Moment {
        // A clock set before 1970 is a fact for the gate to see, so it is told, not hidden.
        let nanoseconds = match SystemTime::now().duration_since(UNIX_EPOCH) {
            Ok(since) => i128::try_from(since.as_nanos()).unwrap_or(i128::MAX),
            Err(before) => {
                i128::try_from(before.duration().as_nanos()).map_or(i128::MIN, |before| -before)
            }
        };
        Moment(nanoseconds)
    }

    fn ticks(&self) -> u64 {
        u64::try_from(self.start.elapsed().as_nanos()).unwrap_or(u64::MAX)
    }

    fn rest(&self, nanoseconds: u64) {
        std::thread::sleep(Duration::from_nanos(nanoseconds));
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn time_passes_and_is_after_this_program_was_written() {
        let clock = MachineClock::new();
        let before = clock.ticks();
        clock.rest(2_000_000);
        assert!(clock.ticks() - before >= 2_000_000);
        assert!(clock.now() > Moment::from_seconds(1_700_000_000));
    }
}
