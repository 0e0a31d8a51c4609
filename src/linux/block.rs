//! A drive, or an image file of one, as sectors.
//!
//! Invariant: opened for reading only. A request is widened to whole sectors and no further, so
//! that a bad sector never costs a good neighbour.

use super::fault::fault;
use super::ioctl;
use super::open_file::retry;
use crate::port::{Fault, FaultKind, Sectors};
use rustix::fd::{AsFd, OwnedFd};
use rustix::fs::{
    AtFlags, FileType, Mode, OFlags, StatxFlags, fstat, ioctl_blkpbszget, ioctl_blksszget, major,
    minor, open, statx,
};
use rustix::io::{Errno, pread};
use std::path::{Path, PathBuf};
use std::sync::atomic::{AtomicBool, Ordering};

/// Buffers start on this border for direct reads, whatever the sector size.
const MEMORY_BORDER: usize = 4096;
/// Most bytes of one request that go through a buffer of our own.
const PIECE: usize = 1 << 20;
/// What an image file's sectors are taken for, unless the reader of its tables knows better.
const FILE_SECTOR: u32 = 512;

/// An open drive or image.
#[derive(Debug)]
pub struct DriveSectors {
    path: PathBuf,
    fd: OwnedFd,
    bytes: u64,
    sector_bytes: u32,
    /// Offsets and lengths of direct reads are multiples of this.
    border: u32,
    device: Option<(u32, u32)>,
    direct: AtomicBool,
}

impl DriveSectors {
    /// Opens a block device or a regular file.
    ///
    /// # Errors
    /// When it is missing, neither of the two, or may not be read.
    pub fn open(path: &Path) -> Result<Self, Fault> {
        let doing = || format!("opening the drive '{}'", path.display());
        // Opening anything else may act (a tape rewinds), so it is looked at first.
        let seen = rustix::fs::stat(path).map_err(|e| fault(doing(), e))?;
        let kind = FileType::from_raw_mode(seen.st_mode);
        if !matches!(kind, FileType::BlockDevice | FileType::RegularFile) {
            return Err(Fault::new(
                FaultKind::Other,
                doing(),
                "expected a block device or an image file; name the drive's node or its image",
            ));
        }
        let flags = OFlags::RDONLY | OFlags::CLOEXEC | OFlags::NONBLOCK;
        let (fd, direct) = match open(path, flags | OFlags::DIRECT, Mode::empty()) {
            Ok(fd) => (fd, true),
            Err(Errno::INVAL | Errno::OPNOTSUPP) => {
                let fd = open(path, flags, Mode::empty()).map_err(|e| fault(doing(), e))?;
                (fd, false)
            }
            Err(errno) => return Err(fault(doing(), errno)),
        };
        let opened = fstat(&fd).map_err(|e| fault(doing(), e))?;
        if (opened.st_dev, opened.st_ino, opened.st_rdev)
            != (seen.st_dev, seen.st_ino, seen.st_rdev)
        {
            return Err(Fault::new(
                FaultKind::Gone,
                doing(),
                "replaced while it was being opened",
            ));
        }
        let (bytes, sector_bytes, device) = if kind == FileType::BlockDevice {
            (
                ioctl::device_bytes(fd.as_fd()).map_err(|e| fault(doing(), e))?,
                ioctl_blksszget(&fd).map_err(|e| fault(doing(), e))?,
                Some((major(opened.st_rdev), minor(opened.st_rdev))),
            )
        } else {
            (
                u64::try_from(opened.st_size).unwrap_or(0),
                FILE_SECTOR,
                None,
            )
        };
        Ok(Self {
            path: path.to_owned(),
            border: match device {
                Some(_) => sector_bytes.max(1),
                None => file_border(&fd),
            },
            fd,
            bytes,
            sector_bytes,
            device,
            direct: AtomicBool::new(direct),
        })
    }

    /// Number of the block device; `None` = an image file.
    pub fn device(&self) -> Option<(u32, u32)> {
        self.device
    }

    /// The path as given.
    pub fn path(&self) -> &Path {
        &self.path
    }

    /// Physical sector size in bytes, where the device tells it.
    pub fn physical_sector_bytes(&self) -> Option<u32> {
        self.device?;
        ioctl_blkpbszget(&self.fd).ok()
    }

    /// The number that changes whenever another disk takes the name; `None` = not told.
    pub fn sequence(&self) -> Option<u64> {
        self.device?;
        ioctl::disk_sequence(self.fd.as_fd()).ok()
    }

    /// Whether the kernel's read-only flag is set.
    ///
    /// # Errors
    /// When this is no block device or the device refuses.
    pub fn kernel_read_only(&self) -> Result<bool, Fault> {
        ioctl::is_read_only(self.fd.as_fd()).map_err(|e| {
            fault(
                format!("asking for the read-only flag of '{}'", self.path.display()),
                e,
            )
        })
    }

