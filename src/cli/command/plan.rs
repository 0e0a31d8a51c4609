//! `plan`.

use crate::cli::args::PlanArgs;
use crate::cli::desk::Desk;
use crate::cli::text;
use crate::step::outcome::Exit;
use crate::step::request::PlanRequest;

pub(super) fn go(args: &PlanArgs, desk: &mut Desk<'_>) -> Exit {
    let request = PlanRequest {
        job: args.job.clone(),
        list: args.list,
    };
    let answer = desk.step(|engine, tell| engine.plan(&request, tell));
    desk.deliver("plan", Some(&args.job), answer, |page, outcome| {
        text::plan::page(page, &request, outcome);
    })
}
