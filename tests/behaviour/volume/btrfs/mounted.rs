//! Volumes that the kernel's own driver filled, compared with its own view.

use super::super::ext::{content, try_content};
use super::super::kernel::{can, compare, mount};
use super::super::tool::{Drive, content as bytes, run, sha256};
use super::{format, whole};
use holdpoint::survey::item::{Kind, Mark};
use std::collections::{BTreeMap, BTreeSet};
use std::fs::File;
use std::io::{Seek, SeekFrom, Write};
use std::os::unix::fs::FileExt;
use std::path::Path;

/// Mounts, does, and unmounts; `false` = the kernel here does not.
fn with(name: &str, image: &Path, options: &str, act: impl FnOnce(&Path)) -> bool {
    let point = image.with_extension("at");
    match mount(image, &point, options) {
        Ok(mounted) => {
            act(&point);
            drop(mounted);
            true
        }
        Err(says) => {
            crate::skip::skip(
                name,
                &format!("the kernel here mounts no such Btrfs ({options}): {says}"),
            );
            false
        }
    }
}

/// Lines that can be packed.
fn text(seed: u64, length: usize) -> Vec<u8> {
    let mut out = Vec::new();
    let mut line = seed;
    while out.len() < length {
        out.extend(format!("{line}: a line of the letters that somebody kept\n").bytes());
        line += 1;
    }
    out.truncate(length);
    out
}

/// Packed extents that were cut into, cloned, overwritten, truncated and punched.
#[test]
fn parts_of_extents_are_the_kernels() {
    let name = "parts_of_extents_are_the_kernels";
    if !can(name, &["mkfs.btrfs", "mount", "cp", "fallocate"]) {
        return;
    }
    let folder = tempfile::tempdir().unwrap();
    let image = folder.path().join("volume");
    for (options, more) in [
        ("compress-force=zlib", &[][..]),
        ("compress-force=lzo", &[]),
        ("compress-force=zstd", &["-O", "^no-holes"]),
        ("nodatasum", &[]),
        ("", &["-n", "4096"]),
    ] {
        format(&image, 128, more);
        let there = with(name, &image, options, |at| {
            for n in 0..12u64 {
                let path = at.join(format!("{n}"));
                std::fs::write(&path, text(n, 1 + 70_000 * n as usize)).unwrap();
                let file = File::options().write(true).open(&path).unwrap();
                file.sync_all().unwrap();
                run(
                    "cp",
                    &[
                        "--reflink=always",
                        path.to_str().unwrap(),
                        at.join(format!("clone {n}")).to_str().unwrap(),
                    ],
                );
                file.write_all_at(&bytes(n + 1, 5000), n * 9000).unwrap();
                file.write_all_at(&text(n + 50, 20_000), n * 40_000)
                    .unwrap();
                file.sync_all().unwrap();
                file.set_len(1 + 60_000 * n).unwrap();
            }
            let file = at.join("9");
            run(
                "fallocate",
                &["-p", "-o", "12288", "-l", "100000", file.to_str().unwrap()],
            );
            run("fallocate", &["-l", "3M", file.to_str().unwrap()]);
            for length in [0usize, 1, 2047, 2048, 3000, 4095, 4096, 4097] {
                std::fs::write(at.join(format!("small {length}")), text(7, length)).unwrap();
            }
        });
        if !there {
            continue;
        }
        let drive = Drive::load(&image);
        let listing = whole(&drive);
        listing.is_sound(options);
        assert!(with(name, &image, "ro", |at| {
            assert_eq!(compare(&listing.items, &drive, at, options), 32);
        }));
    }
}

