//! Names out of the folders' own indexes ($I30), for records that no longer tell their own.
//!
//! Invariant: the indexes are read only where such a record was met, and a bounded number of bytes of them; an entry
//! counts only in a block whose fixups hold, and nothing but its name is taken.

use super::gather::Source;
use super::pieces::{Part, lay};
use super::raw::{is_ascii, span, u16_at, u32_at, u64_at};
use super::record::{Attributes, Value, kind, number_of, sequence_of};
use super::salvage::{mend, sane};
use super::store::{Note, Row};
use super::table::Window;
use crate::port::Fault;
use crate::volume::stored::{Narrow, Ranges, Stored};
use std::collections::HashMap;

/// Bytes of index blocks read at most (engineering judgement; a million names take about 150 MB).
const MOST: u64 = 512 << 20;
/// Bytes of blocks read at a time.
const STEP: u64 = 1 << 20;
/// The name of a folder's index.
const NAME: &str = "$I30";

/// Parent reference and name units by record.
pub type Names = HashMap<u32, (u64, Vec<u8>)>;

/// Looks the names of these records up in every folder's index.
pub fn names(
    source: &Source<'_>,
    window: &mut Window,
    wanted: &std::collections::HashSet<u32>,
) -> Result<Names, Fault> {
    let mut out = Look {
        wanted,
        short: HashMap::new(),
        long: HashMap::new(),
    };
    let mut left = MOST;
    for row in source.store.rows.iter().filter(|row| row.is(Row::FOLDER)) {
        if left == 0 || out.long.len() >= wanted.len() {
            break;
        }
        let folder = u64::from(row.sequence) << 48 | u64::from(row.number);
        let mut block = 0u64;
        if let Ok((bytes, head)) = source
            .table
            .record(source.sectors, window, row.number.into())?
        {
            for attribute in Attributes::new(bytes, &head).flatten() {
                if let (kind::INDEX_ROOT, Value::Resident(root)) = (attribute.kind, attribute.value)
                    && is_ascii(attribute.name, NAME)
                {
                    block = u32_at(root, 8).unwrap_or(0).into();
                    out.entries(root, 16, folder);
                }
            }
        }
        if !(512..=65_536).contains(&block) || !block.is_power_of_two() {
            continue;
        }
        out.blocks(source, row, folder, block, &mut left)?;
    }
    let mut names = out.short;
    names.extend(out.long);
    Ok(names)
}

struct Look<'a> {
    wanted: &'a std::collections::HashSet<u32>,
    short: Names,
    long: Names,
}

