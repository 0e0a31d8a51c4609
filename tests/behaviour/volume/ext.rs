//! ext2, ext3 and ext4 volumes made and filled by e2fsprogs, one with changes that only its journal holds.

use super::tool::{
    Dice, Drive, blank, command, content, have, listing, mutations, run, run_with, sha256, tree,
};
use holdpoint::survey::item::{Kind, Mark};
use holdpoint::volume::ext::ExtVolume;
use holdpoint::volume::filesystem::{Found, Limits};
use std::collections::BTreeMap;
use std::path::Path;
use std::sync::Arc;

fn open(drive: &Arc<Drive>) -> Result<ExtVolume, holdpoint::volume::filesystem::NotSurveyed> {
    let place = drive.place();
    ExtVolume::open(Arc::clone(drive) as _, place, Limits::default())
}

fn read(volume: &ExtVolume, path: &str, step: usize) -> Result<Vec<u8>, holdpoint::port::Fault> {
    let parts: Vec<Vec<u8>> = path
        .split('/')
        .map(|part| part.as_bytes().to_vec())
        .collect();
    let mut file = volume.file(&parts)?;
    let mut out = Vec::new();
    let mut buf = vec![0u8; step];
    loop {
        match file.read_at(out.len() as u64, &mut buf)? {
            0 => break,
            count => out.extend_from_slice(&buf[..count]),
        }
    }
    Ok(out)
}

fn contents(volume: &ExtVolume, items: &BTreeMap<String, Found>) -> BTreeMap<String, String> {
    items
        .iter()
        .filter(|(_, found)| found.kind == Kind::File)
        .map(|(path, found)| {
            assert!(
                found.layout.is_none() && found.trouble.is_none(),
                "{path}: {:?}",
                found.trouble
            );
            let bytes = read(volume, path, 70_000).unwrap();
            assert_eq!(bytes.len() as u64, found.bytes);
            (path.clone(), sha256(&bytes))
        })
        .collect()
}

fn make(image: &Path, kind: &str, source: &Path, mib: u64) {
    let _ = std::fs::remove_file(image);
    blank(image, mib << 20);
    run(
        "mke2fs",
        &[
            "-q",
            "-F",
            "-t",
            kind,
            "-b",
            "1024",
            "-L",
            "old disk",
            "-d",
            source.to_str().unwrap(),
            image.to_str().unwrap(),
        ],
    );
}

#[test]
fn what_mke2fs_copied_in_is_read_byte_for_byte() {
    if !have("what_mke2fs_copied_in_is_read_byte_for_byte", &["mke2fs"]) {
        return;
    }
    let folder = tempfile::tempdir().unwrap();
    let (source, image) = (folder.path().join("source"), folder.path().join("volume"));
    let files = tree(&source);
    std::os::unix::fs::symlink("../nowhere/at all", source.join("a/link")).unwrap();
    for kind in ["ext2", "ext3", "ext4"] {
        make(&image, kind, &source, 16);
        let drive = Arc::new(Drive::load(&image));
        let before = sha256(&drive.bytes);
        let volume = open(&drive).unwrap();
        let (survey, items) = listing(|see| Ok(volume.survey(Limits::default(), see))).unwrap();
        assert_eq!(contents(&volume, &items), files, "{kind}");
        assert_eq!(survey.format, kind);
        assert_eq!(survey.findings.list(), [], "{kind}");
        assert!(survey.whole && survey.accounts.add_up());
        assert_eq!(survey.label.as_ref().unwrap().text(), "old disk");
        assert_eq!(survey.dirty, Some(false));
        assert_eq!(items["a/link"].kind, Kind::Link);
        assert_eq!(
            items["a/link"].link_target.as_ref().unwrap().text(),
            "../nowhere/at all"
        );
        assert_eq!(items["lost+found"].kind, Kind::Folder);
        // Anywhere in a file, in any order.
        let large = files
            .keys()
            .find(|path| items[*path].bytes == 150_001)
            .unwrap();
        let whole = read(&volume, large, 1 << 20).unwrap();
        let parts: Vec<Vec<u8>> = large
            .split('/')
            .map(|part| part.as_bytes().to_vec())
            .collect();
        let mut file = volume.file(&parts).unwrap();
        for at in [149_000usize, 0, 77_777, 1024, 1023] {
            let mut buf = [0u8; 500];
            assert_eq!(file.read_at(at as u64, &mut buf).unwrap(), 500);
            assert_eq!(buf, whole[at..at + 500]);
        }
        assert!(volume.file(&[b"a".to_vec(), b"link".to_vec()]).is_err());
        assert!(volume.file(&[b"..".to_vec()]).is_err());
        assert_eq!(sha256(&drive.bytes), before);
    }
}

