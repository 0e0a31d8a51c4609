//! One seed's world: what is on the source, where copies go, and the troubles that are in store.
//!
//! Invariant: every trouble is written down in words, so that a failing life explains itself.

use super::bench::{LifeBench, ONE, REPLIES, SOURCE, TWO};
use super::clock::LifeClock;
use super::disk::{LifeDisk, Nature};
use super::fate::Fate;
use super::health::{Ailing, replies};
use super::memory::LifeMemory;
use super::oracle::Trust;
use super::seed::Seed;
use super::tree::{Happening, LifeDrive};
use crate::step::outcome::{Machine, MemoryState, Symptom};
use crate::survey::item::Kind;
use crate::value::Moment;
use std::path::PathBuf;
use std::sync::Arc;

/// When lives begin: after this program was made.
pub const MORNING: Moment = Moment::from_seconds(1_780_000_000);
/// A clock whose battery is empty.
pub const LONG_AGO: Moment = Moment::from_seconds(1_430_000_000);
/// Operations in which troubles come; a small job has about as many.
const SPAN: u64 = 1200;

/// A world, and what the technician is going to do in it.
pub struct World {
    /// The outside.
    pub bench: LifeBench,
    /// The destinations by number, wherever they are plugged in.
    pub disks: Vec<Arc<LifeDisk>>,
    /// Another drive, to be plugged in by mistake.
    pub stranger: Arc<LifeDisk>,
    /// How far things can be trusted.
    pub trust: Trust,
    /// The policy.
    pub policy: &'static str,
    /// What is told of the memory.
    pub told_memory: MemoryState,
    /// What is told of the drive.
    pub symptom: Symptom,
    /// Which machine copies.
    pub machine: Machine,
    /// Whether the drive's health can be asked.
    pub asks_health: bool,
    /// After each crash another one is in store, so many times.
    pub more_crashes: u32,
    /// The stranger is plugged in for a while after so many steps.
    pub swap_after: Option<u32>,
    /// Bits rot at rest before the reading back.
    pub rots: bool,
    /// The clock is wrong until somebody sets it.
    pub clock_wrong: bool,
    /// A limit for each copy run.
    pub limit_bytes: Option<u64>,
    /// The troubles in words.
    pub troubles: Vec<String>,
    /// Whether the job must end with a release when the owner gives up what may be given up.
    pub must_release: bool,
}

/// A world without any trouble.
pub fn calm(seed: &Seed) -> World {
    let fate = Arc::new(Fate::default());
    let clock = Arc::new(LifeClock::new(MORNING));
    let memory = Arc::new(LifeMemory::default());
    let drive = Arc::new(LifeDrive::new(
        SOURCE,
        "source0",
        fate.clone(),
        clock.clone(),
        memory.clone(),
    ));
    fill(&drive, &mut seed.branch("source"));
    let disk = |number: u64| {
        Arc::new(LifeDisk::new(
            Nature::sound(number),
            seed.branch(&format!("disk {number}")),
            fate.clone(),
            clock.clone(),
            memory.clone(),
        ))
    };
    let (one, two, stranger) = (disk(1), disk(2), disk(3));
    let bench = LifeBench::new(fate.clone(), clock.clone(), memory.clone(), drive, None);
    bench.plug(ONE, one.clone());
    bench.plug(TWO, two.clone());
    World {
        bench,
        disks: vec![one, two],
        stranger,
        trust: Trust {
            reads: true,
            rest: true,
        },
        policy: "home",
        told_memory: MemoryState::KnownGood,
        symptom: Symptom::None,
        machine: Machine::Bench,
        asks_health: false,
        more_crashes: 0,
        swap_after: None,
        rots: false,
        clock_wrong: false,
        limit_bytes: None,
        troubles: Vec::new(),
        must_release: true,
    }
}

/// Names that a stranger may have chosen.
const ODD_NAMES: &[&[u8]] = &[
    b"line\nbreak.txt",
    b"caf\xe9.jpg",
    b"CON",
    b"a:b?.doc",
    b"trailing.",
    b"%41.txt",
    b"^3A.txt",
    b"-rf.jpg",
    b"<b>bold</b>.html",
    b"\xe2\x80\xaegpj.exe",
    b"..x",
];
const FOLDERS: &[&[u8]] = &[
    b"Pictures",
    b"Documents",
    b"Mail",
    b"Music",
    b"AppData",
    b"Caches",
    b"2019 wedding",
];
const ENDINGS: &[&str] = &["jpg", "docx", "txt", "pst", "exe", "tmp", "mp3", "kdbx"];

