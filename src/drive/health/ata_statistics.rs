//! ATA Device Statistics (log 04h, by GPL page or as sectors of the SMART log; ACS-3,
//! annex A, from memory). The standardised counters: preferred over attributes.
//!
//! Invariant: a statistic counts only when its *supported* and *valid* bits are both set and its
//! value fits its width; a page of zeros or of revision 0 is not reported.

use super::field::Fields;
use super::page::{Page, Then};
use crate::value::Known;
use serde_json::{Value, json};

/// Length of one page, bytes.
pub const BYTES: usize = 512;

/// How the value of a statistic is kept.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Width {
    Unsigned(u8),
    SignedByte,
}

use Width::{SignedByte, Unsigned};

/// Page, offset, width, the standard's own name.
const KNOWN: &[(u8, u16, Width, &str)] = &[
    (0x01, 0x08, Unsigned(4), "lifetime_power_on_resets"),
    (0x01, 0x10, Unsigned(4), "power_on_hours"),
    (0x01, 0x18, Unsigned(6), "logical_sectors_written"),
    (0x01, 0x20, Unsigned(6), "number_of_write_commands"),
    (0x01, 0x28, Unsigned(6), "logical_sectors_read"),
    (0x01, 0x30, Unsigned(6), "number_of_read_commands"),
    (0x01, 0x38, Unsigned(6), "date_and_time_timestamp"),
    (0x01, 0x40, Unsigned(4), "pending_error_count"),
    (
        0x02,
        0x08,
        Unsigned(4),
        "number_of_free_fall_events_detected",
    ),
    (0x02, 0x10, Unsigned(4), "overlimit_shock_events"),
    (0x03, 0x08, Unsigned(4), "spindle_motor_power_on_hours"),
    (0x03, 0x10, Unsigned(4), "head_flying_hours"),
    (0x03, 0x18, Unsigned(4), "head_load_events"),
    (
        0x03,
        0x20,
        Unsigned(4),
        "number_of_reallocated_logical_sectors",
    ),
    (0x03, 0x28, Unsigned(4), "read_recovery_attempts"),
    (
        0x03,
        0x30,
        Unsigned(4),
        "number_of_mechanical_start_failures",
    ),
    (
        0x03,
        0x38,
        Unsigned(4),
        "number_of_realloc_candidate_logical_sectors",
    ),
    (
        0x03,
        0x40,
        Unsigned(4),
        "number_of_high_priority_unload_events",
    ),
    (
        0x04,
        0x08,
        Unsigned(4),
        "number_of_reported_uncorrectable_errors",
    ),
    (
        0x04,
        0x10,
        Unsigned(4),
        "number_of_resets_between_command_acceptance_and_completion",
    ),
    (0x05, 0x08, SignedByte, "current_temperature"),
    (0x05, 0x10, SignedByte, "average_short_term_temperature"),
    (0x05, 0x18, SignedByte, "average_long_term_temperature"),
    (0x05, 0x20, SignedByte, "highest_temperature"),
    (0x05, 0x28, SignedByte, "lowest_temperature"),
    (
        0x05,
        0x30,
        SignedByte,
        "highest_average_short_term_temperature",
    ),
    (
        0x05,
        0x38,
        SignedByte,
        "lowest_average_short_term_temperature",
    ),
    (
        0x05,
        0x40,
        SignedByte,
        "highest_average_long_term_temperature",
    ),
    (
        0x05,
        0x48,
        SignedByte,
        "lowest_average_long_term_temperature",
    ),
    (0x05, 0x50, Unsigned(4), "time_in_over_temperature"),
    (
        0x05,
        0x58,
        SignedByte,
        "specified_maximum_operating_temperature",
    ),
    (0x05, 0x60, Unsigned(4), "time_in_under_temperature"),
    (
        0x05,
        0x68,
        SignedByte,
        "specified_minimum_operating_temperature",
    ),
    (0x06, 0x08, Unsigned(4), "number_of_hardware_resets"),
    (0x06, 0x10, Unsigned(4), "number_of_asr_events"),
    (0x06, 0x18, Unsigned(4), "number_of_interface_crc_errors"),
    (
        0x07,
        0x08,
        Unsigned(1),
        "percentage_used_endurance_indicator",
    ),
];

