//! ATA SMART READ DATA (D0h), READ THRESHOLDS (D1h) and RETURN STATUS (DAh)
//! (ATA/ATAPI-7 and ACS-3; the layout of the attribute slots is a de-facto one that no standard defines).
//!
//! Invariant: 30 slots with holes, in the drive's order, doubles kept; thresholds are
//! matched by id; a bad checksum flags the values and takes nothing away.

use super::ata_attribute::Attribute;
use super::field::Fields;
use super::page::{Page, PageState, Then};
use crate::value::Known;
use serde::Serialize;
use serde_json::json;
use std::collections::BTreeMap;

/// Length of either page in bytes.
pub const BYTES: usize = 512;

/// READ DATA and READ THRESHOLDS together.
#[derive(Debug, Clone, PartialEq)]
pub struct Smart {
    /// How the data page arrived.
    pub state: PageState,
    /// Checksum of the data page.
    pub data_checksum_ok: Known<bool>,
    /// Checksum of the thresholds page.
    pub thresholds_checksum_ok: Known<bool>,
    /// Used slots in the drive's order.
    pub attributes: Known<Vec<Attribute>>,
    /// Byte 362.
    pub offline_status_byte: Known<u8>,
    /// Seconds the off-line collection takes.
    pub offline_seconds: Known<u16>,
    /// Byte 363: high nibble status, low nibble tenths remaining.
    pub self_test_status_byte: Known<u8>,
    /// Byte 367.
    pub capability_byte_367: Known<u8>,
    /// Minutes of the short test.
    pub short_minutes: Known<u16>,
    /// Minutes of the extended test.
    pub extended_minutes: Known<u16>,
    /// Minutes of the conveyance test.
    pub conveyance_minutes: Known<u16>,
}

impl Smart {
    /// Decodes both pages; `thresholds` may be absent (D1h is obsolete in newer standards).
    pub fn decode(data: &Page<'_>, thresholds: &Page<'_>) -> Self {
        let limits = limits(thresholds);
        let attributes = if data.has_content() {
            Known::Value(
                (0..30)
                    .filter_map(|slot| attribute(data, slot, &limits, thresholds))
                    .collect(),
            )
        } else {
            data.missing()
        };
        let minutes = |at| data.byte(at).map(u16::from).absent_if(|m| *m == 0);
        Self {
            state: data.state().clone(),
            data_checksum_ok: data.sums_to_zero(),
            thresholds_checksum_ok: thresholds.sums_to_zero(),
            attributes,
            offline_status_byte: data.byte(362),
            offline_seconds: data.le16(364),
            self_test_status_byte: data.byte(363),
            capability_byte_367: data.byte(367),
            short_minutes: minutes(372),
            extended_minutes: data.byte(373).then(|m| match m {
                0xff => data.le16(375).absent_if(|m| *m == 0 || *m == 0xffff),
                0 => Known::NotReported,
                m => Known::Value(u16::from(m)),
            }),
            conveyance_minutes: minutes(374),
        }
    }

    /// Whether the data page came whole with a sound checksum and holds attributes: only
    /// then may a zero in it count in the drive's favour.
    pub fn sound(&self) -> bool {
        self.data_checksum_ok.get() == Some(true)
            && self.attributes.value().is_some_and(|a| !a.is_empty())
    }

