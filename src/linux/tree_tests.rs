//! What a tree of this machine tells.

use super::*;
use rustix::fs::{CWD, XattrFlags, mkfifoat, setxattr};
use std::collections::BTreeMap;
use std::ffi::OsStr;
use std::os::unix::ffi::OsStrExt;
use std::os::unix::fs::{FileExt, PermissionsExt, symlink};

fn entries(folder: &dyn Folder) -> BTreeMap<Vec<u8>, Entry> {
    let mut all = BTreeMap::new();
    folder
        .each(&mut |entry| {
            all.insert(entry.name.clone(), entry);
        })
        .unwrap();
    all
}

#[test]
fn every_kind_is_told_and_only_files_are_opened() {
    let scratch = tempfile::tempdir().unwrap();
    let at = scratch.path();
    std::fs::write(at.join("file"), b"content").unwrap();
    std::fs::hard_link(at.join("file"), at.join("twin")).unwrap();
    std::fs::create_dir(at.join("folder")).unwrap();
    symlink("../else\nwhere", at.join("link")).unwrap();
    mkfifoat(CWD, at.join("fifo"), Mode::RWXU).unwrap();
    let _socket = std::os::unix::net::UnixListener::bind(at.join("socket")).unwrap();
    let odd = b"caf\xe9\n\x1b[31m";
    std::fs::write(at.join(OsStr::from_bytes(odd)), b"").unwrap();
    let sparse = std::fs::File::create(at.join("sparse")).unwrap();
    sparse.set_len(1 << 20).unwrap();
    sparse.write_all_at(b"data", 512 << 10).unwrap();

    let tree = FolderTree::open(at).unwrap();
    let root = tree.folder(&[]).unwrap();
    let all = entries(&*root);
    assert_eq!(all.len(), 8);
    let kind = |name: &[u8]| all[name].kind;
    assert_eq!(kind(b"file"), Kind::File);
    assert_eq!(kind(b"folder"), Kind::Folder);
    assert_eq!(kind(b"link"), Kind::Link);
    assert_eq!(kind(b"fifo"), Kind::Special);
    assert_eq!(kind(b"socket"), Kind::Special);
    assert_eq!(kind(odd), Kind::File);
    assert_eq!(all[&b"link"[..]].target, Some(b"../else\nwhere".to_vec()));
    assert!(!all[&b"file"[..]].marks.has(Mark::OtherMount));
    let stamp = all[&b"file"[..]].stamp.clone().unwrap();
    assert_eq!(stamp, root.stamp(b"twin").unwrap());
    assert_eq!((stamp.bytes, stamp.names), (7, 2));
    assert!(stamp.modified_ns > 1_600_000_000_000_000_000);

    let content = root.open(b"file").unwrap();
    let mut buf = [0u8; 32];
    assert_eq!(content.read_at(0, &mut buf).unwrap(), 7);
    assert_eq!(content.read_at(7, &mut buf).unwrap(), 0);
    assert_eq!(content.stamp().unwrap(), stamp);
    // A fifo without a writer would block for ever, were it opened like a file.
    for name in [
        &b"fifo"[..],
        b"socket",
        b"link",
        b"folder",
        b"..",
        b"",
        b"none",
    ] {
        assert!(root.open(name).is_err());
    }
    assert!(root.folder(b"link").is_err());
    assert!(root.folder(b"..").is_err());
    assert!(tree.folder(&[b"..".to_vec()]).is_err());

    let stamp = all[&b"sparse"[..]].stamp.clone().unwrap();
    assert!(stamp.allocated < stamp.bytes);
    let sparse = root.open(b"sparse").unwrap();
    let (from, bytes) = sparse.data_after(0).unwrap().unwrap();
    assert!(from <= 512 << 10 && from + bytes >= (512 << 10) + 4);
    assert!(from > 0, "the hole before the data was not told");
    assert_eq!(sparse.data_after(from + bytes).unwrap(), None);
}

#[test]
fn aligned_and_other_reads_deliver_the_same_bytes() {
    let scratch = tempfile::tempdir().unwrap();
    let bytes: Vec<u8> = (0..300_001u32)
        .map(|n| (n.wrapping_mul(2_654_435_761) >> 24) as u8)
        .collect();
    std::fs::write(scratch.path().join("f"), &bytes).unwrap();
    let tree = FolderTree::open(scratch.path()).unwrap();
    let content = tree.folder(&[]).unwrap().open(b"f").unwrap();
    let mut block = crate::port::Block::new(1 << 20, &|_| {});
    for (at, length) in [
        (0, 4096),
        (0, 1 << 20),
        (4096, 131_072),
        (299_008, 4096),
        (1, 4096),
        (17, 33),
        (300_000, 9),
    ] {
        let got = content.read_at(at as u64, &mut block[..length]).unwrap();
        let end = (at + length).min(bytes.len());
        assert_eq!(block[..got], bytes[at..end], "{length} bytes at {at}");
    }
    assert_eq!(content.read_at(300_001, &mut block[..10]).unwrap(), 0);
    assert_eq!(content.read_at(303_104, &mut block[..4096]).unwrap(), 0);
}