/// One statistic.
#[derive(Debug, Clone, PartialEq)]
pub struct Statistic {
    /// Byte offset in its page.
    pub offset: u16,
    /// The standard's own name; `None` = not in our table.
    pub name: Option<&'static str>,
    /// Bit 63.
    pub supported: bool,
    /// Bit 62.
    pub valid: bool,
    /// The value, only when both bits are set.
    pub value: Known<i64>,
}

impl Statistic {
    fn json(&self) -> Value {
        json!({
            "offset": self.offset, "name": self.name, "supported": self.supported,
            "valid": self.valid, "value": self.value.get(),
        })
    }
}

/// One page.
#[derive(Debug, Clone, PartialEq)]
pub struct StatisticsPage {
    /// Page number as the page's own header says.
    pub page: u8,
    /// Revision, never 0.
    pub revision: u16,
    /// Whether it came whole.
    pub sound: bool,
    /// Known offsets, and every other one that the drive marks as supported.
    pub values: Vec<Statistic>,
}

/// All pages that were read.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Statistics {
    /// By page number, ascending; one each.
    pub pages: Vec<StatisticsPage>,
    /// Why a page is not among them: number and reason.
    pub absent: Vec<(u8, Known<()>)>,
}

/// Page numbers that the list page (00h) names: count at 8, numbers from 9.
pub fn listed(page: &Page<'_>) -> Known<Vec<u8>> {
    page.byte(8)
        .then(|count| page.slice(9, usize::from(count)).map(<[u8]>::to_vec))
}

/// Decodes one page of the number that was asked for.
pub fn page(asked: u8, page: &Page<'_>) -> Known<StatisticsPage> {
    let header = match page.le64(0) {
        Known::Value(header) => header,
        _ => return page.missing(),
    };
    let (revision, number) = ((header & 0xffff) as u16, (header >> 16 & 0xff) as u8);
    if revision == 0 {
        return Known::NotReported;
    }
    if number != asked {
        return Known::Implausible {
            raw: format!("page {number:02x}h came back where page {asked:02x}h was asked for"),
        };
    }
    let mut values = Vec::new();
    for offset in (8..BYTES as u16).step_by(8) {
        let entry = KNOWN
            .iter()
            .find(|(p, at, _, _)| (*p, *at) == (asked, offset));
        let Some(qword) = page.le64(usize::from(offset)).get() else {
            break;
        };
        let (supported, valid) = (qword >> 63 == 1, qword >> 62 & 1 == 1);
        if entry.is_none() && !supported {
            continue;
        }
        let value = if supported && valid {
            // Without an entry in our table only the 56 bits are known, not their width.
            number_of(
                qword & 0x00ff_ffff_ffff_ffff,
                entry.map_or(Unsigned(7), |e| e.2),
            )
        } else {
            Known::NotReported
        };
        values.push(Statistic {
            offset,
            name: entry.map(|e| e.3),
            supported,
            valid,
            value,
        });
    }
    Known::Value(StatisticsPage {
        page: number,
        revision,
        sound: page.sound(),
        values,
    })
}

fn number_of(bits: u64, width: Width) -> Known<i64> {
    let odd = || Known::Implausible {
        raw: format!("{bits:014x}h"),
    };
    match width {
        SignedByte => match u8::try_from(bits & 0xff) {
            Ok(byte) if byte != 0x80 => Known::Value(i64::from(byte as i8)),
            _ => odd(),
        },
        Unsigned(bytes) => {
            let most = (1u64 << (u32::from(bytes) * 8)) - 1;
            if bits > most || (bytes > 1 && bits == most) {
                return odd();
            }
            i64::try_from(bits).map_or_else(|_| odd(), Known::Value)
        }
    }
}

