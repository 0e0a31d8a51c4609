//! Entry sets of an exFAT folder (Microsoft exFAT specification, section 6 and 7).

use crate::survey::item::Times;
use crate::value::Name;
use crate::volume::bytes::{array, le16, le32, le64, u8_at};

/// Bytes of one entry.
pub const ENTRY: usize = 32;

/// What a folder holds, entry set by entry set.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Entry {
    /// The allocation bitmap: which table it belongs to, first cluster, bytes.
    Bitmap(u8, u32, u64),
    /// The up-case table: check sum, first cluster, bytes.
    UpCase(u32, u32, u64),
    /// The volume's label.
    Label(Name),
    /// A file or folder.
    File(Set),
    /// Entries in use that do not make up a whole set; the place of the first one.
    Broken(usize, &'static str),
}

/// A file or folder.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Set {
    /// Place of its first entry within the folder's bytes.
    pub at: usize,
    /// Name.
    pub name: Name,
    /// Attribute bits.
    pub attributes: u16,
    /// Times; where no offset from UTC is kept, the clock's digits taken as UTC.
    pub times: Times,
    /// Clusters can be allocated.
    pub has_clusters: bool,
    /// The clusters lie in one run; the table says nothing about them.
    pub in_one_run: bool,
    /// First cluster, 0 = none.
    pub cluster: u32,
    /// Length in bytes.
    pub bytes: u64,
    /// Bytes that were ever written.
    pub valid: u64,
    /// The set's check sum holds.
    pub sum_holds: bool,
}

impl Set {
    /// Whether it is a folder.
    pub fn is_folder(&self) -> bool {
        self.attributes & 0x10 != 0
    }
}

/// The sum over an entry set: every byte but the two of the sum itself (6.3.3).
pub(super) fn set_sum(set: &[u8]) -> u16 {
    set.iter()
        .enumerate()
        .filter(|(place, _)| !matches!(place, 2 | 3))
        .fold(0u16, |sum, (_, byte)| {
            sum.rotate_right(1).wrapping_add(u16::from(*byte))
        })
}

/// Calls `see` for everything in use in a folder's bytes, up to the end mark.
pub fn each(bytes: &[u8], see: &mut dyn FnMut(Entry)) {
    let mut at = 0usize;
    while let Some(raw) = bytes.get(at..at + ENTRY) {
        let here = at;
        at += ENTRY;
        match u8_at(raw, 0) {
            0x00 => return,
            0x81 => see(Entry::Bitmap(
                u8_at(raw, 1) & 1,
                le32(raw, 20),
                le64(raw, 24),
            )),
            0x82 => see(Entry::UpCase(le32(raw, 4), le32(raw, 20), le64(raw, 24))),
            0x83 => {
                let count = usize::from(u8_at(raw, 1)).min(11);
                let units = (0..count).map(|unit| le16(raw, 2 + unit * 2)).collect();
                see(Entry::Label(Name::Units(units)));
            }
            0x85 => {
                let secondary = usize::from(u8_at(raw, 1));
                let Some(set) = bytes.get(here..here + (secondary + 1) * ENTRY) else {
                    see(Entry::Broken(here, "its entries reach beyond the folder"));
                    return;
                };
                match file(set, here) {
                    Ok(set) => {
                        see(Entry::File(set));
                        at = here + (secondary + 1) * ENTRY;
                    }
                    // The count may be what is wrong: go on with the next entry.
                    Err(why) => see(Entry::Broken(here, why)),
                }
            }
            0xC0 | 0xC1 => see(Entry::Broken(
                here,
                "a part of an entry set without its beginning",
            )),
            // Bit 7 clear = not in use. Anything else in use (GUID, padding, vendor) holds no item;
            // an unknown critical primary one may.
            kind if kind & 0x80 == 0 => {}
            kind if kind & 0x60 == 0 => see(Entry::Broken(
                here,
                "a kind of entry that is not known here",
            )),
            _ => {}
        }
    }
}

fn file(set: &[u8], at: usize) -> Result<Set, &'static str> {
    let stream = set.get(ENTRY..2 * ENTRY).ok_or("it has no stream entry")?;
    if u8_at(stream, 0) != 0xC0 {
        return Err("its second entry is not a stream entry");
    }
    let length = usize::from(u8_at(stream, 3));
    let mut units = Vec::with_capacity(length);
    for part in set.get(2 * ENTRY..).unwrap_or_default().chunks_exact(ENTRY) {
        if u8_at(part, 0) != 0xC1 {
            break;
        }
        units.extend((0..15).map(|unit| le16(part, 2 + unit * 2)));
    }
    if length == 0 || units.len() < length {
        return Err("its name is shorter than it says");
    }
    units.truncate(length);
    let flags = u8_at(stream, 1);
    Ok(Set {
        at,
        name: Name::Units(units),
        attributes: le16(set, 4),
        times: Times {
            created: time(le32(set, 8), u8_at(set, 20), u8_at(set, 22)),
            modified: time(le32(set, 12), u8_at(set, 21), u8_at(set, 23)),
            changed: None,
            accessed: time(le32(set, 16), 0, u8_at(set, 24)),
        },
        has_clusters: flags & 1 != 0,
        in_one_run: flags & 2 != 0,
        cluster: le32(stream, 20),
        bytes: le64(stream, 24),
        valid: le64(stream, 8),
        sum_holds: array(set, 2).map(u16::from_le_bytes) == Some(set_sum(set)),
    })
}

/// Timestamp, hundredths and offset in quarters of an hour (7.4.8 and following) as nanoseconds since 1970.
fn time(stamp: u32, hundredths: u8, offset: u8) -> Option<i64> {
    let (date, clock) = (stamp >> 16, stamp & 0xFFFF);
    let year = 1980 + i16::try_from(date >> 9).ok()?;
    let month = i8::try_from((date >> 5) & 0x0F).ok()?;
    let day = i8::try_from(date & 0x1F).ok()?;
    let date = jiff::civil::Date::new(year, month, day).ok()?;
    let (hours, minutes, seconds) = (clock >> 11, (clock >> 5) & 0x3F, (clock & 0x1F) * 2);
    if hours > 23 || minutes > 59 || seconds > 59 || hundredths > 199 {
        return None;
    }
    let midnight = jiff::tz::TimeZone::UTC
        .to_timestamp(date.to_datetime(jiff::civil::Time::midnight()))
        .ok()?
        .as_second();
    let quarters = if offset & 0x80 != 0 {
        // Seven bits, signed.
        i64::from(((offset << 1).cast_signed()) >> 1)
    } else {
        0
    };
    let whole = midnight + i64::from(hours * 3600 + minutes * 60 + seconds) - quarters * 900;
    whole
        .checked_mul(1_000_000_000)?
        .checked_add(i64::from(hundredths) * 10_000_000)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn times_bear_their_offset() {
        let stamp = (46 << 9 | 11 << 5 | 25) << 16 | (13 << 11 | 45 << 5 | 29);
        let show = |ns: i64| crate::value::Moment(i128::from(ns)).to_string();
        assert_eq!(show(time(stamp, 150, 0).unwrap()), "2026-11-25T13:45:59.5Z");
        // +1 h = 4 quarters; -1 h = -4 quarters in seven bits = 0x7C.
        assert_eq!(show(time(stamp, 0, 0x84).unwrap()), "2026-11-25T12:45:58Z");
        assert_eq!(show(time(stamp, 0, 0xFC).unwrap()), "2026-11-25T14:45:58Z");
        assert_eq!(time(0, 0, 0), None);
    }
}
