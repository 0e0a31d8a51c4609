//! One job: its folder, its ledger, its setup, and the world it runs in.
//!
//! Invariant: a job is on hold from `open` until the gate releases it; a job folder, its
//! ledger and its destinations know each other by the job's id, so none can be swapped unseen.

pub mod answers;
pub mod crew;
pub mod here;
pub mod problem;
mod snapshot;

use crate::ledger::{FactBody, Ledger, LedgerError};
use crate::policy::Policy;
use crate::port::{Bench, Destination, DestinationFacts, Fault, FaultKind, Tree, TreeRoot};
use crate::read::fingerprint::Fingerprint;
use crate::value::hex::unhex;
use crate::value::words::{DriveKind, Machine, MemoryState, Symptom};
use crate::value::{Blake3, Moment, Name};
use problem::Problem;
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};
use std::path::{Path, PathBuf};

pub use snapshot::SnapshotOf;

/// Name of the file that tells a destination from another one.
pub const ID_FILE: &str = "destination.json";

/// A path as kept: text for people, bytes for us.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct KeptPath {
    /// For people.
    pub text: String,
    /// Exact bytes in hex.
    pub raw: String,
}

impl KeptPath {
    /// Keeps a path.
    pub fn of(path: &Path) -> Self {
        use std::os::unix::ffi::OsStrExt;
        let name = Name::Bytes(path.as_os_str().as_bytes().to_vec());
        Self {
            text: name.text(),
            raw: name.raw_hex(),
        }
    }

    /// The path again.
    pub fn path(&self) -> PathBuf {
        use std::os::unix::ffi::OsStringExt;
        PathBuf::from(std::ffi::OsString::from_vec(
            unhex(&self.raw).unwrap_or_default(),
        ))
    }
}

/// An internal drive that is not in the job.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct OtherDrive {
    /// Device.
    pub path: String,
    /// As the drive reports it; `null` = not known.
    pub model: Option<String>,
    /// As the drive reports it; `null` = not known.
    pub serial: Option<String>,
    /// Capacity in bytes.
    pub bytes: Option<u64>,
}

/// The folder on hold.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct FolderKept {
    /// Where it was.
    pub path: KeptPath,
    /// Device and inode of its root.
    pub device: u64,
    /// Inode of its root.
    pub inode: u64,
    /// File system type and id.
    pub file_system: String,
    /// Identity of the file system, where it tells.
    pub file_system_id: String,
    /// The whole disks under it.
    pub disks: Vec<String>,
    /// BLAKE3 over the names, kinds, sizes and times of its first level.
    pub fingerprint: Blake3,
}

impl FolderKept {
    /// Whether `root` is the root of the folder on hold. A device number changes with a replug or a start of the machine;
    /// then the file system's own id says that it is the same one.
    pub fn is_at(&self, root: &TreeRoot) -> bool {
        let same_system = !self.file_system_id.is_empty()
            && self.file_system_id == root.file_system_id
            && self.file_system == root.file_system;
        root.stamp.inode == self.inode && (root.stamp.device == self.device || same_system)
    }
}

/// A drive on hold.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct DriveKept {
    /// Where it was: device, loop device or image file.
    pub path: KeptPath,
    /// Kernel name; empty for an image.
    pub name: String,
    /// An image file.
    pub is_image: bool,
    /// A loop device.
    pub is_loop: bool,
    /// An opened volume that lies on other disks (unlocked, combined), no disk of its own.
    #[serde(default)]
    pub is_stack: bool,
    /// Model, as the drive reports it, else as the system has it.
    pub model: Option<String>,
    /// Serial, likewise.
    pub serial: Option<String>,
    /// Serial as the system had it at `open`: comparable with what the system says later.
    #[serde(default)]
    pub system_serial: Option<String>,
    /// The kernel's number for this plugging in; another one = it was unplugged since, or is another drive.
    #[serde(default)]
    pub sequence: Option<u64>,
    /// Firmware, likewise.
    pub firmware: Option<String>,
    /// Length in bytes.
    pub bytes: u64,
    /// Logical sector size in bytes.
    pub sector_bytes: u32,
    /// The interface's word for what stores the bytes.
    pub kind: DriveKind,
    /// BLAKE3 over chosen sectors (`read::fingerprint`); `None` = they could not or must not be read.
    pub fingerprint: Option<Blake3>,
    /// The digests that it is made of, so that a sector gone bad since makes it no other drive.
    #[serde(default)]
    pub stretches: Vec<Option<Blake3>>,
    /// The whole disks under it.
    pub disks: Vec<String>,
    /// The kernel's read-only flag as it was before; given back at the end.
    pub was_read_only: Option<bool>,
    /// Whether the flag was seen set after setting it.
    pub held: bool,
    /// What holds it, or why not.
    pub held_why: String,
}

