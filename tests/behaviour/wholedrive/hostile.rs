//! Drives that nobody made: a whole image with bytes changed at random is planned and surveyed without a panic, without
//! an endless loop, and in bounded time, and nothing that is called whole has other bytes than were written to it.
//! `HOLDPOINT_HOSTILE_DRIVES` asks for more of them.
//!
//! Checked precisely: what a changed drive's tables say of a file is read from the *unchanged* drive, because a change to a
//! file's own content is nothing that a table could tell. Every file without a mark, in a survey without an open point, must
//! then have the true digest, unless a changed byte lies where the format has no check of its own: in the NTFS record of the
//! file or of a folder above it, beside its FAT entry, or in the twelve bytes by which an ext journal goes on (one that ends
//! early is normal after a crash). How often that was so is printed.

use super::laptop::{self, Key, Laptop, sha256};
use crate::ntfs::content;
use crate::volume::tool::{Dice, Drive};
use holdpoint::survey::item::{Kind, Mark};
use holdpoint::volume::filesystem::{Found, Limits, NotSurveyed, Place, Survey};
use holdpoint::volume::gap::{self, Budget};
use holdpoint::volume::layout::Layout;
use holdpoint::volume::signature::{VolumeState, What, judge, probe};
use holdpoint::volume::{exfat, ext, fat, map, ntfs};
use std::collections::{BTreeMap, HashMap};
use std::sync::Arc;
use std::time::{Duration, Instant};

/// One surveyed volume.
struct Volume {
    word: String,
    place: Place,
    what: What,
    /// Something asks for a decision about it: nothing in it is called whole without a word.
    told: bool,
    found: Vec<Found>,
}

/// What `plan` does with a drive, without its ledger: map, probe, judge, look, survey.
fn look_at(drive: &Arc<Drive>) -> Vec<Volume> {
    let layout = map::read(drive.as_ref());
    let mut partitions: Vec<_> = layout.partitions.iter().collect();
    partitions.sort_by_key(|partition| (partition.place.first_byte, partition.number));
    let mut out = Vec::new();
    for (index, partition) in (1..).zip(partitions) {
        let place = partition.place;
        let seen = probe(drive.as_ref(), place);
        let look = seen
            .hits
            .is_empty()
            .then(|| gap::look(drive.as_ref(), place, Budget { bytes: 8 << 20 }));
        let (state, findings) = judge(partition.kind, place.bytes, &seen, look.as_ref());
        let (what, boot_at, damaged) = match state {
            VolumeState::Readable(what) => (what, 0, false),
            VolumeState::Damaged { what, boot_at, .. } => (what, boot_at, true),
            _ => continue,
        };
        let mut found = Vec::new();
        let Ok(survey) = survey(drive, what, place, boot_at, &mut |one| found.push(one)) else {
            continue;
        };
        let open = damaged || layout.findings.any_open() || findings.any_open();
        out.push(Volume {
            word: format!("drive1-volume{index}"),
            place,
            what,
            told: open || survey.findings.any_open() || !survey.whole || !survey.accounts.add_up(),
            found,
        });
    }
    out
}

fn survey(
    drive: &Arc<Drive>,
    what: What,
    place: Place,
    boot_at: u64,
    see: &mut dyn FnMut(Found),
) -> Result<Survey, NotSurveyed> {
    let limits = Limits::default();
    match what {
        What::Ntfs => ntfs::survey(drive.as_ref(), place, &limits, see),
        What::ExFat => exfat::survey(drive.as_ref(), place, boot_at, limits, see),
        What::Fat12 | What::Fat16 | What::Fat32 => {
            fat::survey(drive.as_ref(), place, boot_at, limits, see)
        }
        What::Ext2 | What::Ext3 | What::Ext4 => {
            ext::survey(drive.as_ref(), place, boot_at, limits, see)
        }
        _ => Err(NotSurveyed::because("surveying", "no reader", "none")),
    }
}

impl Volume {
    /// Every file with content that bears no mark: its key, the records that it depends on, and the item.
    fn whole(&self) -> Vec<(Key, Vec<u64>, &Found)> {
        let folders: HashMap<u64, &Found> = self
            .found
            .iter()
            .filter(|found| found.stream.is_none() && found.kind == Kind::Folder)
            .map(|found| (found.record, found))
            .collect();
        let marked = |found: &Found| {
            found.marks.has(Mark::Damaged)
                || found.marks.has(Mark::Unreadable)
                || found.trouble.is_some()
                || found.no_content.is_some()
                || found.layout.is_none()
        };
        let mut out = Vec::new();
        for found in &self.found {
            if found.kind != Kind::File || marked(found) {
                continue;
            }
            let (mut at, mut path, mut on) = (found, found.name.text(), vec![found.record]);
            for _ in 0..300 {
                match folders.get(&at.parent) {
                    Some(up) if up.record != up.parent => {
                        on.push(up.record);
                        path = format!("{}/{path}", up.name.text());
                        at = up;
                    }
                    _ => break,
                }
            }
            let stream = found.stream.as_ref().map(|stream| stream.text());
            out.push(((self.word.clone(), path, stream), on, found));
        }
        out
    }
}

