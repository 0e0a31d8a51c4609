//! Copying that is cut: killed, out of room, without its disk. What the ledger says is copied is there,
//! and the same command goes on.

use crate::hand_bench::Scratch;
use crate::hostile::noise;
use crate::linux::support::{Mounted, can};
use crate::shop::{Shop, listing, same_trees};
use holdpoint::job::Job;
use holdpoint::ledger::Ledger;
use holdpoint::step::copy::copy;
use holdpoint::step::open::open;
use holdpoint::step::plan::plan;
use holdpoint::step::request::{CopyRequest, PlanRequest, Source};
use std::path::Path;
use std::time::Duration;

/// Many small files and a few large ones.
fn filled(files: u64) -> Shop {
    let shop = Shop::new();
    for number in 0..files {
        let bytes = noise(number, 500 + (number as usize * 7919) % 40_000);
        shop.put(&format!("laptop/{}/{number}.jpg", number % 17), bytes);
    }
    for number in 0..3 {
        shop.put(
            &format!("laptop/film-{number}.mp4"),
            noise(1000 + number, 18 << 20),
        );
    }
    shop
}

/// Every item that the ledger calls copied is whole at its place in the bag.
#[track_caller]
fn nothing_is_called_copied_that_is_not(shop: &Shop) -> usize {
    let db = rusqlite::Connection::open(shop.path("copies/job/ledger.db")).unwrap();
    let mut copied = db
        .prepare("SELECT item.name, item.parent, got.blake3 FROM got JOIN item ON item.id = got.item WHERE got.written <> 0")
        .unwrap();
    let folder = |id: i64| -> String {
        db.query_row("SELECT name, parent FROM item WHERE id = ?1", [id], |row| {
            row.get::<_, Vec<u8>>(0)
        })
        .map(|name| format!("{}/", String::from_utf8(name).unwrap()))
        .unwrap_or_default()
    };
    let rows = copied.query_map([], |row| {
        Ok((
            row.get::<_, Vec<u8>>(0)?,
            row.get::<_, i64>(1)?,
            row.get::<_, Vec<u8>>(2)?,
        ))
    });
    let mut count = 0;
    for row in rows.unwrap() {
        let (name, parent, digest) = row.unwrap();
        // Two levels at most, names as they are: `filled` makes no others.
        let path = format!("{}{}", folder(parent), String::from_utf8(name).unwrap());
        let copy = shop.path("copies/job/bag/data/folder").join(&path);
        let content = std::fs::read(&copy).unwrap_or_else(|e| panic!("{}: {e}", copy.display()));
        assert_eq!(blake3::hash(&content).as_bytes()[..], digest, "{path}");
        count += 1;
    }
    count
}

#[test]
fn killed_again_and_again() {
    let shop = filled(2500);
    shop.open();
    shop.step(&["plan"]).ends(0);
    let (mut seen, mut kills) = (Vec::new(), 0);
    for delay in [3, 10, 30, 80, 150, 300, 500, 800, 1200, 1700, 2500] {
        let mut child = shop.start(&["copy", "copies/job"]);
        std::thread::sleep(Duration::from_millis(delay));
        if child.try_wait().unwrap().is_some() {
            break;
        }
        child.kill().unwrap(); // SIGKILL
        child.wait().unwrap();
        kills += 1;
        seen.push(nothing_is_called_copied_that_is_not(&shop));
    }
    assert!(
        kills >= 3,
        "the copy was done before it could be killed: {seen:?}"
    );
    assert!(seen.is_sorted(), "what was copied stays copied: {seen:?}");
    let done = shop.step(&["copy"]).ends(0).json();
    assert_eq!(done["result"]["remaining"], 0, "{done}");
    assert_eq!(nothing_is_called_copied_that_is_not(&shop), 2503);
    let verified = shop.step(&["verify"]).ends(0).json();
    assert_eq!(verified["result"]["verified"]["items"], 2503);
    assert_eq!(shop.payload().len(), 2503, "no left-overs in the bag");
    shop.waive_health();
    shop.step(&["release"]).ends(0);
    shop.step(&["put-back", "--to", "fresh"]).ends(0);
    same_trees(
        &listing(&shop.path("laptop")),
        &listing(&shop.path("fresh")),
    );
}

