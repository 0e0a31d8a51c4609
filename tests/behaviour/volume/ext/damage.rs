//! Damaged volumes: never a panic, never endless, and nothing that is listed as whole differs from what it was, except where the
//! format itself cannot know.
//!
//! Bytes are changed in metadata only. Afterwards each file of the undamaged volume must be listed with its bytes, or bear a
//! mark, or be missing with an open point. With metadata checksums there is no exception. Without them (ext2, ext3) names, numbers,
//! lengths and places may change unseen where every number stays consistent: those are counted and printed.

use super::super::tool::{Dice, Drive, Weak, content as bytes, have, mutations, run};
use super::{Listing, content, make, try_content};
use holdpoint::port::Sectors;
use holdpoint::survey::item::{Kind, Mark};
use holdpoint::volume::filesystem::Limits;
use std::collections::BTreeMap;

/// Files, and a volume with them in it.
fn clean(kind: &str, more: &[&str]) -> (BTreeMap<String, Vec<u8>>, Vec<u8>) {
    let folder = tempfile::tempdir().unwrap();
    let (source, image) = (folder.path().join("source"), folder.path().join("volume"));
    std::fs::create_dir_all(source.join("a/b")).unwrap();
    let mut wanted = BTreeMap::new();
    for n in 0..30u64 {
        let name = format!("{}file{n}", ["", "a/", "a/b/"][n as usize % 3]);
        let bytes = bytes(n + 1, 300 + 1100 * n as usize);
        std::fs::write(source.join(&name), &bytes).unwrap();
        wanted.insert(name, bytes);
    }
    for n in 0..120u64 {
        std::fs::write(source.join(format!("a/a name of some length {n}")), b"").unwrap();
    }
    std::fs::hard_link(source.join("file3"), source.join("a/linked")).unwrap();
    wanted.insert("a/linked".to_owned(), wanted["file3"].clone());
    let mut all = vec!["-b", "1024", "-N", "256"];
    all.extend(more);
    make(&image, kind, &all, &source, 2);
    // Attributes in inodes, in blocks, and in inodes of their own where the volume can do that.
    let (commands, long) = (folder.path().join("commands"), folder.path().join("long"));
    std::fs::write(&long, [b'v'; 600]).unwrap();
    let mut script = String::new();
    for n in (0..30).step_by(3) {
        script.push_str(&format!("ea_set file{n} user.note value-{n}\n"));
        script.push_str(&format!("ea_set -f {} file{n} user.long\n", long.display()));
    }
    std::fs::write(&commands, script).unwrap();
    let (commands, at) = (commands.to_str().unwrap(), image.to_str().unwrap());
    run("debugfs", &["-w", "-f", commands, at]);
    let raw = std::fs::read(&image).unwrap();
    (wanted, raw)
}

/// Blocks that hold something and are no file's content.
fn metadata(wanted: &BTreeMap<String, Vec<u8>>, raw: &[u8]) -> Vec<usize> {
    let contents: Vec<&[u8]> = wanted
        .values()
        .flat_map(|bytes| bytes.chunks(1024))
        .filter(|piece| piece.len() >= 16)
        .map(|piece| &piece[..16])
        .collect();
    (1..raw.len() / 1024)
        .filter(|block| {
            let here = &raw[block * 1024..(block + 1) * 1024];
            here.iter().any(|b| *b != 0) && !contents.iter().any(|piece| here.starts_with(piece))
        })
        .collect()
}

