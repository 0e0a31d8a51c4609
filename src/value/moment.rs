//! A moment in UTC, to the second and below. Pure: the present moment comes from
//! [`crate::port::Clock`] only.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};
use std::fmt;

/// Nanoseconds since 1970-01-01T00:00:00Z; may be negative. Prints as RFC 3339 UTC; `{:.0}` leaves parts of a second
/// of it as a sentence tells it: "26 Nov 2026, 04:36 UTC".
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct Moment(pub i128);

impl Moment {
    /// From whole seconds since 1970.
    pub const fn from_seconds(seconds: i64) -> Self {
        Self(seconds as i128 * 1_000_000_000)
    }

    /// Whole seconds since 1970, rounded down.
    pub fn seconds(self) -> i64 {
        i64::try_from(self.0.div_euclid(1_000_000_000)).unwrap_or(if self.0 < 0 {
            i64::MIN
        } else {
            i64::MAX
        })
    }

    /// Hours from `earlier` to `self`; negative when `self` is the earlier one.
    pub fn hours_since(self, earlier: Moment) -> f64 {
        (self.0 - earlier.0) as f64 / 3.6e12
    }

    /// This moment moved by `hours`.
    pub fn plus_hours(self, hours: f64) -> Self {
        Self(self.0 + (hours * 3.6e12) as i128)
    }

    /// Parses RFC 3339 text with a zone (`2026-11-25T12:00:00Z`), or a plain date taken as its first second in UTC.
    pub fn parse(text: &str) -> Option<Self> {
        if let Ok(t) = text.parse::<jiff::Timestamp>() {
            return Some(Self(t.as_nanosecond()));
        }
        // The calendar's own reading would take a moment without a zone for its day, and drop the hour in silence.
        if text.len() != "2026-11-25".len() {
            return None;
        }
        let date: jiff::civil::Date = text.parse().ok()?;
        let start = jiff::tz::TimeZone::UTC
            .to_timestamp(date.to_datetime(jiff::civil::Time::midnight()))
            .ok()?;
        Some(Self(start.as_nanosecond()))
    }
}

impl fmt::Display for Moment {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match jiff::Timestamp::from_nanosecond(self.0) {
            Ok(t) => match f.precision() {
                Some(0) => write!(f, "{}", t.strftime("%-d %b %Y, %H:%M UTC")),
                Some(places) => write!(f, "{t:.places$}"),
                None => write!(f, "{t}"),
            },
            Err(_) => write!(f, "{} s outside the calendar", self.seconds()),
        }
    }
}

impl Serialize for Moment {
    fn serialize<S: serde::Serializer>(&self, s: S) -> Result<S::Ok, S::Error> {
        s.collect_str(self)
    }
}

impl<'de> Deserialize<'de> for Moment {
    fn deserialize<D: serde::Deserializer<'de>>(d: D) -> Result<Self, D::Error> {
        let text = String::deserialize(d)?;
        Moment::parse(&text)
            .ok_or_else(|| serde::de::Error::custom(format!("'{text}' is not an RFC 3339 moment")))
    }
}

impl JsonSchema for Moment {
    fn schema_name() -> std::borrow::Cow<'static, str> {
        "Moment".into()
    }

    fn json_schema(_: &mut schemars::SchemaGenerator) -> schemars::Schema {
        schemars::json_schema!({ "type": "string", "format": "date-time" })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn prints_and_parses_rfc_3339() {
        let m = Moment::from_seconds(1_764_072_000);
        assert_eq!(m.to_string(), "2025-11-25T12:00:00Z");
        assert_eq!(Moment::parse("2025-11-25T12:00:00Z"), Some(m));
        assert_eq!(Moment::parse("2025-11-25"), Some(m.plus_hours(-12.0)));
        assert_eq!(Moment::parse("yesterday"), None);
        assert_eq!(Moment::parse("2025-11-25T12:00:00"), None, "without a zone");
        let finer = Moment(m.0 + 987_654_321);
        assert_eq!(finer.to_string(), "2025-11-25T12:00:00.987654321Z");
        assert_eq!(format!("{finer:.0}"), "25 Nov 2025, 12:00 UTC");
        assert!((m.plus_hours(2.0).hours_since(m) - 2.0).abs() < 1e-9);
    }

    #[test]
    fn a_time_outside_the_calendar_is_text_not_a_panic() {
        assert!(Moment(i128::MAX).to_string().contains("outside"));
    }
}
