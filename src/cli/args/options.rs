//! The options of each command.

use crate::step::outcome::{DecidedBy, How, Machine, MemoryState, Names, Paper, Symptom};
use crate::survey::item::Class;
use crate::value::Moment;
use clap::builder::TypedValueParser;
use clap::{Args, Subcommand};
use std::ffi::{OsStr, OsString};
use std::os::unix::ffi::OsStrExt;
use std::path::PathBuf;

/// Options of `open` (and `run`).
#[derive(Debug, Clone, Args)]
pub struct OpenArgs {
    /// Device or image of a whole drive to put on hold; repeatable
    #[arg(
        long,
        value_name = "PATH",
        conflicts_with = "folder",
        help_heading = "What is on hold"
    )]
    pub drive: Vec<PathBuf>,
    /// One folder to put on hold, instead of drives
    #[arg(long, value_name = "DIR", help_heading = "What is on hold")]
    pub folder: Option<PathBuf>,
    /// Folder of recorded device replies to read health from, instead of the device
    #[arg(long, value_name = "DIR", help_heading = "What is on hold")]
    pub replies: Option<PathBuf>,
    /// Folder that copies go to; repeatable, each on a disk of its own
    #[arg(long, value_name = "DIR", help_heading = "Where copies go")]
    pub to: Vec<PathBuf>,
    /// Folder of the job [default: a new folder in the first local destination]
    #[arg(long, value_name = "DIR", help_heading = "Where copies go")]
    pub job: Option<PathBuf>,
    /// home, business, practice, or a policy file [default: home]
    #[arg(long, value_name = "NAME_OR_FILE", help_heading = "Where copies go")]
    pub policy: Option<OsString>,
    /// Whose data it is [asked on a terminal]
    #[arg(long, value_name = "TEXT", value_parser = said, help_heading = "Answers")]
    pub owner: Option<String>,
    /// Who works on it [asked on a terminal]
    #[arg(long, value_name = "TEXT", value_parser = said, help_heading = "Answers")]
    pub technician: Option<String>,
    /// What the owner tells of the drive [asked on a terminal]
    #[arg(long, value_enum, value_name = "WORD", help_heading = "Answers")]
    pub symptom: Option<Symptom>,
    /// The memory of the machine that copies [asked on a terminal]
    #[arg(long, value_enum, value_name = "WORD", help_heading = "Answers")]
    pub memory: Option<MemoryState>,
    /// Which machine does the copying [default: not recorded]
    #[arg(long, value_enum, value_name = "WORD", help_heading = "Answers")]
    pub machine: Option<Machine>,
    /// What the owner would miss, in their words; repeatable, or "none" [asked on a terminal]
    #[arg(long, value_name = "TEXT", value_parser = said, help_heading = "Answers")]
    pub must_have: Vec<String>,
}

impl OpenArgs {
    /// Whether nothing but `--job` was given.
    pub fn names_only_the_job(&self) -> bool {
        let Self {
            drive,
            folder,
            replies,
            to,
            job: _,
            policy,
            owner,
            technician,
            symptom,
            memory,
            machine,
            must_have,
        } = self;
        drive.is_empty()
            && to.is_empty()
            && must_have.is_empty()
            && folder.is_none()
            && replies.is_none()
            && policy.is_none()
            && (owner.is_none() && technician.is_none())
            && (symptom.is_none() && memory.is_none() && machine.is_none())
    }
}

/// Options of `assess`.
#[derive(Debug, Clone, Args)]
pub struct AssessArgs {
    /// Folder of the job
    pub job: PathBuf,
    /// Folder of recorded device replies to read instead of the device
    #[arg(long, value_name = "DIR")]
    pub replies: Option<PathBuf>,
    /// Also list every factor of the forecast with its value and source
    #[arg(long)]
    pub explain: bool,
    /// Do not sample the read speed (the duration is then not known)
    #[arg(long)]
    pub no_sampling: bool,
}

/// Options of `plan`.
#[derive(Debug, Clone, Args)]
pub struct PlanArgs {
    /// Folder of the job
    pub job: PathBuf,
    /// Also list every item
    #[arg(long)]
    pub list: bool,
}

