//! What happened in between: a survey cut off, a drive changed or exchanged, copies gone, a record cut or doubled.
//! Each must end as a refusal or an open point, and each must be one that can be got over.

use crate::hostile::noise;
use crate::shop::{Shop, have};
use holdpoint::ledger::{FactBody, Ledger};
use holdpoint::value::Moment;
use std::fs::OpenOptions;
use std::io::{Seek, SeekFrom, Write};
use std::process::Command;

fn released() -> Shop {
    let shop = Shop::with_pictures();
    shop.saved();
    shop.waive_health();
    shop.step(&["release"]).ends(0);
    shop.step(&["recheck"]).ends(0);
    shop
}

/// The sample for the second reading is drawn from what can be read again: further names of one file thin it out for nobody.
#[test]
fn the_sample_is_not_thinned_out_by_further_names() {
    let shop = Shop::new();
    for number in 0..130u64 {
        let first = shop.put(&format!("laptop/{number}.jpg"), noise(number, 100));
        for further in ["b", "c"] {
            let name = shop.path(&format!("laptop/{number}{further}.jpg"));
            std::fs::hard_link(&first, name).unwrap();
        }
    }
    shop.saved();
    let ledger = Ledger::open_to_read(&shop.path("copies/job/ledger.db")).unwrap();
    let facts = ledger.facts().unwrap();
    let read_again = facts.iter().rev().find_map(|fact| match fact.body {
        FactBody::SourceReadAgain { items, .. } => Some(items),
        _ => None,
    });
    assert!(
        read_again.is_some_and(|items| items >= 64),
        "{read_again:?}"
    );
}

#[test]
fn a_survey_that_was_cut_off_releases_nothing() {
    let shop = released();
    let ledger = Ledger::open(&shop.path("copies/job/ledger.db")).unwrap();
    let begun = FactBody::SurveyBegun { survey: 2 };
    let now = std::time::SystemTime::now()
        .duration_since(std::time::UNIX_EPOCH)
        .unwrap();
    ledger
        .record(Moment::from_seconds(now.as_secs() as i64), &begun)
        .unwrap();
    drop(ledger);
    shop.step(&["recheck"]).ends(3);
    let points = shop.step(&["release"]).ends(3).points();
    assert!(
        points.contains(&"survey-unfinished".to_owned()),
        "{points:?}"
    );
    shop.step(&["copy"]).ends(1);
    for step in ["plan", "copy", "verify", "release"] {
        shop.step(&[step]).ends(0);
    }
}

#[test]
fn copies_that_vanish_after_the_release_are_missed() {
    let bag = "copies/job/bag";
    let cut: [fn(&Shop, &str); 4] = [
        |shop, bag| std::fs::remove_dir_all(shop.path(bag)).unwrap(),
        |shop, bag| std::fs::remove_dir_all(shop.path(&format!("{bag}/data"))).unwrap(),
        |shop, _| std::fs::remove_file(&shop.payload()[0]).unwrap(),
        |shop, _| {
            let mut file = OpenOptions::new().append(true).open(&shop.payload()[1]);
            file.as_mut().unwrap().write_all(b"x").unwrap();
        },
    ];
    for hurt in cut {
        let shop = released();
        hurt(&shop, bag);
        let said = shop.step(&["recheck"]).ends(3).json();
        assert_eq!(said["result"]["holds"], false, "{said}");
        shop.step(&["release"]).ends(3);
    }
}

#[test]
fn a_cut_record_stays_cut() {
    for dropped in [1i64, 3] {
        let shop = released();
        let path = shop.path("copies/job/ledger.db");
        let db = rusqlite::Connection::open(&path).unwrap();
        let sql = "DELETE FROM fact WHERE number > (SELECT max(number) FROM fact) - ?1";
        assert_eq!(db.execute(sql, [dropped]).unwrap() as i64, dropped);
        drop(db);
        for _ in 0..3 {
            let points = shop.step(&["release"]).ends(3).points();
            assert!(points.contains(&"ledger-broken".to_owned()), "{points:?}");
        }
        let waived = shop.step(&["waive", "--item", "Pictures/1.jpg", "--reason", "x"]);
        assert_ne!(waived.code, Some(0), "{}", waived.out);
        shop.step(&["release"]).ends(3);
    }
}

