//! A made-up machine in a folder: sysfs as Linux lays it out, and mounts as it prints them.

use super::*;
use crate::linux::disks::{self, Bus};
use std::fs::{create_dir_all, write};
use std::os::unix::fs::symlink;

struct Made {
    scratch: tempfile::TempDir,
    system: System,
}

impl Made {
    fn new() -> Self {
        let scratch = tempfile::tempdir().unwrap();
        let system = System {
            sysfs: scratch.path().join("sys"),
            mountinfo: scratch.path().join("mountinfo"),
            swaps: scratch.path().join("swaps"),
        };
        for folder in ["dev/block", "class/block", "block", "fs/btrfs"] {
            create_dir_all(system.sysfs.join(folder)).unwrap();
        }
        write(&system.mountinfo, "").unwrap();
        Self { scratch, system }
    }

    /// A device at `place` below `devices`; its last part is the kernel name.
    fn device(&self, place: &str, number: &str, partition: bool) -> PathBuf {
        let directory = self.system.sysfs.join("devices").join(place);
        create_dir_all(directory.join("slaves")).unwrap();
        let name = directory.file_name().unwrap().to_owned();
        write(directory.join("dev"), format!("{number}\n")).unwrap();
        if partition {
            write(directory.join("partition"), "1\n").unwrap();
            std::fs::remove_dir(directory.join("slaves")).unwrap();
        } else {
            symlink(&directory, self.system.sysfs.join("block").join(&name)).unwrap();
        }
        symlink(&directory, self.system.by_name(&name)).unwrap();
        symlink(&directory, self.system.sysfs.join("dev/block").join(number)).unwrap();
        directory
    }

    fn below(&self, number: (u32, u32)) -> Beneath {
        beneath_device(&self.system, number).unwrap()
    }

    fn mounted(&self, line: &str) -> Beneath {
        write(&self.system.mountinfo, line).unwrap();
        let mounts = self.system.mounts().unwrap();
        mount_in(&self.system, &mounts, &mounts[0])
    }
}

const SATA: &str = "pci0000:00/0000:00:1f.2/ata1/host0/target0:0:0/0:0:0:0/block/sda";
const NVME: &str = "pci0000:00/0000:01:00.0/nvme/nvme0/nvme0n1";
const STICK: &str = "pci0000:00/0000:00:14.0/usb2/2-1/2-1:1.0/host6/target6:0:0/6:0:0:0/block/sdb";

#[test]
fn a_partition_lies_on_its_disk_whatever_the_names_look_like() {
    let made = Made::new();
    made.device(SATA, "8:0", false);
    made.device(&format!("{SATA}/sda12"), "8:12", true);
    made.device(NVME, "259:0", false);
    made.device(&format!("{NVME}/nvme0n1p3"), "259:3", true);
    assert_eq!(made.below((8, 12)).disks, ["sda"]);
    assert_eq!(made.below((259, 3)).disks, ["nvme0n1"]);
    let none = made.below((8, 99));
    assert!(none.disks.is_empty() && !none.unknown.is_empty());
}

#[test]
fn stacked_devices_lead_to_every_disk_below_them() {
    let made = Made::new();
    made.device(SATA, "8:0", false);
    let part = made.device(&format!("{SATA}/sda1"), "8:1", true);
    let nvme = made.device(NVME, "259:0", false);
    let crypt = made.device("virtual/block/dm-0", "253:0", false);
    symlink(part, crypt.join("slaves/sda1")).unwrap();
    let volume = made.device("virtual/block/dm-1", "253:1", false);
    symlink(&crypt, volume.join("slaves/dm-0")).unwrap();
    symlink(nvme, volume.join("slaves/nvme0n1")).unwrap();
    // A circle, as damaged or hostile names might make one, ends.
    symlink(&volume, crypt.join("slaves/dm-1")).unwrap();
    let found = made.below((253, 1));
    assert_eq!(found.disks, ["nvme0n1", "sda"]);
    assert_eq!(found.leaves, ["nvme0n1", "sda"]);
    assert_eq!(found.stacks, ["dm-1", "dm-0"]);
    // What is mounted of a stack uses each stack on the way down, not the disks alone.
    write(
        &made.system.mountinfo,
        "9 1 253:1 / /mnt rw - ext4 /dev/dm-1 rw\n",
    )
    .unwrap();
    for name in ["dm-0", "dm-1", "sda", "nvme0n1"] {
        let used = disks::in_use(&made.system, name).unwrap();
        assert_eq!(used.len(), 1, "{name}");
    }
    assert_eq!(found.unknown, Vec::<String>::new());
    // A stacked device that names nothing below it is no disk that could be compared.
    made.device("virtual/block/dm-2", "253:2", false);
    let nothing = made.below((253, 2));
    assert!(!nothing.unknown.is_empty());
    assert_eq!(nothing.stacks, ["dm-2"]);
}

