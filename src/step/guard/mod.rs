//! `guard`: runs a wiping command only for a released drive, only against that very drive.
//!
//! Invariant: nothing is started unless the certificate, the recheck and the drive at hand agree at that moment. The
//! kernel's flag is lifted for that one command and set again on every way out; that it may be lifted stands in the
//! ledger before it is. A release is spent by the command that it let through.
//!
//! What it cannot stop: whoever has root's rights can lift the flag, erase commands that are passed through to the drive
//! need no flag lifted, and a command's own words are looked at for device names but not understood.

mod words;

use crate::job::{DriveKept, Job, KeptPath, ledger_problem};
use crate::ledger::{FactBody, LedgerError};
use crate::paper::certificate::{CertificateBody, Effect};
use crate::port::{DeviceNamed, DriveFacts, Grip};
use crate::step::hold::GUARD_LOCK;
use crate::step::outcome::{Exit, Guarded, OpenPoint, Outcome, Problem, Who};
use crate::step::request::GuardRequest;
use crate::step::{present, recheck};
use std::ffi::OsString;
use std::path::Path;

/// How many reasons a refusal names.
const MOST_REASONS: usize = 4;

/// What a command that may run needs.
struct Allowed {
    drive: usize,
    grip: Box<dyn Grip>,
    command: Vec<OsString>,
    path: String,
}

/// A refusal in words.
struct Refused(String);

impl From<String> for Refused {
    fn from(why: String) -> Self {
        Self(why)
    }
}

/// Refused, or a problem of the program's surroundings.
enum Stop {
    Refused(Refused),
    Problem(Problem),
}

impl From<Problem> for Stop {
    fn from(problem: Problem) -> Self {
        Stop::Problem(problem)
    }
}

fn refuse<T>(why: impl Into<String>) -> Result<T, Stop> {
    Err(Stop::Refused(Refused(why.into())))
}

/// Checks everything; then, unless it is a dry run, runs the command and records how it ended.
///
/// # Errors
/// [`Problem`] when the command line makes no sense or the record cannot be kept. A refusal is a result.
pub fn guard(job: &Job<'_>, request: &GuardRequest) -> Result<Outcome<Guarded>, Problem> {
    let place = words::place(&request.command)?;
    // One guard at a time; the lock ends with this process, so that a crash shows.
    let lock = job.bench.lock(&job.dir.join(GUARD_LOCK)).map_err(|fault| {
        crate::job::fault_problem(&fault, "look whether the job's folder can be written to")
            .on_path(&job.dir)
    })?;
    let allowed = match &lock {
        None => refuse("another guarded command of this job is running"),
        Some(_) => allow(job, request, place),
    };
    let allowed = match allowed {
        Ok(allowed) => allowed,
        Err(Stop::Problem(problem)) => return Err(problem),
        Err(Stop::Refused(Refused(why))) => return refused(job, request, None, why),
    };
    if request.dry_run {
        job.record(&FactBody::Guarded {
            command: words::recorded(&request.command),
            exit: None,
            refused: None,
            dry_run: true,
            run: None,
        })?;
        let result = Guarded {
            ran: false,
            exit: None,
            refused: None,
        };
        return Ok(Outcome::done(&job.dir, result, Vec::new()));
    }
    run(job, request, &allowed)
}

fn refused(
    job: &Job<'_>,
    request: &GuardRequest,
    run: Option<i64>,
    why: String,
) -> Result<Outcome<Guarded>, Problem> {
    job.record(&FactBody::Guarded {
        command: words::recorded(&request.command),
        exit: None,
        refused: Some(why.clone()),
        dry_run: request.dry_run,
        run,
    })?;
    let points = crate::step::points_now(job)?;
    let result = Guarded {
        ran: false,
        exit: None,
        refused: Some(why),
    };
    Ok(Outcome::done(&job.dir, result, points).ending(Exit::Hold))
}

/// Everything that has to be so before a command may run.
fn allow(job: &Job<'_>, request: &GuardRequest, place: (usize, usize)) -> Result<Allowed, Stop> {
    if job.setup.drives.is_empty() {
        return refuse(
            "this job holds a folder, and a folder's release never covers the drive beneath it; open a job for the whole drive",
        );
    }
    let drive = present::which(job, request.drive.as_deref())?;
    let Some(kept) = job.setup.drives.get(drive) else {
        return refuse("the job does not know that drive");
    };
    let now = match present::find(job, drive, request.drive.as_deref()) {
        Ok(now) => now,
        Err(why) => return refuse(format!("the drive on hold is not here: {why}")),
    };
    // Held from here on, so that what is checked now and what the command gets are one and the same.
    let grip = match job.bench.grip(&now.path) {
        Ok(grip) => grip,
        Err(fault) => return refuse(fault.to_string()),
    };
    released(job, kept, drive, &now.path)?;
    apart(job, kept, &now)?;
    if let Err(fault) = grip.alone() {
        return refuse(fault.to_string());
    }
    other_devices(job, request)?;
    let path = match grip.path() {
        Ok(path) => path,
        Err(fault) => return refuse(fault.to_string()),
    };
    Ok(Allowed {
        drive,
        command: words::filled(&request.command, place, &path),
        path: KeptPath::of(&now.path).text,
        grip,
    })
}

