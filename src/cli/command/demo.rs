//! `demo`.

use crate::cli::args::DemoArgs;
use crate::cli::desk::Desk;
use crate::cli::progress::Manner;
use crate::cli::text;
use crate::step::outcome::Exit;
use crate::step::request::DemoRequest;

pub(super) fn go(args: &DemoArgs, desk: &mut Desk<'_>) -> Exit {
    let request = DemoRequest {
        keep: args.keep.clone(),
    };
    // What the invented drive refuses stands in the page, below the words that it is invented.
    desk.manner = Manner::Silent;
    let answer = desk.step(|engine, tell| engine.demo(&request, tell));
    desk.deliver("demo", None, answer, text::demo::page)
}
