//! Damaged volumes: never a panic, never endless, and nothing that is listed as whole differs from what it was.
//!
//! Tables and contents have checksums, so with bytes changed anywhere there is no exception. Where the checksum of a changed block
//! is made to fit again, as nothing but bad faith does, the format cannot know: then the survey has to end, and that is all.

use super::super::ext::{Listing, try_content};
use super::super::tool::{Dice, Drive, Weak, blank, content as bytes, have, mutations, run};
use super::{listing, whole};
use holdpoint::port::{Fault, Sectors};
use holdpoint::survey::item::Mark;
use holdpoint::volume::filesystem::{Limits, Place};
use holdpoint::volume::sums::crc32c;
use std::collections::BTreeMap;

const BLOCK: usize = 4096;

/// Files, and a volume with them in it.
fn clean(more: &[&str]) -> (BTreeMap<String, Vec<u8>>, Drive) {
    let folder = tempfile::tempdir().unwrap();
    let (source, image) = (folder.path().join("source"), folder.path().join("volume"));
    std::fs::create_dir_all(source.join("a/b")).unwrap();
    let mut wanted = BTreeMap::new();
    for n in 0..40u64 {
        let name = format!("{}file{n}", ["", "a/", "a/b/"][n as usize % 3]);
        let bytes = bytes(n + 1, 300 + 1100 * n as usize);
        std::fs::write(source.join(&name), &bytes).unwrap();
        wanted.insert(name, bytes);
    }
    for n in 0..150u64 {
        std::fs::write(source.join(format!("a/a name of some length {n}")), b"").unwrap();
    }
    std::fs::hard_link(source.join("file3"), source.join("a/linked")).unwrap();
    wanted.insert("a/linked".to_owned(), wanted["file3"].clone());
    blank(&image, 128 << 20);
    let mut all = vec![
        "-q",
        "-n",
        "4096",
        "-r",
        source.to_str().unwrap(),
        "--shrink",
    ];
    all.extend(more);
    all.push(image.to_str().unwrap());
    run("mkfs.btrfs", &all);
    (wanted, Drive::load(&image))
}

/// A drive with some blocks of its own in place of others', and places that it refuses.
struct Changed<'a> {
    below: Weak<'a>,
    blocks: BTreeMap<u64, Vec<u8>>,
}

impl<'a> Changed<'a> {
    fn new(drive: &'a Drive) -> Self {
        let bad = Vec::new();
        Self {
            below: Weak { drive, bad },
            blocks: BTreeMap::new(),
        }
    }

    fn block(&mut self, at: usize) -> &mut Vec<u8> {
        let sound = &self.below.drive.bytes[at..at + BLOCK];
        self.blocks
            .entry(at as u64)
            .or_insert_with(|| sound.to_vec())
    }
}

impl Sectors for Changed<'_> {
    fn sector_bytes(&self) -> u32 {
        self.below.sector_bytes()
    }
    fn bytes(&self) -> u64 {
        self.below.bytes()
    }
    fn read_at(&self, at: u64, buf: &mut [u8]) -> Result<(), Fault> {
        self.below.read_at(at, buf)?;
        let end = at + buf.len() as u64;
        for (first, block) in &self.blocks {
            let (from, to) = (at.max(*first), end.min(first + BLOCK as u64));
            if from < to {
                let part = &block[(from - first) as usize..(to - first) as usize];
                buf[(from - at) as usize..(to - at) as usize].copy_from_slice(part);
            }
        }
        Ok(())
    }
}

/// Makes the checksum of a block fit.
fn seal(block: &mut [u8]) {
    let sum = !crc32c(!0, &block[32..]);
    block[..4].copy_from_slice(&sum.to_le_bytes());
}

/// Blocks that hold something.
fn used(drive: &Drive) -> Vec<usize> {
    let written = |at: &usize| drive.bytes[*at..*at + BLOCK].iter().any(|byte| *byte != 0);
    (0..drive.bytes.len() / BLOCK * BLOCK)
        .step_by(BLOCK)
        .filter(written)
        .collect()
}

/// Whether a block belongs to a table: it names its own address, or one of the same chunk, and the volume.
fn is_table(drive: &Drive, at: usize) -> bool {
    let id = &drive.bytes[65_536 + 0x20..65_536 + 0x30];
    at != 65_536 && &drive.bytes[at + 0x20..at + 0x30] == id
}

