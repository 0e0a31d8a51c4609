//! The salvage image (`read::in_hand`) over a made-up weak drive that counts what it is asked, on a simulated disk that
//! loses what was not settled.

use super::destination::LifeDestination;
use super::disk::{LifeDisk, Nature};
use super::fate::Fate;
use super::memory::LifeMemory;
use super::{LifeClock, Seed};
use crate::judge::gaps::{Limits, State};
use crate::ledger::Ledger;
use crate::port::{Clock, Destination, Fault, FaultKind, Sectors};
use crate::read::in_hand::{InHand, Standing, Turn};
use crate::value::Moment;
use proptest::prelude::*;
use std::sync::atomic::{AtomicBool, AtomicU32, Ordering};
use std::sync::{Arc, Mutex, MutexGuard};

fn lock<T>(what: &Mutex<T>) -> MutexGuard<'_, T> {
    what.lock().unwrap()
}

const SECTOR: u64 = 512;
/// The drive's length: its last sector is cut short, as an image file's may be.
const BYTES: u64 = 16 * 1024 * SECTOR - 100;

/// A drive whose bytes follow from their place.
struct Weak {
    /// Sectors that are refused.
    bad: Mutex<Vec<u64>>,
    /// Every request: first sector, sectors.
    asked: Mutex<Vec<(u64, u64)>>,
    /// From this request on it is gone.
    goes: AtomicU32,
    /// It gives other bytes than before from here on.
    other: AtomicBool,
    owes: AtomicBool,
    clock: Arc<LifeClock>,
}

fn truth(at: u64) -> u8 {
    (at / SECTOR * 31 + at % SECTOR * 7) as u8
}

impl Sectors for Weak {
    fn sector_bytes(&self) -> u32 {
        SECTOR as u32
    }
    fn bytes(&self) -> u64 {
        BYTES
    }
    fn read_at(&self, at: u64, buf: &mut [u8]) -> Result<(), Fault> {
        self.clock.pass(1_000_000);
        let end = at + buf.len() as u64;
        assert!(end <= BYTES, "asked beyond the end: {at} {}", buf.len());
        assert!(at.is_multiple_of(SECTOR), "asked from the middle");
        let mut asked = lock(&self.asked);
        asked.push((at / SECTOR, end.div_ceil(SECTOR) - at / SECTOR));
        if asked.len() > self.goes.load(Ordering::Relaxed) as usize {
            return Err(Fault::new(FaultKind::Gone, "reading", "ENODEV"));
        }
        let hit = |bad: &u64| bad * SECTOR < end && at < (bad + 1) * SECTOR;
        if lock(&self.bad).iter().any(hit) {
            buf.fill(0xEE);
            return Err(Fault::new(FaultKind::Refused, "reading", "EIO"));
        }
        let flip = u8::from(self.other.load(Ordering::Relaxed));
        for (place, byte) in buf.iter_mut().enumerate() {
            *byte = truth(at + place as u64) ^ flip;
        }
        Ok(())
    }
    fn owes(&self) -> bool {
        self.owes.load(Ordering::Relaxed)
    }
}

/// A drive, a disk for the image, a ledger.
struct Bench {
    drive: Arc<Weak>,
    disk: Arc<LifeDisk>,
    fate: Arc<Fate>,
    clock: Arc<LifeClock>,
    ledger: Ledger,
}

impl Bench {
    fn new(bad: &[u64]) -> Self {
        let clock = Arc::new(LifeClock::new(Moment::from_seconds(1_780_000_000)));
        let fate = Arc::new(Fate::default());
        let memory = Arc::new(LifeMemory::default());
        let seed = Seed::new(4);
        Self {
            drive: Arc::new(Weak {
                bad: Mutex::new(bad.to_vec()),
                asked: Mutex::default(),
                goes: AtomicU32::new(u32::MAX),
                other: AtomicBool::new(false),
                owes: AtomicBool::new(false),
                clock: clock.clone(),
            }),
            disk: Arc::new(LifeDisk::new(
                Nature::sound(1),
                seed,
                fate.clone(),
                clock.clone(),
                memory,
            )),
            fate,
            clock,
            ledger: Ledger::in_memory().unwrap(),
        }
    }