/// Options of `copy`.
#[derive(Debug, Clone, Args)]
pub struct CopyArgs {
    /// Folder of the job
    pub job: PathBuf,
    /// Stop after N bytes; the same command goes on later [default: no limit]
    #[arg(long, value_name = "N")]
    pub limit_bytes: Option<u64>,
    /// Stop after N minutes; the same command goes on later [default: no limit]
    #[arg(long, value_name = "N")]
    pub limit_minutes: Option<u64>,
}

/// Options of `verify`.
#[derive(Debug, Clone, Args)]
pub struct VerifyArgs {
    /// Folder of a job, or of a bag with no job at hand
    #[arg(value_name = "JOB_OR_BAG")]
    pub path: PathBuf,
    /// Also write this machine's own signed statement (for a bag)
    #[arg(long)]
    pub attest: bool,
}

/// Options of `inspect`.
#[derive(Debug, Clone, Args)]
pub struct InspectArgs {
    /// Folder of the job
    pub job: PathBuf,
    /// List what was written since the machine fell sick (date, or RFC 3339 with zone)
    #[arg(long, value_name = "DATE", value_parser = moment)]
    pub fault_since: Option<Moment>,
    /// Draw N items for human eyes [default: as the policy says]
    #[arg(long, value_name = "N")]
    pub sample: Option<u32>,
}

/// Options of `waive`.
#[derive(Debug, Clone, Args)]
pub struct WaiveArgs {
    /// Folder of the job
    pub job: PathBuf,
    /// Give up this item; repeatable
    #[arg(
        long,
        value_name = "PATH",
        group = "what",
        help_heading = "What may be lost"
    )]
    pub item: Vec<OsString>,
    /// Give up everything of this class that is not saved
    #[arg(
        long,
        value_enum,
        value_name = "NAME",
        group = "what",
        help_heading = "What may be lost"
    )]
    pub class: Option<Class>,
    /// Give up volume N of a drive (its serial or path)
    #[arg(long, value_name = "DRIVE:N", value_parser = volume, group = "what", help_heading = "What may be lost")]
    pub volume: Option<(String, u32)>,
    /// Give up what the open point of this id stands for; placeholders:FOLDER for those of one sync root alone
    #[arg(
        long,
        value_name = "ID",
        group = "what",
        help_heading = "What may be lost"
    )]
    pub point: Option<String>,
    /// The owner wants nothing from these drives
    #[arg(long, group = "what", help_heading = "What may be lost")]
    pub no_rescue: bool,
    /// Answer must-have number N (counted from 1) with --found or --not-here
    #[arg(long, value_name = "N", group = "what", help_heading = "A must-have", value_parser = clap::value_parser!(u32).range(1..))]
    pub must_have: Option<u32>,
    /// Where the must-have is; repeatable
    #[arg(
        long,
        value_name = "PATH",
        requires = "must_have",
        conflicts_with = "not_here",
        help_heading = "A must-have"
    )]
    pub found: Vec<OsString>,
    /// The must-have is not on these drives
    #[arg(
        long,
        requires = "must_have",
        requires = "reason",
        help_heading = "A must-have"
    )]
    pub not_here: bool,
    /// Why
    #[arg(long, value_name = "TEXT", value_parser = said, help_heading = "The decision")]
    pub reason: Option<String>,
    /// Who decided
    #[arg(long, value_enum, value_name = "WHO", help_heading = "The decision")]
    pub decided_by: Option<DecidedBy>,
    /// Name of the person who decided
    #[arg(long, value_name = "TEXT", value_parser = said, help_heading = "The decision")]
    pub name: Option<String>,
    /// How the decision was told
    #[arg(long, value_enum, value_name = "HOW", help_heading = "The decision")]
    pub how: Option<How>,
    /// File that shows it: the signed sheet, the message
    #[arg(long, value_name = "FILE", help_heading = "The decision")]
    pub proof: Option<PathBuf>,
}

