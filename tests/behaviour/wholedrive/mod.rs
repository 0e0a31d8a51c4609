//! Whole drives through the program: an invented laptop from `open` to the data put back, judged by what was truly
//! written to it. No rights are needed, only the tools that make the volumes.

mod hostile;
mod laptop;
mod overlap;
mod windows;

use crate::shop::{Said, Shop};
use holdpoint::volume::map::{self, AreaKind};
use laptop::{Key, Laptop, sha256};
use serde_json::Value;
use std::collections::{BTreeMap, BTreeSet};

fn open(shop: &Shop, laptop: &Laptop) -> Said {
    shop.open_drive(laptop.image.to_str().unwrap())
}

fn listing(shop: &Shop) -> Vec<Value> {
    let planned = shop.step(&["plan", "--list"]).ends(0).json();
    planned["result"]["listing"].as_array().unwrap().clone()
}

fn key(item: &Value) -> Key {
    let text = |field: &str| item[field].as_str().map(str::to_owned);
    (
        text("volume").unwrap(),
        text("path").unwrap(),
        text("stream"),
    )
}

/// Every file item that is no special case must be saved with the true digest, and every true file must be an item.
#[track_caller]
fn judged_by_the_truth(laptop: &Laptop, items: &[Value], left_out: &[&str], without: &[&str]) {
    let mut seen = BTreeMap::new();
    for item in items.iter().filter(|item| item["kind"] == "file") {
        let key = key(item);
        let state = item["state"].as_str().unwrap();
        let name = format!("{}/{}", key.1, key.2.as_deref().unwrap_or(""));
        match state {
            "verified" => assert_eq!(
                item["sha256"].as_str(),
                laptop.truth.get(&key).map(String::as_str),
                "{name}: {item}"
            ),
            "left-out" => assert!(left_out.iter().any(|part| name.contains(part)), "{item}"),
            _ => assert!(without.iter().any(|part| name.contains(part)), "{item}"),
        }
        assert_eq!(seen.insert(key, ()), None, "listed twice: {item}");
    }
    let missing: Vec<_> = laptop
        .truth
        .keys()
        .filter(|key| !seen.contains_key(*key))
        .collect();
    assert!(missing.is_empty(), "no items: {missing:?}");
}

/// Areas tile the drive; each partition is one volume of the plan, each gap one gap.
#[track_caller]
fn every_byte_is_accounted_for(laptop: &Laptop, result: &Value) {
    let sectors = crate::volume::tool::Drive::load(&laptop.image);
    let layout = map::read(&sectors);
    let mut at = 0;
    for area in &layout.areas {
        assert_eq!(
            area.place().first_byte,
            at,
            "areas overlap or leave a hole: {area:?}"
        );
        at += area.place().bytes;
    }
    assert_eq!(at, sectors.bytes.len() as u64);
    let list = |field: &str| -> BTreeSet<(u64, u64)> {
        let all = result[field].as_array().unwrap().iter();
        all.map(|one| {
            (
                one["start"].as_u64().unwrap(),
                one["bytes"].as_u64().unwrap(),
            )
        })
        .collect()
    };
    let volumes = list("volumes");
    let partitions: BTreeSet<_> = layout
        .partitions
        .iter()
        .map(|p| (p.place.first_byte, p.place.bytes))
        .collect();
    assert_eq!(volumes, partitions);
    let gaps = list("gaps");
    for area in layout
        .areas
        .iter()
        .filter(|area| area.kind == AreaKind::Gap)
    {
        let place = area.place();
        assert!(gaps.contains(&(place.first_byte, place.bytes)), "{area:?}");
    }
    // What lies behind a file system belongs to its partition: no byte stands in two lists.
    for (from, bytes) in &gaps {
        let shared = volumes
            .iter()
            .find(|(start, length)| from < &(start + length) && start < &(from + bytes));
        assert_eq!(shared, None, "gap at {from}");
    }
    // The tables too: together the lists are the whole drive.
    let listed: u64 = volumes.iter().chain(&gaps).map(|(_, bytes)| bytes).sum();
    assert_eq!(listed, at);
    assert_eq!(result["unaccounted_bytes"], 0);
    for volume in result["volumes"].as_array().unwrap() {
        if volume["state"] == "surveyed" {
            let rule = volume["rule"].as_str().unwrap();
            let mut words = rule.split(' ');
            assert_eq!(words.next(), words.nth(1), "records listed: {rule}");
        }
    }
}

