//! Entries of a FAT folder: short names, long names in front of them, times (Microsoft FAT specification,
//! "FAT Directory Structure" and "Long File Name Implementation").

use crate::survey::item::Times;
use crate::value::Name;
use crate::volume::bytes::{array, le16, le32, u8_at};

/// Bytes of one entry.
pub const ENTRY: usize = 32;

/// One used entry, with its long name if it has a sound one.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Entry {
    /// Place of the (short) entry within the folder's bytes.
    pub at: usize,
    /// The long name, else the short one.
    pub name: Name,
    /// Attribute byte.
    pub attributes: u8,
    /// First cluster, 0 = none.
    pub cluster: u32,
    /// Length in bytes.
    pub bytes: u32,
    /// Times as written: FAT keeps local time without a zone, so these are the clock's digits taken as UTC.
    pub times: Times,
    /// Parts of a long name stood before it that do not belong to it.
    pub long_name_broken: bool,
    /// 1 = `.`, 2 = `..`, 0 = an item.
    pub dots: u8,
}

impl Entry {
    /// Whether it is a folder.
    pub fn is_folder(&self) -> bool {
        self.attributes & 0x10 != 0
    }

    /// Whether it is the volume's label.
    pub fn is_label(&self) -> bool {
        self.attributes & 0x18 == 0x08
    }
}

/// A long name being put together from its parts, last part first.
#[derive(Default)]
struct Long {
    parts: Vec<[u16; 13]>,
    expected: u8,
    sum: u8,
    broken: bool,
}

/// Calls `see` for every used entry of one folder's bytes, up to the end mark.
/// Returns whether the end mark was met.
pub fn each(bytes: &[u8], wide_clusters: bool, see: &mut dyn FnMut(Entry)) -> bool {
    let mut long = Long::default();
    for (raw, at) in bytes.chunks_exact(ENTRY).zip((0usize..).step_by(ENTRY)) {
        match u8_at(raw, 0) {
            0x00 => return true,
            0xE5 => {
                long = Long::default();
                continue;
            }
            _ => {}
        }
        let attributes = u8_at(raw, 11);
        if attributes & 0x3F == 0x0F {
            take_part(raw, &mut long);
            continue;
        }
        let long = std::mem::take(&mut long);
        let short: [u8; 11] = array(raw, 0).unwrap_or_default();
        let whole = !long.parts.is_empty()
            && long.expected == 0
            && !long.broken
            && long.sum == short_sum(&short);
        let name = if whole {
            let units: Vec<u16> = long
                .parts
                .iter()
                .rev()
                .flatten()
                .copied()
                .take_while(|unit| *unit != 0)
                .collect();
            Name::Units(units)
        } else {
            short_name(&short, u8_at(raw, 12), attributes & 0x08 != 0)
        };
        let high = if wide_clusters { le16(raw, 20) } else { 0 };
        see(Entry {
            at,
            name,
            attributes,
            cluster: u32::from(high) << 16 | u32::from(le16(raw, 26)),
            bytes: le32(raw, 28),
            times: Times {
                created: time(le16(raw, 16), le16(raw, 14), u8_at(raw, 13)),
                modified: time(le16(raw, 24), le16(raw, 22), 0),
                changed: None,
                accessed: time(le16(raw, 18), 0, 0),
            },
            long_name_broken: !whole && (!long.parts.is_empty() || long.broken),
            dots: match &short {
                b".          " => 1,
                b"..         " => 2,
                _ => 0,
            },
        });
    }
    false
}

fn take_part(raw: &[u8], long: &mut Long) {
    let order = u8_at(raw, 0);
    let (number, sum) = (order & 0x3F, u8_at(raw, 13));
    if order & 0x40 != 0 {
        *long = Long {
            expected: number,
            sum,
            broken: number == 0 || number > 20,
            parts: Vec::new(),
        };
    }
    if number == 0 || number != long.expected || sum != long.sum {
        long.broken = true;
        return;
    }
    let mut part = [0u16; 13];
    let places = (1..11)
        .step_by(2)
        .chain((14..26).step_by(2))
        .chain([28, 30]);
    for (unit, at) in part.iter_mut().zip(places) {
        *unit = le16(raw, at);
    }
    long.parts.push(part);
    long.expected -= 1;
}

/// The sum that ties a long name to its short one.
fn short_sum(short: &[u8; 11]) -> u8 {
    short
        .iter()
        .fold(0u8, |sum, byte| sum.rotate_right(1).wrapping_add(*byte))
}

/// A short name: upper case with lower-case flags in byte 12. Bytes above 127 are taken as code page 437,
/// the one that Linux and American systems write; the volume does not say which it is.
fn short_name(short: &[u8; 11], flags: u8, label: bool) -> Name {
    let mut fixed = *short;
    if fixed[0] == 0x05 {
        fixed[0] = 0xE5;
    }
    let units = |bytes: &[u8], lower: bool| -> Vec<u16> {
        let end = bytes
            .iter()
            .rposition(|b| *b != b' ')
            .map_or(0, |last| last + 1);
        bytes
            .iter()
            .take(end)
            .map(|b| match b {
                b'A'..=b'Z' if lower => u16::from(b.to_ascii_lowercase()),
                0..=127 => u16::from(*b),
                high => CP437
                    .get(usize::from(high - 128))
                    .copied()
                    .unwrap_or(0xFFFD),
            })
            .collect()
    };
    if label {
        return Name::Units(units(&fixed, false));
    }
    let (base, extension) = fixed.split_at(8);
    let mut name = units(base, flags & 0x08 != 0);
    let extension = units(extension, flags & 0x10 != 0);
    if !extension.is_empty() {
        name.push(u16::from(b'.'));
        name.extend(extension);
    }
    Name::Units(name)
}

