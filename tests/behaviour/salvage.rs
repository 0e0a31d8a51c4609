//! What the salvage image is good for beside the first reading: gaps from before it, and a drive that died.

use crate::hand_bench::Scratch;
use crate::shop::have;
use crate::weak::{
    Files, HEALTHY, WEAK, at_a_walk, carried, content, judged, planned, sector, warned,
};
use holdpoint::job::Job;
use holdpoint::judge::gaps::State;
use holdpoint::ledger::{FactBody, Got, GotRow, Ledger, LedgerError};
use holdpoint::step::event::Event;
use holdpoint::step::outcome::{Exit, MemoryState};
use holdpoint::step::request::{CopyRequest, ReleaseRequest, VerifyRequest};
use holdpoint::step::{copy, release, verify};
use std::collections::BTreeMap;
use std::sync::Arc;
use std::sync::atomic::Ordering;

/// A picture with one bad place, met before the route was salvage; `heals` = the place reads from then on. How often that
/// place was asked since, and which other sectors of the picture were.
fn met_before(
    heals: bool,
    then: impl FnOnce(&Scratch, &Job<'_>, &Files),
) -> (usize, Vec<(u64, u64)>) {
    let (scratch, files) = (Scratch::new(), content());
    let job = planned(&scratch, &files, HEALTHY);
    let weak = Arc::clone(&scratch.bench.weak);
    let bytes = scratch.read("drive");
    let picture = &files["7.jpg"];
    let first = sector(&bytes, picture, 0);
    let bad = first + 1;
    *weak.bad.lock().unwrap() = vec![bad];
    at_a_walk(&weak);
    let request = CopyRequest {
        job: job.dir.clone(),
        limit_bytes: None,
        limit_minutes: None,
    };
    let mut since = None;
    let outcome = copy::copy(&job, &request, &mut |event| {
        if matches!(event, Event::Rerouted { .. }) {
            since = Some(weak.through(0).len());
            if heals {
                weak.bad.lock().unwrap().clear();
            }
        }
    });
    assert_eq!(outcome.unwrap().exit, Exit::Done);
    let asked = weak.through(0).split_off(since.unwrap());
    *weak.at_request.lock().unwrap() = None;
    then(&scratch, &job, &files);
    let hit = |(at, count): &&(u64, u64), sector| (*at..at + count).contains(&sector);
    let times = asked.iter().filter(|ask| hit(ask, bad)).count();
    let of_it = first..first + 40;
    let others = asked
        .into_iter()
        .filter(|(at, _)| of_it.contains(at) && *at != bad);
    (times, others.collect())
}

#[test]
fn a_gap_from_before_the_salvage_route_is_asked_once_more_and_never_again() {
    if !have("a_gap_from_before", &["mkfs.ext4"]) {
        return;
    }
    let (times, others) = met_before(false, |scratch, job, files| {
        let got = job.ledger.child_named("7.jpg");
        assert_eq!(got.missing, [(512, 512)]);
        let states = job.ledger.range_states(0).unwrap();
        assert_eq!(states.count(State::Refused), 1);
        // Its last answer is known: no later run asks for it.
        let weak = &scratch.bench.weak;
        weak.forget();
        assert_eq!(carried(job, &mut Vec::new()).exit, Exit::Done);
        assert_eq!(weak.through(0), []);
        assert_eq!(job.ledger.child_named("7.jpg"), got);
        let copy = scratch.read("two/job/bag/data/drive1-volume1/7.jpg");
        assert!(copy[..512] == files["7.jpg"][..512] && copy[512..1024] == [0; 512]);
    });
    assert_eq!(times, 1);
    assert_eq!(others, []);
}

#[test]
fn a_gap_that_closes_is_filled_into_the_copies_and_costs_the_drive_nothing_else() {
    if !have("a_gap_that_closes", &["mkfs.ext4"]) {
        return;
    }
    let (times, others) = met_before(true, |scratch, job, files| {
        assert_eq!(job.ledger.child_named("7.jpg").state, Got::Whole);
        for at in ["one", "two"] {
            let copy = scratch.read(&format!("{at}/job/bag/data/drive1-volume1/7.jpg"));
            assert!(copy == files["7.jpg"], "{at}");
        }
        let request = VerifyRequest {
            path: job.dir.clone(),
            attest: false,
        };
        let verified = verify::verify(job, &request, &mut |_| {}).unwrap();
        assert_eq!(verified.exit, Exit::Done);
    });
    assert_eq!(times, 1);
    assert_eq!(others, []);
}

#[test]
fn a_copy_that_is_not_as_it_was_written_is_not_built_upon() {
    if !have("a_copy_that_is_not", &["mkfs.ext4"]) {
        return;
    }
    let (scratch, files) = (Scratch::new(), content());
    let job = planned(&scratch, &files, HEALTHY);
    let weak = Arc::clone(&scratch.bench.weak);
    let bad = sector(&scratch.read("drive"), &files["7.jpg"], 512);
    *weak.bad.lock().unwrap() = vec![bad];
    at_a_walk(&weak);
    let request = CopyRequest {
        job: job.dir.clone(),
        limit_bytes: None,
        limit_minutes: None,
    };
    let rotten = scratch.path("one/job/bag/data/drive1-volume1/7.jpg");
    let outcome = copy::copy(&job, &request, &mut |event| {
        if matches!(event, Event::Rerouted { .. }) {
            weak.bad.lock().unwrap().clear();
            let mut bytes = std::fs::read(&rotten).unwrap();
            bytes[9000] ^= 1;
            std::fs::write(&rotten, bytes).unwrap();
        }
    });
    assert_eq!(outcome.unwrap().result.damaged, 1);
    let got = job.ledger.child_named("7.jpg");
    assert_eq!(
        (got.state, got.missing.as_slice()),
        (Got::Gaps, &[(512, 512)][..])
    );
}

/// How an item stands, by its name.
trait ByName {
    fn child_named(&self, name: &str) -> GotRow;
}

impl ByName for Ledger {
    fn child_named(&self, name: &str) -> GotRow {
        let mut found = None;
        self.each_item::<LedgerError>("item.kind = 0", |item, got| {
            if item.name.text() == name {
                found = Some(got);
            }
            Ok(())
        })
        .unwrap();
        found.unwrap()
    }
}

/// The drive dies for good at request `dies`; what the image has by then is what is copied without it. Then it comes back.
fn dead(dies: usize) {
    let (scratch, files) = (Scratch::new(), content());
    let job = planned(&scratch, &files, WEAK);
    let weak = Arc::clone(&scratch.bench.weak);
    let gone = Arc::clone(&scratch.bench.gone);
    let die = Arc::clone(&gone);
    let at = Box::new(move |number, _, _| {
        if number >= dies {
            die.store(true, Ordering::Relaxed);
        }
    });
    *weak.at_request.lock().unwrap() = Some(at);
    let outcome = carried(&job, &mut Vec::new());
    assert_eq!(outcome.exit, Exit::Stopped);
    let whole_before = outcome.result.copied.items;
    *weak.at_request.lock().unwrap() = None;
    let (here, shelf) = (scratch.path("drive"), scratch.path("shelf"));
    std::fs::rename(&here, &shelf).unwrap();
    let drive = std::fs::read(&shelf).unwrap();
    // Noise: the first bytes of a sector tell which it is.
    let mut place_of = BTreeMap::new();
    for (place, bytes) in drive.chunks_exact(512).enumerate() {
        place_of.insert(bytes[..12].to_vec(), place as u64);
    }
    let dir = job.dir.clone();
    drop(job);

    let job = Job::open(&scratch.bench, &dir).unwrap();
    let known = job.ledger.range_states(0).unwrap();
    weak.forget();
    let mut events = Vec::new();
    let outcome = carried(&job, &mut events);
    assert!(weak.asked.lock().unwrap().is_empty(), "the drive was asked");
    let said = warned(&events);
    assert!(
        said.iter().any(|says| says.contains("salvage image alone")),
        "{said:?}"
    );
    assert_eq!(outcome.exit, Exit::Stopped);
    let short = outcome.short.unwrap().what;
    assert!(short.contains("salvage image alone"), "{short}");
    let (mut whole, mut with_gaps, mut listed) = (0, 0, 0);
    for (name, truth) in &files {
        let got = job.ledger.child_named(name);
        let sectors = (0..truth.len()).step_by(512);
        let in_hand = |at: usize| known.state(place_of[&truth[at..at + 12]]) == State::InHand;
        match got.state {
            Got::Whole => {
                whole += 1;
                let all = sectors.into_iter().all(in_hand);
                assert!(all, "{name} is called whole, and not all of it is in hand");
            }
            Got::Gaps => {
                with_gaps += 1;
                let fault = got.fault.clone().unwrap();
                assert!(fault.contains("never read"), "{name}: {fault}");
                for at in sectors {
                    let missing = |(first, bytes): &(u64, u64)| {
                        (*first..first + bytes).contains(&(at as u64))
                    };
                    assert_ne!(
                        in_hand(at),
                        got.missing.iter().any(missing),
                        "{name} at {at}"
                    );
                }
            }
            Got::Nothing => {
                listed += 1;
                assert!(!sectors.into_iter().any(in_hand), "{name}");
            }
            other => panic!("{name}: {other:?}"),
        }
        if got.state == Got::Nothing {
            continue;
        }
        let mut want = truth.clone();
        for (first, bytes) in &got.missing {
            want[*first as usize..(first + bytes) as usize].fill(0);
        }
        for at in ["one", "two"] {
            let copy = scratch.read(&format!("{at}/job/bag/data/drive1-volume1/{name}"));
            assert!(copy == want, "{name} at {at}");
        }
    }
    assert_eq!(outcome.result.damaged, with_gaps);
    assert!(
        whole >= whole_before && with_gaps > 0 && listed + whole + with_gaps == files.len() as u64
    );

    // Again: nothing is gained, and nothing is written anew.
    let facts = job.ledger.facts().unwrap().len();
    carried(&job, &mut Vec::new());
    assert!(job.ledger.facts().unwrap().len() <= facts + 2);

    // No release stands on a drive that nobody can look at.
    let request = VerifyRequest {
        path: dir.clone(),
        attest: false,
    };
    verify::verify(&job, &request, &mut |_| {}).unwrap();
    let request = ReleaseRequest {
        job: dir.clone(),
        key: None,
        valid_hours: None,
        second_look: None,
    };
    let released = release::release(&job, &request, None, &mut |_| {}).unwrap();
    assert_eq!(released.exit, Exit::Hold);
    let open: Vec<_> = released
        .open_points
        .iter()
        .map(|point| point.id.as_str())
        .collect();
    assert!(
        open.contains(&"source-gone") && open.contains(&"damaged-items"),
        "{open:?}"
    );
    drop(job);

    // It comes back: what was never read is asked for, and nothing else.
    std::fs::rename(&shelf, &here).unwrap();
    gone.store(false, Ordering::Relaxed);
    let job = Job::open(&scratch.bench, &dir).unwrap();
    let known = job.ledger.range_states(0).unwrap();
    weak.forget();
    let outcome = carried(&job, &mut events);
    assert_eq!(outcome.exit, Exit::Done, "{:?}", outcome.short);
    for (first, count) in weak.through(0) {
        for part in known.within(first, first + count) {
            assert_ne!(part.state, State::InHand, "{first} {count}");
        }
    }
    for at in ["one", "two"] {
        judged(&scratch, &job, at, &files);
    }
}

#[test]
fn a_drive_that_dies_leaves_what_is_in_the_image() {
    if !have("a_drive_that_dies", &["mkfs.ext4"]) {
        return;
    }
    // In the middle of the films, and among the bad places.
    for dies in [70, 110] {
        dead(dies);
    }
}

fn read_back(job: &Job<'_>) -> (Exit, Vec<String>) {
    let request = VerifyRequest {
        path: job.dir.clone(),
        attest: false,
    };
    let mut events = Vec::new();
    let outcome = verify::verify(job, &request, &mut |event| events.push(event)).unwrap();
    let said = warned(&events).into_iter().map(str::to_owned);
    (outcome.exit, said.collect())
}

#[test]
fn the_second_reading_of_what_is_in_hand_asks_the_drive_for_nothing() {
    if !have("the_second_reading", &["mkfs.ext4"]) {
        return;
    }
    let (scratch, files) = (Scratch::new(), content());
    let job = planned(&scratch, &files, WEAK);
    let weak = Arc::clone(&scratch.bench.weak);
    assert_eq!(carried(&job, &mut Vec::new()).exit, Exit::Done);
    weak.forget();
    assert_eq!(read_back(&job), (Exit::Done, Vec::new()));
    // The drive is known again by half of its short stretches, and asked for nothing else.
    let asked = weak.asked.lock().unwrap().clone();
    assert!(asked.len() <= 9, "{asked:?}");
    assert!(asked.iter().all(|(_, _, count)| *count <= 128), "{asked:?}");
    let facts = job.ledger.facts().unwrap();
    let again = facts.iter().rev().find_map(|fact| match fact.body {
        FactBody::SourceReadAgain {
            bytes,
            unread: 0,
            in_hand,
            ..
        } => Some((bytes, in_hand)),
        _ => None,
    });
    let (bytes, in_hand) = again.unwrap();
    assert!(bytes > 0 && in_hand > bytes / 2, "{bytes} {in_hand}");
    let points = holdpoint::step::points_now(&job).unwrap();
    assert!(points.iter().all(|point| point.id != "memory-doubt"));

    // The drive is gone: what is in hand can be read a second time all the same.
    std::fs::rename(scratch.path("drive"), scratch.path("shelf")).unwrap();
    weak.forget();
    assert_eq!(read_back(&job), (Exit::Done, Vec::new()));
    assert!(weak.asked.lock().unwrap().is_empty());
}

#[test]
fn on_doubtful_memory_a_weak_drive_is_not_read_in_full_a_second_time() {
    if !have("on_doubtful_memory", &["mkfs.ext4"]) {
        return;
    }
    let (scratch, files) = (Scratch::new(), content());
    let job = planned(&scratch, &files, WEAK);
    assert_eq!(carried(&job, &mut Vec::new()).exit, Exit::Done);
    let dir = job.dir.clone();
    drop(job);
    let mut job = Job::open(&scratch.bench, &dir).unwrap();
    job.setup.memory = Some(MemoryState::Suspect);
    scratch.bench.weak.forget();
    let (_, said) = read_back(&job);
    assert!(said[0].contains("sound memory"), "{said:?}");
    assert!(scratch.bench.weak.asked.lock().unwrap().is_empty());
    let points = holdpoint::step::points_now(&job).unwrap();
    let doubt = points.iter().find(|point| point.id == "memory-doubt");
    assert!(doubt.unwrap().remedy.contains("sound memory"));
}
