//! `completions`.

use crate::cli::args::{self, CompletionsArgs};
use crate::cli::desk::Desk;
use crate::cli::look::Look;
use crate::step::outcome::{CompletionsPrinted, Exit, Outcome};

pub(super) fn go(args: &CompletionsArgs, desk: &mut Desk<'_>) -> Exit {
    let mut script = Vec::new();
    clap_complete::generate(
        args.shell,
        &mut args::tree(Look::USUAL),
        "holdpoint",
        &mut script,
    );
    let text = String::from_utf8_lossy(&script).into_owned();
    if !desk.json {
        return desk.write_out(&text, Exit::Done);
    }
    let outcome = Outcome::alone(CompletionsPrinted {
        shell: args.shell.to_string(),
        text,
    });
    desk.deliver("completions", None, Ok(outcome), |_, _| {})
}
