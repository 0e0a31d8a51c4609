//! The tree of folders, judged from parent references alone.
//!
//! Invariant: linear in the number of records; a folder that leads back to itself is found, not followed.

use super::record::{number_of, sequence_of};
use super::store::{Row, Store};
use std::cell::Cell;

/// Record of the root folder.
pub const ROOT: u64 = 5;
/// Record of the folder of the file system's own later files.
pub const EXTEND: u64 = 11;

/// Where a row stands in the tree.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum State {
    Unknown,
    OnTheWay,
    /// Leads to the root, or to a folder whose own parent is lost.
    Fine,
    /// The file system's own, below `$Extend`.
    Own,
    /// Part of a ring of folders.
    Ring,
}

/// What a name's parent reference leads to.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Parent {
    /// A folder that is there.
    Fine,
    /// A folder of the file system's own.
    Own,
    /// Nothing: no such record, no folder, used anew since, or a ring.
    Lost,
}

/// The tree.
pub struct Tree {
    states: Vec<State>,
    /// The reference that was looked up last, and its row: the files of one folder mostly stand together.
    last: Cell<(u64, Option<usize>)>,
}

impl Tree {
    /// Judges every folder.
    pub fn new(store: &Store) -> Self {
        let mut tree = Self {
            states: vec![State::Unknown; store.rows.len()],
            last: Cell::new((0, folder(store, 0))),
        };
        for special in [ROOT, EXTEND] {
            if let Some(state) = store.find(special).and_then(|i| tree.states.get_mut(i)) {
                *state = if special == ROOT {
                    State::Fine
                } else {
                    State::Own
                };
            }
        }
        let mut way = Vec::new();
        for start in 0..store.rows.len() {
            let mut here = start;
            let end = loop {
                let state = tree.states.get(here).copied().unwrap_or(State::Fine);
                match state {
                    State::Unknown => {}
                    State::OnTheWay => {
                        // Everything on the way from here on is the ring; what led to it is fine,
                        // because its parent is there.
                        while let Some(back) = way.pop() {
                            tree.put(back, State::Ring);
                            if back == here {
                                break;
                            }
                        }
                        break State::Fine;
                    }
                    State::Own => break State::Own,
                    State::Fine | State::Ring => break State::Fine,
                }
                let Some(row) = store.rows.get(here) else {
                    break State::Fine;
                };
                let Some(parent) = tree.folder(store, row.reference) else {
                    way.push(here);
                    break State::Fine;
                };
                let is_extend = number_of(row.reference) == EXTEND;
                if is_extend && !row.is(Row::DOLLAR) {
                    // Not a name the file system would give: somebody's file in an odd place.
                    way.push(here);
                    break State::Fine;
                }
                tree.put(here, State::OnTheWay);
                way.push(here);
                here = parent;
            };
            for back in way.drain(..) {
                tree.put(back, end);
            }
        }
        tree
    }

    /// See [`folder`].
    fn folder(&self, store: &Store, reference: u64) -> Option<usize> {
        let (last, mut row) = self.last.get();
        if last != reference {
            row = folder(store, reference);
            self.last.set((reference, row));
        }
        row
    }

    fn put(&mut self, index: usize, state: State) {
        if let Some(place) = self.states.get_mut(index) {
            *place = state;
        }
    }

    /// Whether a row (by its place in the store) is the file system's own.
    pub fn own(&self, index: usize) -> bool {
        self.states.get(index) == Some(&State::Own)
    }

    /// What the parent of a name of this row is.
    pub fn parent(&self, store: &Store, index: usize, reference: u64) -> Parent {
        if self.states.get(index) == Some(&State::Ring) {
            return Parent::Lost;
        }
        match self.folder(store, reference) {
            None if is_root(store, reference) => Parent::Fine,
            None => Parent::Lost,
            Some(parent) if self.own(parent) && self.own(index) => Parent::Own,
            Some(_) => Parent::Fine,
        }
    }
}

/// Record 5 is the root by definition: what refers to it stands there, though the record itself is not readable. Its
/// sequence number is 5, too, because it is never used anew.
fn is_root(store: &Store, reference: u64) -> bool {
    let known = store
        .find(ROOT)
        .and_then(|index| store.rows.get(index))
        .is_some_and(|row| row.is(Row::FOLDER));
    !known && number_of(reference) == ROOT && matches!(sequence_of(reference), 0 | 5)
}

/// The row of the folder that a reference leads to.
fn folder(store: &Store, reference: u64) -> Option<usize> {
    let index = store.find(number_of(reference))?;
    let row = store.rows.get(index)?;
    let sequence = sequence_of(reference);
    (row.is(Row::FOLDER) && (sequence == 0 || sequence == row.sequence)).then_some(index)
}