#[test]
fn two_at_once_are_one_after_the_other_or_refused() {
    let shop = Shop::with_pictures();
    shop.saved();
    let held = Ledger::open(&shop.path("copies/job/ledger.db")).unwrap();
    let said = shop.step(&["verify"]).ends(1).json();
    let what = said["error"]["what"].as_str().unwrap();
    assert!(what.contains("at work on this job"), "{said}");
    // Looking is always possible.
    shop.step(&["show"]).ends(0);
    drop(held);
    shop.step(&["verify"]).ends(0);
}

#[test]
fn a_copy_of_the_record_does_not_pass_for_it() {
    let shop = Shop::with_pictures();
    std::fs::create_dir(shop.path("shelf")).unwrap();
    let mut open = vec![
        "open", "--folder", "laptop", "--to", "copies", "--to", "shelf",
    ];
    open.extend([
        "--job",
        "copies/job",
        "--policy",
        "practice",
        "--owner",
        "A",
    ]);
    open.extend([
        "--technician",
        "B",
        "--symptom",
        "none",
        "--memory",
        "known-good",
    ]);
    open.extend(["--must-have", "none"]);
    shop.run(&open).ends(0);
    for step in ["plan", "copy", "verify"] {
        shop.step(&[step]).ends(0);
    }
    let said = shop.run(&["copy", "shelf/job", "--json"]).ends(1).json();
    let next = said["error"]["next"].as_str().unwrap();
    assert!(next.ends_with("copies/job"), "{said}");
    let shown = shop.run(&["show", "shelf/job", "--json"]).ends(0).json();
    assert_eq!(shown["result"]["state"], "hold");
    // The first destination is lost: the copy takes its place, and proves nothing that came after it.
    std::fs::rename(shop.path("copies"), shop.path("lost")).unwrap();
    let said = shop.run(&["release", "shelf/job", "--json"]).ends(3).json();
    let points = said["open_points"].to_string();
    assert!(points.contains("verification-missing"), "{points}");
    shop.run(&["put-back", "shelf/job", "--to", "fresh"])
        .ends(0);
    assert_eq!(
        std::fs::read(shop.path("fresh/Pictures/3.jpg")).unwrap(),
        noise(3, 4000)
    );
}

#[test]
fn a_closing_that_was_cut_off_keeps_nothing_released() {
    let shop = released();
    let ledger = Ledger::open(&shop.path("copies/job/ledger.db")).unwrap();
    let at = ledger.facts().unwrap().last().unwrap().at;
    let closing = FactBody::Closing { items: 5, bytes: 5 };
    ledger.record(at, &closing).unwrap();
    drop(ledger);
    shop.step(&["recheck"]).ends(3);
    shop.step(&["release"]).ends(1);
    shop.step(&["copy"]).ends(1);
    shop.step(&["close", "--now", "--reason", "practice"])
        .ends(0);
    let shown = shop.step(&["show"]).ends(0).json();
    assert_eq!(shown["result"]["next"], "", "{shown}");
    let note = shown["result"]["note"].as_str().unwrap();
    assert!(note.starts_with("closed since 2"), "{note}");
    shop.step(&["recheck"]).ends(3);
}

