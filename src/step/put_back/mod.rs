//! `put-back`: returns the items to the fresh system under their original names.
//!
//! Invariant: nothing that is there is ever overwritten or changed, and a file gets its name only
//! after it was made durable, read back and found equal to what was saved. Counted as returned or
//! already there are files with all their bytes; folders and links come along uncounted, as in `copy`.
//! A file with gaps is put back under its name, because part of a letter is better than none, but it
//! is never counted: it stands in the list of what did not come back whole, with what is missing.
//! What was not returned although it should have been makes the step end with a failure.

pub mod carry;
mod flow;
mod names;
mod spots;

use crate::job::{Job, KeptPath, fault_problem, ledger_problem};
use crate::ledger::{Fact, FactBody, LedgerError};
use crate::port::{Destination, Fault, FaultKind, Recipient};
use crate::step::event::{Event, Step, Tell};
use crate::step::outcome::{Exit, Outcome, Problem, PutBack};
use crate::step::plan::people::{own_name, profile_folders};
use crate::step::request::PutBackRequest;
use crate::value::Name;
use flow::{Chosen, Flow, Person};
use spots::{Map, Parts};
use std::path::Path;

/// Returns the items of a job.
pub fn put_back(
    job: &Job<'_>,
    request: &PutBackRequest,
    tell: Tell<'_>,
) -> Result<Outcome<PutBack>, Problem> {
    tell(Event::Started {
        step: Step::PutBack,
    });
    let facts = job.ledger.facts().map_err(|e| ledger_problem(&e))?;
    if is_closed(&facts) {
        return Err(Problem::failed(
            "this job is closed: its copies were deleted on the record",
            job.setup.name.clone(),
            "ask the owner for the copy that they were given",
        ));
    }
    let maps = maps(job, request)?;
    let (to, shown) = open_recipient(job, request, &facts)?;
    let opened = job.destinations();
    let destinations = reachable(&opened, tell)?;
    let chosen = Chosen {
        class: request.only,
        person: match &request.person {
            None => None,
            Some(name) => Some(person(job, name)?),
        },
    };
    let day = first_day(job)?;
    let mut flow = Flow::new(job, to.as_ref(), &maps, &day, &chosen, tell);
    flow.everything(&destinations)?;
    let done = flow.finish()?;
    tell(Event::Finished);
    if done.stopped {
        // Not on the record as put back: what is missing would look accepted. Going on finds what is there.
        return Ok(Outcome::done(&job.dir, done.result, Vec::new()).ending(Exit::Stopped));
    }
    job.record(&FactBody::PutBack {
        to: shown,
        items: done.result.returned.items,
        bytes: done.result.returned.bytes,
        already_there: done.result.already_there,
        set_beside: done.result.set_beside,
        refused: done.not_returned,
    })?;
    for warning in job.snapshot() {
        tell(Event::Warn { says: warning });
    }
    let exit = if done.not_returned > 0 {
        Exit::Failed
    } else {
        Exit::Done
    };
    Ok(Outcome::done(&job.dir, done.result, Vec::new()).ending(exit))
}

/// Whether the shop's copies are gone.
pub fn is_closed(facts: &[Fact]) -> bool {
    facts.iter().any(|fact| {
        matches!(
            fact.body,
            FactBody::Closed {
                keep_until: None,
                ..
            }
        )
    })
}

/// Checks where things are to go, and opens it.
fn open_recipient(
    job: &Job<'_>,
    request: &PutBackRequest,
    facts: &[Fact],
) -> Result<(Box<dyn Recipient>, String), Problem> {
    let bench = job.bench;
    let failed = |fault: Fault| {
        fault_problem(
            &fault,
            "name an existing folder of the fresh system with --to, one that can be written to",
        )
    };
    let to = bench.absolute(&request.to).map_err(failed)?;
    let shown = KeptPath::of(&to).text;
    let inside = |outer: &Path| match bench.is_inside(&to, outer) {
        Err(fault) if fault.kind == FaultKind::Missing => Ok(false),
        other => other.map_err(failed),
    };
    let folders = job.setup.destinations.iter().map(|kept| kept.folder.path());
    for folder in folders.chain([job.dir.clone()]) {
        if inside(&folder)? {
            return Err(Problem::usage(
                "that folder lies in the job itself, among the copies",
                shown,
                "name a folder of the fresh system",
            ));
        }
    }
    let was_released = facts
        .iter()
        .any(|fact| matches!(fact.body, FactBody::Released { .. }));
    if let Some(held) = &job.setup.folder
        && !was_released
        && inside(&held.path.path())?
    {
        return Err(Problem::hold(
            "that is the folder on hold: it was never released, so it still holds what was saved, and writing into it would change the source",
            shown,
            "release the job first (holdpoint release JOB), or name another folder",
        ));
    }
    let recipient = bench.recipient(&to).map_err(failed)?;
    Ok((recipient, shown))
}