    fn clock(&self) -> &dyn Clock {
        self.clock.as_ref()
    }

    fn place(&self) -> Option<Arc<dyn Destination>> {
        let opened = LifeDestination::open(self.disk.clone(), "job", "/job", true).ok()?;
        Some(Arc::new(opened))
    }

    /// The layer as a run of the program finds it.
    fn layer(&self) -> InHand {
        self.layer_at(vec![self.place()], Some(0))
    }

    fn layer_at(&self, places: Vec<Option<Arc<dyn Destination>>>, to: Option<usize>) -> InHand {
        let limits = Limits {
            // Small, so that little is near an error.
            margin_sectors: 64,
            stride_sectors: 256,
            near_stride_sectors: 32,
            unit_sectors: 1,
            ..Limits::for_sectors(512, 512)
        };
        let rows = self.ledger.ranges(0).unwrap();
        InHand::over(self.drive.clone(), 0, places, to, limits, &rows)
    }

    /// Counts the facts that tell of requests.
    fn facts(&self) -> usize {
        self.ledger.facts().unwrap().len()
    }

    fn keep(&self, layer: &InHand) -> Result<(), Fault> {
        let (requests, rows, settled) = layer.settle();
        let at = self.clock.now();
        self.ledger.add_ranges(at, 0, requests, &rows).unwrap();
        settled
    }

    /// Brings in everything of `ranges`, resting when the queue does; the requests that took.
    fn bring(&self, layer: &InHand, ranges: &[(u64, u64)]) -> Vec<(u64, u64)> {
        lock(&self.drive.asked).clear();
        layer.want(ranges, 1.0, self.clock()).unwrap();
        loop {
            match layer.ask(self.clock()) {
                Turn::Asked => {}
                Turn::Rest(until) => {
                    let left = until * 1_000_000 - self.clock.ticks();
                    self.clock.pass(left);
                }
                Turn::Nothing => break,
                other => panic!("{other:?}"),
            }
        }
        std::mem::take(&mut lock(&self.drive.asked))
    }

    fn files(&self) -> Vec<String> {
        self.disk.durable_files("job/salvage")
    }
}

/// Reads `bytes` at `at` sector by sector; which are missing. Everything else must be right.
fn missing(layer: &InHand, at: u64, bytes: u64) -> Vec<u64> {
    let mut out = Vec::new();
    let mut here = at;
    while here < at + bytes {
        let end = (here / SECTOR + 1) * SECTOR;
        let mut buf = vec![9u8; (end.min(at + bytes) - here) as usize];
        match layer.read_at(here, &mut buf) {
            Ok(()) => {
                for (place, byte) in buf.iter().enumerate() {
                    assert_eq!(*byte, truth(here + place as u64), "byte {here} + {place}");
                }
            }
            Err(fault) => {
                assert_eq!(fault.kind, FaultKind::Refused, "{fault}");
                out.push(here / SECTOR);
            }
        }
        here = end;
    }
    out
}

const WHOLE: [(u64, u64); 1] = [(0, BYTES)];