const LEFT_OUT: &[&str] = &[
    "pagefile.sys",
    "hiberfil.sys",
    "explorer.exe",
    "arial.ttf",
    "Zone.Identifier",
    "tool.dll",
];

#[test]
fn a_healthy_laptop_asks_for_two_decisions() {
    if !laptop::can_make("a_healthy_laptop_asks_for_two_decisions") {
        return;
    }
    let shop = Shop::new();
    let laptop = Laptop::healthy(shop.dir.path());
    open(&shop, &laptop);
    let planned = shop.step(&["plan"]).ends(0).json();
    every_byte_is_accounted_for(&laptop, &planned["result"]);
    shop.step(&["copy"]).ends(0);
    let verified = shop.step(&["verify"]).ends(0);
    // An image has no health of its own: the technician says so. What only keys open is the owner's matter. That is all.
    assert_eq!(verified.points(), ["health-unread", "key-bound"]);
    let bound = &verified.json()["open_points"][1];
    assert_eq!(
        bound["evidence"], "Users/Ada Test (1)",
        "the keys themselves are not counted"
    );
    assert_eq!(bound["who"], "owner");
    assert!(
        bound["says"]
            .as_str()
            .unwrap()
            .contains("saved, not proved usable"),
        "{bound}"
    );
    let planned = shop.step(&["plan", "--list"]).ends(0).json();
    let items = planned["result"]["listing"].as_array().unwrap();
    judged_by_the_truth(&laptop, items, LEFT_OUT, &[]);
    // The same survey again leaves folders and links where they were.
    let listed = items.iter().filter(|item| item["state"] == "listed");
    assert_eq!(listed.count(), 0, "{planned}");
    shop.step(&["verify"]).ends(0);
    shop.waive_health();
    assert_eq!(
        shop.waive(&["--point", "key-bound"]).code,
        Some(1),
        "the owner's to decide"
    );
    shop.owner(&["--point", "key-bound"]).ends(0);
    shop.step(&["release"]).ends(0);
    shop.step(&["recheck"]).ends(0);
}

