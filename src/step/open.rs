//! `open`: puts a folder (and the drive that recorded replies describe) on hold, and settles
//! where copies may go.
//!
//! Invariant: nothing is written to the source. A destination counts only when it is another
//! device than the source and than every destination before it; under a practice policy it
//! counts all the same, and everything issued says so.

use crate::job::{
    DestinationKept, FolderKept, ID_FILE, IdFile, Job, KeptPath, Setup, fault_problem,
    ledger_problem,
};
use crate::ledger::{FactBody, Ledger, LedgerError};
use crate::policy::Policy;
use crate::port::{Bench, DestinationFacts, FaultKind, Tree, TreeRoot};
use crate::step::event::{Event, Step, Tell};
use crate::step::outcome::{DestinationSeen, DriveOnHold, Hold, Opened, Outcome, Problem, State};
use crate::step::request::{MustHaves, OpenRequest, Source};
use crate::value::{Blake3, Moment, Name};
use std::path::{Path, PathBuf};

/// Starts a job.
pub fn open(
    bench: &dyn Bench,
    request: &OpenRequest,
    make_ledger: &dyn Fn(&Path) -> Result<Ledger, LedgerError>,
    tell: Tell<'_>,
) -> Result<Outcome<Opened>, Problem> {
    tell(Event::Started { step: Step::Open });
    let Source::Folder(folder) = &request.source else {
        return Err(Problem::usage(
            "this build opens folders only",
            "--drive",
            "name the mounted folder with --folder",
        ));
    };
    let (policy, policy_text) = choose_policy(bench, request)?;
    let folder = bench
        .absolute(folder)
        .map_err(|fault| fault_problem(&fault, "name a folder that exists"))?;
    let tree = bench
        .tree(&folder)
        .map_err(|fault| fault_problem(&fault, "name a folder that can be read"))?;
    let root = tree
        .root()
        .map_err(|fault| fault_problem(&fault, "name a folder that can be read"))?;
    let now = bench.clock().now();
    let id = make_id(bench, now, &folder);
    let tos = check_places(bench, request, &folder)?;
    let (name, dir) = name_job(bench, request, &tos, now)?;
    if let Some(replies) = &request.replies {
        bench
            .replies(replies)
            .map_err(|fault| fault_problem(&fault, "name a folder of recorded replies"))?;
    }
    let mut destinations: Vec<DestinationKept> = Vec::new();
    for (number, to) in tos.iter().enumerate() {
        let kept =
            settle_destination(bench, &policy, &root, &destinations, number, to, &name, &id)?;
        destinations.push(kept);
    }
    let setup = Setup {
        id,
        name,
        opened: now,
        folder: Some(FolderKept {
            path: KeptPath::of(&folder),
            device: root.stamp.device,
            inode: root.stamp.inode,
            file_system: root.file_system.clone(),
            file_system_id: root.file_system_id.clone(),
            disks: root.disks.clone(),
            fingerprint: fingerprint(tree.as_ref())?,
        }),
        replies: match &request.replies {
            Some(path) => Some(KeptPath::of(&bench.absolute(path).map_err(|fault| {
                fault_problem(&fault, "name a folder of recorded replies")
            })?)),
            None => None,
        },
        destinations,
        policy: policy.name.clone(),
        policy_text,
        policy_hash: policy.hash(),
        owner: request.owner.clone(),
        technician: request.technician.clone(),
        symptom: request.symptom,
        memory: request.memory,
        machine: request.machine,
        must_haves: request.must_have.as_ref().map(must_have_list),
        host: bench.host().id,
    };
    let ledger = make_ledger(&dir.join(Ledger::FILE)).map_err(|e| ledger_problem(&e))?;
    keep(&ledger, now, &setup)?;
    let job = Job::with(bench, ledger, dir)?;
    let drives = match crate::step::assess::first_reading(&job)? {
        Some(reading) => vec![drive_on_hold(&job, &reading)],
        None => Vec::new(),
    };
    for warning in job.snapshot() {
        tell(Event::Warn { says: warning });
    }
    tell(Event::Finished);
    let points = crate::step::points_now(&job)?;
    Ok(Outcome::done(&job.dir, opened(&job, drives), points))
}