impl Look<'_> {
    /// The blocks of one folder that lie in clusters.
    fn blocks(
        &mut self,
        source: &Source<'_>,
        row: &Row,
        folder: u64,
        block: u64,
        left: &mut u64,
    ) -> Result<(), Fault> {
        let extensions = source.store.extensions_of(row.number);
        let rows = std::iter::once(row).chain(
            extensions
                .iter()
                .filter(|extension| sequence_of(extension.reference) == row.sequence),
        );
        let mut parts = Vec::new();
        for note in rows.flat_map(|row| source.store.notes(row)) {
            if let Note::Part {
                kind: kind::INDEX_ALLOCATION,
                name,
                first,
                clusters,
                list,
                ..
            } = note
                && is_ascii(name, NAME)
            {
                parts.push(Part {
                    first,
                    clusters,
                    list,
                });
            }
        }
        if parts.is_empty() {
            return Ok(());
        }
        let laid = lay(&source.ground, &parts, false);
        let (end, stored) = (laid.bytes.min(*left), Stored::new(laid.pieces));
        let mut at = 0u64;
        while at < end {
            let bytes = STEP.min(end - at);
            let mut buf = vec![0u8; bytes as usize];
            let mut missing = Ranges::new();
            stored.read(
                source.sectors,
                at,
                &mut buf,
                Narrow::default(),
                &mut missing,
            )?;
            // What was not read is zeros, and no block begins with zeros.
            for piece in buf.chunks_exact_mut(block as usize) {
                if piece.get(..4) == Some(b"INDX".as_slice()) && mend(piece).is_empty() {
                    self.entries(piece, 0x18, folder);
                }
            }
            at += bytes;
            *left = left.saturating_sub(bytes);
        }
        Ok(())
    }

    /// The entries behind an index header at `header`.
    fn entries(&mut self, bytes: &[u8], header: usize, folder: u64) {
        let place = |at: usize| u32_at(bytes, header + at).map(|value| value as usize);
        let (Some(first), Some(used)) = (place(0), place(4)) else {
            return;
        };
        let mut at = header.saturating_add(first);
        let end = header.saturating_add(used).min(bytes.len());
        while at < end {
            let (Some(reference), Some(length), Some(key), Some(flags)) = (
                u64_at(bytes, at),
                u16_at(bytes, at + 8).map(usize::from),
                u16_at(bytes, at + 10).map(usize::from),
                u16_at(bytes, at + 12),
            ) else {
                return;
            };
            if flags & 2 != 0 || length < 16 {
                return;
            }
            if let Ok(number) = u32::try_from(number_of(reference))
                && self.wanted.contains(&number)
                && let Some((parent, short, units)) = span(bytes, at + 16, key).and_then(sane)
                && number_of(parent) == number_of(folder)
            {
                let names = if short {
                    &mut self.short
                } else {
                    &mut self.long
                };
                names.entry(number).or_insert((folder, units));
            }
            at += length;
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::collections::HashSet;

    /// An index entry as Linux `fs/ntfs3/ntfs.h` lays it out (`struct NTFS_DE`, key = file name).
    fn entry(number: u64, parent: u64, name: &str, space: u8) -> Vec<u8> {
        let units: Vec<u8> = name.encode_utf16().flat_map(u16::to_le_bytes).collect();
        let key = 0x42 + units.len();
        let length = (16 + key).next_multiple_of(8);
        let mut out = vec![0u8; length];
        out[..8].copy_from_slice(&(number | 3 << 48).to_le_bytes());
        out[8..10].copy_from_slice(&(length as u16).to_le_bytes());
        out[10..12].copy_from_slice(&(key as u16).to_le_bytes());
        out[16..24].copy_from_slice(&parent.to_le_bytes());
        out[16 + 0x40] = (units.len() / 2) as u8;
        out[16 + 0x41] = space;
        out[16 + 0x42..16 + key].copy_from_slice(&units);
        out
    }

    #[test]
    fn names_come_from_the_folders_entries() {
        let folder = 5 | 5 << 48;
        let mut entries = entry(40, folder, "VICTIM~1.JPG", 2);
        entries.extend(entry(40, folder, "victim of a crash.jpg", 1));
        entries.extend(entry(41, folder, "another", 3));
        entries.extend(entry(42, 6 | 1 << 48, "of another folder", 3));
        let mut last = vec![0u8; 16];
        last[8] = 16;
        last[12] = 2;
        entries.extend(last);
        let mut root = vec![0u8; 32];
        root[16] = 16;
        root[20..24].copy_from_slice(&(16 + entries.len() as u32).to_le_bytes());
        root.extend(entries);
        let wanted = HashSet::from([40, 42, 43]);
        let mut look = Look {
            wanted: &wanted,
            short: HashMap::new(),
            long: HashMap::new(),
        };
        look.entries(&root, 16, folder);
        let name = |units: &[u8]| super::super::raw::name_of(units).text();
        assert_eq!(look.long.len(), 1);
        assert_eq!(name(&look.long[&40].1), "victim of a crash.jpg");
        assert_eq!(look.long[&40].0, folder);
        assert_eq!(name(&look.short[&40].1), "VICTIM~1.JPG");
        // Cut anywhere: no panic.
        for end in 0..root.len() {
            look.entries(&root[..end], 16, folder);
        }
    }
}
