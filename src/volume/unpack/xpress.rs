//! XPRESS Huffman ([MS-XCA] 2.2): system compression with chunks of 4, 8 or 16 KiB.
//!
//! Invariant: exactly `expected_len` bytes come out, made only of bits that are really there;
//! a stream that ends early is an error, never a shorter result. There is no checksum in this form.

use super::{PrefixCode, UnpackError, copy_back};

/// Bytes of the table of code lengths: 512 symbols of 4 bits.
const TABLE: usize = 256;
/// A new table follows after this many bytes of output.
const BLOCK: usize = 65_536;
/// Longest code.
const LONGEST: u32 = 15;

/// Unpacks one stream to exactly `expected_len` bytes (at most 64 MiB).
pub fn unpack(src: &[u8], expected_len: usize) -> Result<Vec<u8>, UnpackError> {
    if expected_len > 64 << 20 {
        return Err(UnpackError::TooLong);
    }
    let mut out = Vec::with_capacity(expected_len);
    let mut input = src;
    while out.len() < expected_len {
        let (table, rest) = input
            .split_at_checked(TABLE)
            .ok_or(UnpackError::Truncated)?;
        let mut lengths = [0u8; 2 * TABLE];
        for (pair, byte) in lengths.chunks_exact_mut(2).zip(table) {
            // Two symbols to a byte, the even one in the low half.
            pair.copy_from_slice(&[byte & 15, byte >> 4]);
        }
        let code = PrefixCode::new(&lengths, LONGEST)?;
        let mut bits = Bits::new(rest);
        let end = out.len().saturating_add(BLOCK).min(expected_len);
        while out.len() < end {
            let (symbol, length) = code.find(bits.peek(code.bits()))?;
            bits.drop(length)?;
            if symbol < 256 {
                out.push(symbol as u8);
                continue;
            }
            let symbol = u32::from(symbol) - 256;
            // The extra length bytes stand in the input before the word that comes next.
            let mut length = (symbol & 15) as usize;
            if length == 15 {
                length = usize::from(bits.byte()?);
                if length == 255 {
                    length = usize::from(u16::from_le_bytes([bits.byte()?, bits.byte()?]));
                    if length == 0 {
                        let long = [bits.byte()?, bits.byte()?, bits.byte()?, bits.byte()?];
                        length = u32::from_le_bytes(long) as usize;
                    }
                    length = length.checked_sub(15).ok_or(UnpackError::BadHeader)?;
                }
                length = length.saturating_add(15);
            }
            let wide = symbol >> 4;
            let distance = (1usize << wide) + bits.peek(wide) as usize;
            bits.drop(wide)?;
            copy_back(&mut out, distance, length.saturating_add(3), expected_len)?;
        }
        input = bits.rest();
    }
    Ok(out)
}

/// 16-bit little-endian words, most significant bit first, always two words ahead; single bytes
/// are taken from behind the words already fetched.
struct Bits<'a> {
    input: &'a [u8],
    window: u32,
    /// Bits of `window` beyond 16 that are filled; below 0 = a word is due.
    extra: i32,
    /// Bits fetched from real input, less bits used.
    real: i64,
}

impl<'a> Bits<'a> {
    fn new(input: &'a [u8]) -> Self {
        let mut bits = Self {
            input,
            window: 0,
            extra: 16,
            real: 0,
        };
        bits.window = u32::from(bits.word()) << 16;
        bits.window |= u32::from(bits.word());
        bits
    }

    /// The next word; behind the end zeros, which must not be *used* (see `real`).
    fn word(&mut self) -> u16 {
        match self.input.split_first_chunk::<2>() {
            Some((word, rest)) => {
                self.input = rest;
                self.real += 16;
                u16::from_le_bytes(*word)
            }
            None => 0,
        }
    }

    fn byte(&mut self) -> Result<u8, UnpackError> {
        let (byte, rest) = self.input.split_first().ok_or(UnpackError::Truncated)?;
        self.input = rest;
        Ok(*byte)
    }

    fn peek(&self, count: u32) -> u32 {
        self.window.checked_shr(32 - count).unwrap_or(0)
    }

    fn drop(&mut self, count: u32) -> Result<(), UnpackError> {
        self.real -= i64::from(count);
        if self.real < 0 {
            return Err(UnpackError::Truncated);
        }
        self.window <<= count;
        self.extra -= count as i32;
        if self.extra < 0 {
            let word = u32::from(self.word());
            self.window |= word << self.extra.unsigned_abs();
            self.extra += 16;
        }
        Ok(())
    }

    fn rest(&self) -> &'a [u8] {
        self.input
    }
}

#[cfg(test)]
pub(crate) mod tests {
    use super::*;
    use proptest::prelude::*;

