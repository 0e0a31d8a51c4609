//! Trees with other mounts, devices and bad spots in them.

use super::support::{Loop, Mounted, can, run, skip};
use holdpoint::linux::{FolderTree, MachineMemory};
use holdpoint::port::{Entry, FaultKind, Folder, Memory, Tree};
use holdpoint::survey::item::{Kind, Mark};
use rustix::fs::{CWD, Dev, FileType, Mode, XattrFlags, mknodat, setxattr};
use std::collections::BTreeMap;

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
fn other_mounts_are_marked_and_not_entered() {
    if !can("other_mounts_are_marked_and_not_entered", &["mkfs.ext4"]) {
        return;
    }
    let scratch = tempfile::tempdir().unwrap();
    let at = |path: &str| scratch.path().join(path);
    for folder in ["source/plain", "source/bound", "source/disk", "else"] {
        std::fs::create_dir_all(at(folder)).unwrap();
    }
    std::fs::write(at("else/secret"), b"other").unwrap();
    std::fs::write(at("source/file"), b"mine").unwrap();
    std::fs::write(at("source/plain/deep"), b"mine").unwrap();
    let drive = Loop::fresh(scratch.path(), "image", 16 << 20);
    let _disk = Mounted::at(&at("source/disk"), &[drive.ext4().path()]);
    // Same device as the source, other mount; and a single file bound over another.
    let _bound = Mounted::at(
        &at("source/bound"),
        &["--bind", at("else").to_str().unwrap()],
    );
    let _file = Mounted::at(
        &at("source/file"),
        &["--bind", at("else/secret").to_str().unwrap()],
    );
    let tree = FolderTree::open(&at("source")).unwrap();
    let root = tree.folder(&[]).unwrap();
    let all = entries(&*root);
    for name in ["bound", "disk", "file"] {
        assert!(all[name.as_bytes()].marks.has(Mark::OtherMount), "{name}");
    }
    assert!(!all[&b"plain"[..]].marks.has(Mark::OtherMount));
    assert!(root.folder(b"bound").is_err());
    assert!(root.folder(b"disk").is_err());
    assert!(root.open(b"file").is_err());
    assert!(
        tree.folder(&[b"disk".to_vec(), b"lost+found".to_vec()])
            .is_err()
    );
    root.folder(b"plain").unwrap().open(b"deep").unwrap();
}

#[test]
fn subvolumes_belong_to_the_tree() {
    let name = "subvolumes_belong_to_the_tree";
    if !can(name, &["mkfs.btrfs", "btrfs"]) {
        return;
    }
    let scratch = tempfile::tempdir().unwrap();
    let drive = Loop::fresh(scratch.path(), "image", 256 << 20);
    run("mkfs.btrfs", &["-q", "-f", drive.path()]).unwrap();
    let point = scratch.path().join("point");
    let _mounted = match Mounted::try_at(&point, &[drive.path()]) {
        Ok(mounted) => mounted,
        Err(why) => return skip(name, &why),
    };
    let below = point.join("below");
    run("btrfs", &["subvolume", "create", below.to_str().unwrap()]).unwrap();
    std::fs::write(below.join("photo"), b"dear").unwrap();
    let tree = FolderTree::open(&point).unwrap();
    let all = entries(&*tree.folder(&[]).unwrap());
    assert!(!all[&b"below"[..]].marks.has(Mark::OtherMount));
    let inside = tree.folder(&[b"below".to_vec()]).unwrap();
    assert!(!entries(&*inside)[&b"photo"[..]].marks.has(Mark::OtherMount));
    inside.open(b"photo").unwrap();
}