/// Options of `release`.
#[derive(Debug, Clone, Args)]
pub struct ReleaseArgs {
    /// Folder of the job
    pub job: PathBuf,
    /// OpenSSH private key to sign with [default: none, the certificate is then an unsigned record]
    #[arg(long, value_name = "FILE")]
    pub key: Option<PathBuf>,
    /// Hours that the certificate is valid, 1 to 24 [default: as the policy says]
    #[arg(long, value_name = "HOURS", value_parser = clap::value_parser!(u32).range(1..=24))]
    pub valid: Option<u32>,
    /// Second look: another person's name, or the last four characters of the drive's serial
    #[arg(long, value_name = "TEXT", value_parser = another)]
    pub second_look: Option<String>,
}

/// Options of `recheck`.
#[derive(Debug, Clone, Args)]
pub struct RecheckArgs {
    /// Folder of the job
    pub job: PathBuf,
    /// Device or image as it is named now [default: looked for by serial]
    #[arg(long, value_name = "PATH")]
    pub drive: Option<PathBuf>,
}

/// Options of `guard`.
#[derive(Debug, Clone, Args)]
pub struct GuardArgs {
    /// Folder of the job
    pub job: PathBuf,
    /// Device or image as it is named now [default: looked for by serial]
    #[arg(long, value_name = "PATH")]
    pub drive: Option<PathBuf>,
    /// Check everything, start nothing
    #[arg(long)]
    pub dry_run: bool,
    /// The wiping command; one argument holds {drive}
    #[arg(last = true, required = true, value_name = "CMD")]
    pub command: Vec<OsString>,
}

/// Options of `print`.
#[derive(Debug, Clone, Args)]
pub struct PrintArgs {
    /// Folder of the job
    pub job: PathBuf,
    /// Which paper
    #[arg(long, value_enum, value_name = "PAPER", default_value = "receipt")]
    pub paper: Paper,
    /// Folder to write to [default: the job's own papers folder]
    #[arg(long, value_name = "DIR")]
    pub out: Option<PathBuf>,
    /// How much of the names it shows [default: as the paper usually does]
    #[arg(long, value_enum, value_name = "HOW_MUCH")]
    pub names: Option<Names>,
    /// Language of the paper, as a tag ("en", "de") [default: en]
    #[arg(long, value_name = "TAG")]
    pub language: Option<String>,
}

/// Options of `put-back`.
#[derive(Debug, Clone, Args)]
pub struct PutBackArgs {
    /// Folder of the job
    pub job: PathBuf,
    /// Folder that items are returned to
    #[arg(long, value_name = "DIR")]
    pub to: PathBuf,
    /// Return what lay under FROM under TO instead; repeatable
    #[arg(long, value_name = "FROM=TO", value_parser = clap::builder::OsStringValueParser::new().try_map(mapping))]
    pub map: Vec<(OsString, OsString)>,
    /// Only items of this class [default: every class]
    #[arg(long, value_enum, value_name = "CLASS")]
    pub only: Option<Class>,
    /// Only items of this person's profile [default: everybody]
    #[arg(long, value_name = "NAME")]
    pub person: Option<String>,
}

/// Options of `close`.
#[derive(Debug, Clone, Args)]
pub struct CloseArgs {
    /// Folder of the job
    pub job: PathBuf,
    /// Keep the shop's copy until this day (date, or RFC 3339 with zone) [default: as the policy says]
    #[arg(long, value_name = "DATE", value_parser = end_of, conflicts_with = "now")]
    pub keep_until: Option<Moment>,
    /// Delete the shop's copy now
    #[arg(long, requires = "reason")]
    pub now: bool,
    /// Why it goes before its time
    #[arg(long, value_name = "TEXT", value_parser = said, requires = "now")]
    pub reason: Option<String>,
}

/// Options of `show`.
#[derive(Debug, Clone, Args)]
pub struct ShowArgs {
    /// Folder of the job [default: every job that is found]
    pub job: Option<PathBuf>,
}

/// Options of `run`.
#[derive(Debug, Clone, Args)]
pub struct RunArgs {
    /// What `open` takes.
    #[command(flatten)]
    pub open: OpenArgs,
    /// Ask nothing; what only the owner can answer stays an open point
    #[arg(long, help_heading = "Answers")]
    pub yes: bool,
}

