//! The device mapper: a volume with a scratch above it, as one device that is gone when nobody has it open any more.
//!
//! Requests and their order: `linux/dm-ioctl.h`, and the kernel's documentation "Device-mapper snapshot support".
//!
//! Invariant: the device is told to go by itself as soon as it is open, before anything is on it; one that a process left behind
//! in the instant between is taken away by the next.

use super::fault::fault;
use super::ioctl::{MAPPER_ROOM, MapperRequest, mapper};
use crate::port::{Fault, FaultKind};
use rustix::fd::{AsFd, BorrowedFd, OwnedFd};
use rustix::fs::{Mode, OFlags, fstat, makedev, open};
use rustix::io::Errno;
use rustix::ioctl::Opcode;
use std::sync::atomic::{AtomicU32, Ordering};
use std::time::Duration;

/// `_IOWR(0xfd, number, struct dm_ioctl)`.
const fn request(number: u32) -> Opcode {
    0xc138_fd00 | number as Opcode
}
const LIST_DEVICES: Opcode = request(2);
const DEV_CREATE: Opcode = request(3);
const DEV_REMOVE: Opcode = request(4);
const DEV_SUSPEND: Opcode = request(6);
const DEV_STATUS: Opcode = request(7);
const TABLE_LOAD: Opcode = request(9);

/// `DM_DEFERRED_REMOVE`.
const WHEN_CLOSED: u32 = 1 << 17;
/// What udev's rules are told, as `libdevmapper.h` has it: no links, no look into it, no mounting of it.
const LEFT_ALONE: u32 = 0xf << 16;
/// Names of our devices; behind it the process and a count.
const NAMED: &str = "holdpoint-above-";
/// Sectors that are kept at once when one of them is written.
const CHUNK: u32 = 8;

static COUNT: AtomicU32 = AtomicU32::new(0);

/// A device of the mapper, open.
pub(super) struct Mapped {
    control: OwnedFd,
    name: String,
    device: Option<OwnedFd>,
}

/// The device mapper's own node.
pub(super) fn control() -> Result<OwnedFd, Fault> {
    let flags = OFlags::RDWR | OFlags::CLOEXEC;
    let doing = "opening the device mapper (/dev/mapper/control)";
    open("/dev/mapper/control", flags, Mode::empty()).map_err(|e| fault(doing, e))
}

impl Mapped {
    /// `bytes` bytes of the device `below`, as if they could be written: what is written goes to the device `above`.
    pub fn above_scratch(
        control: OwnedFd,
        bytes: u64,
        below: BorrowedFd<'_>,
        above: BorrowedFd<'_>,
    ) -> Result<Self, Fault> {
        let doing = |what: &str| format!("{what} a device above a scratch");
        take_left_behind_away(control.as_fd());
        let count = COUNT.fetch_add(1, Ordering::Relaxed);
        let name = format!("{NAMED}{}-{count}", std::process::id());
        let mut made = named(&name);
        mapper::<DEV_CREATE>(control.as_fd(), &mut made).map_err(|e| fault(doing("making"), e))?;
        let number = made.dev;
        let mut mapped = Self {
            control,
            name,
            device: None,
        };
        let outcome = mapped.fill(number, bytes / 512, below, above);
        match outcome {
            Ok(()) => Ok(mapped),
            Err((what, errno)) => {
                // Not open it does not go by itself.
                if mapped.device.is_none() {
                    let _ = mapper::<DEV_REMOVE>(mapped.control.as_fd(), &mut named(&mapped.name));
                }
                Err(fault(doing(what), errno))
            }
        }
    }

    fn fill(
        &mut self,
        number: u64,
        sectors: u64,
        below: BorrowedFd<'_>,
        above: BorrowedFd<'_>,
    ) -> Result<(), (&'static str, Errno)> {
        let control = self.control.as_fd();
        let (below, above) = (
            number_of(below).map_err(|e| ("looking below", e))?,
            number_of(above).map_err(|e| ("looking above", e))?,
        );
        let mut table = named(&self.name);
        table.target_count = 1;
        let what = format!("{below} {above} N {CHUNK}");
        if !target(&mut table.rest, sectors, "snapshot", &what) {
            return Err(("describing", Errno::TOOBIG));
        }
        mapper::<TABLE_LOAD>(control, &mut table).map_err(|e| ("describing", e))?;
        // The kernel makes the node by itself; one of another device must not pass for it.
        let (major, minor) = (
            (number >> 8) & 0xfff,
            (number & 0xff) | ((number >> 12) & !0xff),
        );
        let flags = OFlags::RDONLY | OFlags::CLOEXEC | OFlags::NONBLOCK;
        let device =
            open(format!("/dev/dm-{minor}"), flags, Mode::empty()).map_err(|e| ("opening", e))?;
        let seen = fstat(&device).map_err(|e| ("opening", e))?;
        if seen.st_rdev != makedev(major as u32, minor as u32) {
            return Err(("opening", Errno::NXIO));
        }
        let mut going = named(&self.name);
        going.flags = WHEN_CLOSED;
        going.event_nr = LEFT_ALONE;
        mapper::<DEV_REMOVE>(control, &mut going).map_err(|e| ("giving up", e))?;
        self.device = Some(device);
        let mut on = named(&self.name);
        on.event_nr = LEFT_ALONE;
        mapper::<DEV_SUSPEND>(control, &mut on).map_err(|e| ("starting", e))
    }