#[test]
fn a_loop_is_followed_to_the_disk_of_its_file() {
    let made = Made::new();
    let image = made.scratch.path().join("image");
    write(&image, b"").unwrap();
    let seen = stat(&image).unwrap();
    let (major, minor) = (major(seen.st_dev), minor(seen.st_dev));
    if major == 0 {
        crate::skip::skip(
            "a_loop_is_followed_to_the_disk_of_its_file",
            "scratch lies on no device",
        );
        return;
    }
    made.device(SATA, &format!("{major}:{minor}"), false);
    let looped = made.device("virtual/block/loop7", "7:7", false);
    create_dir_all(looped.join("loop")).unwrap();
    write(
        looped.join("loop/backing_file"),
        format!("{}\n", image.display()),
    )
    .unwrap();
    let found = made.below((7, 7));
    assert_eq!(found.disks, ["sda"]);
    assert_eq!(found.leaves, ["loop7"]);
    assert!(found.through_loop);
    write(looped.join("loop/backing_file"), "/gone (deleted)\n").unwrap();
    let lost = made.below((7, 7));
    assert!(lost.disks.is_empty() && !lost.unknown.is_empty() && lost.through_loop);
}

#[test]
fn mounts_without_a_device_of_their_own_are_followed_by_their_source() {
    let made = Made::new();
    made.device(SATA, "8:0", false);
    made.device(&format!("{SATA}/sda2"), "8:2", true);
    made.device(STICK, "8:16", false);
    // Names that no machine has a node for.
    let user = made.mounted("9 1 0:50 / /mnt rw - fuseblk /made-up/sda2 rw\n");
    assert_eq!(user.disks, ["sda"]);
    let pool = made.mounted("9 1 0:51 / /mnt rw - fuse.pool pool/home rw\n");
    assert!(pool.disks.is_empty() && !pool.unknown.is_empty() && !pool.network);
    let net = made.mounted("9 1 0:52 / /mnt rw - nfs4 server:/export rw\n");
    assert!(net.network && net.disks.is_empty() && net.unknown.is_empty());
    let memory = made.mounted("9 1 0:53 / /mnt rw - tmpfs tmpfs rw\n");
    assert!(memory.memory && memory.unknown.is_empty());
    let plain = made.mounted("9 1 8:16 / /mnt rw - vfat /dev/whatever rw\n");
    assert_eq!(plain.disks, ["sdb"]);
}

#[test]
fn an_overlay_lies_on_all_its_layers() {
    let layers = overlay_layers(
        "ro,lowerdir=/lower one:/with\\:colon:/and\\,comma,upperdir=/up,workdir=/w,lowerdir+=/late",
    );
    assert_eq!(
        layers,
        ["/up", "/lower one", "/with:colon", "/and,comma", "/late"]
    );
}

