//! Reparse tags: what an item that bears one really is (MS-FSCC 2.1.2.1).
//!
//! Invariant: a tag that is not in the table is unknown, and unknown is not content.

use super::raw::{name_of, span, u16_at, u32_at};
use crate::value::Name;
use crate::volume::layout::Coding;

/// What a tag means for somebody who wants the bytes.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Meaning {
    /// Points to another folder or volume; never followed.
    Junction(Option<Name>),
    /// A symbolic link; never followed.
    Link(Option<Name>),
    /// Compressed by the system: content in the stream `WofCompressedData`; `None` = in a form, or in
    /// another file, that is not understood here.
    System(Option<Coding>),
    /// Content in a deduplication store.
    Deduplicated,
    /// Content with a sync service, in a slower store, or in another layer: here only if every byte is.
    Elsewhere,
    /// Socket, fifo, device, application alias: no content.
    Special,
    /// Not in the table.
    Unknown,
}

/// Name of the stream that holds the content of a file compressed by the system.
pub const WOF_STREAM: &str = "WofCompressedData";

/// Judges a reparse value (tag, length, reserved, data). `None` = too short to have a tag.
pub fn judge(value: &[u8]) -> Option<(u32, Meaning)> {
    let tag = u32_at(value, 0)?;
    let length = usize::from(u16_at(value, 4)?);
    let data = span(value, 8, length).unwrap_or_default();
    let meaning = match tag {
        0xA000_0003 => Meaning::Junction(target(data, 8)),
        0xA000_000C => Meaning::Link(target(data, 12)),
        0xA000_001D => Meaning::Link(data.get(4..).map(|path| Name::Bytes(path.to_vec()))),
        0x8000_0017 => Meaning::System(system(data)),
        0x8000_0013 | 0x8000_0007 => Meaning::Deduplicated,
        // Cloud files, older sync placeholders, projected files, hierarchical storage, container layers.
        tag if tag & 0xFFFF_0FFF == 0x9000_001A => Meaning::Elsewhere,
        0x8000_0021 | 0x8000_0015 | 0x9000_001C | 0xA000_0022 | 0xC000_0004 | 0x8000_0006
        | 0x8000_001E | 0x9000_0027 | 0x8000_0018 | 0x9000_1018 | 0xA000_0027 | 0xA000_1027
        | 0xA000_001F => Meaning::Elsewhere,
        0x8000_001B | 0x8000_0023 | 0x8000_0024 | 0x8000_0025 | 0x8000_0026 | 0x8000_0014 => {
            Meaning::Special
        }
        _ => Meaning::Unknown,
    };
    Some((tag, meaning))
}

/// The substitute name of a junction or link, whose names start `base` bytes into the data.
fn target(data: &[u8], base: usize) -> Option<Name> {
    let at = usize::from(u16_at(data, 0)?);
    let length = usize::from(u16_at(data, 2)?);
    span(data, base + at, length).map(name_of)
}

/// The form of a file compressed by the system: version 1, provider 2 (file), version 1, algorithm.
fn system(data: &[u8]) -> Option<Coding> {
    if u32_at(data, 0)? != 1 || u32_at(data, 4)? != 2 || u32_at(data, 8)? != 1 {
        return None;
    }
    match u32_at(data, 12)? {
        0 => Some(Coding::Xpress { chunk_bytes: 4096 }),
        1 => Some(Coding::Lzx),
        2 => Some(Coding::Xpress { chunk_bytes: 8192 }),
        3 => Some(Coding::Xpress {
            chunk_bytes: 16_384,
        }),
        _ => None,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn value(tag: u32, data: &[u8]) -> Vec<u8> {
        let mut out = tag.to_le_bytes().to_vec();
        out.extend_from_slice(&(data.len() as u16).to_le_bytes());
        out.extend_from_slice(&[0, 0]);
        out.extend_from_slice(data);
        out
    }

    #[test]
    fn every_row_of_the_table() {
        let meaning = |tag: u32| judge(&value(tag, &[])).unwrap().1;
        for digit in 0..16u32 {
            assert_eq!(meaning(0x9000_001A | digit << 12), Meaning::Elsewhere);
        }
        assert_eq!(meaning(0x8000_0013), Meaning::Deduplicated);
        assert_eq!(meaning(0x8000_0017), Meaning::System(None));
        assert_eq!(meaning(0x8000_001B), Meaning::Special);
        assert_eq!(meaning(0x8000_0018), Meaning::Elsewhere);
        assert_eq!(meaning(0xA000_0003), Meaning::Junction(None));
        // Neither the surrogate bit nor closeness to a known tag makes a tag known.
        assert_eq!(meaning(0xA000_00FF), Meaning::Unknown);
        assert_eq!(meaning(0x9000_001B), Meaning::Unknown);
        assert_eq!(meaning(0), Meaning::Unknown);
        assert_eq!(judge(&[1, 2, 3]), None);
    }

    #[test]
    fn targets_and_algorithms() {
        let units: Vec<u8> = "\\??\\C:\\x"
            .encode_utf16()
            .flat_map(u16::to_le_bytes)
            .collect();
        let mut data = vec![0, 0, units.len() as u8, 0, 0, 0, 0, 0];
        data.extend_from_slice(&units);
        let (_, meaning) = judge(&value(0xA000_0003, &data)).unwrap();
        assert_eq!(
            meaning,
            Meaning::Junction(Some(Name::Units("\\??\\C:\\x".encode_utf16().collect())))
        );
        let wof = |provider: u8, algorithm: u8| {
            let data = [
                1, 0, 0, 0, provider, 0, 0, 0, 1, 0, 0, 0, algorithm, 0, 0, 0,
            ];
            judge(&value(0x8000_0017, &data)).unwrap().1
        };
        assert_eq!(wof(2, 1), Meaning::System(Some(Coding::Lzx)));
        assert_eq!(
            wof(2, 0),
            Meaning::System(Some(Coding::Xpress { chunk_bytes: 4096 }))
        );
        assert_eq!(wof(2, 4), Meaning::System(None));
        assert_eq!(wof(1, 0), Meaning::System(None));
    }
}
