//! The one reader that turns a layout and sectors into bytes and gaps.
//!
//! Invariant: a byte that is handed over without being named in `missing` is what the file table and
//! the drive say it is; what could not be had, or does not fit a checksum of the file system, is zeros *and* named, in logical
//! bytes. A sector that was refused is
//! not asked for again by the same reader. Compressed content is lost by the unit (up to 64 KiB) or chunk, because
//! nothing of it can be told from a part; stored-plain units lose only their sectors. The compressions have no checksum.

use crate::port::{Content, Fault, FaultKind, Sectors, Stamp, Stretch};
use crate::volume::layout::{Coding, Layout, Piece};
use crate::volume::stored::{Missing, Narrow, Ranges, Spot, Stored, push_range};
use crate::volume::unpack::{UnpackError, lznt1, lzx, xpress};
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};

/// Refused ranges remembered at most.
const REFUSED: usize = 65_536;
/// Bytes of a chunk table read at once.
const TABLE: u64 = 64 << 10;

/// What one read delivered.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct Got {
    /// Bytes filled in from the start of the buffer; less than asked for only at the end.
    pub bytes: usize,
    /// Of these, the logical ranges (first byte, length) that are not there: zeros in the buffer.
    pub missing: Ranges,
    /// What an unpacker said of the first range that could be read, but not unpacked.
    pub unpack: Option<UnpackError>,
}

impl Got {
    /// One missing range as a fault.
    fn refusal(&self, from: u64, bytes: u64) -> Fault {
        Fault::new(
            FaultKind::Refused,
            format!("reading {bytes} bytes of content at {from}"),
            match self.unpack {
                Some(why) => why.to_string(),
                None => "not readable, or its place is not known".to_owned(),
            },
        )
    }
}

enum Held<'a> {
    Lent(&'a dyn Sectors),
    Shared(Arc<dyn Sectors>),
}

/// A unit, or why it is missing (`None` = not readable).
type Unpacked = Result<Vec<u8>, Option<UnpackError>>;

#[derive(Default)]
struct State {
    /// Stored ranges that the drive refused, ascending.
    refused: Ranges,
    /// The unit unpacked last; `Err` = it is missing.
    unit: Option<(u64, Unpacked)>,
    /// Why the first stretch of sealed content is missing.
    why: Option<UnpackError>,
    /// A stretch of the chunk table: first stored byte, bytes; `None` = unreadable.
    table: Option<(u64, Option<Vec<u8>>)>,
}

/// An item's content.
pub struct ContentReader<'a> {
    stored: Stored,
    coding: Coding,
    length: u64,
    valid: u64,
    stamp: Stamp,
    sectors: Held<'a>,
    state: Mutex<State>,
}

impl<'a> ContentReader<'a> {
    /// Content of a layout on a drive.
    pub fn new(layout: Layout, sectors: &'a dyn Sectors) -> Self {
        Self::held(layout, Held::Lent(sectors))
    }

