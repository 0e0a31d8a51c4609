//! `open`: what is on hold, and what that covers.

use super::{caution, next, or_unknown, points};
use crate::cli::page::{Page, Tone};
use crate::step::outcome::{DriveKind, DriveOnHold, Opened, Outcome};
use crate::step::request::{OpenRequest, Source};
use crate::value::measure::bytes_in_words;

/// The page.
pub fn page(page: &mut Page, request: &OpenRequest, outcome: &Outcome<Opened>) {
    let opened = &outcome.result;
    page.state(Tone::Stop, "ON HOLD");
    page.say(&format!("Job: {}", opened.job));
    if let Source::Folder(folder) = &request.source {
        page.say(&format!(
            "The folder {} is on hold. No drive is held for it.",
            crate::step::outcome::PathText::of(folder).path
        ));
    }
    let told = matches!(request.source, Source::Folder(_));
    if !opened.drives.is_empty() {
        page.head(if told {
            "The drive that the recorded replies tell of"
        } else {
            "On hold"
        });
    }
    for held in &opened.drives {
        page.item(&drive(held));
        if told {
            continue;
        }
        if held.hold.kernel_read_only {
            page.under(&format!(
                "Ordinary writes are refused by the kernel. {}",
                held.hold.why
            ));
        } else {
            page.under_warn(&format!("Not write-protected: {}", held.hold.why));
        }
        if held.fingerprint.is_none() {
            page.under_warn("No fingerprint of its contents: another drive with this serial could not be told apart.");
        }
    }
    if !opened.others.is_empty() {
        page.head("In this machine, but not in the job");
        for other in &opened.others {
            page.item(&format!(
                "{}: {}, {}, {}. Take it out before anything is wiped, or open it too.",
                other.path,
                or_unknown(other.model.as_deref(), "model"),
                serial(other.serial.as_deref()),
                size(other.bytes),
            ));
        }
    }
    page.head("Copies go to");
    for place in &opened.destinations {
        let facts = format!(
            "{}: {} free, {}",
            place.path,
            bytes_in_words(place.free_bytes),
            place.file_system
        );
        let why = place.why.as_deref().unwrap_or_default();
        if place.independent {
            page.item(&format!("{facts}, on a disk of its own. {why}"));
        } else {
            page.item_warn(&format!(
                "{facts}. Not independent: {}",
                or_unknown(Some(why), "reason")
            ));
        }
    }
    caution::symptom(page, request.symptom);
    points::open_points(page, outcome.job.as_deref(), &outcome.open_points);
    next(page, outcome, &[]);
}

fn drive(drive: &DriveOnHold) -> String {
    let kind = match drive.kind {
        DriveKind::Disk => "rotating disk",
        DriveKind::Ssd => "solid state",
        DriveKind::Nvme => "solid state on NVMe",
        DriveKind::Card => "card",
        DriveKind::Image => "image file",
        DriveKind::Unknown => "kind not known",
    };
    format!(
        "{}: {}, {}, {}, {kind}",
        drive.path,
        or_unknown(drive.model.as_deref(), "model"),
        serial(drive.serial.as_deref()),
        size(drive.bytes),
    )
}

fn serial(serial: Option<&str>) -> String {
    match serial {
        Some(text) if !text.is_empty() => format!("serial {text}"),
        _ => "serial not known".to_owned(),
    }
}

fn size(bytes: Option<u64>) -> String {
    bytes.map_or_else(|| "size not known".to_owned(), bytes_in_words)
}
