//! A drive that gets worse, falls silent, is exchanged, or whose record is edited: what the job once knew of it stays
//! known. The pages are laid out as ACS-3 fixes them (`life::health`).

use crate::hand_bench::{Scratch, identity_edited};
use crate::hostile::noise;
use crate::shop::{Said, Shop, have};
use holdpoint::drive::question::{Question, Reply};
use holdpoint::drive::replies::Replies;
use holdpoint::job::Job;
use holdpoint::ledger::{FactBody, Ledger};
use holdpoint::life::health::{Ailing, replies};
use holdpoint::step::event::Event;
use holdpoint::step::outcome::{Route, State};
use holdpoint::step::request::{CopyRequest, PlanRequest, ReleaseRequest, Source, VerifyRequest};
use holdpoint::step::{copy, open, plan, release, verify};
use holdpoint::value::Moment;
use std::path::Path;

const HEALTHY: Ailing = Ailing {
    hours: 9000,
    awaiting: 0,
    remapped: 0,
    given_up: 0,
    stopped_at: None,
    celsius: 33,
};

fn record(shop: &Shop, folder: &str, said: &Replies) {
    for (question, reply) in said.iter() {
        let name = question.file_name();
        let stem = name.trim_end_matches(".bin");
        match reply {
            Reply::Bytes(bytes) => shop.put(&format!("{folder}/{name}"), bytes),
            Reply::Unread(why) => shop.put(&format!("{folder}/{stem}.error"), why),
            Reply::NotReported => continue,
        };
    }
}

fn disk(shop: &Shop, folder: &str, serial: &str, ailing: &Ailing) {
    record(shop, folder, &replies("INVENTED 500", serial, ailing));
}

/// Every page refused: operation unknown.
fn silent(shop: &Shop, folder: &str) {
    let mut said = Replies::default();
    for question in [Question::AtaIdentify, Question::AtaSmartData] {
        said.put(question, Reply::Unread("sense 05/20/00".into()));
    }
    record(shop, folder, &said);
}

fn shop() -> Shop {
    let shop = Shop::new();
    for number in 0..3 {
        let name = format!("laptop/Pictures/{number}.jpg");
        shop.put(&name, noise(number, 4000));
    }
    shop
}

fn opened(shop: &Shop, more: &[&str]) -> Said {
    let mut words = vec!["open", "--folder", "laptop", "--to", "copies"];
    words.extend(["--job", "copies/job", "--policy", "practice"]);
    words.extend(["--owner", "R. Amsel", "--technician", "K. Brandt"]);
    words.extend(["--must-have", "none", "--json"]);
    words.extend(more);
    shop.run(&words).ends(0)
}

const SOUND: [&str; 4] = ["--symptom", "none", "--memory", "known-good"];

#[track_caller]
fn route(said: &Said) -> String {
    let json = said.json();
    let route = &json["result"]["drives"][0]["forecast"]["route"];
    route.as_str().unwrap().to_owned()
}

fn facts(shop: &Shop) -> Ledger {
    Ledger::open(&shop.path("copies/job/ledger.db")).unwrap()
}

#[test]
fn a_reading_that_fails_takes_no_bad_news_back() {
    let shop = shop();
    let sick = Ailing {
        awaiting: 392,
        ..HEALTHY
    };
    disk(&shop, "sick", "INV-1", &sick);
    silent(&shop, "silent");
    opened(&shop, &SOUND);
    assert_eq!(
        route(&shop.step(&["assess", "--replies", "sick"]).ends(0)),
        "salvage"
    );
    let said = shop.step(&["assess", "--replies", "silent"]).ends(0);
    assert_eq!(route(&said), "salvage", "{}", said.out);
    let json = said.json();
    let reading = &json["result"]["drives"][0]["reading"];
    assert_eq!(reading["readable"], false);
    let ids: Vec<_> = reading["signals"].as_array().unwrap().iter().collect();
    for id in ["health-unread", "sectors-awaiting"] {
        assert!(ids.iter().any(|signal| signal["id"] == id), "{reading:#}");
    }
    assert!(said.points().contains(&"health-unread".to_owned()));
    // Nor does the judging that a survey brings.
    shop.step(&["plan"]).ends(0);
    let facts = facts(&shop).facts().unwrap();
    let newest = facts.iter().rev().find_map(|fact| match fact.body {
        FactBody::Forecast { route, .. } => Some(route),
        _ => None,
    });
    assert_eq!(newest, Some(Route::Salvage));
    // A drive that has shown symptoms is not the technician's to release unread.
    let refused = shop.waive(&["--point", "health-unread"]);
    assert_ne!(refused.code, Some(0), "{}", refused.out);
}

