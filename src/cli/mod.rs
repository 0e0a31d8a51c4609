//! The face: arguments, text, JSON, progress, questions.
//!
//! The only place that prints or asks. Results go to standard output, talk to standard error.
//!
//! Invariant: the exit code follows from the engine's answer alone; the face can make it worse (a
//! result that could not be delivered), never better.

pub mod args;
// the real bench
pub mod ask;
pub mod bench;
pub mod command;
pub mod desk;
pub mod engine;
pub mod envelope;
pub mod look;
pub mod page;
pub mod phrase;
pub mod progress;
pub mod schema;
pub mod text;

#[cfg(test)]
mod tests;

use crate::step::outcome::{Exit, HelpPrinted, Outcome, Problem, VersionPrinted};
use desk::Desk;
use engine::Engine;
use look::Look;
use progress::Manner;
use std::ffi::OsString;
use std::io::IsTerminal;
use std::process::ExitCode;

/// Reads the command line, does the command with `engine`, prints, and says how the process ends.
pub fn main(args: impl IntoIterator<Item = OsString>, engine: &dyn Engine) -> ExitCode {
    // Not locked: a worker thread of the engine that has to report a panic must not wait for us.
    let out = std::io::stdout();
    let mut err = std::io::stderr();
    let look = Look::here(false);
    let mut err_look = look.clone();
    err_look.colour = look.colour && err.is_terminal();
    let choice = if look.colour {
        anstream::ColorChoice::AlwaysAnsi
    } else {
        anstream::ColorChoice::Never
    };
    let stop = || engine.stop_asked();
    let mut asker = ask::Terminal::new(&stop);
    // Questions are drawn on standard error, so both ends must be a terminal.
    let can_ask = std::io::stdin().is_terminal() && err.is_terminal();
    // Redrawing takes escape sequences, which a dumb terminal shows as they are.
    let dumb = std::env::var("TERM").is_ok_and(|term| term == "dumb");
    let manner = if err.is_terminal() && !dumb {
        Manner::Drawn
    } else {
        Manner::Plain
    };
    let mut desk = Desk {
        engine,
        look,
        err_look,
        json: false,
        manner,
        asker: can_ask.then_some(&mut asker as &mut dyn ask::Asker),
        out: &mut anstream::AutoStream::new(out, choice),
        err: &mut err,
    };
    ExitCode::from(go(args, &mut desk).code())
}

/// The same with everything around it given, as tests need it.
pub fn go(args: impl IntoIterator<Item = OsString>, desk: &mut Desk<'_>) -> Exit {
    let args: Vec<OsString> = args.into_iter().collect();
    let cli = match args::parse(args.iter().cloned(), desk.look.width) {
        Ok(cli) => cli,
        Err(error) => {
            desk.json = wants_json(&args);
            return not_parsed(&args, &error, desk);
        }
    };
    desk.json = cli.common.json;
    desk.look.quiet = cli.common.quiet;
    desk.err_look.quiet = cli.common.quiet;
    if cli.common.quiet {
        desk.manner = Manner::Silent;
    }
    command::go(&cli.command, desk)
}

/// Help and version are answers; everything else is a usage error.
fn not_parsed(args: &[OsString], error: &clap::Error, desk: &mut Desk<'_>) -> Exit {
    use clap::error::ErrorKind;
    let text = error.render().to_string();
    match error.kind() {
        ErrorKind::DisplayVersion if desk.json => {
            let version = env!("CARGO_PKG_VERSION").to_owned();
            told(desk, "version", VersionPrinted { version })
        }
        ErrorKind::DisplayHelp if desk.json => told(desk, "help", HelpPrinted { text }),
        ErrorKind::DisplayHelp | ErrorKind::DisplayVersion => desk.write_out(&text, Exit::Done),
        ErrorKind::DisplayHelpOnMissingArgumentOrSubcommand if !desk.json => {
            let _ = desk.err.write_all(text.as_bytes());
            Exit::Usage
        }
        _ => {
            let command = command_of(args);
            let help = match command {
                "" => "holdpoint --help".to_owned(),
                word => format!("holdpoint {word} --help"),
            };
            let on = error.get(clap::error::ContextKind::InvalidArg);
            let on = on.map(ToString::to_string).unwrap_or_default();
            desk.refuse(command, None, &Problem::usage(what(&text), on, help))
        }
    }
}

/// An answer that no command gives, as a document.
fn told<T: serde::Serialize>(desk: &mut Desk<'_>, command: &str, result: T) -> Exit {
    let outcome = Outcome::alone(result);
    desk.deliver(command, None, Ok(outcome), |_, _| {})
}

/// The message itself, as one paragraph: without its label, its usage line and its pointer to the help.
fn what(text: &str) -> String {
    let body = text.strip_prefix("error: ").unwrap_or(text);
    let lines: Vec<&str> = body
        .lines()
        .take_while(|line| !line.starts_with("Usage:") && !line.starts_with("For more information"))
        .map(str::trim)
        .filter(|line| !line.is_empty())
        .collect();
    if lines.is_empty() || text.lines().any(|line| line == "Exit codes:") {
        return "no command was named".to_owned();
    }
    lines
        .into_iter()
        .fold(String::new(), |text, line| match text.as_str() {
            "" => line.to_owned(),
            before if before.ends_with(':') => format!("{before} {line}"),
            before => format!("{before}; {line}"),
        })
}

/// Whether `--json` stands among our own options.
fn wants_json(args: &[OsString]) -> bool {
    args.iter()
        .take_while(|arg| *arg != "--")
        .any(|arg| arg == "--json")
}

/// The command that was meant, as far as that can be told; empty when it cannot.
fn command_of(args: &[OsString]) -> &'static str {
    args.iter()
        .skip(1)
        .filter_map(|arg| arg.to_str())
        .find(|arg| !arg.starts_with('-'))
        .and_then(|word| {
            args::PHASES
                .iter()
                .flat_map(|(_, names)| names.iter())
                .find(|name| **name == word)
                .copied()
        })
        .unwrap_or_default()
}
