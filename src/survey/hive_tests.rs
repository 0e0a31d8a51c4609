//! Hives made by the writing side of the crate `regf` (used nowhere else), changed, and given logs.
//! Formats of base block and log: the public descriptions of the registry file format.

use super::*;
use proptest::prelude::*;
use regf::DataType;
use regf::transaction_log::DirtyPageReference;
use regf::writer::HiveBuilder;

fn utf16(text: &str) -> Vec<u8> {
    text.encode_utf16()
        .chain([0])
        .flat_map(u16::to_le_bytes)
        .collect()
}

fn user(values: &[(&str, &str)]) -> Vec<u8> {
    let mut b = HiveBuilder::new().unwrap();
    let key = b
        .create_key("Software\\Microsoft\\Windows\\CurrentVersion\\Explorer\\User Shell Folders")
        .unwrap();
    for (name, value) in values {
        b.add_value(key, name, DataType::ExpandString, &utf16(value))
            .unwrap();
    }
    b.to_bytes().unwrap()
}

fn software(profiles: &[(&str, &str)]) -> Vec<u8> {
    let mut b = HiveBuilder::new().unwrap();
    let list = b
        .create_key("Microsoft\\Windows NT\\CurrentVersion\\ProfileList")
        .unwrap();
    for (sid, path) in profiles {
        let key = b.add_key(list, sid).unwrap();
        if !path.is_empty() {
            b.add_value(
                key,
                "ProfileImagePath",
                DataType::ExpandString,
                &utf16(path),
            )
            .unwrap();
        }
    }
    b.to_bytes().unwrap()
}

fn ada() -> Vec<String> {
    vec!["Users".to_owned(), "Ada".to_owned()]
}

fn list(parts: &[&str]) -> Vec<String> {
    parts.iter().map(|p| (*p).to_owned()).collect()
}

#[test]
fn profiles_wherever_they_lie() {
    let hive = software(&[
        ("S-1-5-18", "%systemroot%\\system32\\config\\systemprofile"),
        ("S-1-5-21-1-2-3-1001", "C:\\Users\\Ada"),
        ("S-1-5-21-1-2-3-1002", "D:\\People\\Ben"),
        ("S-1-5-21-1-2-3-1003.bak", ""),
    ]);
    let hive = Hive::open(&hive, &[]).unwrap();
    assert_eq!(hive.current(), &Current::Closed);
    let found: Vec<_> = hive.profiles().unwrap();
    let at = |sid: &str| found.iter().find(|p| p.sid == sid).unwrap().at.clone();
    assert_eq!(
        at("S-1-5-18"),
        Some(At::System(list(&[
            "Windows",
            "system32",
            "config",
            "systemprofile"
        ])))
    );
    assert_eq!(
        at("S-1-5-21-1-2-3-1001"),
        Some(At::Letter('C', list(&["Users", "Ada"])))
    );
    assert_eq!(
        at("S-1-5-21-1-2-3-1002"),
        Some(At::Letter('D', list(&["People", "Ben"])))
    );
    assert_eq!(at("S-1-5-21-1-2-3-1003.bak"), None);
    assert_eq!(found.len(), 4);
}

#[test]
fn redirected_folders() {
    let hive = user(&[
        ("Desktop", "%USERPROFILE%\\Desktop"),
        ("Personal", "D:\\Ada\\Documents"),
        ("My Pictures", "%USERPROFILE%\\OneDrive\\Pictures"),
        ("My Music", "\\\\server\\home\\ada\\music"),
        ("My Video", "C:\\users\\ADA\\Videos"),
        ("Favorites", "%HOMESHARE%\\fav"),
        (
            "{374DE290-123F-4565-9164-39C4925E467B}",
            "%USERPROFILE%\\..\\Ben",
        ),
    ]);
    let hive = Hive::open(&hive, &[]).unwrap();
    let found = hive.folders(&ada(), CUSTOMARY).unwrap();
    let of = |name: &str| found.iter().find(|f| f.name == name).unwrap();
    assert_eq!(
        (&of("Desktop").at, of("Desktop").redirected),
        (&At::Profile(list(&["Desktop"])), false)
    );
    assert_eq!(
        of("Personal").at,
        At::Letter('D', list(&["Ada", "Documents"]))
    );
    assert!(of("Personal").redirected);
    assert_eq!(
        of("My Pictures").at,
        At::Profile(list(&["OneDrive", "Pictures"]))
    );
    assert!(of("My Pictures").redirected);
    assert_eq!(
        of("My Music").at,
        At::Network(list(&["server", "home", "ada", "music"]))
    );
    assert!(of("My Music").redirected);
    assert_eq!(of("My Video").at, At::Profile(list(&["Videos"])));
    assert!(!of("My Video").redirected);
    assert!(matches!(of("Favorites").at, At::Unknown(_)) && of("Favorites").redirected);
    assert!(matches!(
        of("{374DE290-123F-4565-9164-39C4925E467B}").at,
        At::Unknown(_)
    ));
}

