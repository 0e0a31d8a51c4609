//! What a recipient refuses, and how things look that were put there.

use super::*;
use std::os::unix::fs::{MetadataExt, PermissionsExt, symlink};

fn parts(path: &str) -> Vec<Vec<u8>> {
    path.split('/')
        .map(|part| part.as_bytes().to_vec())
        .collect()
}

fn fresh() -> (tempfile::TempDir, FolderRecipient) {
    let scratch = tempfile::tempdir().unwrap();
    std::fs::create_dir(scratch.path().join("to")).unwrap();
    let recipient = FolderRecipient::open(&scratch.path().join("to")).unwrap();
    (scratch, recipient)
}

fn put(recipient: &FolderRecipient, path: &str, bytes: &[u8]) {
    let mut writing = recipient.create(&parts(path), bytes.len() as u64).unwrap();
    writing.write_at(0, bytes).unwrap();
    writing.finish(bytes.len() as u64).unwrap();
}

#[test]
fn nothing_that_is_there_is_replaced() {
    let (scratch, recipient) = fresh();
    put(&recipient, "old", b"old");
    put(&recipient, "new", b"new");
    let taken = recipient.rename(&parts("new"), &parts("old")).unwrap_err();
    assert_eq!(taken.kind, FaultKind::Exists);
    let again = recipient.create(&parts("old"), 0).err().unwrap();
    assert_eq!(again.kind, FaultKind::Exists);
    let link = recipient.make_link(&parts("old"), b"x").unwrap_err();
    assert_eq!(link.kind, FaultKind::Exists);
    let twin = recipient.hard_link(&parts("new"), &parts("old"));
    assert_eq!(twin.unwrap_err().kind, FaultKind::Exists);
    recipient.rename(&parts("new"), &parts("free")).unwrap();
    recipient.settle().unwrap();
    let to = scratch.path().join("to");
    assert_eq!(std::fs::read(to.join("old")).unwrap(), b"old");
    assert_eq!(std::fs::read(to.join("free")).unwrap(), b"new");
}

#[test]
fn a_planted_link_leads_nowhere() {
    let (scratch, recipient) = fresh();
    std::fs::create_dir(scratch.path().join("outside")).unwrap();
    symlink("../outside", scratch.path().join("to/door")).unwrap();
    assert!(recipient.create(&parts("door/file"), 0).is_err());
    assert!(recipient.make_folder(&parts("door/folder")).is_err());
    assert!(recipient.make_folder(&parts("door")).is_err());
    assert!(recipient.open(&parts("door")).is_err());
    assert!(recipient.create(&parts("../outside/file"), 0).is_err());
    let (kind, _, target) = recipient.look(&parts("door")).unwrap().unwrap();
    assert_eq!(
        (kind, target.as_deref()),
        (Kind::Link, Some(&b"../outside"[..]))
    );
    // Dressing a link touches the link, not what it leads to.
    let before = std::fs::metadata(scratch.path().join("outside")).unwrap();
    let dress = Dress {
        mode: 0o600,
        modified_ns: 5_000_000_007,
        ..Dress::default()
    };
    recipient.dress(&parts("door"), Kind::Link, &dress).unwrap();
    let after = std::fs::metadata(scratch.path().join("outside")).unwrap();
    assert_eq!(
        (before.mtime_nsec(), before.mode()),
        (after.mtime_nsec(), after.mode())
    );
    let link = std::fs::symlink_metadata(scratch.path().join("to/door")).unwrap();
    assert_eq!((link.mtime(), link.mtime_nsec()), (5, 7));
    assert_eq!(
        std::fs::read_dir(scratch.path().join("outside"))
            .unwrap()
            .count(),
        0
    );
}

