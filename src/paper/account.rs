//! The account of one job: everything that may appear on a paper, as plain data.
//!
//! The engine fills it from the ledger; papers are made from nothing else, so that two papers
//! of one account cannot contradict each other. Sums are computed here, never stored beside
//! their parts.
//!
//! Invariant: an unknown value is `None` (or an empty list with a count that is not zero),
//! never a zero. Texts are shown only through [`crate::value::shown()`].

use crate::survey::item::Class;
use crate::value::words::Who;
use crate::value::{Amount, Blake3, Counter128, Moment};
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

/// How many entries of a list a paper shows before it only counts; the engine need not deliver more.
pub const FIRST: usize = 60;

/// Everything the papers of one job are made from.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Account {
    /// Job id, as it stands on the shop's label.
    pub job: String,
    /// The job's folder, as it is typed in a command.
    pub typed: String,
    /// Digest of the ledger's first fact: names this job and no other. `None` = not made yet.
    pub job_digest: Option<Blake3>,
    /// When the paper is made; also decides whether a release has lapsed.
    pub at: Moment,
    /// Minutes east of UTC in which times are printed (60 = UTC+1).
    pub offset_minutes: i16,
    /// When the job was opened.
    pub opened: Moment,
    /// Who owns the data; empty = not recorded.
    pub owner: String,
    /// Who answers for the job; empty = not recorded.
    pub technician: String,
    /// The symptom, as a word of the interface (`none`, `clicking`, `dropped`, `liquid`, `vanishes`); empty = not asked.
    pub symptom: String,
    /// The memory of the copying machine (`known-good`, `swapped`, `suspect`, `failed`); empty = not asked.
    pub memory: String,
    /// The copying machine (`bench`, `under-repair`); empty = not asked.
    pub machine: String,
    /// What was answered to each question of the intake that was answered more than once.
    pub changed_answers: Vec<(Asked, String)>,
    /// The policy that the job was opened with.
    pub policy: PolicyLine,
    /// Whether the gate has released the job.
    pub state: State,
    /// When the release was used up by a guarded command; `None` = it was not.
    pub used: Option<Moment>,
    /// The drives on hold.
    pub drives: Vec<DriveLine>,
    /// The folder on hold, for a folder job.
    pub folder: Option<String>,
    /// Other internal drives of the machine, which are not part of the job.
    pub others: Vec<OtherDrive>,
    /// Why it could not be told whether there are more of them; `None` = it could.
    #[serde(default)]
    pub others_unknown: Option<String>,
    /// Where the copies are.
    pub destinations: Vec<DestinationLine>,
    /// The people whose things were found.
    pub people: Vec<PersonLine>,
    /// The biggest or most telling folders, for the owner to recognise what is missing.
    pub folders: Vec<FolderLine>,
    /// Items per class.
    pub classes: Vec<ClassLine>,
    /// Saved, and no longer at the source when it was looked at last: the copies are all there is.
    #[serde(default)]
    pub gone: Amount,
    /// Whether somebody looked into the copies, that they are what they claim to be; `None` = there are none.
    #[serde(default)]
    pub looked_into: Option<bool>,
    /// What was left out by a named rule.
    pub left_out: Vec<LeftOut>,
    /// What is not saved.
    pub not_saved: NotSaved,
    /// Copies that equal what was on the drive, and that an inspection found blank or false all the same.
    #[serde(default)]
    pub doubtful: Doubtful,
    /// The things that the owner named.
    pub must_haves: Vec<MustHave>,
    /// Recorded decisions to lose something.
    pub waivers: Vec<WaiverLine>,
    /// Why the gate does not release.
    pub open_points: Vec<PointLine>,
    /// Which destination was read back, how and when.
    pub verifications: Vec<Verification>,
    /// BLAKE3 of `manifest-blake3.txt`.
    pub manifest_root: Option<Blake3>,
    /// The release certificate, once written.
    pub certificate: Option<CertificateLine>,
    /// The day until which the shop keeps its copy.
    pub keep_until: Option<Moment>,
}

impl Account {
    /// All classes together.
    pub fn totals(&self) -> ClassTotals {
        let mut sum = ClassTotals::default();
        for class in &self.classes {
            sum = sum.plus(&class.counts);
        }
        sum
    }

    /// What the release says at the moment of [`Account::at`].
    pub fn standing(&self) -> Standing {
        // A release beside open points is a contradiction; it never counts in favour.
        if self.state == State::Hold || !self.open_points.is_empty() {
            return Standing::Hold;
        }
        match &self.certificate {
            None => Standing::Hold,
            Some(_) if self.used.is_some() => Standing::Used,
            Some(c) if self.at < c.issued || self.at >= c.expires => Standing::Lapsed,
            Some(_) => Standing::Released,
        }
    }
}

