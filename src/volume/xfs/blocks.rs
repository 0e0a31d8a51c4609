//! Which blocks of a volume belong to what was listed.
//!
//! Invariant: two bits of memory a block, and none where that is more than may be taken: then nothing is compared, which is told.

/// Blocks as bits.
#[derive(Debug)]
struct Bits(Vec<u64>);

impl Bits {
    fn of(blocks: u64) -> Self {
        Self(vec![0; blocks.div_ceil(64) as usize])
    }

    /// The words that a range of blocks lies in, with its bits in each.
    fn words(from: u64, to: u64) -> impl Iterator<Item = (usize, u64)> {
        (from / 64..to.div_ceil(64)).map(move |word| {
            let low = from.saturating_sub(word * 64).min(63);
            let high = (to - word * 64).min(64);
            (word as usize, (u64::MAX >> (64 - high)) & (u64::MAX << low))
        })
    }

    fn any(&self, from: u64, to: u64) -> u64 {
        Self::words(from, to)
            .map(|(word, bits)| {
                let own = self.0.get(word).copied().unwrap_or(0);
                u64::from((own & bits).count_ones())
            })
            .sum()
    }

    fn set(&mut self, from: u64, to: u64) {
        for (word, bits) in Self::words(from, to) {
            if let Some(own) = self.0.get_mut(word) {
                *own |= bits;
            }
        }
    }
}

/// Whose the blocks are.
#[derive(Debug)]
pub struct Blocks {
    /// Those that one file says it has alone.
    alone: Bits,
    /// Those that files share on purpose.
    shared: Bits,
    /// Blocks that belong to two who do not know of each other: first, and the one behind the last.
    pub twice: Vec<(u64, u64)>,
}

/// Ranges kept at most; more are one that covers them.
const RANGES: usize = 10_000;

impl Blocks {
    /// None taken yet; `None` = too many blocks for `room` bytes.
    pub fn new(blocks: u64, room: u64) -> Option<Self> {
        (blocks / 4 <= room).then(|| Self {
            alone: Bits::of(blocks),
            shared: Bits::of(blocks),
            twice: Vec::new(),
        })
    }

    /// Takes blocks `from..to`; how many of them somebody had already who shares none.
    pub fn take(&mut self, from: u64, to: u64, shared: bool) -> u64 {
        if from >= to {
            return 0;
        }
        let mut twice = self.alone.any(from, to);
        if shared {
            self.shared.set(from, to);
        } else {
            twice += self.shared.any(from, to);
            self.alone.set(from, to);
        }
        if twice > 0 {
            let full = self.twice.len() >= RANGES;
            match self.twice.last_mut().filter(|_| full) {
                Some(last) => *last = (last.0.min(from), last.1.max(to)),
                None => self.twice.push((from, to)),
            }
        }
        twice
    }

    /// Whether blocks `from..to` touch any that belong to two.
    pub fn in_doubt(&self, from: u64, to: u64) -> bool {
        self.twice.iter().any(|(a, b)| from < *b && *a < to)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn only_sharing_that_both_know_of_is_none_of_two_owners() {
        let mut blocks = Blocks::new(1000, 1000).unwrap();
        assert_eq!(blocks.take(10, 200, false), 0);
        assert_eq!(blocks.take(200, 210, true), 0);
        assert_eq!(blocks.take(205, 300, true), 0);
        assert!(blocks.twice.is_empty());
        assert_eq!(blocks.take(190, 201, false), 11);
        assert_eq!(blocks.take(63, 65, true), 2);
        assert_eq!(blocks.take(999, 1000, false), 0);
        assert_eq!(blocks.take(5, 5, false), 0);
        assert_eq!(blocks.twice, [(190, 201), (63, 65)]);
        assert!(blocks.in_doubt(0, 64) && blocks.in_doubt(200, 300));
        assert!(!blocks.in_doubt(65, 190) && !blocks.in_doubt(201, 999));
        assert!(Blocks::new(1 << 40, 1 << 30).is_none());
    }

    proptest::proptest! {
        #[test]
        fn bits_are_those_of_the_range(from in 0u64..300, more in 1u64..300) {
            let mut bits = Bits::of(700);
            bits.set(from, from + more);
            for block in 0..700 {
                assert_eq!(bits.any(block, block + 1) == 1, (from..from + more).contains(&block), "{block}");
            }
            assert_eq!(bits.any(0, 700), more);
        }
    }
}
