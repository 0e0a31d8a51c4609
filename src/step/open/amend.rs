//! `open --job` on a job that is there: answers of the intake, and destinations that it did not have.
//!
//! Invariant: what was opened stays what it is: source, policy, record and earlier destinations are not touched, and a
//! destination keeps its number, because the copies of every item are known by it. A new one takes the next; one that is
//! mounted in another place is known by its id file.

use super::moved;
use super::places::{OnHold, check_places, settle_destinations};
use super::{drives, hold_folder, must_have_list, opened};
use crate::job::{Job, KeptPath, Setup, ledger_problem};
use crate::ledger::{Fact, FactBody, LedgerError};
use crate::port::Bench;
use crate::step::outcome::{Opened, Outcome, Problem, State};
use crate::step::request::{OpenRequest, Source};
use std::path::{Path, PathBuf};

/// The most destinations that a job can have: each is a bit in every row.
const MOST: usize = 63;

/// Adds answers and destinations to a job. Nothing else of it changes.
pub fn amend(job: Job<'_>, request: &OpenRequest) -> Result<Outcome<Opened>, Problem> {
    refuse_another_source(&job, request)?;
    refuse_what_stays(&job, request)?;
    let facts = job.ledger.facts().map_err(|e| ledger_problem(&e))?;
    crate::step::refuse_closing(&job, &facts)?;
    let mut setup = job.setup.clone();
    let (moved, new) = moved::told(&job, new_destinations(&job, request)?)?;
    let answers = [
        request.owner.is_some(),
        request.technician.is_some(),
        request.symptom.is_some(),
        request.memory.is_some(),
        request.machine.is_some(),
        request.must_have.is_some(),
    ];
    if !answers.contains(&true) && new.is_empty() && moved.is_empty() {
        return Err(Problem::usage(
            "this job is open already, and neither an answer nor a new destination was given",
            job.shown(),
            "add --owner, --technician, --symptom, --memory, --machine, --must-have or --to; or choose another --job for a new one",
        ));
    }
    if !new.is_empty() {
        if crate::step::show::state(&job, &facts).0 == State::Released {
            return Err(Problem::failed(
                "this job is released: with another destination its release would not hold",
                job.shown(),
                "holdpoint show JOB",
            ));
        }
        setup.destinations = settle_destinations(
            job.bench,
            &job.policy,
            &on_hold(job.bench, &setup)?,
            setup.destinations,
            &new,
            (&setup.name, &setup.id),
        )?;
    }
    moved::settle(&job, &on_hold(job.bench, &setup)?, &mut setup, &moved)?;
    setup.owner = request.owner.clone().or(setup.owner);
    setup.technician = request.technician.clone().or(setup.technician);
    answer_again(&job, request, &facts, &mut setup);
    setup.machine = request.machine.or(setup.machine);
    if request.machine.is_some() {
        setup.others = drives::others(job.bench, &setup.drives, setup.machine);
    }
    if let Some(must_have) = &request.must_have {
        // Earlier must-haves keep their numbers, because answers refer to them.
        let mut list = setup.must_haves.unwrap_or_default();
        list.extend(
            must_have_list(must_have)
                .into_iter()
                .filter(|text| !list.contains(text))
                .collect::<Vec<_>>(),
        );
        setup.must_haves = Some(list);
    }
    let (at, kept) = (job.now(), super::as_kept(&setup)?);
    job.ledger
        .transaction::<_, LedgerError>(|ledger| {
            for moved in &moved {
                let destination = moved.number;
                ledger.record(at, &FactBody::Moved { destination })?;
            }
            super::write_setup(ledger, at, kept.clone())
        })
        .map_err(|e| ledger_problem(&e))?;
    let Job {
        bench, ledger, dir, ..
    } = job;
    let renewed = Job::with(bench, ledger, dir)?;
    // What was judged before an answer is judged again with it.
    crate::step::assess::judge_again(&renewed)?;
    let warnings = renewed.snapshot();
    let drives = drives::shown(&renewed)?;
    let facts = renewed.ledger.facts().map_err(|e| ledger_problem(&e))?;
    let mut told = opened(&renewed, drives);
    (told.state, _) = crate::step::show::state(&renewed, &facts);
    let points = crate::step::show::points(&renewed, &facts)?;
    let outcome = Outcome::done(&renewed.dir, told, points);
    Ok(crate::step::show::onward(&renewed, outcome).warning(warnings))
}

