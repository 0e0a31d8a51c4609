//! What the gate weighs: the rules, the items with their copies, and the job and the world as they are now.
//!
//! Invariant: whatever is not known has a value of its own here, and none of those values is good news.

use super::point::Point;
use crate::policy::Step;
use crate::survey::item::{Class, Got, Kind, Marks};
use crate::value::words::{WaiverScope, Who};
use crate::value::{Blake3, Moment};

/// What the policy asks of a release.
#[derive(Debug, Clone, PartialEq)]
pub struct GateRules {
    /// Verified copies wanted, by class (irreplaceable, hard-to-replace, replaceable, rebuildable).
    pub copies: [u32; 4],
    /// A verification may be this old, hours.
    pub verified_hours: f64,
    /// The newest health reading may be this old at the release, hours.
    pub health_hours: f64,
    /// Who may settle which point by a decision; an id that is not named: nobody.
    pub who: std::collections::BTreeMap<String, Who>,
    /// What wants a second look before a release.
    pub second_look: Vec<Step>,
    /// Whether copies on the drive on hold and on memory or loop devices count: practice.
    pub practice: bool,
}

impl GateRules {
    /// Who may settle point `id`.
    pub fn who(&self, id: &str) -> Who {
        self.who.get(id).copied().unwrap_or(Who::Nobody)
    }
}

/// What the gate needs of one item and its copies.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct ItemSeen {
    /// Number of the item.
    pub id: i64,
    /// What it is.
    pub kind: Kind,
    /// Its class.
    pub class: Class,
    /// Its bytes.
    pub bytes: u64,
    /// When it was last written, nanoseconds since 1970.
    pub modified_ns: i64,
    /// Marks.
    pub marks: Marks,
    /// Left out by a rule.
    pub left_out: bool,
    /// Given up by this waiver; 0 = not.
    pub waiver: i64,
    /// What copying came to.
    pub got: Got,
    /// Destinations with a copy (bit mask).
    pub written: u64,
    /// Destinations whose copy was read back and is equal.
    pub verified: u64,
    /// Destinations whose copy differs.
    pub mismatch: u64,
    /// Two readings of the source gave different bytes.
    pub reads_disagree: bool,
    /// Bytes that are missing from the copy.
    pub missing_bytes: u64,
}

/// A recorded decision, as the gate weighs it.
#[derive(Debug, Clone, PartialEq)]
pub struct WaiverSeen {
    /// Its number.
    pub number: i64,
    /// What it covers.
    pub scope: WaiverScope,
    /// Path, class word, volume or point id.
    pub about: String,
    /// The frozen set.
    pub set: Blake3,
    /// Decided by the owner (else by the technician).
    pub by_owner: bool,
}

/// One destination, as it is now.
#[derive(Debug, Clone, PartialEq)]
pub struct DestinationNow {
    /// For people.
    pub path: String,
    /// `None` = here and the same as ever; else what is wrong.
    pub trouble: Option<String>,
    /// How the bag there differs from the record, as far as names and lengths show; `None` = it does not, or nobody looked.
    pub differs: Option<String>,
    /// What it lacks for what is still to be copied there; `None` = nothing that is known.
    pub lacks: Option<String>,
    /// Whether a copy there counts (independent of the drives and of the others).
    pub counts: bool,
    /// Why it does not count.
    pub why: Option<String>,
    /// The newest reading back: when, whole, how doubtful.
    pub verified: Option<VerifiedAt>,
    /// Files in the bag that the ledger does not know.
    pub extra: u64,
}

/// A reading back of a destination.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct VerifiedAt {
    /// When it ended.
    pub at: Moment,
    /// It covered every copy, found each equal, and nothing was written since.
    pub whole: bool,
    /// Copies were missing or not equal.
    pub differed: bool,
    /// The bytes may have come from a cache.
    pub doubtful: bool,
}

