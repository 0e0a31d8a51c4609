//! The disks of this machine as sysfs tells them, and what of each is in use.
//!
//! Invariant: nothing is sent to a disk for this; what sysfs does not tell is `None`, and a number
//! that cannot be read is not zero.

use super::mountinfo::{Mount, device_number};
use super::topology::{System, beneath_device, list, mount_in};
use crate::port::Fault;
use rustix::fs::{major, makedev, minor, stat};
use std::ffi::OsStr;
use std::os::unix::ffi::OsStrExt;
use std::path::{Path, PathBuf};

/// A whole disk.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Disk {
    /// Kernel name (`sda`, `nvme0n1`).
    pub name: String,
    /// Device number.
    pub device: u64,
    /// Length in bytes, as accessible now; `None` = not told.
    pub bytes: Option<u64>,
    /// Maker (cut short on SCSI) and model, trimmed.
    pub model: Option<String>,
    /// Serial, trimmed.
    pub serial: Option<String>,
    /// Firmware revision, trimmed.
    pub firmware: Option<String>,
    /// World-wide id as the kernel prints it (`naa.…`, `eui.…`).
    pub wwid: Option<String>,
    /// Turning platters; a guess of the kernel's behind USB.
    pub rotational: Option<bool>,
    /// The medium can be taken out of the device.
    pub removable: Option<bool>,
    /// The kernel's read-only flag.
    pub read_only: Option<bool>,
    /// Changes whenever another disk takes the name.
    pub sequence: Option<u64>,
    /// Logical sector size in bytes.
    pub sector_bytes: Option<u32>,
    /// Physical sector size in bytes.
    pub physical_sector_bytes: Option<u32>,
    /// How it is attached.
    pub bus: Bus,
}

/// How a disk is attached, by the devices above it in sysfs.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum Bus {
    /// NVMe.
    Nvme,
    /// SATA or parallel ATA.
    Ata,
    /// Behind a USB adapter.
    Usb,
    /// SCSI or SAS.
    Scsi,
    /// MMC or SD.
    Mmc,
    /// A disk of a virtual machine's own making.
    Virtual,
    /// A file or memory that looks like a disk.
    Made,
    /// Not told.
    #[default]
    Unknown,
}

impl Bus {
    /// The word for people and for JSON.
    pub fn word(self) -> &'static str {
        match self {
            Bus::Nvme => "nvme",
            Bus::Ata => "ata",
            Bus::Usb => "usb",
            Bus::Scsi => "scsi",
            Bus::Mmc => "mmc",
            Bus::Virtual => "virtual",
            Bus::Made => "made",
            Bus::Unknown => "unknown",
        }
    }
}

/// One place where something of a disk is in use.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct InUse {
    /// Mount point, exact bytes; for swap the path of the area.
    pub at: Vec<u8>,
    /// File system type, or `swap`.
    pub file_system: String,
    /// Whether the file system may write to the disk. A read-only mount of a file system that is
    /// elsewhere mounted for writing still may.
    pub writable: bool,
}

/// All whole disks that can hold a customer's data: no loops, no memory, no stacked devices, no empty slots.
pub fn disks(system: &System) -> Vec<Disk> {
    list(&system.sysfs.join("block"))
        .into_iter()
        .filter(|name| {
            !["loop", "ram", "zram", "dm-", "md", "sr", "fd", "nbd"]
                .iter()
                .any(|made| {
                    name.strip_prefix(made).is_some_and(|rest| {
                        made.ends_with('-') || rest.starts_with(|c: char| c.is_ascii_digit())
                    })
                })
        })
        .filter(|name| !is_card_side_area(name))
        .filter_map(|name| disk(system, &name))
        .filter(|disk| disk.bytes != Some(0))
        .collect()
}

/// The boot and replay areas of an eMMC are disks of their own to the kernel, and hold no user data.
fn is_card_side_area(name: &str) -> bool {
    name.strip_prefix("mmcblk")
        .map(|rest| rest.trim_start_matches(|c: char| c.is_ascii_digit()))
        .is_some_and(|rest| rest.starts_with("boot") || rest.starts_with("rpmb"))
}

