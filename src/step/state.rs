//! Where a job and its items stand, computed from the ledger.

use crate::job::{Job, ledger_problem};
use crate::judge::gate::MemoryNow;
use crate::ledger::terms::{FILE, FOLDER, HAD, TO_COPY, WANTED, WANTED_OR_WAIVED, WHOLE};
use crate::ledger::{
    Fact, FactBody, Got, GotRow, ItemRow, Ledger, LedgerError, Sight, Want, standing,
};
use crate::step::outcome::{Amount, ItemCounts, ItemState, MemoryState, Problem, Route};
use crate::survey::item::{Kind, Mark, Marks};
use crate::value::words::WaiverScope;

/// The one word shown for an item: computed from what is wanted, what was got, and its copies.
pub fn item_state(item: &ItemRow, got: &GotRow, counting: u64, recorded: Recorded) -> ItemState {
    match (item.want, got.state) {
        (Want::Waived, _) => ItemState::Waived,
        (Want::LeftOut, _) => ItemState::LeftOut,
        (Want::Vanished, _) => ItemState::Changed,
        _ if item.marks.has(Mark::Unreadable) || item.marks.has(Mark::OtherMount) => {
            ItemState::Unreadable
        }
        _ if item.kind != Kind::File => recorded.state(),
        _ if item.marks.has(Mark::Placeholder) => ItemState::Placeholder,
        (_, Got::Nothing) if recorded.keys_given_up && item.marks.has(Mark::Efs) => {
            ItemState::Waived
        }
        (_, Got::Nothing) => ItemState::Listed,
        (_, Got::Gaps) => ItemState::Damaged,
        // Every byte was read, but the file table contradicts itself about the item.
        (_, Got::Whole) if item.marks.has(Mark::Damaged) => ItemState::Damaged,
        (_, Got::Unreadable) => ItemState::Unreadable,
        (_, Got::Changed) => ItemState::Changed,
        (_, Got::Whole) if got.verified & !got.mismatch & counting != 0 => ItemState::Verified,
        (_, Got::Whole) => ItemState::Copied,
    }
}

/// What the facts say of items beside their rows. Folders and links live in the ledger and in the bag's evidence only.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct Recorded {
    /// The evidence is on a destination.
    pub sealed: bool,
    /// A destination was read back since.
    pub verified: bool,
    /// Somebody decided about what is encrypted with its owner's own key, and it is the same still.
    pub keys_given_up: bool,
}

/// Why what is encrypted with its owner's own key was given up; `None` = nobody decided about it as it is now.
///
/// # Errors
/// When the ledger cannot be read.
pub fn keys_given_up(job: &Job<'_>, facts: &[Fact]) -> Result<Option<String>, Problem> {
    const POINT: &str = "efs-keys";
    let decided = facts.iter().rev().filter_map(|fact| match &fact.body {
        FactBody::Waived { waiver, .. } if waiver.is_about(WaiverScope::Point, POINT) => {
            Some(waiver)
        }
        _ => None,
    });
    let mut decided = decided.peekable();
    if decided.peek().is_none() {
        return Ok(None);
    }
    let now = crate::step::gate::set_of(job, POINT, Mark::Efs)?;
    let holds = decided.find(|waiver| Some(waiver.set_hash) == now);
    Ok(holds.map(|waiver| waiver.reason.clone()))
}

impl Recorded {
    /// As it is now.
    ///
    /// # Errors
    /// When the ledger cannot be read.
    pub fn now(job: &Job<'_>, facts: &[Fact]) -> Result<Self, Problem> {
        Ok(Self {
            keys_given_up: keys_given_up(job, facts)?.is_some(),
            ..Self::of(facts)
        })
    }

    /// How far folders and links are, from the facts.
    fn of(facts: &[Fact]) -> Self {
        let newest =
            |wanted: fn(&FactBody) -> bool| standing::newest(facts, wanted).map(|fact| fact.number);
        if standing::is_closing(facts) {
            return Self::default();
        }
        let sealed = newest(|body| matches!(body, FactBody::Sealed { .. }));
        let Some(surveyed) = standing::first_like_newest(facts) else {
            return Self::default();
        };
        let surveyed = Some(surveyed.number);
        let verified = newest(|body| {
            matches!(
                body,
                FactBody::Verified {
                    mismatched: 0,
                    missing: 0,
                    ..
                }
            )
        });
        Self {
            sealed: sealed > surveyed,
            verified: sealed > surveyed && verified > surveyed,
            keys_given_up: false,
        }
    }