    /// The fields for JSON; `raw` holds the six bytes as delivered, lowest address first.
    pub fn fields(&self) -> Fields {
        let mut f = Fields::default();
        f.set("smart_data_page", self.state.word());
        f.put("smart_data_checksum_ok", &self.data_checksum_ok);
        f.put("thresholds_checksum_ok", &self.thresholds_checksum_ok);
        let rows = self
            .attributes
            .clone()
            .map(|rows| rows.iter().map(Attribute::json).collect::<Vec<_>>());
        f.put("attributes", &rows);
        for a in self.attributes.value().into_iter().flatten() {
            if let Some(why) = a.threshold.why_not() {
                f.why
                    .insert(format!("attributes.{}.threshold", a.id), json!(why));
            }
        }
        f.put("offline_status_byte", &self.offline_status_byte);
        f.put("offline_seconds", &self.offline_seconds);
        f.put("self_test_status_byte", &self.self_test_status_byte);
        let nibble = self.self_test_status_byte.clone();
        f.put("self_test_status", &nibble.clone().map(|b| b >> 4));
        f.put(
            "self_test_percent_remaining",
            &nibble.map(|b| u16::from(b & 0x0f) * 10),
        );
        f.put("capability_byte_367", &self.capability_byte_367);
        let capable = |bit: u32| self.capability_byte_367.clone().map(|c| c >> bit & 1 == 1);
        f.put("short_extended_supported", &capable(4));
        f.put("conveyance_supported", &capable(5));
        f.put("short_minutes", &self.short_minutes);
        f.put("extended_minutes", &self.extended_minutes);
        f.put("conveyance_minutes", &self.conveyance_minutes);
        f
    }
}

fn attribute(
    data: &Page<'_>,
    slot: usize,
    limits: &BTreeMap<u8, u8>,
    thresholds: &Page<'_>,
) -> Option<Attribute> {
    let at = 2 + slot * 12;
    let id = data.byte(at).get().filter(|id| *id != 0)?;
    Some(Attribute {
        slot,
        id,
        flags: data.le16(at + 1).get()?,
        current: data.byte(at + 3).get()?,
        worst: data.byte(at + 4).get()?,
        raw: data.array(at + 5).get()?,
        threshold: match limits.get(&id) {
            Some(limit) => Known::Value(*limit),
            None if thresholds.sound() => Known::NotReported,
            None => thresholds.missing(),
        },
    })
}

/// Thresholds by id. Of two for one id the higher counts: it is crossed earlier.
fn limits(page: &Page<'_>) -> BTreeMap<u8, u8> {
    let mut limits = BTreeMap::new();
    for slot in 0..30 {
        let at = 2 + slot * 12;
        if let (Some(id), Some(limit)) = (page.byte(at).get(), page.byte(at + 1).get())
            && id != 0
        {
            let kept = limits.entry(id).or_insert(limit);
            *kept = limit.max(*kept);
        }
    }
    limits
}

/// The drive's own verdict.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Status {
    /// LBA mid/high 4Fh/C2h: no limit is crossed. Says little.
    NoLimitCrossed,
    /// LBA mid/high F4h/2Ch.
    LimitCrossed,
}

/// The verdict in the two bytes (LBA mid, LBA high) as answered. Both are needed: some
/// bridges pass only one on.
pub fn status(bytes: &[u8]) -> Known<Status> {
    match bytes {
        [0x4f, 0xc2] => Known::Value(Status::NoLimitCrossed),
        [0xf4, 0x2c] => Known::Value(Status::LimitCrossed),
        [mid, high] => Known::Unread {
            why: format!(
                "LBA mid and high came back as {mid:02x}h {high:02x}h, which is neither answer of the standard"
            ),
        },
        other => Known::Unread {
            why: format!("{} bytes came back where two were expected", other.len()),
        },
    }
}