fn mutated(kind: &str, more: &[&str], seed: u64, sums: bool) {
    let (wanted, sound) = clean(kind, more);
    let metadata = metadata(&wanted, &sound);
    assert!(metadata.len() > 10);
    let worn: BTreeMap<Vec<u8>, _>;
    {
        let drive = Drive::new(sound.clone());
        let listing = Listing::of(&drive);
        worn = listing
            .items
            .iter()
            .filter(|(_, found)| !found.attributes.is_empty())
            .map(|(path, found)| (path.clone(), found.attributes.clone()))
            .collect();
        assert!(worn.len() >= 10);
        listing.is_sound("undamaged");
        for (path, bytes) in &wanted {
            assert_eq!(&content(&drive, listing.get(path)), bytes);
        }
    }
    let mut dice = Dice(seed);
    let (mut told, mut unknown, mut refused) = (0, 0, 0);
    let rounds = mutations(300);
    for round in 0..rounds {
        let mut raw = sound.clone();
        let mut changes = Vec::new();
        for _ in 0..1 + dice.roll(4) {
            let block = metadata[dice.roll(metadata.len())] * 1024;
            // Most of a table of inodes is empty; the first bytes of anything are where the numbers are.
            let at = block
                + if dice.roll(2) == 0 {
                    dice.roll(1024)
                } else {
                    dice.roll(8) * 128 + dice.roll(64)
                };
            raw[at] = match dice.roll(4) {
                0 => raw[at] ^ (1 << dice.roll(8)),
                1 => 0xFF,
                2 => 0,
                _ => dice.roll(256) as u8,
            };
            changes.push(at);
        }
        if raw == sound {
            continue;
        }
        let drive = Drive::new(raw);
        let limits = Limits {
            items: 5000,
            ..Limits::default()
        };
        let Ok(listing) = Listing::try_of(&drive, &drive, limits) else {
            refused += 1;
            continue;
        };
        let open = listing.survey.findings.any_open()
            || !listing.survey.whole
            || !listing.survey.accounts.add_up();
        told += u32::from(open);
        for (path, bytes) in &wanted {
            let Some(found) = listing.items.get(path.as_bytes()) else {
                if !open {
                    assert!(
                        !sums,
                        "round {round}: {path} is missing, nothing tells; {changes:?}"
                    );
                    unknown += 1;
                }
                continue;
            };
            let marked = found.marks.has(Mark::Damaged) || found.marks.has(Mark::Unreadable);
            if marked || found.no_content.is_some() {
                continue;
            }
            let lost = listing.survey.findings.of("attributes-not-kept").is_some();
            let none = Vec::new();
            if found.attributes != *worn.get(path.as_bytes()).unwrap_or(&none) && !lost {
                assert!(
                    !sums,
                    "round {round}: {path} wears {:?}; {changes:?}",
                    found.attributes
                );
                unknown += 1;
            }
            let (read, missing) = if found.bytes < 1 << 30 {
                try_content(&drive, found)
            } else {
                (Vec::new(), Vec::new())
            };
            if missing.is_empty() && read != *bytes {
                assert!(
                    !sums,
                    "round {round}: {path} reads as other bytes; {changes:?}"
                );
                unknown += u32::from(!open && found.trouble.is_none());
            }
        }
    }
    assert!(told > 0);
    println!(
        "{kind} {more:?}: {rounds} damaged volumes, {told} told, {refused} refused, {unknown} changes that the format cannot know"
    );
}

#[test]
fn damaged_volumes_end_and_tell() {
    if !have("damaged_volumes_end_and_tell", &["mke2fs", "debugfs"]) {
        return;
    }
    mutated("ext4", &["-O", "^has_journal,metadata_csum"], 0xE47, true);
    mutated(
        "ext4",
        &["-O", "metadata_csum,inline_data", "-I", "256"],
        0xE48,
        true,
    );
}

#[test]
fn damaged_volumes_without_checksums_end() {
    if !have(
        "damaged_volumes_without_checksums_end",
        &["mke2fs", "debugfs"],
    ) {
        return;
    }
    mutated("ext2", &[], 0xE22, false);
    mutated("ext4", &["-O", "^metadata_csum,^has_journal"], 0xE23, false);
}

