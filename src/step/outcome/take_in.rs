//! Results of `open`, `assess` and `plan`.

use super::{DriveKind, GapContent, ItemState, Route, State, VolumeState};
use crate::drive::signal::Signal;
pub use crate::job::OtherDrive;
use crate::survey::item::{Class, Kind, Mark};
use crate::value::{Blake3, Moment, Probability, Sha256};
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

/// Result of `open`.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Opened {
    /// The job folder.
    pub job: String,
    /// Exact bytes of `job` in hex, when it is no text.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub raw: Option<String>,
    /// Always `hold`.
    pub state: State,
    /// The drives on hold. A folder job has none, or the one that recorded replies describe.
    pub drives: Vec<DriveOnHold>,
    /// Other internal drives of this machine that are not in the job.
    pub others: Vec<OtherDrive>,
    /// Where copies will go.
    pub destinations: Vec<DestinationSeen>,
}

/// A drive on hold.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct DriveOnHold {
    /// Device or image.
    pub path: String,
    /// Exact bytes of `path` in hex, when it is no text.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub raw: Option<String>,
    /// As the drive reports it; `null` = not known.
    pub model: Option<String>,
    /// As the drive reports it; `null` = not known.
    pub serial: Option<String>,
    /// As the drive reports it; `null` = not known.
    pub firmware: Option<String>,
    /// Capacity in bytes as accessible now.
    pub bytes: Option<u64>,
    /// Logical sector size in bytes.
    pub sector_bytes: Option<u32>,
    /// What stores the bytes.
    pub kind: DriveKind,
    /// Fingerprint of the contents, lower-case hex; `null` = sectors could not be read (or must not be).
    pub fingerprint: Option<String>,
    /// How the drive is held.
    pub hold: Hold,
}

/// How a drive is held.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub struct Hold {
    /// Whether the kernel refuses ordinary writes to the whole disk, as read back after setting it.
    pub kernel_read_only: bool,
    /// What that covers, or why it could not be set.
    pub why: String,
}

/// One destination, looked at when the job was opened.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub struct DestinationSeen {
    /// The folder.
    pub path: String,
    /// Exact bytes of `path` in hex, when it is no text.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub raw: Option<String>,
    /// Free bytes for us.
    pub free_bytes: u64,
    /// Type of the file system.
    pub file_system: String,
    /// Whether it shares no disk with the drives on hold nor with another destination.
    pub independent: bool,
    /// Why it is not (or only for practice).
    pub why: Option<String>,
}

/// Result of `assess`.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Assessed {
    /// One entry per drive.
    pub drives: Vec<DriveAssessed>,
}

/// Reading and forecast of one drive.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct DriveAssessed {
    /// As the drive reports it; `null` = not known.
    pub serial: Option<String>,
    /// What the drive says of itself.
    pub reading: ReadingShown,
    /// What that means for the copy.
    pub forecast: ForecastShown,
}

/// One health reading.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct ReadingShown {
    /// When.
    pub taken: Moment,
    /// Whether any health page could be read at all.
    pub readable: bool,
    /// Why not; `null` when it was.
    pub why_not: Option<String>,
    /// Every decoded field under the standard's own name in snake case; absent ones `null`, with
    /// the reason under the same name in `decoded_why` (which stands here as well).
    pub decoded: serde_json::Map<String, serde_json::Value>,
    /// Why each absent field of `decoded` is absent.
    #[serde(default)]
    pub decoded_why: serde_json::Map<String, serde_json::Value>,
    /// The evidence.
    pub signals: Vec<Signal>,
}

/// The computed chance of losing the drive, or files, while copying.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct ForecastShown {
    /// How to copy.
    pub route: Route,
    /// Chance that the drive dies during the copy.
    pub drive_lost: ChanceRange,
    /// Files that the medium damages.
    pub files_hit: FilesHit,
    /// Duration of the copy; `null` = not known (nothing was sampled).
    pub hours: HoursRange,
    /// Every factor.
    pub working: Vec<WorkingLine>,
}

/// A chance as a range.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct ChanceRange {
    /// Lower end.
    pub low: Probability,
    /// Middle.
    pub mid: Probability,
    /// Upper end.
    pub high: Probability,
}

