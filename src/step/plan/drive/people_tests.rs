//! Invented registries on invented volumes. Which letter is which partition: the values of `MountedDevices` (see
//! `survey::mounted`).

use super::super::rows::tests::{ROOT, file, found, ledger, volume};
use super::*;
use crate::ledger::Ledger;
use crate::port::{Fault, Sectors};
use crate::step::plan::people::NOBODY;
use crate::survey::item::Kind;
use crate::volume::filesystem::Found;
use regf::DataType;
use regf::writer::HiveBuilder;
use std::sync::Arc;

struct NoBytes;

impl Sectors for NoBytes {
    fn sector_bytes(&self) -> u32 {
        512
    }
    fn bytes(&self) -> u64 {
        0
    }
    fn read_at(&self, _: u64, _: &mut [u8]) -> Result<(), Fault> {
        unreachable!("everything is inline")
    }
}

const FOLDERS: &str = "Software\\Microsoft\\Windows\\CurrentVersion\\Explorer\\User Shell Folders";
const DISK: u32 = 0x1234_abcd;
const PLACE: u64 = 50 << 20;

fn hive(keys: &[(&str, &[(&str, Vec<u8>)])]) -> Vec<u8> {
    let mut b = HiveBuilder::new().unwrap();
    for (key, values) in keys {
        let key = b.create_key(key).unwrap();
        for (name, data) in *values {
            b.add_value(key, name, DataType::Binary, data).unwrap();
        }
    }
    b.to_bytes().unwrap()
}

fn text(text: &str) -> Vec<u8> {
    text.encode_utf16()
        .chain([0])
        .flat_map(u16::to_le_bytes)
        .collect()
}

fn user(values: &[(&str, &str)]) -> Vec<u8> {
    let values: Vec<(&str, Vec<u8>)> = values.iter().map(|(n, v)| (*n, text(v))).collect();
    hive(&[(FOLDERS, &values)])
}

fn partition(disk: u32) -> Vec<u8> {
    [&disk.to_le_bytes()[..], &PLACE.to_le_bytes()].concat()
}

/// A tree of files: each folder on the way gets a record.
pub fn tree(files: &[(&str, Vec<u8>)]) -> Vec<Found> {
    let mut out: Vec<Found> = Vec::new();
    let mut folders = std::collections::BTreeMap::new();
    let mut next = 100;
    for (path, bytes) in files {
        let (mut at, mut parent) = (String::new(), ROOT);
        let parts: Vec<&str> = path.split('/').collect();
        let (name, above) = parts.split_last().unwrap();
        for part in above {
            at = format!("{at}/{part}");
            let up = parent;
            parent = *folders.entry(at.clone()).or_insert_with(|| {
                next += 1;
                out.push(found(next, up, part, Kind::Folder));
                next
            });
        }
        next += 1;
        out.push(file(next, parent, name, bytes));
    }
    out
}

