//! Every kind of volume that `mkfs.btrfs` makes, each with one of everything in it.

use super::super::kernel::{Mounted, mount};
use super::super::tool::{blank, command, content, run};
use super::fill::fill;
use crate::linux::support;
use std::fs::File;
use std::os::unix::fs::FileExt;
use std::path::Path;

/// One kind of volume.
pub struct Shape {
    /// For `mkfs.btrfs`.
    pub format: &'static [&'static str],
    /// For `mount`.
    pub mount: &'static str,
    pub mib: u64,
    /// Small files.
    pub many: usize,
    /// What is done to the volume once it is full.
    pub after: fn(&Path),
    /// For `btrfstune`, when it is no longer mounted.
    pub tune: &'static [&'static str],
}

impl Shape {
    pub const PLAIN: Self = Self {
        format: &[],
        mount: "",
        mib: 160,
        many: 200,
        after: |_| {},
        tune: &[],
    };
}

/// What `mkfs.btrfs` can make and people have.
pub fn shapes() -> Vec<(&'static str, Shape)> {
    let plain = || Shape::PLAIN;
    let mut all = vec![
        (
            "as it comes",
            Shape {
                many: 2000,
                ..plain()
            },
        ),
        (
            "mixed, all packed by LZO",
            Shape {
                format: &["--mixed"],
                mount: "compress-force=lzo",
                mib: 112,
                ..plain()
            },
        ),
        (
            "small nodes, holes written down, all packed by zlib",
            Shape {
                format: &["-O", "^no-holes", "-n", "4096", "-m", "single"],
                mount: "compress-force=zlib",
                many: 1200,
                ..plain()
            },
        ),
        (
            "large nodes, SHA-256, all packed by Zstandard",
            Shape {
                format: &["-n", "65536", "-m", "dup", "--csum", "sha256"],
                mount: "compress-force=zstd",
                ..plain()
            },
        ),
        (
            "xxHash, free space as it was kept before, nothing inline",
            Shape {
                format: &["--csum", "xxhash", "-R", "^free-space-tree"],
                mount: "space_cache=v1,max_inline=0",
                // Another name for the whole than its blocks bear.
                tune: &["-m"],
                ..plain()
            },
        ),
        (
            "BLAKE2, everything twice, packed where it pays",
            Shape {
                format: &["--csum", "blake2", "-d", "dup", "-m", "dup"],
                mount: "compress=zstd",
                mib: 300,
                ..plain()
            },
        ),
        (
            "old features, no checksums of data",
            Shape {
                format: &["-O", "^extref,^skinny-metadata"],
                mount: "nodatasum",
                ..plain()
            },
        ),
        (
            "quotas, another default, everything moved, shrunk",
            Shape {
                format: &["-R", "quota"],
                // Less cannot be shrunk.
                mib: 282,
                after: |at| {
                    let at = at.to_str().unwrap();
                    btrfs(&["balance", "start", "--full-balance", at]);
                    btrfs(&["filesystem", "resize", "-24M", at]);
                    btrfs(&["subvolume", "set-default", &format!("{at}/sub")]);
                },
                ..plain()
            },
        ),
    ];
    // Tools before 6.7 cannot make it.
    let known = command("mkfs.btrfs").args(["-O", "list-all"]).output();
    if known.is_ok_and(|said| String::from_utf8_lossy(&said.stderr).contains("block-group-tree")) {
        let format = &["-O", "block-group-tree"];
        all.push((
            "block groups in a tree of their own",
            Shape { format, ..plain() },
        ));
    }
    all
}

pub fn btrfs(arguments: &[&str]) -> String {
    run("btrfs", arguments)
}

/// A fresh volume, over what somebody left on the disk. `Err`: the tool here does not know the features.
pub fn format(image: &Path, mib: u64, more: &[&str]) -> Result<(), String> {
    let _ = std::fs::remove_file(image);
    blank(image, mib << 20);
    let file = File::options().write(true).open(image).unwrap();
    let left = content(1000, 1 << 20);
    // As far as anything of these tests lies.
    for n in 0..mib.min(48) {
        file.write_all_at(&left, n << 20).unwrap();
    }
    let mut all = vec!["-q", "-f", "-K", "-L", "old disk"];
    all.extend(more);
    all.push(image.to_str().unwrap());
    support::run("mkfs.btrfs", &all).map(drop)
}

/// A full volume of this kind. `Err`: the tool or the kernel here cannot do that.
pub fn make(image: &Path, point: &Path, shape: &Shape) -> Result<(), String> {
    format(image, shape.mib, shape.format)?;
    let mounted = mount(image, point, shape.mount)?;
    fill(point, shape.many);
    (shape.after)(point);
    drop(mounted);
    if !shape.tune.is_empty() {
        let mut all = vec!["-f"];
        all.extend(shape.tune);
        all.push(image.to_str().unwrap());
        run("btrfstune", &all);
    }
    Ok(())
}

/// The volume from its top, whatever its default is, as it is.
pub fn top(image: &Path, point: &Path) -> Mounted {
    mount(image, point, "ro,subvolid=5").unwrap()
}
