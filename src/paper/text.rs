//! A leaf as plain text, at most 80 columns wide.
//!
//! Invariant: every string passes [`shown()`](crate::value::shown()); no line is wider than [`COLUMNS`].

use super::leaf::{Block, Leaf};
use super::words::{Phrase, Run};
use crate::value::shown;
use unicode_width::{UnicodeWidthChar, UnicodeWidthStr};

/// The width of a text paper.
pub const COLUMNS: usize = 80;

/// Stands for a space that must not become a line end. From the private use area, so that it cannot be mistaken for a character of a name
/// (names lose it in [`flat`]).
const FIXED_SPACE: char = '\u{f8ff}';

/// The leaf as text; ends with a line feed.
pub fn text(leaf: &Leaf) -> String {
    let mut out = Page::default();
    let practice = leaf.practice.as_ref();
    if let Some(line) = practice {
        out.wrapped("*** ", "*** ", line);
        out.gap();
    }
    out.wrapped("", "", &leaf.head);
    out.gap();
    out.wrapped("", "", &leaf.title);
    out.line("=".repeat(width(&flat(&leaf.title)).clamp(3, COLUMNS)));
    for section in &leaf.sections {
        out.gap();
        if let Some(heading) = &section.heading {
            out.wrapped("", "", heading);
            out.line("-".repeat(width(&flat(heading)).clamp(3, COLUMNS)));
        }
        for (place, block) in section.blocks.iter().enumerate() {
            if place > 0 {
                out.gap();
            }
            out.block(block);
        }
    }
    if let Some(line) = practice {
        out.gap();
        out.wrapped("*** ", "*** ", line);
    }
    out.lines.join("\n") + "\n"
}

#[derive(Default)]
struct Page {
    lines: Vec<String>,
}

impl Page {
    fn line(&mut self, line: String) {
        self.lines
            .push(line.replace(FIXED_SPACE, " ").trim_end().to_owned());
    }

    fn gap(&mut self) {
        if self.lines.last().is_some_and(|line| !line.is_empty()) {
            self.lines.push(String::new());
        }
    }

    /// Wraps `phrase`; the first line starts with `first`, the others with `rest`.
    fn wrapped(&mut self, first: &str, rest: &str, phrase: &Phrase) {
        let room = COLUMNS.saturating_sub(width(first).max(width(rest)));
        for (place, line) in wrap(&flat(phrase), room).into_iter().enumerate() {
            self.line(format!("{}{line}", if place == 0 { first } else { rest }));
        }
    }

    fn block(&mut self, block: &Block) {
        match block {
            Block::Para(phrase) => self.wrapped("", "", phrase),
            Block::Loud(orders) => {
                for order in orders {
                    self.wrapped("    ", "    ", order);
                }
            }
            Block::Large { label, value } => {
                let both = label.clone().then(Phrase::said(": ")).then(value.clone());
                self.wrapped("    ", "    ", &both);
            }
            Block::Notice(phrase) => {
                self.line("+".to_owned() + &"-".repeat(COLUMNS - 2) + "+");
                for line in wrap(&flat(phrase), COLUMNS - 4) {
                    let pad = " ".repeat((COLUMNS - 4).saturating_sub(width(&line)));
                    self.line(format!("| {line}{pad} |"));
                }
                self.line("+".to_owned() + &"-".repeat(COLUMNS - 2) + "+");
            }
            Block::Facts(facts) => self.facts(facts),
            Block::List(items) => {
                for item in items {
                    self.wrapped("  - ", "    ", item);
                }
            }
            Block::Steps(items) => {
                for (place, item) in items.iter().enumerate() {
                    self.wrapped(&format!("{:3}. ", place + 1), "     ", item);
                }
            }
            Block::Table { head, rows } => self.table(head, rows),
            Block::Typed(typed) => {
                for line in wrap(&shown(typed), COLUMNS - 4) {
                    self.line(format!("    {line}"));
                }
            }
            Block::Sign { above, lines } => {
                if let Some(above) = above {
                    self.wrapped("", "", above);
                    self.gap();
                }
                for label in lines {
                    self.lines.push(String::new());
                    self.line("_".repeat(44));
                    self.wrapped("", "", label);
                }
            }
            // A text page has no square; what it would hold stands beside it in words.
            Block::Code { .. } => {}
        }
    }

    fn facts(&mut self, facts: &[(Phrase, Phrase)]) {
        let longest = facts
            .iter()
            .map(|(name, _)| width(&flat(name)))
            .max()
            .unwrap_or(0)
            .min(28);
        for (name, value) in facts {
            let name = flat(name);
            let indent = " ".repeat(longest + 2);
            if width(&name) > longest {
                self.wrapped("", "  ", &Phrase::said(name));
                self.wrapped(&indent, &indent, value);
            } else {
                let first = format!("{name}{}", " ".repeat(longest + 2 - width(&name)));
                self.wrapped(&first, &indent, value);
            }
        }
    }