/// The two states of a job.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum State {
    /// Open points remain, or the gate was not asked.
    Hold,
    /// The gate has released the job.
    Released,
}

/// What a paper may say about the release, computed by [`Account::standing`].
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Standing {
    /// Not released.
    Hold,
    /// Released, certificate in force.
    Released,
    /// Released once, and a guarded command was run under it: it covers no other.
    Used,
    /// Released once; the certificate is not in force at this moment (run out, or the clock is wrong).
    Lapsed,
}

/// The policy of a job.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub struct PolicyLine {
    /// Its name.
    pub name: String,
    /// BLAKE3 of its text.
    pub hash: Blake3,
    /// Whether it is a practice policy: everything made under it releases nothing.
    pub practice: bool,
}

/// One drive on hold.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct DriveLine {
    /// Model as printed on the label; `None` = not known.
    pub model: Option<String>,
    /// Serial number as printed on the label; `None` = not known.
    pub serial: Option<String>,
    /// Firmware revision.
    pub firmware: Option<String>,
    /// Capacity in bytes.
    pub bytes: Option<u64>,
    /// An opened volume that lies on other disks: those are not part of the job.
    #[serde(default)]
    pub is_volume: bool,
    /// What stores the bytes: `disk`, `ssd`, `nvme`, `card`, `image`, `unknown`.
    pub kind: String,
    /// Fingerprint of its contents.
    pub fingerprint: Option<String>,
    /// Times it was powered on.
    pub power_cycles: Option<Counter128>,
    /// Bytes written to it over its life.
    pub bytes_written: Option<Counter128>,
    /// What the last health reading says; empty with `health_unread` set when it could not be read.
    pub readings: Vec<SignalLine>,
    /// Why the health could not be read; `None` = it could.
    pub health_unread: Option<String>,
    /// The chance of losing the drive while copying, low and high; `None` = no forecast was made.
    pub forecast: Option<(f64, f64)>,
    /// The way of copying: `ordinary`, `gentle`, `salvage`, `refer`; `None` = not decided.
    pub route: Option<String>,
}

/// One piece of evidence from a health reading.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub struct SignalLine {
    /// Its stable word.
    pub id: String,
    /// What it says, as recorded.
    pub says: String,
    /// The number in it; `None` = it has none.
    pub value: Option<u64>,
    /// Whether it bears on how the drive was copied.
    pub weighs: bool,
}

/// A drive of the machine that is not part of the job.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub struct OtherDrive {
    /// Model; `None` = not known.
    pub model: Option<String>,
    /// Serial number; `None` = not known.
    pub serial: Option<String>,
    /// Capacity in bytes.
    pub bytes: Option<u64>,
}

/// One place that copies went to.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub struct DestinationLine {
    /// The folder, as given.
    pub path: String,
    /// File system type.
    pub file_system: String,
    /// Whether it is independent of the drives on hold and of the other destinations.
    pub independent: bool,
    /// Whether its copies count under the policy of the job.
    pub counts: bool,
    /// Why it is not independent, or what else there is to say; may be empty.
    pub why: String,
}

/// One person's things.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub struct PersonLine {
    /// Name of the profile; empty = what lies outside of every profile.
    pub profile: String,
    /// When the profile was last used.
    pub last_used: Option<Moment>,
    /// Bytes of all their items.
    pub bytes: u64,
    /// Count of pictures and videos.
    pub photos: u64,
    /// Count of documents.
    pub documents: u64,
    /// Count of mail stores.
    pub mail: u64,
    /// The newest item.
    pub newest: Option<Moment>,
    /// Count of cloud placeholders.
    pub placeholders: u64,
    /// Count of items encrypted with a key of the old system.
    pub efs: u64,
}

/// One folder, for the owner to recognise.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub struct FolderLine {
    /// Path of the folder.
    pub path: String,
    /// Items beneath it.
    pub items: u64,
    /// Their bytes.
    pub bytes: u64,
    /// The newest date beneath it.
    pub newest: Option<Moment>,
}

/// The items of one class.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub struct ClassLine {
    /// Which class.
    pub class: Class,
    /// Its counts.
    #[serde(flatten)]
    pub counts: ClassTotals,
}

