//! The whole outside of a life: one source, drives by where they are plugged in, a clock, memory,
//! and a few files of the technician's.
//!
//! Invariant: nothing here touches the machine that the life runs on.

use super::clock::LifeClock;
use super::destination::LifeDestination;
use super::disk::LifeDisk;
use super::fate::Fate;
use super::health::Recorded;
use super::memory::LifeMemory;
use super::tree::{LifeDrive, LifeTree};
use crate::drive::replies::Replies;
use crate::ledger::{Ledger, LedgerError};
use crate::port::{
    Bench, Clock, Destination, Fault, FaultKind, Host, Memory, Recipient, Transport, Tree,
};
use std::collections::BTreeMap;
use std::path::{Path, PathBuf};
use std::sync::atomic::{AtomicU64, Ordering};
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};

/// Where the source is.
pub const SOURCE: &str = "/life/source";
/// Where recorded replies are.
pub const REPLIES: &str = "/life/replies";
/// Where the first destination is plugged in.
pub const ONE: &str = "/life/one";
/// Where the second destination is plugged in.
pub const TWO: &str = "/life/two";

/// The outside of a life.
pub struct LifeBench {
    /// What is bound to happen.
    pub fate: Arc<Fate>,
    /// The clock.
    pub clock: Arc<LifeClock>,
    /// The memory of the machine.
    pub memory: Arc<LifeMemory>,
    /// The source.
    pub drive: Arc<LifeDrive>,
    /// What the drive answers about its health; `None` = nobody asks it.
    pub replies: Option<Replies>,
    plugs: Mutex<BTreeMap<PathBuf, Arc<LifeDisk>>>,
    files: Mutex<BTreeMap<PathBuf, Vec<u8>>>,
    /// Name of the ledger, and what keeps it alive while the engine is away.
    ledger: Mutex<(String, Option<Ledger>)>,
}

static LEDGERS: AtomicU64 = AtomicU64::new(0);

/// Lives run beside each other in one process; their ledgers must not meet.
fn new_name() -> String {
    format!("life-{}", LEDGERS.fetch_add(1, Ordering::Relaxed))
}

impl LifeBench {
    /// A machine with a source and nothing plugged in.
    pub fn new(
        fate: Arc<Fate>,
        clock: Arc<LifeClock>,
        memory: Arc<LifeMemory>,
        drive: Arc<LifeDrive>,
        replies: Option<Replies>,
    ) -> Self {
        Self {
            fate,
            clock,
            memory,
            drive,
            replies,
            plugs: Mutex::new(BTreeMap::new()),
            files: Mutex::new(BTreeMap::new()),
            ledger: Mutex::new((new_name(), None)),
        }
    }

    fn plugs(&self) -> MutexGuard<'_, BTreeMap<PathBuf, Arc<LifeDisk>>> {
        self.plugs.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// Plugs a drive in at `path`; whatever was there is taken out.
    pub fn plug(&self, path: &str, disk: Arc<LifeDisk>) {
        self.plugs().insert(PathBuf::from(path), disk);
    }

    /// The drive that is plugged in at `path`.
    pub fn plugged(&self, path: &str) -> Option<Arc<LifeDisk>> {
        self.plugs().get(Path::new(path)).cloned()
    }

    /// Keeps a file of the technician's.
    pub fn keep_file(&self, path: &str, bytes: &[u8]) {
        if let Ok(mut files) = self.files.lock() {
            files.insert(PathBuf::from(path), bytes.to_vec());
        }
    }

    /// The life's ledger, the same one however often it is opened. Commits are sync points.
    pub fn ledger(&self) -> Result<Ledger, LedgerError> {
        let mut ledger = self.ledger.lock().unwrap_or_else(PoisonError::into_inner);
        let (name, anchor) = &mut *ledger;
        if anchor.is_none() {
            *anchor = Some(Ledger::in_shared_memory(name, || true)?);
        }
        let fate = self.fate.clone();
        Ledger::in_shared_memory(name, move || fate.sync().is_ok())
    }

    /// A ledger that holds nothing yet, in place of the one before.
    pub fn new_ledger(&self) -> Result<Ledger, LedgerError> {
        *self.ledger.lock().unwrap_or_else(PoisonError::into_inner) = (new_name(), None);
        self.ledger()
    }

