//! Names and other foreign text made fit to be shown: on a terminal, on paper, in a log.
//!
//! A file's name is data that a stranger may have chosen. It may hold terminal commands, line
//! breaks, characters that turn the reading direction around (so that `exe.gpj` reads
//! `jpg.exe`) or characters that cannot be seen at all.
//!
//! Invariant: what [`shown`] returns holds no control character, no line or paragraph
//! separator and no character that changes the reading direction; so it is one line, and it
//! reads in the order in which it is stored. For eyes only: the escaped form cannot be told
//! from a name that really holds a backslash, and the exact units stand in the ledger.

use std::borrow::Cow;
use std::fmt::Write;

/// `text` with everything invisible or commanding made visible: `\x1b` for characters below
/// U+0100, `\u{202e}` for the others. Text that needs nothing is returned as it is.
pub fn shown(text: &str) -> Cow<'_, str> {
    let mut before = None;
    let mut rest = text.char_indices().peekable();
    let mut out = String::new();
    let mut escaped = false;
    while let Some((at, c)) = rest.next() {
        let after = rest.peek().map(|&(_, c)| c);
        if is_hidden(before, c, after) {
            if !escaped {
                escaped = true;
                out.push_str(text.get(..at).unwrap_or_default());
            }
            let code = u32::from(c);
            // Writing to a String cannot fail.
            let _ = if code < 0x100 {
                write!(out, "\\x{code:02x}")
            } else {
                write!(out, "\\u{{{code:x}}}")
            };
        } else if escaped {
            out.push(c);
        }
        before = Some(c);
    }
    if escaped {
        Cow::Owned(out)
    } else {
        Cow::Borrowed(text)
    }
}

/// Whether `c`, standing between its neighbours, must be escaped.
///
/// The two joiners U+200C and U+200D are part of ordinary spelling in several scripts and hold
/// emoji together; they stay where both neighbours are visible and outside ASCII. Anywhere else they can
/// only make two different names look alike.
fn is_hidden(before: Option<char>, c: char, after: Option<char>) -> bool {
    if matches!(c, '\u{200c}' | '\u{200d}') {
        let spells =
            |c: Option<char>| c.is_some_and(|c| !c.is_ascii() && !always_hidden(c) && !joins(c));
        return !(spells(before) && spells(after));
    }
    always_hidden(c)
}

fn joins(c: char) -> bool {
    matches!(c, '\u{200c}' | '\u{200d}')
}

/// Controls (general category Cc), separators Zl and Zp, and the format characters (Cf) of
/// Unicode 15 that are invisible or reorder the line (UAX #9, 2.1 to 2.6).
fn always_hidden(c: char) -> bool {
    c.is_control()
        || matches!(c,
            '\u{ad}'                      // soft hyphen
            | '\u{61c}'                   // Arabic letter mark
            | '\u{180e}'                  // Mongolian vowel separator
            | '\u{200b}'                  // zero width space
            | '\u{200e}' | '\u{200f}'     // left-to-right and right-to-left mark
            | '\u{2028}'..='\u{202e}'     // separators, embeddings, overrides
            | '\u{2060}'..='\u{206f}'     // word joiner, invisible operators, isolates, deprecated
            | '\u{3164}' | '\u{ffa0}'     // fillers: letters without a picture
            | '\u{115f}' | '\u{1160}'
            | '\u{feff}'                  // byte order mark
            | '\u{fff9}'..='\u{fffb}'     // interlinear annotation
            | '\u{1d173}'..='\u{1d17a}'   // invisible musical beams
            | '\u{e0000}'..='\u{e007f}'   // tags
        )
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    #[test]
    fn ordinary_names_stay_as_they_are() {
        for name in [
            "Hochzeit 2019.jpg",
            "Users/ana/Grüße 100%.txt",
            "C:\\Users",
            "写真",
            "👩\u{200d}👧",
            "می\u{200c}خواهم",
        ] {
            assert!(matches!(shown(name), Cow::Borrowed(same) if same == name));
        }
    }

    #[test]
    fn what_commands_or_hides_becomes_visible() {
        assert_eq!(shown("a\x1b[2Jb\n"), "a\\x1b[2Jb\\x0a");
        assert_eq!(shown("photo\u{202e}gpj.exe"), "photo\\u{202e}gpj.exe");
        assert_eq!(shown("\u{feff}x\u{85}"), "\\u{feff}x\\x85");
        assert_eq!(shown("ab\u{200d}cd"), "ab\\u{200d}cd");
        assert_eq!(shown("é\u{200d}\u{200d}é"), "é\\u{200d}\\u{200d}é");
        assert_eq!(shown("two\u{2028}lines"), "two\\u{2028}lines");
    }

    proptest! {
        #![proptest_config(ProptestConfig { failure_persistence: None, ..ProptestConfig::default() })]

        #[test]
        fn nothing_that_commands_or_reorders_comes_through(
            text in prop_oneof![
                any::<String>(),
                proptest::collection::vec(prop_oneof![
                    any::<char>(),
                    (0u32..0x250).prop_filter_map("char", char::from_u32),
                    (0x2000u32..0x2070).prop_filter_map("char", char::from_u32),
                ], 0..40).prop_map(|chars| chars.into_iter().collect()),
            ]
        ) {
            let out = shown(&text);
            for c in out.chars() {
                prop_assert!(!c.is_control(), "{:?} in {:?}", c, out);
                // The Bidi_Control property of Unicode (PropList.txt), and the two separators.
                prop_assert!(!matches!(u32::from(c),
                    0x61c | 0x200e | 0x200f | 0x202a..=0x202e | 0x2066..=0x2069 | 0x2028 | 0x2029 | 0xfeff),
                    "{:?} in {:?}", c, out);
            }
            prop_assert_eq!(shown(&out), out.as_ref());
        }
    }
}