/// Options of `demo`.
#[derive(Debug, Clone, Args)]
pub struct DemoArgs {
    /// Keep everything in this folder [default: a new one, named at the end]
    #[arg(long, value_name = "DIR")]
    pub keep: Option<PathBuf>,
}

/// Options of `policy`.
#[derive(Debug, Clone, Args)]
pub struct PolicyArgs {
    /// What to do.
    #[command(subcommand)]
    pub action: PolicyAction,
}

/// What `policy` does.
#[derive(Debug, Clone, Subcommand)]
pub enum PolicyAction {
    /// List the policies that are shipped
    List,
    /// Say what a policy demands, and why
    Explain {
        /// Name of a shipped policy, or a file
        #[arg(value_name = "NAME_OR_FILE")]
        policy: OsString,
    },
    /// Check a policy file
    Check {
        /// The file
        #[arg(value_name = "FILE")]
        file: PathBuf,
    },
}

/// Options of `manual`.
#[derive(Debug, Clone, Args)]
pub struct ManualArgs {
    /// Folder to write one page per command to [default: one page on standard output]
    #[arg(long, value_name = "DIR")]
    pub out: Option<PathBuf>,
}

/// Options of `completions`.
#[derive(Debug, Clone, Args)]
pub struct CompletionsArgs {
    /// Which shell
    #[arg(value_enum, value_name = "SHELL")]
    pub shell: clap_complete::Shell,
}

fn moment(text: &str) -> Result<Moment, String> {
    Moment::parse(text).ok_or_else(|| {
        "expected a date (2026-11-25) or a moment with zone (2026-11-25T09:30:00Z)".into()
    })
}

/// A day lasts to its end, so that nothing is deleted on the day that was promised.
fn end_of(text: &str) -> Result<Moment, String> {
    let at = moment(text)?;
    // Only a day can be followed by a time.
    Ok(Moment::parse(&format!("{text}T23:59:59Z")).unwrap_or(at))
}

/// The words that stand for something in the commands that are printed. Pasted as they are, they would pass for an
/// answer, a name or a reason that nobody gave.
const STANDING_FOR: [&str; 12] = [
    "NAME", "TEXT", "PATH", "DIR", "FILE", "DATE", "WORD", "WHO", "WHY", "ID", "JOB", "BAG",
];

/// What a person says.
fn said(text: &str) -> Result<String, String> {
    if STANDING_FOR.contains(&text.trim()) {
        return Err(format!(
            "{} only stands for what belongs there: put it in its place",
            text.trim()
        ));
    }
    Ok(text.to_owned())
}

/// Somebody who looked, or what they read off; a word for nobody is neither.
fn another(text: &str) -> Result<String, String> {
    let nobody = ["none", "nobody", "no", "n/a", "-", "?"];
    if nobody
        .iter()
        .any(|word| word.eq_ignore_ascii_case(text.trim()))
    {
        return Err("a second look is another person's: give their name, or the last four characters of the drive's serial".into());
    }
    said(text)
}

fn volume(text: &str) -> Result<(String, u32), String> {
    let wanted =
        "expected DRIVE:N, the drive's serial or path and the volume's number (from `plan`)";
    let (drive, number) = text.rsplit_once(':').ok_or(wanted)?;
    let number: u32 = number.parse().map_err(|_| wanted)?;
    if drive.is_empty() || number == 0 {
        return Err(wanted.into());
    }
    Ok((drive.to_owned(), number))
}

fn mapping(text: OsString) -> Result<(OsString, OsString), String> {
    let bytes = text.as_bytes();
    let at = bytes
        .iter()
        .position(|byte| *byte == b'=')
        .filter(|at| *at > 0)
        .ok_or("expected FROM=TO")?;
    let (from, rest) = bytes.split_at(at);
    let to = rest.get(1..).unwrap_or_default();
    Ok((
        OsStr::from_bytes(from).to_owned(),
        OsStr::from_bytes(to).to_owned(),
    ))
}