impl DriveKept {
    /// Keeps what was seen of the drive.
    pub fn take_fingerprint(&mut self, seen: &Fingerprint) {
        self.fingerprint = Some(seen.digest());
        self.stretches = seen.stretches().to_vec();
    }

    /// What was seen of the drive; `None` = nothing yet.
    pub fn seen(&self) -> Option<Fingerprint> {
        self.fingerprint
            .map(|_| Fingerprint::kept(self.bytes, self.stretches.clone()))
    }

    /// The whole disks that are in the job with it. What lies beneath an opened volume is not: that holds more than the volume.
    pub fn whole_disks(&self) -> &[String] {
        if self.is_stack && !self.is_loop {
            &[]
        } else {
            &self.disks
        }
    }
}

/// One destination.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct DestinationKept {
    /// The folder named at `open`.
    pub to: KeptPath,
    /// The job's own folder in it.
    pub folder: KeptPath,
    /// Random id, also in the destination's [`ID_FILE`].
    pub id: String,
    /// File system type.
    pub file_system: String,
    /// Over a network.
    pub network: bool,
    /// Whether copies there count under the job's policy.
    pub counts: bool,
    /// Independent of the drives on hold and of the destinations before it.
    pub independent: bool,
    /// Why it is not, or what else there is to say.
    pub why: Option<String>,
    /// The whole disks under it.
    pub disks: Vec<String>,
    /// Free bytes when the job was opened.
    pub free_bytes: u64,
}

impl DestinationKept {
    /// Keeps what was seen of it, and whether its copies count. `why` = why it is not independent.
    pub fn weigh(
        &mut self,
        facts: &DestinationFacts,
        independent: bool,
        why: Option<String>,
        practice: bool,
    ) {
        self.file_system.clone_from(&facts.file_system);
        self.network = facts.network;
        self.disks.clone_from(&facts.disks);
        self.free_bytes = facts.free_bytes;
        self.independent = independent;
        self.counts = independent || practice;
        self.why = match (why, practice) {
            (Some(why), true) => Some(format!("{why}; counted for practice only")),
            (why, _) => why,
        };
    }
}

/// Everything that `open` settles.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Setup {
    /// Random id of the job.
    pub id: String,
    /// Name of the job's folders.
    pub name: String,
    /// When it was opened.
    pub opened: Moment,
    /// The folder on hold.
    pub folder: Option<FolderKept>,
    /// The drives on hold; empty for a folder job.
    #[serde(default)]
    pub drives: Vec<DriveKept>,
    /// Other internal drives of the machine, as they were at `open`: path, model, serial, bytes.
    #[serde(default)]
    pub others: Vec<OtherDrive>,
    /// Recorded replies that stand for the drive.
    pub replies: Option<KeptPath>,
    /// Destinations by number.
    pub destinations: Vec<DestinationKept>,
    /// The policy's name.
    pub policy: String,
    /// The file it came from; `None` = a shipped one.
    #[serde(default)]
    pub policy_file: Option<KeptPath>,
    /// Its whole text, resolved.
    pub policy_text: String,
    /// Its hash.
    pub policy_hash: Blake3,
    /// Whose data.
    pub owner: Option<String>,
    /// Who works on it.
    pub technician: Option<String>,
    /// What the owner tells of the drive.
    pub symptom: Option<Symptom>,
    /// Memory of the copying machine.
    pub memory: Option<MemoryState>,
    /// Which machine copies.
    pub machine: Option<Machine>,
    /// What the owner would miss; `None` = not asked.
    pub must_haves: Option<Vec<String>>,
    /// The machine that opened it.
    pub host: String,
    /// Every answer to a question of the intake that another one came after, and that other one.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub answers: Vec<answers::AnswerKept>,
}

