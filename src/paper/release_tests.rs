//! Which papers speak of a release, and when.

use super::account::*;
use super::tests::{every_paper, one_line};
use super::*;
use crate::value::{Amount, Moment};

#[test]
fn a_practice_paper_says_so_and_releases_nothing() {
    let mut account = sample::released();
    account.policy.practice = true;
    for (paper, _, _, printed) in every_paper(&account) {
        assert!(
            printed.html.matches("practice: releases nothing").count() >= 3,
            "{paper:?}"
        );
        assert_eq!(
            printed
                .text
                .matches("*** practice: releases nothing")
                .count(),
            2,
            "{paper:?}"
        );
    }
    assert_no_release(&account);
    let receipt = one_line(&print(Paper::Receipt, &account, Names::Full, "en").text);
    assert!(receipt.contains("nothing has been released"));
    assert!(!receipt.contains("we released it"));
    assert!(
        !print(Paper::Slip, &sample::released(), Names::Full, "en")
            .text
            .contains("practice")
    );
}

fn assert_no_release(account: &Account) {
    for (language, says, not) in [
        ("en", "This drive may be wiped", "may be wiped"),
        (
            "de",
            "Dieses Laufwerk darf gelöscht werden",
            "darf gelöscht werden",
        ),
    ] {
        let slip = print(Paper::Slip, account, Names::Full, language);
        assert!(!slip.html.contains(says) && !slip.text.contains(says));
        assert!(one_line(&slip.text).contains(not));
    }
}

#[test]
fn the_slip_names_the_drive_only_while_the_release_stands() {
    let released = sample::released();
    let slip = one_line(&print(Paper::Slip, &released, Names::Full, "en").text);
    for fact in [
        "This drive may be wiped",
        "Serial number: QL5-7F3K-20917",
        "500 GB, 500,107,862,016 bytes",
        "25 November 2026, 17:30 (UTC+1)",
        "Take out first, they are not released: Muster NV-250",
        "Unplug the copies: /media/shop-a/2026-0412",
        "hold the power button for 10 seconds",
        "swollen battery",
        "41,231,000,000,000",
        "21 items, 6.31 MB; 4 decisions recorded",
        "Local law",
    ] {
        assert!(slip.contains(fact), "'{fact}' is missing in\n{slip}");
    }
    let mut volume = released.clone();
    volume.drives[0].is_volume = true;
    let slip = one_line(&print(Paper::Slip, &volume, Names::Full, "en").text);
    assert!(!slip.contains("This drive may be wiped"), "{slip}");
    assert!(slip.contains("the disk beneath it not"), "{slip}");
    assert!(slip.contains("that disk holds more"), "{slip}");
    let mut lapsed = released.clone();
    lapsed.at = lapsed.certificate.as_ref().unwrap().expires;
    assert_no_release(&lapsed);
    let mut early = released.clone();
    early.at = Moment::parse("2026-11-25T12:29:59Z").unwrap();
    assert_no_release(&early);
    let mut bare = released.clone();
    bare.certificate = None;
    assert_no_release(&bare);
    assert_no_release(&sample::on_hold());
    let slip = one_line(&print(Paper::Slip, &sample::on_hold(), Names::Full, "en").text);
    assert!(slip.contains("2 points are open"));
    assert!(slip.contains("open a job for it or take it out"));
    assert!(!slip.contains("Unplug the copies"));
}

#[test]
fn a_folder_job_never_speaks_for_the_drive_below() {
    let mut account = sample::released();
    account.drives.clear();
    account.folder = Some("/home/mira".to_owned());
    let slip = one_line(&print(Paper::Slip, &account, Names::Full, "en").text);
    assert!(slip.contains("This folder may be deleted"));
    assert!(slip.contains("Nothing is known of the rest of the drive"));
    assert!(!slip.contains("This drive may be wiped"));
    let tag = one_line(&print(Paper::Tag, &account, Names::Full, "en").text);
    assert!(tag.contains("Folder: /home/mira"));
}

#[test]
fn the_tag_never_releases_and_names_no_owner() {
    for account in [sample::released(), sample::on_hold()] {
        let printed = print(Paper::Tag, &account, Names::Full, "en");
        let text = one_line(&printed.text);
        for fact in [
            "Do not power on",
            "Do not reset",
            "Do not wipe",
            "Serial number: QL5-7F3K-20917",
            "Model: Examplar QL-500",
            "500 GB",
            "2026-0412",
        ] {
            assert!(text.contains(fact), "{fact}");
        }
        assert!(!printed.html.contains("Halvorsen") && !text.contains("may be wiped"));
        assert!(printed.html.contains("<div class=\"code\"><svg"));
    }
    let mut unknown = sample::on_hold();
    unknown.drives[0].serial = None;
    let printed = print(Paper::Tag, &unknown, Names::Full, "en");
    assert!(printed.text.contains("Serial number: not known"));
    assert!(!printed.html.contains("<svg"));
}

/// Nothing is lost in a sentence about copies when there is none that counts.
#[test]
fn a_letter_about_nothing_saved_does_not_begin_with_copies() {
    let mut account = sample::released();
    for class in &mut account.classes {
        class.counts.waived = class.counts.all;
        class.counts.verified = Amount::default();
    }
    for (language, copied) in [("en", "we copied what was"), ("de", "haben wir kopiert")] {
        let says = |account: &Account| {
            one_line(&print(Paper::Receipt, account, Names::Full, language).text)
        };
        assert!(says(&sample::released()).contains(copied));
        assert!(!says(&account).contains(copied), "{language}");
    }
}

/// A tag for a job that is released says nothing untrue about it, and comes off against the slip all the same.
#[test]
fn a_tag_of_a_released_job_points_to_the_slip() {
    let says = |account: &Account| one_line(&print(Paper::Tag, account, Names::Full, "en").text);
    assert!(says(&sample::on_hold()).contains("not accounted for"));
    let tag = says(&sample::released());
    assert!(
        !tag.contains("not accounted for") && tag.contains("release slip"),
        "{tag}"
    );
}