#[test]
fn no_sector_in_hand_is_asked_for_again_in_this_run_or_a_later_one() {
    let bench = Bench::new(&[1000, 1001, 5000]);
    let layer = bench.layer();
    // Nothing was wanted yet: reading makes the drive do nothing.
    assert_eq!(missing(&layer, 0, 2048), [0, 1, 2, 3]);
    assert!(lock(&bench.drive.asked).is_empty());
    let asked = bench.bring(&layer, &WHOLE);
    let good = |range: &&(u64, u64)| {
        let hit = |bad: &u64| (range.0..range.0 + range.1).contains(bad);
        ![1000, 1001, 5000].iter().any(hit)
    };
    let mut times = vec![0u8; 16 * 1024];
    for (first, count) in asked.iter().filter(good) {
        for sector in *first..first + count {
            times[sector as usize] += 1;
        }
    }
    // Each sector came once, as part of a request that held no bad one.
    assert!(times.iter().enumerate().all(|(at, times)| match at {
        1000 | 1001 | 5000 => *times == 0,
        _ => *times == 1,
    }));
    // Alone: when it was found, and once more after a rest.
    for bad in [1000, 1001, 5000] {
        assert_eq!(
            asked.iter().filter(|ask| **ask == (bad, 1)).count(),
            2,
            "{bad}"
        );
    }
    assert_eq!(missing(&layer, 0, BYTES), [1000, 1001, 5000]);
    assert_eq!(layer.standing(&[(0, 1000 * SECTOR)]), Standing::InHand);
    assert_eq!(
        layer.standing(&[(0, 1000 * SECTOR + 1)]),
        Standing::Answered
    );
    bench.keep(&layer).unwrap();

    // Another run of the program; the disk of the image was off power in between.
    bench.disk.crash();
    let layer = bench.layer();
    assert_eq!(missing(&layer, 0, BYTES), [1000, 1001, 5000]);
    assert!(
        lock(&bench.drive.asked).is_empty(),
        "reading asked the drive"
    );
    let asked = bench.bring(&layer, &WHOLE);
    assert_eq!(asked, [(1000, 1), (1001, 1), (5000, 1)], "one revisit each");
    bench.keep(&layer).unwrap();
    let states = bench.ledger.range_states(0).unwrap();
    let told: Vec<_> = states
        .runs()
        .map(|run| (run.first, run.count, run.state.word()))
        .collect();
    assert_eq!(told[1], (1000, 2, "refused"));
    assert_eq!(told.len(), 5);
}

#[test]
fn rows_are_kept_every_few_seconds_and_not_at_every_request() {
    let bench = Bench::new(&[]);
    let layer = bench.layer();
    layer.want(&WHOLE, 1.0, bench.clock()).unwrap();
    while layer.ask(bench.clock()) == Turn::Asked {
        // About two seconds each.
        bench.clock.pass(2_000_000_000);
        if layer.is_due(bench.clock()) {
            bench.keep(&layer).unwrap();
        }
    }
    bench.keep(&layer).unwrap();
    let requests = lock(&bench.drive.asked).len();
    assert!(
        (requests / 4..=requests / 2).contains(&bench.facts()),
        "{requests}"
    );
}

#[test]
fn what_was_refused_rests_before_it_is_asked_again_by_the_next_run_too() {
    let bench = Bench::new(&[7]);
    let layer = bench.layer();
    layer.want(&[(0, 4096)], 1.0, bench.clock()).unwrap();
    while matches!(layer.ask(bench.clock()), Turn::Asked) {}
    bench.keep(&layer).unwrap();
    let layer = bench.layer();
    layer.want(&[(0, 4096)], 1.0, bench.clock()).unwrap();
    assert!(matches!(layer.ask(bench.clock()), Turn::Rest(_)));
    bench.clock.pass(61_000_000_000);
    let layer = bench.layer();
    layer.want(&[(0, 4096)], 1.0, bench.clock()).unwrap();
    lock(&bench.drive.bad).clear();
    assert_eq!(layer.ask(bench.clock()), Turn::Asked);
    assert_eq!(missing(&layer, 0, 4096), [0u64; 0]);
    // Nor at all, where the forecast forbids it.
    let layer = bench.layer();
    layer.forbid_revisits();
    layer.want(&[(0, 4096)], 1.0, bench.clock()).unwrap();
    assert_eq!(layer.ask(bench.clock()), Turn::Nothing);
}

#[test]
fn what_is_near_an_error_comes_after_everything_else() {
    let bench = Bench::new(&[1000]);
    let layer = bench.layer();
    let (one, two) = ([(1000 * SECTOR, 8 * SECTOR)], [(1010 * SECTOR, SECTOR)]);
    let three = [(9000 * SECTOR, SECTOR)];
    for item in [&one, &two, &three] {
        layer.want(item, 1.0, bench.clock()).unwrap();
        while layer.ask_clean(bench.clock()) == Turn::Asked {}
    }
    assert_eq!(*lock(&bench.drive.asked), [(1000, 8), (9000, 1)]);
    assert_eq!(layer.standing(&one), Standing::Open);
    assert_eq!(layer.standing(&two), Standing::Open);
    assert_eq!(layer.standing(&three), Standing::InHand);
}