/// A volume whose journal holds changes, with bytes of the journal and of the metadata changed.
#[test]
fn damaged_journals_end() {
    if !have("damaged_journals_end", &["mke2fs", "debugfs"]) {
        return;
    }
    let folder = tempfile::tempdir().unwrap();
    let (source, image) = (folder.path().join("source"), folder.path().join("volume"));
    std::fs::create_dir(&source).unwrap();
    std::fs::write(source.join("diary"), bytes(1, 8000)).unwrap();
    make(&image, "ext4", &["-b", "1024"], &source, 16);
    let path = image.to_str().unwrap();
    let new = folder.path().join("new");
    std::fs::write(&new, bytes(2, 8192)).unwrap();
    let blocks = run("debugfs", &["-R", "blocks diary", path]);
    let first: u64 = blocks.split_whitespace().next().unwrap().parse().unwrap();
    let list: Vec<String> = (first..first + 8).map(|block| block.to_string()).collect();
    super::super::tool::run_with(
        "debugfs",
        &["-w", path],
        &format!(
            "jo -c -v 3\njw -b {} {}\njc\nquit\n",
            list.join(","),
            new.display()
        ),
    );
    let sound = std::fs::read(&image).unwrap();
    let (old, new) = (bytes(1, 8000), bytes(2, 8192));
    let journal: Vec<usize> = (0..sound.len())
        .step_by(1024)
        .filter(|at| {
            sound[*at..].starts_with(&[0xC0, 0x3B, 0x39, 0x98])
                || new
                    .chunks(1024)
                    .any(|piece| sound[*at..].starts_with(piece))
        })
        .collect();
    assert!(journal.len() >= 11, "{}", journal.len());
    let mut dice = Dice(0x10);
    let mut lost = 0;
    for round in 0..mutations(200) {
        let mut raw = sound.clone();
        let room = [64, 1024][dice.roll(2)];
        let at = journal[dice.roll(journal.len())] + dice.roll(room);
        let before = raw[at];
        raw[at] = dice.roll(256) as u8;
        if raw[at] == before {
            continue;
        }
        let drive = Drive::new(raw);
        let listing = Listing::of(&drive);
        let (read, missing) = try_content(&drive, listing.get("diary"));
        if read == new[..8000] {
            continue;
        }
        lost += 1;
        // A log that ends early is normal after a crash, unless a checksum says that it was more than that.
        let ends = read == old && missing.is_empty();
        let begins = journal
            .iter()
            .any(|block| (*block..*block + 12).contains(&at));
        assert!(
            !listing.survey.whole || (ends && begins),
            "round {round}: byte {at} changed from {before}, nothing tells"
        );
    }
    assert!(lost > 0);
}

#[test]
fn bad_sectors_cost_what_lies_in_them_and_no_more() {
    if !have(
        "bad_sectors_cost_what_lies_in_them_and_no_more",
        &["mke2fs"],
    ) {
        return;
    }
    for (kind, more) in [("ext4", &["-O", "metadata_csum"][..]), ("ext2", &[])] {
        let (wanted, raw) = clean(kind, more);
        let drive = Drive::new(raw);
        let sound = Listing::of(&drive);
        // Within content: 512 bytes are missing, everything else is there.
        let bytes = &wanted["a/b/file29"];
        let at = (0..drive.bytes.len())
            .step_by(1024)
            .find(|at| drive.bytes[*at..].starts_with(&bytes[4096..5120]))
            .unwrap() as u64;
        let weak = Weak {
            drive: &drive,
            bad: vec![at / 512 + 1],
        };
        let listing = Listing::try_of(&drive, &weak, Limits::default()).unwrap();
        assert_eq!(listing.items, sound.items);
        let (read, missing) = try_content(&weak, listing.get("a/b/file29"));
        assert_eq!(missing, [(4096 + 512, 512)]);
        assert_eq!(
            (&read[..4608], &read[5120..]),
            (&bytes[..4608], &bytes[5120..])
        );
        // Every sector in turn, but the superblock's, which has no copy on so small a volume: what is not marked has its own bytes, what is missing is told.
        let step = if std::env::var_os("HOLDPOINT_MUTATIONS").is_some() {
            1
        } else {
            7
        };
        for sector in (4..drive.bytes() / 512).step_by(step) {
            let weak = Weak {
                drive: &drive,
                bad: vec![sector],
            };
            let Ok(listing) = Listing::try_of(&drive, &weak, Limits::default()) else {
                panic!("{kind}: sector {sector} costs the whole volume");
            };
            let open = listing.survey.findings.any_open() && !listing.survey.accounts.add_up()
                || !listing.survey.whole
                || listing.survey.findings.any_open();
            for (path, found) in &sound.items {
                let Some(now) = listing.items.get(path) else {
                    assert!(
                        open,
                        "{kind}: sector {sector}: {} is gone",
                        String::from_utf8_lossy(path)
                    );
                    continue;
                };
                let marked = now.marks.has(Mark::Damaged) || now.marks.has(Mark::Unreadable);
                if !marked && found.kind == Kind::File {
                    assert_eq!(now.layout, found.layout, "{kind}: sector {sector}");
                }
            }
        }
    }
}

