//! Volumes that were pulled away while mounted: what was synced file by file stands in a log.

use super::super::kernel::{can, mount};
use super::super::tool::{Drive, content, whole as bytes_of};
use super::fill::{put, sync, text, write_at};
use super::kinds::compare;
use super::zoo::{btrfs, format, top};
use super::{above, marked, whole};
use holdpoint::survey::item::Kind;
use rustix::fs::{FallocateFlags, XattrFlags, fallocate, setxattr};
use std::collections::BTreeSet;
use std::fs::File;
use std::path::{Path, PathBuf};

/// The address of the tree that lists the logs; 0 = there is none. Superblock at 64 KiB ("On-disk Format", Btrfs documentation).
pub fn log_root(raw: &[u8]) -> u64 {
    let at = (64 << 10) + 0x60;
    u64::from_le_bytes(raw[at..at + 8].try_into().unwrap())
}

/// A volume as it stood after each of many syncs of one file or folder, and what was done before that: `(image, what)`.
/// Those whose log is not empty, and one without at the end.
pub fn pulled(
    folder: &Path,
    more: &[&str],
    options: &str,
) -> Result<Vec<(PathBuf, String)>, String> {
    let (image, at) = (folder.join("volume"), folder.join("at"));
    format(&image, 64, more)?;
    let mounted = mount(&image, &at, &format!("commit=300{options}"))?;
    for n in 0..60u64 {
        put(
            &at.join(format!("{}/{n}", n % 3)),
            &text(n + 1, (n * 400) as usize),
        );
    }
    for (n, name) in [
        "written",
        "longer",
        "cut",
        "named",
        "renamed",
        "linked",
        "unlinked",
        "worn",
        "punched",
        "gone while open",
    ]
    .iter()
    .enumerate()
    {
        put(&at.join(name), &content(n as u64 + 100, 60_000));
    }
    put(&at.join("short"), b"inline");
    let sub = at.join("sub");
    btrfs(&["subvolume", "create", sub.to_str().unwrap()]);
    put(&sub.join("written"), &content(120, 60_000));
    put(&sub.join("left alone"), &content(121, 60_000));
    sync(&at);
    let fsync = |path: &Path| File::open(path).unwrap().sync_all().unwrap();
    let file = |name: &str| File::options().write(true).open(at.join(name)).unwrap();
    let steps: Vec<(&str, Box<dyn Fn()>)> = vec![
        (
            "new",
            Box::new(|| put(&at.join("new"), &content(200, 50_000))),
        ),
        (
            "written",
            Box::new(|| write_at(&at.join("written"), 20_000, &content(201, 10_000))),
        ),
        (
            "longer",
            Box::new(|| write_at(&at.join("longer"), 60_000, &content(202, 30_000))),
        ),
        ("cut", Box::new(|| file("cut").set_len(7000).unwrap())),
        (
            "short",
            Box::new(|| put(&at.join("short"), b"inline, and longer")),
        ),
        (
            "worn",
            Box::new(|| {
                setxattr(at.join("worn"), "user.note", b"new", XattrFlags::empty()).unwrap()
            }),
        ),
        (
            "punched",
            Box::new(|| {
                fallocate(
                    file("punched"),
                    FallocateFlags::PUNCH_HOLE | FallocateFlags::KEEP_SIZE,
                    8192,
                    20_000,
                )
                .unwrap();
            }),
        ),
        (
            "sub/written",
            Box::new(|| write_at(&sub.join("written"), 0, &content(203, 9000))),
        ),
        (
            "sub/new",
            Box::new(|| put(&sub.join("new"), &content(204, 9000))),
        ),
        (
            "1/new below",
            Box::new(|| put(&at.join("1/new below"), &text(205, 90_000))),
        ),
        (
            "other name",
            Box::new(|| std::fs::rename(at.join("renamed"), at.join("other name")).unwrap()),
        ),
        (
            "linked",
            Box::new(|| std::fs::hard_link(at.join("linked"), at.join("2/second name")).unwrap()),
        ),
        (
            "",
            Box::new(|| std::fs::remove_file(at.join("unlinked")).unwrap()),
        ),
        (
            "set aside",
            Box::new(|| {
                fallocate(
                    File::create(at.join("set aside")).unwrap(),
                    FallocateFlags::empty(),
                    0,
                    100_000,
                )
                .unwrap()
            }),
        ),
        (
            "written",
            Box::new(|| write_at(&at.join("written"), 0, &content(206, 10_000))),
        ),
    ];
    let mut made = Vec::new();
    let held = File::open(at.join("gone while open")).unwrap();
    for (n, (what, change)) in steps.iter().enumerate() {
        if n == 4 {
            std::fs::remove_file(at.join("gone while open")).unwrap();
            sync(&at);
        }
        change();
        fsync(&at.join(what));
        let copy = folder.join(format!("copy {n}"));
        std::fs::copy(&image, &copy).unwrap();
        made.push((copy, format!("{n}: {what:?} synced")));
    }
    drop(held);
    drop(steps);
    drop(mounted);
    Ok(made)
}

/// What the log has is not applied here: what is concerned is damaged by name, the rest is as the kernel shows it once it has
/// applied it; and then nothing is open.
#[test]
fn what_stands_in_a_log_is_told_by_name() {
    let name = "what_stands_in_a_log_is_told_by_name";
    if !can(name, &["mkfs.btrfs", "btrfs", "mount"]) {
        return;
    }
    let folder = tempfile::tempdir().unwrap();
    let made = match pulled(folder.path(), &["-m", "single"], "") {
        Ok(made) => made,
        Err(says) => return crate::skip::skip(name, &says),
    };
    let at = folder.path().join("at");
    let (mut logs, mut named) = (0, BTreeSet::new());
    for (image, what) in made {
        let drive = Drive::load(&image);
        let listing = whole(&drive);
        let has_log = log_root(&drive.bytes) != 0;
        let told = listing.survey.findings.of("journal-not-applied");
        assert_eq!(
            (listing.survey.dirty, told.is_some(), listing.survey.whole),
            (Some(has_log), has_log, !has_log),
            "{what}"
        );
        logs += u32::from(has_log);
        drop(mount(&image, &at, "").unwrap());
        let after = Drive::load(&image);
        let applied = whole(&after);
        applied.is_sound(&what);
        let mounted = top(&image, &at);
        compare(&applied, &after, &at, &what);
        // As above a scratch: the tables there, the contents still read from the drive.
        let above = above(&after, &drive);
        above.is_sound(&what);
        compare(&above, &drive, &at, &what);
        drop(mounted);
        let marked = marked(&listing);
        for (path, now) in &applied.items {
            let Some(before) = listing.items.get(path) else {
                assert!(has_log, "{what}");
                continue;
            };
            let path = String::from_utf8_lossy(path).into_owned();
            if marked.contains(&path) || now.kind != Kind::File {
                continue;
            }
            assert_eq!(
                bytes_of(&drive, before),
                bytes_of(&after, now),
                "{what}: {path}"
            );
            assert_eq!(before.attributes, now.attributes, "{what}: {path}");
        }
        assert!(
            !marked
                .iter()
                .any(|path| path.contains("left alone") || path.starts_with("0/")),
            "{what}: {marked:?}"
        );
        named.extend(marked);
    }
    assert!(logs >= 10);
    for path in [
        "written",
        "longer",
        "cut",
        "short",
        "worn",
        "punched",
        "sub/written",
    ] {
        assert!(named.contains(path), "{path}: {named:?}");
    }
}
