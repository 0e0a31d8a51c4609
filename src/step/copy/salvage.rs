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
//! a folder job reads on as on the gentle route. Gaps of items that were copied before the route changed stay as they are.
//!
//! Invariant: the ledger's rows of ranges are added after their bytes are on the medium, never before. Where no destination has
//! room for the image beside the copies, that is said, and the drive is read straight.

use crate::job::{Job, ledger_problem};
use crate::judge::gaps::Limits;
use crate::judge::order::ClassValues;
use crate::ledger::{Fact, ItemRow, LedgerError};
use crate::port::{Destination, Fault, FaultKind};
use crate::read::drives::DriveSource;
use crate::read::in_hand::{InHand, Standing, Turn};
use crate::step::event::Event;
use crate::step::outcome::{Problem, Route};
use crate::value::measure::bytes_in_words;
use crate::volume::layout::{Coding, Layout, Piece};
use std::sync::Arc;

/// Rest between two looks at a drive that owes an answer, or before places are asked again.
const A_WHILE: u64 = 1_000_000_000;
/// So many of them before a drive that owes an answer counts as gone (beside the time limit that it had already).
const PATIENCE: u32 = 120;

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
            let (to, needs) = crate::step::room::place_for_image(job, destinations, &volumes)?;
            if to.is_none() {
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
            let layer = Arc::new(InHand::over(
                Arc::clone(place),
                number,
                opened,
                to,
                limits,
                &rows,
            ));
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

    /// Whether what is missing of a copied item had its last answer. Without a layer every answer is the last.
    pub fn is_final(&self, item: &ItemRow) -> bool {
        let ranges = ranges(item);
        self.under(item)
            .is_none_or(|(_, layer)| !layer.was_away() && layer.standing(&ranges) != Standing::Open)
    }

    /// Brings in what can be had of an item without going near an error.
    pub fn reach(&self, item: &ItemRow, look: Look<'_>) -> Result<Reached, LedgerError> {
        let ranges = ranges(item);
        let Some((drive, layer)) = self.under(item).filter(|_| !ranges.is_empty()) else {
            return Ok(Reached::Ready);
        };
        let clock = self.job.bench.clock();
        let value = self.values.value(item.class, item.bytes);
        if let Err(full) = layer.want(&ranges, value, clock) {
            layer.let_through();
            look(Some(Event::Warn {
                says: format!("{full}; the rest is read straight from the drive"),
            }));
            return Ok(Reached::Ready);
        }
        let mut owed = 0;
        loop {
            match layer.ask_clean(clock) {
                Turn::Nothing | Turn::Rest(_) => break,
                turn => match self.after(turn, drive, layer, &mut owed, look)? {
                    None => {}
                    Some(end) => return Ok(end),
                },
            }
        }
        Ok(match layer.standing(&ranges) {
            Standing::Open => Reached::Later,
            Standing::InHand | Standing::Answered => Reached::Ready,
        })
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

/// The bytes of its drive that an item's content is read from: place and length.
fn ranges(item: &ItemRow) -> Vec<(u64, u64)> {
    let Some(layout) = item.layout.as_deref().and_then(Layout::from_bytes) else {
        return Vec::new();
    };
    // Behind the written length nothing is read; of a coded item everything may be.
    let mut left = match layout.coding {
        Coding::Plain => layout.valid.min(layout.length),
        _ => u64::MAX,
    };
    let mut out = Vec::new();
    for piece in &layout.pieces {
        let bytes = piece.bytes().min(left);
        left -= bytes;
        if let Piece::Extent { at, .. } = piece
            && bytes > 0
        {
            out.push((*at, bytes));
        }
    }
    out
}
