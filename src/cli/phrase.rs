//! Numbers as people say them: chances, hours, moments, counts with their noun, and paths
//! ready for a shell.

use super::look::Look;
use crate::step::outcome::{ChanceRange, Finite};
use crate::value::Moment;
use crate::value::measure::count_in_words;

pub use crate::value::typed as quoted;

/// A chance as a range: "2 to 9 in 100". Rounded outwards, never down to nothing: no chance of
/// loss is ever said to be zero.
pub fn chance(low: f64, high: f64) -> String {
    let (low, high) = (low.min(high), high.max(low));
    for all in [100u64, 1_000, 10_000] {
        let top = (high * all as f64).ceil();
        // Two digits below 1 in 100 would round everything to "1 in 100".
        if high * all as f64 >= 1.0 {
            let bottom = (low * all as f64).floor();
            let (bottom, top) = (bottom as u64, (top as u64).min(all));
            let of = count_in_words(all);
            return if bottom == 0 {
                format!("up to {} in {of}", count_in_words(top))
            } else if bottom == top {
                format!("about {} in {of}", count_in_words(top))
            } else {
                format!(
                    "{} to {} in {of}",
                    count_in_words(bottom),
                    count_in_words(top)
                )
            };
        }
    }
    "less than 1 in 10,000".to_owned()
}

/// The middle of a chance: "about 4 in 100".
pub fn chance_mid(range: &ChanceRange) -> String {
    let mid = range.mid.get();
    for all in [100u64, 1_000, 10_000] {
        let share = mid * all as f64;
        if share >= 0.95 {
            return format!(
                "about {} in {}",
                count_in_words(share.round() as u64),
                count_in_words(all)
            );
        }
    }
    "less than 1 in 10,000".to_owned()
}

/// A span of time as a range in one unit: "20 to 50 min", "about 3 h".
pub fn span(low_seconds: f64, high_seconds: f64) -> String {
    let (low, high) = (
        low_seconds.min(high_seconds).max(0.0),
        high_seconds.max(low_seconds),
    );
    if !high.is_finite() || high >= Finite::MOST * 3600.0 {
        return "an unknown time".to_owned();
    }
    let (unit, size) = if high < 90.0 {
        ("s", 1.0)
    } else if high < 90.0 * 60.0 {
        ("min", 60.0)
    } else if high < 72.0 * 3600.0 {
        ("h", 3600.0)
    } else {
        ("days", 86_400.0)
    };
    let bottom = (low / size).floor() as u64;
    let top = ((high / size).ceil() as u64).max(1);
    if bottom == 0 {
        format!("up to {} {unit}", count_in_words(top))
    } else if bottom == top {
        format!("about {} {unit}", count_in_words(top))
    } else {
        format!(
            "{} to {} {unit}",
            count_in_words(bottom),
            count_in_words(top)
        )
    }
}

/// Hours of a forecast: "2 to 5 h".
pub fn hours((low, high): (f64, f64)) -> String {
    span(low * 3600.0, high * 3600.0)
}

/// A moment for people, in the zone of the look, the zone always named: "Wed 25 Nov 2026, 14:20 UTC".
pub fn when(moment: Moment, look: &Look) -> String {
    match jiff::Timestamp::from_nanosecond(moment.0) {
        Ok(stamp) => stamp
            .to_zoned_datetime(look.zone.clone())
            .strftime("%a %-d %b %Y, %H:%M %Z")
            .to_string(),
        Err(_) => moment.to_string(),
    }
}

/// A day for people: "25 Nov 2026".
pub fn day(moment: Moment, look: &Look) -> String {
    match jiff::Timestamp::from_nanosecond(moment.0) {
        Ok(stamp) => stamp
            .to_zoned_datetime(look.zone.clone())
            .strftime("%-d %b %Y")
            .to_string(),
        Err(_) => moment.to_string(),
    }
}

/// A count with its noun: "1 item", "1,204 items".
pub fn counted(count: u64, one: &str, many: &str) -> String {
    format!(
        "{} {}",
        count_in_words(count),
        if count == 1 { one } else { many }
    )
}

/// A list as people read it: "a", "a and b", "a, b and c".
pub fn listed(parts: &[String]) -> String {
    match parts {
        [] => String::new(),
        [one] => one.clone(),
        [most @ .., last] => format!("{} and {last}", most.join(", ")),
    }
}

/// The first letter as a capital.
pub fn capital(text: &str) -> String {
    let mut chars = text.chars();
    match chars.next() {
        Some(first) => first.to_uppercase().chain(chars).collect(),
        None => String::new(),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn chances_are_ranges_and_never_nothing() {
        assert_eq!(chance(0.02, 0.09), "2 to 9 in 100");
        assert_eq!(chance(0.0, 0.0), "less than 1 in 10,000");
        assert_eq!(chance(0.0, 0.004), "up to 4 in 1,000");
        assert_eq!(chance(0.5, 1.0), "50 to 100 in 100");
        assert_eq!(chance(1.0, 1.0), "about 100 in 100");
        assert_eq!(chance(0.015, 0.016), "1 to 2 in 100");
        assert_eq!(chance(0.9, 0.1), "10 to 90 in 100");
    }

    #[test]
    fn spans_name_one_unit() {
        assert_eq!(span(1200.0, 3000.0), "20 to 50 min");
        assert_eq!(span(0.0, 40.0), "up to 40 s");
        assert_eq!(span(7200.0, 18_000.0), "2 to 5 h");
        assert_eq!(span(0.0, f64::INFINITY), "an unknown time");
        assert_eq!(span(0.0, Finite::MOST * 3600.0), "an unknown time");
    }

    #[test]
    fn moments_name_their_zone() {
        let look = Look::of(false, None, None, None, false);
        let moment = Moment::parse("2026-11-25T14:20:31Z").unwrap();
        assert_eq!(when(moment, &look), "Wed 25 Nov 2026, 14:20 UTC");
        assert_eq!(day(moment, &look), "25 Nov 2026");
        assert!(when(Moment(i128::MAX), &look).contains("outside"));
    }
}
