//! Weak drives: bad sectors under the real engine. The volume is made by `mkfs.ext4`, the true bytes are known, and the
//! drive counts what it is asked.

use crate::hand_bench::{Scratch, Weak, identity_edited};
use crate::hostile::noise;
use crate::shop::{Shop, have};
use holdpoint::drive::question::Reply;
use holdpoint::job::Job;
use holdpoint::judge::gaps::State;
use holdpoint::ledger::{Ledger, LedgerError};
use holdpoint::life::health::{Ailing, replies};
use holdpoint::step::event::Event;
use holdpoint::step::outcome::{Copied, Exit, Outcome, Route};
use holdpoint::step::request::{
    CloseRequest, CloseWhen, CopyRequest, PlanRequest, Source, VerifyRequest,
};
use holdpoint::step::{close, copy, open, plan, verify};
use std::collections::BTreeMap;
use std::path::Path;
use std::sync::Arc;
use std::sync::atomic::Ordering;
use std::time::Duration;

const MIB: u64 = 1 << 20;
const LENGTH: u64 = 96 * MIB;

pub const HEALTHY: Ailing = Ailing {
    hours: 9000,
    awaiting: 0,
    remapped: 0,
    given_up: 0,
    stopped_at: None,
    celsius: 33,
};
/// The route is salvage from the start.
pub const WEAK: Ailing = Ailing {
    awaiting: 5,
    ..HEALTHY
};

pub type Files = BTreeMap<String, Vec<u8>>;

/// Films of several requests, and pictures of less than one.
pub fn content() -> Files {
    let films = (0..8u64).map(|n| (format!("film-{n}.mp4"), noise(n, (9 * MIB) as usize + 1234)));
    let pictures = (0..30u64).map(|n| (format!("{n}.jpg"), noise(100 + n, 20_000)));
    films.chain(pictures).collect()
}

/// An ext4 volume with these files.
pub fn image(at: &Path, files: &Files) {
    let content = at.with_extension("content");
    std::fs::create_dir_all(&content).unwrap();
    for (name, bytes) in files {
        std::fs::write(content.join(name), bytes).unwrap();
    }
    std::fs::File::create(at).unwrap().set_len(LENGTH).unwrap();
    let made = std::process::Command::new("mkfs.ext4")
        .args(["-q", "-F", "-d"])
        .args([&content, at])
        .status();
    assert!(made.unwrap().success());
}

/// The sector of the drive that holds byte `at` of a file.
pub fn sector(image: &[u8], file: &[u8], at: usize) -> u64 {
    let at = at / 512 * 512;
    let part = &file[at..file.len().min(at + 512)];
    let mut found = image
        .chunks_exact(512)
        .enumerate()
        .filter(|(_, s)| s.starts_with(part));
    let place = found.next().unwrap().0;
    assert!(found.next().is_none());
    place as u64
}

/// Bad places by file: bytes into it.
const BAD: [(&str, &[usize]); 4] = [
    ("film-1.mp4", &[5_000_000]),
    ("film-5.mp4", &[0, 4096, 4608, 9_000_000]),
    ("7.jpg", &[512]),
    ("21.jpg", &[19_968]),
];

/// Missing ranges as they must be told, by file.
fn lost(files: &Files) -> BTreeMap<String, Vec<(u64, u64)>> {
    let mut out = BTreeMap::new();
    for (name, places) in BAD {
        let mut ranges: Vec<(u64, u64)> = Vec::new();
        for place in places {
            let first = (place / 512 * 512) as u64;
            let bytes = 512.min(files[name].len() as u64 - first);
            match ranges.last_mut() {
                Some((at, length)) if *at + *length == first => *length += bytes,
                _ => ranges.push((first, bytes)),
            }
        }
        out.insert(name.to_owned(), ranges);
    }
    out
}

/// A job on the hand bench, planned, with the bad sectors in place.
pub fn planned<'b>(scratch: &'b Scratch, files: &Files, health: Ailing) -> Job<'b> {
    let path = scratch.path("drive");
    image(&path, files);
    let bytes = std::fs::read(&path).unwrap();
    let bad = BAD.iter().flat_map(|(name, places)| {
        let file = &files[*name];
        places.iter().map(|place| sector(&bytes, file, *place))
    });
    let bench = &scratch.bench;
    *bench.weak.bad.lock().unwrap() = bad.collect();
    bench.apart.store(true, Ordering::Relaxed);
    *bench.alter.lock().unwrap() = Some(|facts| {
        facts.is_image = false;
        facts.kernel_read_only = Some(true);
        facts.serial = Some("INV-1".into());
    });
    let said = identity_edited(replies("INVENTED 500", "INV-1", &health), |page| {
        page[200..208].copy_from_slice(&(LENGTH / 512).to_le_bytes());
        // 512 bytes in a physical sector (ACS-3, word 106).
        page[212..214].copy_from_slice(&0x4000u16.to_le_bytes());
    });
    *bench.health.lock().unwrap() = vec![said];
    let request = scratch.request(Source::Drives(vec![path]));
    let mut quiet = |_: Event| {};
    let opened = open::open(bench, &request, &|path| Ledger::create(path), &mut quiet);
    let job = Job::open(bench, &opened.unwrap().job.unwrap()).unwrap();
    let request = PlanRequest {
        job: job.dir.clone(),
        list: false,
    };
    plan::plan(&job, &request, &mut quiet).unwrap();
    bench.weak.forget();
    job
}

