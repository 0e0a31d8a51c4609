//! The salvage image as sectors: a `Sectors` over a `Sectors`. What is in hand is read from the image, never from the
//! drive; what is not is asked for by the queue of gaps (`judge::gaps`), put into the image, and then it is in hand.
//!
//! Two hands work here. The foreman of a copy *asks*: it wants the ranges of one item after the other in the order of
//! the plan and brings in what lies away from every error ([`InHand::ask_clean`]); when all items had their turn, it
//! brings in the rest, the bad places last ([`InHand::ask`]). Whoever copies an item *reads* ([`Sectors::read_at`]), and
//! never makes the drive do anything: sectors that are not in hand are a refusal, which the reader above names as missing.
//! Whether a missing range is final, [`InHand::standing`] says; before that no gap of it may be recorded.
//!
//! Where no destination has room for an image (any more), it lets reads *through*: what is in hand still comes
//! from the image, what was refused is still not asked again, and everything else is read straight from the drive.
//!
//! Where the drive itself is not here any more, the image stands [alone](InHand::alone): nothing is asked, nothing is
//! let through, and what is not in hand was never read.
//!
//! Invariant: no sector in hand is asked for again, in this run or in a later one; nothing is in hand whose bytes are not
//! on the medium with a digest that they still have. The rows that [`InHand::settle`] gives out are true already.

mod image;

pub use image::FOLDER;

use crate::judge::gaps::{Answer, Ask, Full, Gaps, Limits, Next, State, Stretch};
use crate::ledger::RangeRow;
use crate::port::{Clock, Destination, Fault, FaultKind, Sectors};
use image::{Copied, Image};
use std::sync::atomic::{AtomicBool, AtomicU64, Ordering};
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};

/// Rows are kept when so many bytes wait for them ...
const BYTES: u64 = 64 << 20;
/// ... or after this time.
const NANOSECONDS: u64 = 5_000_000_000;

/// What came of a turn at the drive.
#[derive(Debug, PartialEq, Eq)]
pub enum Turn {
    /// Something was asked, and answered one way or the other.
    Asked,
    /// Nothing is left that could be asked now.
    Nothing,
    /// Only places are left that rest until then (milliseconds of the clock's ticks).
    Rest(u64),
    /// The drive still owes an earlier answer: ask again in a while.
    Owes,
    /// The drive is gone.
    Gone(Fault),
    /// The image takes no more: from here on reads go through.
    NoRoom(Fault),
}

/// How ranges of sectors stand.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Standing {
    /// All of them are in hand.
    InHand,
    /// Some are not, and all of those had their last answer.
    Answered,
    /// Some are still to be asked.
    Open,
}

/// The hand that asks.
struct Asking {
    gaps: Gaps,
    buf: Vec<u8>,
    rest_ms: u64,
    /// When an earlier run asked last, seconds since 1970.
    last_asked: i64,
    /// Requests that no fact tells of yet, and the tick of the first of them.
    untold: u64,
    since: u64,
}

/// One drive with its salvage image.
pub struct InHand {
    drive: Arc<dyn Sectors>,
    asking: Mutex<Asking>,
    image: Mutex<Image>,
    through: AtomicBool,
    /// The drive is not here.
    alone: bool,
    /// Bytes that came from the image.
    given: AtomicU64,
    /// A read failed because the image could not be reached.
    away: AtomicBool,
}

fn lock<T>(what: &Mutex<T>) -> MutexGuard<'_, T> {
    // Whoever panicked with it left at worst a proven extent that is keyed by its sector.
    what.lock().unwrap_or_else(PoisonError::into_inner)
}

fn milliseconds(clock: &dyn Clock) -> u64 {
    clock.ticks() / 1_000_000
}