/// A drive image with one FAT partition at 1 MiB, as every system of today makes it.
fn stick(shop: &Shop, name: &str, letter: &str) -> bool {
    if !have(
        "a_drive_that_was_written_to_since",
        &["sfdisk", "mkfs.fat", "mcopy"],
    ) {
        return false;
    }
    let image = shop.path(name);
    let file = std::fs::File::create(&image).unwrap();
    file.set_len(64 << 20).unwrap();
    let run = |tool: &str, arguments: &[&str], input: &str| {
        let mut child = Command::new(tool)
            .args(arguments)
            .stdin(std::process::Stdio::piped())
            .stdout(std::process::Stdio::null())
            .stderr(std::process::Stdio::null())
            .spawn()
            .unwrap();
        child
            .stdin
            .take()
            .unwrap()
            .write_all(input.as_bytes())
            .unwrap();
        assert!(child.wait().unwrap().success(), "{tool}");
    };
    let path = image.to_str().unwrap();
    let at = format!("{path}@@1M");
    run(
        "sfdisk",
        &[path],
        "label: gpt\nlabel-id: 11111111-2222-3333-4444-555555555555\n2048 - L\n",
    );
    run(
        "mkfs.fat",
        &[
            "-F", "32", "-i", "0badcafe", "--offset", "2048", path, "60000",
        ],
        "",
    );
    shop.put("letter.txt", letter.as_bytes());
    shop.put("one.jpg", noise(5, 300_000));
    for file in ["letter.txt", "one.jpg"] {
        let file = shop.path(file);
        run("mcopy", &["-i", &at, file.to_str().unwrap(), "::"], "");
    }
    true
}

fn mcopy(shop: &Shop, image: &str, file: &str) {
    let at = format!("{}@@1M", shop.path(image).display());
    let file = shop.path(file);
    let status = Command::new("mcopy")
        .args(["-o", "-i", &at, file.to_str().unwrap(), "::"])
        .status();
    assert!(status.unwrap().success());
}

fn open_drive(shop: &Shop, image: &str) {
    let mut open = vec![
        "open",
        "--drive",
        image,
        "--to",
        "copies",
        "--job",
        "copies/job",
    ];
    open.extend(["--policy", "practice", "--owner", "A", "--technician", "B"]);
    open.extend([
        "--symptom",
        "none",
        "--memory",
        "known-good",
        "--must-have",
        "none",
    ]);
    shop.run(&open).ends(0);
}

#[test]
fn a_drive_that_was_written_to_since() {
    for change in [
        "a new file",
        "the same name, other bytes",
        "one byte of a folder",
    ] {
        let shop = Shop::with_pictures();
        if !stick(&shop, "drive.img", "Dear all") {
            return;
        }
        open_drive(&shop, "drive.img");
        for step in ["plan", "copy", "verify"] {
            shop.step(&[step]).ends(0);
        }
        shop.waive_health();
        shop.step(&["release"]).ends(0);
        shop.step(&["recheck"]).ends(0);
        match change {
            "a new file" => {
                shop.put("new.jpg", noise(9, 9000));
                mcopy(&shop, "drive.img", "new.jpg");
            }
            "the same name, other bytes" => {
                shop.put("letter.txt", b"Dear Eva");
                std::thread::sleep(std::time::Duration::from_millis(2100));
                mcopy(&shop, "drive.img", "letter.txt");
            }
            _ => {
                // The archive bit in the entry of "LETTER  TXT" (FAT specification, directory structure, byte 11).
                let path = shop.path("drive.img");
                let bytes = std::fs::read(&path).unwrap();
                let at = bytes.windows(11).position(|w| w == b"LETTER  TXT").unwrap();
                let mut file = OpenOptions::new().write(true).open(&path).unwrap();
                file.seek(SeekFrom::Start(at as u64 + 11)).unwrap();
                file.write_all(&[bytes[at + 11] ^ 0x20]).unwrap();
            }
        }
        let said = shop.step(&["recheck"]).ends(3).json();
        assert_eq!(said["result"]["holds"], false, "{change}: {said}");
        let proof = shop.path("ran");
        let touch = format!("touch {} # {{drive}}", proof.display());
        shop.run(&["guard", "copies/job", "--json", "--", "sh", "-c", &touch])
            .ends(3);
        assert!(!proof.exists(), "{change}: the command ran");
        let points = shop.step(&["release"]).ends(3).points();
        assert!(
            points.contains(&"source-changed".to_owned()),
            "{change}: {points:?}"
        );
    }
}

