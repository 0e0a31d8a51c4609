//! A volume that only the kernel reads, mounted above a scratch in memory.
//!
//! Four layers, each of which lasts as long as the one above it has it open: the volume's bytes of the drive, read-only, as a loop
//! device; a file in memory as another; the device mapper's "snapshot" of both; and a mount that nobody can find, because it is
//! nowhere in the tree of folders: it is an open descriptor. So nothing stays when the process ends, however it ends.
//!
//! Invariant: the drive is opened for reading only, and nothing of the mount can act (no programs, no devices).

use super::drives;
use super::fault::fault;
use super::ioctl;
use super::mapper::{self, Mapped};
use super::memory::MachineMemory;
use super::tree::FolderTree;
use crate::port::{Fault, FaultKind, Mounted, NotMounted, Sectors, ToMount, Tree};
use rustix::fd::{AsFd, AsRawFd, OwnedFd};
use rustix::fs::{MemfdFlags, Mode, OFlags, fstatvfs, ftruncate, memfd_create, open};
use rustix::io::Errno;
use rustix::mount::{
    FsMountFlags, FsOpenFlags, MountAttrFlags, fsconfig_create, fsconfig_set_flag,
    fsconfig_set_string, fsmount, fsopen,
};
use std::path::Path;
use std::sync::Arc;

/// Room for what the driver writes: as much as a log of XFS can hold, and half of the memory that programs can have at most.
/// What does not fit ends the mount with errors, never with other content.
const SCRATCH: u64 = 2 << 30;

/// A mounted volume; the fields go in this order.
struct Above {
    tree: FolderTree,
    mount: OwnedFd,
    device: Mapped,
}

impl Mounted for Above {
    fn tree(&self) -> &dyn Tree {
        &self.tree
    }

    fn inodes_in_use(&self) -> Option<u64> {
        let told = fstatvfs(&self.mount).ok()?;
        told.f_files.checked_sub(told.f_ffree)
    }

    fn sectors(&self) -> Result<Arc<dyn Sectors>, Fault> {
        let device = self.device.device()?.as_raw_fd();
        drives::sectors(
            Path::new(&format!("/proc/self/fd/{device}")),
            &MachineMemory,
        )
    }
}

/// Mounts it.
pub(super) fn mount(volume: &ToMount<'_>) -> Result<Box<dyn Mounted>, NotMounted> {
    let no_way = |what: &'static str| move |errno: Errno| NotMounted::NoWay(fault(what, errno));
    // First what costs nothing: whether there is a driver, and whether we may.
    let context = fsopen(volume.driver, FsOpenFlags::FSOPEN_CLOEXEC).map_err(no_way(
        "asking the kernel for its driver of the file system",
    ))?;
    let device = device(volume).map_err(NotMounted::NoWay)?;
    let source = device.device().map_err(NotMounted::NoWay)?.as_raw_fd();
    let source = format!("/proc/self/fd/{source}");
    fsconfig_set_string(&context, "source", source.as_str())
        .and_then(|()| fsconfig_set_flag(&context, "ro"))
        .and_then(|()| {
            (volume.options.iter()).try_for_each(|option| fsconfig_set_flag(&context, *option))
        })
        .map_err(no_way("preparing a mount"))?;
    let refused = |errno: Errno| {
        let mut why = fault(format!("mounting it as {}", volume.driver), errno);
        if errno == Errno::UCLEAN {
            "EUCLEAN (its structure needs repair)".clone_into(&mut why.errno);
        }
        NotMounted::Refused(why)
    };
    fsconfig_create(&context).map_err(refused)?;
    let attributes = MountAttrFlags::MOUNT_ATTR_RDONLY
        | MountAttrFlags::MOUNT_ATTR_NOSUID
        | MountAttrFlags::MOUNT_ATTR_NODEV
        | MountAttrFlags::MOUNT_ATTR_NOEXEC
        | MountAttrFlags::MOUNT_ATTR_NOATIME;
    let mount = fsmount(&context, FsMountFlags::FSMOUNT_CLOEXEC, attributes).map_err(refused)?;
    let tree = FolderTree::within(mount.as_fd(), Path::new("the mounted volume"))
        .map_err(NotMounted::Refused)?;
    Ok(Box::new(Above {
        tree,
        mount,
        device,
    }))
}

