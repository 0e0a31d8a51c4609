//! A folder on a simulated drive, as the engine holds it.
//!
//! Invariant: a handle from before the drive was unplugged reaches nothing any more.

use super::disk::LifeDisk;
use super::files::{Change, Named};
use crate::port::{
    Below, Content, Destination, DestinationFacts, Fault, FaultKind, Stamp, Writing,
};
use std::sync::Arc;

/// A folder on a drive.
pub struct LifeDestination {
    disk: Arc<LifeDisk>,
    since: u64,
    /// Path of the folder on the drive, without slashes at its ends; empty = the root.
    within: String,
    shown: String,
}

fn fault(kind: FaultKind, doing: &str, path: &str, why: &str) -> Fault {
    Fault::new(kind, format!("{doing} {path}"), why)
}

impl LifeDestination {
    /// Opens a folder; `make` = makes it, durably, when it is not there.
    pub fn open(disk: Arc<LifeDisk>, within: &str, shown: &str, make: bool) -> Result<Self, Fault> {
        let since = {
            let mut state = disk.enter(None)?;
            if state.live.at(within) != Some(Named::Folder) {
                let folder = Change::Folder(within.to_owned());
                if !make || !state.change(folder.clone()) {
                    return Err(fault(
                        FaultKind::Missing,
                        "opening",
                        shown,
                        "no such folder",
                    ));
                }
                if !state.nature.lies {
                    state.durable.apply(&folder);
                }
            }
            state.plugged
        };
        Ok(Self {
            disk,
            since,
            within: within.to_owned(),
            shown: shown.to_owned(),
        })
    }

    fn full(&self, path: &str) -> String {
        match (self.within.is_empty(), path.is_empty()) {
            (true, _) => path.to_owned(),
            (_, true) => self.within.clone(),
            _ => format!("{}/{path}", self.within),
        }
    }

    fn changed(&self, doing: &str, path: &str, change: Change) -> Result<(), Fault> {
        let mut state = self.disk.enter_to_write(Some(self.since))?;
        if state.change(change) {
            Ok(())
        } else {
            Err(fault(FaultKind::Missing, doing, path, "it does not fit"))
        }
    }
}

impl Destination for LifeDestination {
    fn facts(&self) -> Result<DestinationFacts, Fault> {
        let state = self.disk.enter(Some(self.since))?;
        Ok(self.disk.facts(&state, &self.shown))
    }

    fn make_folder(&self, path: &str) -> Result<(), Fault> {
        let mut state = self.disk.enter_to_write(Some(self.since))?;
        let mut so_far = String::new();
        for part in path.split('/') {
            if !so_far.is_empty() {
                so_far.push('/');
            }
            so_far.push_str(part);
            let full = self.full(&so_far);
            match state.live.at(&full) {
                Some(Named::Folder) => {}
                Some(Named::File(_)) => {
                    return Err(fault(FaultKind::Exists, "making", path, "a file is there"));
                }
                None => {
                    state.change(Change::Folder(full));
                }
            }
        }
        Ok(())
    }

    fn create(&self, path: &str, bytes: u64) -> Result<Box<dyn Writing>, Fault> {
        let mut state = self.disk.enter_to_write(Some(self.since))?;
        let full = self.full(path);
        if state.live.at(&full).is_some() {
            return Err(fault(FaultKind::Exists, "creating", path, "it is there"));
        }
        if state.nature.largest_file.is_some_and(|most| bytes > most) {
            return Err(fault(
                FaultKind::CannotHold,
                "creating",
                path,
                "file too large",
            ));
        }
        let Some(file) = state.new_file(&full) else {
            return Err(fault(
                FaultKind::Missing,
                "creating",
                path,
                "no such folder",
            ));
        };
        Ok(Box::new(LifeWriting {
            disk: self.disk.clone(),
            since: self.since,
            file,
        }))
    }

    fn write_over(&self, path: &str) -> Result<Box<dyn Writing>, Fault> {
        let state = self.disk.enter_to_write(Some(self.since))?;
        let Some(Named::File(file)) = state.live.at(&self.full(path)) else {
            return Err(fault(FaultKind::Missing, "opening", path, "no such file"));
        };
        drop(state);
        Ok(Box::new(LifeWriting {
            disk: self.disk.clone(),
            since: self.since,
            file,
        }))
    }

    fn link(&self, existing: &str, path: &str) -> Result<(), Fault> {
        let mut state = self.disk.enter_to_write(Some(self.since))?;
        if !state.nature.hard_links {
            return Err(fault(
                FaultKind::Other,
                "linking",
                path,
                "not supported here",
            ));
        }
        let (from, to) = (self.full(existing), self.full(path));
        let Some(Named::File(file)) = state.live.at(&from) else {
            return Err(fault(
                FaultKind::Missing,
                "linking",
                existing,
                "no such file",
            ));
        };
        if state.live.at(&to).is_some() {
            return Err(fault(FaultKind::Exists, "linking", path, "it is there"));
        }
        if state.change(Change::Link(file, to)) {
            Ok(())
        } else {
            Err(fault(FaultKind::Missing, "linking", path, "no such folder"))
        }
    }

    fn rename(&self, from: &str, to: &str) -> Result<(), Fault> {
        let change = Change::Rename(self.full(from), self.full(to));
        self.changed("renaming", from, change)
    }

    fn remove(&self, path: &str) -> Result<(), Fault> {
        let mut state = self.disk.enter_to_write(Some(self.since))?;
        let full = self.full(path);
        match state.live.at(&full) {
            None => Ok(()),
            Some(Named::Folder) => Err(fault(FaultKind::Other, "removing", path, "a folder")),
            Some(Named::File(_)) => {
                state.change(Change::Remove(full));
                Ok(())
            }
        }
    }

