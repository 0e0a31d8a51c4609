//! The owner's receipt: a letter that says what is saved and how that was proven, what is not
//! and who agreed, where the copies are and for how long, and how anyone can check.
//!
//! Invariant: nothing is called saved here that the account does not count as verified, and what is missing stands
//! before what to do about it.

use super::account::{Asked, DriveLine, Standing};
use super::leaf::{Block, Leaf, Look, Section};
use super::pen::Pen;
use super::sentence::Sentence as S;
use super::words::{Language, Phrase};

/// The command with which anyone checks a bag.
pub const CHECK: &str = "sha256sum -c manifest-sha256.txt";

/// The receipt.
pub fn receipt(pen: &Pen<'_>) -> Leaf {
    let mut leaf = pen.leaf(Look::Letter, S::ReceiptTitle);
    leaf.sections = vec![
        opening(pen),
        drives(pen),
        saved(pen),
        missing(pen),
        super::sheet::doubtful(pen),
        agreed(pen),
        pen.asked(),
        places(pen),
        keeping(pen),
        check(pen),
        home(pen),
    ];
    leaf.sections.retain(|section| !section.blocks.is_empty());
    leaf
}

fn opening(pen: &Pen<'_>) -> Section {
    let account = pen.account;
    let mut section = Section::default();
    section.para(if account.owner.trim().is_empty() {
        pen.plain(S::DearNobody)
    } else {
        pen.say(S::DearOwner, &[("owner", Phrase::given(&account.owner))])
    });
    // Of nothing saved the letter does not begin with what was copied.
    let some = account.totals().verified.items > 0;
    section.para(pen.plain(if some {
        S::ReceiptOpening
    } else {
        S::ReceiptOpeningNothing
    }));
    let points = account.open_points.len() as u64;
    let term = account.certificate.as_ref().map(|certificate| {
        [
            ("at", pen.moment(certificate.issued)),
            ("until", pen.moment(certificate.expires)),
        ]
    });
    match (account.standing(), term) {
        (Standing::Released | Standing::Lapsed | Standing::Used, _) if account.policy.practice => {
            section.add(Block::Notice(pen.plain(S::ReceiptPractice)))
        }
        (Standing::Released, Some(term)) => section.para(pen.say(S::ReceiptReleased, &term)),
        (Standing::Lapsed, Some(term)) => section.para(pen.say(S::ReceiptLapsed, &term)),
        (Standing::Used, Some([at, _])) => {
            let used = ("used", pen.moment(account.used.unwrap_or(account.at)));
            section.para(pen.say(S::ReceiptUsed, &[at, used]))
        }
        _ if points == 0 => section.add(Block::Notice(pen.plain(S::ReceiptUnasked))),
        _ => section.add(Block::Notice(pen.say_of(S::ReceiptHold, points, &[]))),
    };
    section
}

fn drives(pen: &Pen<'_>) -> Section {
    let mut section = Section::headed(pen.plain(S::YourDrive));
    for drive in &pen.account.drives {
        section.para(about(pen, drive));
    }
    if let Some(path) = &pen.account.folder {
        let named = pen.say(S::FolderNamed, &[("path", Phrase::given(path))]);
        section.para(
            named
                .then(Phrase::said(". "))
                .then(pen.plain(S::FolderOnly)),
        );
    }
    section
}

