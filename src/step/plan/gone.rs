//! What an earlier survey of a folder listed and this one did not find.
//!
//! Invariant: what was copied stays saved, its last copy before all; what was never copied and cannot be had again is
//! not forgotten but listed as lost, and holds until it is given up by name. Only what is had again (caches come and go
//! on a system that runs) goes without a question, and what a rule leaves out without a word.

use crate::ledger::terms::{FILE, FOLDER, LISTED, WANTED_OR_WAIVED};
use crate::ledger::{Fact, FactBody, Got, GotRow, ItemRow, Ledger, LedgerError, RowSum, Want};
use crate::step::outcome::Amount;
use crate::survey::item::{Class, Kind, Mark, Marks};
use rusqlite::params;

/// Why nothing of an item can be read any more.
const NOT_FOUND: &str = "it is no longer at the source, and was not copied before";
/// Rows taken at a time.
const ROWS: usize = 1000;

/// The newest survey whose folders and links stand in a bag: they are saved by being written down.
pub fn recorded(facts: &[Fact]) -> i64 {
    let sealed = |fact: &Fact| matches!(fact.body, FactBody::Sealed { .. });
    let before = facts.iter().rposition(sealed).unwrap_or(0);
    let begun = |fact: &&Fact| matches!(fact.body, FactBody::SurveyBegun { .. });
    facts.iter().take(before).filter(begun).count() as i64
}

/// Files that are gone, of which there is a copy (or is none).
pub fn found_no_more(ledger: &Ledger, copied: bool) -> Result<Amount, LedgerError> {
    let sql = &format!(
        "SELECT count(*), coalesce(sum(item.bytes), 0) FROM item LEFT JOIN got ON got.item = item.id
               WHERE {FILE} AND {WANTED_OR_WAIVED} AND item.marks & ?1 <> 0 AND (coalesce(got.written, 0) <> 0) = ?2"
    );
    let row = ledger
        .db()
        .query_row(sql, params![1i64 << (Mark::Gone as u32), copied], |row| {
            Ok((row.get::<_, i64>(0)?, row.get::<_, i64>(1)?))
        });
    let (items, bytes) = ledger.doing("counting what is gone", row)?;
    Ok(Amount::new(items as u64, bytes as u64))
}

/// Settles what survey number `survey` did not find; returns how many files were neither copied nor are dear enough to
/// ask about. Call in its transaction, when it is through.
pub fn settle(
    ledger: &Ledger,
    survey: i64,
    recorded: i64,
    sum: &mut RowSum,
) -> Result<u64, LedgerError> {
    let mut forgotten = 0;
    let missed = format!("item.seen < {survey} AND {LISTED} AND NOT {FOLDER}");
    let (mut after, mut knows_found) = (0, false);
    loop {
        let page = ledger.items_after(&missed, after, ROWS)?;
        let Some((last, _)) = page.last() else { break };
        after = last.id;
        for (item, got) in page {
            let mut end = end(&item, &got, recorded);
            let is_file = item.kind == Kind::File && item.want == Want::Wanted;
            forgotten += u64::from(end == End::IsDropped && is_file);
            if end == End::IsLost {
                if !knows_found {
                    keep_found(ledger, survey)?;
                    knows_found = true;
                }
                if is_elsewhere(ledger, &item)? {
                    end = End::IsDropped;
                }
            }
            match end {
                End::IsDropped => {
                    ledger.put_want(&item, &got, Want::Vanished, item.waiver, sum)?;
                }
                End::Stays => mark(ledger, item.id)?,
                End::IsLost => {
                    mark(ledger, item.id)?;
                    if got.state != Got::Unreadable {
                        let mut lost = GotRow::nothing(item.id);
                        (lost.state, lost.fault) = (Got::Unreadable, Some(NOT_FOUND.to_owned()));
                        ledger.put_got(item.want, item.waiver, &got, &lost, sum)?;
                    }
                }
            }
        }
    }
    folders(ledger, survey, recorded, sum)?;
    Ok(forgotten)
}

