//! Closing: not before its time, not by halves, and without a name left behind.

use crate::hand_bench::Scratch;
use holdpoint::job::Job;
use holdpoint::ledger::{FactBody, Ledger};
use holdpoint::step::close::close;
use holdpoint::step::event::Event;
use holdpoint::step::outcome::{Closed, Exit, Outcome, Problem, ProblemKind};
use holdpoint::step::put_back::put_back;
use holdpoint::step::request::{CloseRequest, CloseWhen, PutBackRequest};
use holdpoint::value::Moment;

fn shut(job: &Job<'_>, when: CloseWhen) -> Result<Outcome<Closed>, Problem> {
    let request = CloseRequest {
        job: job.dir.clone(),
        when,
    };
    close(job, &request, &mut |event| {
        if let Event::Warn { says } = event {
            eprintln!("warned: {says}");
        }
    })
}

fn give_back(scratch: &Scratch, job: &Job<'_>) {
    let request = PutBackRequest {
        job: job.dir.clone(),
        to: scratch.path("fresh"),
        map: Vec::new(),
        only: None,
        person: None,
    };
    put_back(job, &request, &mut |_| {}).unwrap();
}

fn household(scratch: &Scratch) {
    scratch.write(
        "source/Users/Ottilie/Pictures/garden.jpg",
        vec![0x5a; 30_000],
    );
    scratch.write(
        "source/Users/Ottilie/letter to Kasimir.txt",
        b"Dear Kasimir",
    );
    std::os::unix::fs::symlink(
        "letter to Kasimir.txt",
        scratch.path("source/Users/Ottilie/link"),
    )
    .unwrap();
}

/// Whether any of the words stands in any file or file name below the folders.
fn finds(scratch: &Scratch, folders: &[&str], words: &[&str]) -> Vec<String> {
    let mut found = Vec::new();
    let mut waiting: Vec<_> = folders.iter().map(|folder| scratch.path(folder)).collect();
    while let Some(folder) = waiting.pop() {
        for entry in std::fs::read_dir(&folder).unwrap() {
            let path = entry.unwrap().path();
            let name = path.file_name().unwrap().to_string_lossy().into_owned();
            let content = if path.is_dir() {
                waiting.push(path.clone());
                Vec::new()
            } else {
                std::fs::read(&path).unwrap()
            };
            for word in words {
                let is_in = content
                    .windows(word.len())
                    .any(|part| part == word.as_bytes());
                if is_in || name.contains(word) {
                    found.push(format!("{word} in {}", path.display()));
                }
            }
        }
    }
    found
}

#[test]
fn the_copy_goes_after_its_time_and_no_name_stays() {
    let scratch = Scratch::new();
    household(&scratch);
    let words = ["Ottilie", "Kasimir", "garden", "Quendel"];
    let job = scratch.saved();
    scratch.write("one/job/papers/receipt.txt", b"for Ottilie");
    assert!(!finds(&scratch, &["one", "two"], &words).is_empty());
    let problem = shut(&job, CloseWhen::ByPolicy).unwrap_err();
    assert_eq!(problem.kind, ProblemKind::Hold, "{problem}");
    give_back(&scratch, &job);
    let head = job.ledger.facts().unwrap().last().unwrap().hash;
    let problem = shut(&job, CloseWhen::ByPolicy).unwrap_err();
    assert!(problem.what.contains("kept until"), "{problem}");
    scratch.bench.pass_days(13);
    assert!(shut(&job, CloseWhen::ByPolicy).is_err());
    scratch.bench.pass_days(1);

    // By halves it does not go: a destination that is away stops it before anything is deleted.
    std::fs::rename(scratch.path("two/job"), scratch.path("two/away")).unwrap();
    let problem = shut(&job, CloseWhen::ByPolicy).unwrap_err();
    assert!(problem.what.contains("/two"), "{problem}");
    assert!(scratch.path("one/job/bag/data").exists());
    std::fs::rename(scratch.path("two/away"), scratch.path("two/job")).unwrap();

    let done = shut(&job, CloseWhen::ByPolicy).unwrap();
    assert!(done.result.closed);
    assert_eq!(
        (done.result.deleted.items, done.result.deleted.bytes),
        (2, 30_012)
    );
    assert_eq!(
        finds(&scratch, &["one", "two"], &words),
        Vec::<String>::new()
    );
    for gone in [
        "one/job/bag",
        "two/job/bag",
        "one/job/papers",
        "two/job/in-work",
    ] {
        assert!(!scratch.path(gone).exists(), "{gone}");
    }
    // What stays can be read and checked, at both places.
    for ledger in ["one/job/ledger.db", "two/job/ledger.db"] {
        let facts = Ledger::open_to_read(&scratch.path(ledger))
            .unwrap()
            .facts()
            .unwrap();
        assert!(
            matches!(facts[0].body, FactBody::Stripped { chain_head, .. } if chain_head != head),
            "the closing was announced in the chain before it was stripped"
        );
        assert!(matches!(
            facts.last().unwrap().body,
            FactBody::Closed {
                deleted_items: 2,
                ..
            }
        ));
        assert!(
            facts
                .iter()
                .any(|fact| matches!(fact.body, FactBody::Verified { .. }))
        );
    }
    // Nothing counts as saved any more, and nothing can be put back.
    drop(job);
    let job = Job::open(&scratch.bench, &scratch.path("one/job")).unwrap();
    let items = holdpoint::step::counts(&job).unwrap();
    assert_eq!(
        (items.verified, items.copied, items.listed > 0),
        (0, 0, true)
    );
    let request = PutBackRequest {
        job: job.dir.clone(),
        to: scratch.path("fresh"),
        map: Vec::new(),
        only: None,
        person: None,
    };
    assert!(
        put_back(&job, &request, &mut |_| {})
            .unwrap_err()
            .what
            .contains("closed")
    );
    // Once more changes nothing, and nothing is deleted a second time.
    let again = shut(&job, CloseWhen::ByPolicy).unwrap();
    assert_eq!((again.result.closed, again.result.deleted.items), (true, 0));
}

