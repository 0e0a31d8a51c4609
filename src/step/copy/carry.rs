//! Carrying one item: read once, hash twice, write to every destination that lacks it.
//!
//! Invariant: what is written stands under a temporary name until the committer has made it
//! durable; the two digests are of exactly the bytes that were handed to the destinations.

use super::buffers::{Buffers, PART, was_stopped};
use crate::ledger::{Got, GotRow, ItemRow};
use crate::port::{Content, Destination, Fault, FaultKind, Stretch, Writing};
use crate::read::digest::Digests;
use crate::read::places::Place;
use crate::read::source::{Opener, unchanged};
use crate::survey::item::Mark;
use crate::value::{Blake3, Sha256};
use std::sync::Arc;

/// From this size on, page-aligned requests that bypass the page cache pay off.
const DIRECT_FROM_BYTES: u64 = 128 << 10;
/// From this size on, reading, hashing and writing run on threads of their own.
const SPLIT_FROM_BYTES: u64 = 16 << 20;
/// The border of requests that bypass the page cache.
pub(super) const PAGE: usize = 4096;
/// After this many failed pages in a row, a dead stretch is leapt through rather than asked page by page.
const PATIENCE_PAGES: u32 = 64;
/// Bytes of one leap.
const LEAP: usize = 16 * PAGE;
/// After this many requests without an answer in time, nothing more of an item is asked for.
const MOST_SILENCES: u32 = 3;

/// One item to carry.
pub struct Errand {
    /// The item.
    pub item: ItemRow,
    /// What was got before.
    pub before: GotRow,
    /// Where its folder is.
    pub at: Arc<Place>,
    /// Destinations that it is not carried to in this run, because they have no room for it (bit mask).
    pub passed: u64,
    /// What stands under its name at a destination is replaced: a copy with gaps of which fewer are left.
    pub anew: bool,
}

impl Errand {
    /// The destinations (bit mask) of `mask` that it is to be written to.
    pub fn lacking(&self, mask: u64) -> u64 {
        if self.anew || self.before.state == Got::Changed {
            mask
        } else {
            mask & !self.before.written
        }
    }
}

/// What carrying came to. Nothing of it counts before the committer has made it durable.
pub struct Done {
    /// The errand.
    pub errand: Errand,
    /// The new row; `written` holds the destinations whose temporary file is complete.
    pub got: GotRow,
    /// Destinations that failed while this item was written.
    pub failed: Vec<(usize, Fault)>,
    /// The source itself is gone: stop.
    pub source_gone: Option<Fault>,
}

/// Name of an item's temporary file at a destination.
pub fn temporary(item: i64) -> String {
    format!("in-work/{item}")
}

/// The destinations that one carrying run writes to.
pub struct Targets<'a> {
    /// All destinations of the job by number; `None` = not reachable now.
    pub all: &'a [Option<&'a dyn Destination>],
    /// Bit n = write to destination n.
    pub mask: u64,
}

/// Open temporary files, one a destination.
struct Fan {
    open: Vec<(usize, Option<Box<dyn Writing>>)>,
    failed: Vec<(usize, Fault)>,
}

impl Fan {
    fn create(targets: &Targets<'_>, lacking: u64, item: i64, bytes: u64) -> Self {
        let mut fan = Self {
            open: Vec::new(),
            failed: Vec::new(),
        };
        for (number, destination) in targets.all.iter().enumerate() {
            let Some(destination) = destination.filter(|_| lacking & (1 << number) != 0) else {
                continue;
            };
            let path = temporary(item);
            let made = match destination.create(&path, bytes) {
                Err(fault) if fault.kind == FaultKind::Exists => destination
                    .remove(&path)
                    .and_then(|()| destination.create(&path, bytes)),
                other => other,
            };
            match made {
                Ok(writing) => fan.open.push((number, Some(writing))),
                Err(fault) => fan.failed.push((number, fault)),
            }
        }
        fan
    }

