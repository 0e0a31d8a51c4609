//! A job in scratch folders of this machine, below the command line, with a clock that can be moved.

use holdpoint::drive::question::{Question, Reply};
use holdpoint::drive::replies::Replies;
use holdpoint::job::Job;
use holdpoint::ledger::Ledger;
use holdpoint::linux::MachineBench;
use holdpoint::linux::{
    FolderDestination, FolderRecipient, FolderTree, MachineClock, MachineMemory,
};
use holdpoint::port::{
    Below, Bench, Clock, Content, Destination, DestinationFacts, DeviceNamed, DriveFacts, Fault,
    FaultKind, Grip, Host, Memory, Mounted, NotMounted, Recipient, Sectors, ToMount, Transport,
    Tree, Writing,
};
use holdpoint::step::event::Event;
use holdpoint::step::outcome::{Machine, MemoryState, Symptom};
use holdpoint::step::request::{
    CopyRequest, MustHaves, OpenRequest, PlanRequest, Source, VerifyRequest,
};
use holdpoint::value::Moment;
use std::ffi::OsString;
use std::os::unix::fs::MetadataExt;
use std::path::{Path, PathBuf};
use std::sync::atomic::{AtomicBool, AtomicI64, AtomicU64, Ordering};
use std::sync::{Arc, Mutex};

/// This machine, with a clock that a test moves.
pub struct HandBench {
    clock: MovedClock,
    pub stop: Arc<AtomicBool>,
    /// Wraps the recipient, where a test needs another kind of file system.
    #[allow(clippy::type_complexity)]
    pub wrap: Option<fn(Box<dyn Recipient>) -> Box<dyn Recipient>>,
    /// Drives are this machine's own.
    machine: MachineBench,
    /// Changes what is told of a drive, where a test needs another kind of drive.
    pub alter: Mutex<Option<fn(&mut DriveFacts)>>,
    /// The other internal drives.
    pub others: Mutex<Vec<DriveFacts>>,
    /// Whether there are other drives cannot be told.
    pub others_fail: AtomicBool,
    /// Stands for the kernel's flag of every drive, where no device is at hand; `None` = the machine's own.
    pub flag: Mutex<Option<bool>>,
    /// Each destination says that it lies on a disk of its own.
    pub apart: AtomicBool,
    /// Running a command panics in the middle.
    pub panics: AtomicBool,
    /// What the drive answers about its health each time that it is asked; the last answer stays. Empty = the machine's own way.
    pub health: Mutex<Vec<Replies>>,
    /// The drive is not there when it is read.
    pub gone: Arc<AtomicBool>,
    /// What is wrong with the drive's sectors, and what it was asked.
    pub weak: Arc<Weak>,
    /// Destinations on disks of their own tell of so much room at most.
    pub room: Arc<AtomicU64>,
    /// What comes of mounting a volume that only a kernel reads; `None` = there is no way to.
    pub mounts: Mutex<Option<Mounting>>,
}

