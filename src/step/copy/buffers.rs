//! The pipeline's buffers: a bounded pool of 2 MiB blocks on huge-page borders.
//!
//! Invariant: however many files and workers, no more blocks exist than were asked for at once.

use crate::port::{Block, Memory};
use std::sync::Mutex;
use std::sync::atomic::{AtomicBool, Ordering};

/// Bytes of one part: one huge page, one request.
pub const PART: usize = 2 << 20;

/// The pool.
pub struct Buffers<'a> {
    memory: &'a dyn Memory,
    free: Mutex<Vec<Block>>,
    split: AtomicBool,
    threads: bool,
}

impl<'a> Buffers<'a> {
    /// An empty pool; `threads` says whether files may be split over threads.
    pub fn new(memory: &'a dyn Memory, threads: bool) -> Self {
        Self {
            memory,
            free: Mutex::new(Vec::new()),
            split: AtomicBool::new(false),
            threads,
        }
    }

    /// A block: a used one where there is one.
    pub fn take(&self) -> Block {
        let kept = self.free.lock().ok().and_then(|mut free| free.pop());
        kept.unwrap_or_else(|| self.memory.block(PART))
    }

    /// Gives a block back.
    pub fn give(&self, block: Block) {
        if let Ok(mut free) = self.free.lock() {
            free.push(block);
        }
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
