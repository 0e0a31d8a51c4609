//! One open file, read at any place, past the page cache where that is asked for and possible.
//!
//! Invariant: a read either delivers what the medium (or, for buffered reads, the system) holds, or
//! a fault; falling back from direct to buffered reading never changes which bytes are delivered.

use super::beneath::{look_at_open, stamp_of};
use super::fault::fault;
use super::ioctl;
use crate::port::{Content, Fault, FaultKind, Stamp, ToldExtent, ToldForm};
use rustix::fd::{AsFd, AsRawFd, OwnedFd};
use rustix::fs::{Advice, CWD, Mode, OFlags, SeekFrom, fadvise, fsync, openat, seek};
use rustix::io::{Errno, pread};
use std::num::NonZeroU64;
use std::sync::OnceLock;

/// Buffers, lengths and offsets on this border can bypass the page cache.
///
/// Every file system in use accepts 4096; one that wants more answers EINVAL, and the file is then read buffered.
pub const BORDER: usize = 4096;

/// Most bytes that one bounced read moves.
const BOUNCE: usize = 1 << 20;

/// How reads of a file relate to the page cache.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Way {
    /// Bypass it when the request is aligned (a source).
    WhenAligned,
    /// Bypass it always, through an aligned buffer of our own if need be (reading back).
    Always,
}

/// A file open for reading.
#[derive(Debug)]
pub struct OpenFile {
    /// For messages.
    name: String,
    way: Way,
    /// The descriptor that the file was opened with.
    first: OwnedFd,
    /// Whether `first` itself bypasses the page cache.
    first_is_direct: bool,
    /// The other one, opened when first needed; `None` inside = not possible here.
    second: OnceLock<Option<OwnedFd>>,
}

impl OpenFile {
    /// A source file, opened buffered; a direct descriptor joins it at the first aligned read.
    pub(super) fn source(name: String, buffered: OwnedFd) -> Self {
        Self {
            name,
            way: Way::WhenAligned,
            first: buffered,
            first_is_direct: false,
            second: OnceLock::new(),
        }
    }

    /// A file to be read back. `fd` was opened with or without O_DIRECT, as `direct` says; without it the cached pages
    /// are made durable and dropped, so that the next read fetches them from the medium.
    pub(super) fn reading_back(name: String, fd: OwnedFd, direct: bool) -> Result<Self, Fault> {
        let file = Self {
            name,
            way: Way::Always,
            first: fd,
            first_is_direct: direct,
            second: OnceLock::new(),
        };
        if !direct {
            file.forget_cached(&file.first)?;
        }
        Ok(file)
    }

    fn forget_cached(&self, fd: &OwnedFd) -> Result<(), Fault> {
        // Dirty pages would survive the advice, so they go to the medium before it.
        fsync(fd).map_err(|e| self.fault("making durable before reading back", e))?;
        fadvise(fd, 0, None::<NonZeroU64>, Advice::DontNeed)
            .map_err(|e| self.fault("dropping from the page cache", e))
    }

    fn fault(&self, doing: &str, errno: Errno) -> Fault {
        fault(format!("{doing} '{}'", self.name), errno)
    }

    fn second(&self) -> Option<&OwnedFd> {
        self.second
            .get_or_init(|| {
                // Through /proc the very same inode is opened again, whatever its name means by now.
                let path = format!("/proc/self/fd/{}", self.first.as_raw_fd());
                let base = OFlags::RDONLY | OFlags::CLOEXEC | OFlags::NONBLOCK;
                let flags = if self.first_is_direct {
                    base
                } else {
                    base | OFlags::DIRECT
                };
                let fd = match openat(CWD, path.as_str(), flags | OFlags::NOATIME, Mode::empty()) {
                    Err(Errno::PERM) => openat(CWD, path.as_str(), flags, Mode::empty()),
                    other => other,
                }
                .ok()?;
                // Reading back without the bypass starts from an empty cache, or not at all.
                if self.way == Way::Always && self.forget_cached(&fd).is_err() {
                    return None;
                }
                Some(fd)
            })
            .as_ref()
    }

    fn direct(&self) -> Option<&OwnedFd> {
        if self.first_is_direct {
            Some(&self.first)
        } else if self.way == Way::WhenAligned {
            self.second()
        } else {
            None
        }
    }

    fn buffered(&self) -> Result<&OwnedFd, Fault> {
        if self.first_is_direct {
            let fd = self.second().ok_or_else(|| {
                Fault::new(
                    FaultKind::Other,
                    format!("opening '{}' without direct access", self.name),
                    "refused, or its cached pages could not be dropped; is /proc mounted?",
                )
            })?;
            Ok(fd)
        } else {
            Ok(&self.first)
        }
    }

    fn read_buffered(&self, at: u64, buf: &mut [u8]) -> Result<usize, Fault> {
        let fd = self.buffered()?;
        retry(|| pread(fd, &mut *buf, at)).map_err(|e| self.read_fault(at, buf.len(), e))
    }

