//! A file being written.
//!
//! Invariant: a write has happened in full or is a fault; padding beyond the final length never
//! stays in the file.

use super::fault::fault;
use super::open_file::{is_aligned, retry};
use crate::port::{Fault, FaultKind, Writing};
use rustix::fd::OwnedFd;
use rustix::fs::{OFlags, fcntl_getfl, fcntl_setfl, fsync, ftruncate};
use rustix::io::{Errno, pwrite};

/// Files from this size on bypass the page cache; below it the buffered way is the faster one.
const DIRECT_FROM: u64 = 128 << 10;

#[derive(Debug)]
pub(super) struct OpenWriting {
    doing: String,
    fd: OwnedFd,
    /// Where the file ends now.
    end: u64,
    direct: Direct,
    /// Make the file durable at its end, because nothing later will do it surely.
    durable_at_end: bool,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Direct {
    Off,
    On,
    /// Refused here; not tried again.
    Never,
}

impl OpenWriting {
    pub(super) fn new(doing: String, fd: OwnedFd, bytes: u64, durable_at_end: bool) -> Self {
        Self {
            doing,
            fd,
            end: 0,
            direct: if bytes >= DIRECT_FROM {
                Direct::Off
            } else {
                Direct::Never
            },
            durable_at_end,
        }
    }

    /// The same for a small file that is there, of `had` bytes, to be written over.
    pub(super) fn over(doing: String, fd: OwnedFd, had: u64, durable_at_end: bool) -> Self {
        Self {
            end: had,
            ..Self::new(doing, fd, 0, durable_at_end)
        }
    }

    fn fault(&self, errno: Errno) -> Fault {
        fault(self.doing.clone(), errno)
    }

    /// Turns the bypass on or off for the writes to come. The descriptor is ours alone.
    fn turn(&mut self, on: bool) -> Result<(), Errno> {
        let flags = fcntl_getfl(&self.fd)?;
        let wanted = if on {
            flags | OFlags::DIRECT
        } else {
            flags - OFlags::DIRECT
        };
        fcntl_setfl(&self.fd, wanted)?;
        self.direct = if on { Direct::On } else { Direct::Off };
        Ok(())
    }

    fn write_all(&mut self, at: u64, bytes: &[u8]) -> Result<(), Errno> {
        let mut done = 0usize;
        while let Some(rest) = bytes.get(done..).filter(|rest| !rest.is_empty()) {
            let here = at.checked_add(done as u64).ok_or(Errno::FBIG)?;
            let aligned = is_aligned(rest.as_ptr(), rest.len(), here);
            if self.direct == Direct::Off && aligned && self.turn(true).is_err() {
                self.direct = Direct::Never;
            } else if self.direct == Direct::On && !aligned {
                self.turn(false)?;
            }
            match retry(|| pwrite(&self.fd, rest, here)) {
                Ok(0) => return Err(Errno::IO),
                Ok(wrote) => done = done.saturating_add(wrote),
                Err(Errno::INVAL | Errno::OPNOTSUPP) if self.direct == Direct::On => {
                    self.turn(false)?;
                    self.direct = Direct::Never;
                }
                Err(errno) => return Err(errno),
            }
        }
        Ok(())
    }
}

impl Writing for OpenWriting {
    fn write_at(&mut self, at: u64, bytes: &[u8]) -> Result<(), Fault> {
        self.write_all(at, bytes).map_err(|e| self.fault(e))?;
        self.end = self.end.max(at.saturating_add(bytes.len() as u64));
        Ok(())
    }

    fn settle(&mut self) -> Result<(), Fault> {
        fsync(&self.fd).map_err(|e| self.fault(e))
    }

    fn finish(self: Box<Self>, bytes: u64) -> Result<(), Fault> {
        if bytes != self.end {
            ftruncate(&self.fd, bytes).map_err(|e| {
                // The length is refused, not the request as such.
                let mut refused = self.fault(e);
                if e == Errno::INVAL {
                    refused.kind = FaultKind::CannotHold;
                }
                refused
            })?;
        }
        if self.durable_at_end {
            fsync(&self.fd).map_err(|e| self.fault(e))?;
        }
        Ok(())
    }
}