#[test]
fn a_day_can_be_set_and_time_can_be_cut_short_with_a_reason() {
    let scratch = Scratch::new();
    household(&scratch);
    let job = scratch.saved();
    give_back(&scratch, &job);
    let past = Moment::parse("2020-01-01").unwrap();
    assert_eq!(
        shut(&job, CloseWhen::KeepUntil(past)).unwrap_err().kind,
        ProblemKind::Usage
    );
    let until = job.now().plus_hours(24.0 * 60.0);
    let kept = shut(&job, CloseWhen::KeepUntil(until)).unwrap();
    assert_eq!(
        (kept.result.closed, kept.exit, kept.result.keep_until),
        (false, Exit::Done, Some(until))
    );
    scratch.bench.pass_days(30);
    assert!(
        shut(&job, CloseWhen::ByPolicy)
            .unwrap_err()
            .what
            .contains(&format!("{until:.0}"))
    );
    let no_reason = CloseWhen::Now { reason: " ".into() };
    assert_eq!(shut(&job, no_reason).unwrap_err().kind, ProblemKind::Usage);
    assert!(scratch.path("one/job/bag/data").exists());
    let now = CloseWhen::Now {
        reason: "asked for by telephone".into(),
    };
    assert!(shut(&job, now).unwrap().result.closed);
    assert!(!scratch.path("one/job/bag").exists());
}

#[test]
fn a_run_that_was_cut_off_is_done_again() {
    let scratch = Scratch::new();
    household(&scratch);
    let job = scratch.saved();
    give_back(&scratch, &job);
    scratch.bench.pass_days(20);
    // Deleted in part, and the record says nothing of it yet.
    std::fs::remove_dir_all(scratch.path("one/job/bag/data")).unwrap();
    let done = shut(&job, CloseWhen::ByPolicy).unwrap();
    assert_eq!(done.result.deleted.items, 2);
    // Stripped, and something came back at a destination before its snapshot was replaced.
    scratch.write("two/job/bag/data/folder/Users/left.txt", b"left");
    drop(job);
    let job = Job::open(&scratch.bench, &scratch.path("one/job")).unwrap();
    // The record knows of no copy any more, so nobody can say whose it is: it is told, and not deleted.
    assert!(shut(&job, CloseWhen::ByPolicy).unwrap().result.closed);
    assert!(
        scratch
            .path("two/job/bag/data/folder/Users/left.txt")
            .exists()
    );
}

