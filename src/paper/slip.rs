//! The release slip that goes along with the machine: which drive may be wiped, until when,
//! what has to be out of the way first, and how nobody gets hurt.
//!
//! Invariant: it says "may be wiped" only while the release stands at the account's moment, nothing is open, the policy is not
//! for practice and the serial number is known. In every other case it says in the largest letters that nothing may.

use super::account::{DriveLine, Standing};
use super::leaf::{Block, Leaf, Look, Section};
use super::pen::Pen;
use super::receipt::memory_in_doubt;
use super::sentence::Sentence as S;
use super::words::{Language, Phrase};
use crate::value::Amount;

/// The slip.
pub fn slip(pen: &Pen<'_>) -> Leaf {
    let account = pen.account;
    let mut leaf = pen.leaf(Look::Slip, S::SlipTitle);
    let standing = account.standing();
    let in_force = standing == Standing::Released && !account.policy.practice;
    if !in_force {
        leaf.sections.push(refusal(pen, standing));
    }
    leaf.sections.extend(named(pen, in_force));
    if in_force {
        leaf.sections.push(before(pen));
    }
    if in_force {
        leaf.sections.push(hands(pen));
    }
    leaf.sections.push(care(pen));
    if standing != Standing::Hold {
        leaf.sections.push(relied(pen));
    }
    leaf
}

fn refusal(pen: &Pen<'_>, standing: Standing) -> Section {
    let account = pen.account;
    let mut section = Section::default();
    if account.policy.practice {
        section.add(Block::Notice(pen.plain(S::SlipPractice)));
        section.para(pen.say(
            S::SlipPracticeText,
            &[("policy", Phrase::given(&account.policy.name))],
        ));
    } else {
        section.add(Block::Notice(pen.plain(S::SlipNot)));
    }
    match (standing, &account.certificate) {
        (Standing::Lapsed, Some(certificate)) => {
            section.para(pen.say(
                S::SlipLapsedText,
                &[
                    ("at", pen.moment(certificate.issued)),
                    ("until", pen.moment(certificate.expires)),
                ],
            ));
        }
        (Standing::Used, Some(certificate)) => {
            section.para(pen.say(
                S::SlipUsedText,
                &[
                    ("at", pen.moment(certificate.issued)),
                    ("used", pen.moment(account.used.unwrap_or(account.at))),
                ],
            ));
        }
        (Standing::Hold, _) if account.open_points.is_empty() => {
            section.para(pen.plain(S::SlipUnaskedText));
        }
        (Standing::Hold, _) => {
            let open = account.open_points.len() as u64;
            section.para(pen.say_of(S::SlipNotText, open, &[]));
            section.list(pen.first(&account.open_points, |point| {
                pen.point(point)
                    .and(pen.say(S::PointNext, &[("remedy", remedy(pen, &point.remedy))]))
            }));
        }
        _ => {}
    }
    section
}

/// What to do next, in one paragraph: each command in letters of one width and parted from what follows. Commands of the
/// system are for the screen, to be pasted; the words between are recorded in English.
fn remedy(pen: &Pen<'_>, text: &str) -> Phrase {
    let mut out = Phrase::default();
    let mut after_command = false;
    for line in text.lines().filter(|line| !line.starts_with("sudo ")) {
        let is_command = line.starts_with("holdpoint ");
        if !is_command && pen.language != Language::English {
            continue;
        }
        if !out.0.is_empty() {
            out = out.then(Phrase::said(if after_command { "; " } else { " " }));
        }
        out = out.then(if is_command {
            Phrase::exact(line)
        } else {
            Phrase::given(line)
        });
        after_command = is_command;
    }
    if out.0.is_empty() {
        return pen.recorded(text);
    }
    out
}

fn named(pen: &Pen<'_>, in_force: bool) -> Vec<Section> {
    let account = pen.account;
    let mut sections: Vec<_> = account
        .drives
        .iter()
        .map(|drive| drive_section(pen, drive, in_force))
        .collect();
    if let Some(path) = &account.folder {
        let mut section = if in_force {
            let mut section = Section::headed(pen.plain(S::SlipReleased));
            section.add(Block::Notice(pen.plain(S::SlipMayFolder)));
            section
        } else {
            Section::headed(pen.plain(S::SlipNamed))
        };
        section.add(pen.large(S::Folder, Some(path)));
        section.para(pen.plain(S::FolderOnly));
        sections.push(section);
    }
    if in_force && let Some(certificate) = &account.certificate {
        let mut section = Section::headed(pen.plain(S::Until));
        section.add(Block::Notice(pen.moment(certificate.expires)));
        section.para(pen.plain(S::SlipVoid));
        section.add(Block::Typed(format!("holdpoint recheck {}", account.typed)));
        sections.push(section);
    }
    sections
}