    fn write(&mut self, at: u64, bytes: &[u8]) {
        for (number, writing) in &mut self.open {
            if let Some(open) = writing
                && let Err(fault) = open.write_at(at, bytes)
            {
                self.failed.push((*number, fault));
                *writing = None;
            }
        }
    }

    /// Closes all; the mask of those that are complete.
    fn finish(mut self, bytes: u64) -> (u64, Vec<(usize, Fault)>) {
        let mut mask = 0;
        for (number, writing) in self.open {
            if let Some(open) = writing {
                match open.finish(bytes) {
                    Ok(()) => mask |= 1 << number,
                    Err(fault) => self.failed.push((number, fault)),
                }
            }
        }
        (mask, self.failed)
    }

    fn any_open(&self) -> bool {
        self.open.iter().any(|(_, writing)| writing.is_some())
    }
}

/// Faults after which asking on makes no sense.
fn ends_it(kind: FaultKind) -> bool {
    matches!(
        kind,
        FaultKind::Gone | FaultKind::Missing | FaultKind::Denied
    )
}

/// How long an item that does not answer is asked on.
#[derive(Debug, Clone, Copy, Default)]
pub(super) struct Patience {
    /// Requests of this item that had no answer in time.
    no_answers: u32,
}

impl Patience {
    fn is_over(self) -> bool {
        self.no_answers >= MOST_SILENCES
    }
}

/// Reads `want` bytes at `at`. Content that knows its gaps names them to the byte; otherwise a failing request is
/// narrowed to pages. What stays unreadable is zeros and listed.
fn read_stretch(
    content: &dyn Content,
    at: u64,
    want: usize,
    direct: bool,
    buf: &mut [u8],
    patience: &mut Patience,
) -> Result<Stretch, Fault> {
    let mut out = Stretch::default();
    let mut failed_in_row = 0u32;
    // Whole first; after a failure in pages until the stretch ends.
    let (mut step, mut narrowed) = (want, false);
    while out.bytes < want {
        let room = step.min(want - out.bytes);
        match ask(content, at, out.bytes, room, direct || narrowed, buf) {
            Ok(got) if got.bytes == 0 => break,
            Ok(got) => {
                if failed_in_row > PATIENCE_PAGES {
                    // A leap over a dead stretch ended in good ground: where that begins is looked for from its end.
                    look_back(content, at, out.bytes, buf, &mut out.missing);
                }
                failed_in_row = 0;
                out.bytes = (out.bytes + got.bytes).min(want);
                take_missing(&mut out.missing, &mut out.fault, got.missing, got.fault);
            }
            Err(fault) if ends_it(fault.kind) => return Err(fault),
            Err(fault) if fault.kind == FaultKind::NoAnswer => {
                // Each silence takes minutes: the rest of this stretch is not asked for, and after a few of them
                // nothing of the item is.
                patience.no_answers += 1;
                let rest = want - out.bytes;
                buf[out.bytes..want].fill(0);
                add_range(&mut out.missing, at + out.bytes as u64, rest as u64);
                out.fault = Some(fault);
                out.bytes = want;
            }
            Err(_) if !narrowed => (step, narrowed) = (PAGE, true),
            Err(fault) => {
                failed_in_row += 1;
                // A long dead stretch is not asked page by page for ever, but leapt through.
                let skip = if failed_in_row > PATIENCE_PAGES {
                    LEAP
                } else {
                    PAGE
                };
                let skip = skip.min(want - out.bytes);
                buf[out.bytes..out.bytes + skip].fill(0);
                add_range(&mut out.missing, at + out.bytes as u64, skip as u64);
                out.fault = Some(fault);
                out.bytes += skip;
            }
        }
    }
    Ok(out)
}