#[test]
fn what_grew_and_then_stood_still_has_grown() {
    let shop = shop();
    for remapped in [3u32, 10] {
        let ailing = Ailing {
            remapped,
            ..HEALTHY
        };
        disk(&shop, &format!("at-{remapped}"), "INV-1", &ailing);
    }
    opened(&shop, &SOUND);
    let go = |folder: &str| route(&shop.step(&["assess", "--replies", folder]).ends(0));
    assert_eq!(go("at-3"), "ordinary");
    assert_eq!(go("at-10"), "gentle");
    assert_eq!(go("at-10"), "gentle");
    let said = shop.step(&["assess", "--replies", "at-10"]).ends(0);
    assert!(said.out.contains("grew by 7 since"), "{}", said.out);
}

#[test]
fn vanishing_twice_is_for_the_laboratory_and_counts_that_rise_while_copying_are_worsening() {
    let shop = shop();
    disk(&shop, "well", "INV-1", &HEALTHY);
    let worse = Ailing {
        remapped: 5,
        ..HEALTHY
    };
    disk(&shop, "worse", "INV-1", &worse);
    opened(&shop, &SOUND);
    let go = |folder: &str| shop.step(&["assess", "--replies", folder]).ends(0);
    assert_eq!(route(&go("well")), "ordinary");
    shop.step(&["plan"]).ends(0);
    shop.step(&["copy"]).ends(0);
    let said = go("worse");
    assert_eq!(route(&said), "salvage", "{}", said.out);
    assert!(said.out.contains("rose during this copy"), "{}", said.out);

    let shop = self::shop();
    disk(&shop, "well", "INV-1", &HEALTHY);
    opened(&shop, &SOUND);
    let go = |folder: &str| route(&shop.step(&["assess", "--replies", folder]).ends(0));
    let vanish = || {
        let ledger = facts(&shop);
        let at = ledger.facts().unwrap().last().unwrap().at;
        let body = FactBody::Vanished {
            drive: 0,
            why: "ENODEV".into(),
        };
        ledger.record(at, &body).unwrap();
    };
    assert_eq!(go("well"), "ordinary");
    vanish();
    assert_eq!(go("well"), "gentle");
    vanish();
    assert_eq!(go("well"), "refer");
    shop.step(&["plan"]).ends(3);
}

#[test]
fn replies_of_another_drive_are_refused() {
    let shop = shop();
    disk(&shop, "mine", "SYNTH-0002", &HEALTHY);
    disk(&shop, "other", "SYNTH-0001", &HEALTHY);
    record(
        &shop,
        "model",
        &replies("ANOTHER 900", "SYNTH-0002", &HEALTHY),
    );
    opened(&shop, &[&SOUND[..], &["--replies", "mine"]].concat());
    for (folder, expected, found) in [
        ("other", "SYNTH-0002", "SYNTH-0001"),
        ("model", "INVENTED 500", "ANOTHER 900"),
    ] {
        let said = shop.step(&["assess", "--replies", folder]).ends(1).json();
        let what = said["error"]["what"].as_str().unwrap();
        assert!(what.contains(expected) && what.contains(found), "{said}");
    }
    shop.step(&["assess", "--replies", "mine"]).ends(0);
}

