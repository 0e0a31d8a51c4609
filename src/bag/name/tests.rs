//! Bag names against the strictest file systems, and back to the originals.

use super::super::renamed::{Renamed, original};
use super::*;
use proptest::prelude::*;
use std::collections::HashSet;

fn one(text: &str) -> String {
    Taken::new().give(&Name::of(text)).text
}

#[test]
fn ordinary_names_stay_as_they_are() {
    for text in [
        "IMG_0001.JPG",
        "Lebenslauf (2).docx",
        "täst & co.txt",
        ".gitignore",
        "a~b.txt",
        "~$Brief.docx",
        " leading blank",
        "日本語.txt",
        "cafe\u{301}.txt",
        "-rf",
        "COM10.txt",
        "CONTRACT.pdf",
        "nul-series.txt",
        "Console",
        "LPT",
        "a..b",
        "holdpoint-part-1",
    ] {
        let given = Taken::new().give(&Name::of(text));
        assert_eq!((given.text.as_str(), given.same), (text, true));
        let wide = Taken::new().give(&Name::Units(text.encode_utf16().collect()));
        assert_eq!((wide.text.as_str(), wide.same), (text, true));
    }
}

#[test]
fn no_original_has_the_name_of_a_folder_that_the_program_makes() {
    assert_eq!(one("~lost"), "^7Elost");
    assert_eq!(one("~LOST"), "^7ELOST");
    assert_eq!(one("~\u{200b}lost"), "^7E\u{200b}lost");
    assert_eq!(one("~deep-17"), "^7Edeep-17");
    for text in ["~lost.txt", "lost", "~deep", "x~lost"] {
        assert_eq!(one(text), text);
    }
}

/// RFC 8493, 2.1.3: CR, LF and `%` are what a manifest would have to encode.
#[test]
fn nothing_is_left_that_a_manifest_would_have_to_encode() {
    assert_eq!(one("100%.txt"), "100^25.txt");
    assert_eq!(one("a\nb"), "a^0Ab");
    assert_eq!(one("a\rb"), "a^0Db");
    assert_eq!(one("a\u{2028}b\u{85}"), "a^u2028b^u0085");
    for c in ('\u{80}'..='\u{9f}').chain(['\u{2028}', '\u{2029}']) {
        assert_eq!(one(&format!("a{c}b")), format!("a^u{:04X}b", c as u32));
    }
}

/// Unicode 17, PropList.txt, White_Space, and U+001C to U+001F, which readers in use count among them: at an end of a
/// name they would be taken for the end of a manifest's line; within it they are part of the name.
#[test]
fn blanks_of_any_kind_at_the_ends_are_spelled_out() {
    let wide = ['\u{a0}', '\u{1680}', '\u{202f}', '\u{205f}', '\u{3000}'];
    for c in wide.into_iter().chain('\u{2000}'..='\u{200a}') {
        let hex = c as u32;
        assert_eq!(one(&format!("end{c}")), format!("end^u{hex:04X}"));
        assert_eq!(
            one(&format!("{c}start.txt")),
            format!("^u{hex:04X}start.txt")
        );
        assert_eq!(one(&format!("a{c}b")), format!("a{c}b"));
        assert!(!is_valid(&format!("end{c}")) && !is_valid(&format!("{c}start")));
    }
    for c in '\u{1c}'..='\u{1f}' {
        assert_eq!(one(&format!("end{c}")), format!("end^{:02X}", c as u32));
    }
    let stream = Taken::new().give_stream(&Name::of("a"), &Name::of("notes\u{a0}"));
    assert_eq!(stream.text, "a^snotes^u00A0");
}

