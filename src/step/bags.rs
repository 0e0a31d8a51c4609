//! Whether the bags still hold what the record says, without reading the copies again.
//!
//! Invariant: cheap (names and lengths of the copies, the evidence files in full), and one-sided: a difference is
//! certain, agreement says only that nothing is missing. What the copies contain is for `verify`.

use crate::job::{Job, ledger_problem};
use crate::ledger::{Fact, FactBody};
use crate::port::{Destination, FaultKind};
use crate::step::outcome::Problem;

/// What differs between the bag at destination `number` and the record, in words; `None` = nothing that shows.
///
/// # Errors
/// When the ledger cannot be read.
pub fn difference(
    job: &Job<'_>,
    facts: &[Fact],
    number: usize,
    at: &dyn Destination,
) -> Result<Option<String>, Problem> {
    let ledger = &job.ledger;
    let row = ledger.db().query_row(
        "SELECT count(*), coalesce(sum(item.bytes), 0) FROM got JOIN item ON item.id = got.item WHERE got.written & ?1 <> 0",
        [1i64 << number],
        |row| Ok((row.get::<_, i64>(0)? as u64, row.get::<_, i64>(1)? as u64)),
    );
    let recorded = ledger
        .doing("adding up the copies", row)
        .map_err(|e| ledger_problem(&e))?;
    let mut found = (0u64, 0u64);
    let listed = at.each("bag/data", &mut |_, is_folder, bytes| {
        if !is_folder {
            found = (found.0 + 1, found.1.saturating_add(bytes));
        }
    });
    match listed {
        Ok(()) => {}
        Err(fault) if fault.kind == FaultKind::Missing && recorded.0 == 0 => {}
        Err(fault) => return Ok(Some(fault.to_string())),
    }
    if found != recorded {
        return Ok(Some(format!(
            "its bag should hold {} files with {} bytes, and holds {} with {}",
            recorded.0, recorded.1, found.0, found.1
        )));
    }
    let is_sealed = facts.iter().any(
        |fact| matches!(fact.body, FactBody::Sealed { destination, .. } if destination == number),
    );
    if !is_sealed {
        return Ok(None);
    }
    Ok(match crate::bag::check::check_tags(at, "bag") {
        Err(fault) => Some(fault.to_string()),
        Ok(wrong) => wrong.first().map(|(path, why)| format!("{path}: {why}")),
    })
}
