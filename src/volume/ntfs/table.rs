//! $MFT: where its records are, and reading them once, in order, in large requests.
//!
//! Invariant: only $MFT's own attribute list is followed; record 0 is read once (its mirror stands in
//! when it is unreadable, or knows of a larger table); a record that could not be read is reported as unread, never
//! skipped; every bit of the table's own bitmap is compared, those behind the table's size too.

use super::origin::{Own, follow, laid_of, mirror, record_zero};
use super::pieces::{Ground, Part, lay};
use super::raw::{span, u8_at, u16_at, u32_at, u64_at};
use super::record::{self, BadRecord, Header, number_of};
use crate::port::{AHEAD, Fault, Sectors};
use crate::volume::filesystem::{Findings, NotSurveyed, Weight};
use crate::volume::layout::Piece;
use crate::volume::stored::{Narrow, Ranges, Spot, Stored};

/// Largest attribute list that is followed (NTFS allows 256 KiB).
pub const LIST_BYTES: u64 = 256 << 10;
/// Bytes of one request while the table is read in order.
const WINDOW: u64 = 1 << 20;

/// Why a record is not there.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum NoRecord {
    /// The drive did not deliver it, or the table does not say where it is.
    Unread,
    /// It was read, but cannot be used.
    Bad(BadRecord),
    /// It says that it is free; the table's own bitmap says that it is in use.
    Freed,
}

/// A fixed record and its header, or why there is none and the bytes that were read all the same.
pub type Seen<'r> = Result<(&'r [u8], Header), (NoRecord, Option<&'r [u8]>)>;

/// Records that have a copy in the mirror.
const MIRRORED: u64 = 4;
/// Bytes of the table's bitmap that are read even where the table needs less: bits for 134 million records.
const BITS: u64 = 16 << 20;

/// The file table.
#[derive(Debug)]
pub struct Table {
    stored: Stored,
    /// Bytes of the table: what it says, and behind that whatever its bitmap has in use and its clusters hold.
    bytes: u64,
    /// Records that the table's own size counts.
    named: u64,
    /// Records in use by the bitmap for which the table has no place.
    beyond: u64,
    record_bytes: u32,
    /// The table's own bitmap, one bit for each record; empty = not readable.
    in_use: Vec<u8>,
    /// Records of the mirror that stand in for their damaged originals.
    stand_in: Vec<(u64, Vec<u8>, Header)>,
}

/// Fixes a record and reads its header.
pub fn usable(record: &mut [u8]) -> Result<Header, NoRecord> {
    record::fix(record).map_err(NoRecord::Bad)?;
    record::header(record).map_err(NoRecord::Bad)
}

/// One entry of an attribute list.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Listed {
    /// Type of the attribute.
    pub kind: u32,
    /// First cluster of the part.
    pub first: u64,
    /// Record that holds it.
    pub record: u64,
    /// It has a name.
    pub named: bool,
}

/// The entries of an attribute list; `false` = it could not be read to its end.
pub fn entries(list: &[u8]) -> (Vec<Listed>, bool) {
    let mut out = Vec::new();
    let mut at = 0usize;
    while at < list.len() {
        let read = || {
            let length = usize::from(u16_at(list, at + 4)?);
            if length < 0x18 || span(list, at, length).is_none() {
                return None;
            }
            let entry = Listed {
                kind: u32_at(list, at)?,
                first: u64_at(list, at + 8)?,
                record: number_of(u64_at(list, at + 16)?),
                named: u8_at(list, at + 6)? > 0,
            };
            Some((entry, length))
        };
        match read() {
            Some((entry, length)) => {
                out.push(entry);
                at += length;
            }
            None => return (out, false),
        }
    }
    (out, true)
}

