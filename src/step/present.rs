//! The drives of a job as they are now: found, told apart from others, looked at.
//!
//! Invariant: a drive counts as the one on hold only when nothing that it tells contradicts it; a serial that
//! was told before and is not told now is no agreement. Nothing is written.

use crate::drive::reading::Reading;
use crate::job::{DriveKept, Job};
use crate::judge::gaps::State;
use crate::ledger::{Fact, FactBody, standing};
use crate::port::{DriveFacts, FaultKind, Sectors};
use crate::read::fingerprint::{Fingerprint, Likeness};
use crate::step::outcome::{Problem, Route};
use crate::value::Moment;
use std::path::Path;
use std::sync::Arc;

/// A guarded command in the ledger.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct GuardRun {
    /// Number of the fact that announced it.
    pub number: i64,
    /// When it was started.
    pub at: Moment,
    /// Which drive of the job.
    pub drive: usize,
    /// The device or image it was given.
    pub path: String,
    /// Its end stands in the ledger.
    pub ended: bool,
    /// It ended before the command itself was running.
    pub refused: bool,
    /// The kernel's flag was dealt with since.
    pub settled: bool,
}

/// Every guarded command that was announced, oldest first.
pub fn guard_runs(facts: &[Fact]) -> Vec<GuardRun> {
    let mut runs: Vec<GuardRun> = Vec::new();
    for fact in facts {
        match &fact.body {
            FactBody::GuardStarted { drive, path, .. } => runs.push(GuardRun {
                number: fact.number,
                at: fact.at,
                drive: *drive,
                path: path.clone(),
                ended: false,
                refused: false,
                settled: false,
            }),
            FactBody::HeldAgain { drive, .. } | FactBody::GivenBack { drive, .. } => {
                for run in runs.iter_mut().filter(|run| run.drive == *drive) {
                    run.settled = true;
                }
            }
            FactBody::Guarded {
                refused,
                run: Some(number),
                ..
            } => {
                if let Some(run) = runs.iter_mut().find(|run| run.number == *number) {
                    (run.ended, run.refused) = (true, refused.is_some());
                }
            }
            _ => {}
        }
    }
    runs
}

/// When a command was let loose on drive `number` since the newest release; the release is spent for that drive.
pub fn spent(facts: &[Fact], number: usize) -> Option<Moment> {
    let released = standing::released(facts)?;
    guard_runs(facts)
        .into_iter()
        .rev()
        .find(|run| run.drive == number && run.number > released.number && !run.refused)
        .map(|run| run.at)
}

/// Whether the kernel's flag of drive `number` was given back for good.
pub fn given_back(facts: &[Fact], number: usize) -> bool {
    facts
        .iter()
        .rev()
        .find_map(|fact| match fact.body {
            FactBody::GivenBack { drive, .. } if drive == number => Some(true),
            FactBody::HeldAgain { drive, .. } if drive == number => Some(false),
            _ => None,
        })
        .unwrap_or(false)
}

/// Finds drive `number` where it is said to be, else where it was, else by its serial on any connection.
///
/// # Errors
/// In words: not there, or another drive, expected and found.
pub fn find(job: &Job<'_>, number: usize, named: Option<&Path>) -> Result<DriveFacts, String> {
    let Some(kept) = job.setup.drives.get(number) else {
        return Err(format!("the job has no drive {number}"));
    };
    let known = kept.path.path();
    let why = match job.bench.drive(named.unwrap_or(&known)) {
        Ok(facts) => match contradiction(kept, &facts) {
            None => return Ok(facts),
            Some(why) => why,
        },
        Err(fault) => fault.to_string(),
    };
    if named.is_some() || kept.is_image || kept.is_loop {
        return Err(why);
    }
    let others = job.bench.every_drive().unwrap_or_default();
    let mut same = others
        .into_iter()
        .filter(|facts| facts.serial.is_some() && contradiction(kept, facts).is_none());
    match (same.next(), same.next()) {
        (Some(one), None) => {
            let facts = job.bench.drive(&one.path).map_err(|e| e.to_string())?;
            contradiction(kept, &facts).map_or(Ok(facts), Err)
        }
        (Some(_), Some(_)) => Err(format!(
            "{why}; more than one drive here tells that serial: name the right one with --drive"
        )),
        (None, _) => Err(why),
    }
}

