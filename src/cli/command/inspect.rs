//! `inspect`.

use crate::cli::args::InspectArgs;
use crate::cli::desk::Desk;
use crate::cli::text;
use crate::step::outcome::Exit;
use crate::step::request::InspectRequest;

pub(super) fn go(args: &InspectArgs, desk: &mut Desk<'_>) -> Exit {
    let request = InspectRequest {
        job: args.job.clone(),
        fault_since: args.fault_since,
        sample: args.sample,
    };
    let answer = desk.step(|engine, tell| engine.inspect(&request, tell));
    desk.deliver("inspect", Some(&args.job), answer, |page, outcome| {
        text::inspect::page(page, &request, outcome);
    })
}