pub fn carried(job: &Job<'_>, events: &mut Vec<Event>) -> Outcome<Copied> {
    let request = CopyRequest {
        job: job.dir.clone(),
        limit_bytes: None,
        limit_minutes: None,
    };
    copy::copy(job, &request, &mut |event| events.push(event)).unwrap()
}

/// Every file is in the bag of this destination, and wrong nowhere but where the ledger says that it is missing, which is
/// exactly where the drive is bad.
#[track_caller]
pub fn judged(scratch: &Scratch, job: &Job<'_>, at: &str, files: &Files) {
    let lost = lost(files);
    let mut seen = 0;
    job.ledger
        .each_item::<LedgerError>("item.kind = 0 AND item.want = 0", |item, got| {
            let name = item.name.text();
            let Some(truth) = files.get(&name) else {
                return Ok(());
            };
            seen += 1;
            let missing = lost.get(&name).cloned().unwrap_or_default();
            assert_eq!(got.missing, missing, "{name}");
            let mut want = truth.clone();
            for (first, bytes) in missing {
                want[first as usize..(first + bytes) as usize].fill(0);
            }
            let copy = scratch.path(&format!("{at}/job/bag/data/drive1-volume1/{name}"));
            assert!(std::fs::read(copy).unwrap() == want, "{name} at {at}");
            Ok(())
        })
        .unwrap();
    assert_eq!(seen, files.len());
}

fn rerouted(events: &[Event]) -> Vec<Route> {
    let routes = events.iter().filter_map(|event| match event {
        Event::Rerouted { route, .. } => Some(*route),
        _ => None,
    });
    routes.collect()
}

pub fn warned(events: &[Event]) -> Vec<&str> {
    let said = events.iter().filter_map(|event| match event {
        Event::Warn { says } => Some(says.as_str()),
        _ => None,
    });
    said.collect()
}

#[test]
fn every_sector_of_a_weak_drive_is_read_once_and_the_image_goes_with_the_job() {
    if !have("every_sector_of_a_weak_drive", &["mkfs.ext4"]) {
        return;
    }
    let (scratch, files) = (Scratch::new(), content());
    let job = planned(&scratch, &files, WEAK);
    let weak = Arc::clone(&scratch.bench.weak);
    let mut events = Vec::new();
    let outcome = carried(&job, &mut events);
    assert_eq!(outcome.exit, Exit::Done, "{:?}", outcome.short);
    assert_eq!(warned(&events), [""; 0]);
    assert_eq!((outcome.result.damaged, outcome.result.remaining), (4, 0));
    for at in ["one", "two"] {
        judged(&scratch, &job, at, &files);
    }

    // The first opening is the reader's; later ones look at the drive's fingerprint.
    let bad = weak.bad.lock().unwrap().clone();
    let asked = weak.through(0);
    let mut times = BTreeMap::new();
    for (first, count) in &asked {
        let range = *first..first + count;
        if !bad.iter().any(|bad| range.contains(bad)) {
            range.for_each(|sector| *times.entry(sector).or_insert(0) += 1);
        }
    }
    assert!(
        times.values().all(|times| *times == 1),
        "a sector was read twice"
    );
    for bad in &bad {
        let alone = asked.iter().filter(|ask| **ask == (*bad, 1)).count();
        assert_eq!(alone, 2, "found, and once more after a rest: {bad}");
        let hit = |(first, count): &&(u64, u64)| (*first..first + count).contains(bad);
        assert!(asked.iter().filter(hit).count() <= 16, "{bad}");
    }
    // The bad places come last: all that is asked after the first of them was found alone lies near one.
    let states = job.ledger.range_states(0).unwrap();
    assert_eq!(states.count(State::Refused), bad.len() as u64);
    assert_eq!(states.count(State::PutOff), 0);

    // The image lies beside the bag, and its map in the bag.
    assert!(
        scratch
            .path("one/job/salvage/drive-1-0001.extents")
            .is_file()
    );
    let map: serde_json::Value =
        serde_json::from_slice(&scratch.read("two/job/bag/holdpoint/salvage.json")).unwrap();
    let refused = map[0]["ranges"].as_array().unwrap().iter();
    let refused = refused.filter(|range| range["state"] == "refused");
    assert_eq!(
        refused
            .map(|range| range["count"].as_u64().unwrap())
            .sum::<u64>(),
        bad.len() as u64
    );
    let request = VerifyRequest {
        path: job.dir.clone(),
        attest: false,
    };
    let verified = verify::verify(&job, &request, &mut |_| {}).unwrap();
    assert!(verified.result.extra.is_empty() && verified.result.mismatched.is_empty());
    assert_eq!(verified.exit, Exit::Done);

    // Again: nothing is left that could be asked.
    weak.forget();
    assert_eq!(carried(&job, &mut events).exit, Exit::Done);
    assert_eq!(weak.through(0), []);

    let reason = "the test is over".to_owned();
    let request = CloseRequest {
        job: job.dir.clone(),
        when: CloseWhen::Now { reason },
    };
    close::close(&job, &request, &mut |_| {}).unwrap();
    assert!(!scratch.path("one/job/salvage").exists());
    assert_eq!(job.ledger.ranges(0).unwrap(), []);
}

