//! `open`.

use crate::cli::args::OpenArgs;
use crate::cli::ask;
use crate::cli::desk::Desk;
use crate::cli::text;
use crate::step::outcome::Exit;

pub(super) fn go(args: &OpenArgs, desk: &mut Desk<'_>) -> Exit {
    let request = match ask::complete(args, desk.asker.as_deref_mut()) {
        Ok(request) => request,
        Err(problem) => {
            let problem = ask::going_on(problem, ask::NOT_BEGUN);
            return desk.refuse("open", args.job.as_deref(), &problem);
        }
    };
    let answer = desk.step(|engine, tell| engine.open(&request, tell));
    desk.deliver("open", args.job.as_deref(), answer, |page, outcome| {
        text::open::page(page, &request, outcome);
    })
}