/// One disk by kernel name; `None` = there is none of that name.
pub fn disk(system: &System, name: &str) -> Option<Disk> {
    let directory = system.sysfs.join("block").join(name).canonicalize().ok()?;
    // The single paths below a multipath disk show as hidden disks of their own.
    if number(&directory, "hidden") == Some(1) {
        return None;
    }
    let (major, minor) = device_number(&text(&directory, "dev")?)?;
    let bus = bus_of(&directory, name);
    let model = text(&directory, "device/model").or_else(|| text(&directory, "device/name"));
    let vendor = text(&directory, "device/vendor");
    Some(Disk {
        name: name.to_owned(),
        device: makedev(major, minor),
        // Always 512-byte units, whatever the sector size.
        bytes: number(&directory, "size").and_then(|units| units.checked_mul(512)),
        model: match (vendor, model) {
            // "ATA" is the kernel's translation layer, and a number is a PCI id: no makers, either of them.
            (Some(vendor), Some(model)) if vendor != "ATA" && !vendor.starts_with("0x") => {
                Some(format!("{vendor} {model}"))
            }
            (_, model) => model,
        },
        serial: text(&directory, "device/serial")
            .or_else(|| text(&directory, "serial"))
            .or_else(|| vital_serial(&directory)),
        firmware: text(&directory, "device/firmware_rev")
            .or_else(|| text(&directory, "device/rev"))
            .or_else(|| text(&directory, "device/fwrev")),
        wwid: text(&directory, "wwid").or_else(|| text(&directory, "device/wwid")),
        rotational: flag(&directory, "queue/rotational"),
        removable: flag(&directory, "removable"),
        read_only: flag(&directory, "ro"),
        sequence: number(&directory, "diskseq"),
        sector_bytes: number(&directory, "queue/logical_block_size")
            .and_then(|bytes| u32::try_from(bytes).ok()),
        physical_sector_bytes: number(&directory, "queue/physical_block_size")
            .and_then(|bytes| u32::try_from(bytes).ok()),
        bus,
    })
}

/// Where anything of the disk `name` is mounted or used for swapping, through partitions and stacks.
///
/// # Errors
/// When the list of mounts cannot be read.
pub fn in_use(system: &System, name: &str) -> Result<Vec<InUse>, Fault> {
    let mounts = system.mounts()?;
    let mut found: Vec<InUse> = mounts
        .iter()
        .filter(|mount| lies_on(system, &mounts, mount, name))
        .map(|mount| InUse {
            at: mount.point.clone(),
            file_system: mount.file_system.clone(),
            writable: !mount.file_system_read_only(),
        })
        .collect();
    // No swap list means no swap.
    let swaps = std::fs::read(&system.swaps).unwrap_or_default();
    for area in swap_areas(&swaps) {
        if swap_lies_on(system, &area, name)? {
            found.push(InUse {
                at: area,
                file_system: "swap".to_owned(),
                writable: true,
            });
        }
    }
    Ok(found)
}

/// Where a file lies, whatever it is called.
fn place(path: &Path) -> Option<(u64, u64)> {
    stat(path).map(|seen| (seen.st_dev, seen.st_ino)).ok()
}

/// The file that a loop device shows; `None` = it is no loop device, or the file has no name any more.
pub fn shown_file(system: &System, name: &str) -> Option<(u64, u64)> {
    let directory = system.sysfs.join("block").join(name);
    let backing = std::fs::read(directory.join("loop/backing_file")).ok()?;
    // Not trimmed: a file's name may end in a space.
    let backing = backing.strip_suffix(b"\n").unwrap_or(&backing);
    place(Path::new(OsStr::from_bytes(backing)))
}

/// Where an image file is in use: attached as a loop device, mounted through one, or mounted by itself.
///
/// # Errors
/// When the file cannot be looked at or the list of mounts cannot be read.
pub fn image_in_use(system: &System, image: &Path) -> Result<Vec<InUse>, Fault> {
    let own = place(image);
    if own.is_none() {
        return Err(Fault::new(
            crate::port::FaultKind::Missing,
            format!("looking at '{}'", image.display()),
            "it is not there",
        ));
    }
    let mut found = Vec::new();
    for name in list(&system.sysfs.join("block")) {
        if shown_file(system, &name).is_none_or(|shown| Some(shown) != own) {
            continue;
        }
        let mounted = in_use(system, &name)?;
        if mounted.is_empty() {
            found.push(InUse {
                at: node_of(&name).into_os_string().into_encoded_bytes(),
                file_system: "loop device".to_owned(),
                writable: false,
            });
        }
        found.extend(mounted);
    }
    for mount in system.mounts()? {
        if mount.source.starts_with(b"/")
            && place(Path::new(OsStr::from_bytes(&mount.source))) == own
        {
            found.push(InUse {
                at: mount.point.clone(),
                file_system: mount.file_system.clone(),
                writable: !mount.file_system_read_only(),
            });
        }
    }
    Ok(found)
}

