//! Copies that somebody changed: seen when they are read back, and no release stands on them.

use crate::hostile::noise;
use crate::shop::Shop;
use std::os::unix::fs::FileExt;
use std::path::Path;

/// A saved job, ready for release but for what the test does to it.
fn saved() -> Shop {
    let shop = Shop::new();
    for number in 0..12u64 {
        let bytes = noise(number, 3000 + number as usize * 9973);
        shop.put(&format!("laptop/Pictures/{number}.jpg"), bytes);
    }
    shop.saved();
    shop.waive_health();
    shop
}

/// A counterfeit stick: what is written after the reading back may fall on copies, so `copy` with nothing to do writes
/// nothing there and leaves the room that was laid for the release.
#[test]
fn copying_again_leaves_the_room_that_was_laid_before_the_reading_back() {
    let shop = saved();
    shop.step(&["verify"]).ends(0);
    let spares = || {
        let all = std::fs::read_dir(shop.path("copies/job/in-work")).unwrap();
        let mut all: Vec<_> = all
            .map(|entry| {
                let entry = entry.unwrap();
                (entry.file_name(), entry.metadata().unwrap().len())
            })
            .collect();
        all.sort();
        all
    };
    let laid = spares();
    assert!(
        laid.iter()
            .any(|(name, _)| name == "file-release-certificate.json"),
        "{laid:?}"
    );
    shop.step(&["copy"]).ends(0);
    assert_eq!(spares(), laid);
    shop.step(&["release"]).ends(0);
    assert!(spares().len() < laid.len());
}

fn flip(path: &Path, at: u64) {
    use std::os::unix::fs::PermissionsExt;
    std::fs::set_permissions(path, PermissionsExt::from_mode(0o600)).unwrap();
    let file = std::fs::OpenOptions::new()
        .read(true)
        .write(true)
        .open(path)
        .unwrap();
    let mut byte = [0];
    file.read_exact_at(&mut byte, at).unwrap();
    file.write_all_at(&[byte[0] ^ 1], at).unwrap();
    file.sync_all().unwrap();
}

/// What must follow: `verify` fails and names it, the bag alone too, and the gate holds.
#[track_caller]
fn is_seen(shop: &Shop, key: &str, point: &str) {
    let verified = shop.step(&["verify"]).ends(1).json();
    assert_eq!(
        verified["result"][key].as_array().unwrap().len(),
        1,
        "{verified}"
    );
    let alone = shop.run(&["verify", "copies/job/bag", "--json"]).ends(1);
    let alone = alone.json();
    assert_eq!(alone["result"][key].as_array().unwrap().len(), 1, "{alone}");
    let points = shop.step(&["release"]).ends(3).points();
    assert!(points.iter().any(|id| id == point), "{points:?}");
    assert!(!shop.path("copies/job/release/certificate.json").exists());
}

#[test]
fn one_flipped_bit() {
    let shop = saved();
    let payload = shop.payload();
    flip(&payload[5], 1234);
    is_seen(&shop, "mismatched", "copy-differs");
    // Flipped back it is the same again.
    flip(&payload[5], 1234);
    shop.step(&["verify"]).ends(0);
    shop.step(&["release"]).ends(0);
}

#[test]
fn one_copy_gone() {
    let shop = saved();
    std::fs::remove_file(&shop.payload()[3]).unwrap();
    is_seen(&shop, "missing", "copy-differs");
    // Another copy run brings it back; that one copy is not read back yet, and not told with those that are.
    let copied = shop.step(&["copy"]).ends(0).json();
    let items = |what: &str| copied["result"][what]["items"].as_u64().unwrap();
    assert_eq!(items("read_back") + 1, items("copied"), "{copied}");
    shop.step(&["verify"]).ends(0);
    shop.step(&["release"]).ends(0);
}

#[test]
fn one_file_too_many() {
    let shop = saved();
    shop.put("copies/job/bag/data/folder/Pictures/planted.jpg", "x");
    is_seen(&shop, "extra", "extra-in-bag");
}

#[test]
fn one_copy_cut() {
    let shop = saved();
    let path = &shop.payload()[7];
    use std::os::unix::fs::PermissionsExt;
    std::fs::set_permissions(path, PermissionsExt::from_mode(0o600)).unwrap();
    let file = std::fs::OpenOptions::new().write(true).open(path).unwrap();
    file.set_len(path.metadata().unwrap().len() - 1).unwrap();
    is_seen(&shop, "mismatched", "copy-differs");
}

