//! `guard`.

use crate::cli::args::GuardArgs;
use crate::cli::desk::Desk;
use crate::cli::text;
use crate::step::outcome::{Exit, Problem};
use crate::step::request::GuardRequest;
use std::os::unix::ffi::OsStrExt;

/// What stands for the identified drive in the command.
const PLACE: &[u8] = b"{drive}";

pub(super) fn go(args: &GuardArgs, desk: &mut Desk<'_>) -> Exit {
    let job = Some(args.job.as_path());
    let places = args
        .command
        .iter()
        .filter(|word| {
            word.as_bytes()
                .windows(PLACE.len())
                .any(|part| part == PLACE)
        })
        .count();
    if places != 1 {
        let problem = Problem::usage(
            format!(
                "the command must hold {{drive}} in exactly one argument, found it in {places}"
            ),
            "",
            "write {drive} where the command names the drive; the identified drive is put there",
        );
        return desk.refuse("guard", job, &problem);
    }
    let request = GuardRequest {
        job: args.job.clone(),
        drive: args.drive.clone(),
        dry_run: args.dry_run,
        output_aside: desk.json,
        command: args.command.clone(),
    };
    let mut answer = desk.step(|engine, tell| engine.guard(&request, tell));
    // A command that was refused is never exit code 0, nor is one that failed.
    if let Ok(outcome) = &mut answer
        && outcome.exit == Exit::Done
    {
        if outcome.result.refused.is_some() {
            outcome.exit = Exit::Hold;
        } else if outcome.result.ran && outcome.result.exit != Some(0) {
            outcome.exit = Exit::Failed;
        }
    }
    desk.deliver("guard", job, answer, |page, outcome| {
        text::guard::page(page, &request, outcome);
    })
}
