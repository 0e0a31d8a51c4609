//! Copying on the salvage route: the salvage image lies under the reader, and the queue of gaps decides what is asked.
//!
//! The copy engine stays what it is: items in the order of the plan, one worker, the same commits. Before an item is
//! handed to the worker, its ranges are put to the queue, worth what the policy says of its class, and whatever of them lies
//! away from known errors is brought into the image ([`Salvage::reach`]). An item that is in hand is copied, from the
//! image. One that met an error, or lies near one, is passed over: it stays listed. When every item had its turn, the
//! queue is asked for all that was put off, the bad places last, and after a rest once more ([`Salvage::finish`]); then
//! the items that were passed over are copied from the image, with the gaps that had their last answer. So
//! the good data of all items is in the copies before anything bad is asked for, and no gap is recorded that might still close.
//!
//! The layer lies over the drives whose own route is salvage (or beyond, by the owner's decision). A folder has no sectors, so
//! a folder job reads on as on the gentle route. Gaps of items that were copied before the route changed are put to the
//! same queue ([`Salvage::want_gaps`]): they come at its end, each bad place once; what that closes is filled into the copy
//! (`mend`).
//!
//! A drive that is not here any more leaves its image: the items that are in hand, wholly or in part, are copied from it,
//! what of them is not in hand is named as never read, and items of which nothing is in hand stay listed.
//!
//! Invariant: the ledger's rows of ranges are added after their bytes are on the medium, never before. Where no destination has
//! room for the image beside the copies, that is said, and the drive is read straight.

use crate::job::{Job, ledger_problem};
use crate::judge::gaps::{Limits, State, Stretch};
use crate::judge::order::ClassValues;
use crate::ledger::terms::{WANTED, WITH_GAPS};
use crate::ledger::{Fact, Got, GotRow, ItemRow, LedgerError};
use crate::port::{Destination, Fault, FaultKind};
use crate::read::drives::DriveSource;
use crate::read::in_hand::{InHand, Standing, Turn};
use crate::step::event::Event;
use crate::step::outcome::{Problem, Route};
use crate::value::measure::bytes_in_words;
use crate::volume::layout::Layout;
use std::sync::Arc;

/// Rest between two looks at a drive that owes an answer, or before places are asked again.
const A_WHILE: u64 = 1_000_000_000;
/// So many of them before a drive that owes an answer counts as gone (beside the time limit that it had already).
const PATIENCE: u32 = 120;

/// How the fault of an item begins of which some was never read, because the drive is gone: no place of it is known to be bad.
pub const NEVER_READ: &str = "never read";

/// What came of reaching for an item.
#[derive(Debug, PartialEq, Eq)]
pub(super) enum Reached {
    /// It can be copied: nothing more of it is to be asked.
    Ready,
    /// Something of it comes later.
    Later,
    /// Somebody or something said stop.
    Stop,
    /// This drive is gone.
    Gone(usize, Fault),
    /// The drive is not here, and nothing of the item is in hand.
    Never,
}

/// Told what happens, it says whether to go on.
pub(super) type Look<'l> = &'l mut dyn FnMut(Option<Event>) -> bool;

/// The layers over the drives of a job.
pub(super) struct Salvage<'a, 'b> {
    job: &'a Job<'b>,
    values: ClassValues,
    /// The drives and volumes, with the layers in place.
    pub source: DriveSource,
    layers: Vec<Option<Arc<InHand>>>,
}