    fn state(self) -> ItemState {
        match self {
            Recorded { verified: true, .. } => ItemState::Verified,
            Recorded { sealed: true, .. } => ItemState::Copied,
            _ => ItemState::Listed,
        }
    }
}

/// Where items of a state are counted.
pub fn slot(counts: &mut ItemCounts, state: ItemState) -> &mut u64 {
    match state {
        ItemState::Listed => &mut counts.listed,
        ItemState::Copied => &mut counts.copied,
        ItemState::Verified => &mut counts.verified,
        ItemState::Damaged => &mut counts.damaged,
        ItemState::Unreadable => &mut counts.unreadable,
        ItemState::LeftOut => &mut counts.left_out,
        ItemState::Placeholder => &mut counts.placeholder,
        ItemState::Waived => &mut counts.waived,
        ItemState::Changed => &mut counts.changed,
    }
}

/// Bits of the destinations whose copies prove anything: they count, and their bag is not known to be otherwise than it
/// was read back.
pub fn proving(job: &Job<'_>, facts: &[Fact]) -> u64 {
    job.counting() & !Sight::standing(facts).doubted()
}

/// Every file by its state, and every folder that nobody could look into: what a plan, a paper and a verification count.
/// Other folders and links hold nothing by themselves.
pub fn counts(job: &Job<'_>) -> Result<ItemCounts, Problem> {
    let facts = job.ledger.facts().map_err(|e| ledger_problem(&e))?;
    let (recorded, counting) = (Recorded::now(job, &facts)?, proving(job, &facts));
    // One pass inside SQLite over the few distinct combinations, not over the rows.
    let sql = &format!(
        "SELECT item.kind, item.want, item.marks & ?1, coalesce(got.state, 0), coalesce(got.verified & ~got.mismatch & ?2, 0) <> 0, count(*)
               FROM item LEFT JOIN got ON got.item = item.id
               WHERE {FILE} OR ({FOLDER} AND {WANTED_OR_WAIVED} AND item.marks & ?3 <> 0) GROUP BY 1, 2, 3, 4, 5"
    );
    let ledger = &job.ledger;
    let marks = Marks::of(&[
        Mark::Unreadable,
        Mark::OtherMount,
        Mark::Placeholder,
        Mark::Efs,
        Mark::Damaged,
    ]);
    let closed = Marks::of(&[Mark::Unreadable, Mark::OtherMount]);
    let mut query = ledger
        .doing("counting the items", ledger.db().prepare_cached(sql))
        .map_err(|e| ledger_problem(&e))?;
    let rows = query
        .query_map(
            rusqlite::params![marks.0, counting as i64, closed.0],
            |row| {
                Ok((
                    row.get::<_, i64>(0)?,
                    row.get::<_, i64>(1)?,
                    row.get::<_, u32>(2)?,
                    row.get::<_, i64>(3)?,
                    row.get::<_, bool>(4)?,
                    row.get::<_, i64>(5)?,
                ))
            },
        )
        .and_then(Iterator::collect::<rusqlite::Result<Vec<_>>>);
    let mut out = ItemCounts::default();
    for (kind, want, marks, state, verified, count) in ledger
        .doing("counting the items", rows)
        .map_err(|e| ledger_problem(&e))?
    {
        let item = ItemRow::bare(
            0,
            crate::ledger::row::kind_from(kind),
            Want::from_code(want),
            Marks(marks),
        );
        let mut got = GotRow::nothing(0);
        got.state = Got::from_code(state);
        got.verified = if verified { counting } else { 0 };
        *slot(&mut out, item_state(&item, &got, counting, recorded)) += count as u64;
    }
    Ok(out)
}

