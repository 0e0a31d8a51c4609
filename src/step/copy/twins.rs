//! Further names of files that are copied already: linked where the destination can, so the bag
//! holds every name and the content once; carried as a file of its own elsewhere.

use super::carry::{Done, Errand, temporary};
use super::committer::Committer;
use crate::job::Job;
use crate::ledger::terms::{FILE, WANTED};
use crate::ledger::{Got, GotRow, ItemRow, LedgerError};
use crate::port::Destination;
use crate::read::places::Places;

type Twin = (ItemRow, GotRow);

/// Twins taken at a time; there can be as many of them as files.
const PAGE: usize = 1000;

/// The next twins after item `after` that lack a copy; the walk is over when `after` stays.
fn lacking(job: &Job<'_>, mask: u64, after: &mut i64) -> Result<Vec<Twin>, LedgerError> {
    loop {
        let page = job.ledger.items_after(
            &format!("item.twin <> 0 AND {WANTED} AND {FILE}"),
            *after,
            PAGE,
        )?;
        let Some((last, _)) = page.last() else {
            return Ok(page);
        };
        *after = last.id;
        let mut out = Vec::new();
        for (item, got) in page {
            let lacks =
                matches!(got.state, Got::Nothing | Got::Changed) || got.written & mask != mask;
            // A gap of the first name may have been closed since.
            let is_older = || {
                let first = job.ledger.item(item.twin)?;
                Ok::<_, LedgerError>(first.is_some_and(|(_, first)| first.blake3 != got.blake3))
            };
            if lacks || (got.state == Got::Gaps && is_older()?) {
                out.push((item, got));
            }
        }
        if !out.is_empty() {
            return Ok(out);
        }
    }
}

/// Links every further name whose first name is saved, at every destination that can.
pub fn link_all(
    job: &Job<'_>,
    committer: &mut Committer<'_>,
    destinations: &[Option<&dyn Destination>],
) -> Result<(), LedgerError> {
    let mut places = Places::new(&job.ledger);
    let able = destinations
        .iter()
        .enumerate()
        .filter_map(|(number, d)| d.map(|d| (number, d)))
        .filter(|(_, d)| d.facts().is_ok_and(|f| f.hard_links));
    let able: Vec<_> = able.collect();
    let mut after = 0;
    let mut page = lacking(job, committer.mask, &mut after)?.into_iter();
    loop {
        let Some((item, before)) = page.next() else {
            page = lacking(job, committer.mask, &mut after)?.into_iter();
            if page.len() == 0 {
                break;
            }
            continue;
        };
        let Some((first, got)) = job.ledger.item(item.twin)? else {
            continue;
        };
        if !matches!(got.state, Got::Whole | Got::Gaps) {
            continue;
        }
        let (at, first_at) = (places.of(item.parent)?, places.of(first.parent)?);
        let mut now = GotRow {
            item: item.id,
            written: before.written,
            verified: before.verified,
            mismatch: before.mismatch,
            ..got.clone()
        };
        // What stands under this name from before counts on only as long as it is what the first name has now.
        let same = (before.blake3, before.sha256) == (got.blake3, got.sha256);
        if !same {
            (now.written, now.verified, now.mismatch) = (0, 0, 0);
        }
        let mut failed = Vec::new();
        for (number, destination) in &able {
            let bit = 1u64 << number;
            if committer.mask & bit == 0 || now.written & bit != 0 || got.written & bit == 0 {
                continue;
            }
            let path = temporary(item.id);
            let linked = destination
                .remove(&path)
                .and_then(|()| destination.link(&first_at.bag_path(&first), &path));
            match linked {
                Ok(()) => now.written |= bit,
                Err(fault) => failed.push((*number, fault)),
            }
        }
        if now.written == 0 || (same && now.written == before.written) {
            continue;
        }
        // A link that one destination refused is carried as a file there; it is no reason to give the destination up.
        failed.clear();
        committer.add(Done {
            errand: Errand {
                item,
                before,
                at,
                passed: 0,
                anew: !same,
            },
            got: now,
            failed,
            source_gone: None,
        })?;
    }
    committer.commit()
}

/// The next further names after item `after` that still lack a copy somewhere; none = no more.
pub fn left_over(
    job: &Job<'_>,
    mask: u64,
    places: &mut Places<'_>,
    after: &mut i64,
) -> Result<Vec<Errand>, LedgerError> {
    lacking(job, mask, after)?
        .into_iter()
        .map(|(item, before)| {
            Ok(Errand {
                at: places.of(item.parent)?,
                item,
                before,
                passed: 0,
                anew: false,
            })
        })
        .collect()
}
