//! A ledger that was torn, is newer, or is none: said with what to do next, never taken for an empty one.

use crate::hostile::noise;
use crate::shop::{Said, Shop};
use std::os::unix::fs::FileExt;

fn saved() -> Shop {
    let shop = Shop::new();
    for number in 0..40 {
        shop.put(
            &format!("laptop/{number}.jpg"),
            noise(number, 2000 + number as usize),
        );
    }
    shop.saved();
    shop.waive_health();
    shop
}

/// A refusal says what was tried, on what, and what to do next, in text and in JSON alike.
#[track_caller]
fn refuses(shop: &Shop, job: &str) -> Said {
    for step in ["show", "copy", "verify", "release", "recheck", "plan"] {
        let said = shop.run(&[step, job, "--json"]);
        // No step may take a hurt ledger for a good one.
        assert!(
            matches!(said.code, Some(1 | 3)),
            "{step}: {:?}\n{}\n{}",
            said.code,
            said.out,
            said.err
        );
        if said.code == Some(1) {
            let document = said.json();
            for key in ["what", "on", "next"] {
                let text = document["error"][key].as_str();
                assert!(text.is_some(), "{step}: error.{key} is missing: {document}");
            }
        }
        assert!(!said.err.contains("panicked"), "{}", said.err);
    }
    shop.run(&["release", job, "--json"])
}

#[test]
fn a_torn_ledger() {
    let shop = saved();
    let ledger = shop.path("copies/job/ledger.db");
    let whole = std::fs::read(&ledger).unwrap();
    for length in [
        0,
        50,
        100,
        4096,
        whole.len() / 2,
        whole.len() - 4096,
        whole.len() - 1,
    ] {
        std::fs::write(&ledger, &whole[..length]).unwrap();
        let said = shop.step(&["release"]);
        assert!(
            matches!(said.code, Some(1 | 3)),
            "{length}: {}{}",
            said.out,
            said.err
        );
        assert!(!said.err.contains("panicked"), "{}", said.err);
        assert!(
            !shop.path("copies/job/release/certificate.json").exists(),
            "released on a ledger of {length} of {} bytes",
            whole.len()
        );
    }
    std::fs::write(&ledger, &whole).unwrap();
    shop.step(&["release"]).ends(0);
}

#[test]
fn a_ledger_with_bytes_changed() {
    let shop = saved();
    let ledger = shop.path("copies/job/ledger.db");
    let whole = std::fs::read(&ledger).unwrap();
    let pages = whole.len() as u64 / 4096;
    for page in 1..pages {
        std::fs::write(&ledger, &whole).unwrap();
        let file = std::fs::OpenOptions::new()
            .write(true)
            .open(&ledger)
            .unwrap();
        file.write_all_at(&noise(page, 512), page * 4096 + 1000)
            .unwrap();
        let said = shop.step(&["release"]);
        assert!(!said.err.contains("panicked"), "page {page}: {}", said.err);
        // A page that nothing lives in may be anything; then the ledger is as good as it was.
        if said.out.contains("malformed") {
            assert!(said.out.contains("snapshot"), "page {page}: {}", said.out);
        }
        if said.code == Some(0) {
            let _ = std::fs::remove_dir_all(shop.path("copies/job/release"));
        } else {
            assert!(
                matches!(said.code, Some(1 | 3)),
                "page {page}: {:?}",
                said.code
            );
        }
    }
}

#[test]
fn a_fact_edited_by_hand_breaks_the_chain() {
    let shop = saved();
    let db = rusqlite::Connection::open(shop.path("copies/job/ledger.db")).unwrap();
    let changed = db
        .execute(
            "UPDATE fact SET body = replace(body, 'K. Brandt', 'R. Amsel') WHERE kind = 'waived'",
            [],
        )
        .unwrap();
    assert_eq!(changed, 1);
    drop(db);
    let said = shop.step(&["release"]);
    assert!(matches!(said.code, Some(1 | 3)), "{}", said.out);
    assert!(
        said.out.contains("chain") || said.out.contains("ledger-broken"),
        "{}",
        said.out
    );
    assert!(!shop.path("copies/job/release/certificate.json").exists());
}

#[test]
fn a_row_edited_by_hand_shows_in_the_sum() {
    let shop = saved();
    let db = rusqlite::Connection::open(shop.path("copies/job/ledger.db")).unwrap();
    // The lie that would matter: an item given up that nobody gave up.
    let changed = db
        .execute(
            "UPDATE item SET want = 2 WHERE id = (SELECT max(id) FROM item)",
            [],
        )
        .unwrap();
    assert_eq!(changed, 1);
    drop(db);
    let said = shop.step(&["release"]);
    assert!(matches!(said.code, Some(1 | 3)), "{}", said.out);
    assert!(said.out.contains("ledger-broken"), "{}", said.out);
}

