//! `show`: where a job stands, and what comes next. Reads only, and never waits for a running step.

use crate::job::{Job, SnapshotOf, ledger_problem};
use crate::ledger::{Fact, FactBody, Ledger, standing};
use crate::port::Bench;
use crate::step::outcome::{Exit, JobLine, Outcome, PathText, Problem, Shown, ShownAll, State};
use crate::value::Moment;
use std::path::PathBuf;

/// Where one job stands.
pub fn show(job: &Job<'_>) -> Result<Outcome<Shown>, Problem> {
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
    let next = snapshot.map(|of| {
        format!(
            "this is a copy of the record, made {}: holdpoint show {}",
            of.made,
            shell_word(&of.home.text)
        )
    });
    let next = next.unwrap_or_else(|| {
        next_step(
            job,
            &facts,
            state,
            &points
                .iter()
                .map(|point| point.remedy.as_str())
                .collect::<Vec<_>>(),
        )
    });
    let result = Shown {
        state,
        items,
        next,
        until,
        owner: job.setup.owner.clone(),
        on_hold: on_hold(job)?,
    };
    Ok(Outcome::done(&job.dir, result, points))
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
    let voided = standing::voided(facts).is_some()
        || facts.iter().any(|fact| {
            fact.number > number && matches!(fact.body, FactBody::Rechecked { holds: false, .. })
        });
    let drives = job.setup.drives.len();
    let spent = drives > 0
        && (0..drives).all(|number| crate::step::present::spent(facts, number).is_some());
    if voided || spent || job.now() >= expires {
        (State::Hold, None)
    } else {
        (State::Released, Some(expires))
    }
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
    Ok(Outcome {
        job: None,
        result: ShownAll { jobs },
        open_points: Vec::new(),
        exit: Exit::Done,
    })
}

/// The next command.
pub fn next_step(job: &Job<'_>, facts: &[Fact], state: State, remedies: &[&str]) -> String {
    let dir = shell_word(&job.dir.display().to_string());
    let has = |wanted: fn(&FactBody) -> bool| facts.iter().any(|fact| wanted(&fact.body));
    let step = if standing::is_closed(facts) {
        return "nothing: this job is closed".to_owned();
    } else if standing::is_closing(facts) {
        // The deleting was cut off.
        return format!("holdpoint close {dir} --now --reason TEXT");
    } else if state == State::Released {
        return format!(
            "wipe only what the slip names (holdpoint print {dir} --paper slip), then holdpoint put-back {dir} --to DIR"
        );
    } else if (0..job.setup.drives.len())
        .any(|number| crate::step::present::spent(facts, number).is_some())
    {
        return format!("holdpoint put-back {dir} --to DIR");
    } else if !has(|body| matches!(body, FactBody::Forecast { .. })) {
        "assess"
    } else if standing::surveyed(facts).is_none() {
        "plan"
    } else if !has(|body| matches!(body, FactBody::Copied { remaining: 0, .. }))
        || crate::step::state::remaining(job).is_ok_and(|left| left > 0)
    {
        "copy"
    } else if !has(|body| matches!(body, FactBody::Verified { .. })) {
        "verify"
    } else if let Some(first) = remedies.first() {
        return (*first).to_owned();
    } else {
        "release"
    };
    format!("holdpoint {step} {dir}")
}

/// A path that a shell takes as one word.
pub fn shell_word(text: &str) -> String {
    let plain = text
        .chars()
        .all(|c| c.is_ascii_alphanumeric() || "/._-+:@".contains(c));
    if plain {
        text.to_owned()
    } else {
        format!("'{}'", text.replace('\'', "'\\''"))
    }
}
