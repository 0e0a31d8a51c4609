//! Where everything that is left to chance in a life comes from.
//!
//! Invariant: the same seed gives the same numbers, on every machine and in every version
//! that keeps this file as it is.

/// A small generator: the counter of SplitMix64 (Steele, Lea and Flood, OOPSLA 2014, figure 17; constants from memory).
#[derive(Debug, Clone)]
pub struct Seed(u64);

impl Seed {
    /// From a number.
    pub fn new(seed: u64) -> Self {
        Self(seed)
    }

    /// A generator of its own for one purpose, so that drawing more here changes nothing there.
    pub fn branch(&self, purpose: &str) -> Self {
        let mut hasher = blake3::Hasher::new();
        hasher.update(&self.0.to_le_bytes());
        hasher.update(purpose.as_bytes());
        let mut head = [0u8; 8];
        hasher.finalize_xof().fill(&mut head);
        Self(u64::from_le_bytes(head))
    }

    /// The next number.
    pub fn number(&mut self) -> u64 {
        self.0 = self.0.wrapping_add(0x9e37_79b9_7f4a_7c15);
        let mut z = self.0;
        z = (z ^ (z >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
        z ^ (z >> 31)
    }

    /// A number below `end`; 0 when `end` is 0.
    pub fn below(&mut self, end: u64) -> u64 {
        // The bias of the remainder does not matter for ends this small.
        self.number().checked_rem(end).unwrap_or(0)
    }

    /// A number from `first` up to and with `last`.
    pub fn between(&mut self, first: u64, last: u64) -> u64 {
        first + self.below(last.saturating_sub(first) + 1)
    }

    /// `true` in `percent` of a hundred.
    pub fn chance(&mut self, percent: u64) -> bool {
        self.below(100) < percent
    }

    /// One of `all`, which must not be empty.
    pub fn pick<'a, T>(&mut self, all: &'a [T]) -> Option<&'a T> {
        let at = usize::try_from(self.below(all.len() as u64)).unwrap_or(0);
        all.get(at)
    }

    /// `bytes` bytes of content.
    pub fn content(&mut self, bytes: usize) -> Vec<u8> {
        let mut hasher = blake3::Hasher::new();
        hasher.update(&self.number().to_le_bytes());
        let mut out = vec![0u8; bytes];
        hasher.finalize_xof().fill(&mut out);
        out
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_same_seed_gives_the_same_numbers() {
        let (mut a, mut b) = (Seed::new(7), Seed::new(7));
        assert_eq!((a.number(), a.content(100)), (b.number(), b.content(100)));
        assert_ne!(Seed::new(7).number(), Seed::new(8).number());
        assert_ne!(a.branch("x").number(), a.branch("y").number());
        // The first output for seed 0, as published with the algorithm's reference code (from memory).
        assert_eq!(Seed::new(0).number(), 0xe220_a839_7b1d_cdaf);
        assert_eq!(Seed::new(0).below(0), 0);
    }
}
