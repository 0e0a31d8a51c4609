//! Volumes that mke2fs fills from a folder, compared name by name and byte by byte.

use super::super::tool::{Drive, content as bytes, have, run, sha256, tree};
use super::{Listing, content, make};
use ext4_view::{Ext4, Ext4Read};
use holdpoint::survey::item::{Kind, Mark};
use holdpoint::volume::layout::Piece;
use std::sync::Arc;

#[test]
fn what_mke2fs_copied_in_is_read_byte_for_byte() {
    if !have("what_mke2fs_copied_in_is_read_byte_for_byte", &["mke2fs"]) {
        return;
    }
    let folder = tempfile::tempdir().unwrap();
    let (source, image) = (folder.path().join("source"), folder.path().join("volume"));
    let files = tree(&source);
    std::os::unix::fs::symlink("../nowhere/at all", source.join("a/link")).unwrap();
    let first = files.keys().next().unwrap().clone();
    std::fs::hard_link(source.join(&first), source.join("second name")).unwrap();
    let mut files = files;
    files.insert("second name".to_owned(), files[&first].clone());
    for kind in ["ext2", "ext3", "ext4"] {
        make(&image, kind, &["-b", "1024"], &source, 16);
        let drive = Drive::load(&image);
        let before = sha256(&drive.bytes);
        let listing = Listing::of(&drive);
        assert_eq!(listing.hashes(&drive), files, "{kind}");
        let survey = &listing.survey;
        assert_eq!(survey.format, kind);
        assert_eq!(survey.findings.list(), [], "{kind}");
        listing.is_sound(kind);
        assert_eq!(survey.label.as_ref().unwrap().text(), "old disk");
        assert_eq!(survey.dirty, Some(false));
        assert_eq!(survey.accounts.in_use, Some(survey.accounts.owned));
        let link = listing.get("a/link");
        assert_eq!(link.kind, Kind::Link);
        assert_eq!(
            link.link_target.as_ref().unwrap().text(),
            "../nowhere/at all"
        );
        let (one, two) = (listing.get(&first), listing.get("second name"));
        assert_eq!((one.record, one.names, two.names), (two.record, 2, 2));
        assert!(one.marks.has(Mark::HardLinked) && two.marks.has(Mark::HardLinked));
        assert_eq!(listing.get("lost+found").kind, Kind::Folder);
        assert_eq!(sha256(&drive.bytes), before);
    }
}

/// Bytes as the other reader's way to a drive.
struct Other(Arc<Drive>);

impl Ext4Read for Other {
    fn read(
        &mut self,
        at: u64,
        to: &mut [u8],
    ) -> Result<(), Box<dyn std::error::Error + Send + Sync + 'static>> {
        let at = usize::try_from(at)?;
        to.copy_from_slice(self.0.bytes.get(at..at + to.len()).ok_or("outside")?);
        Ok(())
    }
}

#[test]
fn a_second_reader_agrees() {
    if !have("a_second_reader_agrees", &["mke2fs"]) {
        return;
    }
    let folder = tempfile::tempdir().unwrap();
    let (source, image) = (folder.path().join("source"), folder.path().join("volume"));
    tree(&source);
    std::fs::write(source.join("long"), bytes(7, 3_000_000)).unwrap();
    for kind in ["ext2", "ext4"] {
        make(&image, kind, &["-b", "1024"], &source, 16);
        let drive = Arc::new(Drive::load(&image));
        let listing = Listing::of(&drive);
        let other = Ext4::load(Box::new(Other(Arc::clone(&drive)))).unwrap();
        let mut compared = 0;
        for (path, found) in listing.text() {
            if found.kind == Kind::File {
                let theirs = other.read(format!("/{path}").as_str()).unwrap();
                assert_eq!(
                    sha256(&theirs),
                    sha256(&content(drive.as_ref(), found)),
                    "{path}"
                );
                let time = other
                    .metadata(format!("/{path}").as_str())
                    .unwrap()
                    .modified();
                assert_eq!(
                    found.times.modified,
                    Some(time.seconds() * 1_000_000_000 + i64::from(time.nanoseconds()))
                );
                compared += 1;
            }
        }
        assert!(compared > 10);
    }
}

#[test]
fn every_shape_of_volume() {
    if !have("every_shape_of_volume", &["mke2fs", "tune2fs"]) {
        return;
    }
    let folder = tempfile::tempdir().unwrap();
    let (source, image) = (folder.path().join("source"), folder.path().join("volume"));
    let files = tree(&source);
    let shapes: [&[&str]; 18] = [
        &["-b", "2048"],
        &["-b", "4096"],
        &["-b", "65536"],
        &["-b", "1024", "-O", "^64bit,^metadata_csum"],
        &["-b", "1024", "-O", "^metadata_csum,uninit_bg"],
        &["-b", "1024", "-g", "512", "-O", "meta_bg,^resize_inode"],
        &[
            "-b",
            "1024",
            "-g",
            "512",
            "-O",
            "meta_bg,^resize_inode,^64bit",
        ],
        &["-b", "1024", "-g", "1024", "-O", "sparse_super2"],
        &[
            "-b",
            "1024",
            "-g",
            "1024",
            "-O",
            "^sparse_super,^resize_inode",
        ],
        &["-b", "1024", "-O", "^flex_bg"],
        &["-b", "1024", "-O", "bigalloc", "-C", "16384"],
        &["-b", "4096", "-O", "bigalloc", "-C", "65536"],
        &["-b", "1024", "-I", "128", "-O", "^metadata_csum"],
        &["-b", "1024", "-I", "128"],
        &["-b", "4096", "-I", "1024", "-O", "inline_data"],
        &[
            "-b",
            "1024",
            "-O",
            "metadata_csum_seed,encrypt,verity,casefold",
        ],
        &["-b", "1024", "-O", "mmp,quota,project"],
        &[
            "-b",
            "1024",
            "-O",
            "orphan_file,ea_inode,large_dir",
            "-E",
            "lazy_itable_init=1",
        ],
    ];
    for more in shapes {
        make(&image, "ext4", more, &source, 24);
        let drive = Drive::load(&image);
        let listing = Listing::of(&drive);
        assert_eq!(listing.hashes(&drive), files, "{more:?}");
        assert_eq!(listing.survey.findings.list(), [], "{more:?}");
        listing.is_sound(&format!("{more:?}"));
    }
    // Revision 0: fixed inodes, no features; and types of entries left out.
    for more in [
        &["-b", "1024", "-r", "0"][..],
        &["-b", "1024", "-O", "^filetype"],
    ] {
        make(&image, "ext2", more, &source, 24);
        let drive = Drive::load(&image);
        let listing = Listing::of(&drive);
        assert_eq!(listing.hashes(&drive), files, "{more:?}");
        listing.is_sound(&format!("{more:?}"));
    }
}

