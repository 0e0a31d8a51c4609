//! The real bench: this machine behind the ports, and the engine behind the face.
//!
//! Invariant: nothing is decided here; each method opens what the request names and hands it to its step.

use super::engine::{Answer, Engine};
use crate::job::Job;
use crate::ledger::Ledger;
use crate::linux::fault::io_fault;
use crate::linux::host::Host as MachineHost;
use crate::linux::topology::System;
use crate::linux::{DriveGrip, FolderDestination, FolderTree, MachineClock, MachineMemory};
use crate::port::{
    Bench, Clock, Destination, DeviceNamed, DriveFacts, Fault, FaultKind, Grip, Host, Memory,
    Recipient, Sectors, Transport, Tree,
};
use crate::step::event::Tell;
use crate::step::outcome::*;
use crate::step::request::*;
use crate::step::show::onward;
use crate::step::{
    assess, copy, guard, hold, open, plan, print, recheck, release, show, verify, waive,
};
use std::ffi::OsString;
use std::path::{Path, PathBuf};
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::{Arc, Mutex};

/// This machine.
pub struct MachineBench {
    clock: MachineClock,
    memory: MachineMemory,
    system: System,
    stop: Arc<AtomicBool>,
    /// The handlers by which a second signal ends the process at once.
    endings: Mutex<Vec<signal_hook::SigId>>,
    host: Host,
}

impl MachineBench {
    /// Looks at this machine, and listens for the signals that ask to stop: the first one ends
    /// the step in good order, the second one ends the process.
    pub fn here() -> Self {
        let stop = Arc::new(AtomicBool::new(false));
        let mut endings = Vec::new();
        for signal in [
            signal_hook::consts::SIGINT,
            signal_hook::consts::SIGTERM,
            signal_hook::consts::SIGHUP,
        ] {
            // The order matters: the second signal finds the flag set and ends the process at once.
            // A handler that cannot be installed only means that the signal ends the process, which loses nothing that is committed.
            endings.extend(signal_hook::flag::register_conditional_shutdown(
                signal,
                4,
                Arc::clone(&stop),
            ));
            let _ = signal_hook::flag::register(signal, Arc::clone(&stop));
        }
        let look = MachineHost::look();
        let host = Host {
            id: look.id.unwrap_or_default(),
            product: look.machine.unwrap_or_default(),
            kernel: look.kernel.unwrap_or_default(),
            memory_bytes: look.memory_bytes,
        };
        Self {
            clock: MachineClock::new(),
            memory: MachineMemory,
            system: System::this_machine(),
            stop,
            endings: Mutex::new(endings),
            host,
        }
    }
}

/// No key, policy or proof is longer.
const LARGEST_SMALL_FILE: u64 = 16 << 20;

impl Bench for MachineBench {
    fn clock(&self) -> &dyn Clock {
        &self.clock
    }

    fn memory(&self) -> &dyn Memory {
        &self.memory
    }

    fn workers(&self) -> usize {
        // Two a core keep both busy while one waits for the medium; more only cost memory.
        std::thread::available_parallelism().map_or(2, |cores| (cores.get() * 2).clamp(2, 8))
    }

    fn stop_asked(&self) -> bool {
        self.stop.load(Ordering::Relaxed)
    }

    fn host(&self) -> Host {
        self.host.clone()
    }

    fn absolute(&self, path: &Path) -> Result<PathBuf, Fault> {
        path.canonicalize()
            .map_err(|e| io_fault(format!("looking at {}", path.display()), &e))
    }

    fn is_inside(&self, inner: &Path, outer: &Path) -> Result<bool, Fault> {
        crate::linux::nesting::lies_inside(&self.system, inner, outer)
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
        Ok(Box::new(crate::linux::FolderRecipient::open(path)?))
    }

    fn drive(&self, path: &Path) -> Result<DriveFacts, Fault> {
        super::drives::look(&self.system, path)
    }

    fn sectors(&self, path: &Path) -> Result<Arc<dyn Sectors>, Fault> {
        super::drives::sectors(path, &self.memory)
    }

    fn transport(&self, path: &Path) -> Result<Box<dyn Transport>, Fault> {
        crate::linux::transport::choose_transport(&self.system, path)
    }

    fn hold(&self, path: &Path, read_only: bool) -> Result<bool, Fault> {
        super::drives::hold(path, read_only)
    }

    fn other_drives(&self, known: &[String]) -> Result<Vec<DriveFacts>, Fault> {
        super::drives::others(&self.system, known)
    }

