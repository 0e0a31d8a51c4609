//! `show`: where a job stands, and what comes next. Reads only, and never waits for a running step.

use crate::job::{Job, SnapshotOf, ledger_problem};
use crate::ledger::{Fact, FactBody, Ledger, standing};
use crate::port::Bench;
use crate::step::outcome::{
    ItemCounts, JobLine, OpenPoint, Outcome, PathText, Problem, Shown, ShownAll, State, Who,
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
    let closed = standing::closed(&facts);
    let kept = crate::step::running::kept(&job.ledger, &facts).map_err(|e| ledger_problem(&e))?;
    let items = match kept {
        // What was deleted is in none of the states any more.
        _ if closed.is_some() => ItemCounts::default(),
        // The deleting was cut off: none of the copies counts any more.
        _ if standing::is_closing(&facts) => without_copies(crate::step::counts(job)?),
        Some(items) => items,
        None => crate::step::counts(job)?,
    };
    let points = if is_busy(&facts) {
        Vec::new()
    } else {
        points(job, &facts)?
    };
    let (next, note) = match snapshot {
        Some(of) if of.may_take_back(&job.dir) => (
            Some(format!("holdpoint verify {}", job.typed())),
            Some(format!(
                "this is a copy of the record, made {:.0}: the next step puts it in the place of the lost record, and what was done after it was made has to be done again",
                of.made
            )),
        ),
        Some(of) => (
            Some(format!(
                "holdpoint show {}",
                crate::value::typed(of.home.path().as_os_str())
            )),
            Some(format!(
                "this is a copy of the record, made {:.0}; the record itself is at {}",
                of.made, of.home.text
            )),
        ),
        None => (
            next_command(job, &facts, state, &points),
            match closed {
                Some(fact) => Some(format!(
                    "closed since {:.0}: its copies were deleted on the record",
                    fact.at
                )),
                None => kept_still(job, &facts)
                    .map(|until| {
                        format!("the shop's copy is kept until {until:.0}; then close the job")
                    })
                    .or_else(|| not_looked_into(&facts, state)),
            },
        ),
    };
    let result = Shown {
        state,
        items,
        next: next.unwrap_or_default(),
        note,
        closed: closed.map(|fact| fact.at),
        practice: job.policy.practice,
        until,
        owner: job.setup.owner.clone(),
        on_hold: on_hold(job)?,
    };
    Ok(Outcome::done(&job.dir, result, points))
}

/// That a release was given on copies of which only the bytes were compared.
fn not_looked_into(facts: &[Fact], state: State) -> Option<String> {
    let nobody = state == State::Released && standing::looked_into(facts) == Some(false);
    nobody.then(|| {
        "nobody has looked whether the copies are what they claim to be (inspect does)".to_owned()
    })
}

/// Counts in which no copy counts.
fn without_copies(counts: ItemCounts) -> ItemCounts {
    let ItemCounts {
        listed,
        copied,
        verified,
        damaged,
        ..
    } = counts;
    ItemCounts {
        listed: listed + copied + verified + damaged,
        copied: 0,
        verified: 0,
        damaged: 0,
        ..counts
    }
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
        practice: job.policy.practice,
        until: None,
        owner: job.setup.owner.clone(),
        on_hold: on_hold(job).unwrap_or_default(),
    };
    Ok(Outcome::done(&job.dir, result, Vec::new()))
}

/// What stands in the way of wiping, as the job stands: the gate's points; where it has none, why the release that was
/// given is not in force. A job that is released, or whose release did its work, waits for nothing.
pub fn points(job: &Job<'_>, facts: &[Fact]) -> Result<Vec<OpenPoint>, Problem> {
    if state(job, facts).0 == State::Released {
        return Ok(Vec::new());
    }
    let lapsed = lapsed(job, facts);
    if lapsed.is_some() && release_did_its_work(job, facts) {
        return Ok(lapsed.into_iter().collect());
    }
    let mut points = crate::step::points_now(job)?;
    if points.is_empty() {
        points.extend(lapsed);
    }
    Ok(points)
}