    /// The machine starts again after a crash: every drive has lost what it had not kept.
    pub fn start_again(&self) {
        for disk in self.plugs().values() {
            disk.crash();
        }
        self.clock.pass(90_000_000_000);
        self.fate.start_again();
    }

    /// Somebody plugs everything in again.
    pub fn plug_in_again(&self) {
        let operation = self.fate.operations() + 1;
        for disk in self.plugs().values() {
            disk.state().plug_in(operation);
        }
        self.drive.plug_in();
    }

    /// The drive at or above `path`, and the rest of the path.
    fn disk_of(&self, path: &Path) -> Option<(Arc<LifeDisk>, String)> {
        self.plugs().iter().find_map(|(at, disk)| {
            let rest = path.strip_prefix(at).ok()?;
            Some((disk.clone(), rest.to_str()?.to_owned()))
        })
    }
}

fn missing(doing: &str, path: &Path) -> Fault {
    Fault::new(
        FaultKind::Missing,
        format!("{doing} {}", path.display()),
        "nothing is there",
    )
}

impl Bench for LifeBench {
    fn clock(&self) -> &dyn Clock {
        self.clock.as_ref()
    }

    fn memory(&self) -> &dyn Memory {
        self.memory.as_ref()
    }

    fn workers(&self) -> usize {
        0
    }

    fn stop_asked(&self) -> bool {
        self.fate.stop_asked()
    }

    fn host(&self) -> Host {
        Host {
            id: "11fe".into(),
            product: "simulated".into(),
            ..Host::default()
        }
    }

    fn absolute(&self, path: &Path) -> Result<PathBuf, Fault> {
        self.fate.operation()?;
        let known =
            path == Path::new(SOURCE) || path == Path::new(REPLIES) || self.disk_of(path).is_some();
        if known {
            Ok(path.to_owned())
        } else {
            Err(missing("looking for", path))
        }
    }

    fn is_inside(&self, inner: &Path, outer: &Path) -> Result<bool, Fault> {
        self.fate.operation()?;
        Ok(inner.starts_with(outer))
    }

    fn tree(&self, path: &Path) -> Result<Box<dyn Tree>, Fault> {
        self.fate.operation()?;
        if path == Path::new(SOURCE) {
            Ok(Box::new(LifeTree(self.drive.clone())))
        } else {
            Err(missing("opening the folder", path))
        }
    }

    fn destination(&self, path: &Path, make: bool) -> Result<Box<dyn Destination>, Fault> {
        let Some((disk, rest)) = self.disk_of(path) else {
            return Err(missing("opening the destination", path));
        };
        let shown = path.display().to_string();
        let opened = LifeDestination::open(disk, &rest, &shown, make)?;
        Ok(Box::new(opened))
    }

    fn recipient(&self, path: &Path) -> Result<Box<dyn Recipient>, Fault> {
        Err(missing("opening the folder to put back to", path))
    }

    fn replies(&self, path: &Path) -> Result<Box<dyn Transport>, Fault> {
        self.fate.operation()?;
        match &self.replies {
            Some(replies) if path == Path::new(REPLIES) => Ok(Box::new(Recorded(replies.clone()))),
            _ => Err(missing("opening recorded replies", path)),
        }
    }

    fn read_file(&self, path: &Path) -> Result<Vec<u8>, Fault> {
        self.fate.operation()?;
        if let Some((disk, rest)) = self.disk_of(path) {
            return disk
                .enter(None)?
                .live
                .read(&rest)
                .map(<[u8]>::to_vec)
                .ok_or_else(|| missing("reading", path));
        }
        let files = self.files.lock().unwrap_or_else(PoisonError::into_inner);
        files
            .get(path)
            .cloned()
            .ok_or_else(|| missing("reading", path))
    }

    fn write_file(&self, path: &Path, bytes: &[u8]) -> Result<(), Fault> {
        self.fate.operation()?;
        self.fate.sync()?;
        if let Some((disk, rest)) = self.disk_of(path) {
            return disk.enter_to_write(None)?.replace(&rest, bytes);
        }
        let mut files = self.files.lock().unwrap_or_else(PoisonError::into_inner);
        files.insert(path.to_owned(), bytes.to_vec());
        Ok(())
    }
}
