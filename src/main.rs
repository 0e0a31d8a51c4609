//! The `holdpoint` command: parse, call, exit code.

use holdpoint::cli;

fn main() -> std::process::ExitCode {
    let bench = holdpoint::linux::MachineBench::here();
    cli::main(std::env::args_os(), &bench)
}