/// Adds answers of the intake to a job that is open already. Nothing else of it changes.
pub fn amend(job: &Job<'_>, request: &OpenRequest) -> Result<Outcome<Opened>, Problem> {
    let mut setup = job.setup.clone();
    let answers = [
        request.owner.is_some(),
        request.technician.is_some(),
        request.symptom.is_some(),
        request.memory.is_some(),
        request.machine.is_some(),
        request.must_have.is_some(),
    ];
    if !answers.contains(&true) {
        return Err(Problem::usage(
            "this job is open already, and no answer was given",
            job.dir.display().to_string(),
            "add --owner, --technician, --symptom, --memory, --machine or --must-have; or choose another --job for a new one",
        ));
    }
    setup.owner = request.owner.clone().or(setup.owner);
    setup.technician = request.technician.clone().or(setup.technician);
    setup.symptom = request.symptom.or(setup.symptom);
    setup.memory = request.memory.or(setup.memory);
    setup.machine = request.machine.or(setup.machine);
    if let Some(must_have) = &request.must_have {
        // Earlier must-haves keep their numbers, because answers refer to them.
        let mut list = setup.must_haves.unwrap_or_default();
        list.extend(
            must_have_list(must_have)
                .into_iter()
                .filter(|text| !list.contains(text))
                .collect::<Vec<_>>(),
        );
        setup.must_haves = Some(list);
    }
    keep(&job.ledger, job.now(), &setup)?;
    let renewed = Job::with(job.bench, reopen(job)?, job.dir.clone())?;
    let drives =
        crate::step::assess::newest(&renewed)?.map(|reading| drive_on_hold(&renewed, &reading));
    Ok(Outcome::done(
        &job.dir,
        opened(&renewed, drives.into_iter().collect()),
        crate::step::points_now(&renewed)?,
    ))
}

fn reopen(job: &Job<'_>) -> Result<Ledger, Problem> {
    Ledger::open(&job.dir.join(Ledger::FILE)).map_err(|e| ledger_problem(&e))
}

fn keep(ledger: &Ledger, at: Moment, setup: &Setup) -> Result<(), Problem> {
    let value = serde_json::to_value(setup)
        .map_err(|e| Problem::failed(e.to_string(), "", "this is a fault of the program"))?;
    ledger
        .transaction::<_, LedgerError>(|ledger| {
            ledger.set("setup", &value.to_string())?;
            ledger.record(
                at,
                &FactBody::Opened {
                    setup: value.clone(),
                },
            )?;
            Ok(())
        })
        .map_err(|e| ledger_problem(&e))
}

fn must_have_list(must_have: &MustHaves) -> Vec<String> {
    match must_have {
        MustHaves::Nothing => Vec::new(),
        MustHaves::Named(list) => list.clone(),
    }
}

fn choose_policy(bench: &dyn Bench, request: &OpenRequest) -> Result<(Policy, String), Problem> {
    let name = request.policy.to_string_lossy();
    let failed = |e: crate::policy::PolicyFault| {
        Problem::failed(
            e.to_string(),
            "--policy",
            "correct the policy (holdpoint policy check FILE), or use home, business or practice",
        )
    };
    if let Some(text) = Policy::builtin_text(&name) {
        return Ok((Policy::builtin(&name).map_err(failed)?, text.to_owned()));
    }
    let path = Path::new(&request.policy);
    let bytes = bench.read_file(path).map_err(|fault| {
        if fault.kind == FaultKind::Missing {
            let known = Policy::names().collect::<Vec<_>>().join(", ");
            Problem::usage(
                format!("there is no policy \"{name}\", and no file of that name"),
                "--policy",
                format!("use one of {known}, or name a file"),
            )
        } else {
            fault_problem(&fault, "name a policy file that can be read")
        }
    })?;
    let text = String::from_utf8(bytes).map_err(|_| {
        Problem::failed(
            "the policy is no UTF-8 text",
            name.to_string(),
            "save it as UTF-8",
        )
    })?;
    Ok((Policy::parse(&name, &text).map_err(failed)?, text))
}

/// A random-looking id: no two jobs share the moment, the machine and the folder.
fn make_id(bench: &dyn Bench, now: Moment, folder: &Path) -> String {
    let mut hasher = blake3::Hasher::new();
    hasher.update(&now.0.to_le_bytes());
    hasher.update(&bench.clock().ticks().to_le_bytes());
    hasher.update(bench.host().id.as_bytes());
    hasher.update(KeptPath::of(folder).raw.as_bytes());
    hasher
        .finalize()
        .to_hex()
        .get(..16)
        .unwrap_or_default()
        .to_owned()
}

