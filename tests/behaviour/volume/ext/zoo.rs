//! A folder with one of everything that the kernel's driver can make, and what the kernel says of it afterwards.

use super::super::tool::{Dice, command, content, sha256};
use super::{Listing, content as read};
use crate::volume::tool::Drive;
use holdpoint::survey::item::{Kind, Mark};
use rustix::fs::{FallocateFlags, fallocate};
use std::collections::BTreeMap;
use std::fs::{File, Permissions};
use std::io::{Read, Seek, SeekFrom, Write};
use std::os::unix::ffi::{OsStrExt, OsStringExt};
use std::os::unix::fs::{FileTypeExt, MetadataExt, PermissionsExt, symlink};
use std::path::{Path, PathBuf};

pub use crate::linux::support::{Mounted, can};

/// An image whose free blocks hold what somebody left there.
pub fn stale(image: &Path, mib: u64) {
    let _ = std::fs::remove_file(image);
    let mut file = File::create(image).unwrap();
    for n in 0..mib {
        file.write_all(&content(n + 1000, 1 << 20)).unwrap();
    }
}

/// A fresh file system on an image, its free blocks left as they were.
pub fn format(image: &Path, kind: &str, more: &[&str]) {
    let mut all = vec!["-q", "-F", "-t", kind, "-E", "nodiscard"];
    all.extend(more);
    all.push(image.to_str().unwrap());
    super::run("mke2fs", &all);
}

