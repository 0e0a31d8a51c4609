//! What must hold for every paper, whatever stands in the account.

use super::account::*;
use super::*;
use crate::value::Amount;
use crate::value::Moment;
use proptest::prelude::*;
use serde_json::Value;
use unicode_width::UnicodeWidthStr;

const HOSTILE: &str =
    "<script>alert(1)</script>\"'&\r\nx\u{1b}[2J\u{202e}gpj.exe\u{2028}\u{feff}{n}|</bdi>-->\u{85}";

pub(super) fn every_paper(account: &Account) -> Vec<(Paper, Names, &'static str, Printed)> {
    let mut out = Vec::new();
    for paper in Paper::ALL {
        for names in [Names::Full, Names::Folders] {
            for language in ["en", "de", "fr\u{202e}<b>"] {
                out.push((
                    paper,
                    names,
                    language,
                    print(paper, account, names, language),
                ));
            }
        }
    }
    out
}

/// Puts `text` into every string of the account that may hold any text.
fn filled_with(account: &Account, text: &str) -> Account {
    fn strings(value: &mut Value, see: &mut dyn FnMut(&mut String)) {
        match value {
            Value::String(string) => see(string),
            Value::Array(items) => items.iter_mut().for_each(|item| strings(item, see)),
            Value::Object(map) => map.values_mut().for_each(|item| strings(item, see)),
            _ => {}
        }
    }
    let mut value = serde_json::to_value(account).unwrap();
    let mut count = 0;
    strings(&mut value, &mut |_| count += 1);
    let mut replaced = 0;
    for target in 0..count {
        let mut tried = value.clone();
        let mut place = 0;
        strings(&mut tried, &mut |string| {
            if place == target {
                *string = text.to_owned();
            }
            place += 1;
        });
        // Words of the interface, digests and moments refuse it and stay as they are.
        if serde_json::from_value::<Account>(tried.clone()).is_ok() {
            value = tried;
            replaced += 1;
        }
    }
    assert!(replaced > 40, "only {replaced} strings were replaced");
    serde_json::from_value(value).unwrap()
}

fn longest_line(text: &str) -> usize {
    text.lines().map(UnicodeWidthStr::width).max().unwrap_or(0)
}

/// Every element is closed in order, and nothing but our own elements occurs.
fn well_formed(html: &str) {
    const VOID: [&str; 1] = ["meta"];
    const KNOWN: [&str; 31] = [
        "html", "head", "meta", "title", "style", "body", "div", "p", "header", "h1", "main",
        "section", "h2", "dl", "dt", "dd", "ul", "ol", "li", "table", "thead", "tbody", "tr", "th",
        "td", "code", "span", "bdi", "svg", "path", "footer",
    ];
    let rest = html.strip_prefix("<!DOCTYPE html>").unwrap();
    let mut open: Vec<&str> = Vec::new();
    for piece in rest.split('<').skip(1) {
        let (tag, text) = piece.split_once('>').expect("a tag is closed");
        if open.last() != Some(&"style") {
            assert!(
                !text.contains('>') || open.last() == Some(&"style") || tag == "style",
                "{piece}"
            );
        }
        if let Some(name) = tag.strip_prefix('/') {
            assert_eq!(open.pop(), Some(name), "in {piece}");
        } else {
            let name = tag.split_whitespace().next().unwrap();
            assert!(KNOWN.contains(&name), "<{name}>");
            assert!(
                !tag.contains(" on") && !tag.contains("javascript:"),
                "{tag}"
            );
            if !VOID.contains(&name) {
                open.push(name);
            }
        }
    }
    assert!(open.is_empty(), "left open: {open:?}");
}

