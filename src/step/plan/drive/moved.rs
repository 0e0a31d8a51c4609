//! Whose a folder is that lies outside of every profile: the people page counts it as theirs.
//!
//! Invariant: every item stays counted for exactly one line; a folder within a person's folder is that person's.

use super::hives::{Shelf, alike};
use crate::ledger::{LedgerError, Want};
use crate::step::outcome::PersonSeen;
use crate::step::plan::people::NOBODY;
use crate::survey::item::{Kind, Mark};
use crate::survey::sort::{Sort, sort_of};
use crate::value::Moment;
use serde::{Deserialize, Serialize};

/// A person's folder.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Home {
    /// The volume it lies on.
    pub volume: i64,
    /// Its item.
    pub id: i64,
    /// Its path from the root of the volume.
    pub place: Vec<String>,
    /// The same when its installation was in use: an earlier one was at the root.
    pub then: Vec<String>,
    /// Folders of the person that lie elsewhere in the job.
    pub also: Vec<i64>,
}

impl Home {
    /// At `then` below the folder `at` of the volume.
    pub(super) fn of(volume: i64, id: i64, at: &[String], then: Vec<String>) -> Self {
        Self {
            volume,
            id,
            place: [at, then.as_slice()].concat(),
            then,
            also: Vec::new(),
        }
    }

    /// Its line on the people page.
    pub(super) fn line<'p>(
        &self,
        shelf: &Shelf<'_>,
        people: &'p mut [PersonSeen],
    ) -> Option<&'p mut PersonSeen> {
        let word = shelf.word(self.volume)?;
        let place = self.place.join("/");
        people
            .iter_mut()
            .find(|line| line.volume == word && alike(&line.profile, &place))
    }
}

/// Counts the folder `id` for the person whose home is `homes[number]`: off the line that it was on so far. `false` = it is
/// in somebody's folder, or counted already.
pub(super) fn claim(
    shelf: &Shelf<'_>,
    homes: &[Home],
    people: &mut Vec<PersonSeen>,
    number: usize,
    id: i64,
) -> Result<bool, LedgerError> {
    let Some(home) = homes.get(number) else {
        return Ok(false);
    };
    let is_home = id == home.id;
    if is_home && home.line(shelf, people).is_some() {
        return Ok(true);
    }
    let (path, above) = shelf.way_up(id)?;
    // A home within a home is one all the same.
    let is_taken = |id: &i64| {
        homes
            .iter()
            .any(|other| other.id == *id || other.also.contains(id))
    };
    if !is_home && above.iter().any(is_taken) {
        return Ok(false);
    }
    let taken: Vec<i64> = homes
        .iter()
        .flat_map(|other| [other.id].into_iter().chain(other.also.iter().copied()))
        .filter(|other| *other != id)
        .collect();
    let counted = count(shelf, id, &taken)?;
    let volume = -above.last().copied().unwrap_or_default();
    let word = shelf.word(volume).unwrap_or_default().to_owned();
    // The folder nearest above it that has a line, else what is in no profile.
    let path = path.join("/").to_lowercase() + "/";
    let holds = |line: &PersonSeen| path.starts_with(&(line.profile.to_lowercase() + "/"));
    let before = people
        .iter()
        .enumerate()
        .filter(|(_, line)| line.volume == word && (line.profile == NOBODY || holds(line)))
        .max_by_key(|(_, line)| (line.profile != NOBODY, line.profile.len()))
        .map(|(at, _)| at);
    if let Some(line) = before.and_then(|at| people.get_mut(at)) {
        line.bytes = line.bytes.saturating_sub(counted.bytes);
        line.photos = line.photos.saturating_sub(counted.photos);
        line.documents = line.documents.saturating_sub(counted.documents);
        line.mail = line.mail.saturating_sub(counted.mail);
        line.placeholders = line.placeholders.saturating_sub(counted.placeholders);
        line.efs = line.efs.saturating_sub(counted.efs);
    }
    match home.line(shelf, people) {
        Some(line) => {
            line.bytes = line.bytes.saturating_add(counted.bytes);
            line.photos += counted.photos;
            line.documents += counted.documents;
            line.mail += counted.mail;
            line.placeholders += counted.placeholders;
            line.efs += counted.efs;
            line.newest = line.newest.max(counted.newest);
        }
        None => people.push(PersonSeen {
            profile: home.place.join("/"),
            volume: word,
            ..counted
        }),
    }
    Ok(true)
}

/// What is in a folder, less what is in others.
fn count(shelf: &Shelf<'_>, id: i64, less: &[i64]) -> Result<PersonSeen, LedgerError> {
    let mut line = PersonSeen::default();
    let mut stack = vec![id];
    while let Some(folder) = stack.pop() {
        shelf.ledger().each_child(folder, |row, _| {
            if row.kind == Kind::Folder && !less.contains(&row.id) {
                stack.push(row.id);
            }
            if row.kind != Kind::File || row.want == Want::LeftOut {
                return;
            }
            line.bytes = line.bytes.saturating_add(row.bytes);
            if row.stream.is_some() {
                return;
            }
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
