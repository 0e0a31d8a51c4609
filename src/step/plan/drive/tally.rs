//! What a survey of drives counts by whose it is: placeholders by sync root, and what only keys open by person.
//!
//! Invariant: a hostile volume cannot make more than a bounded number of either.

use super::kept::PointKept;
use crate::job::{Job, ledger_problem};
use crate::ledger::{Ledger, LedgerError};
use crate::step::outcome::Problem;
use crate::value::measure::{bytes_in_words, count_in_words};
use std::collections::BTreeMap;

/// Sync roots, or persons, counted one by one.
const MOST: usize = 1000;
const SYNC_ROOTS: &str = "sync-roots";
const PARTIAL: &str = "placeholders-partly-here";
/// The settings that a survey keeps of what it counted.
pub const TOLD: [&str; 2] = [SYNC_ROOTS, PARTIAL];
/// Those named in a point; the others are counted.
const NAMED_ROOTS: usize = 8;

/// How many files, and how many bytes, of whom.
type Bound = BTreeMap<String, (u64, u64)>;

/// Counts of one survey.
#[derive(Debug, Default)]
pub struct Tally {
    /// Placeholders by sync root.
    sync_roots: BTreeMap<String, u64>,
    /// Placeholders with a part of their content on the drive, and the bytes of it.
    partly_here: (u64, u64),
    /// Saved passwords and logins, which only keys open, and their bytes, by whose they are.
    key_bound: Bound,
    /// Files of encrypted homes, likewise.
    homes: Bound,
}

impl Tally {
    /// Counts a placeholder in the folder that has this place in the bag, with `here` bytes of it on the drive.
    pub fn placeholder(&mut self, bag: &str, here: u64) {
        // A sync root is the folder below a profile that placeholders lie in; elsewhere the first folder.
        let parts: Vec<&str> = bag.split('/').skip(2).take(5).collect();
        let depth = match parts.as_slice() {
            [first, ..] if first.eq_ignore_ascii_case("users") => 3,
            [_, second, ..] if second.eq_ignore_ascii_case("users") => 4,
            _ => 1,
        };
        let root = parts
            .get(..depth.min(parts.len()))
            .unwrap_or_default()
            .join("/");
        if self.sync_roots.len() < MOST || self.sync_roots.contains_key(&root) {
            *self.sync_roots.entry(root).or_default() += 1;
        }
        if here > 0 {
            self.partly_here.0 += 1;
            self.partly_here.1 = self.partly_here.1.saturating_add(here);
        }
    }

    /// Counts a file that only keys open: one of an encrypted home, else a saved password or login.
    pub fn key_bound(&mut self, of_home: bool, whose: Option<&str>, bytes: u64) {
        let whose = whose.unwrap_or("this machine");
        let bound = if of_home {
            &mut self.homes
        } else {
            &mut self.key_bound
        };
        if bound.len() < MOST || bound.contains_key(whose) {
            let (count, sum) = bound.entry(whose.to_owned()).or_default();
            *count += 1;
            *sum = sum.saturating_add(bytes);
        }
    }

    /// That copies of saved passwords and logins, and of encrypted homes, are of use with their keys only.
    pub fn key_bound_points(&self) -> Vec<PointKept> {
        let secrets = point_of(
            &self.key_bound,
            |whose| {
                format!(
                    "passwords and logins that a browser or Windows saved for {whose} are saved, not proved usable: they open with the person's password and the old keys only, some on the old machine only"
                )
            },
            "while the old Windows still starts, have each person export or synchronise the saved passwords, and note which kind of account they log in with, then:",
        );
        let homes = point_of(
            &self.homes,
            |whose| {
                format!(
                    "an encrypted home ({whose}) is copied as it lies, not proved usable: nobody saw what is in it, and it opens with the person's login password only"
                )
            },
            "have the person note the login password, or while the old system still starts, log in and copy the home in clear, then:",
        );
        secrets.into_iter().chain(homes).collect()
    }

    /// Keeps how many placeholders lie in which sync root.
    pub fn keep(&self, ledger: &Ledger) -> Result<(), LedgerError> {
        let (count, bytes) = self.partly_here;
        ledger.set(PARTIAL, &format!("{count} {bytes}"))?;
        ledger.set(
            SYNC_ROOTS,
            &serde_json::to_string(&self.sync_roots).unwrap_or_default(),
        )
    }
}

/// One point about what only keys open; `None` = there is nothing such.
fn point_of(of: &Bound, says: impl Fn(&str) -> String, first: &str) -> Option<PointKept> {
    let bytes = of
        .values()
        .fold(0, |sum: u64, (_, more)| sum.saturating_add(*more));
    let mut all: Vec<_> = of.iter().collect();
    all.first()?;
    all.sort_by_key(|(whose, (count, _))| (std::cmp::Reverse(*count), whose.as_str()));
    let mut words: Vec<String> = all
        .iter()
        .take(NAMED_ROOTS)
        .map(|(whose, (count, _))| format!("{whose} ({})", count_in_words(*count)))
        .collect();
    if all.len() > NAMED_ROOTS {
        words.push(format!("{} more", all.len() - NAMED_ROOTS));
    }
    let whose = words.join(", ");
    Some(PointKept {
        id: "key-bound".into(),
        volume: String::new(),
        says: says(&whose),
        lost: format!(
            "what stands in them ({}), if the keys do not open the copies later",
            bytes_in_words(bytes)
        ),
        evidence: whose,
        remedy: format!(
            "{first}\nholdpoint waive JOB --point key-bound --decided-by owner --how signed --name NAME --reason TEXT"
        ),
        bytes,
    })
}

/// The sync roots with placeholders, in words, and whether there are several; `None` = the survey met none. `decided` says
/// whether somebody decided about one root alone.
pub fn sync_roots(
    job: &Job<'_>,
    decided: &dyn Fn(&str) -> bool,
) -> Result<Option<(String, bool)>, Problem> {
    let text = job.ledger.get(SYNC_ROOTS).map_err(|e| ledger_problem(&e))?;
    let roots: BTreeMap<String, u64> = text
        .and_then(|text| serde_json::from_str(&text).ok())
        .unwrap_or_default();
    if roots.is_empty() {
        return Ok(None);
    }
    let mut all: Vec<(&String, &u64)> = roots.iter().collect();
    all.sort_by_key(|(root, count)| (std::cmp::Reverse(**count), root.as_str()));
    let mut words: Vec<String> = all
        .iter()
        .take(NAMED_ROOTS)
        .map(|(root, count)| {
            let given_up = if decided(root) { ", decided" } else { "" };
            format!("{root} ({}{given_up})", count_in_words(**count))
        })
        .collect();
    if all.len() > NAMED_ROOTS {
        words.push(format!("{} more", all.len() - NAMED_ROOTS));
    }
    let partial = job.ledger.get(PARTIAL).map_err(|e| ledger_problem(&e))?;
    if let Some((count, bytes)) = partial.as_deref().and_then(|text| text.split_once(' '))
        && let (Ok(count @ 1..), Ok(bytes)) = (count.parse(), bytes.parse())
    {
        words.push(format!(
            "{} of them with a part of their content on the drive ({}), which is not copied",
            count_in_words(count),
            bytes_in_words(bytes)
        ));
    }
    Ok(Some((words.join(", "), all.len() > 1)))
}
