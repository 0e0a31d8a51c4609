//! The people page: a line per profile with what a customer recognises, counted while the tree
//! is walked and kept in the ledger.

use super::drive::Home;
use crate::job::{Job, ledger_problem};
use crate::ledger::{Ledger, LedgerError};
use crate::read::places::Places;
use crate::step::outcome::{PersonSeen, Problem};
use crate::survey::item::Kind;
use crate::survey::person::{People, ROOT};
use crate::value::{Moment, Name};

/// Where things belong that lie in no profile.
pub const NOBODY: &str = "outside of every profile";

/// The setting that holds the lines.
const KEY: &str = "people";
/// The setting that holds their folders.
const HOMES: &str = "homes";
/// The settings that a survey keeps of people.
pub const TOLD: [&str; 2] = [KEY, HOMES];

/// The lines of a finished walk. `own` is the name of the root, for a root that is a profile itself.
pub fn lines(people: &People, own: &str, volume: &str) -> Vec<PersonSeen> {
    let moment = |ns: Option<i64>| ns.map(|ns| Moment(i128::from(ns)));
    people
        .list()
        .iter()
        .filter(|person| person.is_profile || person.all.items > 0)
        .map(|person| PersonSeen {
            profile: match (person.profile.as_str(), person.is_profile) {
                (ROOT, true) => own.to_owned(),
                (ROOT, false) => NOBODY.to_owned(),
                (profile, _) => profile.to_owned(),
            },
            volume: volume.to_owned(),
            last_used: moment(person.last_used),
            bytes: person.all.bytes,
            photos: person.photos.items,
            documents: person.documents.items,
            mail: person.mail.items,
            newest: moment(person.newest),
            placeholders: person.placeholders,
            efs: person.efs,
            redirected: person.redirected.clone(),
        })
        .collect()
}

/// Keeps the lines.
pub fn keep(ledger: &Ledger, lines: &[PersonSeen]) -> Result<(), LedgerError> {
    ledger.set(KEY, &serde_json::to_string(lines).unwrap_or_default())
}

/// Keeps the people's folders on drives, and what was moved out of them.
pub fn keep_homes(ledger: &Ledger, homes: &[Home]) -> Result<(), LedgerError> {
    ledger.set(HOMES, &serde_json::to_string(homes).unwrap_or_default())
}

/// A line per profile, as the newest survey counted them.
pub fn people(job: &Job<'_>) -> Result<Vec<PersonSeen>, Problem> {
    let text = job.ledger.get(KEY).map_err(|e| ledger_problem(&e))?;
    Ok(text
        .and_then(|text| serde_json::from_str(&text).ok())
        .unwrap_or_default())
}

/// Name of the folder on hold.
pub fn own_name(job: &Job<'_>) -> String {
    let path = job.setup.folder.as_ref().map(|kept| kept.path.path());
    path.and_then(|path| {
        path.file_name()
            .map(|name| Name::of(&name.to_string_lossy()).text())
    })
    .unwrap_or_else(|| "folder".into())
}

/// A folder that is a profile.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct ProfileFolder {
    /// Its own name.
    pub name: String,
    /// Its path, with the volume's word before it on drives.
    pub path: String,
    /// Its path from the root of the volume, as the people page shows it.
    pub within: String,
    /// The whole path, exact.
    pub parts: Vec<Vec<u8>>,
    /// It belongs to an earlier installation.
    pub earlier: bool,
    /// The person's folders that were moved to elsewhere in the job, as `parts`.
    pub also: Vec<Vec<Vec<u8>>>,
}

/// Folders that are profiles, wherever they lie.
pub fn profile_folders(job: &Job<'_>) -> Result<Vec<ProfileFolder>, Problem> {
    let is_holder = |name: &str| {
        ["users", "home", "documents and settings"].contains(&name.to_lowercase().as_str())
    };
    let folders_in = |id: i64| {
        let mut out = Vec::new();
        job.ledger
            .each_child(id, |item, _| {
                if item.kind == Kind::Folder && item.stream.is_none() {
                    out.push((item.id, item.name.text(), item.name.path_part()));
                }
            })
            .map_err(|e: LedgerError| ledger_problem(&e))?;
        Ok::<_, Problem>(out)
    };
    let mut holders: Vec<(i64, Vec<Vec<u8>>, bool)> = Vec::new();
    for base in super::find::bases(job)? {
        let mut at = Vec::new();
        if !base.word.is_empty() {
            at.push(base.word.clone().into_bytes());
        }
        if base.root == 0 && is_holder(&own_name(job)) {
            holders.push((0, at.clone(), false));
        }
        for (id, name, exact) in folders_in(base.root)? {
            let here = [at.as_slice(), std::slice::from_ref(&exact)].concat();
            if is_holder(&name) {
                holders.push((id, here, false));
            } else if name.to_lowercase().starts_with("windows.old") {
                for (id, name, exact) in folders_in(id)? {
                    if is_holder(&name) {
                        let here = [here.as_slice(), std::slice::from_ref(&exact)].concat();
                        holders.push((id, here, true));
                    }
                }
            }
        }
    }
    let mut out = Vec::new();
    let from = usize::from(!job.setup.drives.is_empty());
    let profile = |name: String, parts: Vec<Vec<u8>>, earlier| ProfileFolder {
        name,
        path: Name::Bytes(parts.join(&b'/')).text(),
        within: Name::Bytes(parts.get(from..).unwrap_or_default().join(&b'/')).text(),
        parts,
        earlier,
        also: Vec::new(),
    };
    for (id, at, earlier) in holders {
        for (_, name, exact) in folders_in(id)? {
            let parts = [at.as_slice(), std::slice::from_ref(&exact)].concat();
            out.push(profile(name, parts, earlier));
        }
    }
    let text = job.ledger.get(HOMES).map_err(|e| ledger_problem(&e))?;
    let homes: Vec<Home> = text
        .and_then(|text| serde_json::from_str(&text).ok())
        .unwrap_or_default();
    let bases = super::find::bases(job)?;
    let mut places = Places::new(&job.ledger);
    let mut parts_of = |id: i64, volume: i64| {
        let place = places.of(id).map_err(|e| ledger_problem(&e))?;
        let word = bases.iter().find(|base| base.root == -volume);
        let word = word.map(|base| base.word.clone().into_bytes());
        Ok::<_, Problem>(word.into_iter().chain(place.parts()).collect::<Vec<_>>())
    };
    for home in homes {
        let parts = parts_of(home.id, home.volume)?;
        let mut also = Vec::new();
        for id in home.also {
            let volume = match id {
                root if root < 0 => -root,
                _ => {
                    let item = job.ledger.item(id).map_err(|e| ledger_problem(&e))?;
                    item.map_or(0, |(item, _)| item.volume)
                }
            };
            also.push(parts_of(id, volume)?);
        }
        match out.iter_mut().find(|known| known.parts == parts) {
            Some(known) => known.also = also,
            None => {
                let name = home.place.last().cloned().unwrap_or_default();
                let earlier = home.place.len() > home.then.len();
                out.push(ProfileFolder {
                    also,
                    ..profile(name, parts, earlier)
                });
            }
        }
    }
    Ok(out)
}
