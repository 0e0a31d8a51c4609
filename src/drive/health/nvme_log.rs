//! NVMe log pages: 01h error information, 02h health, 06h self-test, 81h sanitize status
//! (NVMe Base 1.4, figures 189 to 194 and 2.0, from memory; offsets checked against an
//! independent definition of the structures).
//!
//! Invariant: counters are 128 bits wide and never wrap; a spare area of "0 of 0" and a
//! temperature of 0 K are not reported.

use super::field::Fields;
use super::page::{Page, Then};
use crate::value::{Counter128, Known};
use serde_json::{Value, json};

/// Bytes of log 02h.
pub const HEALTH_BYTES: usize = 512;
/// Bytes of log 06h.
pub const SELF_TEST_BYTES: usize = 564;
/// Bytes of one entry of log 01h.
pub const ERROR_ENTRY_BYTES: usize = 64;

/// Log 02h.
#[derive(Debug, Clone, PartialEq)]
pub struct Health {
    /// Whether the page came whole and its fields can be true together: only then may a
    /// zero count in the drive's favour.
    pub sound: bool,
    /// How the page arrived, in one word.
    pub page: &'static str,
    /// Warning bits: 0 spare, 1 temperature, 2 reliability, 3 read-only, 4 backup, 5 persistent memory.
    pub critical_warning: Known<u8>,
    /// Kelvin.
    pub composite_temperature_kelvin: Known<u16>,
    /// Percent left.
    pub available_spare: Known<u8>,
    /// Percent below which bit 0 rises.
    pub available_spare_threshold: Known<u8>,
    /// Percent of the rated writing; may pass 100, 255 = 255 or more.
    pub percentage_used: Known<u8>,
    /// Warning bits of the endurance groups.
    pub endurance_group_warning: Known<u8>,
    /// Ten counters in page order from byte 32, see [`COUNTERS`].
    pub counters: [Known<Counter128>; 10],
    /// Minutes at or above the warning temperature.
    pub warning_temp_minutes: Known<u32>,
    /// Minutes at or above the critical temperature.
    pub critical_temp_minutes: Known<u32>,
    /// Sensors 1 to 8, Kelvin.
    pub temperature_sensors_kelvin: [Known<u16>; 8],
    /// Transitions into light and heavy throttling.
    pub thm_transitions: [Known<u32>; 2],
    /// Seconds in light and heavy throttling.
    pub thm_seconds: [Known<u32>; 2],
}

/// Names of [`Health::counters`].
pub const COUNTERS: [&str; 10] = [
    "data_units_read",
    "data_units_written",
    "host_read_commands",
    "host_write_commands",
    "controller_busy_minutes",
    "power_cycles",
    "power_on_hours",
    "unsafe_shutdowns",
    "media_errors",
    "error_log_entries",
];

/// A temperature field: 0 = not reported; beyond -40..150 degrees Celsius no sensor of a drive reads (engineering judgement).
fn kelvin(page: &Page<'_>, at: usize) -> Known<u16> {
    page.le16(at)
        .absent_if(|k| *k == 0)
        .plausible_if(|k| (233..=423).contains(k), |k| format!("{k} kelvin"))
}

fn percent(page: &Page<'_>, at: usize) -> Known<u8> {
    page.byte(at)
        .plausible_if(|p| *p <= 100, |p| format!("{p} percent"))
}