#[test]
fn clothes_fit_times_before_1970_included() {
    let (scratch, recipient) = fresh();
    recipient.make_folder(&parts("folder")).unwrap();
    put(&recipient, "folder/file", b"content");
    let file = scratch.path().join("to/folder/file");
    assert_eq!(std::fs::metadata(&file).unwrap().mode() & 0o7777, 0o600);
    let dress = Dress {
        mode: 0o100_444,
        owner: Some((
            rustix::process::geteuid().as_raw(),
            rustix::process::getegid().as_raw(),
        )),
        modified_ns: -1,
        attributes: vec![
            (b"user.rating".to_vec(), b"5".to_vec()),
            (b"nonsense".to_vec(), b"1".to_vec()),
        ],
    };
    let lacking = recipient
        .dress(&parts("folder/file"), Kind::File, &dress)
        .unwrap();
    assert_eq!(lacking.attributes, Vec::<String>::new());
    assert_eq!(lacking.marks.len(), 1, "{lacking:?}");
    assert!(lacking.marks[0].contains("nonsense"), "{lacking:?}");
    let seen = std::fs::metadata(&file).unwrap();
    assert_eq!(seen.mode() & 0o7777, 0o444);
    assert_eq!((seen.mtime(), seen.mtime_nsec()), (-1, 999_999_999));
    let mut value = [0u8; 8];
    let bytes = rustix::fs::getxattr(&file, "user.rating", &mut value[..]).unwrap();
    assert_eq!(&value[..bytes], b"5");
    let folder = Dress {
        mode: 0o40_750,
        modified_ns: 9,
        ..Dress::default()
    };
    let undressed = recipient.look(&parts("folder")).unwrap().unwrap().1;
    assert_eq!(undressed.mode & 0o7777, RECIPIENT_UNDRESSED);
    recipient
        .dress(&parts("folder"), Kind::Folder, &folder)
        .unwrap();
    let seen = recipient.look(&parts("folder")).unwrap().unwrap().1;
    assert_eq!((seen.mode & 0o7777, seen.modified_ns), (0o750, 9));
}

#[test]
fn marks_to_run_as_owner_need_the_owner() {
    let (scratch, recipient) = fresh();
    put(&recipient, "program", b"#!");
    let dress = Dress {
        mode: 0o4755,
        ..Dress::default()
    };
    let lacking = recipient
        .dress(&parts("program"), Kind::File, &dress)
        .unwrap();
    assert_eq!(lacking.marks.len(), 1);
    let mode = std::fs::metadata(scratch.path().join("to/program"))
        .unwrap()
        .permissions()
        .mode();
    assert_eq!(mode & 0o7777, 0o755);
}

#[test]
fn ranges_never_written_are_holes_and_read_as_zeros() {
    let (scratch, recipient) = fresh();
    let bytes = 8 << 20;
    let mut writing = recipient.create(&parts("sparse"), bytes).unwrap();
    writing.write_at(bytes - 4096, &[7; 4096]).unwrap();
    writing.finish(bytes).unwrap();
    recipient.settle().unwrap();
    let seen = std::fs::metadata(scratch.path().join("to/sparse")).unwrap();
    assert_eq!(seen.len(), bytes);
    assert!(seen.blocks() * 512 < 1 << 20);
    let content = recipient.open(&parts("sparse")).unwrap();
    let mut byte = [1u8];
    assert_eq!(content.read_at(0, &mut byte).unwrap(), 1);
    assert_eq!(byte, [0]);
}

#[test]
fn paths_longer_than_one_call_can_carry_are_reached() {
    let (_scratch, recipient) = fresh();
    let mut path = Vec::new();
    for _ in 0..40 {
        path.push(vec![b'n'; 200]);
        assert_eq!(recipient.look(&path).unwrap(), None);
        recipient.make_folder(&path).unwrap();
    }
    path.push(b"file".to_vec());
    recipient.create(&path, 0).unwrap().finish(0).unwrap();
    let mut twin = path.clone();
    twin.pop();
    twin.push(b"twin".to_vec());
    recipient.hard_link(&path, &twin).unwrap();
    recipient
        .dress(
            &twin,
            Kind::File,
            &Dress {
                modified_ns: 3,
                ..Dress::default()
            },
        )
        .unwrap();
    recipient.settle().unwrap();
    let (one, two) = (
        recipient.look(&path).unwrap().unwrap(),
        recipient.look(&twin).unwrap().unwrap(),
    );
    assert_eq!((one.1.inode, two.1.modified_ns), (two.1.inode, 3));
}

#[test]
fn a_name_that_is_too_long_cannot_be_held() {
    let (_scratch, recipient) = fresh();
    let long = "n".repeat(256);
    assert_eq!(
        recipient.look(&parts(&long)).unwrap_err().kind,
        FaultKind::CannotHold
    );
    assert_eq!(
        recipient.create(&parts(&long), 0).err().unwrap().kind,
        FaultKind::CannotHold
    );
}
