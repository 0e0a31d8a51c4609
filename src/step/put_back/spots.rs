//! Where each folder of the job stands at the recipient, and making it there when something comes into it.
//!
//! Invariant: a folder is never put through a link, and never in place of something else: where a
//! file or link of its name stands, the folder is made beside it and everything of it follows.
//! Remembered are a thousand places, the few folders under another name, and 8 bytes for each
//! folder that was made.

use super::names::Names;
use crate::ledger::{ItemRow, Ledger, LedgerError};
use crate::port::{Dress, Fault, FaultKind, Recipient};
use crate::survey::item::Kind;
use crate::value::{Moment, Name};
use std::collections::{HashMap, HashSet};
use std::ffi::OsString;
use std::os::unix::ffi::OsStringExt;
use std::sync::Arc;

const PLACES: usize = 1000;

/// The parts of a path, exact.
pub type Parts = Vec<Vec<u8>>;

/// A beginning of paths that is replaced by another one.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Map {
    /// Parts from the root of the job's folder.
    pub from: Parts,
    /// Parts from the folder that items are put back to.
    pub to: Parts,
}

impl Map {
    /// From the command line; `Err` says what is wrong with it.
    pub fn of(from: &OsString, to: &OsString) -> Result<Self, &'static str> {
        let parts = |text: &OsString| -> Parts {
            text.clone()
                .into_vec()
                .split(|byte| *byte == b'/')
                .filter(|part| !part.is_empty())
                .map(<[u8]>::to_vec)
                .collect()
        };
        let map = Self {
            from: parts(from),
            to: parts(to),
        };
        if map.from.is_empty() {
            return Err("nothing stands before the '='");
        }
        let leads_away = |part: &Vec<u8>| part == b"." || part == b"..";
        if map.from.iter().chain(&map.to).any(leads_away) {
            return Err("'.' and '..' are no parts of such a path");
        }
        Ok(map)
    }
}

/// A folder of the job at the recipient.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Spot {
    /// Its parts in the job.
    pub from: Parts,
    /// Its parts at the recipient.
    pub at: Parts,
}

/// The name that an item has by itself.
pub fn own_name(item: &ItemRow) -> Vec<u8> {
    match &item.stream {
        None => item.name.path_part(),
        // A named stream has no place of its own but here.
        Some(stream) => [
            item.name.path_part(),
            b" (stream ".to_vec(),
            (stream.path_part())
                .iter()
                .map(|b| if *b == b'/' { b'_' } else { *b })
                .collect(),
            b")".to_vec(),
        ]
        .concat(),
    }
}

/// What a folder or file wears; `now` stands in for a time that the source could not tell.
pub fn dress_of(ledger: &Ledger, item: &ItemRow, now: Moment) -> Result<Dress, LedgerError> {
    let told = item.fault.is_none() && (item.mode != 0 || item.modified_ns != 0);
    let usual = if item.kind == Kind::Folder {
        0o755
    } else {
        0o644
    };
    let mode = item.mode & 0o7777;
    Ok(Dress {
        // A source without modes (FAT, NTFS) gets the usual ones.
        mode: if item.mode == 0 || (mode == 0 && !told) {
            usual
        } else {
            item.mode
        },
        // A source that tells modes tells owners too.
        owner: (item.mode != 0).then_some((item.user, item.group)),
        modified_ns: if told {
            item.modified_ns
        } else {
            i64::try_from(now.0).unwrap_or(i64::MAX)
        },
        attributes: ledger.attributes(item.id)?,
    })
}

/// Why a folder is not there.
#[derive(Debug)]
pub enum NoSpot {
    /// The ledger could not be read.
    Ledger(LedgerError),
    /// This folder cannot be made; others may.
    Refused(String),
    /// The recipient takes nothing any more.
    Stop(Fault),
}

impl From<LedgerError> for NoSpot {
    fn from(e: LedgerError) -> Self {
        NoSpot::Ledger(e)
    }
}

impl From<Fault> for NoSpot {
    fn from(fault: Fault) -> Self {
        if ends_all(&fault) {
            NoSpot::Stop(fault)
        } else {
            NoSpot::Refused(fault.to_string())
        }
    }
}