/// Every subvolume and every snapshot is in its place; what a snapshot has unchanged is one file with a further name.
#[test]
fn subvolumes_and_snapshots_are_listed_and_what_they_share_counts_once() {
    let name = "subvolumes_and_snapshots_are_listed_and_what_they_share_counts_once";
    if !can(name, &["mkfs.btrfs", "mount", "btrfs"]) {
        return;
    }
    let folder = tempfile::tempdir().unwrap();
    let image = folder.path().join("volume");
    format(&image, 128, &[]);
    let there = with(name, &image, "", |at| {
        let path = |path: &str| at.join(path).to_str().unwrap().to_owned();
        let make = |name: &str| drop(run("btrfs", &["subvolume", "create", &path(name)]));
        let snapshot = |from: &str, to: &str| {
            drop(run(
                "btrfs",
                &["subvolume", "snapshot", "-r", &path(from), &path(to)],
            ))
        };
        std::fs::create_dir(at.join("folder")).unwrap();
        make("home");
        make("home/inner");
        make("folder/deep");
        std::fs::write(at.join("home/inner/of it"), b"inner").unwrap();
        for n in 0..40u64 {
            std::fs::write(
                at.join(format!("home/{n}")),
                bytes(n + 1, 100 + 3000 * n as usize),
            )
            .unwrap();
        }
        std::fs::hard_link(at.join("home/39"), at.join("home/39 again")).unwrap();
        snapshot("home", "monday");
        std::fs::write(at.join("home/0"), b"changed since").unwrap();
        std::fs::remove_file(at.join("home/1")).unwrap();
        let mut two = File::options().write(true).open(at.join("home/2")).unwrap();
        two.seek(SeekFrom::End(0)).unwrap();
        two.write_all(b"and more").unwrap();
        std::fs::rename(at.join("home/3"), at.join("home/moved")).unwrap();
        snapshot("home", "tuesday");
        // As if it had other rights: a file of its own.
        run("chmod", &["600", &path("home/6")]);
        make("thrown away");
        std::fs::write(at.join("thrown away/x"), bytes(9, 300_000)).unwrap();
        run("sync", &[]);
        run("btrfs", &["subvolume", "delete", &path("thrown away")]);
    });
    if !there {
        return;
    }
    let drive = Drive::load(&image);
    let listing = whole(&drive);
    listing.is_sound(name);
    let mut truth: BTreeMap<Vec<u8>, (Kind, Option<String>)> = BTreeMap::new();
    assert!(with(name, &image, "ro", |at| seen(
        at,
        Path::new(""),
        &mut truth
    )));
    let ours: BTreeMap<Vec<u8>, (Kind, Option<String>)> = listing
        .items
        .iter()
        .map(|(path, found)| {
            let sum = (found.kind == Kind::File).then(|| sha256(&content(&drive, found)));
            (path.clone(), (found.kind, sum))
        })
        .collect();
    assert_eq!(ours, truth);
    let record = |path: &str| {
        let found = listing.get(path);
        (found.record, found.names)
    };
    let three = |one: &str, two: &str, three: &str, names: u32| {
        assert_eq!(record(one), record(two), "{one}");
        assert_eq!(record(two), record(three), "{two}");
        assert_eq!(record(one).1, names, "{one}");
    };
    three("home/7", "monday/7", "tuesday/7", 3);
    three("home/5", "monday/5", "tuesday/5", 3);
    three("home/moved", "monday/3", "tuesday/moved", 3);
    three("home/39", "monday/39 again", "tuesday/39", 6);
    assert_eq!(record("monday/1").1, 1);
    assert_ne!(record("home/6"), record("monday/6"));
    assert_eq!(record("monday/6"), record("tuesday/6"));
    for changed in ["0", "2"] {
        let (old, new) = (format!("monday/{changed}"), format!("home/{changed}"));
        assert_ne!(record(&old).0, record(&new).0);
        assert_eq!(record(&new), record(&format!("tuesday/{changed}")));
    }
    // Where a subvolume stood, a snapshot has an empty folder.
    assert_eq!(listing.get("monday/inner").kind, Kind::Folder);
    let records: BTreeSet<u64> = listing
        .items
        .values()
        .filter(|found| found.kind == Kind::Folder)
        .map(|found| found.record)
        .collect();
    let folders = listing
        .items
        .values()
        .filter(|found| found.kind == Kind::Folder)
        .count();
    assert_eq!(records.len(), folders);
}

