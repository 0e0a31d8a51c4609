//! Where folders are: their original path and their place in the bag.
//!
//! Invariant: at most a thousand places are remembered at a time.

use crate::ledger::{Ledger, LedgerError};
use crate::read::source::Place;
use crate::value::Name;
use std::collections::HashMap;
use std::sync::Arc;

const PLACES: usize = 1000;

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
        let mut parts = Vec::new();
        let mut at = id;
        // Below zero are the roots of volumes, zero is the root of a folder.
        while at > 0 {
            let Some((row, _)) = self.ledger.item(at)? else {
                break;
            };
            parts.push(match row.name {
                Name::Bytes(bytes) => bytes,
                name @ Name::Units(_) => name.text().into_bytes(),
            });
            at = row.parent;
        }
        parts.reverse();
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