impl Health {
    /// Decodes the page.
    pub fn decode(page: &Page<'_>) -> Self {
        let critical_warning = page.byte(0);
        let temperature = kelvin(page, 1);
        let (mut spare, mut threshold) = (percent(page, 3), percent(page, 4));
        // Six fields that garbage would hardly all pass: bits 6 and 7 are reserved, percentages end at 100.
        let sound = page.sound()
            && critical_warning.get().is_some_and(|w| w & 0xc0 == 0)
            && !matches!(temperature, Known::Implausible { .. })
            && spare.get().is_some()
            && threshold.get().is_some();
        if (spare.get(), threshold.get()) == (Some(0), Some(0)) {
            // A controller without the feature fills in zeros; 0 is not below 0.
            (spare, threshold) = (Known::NotReported, Known::NotReported);
        }
        let counter = |n: usize| page.le128(32 + 16 * n).map(Counter128);
        let mut counters = std::array::from_fn(counter);
        for units in counters.iter_mut().take(2) {
            // "A value of 0h indicates that the number is not reported" (data units, NVMe Base 1.4, figure 194).
            *units = units.clone().absent_if(|n| n.0 == 0);
        }
        Self {
            sound,
            page: page.state().word(),
            critical_warning,
            composite_temperature_kelvin: temperature,
            available_spare: spare,
            available_spare_threshold: threshold,
            percentage_used: page.byte(5),
            endurance_group_warning: page.byte(6),
            counters,
            warning_temp_minutes: page.le32(192),
            critical_temp_minutes: page.le32(196),
            temperature_sensors_kelvin: std::array::from_fn(|n| kelvin(page, 200 + 2 * n)),
            thm_transitions: [page.le32(216), page.le32(220)],
            thm_seconds: [page.le32(224), page.le32(228)],
        }
    }

    /// One of the ten counters by its name in [`COUNTERS`].
    pub fn counter(&self, name: &str) -> Known<u128> {
        COUNTERS
            .iter()
            .zip(&self.counters)
            .find(|(known, _)| **known == name)
            .map_or(Known::NotReported, |(_, value)| value.clone().map(|c| c.0))
    }

    /// Whether a warning bit is set; only a delivered byte says anything.
    pub fn warns(&self, bit: u32) -> Known<bool> {
        self.critical_warning.clone().map(|w| w >> bit & 1 == 1)
    }

    /// Bytes written by the host: data units of 1000 x 512 bytes each.
    pub fn bytes_written(&self) -> Known<u128> {
        self.counter("data_units_written")
            .map(|units| units.saturating_mul(512_000))
    }

    /// The fields for JSON.
    pub fn fields(&self) -> Fields {
        let mut f = Fields::default();
        f.set("health_log_page", self.page);
        f.put("critical_warning", &self.critical_warning);
        for (bit, name) in [
            "warn_spare",
            "warn_temperature",
            "warn_reliability",
            "warn_read_only",
            "warn_backup",
            "warn_pmr",
        ]
        .into_iter()
        .enumerate()
        {
            f.put(name, &self.warns(bit as u32));
        }
        f.put(
            "composite_temperature_kelvin",
            &self.composite_temperature_kelvin,
        );
        f.put("available_spare", &self.available_spare);
        f.put("available_spare_threshold", &self.available_spare_threshold);
        f.put("percentage_used", &self.percentage_used);
        f.put("endurance_group_warning", &self.endurance_group_warning);
        for (name, value) in COUNTERS.iter().zip(&self.counters) {
            f.put(name, value);
        }
        f.put("warning_temp_minutes", &self.warning_temp_minutes);
        f.put("critical_temp_minutes", &self.critical_temp_minutes);
        let sensors: Vec<Option<u16>> = self
            .temperature_sensors_kelvin
            .iter()
            .map(Known::get)
            .collect();
        f.set("temperature_sensors_kelvin", sensors);
        for (n, sensor) in self.temperature_sensors_kelvin.iter().enumerate() {
            if let Some(why) = sensor.why_not() {
                let name = format!("temperature_sensors_kelvin.{}", n + 1);
                f.why.insert(name, Value::String(why));
            }
        }
        for (n, (count, seconds)) in self
            .thm_transitions
            .iter()
            .zip(&self.thm_seconds)
            .enumerate()
        {
            f.put(&format!("thm{}_transitions", n + 1), count);
            f.put(&format!("thm{}_seconds", n + 1), seconds);
        }
        f
    }
}

