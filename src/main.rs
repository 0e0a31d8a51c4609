//! The `holdpoint` command: parse, call, exit code.

use holdpoint::cli;

fn main() -> std::process::ExitCode {
    let bench = cli::bench::MachineBench::here();
    cli::main(std::env::args_os(), &bench)
}
