//! Destinations that are full, read-only, made of memory, or lie on the source's disk.

use super::support::{Loop, Mounted, can, run, skip};
use holdpoint::linux::{FolderDestination, FolderTree};
use holdpoint::port::{Destination, FaultKind, Tree};

#[test]
fn a_full_destination_says_so() {
    if !can("a_full_destination_says_so", &["mkfs.ext4"]) {
        return;
    }
    let scratch = tempfile::tempdir().unwrap();
    let drive = Loop::fresh(scratch.path(), "image", 8 << 20);
    let point = scratch.path().join("point");
    let _mounted = Mounted::at(&point, &[drive.ext4().path()]);
    let destination = FolderDestination::make(&point.join("job")).unwrap();
    let free = destination.facts().unwrap().free_bytes;
    assert!(free > 0 && free < 8 << 20);
    let mut file = destination.create("big", 64 << 20).unwrap();
    let mut block = holdpoint::port::Block::new(1 << 20, &|_| {});
    block.fill(1);
    let refused = (0..64u64)
        .find_map(|n| file.write_at(n << 20, &block).err())
        .expect("64 MiB went into 8");
    assert_eq!(refused.kind, FaultKind::Full, "{refused}");
    drop(file);
    destination.remove("big").unwrap();
    destination.settle().unwrap();
    destination.write_small("small", b"fits").unwrap();
}

#[test]
fn a_read_only_destination_says_so() {
    if !can("a_read_only_destination_says_so", &["mkfs.ext4"]) {
        return;
    }
    let scratch = tempfile::tempdir().unwrap();
    let drive = Loop::fresh(scratch.path(), "image", 16 << 20);
    let point = scratch.path().join("point");
    let _mounted = Mounted::at(&point, &["-o", "ro", drive.ext4().path()]);
    let destination = FolderDestination::open(&point).unwrap();
    let facts = destination.facts().unwrap();
    assert!(facts.not_writable.unwrap().starts_with("EROFS"));
    let refused = destination.create("a", 0).err().unwrap();
    assert_eq!(refused.kind, FaultKind::ReadOnly);
    let refused = destination.write_small("a", b"").unwrap_err();
    assert_eq!(refused.kind, FaultKind::ReadOnly);
}

#[test]
fn memory_and_loops_count_for_practice_only() {
    let name = "memory_and_loops_count_for_practice_only";
    if !can(name, &["mkfs.ext4"]) {
        return;
    }
    let scratch = tempfile::tempdir().unwrap();
    let memory = Mounted::at(&scratch.path().join("memory"), &["-t", "tmpfs", "made-up"]);
    let facts = FolderDestination::open(&memory.point)
        .unwrap()
        .facts()
        .unwrap();
    assert!(facts.practice_only && facts.disks.is_empty() && !facts.network);
    assert_eq!(facts.file_system, "tmpfs");
    let drive = Loop::fresh(scratch.path(), "image", 16 << 20);
    let looped = Mounted::at(&scratch.path().join("loop"), &[drive.ext4().path()]);
    let facts = FolderDestination::open(&looped.point)
        .unwrap()
        .facts()
        .unwrap();
    assert!(facts.practice_only && facts.hard_links && !facts.folds_case);
    assert_eq!(facts.file_system, "ext4");
    // Its file lies on the scratch folder's disk, and so does everything in it.
    let below = FolderTree::open(scratch.path()).unwrap().root().unwrap();
    assert_eq!(facts.disks, below.disks);
    assert_eq!(facts.disks_unknown, below.disks_unknown);
}