#[test]
fn the_letter_of_the_drive_that_windows_lies_on() {
    let mut b = HiveBuilder::new().unwrap();
    let key = b
        .create_key("Microsoft\\Windows NT\\CurrentVersion")
        .unwrap();
    b.add_value(key, "SystemRoot", DataType::String, &utf16("D:\\Windows"))
        .unwrap();
    let hive = Hive::open(&b.to_bytes().unwrap(), &[]).unwrap();
    assert_eq!(hive.own_letter(), Some('D'));
    let silent = Hive::open(&software(&[]), &[]).unwrap();
    assert_eq!(silent.own_letter(), None);
    // Only what lies on the profile's own drive can lie in the profile.
    let hive = user(&[
        ("Personal", "D:\\Users\\Ada\\Documents"),
        ("My Music", "C:\\Users\\Ada\\Music"),
    ]);
    let hive = Hive::open(&hive, &[]).unwrap();
    let found = hive.folders(&ada(), 'D').unwrap();
    let of = |name: &str| found.iter().find(|f| f.name == name).unwrap();
    assert_eq!(of("Personal").at, At::Profile(list(&["Documents"])));
    assert_eq!(
        of("My Music").at,
        At::Letter('C', list(&["Users", "Ada", "Music"]))
    );
}

#[test]
fn letters_stand_for_partitions() {
    let mut b = HiveBuilder::new().unwrap();
    let key = b.create_key("MountedDevices").unwrap();
    let mut place = 0xdead_beefu32.to_le_bytes().to_vec();
    place.extend((1u64 << 20).to_le_bytes());
    for (name, data) in [
        ("\\DosDevices\\D:", place.as_slice()),
        ("\\DosDevices\\E:", b"_??_USBSTOR"),
        ("\\??\\Volume{0b1c}", place.as_slice()),
    ] {
        b.add_value(key, name, DataType::Binary, data).unwrap();
    }
    let hive = Hive::open(&b.to_bytes().unwrap(), &[]).unwrap();
    let mut found = hive.mounted().unwrap();
    found.sort_by_key(|(letter, _)| *letter);
    let disk = Mounted::Mbr {
        disk: 0xdead_beef,
        first_byte: 1 << 20,
    };
    assert_eq!(found, [('D', disk), ('E', Mounted::Other)]);
    assert!(Hive::open(&software(&[]), &[]).unwrap().mounted().is_err());
}

/// Log entries that turn `old` into `new`, one for each page that differs.
fn log(old: &[u8], new: &[u8], first: u32) -> (Vec<u8>, u32) {
    let bytes = (new.len() - BASE) as u32;
    let mut out = new[..512].to_vec();
    put_u32(&mut out, 4, first);
    put_u32(&mut out, 8, first);
    put_u32(&mut out, 28, 6);
    let sum = checksum(&out);
    put_u32(&mut out, 508, sum);
    let mut sequence = first;
    for at in (BASE..new.len()).step_by(4096) {
        let page = &new[at..at + 4096];
        if old.get(at..at + 4096) == Some(page) {
            continue;
        }
        let entry = LogEntry {
            signature: *b"HvLE",
            size: 4096 + 512,
            flags: 0,
            sequence_number: sequence,
            hive_bins_data_size: bytes,
            dirty_pages_count: 1,
            hash1: 0,
            hash2: 0,
            page_references: vec![DirtyPageReference {
                offset: (at - BASE) as u32,
                size: 4096,
            }],
            dirty_pages: vec![page.to_vec()],
        };
        entry.write(&mut out).unwrap();
        sequence = sequence.wrapping_add(1);
    }
    (out, sequence.wrapping_sub(first))
}