fn fill(drive: &LifeDrive, seed: &mut Seed) {
    let mut folders = vec![0usize];
    for name in FOLDERS {
        if seed.chance(45) {
            let above = *seed.pick(&folders).unwrap_or(&0);
            folders.push(drive.folder(above, name));
        }
    }
    let sizes = [0u64, 1, 100, 511, 4095, 4096, 4097, 9_000, 20_000];
    let mut files = Vec::new();
    for number in 0..seed.between(3, 12) {
        let folder = *seed.pick(&folders).unwrap_or(&0);
        let bytes = match seed.below(100) {
            0..90 => *seed.pick(&sizes).unwrap_or(&0),
            90..99 => seed.between(120_000, 300_000),
            _ => seed.between(2_090_000, 2_110_000),
        };
        let name = match seed.below(8) {
            0 => seed
                .pick(ODD_NAMES)
                .map(|name| name.to_vec())
                .unwrap_or_default(),
            1 => {
                let ending = seed.pick(ENDINGS).unwrap_or(&"txt");
                let spelled = ["twin", "Twin", "TWIN"];
                format!("{}.{ending}", seed.pick(&spelled).unwrap_or(&"x")).into_bytes()
            }
            2 => [b"n".repeat(230), format!("{number}.jpg").into_bytes()].concat(),
            _ => {
                let ending = seed.pick(ENDINGS).unwrap_or(&"txt");
                format!("file {number}.{ending}").into_bytes()
            }
        };
        let content = seed.content(bytes as usize);
        let node = drive.file(folder, &name, content);
        if bytes > 100_000 && seed.chance(40) {
            let first = seed.below(bytes / 8192) * 4096;
            drive.punch(node, first, 40_960.min(bytes - first));
        }
        files.push(node);
    }
    if seed.chance(30) {
        let folder = *seed.pick(&folders).unwrap_or(&0);
        let first = *seed.pick(&files).unwrap_or(&0);
        drive.name(folder, b"second name.jpg", first);
    }
    if seed.chance(30) {
        let folder = *seed.pick(&folders).unwrap_or(&0);
        drive.link(folder, b"link", b"../somewhere/else");
    }
    if seed.chance(15) {
        let node = drive.put(Kind::Special, Vec::new());
        drive.name(0, b"pipe", node);
    }
    if seed.chance(15)
        && let Some(node) = seed.pick(&files).copied()
    {
        drive.change(node, |node| {
            node.attributes
                .push((b"user.note".to_vec(), b"hello".to_vec()));
        });
    }
}

/// The world of one seed.
pub fn make(number: u64) -> World {
    let seed = Seed::new(number);
    let mut world = calm(&seed);
    let mut draw = seed.branch("troubles");
    match draw.below(100) {
        0..55 => {}
        55..70 => world.only_one("home"),
        70..85 => world.only_one("practice"),
        _ => world.policy = "practice",
    }
    if draw.chance(35) {
        let told = [
            (MemoryState::Suspect, true),
            (MemoryState::Swapped, true),
            (MemoryState::Failed, false),
        ];
        if let Some((told, releases)) = draw.pick(&told).copied() {
            world.told_memory = told;
            world.must_release &= releases;
        }
    }
    if draw.chance(30) {
        world.ails(&mut draw);
    }
    let count = match draw.below(10) {
        0..2 => 0,
        2..6 => 1,
        6..8 => 2,
        _ => 3,
    };
    for _ in 0..count {
        let kind = draw.below(30);
        world.trouble(kind, &mut draw);
    }
    if draw.chance(35) {
        world.crash(&mut draw);
    }
    world
}

impl World {
    /// There is one destination only.
    pub fn only_one(&mut self, policy: &'static str) {
        self.policy = policy;
        self.disks.truncate(1);
    }

    /// Folders that copies go to.
    pub fn to(&self) -> Vec<PathBuf> {
        let all = [ONE, TWO].map(PathBuf::from);
        all.into_iter().take(self.disks.len()).collect()
    }

    /// Where the drive's recorded replies are.
    pub fn replies(&self) -> Option<PathBuf> {
        self.asks_health.then(|| PathBuf::from(REPLIES))
    }