/// The order of copying says what a dying drive is asked for first.
#[test]
fn an_order_edited_by_hand_shows_and_copying_on_does_not_hide_it() {
    let shop = saved();
    let ledger = shop.path("copies/job/ledger.db");
    let whole = std::fs::read(&ledger).unwrap();
    for edit in [
        "UPDATE queue SET place = -place",
        "DELETE FROM queue WHERE place = (SELECT min(place) FROM queue)",
        "INSERT INTO queue(item) VALUES(1)",
    ] {
        std::fs::write(&ledger, &whole).unwrap();
        let db = rusqlite::Connection::open(&ledger).unwrap();
        assert!(db.execute(edit, []).unwrap() > 0, "{edit}");
        drop(db);
        for step in ["show", "copy", "release"] {
            let points = shop.step(&[step]).points();
            let broken = points.contains(&"ledger-broken".to_owned());
            assert!(broken, "{edit}, {step}: {points:?}");
        }
    }
    std::fs::write(&ledger, &whole).unwrap();
    shop.step(&["copy"]).ends(0);
    assert_eq!(shop.step(&["show"]).points(), [""; 0]);
}

/// Every column that decides how an item comes back, changed by hand: no release stands on it, and nothing comes back by it.
#[test]
fn what_an_item_wears_edited_by_hand_shows() {
    let shop = Shop::new();
    shop.put("laptop/Letters/will.txt", "all to the cat");
    std::os::unix::fs::symlink("will.txt", shop.path("laptop/Letters/newest")).unwrap();
    let worn = shop.path("laptop/Letters/will.txt");
    let takes = rustix::fs::setxattr(worn, "user.note", b"mine", rustix::fs::XattrFlags::empty());
    shop.saved();
    shop.waive_health();
    let ledger = shop.path("copies/job/ledger.db");
    let whole = std::fs::read(&ledger).unwrap();
    let mut edits = vec![
        "UPDATE item SET mode = 511 WHERE kind = 0",
        "UPDATE item SET user = 65534 WHERE kind = 1",
        "UPDATE item SET grp = 65534 WHERE kind = 0",
        "UPDATE item SET target = CAST('/etc/passwd' AS BLOB) WHERE kind = 2",
        "UPDATE item SET bag = 'other.txt' WHERE kind = 0",
        "UPDATE place SET bag = bag || 'x' WHERE item > 0",
        "INSERT INTO attribute VALUES(2, CAST('user.new' AS BLOB), x'00')",
    ];
    match takes {
        Ok(()) => edits.extend([
            "DELETE FROM attribute",
            "UPDATE attribute SET value = x'00'",
            "UPDATE attribute SET name = CAST('user.other' AS BLOB)",
        ]),
        Err(_) => crate::skip::skip("worn attributes", "no user attributes on this file system"),
    }
    for edit in edits {
        std::fs::write(&ledger, &whole).unwrap();
        let db = rusqlite::Connection::open(&ledger).unwrap();
        assert!(db.execute(edit, []).unwrap() > 0, "{edit}");
        drop(db);
        let points = shop.step(&["release"]).ends(3).points();
        assert!(
            points.contains(&"ledger-broken".to_owned()),
            "{edit}: {points:?}"
        );
        let refused = shop.step(&["put-back", "--to", "fresh"]).ends(1).json();
        let what = refused["error"]["what"].as_str().unwrap();
        assert!(what.contains("does not hold together"), "{edit}: {what}");
        let came = std::fs::read_dir(shop.path("fresh")).unwrap().count();
        assert_eq!(came, 0, "{edit}");
    }
    std::fs::write(&ledger, &whole).unwrap();
    shop.step(&["put-back", "--to", "fresh"]).ends(0);
    shop.step(&["release"]).ends(0);
}

/// A release ends with its record: what was edited after it is seen by `recheck` and so by `guard`, not by `release` alone.
#[test]
fn what_is_edited_after_the_release_ends_it() {
    let shop = Shop::new();
    shop.put("laptop/Users/ann/Documents/will.txt", "all to the cat");
    shop.put("laptop/pagefile.sys", noise(1, 9000));
    shop.put("laptop/Windows/System32/kernel32.dll", "MZ");
    shop.saved();
    shop.waive_health();
    shop.step(&["release"]).ends(0);
    shop.step(&["recheck"]).ends(0);
    let ledger = shop.path("copies/job/ledger.db");
    let whole = std::fs::read(&ledger).unwrap();
    for edit in [
        "UPDATE item SET name = x'7a7a' WHERE id = (SELECT max(item) FROM got)",
        "UPDATE item SET class = 3 WHERE id = (SELECT max(item) FROM got)",
        "UPDATE item SET marks = marks | 4",
        "DELETE FROM place",
        "UPDATE setting SET value = '[]' WHERE key = 'people'",
        "UPDATE rule SET name = 'own-files'",
        "UPDATE rule SET why = 'not needed'",
        "UPDATE got SET batch = 99",
    ] {
        std::fs::write(&ledger, &whole).unwrap();
        let db = rusqlite::Connection::open(&ledger).unwrap();
        assert!(db.execute(edit, []).unwrap() > 0, "{edit}");
        drop(db);
        let said = shop.step(&["recheck"]).ends(3);
        let points = said.points();
        assert!(
            points.contains(&"ledger-broken".into()),
            "{edit}: {points:?}"
        );
    }
    std::fs::write(&ledger, &whole).unwrap();
    shop.step(&["recheck"]).ends(0);
}

