//! Damaged volumes: never a panic, never endless, and nothing that is listed as whole differs from what it was, except where the
//! format itself cannot know.
//!
//! Bytes are changed in the blocks of tables that are in use, in superblocks, and in contents. Afterwards each file of the
//! undamaged volume must be listed with its bytes and attributes, or bear a mark, or be missing with an open point. Where the
//! checksum of a changed block is made right again, the volume may say other things than it did, as long as nothing in it
//! contradicts them: those are counted and printed.

use super::super::ext::Listing;
use super::super::kernel::{can, mount};
use super::super::tool::{Dice, Drive, Weak, content, mutations, run};
use super::fill::{put, sync, text, write_at};
use super::kinds::compare;
use super::zoo::{btrfs, format, top};
use super::{listing, marked, whole};
use holdpoint::port::Sectors;
use holdpoint::read::content::ContentReader;
use holdpoint::survey::item::{Kind, Mark};
use holdpoint::volume::filesystem::{Found, Limits};
use holdpoint::volume::layout::Piece;
use holdpoint::volume::sums::crc32c;
use rustix::fs::{XattrFlags, setxattr};
use std::collections::{BTreeMap, BTreeSet};
use std::path::Path;

const SUPERBLOCK: usize = 64 << 10;

/// Content and attributes of every file, by path.
type Wanted = BTreeMap<Vec<u8>, (Vec<u8>, Vec<(Vec<u8>, Vec<u8>)>)>;

/// A volume, and what is in it.
struct Clean {
    drive: Drive,
    wanted: Wanted,
    /// Where blocks of tables that are in use lie.
    live: Vec<usize>,
}

/// A small volume with something of everything, and what is in it, which the kernel agrees on.
fn clean(more: &[&str], mib: u64) -> Result<Clean, String> {
    let folder = tempfile::tempdir().unwrap();
    let (image, at) = (folder.path().join("volume"), folder.path().join("at"));
    format(&image, mib, more)?;
    let mounted = mount(&image, &at, "")?;
    for n in 0..24u64 {
        let path = at.join(format!("{}file{n}", ["", "a/", "a/b/"][n as usize % 3]));
        put(&path, &content(n + 1, 300 + 1100 * n as usize));
        let note = format!("value-{n}");
        setxattr(&path, "user.note", note.as_bytes(), XattrFlags::empty()).unwrap();
    }
    for packer in ["zlib", "lzo", "zstd"] {
        let folder = at.join(packer);
        std::fs::create_dir(&folder).unwrap();
        let place = folder.to_str().unwrap();
        btrfs(&["property", "set", place, "compression", packer]);
        for length in [500, 9000, 200_000] {
            put(
                &folder.join(length.to_string()),
                &text(length as u64, length),
            );
        }
    }
    for n in 0..80u64 {
        put(&at.join(format!("a/a name of some length {n}")), b"");
    }
    std::fs::hard_link(at.join("file3"), at.join("a/linked")).unwrap();
    let sub = at.join("sub");
    btrfs(&["subvolume", "create", sub.to_str().unwrap()]);
    for n in 0..8u64 {
        put(&sub.join(format!("in/{n}")), &content(n + 50, 5000));
    }
    put(&at.join("plain"), &content(70, 100_001));
    let stays = at.join("stays");
    std::fs::create_dir(&stays).unwrap();
    run("chattr", &["+C", stays.to_str().unwrap()]);
    put(&stays.join("disk"), &content(71, 40_000));
    sync(&at);
    let state = at.join("state");
    btrfs(&[
        "subvolume",
        "snapshot",
        "-r",
        sub.to_str().unwrap(),
        state.to_str().unwrap(),
    ]);
    write_at(&sub.join("in/3"), 0, &content(72, 4096));
    write_at(&at.join("zstd/200000"), 50_000, &text(73, 4000));
    drop(mounted);
    let drive = Drive::load(&image);
    let listing = whole(&drive);
    listing.is_sound("undamaged");
    let mounted = top(&image, &at);
    compare(&listing, &drive, &at, "undamaged");
    drop(mounted);
    let wanted = listing
        .items
        .iter()
        .filter(|(_, found)| found.kind == Kind::File)
        .map(|(path, found)| {
            let (bytes, missing) = read(&drive, found);
            assert_eq!(missing, []);
            (path.clone(), (bytes, found.attributes.clone()))
        })
        .collect();
    let live = live(&image, &drive);
    assert!(live.len() > 8);
    Ok(Clean {
        drive,
        wanted,
        live,
    })
}

