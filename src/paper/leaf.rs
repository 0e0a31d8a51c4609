//! A leaf: one paper as blocks of sentences, before it becomes a page or plain text. Both
//! renderers draw the same leaf, so that the two forms of a paper cannot say different things.
//!
//! Invariant: no markup and no layout in the sentences; only the renderers escape, and they escape everything.

use super::words::{Language, Phrase};

/// One paper.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Leaf {
    /// The language it is written in.
    pub language: Language,
    /// Which look it has.
    pub look: Look,
    /// Its title.
    pub title: Phrase,
    /// The line above the title: job, date.
    pub head: Phrase,
    /// The line at the foot of every printed page.
    pub foot: Phrase,
    /// The line that marks a practice paper; stands on top, at the end and behind every page.
    pub practice: Option<Phrase>,
    /// Its sections.
    pub sections: Vec<Section>,
}

/// The looks.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Look {
    /// A letter: headings in the margin.
    Letter,
    /// A form with space to sign.
    Form,
    /// A tag to be read from across the room.
    Tag,
    /// A slip that goes along with the drive.
    Slip,
}

/// A section of a paper.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct Section {
    /// Its heading, if it has one.
    pub heading: Option<Phrase>,
    /// What stands in it.
    pub blocks: Vec<Block>,
    /// Whether it starts on a new page.
    pub new_page: bool,
}

impl Section {
    /// A section under a heading.
    pub fn headed(heading: Phrase) -> Self {
        Self {
            heading: Some(heading),
            ..Self::default()
        }
    }

    /// Adds a block.
    pub fn add(&mut self, block: Block) -> &mut Self {
        self.blocks.push(block);
        self
    }

    /// Adds a paragraph.
    pub fn para(&mut self, phrase: Phrase) -> &mut Self {
        self.add(Block::Para(phrase))
    }

    /// Adds a list, unless it is empty.
    pub fn list(&mut self, items: Vec<Phrase>) -> &mut Self {
        if !items.is_empty() {
            self.add(Block::List(items));
        }
        self
    }
}

/// A block.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Block {
    /// A paragraph.
    Para(Phrase),
    /// Orders to be read at three metres.
    Loud(Vec<Phrase>),
    /// What to compare with a label, in large letters.
    Large {
        /// What it is.
        label: Phrase,
        /// The words to compare.
        value: Phrase,
    },
    /// Names and their values.
    Facts(Vec<(Phrase, Phrase)>),
    /// A list.
    List(Vec<Phrase>),
    /// A list in order.
    Steps(Vec<Phrase>),
    /// A table: the first column is words, the others are amounts or dates.
    Table {
        /// Column heads.
        head: Vec<Phrase>,
        /// Rows; each as long as `head`.
        rows: Vec<Vec<Phrase>>,
    },
    /// Something to be typed or compared character by character.
    Typed(String),
    /// Framed, because it must not be overlooked.
    Notice(Phrase),
    /// Lines to write on, each with its label; `above` is what is agreed to.
    Sign {
        /// What is signed.
        above: Option<Phrase>,
        /// Labels of the lines.
        lines: Vec<Phrase>,
    },
    /// A machine-readable square (ISO/IEC 18004), a convenience only; the text stays the authority.
    Code {
        /// What it holds.
        payload: String,
        /// The small print beneath it.
        caption: Phrase,
    },
}
