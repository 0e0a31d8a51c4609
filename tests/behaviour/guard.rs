//! The guard: a wiping command reaches a released drive and no other, and the hold comes back whatever happens.

use crate::hand_bench::{HandBench, Scratch};
use crate::linux::support::{Loop, Mounted, can, run};
use holdpoint::job::Job;
use holdpoint::ledger::{FactBody, Ledger};
use holdpoint::port::DriveFacts;
use holdpoint::step::event::Event;
use holdpoint::step::outcome::{
    DecidedBy, Exit, Guarded, Machine, Outcome, Problem, ProblemKind, Released, State,
};
use holdpoint::step::request::{
    AssessRequest, CopyRequest, GuardRequest, OpenRequest, PlanRequest, ReleaseRequest, Source,
    VerifyRequest, WaiveRequest, WaiveWhat,
};
use holdpoint::step::{
    assess, copy, gate, guard, hold, open, plan, recheck, release, verify, waive,
};
use std::path::{Path, PathBuf};
use std::sync::atomic::Ordering;
use std::time::{Duration, Instant};

/// An image of a whole ext4 drive with two files in it.
fn image(scratch: &Scratch, name: &str) -> PathBuf {
    let content = scratch.path(&format!("{name}-content"));
    std::fs::create_dir_all(&content).unwrap();
    std::fs::write(content.join("letter.txt"), b"Dear all").unwrap();
    std::fs::write(content.join("garden.jpg"), vec![0x5a; 200_000]).unwrap();
    let path = scratch.path(name);
    std::fs::File::create(&path)
        .unwrap()
        .set_len(8 << 20)
        .unwrap();
    let (from, to) = (content.to_str().unwrap(), path.to_str().unwrap());
    run("mkfs.ext4", &["-q", "-F", "-d", from, to]).unwrap();
    path
}

fn quiet() -> impl FnMut(Event) {
    |event| {
        if let Event::Warn { says } = event {
            eprintln!("warned: {says}");
        }
    }
}

/// A job on `drive`, saved as far as it goes, and whatever the technician may waive waived.
fn saved<'b>(bench: &'b HandBench, scratch: &Scratch, drive: &Path, policy: &str) -> Job<'b> {
    let request = OpenRequest {
        policy: Some(policy.into()),
        ..scratch.request(Source::Drives(vec![drive.to_owned()]))
    };
    let mut tell = quiet();
    let make = |path: &Path| Ledger::create(path);
    let opened = open::open(bench, &request, &make, &mut tell).unwrap();
    let dir = opened.job.unwrap();
    let job = Job::open(bench, &dir).unwrap();
    let plan_request = PlanRequest {
        job: dir.clone(),
        list: false,
    };
    plan::plan(&job, &plan_request, &mut tell).unwrap();
    let copy_request = CopyRequest {
        job: dir.clone(),
        limit_bytes: None,
        limit_minutes: None,
    };
    copy::copy(&job, &copy_request, &mut tell).unwrap();
    let verify_request = VerifyRequest {
        path: dir.clone(),
        attest: false,
    };
    verify::verify(&job, &verify_request, &mut tell).unwrap();
    let assess_request = AssessRequest {
        job: dir.clone(),
        replies: None,
        sampling: false,
    };
    assess::assess(&job, &assess_request, &mut tell).unwrap();
    for point in gate::points_now(&job).unwrap() {
        if !["health-unread", "verification-doubtful", "refer-undecided"].contains(&&*point.id) {
            continue;
        }
        let request = WaiveRequest {
            job: dir.clone(),
            what: WaiveWhat::Point(point.id.clone()),
            reason: "a test".into(),
            decided_by: DecidedBy::Owner,
            name: Some("Ottilie Quendel".into()),
            how: Some(holdpoint::step::outcome::How::Signed),
            proof: None,
        };
        waive::waive(&job, &request).unwrap_or_else(|e| panic!("{}: {e}", point.id));
    }
    job
}

