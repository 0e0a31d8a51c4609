//! One drive kept open while a command works on it.
//!
//! Invariant: opened for reading only. A name is handed out only while it leads to what is open here.
//!
//! Which name: for a block device its node, because tools look a device up by its name in sysfs and in the list
//! of partitions. While the device is open here the kernel does not give its number to another one (from memory:
//! `sd`, `nvme` and `loop` free a number at the last close), and the node is compared with the open device each
//! time. What is left is somebody with root's rights who replaces the node itself in the moment between
//! that and the command's own opening. For an image file the name is `/proc/<our pid>/fd/<number>`, which leads to
//! the open file itself, whatever is renamed meanwhile.

use super::DriveSectors;
use super::fault::fault;
use crate::port::{Fault, FaultKind, Grip, Sectors};
use rustix::fd::{AsFd, AsRawFd};
use rustix::fs::{Mode, OFlags, fstat, open, stat};
use rustix::io::Errno;
use std::path::{Path, PathBuf};

/// A drive or image kept open.
#[derive(Debug)]
pub struct DriveGrip {
    path: PathBuf,
    sectors: DriveSectors,
    sequence: Option<u64>,
}

impl DriveGrip {
    /// Opens the whole drive or image at `path` (links in it are followed once, now).
    ///
    /// # Errors
    /// As [`DriveSectors::open`].
    pub fn open(path: &Path) -> Result<Self, Fault> {
        let doing = || format!("holding on to '{}'", path.display());
        let path = path
            .canonicalize()
            .map_err(|e| super::fault::io_fault(doing(), &e))?;
        let sectors = DriveSectors::open(&path)?;
        let sequence = sectors.sequence();
        Ok(Self {
            path,
            sectors,
            sequence,
        })
    }

    fn gone(&self, found: &str) -> Fault {
        Fault::new(
            FaultKind::Gone,
            format!("holding on to '{}'", self.path.display()),
            found,
        )
    }
}

impl Grip for DriveGrip {
    fn path(&self) -> Result<PathBuf, Fault> {
        let doing = || {
            format!(
                "looking whether '{}' is still the same",
                self.path.display()
            )
        };
        let held = fstat(&self.sectors).map_err(|e| fault(doing(), e))?;
        let own = |seen: &rustix::fs::Stat| (seen.st_dev, seen.st_ino, seen.st_rdev);
        if self.sectors.device().is_some() {
            let seen = stat(&self.path).map_err(|e| fault(doing(), e))?;
            if seen.st_rdev != held.st_rdev {
                return Err(self.gone("the name leads to another device now"));
            }
            // A pulled drive keeps its number as long as it is open here, and has no length any more.
            let fresh = DriveSectors::open(&self.path)?;
            if fresh.sequence() != self.sequence || fresh.bytes() != self.sectors.bytes() {
                return Err(self.gone("another device stands there now"));
            }
            return Ok(self.path.clone());
        }
        let number = self.sectors.as_fd().as_raw_fd();
        let path = PathBuf::from(format!("/proc/{}/fd/{number}", std::process::id()));
        match stat(&path) {
            Ok(seen) if own(&seen) == own(&held) => Ok(path),
            // Without /proc the plain name has to do, looked at in this moment.
            _ => match stat(&self.path) {
                Ok(seen) if own(&seen) == own(&held) => Ok(self.path.clone()),
                _ => Err(self.gone("another file stands there now")),
            },
        }
    }

    fn alone(&self) -> Result<(), Fault> {
        if self.sectors.device().is_none() {
            return Ok(());
        }
        let flags = OFlags::RDONLY | OFlags::EXCL | OFlags::CLOEXEC | OFlags::NONBLOCK;
        let doing = || format!("asking for '{}' alone", self.path.display());
        match open(&self.path, flags, Mode::empty()) {
            Ok(_) => Ok(()),
            Err(Errno::BUSY) => Err(Fault::new(
                FaultKind::Other,
                doing(),
                "the kernel says that it, or a part of it, is in use (mounted, stacked or swapped on)",
            )),
            Err(errno) => Err(fault(doing(), errno)),
        }
    }

    fn set_read_only(&self, read_only: bool) -> Result<bool, Fault> {
        if self.sectors.device().is_none() {
            return Ok(false);
        }
        self.sectors.set_kernel_read_only(read_only)?;
        self.sectors.kernel_read_only()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn an_image_is_reached_by_its_open_descriptor_whatever_is_renamed() {
        let scratch = tempfile::tempdir().unwrap();
        let image = scratch.path().join("image");
        std::fs::write(&image, vec![7u8; 8192]).unwrap();
        let grip = DriveGrip::open(&image).unwrap();
        let path = grip.path().unwrap();
        std::fs::rename(&image, scratch.path().join("elsewhere")).unwrap();
        std::fs::write(&image, vec![9u8; 8192]).unwrap();
        assert_eq!(
            std::fs::read(grip.path().unwrap()).unwrap(),
            vec![7u8; 8192]
        );
        // Opened for writing through that name, the very file changes, not the impostor.
        std::fs::write(&path, b"new").unwrap();
        assert_eq!(
            std::fs::read(scratch.path().join("elsewhere")).unwrap(),
            b"new"
        );
        assert_eq!(std::fs::read(&image).unwrap(), vec![9u8; 8192]);
        assert_eq!(grip.set_read_only(true), Ok(false));
    }
}