/// One entry of log 01h.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct ErrorEntry {
    /// Number of this error over the drive's life; never 0.
    pub error_count: u64,
    /// Submission queue.
    pub sqid: u16,
    /// Command id.
    pub cmdid: u16,
    /// Status with the phase tag in bit 0.
    pub status_field: u16,
    /// Byte and bit of the command that was refused; FFFFh = none.
    pub param_error_location: u16,
    /// First block concerned.
    pub lba: u64,
    /// Namespace.
    pub nsid: u32,
}

impl ErrorEntry {
    /// Status code, bits 8:1.
    pub fn status_code(&self) -> u8 {
        (self.status_field >> 1 & 0xff) as u8
    }

    /// Status code type, bits 11:9.
    pub fn status_code_type(&self) -> u8 {
        (self.status_field >> 9 & 0x07) as u8
    }

    /// Unrecovered read error: type 2 (media), code 81h.
    pub fn media_read_error(&self) -> bool {
        (self.status_code_type(), self.status_code()) == (2, 0x81)
    }

    fn json(&self) -> Value {
        json!({
            "error_count": self.error_count, "sqid": self.sqid, "cmdid": self.cmdid,
            "status_field": self.status_field, "phase_tag": self.status_field & 1,
            "status_code": self.status_code(), "status_code_type": self.status_code_type(),
            "do_not_retry": self.status_field >> 15 == 1,
            "param_error_location": self.param_error_location, "lba": self.lba, "nsid": self.nsid,
        })
    }
}

/// Log 01h, newest first; an entry with count 0 is unused and ends the list.
pub fn errors(page: &Page<'_>) -> Known<Vec<ErrorEntry>> {
    if !page.has_content() {
        return page.missing();
    }
    let mut entries = Vec::new();
    for n in 0..page.content().len() / ERROR_ENTRY_BYTES {
        let at = n * ERROR_ENTRY_BYTES;
        let (
            Some(error_count),
            Some(sqid),
            Some(cmdid),
            Some(status_field),
            Some(place),
            Some(lba),
            Some(nsid),
        ) = (
            page.le64(at).get(),
            page.le16(at + 8).get(),
            page.le16(at + 10).get(),
            page.le16(at + 12).get(),
            page.le16(at + 14).get(),
            page.le64(at + 16).get(),
            page.le32(at + 24).get(),
        )
        else {
            break;
        };
        if error_count == 0 {
            break;
        }
        entries.push(ErrorEntry {
            error_count,
            sqid,
            cmdid,
            status_field,
            param_error_location: place,
            lba,
            nsid,
        });
    }
    Known::Value(entries)
}

/// Log 01h for JSON, under `error_information`.
pub fn error_fields(entries: &Known<Vec<ErrorEntry>>) -> Fields {
    let mut f = Fields::default();
    let rows = entries
        .clone()
        .map(|entries| entries.iter().map(ErrorEntry::json).collect::<Vec<_>>());
    f.put("error_information", &rows);
    f
}

/// One result of log 06h.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct SelfTestResult {
    /// Place in the log, 0 = newest.
    pub slot: u8,
    /// 1 short, 2 extended, Eh vendor's own.
    pub test_code: u8,
    /// 0 nothing found; 5 fatal; 6, 7 failed; 1-4, 8, 9 not finished.
    pub result: u8,
    /// First failing segment, only for result 7.
    pub segment: Option<u8>,
    /// Hours powered on when it ended.
    pub power_on_hours: u64,
    /// Namespace, where valid.
    pub nsid: Option<u32>,
    /// First failing block, where valid.
    pub failing_lba: Option<u64>,
    /// Status code type, where valid.
    pub sct: Option<u8>,
    /// Status code, where valid.
    pub sc: Option<u8>,
}

impl SelfTestResult {
    fn json(&self) -> Value {
        json!({
            "slot": self.slot, "test_code": self.test_code, "result": self.result,
            "segment": self.segment, "power_on_hours": self.power_on_hours, "nsid": self.nsid,
            "failing_lba": self.failing_lba, "sct": self.sct, "sc": self.sc,
        })
    }
}