#[test]
fn a_crash_before_the_row_asks_again_and_never_believes() {
    // Power goes at each sync point in turn; rows that are in the ledger must be true, whatever the disk forgot.
    for point in 1..12 {
        let bench = Bench::new(&[300]);
        bench.fate.crash_at_sync(point);
        let layer = bench.layer();
        for part in 0..4u64 {
            layer
                .want(&[(part * 200 * SECTOR, 200 * SECTOR)], 1.0, bench.clock())
                .unwrap();
            while matches!(layer.ask(bench.clock()), Turn::Asked) {}
            if bench.keep(&layer).is_err() {
                break;
            }
        }
        drop(layer);
        bench.disk.crash();
        bench.fate.start_again();
        lock(&bench.drive.asked).clear();
        let layer = bench.layer();
        let known = bench.ledger.range_states(0).unwrap();
        let gone = missing(&layer, 0, 800 * SECTOR);
        for sector in 0..800 {
            let in_hand = known.state(sector) == State::InHand;
            assert_eq!(in_hand, !gone.contains(&sector), "{point}: sector {sector}");
        }
        // Nothing in hand is asked for again, and in the end all of it is there.
        for (first, count) in bench.bring(&layer, &[(0, 800 * SECTOR)]) {
            for part in known.within(first, first + count) {
                assert_ne!(part.state, State::InHand, "{point}: {first} {count}");
            }
        }
        assert_eq!(missing(&layer, 0, 800 * SECTOR), [300], "{point}");
    }
}

#[test]
fn bytes_without_a_row_are_nobodys() {
    let bench = Bench::new(&[]);
    let layer = bench.layer();
    bench.bring(&layer, &[(0, 100 * SECTOR)]);
    // Durable, but cut off before the transaction.
    let (_, rows, settled) = layer.settle();
    settled.unwrap();
    assert_eq!(rows.len(), 1);
    drop(layer);
    let layer = bench.layer();
    assert_eq!(bench.bring(&layer, &[(0, 100 * SECTOR)]), [(0, 100)]);
    bench.keep(&layer).unwrap();
    assert_eq!(
        bench.files().len(),
        2,
        "a file of another run is left alone"
    );
    assert_eq!(missing(&bench.layer(), 0, 100 * SECTOR), [0u64; 0]);
}

#[test]
fn a_flipped_bit_in_the_image_is_asked_for_again() {
    let bench = Bench::new(&[]);
    let layer = bench.layer();
    bench.bring(&layer, &[(0, 600 * SECTOR)]);
    bench.keep(&layer).unwrap();
    bench.disk.rot("job/salvage", 300 * SECTOR + 5).unwrap();
    for layer in [layer, bench.layer()] {
        let gone = missing(&layer, 0, 600 * SECTOR);
        assert_eq!(gone, (256..512).collect::<Vec<u64>>(), "one extent");
        assert_eq!(layer.standing(&[(0, 600 * SECTOR)]), Standing::Open);
        assert_eq!(bench.bring(&layer, &[(0, 600 * SECTOR)]), [(256, 256)]);
        assert_eq!(missing(&layer, 0, 600 * SECTOR), [0u64; 0]);
        assert_eq!(layer.standing(&[(0, 600 * SECTOR)]), Standing::InHand);
    }
}

#[test]
fn a_drive_that_gives_other_bytes_than_the_image_once_had_is_not_believed() {
    let bench = Bench::new(&[]);
    let layer = bench.layer();
    bench.bring(&layer, &[(0, 600 * SECTOR)]);
    bench.keep(&layer).unwrap();
    bench.disk.rot("job/salvage", 300 * SECTOR + 5).unwrap();
    assert_eq!(missing(&layer, 0, 600 * SECTOR).len(), 256);
    bench.drive.other.store(true, Ordering::Relaxed);
    bench.bring(&layer, &[(0, 600 * SECTOR)]);
    assert_eq!(layer.standing(&[(0, 600 * SECTOR)]), Standing::Answered);
    assert_eq!(missing(&layer, 0, 600 * SECTOR).len(), 256);
    bench.keep(&layer).unwrap();
    let states = bench.ledger.range_states(0).unwrap();
    assert_eq!(states.count(State::Disputed), 256);
}

