//! What the registries on the drives tell of people: which profiles there are, and where their folders really lie.
//!
//! Invariants: the registry of every profile is opened, wherever the profile lies; what lies outside of every surveyed
//! volume, or nobody can say where, is one open point with everything in it named; so is a registry that tells nothing or
//! nothing certain, or is not there. A folder that was moved within reach counts as its owner's; a profile that was deleted is a sentence.

use super::hives::{Shelf, alike};
use super::kept::{Format, PointKept, VolumeKept};
use super::letters::{Installed, Letters, Lies};
use super::moved::{Home, claim};
use crate::ledger::{ItemRow, LedgerError, Want};
use crate::step::outcome::{PersonSeen, VolumeState};
use crate::survey::class::is_program_folder;
use crate::survey::hive::{At, CUSTOMARY, Current, Profile, ShellFolder};
use crate::survey::item::Kind;
use crate::survey::mounted::Mounted;
use crate::survey::person::is_registry;
use crate::survey::root::looks_like_profile;
use std::collections::BTreeSet;

/// Things named in one point; the others are counted.
const NAMED: usize = 20;
/// A person's registry; the second one is that of a prescribed profile, which nobody's changes reach (Microsoft, "Mandatory user profiles").
const HIVES: [&str; 2] = ["NTUSER.DAT", "NTUSER.MAN"];

/// What was read so far.
#[derive(Default)]
struct Told {
    installed: Vec<Installed>,
    /// Profiles that an installation lists: its volume, the folder that it lies in (empty: the root), the profile.
    listed: Vec<(i64, Vec<String>, Profile)>,
    homes: Vec<Home>,
    /// What may lie where this job does not reach, each in words.
    elsewhere: Vec<String>,
}

impl Told {
    fn hear<T>(&mut self, of: &str, told: Result<(T, Current), String>) -> Option<T> {
        match told {
            Ok((value, current)) => {
                if let Current::Stale { why } = current {
                    self.elsewhere.push(format!(
                        "whether anything of {of} lies elsewhere is not certain, because its registry may be older than what its owner last saw ({why})"
                    ));
                }
                Some(value)
            }
            Err(why) => {
                self.elsewhere.push(format!(
                    "whether anything of {of} lies elsewhere is not known, because its registry told nothing ({why})"
                ));
                None
            }
        }
    }

    /// The installations of a volume, the profiles that they list, and the people's folders where they usually lie.
    fn look(&mut self, shelf: &Shelf<'_>, volume: i64) -> Result<(), LedgerError> {
        let root = -volume;
        let mut places = vec![(Vec::new(), root)];
        for (id, name) in shelf.folders_in(root)? {
            if name.to_lowercase().starts_with("windows.old") {
                places.push((vec![name], id));
            }
        }
        for (at, folder) in places {
            if let Some(config) = shelf.folder(folder, &["Windows", "System32", "config"])?
                && let Some(hive) = shelf.hive(config, "SOFTWARE")?
            {
                let mut letter = CUSTOMARY;
                let told = hive.and_then(|hive| {
                    letter = hive.own_letter().unwrap_or(CUSTOMARY);
                    let profiles = hive.profiles().map_err(|e| e.found)?;
                    Ok((profiles, hive.current().clone()))
                });
                let of = [at.as_slice(), &["Windows".to_owned()]].concat().join("/");
                if let Some(profiles) = self.hear(&of, told) {
                    let profiles = profiles.into_iter();
                    self.listed
                        .extend(profiles.map(|profile| (volume, at.clone(), profile)));
                }
                if !self.installed.iter().any(|one| one.volume == volume) {
                    // Without the list, letters are not known, and every folder that needs one says so.
                    let mounted = shelf
                        .hive(config, "SYSTEM")?
                        .and_then(Result::ok)
                        .and_then(|hive| hive.mounted().ok());
                    self.installed.push(Installed {
                        volume,
                        letter,
                        mounted: mounted.unwrap_or_default(),
                    });
                }
            }
            for holder in ["Users", "Documents and Settings"] {
                let Some(users) = shelf.folder(folder, &[holder])? else {
                    continue;
                };
                for (id, name) in shelf.folders_in(users)? {
                    // The paths in its registry were written when an earlier installation was at the root.
                    let then = vec![holder.to_owned(), name];
                    self.homes.push(Home::of(volume, id, &at, then));
                }
            }
        }
        Ok(())
    }
}

