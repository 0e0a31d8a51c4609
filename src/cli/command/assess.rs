//! `assess`.

use crate::cli::args::AssessArgs;
use crate::cli::desk::Desk;
use crate::cli::text::assess;
use crate::step::outcome::Exit;
use crate::step::request::AssessRequest;

pub(super) fn go(args: &AssessArgs, desk: &mut Desk<'_>) -> Exit {
    let request = AssessRequest {
        job: args.job.clone(),
        replies: args.replies.clone(),
        sampling: !args.no_sampling,
    };
    let asked = assess::Asked {
        explain: args.explain,
        sampling: request.sampling,
    };
    let answer = desk.step(|engine, tell| engine.assess(&request, tell));
    desk.deliver("assess", Some(&args.job), answer, |page, outcome| {
        assess::page(page, asked, outcome);
    })
}
