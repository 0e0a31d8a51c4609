//! The MBR in sector 0 and the chain of extended tables behind it. Starts and lengths are in
//! logical sectors of whatever sector size the disk was partitioned with.
//!
//! Invariant: every table sector is visited once, so a chain that loops ends.

use super::Source;
use crate::port::Sectors;
use crate::volume::bytes::{is, le32, u8_at};
use crate::volume::filesystem::{Findings, Weight};
use std::collections::HashSet;

/// Links of extended chains followed at most (engineering judgement; real disks have a few dozen).
const LINKS: usize = 4096;

/// One used entry, in sectors.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct Entry {
    /// 1 to 4 for the entries of sector 0; 5 and up for those in extended tables.
    pub number: u32,
    pub kind: u8,
    pub active: bool,
    pub start: u64,
    pub count: u64,
    pub source: Source,
}

/// What sector 0 and its chain say.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub(super) struct Mbr {
    /// Disk signature at byte 440.
    pub disk_id: u32,
    /// Entry 0xEE present.
    pub protective: bool,
    /// Length of the 0xEE entry in sectors.
    pub protective_count: u64,
    /// Everything else that is used, extended containers left out.
    pub entries: Vec<Entry>,
    /// Sectors that hold extended tables.
    pub tables: Vec<u64>,
}

/// Whether a type byte stands for an extended container.
pub(super) fn is_extended(kind: u8) -> bool {
    matches!(kind, 0x05 | 0x0F | 0x85)
}

fn entries_of(sector: &[u8]) -> [(u8, u8, u64, u64); 4] {
    [446, 462, 478, 494].map(|at| {
        (
            u8_at(sector, at),
            u8_at(sector, at + 4),
            u64::from(le32(sector, at + 8)),
            u64::from(le32(sector, at + 12)),
        )
    })
}

/// Sector 0 as an MBR: the boot signature, four status bytes of 0x00 or 0x80, and at least one
/// used entry that starts inside the drive. A file-system boot sector ends with the same
/// signature but fails the rest.
pub(super) fn plausible(sector: &[u8], drive_sectors: u64) -> bool {
    is(sector, 510, &[0x55, 0xAA])
        && entries_of(sector)
            .iter()
            .all(|entry| entry.0 == 0 || entry.0 == 0x80)
        && entries_of(sector)
            .iter()
            .any(|(_, kind, start, count)| *kind != 0 && *count > 0 && *start < drive_sectors)
}

/// The starts, in sectors, of the entries of sector 0 that are used.
pub(super) fn primary_starts(sector: &[u8]) -> Vec<u64> {
    entries_of(sector)
        .into_iter()
        .filter(|(_, kind, _, count)| {
            *kind != 0 && *count > 0 && !is_extended(*kind) && *kind != 0xEE
        })
        .map(|(_, _, start, _)| start)
        .collect()
}

/// Reads sector 0 and every extended table. `None` = sector 0 is not an MBR.
pub(super) fn read(
    sectors: &dyn Sectors,
    first: &[u8],
    unit: u32,
    findings: &mut Findings,
) -> Option<Mbr> {
    let drive_sectors = sectors.bytes() / u64::from(unit.max(1));
    if !plausible(first, drive_sectors) {
        return None;
    }
    let mut mbr = Mbr {
        disk_id: le32(first, 440),
        ..Mbr::default()
    };
    let mut containers = Vec::new();
    for (number, (status, kind, start, count)) in (1..).zip(entries_of(first)) {
        if kind == 0 || count == 0 {
            continue;
        }
        if kind == 0xEE {
            mbr.protective = true;
            mbr.protective_count = count;
        } else if is_extended(kind) {
            containers.push((start, count));
        } else {
            mbr.entries.push(Entry {
                number,
                kind,
                active: status == 0x80,
                start,
                count,
                source: Source::Mbr,
            });
        }
    }
    if containers.len() > 1 {
        findings.note("two-extended-partitions", Weight::Sentence, None, || {
            "the table has more than one extended partition; both were followed".to_owned()
        });
    }
    let mut visited = HashSet::new();
    let mut number = 5;
    for (base, length) in containers {
        chain(
            sectors,
            unit,
            base,
            length,
            &mut visited,
            &mut number,
            &mut mbr,
            findings,
        );
    }
    Some(mbr)
}

/// Follows one chain from its container at `base`.
#[allow(clippy::too_many_arguments)] // one caller; a struct would only rename them
fn chain(
    sectors: &dyn Sectors,
    unit: u32,
    base: u64,
    length: u64,
    visited: &mut HashSet<u64>,
    number: &mut u32,
    mbr: &mut Mbr,
    findings: &mut Findings,
) {
    let end = base.saturating_add(length);
    let mut waiting = vec![base];
    while let Some(here) = waiting.pop() {
        let broken = |findings: &mut Findings, why: String| {
            findings.note("extended-chain-broken", Weight::OpenPoint, None, || {
                format!("{why}; partitions behind it are hidden: look at the gaps in this extended partition")
            });
        };
        if visited.len() >= LINKS {
            broken(findings, format!("more than {LINKS} extended tables"));
            return;
        }
        if !visited.insert(here) {
            broken(
                findings,
                format!("the extended table at sector {here} is linked to twice (a loop)"),
            );
            continue;
        }
        if here < base || here >= end {
            broken(
                findings,
                format!(
                    "a link leads to sector {here}, outside its extended partition ({base} to {end})"
                ),
            );
            continue;
        }
        let mut table = [0u8; 512];
        if let Err(fault) = sectors.read_at(here.saturating_mul(u64::from(unit)), &mut table) {
            broken(
                findings,
                format!("the extended table at sector {here} could not be read: {fault}"),
            );
            continue;
        }
        if !is(&table, 510, &[0x55, 0xAA]) {
            broken(
                findings,
                format!("sector {here} should hold an extended table, but has no signature"),
            );
            continue;
        }
        mbr.tables.push(here);
        for (status, kind, start, count) in entries_of(&table) {
            if kind == 0 || count == 0 {
                continue;
            }
            if is_extended(kind) {
                waiting.push(base.saturating_add(start));
                continue;
            }
            let start = here.saturating_add(start);
            if start.saturating_add(count) > end {
                findings.note("logical-outside", Weight::Sentence, None, || {
                    format!("the logical partition at sector {start} reaches beyond its extended partition")
                });
            }
            mbr.entries.push(Entry {
                number: *number,
                kind,
                active: status == 0x80,
                start,
                count,
                source: Source::Extended,
            });
            *number = number.saturating_add(1);
        }
    }
}

/// What a type byte means, in words; from memory of the usual lists. A "hidden" bit says nothing about the content.
pub fn type_in_words(kind: u8) -> Option<&'static str> {
    Some(match kind {
        0x01 | 0x04 | 0x06 | 0x0B | 0x0C | 0x0E => "FAT",
        0x07 => "NTFS or exFAT",
        0x27 => "hidden recovery",
        0x12 => "maker's diagnostics",
        0x11 | 0x14 | 0x16 | 0x17 | 0x1B | 0x1C | 0x1E => "hidden FAT or NTFS",
        0x42 => "dynamic disk",
        0x82 => "Linux swap",
        0x83 => "Linux file system",
        0x8E => "Linux LVM",
        0xFD => "Linux RAID",
        0xA5 | 0xA6 | 0xA9 => "BSD",
        0xAF => "HFS+",
        0xEF => "EFI system",
        _ => return None,
    })
}
