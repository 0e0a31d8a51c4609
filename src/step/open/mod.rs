//! `open`: puts drives or a folder on hold, and settles where copies may go.
//!
//! A whole disk gets the kernel's read-only flag before anything of it is mounted by us; what that
//! covers is said.
//!
//! Invariant: nothing is written to the source. A destination counts only when it is another
//! device than the source and than every destination before it; under a practice policy it
//! counts all the same, and everything issued says so.

use crate::job::{FolderKept, Job, KeptPath, Setup, fault_problem, ledger_problem};
use crate::ledger::{FactBody, Ledger, LedgerError};
use crate::policy::Policy;
use crate::port::{Bench, FaultKind, Tree};
use crate::step::event::{Event, Step, Tell};
use crate::step::outcome::{DestinationSeen, DriveOnHold, Opened, Outcome, Problem, State};
use crate::step::request::{MustHaves, OpenRequest, Source};
use crate::value::{Blake3, Moment, Name};
use places::{OnHold, check_places, name_job, settle_destinations};
use std::ffi::OsString;
use std::path::Path;

mod amend;
mod drives;
mod moved;
mod places;

pub use amend::amend;

/// Starts a job.
pub fn open(
    bench: &dyn Bench,
    request: &OpenRequest,
    make_ledger: &dyn Fn(&Path) -> Result<Ledger, LedgerError>,
    tell: Tell<'_>,
) -> Result<Outcome<Opened>, Problem> {
    tell(Event::Started { step: Step::Open });
    crate::step::clock::right_clock(bench)?;
    let (policy, policy_text) = choose_policy(bench, request)?;
    if let Some(replies) = &request.replies {
        bench.replies(replies).map_err(|fault| {
            fault_problem(&fault, "name a folder of recorded replies").on_path(replies)
        })?;
    }
    let now = bench.clock().now();
    let (folder, mut drives, on_hold) = match &request.source {
        Source::Folder(path) => {
            let (folder, on_hold) = hold_folder(bench, path)?;
            (Some(folder), Vec::new(), on_hold)
        }
        Source::Drives(paths) => {
            let (drives, on_hold) = drives::look(bench, paths)?;
            (None, drives, on_hold)
        }
        Source::OfTheJob => {
            return Err(Problem::usage(
                "nothing was named to put on hold",
                "",
                "name it with --drive PATH (a device or image) or --folder DIR",
            ));
        }
    };
    let root = folder.as_ref().map(|folder| folder.path.path());
    let id = make_id(bench, now, &request.source);
    let tos = check_places(bench, &request.to, root.as_deref())?;
    let (name, dir) = name_job(bench, request, &tos, now)?;
    let destinations =
        settle_destinations(bench, &policy, &on_hold, Vec::new(), &tos, (&name, &id))?;
    let replies = match &request.replies {
        Some(path) => Some(KeptPath::of(&bench.absolute(path).map_err(|fault| {
            fault_problem(&fault, "name a folder of recorded replies").on_path(path)
        })?)),
        None => None,
    };
    let policy_file = policy_file(bench, request)?;
    // Held last: what goes wrong from here on until the job stands gives the flags back.
    drives::hold(bench, &mut drives, request.symptom, tell);
    let others = drives::others(bench, &drives, request.machine);
    let setup = Setup {
        id,
        name,
        opened: now,
        folder,
        drives,
        others,
        replies,
        destinations,
        policy: policy.name.clone(),
        policy_file,
        policy_text,
        policy_hash: policy.hash(),
        owner: request.owner.clone(),
        technician: request.technician.clone(),
        symptom: request.symptom,
        memory: request.memory,
        machine: request.machine,
        must_haves: request.must_have.as_ref().map(must_have_list),
        host: bench.host().id,
        answers: Vec::new(),
    };
    let ledger = make_ledger(&dir.join(Ledger::FILE))
        .map_err(|e| ledger_problem(&e))
        .and_then(|ledger| keep(&ledger, now, &setup).map(|()| ledger))
        .inspect_err(|_| {
            drives::let_go(bench, &setup.drives, tell);
            places::unsettle(bench, &setup.destinations);
        })?;
    let job = Job::with(bench, ledger, dir)?;
    crate::step::assess::first_readings(&job)?;
    let job = drives::name_by_reading(job)?;
    let drives = drives::shown(&job)?;
    for warning in job.snapshot() {
        tell(Event::Warn { says: warning });
    }
    tell(Event::Finished);
    let points = crate::step::points_now(&job)?;
    let outcome = Outcome::done(&job.dir, opened(&job, drives), points);
    Ok(crate::step::show::onward(&job, outcome))
}

/// Keeps what the job knows of its drives, places and answers, as a fact.
pub fn keep(ledger: &Ledger, at: Moment, setup: &Setup) -> Result<(), Problem> {
    let setup = as_kept(setup)?;
    ledger
        .transaction(|ledger| write_setup(ledger, at, setup.clone()))
        .map_err(|e| ledger_problem(&e))
}

