//! ATA self-test logs: SMART log 06h (28-bit) and the extended one, GPL log 07h (48-bit;
//! its layout from memory of ACS-3, annex A).
//!
//! Invariant: a ring of places; only the index says which one is the newest, and
//! a status that says "not finished" is neither good nor bad news.

use super::field::Fields;
use super::page::{Page, PageState};
use crate::value::Known;
use serde_json::{Value, json};

/// Length of one sector of either log, bytes.
pub const BYTES: usize = 512;

/// One self-test.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Descriptor {
    /// Place in the log, from 0.
    pub slot: u16,
    /// Subcommand: 1 short, 2 extended, 3 conveyance; bit 7 = captive.
    pub test: u8,
    /// High nibble status, low nibble tenths remaining.
    pub status_byte: u8,
    /// Hours powered on, 16 bits (starts again after 65,535).
    pub hours: u16,
    /// Vendor's checkpoint.
    pub checkpoint: u8,
    /// First failing sector; `None` = none told.
    pub failing_lba: Option<u64>,
}

impl Descriptor {
    /// 0 nothing found, 1 and 2 broken off, 3 to 8 failed (7 = unreadable sector), 15 running.
    pub fn status(&self) -> u8 {
        self.status_byte >> 4
    }

    fn json(&self) -> Value {
        json!({
            "slot": self.slot, "test": self.test, "status_byte": self.status_byte,
            "status": self.status(), "percent_remaining": u16::from(self.status_byte & 0x0f) * 10,
            "hours": self.hours, "checkpoint": self.checkpoint, "failing_lba": self.failing_lba,
        })
    }
}

/// One self-test log.
#[derive(Debug, Clone, PartialEq)]
pub struct SelfTestLog {
    /// How it arrived.
    pub state: PageState,
    /// Checksum.
    pub checksum_ok: Known<bool>,
    /// Revision.
    pub revision: Known<u16>,
    /// Place of the newest, from 1; 0 = empty.
    pub index: Known<u16>,
    /// Newest first.
    pub descriptors: Known<Vec<Descriptor>>,
}

impl SelfTestLog {
    /// SMART log 06h: 21 places of 24 bytes.
    pub fn short(page: &Page<'_>) -> Self {
        let index = page.byte(508).map(u16::from);
        Self::decode(page, page.le16(0), index, 21, |slot| {
            let at = 2 + 24 * usize::from(slot);
            let lba = page.le32(at + 5).get()?;
            Some(Descriptor {
                slot,
                test: page.byte(at).get()?,
                status_byte: page.byte(at + 1).get()?,
                hours: page.le16(at + 2).get()?,
                checkpoint: page.byte(at + 4).get()?,
                failing_lba: Some(u64::from(lba)),
            })
        })
    }

    /// GPL log 07h, first sector: 19 places of 26 bytes.
    pub fn extended(page: &Page<'_>) -> Self {
        let revision = page.byte(0).map(u16::from);
        Self::decode(page, revision, page.le16(2), 19, |slot| {
            let at = 4 + 26 * usize::from(slot);
            let low = u64::from(page.le32(at + 5).get()?);
            let high = u64::from(page.le16(at + 9).get()?);
            let lba = high << 32 | low;
            Some(Descriptor {
                slot,
                test: page.byte(at).get()?,
                status_byte: page.byte(at + 1).get()?,
                hours: page.le16(at + 2).get()?,
                checkpoint: page.byte(at + 4).get()?,
                failing_lba: (lba != (1 << 48) - 1).then_some(lba),
            })
        })
    }

    fn decode(
        page: &Page<'_>,
        revision: Known<u16>,
        index: Known<u16>,
        places: u16,
        read: impl Fn(u16) -> Option<Descriptor>,
    ) -> Self {
        let descriptors = match index.clone() {
            Known::Value(0) => Known::Value(Vec::new()),
            Known::Value(newest) if newest > places => Known::Implausible {
                raw: format!("newest entry {newest} of {places}"),
            },
            Known::Value(newest) => Known::Value(
                (0..places)
                    .map(|back| (newest - 1 + places - back) % places)
                    .filter_map(read)
                    // Test 0 with status 0 at hour 0 is a place never used.
                    .filter(|d| (d.test, d.status_byte, d.hours) != (0, 0, 0))
                    .map(|d| Descriptor {
                        // Only a failed test has a failing sector; FFFFFFFFh = none.
                        failing_lba: d.failing_lba.filter(|lba| {
                            *lba != u64::from(u32::MAX) && (3..=8).contains(&d.status())
                        }),
                        ..d
                    })
                    .collect(),
            ),
            _ => page.missing(),
        };
        Self {
            state: page.state().clone(),
            checksum_ok: page.sums_to_zero(),
            revision,
            index,
            descriptors,
        }
    }

    /// Whether it came whole and its checksum holds.
    pub fn sound(&self) -> bool {
        self.checksum_ok.get() == Some(true)
    }

    /// The fields for JSON.
    pub fn fields(&self) -> Fields {
        let mut f = Fields::default();
        f.put("checksum_ok", &self.checksum_ok);
        f.put("revision", &self.revision);
        f.put("index", &self.index);
        let rows = self
            .descriptors
            .clone()
            .map(|rows| rows.iter().map(Descriptor::json).collect::<Vec<_>>());
        f.put("descriptors_newest_first", &rows);
        f
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const SAMPLE: &[u8; 512] = include_bytes!("../../../tests/fixtures/pages/ata-selftest-log.bin");

    #[test]
    fn self_test_log_agrees_with_the_expected_decode() {
        let want = include_str!("../../../tests/fixtures/pages/ata-logs.expected.json");
        let want: Value = serde_json::from_str(want).unwrap();
        let want = &want["self_test_log"];
        let got = SelfTestLog::short(&Page::of(SAMPLE, BYTES)).fields();
        for name in [
            "checksum_ok",
            "revision",
            "index",
            "descriptors_newest_first",
        ] {
            assert_eq!(got.values[name], want[name], "{name}");
        }
    }

    #[test]
    fn the_ring_wraps_and_its_index_is_checked() {
        let mut bytes = *SAMPLE;
        bytes[508] = 1;
        let log = SelfTestLog::short(&Page::of(&bytes, BYTES));
        let slots: Vec<u16> = log
            .descriptors
            .value()
            .unwrap()
            .iter()
            .map(|d| d.slot)
            .collect();
        assert_eq!(slots, [0, 1]);
        bytes[508] = 22;
        let log = SelfTestLog::short(&Page::of(&bytes, BYTES));
        assert!(matches!(log.descriptors, Known::Implausible { .. }));
        bytes[508] = 0;
        let log = SelfTestLog::short(&Page::of(&bytes, BYTES));
        assert_eq!(log.descriptors, Known::Value(vec![]));
    }

    #[test]
    fn the_extended_log_carries_48_bits() {
        let mut bytes = [0u8; 512];
        bytes[0] = 1;
        bytes[2] = 1;
        bytes[4] = 2;
        bytes[5] = 0x79;
        bytes[6..8].copy_from_slice(&28_200u16.to_le_bytes());
        bytes[9..15].copy_from_slice(&5_000_000_160u64.to_le_bytes()[..6]);
        let log = SelfTestLog::extended(&Page::of(&bytes, BYTES));
        let newest = log.descriptors.value().unwrap()[0];
        assert_eq!(newest.failing_lba, Some(5_000_000_160));
        assert_eq!((newest.status(), newest.hours), (7, 28_200));
    }
}