/// The volume with a scratch above it.
fn device(volume: &ToMount<'_>) -> Result<Mapped, Fault> {
    let doing = || format!("preparing to mount a volume of {}", volume.drive.display());
    let bytes = volume.bytes / 512 * 512;
    if bytes == 0 || !volume.first_byte.is_multiple_of(512) {
        let why = "its bytes are no whole sectors";
        return Err(Fault::new(FaultKind::Other, doing(), why));
    }
    let control = mapper::control()?;
    let drive = open(
        volume.drive,
        OFlags::RDONLY | OFlags::CLOEXEC,
        Mode::empty(),
    )
    .map_err(|e| fault(doing(), e))?;
    let below = as_loop(&drive, volume.first_byte, bytes, true)?;
    let room = super::host::Host::look()
        .available_bytes
        .map_or(SCRATCH, |free| (free / 2).min(SCRATCH));
    let scratch = memfd_create("holdpoint-scratch", MemfdFlags::CLOEXEC)
        .and_then(|scratch| ftruncate(&scratch, room / 4096 * 4096).map(|()| scratch))
        .map_err(|e| fault("making a scratch in memory", e))?;
    let above = as_loop(&scratch, 0, 0, false)?;
    // From here on the mapper has both open.
    Mapped::above_scratch(control, bytes, below.as_fd(), above.as_fd())
}

/// A stretch of an open file as a loop device; `bytes` 0 = to its end.
fn as_loop(behind: &OwnedFd, offset: u64, bytes: u64, read_only: bool) -> Result<OwnedFd, Fault> {
    let doing = "making a loop device";
    let flags = OFlags::RDWR | OFlags::CLOEXEC;
    let control = open("/dev/loop-control", flags, Mode::empty()).map_err(|e| fault(doing, e))?;
    // Somebody else may take the same number in between.
    let mut last = Errno::BUSY;
    for _ in 0..16 {
        let number = ioctl::free_loop(control.as_fd()).map_err(|e| fault(doing, e))?;
        let access = if read_only {
            OFlags::RDONLY
        } else {
            OFlags::RDWR
        };
        let device = open(
            format!("/dev/loop{number}"),
            access | OFlags::CLOEXEC,
            Mode::empty(),
        )
        .map_err(|e| fault(doing, e))?;
        match ioctl::set_loop(device.as_fd(), behind.as_fd(), offset, bytes, read_only) {
            Ok(()) => return Ok(device),
            Err(errno @ (Errno::BUSY | Errno::AGAIN)) => last = errno,
            Err(errno) => return Err(fault(doing, errno)),
        }
    }
    Err(fault(doing, last))
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::os::unix::fs::FileExt;

    fn asked<'a>(drive: &'a Path, first_byte: u64, driver: &'a str) -> ToMount<'a> {
        ToMount {
            drive,
            first_byte,
            bytes: 1 << 20,
            driver,
            options: &[],
        }
    }

    /// Whatever is missing on this machine, or not allowed: each of these ends before a driver saw the volume.
    #[test]
    fn what_cannot_be_tried_is_no_refusal() {
        let scratch = tempfile::tempdir().unwrap();
        let drive = scratch.path().join("drive");
        std::fs::write(&drive, vec![0; 2 << 20]).unwrap();
        let none = scratch.path().join("none");
        for volume in [
            asked(&drive, 0, "no-such-driver"),
            asked(&drive, 100, "xfs"),
            asked(&none, 0, "xfs"),
        ] {
            let why = mount(&volume).err();
            assert!(
                matches!(why, Some(NotMounted::NoWay(_))),
                "{volume:?}: {why:?}"
            );
        }
    }

    #[test]
    fn a_loop_device_shows_its_stretch_and_goes_when_it_is_closed() {
        let name = "a_loop_device_shows_its_stretch_and_goes_when_it_is_closed";
        let memory = format!("behind-{}", std::process::id());
        let behind = memfd_create(memory.as_str(), MemfdFlags::CLOEXEC).unwrap();
        let file = std::fs::File::from(behind.try_clone().unwrap());
        let bytes: Vec<u8> = (0..64 * 512u32).map(|at| (at / 512) as u8).collect();
        file.write_all_at(&bytes, 0).unwrap();
        for read_only in [true, false] {
            let device = match as_loop(&behind, 512, 4096, read_only) {
                Ok(device) => std::fs::File::from(device),
                Err(why) => {
                    crate::skip::skip(name, &why.to_string());
                    return;
                }
            };
            let mut seen = [0u8; 4096];
            device.read_exact_at(&mut seen, 0).unwrap();
            assert_eq!(seen, bytes[512..4608]);
            assert_eq!(device.read_at(&mut seen, 4096).unwrap(), 0);
            if read_only {
                assert!(device.write_all_at(b"x", 0).is_err());
            }
            let number = rustix::fs::minor(rustix::fs::fstat(&device).unwrap().st_rdev);
            drop(device);
            // Somebody else may have the number by now.
            let sysfs = format!("/sys/block/loop{number}/loop/backing_file");
            let ours = || std::fs::read_to_string(&sysfs).is_ok_and(|file| file.contains(&memory));
            for _ in 0..200 {
                if !ours() {
                    break;
                }
                std::thread::sleep(std::time::Duration::from_millis(10));
            }
            assert!(!ours());
        }
    }
}