/// One request for `room` bytes, `done` bytes into a stretch that begins at `at`.
fn ask(
    content: &dyn Content,
    at: u64,
    done: usize,
    room: usize,
    pages: bool,
    buf: &mut [u8],
) -> Result<Stretch, Fault> {
    let from = at + done as u64;
    if let Some(got) = content.read_around(from, &mut buf[done..done + room]) {
        return got;
    }
    // A request that bypasses the cache must be a whole number of pages, and one that should not must be none;
    // the buffer has room for either.
    let whole_pages = at.is_multiple_of(PAGE as u64) && done.is_multiple_of(PAGE) && pages;
    let ask = if whole_pages {
        room.next_multiple_of(PAGE)
    } else {
        room + usize::from(room.is_multiple_of(PAGE))
    };
    let end = (done + ask).min(buf.len());
    let bytes = content.read_at(from, &mut buf[done..end])?;
    Ok(Stretch {
        bytes,
        ..Stretch::default()
    })
}

/// Asks backwards from `done`, page by page, for what was leapt over, until a page fails again.
fn look_back(
    content: &dyn Content,
    at: u64,
    done: usize,
    buf: &mut [u8],
    missing: &mut [(u64, u64)],
) {
    let mut page = vec![0u8; PAGE];
    let mut end = done;
    for _ in 1..LEAP / PAGE {
        let Some(begin) = end.checked_sub(PAGE).filter(|_| end.is_multiple_of(PAGE)) else {
            return;
        };
        match content.read_at(at + begin as u64, &mut page) {
            Ok(count) if count == PAGE => {}
            _ => return,
        }
        let Some((_, length)) = missing
            .last_mut()
            .filter(|(first, length)| first + *length == at + end as u64 && *length > PAGE as u64)
        else {
            return;
        };
        *length -= PAGE as u64;
        buf[begin..end].copy_from_slice(&page);
        end = begin;
    }
}

/// Adds a range to a sorted list, joining neighbours.
pub(super) fn add_range(list: &mut Vec<(u64, u64)>, first: u64, bytes: u64) {
    match list.last_mut() {
        Some((last, length)) if *last + *length == first => *length += bytes,
        _ => list.push((first, bytes)),
    }
}

/// What kind of source items are carried from.
#[derive(Debug, Clone, Copy)]
pub struct Nature {
    /// Its stamps can be compared with those of the survey.
    pub has_stamps: bool,
    /// It is only another destination's copies.
    pub is_copy: bool,
}

impl Nature {
    /// Of this source.
    pub fn of(source: &dyn crate::read::source::Source) -> Self {
        Self {
            has_stamps: source.has_stamps(),
            is_copy: source.is_copy(),
        }
    }
}

/// Carries one item.
pub fn carry(
    errand: Errand,
    opener: &mut dyn Opener,
    of: Nature,
    targets: &Targets<'_>,
    buffers: &Buffers<'_>,
) -> Done {
    let lacking = errand.lacking(targets.mask) & !errand.passed;
    let before = errand.before.clone();
    let held = before.written != 0 && matches!(before.state, Got::Whole | Got::Gaps);
    if of.is_copy && !held {
        // Another destination's copies are no source for what was never copied.
        return kept(errand, Vec::new());
    }
    match attempt(&errand, opener, of.has_stamps, targets, lacking, buffers) {
        Ok((mut got, failed)) => {
            if of.is_copy {
                // A copy of a copy is the same item: its gaps stay gaps, and other bytes are no copy of it.
                if (got.blake3, got.sha256) != (before.blake3, before.sha256) {
                    return kept(errand, failed);
                }
                let written = got.written;
                got = before.clone();
                got.written |= written;
            } else if held && is_less(&got, &before) {
                // The source got worse; what was saved of it before is not given up for less.
                return kept(errand, failed);
            } else if errand.anew && got.state == before.state && got.missing == before.missing {
                // Nothing was gained: what stands there stays, as it was read back.
                return kept(errand, failed);
            } else if held && got.state == before.state && got.missing == before.missing {
                // A copy from an earlier run counts on only if both readings of the source gave the same bytes.
                if got.blake3 == before.blake3 {
                    got.written |= before.written;
                    got.verified = before.verified;
                    got.mismatch = before.mismatch;
                    got.again = if before.state == Got::Whole {
                        1
                    } else {
                        before.again
                    };
                } else {
                    got.again = 2;
                }
            }
            Done {
                errand,
                got,
                failed,
                source_gone: None,
            }
        }
        // It is as if it had not been begun.
        Err(fault) if was_stopped(&fault) => kept(errand, Vec::new()),
        // What cannot be read any more was saved before: that copy is all there is now.
        Err(fault) if held && fault.kind != FaultKind::Gone => kept(errand, Vec::new()),
        // The survey said so already.
        Err(fault) if fault.kind == FaultKind::Missing && errand.item.marks.has(Mark::Gone) => {
            kept(errand, Vec::new())
        }
        Err(fault) => {
            let mut got = GotRow::nothing(errand.item.id);
            got.fault = Some(fault.to_string());
            let gone = fault.kind == FaultKind::Gone;
            got.state = match fault.kind {
                FaultKind::Gone => Got::Nothing,
                FaultKind::Missing => Got::Changed,
                _ => Got::Unreadable,
            };
            Done {
                errand,
                got,
                failed: Vec::new(),
                source_gone: gone.then_some(fault),
            }
        }
    }
}

