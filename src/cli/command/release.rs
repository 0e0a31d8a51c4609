//! `release`.

use crate::cli::args::ReleaseArgs;
use crate::cli::ask;
use crate::cli::desk::Desk;
use crate::cli::engine::Answer;
use crate::cli::text;
use crate::step::outcome::{Exit, Released, State};
use crate::step::request::ReleaseRequest;

/// The open point that a second look closes.
const SECOND_LOOK: &str = "second-look";

pub(super) fn go(args: &ReleaseArgs, desk: &mut Desk<'_>) -> Exit {
    let mut request = ReleaseRequest {
        job: args.job.clone(),
        key: args.key.clone(),
        valid_hours: args.valid,
        second_look: args.second_look.clone(),
    };
    let answer = ask_gate(&mut request, desk, true);
    desk.deliver("release", Some(&args.job), answer, |page, outcome| {
        text::release::page(page, &request, outcome);
    })
}

/// Asks the gate; when nothing but the second look is open, and there is a terminal, asks for
/// it and asks the gate again.
pub(super) fn ask_gate(
    request: &mut ReleaseRequest,
    desk: &mut Desk<'_>,
    may_ask: bool,
) -> Answer<Released> {
    let first = strict(desk.step(|engine, tell| engine.release(request, tell)));
    let only_the_look = first.as_ref().is_ok_and(|outcome| {
        !outcome.open_points.is_empty()
            && outcome
                .open_points
                .iter()
                .all(|point| point.id == SECOND_LOOK)
    });
    if !may_ask || !only_the_look || request.second_look.is_some() {
        return first;
    }
    let Some(asker) = desk.asker.as_deref_mut() else {
        return first;
    };
    let asked = ask::second_look(asker).map_err(|problem| {
        let next = "holdpoint release JOB --second-look TEXT\nnothing else is open";
        ask::going_on(problem, next)
    });
    request.second_look = Some(asked?);
    strict(desk.step(|engine, tell| engine.release(request, tell)))
}

/// A job on hold is never exit code 0.
fn strict(mut answer: Answer<Released>) -> Answer<Released> {
    if let Ok(outcome) = &mut answer
        && outcome.result.state == State::Hold
        && outcome.exit == Exit::Done
    {
        outcome.exit = Exit::Hold;
    }
    answer
}