/// What is not marked has its own bytes; what is missing is told. Returns whether anything was told.
fn holds(
    sectors: &dyn Sectors,
    listing: &Listing,
    wanted: &BTreeMap<String, Vec<u8>>,
    why: &str,
) -> bool {
    let open = listing.survey.findings.any_open()
        || !listing.survey.whole
        || !listing.survey.accounts.add_up();
    let mut lost = 0;
    for (path, bytes) in wanted {
        let Some(found) = listing.items.get(path.as_bytes()) else {
            assert!(open, "{why}: {path} is missing, nothing tells");
            continue;
        };
        if found.marks.has(Mark::Damaged) || found.marks.has(Mark::Unreadable) {
            assert!(open, "{why}: {path} is marked, nothing tells");
            continue;
        }
        let (read, missing) = try_content(sectors, found);
        lost += missing.len();
        if missing.is_empty() {
            assert!(read == *bytes, "{why}: {path} reads as other bytes");
        }
    }
    open || lost > 0
}

fn mutated(more: &[&str], seed: u64, forged: bool) {
    let (wanted, sound) = clean(more);
    let listed = whole(&sound);
    listed.is_sound("undamaged");
    assert!(!holds(&sound, &listed, &wanted, "undamaged"));
    let used = used(&sound);
    let tables: Vec<usize> = used
        .iter()
        .copied()
        .filter(|at| is_table(&sound, *at))
        .collect();
    assert!(tables.len() > 10, "{}", tables.len());
    let mut dice = Dice(seed);
    let (mut told, mut refused) = (0, 0);
    let rounds = mutations(140);
    for round in 0..rounds {
        let mut drive = Changed::new(&sound);
        let mut changes = Vec::new();
        for _ in 0..1 + dice.roll(4) {
            let at = match forged || dice.roll(4) > 0 {
                true => tables[dice.roll(tables.len())],
                false => used[dice.roll(used.len())],
            };
            // The head, the keys in front, or anything.
            let into = match dice.roll(4) {
                0 => 32 + dice.roll(69),
                1 => 101 + dice.roll(600),
                _ => dice.roll(BLOCK),
            };
            let block = drive.block(at);
            block[into] = match dice.roll(4) {
                0 => block[into] ^ (1 << dice.roll(8)),
                1 => 0xFF,
                2 => 0,
                _ => dice.roll(256) as u8,
            };
            if forged {
                seal(block);
            }
            changes.push(at + into);
        }
        let limits = Limits {
            items: 5000,
            ..Limits::default()
        };
        let Ok(listing) = listing(&sound, &drive, limits) else {
            refused += 1;
            continue;
        };
        let why = format!("round {round}, {changes:?}");
        if !forged {
            told += u32::from(holds(&drive, &listing, &wanted, &why));
            continue;
        }
        for found in listing.items.values().filter(|found| found.bytes < 1 << 28) {
            if found.layout.is_some() {
                let _ = try_content(&drive, found);
            }
        }
        told += u32::from(listing.survey.findings.any_open());
    }
    assert!(told > 0);
    println!("{more:?}, forged {forged}: {rounds} damaged volumes, {told} told, {refused} refused");
}

#[test]
fn damaged_volumes_end_and_tell() {
    if have("damaged_volumes_end_and_tell", &["mkfs.btrfs"]) {
        mutated(&["-m", "single"], 0xB7, false);
        mutated(&["-m", "single", "-O", "^no-holes"], 0xB8, false);
        mutated(&["-m", "dup"], 0xB9, false);
    }
}

#[test]
fn forged_volumes_end() {
    if have("forged_volumes_end", &["mkfs.btrfs"]) {
        mutated(&["-m", "single"], 0xBA, true);
        mutated(
            &["-m", "single", "-O", "^no-holes,^skinny-metadata"],
            0xBB,
            true,
        );
    }
}

