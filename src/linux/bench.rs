//! The real bench: this machine behind the ports.

use super::fault::io_fault;
use super::topology::System;
use super::{DriveGrip, FolderDestination, FolderTree, MachineClock, MachineMemory, drives};
use crate::port::{
    Bench, Clock, Destination, DeviceNamed, DriveFacts, Fault, FaultKind, Grip, Host, Memory,
    Mounted, NotMounted, Recipient, Sectors, ToMount, Transport, Tree,
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
        let look = super::host::Host::look();
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
        super::nesting::lies_inside(&self.system, inner, outer)
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
        Ok(Box::new(super::FolderRecipient::open(path)?))
    }

    fn drive(&self, path: &Path) -> Result<DriveFacts, Fault> {
        drives::look(&self.system, path)
    }

    fn sectors(&self, path: &Path) -> Result<Arc<dyn Sectors>, Fault> {
        drives::sectors(path, &self.memory)
    }

    fn mounted(&self, volume: &ToMount<'_>) -> Result<Box<dyn Mounted>, NotMounted> {
        super::above::mount(volume)
    }

    fn transport(&self, path: &Path) -> Result<Box<dyn Transport>, Fault> {
        super::transport::choose_transport(&self.system, path)
    }

    fn hold(&self, path: &Path, read_only: bool) -> Result<bool, Fault> {
        drives::hold(path, read_only)
    }

    fn other_drives(&self, known: &[String]) -> Result<Vec<DriveFacts>, Fault> {
        drives::others(&self.system, known)
    }

    fn every_drive(&self) -> Result<Vec<DriveFacts>, Fault> {
        drives::every(&self.system)
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
        super::command::run(command, output_aside, &self.stop)
    }

    fn device_named(&self, path: &Path) -> Option<DeviceNamed> {
        super::command::device_named(path)
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
        Ok(Box::new(super::replies::RecordedReplies::open(path)?))
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