/// No checksum, so other signs: written blocks behind the length, blocks that the bitmap has as free. Blocks set aside in
/// advance (`fallocate` without a new length) are no sign: they were never written.
#[test]
fn without_checksums_a_cut_length_and_free_blocks_are_damage() {
    let name = "without_checksums_a_cut_length_and_free_blocks_are_damage";
    if !have(name, &["mke2fs", "debugfs"]) {
        return;
    }
    let folder = tempfile::tempdir().unwrap();
    let (source, image) = (folder.path().join("source"), folder.path().join("volume"));
    std::fs::create_dir_all(&source).unwrap();
    for (n, file) in (1..).zip(["cut", "moved", "ahead", "verity"]) {
        std::fs::write(source.join(file), bytes(n, 20_000)).unwrap();
    }
    let path = image.to_str().unwrap();
    let debugfs = |what: &str| run("debugfs", &["-w", "-R", what, path]);
    for (kind, more) in [
        ("ext4", &["-b", "1024", "-O", "^metadata_csum"][..]),
        ("ext2", &["-b", "1024"]),
    ] {
        make(&image, kind, more, &source, 8);
        if kind == "ext4" {
            debugfs("fallocate ahead 25 40");
        }
        debugfs("set_inode_field cut size 5000");
        // Hashes of a file's content stand behind it, and are meant.
        debugfs("set_inode_field verity size 5000");
        let flags = if kind == "ext4" {
            "0x180000"
        } else {
            "0x100000"
        };
        debugfs(&format!("set_inode_field verity flags {flags}"));
        let blocks = debugfs("blocks moved");
        debugfs(&format!("freeb {}", blocks.split(' ').next().unwrap()));
        let listing = Listing::of(&Drive::load(&image));
        for (file, doubted) in [
            ("cut", true),
            ("moved", true),
            ("ahead", false),
            ("verity", false),
        ] {
            let found = listing.get(file);
            assert_eq!(
                found.marks.has(Mark::Damaged),
                doubted,
                "{kind} {file}: {:?}",
                found.trouble
            );
        }
        let says = listing.get("cut").trouble.clone().unwrap();
        assert!(says.starts_with("15 written blocks"), "{says}");
    }
}

