//! What vanishes from the source while a job runs: a copy made before stays saved, and what was never copied is said.

use crate::hostile::noise;
use crate::shop::{Shop, listing, same_trees};
use serde_json::Value;
use std::ffi::OsStr;

fn laptop() -> Shop {
    let shop = Shop::new();
    for number in 0..4u64 {
        let bytes = noise(number, 3000 + number as usize * 977);
        shop.put(&format!("laptop/Pictures/{number}.jpg"), bytes);
    }
    shop.put("laptop/Music/1988/tape.txt", "the tape".repeat(100));
    std::os::unix::fs::symlink("tape.txt", shop.path("laptop/Music/1988/newest")).unwrap();
    shop
}

fn not_saved(shop: &Shop) -> Vec<Value> {
    let text = std::fs::read(shop.path("copies/job/bag/holdpoint/not-saved.json")).unwrap();
    serde_json::from_slice(&text).unwrap()
}

#[test]
fn a_copy_of_what_vanished_since_stays_saved() {
    let shop = laptop();
    let mut before = listing(&shop.path("laptop"));
    shop.saved();
    shop.waive_health();
    std::fs::remove_dir_all(shop.path("laptop/Music")).unwrap();
    std::fs::remove_file(shop.path("laptop/Pictures/2.jpg")).unwrap();
    let points = shop.step(&["release"]).ends(3).points();
    assert!(points.contains(&"source-changed".to_owned()), "{points:?}");
    let planned = shop.step(&["plan"]).ends(0).json();
    assert_eq!(planned["result"]["items"], 3, "{planned}");
    assert_eq!(planned["result"]["gone"]["items"], 2, "{planned}");
    // Surveyed once more, it is gone as before and saved as before.
    for step in ["plan", "copy", "verify", "release", "recheck"] {
        let said = shop.step(&[step]).ends(0);
        assert!(said.points().is_empty(), "{step}: {}", said.out);
    }
    let shown = shop.step(&["show"]).ends(0).json();
    assert_eq!(shown["result"]["items"]["verified"], 5, "{shown}");
    assert!(not_saved(&shop).is_empty());
    shop.step(&["print"]).ends(0);
    let receipt = std::fs::read_to_string(shop.path("copies/job/papers/receipt.txt")).unwrap();
    let words = receipt.split_whitespace().collect::<Vec<_>>().join(" ");
    assert!(words.contains("2 of the saved items"), "{words}");
    let back = shop.step(&["put-back", "--to", "fresh"]).ends(0).json();
    assert_eq!(back["result"]["returned"]["items"], 5, "{back}");
    // The folder that lives on had something taken out of it since.
    let lives_on = OsStr::new("Pictures");
    let after = listing(&shop.path("fresh"));
    before.get_mut(lives_on).unwrap().modified = after[lives_on].modified;
    same_trees(&before, &after);
    // It comes back at the source: nothing special about it any more.
    let again = laptop();
    std::fs::rename(again.path("laptop/Music"), shop.path("laptop/Music")).unwrap();
    let planned = shop.step(&["plan"]).ends(0).json();
    assert_eq!(planned["result"]["gone"]["items"], 1, "{planned}");
}

#[test]
fn what_vanished_before_it_was_copied_is_said_and_held() {
    let shop = laptop();
    shop.put("laptop/Library/Caches/page.cache", "again");
    shop.open();
    shop.step(&["plan"]).ends(0);
    shop.waive_health();
    std::fs::remove_file(shop.path("laptop/Pictures/2.jpg")).unwrap();
    // A renamed file is the same file.
    let renamed = shop.path("laptop/Pictures/one.jpg");
    std::fs::rename(shop.path("laptop/Pictures/1.jpg"), renamed).unwrap();
    for step in ["plan", "copy", "verify"] {
        shop.step(&[step]).ends(0);
    }
    let planned = shop.step(&["plan"]).ends(0).json();
    assert_eq!(planned["result"]["gone_uncopied"]["items"], 1, "{planned}");
    shop.step(&["verify"]).ends(0);
    shop.step(&["print"]).ends(0);
    let receipt = std::fs::read_to_string(shop.path("copies/job/papers/receipt.txt")).unwrap();
    assert!(receipt.contains("no longer there when"), "{receipt}");
    let held = shop.step(&["release"]).ends(3);
    assert_eq!(held.points(), ["unreadable-items"], "{}", held.out);
    let point = held.json()["open_points"][0].clone();
    let evidence = point["evidence"].as_str().unwrap();
    assert!(evidence.ends_with("1 item is no longer at the source"));
    assert_eq!(
        (&point["count"], &point["who"]),
        (&1.into(), &"owner".into())
    );
    let lost = not_saved(&shop);
    assert_eq!(lost.len(), 1, "{lost:?}");
    assert_eq!(lost[0]["path"], "data/folder/Pictures/2.jpg");
    assert!(lost[0]["why"].as_str().unwrap().contains("no longer"));
    // The owner may give it up, and the decision outlives another survey.
    shop.owner(&["--point", "unreadable-items"]).ends(0);
    for step in ["plan", "copy", "verify", "release"] {
        shop.step(&[step]).ends(0);
    }
}

#[test]
fn a_destination_named_later_gets_what_is_gone_from_the_first() {
    let shop = laptop();
    std::fs::create_dir(shop.path("shelf")).unwrap();
    shop.saved();
    std::fs::remove_dir_all(shop.path("laptop/Music")).unwrap();
    let to = ["open", "--job", "copies/job", "--to", "shelf", "--json"];
    shop.run(&to).ends(0);
    for step in ["plan", "copy", "verify"] {
        shop.step(&[step]).ends(0);
    }
    let tape = walkdir::WalkDir::new(shop.path("shelf"))
        .into_iter()
        .map(Result::unwrap)
        .find(|entry| entry.file_name() == "tape.txt");
    let tape = std::fs::read_to_string(tape.unwrap().path()).unwrap();
    assert_eq!(tape, "the tape".repeat(100));
}