fn about(pen: &Pen<'_>, drive: &DriveLine) -> Phrase {
    let mut says = pen.drive(drive).then(Phrase::said("."));
    // What bore on nothing is for the shop's own record.
    let telling: Vec<_> = drive
        .readings
        .iter()
        .filter(|signal| signal.weighs)
        .collect();
    if let Some(why) = &drive.health_unread {
        // The reason is recorded in English, and for the shop.
        says = says.and(match pen.language {
            Language::English => pen.say(S::HealthUnreadWhy, &[("why", pen.clause(why))]),
            Language::German => pen.plain(S::HealthUnread),
        });
    } else if !telling.is_empty() {
        let readings = pen.first(&telling, |signal| pen.signal(signal));
        let readings = Phrase::joined(readings, "; ");
        says = says.and(pen.say(S::HealthSaid, &[("says", readings)]));
    } else if !drive.readings.is_empty() {
        says = says.and(pen.plain(S::HealthPlain));
    }
    if let Some(range) = drive.forecast
        && drive.route.as_deref() != Some("ordinary")
    {
        says = says.and(pen.say(S::ForecastSaid, &[("chance", pen.chance(range))]));
    }
    match drive.route.as_deref() {
        Some("ordinary") => says.and(pen.plain(S::RouteOrdinary)),
        Some("gentle") => says.and(pen.plain(S::RouteGentle)),
        // What was found weak is told of only where something was: the route alone is a caution.
        Some("salvage") if pen.account.totals().damaged.items > 0 => {
            says.and(pen.plain(S::RouteSalvage))
        }
        Some("salvage") => says.and(pen.plain(S::RouteGentle)),
        Some("refer") => says.and(pen.plain(S::RouteRefer)),
        _ => says,
    }
}

fn saved(pen: &Pen<'_>) -> Section {
    let totals = pen.account.totals();
    let mut section = Section::headed(pen.plain(S::Saved));
    let mut values = vec![
        ("bytes", pen.bytes(totals.all.bytes)),
        ("saved", pen.count(totals.verified.items)),
        ("saved_bytes", pen.bytes(totals.verified.bytes)),
    ];
    let sentence = if totals.left_out.items == 0 {
        S::SavedTotal
    } else {
        let rest = totals.all.minus(totals.left_out);
        values.extend([
            ("left", pen.count(totals.left_out.items)),
            ("left_bytes", pen.bytes(totals.left_out.bytes)),
            ("rest", pen.count(rest.items)),
            ("rest_bytes", pen.bytes(rest.bytes)),
        ]);
        S::SavedOther
    };
    section.para(pen.say_of(sentence, totals.all.items, &values));
    if pen.account.looked_into == Some(false) && totals.verified.items > 0 {
        section.para(pen.plain(S::NotLookedInto));
    }
    let gone = pen.account.gone;
    if gone.items > 0 {
        let bytes = [("bytes", pen.bytes(gone.bytes))];
        section.para(pen.say_of(S::SavedGone, gone.items, &bytes));
    }
    pen.classes(&mut section);
    people(pen, &mut section);
    section
}

/// Whose things were found; on the receipt and on the sheet.
pub(super) fn people(pen: &Pen<'_>, section: &mut Section) {
    if pen.account.people.is_empty() {
        return;
    }
    section.para(pen.plain(S::People));
    section.list(pen.first(&pen.account.people, |person| {
        let sentence = match person.newest {
            Some(_) => S::Person,
            None => S::PersonUndated,
        };
        let head = pen.say(
            sentence,
            &[
                (
                    "who",
                    match person.profile.as_str() {
                        "" => pen.plain(S::NoProfile),
                        name => Phrase::given(name),
                    },
                ),
                ("bytes", pen.bytes(person.bytes)),
                ("newest", pen.day_if(person.newest)),
            ],
        );
        let counts = [
            (S::Pictures, person.photos),
            (S::Documents, person.documents),
            (S::MailStores, person.mail),
            (S::OnlyCloud, person.placeholders),
            (S::LockedOld, person.efs),
        ]
        .into_iter()
        .filter(|(_, n)| *n > 0)
        .map(|(says, n)| pen.say_of(says, n, &[]));
        Phrase::joined(std::iter::once(head).chain(counts), "; ").then(Phrase::said("."))
    }));
}