fn try_release(job: &Job<'_>) -> Outcome<Released> {
    let request = ReleaseRequest {
        job: job.dir.clone(),
        key: None,
        valid_hours: None,
        second_look: Some("Theda Wiesel".into()),
    };
    release::release(job, &request, None, &mut quiet()).unwrap()
}

fn released<'b>(bench: &'b HandBench, scratch: &Scratch, drive: &Path, policy: &str) -> Job<'b> {
    let job = saved(bench, scratch, drive, policy);
    let outcome = try_release(&job);
    assert_eq!(
        outcome.result.state,
        State::Released,
        "{:#?}",
        outcome.open_points
    );
    job
}

fn request(job: &Job<'_>, command: &[&str]) -> GuardRequest {
    GuardRequest {
        job: job.dir.clone(),
        drive: None,
        dry_run: false,
        output_aside: true,
        command: command.iter().map(|word| (*word).into()).collect(),
    }
}

fn try_guard(job: &Job<'_>, command: &[&str]) -> Result<Outcome<Guarded>, Problem> {
    guard::guard(job, &request(job, command))
}

/// Why the command was not started.
fn refusal(outcome: Result<Outcome<Guarded>, Problem>) -> String {
    let outcome = outcome.unwrap();
    assert!(!outcome.result.ran, "it ran");
    assert_eq!(outcome.exit, Exit::Hold);
    outcome.result.refused.unwrap()
}

const ZERO: [&str; 7] = [
    "dd",
    "if=/dev/zero",
    "of={drive}",
    "bs=4k",
    "count=4",
    "conv=notrunc",
    "status=none",
];

fn tools(name: &str) -> bool {
    can(name, &["mkfs.ext4", "losetup", "blockdev", "dd"])
}

fn flag(device: &Loop) -> bool {
    run("blockdev", &["--getro", device.path()]).unwrap() == "1"
}

#[test]
fn a_released_image_is_written_once_and_then_no_more() {
    if !tools("guard of an image") {
        return;
    }
    let scratch = Scratch::new();
    let drive = image(&scratch, "drive.img");
    let job = released(&scratch.bench, &scratch, &drive, "practice");
    assert!(recheck::recheck(&job, None).unwrap().result.holds);

    // A dry run checks everything and starts nothing.
    let before = std::fs::read(&drive).unwrap();
    let mut dry = request(&job, &ZERO);
    dry.dry_run = true;
    let outcome = guard::guard(&job, &dry).unwrap();
    assert_eq!(
        (outcome.result.ran, outcome.result.refused, outcome.exit),
        (false, None, Exit::Done)
    );
    assert!(std::fs::read(&drive).unwrap() == before);
    assert!(recheck::recheck(&job, None).unwrap().result.holds);

    let outcome = try_guard(&job, &ZERO).unwrap();
    assert_eq!(outcome.result.refused, None);
    assert_eq!(
        (outcome.result.ran, outcome.result.exit, outcome.exit),
        (true, Some(0), Exit::Done)
    );
    let after = std::fs::read(&drive).unwrap();
    assert_eq!(after.len(), before.len());
    // The release is used up, and the job says so; nothing more is open, and nothing is printed as open.
    let shown = holdpoint::step::show::show(&job).unwrap();
    assert_eq!(shown.open_points.len(), 1, "{:?}", shown.open_points);
    assert_eq!(shown.open_points[0].id, "release-lapsed");
    assert!(
        shown.open_points[0].says.contains("used up"),
        "{:?}",
        shown.open_points
    );
    assert!(
        shown.result.next.starts_with("holdpoint put-back "),
        "{}",
        shown.result.next
    );
    let account = holdpoint::step::print::account(&job).unwrap();
    assert_eq!(
        account.standing(),
        holdpoint::paper::account::Standing::Used
    );
    assert!(after[..16384].iter().all(|byte| *byte == 0) && after[16384..] == before[16384..]);

    let seen = recheck::recheck(&job, None).unwrap();
    assert_eq!(seen.exit, Exit::Hold);
    let changed: Vec<String> = seen.result.changed.iter().map(|c| c.what.clone()).collect();
    assert!(
        changed.contains(&"use".into()) && changed.contains(&"fingerprint".into()),
        "{changed:?}"
    );
    let why = refusal(try_guard(&job, &ZERO));
    assert!(why.contains("spent"), "{why}");
    // Nor can it be released again: what was surveyed is no longer there.
    let again = try_release(&job);
    assert_eq!(again.result.state, State::Hold);
    assert!(
        again.open_points.iter().any(
            |point| point.id == "source-changed" && point.says.contains("the release is spent")
        ),
        "{:#?}",
        again.open_points
    );

    let facts = job.ledger.facts().unwrap();
    let guarded: Vec<_> = facts
        .iter()
        .filter_map(|fact| match &fact.body {
            FactBody::Guarded {
                exit,
                dry_run,
                refused,
                ..
            } => Some((*exit, *dry_run, refused.is_some())),
            _ => None,
        })
        .collect();
    assert_eq!(
        guarded,
        [
            (None, true, false),
            (Some(0), false, false),
            (None, false, true)
        ]
    );
}

