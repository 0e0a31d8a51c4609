//! Whether a destination can take what is still to be copied there: room, entries, largest file.
//!
//! Invariant: it speaks up only where what is known now does not fit; an estimate is never an alarm by itself.

use crate::job::{Job, ledger_problem};
use crate::ledger::LedgerError;
use crate::ledger::terms::{FILE, HAD, TO_COPY, WANTED};
use crate::port::Destination;
use crate::step::outcome::Problem;
use crate::survey::item::{Mark, Marks};
use crate::value::measure::{bytes_in_words, count_in_words};
use rusqlite::params;

/// What a file costs beside its bytes: its last block, its name, its lines in the manifests.
const A_FILE: u64 = 4096 + 512;
/// What the bag's own files cost beside that.
const THE_BAG: u64 = 1 << 20;

/// [`crate::ledger::ItemRow::held`] for a query.
fn held() -> String {
    let packed = Marks::of(&[Mark::Compressed, Mark::SystemCompressed]).0;
    let sparse = Marks::of(&[Mark::Sparse]).0;
    format!(
        "CASE WHEN marks & {sparse} <> 0 AND marks & {packed} = 0 THEN min(allocated, bytes) ELSE bytes END"
    )
}

/// What is still to be copied to a destination.
struct Load {
    bytes: u64,
    /// Of these, what is no hole.
    held: u64,
    files: u64,
    largest: u64,
}

fn load(job: &Job<'_>, number: usize) -> Result<Load, Problem> {
    let ledger = &job.ledger;
    let row = ledger.db().query_row(
        &format!("SELECT coalesce(sum(bytes), 0), count(*), coalesce(max(bytes), 0), coalesce(sum({}), 0) FROM item LEFT JOIN got ON got.item = item.id
         WHERE {FILE} AND {WANTED} AND item.twin = 0 AND item.marks & ?1 = 0
         AND ({TO_COPY} OR ({HAD} AND got.written & ?2 = 0))", held()),
        params![Marks::without_content().0, 1i64 << number],
        |row| {
            Ok(Load {
                bytes: row.get::<_, i64>(0)? as u64,
                held: row.get::<_, i64>(3)? as u64,
                files: row.get::<_, i64>(1)? as u64,
                largest: row.get::<_, i64>(2)? as u64,
            })
        },
    );
    ledger
        .doing("adding up what is still to be copied", row)
        .map_err(|e: LedgerError| ledger_problem(&e))
}

impl Load {
    /// With every hole filled.
    fn filled(&self) -> u64 {
        (self.bytes)
            .saturating_add(self.files.saturating_mul(A_FILE))
            .saturating_add(THE_BAG)
    }

    /// As it would lie there.
    fn needs(&self, keeps_holes: bool) -> u64 {
        let holes = self.bytes.saturating_sub(self.held);
        self.filled()
            .saturating_sub(if keeps_holes { holes } else { 0 })
    }

    /// The same, looking only where it matters: whether there are holes there is tried, and that is not for nothing.
    fn needs_there(&self, destination: &dyn Destination, free: u64, beside: u64) -> u64 {
        let matters = self.held < self.bytes && free < self.filled().saturating_add(beside);
        self.needs(matters && destination.keeps_holes())
    }
}

/// The first destination that has room for a salvage image of `volumes` beside everything that is still to be copied
/// there, and how many bytes the image needs.
pub fn place_for_image(
    job: &Job<'_>,
    destinations: &[Option<&dyn Destination>],
    volumes: &[i64],
) -> Result<(Option<usize>, u64), Problem> {
    let of: Vec<String> = volumes.iter().map(i64::to_string).collect();
    let sql = format!(
        "SELECT coalesce(sum({}), 0) FROM item LEFT JOIN got ON got.item = item.id
         WHERE {FILE} AND {WANTED} AND item.twin = 0 AND item.marks & ?1 = 0
         AND {TO_COPY} AND item.volume IN ({})",
        held(),
        of.join(", ")
    );
    let marks = [Marks::without_content().0];
    let row = job
        .ledger
        .db()
        .query_row(&sql, marks, |row| row.get::<_, i64>(0));
    let image = job
        .ledger
        .doing("adding up what an image would hold", row)
        .map_err(|e: LedgerError| ledger_problem(&e))? as u64;
    for (number, destination) in destinations.iter().enumerate() {
        let Some(destination) = destination else {
            continue;
        };
        let Ok(facts) = destination.facts() else {
            continue;
        };
        let load = load(job, number)?;
        let needs = load.needs_there(*destination, facts.free_bytes, image);
        if facts.free_bytes >= needs.saturating_add(image) {
            return Ok((Some(number), image));
        }
    }
    Ok((None, image))
}

/// What destination `number` lacks for what is still to be copied there; `None` = nothing that is known.
pub fn lacks(
    job: &Job<'_>,
    number: usize,
    destination: &dyn Destination,
) -> Result<Option<String>, Problem> {
    let load = load(job, number)?;
    let Ok(facts) = destination.facts() else {
        return Ok(None);
    };
    if load.files == 0 {
        return Ok(None);
    }
    let needs = load.needs_there(destination, facts.free_bytes, 0);
    let mut lacks = Vec::new();
    if facts.free_bytes < needs {
        let (filled, kept) = (load.filled(), load.needs(true));
        let holes = match needs {
            _ if filled == kept => String::new(),
            // Both numbers: what is asked for, and why a list of the files adds up to something else.
            _ if needs == kept => format!(
                " (its holes take no room there; with them the files have {})",
                bytes_in_words(load.bytes)
            ),
            _ => format!(
                " (holes of sparse files are filled there; where they take no room it would be {})",
                bytes_in_words(kept)
            ),
        };
        lacks.push(format!(
            "{} free, and what is still to be copied needs about {}{holes}",
            bytes_in_words(facts.free_bytes),
            bytes_in_words(needs)
        ));
    }
    if let Some(free) = facts.free_entries.filter(|free| *free < load.files) {
        lacks.push(format!(
            "room for {} more files, and {} are still to be copied",
            count_in_words(free),
            count_in_words(load.files)
        ));
    }
    if let Some(most) = facts.largest_file.filter(|most| *most < load.largest) {
        lacks.push(format!(
            "no room for files larger than {}, and one has {}",
            bytes_in_words(most),
            bytes_in_words(load.largest)
        ));
    }
    Ok((!lacks.is_empty()).then(|| lacks.join("; ")))
}