/// Waits until `child` has a handler of its own for SIGINT (proc(5), `SigCgt`), or has ended. Before that an interrupt
/// ends it like any program, with nothing begun.
fn until_it_heeds_an_interrupt(child: &mut std::process::Child) {
    for _ in 0..2000 {
        let status = std::fs::read_to_string(format!("/proc/{}/status", child.id()));
        let caught = status.unwrap_or_default().lines().find_map(|line| {
            let mask = line.strip_prefix("SigCgt:")?;
            u64::from_str_radix(mask.trim(), 16).ok()
        });
        let bit = 1 << (rustix::process::Signal::INT.as_raw() - 1);
        if caught.is_some_and(|mask| mask & bit != 0) || child.try_wait().unwrap().is_some() {
            return;
        }
        std::thread::sleep(Duration::from_millis(10));
    }
    panic!("no handler for an interrupt within 20 s");
}

#[test]
fn stopped_by_its_limit_and_by_a_signal() {
    let shop = filled(300);
    shop.open();
    shop.step(&["plan"]).ends(0);
    let said = shop
        .step(&["copy", "--limit-bytes", "5000000"])
        .ends(4)
        .json();
    assert!(said["result"]["remaining"].as_u64().unwrap() > 0, "{said}");
    shop.step(&["release"]).ends(3);
    let mut child = shop.start(&["copy", "copies/job"]);
    until_it_heeds_an_interrupt(&mut child);
    let id = rustix::process::Pid::from_child(&child);
    let _ = rustix::process::kill_process(id, rustix::process::Signal::INT);
    let code = child.wait().unwrap().code();
    assert!(matches!(code, Some(0 | 4)), "{code:?}");
    nothing_is_called_copied_that_is_not(&shop);
    shop.step(&["copy"]).ends(0);
    shop.step(&["verify"]).ends(0);
}

#[test]
fn shown_while_it_copies() {
    let shop = filled(1500);
    shop.open();
    shop.step(&["plan"]).ends(0);
    let mut child = shop.start(&["copy", "copies/job"]);
    let mut looks = 0;
    while child.try_wait().unwrap().is_none() {
        let said = shop.step(&["show"]).ends(0).json();
        assert_eq!(said["result"]["state"], "hold");
        looks += 1;
    }
    assert_eq!(child.wait().unwrap().code(), Some(0));
    assert!(looks > 0);
    shop.step(&["verify"]).ends(0);
}

/// A small file system in memory; `None` = cannot be had here.
fn small(test: &str, at: &Path, mib: u64) -> Option<Mounted> {
    if !can(test, &[]) {
        return None;
    }
    match Mounted::try_at(at, &["-t", "tmpfs", "-o", &format!("size={mib}m"), "none"]) {
        Ok(mounted) => Some(mounted),
        Err(why) => {
            crate::skip::skip(test, &format!("nothing can be mounted here: {why}"));
            None
        }
    }
}

fn remount(at: &Path, option: &str) {
    let at = at.to_str().unwrap();
    crate::linux::support::run("mount", &["-o", &format!("remount,{option}"), at]).unwrap();
}

#[test]
fn a_destination_that_fills_up() {
    let shop = filled(200);
    let Some(_mounted) = small("a_destination_that_fills_up", &shop.path("shelf"), 20) else {
        return;
    };
    shop.open_with("practice", &["copies", "shelf"]);
    shop.step(&["plan"]);
    let said = shop.step(&["copy"]);
    let said = said.ends(4);
    // One copy is all that practice wants.
    assert_eq!(said.json()["result"]["remaining"], 0, "{}", said.out);
    assert!(!said.err.contains("panicked"), "{}", said.err);
    let text = format!("{}{}", said.out, said.err);
    assert!(
        text.contains("shelf") && (text.contains("full") || text.contains("space")),
        "{text}"
    );
    nothing_is_called_copied_that_is_not(&shop);
    shop.waive_health();
    shop.step(&["release"]).ends(3);
    remount(&shop.path("shelf"), "size=200m");
    shop.step(&["copy"]).ends(0);
    shop.step(&["verify"]).ends(0);
    shop.step(&["release"]).ends(0);
}

