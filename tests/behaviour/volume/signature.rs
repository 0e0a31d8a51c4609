//! Signatures against the tools that write them, and against what util-linux says of the same image.

use super::tool::{Drive, LUKS2, blank, have, run, run_with};
use holdpoint::volume::signature::{What, judge, probe};
use std::collections::HashMap;
use std::path::Path;

/// What util-linux says: TYPE, UUID, LABEL.
fn outside(path: &Path) -> HashMap<String, String> {
    run("blkid", &["-p", "-o", "export", path.to_str().unwrap()])
        .lines()
        .filter_map(|line| line.split_once('='))
        .map(|(key, value)| (key.to_owned(), value.replace("\\ ", " ")))
        .collect()
}

fn check(path: &Path, what: What, kind: &str) {
    let drive = Drive::load(path);
    let found = probe(&drive, drive.place());
    let hit = found
        .leading()
        .unwrap_or_else(|| panic!("{kind}: nothing found"));
    assert_eq!(hit.what, what, "{:?}", found.hits);
    assert_eq!(hit.damaged, None);
    let said = outside(path);
    assert_eq!(said["TYPE"], kind);
    if let (Some(id), Some(uuid)) = (&hit.id, said.get("UUID")) {
        // NTFS and FAT serials are written in their own ways.
        assert_eq!(
            id.to_lowercase().replace('-', ""),
            uuid.to_lowercase().replace('-', ""),
            "{kind}"
        );
    }
    if let (Some(label), Some(outside)) = (&hit.label, said.get("LABEL")) {
        assert_eq!(label, outside, "{kind}");
    }
    if let Some(bytes) = hit.bytes {
        assert!(bytes <= drive.bytes.len() as u64, "{kind}: {bytes}");
        assert!(
            what == What::Squashfs || bytes > drive.bytes.len() as u64 / 2,
            "{kind}: {bytes}"
        );
    }
    let _ = judge(
        holdpoint::volume::map::PartitionType::None,
        drive.bytes.len() as u64,
        &found,
        None,
    );
}

#[test]
fn what_each_maker_writes_is_recognised() {
    const NAME: &str = "what_each_maker_writes_is_recognised";
    if !have(NAME, &["blkid"]) {
        return;
    }
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("volume");
    let image = path.to_str().unwrap();
    let cases: [(&str, &[&str], u64, What, &str); 15] = [
        (
            "mkfs.fat",
            &["-F", "12", "-n", "OLD DISK"],
            4,
            What::Fat12,
            "vfat",
        ),
        (
            "mkfs.fat",
            &["-F", "16", "-n", "OLD DISK"],
            16,
            What::Fat16,
            "vfat",
        ),
        (
            "mkfs.fat",
            &["-F", "32", "-n", "OLD DISK"],
            64,
            What::Fat32,
            "vfat",
        ),
        ("mkfs.exfat", &["-L", "OLD"], 16, What::ExFat, "exfat"),
        (
            "mke2fs",
            &["-q", "-F", "-t", "ext2", "-L", "old"],
            16,
            What::Ext2,
            "ext2",
        ),
        (
            "mke2fs",
            &["-q", "-F", "-t", "ext3", "-L", "old"],
            16,
            What::Ext3,
            "ext3",
        ),
        (
            "mke2fs",
            &["-q", "-F", "-t", "ext4", "-L", "old"],
            16,
            What::Ext4,
            "ext4",
        ),
        (
            "mkfs.xfs",
            &["-q", "-f", "-L", "old"],
            320,
            What::Xfs,
            "xfs",
        ),
        (
            "mkfs.btrfs",
            &["-q", "-f", "-L", "old"],
            128,
            What::Btrfs,
            "btrfs",
        ),
        (
            "mkfs.f2fs",
            &["-q", "-f", "-l", "old"],
            64,
            What::F2fs,
            "f2fs",
        ),
        ("mkswap", &["-L", "old"], 8, What::Swap, "swap"),
        (
            "mkudffs",
            &["-l", "old", "--blocksize=2048"],
            16,
            What::Udf,
            "udf",
        ),
        (
            "mkntfs",
            &["-q", "-F", "-f", "-L", "old"],
            16,
            What::Ntfs,
            "ntfs",
        ),
        (
            "cryptsetup",
            &[
                "luksFormat",
                "--batch-mode",
                "--type",
                "luks1",
                "--pbkdf-force-iterations",
                "1000",
                "--key-file",
                "-",
            ],
            8,
            What::Luks1,
            "crypto_LUKS",
        ),
        ("cryptsetup", &LUKS2, 32, What::Luks2, "crypto_LUKS"),
    ];
    for (maker, arguments, mib, what, kind) in cases {
        if !have(&format!("{NAME} ({kind})"), &[maker]) {
            continue;
        }
        let _ = std::fs::remove_file(&path);
        blank(&path, mib << 20);
        let mut all = arguments.to_vec();
        all.push(image);
        run_with(maker, &all, "an invented passphrase");
        check(&path, what, kind);
    }
}

#[test]
fn disc_and_packed_images_are_recognised() {
    const NAME: &str = "disc_and_packed_images_are_recognised";
    let folder = tempfile::tempdir().unwrap();
    let source = folder.path().join("source");
    std::fs::create_dir(&source).unwrap();
    std::fs::write(source.join("a"), vec![b'x'; 300_000]).unwrap();
    let source = source.to_str().unwrap();
    let path = folder.path().join("image");
    let image = path.to_str().unwrap();
    if have(NAME, &["genisoimage", "blkid"]) {
        run("genisoimage", &["-quiet", "-V", "OLD", "-o", image, source]);
        check(&path, What::Iso9660, "iso9660");
        std::fs::remove_file(&path).unwrap();
    }
    if have(NAME, &["mksquashfs", "blkid"]) {
        run("mksquashfs", &[source, image, "-quiet", "-no-progress"]);
        check(&path, What::Squashfs, "squashfs");
    }
}
