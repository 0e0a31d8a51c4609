//! What the codes of rows mean, as SQL: the conditions that queries over `item` and `got` are put together from.
//!
//! Invariant: no query outside the ledger knows a code; these are held against the codes by a test.

/// To be copied.
pub const WANTED: &str = "item.want = 0";
/// Left out by a rule.
pub const LEFT_OUT: &str = "item.want = 1";
/// Given up by a decision.
pub const WAIVED: &str = "item.want = 2";
/// Neither left out nor vanished.
pub const WANTED_OR_WAIVED: &str = "item.want IN (0, 2)";
/// The newest survey knows it.
pub const LISTED: &str = "item.want <> 3";
/// A file or a named stream.
pub const FILE: &str = "item.kind = 0";
/// A folder.
pub const FOLDER: &str = "item.kind = 1";
/// Of the most precious class.
pub const IRREPLACEABLE: &str = "item.class = 0";
/// All its bytes were read.
pub const WHOLE: &str = "got.state = 1";
/// Bytes were read, if not all of them.
pub const HAD: &str = "got.state IN (1, 2)";
/// Some bytes were read, and some were not.
pub const WITH_GAPS: &str = "got.state = 2";
/// No byte could be read.
pub const UNREADABLE: &str = "got.state = 3";
/// Bytes could not be read, or none.
pub const FAILED: &str = "got.state IN (2, 3)";
/// Nothing was read yet, or nothing that counts: it changed.
pub const UNTRIED: &str = "got.state IN (0, 5)";
/// The same where there may be no row of what was got (an outer join).
pub const TO_COPY: &str = "(got.item IS NULL OR got.state IN (0, 5))";

#[cfg(test)]
mod tests {
    use super::*;
    use crate::ledger::row::{class_code, kind_code};
    use crate::ledger::{Got, Want};
    use crate::survey::item::{Class, Kind};

    /// The codes that a condition names.
    fn codes(term: &str) -> Vec<i64> {
        let digits = term.chars().filter(char::is_ascii_digit);
        digits.map(|c| i64::from(c as u8 - b'0')).collect()
    }

    #[test]
    fn every_condition_names_the_codes_that_the_rows_hold() {
        let want = |all: &[Want]| all.iter().map(|want| want.code()).collect::<Vec<_>>();
        assert_eq!(codes(WANTED), want(&[Want::Wanted]));
        assert_eq!(codes(LEFT_OUT), want(&[Want::LeftOut]));
        assert_eq!(codes(WAIVED), want(&[Want::Waived]));
        assert_eq!(codes(WANTED_OR_WAIVED), want(&[Want::Wanted, Want::Waived]));
        assert_eq!(codes(LISTED), want(&[Want::Vanished]));
        assert_eq!(codes(FILE), [kind_code(Kind::File)]);
        assert_eq!(codes(FOLDER), [kind_code(Kind::Folder)]);
        assert_eq!(codes(IRREPLACEABLE), [class_code(Class::Irreplaceable)]);
        let got = |all: &[Got]| all.iter().map(|got| got.code()).collect::<Vec<_>>();
        assert_eq!(codes(WHOLE), got(&[Got::Whole]));
        assert_eq!(codes(HAD), got(&[Got::Whole, Got::Gaps]));
        assert_eq!(codes(WITH_GAPS), got(&[Got::Gaps]));
        assert_eq!(codes(UNREADABLE), got(&[Got::Unreadable]));
        assert_eq!(codes(FAILED), got(&[Got::Gaps, Got::Unreadable]));
        assert_eq!(codes(UNTRIED), got(&[Got::Nothing, Got::Changed]));
        assert_eq!(codes(TO_COPY), codes(UNTRIED));
    }
}
