//! What lies in a partition or gap, told by its content: every signature of the table is tried,
//! and all hits are reported.
//!
//! Invariant: a container or lock is looked for before the file system that its header imitates,
//! and bytes that could not be read are never taken for blank ones.

mod boot;
mod container;
mod locked;
mod state;
mod unix;
mod what;

pub use locked::{Protection, Protector};
pub use state::{VolumeState, deciding, judge};
pub use what::What;

use crate::port::Sectors;
use crate::volume::bytes::{Part, is};
use crate::volume::filesystem::Place;

/// Bytes read from the start of a place for all probes at once.
const HEAD: u64 = 72 << 10;
/// Bytes read from its end: signatures of mirrors and dynamic disks lie in the last MiB.
const TAIL: u64 = 1 << 20;
/// Bytes read piece by piece when the whole cannot be read.
const PIECE: u64 = 4096;

/// One signature found.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Hit {
    /// What it is a signature of.
    pub what: What,
    /// Where it was found, counted from the start of the place.
    pub at: u64,
    /// Length of the volume by its own word, in bytes from the start of the place; `None` = it does not say.
    pub bytes: Option<u64>,
    /// Its label.
    pub label: Option<String>,
    /// Its UUID or serial number.
    pub id: Option<String>,
    /// What is wrong: the header lives only in its backup, or a field makes no sense.
    pub damaged: Option<String>,
    /// Anything else worth a word (level of a set, a saved memory image).
    pub note: Option<String>,
    /// How a locked volume can be opened, as far as the format says so in clear.
    pub protectors: Vec<Protector>,
}

impl Hit {
    fn new(what: What, at: u64) -> Self {
        Self {
            what,
            at,
            bytes: None,
            label: None,
            id: None,
            damaged: None,
            note: None,
            protectors: Vec::new(),
        }
    }
}

/// Everything that the probes found in one place.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct Probe {
    /// All hits, the one that decides first.
    pub hits: Vec<Hit>,
    /// Bytes at the usual places of signatures that could not be read; while this is not 0,
    /// "nothing found" means nothing.
    pub unread_bytes: u64,
}

impl Probe {
    /// The hit that decides what this place is.
    pub fn leading(&self) -> Option<&Hit> {
        self.hits.first()
    }

    /// Whether this was found anywhere.
    pub fn has(&self, what: What) -> bool {
        self.hits.iter().any(|hit| hit.what == what)
    }
}

/// Runs every probe over one place of a drive. Reads about 1.3 MB at most.
pub fn probe(sectors: &dyn Sectors, place: Place) -> Probe {
    let part = Part::new(sectors, place);
    let window = Window::read(part);
    let mut hits = Vec::new();
    locked::probe(&window, &mut hits);
    boot::probe(&window, &mut hits);
    unix::probe(&window, &mut hits);
    container::probe(&window, &mut hits);
    if hits.is_empty() {
        hits.extend(unix::ext_copy(&window));
    }
    hits.sort_by_key(|hit| (hit.damaged.is_some(), hit.what.rank(), hit.at));
    Probe {
        hits,
        unread_bytes: window.unread,
    }
}

/// Whether something recognisable starts at this byte of the drive; reads 72 KiB at most.
pub fn at_start(sectors: &dyn Sectors, first_byte: u64) -> bool {
    let place = Place {
        first_byte,
        bytes: HEAD,
    };
    let part = Part::new(sectors, place);
    let mut head = vec![0; part.bytes() as usize];
    part.read(0, &mut head).is_ok() && head_kind(&head).is_some()
}

/// What the first bytes of a volume (or of a lost one) show; `head` may be as short as 2 KiB, longer shows more.
pub fn head_kind(head: &[u8]) -> Option<What> {
    locked::head(head)
        .or_else(|| boot::head(head))
        .or_else(|| unix::head(head))
        .or_else(|| container::head(head))
}

/// What the start of a volume shows by the copy of its first sector near by (FAT32, exFAT), and its length.
pub fn copy_near(head: &[u8]) -> Option<(What, Option<u64>)> {
    boot::copy_near(head).map(|hit| (hit.what, hit.bytes))
}

/// Whether these 512 bytes are the boot sector of an NTFS, FAT, exFAT, ReFS or BitLocker volume.
pub fn is_boot_sector(sector: &[u8]) -> bool {
    locked::head(sector).is_some() || boot::head(sector).is_some()
}

/// The length in bytes that an NTFS boot sector states, its backup sector included; `None` = not an NTFS boot sector.
/// Lets a lost volume be found by the backup sector at its end.
pub fn ntfs_bytes(sector: &[u8]) -> Option<u64> {
    boot::ntfs(sector, 0).and_then(|hit| hit.bytes)
}

/// Whether the place starts as an ISO 9660 image.
pub fn is_disc_image(sectors: &dyn Sectors, place: Place) -> bool {
    Part::new(sectors, place)
        .read_vec(32_768, 8)
        .is_ok_and(|record| is(&record, 1, b"CD001"))
}

/// The start and end of a place, with holes where reading failed.
struct Window<'a> {
    part: Part<'a>,
    head: Vec<u8>,
    /// Which pieces of the head were read.
    head_read: Vec<bool>,
    tail: Vec<u8>,
    tail_read: bool,
    unread: u64,
}

impl<'a> Window<'a> {
    fn read(part: Part<'a>) -> Self {
        let head_bytes = part.bytes().min(HEAD);
        let mut head = vec![0u8; head_bytes as usize];
        let pieces = head_bytes.div_ceil(PIECE) as usize;
        let mut head_read = vec![true; pieces];
        let mut unread = 0;
        if part.read(0, &mut head).is_err() {
            for ((piece, read), at) in head
                .chunks_mut(PIECE as usize)
                .zip(head_read.iter_mut())
                .zip((0u64..).step_by(PIECE as usize))
            {
                if part.read(at, piece).is_err() {
                    piece.fill(0);
                    *read = false;
                    unread += piece.len() as u64;
                }
            }
        }
        let tail_bytes = part.bytes().min(TAIL);
        let mut tail = vec![0u8; tail_bytes as usize];
        let tail_read = part.read(part.bytes() - tail_bytes, &mut tail).is_ok();
        if !tail_read {
            unread = unread.saturating_add(tail_bytes);
        }
        Self {
            part,
            head,
            head_read,
            tail,
            tail_read,
            unread,
        }
    }

    /// Bytes of the place.
    fn bytes(&self) -> u64 {
        self.part.bytes()
    }

    /// `bytes` bytes at `at`, from memory or from the drive; `None` = outside or unread.
    fn get(&self, at: u64, bytes: usize) -> Option<Vec<u8>> {
        let end = at.checked_add(bytes as u64)?;
        if bytes == 0 || end > self.bytes() {
            return None;
        }
        if end <= self.head.len() as u64 {
            let pieces = (at / PIECE) as usize..=((end - 1) / PIECE) as usize;
            if !self.head_read.get(pieces)?.iter().all(|read| *read) {
                return None;
            }
            return self.head.get(at as usize..end as usize).map(<[u8]>::to_vec);
        }
        let tail_start = self.bytes() - self.tail.len() as u64;
        if self.tail_read && at >= tail_start {
            let from = (at - tail_start) as usize;
            return self.tail.get(from..from + bytes).map(<[u8]>::to_vec);
        }
        self.part.read_vec(at, bytes).ok()
    }
}

#[cfg(test)]
mod tests;
