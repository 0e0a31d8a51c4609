//! The sheet that the owner signs before the wipe: what is erased, what is lost, what was
//! asked for, what there is (so that the owner sees what is *not* there), and each decision with a line to sign.
//!
//! Invariant: every waiver and every point that the owner may decide has its own line; nothing is agreed to in bulk.

use super::account::FIRST;
use super::leaf::{Block, Leaf, Look, Section};
use super::pen::Pen;
use super::receipt;
use super::sentence::Sentence as S;
use super::words::Phrase;
use crate::value::words::Who;

/// The sheet.
pub fn sheet(pen: &Pen<'_>) -> Leaf {
    let mut leaf = pen.leaf(Look::Form, S::SheetTitle);
    leaf.sections = vec![
        erased(pen),
        lost(pen),
        doubtful(pen),
        pen.asked(),
        there(pen),
        decisions(pen),
        consent(pen),
    ];
    leaf.sections.retain(|section| !section.blocks.is_empty());
    leaf
}

/// What is kept and may not open; on the receipt and on the sheet. Without any it is empty.
pub(super) fn doubtful(pen: &Pen<'_>) -> Section {
    if pen.account.doubtful.all.items == 0 {
        return Section::default();
    }
    let mut section = Section::headed(pen.plain(S::DoubtfulHead));
    pen.doubtful(&mut section);
    section
}

fn erased(pen: &Pen<'_>) -> Section {
    let account = pen.account;
    let mut section = Section::headed(pen.plain(S::WillErase));
    section.add(Block::Notice(pen.plain(S::SheetOpening)));
    section.list(pen.on_hold());
    if account.folder.is_some() {
        section.para(pen.plain(S::FolderOnly));
    }
    if account.drives.iter().any(|drive| drive.is_volume) {
        section.para(pen.plain(S::VolumeOnly));
    }
    if !account.others.is_empty() {
        section.para(pen.plain(S::NotErased));
        section.list(pen.first(&account.others, |other| pen.other(other)));
    }
    section
}

fn lost(pen: &Pen<'_>) -> Section {
    let mut section = Section::headed(pen.plain(S::WillBeLost));
    pen.not_saved(&mut section);
    let rules = pen.left_out();
    if !rules.is_empty() {
        section.para(pen.plain(S::ByRule).then(Phrase::said(":")));
        section.list(rules);
    }
    section.para(pen.plain(S::Saved).then(Phrase::said(":")));
    pen.classes(&mut section);
    section.list(pen.first(&pen.account.destinations, |line| pen.destination(line)));
    section
}

fn there(pen: &Pen<'_>) -> Section {
    let account = pen.account;
    let mut section = Section::headed(pen.plain(S::OnDrive));
    section.para(pen.plain(S::OnDriveOpening));
    if !account.folders.is_empty() {
        let rows = account
            .folders
            .iter()
            .take(FIRST)
            .map(|folder| {
                vec![
                    Phrase::given(&folder.path),
                    pen.count(folder.items),
                    pen.bytes(folder.bytes),
                    pen.day_if(folder.newest),
                ]
            })
            .collect();
        section.add(Block::Table {
            head: [S::ColFolder, S::ColItems, S::Size, S::ColNewest]
                .map(|head| pen.plain(head))
                .to_vec(),
            rows,
        });
        let more = account.folders.len().saturating_sub(FIRST) as u64;
        if more > 0 {
            section.para(pen.say_of(S::More, more, &[]));
        }
    }
    receipt::people(pen, &mut section);
    section
}

fn decisions(pen: &Pen<'_>) -> Section {
    let account = pen.account;
    let mut section = Section::headed(pen.plain(S::Decisions));
    if account.waivers.is_empty() {
        section.para(pen.plain(S::AgreedNone));
    } else {
        section.para(pen.plain(S::Recorded).and(pen.plain(S::AsRecorded)));
    }
    // Never cut short: a decision without its line would be a decision that nobody signed.
    for waiver in &account.waivers {
        let hash = Phrase::exact(waiver.set_hash.to_string());
        let what = pen
            .waiver(waiver)
            .and(pen.say(S::WaiverSet, &[("hash", hash)]));
        let agree = if waiver.kept { S::AcceptAs } else { S::AgreeTo };
        section.add(sign(pen, agree, what));
    }
    let (yours, ours): (Vec<_>, Vec<_>) = account
        .open_points
        .iter()
        .partition(|point| point.who == Who::Owner);
    if !yours.is_empty() {
        section.para(pen.plain(S::ToDecide));
        for point in yours {
            let (says, lost) = pen.point_words(point);
            let values = [("says", says), ("lost", lost)];
            let what = match point.count {
                0 | 1 => pen.say(S::ThisPoint, &values),
                n => pen.say_of(S::ThisCount, n, &values),
            };
            let agree = match super::matter::loses(&point.id) {
                true => S::AgreeTo,
                false => S::AcceptAs,
            };
            section.add(sign(pen, agree, what));
        }
    }
    if !ours.is_empty() {
        section.para(pen.plain(S::NotYours));
        section.list(pen.first(&ours, |point| pen.point(point)));
    }
    section
}

fn sign(pen: &Pen<'_>, agree: S, what: Phrase) -> Block {
    Block::Sign {
        above: Some(pen.say(agree, &[("what", what)])),
        lines: vec![pen.plain(S::SignLine), pen.plain(S::DateLine)],
    }
}

fn consent(pen: &Pen<'_>) -> Section {
    let lines = || {
        [S::NameLine, S::SignLine, S::DateLine]
            .map(|label| pen.plain(label))
            .to_vec()
    };
    let mut section = Section::headed(pen.plain(S::Consent));
    section.add(Block::Sign {
        above: Some(pen.plain(S::ConsentText)),
        lines: lines(),
    });
    section.add(Block::Sign {
        above: Some(pen.plain(S::ShopText)),
        lines: lines(),
    });
    section
}