/// Microsoft, "Naming Files, Paths, and Namespaces": reserved characters, reserved names, trailing dot and blank.
#[test]
fn what_windows_reserves_gets_a_stand_in() {
    for (c, hex) in [
        ('<', "3C"),
        ('>', "3E"),
        (':', "3A"),
        ('"', "22"),
        ('/', "2F"),
        ('\\', "5C"),
        ('|', "7C"),
        ('?', "3F"),
        ('*', "2A"),
        ('\u{1}', "01"),
        ('\u{1f}', "1F"),
        ('\0', "00"),
    ] {
        assert_eq!(one(&format!("a{c}b")), format!("a^{hex}b"));
    }
    for device in [
        "CON",
        "PRN",
        "AUX",
        "NUL",
        "COM1",
        "COM9",
        "COM\u{b9}",
        "COM\u{b2}",
        "COM\u{b3}",
        "LPT1",
        "LPT9",
        "LPT\u{b9}",
    ] {
        let first = device.as_bytes()[0];
        let rest = &device[1..];
        assert_eq!(one(device), format!("^{first:02X}{rest}"));
        let lower = device.to_lowercase();
        assert_eq!(
            one(&format!("{lower}.txt")),
            format!("^{:02X}{}.txt", lower.as_bytes()[0], &lower[1..])
        );
        assert!(!one(&format!("{device}.tar.gz")).starts_with(device));
        assert!(!one(&format!("{device} .txt")).starts_with(device));
    }
    assert_eq!(one("trail. "), "trail.^20");
    assert_eq!(one("dots.."), "dots.^2E");
    assert_eq!(one("."), "^2E");
    assert_eq!(one(".."), ".^2E");
    assert_eq!(one(""), "^empty");
    assert_eq!(one("DOCUME~1.DOC"), "DOCUME^7E1.DOC");
}

#[test]
fn undecodable_units_and_our_own_escape_are_spelled_out() {
    let mut taken = Taken::new();
    assert_eq!(
        taken.give(&Name::Bytes(b"caf\xe9.txt".to_vec())).text,
        "caf^E9.txt"
    );
    assert_eq!(taken.give(&Name::of("caf^E9.txt")).text, "caf^5EE9.txt");
    assert_eq!(
        taken.give(&Name::Units(vec![0x61, 0xd800, 0x62])).text,
        "a^uD800b"
    );
}

#[test]
fn twins_are_numbered_in_their_order() {
    let mut taken = Taken::new();
    let given: Vec<String> = [
        "Photo.jpg",
        "photo.jpg",
        "PHOTO.JPG",
        "caf\u{e9}",
        "cafe\u{301}",
        "Stra\u{df}e",
        "STRASSE",
        "photo^n2.jpg",
    ]
    .iter()
    .map(|text| taken.give(&Name::of(text)).text)
    .collect();
    assert_eq!(
        given,
        [
            "Photo.jpg",
            "photo^n2.jpg",
            "PHOTO^n3.JPG",
            "caf\u{e9}",
            "cafe\u{301}^n2",
            "Stra\u{df}e",
            "STRASSE^n2",
            "photo^5En2.jpg"
        ]
    );
    // Names that differ in what nobody sees only (a joiner, a mark of direction, a soft hyphen).
    for unseen in ['\u{200d}', '\u{202e}', '\u{ad}'] {
        let mut taken = Taken::new();
        taken.give(&Name::of("Bild.png"));
        let twin = taken.give(&Name::of(&format!("Bi{unseen}ld.png")));
        assert_eq!(twin.text, format!("Bi{unseen}ld^n2.png"));
    }
    // A later run that notes what was given goes on with the same numbers.
    let mut later = Taken::new();
    given.iter().take(2).for_each(|name| later.note(name));
    assert_eq!(later.give(&Name::of("PHOTO.JPG")).text, "PHOTO^n3.JPG");
}

#[test]
fn an_over_long_name_keeps_its_extension_and_stays_one_of_a_kind() {
    let long = "字".repeat(250) + ".docx"; // 255 UTF-16 units, legal on NTFS; 755 bytes
    let other = "字".repeat(249) + "b.docx";
    let mut taken = Taken::new();
    let a = taken.give(&Name::Units(long.encode_utf16().collect()));
    let b = taken.give(&Name::Units(other.encode_utf16().collect()));
    assert!(!a.same && a.text.ends_with(".docx") && a.text.len() <= LONGEST_BYTES);
    assert!(a.text.contains("^h") && a.text.starts_with("字字"));
    assert_ne!(a.text, b.text);
    // Nothing torn: 100 escapes of 3 characters do not fit, and the cut falls between them.
    let torn = Taken::new().give(&Name::of(&"%".repeat(100))).text;
    assert_eq!(torn, "^25".repeat(80) + &torn[240..]);
}

/// FAT's short aliases (Microsoft FAT specification): it is the `~` before the number that makes one, not a later one.
#[test]
fn a_tilde_in_the_ending_is_not_the_one_of_a_short_alias() {
    let given = Taken::new().give(&Name::of("~1.~"));
    assert_eq!(given.text, "^7E1.~");
    assert!(is_valid(&given.text));
}

