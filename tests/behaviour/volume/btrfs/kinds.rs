//! Volumes of every kind that the kernel's own driver filled, over what an earlier owner left on the disk, compared with its own view.

use super::super::ext::Listing;
use super::super::kernel::{can, ours, same_names, truth};
use super::super::tool::{Drive, run};
use super::fill::TWINS;
use super::whole;
use super::zoo::{Shape, make, shapes, top};
use holdpoint::port::Sectors;
use holdpoint::survey::item::Kind;
use std::collections::{BTreeMap, BTreeSet};
use std::os::unix::ffi::OsStrExt;
use std::os::unix::fs::MetadataExt;
use std::path::Path;

/// Compares a listing with a mount, name by name, byte by byte; returns how many names there are.
pub fn compare(listing: &Listing, drive: &dyn Sectors, at: &Path, why: &str) -> usize {
    let truth = truth(at);
    same_names(&listing.items, &truth, why);
    let mut numbers: BTreeMap<(u64, u64), u64> = BTreeMap::new();
    for (path, theirs) in &truth {
        let found = &listing.items[path];
        let text = String::from_utf8_lossy(path);
        let mut theirs = theirs.clone();
        // Where a subvolume stood when a state was taken, the kernel makes up a folder.
        if theirs.inode == 2 {
            assert_eq!(
                (found.kind, theirs.kind),
                (Kind::Folder, Kind::Folder),
                "{why}: {text}"
            );
            continue;
        }
        let meta = std::fs::symlink_metadata(at.join(std::ffi::OsStr::from_bytes(path))).unwrap();
        let number = *numbers
            .entry((meta.dev(), meta.ino()))
            .or_insert(found.record);
        assert_eq!(number, found.record, "{why}: {text}");
        // How it is packed is no content.
        theirs
            .attributes
            .retain(|name, _| !name.starts_with(b"btrfs."));
        let mut ours = ours(found, drive);
        // A file that a state has unchanged has the names of both.
        assert!(ours.names >= theirs.names, "{why}: {text}: {ours:?}");
        (ours.inode, ours.names) = (theirs.inode, theirs.names);
        assert_eq!(ours, theirs, "{why}: {text}");
    }
    truth.len()
}

/// What none of these tests may do without, told by the tool that comes with the file system.
const WANTED: [&str; 11] = [
    "inline extent data size 150 ram_bytes 150 compression 0",
    "compression 1 (zlib)",
    "compression 2 (lzo)",
    "compression 3 (zstd)",
    "type 2 (prealloc)",
    "extent data disk byte 0 nr 0",
    "ROOT_BACKREF",
    "INODE_EXTREF",
    "SYSTEM|DUP",
    "DATA|METADATA",
    "DATA|DUP",
];

fn agrees(
    name: &str,
    shapes: impl Iterator<Item = (&'static str, Shape)>,
) -> BTreeSet<&'static str> {
    let folder = tempfile::tempdir().unwrap();
    let (image, point) = (folder.path().join("volume"), folder.path().join("at"));
    let mut seen = BTreeSet::new();
    for (what, shape) in shapes {
        if let Err(says) = make(&image, &point, &shape) {
            let says = format!("no volume here of the kind \"{what}\": {says}");
            crate::skip::skip(name, &says);
            continue;
        }
        let told = run(
            "btrfs",
            &["inspect-internal", "dump-tree", image.to_str().unwrap()],
        );
        seen.extend(WANTED.into_iter().filter(|part| told.contains(part)));
        // Names of one checksum lie in one item.
        let mut items = told.split("\titem ");
        assert!(
            items.any(|item| TWINS[..2].iter().all(|name| item.contains(name))),
            "{what}"
        );
        let drive = Drive::load(&image);
        let listing = whole(&drive);
        listing.is_sound(what);
        assert_eq!(listing.survey.label.as_ref().unwrap().text(), "old disk");
        let ids = run(
            "blkid",
            &["-o", "value", "-s", "UUID", image.to_str().unwrap()],
        );
        assert_eq!(listing.survey.serial.as_deref(), Some(ids.trim()), "{what}");
        let mounted = top(&image, &point);
        assert!(compare(&listing, &drive, &point, what) > 800);
        drop(mounted);
    }
    seen
}

#[test]
fn the_kernel_agrees_on_every_kind_of_volume() {
    let name = "the_kernel_agrees_on_every_kind_of_volume";
    if !can(
        name,
        &[
            "mkfs.btrfs",
            "btrfs",
            "btrfstune",
            "blkid",
            "chattr",
            "mount",
        ],
    ) {
        return;
    }
    let seen = agrees(name, shapes().into_iter());
    let missing: Vec<_> = WANTED
        .iter()
        .filter(|part| !seen.contains(**part))
        .collect();
    assert!(missing.is_empty(), "{missing:?}");
}
