//! File records: fixups, header, attributes.
//!
//! Invariant: a record whose fixups do not agree is not looked at; walking attributes always
//! ends, because every step goes forward by at least 16 bytes. Fixups find torn writes, not flipped bits.

use super::raw::{span, u8_at, u16_at, u32_at, u64_at};

/// Stride of the fixups, whatever the sector size.
const STRIDE: usize = 512;

/// Attribute types that are looked at.
pub mod kind {
    #![allow(missing_docs)] // each is the standard name
    pub const STANDARD_INFORMATION: u32 = 0x10;
    pub const ATTRIBUTE_LIST: u32 = 0x20;
    pub const FILE_NAME: u32 = 0x30;
    pub const VOLUME_NAME: u32 = 0x60;
    pub const VOLUME_INFORMATION: u32 = 0x70;
    pub const DATA: u32 = 0x80;
    pub const INDEX_ROOT: u32 = 0x90;
    pub const INDEX_ALLOCATION: u32 = 0xA0;
    pub const BITMAP: u32 = 0xB0;
    pub const REPARSE_POINT: u32 = 0xC0;
    pub const EA: u32 = 0xE0;
    pub const PROPERTY_SET: u32 = 0xF0;
    pub const LOGGED_UTILITY_STREAM: u32 = 0x100;
    pub const END: u32 = 0xFFFF_FFFF;
}

/// Why a record cannot be used.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum BadRecord {
    /// It does not begin with `FILE`.
    Signature,
    /// Its fixups do not agree: it was written only in part.
    Torn,
    /// Its header contradicts itself.
    Header,
}

/// The header of a record.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Header {
    /// Counts how often the record was used anew.
    pub sequence: u16,
    /// Number of names, short ones included.
    pub links: u16,
    /// In use (else deleted or free).
    pub in_use: bool,
    /// A folder.
    pub folder: bool,
    /// Bytes used.
    pub used: usize,
    /// First attribute.
    pub first: usize,
    /// Record number and sequence of the base record; 0 = this is a base record.
    pub base: u64,
    /// The number the record says it has (volumes of version 3.1 on).
    pub own: Option<u32>,
}

/// Checks the fixups and puts the real bytes in place.
pub fn fix(record: &mut [u8]) -> Result<(), BadRecord> {
    if record.get(..4) != Some(b"FILE".as_slice()) {
        return Err(BadRecord::Signature);
    }
    let at = usize::from(u16_at(record, 4).ok_or(BadRecord::Header)?);
    let count = usize::from(u16_at(record, 6).ok_or(BadRecord::Header)?);
    let strides = record.len() / STRIDE;
    if strides == 0
        || !record.len().is_multiple_of(STRIDE)
        || count != strides + 1
        || !at.is_multiple_of(2)
        || at < 0x28
        || at + 2 * count > STRIDE - 2
    {
        return Err(BadRecord::Header);
    }
    // The values end before the first stride does, so none of them is overwritten before its turn.
    let check = u16_at(record, at).ok_or(BadRecord::Header)?;
    for stride in 1..count {
        let value = u16_at(record, at + 2 * stride).ok_or(BadRecord::Header)?;
        let end = record
            .get_mut(stride * STRIDE - 2..stride * STRIDE)
            .and_then(|end| end.first_chunk_mut::<2>())
            .ok_or(BadRecord::Header)?;
        if u16::from_le_bytes(*end) != check {
            return Err(BadRecord::Torn);
        }
        *end = value.to_le_bytes();
    }
    Ok(())
}

/// Reads the header of a fixed record.
pub fn header(record: &[u8]) -> Result<Header, BadRecord> {
    let read = || {
        let flags = u16_at(record, 0x16)?;
        let fixups = u16_at(record, 4)?;
        Some(Header {
            sequence: u16_at(record, 0x10)?,
            links: u16_at(record, 0x12)?,
            in_use: flags & 1 != 0,
            folder: flags & 2 != 0,
            used: u32_at(record, 0x18)? as usize,
            first: usize::from(u16_at(record, 0x14)?),
            base: u64_at(record, 0x20)?,
            own: if fixups >= 0x30 {
                u32_at(record, 0x2C)
            } else {
                None
            },
        })
    };
    let header = read().ok_or(BadRecord::Header)?;
    if header.used > record.len()
        || header.first >= header.used
        || header.first < 0x28
        || !header.first.is_multiple_of(8)
    {
        return Err(BadRecord::Header);
    }
    Ok(header)
}

/// Record number of a reference (its lower 48 bits).
pub fn number_of(reference: u64) -> u64 {
    reference & 0x0000_FFFF_FFFF_FFFF
}

/// Sequence of a reference (its upper 16 bits).
pub fn sequence_of(reference: u64) -> u16 {
    (reference >> 48) as u16
}

/// One attribute.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Attribute<'a> {
    /// Type.
    pub kind: u32,
    /// Name, little-endian UTF-16 units.
    pub name: &'a [u8],
    /// 0x0001 compressed, 0x4000 encrypted, 0x8000 sparse.
    pub flags: u16,
    /// Where its value is.
    pub value: Value<'a>,
}

/// Where an attribute's value is.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Value<'a> {
    /// In the record.
    Resident(&'a [u8]),
    /// In clusters.
    Runs {
        /// First cluster of the attribute that this piece holds.
        first: u64,
        /// Last one; `first - 1` when the piece is empty.
        last: u64,
        /// Logarithm of the compression unit in clusters; 0 = not compressed.
        unit: u8,
        /// Allocated, real and initialised bytes; only in the piece with `first == 0`.
        sizes: Option<Sizes>,
        /// The run list.
        list: &'a [u8],
    },
}