#[test]
fn the_drive_is_one_word_for_a_shell_and_a_failure_is_one() {
    if !tools("guard with a shell") {
        return;
    }
    let scratch = Scratch::new();
    let drive = image(&scratch, "my drive.img");
    let job = released(&scratch.bench, &scratch, &drive, "practice");
    let script = "printf mark | dd of=\"$1\" conv=notrunc status=none; exit 7";
    let outcome = try_guard(&job, &["sh", "-c", script, "sh", "{drive}"]).unwrap();
    assert_eq!(
        (outcome.result.ran, outcome.result.exit, outcome.exit),
        (true, Some(7), Exit::Failed)
    );
    assert_eq!(&std::fs::read(&drive).unwrap()[..4], b"mark");
    // A command that is not there never ran, and costs no release.
    let other = Scratch::new();
    let drive = image(&other, "drive.img");
    let job = released(&other.bench, &other, &drive, "practice");
    let why = refusal(try_guard(&job, &["/no/such/tool", "{drive}"]));
    assert!(why.contains("/no/such/tool"), "{why}");
    assert!(recheck::recheck(&job, None).unwrap().result.holds);
    for wrong in [&["x"][..], &["x", "{drive}", "{drive}"], &["x", "{drive}1"]] {
        assert_eq!(try_guard(&job, wrong).unwrap_err().kind, ProblemKind::Usage);
    }
}

#[test]
fn another_drive_a_changed_one_and_an_expired_release_are_refused() {
    if !tools("guard refusals") {
        return;
    }
    let scratch = Scratch::new();
    let drive = image(&scratch, "drive.img");
    let other = image(&scratch, "other.img");
    let short = scratch.path("short.img");
    std::fs::write(&short, vec![0; 4096]).unwrap();
    let job = released(&scratch.bench, &scratch, &drive, "practice");
    let with = |named: &Path| {
        let mut request = request(&job, &ZERO);
        request.drive = Some(named.to_owned());
        refusal(guard::guard(&job, &request))
    };
    let why = with(&other);
    assert!(why.contains("fingerprint"), "{why}");
    let why = with(&short);
    assert!(why.contains("expected a size of"), "{why}");
    assert!(
        !std::fs::read(&other).unwrap()[1024..4096]
            .iter()
            .all(|byte| *byte == 0)
    );

    // One bit of its tables is enough.
    let mut bytes = std::fs::read(&drive).unwrap();
    bytes[700] ^= 1;
    std::fs::write(&drive, &bytes).unwrap();
    let why = refusal(try_guard(&job, &ZERO));
    assert!(why.contains("fingerprint"), "{why}");
    bytes[700] ^= 1;
    std::fs::write(&drive, &bytes).unwrap();
    assert!(recheck::recheck(&job, None).unwrap().result.holds);

    // The image attached as a device may be mounted any moment.
    {
        let attached = Loop::over(&drive);
        let why = refusal(try_guard(&job, &ZERO));
        assert!(why.contains(attached.path()), "{why}");
    }
    {
        let attached = Loop::over(&drive);
        let point = scratch.path("mnt");
        let _mounted = Mounted::at(&point, &["-o", "ro,noload", attached.path()]);
        let why = refusal(try_guard(&job, &ZERO));
        assert!(why.contains(point.to_str().unwrap()), "{why}");
    }
    scratch.bench.pass_days(1);
    let why = refusal(try_guard(&job, &ZERO));
    assert!(why.contains("expiry"), "{why}");
    std::fs::rename(&drive, scratch.path("gone.img")).unwrap();
    let why = refusal(try_guard(&job, &ZERO));
    assert!(why.contains("not here"), "{why}");
}

