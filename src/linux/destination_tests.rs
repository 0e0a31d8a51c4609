//! A job folder in a scratch place: what goes in, what stays out, what comes back.

use super::*;
use std::os::unix::fs::symlink;

fn fresh() -> (tempfile::TempDir, FolderDestination) {
    let scratch = tempfile::tempdir().unwrap();
    let destination = FolderDestination::make(&scratch.path().join("job/of/today")).unwrap();
    (scratch, destination)
}

fn listing(destination: &FolderDestination) -> Vec<(String, bool, u64)> {
    let mut all = Vec::new();
    destination
        .each("", &mut |below| {
            let bytes = if below.is_folder { 0 } else { below.bytes };
            all.push((below.path.to_owned(), below.is_folder, bytes));
        })
        .unwrap();
    all.sort_unstable();
    all
}

#[test]
fn only_file_systems_known_to_keep_their_word_are_settled_as_a_whole() {
    let now = Some((6, 1));
    // statfs(2): EXT4_SUPER_MAGIC, MSDOS_SUPER_MAGIC, NFS_SUPER_MAGIC, FUSE_SUPER_MAGIC
    assert_eq!(Settling::of(0xef53, now), Settling::Whole);
    assert_eq!(Settling::of(0x4d44, now), Settling::WholeThenOne);
    assert_eq!(Settling::of(0x6969, now), Settling::Each);
    assert_eq!(Settling::of(0x6573_5546, now), Settling::Each);
    assert_eq!(Settling::of(0xef53, Some((5, 7))), Settling::Each);
    assert_eq!(Settling::of(0xef53, None), Settling::Each);
}

#[test]
fn a_file_is_written_settled_renamed_and_read_back() {
    let (_scratch, mut destination) = fresh();
    for settling in [Settling::Whole, Settling::WholeThenOne, Settling::Each] {
        destination.settling = settling;
        destination.make_folder("bag/data").unwrap();
        destination.make_folder("bag/data").unwrap();
        let mut file = destination.create("bag/data/a.part", 11).unwrap();
        file.write_at(0, b"hello").unwrap();
        file.write_at(5, b" world").unwrap();
        file.finish(11).unwrap();
        destination.rename("bag/data/a.part", "bag/data/a").unwrap();
        destination.settle().unwrap();
        let content = destination.open("bag/data/a").unwrap();
        let mut buf = [0u8; 20];
        assert_eq!(content.read_at(0, &mut buf).unwrap(), 11);
        assert_eq!(&buf[..11], b"hello world");
        assert_eq!(content.read_at(6, &mut buf).unwrap(), 5);
        assert_eq!(content.read_at(11, &mut buf).unwrap(), 0);
        assert_eq!(content.stamp().unwrap().bytes, 11);
        destination.link("bag/data/a", "bag/b").unwrap();
        assert_eq!(
            listing(&destination),
            [
                ("bag".to_owned(), true, 0),
                ("bag/b".to_owned(), false, 11),
                ("bag/data".to_owned(), true, 0),
                ("bag/data/a".to_owned(), false, 11),
            ]
        );
        destination.remove("bag/b").unwrap();
        destination.remove("bag/b").unwrap();
        destination.remove("bag/data/a").unwrap();
        destination.remove_folder("bag/data").unwrap();
        destination.remove_folder("bag/data").unwrap();
        destination.remove_folder("bag").unwrap();
        destination.settle().unwrap();
        assert_eq!(listing(&destination), []);
    }
}

#[test]
fn large_files_go_past_the_page_cache_with_a_padded_end_cut_off() {
    let (_scratch, destination) = fresh();
    let bytes = (3 << 20) + 4321usize;
    let mut block = crate::port::Block::new(4 << 20, &|_| {});
    for (place, byte) in block.iter_mut().enumerate() {
        *byte = (place % 251) as u8;
    }
    let mut file = destination.create("large", bytes as u64).unwrap();
    file.write_at(0, &block[..1 << 20]).unwrap();
    // An odd piece in between takes the buffered way.
    file.write_at(1 << 20, &block[1 << 20..(1 << 20) + 777])
        .unwrap();
    file.write_at(1 << 20, &block[1 << 20..4 << 20]).unwrap();
    file.finish(bytes as u64).unwrap();
    destination.settle().unwrap();
    let before = destination.fetched_bytes().unwrap();
    let content = destination.open("large").unwrap();
    let mut back = crate::port::Block::new(4 << 20, &|_| {});
    assert_eq!(content.read_at(0, &mut back).unwrap(), bytes);
    assert_eq!(back[..bytes], block[..bytes]);
    let fetched = destination.fetched_bytes().unwrap() - before;
    let facts = destination.facts().unwrap();
    if facts.file_system == "ext4" || facts.file_system == "xfs" {
        assert!(
            fetched >= bytes as u64,
            "only {fetched} came from the medium"
        );
    } else {
        crate::skip::skip("counting bytes from the medium", &facts.file_system);
    }
}

