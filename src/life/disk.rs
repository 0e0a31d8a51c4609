//! A destination's drive: what it holds now, what it would still hold after a crash, and how it lies.
//!
//! Invariant: what was written is volatile until it was settled. A crash keeps of the volatile
//! changes nothing, a beginning, or any of them with torn writes, as the life's seed says.

use super::clock::LifeClock;
use super::fate::Fate;
use super::files::{Change, Files, Named};
use super::memory::LifeMemory;
use super::seed::Seed;
use crate::port::{DestinationFacts, Fault, FaultKind};
use std::collections::BTreeMap;
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};

const PAGE: u64 = 4096;

/// What a drive is, and what is wrong with it.
#[derive(Debug, Clone)]
pub struct Nature {
    /// Device number of its file system.
    pub device: u64,
    /// The whole disks under it.
    pub disks: Vec<String>,
    /// Reached over a network.
    pub network: bool,
    /// Room in bytes.
    pub room: u64,
    /// Largest file in bytes.
    pub largest_file: Option<u64>,
    /// Names that differ only in case are one.
    pub folds_case: bool,
    /// Hard links can be made.
    pub hard_links: bool,
    /// It says "settled" and keeps nothing.
    pub lies: bool,
    /// It claims `room`, and has only so many pages of 4096 bytes: later writes land on earlier ones.
    pub true_pages: Option<u64>,
    /// What is read back comes from a cache and not from the medium.
    pub cached: bool,
    /// It takes no writes from this operation on.
    pub read_only_from: u64,
    /// It is unplugged at the first number and back at the second.
    pub unplugged: Vec<(u64, u64)>,
    /// Numbers of settlings (counted from 1) that fail, losing some of the writes before them.
    pub failing_settles: Vec<u64>,
}

impl Nature {
    /// A sound drive with the given number.
    pub fn sound(number: u64) -> Self {
        Self {
            device: 0x900 + number,
            disks: vec![format!("disk{number}")],
            network: false,
            room: 1 << 40,
            largest_file: None,
            folds_case: false,
            hard_links: true,
            lies: false,
            true_pages: None,
            cached: false,
            read_only_from: u64::MAX,
            unplugged: Vec::new(),
            failing_settles: Vec::new(),
        }
    }

    /// Whether it keeps what it said it keeps, as long as nobody unplugs it.
    pub fn is_honest(&self) -> bool {
        !self.lies && self.true_pages.is_none()
    }
}

pub(super) struct State {
    pub nature: Nature,
    pub live: Files,
    pub durable: Files,
    log: Vec<Change>,
    next_file: u64,
    pages: BTreeMap<u64, (u64, u64)>,
    next_page: u64,
    settles: u64,
    seed: Seed,
    pub plugged: u64,
    pub fetched: u64,
}

/// A drive.
pub struct LifeDisk {
    pub(super) fate: Arc<Fate>,
    pub(super) clock: Arc<LifeClock>,
    pub(super) memory: Arc<LifeMemory>,
    state: Mutex<State>,
}

impl LifeDisk {
    /// An empty drive.
    pub fn new(
        nature: Nature,
        seed: Seed,
        fate: Arc<Fate>,
        clock: Arc<LifeClock>,
        memory: Arc<LifeMemory>,
    ) -> Self {
        let empty = Files::new(nature.folds_case);
        Self {
            fate,
            clock,
            memory,
            state: Mutex::new(State {
                nature,
                live: empty.clone(),
                durable: empty,
                log: Vec::new(),
                next_file: 1,
                pages: BTreeMap::new(),
                next_page: 0,
                settles: 0,
                seed,
                plugged: 0,
                fetched: 0,
            }),
        }
    }

    pub(super) fn state(&self) -> MutexGuard<'_, State> {
        self.state.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// What the drive is.
    pub fn nature(&self) -> Nature {
        self.state().nature.clone()
    }

    /// Changes what the drive is or what is wrong with it.
    pub fn becomes(&self, how: impl FnOnce(&mut Nature)) {
        how(&mut self.state().nature);
    }

    /// The file system, still empty, becomes one that folds case when its nature says so.
    pub fn becomes_folding(&self) {
        let mut state = self.state();
        let folds = state.nature.folds_case;
        (state.live, state.durable) = (Files::new(folds), Files::new(folds));
    }

