//! Volumes made by another implementation (the crate `fatfs`), then read, damaged and read again.

#![allow(clippy::single_range_in_vec_init)] // bad places are ranges

use super::*;
use crate::volume::bytes::Image;
use crate::volume::layout::{Layout, Piece};
use std::collections::BTreeMap;
use std::io::{Cursor, Write};

/// Fixed seeds, so that a failure is the same everywhere.
struct Dice(u64);

impl Dice {
    fn roll(&mut self, below: usize) -> usize {
        self.0 ^= self.0 << 13;
        self.0 ^= self.0 >> 7;
        self.0 ^= self.0 << 17;
        (self.0 >> 11) as usize % below
    }
}

/// Content that tells which file and place it belongs to, so that mixed-up clusters are seen.
fn content(seed: u64, bytes: usize) -> Vec<u8> {
    let mut dice = Dice(seed.wrapping_mul(0x9E37_79B9_7F4A_7C15) | 1);
    (0..bytes).map(|_| dice.roll(256) as u8).collect()
}

fn volume(width: Width) -> (Image, BTreeMap<String, Vec<u8>>) {
    let (bytes, kind, cluster) = match width {
        Width::Fat12 => (1 << 20, fatfs::FatType::Fat12, 512),
        Width::Fat16 => (4 << 20, fatfs::FatType::Fat16, 512),
        Width::Fat32 => (34 << 20, fatfs::FatType::Fat32, 512),
    };
    let mut disk = Cursor::new(vec![0u8; bytes]);
    let options = fatfs::FormatVolumeOptions::new()
        .fat_type(kind)
        .bytes_per_cluster(cluster)
        .volume_id(0x1234_ABCD)
        .volume_label(*b"OLD DISK   ");
    fatfs::format_volume(&mut disk, options).unwrap();
    let mut files = BTreeMap::new();
    {
        let fs = fatfs::FileSystem::new(&mut disk, fatfs::FsOptions::new()).unwrap();
        let root = fs.root_dir();
        for folder in [
            "Photos",
            "Photos/Long name of a folder, 2019",
            "DEEP",
            "DEEP/A",
            "DEEP/A/B",
        ] {
            root.create_dir(folder).unwrap();
        }
        let names = [
            "empty.txt",
            "A.TXT",
            "one byte",
            "Photos/a rather long name that needs three parts.jpeg",
            "Photos/Größe ☃.bin",
            "Photos/Long name of a folder, 2019/x.dat",
            "DEEP/A/B/leaf",
            "E512",
            "E1024",
            "DEEP/many clusters",
        ];
        let lengths = [0usize, 5, 1, 3000, 70_000, 511, 4097, 512, 1024, 100_000];
        for (seed, (name, length)) in names.iter().zip(lengths).enumerate() {
            let bytes = content(seed as u64 + 1, length);
            root.create_file(name).unwrap().write_all(&bytes).unwrap();
            files.insert((*name).to_owned(), bytes);
        }
        // Fragments: two files grow by turns; a third one is removed.
        let (one, other) = (content(777, 60_000), content(778, 60_000));
        let mut first = root.create_file("in pieces").unwrap();
        let mut second = root.create_file("DEEP/the other pieces").unwrap();
        for (a, b) in one.chunks(1500).zip(other.chunks(1500)) {
            first.write_all(a).unwrap();
            second.write_all(b).unwrap();
        }
        root.create_file("gone.txt")
            .unwrap()
            .write_all(b"deleted")
            .unwrap();
        root.remove("gone.txt").unwrap();
        files.insert("in pieces".to_owned(), one);
        files.insert("DEEP/the other pieces".to_owned(), other);
    }
    (Image::new(disk.into_inner()), files)
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
            Piece::Hole { bytes } | Piece::Lost { bytes } => {
                out.resize(out.len() + *bytes as usize, 0)
            }
            Piece::Inline(data) => out.extend_from_slice(data),
            Piece::Sealed(_) => unreachable!("FAT seals nothing"),
        }
    }
    out.truncate(layout.length as usize);
    out
}

