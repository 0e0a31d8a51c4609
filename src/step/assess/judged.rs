//! Forecast and route of a drive, from its readings and from what happened to it in the job.
//!
//! Invariant: what happened to one drive is held against that drive alone; nothing that was recorded is left out.

use super::readings::{Standing, locked, standing};
use crate::job::{Job, ledger_problem};
use crate::judge::forecast::{Forecast, forecast};
use crate::judge::route::{Decision, RouteLimits, Stakes, route};
use crate::judge::situation::{Pace, Situation};
use crate::ledger::terms::{FAILED, FILE, HAD, IRREPLACEABLE, WANTED};
use crate::ledger::{Fact, FactBody, LedgerError};
use crate::step::outcome::{Machine, MemoryState, Problem, Symptom};
use crate::value::{Blake3, Moment};

/// The setting that holds the newest forecast of a drive in full.
pub(super) fn forecast_key(drive: usize) -> String {
    format!("forecast-{drive}")
}

/// The setting that holds the pace that the newest forecast reckoned with, bytes per second.
pub fn pace_key(drive: usize) -> String {
    format!("pace-bytes-per-second-{drive}")
}

/// The setting that holds the hazard of the newest forecast, per second of copying.
pub fn hazard_key(drive: usize) -> String {
    format!("hazard-per-second-{drive}")
}

/// Which rows of `item` lie on a drive, as a condition of SQL.
fn on_drive(job: &Job<'_>, drive: usize) -> Result<String, Problem> {
    if job.setup.drives.is_empty() {
        return Ok("1".to_owned());
    }
    let numbers: Vec<String> = crate::step::plan::drive::volumes(job)?
        .iter()
        .filter(|volume| volume.drive == drive)
        .map(|volume| volume.number.to_string())
        .collect();
    Ok(format!("item.volume IN ({})", numbers.join(", ")))
}

/// What the plan wants from one drive.
struct Wanted {
    files: u64,
    bytes: u64,
    irreplaceable: u64,
    listed: u64,
}

fn wanted(job: &Job<'_>, here: &str) -> Result<Wanted, LedgerError> {
    let sql = format!(
        "SELECT coalesce(sum({WANTED}), 0), coalesce(sum(CASE WHEN {WANTED} THEN bytes ELSE 0 END), 0),
         coalesce(sum({WANTED} AND {IRREPLACEABLE}), 0), count(*) FROM item WHERE {FILE} AND {here}"
    );
    let row = job.ledger.db().query_row(&sql, [], |row| {
        let number = |at: usize| row.get::<_, i64>(at).map(|n| n as u64);
        Ok(Wanted {
            files: number(0)?,
            bytes: number(1)?,
            irreplaceable: number(2)?,
            listed: number(3)?,
        })
    });
    job.ledger.doing("adding up the plan", row)
}

/// What copying met on one drive.
struct MetHere {
    errors: u64,
    read: u64,
    newest: Option<Moment>,
}

fn met(job: &Job<'_>, here: &str) -> Result<MetHere, LedgerError> {
    // A permission refused is the system's answer and says nothing about the drive; nor does what was never asked of it.
    let never = crate::step::copy::NEVER_READ;
    let error = &format!(
        "{FAILED} AND coalesce(got.fault, '') NOT LIKE '%EACCES%' AND coalesce(got.fault, '') NOT LIKE '%EPERM%' AND coalesce(got.fault, '') NOT LIKE '{never}%'"
    );
    let sql = format!(
        "SELECT coalesce(sum({error}), 0), coalesce(sum(CASE WHEN {HAD} THEN item.bytes ELSE 0 END), 0),
         max(CASE WHEN {error} THEN got.batch END) FROM got JOIN item ON item.id = got.item WHERE {here}"
    );
    let row = job.ledger.db().query_row(&sql, [], |row| {
        Ok((
            row.get::<_, i64>(0)?,
            row.get::<_, i64>(1)?,
            row.get::<_, Option<i64>>(2)?,
        ))
    });
    let (errors, read, batch) = job.ledger.doing("adding up the copies", row)?;
    Ok(MetHere {
        errors: errors as u64,
        read: read as u64,
        newest: match batch {
            Some(batch) => job.ledger.batch_at(batch)?,
            None => None,
        },
    })
}

