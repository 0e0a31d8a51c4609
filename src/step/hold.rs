//! The hold that the kernel's read-only flag is: put right before a step works on a job, given back at its end.
//!
//! Invariant: the flag is set only on a drive that is known to be the one on hold, and never while a guarded
//! command runs. Every setting and giving back is a fact.
//!
//! The flag does not outlive an unplugging, nor a start of the machine. So every command that works on a job looks
//! first whether each drive still has it, and sets it again where it is lost. After a guarded command the flag is
//! set again too; it goes back to what it was before `open` with `close`, because until then somebody may
//! still want to look at what the wipe left. Unplugging the drive or starting the machine anew ends it as well.

use crate::job::{DriveKept, Job, KeptPath, ledger_problem};
use crate::ledger::{Fact, FactBody};
use crate::port::DriveFacts;
use crate::read::fingerprint::Likeness;
use crate::step::event::{Event, Tell};
use crate::step::outcome::Problem;
use crate::step::present;

/// Name of the file that a guard locks while it works.
pub const GUARD_LOCK: &str = "guard.lock";

/// Makes a job ready for a step: a flag that a guard left lifted is set again, a flag that was lost is set again,
/// a drive that came back under another name is known again by serial and fingerprint.
///
/// # Errors
/// When the ledger cannot be read or written. What could not be put right is told, and stays an open point.
pub fn ready<'b>(job: Job<'b>, tell: Tell<'_>) -> Result<Job<'b>, Problem> {
    if job.setup.drives.is_empty() {
        return Ok(job);
    }
    let Ok(facts) = job.ledger.facts() else {
        // A broken record is for the gate to say; nothing is added to it.
        return Ok(job);
    };
    let cut_off: Vec<_> = present::guard_runs(&facts)
        .into_iter()
        .filter(|run| !run.settled)
        .collect();
    // Held while this looks, so that no guard starts in between.
    let lock = job.bench.lock(&job.dir.join(GUARD_LOCK));
    if matches!(lock, Ok(None)) {
        if !cut_off.is_empty() {
            tell(Event::Warn {
                says: "a guarded command is running on a drive of this job just now".into(),
            });
        }
        return Ok(job);
    }
    for run in &cut_off {
        let Some(kept) = job.setup.drives.get(run.drive) else {
            continue;
        };
        tell(Event::Warn {
            says: format!(
                "the guard of {} was cut off at work (begun {:.0}): the kernel's flag may still be lifted, the command may \
                 have written to the drive, and the release is spent",
                present::words(kept),
                run.at
            ),
        });
        if kept.is_image {
            job.record(&FactBody::HeldAgain {
                drive: run.drive,
                held: false,
                why: "an image file has no kernel flag; a guard was cut off".into(),
            })?;
        } else {
            // The command may have changed the contents: what is known of the drive by itself has to do.
            match present::find(&job, run.drive, None) {
                Ok(now) => set(&job, run.drive, kept, &now, "a guard was cut off", tell)?,
                Err(why) => tell(Event::Warn {
                    says: format!("{why}; a drive that was unplugged has lost the flag anyway"),
                }),
            }
        }
    }
    let mut setup = job.setup.clone();
    for (number, kept) in setup.drives.iter_mut().enumerate() {
        let done = present::spent(&facts, number).is_some() || present::given_back(&facts, number);
        if kept.is_image || done || cut_off.iter().any(|run| run.drive == number) {
            continue;
        }
        let Ok(now) = present::find(&job, number, None) else {
            continue;
        };
        let moved = now.path != kept.path.path();
        if !moved && now.kernel_read_only == Some(true) {
            continue;
        }
        if !surely(&job, &facts, number, kept, &now) {
            continue;
        }
        if moved {
            tell(Event::Warn {
                says: format!(
                    "{} is now at {} (it was at {})",
                    present::words(kept),
                    KeptPath::of(&now.path).text,
                    kept.path.text
                ),
            });
            kept.path = KeptPath::of(&now.path);
            kept.name.clone_from(&now.name);
            kept.disks.clone_from(&now.disks);
        }
        kept.sequence = now.sequence;
        if now.kernel_read_only != Some(true) {
            set(&job, number, kept, &now, "the kernel's flag was off", tell)?;
        }
    }
    renew(job, setup)
}

