//! Facts: what happened in a job, in order, each carrying the hash of the one before.
//!
//! Invariant: facts are only ever added. The hash is BLAKE3 over the hash before, the
//! number, the moment and the body's text, so a fact cannot be changed, dropped or moved
//! without the chain showing it.

pub use super::sight::FalseContent;
use super::{Ledger, LedgerError, Sight};
use crate::value::words::{ReadBack, Route, WaiverScope};
use crate::value::{Blake3, Moment};
use rusqlite::params;
use serde::{Deserialize, Serialize};

/// One fact of the chain.
#[derive(Debug, Clone, PartialEq)]
pub struct Fact {
    /// 1, 2, 3, ... without gaps.
    pub number: i64,
    /// When, by the clock of the machine that wrote it.
    pub at: Moment,
    /// What.
    pub body: FactBody,
    /// Chain hash up to and with this fact.
    pub hash: Blake3,
}

/// A recorded decision to lose something.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Waiver {
    /// 1, 2, 3, ...
    pub number: i64,
    /// What it covers.
    pub scope: WaiverScope,
    /// The thing named: a path, a class word, a volume, a point's id.
    pub about: String,
    /// Items covered.
    pub items: u64,
    /// Bytes covered.
    pub bytes: u64,
    /// BLAKE3 over the sorted item identities (or over the point's own words): the frozen set.
    pub set_hash: Blake3,
    /// Why.
    pub reason: String,
    /// `owner` or `technician`.
    pub decided_by: String,
    /// Name of who decided.
    pub name: String,
    /// `signed`, `message` or `phone`.
    pub how: String,
    /// BLAKE3 of the proof file and its name, when one was given.
    pub proof: Option<(String, Blake3)>,
}

impl Waiver {
    /// Whether it is about this.
    pub fn is_about(&self, scope: WaiverScope, about: &str) -> bool {
        self.scope == scope && self.about == about
    }
}