/// Whether a new reading got less of an item than an earlier one: it counts as less when more bytes are missing.
/// A changed item is another one, not less.
fn is_less(got: &GotRow, before: &GotRow) -> bool {
    let lost = |row: &GotRow| match row.state {
        Got::Whole => Some(0),
        Got::Gaps => Some(row.missing.iter().map(|(_, bytes)| bytes).sum::<u64>()),
        Got::Unreadable => Some(u64::MAX),
        Got::Nothing | Got::Changed => None,
    };
    match (lost(got), lost(before)) {
        (Some(now), Some(then)) => now > then,
        // Nothing was attempted; the state that stands says more.
        (None, _) => got.state == Got::Nothing,
        (_, None) => false,
    }
}

/// An errand that came to nothing new: the row stays as it was.
fn kept(errand: Errand, failed: Vec<(usize, Fault)>) -> Done {
    Done {
        got: errand.before.clone(),
        errand,
        failed,
        source_gone: None,
    }
}

type Attempt = Result<(GotRow, Vec<(usize, Fault)>), Fault>;

fn attempt(
    errand: &Errand,
    opener: &mut dyn Opener,
    has_stamps: bool,
    targets: &Targets<'_>,
    lacking: u64,
    buffers: &Buffers<'_>,
) -> Attempt {
    let item = &errand.item;
    let content = opener.open(item, &errand.at)?;
    if has_stamps && !unchanged(item, &content.stamp()?) {
        let mut got = GotRow::nothing(item.id);
        got.state = Got::Changed;
        got.fault = Some("it changed since the survey".to_owned());
        return Ok((got, Vec::new()));
    }
    let sparse = item.is_sparse();
    let mut fan = Fan::create(targets, lacking, item.id, item.bytes);
    if !fan.any_open() {
        return Ok((
            GotRow {
                state: Got::Nothing,
                ..GotRow::nothing(item.id)
            },
            fan.failed,
        ));
    }
    let (read, missing, fault, digests) =
        if item.bytes >= SPLIT_FROM_BYTES && !sparse && buffers.may_split() {
            super::split::stream(
                content.as_ref(),
                item.bytes,
                &mut |at, bytes| fan.write(at, bytes),
                buffers,
            )?
        } else {
            stream(content.as_ref(), item.bytes, sparse, &mut fan, buffers)?
        };
    let steady = read == item.bytes && (!has_stamps || unchanged(item, &content.stamp()?));
    let (written, failed) = fan.finish(read);
    let mut got = GotRow::nothing(item.id);
    if !steady {
        got.state = Got::Changed;
        got.fault = Some("it changed while it was read".to_owned());
        return Ok((got, failed));
    }
    let lost: u64 = missing.iter().map(|(_, bytes)| bytes).sum();
    (got.blake3, got.sha256) = (Some(digests.0), Some(digests.1));
    got.state = if missing.is_empty() {
        Got::Whole
    } else if lost >= item.bytes {
        Got::Unreadable
    } else {
        Got::Gaps
    };
    got.missing = missing;
    got.fault = fault.map(|f| f.to_string());
    got.written = written;
    if got.state == Got::Unreadable {
        // A copy of zeros only is no copy: nothing is kept under the item's name.
        (got.written, got.blake3, got.sha256) = (0, None, None);
    }
    Ok((got, failed))
}

