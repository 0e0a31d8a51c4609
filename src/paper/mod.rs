//! Papers and the release certificate: what people hold in their hands when a job is done.
//!
//! All of it is pure: an [`account::Account`] in, pages and text out; the engine writes the files.
//! Each paper exists as a page for printing and as plain text, drawn from one [`leaf::Leaf`], so the two say the same.
//!
//! Invariant: a paper says nothing that is not in the account, calls nothing saved that is not
//! verified, and shows foreign text only through [`crate::value::shown()`].

pub mod account;
pub mod certificate;
mod german;
mod html;
pub mod leaf;
mod lost;
pub mod matter;
mod pen;
mod receipt;
#[cfg(test)]
mod release_tests;
#[cfg(test)]
pub(crate) mod sample;
pub mod sentence;
mod sheet;
mod slip;
pub mod sshsig;
mod tag;
#[cfg(test)]
mod tests;
mod text;
pub mod words;

use account::Account;
use leaf::{Block, Leaf};
use pen::Pen;
use words::{Language, Phrase};

/// The papers.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Paper {
    /// The owner's receipt.
    Receipt,
    /// The sheet to sign before the wipe.
    Sheet,
    /// The hold tag for the lid.
    Tag,
    /// The release slip.
    Slip,
}

impl Paper {
    /// All of them.
    pub const ALL: [Paper; 4] = [Paper::Receipt, Paper::Sheet, Paper::Tag, Paper::Slip];

    /// The word of the interface; also the name of its files.
    pub fn word(self) -> &'static str {
        match self {
            Paper::Receipt => "receipt",
            Paper::Sheet => "sheet",
            Paper::Tag => "tag",
            Paper::Slip => "slip",
        }
    }

    /// The paper for a word of the interface.
    pub fn of(word: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|paper| paper.word() == word)
    }
}

/// How much of the owner's names a paper shows (`--names`).
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Names {
    /// Whole paths.
    Full,
    /// Folders only.
    Folders,
}

impl Names {
    /// The choice for a word of the interface (`full`, `folders`).
    pub fn of(word: &str) -> Option<Self> {
        match word {
            "full" => Some(Names::Full),
            "folders" => Some(Names::Folders),
            _ => None,
        }
    }
}

/// A paper in its two forms.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Printed {
    /// A self-contained page for A4.
    pub html: String,
    /// Plain text, at most 80 columns.
    pub text: String,
}

/// Whether there are texts for a language tag.
pub fn speaks(tag: &str) -> bool {
    Language::of(tag).1
}

/// The tags of the languages that there are texts for.
pub fn languages() -> Vec<&'static str> {
    Language::ALL
        .iter()
        .map(|language| language.tag())
        .collect()
}

/// Writes one paper. `language` is a tag as people give it (`de`, `en-GB`); for one without
/// texts the paper is in English and says so on top.
pub fn print(paper: Paper, account: &Account, names: Names, language: &str) -> Printed {
    let (spoken, known) = Language::of(language);
    let pen = Pen {
        account,
        language: spoken,
        names,
    };
    let mut leaf = draw(paper, &pen);
    if !known {
        let tag = Phrase::given(language);
        let says = pen.say(sentence::Sentence::OtherLanguage, &[("tag", tag)]);
        if let Some(first) = leaf.sections.first_mut() {
            first.blocks.insert(0, Block::Para(says));
        }
    }
    Printed {
        html: html::html(&leaf),
        text: text::text(&leaf),
    }
}

fn draw(paper: Paper, pen: &Pen<'_>) -> Leaf {
    match paper {
        Paper::Receipt => receipt::receipt(pen),
        Paper::Sheet => sheet::sheet(pen),
        Paper::Tag => tag::tag(pen),
        Paper::Slip => slip::slip(pen),
    }
}
