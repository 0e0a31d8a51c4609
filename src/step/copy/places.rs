//! Where folders are: their original path and their place in the bag.
//!
//! Invariant: a bounded number of places is remembered at a time.

use crate::ledger::{Ledger, LedgerError};
use crate::read::source::Place;
use crate::value::Name;
use std::collections::HashMap;
use std::sync::Arc;

/// Places remembered. The copying order goes through a folder once for each class and size, so a
/// folder comes back after many others; a place is some hundred bytes.
const PLACES: usize = 8192;

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
        let (mut below, mut parts) = (Vec::new(), Vec::new());
        let mut at = id;
        // Below zero are the roots of volumes, zero is the root of a folder.
        while at > 0 {
            // A folder above that is known ends the way up.
            if let Some(above) = self.known.get(&at) {
                parts.clone_from(&above.parts);
                break;
            }
            let Some((parent, name)) = self.ledger.name_of(at)? else {
                break;
            };
            below.push(match name {
                Name::Bytes(bytes) => bytes,
                name @ Name::Units(_) => name.text().into_bytes(),
            });
            at = parent;
        }
        parts.extend(below.into_iter().rev());
        let bag = self
            .ledger
            .place(id)?
            .unwrap_or_else(|| "data/folder".to_owned());
        let place = Arc::new(Place { parts, bag });
        if self.known.len() >= PLACES {
            self.known.clear();
        }
        self.known.insert(id, place.clone());
        Ok(place)
    }
}