/// What somebody else put into the bag is nobody's to delete, and what was taken out of it is not counted as deleted.
#[test]
fn a_strangers_file_in_the_bag_is_told_and_stays() {
    let scratch = Scratch::new();
    household(&scratch);
    let job = scratch.saved();
    let mine = "one/job/bag/data/folder/Users/Ottilie/mine.txt";
    scratch.write(mine, b"put here by the owner");
    let all = |folder: &str| {
        let mut files = Vec::new();
        let mut stack = vec![scratch.path(folder)];
        while let Some(at) = stack.pop() {
            for entry in std::fs::read_dir(at).unwrap().flatten() {
                match entry.path() {
                    path if path.is_dir() => stack.push(path),
                    path => files.push(path),
                }
            }
        }
        files
    };
    let ours = all("two/job/bag/data");
    let taken = ours[0].strip_prefix(scratch.path("two")).unwrap();
    for at in ["one", "two"] {
        std::fs::remove_file(scratch.path(at).join(taken)).unwrap();
    }
    let request = CloseRequest {
        job: job.dir.clone(),
        when: CloseWhen::Now {
            reason: "asked for".into(),
        },
    };
    let mut told = Vec::new();
    let done = close(&job, &request, &mut |event| {
        if let Event::Warn { says } = event {
            told.push(says);
        }
    });
    assert_eq!(done.unwrap().result.deleted.items, ours.len() as u64 - 1);
    assert_eq!(all("one/job/bag"), [scratch.path(mine)]);
    assert!(!scratch.path("two/job/bag").exists());
    let told: Vec<_> = told
        .iter()
        .filter(|says| says.contains("mine.txt"))
        .collect();
    assert_eq!(told.len(), 1, "{told:?}");
}

/// An image is named after whose drive it is, and a guard leaves a lock behind: neither stays.
#[test]
fn what_a_drive_job_leaves_names_nobody_either() {
    let scratch = Scratch::new();
    std::fs::write(scratch.path("Quendel laptop.img"), vec![0u8; 4 << 20]).unwrap();
    let request = holdpoint::step::request::OpenRequest {
        symptom: None,
        memory: None,
        machine: None,
        must_have: None,
        ..scratch.request(holdpoint::step::request::Source::Drives(vec![
            scratch.path("Quendel laptop.img"),
        ]))
    };
    let make = |path: &std::path::Path| Ledger::create(path);
    holdpoint::step::open::open(&scratch.bench, &request, &make, &mut |_| {}).unwrap();
    let job = Job::open(&scratch.bench, &scratch.path("one/job")).unwrap();
    let guard = holdpoint::step::request::GuardRequest {
        job: job.dir.clone(),
        drive: None,
        dry_run: false,
        output_aside: true,
        command: vec!["true".into(), "{drive}".into()],
    };
    let refused = holdpoint::step::guard::guard(&job, &guard).unwrap();
    assert!(refused.result.refused.is_some());
    assert!(scratch.path("one/job/guard.lock").exists());
    // What another machine stated about the bag stays beside the certificate, and is no stranger's.
    scratch.write("one/job/attest/other-machine.json", b"{}");
    let mut warned = Vec::new();
    let now = CloseRequest {
        job: job.dir.clone(),
        when: CloseWhen::Now {
            reason: "a test".into(),
        },
    };
    close(&job, &now, &mut |event| {
        if let Event::Warn { says } = event {
            warned.push(says);
        }
    })
    .unwrap();
    assert!(
        !warned.iter().any(|says| says.contains("did not make")),
        "{warned:?}"
    );
    assert!(!scratch.path("one/job/guard.lock").exists());
    assert!(scratch.path("one/job/attest/other-machine.json").exists());
    let words = ["Quendel", "Ottilie"];
    assert_eq!(
        finds(&scratch, &["one", "two"], &words),
        Vec::<String>::new()
    );
}

#[test]
fn a_bag_that_was_moved_away_is_not_closed_in_silence() {
    let scratch = Scratch::new();
    household(&scratch);
    let job = scratch.saved();
    give_back(&scratch, &job);
    scratch.bench.pass_days(14);
    let move_bags = |from: &str, to: &str| {
        for place in ["one", "two"] {
            let at = |name: &str| scratch.path(&format!("{place}/job/{name}"));
            std::fs::rename(at(from), at(to)).unwrap();
        }
    };
    move_bags("bag", "away");
    let refused = shut(&job, CloseWhen::ByPolicy).unwrap_err();
    assert!(refused.what.contains("none of the 2 copies"), "{refused}");
    move_bags("away", "bag");
    assert!(shut(&job, CloseWhen::ByPolicy).unwrap().result.closed);
    let left = finds(&scratch, &["one", "two"], &["Kasimir"]);
    assert_eq!(left, Vec::<String>::new());
}