#[test]
fn an_image_without_room_lets_reads_through_and_keeps_what_it_has() {
    let bench = Bench::new(&[700]);
    bench.disk.becomes(|nature| nature.room = 300 * SECTOR);
    let layer = bench.layer();
    let all = [(0, 800 * SECTOR)];
    layer.want(&all, 1.0, bench.clock()).unwrap();
    assert_eq!(layer.ask(bench.clock()), Turn::Asked);
    assert!(
        matches!(layer.ask(bench.clock()), Turn::NoRoom(fault) if fault.kind == FaultKind::Full)
    );
    assert!(layer.is_through());
    assert_eq!(layer.ask(bench.clock()), Turn::Nothing);
    bench.keep(&layer).unwrap();
    for layer in [layer, bench.layer_at(vec![bench.place()], None)] {
        lock(&bench.drive.asked).clear();
        assert_eq!(missing(&layer, 0, 800 * SECTOR), [700]);
        // What the image has is not asked for again.
        assert!(
            lock(&bench.drive.asked)
                .iter()
                .all(|(first, _)| *first >= 256)
        );
        assert_eq!(lock(&bench.drive.asked).len(), 800 - 256);
    }
}

#[test]
fn a_disk_that_fails_to_keep_the_image_takes_nothing_with_it() {
    let bench = Bench::new(&[]);
    bench
        .disk
        .becomes(|nature| nature.failing_settles = vec![2]);
    let layer = bench.layer();
    let all = [(0, 200 * SECTOR)];
    bench.bring(&layer, &all);
    assert!(bench.keep(&layer).is_err());
    assert!(layer.is_through());
    assert_eq!(bench.ledger.ranges(0).unwrap(), []);
    assert_eq!(missing(&layer, 0, 200 * SECTOR), [0u64; 0]);
    assert_eq!(lock(&bench.drive.asked).len(), 200, "read from the drive");
}

#[test]
fn an_image_out_of_reach_is_no_answer_of_the_drive() {
    let bench = Bench::new(&[]);
    let layer = bench.layer();
    let all = [(0, 200 * SECTOR)];
    bench.bring(&layer, &all);
    bench.keep(&layer).unwrap();
    bench
        .disk
        .becomes(|nature| nature.unplugged = vec![(0, u64::MAX)]);
    assert_eq!(missing(&layer, 0, 200 * SECTOR).len(), 200);
    assert!(layer.was_away() && !layer.was_away());
    assert_eq!(layer.standing(&all), Standing::InHand, "nothing was lost");
    // A run that finds the disk away asks again, and says nothing of what lies there.
    let layer = bench.layer_at(vec![None], None);
    assert_eq!(layer.standing(&all), Standing::Open);
}

#[test]
fn a_drive_that_goes_or_owes_an_answer_is_not_asked_on() {
    let bench = Bench::new(&[]);
    bench.drive.goes.store(1, Ordering::Relaxed);
    let layer = bench.layer();
    layer
        .want(&[(0, 600 * SECTOR)], 1.0, bench.clock())
        .unwrap();
    assert_eq!(layer.ask(bench.clock()), Turn::Asked);
    assert!(matches!(layer.ask(bench.clock()), Turn::Gone(_)));
    bench.keep(&layer).unwrap();
    // Back again, the place where it went comes last.
    bench.drive.goes.store(u32::MAX, Ordering::Relaxed);
    let layer = bench.layer();
    let asked = bench.bring(&layer, &[(0, 600 * SECTOR)]);
    assert_eq!(asked[0], (576, 24), "away from it first: {asked:?}");
    assert_eq!(missing(&layer, 0, 600 * SECTOR), [0u64; 0]);

    bench.drive.owes.store(true, Ordering::Relaxed);
    layer
        .want(&[(900 * SECTOR, SECTOR)], 1.0, bench.clock())
        .unwrap();
    assert_eq!(layer.ask(bench.clock()), Turn::Owes);
    bench.drive.owes.store(false, Ordering::Relaxed);
    assert_eq!(layer.ask(bench.clock()), Turn::Asked);
}

