//! The list of the volumes as a shelf: folders by their path, registry hives by their name, read where they lie.
//!
//! Invariants: a name is looked up by itself, whatever number of others stands beside it; a hive's logs are applied in
//! memory; nothing is written.

use super::kept::VolumeKept;
use crate::ledger::row::{kind_code, kind_from};
use crate::ledger::{Ledger, LedgerError};
use crate::port::Sectors;
use crate::read::content::ContentReader;
use crate::step::outcome::VolumeState;
use crate::survey::hive::Hive;
use crate::survey::item::Kind;
use crate::value::Name;
use crate::volume::layout::Layout;
use rusqlite::params;
use std::sync::Arc;

/// Largest hive that is read (they are held in memory; real ones stay below 200 MiB, engineering judgement).
const LARGEST: u64 = 512 << 20;

/// What was listed, and the drives that it lies on.
pub(super) struct Shelf<'a> {
    ledger: &'a Ledger,
    drives: &'a [Arc<dyn Sectors>],
    /// Number, word and drive of every volume that was surveyed.
    volumes: Vec<(i64, String, usize)>,
}

struct Entry {
    id: i64,
    is_folder: bool,
    bytes: u64,
    layout: Option<Vec<u8>>,
    volume: i64,
}

impl<'a> Shelf<'a> {
    /// Of a survey whose items are all listed.
    pub(super) fn new(
        ledger: &'a Ledger,
        drives: &'a [Arc<dyn Sectors>],
        volumes: &[VolumeKept],
    ) -> Self {
        let volumes = volumes
            .iter()
            .filter(|volume| volume.state == VolumeState::Surveyed);
        Self {
            ledger,
            drives,
            volumes: volumes
                .map(|volume| (volume.number, volume.word(), volume.drive))
                .collect(),
        }
    }

