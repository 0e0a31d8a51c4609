//! LZX as system compression uses it: chunks of up to 32 KiB, each packed by itself.
//! The format is that of [MS-PATCH] 2 (LZX) with a window of 32 KiB, and with what the image
//! format that shares it changes: one bit in place of a block size of 32,768 (else 16 bits follow),
//! and calls always translated, with a size of 12,000,000.
//!
//! Invariant: exactly `expected_len` bytes, made only of bits that are there. No checksum in this form.

use super::{PrefixCode, UnpackError, copy_back};

/// Largest chunk.
pub const CHUNK: usize = 32_768;
/// Position slots of a 32 KiB window.
const SLOTS: usize = 30;
/// Symbols of the main code.
const MAIN: usize = 256 + 8 * SLOTS;
/// Symbols of the length code.
const LENGTHS: usize = 249;
/// Size that call targets are translated with.
const CALL_SIZE: i32 = 12_000_000;
/// Longest code.
const LONGEST: u32 = 16;

/// Unpacks one chunk to exactly `expected_len` bytes (at most 32 KiB).
pub fn unpack(src: &[u8], expected_len: usize) -> Result<Vec<u8>, UnpackError> {
    if expected_len > CHUNK {
        return Err(UnpackError::TooLong);
    }
    let mut out = Vec::with_capacity(expected_len);
    let mut bits = Bits::new(src);
    let mut main = [0u8; MAIN];
    let mut lengths = [0u8; LENGTHS];
    let mut recent = [1usize; 3];
    while out.len() < expected_len {
        let kind = bits.take(3)?;
        let bytes = if bits.take(1)? == 1 {
            CHUNK
        } else {
            bits.take(16)? as usize
        };
        let end = out.len().saturating_add(bytes);
        if bytes == 0 || end > expected_len {
            return Err(UnpackError::Length {
                expected: expected_len,
                found: end,
            });
        }
        if kind == 3 {
            bits.plain(bytes, &mut recent, &mut out)?;
            continue;
        }
        if kind != 1 && kind != 2 {
            return Err(UnpackError::BadHeader);
        }
        let aligned = if kind == 2 {
            let mut own = [0u8; 8];
            for length in &mut own {
                *length = bits.take(3)? as u8;
            }
            Some(PrefixCode::new(&own, 7)?)
        } else {
            None
        };
        let (literals, matches) = main.split_at_mut(256);
        deltas(&mut bits, literals)?;
        deltas(&mut bits, matches)?;
        let main_code = PrefixCode::new(&main, LONGEST)?;
        deltas(&mut bits, &mut lengths)?;
        let length_code = PrefixCode::new(&lengths, LONGEST)?;
        while out.len() < end {
            let symbol = bits.symbol(&main_code)?;
            if symbol < 256 {
                out.push(symbol as u8);
                continue;
            }
            let symbol = symbol - 256;
            let mut length = (symbol & 7) + 2;
            if symbol & 7 == 7 {
                length += bits.symbol(&length_code)?;
            }
            let slot = symbol >> 3;
            let distance = match slot {
                0 => recent[0],
                1 | 2 => {
                    recent.swap(0, slot);
                    recent[0]
                }
                _ => {
                    let (base, wide) = slot_of(slot);
                    let footer = match &aligned {
                        Some(code) if wide >= 3 => {
                            let high = bits.take(wide - 3)? as usize;
                            (high << 3) + bits.symbol(code)?
                        }
                        _ => bits.take(wide)? as usize,
                    };
                    recent = [base + footer - 2, recent[0], recent[1]];
                    recent[0]
                }
            };
            // A match ends with its block.
            copy_back(&mut out, distance, length, end)?;
        }
    }
    untranslate(&mut out);
    Ok(out)
}

/// First formatted offset of a position slot (3 and up) and the number of its footer bits.
fn slot_of(slot: usize) -> (usize, u32) {
    if slot < 4 {
        (slot, 0)
    } else {
        let wide = (slot as u32 / 2).saturating_sub(1);
        ((2 + (slot & 1)) << wide, wide)
    }
}