#[test]
fn disks_are_told_with_what_sysfs_knows() {
    let made = Made::new();
    let sata = made.device(SATA, "8:0", false);
    for folder in ["device", "queue"] {
        create_dir_all(sata.join(folder)).unwrap();
    }
    write(sata.join("size"), "1000\n").unwrap();
    write(sata.join("ro"), "0\n").unwrap();
    write(sata.join("removable"), "0\n").unwrap();
    write(sata.join("queue/rotational"), "1\n").unwrap();
    write(sata.join("queue/logical_block_size"), "4096\n").unwrap();
    write(sata.join("device/vendor"), "ATA     \n").unwrap();
    write(sata.join("device/model"), "EXAMPLE 1000    \n").unwrap();
    write(
        sata.join("device/vpd_pg80"),
        b"\0\x80\0\x0c  SERIAL 12  \0\0",
    )
    .unwrap();
    let stick = made.device(STICK, "8:16", false);
    write(stick.join("size"), "0\n").unwrap();
    made.device("virtual/block/loop0", "7:0", false);
    made.device(NVME, "259:0", false);
    let found = disks::disks(&made.system);
    let names: Vec<&str> = found.iter().map(|disk| disk.name.as_str()).collect();
    // The empty card slot and the loop are no disks; a disk that tells nothing is one.
    assert_eq!(names, ["nvme0n1", "sda"]);
    let (nvme, sata) = (&found[0], &found[1]);
    assert_eq!(sata.bytes, Some(512_000));
    assert_eq!(sata.model.as_deref(), Some("EXAMPLE 1000"));
    assert_eq!(sata.serial.as_deref(), Some("SERIAL 12"));
    assert_eq!(sata.rotational, Some(true));
    assert_eq!(sata.read_only, Some(false));
    assert_eq!(sata.sector_bytes, Some(4096));
    assert_eq!(sata.bus, Bus::Ata);
    assert_eq!(nvme.bus, Bus::Nvme);
    assert_eq!(
        (nvme.bytes, nvme.rotational, &nvme.serial),
        (None, None, &None)
    );
    assert_eq!(disks::disk(&made.system, "sdb").unwrap().bus, Bus::Usb);
}

#[test]
fn a_card_is_one_disk_without_its_side_areas() {
    let made = Made::new();
    let card = "platform/mmc_host/mmc0/mmc0:0001/block/mmcblk0";
    made.device(card, "179:0", false);
    made.device(
        "platform/mmc_host/mmc0/mmc0:0001/block/mmcblk0boot0",
        "179:8",
        false,
    );
    let names: Vec<String> = disks::disks(&made.system)
        .into_iter()
        .map(|d| d.name)
        .collect();
    assert_eq!(names, ["mmcblk0"]);
    assert_eq!(disks::disk(&made.system, "mmcblk0").unwrap().bus, Bus::Mmc);
}

#[test]
fn use_of_a_disk_is_found_through_partitions_stacks_and_swap() {
    let made = Made::new();
    made.device(SATA, "8:0", false);
    let part = made.device(&format!("{SATA}/sda1"), "8:1", true);
    made.device(&format!("{SATA}/sda5"), "8:5", true);
    made.device(STICK, "8:16", false);
    let crypt = made.device("virtual/block/dm-0", "253:0", false);
    symlink(part, crypt.join("slaves/sda1")).unwrap();
    write(
        &made.system.mountinfo,
        "1 0 253:0 / /home rw - ext4 /dev/mapper/home rw\n\
         2 1 253:0 /a /home/a ro - ext4 /dev/mapper/home rw\n\
         3 1 8:16 / /stick ro - vfat /dev/sdb ro\n\
         4 1 0:9 / /run rw - tmpfs tmpfs rw\n",
    )
    .unwrap();
    write(
        &made.system.swaps,
        "Filename\t\t\t\tType\t\tSize\tUsed\tPriority\n/made-up/sda5 partition\t1\t0\t-2\n",
    )
    .unwrap();
    let used = disks::in_use(&made.system, "sda").unwrap();
    let points: Vec<(&[u8], bool)> = used.iter().map(|u| (&u.at[..], u.writable)).collect();
    assert_eq!(
        points,
        [
            (&b"/home"[..], true),
            (&b"/home/a"[..], true),
            (&b"/made-up/sda5"[..], true)
        ]
    );
    let stick = disks::in_use(&made.system, "sdb").unwrap();
    assert_eq!(stick.len(), 1);
    assert!(!stick[0].writable);
}

#[test]
fn this_machine_is_followed_to_its_disks() {
    let here = beneath(&System::this_machine(), Path::new("/")).unwrap();
    assert!(here.mount.is_some());
    assert!(
        !here.disks.is_empty() || here.memory || here.network || !here.unknown.is_empty(),
        "neither a disk nor a reason: {here:?}"
    );
}