/// Where the blocks of tables that are in use lie in the image, all copies, as the tool of the file system tells.
fn live(image: &Path, drive: &Drive) -> Vec<usize> {
    let told = run(
        "btrfs",
        &["inspect-internal", "dump-tree", image.to_str().unwrap()],
    );
    let mut wanted = BTreeSet::new();
    for line in told.lines() {
        let words: Vec<&str> = line.split(' ').collect();
        let [kind, at, ..] = words[..] else { continue };
        if kind != "leaf" && kind != "node" {
            continue;
        }
        if let Some(word) = words.iter().position(|word| *word == "generation") {
            let number = |text: &str| text.parse::<u64>().unwrap();
            wanted.insert((number(at), number(words[word + 1])));
        }
    }
    let id = drive.bytes[SUPERBLOCK + 0x20..][..16].to_vec();
    let number = |at: usize| u64::from_le_bytes(drive.bytes[at..at + 8].try_into().unwrap());
    (0..drive.bytes.len())
        .step_by(4096)
        .filter(|at| drive.bytes[at + 0x20..][..16] == id)
        .filter(|at| wanted.contains(&(number(at + 0x30), number(at + 0x50))))
        .collect()
}

/// Bytes of one block of a table.
fn block_bytes(raw: &[u8]) -> usize {
    u32::from_le_bytes(raw[SUPERBLOCK + 0x94..][..4].try_into().unwrap()) as usize
}

/// The bytes of a file, and which of them are missing.
fn read(sectors: &dyn Sectors, found: &Found) -> (Vec<u8>, Vec<(u64, u64)>) {
    let reader = ContentReader::new(found.layout.clone().unwrap(), sectors);
    let (mut out, mut buf) = (Vec::new(), vec![0u8; 128 << 10]);
    let missing = reader
        .stream(&mut buf, &mut |_, bytes, _| out.extend_from_slice(bytes))
        .unwrap();
    (out, missing)
}

/// Where content lies that begins with a sector.
fn place_of(drive: &Drive, bytes: &[u8]) -> Option<usize> {
    (0..drive.bytes.len())
        .step_by(4096)
        .find(|at| drive.bytes[*at..].starts_with(bytes))
}

/// Makes the checksum of a block right again; CRC-32C only.
fn seal(raw: &mut [u8], at: usize, bytes: usize) {
    let sum = !crc32c(!0, &raw[at + 32..at + bytes]);
    raw[at..at + 4].copy_from_slice(&sum.to_le_bytes());
}

