//! What is bound to happen, and when: operations and sync points are counted, and the power
//! goes at the planned one.
//!
//! Invariant: once the power is gone nothing succeeds any more, in no port and no ledger, until
//! the machine is started again. So a crash needs no panic: whatever the engine still tries comes to nothing.

use crate::port::{Fault, FaultKind};
use std::sync::atomic::{AtomicBool, AtomicU64, Ordering};

const NEVER: u64 = u64::MAX;

/// Counts what happens in a life and cuts the power when it is due.
#[derive(Debug)]
pub struct Fate {
    operations: AtomicU64,
    syncs: AtomicU64,
    crash_at_operation: AtomicU64,
    crash_at_sync: AtomicU64,
    dead: AtomicBool,
    stop_at: AtomicU64,
}

impl Default for Fate {
    fn default() -> Self {
        Self {
            operations: AtomicU64::new(0),
            syncs: AtomicU64::new(0),
            crash_at_operation: AtomicU64::new(NEVER),
            crash_at_sync: AtomicU64::new(NEVER),
            dead: AtomicBool::new(false),
            stop_at: AtomicU64::new(NEVER),
        }
    }
}

fn no_power() -> Fault {
    Fault::new(FaultKind::Other, "working on", "the power is gone")
}

impl Fate {
    /// One operation begins; its number. Fails when the power is gone or goes now.
    pub fn operation(&self) -> Result<u64, Fault> {
        let number = self.operations.fetch_add(1, Ordering::Relaxed) + 1;
        if number >= self.crash_at_operation.load(Ordering::Relaxed) {
            self.dead.store(true, Ordering::Relaxed);
        }
        if self.is_dead() {
            Err(no_power())
        } else {
            Ok(number)
        }
    }

    /// Something is about to become durable. Fails when the power goes just before.
    pub fn sync(&self) -> Result<(), Fault> {
        let number = self.syncs.fetch_add(1, Ordering::Relaxed) + 1;
        if number >= self.crash_at_sync.load(Ordering::Relaxed) {
            self.dead.store(true, Ordering::Relaxed);
        }
        if self.is_dead() {
            Err(no_power())
        } else {
            Ok(())
        }
    }

    /// Whether the power is gone.
    pub fn is_dead(&self) -> bool {
        self.dead.load(Ordering::Relaxed)
    }

    /// Whether a person asked to stop (once).
    pub fn stop_asked(&self) -> bool {
        let due = self.operations() >= self.stop_at.load(Ordering::Relaxed);
        if due {
            self.stop_at.store(NEVER, Ordering::Relaxed);
        }
        due
    }

    /// Operations so far.
    pub fn operations(&self) -> u64 {
        self.operations.load(Ordering::Relaxed)
    }

    /// Sync points so far.
    pub fn syncs(&self) -> u64 {
        self.syncs.load(Ordering::Relaxed)
    }

    /// The power goes at this operation, counted from the start of the life.
    pub fn crash_at_operation(&self, number: u64) {
        self.crash_at_operation.store(number, Ordering::Relaxed);
    }

    /// The power goes just before this sync point, counted from the start of the life.
    pub fn crash_at_sync(&self, number: u64) {
        self.crash_at_sync.store(number, Ordering::Relaxed);
    }

    /// Somebody asks to stop at this operation.
    pub fn stop_at(&self, number: u64) {
        self.stop_at.store(number, Ordering::Relaxed);
    }

    /// The power is back; no further crash is planned.
    pub fn start_again(&self) {
        self.crash_at_operation.store(NEVER, Ordering::Relaxed);
        self.crash_at_sync.store(NEVER, Ordering::Relaxed);
        self.dead.store(false, Ordering::Relaxed);
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn nothing_succeeds_between_the_crash_and_the_start() {
        let fate = Fate::default();
        fate.crash_at_sync(2);
        assert!(fate.sync().is_ok() && fate.operation().is_ok());
        assert!(fate.sync().is_err() && fate.operation().is_err() && fate.sync().is_err());
        fate.start_again();
        assert!(fate.sync().is_ok());
        fate.stop_at(1);
        assert!(fate.stop_asked() && !fate.stop_asked());
    }
}
