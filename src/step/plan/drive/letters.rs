//! Which volume a drive letter stands for.
//!
//! Invariant: a letter that an installation's own list gives to a partition is that partition and no other; without a
//! list, only a profile that the installation lists there and that one volume alone has makes it known. A like-named folder does not.

use super::hives::Shelf;
use crate::ledger::LedgerError;
use crate::survey::hive::{At, CUSTOMARY, Profile};
use crate::survey::mounted::Mounted;
use std::collections::BTreeMap;

/// What a letter comes to.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Lies {
    /// On this volume of the job.
    On(i64),
    /// On a drive that is not in the job.
    Elsewhere,
    /// Nothing here says.
    NotKnown,
}

/// An installation.
#[derive(Debug)]
pub(super) struct Installed {
    /// The volume it lies on.
    pub(super) volume: i64,
    /// The letter it gave to that volume.
    pub(super) letter: char,
    /// What else it gave letters to.
    pub(super) mounted: Vec<(char, Mounted)>,
}

/// The letters of every installation.
#[derive(Debug, Default)]
pub(super) struct Letters {
    all: Vec<(i64, char, BTreeMap<char, Lies>)>,
}

impl Letters {
    /// `signs` are what lists of letters know the volumes of this job by; `listed` the profiles, each with the volume of its installation.
    pub(super) fn of(
        shelf: &Shelf<'_>,
        installed: &[Installed],
        signs: &[(i64, Mounted)],
        listed: &[(i64, Vec<String>, Profile)],
    ) -> Result<Self, LedgerError> {
        let mut out = Self::default();
        for one in installed {
            let mut by: BTreeMap<char, Lies> = BTreeMap::new();
            for (letter, mounted) in &one.mounted {
                let found = signs.iter().find(|(_, sign)| sign == mounted);
                let lies = found.map_or(Lies::Elsewhere, |(volume, _)| Lies::On(*volume));
                by.insert(*letter, lies);
            }
            by.insert(one.letter, Lies::On(one.volume));
            let own = listed.iter().filter(|(volume, _, _)| *volume == one.volume);
            for (_, _, profile) in own {
                if let Some(At::Letter(letter, parts)) = &profile.at
                    && !by.contains_key(letter)
                    && let Some(volume) = has_profile(shelf, installed, parts)?
                {
                    by.insert(*letter, Lies::On(volume));
                }
            }
            out.all.push((one.volume, one.letter, by));
        }
        Ok(out)
    }

    /// The installation that letters on this volume are meant by: the one on it, one that gave it a letter, the only one there is.
    fn governor(&self, volume: i64) -> Option<&(i64, char, BTreeMap<char, Lies>)> {
        let own = self.all.iter().find(|(own, _, _)| *own == volume);
        let named = || {
            (self.all.iter()).find(|(_, _, by)| by.values().any(|lies| *lies == Lies::On(volume)))
        };
        own.or_else(named).or(match self.all.as_slice() {
            [one] => Some(one),
            _ => None,
        })
    }

    /// The letter that a volume went by; `None` = not known.
    pub(super) fn letter_of(&self, volume: i64) -> Option<char> {
        let (own, letter, by) = self.governor(volume)?;
        if *own == volume {
            return Some(*letter);
        }
        let mut all = by.iter().filter(|(_, lies)| **lies == Lies::On(volume));
        all.next().map(|(letter, _)| *letter)
    }

    /// Where what a hive or link on `volume` says of a letter lies.
    pub(super) fn lies(&self, volume: i64, letter: char) -> Lies {
        match self.governor(volume) {
            Some((_, _, by)) => by.get(&letter).copied().unwrap_or(Lies::NotKnown),
            // An installation whose registry is gone: by custom it called its own drive so.
            None if letter == CUSTOMARY => Lies::On(volume),
            None => Lies::NotKnown,
        }
    }

    /// The volume of the installation that letters on this volume are meant by; the volume itself when there is none.
    pub(super) fn system_of(&self, volume: i64) -> i64 {
        self.governor(volume).map_or(volume, |(own, _, _)| *own)
    }
}

/// Whether a folder has a person's registry, that of a prescribed profile included.
fn has_hive(shelf: &Shelf<'_>, folder: i64) -> Result<bool, LedgerError> {
    Ok(shelf.has(folder, "NTUSER.DAT")? || shelf.has(folder, "NTUSER.MAN")?)
}

/// The one volume without an installation that has a profile there, its registry in it.
fn has_profile(
    shelf: &Shelf<'_>,
    installed: &[Installed],
    parts: &[String],
) -> Result<Option<i64>, LedgerError> {
    let mut found = None;
    for volume in shelf.volumes() {
        if installed.iter().any(|one| one.volume == volume) {
            continue;
        }
        if let Some(folder) = shelf.on(volume, parts)?
            && has_hive(shelf, folder)?
        {
            // Two volumes that both have it tell nothing.
            if found.is_some() {
                return Ok(None);
            }
            found = Some(volume);
        }
    }
    Ok(found)
}