#[test]
fn a_milder_answer_takes_no_symptom_back() {
    let shop = shop();
    opened(&shop, &["--symptom", "dropped", "--memory", "known-good"]);
    let milder = [
        "open",
        "--folder",
        "laptop",
        "--to",
        "copies",
        "--job",
        "copies/job",
    ];
    let amend = |more: &[&str]| shop.run(&[&milder[..], more, &["--json"]].concat()).ends(0);
    let said = amend(&["--symptom", "none"]);
    assert!(said.points().contains(&"refer-undecided".to_owned()));
    assert!(
        said.out.contains("told dropped at") && said.out.contains("then none at"),
        "{}",
        said.out
    );
    shop.step(&["plan"]).ends(3);
    // The owner's word goes over it; then the milder answer may stand, and both are on the certificate.
    shop.owner(&["--point", "refer-undecided"]).ends(0);
    amend(&["--symptom", "none"]);
    for step in ["plan", "copy", "verify"] {
        shop.step(&[step]).ends(0);
    }
    shop.owner(&["--point", "health-unread"]).ends(0);
    shop.step(&["release"]).ends(0);
    let certificate =
        std::fs::read_to_string(shop.path("copies/job/release/certificate.json")).unwrap();
    assert!(
        certificate.contains(r#""answer":"dropped""#) && certificate.contains(r#""answer":"none""#),
        "{certificate}"
    );
    shop.step(&["print", "--paper", "receipt", "--out", "papers"])
        .ends(0);
    let paper = walkdir::WalkDir::new(shop.path("papers"));
    let text: String = paper
        .into_iter()
        .filter_map(|entry| std::fs::read_to_string(entry.unwrap().path()).ok())
        .collect();
    assert!(text.contains("dropped at"), "{text}");
}

#[test]
fn memory_that_failed_counts_until_every_copy_was_made_anew() {
    let shop = shop();
    opened(&shop, &["--symptom", "none", "--memory", "failed"]);
    for step in ["plan", "copy"] {
        shop.step(&[step]).ends(0);
    }
    let amend = [
        "open",
        "--folder",
        "laptop",
        "--to",
        "copies",
        "--job",
        "copies/job",
    ];
    let words = [&amend[..], &["--memory", "known-good", "--json"]].concat();
    let said = shop.run(&words).ends(0);
    assert!(
        said.points().contains(&"memory-failed".to_owned()),
        "{}",
        said.out
    );
    shop.step(&["verify"]).ends(0);
    let said = shop.step(&["release"]).ends(3);
    assert!(said.points().contains(&"memory-failed".to_owned()));
    // Nor does a paper call them saved.
    shop.step(&["print"]).ends(0);
    let paper = std::fs::read_to_string(shop.path("copies/job/papers/receipt.txt")).unwrap();
    let paper = paper.split_whitespace().collect::<Vec<_>>().join(" ");
    assert!(paper.contains(" 0 of "), "{paper}");
    assert!(
        !paper.contains("Nothing that was to be saved is missing"),
        "{paper}"
    );
    // With the modules exchanged, the copies are made anew.
    shop.step(&["copy"]).ends(0);
    shop.step(&["verify"]).ends(0);
    shop.waive_health();
    shop.step(&["release"]).ends(0);
    let certificate =
        std::fs::read_to_string(shop.path("copies/job/release/certificate.json")).unwrap();
    assert!(
        certificate.contains(r#""answer":"failed""#),
        "{certificate}"
    );
}

#[test]
fn with_a_bad_symptom_a_folder_is_not_listed_either() {
    for symptom in ["clicking", "dropped", "liquid", "vanishes"] {
        let shop = shop();
        opened(&shop, &["--symptom", symptom, "--memory", "known-good"]);
        let said = shop.step(&["plan", "--list"]).ends(3).json();
        assert!(
            said["error"]["next"]
                .as_str()
                .unwrap()
                .contains("refer-undecided"),
            "{said}"
        );
        let points = shop.step(&["release"]).ends(3).points();
        assert!(points.contains(&"refer-undecided".to_owned()), "{points:?}");
        shop.owner(&["--point", "refer-undecided"]).ends(0);
        shop.step(&["plan"]).ends(0);
    }
}

#[test]
fn a_symptom_told_late_counts_at_once() {
    let shop = shop();
    opened(&shop, &SOUND);
    shop.step(&["assess"]).ends(0);
    shop.step(&["plan"]).ends(0);
    let words = [
        "open",
        "--folder",
        "laptop",
        "--to",
        "copies",
        "--job",
        "copies/job",
    ];
    let words = [&words[..], &["--symptom", "clicking", "--json"]].concat();
    let said = shop.run(&words).ends(0);
    assert!(said.points().contains(&"refer-undecided".to_owned()));
    shop.step(&["copy"]).ends(3);
}

#[test]
fn a_reading_or_a_forecast_that_was_edited_breaks_the_record() {
    let edits = [
        "DELETE FROM setting WHERE key = 'reading-1'",
        "UPDATE setting SET value = replace(value, '9000', '9001') || ' ' WHERE key = 'reading-1'",
        "UPDATE setting SET value = value || ' ' WHERE key = 'forecast-0'",
    ];
    for edit in edits {
        let shop = shop();
        disk(&shop, "well", "INV-1", &HEALTHY);
        opened(&shop, &[&SOUND[..], &["--replies", "well"]].concat());
        shop.step(&["assess"]).ends(0);
        for step in ["plan", "copy", "verify"] {
            shop.step(&[step]).ends(0);
        }
        let db = rusqlite::Connection::open(shop.path("copies/job/ledger.db")).unwrap();
        assert_eq!(db.execute(edit, []).unwrap(), 1, "{edit}");
        drop(db);
        let points = shop.step(&["release"]).ends(3).points();
        assert!(
            points.contains(&"ledger-broken".to_owned()),
            "{edit}: {points:?}"
        );
    }
}

#[test]
fn what_a_sample_met_is_kept_and_judged() {
    let shop = shop();
    disk(&shop, "well", "INV-1", &HEALTHY);
    opened(&shop, &[&SOUND[..], &["--replies", "well"]].concat());
    let met = |stalled: Option<f64>, error: Option<&str>| {
        let ledger = facts(&shop);
        let at = Moment::from_seconds(ledger.facts().unwrap().last().unwrap().at.seconds() + 1);
        let body = FactBody::Sampled {
            drive: 0,
            bytes_per_second: None,
            stalled,
            error: error.map(str::to_owned),
        };
        ledger.record(at, &body).unwrap();
        std::thread::sleep(std::time::Duration::from_millis(1100));
        drop(ledger);
        route(&shop.step(&["assess"]).ends(0))
    };
    assert_eq!(route(&shop.step(&["assess"]).ends(0)), "ordinary");
    assert_eq!(met(Some(0.02), None), "gentle");
    assert_eq!(met(None, Some("EIO at byte 7")), "salvage");
}

#[test]
fn a_drive_that_tells_none_of_the_counts_that_matter_has_told_nothing() {
    // Power-on hours and the temperature, and no word about sectors: not known, not clean.
    let mut page = vec![0u8; 512];
    page[0] = 0x10;
    page[2..14].copy_from_slice(&[9, 0x32, 0, 80, 80, 0x28, 0x23, 0, 0, 0, 0, 0]);
    page[14..26].copy_from_slice(&[194, 0x22, 0, 110, 90, 0x22, 0, 0, 0, 0, 0, 0]);
    page[511] = 0u8.wrapping_sub(page.iter().fold(0, |sum, byte| sum.wrapping_add(*byte)));
    for (folder, open) in [("healthy", false), ("blind", true)] {
        let shop = shop();
        disk(&shop, folder, "AILING-0005", &HEALTHY);
        if open {
            let data = Question::AtaSmartData.file_name();
            std::fs::remove_dir_all(shop.path(folder)).unwrap();
            shop.put(&format!("{folder}/{data}"), &page);
        }
        let words = [&SOUND[..], &["--replies", folder]].concat();
        opened(&shop, &words);
        let said = shop.step(&["assess"]).ends(0);
        assert_eq!(
            said.json()["result"]["drives"][0]["reading"]["readable"],
            true
        );
        for step in ["plan", "copy", "verify"] {
            shop.step(&[step]).ends(0);
        }
        let unread = said.points().contains(&"health-unread".to_owned());
        assert_eq!(unread, open, "{folder}: {:?}", said.points());
        shop.step(&["release"]).ends(if open { 3 } else { 0 });
    }
}

#[test]
fn what_one_drive_did_is_not_held_against_the_other() {
    let shop = Shop::new();
    for image in ["a.img", "b.img"] {
        std::fs::write(shop.path(image), vec![0u8; 8 << 20]).unwrap();
    }
    let mut words = vec!["open", "--drive", "a.img", "--drive", "b.img"];
    words.extend(["--to", "copies", "--job", "copies/job"]);
    words.extend(["--policy", "practice", "--owner", "A", "--technician"]);
    words.extend(["B", "--must-have", "none", "--json"]);
    shop.run(&[&words[..], &SOUND].concat()).ends(0);
    shop.step(&["plan"]).ends(0);
    // One volume on each drive; of the first one's files one did not read.
    let volume = |number: i64| {
        serde_json::json!({
            "number": number, "drive": number - 1, "index": 1, "first_byte": 0, "bytes": 8 << 20, "boot_at": 0,
            "format": "none", "kind": "made up", "label": null, "state": "surveyed", "rule": ""
        })
    };
    let volumes = serde_json::json!([volume(1), volume(2)]).to_string();
    let db = rusqlite::Connection::open(shop.path("copies/job/ledger.db")).unwrap();
    db.execute(
        "UPDATE setting SET value = ?1 WHERE key = 'volumes'",
        [volumes],
    )
    .unwrap();
    for (item, bytes) in [(1i64, 1i64 << 20), (2, 7 << 20)] {
        let sql = "INSERT INTO item VALUES(?1, 0, ?1, x'61', 0, NULL, 0, ?2, ?2, 0, 0, 0, 0, 0, 0, 0, 0, 1, 0, 1, 0, 0, 0, 0, NULL, NULL, NULL, 1, NULL)";
        db.execute(sql, [item, bytes]).unwrap();
    }
    let sql = "INSERT INTO got VALUES(1, 3, NULL, NULL, 0, 0, 0, 0, 1, NULL, 'EIO')";
    db.execute(sql, []).unwrap();
    drop(db);
    let said = shop.step(&["assess", "--no-sampling", "--explain"]).ends(0);
    let json = said.json();
    let drives = json["result"]["drives"].as_array().unwrap();
    let routes: Vec<_> = drives.iter().map(|d| &d["forecast"]["route"]).collect();
    assert_eq!(routes, ["salvage", "ordinary"], "{json:#}");
    let hours = |drive: usize| drives[drive]["forecast"]["hours"]["low"].as_f64().unwrap();
    assert!(hours(1) > 6.0 * hours(0), "{json:#}");
    // Each has a pace and a hazard of its own.
    let keys = rusqlite::Connection::open(shop.path("copies/job/ledger.db")).unwrap();
    let count = "SELECT count(*) FROM setting WHERE key GLOB 'hazard-per-second*' OR key GLOB 'pace-bytes-per-second*'";
    let count: i64 = keys.query_row(count, [], |row| row.get(0)).unwrap();
    assert_eq!(count, 4);
}

/// A live drive of the hand bench: an image that is told to be a device, saying of its health what `told` holds in turn.
fn live<'b>(scratch: &'b Scratch, told: &[Ailing], tell: &mut dyn FnMut(Event)) -> Job<'b> {
    let content = scratch.path("content");
    std::fs::create_dir_all(&content).unwrap();
    for number in 0..40 {
        std::fs::write(content.join(format!("{number}.jpg")), noise(number, 9000)).unwrap();
    }
    let image = scratch.path("drive");
    std::fs::File::create(&image)
        .unwrap()
        .set_len(8 << 20)
        .unwrap();
    let made = std::process::Command::new("mkfs.ext4")
        .args(["-q", "-F", "-d"])
        .args([&content, &image])
        .status();
    assert!(made.unwrap().success());
    let bench = &scratch.bench;
    *bench.alter.lock().unwrap() = Some(|facts| {
        facts.is_image = false;
        facts.kernel_read_only = Some(true);
        facts.serial = Some("INV-1".into());
    });
    // Of 8 MiB, as the device.
    *bench.health.lock().unwrap() = told
        .iter()
        .map(|ailing| {
            if ailing.celsius == 0 {
                return Replies::default();
            }
            identity_edited(replies("INVENTED 500", "INV-1", ailing), |page| {
                page[200..208].copy_from_slice(&((8u64 << 20) / 512).to_le_bytes());
            })
        })
        .collect();
    let request = scratch.request(Source::Drives(vec![image]));
    let make = |path: &Path| Ledger::create(path);
    let opened = open::open(bench, &request, &make, tell).unwrap();
    let job = Job::open(bench, &opened.job.unwrap()).unwrap();
    let request = PlanRequest {
        job: job.dir.clone(),
        list: false,
    };
    plan::plan(&job, &request, tell).unwrap();
    job
}

