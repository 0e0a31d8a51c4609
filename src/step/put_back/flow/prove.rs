//! The end of a batch, and of the whole: durable, read back, dressed, named; folders last.
//!
//! Invariant: a file gets its name only after its bytes came back equal from the recipient.

use super::super::carry::{Found, NoPlace, find, holds};
use super::{Flow, Loss, ROWS, Waiting};
use crate::ledger::LedgerError;
use crate::port::{FaultKind, RECIPIENT_UNDRESSED};
use crate::read::digest;
use crate::step::event::Event;
use crate::survey::item::Kind;
use crate::value::Blake3;

impl Flow<'_, '_> {
    /// Makes the batch durable, reads it back, dresses and names what is equal.
    pub(super) fn prove(&mut self) -> Result<(), LedgerError> {
        let waiting = std::mem::take(&mut self.waiting);
        self.waiting_bytes = 0;
        let settled = self.to.settle();
        if let Err(fault) = &settled {
            self.give_up(fault);
        }
        for mut one in waiting {
            if settled.is_err() {
                // What the recipient did not keep proves nothing; the next run writes it again.
                let _ = self.to.remove(&one.temporary);
                continue;
            }
            let expected = one.errand.got.blake3.unwrap_or(Blake3([0; 32]));
            let read = self.to.open(&one.temporary).and_then(|content| {
                digest::blake3(content.as_ref(), one.errand.item.bytes, &mut self.block)
            });
            let wrong = match read {
                Ok(found) if found == (one.errand.item.bytes, expected) => None,
                Ok((bytes, found)) => Some(format!(
                    "written, and read back unequal: expected BLAKE3 {expected}, found {found} over {bytes} bytes; distrust that drive or its connection"
                )),
                Err(fault) => Some(format!("written, and could not be read back: {fault}")),
            };
            if let Some(why) = wrong {
                let _ = self.to.remove(&one.temporary);
                self.refuse(&one.errand.item, &one.errand.spot.from, why, Loss::New);
                continue;
            }
            self.dress(&one.errand.item, &one.temporary)?;
            self.name(&mut one);
        }
        if settled.is_ok()
            && let Err(fault) = self.to.settle()
        {
            self.give_up(&fault);
        }
        (self.tell)(Event::Counted {
            what: "files put back".into(),
            done: self.result.returned.items,
            all: None,
        });
        Ok(())
    }

    /// Gives a proven file its name; when somebody took it meanwhile, the next one.
    fn name(&mut self, one: &mut Waiting) {
        let errand = &mut one.errand;
        let (to, block) = (self.to, &mut self.block);
        let mut place = one.place.clone();
        loop {
            let why = match to.rename(&one.temporary, &place) {
                Ok(()) => {
                    let is_beside = place.last() != Some(&errand.own);
                    if is_beside {
                        self.elsewhere.insert(errand.item.id, place);
                    }
                    self.count_returned(&one.errand.item, &one.errand.got, is_beside);
                    return;
                }
                Err(fault) if fault.kind == FaultKind::CannotHold && !errand.names.stand_in() => {
                    fault.to_string()
                }
                Err(fault) if !matches!(fault.kind, FaultKind::Exists | FaultKind::CannotHold) => {
                    fault.to_string()
                }
                Err(_) => {
                    let (bytes, expected) = (errand.item.bytes, errand.got.blake3);
                    let found = find(
                        to,
                        &errand.at,
                        &mut errand.names,
                        &mut |at, kind, length, _| match expected {
                            Some(expected) if kind == Kind::File && length == bytes => {
                                holds(to, at, bytes, expected, block)
                            }
                            _ => Ok(false),
                        },
                    );
                    match found {
                        Ok(Found::Free(next)) => {
                            place = next;
                            continue;
                        }
                        Ok(Found::Equal(at)) => {
                            let _ = to.remove(&one.temporary);
                            if at.last() != Some(&errand.own) {
                                self.elsewhere.insert(errand.item.id, at);
                            }
                            self.count_there(&one.errand.item, &one.errand.got);
                            return;
                        }
                        Err(NoPlace::Refused(why)) => why,
                        Err(NoPlace::Stop(fault)) => fault.to_string(),
                    }
                }
            };
            let _ = to.remove(&one.temporary);
            self.refuse(&one.errand.item, &one.errand.spot.from, why, Loss::New);
            return;
        }
    }

    /// The deepest first, so that nothing that still has to be written moves a folder's time.
    pub(super) fn dress_folders(&mut self) -> Result<(), LedgerError> {
        let mut before = i64::MAX;
        loop {
            let page = self.job.ledger.folders_before(before, ROWS)?;
            let Some((last, _)) = page.last() else {
                return Ok(());
            };
            before = last.id;
            for (folder, _) in page {
                let spot = self.spots.of(folder.id)?;
                let is_bare = match self.to.look(&spot.at) {
                    Ok(Some((Kind::Folder, stamp, _))) => {
                        self.spots.was_made(folder.id) || stamp.mode & 0o7777 == RECIPIENT_UNDRESSED
                    }
                    _ => false,
                };
                if is_bare && !spot.at.is_empty() {
                    self.dress(&folder, &spot.at)?;
                }
            }
        }
    }
}
