//! The people page: a line per profile with what a customer recognises, counted while the tree
//! is walked and kept in the ledger.

use crate::job::{Job, ledger_problem};
use crate::ledger::{Ledger, LedgerError};
use crate::step::outcome::{PersonSeen, Problem};
use crate::survey::item::Kind;
use crate::survey::person::{People, ROOT};
use crate::value::{Moment, Name};

/// Where things belong that lie in no profile.
pub const NOBODY: &str = "outside of every profile";

/// The setting that holds the lines.
const KEY: &str = "people";

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

/// Folders that are profiles, with their names.
pub fn profile_folders(job: &Job<'_>) -> Result<Vec<(i64, String)>, Problem> {
    let failed = |e: LedgerError| ledger_problem(&e);
    let holder = |name: &str| {
        ["users", "home", "documents and settings"].contains(&name.to_lowercase().as_str())
    };
    let mut holders = Vec::new();
    let own = own_name(job);
    if holder(&own) {
        holders.push(0);
    }
    job.ledger
        .each_child(0, |item, _| {
            if item.kind == Kind::Folder && holder(&item.name.text()) {
                holders.push(item.id);
            }
        })
        .map_err(failed)?;
    let mut out = Vec::new();
    for id in holders {
        job.ledger
            .each_child(id, |item, _| {
                if item.kind == Kind::Folder {
                    out.push((item.id, item.name.text()));
                }
            })
            .map_err(failed)?;
    }
    Ok(out)
}
