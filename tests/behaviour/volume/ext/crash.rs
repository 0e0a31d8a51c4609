//! Volumes that were not closed: what the journal holds counts, as the kernel and e2fsck say when they play it back.

use super::super::kernel::{can, compare, mount, stale};
use super::super::tool::{Drive, command, content as bytes, have, run, run_with};
use super::zoo::{change, fill, format};
use super::{Listing, content, make};
use holdpoint::survey::item::Mark;
use std::path::Path;

/// One file of one block, and a transaction that replaces the block, committed and not yet put in its place.
fn diary(folder: &Path, kind: &str, open: &str, new: &[u8]) -> Drive {
    let (source, image) = (folder.join("source"), folder.join("volume"));
    let _ = std::fs::create_dir(&source);
    std::fs::write(source.join("diary"), bytes(1, 1024)).unwrap();
    make(&image, kind, &["-b", "1024"], &source, 16);
    let path = image.to_str().unwrap();
    let block = run("debugfs", &["-R", "blocks diary", path])
        .trim()
        .to_owned();
    let file = folder.join("new");
    std::fs::write(&file, new).unwrap();
    run_with(
        "debugfs",
        &["-w", path],
        &format!("jo {open}\njw -b {block} {}\njc\nquit\n", file.display()),
    );
    let drive = Drive::load(&image);
    let at = block.parse::<usize>().unwrap() * 1024;
    assert_eq!(
        drive.bytes[at..at + 1024],
        bytes(1, 1024)[..],
        "the change is in the journal only"
    );
    drive
}

#[test]
fn changes_that_only_the_journal_holds_are_seen() {
    let name = "changes_that_only_the_journal_holds_are_seen";
    if !have(name, &["mke2fs", "debugfs", "e2fsck"]) {
        return;
    }
    let folder = tempfile::tempdir().unwrap();
    let mut magic = bytes(2, 1024);
    magic[..4].copy_from_slice(&[0xC0, 0x3B, 0x39, 0x98]);
    // Without checksums, and with both kinds; plain content, and content that begins like a block of a journal.
    for (kind, open) in [
        ("ext3", ""),
        ("ext4", ""),
        ("ext4", "-c -v 2"),
        ("ext4", "-c -v 3"),
    ] {
        for new in [&bytes(2, 1024), &magic] {
            let drive = diary(folder.path(), kind, open, new);
            let listing = Listing::of(&drive);
            assert_eq!(&content(&drive, listing.get("diary")), new, "{kind} {open}");
            assert_eq!(listing.survey.dirty, Some(true));
            assert!(listing.survey.findings.of("not-closed").is_some());
            listing.is_sound(&format!("{kind} {open}"));
            // The same without the first superblock: its copy does not know, the journal does.
            let mut raw = drive.bytes;
            raw[1024..2048].fill(0xA5);
            let beheaded = Drive::new(raw);
            let listing = Listing::of(&beheaded);
            assert_eq!(
                &content(&beheaded, listing.get("diary")),
                new,
                "{kind} {open}"
            );
            assert!(listing.survey.findings.of("superblock-from-copy").is_some());
            // The outside agrees: e2fsck plays the journal back.
            let image = folder.path().join("volume");
            let _ = command("e2fsck")
                .args(["-fy", image.to_str().unwrap()])
                .output()
                .unwrap();
            let replayed = Drive::load(&image);
            let listing = Listing::of(&replayed);
            assert_eq!(&content(&replayed, listing.get("diary")), new);
            assert_eq!(listing.survey.dirty, Some(false));
        }
    }
}

