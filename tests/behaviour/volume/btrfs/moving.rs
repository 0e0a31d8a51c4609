//! Volumes that were pulled away while a balance moved everything: nothing is listed twice, nothing is missing, all adds up.

use super::super::kernel::{can, mount};
use super::super::tool::{Drive, blank, command, content, run};
use super::fill::{put, sync};
use super::zoo::btrfs;
use super::{format, whole};
use std::collections::BTreeMap;
use std::process::Stdio;

/// The instants are caught by cloning the volume's image, which another Btrfs holds: a clone is of one instant.
#[test]
fn what_a_balance_moves_has_an_owner_at_any_instant() {
    let name = "what_a_balance_moves_has_an_owner_at_any_instant";
    if !can(name, &["mkfs.btrfs", "btrfs", "mount", "cp"]) {
        return;
    }
    let folder = tempfile::tempdir().unwrap();
    let at = |part: &str| folder.path().join(part);
    format(&at("below"), 1024, &[]);
    let below = match mount(&at("below"), &at("images"), "") {
        Ok(mounted) => mounted,
        Err(says) => return crate::skip::skip(name, &says),
    };
    let image = at("images/volume");
    blank(&image, 200 << 20);
    run("mkfs.btrfs", &["-q", image.to_str().unwrap()]);
    let mounted = mount(&image, &at("at"), "commit=1").unwrap();
    let path = |part: &str| at("at").join(part).to_str().unwrap().to_owned();
    btrfs(&["subvolume", "create", &path("sub")]);
    for n in 0..1500u64 {
        let bytes = (n * 7 % 6000) as usize;
        put(&at("at").join(format!("sub/{n}")), &content(n + 1, bytes));
    }
    for n in 0..6u64 {
        put(
            &at("at").join(format!("sub/large {n}")),
            &content(n, 4 << 20),
        );
    }
    for n in 0..3 {
        let state = path(&format!("state {n}"));
        btrfs(&["subvolume", "snapshot", "-r", &path("sub"), &state]);
        std::fs::remove_file(at("at").join(format!("sub/{n}"))).unwrap();
        sync(&at("at"));
    }
    let mut balance = command("btrfs")
        .args(["balance", "start", "--full-balance", &path("")])
        .stdout(Stdio::null())
        .stderr(Stdio::null())
        .spawn()
        .unwrap();
    let mut instants = Vec::new();
    while balance.try_wait().unwrap().is_none() && instants.len() < 60 {
        let clone = at(&format!("images/instant {}", instants.len()));
        let (from, to) = (image.to_str().unwrap(), clone.to_str().unwrap());
        run("cp", &["--reflink=always", from, to]);
        instants.push(clone);
        std::thread::sleep(std::time::Duration::from_millis(15));
    }
    assert!(balance.wait().unwrap().success());
    // What is being moved, in how many instants; a few of each kind are enough.
    let mut seen: BTreeMap<bool, u32> = BTreeMap::new();
    for instant in instants {
        let text = instant.to_str().unwrap();
        let roots = run(
            "btrfs",
            &["inspect-internal", "dump-tree", "-t", "root", text],
        );
        let moving = roots.contains("TREE_RELOC ROOT_ITEM");
        let times = seen.entry(moving).or_default();
        *times += 1;
        if *times > 4 {
            continue;
        }
        let listing = whole(&Drive::load(&instant));
        listing.is_sound(&format!("{text}, moving: {moving}"));
        assert_eq!(listing.items.len(), 4 + 1506 + 1505 + 1504 + 1503);
    }
    println!("instants with trees on the move: {seen:?}");
    drop(mounted);
    drop(below);
}