/// The chance that at least one wanted file is damaged, and how many to expect.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct FilesHit {
    /// Lower end of the chance that at least one is hit.
    pub low: Probability,
    /// Upper end of it.
    pub high: Probability,
    /// Files to expect with gaps; `null` = not known before the plan.
    pub expected: Option<Finite>,
}

/// Hours as a range.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct HoursRange {
    /// Lower end.
    pub low: Option<Finite>,
    /// Middle.
    pub mid: Option<Finite>,
    /// Upper end.
    pub high: Option<Finite>,
}

impl HoursRange {
    /// Lower and upper end in hours; `None` = not known.
    pub fn ends(&self) -> Option<(f64, f64)> {
        Some((self.low?.get(), self.high?.get()))
    }
}

/// A number that JSON can hold: never negative, NaN or infinite.
#[derive(Debug, Clone, Copy, PartialEq, PartialOrd, Serialize, Deserialize, JsonSchema)]
#[serde(transparent)]
pub struct Finite(f64);

impl Finite {
    /// The largest value; what a number without bound (or NaN) becomes, because not knowing is never good news.
    pub const MOST: f64 = 1e9;

    /// Clamps into `0..=MOST`.
    pub fn new(value: f64) -> Self {
        if value.is_nan() {
            Self(Self::MOST)
        } else {
            Self(value.clamp(0.0, Self::MOST))
        }
    }

    /// The number.
    pub fn get(self) -> f64 {
        self.0
    }
}

/// One factor of the forecast.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub struct WorkingLine {
    /// Which factor.
    pub factor: String,
    /// Its value, with unit or range.
    pub value: String,
    /// Where it comes from: a reading, a paper, or "engineering judgement".
    pub source: String,
}

/// Result of `plan`.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Planned {
    /// Every volume of every drive.
    pub volumes: Vec<VolumeSeen>,
    /// Every gap between volumes.
    pub gaps: Vec<GapSeen>,
    /// Whose things are there.
    pub people: Vec<PersonSeen>,
    /// What the owner named.
    pub must_haves: Vec<MustHave>,
    /// Items to copy.
    pub items: u64,
    /// Their bytes.
    pub bytes: u64,
    /// Items found, by class.
    pub by_class: ByClass,
    /// Files no longer at the source of which there is a copy: it is kept, and all that there is.
    #[serde(default)]
    pub gone: super::Amount,
    /// Files no longer at the source that were not copied before: lost.
    #[serde(default)]
    pub gone_uncopied: super::Amount,
    /// What the policy leaves out.
    pub left_out: Vec<LeftOut>,
    /// Bytes that belong to nothing we know.
    pub unaccounted_bytes: u64,
    /// The order of copying.
    pub order: Vec<OrderStep>,
    /// Every item; only with `--list`.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub listing: Option<Vec<ListingItem>>,
}

/// One volume.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub struct VolumeSeen {
    /// Serial of the drive, or its path when it has none; `folder` for a folder job.
    pub drive: String,
    /// Number on its drive, counted from 1.
    pub index: u32,
    /// First byte on the drive.
    pub start: u64,
    /// Length in bytes.
    pub bytes: u64,
    /// File system or partition kind.
    pub kind: String,
    /// Its label; `null` = none or not known.
    pub label: Option<String>,
    /// What became of it.
    pub state: VolumeState,
    /// The rule or reason for that.
    pub rule: String,
}

/// Bytes between volumes, or of a table that divides the drive.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub struct GapSeen {
    /// Serial of the drive, or its path when it has none.
    pub drive: String,
    /// First byte on the drive.
    pub start: u64,
    /// Length in bytes.
    pub bytes: u64,
    /// What lies in it.
    pub content: GapContent,
}

/// One profile.
#[derive(Debug, Clone, Default, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub struct PersonSeen {
    /// Name of the profile.
    pub profile: String,
    /// Volume that holds it, as in the bag.
    pub volume: String,
    /// Last used; `null` = not known.
    pub last_used: Option<Moment>,
    /// Bytes of its items.
    pub bytes: u64,
    /// Photos and films.
    pub photos: u64,
    /// Documents.
    pub documents: u64,
    /// Mail stores and messages.
    pub mail: u64,
    /// When its newest item was written; `null` = not known.
    pub newest: Option<Moment>,
    /// Items whose content is not on the drive.
    pub placeholders: u64,
    /// Items encrypted with the profile's own key.
    pub efs: u64,
    /// Folders that lead elsewhere.
    pub redirected: Vec<String>,
}