fn fit_to_be_printed(paper: Paper, printed: &Printed) {
    well_formed(&printed.html);
    for (form, text) in [("html", &printed.html), ("text", &printed.text)] {
        let bad = text
            .chars()
            .find(|c| (c.is_control() && *c != '\n') || matches!(u32::from(*c), 0x61c | 0x200e | 0x200f | 0x2028..=0x202e | 0x2066..=0x2069 | 0xfeff));
        assert_eq!(bad, None, "{paper:?} {form}");
    }
    for outside in [
        "http://", "https://", "src=", "href=", "url(", "@import", "<script", "<img", "<link",
    ] {
        let html = printed.html.replace("http://www.w3.org/2000/svg", "");
        assert!(!html.contains(outside), "{paper:?}: {outside}");
    }
    let longest = longest_line(&printed.text);
    assert!(
        longest <= 80,
        "{paper:?}: {longest} columns\n{}",
        printed.text
    );
}

#[test]
fn hostile_texts_stay_text_in_every_paper() {
    for account in [sample::released(), sample::on_hold()] {
        let mut account = filled_with(&account, HOSTILE);
        account.folder = Some(HOSTILE.to_owned());
        for (paper, _, _, printed) in every_paper(&account) {
            fit_to_be_printed(paper, &printed);
            assert!(printed.html.contains("&lt;script&gt;"), "{paper:?}");
            let joined = printed.text.replace("\n", "").replace(' ', "");
            assert!(joined.contains("\\x1b[2J\\u{202e}gpj.exe"), "{paper:?}");
        }
    }
}

#[test]
fn no_hole_of_a_sentence_stays_open() {
    for account in [sample::released(), sample::on_hold()] {
        for (paper, _, language, printed) in every_paper(&account) {
            if language.starts_with("fr") {
                continue;
            }
            assert!(
                !printed.text.contains(['{', '|']) || printed.text.contains("| "),
                "{paper:?}"
            );
            assert!(
                !printed.text.contains('{'),
                "{paper:?} {language}\n{}",
                printed.text
            );
        }
    }
}

/// The text as one line, so that a phrase is found wherever the lines break.
pub(super) fn one_line(text: &str) -> String {
    text.split_whitespace().collect::<Vec<_>>().join(" ")
}

#[test]
fn receipt_and_sheet_hold_every_number_with_its_unit() {
    let account = sample::released();
    for paper in [Paper::Receipt, Paper::Sheet] {
        let printed = print(paper, &account, Names::Full, "en");
        let text = one_line(&printed.text);
        for amount in [
            "500 GB",
            "18,412 of 18,431 items",
            "95.3 GB of 96.2 GB",
            "3 with gaps (61.2 MB)",
            "1 unreadable (4.19 MB)",
            "15 only in a cloud (821 MB)",
            "2 given up (16.4 kB)",
            "2,115 of 2,117 items",
            "5,310 of 5,310 items",
            "22.0 GB",
            "all 214,077 items, 41.8 GB, left out by a rule",
            "203,118 items, 37.2 GB",
            "10,959 items, 4.60 GB",
            "In all 21 items are not saved",
            "6.31 MB are missing",
            "65.5 kB of 24.1 MB are missing",
            "15 items, 0 bytes missing",
            "4 items, 65.4 MB",
            "15 items, 821 MB",
            "25,837 copies, 127 GB",
            "16,204 pictures and videos",
            "1,877 documents",
            "2 mail stores",
        ] {
            assert!(
                text.contains(amount),
                "{paper:?}: '{amount}' is missing in\n{}",
                printed.text
            );
            let number = amount.split(' ').next().unwrap();
            assert!(printed.html.contains(number), "{paper:?}: {number}");
        }
        assert!(
            text.contains(&account.waivers[0].set_hash.to_string()),
            "{paper:?}"
        );
        assert!(text.contains("the wedding, 2019"), "{paper:?}");
        assert!(text.contains("QL5-7F3K-20917"), "{paper:?}");
    }
    let receipt = one_line(&print(Paper::Receipt, &account, Names::Full, "en").text);
    for fact in [
        "12 sectors wait to be remapped",
        "2.0 % to 9.0 %",
        "until 25 November 2026, 17:30 (UTC+1)",
        "Until 9 December 2026",
        receipt::CHECK,
        "signed with the key SHA256:q0example",
    ] {
        assert!(receipt.contains(fact), "'{fact}' is missing in\n{receipt}");
    }
    assert!(receipt.contains(&account.manifest_root.unwrap().to_string()));
    let sheet = one_line(&print(Paper::Sheet, &account, Names::Full, "en").text);
    for fact in [
        "16,190 88.1 GB 16 November 2026",
        "951 6.77 GB not known",
        "Muster NV-250",
    ] {
        assert!(sheet.contains(fact), "'{fact}' is missing in\n{sheet}");
    }
    assert_eq!(sheet.matches("I agree to lose:").count(), 3);
    assert_eq!(sheet.matches("I accept as it is:").count(), 1);
    assert!(sheet.contains("Users/mira/Documents/lease.pdf (262 kB)"));
}