/// The world and the job as they are now, apart from the items.
#[derive(Debug, Clone, PartialEq)]
pub struct Now {
    /// The present moment.
    pub at: Moment,
    /// `Some` = the clock cannot be right, and why.
    pub clock_wrong: Option<String>,
    /// `Some` = the chain of facts or the row sum does not hold, and where.
    pub ledger_broken: Option<String>,
    /// `Some` = a copy of the record, at this place, holds facts that the record lacks.
    pub outrun_by: Option<String>,
    /// `Some` = the policy differs from the one the job was opened with.
    pub policy_edited: Option<String>,
    /// When the newest survey finished.
    pub surveyed: Option<Moment>,
    /// `Some` = the source cannot be looked at.
    pub source_gone: Option<String>,
    /// What differs between the source now and the survey (0 = nothing), with an example.
    pub source_changed: Option<(u64, String)>,
    /// Bytes of the drives that belong to nothing we know.
    pub unaccounted_bytes: u64,
    /// Health, by drive (one entry for a folder job).
    pub health: Vec<HealthNow>,
    /// The destinations.
    pub destinations: Vec<DestinationNow>,
    /// `None` = the owner was not asked.
    pub must_haves: Option<Vec<MustHaveNow>>,
    /// Questions of the intake that nobody answered ("--symptom", "--memory").
    pub questions_open: Vec<&'static str>,
    /// State of the copying machine's memory and what was done about it.
    pub memory: MemoryNow,
    /// What was answered about it, when more than one answer was given.
    pub memory_told: Option<String>,
    /// Waivers.
    pub waivers: Vec<WaiverSeen>,
    /// `Some` = the newest inspection after the last write found copies that are not what they claim to be.
    pub false_content: Option<super::gate_content::FalseContentNow>,
    /// A second person, or the serial typed again after the pause.
    pub second_look: SecondLook,
    /// Points found elsewhere (volumes, gaps, other drives), as they are.
    pub found: Vec<Point>,
}

/// Health of one drive.
#[derive(Debug, Clone, PartialEq)]
pub struct HealthNow {
    /// The drive, for people.
    pub drive: String,
    /// The newest reading: when, and why it is not readable.
    pub reading: Option<(Moment, Option<String>)>,
    /// The source was read after that reading, or its moment has not come yet.
    pub before_last_read: bool,
    /// Whether health can be read again now (recorded replies cannot get younger).
    pub live: bool,
    /// A symptom was told, or the drive has shown one.
    pub symptom: bool,
    /// The route is `refer` and the owner has not decided.
    pub refer_undecided: Option<String>,
    /// A drive password locks the data.
    pub locked: bool,
}

/// A must-have, as it stands.
#[derive(Debug, Clone, PartialEq)]
pub struct MustHaveNow {
    /// In the owner's words.
    pub asked: String,
    /// Answered by a person.
    pub answered: bool,
    /// Found items that are not saved.
    pub unsaved: u64,
    /// What was named as it and is not there any more.
    pub gone: Option<String>,
}

/// The memory of the copying machine.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum MemoryNow {
    /// Not told.
    NotTold,
    /// Known to be good; whether the drawn sample was read a second time.
    Good {
        /// The sample was read again after the last copy.
        sampled: bool,
    },
    /// Swapped or suspect.
    Doubtful {
        /// The whole source was read a second time after the last copy.
        read_again: bool,
        /// Another machine verified the bag.
        attested: bool,
        /// The modules were exchanged (less doubt than "suspect").
        swapped: bool,
        /// The drive is too weak to be read in full a second time.
        weak: bool,
    },
    /// A test failed.
    Failed {
        /// Another machine verified the bag.
        attested: bool,
        /// It was changed since; what was copied before does not count for that.
        changed: bool,
    },
}

/// The second look at a release.
#[derive(Debug, Clone, PartialEq)]
pub enum SecondLook {
    /// Nobody looked.
    Missing,
    /// Somebody did, but it does not count; why.
    NotEnough(String),
    /// It was done.
    Done,
}
