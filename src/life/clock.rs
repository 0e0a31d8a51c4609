//! A clock whose time passes only when somebody waits or works.
//!
//! Invariant: ticks never go back; the calendar may be set to any moment, a wrong one included.

use crate::port::Clock;
use crate::value::Moment;
use std::sync::atomic::{AtomicI64, AtomicU64, Ordering};

/// Virtual time. Waiting costs none of ours.
#[derive(Debug)]
pub struct LifeClock {
    ticks: AtomicU64,
    /// Calendar seconds since 1970 at tick 0.
    start: AtomicI64,
}

impl LifeClock {
    /// Starts at `start`, with no time passed.
    pub fn new(start: Moment) -> Self {
        Self {
            ticks: AtomicU64::new(0),
            start: AtomicI64::new(start.seconds()),
        }
    }

    /// Lets time pass.
    pub fn pass(&self, nanoseconds: u64) {
        self.ticks.fetch_add(nanoseconds, Ordering::Relaxed);
    }

    /// Sets the calendar to `moment`, as an empty battery or a person would. Ticks go on.
    pub fn set(&self, moment: Moment) {
        let passed = self.ticks.load(Ordering::Relaxed) / 1_000_000_000;
        let passed = i64::try_from(passed).unwrap_or(i64::MAX);
        self.start
            .store(moment.seconds().saturating_sub(passed), Ordering::Relaxed);
    }
}

impl Clock for LifeClock {
    fn now(&self) -> Moment {
        let start = Moment::from_seconds(self.start.load(Ordering::Relaxed));
        Moment(start.0 + i128::from(self.ticks.load(Ordering::Relaxed)))
    }

    fn ticks(&self) -> u64 {
        self.ticks.load(Ordering::Relaxed)
    }

    fn rest(&self, nanoseconds: u64) {
        self.pass(nanoseconds);
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn waiting_passes_time_and_the_calendar_can_be_wrong() {
        let clock = LifeClock::new(Moment::from_seconds(1_800_000_000));
        clock.rest(3_000_000_000);
        assert_eq!(clock.now(), Moment::from_seconds(1_800_000_003));
        clock.set(Moment::from_seconds(1_420_070_400));
        assert_eq!(clock.now().seconds(), 1_420_070_400);
        assert_eq!(clock.ticks(), 3_000_000_000);
    }
}