#[test]
fn what_lacks_the_second_copy_that_the_policy_wants_remains_to_be_copied() {
    let shop = filled(200);
    let test = "what_lacks_the_second_copy_that_the_policy_wants_remains_to_be_copied";
    let Some(_mounted) = small(test, &shop.path("shelf"), 20) else {
        return;
    };
    let two = "[copies]\nirreplaceable = 2\nhard-to-replace = 2\nreplaceable = 2\nwhy = \"ours\"\n";
    let head = "name = \"two\"\nsays = \"Two.\"\nextends = \"practice\"\n";
    shop.put("two.toml", format!("{head}{two}"));
    shop.open_with("two.toml", &["copies", "shelf"]);
    shop.step(&["plan"]);
    let said = shop.step(&["copy"]).ends(4).json();
    let copies = listing(&shop.path("shelf/job/bag/data"));
    let there = copies.values().filter(|entry| entry.kind == "file").count() as u64;
    assert!(there > 20, "{there}");
    assert_eq!(said["result"]["copied"]["items"], 203, "{said}");
    assert_eq!(said["result"]["remaining"], 203 - there, "{said}");
    remount(&shop.path("shelf"), "size=200m");
    let said = shop.step(&["copy"]).ends(0).json();
    assert_eq!(said["result"]["remaining"], 0, "{said}");
}

#[test]
fn what_is_too_large_for_a_destination_does_not_keep_the_small_ones_out() {
    let test = "what_is_too_large_for_a_destination_does_not_keep_the_small_ones_out";
    let shop = Shop::new();
    for number in 0..20 {
        shop.put(&format!("laptop/{number}.jpg"), noise(number, 40_000));
    }
    let Some(_mounted) = small(test, &shop.path("shelf"), 24) else {
        return;
    };
    shop.open_with("practice", &["copies", "shelf"]);
    // Little is no alarm, however little else is free.
    let planned = shop.step(&["plan"]).ends(0);
    let points = planned.points();
    assert!(
        !points.contains(&"destination-full".to_owned()),
        "{points:?}"
    );
    std::fs::write(shop.path("laptop/film.mov"), vec![7u8; 40 << 20]).unwrap();
    let planned = shop.step(&["plan", "--quiet"]).ends(0).json();
    let points = planned["open_points"].as_array().unwrap();
    let full = points
        .iter()
        .find(|point| point["id"] == "destination-full");
    assert!(
        full.is_some_and(|point| point["says"].to_string().contains("shelf has ")),
        "{points:?}"
    );
    let said = shop.step(&["copy"]).ends(4).json();
    let why = said["error"]["what"].as_str().unwrap();
    assert!(why.contains("has no room for film.mov (41.9 MB)"), "{why}");
    let copies = |top: &str| {
        let all = listing(&shop.path(top).join("job/bag/data"));
        all.values().filter(|entry| entry.kind == "file").count()
    };
    assert_eq!((copies("copies"), copies("shelf")), (21, 20));
    nothing_is_called_copied_that_is_not(&shop);
    remount(&shop.path("shelf"), "size=100m");
    shop.step(&["copy"]).ends(0);
    assert_eq!(copies("shelf"), 21);
}