    /// The same, holding the drive itself.
    pub fn shared(layout: Layout, sectors: Arc<dyn Sectors>) -> ContentReader<'static> {
        ContentReader::held(layout, Held::Shared(sectors))
    }

    fn held(layout: Layout, sectors: Held<'_>) -> ContentReader<'_> {
        let allocated = layout
            .pieces
            .iter()
            .filter(|piece| matches!(piece, Piece::Extent { .. }))
            .fold(0u64, |sum, piece| sum.saturating_add(piece.bytes()));
        ContentReader {
            stamp: Stamp {
                bytes: layout.length,
                allocated,
                names: 1,
                ..Stamp::default()
            },
            stored: Stored::new(layout.pieces),
            coding: layout.coding,
            length: layout.length,
            valid: layout.valid.min(layout.length),
            sectors,
            state: Mutex::new(State::default()),
        }
    }

    /// What [`Content::stamp`] answers (length and allocated bytes are filled in already).
    pub fn stamped(mut self, stamp: Stamp) -> Self {
        self.stamp = stamp;
        self
    }

    /// Logical length in bytes.
    pub fn length(&self) -> u64 {
        self.length
    }

    fn sectors(&self) -> &dyn Sectors {
        match &self.sectors {
            Held::Lent(sectors) => *sectors,
            Held::Shared(sectors) => sectors.as_ref(),
        }
    }

    fn state(&self) -> MutexGuard<'_, State> {
        // A panic elsewhere leaves at worst a stale unit, which is keyed by its number.
        self.state.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// Reads up to `buf.len()` logical bytes at `at`. A fault other than a refusal (drive gone, no
    /// answer) is returned: then nothing in `buf` counts.
    pub fn read(&self, at: u64, buf: &mut [u8]) -> Result<Got, Fault> {
        let rest = self.length.saturating_sub(at);
        let bytes = usize::try_from(rest).unwrap_or(usize::MAX).min(buf.len());
        let buf = buf.get_mut(..bytes).unwrap_or_default();
        let mut got = Got {
            bytes,
            ..Got::default()
        };
        let written = usize::try_from(self.valid.saturating_sub(at))
            .unwrap_or(usize::MAX)
            .min(bytes);
        let (data, zeros) = buf.split_at_mut(written);
        zeros.fill(0);
        let mut state = self.state();
        match self.coding {
            Coding::Plain => {
                state.why = None;
                self.stored(&mut state, at, data, at, &mut got.missing)?;
                got.unpack = state.why;
            }
            _ => {
                let size = self.unit_bytes();
                let mut done = 0usize;
                while done < data.len() {
                    let here = at.saturating_add(done as u64);
                    let unit = here / size;
                    let into = here % size;
                    let take = usize::try_from(size - into)
                        .unwrap_or(usize::MAX)
                        .min(data.len() - done);
                    let Some(part) = data.get_mut(done..done + take) else {
                        break;
                    };
                    self.unit(&mut state, unit, into, here, part, &mut got)?;
                    done += take;
                }
            }
        }
        Ok(got)
    }

    /// Reads everything once, in order, through `buf`; `each` gets the logical place, the bytes and
    /// what is missing of them. Returns everything that is missing.
    pub fn stream(
        &self,
        buf: &mut [u8],
        each: &mut dyn FnMut(u64, &[u8], &Ranges),
    ) -> Result<Ranges, Fault> {
        let mut missing = Ranges::new();
        let mut at = 0u64;
        loop {
            let got = self.read(at, buf)?;
            if got.bytes == 0 {
                return Ok(missing);
            }
            each(at, buf.get(..got.bytes).unwrap_or_default(), &got.missing);
            for (from, bytes) in got.missing {
                push_range(&mut missing, from, bytes);
            }
            at = at.saturating_add(got.bytes as u64);
        }
    }

    fn unit_bytes(&self) -> u64 {
        u64::from(match self.coding {
            Coding::Plain => 1,
            Coding::Lznt1 { unit_bytes } => unit_bytes,
            Coding::Xpress { chunk_bytes } => chunk_bytes,
            Coding::Lzx => lzx::CHUNK as u32,
        })
        .max(1)
    }

    /// Reads stored bytes; `missing` gets ranges counted from `logical`, which `at` stands for.
    fn stored(
        &self,
        state: &mut State,
        at: u64,
        buf: &mut [u8],
        logical: u64,
        missing: &mut Ranges,
    ) -> Result<(), Fault> {
        let end = at.saturating_add(buf.len() as u64);
        let mut here = at;
        while here < end {
            // The next refused range that ends behind `here`.
            let i = state
                .refused
                .partition_point(|(from, n)| from.saturating_add(*n) <= here);
            let known = state.refused.get(i).copied();
            let (to, refused) = match known {
                Some((from, n)) if from <= here => (from.saturating_add(n).min(end), true),
                Some((from, _)) => (from.min(end), false),
                None => (end, false),
            };
            let part = usize::try_from(here - at)
                .ok()
                .zip(usize::try_from(to - at).ok())
                .and_then(|(a, b)| buf.get_mut(a..b))
                .unwrap_or_default();
            if refused {
                part.fill(0);
                push_range(missing, logical.saturating_add(here - at), to - here);
            } else {
                let mut gone = Missing::default();
                self.stored.read_telling(
                    self.sectors(),
                    here,
                    part,
                    Narrow::default(),
                    &mut gone,
                )?;
                for (from, bytes) in gone.ranges {
                    push_range(
                        missing,
                        logical.saturating_add(from.saturating_sub(at)),
                        bytes,
                    );
                }
                // What is lost costs nothing to find out again.
                for (from, bytes) in gone.refused {
                    if state.refused.len() < REFUSED {
                        let i = state.refused.partition_point(|(first, _)| *first < from);
                        state.refused.insert(i, (from, bytes));
                    }
                }
                state.why = state.why.or(gone.why);
            }
            here = to;
        }
        Ok(())
    }

    /// A part of one unit or chunk: `into` bytes from its start, `logical` in the item.
    fn unit(
        &self,
        state: &mut State,
        unit: u64,
        into: u64,
        logical: u64,
        buf: &mut [u8],
        got: &mut Got,
    ) -> Result<(), Fault> {
        let form = match self.coding {
            Coding::Plain => Form::Plain(logical.saturating_sub(into)),
            Coding::Lznt1 { .. } => self.lznt1_form(unit),
            Coding::Xpress { .. } | Coding::Lzx => self.chunk_form(state, unit)?,
        };
        let (at, bytes, plain_bytes) = match form {
            Form::Plain(at) => {
                return self.stored(
                    state,
                    at.saturating_add(into),
                    buf,
                    logical,
                    &mut got.missing,
                );
            }
            Form::Zeros => {
                buf.fill(0);
                return Ok(());
            }
            Form::Missing => {
                buf.fill(0);
                push_range(&mut got.missing, logical, buf.len() as u64);
                return Ok(());
            }
            Form::Packed {
                at,
                bytes,
                plain_bytes,
            } => (at, bytes, plain_bytes),
        };
        if state.unit.as_ref().map(|(number, _)| *number) != Some(unit) {
            let mut packed = vec![0u8; bytes];
            let mut missing = Ranges::new();
            self.stored(state, at, &mut packed, at, &mut missing)?;
            let unpacked = if missing.is_empty() {
                let unpacked = match self.coding {
                    Coding::Lznt1 { .. } => lznt1::unpack(&packed, plain_bytes),
                    Coding::Xpress { .. } => xpress::unpack(&packed, plain_bytes),
                    Coding::Lzx => lzx::unpack(&packed, plain_bytes),
                    Coding::Plain => Ok(packed),
                };
                unpacked.map_err(Some)
            } else {
                Err(None)
            };
            state.unit = Some((unit, unpacked));
        }
        let from = usize::try_from(into).unwrap_or(usize::MAX);
        let part = match &state.unit {
            Some((_, Ok(unit))) => from
                .checked_add(buf.len())
                .and_then(|to| unit.get(from..to)),
            Some((_, Err(why))) => {
                got.unpack = got.unpack.or(*why);
                None
            }
            None => None,
        };
        match part {
            Some(part) => buf.copy_from_slice(part),
            None => {
                buf.fill(0);
                push_range(&mut got.missing, logical, buf.len() as u64);
            }
        }
        Ok(())
    }

    /// NTFS compression: a unit is a hole, or fully allocated (plain), or partly (packed, the rest a hole).
    fn lznt1_form(&self, unit: u64) -> Form {
        let size = self.unit_bytes();
        let start = unit.saturating_mul(size);
        let end = start.saturating_add(size);
        let (mut at, mut allocated, mut hole) = (start, 0u64, false);
        while at < end {
            let (spot, rest) = self.stored.spot(at);
            let bytes = rest.min(end - at);
            match spot {
                Spot::Drive(_) if !hole => allocated = allocated.saturating_add(bytes),
                Spot::Hole => hole = true,
                // Lost, or content behind a hole within one unit, which no writer makes.
                _ => return Form::Missing,
            }
            at = at.saturating_add(bytes);
        }
        let plain = size.min(self.valid.saturating_sub(start));
        match (allocated, hole) {
            (0, _) => Form::Zeros,
            (_, false) => Form::Plain(start),
            (bytes, true) => Form::Packed {
                at: start,
                bytes: usize::try_from(bytes).unwrap_or(0),
                plain_bytes: usize::try_from(plain).unwrap_or(0),
            },
        }
    }

    /// System compression: a table of where the second and later chunks start, then the chunks;
    /// a chunk as long as its plain form is plain.
    fn chunk_form(&self, state: &mut State, chunk: u64) -> Result<Form, Fault> {
        let size = self.unit_bytes();
        let chunks = self.length.div_ceil(size);
        let wide = if self.length > u64::from(u32::MAX) {
            8
        } else {
            4
        };
        let head = chunks.saturating_sub(1).saturating_mul(wide);
        let body = self.stored.bytes().saturating_sub(head);
        let from = match chunk.checked_sub(1) {
            None => Some(0),
            Some(entry) => self.entry(state, entry, wide)?,
        };
        let to = if chunk.saturating_add(1) >= chunks {
            Some(body)
        } else {
            self.entry(state, chunk, wide)?
        };
        let plain = size.min(self.length.saturating_sub(chunk.saturating_mul(size)));
        let (Some(from), Some(to)) = (from, to) else {
            return Ok(Form::Missing);
        };
        let Some(bytes) = to.checked_sub(from).filter(|n| *n > 0 && to <= body) else {
            return Ok(Form::Missing);
        };
        let at = head.saturating_add(from);
        Ok(if bytes == plain {
            Form::Plain(at)
        } else if bytes > plain {
            Form::Missing
        } else {
            Form::Packed {
                at,
                bytes: usize::try_from(bytes).unwrap_or(0),
                plain_bytes: usize::try_from(plain).unwrap_or(0),
            }
        })
    }

    /// One entry of the chunk table; `None` = not to be had.
    fn entry(&self, state: &mut State, entry: u64, wide: u64) -> Result<Option<u64>, Fault> {
        let at = entry.saturating_mul(wide);
        let window = at / TABLE * TABLE;
        if state.table.as_ref().map(|(from, _)| *from) != Some(window) {
            let bytes = TABLE.min(self.stored.bytes().saturating_sub(window));
            let mut table = vec![0u8; usize::try_from(bytes).unwrap_or(0)];
            let mut missing = Ranges::new();
            self.stored(state, window, &mut table, window, &mut missing)?;
            let whole = missing.is_empty().then_some(table);
            state.table = Some((window, whole));
        }
        let into = usize::try_from(at - window).unwrap_or(usize::MAX);
        let bytes = state
            .table
            .as_ref()
            .and_then(|(_, table)| table.as_ref()?.get(into..into.checked_add(wide as usize)?));
        Ok(bytes.map(|bytes| {
            bytes
                .iter()
                .rev()
                .fold(0u64, |value, byte| value << 8 | u64::from(*byte))
        }))
    }
}