/// Files that came over whole: what is on a medium, and what of it was read back. Only the second may be called saved.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Whole {
    /// On the medium of at least one of the destinations asked about, and not known to differ there.
    pub copied: Amount,
    /// Of these, read back and equal at every one of the destinations that holds them.
    pub read_back: Amount,
}

impl Whole {
    /// At the destinations in `mask`. What the file table contradicts itself about is not whole (see [`item_state`]).
    pub fn at(ledger: &Ledger, mask: u64) -> Result<Self, LedgerError> {
        let sql = "SELECT count(*), coalesce(sum(bytes), 0), coalesce(sum(proven), 0), coalesce(sum(proven * bytes), 0)
                   FROM (SELECT item.bytes AS bytes, (got.verified & ~got.mismatch & ?1) = (got.written & ?1) AS proven
                         FROM got JOIN item ON item.id = got.item
                         WHERE got.state = ?2 AND got.written & ~got.mismatch & ?1 <> 0 AND item.marks & ?3 = 0)";
        let told = rusqlite::params![
            mask as i64,
            Got::Whole.code(),
            Marks::of(&[Mark::Damaged]).0
        ];
        let row = ledger.db().query_row(sql, told, |row| {
            let amount = |at| {
                let (items, bytes): (i64, i64) = (row.get(at)?, row.get(at + 1)?);
                Ok::<_, rusqlite::Error>(Amount::new(items as u64, bytes as u64))
            };
            Ok(Self {
                copied: amount(0)?,
                read_back: amount(2)?,
            })
        });
        ledger.doing("counting what is on the medium", row)
    }
}

/// Files still to be copied (wanted, nothing got yet or changed).
pub fn remaining(job: &Job<'_>) -> Result<u64, Problem> {
    let ledger = &job.ledger;
    let count = ledger.db().query_row(
        &format!("SELECT count(*) FROM item LEFT JOIN got ON got.item = item.id WHERE {FILE} AND {WANTED} AND item.marks & ?1 = 0 AND {TO_COPY}"),
        [Marks::without_content().0],
        |row| row.get::<_, i64>(0),
    );
    Ok(ledger
        .doing("counting what remains", count)
        .map_err(|e: LedgerError| ledger_problem(&e))? as u64)
}

/// Files of which there is a copy, and not as many as the policy wants at the destinations of the job.
pub fn lacking(job: &Job<'_>) -> Result<u64, Problem> {
    let (ledger, doing) = (&job.ledger, "counting the copies that lack");
    let all = (1u64 << job.setup.destinations.len()) - 1;
    let sql = &format!(
        "SELECT item.class, got.written & ?1, count(*) FROM got JOIN item ON item.id = got.item
               WHERE {FILE} AND {WANTED} AND {HAD} GROUP BY 1, 2"
    );
    let rows = ledger.db().prepare(sql).and_then(|mut query| {
        query
            .query_map([all as i64], |row| {
                let number = |at| row.get::<_, i64>(at).map(|n| n as u64);
                Ok((number(0)?, number(1)?, number(2)?))
            })?
            .collect::<rusqlite::Result<Vec<_>>>()
    });
    let rows = ledger.doing(doing, rows).map_err(|e| ledger_problem(&e))?;
    let lacks = |class: u64, written: u64| {
        let class = crate::survey::item::Class::ALL.get(class as usize);
        let wanted = class.map_or(u32::MAX, |class| job.policy.copies_wanted(*class));
        written.count_ones() < wanted.max(1).min(all.count_ones())
    };
    let counts = rows
        .iter()
        .filter(|(class, written, _)| lacks(*class, *written));
    Ok(counts.map(|(_, _, count)| count).sum())
}

/// Whether something that is whole somewhere lacks its copy at one of the destinations.
pub fn lacks_copies(job: &Job<'_>) -> Result<bool, Problem> {
    let all = (1i64 << job.setup.destinations.len()) - 1;
    let ledger = &job.ledger;
    let lacks = ledger.db().query_row(
        &format!("SELECT EXISTS(SELECT 1 FROM got JOIN item ON item.id = got.item WHERE {WANTED} AND {WHOLE} AND got.written & ?1 <> ?1)"),
        [all],
        |row| row.get(0),
    );
    ledger
        .doing("looking for copies that lack", lacks)
        .map_err(|e: LedgerError| ledger_problem(&e))
}