fn carried(job: &Job<'_>, tell: &mut dyn FnMut(Event)) {
    let request = CopyRequest {
        job: job.dir.clone(),
        limit_bytes: None,
        limit_minutes: None,
    };
    copy::copy(job, &request, tell).unwrap();
}

/// What stands for a drive that answers nothing.
const SILENT: Ailing = Ailing {
    celsius: 0,
    ..HEALTHY
};

#[test]
fn within_a_run_the_route_only_gets_more_careful() {
    if !have("within_a_run", &["mkfs.ext4"]) {
        return;
    }
    let scratch = Scratch::new();
    let worse = Ailing {
        awaiting: 5,
        ..HEALTHY
    };
    let mut events = Vec::new();
    let job = live(&scratch, &[HEALTHY, worse, SILENT], &mut |_| {});
    scratch.bench.hurry();
    carried(&job, &mut |event| events.push(event));
    let routes: Vec<Route> = events
        .iter()
        .filter_map(|event| match event {
            Event::Rerouted { route, .. } => Some(*route),
            _ => None,
        })
        .collect();
    assert_eq!(routes, [Route::Salvage], "{events:?}");
    let facts = job.ledger.facts().unwrap();
    let unread = facts.iter().filter(|fact| {
        matches!(
            fact.body,
            FactBody::Read {
                readable: false,
                copying: true,
                ..
            }
        )
    });
    assert!(unread.count() > 0, "the drive was asked again");
    let newest = facts.iter().rev().find_map(|fact| match fact.body {
        FactBody::Forecast { route, .. } => Some(route),
        _ => None,
    });
    assert_eq!(newest, Some(Route::Salvage));
}

