//! `assess`: reads health, computes the forecast, decides the route.
//!
//! Invariant: every reading keeps its raw bytes; "could not be read" is a result of its own and
//! never good news. With a bad symptom nothing is asked beyond identity and health.

mod judged;
mod readings;
mod sampled;
mod shown;

pub use judged::{hazard_key, judge_again, pace_key};
pub use readings::{edited, is_locked, keep, newest_before, newest_of, refuse_another_drive};
pub use shown::{drive_words, forecast_of, serial_words};

use crate::drive::asking::{Bus, Hint};
use crate::drive::question::{Question, Reply};
use crate::drive::reading::Reading;
use crate::drive::signal::SignalId;
use crate::job::{DriveKept, Job, fault_problem, ledger_problem};
use crate::port::Transport;
use crate::step::event::{Event, Step, Tell};
use crate::step::outcome::{Assessed, Outcome, Problem};
use crate::step::request::AssessRequest;
use crate::value::{Known, Moment};
use std::path::Path;

/// Reports nothing: what stands for a drive that nobody can ask.
struct Silent;

impl Transport for Silent {
    fn ask(&mut self, _: Question) -> Reply {
        Reply::NotReported
    }

    fn says(&self) -> String {
        "nothing that could be asked".into()
    }
}

/// Reads health and decides the route, drive by drive.
pub fn assess(
    job: &Job<'_>,
    request: &AssessRequest,
    tell: Tell<'_>,
) -> Result<Outcome<Assessed>, Problem> {
    let known = job.ledger.facts().map_err(|e| ledger_problem(&e))?;
    crate::step::refuse_closing(job, &known)?;
    tell(Event::Started { step: Step::Assess });
    let mut drives = Vec::new();
    for drive in 0..drive_count(job) {
        let reading = take(job, drive, request.replies.as_deref())?;
        if request.sampling {
            sampled::take(job, drive, &reading, tell)?;
        }
        keep(job, drive, &reading, false)?;
        if let Some((standing, forecast, decision)) = judged::judge_drive(job, drive)? {
            let judged = &standing.reading;
            drives.push(shown::shown(
                job, drive, &reading, judged, &forecast, &decision,
            )?);
        }
    }
    for warning in job.snapshot() {
        tell(Event::Warn { says: warning });
    }
    tell(Event::Finished);
    Ok(Outcome::done(
        &job.dir,
        Assessed { drives },
        crate::step::points_now(job)?,
    ))
}

/// How many drives are read and judged; a folder job has one, which may be unknown.
pub fn drive_count(job: &Job<'_>) -> usize {
    job.setup.drives.len().max(1)
}

/// Takes one reading: from the replies named now, from those named at `open`, from the device, or from nothing.
///
/// # Errors
/// When the replies cannot be opened, or what answers is another drive than the job's.
pub fn take(job: &Job<'_>, drive: usize, replies: Option<&Path>) -> Result<Reading, Problem> {
    let at = job.now();
    let kept = job.setup.replies.as_ref().map(crate::job::KeptPath::path);
    if let Some(path) = replies.map(Path::to_owned).or(kept) {
        let mut transport = job.bench.replies(&path).map_err(|fault| {
            fault_problem(&fault, "name a folder of recorded replies").on_path(&path)
        })?;
        let reading = Reading::take(transport.as_mut(), at, &Hint::recorded());
        if described(job, &reading) == drive {
            refuse_another_drive(job, drive, &reading)?;
            return Ok(reading);
        }
    }
    let reading = match job.setup.drives.get(drive) {
        Some(kept) => ask_drive(job, kept, &kept.path.path(), at),
        None => {
            let why = "this job holds a folder, so there is no drive to ask, and no recorded replies were named".to_owned();
            // Nothing was asked at all, so the reason is ours, not any page's.
            nobody_asked(Reading::take(&mut Silent, at, &Hint::default()), why)
        }
    };
    refuse_another_drive(job, drive, &reading)?;
    Ok(reading)
}

/// Which drive of the job recorded replies describe: the one that has their serial; else the first.
fn described(job: &Job<'_>, reading: &Reading) -> usize {
    let told = reading.drive.serial.value().map(|serial| serial.trim());
    let has = |kept: &DriveKept| {
        let known = kept.serial.iter().chain(&kept.system_serial);
        known
            .map(|serial| serial.trim())
            .any(|serial| Some(serial) == told)
    };
    job.setup.drives.iter().position(has).unwrap_or(0)
}

/// Asks a drive at `path`; a drive that cannot be asked has a reading that says why.
pub fn ask_drive(job: &Job<'_>, kept: &DriveKept, path: &Path, at: Moment) -> Reading {
    match job.bench.transport(path) {
        Ok(mut transport) => {
            // Beneath an opened volume it is the disk there that is asked.
            let beneath = kept.disks.first().filter(|_| kept.is_stack);
            let bus = match beneath.unwrap_or(&kept.name).as_str() {
                name if name.starts_with("nvme") => Some(Bus::Nvme),
                name if name.starts_with("mmcblk") => Some(Bus::Mmc),
                name if name.starts_with("sd") => Some(Bus::Scsi),
                _ => None,
            };
            let hint = Hint {
                bus,
                recorded: false,
                bytes: Some(kept.bytes).filter(|_| !kept.is_stack),
                sector_bytes: Some(kept.sector_bytes),
            };
            of_this(kept, Reading::take(transport.as_mut(), at, &hint))
        }
        Err(fault) => nobody_asked(
            Reading::take(&mut Silent, at, &Hint::default()),
            fault.to_string(),
        ),
    }
}

/// A reading of the disk beneath an opened volume tells how long that lasts, not which volume this is: the disk holds more,
/// and its name and serial must never stand for the volume.
fn of_this(kept: &DriveKept, mut reading: Reading) -> Reading {
    if kept.is_stack {
        let drive = &mut reading.drive;
        drive.model = Known::NotReported;
        drive.serial = Known::NotReported;
        drive.firmware = Known::NotReported;
        drive.bytes = Known::NotReported;
    }
    reading
}

fn nobody_asked(mut reading: Reading, why: String) -> Reading {
    for signal in &mut reading.signals {
        if signal.id == SignalId::HealthUnread {
            signal.says = format!("health could not be read: {why}");
        }
    }
    reading.why_not = Some(why);
    reading
}

/// Takes and keeps a first reading of every drive that can be asked, at `open`.
pub fn first_readings(job: &Job<'_>) -> Result<(), Problem> {
    if job.setup.replies.is_none() && job.setup.drives.is_empty() {
        return Ok(());
    }
    for drive in 0..drive_count(job) {
        let reading = take(job, drive, None)?;
        keep(job, drive, &reading, false)?;
    }
    Ok(())
}
