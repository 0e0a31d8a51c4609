//! What the ledger keeps of drives besides items: volumes, gaps and the points they leave.

use crate::job::{Job, ledger_problem};
use crate::judge::point::Point;
use crate::ledger::{Fact, FactBody, Ledger, LedgerError};
use crate::read::watched::Watched;
use crate::step::outcome::Problem;
use crate::step::outcome::{GapContent, VolumeState};
use crate::value::words::{WaiverScope, Who};
use crate::volume::filesystem::Place;
use serde::{Deserialize, Serialize};

/// Which reader lists a volume.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
#[allow(missing_docs)] // each is the file system of that name
pub enum Format {
    Ntfs,
    Fat,
    ExFat,
    Ext,
    Xfs,
    Btrfs,
    None,
}

/// One volume of a drive.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct VolumeKept {
    /// Its number in the job, from 1; items refer to it.
    pub number: i64,
    /// Its drive, from 0.
    pub drive: usize,
    /// Its number on the drive, from 1, in order of place.
    pub index: u32,
    /// First byte on the drive.
    pub first_byte: u64,
    /// Length in bytes.
    pub bytes: u64,
    /// Bytes that its file system says it takes; 0 = it does not say. Known while the survey runs.
    #[serde(skip)]
    pub reach: u64,
    /// Place of its boot sector within it.
    pub boot_at: u64,
    /// Who lists it.
    pub format: Format,
    /// What it is, for people.
    pub kind: String,
    /// Its label.
    pub label: Option<String>,
    /// What became of it.
    pub state: VolumeState,
    /// The rule or reason.
    pub rule: String,
    /// Sentences about it: nothing to decide, but worth a word.
    #[serde(default)]
    pub notes: Vec<String>,
}

impl VolumeKept {
    /// Where it lies.
    pub fn place(&self) -> Place {
        Place {
            first_byte: self.first_byte,
            bytes: self.bytes,
        }
    }

    /// Its word in bags and listings.
    pub fn word(&self) -> String {
        format!("drive{}-volume{}", self.drive + 1, self.index)
    }

    /// As decisions and points name it: `DRIVE:N`, the drive from 1.
    pub fn about(&self) -> String {
        format!("{}:{}", self.drive + 1, self.index)
    }

    /// The rule and the sentences, for lists.
    pub fn rule_in_words(&self) -> String {
        let mut all = vec![self.rule.as_str()];
        all.extend(self.notes.iter().map(String::as_str));
        all.join("; ")
    }

    /// Number of the made-up parent of everything in its root.
    pub fn root(&self) -> i64 {
        -self.number
    }
}

/// One gap of a drive.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct GapKept {
    /// Its drive, from 0.
    pub drive: usize,
    /// First byte on the drive.
    pub first_byte: u64,
    /// Length in bytes.
    pub bytes: u64,
    /// What lies in it.
    pub content: GapContent,
}

/// An open point that the survey found.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct PointKept {
    /// Its id.
    pub id: String,
    /// The volume it is about, as `DRIVE:N` (drive from 1), empty for none.
    pub volume: String,
    /// What is open.
    pub says: String,
    /// What is lost.
    pub lost: String,
    /// Where that is known from.
    pub evidence: String,
    /// What to do.
    pub remedy: String,
    /// Bytes it stands for.
    pub bytes: u64,
}