#[test]
fn a_live_drive_is_read_once_more_at_the_release() {
    if !have("a_live_drive", &["mkfs.ext4"]) {
        return;
    }
    let scratch = Scratch::new();
    let mut quiet = |_: Event| {};
    let job = live(&scratch, &[HEALTHY], &mut quiet);
    carried(&job, &mut quiet);
    let request = VerifyRequest {
        path: job.dir.clone(),
        attest: false,
    };
    verify::verify(&job, &request, &mut quiet).unwrap();
    let request = ReleaseRequest {
        job: job.dir.clone(),
        key: None,
        valid_hours: None,
        second_look: Some("Theda Wiesel".into()),
    };
    let outcome = release::release(&job, &request, None, &mut quiet).unwrap();
    assert_eq!(
        outcome.result.state,
        State::Released,
        "{:#?}",
        outcome.open_points
    );
    let facts = job.ledger.facts().unwrap();
    let newest = |wanted: fn(&FactBody) -> bool| {
        let found = facts.iter().rev().find(|fact| wanted(&fact.body));
        found.map_or(0, |fact| fact.number)
    };
    let read = newest(|body| matches!(body, FactBody::Read { .. }));
    assert!(read > newest(|body| matches!(body, FactBody::SourceReadAgain { .. })));
}

