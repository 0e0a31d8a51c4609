//! Stored bytes: a list of pieces, read through `Sectors` in bounded requests, a refused
//! request narrowed down until only the unreadable sectors are missing.
//!
//! Invariant: a byte is either filled from the drive (or known to be zero) or named in `missing`;
//! nothing is asked for twice within one call once its finest request was refused.

use super::layout::Piece;
use super::sealed::Sealed;
use super::unpack::UnpackError;
use crate::port::{Fault, FaultKind, Sectors};

/// Ranges as (first byte, length), ascending, not touching one another.
pub type Ranges = Vec<(u64, u64)>;

/// What is missing of a reading.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct Missing {
    /// All of it, in bytes of the stored form.
    pub ranges: Ranges,
    /// Of these, what the drive refused.
    pub refused: Ranges,
    /// What was wrong with the first of what it did not refuse; `None` = nothing, or its place is not known.
    pub why: Option<UnpackError>,
}

/// How large requests are, and how far a refused one is narrowed down.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Narrow {
    /// Bytes of one request at most.
    pub request_bytes: u32,
    /// A refused request is halved until it is no longer than this; 0 = one logical sector.
    pub finest_bytes: u32,
}

impl Default for Narrow {
    /// 1 MiB requests (engineering judgement), narrowed to single sectors.
    fn default() -> Self {
        Self {
            request_bytes: 1 << 20,
            finest_bytes: 0,
        }
    }
}

/// Adds a range to an ascending list, joining it with the last one where they touch.
pub fn push_range(ranges: &mut Ranges, at: u64, bytes: u64) {
    if bytes == 0 {
        return;
    }
    if let Some(last) = ranges.last_mut()
        && last.0.saturating_add(last.1) >= at
        && at >= last.0
    {
        last.1 = last.1.max(at.saturating_add(bytes).saturating_sub(last.0));
        return;
    }
    ranges.push((at, bytes));
}

/// Reads `buf.len()` bytes from byte `at` of the drive. What the drive refuses is zeroed in `buf` and
/// added to `missing` as ranges of the drive. Any other fault (gone, no answer) ends the read:
/// then nothing may be concluded about the bytes.
pub fn read_narrowing(
    sectors: &dyn Sectors,
    at: u64,
    buf: &mut [u8],
    narrow: Narrow,
    missing: &mut Ranges,
) -> Result<(), Fault> {
    let sector = u64::from(sectors.sector_bytes().max(1));
    let finest = u64::from(narrow.finest_bytes).max(sector);
    let request = u64::from(narrow.request_bytes).max(finest);
    let end = at.saturating_add(buf.len() as u64);
    // Ranges still to be asked, the next one last. Depth is bounded by log2(request / sector).
    let mut to_ask: Vec<(u64, u64)> = Vec::new();
    let mut next = at;
    while next < end || !to_ask.is_empty() {
        let (from, to) = match to_ask.pop() {
            Some(range) => range,
            None => {
                // Requests end on request borders so that neighbouring reads do not overlap.
                let border = (next / request).saturating_add(1).saturating_mul(request);
                let to = border.min(end);
                let range = (next, to);
                next = to;
                range
            }
        };
        let Some(part) = window(buf, at, from, to) else {
            return Err(Fault::new(
                FaultKind::Other,
                format!("reading bytes {from} to {to}"),
                "range outside its buffer",
            ));
        };
        match sectors.read_at(from, part) {
            Ok(()) => {}
            Err(fault) if fault.kind == FaultKind::Refused => {
                let first = from / finest;
                let last = to.saturating_sub(1) / finest;
                if last <= first {
                    part.fill(0);
                    push_range(missing, from, to.saturating_sub(from));
                } else {
                    let middle = (first + (last - first).div_ceil(2)).saturating_mul(finest);
                    to_ask.push((middle, to));
                    to_ask.push((from, middle));
                }
            }
            Err(fault) => return Err(fault),
        }
    }
    Ok(())
}