#[test]
fn every_file_system_here_reads_back_what_was_written() {
    let name = "every_file_system_here_reads_back_what_was_written";
    if !can(name, &[]) {
        return;
    }
    for (make, options, bytes) in [
        ("mkfs.ext4", "-F", 64u64 << 20),
        ("mkfs.xfs", "-f", 512 << 20),
        ("mkfs.btrfs", "-f", 256 << 20),
    ] {
        if !can(name, &[make]) {
            continue;
        }
        let scratch = tempfile::tempdir().unwrap();
        let drive = Loop::fresh(scratch.path(), "image", bytes);
        run(make, &["-q", options, drive.path()]).unwrap();
        let point = scratch.path().join("point");
        let mounted = match Mounted::try_at(&point, &[drive.path()]) {
            Ok(mounted) => mounted,
            Err(why) => {
                skip(name, &why);
                continue;
            }
        };
        let destination = FolderDestination::make(&point.join("job")).unwrap();
        let mut block = holdpoint::port::Block::new(4 << 20, &|_| {});
        for (place, byte) in block.iter_mut().enumerate() {
            *byte = (place % 253) as u8;
        }
        destination.make_folder("data").unwrap();
        let lengths = [
            0usize,
            1,
            4095,
            4096,
            100_000,
            131_072,
            3 << 20,
            (3 << 20) + 17,
        ];
        for length in lengths {
            let path = format!("data/{length}");
            let mut file = destination.create(&path, length as u64).unwrap();
            let padded = if length >= 128 << 10 {
                length.next_multiple_of(4096)
            } else {
                length
            };
            for from in (0..padded).step_by(2 << 20) {
                let to = padded.min(from + (2 << 20));
                file.write_at(from as u64, &block[from..to]).unwrap();
            }
            file.finish(length as u64).unwrap();
        }
        destination.settle().unwrap();
        let before = destination.fetched_bytes().unwrap();
        let mut back = holdpoint::port::Block::new(4 << 20, &|_| {});
        let mut read = 0u64;
        for length in lengths {
            let content = destination.open(&format!("data/{length}")).unwrap();
            let mut at = 0usize;
            loop {
                match content.read_at(at as u64, &mut back[at..]).unwrap() {
                    0 => break,
                    got => at += got,
                }
            }
            assert_eq!(at, length, "{make}");
            assert!(back[..length] == block[..length], "{make} {length}");
            read += length as u64;
        }
        let fetched = destination.fetched_bytes().unwrap() - before;
        // btrfs keeps small files in its trees, which were read before.
        let inline = if make == "mkfs.btrfs" { 8192 } else { 0 };
        assert!(
            fetched + inline >= read,
            "{make}: {fetched} of {read} bytes came from the medium"
        );
        drop(destination);
        drop(mounted);
    }
}

/// A file with holes longer than the destination is copied there, and comes back: the bag keeps them as holes.
#[test]
fn a_file_with_holes_longer_than_the_destination_is_copied() {
    let name = "a_file_with_holes_longer_than_the_destination_is_copied";
    if !can(name, &["mkfs.ext4"]) {
        return;
    }
    use std::os::unix::fs::FileExt;
    let shop = crate::shop::Shop::new();
    let drive = Loop::fresh(shop.dir.path(), "stick", 48 << 20);
    let _mounted = Mounted::at(&shop.path("copies"), &[drive.ext4().path()]);
    let sparse = std::fs::File::create(shop.path("laptop/machine.img")).unwrap();
    sparse.set_len(256 << 20).unwrap();
    sparse.write_all_at(b"middle", 128 << 20).unwrap();
    shop.saved();
    let copy = shop.path("copies/job/bag/data/folder/machine.img");
    let seen = std::fs::metadata(copy).unwrap();
    use std::os::unix::fs::MetadataExt;
    assert_eq!(seen.len(), 256 << 20);
    assert!(seen.blocks() * 512 < 8 << 20, "{}", seen.blocks());
    // One without holes is too much, and both numbers are said.
    let filled = shop.put("laptop/filled.img", vec![0x5a; 64 << 20]);
    let planned = shop.step(&["plan"]).ends(0).json();
    let points = planned["open_points"].as_array().unwrap();
    let full = points
        .iter()
        .find(|point| point["id"] == "destination-full");
    assert!(full.is_some(), "{points:?}");
    std::fs::remove_file(filled).unwrap();
}
