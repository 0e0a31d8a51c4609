//! The `holdpoint` command: parse, call, exit code.

fn main() -> std::process::ExitCode {
    std::process::ExitCode::SUCCESS
}