/// The unchanged drive.
struct Clean {
    drive: Drive,
    truth: BTreeMap<Key, String>,
    layouts: HashMap<Key, Layout>,
    /// Place of each NTFS record, by the first byte of its volume and its base record's number.
    records: HashMap<(u64, u64), Vec<usize>>,
}

impl Clean {
    fn of(laptop: &Laptop, drive: Drive, volumes: &[Volume]) -> Self {
        let mut out = Self {
            drive,
            truth: laptop.truth.clone(),
            layouts: HashMap::new(),
            records: HashMap::new(),
        };
        for volume in volumes {
            for (key, _, found) in volume.whole() {
                out.layouts.insert(key, found.layout.clone().unwrap());
            }
            if volume.what != What::Ntfs {
                continue;
            }
            let (first, end) = (volume.place.first_byte, volume.place.end());
            for at in (first as usize..end as usize).step_by(1024) {
                let record = &out.drive.bytes[at..at + 1024];
                if !record.starts_with(b"FILE") {
                    continue;
                }
                let own = u32::from_le_bytes(record[0x2C..0x30].try_into().unwrap());
                let base = u64::from_le_bytes(record[0x20..0x28].try_into().unwrap());
                let number = match base & 0xFFFF_FFFF_FFFF {
                    0 => u64::from(own),
                    base => base,
                };
                out.records.entry((first, number)).or_default().push(at);
            }
        }
        out
    }

    /// The sectors that say where files lie: NTFS records, FAT entries, and the start of each volume, where the tables are.
    fn tables(&self, volumes: &[Volume]) -> Vec<usize> {
        let mut out: Vec<usize> = self.records.values().flatten().copied().collect();
        for volume in volumes {
            let first = volume.place.first_byte as usize;
            out.extend((0..128).map(|sector| first + sector * 512));
            if matches!(volume.what, What::Fat12 | What::Fat16 | What::Fat32) {
                let entries = volume
                    .found
                    .iter()
                    .map(|found| first + found.record as usize);
                out.extend(entries.map(|at| at / 512 * 512));
            }
        }
        out
    }

    /// Whether the format has no check of its own for one of the changed bytes that this file depends on.
    fn cannot_know(&self, volume: &Volume, on: &[u64], changed: &[(usize, u8)]) -> bool {
        let near = |at: usize, span: std::ops::Range<usize>| {
            changed
                .iter()
                .any(|(byte, _)| (at + span.start..at + span.end).contains(byte))
        };
        match volume.what {
            What::Ntfs => on.iter().any(|number| {
                let places = self.records.get(&(volume.place.first_byte, *number));
                places.is_some_and(|places| places.iter().any(|at| near(*at, 0..1024)))
            }),
            What::Fat12 | What::Fat16 | What::Fat32 => on.iter().any(|record| {
                let at = (volume.place.first_byte + record) as usize;
                near(at.saturating_sub(512), 0..1024)
            }),
            // The journal's blocks are 1024 bytes here.
            What::Ext2 | What::Ext3 | What::Ext4 => changed.iter().any(|(byte, _)| {
                let block = byte / 1024 * 1024;
                byte - block < 12
                    && self.drive.bytes[block..].starts_with(&[0xC0, 0x3B, 0x39, 0x98])
            }),
            _ => false,
        }
    }

    /// Compares; returns how many files were called whole, how many of them lay elsewhere than before, and how many of
    /// these differed where nothing could tell.
    fn compare(&self, seed: u64, volumes: &[Volume], changed: &[(usize, u8)]) -> [u64; 3] {
        let (mut all, mut moved, mut excused) = (0, 0, 0);
        for volume in volumes.iter().filter(|volume| !volume.told) {
            for (key, on, found) in volume.whole() {
                let (Some(truth), Some(layout)) = (self.truth.get(&key), &found.layout) else {
                    continue;
                };
                all += 1;
                if self.layouts.get(&key) == Some(layout) {
                    continue;
                }
                moved += 1;
                let same = layout.length <= 64 << 20 && {
                    let (bytes, missing) = content(found, &self.drive);
                    // Gaps are named by the reader.
                    !missing.is_empty() || &sha256(&bytes) == truth
                };
                if same {
                    continue;
                }
                assert!(
                    self.cannot_know(volume, &on, changed),
                    "seed {seed}: {key:?} has other bytes and nothing says so: {found:?}; {changed:?}"
                );
                excused += 1;
            }
        }
        [all, moved, excused]
    }
}