/// Why drive `number` is plainly not here; `None` = it may be: something is in its place that does not tell another serial,
/// or tells its serial elsewhere, or that cannot be found out. Nothing is read.
pub fn away(job: &Job<'_>, number: usize) -> Option<String> {
    let kept = job.setup.drives.get(number)?;
    let told: Vec<&str> = kept
        .system_serial
        .iter()
        .chain(&kept.serial)
        .map(|s| s.trim())
        .collect();
    let why = match job.bench.drive(&kept.path.path()) {
        Ok(facts) => {
            let other = facts.serial.as_deref().map(str::trim)?;
            if told.is_empty() || told.contains(&other) {
                return None;
            }
            contradiction(kept, &facts)?
        }
        Err(fault) if matches!(fault.kind, FaultKind::Missing | FaultKind::Gone) => {
            fault.to_string()
        }
        Err(_) => return None,
    };
    if kept.is_image || kept.is_loop {
        return Some(why);
    }
    let is_it = |facts: &DriveFacts| {
        let serial = facts.serial.as_deref().map(str::trim);
        serial.is_some_and(|serial| told.contains(&serial))
    };
    let elsewhere = job.bench.every_drive().ok()?.iter().any(is_it);
    (!elsewhere).then_some(why)
}

/// Why this is not the drive on hold; `None` = nothing speaks against it.
pub fn contradiction(kept: &DriveKept, facts: &DriveFacts) -> Option<String> {
    let at = crate::job::KeptPath::of(&facts.path).text;
    let differs = |what: &str, expected: &str, found: &str| {
        Some(format!(
            "another drive is at {at}: expected {what}{expected}, found {found}"
        ))
    };
    if kept.bytes != facts.bytes {
        return differs(
            "a size of ",
            &kept.bytes.to_string(),
            &facts.bytes.to_string(),
        );
    }
    if kept.is_image != facts.is_image {
        let word = |image| if image { "an image file" } else { "a device" };
        return differs("", word(kept.is_image), word(facts.is_image));
    }
    let told: Vec<&str> = kept
        .system_serial
        .iter()
        .chain(&kept.serial)
        .map(|serial| serial.trim())
        .collect();
    match (facts.serial.as_deref().map(str::trim), &kept.system_serial) {
        (Some(now), _) if told.is_empty() || told.contains(&now) => None,
        (Some(now), _) => differs("serial ", told.first().unwrap_or(&"unknown"), now),
        (None, Some(then)) => differs("serial ", then, "none that is told"),
        (None, None) => None,
    }
}

/// The drive that `named` is, by what it tells; with one drive in the job it is that one.
pub fn which(job: &Job<'_>, named: Option<&Path>) -> Result<usize, Problem> {
    let drives = &job.setup.drives;
    let Some(named) = named else {
        return match drives.len() {
            1 => Ok(0),
            count => Err(Problem::usage(
                format!("this job holds {count} drives"),
                "--drive",
                "name the one that is meant with --drive PATH",
            )),
        };
    };
    if drives.len() == 1 {
        return Ok(0);
    }
    let facts = job.bench.drive(named).map_err(|fault| {
        crate::job::fault_problem(&fault, "name a drive of this job").on_path(named)
    })?;
    let same: Vec<usize> = (0..drives.len())
        .filter(|number| {
            drives
                .get(*number)
                .is_some_and(|kept| contradiction(kept, &facts).is_none())
        })
        .collect();
    let by_path = same.iter().copied().find(|number| {
        drives
            .get(*number)
            .is_some_and(|kept| kept.path.path() == facts.path)
    });
    match (by_path, same.as_slice()) {
        (Some(number), _) => Ok(number),
        (None, [number]) => Ok(*number),
        _ => {
            let seen = job
                .bench
                .sectors(&facts.path)
                .ok()
                .and_then(|sectors| Fingerprint::of(sectors.as_ref()));
            let by_content = same.into_iter().find(|number| {
                let kept = drives.get(*number).and_then(DriveKept::seen);
                kept.zip(seen.as_ref())
                    .is_some_and(|(kept, seen)| seen.against(&kept) == Likeness::Same)
            });
            by_content.ok_or_else(|| {
                Problem::hold(
                    "that is none of the drives of this job",
                    crate::job::KeptPath::of(named).text,
                    "look at the label, and name a drive that this shows:\nholdpoint show JOB",
                )
            })
        }
    }
}

/// The fingerprint of what is at `path` now, which should be drive `number`. A weak drive is asked for no place that it is
/// known not to give; and, unless it is to be looked at `closely`, for no more than it takes to know it again.
///
/// # Errors
/// In words: it must not be read, or does not answer.
pub fn fingerprint_now(
    job: &Job<'_>,
    facts: &[Fact],
    number: usize,
    path: &Path,
    closely: bool,
) -> Result<Fingerprint, String> {
    if crate::step::waits_for_owner(job, facts) {
        return Err(NOT_READ.into());
    }
    let sectors = job.bench.sectors(path).map_err(|fault| fault.to_string())?;
    let then = job.setup.drives.get(number).and_then(DriveKept::seen);
    let seen = match then.filter(|_| is_weak(job, facts, number)) {
        None => Fingerprint::of(sectors.as_ref()),
        Some(then) => {
            // Ranges that were edited are said as a broken ledger; here they would only spare the drive something.
            let states = job.ledger.range_states(number).unwrap_or_default();
            let sector = u64::from(sectors.sector_bytes().max(1));
            let is_bad = |at: u64, bytes: u64| {
                let end = at.saturating_add(bytes).div_ceil(sector);
                let mut parts = states.within(at / sector, end).into_iter();
                parts.any(|part| matches!(part.state, State::Refused | State::NoAnswer))
            };
            Fingerprint::of_weak(sectors.as_ref(), &then, is_bad, closely)
        }
    };
    seen.ok_or_else(|| "the drive does not answer".into())
}