#[test]
fn content_within_inodes_lies_in_the_table() {
    if !have("content_within_inodes_lies_in_the_table", &["mke2fs"]) {
        return;
    }
    let folder = tempfile::tempdir().unwrap();
    let (source, image) = (folder.path().join("source"), folder.path().join("volume"));
    std::fs::create_dir_all(source.join("few")).unwrap();
    for length in [0usize, 1, 59, 60, 61, 100, 140] {
        std::fs::write(
            source.join(format!("few/{length}")),
            bytes(length as u64 + 1, length),
        )
        .unwrap();
    }
    make(
        &image,
        "ext4",
        &["-b", "4096", "-I", "256", "-O", "inline_data"],
        &source,
        8,
    );
    let drive = Drive::load(&image);
    let listing = Listing::of(&drive);
    listing.is_sound("inline");
    for length in [0usize, 1, 59, 60, 61, 100, 140] {
        let found = listing.get(&format!("few/{length}"));
        assert_eq!(content(&drive, found), bytes(length as u64 + 1, length));
    }
    let found = listing.get("few/100");
    assert!(found.marks.has(Mark::Resident));
    assert!(matches!(
        found.layout.as_ref().unwrap().pieces[..],
        [
            Piece::Extent { bytes: 60, .. },
            Piece::Extent { bytes: 40, .. }
        ]
    ));
}

#[test]
fn a_copy_of_the_superblock_is_used_and_named() {
    if !have("a_copy_of_the_superblock_is_used_and_named", &["mke2fs"]) {
        return;
    }
    let folder = tempfile::tempdir().unwrap();
    let (source, image) = (folder.path().join("source"), folder.path().join("volume"));
    let files = tree(&source);
    make(&image, "ext4", &["-b", "1024"], &source, 24);
    let sound = Drive::load(&image).bytes;
    // Gone, unreadable in its sums, and with its descriptors gone too.
    for (from, to) in [
        (1024usize, 2048usize),
        (1024 + 0x28, 1024 + 0x2A),
        (0, 4096),
    ] {
        let mut raw = sound.clone();
        raw[from..to].fill(0xA5);
        let drive = Drive::new(raw);
        let listing = Listing::of(&drive);
        assert_eq!(listing.hashes(&drive), files);
        assert!(listing.survey.findings.of("superblock-from-copy").is_some());
        // A copy of the descriptors does not know which bitmaps were ever written.
        assert_eq!(
            listing.survey.accounts.add_up(),
            to < 4096,
            "{:?}",
            listing.survey.accounts
        );
        assert_eq!(
            listing.survey.findings.of("descriptors-damaged").is_some(),
            to == 4096
        );
        let probed = holdpoint::volume::signature::probe(&drive, drive.place());
        assert!(
            probed
                .leading()
                .is_some_and(|hit| hit.what.word() == "ext4")
        );
    }
    let mut raw = sound;
    for at in (1024..raw.len() - 1024).step_by(1024) {
        if raw[at + 0x38..at + 0x3A] == [0x53, 0xEF] {
            raw[at..at + 1024].fill(0);
        }
    }
    let drive = Drive::new(raw);
    let why = Listing::try_of(&drive, &drive, Default::default())
        .err()
        .unwrap();
    assert!(why.found.contains("copy"), "{why}");
}

#[test]
fn what_is_not_known_is_refused_with_a_way_out() {
    if !have(
        "what_is_not_known_is_refused_with_a_way_out",
        &["mke2fs", "debugfs"],
    ) {
        return;
    }
    let folder = tempfile::tempdir().unwrap();
    let (source, image) = (folder.path().join("source"), folder.path().join("volume"));
    std::fs::create_dir(&source).unwrap();
    make(&image, "ext4", &["-O", "^metadata_csum"], &source, 16);
    run(
        "debugfs",
        &[
            "-w",
            "-R",
            "ssv feature_incompat 0x2C3",
            image.to_str().unwrap(),
        ],
    );
    let drive = Drive::load(&image);
    let why = Listing::try_of(&drive, &drive, Default::default())
        .err()
        .unwrap();
    assert!(why.found.contains("not known here"), "{why}");
    assert!(why.next.contains("--folder"), "{why}");
}
