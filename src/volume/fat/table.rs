//! The allocation table in memory, its copies compared, unreadable parts taken from the other copy.

use super::Boot;
use crate::volume::bytes::Part;
use crate::volume::chain::{Bits, EntryForm, Table, goes_on};
use crate::volume::filesystem::{Findings, Limits, Weight};

/// Bytes compared at a time.
const STEP: usize = 1 << 20;

/// Reads the table that counts. `Err` = too large for the limits.
pub(super) fn read(
    part: &Part<'_>,
    boot: &Boot,
    limits: Limits,
    findings: &mut Findings,
) -> Result<Table, String> {
    let form = boot.width.form();
    let wanted = form
        .table_bytes(u64::from(boot.clusters) + 2)
        .min(u64::from(boot.table_sectors) * u64::from(boot.sector_bytes));
    if wanted > limits.table_bytes {
        return Err(format!(
            "its allocation table has {wanted} bytes, the limit is {}",
            limits.table_bytes
        ));
    }
    // A geometry that reaches beyond the drive must not ask for its memory.
    let leading = boot.only_table.unwrap_or(0);
    let room = part.bytes().saturating_sub(boot.table_at(leading));
    let bytes = usize::try_from(wanted.min(room)).map_err(|e| e.to_string())?;
    let mut raw = vec![0u8; bytes];
    let others: Vec<u32> = match boot.only_table {
        Some(_) => Vec::new(),
        None => (0..boot.tables).filter(|table| *table != leading).collect(),
    };
    let mut unread: Vec<(usize, usize)> = Vec::new();
    let entries = u64::from(boot.clusters) + 2;
    let (mut doubtful, mut differing) = (Bits::new(entries), Bits::new(entries));
    let mut differ = Differ::default();
    let judging = Table::new(Vec::new(), form, boot.clusters);
    let mut second = vec![0u8; STEP.min(bytes)];
    for (piece, at) in raw.chunks_mut(STEP).zip((0usize..).step_by(STEP)) {
        let whole = part.read(boot.table_at(leading) + at as u64, piece).is_ok();
        if !whole {
            patch(part, boot, leading, &others, piece, at, &mut unread);
        }
        for other in &others {
            let Some(copy) = second.get_mut(..piece.len()) else {
                continue;
            };
            if part.read(boot.table_at(*other) + at as u64, copy).is_err() {
                findings.note("table-copy-unread", Weight::Sentence, None, || {
                    "part of the second copy of the allocation table could not be read".to_owned()
                });
                continue;
            }
            if whole && copy != piece {
                for byte in differences(form, piece, copy, at) {
                    for entry in entries_at(form, byte) {
                        if !(2..entries).contains(&entry) || differing.set(entry) {
                            continue;
                        }
                        // Pieces begin on an entry: 12-bit tables are shorter than one piece.
                        let index = entry.saturating_sub(first_entry(form, at)) as u32;
                        let link = |raw: &[u8]| judging.link_of(form.entry(raw, index));
                        match (goes_on(link(piece)), goes_on(link(copy))) {
                            (true, true) => {
                                doubtful.set(entry);
                                differ.both += 1;
                            }
                            (false, true) => differ.first += 1,
                            // Neither can be part of a chain: free here, bad or outside there.
                            (true, false) | (false, false) => differ.other += 1,
                        }
                    }
                }
            }
        }
    }
    let mut table = Table::new(raw, form, boot.clusters);
    table.doubtful = doubtful;
    if differ.first > 0 {
        take_other(part, boot, &others, bytes, &mut table);
    }
    findings.note_many("table-first-copy-damaged", Weight::Sentence, None, differ.first, || {
        format!("the first allocation table leads nowhere in {}, where its second copy goes on: there the second was followed", places(differ.first))
    });
    findings.note_many("table-other-copy-damaged", Weight::Sentence, None, differ.other, || {
        format!("the second copy of the allocation table leads nowhere in {}, where the first goes on: there the first was followed", places(differ.other))
    });
    findings.note_many("table-copies-differ", Weight::OpenPoint, None, differ.both, || {
        "the copies of the allocation table differ; items that pass through such an entry bear a mark".to_owned()
    });
    for (from, to) in unread {
        findings.note("table-unread", Weight::OpenPoint, None, || {
            format!("bytes {from} to {to} of the allocation table could not be read in any copy")
        });
        for byte in from..to {
            for entry in entries_at(form, byte) {
                table.doubtful.set(entry);
            }
        }
    }
    Ok(table)
}

/// Entries in which the copies differ, by which of them can be part of a chain.
#[derive(Default)]
struct Differ {
    /// Both: nothing tells which is right.
    both: u64,
    /// Only the other copy's.
    first: u64,
    /// Only the first one's, or none.
    other: u64,
}

/// The first entry of a piece that begins at this byte.
fn first_entry(form: EntryForm, at: usize) -> u64 {
    *entries_at(form, at).start()
}

/// Reads the second copy whole, to stand in for entries of the first.
fn take_other(part: &Part<'_>, boot: &Boot, others: &[u32], bytes: usize, table: &mut Table) {
    let Some(other) = others.first() else {
        return;
    };
    let mut raw = vec![0u8; bytes];
    for (piece, at) in raw.chunks_mut(STEP).zip((0u64..).step_by(STEP)) {
        // What is not readable reads as free, and stands in for nothing.
        if part.read(boot.table_at(*other) + at, piece).is_err() {
            piece.fill(0);
        }
    }
    table.stand_in(raw);
}

/// Fills a piece sector by sector, from the first copy that can be read.
fn patch(
    part: &Part<'_>,
    boot: &Boot,
    leading: u32,
    others: &[u32],
    piece: &mut [u8],
    at: usize,
    unread: &mut Vec<(usize, usize)>,
) {
    let step = boot.sector_bytes as usize;
    for (sector, from) in piece.chunks_mut(step).zip((at..).step_by(step)) {
        let read = std::iter::once(&leading).chain(others).any(|copy| {
            part.read(boot.table_at(*copy) + from as u64, sector)
                .is_ok()
        });
        if !read {
            sector.fill(0);
            unread.push((from, from + sector.len()));
        }
    }
}

/// Byte places at which two copies differ; the reserved upper bits of FAT32 do not count.
fn differences<'a>(
    form: EntryForm,
    piece: &'a [u8],
    copy: &'a [u8],
    at: usize,
) -> impl Iterator<Item = usize> + 'a {
    piece
        .iter()
        .zip(copy)
        .zip(at..)
        .filter(move |((a, b), place)| {
            let mask = if form == EntryForm::Bits28 && place % 4 == 3 {
                0x0F
            } else {
                0xFF
            };
            **a & mask != **b & mask
        })
        .map(|(_, place)| place)
}

/// The entries that a byte of the table belongs to: two, where a byte is shared.
fn entries_at(form: EntryForm, byte: usize) -> std::ops::RangeInclusive<u64> {
    let byte = byte as u64;
    match form {
        EntryForm::Bits12 => byte * 8 / 12..=(byte * 8 + 7) / 12,
        EntryForm::Bits16 => byte / 2..=byte / 2,
        EntryForm::Bits28 | EntryForm::Bits32 => byte / 4..=byte / 4,
    }
}

fn places(count: u64) -> String {
    match count {
        1 => "one place".to_owned(),
        _ => format!("{count} places"),
    }
}