/// Counts by the one word that each item ended with; the words exclude each other.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize, Deserialize, JsonSchema)]
pub struct ClassTotals {
    /// Every item of the class.
    pub all: Amount,
    /// Copied, read back and equal at as many destinations as the policy asks for.
    pub verified: Amount,
    /// Copied with ranges missing.
    pub damaged: Amount,
    /// Nothing of it could be read.
    pub unreadable: Amount,
    /// Left out by a named rule.
    pub left_out: Amount,
    /// No content on the drive: it lies in a cloud.
    pub placeholder: Amount,
    /// Given up by a recorded decision.
    pub waived: Amount,
}

impl ClassTotals {
    /// Items that have not reached any end: listed, copied but not read back, or changed since.
    pub fn unsettled(&self) -> Amount {
        [
            self.verified,
            self.damaged,
            self.unreadable,
            self.left_out,
            self.placeholder,
            self.waived,
        ]
        .into_iter()
        .fold(self.all, Amount::minus)
    }

    /// Sums of both.
    pub fn plus(&self, other: &Self) -> Self {
        Self {
            all: self.all.plus(other.all),
            verified: self.verified.plus(other.verified),
            damaged: self.damaged.plus(other.damaged),
            unreadable: self.unreadable.plus(other.unreadable),
            left_out: self.left_out.plus(other.left_out),
            placeholder: self.placeholder.plus(other.placeholder),
            waived: self.waived.plus(other.waived),
        }
    }
}

/// Items left out by one rule.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub struct LeftOut {
    /// Name of the rule.
    pub rule: String,
    /// Why the rule leaves them out.
    pub why: String,
    /// Items.
    pub items: u64,
    /// Their bytes.
    pub bytes: u64,
}

/// What is not saved: all of it counted, the first entries named.
#[derive(Debug, Clone, PartialEq, Eq, Default, Serialize, Deserialize, JsonSchema)]
pub struct NotSaved {
    /// All items that are not saved (rules excepted).
    pub items: u64,
    /// All bytes that are missing.
    pub missing_bytes: u64,
    /// There are more of them: of something it is not known how much it is.
    #[serde(default)]
    pub at_least: bool,
    /// Parts of drives that hold more than their items tell, each counted as one item; all of them are printed.
    #[serde(default)]
    pub places: Vec<LostPlace>,
    /// The first of them by name, most precious first; at most [`FIRST`] are printed.
    pub first: Vec<LostItem>,
    /// All of them counted by folder; at most [`FIRST`] are printed.
    pub by_folder: Vec<LostFolder>,
}

/// A volume, a lost volume, a gap: a part of a drive of which nothing is saved, or not everything.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub struct LostPlace {
    /// The volume as the bag names it, or the drive.
    pub place: String,
    /// The word of its open point.
    pub what: String,
    /// What it is and where it lies, in a sentence for people.
    pub says: String,
    /// Bytes not saved; 0 with `at_least` = not known at all.
    pub bytes: u64,
    /// There may be more.
    pub at_least: bool,
    /// Why it was given up; `None` = nobody decided about it.
    pub given_up: Option<String>,
}

/// One item that is not saved.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub struct LostItem {
    /// Path, as the interface shows it (parts joined by `/`).
    pub path: String,
    /// How it ended.
    pub what: Lost,
    /// Bytes of the item.
    pub bytes: u64,
    /// Bytes missing from the copy.
    pub missing_bytes: u64,
}

impl LostItem {
    /// Whether nobody knows how much it was: what describes it could not be read.
    pub fn size_unknown(&self) -> bool {
        self.bytes == 0 && matches!(self.what, Lost::Unreadable | Lost::Waived | Lost::Folder)
    }
}

/// How an item that is not saved ended.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
#[allow(missing_docs)] // each variant is its own word of the interface
pub enum Lost {
    Damaged,
    Unreadable,
    /// No longer at the source when it was to be copied.
    Gone,
    /// Every byte is copied, but the file table contradicts itself about it.
    Contradicted,
    /// A folder that could not be opened: what it holds is not known.
    Folder,
    Placeholder,
    /// A placeholder with a part of its content on the drive, which is not copied.
    PartPlaceholder,
    Waived,
    Unsettled,
}

/// Items of one folder that are not saved.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub struct LostFolder {
    /// Path of the folder.
    pub folder: String,
    /// Items.
    pub items: u64,
    /// Bytes missing.
    pub missing_bytes: u64,
}

/// Copies in doubt: all of them counted, the first named.
#[derive(Debug, Clone, PartialEq, Eq, Default, Serialize, Deserialize, JsonSchema)]
pub struct Doubtful {
    /// All of them.
    pub all: Amount,
    /// The first by path, with their bytes; at most [`FIRST`].
    pub first: Vec<(String, u64)>,
    /// All of them counted by folder; at most [`FIRST`] are printed.
    pub by_folder: Vec<(String, Amount)>,
    /// The file beside the paper that lists them all, where the paper does not.
    pub list: Option<String>,
}