/// Puts what the registries tell where it belongs: on the people page, into the volumes' rules, into one point. `signs` are
/// what lists of drive letters know the volumes by. What comes back are the people's folders and what was moved out of them.
pub fn settle(
    shelf: &Shelf<'_>,
    signs: &[(i64, Mounted)],
    volumes: &mut [VolumeKept],
    people: &mut Vec<PersonSeen>,
    points: &mut Vec<PointKept>,
) -> Result<Vec<Home>, LedgerError> {
    let mut told = Told::default();
    let of_windows: Vec<i64> = volumes
        .iter()
        .filter(|volume| volume.format == Format::Ntfs && volume.state == VolumeState::Surveyed)
        .map(|volume| volume.number)
        .collect();
    for volume in &of_windows {
        told.look(shelf, *volume)?;
    }
    let letters = Letters::of(shelf, &told.installed, signs, &told.listed)?;
    for volume in of_windows {
        let away = super::links::away(shelf, &letters, volume)?;
        told.elsewhere.extend(away);
    }
    for volume in volumes.iter() {
        let of_linux = matches!(volume.format, Format::Ext | Format::Xfs | Format::Btrfs);
        if of_linux && volume.state == VolumeState::Surveyed {
            let away = super::links::away_from_homes(shelf, volume.number)?;
            told.elsewhere.extend(away);
        }
    }
    // Those in the usual places have their lines.
    let usual = told.homes.len();
    let mut listed = BTreeSet::new();
    for (own, at, profile) in std::mem::take(&mut told.listed) {
        // Only people: the system's own profiles have short identifiers.
        if !(profile.sid.starts_with("S-1-5-21-") || profile.sid.starts_with("S-1-12-")) {
            continue;
        }
        let (Some(At::Letter(of, parts)), Some(raw)) = (&profile.at, &profile.raw) else {
            continue;
        };
        let raw = raw.replace('\\', "/");
        let lies = letters.lies(own, *of);
        let Lies::On(volume) = lies else {
            told.elsewhere.push(format!(
                "the profile at {raw} is on no volume of this job{}",
                guess(shelf, lies, parts)?
            ));
            continue;
        };
        let mut found = None;
        if volume == own && !at.is_empty() {
            let moved = [at.as_slice(), parts].concat();
            found = shelf.on(volume, &moved)?.map(|id| (id, at.as_slice()));
        }
        if found.is_none() {
            found = shelf.on(volume, parts)?.map(|id| (id, &[][..]));
        }
        match found {
            Some((id, at)) => {
                // What is left in an earlier installation of a profile that went on to the next is no loss.
                if at.is_empty() {
                    listed.insert(id);
                }
                if !told.homes.iter().any(|home| home.id == id) {
                    told.homes.push(Home::of(volume, id, at, parts.clone()));
                }
            }
            // Deleted with its folder, or the folder was renamed: then it has a line of its own.
            None if shelf.word(volume).is_some() => {
                if let Some(volume) = volumes.iter_mut().find(|it| it.number == volume) {
                    volume.rule.push_str(&format!(
                        "; a profile is listed at {raw} and has no folder there"
                    ));
                }
            }
            None => told.elsewhere.push(format!(
                "the profile at {raw} is on {}",
                not_listed(volumes, volume)
            )),
        }
    }
    let mut homes = std::mem::take(&mut told.homes);
    for number in 0..homes.len() {
        let Some(home) = homes.get(number).cloned() else {
            continue;
        };
        if number >= usual {
            claim(shelf, &homes, people, number, home.id)?;
        }
        let who = home.place.join("/");
        let letter = letters.letter_of(home.volume).unwrap_or(CUSTOMARY);
        let (mut has_hive, mut folders) = (false, Vec::new());
        for name in HIVES {
            let Some(hive) = shelf.hive(home.id, name)? else {
                continue;
            };
            has_hive = true;
            let heard = hive.and_then(|hive| {
                let folders = hive.folders(&home.then, letter).map_err(|e| e.found)?;
                Ok((folders, hive.current().clone()))
            });
            folders.extend(told.hear(&who, heard).unwrap_or_default());
        }
        if !has_hive && is_in_use(shelf, &home, listed.contains(&home.id))? {
            told.elsewhere.push(format!(
                "whether anything of {who} lies elsewhere is not known, because its registry is not there"
            ));
        }
        for folder in folders {
            if !folder.redirected {
                continue;
            }
            let (found, why) = lies_at(shelf, &letters, volumes, home.volume, &folder)?;
            let (name, target) = (in_words(&folder.name), shown(&folder.at));
            let word = found.and_then(|(volume, _)| shelf.word(volume));
            let word = word.map(|word| format!(" ({word})")).unwrap_or_default();
            if let Some(line) = home.line(shelf, people) {
                line.redirected.retain(|known| known != name);
                line.redirected.push(format!("{name} -> {target}{word}"));
            }
            if let Some((_, id)) = found
                && claim(shelf, &homes, people, number, id)?
                && let Some(home) = homes.get_mut(number)
            {
                home.also.push(id);
            }
            if let Some(why) = why {
                told.elsewhere
                    .push(format!("{name} of {who} lies at {target}{why}"));
            }
        }
    }
    let mut elsewhere = told.elsewhere;
    elsewhere.sort();
    elsewhere.dedup();
    if !elsewhere.is_empty() {
        points.push(point(&elsewhere));
    }
    Ok(homes)
}

