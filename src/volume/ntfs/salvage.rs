//! What a record that cannot be trusted still tells: a name, and whether it was a folder. Nothing else is taken from it.
//!
//! Invariant: a name counts only where none of its bytes lie at the end of a torn stride, and only if a file
//! system could have written it; the content of such a record is never taken from its run lists.

use super::raw::{span, u8_at, u16_at, u64_at};
use super::record::{Attributes, Value, header, kind};
use super::table::NoRecord;

/// Stride of the fixups.
const STRIDE: usize = 512;

/// A record in use that cannot be used.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Wreck {
    /// Its number.
    pub number: u32,
    /// Why it cannot be used.
    pub why: NoRecord,
    /// Parent reference and name units, if there is a sane one.
    pub name: Option<(u64, Vec<u8>)>,
    /// It says that it is a folder.
    pub folder: bool,
    /// Reference of its base record; 0 = it is one itself, or does not say.
    pub base: u64,
}

/// What the bytes of a damaged record tell.
pub fn wreck(number: u32, why: NoRecord, bytes: Option<&[u8]>) -> Wreck {
    let mut out = Wreck {
        number,
        why,
        name: None,
        folder: false,
        base: 0,
    };
    let Some(bytes) = bytes.filter(|bytes| matches!(bytes.get(..4), Some(b"FILE" | b"BAAD")))
    else {
        return out;
    };
    let mut record = bytes.to_vec();
    let torn = mend(&mut record);
    let Ok(head) = header(&record) else {
        return out;
    };
    if head.own.is_some_and(|own| own != number) {
        // Another record's bytes in this place tell nothing of this one.
        return out;
    }
    out.folder = head.folder;
    out.base = head.base;
    let start = record.as_ptr() as usize;
    let mut best: Option<(bool, u64, Vec<u8>)> = None;
    for attribute in Attributes::new(&record, &head).flatten() {
        let (kind::FILE_NAME, Value::Resident(value)) = (attribute.kind, attribute.value) else {
            continue;
        };
        let from = (value.as_ptr() as usize).saturating_sub(start);
        let hurt = |end: &usize| (from..from.saturating_add(value.len())).contains(&(end - 1));
        if torn.iter().any(hurt) {
            continue;
        }
        if let Some((parent, short, units)) = sane(value)
            && best.as_ref().is_none_or(|(known, ..)| *known && !short)
        {
            best = Some((short, parent, units));
        }
    }
    out.name = best.map(|(_, parent, units)| (parent, units));
    out
}

/// Puts the real bytes back where a stride's check value agrees; gives the ends of the strides where it does not.
pub(super) fn mend(record: &mut [u8]) -> Vec<usize> {
    let (at, count) = (
        usize::from(u16_at(record, 4).unwrap_or(0)),
        usize::from(u16_at(record, 6).unwrap_or(0)),
    );
    let values = span(record, at, 2 * count).map(<[u8]>::to_vec);
    let values = values.unwrap_or_default();
    let check = values.get(..2).map(<[u8]>::to_vec);
    let mut torn = Vec::new();
    for (number, stride) in (1usize..).zip(record.chunks_exact_mut(STRIDE)) {
        let value = values.get(2 * number..2 * number + 2);
        let Some(end) = stride.last_chunk_mut::<2>() else {
            continue;
        };
        match (value, &check) {
            // Done before the torn stride was met.
            (Some(value), _) if end.as_slice() == value => {}
            (Some(value), Some(check)) if end.as_slice() == check.as_slice() => {
                end.copy_from_slice(value);
            }
            _ => torn.push(number * STRIDE),
        }
    }
    torn
}

/// Parent, whether it is a short name, and the units of a name that a file system could have written.
pub(super) fn sane(value: &[u8]) -> Option<(u64, bool, Vec<u8>)> {
    let parent = u64_at(value, 0)?;
    let length = usize::from(u8_at(value, 0x40)?);
    let space = u8_at(value, 0x41)?;
    let units = span(value, 0x42, 2 * length)?;
    let fine = units
        .chunks_exact(2)
        .all(|unit| !matches!(unit, [0..=0x1F | b'/' | b'\\' | b':', 0]));
    (length > 0 && space <= 3 && fine).then(|| (parent, space == 2, units.to_vec()))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::volume::ntfs::record::BadRecord;

    /// A record as Linux `fs/ntfs3/ntfs.h` lays it out, with one name in the first stride.
    fn record(name: &str) -> Vec<u8> {
        let units: Vec<u8> = name.encode_utf16().flat_map(u16::to_le_bytes).collect();
        let mut r = vec![0u8; 1024];
        r[..4].copy_from_slice(b"FILE");
        r[4..8].copy_from_slice(&[0x30, 0, 3, 0]);
        r[0x14] = 0x38;
        r[0x16] = 1;
        r[0x2C] = 40;
        r[0x30..0x36].copy_from_slice(&[7, 0, 1, 2, 3, 4]);
        let length = 0x18 + 0x42 + units.len().next_multiple_of(8) + 8;
        let length = length.next_multiple_of(8);
        r[0x18..0x1A].copy_from_slice(&((0x38 + length + 8) as u16).to_le_bytes());
        r[0x38] = 0x30;
        r[0x3C..0x3E].copy_from_slice(&(length as u16).to_le_bytes());
        r[0x48..0x4A].copy_from_slice(&((0x42 + units.len()) as u16).to_le_bytes());
        r[0x4C] = 0x18;
        let value = 0x38 + 0x18;
        r[value] = 5;
        r[value + 6] = 5;
        r[value + 0x40] = name.encode_utf16().count() as u8;
        r[value + 0x41] = 1;
        r[value + 0x42..value + 0x42 + units.len()].copy_from_slice(&units);
        r[0x38 + length..0x38 + length + 4].fill(0xFF);
        r[510..512].copy_from_slice(&[7, 0]);
        r[1022..1024].copy_from_slice(&[7, 0]);
        r
    }

    #[test]
    fn a_torn_record_still_tells_its_name() {
        // Linux `fs/ntfs/layout.h`: the last two bytes of each 512 must equal the check value.
        let torn = NoRecord::Bad(BadRecord::Torn);
        let mut bytes = record("victim.jpg");
        bytes[510] ^= 0xFF;
        let found = wreck(40, torn, Some(&bytes));
        let (parent, units) = found.name.unwrap();
        assert_eq!((parent & 0xFFFF, parent >> 48), (5, 5));
        assert_eq!(units.len(), 20);
        // A name across the torn place, another record's bytes, an impossible name, no bytes at all.
        let mut long = record(&"x".repeat(240));
        long[510] ^= 0xFF;
        assert_eq!(wreck(40, torn, Some(&long)).name, None);
        assert_eq!(wreck(41, torn, Some(&bytes)).name, None);
        assert_eq!(wreck(40, torn, Some(&record("a/b"))).name, None);
        assert_eq!(wreck(40, NoRecord::Unread, None).name, None);
        bytes[..4].fill(0);
        assert_eq!(wreck(40, torn, Some(&bytes)).name, None);
    }
}