/// A revoked block keeps what is in its place; a transaction without an end does not count.
#[test]
fn revoked_and_unfinished_changes_do_not_count() {
    if !have(
        "revoked_and_unfinished_changes_do_not_count",
        &["mke2fs", "debugfs"],
    ) {
        return;
    }
    let folder = tempfile::tempdir().unwrap();
    for open in ["", "-c -v 3"] {
        let (source, image) = (folder.path().join("source"), folder.path().join("volume"));
        let _ = std::fs::create_dir(&source);
        std::fs::write(source.join("diary"), bytes(1, 1024)).unwrap();
        make(&image, "ext4", &["-b", "1024"], &source, 16);
        let path = image.to_str().unwrap();
        let block = run("debugfs", &["-R", "blocks diary", path])
            .trim()
            .to_owned();
        let new = folder.path().join("new");
        std::fs::write(&new, bytes(2, 1024)).unwrap();
        run_with(
            "debugfs",
            &["-w", path],
            &format!(
                "jo {open}\njw -b {block} {}\njw -r {block}\njc\nquit\n",
                new.display()
            ),
        );
        let drive = Drive::load(&image);
        let listing = Listing::of(&drive);
        assert_eq!(
            content(&drive, listing.get("diary")),
            bytes(1, 1024),
            "{open}"
        );
        assert!(listing.survey.whole, "{:?}", listing.survey.findings);
    }
    let drive = diary(folder.path(), "ext4", "-c -v 3", &bytes(2, 1024));
    // The commit block: the journal's mark, kind 2.
    let mut raw = drive.bytes;
    let commit = (0..raw.len())
        .step_by(1024)
        .rfind(|at| raw[*at..*at + 8] == [0xC0, 0x3B, 0x39, 0x98, 0, 0, 0, 2])
        .unwrap();
    let sound = raw.clone();
    raw[commit..commit + 4].fill(0);
    let drive = Drive::new(raw);
    let listing = Listing::of(&drive);
    assert_eq!(content(&drive, listing.get("diary")), bytes(1, 1024));
    assert!(listing.survey.findings.of("journal-unfinished").is_some());
    assert!(listing.survey.whole);
    // A commit with a wrong checksum, and a copy with one: never silently whole.
    let copy = (0..sound.len())
        .step_by(1024)
        .rfind(|at| sound[*at..*at + 1024] == bytes(2, 1024)[..])
        .unwrap();
    for at in [commit + 0x30, copy + 5] {
        let mut raw = sound.clone();
        raw[at] ^= 1;
        let drive = Drive::new(raw);
        let listing = Listing::of(&drive);
        assert!(!listing.survey.whole);
        assert!(listing.survey.findings.of("journal-not-applied").is_some());
        if at == copy + 5 {
            let found = listing.get("diary");
            assert!(found.trouble.is_some());
            assert_eq!(super::try_content(&drive, found).1, [(0, 1024)]);
        }
    }
}

#[test]
fn a_journal_that_is_elsewhere_is_an_open_point() {
    let name = "a_journal_that_is_elsewhere_is_an_open_point";
    if !have(name, &["mke2fs", "debugfs"]) {
        return;
    }
    let folder = tempfile::tempdir().unwrap();
    let (source, image) = (folder.path().join("source"), folder.path().join("volume"));
    std::fs::create_dir(&source).unwrap();
    std::fs::write(source.join("diary"), bytes(1, 1024)).unwrap();
    make(
        &image,
        "ext4",
        &["-b", "1024", "-O", "^metadata_csum"],
        &source,
        16,
    );
    let path = image.to_str().unwrap();
    for set in [
        "ssv journal_inum 0",
        "ssv journal_dev 0x801",
        "ssv feature_incompat 0x2C6",
    ] {
        run("debugfs", &["-w", "-R", set, path]);
    }
    let drive = Drive::load(&image);
    let listing = Listing::of(&drive);
    assert!(!listing.survey.whole);
    let point = listing.survey.findings.of("journal-not-applied").unwrap();
    assert!(point.says.contains("another device"), "{}", point.says);
}

/// Copies of the image while it is mounted and written to, each as if the power had gone.
fn pulled(name: &str, kind: &str, more: &[&str], options: &str) {
    if !can(name, &["mke2fs", "mount"]) {
        return;
    }
    let folder = tempfile::tempdir().unwrap();
    let at = |part: &str| folder.path().join(part);
    stale(&at("volume"), 48);
    format(&at("volume"), kind, more);
    let mounted = match mount(&at("volume"), &at("at"), options) {
        Ok(mounted) => mounted,
        Err(says) => {
            let says = format!("the kernel here knows no {kind} {more:?} {options}: {says}");
            return crate::skip::skip(name, &says);
        }
    };
    fill(&at("at"), kind);
    let held = at("at").join("unlinked while open");
    std::fs::write(&held, bytes(9, 100_000)).unwrap();
    let open = std::fs::File::open(&held).unwrap();
    // What was never written out holds nothing that could be lost.
    open.sync_all().unwrap();
    let mut copies = Vec::new();
    for round in 0..6u64 {
        change(&at("at"), round + 1);
        if round == 2 {
            std::fs::remove_file(&held).unwrap();
        }
        if round % 2 == 0 {
            // The journal is written, most of what is in it is not yet in its place.
            std::fs::File::open(at("at")).unwrap().sync_all().unwrap();
        }
        let copy = at(&format!("copy {round}"));
        std::fs::copy(at("volume"), &copy).unwrap();
        copies.push(copy);
    }
    drop(open);
    drop(mounted);
    let (mut changed, mut orphans) = (0, 0);
    for copy in copies {
        let why = format!("{name} {}", copy.display());
        let drive = Drive::load(&copy);
        let listing = Listing::of(&drive);
        let findings = &listing.survey.findings;
        listing.is_sound(&why);
        assert_eq!(listing.survey.dirty, Some(true));
        if let Some(open) = findings.of("unlinked-while-open") {
            orphans += open.count;
            assert!(open.says.contains("(100 kB)"), "{}", open.says);
        }
        changed += u64::from(
            findings
                .of("not-closed")
                .is_some_and(|f| !f.says.contains("; 0 transactions")),
        );
        // The kernel plays it back, on the copy.
        let mounted = mount(&copy, &at("at"), "").unwrap();
        compare(&listing.items, &drive, &at("at"), &why);
        drop(mounted);
    }
    assert!(changed > 0, "no copy had anything in its journal");
    assert!(orphans > 0, "no copy had an unlinked file that was open");
}