#[test]
fn many_twins_cost_no_more_than_as_many_strangers() {
    let mut taken = Taken::new();
    for number in 0..20_000u32 {
        let text: String = (0..15)
            .map(|bit| if number >> bit & 1 == 1 { 'A' } else { 'a' })
            .collect();
        taken.give(&Name::of(&text));
    }
    assert_eq!(taken.seen.len(), 20_000);
}

#[test]
fn a_stream_is_named_after_its_file() {
    let mut taken = Taken::new();
    taken.give(&Name::of("invoice.pdf"));
    let given = taken.give_stream(&Name::of("invoice.pdf"), &Name::of("Zone.Identifier"));
    assert_eq!(
        (given.text.as_str(), given.same),
        ("invoice.pdf^sZone.Identifier", false)
    );
    let odd = taken.give_stream(&Name::of("a"), &Name::of("\u{5}SummaryInformation"));
    assert_eq!(odd.text, "a^s^05SummaryInformation");
}

/// Reads the escapes back: shows that spelling out loses nothing.
fn unescaped(text: &str) -> Option<Name> {
    let mut units = Vec::new();
    let mut rest = text.chars();
    while let Some(c) = rest.next() {
        if c != '^' {
            units.extend(c.encode_utf16(&mut [0; 2]).iter().copied());
            continue;
        }
        let digits: String = rest.by_ref().take(1).collect();
        let more = if digits == "u" { 4 } else { 1 };
        let tail: String = rest.by_ref().take(more).collect();
        let hex = if digits == "u" { tail } else { digits + &tail };
        units.push(u16::from_str_radix(&hex, 16).ok()?);
    }
    Some(Name::Units(units))
}

fn hostile() -> impl Strategy<Value = Name> {
    let piece = prop_oneof![
        4 => "[a-cA-C.~ ^%1]{1,6}".prop_map(|s| s.encode_utf16().collect::<Vec<u16>>()),
        2 => proptest::collection::vec(any::<u16>(), 1..4),
        1 => Just("CON".encode_utf16().collect()),
        1 => Just("com¹.".encode_utf16().collect()),
        1 => Just("é".encode_utf16().collect()),
        1 => Just("e\u{301}".encode_utf16().collect()),
        1 => Just("ß\u{200d}".encode_utf16().collect()),
        1 => Just("字".repeat(90).encode_utf16().collect()),
        1 => Just("\u{a0}".encode_utf16().collect()),
        1 => Just("\u{3000}".encode_utf16().collect()),
    ];
    let wide = proptest::collection::vec(piece, 0..6).prop_map(|p| Name::Units(p.concat()));
    let bytes = proptest::collection::vec(any::<u8>(), 0..300).prop_map(Name::Bytes);
    prop_oneof![3 => wide, 1 => bytes]
}

proptest! {
    #![proptest_config(ProptestConfig { failure_persistence: None, ..ProptestConfig::with_cases(400) })]

    #[test]
    fn every_folder_of_hostile_names_comes_out_valid_distinct_and_reversible(
        names in proptest::collection::vec(hostile(), 1..40)
    ) {
        let (mut taken, mut again) = (Taken::new(), Taken::new());
        let mut seen = HashSet::new();
        for name in &names {
            let given = taken.give(name);
            prop_assert!(is_valid(&given.text), "{:?}", given);
            prop_assert!(!given.text.contains(['%', '\n', '\r', '/', '\\', '\0']));
            prop_assert!(seen.insert(folded(&given.text)), "{:?}", given);
            prop_assert_eq!(&again.give(name), &given);
            let entry = (!given.same).then(|| Renamed::of("data/folder/x", name));
            let back = original(&given.text, entry.as_ref());
            prop_assert_eq!(back.as_ref().map(Name::text), Some(name.text()));
            if !given.same {
                prop_assert_eq!(back.as_ref(), Some(name));
            }
        }
    }

    #[test]
    fn spelling_out_loses_nothing(units in proptest::collection::vec(any::<u16>(), 1..30)) {
        let name = Name::Units(units);
        let given = Taken::new().give(&name);
        if given.text.contains("^h") { return Ok(()); }
        prop_assert_eq!(unescaped(&given.text), Some(name));
    }

    #[test]
    fn an_entry_survives_json(name in hostile()) {
        let entry = Renamed::of("data/folder/x", &name);
        let json = serde_json::to_string(&entry).unwrap();
        let read: Renamed = serde_json::from_str(&json).unwrap();
        prop_assert_eq!(read.original(), Some(name));
    }
}