#[test]
fn an_edited_manifest_is_no_proof() {
    let shop = saved();
    // A change to a copy, and a manifest made to fit it: the tag manifest tells.
    let copy = &shop.payload()[0];
    let relative = copy.strip_prefix(shop.path("copies/job/bag")).unwrap();
    flip(copy, 0);
    let digest = blake3::hash(&std::fs::read(copy).unwrap()).to_hex();
    let manifest = shop.path("copies/job/bag/manifest-blake3.txt");
    let text: String = std::fs::read_to_string(&manifest)
        .unwrap()
        .lines()
        .map(|line| match line.split_once("  ") {
            Some((_, path)) if Path::new(path) == relative => format!("{digest}  {path}\n"),
            _ => format!("{line}\n"),
        })
        .collect();
    use std::os::unix::fs::PermissionsExt;
    std::fs::set_permissions(&manifest, PermissionsExt::from_mode(0o600)).unwrap();
    std::fs::write(&manifest, text).unwrap();
    shop.run(&["verify", "copies/job/bag", "--json"]).ends(1);
    shop.step(&["verify"]).ends(1);
    shop.step(&["release"]).ends(3);
}

/// Of two lines about one tag file, the manifest with the one that does not fit is told of, not the file.
#[test]
fn a_changed_tag_manifest_is_named_itself() {
    let shop = saved();
    let manifest = shop.path("copies/job/bag/tagmanifest-sha256.txt");
    let mut bytes = std::fs::read(&manifest).unwrap();
    bytes[0] = if bytes[0] == b'0' { b'1' } else { b'0' };
    std::fs::write(&manifest, bytes).unwrap();
    let verified = shop.run(&["verify", "copies/job/bag", "--json"]).ends(1);
    let wrong = verified.json()["result"]["mismatched"].clone();
    let paths: Vec<_> = wrong
        .as_array()
        .unwrap()
        .iter()
        .map(|wrong| wrong["path"].as_str().unwrap())
        .collect();
    assert_eq!(paths, ["tagmanifest-sha256.txt"], "{wrong}");
    // A bag that lost what makes it one.
    std::fs::remove_file(shop.path("copies/job/bag/bagit.txt")).unwrap();
    let said = shop.run(&["verify", "copies/job/bag", "--json"]).ends(1);
    let what = said.json()["error"]["what"].clone();
    let what = what.as_str().unwrap();
    assert!(
        what.contains("ledger.db") && what.contains("bagit.txt"),
        "{what}"
    );
}

#[test]
fn a_release_does_not_outlive_its_copies() {
    let shop = saved();
    shop.step(&["release"]).ends(0);
    shop.step(&["recheck"]).ends(0);
    // A source that moved on is another source.
    shop.put("laptop/Pictures/new.jpg", noise(99, 999));
    let said = shop.step(&["recheck"]).ends(3).json();
    assert_eq!(said["result"]["holds"], false);
    assert!(!said["result"]["changed"].as_array().unwrap().is_empty());
}

