//! What ends a release: it goes with the evidence that it stood on, and nothing of it stays behind.

use crate::hand_bench::Scratch;
use crate::hostile::noise;
use crate::shop::Shop;
use holdpoint::ledger::FactBody;
use holdpoint::step::request::{CopyRequest, ReleaseRequest, VerifyRequest};
use holdpoint::step::{copy, gate, recheck, release, show, verify};

/// A job with two destinations, ready for its release.
fn saved() -> Shop {
    let shop = Shop::new();
    for number in 0..4u64 {
        let bytes = noise(number, 3000 + number as usize * 997);
        shop.put(&format!("laptop/Pictures/{number}.jpg"), bytes);
    }
    std::fs::create_dir(shop.path("shelf")).unwrap();
    shop.open_with("practice", &["copies", "shelf"]);
    // A folder's health cannot be read: that it was tried is what the technician decides about.
    for step in ["assess", "plan", "copy", "verify"] {
        shop.step(&[step]).ends(0);
    }
    shop.waive_health();
    shop
}

fn answer(shop: &Shop, more: &[&str]) -> i32 {
    let open = ["open", "--job", "copies/job", "--json"];
    shop.run(&[&open[..], more].concat()).code.unwrap()
}

fn certificates(shop: &Shop) -> usize {
    let names = ["certificate.json", "certificate.json.sig"];
    let places = ["copies/job/release", "shelf/job/release"];
    let all = places
        .iter()
        .flat_map(|place| names.map(|name| format!("{place}/{name}")));
    all.filter(|path| shop.path(path).exists()).count()
}

type Happens = fn(&Shop) -> i32;

/// What disproves a release, and how the step that finds it out ends.
const DISPROVED: &[(&str, Happens, i32, &str)] = &[
    ("a copy damaged", damage, 1, "copy-differs"),
    ("a copy gone", remove, 1, "copy-differs"),
    ("a stranger in the bag", plant, 1, "extra-in-bag"),
    (
        "noise under a picture's name",
        |shop| shop.step(&["inspect"]).code.unwrap(),
        0,
        "doubtful-content",
    ),
    (
        "memory failed",
        |shop| answer(shop, &["--memory", "failed"]),
        0,
        "memory-failed",
    ),
    (
        "a symptom",
        |shop| answer(shop, &["--symptom", "clicking"]),
        0,
        "refer-undecided",
    ),
    (
        "a must-have",
        |shop| answer(shop, &["--must-have", "the garden"]),
        0,
        "must-have-open",
    ),
];

fn damage(shop: &Shop) -> i32 {
    let copy = &shop.payload()[1];
    let mut bytes = std::fs::read(copy).unwrap();
    bytes[7] ^= 1;
    std::fs::remove_file(copy).unwrap();
    std::fs::write(copy, bytes).unwrap();
    shop.step(&["verify"]).code.unwrap()
}

fn remove(shop: &Shop) -> i32 {
    std::fs::remove_file(&shop.payload()[1]).unwrap();
    shop.step(&["verify"]).code.unwrap()
}

fn plant(shop: &Shop) -> i32 {
    shop.put("copies/job/bag/data/folder/Pictures/planted.jpg", "x");
    shop.step(&["verify"]).code.unwrap()
}

#[test]
fn a_release_goes_with_the_evidence_that_it_stood_on() {
    for (what, happens, code, point) in DISPROVED {
        let shop = saved();
        shop.step(&["release"]).ends(0);
        assert_eq!(shop.step(&["show"]).json()["result"]["state"], "released");
        assert_eq!(happens(&shop), *code, "{what}");
        let shown = shop.step(&["show"]).ends(0);
        let document = shown.json();
        assert_eq!(document["result"]["state"], "hold", "{what}");
        assert!(
            shown.points().contains(&(*point).to_owned()),
            "{what}: {}",
            shown.out
        );
        let next = document["result"]["next"].as_str().unwrap();
        assert!(!next.contains("slip"), "{what}: {next}");
        shop.step(&["print", "--paper", "slip"]).ends(0);
        let slip = std::fs::read_to_string(shop.path("copies/job/papers/slip.txt")).unwrap();
        assert!(
            slip.contains("Nothing of this job may be wiped"),
            "{what}: {slip}"
        );
        shop.step(&["recheck"]).ends(3);
    }
}

