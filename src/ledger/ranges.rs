//! What was asked of a drive on the salvage route: a row for each answer, and where the bytes of what is in hand are.
//!
//! Invariant: rows are only added. Their running sum stands in the fact that is recorded with them, so an edit by hand
//! shows; rows that do not add up are not used.

use super::{FactBody, Ledger, LedgerError, RowSum, schema};
use crate::judge::gaps::{Ranges, State, Stretch};
use crate::value::{Blake3, Moment};
use rusqlite::{OptionalExtension, Row, params};

/// The setting that holds the running sum.
const SUM: &str = "range-sum";

/// Where the bytes of a range are: in a file of the salvage image.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Held {
    /// The destination that holds the file, by number.
    pub destination: usize,
    /// The file's number.
    pub file: u64,
    /// First byte in it.
    pub at: u64,
    /// How many.
    pub bytes: u64,
    /// Their digest.
    pub blake3: Blake3,
}

/// One answer of a drive.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct RangeRow {
    /// Which sectors, and how they stand since.
    pub range: Stretch,
    /// When they were asked, seconds since 1970.
    pub asked: i64,
    /// Where their bytes are, when they are in hand.
    pub held: Option<Held>,
}

impl RangeRow {
    /// What the running sum is made of.
    fn encode(&self, id: i64, drive: usize) -> Vec<u8> {
        let mut out = Vec::with_capacity(128);
        for number in [
            id as u64,
            drive as u64,
            self.range.first,
            self.range.count,
            self.asked as u64,
        ] {
            out.extend_from_slice(&number.to_le_bytes());
        }
        out.extend_from_slice(self.range.state.word().as_bytes());
        if let Some(held) = &self.held {
            for number in [held.destination as u64, held.file, held.at, held.bytes] {
                out.extend_from_slice(&number.to_le_bytes());
            }
            out.extend_from_slice(&held.blake3.0);
        }
        out
    }
}

impl Ledger {
    pub(super) fn lay_out_ranges(&self) -> Result<(), LedgerError> {
        self.doing(
            "laying out a table",
            self.db().execute_batch(schema::RANGES),
        )
    }

    /// Adds what a drive answered, in order, and the fact that closes them; durable when this returns.
    pub fn add_ranges(
        &self,
        at: Moment,
        drive: usize,
        requests: u64,
        rows: &[RangeRow],
    ) -> Result<(), LedgerError> {
        self.transaction(|ledger| {
            let mut sum = ledger.range_sum()?;
            let sql = "INSERT INTO range(drive, first, count, state, asked, destination, file, at, bytes, blake3) VALUES(?1,?2,?3,?4,?5,?6,?7,?8,?9,?10)";
            let mut statement = ledger.doing("keeping ranges", ledger.db().prepare_cached(sql))?;
            for row in rows {
                let held = row.held.as_ref();
                let id = statement.insert(params![
                    drive as i64,
                    row.range.first as i64,
                    row.range.count as i64,
                    row.range.state.word(),
                    row.asked,
                    held.map(|held| held.destination as i64),
                    held.map(|held| held.file as i64),
                    held.map(|held| held.at as i64),
                    held.map(|held| held.bytes as i64),
                    held.map(|held| held.blake3.0.to_vec()),
                ]);
                let id = ledger.doing("keeping ranges", id)?;
                sum.add(&row.encode(id, drive));
            }
            ledger.set(SUM, &sum.to_string())?;
            let ranges = sum.to_string();
            ledger.record(at, &FactBody::Salvaged { drive, requests, ranges }).map(|_| ())
        })
    }

    fn range_sum(&self) -> Result<RowSum, LedgerError> {
        let text = self.get(SUM)?;
        Ok(text
            .and_then(|text| RowSum::parse(&text))
            .unwrap_or_default())
    }