/// Places worth changing: tables, boot sectors, the start of each volume, file tables and what they point to.
fn change(
    dice: &mut Dice,
    drive: &mut Drive,
    interesting: &[usize],
    tables: &[usize],
) -> Vec<(usize, u8)> {
    let mut undo = Vec::new();
    // Many changes at once find what panics; one or two, in what says where a file lies, find what is not told.
    let (most, few) = match dice.roll(2) {
        0 => (24, false),
        _ => (2, true),
    };
    for _ in 0..=dice.roll(most) {
        let at = match dice.roll(3) {
            _ if few => tables[dice.roll(tables.len())] + dice.roll(512),
            0 => dice.roll(drive.bytes.len()),
            1 => interesting[dice.roll(interesting.len())] + dice.roll(512),
            _ => interesting[dice.roll(interesting.len())] + dice.roll(64),
        };
        let Some(byte) = drive.bytes.get_mut(at) else {
            continue;
        };
        undo.push((at, *byte));
        *byte = match dice.roll(4) {
            0 => 0,
            1 => 0xff,
            2 => *byte ^ (1 << dice.roll(8)),
            _ => dice.roll(256) as u8,
        };
    }
    undo
}

#[test]
fn changed_drives_are_looked_at_to_the_end() {
    if !laptop::can_make("changed_drives_are_looked_at_to_the_end") {
        return;
    }
    let folder = tempfile::tempdir().unwrap();
    let laptop = Laptop::with_everything(folder.path());
    let mut drive = Arc::new(Drive::load(&laptop.image));
    let volumes = look_at(&drive);
    let items = |volumes: &[Volume]| volumes.iter().map(|one| one.found.len()).sum::<usize>();
    let whole = items(&volumes);
    assert!(whole > 60, "{whole}");
    assert!(volumes.iter().all(|volume| !volume.told));
    let clean = Clean::of(&laptop, Drive::load(&laptop.image), &volumes);
    let known = clean
        .layouts
        .keys()
        .filter(|key| clean.truth.contains_key(*key));
    let known = known.count();
    assert!(known > 35, "{known} files of which the truth is known");
    let tables = clean.tables(&volumes);
    let mut counts = [0; 3];
    // Every sector that is not blank, up to a bound, is where a change can matter.
    let interesting: Vec<usize> = (0..drive.bytes.len())
        .step_by(512)
        .filter(|at| {
            let sector = &drive.bytes[*at..*at + 512];
            sector
                .iter()
                .filter(|byte| **byte != 0)
                .count()
                .wrapping_sub(1)
                < 300
        })
        .take(20_000)
        .collect();
    let rounds = std::env::var("HOLDPOINT_HOSTILE_DRIVES")
        .ok()
        .and_then(|text| text.parse().ok())
        .unwrap_or(200u64);
    let mut slowest = Duration::ZERO;
    for seed in 1..=rounds {
        let mut dice = Dice(seed.wrapping_mul(0x9E37_79B9_7F4A_7C15) | 1);
        let own = Arc::get_mut(&mut drive).unwrap();
        let undo = change(&mut dice, own, &interesting, &tables);
        let started = Instant::now();
        let outcome = std::panic::catch_unwind(std::panic::AssertUnwindSafe(|| look_at(&drive)));
        slowest = slowest.max(started.elapsed());
        assert!(outcome.is_ok(), "seed {seed} panicked");
        let volumes = outcome.unwrap();
        assert!(
            items(&volumes) < 1_000_000,
            "seed {seed}: items out of nothing"
        );
        let more = clean.compare(seed, &volumes, &undo);
        counts = [0, 1, 2].map(|n| counts[n] + more[n]);
        // A bound that a busy machine keeps, and an endless loop does not.
        assert!(
            started.elapsed() < Duration::from_secs(120),
            "seed {seed} took {:?}",
            started.elapsed()
        );
        let own = Arc::get_mut(&mut drive).unwrap();
        for (at, byte) in undo.into_iter().rev() {
            own.bytes[at] = byte;
        }
    }
    assert_eq!(
        items(&look_at(&drive)),
        whole,
        "every change was taken back"
    );
    let [all, moved, excused] = counts;
    println!(
        "{rounds} changed drives, the slowest took {slowest:?}; {all} files called whole, {moved} of them laid out otherwise than before, {excused} with other bytes where no format can tell"
    );
}