/// Log 06h.
#[derive(Debug, Clone, PartialEq)]
pub struct SelfTests {
    /// Running test: 0 none, 1 short, 2 extended, Eh vendor's own.
    pub current_operation: Known<u8>,
    /// Percent done of the running one.
    pub completion_percent: Known<u8>,
    /// Results, newest first, unused places left out.
    pub results: Known<Vec<SelfTestResult>>,
}

impl SelfTests {
    /// Decodes the page.
    pub fn decode(page: &Page<'_>) -> Self {
        let results = if page.has_content() {
            Known::Value((0..20).filter_map(|slot| result(page, slot)).collect())
        } else {
            page.missing()
        };
        Self {
            current_operation: page.byte(0).map(|b| b & 0x0f),
            completion_percent: page
                .byte(1)
                .map(|b| b & 0x7f)
                .plausible_if(|p| *p <= 100, |p| format!("{p} percent")),
            results,
        }
    }

    /// The fields for JSON.
    pub fn fields(&self) -> Fields {
        let mut f = Fields::default();
        f.put("current_operation", &self.current_operation);
        f.put("completion_percent", &self.completion_percent);
        let rows = self
            .results
            .clone()
            .map(|rows| rows.iter().map(SelfTestResult::json).collect::<Vec<_>>());
        f.put("results", &rows);
        f
    }
}

fn result(page: &Page<'_>, slot: u8) -> Option<SelfTestResult> {
    let at = 4 + usize::from(slot) * 28;
    let head = page.byte(at).get()?;
    let (test_code, result) = (head >> 4, head & 0x0f);
    // Fh = place not used; test code 0 is no test, so an all-zero place is none either.
    if result == 0x0f || test_code == 0 {
        return None;
    }
    let valid = page.byte(at + 2).get()?;
    let when = |bit: u8| (valid >> bit & 1 == 1).then_some(());
    let power_on_hours = page.le64(at + 4).get()?;
    let (nsid, lba) = (page.le32(at + 12).get()?, page.le64(at + 16).get()?);
    let (sct, sc) = (page.byte(at + 24).get()?, page.byte(at + 25).get()?);
    Some(SelfTestResult {
        slot,
        test_code,
        result,
        segment: (result == 7).then_some(page.byte(at + 1).get()?),
        power_on_hours,
        nsid: when(0).map(|()| nsid),
        failing_lba: when(1).map(|()| lba),
        sct: when(2).map(|()| sct),
        sc: when(3).map(|()| sc),
    })
}