/// Whether a finished survey is there.
pub fn is_surveyed(job: &Job<'_>) -> Result<bool, Problem> {
    let facts = job.ledger.facts().map_err(|e| ledger_problem(&e))?;
    Ok(standing::surveyed(&facts).is_some())
}

/// The route that the newest forecast decided; without one, what the symptom alone says.
pub fn route_of(job: &Job<'_>, facts: &[Fact]) -> Route {
    // Several drives: the most careful of their routes, because they are read in one run.
    let each =
        (0..crate::step::assess::drive_count(job)).map(|drive| route_of_drive(job, facts, drive));
    each.max().unwrap_or_else(|| told(job))
}

/// The same for one drive alone.
pub fn route_of_drive(job: &Job<'_>, facts: &[Fact], wanted: usize) -> Route {
    let newest = standing::forecast_route(facts, wanted);
    newest.unwrap_or(Route::Ordinary).max(told(job))
}

fn told(job: &Job<'_>) -> Route {
    // A symptom counts from the moment it is told, whatever was forecast before.
    if job.has_bad_symptom() {
        Route::Refer
    } else {
        Route::Ordinary
    }
}

/// Whether nothing of the source may be read beyond identity and health, because the owner has to decide first.
pub fn waits_for_owner(job: &Job<'_>, facts: &[Fact]) -> bool {
    route_of(job, facts) == Route::Refer && !refer_decided(facts)
}

/// What the memory of the copying machine counts as: the strictest answer that was in force when any of the copies was
/// made, or since. A better answer holds for what is copied after it.
pub fn memory_in_force(job: &Job<'_>, facts: &[Fact]) -> Option<MemoryState> {
    let told: Vec<(i64, MemoryState)> = facts
        .iter()
        .filter_map(|fact| match &fact.body {
            FactBody::Opened { setup } => {
                let memory = serde_json::from_value(setup.get("memory")?.clone()).ok()?;
                Some((fact.number, memory))
            }
            _ => None,
        })
        .collect();
    let now = job.setup.memory;
    if told.iter().all(|(_, memory)| Some(*memory) == now) {
        return now;
    }
    // What cannot be told counts from the beginning.
    let first = job.ledger.first_copy().unwrap_or(Some(0));
    let Some(first) = first else {
        return now;
    };
    let before = told.iter().rfind(|(number, _)| *number < first);
    let since = told.iter().filter(|(number, _)| *number >= first);
    let strictest = before.into_iter().chain(since).map(|(_, memory)| *memory);
    strictest.chain(now).max_by_key(|memory| doubt(*memory))
}

/// The memory of the copying machine as the gate weighs it, with what was done about it.
pub fn memory_now(job: &Job<'_>, facts: &[Fact]) -> MemoryNow {
    let last_copy = standing::last_write(facts).map_or(0, |fact| fact.number);
    let again = facts.iter().rev().find_map(|fact| match fact.body {
        // A reading that did not get through says nothing.
        FactBody::SourceReadAgain {
            full, unread: 0, ..
        } if fact.number > last_copy => Some(full),
        _ => None,
    });
    let nothing_copied = last_copy == 0;
    let attested = crate::step::attest::by_another_machine(job, facts);
    let weak = job.has_bad_symptom() || crate::step::verify::is_too_weak(job, facts);
    match memory_in_force(job, facts) {
        None => MemoryNow::NotTold,
        Some(MemoryState::KnownGood) => MemoryNow::Good {
            sampled: again.is_some() || nothing_copied || job.has_bad_symptom(),
        },
        Some(MemoryState::Swapped) => MemoryNow::Doubtful {
            read_again: again == Some(true),
            attested,
            swapped: true,
            weak,
        },
        Some(MemoryState::Suspect) => MemoryNow::Doubtful {
            read_again: again == Some(true),
            attested,
            swapped: false,
            weak,
        },
        Some(MemoryState::Failed) => MemoryNow::Failed {
            attested,
            changed: memory_changed_since_failed(facts).is_some(),
        },
    }
}

