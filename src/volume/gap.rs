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
/// Faults after which the rest is left unread: a weak drive is not worn out on gaps (engineering judgement).
const FAULTS: u32 = 8;
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
    /// Bytes not read: faults, or the budget was spent.
    pub unread: u64,
    /// Of these, the bytes that were not asked for because the budget was spent.
    pub beyond: u64,
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
    let mut counts = [0u64; 256];
    let mut buf = vec![0u8; STEP as usize];
    let (mut at, mut faults, mut read) = (0, 0, 0u64);
    while at < part.bytes() {
        // Steps end on absolute 1 MiB borders, so that a lost volume starts at the start of a buffer.
        let absolute = part.absolute(at);
        let bytes = (STEP - absolute % STEP).min(part.bytes() - at);
        if faults >= FAULTS || read.saturating_add(bytes) > budget.bytes {
            let rest = part.bytes() - at;
            out.unread += rest;
            out.beyond = if faults >= FAULTS { 0 } else { rest };
            break;
        }
        let Some(piece) = buf.get_mut(..bytes as usize) else {
            break;
        };
        match part.read(at, piece) {
            Ok(()) => {
                read += bytes;
                weigh(piece, absolute, &mut out, &mut counts);
                find_lost(&part, piece, at, &mut out.candidates);
            }
            Err(fault) => {
                faults += 1;
                if matches!(fault.kind, FaultKind::Gone) {
                    faults = FAULTS;
                }
                out.unread += bytes;
                out.fault.get_or_insert(fault);
            }
        }
        at += bytes;
    }
    for candidate in &mut out.candidates {
        if candidate.bytes.is_none() {
            candidate.bytes = own_length(sectors, place, candidate);
        }
    }
    out.high_entropy = out.content >= NOISE_BYTES && bits_per_byte(&counts) >= NOISE_BITS;
    out
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
fn is_blank(bytes: &[u8]) -> bool {
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
/// behind them, and by an NTFS backup sector just before the next border.
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
        let what = if head.len() >= 8192 {
            signature::head_kind(head)
        } else {
            let offset = at + from as u64;
            let bytes = (part.bytes() - offset).min(72 << 10) as usize;
            part.read_vec(offset, bytes)
                .ok()
                .and_then(|head| signature::head_kind(&head))
        };
        if let Some(what) = what
            && !found.iter().any(|known| known.first_byte == first_byte)
        {
            found.push(Candidate {
                what,
                first_byte,
                bytes: None,
                by_backup: false,
            });
        }
    }
    // The last sector of a volume that ended on a border.
    let last = piece
        .len()
        .checked_sub(512)
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
#[allow(clippy::single_range_in_vec_init)] // bad places are ranges
mod tests {
    use super::*;
    use crate::volume::bytes::Image;

    const ALL: Budget = Budget { bytes: u64::MAX };

    fn noise(bytes: usize) -> Vec<u8> {
        let mut state = 0x9E37_79B9_7F4A_7C15u64;
        (0..bytes)
            .map(|_| {
                state ^= state << 13;
                state ^= state >> 7;
                state ^= state << 17;
                (state >> 32) as u8
            })
            .collect()
    }

    #[test]
    fn blank_means_that_every_byte_was_read() {
        let mut image = Image::new(vec![0; 3 << 20]);
        assert_eq!(
            look(&image, image.place(), ALL).content(),
            GapContent::Blank
        );
        let short = Budget { bytes: 2 << 20 };
        let seen = look(&image, image.place(), short);
        assert_eq!(seen.content(), GapContent::Unread { bytes: 1 << 20 });
        assert_eq!(seen.beyond, 1 << 20);
        image.bad = vec![(1 << 20)..(1 << 20) + 1];
        let seen = look(&image, image.place(), ALL);
        assert_eq!(seen.content(), GapContent::Unread { bytes: 1 << 20 });
        assert!(seen.fault.is_some());
        let beyond = Place {
            first_byte: 2 << 20,
            bytes: 5 << 20,
        };
        assert_eq!(look(&image, beyond, ALL).unread, 4 << 20);
    }

