//! Volumes written by a writer of our own after the specification (`tests/behaviour` reads ones that another
//! implementation formatted), then damaged and read again.

use super::*;
use crate::volume::bytes::Image;
use crate::volume::layout::{Layout, Piece};
use std::collections::BTreeMap;

const SECTOR: usize = 512;
const CLUSTER: usize = 1024;
const CLUSTERS: usize = 1000;
const TABLE: usize = 24;
const HEAP: usize = 40;

struct Dice(u64);

impl Dice {
    fn roll(&mut self, below: usize) -> usize {
        self.0 ^= self.0 << 13;
        self.0 ^= self.0 >> 7;
        self.0 ^= self.0 << 17;
        (self.0 >> 11) as usize % below
    }
}

fn content(seed: u64, bytes: usize) -> Vec<u8> {
    let mut dice = Dice(seed.wrapping_mul(0x9E37_79B9_7F4A_7C15) | 1);
    (0..bytes).map(|_| dice.roll(256) as u8).collect()
}

/// Writes a volume: 512-byte sectors, 1 KiB clusters.
struct Writer {
    image: Vec<u8>,
    next: usize,
    used: Vec<usize>,
}

#[derive(Clone, Copy, PartialEq)]
enum Place2 {
    /// One run, no chain.
    Run,
    /// A chain of every second cluster.
    Chain,
}

impl Writer {
    fn new() -> Self {
        Self {
            image: vec![0; (HEAP + CLUSTERS * 2) * SECTOR],
            next: 2,
            used: Vec::new(),
        }
    }

    fn at(cluster: usize) -> usize {
        HEAP * SECTOR + (cluster - 2) * CLUSTER
    }

    fn link(&mut self, cluster: usize, to: u32) {
        let at = TABLE * SECTOR + cluster * 4;
        self.image[at..at + 4].copy_from_slice(&to.to_le_bytes());
    }

    /// Stores bytes and returns the first cluster.
    fn store(&mut self, bytes: &[u8], how: Place2) -> usize {
        let step = if how == Place2::Run { 1 } else { 2 };
        let first = self.next;
        let count = bytes.len().div_ceil(CLUSTER).max(1);
        for (n, piece) in bytes.chunks(CLUSTER).enumerate() {
            let cluster = first + n * step;
            self.image[Self::at(cluster)..Self::at(cluster) + piece.len()].copy_from_slice(piece);
        }
        for n in 0..count {
            let cluster = first + n * step;
            self.used.push(cluster);
            if how == Place2::Chain {
                self.link(
                    cluster,
                    if n + 1 == count {
                        u32::MAX
                    } else {
                        (cluster + step) as u32
                    },
                );
            }
        }
        self.next = first + count * step;
        first
    }

    fn finish(mut self, root: &[u8]) -> Image {
        // Bitmap, up-case table and root last: the bitmap's own place is reserved first.
        let bitmap = self.store(&vec![0; CLUSTERS.div_ceil(8)], Place2::Chain);
        let letters = [0x41u8, 0, 0x42, 0];
        let up_case = self.store(&letters, Place2::Chain);
        let mut entries = vec![0u8; 96];
        entries[0] = 0x83;
        entries[1] = 3;
        entries[2..8].copy_from_slice(&[b'O', 0, b'L', 0, b'D', 0]);
        entries[32] = 0x81;
        entries[52..56].copy_from_slice(&(bitmap as u32).to_le_bytes());
        entries[56..64].copy_from_slice(&(CLUSTERS.div_ceil(8) as u64).to_le_bytes());
        entries[64] = 0x82;
        let sum = letters.iter().fold(0u32, |sum, b| {
            sum.rotate_right(1).wrapping_add(u32::from(*b))
        });
        entries[68..72].copy_from_slice(&sum.to_le_bytes());
        entries[84..88].copy_from_slice(&(up_case as u32).to_le_bytes());
        entries[88..96].copy_from_slice(&4u64.to_le_bytes());
        entries.extend_from_slice(root);
        let root = self.store(&entries, Place2::Chain);
        for cluster in self.used.clone() {
            self.image[Self::at(bitmap) + (cluster - 2) / 8] |= 1 << ((cluster - 2) % 8);
        }
        let mut boot = vec![0u8; SECTOR * 12];
        boot[..3].copy_from_slice(&[0xEB, 0x76, 0x90]);
        boot[3..11].copy_from_slice(b"EXFAT   ");
        let sectors = (self.image.len() / SECTOR) as u64;
        boot[72..80].copy_from_slice(&sectors.to_le_bytes());
        boot[80..84].copy_from_slice(&(TABLE as u32).to_le_bytes());
        boot[84..88].copy_from_slice(&8u32.to_le_bytes());
        boot[88..92].copy_from_slice(&(HEAP as u32).to_le_bytes());
        boot[92..96].copy_from_slice(&(CLUSTERS as u32).to_le_bytes());
        boot[96..100].copy_from_slice(&(root as u32).to_le_bytes());
        boot[100..104].copy_from_slice(&0xCAFE_1234u32.to_le_bytes());
        boot[105] = 1;
        boot[108] = 9;
        boot[109] = 1;
        boot[110] = 1;
        boot[510..512].copy_from_slice(&[0x55, 0xAA]);
        let mut sum = 0u32;
        for (at, byte) in boot[..11 * SECTOR].iter().enumerate() {
            if ![106, 107, 112].contains(&at) {
                sum = sum.rotate_right(1).wrapping_add(u32::from(*byte));
            }
        }
        for repeat in boot[11 * SECTOR..].chunks_mut(4) {
            repeat.copy_from_slice(&sum.to_le_bytes());
        }
        self.image[..boot.len()].copy_from_slice(&boot);
        self.image[boot.len()..2 * boot.len()].copy_from_slice(&boot);
        Image::new(self.image)
    }
}