impl Statistics {
    /// Adds a page; the first good one of a number stays.
    pub fn add(&mut self, number: u8, decoded: Known<StatisticsPage>) {
        if self.pages.iter().any(|p| p.page == number) {
            return;
        }
        match decoded {
            Known::Value(page) => {
                self.absent.retain(|(n, _)| *n != number);
                self.pages.push(page);
                self.pages.sort_by_key(|p| p.page);
            }
            other => {
                if !self.absent.iter().any(|(n, _)| *n == number) {
                    self.absent.push((number, other.map(|_| ())));
                }
            }
        }
    }

    /// Adds every page found in SMART log 04h (sector n = page n, by its own header).
    pub fn add_smart_log(&mut self, bytes: &[u8]) {
        for sector in bytes.chunks(BYTES) {
            let found = Page::of(sector, BYTES);
            if let Some(number) = found.byte(2).get()
                && number != 0
            {
                self.add(number, page(number, &found));
            }
        }
    }

    /// One statistic; absent pages and offsets are not reported (or why they were not read).
    /// A zero on a page that did not come whole is no value.
    pub fn get(&self, page: u8, offset: u16) -> Known<i64> {
        if let Some(found) = self.pages.iter().find(|p| p.page == page) {
            return match found.values.iter().find(|v| v.offset == offset) {
                Some(v) if v.value == Known::Value(0) && !found.sound => Known::Unread {
                    why: "the page came incomplete".to_owned(),
                },
                Some(v) => v.value.clone(),
                None => Known::NotReported,
            };
        }
        match self.absent.iter().find(|(n, _)| *n == page) {
            Some((_, Known::Unread { why })) => Known::Unread { why: why.clone() },
            Some((_, Known::Implausible { raw })) => Known::Implausible { raw: raw.clone() },
            _ => Known::NotReported,
        }
    }

    /// A count: like [`Statistics::get`], never negative.
    pub fn count(&self, page: u8, offset: u16) -> Known<u64> {
        self.get(page, offset).then(|n| match u64::try_from(n) {
            Ok(n) => Known::Value(n),
            Err(_) => Known::Implausible { raw: n.to_string() },
        })
    }

    /// Whether any health-bearing statistic came on a whole page.
    pub fn sound(&self) -> bool {
        self.pages
            .iter()
            .filter(|p| p.sound && matches!(p.page, 3 | 4 | 7))
            .any(|p| p.values.iter().any(|v| v.value.value().is_some()))
    }

