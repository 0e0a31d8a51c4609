//! `assess`: reads health, computes the forecast, decides the route.
//!
//! Invariant: every reading keeps its raw bytes; "could not be read" is a result of its own and
//! never good news. With a bad symptom nothing is asked beyond identity and health.

use crate::drive::asking::{Bus, Hint};
use crate::drive::question::{Question, Reply};
use crate::drive::reading::{Reading, StoredReading};
use crate::drive::signal::SignalId;
use crate::job::{DriveKept, Job, fault_problem, ledger_problem};
use crate::judge::forecast::{Forecast, forecast};
use crate::judge::route::{Decision, RouteLimits, Stakes, route};
use crate::judge::situation::{Machine, Memory, Pace, Situation, Symptom};
use crate::ledger::{Fact, FactBody};
use crate::port::Transport;
use crate::step::event::{Event, Step, Tell};
use crate::step::outcome::{
    self, Assessed, ChanceRange, DriveAssessed, FilesHit, Finite, ForecastShown, HoursRange,
    Outcome, Problem, ReadingShown, WorkingLine,
};
use crate::step::request::AssessRequest;
use crate::value::{Blake3, Known, Moment};
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
        let reading = sampled(job, drive, request.sampling, reading, tell)?;
        keep(job, drive, &reading)?;
        let (forecast, decision) = judge(job, drive, &reading)?;
        keep_forecast(job, drive, &forecast, &decision)?;
        drives.push(shown(job, drive, &reading, &forecast, &decision)?);
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
pub fn take(job: &Job<'_>, drive: usize, replies: Option<&Path>) -> Result<Reading, Problem> {
    let at = job.now();
    let kept = job.setup.replies.as_ref().map(crate::job::KeptPath::path);
    // Recorded replies describe one drive: the first.
    let path = replies.map(Path::to_owned).or(kept).filter(|_| drive == 0);
    let reading = match (path, job.setup.drives.get(drive)) {
        (Some(path), _) => {
            let mut transport = job.bench.replies(&path).map_err(|fault| {
                fault_problem(&fault, "name a folder of recorded replies").on_path(&path)
            })?;
            Reading::take(transport.as_mut(), at, &Hint::recorded())
        }
        (None, Some(kept)) => ask_drive(job, kept, &kept.path.path(), at),
        (None, None) => {
            let why = "this job holds a folder, so there is no drive to ask, and no recorded replies were named".to_owned();
            // Nothing was asked at all, so the reason is ours, not any page's.
            nobody_asked(Reading::take(&mut Silent, at, &Hint::default()), why)
        }
    };
    Ok(match newest_of(job, drive)? {
        Some(before) => reading.since(&before),
        None => reading,
    })
}

/// Samples the read speed of a drive that may be read, and compares it with the drive's own earlier pace.
fn sampled(
    job: &Job<'_>,
    drive: usize,
    wanted: bool,
    reading: Reading,
    tell: Tell<'_>,
) -> Result<Reading, Problem> {
    let Some(kept) = job
        .setup
        .drives
        .get(drive)
        .filter(|_| wanted && !job.has_bad_symptom() && !locked(&reading))
    else {
        return Ok(reading);
    };
    let sectors = job.bench.sectors(&kept.path.path()).map_err(|fault| {
        fault_problem(
            &fault,
            "connect the drive again, then:\nholdpoint assess JOB",
        )
        .on_path(&kept.path.path())
    })?;
    let sample = crate::step::sample::sample(sectors.as_ref(), job.bench.clock());
    if let Some(trouble) = &sample.trouble {
        tell(Event::Warn {
            says: format!("the speed sample ended early: {trouble}"),
        });
    }
    let Some(pace) = sample.bytes_per_second else {
        return Ok(reading);
    };
    let failed = |e: crate::ledger::LedgerError| ledger_problem(&e);
    job.ledger
        .set(&format!("pace-{drive}"), &pace.to_string())
        .map_err(failed)?;
    // The fastest pace ever seen is the drive's own: a slow first sample must not make a slow second one look usual.
    let key = format!("pace-own-{drive}");
    let own = job
        .ledger
        .get(&key)
        .map_err(failed)?
        .and_then(|text| text.parse::<f64>().ok())
        .filter(|own| *own >= 1.0);
    if own.is_none_or(|own| pace > own) {
        job.ledger.set(&key, &pace.to_string()).map_err(failed)?;
    }
    Ok(match own {
        Some(own) => reading.with_pace(pace / own),
        None => reading,
    })
}

