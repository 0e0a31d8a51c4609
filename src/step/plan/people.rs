//! The people page: a line per profile with what a customer recognises.
//!
//! Profiles come from the shape of the tree: folders in `Users` or `home`, or the root itself
//! when it is a profile. What lies outside of every profile is a line of its own, because that
//! is where forgotten things are.

use crate::job::{Job, ledger_problem};
use crate::ledger::{ItemRow, LedgerError, Want};
use crate::step::outcome::{PersonSeen, Problem};
use crate::survey::item::{Kind, Mark};
use crate::survey::sort::{Sort, sort_of};
use crate::value::{Moment, Name};
use std::collections::HashMap;

/// Where things belong that lie in no profile.
pub const NOBODY: &str = "outside of every profile";

/// A line per profile.
pub fn people(job: &Job<'_>) -> Result<Vec<PersonSeen>, Problem> {
    let mut owners: HashMap<i64, usize> = HashMap::new();
    let mut lines: Vec<PersonSeen> = Vec::new();
    let mut place = |name: String| {
        lines.push(PersonSeen {
            profile: name,
            volume: "folder".into(),
            last_used: None,
            bytes: 0,
            photos: 0,
            documents: 0,
            mail: 0,
            newest: None,
            placeholders: 0,
            efs: 0,
            redirected: Vec::new(),
        });
        lines.len() - 1
    };
    let profiles = profile_folders(job)?;
    let whole = profiles.is_empty().then(|| place(own_name(job)));
    let nobody = if profiles.is_empty() {
        None
    } else {
        Some(place(NOBODY.to_owned()))
    };
    for (id, name) in &profiles {
        let line = place(name.clone());
        owners.insert(*id, line);
    }
    let root = whole.or(nobody).unwrap_or(0);
    // Items are numbered parents first, so a folder's owner is known before its entries come.
    job.ledger
        .each_item::<LedgerError>("item.want <> 3", |item, _| {
            let line = owners
                .get(&item.id)
                .or_else(|| owners.get(&item.parent))
                .copied()
                .unwrap_or(root);
            if item.kind == Kind::Folder {
                if line != root {
                    owners.insert(item.id, line);
                }
            } else if let Some(person) = lines.get_mut(line) {
                count(person, &item);
            }
            Ok(())
        })
        .map_err(|e| ledger_problem(&e))?;
    lines.retain(|line| line.profile != NOBODY || line.bytes > 0);
    lines.sort_by_key(|line| std::cmp::Reverse(line.bytes));
    Ok(lines)
}

fn count(person: &mut PersonSeen, item: &ItemRow) {
    if item.want == Want::LeftOut {
        return;
    }
    person.bytes += item.bytes;
    let sort = sort_of(&item.name.text());
    match sort {
        Sort::Picture | Sort::Film => person.photos += 1,
        Sort::Document => person.documents += 1,
        Sort::Mail => person.mail += 1,
        _ => {}
    }
    let at = Moment(i128::from(item.modified_ns));
    if item.modified_ns != 0
        && matches!(
            sort,
            Sort::Picture | Sort::Film | Sort::Document | Sort::Mail
        )
    {
        person.newest = person.newest.max(Some(at));
    }
    if item.modified_ns != 0 {
        person.last_used = person.last_used.max(Some(at));
    }
    person.placeholders += u64::from(item.marks.has(Mark::Placeholder));
    person.efs += u64::from(item.marks.has(Mark::Efs));
}

/// The name of the folder on hold, as the one profile of a job without profile folders.
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