/// Whether drive `number` is to be asked for as little as will do.
fn is_weak(job: &Job<'_>, facts: &[Fact], number: usize) -> bool {
    crate::step::state::route_of_drive(job, facts, number) >= Route::Gentle
}

/// Why the drive at `path` does not hold what the newest survey listed any more; `None` = everything that the survey read
/// of its tables and folders still stands there, or nobody looks: a drive on the salvage route is not read in full for a
/// check, and of one with more than a million places none is kept (then its fingerprint has to do).
///
/// # Errors
/// In words, when it cannot be looked at.
pub fn listing_changed(
    job: &Job<'_>,
    facts: &[Fact],
    number: usize,
    path: &Path,
) -> Result<Option<String>, String> {
    let may_be_read = crate::step::route_of(job, facts) <= Route::Gentle;
    if !may_be_read || crate::ledger::standing::surveyed(facts).is_none() {
        return Ok(None);
    }
    let watched = crate::step::plan::drive::watched(job, number).map_err(|p| p.to_string())?;
    let sectors = job.bench.sectors(path).map_err(|fault| fault.to_string())?;
    let same = watched
        .is_same(sectors.as_ref())
        .map_err(|fault| fault.to_string())?;
    Ok((same == Some(false))
        .then(|| "a file table or a folder is not as it was at the survey".to_owned()))
}

/// What is said where nothing is read before the owner has decided.
pub const NOT_READ: &str = "not read: by its symptom or forecast the drive should go to a specialist laboratory first, and the owner has not decided otherwise";

/// What is said of a drive that cannot be known again by its contents.
pub const TOO_LITTLE: &str = "too little of it can be read to know it again";

/// The drive on hold, ready to be read, and no other: found by what it tells, and with the contents that it had.
/// Of a drive too weak to show its contents, the same plugging in or the same serial has to do.
///
/// # Errors
/// When it is not here, another one stands in its place, or it was written to since `open`.
pub fn to_read(
    job: &Job<'_>,
    facts: &[Fact],
    number: usize,
) -> Result<(DriveFacts, Arc<dyn Sectors>), Problem> {
    let not_it = |why: String, next: &str| {
        let on = job.setup.drives.get(number).map(words).unwrap_or_default();
        Problem::failed(why, on, next)
    };
    let connect = "connect the drive on hold, then do the same again";
    let now = find(job, number, None).map_err(|why| not_it(why, connect))?;
    let sectors = job
        .bench
        .sectors(&now.path)
        .map_err(|fault| crate::job::fault_problem(&fault, connect).on_path(&now.path))?;
    let Some(kept) = job.setup.drives.get(number) else {
        return Err(not_it("the job has no such drive".into(), connect));
    };
    let same_plug = kept.sequence.is_some() && kept.sequence == now.sequence;
    // A weak drive that was never unplugged since it was known, and that nobody could write to, need not be asked.
    let is_held = same_plug && now.kernel_read_only == Some(true) && kept.fingerprint.is_some();
    let may_be_read = !crate::step::waits_for_owner(job, facts);
    if is_held && may_be_read && is_weak(job, facts, number) {
        return Ok((now, sectors));
    }
    let seen = fingerprint_now(job, facts, number, &now.path, false)
        .map_err(|why| not_it(why, connect))?;
    let likeness = kept
        .seen()
        .map_or(Likeness::Unknown, |then| seen.against(&then));
    match likeness {
        Likeness::Same => Ok((now, sectors)),
        Likeness::Different => Err(not_it(
            format!(
                "what is at {} is not what was put on hold: its contents differ",
                crate::job::KeptPath::of(&now.path).text
            ),
            "look at the label: connect the drive on hold; if this is it, something wrote to it since: open a new job for it",
        )),
        Likeness::Unknown => {
            let is_file = kept.is_image || kept.is_loop;
            if same_plug || now.serial.is_some() || (is_file && kept.fingerprint.is_none()) {
                Ok((now, sectors))
            } else {
                Err(not_it(TOO_LITTLE.into(), connect))
            }
        }
    }
}

