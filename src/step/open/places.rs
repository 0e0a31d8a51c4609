//! Where copies may go: places checked, the job named, each destination settled.
//!
//! Invariant: a destination counts only when it is another device than everything on hold and
//! than every destination before it; what could not be told is never taken for independent.

use crate::job::{DestinationKept, ID_FILE, IdFile, KeptPath, fault_problem};
use crate::ledger::Ledger;
use crate::policy::Policy;
use crate::port::{Bench, DestinationFacts};
use crate::step::outcome::Problem;
use crate::step::request::{OpenRequest, Source};
use crate::value::Moment;
use std::path::{Path, PathBuf};

/// What lies under the things on hold.
#[derive(Debug, Clone, Default)]
pub struct OnHold {
    /// Device numbers of the file systems that hold a folder or an image file.
    pub devices: Vec<u64>,
    /// Whole disks, by kernel name.
    pub disks: Vec<String>,
    /// Not all of them could be told.
    pub unknown: bool,
    /// For people: "the folder on hold", "the drive on hold".
    pub words: &'static str,
}

/// The destinations made absolute; none lies in the source, nor the source in one.
pub fn check_places(
    bench: &dyn Bench,
    tos: &[PathBuf],
    folder: Option<&Path>,
) -> Result<Vec<PathBuf>, Problem> {
    let mut out: Vec<PathBuf> = Vec::new();
    for to in tos {
        let shown = KeptPath::of(to).text;
        let to = bench.absolute(to).map_err(|fault| {
            fault_problem(&fault, "name a destination folder that exists").on_path(to)
        })?;
        let inside = |inner: &Path, outer: &Path| {
            bench
                .is_inside(inner, outer)
                .map_err(|fault| fault_problem(&fault, "name folders that exist").on_path(inner))
        };
        if let Some(folder) = folder
            && inside(&to, folder)?
        {
            return Err(Problem::usage(
                "the destination lies inside the folder on hold",
                shown,
                "choose a folder on another drive",
            ));
        }
        if let Some(folder) = folder
            && inside(folder, &to)?
        {
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
pub fn name_job(
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
        if Ledger::is_in(dir) {
            return Err(Problem::failed(
                "a job is in that folder already",
                shown,
                "choose another --job, or go on with that one",
            ));
        }
        refuse_on_hold(bench, request, dir)?;
        let destination = bench.destination(dir, true).map_err(|fault| {
            fault_problem(
                &fault,
                "name a job folder whose parent exists and can be written to",
            )
            .on_path(dir)
        })?;
        drop(destination);
        let dir = bench
            .absolute(dir)
            .map_err(|fault| fault_problem(&fault, "name a job folder").on_path(dir))?;
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

/// A job's record is written from the first step on, so it may not lie in the folder on hold.
fn refuse_on_hold(bench: &dyn Bench, request: &OpenRequest, dir: &Path) -> Result<(), Problem> {
    let Source::Folder(folder) = &request.source else {
        return Ok(());
    };
    let here = Path::new(".");
    let nearest = dir
        .ancestors()
        .map(|path| {
            if path.as_os_str().is_empty() {
                here
            } else {
                path
            }
        })
        .find(|path| bench.absolute(path).is_ok());
    let failed = |fault: crate::port::Fault| {
        fault_problem(&fault, "name a job folder whose parent exists").on_path(dir)
    };
    let Some(nearest) = nearest else {
        return Ok(());
    };
    let (nearest, folder) = (
        bench.absolute(nearest).map_err(failed)?,
        bench.absolute(folder).map_err(failed)?,
    );
    if bench.is_inside(&nearest, &folder).map_err(failed)? {
        return Err(Problem::usage(
            "the job folder would lie inside the folder on hold",
            KeptPath::of(dir).text,
            "choose a folder on another drive",
        ));
    }
    Ok(())
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

/// Settles one destination after the other, each with the number behind those before it. Where one fails, the new ones
/// are as they were before, so that the same command can be given again.
pub fn settle_destinations(
    bench: &dyn Bench,
    policy: &Policy,
    on_hold: &OnHold,
    mut kept: Vec<DestinationKept>,
    tos: &[PathBuf],
    of_job: (&str, &str),
) -> Result<Vec<DestinationKept>, Problem> {
    let before = kept.len();
    for to in tos {
        match settle(bench, policy, on_hold, &kept, to, of_job) {
            Ok(settled) => kept.push(settled),
            Err(problem) => {
                unsettle(bench, kept.get(before..).unwrap_or_default());
                return Err(problem);
            }
        }
    }
    Ok(kept)
}

/// Takes back what settling wrote, where the job could not be opened after all.
pub fn unsettle(bench: &dyn Bench, kept: &[DestinationKept]) {
    for settled in kept {
        let opened = bench.destination(&settled.folder.path(), false);
        // What cannot be taken back shows at the next try.
        let _ = opened.and_then(|destination| destination.remove(ID_FILE));
    }
}

fn settle(
    bench: &dyn Bench,
    policy: &Policy,
    on_hold: &OnHold,
    before: &[DestinationKept],
    to: &Path,
    (name, id): (&str, &str),
) -> Result<DestinationKept, Problem> {
    let number = before.len();
    let shown = KeptPath::of(to).text;
    let failed = |fault: crate::port::Fault| {
        fault_problem(&fault, "name a destination that can be written to").on_path(to)
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
            "choose another --job name; where that job was never finished opening, remove the folder",
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
    let (independent, why) = independence(on_hold, before, &facts);
    let mut kept = DestinationKept {
        to: KeptPath::of(to),
        folder: KeptPath::of(&folder),
        id: destination_id,
        file_system: String::new(),
        network: false,
        counts: false,
        independent: false,
        why: None,
        disks: Vec::new(),
        free_bytes: 0,
    };
    kept.weigh(&facts, independent, why, policy.practice);
    Ok(kept)
}

/// Whether a destination shares no disk with the source nor with a destination in `before`, and why not.
pub fn independence(
    on_hold: &OnHold,
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
    let words = on_hold.words;
    if on_hold.devices.contains(&facts.device) {
        return (
            false,
            Some(format!("it lies on the same file system as {words}")),
        );
    }
    if let Some(disk) = shared(&on_hold.disks) {
        return (
            false,
            Some(format!("it lies on the same disk as {words} ({disk})")),
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
    if on_hold.unknown || (!facts.network && on_hold.disks.is_empty()) {
        return (
            false,
            Some(format!("which disk {words} lies on could not be told")),
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