/// The drive takes its time, so that what came of a request is known before much more is handed out.
pub fn at_a_walk(weak: &Weak) {
    let walk = Box::new(|_, _, _| std::thread::sleep(Duration::from_millis(10)));
    *weak.at_request.lock().unwrap() = Some(walk);
}

#[test]
fn errors_met_on_the_way_put_the_layer_in() {
    if !have("errors_met_on_the_way", &["mkfs.ext4"]) {
        return;
    }
    let (scratch, files) = (Scratch::new(), content());
    let job = planned(&scratch, &files, HEALTHY);
    at_a_walk(&scratch.bench.weak);
    let mut events = Vec::new();
    let outcome = carried(&job, &mut events);
    assert_eq!(outcome.exit, Exit::Done, "{:?}", outcome.short);
    assert_eq!(rerouted(&events), [Route::Salvage], "{events:#?}");
    // What had been handed out already came back, and was read through the layer.
    assert!(
        scratch
            .path("one/job/salvage/drive-1-0001.extents")
            .is_file()
    );
    for at in ["one", "two"] {
        judged(&scratch, &job, at, &files);
    }
}

#[test]
fn cut_off_anywhere_nothing_in_hand_is_asked_again() {
    if !have("cut_off_anywhere", &["mkfs.ext4"]) {
        return;
    }
    let (scratch, files) = (Scratch::new(), content());
    let mut job = planned(&scratch, &files, WEAK);
    let dir = job.dir.clone();
    let weak = Arc::clone(&scratch.bench.weak);
    let mut runs = 0;
    loop {
        let known = job.ledger.range_states(0).unwrap();
        weak.forget();
        // The requests for the fingerprint come first, about as many as it has stretches.
        let stop = Arc::clone(&scratch.bench.stop);
        let at = Box::new(move |number, _, _| stop.store(number >= 90, Ordering::Relaxed));
        *weak.at_request.lock().unwrap() = Some(at);
        let outcome = carried(&job, &mut Vec::new());
        for (first, count) in weak.through(0) {
            for part in known.within(first, first + count) {
                assert_ne!(part.state, State::InHand, "run {runs}: {first} {count}");
            }
        }
        runs += 1;
        if outcome.exit == Exit::Done {
            break;
        }
        scratch.bench.stop.store(false, Ordering::Relaxed);
        // As after a start of the program.
        drop(job);
        job = Job::open(&scratch.bench, &dir).unwrap();
        assert!(runs < 60, "no end");
    }
    assert!(runs > 1, "it was never cut off");
    for at in ["one", "two"] {
        judged(&scratch, &job, at, &files);
    }
}