fn as_kept(setup: &Setup) -> Result<serde_json::Value, Problem> {
    serde_json::to_value(setup)
        .map_err(|e| Problem::failed(e.to_string(), "", "this is a fault of the program"))
}

/// Keeps a setup within a transaction.
fn write_setup(ledger: &Ledger, at: Moment, setup: serde_json::Value) -> Result<(), LedgerError> {
    ledger.set("setup", &setup.to_string())?;
    ledger.record(at, &FactBody::Opened { setup }).map(|_| ())
}

fn must_have_list(must_have: &MustHaves) -> Vec<String> {
    match must_have {
        MustHaves::Nothing => Vec::new(),
        MustHaves::Named(list) => list.clone(),
    }
}

/// What was asked for, or the first of the shipped policies.
fn policy_named(request: &OpenRequest) -> OsString {
    let first = || Policy::names().next().unwrap_or_default().into();
    request.policy.clone().unwrap_or_else(first)
}

fn choose_policy(bench: &dyn Bench, request: &OpenRequest) -> Result<(Policy, String), Problem> {
    let chosen = policy_named(request);
    let name = chosen.to_string_lossy();
    let failed = |e: crate::policy::PolicyFault| {
        Problem::failed(
            e.to_string(),
            name.to_string(),
            "use home, business or practice; or correct the policy, then:\nholdpoint policy check FILE",
        )
    };
    if let Some(text) = Policy::builtin_text(&name) {
        return Ok((Policy::builtin(&name).map_err(failed)?, text.to_owned()));
    }
    let path = Path::new(&chosen);
    let bytes = bench.read_file(path).map_err(|fault| {
        if fault.kind == FaultKind::Missing {
            let known = Policy::names().collect::<Vec<_>>().join(", ");
            Problem::usage(
                format!("there is no policy \"{name}\", and no file of that name"),
                "--policy",
                format!("use one of {known}, or name a file"),
            )
        } else {
            fault_problem(&fault, "name a policy file that can be read").on_path(path)
        }
    })?;
    let text = String::from_utf8(bytes).map_err(|_| {
        Problem::failed(
            "the policy is no UTF-8 text",
            name.to_string(),
            "save it as UTF-8",
        )
    })?;
    let policy = Policy::of_a_shop(&name, &text, crate::judge::point::ORDER);
    Ok((policy.map_err(failed)?, text))
}

/// Where the policy's file is; `None` = it is a shipped one.
fn policy_file(bench: &dyn Bench, request: &OpenRequest) -> Result<Option<KeptPath>, Problem> {
    let chosen = policy_named(request);
    if Policy::builtin_text(&chosen.to_string_lossy()).is_some() {
        return Ok(None);
    }
    let path = bench
        .absolute(Path::new(&chosen))
        .map_err(|fault| fault_problem(&fault, "name a policy file that can be read"))?;
    Ok(Some(KeptPath::of(&path)))
}

/// Identifies the folder to be put on hold.
fn hold_folder(bench: &dyn Bench, path: &Path) -> Result<(FolderKept, OnHold), Problem> {
    let failed = |fault: crate::port::Fault| {
        fault_problem(&fault, "name a folder that can be read").on_path(path)
    };
    let path = bench.absolute(path).map_err(failed)?;
    let tree = bench.tree(&path).map_err(failed)?;
    let root = tree.root().map_err(failed)?;
    let on_hold = OnHold {
        devices: vec![root.stamp.device],
        disks: root.disks.clone(),
        unknown: !root.disks_unknown.is_empty(),
        words: "the folder on hold",
    };
    let kept = FolderKept {
        path: KeptPath::of(&path),
        device: root.stamp.device,
        inode: root.stamp.inode,
        file_system: root.file_system.clone(),
        file_system_id: root.file_system_id.clone(),
        disks: root.disks,
        fingerprint: fingerprint(tree.as_ref())?,
    };
    Ok((kept, on_hold))
}

/// A random-looking id: no two jobs share the moment, the machine and the things on hold.
fn make_id(bench: &dyn Bench, now: Moment, source: &Source) -> String {
    let mut hasher = blake3::Hasher::new();
    hasher.update(&now.0.to_le_bytes());
    hasher.update(&bench.clock().ticks().to_le_bytes());
    hasher.update(bench.host().id.as_bytes());
    let paths = match source {
        Source::Folder(path) => std::slice::from_ref(path),
        Source::Drives(paths) => paths,
        Source::OfTheJob => &[],
    };
    for path in paths {
        hasher.update(KeptPath::of(path).raw.as_bytes());
    }
    hasher
        .finalize()
        .to_hex()
        .get(..16)
        .unwrap_or_default()
        .to_owned()
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
        raw: name.raw(),
        state: State::Hold,
        drives,
        others: job.setup.others.clone(),
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
                    raw: name.raw(),
                    free_bytes: kept.free_bytes,
                    file_system: kept.file_system.clone(),
                    independent: kept.independent,
                    why: kept.why.clone(),
                }
            })
            .collect(),
    }
}
