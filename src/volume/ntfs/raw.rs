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

/// Appends a number, seven bits to a byte.
pub fn put_number(out: &mut Vec<u8>, mut value: u64) {
    while value >= 0x80 {
        out.push((value & 0x7F) as u8 | 0x80);
        value >>= 7;
    }
    out.push(value as u8);
}

/// Takes a number off the front.
pub fn take_number(bytes: &mut &[u8]) -> Option<u64> {
    // Most are short.
    if let [byte @ 0..0x80, rest @ ..] = *bytes {
        *bytes = rest;
        return Some((*byte).into());
    }
    let mut value = 0u64;
    for shift in (0..64).step_by(7) {
        let (byte, rest) = bytes.split_first()?;
        *bytes = rest;
        value |= u64::from(byte & 0x7F).checked_shl(shift)?;
        if byte & 0x80 == 0 {
            return Some(value);
        }
    }
    None
}

/// Takes `len` bytes off the front.
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
        for value in [0, 1, 127, 128, 300, u64::from(u32::MAX), u64::MAX] {
            let mut out = Vec::new();
            put_number(&mut out, value);
            let mut rest = out.as_slice();
            assert_eq!(take_number(&mut rest), Some(value));
            assert!(rest.is_empty());
        }
        assert_eq!(take_number(&mut [0xFFu8; 20].as_slice()), None);
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