/// An entry set.
fn set(name: &str, folder: bool, how: Place2, cluster: usize, bytes: u64, valid: u64) -> Vec<u8> {
    let units: Vec<u16> = name.encode_utf16().collect();
    let names = units.len().div_ceil(15);
    let mut out = vec![0u8; 32 * (2 + names)];
    out[0] = 0x85;
    out[1] = (1 + names) as u8;
    out[4] = if folder { 0x10 } else { 0x20 };
    out[12..16].copy_from_slice(&((46u32 << 9 | 11 << 5 | 25) << 16).to_le_bytes());
    out[32] = 0xC0;
    out[33] = 1 | if how == Place2::Run { 2 } else { 0 };
    out[35] = units.len() as u8;
    out[40..48].copy_from_slice(&valid.to_le_bytes());
    out[52..56].copy_from_slice(&(cluster as u32).to_le_bytes());
    out[56..64].copy_from_slice(&bytes.to_le_bytes());
    for (n, part) in units.chunks(15).enumerate() {
        let at = 64 + n * 32;
        out[at] = 0xC1;
        for (k, unit) in part.iter().enumerate() {
            out[at + 2 + 2 * k..at + 4 + 2 * k].copy_from_slice(&unit.to_le_bytes());
        }
    }
    let sum = entry::set_sum(&out);
    out[2..4].copy_from_slice(&sum.to_le_bytes());
    out
}

fn volume() -> (Image, BTreeMap<String, Vec<u8>>) {
    let mut writer = Writer::new();
    let mut files = BTreeMap::new();
    let mut root = Vec::new();
    let mut inner = Vec::new();
    let cases = [
        ("run.bin", Place2::Run, 5000, 5000),
        ("chain.bin", Place2::Chain, 9000, 9000),
        ("partly written.dat", Place2::Run, 8000, 3000),
        ("exact", Place2::Chain, 1024, 1024),
        (
            "Größe ☃ and a name that needs more than one entry of fifteen units",
            Place2::Chain,
            70_000,
            70_000,
        ),
        ("nothing written", Place2::Chain, 4096, 0),
        ("one", Place2::Run, 1, 1),
    ];
    for (seed, (name, how, bytes, valid)) in cases.into_iter().enumerate() {
        for (folder, list) in [("", &mut root), ("Folder/", &mut inner)] {
            let stored = content(seed as u64 * 2 + folder.len() as u64 + 1, bytes);
            let cluster = writer.store(&stored, how);
            list.extend(set(name, false, how, cluster, bytes as u64, valid as u64));
            let mut reads = stored;
            reads[valid..].fill(0);
            files.insert(format!("{folder}{name}"), reads);
        }
    }
    root.extend(set("empty", false, Place2::Chain, 0, 0, 0));
    files.insert("empty".to_owned(), Vec::new());
    // A deleted one: in-use bits clear.
    let mut gone = set("gone", false, Place2::Run, 2, 10, 10);
    for entry in gone.chunks_mut(32) {
        entry[0] &= 0x7F;
    }
    inner.extend(gone);
    let size = inner.len().next_multiple_of(CLUSTER);
    inner.resize(size, 0);
    let cluster = writer.store(&inner, Place2::Chain);
    root.extend(set(
        "Folder",
        true,
        Place2::Chain,
        cluster,
        size as u64,
        size as u64,
    ));
    (writer.finish(&root), files)
}

