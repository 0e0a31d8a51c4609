//! Which destinations of a job are here now.

use super::fault_problem;
use super::problem::Problem;
use crate::port::{Destination, Fault, FaultKind};

/// Those of the destinations that are here, by number.
pub fn here(opened: &[Result<Box<dyn Destination>, Fault>]) -> Vec<Option<&dyn Destination>> {
    opened
        .iter()
        .map(|destination| destination.as_ref().ok().map(AsRef::as_ref))
        .collect()
}

/// As [`here`], for a command that can do nothing without any.
///
/// # Errors
/// When none is here.
pub fn some_here<'d>(
    opened: &'d [Result<Box<dyn Destination>, Fault>],
    command: &str,
) -> Result<Vec<Option<&'d dyn Destination>>, Problem> {
    let here = here(opened);
    if here.iter().any(Option::is_some) {
        return Ok(here);
    }
    let none = Fault::new(
        FaultKind::Missing,
        "opening the destinations",
        "the job has none",
    );
    let fault = opened.iter().find_map(|opened| opened.as_ref().err());
    Err(fault_problem(
        fault.unwrap_or(&none),
        &format!(
            "connect a destination of this job, then:\nholdpoint {command}\nor, where it is mounted in another place now, say where:\nholdpoint open --job JOB --to DIR"
        ),
    ))
}

/// Bits of the destinations that are here.
pub fn bits(here: &[Option<&dyn Destination>]) -> u64 {
    (here.iter().enumerate())
        .filter(|(_, destination)| destination.is_some())
        .fold(0, |mask, (number, _)| mask | 1 << number)
}
