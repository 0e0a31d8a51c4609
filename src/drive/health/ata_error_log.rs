//! ATA error logs: summary (SMART log 01h), comprehensive (02h, several sectors of the same
//! layout) and extended comprehensive (GPL log 03h, 48-bit), as two drive makers' manuals
//! print them (ATA8-ACS, annex A; inner layout of an extended entry from memory).
//!
//! Invariant: an index of 0 means an empty log; an index out of range means that the
//! log cannot be followed, not that it is empty.

use super::field::Fields;
use super::page::{Page, PageState};
use crate::value::Known;
use serde_json::{Value, json};

/// Length of one sector of any of the logs, bytes.
pub const BYTES: usize = 512;

/// One recorded error.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Entry {
    /// Place in the log, from 0.
    pub slot: u16,
    /// Error register: bit 7 interface CRC, bit 6 uncorrectable, bit 4 id not found.
    pub error: u8,
    /// Status register.
    pub status: u8,
    /// Device register.
    pub device: u8,
    /// Sectors asked for.
    pub count: u16,
    /// Address concerned: 28 bits, or 48 in the extended log.
    pub lba: u64,
    /// State of the drive, low nibble.
    pub state: u8,
    /// Hours powered on, 16 bits (starts again after 65,535).
    pub hours: u16,
    /// The command that failed.
    pub failing_command: u8,
}

impl Entry {
    /// The drive could not read the sector.
    pub fn uncorrectable(&self) -> bool {
        self.error & 0x40 != 0
    }

    fn json(&self, lba_name: &str) -> Value {
        let mut row = json!({
            "slot": self.slot, "error": self.error, "uncorrectable": self.uncorrectable(),
            "count": self.count, "device": self.device, "status": self.status,
            "state": self.state, "hours": self.hours, "failing_command": self.failing_command,
        });
        row[lba_name] = json!(self.lba);
        row
    }
}

/// One error log.
#[derive(Debug, Clone, PartialEq)]
pub struct ErrorLog {
    /// How it arrived.
    pub state: PageState,
    /// Checksums of all sectors.
    pub checksum_ok: Known<bool>,
    /// Place of the newest, from 1; 0 = none.
    pub index: Known<u16>,
    /// Errors over the drive's life.
    pub device_error_count: Known<u16>,
    /// Newest first.
    pub entries: Known<Vec<Entry>>,
    extended: bool,
}

struct Shape {
    per_sector: u16,
    first: usize,
    stride: usize,
    count_at: usize,
    extended: bool,
}

const SUMMARY: Shape = Shape {
    per_sector: 5,
    first: 2,
    stride: 90,
    count_at: 452,
    extended: false,
};
const EXTENDED: Shape = Shape {
    per_sector: 4,
    first: 4,
    stride: 124,
    count_at: 500,
    extended: true,
};

impl ErrorLog {
    /// Log 01h or 02h: one sector, or several that go on one after the other.
    pub fn summary(page: &Page<'_>) -> Self {
        Self::decode(page, &SUMMARY)
    }

    /// Log 03h: one sector, or several that go on one after the other.
    pub fn extended(page: &Page<'_>) -> Self {
        Self::decode(page, &EXTENDED)
    }

    fn decode(page: &Page<'_>, shape: &Shape) -> Self {
        let content = page.content();
        let index = if shape.extended {
            page.le16(2)
        } else {
            page.byte(1).map(u16::from)
        };
        let sectors: Vec<Page<'_>> = content.chunks(BYTES).map(|s| Page::of(s, BYTES)).collect();
        let sums: Vec<Known<bool>> = sectors
            .iter()
            .filter(|s| *s.state() != PageState::AllZero)
            .map(Page::sums_to_zero)
            .collect();
        let checksum_ok = match sums.iter().find(|s| s.get() != Some(true)) {
            Some(bad) => bad.clone(),
            None if sums.is_empty() => page.missing(),
            None => Known::Value(true),
        };
        let places = shape
            .per_sector
            .saturating_mul(u16::try_from(sectors.len()).unwrap_or(u16::MAX));
        let entries = match index.clone() {
            Known::Value(0) => Known::Value(Vec::new()),
            Known::Value(newest) if newest > places => Known::Implausible {
                raw: format!("newest entry {newest} of {places}"),
            },
            Known::Value(newest) => Known::Value(
                // The places form a ring: from the newest backwards, then from the end.
                (0..places)
                    .filter_map(|back| {
                        let slot = (newest - 1 + places - back) % places;
                        let sector = sectors.get(usize::from(slot / shape.per_sector))?;
                        entry(sector, shape, slot)
                    })
                    .collect(),
            ),
            _ => page.missing(),
        };
        Self {
            state: page.state().clone(),
            checksum_ok,
            index,
            device_error_count: page.le16(shape.count_at),
            entries,
            extended: shape.extended,
        }
    }

    /// Whether it came whole and its checksums hold.
    pub fn sound(&self) -> bool {
        self.checksum_ok.get() == Some(true)
    }

    /// The fields for JSON.
    pub fn fields(&self) -> Fields {
        let name = if self.extended { "lba48" } else { "lba28" };
        let mut f = Fields::default();
        f.put("checksum_ok", &self.checksum_ok);
        f.put("index", &self.index);
        f.put("device_error_count", &self.device_error_count);
        let rows = self
            .entries
            .clone()
            .map(|rows| rows.iter().map(|e| e.json(name)).collect::<Vec<_>>());
        f.put("entries_newest_first", &rows);
        f
    }
}