/// The fact after which the memory no longer counted as failed, when it once did; copies made before it count for nothing.
pub fn memory_changed_since_failed(facts: &[Fact]) -> Option<i64> {
    let told = facts.iter().filter_map(|fact| match &fact.body {
        FactBody::Opened { setup } => Some((fact.number, setup.get("memory")?.as_str()?)),
        _ => None,
    });
    let failed = MemoryState::Failed.word();
    let mut changed = None;
    let mut was = false;
    for (number, memory) in told {
        if was && memory != failed {
            changed = Some(number);
        }
        was = memory == failed;
    }
    changed.filter(|_| !was)
}

/// How much a state of the memory puts in doubt.
pub fn doubt(memory: MemoryState) -> u8 {
    match memory {
        MemoryState::KnownGood => 0,
        MemoryState::Swapped => 1,
        MemoryState::Suspect => 2,
        MemoryState::Failed => 3,
    }
}

/// Why copying must not start: the route is `refer` and the owner has not decided otherwise.
pub fn refer_refusal(job: &Job<'_>, facts: &[Fact], route: Route) -> Option<Problem> {
    (route == Route::Refer && !refer_decided(facts)).then(|| Problem::hold(
        "this drive should go to a specialist laboratory before anything else is tried: every further read may be its last",
        job.shown(),
        "ask the owner; to go on all the same, record their decision:\nholdpoint waive JOB --point refer-undecided --decided-by owner --how signed --name NAME --reason TEXT",
    ))
}

/// Refuses a step that has no sense once the shop's copies are being deleted.
///
/// # Errors
/// When the deleting was begun or is done.
pub fn refuse_closing(job: &Job<'_>, facts: &[Fact]) -> Result<(), Problem> {
    let (what, next) = if let Some(closed) = standing::closed(facts) {
        (
            format!(
                "this job is closed since {:.0}: its copies were deleted on the record",
                closed.at
            ),
            "open a new job",
        )
    } else if standing::is_closing(facts) {
        (
            "the deleting of this job's copies was begun: none of them counts any more".to_owned(),
            "holdpoint close JOB --now --reason TEXT\nit goes on from there; or else open a new job",
        )
    } else {
        return Ok(());
    };
    Err(Problem::failed(what, job.shown(), next))
}

/// Whether the owner decided to copy although the route is `refer`.
pub fn refer_decided(facts: &[Fact]) -> bool {
    facts.iter().any(|fact| matches!(&fact.body, FactBody::Waived { waiver, .. } if waiver.is_about(WaiverScope::Point, "refer-undecided") && waiver.decided_by == "owner"))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::ledger::RowSum;

    /// The project's own rule: nothing is called saved that was not read back, nor copied that is known to differ.
    #[test]
    fn what_was_not_read_back_is_copied_and_no_more() {
        let ledger = Ledger::in_memory().unwrap();
        let mut sum = RowSum::default();
        let torn = Marks::of(&[Mark::Damaged]);
        // (written, verified, mismatch, marks): bit 0 is the first destination.
        let rows = [
            (0b11, 0b00, 0b00, Marks::default()),
            (0b11, 0b11, 0b00, Marks::default()),
            (0b11, 0b01, 0b00, Marks::default()),
            (0b01, 0b00, 0b01, Marks::default()),
            (0b11, 0b11, 0b00, torn),
        ];
        for (id, (written, verified, mismatch, marks)) in (1..).zip(rows) {
            let mut item = ItemRow::bare(id, Kind::File, Want::Wanted, marks);
            item.bytes = 10u64.pow(id as u32);
            ledger.add_item(&item, &mut sum).unwrap();
            let before = GotRow::nothing(id);
            let now = GotRow {
                state: Got::Whole,
                written,
                verified,
                mismatch,
                ..before.clone()
            };
            ledger
                .put_got(Want::Wanted, 0, &before, &now, &mut sum)
                .unwrap();
        }
        let both = Whole::at(&ledger, 0b11).unwrap();
        assert_eq!(both.copied, Amount::new(3, 1_110));
        assert_eq!(both.read_back, Amount::new(1, 100));
        let first = Whole::at(&ledger, 0b01).unwrap();
        assert_eq!(first.read_back, Amount::new(2, 1_100));
    }
}
