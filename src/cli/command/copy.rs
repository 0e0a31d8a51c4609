//! `copy`.

use crate::cli::args::CopyArgs;
use crate::cli::desk::Desk;
use crate::cli::text;
use crate::step::outcome::Exit;
use crate::step::request::CopyRequest;

pub(super) fn go(args: &CopyArgs, desk: &mut Desk<'_>) -> Exit {
    let request = CopyRequest {
        job: args.job.clone(),
        limit_bytes: args.limit_bytes,
        limit_minutes: args.limit_minutes,
    };
    let answer = desk.step(|engine, tell| engine.copy(&request, tell));
    desk.deliver("copy", Some(&args.job), answer, |page, outcome| {
        text::copy::page(page, &request, outcome);
    })
}
