//! `put-back`.

use crate::cli::args::PutBackArgs;
use crate::cli::desk::Desk;
use crate::cli::text;
use crate::step::outcome::{Exit, Outcome, PathText, Problem, PutBack};
use crate::step::request::PutBackRequest;

pub(super) fn go(args: &PutBackArgs, desk: &mut Desk<'_>) -> Exit {
    let request = PutBackRequest {
        job: args.job.clone(),
        to: args.to.clone(),
        map: args.map.clone(),
        only: args.only,
        person: args.person.clone(),
    };
    let mut answer = desk.step(|engine, tell| engine.put_back(&request, tell));
    if let Ok(outcome) = &mut answer {
        outcome.short = outcome.short.take().or_else(|| short(args, outcome));
    }
    desk.deliver("put-back", Some(&args.job), answer, text::put_back::page)
}

/// Why it ends as a failure although it returned what it could.
fn short(args: &PutBackArgs, outcome: &Outcome<PutBack>) -> Option<Problem> {
    let refused = &outcome.result.refused;
    let first = refused.first().filter(|_| outcome.exit == Exit::Failed)?;
    Some(Problem::failed(
        format!(
            "{} not returned whole, for example {}: {}",
            text::items(refused.len() as u64),
            first.path,
            first.why
        ),
        PathText::of(&args.to).path,
        "look at each in the list and put right what stands in the way, then:\nholdpoint put-back JOB --to DIR",
    ))
}