/// What a fact says. Kept as JSON with a `fact` word in front.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(tag = "fact", rename_all = "kebab-case")]
#[allow(missing_docs)] // fields carry the names and units of the interface
pub enum FactBody {
    /// The job was opened; the whole setup as JSON.
    Opened { setup: serde_json::Value },
    /// A health reading (its raw replies stand in the setting `reading-N`).
    Read {
        #[serde(default)]
        drive: usize,
        reading: i64,
        readable: bool,
        why_not: Option<String>,
        digest: Blake3,
        /// Taken while the drive was being copied.
        #[serde(default, skip_serializing_if = "std::ops::Not::not")]
        copying: bool,
    },
    /// The read speed was sampled.
    Sampled {
        drive: usize,
        /// `None` = trouble was met, or the drive is too small to say.
        bytes_per_second: Option<f64>,
        /// The pace of the request at which the drive stalled, as a share of its own.
        stalled: Option<f64>,
        /// What the drive refused, or did not answer in time.
        error: Option<String>,
    },
    /// The drive went away while it was read.
    Vanished { drive: usize, why: String },
    /// The forecast made from the readings.
    Forecast {
        #[serde(default)]
        drive: usize,
        route: Route,
        high: f64,
        explained: Blake3,
    },
    /// A survey begins to renew the rows: until it is finished, none counts.
    SurveyBegun { survey: i64 },
    /// The order of copying was set, or completed: the digest of all of it.
    Ordered { queue: Blake3 },
    /// A survey finished.
    Surveyed {
        survey: i64,
        items: u64,
        bytes: u64,
        unaccounted_bytes: u64,
        tree: Blake3,
        /// The rest of what the survey found: how items come back. Facts of earlier programs have none.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        wear: Option<Blake3>,
        /// What lists and papers say of it: the rules' names and reasons, the people, the sync roots. Facts of earlier
        /// programs have none.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        told: Option<Blake3>,
        rows: String,
    },
    /// A batch is on the medium of every destination named in the mask.
    Batch {
        batch: i64,
        items: u64,
        bytes: u64,
        rows: String,
    },
    /// Rows moved inside a longer step (a survey, a reading back).
    RowsMoved { rows: String },
    /// A copy run ended.
    Copied {
        remaining: u64,
        stopped: Option<String>,
        rows: String,
    },
    /// The bag was written or renewed at a destination.
    Sealed {
        destination: usize,
        manifest_root: Blake3,
        items: u64,
        bytes: u64,
    },
    /// A destination was read back in full.
    Verified {
        destination: usize,
        method: ReadBack,
        items: u64,
        bytes: u64,
        fetched_bytes: Option<u64>,
        mismatched: u64,
        missing: u64,
        extra: u64,
        /// Sum over the names, times of writing and inodes of the copies, taken before the first was read; `None` = the
        /// file system does not keep these, or an older version read back.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        written: Option<String>,
        rows: String,
    },
    /// The source was read a second time.
    SourceReadAgain {
        items: u64,
        bytes: u64,
        unequal: u64,
        /// Items that could not be read this time: nothing is known of them.
        #[serde(default)]
        unread: u64,
        full: bool,
        /// Bytes of them that came from the salvage image.
        #[serde(default)]
        in_hand: u64,
        rows: String,
    },
    /// Copies were looked at.
    Inspected {
        looked: u64,
        doubtful: u64,
        /// What of it is blank or not what it claims to be, and is not there by design.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        false_content: Option<FalseContent>,
    },
    /// Something may be lost.
    Waived { waiver: Waiver, rows: String },
    /// A must-have was answered.
    Answered {
        must_have: usize,
        found: Vec<String>,
        not_here: Option<String>,
    },
    /// Somebody looked a second time, or asked for the release a first time.
    AskedToRelease {
        second_look: Option<String>,
        open_points: u64,
        /// What was found that the record does not tell.
        #[serde(default, skip_serializing_if = "Sight::is_empty")]
        seen: Sight,
    },
    /// Released; without a root when nothing was wanted, so that there is no bag.
    Released {
        certificate: Blake3,
        manifest_root: Option<Blake3>,
        expires: Moment,
        signed: bool,
    },
    /// The release was checked again.
    Rechecked { holds: bool, changed: Vec<String> },
    /// A wiping command is about to be started; from here on the kernel's flag may be lifted.
    GuardStarted {
        drive: usize,
        path: String,
        command: Vec<String>,
    },
    /// The kernel's read-only flag was set again, or could not be.
    HeldAgain {
        drive: usize,
        held: bool,
        why: String,
    },
    /// The kernel's read-only flag was given back as it was before `open`, or could not be.
    GivenBack {
        drive: usize,
        read_only: Option<bool>,
        why: String,
    },
    /// A wiping command ran or was refused.
    Guarded {
        command: Vec<String>,
        exit: Option<i32>,
        refused: Option<String>,
        dry_run: bool,
        /// Number of the `guard-started` fact that this ends.
        #[serde(default)]
        run: Option<i64>,
    },
    /// Items were put back.
    PutBack {
        to: String,
        items: u64,
        bytes: u64,
        already_there: u64,
        set_beside: u64,
        refused: u64,
        /// Only one class or one person was asked for.
        #[serde(default)]
        part: bool,
    },
    /// What was asked of a drive on the salvage route since the fact of this kind before; `ranges` is the sum of all such rows.
    Salvaged {
        drive: usize,
        requests: u64,
        ranges: String,
    },
    /// The shop's copies are about to be deleted: from here on none of them counts.
    Closing { items: u64, bytes: u64 },
    /// A snapshot took the place of a lost ledger: whatever happened after that many facts is not known.
    TakenBack { facts: i64 },
    /// A destination was found in another place than before; whether its copies are the ones that were read back is not
    /// known.
    Moved { destination: usize },
    /// The shop's copy was deleted, or its keeping time set.
    Closed {
        deleted_items: u64,
        deleted_bytes: u64,
        keep_until: Option<Moment>,
        reason: Option<String>,
    },
    /// The names were taken out: the chain before this one had so many facts and ended with this hash.
    Stripped { chain_head: Blake3, facts: u64 },
}