fn drive_section(pen: &Pen<'_>, drive: &DriveLine, in_force: bool) -> Section {
    let known = drive
        .serial
        .as_ref()
        .is_some_and(|serial| !serial.trim().is_empty());
    // Without a serial number nobody can tell the drive from the one beside it.
    let mut section = if in_force && known {
        let mut section = Section::headed(pen.plain(S::SlipReleased));
        let may = if drive.is_volume {
            S::SlipMayVolume
        } else {
            S::SlipMay
        };
        section.add(Block::Notice(pen.plain(may)));
        section
    } else {
        Section::headed(pen.plain(S::SlipNamed))
    };
    section.add(pen.large(S::Model, drive.model.as_deref()));
    section.add(pen.large(S::Serial, drive.serial.as_deref()));
    section.para(match drive.bytes {
        Some(bytes) => pen.say(
            S::SlipSize,
            &[("bytes", pen.bytes(bytes)), ("exact", pen.count(bytes))],
        ),
        None => pen.plain(S::SizeUnknown),
    });
    if !known {
        section.add(Block::Notice(pen.plain(S::SlipNoSerial)));
    }
    if drive.is_volume {
        section.para(pen.plain(S::VolumeOnly));
    }
    section
}

fn before(pen: &Pen<'_>) -> Section {
    let account = pen.account;
    let mut steps = Vec::new();
    if !account.drives.is_empty() {
        steps.push(pen.plain(S::BeforeCompare));
    }
    if let Some(why) = &account.others_unknown {
        steps.push(pen.say(S::BeforeUnknown, &[("why", Phrase::given(why))]));
    }
    if account.others.is_empty() {
        if account.others_unknown.is_none() {
            steps.push(pen.plain(S::BeforeNoOthers));
        }
    } else {
        // Never cut short: a drive left out here is a drive left in the machine.
        let drives = account.others.iter().map(|other| pen.other(other));
        let drives = Phrase::joined(drives, "; ");
        steps.push(pen.say(S::BeforeOthers, &[("drives", drives)]));
    }
    if !account.destinations.is_empty() {
        let paths = account
            .destinations
            .iter()
            .map(|to| Phrase::given(&to.path));
        let paths = Phrase::joined(paths, "; ");
        steps.push(pen.say(S::BeforeCopies, &[("paths", paths)]));
    }
    if memory_in_doubt(pen) {
        steps.push(pen.plain(S::BeforeMemory));
    }
    let mut section = Section::headed(pen.plain(S::Before));
    section.add(Block::Steps(steps));
    section
}

fn relied(pen: &Pen<'_>) -> Section {
    let account = pen.account;
    let mut section = Section::headed(pen.plain(S::Relied));
    let lost = &account.not_saved;
    let lost = Amount::new(lost.items, lost.missing_bytes);
    let mut facts = vec![
        (
            pen.plain(S::ReliedSaved),
            pen.amount(account.totals().verified),
        ),
        (
            pen.plain(S::ReliedGivenUp),
            pen.say_of(
                S::ReliedDecisions,
                account.waivers.len() as u64,
                &[("items", pen.amount(lost))],
            ),
        ),
    ];
    if account.doubtful.all.items > 0 {
        facts.push((
            pen.plain(S::ReliedDoubtful),
            pen.amount(account.doubtful.all),
        ));
    }
    for drive in &account.drives {
        let mut add = |name: S, value: Option<Phrase>| {
            if let Some(value) = value {
                facts.push((pen.plain(name), value));
            }
        };
        add(
            S::ReliedFingerprint,
            drive.fingerprint.as_ref().map(Phrase::exact),
        );
        add(S::ReliedCycles, drive.power_cycles.map(|n| pen.counter(n)));
        add(
            S::ReliedWritten,
            drive.bytes_written.map(|n| pen.counter(n)),
        );
    }
    facts.push((
        pen.plain(S::ReliedPolicy),
        pen.say(
            S::PolicyLine,
            &[
                ("name", Phrase::given(&account.policy.name)),
                ("hash", Phrase::exact(account.policy.hash.to_string())),
            ],
        ),
    ));
    if let Some(certificate) = &account.certificate {
        let digest = Phrase::said("BLAKE3 ").then(Phrase::exact(certificate.digest.to_string()));
        let signer = pen.signer(certificate.signed_by.as_deref());
        facts.push((
            pen.plain(S::ReliedSignature),
            digest.then(Phrase::said("; ")).then(signer),
        ));
    }
    section.add(Block::Facts(facts));
    section
}

fn care(pen: &Pen<'_>) -> Section {
    let mut section = Section::headed(pen.plain(S::Care));
    section.list(
        [
            S::CarePower,
            S::CareBattery,
            S::CareClicking,
            S::CareLaw,
            S::CareDisposal,
        ]
        .map(|care| pen.plain(care))
        .to_vec(),
    );
    section
}

fn hands(pen: &Pen<'_>) -> Section {
    let mut section = Section::headed(pen.plain(S::Hands));
    section.add(Block::Sign {
        above: None,
        lines: [S::NameLine, S::SignLine, S::DateLine]
            .map(|label| pen.plain(label))
            .to_vec(),
    });
    section.add(Block::Sign {
        above: None,
        lines: [S::SecondLine, S::LastFour, S::SignLine]
            .map(|label| pen.plain(label))
            .to_vec(),
    });
    section
}
