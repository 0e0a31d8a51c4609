//! A folder with one of everything that the kernel's driver can make.

use super::super::kernel::access_list;
use super::super::tool::{Dice, command, content};
use rustix::fs::{FallocateFlags, fallocate};
use std::fs::{File, Permissions};
use std::io::{Seek, SeekFrom, Write};
use std::os::unix::ffi::OsStringExt;
use std::os::unix::fs::{PermissionsExt, symlink};
use std::path::Path;

/// A fresh file system on an image, its free blocks left as they were.
pub fn format(image: &Path, kind: &str, more: &[&str]) {
    let mut all = vec!["-q", "-F", "-t", kind, "-E", "nodiscard"];
    all.extend(more);
    all.push(image.to_str().unwrap());
    super::run("mke2fs", &all);
}

/// Fills a mounted volume.
pub fn fill(at: &Path, kind: &str) {
    let put = |path: &str, bytes: &[u8]| {
        let path = at.join(path);
        std::fs::create_dir_all(path.parent().unwrap()).unwrap();
        std::fs::write(path, bytes).unwrap();
    };
    for (n, length) in [
        0usize,
        1,
        59,
        60,
        61,
        140,
        1023,
        1024,
        1025,
        12 * 1024,
        13 * 1024,
        300_000,
        5_000_000,
    ]
    .into_iter()
    .enumerate()
    {
        put(&format!("plain/{length}"), &content(n as u64 + 1, length));
    }
    if kind == "ext4" {
        let file = File::create(at.join("unwritten")).unwrap();
        fallocate(&file, FallocateFlags::empty(), 0, 1 << 20).unwrap();
        (&file).write_all(b"start").unwrap();
        (&file).seek(SeekFrom::Start(700_000)).unwrap();
        (&file).write_all(b"middle").unwrap();
        // Reserved behind the end.
        let file = File::create(at.join("kept size")).unwrap();
        (&file).write_all(&content(70, 5000)).unwrap();
        fallocate(&file, FallocateFlags::KEEP_SIZE, 0, 1 << 20).unwrap();
    }
    if kind != "ext2" {
        // Every second block punched out: many pieces, deep trees.
        put("punched", &content(71, 3_000_000));
        let file = File::options()
            .write(true)
            .open(at.join("punched"))
            .unwrap();
        file.sync_all().unwrap();
        for n in (0..3_000_000u64).step_by(8192) {
            fallocate(
                &file,
                FallocateFlags::PUNCH_HOLE | FallocateFlags::KEEP_SIZE,
                n,
                4096,
            )
            .unwrap();
        }
    }
    let mut sparse = File::create(at.join("sparse")).unwrap();
    for (n, place) in [
        0u64,
        20_000,
        300_000,
        20_000_000,
        80_000_000,
        1_500_000_000,
        6_000_000_000,
    ]
    .into_iter()
    .enumerate()
    {
        sparse.seek(SeekFrom::Start(place)).unwrap();
        sparse.write_all(&content(n as u64 + 80, 3000)).unwrap();
    }
    sparse.set_len(6_000_100_000).unwrap();
    // Two files that grow by turns.
    let mut turns = [
        File::create(at.join("turn a")).unwrap(),
        File::create(at.join("turn b")).unwrap(),
    ];
    for n in 0..60u64 {
        let file = &mut turns[(n % 2) as usize];
        file.write_all(&content(n + 90, 9000)).unwrap();
        file.sync_data().unwrap();
    }
    for n in 0..1500 {
        put(
            &format!("many/{n} {}", "long name ".repeat(n % 12)),
            &content(n as u64 + 200, n % 70),
        );
    }
    for n in (0..1500).step_by(7) {
        std::fs::remove_file(at.join(format!("many/{n} {}", "long name ".repeat(n % 12)))).unwrap();
    }
    std::fs::create_dir_all(at.join("a/b/c/d/e/f/g/h")).unwrap();
    put("a/b/c/d/e/f/g/h/deep", b"deep");
    std::fs::hard_link(at.join("plain/1025"), at.join("a/b/other name")).unwrap();
    std::fs::hard_link(at.join("plain/1025"), at.join("a/third name")).unwrap();
    for length in [1usize, 58, 59, 60, 61, 150, 500, 1000] {
        symlink("t".repeat(length), at.join(format!("link {length}"))).unwrap();
    }
    let odd = std::ffi::OsString::from_vec(b"no text \xff\xfe".to_vec());
    std::fs::write(at.join(odd), b"odd").unwrap();
    let status = command("mkfifo").arg(at.join("fifo")).status().unwrap();
    assert!(status.success());
    for (path, stamp) in [("plain/60", "@-5"), ("plain/61", "@4102444800.123456789")] {
        let status = command("touch")
            .args(["-d", stamp])
            .arg(at.join(path))
            .status()
            .unwrap();
        assert!(status.success());
    }
    let none = rustix::fs::XattrFlags::empty();
    let set = |path: &str, name: &str, value: &[u8]| {
        rustix::fs::setxattr(at.join(path), name, value, none)
    };
    set("plain/1024", "user.note", b"a note").unwrap();
    // Alike, and too long for an inode: files share a block of attributes.
    for path in ["plain/1", "plain/59", "plain/300000"] {
        set(path, "user.long", &[7; 700]).unwrap();
    }
    // Too long for a block: an inode of its own, where the volume can do that.
    let _ = set("plain/60", "user.huge", &[8; 30_000]);
    // Every name space, several at once, an empty value, and access lists of a file and of a folder.
    set("plain/1025", "trusted.note", b"a secret").unwrap();
    set("plain/1025", "user.empty", b"").unwrap();
    set("plain/1025", "security.note", &[0xFF; 40]).unwrap();
    set("many", "user.of a folder", b"folder").unwrap();
    let list = access_list();
    set("plain/0", "system.posix_acl_access", &list).unwrap();
    set("a", "system.posix_acl_default", &list).unwrap();
    std::fs::set_permissions(at.join("plain/1"), Permissions::from_mode(0o4710)).unwrap();
    std::os::unix::fs::chown(at.join("plain/140"), Some(1000), Some(70_000)).unwrap();
}

/// Some more changes, so that a journal has something to tell.
pub fn change(at: &Path, seed: u64) {
    let mut dice = Dice(seed);
    for n in 0..40 {
        let path = at.join(format!("changed {}", dice.roll(25)));
        match dice.roll(5) {
            0 => drop(std::fs::remove_file(&path)),
            1 => drop(std::fs::rename(
                &path,
                at.join(format!("changed {}", dice.roll(25))),
            )),
            2 => {
                let _ = std::fs::create_dir_all(at.join(format!("new {n}/below")));
                let _ = std::fs::write(at.join(format!("new {n}/below/x")), content(n + 1, 3000));
            }
            _ => std::fs::write(&path, content(n + seed, dice.roll(40_000))).unwrap(),
        }
        if dice.roll(6) == 0 {
            File::open(at).unwrap().sync_all().unwrap();
        }
    }
}