impl FactBody {
    /// The word in front of the body.
    pub fn kind(&self) -> &'static str {
        match self {
            FactBody::Opened { .. } => "opened",
            FactBody::Read { .. } => "read",
            FactBody::Sampled { .. } => "sampled",
            FactBody::Vanished { .. } => "vanished",
            FactBody::Forecast { .. } => "forecast",
            FactBody::SurveyBegun { .. } => "survey-begun",
            FactBody::Ordered { .. } => "ordered",
            FactBody::Surveyed { .. } => "surveyed",
            FactBody::Batch { .. } => "batch",
            FactBody::RowsMoved { .. } => "rows-moved",
            FactBody::Copied { .. } => "copied",
            FactBody::Sealed { .. } => "sealed",
            FactBody::Verified { .. } => "verified",
            FactBody::SourceReadAgain { .. } => "source-read-again",
            FactBody::Inspected { .. } => "inspected",
            FactBody::Waived { .. } => "waived",
            FactBody::Answered { .. } => "answered",
            FactBody::AskedToRelease { .. } => "asked-to-release",
            FactBody::Released { .. } => "released",
            FactBody::Rechecked { .. } => "rechecked",
            FactBody::GuardStarted { .. } => "guard-started",
            FactBody::HeldAgain { .. } => "held-again",
            FactBody::GivenBack { .. } => "given-back",
            FactBody::Guarded { .. } => "guarded",
            FactBody::PutBack { .. } => "put-back",
            FactBody::Salvaged { .. } => "salvaged",
            FactBody::Closing { .. } => "closing",
            FactBody::TakenBack { .. } => "taken-back",
            FactBody::Moved { .. } => "moved",
            FactBody::Closed { .. } => "closed",
            FactBody::Stripped { .. } => "stripped",
        }
    }

    /// The row sum that this fact closes with, when it closes a change of rows.
    pub fn rows(&self) -> Option<&str> {
        match self {
            FactBody::Surveyed { rows, .. }
            | FactBody::Batch { rows, .. }
            | FactBody::RowsMoved { rows }
            | FactBody::Copied { rows, .. }
            | FactBody::Verified { rows, .. }
            | FactBody::SourceReadAgain { rows, .. }
            | FactBody::Waived { rows, .. } => Some(rows),
            _ => None,
        }
    }
}

fn chain(before: &Blake3, number: i64, at: &str, body: &str) -> Blake3 {
    let mut hasher = blake3::Hasher::new();
    hasher.update(&before.0);
    hasher.update(&number.to_le_bytes());
    hasher.update(&(at.len() as u64).to_le_bytes());
    hasher.update(at.as_bytes());
    hasher.update(body.as_bytes());
    Blake3(*hasher.finalize().as_bytes())
}

type RawFact = (i64, String, String, Vec<u8>, Vec<u8>);

/// What the first fact carries as the hash of the one before.
pub const CHAIN_START: Blake3 = Blake3([0; 32]);

impl Ledger {
    /// Adds a fact to the chain. Call inside the transaction that makes it true.
    pub fn add_fact(&self, at: Moment, body: &FactBody) -> Result<Fact, LedgerError> {
        let last: Option<(i64, Vec<u8>)> = self.doing(
            "finding the newest fact",
            rusqlite::OptionalExtension::optional(self.db().query_row(
                "SELECT number, hash FROM fact ORDER BY number DESC LIMIT 1",
                [],
                |row| Ok((row.get(0)?, row.get(1)?)),
            )),
        )?;
        let (number, before) = match last {
            Some((number, hash)) => (number + 1, Blake3::from_slice(&hash).unwrap_or(CHAIN_START)),
            None => (1, CHAIN_START),
        };
        let at_text = at.to_string();
        let text = serde_json::to_string(body).map_err(|e| LedgerError::Broken {
            number,
            expected: "a fact that can be written as JSON".into(),
            found: e.to_string(),
        })?;
        let hash = chain(&before, number, &at_text, &text);
        self.doing(
            "adding a fact",
            self.db().execute(
                "INSERT INTO fact(number, at, kind, body, before, hash) VALUES(?1,?2,?3,?4,?5,?6)",
                params![
                    number,
                    at_text,
                    body.kind(),
                    text,
                    before.0.as_slice(),
                    hash.0.as_slice()
                ],
            ),
        )?;
        Ok(Fact {
            number,
            at,
            body: body.clone(),
            hash,
        })
    }

