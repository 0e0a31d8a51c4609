//! The GUID partition table: header, entry array, both copies (UEFI specification, "GUID
//! Partition Table Disk Layout").
//!
//! Invariant: nothing from a header is used before its own check sum holds; counts and sizes are bounded
//! before anything is allocated.

use super::guid::Guid;
use crate::port::{Fault, Sectors};
use crate::value::Name;
use crate::volume::bytes::{is, le16, le32, le64};
use crate::volume::filesystem::Place;

/// Bytes of an entry array at most (engineering judgement; 16 KiB is usual).
const ARRAY_BYTES: u64 = 64 << 20;
/// Used entries taken from one table at most (engineering judgement).
pub(super) const ENTRIES: usize = 16_384;

/// A header whose check sum holds.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) struct Header {
    /// Where it was read, in bytes.
    pub at: u64,
    /// Bytes of one sector, as this table counts.
    pub unit: u32,
    pub other_lba: u64,
    pub first_usable: u64,
    pub last_usable: u64,
    pub disk: Guid,
    pub entries_lba: u64,
    pub count: u32,
    pub entry_bytes: u32,
    pub array_crc: u32,
}

/// What was found where a header belongs.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) enum Look {
    /// No signature.
    Absent,
    /// The signature, but the rest does not hold.
    Damaged(String),
    /// Not readable.
    Unread(Fault),
    /// A header.
    Whole(Header),
}

/// One used entry.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) struct Entry {
    pub number: u32,
    pub kind: Guid,
    pub unique: Guid,
    pub first_lba: u64,
    /// Inclusive.
    pub last_lba: u64,
    pub attributes: u64,
    pub name: Option<Name>,
}

/// The entry array of one header.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) struct Array {
    pub entries: Vec<Entry>,
    /// Why it is not to be trusted; `None` = read whole and the check sum holds.
    pub doubt: Option<String>,
    /// Used entries left out because there are too many.
    pub cut: bool,
}

/// Looks for a header at byte `at`, counting in sectors of `unit` bytes.
pub(super) fn header(sectors: &dyn Sectors, at: u64, unit: u32) -> Look {
    let mut sector = vec![0u8; 512];
    if at.saturating_add(512) > sectors.bytes() {
        return Look::Absent;
    }
    if let Err(fault) = sectors.read_at(at, &mut sector) {
        return Look::Unread(fault);
    }
    if !is(&sector, 0, b"EFI PART") {
        return Look::Absent;
    }
    let bytes = le32(&sector, 12) as usize;
    if bytes < 92 || bytes > unit as usize {
        return Look::Damaged(format!("header length {bytes}, expected 92 to {unit}"));
    }
    if bytes > sector.len() {
        sector.resize(bytes, 0);
        if let Err(fault) = sectors.read_at(at, &mut sector) {
            return Look::Unread(fault);
        }
    }
    let mut hash = crc32fast::Hasher::new();
    hash.update(sector.get(..16).unwrap_or_default());
    hash.update(&[0; 4]);
    hash.update(sector.get(20..bytes).unwrap_or_default());
    let crc = hash.finalize();
    if crc != le32(&sector, 16) {
        return Look::Damaged(format!(
            "check sum {crc:08x}, the header says {:08x}",
            le32(&sector, 16)
        ));
    }
    let own = le64(&sector, 24);
    if own.checked_mul(u64::from(unit)) != Some(at) {
        return Look::Damaged(format!(
            "it says that it lies at sector {own}, but was read at byte {at}"
        ));
    }
    Look::Whole(Header {
        at,
        unit,
        other_lba: le64(&sector, 32),
        first_usable: le64(&sector, 40),
        last_usable: le64(&sector, 48),
        disk: Guid::at(&sector, 56),
        entries_lba: le64(&sector, 72),
        count: le32(&sector, 80),
        entry_bytes: le32(&sector, 84),
        array_crc: le32(&sector, 88),
    })
}

impl Header {
    /// The sectors of the entry array, rounded up to whole ones; `None` when the numbers make no sense.
    pub fn array_place(&self, drive_bytes: u64) -> Option<Place> {
        let bytes = u64::from(self.count).checked_mul(u64::from(self.entry_bytes))?;
        let unit = u64::from(self.unit);
        let first_byte = self.entries_lba.checked_mul(unit)?;
        let end = first_byte.checked_add(bytes)?;
        (end <= drive_bytes).then(|| Place {
            first_byte,
            bytes: bytes.next_multiple_of(unit).min(drive_bytes - first_byte),
        })
    }
}

/// Reads the entry array, piece by piece, and checks its sum.
pub(super) fn array(sectors: &dyn Sectors, header: &Header) -> Array {
    let mut out = Array {
        entries: Vec::new(),
        doubt: None,
        cut: false,
    };
    let size = header.entry_bytes as usize;
    let total = u64::from(header.count).saturating_mul(u64::from(header.entry_bytes));
    if !(128..=65_536).contains(&size) || !size.is_multiple_of(8) {
        out.doubt = Some(format!("entry size {size}, expected 128 or a multiple"));
        return out;
    }
    let Some(place) = header.array_place(sectors.bytes()) else {
        out.doubt = Some(format!(
            "{} entries of {size} bytes from sector {} do not fit on the drive",
            header.count, header.entries_lba
        ));
        return out;
    };
    if total > ARRAY_BYTES {
        out.doubt = Some(format!(
            "{} entries of {size} bytes: more than is read here ({ARRAY_BYTES} bytes)",
            header.count
        ));
        return out;
    }
    let per_read = (65_536 / size).max(1) as u32;
    let mut hash = crc32fast::Hasher::new();
    let mut buf = vec![0u8; per_read as usize * size];
    let mut done = 0u32;
    while done < header.count {
        let now = per_read.min(header.count - done);
        let Some(piece) = buf.get_mut(..now as usize * size) else {
            break;
        };
        let at = place.first_byte + u64::from(done) * size as u64;
        if let Err(fault) = sectors.read_at(at, piece) {
            out.doubt = Some(format!(
                "entry {} and up could not be read: {fault}",
                done + 1
            ));
            return out;
        }
        hash.update(piece);
        for (number, raw) in (done + 1..).zip(piece.chunks_exact(size)) {
            if let Some(entry) = entry(number, raw) {
                if out.entries.len() >= ENTRIES {
                    out.cut = true;
                } else {
                    out.entries.push(entry);
                }
            }
        }
        done += now;
    }
    let crc = hash.finalize();
    if crc != header.array_crc {
        out.doubt = Some(format!(
            "check sum of the entries {crc:08x}, the header says {:08x}",
            header.array_crc
        ));
    }
    out
}

fn entry(number: u32, raw: &[u8]) -> Option<Entry> {
    let kind = Guid::at(raw, 0);
    if kind.is_zero() {
        return None;
    }
    let units: Vec<u16> = (0..36)
        .map(|place| le16(raw, 56 + 2 * place))
        .take_while(|unit| *unit != 0)
        .collect();
    Some(Entry {
        number,
        kind,
        unique: Guid::at(raw, 16),
        first_lba: le64(raw, 32),
        last_lba: le64(raw, 40),
        attributes: le64(raw, 48),
        name: (!units.is_empty()).then_some(Name::Units(units)),
    })
}