#[test]
fn an_area_out_of_reach_is_for_the_owner_to_decide() {
    if !have("an_area_out_of_reach", &["mkfs.ext4"]) {
        return;
    }
    let scratch = Scratch::new();
    let mut quiet = |_: Event| {};
    let job = live(&scratch, &[HEALTHY], &mut quiet);
    let hidden = || {
        let points = holdpoint::step::gate::points_now(&job).unwrap();
        points.into_iter().find(|point| point.id == "hidden-area")
    };
    assert_eq!(hidden(), None);
    // Of twice the sectors that it lets be addressed: 16,384 and as many again.
    for said in scratch.bench.health.lock().unwrap().iter_mut() {
        let last = (2u64 * 16_384 - 1).to_le_bytes()[..6].to_vec();
        *said = identity_edited(said.clone(), |page| {
            (page[165], page[171]) = (page[165] | 4, page[171] | 4);
        });
        said.put(Question::AtaNativeMax, Reply::Bytes(last));
    }
    let request = holdpoint::step::request::AssessRequest {
        job: job.dir.clone(),
        replies: None,
        sampling: false,
    };
    holdpoint::step::assess::assess(&job, &request, &mut quiet).unwrap();
    let point = hidden().expect("an open point");
    assert_eq!(point.who, holdpoint::step::outcome::Who::Owner);
    assert!(point.says.contains("8.39 MB at its end"), "{}", point.says);
}