fn entry(sector: &Page<'_>, shape: &Shape, slot: u16) -> Option<Entry> {
    let at = shape.first + usize::from(slot % shape.per_sector) * shape.stride;
    let whole = sector.slice(at, shape.stride).get()?;
    if whole.iter().all(|b| *b == 0) {
        return None;
    }
    let byte = |n: usize| whole.get(n).copied().unwrap_or(0);
    let part = |n: usize, shift: u32| u64::from(byte(n)) << shift;
    Some(if shape.extended {
        Entry {
            slot,
            error: byte(91),
            count: u16::from_le_bytes([byte(92), byte(93)]),
            // Each byte is followed by its "previous" twin: 7:0, 31:24, 15:8, 39:32, 23:16, 47:40.
            lba: part(94, 0)
                | part(95, 24)
                | part(96, 8)
                | part(97, 32)
                | part(98, 16)
                | part(99, 40),
            device: byte(100),
            status: byte(101),
            state: byte(121) & 0x0f,
            hours: u16::from_le_bytes([byte(122), byte(123)]),
            failing_command: byte(4 * 18 + 12),
        }
    } else {
        let device = byte(66);
        Entry {
            slot,
            error: byte(61),
            count: u16::from(byte(62)),
            // Bits 27:24 of a 28-bit address stand in the device register.
            lba: part(63, 0) | part(64, 8) | part(65, 16) | u64::from(device & 0x0f) << 24,
            device,
            status: byte(67),
            state: byte(87) & 0x0f,
            hours: u16::from_le_bytes([byte(88), byte(89)]),
            failing_command: byte(4 * 12 + 7),
        }
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    const SAMPLE: &[u8; 512] =
        include_bytes!("../../../tests/fixtures/pages/ata-summary-error-log.bin");

    #[test]
    fn summary_log_agrees_with_the_expected_decode() {
        let want = include_str!("../../../tests/fixtures/pages/ata-logs.expected.json");
        let want: Value = serde_json::from_str(want).unwrap();
        let want = &want["summary_error_log"];
        let log = ErrorLog::summary(&Page::of(SAMPLE, BYTES));
        let got = log.fields();
        for name in ["checksum_ok", "index", "device_error_count"] {
            assert_eq!(got.values[name], want[name], "{name}");
        }
        let newest = &got.values["entries_newest_first"][0];
        for (name, value) in want["newest"].as_object().unwrap() {
            assert_eq!(newest[name], *value, "{name}");
        }
        let entries = log.entries.value().unwrap();
        assert_eq!(entries.len(), 2, "places without content are no entries");
        assert_eq!(entries[1].hours, 28_201);
    }

    #[test]
    fn an_empty_log_and_a_lost_index_differ() {
        let mut bytes = *SAMPLE;
        bytes[1] = 0;
        let log = ErrorLog::summary(&Page::of(&bytes, BYTES));
        assert_eq!(log.entries, Known::Value(vec![]));
        assert!(!log.sound());
        bytes[1] = 6;
        let log = ErrorLog::summary(&Page::of(&bytes, BYTES));
        assert!(matches!(log.entries, Known::Implausible { .. }));
        let log = ErrorLog::summary(&Page::of(&[0; 512], BYTES));
        assert_eq!(log.entries, Known::NotReported);
    }

    #[test]
    fn a_full_ring_is_read_from_the_newest_backwards() {
        let mut bytes = [0u8; 512];
        bytes[0] = 1;
        bytes[1] = 2;
        for slot in 0..5usize {
            // Hours 10 to 14, all in the last two bytes of their entry.
            bytes[2 + slot * 90 + 88] = 10 + slot as u8;
        }
        let log = ErrorLog::summary(&Page::of(&bytes, BYTES));
        let hours: Vec<u16> = log
            .entries
            .value()
            .unwrap()
            .iter()
            .map(|e| e.hours)
            .collect();
        assert_eq!(hours, [11, 10, 14, 13, 12]);
    }

    #[test]
    fn the_comprehensive_log_goes_on_over_its_sectors() {
        let mut bytes = SAMPLE.to_vec();
        bytes.extend(SAMPLE);
        bytes[1] = 7;
        let log = ErrorLog::summary(&Page::at_least(&bytes, BYTES));
        let slots: Vec<u16> = log
            .entries
            .value()
            .unwrap()
            .iter()
            .map(|e| e.slot)
            .collect();
        assert_eq!(slots, [6, 5, 1, 0]);
    }

    #[test]
    fn the_extended_log_reads_48_bit_addresses() {
        let mut bytes = [0u8; 512];
        bytes[0] = 1;
        bytes[2] = 1;
        bytes[500] = 3;
        let at = 4;
        bytes[at + 4 * 18 + 12] = 0x60;
        bytes[at + 91] = 0x40;
        // 5,000,000,160 = 01 2A05 F2A0h
        for (n, b) in [0xa0, 0x2a, 0xf2, 0x01, 0x05, 0x00].into_iter().enumerate() {
            bytes[at + 94 + n] = b;
        }
        bytes[at + 101] = 0x51;
        bytes[at + 122..at + 124].copy_from_slice(&28_202u16.to_le_bytes());
        let sum = bytes.iter().fold(0u8, |s, b| s.wrapping_add(*b));
        bytes[511] = 0u8.wrapping_sub(sum);
        let log = ErrorLog::extended(&Page::of(&bytes, BYTES));
        assert!(log.sound());
        let entry = log.entries.value().unwrap()[0];
        assert_eq!(entry.lba, 5_000_000_160);
        assert!(entry.uncorrectable());
        assert_eq!((entry.hours, entry.failing_command), (28_202, 0x60));
    }
}