    fn every_drive(&self) -> Result<Vec<DriveFacts>, Fault> {
        super::drives::every(&self.system)
    }

    fn grip(&self, path: &Path) -> Result<Box<dyn Grip>, Fault> {
        let grip = DriveGrip::open(path)?;
        if let Ok(mut endings) = self.endings.lock() {
            for ending in endings.drain(..) {
                signal_hook::low_level::unregister(ending);
            }
        }
        Ok(Box::new(grip))
    }

    fn run_command(&self, command: &[OsString], output_aside: bool) -> Result<Option<i32>, Fault> {
        crate::linux::command::run(command, output_aside, &self.stop)
    }

    fn device_named(&self, path: &Path) -> Option<DeviceNamed> {
        crate::linux::command::device_named(path)
    }

    fn lock(&self, path: &Path) -> Result<Option<Box<dyn std::any::Any + Send>>, Fault> {
        let doing = || format!("locking {}", path.display());
        let file = std::fs::OpenOptions::new()
            .create(true)
            .truncate(false)
            .write(true)
            .open(path)
            .map_err(|e| io_fault(doing(), &e))?;
        match file.try_lock() {
            Ok(()) => Ok(Some(Box::new(file))),
            Err(std::fs::TryLockError::WouldBlock) => Ok(None),
            Err(std::fs::TryLockError::Error(e)) => Err(io_fault(doing(), &e)),
        }
    }

    fn replies(&self, path: &Path) -> Result<Box<dyn Transport>, Fault> {
        Ok(Box::new(crate::linux::replies::RecordedReplies::open(
            path,
        )?))
    }

    fn read_file(&self, path: &Path) -> Result<Vec<u8>, Fault> {
        let doing = || format!("reading {}", path.display());
        let meta = std::fs::metadata(path).map_err(|e| io_fault(doing(), &e))?;
        if !meta.is_file() || meta.len() > LARGEST_SMALL_FILE {
            return Err(Fault::new(
                FaultKind::Other,
                doing(),
                "expected a file of at most 16 MiB",
            ));
        }
        std::fs::read(path).map_err(|e| io_fault(doing(), &e))
    }

    fn write_file(&self, path: &Path, bytes: &[u8]) -> Result<(), Fault> {
        let (Some(folder), Some(name)) = (
            path.parent(),
            path.file_name().and_then(|name| name.to_str()),
        ) else {
            return Err(Fault::new(
                FaultKind::Other,
                format!("writing {}", path.display()),
                "expected a file name in a folder",
            ));
        };
        FolderDestination::make(folder)?.write_small(name, bytes)
    }
}

impl Engine for MachineBench {
    fn open(&self, request: &OpenRequest, tell: Tell) -> Answer<Opened> {
        match &request.job {
            Some(dir) if dir.join(Ledger::FILE).exists() => {
                open::amend(hold::open(self, dir, tell)?, request)
            }
            _ => open::open(self, request, &Ledger::create, tell),
        }
    }

    fn assess(&self, request: &AssessRequest, tell: Tell) -> Answer<Assessed> {
        let job = hold::fingerprints(hold::open(self, &request.job, tell)?)?;
        Ok(onward(&job, assess::assess(&job, request, tell)?))
    }

    fn plan(&self, request: &PlanRequest, tell: Tell) -> Answer<Planned> {
        let job = hold::open(self, &request.job, tell)?;
        Ok(onward(&job, plan::plan(&job, request, tell)?))
    }

    fn copy(&self, request: &CopyRequest, tell: Tell) -> Answer<Copied> {
        let job = hold::open(self, &request.job, tell)?;
        Ok(onward(&job, copy::copy(&job, request, tell)?))
    }

    fn verify(&self, request: &VerifyRequest, tell: Tell) -> Answer<Verified> {
        if request.path.join("bagit.txt").exists() && !request.path.join(Ledger::FILE).exists() {
            return verify::verify_bag(self, request, tell);
        }
        if !request.path.join(Ledger::FILE).exists() {
            return Err(Problem::failed(
                format!(
                    "expected a job folder (one with a ledger.db in it) or a bag (one with a bagit.txt in it), found {}",
                    if request.path.is_dir() {
                        "a folder with neither"
                    } else if request.path.exists() {
                        "a file"
                    } else {
                        "no such folder"
                    }
                ),
                PathText::of(&request.path).path,
                "name the folder that open printed, or the bag in it; a bag that lost its bagit.txt is not valid any more",
            ));
        }
        let job = hold::open(self, &request.path, tell)?;
        Ok(onward(&job, verify::verify(&job, request, tell)?))
    }