#[test]
fn the_only_destination_fills_up_ledger_and_all() {
    let shop = filled(200);
    let test = "the_only_destination_fills_up_ledger_and_all";
    let Some(_mounted) = small(test, &shop.path("copies"), 6) else {
        return;
    };
    shop.open();
    shop.step(&["plan"]);
    // What is whole when the room ends is copied and counted; there is room left for the record of it.
    let said = shop.step(&["copy"]).ends(4).json();
    let copied = said["result"]["copied"]["items"].as_u64().unwrap();
    let remaining = said["result"]["remaining"].as_u64().unwrap();
    assert!(
        copied > 20 && copied < 200 && copied + remaining == 203,
        "{said}"
    );
    // What was on its way when the room ended is begun or cut short, a file for each worker at most; how many are only
    // begun depends on how far ahead the queue was.
    let left = std::fs::read_dir(shop.path("copies/job/in-work")).unwrap();
    let lengths = left.map(|entry| entry.unwrap().metadata().unwrap().len());
    let with_bytes = lengths.filter(|length| *length > 0).count();
    assert!(
        with_bytes <= 8,
        "{with_bytes} files with bytes lie about unnamed"
    );
    shop.step(&["verify"]).ends(0);
    shop.step(&["release"]).ends(3);
    remount(&shop.path("copies"), "size=200m");
    nothing_is_called_copied_that_is_not(&shop);
    shop.step(&["copy"]).ends(0);
    shop.step(&["verify"]).ends(0);
    shop.waive_health();
    shop.step(&["release"]).ends(0);
}

#[test]
fn a_destination_turns_read_only() {
    let shop = filled(50);
    let Some(_mounted) = small("a_destination_turns_read_only", &shop.path("shelf"), 200) else {
        return;
    };
    shop.open_with("practice", &["copies", "shelf"]);
    shop.step(&["plan"]).ends(0);
    remount(&shop.path("shelf"), "ro");
    let said = shop.step(&["copy"]);
    assert_ne!(said.code, Some(0), "{}{}", said.out, said.err);
    assert!(!said.err.contains("panicked"), "{}", said.err);
    shop.waive_health();
    shop.step(&["release"]).ends(3);
    remount(&shop.path("shelf"), "rw");
    shop.step(&["copy"]).ends(0);
    shop.step(&["verify"]).ends(0);
    shop.step(&["release"]).ends(0);
}

#[test]
fn a_destination_is_gone_and_comes_back() {
    let shop = filled(50);
    std::fs::create_dir(shop.path("shelf")).unwrap();
    shop.open_with("practice", &["copies", "shelf"]);
    shop.step(&["plan"]).ends(0);
    std::fs::rename(shop.path("shelf"), shop.path("away")).unwrap();
    // Work that was done in part is no success, and says why in the result itself.
    for (step, code) in [("copy", 4), ("verify", 1)] {
        let said = shop.step(&[step]).ends(code).json();
        let why = said["error"]["what"].as_str().unwrap();
        assert!(why.contains("shelf"), "{step}: {why}");
        assert!(said["result"].is_object(), "{said}");
        let page = shop.run(&[step, "copies/job", "--quiet"]);
        assert!(
            page.out.lines().next().unwrap().contains("not every"),
            "{}",
            page.out
        );
    }
    shop.waive_health();
    let points = shop.step(&["release"]).ends(3).points();
    assert!(
        points.contains(&"destination-missing".to_owned()),
        "{points:?}"
    );
    assert!(
        !shop.path("shelf").exists(),
        "nothing is made where a disk was"
    );
    std::fs::rename(shop.path("away"), shop.path("shelf")).unwrap();
    shop.step(&["copy"]).ends(0);
    shop.step(&["verify"]).ends(0);
    shop.step(&["release"]).ends(0);
}

#[test]
fn another_disk_stands_where_the_destination_was() {
    let shop = filled(30);
    std::fs::create_dir(shop.path("shelf")).unwrap();
    shop.open_with("practice", &["copies", "shelf"]);
    shop.step(&["plan"]).ends(0);
    // Another job's disk, mounted at the same place.
    let other = filled(3);
    std::fs::create_dir(other.path("shelf")).unwrap();
    other.open_with("practice", &["copies", "shelf"]);
    std::fs::rename(shop.path("shelf"), shop.path("away")).unwrap();
    std::fs::rename(other.path("shelf"), shop.path("shelf")).unwrap();
    let before = listing(&shop.path("shelf"));
    shop.step(&["copy"]);
    shop.step(&["verify"]);
    shop.waive_health();
    shop.step(&["release"]).ends(3);
    same_trees(&before, &listing(&shop.path("shelf")));
}