fn listing(image: &Image) -> (Survey, BTreeMap<String, Found>) {
    listing_from(image, 0).unwrap()
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

#[test]
fn what_another_implementation_wrote_is_read_byte_for_byte() {
    for width in [Width::Fat12, Width::Fat16, Width::Fat32] {
        let (image, files) = volume(width);
        let (survey, items) = listing(&image);
        assert_eq!(survey.format, width.word());
        assert_eq!(survey.label.as_ref().unwrap().text(), "OLD DISK");
        assert_eq!(survey.serial.as_deref(), Some("1234-ABCD"));
        assert_eq!(survey.findings.list(), [], "{width:?}");
        assert!(survey.whole);
        assert_eq!(survey.findings.list(), [], "{width:?}");
        assert!(survey.accounts.add_up(), "{:?}", survey.accounts);
        assert!(survey.accounts.owned > 400);
        let listed: Vec<_> = items
            .iter()
            .filter(|(_, f)| f.kind == Kind::File)
            .map(|(path, _)| path.clone())
            .collect();
        assert_eq!(
            listed,
            files.keys().cloned().collect::<Vec<_>>(),
            "{width:?}"
        );
        for (path, wanted) in &files {
            let found = &items[path];
            assert_eq!(found.bytes, wanted.len() as u64);
            assert!(
                bytes_of(&image, found.layout.as_ref().unwrap()) == *wanted,
                "{width:?} {path}"
            );
            assert_eq!(found.marks, Default::default());
        }
        assert!(items["in pieces"].layout.as_ref().unwrap().pieces.len() > 5);
        assert_eq!(items.values().filter(|f| f.kind == Kind::Folder).count(), 5);
    }
}

#[test]
fn a_volume_in_a_partition_gives_places_on_the_drive() {
    let (image, files) = volume(Width::Fat16);
    let mut drive = Image::new(vec![0xAA; 1 << 20]);
    drive.bytes.extend_from_slice(&image.bytes);
    let mut seen = 0;
    let place = Place {
        first_byte: 1 << 20,
        bytes: image.bytes.len() as u64,
    };
    survey(&drive, place, 0, Limits::default(), &mut |found| {
        if found.name.text() == "in pieces" {
            assert!(bytes_of(&drive, found.layout.as_ref().unwrap()) == files["in pieces"]);
            seen += 1;
        }
    })
    .unwrap();
    assert_eq!(seen, 1);
}

#[test]
fn a_blanked_first_sector_is_read_from_its_backup() {
    let (mut image, files) = volume(Width::Fat32);
    image.bytes[..512].fill(0);
    assert!(listing_from(&image, 0).is_err());
    let (survey, items) = listing_from(&image, 6 * 512).unwrap();
    assert!(survey.findings.of("boot-sector-from-backup").is_some());
    assert!(
        bytes_of(&image, items["DEEP/many clusters"].layout.as_ref().unwrap())
            == files["DEEP/many clusters"]
    );
}

/// Place of the 32 bytes that hold this short name.
fn entry_at(image: &Image, short: &[u8; 11]) -> usize {
    (0..image.bytes.len())
        .step_by(32)
        .find(|at| image.bytes[*at..*at + 11] == *short)
        .unwrap()
}

#[test]
fn a_folder_that_leads_back_is_not_entered_twice() {
    let (mut image, _) = volume(Width::Fat16);
    let (deep, b) = (
        entry_at(&image, b"DEEP       "),
        entry_at(&image, b"B          "),
    );
    let cluster: [u8; 2] = image.bytes[deep + 26..deep + 28].try_into().unwrap();
    image.bytes[b + 26..b + 28].copy_from_slice(&cluster);
    let (survey, items) = listing(&image);
    assert!(survey.findings.of("folder-not-entered").is_some());
    assert!(!survey.whole);
    assert!(items["DEEP/A/B"].marks.has(Mark::Damaged));
    assert!(
        survey.accounts.in_use_without_owner > 0,
        "what lay in B is lost: {:?}",
        survey.accounts
    );
    assert!(survey.findings.of("lost-chains").is_some());
}

#[test]
fn both_owners_of_a_cluster_bear_a_mark() {
    let (mut image, files) = volume(Width::Fat16);
    let (a, other) = (
        entry_at(&image, b"E512       "),
        entry_at(&image, b"A       TXT"),
    );
    let cluster: [u8; 2] = image.bytes[a + 26..a + 28].try_into().unwrap();
    image.bytes[other + 26..other + 28].copy_from_slice(&cluster);
    let (survey, items) = listing(&image);
    assert!(items["A.TXT"].marks.has(Mark::Damaged));
    assert!(items["E512"].marks.has(Mark::Damaged));
    assert_eq!(survey.accounts.owned_twice, 1);
    assert_eq!(survey.accounts.in_use_without_owner, 1);
    // Microsoft FAT specification: a cluster belongs to one chain. Which of the two is right, nothing tells: both keep its
    // bytes, in doubt.
    let read = |path: &str| bytes_of(&image, items[path].layout.as_ref().unwrap());
    assert!(read("E512") == files["E512"]);
    assert!(read("A.TXT") == files["E512"][..5]);
}

#[test]
fn a_chain_that_runs_into_another_file_puts_both_in_doubt() {
    let (mut image, files) = volume(Width::Fat16);
    let boot = Boot::parse(&image.bytes).unwrap();
    let (_, before) = listing(&image);
    let cluster = |path: &str, n: u64| {
        let Piece::Extent { at, .. } = before[path].layout.as_ref().unwrap().pieces[0] else {
            panic!("no extent")
        };
        (at - boot.data_at()) / 512 + 2 + n
    };
    // The third cluster of one goes on with the first of the other.
    let (from, to) = (
        cluster("DEEP/many clusters", 2),
        cluster("DEEP/A/B/leaf", 0),
    );
    for table in 0..2 {
        let at = (boot.table_at(table) + from * 2) as usize;
        image.bytes[at..at + 2].copy_from_slice(&(to as u16).to_le_bytes());
    }
    let (_, after) = listing(&image);
    for path in ["DEEP/many clusters", "DEEP/A/B/leaf"] {
        let found = &after[path];
        assert!(found.marks.has(Mark::Damaged), "{path}");
        let layout = found.layout.as_ref().unwrap();
        let bytes = bytes_of(&image, layout);
        let own = if path.ends_with("leaf") {
            bytes.len()
        } else {
            3 * 512
        };
        assert!(bytes[..own] == files[path][..own], "{path}");
    }
}

#[test]
fn a_zeroed_first_table_is_read_from_the_second() {
    for width in [Width::Fat12, Width::Fat16, Width::Fat32] {
        let (mut image, files) = volume(width);
        let boot = Boot::parse(&image.bytes).unwrap();
        image.bytes[boot.table_at(0) as usize..boot.table_at(1) as usize].fill(0);
        let (survey, items) = listing(&image);
        assert!(!survey.findings.any_open(), "{:?}", survey.findings.list());
        let said = survey.findings.of("table-first-copy-damaged").unwrap();
        assert!(
            said.says
                .starts_with("the first allocation table leads nowhere in "),
            "{}",
            said.says
        );
        assert!(survey.accounts.add_up(), "{:?}", survey.accounts);
        for (path, wanted) in &files {
            let found = &items[path];
            assert!(!found.marks.has(Mark::Damaged), "{width:?} {path}");
            assert!(bytes_of(&image, found.layout.as_ref().unwrap()) == *wanted);
        }
        // The other way round.
        let (mut image, _) = volume(width);
        image.bytes[boot.table_at(1) as usize..boot.root_at() as usize].fill(0);
        let (survey, items) = listing(&image);
        assert!(!survey.findings.any_open(), "{:?}", survey.findings.list());
        assert!(items.values().all(|found| !found.marks.has(Mark::Damaged)));
    }
}

#[test]
fn an_unreadable_table_or_folder_is_told_on_its_items() {
    let (mut image, files) = volume(Width::Fat16);
    let boot = Boot::parse(&image.bytes).unwrap();
    // The first copy cannot be read: the second one serves.
    image.bad = vec![boot.table_at(0)..boot.table_at(0) + 512];
    let (survey, items) = listing(&image);
    assert!(bytes_of(&image, items["in pieces"].layout.as_ref().unwrap()) == files["in pieces"]);
    assert!(survey.findings.of("table-unread").is_none());
    // Neither can.
    image.bad.push(boot.table_at(1)..boot.table_at(1) + 512);
    let (survey, items) = listing(&image);
    assert!(survey.findings.of("table-unread").is_some());
    assert!(items["A.TXT"].marks.has(Mark::Damaged));
    let said: Vec<&str> = items
        .values()
        .filter_map(|f| f.trouble.as_deref())
        .collect();
    assert!(
        said.iter()
            .any(|t| t.contains("could not be read in any copy")),
        "{said:?}"
    );
    assert!(!said.iter().any(|t| t.contains("marked free")), "{said:?}");
    image.bad = vec![boot.root_at() + 512..boot.root_at() + 513];
    let (survey, _) = listing(&image);
    assert!(survey.findings.of("folder-unread").is_some());
    assert!(!survey.whole);
}

#[test]
fn copies_that_disagree_are_told_on_the_items_that_pass_through() {
    let (mut image, _) = volume(Width::Fat12);
    let boot = Boot::parse(&image.bytes).unwrap();
    let (_, before) = listing(&image);
    let Some(Piece::Extent { at, .. }) = before["DEEP/many clusters"]
        .layout
        .as_ref()
        .unwrap()
        .pieces
        .first()
    else {
        panic!("no extent")
    };
    let cluster = (*at - boot.data_at()) / 512 + 2;
    image.bytes[(boot.table_at(1) + cluster * 3 / 2) as usize] ^= 0x10;
    let (survey, after) = listing(&image);
    assert!(survey.findings.of("table-copies-differ").is_some());
    assert!(after["DEEP/many clusters"].marks.has(Mark::Damaged));
    assert!(!after["A.TXT"].marks.has(Mark::Damaged));
}

/// Linux `fs/fat/file.c`, fat_fallocate with FALLOC_FL_KEEP_SIZE: clusters are added behind the size. They belong to the file,
/// and nothing is wrong with it; what they run into, or do not end in, is.
#[test]
fn clusters_set_aside_behind_the_size_are_no_damage() {
    for width in [Width::Fat12, Width::Fat16, Width::Fat32] {
        let (sound, files) = volume(width);
        let boot = Boot::parse(&sound.bytes).unwrap();
        let (_, before) = listing(&sound);
        let cluster = |path: &str, last: bool| {
            let pieces = &before[path].layout.as_ref().unwrap().pieces;
            let piece = if last { pieces.last() } else { pieces.first() };
            let Some(Piece::Extent { at, bytes }) = piece else {
                panic!("no extent")
            };
            let into = if last { bytes.saturating_sub(1) } else { 0 };
            ((at + into - boot.data_at()) / 512 + 2) as usize
        };
        let link = |image: &mut Image, from: usize, to: u32| {
            for table in 0..2 {
                let start = boot.table_at(table) as usize;
                match width {
                    Width::Fat12 => {
                        let at = start + from + from / 2;
                        let pair = u16::from_le_bytes([image.bytes[at], image.bytes[at + 1]]);
                        let pair = match from % 2 {
                            0 => (pair & 0xF000) | to as u16 & 0xFFF,
                            _ => (pair & 0x000F) | (to as u16) << 4,
                        };
                        image.bytes[at..at + 2].copy_from_slice(&pair.to_le_bytes());
                    }
                    Width::Fat16 => image.bytes[start + from * 2..][..2]
                        .copy_from_slice(&(to as u16).to_le_bytes()),
                    Width::Fat32 => image.bytes[start + from * 4..][..4]
                        .copy_from_slice(&(to & 0x0FFF_FFFF).to_le_bytes()),
                }
            }
        };
        // Behind the last cluster of the volume in use there is room.
        let spare = boot.clusters as usize - 20;
        let end = cluster("E1024", true);
        let mut image = Image::new(sound.bytes.clone());
        for (from, to) in [
            (end, spare as u32),
            (spare, spare as u32 + 1),
            (spare + 1, u32::MAX),
        ] {
            link(&mut image, from, to);
        }
        let (survey, items) = listing(&image);
        let found = &items["E1024"];
        assert_eq!(found.marks, Default::default(), "{width:?}");
        assert!(bytes_of(&image, found.layout.as_ref().unwrap()) == files["E1024"]);
        assert!(survey.accounts.add_up(), "{width:?} {:?}", survey.accounts);
        let spared = survey.findings.of("clusters-to-spare").unwrap();
        assert!(spared.says.contains("2 clusters more"), "{}", spared.says);
        assert!(survey.whole && !survey.findings.any_open());
        // The same, with content there: the size may have been cut, so the file is in doubt.
        let at = boot.data_at() as usize + (spare - 2) * 512;
        image.bytes[at + 700] = 7;
        let (survey, items) = listing(&image);
        assert!(items["E1024"].marks.has(Mark::Damaged), "{width:?}");
        assert!(survey.findings.any_open());
        // On into another file: that one keeps its bytes, and this one is in doubt.
        let mut image = Image::new(sound.bytes.clone());
        link(&mut image, end, cluster("DEEP/A/B/leaf", false) as u32);
        let (survey, items) = listing(&image);
        assert!(items["E1024"].marks.has(Mark::Damaged), "{width:?}");
        let leaf = &items["DEEP/A/B/leaf"];
        assert_eq!(leaf.marks, Default::default(), "{width:?}");
        assert!(bytes_of(&image, leaf.layout.as_ref().unwrap()) == files["DEEP/A/B/leaf"]);
        assert!(survey.findings.any_open());
        // On into what is free: no end.
        let mut image = Image::new(sound.bytes.clone());
        link(&mut image, end, spare as u32);
        assert!(listing(&image).1["E1024"].marks.has(Mark::Damaged));
    }
}

/// How many damaged volumes each test tries: what takes a few seconds, or HOLDPOINT_MUTATIONS as set when the tests are
/// built (these rooms look at no environment).
fn mutations(usual: usize) -> usize {
    option_env!("HOLDPOINT_MUTATIONS")
        .and_then(|text| text.parse().ok())
        // 20,000 small volumes: some ten seconds with optimisation.
        .unwrap_or(if cfg!(debug_assertions) {
            usual
        } else {
            67 * usual
        })
}

/// Damages 1 to 4 bytes of boot sector, tables or folders and looks: nothing may panic or run for ever, and an item that
/// bears no mark in a listing without open points has its own bytes, unless the damage is in its own entry (which FAT does not protect).
fn damage(width: Width) {
    let (sound, files) = volume(width);
    let boot = Boot::parse(&sound.bytes).unwrap();
    let tables = boot.table_at(0) as usize..boot.root_at() as usize;
    let (_, before) = listing(&sound);
    // Places of all folder clusters: where the entries lie.
    let mut entries: Vec<usize> = before.values().map(|found| found.record as usize).collect();
    entries.sort_unstable();
    let mut dice = Dice(0xF00D ^ boot.sectors as u64);
    let mut image = Image::new(sound.bytes.clone());
    let (mut told, mut silent) = (0, 0);
    for round in 0..mutations(300) {
        let mut undo = Vec::new();
        let mut in_entries = false;
        for _ in 0..1 + dice.roll(4) {
            let at = match dice.roll(4) {
                0 => dice.roll(512),
                1 | 2 => {
                    // Mostly the used start of either copy.
                    let copy = dice.roll(boot.tables as usize) * boot.table_sectors as usize * 512;
                    tables.start + copy + dice.roll(1600.min(boot.table_sectors as usize * 512))
                }
                _ => {
                    in_entries = true;
                    entries[dice.roll(entries.len())] + dice.roll(32)
                }
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
                if same || found.marks.has(Mark::Damaged) || in_entries {
                    continue;
                }
                assert!(
                    told_here,
                    "round {round}: {path} has other bytes and nothing tells; {undo:?}"
                );
            }
            if told_here { told += 1 } else { silent += 1 }
        } else {
            told += 1;
        }
        for (at, byte) in undo.into_iter().rev() {
            image.bytes[at] = byte;
        }
    }
    assert!(image.bytes == sound.bytes);
    assert!(told > 0 && silent > 0, "{told} told, {silent} silent");
}

#[test]
fn damaged_fat12_volumes_end_and_tell() {
    damage(Width::Fat12);
}

#[test]
fn damaged_fat16_volumes_end_and_tell() {
    damage(Width::Fat16);
}

#[test]
fn damaged_fat32_volumes_end_and_tell() {
    damage(Width::Fat32);
}

#[test]
fn a_hundred_thousand_entries_on_one_chain_end() {
    // Every entry of a full root folder claims the same long chain.
    let (mut image, _) = volume(Width::Fat16);
    let boot = Boot::parse(&image.bytes).unwrap();
    for table in 0..2 {
        let start = boot.table_at(table) as usize;
        for cluster in 2..boot.clusters as usize + 1 {
            image.bytes[start + cluster * 2..start + cluster * 2 + 2]
                .copy_from_slice(&(cluster as u16 + 1).to_le_bytes());
        }
    }
    let root = boot.root_at() as usize;
    for n in 0..boot.root_entries as usize {
        let entry = &mut image.bytes[root + n * 32..root + n * 32 + 32];
        entry.fill(b'A' + (n % 20) as u8);
        entry[11] = 0x20;
        entry[20..28].fill(0);
        entry[26] = 2;
        entry[28..32].copy_from_slice(&u32::MAX.to_le_bytes());
    }
    let (survey, items) = listing(&image);
    assert!(survey.findings.any_open());
    assert!(items.values().all(|found| found.marks.has(Mark::Damaged)));
}
