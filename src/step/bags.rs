//! Whether the bags still hold what the record says, without reading the copies again.
//!
//! Invariant: cheap (names, lengths, times and inodes of the copies, the evidence files in full), and one-sided: a difference is
//! certain, agreement says only that nothing shows from outside. What the copies contain is for `verify`.

use crate::job::{Job, ledger_problem};
use crate::ledger::{Fact, FactBody, LedgerError, RowSum, standing};
use crate::port::{Destination, Fault, FaultKind};
use crate::read::places::Places;
use crate::step::outcome::Problem;

/// What the copies of a bag look like from outside.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Lying {
    files: u64,
    bytes: u64,
    named: RowSum,
    /// Sum over names, times of writing and inodes; `None` = some of these do not stay the same.
    pub written: Option<RowSum>,
}

impl Lying {
    const NOTHING: Self = Self {
        files: 0,
        bytes: 0,
        named: RowSum::NOTHING,
        written: Some(RowSum::NOTHING),
    };

    fn add(&mut self, path: &str, bytes: u64, written: Option<(i128, u64)>) {
        self.files += 1;
        self.bytes = self.bytes.saturating_add(bytes);
        // A name of a copy has no byte 0 in it.
        let mut row = path.as_bytes().to_vec();
        row.push(0);
        row.extend(bytes.to_le_bytes());
        self.named.add(&row);
        self.written = self.written.zip(written).map(|(mut sum, (at, inode))| {
            row.extend(at.to_le_bytes());
            row.extend(inode.to_le_bytes());
            sum.add(&row);
            sum
        });
    }
}

/// Looks at every copy of the bag at a destination, from outside.
///
/// # Errors
/// When it cannot be listed; `Missing` = there is no payload folder.
pub fn look(at: &dyn Destination) -> Result<Lying, Fault> {
    let mut lying = Lying::NOTHING;
    at.each("bag/data", &mut |below| {
        if !below.is_folder {
            lying.add(below.path, below.bytes, below.written);
        }
    })?;
    Ok(lying)
}

/// What should lie at destination `number`.
fn recorded(job: &Job<'_>, number: usize) -> Result<Lying, LedgerError> {
    let mut lying = Lying::NOTHING;
    let mut places = Places::new(&job.ledger);
    let bit = 1u64 << number;
    job.ledger
        .each_item::<LedgerError>("got.written IS NOT NULL", |item, got| {
            if got.written & bit != 0 {
                let path = places.of(item.parent)?.bag_path(&item);
                lying.add(&path, item.bytes, None);
            }
            Ok(())
        })?;
    Ok(lying)
}

/// When the copies had been written as they were read back last; `None` = not told, or copied to since.
fn written_before_reading_back(facts: &[Fact], number: usize) -> Option<RowSum> {
    let (at, written) = facts.iter().rev().find_map(|fact| match &fact.body {
        FactBody::Verified {
            destination,
            written,
            ..
        } if *destination == number => Some((fact.number, written.as_deref())),
        _ => None,
    })?;
    let copied_since = standing::last_write(facts).is_some_and(|write| write.number > at);
    written.filter(|_| !copied_since).and_then(RowSum::parse)
}

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
    let recorded = recorded(job, number).map_err(|e| ledger_problem(&e))?;
    let found = match look(at) {
        Ok(found) => found,
        Err(fault) if fault.kind == FaultKind::Missing && recorded.files == 0 => Lying::NOTHING,
        Err(fault) => return Ok(Some(fault.to_string())),
    };
    if (found.files, found.bytes) != (recorded.files, recorded.bytes) {
        return Ok(Some(format!(
            "its bag should hold {} files with {} bytes, and holds {} with {}",
            recorded.files, recorded.bytes, found.files, found.bytes
        )));
    }
    if found.named != recorded.named {
        return Ok(Some(
            "its bag holds as many files and bytes as it should, but under other names or of other lengths".into(),
        ));
    }
    let then = written_before_reading_back(facts, number);
    if then
        .zip(found.written)
        .is_some_and(|(then, now)| then != now)
    {
        return Ok(Some(
            "files in its bag were written to or changed places since they were read back".into(),
        ));
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
