//! The further names of a file that has several.
//!
//! Invariant: a further name is given only to what stands under the first one, or to bytes that were compared.

use super::super::carry::{Found, find, holds};
use super::super::names::Names;
use super::super::spots::{Parts, own_name};
use super::{Flow, no_copy};
use crate::ledger::{GotRow, ItemRow, LedgerError, Want};
use crate::survey::item::Kind;

/// What is to be done about a further name.
pub(super) enum Further {
    /// Nothing more.
    Done,
    /// The content is put there by itself.
    CarryIt,
}

impl Flow<'_, '_> {
    /// Where the first name of a file with several stands, when this run found or put it there.
    pub(super) fn first_name(&mut self, first: i64) -> Result<Option<Parts>, LedgerError> {
        if self.absent.contains(&first) {
            return Ok(None);
        }
        if let Some(at) = self.elsewhere.get(&first) {
            return Ok(Some(at.clone()));
        }
        let Some((row, got)) = self.job.ledger.item(first)? else {
            return Ok(None);
        };
        let spot = self.spots.of(row.parent)?;
        let is_there = matches!(row.want, Want::Wanted | Want::Waived)
            && no_copy(&row, &got).is_none()
            && self.chosen.has(&row, &spot.from);
        Ok(is_there.then(|| self.spots.in_spot(&spot, &own_name(&row))))
    }

    /// Gives a file that stands at `first` its further name.
    pub(super) fn further_name(
        &mut self,
        item: &ItemRow,
        got: &GotRow,
        first: &Parts,
        (at, own): (&[Vec<u8>], &Vec<u8>),
        names: &mut Names,
    ) -> Result<Further, LedgerError> {
        let (to, bytes) = (self.to, item.bytes);
        let Some(expected) = got.blake3 else {
            return Ok(Further::CarryIt);
        };
        let inode = match to.look(first) {
            Ok(Some((Kind::File, stamp, _))) if stamp.bytes == bytes => stamp.inode,
            _ => return Ok(Further::CarryIt),
        };
        let block = &mut self.block;
        let found = find(to, at, names, &mut |here, kind, length, _| {
            if kind != Kind::File || length != bytes {
                return Ok(false);
            }
            match to.look(here)? {
                Some((_, stamp, _)) if stamp.inode == inode => Ok(true),
                _ => holds(to, here, bytes, expected, block),
            }
        });
        match found {
            Ok(Found::Equal(_)) => {
                self.count_there(item, got);
                Ok(Further::Done)
            }
            Ok(Found::Free(place)) => match to.hard_link(first, &place) {
                Ok(()) => {
                    let is_beside = place.last() != Some(own);
                    self.count_returned(item, got, is_beside);
                    Ok(Further::Done)
                }
                // Not every file system has further names; the content is put there then.
                Err(_) => Ok(Further::CarryIt),
            },
            Err(_) => Ok(Further::CarryIt),
        }
    }
}