#[test]
fn a_word_that_names_another_device_is_refused() {
    if !tools("guard and other devices") {
        return;
    }
    let scratch = Scratch::new();
    let drive = image(&scratch, "drive.img");
    let other = Loop::fresh(scratch.dir.path(), "other.img", 1 << 20);
    let link = scratch.path("harmless");
    std::os::unix::fs::symlink(&other.node, &link).unwrap();
    let job = released(&scratch.bench, &scratch, &drive, "practice");
    let name = other.node.file_name().unwrap().to_str().unwrap().to_owned();
    let path = other.path().to_owned();
    let link = link.to_str().unwrap();
    for command in [
        vec!["dd".to_owned(), "if={drive}".into(), format!("of={path}")],
        vec!["true".into(), "{drive}".into(), path.clone()],
        vec!["true".into(), "{drive}".into(), name],
        vec!["true".into(), "{drive}".into(), link.to_owned()],
        vec!["true".into(), format!("a={{drive}},b={path}")],
        vec![
            "sh".into(),
            "-c".into(),
            format!("true \"$1\" >{path}"),
            "sh".into(),
            "{drive}".into(),
        ],
    ] {
        let words: Vec<&str> = command.iter().map(String::as_str).collect();
        let why = refusal(try_guard(&job, &words));
        assert!(why.contains("besides {drive}"), "{command:?}: {why}");
    }
    assert_eq!(
        try_guard(&job, &["true", "{drive}", "/dev/null"])
            .unwrap()
            .result
            .exit,
        Some(0)
    );
}

#[test]
fn a_folder_job_is_never_let_through() {
    let scratch = Scratch::new();
    scratch.write("source/a.txt", b"a");
    let job = scratch.saved();
    let why = refusal(try_guard(&job, &["true", "{drive}"]));
    assert!(why.contains("folder"), "{why}");
}

/// A loop device that passes for a built-in disk.
fn as_disk(facts: &mut DriveFacts) {
    facts.is_loop = false;
    facts.model = Some("Ackerwerk 500".into());
    facts.serial = Some("AK-0001".into());
    facts.disks = vec![facts.name.clone()];
    facts.disks_unknown = false;
}

/// A released job of a shop on a loop device that passes for a disk.
fn shop<'b>(bench: &'b HandBench, scratch: &Scratch, device: &Loop) -> Job<'b> {
    bench.apart.store(true, Ordering::Relaxed);
    *bench.alter.lock().unwrap() = Some(as_disk);
    released(bench, scratch, &device.node, "home")
}

