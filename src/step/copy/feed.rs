//! The feed: the next items in the order of copying, with the places of their folders.
//!
//! Invariant: bounded memory: a thousand rows and a thousand places at a time.

use super::carry::Errand;
use crate::ledger::{GotRow, ItemRow, Ledger, LedgerError};
use crate::read::source::Place;
use crate::value::Name;
use std::collections::{HashMap, VecDeque};
use std::sync::Arc;

const ROWS: usize = 1000;
const PLACES: usize = 1000;

/// Looks up where folders are, remembering the last ones.
pub struct Places<'a> {
    ledger: &'a Ledger,
    known: HashMap<i64, Arc<Place>>,
}

impl<'a> Places<'a> {
    /// Knows nothing yet.
    pub fn new(ledger: &'a Ledger) -> Self {
        Self { ledger, known: HashMap::new() }
    }

    /// The place of folder `id` (0 = the root).
    pub fn of(&mut self, id: i64) -> Result<Arc<Place>, LedgerError> {
        if let Some(place) = self.known.get(&id) {
            return Ok(place.clone());
        }
        let mut parts = Vec::new();
        let mut at = id;
        while at != 0 {
            let Some((row, _)) = self.ledger.item(at)? else { break };
            parts.push(match row.name {
                Name::Bytes(bytes) => bytes,
                name @ Name::Units(_) => name.text().into_bytes(),
            });
            at = row.parent;
        }
        parts.reverse();
        let bag = self.ledger.place(id)?.unwrap_or_else(|| "data/folder".to_owned());
        let place = Arc::new(Place { parts, bag });
        if self.known.len() >= PLACES {
            self.known.clear();
        }
        self.known.insert(id, place.clone());
        Ok(place)
    }
}

/// Hands out items that still need copying.
pub struct Feed<'a> {
    ledger: &'a Ledger,
    places: Places<'a>,
    rows: VecDeque<(i64, ItemRow, GotRow)>,
    after: i64,
    dry: bool,
}

impl<'a> Feed<'a> {
    /// From the start of the queue.
    pub fn new(ledger: &'a Ledger) -> Self {
        Self { ledger, places: Places::new(ledger), rows: VecDeque::new(), after: 0, dry: false }
    }

    /// The next errand for destinations in `mask`; `None` = no more.
    pub fn next(&mut self, mask: u64) -> Result<Option<Errand>, LedgerError> {
        if self.rows.is_empty() && !self.dry {
            self.rows = self.ledger.still_to_copy(self.after, mask, ROWS)?.into();
            match self.rows.back() {
                Some((place, _, _)) => self.after = *place,
                None => self.dry = true,
            }
        }
        let Some((place, item, before)) = self.rows.pop_front() else { return Ok(None) };
        let at = self.places.of(item.parent)?;
        Ok(Some(Errand { place, item, before, at }))
    }
}