/// Sizes of an attribute in clusters.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Sizes {
    /// Bytes of the clusters, holes included.
    pub allocated: u64,
    /// Bytes of the content.
    pub real: u64,
    /// Bytes that were written; what follows reads as zeros.
    pub initialised: u64,
}

/// Walks the attributes of a fixed record. `Err` once, and last, when the walk cannot go on.
pub struct Attributes<'a> {
    record: &'a [u8],
    at: usize,
    ended: bool,
}

impl<'a> Attributes<'a> {
    /// The attributes of a record with that header.
    pub fn new(record: &'a [u8], header: &Header) -> Self {
        Self {
            record: record.get(..header.used).unwrap_or(record),
            at: header.first,
            ended: false,
        }
    }

    #[inline]
    fn step(&mut self) -> Option<Option<Attribute<'a>>> {
        let kind = u32_at(self.record, self.at)?;
        if kind == kind::END {
            return Some(None);
        }
        let length = u32_at(self.record, self.at + 4)? as usize;
        if length < 16 || !length.is_multiple_of(8) {
            return None;
        }
        let bytes = span(self.record, self.at, length)?;
        self.at += length;
        let name_units = usize::from(u8_at(bytes, 9)?);
        let name = if name_units == 0 {
            &[]
        } else {
            span(bytes, usize::from(u16_at(bytes, 0x0A)?), 2 * name_units)?
        };
        let value = match u8_at(bytes, 8)? {
            0 => Value::Resident(span(
                bytes,
                usize::from(u16_at(bytes, 0x14)?),
                u32_at(bytes, 0x10)? as usize,
            )?),
            1 => {
                let first = u64_at(bytes, 0x10)?;
                let last = u64_at(bytes, 0x18)?;
                if first > 1 << 56
                    || last != first.wrapping_sub(1) && !(first..1 << 56).contains(&last)
                {
                    return None;
                }
                Value::Runs {
                    first,
                    last,
                    unit: u8_at(bytes, 0x22)?,
                    sizes: if first == 0 {
                        Some(Sizes {
                            allocated: u64_at(bytes, 0x28)?,
                            real: u64_at(bytes, 0x30)?,
                            initialised: u64_at(bytes, 0x38)?,
                        })
                    } else {
                        None
                    },
                    list: bytes.get(usize::from(u16_at(bytes, 0x20)?)..)?,
                }
            }
            _ => return None,
        };
        Some(Some(Attribute {
            kind,
            name,
            flags: u16_at(bytes, 0x0C)?,
            value,
        }))
    }
}

impl<'a> Iterator for Attributes<'a> {
    type Item = Result<Attribute<'a>, BadRecord>;

    #[inline]
    fn next(&mut self) -> Option<Self::Item> {
        if self.ended {
            return None;
        }
        match self.step() {
            Some(Some(attribute)) => Some(Ok(attribute)),
            Some(None) => {
                self.ended = true;
                None
            }
            None => {
                self.ended = true;
                Some(Err(BadRecord::Header))
            }
        }
    }
}

/// Takes any bytes as a record; for fuzzing. Returns the number of attributes understood.
pub fn examine(bytes: &[u8]) -> usize {
    let mut record = bytes.to_vec();
    if fix(&mut record).is_err() {
        // Damaged fixups would hide everything behind them, so the rest is looked at all the same.
        record = bytes.to_vec();
    }
    match header(&record) {
        Ok(head) => Attributes::new(&record, &head).flatten().count(),
        Err(_) => 0,
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn blank() -> Vec<u8> {
        let mut r = vec![0u8; 1024];
        r[..4].copy_from_slice(b"FILE");
        r[4..6].copy_from_slice(&0x30u16.to_le_bytes());
        r[6..8].copy_from_slice(&3u16.to_le_bytes());
        r[0x14..0x16].copy_from_slice(&0x38u16.to_le_bytes());
        r[0x16] = 1;
        r[0x18..0x1C].copy_from_slice(&0x60u32.to_le_bytes());
        r[0x30..0x36].copy_from_slice(&[7, 0, 0xAA, 0xBB, 0xCC, 0xDD]);
        r[510..512].copy_from_slice(&[7, 0]);
        r[1022..1024].copy_from_slice(&[7, 0]);
        r[0x38..0x3C].copy_from_slice(&0xFFFF_FFFFu32.to_le_bytes());
        r
    }

    #[test]
    fn fixups_are_checked_and_replaced() {
        let mut r = blank();
        fix(&mut r).unwrap();
        assert_eq!(r[510..512], [0xAA, 0xBB]);
        assert_eq!(r[1022..1024], [0xCC, 0xDD]);
        let mut torn = blank();
        torn[1022] = 6;
        assert_eq!(fix(&mut torn), Err(BadRecord::Torn));
        let mut wrong = blank();
        wrong[6] = 4;
        assert_eq!(fix(&mut wrong), Err(BadRecord::Header));
        let mut late = blank();
        late[4..6].copy_from_slice(&508u16.to_le_bytes());
        assert_eq!(fix(&mut late), Err(BadRecord::Header));
    }

    #[test]
    fn a_zero_length_attribute_ends_the_walk() {
        let mut r = blank();
        r[0x38..0x3C].copy_from_slice(&0x80u32.to_le_bytes());
        let head = header(&r).unwrap();
        let walked: Vec<_> = Attributes::new(&r, &head).collect();
        assert_eq!(walked, vec![Err(BadRecord::Header)]);
    }

    proptest! {
        #![proptest_config(ProptestConfig { failure_persistence: None, ..ProptestConfig::default() })]
        #[test]
        fn any_bytes(noise in proptest::collection::vec((0usize..1024, any::<u8>()), 0..60)) {
            let mut r = blank();
            for (at, byte) in noise {
                r[at] = byte;
            }
            prop_assert!(examine(&r) <= 1024 / 16);
        }
    }
}
