//! `recheck`.

use crate::cli::args::RecheckArgs;
use crate::cli::desk::Desk;
use crate::cli::text;
use crate::step::outcome::Exit;
use crate::step::request::RecheckRequest;

pub(super) fn go(args: &RecheckArgs, desk: &mut Desk<'_>) -> Exit {
    let request = RecheckRequest {
        job: args.job.clone(),
        drive: args.drive.clone(),
    };
    let mut answer = desk.step(|engine, tell| engine.recheck(&request, tell));
    // A release that does not hold is never exit code 0.
    if let Ok(outcome) = &mut answer
        && !outcome.result.holds
        && outcome.exit == Exit::Done
    {
        outcome.exit = Exit::Hold;
    }
    desk.deliver("recheck", Some(&args.job), answer, text::recheck::page)
}
