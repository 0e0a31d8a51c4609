//! The memory of the copying machine: good, or with cells that flip.
//!
//! Invariant: bytes change only in passing through here, and only when a flip was planned, so
//! the oracle knows the true ones.

use crate::port::{Block, Memory};
use std::collections::BTreeSet;
use std::sync::Mutex;
use std::sync::atomic::{AtomicU64, Ordering};

/// Memory that everything read and written passes through.
#[derive(Debug, Default)]
pub struct LifeMemory {
    passes: AtomicU64,
    flips: Mutex<BTreeSet<u64>>,
    flipped: AtomicU64,
}

impl LifeMemory {
    /// Plans a flipped bit in the buffer of the `pass`-th read or write (counted from 1).
    pub fn plan_flip(&self, pass: u64) {
        if let Ok(mut flips) = self.flips.lock() {
            flips.insert(pass);
        }
    }

    /// Bytes pass through; a planned flip hits one bit in them.
    pub fn pass(&self, bytes: &mut [u8]) {
        if bytes.is_empty() {
            return;
        }
        let pass = self.passes.fetch_add(1, Ordering::Relaxed) + 1;
        let hit = self.flips.lock().is_ok_and(|mut flips| flips.remove(&pass));
        let at = (pass.wrapping_mul(0x9e37_79b9_7f4a_7c15) >> 8) % bytes.len() as u64;
        if hit && let Some(byte) = bytes.get_mut(usize::try_from(at).unwrap_or(0)) {
            *byte ^= 1 << (pass % 8);
            self.flipped.fetch_add(1, Ordering::Relaxed);
        }
    }

    /// How many bits flipped so far.
    pub fn flipped(&self) -> u64 {
        self.flipped.load(Ordering::Relaxed)
    }

    /// How many buffers passed so far.
    pub fn passes(&self) -> u64 {
        self.passes.load(Ordering::Relaxed)
    }
}

impl Memory for LifeMemory {
    fn block(&self, bytes: usize) -> Block {
        Block::new(bytes, &|_| {})
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn only_the_planned_pass_flips_one_bit() {
        let memory = LifeMemory::default();
        memory.plan_flip(2);
        for pass in 1..=3u32 {
            let mut bytes = [0u8; 100];
            memory.pass(&mut bytes);
            let ones: u32 = bytes.iter().map(|byte| byte.count_ones()).sum();
            assert_eq!(ones, u32::from(pass == 2), "pass {pass}");
        }
        assert_eq!((memory.flipped(), memory.passes()), (1, 3));
    }
}