fn lies_on(system: &System, mounts: &[Mount], mount: &Mount, name: &str) -> bool {
    let beneath = mount_in(system, mounts, mount);
    beneath.goes_through(name)
}

fn swap_lies_on(system: &System, area: &[u8], name: &str) -> Result<bool, Fault> {
    let path = Path::new(OsStr::from_bytes(area));
    let beneath = match stat(path) {
        // A node's own number, where it is one; else the file's place.
        Ok(seen) if seen.st_rdev != 0 => {
            beneath_device(system, (major(seen.st_rdev), minor(seen.st_rdev)))?
        }
        Ok(_) => super::topology::beneath(system, path)?,
        Err(_) => match path
            .file_name()
            .and_then(OsStr::to_str)
            .and_then(|name| super::topology::device_of_name(system, name))
        {
            Some(device) => beneath_device(system, (major(device), minor(device)))?,
            None => return Ok(false),
        },
    };
    Ok(beneath.goes_through(name))
}

/// The first column of `/proc/swaps`, below its heading.
fn swap_areas(text: &[u8]) -> Vec<Vec<u8>> {
    text.split(|b| *b == b'\n')
        .skip(1)
        .filter_map(|line| line.split(|b| *b == b' ' || *b == b'\t').next())
        .filter(|area| !area.is_empty())
        .map(super::mountinfo::unescape)
        .collect()
}

fn bus_of(directory: &Path, name: &str) -> Bus {
    let parts: Vec<&str> = directory
        .components()
        .filter_map(|part| part.as_os_str().to_str())
        .collect();
    let has = |stem: &str| {
        parts.iter().any(|part| {
            part.strip_prefix(stem)
                .is_some_and(|rest| rest.starts_with(|c: char| c.is_ascii_digit()))
        })
    };
    // The nearest to the plug first: a USB adapter shows a SCSI disk below it.
    if has("usb") {
        Bus::Usb
    } else if has("nvme") || has("nvme-subsys") {
        Bus::Nvme
    } else if has("ata") {
        Bus::Ata
    } else if has("mmc") {
        Bus::Mmc
    } else if has("virtio") || name.starts_with("xvd") {
        Bus::Virtual
    } else if has("host") {
        Bus::Scsi
    } else if parts.contains(&"virtual") {
        Bus::Made
    } else {
        Bus::Unknown
    }
}

/// The text of one attribute, trimmed; empty counts as not told.
pub(super) fn text(directory: &Path, attribute: &str) -> Option<String> {
    let bytes = std::fs::read(directory.join(attribute)).ok()?;
    let text = String::from_utf8_lossy(&bytes);
    let text = text.trim_matches(|c: char| c.is_whitespace() || c == '\0');
    (!text.is_empty()).then(|| text.to_owned())
}

fn number(directory: &Path, attribute: &str) -> Option<u64> {
    text(directory, attribute)?.parse().ok()
}

fn flag(directory: &Path, attribute: &str) -> Option<bool> {
    match number(directory, attribute)? {
        0 => Some(false),
        1 => Some(true),
        _ => None,
    }
}

/// The serial from the page that the kernel keeps (SPC-4, vital product data page 80h: length at 2, text from 4).
fn vital_serial(directory: &Path) -> Option<String> {
    let page = std::fs::read(directory.join("device/vpd_pg80")).ok()?;
    if page.get(1) != Some(&0x80) {
        return None;
    }
    let bytes = usize::from(u16::from_be_bytes([*page.get(2)?, *page.get(3)?]));
    let serial = page.get(4..)?;
    let serial = serial.get(..bytes).unwrap_or(serial);
    let serial = String::from_utf8_lossy(serial);
    let serial = serial.trim_matches(|c: char| c.is_whitespace() || c == '\0');
    (!serial.is_empty()).then(|| serial.to_owned())
}

/// The name that a mapped device was opened under (`dm/name`); `None` = it is none.
pub fn mapped_name(system: &System, name: &str) -> Option<String> {
    text(&system.sysfs.join("block").join(name), "dm/name")
}

/// The node of a whole disk by kernel name.
pub fn node_of(name: &str) -> PathBuf {
    // sysfs writes '!' where the node's name has '/'.
    Path::new("/dev").join(name.replace('!', "/"))
}
