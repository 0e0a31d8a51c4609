//! What the registries on the drives tell of people: which profiles there are, and where their folders really lie.
//!
//! Invariants: hives are read where they lie, with their logs applied in memory; nothing is written. What lies outside of
//! every surveyed volume is one open point with everything in it named; a folder that was moved within reach, a stale
//! hive and a profile that was deleted are sentences.

use super::kept::{PointKept, VolumeKept};
use crate::ledger::{Ledger, LedgerError};
use crate::port::Sectors;
use crate::read::content::ContentReader;
use crate::step::outcome::PersonSeen;
use crate::survey::hive::{At, CUSTOMARY, Current, Hive, Profile, ShellFolder};
use crate::survey::item::Kind;
use crate::value::{Moment, Name};
use crate::volume::layout::Layout;
use rusqlite::params;
use std::collections::BTreeMap;
use std::sync::Arc;

/// Largest hive that is read (they are held in memory; real ones stay below 200 MiB, engineering judgement).
const LARGEST: u64 = 512 << 20;
/// Profiles of one installation that are looked at.
const MOST_PROFILES: usize = 1024;
/// Things named in one point; the others are counted.
const NAMED: usize = 20;

/// What the registries of one volume tell.
#[derive(Debug, Default)]
pub struct Registry {
    /// Profiles that an installation lists, with the folder that the installation lies in (empty: the root).
    profiles: Vec<(Vec<String>, Profile)>,
    /// Folders of one person: where the profile lies, and what its hive says.
    folders: Vec<(Vec<String>, Vec<ShellFolder>)>,
    /// Hives that told nothing: whose, and why.
    silent: Vec<(String, String)>,
    /// Hives that may be older than what the owner last saw: whose, and why.
    stale: Vec<(String, String)>,
    /// The letter that the installation on this volume gave it; `None` = there is no installation.
    letter: Option<char>,
}

/// Records of the volume that is being surveyed, while they are at hand.
struct Records<'a> {
    ledger: &'a Ledger,
    sectors: &'a Arc<dyn Sectors>,
}

struct Entry {
    record: i64,
    name: String,
    is_folder: bool,
    bytes: u64,
    layout: Option<Vec<u8>>,
}