impl<'a, 'b> Salvage<'a, 'b> {
    /// Puts the layer over every drive that `route` or its own forecast calls weak; `None` = there is none. Tells
    /// where an image has no room.
    pub fn over(
        job: &'a Job<'b>,
        drives: &DriveSource,
        facts: &[Fact],
        route: Route,
        destinations: &[Option<&dyn Destination>],
        look: Look<'_>,
    ) -> Result<Option<Self>, Problem> {
        if route < Route::Salvage {
            return Ok(None);
        }
        let mut layers = Vec::new();
        let mut source = DriveSource {
            drives: drives.drives.clone(),
            volumes: drives.volumes.clone(),
            away: drives.away.clone(),
        };
        for (number, place) in source.drives.iter_mut().enumerate() {
            let mut own = crate::step::state::route_of_drive(job, facts, number);
            if drives.drives.len() == 1 {
                // Within a run the route only gets more careful.
                own = own.max(route);
            }
            if own < Route::Salvage {
                layers.push(None);
                continue;
            }
            let rows = job.ledger.ranges(number).map_err(|e| ledger_problem(&e))?;
            let volumes: Vec<i64> = drives
                .volumes
                .iter()
                .filter(|(_, drive)| **drive == number)
                .map(|(volume, _)| *volume)
                .collect();
            let alone = drives.away.get(number).is_some_and(Option::is_some);
            let (to, needs) = if alone {
                (None, 0)
            } else {
                crate::step::room::place_for_image(job, destinations, &volumes)?
            };
            if to.is_none() && !alone {
                look(Some(Event::Warn {
                    says: format!(
                        "no destination has room for a salvage image beside the copies ({}): the weak drive is read straight, and what a later run wants is asked of it again",
                        bytes_in_words(needs)
                    ),
                }));
            }
            // Handles of their own: the image is read and written while the copies are.
            let mut away = 0;
            let opened: Vec<Option<Arc<dyn Destination>>> = (0..job.setup.destinations.len())
                .map(|number| job.destination(number).ok().map(Arc::from))
                .collect();
            for row in &rows {
                let held = row.held.as_ref();
                away += held.map_or(0, |held| match opened.get(held.destination) {
                    Some(Some(_)) => 0,
                    _ => held.bytes,
                });
            }
            if away > 0 && alone {
                // What lies there is in hand: it must not be told as never read.
                return Err(Problem::failed(
                    format!(
                        "{} of the salvage image lie at a destination that is not here, and neither is the drive",
                        bytes_in_words(away)
                    ),
                    job.shown(),
                    "connect that destination, then:\nholdpoint copy JOB",
                ));
            }
            if away > 0 {
                look(Some(Event::Warn {
                    says: format!(
                        "{} of the salvage image lie at a destination that is not here: connect it, or they may be asked of the weak drive again",
                        bytes_in_words(away)
                    ),
                }));
            }
            let sector = place.sector_bytes();
            let reading = crate::step::assess::newest_of(job, number)?;
            let physical = reading
                .and_then(|reading| reading.drive.physical_sector_bytes.get())
                .unwrap_or(sector);
            let limits = Limits::for_sectors(sector, physical);
            let layer = InHand::over(Arc::clone(place), number, opened, to, limits, &rows);
            let layer = Arc::new(if alone { layer.alone() } else { layer });
            if own > Route::Salvage {
                layer.forbid_revisits();
            }
            *place = layer.clone();
            layers.push(Some(layer));
        }
        Ok(layers.iter().any(Option::is_some).then_some(Self {
            job,
            values: crate::step::plan::class_values(job),
            source,
            layers,
        }))
    }

    /// The layer under an item, and the number of its drive; `None` = there is none, or it lets everything through.
    fn under(&self, item: &ItemRow) -> Option<(usize, &InHand)> {
        let drive = *self.source.volumes.get(&item.volume)?;
        let layer = self.layers.get(drive)?.as_deref()?;
        (!layer.is_through()).then_some((drive, layer))
    }

    /// Whether there is a layer under an item, be it one that lets everything through.
    pub fn has_layer(&self, item: &ItemRow) -> bool {
        let drive = self.source.volumes.get(&item.volume);
        drive.is_some_and(|drive| matches!(self.layers.get(*drive), Some(Some(_))))
    }

    /// Whether what is missing of a copied item had its last answer. Without a layer every answer is the last; without the
    /// drive there will be none.
    pub fn is_final(&self, item: &ItemRow) -> bool {
        let ranges = ranges(item);
        self.under(item).is_none_or(|(_, layer)| {
            !layer.was_away() && (layer.is_alone() || layer.standing(&ranges) != Standing::Open)
        })
    }

    /// Names what is missing of an item whose drive is not here: what of it was never asked for is no bad place. `false` =
    /// nothing was got of it, and not because the drive said so: it stays as it was.
    pub fn name_gaps(&self, item: &ItemRow, got: &mut GotRow) -> bool {
        let Some((_, layer)) = self.under(item).filter(|(_, layer)| layer.is_alone()) else {
            return true;
        };
        let ranges = ranges(item);
        let parts = layer.parts(&ranges);
        if !parts.iter().any(is_open) {
            return true;
        }
        if got.state == Got::Unreadable {
            return false;
        }
        layer.note_unasked(&ranges, self.job.bench.clock());
        let in_part = parts.iter().any(|part| {
            matches!(
                part.state,
                State::Refused | State::NoAnswer | State::Disputed
            )
        });
        got.fault = Some(if in_part {
            format!("in part refused by the drive, in part {NEVER_READ}: the drive is not here")
        } else {
            format!("{NEVER_READ}: the drive is not here")
        });
        true
    }

