//! `print`.

use crate::cli::args::PrintArgs;
use crate::cli::desk::Desk;
use crate::cli::text;
use crate::step::outcome::Exit;
use crate::step::request::PrintRequest;

pub(super) fn go(args: &PrintArgs, desk: &mut Desk<'_>) -> Exit {
    let request = PrintRequest {
        job: args.job.clone(),
        paper: args.paper,
        out: args.out.clone(),
        names: args.names,
        language: args.language.clone(),
    };
    let answer = desk.engine.print(&request);
    desk.deliver("print", Some(&args.job), answer, |page, outcome| {
        text::print::page(page, &request, outcome);
    })
}
