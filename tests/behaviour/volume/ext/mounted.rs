//! Volumes that the kernel's own driver filled, over what an earlier owner left on the disk, compared with its own view.

use super::super::kernel::{can, compare, mount, stale};
use super::super::tool::Drive;
use super::Listing;
use super::zoo::{fill, format};
use holdpoint::port::{Fault, Sectors};
use holdpoint::survey::item::Mark;
use std::sync::atomic::{AtomicU64, Ordering};

fn agrees(name: &str, kind: &str, shapes: &[&[&str]]) {
    if !can(name, &["mke2fs", "mount"]) {
        return;
    }
    let folder = tempfile::tempdir().unwrap();
    let (image, point) = (folder.path().join("volume"), folder.path().join("at"));
    let mut done = 0;
    for more in shapes {
        let why = format!("{kind} {more:?}");
        stale(&image, 48);
        format(&image, kind, more);
        match mount(&image, &point, "") {
            Ok(mounted) => {
                fill(&point, kind);
                drop(mounted);
            }
            Err(says) => {
                crate::skip::skip(name, &format!("the kernel here knows no {why}: {says}"));
                continue;
            }
        }
        let drive = Drive::load(&image);
        let listing = Listing::of(&drive);
        listing.is_sound(&why);
        assert_eq!(listing.survey.findings.of("attributes-not-kept"), None);
        let worn = listing.items.values();
        let worn = worn.filter(|found| found.marks.has(Mark::ExtendedAttributes));
        assert!(worn.count() >= 9, "{why}");
        let mounted = mount(&image, &point, "ro").unwrap();
        assert!(compare(&listing.items, &drive, &point, &why) > 1300);
        drop(mounted);
        done += 1;
    }
    assert!(done > 0, "none of the shapes could be mounted");
}

#[test]
fn the_kernel_agrees_on_ext4() {
    agrees(
        "the_kernel_agrees_on_ext4",
        "ext4",
        &[
            &["-b", "4096"],
            &["-b", "1024"],
            &["-b", "4096", "-O", "inline_data"],
            &["-b", "1024", "-O", "inline_data", "-I", "512"],
        ],
    );
}

#[test]
fn the_kernel_agrees_on_other_shapes_of_ext4() {
    agrees(
        "the_kernel_agrees_on_other_shapes_of_ext4",
        "ext4",
        &[
            &["-b", "4096", "-O", "bigalloc", "-C", "16384"],
            &["-b", "1024", "-O", "^metadata_csum"],
            &["-b", "1024", "-O", "encrypt,orphan_file,ea_inode"],
            &["-b", "2048", "-I", "128"],
        ],
    );
}

#[test]
fn the_kernel_agrees_on_block_maps() {
    agrees(
        "the_kernel_agrees_on_block_maps",
        "ext3",
        &[&["-b", "1024"], &["-b", "4096"]],
    );
    agrees(
        "the_kernel_agrees_on_block_maps",
        "ext2",
        &[&["-b", "1024"]],
    );
}

/// `fallocate` alone, as on a disk that held something before: the finding that this reader was written for.
#[test]
fn preallocated_blocks_read_as_zeros_not_as_what_was_there_before() {
    let name = "preallocated_blocks_read_as_zeros_not_as_what_was_there_before";
    if !can(name, &["mke2fs", "mount", "fallocate"]) {
        return;
    }
    let folder = tempfile::tempdir().unwrap();
    let (image, point) = (folder.path().join("volume"), folder.path().join("at"));
    stale(&image, 16);
    format(&image, "ext4", &[]);
    let mounted = mount(&image, &point, "").unwrap();
    let file = point.join("unwritten.bin");
    super::run("fallocate", &["-l", "1M", file.to_str().unwrap()]);
    drop(mounted);
    let drive = Drive::load(&image);
    let listing = Listing::of(&drive);
    listing.is_sound(name);
    let found = listing.get("unwritten.bin");
    assert_eq!(super::content(&drive, found), vec![0u8; 1 << 20]);
}

/// A drive that counts how often it is asked, and how often from further back.
struct Counting<'a> {
    drive: &'a Drive,
    asked: AtomicU64,
    back: AtomicU64,
    last: AtomicU64,
}

impl Sectors for Counting<'_> {
    fn sector_bytes(&self) -> u32 {
        512
    }
    fn bytes(&self) -> u64 {
        self.drive.bytes()
    }
    fn read_at(&self, at: u64, buf: &mut [u8]) -> Result<(), Fault> {
        self.asked.fetch_add(1, Ordering::Relaxed);
        if self.last.swap(at, Ordering::Relaxed) > at {
            self.back.fetch_add(1, Ordering::Relaxed);
        }
        self.drive.read_at(at, buf)
    }
}

/// Many files, each with a block: tables and folders are read in their order, not file by file.
#[test]
fn many_files_are_read_in_the_order_of_the_drive() {
    let name = "many_files_are_read_in_the_order_of_the_drive";
    if !can(name, &["mke2fs", "mount"]) {
        return;
    }
    let folder = tempfile::tempdir().unwrap();
    let (image, point) = (folder.path().join("volume"), folder.path().join("at"));
    super::blank(&image, 160 << 20);
    format(&image, "ext4", &["-b", "1024", "-N", "70000"]);
    let mounted = mount(&image, &point, "").unwrap();
    for n in 0..40_000u64 {
        if n % 400 == 0 {
            std::fs::create_dir(point.join((n / 400).to_string())).unwrap();
        }
        std::fs::write(point.join(format!("{}/{n}", n / 400)), [n as u8; 100]).unwrap();
    }
    drop(mounted);
    let drive = Drive::load(&image);
    let counting = Counting {
        drive: &drive,
        asked: AtomicU64::new(0),
        back: AtomicU64::new(0),
        last: AtomicU64::new(0),
    };
    let started = std::time::Instant::now();
    let listing = Listing::try_of(&drive, &counting, Default::default()).unwrap();
    let took = started.elapsed();
    listing.is_sound(name);
    assert_eq!(listing.items.len(), 40_101);
    let (asked, back) = (counting.asked.into_inner(), counting.back.into_inner());
    println!("40,000 files: {asked} reads, {back} of them back, {took:?}");
    assert!(
        asked < 1500 && back < 300,
        "{asked} reads, {back} of them back"
    );
}