    /// One operation on the drive. `since` = as of when the asker opened it.
    pub(super) fn enter(&self, since: Option<u64>) -> Result<MutexGuard<'_, State>, Fault> {
        let operation = self.fate.operation()?;
        self.clock.pass(50_000);
        let mut state = self.state();
        let here = state.plug(operation);
        if !here || since.is_some_and(|since| since != state.plugged) {
            return Err(Fault::new(
                FaultKind::Gone,
                "reaching the destination",
                "it is not there",
            ));
        }
        Ok(state)
    }

    /// The same for a change.
    pub(super) fn enter_to_write(
        &self,
        since: Option<u64>,
    ) -> Result<MutexGuard<'_, State>, Fault> {
        let state = self.enter(since)?;
        if self.fate.operations() >= state.nature.read_only_from {
            return Err(Fault::new(
                FaultKind::ReadOnly,
                "writing to the destination",
                "it takes no writes",
            ));
        }
        Ok(state)
    }

    /// The power is gone, or somebody pulled the plug.
    pub fn crash(&self) {
        self.state().crash();
    }

    /// Flips a bit at rest in one file below `path`, chosen by `choice`; its path.
    pub fn rot(&self, path: &str, choice: u64) -> Option<String> {
        let mut state = self.state();
        let files: Vec<(String, u64)> = state
            .live
            .below(path)
            .into_iter()
            .filter_map(|(path, named)| match named {
                Named::File(file) => Some((path, file)),
                Named::Folder => None,
            })
            .filter(|(_, file)| {
                state
                    .live
                    .file(*file)
                    .is_some_and(|bytes| !bytes.is_empty())
            })
            .collect();
        let at = usize::try_from(choice % (files.len() as u64).max(1)).unwrap_or(0);
        let (path, file) = files.get(at)?.clone();
        let state = &mut *state;
        for files in [&mut state.live, &mut state.durable] {
            if let Some(bytes) = files.file_mut(file) {
                let at = usize::try_from(choice).unwrap_or(0) % bytes.len().max(1);
                if let Some(byte) = bytes.get_mut(at) {
                    *byte ^= 1;
                }
            }
        }
        Some(path)
    }

    /// The bytes at `path` as they would be read now.
    pub fn live(&self, path: &str) -> Option<Vec<u8>> {
        self.state().live.read(path).map(<[u8]>::to_vec)
    }

    /// The bytes at `path` as they would be after a loss of power.
    pub fn durable(&self, path: &str) -> Option<Vec<u8>> {
        self.state().durable.read(path).map(<[u8]>::to_vec)
    }

    /// Files below `path` as they would be after a loss of power.
    pub fn durable_files(&self, path: &str) -> Vec<String> {
        let files = self.state().durable.below(path);
        files
            .into_iter()
            .filter(|(_, named)| *named != Named::Folder)
            .map(|(path, _)| path)
            .collect()
    }

    /// What the drive says of itself.
    pub(super) fn facts(&self, state: &State, path: &str) -> DestinationFacts {
        let nature = &state.nature;
        let read_only = self.fate.operations() >= nature.read_only_from;
        DestinationFacts {
            path: path.to_owned(),
            device: nature.device,
            disks: nature.disks.clone(),
            disks_unknown: Vec::new(),
            practice_only: false,
            network: nature.network,
            file_system: "simulated".into(),
            free_bytes: nature.room.saturating_sub(state.live.used()),
            free_entries: None,
            longest_name: 255,
            largest_file: nature.largest_file,
            folds_case: nature.folds_case,
            hard_links: nature.hard_links,
            not_writable: read_only.then(|| "it takes no writes".to_owned()),
        }
    }
}

impl State {
    /// Plugs and unplugs as planned; whether the drive is here.
    fn plug(&mut self, operation: u64) -> bool {
        let due = |(from, until): &(u64, u64)| *from <= operation && *from < *until;
        while let Some(at) = self.nature.unplugged.iter().position(due) {
            let Some((_, until)) = self.nature.unplugged.get(at).copied() else {
                break;
            };
            if operation < until {
                // Pulling the plug is a loss of power for this drive; once.
                if self.plugged.is_multiple_of(2) {
                    self.crash();
                    self.plugged += 1;
                }
                return false;
            }
            self.nature.unplugged.remove(at);
            if self.plugged.is_multiple_of(2) {
                self.crash();
                self.plugged += 1;
            }
            self.plugged += 1;
        }
        true
    }

    /// Somebody plugs it in again.
    pub(super) fn plug_in(&mut self, operation: u64) {
        for (from, until) in &mut self.nature.unplugged {
            if *from <= operation && *until != u64::MAX {
                *until = operation;
            }
        }
        self.plug(operation);
    }

    pub(super) fn new_file(&mut self, path: &str) -> Option<u64> {
        let file = self.next_file;
        self.next_file += 1;
        self.change(Change::File(path.to_owned(), file))
            .then_some(file)
    }

    /// Applies a change to what is here now, and remembers it as volatile.
    pub(super) fn change(&mut self, change: Change) -> bool {
        let fits = self.live.apply(&change);
        if fits {
            self.log.push(change);
        }
        fits
    }

    /// Writes bytes, and on a counterfeit drive onto whatever shares their place.
    pub(super) fn write(&mut self, file: u64, at: u64, bytes: &[u8]) -> Result<(), Fault> {
        let doing = "writing to a file";
        let end = at + bytes.len() as u64;
        if self.nature.largest_file.is_some_and(|most| end > most) {
            return Err(Fault::new(FaultKind::CannotHold, doing, "file too large"));
        }
        let had = self.live.file(file).map_or(0, <[u8]>::len) as u64;
        if self.live.used() + end.saturating_sub(had) > self.nature.room {
            return Err(Fault::new(FaultKind::Full, doing, "no space left"));
        }
        if !self.change(Change::Write(file, at, bytes.to_vec())) {
            return Err(Fault::new(FaultKind::Missing, doing, "no such file"));
        }
        if let Some(pages) = self.nature.true_pages {
            self.wrap(file, at, end, pages);
        }
        Ok(())
    }