impl PointKept {
    /// A point about a volume.
    pub fn of_volume(id: &str, volume: &VolumeKept, evidence: &str, next: &str) -> Self {
        let which = volume.about();
        let typed = crate::value::typed(std::ffi::OsStr::new(&which));
        let size = crate::value::measure::bytes_in_words(volume.bytes);
        let label = volume
            .label
            .as_ref()
            .map(|label| format!(" \"{label}\""))
            .unwrap_or_default();
        let says = match id {
            "volume-locked" => format!(
                "volume {which}{label} ({}, {size}) is encrypted, so nothing of it is known",
                volume.kind
            ),
            "volume-unrecognised" => format!(
                "volume {which}{label} ({}, {size}) is nothing that this program can read",
                volume.kind
            ),
            "accounts-differ" => format!(
                "the accounts of volume {which}{label} ({}) do not add up",
                volume.kind
            ),
            _ => format!(
                "volume {which}{label} ({}, {size}) could be surveyed in part only",
                volume.kind
            ),
        };
        Self {
            id: id.to_owned(),
            volume: which.clone(),
            says,
            lost: format!("whatever lies in it ({size})"),
            evidence: format!("{which}: {evidence}"),
            remedy: format!(
                "{next}\nor the owner gives it up:\nholdpoint waive JOB --volume {typed} --decided-by owner --how signed --name NAME --reason TEXT"
            ),
            bytes: volume.bytes,
        }
    }

    /// As the gate weighs it.
    pub fn point(&self, who: impl Fn(&str) -> Who) -> Option<Point> {
        let id = crate::judge::point::ORDER
            .iter()
            .find(|known| **known == self.id)?;
        let mut point = Point::plain(
            id,
            who(id),
            self.says.clone(),
            self.lost.clone(),
            self.evidence.clone(),
            self.remedy.clone(),
        );
        point.bytes = self.bytes;
        Some(point)
    }
}

/// One damage, one point: everything that is wrong with the reading of one volume becomes one point, with all of its
/// evidence; what is said of a volume as a whole (locked, unrecognised) takes the rest in.
pub fn merge(points: Vec<PointKept>) -> Vec<PointKept> {
    const RANKS: [&str; 4] = [
        "volume-locked",
        "volume-unrecognised",
        "volume-partly-surveyed",
        "accounts-differ",
    ];
    let rank = |id: &str| RANKS.iter().position(|known| *known == id);
    let mut out: Vec<PointKept> = Vec::new();
    for point in points {
        let known = rank(&point.id).filter(|_| !point.volume.is_empty());
        let (Some(own), Some(first)) = (
            known,
            out.iter_mut()
                .find(|have| have.volume == point.volume && rank(&have.id).is_some()),
        ) else {
            out.push(point);
            continue;
        };
        let mark = format!("{}: ", point.volume);
        if rank(&first.id).is_some_and(|have| own < have) {
            let evidence = first.evidence.strip_prefix(&mark).unwrap_or_default();
            let evidence = format!("{}; {evidence}", point.evidence);
            *first = PointKept { evidence, ..point };
        } else {
            let more = point.evidence.strip_prefix(&mark);
            first.evidence.push_str("; ");
            first.evidence.push_str(more.unwrap_or(&point.evidence));
        }
    }
    out
}

/// The settings that hold what a survey found: volumes, gaps, points.
pub const SURVEYED: [&str; 3] = ["volumes", "gaps", "survey-points"];

/// Keeps what a survey found.
pub fn keep(
    ledger: &Ledger,
    volumes: &[VolumeKept],
    gaps: &[GapKept],
    points: &[PointKept],
) -> Result<(), LedgerError> {
    let text = |value: serde_json::Result<String>| value.unwrap_or_default();
    let [of_volumes, of_gaps, of_points] = SURVEYED;
    ledger.set(of_volumes, &text(serde_json::to_string(volumes)))?;
    ledger.set(of_gaps, &text(serde_json::to_string(gaps)))?;
    ledger.set(of_points, &text(serde_json::to_string(points)))
}

/// The setting that holds what the survey read of drive `drive`.
pub fn watched_key(drive: usize) -> String {
    format!("watched-{drive}")
}

/// Keeps what the survey read of drive `drive`, for a later look whether it still stands there.
pub fn keep_watched(ledger: &Ledger, drive: usize, watched: &Watched) -> Result<(), LedgerError> {
    let text = serde_json::to_string(watched).unwrap_or_default();
    ledger.set(&watched_key(drive), &text)
}