    /// Every row of one drive, oldest first.
    ///
    /// # Errors
    /// [`LedgerError::Broken`] when the rows are not those that the chain tells of.
    pub fn ranges(&self, drive: usize) -> Result<Vec<RangeRow>, LedgerError> {
        let (mut sum, mut out) = (RowSum::default(), Vec::new());
        let sql = "SELECT id, drive, first, count, state, asked, destination, file, at, bytes, blake3 FROM range ORDER BY id";
        let mut query = self.doing("reading ranges", self.db().prepare(sql))?;
        let mut rows = self.doing("reading ranges", query.query([]))?;
        while let Some(row) = self.doing("reading ranges", rows.next())? {
            let (id, of, row) = self.doing("reading a range", read(row))?;
            sum.add(&row.encode(id, of));
            if of == drive {
                out.push(row);
            }
        }
        let sql = "SELECT number, json_extract(body, '$.ranges') FROM fact WHERE kind = 'salvaged' ORDER BY number DESC LIMIT 1";
        let told = self
            .db()
            .query_row(sql, [], |row| Ok((row.get(0)?, row.get(1)?)));
        let told: Option<(i64, String)> =
            self.doing("finding the sum of the ranges", told.optional())?;
        let (number, expected) = told.unwrap_or((0, RowSum::default().to_string()));
        if expected != sum.to_string() {
            return Err(LedgerError::Broken {
                number,
                expected: format!("ranges with the sum {expected}"),
                found: sum.to_string(),
            });
        }
        Ok(out)
    }

    /// How the sectors of a drive stand, neighbours of one state as one.
    ///
    /// # Errors
    /// As [`Ledger::ranges`].
    pub fn range_states(&self, drive: usize) -> Result<Ranges, LedgerError> {
        let mut states = Ranges::new();
        for RangeRow { range, .. } in self.ranges(drive)? {
            states.set(range.first, range.end(), range.state);
        }
        Ok(states)
    }
}

fn read(row: &Row<'_>) -> rusqlite::Result<(i64, usize, RangeRow)> {
    let number = |at: usize| row.get::<_, i64>(at).map(|n| n as u64);
    let state: String = row.get(4)?;
    let held = match row.get::<_, Option<Vec<u8>>>(10)? {
        Some(digest) => Some(Held {
            destination: number(6)? as usize,
            file: number(7)?,
            at: number(8)?,
            bytes: number(9)?,
            blake3: Blake3::from_slice(&digest).unwrap_or(Blake3([0; 32])),
        }),
        None => None,
    };
    let range = Stretch {
        first: number(2)?,
        count: number(3)?,
        // A word that nobody knows is no news: the sectors are asked again.
        state: State::parse(&state).unwrap_or(State::Unasked),
    };
    let asked = row.get(5)?;
    Ok((
        row.get(0)?,
        number(1)? as usize,
        RangeRow { range, asked, held },
    ))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_last_answer_counts_and_an_edit_shows() {
        let ledger = Ledger::in_memory().unwrap();
        let at = Moment::from_seconds(1_780_000_000);
        let row = |first, count, state, held| RangeRow {
            range: Stretch {
                first,
                count,
                state,
            },
            asked: at.seconds(),
            held,
        };
        let held = Held {
            destination: 1,
            file: 2,
            at: 3,
            bytes: 8 * 512,
            blake3: Blake3([7; 32]),
        };
        assert_eq!(ledger.ranges(0).unwrap(), []);
        let first = [row(0, 100, State::PutOff, None)];
        let then = [
            row(0, 8, State::InHand, Some(held)),
            row(8, 1, State::Refused, None),
        ];
        ledger.add_ranges(at, 0, 1, &first).unwrap();
        ledger.add_ranges(at, 1, 1, &first).unwrap();
        ledger.add_ranges(at, 0, 2, &then).unwrap();
        assert_eq!(ledger.ranges(0).unwrap(), [&first[..], &then].concat());
        let states = ledger.range_states(0).unwrap();
        let told: Vec<_> = states.runs().map(|run| (run.first, run.state)).collect();
        assert_eq!(
            told,
            [(0, State::InHand), (8, State::Refused), (9, State::PutOff)]
        );
        for edit in [
            "UPDATE range SET state = 'in-hand' WHERE state = 'refused'",
            "DELETE FROM range WHERE id = 1",
            "UPDATE range SET blake3 = zeroblob(32) WHERE blake3 IS NOT NULL",
        ] {
            let sound = ledger.db().execute_batch("BEGIN");
            sound.unwrap();
            assert!(ledger.db().execute(edit, []).unwrap() > 0);
            let found = ledger.ranges(0);
            assert!(matches!(found, Err(LedgerError::Broken { .. })), "{edit}");
            ledger.give_up();
        }
        ledger.ranges(0).unwrap();
    }
}
