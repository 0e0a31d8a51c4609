//! Looks into the stretches that no table names, and behind file systems that are shorter than
//! their partition: blank, content, or not read. Volumes whose table entry is gone are found on the way.
//!
//! Invariant: blank means that every byte was read; a stretch that could not be read is never blank.

use super::bytes::Part;
use super::filesystem::Place;
use super::signature::{self, What};
use crate::port::{Fault, FaultKind, Sectors};

/// Bytes read at a time, and the step at which lost volumes are looked for (partitions start on
/// 1 MiB borders since 2007 or so).
const STEP: u64 = 1 << 20;
/// Smallest stretch that is told apart.
const GRAIN: usize = 512;
/// A step that cannot be read as a whole is read in pieces of this size, and a piece that cannot be, sector by sector.
const PIECE: usize = 4096;
/// Pieces in a row without one readable sector that make a stretch dead: what follows is leapt over.
const DEAD: u32 = 4;
/// Leaps double while nothing answers, up to this many steps.
const LEAP: u64 = 64;
/// Failed reads after which the rest is not asked for: a weak drive is not worn out on gaps (engineering judgement;
/// one bad block of 4 KiB costs ten).
const FAULTS: u32 = 512;
/// Lost volumes reported at most per look (engineering judgement).
const CANDIDATES: usize = 256;
/// Bits per byte above which content looks like noise (engineering judgement; text is below 5,
/// programs near 6, and only packed or encrypted data comes near 8).
const NOISE_BITS: f64 = 7.99;
/// Content bytes below which nothing is said about noise.
const NOISE_BYTES: u64 = 256 << 10;
/// Sectors per track and per cylinder of the old alignment (255 heads).
const TRACK: u64 = 63;
const CYLINDER: u64 = 255 * 63;

/// How much one look may read.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Budget {
    /// Bytes at most.
    pub bytes: u64,
}

/// What a stretch holds, in one word.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum GapContent {
    /// Every byte was read, and all of it is zeros or all-ones.
    Blank,
    /// This many bytes, in 512-byte steps, are neither; the first of them starts at byte `first` of the drive.
    Content {
        /// Bytes with content.
        bytes: u64,
        /// First byte with content, from the start of the drive.
        first: u64,
    },
    /// What was read is blank, but this many bytes were not read.
    Unread {
        /// Bytes not read.
        bytes: u64,
    },
}

/// A volume that no table names any more.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Candidate {
    /// What it seems to be.
    pub what: What,
    /// Its first byte, from the start of the drive.
    pub first_byte: u64,
    /// Length by its own word, within the stretch; `None` = it does not say.
    pub bytes: Option<u64>,
    /// Told by the backup sector at its end only; its start is blank or overwritten.
    pub by_backup: bool,
}

/// The outcome of one look.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct GapLook {
    /// First byte of the stretch, from the start of the drive.
    pub first_byte: u64,
    /// Bytes of the stretch.
    pub bytes: u64,
    /// Bytes read, in 512-byte steps of zeros or all-ones.
    pub blank: u64,
    /// Bytes read, in 512-byte steps of anything else.
    pub content: u64,
    /// First byte with content, from the start of the drive.
    pub first_content: Option<u64>,
    /// The byte behind the last one with content, from the start of the drive; 0 = there is none.
    pub content_end: u64,
    /// Bytes not read: faults, or not asked for.
    pub unread: u64,
    /// Of these, the bytes that were not asked for because the budget was spent.
    pub beyond: u64,
    /// Of these, the bytes that were not asked for because the drive did not answer around them.
    pub leapt: u64,
    /// The first fault.
    pub fault: Option<Fault>,
    /// The content looks like noise (packed or encrypted).
    pub high_entropy: bool,
    /// Lost volumes.
    pub candidates: Vec<Candidate>,
}

impl GapLook {
    /// Everything was read, and all of it is blank.
    pub fn is_blank(&self) -> bool {
        self.unread == 0 && self.content == 0 && self.blank == self.bytes
    }

