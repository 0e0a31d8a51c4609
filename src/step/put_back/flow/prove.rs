//! The end of a batch, and of the whole: durable, read back, dressed, named; folders last.
//!
//! Invariant: a file gets its name only after its bytes came back equal from the recipient.

use super::super::carry::{Errand, Found, NoPlace, Written, find, holds};
use super::{Flow, Loss, ROWS};
use crate::ledger::LedgerError;
use crate::port::{FaultKind, RECIPIENT_UNDRESSED};
use crate::read::digest;
use crate::step::event::Event;
use crate::survey::item::Kind;

impl Flow<'_, '_> {
    /// Makes the batch durable, reads it back, dresses and names what is equal.
    pub(super) fn prove(&mut self) -> Result<(), LedgerError> {
        let waiting = std::mem::take(&mut self.waiting);
        self.waiting_bytes = 0;
        let settled = self.to.settle();
        if let Err(fault) = &settled {
            self.give_up(fault);
        }
        for (errand, written) in waiting {
            let Written {
                temporary,
                expected,
                place,
            } = &written;
            if settled.is_err() {
                // What the recipient did not keep proves nothing; the next run writes it again.
                let _ = self.to.remove(temporary);
                continue;
            }
            let read = self.to.open(temporary).and_then(|content| {
                digest::blake3(content.as_ref(), errand.item.bytes, &mut self.block)
            });
            let wrong = match read {
                Ok(found) if found == (errand.item.bytes, *expected) => None,
                Ok((bytes, found)) => Some(format!(
                    "written, and read back unequal: expected BLAKE3 {expected}, found {found} over {bytes} bytes; distrust that drive or its connection"
                )),
                Err(fault) => Some(format!("written, and could not be read back: {fault}")),
            };
            if let Some(why) = wrong {
                let _ = self.to.remove(temporary);
                self.refuse(&errand.item, &errand.spot.from, why, Loss::New);
                continue;
            }
            self.dress(&errand.item, temporary, place)?;
            self.name(errand, written);
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
    fn name(&mut self, mut errand: Errand, written: Written) {
        let (to, bytes, expected) = (self.to, errand.item.bytes, written.expected);
        let mut place = written.place;
        let ends = loop {
            match to.rename(&written.temporary, &place) {
                Ok(()) => {
                    let is_beside = place.last() != Some(&errand.own);
                    if is_beside {
                        self.elsewhere.insert(errand.item.id, place);
                    }
                    return self.count_returned(&errand.item, &errand.got, is_beside);
                }
                Err(fault) if fault.kind == FaultKind::Exists => {}
                Err(fault) if fault.kind == FaultKind::CannotHold && errand.names.stand_in() => {}
                Err(fault) => break fault.into(),
            }
            let block = &mut self.block;
            let found = find(
                to,
                &errand.at,
                &mut errand.names,
                &mut |at, kind, length, _| {
                    Ok(kind == Kind::File
                        && length == bytes
                        && holds(to, at, bytes, expected, block)?)
                },
            );
            match found {
                Ok(Found::Free(next)) => place = next,
                Ok(Found::Equal(at)) => {
                    let _ = to.remove(&written.temporary);
                    return self.stands_there(&errand, at);
                }
                Err(no_place) => break no_place,
            }
        };
        let _ = to.remove(&written.temporary);
        match ends {
            NoPlace::Refused(why) => self.refuse(&errand.item, &errand.spot.from, why, Loss::New),
            // It takes no name any more: that is no trouble of this one file.
            NoPlace::Stop(fault) => self.give_up(&fault),
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
                    self.dress(&folder, &spot.at, &spot.at)?;
                }
            }
        }
    }
}