/// The word of the interface for a verdict that may not be known.
pub fn status_word(status: &Known<Status>) -> &'static str {
    match status {
        Known::Value(Status::NoLimitCrossed) => "no-limit-crossed",
        Known::Value(Status::LimitCrossed) => "limit-crossed",
        Known::NotReported | Known::Implausible { .. } | Known::Unread { .. } => "unknown",
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use serde_json::Value;

    const DATA: &[u8; 512] = include_bytes!("../../../tests/fixtures/pages/ata-smart-data.bin");
    const LIMITS: &[u8; 512] =
        include_bytes!("../../../tests/fixtures/pages/ata-smart-thresholds.bin");

    fn sample() -> Smart {
        Smart::decode(&Page::of(DATA, BYTES), &Page::of(LIMITS, BYTES))
    }

    #[test]
    fn attributes_agree_with_an_independent_parser() {
        let want = include_str!("../../../tests/fixtures/pages/ata-smart.expected.json");
        let want: Value = serde_json::from_str(want).unwrap();
        let want = &want["must_match"];
        let got = sample();
        assert_eq!(got.data_checksum_ok, Known::Value(true));
        assert_eq!(got.thresholds_checksum_ok, Known::Value(true));
        let fields = got.fields();
        for name in [
            "offline_status_byte",
            "offline_seconds",
            "self_test_status_byte",
            "self_test_status",
            "self_test_percent_remaining",
            "capability_byte_367",
            "conveyance_supported",
            "short_extended_supported",
            "short_minutes",
            "extended_minutes",
            "conveyance_minutes",
        ] {
            assert_eq!(fields.values[name], want[name], "{name}");
        }
        let attributes = got.attributes.value().unwrap();
        let wanted = want["attributes"].as_array().unwrap();
        assert_eq!(attributes.len(), wanted.len());
        for (a, want) in attributes.iter().zip(wanted) {
            let row = a.json();
            for name in ["id", "flags", "current", "worst", "threshold"] {
                assert_eq!(row[name], want[name], "id {} {name}", a.id);
            }
            assert_eq!(row["raw"], want["raw_bytes"]);
            assert_eq!(json!(a.pre_failure()), want["prefail"]);
            assert_eq!(json!(a.raw48()), want["raw48"]);
            assert_eq!(json!(a.low16()), want["low16"]);
            assert_eq!(json!(a.low32()), want["low32"]);
            assert_eq!(
                json!(a.crossed_now().map(|c| !c)),
                want["above_threshold_now"]
            );
            assert_eq!(
                json!(a.crossed_ever().map(|c| !c)),
                want["above_threshold_always"],
                "id {}",
                a.id
            );
        }
    }

    #[test]
    fn holes_doubles_and_all_thirty_slots_are_kept() {
        let mut data = [0u8; 512];
        for slot in 0..30usize {
            data[2 + slot * 12] = 200 - (slot as u8 / 2);
            data[2 + slot * 12 + 3] = 100;
        }
        data[2 + 12 * 4] = 0;
        let smart = Smart::decode(&Page::of(&data, BYTES), &Page::of(&[0; 512], BYTES));
        let ids: Vec<u8> = smart
            .attributes
            .value()
            .unwrap()
            .iter()
            .map(|a| a.id)
            .collect();
        assert_eq!(ids.len(), 29);
        assert_eq!(&ids[..5], &[200, 200, 199, 199, 198]);
        assert_eq!(smart.data_checksum_ok, Known::Value(false));
        assert!(!smart.sound());
        assert!(
            smart.attributes.value().unwrap()[0]
                .threshold
                .get()
                .is_none()
        );
    }

    #[test]
    fn damaged_pages_keep_what_came_and_no_more() {
        let cut = Smart::decode(&Page::of(&DATA[..100], BYTES), &Page::of(LIMITS, BYTES));
        assert_eq!(cut.attributes.value().unwrap().len(), 8);
        assert!(!cut.sound());
        assert!(matches!(cut.offline_seconds, Known::Unread { .. }));
        let blank = Smart::decode(&Page::of(&[0; 512], BYTES), &Page::of(LIMITS, BYTES));
        assert_eq!(blank.attributes, Known::NotReported);
        let mut long = DATA.to_vec();
        long.extend([9; 12]);
        let long = Smart::decode(&Page::of(&long, BYTES), &Page::of(LIMITS, BYTES));
        assert!(long.sound());
        assert_eq!(long.fields().values["smart_data_page"], "over-long");
    }

    #[test]
    fn the_verdict_needs_both_bytes() {
        assert_eq!(status(&[0x4f, 0xc2]), Known::Value(Status::NoLimitCrossed));
        assert_eq!(status(&[0xf4, 0x2c]), Known::Value(Status::LimitCrossed));
        for odd in [&[0x4f, 0x2c][..], &[0x4f], &[], &[0, 0], &[0x4f, 0xc2, 0]] {
            assert_eq!(status_word(&status(odd)), "unknown");
        }
    }
}
