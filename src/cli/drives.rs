//! Drives of this machine, behind the port: what the system knows of one, its sectors, its hold.

use crate::linux::disks::{self, Disk, InUse};
use crate::linux::fault::io_fault;
use crate::linux::memory::MachineMemory;
use crate::linux::topology::{self, System};
use crate::linux::{DriveSectors, WatchedSectors};
use crate::port::{DriveFacts, DriveUse, Fault, FaultKind, Sectors};
use crate::value::Name;
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
        let device = std::fs::metadata(&path).map(|meta| meta.dev()).unwrap_or(0);
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
            ..DriveFacts::default()
        });
    };
    let beneath = topology::beneath_device(system, device)?;
    let name = path
        .file_name()
        .map(|name| name.to_string_lossy().into_owned())
        .unwrap_or_default();
    let disk = disks::disk(system, &name);
    if disk.is_none() && !name.starts_with("loop") {
        return Err(Fault::new(
            FaultKind::Other,
            doing(),
            "expected a whole disk, found a partition or a stacked device; name the disk itself",
        ));
    }
    let is_loop = name.starts_with("loop");
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
    Ok(DriveFacts {
        path,
        is_image: false,
        is_loop,
        model,
        serial,
        firmware,
        bytes,
        sector_bytes,
        rotational,
        bus: bus.word().to_owned(),
        disks: if is_loop {
            beneath.disks
        } else {
            vec![name.clone()]
        },
        disks_unknown: is_loop && !beneath.unknown.is_empty(),
        device: 0,
        in_use,
        kernel_read_only: sectors.kernel_read_only().ok().or(read_only),
        sequence: sectors.sequence().or(sequence),
        name,
    })
}

fn used(use_: InUse) -> DriveUse {
    let at = Name::Bytes(use_.at).text();
    DriveUse {
        at: format!("{at} ({})", use_.file_system),
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