    /// The ledger.
    pub(super) fn ledger(&self) -> &'a Ledger {
        self.ledger
    }

    /// Numbers of the volumes that were surveyed.
    pub(super) fn volumes(&self) -> impl Iterator<Item = i64> {
        self.volumes.iter().map(|(number, _, _)| *number)
    }

    /// The volume's word; `None` = it was not surveyed.
    pub(super) fn word(&self, volume: i64) -> Option<&str> {
        let found = self.volumes.iter().find(|(number, _, _)| *number == volume);
        found.map(|(_, word, _)| word.as_str())
    }

    /// The number of the volume with this word; `None` = none such was surveyed.
    pub(super) fn number(&self, word: &str) -> Option<i64> {
        let found = self.volumes.iter().find(|(_, have, _)| have == word);
        found.map(|(number, _, _)| *number)
    }

    fn entry(&self, parent: i64, name: &str) -> Result<Option<Entry>, LedgerError> {
        let doing = "looking for registries";
        // Windows compares units by pairs of single units, so that names which are alike are of one length.
        let mut query = self.ledger.doing(
            doing,
            self.ledger.db().prepare_cached(
                "SELECT id, name, wide, kind, bytes, layout, volume FROM item WHERE parent = ?1 AND stream IS NULL AND (wide = 0 OR length(name) = ?2)",
            ),
        )?;
        let length = 2 * name.encode_utf16().count() as i64;
        let mut rows = self
            .ledger
            .doing(doing, query.query(params![parent, length]))?;
        while let Some(row) = self.ledger.doing(doing, rows.next())? {
            let read = || -> rusqlite::Result<Option<Entry>> {
                let stored = row.get_ref(1)?.as_blob().unwrap_or_default();
                if !alike(&Name::from_stored(stored, row.get(2)?).text(), name) {
                    return Ok(None);
                }
                Ok(Some(Entry {
                    id: row.get(0)?,
                    is_folder: kind_from(row.get(3)?) == Kind::Folder,
                    bytes: row.get::<_, i64>(4)? as u64,
                    layout: row.get(5)?,
                    volume: row.get(6)?,
                }))
            };
            if let Some(entry) = self.ledger.doing(doing, read())? {
                return Ok(Some(entry));
            }
        }
        Ok(None)
    }

    /// The folder at `parts` below the folder `from` (below zero: a volume's root); names compare as Windows compares them.
    pub(super) fn folder<T: AsRef<str>>(
        &self,
        from: i64,
        parts: &[T],
    ) -> Result<Option<i64>, LedgerError> {
        let mut at = from;
        for part in parts {
            match self
                .entry(at, part.as_ref())?
                .filter(|entry| entry.is_folder)
            {
                Some(entry) => at = entry.id,
                None => return Ok(None),
            }
        }
        Ok(Some(at))
    }

    /// The folder at `parts` of a volume, if that was surveyed and has it.
    pub(super) fn on(&self, volume: i64, parts: &[String]) -> Result<Option<i64>, LedgerError> {
        match self.word(volume) {
            Some(_) => self.folder(-volume, parts),
            None => Ok(None),
        }
    }

    /// Whether a volume has, at this path, a file or a folder with something in it.
    pub(super) fn holds(&self, volume: i64, parts: &[String]) -> Result<bool, LedgerError> {
        let (Some((last, above)), Some(_)) = (parts.split_last(), self.word(volume)) else {
            return Ok(false);
        };
        let Some(folder) = self.folder(-volume, above)? else {
            return Ok(false);
        };
        let Some(entry) = self.entry(folder, last)? else {
            return Ok(false);
        };
        let mut any = false;
        if entry.is_folder {
            self.ledger.each_child(entry.id, |_, _| any = true)?;
        }
        Ok(any || !entry.is_folder)
    }

    /// Folders directly in a folder.
    pub(super) fn folders_in(&self, parent: i64) -> Result<Vec<(i64, String)>, LedgerError> {
        let doing = "looking for registries";
        let mut query = self.ledger.doing(
            doing,
            self.ledger.db().prepare_cached(
                "SELECT id, name, wide FROM item WHERE parent = ?1 AND kind = ?2 AND stream IS NULL",
            ),
        )?;
        let rows = query
            .query_map(params![parent, kind_code(Kind::Folder)], |row| {
                let name: Vec<u8> = row.get(1)?;
                Ok((row.get(0)?, Name::from_stored(&name, row.get(2)?).text()))
            })
            .and_then(Iterator::collect::<rusqlite::Result<Vec<_>>>);
        self.ledger.doing(doing, rows)
    }

    /// The path of a folder from the root of its volume, and those it lies in: itself first, the root (below zero) last.
    pub(super) fn way_up(&self, folder: i64) -> Result<(Vec<String>, Vec<i64>), LedgerError> {
        let (mut parts, mut above, mut at) = (Vec::new(), Vec::new(), folder);
        while at > 0
            && let Some((parent, name)) = self.ledger.name_of(at)?
        {
            parts.push(name.text());
            above.push(at);
            at = parent;
        }
        parts.reverse();
        above.push(at);
        Ok((parts, above))
    }

    /// Whether the folder has a file of that name.
    pub(super) fn has(&self, folder: i64, name: &str) -> Result<bool, LedgerError> {
        Ok(self
            .entry(folder, name)?
            .is_some_and(|entry| !entry.is_folder))
    }

    /// The hive `name` in a folder with its logs; `None` = there is none.
    pub(super) fn hive(
        &self,
        folder: i64,
        name: &str,
    ) -> Result<Option<Result<Hive, String>>, LedgerError> {
        let Some(entry) = self.entry(folder, name)?.filter(|entry| !entry.is_folder) else {
            return Ok(None);
        };
        let mut logs = Vec::new();
        for ending in [".LOG", ".LOG1", ".LOG2"] {
            // A log that cannot be read does not help; the hive then says that it is stale.
            if let Some(log) = self.entry(folder, &format!("{name}{ending}"))?
                && let Ok(bytes) = self.bytes(&log)
            {
                logs.push(bytes);
            }
        }
        let logs: Vec<&[u8]> = logs.iter().map(Vec::as_slice).collect();
        Ok(Some(self.bytes(&entry).and_then(|bytes| {
            Hive::open(&bytes, &logs).map_err(|e| e.found)
        })))
    }

    fn bytes(&self, entry: &Entry) -> Result<Vec<u8>, String> {
        if entry.bytes > LARGEST {
            return Err(format!("it is {} bytes long", entry.bytes));
        }
        let layout = entry
            .layout
            .as_deref()
            .and_then(Layout::from_bytes)
            .ok_or("it has no content that can be read here")?;
        let volume = self.volumes.iter().find(|(it, _, _)| *it == entry.volume);
        let sectors = volume
            .and_then(|(_, _, drive)| self.drives.get(*drive))
            .ok_or("its drive is not here")?;
        let reader = ContentReader::new(layout, sectors.as_ref());
        let mut out = Vec::new();
        let mut buf = vec![0u8; 1 << 20];
        let missing = reader
            .stream(&mut buf, &mut |_, part, _| out.extend_from_slice(part))
            .map_err(|fault| fault.to_string())?;
        match missing.first() {
            None => Ok(out),
            Some((from, _)) => Err(format!("it cannot be read at byte {from}")),
        }
    }
}

/// Whether two names are one to Windows.
pub(super) fn alike(a: &str, b: &str) -> bool {
    a.to_lowercase() == b.to_lowercase()
}
