//! A running sum over the item rows: order-free, so one changed row costs one subtraction
//! and one addition, and a million rows can be checked in one pass.
//!
//! It shows edits and losses; it is no secret: who can rewrite the whole ledger can also
//! rewrite the sum. That is what the signed certificate is for.

use std::fmt;

/// Sum of the BLAKE3 digests of rows, taken as four little-endian 64-bit numbers, each modulo 2^64.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct RowSum([u64; 4]);

impl RowSum {
    /// The sum of no rows.
    pub const NOTHING: Self = Self([0; 4]);

    fn parts(row: &[u8]) -> [u64; 4] {
        let digest = blake3::hash(row);
        let mut out = [0u64; 4];
        for (part, bytes) in out.iter_mut().zip(digest.as_bytes().chunks_exact(8)) {
            *part = u64::from_le_bytes([
                bytes[0], bytes[1], bytes[2], bytes[3], bytes[4], bytes[5], bytes[6], bytes[7],
            ]);
        }
        out
    }

    /// Adds a row's encoding.
    pub fn add(&mut self, row: &[u8]) {
        for (mine, part) in self.0.iter_mut().zip(Self::parts(row)) {
            *mine = mine.wrapping_add(part);
        }
    }

    /// Adds everything that another sum holds.
    pub fn join(&mut self, other: Self) {
        for (mine, part) in self.0.iter_mut().zip(other.0) {
            *mine = mine.wrapping_add(part);
        }
    }

    /// Takes a row's encoding out again.
    pub fn take(&mut self, row: &[u8]) {
        for (mine, part) in self.0.iter_mut().zip(Self::parts(row)) {
            *mine = mine.wrapping_sub(part);
        }
    }

    /// Reads the text form (64 hex digits).
    pub fn parse(text: &str) -> Option<Self> {
        if text.len() != 64 || !text.is_ascii() {
            return None;
        }
        let mut out = [0u64; 4];
        for (place, part) in out.iter_mut().enumerate() {
            *part = u64::from_str_radix(text.get(place * 16..place * 16 + 16)?, 16).ok()?;
        }
        Some(Self(out))
    }
}

impl fmt::Display for RowSum {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        self.0.iter().try_for_each(|part| write!(f, "{part:016x}"))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn order_does_not_matter_and_taking_undoes_adding() {
        let (mut a, mut b) = (RowSum::default(), RowSum::default());
        a.add(b"one");
        a.add(b"two");
        b.add(b"two");
        b.add(b"one");
        assert_eq!(a, b);
        assert_eq!(RowSum::parse(&a.to_string()), Some(a));
        a.take(b"one");
        a.take(b"two");
        assert_eq!(a, RowSum::default());
        b.take(b"three");
        assert_ne!(b, a);
    }
}
