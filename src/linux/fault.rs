//! What the kernel's error numbers mean to the engine.
//!
//! Invariant: every failed call ends as a [`Fault`] that names what was tried and on what; only
//! errors that say so are taken as "the drive is gone".

use crate::port::{Fault, FaultKind};
use rustix::io::Errno;

/// The kind of fault that an error number stands for.
pub(super) fn kind_of(errno: Errno) -> FaultKind {
    match errno {
        Errno::IO | Errno::NODATA | Errno::REMOTEIO | Errno::ILSEQ | Errno::NOLINK => {
            FaultKind::Refused
        }
        Errno::TIMEDOUT => FaultKind::NoAnswer,
        Errno::NODEV | Errno::NXIO | Errno::STALE | Errno::NOTCONN | Errno::NOMEDIUM => {
            FaultKind::Gone
        }
        Errno::NOENT | Errno::NOTDIR => FaultKind::Missing,
        Errno::EXIST => FaultKind::Exists,
        Errno::NOSPC | Errno::DQUOT => FaultKind::Full,
        Errno::ROFS => FaultKind::ReadOnly,
        Errno::ACCESS | Errno::PERM => FaultKind::Denied,
        Errno::NAMETOOLONG | Errno::FBIG | Errno::OVERFLOW => FaultKind::CannotHold,
        _ => FaultKind::Other,
    }
}

/// A fault from a failed system call.
pub(super) fn fault(doing: impl Into<String>, errno: Errno) -> Fault {
    Fault::new(kind_of(errno), doing, errno_words(errno))
}

/// A fault from a failed call whose error, when it is EINVAL, means that the *name* is not possible here.
pub(super) fn name_fault(doing: impl Into<String>, errno: Errno) -> Fault {
    let kind = match errno {
        // FAT and its relatives answer so for names with reserved characters.
        Errno::INVAL | Errno::ILSEQ => FaultKind::CannotHold,
        other => kind_of(other),
    };
    Fault::new(kind, doing, errno_words(errno))
}

/// A fault from the standard library's error.
pub fn io_fault(doing: impl Into<String>, error: &std::io::Error) -> Fault {
    match Errno::from_io_error(error) {
        Some(errno) => fault(doing, errno),
        None => Fault::new(FaultKind::Other, doing, error.to_string()),
    }
}

/// Name and meaning of an error number: `ENOSPC (no space left)`.
pub(super) fn errno_words(errno: Errno) -> String {
    let (name, words) = match errno {
        Errno::ACCESS => ("EACCES", "permission refused"),
        Errno::AGAIN => ("EAGAIN", "busy, try again"),
        Errno::BADF => ("EBADF", "bad descriptor"),
        Errno::BUSY => ("EBUSY", "in use"),
        Errno::DQUOT => ("EDQUOT", "quota used up"),
        Errno::EXIST => ("EEXIST", "already there"),
        Errno::FBIG => ("EFBIG", "too large for this file system"),
        Errno::ILSEQ => ("EILSEQ", "protection or character error"),
        Errno::INVAL => ("EINVAL", "not possible here"),
        Errno::IO => ("EIO", "input/output error"),
        Errno::ISDIR => ("EISDIR", "is a folder"),
        Errno::LOOP => ("ELOOP", "is a link, or too many links"),
        Errno::MFILE => ("EMFILE", "too many open files in this program"),
        Errno::MLINK => ("EMLINK", "too many names for one file"),
        Errno::NAMETOOLONG => ("ENAMETOOLONG", "name too long"),
        Errno::NFILE => ("ENFILE", "too many open files in the system"),
        Errno::NODATA => ("ENODATA", "medium error"),
        Errno::NODEV => ("ENODEV", "no such device"),
        Errno::NOENT => ("ENOENT", "not there"),
        Errno::NOLINK => ("ENOLINK", "transport error"),
        Errno::NOMEDIUM => ("ENOMEDIUM", "no medium"),
        Errno::NOMEM => ("ENOMEM", "out of memory"),
        Errno::NOSPC => ("ENOSPC", "no space left"),
        Errno::NOSYS => ("ENOSYS", "not known to this kernel"),
        Errno::NOTCONN => ("ENOTCONN", "not connected"),
        Errno::NOTDIR => ("ENOTDIR", "is no folder"),
        Errno::NOTEMPTY => ("ENOTEMPTY", "folder is not empty"),
        Errno::NOTTY => ("ENOTTY", "the device does not know this request"),
        Errno::NXIO => ("ENXIO", "no such device or address"),
        Errno::OPNOTSUPP => ("EOPNOTSUPP", "not supported here"),
        Errno::OVERFLOW => ("EOVERFLOW", "value too large"),
        Errno::PERM => ("EPERM", "not permitted"),
        Errno::REMOTEIO => ("EREMOTEIO", "error in the device"),
        Errno::ROFS => ("EROFS", "file system is read-only"),
        Errno::STALE => ("ESTALE", "file is gone on the server"),
        Errno::TIMEDOUT => ("ETIMEDOUT", "timed out"),
        Errno::TXTBSY => ("ETXTBSY", "is being run"),
        Errno::XDEV => ("EXDEV", "lies on another mount"),
        other => {
            return format!(
                "error {} ({})",
                other.raw_os_error(),
                std::io::Error::from(other)
            );
        }
    };
    format!("{name} ({words})")
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn only_errors_that_say_so_mean_that_the_drive_is_gone() {
        // Block status to errno: Linux Documentation/block and block/blk-core.c (6.1): medium ENODATA,
        // target EREMOTEIO, timeout ETIMEDOUT, transport ENOLINK, protection EILSEQ, offline ENODEV, rest EIO.
        for errno in [
            Errno::IO,
            Errno::NODATA,
            Errno::REMOTEIO,
            Errno::ILSEQ,
            Errno::NOLINK,
        ] {
            assert_eq!(kind_of(errno), FaultKind::Refused, "{errno:?}");
        }
        for errno in [Errno::NODEV, Errno::NXIO, Errno::STALE, Errno::NOTCONN] {
            assert_eq!(kind_of(errno), FaultKind::Gone, "{errno:?}");
        }
        assert_eq!(kind_of(Errno::TIMEDOUT), FaultKind::NoAnswer);
    }

    #[test]
    fn an_impossible_name_is_told_from_other_invalid_requests() {
        assert_eq!(
            name_fault("creating a:b", Errno::INVAL).kind,
            FaultKind::CannotHold
        );
        assert_eq!(fault("reading", Errno::INVAL).kind, FaultKind::Other);
    }

    #[test]
    fn unknown_numbers_are_still_told() {
        assert!(errno_words(Errno::from_raw_os_error(131)).starts_with("error 131 ("));
    }
}