/// Whether a home without a registry is somebody's all the same: it has what a person's folder has, or is listed as one, and
/// something is left in it. Patterns for new people, shared folders and those of services are nobody's.
fn is_in_use(shelf: &Shelf<'_>, home: &Home, listed: bool) -> Result<bool, LedgerError> {
    let name = home.place.last().map(|name| name.to_lowercase());
    let nobodys = ["public", "all users", "localservice", "networkservice"];
    if name.is_none_or(|name| name.starts_with("default") || nobodys.contains(&name.as_str())) {
        return Ok(false);
    }
    let mut top = Vec::new();
    let mut stack = Vec::new();
    let mut found = false;
    let mut see = |row: ItemRow, stack: &mut Vec<i64>, top: Option<&mut Vec<String>>| {
        let name = row.name.text();
        let of_system = is_registry(&name)
            || ["desktop.ini", "thumbs.db"]
                .iter()
                .any(|it| alike(it, &name));
        found |= row.kind == Kind::File && row.want != Want::LeftOut && row.bytes > 0 && !of_system;
        // Programs leave something behind of whoever is gone: it tells of somebody only where the installation lists them.
        if row.kind == Kind::Folder && (listed || top.is_none() || !is_program_folder(&name)) {
            stack.push(row.id);
        }
        if let Some(top) = top {
            top.push(name);
        }
    };
    let ledger = shelf.ledger();
    ledger.each_child(home.id, |row, _| see(row, &mut stack, Some(&mut top)))?;
    if !listed && !looks_like_profile(&top) {
        return Ok(false);
    }
    while let Some(folder) = stack.pop() {
        ledger.each_child(folder, |row, _| see(row, &mut stack, None))?;
    }
    Ok(found)
}