#[derive(PartialEq, Eq)]
enum End {
    /// As it is: saved, or given up.
    Stays,
    /// Nothing was got of it, and nothing like it will come.
    IsLost,
    /// No word about it any more.
    IsDropped,
}

fn end(item: &ItemRow, got: &GotRow, recorded: i64) -> End {
    let dear = matches!(item.class, Class::Irreplaceable | Class::HardToReplace);
    // Its content never was there to be copied.
    let empty = item.marks.any(Marks::without_content());
    match (item.want, item.kind) {
        (Want::Waived, _) => End::Stays,
        (Want::LeftOut | Want::Vanished, _) => End::IsDropped,
        (Want::Wanted, Kind::File) => match got.state {
            Got::Whole | Got::Gaps if got.written != 0 => End::Stays,
            _ if dear && !empty => End::IsLost,
            _ => End::IsDropped,
        },
        (Want::Wanted, _) if item.seen <= recorded => End::Stays,
        (Want::Wanted, _) => End::IsDropped,
    }
}

fn mark(ledger: &Ledger, id: i64) -> Result<(), LedgerError> {
    let sql = "UPDATE item SET marks = marks | ?2 WHERE id = ?1";
    let statement = ledger.db().prepare_cached(sql);
    let done =
        statement.and_then(|mut mark| mark.execute(params![id, 1i64 << (Mark::Gone as u32)]));
    ledger.doing("marking what is gone", done).map(|_| ())
}

/// Remembers the files that this survey found, to know one again under another name.
fn keep_found(ledger: &Ledger, survey: i64) -> Result<(), LedgerError> {
    let sql = format!(
        "DROP TABLE IF EXISTS temp.present; CREATE TEMP TABLE present AS
         SELECT device, inode, bytes, modified FROM item WHERE seen = {survey} AND {FILE} AND {LISTED};
         CREATE INDEX temp.present_inode ON present(inode);"
    );
    ledger.doing("noting what was found", ledger.db().execute_batch(&sql))
}

/// Whether the very file stands at another place now: it was moved or renamed, or had a further name.
fn is_elsewhere(ledger: &Ledger, item: &ItemRow) -> Result<bool, LedgerError> {
    let sql = "SELECT EXISTS(SELECT 1 FROM temp.present WHERE device = ?1 AND inode = ?2 AND bytes = ?3 AND modified = ?4)";
    let which = params![
        item.device as i64,
        item.inode as i64,
        item.bytes as i64,
        item.modified_ns
    ];
    let found = ledger.db().prepare_cached(sql);
    let found = found.and_then(|mut query| query.query_row(which, |row| row.get(0)));
    ledger.doing("looking for a moved file", found)
}

/// A folder stays as long as anything in it does, or when it was written down itself. The deepest first: a folder has a
/// higher number than the one that it lies in.
fn folders(
    ledger: &Ledger,
    survey: i64,
    recorded: i64,
    sum: &mut RowSum,
) -> Result<(), LedgerError> {
    let doing = "looking for folders that are gone";
    let sql =
        &format!("SELECT id FROM item WHERE seen < ?1 AND {LISTED} AND {FOLDER} ORDER BY id DESC");
    let ids = ledger.db().prepare(sql).and_then(|mut query| {
        query
            .query_map([survey], |row| row.get(0))?
            .collect::<rusqlite::Result<Vec<i64>>>()
    });
    for id in ledger.doing(doing, ids)? {
        let Some((item, got)) = ledger.item(id)? else {
            continue;
        };
        let sql = &format!("SELECT EXISTS(SELECT 1 FROM item WHERE parent = ?1 AND {LISTED})");
        let holds = ledger.db().prepare_cached(sql);
        let holds = holds.and_then(|mut query| query.query_row([id], |row| row.get(0)));
        if ledger.doing(doing, holds)? || end(&item, &got, recorded) == End::Stays {
            mark(ledger, id)?;
        } else {
            ledger.put_want(&item, &got, Want::Vanished, item.waiver, sum)?;
        }
    }
    Ok(())
}
