//! Requests to block devices and file systems that have no safe wrapper.
//!
//! Invariant: one function per request; each only reads, except the one that sets the kernel's read-only flag and those that put
//! devices of memory together (loop, device mapper), which reach no drive.

use rustix::fd::{AsRawFd, BorrowedFd};
use rustix::io::Errno;
use rustix::ioctl::{Getter, Ioctl, IoctlOutput, Opcode, Setter, Updater, ioctl};
use std::ffi::{c_int, c_void};

/// `linux/fs.h`: `_IO(0x12, 93)`, pointer to int.
const BLKROSET: Opcode = 0x125d;
/// `linux/fs.h`: `_IO(0x12, 94)`, pointer to int.
const BLKROGET: Opcode = 0x125e;
/// `linux/fs.h`: `_IOR(0x12, 114, size_t)`.
const BLKGETSIZE64: Opcode = 0x8008_1272;
/// `linux/fs.h`: `_IOR(0x12, 128, __u64)`, since Linux 5.15.
const BLKGETDISKSEQ: Opcode = 0x8008_1280;
/// `linux/fs.h`: `_IOR(0x15, 0, struct fsuuid2)`, since Linux 6.9.
const FS_IOC_GETFSUUID: Opcode = 0x8011_1500;

/// `linux/fs.h`: `_IOWR('f', 11, struct fiemap)`.
const FS_IOC_FIEMAP: Opcode = 0xc020_660b;
/// `linux/loop.h`, since Linux 5.8.
const LOOP_CONFIGURE: Opcode = 0x4c0a;
/// `linux/loop.h`.
const LOOP_CTL_GET_FREE: Opcode = 0x4c82;

/// `struct fsuuid2` of `linux/fs.h`.
#[repr(C)]
#[derive(Debug, Clone, Copy)]
struct FileSystemUuid {
    bytes: u8,
    uuid: [u8; 16],
}

/// `struct fiemap_extent` of `linux/fiemap.h`.
#[repr(C)]
#[derive(Debug, Clone, Copy, Default)]
pub(super) struct Extent {
    /// First byte of the content.
    pub logical: u64,
    /// First byte on the device.
    pub physical: u64,
    /// Length in bytes.
    pub length: u64,
    reserved: [u64; 2],
    /// `FIEMAP_EXTENT_…`.
    pub flags: u32,
    reserved_too: [u32; 3],
}

/// Extents told by one request.
pub(super) const EXTENTS: usize = 128;

/// `struct fiemap` of `linux/fiemap.h`, with room for [`EXTENTS`].
#[repr(C)]
#[derive(Debug, Clone, Copy)]
pub(super) struct ExtentMap {
    /// First byte of the content that is asked for.
    pub start: u64,
    /// Length that is asked for.
    pub length: u64,
    flags: u32,
    /// How many extents were told.
    pub mapped: u32,
    room: u32,
    reserved: u32,
    /// The extents.
    pub extents: [Extent; EXTENTS],
}

/// `struct loop_config` of `linux/loop.h` with the `struct loop_info64` within it.
#[repr(C)]
#[derive(Debug, Clone, Copy)]
pub(super) struct LoopConfig {
    fd: u32,
    block_size: u32,
    device: u64,
    inode: u64,
    rdevice: u64,
    offset: u64,
    sizelimit: u64,
    number: u32,
    encrypt_type: u32,
    encrypt_key_size: u32,
    flags: u32,
    names: [u8; 160],
    init: [u64; 2],
    reserved: [u64; 8],
}

/// `struct dm_ioctl` of `linux/dm-ioctl.h`, and room for what follows it.
#[repr(C)]
#[derive(Debug, Clone, Copy)]
pub(super) struct MapperRequest {
    /// Version of the interface that is meant.
    pub version: [u32; 3],
    /// Bytes of the whole request.
    pub data_size: u32,
    /// Where what follows begins.
    pub data_start: u32,
    /// Targets that follow.
    pub target_count: u32,
    /// Who has the device open.
    pub open_count: i32,
    /// `DM_…_FLAG`.
    pub flags: u32,
    /// Goes to the listeners of the kernel's events.
    pub event_nr: u32,
    padding: u32,
    /// The device's number.
    pub dev: u64,
    /// Its name.
    pub name: [u8; 128],
    uuid: [u8; 129],
    data: [u8; 7],
    /// What follows.
    pub rest: [u8; MAPPER_ROOM],
}

