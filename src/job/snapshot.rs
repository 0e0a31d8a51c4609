//! Snapshots of the ledger: copies of the record on the other destinations, and when one may take the record's place.
//!
//! Invariant: a snapshot carries a note of what it is, is never written over a live ledger nor over facts that the ledger
//! lacks, and takes the ledger's place only where that one is out of reach.

use super::problem::Problem;
use super::{Job, KeptPath};
use crate::ledger::{Ledger, LedgerError};
use crate::port::{Destination, Fault, FaultKind};
use crate::value::Moment;
use serde::{Deserialize, Serialize};
use std::path::Path;

/// The note in a snapshot of the ledger.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct SnapshotOf {
    /// The job folder with the ledger itself.
    pub home: KeptPath,
    /// The job's id.
    pub job: String,
    /// When it was made.
    pub made: Moment,
}

impl SnapshotOf {
    /// The note of an open ledger; `None` = it is no snapshot.
    ///
    /// # Errors
    /// When the ledger cannot be read.
    pub fn of(ledger: &Ledger) -> Result<Option<Self>, LedgerError> {
        let note = ledger.snapshot_of()?;
        Ok(note.map(|note| {
            serde_json::from_str(&note).unwrap_or(Self {
                home: KeptPath::of(Path::new("")),
                job: String::new(),
                made: Moment::from_seconds(0),
            })
        }))
    }

    /// Whether it, lying in `dir`, may take the ledger's place: it was put there by hand, or the ledger itself is out of
    /// reach. Whatever it does not know of then has to be proven again.
    pub fn may_take_back(&self, dir: &Path) -> bool {
        let home = self.home.path();
        same_folder(&home, dir) || !is_live(&home.join(Ledger::FILE))
    }
}

impl Job<'_> {
    /// Puts a snapshot of the ledger on every destination that does not hold the ledger itself.
    /// A snapshot that cannot be written is a warning, not a failure: the ledger itself is the truth.
    pub fn snapshot(&self) -> Vec<String> {
        let mut warnings = Vec::new();
        let Some(path) = self.ledger.path() else {
            return warnings;
        };
        let lacking: Vec<_> = self
            .setup
            .destinations
            .iter()
            .enumerate()
            .filter(|(_, d)| !same_folder(&d.folder.path(), &self.dir))
            .map(|(n, _)| n)
            .collect();
        if lacking.is_empty() {
            return warnings;
        }
        let beside = path.with_extension("snapshot");
        // A snapshot left by a crash is stale by definition.
        let _ = std::fs::remove_file(&beside);
        let note = SnapshotOf {
            home: KeptPath::of(&self.dir.canonicalize().unwrap_or(self.dir.clone())),
            job: self.setup.id.clone(),
            made: self.now(),
        };
        let note = serde_json::to_string(&note).unwrap_or_default();
        if let Err(e) = self.ledger.snapshot_to(&beside, &note) {
            warnings.push(format!("no snapshot of the ledger could be made: {e}"));
            return warnings;
        }
        for number in lacking {
            let kept = self.setup.destinations.get(number);
            let there = kept.map(|kept| kept.folder.path().join(Ledger::FILE));
            if there.as_deref().is_some_and(is_live) {
                warnings.push(
                    "no snapshot of the ledger was written where another live ledger of this job lies: work on one of the two only"
                        .into(),
                );
                continue;
            }
            if there.is_some_and(|there| self.lacks_facts_of(&there)) {
                warnings.push(
                    "no snapshot of the ledger was written over one that holds facts which this ledger lacks: put that one in its place"
                        .into(),
                );
                continue;
            }
            let copied = self
                .destination(number)
                .and_then(|destination| copy_file(&beside, destination.as_ref(), Ledger::FILE));
            if let Err(fault) = copied {
                warnings.push(format!("the ledger's snapshot was not written: {fault}"));
            }
        }
        let _ = std::fs::remove_file(&beside);
        warnings
    }
}

