//! What the papers say of the items: counts by class, what is not saved, and the folders an owner recognises.
//!
//! Invariant: every file of the job is counted once; what is not proven is among what is not saved.

use crate::job::{Job, ledger_problem};
use crate::judge::gate::MemoryNow;
use crate::ledger::terms::{FILE, FOLDER, LISTED, WANTED_OR_WAIVED};
use crate::ledger::{Fact, Got, GotRow, ItemRow, LedgerError, Want};
use crate::paper::account::{
    self, ClassLine, ClassTotals, FolderLine, Lost, LostFolder, LostItem, NotSaved,
};
use crate::read::places::{Place, Places};
use crate::step::outcome::{ItemState, Problem};
use crate::step::state::{Recorded, item_state, memory_now, proving};
use crate::survey::item::{Class, Mark};
use crate::value::{Amount, Moment, Name};
use std::cmp::Reverse;
use std::collections::BTreeMap;

/// What one walk over the items came to.
pub struct Rows {
    /// Counts of the classes that have any item.
    pub classes: Vec<ClassLine>,
    /// Of what is saved: what is no longer on the drive or in the folder on hold.
    pub gone: Amount,
    /// What is not saved.
    pub not_saved: NotSaved,
    /// The largest folders near the root.
    pub folders: Vec<FolderLine>,
}

/// Walks the items once.
///
/// # Errors
/// When the ledger cannot be read.
pub fn walk(job: &Job<'_>, facts: &[Fact]) -> Result<Rows, Problem> {
    let recorded = Recorded::now(job, facts)?;
    let counting = match memory_now(job, facts) {
        // No copy made on it counts, however it compares.
        MemoryNow::Failed {
            attested: false, ..
        } => 0,
        _ => proving(job, facts),
    };
    let mut walk = Walk::default();
    let mut places = Places::new(&job.ledger);
    job.ledger
        .each_item::<LedgerError>(&format!("{FILE} AND {LISTED}"), |item, got| {
            let state = item_state(&item, &got, counting, recorded);
            let proven = got.state == Got::Whole && got.verified & !got.mismatch & counting != 0;
            let place = places.of(item.parent)?;
            walk.see(&item, &got, (state, proven), &place);
            Ok(())
        })
        .map_err(|e| ledger_problem(&e))?;
    // Folders that nobody could look into, whether or not that was decided about since.
    job.ledger
        .each_item::<LedgerError>(&format!("{FOLDER} AND {WANTED_OR_WAIVED}"), |item, _| {
            if item.marks.has(Mark::Unreadable) {
                walk.closed(places.of(item.parent)?.path_of(&item).text());
            }
            Ok(())
        })
        .map_err(|e| ledger_problem(&e))?;
    let mut rows = walk.rows();
    for place in crate::step::plan::drive::lost_places(job, facts)? {
        rows.not_saved.items += 1;
        rows.not_saved.missing_bytes += place.bytes;
        rows.not_saved.at_least |= place.at_least;
        rows.not_saved.places.push(place);
    }
    Ok(rows)
}

#[derive(Default)]
struct Walk {
    classes: BTreeMap<Class, ClassTotals>,
    gone: Amount,
    not_saved: NotSaved,
    /// What is missing, by folder.
    missing: BTreeMap<String, Amount>,
    /// What there is, by the first two parts of its path, and the newest time.
    tops: BTreeMap<String, (Amount, i64)>,
}

impl Walk {
    fn see(
        &mut self,
        item: &ItemRow,
        got: &GotRow,
        (state, proven): (ItemState, bool),
        place: &Place,
    ) {
        let lost = self.count(item, got, state, proven);
        let parts: Vec<String> = place.names.iter().map(Name::text).collect();
        let folder = |parts: &[String]| match parts {
            [] => ".".to_owned(),
            parts => parts.join("/"),
        };
        if item.want != Want::LeftOut {
            let top = folder(parts.get(..2).unwrap_or(&parts));
            let (amount, newest) = self
                .tops
                .entry(top)
                .or_insert((Amount::default(), i64::MIN));
            *amount = amount.plus(Amount::new(1, item.bytes));
            *newest = item.modified_ns.max(*newest);
        }
        if let Some(what) = lost {
            let missing_bytes = match what {
                Lost::Contradicted => 0,
                _ if got.state == Got::Gaps => got.missing.iter().map(|(_, bytes)| bytes).sum(),
                _ => item.bytes,
            };
            self.lose(folder(&parts), missing_bytes);
            let lost = LostItem {
                path: place.path_of(item).text(),
                what,
                bytes: item.bytes,
                missing_bytes,
            };
            self.not_saved.at_least |= lost.size_unknown();
            if self.not_saved.first.len() < account::FIRST {
                self.not_saved.first.push(lost);
            }
        }
    }