/// A job at hand.
pub struct Job<'b> {
    /// The outside.
    pub bench: &'b dyn Bench,
    /// The ledger.
    pub ledger: Ledger,
    /// The job folder.
    pub dir: PathBuf,
    /// What `open` settled.
    pub setup: Setup,
    /// The policy, as it was at `open`.
    pub policy: Policy,
}

impl<'b> Job<'b> {
    /// Opens the job in `dir` for work.
    pub fn open(bench: &'b dyn Bench, dir: &Path) -> Result<Self, Problem> {
        let dir = find_folder(dir)?;
        crate::step::clock::right_clock(bench).map_err(|problem| problem.on_path(&dir))?;
        let ledger = Ledger::open(&dir.join(Ledger::FILE)).map_err(|e| ledger_problem(&e))?;
        let snapshot = ledger.snapshot_of().map_err(|e| ledger_problem(&e))?;
        if let Some(note) = snapshot {
            snapshot::may_take_back(&note, &dir)?;
            let at = bench.clock().now();
            ledger
                .transaction::<_, LedgerError>(|ledger| ledger.take_back(at))
                .map_err(|e| ledger_problem(&e))?;
        }
        Self::with(bench, ledger, dir)
    }

    /// Opens the job in `dir` for reading only, even while another process works on it.
    pub fn open_to_read(bench: &'b dyn Bench, dir: &Path) -> Result<Self, Problem> {
        let dir = find_folder(dir)?;
        let ledger =
            Ledger::open_to_read(&dir.join(Ledger::FILE)).map_err(|e| ledger_problem(&e))?;
        Self::with(bench, ledger, dir)
    }

    /// A job around a ledger that is open already.
    pub fn with(bench: &'b dyn Bench, ledger: Ledger, dir: PathBuf) -> Result<Self, Problem> {
        let shown = ledger.shown_path().to_owned();
        let text = ledger
            .get("setup")
            .map_err(|e| ledger_problem(&e))?
            .ok_or_else(|| {
                Problem::failed(
                    "this job was never finished opening",
                    shown.clone(),
                    "open it again into a new folder",
                )
            })?;
        let setup: Setup = serde_json::from_str(&text).map_err(|e| {
            Problem::failed(
                format!("the job's setup cannot be understood: {e}"),
                shown.clone(),
                "use the holdpoint that opened the job",
            )
        })?;
        let policy = Policy::parse(&setup.policy, &setup.policy_text).map_err(|e| {
            Problem::failed(
                format!("the job's policy cannot be understood: {e}"),
                shown,
                "use the holdpoint that opened the job",
            )
        })?;
        Ok(Self {
            bench,
            ledger,
            dir,
            setup,
            policy,
        })
    }

    /// The job folder, for people.
    pub fn shown(&self) -> String {
        KeptPath::of(&self.dir).text
    }

    /// The job folder, as it is typed in a command.
    pub fn typed(&self) -> String {
        crate::value::typed(self.dir.as_os_str())
    }

    /// Now.
    pub fn now(&self) -> Moment {
        self.bench.clock().now()
    }

    /// The tree on hold.
    pub fn tree(&self) -> Result<Box<dyn Tree>, Fault> {
        match &self.setup.folder {
            Some(folder) => self.bench.tree(&folder.path.path()),
            None => Err(Fault::new(
                FaultKind::Missing,
                "opening the folder on hold",
                "this job has none",
            )),
        }
    }

    /// Destination `number`, if it is here and the same as ever.
    pub fn destination(&self, number: usize) -> Result<Box<dyn Destination>, Fault> {
        let Some(kept) = self.setup.destinations.get(number) else {
            return Err(Fault::new(
                FaultKind::Missing,
                "opening a destination",
                format!("the job has no destination {number}"),
            ));
        };
        let doing = format!("opening the destination {}", kept.folder.text);
        let destination = self.bench.destination(&kept.folder.path(), false)?;
        let id = destination.read_small(ID_FILE)?;
        let found: Option<IdFile> = id
            .as_deref()
            .and_then(|bytes| serde_json::from_slice(bytes).ok());
        match found {
            Some(file) if file.job == self.setup.id && file.destination == kept.id => {
                Ok(destination)
            }
            other => {
                let what = match other {
                    Some(_) => "another destination stands in its place: its id file differs",
                    None => "its id file is missing or damaged",
                };
                let (job, destination) = (&self.setup.id, &kept.id);
                let should = serde_json::json!({ "job": job, "destination": destination });
                let next = "connect the right one, or, if this is the folder that the job was opened with, let its";
                let says = format!("{what}; {next} {ID_FILE} say {should}");
                Err(Fault::new(FaultKind::Gone, doing, says))
            }
        }
    }