impl Job<'_> {
    /// Where a copy of the record lies that holds facts which the record lacks: an older state of it was put in its
    /// place, or work went on from both. A snapshot knows that it is one, and a closed record began anew.
    ///
    /// # Errors
    /// When the ledger cannot be read.
    pub fn outrun_by(&self) -> Result<Option<String>, LedgerError> {
        if self.ledger.path().is_none() || self.ledger.snapshot_of()?.is_some() {
            return Ok(None);
        }
        let elsewhere = self.setup.destinations.iter().find(|kept| {
            let folder = kept.folder.path();
            !same_folder(&folder, &self.dir) && self.lacks_facts_of(&folder.join(Ledger::FILE))
        });
        Ok(elsewhere.map(|kept| kept.folder.text.clone()))
    }

    /// Whether the ledger at `path` is one of this job and no beginning of this one.
    fn lacks_facts_of(&self, path: &Path) -> bool {
        let copy = match Ledger::open_to_read(path) {
            Ok(copy) if copy.newer().is_none() => copy,
            // A newer program wrote it, so this one did not.
            Ok(_) | Err(LedgerError::Newer { .. }) => return true,
            // There is none, or it is torn: that says nothing, and the next snapshot takes its place.
            Err(_) => return false,
        };
        let setup = copy.get("setup").ok().flatten();
        let setup = setup.and_then(|text| serde_json::from_str::<serde_json::Value>(&text).ok());
        let is_ours = setup.is_some_and(|setup| setup["id"] == *self.setup.id);
        let fact = |ledger: &Ledger, which: &str| {
            let sql = format!("SELECT number, hash FROM fact WHERE {which}");
            let row = ledger.db().query_row(&sql, [], |row| {
                Ok((row.get::<_, i64>(0)?, row.get::<_, Vec<u8>>(1)?))
            });
            row.ok()
        };
        let newest = fact(&copy, "number = (SELECT max(number) FROM fact)");
        let stripped = fact(&self.ledger, "kind = 'stripped'").is_some();
        let unknown = |(number, hash): (i64, Vec<u8>)| {
            fact(&self.ledger, &format!("number = {number}")) != Some((number, hash))
        };
        is_ours && !stripped && newest.is_some_and(unknown)
    }
}

/// Refuses a snapshot in `dir` that may not take the ledger's place.
pub(super) fn may_take_back(note: &str, dir: &Path) -> Result<(), Problem> {
    let Ok(of) = serde_json::from_str::<SnapshotOf>(note) else {
        return Ok(());
    };
    if of.may_take_back(dir) {
        return Ok(());
    }
    Err(Problem::failed(
        format!(
            "this is a copy of the job's record, made {:.0}; the record itself is elsewhere",
            of.made
        ),
        KeptPath::of(dir).text,
        format!("name the job itself: {}", of.home.text),
    ))
}

/// Whether a ledger that is no snapshot lies there. One that another process holds, that was cut off, or that a newer
/// version wrote is there all the same.
fn is_live(path: &Path) -> bool {
    let note = Ledger::open_to_read(path).and_then(|ledger| ledger.snapshot_of());
    path.is_file()
        && match note {
            Ok(note) => note.is_none(),
            Err(e) => matches!(
                e,
                LedgerError::Busy { .. }
                    | LedgerError::Unfinished { .. }
                    | LedgerError::Newer { .. }
            ),
        }
}

fn same_folder(a: &Path, b: &Path) -> bool {
    match (a.canonicalize(), b.canonicalize()) {
        (Ok(a), Ok(b)) => a == b,
        _ => a == b,
    }
}

fn copy_file(from: &Path, to: &dyn Destination, name: &str) -> Result<(), Fault> {
    use std::io::Read;
    let failed = |e: std::io::Error| {
        Fault::new(
            FaultKind::Other,
            format!("reading {}", from.display()),
            e.to_string(),
        )
    };
    let mut file = std::fs::File::open(from).map_err(failed)?;
    let temporary = format!("in-work/{name}");
    to.make_folder("in-work")?;
    to.remove(&temporary)?;
    let mut writing = to.create(&temporary, 0)?;
    let mut buffer = vec![0u8; 1 << 20];
    let mut at = 0u64;
    loop {
        let count = file.read(&mut buffer).map_err(failed)?;
        if count == 0 {
            break;
        }
        writing.write_at(at, &buffer[..count])?;
        at += count as u64;
    }
    writing.finish(at)?;
    to.settle()?;
    to.rename(&temporary, name)?;
    to.settle()
}