fn reachable<'d>(
    opened: &'d [Result<Box<dyn Destination>, Fault>],
    tell: &mut dyn FnMut(Event),
) -> Result<Vec<Option<&'d dyn Destination>>, Problem> {
    let mut first = None;
    let out: Vec<Option<&dyn Destination>> = opened
        .iter()
        .map(|destination| match destination {
            Ok(destination) => Some(destination.as_ref()),
            Err(fault) => {
                tell(Event::Warn {
                    says: format!("not used: {fault}"),
                });
                first.get_or_insert(fault);
                None
            }
        })
        .collect();
    if out.iter().any(Option::is_some) {
        return Ok(out);
    }
    let none = Fault::new(
        FaultKind::Missing,
        "opening the destinations",
        "the job has none",
    );
    Err(fault_problem(
        first.unwrap_or(&none),
        "connect a destination of this job, then holdpoint put-back JOB --to DIR",
    ))
}

fn maps(job: &Job<'_>, request: &PutBackRequest) -> Result<Vec<Map>, Problem> {
    let mut out: Vec<Map> = Vec::new();
    for (from, to) in &request.map {
        let shown = format!("{}={}", from.to_string_lossy(), to.to_string_lossy());
        let map = Map::of(from, to).map_err(|why| {
            Problem::usage(
                format!("--map FROM=TO cannot be followed: {why}"),
                shown.clone(),
                "name a path of the job as holdpoint plan JOB --list shows it, and a path below --to",
            )
        })?;
        if !is_listed(job, &map.from)? {
            return Err(Problem::usage(
                "--map names a path that the job does not have",
                shown,
                "name a path as holdpoint plan JOB --list shows it",
            ));
        }
        if out.iter().any(|other| other.from == map.from) {
            return Err(Problem::usage(
                "two --map name the same path",
                shown,
                "keep one of them",
            ));
        }
        out.push(map);
    }
    Ok(out)
}

fn is_listed(job: &Job<'_>, parts: &Parts) -> Result<bool, Problem> {
    let mut at = 0;
    for own in parts {
        let name = Name::Bytes(own.clone());
        let found = job
            .ledger
            .child(at, &name, None)
            .map_err(|e| ledger_problem(&e))?;
        let Some((row, _)) = found else {
            // A name kept as UTF-16 units is another value for the same text.
            let mut units = None;
            job.ledger
                .each_child(at, |row, _| {
                    if row.name.is_wide() && row.name.text().as_bytes() == own.as_slice() {
                        units = Some(row.id);
                    }
                })
                .map_err(|e| ledger_problem(&e))?;
            match units {
                Some(id) => at = id,
                None => return Ok(false),
            }
            continue;
        };
        at = row.id;
    }
    Ok(true)
}

/// The profile that `name` means: exactly, or but for case.
fn person(job: &Job<'_>, name: &str) -> Result<Person, Problem> {
    let mut profiles = Vec::new();
    for (id, profile) in profile_folders(job)? {
        let parts = crate::step::copy::places::Places::new(&job.ledger)
            .of(id)
            .map_err(|e| ledger_problem(&e))?;
        profiles.push((profile, parts.parts.clone()));
    }
    let found = profiles
        .iter()
        .find(|(profile, _)| profile == name)
        .or_else(|| {
            let mut alike = profiles
                .iter()
                .filter(|(profile, _)| profile.to_lowercase() == name.to_lowercase());
            alike.next().filter(|_| alike.next().is_none())
        });
    if let Some((_, parts)) = found {
        return Ok(Person::Within(parts.clone()));
    }
    let all = own_name(job);
    if profiles.is_empty() && all.to_lowercase() == name.to_lowercase() {
        return Ok(Person::Within(Vec::new()));
    }
    if !profiles.is_empty() && name == crate::step::plan::people::NOBODY {
        return Ok(Person::Outside(
            profiles.into_iter().map(|(_, parts)| parts).collect(),
        ));
    }
    let known: Vec<String> = if profiles.is_empty() {
        vec![all]
    } else {
        profiles.into_iter().map(|(profile, _)| profile).collect()
    };
    Err(Problem::usage(
        format!(
            "nobody of that name is in this job; there is {}",
            known.join(", ")
        ),
        name.to_owned(),
        "name a profile as holdpoint plan JOB shows it",
    ))
}

/// The day that goes into names beside: that of the first put-back, so that a run that goes on, on
/// another day too, finds what an earlier one had put beside.
fn first_day(job: &Job<'_>) -> Result<String, Problem> {
    const KEY: &str = "put-back-day";
    if let Some(day) = job.ledger.get(KEY).map_err(|e| ledger_problem(&e))? {
        return Ok(day);
    }
    let now = job.now().to_string();
    let day = now.get(..10).unwrap_or("earlier").to_owned();
    job.ledger
        .transaction::<_, LedgerError>(|ledger| ledger.set(KEY, &day))
        .map_err(|e| ledger_problem(&e))?;
    Ok(day)
}
