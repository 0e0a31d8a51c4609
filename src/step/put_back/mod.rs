//! `put-back`: returns the items to the fresh system under their original names.
//!
//! Invariant: nothing that is there is ever overwritten or changed, and a file gets its name only
//! after it was made durable, read back and found equal to what was saved. Counted as returned or
//! already there are files with all their bytes; folders and links come along uncounted, as in `copy`.
//! On a drive job with one volume that anything was saved of, that volume's root goes directly into the folder; with
//! several, each goes into a folder of its own, named after its label, else its word (`drive1-volume3`). `--map` starts
//! at a volume: `drive1-volume3/Users/Ada=home/ada`, or `drive1-volume3=` for the folder itself. Names held as UTF-16
//! come back as UTF-8. A named stream has no place of its own on other file systems: it comes back as a file beside the
//! one that it belongs to (`letter.txt (stream NAME)`), counted like any other file.
//! A file with gaps is put back under its name, because part of a letter is better than none, but it
//! is never counted: it stands in the list of what did not come back whole, with what is missing.
//! What was not returned although it should have been makes the step end with a failure.

pub mod carry;
mod chosen;
mod flow;
mod names;
mod spots;

use crate::job::here::some_here;
use crate::job::{Job, KeptPath, fault_problem, ledger_problem};
use crate::ledger::terms::WANTED_OR_WAIVED;
use crate::ledger::{Fact, FactBody, LedgerError, standing};
use crate::port::{Fault, FaultKind, Recipient};
use crate::step::event::{Event, Step, Tell};
use crate::step::outcome::{Exit, OpenPoint, Outcome, Problem, PutBack, State};
use crate::step::plan::find::{bases, find};
use crate::step::plan::people::{NOBODY, own_name, profile_folders};
use crate::step::request::PutBackRequest;
use chosen::{Chosen, Person};
use flow::Flow;
use spots::{Map, Parts, Top};
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
    if standing::is_closed(&facts) {
        return Err(Problem::failed(
            "this job is closed: its copies were deleted on the record",
            job.shown(),
            "ask the owner for the copy that they were given",
        ));
    }
    let copied = |body: &FactBody| matches!(body, FactBody::Copied { .. } | FactBody::Batch { .. });
    if !facts.iter().any(|fact| copied(&fact.body)) {
        return Err(Problem::failed(
            "nothing was copied yet, so there is nothing to put back",
            job.shown(),
            crate::step::show::next_command(job, &facts, State::Hold, &[]).unwrap_or_default(),
        ));
    }
    if let Some(why) = crate::step::gate::edited_survey(job, &facts)? {
        return Err(Problem::failed(
            format!("the job's record does not hold together: {why}"),
            job.shown(),
            "nothing was put back: what came back might not be what it was; the copies themselves lie in the bag:\nholdpoint verify BAG\nif they are sound, take them from there by hand",
        ));
    }
    let maps = maps(job, request)?;
    let tops = tops(job)?;
    let (to, shown) = open_recipient(job, request, &facts)?;
    let opened = job.destinations();
    for fault in opened.iter().filter_map(|opened| opened.as_ref().err()) {
        tell(Event::Warn {
            says: format!("not used: {fault}"),
        });
    }
    let destinations = some_here(&opened, "put-back JOB --to DIR")?;
    let chosen = Chosen {
        class: request.only,
        person: match &request.person {
            None => None,
            Some(name) => Some(person(job, name)?),
        },
    };
    let day = first_day(job)?;
    let mut flow = Flow::new(job, to.as_ref(), (&tops, &maps), &day, &chosen, tell);
    flow.everything(&destinations)?;
    let done = flow.finish()?;
    tell(Event::Finished);
    if done.stopped {
        // Not on the record as put back: what is missing would look accepted. Going on finds what is there.
        let points = open_points(job, &facts)?;
        let mut outcome = Outcome::done(&job.dir, done.result, points).ending(Exit::Stopped);
        outcome.short = done.short;
        return Ok(outcome);
    }
    job.record(&FactBody::PutBack {
        to: shown,
        items: done.result.returned.items,
        bytes: done.result.returned.bytes,
        already_there: done.result.already_there,
        set_beside: done.result.set_beside,
        refused: done.not_returned,
        part: request.only.is_some() || request.person.is_some(),
    })?;
    for warning in job.snapshot() {
        tell(Event::Warn { says: warning });
    }
    let exit = if done.not_returned > 0 {
        Exit::Failed
    } else {
        Exit::Done
    };
    let points = open_points(job, &facts)?;
    Ok(Outcome::done(&job.dir, done.result, points).ending(exit))
}

/// What stands in the way of wiping; a release that was given and not made void was for what comes back now.
fn open_points(job: &Job<'_>, facts: &[Fact]) -> Result<Vec<OpenPoint>, Problem> {
    if crate::step::show::was_released(job, facts) {
        return Ok(Vec::new());
    }
    crate::step::show::points(job, facts)
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
        .on_path(&request.to)
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
    let was_released = standing::released(facts).is_some();
    if let Some(held) = &job.setup.folder
        && !was_released
        && inside(&held.path.path())?
    {
        return Err(Problem::hold(
            "that is the folder on hold: it was never released, so it still holds what was saved, and writing into it would change the source",
            shown,
            "name another folder with --to, or release the job first:\nholdpoint release JOB",
        ));
    }
    let recipient = bench.recipient(&to).map_err(failed)?;
    Ok((recipient, shown))
}