    /// Puts the gaps of an item that was copied before to the queue, and brings in what of them lies away from every error.
    /// [`Reached::Never`] = nothing is to be asked or had of them.
    pub fn want_gaps(
        &self,
        item: &ItemRow,
        got: &GotRow,
        look: Look<'_>,
    ) -> Result<Reached, LedgerError> {
        let gaps = gaps(item, &got.missing);
        let Some((drive, layer)) = self.under(item).filter(|_| !gaps.is_empty()) else {
            return Ok(Reached::Never);
        };
        let held = layer
            .parts(&gaps)
            .iter()
            .any(|part| part.state == State::InHand);
        let nothing = if held { Reached::Later } else { Reached::Never };
        if layer.is_alone() {
            return Ok(nothing);
        }
        let bytes = gaps.iter().map(|(_, bytes)| bytes).sum();
        let value = self.values.value(item.class, bytes);
        match layer.want_gaps(&gaps, value, self.job.bench.clock()) {
            Ok(0) => return Ok(nothing),
            Ok(_) => {}
            Err(full) => {
                // What is in the queue already comes first; a later run takes up the rest.
                look(Some(Event::Warn {
                    says: full.to_string(),
                }));
                return Ok(nothing);
            }
        }
        Ok(match self.bring_clean(drive, layer, look)? {
            None | Some(Reached::Ready) => Reached::Later,
            Some(end) => end,
        })
    }

    /// Whether the image holds something that a copy with gaps lacks.
    pub fn has_gained(&self, item: &ItemRow, got: &GotRow) -> bool {
        let gaps = gaps(item, &got.missing);
        self.under(item).is_some_and(|(_, layer)| {
            let parts = layer.parts(&gaps);
            parts.iter().any(|part| part.state == State::InHand)
        })
    }

    /// Brings in what can be had of an item without going near an error.
    pub fn reach(&self, item: &ItemRow, look: Look<'_>) -> Result<Reached, LedgerError> {
        let ranges = ranges(item);
        let Some((drive, layer)) = self.under(item).filter(|_| !ranges.is_empty()) else {
            return Ok(Reached::Ready);
        };
        if layer.is_alone() {
            let parts = layer.parts(&ranges);
            let none = !parts.iter().any(|part| part.state == State::InHand);
            return Ok(if none && parts.iter().any(is_open) {
                Reached::Never
            } else {
                Reached::Ready
            });
        }
        let clock = self.job.bench.clock();
        let value = self.values.value(item.class, item.bytes);
        if let Err(full) = layer.want(&ranges, value, clock) {
            layer.let_through();
            look(Some(Event::Warn {
                says: format!("{full}; the rest is read straight from the drive"),
            }));
            return Ok(Reached::Ready);
        }
        if let Some(end) = self.bring_clean(drive, layer, look)? {
            return Ok(end);
        }
        Ok(match layer.standing(&ranges) {
            Standing::Open => Reached::Later,
            Standing::InHand | Standing::Answered => Reached::Ready,
        })
    }

    /// Asks for everything wanted that lies away from every known error; `None` = that is done.
    fn bring_clean(
        &self,
        drive: usize,
        layer: &InHand,
        look: Look<'_>,
    ) -> Result<Option<Reached>, LedgerError> {
        let mut owed = 0;
        loop {
            match layer.ask_clean(self.job.bench.clock()) {
                Turn::Nothing | Turn::Rest(_) => return Ok(None),
                turn => match self.after(turn, drive, layer, &mut owed, look)? {
                    None => {}
                    end => return Ok(end),
                },
            }
        }
    }

    /// What follows from a turn; `None` = go on.
    fn after(
        &self,
        turn: Turn,
        drive: usize,
        layer: &InHand,
        owed: &mut u32,
        look: Look<'_>,
    ) -> Result<Option<Reached>, LedgerError> {
        let clock = self.job.bench.clock();
        match turn {
            Turn::Asked => {
                *owed = 0;
                if layer.is_due(clock) {
                    self.keep(drive, layer, look)?;
                }
            }
            Turn::Owes if *owed >= PATIENCE => {
                let silent = Fault::new(
                    FaultKind::Gone,
                    "reading the drive",
                    "it does not answer any more",
                );
                return Ok(Some(Reached::Gone(drive, silent)));
            }
            Turn::Owes => {
                *owed += 1;
                clock.rest(A_WHILE);
            }
            Turn::Gone(fault) => return Ok(Some(Reached::Gone(drive, fault))),
            Turn::NoRoom(fault) => {
                look(Some(Event::Warn {
                    says: format!(
                        "the salvage image takes no more ({fault}): what is not in it is read straight from the drive"
                    ),
                }));
                return Ok(Some(Reached::Ready));
            }
            Turn::Nothing | Turn::Rest(_) => {}
        }
        Ok((!look(None)).then_some(Reached::Stop))
    }

