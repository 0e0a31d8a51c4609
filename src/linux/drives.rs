//! Drives of this machine, behind the port: what the system knows of one, its sectors, its hold.

use super::disks::{self, Disk, InUse};
use super::fault::io_fault;
use super::memory::MachineMemory;
use super::topology::{self, System};
use super::{DriveSectors, WatchedSectors};
use crate::port::{DriveFacts, DriveUse, Fault, FaultKind, Sectors};
use crate::value::Name;
use std::ffi::OsString;
use std::os::unix::ffi::OsStringExt;
use std::path::Path;
use std::sync::Arc;
use std::time::Duration;

/// Longer than a drive's own retries (common practice: 7 s on drives made for sets, up to two minutes on others).
const READ_LIMIT: Duration = Duration::from_secs(120);

/// What the system knows of a drive.
pub fn look(system: &System, path: &Path) -> Result<DriveFacts, Fault> {
    let doing = || format!("looking at the drive {}", path.display());
    let path = path.canonicalize().map_err(|e| io_fault(doing(), &e))?;
    let sectors = DriveSectors::open(&path)?;
    let (bytes, sector_bytes) = (sectors.bytes(), sectors.sector_bytes());
    let Some(device) = sectors.device() else {
        use std::os::unix::fs::MetadataExt;
        let beneath = topology::beneath(system, &path)?;
        let (device, inode) =
            std::fs::metadata(&path).map_or((0, 0), |meta| (meta.dev(), meta.ino()));
        let in_use = disks::image_in_use(system, &path)?;
        if bytes == 0 {
            return Err(Fault::new(
                FaultKind::Other,
                doing(),
                "expected the image of a whole drive, found an empty file",
            ));
        }
        return Ok(DriveFacts {
            path,
            in_use: in_use.into_iter().map(used).collect(),
            is_image: true,
            bytes,
            sector_bytes,
            bus: "image file".into(),
            disks: beneath.disks,
            disks_unknown: !beneath.unknown.is_empty(),
            device,
            inode,
            ..DriveFacts::default()
        });
    };
    let beneath = topology::beneath_device(system, device)?;
    // By number: the node of an opened volume may have another name than the kernel's.
    let name = topology::name_of(system, device)
        .or_else(|| Some(path.file_name()?.to_string_lossy().into_owned()))
        .unwrap_or_default();
    let disk = disks::disk(system, &name);
    if disk.is_none() && !name.starts_with("loop") {
        return Err(Fault::new(
            FaultKind::Other,
            doing(),
            "expected a whole disk or an opened volume, found a partition; name the disk itself",
        ));
    }
    let stack =
        (beneath.stacks.contains(&name)).then(|| Stack::of(system, &name, device, &beneath));
    let is_stack = stack.is_some();
    // A stack that ends on image files is one too.
    let is_loop = name.starts_with("loop")
        || (is_stack
            && beneath
                .leaves
                .iter()
                .all(|leaf| beneath.loops.contains(leaf)));
    let Disk {
        model,
        serial,
        firmware,
        rotational,
        bus,
        read_only,
        sequence,
        ..
    } = disk.unwrap_or_default();
    let in_use = disks::in_use(system, &name)?
        .into_iter()
        .map(used)
        .collect();
    let (model, serial, path) = match stack {
        Some(stack) => (Some(stack.words), stack.serial, stack.node.unwrap_or(path)),
        None => (model, serial, path),
    };
    let beneath_counts = is_loop || is_stack;
    Ok(DriveFacts {
        path,
        is_image: false,
        is_loop,
        is_stack,
        model,
        serial,
        firmware,
        bytes,
        sector_bytes,
        rotational,
        bus: bus.word().to_owned(),
        disks: if beneath_counts {
            beneath.disks
        } else {
            vec![name.clone()]
        },
        disks_unknown: beneath_counts && !beneath.unknown.is_empty(),
        device: 0,
        inode: 0,
        shows: disks::shown_file(system, &name),
        in_use,
        kernel_read_only: sectors.kernel_read_only().ok().or(read_only),
        sequence: sectors.sequence().or(sequence),
        name,
    })
}

/// An opened volume on other disks, as those and the kernel name it.
struct Stack {
    words: String,
    /// The serials of all disks beneath it, each once; `None` = not every one tells its own.
    serial: Option<String>,
    /// The node by the name that it was opened under: the kernel's numbers change from opening to opening.
    node: Option<std::path::PathBuf>,
}

impl Stack {
    fn of(system: &System, name: &str, device: (u32, u32), beneath: &topology::Beneath) -> Self {
        let leaves: Vec<Option<Disk>> = (beneath.leaves.iter())
            .map(|leaf| disks::disk(system, leaf))
            .collect();
        let each = |told: fn(&Disk) -> Option<String>| {
            let mut all = (leaves.iter())
                .map(|leaf| leaf.as_ref().and_then(told))
                .collect::<Option<Vec<String>>>()
                .filter(|all| !all.is_empty() && beneath.unknown.is_empty())?;
            all.sort_unstable();
            all.dedup();
            Some(all.join(" + "))
        };
        let opened = disks::mapped_name(system, name);
        let node = opened
            .as_ref()
            .map(|opened| Path::new("/dev/mapper").join(opened));
        let same =
            |node: &Path| topology::block_device_at(node).is_ok_and(|there| there == Some(device));
        Self {
            words: format!(
                "opened volume {} on {}",
                opened.as_deref().unwrap_or(name),
                each(|disk| disk.model.clone()).unwrap_or_else(|| beneath.leaves.join(" + "))
            ),
            // No drive's own serial: the disk beneath holds more than this volume, and must not pass for it.
            serial: each(|disk| disk.serial.clone()).map(|serials| format!("volume on {serials}")),
            node: node.filter(|node| same(node)),
        }
    }
}