fn bytes_of(image: &Image, layout: &Layout) -> Vec<u8> {
    let mut out = Vec::new();
    for piece in &layout.pieces {
        match piece {
            Piece::Extent { at, bytes } => {
                match image.bytes.get(*at as usize..(*at + *bytes) as usize) {
                    Some(found) => out.extend_from_slice(found),
                    None => out.resize(out.len() + *bytes as usize, 0),
                }
            }
            other => out.resize(out.len() + other.bytes() as usize, 0),
        }
    }
    out.truncate(layout.length as usize);
    let valid = (layout.valid as usize).min(out.len());
    out[valid..].fill(0);
    out
}

fn listing_from(
    image: &Image,
    boot_at: u64,
) -> Result<(Survey, BTreeMap<String, Found>), NotSurveyed> {
    let mut paths: HashMap<u64, String> = HashMap::new();
    let mut items = BTreeMap::new();
    let limits = Limits {
        items: 20_000,
        depth: 64,
        table_bytes: 64 << 20,
    };
    let survey = survey(
        image,
        image.place(),
        boot_at,
        limits,
        &mut |found: Found| {
            if found.record == 0 {
                paths.insert(0, String::new());
                return;
            }
            let path = format!(
                "{}{}",
                paths.get(&found.parent).expect("a parent comes first"),
                found.name.text()
            );
            if found.kind == Kind::Folder {
                paths.insert(found.record, format!("{path}/"));
            }
            items.insert(path, found);
        },
    )?;
    Ok((survey, items))
}

fn listing(image: &Image) -> (Survey, BTreeMap<String, Found>) {
    listing_from(image, 0).unwrap()
}

#[test]
fn runs_chains_and_unwritten_ends_are_read() {
    let (image, files) = volume();
    let (survey, items) = listing(&image);
    assert_eq!(survey.findings.list(), []);
    assert!(
        survey.whole && survey.accounts.add_up(),
        "{:?}",
        survey.accounts
    );
    assert_eq!(survey.label.as_ref().unwrap().text(), "OLD");
    assert_eq!(survey.serial.as_deref(), Some("CAFE-1234"));
    assert_eq!(survey.dirty, Some(false));
    let listed: Vec<_> = items
        .iter()
        .filter(|(_, f)| f.kind == Kind::File)
        .map(|(path, _)| path.clone())
        .collect();
    assert_eq!(listed, files.keys().cloned().collect::<Vec<_>>());
    for (path, wanted) in &files {
        let found = &items[path];
        assert_eq!(found.bytes, wanted.len() as u64, "{path}");
        assert!(
            bytes_of(&image, found.layout.as_ref().unwrap()) == *wanted,
            "{path}"
        );
    }
    assert_eq!(
        items["Folder"].times.modified,
        Some(1_795_564_800_000_000_000)
    );
}

#[test]
fn the_backup_serves_when_the_first_region_is_gone() {
    let (mut image, files) = volume();
    image.bytes[..512].fill(0);
    assert!(listing_from(&image, 0).is_err());
    let (survey, items) = listing_from(&image, 12 * 512).unwrap();
    assert!(survey.findings.of("boot-sector-from-backup").is_some());
    assert_eq!(
        items.values().filter(|f| f.kind == Kind::File).count(),
        files.len()
    );
}

#[test]
fn flags_tell_dirt_and_disk_errors() {
    let (mut image, _) = volume();
    image.bytes[106] = 6;
    let (survey, _) = listing(&image);
    assert_eq!(survey.dirty, Some(true));
    assert!(survey.findings.of("hard-errors-seen").is_some());
    assert!(!survey.findings.any_open());
}

fn entry_of(image: &Image, items: &BTreeMap<String, Found>, path: &str) -> usize {
    let at = items[path].record as usize;
    assert_eq!(image.bytes[at], 0x85);
    at
}