    /// Walks the whole chain in order, checking each link, and hands every fact to `see`.
    pub fn each_fact(&self, mut see: impl FnMut(Fact)) -> Result<(), LedgerError> {
        // A chain cut at its end looks whole by itself: the newest number is kept beside it. Asked for first, because
        // another process may add facts meanwhile.
        let kept = self
            .get("newest-fact")?
            .and_then(|text| text.parse::<i64>().ok());
        let mut query = self.doing(
            "reading the facts",
            self.db()
                .prepare_cached("SELECT number, at, body, before, hash FROM fact ORDER BY number"),
        )?;
        let rows = query.query_map([], |row| {
            Ok::<RawFact, _>((
                row.get(0)?,
                row.get(1)?,
                row.get(2)?,
                row.get(3)?,
                row.get(4)?,
            ))
        });
        let (mut expected_number, mut expected_before) = (1, CHAIN_START);
        for row in self.doing("reading the facts", rows)? {
            let (number, at_text, text, before, hash) = self.doing("reading a fact", row)?;
            let broken = |expected: String, found: String| LedgerError::Broken {
                number,
                expected,
                found,
            };
            if number != expected_number {
                return Err(broken(
                    format!("fact {expected_number}"),
                    format!("fact {number}"),
                ));
            }
            if before != expected_before.0 {
                return Err(broken(
                    format!("the hash before {expected_before}"),
                    "another one".into(),
                ));
            }
            let computed = chain(&expected_before, number, &at_text, &text);
            if hash != computed.0 {
                return Err(broken(
                    format!("hash {computed}"),
                    "another one: the fact was changed".into(),
                ));
            }
            let at = Moment::parse(&at_text)
                .ok_or_else(|| broken("a moment".into(), at_text.clone()))?;
            let body = serde_json::from_str(&text)
                .map_err(|e| broken("a known fact".into(), e.to_string()))?;
            see(Fact {
                number,
                at,
                body,
                hash: computed,
            });
            (expected_number, expected_before) = (number + 1, computed);
        }
        match kept {
            Some(newest) if newest >= expected_number => Err(LedgerError::Broken {
                number: expected_number,
                expected: format!("facts up to {newest}"),
                found: format!("{} facts", expected_number - 1),
            }),
            None if expected_number > 1 => Err(LedgerError::Broken {
                number: expected_number,
                expected: "a note of how many facts there are".into(),
                found: "none".into(),
            }),
            _ => Ok(()),
        }
    }

    /// When batch `batch` was committed; `None` = no fact says so any more.
    pub fn batch_at(&self, batch: i64) -> Result<Option<Moment>, LedgerError> {
        let sql = "SELECT at FROM fact WHERE kind = 'batch' AND json_extract(body, '$.batch') = ?1";
        let row = rusqlite::OptionalExtension::optional(
            self.db()
                .query_row(sql, [batch], |row| row.get::<_, String>(0)),
        );
        let at = self.doing("finding a batch", row)?;
        Ok(at.and_then(|text| Moment::parse(&text)))
    }

    /// The newest batch that was committed before fact number `before`; 0 = none.
    pub fn batches_before(&self, before: i64) -> Result<i64, LedgerError> {
        let sql = "SELECT coalesce(max(json_extract(body, '$.batch')), 0) FROM fact WHERE kind = 'batch' AND number < ?1";
        let row = self.db().query_row(sql, [before], |row| row.get(0));
        self.doing("finding the newest batch", row)
    }