#[test]
fn changes_that_only_the_journal_holds_are_seen() {
    if !have(
        "changes_that_only_the_journal_holds_are_seen",
        &["mke2fs", "debugfs", "e2fsck"],
    ) {
        return;
    }
    let folder = tempfile::tempdir().unwrap();
    let (source, image) = (folder.path().join("source"), folder.path().join("volume"));
    std::fs::create_dir(&source).unwrap();
    std::fs::write(source.join("diary"), content(1, 1024)).unwrap();
    make(&image, "ext4", &source, 16);
    let path = image.to_str().unwrap();
    let block = run("debugfs", &["-R", "blocks diary", path])
        .trim()
        .to_owned();
    // A transaction that replaces the file's block, committed to the journal and not yet put in its place.
    let new = folder.path().join("new");
    std::fs::write(&new, content(2, 1024)).unwrap();
    run_with(
        "debugfs",
        &["-w", path],
        &format!("jo -c -v 3\njw -b {block} {}\njc\nquit\n", new.display()),
    );
    let drive = Arc::new(Drive::load(&image));
    let at = block.parse::<usize>().unwrap() * 1024;
    assert_eq!(
        drive.bytes[at..at + 1024],
        content(1, 1024)[..],
        "the change is in the journal only"
    );
    let volume = open(&drive).unwrap();
    assert_eq!(
        sha256(&read(&volume, "diary", 4096).unwrap()),
        sha256(&content(2, 1024))
    );
    let (survey, _) = listing(|see| Ok(volume.survey(Limits::default(), see))).unwrap();
    assert_eq!(survey.dirty, Some(true));
    assert!(survey.findings.of("not-closed").is_some());
    assert!(!survey.findings.any_open());
    // The outside agrees: e2fsck plays the journal back on a copy.
    let copy = folder.path().join("copy");
    std::fs::copy(&image, &copy).unwrap();
    let _ = command("e2fsck")
        .args(["-fy", copy.to_str().unwrap()])
        .output()
        .unwrap();
    let replayed = Arc::new(Drive::load(&copy));
    assert_eq!(
        read(&open(&replayed).unwrap(), "diary", 4096).unwrap(),
        content(2, 1024)
    );
}

/// The library plays back journals with check sums only (version 3, as e2fsprogs makes them since 2018).
/// Any other journal with changes in it is refused with a way out; it is never listed as if there were none.
#[test]
fn a_journal_that_is_not_understood_is_refused() {
    if !have(
        "a_journal_that_is_not_understood_is_refused",
        &["mke2fs", "debugfs"],
    ) {
        return;
    }
    let folder = tempfile::tempdir().unwrap();
    let (source, image) = (folder.path().join("source"), folder.path().join("volume"));
    std::fs::create_dir(&source).unwrap();
    std::fs::write(source.join("diary"), content(1, 1024)).unwrap();
    make(&image, "ext3", &source, 16);
    let path = image.to_str().unwrap();
    let block = run("debugfs", &["-R", "blocks diary", path])
        .trim()
        .to_owned();
    let new = folder.path().join("new");
    std::fs::write(&new, content(2, 1024)).unwrap();
    run_with(
        "debugfs",
        &["-w", path],
        &format!("jo\njw -b {block} {}\njc\nquit\n", new.display()),
    );
    let drive = Arc::new(Drive::load(&image));
    let why = open(&drive)
        .err()
        .expect("a journal without check sums is refused");
    assert!(why.next.contains("overlay"), "{why}");
}

