//! The salvage image of one drive: files of packed extents in `salvage/` at a destination, and the map of them.
//!
//! Invariant: files only grow, and one run never writes to a file of another, so that whatever a row of the ledger names
//! stays as it was when the row was written. No byte leaves the image before its whole extent had the digest that it
//! was put in with. A row is given out only when its bytes are on the medium.

use crate::judge::gaps::{Ranges, State, Stretch};
use crate::ledger::{Held, RangeRow};
use crate::port::{Content, Destination, Fault, FaultKind, Writing};
use crate::value::Blake3;
use std::collections::BTreeMap;
use std::sync::Arc;

/// The folder of the image in a job's folder.
pub const FOLDER: &str = "salvage";
/// Numbers tried for a new file.
const NUMBERS: u64 = 100_000;

/// The file that this run writes.
struct Open {
    destination: usize,
    file: u64,
    writing: Box<dyn Writing>,
    at: u64,
    largest: u64,
    /// Its name is durable.
    named: bool,
}

/// Bytes that stand in the image.
#[derive(Debug, Clone, Copy)]
struct Extent {
    count: u64,
    held: Held,
}

/// What came of copying bytes from the image.
#[derive(Debug, PartialEq, Eq)]
pub enum Copied {
    /// So many.
    Bytes(usize),
    /// They are not in hand, or not any more.
    Nothing,
    /// The destination that holds them cannot be reached now.
    Away,
}

/// The image of one drive.
pub struct Image {
    drive: usize,
    /// The job's destinations by number; `None` = not here.
    places: Vec<Option<Arc<dyn Destination>>>,
    /// Where new extents go; `None` = nowhere.
    to: Option<usize>,
    open: Option<Open>,
    next_file: u64,
    reading: BTreeMap<(usize, u64), Box<dyn Content>>,
    extents: BTreeMap<u64, Extent>,
    /// How every sector stands that was asked for.
    pub states: Ranges,
    /// Rows that the ledger does not have yet, and the bytes that they hold.
    pending: Vec<RangeRow>,
    pub pending_bytes: u64,
    /// The extent that was read and proven last.
    proven: Option<(u64, Vec<u8>)>,
    /// Extents whose bytes are not what was put in: first sector, how many, the digest then.
    lost: Vec<(u64, u64, Blake3)>,
    /// The same, as the queue has yet to be told.
    pub to_tell: Vec<(u64, u64)>,
}

impl Image {
    pub fn new(drive: usize, places: Vec<Option<Arc<dyn Destination>>>, to: Option<usize>) -> Self {
        Self {
            drive,
            places,
            to,
            open: None,
            next_file: 1,
            reading: BTreeMap::new(),
            extents: BTreeMap::new(),
            states: Ranges::new(),
            pending: Vec::new(),
            pending_bytes: 0,
            proven: None,
            lost: Vec::new(),
            to_tell: Vec::new(),
        }
    }

    fn path(&self, file: u64) -> String {
        format!("{FOLDER}/drive-{}-{file:04}.extents", self.drive + 1)
    }

    /// Takes up a row of an earlier run; how it stands now. What lies at a destination that is not here is not in hand.
    pub fn load(&mut self, row: &RangeRow) -> Stretch {
        let mut range = row.range;
        if let Some(held) = &row.held {
            self.next_file = self.next_file.max(held.file.saturating_add(1));
        }
        self.forget(range);
        let here = |held: &Held| {
            self.places
                .get(held.destination)
                .is_some_and(Option::is_some)
        };
        match row.held.filter(here) {
            Some(held) if range.state == State::InHand => {
                let count = range.count;
                self.extents.insert(range.first, Extent { count, held });
            }
            _ if range.state == State::InHand => range.state = State::Unasked,
            _ => {}
        }
        self.states.set(range.first, range.end(), range.state);
        range
    }

    /// A newer row about sectors of older extents: those are whole or they are nothing.
    fn forget(&mut self, range: Stretch) {
        while let Some((first, extent)) = self.last_before(range.end())
            && first + extent.count > range.first
        {
            self.extents.remove(&first);
            self.states.set(first, first + extent.count, State::Unasked);
        }
    }