    /// All destinations by number.
    pub fn destinations(&self) -> Vec<Result<Box<dyn Destination>, Fault>> {
        (0..self.setup.destinations.len())
            .map(|number| self.destination(number))
            .collect()
    }

    /// Bits of the destinations whose copies count.
    pub fn counting(&self) -> u64 {
        self.setup
            .destinations
            .iter()
            .enumerate()
            .filter(|(_, d)| d.counts)
            .fold(0, |mask, (number, _)| mask | 1 << number)
    }

    /// The machine and what it knows of itself must not be asked for: the symptom counts as bad until told otherwise only when told bad.
    pub fn has_bad_symptom(&self) -> bool {
        self.setup.symptom.is_some_and(Symptom::is_bad)
    }

    /// Adds a fact in a transaction of its own.
    pub fn record(&self, body: &FactBody) -> Result<(), Problem> {
        let at = self.now();
        self.ledger
            .transaction::<_, LedgerError>(|ledger| ledger.record(at, body).map(|_| ()))
            .map_err(|e| ledger_problem(&e))
    }
}

/// What stands in a destination's id file.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct IdFile {
    /// The job's id.
    pub job: String,
    /// The destination's id.
    pub destination: String,
}

/// The job folder that `path` names: the folder itself, or the folder around a bag in it.
fn find_folder(path: &Path) -> Result<PathBuf, Problem> {
    if Ledger::is_in(path) {
        // Whole, so that what is printed can be pasted in any folder.
        return Ok(path.canonicalize().unwrap_or_else(|_| path.to_owned()));
    }
    let shown = KeptPath::of(path).text;
    if let Some(problem) = closed_to_us(path) {
        return Err(problem);
    }
    let found = if path.is_dir() {
        "a folder without a ledger.db"
    } else if path.exists() {
        "a file"
    } else {
        "no such folder"
    };
    Err(Problem::failed(
        format!("expected a job folder (one with a ledger.db in it), found {found}"),
        shown,
        "name the folder that open printed; to look for jobs:\nholdpoint show",
    ))
}

/// Why nothing can be said about a folder: this user may not look into it.
pub fn closed_to_us(path: &Path) -> Option<Problem> {
    let looked = path.join(Ledger::FILE).try_exists();
    looked.is_err_and(|e| e.kind() == std::io::ErrorKind::PermissionDenied).then(|| {
        Problem::failed(
            "looking into the folder: no permission",
            KeptPath::of(path).text,
            "a job that was opened with sudo wants sudo in every step: put sudo before the same command",
        )
    })
}

/// A ledger's error as the problem of a step.
pub fn ledger_problem(e: &LedgerError) -> Problem {
    if e.is_without_room() {
        let next =
            "make room on the destination that holds the job; the same command goes on from there";
        return Problem::stopped(e.to_string(), e.on(), next);
    }
    let next = match e {
        LedgerError::Newer { .. } => "use the newer holdpoint; this one does not touch it",
        LedgerError::NotALedger { .. } => {
            "name a job folder; a torn ledger can be replaced by the snapshot on another destination"
        }
        LedgerError::Busy { .. } => "wait until it has ended, then do the same again",
        LedgerError::Unfinished { .. } => {
            "make the job folder writable, or copy it whole to a disk that is, and do the same again there"
        }
        LedgerError::Broken { .. } => "keep the copies as they are; open a new job and copy again",
        LedgerError::Store { .. } if e.is_torn() => {
            "the ledger is torn: put the snapshot of it that lies in this job's folder on another destination in its place; what was done after that was made has to be done again"
        }
        LedgerError::Store { .. } => {
            "look whether the destination that holds the job is full, read-only or gone; then do the same again"
        }
    };
    Problem::failed(e.to_string(), e.on(), next)
}

/// A fault of the outside as the problem of a step.
pub fn fault_problem(fault: &Fault, next: &str) -> Problem {
    Problem::failed(fault.to_string(), "", next)
}