impl InHand {
    /// Puts the layer over drive `number`, as its `rows` left it. `places` are the job's destinations (`None` = not here),
    /// `to` the one that takes what is new; without one, reads go through.
    pub fn over(
        drive: Arc<dyn Sectors>,
        number: usize,
        places: Vec<Option<Arc<dyn Destination>>>,
        to: Option<usize>,
        limits: Limits,
        rows: &[RangeRow],
    ) -> Self {
        let mut image = Image::new(number, places, to);
        let mut gaps = Gaps::new(limits);
        let mut last_asked = 0;
        for row in rows {
            gaps.load(image.load(row));
            last_asked = row.asked.max(last_asked);
        }
        // A later row may have taken an older extent apart.
        for run in image.states.runs().collect::<Vec<_>>() {
            if run.state == State::Unasked {
                gaps.lose(run.first, run.count);
            }
        }
        Self {
            through: AtomicBool::new(!image.takes_more()),
            alone: false,
            given: AtomicU64::new(0),
            away: AtomicBool::new(false),
            drive,
            asking: Mutex::new(Asking {
                gaps,
                buf: Vec::new(),
                rest_ms: limits.revisit_rest_ms,
                last_asked,
                untold: 0,
                since: 0,
            }),
            image: Mutex::new(image),
        }
    }

    /// The same without the drive, which is not here: what is in hand is all there is.
    pub fn alone(mut self) -> Self {
        self.alone = true;
        self
    }

    /// Whether the drive is not here.
    pub fn is_alone(&self) -> bool {
        self.alone
    }

    /// Bytes that came from the image so far.
    pub fn given_bytes(&self) -> u64 {
        self.given.load(Ordering::Relaxed)
    }

    fn sector(&self) -> u64 {
        u64::from(self.drive.sector_bytes().max(1))
    }

    /// Ranges of bytes as ranges of the sectors that the drive has.
    fn sectors(&self, ranges: &[(u64, u64)]) -> Vec<(u64, u64)> {
        let (sector, bytes) = (self.sector(), self.drive.bytes());
        let within = |(at, length): &(u64, u64)| {
            let first = at.min(&bytes) / sector;
            let end = at.saturating_add(*length).min(bytes).div_ceil(sector);
            (end > first).then_some((first, end - first))
        };
        ranges.iter().filter_map(within).collect()
    }

    /// Whether what is not in hand is read straight from the drive.
    pub fn is_through(&self) -> bool {
        !self.alone && self.through.load(Ordering::Relaxed)
    }

    /// Whether a read since the last time of asking failed because the image could not be reached: then what was missing
    /// is not.
    pub fn was_away(&self) -> bool {
        self.away.swap(false, Ordering::Relaxed)
    }

    /// From here on the image takes no more.
    pub fn let_through(&self) {
        self.through.store(true, Ordering::Relaxed);
        lock(&self.image).close();
    }

    /// No place that was refused or not answered is asked again.
    pub fn forbid_revisits(&self) {
        lock(&self.asking).gaps.forbid_revisits();
    }

    /// Tells the queue what of the image turned out to be lost.
    fn tell_lost(&self, asking: &mut Asking) {
        for (first, count) in lock(&self.image).to_tell.drain(..) {
            asking.gaps.lose(first, count);
        }
    }

    /// Wants ranges of bytes that are worth `value` together.
    ///
    /// # Errors
    /// [`Full`] when there are too many separate ranges to keep track of.
    pub fn want(&self, ranges: &[(u64, u64)], value: f64, clock: &dyn Clock) -> Result<(), Full> {
        let ranges = self.sectors(ranges);
        let sectors = ranges.iter().fold(0u64, |sum, (_, count)| sum + count);
        let mut asking = lock(&self.asking);
        self.tell_lost(&mut asking);
        // What an earlier run was refused has rested since then.
        let rested = clock.now().seconds().saturating_sub(asking.last_asked);
        let rested = u64::try_from(rested).unwrap_or(0).saturating_mul(1000);
        let revisit_at = match asking.rest_ms.saturating_sub(rested) {
            0 => 0,
            left => milliseconds(clock).saturating_add(left),
        };
        for (first, count) in ranges {
            let worth = value / sectors.max(1) as f64;
            asking.gaps.want(first, count, worth, revisit_at)?;
        }
        Ok(())
    }

    /// Wants the gaps of an item that was copied already: what was never asked through this layer failed on another way and
    /// comes last, each place once; what was not asked yet, or only put off, comes as in any item. What had its last
    /// answer is not asked again. How many sectors that opens.
    ///
    /// # Errors
    /// As [`InHand::want`].
    pub fn want_gaps(
        &self,
        ranges: &[(u64, u64)],
        value: f64,
        clock: &dyn Clock,
    ) -> Result<u64, Full> {
        let parts = self.parts(ranges);
        let is_open = |part: &&Stretch| {
            matches!(
                part.state,
                State::Unasked | State::NotWanted | State::PutOff
            )
        };
        let open: u64 = parts.iter().filter(is_open).map(|part| part.count).sum();
        let worth = value / open.max(1) as f64;
        let now = milliseconds(clock);
        let mut asking = lock(&self.asking);
        self.tell_lost(&mut asking);
        for part in parts.iter().filter(is_open) {
            match part.state {
                State::NotWanted => asking.gaps.want_again(part.first, part.count, worth)?,
                _ => asking.gaps.want(part.first, part.count, worth, now)?,
            }
        }
        Ok(open)
    }