    fn inspect(&self, request: &InspectRequest, tell: Tell) -> Answer<Inspected> {
        let job = Job::open(self, &request.job)?;
        let outcome = crate::step::inspect::inspect(&job, request, tell)?;
        Ok(onward(&job, outcome))
    }

    fn waive(&self, request: &WaiveRequest) -> Answer<Waived> {
        let job = Job::open(self, &request.job)?;
        Ok(onward(&job, waive::waive(&job, request)?))
    }

    fn answer(&self, request: &AnswerRequest) -> Answer<Answered> {
        let job = Job::open(self, &request.job)?;
        Ok(onward(&job, waive::answer(&job, request)?))
    }

    fn release(&self, request: &ReleaseRequest, tell: Tell) -> Answer<Released> {
        let job = hold::open(self, &request.job, tell)?;
        Ok(onward(&job, release::release(&job, request, None, tell)?))
    }

    fn recheck(&self, request: &RecheckRequest, tell: Tell) -> Answer<Rechecked> {
        let job = hold::open(self, &request.job, tell)?;
        Ok(onward(
            &job,
            recheck::recheck(&job, request.drive.as_deref())?,
        ))
    }

    fn guard(&self, request: &GuardRequest, tell: Tell) -> Answer<Guarded> {
        let job = hold::open(self, &request.job, tell)?;
        Ok(onward(&job, guard::guard(&job, request)?))
    }

    fn print(&self, request: &PrintRequest) -> Answer<Printed> {
        print::print(&Job::open_to_read(self, &request.job)?, request)
    }

    fn put_back(&self, request: &PutBackRequest, tell: Tell) -> Answer<PutBack> {
        let job = hold::open(self, &request.job, tell)?;
        let outcome = crate::step::put_back::put_back(&job, request, tell)?;
        Ok(onward(&job, outcome))
    }

    fn close(&self, request: &CloseRequest, tell: Tell) -> Answer<Closed> {
        let job = Job::open(self, &request.job)?;
        Ok(onward(
            &job,
            crate::step::close::close(&job, request, tell)?,
        ))
    }

    fn show(&self, job: &Path) -> Answer<Shown> {
        show::show(&Job::open_to_read(self, job)?)
    }

    fn show_all(&self) -> Answer<ShownAll> {
        show::show_all(self, &places_to_look())
    }

    fn demo(&self, request: &DemoRequest, tell: Tell) -> Answer<Demonstrated> {
        let dir = demo_folder(request.keep.as_deref())?;
        let steps = crate::life::demo::DemoLife::new(&dir)?.run(tell)?;
        let kept = Some(dir.display().to_string());
        Ok(Outcome::alone(Demonstrated { steps, kept }))
    }

    fn policies(&self) -> Answer<PoliciesListed> {
        crate::step::policies::list()
    }

    fn policy(&self, request: &PolicyRequest) -> Answer<PolicyExplained> {
        crate::step::policies::explain(self, request)
    }
}

/// The folder that the demonstration is kept in: the one named, made if it is not there, or a new one.
fn demo_folder(keep: Option<&Path>) -> Result<PathBuf, Problem> {
    let failed = |path: &Path, e: std::io::Error| {
        Problem::failed(
            format!("making a folder for the demonstration: {e}"),
            path.display().to_string(),
            "name an empty folder with --keep DIR",
        )
    };
    if let Some(path) = keep {
        std::fs::create_dir_all(path).map_err(|e| failed(path, e))?;
        return Ok(path.to_owned());
    }
    let base = std::env::temp_dir();
    for number in 1..10_000 {
        let path = base.join(format!("holdpoint-demo-{number}"));
        match std::fs::create_dir(&path) {
            Ok(()) => return Ok(path),
            Err(e) if e.kind() == std::io::ErrorKind::AlreadyExists => {}
            Err(e) => return Err(failed(&path, e)),
        }
    }
    Err(Problem::failed(
        "no free folder was found for the demonstration",
        base.display().to_string(),
        "name an empty folder with --keep DIR",
    ))
}

/// Folders that may hold jobs: here, one level below, and one or two levels below every mounted file system.
fn places_to_look() -> Vec<PathBuf> {
    let mut out = vec![PathBuf::from(".")];
    if let Ok(disks) = sysinfo::Disks::new_with_refreshed_list() {
        out.extend(disks.iter().map(|disk| disk.mount_point().to_owned()));
    }
    out.sort();
    out.dedup();
    out
}