/// The part of `buf` (which starts at `at`) that covers `from..to`.
fn window(buf: &mut [u8], at: u64, from: u64, to: u64) -> Option<&mut [u8]> {
    let a = usize::try_from(from.checked_sub(at)?).ok()?;
    let b = usize::try_from(to.checked_sub(at)?).ok()?;
    buf.get_mut(a..b)
}

/// What lies at one place of a stored form.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Spot<'a> {
    /// On the drive, from this byte.
    Drive(u64),
    /// Not stored: zeros.
    Hole,
    /// These bytes.
    Inline(&'a [u8]),
    /// A part of such an extent, from this byte of the part on.
    Sealed(&'a Sealed, u64),
    /// Nobody knows where.
    Lost,
}

/// Pieces with an index, so that any stored byte is found in logarithmic time.
#[derive(Debug, Clone)]
pub struct Stored {
    pieces: Vec<Piece>,
    /// First stored byte of each piece.
    starts: Vec<u64>,
    bytes: u64,
}

impl Stored {
    /// Indexes the pieces.
    pub fn new(pieces: Vec<Piece>) -> Self {
        let mut starts = Vec::with_capacity(pieces.len());
        let mut bytes = 0u64;
        for piece in &pieces {
            starts.push(bytes);
            bytes = bytes.saturating_add(piece.bytes());
        }
        Self {
            pieces,
            starts,
            bytes,
        }
    }

    /// Length of the stored form in bytes.
    pub fn bytes(&self) -> u64 {
        self.bytes
    }

    /// The pieces.
    pub fn pieces(&self) -> &[Piece] {
        &self.pieces
    }

    /// What lies at stored byte `at`, and for how many bytes; behind the last piece everything is lost.
    pub fn spot(&self, at: u64) -> (Spot<'_>, u64) {
        // The last piece that starts at or before `at`; empty pieces before it are passed over.
        let index = self.starts.partition_point(|start| *start <= at);
        let found = index
            .checked_sub(1)
            .and_then(|i| Some((self.pieces.get(i)?, *self.starts.get(i)?)));
        let Some((piece, start)) = found else {
            return (Spot::Lost, u64::MAX.saturating_sub(at));
        };
        let into = at.saturating_sub(start);
        let rest = piece.bytes().saturating_sub(into);
        if rest == 0 {
            return (Spot::Lost, u64::MAX.saturating_sub(at));
        }
        let spot = match piece {
            Piece::Extent { at, .. } => match at.checked_add(into) {
                Some(at) => Spot::Drive(at),
                None => Spot::Lost,
            },
            Piece::Hole { .. } => Spot::Hole,
            Piece::Inline(data) => Spot::Inline(
                usize::try_from(into)
                    .ok()
                    .and_then(|into| data.get(into..))
                    .unwrap_or_default(),
            ),
            Piece::Lost { .. } => Spot::Lost,
            Piece::Sealed(sealed) => Spot::Sealed(sealed, into),
        };
        (spot, rest)
    }

    /// Reads stored bytes. `missing` gets ranges of the stored form.
    pub fn read(
        &self,
        sectors: &dyn Sectors,
        at: u64,
        buf: &mut [u8],
        narrow: Narrow,
        missing: &mut Ranges,
    ) -> Result<(), Fault> {
        let mut told = Missing::default();
        self.read_telling(sectors, at, buf, narrow, &mut told)?;
        for (from, bytes) in told.ranges {
            push_range(missing, from, bytes);
        }
        Ok(())
    }

    /// Reads stored bytes, and tells why some are missing.
    pub fn read_telling(
        &self,
        sectors: &dyn Sectors,
        at: u64,
        buf: &mut [u8],
        narrow: Narrow,
        missing: &mut Missing,
    ) -> Result<(), Fault> {
        let mut done = 0usize;
        while done < buf.len() {
            let here = at.saturating_add(done as u64);
            let (spot, rest) = self.spot(here);
            let room = buf.len() - done;
            let take = usize::try_from(rest).unwrap_or(usize::MAX).min(room);
            let Some(part) = buf.get_mut(done..done + take) else {
                break;
            };
            match spot {
                Spot::Hole => part.fill(0),
                Spot::Lost => {
                    part.fill(0);
                    push_range(&mut missing.ranges, here, take as u64);
                }
                Spot::Inline(data) => match data.get(..take) {
                    Some(data) => part.copy_from_slice(data),
                    None => {
                        part.fill(0);
                        push_range(&mut missing.ranges, here, take as u64);
                    }
                },
                Spot::Sealed(sealed, into) => {
                    sealed.read(sectors, into, part, narrow, here, missing)?;
                }
                Spot::Drive(drive_at) => {
                    let mut on_drive = Ranges::new();
                    read_narrowing(sectors, drive_at, part, narrow, &mut on_drive)?;
                    for (from, bytes) in on_drive {
                        let into = from.saturating_sub(drive_at);
                        push_range(&mut missing.ranges, here.saturating_add(into), bytes);
                        push_range(&mut missing.refused, here.saturating_add(into), bytes);
                    }
                }
            }
            done += take;
        }
        Ok(())
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::sync::atomic::{AtomicU64, Ordering};

    struct Weak {
        bytes: Vec<u8>,
        bad: Vec<u64>,
        asked: AtomicU64,
    }

    impl Sectors for Weak {
        fn sector_bytes(&self) -> u32 {
            512
        }
        fn bytes(&self) -> u64 {
            self.bytes.len() as u64
        }
        fn read_at(&self, at: u64, buf: &mut [u8]) -> Result<(), Fault> {
            self.asked.fetch_add(1, Ordering::Relaxed);
            let end = at + buf.len() as u64;
            if self.bad.iter().any(|s| s * 512 < end && at < (s + 1) * 512) {
                buf.fill(0xEE);
                return Err(Fault::new(FaultKind::Refused, "reading", "EIO"));
            }
            buf.copy_from_slice(&self.bytes[at as usize..end as usize]);
            Ok(())
        }
    }

    fn weak(bad: &[u64]) -> Weak {
        Weak {
            bytes: (0..1u32 << 20).map(|i| (i / 7) as u8).collect(),
            bad: bad.to_vec(),
            asked: AtomicU64::new(0),
        }
    }

    #[test]
    fn only_the_refused_sectors_are_missing() {
        let drive = weak(&[3, 4, 700]);
        let mut buf = vec![1u8; 500_000];
        let mut missing = Ranges::new();
        read_narrowing(&drive, 100, &mut buf, Narrow::default(), &mut missing).unwrap();
        assert_eq!(missing, vec![(1536, 1024), (700 * 512, 512)]);
        for (i, byte) in buf.iter().enumerate() {
            let at = i + 100;
            let lost = missing
                .iter()
                .any(|(from, n)| (*from..from + n).contains(&(at as u64)));
            assert_eq!(*byte, if lost { 0 } else { drive.bytes[at] }, "byte {at}");
        }
        assert!(drive.asked.load(Ordering::Relaxed) < 60);
    }

    #[test]
    fn pieces_behind_the_last_one_are_lost_not_zero() {
        let drive = weak(&[]);
        let stored = Stored::new(vec![
            Piece::Inline(vec![1, 2, 3]),
            Piece::Hole { bytes: 2 },
            Piece::Extent { at: 7, bytes: 1 },
            Piece::Lost { bytes: 1 },
        ]);
        let mut buf = [9u8; 10];
        let mut missing = Ranges::new();
        stored
            .read(&drive, 0, &mut buf, Narrow::default(), &mut missing)
            .unwrap();
        assert_eq!(buf, [1, 2, 3, 0, 0, 1, 0, 0, 0, 0]);
        assert_eq!(missing, vec![(6, 4)]);
    }
}