fn maps(job: &Job<'_>, request: &PutBackRequest) -> Result<Vec<Map>, Problem> {
    let mut out: Vec<Map> = Vec::new();
    for (from, to) in &request.map {
        let shown = format!("{}={}", from.to_string_lossy(), to.to_string_lossy());
        let map = Map::of(from, to).map_err(|why| {
            Problem::usage(
                format!("--map FROM=TO cannot be followed: {why}"),
                shown.clone(),
                "name a path below --to, and a path of the job as this shows it:\nholdpoint plan JOB --list",
            )
        })?;
        let meant = find(job, &map.from.join(&b'/')).map_err(|found| {
            Problem::usage(
                format!(
                    "--map names a path that the job does not have: {}",
                    found.what
                ),
                shown.clone(),
                found.next,
            )
        })?;
        // On drives every path starts with its volume, whether it was typed or not.
        let mut parts: Parts = Vec::new();
        if !meant.base.word.is_empty() {
            parts.push(meant.base.word.into_bytes());
        }
        parts.extend(meant.parts);
        let map = Map { from: parts, ..map };
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

/// Where each volume's root goes; nothing for a folder job.
fn tops(job: &Job<'_>) -> Result<Vec<Top>, Problem> {
    let mut tops = Vec::new();
    for base in bases(job)?.into_iter().filter(|base| base.root < 0) {
        let ledger = &job.ledger;
        let any = ledger.db().query_row(
            &format!("SELECT EXISTS(SELECT 1 FROM item JOIN got ON got.item = item.id WHERE item.volume = ?1 AND {WANTED_OR_WAIVED} AND got.written <> 0)"),
            [-base.root],
            |row| row.get::<_, bool>(0),
        );
        if ledger
            .doing("looking what was saved of a volume", any)
            .map_err(|e| ledger_problem(&e))?
        {
            tops.push((base.root, base.word));
        }
    }
    let volumes = crate::step::plan::drive::volumes(job)?;
    let label = |root: i64| {
        volumes
            .iter()
            .find(|volume| volume.root() == root)
            .and_then(|volume| volume.label.clone())
            .map(|label| label.trim().to_owned())
            .filter(|label| {
                let is_plain = |c: char| !c.is_control() && !"/\\:*?\"<>|%".contains(c);
                !label.is_empty()
                    && label.len() <= 100
                    && label.chars().all(is_plain)
                    && !label.starts_with('.')
                    && !label.ends_with('.')
            })
    };
    let labels: Vec<Option<String>> = tops.iter().map(|(root, _)| label(*root)).collect();
    let is_single = tops.len() == 1;
    Ok(tops
        .iter()
        .zip(&labels)
        .map(|((root, word), own)| {
            // A name that two volumes have names neither.
            let alike = |other: &Option<String>| {
                other.as_ref().map(|l| l.to_lowercase()) == own.as_ref().map(|l| l.to_lowercase())
            };
            let name = own
                .clone()
                .filter(|_| labels.iter().filter(|other| alike(other)).count() == 1)
                .unwrap_or_else(|| word.clone());
            Top {
                root: *root,
                word: word.clone().into_bytes(),
                folder: (!is_single).then(|| name.into_bytes()),
            }
        })
        .collect())
}

/// The profile that `name` means: its whole path or the name of its folder, exactly or but for case.
fn person(job: &Job<'_>, name: &str) -> Result<Person, Problem> {
    let profiles = profile_folders(job)?;
    let same = |a: &str, b: &str, exact: bool| {
        if exact {
            a == b
        } else {
            a.to_lowercase() == b.to_lowercase()
        }
    };
    for exact in [true, false] {
        let matching = |of: fn(&crate::step::plan::people::ProfileFolder) -> &str| -> Vec<_> {
            profiles
                .iter()
                .filter(|profile| same(of(profile), name, exact))
                .collect()
        };
        let by_path = matching(|profile| &profile.path);
        let by_place = matching(|profile| &profile.within);
        let mut by_name = matching(|profile| &profile.name);
        // Of an earlier installation only when it is named in full, or nobody else has the name.
        if by_name.iter().any(|profile| !profile.earlier) {
            by_name.retain(|profile| !profile.earlier);
        }
        for found in [by_path, by_place, by_name] {
            match found.as_slice() {
                [] => {}
                [one] => {
                    let own = std::iter::once(&one.parts);
                    return Ok(Person::Within(own.chain(&one.also).cloned().collect()));
                }
                several => {
                    let all: Vec<&str> = several.iter().map(|p| p.path.as_str()).collect();
                    return Err(Problem::usage(
                        format!("more than one profile has that name: {}", all.join(", ")),
                        name.to_owned(),
                        "name one of them in full",
                    ));
                }
            }
        }
    }
    let all = own_name(job);
    let everybody = [all.to_lowercase(), NOBODY.to_owned()];
    if profiles.is_empty() && everybody.contains(&name.to_lowercase()) {
        return Ok(Person::Within(vec![Vec::new()]));
    }
    if !profiles.is_empty() && name == NOBODY {
        return Ok(Person::Outside(
            profiles
                .into_iter()
                .flat_map(|profile| profile.also.into_iter().chain([profile.parts]))
                .collect(),
        ));
    }
    let known: Vec<String> = if profiles.is_empty() {
        vec![all]
    } else {
        profiles.into_iter().map(|profile| profile.path).collect()
    };
    Err(Problem::usage(
        format!(
            "nobody of that name is in this job; there is {}",
            known.join(", ")
        ),
        name.to_owned(),
        "name a profile as this shows it:\nholdpoint plan JOB",
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