/// Tries damaged volumes. `sealed`: with checksums of tables made right again.
fn mutated(name: &str, more: &[&str], mib: u64, seed: u64, sealed: bool) {
    if !can(name, &["mkfs.btrfs", "btrfs", "chattr", "mount"]) {
        return;
    }
    let Clean {
        mut drive,
        wanted,
        live,
    } = match clean(more, mib) {
        Ok(clean) => clean,
        Err(says) => return crate::skip::skip(name, &says),
    };
    let bytes = block_bytes(&drive.bytes);
    let contents: Vec<usize> = {
        let listing = whole(&drive);
        let unproven = |path: &&Vec<u8>| path.starts_with(b"stays/");
        let files = listing.items.iter().filter(|(path, _)| !unproven(path));
        let layouts = files.filter_map(|(_, found)| found.layout.as_ref());
        let places = layouts.flat_map(|layout| layout.on_drive(None));
        places.map(|(at, _)| at as usize).collect()
    };
    let limits = Limits {
        items: 5000,
        ..Limits::default()
    };
    let mut dice = Dice(seed);
    let (mut told, mut unknown, mut refused) = (0, 0, 0);
    let rounds = mutations(80);
    let slow = std::time::Duration::from_secs(10);
    for round in 0..rounds {
        let mut changes: Vec<(usize, u8)> = Vec::new();
        let mut touched = BTreeSet::new();
        for _ in 0..1 + dice.roll(4) {
            let (block, room) = match dice.roll(8) {
                0 => (SUPERBLOCK, 0x400),
                1 => (contents[dice.roll(contents.len())], 300),
                _ => (live[dice.roll(live.len())], bytes),
            };
            // The first bytes of anything are where the numbers are, and the items lie at the end.
            let at = block
                + match dice.roll(3) {
                    0 => dice.roll(room.min(101)),
                    1 => dice.roll(room.min(1200)),
                    _ => dice.roll(room),
                };
            let was = drive.bytes[at];
            drive.bytes[at] = match dice.roll(5) {
                0 => was ^ (1 << dice.roll(8)),
                1 => 0xFF,
                2 => 0,
                3 => was.wrapping_add(1),
                _ => dice.roll(256) as u8,
            };
            changes.push((at, was));
            if block == SUPERBLOCK || live.contains(&block) {
                touched.insert(block);
            }
        }
        if sealed {
            for block in touched {
                let room = if block == SUPERBLOCK { 4096 } else { bytes };
                changes.extend((block..block + 4).map(|at| (at, drive.bytes[at])));
                seal(&mut drive.bytes, block, room);
            }
        }
        let began = std::time::Instant::now();
        match listing(&drive, &drive, limits) {
            Err(_) => refused += 1,
            Ok(listing) => {
                let says = |what: &str, path: &[u8]| {
                    let path = String::from_utf8_lossy(path);
                    assert!(sealed, "round {round}: {path} {what}; {changes:?}");
                };
                let open = listing.survey.findings.any_open()
                    || !listing.survey.whole
                    || !listing.survey.accounts.add_up();
                told += u32::from(open);
                for (path, (bytes, attributes)) in &wanted {
                    let Some(found) = listing.items.get(path) else {
                        let path = String::from_utf8_lossy(path);
                        assert!(
                            open,
                            "round {round}: {path} is missing, nothing tells; {changes:?}"
                        );
                        continue;
                    };
                    let marked =
                        found.marks.has(Mark::Damaged) || found.marks.has(Mark::Unreadable);
                    if marked || found.no_content.is_some() || found.layout.is_none() {
                        continue;
                    }
                    let unkept = listing.survey.findings.of("attributes-not-kept").is_some();
                    if found.attributes != *attributes && !unkept {
                        says("wears something else", path);
                        unknown += u32::from(!open);
                    }
                    if found.bytes > 1 << 24 {
                        says("has become long", path);
                        continue;
                    }
                    let (now, missing) = read(&drive, found);
                    if missing.is_empty() && now != *bytes {
                        says("reads as other bytes", path);
                        unknown += u32::from(!open);
                    }
                }
            }
        }
        assert!(began.elapsed() < slow, "round {round}: {changes:?}");
        for (at, was) in changes.into_iter().rev() {
            drive.bytes[at] = was;
        }
    }
    assert!(told > 0);
    println!(
        "{more:?}, sealed {sealed}: {rounds} damaged volumes, {told} told, {refused} refused, {unknown} changes that the format cannot know"
    );
}

#[test]
fn damaged_btrfs_volumes_end_and_tell() {
    let name = "damaged_btrfs_volumes_end_and_tell";
    mutated(
        name,
        &["--mixed", "-m", "single", "-d", "single"],
        16,
        0xB7,
        false,
    );
    mutated(name, &["-O", "^no-holes", "-m", "single"], 56, 0xB8, false);
}

#[test]
fn damaged_volumes_with_right_checksums_end() {
    let name = "damaged_volumes_with_right_checksums_end";
    mutated(
        name,
        &["--mixed", "-m", "single", "-d", "single"],
        16,
        0xB9,
        true,
    );
    mutated(name, &["-O", "^no-holes", "-m", "single"], 56, 0xBA, true);
}