#[test]
fn what_lies_outside_of_every_profile_is_said_in_the_papers_language() {
    let mut account = sample::released();
    account.people[0].profile = String::new();
    for (language, says) in [
        ("en", "Outside of every profile"),
        ("de", "Außerhalb aller Profile"),
    ] {
        let receipt = print(Paper::Receipt, &account, Names::Full, language);
        assert!(receipt.text.contains(says), "{}", receipt.text);
    }
}

#[test]
fn the_german_papers_hold_the_same_numbers() {
    let receipt = one_line(&print(Paper::Receipt, &sample::released(), Names::Full, "de").text);
    for fact in [
        "18.412 von 18.431 Einträgen",
        "95,3 GB von 96,2 GB",
        "Bis zum 9. Dezember 2026",
        "am Telefon, am 25. November 2026, 12:20 Uhr (UTC+1)",
        receipt::CHECK,
    ] {
        assert!(receipt.contains(fact), "'{fact}' is missing in\n{receipt}");
    }
    let html = print(Paper::Tag, &sample::released(), Names::Full, "de-AT").html;
    assert!(html.contains("<html lang=\"de\">"));
    assert!(html.contains("Nicht zurücksetzen"));
}

#[test]
fn an_unknown_language_is_said_not_guessed() {
    for paper in Paper::ALL {
        let printed = print(paper, &sample::released(), Names::Full, "tlh");
        assert!(
            one_line(&printed.text).contains("no texts for the language 'tlh'"),
            "{paper:?}"
        );
        assert!(printed.html.contains("lang=\"en\""));
    }
}

#[test]
fn what_was_asked_for_and_is_not_whole_is_not_called_found_alone() {
    let mut account = sample::released();
    account.must_haves[0].not_whole = 2;
    for (language, says) in [
        ("en", "2 files there are not saved whole"),
        ("de", "2 Dateien dort sind nicht vollständig gesichert"),
    ] {
        let printed = print(Paper::Receipt, &account, Names::Full, language);
        let text = printed
            .text
            .split_whitespace()
            .collect::<Vec<_>>()
            .join(" ");
        assert!(text.contains(says), "{text}");
    }
}

#[test]
fn with_folders_only_no_file_is_named() {
    let mut account = sample::released();
    account.must_haves[0]
        .found
        .push("Users/mira/Letters/scan 11 of grandmother.odt".to_owned());
    let account = account;
    for paper in Paper::ALL {
        let printed = print(paper, &account, Names::Folders, "en");
        for name in [
            "DSC_0412",
            "first steps",
            "scan 11",
            "letters.docx",
            "tax 2011",
        ] {
            assert!(!printed.html.contains(name), "{paper:?}: {name}");
            assert!(!printed.text.contains(name), "{paper:?}: {name}");
        }
    }
    let text = one_line(&print(Paper::Receipt, &account, Names::Folders, "en").text);
    assert!(text.contains("Users/mira/Cloud: 15 items, 0 bytes missing"));
    let mut account = account;
    account.not_saved.by_folder.clear();
    let text = one_line(&print(Paper::Receipt, &account, Names::Folders, "en").text);
    assert!(text.contains("Users/mira/Pictures/2019 wedding: 2 items, 1.11 MB missing"));
}