    /// [MS-XCA] 3.2, first example: the alphabet (bytes from memory; the text is its own check).
    fn alphabet() -> Vec<u8> {
        let mut packed = vec![0u8; TABLE];
        packed[0x30..0x3e].copy_from_slice(&[
            0x50, 0x55, 0x55, 0x55, 0x55, 0x55, 0x55, 0x55, 0x55, 0x55, 0x55, 0x45, 0x44, 0x04,
        ]);
        packed[0x80] = 0x04;
        packed.extend_from_slice(&[
            0xd8, 0x52, 0x3e, 0xd7, 0x94, 0x11, 0x5b, 0xe9, 0x19, 0x5f, 0xf9, 0xd6, 0x7c, 0xdf,
            0x8d, 0x04, 0x00, 0x00, 0x00, 0x00,
        ]);
        packed
    }

    #[test]
    fn published_examples() {
        assert_eq!(
            unpack(&alphabet(), 26).unwrap(),
            b"abcdefghijklmnopqrstuvwxyz"
        );
        // Second example: "abc" a hundred times, with a length that needs a 16-bit word.
        let mut packed = vec![0u8; TABLE];
        packed[0x30] = 0x30;
        packed[0x31] = 0x23;
        packed[0x80] = 0x02;
        packed[0x8f] = 0x20;
        packed.extend_from_slice(&[0xa8, 0xdc, 0x00, 0x00, 0xff, 0x26, 0x01]);
        assert_eq!(unpack(&packed, 300).unwrap(), b"abc".repeat(100));
    }

    #[test]
    fn shorter_input_is_never_a_shorter_result() {
        let packed = alphabet();
        for cut in 0..packed.len() - 4 {
            assert!(unpack(&packed[..cut], 26).is_err(), "cut at {cut}");
        }
        assert!(unpack(&packed, 300).is_err());
    }

    /// A plain encoder for tests: fixed code lengths, greedy matches, flushed as [MS-XCA] 2.2.2 says.
    pub(crate) fn pack(plain: &[u8]) -> Vec<u8> {
        let mut table = vec![0u8; TABLE];
        table.fill(0x99); // 512 symbols of 9 bits: a complete code
        let mut out = table;
        let (mut one, mut two) = (out.len(), out.len() + 2);
        out.extend_from_slice(&[0; 4]);
        let (mut word, mut free) = (0u32, 16i32);
        let mut put = |out: &mut Vec<u8>, value: u32, count: u32| {
            if count == 0 {
                return;
            }
            if free >= count as i32 {
                word = (word << count) | value;
                free -= count as i32;
            } else {
                let high = value >> (count as i32 - free);
                let full = ((word << free) | high) as u16;
                out[one..one + 2].copy_from_slice(&full.to_le_bytes());
                one = two;
                two = out.len();
                out.extend_from_slice(&[0, 0]);
                let left = count as i32 - free;
                word = value & ((1 << left) - 1);
                free = 16 - left;
            }
            if two != 0 {
                let shown = (word << free) as u16;
                out[one..one + 2].copy_from_slice(&shown.to_le_bytes());
            }
        };
        let mut at = 0;
        while at < plain.len() {
            let mut best = (0usize, 0usize);
            for distance in 1..=at.min(600) {
                let length = plain[at..]
                    .iter()
                    .zip(&plain[at - distance..])
                    .take_while(|(a, b)| a == b)
                    .count();
                if length > best.0 {
                    best = (length, distance);
                }
            }
            let (length, distance) = best;
            if length >= 3 {
                let wide = distance.ilog2();
                let short = (length - 3).min(15) as u32;
                put(&mut out, 256 + (wide << 4) + short, 9);
                if short == 15 {
                    let more = length - 3 - 15;
                    if more < 255 {
                        out.push(more as u8);
                    } else {
                        out.push(255);
                        if length - 3 < 65_536 {
                            out.extend_from_slice(&((length - 3) as u16).to_le_bytes());
                        } else {
                            out.extend_from_slice(&[0, 0]);
                            out.extend_from_slice(&((length - 3) as u32).to_le_bytes());
                        }
                    }
                }
                put(&mut out, (distance - (1 << wide)) as u32, wide);
                at += length;
            } else {
                put(&mut out, u32::from(plain[at]), 9);
                at += 1;
            }
        }
        out
    }

    proptest! {
        #![proptest_config(ProptestConfig { failure_persistence: None, cases: 64, ..ProptestConfig::default() })]
        #[test]
        fn packed_comes_back(plain in proptest::collection::vec(0u8..4, 1..3000), tail in 0usize..3) {
            let mut packed = pack(&plain);
            packed.resize(packed.len() + tail, 0xA5);
            prop_assert_eq!(unpack(&packed, plain.len()).unwrap(), plain.clone());
            // A second opinion where it is right: it stops when its input is all fetched, so it
            // needs padding behind the stream.
            packed.resize(packed.len() + 8, 0);
            prop_assert_eq!(xpress_huffman::decompress(&packed, plain.len()).unwrap(), plain);
        }

        #[test]
        fn any_bytes(head in proptest::collection::vec(any::<u8>(), 0..8), src in proptest::collection::vec(any::<u8>(), 0..600), len in 0usize..20_000) {
            let mut packed = pack(&head);
            packed.extend_from_slice(&src);
            for input in [&packed, &src] {
                if let Ok(out) = unpack(input, len) {
                    prop_assert_eq!(out.len(), len);
                }
            }
        }
    }
}
