//! The readings of a job: kept raw in the ledger, read back, and brought together to what a drive is judged by.
//!
//! Invariant: a reading counts only as the chain of facts holds it. What a drive once told stays told: a later reading
//! that could not be made, or that tells less, never makes it milder.

use crate::drive::reading::{Reading, StoredReading};
use crate::drive::signal::SignalId;
use crate::job::{Job, ledger_problem};
use crate::ledger::{Fact, FactBody, LedgerError, standing};
use crate::step::outcome::Problem;
use crate::value::Blake3;

/// A reading in the ledger.
#[derive(Debug, Clone, Copy)]
struct Place {
    fact: i64,
    reading: i64,
    readable: bool,
    copying: bool,
    digest: Blake3,
}

fn digest(text: &str) -> Blake3 {
    Blake3(*blake3::hash(text.as_bytes()).as_bytes())
}

fn key(reading: i64) -> String {
    format!("reading-{reading}")
}

/// Keeps a reading in the ledger, raw and as shown; `copying` = taken while the drive is being copied.
///
/// # Errors
/// When the ledger cannot be read or written.
pub fn keep(job: &Job<'_>, drive: usize, reading: &Reading, copying: bool) -> Result<(), Problem> {
    let facts = job.ledger.facts().map_err(|e| ledger_problem(&e))?;
    let number = 1 + facts
        .iter()
        .filter(|fact| matches!(fact.body, FactBody::Read { .. }))
        .count() as i64;
    let value = serde_json::json!({ "drive": drive, "stored": reading.stored(), "report": reading.report() });
    let text = value.to_string();
    let body = FactBody::Read {
        drive,
        reading: number,
        readable: reading.readable,
        why_not: unread(reading),
        digest: digest(&text),
        copying,
    };
    let at = job.now();
    job.ledger
        .transaction::<_, LedgerError>(|ledger| {
            ledger.set(&key(number), &text)?;
            ledger.record(at, &body).map(|_| ())
        })
        .map_err(|e| ledger_problem(&e))
}

/// Why nothing is known of the health: it could not be read, or the pages hold none of the counts that matter.
fn unread(reading: &Reading) -> Option<String> {
    let said = reading
        .signals
        .iter()
        .find(|signal| signal.id == SignalId::HealthUnread)
        .map(|signal| signal.says.clone());
    reading.why_not.clone().or(said)
}

/// Where the readings of a drive stand, oldest first, of those recorded before fact number `before`.
fn places(facts: &[Fact], wanted: usize, before: i64) -> Vec<Place> {
    facts
        .iter()
        .filter(|fact| fact.number < before)
        .filter_map(|fact| match fact.body {
            FactBody::Read {
                drive,
                reading,
                readable,
                copying,
                digest,
                ..
            } if drive == wanted => Some(Place {
                fact: fact.number,
                reading,
                readable,
                copying,
                digest,
            }),
            _ => None,
        })
        .collect()
}

/// A reading's text, if it is the one that the chain holds; else what is wrong.
fn text_of(job: &Job<'_>, place: Place) -> Result<Result<String, String>, LedgerError> {
    let Place { reading, fact, .. } = place;
    Ok(match job.ledger.get(&key(reading))? {
        None => Err(format!(
            "reading {reading} of fact {fact} is not in the ledger any more"
        )),
        Some(text) if digest(&text) != place.digest => Err(format!(
            "reading {reading} is not the one that fact {fact} holds the digest of"
        )),
        Some(text) => Ok(text),
    })
}

fn load(job: &Job<'_>, place: Place) -> Result<Reading, Problem> {
    let broken = |what: String| {
        Problem::failed(
            what,
            job.setup.name.clone(),
            "the record was changed by hand: keep the copies as they are, open a new job and copy again",
        )
    };
    let text = text_of(job, place)
        .map_err(|e| ledger_problem(&e))?
        .map_err(broken)?;
    let value: serde_json::Value =
        serde_json::from_str(&text).map_err(|e| broken(e.to_string()))?;
    let stored = serde_json::from_value::<StoredReading>(value["stored"].clone());
    let reading = stored
        .map(StoredReading::decode)
        .map_err(|e| broken(e.to_string()))?;
    let of = value["drive"]
        .as_u64()
        .and_then(|of| usize::try_from(of).ok());
    Ok(match of.and_then(|of| job.setup.drives.get(of)) {
        Some(kept) => super::of_this(kept, reading),
        None => reading,
    })
}

/// The first reading, or the first forecast, that is not what the chain of facts holds; `None` = all are.
///
/// # Errors
/// When the ledger cannot be read.
pub fn edited(job: &Job<'_>, facts: &[Fact]) -> Result<Option<String>, Problem> {
    if standing::is_closing(facts) {
        return Ok(None);
    }
    for drive in 0..super::drive_count(job) {
        for place in places(facts, drive, i64::MAX) {
            if let Err(what) = text_of(job, place).map_err(|e| ledger_problem(&e))? {
                return Ok(Some(what));
            }
        }
        let made = facts.iter().rev().find_map(|fact| match fact.body {
            FactBody::Forecast {
                drive: of,
                explained,
                ..
            } if of == drive => Some(explained),
            _ => None,
        });
        if let Some(made) = made {
            let kept = job.ledger.get(&super::judged::forecast_key(drive));
            let kept = kept.map_err(|e| ledger_problem(&e))?;
            if kept.is_none_or(|text| digest(&text) != made) {
                return Ok(Some(format!(
                    "the forecast of drive {} is not the one that the fact about it holds the digest of",
                    drive + 1
                )));
            }
        }
    }
    Ok(None)
}