    #[test]
    fn one_byte_in_a_gap_is_content() {
        let mut image = Image::new(vec![0; 2 << 20]);
        image.bytes[0x18_0007] = 1;
        let seen = look(&image, image.place(), ALL);
        assert_eq!(
            seen.content(),
            GapContent::Content {
                bytes: 512,
                first: 0x18_0000
            }
        );
        assert_eq!(seen.blank + seen.content + seen.unread, seen.bytes);
        image.bytes.fill(0xFF);
        assert_eq!(
            look(&image, image.place(), ALL).content(),
            GapContent::Blank
        );
    }

    #[test]
    fn noise_is_told_from_text() {
        let image = Image::new(noise(1 << 20));
        assert!(look(&image, image.place(), ALL).high_entropy);
        let text: Vec<u8> = b"the quick brown fox "
            .iter()
            .copied()
            .cycle()
            .take(1 << 20)
            .collect();
        let image = Image::new(text);
        assert!(!look(&image, image.place(), ALL).high_entropy);
    }

    fn ntfs_boot(sectors: u64) -> Vec<u8> {
        let mut boot = vec![0u8; 512];
        boot[3..11].copy_from_slice(b"NTFS    ");
        boot[11..13].copy_from_slice(&512u16.to_le_bytes());
        boot[13] = 8;
        boot[0x28..0x30].copy_from_slice(&sectors.to_le_bytes());
        boot[510..512].copy_from_slice(&[0x55, 0xAA]);
        boot
    }

    #[test]
    fn lost_volumes_are_found_at_both_alignments_and_by_their_backup() {
        let mut image = Image::new(vec![0; 24 << 20]);
        let put = |image: &mut Image, at: usize, bytes: &[u8]| {
            image.bytes[at..at + bytes.len()].copy_from_slice(bytes);
        };
        put(&mut image, 5 << 20, &ntfs_boot(100));
        put(&mut image, 16_065 * 512 + 63 * 512, b"XFSB\0\0\x10\0");
        put(&mut image, 63 * 512, b"LUKS\xBA\xBE\0\x02");
        // Its first sector is gone: 2 MiB that end at 12 MiB.
        put(&mut image, (12 << 20) - 512, &ntfs_boot(4095));
        let seen = look(&image, image.place(), ALL);
        let places: Vec<_> = seen
            .candidates
            .iter()
            .map(|c| (c.first_byte, c.what, c.by_backup))
            .collect();
        assert_eq!(
            places,
            [
                (63 * 512, What::Luks2, false),
                (5 << 20, What::Ntfs, false),
                ((16_065 + 63) * 512, What::Xfs, false),
                (10 << 20, What::Ntfs, true),
            ]
        );
    }

    #[test]
    fn what_lies_beside_a_lost_volume_is_still_there_to_be_judged() {
        // Volume-table rule: every byte of the drive is in exactly one state. 2 MiB of NTFS at 5 MiB, a bare lock at 12 MiB.
        let mut image = Image::new(vec![0; 16 << 20]);
        image.bytes[5 << 20..(5 << 20) + 512].copy_from_slice(&ntfs_boot(4095));
        image.bytes[12 << 20..(12 << 20) + 8].copy_from_slice(b"LUKS\xBA\xBE\0\x02");
        image.bytes[9 << 20] = 7;
        let seen = look(&image, image.place(), ALL);
        assert_eq!(seen.candidates.len(), 2);
        assert_eq!(seen.candidates[0].bytes, Some(2 << 20));
        let rest: Vec<_> = outside(image.place(), &seen.candidates)
            .iter()
            .map(|place| (place.first_byte >> 20, place.bytes >> 20))
            .collect();
        assert_eq!(rest, [(0, 5), (7, 9)]);
    }

    #[test]
    fn behind_a_shorter_file_system_there_is_a_stretch() {
        let partition = Place {
            first_byte: 1000,
            bytes: 500,
        };
        assert_eq!(
            behind(partition, 300),
            Some(Place {
                first_byte: 1300,
                bytes: 200
            })
        );
        assert_eq!(behind(partition, 500), None);
        assert_eq!(behind(partition, 501), None);
    }
}
