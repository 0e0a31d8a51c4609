//! Classes of the names that people and systems give their files.

use super::*;
use proptest::prelude::*;
use std::sync::LazyLock;

pub(super) fn classer() -> &'static Classer {
    static CLASSER: LazyLock<Classer> =
        LazyLock::new(|| Classer::new(&Policy::builtin("home").unwrap()));
    &CLASSER
}

pub(super) fn root(kind: RootKind) -> Root {
    Root {
        kind,
        profiles: Vec::new(),
    }
}

/// Walks to `path` below a root and judges its last part.
pub(super) fn judged(
    classer: &Classer,
    root: &Root,
    path: &str,
    kind: Kind,
) -> (String, Class, bool) {
    let (folders, name) = path.rsplit_once('/').unwrap_or(("", path));
    let mut state = classer.root_of(root);
    for folder in folders.split('/').filter(|part| !part.is_empty()) {
        state = classer.enter(&state, folder);
    }
    let verdict = classer.judge(&state, name, kind, 1000, None);
    (
        classer.rule_name(verdict.rule).to_owned(),
        verdict.class,
        verdict.leave_out,
    )
}

/// Rebuildable, and left out.
pub(super) const OUT: Class = Class::Rebuildable;

#[test]
fn links_that_windows_makes_are_named_and_others_stay() {
    let classer = classer();
    let windows = root(RootKind::Windows);
    for (path, rule) in [
        ("Users/A/Application Data", "compatibility-links"),
        ("Users/A/Documents/My Pictures", "compatibility-links"),
        (
            "Users/A/AppData/Local/Application Data",
            "compatibility-links",
        ),
        ("Documents and Settings", "compatibility-links-system"),
        ("ProgramData/Application Data", "compatibility-links-system"),
        ("Users/All Users", "compatibility-links-system"),
    ] {
        assert_eq!(
            judged(classer, &windows, path, Kind::Link),
            (rule.to_owned(), OUT, true),
            "{path}"
        );
    }
    // A folder or file of that name is the person's own.
    assert_eq!(
        judged(classer, &windows, "Users/A/My Documents", Kind::Folder).0,
        "profile-rest"
    );
    assert_eq!(
        judged(classer, &windows, "Users/A/Documents", Kind::Link).0,
        "profile-rest"
    );
}

#[test]
fn a_folder_falls_under_the_rule_of_its_content() {
    let classer = classer();
    let windows = root(RootKind::Windows);
    assert_eq!(
        judged(classer, &windows, "Windows", Kind::Folder).0,
        "windows-system"
    );
    assert_eq!(
        judged(
            classer,
            &windows,
            "Users/A/AppData/Local/Temp",
            Kind::Folder
        )
        .0,
        "temporary-files"
    );
    assert_eq!(
        judged(
            classer,
            &windows,
            "Users/A/AppData/Local/Temp/x.pdf",
            Kind::Folder
        )
        .0,
        "temporary-files"
    );
    assert_eq!(
        judged(classer, &windows, "Windows", Kind::File).0,
        "unknown"
    );
}

#[test]
fn streams_have_rules_of_their_own() {
    let classer = classer();
    let windows = classer.root_of(&root(RootKind::Windows));
    let walk = |path: &str| {
        path.split('/')
            .fold(windows.clone(), |state, part| classer.enter(&state, part))
    };
    let say = |state: &FolderState, name: &str, bytes, stream: &str| {
        let verdict = classer.judge(state, name, Kind::File, bytes, Some(stream));
        (
            classer.rule_name(verdict.rule).to_owned(),
            verdict.leave_out,
        )
    };
    let downloads = walk("Users/A/Downloads");
    assert_eq!(
        say(&downloads, "x.pdf", 90, "zone.identifier"),
        ("download-mark".to_owned(), true)
    );
    assert_eq!(
        say(&downloads, "x.pdf", 90, "com.apple.x"),
        ("downloads".to_owned(), false)
    );
    let system = walk("Windows/System32");
    assert_eq!(
        say(&system, "x.dll", 90, "note"),
        ("windows-system".to_owned(), true)
    );
    assert_eq!(
        say(&system, "x.dll", 4097, "hidden"),
        ("large-stream".to_owned(), false)
    );
    assert_eq!(
        say(&walk("Windows.old/Users/A"), "x.pdf", 90, "Zone.Identifier"),
        ("earlier-installation".to_owned(), false)
    );
    assert_eq!(
        say(&walk("Data"), "x.pdf", 90, "Zone.Identifier"),
        ("unknown".to_owned(), false)
    );
}