#[test]
fn the_kernel_agrees_after_a_crash_ordered() {
    pulled(
        "the_kernel_agrees_after_a_crash_ordered",
        "ext4",
        &["-b", "4096"],
        "data=ordered",
    );
}

#[test]
fn the_kernel_agrees_after_a_crash_journalled() {
    pulled(
        "the_kernel_agrees_after_a_crash_journalled",
        "ext4",
        &["-b", "1024"],
        "data=journal",
    );
}

#[test]
fn the_kernel_agrees_after_a_crash_old() {
    pulled(
        "the_kernel_agrees_after_a_crash_old",
        "ext3",
        &["-b", "1024"],
        "data=journal",
    );
    pulled(
        "the_kernel_agrees_after_a_crash_old",
        "ext3",
        &["-b", "4096"],
        "",
    );
}

#[test]
fn the_kernel_agrees_after_a_crash_with_a_file_of_orphans() {
    pulled(
        "the_kernel_agrees_after_a_crash_with_a_file_of_orphans",
        "ext4",
        &["-b", "4096", "-O", "orphan_file,inline_data"],
        "",
    );
}

/// Fast commits are not applied: where any are pending, the listing is not called whole, and the files that they are about
/// are in doubt.
#[test]
fn fast_commits_are_told() {
    let name = "fast_commits_are_told";
    if !can(name, &["mke2fs", "mount"]) {
        return;
    }
    let folder = tempfile::tempdir().unwrap();
    let at = |part: &str| folder.path().join(part);
    stale(&at("volume"), 48);
    format(&at("volume"), "ext4", &["-O", "fast_commit"]);
    let mounted = mount(&at("volume"), &at("at"), "").unwrap();
    let cut = at("at").join("cut");
    std::fs::write(&cut, bytes(99, 30_000)).unwrap();
    std::fs::write(at("at").join("left alone"), bytes(98, 30_000)).unwrap();
    let synced = std::process::Command::new("sync").status().unwrap();
    assert!(synced.success());
    let (mut told, mut doubted) = (0, 0);
    for n in 0..8u64 {
        let file = std::fs::File::options().write(true).open(&cut).unwrap();
        file.set_len(1000 - n).unwrap();
        file.sync_all().unwrap();
        let path = at("at").join(format!("file {n}"));
        std::fs::write(&path, bytes(n + 1, 9000)).unwrap();
        std::fs::File::open(&path).unwrap().sync_all().unwrap();
        std::fs::copy(at("volume"), at("copy")).unwrap();
        let drive = Drive::load(&at("copy"));
        let listing = Listing::of(&drive);
        let point = listing.survey.findings.of("journal-not-applied");
        assert_eq!(listing.survey.whole, point.is_none());
        if let Some(point) = point {
            assert!(point.says.contains("fast commits"), "{}", point.says);
            told += 1;
            let cut = listing.get("cut");
            let is_old = cut.bytes != 1000 - n;
            assert!(!is_old || cut.marks.has(Mark::Damaged));
            doubted += u32::from(is_old);
            assert!(!listing.get("left alone").marks.has(Mark::Damaged));
        } else {
            assert_eq!(
                content(&drive, listing.get(&format!("file {n}"))),
                bytes(n + 1, 9000)
            );
        }
    }
    drop(mounted);
    println!("{told} of 8 copies had fast commits pending");
    assert!(told > 0 && doubted > 0);
}