    /// In one word; content weighs more than what was not read (see `unread` for both).
    pub fn content(&self) -> GapContent {
        match self.first_content {
            Some(first) => GapContent::Content {
                bytes: self.content,
                first,
            },
            None if self.is_blank() => GapContent::Blank,
            None => GapContent::Unread { bytes: self.unread },
        }
    }
}

/// The stretch behind a file system of `file_system_bytes` inside its partition; `None` = there is none.
pub fn behind(partition: Place, file_system_bytes: u64) -> Option<Place> {
    let bytes = partition.bytes.checked_sub(file_system_bytes)?;
    (bytes > 0).then_some(Place {
        first_byte: partition.first_byte.saturating_add(file_system_bytes),
        bytes,
    })
}

/// Reads a stretch from its start until the budget is spent. Memory: one MiB, whatever its length.
pub fn look(sectors: &dyn Sectors, place: Place, budget: Budget) -> GapLook {
    let part = Part::new(sectors, place);
    let mut out = GapLook {
        first_byte: place.first_byte,
        bytes: place.bytes,
        // Beyond the end of the drive nothing can be read.
        unread: place.bytes - part.bytes(),
        ..GapLook::default()
    };
    let mut buf = vec![0u8; STEP as usize];
    let mut reader = Reader {
        part,
        counts: [0; 256],
        faults: 0,
        dead: 0,
        leap: 1,
    };
    let (mut at, mut read) = (0, 0u64);
    while at < part.bytes() {
        // Steps end on absolute 1 MiB borders, so that a lost volume starts at the start of a buffer.
        let absolute = part.absolute(at);
        let bytes = (STEP - absolute % STEP).min(part.bytes() - at);
        let rest = part.bytes() - at;
        if reader.faults >= FAULTS {
            out.unread += rest;
            out.leapt += rest;
            break;
        }
        if read.saturating_add(bytes) > budget.bytes {
            out.unread += rest;
            out.beyond = rest;
            break;
        }
        let Some(step) = buf.get_mut(..bytes as usize) else {
            break;
        };
        read += bytes;
        let whole = reader.step(step, at, &mut out);
        find_lost(&part, step, at, &mut out.candidates);
        at += bytes;
        if !whole && reader.dead >= DEAD {
            // Nothing answered up to the end of this step: the next ones are tried at growing distances.
            let over = ((reader.leap - 1) * STEP).min(part.bytes() - at);
            out.unread += over;
            out.leapt += over;
            at += over;
            reader.leap = (reader.leap * 2).min(LEAP);
        } else {
            reader.leap = 1;
        }
    }
    for candidate in &mut out.candidates {
        if candidate.bytes.is_none() {
            candidate.bytes = own_length(sectors, place, candidate);
        }
    }
    drop_inner(&mut out.candidates);
    let counts = reader.counts;
    out.high_entropy = out.content >= NOISE_BYTES && bits_per_byte(&counts) >= NOISE_BITS;
    out
}

/// Reads step by step, and a step with bad places in small pieces, so that one bad sector hides nothing but itself.
struct Reader<'a> {
    part: Part<'a>,
    /// How often each byte value occurs in content.
    counts: [u64; 256],
    /// Failed reads so far.
    faults: u32,
    /// Pieces without one readable sector, in a row up to here.
    dead: u32,
    /// Steps to go on by where nothing answers.
    leap: u64,
}