/// Date and time words as nanoseconds since 1970, the digits taken as UTC; `None` = not set or not a date.
fn time(date: u16, time: u16, tenths: u8) -> Option<i64> {
    if date == 0 {
        return None;
    }
    let year = 1980 + i16::try_from(date >> 9).ok()?;
    let month = i8::try_from((date >> 5) & 0x0F).ok()?;
    let day = i8::try_from(date & 0x1F).ok()?;
    let date = jiff::civil::Date::new(year, month, day).ok()?;
    let hours = i64::from(time >> 11);
    let minutes = i64::from((time >> 5) & 0x3F);
    let seconds = i64::from(time & 0x1F) * 2;
    if hours > 23 || minutes > 59 || seconds > 59 {
        return None;
    }
    let midnight = jiff::tz::TimeZone::UTC
        .to_timestamp(date.to_datetime(jiff::civil::Time::midnight()))
        .ok()?
        .as_second();
    let whole = midnight.checked_add(hours * 3600 + minutes * 60 + seconds)?;
    whole
        .checked_mul(1_000_000_000)?
        .checked_add(i64::from(tenths) * 10_000_000)
}

/// Code page 437, upper half.
#[rustfmt::skip]
const CP437: [u16; 128] = [
    0xC7, 0xFC, 0xE9, 0xE2, 0xE4, 0xE0, 0xE5, 0xE7, 0xEA, 0xEB, 0xE8, 0xEF, 0xEE, 0xEC, 0xC4, 0xC5,
    0xC9, 0xE6, 0xC6, 0xF4, 0xF6, 0xF2, 0xFB, 0xF9, 0xFF, 0xD6, 0xDC, 0xA2, 0xA3, 0xA5, 0x20A7, 0x192,
    0xE1, 0xED, 0xF3, 0xFA, 0xF1, 0xD1, 0xAA, 0xBA, 0xBF, 0x2310, 0xAC, 0xBD, 0xBC, 0xA1, 0xAB, 0xBB,
    0x2591, 0x2592, 0x2593, 0x2502, 0x2524, 0x2561, 0x2562, 0x2556, 0x2555, 0x2563, 0x2551, 0x2557, 0x255D, 0x255C, 0x255B, 0x2510,
    0x2514, 0x2534, 0x252C, 0x251C, 0x2500, 0x253C, 0x255E, 0x255F, 0x255A, 0x2554, 0x2569, 0x2566, 0x2560, 0x2550, 0x256C, 0x2567,
    0x2568, 0x2564, 0x2565, 0x2559, 0x2558, 0x2552, 0x2553, 0x256B, 0x256A, 0x2518, 0x250C, 0x2588, 0x2584, 0x258C, 0x2590, 0x2580,
    0x3B1, 0xDF, 0x393, 0x3C0, 0x3A3, 0x3C3, 0xB5, 0x3C4, 0x3A6, 0x398, 0x3A9, 0x3B4, 0x221E, 0x3C6, 0x3B5, 0x2229,
    0x2261, 0xB1, 0x2265, 0x2264, 0x2320, 0x2321, 0xF7, 0x2248, 0xB0, 0x2219, 0xB7, 0x221A, 0x207F, 0xB2, 0x25A0, 0xA0,
];

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn short_names_follow_the_lower_case_flags() {
        assert_eq!(short_name(b"README  TXT", 0x08, false).text(), "readme.TXT");
        assert_eq!(short_name(b"README  TXT", 0x18, false).text(), "readme.txt");
        assert_eq!(short_name(b"A          ", 0, false).text(), "A");
        assert_eq!(short_name(b"F\x8ATE    TXT", 0, false).text(), "FèTE.TXT");
        assert_eq!(short_name(b"\x05AB        ", 0, false).text(), "σAB");
    }

    #[test]
    fn times_are_the_digits_as_written() {
        // 2026-11-25 13:45:58.5: (46 << 9) | (11 << 5) | 25, (13 << 11) | (45 << 5) | 29, 50 hundredths.
        let at = time(46 << 9 | 11 << 5 | 25, 13 << 11 | 45 << 5 | 29, 50).unwrap();
        assert_eq!(
            crate::value::Moment(i128::from(at)).to_string(),
            "2026-11-25T13:45:58.5Z"
        );
        assert_eq!(time(0, 5, 0), None);
        assert_eq!(time(46 << 9 | 13 << 5 | 1, 0, 0), None);
        assert_eq!(time(46 << 9 | 2 << 5 | 30, 0, 0), None);
        assert_eq!(time(46 << 9 | 1 << 5 | 1, 25 << 11, 0), None);
    }
}
