//! Inspecting: damaged content is named, healthy content is not, and the sample can be opened.

use crate::hand_bench::Scratch;
use holdpoint::job::Job;
use holdpoint::ledger::FactBody;
use holdpoint::step::inspect::inspect;
use holdpoint::step::outcome::{Exit, Inspected};
use holdpoint::step::request::InspectRequest;
use holdpoint::value::Moment;

fn look(job: &Job<'_>, since: Option<Moment>, sample: Option<u32>) -> Inspected {
    let request = InspectRequest {
        job: job.dir.clone(),
        fault_since: since,
        sample,
    };
    let done = inspect(job, &request, &mut |_| {}).unwrap();
    assert_eq!(done.exit, Exit::Done);
    done.result
}

fn aged(scratch: &Scratch, path: &str, seconds: u64) {
    let file = std::fs::File::options()
        .append(true)
        .open(scratch.path(path))
        .unwrap();
    file.set_modified(std::time::UNIX_EPOCH + std::time::Duration::from_secs(seconds))
        .unwrap();
}

#[test]
fn damaged_content_is_named_and_a_sample_drawn() {
    let scratch = Scratch::new();
    let picture = |scan: u8| {
        let mut bytes = vec![0xff, 0xd8, 0xff, 0xda, 0, 4, 1, 2];
        bytes.extend(vec![scan; 9000]);
        bytes.extend([0xff, 0xd9]);
        bytes
    };
    scratch.write("source/Pictures/new.jpg", picture(1));
    scratch.write("source/Pictures/old.jpg", picture(2));
    scratch.write("source/Pictures/between.jpg", picture(3));
    let half = &picture(4)[..4000];
    scratch.write("source/Pictures/half <b>.jpg", half);
    scratch.write("source/Pictures/blank.jpg", vec![0; 9000]);
    scratch.write("source/letter.txt", "Dear all");
    scratch.write("source/list.csv", "1;2");
    scratch.write("source/mail/small.mbox", "From a");
    scratch.write("source/mail/large.mbox", "From a\n".repeat(100));
    scratch.write("source/secret.bin", vec![0x9c; 9000]);
    for (path, at) in [
        ("source/Pictures/new.jpg", 1_700_000_000),
        ("source/Pictures/old.jpg", 900_000_000),
        ("source/Pictures/between.jpg", 1_600_000_000),
    ] {
        aged(&scratch, path, at);
    }
    let job = scratch.saved();
    std::fs::rename(scratch.path("source"), scratch.path("gone")).unwrap();
    let seen = look(&job, None, None);
    assert_eq!(seen.looked.items, 10);
    let mut doubts: Vec<_> = seen
        .doubtful
        .iter()
        .map(|doubt| (doubt.path.as_str(), doubt.why.as_str()))
        .collect();
    doubts.sort_unstable();
    assert_eq!(doubts.len(), 2, "{doubts:?}");
    assert_eq!(
        doubts[0],
        ("Pictures/blank.jpg", "it holds nothing but zeros")
    );
    assert!(
        doubts[1].0 == "Pictures/half <b>.jpg" && doubts[1].1.contains("end mark"),
        "{doubts:?}"
    );
    let facts = job.ledger.facts().unwrap();
    let FactBody::Inspected {
        looked,
        doubtful,
        false_content,
    } = &facts.last().unwrap().body
    else {
        panic!("{:?}", facts.last())
    };
    assert_eq!((*looked, *doubtful), (10, 2));
    assert_eq!(
        false_content
            .as_ref()
            .map(|found| (found.items, found.bytes)),
        Some((2, 13_000))
    );

    for drawn in &seen.sample {
        assert!(std::path::Path::new(&drawn.copy).is_file(), "{drawn:?}");
    }
    let drawn: Vec<_> = seen
        .sample
        .iter()
        .map(|drawn| drawn.path.as_str())
        .collect();
    for expected in [
        "Pictures/old.jpg",
        "letter.txt",
        "list.csv",
        "mail/large.mbox",
    ] {
        assert!(drawn.contains(&expected), "{expected}: {drawn:?}");
    }
    assert_eq!(
        look(&job, None, None).sample,
        seen.sample,
        "the same in every run"
    );
    assert_eq!(look(&job, None, Some(2)).sample.len(), 2);
    assert!(look(&job, None, Some(0)).sample.is_empty());
}

fn point(job: &Job<'_>) -> Option<holdpoint::step::outcome::OpenPoint> {
    let points = holdpoint::step::points_now(job).unwrap();
    points
        .into_iter()
        .find(|point| point.id == "doubtful-content")
}