fn seen(at: &Path, path: &Path, out: &mut BTreeMap<Vec<u8>, (Kind, Option<String>)>) {
    use std::os::unix::ffi::OsStrExt;
    for entry in std::fs::read_dir(at.join(path)).unwrap() {
        let entry = entry.unwrap();
        let path = path.join(entry.file_name());
        let folder = entry.file_type().unwrap().is_dir();
        let kind = if folder { Kind::Folder } else { Kind::File };
        let sum = (!folder).then(|| sha256(&std::fs::read(entry.path()).unwrap()));
        out.insert(path.as_os_str().as_bytes().to_vec(), (kind, sum));
        if folder {
            seen(at, &path, out);
        }
    }
}

/// A volume as it is on the disk while somebody works: what was saved last stands in the log alone.
#[test]
fn a_log_that_is_not_applied_is_told_with_the_files_concerned() {
    let name = "a_log_that_is_not_applied_is_told_with_the_files_concerned";
    if !can(name, &["mkfs.btrfs", "mount"]) {
        return;
    }
    let folder = tempfile::tempdir().unwrap();
    let image = folder.path().join("volume");
    let pulled = folder.path().join("pulled");
    format(&image, 128, &[]);
    let there = with(name, &image, "commit=300", |at| {
        for n in 0..20u64 {
            std::fs::write(at.join(format!("{n}")), bytes(n + 1, 5000)).unwrap();
        }
        run("sync", &[]);
        let old = File::options().append(true).open(at.join("3")).unwrap();
        (&old).write_all(b"newer").unwrap();
        old.sync_all().unwrap();
        let new = File::create(at.join("new")).unwrap();
        (&new).write_all(&bytes(99, 9000)).unwrap();
        new.sync_all().unwrap();
        std::fs::copy(&image, &pulled).unwrap();
    });
    if !there {
        return;
    }
    let drive = Drive::load(&pulled);
    assert_ne!(
        drive.bytes[65_536 + 0x60..65_536 + 0x68],
        [0; 8],
        "a log waits"
    );
    let listing = whole(&drive);
    assert_eq!(listing.survey.dirty, Some(true));
    assert!(!listing.survey.whole);
    let told = listing.survey.findings.of("journal-not-applied").unwrap();
    assert!(
        told.says.contains("2 files") || told.says.contains("3 files"),
        "{told:?}"
    );
    assert!(listing.get("3").marks.has(Mark::Damaged));
    assert!(!listing.items.contains_key(b"new".as_slice()));
    for n in (0..20u64).filter(|n| *n != 3) {
        let found = listing.get(&n.to_string());
        assert_eq!(
            (found.trouble.as_deref(), content(&drive, found)),
            (None, bytes(n + 1, 5000))
        );
    }
    // What the kernel makes of it above a scratch, which here is a copy: tables from there, contents from the drive.
    let scratch = folder.path().join("scratch");
    std::fs::copy(&pulled, &scratch).unwrap();
    assert!(with(name, &scratch, "", |_| {}));
    let tables = Drive::load(&scratch);
    assert_ne!(drive.bytes, tables.bytes);
    let listing = super::above(&tables, &drive);
    listing.is_sound("with the log");
    assert!(with(name, &scratch, "ro", |at| {
        assert_eq!(compare(&listing.items, &drive, at, "with the log"), 21);
    }));
    assert_eq!(content(&drive, listing.get("new")), bytes(99, 9000));
    assert_eq!(
        content(&drive, listing.get("3")),
        [bytes(4, 5000), b"newer".to_vec()].concat()
    );
    // Its checksums lie in the scratch alone, and hold all the same.
    let mut drive = drive;
    let at = place_of(&drive, &bytes(99, 9000)[..4096]);
    drive.bytes[at + 100] ^= 1;
    let (_, missing) = try_content(&drive, listing.get("new"));
    assert_eq!(missing, [(0, 4096)]);
}

/// Where these bytes lie.
fn place_of(drive: &Drive, wanted: &[u8]) -> usize {
    let found = drive
        .bytes
        .chunks(4096)
        .position(|here| here.starts_with(wanted));
    found.expect("they lie on the drive") * 4096
}