/// Whether the newest release was used up, or everything was put back since.
fn release_did_its_work(job: &Job<'_>, facts: &[Fact]) -> bool {
    let release = standing::released(facts).map_or(i64::MAX, |fact| fact.number);
    let back = standing::newest(facts, |body| {
        matches!(
            body,
            FactBody::PutBack {
                part: false,
                refused: 0,
                ..
            }
        )
    });
    used(job, facts).is_some() || back.is_some_and(|fact| fact.number > release)
}

/// When the newest release was used up: a guarded command was let loose on every drive of the job.
pub fn used(job: &Job<'_>, facts: &[Fact]) -> Option<Moment> {
    let spent: Option<Vec<Moment>> = (0..job.setup.drives.len())
        .map(|number| crate::step::present::spent(facts, number))
        .collect();
    spent?.into_iter().max()
}

/// Why the newest release is not in force; `None` = it is, or none was given, or the record of it is closed.
fn lapsed(job: &Job<'_>, facts: &[Fact]) -> Option<OpenPoint> {
    let release = standing::released(facts)?;
    let FactBody::Released { expires, .. } = release.body else {
        return None;
    };
    if standing::is_closing(facts) {
        return None;
    }
    let why = if let Some(at) = used(job, facts) {
        format!("was used up at {at:.0} by a guarded command")
    } else if let Some(fact) = standing::voided(facts) {
        format!(
            "is void since {:.0}: {}",
            fact.at,
            standing::happened(&fact.body)
        )
    } else if let Some((at, changed)) = failed_recheck(facts, release.number) {
        format!(
            "did not hold when it was rechecked at {at:.0}: changed were {}",
            changed.join(", ")
        )
    } else {
        format!("ended at {expires:.0}")
    };
    Some(not_in_force(
        job,
        format!("the release of {:.0} {why}", release.at),
        release_did_its_work(job, facts),
    ))
}

/// A release that is not in force, as a point.
pub fn not_in_force(job: &Job<'_>, says: String, done: bool) -> OpenPoint {
    let remedy = if done {
        "holdpoint put-back JOB --to DIR"
    } else {
        "holdpoint release JOB\nor, when the wipe is done and the fresh system stands:\nholdpoint put-back JOB --to DIR"
    };
    OpenPoint {
        id: "release-lapsed".to_owned(),
        says,
        lost: "nothing may be wiped without a release in force".to_owned(),
        evidence: "the record of this job".to_owned(),
        remedy: remedy.replace(" JOB", &format!(" {}", job.typed())),
        who: Who::Nobody,
        count: 1,
    }
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
    let holds = |issued: &standing::Issued| {
        !is_void(job, facts, issued.number)
            && used(job, facts).is_none()
            && job.now() < issued.expires
    };
    match standing::issued(facts).filter(holds) {
        Some(issued) => (State::Released, Some(issued.expires)),
        None => (State::Hold, None),
    }
}

/// Whether something that happened since fact `released` makes it void, apart from time and use. What this record does
/// not know of may.
fn is_void(job: &Job<'_>, facts: &[Fact], released: i64) -> bool {
    standing::voided(facts).is_some()
        || failed_recheck(facts, released).is_some()
        || !matches!(job.outrun_by(), Ok(None))
}

/// Whether a release was given that nothing has made void; it may have ended, or have been used.
pub fn was_released(job: &Job<'_>, facts: &[Fact]) -> bool {
    standing::released(facts).is_some_and(|fact| !is_void(job, facts, fact.number))
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
    let mut closed = false;
    for place in places {
        let walk = walkdir::WalkDir::new(place)
            .max_depth(3)
            .same_file_system(true)
            .follow_links(false);
        // What lies in a folder that cannot be entered is another user's to show.
        let denied = |e: &walkdir::Error| {
            let cause = e.io_error().map(std::io::Error::kind);
            cause == Some(std::io::ErrorKind::PermissionDenied)
        };
        let ledgers = walk
            .into_iter()
            .filter_map(|entry| entry.inspect_err(|e| closed |= denied(e)).ok())
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
                let note = shown.note;
                let path = PathText::of(&dir);
                jobs.push(JobLine {
                    job: path.path,
                    raw: path.raw,
                    state: shown.state,
                    owner: shown.owner,
                    opened: Some(job.setup.opened),
                    next: shown.next,
                    note,
                    closed: shown.closed,
                    practice: shown.practice,
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
                    next: first_command(&problem.clone().for_job(&dir).next).unwrap_or_default(),
                    note: Some(problem.what),
                    closed: None,
                    practice: false,
                });
            }
        }
    }
    Ok(Outcome::alone(ShownAll { jobs, closed }))
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
    commands(remedy).next().map(str::to_owned)
}

