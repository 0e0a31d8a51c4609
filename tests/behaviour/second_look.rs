//! The second look at a release: another person, or the serial typed again after a pause in which nothing changed.

use crate::hand_bench::{HandBench, Scratch};
use holdpoint::job::Job;
use holdpoint::ledger::Ledger;
use holdpoint::step::outcome::{DecidedBy, How, Signature, State};
use holdpoint::step::request::{
    AssessRequest, CopyRequest, OpenRequest, PlanRequest, ReleaseRequest, Source, VerifyRequest,
    WaiveRequest, WaiveWhat,
};
use holdpoint::step::{assess, copy, gate, open, plan, release, show, verify, waive};
use std::path::Path;
use std::sync::atomic::Ordering;

/// How the serial in the sample page ends.
const TAIL: &str = "0001";

/// A saved folder of a drive of which only the name is known.
fn saved<'b>(bench: &'b HandBench, scratch: &Scratch) -> Job<'b> {
    bench.apart.store(true, Ordering::Relaxed);
    scratch.write("source/letter.txt", "Dear all");
    let page = Path::new(env!("CARGO_MANIFEST_DIR"))
        .join("tests/fixtures/pages/nvme-identify-controller.bin");
    scratch.write(
        "replies/nvme-identify-controller.bin",
        std::fs::read(page).unwrap(),
    );
    let request = OpenRequest {
        policy: Some("home".into()),
        technician: Some("Bo Lindqvist".into()),
        machine: None,
        replies: Some(scratch.path("replies")),
        ..scratch.request(Source::Folder(scratch.path("source")))
    };
    let dir = open::open(bench, &request, &|path| Ledger::create(path), &mut |_| {})
        .unwrap()
        .job
        .unwrap();
    let job = Job::open(bench, &dir).unwrap();
    let (path, replies) = (dir.clone(), None);
    assess::assess(
        &job,
        &AssessRequest {
            job: dir.clone(),
            replies,
            sampling: false,
        },
        &mut |_| {},
    )
    .unwrap();
    plan::plan(
        &job,
        &PlanRequest {
            job: dir.clone(),
            list: false,
        },
        &mut |_| {},
    )
    .unwrap();
    let limits = CopyRequest {
        job: dir,
        limit_bytes: None,
        limit_minutes: None,
    };
    copy::copy(&job, &limits, &mut |_| {}).unwrap();
    verify::verify(
        &job,
        &VerifyRequest {
            path,
            attest: false,
        },
        &mut |_| {},
    )
    .unwrap();
    for point in gate::points_now(&job).unwrap() {
        decide(&job, &point.id);
    }
    job
}

fn decide(job: &Job<'_>, id: &str) {
    let request = WaiveRequest {
        job: job.dir.clone(),
        what: WaiveWhat::Point(id.into()),
        reason: "a test".into(),
        decided_by: DecidedBy::Owner,
        name: Some("Ottilie Quendel".into()),
        how: Some(How::Signed),
        proof: None,
    };
    waive::waive(job, &request).unwrap_or_else(|e| panic!("{id}: {e}"));
}

/// Whether it was released; else the points that are open.
fn asked(job: &Job<'_>, look: Option<&str>) -> Result<(), Vec<String>> {
    let request = ReleaseRequest {
        job: job.dir.clone(),
        key: None,
        valid_hours: None,
        second_look: look.map(str::to_owned),
    };
    let outcome = release::release(job, &request, None, &mut |_| {}).unwrap();
    match outcome.result.state {
        State::Released => Ok(()),
        State::Hold => Err(outcome
            .open_points
            .into_iter()
            .map(|point| point.id)
            .collect()),
    }
}

#[test]
fn another_person_looks() {
    let scratch = Scratch::new();
    let job = saved(&scratch.bench, &scratch);
    for look in [
        None,
        Some("Bo Lindqvist"),
        Some("B. Lindqvist"),
        Some("lindqvist, bo"),
        Some("x"),
        Some("AB01"),
        Some(" "),
    ] {
        assert_eq!(
            asked(&job, look),
            Err(vec!["second-look".into()]),
            "{look:?}"
        );
    }
    assert_eq!(asked(&job, Some("Theda Wiesel")), Ok(()));
    assert_eq!(asked(&job, Some("Anna")), Ok(()), "a first name");
}

