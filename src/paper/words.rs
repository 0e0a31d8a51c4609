//! How a paper speaks: its language, and numbers, sizes and dates as people write them there.
//!
//! The sentences stand in [`super::sentence`], both languages side by side; a further language is one more
//! column there and one more arm here. Texts that the engine recorded (reasons, names, open points) are shown as recorded.
//!
//! Invariant: what was given from outside stays marked as [`Run::Given`] until a renderer has made it fit to be shown.

use super::sentence::Sentence;
use crate::value::Moment;
use crate::value::measure::{bytes_in_words, count_in_words};

/// The languages that papers are written in.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Language {
    /// English.
    English,
    /// German.
    German,
}

impl Language {
    /// Both.
    pub const ALL: [Language; 2] = [Language::English, Language::German];

    /// The language for a tag (BCP 47: `de`, `de-AT`, `en`), by its first part. The second
    /// value is `false` when there are no texts for the tag, and English stands in.
    pub fn of(tag: &str) -> (Self, bool) {
        let first = tag.split(['-', '_']).next().unwrap_or_default();
        if first.eq_ignore_ascii_case("de") {
            (Language::German, true)
        } else {
            (
                Language::English,
                first.is_empty() || first.eq_ignore_ascii_case("en"),
            )
        }
    }

    /// The tag for the page's `lang`.
    pub fn tag(self) -> &'static str {
        match self {
            Language::English => "en",
            Language::German => "de",
        }
    }

    /// A count, thousands separated.
    pub fn count(self, n: u64) -> String {
        let text = count_in_words(n);
        match self {
            Language::English => text,
            Language::German => text.replace(',', "."),
        }
    }

    /// A size with its unit.
    pub fn bytes(self, bytes: u64) -> String {
        let text = bytes_in_words(bytes);
        match self {
            Language::English => text,
            Language::German => text.replace('.', ",").replace("byte", "Byte"),
        }
    }

    /// A calendar day at `offset_minutes` east of UTC.
    pub fn day(self, at: Moment, offset_minutes: i16) -> String {
        match civil(at, offset_minutes) {
            Some(local) => self.day_of(local.date()),
            None => at.to_string(),
        }
    }

    /// A day and a time of day, with the zone it is meant in.
    pub fn moment(self, at: Moment, offset_minutes: i16) -> String {
        let Some(local) = civil(at, offset_minutes) else {
            return at.to_string();
        };
        let day = self.day_of(local.date());
        let (hour, minute) = (local.hour(), local.minute());
        let zone = zone(offset_minutes);
        match self {
            Language::English => format!("{day}, {hour:02}:{minute:02} ({zone})"),
            Language::German => format!("{day}, {hour:02}:{minute:02} Uhr ({zone})"),
        }
    }

    fn day_of(self, date: jiff::civil::Date) -> String {
        const ENGLISH: [&str; 12] = [
            "January",
            "February",
            "March",
            "April",
            "May",
            "June",
            "July",
            "August",
            "September",
            "October",
            "November",
            "December",
        ];
        const GERMAN: [&str; 12] = [
            "Januar",
            "Februar",
            "März",
            "April",
            "Mai",
            "Juni",
            "Juli",
            "August",
            "September",
            "Oktober",
            "November",
            "Dezember",
        ];
        let months = match self {
            Language::English => ENGLISH,
            Language::German => GERMAN,
        };
        let place = usize::try_from(date.month())
            .unwrap_or_default()
            .saturating_sub(1);
        let month = months.get(place).copied().unwrap_or("?");
        match self {
            Language::English => format!("{} {month} {}", date.day(), date.year()),
            Language::German => format!("{}. {month} {}", date.day(), date.year()),
        }
    }
}

fn civil(at: Moment, offset_minutes: i16) -> Option<jiff::civil::DateTime> {
    let stamp = jiff::Timestamp::from_nanosecond(at.0).ok()?;
    let seconds = i32::from(offset_minutes).saturating_mul(60);
    let offset = jiff::tz::Offset::from_seconds(seconds).ok()?;
    Some(offset.to_datetime(stamp))
}

fn zone(offset_minutes: i16) -> String {
    let minutes = offset_minutes.unsigned_abs();
    let sign = if offset_minutes < 0 { '−' } else { '+' };
    match (minutes / 60, minutes % 60) {
        (0, 0) => "UTC".to_owned(),
        (hours, 0) => format!("UTC{sign}{hours}"),
        (hours, rest) => format!("UTC{sign}{hours}:{rest:02}"),
    }
}

/// A piece of a sentence.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Run {
    /// Our own words.
    Said(String),
    /// Given from outside: a name, a path, a reason. Data, whatever it holds.
    Given(String),
    /// A number with its unit, or a date: not to be broken over two lines.
    Amount(String),
    /// A digest or serial number: compared character by character, so set in letters of one width.
    Exact(String),
}

/// A sentence or a part of one.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct Phrase(pub Vec<Run>);

impl Phrase {
    /// Something given from outside.
    pub fn given(text: impl Into<String>) -> Self {
        Self(vec![Run::Given(text.into())])
    }

