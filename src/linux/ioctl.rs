//! Requests to block devices and file systems that have no safe wrapper.
//!
//! Invariant: one function per request; each only reads, except the one that sets the kernel's read-only flag.

use rustix::fd::BorrowedFd;
use rustix::io::Errno;
use rustix::ioctl::{Getter, Opcode, Setter, ioctl};
use std::ffi::c_int;

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

/// `struct fsuuid2` of `linux/fs.h`.
#[repr(C)]
#[derive(Debug, Clone, Copy)]
struct FileSystemUuid {
    bytes: u8,
    uuid: [u8; 16],
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
    }
}
