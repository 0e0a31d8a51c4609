//! Volumes that the kernel's own driver filled, over what an earlier owner left on the disk, compared with its own view.

use super::super::tool::Drive;
use super::Listing;
use super::zoo::{can, compare, fill, format, mount, stale};

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
                crate::skip::skip(name, &format!("{why}: {says}"));
                continue;
            }
        }
        let drive = Drive::load(&image);
        let listing = Listing::of(&drive);
        listing.is_sound(&why);
        let mounted = mount(&image, &point, "ro").unwrap();
        assert!(compare(&listing, &drive, &point, &why) > 1300);
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