/// Log 81h: state of an erase by the drive itself (bits 2:0 of the word at 2).
/// 0 never, 1 done, 2 running, 3 failed, 4 done without deallocation.
pub fn sanitize_state(page: &Page<'_>) -> Known<u8> {
    page.le16(2).map(|word| (word & 0x07) as u8).plausible_if(
        |state| *state <= 4,
        |state| format!("sanitize status {state}, expected 0 to 4"),
    )
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::drive::health::field::tests_support::agrees;

    const WORN: &[u8; 512] = include_bytes!("../../../tests/fixtures/pages/nvme-log02-worn.bin");
    const EXTREME: &[u8; 512] =
        include_bytes!("../../../tests/fixtures/pages/nvme-log02-extreme.bin");

    #[test]
    fn health_log_agrees_with_an_independent_decoder() {
        let want = include_str!("../../../tests/fixtures/pages/nvme-log02-worn.expected.json");
        let mut want: Value = serde_json::from_str(want).unwrap();
        // Absent sensors are 0 K on the wire and null in ours.
        want["temperature_sensors_kelvin"] = json!([318, 331, null, null, null, null, null, null]);
        let health = Health::decode(&Page::of(WORN, 512));
        agrees(
            &health.fields(),
            &want,
            &["composite_temperature_celsius_int"],
        );
        assert!(health.sound);
        assert_eq!(health.bytes_written(), Known::Value(45_164_080_128_000));
    }

    #[test]
    fn extremes_of_128_bits_survive() {
        let want = include_str!("../../../tests/fixtures/pages/nvme-log02-extreme.expected.json");
        let mut want: Value = serde_json::from_str(want).unwrap();
        want["temperature_sensors_kelvin"] =
            json!([null, null, null, null, null, null, null, null]);
        want["composite_temperature_kelvin"] = Value::Null;
        let health = Health::decode(&Page::of(EXTREME, 512));
        let fields = health.fields();
        agrees(&fields, &want, &["composite_temperature_celsius_int"]);
        assert_eq!(fields.why["composite_temperature_kelvin"], "not reported");
        assert_eq!(
            fields.why["temperature_sensors_kelvin.8"],
            "implausible: 65535 kelvin"
        );
    }

    #[test]
    fn zero_spare_of_zero_is_not_reported() {
        // An emulated controller: 323 K, spare 0, threshold 0.
        let mut bytes = [0u8; 512];
        bytes[1..3].copy_from_slice(&0x143u16.to_le_bytes());
        let health = Health::decode(&Page::of(&bytes, 512));
        assert_eq!(health.available_spare, Known::NotReported);
        assert_eq!(health.available_spare_threshold, Known::NotReported);
        assert_eq!(health.counter("data_units_written"), Known::NotReported);
        assert_eq!(health.composite_temperature_kelvin, Known::Value(0x143));
        bytes[4] = 5;
        let health = Health::decode(&Page::of(&bytes, 512));
        assert_eq!(health.available_spare, Known::Value(0), "0 of 5 is a value");
    }

    #[test]
    fn a_blank_health_log_says_nothing() {
        for blank in [[0u8; 512], [0xff; 512]] {
            let health = Health::decode(&Page::of(&blank, 512));
            assert!(!health.sound);
            assert!(health.counters.iter().all(|c| c.value().is_none()));
            assert!(health.warns(0).get().is_none());
        }
        let cut = Health::decode(&Page::of(&WORN[..170], 512));
        assert!(!cut.sound);
        assert_eq!(cut.percentage_used, Known::Value(104));
        assert!(matches!(cut.counter("media_errors"), Known::Unread { .. }));
    }

    #[test]
    fn error_log_agrees_with_an_independent_decoder() {
        let bytes = include_bytes!("../../../tests/fixtures/pages/nvme-log01.bin");
        let want = include_str!("../../../tests/fixtures/pages/nvme-log01.expected.json");
        let want: Vec<Value> = serde_json::from_str(want).unwrap();
        let got = errors(&Page::at_least(bytes, 64)).value().cloned().unwrap();
        let used: Vec<&Value> = want.iter().filter(|w| w["used"] == true).collect();
        assert_eq!(got.len(), used.len());
        for (got, want) in got.iter().zip(used) {
            let got = got.json();
            for (name, value) in want.as_object().unwrap() {
                assert!(name == "used" || got[name] == *value, "{name}");
            }
        }
        assert!(got[0].media_read_error() && !got[1].media_read_error());
    }

    #[test]
    fn self_test_log_agrees_with_an_independent_decoder() {
        let bytes = include_bytes!("../../../tests/fixtures/pages/nvme-log06.bin");
        let want = include_str!("../../../tests/fixtures/pages/nvme-log06.expected.json");
        let got = SelfTests::decode(&Page::of(bytes, SELF_TEST_BYTES)).fields();
        agrees(&got, &serde_json::from_str(want).unwrap(), &[]);
    }

    #[test]
    fn sanitize_state_is_the_low_three_bits() {
        let page = [0u8, 0, 0x02, 0x01];
        assert_eq!(sanitize_state(&Page::at_least(&page, 4)), Known::Value(2));
        let page = [0u8, 0, 0x07, 0];
        assert!(matches!(
            sanitize_state(&Page::at_least(&page, 4)),
            Known::Implausible { .. }
        ));
    }
}