#[test]
fn nothing_is_replaced_by_create_and_nothing_outside_is_reached() {
    let (scratch, destination) = fresh();
    std::fs::write(scratch.path().join("job/victim"), b"keep").unwrap();
    destination.create("a", 0).unwrap().finish(0).unwrap();
    let kind = |result: Result<Box<dyn Writing>, Fault>| result.err().map(|f| f.kind);
    assert_eq!(kind(destination.create("a", 0)), Some(FaultKind::Exists));
    symlink(scratch.path(), scratch.path().join("job/of/today/out")).unwrap();
    symlink("../victim", scratch.path().join("job/of/today/file")).unwrap();
    for path in [
        "../victim",
        "/etc/x",
        "out/new",
        "a/../../victim",
        "",
        ".",
        "..",
        "x//y",
    ] {
        assert!(destination.create(path, 0).is_err(), "{path}");
        assert!(destination.open(path).is_err(), "{path}");
        assert!(destination.rename("a", path).is_err(), "{path}");
        assert!(destination.write_small(path, b"").is_err(), "{path}");
    }
    assert!(destination.open("file").is_err());
    assert!(destination.read_small("file").is_err());
    assert_eq!(kind(destination.create("file", 0)), Some(FaultKind::Exists));
    assert!(destination.make_folder("out/more").is_err());
    assert_eq!(
        std::fs::read(scratch.path().join("job/victim")).unwrap(),
        b"keep"
    );
    // A planted link is reported like any file and not walked into.
    assert!(
        listing(&destination)
            .iter()
            .all(|(path, _, _)| !path.starts_with("out/"))
    );
}

#[test]
fn small_files_are_replaced_whole() {
    let (scratch, destination) = fresh();
    assert_eq!(destination.read_small("id").unwrap(), None);
    assert_eq!(destination.read_small("no/such/id").unwrap(), None);
    destination.write_small("id", b"one").unwrap();
    // What an interrupted replacement left behind is in nobody's way.
    std::fs::write(scratch.path().join("job/of/today/id.new"), b"half").unwrap();
    let long = vec![7u8; 100_000];
    destination.write_small("id", &long).unwrap();
    assert_eq!(destination.read_small("id").unwrap(), Some(long));
    assert_eq!(listing(&destination).len(), 1);
}

#[test]
fn a_spare_is_written_over_where_it_is_and_nothing_else_is() {
    use std::os::unix::fs::MetadataExt;
    let (scratch, destination) = fresh();
    let at = |name: &str| scratch.path().join("job/of/today").join(name);
    std::fs::write(at("spare"), vec![7u8; 20_000]).unwrap();
    let before = std::fs::metadata(at("spare")).unwrap().ino();
    let mut file = destination.write_over("spare").unwrap();
    file.write_at(0, b"short").unwrap();
    file.finish(5).unwrap();
    assert_eq!(std::fs::read(at("spare")).unwrap(), b"short");
    assert_eq!(std::fs::metadata(at("spare")).unwrap().ino(), before);
    // What was planted there is left alone.
    std::os::unix::fs::symlink("spare", at("link")).unwrap();
    std::fs::hard_link(at("spare"), at("twin")).unwrap();
    for planted in ["link", "twin", "spare"] {
        assert!(destination.write_over(planted).is_err(), "{planted}");
    }
    let missing = destination.write_over("none").err();
    assert_eq!(missing.map(|fault| fault.kind), Some(FaultKind::Missing));
}

#[test]
fn facts_are_tried_and_leave_nothing_behind() {
    let (_scratch, destination) = fresh();
    let facts = destination.facts().unwrap();
    assert_eq!(facts.not_writable, None);
    assert!(facts.hard_links);
    assert!(destination.keeps_holes());
    assert!(!facts.folds_case);
    assert_eq!(facts.longest_name, 255);
    assert!(facts.free_bytes > 0);
    assert!(!facts.file_system.is_empty());
    assert_eq!(listing(&destination), []);
}

#[test]
fn a_folder_renamed_away_is_not_written_into_by_memory() {
    let (_scratch, destination) = fresh();
    destination.make_folder("x/y").unwrap();
    destination.create("x/y/one", 0).unwrap().finish(0).unwrap();
    destination.rename("x", "z").unwrap();
    let gone = destination.create("x/y/two", 0).err().unwrap();
    assert_eq!(gone.kind, FaultKind::Missing);
    destination.create("z/y/two", 0).unwrap().finish(0).unwrap();
}

#[test]
fn a_name_that_is_too_long_cannot_be_held() {
    let (_scratch, destination) = fresh();
    let long = "n".repeat(256);
    for refused in [
        destination.create(&long, 0).err(),
        destination.make_folder(&long).err(),
    ] {
        assert_eq!(refused.unwrap().kind, FaultKind::CannotHold);
    }
}
