//! `close`.

use crate::cli::args::CloseArgs;
use crate::cli::desk::Desk;
use crate::cli::text;
use crate::step::outcome::{Exit, Problem};
use crate::step::request::{CloseRequest, CloseWhen};

pub(super) fn go(args: &CloseArgs, desk: &mut Desk<'_>) -> Exit {
    let job = Some(args.job.as_path());
    let when = match (args.now, &args.reason, args.keep_until) {
        (true, Some(reason), _) if !reason.trim().is_empty() => CloseWhen::Now {
            reason: reason.clone(),
        },
        (true, _, _) => {
            let problem = Problem::usage(
                "--now needs a reason: the copy goes before its time",
                "",
                "add --reason TEXT",
            );
            return desk.refuse("close", job, &problem);
        }
        (false, _, Some(day)) => CloseWhen::KeepUntil(day),
        (false, _, None) => CloseWhen::ByPolicy,
    };
    let request = CloseRequest {
        job: args.job.clone(),
        when,
    };
    let answer = desk.step(|engine, tell| engine.close(&request, tell));
    desk.deliver("close", job, answer, text::close::page)
}