#[test]
fn a_whole_laptop_goes_through_and_comes_back() {
    if !laptop::can_make("a_whole_laptop_goes_through_and_comes_back") {
        return;
    }
    let shop = Shop::new();
    let laptop = Laptop::with_everything(shop.dir.path());
    let before = sha256(&std::fs::read(&laptop.image).unwrap());
    open(&shop, &laptop);
    let planned = shop.step(&["plan"]).ends(0).json();
    let result = &planned["result"];
    every_byte_is_accounted_for(&laptop, result);
    let states: Vec<_> = result["volumes"]
        .as_array()
        .unwrap()
        .iter()
        .map(|volume| volume["state"].as_str().unwrap())
        .collect();
    assert_eq!(
        states,
        [
            "surveyed",
            "holds-no-user-data",
            "surveyed",
            "surveyed",
            "surveyed",
            "surveyed",
            "locked",
            "holds-no-user-data",
            "unrecognised"
        ]
    );
    people_are_told(&result["people"]);

    let first = shop.step(&["copy"]).ends(0).json();
    let verified = shop.step(&["verify"]).ends(0);
    assert_eq!(
        verified.points(),
        [
            "volume-locked",
            "volume-unrecognised",
            "lost-volume",
            "health-unread",
            "unknown-tags",
            "placeholders",
            "efs-keys",
            "key-bound",
            "redirected-elsewhere"
        ]
    );
    let points = verified.json()["open_points"].clone();
    let point = |id: &str| {
        let all = points.as_array().unwrap();
        all.iter().find(|point| point["id"] == id).unwrap().clone()
    };
    let evidence = |id: &str| point(id)["evidence"].as_str().unwrap().to_owned();
    assert_eq!(
        evidence("placeholders"),
        "Users/Ada Test/OneDrive (1), Users/Ben/Firm cloud (1)",
        "one decision per sync root"
    );
    assert_eq!(point("unknown-tags")["count"], 2);
    let elsewhere = evidence("redirected-elsewhere");
    for part in [
        "Pictures of Users/Ada Test",
        "//server/home",
        "F:/People/Dora",
        "Videos of Users/Ada Test lies at E:/Users/Ada Test/Documents",
        "what is behind Users/Ada Test/moved lies at E:/Users/Ada Test/Documents",
    ] {
        assert!(elsewhere.contains(part), "{elsewhere}");
    }
    assert!(!elsewhere.contains("Ben papers"), "{elsewhere}");

    // What must be given up. The locked and the unrecognised volume are not given up by the technician.
    let refused = shop.waive(&["--volume", "1:7"]);
    assert_eq!(refused.code, Some(1), "{}", refused.out);
    assert_eq!(shop.owner(&["--volume", "1:77"]).code, Some(1));
    assert_eq!(
        shop.owner(&["--volume", "1:2"]).code,
        Some(1),
        "nothing of it is open"
    );
    shop.owner(&["--volume", "1:7"]).ends(0);
    shop.owner(&["--volume", "1:9"]).ends(0);
    // One account after the other; what of it is on the drive stays wanted.
    let one = ["--point", "placeholders:Users/Ben/Firm cloud"];
    assert_eq!(shop.waive(&one).code, Some(1), "the owner's to decide");
    let given = shop.owner(&one).ends(0).json();
    assert_eq!(given["result"]["waived"]["items"], 1);
    let left = given["open_points"].as_array().unwrap().iter();
    let left: Vec<_> = left.filter(|point| point["id"] == "placeholders").collect();
    assert_eq!(left[0]["count"], 1);
    assert_eq!(
        left[0]["evidence"],
        "Users/Ada Test/OneDrive (1), Users/Ben/Firm cloud (1, decided)"
    );
    assert_eq!(shop.owner(&one).code, Some(1), "nothing is left there");
    for id in [
        "lost-volume",
        "unknown-tags",
        "placeholders",
        "efs-keys",
        "key-bound",
        "redirected-elsewhere",
    ] {
        shop.owner(&["--point", id]).ends(0);
    }
    shop.waive_health();

    // A new plan loses neither copies nor decisions.
    let again = shop.step(&["plan", "--list"]).ends(0).json();
    let items = again["result"]["listing"].as_array().unwrap();
    let without = [
        "film.mp4",
        "plan.docx",
        "dedup.docx",
        "odd.docx",
        "efs secret.txt",
    ];
    judged_by_the_truth(&laptop, items, LEFT_OUT, &without);
    let volumes = &again["result"]["volumes"];
    assert_eq!(volumes[6]["state"], "waived");
    assert_eq!(volumes[8]["state"], "waived");
    let copied = shop.step(&["copy"]).ends(0).json();
    assert_eq!(copied["result"]["copied"], first["result"]["copied"]);
    assert_eq!(copied["result"]["remaining"], 0);
    let points = shop.step(&["verify"]).ends(0).points();
    assert!(points.is_empty(), "{points:?}");

    shop.step(&["release"]).ends(0);
    what_is_not_saved_is_told(&shop);
    shop.step(&["recheck"]).ends(0);
    comes_back(&shop, &laptop);
    assert_eq!(
        before,
        sha256(&std::fs::read(&laptop.image).unwrap()),
        "nothing was written to the drive"
    );
}

/// The owner signs for what is lost: all of it stands on the receipt and in the bag's list, with why it was given up.
#[track_caller]
fn what_is_not_saved_is_told(shop: &Shop) {
    let list = std::fs::read(shop.path("copies/job/bag/holdpoint/not-saved.json")).unwrap();
    let list: Value = serde_json::from_slice(&list).unwrap();
    let entry = |path: &str| {
        let mut all = list.as_array().unwrap().iter();
        let found = all.find(|entry| entry["path"].as_str().unwrap().ends_with(path));
        found.unwrap_or_else(|| panic!("{path}: {list}"))
    };
    let mut bytes = 0;
    for (path, state) in [
        ("drive1-volume7", "volume-locked"),
        ("drive1-volume9", "volume-unrecognised"),
        ("drive 1", "lost-volume"),
        ("efs secret.txt", "waived"),
    ] {
        let told = entry(path);
        assert_eq!(told["state"], state, "{told}");
        assert!(
            told["why"].as_str().unwrap().contains("given up: a test"),
            "{told}"
        );
        bytes += told["bytes"].as_u64().unwrap();
    }
    let items = &shop.step(&["show"]).ends(0).json()["result"]["items"];
    assert_eq!(
        (&items["listed"], &items["copied"]),
        (&2.into(), &0.into()),
        "{items}"
    );
    shop.step(&["print", "--paper", "receipt"]).ends(0);
    let receipt = std::fs::read_to_string(shop.path("copies/job/papers/receipt.txt")).unwrap();
    let receipt = receipt.split_whitespace().collect::<Vec<_>>().join(" ");
    for part in [
        "is encrypted, so nothing of it is known; it begins at byte",
        "is nothing that this program can read; it begins at byte",
        "a lost volume (",
        "efs secret.txt: given up",
    ] {
        assert!(receipt.to_lowercase().contains(part), "{part}: {receipt}");
    }
    let sum = receipt.split("not saved, or not whole; ").nth(1).unwrap();
    let sum = sum.split(" are missing").next().unwrap();
    let unit = sum.split(' ').nth(1).unwrap();
    let sum: f64 = sum.split(' ').next().unwrap().parse().unwrap();
    let unit = match unit {
        "MB" => 1e6,
        "GB" => 1e9,
        other => panic!("{other}"),
    };
    assert!(sum * unit > bytes as f64 * 0.99, "{sum} {bytes}");
}