/// The destinations made absolute; none lies in the source, nor the source in one.
fn check_places(
    bench: &dyn Bench,
    request: &OpenRequest,
    folder: &Path,
) -> Result<Vec<PathBuf>, Problem> {
    let mut out: Vec<PathBuf> = Vec::new();
    for to in &request.to {
        let shown = KeptPath::of(to).text;
        let to = bench
            .absolute(to)
            .map_err(|fault| fault_problem(&fault, "name a destination folder that exists"))?;
        let inside = |inner: &Path, outer: &Path| {
            bench
                .is_inside(inner, outer)
                .map_err(|fault| fault_problem(&fault, "name folders that exist"))
        };
        if inside(&to, folder)? {
            return Err(Problem::usage(
                "the destination lies inside the folder on hold",
                shown,
                "choose a folder on another drive",
            ));
        }
        if inside(folder, &to)? {
            return Err(Problem::usage(
                "the folder on hold lies inside the destination",
                shown,
                "choose a folder on another drive",
            ));
        }
        for other in &out {
            if inside(&to, other)? || inside(other, &to)? {
                return Err(Problem::usage(
                    "two destinations are one folder, or one lies in the other",
                    shown,
                    "choose folders on different drives",
                ));
            }
        }
        out.push(to);
    }
    if out.is_empty() {
        return Err(Problem::usage(
            "no destination was named",
            "--to",
            "name at least one folder that copies go to",
        ));
    }
    Ok(out)
}

/// The job's name and folder: named by `--job`, or a new folder in the first destination.
fn name_job(
    bench: &dyn Bench,
    request: &OpenRequest,
    tos: &[PathBuf],
    now: Moment,
) -> Result<(String, PathBuf), Problem> {
    if let Some(dir) = &request.job {
        let name = dir
            .file_name()
            .map(|name| name.to_string_lossy().into_owned())
            .filter(|name| crate::bag::name::is_valid(name));
        let shown = KeptPath::of(dir).text;
        let Some(name) = name else {
            return Err(Problem::usage(
                "a job folder needs a plain name",
                shown,
                "use letters, digits and hyphens",
            ));
        };
        if dir.join(Ledger::FILE).exists() {
            return Err(Problem::failed(
                "a job is in that folder already",
                shown,
                "choose another --job, or go on with that one",
            ));
        }
        let destination = bench.destination(dir, true).map_err(|fault| {
            fault_problem(
                &fault,
                "name a job folder whose parent exists and can be written to",
            )
        })?;
        drop(destination);
        let dir = bench
            .absolute(dir)
            .map_err(|fault| fault_problem(&fault, "name a job folder"))?;
        return Ok((name, dir));
    }
    let Some(first) = first_local(bench, tos) else {
        return Err(Problem::failed(
            "no destination is attached to this machine",
            "--to",
            "name --job DIR on a local disk: the job's record cannot live on a network",
        ));
    };
    let day = now.to_string().get(..10).unwrap_or("job").to_owned();
    for number in 1..10_000 {
        let name = format!("job-{day}-{number}");
        if tos.iter().all(|to| !to.join(&name).exists()) {
            return Ok((name.clone(), first.join(name)));
        }
    }
    Err(Problem::failed(
        "no free name for a job folder was found",
        first.display().to_string(),
        "name one with --job DIR",
    ))
}

fn first_local(bench: &dyn Bench, tos: &[PathBuf]) -> Option<PathBuf> {
    tos.iter()
        .find(|to| {
            bench
                .destination(to, false)
                .and_then(|d| d.facts())
                .is_ok_and(|facts| !facts.network)
        })
        .cloned()
}

#[allow(clippy::too_many_arguments)] // one call; a struct for it would only name the same eight things again
fn settle_destination(
    bench: &dyn Bench,
    policy: &Policy,
    root: &TreeRoot,
    before: &[DestinationKept],
    number: usize,
    to: &Path,
    name: &str,
    id: &str,
) -> Result<DestinationKept, Problem> {
    let shown = KeptPath::of(to).text;
    let failed = |fault: crate::port::Fault| {
        fault_problem(&fault, "name a destination that can be written to")
    };
    let facts = bench
        .destination(to, false)
        .and_then(|destination| destination.facts())
        .map_err(failed)?;
    if let Some(why) = &facts.not_writable {
        return Err(Problem::failed(
            format!("the destination cannot be written to: {why}"),
            shown,
            "mount it for writing, or choose another one",
        ));
    }
    let folder = to.join(name);
    let destination = bench.destination(&folder, true).map_err(failed)?;
    if destination.read_small(ID_FILE).map_err(failed)?.is_some() {
        return Err(Problem::failed(
            "a job's copy is in that folder already",
            KeptPath::of(&folder).text,
            "choose another --job name",
        ));
    }
    let destination_id = format!("{id}-{number}");
    let file = IdFile {
        job: id.to_owned(),
        destination: destination_id.clone(),
    };
    let mut bytes = serde_json::to_vec_pretty(&file).unwrap_or_default();
    bytes.push(b'\n');
    destination.write_small(ID_FILE, &bytes).map_err(failed)?;
    let (independent, why) = independence(root, before, &facts);
    Ok(DestinationKept {
        to: KeptPath::of(to),
        folder: KeptPath::of(&folder),
        id: destination_id,
        file_system: facts.file_system.clone(),
        network: facts.network,
        counts: independent || policy.practice,
        independent,
        why: match (&why, policy.practice) {
            (Some(why), true) => Some(format!("{why}; counted for practice only")),
            (why, _) => why.clone(),
        },
        disks: facts.disks.clone(),
        free_bytes: facts.free_bytes,
    })
}

