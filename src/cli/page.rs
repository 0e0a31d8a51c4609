//! A page of text for people: wrapped to the width, harmless, coloured only where allowed.
//!
//! Invariant: every string that enters a page passes through `shown`, so no caller can
//! forget to; escape sequences come from the page alone.

use super::look::Look;
use crate::value::shown;
use anstyle::{AnsiColor, Style};
use std::ffi::OsStr;
use unicode_width::UnicodeWidthStr;

/// Text under construction.
#[derive(Debug)]
pub struct Page {
    look: Look,
    text: String,
}

/// What a word means, for its colour. The word itself always says it too.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Tone {
    /// As it is.
    Plain,
    /// A heading.
    Head,
    /// On hold, bad, or unknown: all three equally prominent.
    Stop,
    /// Released, or proven.
    Go,
    /// A command to type.
    Command,
}

impl Tone {
    fn style(self) -> Style {
        match self {
            Tone::Plain => Style::new(),
            Tone::Head => Style::new().bold(),
            Tone::Stop => Style::new().bold().fg_color(Some(AnsiColor::Red.into())),
            Tone::Go => Style::new().bold().fg_color(Some(AnsiColor::Green.into())),
            Tone::Command => Style::new().fg_color(Some(AnsiColor::Cyan.into())),
        }
    }
}

impl Page {
    /// An empty page.
    pub fn new(look: &Look) -> Self {
        Self {
            look: look.clone(),
            text: String::new(),
        }
    }

    /// How it looks.
    pub fn look(&self) -> &Look {
        &self.look
    }

    /// Whether only the outcome is wanted.
    pub fn quiet(&self) -> bool {
        self.look.quiet
    }

    /// The finished text.
    pub fn finish(self) -> String {
        self.text
    }

    /// The state word, alone on its line, so that it is seen from afar; what follows it beside it.
    pub fn state(&mut self, tone: Tone, word: &str) {
        self.flow(tone, "", "", word);
    }

    /// A heading, with an empty line before it unless it is the first.
    pub fn head(&mut self, text: &str) {
        self.gap();
        self.flow(Tone::Head, "", "", text);
    }

    /// A paragraph.
    pub fn say(&mut self, text: &str) {
        self.flow(Tone::Plain, "", "", text);
    }

    /// A paragraph that must not be overlooked.
    pub fn warn(&mut self, text: &str) {
        self.flow(Tone::Stop, "", "", text);
    }

    /// One entry of a list.
    pub fn item(&mut self, text: &str) {
        self.flow(Tone::Plain, "- ", "  ", text);
    }

    /// One entry of a list that must not be overlooked.
    pub fn item_warn(&mut self, text: &str) {
        self.flow(Tone::Stop, "- ", "  ", text);
    }

    /// A line that belongs to the entry above it.
    pub fn under(&mut self, text: &str) {
        self.flow(Tone::Plain, "  ", "  ", text);
    }

    /// A line that belongs to the entry above it and must not be overlooked.
    pub fn under_warn(&mut self, text: &str) {
        self.flow(Tone::Stop, "  ", "  ", text);
    }

    /// An empty line, unless there is one or the page is empty.
    pub fn gap(&mut self) {
        if !self.text.is_empty() && !self.text.ends_with("\n\n") {
            self.text.push('\n');
        }
    }

    /// A command to type, indented. Broken only between words, with the shell's `\`, so that
    /// it can be copied as it stands; a single longer word runs over.
    pub fn command(&mut self, command: &str) {
        let text = shown(command).into_owned();
        let room = self.look.width.saturating_sub(6);
        let style = self.style(Tone::Command);
        let mut line = String::new();
        let mut first = true;
        for word in quoted_words(&text) {
            if !line.is_empty() && line.width() + 1 + word.width() > room {
                self.put("    ", &style, &format!("{line} \\"));
                line = String::new();
                first = false;
            }
            if line.is_empty() {
                if !first {
                    line.push_str("  ");
                }
            } else {
                line.push(' ');
            }
            line.push_str(word);
        }
        self.put("    ", &style, &line);
    }

    /// A path on a line of its own, never broken and quoted for a shell, so that it can be copied as it stands.
    pub fn path(&mut self, path: &str) {
        let style = self.style(Tone::Command);
        self.put(
            "    ",
            &style,
            &shown(&super::phrase::quoted(OsStr::new(path))),
        );
    }