fn used(use_: InUse) -> DriveUse {
    let at = Name::Bytes(use_.at.clone()).text();
    DriveUse {
        at: format!("{at} ({})", use_.file_system),
        point: OsString::from_vec(use_.at).into(),
        writable: use_.writable,
    }
}

/// A drive's sectors behind the watchdog.
pub fn sectors(path: &Path, memory: &MachineMemory) -> Result<Arc<dyn Sectors>, Fault> {
    let sectors = DriveSectors::open(path)?;
    let name = path.display().to_string();
    Ok(Arc::new(WatchedSectors::new(
        sectors, &name, READ_LIMIT, memory,
    )?))
}

/// Sets the kernel's read-only flag and reads it back.
pub fn hold(path: &Path, read_only: bool) -> Result<bool, Fault> {
    let sectors = DriveSectors::open(path)?;
    sectors.set_kernel_read_only(read_only)?;
    sectors.kernel_read_only()
}

/// Every whole disk that is built in and not known already.
pub fn others(system: &System, known: &[String]) -> Result<Vec<DriveFacts>, Fault> {
    Ok(disks::disks(system)
        .into_iter()
        .filter(|disk| {
            !known.contains(&disk.name)
                && disk.removable != Some(true)
                && disk.bus != disks::Bus::Usb
        })
        .map(facts_of)
        .collect())
}

/// Every whole disk, in whatever way it is attached.
pub fn every(system: &System) -> Result<Vec<DriveFacts>, Fault> {
    Ok(disks::disks(system).into_iter().map(facts_of).collect())
}

fn facts_of(disk: Disk) -> DriveFacts {
    DriveFacts {
        path: disks::node_of(&disk.name),
        model: disk.model,
        serial: disk.serial,
        firmware: disk.firmware,
        bytes: disk.bytes.unwrap_or(0),
        sector_bytes: disk.sector_bytes.unwrap_or(512),
        rotational: disk.rotational,
        bus: disk.bus.word().to_owned(),
        disks: vec![disk.name.clone()],
        kernel_read_only: disk.read_only,
        sequence: disk.sequence,
        name: disk.name,
        ..DriveFacts::default()
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::fs::{create_dir_all, write};
    use std::os::unix::fs::symlink;

    /// A machine in a folder: an opened volume over a partition of a disk and over a second disk.
    fn made(scratch: &Path, second_serial: bool) -> System {
        let system = System {
            sysfs: scratch.join("sys"),
            mountinfo: scratch.join("mountinfo"),
            swaps: scratch.join("swaps"),
        };
        write(&system.mountinfo, "").unwrap();
        let devices = system.sysfs.join("devices/host0");
        for folder in ["dev/block", "block", "class/block"] {
            create_dir_all(system.sysfs.join(folder)).unwrap();
        }
        let device = |place: &str, number: &str| {
            let directory = devices.join(place);
            create_dir_all(directory.join("slaves")).unwrap();
            write(directory.join("dev"), number).unwrap();
            symlink(&directory, system.sysfs.join("dev/block").join(number)).unwrap();
            symlink(&directory, system.sysfs.join("block").join(place)).unwrap();
            directory
        };
        let told = |disk: &Path, serial: Option<&str>, model: &str| {
            create_dir_all(disk.join("device")).unwrap();
            write(disk.join("device/model"), model).unwrap();
            if let Some(serial) = serial {
                write(disk.join("device/serial"), serial).unwrap();
            }
        };
        let (one, two) = (device("sdq", "8:0"), device("sdr", "8:16"));
        told(&one, Some("AK-0001"), "Ackerwerk 500");
        told(&two, second_serial.then_some("AK-0002"), "Ackerwerk 500");
        create_dir_all(one.join("sdq1")).unwrap();
        write(one.join("sdq1/partition"), "1").unwrap();
        let stack = device("dm-0", "253:0");
        create_dir_all(stack.join("dm")).unwrap();
        write(stack.join("dm/name"), "opened").unwrap();
        symlink(one.join("sdq1"), stack.join("slaves/sdq1")).unwrap();
        symlink(two, stack.join("slaves/sdr")).unwrap();
        system
    }

    #[test]
    fn an_opened_volume_is_known_by_every_disk_beneath_it_and_passes_for_none() {
        let scratch = tempfile::tempdir().unwrap();
        let system = made(scratch.path(), true);
        let beneath = topology::beneath_device(&system, (253, 0)).unwrap();
        assert_eq!(beneath.disks, ["sdq", "sdr"]);
        let stack = Stack::of(&system, "dm-0", (253, 0), &beneath);
        assert_eq!(stack.serial.as_deref(), Some("volume on AK-0001 + AK-0002"));
        assert_eq!(stack.words, "opened volume opened on Ackerwerk 500");
        // No node of that name here: the kernel's own name has to do.
        assert_eq!(stack.node, None);
    }

    #[test]
    fn one_disk_without_a_serial_leaves_the_volume_without_one() {
        let scratch = tempfile::tempdir().unwrap();
        let system = made(scratch.path(), false);
        let beneath = topology::beneath_device(&system, (253, 0)).unwrap();
        assert_eq!(Stack::of(&system, "dm-0", (253, 0), &beneath).serial, None);
    }
}