/// What the newest survey read of drive `drive`.
///
/// # Errors
/// When the ledger cannot be read, or what it holds makes no sense.
pub fn watched(job: &Job<'_>, drive: usize) -> Result<Watched, Problem> {
    let text = job
        .ledger
        .get(&watched_key(drive))
        .map_err(|e| ledger_problem(&e))?;
    let Some(text) = text else {
        return Ok(Watched::default());
    };
    serde_json::from_str(&text).map_err(|e| not_understood(job, "watched", &e))
}

fn not_understood(job: &Job<'_>, key: &str, e: &serde_json::Error) -> Problem {
    Problem::failed(
        format!("what the survey found ({key}) cannot be understood: {e}"),
        job.ledger.shown_path(),
        "holdpoint plan JOB",
    )
}

fn kept<T: for<'de> Deserialize<'de>>(job: &Job<'_>, key: &str) -> Result<Vec<T>, Problem> {
    let text = job.ledger.get(key).map_err(|e| ledger_problem(&e))?;
    let Some(text) = text else {
        return Ok(Vec::new());
    };
    // What cannot be understood is not nothing.
    serde_json::from_str(&text).map_err(|e| not_understood(job, key, &e))
}

/// The volumes of the newest survey.
pub fn volumes(job: &Job<'_>) -> Result<Vec<VolumeKept>, Problem> {
    kept(job, SURVEYED[0])
}

/// The gaps of the newest survey.
pub fn gaps(job: &Job<'_>) -> Result<Vec<GapKept>, Problem> {
    kept(job, SURVEYED[1])
}

/// The points of the newest survey.
pub fn points(job: &Job<'_>) -> Result<Vec<PointKept>, Problem> {
    kept(job, SURVEYED[2])
}

/// A volume's word; `folder` for number 0.
pub fn volume_word(volumes: &[VolumeKept], number: i64) -> String {
    volumes
        .iter()
        .find(|volume| volume.number == number)
        .map_or_else(|| "folder".to_owned(), VolumeKept::word)
}

/// Whether the owner gave up this volume, and nothing of it was found otherwise since.
pub fn is_given_up(volume: &VolumeKept, points: &[PointKept], facts: &[Fact]) -> bool {
    let about = volume.about();
    let waivers = || {
        facts.iter().filter_map(|fact| match &fact.body {
            FactBody::Waived { waiver, .. } => Some(waiver),
            _ => None,
        })
    };
    let named = waivers().any(|waiver| waiver.is_about(WaiverScope::Volume, &about));
    named
        && points
            .iter()
            .filter(|point| point.volume == about)
            .filter_map(|point| point.point(|_| Who::Owner))
            .all(|point| {
                waivers().any(|waiver| {
                    waiver.is_about(WaiverScope::Point, point.id) && waiver.set_hash == point.set
                })
            })
}

#[cfg(test)]
mod tests {
    use super::*;

    fn point(id: &str, volume: &str, evidence: &str) -> PointKept {
        PointKept {
            id: id.to_owned(),
            volume: volume.to_owned(),
            says: format!("{id} of {volume}"),
            lost: String::new(),
            evidence: format!("{volume}: {evidence}"),
            remedy: String::new(),
            bytes: 1,
        }
    }

    #[test]
    fn one_damage_is_one_point() {
        // A torn record of Linux `fs/ntfs/layout.h` is a record less, clusters without an owner, and accounts that differ.
        let merged = merge(vec![
            point("lost-volume", "", "byte 7"),
            point("accounts-differ", "1:2", "7 clusters"),
            point("volume-partly-surveyed", "1:2", "a torn record"),
            point("volume-partly-surveyed", "1:2", "the boot copy"),
            point("accounts-differ", "1:3", "alone"),
            point("lost-volume", "", "byte 9"),
        ]);
        let told: Vec<_> = merged
            .iter()
            .map(|point| (point.id.as_str(), point.evidence.as_str()))
            .collect();
        assert_eq!(
            told,
            [
                ("lost-volume", ": byte 7"),
                (
                    "volume-partly-surveyed",
                    "1:2: a torn record; 7 clusters; the boot copy"
                ),
                ("accounts-differ", "1:3: alone"),
                ("lost-volume", ": byte 9"),
            ]
        );
    }
}