/// Whether a destination shares no disk with the source nor with a destination before it, and why not.
fn independence(
    root: &TreeRoot,
    before: &[DestinationKept],
    facts: &DestinationFacts,
) -> (bool, Option<String>) {
    let shared = |disks: &[String]| {
        facts
            .disks
            .iter()
            .find(|disk| disks.contains(disk))
            .cloned()
    };
    if facts.device == root.stamp.device {
        return (
            false,
            Some("it lies on the same file system as the folder on hold".into()),
        );
    }
    if let Some(disk) = shared(&root.disks) {
        return (
            false,
            Some(format!(
                "it lies on the same disk as the folder on hold ({disk})"
            )),
        );
    }
    if facts.practice_only {
        return (
            false,
            Some("it lies in memory or in a file of another disk".into()),
        );
    }
    if !facts.disks_unknown.is_empty() || (!facts.network && facts.disks.is_empty()) {
        return (
            false,
            Some("which disk it lies on could not be told".into()),
        );
    }
    if !root.disks_unknown.is_empty() || (!facts.network && root.disks.is_empty()) {
        return (
            false,
            Some("which disk the folder on hold lies on could not be told".into()),
        );
    }
    for other in before {
        if let Some(disk) = shared(&other.disks) {
            return (
                false,
                Some(format!(
                    "it lies on the same disk as {} ({disk}): two folders on one disk are one copy",
                    other.to.text
                )),
            );
        }
        if facts.network && other.network && facts.disks.is_empty() && facts.path == other.to.text {
            return (
                false,
                Some(format!("it is the same share as {}", other.to.text)),
            );
        }
    }
    (true, None)
}

/// BLAKE3 over the first level of the tree, sorted by name.
fn fingerprint(tree: &dyn Tree) -> Result<Blake3, Problem> {
    let failed =
        |fault: crate::port::Fault| fault_problem(&fault, "name a folder that can be read");
    let mut entries = Vec::new();
    tree.folder(&[])
        .and_then(|folder| {
            folder.each(&mut |entry| {
                let stamp = entry.stamp.clone().unwrap_or_default();
                entries.push((
                    entry.name.clone(),
                    crate::ledger::row::kind_code(entry.kind),
                    stamp.bytes,
                    stamp.modified_ns,
                ));
            })
        })
        .map_err(failed)?;
    entries.sort();
    let mut hasher = blake3::Hasher::new();
    for (name, kind, bytes, modified) in entries {
        hasher.update(&(name.len() as u64).to_le_bytes());
        hasher.update(&name);
        hasher.update(&kind.to_le_bytes());
        hasher.update(&bytes.to_le_bytes());
        hasher.update(&modified.to_le_bytes());
    }
    Ok(Blake3(*hasher.finalize().as_bytes()))
}

fn opened(job: &Job<'_>, drives: Vec<DriveOnHold>) -> Opened {
    let name = Name::Bytes(std::os::unix::ffi::OsStrExt::as_bytes(job.dir.as_os_str()).to_vec());
    Opened {
        job: name.text(),
        raw: (!name.is_text()).then(|| name.raw_hex()),
        state: State::Hold,
        drives,
        others: Vec::new(),
        destinations: job
            .setup
            .destinations
            .iter()
            .map(|kept| {
                let to = kept.to.path();
                let name =
                    Name::Bytes(std::os::unix::ffi::OsStrExt::as_bytes(to.as_os_str()).to_vec());
                DestinationSeen {
                    path: kept.to.text.clone(),
                    raw: (!name.is_text()).then(|| name.raw_hex()),
                    free_bytes: kept.free_bytes,
                    file_system: kept.file_system.clone(),
                    independent: kept.independent,
                    why: kept.why.clone(),
                }
            })
            .collect(),
    }
}

fn drive_on_hold(job: &Job<'_>, reading: &crate::drive::reading::Reading) -> DriveOnHold {
    let drive = &reading.drive;
    DriveOnHold {
        path: job
            .setup
            .replies
            .as_ref()
            .map(|kept| kept.text.clone())
            .unwrap_or_default(),
        raw: None,
        model: drive.model.value().cloned(),
        serial: drive.serial.value().cloned(),
        firmware: drive.firmware.value().cloned(),
        bytes: drive.bytes.get(),
        sector_bytes: drive.sector_bytes.get(),
        kind: drive.medium.into(),
        fingerprint: None,
        hold: Hold {
            kernel_read_only: false,
            why: "recorded replies describe this drive; no device is here to be held".into(),
        },
    }
}
