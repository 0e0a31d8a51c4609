//! Which way to a drive's health pages there is.
//!
//! Invariant: a device without a way says why, as *could not be read*; it never looks like a drive
//! that has nothing to report.

use super::disks::{self, Bus, Disk};
use super::fault::io_fault;
use super::nvme::NvmeTransport;
use super::scsi::ScsiTransport;
use super::topology::{self, System};
use super::watchdog::WatchedTransport;
use crate::drive::question::{Question, Reply};
use crate::port::{Fault, Transport};
use std::io::ErrorKind;
use std::path::{Path, PathBuf};
use std::time::Duration;

/// Longer than the kernel's own limit for one command and its recovery; two forms may be tried.
const LIMIT: Duration = Duration::from_secs(90);

/// The way to the health pages of the drive at `path` (its node, a partition of it, or an image file).
///
/// # Errors
/// When the path cannot be looked at. A drive that cannot be asked is no error: its transport says why.
pub fn choose_transport(system: &System, path: &Path) -> Result<Box<dyn Transport>, Fault> {
    let Some(device) = topology::block_device_at(path)? else {
        return Ok(no_way(
            "image file",
            "an image file has no health of its own to report",
        ));
    };
    let beneath = topology::beneath_device(system, device)?;
    let name = match beneath.disks.as_slice() {
        [one] if !beneath.through_loop => one,
        _ if beneath.through_loop => {
            return Ok(no_way(
                "loop device",
                "a loop device has no health of its own to report",
            ));
        }
        several => {
            let why = format!(
                "'{}' lies on {} disks; name one whole disk",
                path.display(),
                several.len()
            );
            return Ok(no_way("stacked device", &why));
        }
    };
    let Some(disk) = disks::disk(system, name) else {
        return Ok(no_way(
            "unknown device",
            &format!("the system tells nothing about '{name}'"),
        ));
    };
    Ok(way_to(system, &disk))
}

fn way_to(system: &System, disk: &Disk) -> Box<dyn Transport> {
    let node = disks::node_of(&disk.name);
    let directory = system.sysfs.join("block").join(&disk.name).join("device");
    let opened: Result<Box<dyn Transport + Send>, Fault> = match disk.bus {
        Bus::Nvme => NvmeTransport::open(&node).map(|way| Box::new(way) as _),
        Bus::Mmc => return Box::new(CardTransport { directory }),
        Bus::Ata | Bus::Usb | Bus::Scsi => {
            let vendor = disks::text(&directory, "vendor");
            ScsiTransport::open(&node, disk.bus, vendor.as_deref()).map(|way| Box::new(way) as _)
        }
        Bus::Virtual | Bus::Made => {
            return no_way(
                "virtual disk",
                "a virtual disk passes no health requests on; ask the machine that holds the real one",
            );
        }
        Bus::Unknown => {
            return no_way(
                "unknown device",
                "the system does not tell how it is attached",
            );
        }
    };
    match opened.and_then(|way| WatchedTransport::new(way, LIMIT)) {
        Ok(way) => Box::new(way),
        Err(why) => no_way(disk.bus.word(), &why.to_string()),
    }
}

fn no_way(says: &str, why: &str) -> Box<dyn Transport> {
    Box::new(NoTransport {
        says: says.to_owned(),
        why: why.to_owned(),
    })
}

/// A device that cannot be asked.
#[derive(Debug)]
struct NoTransport {
    says: String,
    why: String,
}

impl Transport for NoTransport {
    fn ask(&mut self, _: Question) -> Reply {
        Reply::Unread(self.why.clone())
    }

    fn says(&self) -> String {
        self.says.clone()
    }
}

/// eMMC and SD cards: the kernel read the two estimates when the card was started (Linux
/// `Documentation/driver-api/mmc/mmc-dev-attrs.rst`).
#[derive(Debug)]
struct CardTransport {
    directory: PathBuf,
}

impl Transport for CardTransport {
    fn ask(&mut self, question: Question) -> Reply {
        let attribute = match question {
            Question::MmcLifeTime => "life_time",
            Question::MmcPreEol => "pre_eol_info",
            _ => return Reply::NotReported,
        };
        match std::fs::read(self.directory.join(attribute)) {
            Ok(text) => Reply::Bytes(text),
            Err(e) if e.kind() == ErrorKind::NotFound => Reply::NotReported,
            Err(e) => Reply::Unread(io_fault(format!("reading '{attribute}'"), &e).to_string()),
        }
    }

    fn says(&self) -> String {
        "memory card".to_owned()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_device_without_a_way_says_why() {
        let scratch = tempfile::tempdir().unwrap();
        let image = scratch.path().join("image");
        std::fs::write(&image, b"").unwrap();
        let system = System::this_machine();
        let mut way = choose_transport(&system, &image).unwrap();
        assert_eq!(way.says(), "image file");
        assert!(matches!(way.ask(Question::AtaIdentify), Reply::Unread(_)));
        assert!(choose_transport(&system, &scratch.path().join("none")).is_err());
    }

    #[test]
    fn a_cards_estimates_come_as_the_kernel_prints_them() {
        let scratch = tempfile::tempdir().unwrap();
        std::fs::write(scratch.path().join("life_time"), "0x01 0x02\n").unwrap();
        let mut card = CardTransport {
            directory: scratch.path().to_owned(),
        };
        assert_eq!(
            card.ask(Question::MmcLifeTime),
            Reply::Bytes(b"0x01 0x02\n".to_vec())
        );
        assert_eq!(card.ask(Question::MmcPreEol), Reply::NotReported);
        assert_eq!(card.ask(Question::AtaIdentify), Reply::NotReported);
    }
}