/// Whether the recipient takes nothing any more.
pub fn ends_all(fault: &Fault) -> bool {
    matches!(
        fault.kind,
        FaultKind::Full | FaultKind::ReadOnly | FaultKind::Gone
    )
}

/// Where the root of a volume goes.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Top {
    /// Parent number of everything in it.
    pub root: i64,
    /// The volume's word: the first part of its paths in maps and answers.
    pub word: Vec<u8>,
    /// Its folder at the recipient; `None` = directly there, because no other volume comes along.
    pub folder: Option<Vec<u8>>,
}

/// Finds and makes folders at the recipient.
pub struct Spots<'a> {
    tops: &'a [Top],
    ledger: &'a Ledger,
    to: &'a dyn Recipient,
    maps: &'a [Map],
    day: &'a str,
    now: Moment,
    /// Folders under another name than their own.
    renamed: HashMap<i64, Vec<u8>>,
    made: HashSet<i64>,
    known: HashMap<i64, Arc<Spot>>,
    ready: HashSet<i64>,
    /// Folders set beside something else.
    pub set_beside: u64,
}

impl<'a> Spots<'a> {
    /// Knows nothing yet.
    pub fn new(
        ledger: &'a Ledger,
        to: &'a dyn Recipient,
        (tops, maps): (&'a [Top], &'a [Map]),
        day: &'a str,
        now: Moment,
    ) -> Self {
        Self {
            tops,
            ledger,
            to,
            maps,
            day,
            now,
            renamed: HashMap::new(),
            made: HashSet::new(),
            known: HashMap::new(),
            ready: HashSet::new(),
            set_beside: 0,
        }
    }

    /// Where something of that name in `spot` goes, by itself or by a map.
    pub fn in_spot(&self, spot: &Spot, name: &[u8]) -> Parts {
        let map = self.maps.iter().find(|map| {
            map.from
                .split_last()
                .is_some_and(|(last, above)| last == name && above == spot.from.as_slice())
        });
        match map {
            Some(map) => map.to.clone(),
            None => {
                let mut at = spot.at.clone();
                at.push(name.to_vec());
                at
            }
        }
    }

    /// The folders from the root down to `id` that are not remembered, the deepest last.
    fn unknown(&self, id: i64) -> Result<Vec<ItemRow>, LedgerError> {
        let (mut rows, mut at) = (Vec::new(), id);
        while at > 0 && !self.known.contains_key(&at) {
            let Some((row, _)) = self.ledger.item(at)? else {
                break;
            };
            at = row.parent;
            rows.push(row);
        }
        rows.reverse();
        Ok(rows)
    }

    /// The root of the folder on hold (0) or of a volume (below zero).
    fn root(&self, id: i64) -> Arc<Spot> {
        let nowhere = Spot {
            from: Vec::new(),
            at: Vec::new(),
        };
        let Some(top) = self.tops.iter().find(|top| top.root == id) else {
            return Arc::new(nowhere);
        };
        let mapped = self
            .maps
            .iter()
            .find(|map| map.from.as_slice() == std::slice::from_ref(&top.word));
        Arc::new(Spot {
            from: vec![top.word.clone()],
            at: mapped.map_or_else(
                || top.folder.iter().cloned().collect(),
                |map| map.to.clone(),
            ),
        })
    }

    fn remember(&mut self, id: i64, spot: &Arc<Spot>) {
        self.known.insert(id, Arc::clone(spot));
    }

    /// Where folder `id` stands or would stand; nothing is made.
    pub fn of(&mut self, id: i64) -> Result<Arc<Spot>, LedgerError> {
        if self.known.len() >= PLACES {
            self.known.clear();
            self.ready.clear();
        }
        let rows = self.unknown(id)?;
        let above = rows.first().map_or(id, |row| row.parent);
        let mut spot = self
            .known
            .get(&above)
            .map_or_else(|| self.root(above), Arc::clone);
        for row in rows {
            spot = self.below(&spot, &row);
            self.remember(row.id, &spot);
        }
        Ok(spot)
    }

    fn below(&self, spot: &Spot, row: &ItemRow) -> Arc<Spot> {
        let own = own_name(row);
        let mut at = self.in_spot(spot, &own);
        if let (Some(other), Some(last)) = (self.renamed.get(&row.id), at.last_mut()) {
            *last = other.clone();
        }
        let mut from = spot.from.clone();
        from.push(own);
        Arc::new(Spot { from, at })
    }

