//! The pipeline's buffers: a bounded pool of 2 MiB blocks on huge-page borders.
//!
//! Invariant: however many files and workers, no more blocks exist than were asked for at once.

use crate::port::{Bench, Block, Fault, FaultKind};
use std::sync::Mutex;
use std::sync::atomic::{AtomicBool, Ordering};

/// Bytes of one part: one huge page, one request.
pub const PART: usize = 2 << 20;

/// Bytes of a file after which somebody who asked for a stop gets it within; what is shorter is copied to its end.
const ASKED_EVERY: u64 = 64 << 20;
const STOPPED: &str = "stopped as asked";

/// Whether a reading ended because a stop was asked for.
pub fn was_stopped(fault: &Fault) -> bool {
    fault.errno == STOPPED
}

/// The pool.
pub struct Buffers<'a> {
    bench: &'a dyn Bench,
    free: Mutex<Vec<Block>>,
    split: AtomicBool,
    threads: bool,
}

impl<'a> Buffers<'a> {
    /// An empty pool; `threads` says whether files may be split over threads.
    pub fn new(bench: &'a dyn Bench, threads: bool) -> Self {
        Self {
            bench,
            free: Mutex::new(Vec::new()),
            split: AtomicBool::new(false),
            threads,
        }
    }

    /// A block: a used one where there is one.
    pub fn take(&self) -> Block {
        let kept = self.free.lock().ok().and_then(|mut free| free.pop());
        kept.unwrap_or_else(|| self.bench.memory().block(PART))
    }

    /// Gives a block back.
    pub fn give(&self, block: Block) {
        if let Ok(mut free) = self.free.lock() {
            free.push(block);
        }
    }

    /// Asked before each part of a file, which begins at `at`: whoever stops a run does not wait for the end of a file of hours.
    ///
    /// # Errors
    /// When a stop was asked for; [`was_stopped`] knows the fault.
    pub fn go_on(&self, at: u64) -> Result<(), Fault> {
        let is_due = at >= ASKED_EVERY && at % ASKED_EVERY < PART as u64;
        if is_due && self.bench.stop_asked() {
            let doing = "reading on in an item";
            return Err(Fault::new(FaultKind::Other, doing, STOPPED));
        }
        Ok(())
    }

    /// Whether a large file may be split over threads now: one at a time keeps memory bounded.
    pub fn may_split(&self) -> bool {
        self.threads
            && self
                .split
                .compare_exchange(false, true, Ordering::AcqRel, Ordering::Acquire)
                .is_ok()
    }

    /// Ends a split that [`Buffers::may_split`] allowed.
    pub fn split_over(&self) {
        self.split.store(false, Ordering::Release);
    }
}