    /// Sets or lifts the kernel's read-only flag, and looks whether it took.
    ///
    /// Set on a whole disk it covers the partitions. It is a guard rail: a file system already mounted
    /// for writing goes on, and commands passed through to the drive are not stopped.
    ///
    /// # Errors
    /// When this is no block device, permission is missing, or the flag reads otherwise afterwards.
    pub fn set_kernel_read_only(&self, read_only: bool) -> Result<(), Fault> {
        let doing = || {
            let what = if read_only { "setting" } else { "lifting" };
            format!("{what} the read-only flag of '{}'", self.path.display())
        };
        ioctl::set_read_only(self.fd.as_fd(), read_only).map_err(|e| fault(doing(), e))?;
        if self.kernel_read_only()? == read_only {
            Ok(())
        } else {
            Err(Fault::new(
                FaultKind::Other,
                doing(),
                "the kernel accepted it and shows the flag unchanged",
            ))
        }
    }

    fn fault_at(&self, at: u64, bytes: usize, errno: Errno) -> Fault {
        fault(self.doing(at, bytes), errno)
    }

    fn doing(&self, at: u64, bytes: usize) -> String {
        format!("reading {bytes} bytes at {at} of '{}'", self.path.display())
    }

    /// Fills `buf` from `at` as it stands.
    fn read_plain(&self, at: u64, buf: &mut [u8]) -> Result<(), Fault> {
        let bytes = buf.len();
        let mut done = 0usize;
        while done < bytes {
            let rest = buf.get_mut(done..).unwrap_or_default();
            let here = at.saturating_add(done as u64);
            match retry(|| pread(&self.fd, &mut *rest, here)) {
                Ok(0) => return Err(self.ended(at, bytes)),
                Ok(got) => done = done.saturating_add(got),
                Err(errno) => return Err(self.fault_at(at, bytes, errno)),
            }
        }
        Ok(())
    }

    fn ended(&self, at: u64, bytes: usize) -> Fault {
        // A drive that was pulled has length zero to the kernel; a file may have been cut.
        Fault::new(
            FaultKind::Gone,
            self.doing(at, bytes),
            "it ends earlier than when it was opened",
        )
    }

    fn fits(&self, at: u64, buf: &[u8]) -> bool {
        let border = u64::from(self.border);
        at.is_multiple_of(border)
            && (buf.len() as u64).is_multiple_of(border)
            && buf.as_ptr().addr().is_multiple_of(MEMORY_BORDER)
    }

    /// Reads one piece through a buffer that starts and ends on whole sectors.
    fn read_widened(&self, at: u64, buf: &mut [u8]) -> Result<(), Fault> {
        let border = u64::from(self.border);
        let from = at - at % border;
        let before = usize::try_from(at - from).unwrap_or(0);
        let needed = before.saturating_add(buf.len());
        let whole = needed.next_multiple_of(usize::try_from(border).unwrap_or(1));
        let mut store = vec![0u8; whole.saturating_add(MEMORY_BORDER)];
        let start = store
            .as_ptr()
            .align_offset(MEMORY_BORDER)
            .min(MEMORY_BORDER);
        let aligned = store
            .get_mut(start..start.saturating_add(whole))
            .unwrap_or_default();
        let mut done = 0usize;
        // The last sector of an image file may be cut short: what was asked for suffices.
        while done < needed {
            let rest = aligned.get_mut(done..).unwrap_or_default();
            let here = from.saturating_add(done as u64);
            match retry(|| pread(&self.fd, &mut *rest, here)) {
                Ok(0) => return Err(self.ended(at, buf.len())),
                // A short answer off the border goes on from the border before it.
                Ok(got) if done.saturating_add(got) < needed => {
                    let step = got - got % usize::try_from(border).unwrap_or(1);
                    if step == 0 {
                        return Err(self.ended(at, buf.len()));
                    }
                    done = done.saturating_add(step);
                }
                Ok(got) => done = done.saturating_add(got),
                Err(errno) => return Err(self.fault_at(at, buf.len(), errno)),
            }
        }
        match aligned.get(before..needed) {
            Some(bytes) => {
                buf.copy_from_slice(bytes);
                Ok(())
            }
            None => Err(self.ended(at, buf.len())),
        }
    }

    fn read_direct(&self, at: u64, buf: &mut [u8]) -> Result<(), Fault> {
        if self.fits(at, buf) {
            return self.read_plain(at, buf);
        }
        let mut here = at;
        for piece in buf.chunks_mut(PIECE) {
            let bytes = piece.len() as u64;
            self.read_widened(here, piece)?;
            here = here.saturating_add(bytes);
        }
        Ok(())
    }