/// The items of a block: `(number, kind, offset)` of each, and where its bytes begin in the image.
fn items(raw: &[u8], block: usize) -> Vec<((u64, u8, u64), usize)> {
    let at = |at: usize, bytes: usize| {
        let mut number = [0u8; 8];
        number[..bytes].copy_from_slice(&raw[at..at + bytes]);
        u64::from_le_bytes(number)
    };
    let leaf = raw[block + 0x64] == 0;
    let count = if leaf {
        at(block + 0x60, 4) as usize
    } else {
        0
    };
    let heads = (0..count).map(|n| block + 101 + 25 * n);
    heads
        .map(|head| {
            let key = (at(head, 8), raw[head + 8], at(head + 9, 8));
            (key, block + 101 + at(head + 17, 4) as usize)
        })
        .collect()
}

/// A file or a subvolume that says it was deleted is not believed as long as it has a name: nothing vanishes by one number.
#[test]
fn what_has_a_name_was_not_deleted() {
    let name = "what_has_a_name_was_not_deleted";
    if !can(name, &["mkfs.btrfs", "btrfs", "chattr", "mount"]) {
        return;
    }
    let more = &["--mixed", "-m", "single", "-d", "single"];
    let Clean {
        mut drive, live, ..
    } = match clean(more, 16) {
        Ok(clean) => clean,
        Err(says) => return crate::skip::skip(name, &says),
    };
    let sound = whole(&drive);
    let inode = sound.get("plain").record & 0xFF_FFFF;
    let (mut files, mut subvolumes) = (0, 0);
    for block in live {
        let found = items(&drive.bytes, block);
        // The owner of a block: the tree of files, the tree of trees.
        let owner = drive.bytes[block + 0x58];
        for ((number, kind, _), at) in found {
            let at = match (owner, kind) {
                (5, 1) if number == inode => {
                    files += 1;
                    at + 40
                }
                (1, 132) if (256..1000).contains(&number) => {
                    subvolumes += 1;
                    at + 160 + 56
                }
                _ => continue,
            };
            assert!(drive.bytes[at..at + 4] == [1, 0, 0, 0], "{kind} {number}");
            drive.bytes[at..at + 4].fill(0);
        }
        seal(&mut drive.bytes, block, 4096);
    }
    assert_eq!((files, subvolumes), (1, 2));
    let listing = whole(&drive);
    let paths = |listing: &Listing| listing.items.keys().cloned().collect::<Vec<_>>();
    assert_eq!(paths(&listing), paths(&sound));
    assert_eq!(marked(&listing), BTreeSet::from(["plain".to_owned()]));
}

/// What lies twice is read from the copy that is right.
#[test]
fn one_copy_of_every_table_is_enough() {
    let name = "one_copy_of_every_table_is_enough";
    if !can(name, &["mkfs.btrfs", "btrfs", "chattr", "mount"]) {
        return;
    }
    let Clean {
        mut drive, live, ..
    } = match clean(&["-m", "dup", "-d", "dup"], 230) {
        Ok(clean) => clean,
        Err(says) => return crate::skip::skip(name, &says),
    };
    let sound = whole(&drive);
    let mut seen = BTreeMap::new();
    for at in live {
        let address = drive.bytes[at + 0x30..at + 0x38].to_vec();
        // The first copy of this one, the second of the next.
        let copies: &mut u64 = seen.entry(address).or_default();
        *copies += 1;
        if *copies == 1 {
            drive.bytes[at + 200] ^= 1;
        }
    }
    assert!(seen.len() > 8 && seen.values().all(|copies| *copies == 2));
    let hurt = whole(&drive);
    hurt.is_sound(name);
    assert_eq!(
        hurt.items.keys().collect::<Vec<_>>(),
        sound.items.keys().collect::<Vec<_>>()
    );
    let found = hurt.get("plain");
    let Some(Piece::Sealed(piece)) = found.layout.as_ref().unwrap().pieces.first() else {
        panic!("{found:?}");
    };
    drive.bytes[piece.at as usize + 5000] ^= 1;
    let (bytes, missing) = read(&drive, found);
    assert_eq!((bytes, missing), (content(70, 100_001), vec![]));
}