#[test]
fn a_release_stays_with_what_says_the_same_again() {
    let shop = saved();
    shop.step(&["release"]).ends(0);
    for step in ["verify", "recheck", "assess"] {
        shop.step(&[step]).ends(0);
        let state = shop.step(&["show"]).json()["result"]["state"].clone();
        assert_eq!(state, "released", "{step}");
    }
    assert_eq!(answer(&shop, &["--technician", "Karla Brandt"]), 0);
    assert_eq!(answer(&shop, &["--memory", "known-good"]), 0);
    shop.step(&["put-back", "--to", "fresh"]).ends(0);
    assert_eq!(shop.step(&["show"]).json()["result"]["state"], "released");
    shop.step(&["recheck"]).ends(0);
}

#[test]
fn the_whole_irreplaceable_class_is_not_given_up_piece_by_piece() {
    let shop = Shop::new();
    for (number, folder) in (1..).zip(["Pictures", "Movies", "Scans"]) {
        shop.put(&format!("laptop/{folder}/a.jpg"), noise(number, 4000));
    }
    shop.open();
    shop.step(&["plan"]).ends(0);
    let all = ["--item", "Pictures", "--item", "Movies", "--item", "Scans"];
    let refused = shop.owner(&all).ends(1).json()["error"].clone();
    assert!(
        refused["next"].as_str().unwrap().contains("--no-rescue"),
        "{refused}"
    );
    shop.owner(&all[..2]).ends(0);
    shop.owner(&all[2..4]).ends(0);
    shop.owner(&all[4..]).ends(1);
    // The order takes the place of what was decided before it.
    let order = shop.owner(&["--no-rescue"]).ends(0).json();
    assert_eq!(order["result"]["waived"]["items"], 6, "{order}");
    shop.waive_health();
    shop.step(&["release"]).ends(0);
}

#[test]
fn an_older_ledger_in_the_place_of_the_record_brings_no_release_back() {
    let shop = saved();
    shop.step(&["release"]).ends(0);
    let (ledger, kept) = (shop.path("copies/job/ledger.db"), shop.path("kept.db"));
    std::fs::copy(&ledger, &kept).unwrap();
    assert_eq!(answer(&shop, &["--memory", "failed"]), 0);
    shop.step(&["recheck"]).ends(3);
    std::fs::copy(&kept, &ledger).unwrap();
    for step in ["show", "recheck", "release"] {
        let said = shop.step(&[step]);
        assert_eq!(
            said.code,
            Some(if step == "show" { 0 } else { 3 }),
            "{step}: {}",
            said.out
        );
        assert_eq!(said.points()[0], "ledger-broken", "{step}");
        let point = said.json()["open_points"][0].clone();
        assert!(
            point["says"]
                .as_str()
                .unwrap()
                .contains("older than its copy"),
            "{point}"
        );
        assert_eq!(point["who"], "nobody");
    }
    assert_eq!(certificates(&shop), 0, "taken back");
    // A later step does not write over the one copy that knows.
    shop.step(&["verify"]).ends(0);
    assert_eq!(shop.step(&["show"]).points()[0], "ledger-broken");
    // What the point says to do.
    std::fs::copy(shop.path("shelf/job/ledger.db"), &ledger).unwrap();
    shop.step(&["verify"]).ends(0);
    let points = shop.step(&["show"]).points();
    assert!(points.contains(&"memory-failed".to_owned()), "{points:?}");
    assert!(!points.contains(&"ledger-broken".to_owned()), "{points:?}");
}

#[test]
fn a_release_that_was_refused_or_failed_leaves_no_certificate() {
    let shop = saved();
    let key = shop.path("key");
    let made = std::process::Command::new("ssh-keygen")
        .args(["-q", "-t", "ed25519", "-N", "", "-f"])
        .arg(&key)
        .status();
    if !made.is_ok_and(|status| status.success()) {
        return crate::skip::skip("release refused", "ssh-keygen is not installed");
    }
    let signed = ["release", "--key", "key"];
    shop.step(&signed).ends(0);
    assert_eq!(certificates(&shop), 4);
    // Refused.
    shop.put("laptop/Pictures/new.jpg", noise(9, 900));
    shop.step(&signed).ends(3);
    assert_eq!(certificates(&shop), 0);
    // Failed in the middle: the second place takes no certificate.
    std::fs::remove_file(shop.path("laptop/Pictures/new.jpg")).unwrap();
    shop.step(&signed).ends(0);
    std::fs::remove_dir_all(shop.path("shelf/job/release")).unwrap();
    shop.put("shelf/job/release", "no folder");
    shop.step(&signed).ends(1);
    assert_eq!(certificates(&shop), 0);
    assert_eq!(shop.step(&["show"]).json()["result"]["state"], "hold");
    std::fs::remove_file(shop.path("shelf/job/release")).unwrap();
    shop.step(&signed).ends(0);
    assert_eq!(certificates(&shop), 4);
}