/// Where a moved folder lies, if in this job; and what is to be said, if that is not all.
#[allow(clippy::type_complexity)] // two answers to one question
fn lies_at(
    shelf: &Shelf<'_>,
    letters: &Letters,
    volumes: &[VolumeKept],
    own: i64,
    folder: &ShellFolder,
) -> Result<(Option<(i64, i64)>, Option<String>), LedgerError> {
    let (lies, parts) = match &folder.at {
        At::Profile(_) => return Ok((None, None)),
        At::System(parts) => (Lies::On(letters.system_of(own)), parts),
        At::Letter(letter, parts) => (letters.lies(own, *letter), parts),
        At::Network(_) | At::Unknown(_) => return Ok((None, Some(String::new()))),
    };
    let Lies::On(volume) = lies else {
        return Ok((None, Some(guess(shelf, lies, parts)?)));
    };
    Ok(match (shelf.on(volume, parts)?, shelf.word(volume)) {
        (Some(id), _) => (Some((volume, id)), None),
        (None, Some(word)) => (None, Some(format!(", and {word} has no such folder"))),
        (None, None) => (None, Some(format!(", on {}", not_listed(volumes, volume)))),
    })
}

fn not_listed(volumes: &[VolumeKept], volume: i64) -> String {
    let found = volumes.iter().find(|it| it.number == volume);
    found.map_or_else(
        || "a volume that was not surveyed".to_owned(),
        |it| format!("{}, which was not surveyed ({})", it.word(), it.state),
    )
}

/// What is said of a path whose volume is not in this job, or not known.
fn guess(shelf: &Shelf<'_>, lies: Lies, parts: &[String]) -> Result<String, LedgerError> {
    if lies == Lies::Elsewhere {
        return Ok(", a partition that is on no drive of this job".to_owned());
    }
    let mut alike = Vec::new();
    for volume in shelf.volumes().filter(|_| !parts.is_empty()) {
        if shelf.on(volume, parts)?.is_some() {
            alike.extend(shelf.word(volume));
        }
    }
    Ok(match alike.as_slice() {
        [] => String::new(),
        _ => format!(
            ", and which drive that was is not known ({} has a folder of that name)",
            alike.join(", ")
        ),
    })
}

fn point(elsewhere: &[String]) -> PointKept {
    let mut list = elsewhere
        .iter()
        .take(NAMED)
        .cloned()
        .collect::<Vec<_>>()
        .join("; ");
    if elsewhere.len() > NAMED {
        list.push_str(&format!("; and {} more", elsewhere.len() - NAMED));
    }
    PointKept {
        id: "redirected-elsewhere".into(),
        volume: String::new(),
        says: format!("something of the people on these drives may lie where this job does not reach: {list}"),
        lost: "what lies there; it is not among the copies".into(),
        evidence: elsewhere.join("; "),
        remedy: "put that drive on hold too, or save it where it lies; or the owner says that nothing is missing:\nholdpoint waive JOB --point redirected-elsewhere --decided-by owner --how signed --name NAME --reason TEXT".into(),
        bytes: 0,
    }
}

/// What people call the folders that a registry names otherwise (Microsoft, KNOWNFOLDERID).
fn in_words(name: &str) -> &str {
    match name {
        "Personal" => "Documents",
        "My Pictures" => "Pictures",
        "My Music" => "Music",
        "My Video" => "Videos",
        "{374DE290-123F-4565-9164-39C4925E467B}" => "Downloads",
        other => other,
    }
}

fn shown(at: &At) -> String {
    match at {
        At::Profile(parts) => parts.join("/"),
        At::System(parts) => format!("C:/{}", parts.join("/")),
        At::Letter(letter, parts) => format!("{letter}:/{}", parts.join("/")),
        At::Network(parts) => format!("//{} (another machine)", parts.join("/")),
        At::Unknown(raw) => raw.replace('\\', "/"),
    }
}

#[cfg(test)]
#[path = "people_tests.rs"]
pub(super) mod tests;
