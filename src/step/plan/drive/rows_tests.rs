//! Invented volumes, walked into a ledger: every item has a path of its own in the bag, and the path that it had.

use super::*;
use crate::bag::name::folded;
use crate::ledger::terms::FILE;
use crate::policy::Policy;
use crate::read::places::Places;
use crate::step::plan::drive::kept::Format;
use crate::volume::filesystem::{Accounts, Findings, Found};
use crate::volume::layout::{Layout, Piece};
use proptest::prelude::*;
use std::collections::BTreeMap;

/// Record of the root.
pub const ROOT: u64 = 5;

pub fn volume(number: i64, format: Format) -> VolumeKept {
    VolumeKept {
        number,
        drive: 0,
        index: number as u32,
        first_byte: 0,
        bytes: 1 << 20,
        reach: 0,
        boot_at: 0,
        format,
        kind: "NTFS".into(),
        label: None,
        state: crate::step::outcome::VolumeState::Surveyed,
        rule: String::new(),
        notes: Vec::new(),
    }
}

pub fn found(record: u64, parent: u64, name: &str, kind: Kind) -> Found {
    let name = Name::Units(name.encode_utf16().collect());
    let mut out = Found::new(record, parent, name, kind);
    out.names = 1;
    if kind == Kind::Link {
        out.link_target = Some(Name::of("\\??\\C:\\nowhere"));
    }
    out
}

/// A file with these bytes.
pub fn file(record: u64, parent: u64, name: &str, bytes: &[u8]) -> Found {
    let mut out = found(record, parent, name, Kind::File);
    let mut layout = Layout::empty();
    layout.pieces = vec![Piece::Inline(bytes.to_vec())];
    out.bytes = bytes.len() as u64;
    (layout.length, layout.valid) = (out.bytes, out.bytes);
    out.layout = Some(layout);
    out
}

/// A ledger with these volumes.
pub fn ledger(volumes: &[(VolumeKept, Vec<Found>)]) -> (tempfile::TempDir, Ledger, Walked) {
    let (dir, ledger, walked, _) = counted(volumes);
    (dir, ledger, walked)
}

/// The same, with what was counted on the way.
pub fn counted(volumes: &[(VolumeKept, Vec<Found>)]) -> (tempfile::TempDir, Ledger, Walked, Tally) {
    let dir = tempfile::tempdir().unwrap();
    let ledger = Ledger::create(&dir.path().join("ledger.db")).unwrap();
    let classer = Classer::new(&Policy::builtin("home").unwrap());
    let mut rows = Rows::begin(&ledger, &classer, 1, Moment(0), false).unwrap();
    let mut walked = Walked::default();
    for (volume, records) in volumes {
        rows.records().clear().unwrap();
        for record in records {
            rows.records().take(record).unwrap();
        }
        let survey = Survey {
            format: "NTFS",
            label: None,
            serial: None,
            dirty: None,
            root: ROOT,
            bytes: volume.bytes,
            whole: true,
            findings: Findings::default(),
            accounts: Accounts::default(),
        };
        walked = rows.walk(volume, &survey, &mut People::new(None)).unwrap();
    }
    let (_, _, tally) = rows.end(&[]).unwrap();
    (dir, ledger, walked, tally)
}

/// Paths in the bag with the paths that people see.
fn all(ledger: &Ledger) -> Vec<(String, String)> {
    let mut items = Vec::new();
    ledger
        .each_item::<LedgerError>("1", |item, _| {
            items.push(item);
            Ok(())
        })
        .unwrap();
    let mut places = Places::new(ledger);
    items
        .iter()
        .map(|item| {
            let place = places.of(item.parent).unwrap();
            let own = item.bag.clone().unwrap_or_else(|| item.name.text());
            (format!("{}/{own}", place.bag), place.path_of(item).text())
        })
        .collect()
}