#[track_caller]
fn people_are_told(people: &Value) {
    let line = |profile: &str, volume: &str| {
        let all = people.as_array().unwrap();
        all.iter()
            .find(|line| line["profile"] == profile && line["volume"] == volume)
            .unwrap_or_else(|| panic!("no line for {profile} on {volume}: {people}"))
            .clone()
    };
    let system = "drive1-volume3";
    let redirected = |profile: &str| {
        let list = line(profile, system)["redirected"].clone();
        let list = list.as_array().unwrap().clone();
        let mut list: Vec<_> = list
            .iter()
            .map(|one| one.as_str().unwrap().to_owned())
            .collect();
        list.sort();
        list
    };
    assert_eq!(
        redirected("Users/Ada Test"),
        [
            "Music -> OneDrive/Music",
            "Pictures -> //server/home/ada/pictures (another machine)",
            "Videos -> E:/Users/Ada Test/Documents"
        ]
    );
    assert_eq!(
        redirected("Users/Ben"),
        ["Documents -> D:/Ben papers (drive1-volume5)"]
    );
    assert!(redirected("Windows.old/Users/Ada Test").is_empty());
    let ada = line("Users/Ada Test", system);
    assert_eq!((&ada["placeholders"], &ada["efs"]), (&1.into(), &1.into()));
    // A former profile, an earlier installation, a profile on another volume.
    line("Users/Ada Test.000", system);
    let cleo = line("People/Cleo", "drive1-volume5");
    assert_eq!(cleo["documents"], 1);
}

