//! `show`: where a job stands, and what comes next. Reads only, and never waits for a running step.

use crate::job::{Job, SnapshotOf, ledger_problem};
use crate::ledger::{Fact, FactBody, Ledger, standing};
use crate::port::Bench;
use crate::step::outcome::{
    JobLine, OpenPoint, Outcome, PathText, Problem, Shown, ShownAll, State,
};
use crate::value::Moment;
use std::path::PathBuf;

/// Where one job stands.
pub fn show(job: &Job<'_>) -> Result<Outcome<Shown>, Problem> {
    if job.ledger.newer().is_some() {
        return show_newer(job);
    }
    let facts = job.ledger.facts().map_err(|e| ledger_problem(&e))?;
    let snapshot = SnapshotOf::of(&job.ledger).map_err(|e| ledger_problem(&e))?;
    let (state, until) = match &snapshot {
        // What happened since it was made is not known.
        Some(_) => (State::Hold, None),
        None => state(job, &facts),
    };
    let kept = crate::step::running::kept(&job.ledger, &facts).map_err(|e| ledger_problem(&e))?;
    let items = match kept {
        Some(items) => items,
        None => crate::step::counts(job)?,
    };
    let points = if state == State::Released || is_busy(&facts) {
        Vec::new()
    } else {
        crate::step::points_now(job)?
    };
    let (next, note) = match snapshot {
        Some(of) => (
            Some(format!(
                "holdpoint show {}",
                crate::value::typed(of.home.path().as_os_str())
            )),
            Some(format!(
                "this is a copy of the record, made {}; the record itself is at {}",
                of.made, of.home.text
            )),
        ),
        None => (next_command(job, &facts, state, &points), None),
    };
    let result = Shown {
        state,
        items,
        next: next.unwrap_or_default(),
        note,
        closed: standing::closed(&facts).map(|fact| fact.at),
        until,
        owner: job.setup.owner.clone(),
        on_hold: on_hold(job)?,
    };
    Ok(Outcome::done(&job.dir, result, points))
}

/// A record that a newer holdpoint wrote: what can be read of it. What may stand in there beside that is not known, so
/// it is on hold for this program, whatever it says.
fn show_newer(job: &Job<'_>) -> Result<Outcome<Shown>, Problem> {
    let newer = job.ledger.too_new();
    let result = Shown {
        state: State::Hold,
        items: crate::step::counts(job).unwrap_or_default(),
        next: String::new(),
        note: Some(format!(
            "{newer}: work on this job with that one; what is shown here may be incomplete"
        )),
        closed: None,
        until: None,
        owner: job.setup.owner.clone(),
        on_hold: on_hold(job).unwrap_or_default(),
    };
    Ok(Outcome::done(&job.dir, result, Vec::new()))
}

/// A step is in the middle of its work: the newest fact is a batch, and counting points would only slow it down.
fn is_busy(facts: &[Fact]) -> bool {
    facts.last().is_some_and(|fact| {
        matches!(
            fact.body,
            FactBody::Batch { .. } | FactBody::RowsMoved { .. }
        )
    })
}

/// Released, as long as the newest release is neither voided nor expired.
pub fn state(job: &Job<'_>, facts: &[Fact]) -> (State, Option<Moment>) {
    let released = facts.iter().rev().find_map(|fact| match fact.body {
        FactBody::Released { expires, .. } => Some((fact.number, expires)),
        _ => None,
    });
    let Some((number, expires)) = released else {
        return (State::Hold, None);
    };
    let voided = standing::voided(facts).is_some() || failed_recheck(facts, number).is_some();
    let drives = job.setup.drives.len();
    let spent = drives > 0
        && (0..drives).all(|number| crate::step::present::spent(facts, number).is_some());
    if voided || spent || job.now() >= expires {
        (State::Hold, None)
    } else {
        (State::Released, Some(expires))
    }
}

/// The newest recheck since fact `released`, when it said that the release does not hold: when, and what had changed.
fn failed_recheck(facts: &[Fact], released: i64) -> Option<(Moment, &[String])> {
    let newest = facts
        .iter()
        .rev()
        .take_while(|fact| fact.number > released)
        .find_map(|fact| match &fact.body {
            FactBody::Rechecked { holds, changed } => Some((*holds, fact.at, changed.as_slice())),
            _ => None,
        });
    newest
        .filter(|(holds, ..)| !holds)
        .map(|(_, at, changed)| (at, changed))
}

fn on_hold(job: &Job<'_>) -> Result<Vec<String>, Problem> {
    let mut out = Vec::new();
    if let Some(folder) = &job.setup.folder {
        out.push(format!("folder {}", folder.path.text));
    }
    if job.setup.replies.is_some() || !job.setup.drives.is_empty() {
        for drive in 0..crate::step::assess::drive_count(job) {
            out.push(crate::step::assess::drive_words(job, drive)?);
        }
    }
    Ok(out)
}