/// A wrong checksum of an inode, a list of blocks, a folder's block: on the items concerned, by name.
#[test]
fn wrong_checksums_are_told_by_name() {
    if !have("wrong_checksums_are_told_by_name", &["mke2fs", "debugfs"]) {
        return;
    }
    let folder = tempfile::tempdir().unwrap();
    let (source, image) = (folder.path().join("source"), folder.path().join("volume"));
    std::fs::create_dir_all(source.join("in")).unwrap();
    std::fs::write(source.join("one"), bytes(1, 2000)).unwrap();
    std::fs::write(source.join("in/two"), bytes(2, 2000)).unwrap();
    // Written in islands: its extents need a block of their own.
    let woven = std::fs::File::create(source.join("woven")).unwrap();
    for n in 0..30u64 {
        std::os::unix::fs::FileExt::write_all_at(&woven, &bytes(n + 3, 1024), n * 65_536).unwrap();
    }
    make(
        &image,
        "ext4",
        &["-b", "1024", "-O", "metadata_csum"],
        &source,
        16,
    );
    let path = image.to_str().unwrap();
    let place = |what: &str| -> usize {
        let says = run("debugfs", &["-R", &format!("imap {what}"), path]);
        let block = says
            .split("at block ")
            .nth(1)
            .unwrap()
            .split(',')
            .next()
            .unwrap()
            .trim()
            .parse::<usize>()
            .unwrap();
        let offset = says.trim().rsplit("0x").next().unwrap();
        block * 1024 + usize::from_str_radix(offset, 16).unwrap()
    };
    let inode = place("one");
    let names: usize = run("debugfs", &["-R", "blocks in", path])
        .trim()
        .parse()
        .unwrap();
    let sound = std::fs::read(&image).unwrap();
    let woven = place("woven");
    assert_eq!(sound[woven + 0x28 + 6], 1, "a tree of one level");
    let node = u32::from_le_bytes(sound[woven + 0x28 + 16..][..4].try_into().unwrap()) as usize;
    for (at, concerned, bit) in [
        (inode + 0x08, "one", 1u8),
        (names * 1024 + 900, "in/two", 1),
        // A field of the list that says nothing about places.
        (node * 1024 + 8, "woven", 1),
    ] {
        let mut raw = sound.clone();
        raw[at] ^= bit;
        let drive = Drive::new(raw);
        let listing = Listing::of(&drive);
        let found = listing.get(concerned);
        assert!(found.marks.has(Mark::Damaged), "{concerned}");
        assert!(listing.survey.findings.of("items-damaged").is_some());
        let marked: Vec<String> = listing
            .text()
            .into_iter()
            .filter(|(_, found)| found.marks.has(Mark::Damaged))
            .map(|(path, _)| path)
            .collect();
        assert!(
            marked.iter().all(|path| path == concerned || path == "in"),
            "{marked:?}"
        );
    }
}

/// An encrypted file and folder, as their inodes' flags say: listed, and never taken for content.
#[test]
fn encrypted_items_are_marked() {
    if !have("encrypted_items_are_marked", &["mke2fs", "debugfs"]) {
        return;
    }
    let folder = tempfile::tempdir().unwrap();
    let (source, image) = (folder.path().join("source"), folder.path().join("volume"));
    std::fs::create_dir_all(source.join("locked")).unwrap();
    std::fs::write(source.join("locked/one"), bytes(1, 2000)).unwrap();
    std::fs::write(source.join("open"), bytes(2, 2000)).unwrap();
    make(
        &image,
        "ext4",
        &["-b", "1024", "-O", "encrypt"],
        &source,
        16,
    );
    let path = image.to_str().unwrap();
    for (item, flags) in [("/locked", "0x80800"), ("/locked/one", "0x80800")] {
        run(
            "debugfs",
            &["-w", "-R", &format!("sif {item} flags {flags}"), path],
        );
    }
    let drive = Drive::load(&image);
    let listing = Listing::of(&drive);
    let one = listing.get("locked/one");
    assert_eq!(
        one.no_content,
        Some(holdpoint::volume::filesystem::NoContent::Encrypted)
    );
    assert!(one.marks.has(Mark::Efs) && listing.get("locked").marks.has(Mark::Efs));
    assert_eq!(listing.get("open").no_content, None);
    assert!(listing.survey.findings.of("items-encrypted").is_some());
    assert!(listing.survey.whole && listing.survey.accounts.add_up());
}
