//! The hold tag for the lid: says at three metres what must not be done, and to which drive.
//!
//! Invariant: a tag never says that anything is released; it comes off against the release slip only. It names no owner, because it
//! hangs where other people pass by.

use super::account::DriveLine;
use super::leaf::{Block, Leaf, Look, Section};
use super::pen::Pen;
use super::sentence::Sentence as S;
use super::words::Phrase;

/// A serial number longer than this is data of a broken dock; the square stays readable without it.
const LONGEST_SERIAL: usize = 64;

/// The tag: one page for each drive.
pub fn tag(pen: &Pen<'_>) -> Leaf {
    let account = pen.account;
    let mut leaf = pen.leaf(Look::Tag, S::TagTitle);
    for drive in &account.drives {
        let new_page = !leaf.sections.is_empty();
        let mut page = page(pen, drive_lines(pen, drive), drive.serial.as_deref());
        page.new_page = new_page;
        leaf.sections.push(page);
    }
    if let Some(path) = &account.folder {
        let line = Block::Large(pen.say(S::TagFolder, &[("path", Phrase::given(path))]));
        leaf.sections.push(page(pen, vec![line], None));
    }
    leaf
}

fn drive_lines(pen: &Pen<'_>, drive: &DriveLine) -> Vec<Block> {
    let known = |text: Option<&str>| match text {
        Some(text) if !text.trim().is_empty() => Phrase::given(text),
        _ => pen.plain(S::Unknown),
    };
    let mut lines = vec![
        Block::Large(pen.say(S::TagModel, &[("model", known(drive.model.as_deref()))])),
        Block::Large(pen.say(S::TagSerial, &[("serial", known(drive.serial.as_deref()))])),
    ];
    if let Some(bytes) = drive.bytes {
        lines.push(Block::Large(pen.bytes(bytes)));
    }
    lines
}

fn page(pen: &Pen<'_>, what: Vec<Block>, serial: Option<&str>) -> Section {
    let account = pen.account;
    let mut page = Section::default();
    page.add(Block::List(
        [S::TagPower, S::TagReset, S::TagWipe]
            .map(|order| pen.plain(order))
            .to_vec(),
    ));
    page.blocks.extend(what);
    page.para(pen.say(S::TagWhy, &[("job", Phrase::given(&account.job))]));
    page.para(pen.say(
        S::TagAsk,
        &[
            ("at", pen.moment(account.opened)),
            ("who", pen.recorded(&account.technician)),
        ],
    ));
    let digest = account
        .certificate
        .as_ref()
        .map(|certificate| certificate.digest)
        .or(account.job_digest);
    if let (Some(serial), Some(digest)) = (serial, digest)
        && serial.len() <= LONGEST_SERIAL
    {
        page.add(Block::Code(format!("{serial} {digest}")));
        page.para(pen.plain(S::TagCode));
    }
    page
}