/// Every job found at or up to two levels below `places`.
pub fn show_all(bench: &dyn Bench, places: &[PathBuf]) -> Result<Outcome<ShownAll>, Problem> {
    let mut found: Vec<PathBuf> = Vec::new();
    for place in places {
        let walk = walkdir::WalkDir::new(place)
            .max_depth(3)
            .same_file_system(true)
            .follow_links(false);
        // Folders that cannot be entered hold no job that this user could show.
        let ledgers = walk
            .into_iter()
            .filter_map(Result::ok)
            .filter(|entry| entry.file_name() == Ledger::FILE && entry.file_type().is_file());
        for dir in ledgers.filter_map(|entry| {
            entry
                .path()
                .parent()
                .and_then(|dir| dir.canonicalize().ok())
        }) {
            if !found.contains(&dir) {
                found.push(dir);
            }
        }
    }
    // A snapshot stands for its job only where the ledger itself is not found.
    found.sort_by_cached_key(|dir| {
        let ledger = Ledger::open_to_read(&dir.join(Ledger::FILE));
        ledger
            .and_then(|ledger| ledger.snapshot_of())
            .is_ok_and(|note| note.is_some())
    });
    let mut jobs: Vec<JobLine> = Vec::new();
    let mut seen = Vec::new();
    for dir in found {
        match Job::open_to_read(bench, &dir) {
            Ok(job) if seen.contains(&job.setup.id) => {}
            Ok(job) => {
                seen.push(job.setup.id.clone());
                let shown = show(&job)?.result;
                let path = PathText::of(&dir);
                jobs.push(JobLine {
                    job: path.path,
                    raw: path.raw,
                    state: shown.state,
                    owner: shown.owner,
                    opened: Some(job.setup.opened),
                    next: shown.next,
                });
            }
            Err(problem) => {
                let path = PathText::of(&dir);
                jobs.push(JobLine {
                    job: path.path,
                    raw: path.raw,
                    state: State::Hold,
                    owner: None,
                    opened: None,
                    next: problem.next,
                });
            }
        }
    }
    Ok(Outcome::alone(ShownAll { jobs }))
}

/// What comes before anything else, in the order of the job's steps: until it is settled, no later step helps.
const FIRST: [&str; 5] = [
    "ledger-broken",
    "policy-edited",
    "clock-wrong",
    "data-locked",
    "source-gone",
];
/// What the next steps settle, once the survey is there; everything else waits until the copies are proven.
const ON_THE_WAY: [&str; 9] = [
    "refer-undecided",
    "source-changed",
    "changed-items",
    "no-destination",
    "not-copied",
    "copy-differs",
    "not-verified",
    "verification-missing",
    "verification-old",
];

/// The first command of a remedy.
fn first_command(remedy: &str) -> Option<String> {
    let mut lines = remedy.lines();
    lines
        .find(|line| line.starts_with("holdpoint "))
        .map(str::to_owned)
}

/// The outcome of a step, with the command that comes next as the job stands now.
pub fn onward<T>(job: &Job<'_>, mut outcome: Outcome<T>) -> Outcome<T> {
    // A record that cannot be read is told by the step itself.
    if let Ok(facts) = job.ledger.facts() {
        let (state, _) = state(job, &facts);
        outcome.next = next_command(job, &facts, state, &outcome.open_points);
    }
    outcome
}

/// The one command that comes next; `None` = the job is at its end.
pub fn next_command(
    job: &Job<'_>,
    facts: &[Fact],
    state: State,
    points: &[OpenPoint],
) -> Option<String> {
    let dir = job.typed();
    let command = |words: &str| Some(format!("holdpoint {words}").replace("JOB", &dir));
    let remedy_of = |id: &str| {
        let point = points.iter().find(|point| point.id == id)?;
        first_command(&point.remedy)
    };
    if standing::is_closed(facts) {
        return None;
    }
    if standing::is_closing(facts) {
        // The deleting was cut off.
        return command("close JOB --now --reason TEXT");
    }
    let last = |wanted: fn(&FactBody) -> bool| {
        let found = facts.iter().rev().find(|fact| wanted(&fact.body));
        found.map_or(0, |fact| fact.number)
    };
    let release = standing::released(facts).map_or(0, |fact| fact.number);
    let back = facts.iter().rev().find_map(|fact| match fact.body {
        FactBody::PutBack {
            refused,
            part: false,
            ..
        } => Some((fact.number, refused)),
        _ => None,
    });
    if let Some((_, refused)) = back.filter(|(number, _)| *number > release.max(1)) {
        return command(if refused > 0 {
            "put-back JOB --to DIR"
        } else {
            "close JOB"
        });
    }
    if (0..job.setup.drives.len())
        .any(|number| crate::step::present::spent(facts, number).is_some())
    {
        return command("put-back JOB --to DIR");
    }
    if state == State::Released {
        return command("print JOB --paper slip");
    }
    if let Some(first) = FIRST.iter().find_map(|id| remedy_of(id)) {
        return Some(first);
    }
    if last(|body| matches!(body, FactBody::Forecast { .. })) == 0 {
        return command("assess JOB");
    }
    if standing::surveyed(facts).is_none() {
        return remedy_of("refer-undecided").or_else(|| command("plan JOB"));
    }
    let stopped = facts.iter().rev().find_map(|fact| match &fact.body {
        FactBody::Copied { stopped, .. } => Some(stopped.is_some()),
        _ => None,
    });
    let copied = last(|body| matches!(body, FactBody::Copied { .. }));
    // A destination that was added since has no copies yet.
    let added = copied > 0
        && last(|body| matches!(body, FactBody::Opened { .. })) > copied
        && crate::step::state::lacks_copies(job).unwrap_or(false);
    let refers = points.iter().any(|point| point.id == "refer-undecided");
    let left = crate::step::state::remaining(job).is_ok_and(|left| left > 0);
    if !refers && (left || added || stopped == Some(true)) {
        return remedy_of("changed-items").or_else(|| command("copy JOB"));
    }
    if let Some(next) = ON_THE_WAY.iter().find_map(|id| remedy_of(id)) {
        return Some(next);
    }
    let written = standing::last_write(facts).map_or(0, |fact| fact.number);
    if written > last(|body| matches!(body, FactBody::Inspected { .. })) {
        return command("inspect JOB");
    }
    points
        .iter()
        .find_map(|point| first_command(&point.remedy))
        .or_else(|| command("release JOB"))
}
