//! Quantities that must not be mixed up or silently go off the published schema.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

/// A probability in `0.0..=1.0`; never NaN or infinite (JSON would turn those into `null`).
#[derive(Debug, Clone, Copy, PartialEq, PartialOrd, Serialize, JsonSchema)]
#[serde(transparent)]
pub struct Probability(f64);

impl<'de> Deserialize<'de> for Probability {
    fn deserialize<D: serde::Deserializer<'de>>(d: D) -> Result<Self, D::Error> {
        f64::deserialize(d).map(Self::new)
    }
}

impl Probability {
    /// Clamps into `0..=1`; NaN becomes 1, because an unknown chance of loss is never good news.
    pub fn new(p: f64) -> Self {
        if p.is_nan() {
            Self(1.0)
        } else {
            Self(p.clamp(0.0, 1.0))
        }
    }

    /// The number, in `0..=1`.
    pub fn get(self) -> f64 {
        self.0
    }
}

/// A 128-bit counter as NVMe defines them; a decimal string in JSON.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct Counter128(pub u128);

impl Serialize for Counter128 {
    fn serialize<S: serde::Serializer>(&self, s: S) -> Result<S::Ok, S::Error> {
        s.collect_str(&self.0)
    }
}

impl<'de> Deserialize<'de> for Counter128 {
    fn deserialize<D: serde::Deserializer<'de>>(d: D) -> Result<Self, D::Error> {
        let text = String::deserialize(d)?;
        text.parse()
            .map(Counter128)
            .map_err(serde::de::Error::custom)
    }
}

impl JsonSchema for Counter128 {
    fn schema_name() -> std::borrow::Cow<'static, str> {
        "Counter128".into()
    }

    fn json_schema(_: &mut schemars::SchemaGenerator) -> schemars::Schema {
        schemars::json_schema!({ "type": "string", "pattern": "^[0-9]+$" })
    }
}

/// Bytes in words for people: decimal units, three significant digits, always with the unit.
pub fn bytes_in_words(bytes: u64) -> String {
    const UNITS: [(&str, f64); 4] = [("TB", 1e12), ("GB", 1e9), ("MB", 1e6), ("kB", 1e3)];
    for (unit, size) in UNITS {
        let value = bytes as f64 / size;
        if value >= 0.9995 {
            return if value >= 99.95 {
                format!("{value:.0} {unit}")
            } else if value >= 9.995 {
                format!("{value:.1} {unit}")
            } else {
                format!("{value:.2} {unit}")
            };
        }
    }
    if bytes == 1 {
        "1 byte".to_owned()
    } else {
        format!("{bytes} bytes")
    }
}

/// A count with thousands separated by commas, as people read it: `1,204`.
pub fn count_in_words(count: u64) -> String {
    let digits = count.to_string();
    let mut out = String::with_capacity(digits.len() + digits.len() / 3);
    for (place, digit) in digits.chars().enumerate() {
        if place > 0 && (digits.len() - place).is_multiple_of(3) {
            out.push(',');
        }
        out.push(digit);
    }
    out
}

/// A number of items and their bytes.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize, Deserialize, JsonSchema)]
pub struct Amount {
    /// How many items.
    pub items: u64,
    /// Their bytes.
    pub bytes: u64,
}

impl Amount {
    /// `items` items of together `bytes` bytes.
    pub const fn new(items: u64, bytes: u64) -> Self {
        Self { items, bytes }
    }

    /// Both sums; they stop at the largest number instead of wrapping.
    pub fn plus(self, other: Self) -> Self {
        Self {
            items: self.items.saturating_add(other.items),
            bytes: self.bytes.saturating_add(other.bytes),
        }
    }

    /// Both differences; they stop at zero.
    pub fn minus(self, other: Self) -> Self {
        Self {
            items: self.items.saturating_sub(other.items),
            bytes: self.bytes.saturating_sub(other.bytes),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn an_unknown_chance_is_never_good_news() {
        assert_eq!(Probability::new(f64::NAN).get(), 1.0);
        assert_eq!(Probability::new(-0.1).get(), 0.0);
        assert_eq!(Probability::new(7.0).get(), 1.0);
    }

    #[test]
    fn counters_travel_as_decimal_text() {
        let json = serde_json::to_string(&Counter128(u128::MAX)).unwrap();
        assert_eq!(json, "\"340282366920938463463374607431768211455\"");
        assert_eq!(
            serde_json::from_str::<Counter128>(&json).unwrap(),
            Counter128(u128::MAX)
        );
    }

    #[test]
    fn amounts_carry_their_unit() {
        assert_eq!(bytes_in_words(0), "0 bytes");
        assert_eq!(bytes_in_words(1), "1 byte");
        assert_eq!(bytes_in_words(999), "999 bytes");
        assert_eq!(bytes_in_words(1_000), "1.00 kB");
        assert_eq!(bytes_in_words(195_000_000_000), "195 GB");
        assert_eq!(bytes_in_words(12_345_678), "12.3 MB");
        assert_eq!(count_in_words(1_234_567), "1,234,567");
        assert_eq!(count_in_words(12), "12");
    }
}