/// One thing that the owner named.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub struct MustHave {
    /// In the owner's words.
    pub asked: String,
    /// Where a human found it.
    pub found: Vec<String>,
    /// What became of the question.
    pub answer: Answer,
    /// The reason given when it is not here; empty otherwise.
    pub reason: String,
    /// Files where it was found that are not saved whole, given up or not.
    #[serde(default)]
    pub not_whole: u64,
}

/// What became of a must-have.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
#[allow(missing_docs)]
pub enum Answer {
    Found,
    NotHere,
    Unanswered,
}

/// One recorded decision to lose something.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub struct WaiverLine {
    /// What is given up, in words that name no single file; shown where `about` has no words of its own.
    pub what: String,
    /// The open point, the class or the scope that was decided about, as a word.
    pub about: String,
    /// Nothing is given up by it: a risk is taken, or copies are kept with their doubt.
    pub kept: bool,
    /// The first items of the frozen set by name; may be empty.
    pub paths: Vec<String>,
    /// Items in the frozen set, but for `folders`; 0 when it is not about items.
    pub count: u64,
    /// Folders and links in it, which hold nothing by themselves.
    pub folders: u64,
    /// Their bytes.
    pub bytes: u64,
    /// Digest of the frozen set.
    pub set_hash: Blake3,
    /// The reason given.
    pub why: String,
    /// Who decided.
    pub decided_by: Who,
    /// The decider's name.
    pub name: String,
    /// How they said so: `signed`, `message`, `phone`.
    pub how: String,
    /// When.
    pub at: Moment,
    /// The file that shows it; `None` = none.
    pub proof: Option<String>,
}

/// One reason why the gate does not release.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub struct PointLine {
    /// Stable word of the interface.
    pub id: String,
    /// The sentence for people.
    pub says: String,
    /// What is lost if the drive is wiped now.
    pub lost: String,
    /// What to do next.
    pub remedy: String,
    /// Who may decide.
    pub who: Who,
    /// How many things it concerns.
    pub count: u64,
}

/// One reading back of a destination.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub struct Verification {
    /// Path of the destination.
    pub destination: String,
    /// `medium`, `network` or `cache-suspected`.
    pub method: String,
    /// When it ended.
    pub at: Moment,
    /// Items compared and equal.
    pub items: u64,
    /// Their bytes.
    pub bytes: u64,
}

/// What the papers say about the release certificate.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub struct CertificateLine {
    /// BLAKE3 of the certificate's bytes.
    pub digest: Blake3,
    /// Fingerprint of the key that signed it; `None` = an unsigned record.
    pub signed_by: Option<String>,
    /// When it was issued.
    pub issued: Moment,
    /// When it runs out.
    pub expires: Moment,
}

/// A question of the intake of which a changed answer bears on what was saved.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum Asked {
    /// What the drive showed.
    Symptom,
    /// The memory of the copying machine.
    Memory,
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::paper::sample;

    #[test]
    fn what_reached_no_end_is_counted_as_unsettled() {
        let counts = ClassTotals {
            all: Amount::new(10, 1000),
            verified: Amount::new(6, 600),
            damaged: Amount::new(1, 100),
            waived: Amount::new(1, 100),
            ..ClassTotals::default()
        };
        assert_eq!(counts.unsettled(), Amount::new(2, 200));
        let contradictory = ClassTotals {
            verified: Amount::new(6, 600),
            ..ClassTotals::default()
        };
        assert_eq!(contradictory.unsettled(), Amount::new(0, 0));
    }

    #[test]
    fn a_release_counts_only_with_a_certificate_in_force_and_nothing_open() {
        let mut account = sample::released();
        assert_eq!(account.standing(), Standing::Released);
        account.at = account.certificate.as_ref().unwrap().expires;
        assert_eq!(account.standing(), Standing::Lapsed);
        account.used = Some(account.at);
        assert_eq!(account.standing(), Standing::Used);
        account.open_points = sample::on_hold().open_points;
        assert_eq!(account.standing(), Standing::Hold);
        let mut account = sample::released();
        account.certificate = None;
        assert_eq!(account.standing(), Standing::Hold);
    }

    #[test]
    fn travels_as_json_and_back() {
        let account = sample::on_hold();
        let json = serde_json::to_string(&account).unwrap();
        assert_eq!(serde_json::from_str::<Account>(&json).unwrap(), account);
        let schema = serde_json::to_string(&schemars::schema_for!(Account)).unwrap();
        assert!(schema.contains("must_haves"));
    }
}