#[test]
fn device_nodes_are_listed_and_never_opened() {
    let name = "device_nodes_are_listed_and_never_opened";
    if !can(name, &[]) {
        return;
    }
    let scratch = tempfile::tempdir().unwrap();
    let node = scratch.path().join("node");
    // Number 0 belongs to no driver.
    if mknodat(CWD, &node, FileType::CharacterDevice, Mode::RWXU, 0 as Dev).is_err() {
        return skip(name, "device nodes cannot be made here");
    }
    let root = FolderTree::open(scratch.path())
        .unwrap()
        .folder(&[])
        .unwrap();
    assert_eq!(entries(&*root)[&b"node"[..]].kind, Kind::Special);
    let refused = root.open(b"node").err().unwrap();
    assert!(refused.errno.contains("not a regular file"), "{refused}");
}

#[test]
fn access_control_lists_come_with_the_entry() {
    let name = "access_control_lists_come_with_the_entry";
    if !can(name, &["mkfs.ext4"]) {
        return;
    }
    let scratch = tempfile::tempdir().unwrap();
    let drive = Loop::fresh(scratch.path(), "image", 16 << 20);
    let point = scratch.path().join("point");
    let _mounted = Mounted::at(&point, &[drive.ext4().path()]);
    std::fs::write(point.join("file"), b"").unwrap();
    // linux/posix_acl_xattr.h: version 2, then tag, permissions and id of each entry:
    // owner rw-, user 1000 r--, group r--, mask r--, others ---.
    let mut list = 2u32.to_le_bytes().to_vec();
    for (tag, permissions, id) in [
        (1u16, 6u16, u32::MAX),
        (2, 4, 1000),
        (4, 4, u32::MAX),
        (0x10, 4, u32::MAX),
        (0x20, 0, u32::MAX),
    ] {
        list.extend(tag.to_le_bytes());
        list.extend(permissions.to_le_bytes());
        list.extend(id.to_le_bytes());
    }
    let attribute = "system.posix_acl_access";
    if setxattr(point.join("file"), attribute, &list, XattrFlags::empty()).is_err() {
        return skip(name, "no access control lists here");
    }
    let all = entries(&*FolderTree::open(&point).unwrap().folder(&[]).unwrap());
    let mut got = all[&b"file"[..]].attributes.clone();
    got.retain(|(name, _)| name != b"security.selinux");
    assert_eq!(got, [(attribute.as_bytes().to_vec(), list)]);
}

#[test]
fn a_bad_spot_costs_the_bytes_in_it_and_says_so() {
    let name = "a_bad_spot_costs_the_bytes_in_it_and_says_so";
    if !can(name, &["mkfs.ext4"]) {
        return;
    }
    let scratch = tempfile::tempdir().unwrap();
    let image = scratch.path().join("image");
    let drive = Loop::fresh(scratch.path(), "image", 32 << 20);
    let point = scratch.path().join("point");
    let mounted = Mounted::at(&point, &[drive.ext4().path()]);
    let bytes: Vec<u8> = (0..20 << 20u32)
        .map(|n: u32| (n >> 9) as u8 ^ n as u8)
        .collect();
    std::fs::write(point.join("film"), &bytes).unwrap();
    rustix::fs::syncfs(std::fs::File::open(&point).unwrap()).unwrap();
    drop(mounted);
    let _mounted = Mounted::at(&point, &["-o", "ro", drive.path()]);
    let film = FolderTree::open(&point)
        .unwrap()
        .folder(&[])
        .unwrap()
        .open(b"film")
        .unwrap();
    // The loop device answers EIO for what its file no longer has.
    std::fs::OpenOptions::new()
        .write(true)
        .open(&image)
        .unwrap()
        .set_len(12 << 20)
        .unwrap();
    let mut block = MachineMemory.block(1 << 20);
    let (mut good, mut bad) = (0, 0);
    for piece in 0..20u64 {
        let at = piece << 20;
        match film.read_at(at, &mut block) {
            Ok(got) => {
                let from = usize::try_from(at).unwrap();
                assert_eq!(block[..got], bytes[from..from + got]);
                good += 1;
            }
            Err(fault) => {
                assert_eq!(fault.kind, FaultKind::Refused, "{fault}");
                assert!(fault.to_string().contains("film"));
                bad += 1;
            }
        }
    }
    assert!(good > 0 && bad > 0, "{good} good, {bad} bad");
}