#[test]
fn attributes_come_with_name_and_value() {
    let scratch = tempfile::tempdir().unwrap();
    let file = scratch.path().join("f");
    std::fs::write(&file, b"").unwrap();
    std::fs::write(scratch.path().join("plain"), b"").unwrap();
    if setxattr(&file, "user.origin", b"camera\0", XattrFlags::empty()).is_err() {
        crate::skip::skip(
            "attributes_come_with_name_and_value",
            "no user attributes here",
        );
        return;
    }
    let long = "user.".to_owned() + &"n".repeat(200);
    let mut expected = vec![(b"user.origin".to_vec(), b"camera\0".to_vec())];
    // More names than the first list has room for.
    for n in 0..8 {
        let name = format!("{long}{n}");
        if setxattr(&file, &name, b"", XattrFlags::empty()).is_ok() {
            expected.push((name.into_bytes(), Vec::new()));
        }
    }
    let tree = FolderTree::open(scratch.path()).unwrap();
    let all = entries(&*tree.folder(&[]).unwrap());
    let mut got = all[&b"f"[..]].attributes.clone();
    got.retain(|(name, _)| name != b"security.selinux");
    got.sort();
    expected.sort();
    assert_eq!(got, expected);
    assert!(all[&b"f"[..]].marks.has(Mark::ExtendedAttributes));
    assert!(!all[&b"plain"[..]].marks.has(Mark::ExtendedAttributes));
}

#[test]
fn a_folder_that_may_not_be_read_is_a_fault() {
    if rustix::process::geteuid().is_root() {
        crate::skip::skip(
            "a_folder_that_may_not_be_read_is_a_fault",
            "root may read everything",
        );
        return;
    }
    let scratch = tempfile::tempdir().unwrap();
    let closed = scratch.path().join("closed");
    std::fs::create_dir(&closed).unwrap();
    std::fs::set_permissions(&closed, std::fs::Permissions::from_mode(0o000)).unwrap();
    let tree = FolderTree::open(scratch.path()).unwrap();
    let refused = tree.folder(&[b"closed".to_vec()]).err().unwrap();
    assert_eq!(refused.kind, FaultKind::Denied);
}

#[test]
fn names_alone_are_those_of_the_entries_until_told_to_stop() {
    let scratch = tempfile::tempdir().unwrap();
    for n in 0..20 {
        std::fs::write(scratch.path().join(format!("file {n}")), b"").unwrap();
    }
    let tree = FolderTree::open(scratch.path()).unwrap();
    let folder = tree.folder(&[]).unwrap();
    let mut all = Vec::new();
    folder
        .names(&mut |name| {
            all.push(name.to_vec());
            true
        })
        .unwrap();
    all.sort();
    assert_eq!(all, entries(&*folder).into_keys().collect::<Vec<_>>());
    let mut seen = 0;
    folder
        .names(&mut |_| {
            seen += 1;
            seen < 5
        })
        .unwrap();
    assert_eq!(seen, 5);
}

#[test]
fn a_walk_may_start_anew_while_another_is_under_way() {
    let scratch = tempfile::tempdir().unwrap();
    for n in 0..500 {
        std::fs::write(scratch.path().join(format!("file {n}")), b"").unwrap();
    }
    let tree = FolderTree::open(scratch.path()).unwrap();
    let folder = tree.folder(&[]).unwrap();
    let mut seen = 0;
    folder
        .each(&mut |_| {
            if seen == 250 {
                assert_eq!(entries(&*folder).len(), 500);
            }
            seen += 1;
        })
        .unwrap();
    assert_eq!(seen, 500);
    assert_eq!(entries(&*folder).len(), 500);
}

#[test]
fn the_root_says_what_it_lies_on() {
    let scratch = tempfile::tempdir().unwrap();
    let root = FolderTree::open(scratch.path()).unwrap().root().unwrap();
    assert!(!root.file_system.is_empty());
    assert_eq!(root.stamp.mode & 0o170_000, 0o040_000);
    assert!(FolderTree::open(&scratch.path().join("none")).is_err());
}