#[test]
fn each_protection_is_checked() {
    let (sound, _) = volume();
    let (_, items) = listing(&sound);
    let again = |image: &Image| listing(image);
    // Entry set: any byte.
    let mut image = Image::new(sound.bytes.clone());
    let at = entry_of(&image, &items, "chain.bin");
    // A date: nothing but the sum can tell.
    image.bytes[at + 15] ^= 2;
    assert!(again(&image).1["chain.bin"].marks.has(Mark::Damaged));
    // A cluster that the bitmap calls free.
    let mut image = Image::new(sound.bytes.clone());
    let bitmap = (0..)
        .step_by(CLUSTER)
        .map(|n| HEAP * SECTOR + n)
        .find(|at| image.bytes[*at..*at + 4] == [0x41, 0, 0x42, 0])
        .unwrap()
        - 2 * CLUSTER;
    image.bytes[bitmap] &= !1;
    let (survey, after) = again(&image);
    assert_eq!(survey.accounts.owned_but_free, 1);
    assert!(after["run.bin"].marks.has(Mark::Damaged));
    // One that it calls in use without an owner.
    let mut image = Image::new(sound.bytes.clone());
    image.bytes[bitmap + 120] |= 0x80;
    let (survey, _) = again(&image);
    assert_eq!(survey.accounts.in_use_without_owner, 1);
    assert!(survey.findings.of("clusters-without-owner").is_some());
    // The boot region's sum.
    let mut image = Image::new(sound.bytes.clone());
    image.bytes[300] ^= 1;
    assert!(again(&image).0.findings.of("boot-region-sum").is_some());
    // The up-case table's.
    let mut image = Image::new(sound.bytes.clone());
    image.bytes[bitmap + 2 * CLUSTER] ^= 1;
    assert!(
        again(&image)
            .0
            .findings
            .of("up-case-table-damaged")
            .is_some()
    );
    // A chain that is shorter than the size.
    let mut image = Image::new(sound.bytes.clone());
    let first = u32::from_le_bytes(image.bytes[at + 52..at + 56].try_into().unwrap()) as usize;
    image.bytes[TABLE * SECTOR + first * 4..TABLE * SECTOR + first * 4 + 4].fill(0xFF);
    let (survey, after) = again(&image);
    assert!(after["chain.bin"].marks.has(Mark::Damaged));
    assert!(survey.accounts.in_use_without_owner > 0);
}

/// exFAT specification, 7.6.7: the chain is as long as its clusters; nothing says that its length needs them all.
#[test]
fn clusters_set_aside_behind_the_size_are_no_damage() {
    let (mut image, files) = volume();
    let (_, items) = listing(&image);
    let pieces = &items["chain.bin"].layout.as_ref().unwrap().pieces;
    let Some(Piece::Extent { at, .. }) = pieces.last() else {
        panic!("no extent")
    };
    let last = (*at as usize - HEAP * SECTOR) / CLUSTER + 2;
    let spare = CLUSTERS - 8;
    let mut link = |from: usize, to: usize| {
        image.bytes[TABLE * SECTOR + from * 4..][..4].copy_from_slice(&(to as u32).to_le_bytes());
    };
    link(last, spare);
    link(spare, u32::MAX as usize);
    let bitmap = (HEAP * SECTOR..)
        .step_by(CLUSTER)
        .find(|at| image.bytes[*at..*at + 4] == [0x41, 0, 0x42, 0])
        .unwrap()
        - 2 * CLUSTER;
    image.bytes[bitmap + (spare - 2) / 8] |= 1 << ((spare - 2) % 8);
    let (survey, items) = listing(&image);
    let found = &items["chain.bin"];
    assert!(!found.marks.has(Mark::Damaged), "{:?}", found.trouble);
    assert!(bytes_of(&image, found.layout.as_ref().unwrap()) == files["chain.bin"]);
    assert!(survey.accounts.add_up(), "{:?}", survey.accounts);
    assert!(survey.findings.of("clusters-to-spare").is_some());
    assert!(!survey.findings.any_open());
}