    fn say(&mut self, trouble: impl Into<String>) {
        self.troubles.push(trouble.into());
    }

    /// The drive is ill, so copying takes another route.
    pub fn ails(&mut self, draw: &mut Seed) {
        let awaiting = draw.between(0, 60) as u32;
        let ailing = Ailing {
            hours: 30_000,
            awaiting,
            remapped: draw.between(0, 200) as u32,
            given_up: awaiting,
            stopped_at: (awaiting > 0).then_some(77_000),
            celsius: 40,
        };
        self.bench.replies = Some(replies("INVENTED 500", "INV-0042", &ailing));
        self.asks_health = true;
        self.say(format!("the drive ails: {ailing:?}"));
    }

    /// A crash, and perhaps more of them after it.
    pub fn crash(&mut self, draw: &mut Seed) {
        if draw.chance(50) {
            let at = draw.between(1, SPAN);
            self.bench.fate.crash_at_operation(at);
            self.say(format!("the power goes at operation {at}"));
        } else {
            let at = draw.between(1, 150);
            self.bench.fate.crash_at_sync(at);
            self.say(format!("the power goes at sync point {at}"));
        }
        if draw.chance(30) {
            self.more_crashes = draw.between(1, 4) as u32;
            self.say(format!("and {} times more", self.more_crashes));
        }
    }

    fn some_file(&self, draw: &mut Seed) -> Option<usize> {
        let files: Vec<usize> = self
            .bench
            .drive
            .truth()
            .iter()
            .filter(|truth| truth.node.kind == Kind::File && truth.node.stamp.bytes > 0)
            .map(|truth| truth.node.stamp.inode as usize - 2)
            .collect();
        draw.pick(&files).copied()
    }

    fn some_disk(&self, draw: &mut Seed) -> (usize, Arc<LifeDisk>) {
        let at = draw.below(self.disks.len() as u64) as usize;
        let disk = self.disks.get(at).unwrap_or(&self.stranger);
        (at + 1, disk.clone())
    }

    /// Puts one trouble in store.
    pub fn trouble(&mut self, kind: u64, draw: &mut Seed) {
        match kind {
            0..=9 => self.source_trouble(kind, draw),
            10..=21 => self.destination_trouble(kind, draw),
            _ => self.other_trouble(kind, draw),
        }
    }

    fn source_trouble(&mut self, kind: u64, draw: &mut Seed) {
        let drive = self.bench.drive.clone();
        let Some(node) = self.some_file(draw) else {
            return;
        };
        let at = draw.between(1, SPAN);
        match kind {
            0 | 1 => {
                let mut ranges = Vec::new();
                drive.change(node, |node| {
                    for _ in 0..draw.between(1, 3) {
                        let first = draw.below(node.stamp.bytes) / 512 * 512;
                        ranges.push((first, 512 * draw.between(1, 12)));
                    }
                    let list = if kind == 0 {
                        &mut node.refused
                    } else {
                        &mut node.silent
                    };
                    list.extend(&ranges);
                });
                self.say(format!("node {node} has bad ranges {ranges:?} ({kind})"));
            }
            2 => {
                drive.change(node, |node| node.denied = true);
                self.say(format!("node {node} may not be opened"));
            }
            3 => {
                let folder = drive.folder(0, b"locked away");
                drive.file(folder, b"unseen.jpg", draw.content(100));
                drive.change(folder, |node| node.denied = true);
                self.say("a folder may not be opened");
            }
            4 => {
                let read = draw.between(1, 60);
                drive.plan_flip(read);
                (self.trust.reads, self.must_release) = (false, false);
                self.say(format!("the drive gives a wrong bit in read {read}"));
            }
            5 => {
                let bytes = draw.between(0, 9000) as usize;
                let bytes = draw.content(bytes);
                drive.plan(at, Happening::Write { node, bytes });
                self.say(format!("node {node} is written to at operation {at}"));
            }
            6 => {
                let named = drive.truth();
                let Some(truth) = draw.pick(&named) else {
                    return;
                };
                if truth.parts.len() != 1 || truth.node.kind != Kind::File {
                    return;
                }
                let name = truth.parts.first().cloned().unwrap_or_default();
                self.say(format!("{name:?} is removed at operation {at}"));
                drive.plan(at, Happening::Remove { folder: 0, name });
            }
            7 => {
                let until = at + draw.between(1, 200);
                drive.plan(at, Happening::Vanish { until });
                self.say(format!("the drive is gone from {at} to {until}"));
            }
            8 => {
                drive.plan(at, Happening::Vanish { until: u64::MAX });
                self.must_release = false;
                self.say(format!("the drive dies at {at}"));
            }
            _ => {
                for truth in drive.truth() {
                    let node = truth.node.stamp.inode as usize - 2;
                    drive.change(node, |node| node.refused.push((0, u64::MAX / 2)));
                }
                self.say("nothing on the drive can be read");
            }
        }
    }