    fn last_before(&self, sector: u64) -> Option<(u64, Extent)> {
        let found = self.extents.range(..sector).next_back();
        found.map(|(first, extent)| (*first, *extent))
    }

    /// Whether new extents still go somewhere.
    pub fn takes_more(&self) -> bool {
        self.to.is_some()
    }

    /// Puts the bytes of `range` into the image. Not yet durable.
    pub fn put(&mut self, range: Stretch, asked: i64, bytes: &[u8]) -> Result<(), Fault> {
        let held = self.append(bytes)?;
        self.extents.insert(
            range.first,
            Extent {
                count: range.count,
                held,
            },
        );
        self.pending_bytes += bytes.len() as u64;
        self.note(range, asked, Some(held));
        Ok(())
    }

    /// Notes how a range stands.
    pub fn note(&mut self, range: Stretch, asked: i64, held: Option<Held>) {
        self.states.set(range.first, range.end(), range.state);
        self.pending.push(RangeRow { range, asked, held });
    }

    fn append(&mut self, bytes: &[u8]) -> Result<Held, Fault> {
        let doing = "putting sectors into the salvage image";
        if self.to.is_none() {
            return Err(Fault::new(FaultKind::Full, doing, "it takes no more"));
        }
        let full = |open: &Open| open.at.saturating_add(bytes.len() as u64) > open.largest;
        if self.open.as_ref().is_some_and(full) {
            self.settle_open()?;
            if let Some(open) = self.open.take() {
                open.writing.finish(open.at)?;
            }
        }
        if self.open.is_none() {
            self.open = Some(self.begin()?);
        }
        let Some(open) = &mut self.open else {
            return Err(Fault::new(FaultKind::Other, doing, "no file was begun"));
        };
        open.writing.write_at(open.at, bytes)?;
        let held = Held {
            destination: open.destination,
            file: open.file,
            at: open.at,
            bytes: bytes.len() as u64,
            blake3: Blake3(*blake3::hash(bytes).as_bytes()),
        };
        open.at += bytes.len() as u64;
        Ok(held)
    }

    /// Begins a file under a number that nobody has used. What a run wrote that was cut off before its first row stays
    /// where it is until the job is closed.
    fn begin(&mut self) -> Result<Open, Fault> {
        let doing = "beginning a file of the salvage image";
        let to = self
            .to
            .and_then(|to| Some((to, self.places.get(to)?.clone()?)));
        let Some((number, destination)) = to else {
            return Err(Fault::new(
                FaultKind::Full,
                doing,
                "no place is left for it",
            ));
        };
        destination.make_folder(FOLDER)?;
        let largest = destination.facts()?.largest_file.unwrap_or(u64::MAX);
        for file in self.next_file..self.next_file.saturating_add(NUMBERS) {
            match destination.create(&self.path(file), 0) {
                Err(fault) if fault.kind == FaultKind::Exists => {}
                Err(fault) => return Err(fault),
                Ok(writing) => {
                    self.next_file = file + 1;
                    return Ok(Open {
                        destination: number,
                        file,
                        writing,
                        at: 0,
                        largest,
                        named: false,
                    });
                }
            }
        }
        Err(Fault::new(
            FaultKind::Exists,
            doing,
            "every number is taken",
        ))
    }

    fn settle_open(&mut self) -> Result<(), Fault> {
        let Some(open) = &mut self.open else {
            return Ok(());
        };
        open.writing.settle()?;
        if !open.named {
            if let Some(Some(destination)) = self.places.get(open.destination) {
                destination.settle()?;
            }
            open.named = true;
        }
        Ok(())
    }

    /// Makes everything durable; the rows that may be kept now. After a fault nothing of what was put in since the last
    /// success counts, and nothing more is put in.
    pub fn settle(&mut self) -> (Vec<RangeRow>, Result<(), Fault>) {
        let mut rows = std::mem::take(&mut self.pending);
        self.pending_bytes = 0;
        let settled = if rows.iter().any(|row| row.held.is_some()) {
            self.settle_open()
        } else {
            Ok(())
        };
        if settled.is_err() {
            (self.to, self.open) = (None, None);
            rows.retain(|row| {
                if row.held.is_some() {
                    self.drop_extent(row.range.first);
                }
                row.held.is_none()
            });
        }
        (rows, settled)
    }

