//! A drive as sectors, against the system's own tools and a drive with bad sectors.

use super::support::{Loop, can, run};
use holdpoint::drive::question::{Question, Reply};
use holdpoint::linux::{DriveSectors, MachineMemory, System, WatchedSectors, choose_transport};
use holdpoint::port::{FaultKind, Sectors};
use std::io::Write;
use std::time::Duration;

#[test]
fn size_sector_and_flag_are_what_the_systems_tool_says() {
    if !can(
        "size_sector_and_flag_are_what_the_systems_tool_says",
        &["blockdev"],
    ) {
        return;
    }
    let scratch = tempfile::tempdir().unwrap();
    let device = Loop::fresh(scratch.path(), "image", 8 << 20);
    let drive = DriveSectors::open(&device.node).unwrap();
    let told = |what: &str| -> u64 {
        run("blockdev", &[what, device.path()])
            .unwrap()
            .parse()
            .unwrap()
    };
    assert_eq!(drive.bytes(), told("--getsize64"));
    assert_eq!(u64::from(drive.sector_bytes()), told("--getss"));
    assert_eq!(
        drive.physical_sector_bytes().map(u64::from),
        Some(told("--getpbsz"))
    );
    assert!(drive.sequence().is_some());
    assert!(!drive.kernel_read_only().unwrap());
    assert_eq!(told("--getro"), 0);

    drive.set_kernel_read_only(true).unwrap();
    assert_eq!(told("--getro"), 1);
    let write = || {
        let mut node = std::fs::OpenOptions::new().write(true).open(&device.node)?;
        node.write_all(&[1; 4096])?;
        node.sync_all()
    };
    assert!(write().is_err(), "a write passed the flag");
    let mut sector = [9u8; 512];
    drive.read_at(0, &mut sector).unwrap();
    assert_eq!(sector, [0; 512]);
    drive.set_kernel_read_only(false).unwrap();
    assert_eq!(told("--getro"), 0);
    write().unwrap();
    drive.read_at(0, &mut sector).unwrap();
    assert_eq!(sector, [1; 512]);
}

#[test]
fn a_bad_sector_costs_no_good_neighbour() {
    if !can("a_bad_sector_costs_no_good_neighbour", &[]) {
        return;
    }
    let scratch = tempfile::tempdir().unwrap();
    let image = scratch.path().join("image");
    let bytes: Vec<u8> = (0..4 << 20u32).map(|n: u32| (n / 512) as u8).collect();
    std::fs::write(&image, &bytes).unwrap();
    let device = Loop::over(&image);
    let drive = DriveSectors::open(&device.node).unwrap();
    // The loop device answers EIO for what its file no longer has.
    let cut = (2 << 20) + 512u64;
    std::fs::OpenOptions::new()
        .write(true)
        .open(&image)
        .unwrap()
        .set_len(cut)
        .unwrap();
    let watched = WatchedSectors::new(
        drive,
        device.path(),
        Duration::from_secs(30),
        &MachineMemory,
    )
    .unwrap();
    let last = usize::try_from(cut).unwrap() - 512;
    let mut sector = [0u8; 512];
    watched.read_at(last as u64, &mut sector).unwrap();
    assert_eq!(sector[..], bytes[last..last + 512]);
    // Odd requests are widened to the sector, not to a page with a bad neighbour in it.
    let mut few = [0u8; 100];
    watched.read_at(last as u64 + 400, &mut few).unwrap();
    assert_eq!(few[..], bytes[last + 400..last + 500]);
    let mut two = [0u8; 1024];
    let refused = watched.read_at(last as u64, &mut two).unwrap_err();
    assert_eq!(refused.kind, FaultKind::Refused, "{refused}");
    let refused = watched.read_at(3 << 20, &mut sector).unwrap_err();
    assert_eq!(refused.kind, FaultKind::Refused, "{refused}");
    // The reader is fine afterwards.
    watched.read_at(0, &mut sector).unwrap();
}

#[test]
fn a_loop_device_says_that_it_has_no_health() {
    if !can("a_loop_device_says_that_it_has_no_health", &[]) {
        return;
    }
    let scratch = tempfile::tempdir().unwrap();
    let device = Loop::fresh(scratch.path(), "image", 1 << 20);
    let mut way = choose_transport(&System::this_machine(), &device.node).unwrap();
    assert_eq!(way.says(), "loop device");
    let Reply::Unread(why) = way.ask(Question::AtaIdentify) else {
        panic!("a loop device answered");
    };
    assert!(why.contains("loop device"));
}

/// An image and the loop device that shows it are one drive: two of them would be two promises about one wipe.
#[test]
fn an_image_and_a_loop_device_over_it_are_one_drive() {
    if !can("an_image_and_a_loop_device_over_it_are_one_drive", &[]) {
        return;
    }
    let shop = crate::shop::Shop::new();
    let image = shop.put("image", vec![0x5a; 4 << 20]);
    let device = Loop::over(&image);
    for two in [["image", device.path()], [device.path(), "image"]] {
        let mut arguments = vec![
            "open", "--drive", two[0], "--drive", two[1], "--to", "copies",
        ];
        arguments.extend(["--policy", "practice", "--symptom", "none", "--json"]);
        let refused = shop.run(&arguments).ends(2).json();
        assert_eq!(
            refused["error"]["what"], "a drive is named twice",
            "{refused}"
        );
    }
}
