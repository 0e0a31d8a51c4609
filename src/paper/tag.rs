//! The hold tag for the lid: says at three metres what must not be done, and to which drive.
//!
//! Invariant: a tag never says that anything is released; it comes off against the release slip only. It names no owner, because it
//! hangs where other people pass by.

use super::account::{DriveLine, Standing};
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
    // The date of printing says nothing on a lid; since when it hangs there does.
    leaf.head = pen.say(S::TagHead, &[("job", Phrase::given(&account.job))]);
    for drive in &account.drives {
        let new_page = !leaf.sections.is_empty();
        let mut page = page(pen, drive_lines(pen, drive), drive.serial.as_deref());
        page.new_page = new_page;
        leaf.sections.push(page);
    }
    if let Some(path) = &account.folder {
        let line = pen.large(S::Folder, Some(path));
        leaf.sections.push(page(pen, vec![line], None));
    }
    leaf
}

fn drive_lines(pen: &Pen<'_>, drive: &DriveLine) -> Vec<Block> {
    let mut lines = vec![
        pen.large(S::Model, drive.model.as_deref()),
        pen.large(S::Serial, drive.serial.as_deref()),
    ];
    if let Some(bytes) = drive.bytes {
        lines.push(Block::Large {
            label: pen.plain(S::Size),
            value: pen.bytes(bytes),
        });
    }
    lines
}

fn page(pen: &Pen<'_>, what: Vec<Block>, serial: Option<&str>) -> Section {
    let account = pen.account;
    let mut page = Section::default();
    page.add(Block::Loud(
        [S::TagPower, S::TagReset, S::TagWipe]
            .map(|order| pen.plain(order))
            .to_vec(),
    ));
    page.blocks.extend(what);
    let digest = account
        .certificate
        .as_ref()
        .map(|certificate| certificate.digest)
        .or(account.job_digest);
    if let (Some(serial), Some(digest)) = (serial, digest)
        && serial.len() <= LONGEST_SERIAL
    {
        page.add(Block::Code {
            payload: format!("{serial} {digest}"),
            caption: pen.plain(S::TagCode),
        });
    }
    let why = match account.standing() {
        Standing::Hold => S::TagWhy,
        // Nothing is untrue about the data any more; what lets the tag come off is the same.
        Standing::Released | Standing::Used | Standing::Lapsed => S::TagSlip,
    };
    page.para(pen.say(why, &[("job", Phrase::given(&account.job))]));
    page.para(pen.say(
        S::TagAsk,
        &[
            ("at", pen.moment(account.opened)),
            ("who", pen.recorded(&account.technician)),
        ],
    ));
    page
}