    fn remove_folder(&self, path: &str) -> Result<(), Fault> {
        let mut state = self.disk.enter_to_write(Some(self.since))?;
        let full = self.full(path);
        if state.live.at(&full).is_none() || state.change(Change::RemoveFolder(full)) {
            Ok(())
        } else {
            Err(fault(FaultKind::Other, "removing", path, "not empty"))
        }
    }

    fn settle(&self) -> Result<(), Fault> {
        self.disk.fate.sync()?;
        self.disk.enter_to_write(Some(self.since))?.settle()
    }

    fn open(&self, path: &str) -> Result<Box<dyn Content>, Fault> {
        let state = self.disk.enter(Some(self.since))?;
        match state.live.at(&self.full(path)) {
            Some(Named::File(file)) => Ok(Box::new(LifeReading {
                disk: self.disk.clone(),
                since: self.since,
                file,
            })),
            Some(Named::Folder) => Err(fault(FaultKind::Other, "opening", path, "a folder")),
            None => Err(fault(FaultKind::Missing, "opening", path, "no such file")),
        }
    }

    fn each(&self, path: &str, see: &mut dyn FnMut(Below<'_>)) -> Result<(), Fault> {
        let full = self.full(path);
        let below = {
            let state = self.disk.enter(Some(self.since))?;
            if state.live.at(&full) != Some(Named::Folder) {
                return Err(fault(FaultKind::Missing, "listing", path, "no such folder"));
            }
            let sized = |(path, named): (String, Named)| {
                let bytes = match named {
                    Named::Folder => None,
                    Named::File(file) => Some(state.live.file(file).map_or(0, <[u8]>::len) as u64),
                };
                (path, bytes)
            };
            let below = state.live.below(&full).into_iter().map(sized);
            below.collect::<Vec<_>>()
        };
        let cut = if self.within.is_empty() {
            0
        } else {
            self.within.len() + 1
        };
        for (path, bytes) in below {
            see(Below {
                path: path.get(cut..).unwrap_or_default(),
                is_folder: bytes.is_none(),
                bytes: bytes.unwrap_or(0),
                written: None,
            });
        }
        Ok(())
    }

    fn read_small(&self, path: &str) -> Result<Option<Vec<u8>>, Fault> {
        let mut state = self.disk.enter(Some(self.since))?;
        let bytes = state.live.read(&self.full(path)).map(<[u8]>::to_vec);
        if let (Some(bytes), false) = (&bytes, state.nature.cached) {
            state.fetched += bytes.len() as u64;
        }
        Ok(bytes)
    }

    fn write_small(&self, path: &str, bytes: &[u8]) -> Result<(), Fault> {
        self.disk.fate.sync()?;
        let full = self.full(path);
        self.disk
            .enter_to_write(Some(self.since))?
            .replace(&full, bytes)
    }

    fn fetched_bytes(&self) -> Option<u64> {
        Some(self.disk.state().fetched)
    }
}

struct LifeWriting {
    disk: Arc<LifeDisk>,
    since: u64,
    file: u64,
}

impl Writing for LifeWriting {
    fn write_at(&mut self, at: u64, bytes: &[u8]) -> Result<(), Fault> {
        let mut state = self.disk.enter_to_write(Some(self.since))?;
        let mut bytes = bytes.to_vec();
        self.disk.memory.pass(&mut bytes);
        state.write(self.file, at, &bytes)
    }

    fn settle(&mut self) -> Result<(), Fault> {
        self.disk.fate.sync()?;
        self.disk.enter_to_write(Some(self.since))?.settle()
    }

    fn finish(self: Box<Self>, bytes: u64) -> Result<(), Fault> {
        let mut state = self.disk.enter_to_write(Some(self.since))?;
        if state.change(Change::Length(self.file, bytes)) {
            Ok(())
        } else {
            Err(fault(
                FaultKind::Missing,
                "finishing",
                "a file",
                "no such file",
            ))
        }
    }
}

struct LifeReading {
    disk: Arc<LifeDisk>,
    since: u64,
    file: u64,
}

impl Content for LifeReading {
    fn stamp(&self) -> Result<Stamp, Fault> {
        let state = self.disk.enter(Some(self.since))?;
        let bytes = state.live.file(self.file).map_or(0, <[u8]>::len) as u64;
        Ok(Stamp {
            device: state.nature.device,
            inode: self.file,
            bytes,
            allocated: bytes.next_multiple_of(4096),
            names: 1,
            ..Stamp::default()
        })
    }

    fn read_at(&self, at: u64, buf: &mut [u8]) -> Result<usize, Fault> {
        let mut state = self.disk.enter(Some(self.since))?;
        let count = {
            let Some(bytes) = state.live.file(self.file) else {
                return Err(fault(
                    FaultKind::Missing,
                    "reading",
                    "a file",
                    "no such file",
                ));
            };
            let start = usize::try_from(at).unwrap_or(usize::MAX).min(bytes.len());
            let end = start.saturating_add(buf.len()).min(bytes.len());
            let (Some(from), Some(to)) = (bytes.get(start..end), buf.get_mut(..end - start)) else {
                return Ok(0);
            };
            to.copy_from_slice(from);
            self.disk.memory.pass(to);
            to.len()
        };
        if !state.nature.cached {
            state.fetched += count as u64;
        }
        Ok(count)
    }

    fn data_after(&self, at: u64) -> Result<Option<(u64, u64)>, Fault> {
        let state = self.disk.enter(Some(self.since))?;
        let length = state.live.file(self.file).map_or(0, <[u8]>::len) as u64;
        Ok((at < length).then(|| (at, length - at)))
    }
}