impl Reader<'_> {
    fn read(&mut self, at: u64, buf: &mut [u8], out: &mut GapLook) -> bool {
        match self.part.read(at, buf) {
            Ok(()) => true,
            Err(fault) => {
                self.faults = match fault.kind {
                    FaultKind::Gone => FAULTS,
                    _ => self.faults.saturating_add(1),
                };
                out.fault.get_or_insert(fault);
                // What could not be read shows nothing, whatever the failed read left behind.
                buf.fill(0);
                false
            }
        }
    }

    /// Fills one step and weighs what was read of it; whether all of it was.
    fn step(&mut self, step: &mut [u8], at: u64, out: &mut GapLook) -> bool {
        let absolute = self.part.absolute(at);
        if self.read(at, step, out) {
            weigh(step, absolute, out, &mut self.counts);
            self.dead = 0;
            return true;
        }
        let sector = (self.part.sector_bytes() as usize).clamp(GRAIN, PIECE);
        let mut done = 0u64;
        // Pieces end on borders of their size: a bad block of the drive is one piece.
        let first = PIECE - absolute as usize % PIECE;
        let (head, tail) = step.split_at_mut(first.min(step.len()));
        for (piece, number) in std::iter::once(head)
            .chain(tail.chunks_mut(PIECE))
            .zip(0u64..)
        {
            let bytes = piece.len() as u64;
            let from = at + done;
            done += bytes;
            // In a dead stretch every 64 KiB is tried, and where the steps before were dead, the first piece alone.
            let every = if self.leap > 1 { u64::MAX } else { 16 };
            let over = self.dead >= DEAD && !number.is_multiple_of(every);
            if self.faults >= FAULTS || over {
                out.unread += bytes;
                out.leapt += bytes;
            } else if self.read(from, piece, out) {
                weigh(piece, self.part.absolute(from), out, &mut self.counts);
                self.dead = 0;
            } else if self.dead > 0 {
                // In the midst of a dead stretch its sectors are not asked for one by one.
                out.unread += bytes;
                self.dead = self.dead.saturating_add(1);
            } else {
                let mut any = false;
                for (sector, at) in piece.chunks_mut(sector).zip((from..).step_by(sector)) {
                    if self.faults < FAULTS && self.read(at, sector, out) {
                        weigh(sector, self.part.absolute(at), out, &mut self.counts);
                        any = true;
                    } else {
                        out.unread += sector.len() as u64;
                    }
                }
                self.dead = u32::from(!any);
            }
        }
        false
    }
}

/// Drops what lies within an earlier volume that was found by its own head: an image in one of its files, a copy of
/// its superblock. A span told by a backup sector alone hides nothing.
fn drop_inner(candidates: &mut Vec<Candidate>) {
    candidates.sort_by_key(|candidate| candidate.first_byte);
    let mut end = 0;
    candidates.retain(|candidate| {
        let outside = candidate.first_byte >= end;
        if outside && !candidate.by_backup {
            end = candidate
                .first_byte
                .saturating_add(candidate.bytes.unwrap_or(0));
        }
        outside
    });
}

/// The length that a lost volume gives itself, cut to the stretch.
fn own_length(sectors: &dyn Sectors, place: Place, candidate: &Candidate) -> Option<u64> {
    let rest = Place {
        first_byte: candidate.first_byte,
        bytes: place.end().saturating_sub(candidate.first_byte),
    };
    signature::probe(sectors, rest)
        .hits
        .iter()
        .find(|hit| hit.what == candidate.what && hit.damaged.is_none())
        .and_then(|hit| hit.bytes)
        .map(|bytes| bytes.min(rest.bytes))
}

/// What of a stretch lies outside of the lost volumes found in it. One that does not say how long it is covers nothing:
/// better the same bytes named twice than bytes that nobody looks at.
pub fn outside(place: Place, candidates: &[Candidate]) -> Vec<Place> {
    let mut taken: Vec<(u64, u64)> = candidates
        .iter()
        .filter_map(|found| {
            Some((
                found.first_byte,
                found.first_byte.saturating_add(found.bytes?),
            ))
        })
        .collect();
    taken.sort_unstable();
    let mut out = Vec::new();
    let mut at = place.first_byte;
    for (from, to) in taken.into_iter().chain([(place.end(), place.end())]) {
        let from = from.min(place.end());
        if from > at {
            out.push(Place {
                first_byte: at,
                bytes: from - at,
            });
        }
        at = at.max(to);
    }
    out
}

