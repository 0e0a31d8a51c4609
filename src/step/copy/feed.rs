//! The feed: the next items in the order of copying, with the places of their folders.
//!
//! Invariant: bounded memory: a thousand rows and a thousand places at a time.

use super::carry::Errand;
use crate::ledger::{GotRow, ItemRow, Ledger, LedgerError};
use crate::read::places::Places;
use std::collections::VecDeque;

const ROWS: usize = 1000;

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
        Self {
            ledger,
            places: Places::new(ledger),
            rows: VecDeque::new(),
            after: 0,
            dry: false,
        }
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
        let Some((_, item, before)) = self.rows.pop_front() else {
            return Ok(None);
        };
        let at = self.places.of(item.parent)?;
        Ok(Some(Errand {
            item,
            before,
            at,
            passed: 0,
            anew: false,
        }))
    }
}
