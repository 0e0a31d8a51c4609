//! Drives taken in: the hold is undone when no job comes of it, and the papers name the drives beside as they are now.

use crate::hand_bench::{HandBench, Scratch};
use holdpoint::job::Job;
use holdpoint::ledger::{Ledger, LedgerError};
use holdpoint::paper::{Names, Paper};
use holdpoint::port::DriveFacts;
use holdpoint::step::event::Event;
use holdpoint::step::open;
use holdpoint::step::outcome::{Machine, Opened, Outcome, Problem};
use holdpoint::step::request::{OpenRequest, Source};
use std::path::{Path, PathBuf};
use std::sync::atomic::Ordering;

/// An image that passes for a built-in disk.
fn as_disk(facts: &mut DriveFacts) {
    facts.is_image = false;
    facts.name = "sdx".into();
    facts.model = Some("Ackerwerk 500".into());
    facts.serial = Some("AK-0001".into());
    facts.disks = vec![facts.name.clone()];
    facts.disks_unknown = false;
    facts.device = 0;
}

fn drive(scratch: &Scratch) -> PathBuf {
    let path = scratch.path("drive.img");
    std::fs::write(&path, vec![0x5a; 4 << 20]).unwrap();
    *scratch.bench.alter.lock().unwrap() = Some(as_disk);
    scratch.bench.apart.store(true, Ordering::Relaxed);
    path
}

fn request(scratch: &Scratch, drive: &Path, machine: Machine) -> OpenRequest {
    OpenRequest {
        policy: Some("home".into()),
        machine: Some(machine),
        ..scratch.request(Source::Drives(vec![drive.to_owned()]))
    }
}

fn try_open(
    bench: &HandBench,
    request: &OpenRequest,
    make: &dyn Fn(&Path) -> Result<Ledger, LedgerError>,
) -> Result<Outcome<Opened>, Problem> {
    open::open(bench, request, make, &mut |_: Event| {})
}

#[test]
fn a_drive_of_which_no_job_came_is_let_go_as_it_was() {
    for before in [false, true] {
        let scratch = Scratch::new();
        let drive = drive(&scratch);
        *scratch.bench.flag.lock().unwrap() = Some(before);
        let held = std::cell::Cell::new(None);
        let broken = |path: &Path| {
            held.set(*scratch.bench.flag.lock().unwrap());
            std::fs::write(path, b"in the way").unwrap();
            Ledger::create(path)
        };
        let asked = request(&scratch, &drive, Machine::Bench);
        assert!(try_open(&scratch.bench, &asked, &broken).is_err());
        assert_eq!(
            held.get(),
            Some(true),
            "it was held before the ledger was made"
        );
        assert_eq!(*scratch.bench.flag.lock().unwrap(), Some(before));
    }
}

fn other(name: &str, serial: &str) -> DriveFacts {
    DriveFacts {
        path: Path::new("/dev").join(name),
        name: name.into(),
        model: Some("Muster NV-250".into()),
        serial: Some(serial.into()),
        bytes: 250_059_350_016,
        ..DriveFacts::default()
    }
}

/// The slip of the job as if it were released.
fn slip(job: &Job<'_>) -> String {
    let mut account = holdpoint::step::print::account(job).unwrap();
    account.open_points.clear();
    account.state = holdpoint::paper::account::State::Released;
    account.certificate = Some(holdpoint::paper::account::CertificateLine {
        digest: holdpoint::value::Blake3([7; 32]),
        signed_by: None,
        issued: account.at,
        expires: account.at.plus_hours(4.0),
    });
    let text = holdpoint::paper::print(Paper::Slip, &account, Names::Full, "en").text;
    text.split_whitespace().collect::<Vec<_>>().join(" ")
}

#[test]
fn the_slip_names_the_drives_that_are_in_the_machine_now() {
    let scratch = Scratch::new();
    let drive = drive(&scratch);
    *scratch.bench.flag.lock().unwrap() = Some(false);
    // Told on a bench first, then that it is the machine under repair after all: nobody looked at `open`.
    let make = |path: &Path| Ledger::create(path);
    let asked = request(&scratch, &drive, Machine::Bench);
    let dir = try_open(&scratch.bench, &asked, &make)
        .unwrap()
        .job
        .unwrap();
    scratch
        .bench
        .others
        .lock()
        .unwrap()
        .push(other("nvme7n1", "NV-0007"));
    let job = Job::open(&scratch.bench, &dir).unwrap();
    assert!(slip(&job).contains("No other internal drive of the machine is known"));
    let mut amended = request(&scratch, &drive, Machine::UnderRepair);
    (amended.policy, amended.must_have) = (None, None);
    let outcome = open::amend(job, &amended).unwrap();
    assert_eq!(outcome.result.others[0].serial.as_deref(), Some("NV-0007"));
    // And one that was built in later.
    scratch
        .bench
        .others
        .lock()
        .unwrap()
        .push(other("sdy", "SD-0008"));
    let job = Job::open(&scratch.bench, &dir).unwrap();
    let text = slip(&job);
    assert!(text.contains("Take out first"), "{text}");
    assert!(
        text.contains("NV-0007") && text.contains("SD-0008"),
        "{text}"
    );

    // Where it cannot be told, what was seen once still stands, and nobody says that there is no more.
    scratch.bench.others_fail.store(true, Ordering::Relaxed);
    let text = slip(&job);
    assert!(text.contains("could not be told"), "{text}");
    assert!(text.contains("NV-0007"), "{text}");
    assert!(!text.contains("No other internal drive"), "{text}");
}

/// Two names of one image are one drive: as two, each of its files would count as saved twice.
#[test]
fn one_image_under_two_names_is_one_drive() {
    let shop = crate::shop::Shop::new();
    let image = shop.put("first.img", vec![7; 1 << 20]);
    std::fs::hard_link(&image, shop.path("second.img")).unwrap();
    std::os::unix::fs::symlink("first.img", shop.path("third.img")).unwrap();
    for other in ["second.img", "third.img", "first.img"] {
        let mut line = vec!["open", "--drive", "first.img", "--drive", other];
        line.extend(["--to", "copies", "--job", "copies/job"]);
        let said = shop.run(&line).ends(2);
        assert!(said.err.contains("named twice"), "{other}: {}", said.err);
    }
}

/// The bag keeps the holes of sparse files, so they need no room there: a virtual disk of a size beyond every stick is no reason to
/// refuse.
#[test]
fn a_hole_needs_no_room_where_holes_are_kept() {
    let shop = crate::shop::Shop::new();
    let sparse = std::fs::File::create(shop.path("laptop/machine.img")).unwrap();
    // Larger than what is free anywhere on the machines that this runs on, and smaller than what ext4 takes (16 TiB).
    if sparse.set_len(12 << 40).is_err() {
        crate::skip::skip(
            "a_hole_needs_no_room_where_holes_are_kept",
            "no such long files here",
        );
        return;
    }
    shop.open();
    let points = shop.step(&["plan"]).ends(0).points();
    assert!(!points.contains(&"destination-full".into()), "{points:?}");
}