/// The drive, and no other behind its name: this plugging in is the one that was held, or serial or fingerprint agree.
fn surely(
    job: &Job<'_>,
    facts: &[Fact],
    number: usize,
    kept: &DriveKept,
    now: &DriveFacts,
) -> bool {
    let same_plug = kept.sequence.is_some() && kept.sequence == now.sequence;
    if same_plug && now.path == kept.path.path() {
        return true;
    }
    match kept.seen() {
        Some(then) => present::fingerprint_now(job, facts, number, &now.path, false)
            .is_ok_and(|seen| seen.against(&then) == Likeness::Same),
        // Without a fingerprint only a serial in the old place will do: docks lend one serial to many drives.
        None => now.serial.is_some() && now.path == kept.path.path(),
    }
}

fn set(
    job: &Job<'_>,
    drive: usize,
    kept: &DriveKept,
    now: &DriveFacts,
    reason: &str,
    tell: Tell<'_>,
) -> Result<(), Problem> {
    let (held, why) = match job.bench.hold(&now.path, true) {
        Ok(true) => (true, format!("{reason}; set again")),
        Ok(false) => (false, format!("{reason}; set again, and it did not take")),
        Err(fault) => (false, format!("{reason}; {fault}")),
    };
    tell(Event::Warn {
        says: format!("{}: {why}", present::words(kept)),
    });
    // A failure is said each time and recorded as what it is: not settled.
    if held {
        job.record(&FactBody::HeldAgain { drive, held, why })?;
    }
    Ok(())
}

fn renew<'b>(job: Job<'b>, setup: crate::job::Setup) -> Result<Job<'b>, Problem> {
    if setup == job.setup {
        return Ok(job);
    }
    crate::step::open::keep(&job.ledger, job.now(), &setup)?;
    let Job {
        bench, ledger, dir, ..
    } = job;
    Job::with(bench, ledger, dir)
}

/// Takes the fingerprint of drives that have none yet, now that they may be read.
///
/// # Errors
/// When the ledger cannot be read or written.
pub fn fingerprints(job: Job<'_>) -> Result<Job<'_>, Problem> {
    let lacking = |kept: &DriveKept| kept.fingerprint.is_none();
    if !job.setup.drives.iter().any(lacking) {
        return Ok(job);
    }
    let facts = job.ledger.facts().map_err(|e| ledger_problem(&e))?;
    let mut setup = job.setup.clone();
    for (number, kept) in setup.drives.iter_mut().enumerate() {
        if !lacking(kept) || present::spent(&facts, number).is_some() {
            continue;
        }
        if let Ok(now) = present::find(&job, number, None)
            && let Ok(seen) = present::fingerprint_now(&job, &facts, number, &now.path, true)
        {
            kept.take_fingerprint(&seen);
        }
    }
    renew(job, setup)
}

/// Opens the job in `dir` for work, with its hold put right.
///
/// # Errors
/// As [`Job::open`] and [`ready`].
pub fn open<'b>(
    bench: &'b dyn crate::port::Bench,
    dir: &std::path::Path,
    tell: Tell<'_>,
) -> Result<Job<'b>, Problem> {
    ready(Job::open(bench, dir)?, tell)
}

/// Gives the kernel's flag of every drive back as it was before `open`; what could not be given back is returned in words.
/// Done once for each drive; a second call changes nothing. A drive that is not here has lost the flag with its unplugging.
///
/// # Errors
/// When the ledger cannot be read or written.
pub fn give_back_holds(job: &Job<'_>) -> Result<Vec<String>, Problem> {
    let facts = job.ledger.facts().map_err(|e| ledger_problem(&e))?;
    let mut warnings = Vec::new();
    for (number, kept) in job.setup.drives.iter().enumerate() {
        if kept.is_image || present::given_back(&facts, number) {
            continue;
        }
        let held_since = facts.iter().any(
            |fact| matches!(fact.body, FactBody::HeldAgain { drive, held: true, .. } if drive == number),
        );
        if !kept.held && !held_since {
            continue;
        }
        let wanted = kept.was_read_only == Some(true);
        let (read_only, why) = match present::find(job, number, None) {
            Err(why) => (None, why),
            Ok(now) if now.kernel_read_only == Some(wanted) => {
                (Some(wanted), "it is as it was before".to_owned())
            }
            Ok(now) => match job.bench.hold(&now.path, wanted) {
                Ok(set) => (Some(set), "given back as it was before".to_owned()),
                Err(fault) => {
                    warnings.push(format!("{}: {fault}", present::words(kept)));
                    continue;
                }
            },
        };
        job.record(&FactBody::GivenBack {
            drive: number,
            read_only,
            why,
        })?;
    }
    Ok(warnings)
}