#[test]
fn a_newer_ledger_is_never_rewritten() {
    let shop = saved();
    let ledger = shop.path("copies/job/ledger.db");
    let db = rusqlite::Connection::open(&ledger).unwrap();
    let format: i64 = db
        .query_row("PRAGMA user_version", [], |row| row.get(0))
        .unwrap();
    db.pragma_update(None, "user_version", format + 1).unwrap();
    drop(db);
    let before = std::fs::read(&ledger).unwrap();
    for step in ["copy", "verify", "release", "recheck", "plan", "print"] {
        let said = shop.step(&[step]).ends(1);
        assert!(said.out.contains("newer"), "{step}: {}", said.out);
        assert!(
            said.json()["error"]["on"]
                .as_str()
                .is_some_and(|on| on.ends_with("ledger.db")),
            "{}",
            said.out
        );
    }
    // It is read all the same: on hold, whatever stands in there, and said so.
    let shown = shop.step(&["show"]).ends(0).json();
    assert_eq!(shown["result"]["state"], "hold");
    assert_eq!(shown["result"]["items"]["verified"], 40);
    let note = shown["result"]["note"].as_str().unwrap();
    assert!(
        note.contains("newer") && note.contains("incomplete"),
        "{note}"
    );
    // Without the tables that showing needs there is nothing to show.
    assert_eq!(before, std::fs::read(&ledger).unwrap());
    let db = rusqlite::Connection::open(&ledger).unwrap();
    db.execute_batch("ALTER TABLE got RENAME TO taken").unwrap();
    drop(db);
    refuses(&shop, "copies/job");
}

#[test]
fn what_is_no_job() {
    let shop = Shop::new();
    shop.put("papers/letter.txt", "dear all");
    shop.put("other/ledger.db", "this is no database");
    shop.put("text", "x");
    for job in ["papers", "other", "text", "nowhere"] {
        refuses(&shop, job);
    }
    // Looking made nothing.
    assert_eq!(std::fs::read_dir(shop.path("papers")).unwrap().count(), 1);
    assert!(!shop.path("nowhere").exists());
}

#[test]
fn a_step_that_was_cut_off_in_mid_transaction_is_undone_by_whoever_looks_next() {
    let shop = saved();
    let ledger = shop.path("copies/job/ledger.db");
    let journal = shop.path("copies/job/ledger.db-journal");
    // Changes that outgrew the cache: the file holds half of them, and the journal the way back.
    let db = rusqlite::Connection::open(&ledger).unwrap();
    db.execute_batch("PRAGMA cache_size=2; PRAGMA cache_spill=1; BEGIN IMMEDIATE;")
        .unwrap();
    db.execute_batch("UPDATE item SET name = zeroblob(3000);")
        .unwrap();
    let halves = [&ledger, &journal].map(|path| std::fs::read(path).unwrap());
    assert!(!halves[1].is_empty());
    // Meanwhile it is busy, not broken.
    let busy = shop.step(&["show"]);
    assert!(
        busy.code == Some(0) || busy.out.contains("at work"),
        "{}{}",
        busy.out,
        busy.err
    );
    drop(db);
    std::fs::write(&ledger, &halves[0]).unwrap();
    std::fs::write(&journal, &halves[1]).unwrap();
    shop.step(&["show"]).ends(0);
    shop.step(&["verify"]).ends(0);
    shop.step(&["release"]).ends(0);
}

#[test]
fn a_chain_cut_at_its_end_shows_even_without_the_note_of_its_length() {
    let shop = saved();
    let db = rusqlite::Connection::open(shop.path("copies/job/ledger.db")).unwrap();
    db.execute_batch(
        "DELETE FROM fact WHERE number = (SELECT max(number) FROM fact); DELETE FROM setting WHERE key = 'newest-fact';",
    )
    .unwrap();
    drop(db);
    let held = shop.step(&["release"]).ends(3).points();
    assert!(held.contains(&"ledger-broken".to_owned()), "{held:?}");
}

#[test]
fn a_copy_of_the_record_in_its_place_leads_on_and_not_to_itself() {
    let shop = Shop::new();
    shop.put("laptop/one.jpg", noise(1, 3000));
    std::fs::create_dir(shop.path("more")).unwrap();
    shop.open_with("practice", &["copies", "more"]);
    for step in ["plan", "copy", "verify"] {
        shop.step(&[step]).ends(0);
    }
    let copy = shop.path("more/job/ledger.db");
    let elsewhere = shop.run(&["show", "more/job", "--json"]).ends(0).json();
    let next = elsewhere["result"]["next"].as_str().unwrap();
    assert!(next.ends_with("copies/job"), "{next}");
    std::fs::copy(&copy, shop.path("copies/job/ledger.db")).unwrap();
    let shown = shop.step(&["show"]).ends(0).json();
    let next = shown["result"]["next"].as_str().unwrap();
    assert!(next.starts_with("holdpoint verify "), "{next}");
    shop.step(&["verify"]).ends(0);
    assert_eq!(
        shop.step(&["show"]).json()["result"]["items"]["verified"]
            .as_u64()
            .unwrap(),
        1
    );
}