#[test]
fn a_must_have_that_went_before_it_was_copied_is_open_again() {
    let shop = Shop::new();
    shop.put("laptop/Documents/a.txt", "a letter");
    let tape = shop.put("laptop/Music/tape.txt", "the tape");
    shop.open();
    assert_eq!(answer(&shop, &["--must-have", "the tape"]), 0);
    shop.step(&["plan"]).ends(0);
    let found = ["waive", "--must-have", "1", "--found", "Music/tape.txt"];
    shop.step(&found).ends(0);
    std::fs::remove_file(tape).unwrap();
    let planned = shop.step(&["plan"]).ends(0);
    let points = planned.json()["open_points"].clone();
    let points = points.as_array().unwrap();
    let point = points
        .iter()
        .find(|point| point["id"] == "must-have-open")
        .unwrap();
    assert!(
        point["says"]
            .as_str()
            .unwrap()
            .contains("not there any more"),
        "{point}"
    );
    for step in ["show", "copy", "verify", "inspect"] {
        shop.step(&[step]).ends(0);
    }
    shop.waive_health();
    let held = shop.step(&["release"]).ends(3).points();
    assert_eq!(held, ["unreadable-items", "must-have-open"]);
    shop.owner(&["--item", "Music/tape.txt"]).ends(0);
    let not_here = [
        "waive",
        "--must-have",
        "1",
        "--not-here",
        "--reason",
        "it went",
    ];
    shop.step(&not_here).ends(0);
    shop.step(&["release"]).ends(0);
}

#[test]
fn one_decision_about_two_must_haves_says_two() {
    let shop = Shop::new();
    shop.put("laptop/a.txt", "a");
    shop.open();
    assert_eq!(
        answer(&shop, &["--must-have", "one", "--must-have", "two"]),
        0
    );
    shop.step(&["plan"]).ends(0);
    let waived = shop.owner(&["--point", "must-have-open"]).ends(0).json();
    assert_eq!(waived["result"]["waived"]["items"], 2, "{waived}");
}

/// Two hours ahead from the opening to the reading back, then set right: doing the dated steps again is enough.
#[test]
fn a_clock_that_was_ahead_is_cured_by_reading_back_again() {
    let scratch = Scratch::new();
    scratch.write("source/letter.txt", "Dear all");
    scratch.bench.pass_hours(2);
    let job = scratch.saved();
    scratch.bench.pass_hours(-2);
    let points = || {
        let points = gate::points_now(&job).unwrap();
        points
            .into_iter()
            .map(|point| (point.id, point.says))
            .collect::<Vec<_>>()
    };
    let before = points();
    assert!(
        before.iter().any(|(id, _)| id == "clock-wrong"),
        "{before:?}"
    );
    let old = before
        .iter()
        .find(|(id, _)| id == "verification-old")
        .unwrap();
    assert!(old.1.contains("a clock that was ahead"), "{old:?}");
    assert!(
        !before.iter().any(|(_, says)| says.contains("was written")),
        "{before:?}"
    );
    let path = job.dir.clone();
    let request = VerifyRequest {
        path,
        attest: false,
    };
    verify::verify(&job, &request, &mut |_| {}).unwrap();
    let after = points();
    for id in ["clock-wrong", "verification-old", "verification-missing"] {
        assert!(!after.iter().any(|(open, _)| open == id), "{after:?}");
    }
}

#[test]
fn no_copy_counts_once_their_deleting_was_begun() {
    let scratch = Scratch::new();
    scratch.write("source/letter.txt", "Dear all");
    let job = scratch.saved();
    assert!(show::show(&job).unwrap().result.items.verified > 0);
    let body = FactBody::Closing { items: 1, bytes: 8 };
    job.record(&body).unwrap();
    let items = show::show(&job).unwrap().result.items;
    assert_eq!((items.copied, items.verified), (0, 0), "{items:?}");
    // It was never released, so it is not said that it was.
    let said = recheck::recheck(&job, None).unwrap().result;
    assert_eq!(said.changed[0].before, None, "{said:?}");
    let limits = CopyRequest {
        job: job.dir.clone(),
        limit_bytes: None,
        limit_minutes: None,
    };
    assert!(copy::copy(&job, &limits, &mut |_| {}).is_err());
    let request = ReleaseRequest {
        job: job.dir.clone(),
        key: None,
        valid_hours: None,
        second_look: None,
    };
    assert!(release::release(&job, &request, None, &mut |_| {}).is_err());
}
