//! Little-endian numbers out of bytes that may be too short, and numbers of variable length.
//!
//! Invariant: out of range is `None`, never a panic.

use crate::value::Name;

/// One byte.
pub fn u8_at(bytes: &[u8], at: usize) -> Option<u8> {
    bytes.get(at).copied()
}

/// Two bytes.
pub fn u16_at(bytes: &[u8], at: usize) -> Option<u16> {
    bytes
        .get(at..)?
        .first_chunk::<2>()
        .map(|b| u16::from_le_bytes(*b))
}

/// Four bytes.
pub fn u32_at(bytes: &[u8], at: usize) -> Option<u32> {
    bytes
        .get(at..)?
        .first_chunk::<4>()
        .map(|b| u32::from_le_bytes(*b))
}

/// Eight bytes.
pub fn u64_at(bytes: &[u8], at: usize) -> Option<u64> {
    bytes
        .get(at..)?
        .first_chunk::<8>()
        .map(|b| u64::from_le_bytes(*b))
}

/// `len` bytes from `at`.
pub fn span(bytes: &[u8], at: usize, len: usize) -> Option<&[u8]> {
    bytes.get(at..at.checked_add(len)?)
}

/// UTF-16 units as a name.
pub fn name_of(units: &[u8]) -> Name {
    Name::from_stored(units, true)
}

/// Whether little-endian UTF-16 units are exactly this ASCII text.
pub fn is_ascii(units: &[u8], text: &str) -> bool {
    units.len() == text.len() * 2
        && units
            .chunks_exact(2)
            .zip(text.bytes())
            .all(|(unit, byte)| unit == [byte, 0])
}

/// The first byte of a number of one more byte; what is smaller is the number itself.
const LONG: u8 = 0xF8;

/// Appends a number: one byte, or how many bytes follow and those.
#[inline]
pub fn put_number(out: &mut Vec<u8>, value: u64) {
    if value < LONG.into() {
        out.push(value as u8);
        return;
    }
    let zeros = value.leading_zeros() / 8;
    out.push(LONG + 7 - zeros as u8);
    // All eight and then off with the zeros: lengths that are known beforehand are copied faster.
    out.extend_from_slice(&value.to_le_bytes());
    out.truncate(out.len().saturating_sub(zeros as usize));
}

/// Takes a number off the front.
#[inline]
pub fn take_number(bytes: &mut &[u8]) -> Option<u64> {
    let (first, rest) = bytes.split_first()?;
    if *first < LONG {
        *bytes = rest;
        return Some((*first).into());
    }
    let (value, rest) = take_bytes(rest, usize::from(first - LONG) + 1)?;
    *bytes = rest;
    Some(value)
}

/// The number that the first `len` bytes are, 8 at most, and what lies behind them.
#[inline]
pub fn take_bytes(bytes: &[u8], len: usize) -> Option<(u64, &[u8])> {
    let (own, rest) = bytes.split_at_checked(len)?;
    let value = match bytes.first_chunk::<8>() {
        // All eight at once, and those behind the number off again.
        Some(eight) if len > 0 => u64::from_le_bytes(*eight) & u64::MAX >> (64 - 8 * len.min(8)),
        _ => own
            .iter()
            .rev()
            .fold(0, |value, byte| value << 8 | u64::from(*byte)),
    };
    Some((value, rest))
}

/// Takes `len` bytes off the front.
#[inline]
pub fn take<'a>(bytes: &mut &'a [u8], len: usize) -> Option<&'a [u8]> {
    let (head, rest) = bytes.split_at_checked(len)?;
    *bytes = rest;
    Some(head)
}

/// A Windows time (100 ns since 1601) as nanoseconds since 1970; 0 and what does not fit = not kept.
pub fn time_of(filetime: u64) -> Option<i64> {
    if filetime == 0 {
        return None;
    }
    i64::try_from(filetime)
        .ok()?
        .checked_sub(116_444_736_000_000_000)?
        .checked_mul(100)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn numbers_come_back() {
        let borders = (0..64).flat_map(|bit| [(1 << bit) - 1, 1 << bit, 3 << bit]);
        for value in (0..300).chain(borders).chain([u64::MAX]) {
            for more in [0, 20] {
                let mut out = Vec::new();
                put_number(&mut out, value);
                out.resize(out.len() + more, 0xA5);
                let mut rest = out.as_slice();
                assert_eq!(take_number(&mut rest), Some(value));
                assert_eq!(rest.len(), more);
            }
        }
        assert_eq!(take_number(&mut [0xFFu8; 8].as_slice()), None);
        assert_eq!(take_number(&mut [].as_slice()), None);
    }

    #[test]
    fn windows_times() {
        // 1970-01-01 is 11,644,473,600 seconds after 1601-01-01.
        assert_eq!(time_of(116_444_736_000_000_000), Some(0));
        assert_eq!(time_of(0), None);
        assert_eq!(time_of(u64::MAX), None);
        assert_eq!(time_of(i64::MAX as u64), None);
    }
}
