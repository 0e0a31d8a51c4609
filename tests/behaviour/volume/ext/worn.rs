//! Extended attributes, modes and owners: put down by debugfs or by the kernel, read without mounting, and put back.

use super::super::kernel::{access_list, attributes};
use super::super::tool::{Drive, have, run};
use super::{Listing, make};
use crate::shop::Shop;
use crate::skip::skip;
use rustix::fs::{XattrFlags, setxattr};
use std::collections::BTreeMap;
use std::os::unix::fs::{MetadataExt, PermissionsExt, chown};
use std::path::Path;

/// No rights are needed: debugfs writes attributes into an image, in inodes, blocks and inodes of their own.
#[test]
fn what_debugfs_put_down_is_read() {
    let name = "what_debugfs_put_down_is_read";
    if !have(name, &["mke2fs", "debugfs"]) {
        return;
    }
    let folder = tempfile::tempdir().unwrap();
    let (source, image) = (folder.path().join("source"), folder.path().join("volume"));
    std::fs::create_dir_all(source.join("folder")).unwrap();
    for file in ["few", "long", "huge", "none"] {
        std::fs::write(source.join(file), file).unwrap();
    }
    // Too long for a block of 1 KiB with its heads; debugfs takes no more than a block.
    let long = super::super::tool::content(1, 700);
    let huge = super::super::tool::content(2, 1020);
    let (at_long, at_huge) = (folder.path().join("long"), folder.path().join("huge"));
    std::fs::write(&at_long, &long).unwrap();
    std::fs::write(&at_huge, &huge).unwrap();
    for (kind, more) in [
        ("ext2", &["-b", "1024"][..]),
        ("ext4", &["-b", "1024", "-O", "ea_inode"]),
        ("ext4", &["-b", "4096", "-O", "ea_inode,^metadata_csum"]),
        ("ext4", &["-b", "1024", "-I", "128"]),
    ] {
        make(&image, kind, more, &source, 8);
        let with_inodes = more.iter().any(|option| option.contains("ea_inode"));
        let set = |what: &str| run("debugfs", &["-w", "-R", what, image.to_str().unwrap()]);
        set("ea_set /few user.note short");
        set("ea_set /few trusted.other another");
        set("ea_set /folder user.of_a_folder yes");
        set(&format!("ea_set -f {} /long user.long", at_long.display()));
        if with_inodes {
            set(&format!("ea_set -f {} /huge user.huge", at_huge.display()));
        }
        let why = format!("{kind} {more:?}");
        let listing = Listing::of(&Drive::load(&image));
        listing.is_sound(&why);
        assert_eq!(listing.survey.findings.list(), [], "{why}");
        let worn = |path: &str| -> BTreeMap<Vec<u8>, Vec<u8>> {
            listing.get(path).attributes.iter().cloned().collect()
        };
        let one = |name: &str, value: &[u8]| (name.as_bytes().to_vec(), value.to_vec());
        assert_eq!(
            worn("few"),
            BTreeMap::from([one("user.note", b"short"), one("trusted.other", b"another")]),
            "{why}"
        );
        assert_eq!(
            worn("folder"),
            BTreeMap::from([one("user.of_a_folder", b"yes")])
        );
        assert_eq!(
            worn("long"),
            BTreeMap::from([one("user.long", &long)]),
            "{why}"
        );
        if with_inodes {
            assert_eq!(
                worn("huge"),
                BTreeMap::from([one("user.huge", &huge)]),
                "{why}"
            );
        }
        assert_eq!(worn("none"), BTreeMap::new());
    }
}

/// Modes, owners, times of content, and attributes of everything below a folder.
fn dress(root: &Path) -> BTreeMap<String, (u32, u32, u32, BTreeMap<Vec<u8>, Vec<u8>>)> {
    walkdir::WalkDir::new(root)
        .min_depth(1)
        .into_iter()
        .map(Result::unwrap)
        .map(|entry| {
            let meta = entry.path().symlink_metadata().unwrap();
            let path = entry.path().strip_prefix(root).unwrap();
            (
                path.to_str().unwrap().to_owned(),
                (
                    meta.mode(),
                    meta.uid(),
                    meta.gid(),
                    attributes(entry.path()),
                ),
            )
        })
        .filter(|(path, _)| path != "lost+found")
        .collect()
}

/// A whole job: what files and folders of an ext4 drive wear is what they wear when they are back.
#[test]
fn a_drive_comes_back_dressed() {
    let name = "a_drive_comes_back_dressed";
    if !have(name, &["mke2fs"]) {
        return;
    }
    let shop = Shop::new();
    let source = shop.path("laptop");
    shop.put("laptop/home/ada/letter.txt", "Dear all");
    shop.put("laptop/home/ada/.keys/private", "secret");
    shop.put("laptop/home/ada/run", "#!/bin/sh\n");
    shop.put("laptop/home/ada/shared/list", "a list");
    let set = |path: &str, name: &str, value: &[u8]| {
        setxattr(source.join(path), name, value, XattrFlags::empty())
    };
    if let Err(why) = set("home/ada/letter.txt", "user.note", b"read this") {
        return skip(name, &format!("no user attributes here: {why}"));
    }
    set("home/ada/letter.txt", "user.empty", b"").unwrap();
    set("home/ada/shared", "user.of a folder", &[0, 255, 10]).unwrap();
    set("home/ada/run", "user.long", &[7; 900]).unwrap();
    let may = |path: &str, mode: u32| {
        std::fs::set_permissions(source.join(path), PermissionsExt::from_mode(mode)).unwrap();
    };
    may("home/ada/.keys", 0o700);
    may("home/ada/.keys/private", 0o600);
    may("home/ada/run", 0o755);
    set(
        "home/ada/shared/list",
        "system.posix_acl_access",
        &access_list(),
    )
    .unwrap();
    set(
        "home/ada/shared",
        "system.posix_acl_default",
        &access_list(),
    )
    .unwrap();
    if rustix::process::geteuid().is_root() {
        set("home/ada/run", "security.note", &[1, 2, 3]).unwrap();
        set("home/ada/run", "trusted.note", b"kept for the system").unwrap();
        chown(source.join("home/ada/letter.txt"), Some(1000), Some(70_000)).unwrap();
        chown(source.join("home/ada/run"), Some(1001), Some(1001)).unwrap();
        may("home/ada/run", 0o4755);
    }
    let before = dress(&source);
    assert_eq!(before.len(), 8);
    let image = shop.path("drive");
    make(&image, "ext4", &["-b", "1024"], &source, 16);
    shop.open_drive("drive");
    let planned = shop.step(&["plan"]).ends(0);
    assert!(
        !planned.out.contains("attributes of their own"),
        "{}",
        planned.out
    );
    for step in ["copy", "verify"] {
        shop.step(&[step]).ends(0);
    }
    let back = shop.step(&["put-back", "--to", "fresh"]).ends(0);
    assert!(!back.err.contains("put back without"), "{}", back.err);
    assert_eq!(dress(&shop.path("fresh")), before);
}