#[test]
fn a_held_device_takes_no_writes_and_practice_releases_none() {
    if !tools("hold of a loop device") {
        return;
    }
    let scratch = Scratch::new();
    let device = Loop::over(&image(&scratch, "drive.img"));
    let job = released(&scratch.bench, &scratch, &device.node, "practice");
    assert!(flag(&device));
    assert!(std::fs::write(&device.node, [1u8; 512]).is_err());
    assert!(run("mkfs.ext4", &["-q", "-F", device.path()]).is_err());
    let why = refusal(try_guard(&job, &ZERO));
    assert!(why.contains("practice"), "{why}");
    assert!(flag(&device));

    // Lifted behind our back: said, and set again by the next step.
    run("blockdev", &["--setrw", device.path()]).unwrap();
    let points = gate::points_now(&job).unwrap();
    assert!(
        points.iter().any(|point| point.id == "hold-not-set"),
        "{points:#?}"
    );
    let job = hold::ready(job, &mut quiet()).unwrap();
    assert!(flag(&device));
    assert!(
        gate::points_now(&job)
            .unwrap()
            .iter()
            .all(|point| point.id != "hold-not-set")
    );

    // Given back as it was; after that nobody sets it again.
    assert_eq!(hold::give_back_holds(&job).unwrap(), Vec::<String>::new());
    assert!(!flag(&device));
    assert_eq!(hold::give_back_holds(&job).unwrap(), Vec::<String>::new());
    let job = hold::ready(job, &mut quiet()).unwrap();
    assert!(!flag(&device));
    drop(job);
}

#[test]
fn the_flag_is_lifted_for_the_command_alone() {
    if !tools("guard of a device") {
        return;
    }
    let look = "test \"$(blockdev --getro \"$1\")\" = 0 && test -b \"$1\"";
    for (script, exit, ending) in [
        (
            format!("{look} && dd if=/dev/zero of=\"$1\" bs=4k count=4 status=none"),
            0,
            Exit::Done,
        ),
        (format!("{look} && exit 3"), 3, Exit::Failed),
    ] {
        let scratch = Scratch::new();
        let file = image(&scratch, "drive.img");
        let device = Loop::over(&file);
        let job = shop(&scratch.bench, &scratch, &device);
        assert!(flag(&device));
        let outcome = try_guard(&job, &["sh", "-c", &script, "sh", "{drive}"]).unwrap();
        assert_eq!(
            (outcome.result.refused, outcome.result.exit, outcome.exit),
            (None, Some(exit), ending)
        );
        assert!(flag(&device));
        let zeroed = std::fs::read(&file).unwrap()[1024..2048]
            .iter()
            .all(|byte| *byte == 0);
        assert_eq!(zeroed, exit == 0);
        assert!(refusal(try_guard(&job, &ZERO)).contains("spent"));
        hold::give_back_holds(&job).unwrap();
        assert!(!flag(&device));
    }
}

#[test]
fn a_panic_in_the_middle_sets_the_flag_again() {
    if !tools("guard and a panic") {
        return;
    }
    let scratch = Scratch::new();
    let device = Loop::over(&image(&scratch, "drive.img"));
    let job = shop(&scratch.bench, &scratch, &device);
    scratch.bench.panics.store(true, Ordering::Relaxed);
    let ended = std::panic::catch_unwind(std::panic::AssertUnwindSafe(|| try_guard(&job, &ZERO)));
    assert!(ended.is_err());
    assert!(flag(&device));
    scratch.bench.panics.store(false, Ordering::Relaxed);
    // What it did before is not known: the release is spent, and the next step says so.
    let mut said = Vec::new();
    let job = hold::ready(job, &mut |event| {
        if let Event::Warn { says } = event {
            said.push(says);
        }
    })
    .unwrap();
    assert!(said.iter().any(|line| line.contains("cut off")), "{said:?}");
    assert!(refusal(try_guard(&job, &ZERO)).contains("spent"));
}

