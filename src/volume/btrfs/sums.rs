//! Where the checksums of contents lie.
//!
//! Invariant: a stretch has checksums only when every sector of it has one.

use super::item::kind;
use super::superblock::Pointer;
use super::tree::{HEAD, Met, Trees};
use crate::port::Fault;
use crate::volume::bytes::Part;
use crate::volume::filesystem::{Findings, Weight};
use crate::volume::sealed::SumsAt;

/// Sectors that follow one another, and the place of their checksums.
#[derive(Debug, Clone, Copy)]
struct Run {
    first: u64,
    sectors: u64,
    at: Place,
}

#[derive(Debug, Clone, Copy)]
enum Place {
    /// This byte of the drive.
    Drive(u64),
    /// From this byte of what is held.
    Held(usize),
}

/// All checksums of a volume.
#[derive(Debug, Default)]
pub struct Sums {
    runs: Vec<Run>,
    held: Vec<u8>,
    sector_bytes: u64,
    sum_bytes: u64,
}

impl Sums {
    /// Reads where they lie; the list may take `most_bytes` in memory. `drive` is where contents are read: what a block there does not hold is kept in memory.
    pub fn read(
        trees: &Trees<'_>,
        root: Pointer,
        drive: &Part<'_>,
        most_bytes: u64,
        findings: &mut Findings,
    ) -> Result<Self, Fault> {
        let mut out = Self {
            sector_bytes: trees.sb.sector_bytes.into(),
            sum_bytes: trees.sb.sum.bytes() as u64,
            ..Self::default()
        };
        let (mut last, mut is_there) = (None, false);
        trees.walk(root, &mut |met| {
            let (key, bytes, block, into) = match met {
                Met::Item { key, bytes, block, into } => (key, bytes, block, into),
                Met::Gap { why, .. } => {
                    findings.note("checksums-missing", Weight::OpenPoint, None, || {
                        format!("a part of the checksums of contents is missing ({why}): the files concerned are named as damaged")
                    });
                    return Ok(());
                }
            };
            if key.kind != kind::SUMS {
                return Ok(());
            }
            if last != Some(block.place) {
                last = Some(block.place);
                // Written into the scratch alone, or read from the drive?
                let on_drive = drive.read_vec(block.place, block.raw.len());
                is_there = on_drive.is_ok_and(|found| found.get(HEAD..) == block.raw.get(HEAD..));
            }
            let sectors = bytes.len() as u64 / out.sum_bytes.max(1);
            let at = match is_there {
                true => Place::Drive(drive.absolute(block.place.saturating_add(into as u64))),
                false => {
                    let at = out.held.len();
                    out.held.extend_from_slice(bytes);
                    Place::Held(at)
                }
            };
            let taken = out.runs.len() * size_of::<Run>() + out.held.len();
            if taken as u64 > most_bytes {
                findings.note("checksums-missing", Weight::OpenPoint, None, || {
                    "it has more checksums than fit in memory: the files concerned are named as damaged".into()
                });
            } else if sectors > 0 {
                out.runs.push(Run {
                    first: key.offset,
                    sectors,
                    at,
                });
            }
            Ok(())
        })?;
        Ok(out)
    }

    /// Where the checksums of `bytes` bytes from an address lie, in whole sectors; `None` = not all of them have one.
    pub fn of(&self, at: u64, bytes: u64) -> Option<Vec<SumsAt>> {
        let mut out = Vec::new();
        let (mut here, end) = (at, at.checked_add(bytes)?);
        let mut index = self
            .runs
            .partition_point(|run| run.first <= at)
            .checked_sub(1)?;
        while here < end {
            let run = self.runs.get(index)?;
            let into = here.checked_sub(run.first)? / self.sector_bytes;
            let sectors = run.sectors.checked_sub(into).filter(|rest| *rest > 0)?;
            let sectors = sectors.min((end - here).div_ceil(self.sector_bytes));
            let skip = into * self.sum_bytes;
            let count = u32::try_from(sectors).ok()?;
            out.push(match run.at {
                Place::Drive(at) => SumsAt::Drive {
                    at: at.checked_add(skip)?,
                    sectors: count,
                },
                Place::Held(at) => {
                    let from = at.checked_add(usize::try_from(skip).ok()?)?;
                    let bytes = usize::try_from(sectors * self.sum_bytes).ok()?;
                    SumsAt::Held(self.held.get(from..from.checked_add(bytes)?)?.to_vec())
                }
            });
            here = here.checked_add(sectors * self.sector_bytes)?;
            index += 1;
        }
        Some(out)
    }
}
