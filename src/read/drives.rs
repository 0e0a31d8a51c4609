//! Items that lie on drives: their layouts over sectors.

use super::content::ContentReader;
use super::places::Place;
use super::source::{Opener, Source};
use crate::ledger::ItemRow;
use crate::port::{Content, Fault, FaultKind, Sectors, Stamp};
use crate::volume::layout::Layout;
use std::collections::HashMap;
use std::sync::Arc;

/// A drive that is not here: what is known of its size, and no byte of it.
pub struct Away {
    /// Bytes of a sector.
    pub sector_bytes: u32,
    /// Bytes of the drive.
    pub bytes: u64,
    /// Why it is not here.
    pub why: String,
}

impl Sectors for Away {
    fn sector_bytes(&self) -> u32 {
        self.sector_bytes
    }

    fn bytes(&self) -> u64 {
        self.bytes
    }

    fn read_at(&self, at: u64, buf: &mut [u8]) -> Result<(), Fault> {
        let doing = format!("reading {} bytes at {at} of the drive", buf.len());
        Err(Fault::new(FaultKind::Gone, doing, self.why.clone()))
    }
}

/// Drives and the volumes on them.
pub struct DriveSource {
    /// Sectors of each drive of the job, by number.
    pub drives: Vec<Arc<dyn Sectors>>,
    /// The drive that a volume lies on, by the volume's number.
    pub volumes: HashMap<i64, usize>,
    /// Why a drive is not here, by number; `None` = it is. Only its salvage image can be read then ([`Away`]).
    pub away: Vec<Option<String>>,
}

impl Source for DriveSource {
    fn opener(&self) -> Box<dyn Opener + '_> {
        Box::new(DriveOpener { source: self })
    }

    fn has_stamps(&self) -> bool {
        // A drive on hold does not change; its fingerprint is compared instead.
        false
    }
}

struct DriveOpener<'a> {
    source: &'a DriveSource,
}

impl Opener for DriveOpener<'_> {
    fn open(&mut self, item: &ItemRow, _: &Arc<Place>) -> Result<Box<dyn Content>, Fault> {
        let doing = || format!("opening {}", item.name.text());
        let drive = self
            .source
            .volumes
            .get(&item.volume)
            .and_then(|drive| self.source.drives.get(*drive));
        let (Some(drive), Some(bytes)) = (drive, &item.layout) else {
            return Err(Fault::new(
                FaultKind::Other,
                doing(),
                "where its bytes lie is not known",
            ));
        };
        let layout = Layout::from_bytes(bytes).ok_or_else(|| {
            Fault::new(
                FaultKind::Other,
                doing(),
                "its layout in the ledger makes no sense",
            )
        })?;
        Ok(Box::new(
            ContentReader::shared(layout, Arc::clone(drive)).stamped(item.stamp()),
        ))
    }

    fn stamp(&mut self, item: &ItemRow, _: &Arc<Place>) -> Result<Stamp, Fault> {
        Ok(item.stamp())
    }
}
