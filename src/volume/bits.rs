//! One bit for each cluster of a volume.
//!
//! Invariant: a bit outside is never set, and asking for one is no fault.

/// One bit per cluster.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct Bits {
    words: Vec<u64>,
    bits: u64,
}

impl Bits {
    /// All clear.
    pub fn new(bits: u64) -> Self {
        Self {
            words: vec![0; usize::try_from(bits.div_ceil(64)).unwrap_or(0)],
            bits,
        }
    }

    /// From bytes, lowest bit first; missing bytes count as clear.
    pub fn from_bytes(bytes: &[u8], bits: u64) -> Self {
        let mut out = Self::new(bits);
        for (word, raw) in out.words.iter_mut().zip(bytes.chunks(8)) {
            let mut eight = [0; 8];
            for (to, from) in eight.iter_mut().zip(raw) {
                *to = *from;
            }
            *word = u64::from_le_bytes(eight);
        }
        let over = bits % 64;
        if over != 0
            && let Some(last) = out.words.last_mut()
        {
            *last &= (1 << over) - 1;
        }
        out
    }

    /// Whether the bit is set; outside = clear.
    pub fn has(&self, bit: u64) -> bool {
        bit < self.bits
            && usize::try_from(bit / 64)
                .ok()
                .and_then(|word| self.words.get(word))
                .is_some_and(|word| word & (1 << (bit % 64)) != 0)
    }

    /// Sets the bit and says whether it was set before; outside = ignored.
    pub fn set(&mut self, bit: u64) -> bool {
        if bit >= self.bits {
            return false;
        }
        let Some(word) = usize::try_from(bit / 64)
            .ok()
            .and_then(|word| self.words.get_mut(word))
        else {
            return false;
        };
        let before = *word & (1 << (bit % 64)) != 0;
        *word |= 1 << (bit % 64);
        before
    }

    /// How many are set.
    pub fn count(&self) -> u64 {
        self.words
            .iter()
            .map(|word| u64::from(word.count_ones()))
            .sum()
    }

    /// How many are set here and not in `other`.
    pub fn count_without(&self, other: &Bits) -> u64 {
        self.words
            .iter()
            .enumerate()
            .map(|(place, word)| {
                let theirs = other.words.get(place).copied().unwrap_or(0);
                u64::from((word & !theirs).count_ones())
            })
            .sum()
    }

    /// Sets every bit that is set in `other`.
    pub fn join(&mut self, other: &Bits) {
        for (word, theirs) in self.words.iter_mut().zip(&other.words) {
            *word |= theirs;
        }
    }

    /// The bits that are set here and in `other`.
    pub fn common(&self, other: &Bits) -> Bits {
        let words = self.words.iter().zip(&other.words);
        Bits {
            words: words.map(|(word, theirs)| word & theirs).collect(),
            bits: self.bits.min(other.bits),
        }
    }
}