    /// All facts, checked.
    pub fn facts(&self) -> Result<Vec<Fact>, LedgerError> {
        let mut out = Vec::new();
        self.each_fact(|fact| {
            // Batches are many and matter only for the chain, for the newest sum, and for the newest one
            // that wrote anything: one that wrote nothing never takes the place of one that did.
            if let FactBody::Batch { items, .. } = fact.body {
                while let Some(FactBody::Batch { items: before, .. }) =
                    out.last().map(|before: &Fact| &before.body)
                    && (*before == 0 || items > 0)
                {
                    out.pop();
                }
            }
            out.push(fact);
        })?;
        Ok(out)
    }

    /// Adds a fact and keeps its number, so that a chain cut short shows.
    ///
    /// # Errors
    /// When the chain was cut since, or the store fails: nothing is added to a cut chain, because it would look whole again.
    pub fn record(&self, at: Moment, body: &FactBody) -> Result<Fact, LedgerError> {
        let kept = self.get("newest-fact")?;
        let fact = self.add_fact(at, body)?;
        if let Some(newest) = kept.and_then(|text| text.parse::<i64>().ok())
            && newest + 1 != fact.number
        {
            return Err(LedgerError::Broken {
                number: fact.number,
                expected: format!("facts up to {newest}"),
                found: format!("{} facts", fact.number - 1),
            });
        }
        self.set("newest-fact", &fact.number.to_string())?;
        Ok(fact)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn chained() -> Ledger {
        let ledger = Ledger::in_memory().unwrap();
        for n in 0..4 {
            let body = FactBody::Inspected {
                looked: n,
                doubtful: 0,
                false_content: None,
            };
            ledger
                .record(Moment::from_seconds(1_700_000_000 + n as i64), &body)
                .unwrap();
        }
        ledger
    }

    #[test]
    fn facts_come_back_in_order() {
        let facts = chained().facts().unwrap();
        assert_eq!(
            facts.iter().map(|f| f.number).collect::<Vec<_>>(),
            [1, 2, 3, 4]
        );
    }

    #[test]
    fn of_many_batches_the_newest_that_wrote_and_the_newest_stay() {
        let seen = |written: &[u64]| {
            let ledger = Ledger::in_memory().unwrap();
            for (batch, items) in (1..).zip(written) {
                let (batch, items, bytes) = (batch, *items, 0);
                let rows = batch.to_string();
                let body = FactBody::Batch {
                    batch,
                    items,
                    bytes,
                    rows,
                };
                ledger.record(Moment::from_seconds(batch), &body).unwrap();
            }
            let kept = ledger.facts().unwrap();
            kept.iter().map(|fact| fact.number).collect::<Vec<_>>()
        };
        assert_eq!(seen(&[5, 5, 5]), [3]);
        assert_eq!(seen(&[5, 0]), [1, 2]);
        assert_eq!(seen(&[5, 0, 0]), [1, 3]);
        assert_eq!(seen(&[5, 0, 7]), [3]);
        assert_eq!(seen(&[0, 0]), [2]);
    }

    #[test]
    fn a_changed_dropped_moved_or_cut_fact_shows() {
        for damage in [
            "UPDATE fact SET body = replace(body, '2', '3') WHERE number = 3",
            "UPDATE fact SET at = '2026-01-01T00:00:00Z' WHERE number = 2",
            "DELETE FROM fact WHERE number = 2",
            "DELETE FROM fact WHERE number = 4",
            "UPDATE fact SET hash = zeroblob(32) WHERE number = 1",
        ] {
            let ledger = chained();
            ledger.db().execute_batch(damage).unwrap();
            assert!(
                matches!(ledger.facts(), Err(LedgerError::Broken { .. })),
                "{damage}"
            );
        }
    }
}