/// Damages metadata of a volume with metadata check sums: nothing may panic or run for ever, and whatever is listed
/// without a mark reads as its own bytes or as an error, never silently as others.
#[test]
fn damaged_volumes_end_and_tell() {
    if !have("damaged_volumes_end_and_tell", &["mke2fs"]) {
        return;
    }
    let folder = tempfile::tempdir().unwrap();
    let (source, image) = (folder.path().join("source"), folder.path().join("volume"));
    std::fs::create_dir_all(source.join("a/b")).unwrap();
    let mut wanted = BTreeMap::new();
    for n in 0..30u64 {
        let name = format!("{}file{n}", ["", "a/", "a/b/"][n as usize % 3]);
        let bytes = content(n + 1, 300 + 700 * n as usize);
        std::fs::write(source.join(&name), &bytes).unwrap();
        wanted.insert(name, bytes);
    }
    blank(&image, 1 << 20);
    run(
        "mke2fs",
        &[
            "-q",
            "-F",
            "-t",
            "ext4",
            "-O",
            "^has_journal,metadata_csum",
            "-b",
            "1024",
            "-N",
            "64",
            "-d",
            source.to_str().unwrap(),
            image.to_str().unwrap(),
        ],
    );
    let sound = Drive::load(&image).bytes;
    // Everything that is no file's content counts as metadata.
    let inside = |at: usize| {
        wanted
            .values()
            .any(|bytes| bytes.len() >= 300 && sound[at..].starts_with(&bytes[..16]))
    };
    let content_blocks: Vec<bool> = {
        let mut marks = vec![false; sound.len() / 1024];
        for (block, mark) in marks.iter_mut().enumerate() {
            let here = &sound[block * 1024..block * 1024 + 16];
            *mark = inside(block * 1024)
                || wanted.values().any(|bytes| {
                    bytes
                        .chunks(1024)
                        .any(|piece| piece.len() >= 16 && piece[..16] == *here)
                });
        }
        marks
    };
    let metadata: Vec<usize> = (1..content_blocks.len())
        .filter(|block| {
            !content_blocks[*block]
                && sound[block * 1024..(block + 1) * 1024]
                    .iter()
                    .any(|b| *b != 0)
        })
        .collect();
    assert!(metadata.len() > 4);
    let mut dice = Dice(0xE47);
    let mut told = 0;
    for round in 0..mutations(300) {
        let mut bytes = sound.clone();
        let mut changes = Vec::new();
        for _ in 0..1 + dice.roll(4) {
            let at = metadata[dice.roll(metadata.len())] * 1024 + dice.roll(1024);
            bytes[at] = if dice.roll(2) == 0 {
                bytes[at] ^ (1 << dice.roll(8))
            } else {
                dice.roll(256) as u8
            };
            changes.push(at);
        }
        let drive = Arc::new(Drive::new(bytes));
        let Ok(volume) = open(&drive) else {
            told += 1;
            continue;
        };
        let (survey, items) = listing(|see| {
            Ok(volume.survey(
                Limits {
                    items: 5000,
                    ..Limits::default()
                },
                see,
            ))
        })
        .unwrap();
        if survey.findings.any_open() {
            told += 1;
        }
        for (path, bytes) in &wanted {
            match items.get(path) {
                None => assert!(
                    survey.findings.any_open() || !survey.whole,
                    "round {round}: {path} is missing, nothing tells; {changes:?}"
                ),
                Some(found) if found.marks.has(Mark::Damaged) => {}
                Some(_) => {
                    if let Ok(found) = read(&volume, path, 4096) {
                        assert!(
                            found == *bytes,
                            "round {round}: {path} reads as other bytes; {changes:?}"
                        );
                    }
                }
            }
        }
    }
    assert!(told > 0);
}