/// One thing that the owner named.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub struct MustHave {
    /// In the owner's words.
    pub asked: String,
    /// Paths that a person tied to it.
    pub found: Vec<String>,
    /// Whether a person answered it (found, or "not here").
    pub answered: bool,
}

/// Items found, by class.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub struct ByClass {
    /// Made by a person, exists nowhere else.
    pub irreplaceable: super::Amount,
    /// Could be made again with much work.
    pub hard_to_replace: super::Amount,
    /// Can be bought or downloaded again.
    pub replaceable: super::Amount,
    /// Comes back by itself.
    pub rebuildable: super::Amount,
}

impl ByClass {
    /// The amount of one class.
    pub fn of(&self, class: Class) -> super::Amount {
        match class {
            Class::Irreplaceable => self.irreplaceable,
            Class::HardToReplace => self.hard_to_replace,
            Class::Replaceable => self.replaceable,
            Class::Rebuildable => self.rebuildable,
        }
    }

    /// The amount of one class, to be changed.
    pub fn of_mut(&mut self, class: Class) -> &mut super::Amount {
        match class {
            Class::Irreplaceable => &mut self.irreplaceable,
            Class::HardToReplace => &mut self.hard_to_replace,
            Class::Replaceable => &mut self.replaceable,
            Class::Rebuildable => &mut self.rebuildable,
        }
    }
}

/// What one rule leaves out.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub struct LeftOut {
    /// Name of the rule.
    pub rule: String,
    /// How many items.
    pub items: u64,
    /// Their bytes.
    pub bytes: u64,
}

/// One stretch of the copying order.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub struct OrderStep {
    /// Class of the items.
    pub class: Class,
    /// How many.
    pub items: u64,
    /// Their bytes.
    pub bytes: u64,
}

/// One item in full.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub struct ListingItem {
    /// Relative to the volume's (or folder's) root, parts joined by `/`.
    pub path: String,
    /// Hex of the exact bytes (or UTF-16LE units) when `path` is not exactly the path.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub raw: Option<String>,
    /// Volume, as in the bag.
    pub volume: String,
    /// Name of the stream, when it is not the main content.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub stream: Option<String>,
    /// What it is.
    pub kind: Kind,
    /// Length in bytes.
    pub bytes: u64,
    /// How precious.
    pub class: Class,
    /// The rule that says so.
    pub rule: String,
    /// Where it stands.
    pub state: ItemState,
    /// BLAKE3 of the content as saved.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub blake3: Option<Blake3>,
    /// SHA-256 of the content as saved.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub sha256: Option<Sha256>,
    /// Ranges that could not be read: first byte and length.
    pub missing: Vec<(u64, u64)>,
    /// What a technician should know of how it is stored.
    pub marks: Vec<Mark>,
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_number_without_bound_stays_on_the_schema() {
        assert_eq!(Finite::new(f64::NAN).get(), Finite::MOST);
        assert_eq!(Finite::new(f64::INFINITY).get(), Finite::MOST);
        assert_eq!(Finite::new(-1.0).get(), 0.0);
        assert_eq!(
            serde_json::to_string(&Finite::new(f64::NAN)).unwrap(),
            "1000000000.0"
        );
    }

    #[test]
    fn classes_are_spelled_as_everywhere() {
        let json = serde_json::to_value(ByClass::default()).unwrap();
        for class in Class::ALL {
            assert!(json.get(class.word()).is_some(), "{}", class.word());
        }
    }

    #[test]
    fn missing_ranges_are_pairs() {
        let item = ListingItem {
            path: "a".into(),
            raw: None,
            volume: "folder".into(),
            stream: None,
            kind: Kind::File,
            bytes: 9,
            class: Class::Irreplaceable,
            rule: "r".into(),
            state: ItemState::Damaged,
            blake3: None,
            sha256: None,
            missing: vec![(0, 4)],
            marks: vec![Mark::SystemCompressed],
        };
        let json = serde_json::to_value(&item).unwrap();
        assert_eq!(json["missing"], serde_json::json!([[0, 4]]));
        assert_eq!(json["marks"], serde_json::json!(["system-compressed"]));
        assert!(json.get("raw").is_none());
    }
}