/// A loose page is known by its foot, whatever stands in the name of the job.
#[test]
fn every_page_carries_job_and_serial_number() {
    let foot = |account: &Account| {
        let html = print(Paper::Sheet, account, Names::Full, "en").html;
        let foot = html.split("@bottom-left { content: \"").nth(1).unwrap();
        foot.split("\";").next().unwrap().to_owned()
    };
    let plain = foot(&sample::released());
    assert!(
        plain.contains("2026\\2d 0412") && plain.contains("QL5"),
        "{plain}"
    );
    let mut account = sample::released();
    account.job = "\"; } </style><script>".to_owned();
    assert!(!foot(&account).contains(['<', ';', '}']));
}

/// What the owner gets in German is German: rules, signals, forecast, points; only what people typed stays.
#[test]
fn a_german_paper_is_german() {
    let mut account = sample::on_hold();
    account.waivers = sample::released().waivers;
    account.left_out.retain(|left| left.rule == "caches");
    account.drives[0].readings[1].says = "untranslated".to_owned();
    for paper in [Paper::Receipt, Paper::Sheet, Paper::Slip] {
        let text = one_line(&print(paper, &account, Names::Full, "de").text);
        for english in [
            "Programs make",
            "wait to be",
            "untranslated",
            "chance",
            " lie only",
            "internal drive",
            "another whole disk",
        ] {
            assert!(!text.contains(english), "{paper:?}: {english}\n{text}");
        }
        assert!(
            text.contains("15 Einträge liegen nur in einer Cloud"),
            "{text}"
        );
    }
    let receipt = one_line(&print(Paper::Receipt, &account, Names::Full, "de").text);
    assert!(
        receipt.contains("12 Sektoren warten auf Ersatz"),
        "{receipt}"
    );
    assert!(receipt.contains("2,0 % bis 9,0 %"), "{receipt}");
}

#[test]
fn the_square_reads_back_as_serial_and_digest() {
    // The path is drawn from the same modules; here only its frame and darkness are checked: the
    // three finder patterns begin with seven dark modules (ISO/IEC 18004, from memory).
    let html = print(Paper::Tag, &sample::released(), Names::Full, "en").html;
    let path = html.split("<path d=\"").nth(1).unwrap();
    for x in 4..11 {
        assert!(path.contains(&format!("M{x} 4h1v1h-1z")), "{x}");
    }
    assert!(!path.contains("M11 4h1v1h-1z"));
    assert!(html.contains("viewBox=\"0 0 4"));
}

#[test]
fn an_empty_account_still_makes_honest_papers() {
    let mut account = sample::on_hold();
    account.owner.clear();
    account.technician.clear();
    account.drives[0] = DriveLine {
        model: None,
        serial: None,
        firmware: None,
        bytes: None,
        is_volume: false,
        kind: "unknown".to_owned(),
        fingerprint: None,
        power_cycles: None,
        bytes_written: None,
        readings: Vec::new(),
        health_unread: Some("the dock refuses.".to_owned()),
        forecast: None,
        route: None,
    };
    account.others.clear();
    account.destinations.clear();
    account.people.clear();
    account.folders.clear();
    account.classes.clear();
    account.left_out.clear();
    account.not_saved = NotSaved::default();
    account.must_haves.clear();
    account.waivers.clear();
    account.verifications.clear();
    account.manifest_root = None;
    account.keep_until = None;
    for (paper, _, _, printed) in every_paper(&account) {
        fit_to_be_printed(paper, &printed);
    }
    let receipt = one_line(&print(Paper::Receipt, &account, Names::Full, "en").text);
    for fact in [
        "model not known, serial number not known, size not known",
        "could not be read: the dock refuses.",
        "No copy has been made",
        "No day has been agreed yet",
        "Of 0 items (0 bytes), copied, read back and equal to the original: 0 (0 bytes)",
    ] {
        assert!(receipt.contains(fact), "'{fact}' is missing in\n{receipt}");
    }
}