#[test]
fn a_file_of_the_image_stays_below_what_the_destination_holds() {
    let bench = Bench::new(&[]);
    bench
        .disk
        .becomes(|nature| nature.largest_file = Some(600 * SECTOR));
    let layer = bench.layer();
    bench.bring(&layer, &[(0, 2000 * SECTOR)]);
    bench.keep(&layer).unwrap();
    assert_eq!(bench.files().len(), 4);
    bench.disk.crash();
    assert_eq!(missing(&bench.layer(), 0, 2000 * SECTOR), [0u64; 0]);
}

proptest! {
    #![proptest_config(ProptestConfig { failure_persistence: None, cases: 40, ..ProptestConfig::default() })]

    /// A drive that dies at any request: what its image gives without it is right, and is what the ledger calls in hand;
    /// nothing is asked any more, and back again it is asked for the rest alone.
    #[test]
    fn a_dead_drive_leaves_what_is_in_hand_and_no_byte_more(
        bad in proptest::collection::vec(0u64..4000, 0..6),
        dies in 0u32..60,
        rots in proptest::option::of(0u64..400),
    ) {
        let bench = Bench::new(&bad);
        bench.drive.goes.store(dies, Ordering::Relaxed);
        let all = [(0, 4000 * SECTOR)];
        let layer = bench.layer();
        layer.want(&all, 1.0, bench.clock()).unwrap();
        while matches!(layer.ask(bench.clock()), Turn::Asked) {}
        bench.keep(&layer).unwrap();
        drop(layer);
        bench.disk.crash();
        let _ = rots.map(|at| bench.disk.rot("job/salvage", at * SECTOR));
        lock(&bench.drive.asked).clear();
        bench.drive.goes.store(0, Ordering::Relaxed);
        let (known, places) = (bench.ledger.range_states(0).unwrap(), vec![bench.place()]);
        let alone = bench.layer_at(places, None).alone();
        alone.want(&all, 1.0, bench.clock()).unwrap();
        prop_assert_eq!(alone.ask(bench.clock()), Turn::Nothing);
        let gone = missing(&alone, 0, all[0].1);
        for sector in 0..4000 {
            let (given, held) = (!gone.contains(&sector), known.state(sector) == State::InHand);
            prop_assert!(given == held || held && rots.is_some(), "{}", sector);
        }
        alone.note_unasked(&all, bench.clock());
        bench.keep(&alone).unwrap();
        prop_assert!(lock(&bench.drive.asked).is_empty());
        bench.drive.goes.store(u32::MAX, Ordering::Relaxed);
        let known = bench.ledger.range_states(0).unwrap();
        let layer = bench.layer();
        for (first, count) in bench.bring(&layer, &all) {
            for part in known.within(first, first + count) {
                prop_assert_ne!(part.state, State::InHand);
            }
        }
        for sector in missing(&layer, 0, 4000 * SECTOR) {
            prop_assert!(bad.contains(&sector));
        }
    }

    /// Whatever is bad, wanted in whatever pieces, cut off wherever: what is not missing is right, what is missing is
    /// bad, and no sector in hand by the ledger is asked for again.
    #[test]
    fn any_weak_drive_over_several_runs(
        bad in proptest::collection::vec(0u64..4000, 0..12),
        wanted in proptest::collection::vec((0u64..4000 * SECTOR, 1u64..900 * SECTOR), 1..8),
        cuts in proptest::collection::vec(1usize..60, 1..5),
    ) {
        let bench = Bench::new(&bad);
        for cut in cuts {
            let layer = bench.layer();
            let known = bench.ledger.range_states(0).unwrap();
            lock(&bench.drive.asked).clear();
            for item in &wanted {
                layer.want(&[*item], item.1 as f64, bench.clock()).unwrap();
            }
            for _ in 0..cut {
                layer.ask(bench.clock());
            }
            if cut % 2 == 0 {
                bench.keep(&layer).unwrap();
            }
            for (first, count) in lock(&bench.drive.asked).iter() {
                for part in known.within(*first, first + count) {
                    prop_assert_ne!(part.state, State::InHand);
                }
            }
            drop(layer);
            bench.disk.crash();
        }
        let layer = bench.layer();
        bench.bring(&layer, &wanted);
        for (at, bytes) in wanted {
            for sector in missing(&layer, at, bytes) {
                prop_assert!(bad.contains(&sector));
            }
            prop_assert_ne!(layer.standing(&[(at, bytes)]), Standing::Open);
        }
    }
}
