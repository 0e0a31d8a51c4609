//! What is told of a drive: its reading, forecast and route, and the few words that name it.

use super::judged::forecast_key;
use super::readings::newest_before;
use crate::drive::reading::Reading;
use crate::job::Job;
use crate::judge::forecast::Forecast;
use crate::judge::route::Decision;
use crate::ledger::{Fact, standing};
use crate::step::outcome::{
    ChanceRange, DriveAssessed, FilesHit, Finite, ForecastShown, HoursRange, Problem, ReadingShown,
    WorkingLine,
};
use crate::value::Known;

/// The reading just taken and what the drive is judged by, in the words of the interface.
pub fn shown(
    job: &Job<'_>,
    drive: usize,
    taken: &Reading,
    reading: &Reading,
    forecast: &Forecast,
    decision: &Decision,
) -> Result<DriveAssessed, Problem> {
    let report = taken.report();
    let mut decoded = report.decoded;
    decoded.insert(
        "decoded_why".into(),
        serde_json::Value::Object(report.decoded_why.clone()),
    );
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
    let hours = |hours| known.then(|| Finite::new(hours));
    Ok(DriveAssessed {
        serial: reading
            .drive
            .serial
            .value()
            .cloned()
            .or_else(|| kept.and_then(|kept| kept.serial.clone())),
        reading: ReadingShown {
            taken: taken.taken,
            readable: taken.readable,
            why_not: taken.why_not.clone(),
            decoded,
            decoded_why: report.decoded_why,
            signals: reading.signals.clone(),
        },
        forecast: ForecastShown {
            route: decision.route,
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
            hours: HoursRange {
                low: hours(forecast.hours.low),
                mid: hours(forecast.hours.mid),
                high: hours(forecast.hours.high),
            },
            working,
        },
    })
}

/// The drive in a few words, for open points.
pub fn drive_words(job: &Job<'_>, drive: usize) -> Result<String, Problem> {
    let reading = newest_before(job, drive, i64::MAX)?;
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
    let serial = newest_before(job, 0, i64::MAX)
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
pub fn forecast_of(job: &Job<'_>, facts: &[Fact], wanted: usize) -> Option<(String, (f64, f64))> {
    let made = standing::forecast_route(facts, wanted)?.word().to_owned();
    let text = job.ledger.get(&forecast_key(wanted)).ok().flatten()?;
    let value: serde_json::Value = serde_json::from_str(&text).ok()?;
    let number = |end: &str| value["forecast"]["drive_lost"][end].as_f64();
    Some((made, (number("low")?, number("high")?)))
}