/// How one unit or chunk is stored.
enum Form {
    /// As it is, from this stored byte.
    Plain(u64),
    /// Nothing stored: zeros.
    Zeros,
    /// Not to be had.
    Missing,
    /// Packed.
    Packed {
        at: u64,
        bytes: usize,
        plain_bytes: usize,
    },
}

impl Content for ContentReader<'_> {
    fn stamp(&self) -> Result<Stamp, Fault> {
        Ok(self.stamp)
    }

    /// Like a file: bytes up to the first missing one, a refusal at a missing one.
    fn read_at(&self, at: u64, buf: &mut [u8]) -> Result<usize, Fault> {
        let got = self.read(at, buf)?;
        match got.missing.first() {
            None => Ok(got.bytes),
            Some((from, bytes)) if *from <= at => Err(got.refusal(*from, *bytes)),
            Some((from, _)) => Ok(usize::try_from(from.saturating_sub(at)).unwrap_or(0)),
        }
    }

    fn read_around(&self, at: u64, buf: &mut [u8]) -> Option<Result<Stretch, Fault>> {
        Some(self.read(at, buf).map(|got| {
            Stretch {
                bytes: got.bytes,
                fault: got
                    .missing
                    .last()
                    .map(|(from, bytes)| got.refusal(*from, *bytes)),
                missing: got.missing,
            }
        }))
    }

    fn data_after(&self, at: u64) -> Result<Option<(u64, u64)>, Fault> {
        if at >= self.length {
            return Ok(None);
        }
        if self.coding != Coding::Plain {
            return Ok(Some((at, self.length - at)));
        }
        let mut here = at;
        while here < self.valid {
            let (spot, rest) = self.stored.spot(here);
            if spot != Spot::Hole {
                return Ok(Some((here, rest.min(self.valid - here))));
            }
            here = here.saturating_add(rest);
        }
        Ok(None)
    }
}

#[cfg(test)]
#[path = "content_tests.rs"]
mod tests;