/// Whether all bytes are 0x00, or all are 0xFF. Comparing the bytes with themselves, moved by one, is what makes
/// reading a large gap as quick as the drive.
pub(super) fn is_blank(bytes: &[u8]) -> bool {
    match bytes {
        [] => true,
        [first, rest @ ..] => matches!(first, 0 | 0xFF) && bytes.get(..rest.len()) == Some(rest),
    }
}

fn weigh(piece: &[u8], absolute: u64, out: &mut GapLook, counts: &mut [u64; 256]) {
    if is_blank(piece) {
        out.blank += piece.len() as u64;
        return;
    }
    for (grain, start) in piece.chunks(GRAIN).zip((absolute..).step_by(GRAIN)) {
        if is_blank(grain) {
            out.blank += grain.len() as u64;
            continue;
        }
        out.content += grain.len() as u64;
        out.first_content.get_or_insert(start);
        out.content_end = start.saturating_add(grain.len() as u64);
        for byte in grain {
            if let Some(count) = counts.get_mut(usize::from(*byte)) {
                *count += 1;
            }
        }
    }
}

/// Shannon's entropy of the byte values.
fn bits_per_byte(counts: &[u64; 256]) -> f64 {
    let total: u64 = counts.iter().sum();
    if total == 0 {
        return 0.0;
    }
    counts
        .iter()
        .filter(|count| **count > 0)
        .map(|count| {
            let share = *count as f64 / total as f64;
            -share * share.log2()
        })
        .sum()
}

/// Looks for lost volumes: at the 1 MiB border that the piece starts on, at old cylinder borders and one track
/// behind them, by their first sector or the copy near by, and by an NTFS backup sector just before the next border.
fn find_lost(part: &Part<'_>, piece: &[u8], at: u64, found: &mut Vec<Candidate>) {
    if is_blank(piece) {
        return;
    }
    let absolute = part.absolute(at);
    let mut places = Vec::new();
    if absolute.is_multiple_of(STEP) {
        places.push(absolute);
    }
    let unit = 512;
    let end = absolute + piece.len() as u64;
    let mut cylinder = (absolute / unit / CYLINDER) * CYLINDER * unit;
    while cylinder < end {
        places.extend([cylinder, cylinder + TRACK * unit]);
        cylinder += CYLINDER * unit;
    }
    for first_byte in places {
        if first_byte < absolute || first_byte >= end || found.len() >= CANDIDATES {
            continue;
        }
        let from = (first_byte - absolute) as usize;
        let head = piece.get(from..).unwrap_or_default();
        // Near the end of the piece the head reaches into the next one.
        let longer = if head.len() >= 72 << 10 {
            None
        } else {
            let offset = at + from as u64;
            let bytes = (part.bytes() - offset).min(72 << 10) as usize;
            part.read_vec(offset, bytes).ok()
        };
        let head = longer.as_deref().unwrap_or(head);
        let seen = match signature::head_kind(head) {
            Some(what) => Some((what, None, false)),
            None => signature::copy_near(head).map(|(what, bytes)| (what, bytes, true)),
        };
        if let Some((what, bytes, by_backup)) = seen
            && !found.iter().any(|known| known.first_byte == first_byte)
        {
            found.push(Candidate {
                what,
                first_byte,
                bytes,
                by_backup,
            });
        }
    }
    // The last sector of a volume that ended on a border.
    let last = piece
        .len()
        .checked_sub((part.sector_bytes() as usize).max(512))
        .and_then(|from| piece.get(from..))
        .and_then(signature::ntfs_bytes);
    if let Some(bytes) = last
        && end.is_multiple_of(STEP)
        && found.len() < CANDIDATES
        && let Some(first_byte) = end.checked_sub(bytes)
        && !found.iter().any(|known| known.first_byte == first_byte)
    {
        found.push(Candidate {
            what: What::Ntfs,
            first_byte,
            bytes: Some(bytes),
            by_backup: true,
        });
    }
}

#[cfg(test)]
#[path = "gap_tests.rs"]
mod tests;