impl Records<'_> {
    fn children(&self, parent: i64) -> Result<Vec<Entry>, LedgerError> {
        let doing = "looking for registries";
        let mut query = self.ledger.doing(
            doing,
            self.ledger.db().prepare_cached(
                "SELECT record, name, wide, kind, bytes, layout FROM temp.found WHERE parent = ?1 AND stream IS NULL AND record <> ?1 LIMIT 20000",
            ),
        )?;
        let rows = query
            .query_map(params![parent], |row| {
                let name: Vec<u8> = row.get(1)?;
                let kind = crate::ledger::row::kind_from(row.get(3)?);
                Ok(Entry {
                    record: row.get(0)?,
                    name: Name::from_stored(&name, row.get(2)?).text(),
                    is_folder: kind == Kind::Folder,
                    bytes: row.get::<_, i64>(4)? as u64,
                    layout: row.get(5)?,
                })
            })
            .and_then(Iterator::collect::<rusqlite::Result<Vec<_>>>);
        self.ledger.doing(doing, rows)
    }

    /// The folder at `parts` below `from`; names compare as Windows compares them.
    fn folder(&self, from: i64, parts: &[&str]) -> Result<Option<i64>, LedgerError> {
        let mut at = from;
        for part in parts {
            let all = self.children(at)?;
            match all
                .iter()
                .find(|entry| entry.is_folder && alike(&entry.name, part))
            {
                Some(entry) => at = entry.record,
                None => return Ok(None),
            }
        }
        Ok(Some(at))
    }

    /// The hive `name` in the folder `at` with its logs; `None` = there is none.
    fn hive(&self, at: i64, name: &str) -> Result<Option<Result<Hive, String>>, LedgerError> {
        let all = self.children(at)?;
        let of = |ending: &str| {
            let wanted = format!("{name}{ending}");
            all.iter()
                .find(|entry| !entry.is_folder && alike(&entry.name, &wanted))
        };
        let Some(entry) = of("") else {
            return Ok(None);
        };
        let logs: Vec<Vec<u8>> = [".LOG", ".LOG1", ".LOG2"]
            .iter()
            .filter_map(|ending| of(ending))
            // A log that cannot be read does not help; the hive then says that it is stale.
            .filter_map(|entry| self.bytes(entry).ok())
            .collect();
        let logs: Vec<&[u8]> = logs.iter().map(Vec::as_slice).collect();
        Ok(Some(self.bytes(entry).and_then(|bytes| {
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
        let reader = ContentReader::new(layout, self.sectors.as_ref());
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

fn alike(a: &str, b: &str) -> bool {
    a.to_lowercase() == b.to_lowercase()
}

/// Reads the registries of the volume whose records stand in the survey's table; `root` is its root's record.
pub fn read(
    ledger: &Ledger,
    sectors: &Arc<dyn Sectors>,
    root: i64,
) -> Result<Registry, LedgerError> {
    let records = Records { ledger, sectors };
    let mut out = Registry::default();
    let mut installations = vec![(Vec::new(), root)];
    for entry in records.children(root)? {
        if entry.is_folder && entry.name.to_lowercase().starts_with("windows.old") {
            installations.push((vec![entry.name], entry.record));
        }
    }
    for (at, record) in installations {
        let whose = |name: &str| [at.as_slice(), &[name.to_owned()]].concat().join("/");
        let mut letter = CUSTOMARY;
        if let Some(config) = records.folder(record, &["Windows", "System32", "config"])?
            && let Some(hive) = records.hive(config, "SOFTWARE")?
        {
            let told = hive.and_then(|hive| {
                let profiles = hive.profiles().map_err(|e| e.found)?;
                letter = hive.own_letter().unwrap_or(CUSTOMARY);
                Ok((profiles, hive.current().clone()))
            });
            out.letter.get_or_insert(letter);
            let of = whose("Windows");
            if let Some(profiles) = out.hear(of, told) {
                out.profiles
                    .extend(profiles.into_iter().map(|profile| (at.clone(), profile)));
            }
        }
        for holder in ["Users", "Documents and Settings"] {
            let Some(users) = records.folder(record, &[holder])? else {
                continue;
            };
            for entry in records.children(users)?.into_iter().take(MOST_PROFILES) {
                if !entry.is_folder {
                    continue;
                }
                let Some(hive) = records.hive(entry.record, "NTUSER.DAT")? else {
                    continue;
                };
                // The paths in it were written when an earlier installation was at the root.
                let then = [holder.to_owned(), entry.name.clone()];
                let told = hive.and_then(|hive| {
                    let folders = hive.folders(&then, letter).map_err(|e| e.found)?;
                    Ok((folders, hive.current().clone()))
                });
                let place = [at.as_slice(), &then].concat();
                if let Some(folders) = out.hear(place.join("/"), told) {
                    out.folders.push((place, folders));
                }
            }
        }
    }
    Ok(out)
}

impl Registry {
    fn hear<T>(&mut self, of: String, told: Result<(T, Current), String>) -> Option<T> {
        match told {
            Ok((value, current)) => {
                if let Current::Stale { why } = current {
                    self.stale.push((of, why));
                }
                Some(value)
            }
            Err(why) => {
                self.silent.push((of, why));
                None
            }
        }
    }
}

/// Puts what the registries tell where it belongs: on the people page, into the volumes' rules, into one point.
pub fn settle(
    ledger: &Ledger,
    registries: &[(i64, Registry)],
    volumes: &mut [VolumeKept],
    people: &mut Vec<PersonSeen>,
    points: &mut Vec<PointKept>,
) -> Result<(), LedgerError> {
    let surveyed: Vec<(i64, String)> = volumes
        .iter()
        .filter(|volume| volume.state == crate::step::outcome::VolumeState::Surveyed)
        .map(|volume| (volume.number, volume.word()))
        .collect();
    let reach = Reach {
        ledger,
        volumes: &surveyed,
    };
    let letters = letters(registries);
    let mut elsewhere = Vec::new();
    for (own, registry) in registries {
        let word = surveyed
            .iter()
            .find(|(number, _)| number == own)
            .map(|(_, word)| word.clone())
            .unwrap_or_default();
        if let Some(volume) = volumes.iter_mut().find(|volume| volume.number == *own) {
            for (of, why) in &registry.stale {
                volume.rule.push_str(&format!(
                    "; the registry of {of} may be older than what its owner last saw ({why})"
                ));
            }
        }
        let letter = letters.get(own).copied();
        elsewhere.extend(super::links::away(&reach, *own, letter)?);
        let letter = letter.unwrap_or(CUSTOMARY);
        for (of, why) in &registry.silent {
            elsewhere.push(format!(
                "whether anything of {of} lies elsewhere is not known, because its registry told nothing ({why})"
            ));
        }
        for (profile, folders) in &registry.folders {
            let who = profile.join("/");
            for folder in folders.iter().filter(|folder| folder.redirected) {
                let name = in_words(&folder.name);
                let target = shown(&folder.at);
                let words = |(volume, _)| format!(" ({})", reach.word(volume));
                let found = match &folder.at {
                    At::Profile(_) => Some(String::new()),
                    At::System(parts) => reach.find(*own, true, parts)?.map(words),
                    At::Letter(of, parts) => reach.find(*own, *of == letter, parts)?.map(words),
                    At::Network(_) | At::Unknown(_) => None,
                };
                let note = format!("{name} -> {target}{}", found.as_deref().unwrap_or(""));
                let line = people
                    .iter_mut()
                    .find(|line| line.volume == word && alike(&line.profile, &who));
                if let Some(line) = line {
                    line.redirected.retain(|known| known != name);
                    line.redirected.push(note);
                }
                if found.is_none() {
                    elsewhere.push(format!("{name} of {who} lies at {target}"));
                }
            }
        }
        for (at, profile) in &registry.profiles {
            // Only people: the system's own profiles have short identifiers.
            if !(profile.sid.starts_with("S-1-5-21-") || profile.sid.starts_with("S-1-12-")) {
                continue;
            }
            let (Some(At::Letter(of, parts)), Some(raw)) = (&profile.at, &profile.raw) else {
                continue;
            };
            let here = *of == letter;
            let moved = [at.as_slice(), parts.as_slice()].concat();
            match (
                reach.find(*own, here, &moved)?,
                reach.find(*own, here, parts)?,
            ) {
                (Some((volume, id)), _) | (None, Some((volume, id))) => {
                    let (word, path) = (
                        reach.word(volume),
                        if volume == *own { &moved } else { parts },
                    );
                    let path = path.join("/");
                    let is_known = people
                        .iter()
                        .any(|line| line.volume == word && alike(&line.profile, &path));
                    if !is_known {
                        people.push(count(ledger, id, path, word)?);
                    }
                }
                // Deleted with its folder, or the folder was renamed: then it has a line of its own.
                (None, None) if here => {
                    if let Some(volume) = volumes.iter_mut().find(|volume| volume.number == *own) {
                        volume.rule.push_str(&format!(
                            "; a profile is listed at {} and has no folder there",
                            raw.replace('\\', "/")
                        ));
                    }
                }
                (None, None) => elsewhere.push(format!(
                    "the profile at {} is on no volume of this job",
                    raw.replace('\\', "/")
                )),
            }
        }
    }
    elsewhere.sort();
    elsewhere.dedup();
    if !elsewhere.is_empty() {
        points.push(point(&elsewhere));
    }
    Ok(())
}

/// The letters that volumes went by: what the installation on one says of itself, and for one without an installation
/// the letter under which another one lists a profile that lies there.
fn letters(registries: &[(i64, Registry)]) -> BTreeMap<i64, char> {
    let mut out: BTreeMap<i64, char> = registries
        .iter()
        .filter_map(|(volume, registry)| Some((*volume, registry.letter?)))
        .collect();
    let listed = registries.iter().flat_map(|(_, registry)| {
        let own = registry.letter;
        registry.profiles.iter().filter_map(move |(_, profile)| {
            let Some(At::Letter(letter, parts)) = &profile.at else {
                return None;
            };
            (own != Some(*letter)).then(|| (*letter, parts.join("/")))
        })
    });
    for (letter, path) in listed {
        let mut lies = registries.iter().filter(|(_, registry)| {
            registry.letter.is_none()
                && (registry.folders.iter()).any(|(place, _)| alike(&place.join("/"), &path))
        });
        // Two volumes that both have it tell nothing.
        if let (Some((volume, _)), None) = (lies.next(), lies.next()) {
            out.entry(*volume).or_insert(letter);
        }
    }
    out
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
        lost: "nothing that lies there is among the copies".into(),
        evidence: elsewhere.join("; "),
        remedy: "put that drive on hold too, or save it where it lies; or the owner says that nothing is missing:\nholdpoint waive JOB --point redirected-elsewhere --decided-by owner --how signed --name NAME --reason TEXT".into(),
        bytes: 0,
    }
}

/// What can be reached in this job.
pub(super) struct Reach<'a> {
    pub(super) ledger: &'a Ledger,
    volumes: &'a [(i64, String)],
}

impl Reach<'_> {
    fn word(&self, volume: i64) -> String {
        let found = self.volumes.iter().find(|(number, _)| *number == volume);
        found.map(|(_, word)| word.clone()).unwrap_or_default()
    }

    /// The folder at this path: on the volume `own` itself first, then on any other. `here` says whether the path's letter
    /// may be that of `own`: under another letter, what `own` has at the same path is something else. Which letter each of
    /// the others had is not asked: one that has the path is in the job whatever its letter was.
    pub(super) fn find(
        &self,
        own: i64,
        here: bool,
        parts: &[String],
    ) -> Result<Option<(i64, i64)>, LedgerError> {
        if parts.is_empty() {
            return Ok(None);
        }
        let all = self.volumes.iter().map(|(number, _)| *number);
        let mut order: Vec<i64> = all.filter(|number| here || *number != own).collect();
        order.sort_by_key(|number| *number != own);
        for volume in order {
            if let Some(id) = self.folder(volume, parts)? {
                return Ok(Some((volume, id)));
            }
        }
        Ok(None)
    }

    fn folder(&self, volume: i64, parts: &[String]) -> Result<Option<i64>, LedgerError> {
        let mut at = -volume;
        for part in parts {
            let mut next = None;
            self.ledger.each_child(at, |row, _| {
                if row.kind == Kind::Folder && row.stream.is_none() && alike(&row.name.text(), part)
                {
                    next = Some(row.id);
                }
            })?;
            match next {
                Some(id) => at = id,
                None => return Ok(None),
            }
        }
        Ok(Some(at))
    }
}

/// A line for a profile that lies where no profiles usually lie.
fn count(
    ledger: &Ledger,
    id: i64,
    profile: String,
    volume: String,
) -> Result<PersonSeen, LedgerError> {
    use crate::survey::sort::{Sort, sort_of};
    let mut line = PersonSeen {
        profile,
        volume,
        last_used: None,
        bytes: 0,
        photos: 0,
        documents: 0,
        mail: 0,
        newest: None,
        placeholders: 0,
        efs: 0,
        redirected: Vec::new(),
    };
    let mut stack = vec![id];
    while let Some(folder) = stack.pop() {
        ledger.each_child(folder, |row, _| {
            if row.kind == Kind::Folder {
                stack.push(row.id);
            }
            if row.kind != Kind::File {
                return;
            }
            line.bytes = line.bytes.saturating_add(row.bytes);
            if row.stream.is_some() {
                return;
            }
            use crate::survey::item::Mark;
            line.placeholders += u64::from(row.marks.has(Mark::Placeholder));
            line.efs += u64::from(row.marks.has(Mark::Efs));
            match sort_of(&row.name.text()) {
                Sort::Mail => line.mail += 1,
                Sort::Picture | Sort::Film => line.photos += 1,
                Sort::Document => line.documents += 1,
                _ => {}
            }
            let at = (row.modified_ns != 0).then_some(Moment(i128::from(row.modified_ns)));
            line.newest = line.newest.max(at);
            line.last_used = line.last_used.max(at);
        })?;
    }
    Ok(line)
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
