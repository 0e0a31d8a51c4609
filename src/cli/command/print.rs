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
        offset_minutes: offset(&desk.look.zone),
    };
    let answer = desk.engine.print(&request);
    desk.deliver("print", Some(&args.job), answer, |page, outcome| {
        text::print::page(page, &request, outcome);
    })
}

/// Minutes east of UTC where the shop is, now.
fn offset(zone: &jiff::tz::TimeZone) -> i16 {
    let seconds = zone.to_offset(jiff::Timestamp::now()).seconds();
    i16::try_from(seconds / 60).unwrap_or_default()
}