impl Table {
    /// Finds the table from record 0 (or its mirror); with it the first stretch of it, which was read for that.
    pub fn locate(
        sectors: &dyn Sectors,
        ground: &Ground,
        findings: &mut Findings,
    ) -> Result<(Self, Window), NotSurveyed> {
        let doing = "reading record 0 of the NTFS file table";
        let geometry = &ground.geometry;
        let (record, head) = record_zero(sectors, ground, findings)?;
        let mut own = Own::default();
        own.take(&record, &head);
        if let Err(fault) = follow(sectors, ground, &record, &head, &mut own, findings) {
            return Err(NotSurveyed::unread(
                "reading the attribute list of the NTFS file table",
                fault,
            ));
        }
        let Some(bytes) = own.bytes else {
            return Err(NotSurveyed::because(
                doing,
                "it does not say how long the file table is",
                "treat the volume as damaged: read the drive by the salvage route and have it examined",
            ));
        };
        let mut laid = laid_of(ground, &own.data);
        if laid.bytes < bytes {
            findings.note("file-table-incomplete", Weight::OpenPoint, Some(0), || {
                format!(
                    "the file table has {bytes} bytes, but only {} of them can be found: the files listed in the rest are missing from the listing",
                    laid.bytes
                )
            });
        }
        if let Some(trouble) = &laid.trouble {
            findings.note("file-table-damaged", Weight::OpenPoint, Some(0), || {
                format!("the file table's own place is damaged: {trouble}")
            });
        }
        let record = u64::from(geometry.record_bytes.max(1));
        let bits = bitmap(sectors, ground, &own, laid.bytes / record, findings)
            .map_err(|fault| NotSurveyed::unread("reading the bitmap of the file table", fault))?;
        let named = bytes / record;
        let most = named.max(laid.bytes / record);
        let records = named.max(end_of(&bits).min(most));
        let beyond = set_from(&bits, records);
        if records > named {
            findings.note("file-table-cut", Weight::OpenPoint, Some(0), || {
                format!("the file table says that it has {named} records, its own bitmap has some in use up to record {}: they were listed from the clusters behind its size", records - 1)
            });
        }
        findings.note_many("records-beyond-table", Weight::OpenPoint, Some(0), beyond, || {
            format!("the file table's own bitmap has {beyond} records in use for which the table has no place: they are missing from the listing")
        });
        let bytes = bytes.max(records.saturating_mul(record));
        laid.fit(bytes);
        let on_drive: u64 = laid
            .pieces
            .iter()
            .filter(|piece| matches!(piece, Piece::Extent { .. }))
            .fold(0, |sum, piece| sum.saturating_add(piece.bytes()));
        if on_drive > ground.geometry.bytes() {
            return Err(NotSurveyed::because(
                doing,
                "the file table is said to be larger than its volume",
                "treat the volume as damaged: read the drive by the salvage route and have it examined",
            ));
        }
        let mut table = Self {
            stored: Stored::new(laid.pieces),
            bytes,
            named,
            beyond,
            record_bytes: geometry.record_bytes,
            in_use: bits,
            stand_in: Vec::new(),
        };
        let first = table
            .take_mirror(sectors, ground, findings)
            .map_err(|fault| NotSurveyed::unread("reading the mirror of the file table", fault))?;
        if table.in_use.is_empty() {
            findings.note("record-bitmap-unread", Weight::Sentence, Some(0), || {
                "the file table's own bitmap could not be read".to_owned()
            });
        }
        Ok((table, first))
    }

    /// Takes the copies of those first records whose originals cannot be used.
    fn take_mirror(
        &mut self,
        sectors: &dyn Sectors,
        ground: &Ground,
        findings: &mut Findings,
    ) -> Result<Window, Fault> {
        let mut window = Window::default();
        for number in 0..MIRRORED.min(self.records()) {
            if self.record(sectors, &mut window, number)?.is_ok() {
                continue;
            }
            if let Ok((bytes, head)) = mirror(sectors, ground, number)?
                && head.in_use
                && head.own.is_none_or(|own| u64::from(own) == number)
            {
                if number > 0 {
                    findings.note("mirror-used", Weight::OpenPoint, Some(number), || {
                        format!("record {number} of the file table is damaged or unreadable; its mirror was used")
                    });
                }
                self.stand_in.push((number, bytes, head));
            }
        }
        Ok(window)
    }

    /// Records that the table has.
    pub fn records(&self) -> u64 {
        self.bytes / u64::from(self.record_bytes)
    }

    /// Records in use by the table's own bitmap that have no place in the table.
    pub fn beyond(&self) -> u64 {
        self.beyond
    }

    /// Whether a record counts: behind the table's own size only what its bitmap has in use.
    pub fn counts(&self, number: u64) -> bool {
        number < self.named || self.bit(number) == Some(true)
    }

    /// Bytes of one record.
    pub fn record_bytes(&self) -> u32 {
        self.record_bytes
    }

    /// What the table's own bitmap says of a record; `None` = it does not say.
    pub fn bit(&self, number: u64) -> Option<bool> {
        let byte = self.in_use.get(usize::try_from(number / 8).ok()?)?;
        Some(byte & (1 << (number % 8)) != 0)
    }

    /// Records in use by the bitmap.
    pub fn bits_set(&self) -> u64 {
        self.in_use.iter().map(|b| u64::from(b.count_ones())).sum()
    }