/// A fresh health reading of the drive at `path`, where one can be had without harm: none of images and loop devices,
/// none with a bad symptom, none where recorded replies stand for the drive.
pub fn read_now(job: &Job<'_>, number: usize, path: &Path) -> Option<Reading> {
    let kept = job.setup.drives.get(number)?;
    if kept.is_image || kept.is_loop || job.has_bad_symptom() || job.setup.replies.is_some() {
        return None;
    }
    Some(crate::step::assess::ask_drive(job, kept, path, job.now()))
}

/// A drive in a few words that need no look at the ledger.
pub fn words(kept: &DriveKept) -> String {
    match (&kept.model, &kept.serial) {
        (Some(model), Some(serial)) => format!("{model}, serial {serial}"),
        (None, Some(serial)) => format!("the drive with serial {serial}"),
        _ => kept.path.text.clone(),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::value::Blake3;

    fn kept() -> DriveKept {
        serde_json::from_value(serde_json::json!({
            "path": { "text": "/dev/sdx", "raw": "" }, "name": "sdx", "is_image": false, "is_loop": false,
            "model": "Ackerwerk 500", "serial": "AK-0001-LONG", "system_serial": "AK-0001", "firmware": null,
            "bytes": 1000, "sector_bytes": 512, "kind": "disk", "fingerprint": null, "disks": ["sdx"],
            "was_read_only": false, "held": true, "held_why": ""
        }))
        .unwrap()
    }

    fn facts(serial: Option<&str>, bytes: u64) -> DriveFacts {
        DriveFacts {
            path: "/dev/sdx".into(),
            serial: serial.map(str::to_owned),
            bytes,
            ..DriveFacts::default()
        }
    }

    #[test]
    fn size_and_serial_tell_drives_apart_and_silence_is_no_agreement() {
        let kept = kept();
        let same = |facts: &DriveFacts| contradiction(&kept, facts).is_none();
        assert!(same(&facts(Some("AK-0001"), 1000)));
        assert!(same(&facts(Some("AK-0001-LONG"), 1000)));
        assert!(!same(&facts(Some("AK-0002"), 1000)));
        assert!(!same(&facts(None, 1000)));
        assert!(!same(&facts(Some("AK-0001"), 1001)));
        let image = DriveFacts {
            is_image: true,
            ..facts(Some("AK-0001"), 1000)
        };
        assert!(!same(&image));
    }

    fn fact(number: i64, body: FactBody) -> Fact {
        Fact {
            number,
            at: Moment::from_seconds(1_800_000_000 + number),
            body,
            hash: Blake3([0; 32]),
        }
    }

    fn started(drive: usize) -> FactBody {
        FactBody::GuardStarted {
            drive,
            path: "/dev/sdx".into(),
            command: Vec::new(),
        }
    }

    fn again(drive: usize) -> FactBody {
        FactBody::HeldAgain {
            drive,
            held: true,
            why: String::new(),
        }
    }

    fn ended(run: i64, refused: Option<&str>) -> FactBody {
        FactBody::Guarded {
            run: (run > 0).then_some(run),
            command: Vec::new(),
            exit: None,
            refused: refused.map(str::to_owned),
            dry_run: false,
        }
    }

    fn released() -> FactBody {
        FactBody::Released {
            certificate: Blake3([0; 32]),
            manifest_root: None,
            expires: Moment::from_seconds(1_900_000_000),
            signed: false,
        }
    }

    fn facts_of(bodies: Vec<FactBody>) -> Vec<Fact> {
        (1..).zip(bodies).map(|(n, body)| fact(n, body)).collect()
    }

    #[test]
    fn a_release_is_spent_by_what_ran_not_by_what_was_refused() {
        let spent = |bodies| spent(&facts_of(bodies), 0).is_some();
        assert!(!spent(vec![released()]));
        assert!(!spent(vec![released(), ended(0, Some("expired"))]));
        assert!(spent(vec![released(), started(0)]));
        assert!(spent(vec![
            released(),
            started(0),
            again(0),
            ended(2, None)
        ]));
        assert!(!spent(vec![
            released(),
            started(1),
            again(1),
            ended(2, None)
        ]));
        assert!(!spent(vec![
            released(),
            started(0),
            again(0),
            ended(2, Some("no such program"))
        ]));
        assert!(!spent(vec![
            released(),
            started(0),
            again(0),
            ended(2, None),
            released()
        ]));
        // Cut off, then a later attempt was refused: it stays spent.
        assert!(spent(vec![
            released(),
            started(0),
            again(0),
            ended(0, Some("spent"))
        ]));
    }

    #[test]
    fn a_run_that_was_cut_off_shows_until_the_flag_is_dealt_with() {
        let open = |bodies| guard_runs(&facts_of(bodies)).iter().any(|run| !run.settled);
        assert!(open(vec![released(), started(0)]));
        assert!(open(vec![released(), started(0), again(1)]));
        assert!(!open(vec![released(), started(0), again(0)]));
    }
}
