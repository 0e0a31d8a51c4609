//! Where folders are: their original path and their place in the bag.
//!
//! Invariant: a bounded number of places is remembered at a time.

use crate::ledger::{ItemRow, Ledger, LedgerError};
use crate::value::Name;
use std::collections::HashMap;
use std::sync::Arc;

/// Places remembered. The copying order goes through a folder once for each class and size, so a
/// folder comes back after many others; a place is some hundred bytes.
const PLACES: usize = 8192;

/// Where a folder's items lie: its original path and its path in the bag.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Place {
    /// Names from the root of the volume or folder, exact.
    pub names: Vec<Name>,
    /// Path of the folder within the bag (`data/folder/...`).
    pub bag: String,
}

impl Place {
    /// The names as parts of a path on this machine.
    pub fn parts(&self) -> Vec<Vec<u8>> {
        self.names.iter().map(Name::path_part).collect()
    }

    /// The original path of an item in it, exact.
    pub fn path_of(&self, item: &ItemRow) -> Name {
        let names: Vec<&Name> = self.names.iter().chain([&item.name]).collect();
        Name::joined(&names)
    }

    /// Where the copy of an item in it is, relative to a destination.
    pub fn bag_path(&self, item: &ItemRow) -> String {
        let name = item.bag.clone().unwrap_or_else(|| item.name.text());
        format!("bag/{}/{name}", self.bag)
    }
}

/// Looks up where folders are, remembering the last ones.
pub struct Places<'a> {
    ledger: &'a Ledger,
    known: HashMap<i64, Arc<Place>>,
}

impl<'a> Places<'a> {
    /// Knows nothing yet.
    pub fn new(ledger: &'a Ledger) -> Self {
        Self {
            ledger,
            known: HashMap::new(),
        }
    }

    /// The place of folder `id` (0 = the root).
    pub fn of(&mut self, id: i64) -> Result<Arc<Place>, LedgerError> {
        if let Some(place) = self.known.get(&id) {
            return Ok(place.clone());
        }
        let (mut below, mut names) = (Vec::new(), Vec::new());
        let mut at = id;
        // Below zero are the roots of volumes, zero is the root of a folder.
        while at > 0 {
            // A folder above that is known ends the way up.
            if let Some(above) = self.known.get(&at) {
                names.clone_from(&above.names);
                break;
            }
            let Some((parent, name)) = self.ledger.name_of(at)? else {
                break;
            };
            below.push(name);
            at = parent;
        }
        names.extend(below.into_iter().rev());
        let bag = self
            .ledger
            .place(id)?
            .unwrap_or_else(|| "data/folder".to_owned());
        let place = Arc::new(Place { names, bag });
        if self.known.len() >= PLACES {
            self.known.clear();
        }
        self.known.insert(id, place.clone());
        Ok(place)
    }
}