/// Mounts an image. Another test may take the same free loop device at the same moment: then it is tried again.
pub fn mount(image: &Path, point: &Path, options: &str) -> Result<Mounted, String> {
    let options = format!(
        "loop,noatime{}{options}",
        if options.is_empty() { "" } else { "," }
    );
    let mut tries = 0;
    loop {
        match Mounted::try_at(point, &["-o", &options, image.to_str().unwrap()]) {
            Err(says) if says.contains("busy") && tries < 20 => {
                tries += 1;
                std::thread::sleep(std::time::Duration::from_millis(100));
            }
            outcome => return outcome,
        }
    }
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

/// `include/uapi/linux/posix_acl_xattr.h`: the owner rwx, user 1000 r-x, group 70,000 r--, the mask r-x, others nothing.
pub fn access_list() -> Vec<u8> {
    let mut out = 2u32.to_le_bytes().to_vec();
    let nobody = u32::MAX;
    for (tag, may, whom) in [
        (1u16, 7u16, nobody),
        (2, 5, 1000),
        (4, 5, nobody),
        (8, 4, 70_000),
        (0x10, 5, nobody),
        (0x20, 0, nobody),
    ] {
        out.extend(tag.to_le_bytes());
        out.extend(may.to_le_bytes());
        out.extend(whom.to_le_bytes());
    }
    out
}

/// Extended attributes as the kernel tells them.
pub fn attributes(path: &Path) -> BTreeMap<Vec<u8>, Vec<u8>> {
    let mut names = vec![0u8; 64 << 10];
    let got = rustix::fs::llistxattr(path, &mut names[..]).unwrap();
    let mut value = vec![0u8; 64 << 10];
    names[..got]
        .split(|byte| *byte == 0)
        .filter(|name| !name.is_empty())
        .map(|name| {
            let got = rustix::fs::lgetxattr(path, name, &mut value[..]).unwrap();
            (name.to_vec(), value[..got].to_vec())
        })
        .collect()
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

/// What the kernel says of one path.
#[derive(Debug, PartialEq)]
struct Said {
    kind: Kind,
    inode: u64,
    bytes: u64,
    names: u32,
    modified: i128,
    changed: i128,
    created: Option<i128>,
    target: Option<Vec<u8>>,
    access: (u32, u32, u32),
    attributes: BTreeMap<Vec<u8>, Vec<u8>>,
    sum: Option<String>,
}

fn sum_of(path: &Path) -> String {
    // A sparse file of gigabytes is compared by its length and its written parts.
    let bytes = std::fs::metadata(path).unwrap().len();
    let mut file = File::open(path).unwrap();
    let mut out = Vec::new();
    if bytes < 1 << 30 {
        file.read_to_end(&mut out).unwrap();
    } else {
        for (from, to) in places(bytes) {
            file.seek(SeekFrom::Start(from)).unwrap();
            let mut part = vec![0; (to - from) as usize];
            file.read_exact(&mut part).unwrap();
            out.extend(part);
        }
    }
    sha256(&out)
}

fn places(bytes: u64) -> Vec<(u64, u64)> {
    [
        0u64,
        20_000,
        300_000,
        20_000_000,
        80_000_000,
        1_500_000_000,
        6_000_000_000,
        bytes,
    ]
    .into_iter()
    .map(|at| (at.saturating_sub(5000), (at + 20_000).min(bytes)))
    .collect()
}

fn said(at: &Path, path: PathBuf, out: &mut BTreeMap<Vec<u8>, Said>) {
    for entry in std::fs::read_dir(at.join(&path)).unwrap() {
        let entry = entry.unwrap();
        let (full, path) = (entry.path(), path.join(entry.file_name()));
        let meta = std::fs::symlink_metadata(&full).unwrap();
        let kind = match meta.file_type() {
            t if t.is_file() => Kind::File,
            t if t.is_dir() => Kind::Folder,
            t if t.is_symlink() => Kind::Link,
            t => {
                assert!(t.is_fifo());
                Kind::Special
            }
        };
        let ns = |seconds: i64, ns: i64| i128::from(seconds) * 1_000_000_000 + i128::from(ns);
        let created = meta.created().ok().map(|time| {
            time.duration_since(std::time::UNIX_EPOCH)
                .unwrap()
                .as_nanos() as i128
        });
        out.insert(
            path.as_os_str().as_bytes().to_vec(),
            Said {
                kind,
                inode: meta.ino(),
                bytes: if kind == Kind::File { meta.len() } else { 0 },
                names: if kind == Kind::Folder {
                    1
                } else {
                    meta.nlink() as u32
                },
                modified: ns(meta.mtime(), meta.mtime_nsec()),
                changed: ns(meta.ctime(), meta.ctime_nsec()),
                created,
                target: (kind == Kind::Link).then(|| {
                    std::fs::read_link(&full)
                        .unwrap()
                        .into_os_string()
                        .into_vec()
                }),
                access: (meta.mode(), meta.uid(), meta.gid()),
                attributes: attributes(&full),
                sum: (kind == Kind::File).then(|| sum_of(&full)),
            },
        );
        if kind == Kind::Folder {
            said(at, path, out);
        }
    }
}

/// Compares a listing with a mount, name by name, byte by byte.
pub fn compare(listing: &Listing, drive: &Drive, at: &Path, why: &str) -> usize {
    let mut truth = BTreeMap::new();
    said(at, PathBuf::new(), &mut truth);
    let names = |path: &Vec<u8>| String::from_utf8_lossy(path).into_owned();
    let ours: Vec<String> = listing.items.keys().map(names).collect();
    let theirs: Vec<String> = truth.keys().map(names).collect();
    assert_eq!(ours, theirs, "{why}");
    for (path, theirs) in &truth {
        let found = &listing.items[path];
        let path = String::from_utf8_lossy(path);
        assert_eq!(found.trouble, None, "{why}: {path}");
        let sum = (found.kind == Kind::File).then(|| {
            if found.bytes < 1 << 30 {
                return sha256(&read(drive, found));
            }
            let reader =
                holdpoint::read::content::ContentReader::new(found.layout.clone().unwrap(), drive);
            let mut out = Vec::new();
            for (from, to) in places(found.bytes) {
                let mut part = vec![0; (to - from) as usize];
                let got = reader.read(from, &mut part).unwrap();
                assert_eq!((got.bytes, got.missing), (part.len(), vec![]));
                out.extend(part);
            }
            sha256(&out)
        });
        let ours = Said {
            kind: found.kind,
            inode: found.record,
            bytes: found.bytes,
            names: found.names,
            modified: found.times.modified.unwrap().into(),
            changed: found.times.changed.unwrap().into(),
            created: found.times.created.map(i128::from),
            target: found.link_target.as_ref().map(|target| target.stored()),
            access: found.access.map(|a| (a.mode, a.user, a.group)).unwrap(),
            attributes: found.attributes.iter().cloned().collect(),
            sum,
        };
        assert_eq!(&ours, theirs, "{why}: {path}");
        assert_eq!(
            found.marks.has(Mark::HardLinked),
            found.kind != Kind::Folder && theirs.names > 1
        );
    }
    truth.len()
}
