//! Room for the small files that are written after the copies were read back.
//!
//! A counterfeit stick has less room than it claims, and what is written beyond its true end falls on what was written
//! first. Reading the copies back shows that nothing did so far. What is written after that may still: so before the
//! reading back a spare file is laid for each such file, of the room that it may need, and is later written over in its
//! place and given its name.
//!
//! Invariant: a spare stands below `in-work/`, never under a name that anybody reads; without one a file is written as
//! a new one. File systems that never write in place are no better off than without.

use crate::port::{Destination, Fault, FaultKind, Writing};

/// More than the file has now, for the decisions to come.
const MARGIN: u64 = 16 << 10;
/// What file systems usually allocate by.
const CLUSTER: u64 = 4 << 10;
/// Bytes written at once.
const PART: u64 = 1 << 20;

/// What a full destination keeps free until then, for the ledger that lies on it: a path that no file has.
pub const LEDGER: &str = "ledger-room";

/// Keeps `bytes` of a destination from being used until [`give`].
///
/// # Errors
/// When the destination takes no more.
pub fn keep(to: &dyn Destination, path: &str, bytes: u64) -> Result<(), Fault> {
    to.make_folder("in-work")?;
    let spare = name(path);
    to.remove(&spare)?;
    fill(to, &spare, bytes)
}

/// Gives back what was kept.
///
/// # Errors
/// When it cannot be removed.
pub fn give(to: &dyn Destination, path: &str) -> Result<(), Fault> {
    to.remove(&name(path))
}

fn fill(to: &dyn Destination, spare: &str, bytes: u64) -> Result<(), Fault> {
    let mut writing = to.create(spare, bytes)?;
    // Not zeros: those need not reach the medium everywhere.
    let filling = vec![0x68; bytes.min(PART) as usize];
    for at in (0..bytes).step_by(filling.len().max(1)) {
        writing.write_at(at, &filling)?;
    }
    writing.finish(bytes)
}

/// The temporary name of the file `path`, and of its spare.
fn name(path: &str) -> String {
    format!("in-work/file-{}", path.replace('/', "-"))
}

/// Whether a file below `in-work/` is a spare, and not what a run that was cut off left there.
pub fn is_one(path: &str) -> bool {
    path.starts_with("in-work/file-")
}

/// Lays a spare for the file `path`, which may be there or not. It is durable with the next settling.
///
/// # Errors
/// When the destination takes no more, or can tell nothing of the file.
pub fn lay(to: &dyn Destination, path: &str) -> Result<(), Fault> {
    let length = |path: &str| match to.open(path) {
        Ok(there) => there.stamp().map(|stamp| stamp.bytes),
        Err(fault) if fault.kind == FaultKind::Missing => Ok(0),
        Err(fault) => Err(fault),
    };
    let wanted = (length(path)? + MARGIN).next_multiple_of(CLUSTER);
    let spare = name(path);
    if length(&spare)? >= wanted {
        return Ok(());
    }
    to.make_folder("in-work")?;
    to.remove(&spare)?;
    fill(to, &spare, wanted)
}

/// Begins the file `path` under its temporary name: in the place of its spare, if there is one.
pub(super) fn start(to: &dyn Destination, path: &str) -> Result<(String, Box<dyn Writing>), Fault> {
    let temporary = name(path);
    to.make_folder("in-work")?;
    let writing = match to.write_over(&temporary) {
        Err(fault) if fault.kind == FaultKind::Missing => to.create(&temporary, 0)?,
        other => other?,
    };
    Ok((temporary, writing))
}