#[test]
fn more_written_than_there_is_and_absurd_lengths_are_damage() {
    // exFAT specification, 7.6.6: the valid data length is at most the data length.
    let (sound, files) = volume();
    let (_, items) = listing(&sound);
    let change = |at: usize, value: u64| {
        let mut image = Image::new(sound.bytes.clone());
        let entry = entry_of(&image, &items, "run.bin");
        image.bytes[entry + at..entry + at + 8].copy_from_slice(&value.to_le_bytes());
        let length = 32 * (1 + image.bytes[entry + 1] as usize);
        let sum = entry::set_sum(&image.bytes[entry..entry + length]);
        image.bytes[entry + 2..entry + 4].copy_from_slice(&sum.to_le_bytes());
        listing(&image).1["run.bin"].clone()
    };
    let valid = change(40, 9000);
    assert!(valid.marks.has(Mark::Damaged));
    assert_eq!(valid.bytes, files["run.bin"].len() as u64);
    let huge = change(56, 1 << 62);
    assert!(huge.marks.has(Mark::Damaged));
    assert!(huge.bytes < 64 << 20, "{}", huge.bytes);
    let layout = huge.layout.unwrap();
    assert!(matches!(layout.pieces.last(), Some(Piece::Lost { .. })));
    assert_eq!(layout.valid, layout.length);
}

#[test]
fn a_folder_that_leads_back_is_not_entered_twice() {
    let (mut image, _) = volume();
    let (_, items) = listing(&image);
    let at = entry_of(&image, &items, "Folder");
    let root: [u8; 4] = image.bytes[96..100].try_into().unwrap();
    image.bytes[at + 52..at + 56].copy_from_slice(&root);
    let sum = entry::set_sum(&image.bytes[at..at + 96]);
    image.bytes[at + 2..at + 4].copy_from_slice(&sum.to_le_bytes());
    let (survey, after) = listing(&image);
    assert!(after["Folder"].marks.has(Mark::Damaged));
    assert!(!survey.whole);
    assert!(survey.accounts.in_use_without_owner > 0);
}

/// Damages boot region, table, bitmap or entries: nothing may panic or run for ever, and an item without a mark
/// has its own bytes; the check sums leave nothing out but one chance in 65,536 per damaged set, told then by the accounts.
#[test]
fn damaged_volumes_end_and_tell() {
    let (sound, files) = volume();
    let (_, before) = listing(&sound);
    let entries: Vec<usize> = before.values().map(|found| found.record as usize).collect();
    let rounds = option_env!("HOLDPOINT_MUTATIONS")
        .and_then(|text| text.parse().ok())
        .unwrap_or(if cfg!(debug_assertions) { 300 } else { 20_000 });
    let mut dice = Dice(0xBEEF);
    let mut image = Image::new(sound.bytes.clone());
    let (mut told, mut silent) = (0, 0);
    for round in 0..rounds {
        let mut undo = Vec::new();
        for _ in 0..1 + dice.roll(4) {
            let at = match dice.roll(5) {
                0 => dice.roll(12 * SECTOR),
                1 => dice.roll(128),
                2 | 3 => TABLE * SECTOR + dice.roll(1600),
                _ => entries[dice.roll(entries.len())] + dice.roll(96),
            };
            undo.push((at, image.bytes[at]));
            image.bytes[at] = match dice.roll(3) {
                0 => image.bytes[at] ^ (1 << dice.roll(8)),
                1 => 0,
                _ => dice.roll(256) as u8,
            };
        }
        if let Ok((survey, items)) = listing_from(&image, 0) {
            let told_here = survey.findings.any_open() || !survey.accounts.add_up();
            for (path, found) in &items {
                let Some(wanted) = files.get(path) else {
                    continue;
                };
                let Some(layout) = &found.layout else {
                    continue;
                };
                let same =
                    found.bytes == wanted.len() as u64 && bytes_of(&image, layout) == *wanted;
                assert!(
                    same || found.marks.has(Mark::Damaged) || told_here,
                    "round {round}: {path} has other bytes and nothing tells; {undo:?}"
                );
            }
            // Every file is there, or something tells.
            let there = files.keys().all(|path| items.contains_key(path));
            assert!(
                there || told_here,
                "round {round}: a file is missing and nothing tells; {undo:?}"
            );
            if told_here { told += 1 } else { silent += 1 }
        } else {
            told += 1;
        }
        for (at, byte) in undo.into_iter().rev() {
            image.bytes[at] = byte;
        }
    }
    assert!(told > 0 && silent > 0, "{told} told, {silent} silent");
}