    /// Bytes that are read together from `at` on, before `end`, in whole records; and their place on the drive where
    /// that is one request.
    fn stretch(&self, at: u64, end: u64) -> (usize, Option<u64>) {
        let record = u64::from(self.record_bytes);
        let (spot, rest) = self.stored.spot(at);
        let (room, place) = match spot {
            // Requests end on borders of the drive.
            Spot::Drive(place) => (rest.min(WINDOW - place % WINDOW), Some(place)),
            _ => (rest.min(WINDOW), None),
        };
        let whole = room - room % record;
        let behind = at.saturating_add(rest);
        let lost = room == rest && behind < end && self.stored.spot(behind).0 == Spot::Lost;
        let (bytes, place) = match (lost, whole) {
            // Records that lie nowhere, behind some that do, are told one by one.
            (true, _) => (WINDOW, None),
            // A record in two requests is read alone.
            (false, 0) => (record, None),
            (false, _) => (whole, place),
        };
        let bytes = bytes.min(end.saturating_sub(at));
        (usize::try_from(bytes).unwrap_or(0), place)
    }

    /// Calls `see` with every record, in order, beginning with a stretch that was read already; returns the number of
    /// records that the table does not know the place of. `see` gets the fixed record and its header, or why there is none.
    pub fn each(
        &self,
        sectors: &dyn Sectors,
        mut window: Window,
        see: &mut dyn FnMut(u64, Seen<'_>) -> bool,
    ) -> Result<u64, Fault> {
        let record = u64::from(self.record_bytes);
        let end = self.records().saturating_mul(record);
        let mut nowhere = 0u64;
        let mut at = 0u64;
        // How far requests were announced, and how many of them are still to be made.
        let (mut told, mut ahead) = (0u64, 0usize);
        while at < end {
            let (spot, rest) = self.stored.spot(at);
            if spot == Spot::Lost {
                // Whole records at once: a hostile table may claim any number of them.
                let skip = rest.min(end - at).div_ceil(record);
                nowhere = nowhere.saturating_add(skip);
                at = at.saturating_add(skip.saturating_mul(record));
                continue;
            }
            if !window.holds(at, self.record_bytes) {
                self.load(sectors, &mut window, at, end)?;
            }
            if told < window.end() {
                (told, ahead) = (window.end(), 0);
            } else {
                ahead = ahead.saturating_sub(1);
            }
            while ahead < AHEAD
                && told < end
                && let (bytes, Some(place)) = self.stretch(told, end)
            {
                sectors.soon(place, bytes);
                told = told.saturating_add(bytes as u64);
                ahead += 1;
            }
            while at < window.end() {
                let number = at / record;
                let seen = match window.head(at, self.record_bytes) {
                    Ok(head) => window
                        .slice(at, self.record_bytes)
                        .map(|bytes| (bytes, head))
                        .ok_or((NoRecord::Unread, None)),
                    Err(no) => match self.stand_in.iter().find(|(own, ..)| *own == number) {
                        Some((_, bytes, head)) => Ok((bytes.as_slice(), *head)),
                        None => Err((no, window.slice(at, self.record_bytes))),
                    },
                };
                if !see(number, seen) {
                    return Ok(nowhere);
                }
                at += record;
            }
        }
        Ok(nowhere)
    }

    /// Moves a window to `at`.
    fn load(
        &self,
        sectors: &dyn Sectors,
        window: &mut Window,
        at: u64,
        end: u64,
    ) -> Result<(), Fault> {
        let (bytes, _) = self.stretch(at, end);
        window.at = at;
        window.bytes.resize(bytes, 0);
        window.missing.clear();
        window.fixed.clear();
        window.fixed.resize(bytes / 512 + 1, false);
        let narrow = Narrow {
            request_bytes: WINDOW as u32,
            finest_bytes: 0,
        };
        self.stored
            .read(sectors, at, &mut window.bytes, narrow, &mut window.missing)
    }

    /// One record, through a window that is moved when it does not hold it.
    pub fn record<'w>(
        &'w self,
        sectors: &dyn Sectors,
        window: &'w mut Window,
        number: u64,
    ) -> Result<Result<(&'w [u8], Header), NoRecord>, Fault> {
        let record = u64::from(self.record_bytes);
        let at = number.saturating_mul(record);
        let end = self.records().saturating_mul(record);
        if at >= end {
            return Ok(Err(NoRecord::Unread));
        }
        if let Some((_, bytes, head)) = self.stand_in.iter().find(|(own, ..)| *own == number) {
            return Ok(Ok((bytes, *head)));
        }
        if !window.holds(at, self.record_bytes) {
            self.load(sectors, window, at, end)?;
        }
        Ok(window.record(at, self.record_bytes))
    }
}