/// Room behind `struct dm_ioctl`.
pub(super) const MAPPER_ROOM: usize = 16_384 - MAPPER_HEAD;
/// Bytes of `struct dm_ioctl`.
pub(super) const MAPPER_HEAD: usize = 312;

impl MapperRequest {
    /// An empty request.
    pub fn new() -> Self {
        Self {
            version: [4, 0, 0],
            data_size: (MAPPER_HEAD + MAPPER_ROOM) as u32,
            data_start: MAPPER_HEAD as u32,
            target_count: 0,
            open_count: 0,
            flags: 0,
            event_nr: 0,
            padding: 0,
            dev: 0,
            name: [0; 128],
            uuid: [0; 129],
            data: [0; 7],
            rest: [0; MAPPER_ROOM],
        }
    }
}

/// Size of a block device in bytes.
#[allow(unsafe_code)]
pub(super) fn device_bytes(fd: BorrowedFd<'_>) -> Result<u64, Errno> {
    // SAFETY: the kernel writes one u64, and does so on block devices only; others refuse.
    unsafe { ioctl(fd, Getter::<BLKGETSIZE64, u64>::new()) }
}

/// Whether the kernel's read-only flag is set.
#[allow(unsafe_code)]
pub(super) fn is_read_only(fd: BorrowedFd<'_>) -> Result<bool, Errno> {
    // SAFETY: the kernel writes one int.
    unsafe { ioctl(fd, Getter::<BLKROGET, c_int>::new()) }.map(|flag| flag != 0)
}

/// Sets or lifts the kernel's read-only flag of a block device.
#[allow(unsafe_code)]
pub(super) fn set_read_only(fd: BorrowedFd<'_>, read_only: bool) -> Result<(), Errno> {
    // SAFETY: the kernel reads one int.
    unsafe { ioctl(fd, Setter::<BLKROSET, c_int>::new(c_int::from(read_only))) }
}

/// The number that changes whenever another disk takes the name.
#[allow(unsafe_code)]
pub(super) fn disk_sequence(fd: BorrowedFd<'_>) -> Result<u64, Errno> {
    // SAFETY: the kernel writes one u64.
    unsafe { ioctl(fd, Getter::<BLKGETDISKSEQ, u64>::new()) }
}

/// The UUID of the file system that holds an open file or folder, where the kernel tells it.
pub(super) fn file_system_uuid(fd: BorrowedFd<'_>) -> Option<Vec<u8>> {
    let told = ask_file_system_uuid(fd).ok()?;
    let uuid = told.uuid.get(..usize::from(told.bytes))?;
    uuid.iter().any(|byte| *byte != 0).then(|| uuid.to_vec())
}

#[allow(unsafe_code)]
fn ask_file_system_uuid(fd: BorrowedFd<'_>) -> Result<FileSystemUuid, Errno> {
    // SAFETY: the kernel writes the 17 bytes of struct fsuuid2; any bytes are a valid value of it.
    unsafe { ioctl(fd, Getter::<FS_IOC_GETFSUUID, FileSystemUuid>::new()) }
}

/// Where the content of an open file lies, from byte `start` on.
#[allow(unsafe_code)]
pub(super) fn extents(fd: BorrowedFd<'_>, start: u64) -> Result<ExtentMap, Errno> {
    let mut map = ExtentMap {
        start,
        length: u64::MAX - start,
        flags: 0,
        mapped: 0,
        room: EXTENTS as u32,
        reserved: 0,
        extents: [Extent::default(); EXTENTS],
    };
    // SAFETY: the kernel reads and writes struct fiemap, and as many extents behind it as `room` says, which is their number.
    unsafe { ioctl(fd, Updater::<FS_IOC_FIEMAP, ExtentMap>::new(&mut map)) }?;
    Ok(map)
}

/// The request for a loop device that nobody has: answered by its number.
struct FreeLoop;