    /// Counts an item in its class; says how it is lost, if it is.
    fn count(
        &mut self,
        item: &ItemRow,
        got: &GotRow,
        state: ItemState,
        proven: bool,
    ) -> Option<Lost> {
        let counts = self.classes.entry(item.class).or_default();
        let amount = Amount::new(1, item.bytes);
        counts.all = counts.all.plus(amount);
        let (slot, lost) = match state {
            ItemState::Verified => (&mut counts.verified, None),
            ItemState::Damaged if got.state == Got::Whole => {
                (&mut counts.damaged, Some(Lost::Contradicted))
            }
            ItemState::Damaged => (&mut counts.damaged, Some(Lost::Damaged)),
            ItemState::Unreadable if item.marks.has(Mark::Gone) => {
                (&mut counts.unreadable, Some(Lost::Gone))
            }
            ItemState::Unreadable => (&mut counts.unreadable, Some(Lost::Unreadable)),
            ItemState::LeftOut => (&mut counts.left_out, None),
            ItemState::Placeholder if item.part_here() > 0 => {
                (&mut counts.placeholder, Some(Lost::PartPlaceholder))
            }
            ItemState::Placeholder => (&mut counts.placeholder, Some(Lost::Placeholder)),
            ItemState::Waived => {
                // A copy that lies only where none counts saves nothing.
                let lost = match got.state {
                    Got::Whole if proven && item.marks.has(Mark::Damaged) => {
                        Some(Lost::Contradicted)
                    }
                    Got::Whole if proven => None,
                    Got::Gaps => Some(Lost::Damaged),
                    _ => Some(Lost::Waived),
                };
                (&mut counts.waived, lost)
            }
            ItemState::Listed | ItemState::Copied | ItemState::Changed => {
                return Some(Lost::Unsettled);
            }
        };
        *slot = slot.plus(amount);
        if state == ItemState::Verified && item.marks.has(Mark::Gone) {
            self.gone = self.gone.plus(amount);
        }
        lost
    }

    fn lose(&mut self, folder: String, missing_bytes: u64) {
        self.not_saved.items += 1;
        self.not_saved.missing_bytes += missing_bytes;
        let amount = self.missing.entry(folder).or_default();
        *amount = amount.plus(Amount::new(1, missing_bytes));
    }

    /// A folder that nobody could look into. It stands before single files: nobody knows how much it is.
    fn closed(&mut self, path: String) {
        self.lose(path.clone(), 0);
        self.not_saved.at_least = true;
        let folder = LostItem {
            path,
            what: Lost::Folder,
            bytes: 0,
            missing_bytes: 0,
        };
        self.not_saved.first.insert(0, folder);
    }

    fn rows(mut self) -> Rows {
        self.not_saved.first.truncate(account::FIRST);
        let lost = self.missing.into_iter().map(|(folder, amount)| LostFolder {
            folder,
            items: amount.items,
            missing_bytes: amount.bytes,
        });
        self.not_saved.by_folder = largest(lost, |folder| folder.missing_bytes);
        let folders = self.tops.into_iter();
        let folders = folders.map(|(path, (amount, newest))| FolderLine {
            path,
            items: amount.items,
            bytes: amount.bytes,
            newest: (newest > 0).then_some(Moment(i128::from(newest))),
        });
        let classes = self.classes.into_iter();
        Rows {
            classes: classes
                .map(|(class, counts)| ClassLine { class, counts })
                .collect(),
            gone: self.gone,
            not_saved: self.not_saved,
            folders: largest(folders, |folder| folder.bytes),
        }
    }
}

/// As many as a paper shows, the largest first.
fn largest<T>(all: impl Iterator<Item = T>, size: impl Fn(&T) -> u64) -> Vec<T> {
    let mut all: Vec<T> = all.collect();
    all.sort_by_key(|one| Reverse(size(one)));
    all.truncate(account::FIRST);
    all
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::survey::item::{Kind, Marks};

    /// The project's own rule: nothing is called saved that no copy proves where it counts.
    #[test]
    fn what_was_given_up_is_lost_unless_a_copy_that_counts_proves_it() {
        let item = ItemRow::bare(1, Kind::File, Want::Waived, Marks::default());
        let mut got = GotRow::nothing(1);
        (got.state, got.written) = (Got::Whole, 1);
        let count = |proven| Walk::default().count(&item, &got, ItemState::Waived, proven);
        assert_eq!(count(false), Some(Lost::Waived));
        assert_eq!(count(true), None);
    }

    #[test]
    fn what_vanished_before_it_was_copied_is_not_called_unreadable() {
        let marks = Marks::of(&[Mark::Gone]);
        let item = ItemRow::bare(1, Kind::File, Want::Wanted, marks);
        let mut got = GotRow::nothing(1);
        got.state = Got::Unreadable;
        let lost = Walk::default().count(&item, &got, ItemState::Unreadable, false);
        assert_eq!(lost, Some(Lost::Gone));
    }
}