/// The newest release holds for this drive as it is now, and its certificate is one that lets a command through.
fn released(job: &Job<'_>, kept: &DriveKept, drive: usize, path: &Path) -> Result<(), Stop> {
    let (holds, changed, _) = recheck::judge(job, Some(path), Some(drive))?;
    if !holds {
        let mut reasons: Vec<String> = changed
            .iter()
            .take(MOST_REASONS)
            .map(crate::step::outcome::Change::in_words)
            .collect();
        if changed.len() > MOST_REASONS {
            reasons.push(format!("and {} more", changed.len() - MOST_REASONS));
        }
        return refuse(format!("the release does not hold: {}", reasons.join("; ")));
    }
    let body =
        recheck::certificate_bytes(job).and_then(|bytes| CertificateBody::parse(&bytes).ok());
    match body {
        Some(body) if !body.holds_at(job.now()) => refuse(format!(
            "the certificate is in force from {:.0} to {:.0}, and it is {:.0}",
            body.issued,
            body.expires,
            job.now()
        )),
        Some(body) if body.effect == Effect::Practice && !kept.is_image => refuse(
            "the certificate was made for practice and releases nothing; it is accepted for image files only",
        ),
        Some(_) => Ok(()),
        None => refuse("the certificate cannot be read"),
    }
}

/// Nothing of the drive is in use, and no copy lies on it.
fn apart(job: &Job<'_>, kept: &DriveKept, now: &DriveFacts) -> Result<(), Stop> {
    let copies = &job.setup.destinations;
    // An image file and a loop device lie *on* a disk that a copy may lie on too: only what is on the drive itself counts.
    if !now.is_image && !now.is_loop {
        for (number, copy) in copies.iter().enumerate() {
            let disks = job
                .destination(number)
                .and_then(|destination| destination.facts())
                .map(|facts| facts.disks);
            match disks {
                Ok(disks) if !disks.iter().any(|disk| now.disks.contains(disk)) => {}
                Ok(_) => {
                    return refuse(format!(
                        "the copy at {} lies on this very drive",
                        copy.to.text
                    ));
                }
                Err(fault) => return refuse(fault.to_string()),
            }
        }
    }
    let Some(used) = now.in_use.first() else {
        return Ok(());
    };
    let on_it = (copies.iter()).find(|copy| copy.folder.path().starts_with(&used.point));
    let copy = on_it
        .map(|copy| format!("; the copy at {} lies there", copy.to.text))
        .unwrap_or_default();
    refuse(format!(
        "something of {} is in use at {}{copy}; unmount or detach it first",
        present::words(kept),
        used.at
    ))
}

/// No other word of the command names a device.
fn other_devices(job: &Job<'_>, request: &GuardRequest) -> Result<(), Stop> {
    let named = |path: &Path| job.bench.device_named(path);
    let plain = words::may_name(&request.command);
    let nodes = words::may_name_node(&request.command);
    let found = plain.iter().find(|path| named(path).is_some()).or_else(|| {
        nodes
            .iter()
            .find(|path| named(path) == Some(DeviceNamed::Block))
    });
    match found {
        None => Ok(()),
        Some(path) => refuse(format!(
            "the command names the device {} besides {{drive}}; only the released drive may stand in it",
            KeptPath::of(path).text
        )),
    }
}

/// Sets the kernel's flag again when it goes, whatever the way out is.
struct Lifted<'a> {
    grip: &'a dyn Grip,
    done: bool,
}

impl Lifted<'_> {
    fn end(mut self) -> (bool, String) {
        self.done = true;
        match self.grip.set_read_only(true) {
            Ok(true) => (true, "after a guarded command".to_owned()),
            Ok(false) => (false, "an image file has no kernel flag".to_owned()),
            Err(fault) => (false, fault.to_string()),
        }
    }
}

impl Drop for Lifted<'_> {
    fn drop(&mut self) {
        if !self.done {
            // Nothing can be said on this way out; the next start looks again.
            let _ = self.grip.set_read_only(true);
        }
    }
}

fn run(
    job: &Job<'_>,
    request: &GuardRequest,
    allowed: &Allowed,
) -> Result<Outcome<Guarded>, Problem> {
    let command = words::recorded(&request.command);
    let is_image = job
        .setup
        .drives
        .get(allowed.drive)
        .is_some_and(|kept| kept.is_image);
    let started = FactBody::GuardStarted {
        drive: allowed.drive,
        path: allowed.path.clone(),
        command: command.clone(),
    };
    let at = job.now();
    let number = job
        .ledger
        .transaction::<_, LedgerError>(|ledger| Ok(ledger.record(at, &started)?.number))
        .map_err(|e| ledger_problem(&e))?;
    let lifted = Lifted {
        grip: allowed.grip.as_ref(),
        done: false,
    };
    let ran = allowed.grip.set_read_only(false).and_then(|_| {
        job.bench
            .run_command(&allowed.command, request.output_aside)
    });
    let (held, why) = lifted.end();
    // The flag first, the record after: a full disk must not leave the drive open to writing.
    job.record(&FactBody::HeldAgain {
        drive: allowed.drive,
        held,
        why: why.clone(),
    })?;
    let exit = match ran {
        Ok(exit) => exit,
        Err(fault) => return refused(job, request, Some(number), fault.to_string()),
    };
    job.record(&FactBody::Guarded {
        command,
        exit,
        refused: None,
        dry_run: false,
        run: Some(number),
    })?;
    // The record on the other destinations is the older one until the next step; that loses nothing.
    let warnings = job.snapshot();
    let mut points = Vec::new();
    if !held && !is_image {
        points.push(OpenPoint {
            id: "hold-not-set".to_owned(),
            says: format!(
                "the kernel's flag of {} could not be set again",
                allowed.path
            ),
            lost: "nothing of this job; the drive can be written to".to_owned(),
            evidence: why,
            remedy: format!("holdpoint recheck {}", job.typed()),
            who: Who::Nobody,
            count: 1,
        });
    }
    let result = Guarded {
        ran: true,
        exit,
        refused: None,
    };
    let ending = if exit == Some(0) {
        Exit::Done
    } else {
        Exit::Failed
    };
    Ok(Outcome::done(&job.dir, result, points)
        .ending(ending)
        .warning(warnings))
}
