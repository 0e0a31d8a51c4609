//! Drives put on hold: looked at, held read-only by the kernel, fingerprinted, named by themselves.
//!
//! Invariant: nothing is written; with a bad symptom nothing beyond identity and health is read.

use super::places::OnHold;
use crate::job::{DriveKept, Job, KeptPath, fault_problem};
use crate::port::{Bench, DriveFacts};
use crate::read::fingerprint::Fingerprint;
use crate::step::event::{Event, Tell};
use crate::step::outcome::{DriveKind, DriveOnHold, Hold, Machine, OtherDrive, Problem, Symptom};
use crate::value::Known;
use std::path::PathBuf;

/// Looks at each drive; refuses what is no whole drive, and one drive named twice.
pub fn look(bench: &dyn Bench, paths: &[PathBuf]) -> Result<(Vec<DriveKept>, OnHold), Problem> {
    let mut kept: Vec<DriveKept> = Vec::new();
    let mut files = std::collections::HashSet::new();
    let mut on_hold = OnHold {
        words: "the drive on hold",
        ..OnHold::default()
    };
    for path in paths {
        let facts = bench.drive(path).map_err(|fault| {
            fault_problem(&fault, "name a whole disk or an image file of one").on_path(path)
        })?;
        let shown = KeptPath::of(&facts.path);
        // One image under two names is one drive, too; so are an image and the loop device that shows it.
        let own = (facts.is_image && facts.inode != 0).then_some((facts.device, facts.inode));
        let is_known = own.or(facts.shows).is_some_and(|file| !files.insert(file));
        if is_known || kept.iter().any(|drive| drive.path == shown) {
            return Err(Problem::usage(
                "a drive is named twice",
                shown.text,
                "name each drive once",
            ));
        }
        if facts.device != 0 {
            on_hold.devices.push(facts.device);
        }
        on_hold.disks.extend(facts.disks.iter().cloned());
        on_hold.unknown |= facts.disks_unknown;
        kept.push(keep(facts, shown));
    }
    Ok((kept, on_hold))
}

fn keep(facts: DriveFacts, path: KeptPath) -> DriveKept {
    let kind = match (facts.is_image, facts.rotational) {
        (true, _) => DriveKind::Image,
        (false, _) if facts.bus == "nvme" => DriveKind::Nvme,
        (false, _) => DriveKind::Unknown,
    };
    DriveKept {
        path,
        name: facts.name,
        is_image: facts.is_image,
        is_loop: facts.is_loop,
        is_stack: facts.is_stack,
        model: facts.model,
        system_serial: facts.serial.clone(),
        serial: facts.serial,
        sequence: facts.sequence,
        firmware: facts.firmware,
        bytes: facts.bytes,
        sector_bytes: facts.sector_bytes,
        kind,
        fingerprint: None,
        stretches: Vec::new(),
        disks: facts.disks,
        was_read_only: facts.kernel_read_only,
        held: false,
        held_why: String::new(),
    }
}

/// Sets the kernel's flag on each device, then takes the fingerprint of each drive.
pub fn hold(bench: &dyn Bench, drives: &mut [DriveKept], symptom: Option<Symptom>, tell: Tell<'_>) {
    for drive in drives.iter_mut() {
        let path = drive.path.path();
        if drive.is_image {
            drive.held_why =
                "an image file has no kernel flag; it is opened for reading only".into();
        } else {
            match bench.hold(&path, true) {
                Ok(true) => {
                    drive.held = true;
                    drive.held_why = "the kernel refuses ordinary writes to the whole disk and its partitions; a file system that is mounted \
                                      already, and erase commands sent past the kernel, are not stopped by it"
                        .into();
                }
                Ok(false) => drive.held_why = "the flag was set and did not take".into(),
                Err(fault) => drive.held_why = fault.to_string(),
            }
            if let Ok(facts) = bench.drive(&path) {
                for used in facts.in_use.iter().filter(|used| used.writable) {
                    tell(Event::Warn {
                        says: format!(
                            "something of {} is mounted for writing at {}",
                            drive.path.text, used.at
                        ),
                    });
                }
            }
        }
        if !symptom.is_some_and(Symptom::is_bad) {
            let seen = bench.sectors(&path).ok();
            if let Some(seen) = seen.and_then(|sectors| Fingerprint::of(sectors.as_ref())) {
                drive.take_fingerprint(&seen);
            }
        }
    }
}

