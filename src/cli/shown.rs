//! Text from outside, made harmless for a terminal: control characters, reading-direction
//! overrides and invisible characters become visible stand-ins.
//!
//! Invariant: the result holds no character below U+0020, no U+007F-U+009F, no character that
//! reorders or hides its neighbours.

use std::borrow::Cow;
use std::fmt::Write;

/// `text` with every character that could act on the terminal (or the eye) written as `\u{..}`.
pub fn shown(text: &str) -> Cow<'_, str> {
    if !text.chars().any(acts) {
        return Cow::Borrowed(text);
    }
    let mut out = String::with_capacity(text.len() + 16);
    for c in text.chars() {
        if acts(c) {
            let _ = write!(out, "\\u{{{:x}}}", c as u32);
        } else {
            out.push(c);
        }
    }
    Cow::Owned(out)
}

/// Whether a character acts on its neighbours or on the terminal instead of being seen.
fn acts(c: char) -> bool {
    c.is_control()
        || matches!(c as u32,
            0xad | 0x61c | 0x115f..=0x1160 | 0x180e
            // zero-width characters, direction marks, embeddings, overrides and isolates
            | 0x200b..=0x200f | 0x2028..=0x202e | 0x2060..=0x206f
            | 0x3164 | 0xfeff | 0xffa0 | 0xfff9..=0xfffb
            | 0xe0000..=0xe0fff)
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    #[test]
    fn hostile_names_are_data() {
        assert_eq!(shown("a\u{1b}]0;x\u{7}b"), "a\\u{1b}]0;x\\u{7}b");
        assert_eq!(shown("a\nb"), "a\\u{a}b");
        assert_eq!(shown("txt.\u{202e}gpj"), "txt.\\u{202e}gpj");
        assert_eq!(shown("\u{9b}2J"), "\\u{9b}2J");
        assert_eq!(shown("Änne 100%.txt"), "Änne 100%.txt");
    }

    proptest! {
        #![proptest_config(ProptestConfig { failure_persistence: None, ..ProptestConfig::default() })]
        #[test]
        fn nothing_acts_afterwards(text in any::<String>()) {
            prop_assert!(!shown(&text).chars().any(acts));
        }
    }
}
