//! One disk or two? Bind mounts, loops, overlays and pools, seen through.

use super::support::{Loop, Mounted, can, run, skip};
use holdpoint::linux::nesting::lies_inside;
use holdpoint::linux::topology::{beneath, beneath_device, block_device_at};
use holdpoint::linux::{System, disks};
use std::path::Path;

#[test]
fn bind_mounts_and_loops_do_not_hide_the_disk() {
    if !can("bind_mounts_and_loops_do_not_hide_the_disk", &["mkfs.ext4"]) {
        return;
    }
    let system = System::this_machine();
    let scratch = tempfile::tempdir().unwrap();
    let here = beneath(&system, scratch.path()).unwrap();
    if here.disks.is_empty() {
        return skip(
            "bind_mounts_and_loops_do_not_hide_the_disk",
            "scratch lies on no disk",
        );
    }
    // As an outside source: what the system's own tool says is mounted there.
    let source = run(
        "findmnt",
        &["-no", "SOURCE", "-T", scratch.path().to_str().unwrap()],
    );
    if let Ok(source) = source
        && let Some(disk) = source.strip_prefix("/dev/")
        && system.sysfs.join("block").join(disk).exists()
    {
        assert_eq!(here.disks, [disk]);
    }
    std::fs::create_dir(scratch.path().join("folder")).unwrap();
    let bound = Mounted::at(
        &scratch.path().join("bound"),
        &["--bind", scratch.path().join("folder").to_str().unwrap()],
    );
    let there = beneath(&system, &bound.point).unwrap();
    assert_eq!(there.disks, here.disks);
    assert!(!there.through_loop);
    // A loop in a file in a loop in a file.
    let outer = Loop::fresh(scratch.path(), "outer", 64 << 20);
    let outer_at = Mounted::at(&scratch.path().join("outer at"), &[outer.ext4().path()]);
    let inner = Loop::fresh(&outer_at.point, "inner", 16 << 20);
    let inner_at = Mounted::at(&scratch.path().join("inner at"), &[inner.ext4().path()]);
    let deep = beneath(&system, &inner_at.point).unwrap();
    assert_eq!(deep.disks, here.disks);
    assert!(deep.through_loop && deep.unknown.is_empty());
    let by_node = beneath_device(&system, block_device_at(&inner.node).unwrap().unwrap()).unwrap();
    assert_eq!(by_node.disks, here.disks);
    assert!(
        disks::disks(&system)
            .iter()
            .all(|disk| !disk.name.starts_with("loop"))
    );
    // What is mounted of the disk includes what lies in files on it.
    let used = disks::in_use(&system, &here.disks[0]).unwrap();
    let points: Vec<&[u8]> = used.iter().map(|used| &used.at[..]).collect();
    for point in [&bound.point, &outer_at.point, &inner_at.point] {
        let point = std::os::unix::ffi::OsStrExt::as_bytes(point.as_os_str());
        assert!(points.contains(&point));
    }
}

#[test]
fn a_pool_lies_on_all_its_devices() {
    let name = "a_pool_lies_on_all_its_devices";
    if !can(name, &["mkfs.btrfs"]) {
        return;
    }
    let scratch = tempfile::tempdir().unwrap();
    // One device's file lies on the scratch disk, the other's in memory.
    let memory = Mounted::at(
        &scratch.path().join("memory"),
        &["-t", "tmpfs", "-o", "size=300m", "made-up"],
    );
    let one = Loop::fresh(scratch.path(), "one", 200 << 20);
    let two = Loop::fresh(&memory.point, "two", 200 << 20);
    run(
        "mkfs.btrfs",
        &["-q", "-f", "-d", "raid0", one.path(), two.path()],
    )
    .unwrap();
    let _ = run("btrfs", &["device", "scan", one.path(), two.path()]);
    let point = scratch.path().join("point");
    let _mounted = match Mounted::try_at(&point, &[one.path()]) {
        Ok(mounted) => mounted,
        Err(why) => return skip(name, &why),
    };
    let found = beneath(&System::this_machine(), &point).unwrap();
    let here = beneath(&System::this_machine(), scratch.path()).unwrap();
    assert_eq!(found.disks, here.disks);
    assert!(found.memory, "the second device was overlooked: {found:?}");
    assert!(found.through_loop);
}

#[test]
fn an_overlay_is_followed_to_its_layers() {
    let name = "an_overlay_is_followed_to_its_layers";
    if !can(name, &["mkfs.ext4"]) {
        return;
    }
    let scratch = tempfile::tempdir().unwrap();
    let at = |path: &str| scratch.path().join(path);
    let drive = Loop::fresh(scratch.path(), "image", 16 << 20);
    let _lower = Mounted::at(&at("lower"), &[drive.ext4().path()]);
    let _upper = Mounted::at(&at("memory"), &["-t", "tmpfs", "made-up"]);
    for folder in ["memory/up", "memory/work"] {
        std::fs::create_dir(at(folder)).unwrap();
    }
    let options = format!(
        "lowerdir={},upperdir={},workdir={}",
        at("lower").display(),
        at("memory/up").display(),
        at("memory/work").display()
    );
    let _over = match Mounted::try_at(&at("over"), &["-t", "overlay", "overlay", "-o", &options]) {
        Ok(mounted) => mounted,
        Err(why) => return skip(name, &why),
    };
    let found = beneath(&System::this_machine(), &at("over")).unwrap();
    let here = beneath(&System::this_machine(), scratch.path()).unwrap();
    assert!(found.memory && found.through_loop, "{found:?}");
    assert_eq!(found.disks, here.disks);
}

#[test]
fn nesting_is_seen_through_bind_mounts() {
    if !can("nesting_is_seen_through_bind_mounts", &["mkfs.ext4"]) {
        return;
    }
    let system = System::this_machine();
    let scratch = tempfile::tempdir().unwrap();
    let at = |path: &str| scratch.path().join(path);
    for folder in ["source/inside/deep", "source/disk", "outside/folder"] {
        std::fs::create_dir_all(at(folder)).unwrap();
    }
    let bind = |from: &str, to: &str| Mounted::at(&at(to), &["--bind", at(from).to_str().unwrap()]);
    let _window = bind("source/inside", "window");
    let _guest = bind("outside", "source/guest");
    let drive = Loop::fresh(scratch.path(), "image", 16 << 20);
    let _disk = Mounted::at(&at("source/disk"), &[drive.ext4().path()]);
    let inside = |inner: &Path, outer: &Path| lies_inside(&system, inner, outer).unwrap();
    // Seen from elsewhere, it is still a folder of the source.
    assert!(inside(&at("window/deep"), &at("source")));
    assert!(inside(&at("window"), &at("source")));
    assert!(inside(&at("window/deep"), &at("source/inside")));
    assert!(!inside(&at("source"), &at("window")));
    // Mounted into the source, it is not: the tree never goes there.
    assert!(!inside(&at("source/guest/folder"), &at("source")));
    assert!(!inside(&at("source/disk"), &at("source")));
    assert!(inside(&at("source/guest/folder"), &at("outside")));
}
