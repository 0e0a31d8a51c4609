//! The working behind a number: one line for each step, such that a colleague can repeat it with
//! a pocket calculator. Also how chances are written for people.
//!
//! Invariant: a printed chance never shows more than two significant digits and never sounds
//! like a promise; a line's value is always finite (JSON would turn anything else into `null`).

use crate::value::Probability;
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

/// One step of a computation.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Line {
    /// What this step finds out, in words.
    pub step: String,
    /// The formula, in the notation of a pocket calculator.
    pub formula: String,
    /// The numbers put into it: `name = number unit`, parted by commas.
    pub numbers: String,
    /// What comes out; always finite.
    pub value: f64,
    /// Where the formula or the factor comes from.
    pub source: String,
}

impl Line {
    /// A line; a value that is no number is written as the largest one, never as a small one.
    pub fn new(
        step: impl Into<String>,
        formula: impl Into<String>,
        numbers: impl Into<String>,
        value: f64,
        source: impl Into<String>,
    ) -> Self {
        Self {
            step: step.into(),
            formula: formula.into(),
            numbers: numbers.into(),
            value: if value.is_finite() { value } else { f64::MAX },
            source: source.into(),
        }
    }

    /// The line as text for `--explain`.
    pub fn text(&self) -> String {
        if self.formula.is_empty() && self.numbers.is_empty() {
            // A remark: there is nothing to repeat.
            return format!("{} [{}]", self.step, self.source);
        }
        let mut out = format!("{}: ", self.step);
        if !self.formula.is_empty() {
            out.push_str(&self.formula);
            out.push_str("; ");
        }
        if !self.numbers.is_empty() {
            out.push_str(&self.numbers);
            out.push_str("; ");
        }
        out.push_str("gives ");
        out.push_str(&digits(self.value));
        out.push_str(" [");
        out.push_str(&self.source);
        out.push(']');
        out
    }
}

/// A number with up to seven significant digits, without trailing zeros: enough to repeat a step.
pub fn digits(x: f64) -> String {
    if !x.is_finite() {
        return "not a number".to_owned();
    }
    if x == 0.0 {
        return "0".to_owned();
    }
    let size = x.abs();
    if !(1e-4..1e15).contains(&size) {
        let text = format!("{x:.6e}");
        return match text.split_once('e') {
            Some((mantissa, power)) => format!("{}e{power}", without_zeros(mantissa)),
            None => text,
        };
    }
    let places = (6.0 - size.log10().floor()).clamp(0.0, 12.0) as usize;
    without_zeros(&format!("{x:.places$}")).to_owned()
}

fn without_zeros(text: &str) -> &str {
    if text.contains('.') {
        text.trim_end_matches('0').trim_end_matches('.')
    } else {
        text
    }
}

/// A chance for people: two significant digits, "below 0.1 %" for less, "above 99 %" for what
/// would otherwise round to certainty.
pub fn chance_in_words(p: Probability) -> String {
    let percent = p.get() * 100.0;
    if p.get() >= 1.0 {
        "100 %".to_owned()
    } else if percent < 0.1 {
        "below 0.1 %".to_owned()
    } else if percent >= 99.0 {
        "above 99 %".to_owned()
    } else {
        format!("{} %", two_digits(percent))
    }
}

/// A range of chances for people: "below 0.1 % to 15 %", or one figure when both ends print alike.
pub fn range_in_words(low: Probability, high: Probability) -> String {
    let (a, b) = (chance_in_words(low), chance_in_words(high));
    if a == b { a } else { format!("{a} to {b}") }
}

/// A positive number at two significant digits.
fn two_digits(x: f64) -> String {
    let x = x.max(0.0);
    if x == 0.0 {
        return "0".to_owned();
    }
    // Rounding first, so that 9.96 becomes "10" and not "10.0".
    let power = x.log10().floor();
    let unit = 10f64.powf(power - 1.0);
    let rounded = (x / unit).round() * unit;
    let places = (1.0 - rounded.log10().floor()).clamp(0.0, 6.0) as usize;
    format!("{rounded:.places$}")
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn says(p: f64) -> String {
        chance_in_words(Probability::new(p))
    }

    #[test]
    fn chances_are_printed_at_two_digits() {
        assert_eq!(says(0.0), "below 0.1 %");
        assert_eq!(says(0.00005757), "below 0.1 %");
        assert_eq!(says(0.001), "0.10 %");
        assert_eq!(says(0.00468), "0.47 %");
        assert_eq!(says(0.0996), "10 %");
        assert_eq!(says(0.15141), "15 %");
        assert_eq!(says(0.925902), "93 %");
        assert_eq!(says(0.997), "above 99 %");
        assert_eq!(says(1.0), "100 %");
        assert_eq!(
            range_in_words(Probability::new(0.00005757), Probability::new(0.15141)),
            "below 0.1 % to 15 %"
        );
        assert_eq!(
            range_in_words(Probability::new(0.0), Probability::new(0.0005)),
            "below 0.1 %"
        );
    }

    #[test]
    fn numbers_keep_enough_digits_to_be_repeated() {
        assert_eq!(digits(0.004153183), "0.004153183");
        assert_eq!(digits(25.0), "25");
        assert_eq!(digits(5.176107e-5), "5.176107e-5");
        assert_eq!(digits(380_859_375.0), "380859375");
        assert_eq!(digits(f64::INFINITY), "not a number");
    }

    proptest! {
        #![proptest_config(ProptestConfig { failure_persistence: None, ..ProptestConfig::default() })]

        #[test]
        fn printed_numbers_read_back(x in -1e12f64..1e12) {
            let back: f64 = digits(x).parse().unwrap();
            prop_assert!((back - x).abs() <= x.abs() * 1e-6 + 1e-300);
        }

        #[test]
        fn no_chance_is_printed_with_three_digits_or_as_a_promise(p in 0.0f64..=1.0) {
            let text = says(p);
            prop_assert!(!text.to_lowercase().contains("safe"));
            let significant = text
                .trim_start_matches(|c: char| !c.is_ascii_digit())
                .trim_start_matches(['0', '.'])
                .chars()
                .filter(char::is_ascii_digit)
                .count();
            prop_assert!(significant <= 2 || text == "100 %", "{}", text);
        }
    }
}