#[track_caller]
fn comes_back(shop: &Shop, laptop: &Laptop) {
    let back = shop
        .step(&[
            "put-back",
            "--to",
            "fresh",
            "--map",
            "drive1-volume3/Users/Ada Test=home/ada",
        ])
        .ends(0);
    let streams = laptop.truth.keys().filter(|(_, path, stream)| {
        let full = format!("{path}{}", stream.as_deref().unwrap_or(""));
        stream.is_some() && !LEFT_OUT.iter().any(|part| full.contains(part))
    });
    let said = format!("{} named streams were put back as files", streams.count());
    assert!(back.err.contains(&said), "{said}: {}", back.err);
    let back = back.json();
    let mut refused: Vec<_> = back["result"]["refused"]
        .as_array()
        .unwrap()
        .iter()
        .map(|one| one["path"].as_str().unwrap().to_owned())
        .collect();
    refused.sort();
    assert_eq!(
        refused,
        [
            "drive1-volume3/Users/Ada Test/Documents/efs secret.txt",
            "drive1-volume3/Users/Ada Test/OneDrive/film.mp4",
            "drive1-volume3/Users/Ben/dedup.docx",
            "drive1-volume3/Users/Ben/odd.docx"
        ]
    );
    let mut checked = 0;
    for ((volume, path, stream), truth) in &laptop.truth {
        let full = format!("{path}{}", stream.as_deref().unwrap_or(""));
        if LEFT_OUT.iter().any(|part| full.contains(part)) {
            continue;
        }
        let top = match volume.as_str() {
            "drive1-volume3" => "System",
            "drive1-volume4" => "Recovery",
            "drive1-volume5" => "DATEN",
            "drive1-volume6" => "linux",
            other => other,
        };
        let mut place = match path.strip_prefix("Users/Ada Test/") {
            Some(rest) if volume == "drive1-volume3" => format!("fresh/home/ada/{rest}"),
            _ => format!("fresh/{top}/{path}"),
        };
        if let Some(stream) = stream {
            place.push_str(&format!(" (stream {stream})"));
        }
        let found = std::fs::read(shop.path(&place)).unwrap_or_else(|e| panic!("{place}: {e}"));
        assert_eq!(&sha256(&found), truth, "{place}");
        checked += 1;
    }
    assert!(checked > 30, "{checked}");
    use std::os::unix::fs::MetadataExt;
    let inode = |path: &str| shop.path(path).metadata().unwrap().ino();
    assert_eq!(
        inode("fresh/System/Users/Ben/one.bin"),
        inode("fresh/System/Users/Ben/Desktop/other.bin")
    );
    // Only one person's, by name.
    std::fs::create_dir(shop.path("fresh 2")).unwrap();
    shop.step(&["put-back", "--to", "fresh 2", "--person", "Ben"])
        .ends(0);
    // His documents were moved to another volume.
    assert!(shop.path("fresh 2/DATEN/Ben papers").is_dir());
    std::fs::create_dir(shop.path("fresh 3")).unwrap();
    shop.step(&["put-back", "--to", "fresh 3", "--person", "Cleo"])
        .ends(0);
    let poem = shop.path("fresh 3/DATEN/People/Cleo/Documents/poem.txt");
    assert_eq!(std::fs::read(poem).unwrap(), b"roses");
    assert!(!shop.path("fresh 3/System").exists());
    let top: Vec<_> = std::fs::read_dir(shop.path("fresh 2/System/Users"))
        .unwrap()
        .map(|entry| entry.unwrap().file_name())
        .collect();
    assert_eq!(top, ["Ben"]);
}

#[test]
fn paths_on_drives_are_found_by_volume_or_alone() {
    if !laptop::can_make("paths_on_drives_are_found_by_volume_or_alone") {
        return;
    }
    let shop = Shop::new();
    let laptop = Laptop::healthy(shop.dir.path());
    open(&shop, &laptop);
    shop.step(&["plan"]).ends(0);
    let item = |path: &str| shop.owner(&["--item", path]);
    assert_eq!(item("Users/Nobody").code, Some(1));
    assert_eq!(item("drive1-volume4/Users").code, Some(1));
    let given = item("Users/Ada Test/Documents/letter.txt").ends(0).json();
    // The file; its download mark is left out anyway.
    assert_eq!(given["result"]["waived"]["items"], 1);
    let given = item("drive1-volume3/Scans").ends(0).json();
    // The folder itself is at hand already; the file in it is not.
    assert_eq!(given["result"]["waived"]["items"], 1);
    let waived = listing(&shop)
        .iter()
        .filter(|item| item["state"] == "waived")
        .count();
    assert_eq!(waived, 2, "a new plan keeps what was decided");
}

/// Content behind a file system that is shorter than its drive is an open point; in the lists its bytes are the volume's.
#[test]
fn what_lies_behind_a_file_system_stands_in_one_list() {
    let name = "what_lies_behind_a_file_system_stands_in_one_list";
    if !crate::shop::have(name, &["mke2fs"]) {
        return;
    }
    let shop = Shop::new();
    let mut bytes = vec![0u8; 16 << 20];
    bytes[12 << 20..14 << 20].fill(0x5A);
    let image = shop.put("drive", bytes);
    let made = std::process::Command::new("mke2fs")
        .args(["-q", "-F", "-t", "ext4", "-E", "nodiscard"])
        .args([image.to_str().unwrap(), "8M"])
        .status()
        .unwrap();
    assert!(made.success());
    let line = ["open", "--drive", "drive", "--to", "copies", "--job"];
    shop.run(&[&line[..], &["copies/job", "--policy", "practice"]].concat())
        .ends(0);
    let planned = shop.step(&["plan"]).ends(0);
    let result = planned.json()["result"].clone();
    assert_eq!(result["volumes"][0]["bytes"], 16 << 20);
    assert_eq!(result["gaps"], serde_json::json!([]));
    let says = planned.json()["open_points"].to_string();
    assert!(
        says.contains("behind a file system, at byte 8388608"),
        "{says}"
    );
}