    /// A remedy: each of its lines shown as a command when it is one, else as a sentence.
    pub fn remedy(&mut self, text: &str) {
        for line in text.lines() {
            if line.starts_with("holdpoint ") || line.starts_with("sudo ") {
                self.command(line);
            } else {
                self.flow(Tone::Plain, "    ", "    ", &super::phrase::capital(line));
            }
        }
    }

    fn style(&self, tone: Tone) -> Style {
        if self.look.colour {
            tone.style()
        } else {
            Style::new()
        }
    }

    fn put(&mut self, indent: &str, style: &Style, line: &str) {
        self.text.push_str(indent);
        self.text.push_str(&format!("{style}{line}{style:#}"));
        self.text.push('\n');
    }

    /// Wraps `text`: `first` before the first line, `rest` before the others.
    fn flow(&mut self, tone: Tone, first: &str, rest: &str, text: &str) {
        let text = shown(text).into_owned();
        let style = self.style(tone);
        let room = self
            .look
            .width
            .saturating_sub(first.width().max(rest.width()))
            .max(8);
        let mut indent = first;
        let mut line = String::new();
        let mut lines: Vec<String> = Vec::new();
        for word in text.split(' ').filter(|word| !word.is_empty()) {
            for piece in broken(word, room) {
                if !line.is_empty() && line.width() + 1 + piece.width() > room {
                    lines.push(std::mem::take(&mut line));
                }
                if !line.is_empty() {
                    line.push(' ');
                }
                line.push_str(&piece);
            }
        }
        lines.push(line);
        for line in lines {
            self.put(indent, &style, &line);
            indent = rest;
        }
    }
}

/// A word cut into pieces of at most `room` columns.
fn broken(word: &str, room: usize) -> Vec<String> {
    if word.width() <= room {
        return vec![word.to_owned()];
    }
    let mut pieces = Vec::new();
    let mut piece = String::new();
    for c in word.chars() {
        piece.push(c);
        if piece.width() > room {
            piece.pop();
            pieces.push(std::mem::take(&mut piece));
            piece.push(c);
        }
    }
    pieces.push(piece);
    pieces
}

/// The words of a command line; a quoted blank does not end a word.
fn quoted_words(text: &str) -> Vec<&str> {
    let mut words = Vec::new();
    let mut start = 0;
    let mut inside = None;
    for (at, c) in text.char_indices() {
        match c {
            '\'' | '"' if inside == Some(c) => inside = None,
            '\'' | '"' if inside.is_none() => inside = Some(c),
            ' ' if inside.is_none() => {
                words.push(text.get(start..at).unwrap_or_default());
                start = at + 1;
            }
            _ => {}
        }
    }
    words.push(text.get(start..).unwrap_or_default());
    words.retain(|word| !word.is_empty());
    words
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn page(width: usize) -> Page {
        Page::new(&Look::of(false, Some(width), None, None, false))
    }

    #[test]
    fn commands_can_be_pasted_back() {
        let mut page = page(80);
        page.command(&format!(
            "holdpoint waive '/mnt/with blank/job' --item '{}' --reason TEXT --decided-by owner",
            "x".repeat(30)
        ));
        let text = page.finish();
        assert!(text.lines().count() > 1, "{text}");
        assert!(text.lines().all(|line| line.width() <= 80), "{text}");
        assert!(text.contains("'/mnt/with blank/job'"));
        assert!(
            text.trim_end()
                .lines()
                .rev()
                .skip(1)
                .all(|line| line.ends_with(" \\"))
        );
    }

    #[test]
    fn no_escape_sequence_without_colour_and_none_from_names() {
        let mut plain = page(80);
        plain.warn("evil \u{1b}[2J name");
        assert!(!plain.finish().contains('\u{1b}'));
        let mut colour = Page::new(&Look::of(true, None, None, Some("xterm"), false));
        colour.warn("evil \u{1b}[2J name");
        let text = colour.finish();
        assert!(text.contains("\u{1b}[") && !text.contains("\u{1b}[2J"));
    }

    proptest! {
        #![proptest_config(ProptestConfig { failure_persistence: None, ..ProptestConfig::default() })]
        #[test]
        fn any_text_stays_inside_the_width(text in any::<String>(), width in 40usize..130) {
            let mut page = page(width);
            page.say(&text);
            page.item(&text);
            page.under(&text);
            for line in page.finish().lines() {
                prop_assert!(line.width() <= width.min(Look::WIDEST), "{line:?}");
            }
        }
    }
}
