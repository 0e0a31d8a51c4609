//! A stretch of the file table in memory, so that records are read in large requests.
//!
//! Invariant: each record is fixed up once; one that was not read, or that belongs elsewhere, says so.

use super::super::record::{self, BadRecord, Header};
use super::{NoRecord, WINDOW};
use crate::port::{Fault, Sectors};
use crate::volume::stored::{Narrow, Ranges, Stored};

/// A stretch of the table in memory.
pub struct Window {
    at: u64,
    bytes: Vec<u8>,
    missing: Ranges,
    /// Records of this window that were fixed already.
    fixed: Vec<bool>,
}

impl Window {
    /// An empty one.
    pub fn new() -> Self {
        Self {
            at: 0,
            bytes: Vec::new(),
            missing: Ranges::new(),
            fixed: Vec::new(),
        }
    }

    pub(super) fn end(&self) -> u64 {
        self.at.saturating_add(self.bytes.len() as u64)
    }

    pub(super) fn holds(&self, at: u64, record_bytes: u32) -> bool {
        at >= self.at && at.saturating_add(record_bytes.into()) <= self.end()
    }

    pub(super) fn load(
        &mut self,
        sectors: &dyn Sectors,
        stored: &Stored,
        at: u64,
        end: u64,
    ) -> Result<(), Fault> {
        let bytes = usize::try_from(WINDOW.min(end.saturating_sub(at))).unwrap_or(0);
        self.at = at;
        self.bytes.resize(bytes, 0);
        self.missing.clear();
        self.fixed.clear();
        self.fixed.resize(bytes / 512 + 1, false);
        let narrow = Narrow {
            request_bytes: WINDOW as u32,
            finest_bytes: 0,
        };
        stored.read(sectors, at, &mut self.bytes, narrow, &mut self.missing)
    }

    pub(super) fn record(
        &mut self,
        at: u64,
        record_bytes: u32,
    ) -> Result<(&[u8], Header), NoRecord> {
        let end = at.saturating_add(record_bytes.into());
        let torn = self
            .missing
            .iter()
            .any(|(from, bytes)| *from < end && from.saturating_add(*bytes) > at);
        if torn {
            return Err(NoRecord::Unread);
        }
        let into = usize::try_from(at.saturating_sub(self.at)).unwrap_or(usize::MAX);
        let bytes = into
            .checked_add(record_bytes as usize)
            .and_then(|end| self.bytes.get_mut(into..end))
            .ok_or(NoRecord::Unread)?;
        let fixed = self.fixed.get_mut(into / 512).ok_or(NoRecord::Unread)?;
        if !*fixed {
            record::fix(bytes).map_err(NoRecord::Bad)?;
            *fixed = true;
        }
        let head = record::header(bytes).map_err(NoRecord::Bad)?;
        // A record that stands where another belongs: the table's own place is wrong.
        let number = at / u64::from(record_bytes);
        if head
            .own
            .is_some_and(|own| u64::from(own) != number & 0xFFFF_FFFF)
        {
            return Err(NoRecord::Bad(BadRecord::Header));
        }
        Ok((bytes, head))
    }
}
