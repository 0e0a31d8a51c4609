//! What the kernel's own drivers say of a volume that they mounted: the truth that a reader is compared with.

use super::tool::{content, sha256};
use holdpoint::port::Sectors;
use holdpoint::survey::item::{Kind, Mark};
use holdpoint::volume::filesystem::Found;
use std::collections::BTreeMap;
use std::fs::File;
use std::io::{Read, Seek, SeekFrom, Write};
use std::os::unix::ffi::{OsStrExt, OsStringExt};
use std::os::unix::fs::MetadataExt;
use std::path::{Path, PathBuf};

use crate::linux::support;
pub use crate::linux::support::{Mounted, can};

/// An image whose free blocks hold what somebody left there.
pub fn stale(image: &Path, mib: u64) {
    let _ = std::fs::remove_file(image);
    let mut file = File::create(image).unwrap();
    for n in 0..mib {
        file.write_all(&content(n + 1000, 1 << 20)).unwrap();
    }
}

/// Mounts an image. Another test may take the same free loop device at the same moment: then it is tried again.
pub fn mount(image: &Path, point: &Path, options: &str) -> Result<Mounted, String> {
    let access = if options.split(',').any(|one| one == "ro") {
        ""
    } else {
        ",rw"
    };
    let comma = if options.is_empty() { "" } else { "," };
    let options = format!("loop,noatime{access}{comma}{options}");
    let mut tries = 0;
    loop {
        // The flag of a former user outlives the device.
        if let Ok(free) = support::run("losetup", &["--find"])
            && support::run("blockdev", &["--getro", &free]).is_ok_and(|flag| flag == "1")
        {
            let _ = support::run("blockdev", &["--setrw", &free]);
        }
        match Mounted::try_at(point, &["-o", &options, image.to_str().unwrap()]) {
            Err(says) if tries < 20 && (says.contains("busy") || says.contains("read-only")) => {
                tries += 1;
                std::thread::sleep(std::time::Duration::from_millis(100));
            }
            outcome => return outcome,
        }
    }
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

/// What the kernel says of one path.
#[derive(Debug, Clone, PartialEq)]
pub struct Said {
    pub kind: Kind,
    pub inode: u64,
    pub bytes: u64,
    pub names: u32,
    pub modified: i128,
    pub changed: i128,
    pub created: Option<i128>,
    pub target: Option<Vec<u8>>,
    pub access: (u32, u32, u32),
    pub attributes: BTreeMap<Vec<u8>, Vec<u8>>,
    pub sum: Option<String>,
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
            _ => Kind::Special,
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

/// What the kernel says of everything below a folder, by path.
pub fn truth(at: &Path) -> BTreeMap<Vec<u8>, Said> {
    let mut truth = BTreeMap::new();
    said(at, PathBuf::new(), &mut truth);
    truth
}

/// The same of an item that a reader listed, its content read through the reader that copies customers' files.
pub fn ours(found: &Found, sectors: &dyn Sectors) -> Said {
    assert_eq!(found.trouble, None, "{}", found.name.text());
    let sum = (found.kind == Kind::File).then(|| {
        if found.bytes < 1 << 30 {
            return sha256(&super::tool::whole(sectors, found));
        }
        let reader =
            holdpoint::read::content::ContentReader::new(found.layout.clone().unwrap(), sectors);
        let mut out = Vec::new();
        for (from, to) in places(found.bytes) {
            let mut part = vec![0; (to - from) as usize];
            let got = reader.read(from, &mut part).unwrap();
            assert_eq!((got.bytes, got.missing), (part.len(), vec![]));
            out.extend(part);
        }
        sha256(&out)
    });
    assert_eq!(
        found.marks.has(Mark::HardLinked),
        found.kind != Kind::Folder && found.names > 1
    );
    Said {
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
    }
}

/// The same names on both sides, lost and found.
pub fn same_names<A, B>(ours: &BTreeMap<Vec<u8>, A>, theirs: &BTreeMap<Vec<u8>, B>, why: &str) {
    let text = |path: &Vec<u8>| String::from_utf8_lossy(path).into_owned();
    let more: Vec<_> = (ours.keys().filter(|path| !theirs.contains_key(*path)))
        .map(text)
        .collect();
    let less: Vec<_> = (theirs.keys().filter(|path| !ours.contains_key(*path)))
        .map(text)
        .collect();
    assert!(
        more.is_empty() && less.is_empty(),
        "{why}: too many {more:?}, missing {less:?}"
    );
}

/// Compares a listing with a mount, name by name, byte by byte.
pub fn compare(
    items: &BTreeMap<Vec<u8>, Found>,
    sectors: &dyn Sectors,
    at: &Path,
    why: &str,
) -> usize {
    let truth = truth(at);
    same_names(items, &truth, why);
    for (path, theirs) in &truth {
        let path_text = String::from_utf8_lossy(path);
        assert_eq!(&ours(&items[path], sectors), theirs, "{why}: {path_text}");
    }
    truth.len()
}