    /// Every page of a file has a place on the medium, in the order of first writing; places beyond the
    /// true end fall on earlier ones, and the latest write wins.
    fn wrap(&mut self, file: u64, at: u64, end: u64, pages: u64) {
        for page in at / PAGE..end.div_ceil(PAGE) {
            let known = self
                .pages
                .iter()
                .find(|(_, owner)| **owner == (file, page))
                .map(|(place, _)| *place);
            let place = known.unwrap_or_else(|| {
                let place = self.next_page;
                self.next_page += 1;
                self.pages.insert(place, (file, page));
                place
            });
            let first = (page * PAGE) as usize;
            let new: Vec<u8> = match self.live.file(file) {
                Some(bytes) => bytes
                    .iter()
                    .skip(first)
                    .take(PAGE as usize)
                    .copied()
                    .collect(),
                None => continue,
            };
            let victims: Vec<(u64, u64)> = self
                .pages
                .iter()
                .filter(|(other, _)| **other != place && **other % pages == place % pages)
                .map(|(_, owner)| *owner)
                .collect();
            for (victim, page) in victims {
                let first = page * PAGE;
                let room = self.live.file(victim).map_or(0, <[u8]>::len) as u64;
                let fits = usize::try_from(room.saturating_sub(first)).unwrap_or(0);
                if let Some(new) = new.get(..new.len().min(fits))
                    && !new.is_empty()
                {
                    self.change(Change::Write(victim, first, new.to_vec()));
                }
            }
        }
    }

    /// Everything written so far becomes durable, or is said to.
    pub(super) fn settle(&mut self) -> Result<(), Fault> {
        self.settles += 1;
        if self.nature.failing_settles.contains(&self.settles) {
            let mut kept = Vec::new();
            for change in std::mem::take(&mut self.log) {
                match change {
                    Change::Write(file, at, bytes) if self.seed.chance(50) => {
                        // The kernel marks such pages clean: what reads back is what the medium has.
                        let zeros = vec![0; bytes.len()];
                        self.live.apply(&Change::Write(file, at, zeros));
                    }
                    other => kept.push(other),
                }
            }
            self.log = kept;
            return Err(Fault::new(
                FaultKind::Other,
                "making the destination durable",
                "input/output error",
            ));
        }
        if self.nature.lies {
            return Ok(());
        }
        for change in std::mem::take(&mut self.log) {
            self.durable.apply(&change);
        }
        Ok(())
    }

    /// Replaces a small file durably, if its folder is durable.
    pub(super) fn replace(&mut self, path: &str, bytes: &[u8]) -> Result<(), Fault> {
        let doing = format!("replacing {path}");
        let beside = format!("{path}.new");
        let before = self.log.len();
        self.change(Change::Remove(beside.clone()));
        let Some(file) = self.new_file(&beside) else {
            return Err(Fault::new(FaultKind::Missing, doing, "no such folder"));
        };
        self.write(file, 0, bytes)?;
        if !self.change(Change::Rename(beside, path.to_owned())) {
            return Err(Fault::new(
                FaultKind::Exists,
                doing,
                "a folder is in the way",
            ));
        }
        if !self.nature.lies {
            let mut parent = path;
            let mut durable = true;
            while let Some((folder, _)) = parent.rsplit_once('/') {
                durable &= self.durable.at(folder) == Some(Named::Folder);
                parent = folder;
            }
            if durable {
                // Should the name have been moved before, the journal writes both moves, in their order.
                let moved = |change: &Change| matches!(change, Change::Rename(_, to) if to == path);
                let again = self.log.iter().take(before).any(moved);
                for change in self.log.split_off(if again { 0 } else { before }) {
                    self.durable.apply(&change);
                }
            }
        }
        Ok(())
    }

    fn crash(&mut self) {
        let mut log = std::mem::take(&mut self.log);
        match self.seed.below(3) {
            0 => log.clear(),
            1 => {
                let keep = self.seed.below(log.len() as u64 + 1);
                log.truncate(usize::try_from(keep).unwrap_or(0));
                self.tear(log.last_mut());
            }
            _ => {
                let seed = &mut self.seed;
                log.retain(|_| seed.chance(60));
                for at in 0..log.len() {
                    if self.seed.chance(20) {
                        self.tear(log.get_mut(at));
                    }
                }
            }
        }
        for change in log {
            self.durable.apply(&change);
        }
        self.live = self.durable.clone();
    }

    fn tear(&mut self, change: Option<&mut Change>) {
        if let Some(Change::Write(_, _, bytes)) = change {
            let keep = self.seed.below(bytes.len() as u64 / 512 + 1) * 512;
            bytes.truncate(usize::try_from(keep).unwrap_or(0));
        }
    }
}