    /// The open device.
    pub fn device(&self) -> Result<BorrowedFd<'_>, Fault> {
        let device = self.device.as_ref().map(|device| device.as_fd());
        let doing = "using a device above a scratch";
        device.ok_or_else(|| Fault::new(FaultKind::Gone, doing, "not open"))
    }
}

impl Drop for Mapped {
    /// Closes it and waits until it is gone, so that the drive below is free when we say that we are done.
    fn drop(&mut self) {
        drop(self.device.take());
        for _ in 0..200 {
            if mapper::<DEV_STATUS>(self.control.as_fd(), &mut named(&self.name)).is_err() {
                return;
            }
            std::thread::sleep(Duration::from_millis(10));
        }
    }
}

fn named(name: &str) -> MapperRequest {
    let mut request = MapperRequest::new();
    // The last byte stays NUL.
    for (to, from) in request.name.iter_mut().take(127).zip(name.bytes()) {
        *to = from;
    }
    request
}

/// `major:minor` of an open device.
fn number_of(device: BorrowedFd<'_>) -> Result<String, Errno> {
    let number = fstat(device)?.st_rdev;
    Ok(format!(
        "{}:{}",
        rustix::fs::major(number),
        rustix::fs::minor(number)
    ))
}

/// Writes a `struct dm_target_spec` and its words; `false` = no room.
fn target(rest: &mut [u8; MAPPER_ROOM], sectors: u64, kind: &str, words: &str) -> bool {
    let mut raw = Vec::new();
    raw.extend(0u64.to_ne_bytes());
    raw.extend(sectors.to_ne_bytes());
    raw.extend(0i32.to_ne_bytes());
    let whole = (40 + words.len() + 1).next_multiple_of(8);
    raw.extend((whole as u32).to_ne_bytes());
    raw.extend(kind.bytes().take(15));
    raw.resize(40, 0);
    raw.extend(words.bytes());
    raw.resize(whole, 0);
    match rest.get_mut(..raw.len()) {
        Some(room) => {
            room.copy_from_slice(&raw);
            true
        }
        None => false,
    }
}

/// Takes away what processes that are no more left behind. The mapper itself refuses where one is open.
fn take_left_behind_away(control: BorrowedFd<'_>) {
    let mut list = MapperRequest::new();
    if mapper::<LIST_DEVICES>(control, &mut list).is_err() {
        return;
    }
    for name in names(&list.rest) {
        let process = name
            .strip_prefix(NAMED)
            .and_then(|rest| rest.split('-').next());
        let gone = process.is_some_and(|id| !std::path::Path::new("/proc").join(id).exists());
        if gone && std::path::Path::new("/proc/self").exists() {
            let _ = mapper::<DEV_REMOVE>(control, &mut named(&name));
        }
    }
}

/// The names of a list of devices (`struct dm_name_list`: number, place of the next one, name).
fn names(list: &[u8]) -> Vec<String> {
    let mut out = Vec::new();
    let mut at = 0usize;
    while let Some(raw) = list.get(at..).filter(|raw| raw.len() > 12) {
        let next = raw
            .get(8..12)
            .and_then(|raw| raw.try_into().ok())
            .map_or(0, u32::from_ne_bytes);
        let name = raw.get(12..).unwrap_or_default();
        let name = name.split(|byte| *byte == 0).next().unwrap_or_default();
        out.push(String::from_utf8_lossy(name).into_owned());
        if next < 12 {
            break;
        }
        at = at.saturating_add(next as usize);
    }
    out
}

#[cfg(test)]
mod tests {
    use super::*;
    use rustix::ioctl::opcode;

    #[test]
    fn requests_and_targets_are_those_of_the_header() {
        type Head = [u64; 39];
        for (number, code) in [(2, LIST_DEVICES), (3, DEV_CREATE), (9, TABLE_LOAD)] {
            assert_eq!(code, opcode::read_write::<Head>(0xfd, number));
        }
        let mut rest = [0u8; MAPPER_ROOM];
        assert!(target(&mut rest, 2048, "snapshot", "7:0 7:1 N 8"));
        assert_eq!(rest[8..16], 2048u64.to_ne_bytes());
        assert_eq!(rest[20..24], 56u32.to_ne_bytes());
        assert_eq!(&rest[24..33], b"snapshot\0");
        assert_eq!(&rest[40..52], b"7:0 7:1 N 8\0");
        let long = "x".repeat(MAPPER_ROOM);
        assert!(!target(&mut rest, 1, "snapshot", &long));
        let request = named(&"n".repeat(200));
        assert_eq!(request.name[126..], [b'n', 0]);
    }

    #[test]
    fn lists_of_names_end_whatever_they_say() {
        let mut list = Vec::new();
        for (name, next) in [("one", 24u32), ("holdpoint-above-12-0", 0)] {
            list.extend(7u64.to_ne_bytes());
            list.extend(next.to_ne_bytes());
            list.extend(name.bytes());
            list.resize(list.len().next_multiple_of(24), 0);
        }
        assert_eq!(names(&list), ["one", "holdpoint-above-12-0"]);
        assert_eq!(names(&[]), Vec::<String>::new());
        assert_eq!(names(&[0; 13]), [""]);
        assert!(names(&[0xff; 40]).len() < 40);
    }
}