/// What somebody has to do by hand first, and the first command after it.
fn by_hand(remedy: &str) -> String {
    let is_command = |line: &&str| line.starts_with("holdpoint ");
    let end = remedy.lines().position(|line| is_command(&line));
    let lines = remedy.lines().take(end.map_or(usize::MAX, |end| end + 1));
    lines.collect::<Vec<_>>().join("\n")
}

fn commands(remedy: &str) -> impl Iterator<Item = &str> {
    remedy.lines().filter(|line| line.starts_with("holdpoint "))
}

/// The command of a remedy that leads on: not one that only shows something, nor the step that was just done and left
/// the point open, where there is another.
fn leads_on(remedy: &str, facts: &[Fact]) -> Option<String> {
    let done = facts.iter().rev().find_map(|fact| match fact.body {
        FactBody::Sealed { .. } => None,
        FactBody::Read { .. } | FactBody::Forecast { .. } => Some("assess"),
        FactBody::Surveyed { .. } => Some("plan"),
        FactBody::Copied { .. } => Some("copy"),
        FactBody::Verified { .. } | FactBody::SourceReadAgain { .. } => Some("verify"),
        FactBody::AskedToRelease { .. } => Some("release"),
        _ => Some(""),
    });
    let verb = |line: &str| line.split(' ').nth(1).map(str::to_owned);
    let leads = |line: &&str| {
        let verb = verb(line);
        verb.as_deref() != done && !matches!(verb.as_deref(), Some("print" | "inspect"))
    };
    let mut all = commands(remedy);
    all.find(leads)
        .map(str::to_owned)
        .or_else(|| first_command(remedy))
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

/// Until when the shop's copy of a job is kept that was put back, while that time runs.
fn kept_still(job: &Job<'_>, facts: &[Fact]) -> Option<Moment> {
    standing::returned(facts)?;
    crate::step::close::kept_until(job, facts).filter(|until| job.now() < *until)
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
        leads_on(&point.remedy, facts)
    };
    if standing::is_closed(facts) {
        return None;
    }
    if standing::is_closing(facts) {
        // The deleting was cut off.
        return command("close JOB --now --reason TEXT");
    }
    let last = |wanted: fn(&FactBody) -> bool| {
        standing::newest(facts, wanted).map_or(0, |fact| fact.number)
    };
    let release = standing::released(facts).map_or(0, |fact| fact.number);
    let back = standing::returned(facts);
    // What came back after a release is its end; without one, whatever holds the release comes first.
    let ended = points.iter().all(|point| point.id == "release-lapsed");
    if let Some((_, refused)) = back.filter(|(number, _)| *number > release.max(1) && ended) {
        return command(match kept_still(job, facts) {
            _ if refused > 0 => "put-back JOB --to DIR",
            // The copy stays its time; what is left to do now is the owner's paper.
            Some(_) => "print JOB --paper receipt",
            None => "close JOB",
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
    let first = |id: &&str| points.iter().find(|point| point.id == **id);
    if let Some(point) = FIRST.iter().find_map(first) {
        return Some(by_hand(&point.remedy));
    }
    let judged = last(|body| matches!(body, FactBody::Forecast { .. })) > 0;
    // Where no reading was ever had and it was decided to go on without, there is nothing to assess.
    if release == 0 && !judged && remedy_of("health-unread").is_some() {
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
        .find_map(|point| leads_on(&point.remedy, facts))
        .or_else(|| command("release JOB"))
}