    /// The sectors of ranges of bytes, as they stand.
    pub fn parts(&self, ranges: &[(u64, u64)]) -> Vec<Stretch> {
        let ranges = self.sectors(ranges);
        let image = lock(&self.image);
        let within =
            |(first, count): &(u64, u64)| image.states.within(*first, first.saturating_add(*count));
        ranges.iter().flat_map(within).collect()
    }

    /// Notes for the next run that was not asked what of these ranges nobody asked for.
    pub fn note_unasked(&self, ranges: &[(u64, u64)], clock: &dyn Clock) {
        let asked = clock.now().seconds();
        for part in self.parts(ranges) {
            if part.state == State::NotWanted {
                let state = State::Unasked;
                lock(&self.image).note(Stretch { state, ..part }, asked, None);
            }
        }
    }

    /// How ranges of bytes stand.
    pub fn standing(&self, ranges: &[(u64, u64)]) -> Standing {
        let ranges = self.sectors(ranges);
        let asking = lock(&self.asking);
        let image = lock(&self.image);
        let mut standing = Standing::InHand;
        for (first, count) in ranges {
            if asking.gaps.is_open(first, count) {
                return Standing::Open;
            }
            for part in image.states.within(first, first.saturating_add(count)) {
                match part.state {
                    State::InHand => {}
                    State::Unasked | State::NotWanted => return Standing::Open,
                    // Put off and no longer open: there was no room to split it.
                    State::PutOff | State::Refused | State::NoAnswer | State::Disputed => {
                        standing = Standing::Answered;
                    }
                }
            }
        }
        standing
    }

    /// One request away from every known error.
    pub fn ask_clean(&self, clock: &dyn Clock) -> Turn {
        if self.alone {
            return Turn::Nothing;
        }
        let mut asking = lock(&self.asking);
        match asking.gaps.next_clean(milliseconds(clock)) {
            Some(ask) => self.turn(&mut asking, ask, clock),
            None => Turn::Nothing,
        }
    }

    /// The best request, wherever it is.
    pub fn ask(&self, clock: &dyn Clock) -> Turn {
        if self.is_through() || self.alone {
            return Turn::Nothing;
        }
        let mut asking = lock(&self.asking);
        match asking.gaps.next(milliseconds(clock)) {
            Next::Ask(ask) => self.turn(&mut asking, ask, clock),
            Next::Rest { until_ms } => Turn::Rest(until_ms),
            Next::Done => Turn::Nothing,
        }
    }

    fn turn(&self, asking: &mut Asking, ask: Ask, clock: &dyn Clock) -> Turn {
        if self.is_through() {
            return Turn::Nothing;
        }
        if self.drive.owes() {
            return Turn::Owes;
        }
        let sector = self.sector();
        let at = ask.first.saturating_mul(sector);
        let bytes = ask.count.saturating_mul(sector);
        let bytes = bytes.min(self.drive.bytes().saturating_sub(at));
        let Asking { gaps, buf, .. } = asking;
        buf.resize(usize::try_from(bytes).unwrap_or(0), 0);
        let began = milliseconds(clock);
        let read = self.drive.read_at(at, buf);
        let now = milliseconds(clock);
        let asked = clock.now().seconds();
        let range = Stretch {
            first: ask.first,
            count: ask.count,
            state: State::InHand,
        };
        let mut turn = Turn::Asked;
        let answer = match read {
            Ok(()) => {
                let mut image = lock(&self.image);
                if image.differs(range, buf, sector) {
                    Answer::Differs
                } else if let Err(fault) = image.put(range, asked, buf) {
                    // It stays as it was: to be read when an item is.
                    drop(image);
                    self.let_through();
                    return Turn::NoRoom(fault);
                } else {
                    Answer::Got
                }
            }
            Err(fault) => match fault.kind {
                FaultKind::Gone | FaultKind::Missing | FaultKind::Denied => {
                    turn = Turn::Gone(fault);
                    Answer::Gone
                }
                FaultKind::NoAnswer => Answer::NoAnswer,
                _ => Answer::Refused,
            },
        };
        let changed = gaps.report(answer, now.saturating_sub(began), now);
        if asking.untold == 0 {
            asking.since = clock.ticks();
        }
        asking.untold += 1;
        let mut image = lock(&self.image);
        for stretch in changed {
            // What is in hand was noted with its bytes.
            if stretch.state != State::InHand {
                image.note(stretch, asked, None);
            }
        }
        turn
    }