/// Equal is not good: photos that hold nothing must be decided about before the drive is wiped, once and for this set.
#[test]
fn blank_photos_open_a_point_that_the_owner_settles() {
    let scratch = Scratch::new();
    scratch.write("source/Pictures/a.jpg", vec![0; 60_000]);
    scratch.write("source/Pictures/b.jpg", vec![0; 70_000]);
    scratch.write("source/letter.txt", "Dear all");
    let job = scratch.saved();
    assert_eq!(point(&job), None, "nobody has to inspect");
    look(&job, None, None);
    let open = point(&job).unwrap();
    assert_eq!(open.count, 2);
    assert!(
        open.evidence
            .starts_with("2 of 3 copies looked at are blank")
            && open.evidence.contains("Pictures/a.jpg"),
        "{}",
        open.evidence
    );
    assert!(
        open.lost.contains("2 of them irreplaceable"),
        "{}",
        open.lost
    );
    assert!(
        open.remedy.contains("holdpoint inspect ") && open.remedy.contains("--decided-by owner"),
        "{}",
        open.remedy
    );
    use holdpoint::step::outcome::{DecidedBy, How};
    use holdpoint::step::request::{WaiveRequest, WaiveWhat};
    let decide = |by| {
        let request = WaiveRequest {
            job: job.dir.clone(),
            what: WaiveWhat::Point("doubtful-content".into()),
            reason: "they were blank on the old drive too".into(),
            decided_by: by,
            name: Some("R. Amsel".into()),
            how: Some(How::Signed),
            proof: None,
        };
        holdpoint::step::waive::waive(&job, &request)
    };
    decide(DecidedBy::Technician).unwrap_err();
    decide(DecidedBy::Owner).unwrap();
    assert_eq!(point(&job), None);
    look(&job, None, None);
    assert_eq!(point(&job), None, "the same set stays decided");
}

/// The owner sees which copies are in doubt, on paper, and may accept one of them by itself.
#[test]
fn doubtful_copies_are_named_on_the_sheet_and_accepted_one_by_one() {
    use holdpoint::step::outcome::{DecidedBy, How, Paper};
    use holdpoint::step::request::{PrintRequest, WaiveRequest, WaiveWhat};
    let scratch = Scratch::new();
    for name in ["a", "b", "c"] {
        scratch.write(&format!("source/Pictures/{name}.jpg"), vec![0; 60_000]);
    }
    scratch.write("source/letter.txt", "Dear all");
    let job = scratch.saved();
    look(&job, None, None);
    let accept = |by, path: &str| {
        let request = WaiveRequest {
            job: job.dir.clone(),
            what: WaiveWhat::Items(vec![path.into()]),
            reason: "it was blank on the old drive too".into(),
            decided_by: by,
            name: Some("R. Amsel".into()),
            how: Some(How::Signed),
            proof: None,
        };
        holdpoint::step::waive::waive(&job, &request)
    };
    let sheet = || {
        let request = PrintRequest {
            job: job.dir.clone(),
            paper: Paper::Sheet,
            out: None,
            names: None,
            language: None,
            offset_minutes: 0,
        };
        let printed = holdpoint::step::print::print(&job, &request)
            .unwrap()
            .result;
        std::fs::read_to_string(printed.text).unwrap()
    };
    std::fs::create_dir_all(job.dir.join("papers")).unwrap();
    let before = sheet();
    for name in ["a", "b", "c"] {
        assert!(
            before.contains(&format!("Pictures/{name}.jpg (60.0 kB)")),
            "{before}"
        );
    }
    assert!(before.contains("I accept as it is:"), "{before}");
    accept(DecidedBy::Technician, "Pictures/b.jpg").unwrap_err();
    accept(DecidedBy::Owner, "letter.txt").unwrap_err();
    assert!(
        accept(DecidedBy::Owner, "Pictures/b.jpg")
            .unwrap()
            .result
            .kept
    );
    assert_eq!(point(&job).unwrap().count, 2);
    accept(DecidedBy::Owner, "Pictures/b.jpg").unwrap_err();
    // Looked at once more it is in doubt as before, and decided about as before.
    look(&job, None, None);
    assert_eq!(point(&job).unwrap().count, 2);
    accept(DecidedBy::Owner, "Pictures").unwrap();
    assert_eq!(point(&job), None);
    let counts = holdpoint::step::counts(&job).unwrap();
    assert_eq!(
        (counts.verified, counts.waived),
        (4, 0),
        "nothing is given up"
    );
    let after = sheet();
    assert!(after.contains("Pictures/b.jpg"), "{after}");
    assert_eq!(after.matches("I agree to lose").count(), 0, "{after}");
    // What was accepted is that very set: rows changed by hand free nothing.
    job.ledger
        .accept_doubt(job.ledger.doubts().unwrap()[0].item, 7)
        .unwrap();
    assert!(point(&job).is_some());
}

