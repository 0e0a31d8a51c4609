//! What this run does over again: copies that were found to differ or to be gone, those made on memory that failed, once
//! it was exchanged, and what was given up by a decision that has lapsed.
//!
//! Invariant: what differed no longer counts as written, so this run copies it again; the mark that
//! it differed stays until a later reading back finds it equal.

use crate::job::{Job, ledger_problem};
use crate::ledger::terms::WAIVED;
use crate::ledger::{Fact, GotRow, LedgerError, Want};
use crate::step::outcome::Problem;
use crate::step::state::memory_changed_since_failed;

/// Rows a transaction.
const ROWS: usize = 1000;

/// Takes back the decisions that no longer cover what they froze: what they gave up is wanted again. Returns how many items.
pub(super) fn take_back_lapsed(job: &Job<'_>) -> Result<u64, Problem> {
    let lapsed = crate::step::gate::lapsed(job)?;
    if lapsed.is_empty() {
        return Ok(0);
    }
    job.ledger
        .transaction::<_, LedgerError>(|ledger| {
            let (mut after, mut count, mut sum) = (0, 0, ledger.row_sum()?);
            loop {
                let page = ledger.items_after(WAIVED, after, ROWS)?;
                let Some((last, _)) = page.last() else { break };
                after = last.id;
                for (item, got) in page
                    .iter()
                    .filter(|(item, _)| lapsed.contains(&item.waiver))
                {
                    ledger.put_want(item, got, Want::Wanted, 0, &mut sum)?;
                    count += 1;
                }
            }
            ledger.rows_moved(job.now(), sum)?;
            Ok(count)
        })
        .map_err(|e| ledger_problem(&e))
}

/// Takes the copies that differ at the destinations in `mask` for not written; returns how many.
pub(super) fn forget_what_differs(job: &Job<'_>, mask: u64) -> Result<u64, LedgerError> {
    let differs = "(got.mismatch & got.written) <> 0";
    forget(job, differs, |got| got.mismatch & got.written & mask)
}

/// Takes every copy that was made before the failed memory was exchanged for not written, wherever it lies; returns how many.
pub(super) fn forget_failed_memory(job: &Job<'_>, facts: &[Fact]) -> Result<u64, LedgerError> {
    let Some(changed) = memory_changed_since_failed(facts) else {
        return Ok(0);
    };
    let made = job.ledger.batches_before(changed)?;
    forget(job, "got.written <> 0", |got| {
        if got.batch <= made { got.written } else { 0 }
    })
}

fn forget(job: &Job<'_>, which: &str, bad: impl Fn(&GotRow) -> u64) -> Result<u64, LedgerError> {
    let ledger = &job.ledger;
    let (mut after, mut count) = (0, 0u64);
    loop {
        let page = ledger.items_after(which, after, ROWS)?;
        let Some((last, _)) = page.last() else {
            return Ok(count);
        };
        after = last.id;
        let mut sum = ledger.row_sum()?;
        ledger.transaction::<_, LedgerError>(|ledger| {
            for (item, got) in &page {
                let bad = bad(got);
                if bad == 0 {
                    continue;
                }
                count += 1;
                let mut now = got.clone();
                now.written &= !bad;
                now.verified &= !bad;
                if now.written == 0 {
                    // No copy is left: it is as if it had never been copied.
                    now = GotRow::nothing(item.id);
                }
                ledger.put_got(item.want, item.waiver, got, &now, &mut sum)?;
            }
            ledger.rows_moved(job.now(), sum)
        })?;
    }
}