/// Any one sector that cannot be read, and any one block of a table that is wrong in its first copy.
#[test]
fn bad_sectors_cost_what_lies_in_them_and_no_more() {
    let name = "bad_sectors_cost_what_lies_in_them_and_no_more";
    if !have(name, &["mkfs.btrfs"]) {
        return;
    }
    let (wanted, sound) = clean(&["-m", "single"]);
    let listed = whole(&sound);
    // Within content: one block of the file, and nothing else.
    let bytes = &wanted["a/b/file38"];
    let used = used(&sound);
    let at = used
        .iter()
        .find(|at| sound.bytes[**at..].starts_with(&bytes[8192..8292]))
        .unwrap();
    let mut drive = Changed::new(&sound);
    drive.block(*at)[77] ^= 8;
    let now = listing(&sound, &drive, Limits::default()).unwrap();
    assert_eq!(now.items, listed.items);
    let (read, missing) = try_content(&drive, now.get("a/b/file38"));
    assert_eq!(missing, [(8192, 4096)]);
    assert_eq!(read[8192..12_288], [0; 4096]);
    assert_eq!(
        (&read[..8192], &read[12_288..]),
        (&bytes[..8192], &bytes[12_288..])
    );
    // Every table, and of the contents one block in nine.
    let tried = used
        .iter()
        .zip(0..)
        .filter(|(at, n)| n % 9 == 0 || is_table(&sound, **at));
    for (at, _) in tried {
        let mut drive = Changed::new(&sound);
        drive.below.bad.push(*at as u64 / 512 + 3);
        match listing(&sound, &drive, Limits::default()) {
            Ok(now) => drop(holds(&drive, &now, &wanted, &format!("byte {at}"))),
            // The superblock has no copy on so small a volume, and whatever the trees begin with is gone with its block.
            Err(why) => assert!(*at == 65_536 || is_table(&sound, *at), "byte {at}: {why}"),
        }
    }
    // With two copies of the tables none of their blocks is missed.
    let (wanted, sound) = clean(&["-m", "dup"]);
    let listed = whole(&sound);
    let tables = super::damage::used(&sound)
        .into_iter()
        .filter(|at| is_table(&sound, *at));
    for at in tables {
        let mut drive = Changed::new(&sound);
        drive.block(at)[200] ^= 1;
        let now = listing(&sound, &drive, Limits::default()).unwrap();
        now.is_sound("one copy is wrong");
        assert_eq!(
            now.items.keys().collect::<Vec<_>>(),
            listed.items.keys().collect::<Vec<_>>()
        );
        for (path, bytes) in &wanted {
            let (read, _) = try_content(&drive, now.get(path));
            assert!(read == *bytes, "byte {at}: {path}");
        }
    }
}

/// On a drive of its own partition table: a volume that begins anywhere.
#[test]
fn a_volume_may_begin_anywhere() {
    if !have("a_volume_may_begin_anywhere", &["mkfs.btrfs"]) {
        return;
    }
    let (wanted, sound) = clean(&[]);
    let mut bytes = vec![0xEE; 1536];
    bytes.extend_from_slice(&sound.bytes);
    let drive = Drive::new(bytes);
    let place = Place {
        first_byte: 1536,
        bytes: sound.bytes.len() as u64,
    };
    let mut all = Vec::new();
    let see = &mut |found| all.push(found);
    let survey =
        holdpoint::volume::btrfs::survey(&drive, place, &drive, place, Limits::default(), see)
            .unwrap();
    let listing = super::with_paths(survey, all);
    listing.is_sound("moved");
    assert!(!holds(&drive, &listing, &wanted, "moved"));
}

/// A block of another change than the one that was meant is none, however sound it is in itself: such a block is what a write
/// that never came to the medium leaves in its place.
#[test]
fn a_block_of_another_change_is_told() {
    if !have("a_block_of_another_change_is_told", &["mkfs.btrfs"]) {
        return;
    }
    let (wanted, sound) = clean(&["-m", "single"]);
    let mut told = 0;
    for at in used(&sound) {
        if !is_table(&sound, at) {
            continue;
        }
        let mut drive = Changed::new(&sound);
        let block = drive.block(at);
        block[0x50] ^= 1;
        seal(block);
        told += match listing(&sound, &drive, Limits::default()) {
            Ok(now) => u32::from(holds(&drive, &now, &wanted, &format!("byte {at}"))),
            Err(_) => 1,
        };
    }
    assert!(told > 5, "{told}");
}