/// Forecast and route for the newest state of the job.
///
/// # Errors
/// When the ledger cannot be read.
pub fn judge(
    job: &Job<'_>,
    drive: usize,
    standing: &Standing,
) -> Result<(Forecast, Decision, Pace), Problem> {
    let facts = job.ledger.facts().map_err(|e| ledger_problem(&e))?;
    let here = on_drive(job, drive)?;
    let wanted = wanted(job, &here).map_err(|e| ledger_problem(&e))?;
    let met = met(job, &here).map_err(|e| ledger_problem(&e))?;
    let (sample_errors, sample_error_at) = super::sampled::errors(&facts, drive);
    let surveyed = wanted.listed > 0;
    let setup = &job.setup;
    let reading = &standing.reading;
    let evidence = &reading.evidence;
    let pace = match super::sampled::pace(&facts, drive) {
        Some(pace) => Pace::sampled(pace, evidence.medium),
        None => Pace::class_default(evidence.medium),
    };
    let memory = crate::step::state::memory_in_force(job, &facts);
    let situation = Situation {
        plan_bytes: surveyed.then_some(wanted.bytes),
        drive_bytes: reading
            .drive
            .bytes
            .get()
            .or(setup.drives.get(drive).map(|kept| kept.bytes)),
        sector_bytes: reading.drive.sector_bytes.get().unwrap_or(512),
        physical_sector_bytes: reading.drive.physical_sector_bytes.get().unwrap_or(4096),
        passes: if memory == Some(MemoryState::KnownGood) {
            1.05
        } else {
            2.0
        },
        pace,
        errors_met: met.errors + sample_errors,
        error_hours_ago: met
            .newest
            .max(sample_error_at)
            .map(|at| job.now().hours_since(at)),
        counts_grew: standing.grew_copying,
        bytes_read: met.read,
        vanished: vanished(&facts, drive),
        memory: memory.unwrap_or(MemoryState::Suspect),
        machine: setup.machine.unwrap_or(Machine::UnderRepair),
        symptom: setup.symptom.unwrap_or(Symptom::None),
        files: wanted.files,
        extents: 0,
        age_years: None,
    };
    let forecast = forecast(evidence, &situation);
    let stakes = Stakes {
        irreplaceable: surveyed.then_some(wanted.irreplaceable > 0),
        locked: locked(reading),
    };
    let routes = &job.policy.routes;
    let limits = RouteLimits {
        gentle_high: routes.gentle_high.get(),
        gentle_mid: routes.gentle_mid.get(),
        refer_mid: routes.refer_mid.get(),
        old_remapped: u64::from(routes.old_remapped.get()),
        slow_share: routes.slow_share.get(),
        vanished: job.policy.vanishing.refer_at_times.get(),
    };
    let decision = route(
        &forecast,
        evidence,
        &reading.signals,
        &situation,
        stakes,
        &limits,
    );
    Ok((forecast, decision, pace))
}

/// How often a drive went away while it was read.
fn vanished(facts: &[Fact], wanted: usize) -> u32 {
    let times = facts
        .iter()
        .filter(|fact| matches!(fact.body, FactBody::Vanished { drive, .. } if drive == wanted));
    u32::try_from(times.count()).unwrap_or(u32::MAX)
}

/// Judges a drive by its readings and keeps what came of it; `None` = no reading was ever taken.
///
/// # Errors
/// When the ledger cannot be read or written.
pub fn judge_drive(
    job: &Job<'_>,
    drive: usize,
) -> Result<Option<(Standing, Forecast, Decision)>, Problem> {
    let Some(standing) = standing(job, drive)? else {
        return Ok(None);
    };
    let (forecast, decision, pace) = judge(job, drive, &standing)?;
    let value = serde_json::json!({ "forecast": &forecast, "decision": &decision });
    let text = value.to_string();
    let body = FactBody::Forecast {
        drive,
        route: decision.route,
        high: forecast.drive_lost.high.get(),
        explained: Blake3(*blake3::hash(text.as_bytes()).as_bytes()),
    };
    let at = job.now();
    job.ledger
        .transaction::<_, LedgerError>(|ledger| {
            ledger.set(&forecast_key(drive), &text)?;
            ledger.set(&hazard_key(drive), &forecast.hazard_per_second.to_string())?;
            ledger.set(&pace_key(drive), &pace.bytes_per_second.to_string())?;
            ledger.record(at, &body).map(|_| ())
        })
        .map_err(|e| ledger_problem(&e))?;
    Ok(Some((standing, forecast, decision)))
}

/// Judges every drive again, now that more is known.
///
/// # Errors
/// When the ledger cannot be read or written.
pub fn judge_again(job: &Job<'_>) -> Result<(), Problem> {
    for drive in 0..super::drive_count(job) {
        judge_drive(job, drive)?;
    }
    Ok(())
}