fn missing(pen: &Pen<'_>) -> Section {
    let mut section = Section::headed(pen.plain(S::Missing));
    pen.not_saved(&mut section);
    let rules = pen.left_out();
    if !rules.is_empty() {
        section.para(pen.plain(S::ByRule).then(Phrase::said(":")));
        section.list(rules);
    }
    let points = pen.first(&pen.account.open_points, |point| pen.point(point));
    if !points.is_empty() {
        section.para(pen.plain(S::StillOpen).then(Phrase::said(":")));
        section.list(points);
    }
    section
}

fn agreed(pen: &Pen<'_>) -> Section {
    let mut section = Section::headed(pen.plain(S::Agreed));
    if pen.account.waivers.is_empty() {
        section.para(pen.plain(S::AgreedNone));
        return section;
    }
    if pen.language != Language::English {
        section.para(pen.plain(S::AsRecorded));
    }
    section.list(pen.first(&pen.account.waivers, |waiver| {
        let hash = Phrase::exact(waiver.set_hash.to_string());
        pen.waiver(waiver)
            .and(pen.say(S::WaiverSet, &[("hash", hash)]))
    }));
    section
}

fn places(pen: &Pen<'_>) -> Section {
    let mut section = Section::headed(pen.plain(S::Places));
    if pen.account.destinations.is_empty() {
        section.para(pen.plain(S::PlacesNone));
    }
    section.list(pen.first(&pen.account.destinations, |line| pen.destination(line)));
    section
}

fn keeping(pen: &Pen<'_>) -> Section {
    let mut section = Section::headed(pen.plain(S::Keeping));
    section.para(match pen.account.keep_until {
        Some(day) => pen.say(S::KeepUntil, &[("day", pen.day(day))]),
        None => pen.plain(S::KeepUnset),
    });
    section
}

fn check(pen: &Pen<'_>) -> Section {
    let mut section = Section::headed(pen.plain(S::Check));
    section.para(pen.plain(S::CheckOpening));
    section.add(Block::Typed(CHECK.to_owned()));
    section.para(pen.plain(S::CheckElsewhere));
    section.para(pen.plain(S::CheckMeaning));
    for (asked, answers) in &pen.account.changed_answers {
        let sentence = match asked {
            Asked::Symptom => S::SymptomAnswers,
            Asked::Memory => S::MemoryAnswers,
        };
        section.para(pen.say(sentence, &[("answers", pen.recorded(answers))]));
    }
    if let Some(root) = pen.account.manifest_root {
        section.para(pen.plain(S::RootLine));
        section.add(Block::Typed(root.to_string()));
    }
    if let Some(certificate) = &pen.account.certificate {
        section.para(pen.plain(S::CertificateLine));
        section.add(Block::Typed(certificate.digest.to_string()));
        section.para(
            pen.signer(certificate.signed_by.as_deref())
                .then(Phrase::said(".")),
        );
    }
    section
}

fn home(pen: &Pen<'_>) -> Section {
    let account = pen.account;
    let mut steps = vec![pen.plain(S::HomeOpen), pen.plain(S::HomeSecond)];
    steps.push(match account.keep_until {
        Some(day) => pen.say(S::HomeTell, &[("day", pen.day(day))]),
        None => pen.plain(S::HomeTellSoon),
    });
    let clouds = account.totals().placeholder.items;
    if clouds > 0 {
        steps.push(pen.say_of(S::HomeCloud, clouds, &[]));
    }
    steps.push(pen.plain(S::HomePasswords));
    if memory_in_doubt(pen) {
        steps.push(pen.plain(S::HomeMemory));
    }
    let mut section = Section::headed(pen.plain(S::Home));
    section.add(Block::Steps(steps));
    section.add(Block::Sign {
        above: Some(pen.plain(S::Closing)),
        lines: vec![pen.recorded(&account.technician)],
    });
    section
}

/// Whether the owner's memory may have damaged things before they were copied. Only a plain "known-good" clears it.
pub(super) fn memory_in_doubt(pen: &Pen<'_>) -> bool {
    matches!(
        pen.account.memory.as_str(),
        "swapped" | "suspect" | "failed"
    )
}