/// A locked volume, a gap, a torn record: the owner signs for them, so they stand there in plain words and in the sum.
#[test]
fn parts_of_the_drive_are_named_and_counted_and_what_is_not_known_is_at_least() {
    let place = |says: &str, bytes, at_least| LostPlace {
        place: "drive1-volume1".into(),
        what: "volume-locked".into(),
        says: says.into(),
        bytes,
        at_least,
        given_up: None,
    };
    let mut account = sample::released();
    account.not_saved = NotSaved {
        items: 3,
        missing_bytes: 25_200_000,
        at_least: true,
        places: vec![
            place("volume 1:1 (LUKS, 25.2 MB) is encrypted", 25_200_000, false),
            place("volume 1:2 could be surveyed in part only", 0, true),
        ],
        first: vec![LostItem {
            path: "a.bin".into(),
            what: Lost::Unreadable,
            bytes: 0,
            missing_bytes: 0,
        }],
        by_folder: Vec::new(),
    };
    let text = one_line(&print(Paper::Receipt, &account, Names::Full, "en").text);
    for part in [
        "In all 3 items are not saved, or not whole; at least 25.2 MB are missing.",
        "olume 1:1 (LUKS, 25.2 MB) is encrypted; not saved: 25.2 MB",
        "olume 1:2 could be surveyed in part only; how much is missing is not known",
        "a.bin: nothing of it could be read (size not known)",
    ] {
        assert!(text.contains(part), "{part}: {text}");
    }
    let german = one_line(&print(Paper::Receipt, &account, Names::Folders, "de").text);
    assert!(german.contains("es fehlen mindestens 25,2 MB"), "{german}");
}

#[test]
fn long_lists_are_counted_not_poured_out() {
    let mut account = sample::released();
    let item = account.not_saved.first[0].clone();
    account.not_saved.first = (0..5000)
        .map(|n| LostItem {
            path: format!("Users/mira/f{n}"),
            ..item.clone()
        })
        .collect();
    account.not_saved.items = 9000;
    let text = one_line(&print(Paper::Receipt, &account, Names::Full, "en").text);
    assert!(text.contains("In all 9,000 items"));
    assert!(text.contains("The first 60 by name:"));
    assert!(text.contains("f59:") && !text.contains("f60:"));
    assert!(text.contains("All of them, counted by folder:"));
}

/// The samples in `examples/` are what the program writes today. After a wanted change:
/// `HOLDPOINT_WRITE_EXAMPLES=1 cargo test --lib paper::tests::the_examples`.
#[test]
fn the_examples_are_not_stale() {
    let folder = std::path::Path::new(env!("CARGO_MANIFEST_DIR")).join("examples");
    let write = std::env::var_os("HOLDPOINT_WRITE_EXAMPLES").is_some();
    for paper in Paper::ALL {
        let printed = print(paper, &sample::released(), Names::Full, "en");
        let word = paper.word();
        for (name, content) in [
            (format!("{word}.html"), printed.html),
            (format!("{word}.txt"), printed.text),
        ] {
            let path = folder.join(&name);
            if write {
                std::fs::create_dir_all(&folder).unwrap();
                std::fs::write(&path, &content).unwrap();
            }
            let stored = std::fs::read_to_string(&path).unwrap_or_default();
            assert!(
                stored == content,
                "examples/{name} is not what is written today"
            );
        }
    }
}

proptest! {
    #![proptest_config(ProptestConfig { failure_persistence: None, cases: 24, ..ProptestConfig::default() })]

    #[test]
    fn any_name_and_any_number_can_be_printed(
        name in any::<String>(), items in any::<u64>(), bytes in any::<u64>(),
        offset in any::<i16>(), nanos in any::<i128>(),
    ) {
        let mut account = filled_with(&sample::on_hold(), &name);
        account.offset_minutes = offset;
        account.at = Moment(nanos);
        for class in &mut account.classes {
            class.counts.all = Amount::new(items, bytes);
            class.counts.waived = Amount::new(bytes, items);
        }
        account.not_saved.items = items;
        account.drives[0].bytes = Some(bytes);
        for paper in Paper::ALL {
            fit_to_be_printed(paper, &print(paper, &account, Names::Full, "de"));
        }
    }
}