/// The table's bitmap, to its end; empty when any of it is missing. `covered` records have clusters.
fn bitmap(
    sectors: &dyn Sectors,
    ground: &Ground,
    own: &Own,
    covered: u64,
    findings: &mut Findings,
) -> Result<Vec<u8>, Fault> {
    if let Some(bits) = &own.bitmap_inline {
        return Ok(bits.clone());
    }
    let said = own.bitmap_bytes.unwrap_or(0);
    // A bitmap that says more than any table needs is not read for ever.
    let wanted = said.min(covered.div_ceil(8).max(BITS));
    let laid = laid_of(ground, &own.bitmap);
    if wanted == 0 || laid.trouble.is_some() || laid.bytes < wanted {
        return Ok(Vec::new());
    }
    if wanted < said {
        findings.note("record-bitmap-cut", Weight::OpenPoint, Some(0), || {
            format!("the file table's own bitmap says that it has {said} bytes; the first {wanted} were compared")
        });
    }
    let mut bits = vec![0u8; usize::try_from(wanted).unwrap_or(0)];
    let mut missing = Ranges::new();
    Stored::new(laid.pieces).read(sectors, 0, &mut bits, Narrow::default(), &mut missing)?;
    if missing.is_empty() {
        Ok(bits)
    } else {
        Ok(Vec::new())
    }
}

/// Number behind the last bit that is set.
fn end_of(bits: &[u8]) -> u64 {
    let last = bits.iter().enumerate().rev().find(|(_, byte)| **byte != 0);
    last.map_or(0, |(at, byte)| {
        at as u64 * 8 + u64::from(8 - byte.leading_zeros())
    })
}

/// Bits set from number `from` on.
fn set_from(bits: &[u8], from: u64) -> u64 {
    let rest = bits.iter().enumerate().skip((from / 8) as usize);
    rest.fold(0, |sum, (at, byte)| {
        let below = from.saturating_sub(at as u64 * 8).min(8);
        sum + u64::from((u16::from(*byte) >> below).count_ones())
    })
}

/// A stretch of the table in memory; at first an empty one.
#[derive(Default)]
pub struct Window {
    at: u64,
    bytes: Vec<u8>,
    missing: Ranges,
    /// Records of this window that were fixed already.
    fixed: Vec<bool>,
}

impl Window {
    fn end(&self) -> u64 {
        self.at.saturating_add(self.bytes.len() as u64)
    }

    fn holds(&self, at: u64, record_bytes: u32) -> bool {
        at >= self.at && at.saturating_add(record_bytes.into()) <= self.end()
    }

    fn record(&mut self, at: u64, record_bytes: u32) -> Result<(&[u8], Header), NoRecord> {
        let head = self.head(at, record_bytes)?;
        let bytes = self.slice(at, record_bytes).ok_or(NoRecord::Unread)?;
        Ok((bytes, head))
    }

    /// A record's bytes as they are now; `None` = some of them were not read.
    fn slice(&self, at: u64, record_bytes: u32) -> Option<&[u8]> {
        let end = at.saturating_add(record_bytes.into());
        let torn = self
            .missing
            .iter()
            .any(|(from, bytes)| *from < end && from.saturating_add(*bytes) > at);
        let into = usize::try_from(at.checked_sub(self.at)?).ok()?;
        let end = into.checked_add(record_bytes as usize)?;
        self.bytes.get(into..end).filter(|_| !torn)
    }

    /// Fixes a record where that was not done yet, and reads its header.
    fn head(&mut self, at: u64, record_bytes: u32) -> Result<Header, NoRecord> {
        if self.slice(at, record_bytes).is_none() {
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
        Ok(head)
    }
}

/// Reads an attribute list kept in clusters, `real` bytes long; `None` = (partly) unreadable or too long.
pub fn read_list(
    sectors: &dyn Sectors,
    ground: &Ground,
    part: Part<'_>,
    real: Option<u64>,
) -> Result<Option<Vec<u8>>, Fault> {
    let laid = lay(ground, &[part], false);
    let bytes = real.unwrap_or(u64::MAX);
    if laid.trouble.is_some() || bytes > laid.bytes.min(LIST_BYTES) {
        return Ok(None);
    }
    let mut out = vec![0u8; usize::try_from(bytes).unwrap_or(0)];
    let mut missing = Ranges::new();
    Stored::new(laid.pieces).read(sectors, 0, &mut out, Narrow::default(), &mut missing)?;
    Ok(missing.is_empty().then_some(out))
}