    /// Asks for everything that was put off. [`Reached::Ready`] = nothing is left to be asked.
    pub fn finish(&self, look: Look<'_>) -> Result<Reached, LedgerError> {
        let clock = self.job.bench.clock();
        for (drive, layer) in self.each() {
            let (mut owed, mut resting) = (0, false);
            let end = loop {
                match layer.ask(clock) {
                    Turn::Nothing => break None,
                    Turn::Rest(until_ms) => {
                        let left = until_ms
                            .saturating_mul(1_000_000)
                            .saturating_sub(clock.ticks());
                        if !resting {
                            resting = true;
                            self.keep(drive, layer, look)?;
                            look(Some(Event::Paused {
                                why: format!(
                                    "the places that the drive refused rest for {} s; then each is asked once more",
                                    left.div_ceil(1_000_000_000)
                                ),
                            }));
                        }
                        clock.rest(left.clamp(1_000_000, A_WHILE));
                        if !look(None) {
                            break Some(Reached::Stop);
                        }
                    }
                    turn => {
                        if std::mem::take(&mut resting) {
                            look(Some(Event::Resumed));
                        }
                        match self.after(turn, drive, layer, &mut owed, look)? {
                            None => {}
                            Some(Reached::Ready) => break None,
                            end => break end,
                        }
                    }
                }
            };
            self.keep(drive, layer, look)?;
            if let Some(end) = end {
                return Ok(end);
            }
        }
        Ok(Reached::Ready)
    }

    fn each(&self) -> impl Iterator<Item = (usize, &InHand)> {
        let layers = self.layers.iter().enumerate();
        layers.filter_map(|(drive, layer)| Some((drive, layer.as_deref()?)))
    }

    /// Keeps what was brought in so far.
    pub fn keep_all(&self, look: Look<'_>) -> Result<(), LedgerError> {
        self.each()
            .try_for_each(|(drive, layer)| self.keep(drive, layer, look))
    }

    fn keep(&self, drive: usize, layer: &InHand, look: Look<'_>) -> Result<(), LedgerError> {
        let (requests, rows, settled) = layer.settle();
        if requests > 0 || !rows.is_empty() {
            self.job
                .ledger
                .add_ranges(self.job.now(), drive, requests, &rows)?;
        }
        if let Err(fault) = settled {
            look(Some(Event::Warn {
                says: format!(
                    "the salvage image failed ({fault}): what was put into it last does not count, and the drive is read straight"
                ),
            }));
        }
        Ok(())
    }
}

/// The drives that are not here and have an image to go on from, and why they are not.
pub(super) fn drives_away(job: &Job<'_>, facts: &[Fact]) -> Result<Vec<(usize, String)>, Problem> {
    let mut away = Vec::new();
    for number in 0..job.setup.drives.len() {
        let why = crate::step::plan::drive::image_alone(job, facts, number)?;
        away.extend(why.map(|why| (number, why)));
    }
    Ok(away)
}

/// What is said where a drive is not here and its image is.
pub(super) fn goes_on_alone(job: &Job<'_>, number: usize, why: &str) -> Event {
    let drive = job.setup.drives.get(number);
    let drive = drive.map(crate::step::present::words).unwrap_or_default();
    Event::Warn {
        says: format!(
            "{drive} is not here ({why}): what of it is in hand is copied from the salvage image alone, and nothing is read of it"
        ),
    }
}

/// Whether a copy has gaps that were never read, because the drive was gone.
pub(super) fn waits_for_its_drive(job: &Job<'_>) -> Result<bool, Problem> {
    let ledger = &job.ledger;
    let sql = format!(
        "SELECT EXISTS(SELECT 1 FROM got JOIN item ON item.id = got.item
         WHERE {WANTED} AND {WITH_GAPS} AND instr(got.fault, ?1) > 0)"
    );
    let found = ledger.db().query_row(&sql, [NEVER_READ], |row| row.get(0));
    ledger
        .doing("looking for what was never read", found)
        .map_err(|e: LedgerError| ledger_problem(&e))
}

/// Whether sectors might still be asked for.
fn is_open(part: &Stretch) -> bool {
    matches!(
        part.state,
        State::Unasked | State::NotWanted | State::PutOff
    )
}

/// The bytes of its drive that an item's content is read from: place and length.
fn ranges(item: &ItemRow) -> Vec<(u64, u64)> {
    item.layout
        .as_deref()
        .and_then(Layout::from_bytes)
        .map_or(Vec::new(), |layout| layout.on_drive(None))
}

/// The bytes of its drive that the missing ranges of an item are read from.
fn gaps(item: &ItemRow, missing: &[(u64, u64)]) -> Vec<(u64, u64)> {
    item.layout
        .as_deref()
        .and_then(Layout::from_bytes)
        .map_or(Vec::new(), |layout| layout.on_drive(Some(missing)))
}