#[test]
fn another_drive_of_the_same_size_is_not_copied() {
    let shop = Shop::with_pictures();
    if !stick(&shop, "drive.img", "Dear all") {
        return;
    }
    open_drive(&shop, "drive.img");
    shop.step(&["plan"]).ends(0);
    std::fs::rename(shop.path("drive.img"), shop.path("hers.img")).unwrap();
    assert!(stick(&shop, "drive.img", "Somebody else's"));
    for step in ["copy", "plan"] {
        let said = shop.step(&[step]).ends(1).json();
        let what = said["error"]["what"].as_str().unwrap();
        assert!(what.contains("not what was put on hold"), "{said}");
    }
    assert!(!shop.path("copies/job/bag/data").exists() || shop.payload().is_empty());
    std::fs::rename(shop.path("hers.img"), shop.path("drive.img")).unwrap();
    for step in ["copy", "verify"] {
        shop.step(&[step]).ends(0);
    }
}

#[test]
fn that_nothing_is_wanted_is_signed_by_the_owner() {
    let shop = Shop::with_pictures();
    shop.open();
    shop.step(&["plan"]).ends(0);
    let order = |by: &str, how: &str| {
        let mut all = vec![
            "waive",
            "--no-rescue",
            "--reason",
            "all is on a cloud",
            "--name",
            "A",
        ];
        all.extend(["--decided-by", by, "--how", how]);
        shop.step(&all)
    };
    for (by, how) in [
        ("owner", "phone"),
        ("owner", "message"),
        ("technician", "signed"),
    ] {
        order(by, how).ends(2);
    }
    order("owner", "signed").ends(0);
}

#[test]
fn a_policy_file_that_was_edited_is_an_open_point() {
    let shop = Shop::with_pictures();
    let text = |days: u32| {
        format!(
            "name = \"ours\"\nsays = \"As practice.\"\nextends = \"practice\"\n[keeping]\ndays = {days}\nwhy = \"ours\"\n"
        )
    };
    shop.put("ours.toml", text(20).into_bytes());
    let mut open = vec![
        "open",
        "--folder",
        "laptop",
        "--to",
        "copies",
        "--job",
        "copies/job",
    ];
    open.extend([
        "--policy",
        "./ours.toml",
        "--owner",
        "A",
        "--technician",
        "B",
    ]);
    open.extend([
        "--symptom",
        "none",
        "--memory",
        "known-good",
        "--must-have",
        "none",
    ]);
    shop.run(&open).ends(0);
    shop.put("ours.toml", text(2).into_bytes());
    let points = shop.step(&["release"]).ends(3).points();
    assert!(points.contains(&"policy-edited".to_owned()), "{points:?}");
    shop.put("ours.toml", text(20).into_bytes());
    let points = shop.step(&["release"]).ends(3).points();
    assert!(!points.contains(&"policy-edited".to_owned()), "{points:?}");
}

/// What an earlier reading back proved is not what this one says.
#[test]
fn a_folder_of_copies_that_cannot_be_opened_is_not_called_read_back() {
    let name = "a_folder_of_copies_that_cannot_be_opened_is_not_called_read_back";
    if !crate::linux::support::can(name, &["mount"]) {
        return;
    }
    let shop = released();
    let hidden = shop.path("copies/job/bag/data/folder/Pictures");
    let above = crate::linux::support::Mounted::at(&hidden, &["-t", "tmpfs", "none"]);
    let told = shop.step(&["verify"]).ends(1);
    let document: serde_json::Value = serde_json::from_str(&told.out).unwrap();
    assert_eq!(document["result"]["verified"]["items"], 0, "{document}");
    let what = document["error"]["what"].as_str().unwrap_or_default();
    assert!(what.contains("was not read back"), "{document}");
    drop(above);
    shop.step(&["verify"]).ends(0);
}
