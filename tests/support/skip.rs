//! Says loudly that a test did nothing: the one helper for unit tests and behaviour tests alike.
//!
//! The harness swallows what a passing test prints, so a skip goes to the file that
//! `HOLDPOINT_SKIPS` names; `tests/all` lists it at the end and counts it as no pass.

use std::io::Write;

/// One line, `SKIPPED: name: reason`; to stderr when nobody gave a file.
#[allow(clippy::print_stderr)]
pub fn skip(name: &str, reason: &str) {
    let line = format!("SKIPPED: {name}: {}\n", reason.replace('\n', " "));
    let file = std::env::var_os("HOLDPOINT_SKIPS").and_then(|path| {
        std::fs::OpenOptions::new()
            .create(true)
            .append(true)
            .open(path)
            .ok()
    });
    match file {
        Some(mut file) => file
            .write_all(line.as_bytes())
            .expect("a skip that nobody hears of would count as a pass"),
        None => eprint!("{line}"),
    }
}