    /// Columns behind the first are as wide as they need; the first takes the rest. Where
    /// that leaves too little, each row becomes a short list of facts.
    fn table(&mut self, head: &[Phrase], rows: &[Vec<Phrase>]) {
        let widths: Vec<usize> = (0..head.len())
            .map(|column| {
                std::iter::once(head)
                    .chain(rows.iter().map(Vec::as_slice))
                    .filter_map(|row| row.get(column))
                    .map(|cell| width(&flat(cell)))
                    .max()
                    .unwrap_or(0)
            })
            .collect();
        let others: usize = widths.iter().skip(1).map(|w| w + 2).sum();
        let room = COLUMNS.saturating_sub(others);
        if room < 20 {
            for (place, row) in rows.iter().enumerate() {
                if place > 0 {
                    self.gap();
                }
                let facts: Vec<_> = head.iter().cloned().zip(row.iter().cloned()).collect();
                self.facts(&facts);
            }
            return;
        }
        let room = room.min(widths.first().copied().unwrap_or(0));
        for row in std::iter::once(head).chain(rows.iter().map(Vec::as_slice)) {
            let Some((first, rest)) = row.split_first() else {
                continue;
            };
            let mut lines = wrap(&flat(first), room).into_iter();
            let mut line = lines.next().unwrap_or_default();
            line.push_str(&" ".repeat(room.saturating_sub(width(&line))));
            for (cell, wide) in rest.iter().zip(widths.iter().skip(1)) {
                let cell = flat(cell);
                line.push_str("  ");
                line.push_str(&" ".repeat(wide.saturating_sub(width(&cell))));
                line.push_str(&cell);
            }
            self.line(line);
            for more in lines {
                self.line(more);
            }
        }
    }
}

/// The phrase as one line, made fit to be shown, spaces inside amounts held together.
fn flat(phrase: &Phrase) -> String {
    let mut out = String::new();
    for run in &phrase.0 {
        match run {
            Run::Said(text) => out.push_str(text),
            Run::Given(text) | Run::Exact(text) => {
                out.push_str(&shown(text).replace(FIXED_SPACE, "\\u{f8ff}"))
            }
            Run::Amount(text) => {
                out.push_str(&shown(text).replace(' ', FIXED_SPACE.encode_utf8(&mut [0; 4])));
            }
        }
    }
    out
}

fn width(text: &str) -> usize {
    UnicodeWidthStr::width(text)
}

/// Breaks at spaces; a word that is wider than the room is broken inside.
fn wrap(text: &str, room: usize) -> Vec<String> {
    let room = room.max(2);
    let mut lines = Vec::new();
    let mut line = String::new();
    let mut empty = true;
    for word in text.split(' ') {
        if !empty && width(&line) + 1 + width(word) <= room {
            line.push(' ');
            line.push_str(word);
            continue;
        }
        if !empty {
            lines.push(std::mem::take(&mut line));
        }
        empty = false;
        let mut used = 0;
        for c in word.chars() {
            let wide = c.width().unwrap_or(0);
            if used + wide > room {
                lines.push(std::mem::take(&mut line));
                used = 0;
            }
            line.push(c);
            used += wide;
        }
    }
    lines.push(line);
    lines
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    #[test]
    fn breaks_at_spaces_and_never_inside_an_amount() {
        let phrase = Phrase::said("aaaa bbbb ")
            .then(Phrase::amount("12.3 GB"))
            .then(Phrase::said(" cc"));
        assert_eq!(wrap(&flat(&phrase), 14).len(), 2);
        assert_eq!(wrap("one two three", 7), ["one two", "three"]);
        assert_eq!(wrap("abcdefghij", 4), ["abcd", "efgh", "ij"]);
    }

    proptest! {
        #![proptest_config(ProptestConfig { failure_persistence: None, ..ProptestConfig::default() })]

        #[test]
        fn no_line_is_wider_than_the_page(name in any::<String>(), value in "\\PC{0,200}", room in 2usize..80) {
            for line in wrap(&flat(&Phrase::given(name.clone())), room) {
                prop_assert!(width(&line) <= room.max(2), "{:?}", line);
            }
            let mut page = Page::default();
            page.facts(&[(Phrase::given(name.clone()), Phrase::given(value.clone()))]);
            page.table(
                &[Phrase::given(value.clone()), Phrase::said("n")],
                &[vec![Phrase::given(name.clone()), Phrase::amount("12 GB")]],
            );
            page.block(&Block::Notice(Phrase::given(value)));
            page.block(&Block::Sign { above: None, lines: vec![Phrase::given(name)] });
            for line in page.lines {
                prop_assert!(width(&line) <= COLUMNS, "{:?}", line);
            }
        }
    }
}