    /// Gives up the way past the page cache, for images on file systems without it.
    fn turn_buffered(&self) -> Result<(), Errno> {
        let flags = rustix::fs::fcntl_getfl(&self.fd)?;
        rustix::fs::fcntl_setfl(&self.fd, flags - OFlags::DIRECT)?;
        self.direct.store(false, Ordering::Release);
        Ok(())
    }
}

impl AsFd for DriveSectors {
    fn as_fd(&self) -> rustix::fd::BorrowedFd<'_> {
        self.fd.as_fd()
    }
}

/// What direct reads of a file must be multiples of, by `statx`, else 4096.
fn file_border(fd: &OwnedFd) -> u32 {
    let told = statx(fd, "", AtFlags::EMPTY_PATH, StatxFlags::DIOALIGN)
        .ok()
        .filter(|seen| StatxFlags::from_bits_retain(seen.stx_mask).contains(StatxFlags::DIOALIGN))
        .map(|seen| seen.stx_dio_offset_align);
    match told {
        Some(border) if border.is_power_of_two() => border,
        _ => 4096,
    }
}

impl Sectors for DriveSectors {
    fn sector_bytes(&self) -> u32 {
        self.sector_bytes
    }

    fn bytes(&self) -> u64 {
        self.bytes
    }

    fn read_at(&self, at: u64, buf: &mut [u8]) -> Result<(), Fault> {
        if buf.is_empty() {
            return Ok(());
        }
        let end = at.checked_add(buf.len() as u64);
        if end.is_none_or(|end| end > self.bytes) {
            return Err(Fault::new(
                FaultKind::Other,
                self.doing(at, buf.len()),
                format!("beyond its end at {}", self.bytes),
            ));
        }
        if !self.direct.load(Ordering::Acquire) {
            return self.read_plain(at, buf);
        }
        match self.read_direct(at, buf) {
            // EINVAL on an image: its file system took the flag and refuses the request.
            Err(refused)
                if self.device.is_none()
                    && refused.errno == super::fault::errno_words(Errno::INVAL) =>
            {
                self.turn_buffered()
                    .map_err(|e| self.fault_at(at, buf.len(), e))?;
                self.read_plain(at, buf)
            }
            other => other,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    #[test]
    fn an_image_is_read_at_any_place_and_never_beyond_its_end() {
        let scratch = tempfile::tempdir().unwrap();
        let path = scratch.path().join("image");
        // Odd on purpose: the last sector is cut short.
        let bytes: Vec<u8> = (0..2_300_123u32)
            .map(|n| (n.wrapping_mul(2_654_435_761) >> 24) as u8)
            .collect();
        std::fs::write(&path, &bytes).unwrap();
        let drive = DriveSectors::open(&path).unwrap();
        assert_eq!(drive.bytes(), bytes.len() as u64);
        assert_eq!(drive.sector_bytes(), 512);
        assert!(drive.kernel_read_only().is_err());
        assert!(drive.set_kernel_read_only(true).is_err());
        let config = ProptestConfig {
            failure_persistence: None,
            cases: 64,
            ..ProptestConfig::default()
        };
        proptest!(config, |(at in 0..2_300_123usize, length in 0..1_500_000usize)| {
            let length = length.min(bytes.len() - at);
            let mut buf = vec![0u8; length];
            drive.read_at(at as u64, &mut buf).unwrap();
            prop_assert!(buf == bytes[at..at + length]);
        });
        let mut buf = vec![0u8; 513];
        let end = bytes.len() as u64;
        drive.read_at(end - 513, &mut buf).unwrap();
        assert_eq!(
            drive.read_at(end - 512, &mut buf).unwrap_err().kind,
            FaultKind::Other
        );
        assert!(drive.read_at(u64::MAX, &mut buf).is_err());
        // A file that was cut is not read as zeros.
        std::fs::OpenOptions::new()
            .write(true)
            .open(&path)
            .unwrap()
            .set_len(1000)
            .unwrap();
        assert_eq!(
            drive.read_at(900, &mut buf).unwrap_err().kind,
            FaultKind::Gone
        );
        assert_eq!(
            drive.read_at(500_000, &mut buf).unwrap_err().kind,
            FaultKind::Gone
        );
    }

    #[test]
    fn what_is_no_drive_is_refused_unopened() {
        let scratch = tempfile::tempdir().unwrap();
        assert!(DriveSectors::open(scratch.path()).is_err());
        assert!(DriveSectors::open(Path::new("/dev/null")).is_err());
        let missing = DriveSectors::open(&scratch.path().join("none")).unwrap_err();
        assert_eq!(missing.kind, FaultKind::Missing);
    }
}
