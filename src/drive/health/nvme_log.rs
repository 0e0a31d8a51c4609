//! NVMe log page 02h, health (NVMe Base 1.4, figure 194, from memory; offsets checked against an
//! independent definition of the structure).
//!
//! Invariant: counters are 128 bits wide and never wrap; a spare area of "0 of 0" and a
//! temperature of 0 K are not reported.

use super::field::Fields;
use super::page::{Page, Then};
use crate::value::{Counter128, Known};
use serde_json::Value;

/// Bytes of log 02h.
pub const HEALTH_BYTES: usize = 512;

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
        // Places where a real page holds nothing odd; garbage is odd in most of them. One oddity is
        // a field of its own (a broken sensor, say), two are no health page.
        let odd = [
            critical_warning.get().is_none_or(|w| w & 0xc0 != 0),
            matches!(temperature, Known::Implausible { .. }),
            spare.get().is_none(),
            threshold.get().is_none(),
            page.slice(16, 16)
                .value()
                .is_none_or(|reserved| reserved.iter().any(|b| *b != 0)),
        ];
        let sound = page.sound() && odd.into_iter().filter(|odd| *odd).count() < 2;
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
        self.sensor_fields(&mut f);
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

impl Health {
    /// The eight sensors as one row, absent ones `null`; no row without a page.
    fn sensor_fields(&self, f: &mut Fields) {
        let name = "temperature_sensors_kelvin";
        if self.critical_warning.value().is_none() {
            f.put(name, &self.critical_warning);
            return;
        }
        let sensors = self.temperature_sensors_kelvin.iter();
        f.set(
            name,
            sensors
                .clone()
                .map(Known::get)
                .collect::<Vec<Option<u16>>>(),
        );
        for (n, sensor) in sensors.enumerate() {
            if let Some(why) = sensor.why_not() {
                f.why
                    .insert(format!("{name}.{}", n + 1), Value::String(why));
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::drive::health::field::tests_support::agrees;
    use serde_json::json;

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
    fn one_odd_field_is_a_field_and_two_are_garbage() {
        let mut bytes = *WORN;
        bytes[4] = 200;
        let health = Health::decode(&Page::of(&bytes, 512));
        assert!(health.sound);
        assert!(matches!(
            health.available_spare_threshold,
            Known::Implausible { .. }
        ));
        bytes[20] = 1;
        assert!(!Health::decode(&Page::of(&bytes, 512)).sound);
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
}