    fn read_fault(&self, at: u64, bytes: usize, errno: Errno) -> Fault {
        fault(
            format!("reading {bytes} bytes at {at} of '{}'", self.name),
            errno,
        )
    }

    /// Reads through an aligned buffer of our own, at most [`BOUNCE`] bytes.
    fn read_bounced(&self, direct: &OwnedFd, at: u64, buf: &mut [u8]) -> Result<usize, Errno> {
        // Asking for the length is far cheaper than reading beyond it, as every reader does once.
        let left = look_at_open(direct.as_fd())?.stx_size.saturating_sub(at);
        let wanted = buf
            .len()
            .min(BOUNCE)
            .min(usize::try_from(left).unwrap_or(BOUNCE));
        if wanted == 0 {
            return Ok(0);
        }
        let border = BORDER as u64;
        let from = at - at % border;
        let before = usize::try_from(at - from).unwrap_or(0);
        let bytes = before.saturating_add(wanted).next_multiple_of(BORDER);
        let mut store = vec![0u8; bytes + BORDER];
        let start = store.as_ptr().align_offset(BORDER).min(BORDER);
        let Some(aligned) = store.get_mut(start..start + bytes) else {
            return Err(Errno::INVAL);
        };
        let got = retry(|| pread(direct, &mut *aligned, from))?;
        let useful = got.saturating_sub(before).min(wanted);
        if let (Some(to), Some(from)) =
            (buf.get_mut(..useful), aligned.get(before..before + useful))
        {
            to.copy_from_slice(from);
        }
        Ok(useful)
    }
}

/// Whether a request can go to the device as it stands.
pub(super) fn is_aligned(address: *const u8, bytes: usize, at: u64) -> bool {
    bytes > 0
        && bytes.is_multiple_of(BORDER)
        && at.is_multiple_of(BORDER as u64)
        && address.addr().is_multiple_of(BORDER)
}

/// Repeats a call that a signal interrupted.
pub(super) fn retry<T>(mut call: impl FnMut() -> Result<T, Errno>) -> Result<T, Errno> {
    loop {
        match call() {
            Err(Errno::INTR) => {}
            other => return other,
        }
    }
}

impl Content for OpenFile {
    fn stamp(&self) -> Result<Stamp, Fault> {
        look_at_open(self.first.as_fd())
            .map(|seen| stamp_of(&seen))
            .map_err(|e| self.fault("looking at", e))
    }

    fn read_at(&self, at: u64, buf: &mut [u8]) -> Result<usize, Fault> {
        if buf.is_empty() {
            return Ok(0);
        }
        let aligned = is_aligned(buf.as_ptr(), buf.len(), at);
        if (aligned || self.way == Way::Always)
            && let Some(direct) = self.direct()
        {
            let read = if aligned {
                retry(|| pread(direct, &mut *buf, at))
            } else {
                self.read_bounced(direct, at, buf)
            };
            match read {
                // Some file systems accept the flag and refuse the request.
                Err(Errno::INVAL | Errno::OPNOTSUPP) => {}
                Err(errno) => return Err(self.read_fault(at, buf.len(), errno)),
                Ok(bytes) => return Ok(bytes),
            }
        }
        self.read_buffered(at, buf)
    }

    fn data_after(&self, at: u64) -> Result<Option<(u64, u64)>, Fault> {
        let rest = || -> Result<Option<(u64, u64)>, Fault> {
            let bytes = self.stamp()?.bytes;
            Ok((at < bytes).then(|| (at, bytes - at)))
        };
        // The offset that these move is used by nothing else: every read names its own place.
        let data = match seek(&self.first, SeekFrom::Data(at)) {
            Ok(data) => data,
            Err(Errno::NXIO) => return Ok(None),
            Err(Errno::INVAL | Errno::OPNOTSUPP | Errno::NOSYS) => return rest(),
            Err(errno) => return Err(self.fault("looking for data in", errno)),
        };
        match seek(&self.first, SeekFrom::Hole(data)) {
            Ok(hole) if hole > data => Ok(Some((data, hole - data))),
            Ok(_) | Err(Errno::INVAL | Errno::OPNOTSUPP | Errno::NOSYS) => rest(),
            Err(Errno::NXIO) => Ok(None),
            Err(errno) => Err(self.fault("looking for holes in", errno)),
        }
    }

    fn extents(&self, see: &mut dyn FnMut(ToldExtent)) -> Result<(), Fault> {
        let mut from = 0u64;
        loop {
            let map = retry(|| ioctl::extents(self.first.as_fd(), from))
                .map_err(|e| self.fault("asking where it lies:", e))?;
            let told = map.extents.get(..map.mapped as usize).unwrap_or_default();
            for extent in told {
                see(told_extent(extent));
            }
            let Some(last) = told.last().filter(|last| last.flags & LAST == 0) else {
                return Ok(());
            };
            let next = last.logical.saturating_add(last.length);
            if next <= from {
                let doing = format!("asking where '{}' lies", self.name);
                let why = "the file system tells the same places again and again";
                return Err(Fault::new(FaultKind::Other, doing, why));
            }
            from = next;
        }
    }
}