// SAFETY: it takes no argument and touches no memory; the answer is the return value.
#[allow(unsafe_code)]
unsafe impl Ioctl for FreeLoop {
    type Output = c_int;
    const IS_MUTATING: bool = false;
    fn opcode(&self) -> Opcode {
        LOOP_CTL_GET_FREE
    }
    fn as_ptr(&mut self) -> *mut c_void {
        std::ptr::null_mut()
    }
    unsafe fn output_from_ptr(out: IoctlOutput, _: *mut c_void) -> Result<c_int, Errno> {
        Ok(out)
    }
}

/// Number of a loop device that nobody has.
#[allow(unsafe_code)]
pub(super) fn free_loop(control: BorrowedFd<'_>) -> Result<u32, Errno> {
    // SAFETY: as the implementation says.
    let number = unsafe { ioctl(control, FreeLoop) }?;
    u32::try_from(number).map_err(|_| Errno::NODEV)
}

/// Puts `bytes` bytes of the file `behind`, from `offset` on, behind a loop device that lasts as long as somebody has it open.
#[allow(unsafe_code)]
pub(super) fn set_loop(
    device: BorrowedFd<'_>,
    behind: BorrowedFd<'_>,
    offset: u64,
    bytes: u64,
    read_only: bool,
) -> Result<(), Errno> {
    // `linux/loop.h`: LO_FLAGS_AUTOCLEAR; LO_FLAGS_READ_ONLY, and LO_FLAGS_DIRECT_IO, so that a weak drive is asked for no more
    // than is wanted of it (the kernel leaves that out where it cannot).
    let flags = 4 | if read_only { 1 | 16 } else { 0 };
    let config = LoopConfig {
        fd: u32::try_from(behind.as_raw_fd()).map_err(|_| Errno::BADF)?,
        block_size: 0,
        device: 0,
        inode: 0,
        rdevice: 0,
        offset,
        sizelimit: bytes,
        number: 0,
        encrypt_type: 0,
        encrypt_key_size: 0,
        flags,
        names: [0; 160],
        init: [0; 2],
        reserved: [0; 8],
    };
    // SAFETY: the kernel reads struct loop_config, which holds no pointers.
    unsafe { ioctl(device, Setter::<LOOP_CONFIGURE, LoopConfig>::new(config)) }
}

/// One request to the device mapper: `linux/dm-ioctl.h`, `_IOWR(0xfd, number, struct dm_ioctl)`.
#[allow(unsafe_code)]
pub(super) fn mapper<const OPCODE: Opcode>(
    control: BorrowedFd<'_>,
    request: &mut MapperRequest,
) -> Result<(), Errno> {
    request.data_size = (MAPPER_HEAD + MAPPER_ROOM) as u32;
    // SAFETY: the kernel reads and writes at most `data_size` bytes from the request's start, which is its size.
    unsafe { ioctl(control, Updater::<OPCODE, MapperRequest>::new(request)) }
}

#[cfg(test)]
mod tests {
    use super::*;
    use rustix::ioctl::opcode;

    #[test]
    fn numbers_follow_from_direction_group_number_and_size() {
        assert_eq!(BLKROSET, opcode::none(0x12, 93));
        assert_eq!(BLKROGET, opcode::none(0x12, 94));
        assert_eq!(BLKGETSIZE64, opcode::read::<usize>(0x12, 114));
        assert_eq!(BLKGETDISKSEQ, opcode::read::<u64>(0x12, 128));
        assert_eq!(FS_IOC_GETFSUUID, opcode::read::<FileSystemUuid>(0x15, 0));
        assert_eq!(size_of::<FileSystemUuid>(), 17);
        let head = size_of::<ExtentMap>() - EXTENTS * size_of::<Extent>();
        assert_eq!((head, size_of::<Extent>()), (32, 56));
        assert_eq!(FS_IOC_FIEMAP, opcode::read_write::<[u64; 4]>(b'f', 11));
        assert_eq!(size_of::<LoopConfig>(), 8 + 232 + 64);
        assert_eq!(size_of::<MapperRequest>(), 16_384);
        assert_eq!(std::mem::offset_of!(MapperRequest, dev), 40);
        assert_eq!(std::mem::offset_of!(MapperRequest, name), 48);
        assert_eq!(std::mem::offset_of!(MapperRequest, rest), MAPPER_HEAD);
    }
}
