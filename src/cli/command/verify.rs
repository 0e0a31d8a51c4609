//! `verify`.

use crate::cli::args::VerifyArgs;
use crate::cli::desk::Desk;
use crate::cli::engine::Answer;
use crate::cli::text;
use crate::ledger::Ledger;
use crate::step::outcome::{Exit, Verified};
use crate::step::request::VerifyRequest;

pub(super) fn go(args: &VerifyArgs, desk: &mut Desk<'_>) -> Exit {
    let request = VerifyRequest {
        path: args.path.clone(),
        attest: args.attest,
    };
    let answer = strict(desk.step(|engine, tell| engine.verify(&request, tell)));
    // A bag is no job: then a refusal names the path as what it was tried on, not as the job.
    let job = Ledger::is_in(&args.path).then_some(&*args.path);
    desk.deliver("verify", job, answer, |page, outcome| {
        text::verify::page(page, &request, outcome);
    })
}

/// A difference is never exit code 0.
pub(super) fn strict(mut answer: Answer<Verified>) -> Answer<Verified> {
    if let Ok(outcome) = &mut answer {
        let seen = &outcome.result;
        let differs =
            !(seen.mismatched.is_empty() && seen.missing.is_empty() && seen.extra.is_empty());
        if differs && outcome.exit == Exit::Done {
            outcome.exit = Exit::Failed;
        }
    }
    answer
}
