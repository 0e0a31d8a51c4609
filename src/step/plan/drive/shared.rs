//! Bytes that two volumes have: partitions that overlap, with a file system of its own in each.
//!
//! Invariant: whichever of the two wrote last, the other's items there are no longer their own; nothing tells which, so the
//! items of both that have bytes there are in doubt. Two tables that name one volume, and space that no file system reaches,
//! are no conflict.

use super::kept::{Format, VolumeKept};
use crate::step::outcome::VolumeState;
use crate::survey::item::Mark;
use crate::value::measure::bytes_in_words;
use crate::volume::filesystem::{Findings, Found, Weight};
use std::collections::BTreeMap;

/// A stretch of a drive that one volume shares, and with whom.
#[derive(Debug, Clone, PartialEq, Eq)]
struct Share {
    from: u64,
    to: u64,
    with: String,
}

/// What the volumes share, by their numbers.
#[derive(Debug, Default)]
pub struct Shared(BTreeMap<i64, Vec<Share>>);

impl Shared {
    /// Compares every volume with those that begin inside it.
    pub fn of(volumes: &[VolumeKept]) -> Self {
        let end = |volume: &VolumeKept| {
            let bytes = match volume.reach {
                0 => volume.bytes,
                reach => reach.min(volume.bytes),
            };
            volume.first_byte.saturating_add(bytes)
        };
        let holds = |volume: &&VolumeKept| {
            volume.format != Format::None || volume.state == VolumeState::Locked
        };
        let mut all: Vec<&VolumeKept> = volumes.iter().filter(holds).collect();
        all.sort_by_key(|volume| (volume.drive, volume.first_byte));
        let mut out = Self::default();
        for (at, one) in all.iter().enumerate() {
            for other in all.iter().skip(at + 1) {
                if other.drive != one.drive || other.first_byte >= end(one) {
                    break;
                }
                if other.first_byte == one.first_byte {
                    continue;
                }
                let (from, to) = (other.first_byte, end(one).min(end(other)));
                for (own, with) in [(one, other), (other, one)] {
                    let with = with.about();
                    let shares = out.0.entry(own.number).or_default();
                    shares.push(Share { from, to, with });
                }
            }
        }
        out
    }

    /// What there is to decide about a volume itself.
    pub fn findings(&self, volume: i64) -> Findings {
        let mut findings = Findings::new();
        for share in self.0.get(&volume).into_iter().flatten() {
            findings.note("bytes-shared", Weight::OpenPoint, None, || {
                format!(
                    "{} of it, from byte {} of the drive on, belong to volume {} too: what one of them wrote there, the other has lost",
                    bytes_in_words(share.to - share.from),
                    share.from,
                    share.with
                )
            });
        }
        findings
    }

    /// Doubts an item with bytes that another volume has too.
    pub fn doubt(&self, volume: i64, item: &mut Found, findings: &mut Findings) {
        let Some(shares) = self.0.get(&volume) else {
            return;
        };
        let places = item.layout.iter().flat_map(|layout| layout.on_drive(None));
        let with = places
            .map(|(at, bytes)| (at, at.saturating_add(bytes)))
            .find_map(|(at, end)| {
                shares
                    .iter()
                    .find(|share| at < share.to && end > share.from)
            });
        let Some(with) = with.map(|share| &share.with) else {
            return;
        };
        item.marks.set(Mark::Damaged);
        item.trouble.get_or_insert_with(|| {
            format!("some of its bytes lie in volume {with} too: whose they are is not known")
        });
        findings.note(
            "items-in-shared-bytes",
            Weight::OpenPoint,
            Some(item.record),
            || format!("items have bytes that lie in volume {with} too"),
        );
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::survey::item::Kind;
    use crate::value::Name;
    use crate::volume::layout::{Coding, Layout, Piece};

    fn volume(number: i64, first_byte: u64, bytes: u64, reach: u64) -> VolumeKept {
        VolumeKept {
            number,
            drive: 0,
            index: number as u32,
            first_byte,
            bytes,
            reach,
            boot_at: 0,
            format: Format::Ntfs,
            kind: String::new(),
            label: None,
            state: VolumeState::Surveyed,
            rule: String::new(),
            notes: Vec::new(),
        }
    }

    /// UEFI specification, "GUID Partition Table": partitions must not overlap.
    #[test]
    fn only_what_two_file_systems_reach_is_in_doubt() {
        let item = |at| {
            let mut found = Found::new(30, 5, Name::of("a"), Kind::File);
            found.layout = Some(Layout {
                pieces: vec![Piece::Extent { at, bytes: 10 }],
                coding: Coding::Plain,
                length: 10,
                valid: 10,
            });
            found
        };
        let doubted = |volumes: &[VolumeKept], number, at| {
            let (mut found, mut findings) = (item(at), Findings::new());
            Shared::of(volumes).doubt(number, &mut found, &mut findings);
            assert_eq!(findings.any_open(), found.marks.has(Mark::Damaged));
            found.marks.has(Mark::Damaged)
        };
        let two = [volume(1, 0, 100, 0), volume(2, 80, 100, 0)];
        assert!(doubted(&two, 1, 75) && doubted(&two, 2, 95));
        assert!(!doubted(&two, 1, 70) && !doubted(&two, 2, 100));
        assert!(Shared::of(&two).findings(1).any_open() && Shared::of(&two).findings(2).any_open());
        // The first one's file system ends before the second begins; a second table that names the same volume.
        for other in [
            [volume(1, 0, 100, 80), volume(2, 80, 100, 0)],
            [volume(1, 0, 100, 0), volume(2, 0, 50, 0)],
        ] {
            assert!(!doubted(&other, 1, 75) && !doubted(&other, 2, 75));
        }
        let mut none = two;
        none[1].format = Format::None;
        assert!(!doubted(&none, 1, 75));
    }
}