/// As many files and bytes as before, or the same names and lengths: neither passes for the copies that were read back.
#[test]
fn a_swap_or_a_change_that_keeps_all_lengths_ends_the_release() {
    let shop = saved();
    shop.step(&["release"]).ends(0);
    shop.step(&["recheck"]).ends(0);
    let at = |number: u64| shop.path(&format!("copies/job/bag/data/folder/Pictures/{number}.jpg"));
    let back = |from: &str, to: &Path| std::fs::rename(shop.path(from), to).unwrap();
    let now = |says: &str| {
        let rechecked = shop.step(&["recheck"]).ends(3);
        assert!(rechecked.out.contains(says), "{}", rechecked.out);
    };
    // One gone, another of its length in its place.
    std::fs::rename(at(3), shop.path("away")).unwrap();
    let stranger = shop.path("copies/job/bag/data/folder/Pictures/Thumbs.db");
    std::fs::write(&stranger, vec![0; 3000 + 3 * 9973]).unwrap();
    now("under other names");
    std::fs::remove_file(&stranger).unwrap();
    back("away", &at(3));
    shop.step(&["recheck"]).ends(0);
    // Two that changed their names: each length is there as before.
    std::fs::rename(at(4), shop.path("away")).unwrap();
    std::fs::rename(at(5), at(4)).unwrap();
    back("away", &at(5));
    now("under other names");
    std::fs::rename(at(4), shop.path("away")).unwrap();
    std::fs::rename(at(5), at(4)).unwrap();
    back("away", &at(5));
    shop.step(&["recheck"]).ends(0);
    // Two of one length and time that changed their names.
    let times = std::fs::FileTimes::new().set_modified(std::time::SystemTime::UNIX_EPOCH);
    for number in [8, 9] {
        shop.put(
            &format!("laptop/Pictures/{number}.jpg"),
            noise(number, 5000),
        );
        let file = std::fs::File::options()
            .write(true)
            .open(shop.path(&format!("laptop/Pictures/{number}.jpg")));
        file.unwrap().set_times(times).unwrap();
    }
    for step in ["plan", "copy", "verify", "release"] {
        shop.step(&[step]).ends(0);
    }
    std::fs::rename(at(8), shop.path("away")).unwrap();
    std::fs::rename(at(9), at(8)).unwrap();
    back("away", &at(9));
    now("changed places");
    std::fs::rename(at(8), shop.path("away")).unwrap();
    std::fs::rename(at(9), at(8)).unwrap();
    back("away", &at(9));
    shop.step(&["recheck"]).ends(0);
    // A program that somebody looked with has written.
    flip(&at(7), 100);
    now("written to or changed places since");
    let held = shop.step(&["release"]).ends(3);
    assert_eq!(held.points(), ["verification-missing"]);
    shop.step(&["verify"]).ends(1);
    shop.step(&["copy"]).ends(0);
    shop.step(&["verify"]).ends(0);
    shop.step(&["release"]).ends(0);
    shop.step(&["recheck"]).ends(0);
}

#[test]
fn a_manifest_or_list_that_was_changed_is_written_anew_by_copy() {
    let shop = saved();
    // With every decision in the bag, so that nothing is written for another reason.
    shop.step(&["verify"]).ends(0);
    for file in [
        "bag-info.txt",
        "manifest-sha256.txt",
        "manifest-blake3.txt",
        "tagmanifest-sha256.txt",
        "holdpoint/names.json",
    ] {
        let path = shop.path("copies/job/bag").join(file);
        if file == "holdpoint/names.json" {
            std::fs::remove_file(&path).unwrap();
        } else {
            flip(&path, 1);
        }
        let held = shop.step(&["verify"]).ends(1).json();
        let point = &held["open_points"][0];
        assert_eq!(point["id"], "verification-missing", "{file}: {held}");
        let remedy = point["remedy"].as_str().unwrap();
        let commands: Vec<_> = remedy
            .lines()
            .filter_map(|line| line.strip_prefix("holdpoint "))
            .filter_map(|line| line.split(' ').next())
            .collect();
        assert_eq!(commands, ["copy", "verify"], "{file}");
        for step in ["copy", "verify", "release"] {
            shop.step(&[step]).ends(0);
        }
    }
}

#[test]
fn a_bag_without_its_data_names_what_is_missing() {
    let shop = saved();
    let all = shop.payload().len();
    let missing = |said: crate::shop::Said| {
        let document = said.ends(1).json();
        let missing = document["result"]["missing"].as_array();
        missing.unwrap_or_else(|| panic!("{document}")).len()
    };
    std::fs::rename(shop.path("copies/job/bag/data"), shop.path("data")).unwrap();
    assert_eq!(missing(shop.step(&["verify"])), all);
    let bare = shop.run(&["verify", "copies/job/bag", "--json"]);
    assert_eq!(missing(bare), all);
    std::fs::rename(shop.path("copies/job/bag"), shop.path("bag")).unwrap();
    assert_eq!(missing(shop.step(&["verify"])), all);
}

#[test]
fn a_changed_id_of_a_destination_is_told_with_what_to_do() {
    let shop = saved();
    let path = shop.path("copies/job/destination.json");
    let whole: serde_json::Value = serde_json::from_slice(&std::fs::read(&path).unwrap()).unwrap();
    std::fs::write(&path, "{}").unwrap();
    let said = shop.step(&["verify"]).ends(1).json();
    let what = said["error"]["what"].as_str().unwrap();
    // What it tells to write there is what mends it.
    let (_, should) = what.split_once("destination.json say ").unwrap();
    let should = &should[..=should.find('}').unwrap()];
    assert_eq!(
        serde_json::from_str::<serde_json::Value>(should).unwrap(),
        whole
    );
    std::fs::write(&path, should).unwrap();
    shop.step(&["verify"]).ends(0);
}