#[test]
fn alone_the_pause_counts_from_the_newest_change() {
    let scratch = Scratch::new();
    let job = saved(&scratch.bench, &scratch);
    let wait = Err(vec!["second-look".to_owned()]);
    assert_eq!(asked(&job, Some(TAIL)), wait, "the first asking");
    assert_eq!(asked(&job, Some(TAIL)), wait, "at once");
    // Something changes meanwhile: what was looked at is not what would be released.
    scratch.bench.pass_hours(1);
    scratch.write("source/late.txt", "one more");
    plan::plan(
        &job,
        &PlanRequest {
            job: job.dir.clone(),
            list: false,
        },
        &mut |_| {},
    )
    .unwrap();
    let limits = CopyRequest {
        job: job.dir.clone(),
        limit_bytes: None,
        limit_minutes: None,
    };
    copy::copy(&job, &limits, &mut |_| {}).unwrap();
    verify::verify(
        &job,
        &VerifyRequest {
            path: job.dir.clone(),
            attest: false,
        },
        &mut |_| {},
    )
    .unwrap();
    assert_eq!(
        asked(&job, Some(TAIL)),
        wait,
        "the first asking after the change"
    );
    scratch.bench.pass_hours(1);
    assert_eq!(asked(&job, Some("0002")), wait, "another serial");
    assert_eq!(asked(&job, Some(TAIL)), Ok(()));
}

#[test]
fn a_release_in_force_is_signed_as_it_is_and_not_taken_back_for_want_of_a_look() {
    let scratch = Scratch::new();
    let job = saved(&scratch.bench, &scratch);
    assert_eq!(asked(&job, Some("Theda Wiesel")), Ok(()));
    let place = job.dir.join("release/certificate.json");
    let certificate = std::fs::read(&place).unwrap();
    let again = |key: Option<&str>| {
        let request = ReleaseRequest {
            job: job.dir.clone(),
            key: key.map(|key| scratch.path(key)),
            valid_hours: None,
            second_look: None,
        };
        release::release(&job, &request, None, &mut |_| {})
    };
    // A key that is not there, or none, changes nothing.
    again(Some("no key")).unwrap_err();
    scratch.write("bad key", "no key at all");
    again(Some("bad key")).unwrap_err();
    let state = || show::show(&job).unwrap().result.state;
    assert_eq!(state(), State::Released);
    let plain = again(None).unwrap().result;
    assert_eq!(
        (plain.state, plain.signature),
        (State::Released, Signature::None)
    );
    assert_eq!(std::fs::read(&place).unwrap(), certificate);
    // A look that does not count takes nothing back either.
    assert_eq!(asked(&job, Some("Bo Lindqvist")), Ok(()));
    assert_eq!(std::fs::read(&place).unwrap(), certificate);

    if !crate::shop::have("release in force", &["ssh-keygen"]) {
        return;
    }
    let made = std::process::Command::new("ssh-keygen")
        .args(["-q", "-t", "ed25519", "-N", "", "-f"])
        .arg(scratch.path("shop"))
        .status();
    assert!(made.unwrap().success());
    let signed = again(Some("shop")).unwrap().result;
    assert_eq!(
        (signed.state, signed.signature),
        (State::Released, Signature::Sshsig)
    );
    assert_eq!(
        std::fs::read(&place).unwrap(),
        certificate,
        "its end is not moved"
    );
    assert!(place.with_extension("json.sig").exists());
    assert_eq!(again(None).unwrap().result.signature, Signature::Sshsig);

    // What changed meanwhile ends it as ever.
    scratch.write("source/late.txt", "one more");
    assert_eq!(again(None).unwrap().result.state, State::Hold);
    assert_eq!(state(), State::Hold);
    assert!(!place.exists());
}
