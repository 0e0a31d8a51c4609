//! `show`.

use crate::cli::args::ShowArgs;
use crate::cli::desk::Desk;
use crate::cli::text;
use crate::step::outcome::Exit;

pub(super) fn go(args: &ShowArgs, desk: &mut Desk<'_>) -> Exit {
    match &args.job {
        Some(job) => {
            let answer = desk.engine.show(job);
            desk.deliver("show", Some(job), answer, text::show::page)
        }
        None => {
            let answer = desk.engine.show_all();
            desk.deliver("show", None, answer, text::show::all)
        }
    }
}