/// An installation on volume 1 whose list gives D: to a partition of that disk; `None` = its list is gone.
fn system(
    d: Option<u32>,
    profiles: &[(&str, &str)],
    files: Vec<(&'static str, Vec<u8>)>,
) -> Vec<Found> {
    let list = "Microsoft\\Windows NT\\CurrentVersion\\ProfileList";
    let keys: Vec<(String, Vec<(&str, Vec<u8>)>)> = profiles
        .iter()
        .map(|(sid, path)| {
            (
                format!("{list}\\{sid}"),
                vec![("ProfileImagePath", text(path))],
            )
        })
        .collect();
    let mut all_keys: Vec<(&str, &[(&str, Vec<u8>)])> = vec![(list, &[])];
    all_keys.extend(
        keys.iter()
            .map(|(key, values)| (key.as_str(), values.as_slice())),
    );
    let mut all = vec![("Windows/System32/config/SOFTWARE", hive(&all_keys))];
    if let Some(disk) = d {
        let letters = [("\\DosDevices\\D:", partition(disk))];
        all.push((
            "Windows/System32/config/SYSTEM",
            hive(&[("MountedDevices", &letters)]),
        ));
    }
    all.extend(files);
    tree(&all)
}

struct Told {
    point: String,
    people: Vec<PersonSeen>,
    homes: Vec<Home>,
    rule: String,
    _ledger: (tempfile::TempDir, Ledger),
}

impl Told {
    /// Volume 2 is the partition of [`DISK`] at [`PLACE`].
    fn of(first: Vec<Found>, second: Vec<Found>) -> Self {
        let pair = [volume(1, Format::Ntfs), volume(2, Format::Ntfs)];
        let [one, two] = pair.clone();
        let (dir, ledger, _) = ledger(&[(one, first), (two, second)]);
        let drives: Vec<Arc<dyn Sectors>> = vec![Arc::new(NoBytes)];
        let sign = Mounted::Mbr {
            disk: DISK,
            first_byte: PLACE,
        };
        let nobody = |volume: &VolumeKept| PersonSeen {
            profile: NOBODY.into(),
            volume: volume.word(),
            last_used: None,
            bytes: 1000,
            photos: 10,
            documents: 10,
            mail: 0,
            newest: None,
            placeholders: 0,
            efs: 0,
            redirected: Vec::new(),
        };
        let mut people: Vec<PersonSeen> = pair.iter().map(nobody).collect();
        people.push(PersonSeen {
            profile: "Users/Ann".into(),
            bytes: 0,
            photos: 0,
            ..nobody(&pair[0])
        });
        let (mut volumes, mut points) = (pair.to_vec(), Vec::new());
        let shelf = Shelf::new(&ledger, &drives, &volumes.clone());
        let homes = settle(&shelf, &[(2, sign)], &mut volumes, &mut people, &mut points).unwrap();
        Self {
            point: points
                .first()
                .map(|point| point.evidence.clone())
                .unwrap_or_default(),
            people,
            homes,
            rule: volumes[0].rule.clone(),
            _ledger: (dir, ledger),
        }
    }

    fn line(&self, profile: &str) -> &PersonSeen {
        self.people
            .iter()
            .find(|line| line.profile == profile)
            .unwrap()
    }
}

fn ann() -> (&'static str, Vec<u8>) {
    (
        "Users/Ann/NTUSER.DAT",
        user(&[("My Pictures", "D:\\Fotos")]),
    )
}

fn fotos() -> Vec<Found> {
    tree(&[("Fotos/some.jpg", vec![7; 99])])
}

#[test]
fn a_letter_of_another_disk_is_not_a_like_named_folder() {
    let told = Told::of(system(Some(0xdead_beef), &[], vec![ann()]), fotos());
    assert_eq!(
        told.point,
        "Pictures of Users/Ann lies at D:/Fotos, a partition that is on no drive of this job"
    );
    assert_eq!(told.line("Users/Ann").redirected, ["Pictures -> D:/Fotos"]);
    // Without the list it is not known, and the like-named folder is named as a guess.
    let told = Told::of(system(None, &[], vec![ann()]), fotos());
    assert!(
        told.point
            .contains("which drive that was is not known (drive1-volume2"),
        "{}",
        told.point
    );
    assert!(told.homes[0].also.is_empty());
}

#[test]
fn a_letter_of_this_disk_is_that_partition_and_no_other() {
    let told = Told::of(system(Some(DISK), &[], vec![ann()]), fotos());
    assert_eq!(told.point, "");
    let line = told.line("Users/Ann");
    assert_eq!(line.redirected, ["Pictures -> D:/Fotos (drive1-volume2)"]);
    // Counted as hers, and not twice.
    assert_eq!((line.bytes, line.photos), (99, 1));
    assert_eq!((told.people[1].bytes, told.people[1].photos), (901, 9));
    assert_eq!(told.homes[0].also.len(), 1);
    // What the system volume has at that path is something else.
    let own = vec![ann(), ("Fotos/x.jpg", vec![1])];
    let told = Told::of(system(Some(DISK), &[], own), Vec::new());
    assert_eq!(
        told.point,
        "Pictures of Users/Ann lies at D:/Fotos, and drive1-volume2 has no such folder"
    );
}

#[test]
fn a_registry_is_found_among_any_number_of_files() {
    let names: Vec<String> = (0..20_100).map(|n| format!("Users/Ann/f{n}")).collect();
    let mut files: Vec<(&str, Vec<u8>)> =
        names.iter().map(|name| (name.as_str(), vec![1])).collect();
    let q = user(&[("My Pictures", "Q:\\Fotos")]);
    files.push(("Users/Ann/NTUSER.DAT", q));
    let told = Told::of(tree(&files), Vec::new());
    assert_eq!(told.point, "Pictures of Users/Ann lies at Q:/Fotos");
}

#[test]
fn the_registry_of_every_profile_is_opened() {
    let profiles = [
        ("S-1-5-21-1-2-3-1002", "C:\\Profiles\\Carl"),
        ("S-1-5-21-1-2-3-1004", "D:\\Leute\\Emil"),
    ];
    let carl = user(&[("Personal", "H:\\Carl")]);
    let emil = user(&[
        ("Personal", "D:\\Leute\\Emil\\Documents"),
        ("My Music", "C:\\Musik"),
    ]);
    let first = system(
        Some(DISK),
        &profiles,
        vec![
            ("Profiles/Carl/NTUSER.DAT", carl),
            ("Musik/a.mp3", vec![1; 5]),
        ],
    );
    let told = Told::of(first, tree(&[("Leute/Emil/NTUSER.DAT", emil)]));
    assert_eq!(told.point, "Documents of Profiles/Carl lies at H:/Carl");
    assert_eq!(
        told.line("Leute/Emil").redirected,
        ["Music -> C:/Musik (drive1-volume1)"]
    );
    let places: Vec<String> = told.homes.iter().map(|home| home.place.join("/")).collect();
    assert_eq!(places, ["Profiles/Carl", "Leute/Emil"]);
    assert_eq!(told.rule, "");
}

#[test]
fn a_registry_that_may_be_old_is_as_open_as_one_that_is_unreadable() {
    let mut unclosed = user(&[]);
    // The first of the two sequence numbers (offset 4) runs ahead, and there is no log.
    unclosed[4] = unclosed[4].wrapping_add(1);
    let told = Told::of(tree(&[("Users/Ann/NTUSER.DAT", unclosed)]), Vec::new());
    assert!(
        told.point
            .contains("Users/Ann lies elsewhere is not certain"),
        "{}",
        told.point
    );
    let told = Told::of(tree(&[("Users/Ann/NTUSER.DAT", vec![0; 9000])]), Vec::new());
    assert!(
        told.point.contains("Users/Ann lies elsewhere is not known"),
        "{}",
        told.point
    );
}

/// Microsoft, "Mandatory user profiles": the registry of such a profile is NTUSER.MAN.
#[test]
fn a_prescribed_profile_has_its_registry_under_another_name() {
    let man = user(&[("Personal", "Q:\\Docs")]);
    let told = Told::of(
        tree(&[
            ("Users/Ann/NTUSER.MAN", man),
            ("Users/Ann/Documents/a.txt", vec![1]),
        ]),
        Vec::new(),
    );
    assert_eq!(told.point, "Documents of Users/Ann lies at Q:/Docs");
}

#[test]
fn a_profile_without_its_registry_is_not_known_to_lie_here_alone() {
    let says = "whether anything of Users/Ann lies elsewhere is not known, because its registry is not there";
    let listed = [("S-1-5-21-1-2-3-1001", "C:\\Users\\Ann")];
    let of = |profiles: &[(&str, &str)], files: &[&'static str]| {
        let files = files.iter().map(|path| (*path, vec![1; 9])).collect();
        Told::of(system(None, profiles, files), Vec::new()).point
    };
    // Listed: whatever is left in it counts. Not listed: it looks like a person's folder and holds something of theirs.
    assert_eq!(of(&listed, &["Users/Ann/AppData/Local/X/a.db"]), says);
    assert_eq!(
        of(
            &[],
            &["Users/Ann/Documents/a.txt", "Users/Ann/Desktop/b.txt"]
        ),
        says
    );
    for quiet in [
        &[
            "Users/Ann/Documents/desktop.ini",
            "Users/Ann/NTUSER.DAT.LOG1",
        ][..],
        &["Users/Ann/AppData/Local/Temp/a.tmp"],
    ] {
        assert_eq!(of(&listed, quiet), "", "{quiet:?}");
    }
    for quiet in [
        &[
            "Users/Public/Documents/a.txt",
            "Users/Public/Pictures/b.jpg",
        ][..],
        &[
            "Users/Default/AppData/Local/a.db",
            "Users/Default/Documents/b.txt",
        ],
        &[
            "Users/defaultuser0/AppData/a.db",
            "Users/defaultuser0/Desktop/b.txt",
        ],
        &["Users/Gone/AppData/Local/X/left.db"],
        &["Users/Scans/2019.pdf"],
    ] {
        assert_eq!(of(&[], quiet), "", "{quiet:?}");
    }
}
