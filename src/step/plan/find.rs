//! From a path that a person types to the items that it means.
//!
//! Invariant: a path that could mean two things is refused with both named; nothing is guessed.

use super::drive::{VolumeKept, volumes};
use crate::job::{Job, ledger_problem};
use crate::ledger::{GotRow, ItemRow, LedgerError};
use crate::step::outcome::Problem;
use crate::value::Name;

/// Where a path begins.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Base {
    /// Parent number of what lies in the root: 0 for the folder on hold, below zero for volumes.
    pub root: i64,
    /// The volume's word; empty for the folder on hold.
    pub word: String,
}

/// What a path means.
pub struct Meant {
    /// Where it begins.
    pub base: Base,
    /// Its parts from there on, as typed.
    pub parts: Vec<Vec<u8>>,
    /// The item; `None` = the root itself.
    pub item: Option<(ItemRow, GotRow)>,
}

/// Every root of the job: that of the folder on hold, or of each volume that was surveyed.
pub fn bases(job: &Job<'_>) -> Result<Vec<Base>, Problem> {
    if job.setup.drives.is_empty() {
        return Ok(vec![Base {
            root: 0,
            word: String::new(),
        }]);
    }
    let all = volumes(job)?;
    Ok(all
        .iter()
        .filter(|volume| volume.state == crate::step::outcome::VolumeState::Surveyed)
        .map(|volume| Base {
            root: volume.root(),
            word: volume.word(),
        })
        .collect())
}

/// What `path` means: `VOLUME/PATH` as a listing shows volume and path, or a path alone when one volume only has it.
/// Names compare exactly; a name that no text can show is typed as the listing shows it.
pub fn find(job: &Job<'_>, path: &[u8]) -> Result<Meant, Problem> {
    let shown = Name::Bytes(path.to_vec()).text();
    let parts: Vec<&[u8]> = path
        .split(|byte| *byte == b'/')
        .filter(|part| !part.is_empty() && *part != b".")
        .collect();
    let failed = |e: LedgerError| ledger_problem(&e);
    let owned = |parts: &[&[u8]]| parts.iter().map(|part| part.to_vec()).collect();
    let bases = bases(job)?;
    let first = parts.first().copied().unwrap_or_default();
    let mut found = Vec::new();
    for base in &bases {
        let rest = if !base.word.is_empty() && base.word.as_bytes() == first {
            parts.get(1..).unwrap_or_default()
        } else {
            parts.as_slice()
        };
        if rest.is_empty() {
            if rest.len() < parts.len() || base.word.is_empty() {
                return Ok(Meant {
                    base: base.clone(),
                    parts: Vec::new(),
                    item: None,
                });
            }
            continue;
        }
        if let Some(item) = descend(job, base.root, rest).map_err(failed)? {
            let meant = Meant {
                base: base.clone(),
                parts: owned(rest),
                item: Some(item),
            };
            if rest.len() < parts.len() {
                return Ok(meant);
            }
            found.push(meant);
        }
    }
    if found.len() > 1 {
        let where_ = found
            .iter()
            .map(|meant| format!("{}/{shown}", meant.base.word))
            .collect::<Vec<_>>()
            .join(", ");
        return Err(Problem::failed(
            format!("more than one volume has this path: {where_}"),
            shown,
            "put the volume's word before the path",
        ));
    }
    found.pop().ok_or_else(|| {
        Problem::failed(
            "no item has this path",
            shown,
            "give the path as this shows it; on drives with its volume before it, as in drive1-volume3/Users:\nholdpoint plan JOB --list",
        )
    })
}

fn descend(
    job: &Job<'_>,
    root: i64,
    parts: &[&[u8]],
) -> Result<Option<(ItemRow, GotRow)>, LedgerError> {
    let mut at = None;
    let mut parent = root;
    for part in parts {
        let Some(found) = child(job, parent, part)? else {
            return Ok(None);
        };
        parent = found.0.id;
        at = Some(found);
    }
    Ok(at)
}

/// The child of this name, however the volume holds names.
fn child(
    job: &Job<'_>,
    parent: i64,
    part: &[u8],
) -> Result<Option<(ItemRow, GotRow)>, LedgerError> {
    if let Some(found) = job
        .ledger
        .child(parent, &Name::Bytes(part.to_vec()), None)?
        .filter(|(row, _)| !row.name.is_wide())
    {
        return Ok(Some(found));
    }
    let Ok(text) = std::str::from_utf8(part) else {
        return Ok(None);
    };
    let wide = Name::Units(text.encode_utf16().collect());
    if let Some(found) = job
        .ledger
        .child(parent, &wide, None)?
        .filter(|(row, _)| row.name.is_wide())
    {
        return Ok(Some(found));
    }
    // A name with units that no text can show is typed with its escapes.
    let mut found = None;
    if text.contains('%') {
        job.ledger.each_child(parent, |row, got| {
            if row.stream.is_none() && !row.name.is_text() && row.name.text() == text {
                found = Some((row, got));
            }
        })?;
    }
    Ok(found)
}

/// The item, its streams, and everything below it.
pub fn everything_below(job: &Job<'_>, meant: &Meant) -> Result<Vec<(ItemRow, GotRow)>, Problem> {
    let failed = |e: LedgerError| ledger_problem(&e);
    let mut stack = Vec::new();
    if let Some((item, got)) = &meant.item {
        job.ledger
            .each_child(item.parent, |other, got| {
                if other.stream.is_some() && other.name == item.name {
                    stack.push((other, got));
                }
            })
            .map_err(failed)?;
        stack.push((item.clone(), got.clone()));
    }
    let mut out = Vec::new();
    while let Some((item, got)) = stack.pop() {
        if item.kind == crate::survey::item::Kind::Folder {
            job.ledger
                .each_child(item.id, |item, got| stack.push((item, got)))
                .map_err(failed)?;
        }
        out.push((item, got));
    }
    Ok(out)
}

/// The volume that a person means by a drive (its number from 1, serial or path) and the volume's number on it.
pub fn volume(job: &Job<'_>, drive: &str, number: u32) -> Result<VolumeKept, Problem> {
    let drives = &job.setup.drives;
    if drives.is_empty() {
        return Err(Problem::failed(
            "this job holds a folder, and a folder is not given up as a volume",
            job.shown(),
            "give up what is open in it; or, when the owner wants nothing of it:\nholdpoint waive JOB --no-rescue --decided-by owner --how signed --name NAME --reason TEXT",
        ));
    }
    // A path means the same drive however it is typed.
    let absolute = job.bench.absolute(std::path::Path::new(drive)).ok();
    let place = drives
        .iter()
        .position(|kept| {
            kept.serial
                .as_deref()
                .is_some_and(|own| own.trim() == drive)
                || kept.path.text == drive
                || absolute
                    .as_ref()
                    .is_some_and(|path| *path == kept.path.path())
        })
        .or_else(|| drive.parse::<usize>().ok().and_then(|n| n.checked_sub(1)))
        .filter(|place| *place < drives.len());
    let all = volumes(job)?;
    let found = place.and_then(|place| {
        all.iter()
            .find(|volume| volume.drive == place && volume.index == number)
    });
    found.cloned().ok_or_else(|| {
        let there = all
            .iter()
            .map(|volume| format!("{}:{} ({})", volume.drive + 1, volume.index, volume.kind))
            .collect::<Vec<_>>()
            .join(", ");
        Problem::failed(
            format!(
                "this job has no volume {drive}:{number}; there is {}",
                if there.is_empty() { "none" } else { &there }
            ),
            job.shown(),
            "holdpoint plan JOB",
        )
    })
}