    /// Whether rows should be kept now.
    pub fn is_due(&self, clock: &dyn Clock) -> bool {
        let asking = lock(&self.asking);
        let waited = clock.ticks().saturating_sub(asking.since);
        let old = asking.untold > 0 && waited >= NANOSECONDS;
        old || lock(&self.image).pending_bytes >= BYTES
    }

    /// Makes what was brought in durable: how many requests that took, the rows that are true now, and the fault if the
    /// image failed. Then what was put in since the last time is in hand no more, and reads go through.
    pub fn settle(&self) -> (u64, Vec<RangeRow>, Result<(), Fault>) {
        let mut asking = lock(&self.asking);
        let (rows, settled) = lock(&self.image).settle();
        if settled.is_err() {
            self.through.store(true, Ordering::Relaxed);
        }
        (std::mem::take(&mut asking.untold), rows, settled)
    }

    /// The sentence for sectors that are not in hand.
    fn refusal(&self, at: u64, bytes: usize, state: State) -> Fault {
        let why = match state {
            State::Refused => "the drive refused it when it was asked",
            State::NoAnswer => "the drive did not answer in time when it was asked",
            State::Disputed => "two readings of it differed",
            State::PutOff => {
                "the drive stalled or failed near it, and there was no room to ask it apart"
            }
            State::InHand => "it is in the salvage image, which cannot be reached now",
            State::Unasked | State::NotWanted if self.alone => {
                "it was never read, and the drive is not here"
            }
            State::Unasked | State::NotWanted => "it was not asked for yet",
        };
        Fault::new(
            FaultKind::Refused,
            format!("reading {bytes} bytes at {at} of the drive"),
            why,
        )
    }
}

impl Sectors for InHand {
    fn sector_bytes(&self) -> u32 {
        self.drive.sector_bytes()
    }

    fn bytes(&self) -> u64 {
        self.drive.bytes()
    }

    fn read_at(&self, at: u64, buf: &mut [u8]) -> Result<(), Fault> {
        let sector = self.sector();
        let mut done = 0usize;
        while done < buf.len() {
            let here = at.saturating_add(done as u64);
            let rest = buf.get_mut(done..).unwrap_or_default();
            let mut image = lock(&self.image);
            let into = usize::try_from(here % sector).unwrap_or(0);
            // The hand that reads has no clock: the ledger's own moment is that of its fact.
            match image.copy(here / sector, into, sector, rest, 0) {
                Copied::Bytes(count) => {
                    self.given.fetch_add(count as u64, Ordering::Relaxed);
                    done += count;
                    continue;
                }
                Copied::Away => {
                    self.away.store(true, Ordering::Relaxed);
                    return Err(self.refusal(here, rest.len(), State::InHand));
                }
                Copied::Nothing => {}
            }
            let end = here.saturating_add(rest.len() as u64).div_ceil(sector);
            let parts = image.states.within(here / sector, end);
            drop(image);
            let Some(part) = parts.first() else {
                return self.drive.read_at(here, rest);
            };
            let answered = matches!(
                part.state,
                State::Refused | State::NoAnswer | State::Disputed
            );
            if answered || !self.is_through() {
                return Err(self.refusal(here, rest.len(), part.state));
            }
            let until = part.end().saturating_mul(sector);
            let count = usize::try_from(until.saturating_sub(here)).unwrap_or(usize::MAX);
            let count = count.min(rest.len());
            self.drive
                .read_at(here, rest.get_mut(..count).unwrap_or_default())?;
            done += count;
        }
        Ok(())
    }

    fn owes(&self) -> bool {
        self.drive.owes()
    }
}