/// What streaming came to: bytes, missing ranges, newest fault, digests.
pub(super) type Streamed = (u64, Vec<(u64, u64)>, Option<Fault>, (Blake3, Sha256));

/// One thread: read, hash, write, part by part.
fn stream(
    content: &dyn Content,
    bytes: u64,
    sparse: bool,
    fan: &mut Fan,
    buffers: &Buffers<'_>,
) -> Result<Streamed, Fault> {
    let mut hashes = Digests::default();
    let mut missing = Vec::new();
    let mut fault = None;
    let mut block = buffers.take();
    let direct = bytes >= DIRECT_FROM_BYTES;
    let mut patience = Patience::default();
    let mut at = 0u64;
    while at < bytes {
        buffers.go_on(at)?;
        let want = usize::try_from(bytes - at).unwrap_or(PART).min(PART);
        if sparse {
            // Holes are hashed as the zeros they read as, and not written: the final length makes them again.
            let (first, length) = content.data_after(at)?.unwrap_or((bytes, 0));
            if first > at {
                let hole = (first.min(bytes) - at).min(PART as u64) as usize;
                block[..hole].fill(0);
                hashes.update(&block[..hole]);
                at += hole as u64;
                continue;
            }
            let want = want
                .min(usize::try_from(first + length - at).unwrap_or(PART))
                .max(1);
            let got = read_part(content, at, want, direct, &mut block, &mut patience)?;
            if got.bytes == 0 {
                break;
            }
            hashes.update(&block[..got.bytes]);
            fan.write(at, &block[..got.bytes]);
            take_missing(&mut missing, &mut fault, got.missing, got.fault);
            at += got.bytes as u64;
            continue;
        }
        let got = read_part(content, at, want, direct, &mut block, &mut patience)?;
        if got.bytes == 0 {
            break;
        }
        hashes.update(&block[..got.bytes]);
        // Whole pages bypass the cache; the padding behind the end goes when the length is set.
        let padded = if direct {
            got.bytes.next_multiple_of(PAGE)
        } else {
            got.bytes
        };
        block[got.bytes..padded].fill(0);
        fan.write(at, &block[..padded]);
        take_missing(&mut missing, &mut fault, got.missing, got.fault);
        at += got.bytes as u64;
    }
    buffers.give(block);
    Ok((at, missing, fault, hashes.finish()))
}

pub(super) fn take_missing(
    all: &mut Vec<(u64, u64)>,
    newest: &mut Option<Fault>,
    some: Vec<(u64, u64)>,
    fault: Option<Fault>,
) {
    for (first, bytes) in some {
        add_range(all, first, bytes);
    }
    if fault.is_some() {
        *newest = fault;
    }
}

/// Reads one part of an item, or takes it for missing when the item has been silent too often.
pub(super) fn read_part(
    content: &dyn Content,
    at: u64,
    want: usize,
    direct: bool,
    buf: &mut [u8],
    patience: &mut Patience,
) -> Result<Stretch, Fault> {
    if !patience.is_over() {
        return read_stretch(content, at, want, direct, buf, patience);
    }
    buf[..want].fill(0);
    Ok(Stretch {
        bytes: want,
        missing: vec![(at, want as u64)],
        fault: Some(Fault::new(
            FaultKind::NoAnswer,
            "reading on in an item",
            "not asked for any more: the drive did not answer in time",
        )),
    })
}

#[cfg(test)]
#[path = "carry_tests.rs"]
mod tests;
