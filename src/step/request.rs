//! What each step is asked to do: the command line as types, checked, with nothing left to guess.
//!
//! Invariant: `None` in an answer that only a person can give means "not asked", and the
//! gate treats it as open, never as "no".

use super::outcome::{DecidedBy, How, Machine, MemoryState, Names, Paper, Symptom};
use crate::survey::item::Class;
use crate::value::Moment;
use std::ffi::OsString;
use std::path::PathBuf;

/// What is put on hold.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Source {
    /// Devices or images of whole drives; never empty.
    Drives(Vec<PathBuf>),
    /// One folder.
    Folder(PathBuf),
    /// What the job holds already: for a job that is open.
    OfTheJob,
}

/// What the owner would miss.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum MustHaves {
    /// Asked; there is nothing in particular.
    Nothing,
    /// In the owner's words; never empty.
    Named(Vec<String>),
}

/// `open`.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct OpenRequest {
    /// What is put on hold.
    pub source: Source,
    /// Folders that copies go to; never empty.
    pub to: Vec<PathBuf>,
    /// The job folder; `None` = a new folder in the first local destination.
    pub job: Option<PathBuf>,
    /// Name of a shipped policy, or a file; `None` = the first of the shipped ones, or what the job has already.
    pub policy: Option<OsString>,
    /// Whose data; `None` = not asked.
    pub owner: Option<String>,
    /// Who works on it.
    pub technician: Option<String>,
    /// What the owner tells of the drive; `None` = not asked.
    pub symptom: Option<Symptom>,
    /// The memory of the copying machine; `None` = not asked.
    pub memory: Option<MemoryState>,
    /// Which machine copies; `None` = not told.
    pub machine: Option<Machine>,
    /// What the owner would miss; `None` = not asked.
    pub must_have: Option<MustHaves>,
    /// Recorded replies instead of a device.
    pub replies: Option<PathBuf>,
}

/// `assess`.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct AssessRequest {
    /// The job folder.
    pub job: PathBuf,
    /// Recorded replies instead of a device.
    pub replies: Option<PathBuf>,
    /// Sample the read speed (never done with a bad symptom).
    pub sampling: bool,
}

/// `plan`.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct PlanRequest {
    /// The job folder.
    pub job: PathBuf,
    /// Fill `listing`.
    pub list: bool,
}

/// `copy`.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct CopyRequest {
    /// The job folder.
    pub job: PathBuf,
    /// Stop after this many bytes.
    pub limit_bytes: Option<u64>,
    /// Stop after this many minutes.
    pub limit_minutes: Option<u64>,
}

/// `verify`.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct VerifyRequest {
    /// A job folder, or a bag with no job at hand.
    pub path: PathBuf,
    /// Write this machine's own signed statement.
    pub attest: bool,
}

/// `inspect`.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct InspectRequest {
    /// The job folder.
    pub job: PathBuf,
    /// List what was written since then.
    pub fault_since: Option<Moment>,
    /// How many items to draw for human eyes; `None` = as the policy says.
    pub sample: Option<u32>,
}

/// What a waiver gives up.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum WaiveWhat {
    /// Items by path; exact bytes as typed; never empty.
    Items(Vec<OsString>),
    /// Everything of one class that is not saved.
    Class(Class),
    /// A volume: the drive (serial, path or number in the job) and the volume's number.
    Volume {
        /// Serial, path or number of the drive.
        drive: String,
        /// Number of the volume.
        number: u32,
    },
    /// Everything that one open point stands for.
    Point(String),
    /// The owner wants nothing from these drives.
    NoRescue,
}

/// `waive`.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct WaiveRequest {
    /// The job folder.
    pub job: PathBuf,
    /// What is given up.
    pub what: WaiveWhat,
    /// Why.
    pub reason: String,
    /// Who decided.
    pub decided_by: DecidedBy,
    /// The name of the person who decided.
    pub name: Option<String>,
    /// How the decision was told; `None` only for a technician's own.
    pub how: Option<How>,
    /// A file that shows it (signed sheet, message).
    pub proof: Option<PathBuf>,
}

/// `waive --must-have`.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct AnswerRequest {
    /// The job folder.
    pub job: PathBuf,
    /// Number of the must-have, counted from 1.
    pub number: u32,
    /// The answer.
    pub answer: MustHaveAnswer,
}

/// Where a must-have is.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum MustHaveAnswer {
    /// Found at these paths; never empty.
    Found(Vec<OsString>),
    /// Not on these drives.
    NotHere {
        /// Why, in the technician's or owner's words.
        reason: String,
    },
}

/// `release`.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct ReleaseRequest {
    /// The job folder.
    pub job: PathBuf,
    /// An OpenSSH private key.
    pub key: Option<PathBuf>,
    /// Hours that the certificate is valid; `None` = as the policy says.
    pub valid_hours: Option<u32>,
    /// The second person's name, or the last four characters of the serial typed again.
    pub second_look: Option<String>,
}

/// `recheck`.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct RecheckRequest {
    /// The job folder.
    pub job: PathBuf,
    /// The drive as it is named now; `None` = look for it.
    pub drive: Option<PathBuf>,
}

/// `guard`.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct GuardRequest {
    /// The job folder.
    pub job: PathBuf,
    /// The drive as it is named now; `None` = look for it.
    pub drive: Option<PathBuf>,
    /// Check everything, start nothing.
    pub dry_run: bool,
    /// Under `--json`: the command's own standard output goes to standard error, so that ours holds one document.
    pub output_aside: bool,
    /// The command; never empty, one argument holds `{drive}`.
    pub command: Vec<OsString>,
}

/// `print`.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct PrintRequest {
    /// The job folder.
    pub job: PathBuf,
    /// Which paper.
    pub paper: Paper,
    /// Where to write; `None` = the job's own `papers` folder.
    pub out: Option<PathBuf>,
    /// How much of the names it shows; `None` = as the paper usually does.
    pub names: Option<Names>,
    /// Language tag (BCP 47); `None` = English.
    pub language: Option<String>,
    /// Minutes east of UTC in which times are printed.
    pub offset_minutes: i16,
}

/// `put-back`.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct PutBackRequest {
    /// The job folder.
    pub job: PathBuf,
    /// The folder that items are returned to.
    pub to: PathBuf,
    /// Prefixes to replace: from, to.
    pub map: Vec<(OsString, OsString)>,
    /// Only this class.
    pub only: Option<Class>,
    /// Only this person's items.
    pub person: Option<String>,
}

/// `close`.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum CloseWhen {
    /// As the policy says, counted from the acceptance.
    ByPolicy,
    /// Keep until this day.
    KeepUntil(Moment),
    /// Now, for this reason.
    Now {
        /// Why before its time.
        reason: String,
    },
}

/// `close`.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct CloseRequest {
    /// The job folder.
    pub job: PathBuf,
    /// When the copy goes.
    pub when: CloseWhen,
}

/// `demo`.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct DemoRequest {
    /// Keep everything in this folder.
    pub keep: Option<PathBuf>,
}

/// `policy`.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum PolicyRequest {
    /// What a policy demands, by name or file.
    Explain(OsString),
    /// Whether a file is a sound policy.
    Check(PathBuf),
}