#[test]
fn a_drive_that_goes_away_while_it_is_copied_is_counted() {
    if !have("a_drive_that_goes_away", &["mkfs.ext4"]) {
        return;
    }
    let scratch = Scratch::new();
    let job = live(&scratch, &[HEALTHY], &mut |_| {});
    let gone = &scratch.bench.gone;
    for (times, route) in [(1, Route::Gentle), (2, Route::Refer)] {
        // It goes as soon as it was known again, and is plugged in after the run.
        let away = std::sync::Arc::clone(gone);
        let request = CopyRequest {
            job: job.dir.clone(),
            limit_bytes: None,
            limit_minutes: None,
        };
        let said = copy::copy(&job, &request, &mut |event| {
            if matches!(event, Event::Planned { .. }) {
                away.store(true, std::sync::atomic::Ordering::Relaxed);
            }
        });
        assert!(said.is_ok(), "{said:?}");
        gone.store(false, std::sync::atomic::Ordering::Relaxed);
        let facts = job.ledger.facts().unwrap();
        let vanished = |fact: &&holdpoint::ledger::Fact| {
            matches!(fact.body, FactBody::Vanished { drive: 0, .. })
        };
        assert_eq!(facts.iter().filter(vanished).count(), times);
        let newest = facts.iter().rev().find_map(|fact| match fact.body {
            FactBody::Forecast { route, .. } => Some(route),
            _ => None,
        });
        assert_eq!(newest, Some(route));
    }
    let request = CopyRequest {
        job: job.dir.clone(),
        limit_bytes: None,
        limit_minutes: None,
    };
    assert!(copy::copy(&job, &request, &mut |_| {}).is_err());
}