/// Of what is not packed, a checksum tells the sector; of what is packed, only the whole extent.
#[test]
fn changed_contents_are_named_by_sector_or_extent() {
    let name = "changed_contents_are_named_by_sector_or_extent";
    if !can(name, &["mkfs.btrfs", "btrfs", "chattr", "mount"]) {
        return;
    }
    for more in [
        &[][..],
        &["--csum", "xxhash"],
        &["--csum", "sha256"],
        &["--csum", "blake2"],
    ] {
        let Clean {
            mut drive, wanted, ..
        } = match clean(&[&["-m", "single"][..], more].concat(), 56) {
            Ok(clean) => clean,
            Err(says) => return crate::skip::skip(name, &says),
        };
        let listing = whole(&drive);
        let plain = content(70, 100_001);
        let at = |bytes: &[u8]| place_of(&drive, bytes).unwrap();
        let (fifth, last) = (at(&plain[16_384..16_484]), at(&plain[98_304..98_404]));
        let unproven = at(&content(71, 40_000)[4096..4196]);
        for at in [fifth + 4095, last, unproven] {
            drive.bytes[at] ^= 0x10;
        }
        let mut changed = plain.clone();
        changed[16_384..20_480].fill(0);
        changed[98_304..].fill(0);
        let sectors = vec![(16_384, 4096), (98_304, 100_001 - 98_304)];
        assert_eq!(
            read(&drive, listing.get("plain")),
            (changed, sectors),
            "{more:?}"
        );
        // Nothing is known of what has no checksums.
        let (bytes, missing) = read(&drive, listing.get("stays/disk"));
        assert!(missing.is_empty() && bytes != content(71, 40_000));
        for packer in ["zlib", "lzo", "zstd"] {
            let path = format!("{packer}/200000");
            let found = listing.get(&path);
            let pieces = &found.layout.as_ref().unwrap().pieces;
            let Some(Piece::Sealed(piece)) = pieces.last() else {
                panic!("{pieces:?}");
            };
            // The second extent, or what is left of it: the last one that a file of this length has.
            let from = 200_000 - 200_000 % (128 << 10);
            drive.bytes[piece.at as usize + 600] ^= 1;
            let (bytes, missing) = read(&drive, found);
            assert_eq!(missing, [(from, 200_000 - from)], "{more:?} {path}");
            let (sound, _) = &wanted[path.as_bytes()];
            assert_eq!(bytes[..from as usize], sound[..from as usize]);
        }
        // The tables are as they were.
        whole(&drive).is_sound(name);
    }
}

/// A drive that refuses sectors: contents lose what lies in them, and what the tables lose is told.
#[test]
fn bad_sectors_cost_what_lies_in_them_and_are_told() {
    let name = "bad_sectors_cost_what_lies_in_them_and_are_told";
    if !can(name, &["mkfs.btrfs", "btrfs", "chattr", "mount"]) {
        return;
    }
    let Clean {
        drive,
        wanted,
        live,
    } = match clean(&["--mixed", "-m", "single", "-d", "single"], 16) {
        Ok(clean) => clean,
        Err(says) => return crate::skip::skip(name, &says),
    };
    let sound = whole(&drive);
    let plain = content(70, 100_001);
    let at = place_of(&drive, &plain[16_384..16_484]).unwrap() as u64;
    let weak = Weak {
        drive: &drive,
        bad: vec![at / 512 + 1],
    };
    let (bytes, missing) = read(&weak, sound.get("plain"));
    assert_eq!(missing, [(16_384, 4096)]);
    assert_eq!(
        (&bytes[..16_384], &bytes[20_480..]),
        (&plain[..16_384], &plain[20_480..])
    );
    for block in live {
        let weak = Weak {
            drive: &drive,
            bad: vec![block as u64 / 512 + 2],
        };
        let Ok(listing) = listing(&drive, &weak, Limits::default()) else {
            continue;
        };
        // Some tables are of no use to a reader: those of free space and of devices.
        let open = listing.survey.findings.any_open() || !listing.survey.whole;
        assert!(open || listing.items == sound.items, "block at {block}");
        for (path, (bytes, _)) in &wanted {
            let Some(found) = listing.items.get(path) else {
                continue;
            };
            let marked = found.marks.has(Mark::Damaged) || found.marks.has(Mark::Unreadable);
            if !marked {
                let (now, missing) = read(&weak, found);
                assert!(!missing.is_empty() || now == *bytes, "block at {block}");
            }
        }
    }
}