    /// A number with its unit, or a date.
    pub fn amount(text: impl Into<String>) -> Self {
        Self(vec![Run::Amount(text.into())])
    }

    /// A digest or serial number.
    pub fn exact(text: impl Into<String>) -> Self {
        Self(vec![Run::Exact(text.into())])
    }

    /// Our own words, the same in every language.
    pub fn said(text: impl Into<String>) -> Self {
        Self(vec![Run::Said(text.into())])
    }

    /// This phrase, then `more`.
    #[must_use]
    pub fn then(mut self, more: Phrase) -> Self {
        self.0.extend(more.0);
        self
    }

    /// This phrase, a space, then `more`.
    #[must_use]
    pub fn and(self, more: Phrase) -> Self {
        self.then(Phrase::said(" ")).then(more)
    }

    /// Phrases with `between` between them.
    pub fn joined(parts: impl IntoIterator<Item = Phrase>, between: &str) -> Self {
        let mut out = Phrase::default();
        for part in parts {
            if !out.0.is_empty() {
                out.0.push(Run::Said(between.to_owned()));
            }
            out.0.extend(part.0);
        }
        out
    }
}

/// Fills `{name}` in the template with the phrases given. A template with `|` has two forms:
/// before it for one, behind it for any other number; `one` says which.
pub fn fill(template: &str, one: bool, values: &[(&str, Phrase)]) -> Phrase {
    let template = match template.split_once('|') {
        Some((single, _)) if one => single,
        Some((_, many)) => many,
        None => template,
    };
    let mut out = Phrase::default();
    let mut rest = template;
    while let Some((before, behind)) = rest.split_once('{') {
        let Some((name, after)) = behind.split_once('}') else {
            break;
        };
        let before = glue(&mut out, before);
        if !before.is_empty() {
            out.0.push(Run::Said(before.to_owned()));
        }
        match values.iter().find(|(known, _)| *known == name) {
            Some((_, phrase)) => out.0.extend(phrase.0.iter().cloned()),
            // A hole that stays open shows: a test looks for it in every paper.
            None => out.0.push(Run::Said(format!("{{{name}}}"))),
        }
        rest = after;
    }
    let rest = glue(&mut out, rest);
    if !rest.is_empty() {
        out.0.push(Run::Said(rest.to_owned()));
    }
    out
}

/// Ties the word behind an amount to it (`4 items` must not be parted); returns what is left of `text`.
fn glue<'a>(out: &mut Phrase, text: &'a str) -> &'a str {
    let Some(Run::Amount(amount)) = out.0.last_mut() else {
        return text;
    };
    let Some(behind) = text.strip_prefix(' ') else {
        return text;
    };
    let word = behind.split(' ').next().unwrap_or_default();
    amount.push(' ');
    amount.push_str(word);
    behind.strip_prefix(word).unwrap_or_default()
}

impl Language {
    /// A sentence with its holes filled.
    pub fn say(self, sentence: Sentence, values: &[(&str, Phrase)]) -> Phrase {
        fill(sentence.template(self), false, values)
    }

    /// A sentence about `n` things: its hole `{n}` is the count, and the form fits the number.
    pub fn say_of(self, sentence: Sentence, n: u64, values: &[(&str, Phrase)]) -> Phrase {
        let mut values = values.to_vec();
        values.push(("n", Phrase::amount(self.count(n))));
        fill(sentence.template(self), n == 1, &values)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_tag_finds_its_language_or_says_that_it_does_not() {
        assert_eq!(Language::of("de-AT"), (Language::German, true));
        assert_eq!(Language::of("DE"), (Language::German, true));
        assert_eq!(Language::of("en_GB"), (Language::English, true));
        assert_eq!(Language::of(""), (Language::English, true));
        assert_eq!(Language::of("fr"), (Language::English, false));
        assert_eq!(Language::of("deu"), (Language::English, false));
    }

    #[test]
    fn numbers_and_days_are_written_as_people_write_them() {
        let at = Moment::parse("2026-11-25T23:30:00Z").unwrap();
        assert_eq!(Language::English.day(at, 60), "26 November 2026");
        assert_eq!(
            Language::English.moment(at, 330),
            "26 November 2026, 05:00 (UTC+5:30)"
        );
        assert_eq!(
            Language::German.moment(at, -60),
            "25. November 2026, 22:30 Uhr (UTC−1)"
        );
        assert_eq!(Language::German.count(1_234_567), "1.234.567");
        assert_eq!(Language::German.bytes(12_345_678), "12,3 MB");
        assert_eq!(Language::German.bytes(1), "1 Byte");
        assert!(
            Language::English
                .day(Moment(i128::MAX), 0)
                .contains("outside")
        );
    }

    #[test]
    fn what_is_filled_in_stays_data() {
        let phrase = fill(
            "{n} file of {who}|{n} files of {who}",
            false,
            &[
                ("n", Phrase::amount("2")),
                ("who", Phrase::given("{n}|<b>")),
            ],
        );
        assert_eq!(
            phrase.0,
            [
                Run::Amount("2 files".to_owned()),
                Run::Said(" of ".to_owned()),
                Run::Given("{n}|<b>".to_owned()),
            ]
        );
    }
}