#[test]
fn what_is_lost_takes_nobodys_place() {
    let records = vec![
        found(10, ROOT, "~lost", Kind::Folder),
        file(11, 10, "a.txt", b"own"),
        found(12, ROOT, "parent folder lost", Kind::Folder),
        file(13, 12, "a.txt", b"own too"),
        // Two of one name out of two folders that are gone.
        file(20, 98, "a.txt", b"lost"),
        file(21, 99, "A.TXT", b"lost too"),
        file(22, 99, "b.txt", b"lost too"),
    ];
    let (_dir, ledger, _) = ledger(&[(volume(1, Format::Ntfs), records)]);
    let mut bags: Vec<String> = all(&ledger).into_iter().map(|(bag, _)| bag).collect();
    bags.sort();
    let at = "data/drive1-volume1";
    let expected = [
        "parent folder lost",
        "parent folder lost/a.txt",
        "^7Elost",
        "^7Elost/a.txt",
        "~lost",
        "~lost/A^n2.TXT",
        "~lost/a.txt",
        "~lost/b.txt",
    ];
    let mut expected = expected.map(|path| format!("{at}/{path}"));
    expected.sort();
    assert_eq!(bags, expected);
    assert_eq!(ledger.shared_place().unwrap(), None);
}

/// MS-FSCC 2.1.2.5: a junction is a folder with a tag. Nothing should be in it, and what is has its path all the same.
#[test]
fn what_lies_beneath_a_link_keeps_its_path() {
    let records = vec![
        found(10, ROOT, "j", Kind::Link),
        file(11, 10, "child.txt", b"one"),
        found(12, 10, "sub", Kind::Folder),
        file(13, 12, "deep.txt", b"deep"),
        found(14, ROOT, "sd", Kind::Link),
        file(15, 14, "child.txt", b"two"),
        found(16, ROOT, "empty", Kind::Link),
    ];
    let (_dir, ledger, walked) = ledger(&[(volume(1, Format::Ntfs), records)]);
    let all = all(&ledger);
    for path in ["j/child.txt", "j/sub/deep.txt", "sd/child.txt"] {
        assert!(all.iter().any(|(_, it)| it == path), "{path}: {all:?}");
    }
    assert_eq!(walked.beneath_links, 3);
    assert_eq!(
        all.len(),
        9,
        "a folder for each link with something: {all:?}"
    );
}

/// A list as an earlier version made it.
#[test]
fn two_items_of_one_place_are_seen() {
    let lost = vec![
        file(20, 98, "a.txt", b"lost"),
        file(21, 99, "a.txt", b"too"),
    ];
    let (_dir, ledger, _) = ledger(&[(volume(1, Format::Ntfs), lost)]);
    assert_eq!(ledger.shared_place().unwrap(), None);
    ledger
        .db()
        .execute(&format!("UPDATE item SET bag = NULL WHERE {FILE}"), [])
        .unwrap();
    assert_eq!(
        ledger.shared_place().unwrap().as_deref(),
        Some("data/drive1-volume1/~lost")
    );
}

/// Records with names that collide on purpose, in folders, links, files and nowhere.
fn records() -> impl Strategy<Value = Vec<Found>> {
    let name = prop::sample::select(vec![
        "~lost",
        "~LOST",
        "~deep-3",
        "~deep-12",
        "parent folder lost",
        "a.txt",
        "A.txt",
        "a^n2.txt",
        "^7Elost",
        "j",
        "J",
        "j^n2",
        "drive1-volume1",
        "",
        ".",
        "..",
        "a/b",
        "x\u{200b}",
        "~\u{200b}lost",
    ]);
    let long = "d".repeat(240);
    let name = prop_oneof![9 => name.prop_map(str::to_owned), 1 => Just(long)];
    let kind = prop::sample::select(vec![Kind::File, Kind::Folder, Kind::Folder, Kind::Link]);
    prop::collection::vec((0u64..40, name, kind, prop::option::of("[ab]")), 1..60).prop_map(|all| {
        let numbered = (10u64..).zip(all);
        numbered
            .map(|(record, (parent, name, kind, stream))| {
                // Parents from 4 on: the root, any record, and some that are not there.
                let mut out = found(record, parent + 4, &name, kind);
                out.stream = stream.map(|name| Name::Units(name.encode_utf16().collect()));
                out
            })
            .collect()
    })
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(64))]
    #[test]
    fn no_two_items_have_one_path_in_the_bag(records in records()) {
        let count = records.len();
        let (_dir, ledger, walked) = ledger(&[(volume(1, Format::Ntfs), records)]);
        prop_assert_eq!(walked.items as usize, count);
        let mut seen = BTreeMap::new();
        for (bag, path) in all(&ledger) {
            if let Some(other) = seen.insert(folded(&bag), path.clone()) {
                prop_assert!(false, "{:?} and {:?} are both {:?}", other, path, bag);
            }
        }
        prop_assert_eq!(ledger.shared_place().unwrap(), None);
    }
}