/// An empty document, a file that never had room, what a Mac and an office program leave beside theirs, a spoilt file
/// of a program: all of it stands on healthy machines.
#[test]
fn a_healthy_folder_opens_no_point() {
    let scratch = Scratch::new();
    scratch.write("source/New document.docx", "");
    scratch.write("source/Pictures/dot.png", "x");
    scratch.write("source/Pictures/._a.jpg", vec![0x16; 4096]);
    scratch.write("source/~$letter.docx", vec![7; 162]);
    scratch.write("source/notes.txt", "words");
    scratch.write("source/cloud.jpg", "");
    let cloud = std::fs::File::options()
        .write(true)
        .open(scratch.path("source/cloud.jpg"))
        .unwrap();
    cloud.set_len(80_000).unwrap();
    let job = scratch.saved();
    look(&job, Some(job.now().plus_hours(-1.0)), None);
    assert_eq!(point(&job), None);
}

#[test]
fn what_was_written_while_the_machine_was_sick_is_listed() {
    let scratch = Scratch::new();
    scratch.write("source/before.txt", "well");
    scratch.write("source/after.txt", "well?");
    let job = scratch.saved();
    let now = job.now();
    assert_eq!(look(&job, Some(now.plus_hours(1.0)), None).doubtful, []);
    let seen = look(&job, Some(now.plus_hours(-1.0)), None);
    assert_eq!(seen.doubtful.len(), 2);
    assert!(seen.doubtful[0].why.contains("sick"), "{:?}", seen.doubtful);
}

#[test]
fn a_copy_that_cannot_be_looked_into_is_in_doubt() {
    let scratch = Scratch::new();
    scratch.write("source/letter.txt", "Dear all");
    let job = scratch.saved();
    std::fs::remove_file(scratch.path("one/job/bag/data/folder/letter.txt")).unwrap();
    let seen = look(&job, None, None);
    assert_eq!(seen.doubtful.len(), 1);
    assert!(
        seen.doubtful[0].why.contains("could not be looked into"),
        "{:?}",
        seen.doubtful
    );
}

/// The files that come with this system are whole (looked at once over 104,273 files of /usr/share and /usr/lib: one
/// hit, and that picture is empty indeed); every doubt about one of them is a false alarm.
#[test]
fn the_files_of_this_machine_raise_no_doubt() {
    use holdpoint::port::{Fault, FaultKind};
    use holdpoint::survey::genuine::{BLOCK, Look, claimed, doubt};
    use std::os::unix::fs::FileExt;
    let mut waiting = vec![std::path::PathBuf::from("/usr/share")];
    let (mut asked, mut checked, mut wrong) = (0, 0, Vec::new());
    let mut block = vec![0u8; BLOCK];
    while let Some(folder) = waiting.pop() {
        let Ok(entries) = std::fs::read_dir(&folder) else {
            continue;
        };
        for entry in entries.flatten() {
            let Ok(kind) = entry.file_type() else {
                continue;
            };
            let path = entry.path();
            if kind.is_dir() {
                waiting.push(path);
                continue;
            }
            let Some(file) = kind
                .is_file()
                .then(|| std::fs::File::open(&path).ok())
                .flatten()
            else {
                continue;
            };
            let name = entry.file_name().to_string_lossy().into_owned();
            let bytes = file.metadata().map_or(0, |seen| seen.len());
            let mut read = |at: u64, buf: &mut [u8]| {
                let failed =
                    |e: std::io::Error| Fault::new(FaultKind::Other, "reading", e.to_string());
                file.read_at(buf, at).map_err(failed)
            };
            asked += 1;
            checked += u64::from(claimed(&name).is_some());
            let why = doubt(&name, false, &mut Look::new(bytes, &mut read, &mut block)).unwrap();
            wrong.extend(why.map(|why| format!("{}: {why}", path.display())));
        }
    }
    eprintln!("{asked} files, {checked} of a known form");
    assert!(
        wrong.is_empty(),
        "{} of {asked}:\n{}",
        wrong.len(),
        wrong.join("\n")
    );
}

#[test]
fn an_inspection_that_was_stopped_says_so_and_counts_for_nothing() {
    let scratch = Scratch::new();
    scratch.write("source/letter.txt", "Dear all");
    let job = scratch.saved();
    let stop = &scratch.bench.stop;
    stop.store(true, std::sync::atomic::Ordering::Relaxed);
    let request = InspectRequest {
        job: job.dir.clone(),
        fault_since: None,
        sample: None,
    };
    let done = inspect(&job, &request, &mut |_| {}).unwrap();
    assert_eq!((done.exit, done.result.looked.items), (Exit::Stopped, 0));
    let short = done.short.unwrap();
    assert!(short.next.starts_with("holdpoint inspect JOB"), "{short}");
    let looked = |fact: &holdpoint::ledger::Fact| matches!(fact.body, FactBody::Inspected { .. });
    assert!(!job.ledger.facts().unwrap().iter().any(looked));
}