fn unclosed(hive: &[u8], second: u32) -> Vec<u8> {
    let mut own = hive.to_vec();
    put_u32(&mut own, 4, second.wrapping_add(3));
    put_u32(&mut own, 8, second);
    let sum = checksum(&own);
    put_u32(&mut own, 508, sum);
    own
}

#[test]
fn an_unclosed_hive_is_brought_up_to_date() {
    let old = user(&[("Personal", "%USERPROFILE%\\Documents")]);
    // The new one is larger, so that the log extends the hive.
    let long = format!("E:\\{}", "x".repeat(6000));
    let new = user(&[("Personal", "E:\\Papers"), ("Desktop", &long)]);
    assert!(new.len() > old.len());
    for first in [7, u32::MAX] {
        let dirty = unclosed(&old, first);
        let (log, entries) = log(&old, &new, first);
        let hive = Hive::open(&dirty, &[&[], &log]).unwrap();
        assert_eq!(hive.current(), &Current::Recovered { entries });
        let found = hive.folders(&ada(), CUSTOMARY).unwrap();
        let personal = found.iter().find(|f| f.name == "Personal").unwrap();
        assert_eq!(personal.at, At::Letter('E', list(&["Papers"])));
        // Without the log, or with one that does not follow on: stale, and said so.
        for logs in [&[][..], &[&log[..512]]] {
            let hive = Hive::open(&dirty, logs).unwrap();
            assert!(matches!(hive.current(), Current::Stale { .. }));
            assert_eq!(
                hive.folders(&ada(), CUSTOMARY).unwrap()[0].at,
                At::Profile(list(&["Documents"]))
            );
        }
        let later = unclosed(&old, first.wrapping_add(50));
        let hive = Hive::open(&later, &[&log]).unwrap();
        assert!(matches!(hive.current(), Current::Stale { .. }));
    }
}

#[test]
fn a_damaged_base_block_is_taken_from_the_log() {
    let old = user(&[("Personal", "%USERPROFILE%\\Documents")]);
    let new = user(&[("Personal", "E:\\Papers")]);
    let (log, _) = log(&old, &new, 4);
    let mut dirty = unclosed(&old, 4);
    dirty[8] ^= 0x10;
    let hive = Hive::open(&dirty, &[&log]).unwrap();
    assert!(matches!(hive.current(), Current::Recovered { .. }));
    let found = hive.folders(&ada(), CUSTOMARY).unwrap();
    assert_eq!(found[0].at, At::Letter('E', list(&["Papers"])));
}

#[test]
fn a_wrong_entry_ends_the_log() {
    let old = user(&[("Personal", "%USERPROFILE%\\Documents")]);
    let new = user(&[("Personal", "E:\\Papers")]);
    let (mut log, _) = log(&old, &new, 4);
    // One bit of a page: its hash no longer agrees.
    let at = log.len() - 600;
    log[at] ^= 1;
    let hive = Hive::open(&unclosed(&old, 4), &[&log]).unwrap();
    assert!(matches!(hive.current(), Current::Stale { .. }));
}

proptest! {
    #![proptest_config(ProptestConfig { failure_persistence: None, ..ProptestConfig::default() })]
    #[test]
    fn damaged_hives(changes in proptest::collection::vec((any::<usize>(), any::<u8>()), 1..12), in_log in any::<bool>()) {
        let old = user(&[("Personal", "%USERPROFILE%\\Documents"), ("Desktop", "D:\\x")]);
        let new = software(&[("S-1-5-21-1", "C:\\Users\\Ada")]);
        let (mut log, _) = log(&old, &new, 4);
        let mut hive = unclosed(&old, 4);
        for (at, byte) in changes {
            let target = if in_log { &mut log } else { &mut hive };
            let at = at % target.len();
            target[at] = byte;
        }
        prop_assert!(examine(&hive, &log) < 100);
    }

    #[test]
    fn any_path(raw in "\\PC{0,40}") {
        let _ = resolve(&raw, Some(&ada()), CUSTOMARY);
    }
}