/// A made-up way to mount.
pub type Mounting = Box<dyn Fn(&ToMount<'_>) -> Result<Box<dyn Mounted>, NotMounted> + Send>;

/// A drive with bad sectors that remembers what it was asked.
#[derive(Default)]
pub struct Weak {
    /// Sectors of 512 bytes that it refuses.
    pub bad: Mutex<Vec<u64>>,
    /// Every request: the how-manieth opening of the drive, first sector, sectors.
    pub asked: Mutex<Vec<(u64, u64, u64)>>,
    opened: AtomicU64,
    /// Called with the number of requests so far, and the sectors of this one.
    #[allow(clippy::type_complexity)]
    pub at_request: Mutex<Option<Box<dyn Fn(usize, u64, u64) + Send>>>,
}

impl Weak {
    /// Forgets what was asked; the next opening is number 0 again.
    pub fn forget(&self) {
        self.asked.lock().unwrap().clear();
        self.opened.store(0, Ordering::Relaxed);
    }

    /// What was asked through one opening.
    pub fn through(&self, opening: u64) -> Vec<(u64, u64)> {
        let asked = self.asked.lock().unwrap();
        let here = asked.iter().filter(|(through, ..)| *through == opening);
        here.map(|(_, first, count)| (*first, *count)).collect()
    }
}

/// A drive that may go away, and may be weak.
struct Going(Arc<dyn Sectors>, Arc<AtomicBool>, Arc<Weak>, u64);

impl Sectors for Going {
    fn sector_bytes(&self) -> u32 {
        self.0.sector_bytes()
    }
    fn bytes(&self) -> u64 {
        self.0.bytes()
    }
    fn read_at(&self, at: u64, buf: &mut [u8]) -> Result<(), Fault> {
        if self.1.load(Ordering::Relaxed) {
            return Err(Fault::new(FaultKind::Gone, "reading", "ENODEV"));
        }
        let end = (at + buf.len() as u64).div_ceil(512);
        let mut asked = self.2.asked.lock().unwrap();
        asked.push((self.3, at / 512, end - at / 512));
        if let Some(tell) = self.2.at_request.lock().unwrap().as_ref() {
            tell(asked.len(), at / 512, end - at / 512);
        }
        drop(asked);
        let bad = self.2.bad.lock().unwrap();
        if bad.iter().any(|bad| (at / 512..end).contains(bad)) {
            return Err(Fault::new(FaultKind::Refused, "reading", "EIO"));
        }
        self.0.read_at(at, buf)
    }
}

/// A drive that answers from memory.
struct Told(Replies);

impl Transport for Told {
    fn ask(&mut self, question: Question) -> Reply {
        self.0.get(question).clone()
    }
    fn says(&self) -> String {
        "a test".into()
    }
}

struct MovedClock {
    real: MachineClock,
    hours: AtomicI64,
    /// Minutes that pass each time the clock is looked at, and those that have passed so.
    pace: AtomicI64,
    minutes: AtomicI64,
    /// Nanoseconds rested: they pass at once.
    rested: AtomicU64,
}

impl Clock for MovedClock {
    fn now(&self) -> Moment {
        let hours = self.hours.load(Ordering::Relaxed);
        self.real.now().plus_hours(hours as f64)
    }
    fn ticks(&self) -> u64 {
        let pace = self.pace.load(Ordering::Relaxed);
        let minutes = self.minutes.fetch_add(pace, Ordering::Relaxed) as u64;
        let rested = self.rested.load(Ordering::Relaxed);
        self.real.ticks() + rested + minutes * 60_000_000_000
    }
    fn rest(&self, nanoseconds: u64) {
        self.rested.fetch_add(nanoseconds, Ordering::Relaxed);
    }
}

impl HandBench {
    pub fn new() -> Self {
        Self {
            clock: MovedClock {
                real: MachineClock::new(),
                hours: AtomicI64::new(0),
                pace: AtomicI64::new(0),
                minutes: AtomicI64::new(0),
                rested: AtomicU64::new(0),
            },
            stop: Arc::default(),
            wrap: None,
            machine: MachineBench::here(),
            alter: Mutex::new(None),
            others: Mutex::new(Vec::new()),
            others_fail: AtomicBool::new(false),
            flag: Mutex::new(None),
            apart: AtomicBool::new(false),
            panics: AtomicBool::new(false),
            health: Mutex::new(Vec::new()),
            gone: Arc::default(),
            weak: Arc::default(),
            room: Arc::new(AtomicU64::new(u64::MAX)),
            mounts: Mutex::new(None),
        }
    }

    pub fn pass_hours(&self, hours: i64) {
        self.clock.hours.fetch_add(hours, Ordering::Relaxed);
    }

    /// From now on a minute passes each time that somebody looks at the clock.
    pub fn hurry(&self) {
        self.clock.pace.store(1, Ordering::Relaxed);
    }

    pub fn pass_days(&self, days: i64) {
        self.clock.hours.fetch_add(days * 24, Ordering::Relaxed);
    }
}

fn fault(doing: &str, path: &Path, e: &std::io::Error) -> Fault {
    let kind = match e.kind() {
        std::io::ErrorKind::NotFound => FaultKind::Missing,
        _ => FaultKind::Other,
    };
    Fault::new(kind, format!("{doing} {}", path.display()), e.to_string())
}

impl Bench for HandBench {
    fn clock(&self) -> &dyn Clock {
        &self.clock
    }
    fn memory(&self) -> &dyn Memory {
        &MachineMemory
    }
    fn workers(&self) -> usize {
        2
    }
    fn stop_asked(&self) -> bool {
        self.stop.load(Ordering::Relaxed)
    }
    fn host(&self) -> Host {
        Host {
            id: "bench".into(),
            ..Host::default()
        }
    }
    fn absolute(&self, path: &Path) -> Result<PathBuf, Fault> {
        path.canonicalize().map_err(|e| fault("finding", path, &e))
    }
    fn is_inside(&self, inner: &Path, outer: &Path) -> Result<bool, Fault> {
        let place = |path: &Path| {
            let seen = path.metadata().map_err(|e| fault("looking at", path, &e))?;
            Ok::<_, Fault>((seen.dev(), seen.ino()))
        };
        let outer = place(outer)?;
        for above in self.absolute(inner)?.ancestors() {
            if place(above)? == outer {
                return Ok(true);
            }
        }
        Ok(false)
    }
    fn tree(&self, path: &Path) -> Result<Box<dyn Tree>, Fault> {
        Ok(Box::new(FolderTree::open(path)?))
    }
    fn destination(&self, path: &Path, make: bool) -> Result<Box<dyn Destination>, Fault> {
        let folder = if make {
            FolderDestination::make(path)?
        } else {
            FolderDestination::open(path)?
        };
        if self.apart.load(Ordering::Relaxed) {
            let room = Arc::clone(&self.room);
            return Ok(Box::new(Apart(folder, path.to_owned(), room)));
        }
        Ok(Box::new(folder))
    }
    fn drive(&self, path: &Path) -> Result<DriveFacts, Fault> {
        let mut facts = self.machine.drive(path)?;
        if let Some(alter) = *self.alter.lock().unwrap() {
            alter(&mut facts);
        }
        if let Some(flag) = *self.flag.lock().unwrap() {
            facts.kernel_read_only = Some(flag);
        }
        Ok(facts)
    }
    fn sectors(&self, path: &Path) -> Result<Arc<dyn Sectors>, Fault> {
        let drive = self.machine.sectors(path)?;
        let opening = self.weak.opened.fetch_add(1, Ordering::Relaxed);
        let (gone, weak) = (Arc::clone(&self.gone), Arc::clone(&self.weak));
        Ok(Arc::new(Going(drive, gone, weak, opening)))
    }
    fn mounted(&self, volume: &ToMount<'_>) -> Result<Box<dyn Mounted>, NotMounted> {
        match &*self.mounts.lock().unwrap() {
            Some(mounting) => mounting(volume),
            None => {
                let none = Fault::new(FaultKind::Missing, "mounting", "no kernel here");
                Err(NotMounted::NoWay(none))
            }
        }
    }
    fn transport(&self, path: &Path) -> Result<Box<dyn Transport>, Fault> {
        let mut told = self.health.lock().unwrap();
        match told.as_slice() {
            [] => self.machine.transport(path),
            [last] => Ok(Box::new(Told(last.clone()))),
            [..] => Ok(Box::new(Told(told.remove(0)))),
        }
    }
    fn hold(&self, path: &Path, read_only: bool) -> Result<bool, Fault> {
        if let Some(flag) = self.flag.lock().unwrap().as_mut() {
            *flag = read_only;
            return Ok(read_only);
        }
        self.machine.hold(path, read_only)
    }
    fn other_drives(&self, known: &[String]) -> Result<Vec<DriveFacts>, Fault> {
        if self.others_fail.load(Ordering::Relaxed) {
            let place = Path::new("/sys/block");
            return Err(fault("listing", place, &std::io::ErrorKind::Other.into()));
        }
        let others = self.others.lock().unwrap().clone();
        Ok(others
            .into_iter()
            .filter(|other| !known.contains(&other.name))
            .collect())
    }
    fn grip(&self, path: &Path) -> Result<Box<dyn Grip>, Fault> {
        self.machine.grip(path)
    }
    fn run_command(&self, command: &[OsString], aside: bool) -> Result<Option<i32>, Fault> {
        assert!(!self.panics.load(Ordering::Relaxed), "as the test wished");
        self.machine.run_command(command, aside)
    }
    fn device_named(&self, path: &Path) -> Option<DeviceNamed> {
        self.machine.device_named(path)
    }
    fn lock(&self, path: &Path) -> Result<Option<Box<dyn std::any::Any + Send>>, Fault> {
        self.machine.lock(path)
    }
    fn recipient(&self, path: &Path) -> Result<Box<dyn Recipient>, Fault> {
        let recipient: Box<dyn Recipient> = Box::new(FolderRecipient::open(path)?);
        Ok(match self.wrap {
            Some(wrap) => wrap(recipient),
            None => recipient,
        })
    }
    fn replies(&self, path: &Path) -> Result<Box<dyn Transport>, Fault> {
        self.machine.replies(path)
    }
    fn read_file(&self, path: &Path) -> Result<Vec<u8>, Fault> {
        std::fs::read(path).map_err(|e| fault("reading", path, &e))
    }
    fn write_file(&self, path: &Path, bytes: &[u8]) -> Result<(), Fault> {
        std::fs::write(path, bytes).map_err(|e| fault("writing", path, &e))
    }
}

/// A destination that says it lies on a disk of its own, named after its place.
struct Apart(FolderDestination, PathBuf, Arc<AtomicU64>);

impl Destination for Apart {
    fn facts(&self) -> Result<DestinationFacts, Fault> {
        let disk = if self.1.components().any(|part| part.as_os_str() == "one") {
            "disk-one"
        } else {
            "disk-two"
        };
        let facts = self.0.facts()?;
        Ok(DestinationFacts {
            device: 0,
            disks: vec![disk.into()],
            disks_unknown: Vec::new(),
            practice_only: false,
            free_bytes: facts.free_bytes.min(self.2.load(Ordering::Relaxed)),
            ..facts
        })
    }
    fn make_folder(&self, path: &str) -> Result<(), Fault> {
        self.0.make_folder(path)
    }
    fn create(&self, path: &str, bytes: u64) -> Result<Box<dyn Writing>, Fault> {
        self.0.create(path, bytes)
    }
    fn write_over(&self, path: &str) -> Result<Box<dyn Writing>, Fault> {
        self.0.write_over(path)
    }
    fn link(&self, existing: &str, path: &str) -> Result<(), Fault> {
        self.0.link(existing, path)
    }
    fn rename(&self, from: &str, to: &str) -> Result<(), Fault> {
        self.0.rename(from, to)
    }
    fn remove(&self, path: &str) -> Result<(), Fault> {
        self.0.remove(path)
    }
    fn remove_folder(&self, path: &str) -> Result<(), Fault> {
        self.0.remove_folder(path)
    }
    fn settle(&self) -> Result<(), Fault> {
        self.0.settle()
    }
    fn open(&self, path: &str) -> Result<Box<dyn Content>, Fault> {
        self.0.open(path)
    }
    fn each(&self, path: &str, see: &mut dyn FnMut(Below<'_>)) -> Result<(), Fault> {
        self.0.each(path, see)
    }
    fn read_small(&self, path: &str) -> Result<Option<Vec<u8>>, Fault> {
        self.0.read_small(path)
    }
    fn write_small(&self, path: &str, bytes: &[u8]) -> Result<(), Fault> {
        self.0.write_small(path, bytes)
    }
    fn fetched_bytes(&self) -> Option<u64> {
        self.0.fetched_bytes()
    }
}

/// Scratch folders: the source, two destinations, and the fresh system.
pub struct Scratch {
    pub dir: tempfile::TempDir,
    pub bench: HandBench,
}

impl Scratch {
    pub fn new() -> Self {
        let dir = tempfile::tempdir().unwrap();
        for folder in ["source", "one", "two", "fresh"] {
            std::fs::create_dir(dir.path().join(folder)).unwrap();
        }
        Self {
            dir,
            bench: HandBench::new(),
        }
    }

    pub fn path(&self, inner: &str) -> PathBuf {
        self.dir.path().join(inner)
    }

    pub fn write(&self, inner: &str, bytes: impl AsRef<[u8]>) {
        let path = self.path(inner);
        std::fs::create_dir_all(path.parent().unwrap()).unwrap();
        std::fs::write(path, bytes).unwrap();
    }

    pub fn read(&self, inner: &str) -> Vec<u8> {
        std::fs::read(self.path(inner)).unwrap_or_else(|e| panic!("{inner}: {e}"))
    }

    /// To open a practice job on it, with every question answered.
    pub fn request(&self, source: Source) -> OpenRequest {
        OpenRequest {
            source,
            to: vec![self.path("one"), self.path("two")],
            job: Some(self.path("one/job")),
            policy: Some("practice".into()),
            owner: Some("Ottilie Quendel".into()),
            technician: Some("Bo".into()),
            symptom: Some(Symptom::None),
            memory: Some(MemoryState::KnownGood),
            machine: Some(Machine::Bench),
            must_have: Some(MustHaves::Nothing),
            replies: None,
        }
    }

    /// Opens a job on `source` and plans, copies and verifies it.
    pub fn saved(&self) -> Job<'_> {
        let mut quiet = |_: Event| {};
        let request = OpenRequest {
            machine: None,
            must_have: Some(MustHaves::Named(vec!["the garden photos".into()])),
            ..self.request(Source::Folder(self.path("source")))
        };
        let opened = holdpoint::step::open::open(
            &self.bench,
            &request,
            &|path| Ledger::create(path),
            &mut quiet,
        );
        let dir = opened.unwrap().job.unwrap();
        let job = Job::open(&self.bench, &dir).unwrap();
        holdpoint::step::plan::plan(
            &job,
            &PlanRequest {
                job: dir.clone(),
                list: false,
            },
            &mut quiet,
        )
        .unwrap();
        let copy = CopyRequest {
            job: dir.clone(),
            limit_bytes: None,
            limit_minutes: None,
        };
        holdpoint::step::copy::copy(&job, &copy, &mut quiet).unwrap();
        let verify = VerifyRequest {
            path: dir,
            attest: false,
        };
        holdpoint::step::verify::verify(&job, &verify, &mut quiet).unwrap();
        job
    }
}

/// The replies of a drive, its identity edited, with the checksum set right again.
pub fn identity_edited(mut said: Replies, edit: impl FnOnce(&mut [u8])) -> Replies {
    let Reply::Bytes(mut page) = said.get(Question::AtaIdentify).clone() else {
        panic!("no identity");
    };
    edit(&mut page);
    page[511] = 0;
    page[511] = (page.iter().fold(0u8, |sum, byte| sum.wrapping_add(*byte))).wrapping_neg();
    said.put(Question::AtaIdentify, Reply::Bytes(page));
    said
}