#[test]
fn a_rotten_image_costs_nothing_but_asking_again() {
    if !have("a_rotten_image", &["mkfs.ext4"]) {
        return;
    }
    let (scratch, files) = (Scratch::new(), content());
    let job = planned(&scratch, &files, WEAK);
    let weak = Arc::clone(&scratch.bench.weak);
    // Cut off when the bad places are looked for: films lie in the image in part, and are not copied yet.
    let stop = Arc::clone(&scratch.bench.stop);
    let bad = weak.bad.lock().unwrap()[0];
    let at = Box::new(move |_, first: u64, count: u64| {
        if (first..first + count).contains(&bad) && count < 64 {
            stop.store(true, Ordering::Relaxed);
        }
    });
    *weak.at_request.lock().unwrap() = Some(at);
    assert_eq!(carried(&job, &mut Vec::new()).exit, Exit::Stopped);
    *weak.at_request.lock().unwrap() = None;
    scratch.bench.stop.store(false, Ordering::Relaxed);
    let dir = job.dir.clone();
    drop(job);
    let path = scratch.path("one/job/salvage/drive-1-0001.extents");
    let mut bytes = std::fs::read(&path).unwrap();
    for byte in bytes.iter_mut().step_by(1 << 20) {
        *byte ^= 4;
    }
    std::fs::write(&path, bytes).unwrap();

    let job = Job::open(&scratch.bench, &dir).unwrap();
    let outcome = carried(&job, &mut Vec::new());
    assert_eq!(outcome.exit, Exit::Done, "{:?}", outcome.short);
    let rows = job.ledger.ranges(0).unwrap();
    let noticed = rows.iter().filter(|row| row.range.state == State::Unasked);
    assert!(noticed.count() > 0, "the rot was not noticed");
    for at in ["one", "two"] {
        judged(&scratch, &job, at, &files);
    }
}

#[test]
fn without_room_for_an_image_the_drive_is_read_straight_and_that_is_said() {
    if !have("without_room_for_an_image", &["mkfs.ext4"]) {
        return;
    }
    let (scratch, files) = (Scratch::new(), content());
    let job = planned(&scratch, &files, WEAK);
    // Enough for the copies, and not for the image beside them.
    scratch.bench.room.store(100 * MIB, Ordering::Relaxed);
    let mut events = Vec::new();
    let outcome = carried(&job, &mut events);
    assert_eq!(outcome.exit, Exit::Done, "{:?}", outcome.short);
    let warned = warned(&events);
    assert_eq!(warned.len(), 1, "{warned:?}");
    assert!(
        warned[0].contains("no destination has room for a salvage image"),
        "{warned:?}"
    );
    for at in ["one", "two"] {
        judged(&scratch, &job, at, &files);
    }
    assert!(!scratch.path("one/job/salvage").exists());
}

#[test]
fn killed_on_the_salvage_route_no_row_tells_of_a_sector_twice() {
    if !have("killed_on_the_salvage_route", &["mkfs.ext4"]) {
        return;
    }
    let (shop, files) = (Shop::new(), content());
    image(&shop.path("drive.img"), &files);
    for (question, reply) in replies("INVENTED 500", "INV-1", &WEAK).iter() {
        if let Reply::Bytes(bytes) = reply {
            shop.put(&format!("sick/{}", question.file_name()), bytes);
        }
    }
    let mut words = vec![
        "open",
        "--drive",
        "drive.img",
        "--to",
        "copies",
        "--job",
        "copies/job",
    ];
    words.extend([
        "--policy",
        "practice",
        "--owner",
        "R. Amsel",
        "--technician",
        "K. Brandt",
    ]);
    words.extend([
        "--must-have",
        "none",
        "--symptom",
        "none",
        "--memory",
        "known-good",
    ]);
    words.extend(["--replies", "sick", "--json"]);
    shop.run(&words).ends(0);
    let said = shop.step(&["assess", "--no-sampling"]).ends(0).json();
    assert_eq!(said["result"]["drives"][0]["forecast"]["route"], "salvage");
    shop.step(&["plan"]).ends(0);
    let mut kills = 0;
    for delay in [100, 200, 300, 400, 600, 800] {
        let mut child = shop.start(&["copy", "copies/job"]);
        std::thread::sleep(Duration::from_millis(delay));
        if child.try_wait().unwrap().is_some() {
            break;
        }
        child.kill().unwrap(); // SIGKILL
        child.wait().unwrap();
        kills += 1;
    }
    assert!(kills > 0, "it was done before it could be killed");
    shop.step(&["copy"]).ends(0);
    let db = rusqlite::Connection::open(shop.path("copies/job/ledger.db")).unwrap();
    let mut rows = db
        .prepare("SELECT first, count FROM range WHERE state = 'in-hand' ORDER BY first")
        .unwrap();
    let rows: Vec<(i64, i64)> = rows
        .query_map([], |row| Ok((row.get(0)?, row.get(1)?)))
        .unwrap()
        .collect::<Result<_, _>>()
        .unwrap();
    assert!(rows.len() > 30, "{rows:?}");
    for pair in rows.windows(2) {
        assert!(pair[0].0 + pair[0].1 <= pair[1].0, "{pair:?}");
    }
    for (name, truth) in &files {
        let copy = shop.path(&format!("copies/job/bag/data/drive1-volume1/{name}"));
        assert!(std::fs::read(copy).unwrap() == *truth, "{name}");
    }
    shop.step(&["verify"]).ends(0);
}