/// Symptom and memory told anew. A bad symptom is not taken back by a milder answer: it stays until the owner has decided
/// to go on. Every answer stands in the record.
fn answer_again(job: &Job<'_>, request: &OpenRequest, facts: &[Fact], setup: &mut Setup) {
    let (now, since) = (job.now(), setup.opened);
    if let Some(symptom) = request.symptom {
        let before = setup.symptom.map(|s| s.word());
        setup.answer("symptom", (before, since), (symptom.word(), now));
        let milder = job.has_bad_symptom() && !symptom.is_bad();
        if !milder || crate::step::state::refer_decided(facts) {
            setup.symptom = Some(symptom);
        }
    }
    if let Some(memory) = request.memory {
        let before = setup.memory.map(|m| m.word());
        setup.answer("memory", (before, since), (memory.word(), now));
        setup.memory = Some(memory);
    }
}

/// The destinations named that the job does not have yet, each apart from the source and from all others.
fn new_destinations(job: &Job<'_>, request: &OpenRequest) -> Result<Vec<PathBuf>, Problem> {
    let known: Vec<PathBuf> = (job.setup.destinations.iter())
        .map(|kept| kept.to.path())
        .collect();
    let is_known = |to: &PathBuf| known.contains(&job.bench.absolute(to).unwrap_or(to.clone()));
    let new: Vec<PathBuf> = (request.to.iter())
        .filter(|to| !is_known(to))
        .cloned()
        .collect();
    if new.is_empty() {
        return Ok(new);
    }
    if known.len() + new.len() > MOST {
        return Err(Problem::usage(
            format!("a job has at most {MOST} destinations"),
            "--to",
            "open a new job",
        ));
    }
    let root = job.setup.folder.as_ref().map(|folder| folder.path.path());
    // Those that are away cannot be compared; they lie on disks that are not here.
    let here = known
        .into_iter()
        .filter(|to| job.bench.absolute(to).is_ok());
    let all: Vec<PathBuf> = here.chain(new.iter().cloned()).collect();
    let mut checked = check_places(job.bench, &all, root.as_deref())?;
    Ok(checked.split_off(all.len() - new.len()))
}

/// What lies under the source, looked at anew: the disks may have other names by now.
fn on_hold(bench: &dyn Bench, setup: &Setup) -> Result<OnHold, Problem> {
    if let Some(folder) = &setup.folder {
        return Ok(hold_folder(bench, &folder.path.path())?.1);
    }
    let paths: Vec<PathBuf> = setup.drives.iter().map(|kept| kept.path.path()).collect();
    Ok(drives::look(bench, &paths)?.1)
}

/// Policy and recorded replies are those that the job was opened with; others would silently not count.
fn refuse_what_stays(job: &Job<'_>, request: &OpenRequest) -> Result<(), Problem> {
    let absolute = |path: &Path| job.bench.absolute(path).unwrap_or_else(|_| path.to_owned());
    let same_policy = request.policy.as_ref().is_none_or(|policy| {
        let of_the_job = |file: &KeptPath| file.path() == absolute(Path::new(policy));
        policy.to_string_lossy() == job.setup.policy
            || job.setup.policy_file.as_ref().is_some_and(of_the_job)
    });
    let replies = job.setup.replies.as_ref().map(KeptPath::path);
    let same_replies =
        (request.replies.as_ref()).is_none_or(|path| replies.as_ref() == Some(&absolute(path)));
    let (option, next) = match (same_policy, same_replies) {
        (true, true) => return Ok(()),
        (false, _) => ("--policy", "open a new job to use another policy"),
        (true, false) => (
            "--replies",
            "a reading from other replies is taken with:\nholdpoint assess JOB --replies DIR",
        ),
    };
    Err(Problem::usage(
        format!(
            "{option} stays as the job was opened with; --owner, --technician, --symptom, --memory, --machine, --must-have and --to can be given again"
        ),
        option,
        next,
    ))
}

/// A source that the job does not have would silently not be on hold.
fn refuse_another_source(job: &Job<'_>, request: &OpenRequest) -> Result<(), Problem> {
    let (sources, known): (&[PathBuf], Vec<PathBuf>) = match &request.source {
        Source::OfTheJob => return Ok(()),
        Source::Folder(path) => (
            std::slice::from_ref(path),
            job.setup.folder.iter().map(|f| f.path.path()).collect(),
        ),
        Source::Drives(paths) => (
            paths,
            job.setup.drives.iter().map(|d| d.path.path()).collect(),
        ),
    };
    let strange = sources.iter().find(|path| {
        let absolute = job.bench.absolute(path);
        let absolute = absolute.unwrap_or_else(|_| path.to_path_buf());
        // A kept path may be a name that leads there.
        !known.iter().any(|known| {
            *known == absolute
                || job
                    .bench
                    .absolute(known)
                    .is_ok_and(|known| known == absolute)
        })
    });
    match strange {
        None => Ok(()),
        Some(path) => Err(Problem::usage(
            "this job was opened without it, and keeps the source that it was opened with",
            KeptPath::of(path).text,
            "leave it out to answer questions of this job or to add a destination; or choose another --job for a new one",
        )),
    }
}