/// Gives the flags back as they were, when no job came of it.
pub fn let_go(bench: &dyn Bench, drives: &[DriveKept], tell: Tell<'_>) {
    let lifted = drives
        .iter()
        .filter(|drive| drive.held && drive.was_read_only != Some(true));
    for drive in lifted {
        if let Err(fault) = bench.hold(&drive.path.path(), false) {
            tell(Event::Warn {
                says: format!(
                    "{} stays read-only in the kernel, and no job holds it: {fault}; it ends when the drive is unplugged",
                    drive.path.text
                ),
            });
        }
    }
}

/// Every other internal drive, when the machine under repair is the one that copies.
pub fn others(
    bench: &dyn Bench,
    drives: &[DriveKept],
    machine: Option<Machine>,
) -> Vec<OtherDrive> {
    if machine != Some(Machine::UnderRepair) || drives.is_empty() {
        return Vec::new();
    }
    let known: Vec<String> = drives
        .iter()
        .flat_map(|drive| drive.whole_disks().iter().cloned())
        .collect();
    // That it cannot be told is an open point; what is kept here is only what was seen.
    let others = bench.other_drives(&known).unwrap_or_default();
    others
        .into_iter()
        .map(|facts| OtherDrive {
            path: KeptPath::of(&facts.path).text,
            model: facts.model,
            serial: facts.serial,
            bytes: Some(facts.bytes),
        })
        .collect()
}

/// What the drives say of themselves replaces what the system had: the system cuts names short.
pub fn name_by_reading(job: Job<'_>) -> Result<Job<'_>, Problem> {
    let mut setup = job.setup.clone();
    for (number, drive) in setup.drives.iter_mut().enumerate() {
        let Some(reading) = crate::step::assess::newest_of(&job, number)? else {
            continue;
        };
        let told = |own: &mut Option<String>, said: &Known<String>| {
            if let Known::Value(text) = said {
                *own = Some(text.clone());
            }
        };
        told(&mut drive.model, &reading.drive.model);
        told(&mut drive.serial, &reading.drive.serial);
        told(&mut drive.firmware, &reading.drive.firmware);
        let kind: DriveKind = reading.drive.medium.into();
        if kind != DriveKind::Unknown && !drive.is_image {
            drive.kind = kind;
        }
    }
    if setup == job.setup {
        return Ok(job);
    }
    super::keep(&job.ledger, job.now(), &setup)?;
    let Job {
        bench, ledger, dir, ..
    } = job;
    Job::with(bench, ledger, dir)
}

/// The drives in the words of the interface.
pub fn shown(job: &Job<'_>) -> Result<Vec<DriveOnHold>, Problem> {
    if job.setup.drives.is_empty() {
        let Some(reading) = crate::step::assess::newest_before(job, 0, i64::MAX)?
            .filter(|_| job.setup.replies.is_some())
        else {
            return Ok(Vec::new());
        };
        let drive = &reading.drive;
        return Ok(vec![DriveOnHold {
            path: job
                .setup
                .replies
                .as_ref()
                .map(|kept| kept.text.clone())
                .unwrap_or_default(),
            raw: None,
            model: drive.model.value().cloned(),
            serial: drive.serial.value().cloned(),
            firmware: drive.firmware.value().cloned(),
            bytes: drive.bytes.get(),
            sector_bytes: drive.sector_bytes.get(),
            kind: drive.medium.into(),
            fingerprint: None,
            hold: Hold {
                kernel_read_only: false,
                why: "recorded replies describe this drive; no device is here to be held".into(),
            },
        }]);
    }
    Ok(job
        .setup
        .drives
        .iter()
        .map(|drive| {
            let path = crate::step::outcome::PathText::of(&drive.path.path());
            DriveOnHold {
                path: path.path,
                raw: path.raw,
                model: drive.model.clone(),
                serial: drive.serial.clone(),
                firmware: drive.firmware.clone(),
                bytes: Some(drive.bytes),
                sector_bytes: Some(drive.sector_bytes),
                kind: drive.kind,
                fingerprint: drive.fingerprint.map(|digest| digest.to_string()),
                hold: Hold {
                    kernel_read_only: drive.held,
                    why: drive.held_why.clone(),
                },
            }
        })
        .collect())
}