    /// The fields for JSON, under `device_statistics`.
    pub fn fields(&self) -> Fields {
        let mut f = Fields::default();
        let rows: Vec<Value> = self
            .pages
            .iter()
            .map(|p| {
                let values: Vec<Value> = p.values.iter().map(Statistic::json).collect();
                json!({ "page": p.page, "revision": p.revision, "values": values })
            })
            .collect();
        let known = if rows.is_empty() {
            let unread = self.absent.iter().find_map(|(_, why)| match why {
                Known::Unread { why } => Some(why.clone()),
                _ => None,
            });
            unread.map_or(Known::NotReported, |why| Known::Unread { why })
        } else {
            Known::Value(rows)
        };
        f.put("device_statistics", &known);
        for (number, why) in &self.absent {
            let name = format!("device_statistics.page_{number:02x}");
            f.why.insert(name, json!(why.why_not()));
        }
        f
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const GENERAL: &[u8; 512] = include_bytes!("../../../tests/fixtures/pages/ata-devstat-01.bin");
    const HEAT: &[u8; 512] = include_bytes!("../../../tests/fixtures/pages/ata-devstat-05.bin");
    const WEAR: &[u8; 512] = include_bytes!("../../../tests/fixtures/pages/ata-devstat-07.bin");

    fn all() -> Statistics {
        let mut all = Statistics::default();
        for (n, bytes) in [(7, WEAR), (1, GENERAL), (5, HEAT)] {
            all.add(n, page(n, &Page::of(bytes, BYTES)));
        }
        all
    }

    #[test]
    fn pages_agree_with_the_expected_decode() {
        let want = include_str!("../../../tests/fixtures/pages/ata-logs.expected.json");
        let want: Value = serde_json::from_str(want).unwrap();
        let got = all();
        for want in want["device_statistics"].as_array().unwrap() {
            let page = got
                .pages
                .iter()
                .find(|p| json!(p.page) == want["page"])
                .unwrap();
            assert_eq!(json!(page.revision), want["revision"]);
            for want in want["values"].as_array().unwrap() {
                let v = page
                    .values
                    .iter()
                    .find(|v| json!(v.offset) == want["offset"])
                    .unwrap();
                let row = v.json();
                for name in ["supported", "valid", "value"] {
                    assert_eq!(row[name], want[name], "{}/{} {name}", page.page, v.offset);
                }
            }
        }
        assert_eq!(got.count(1, 0x10), Known::Value(28_202));
        assert_eq!(got.get(5, 0x28), Known::Value(-5));
        assert_eq!(got.count(7, 8), Known::Value(104));
        assert_eq!(got.count(3, 0x38), Known::NotReported, "page never read");
    }

    #[test]
    fn the_smart_log_holds_the_same_pages_one_after_the_other() {
        let mut log = vec![0u8; 512];
        log[0] = 1;
        log.extend(GENERAL);
        log.extend([0; 512]);
        log.extend(WEAR);
        let mut got = Statistics::default();
        got.add_smart_log(&log);
        assert_eq!(got.pages.iter().map(|p| p.page).collect::<Vec<_>>(), [1, 7]);
    }

    #[test]
    fn a_missing_page_is_zeros_and_says_nothing() {
        let mut got = Statistics::default();
        got.add(3, page(3, &Page::of(&[0; 512], BYTES)));
        assert_eq!(got.count(3, 0x38), Known::NotReported);
        assert!(!got.sound());
        got.add(4, page(4, &Page::of(GENERAL, BYTES)));
        assert!(matches!(got.get(4, 8), Known::Implausible { .. }));
    }

    #[test]
    fn only_supported_and_valid_values_that_fit_count() {
        let mut bytes = [0u8; 512];
        bytes[0] = 1;
        bytes[2] = 3;
        let mut put = |at: usize, flags: u64, value: u64| {
            bytes[at..at + 8].copy_from_slice(&(flags << 56 | value).to_le_bytes());
        };
        put(0x20, 0xc0, 12);
        put(0x28, 0x80, 5);
        put(0x30, 0x40, 5);
        put(0x38, 0xc0, 0x1_0000_0000);
        put(0x40, 0xf8, 3);
        let mut got = Statistics::default();
        got.add(3, page(3, &Page::of(&bytes, BYTES)));
        assert_eq!(got.count(3, 0x20), Known::Value(12));
        assert_eq!(got.count(3, 0x28), Known::NotReported);
        assert_eq!(got.count(3, 0x30), Known::NotReported);
        assert!(matches!(got.count(3, 0x38), Known::Implausible { .. }));
        assert_eq!(got.count(3, 0x40), Known::Value(3));
        assert!(got.sound());
    }

    #[test]
    fn the_list_page_names_the_pages() {
        let mut bytes = [0u8; 512];
        bytes[0] = 1;
        bytes[8..13].copy_from_slice(&[4, 0, 1, 5, 7]);
        assert_eq!(
            listed(&Page::of(&bytes, BYTES)),
            Known::Value(vec![0, 1, 5, 7])
        );
        assert_eq!(listed(&Page::of(&[0; 512], BYTES)), Known::NotReported);
    }
}