/// The newest reading of a drive, whether it could be made or not, decoded again from its raw bytes.
///
/// # Errors
/// When the ledger cannot be read, or the reading is not the one that the chain holds.
pub fn newest_of(job: &Job<'_>, drive: usize) -> Result<Option<Reading>, Problem> {
    let facts = job.ledger.facts().unwrap_or_default();
    let newest = places(&facts, drive, i64::MAX).last().copied();
    newest.map(|place| load(job, place)).transpose()
}

/// The newest reading of a drive that could be made, of those recorded before fact number `before`; without one, the newest.
///
/// # Errors
/// As [`newest_of`].
pub fn newest_before(job: &Job<'_>, drive: usize, before: i64) -> Result<Option<Reading>, Problem> {
    let facts = job.ledger.facts().unwrap_or_default();
    let places = places(&facts, drive, before);
    let readable = places.iter().rev().find(|place| place.readable);
    readable
        .or(places.last())
        .map(|place| load(job, *place))
        .transpose()
}

/// What a drive is judged by.
pub struct Standing {
    /// The newest reading that could be made, compared with those before it; when none could, the newest.
    pub reading: Reading,
    /// The counts of bad media rose since the copying began.
    pub grew_copying: bool,
}

/// What a drive is judged by now; `None` = no reading was ever taken.
///
/// # Errors
/// As [`newest_of`].
pub fn standing(job: &Job<'_>, drive: usize) -> Result<Option<Standing>, Problem> {
    let facts = job.ledger.facts().map_err(|e| ledger_problem(&e))?;
    let all = places(&facts, drive, i64::MAX);
    let Some(newest) = all.last().copied() else {
        return Ok(None);
    };
    let readable: Vec<Place> = all.iter().copied().filter(|place| place.readable).collect();
    let pace = super::sampled::share(&facts, drive);
    let paced = |reading: Reading| match pace {
        Some(share) => reading.with_pace(share),
        None => reading,
    };
    let Some((told, before)) = readable.split_last() else {
        return Ok(Some(Standing {
            reading: paced(load(job, newest)?),
            grew_copying: false,
        }));
    };
    let mut reading = load(job, *told)?;
    // The first, the last before the copying began, and the one before: between them nothing that grew is missed.
    let began = copying_began(&facts, &all);
    let last = |place: Option<&Place>| place.map(|place| place.reading);
    let base = before.iter().rev().find(|place| place.fact < began);
    let mut wanted = vec![last(before.first()), last(base), last(before.last())];
    wanted.dedup();
    let mut grew_copying = false;
    for number in wanted.into_iter().flatten() {
        let Some(place) = before.iter().find(|place| place.reading == number) else {
            continue;
        };
        let earlier = load(job, *place)?;
        let same = reading.drive.contradiction(&earlier.drive).is_none();
        let within = told.fact > began && base.is_none_or(|base| place.fact >= base.fact);
        grew_copying |= same && within && reading.grew_since(&earlier);
        reading = reading.since(&earlier);
    }
    if newest.fact > told.fact {
        reading = reading.but_unread(&load(job, newest)?);
    }
    Ok(Some(Standing {
        reading: paced(reading),
        grew_copying,
    }))
}

/// The number of the fact with which the copying began: the first batch, or the first reading taken while it ran.
fn copying_began(facts: &[Fact], readings: &[Place]) -> i64 {
    let batch = facts
        .iter()
        .find(|fact| matches!(fact.body, FactBody::Batch { .. }))
        .map(|fact| fact.number);
    let reading = readings.iter().find(|place| place.copying);
    let reading = reading.map(|place| place.fact - 1);
    batch.unwrap_or(i64::MAX).min(reading.unwrap_or(i64::MAX))
}

/// Refuses a reading that is of another drive than the job's: what its earlier readings told, or, where none told
/// anything, what the system tells of it.
///
/// # Errors
/// When it is another drive's, expected and found; when the ledger cannot be read.
pub fn refuse_another_drive(job: &Job<'_>, drive: usize, reading: &Reading) -> Result<(), Problem> {
    let facts = job.ledger.facts().unwrap_or_default();
    let mut why = None;
    for place in places(&facts, drive, i64::MAX).into_iter().rev() {
        let earlier = load(job, place)?;
        if earlier.drive.serial.value().is_none() && earlier.drive.model.value().is_none() {
            continue;
        }
        why = if reading.hint.recorded && earlier.hint.recorded {
            reading.drive.contradiction_recorded(&earlier.drive)
        } else {
            reading.drive.contradiction(&earlier.drive)
        };
        break;
    }
    let Some(why) = why else {
        return Ok(());
    };
    let (what, next) = if reading.hint.recorded {
        (
            "these replies are of another drive than the one of this job",
            "record the replies of the drive on hold, or open a job of its own for the other one",
        )
    } else {
        (
            "another drive answers in the place of the one on hold",
            "look at the label: connect the drive on hold, then do the same again",
        )
    };
    Err(Problem::failed(
        format!("{what}: {why}"),
        super::drive_words(job, drive)?,
        next,
    ))
}

/// Whether the drive told last that a password locks its data.
///
/// # Errors
/// As [`newest_of`].
pub fn is_locked(job: &Job<'_>, drive: usize) -> Result<bool, Problem> {
    Ok(newest_before(job, drive, i64::MAX)?.is_some_and(|reading| locked(&reading)))
}

/// Whether a reading says that a password locks the data.
pub fn locked(reading: &Reading) -> bool {
    reading
        .signals
        .iter()
        .any(|signal| signal.id == SignalId::DataLocked)
}