#[test]
fn the_source_goes_away() {
    let shop = filled(60);
    shop.open();
    shop.step(&["plan"]).ends(0);
    shop.step(&["copy", "--limit-bytes", "400000"]);
    // Some files first, then everything.
    std::fs::remove_dir_all(shop.path("laptop/3")).unwrap();
    let said = shop.step(&["copy"]);
    assert!(!said.err.contains("panicked"), "{}", said.err);
    shop.step(&["verify"]);
    shop.waive_health();
    shop.step(&["release"]).ends(3);
    std::fs::rename(shop.path("laptop"), shop.path("elsewhere")).unwrap();
    let said = shop.step(&["copy"]);
    assert!(!said.err.contains("panicked"), "{}", said.err);
    let points = shop.step(&["release"]).ends(3).points();
    assert!(points.contains(&"source-gone".to_owned()), "{points:?}");
    nothing_is_called_copied_that_is_not(&shop);
}

#[test]
fn a_fresh_system_without_room_is_gone_on_with() {
    let shop = filled(20);
    let test = "a_fresh_system_without_room_is_gone_on_with";
    let Some(_mounted) = small(test, &shop.path("fresh"), 10) else {
        return;
    };
    shop.saved();
    let said = shop.step(&["put-back", "--to", "fresh"]).ends(4).json();
    let what = said["error"]["what"].as_str().unwrap();
    assert!(what.contains("ENOSPC"), "{said}");
    assert!(said["result"]["returned"]["items"].is_u64(), "{said}");
    remount(&shop.path("fresh"), "size=200m");
    shop.step(&["put-back", "--to", "fresh"]).ends(0);
}

/// A stop does not wait for the end of a file of hours; what was begun of it is as if it had not been.
#[test]
fn a_stop_in_the_middle_of_a_large_file_comes_soon_and_the_file_is_copied_later() {
    let scratch = Scratch::new();
    let path = scratch.path("source/machine.vhd");
    let file = std::fs::File::create(&path).unwrap();
    // A hole that takes minutes to be hashed.
    file.set_len(60 << 30).unwrap();
    let opened = open(
        &scratch.bench,
        &scratch.request(Source::Folder(scratch.path("source"))),
        &|path| Ledger::create(path),
        &mut |_| {},
    );
    let dir = opened.unwrap().job.unwrap();
    let job = Job::open(&scratch.bench, &dir).unwrap();
    let request = PlanRequest {
        job: dir.clone(),
        list: false,
    };
    plan(&job, &request, &mut |_| {}).unwrap();
    let request = CopyRequest {
        job: dir,
        limit_bytes: None,
        limit_minutes: None,
    };
    let stop = std::sync::Arc::clone(&scratch.bench.stop);
    let later = std::thread::spawn(move || {
        std::thread::sleep(Duration::from_millis(300));
        stop.store(true, std::sync::atomic::Ordering::Relaxed);
    });
    let stopped = copy(&job, &request, &mut |_| {}).unwrap().result;
    later.join().unwrap();
    assert_eq!((stopped.copied.items, stopped.remaining), (0, 1));
    let stop = &scratch.bench.stop;
    stop.store(false, std::sync::atomic::Ordering::Relaxed);
    file.set_len(100 << 20).unwrap();
    let request_plan = PlanRequest {
        job: job.dir.clone(),
        list: false,
    };
    plan(&job, &request_plan, &mut |_| {}).unwrap();
    let done = copy(&job, &request, &mut |_| {}).unwrap().result;
    assert_eq!((done.copied.items, done.remaining), (1, 0));
}
