//! A job in scratch folders of this machine, below the command line, with a clock that can be moved.

use holdpoint::job::Job;
use holdpoint::ledger::Ledger;
use holdpoint::linux::{
    FolderDestination, FolderRecipient, FolderTree, MachineClock, MachineMemory,
};
use holdpoint::port::{
    Bench, Clock, Destination, Fault, FaultKind, Host, Memory, Recipient, Transport, Tree,
};
use holdpoint::step::event::Event;
use holdpoint::step::outcome::{MemoryState, Symptom};
use holdpoint::step::request::{
    CopyRequest, MustHaves, OpenRequest, PlanRequest, Source, VerifyRequest,
};
use holdpoint::value::Moment;
use std::os::unix::fs::MetadataExt;
use std::path::{Path, PathBuf};
use std::sync::atomic::{AtomicBool, AtomicI64, Ordering};

/// This machine, with a clock that a test moves.
pub struct HandBench {
    clock: MovedClock,
    pub stop: AtomicBool,
    /// Wraps the recipient, where a test needs another kind of file system.
    #[allow(clippy::type_complexity)]
    pub wrap: Option<fn(Box<dyn Recipient>) -> Box<dyn Recipient>>,
}

struct MovedClock {
    real: MachineClock,
    hours: AtomicI64,
}

impl Clock for MovedClock {
    fn now(&self) -> Moment {
        let hours = self.hours.load(Ordering::Relaxed);
        self.real.now().plus_hours(hours as f64)
    }
    fn ticks(&self) -> u64 {
        self.real.ticks()
    }
    fn rest(&self, nanoseconds: u64) {
        self.real.rest(nanoseconds);
    }
}

impl HandBench {
    pub fn new() -> Self {
        Self {
            clock: MovedClock {
                real: MachineClock::new(),
                hours: AtomicI64::new(0),
            },
            stop: AtomicBool::new(false),
            wrap: None,
        }
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
        Ok(Box::new(if make {
            FolderDestination::make(path)?
        } else {
            FolderDestination::open(path)?
        }))
    }
    fn recipient(&self, path: &Path) -> Result<Box<dyn Recipient>, Fault> {
        let recipient: Box<dyn Recipient> = Box::new(FolderRecipient::open(path)?);
        Ok(match self.wrap {
            Some(wrap) => wrap(recipient),
            None => recipient,
        })
    }
    fn replies(&self, path: &Path) -> Result<Box<dyn Transport>, Fault> {
        Err(Fault::new(
            FaultKind::Missing,
            path.display().to_string(),
            "none",
        ))
    }
    fn read_file(&self, path: &Path) -> Result<Vec<u8>, Fault> {
        std::fs::read(path).map_err(|e| fault("reading", path, &e))
    }
    fn write_file(&self, path: &Path, bytes: &[u8]) -> Result<(), Fault> {
        std::fs::write(path, bytes).map_err(|e| fault("writing", path, &e))
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

    /// Opens a job on `source` and plans, copies and verifies it.
    pub fn saved(&self) -> Job<'_> {
        let mut quiet = |_: Event| {};
        let request = OpenRequest {
            source: Source::Folder(self.path("source")),
            to: vec![self.path("one"), self.path("two")],
            job: Some(self.path("one/job")),
            policy: "practice".into(),
            owner: Some("Ottilie Quendel".into()),
            technician: Some("Bo".into()),
            symptom: Some(Symptom::None),
            memory: Some(MemoryState::KnownGood),
            machine: None,
            must_have: Some(MustHaves::Named(vec!["the garden photos".into()])),
            replies: None,
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