/// Reads code lengths, given as differences from those of the block before.
fn deltas(bits: &mut Bits<'_>, lengths: &mut [u8]) -> Result<(), UnpackError> {
    let mut own = [0u8; 20];
    for length in &mut own {
        *length = bits.take(4)? as u8;
    }
    let code = PrefixCode::new(&own, 15)?;
    let mut at = 0;
    while at < lengths.len() {
        let symbol = bits.symbol(&code)?;
        let (run, kind) = match symbol {
            17 => (4 + bits.take(4)? as usize, None),
            18 => (20 + bits.take(5)? as usize, None),
            19 => {
                let run = 4 + bits.take(1)? as usize;
                (run, Some(bits.symbol(&code)?))
            }
            _ => (1, Some(symbol)),
        };
        let span = lengths.get_mut(at..at + run).ok_or(UnpackError::BadTable)?;
        let value = match (kind, span.first()) {
            (None, _) => 0,
            (Some(delta @ 0..=16), Some(before)) => {
                ((usize::from(*before) + 17 - delta) % 17) as u8
            }
            _ => return Err(UnpackError::BadTable),
        };
        span.fill(value);
        at += run;
    }
    Ok(())
}

/// Turns the absolute targets of x86 calls (E8) back into relative ones.
fn untranslate(out: &mut [u8]) {
    let Some(end) = out.len().checked_sub(10) else {
        return;
    };
    let mut at = 0;
    while at < end {
        if out.get(at) != Some(&0xE8) {
            at += 1;
            continue;
        }
        let position = at as i32;
        if let Some(field) = out.get_mut(at + 1..).and_then(|o| o.first_chunk_mut::<4>()) {
            let absolute = i32::from_le_bytes(*field);
            if absolute >= -position && absolute < CALL_SIZE {
                let relative = if absolute >= 0 {
                    absolute - position
                } else {
                    absolute + CALL_SIZE
                };
                *field = relative.to_le_bytes();
            }
        }
        at += 5;
    }
}

/// 16-bit little-endian words, most significant bit first.
struct Bits<'a> {
    input: &'a [u8],
    /// Bytes fetched into the window so far.
    at: usize,
    window: u64,
    /// Real bits in `window`, counted from its top.
    held: u32,
}

impl<'a> Bits<'a> {
    fn new(input: &'a [u8]) -> Self {
        Self {
            input,
            at: 0,
            window: 0,
            held: 0,
        }
    }

    fn fill(&mut self) {
        while self.held <= 16 {
            let rest = self.input.get(self.at..).unwrap_or_default();
            let Some(word) = rest.first_chunk::<2>() else {
                return;
            };
            self.at += 2;
            self.window |= u64::from(u16::from_le_bytes(*word)) << (48 - self.held);
            self.held += 16;
        }
    }

    fn peek(&mut self, count: u32) -> u32 {
        self.fill();
        (self.window.checked_shr(64 - count).unwrap_or(0)) as u32
    }

    fn drop(&mut self, count: u32) -> Result<(), UnpackError> {
        self.held = self.held.checked_sub(count).ok_or(UnpackError::Truncated)?;
        self.window <<= count;
        Ok(())
    }

    /// At most 17 bits.
    fn take(&mut self, count: u32) -> Result<u32, UnpackError> {
        let value = self.peek(count);
        self.drop(count)?;
        Ok(value)
    }

    fn symbol(&mut self, code: &PrefixCode) -> Result<usize, UnpackError> {
        let peeked = self.peek(code.bits());
        let (symbol, length) = code.find(peeked)?;
        self.drop(length)?;
        Ok(usize::from(symbol))
    }

    /// An uncompressed block: 1 to 16 bits up to a word border, three recent distances, the bytes,
    /// and a byte of padding after an odd number of them.
    fn plain(
        &mut self,
        bytes: usize,
        recent: &mut [usize; 3],
        out: &mut Vec<u8>,
    ) -> Result<(), UnpackError> {
        self.fill();
        self.drop(match self.held % 16 {
            0 => 16,
            odd => odd,
        })?;
        // Whole words that were fetched too far go back.
        let start = self.at.saturating_sub(self.held as usize / 8);
        (self.window, self.held) = (0, 0);
        let rest = self.input.get(start..).unwrap_or_default();
        let (head, rest) = rest
            .split_first_chunk::<12>()
            .ok_or(UnpackError::Truncated)?;
        for (slot, field) in recent.iter_mut().zip(head.chunks_exact(4)) {
            let value = field.first_chunk::<4>().ok_or(UnpackError::Truncated)?;
            *slot = u32::from_le_bytes(*value) as usize;
        }
        out.extend_from_slice(rest.get(..bytes).ok_or(UnpackError::Truncated)?);
        self.at = start + 12 + bytes.next_multiple_of(2);
        Ok(())
    }
}

#[cfg(test)]
#[path = "lzx_tests.rs"]
pub(crate) mod tests;