#[test]
fn every_verdict_has_a_name_and_a_reason() {
    let classer = classer();
    for number in 0..=u16::MAX {
        assert!(!classer.rule_name(RuleId(number)).is_empty());
        assert!(!classer.rule_why(RuleId(number)).is_empty());
    }
    let own: Vec<_> = (0..3)
        .map(|index| classer.rule_name(classer.own(index)))
        .collect();
    assert_eq!(own, RESERVED);
}

proptest! {
    #![proptest_config(ProptestConfig { failure_persistence: None, ..ProptestConfig::with_cases(64) })]

    /// Whatever the path: a file that is a document by its name is kept, and so is everything in an earlier installation's
    /// Users folder, in an unknown root folder, and below a folder that nothing is known of.
    #[test]
    fn no_exclusion_reaches_what_is_protected(
        parts in proptest::collection::vec(
            prop_oneof![
                Just("Windows".to_owned()), Just("AppData".to_owned()), Just("Local".to_owned()), Just("Temp".to_owned()),
                Just("Cache".to_owned()), Just("Users".to_owned()), Just("Library".to_owned()), Just("Caches".to_owned()),
                Just(".cache".to_owned()), Just("Program Files".to_owned()), Just("pagefile.sys".to_owned()), "\\PC{1,4}",
            ], 0..8),
        kind in prop_oneof![Just(RootKind::Windows), Just(RootKind::Linux), Just(RootKind::Mac), Just(RootKind::Profile), Just(RootKind::Holder)],
    ) {
        let classer = classer();
        let walk = |from: FolderState| parts.iter().fold(from, |state, part| classer.enter(&state, part));
        let state = walk(classer.root_of(&root(kind)));
        for name in ["a.docx", "b.JPG", "c.pst", "d.sqlite", "e.zip", "f.kdbx"] {
            prop_assert!(!classer.judge(&state, name, Kind::File, 1, None).leave_out, "{:?} {}", parts, name);
        }
        let windows = classer.root_of(&root(RootKind::Windows));
        let old = classer.enter(&classer.enter(&windows, "Windows.old"), "Users");
        let own = classer.enter(&windows, "Our things");
        for start in [old, own] {
            let state = walk(start);
            for stream in [None, Some("Zone.Identifier")] {
                let verdict = classer.judge(&state, "x.tmp", Kind::File, 1, stream);
                prop_assert!(!verdict.leave_out && verdict.class == Class::Irreplaceable || classer.rule_name(verdict.rule) != "unknown");
                prop_assert!(!verdict.leave_out, "{:?}", parts);
            }
        }
    }

    /// A walk costs the same however deep and repetitive it is.
    #[test]
    fn the_state_stays_small(parts in proptest::collection::vec("(AppData|Profiles|Roaming|Cache|keystore|\\.git|a)", 0..200)) {
        let classer = classer();
        let mut state = classer.root_of(&root(RootKind::Profile));
        let bound: usize = classer.patterns.iter().map(|pattern| pattern.parts.len()).sum();
        for part in &parts {
            state = classer.enter(&state, part);
            prop_assert!(state.live.len() <= bound);
        }
        prop_assert!(parts.len() < 20 || state.live.len() < 120, "{}", state.live.len());
    }
}

/// Not a test of truth but of cost: prints nanoseconds per file; run with `--ignored --nocapture` in release.
#[test]
#[ignore = "a measurement"]
#[allow(clippy::print_stderr)]
fn cost_per_file() {
    use super::super::item::Marks;
    use super::super::person::{People, Seen};
    let classer = classer();
    let start = classer.root_of(&root(RootKind::Windows));
    let mut people = People::new(None);
    for folder in [
        "Users/Anna/Pictures/2019",
        "Users/Anna",
        "Users/Anna/AppData/Local/M/B/User Data/Default/Cache",
        "Windows/WinSxS/x",
        "Data/x/y",
        "",
    ] {
        let (mut count, mut spent) = (0u32, std::time::Duration::ZERO);
        for number in 0..1000 {
            let mut at = start.clone();
            for part in folder.split('/').filter(|part| !part.is_empty()) {
                at = classer.enter(&at, part);
            }
            let names: Vec<String> = (0..100)
                .map(|file| format!("IMG_{number}_{file}.jpg"))
                .collect();
            let clock = std::time::Instant::now();
            for name in &names {
                let verdict = classer.judge(&at, name, Kind::File, 1, None);
                count += u32::from(verdict.leave_out);
                let seen = Seen {
                    name,
                    kind: Kind::File,
                    stream: false,
                    bytes: 1,
                    modified: Some(1),
                    marks: Marks::default(),
                };
                people.see(&at, &seen);
            }
            spent += clock.elapsed();
        }
        let nanoseconds = spent.as_nanos() / 100_000;
        assert!(nanoseconds < 200_000, "{folder}: {nanoseconds} ns");
        eprintln!("{folder}: {nanoseconds} ns per file ({count} left out)");
    }
}
