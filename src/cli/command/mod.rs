//! One thin file per command: options in, request to the engine, result out.

mod assess;
mod close;
mod completions;
mod copy;
mod demo;
mod guard;
mod inspect;
mod manual;
mod open;
mod plan;
mod policy;
mod print;
mod put_back;
mod recheck;
mod release;
mod run;
mod schema;
mod show;
mod verify;
mod waive;

use super::args::Command;
use super::desk::Desk;
use crate::step::outcome::Exit;

/// Does one command.
pub fn go(command: &Command, desk: &mut Desk<'_>) -> Exit {
    match command {
        Command::Open(args) => open::go(args, desk),
        Command::Assess(args) => assess::go(args, desk),
        Command::Plan(args) => plan::go(args, desk),
        Command::Copy(args) => copy::go(args, desk),
        Command::Verify(args) => verify::go(args, desk),
        Command::Inspect(args) => inspect::go(args, desk),
        Command::Waive(args) => waive::go(args, desk),
        Command::Release(args) => release::go(args, desk),
        Command::Recheck(args) => recheck::go(args, desk),
        Command::Guard(args) => guard::go(args, desk),
        Command::Print(args) => print::go(args, desk),
        Command::PutBack(args) => put_back::go(args, desk),
        Command::Close(args) => close::go(args, desk),
        Command::Show(args) => show::go(args, desk),
        Command::Run(args) => run::go(args, desk),
        Command::Demo(args) => demo::go(args, desk),
        Command::Policy(args) => policy::go(args, desk),
        Command::Schema => schema::go(desk),
        Command::Manual(args) => manual::go(args, desk),
        Command::Completions(args) => completions::go(args, desk),
    }
}