/// Asks a drive at `path`; a drive that cannot be asked has a reading that says why.
pub fn ask_drive(job: &Job<'_>, kept: &DriveKept, path: &Path, at: Moment) -> Reading {
    match job.bench.transport(path) {
        Ok(mut transport) => {
            let bus = match kept.name.as_str() {
                name if name.starts_with("nvme") => Some(Bus::Nvme),
                name if name.starts_with("mmcblk") => Some(Bus::Mmc),
                name if name.starts_with("sd") => Some(Bus::Scsi),
                _ => None,
            };
            let hint = Hint {
                bus,
                recorded: false,
                bytes: Some(kept.bytes),
                sector_bytes: Some(kept.sector_bytes),
            };
            Reading::take(transport.as_mut(), at, &hint)
        }
        Err(fault) => nobody_asked(
            Reading::take(&mut Silent, at, &Hint::default()),
            fault.to_string(),
        ),
    }
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

/// Keeps a reading in the ledger, raw and as shown.
pub fn keep(job: &Job<'_>, drive: usize, reading: &Reading) -> Result<(), Problem> {
    let facts = job.ledger.facts().map_err(|e| ledger_problem(&e))?;
    let number = 1 + facts
        .iter()
        .filter(|fact| matches!(fact.body, FactBody::Read { .. }))
        .count() as i64;
    let value = serde_json::json!({ "drive": drive, "stored": reading.stored(), "report": reading.report() });
    let text = value.to_string();
    let digest = Blake3(*blake3::hash(text.as_bytes()).as_bytes());
    job.ledger
        .set(&format!("reading-{number}"), &text)
        .map_err(|e| ledger_problem(&e))?;
    job.record(&FactBody::Read {
        drive,
        reading: number,
        readable: reading.readable,
        why_not: reading.why_not.clone(),
        digest,
    })
}

/// The newest reading of a drive, decoded again from its raw bytes.
pub fn newest_of(job: &Job<'_>, wanted: usize) -> Result<Option<Reading>, Problem> {
    newest_before(job, wanted, i64::MAX)
}

/// The newest reading of a drive that was recorded before fact number `before`.
pub fn newest_before(
    job: &Job<'_>,
    wanted: usize,
    before: i64,
) -> Result<Option<Reading>, Problem> {
    let facts = job.ledger.facts().unwrap_or_default();
    let number = facts.iter().rev().find_map(|fact| match fact.body {
        FactBody::Read { drive, reading, .. } if drive == wanted && fact.number < before => {
            Some(reading)
        }
        _ => None,
    });
    let Some(number) = number else {
        return Ok(None);
    };
    let text = job
        .ledger
        .get(&format!("reading-{number}"))
        .map_err(|e| ledger_problem(&e))?;
    let value = text.and_then(|text| serde_json::from_str::<serde_json::Value>(&text).ok());
    let stored = value
        .and_then(|value| serde_json::from_value::<StoredReading>(value["stored"].clone()).ok());
    Ok(stored.map(StoredReading::decode))
}

/// Forecast and route for the newest state of the job.
pub fn judge(
    job: &Job<'_>,
    drive: usize,
    reading: &Reading,
) -> Result<(Forecast, Decision), Problem> {
    let ledger = &job.ledger;
    let sums = "SELECT coalesce(sum(want = 0), 0), coalesce(sum(CASE WHEN want = 0 THEN bytes ELSE 0 END), 0), coalesce(sum(want = 0 AND class = 0), 0), count(*) FROM item WHERE kind = 0";
    let number = |row: &rusqlite::Row<'_>, at: usize| row.get::<_, i64>(at).map(|n| n as u64);
    let row = ledger.db().query_row(sums, [], |row| {
        Ok((
            number(row, 0)?,
            number(row, 1)?,
            number(row, 2)?,
            number(row, 3)?,
        ))
    });
    let (files, bytes, precious, all) = ledger
        .doing("adding up the plan", row)
        .map_err(|e| ledger_problem(&e))?;
    // A permission refused is the system's answer and says nothing about the drive.
    let got = "SELECT coalesce(sum(got.state IN (2, 3) AND coalesce(got.fault, '') NOT LIKE '%EACCES%' AND coalesce(got.fault, '') NOT LIKE '%EPERM%'), 0), coalesce(sum(CASE WHEN got.state IN (1, 2) THEN item.bytes ELSE 0 END), 0) FROM got JOIN item ON item.id = got.item";
    let row = ledger
        .db()
        .query_row(got, [], |row| Ok((number(row, 0)?, number(row, 1)?)));
    let (errors, read) = ledger
        .doing("adding up the copies", row)
        .map_err(|e| ledger_problem(&e))?;
    let surveyed = all > 0;
    let setup = &job.setup;
    let evidence = &reading.evidence;
    let sampled = ledger
        .get(&format!("pace-{drive}"))
        .map_err(|e| ledger_problem(&e))?
        .and_then(|text| text.parse::<f64>().ok());
    let pace = match sampled {
        Some(pace) => Pace::sampled(pace, evidence.medium),
        None => Pace::class_default(evidence.medium),
    };
    let situation = Situation {
        plan_bytes: surveyed.then_some(bytes),
        drive_bytes: reading.drive.bytes.get().or(job
            .setup
            .drives
            .get(drive)
            .map(|kept| kept.bytes)),
        sector_bytes: reading.drive.sector_bytes.get().unwrap_or(512),
        physical_sector_bytes: reading.drive.physical_sector_bytes.get().unwrap_or(4096),
        passes: if setup.memory == Some(outcome::MemoryState::KnownGood) {
            1.05
        } else {
            2.0
        },
        pace,
        errors_met: errors,
        error_hours_ago: None,
        counts_grew: false,
        bytes_read: read,
        vanished: 0,
        memory: setup
            .memory
            .and_then(|memory| Memory::parse(memory.word()))
            .unwrap_or(Memory::Suspect),
        machine: setup
            .machine
            .and_then(|machine| Machine::parse(machine.word()))
            .unwrap_or(Machine::UnderRepair),
        symptom: setup
            .symptom
            .and_then(|symptom| Symptom::parse(symptom.word()))
            .unwrap_or(Symptom::None),
        files,
        extents: 0,
        age_years: None,
    };
    let forecast = forecast(evidence, &situation);
    let stakes = Stakes {
        irreplaceable: surveyed.then_some(precious > 0),
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
    ledger
        .set(
            "pace-bytes-per-second",
            &situation.pace.bytes_per_second.to_string(),
        )
        .map_err(|e| ledger_problem(&e))?;
    Ok((forecast, decision))
}

/// Judges the newest readings again, now that more is known of what is to be read.
pub fn judge_again(job: &Job<'_>) -> Result<(), Problem> {
    for drive in 0..drive_count(job) {
        if let Some(reading) = newest_of(job, drive)? {
            let (forecast, decision) = judge(job, drive, &reading)?;
            keep_forecast(job, drive, &forecast, &decision)?;
        }
    }
    Ok(())
}

fn keep_forecast(
    job: &Job<'_>,
    drive: usize,
    forecast: &Forecast,
    decision: &Decision,
) -> Result<(), Problem> {
    let value = serde_json::json!({ "forecast": forecast, "decision": decision });
    let text = value.to_string();
    let explained = Blake3(*blake3::hash(text.as_bytes()).as_bytes());
    let keep = |key: &str, value: &str| job.ledger.set(key, value).map_err(|e| ledger_problem(&e));
    keep(&format!("forecast-{drive}"), &text)?;
    keep("hazard-per-second", &forecast.hazard_per_second.to_string())?;
    job.record(&FactBody::Forecast {
        drive,
        route: decision.route.word().to_owned(),
        high: forecast.drive_lost.high.get(),
        explained,
    })
}

/// Takes and keeps a first reading of every drive that can be asked, at `open`.
pub fn first_readings(job: &Job<'_>) -> Result<(), Problem> {
    if job.setup.replies.is_none() && job.setup.drives.is_empty() {
        return Ok(());
    }
    for drive in 0..drive_count(job) {
        let reading = take(job, drive, None)?;
        keep(job, drive, &reading)?;
    }
    Ok(())
}

/// A reading and its forecast in the words of the interface.
pub fn shown(
    job: &Job<'_>,
    drive: usize,
    reading: &Reading,
    forecast: &Forecast,
    decision: &Decision,
) -> Result<DriveAssessed, Problem> {
    let report = reading.report();
    let mut decoded = report.decoded;
    decoded.insert(
        "decoded_why".into(),
        serde_json::to_value(&report.decoded_why).unwrap_or_default(),
    );
    let route = outcome::Route::of(decision.route.word()).unwrap_or(outcome::Route::Refer);
    // The reasons first, the heaviest at their head; remarks change nothing.
    let said = |factor: &'static str| {
        move |why: &String| WorkingLine {
            factor: factor.into(),
            value: why.clone(),
            source: decision.route.word().into(),
        }
    };
    let mut working: Vec<WorkingLine> = decision.reasons.iter().map(said("route")).collect();
    working.extend(decision.remarks.iter().map(said("remark")));
    working.extend(forecast.working.iter().map(|line| {
        let text = line.text();
        let value = text
            .strip_prefix(&format!("{}: ", line.step))
            .unwrap_or(&text);
        let value = value.rsplit_once(" [").map_or(value, |(value, _)| value);
        WorkingLine {
            factor: line.step.clone(),
            value: value.to_owned(),
            source: line.source.clone(),
        }
    }));
    let kept = job.setup.drives.get(drive);
    // Without a plan and without a size there is nothing that hours could be told of.
    let known = reading.drive.bytes.get().is_some()
        || kept.is_some()
        || crate::step::state::is_surveyed(job)?;
    Ok(DriveAssessed {
        serial: reading
            .drive
            .serial
            .value()
            .cloned()
            .or_else(|| kept.and_then(|kept| kept.serial.clone())),
        reading: ReadingShown {
            taken: reading.taken,
            readable: reading.readable,
            why_not: reading.why_not.clone(),
            decoded,
            signals: reading.signals.clone(),
        },
        forecast: ForecastShown {
            route,
            drive_lost: ChanceRange {
                low: forecast.drive_lost.low,
                mid: forecast.drive_lost.mid,
                high: forecast.drive_lost.high,
            },
            files_hit: FilesHit {
                low: forecast.files_hit.low,
                high: forecast.files_hit.high,
                expected: Some(Finite::new(forecast.files_hit.expected)),
            },
            hours: known.then(|| HoursRange {
                low: Finite::new(forecast.hours.low),
                mid: Finite::new(forecast.hours.mid),
                high: Finite::new(forecast.hours.high),
            }),
            working,
        },
    })
}

fn locked(reading: &Reading) -> bool {
    reading
        .signals
        .iter()
        .any(|signal| signal.id == SignalId::DataLocked)
}

/// Whether the newest reading says that a drive password locks the data.
pub fn is_locked(job: &Job<'_>, drive: usize) -> Result<bool, Problem> {
    Ok(newest_of(job, drive)?.is_some_and(|reading| locked(&reading)))
}

/// The drive in a few words, for open points.
pub fn drive_words(job: &Job<'_>, drive: usize) -> Result<String, Problem> {
    let reading = newest_of(job, drive)?;
    let said = |known: &Known<String>| known.value().cloned();
    let kept = job.setup.drives.get(drive);
    let model = reading
        .as_ref()
        .and_then(|reading| said(&reading.drive.model))
        .or_else(|| kept.and_then(|kept| kept.model.clone()));
    let serial = reading
        .as_ref()
        .and_then(|reading| said(&reading.drive.serial))
        .or_else(|| kept.and_then(|kept| kept.serial.clone()));
    Ok(match (model, serial, kept) {
        (Some(model), Some(serial), _) => format!("{model}, serial {serial}"),
        (Some(model), None, _) => model,
        (None, Some(serial), _) => format!("the drive with serial {serial}"),
        (None, None, Some(kept)) => kept.path.text.clone(),
        (None, None, None) => "the drive".to_owned(),
    })
}

/// The serial that a second look types the end of; without one, the job's id.
pub fn serial_words(job: &Job<'_>) -> String {
    let serial = newest_of(job, 0)
        .ok()
        .flatten()
        .and_then(|reading| reading.drive.serial.value().cloned());
    let kept = job
        .setup
        .drives
        .first()
        .and_then(|kept| kept.serial.clone());
    serial.or(kept).unwrap_or_else(|| job.setup.id.clone())
}

/// The newest forecast's route and range of a drive in short words, for papers. `None` = none made.
pub fn forecast_words(job: &Job<'_>, facts: &[Fact], wanted: usize) -> Option<(String, String)> {
    let made = facts.iter().rev().find_map(|fact| match &fact.body {
        FactBody::Forecast { drive, route, .. } if *drive == wanted => Some(route.clone()),
        _ => None,
    })?;
    let text = job
        .ledger
        .get(&format!("forecast-{wanted}"))
        .ok()
        .flatten()?;
    let value: serde_json::Value = serde_json::from_str(&text).ok()?;
    let number = |end: &str| {
        value["forecast"]["drive_lost"][end]
            .as_f64()
            .map(crate::value::Probability::new)
    };
    let range = crate::judge::working::range_in_words(number("low")?, number("high")?);
    Some((
        made,
        format!("chance of losing the drive while copying: {range}"),
    ))
}