#[test]
fn a_device_in_use_or_with_a_copy_on_it_or_with_another_serial_is_refused() {
    if !tools("guard of a device in use") {
        return;
    }
    let scratch = Scratch::new();
    let device = Loop::over(&image(&scratch, "drive.img"));
    let job = shop(&scratch.bench, &scratch, &device);
    {
        let point = scratch.path("mnt");
        let _mounted = Mounted::at(&point, &["-o", "ro,noload", device.path()]);
        let why = refusal(try_guard(&job, &ZERO));
        assert!(why.contains(point.to_str().unwrap()), "{why}");
        // Even where the list of mounts does not show it, the kernel knows.
        *scratch.bench.alter.lock().unwrap() = Some(|facts| {
            as_disk(facts);
            facts.in_use.clear();
        });
        let why = refusal(try_guard(&job, &ZERO));
        assert!(why.contains("in use"), "{why}");
    }
    *scratch.bench.alter.lock().unwrap() = Some(|facts| {
        as_disk(facts);
        facts.disks = vec!["disk-two".into()];
    });
    let why = refusal(try_guard(&job, &ZERO));
    assert!(why.contains("lies on this very drive"), "{why}");
    *scratch.bench.alter.lock().unwrap() = Some(|facts| {
        as_disk(facts);
        facts.serial = Some("AK-0002".into());
    });
    let why = refusal(try_guard(&job, &ZERO));
    assert!(why.contains("AK-0002"), "{why}");
    *scratch.bench.alter.lock().unwrap() = Some(|facts| {
        as_disk(facts);
        facts.serial = None;
    });
    let why = refusal(try_guard(&job, &ZERO));
    assert!(why.contains("not here"), "{why}");
    *scratch.bench.alter.lock().unwrap() = Some(as_disk);
    // A flag that somebody lifted is an open point, and the release does not hold.
    run("blockdev", &["--setrw", device.path()]).unwrap();
    let why = refusal(try_guard(&job, &ZERO));
    assert!(why.contains("hold-not-set"), "{why}");
    run("blockdev", &["--setro", device.path()]).unwrap();
    let mut dry = request(&job, &ZERO);
    dry.dry_run = true;
    assert_eq!(guard::guard(&job, &dry).unwrap().result.refused, None);
}

#[test]
fn another_drive_in_the_old_place_is_not_held_and_not_released() {
    if !tools("another drive in the old place") {
        return;
    }
    let scratch = Scratch::new();
    let file = image(&scratch, "drive.img");
    let device = Loop::over(&file);
    let job = saved(&scratch.bench, &scratch, &device.node, "practice");
    let node = device.node.clone();
    drop(device);
    let other = image(&scratch, "other.img");
    // Another test may take the number in between; it gives it back soon.
    let taken = || {
        run(
            "losetup",
            &[node.to_str().unwrap(), other.to_str().unwrap()],
        )
    };
    let mut tries = 0;
    while taken().is_err() {
        tries += 1;
        assert!(tries < 300, "{} stays taken", node.display());
        std::thread::sleep(std::time::Duration::from_millis(200));
    }
    let stranger = Loop { node };
    run("blockdev", &["--setrw", stranger.path()]).unwrap();
    let job = hold::ready(job, &mut quiet()).unwrap();
    assert!(!flag(&stranger), "a stranger was held");
    let outcome = try_release(&job);
    let ids: Vec<&str> = outcome.open_points.iter().map(|point| &*point.id).collect();
    assert!(
        ids.contains(&"source-changed") && ids.contains(&"hold-not-set"),
        "{ids:?}"
    );
    drop(stranger);
    let outcome = try_release(&job);
    let gone = |id: &str| outcome.open_points.iter().any(|point| point.id == id);
    assert!(gone("source-gone"), "{:#?}", outcome.open_points);
}