    /// Where folder `id` stands; it and those above it are made where they are missing.
    pub fn ready(&mut self, id: i64) -> Result<Arc<Spot>, NoSpot> {
        if id <= 0 {
            let root = self.root(id);
            if self.ready.insert(id) {
                let to = Spot {
                    from: Vec::new(),
                    at: Vec::new(),
                };
                self.make_unlisted(&to, &root.at)?;
            }
            return Ok(root);
        }
        if self.ready.contains(&id) {
            return Ok(self.of(id)?);
        }
        // From the root down, without recursion: trees may be thousands of folders deep.
        let (mut chain, mut at) = (Vec::new(), id);
        while at > 0 && !self.ready.contains(&at) {
            let Some((row, _)) = self.ledger.item(at)? else {
                break;
            };
            at = row.parent;
            chain.push(row);
        }
        if at <= 0 {
            self.ready(at)?;
        }
        for row in chain.into_iter().rev() {
            self.make(&row)?;
        }
        Ok(self.of(id)?)
    }

    fn make(&mut self, row: &ItemRow) -> Result<(), NoSpot> {
        let above = self.of(row.parent)?;
        let mut at = self.in_spot(&above, &own_name(row));
        let Some(own) = at.pop() else {
            // Mapped to the recipient's root, which is there.
            self.ready.insert(row.id);
            return Ok(());
        };
        self.make_unlisted(&above, &at)?;
        let stand_in = row.bag.clone().map(String::into_bytes);
        let mut names = Names::new(own.clone(), stand_in, self.day, true);
        while let Some(name) = names.offer() {
            let mut here = at.clone();
            here.push(name.clone());
            let is_made = match self.to.look(&here) {
                Ok(None) => match self.to.make_folder(&here) {
                    Ok(()) => true,
                    Err(fault) if fault.kind == FaultKind::CannotHold && names.stand_in() => {
                        continue;
                    }
                    Err(fault) => return Err(fault.into()),
                },
                Ok(Some((Kind::Folder, _, _))) => false,
                Ok(Some(_)) => continue,
                Err(fault) if fault.kind == FaultKind::CannotHold && names.stand_in() => continue,
                Err(fault) => return Err(fault.into()),
            };
            if is_made {
                self.made.insert(row.id);
            }
            if name != own && self.renamed.insert(row.id, name).is_none() {
                self.set_beside += 1;
                // Its place may be remembered under its own name.
                self.known.clear();
            }
            self.ready.insert(row.id);
            return Ok(());
        }
        Err(NoSpot::Refused(
            "no free name was found for the folder".into(),
        ))
    }

    /// Folders that only a map names: made plainly and dressed at once.
    fn make_unlisted(&self, above: &Spot, parts: &[Vec<u8>]) -> Result<(), NoSpot> {
        if parts == above.at.as_slice() {
            return Ok(());
        }
        for count in 1..=parts.len() {
            let here = parts.get(..count).unwrap_or_default();
            match self.to.look(here)? {
                Some((Kind::Folder, _, _)) => {}
                Some(_) => {
                    return Err(NoSpot::Refused(format!(
                        "the mapped path goes through '{}', which is no folder",
                        Name::Bytes(here.join(&b'/')).text()
                    )));
                }
                None => {
                    self.to.make_folder(here)?;
                    let dress = Dress {
                        mode: 0o755,
                        modified_ns: i64::try_from(self.now.0).unwrap_or(i64::MAX),
                        ..Dress::default()
                    };
                    self.to.dress(here, Kind::Folder, &dress)?;
                }
            }
        }
        Ok(())
    }

    /// Makes the folders that only a map names above a file's mapped path.
    pub fn ready_above(&self, spot: &Spot, at: &[Vec<u8>]) -> Result<(), NoSpot> {
        match at.split_last() {
            Some((_, above)) => self.make_unlisted(spot, above),
            None => Err(NoSpot::Refused(
                "it is mapped to the folder itself; a file needs a name".into(),
            )),
        }
    }

    /// Whether this run made folder `id`.
    pub fn was_made(&self, id: i64) -> bool {
        self.made.contains(&id)
    }
}
