//! `run`: the whole job in one go. Each step's page is printed as it ends; the last one
//! carries the open points and the exit code.

use super::{release, verify};
use crate::cli::args::RunArgs;
use crate::cli::ask;
use crate::cli::desk::Desk;
use crate::cli::engine::Answer;
use crate::cli::page::Page;
use crate::cli::text;
use crate::ledger::Ledger;
use crate::step::outcome::{Exit, MustHave, Outcome};
use crate::step::request::{
    AnswerRequest, AssessRequest, CopyRequest, InspectRequest, PlanRequest, ReleaseRequest,
    VerifyRequest,
};
use serde::Serialize;
use std::path::{Path, PathBuf};

const COMMAND: &str = "run";
/// How a run that was left goes on.
const GOES_ON: &str = "holdpoint run --job JOB";

pub(super) fn go(args: &RunArgs, desk: &mut Desk<'_>) -> Exit {
    match all(args, desk) {
        Ok(exit) | Err(exit) => exit,
    }
}

/// Every step in turn; `Err` = a step ended the run.
fn all(args: &RunArgs, desk: &mut Desk<'_>) -> Result<Exit, Exit> {
    let may_ask = !args.yes;
    let job = match &args.open.job {
        // Nothing to add to a job that is there: the run goes on with the next step.
        Some(job) if Ledger::is_in(job) && args.open.names_only_the_job() => job.clone(),
        _ => put_on_hold(args, desk, may_ask)?,
    };

    let assess = AssessRequest {
        job: job.clone(),
        replies: args.open.replies.clone(),
        sampling: true,
    };
    let asked = text::assess::Asked {
        explain: false,
        sampling: true,
    };
    let answer = desk.step(|engine, tell| engine.assess(&assess, tell));
    stage(
        desk,
        "Step 2: health and forecast",
        Some(&job),
        answer,
        |page, outcome| {
            text::assess::page(page, asked, outcome);
        },
    )?;

    let plan = PlanRequest {
        job: job.clone(),
        list: false,
    };
    let answer = desk.step(|engine, tell| engine.plan(&plan, tell));
    let planned = stage(
        desk,
        "Step 3: survey and plan",
        Some(&job),
        answer,
        |page, outcome| {
            text::plan::page(page, &plan, outcome);
        },
    )?;

    let copy = CopyRequest {
        job: job.clone(),
        limit_bytes: None,
        limit_minutes: None,
    };
    let answer = desk.step(|engine, tell| engine.copy(&copy, tell));
    stage(desk, "Step 4: copy", Some(&job), answer, |page, outcome| {
        text::copy::page(page, &copy, outcome);
    })?;

    let read_back = VerifyRequest {
        path: job.clone(),
        attest: false,
    };
    let answer = verify::strict(desk.step(|engine, tell| engine.verify(&read_back, tell)));
    stage(
        desk,
        "Step 5: read back",
        Some(&job),
        answer,
        |page, outcome| {
            text::verify::page(page, &read_back, outcome);
        },
    )?;

    let inspect = InspectRequest {
        job: job.clone(),
        fault_since: None,
        sample: None,
    };
    let answer = desk.step(|engine, tell| engine.inspect(&inspect, tell));
    stage(
        desk,
        "Step 6: inspect",
        Some(&job),
        answer,
        |page, outcome| {
            text::inspect::page(page, &inspect, outcome);
        },
    )?;

    // Asked last: by then the copies are there to look into.
    if may_ask {
        must_haves(desk, &job, &planned.result.must_haves)?;
    }

    let mut request = ReleaseRequest {
        job: job.clone(),
        key: None,
        valid_hours: None,
        second_look: None,
    };
    let answer = release::ask_gate(&mut request, desk, may_ask);
    Ok(desk.deliver(COMMAND, Some(&job), answer, |page, outcome| {
        text::release::page(page, &request, outcome);
    }))
}

/// The first step; the folder of the job.
fn put_on_hold(args: &RunArgs, desk: &mut Desk<'_>, may_ask: bool) -> Result<PathBuf, Exit> {
    let asker = desk.asker.as_deref_mut().filter(|_| may_ask);
    let open = ask::complete(&args.open, asker)
        .map_err(|problem| ask::going_on(problem, ask::NOT_BEGUN))
        .map_err(|problem| desk.refuse(COMMAND, args.open.job.as_deref(), &problem))?;
    let answer = desk.step(|engine, tell| engine.open(&open, tell));
    let opened = stage(
        desk,
        "Step 1: on hold",
        args.open.job.as_deref(),
        answer,
        |page, outcome| {
            text::open::page(page, &open, outcome);
        },
    )?;
    let named = opened.result.job;
    Ok(opened.job.unwrap_or_else(|| PathBuf::from(named)))
}

/// Delivers a step that is not the last; goes on only when it did its work.
fn stage<T: Serialize>(
    desk: &mut Desk<'_>,
    name: &str,
    job: Option<&Path>,
    answer: Answer<T>,
    text: impl FnOnce(&mut Page, &Outcome<T>),
) -> Result<Outcome<T>, Exit> {
    match answer {
        Ok(outcome) if outcome.exit == Exit::Done => {
            desk.show_stage(name, &outcome, text)?;
            Ok(outcome)
        }
        mut other => {
            if let Ok(outcome) = &mut other
                && outcome.exit == Exit::Stopped
                && let Some(job) = &outcome.job
            {
                // The same command would begin another job.
                let typed = format!(" {}", crate::value::typed(job.as_os_str()));
                outcome.next = Some(GOES_ON.replace(" JOB", &typed));
            }
            Err(desk.deliver(COMMAND, job, other, text))
        }
    }
}

/// Asks where each must-have is that nobody answered yet; again after a path that names nothing.
fn must_haves(desk: &mut Desk<'_>, job: &Path, asked: &[MustHave]) -> Result<(), Exit> {
    for (number, must_have) in (1u32..).zip(asked).filter(|(_, asked)| !asked.answered) {
        loop {
            let Some(asker) = desk.asker.as_deref_mut() else {
                return Ok(());
            };
            let answer = match ask::must_have(asker, &must_have.asked) {
                Ok(Some(answer)) => answer,
                // The gate says it again.
                Ok(None) => break,
                Err(problem) => {
                    let problem = ask::going_on(problem, GOES_ON);
                    return Err(desk.refuse(COMMAND, Some(job), &problem));
                }
            };
            let request = AnswerRequest {
                job: job.to_owned(),
                number,
                answer,
            };
            match desk.engine.answer(&request) {
                Ok(_) => break,
                Err(problem) if problem.exit() == Exit::Stopped => {
                    return Err(desk.refuse(COMMAND, Some(job), &problem));
                }
                Err(problem) => desk.remark(&problem.for_job(job)),
            }
        }
    }
    Ok(())
}