/// `linux/fiemap.h`: no extent follows.
const LAST: u32 = 0x1;
/// The extent is there, its content never written.
const UNWRITTEN: u32 = 0x800;
/// Other files have it too.
const SHARED: u32 = 0x2000;
/// Put together of several by the file system; of no meaning for the place.
const MERGED: u32 = 0x1000;

/// An extent as the kernel tells it. Whatever other word stands there (place unknown, not yet on the medium, coded, within
/// metadata, off the border of a block, or one that is new) means that the bytes at that place are not the content.
fn told_extent(extent: &ioctl::Extent) -> ToldExtent {
    ToldExtent {
        from: extent.logical,
        at: extent.physical,
        bytes: extent.length,
        form: if extent.flags & !(LAST | UNWRITTEN | SHARED | MERGED) != 0 {
            ToldForm::Untold
        } else if extent.flags & UNWRITTEN != 0 {
            ToldForm::Unwritten
        } else {
            ToldForm::Plain
        },
        shared: extent.flags & SHARED != 0,
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::port::Block;

    /// Kernel documentation, "Fiemap Ioctl": the flags, and what each says of the bytes at the place.
    #[test]
    fn only_plain_extents_are_content() {
        let told = |flags| {
            let mut extent = ioctl::Extent::default();
            (extent.logical, extent.physical, extent.length) = (1, 2, 3);
            extent.flags = flags;
            let told = told_extent(&extent);
            assert_eq!((told.from, told.at, told.bytes), (1, 2, 3));
            (told.form, told.shared)
        };
        assert_eq!(told(0), (ToldForm::Plain, false));
        assert_eq!(told(0x1), (ToldForm::Plain, false));
        assert_eq!(told(0x3000), (ToldForm::Plain, true));
        assert_eq!(told(0x801), (ToldForm::Unwritten, false));
        for other in [0x2, 0x4, 0x8, 0x80, 0x100, 0x200, 0x400, 1 << 20] {
            assert_eq!(told(other).0, ToldForm::Untold, "{other:x}");
            assert_eq!(told(other | 0x800).0, ToldForm::Untold, "{other:x}");
        }
    }

    #[test]
    fn the_kernel_tells_places_that_cover_what_was_written() {
        let scratch = tempfile::tempdir().unwrap();
        let path = scratch.path().join("f");
        let file = std::fs::File::create(&path).unwrap();
        std::os::unix::fs::FileExt::write_all_at(&file, &[7; 8192], 1 << 20).unwrap();
        file.sync_all().unwrap();
        let fd = std::fs::File::open(&path).unwrap().into();
        let mut all = Vec::new();
        let asked = OpenFile::source("f".into(), fd).extents(&mut |told| all.push(told));
        if asked.is_err() {
            let name = "the_kernel_tells_places_that_cover_what_was_written";
            crate::skip::skip(name, "this file system does not tell");
            return;
        }
        let bytes: u64 = all.iter().map(|told| told.bytes).sum();
        assert!(
            bytes >= 8192 && all[0].from <= 1 << 20 && all[0].from > 0,
            "{all:?}"
        );
    }

    fn fetched() -> u64 {
        std::fs::read_to_string("/proc/self/io")
            .unwrap()
            .lines()
            .find_map(|line| line.strip_prefix("read_bytes: "))
            .unwrap()
            .parse()
            .unwrap()
    }

    #[test]
    fn reading_back_without_the_bypass_still_comes_from_the_medium() {
        let scratch = tempfile::tempdir().unwrap();
        let path = scratch.path().join("f");
        let bytes: Vec<u8> = (0..1u32 << 20).map(|n| (n >> 8) as u8 ^ n as u8).collect();
        // Written and not yet durable: the advice alone would leave it in the cache.
        std::fs::write(&path, &bytes).unwrap();
        let fd = rustix::fs::open(&path, OFlags::RDONLY, Mode::empty()).unwrap();
        let before = fetched();
        let file = OpenFile::reading_back("f".to_owned(), fd, false).unwrap();
        let mut block = Block::new(2 << 20, &|_| {});
        assert_eq!(file.read_at(0, &mut block).unwrap(), bytes.len());
        assert!(block[..bytes.len()] == bytes[..]);
        let memory = rustix::fs::statfs(scratch.path()).unwrap().f_type == 0x0102_1994;
        if memory {
            crate::skip::skip("counting bytes from the medium", "scratch lies in memory");
        } else {
            assert!(fetched() - before >= bytes.len() as u64);
        }
    }
}