    fn destination_trouble(&mut self, kind: u64, draw: &mut Seed) {
        let (number, disk) = self.some_disk(draw);
        let at = draw.between(1, SPAN);
        let (says, releases) = match kind {
            10 => {
                let until = at + draw.between(1, 200);
                disk.becomes(|nature| nature.unplugged.push((at, until)));
                (format!("is unplugged from {at} to {until}"), true)
            }
            11 => {
                disk.becomes(|nature| nature.unplugged.push((at, u64::MAX)));
                (format!("dies at {at}"), false)
            }
            12 => {
                let room = draw.between(0, 200_000);
                disk.becomes(|nature| nature.room = room);
                (format!("has room for {room} bytes"), false)
            }
            13 => {
                disk.becomes(|nature| nature.read_only_from = at);
                (format!("takes no writes from {at} on"), false)
            }
            14 => {
                disk.becomes(|nature| nature.lies = true);
                ("says settled and is not".to_owned(), false)
            }
            15 => {
                let pages = draw.between(8, 120);
                disk.becomes(|nature| nature.true_pages = Some(pages));
                (format!("holds {pages} pages and claims more"), false)
            }
            16 => {
                disk.becomes(|nature| nature.cached = true);
                ("is read from a cache".to_owned(), true)
            }
            17 => {
                disk.becomes(|nature| nature.folds_case = true);
                disk.becomes_folding();
                ("folds case".to_owned(), true)
            }
            18 => {
                disk.becomes(|nature| nature.hard_links = false);
                ("has no hard links".to_owned(), true)
            }
            19 => {
                let most = draw.between(50, 30_000);
                disk.becomes(|nature| nature.largest_file = Some(most));
                (format!("holds files of {most} bytes at most"), false)
            }
            20 => {
                let settle = draw.between(1, 80);
                disk.becomes(|nature| nature.failing_settles.push(settle));
                (format!("fails settling {settle}"), true)
            }
            _ => {
                disk.becomes(|nature| nature.network = true);
                ("is on a network".to_owned(), true)
            }
        };
        // The ledger's own folder cannot be on a network; with one destination there is no other.
        self.must_release &= releases;
        self.say(format!("destination {number} {says}"));
    }

    fn other_trouble(&mut self, kind: u64, draw: &mut Seed) {
        match kind {
            22 => {
                for _ in 0..draw.between(1, 3) {
                    let pass = draw.between(1, 120);
                    self.bench.memory.plan_flip(pass);
                    self.say(format!("memory flips a bit in pass {pass}"));
                }
                (self.trust.reads, self.must_release) = (false, false);
            }
            23 => {
                let at = draw.between(1, SPAN);
                self.bench.fate.stop_at(at);
                self.say(format!("somebody asks to stop at {at}"));
            }
            24 => {
                self.rots = true;
                (self.trust.rest, self.must_release) = (false, false);
                self.say("a bit rots before the reading back");
            }
            25 => {
                self.swap_after = Some(draw.between(1, 8) as u32);
                self.say(format!(
                    "a stranger's drive is plugged in after step {:?}",
                    self.swap_after
                ));
            }
            26 => {
                self.clock_wrong = true;
                self.bench.clock.set(LONG_AGO);
                self.say("the clock is in 2015");
            }
            27 => {
                let folder = self.bench.drive.folder(0, b"mounted");
                self.bench
                    .drive
                    .file(folder, b"other.txt", draw.content(10));
                self.bench.drive.mount_elsewhere(folder);
                self.say("another file system is mounted inside");
            }
            28 => {
                self.limit_bytes = Some(draw.between(1, 30_000));
                self.say(format!(
                    "each run copies {:?} bytes at most",
                    self.limit_bytes
                ));
            }
            _ => {
                self.symptom = Symptom::Clicking;
                self.say("the drive clicks");
            }
        }
    }
}