#[test]
fn points_of_identity_mounts_and_other_drives() {
    if !tools("points of drives") {
        return;
    }
    let scratch = Scratch::new();
    let device = Loop::over(&image(&scratch, "drive.img"));
    scratch.bench.apart.store(true, Ordering::Relaxed);
    *scratch.bench.alter.lock().unwrap() = Some(|facts| {
        as_disk(facts);
        facts.serial = None;
    });
    scratch.bench.others.lock().unwrap().push(DriveFacts {
        name: "sdq".into(),
        model: Some("Feldhaus F2".into()),
        serial: Some("F2-77".into()),
        bytes: 2_000_000_000_000,
        ..DriveFacts::default()
    });
    let mut job = saved(&scratch.bench, &scratch, &device.node, "home");
    let find = |job: &Job<'_>, id: &str| {
        gate::points_now(job)
            .unwrap()
            .into_iter()
            .find(|point| point.id == id)
    };
    assert!(find(&job, "identity-unknown").is_some());
    assert!(find(&job, "other-drive").is_none());
    job.setup.machine = Some(Machine::UnderRepair);
    let other = find(&job, "other-drive").unwrap();
    assert!(
        other.says.contains("Feldhaus F2") && other.says.contains("F2-77"),
        "{other:?}"
    );
    assert!(find(&job, "mounted-writable").is_none());
    run("blockdev", &["--setrw", device.path()]).unwrap();
    let _mounted = Mounted::at(&scratch.path("mnt"), &[device.path()]);
    assert!(find(&job, "mounted-writable").is_some());
}

#[test]
fn a_guard_that_is_killed_leaves_a_note_and_the_next_start_sets_the_flag() {
    if !tools("killed guard") {
        return;
    }
    let scratch = Scratch::new();
    let device = Loop::over(&image(&scratch, "drive.img"));
    // The guard's own process opens the job.
    let dir = shop(&scratch.bench, &scratch, &device).dir.clone();
    let mark = scratch.path("mark");
    let mut child = std::process::Command::new(std::env::current_exe().unwrap())
        .args(["guard::guard_to_be_killed", "--exact", "--ignored"])
        .env("HOLDPOINT_TEST_JOB", &dir)
        .env("HOLDPOINT_TEST_MARK", &mark)
        .stdout(std::process::Stdio::null())
        .stderr(std::process::Stdio::null())
        .spawn()
        .unwrap();
    let begun = Instant::now();
    let pid = loop {
        match std::fs::read_to_string(&mark) {
            Ok(text) if text.ends_with('\n') => break text.trim().to_owned(),
            _ => {}
        }
        assert!(
            child.try_wait().unwrap().is_none(),
            "the guard ended by itself"
        );
        assert!(
            begun.elapsed() < Duration::from_secs(60),
            "the command never began"
        );
        std::thread::sleep(Duration::from_millis(20));
    };
    assert!(!flag(&device), "not lifted for the command");
    // While it runs, no other step gets at the job, and so none touches the flag and no second guard starts.
    let busy = hold::open(&scratch.bench, &dir, &mut quiet())
        .err()
        .unwrap();
    assert!(busy.what.contains("at work on this job"), "{busy}");
    assert!(!flag(&device));
    child.kill().unwrap();
    child.wait().unwrap();
    run("kill", &["-9", &pid]).unwrap();
    assert!(!flag(&device), "a killed guard cannot have set it");
    let mut said = Vec::new();
    let job = hold::open(&scratch.bench, &dir, &mut |event| {
        if let Event::Warn { says } = event {
            said.push(says);
        }
    })
    .unwrap();
    assert!(flag(&device));
    assert!(
        said.iter().any(|line| line.contains("may still be lifted")),
        "{said:?}"
    );
    assert!(refusal(try_guard(&job, &ZERO)).contains("spent"));
    // Said once.
    let mut again = 0;
    let _job = hold::ready(job, &mut |_| again += 1).unwrap();
    assert_eq!(again, 0);
}

#[test]
#[ignore = "started by the test above, to be killed"]
fn guard_to_be_killed() {
    let (Some(dir), Some(mark)) = (
        std::env::var_os("HOLDPOINT_TEST_JOB"),
        std::env::var_os("HOLDPOINT_TEST_MARK"),
    ) else {
        return;
    };
    let bench = HandBench::new();
    bench.apart.store(true, Ordering::Relaxed);
    *bench.alter.lock().unwrap() = Some(as_disk);
    let job = Job::open(&bench, Path::new(&dir)).unwrap();
    let script = "echo $$ > \"$2\"; exec sleep 60";
    let mark = mark.to_str().unwrap();
    let _ = try_guard(&job, &["sh", "-c", script, "sh", "{drive}", mark]);
}