    /// Nothing more is put in. What was put in is still to be made durable.
    pub fn close(&mut self) {
        self.to = None;
    }

    /// An extent is in hand no more.
    fn drop_extent(&mut self, first: u64) -> Option<Extent> {
        let extent = self.extents.remove(&first)?;
        if self.proven.as_ref().is_some_and(|(at, _)| *at == first) {
            self.proven = None;
        }
        let range = Stretch {
            first,
            count: extent.count,
            state: State::Unasked,
        };
        self.states.set(first, range.end(), State::Unasked);
        self.to_tell.push((first, extent.count));
        Some(extent)
    }

    /// Copies bytes from the image: those from byte `into` of sector `sector` on, as many as one extent has, at most what
    /// `buf` takes. Bytes that are not those that were put in are in hand no more.
    pub fn copy(
        &mut self,
        sector: u64,
        into: usize,
        sector_bytes: u64,
        buf: &mut [u8],
        asked: i64,
    ) -> Copied {
        let found = self.last_before(sector.saturating_add(1));
        let Some((first, extent)) = found.filter(|(first, extent)| first + extent.count > sector)
        else {
            return Copied::Nothing;
        };
        if self.proven.as_ref().is_none_or(|(at, _)| *at != first) {
            match self.prove(&extent.held) {
                Some(bytes) => self.proven = Some((first, bytes)),
                None if self.is_away(extent.held.destination) => return Copied::Away,
                None => {
                    let range = Stretch {
                        first,
                        count: extent.count,
                        state: State::Unasked,
                    };
                    self.drop_extent(first);
                    self.lost.push((first, extent.count, extent.held.blake3));
                    self.note(range, asked, None);
                    return Copied::Nothing;
                }
            }
        }
        let from = usize::try_from((sector - first).saturating_mul(sector_bytes));
        let from = from.ok().and_then(|from| from.checked_add(into));
        let proven = self.proven.as_ref().zip(from);
        let part = proven.and_then(|((_, bytes), from)| bytes.get(from..));
        let part = part.unwrap_or_default();
        let count = part.len().min(buf.len());
        match buf.get_mut(..count).zip(part.get(..count)) {
            Some((to, from)) if count > 0 => {
                to.copy_from_slice(from);
                Copied::Bytes(count)
            }
            _ => Copied::Nothing,
        }
    }

    /// Whether a destination does not answer: then nothing is said about what lies there.
    fn is_away(&self, destination: usize) -> bool {
        match self.places.get(destination) {
            Some(Some(place)) => place.facts().is_err(),
            _ => true,
        }
    }

    /// An extent's bytes, if they are still those that were put in.
    fn prove(&mut self, held: &Held) -> Option<Vec<u8>> {
        let key = (held.destination, held.file);
        if !self.reading.contains_key(&key) {
            let place = self.places.get(held.destination)?.as_ref()?;
            let opened = place.open(&self.path(held.file)).ok()?;
            self.reading.insert(key, opened);
        }
        let content = self.reading.get(&key)?;
        let mut bytes = vec![0u8; usize::try_from(held.bytes).ok()?];
        let mut done = 0usize;
        while done < bytes.len() {
            let rest = bytes.get_mut(done..)?;
            match content.read_at(held.at.checked_add(done as u64)?, rest) {
                Ok(0) | Err(_) => return None,
                Ok(count) => done += count,
            }
        }
        (Blake3(*blake3::hash(&bytes).as_bytes()) == held.blake3).then_some(bytes)
    }

    /// Whether a new reading of `range` differs from an earlier one whose bytes the image lost.
    pub fn differs(&mut self, range: Stretch, bytes: &[u8], sector_bytes: u64) -> bool {
        let mut differs = false;
        self.lost.retain(|(first, count, digest)| {
            if *first < range.first || first + count > range.end() {
                return true;
            }
            let from = usize::try_from((first - range.first).saturating_mul(sector_bytes));
            let to = usize::try_from((first + count - range.first).saturating_mul(sector_bytes));
            let (Ok(from), Ok(to)) = (from, to) else {
                return false;
            };
            let part = bytes.get(from..to.min(bytes.len())).unwrap_or_default();
            differs |= Blake3(*blake3::hash(part).as_bytes()) != *digest;
            false
        });
        differs
    }
}
