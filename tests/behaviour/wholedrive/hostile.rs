//! Drives that nobody made: a whole image with bytes changed at random is planned and surveyed without a panic, without
//! an endless loop, and in bounded time. `HOLDPOINT_HOSTILE_DRIVES` asks for more of them.

use super::laptop::{self, Laptop};
use crate::volume::tool::{Dice, Drive};
use holdpoint::volume::filesystem::{Limits, Place};
use holdpoint::volume::gap::{self, Budget};
use holdpoint::volume::signature::{VolumeState, What, judge, probe};
use holdpoint::volume::{exfat, ext, fat, map, ntfs};
use std::sync::Arc;
use std::time::{Duration, Instant};

/// What `plan` does with a drive, without its ledger: map, probe, judge, look, survey.
fn look_at(drive: &Arc<Drive>) -> u64 {
    let layout = map::read(drive.as_ref());
    let mut items = 0u64;
    for partition in &layout.partitions {
        let place = partition.place;
        let found = probe(drive.as_ref(), place);
        let look = found
            .hits
            .is_empty()
            .then(|| gap::look(drive.as_ref(), place, Budget { bytes: 8 << 20 }));
        let (state, _) = judge(partition.kind, place.bytes, &found, look.as_ref());
        let (what, boot_at) = match state {
            VolumeState::Readable(what) => (what, 0),
            VolumeState::Damaged { what, boot_at, .. } => (what, boot_at),
            _ => continue,
        };
        items += survey(drive, what, place, boot_at);
    }
    items
}

fn survey(drive: &Arc<Drive>, what: What, place: Place, boot_at: u64) -> u64 {
    let mut items = 0u64;
    let mut see = |_| items += 1;
    let limits = Limits::default();
    match what {
        What::Ntfs => {
            let _ = ntfs::survey(drive.as_ref(), place, &limits, &mut see);
        }
        What::ExFat => {
            let _ = exfat::survey(drive.as_ref(), place, boot_at, limits, &mut see);
        }
        What::Fat12 | What::Fat16 | What::Fat32 => {
            let _ = fat::survey(drive.as_ref(), place, boot_at, limits, &mut see);
        }
        What::Ext2 | What::Ext3 | What::Ext4 => {
            let _ = ext::survey(drive.as_ref(), place, boot_at, limits, &mut see);
        }
        _ => {}
    }
    items
}

/// Places worth changing: tables, boot sectors, the start of each volume, file tables and what they point to.
fn change(dice: &mut Dice, drive: &mut Drive, interesting: &[usize]) -> Vec<(usize, u8)> {
    let mut undo = Vec::new();
    for _ in 0..=dice.roll(24) {
        let at = match dice.roll(3) {
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
    let whole = look_at(&drive);
    assert!(whole > 60, "{whole}");
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
        let undo = change(&mut dice, own, &interesting);
        let started = Instant::now();
        let outcome = std::panic::catch_unwind(std::panic::AssertUnwindSafe(|| look_at(&drive)));
        slowest = slowest.max(started.elapsed());
        assert!(outcome.is_ok(), "seed {seed} panicked");
        assert!(
            outcome.unwrap() < 1_000_000,
            "seed {seed}: items out of nothing"
        );
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
    assert_eq!(look_at(&drive), whole, "every change was taken back");
    println!("{rounds} changed drives, the slowest took {slowest:?}");
}
