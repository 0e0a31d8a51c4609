//! The engine behind the face: this machine's bench, each request handed to its step.
//!
//! Invariant: nothing is decided here; each method opens what the request names and hands it to its step.

use super::engine::{Answer, Engine};
use crate::job::Job;
use crate::ledger::Ledger;
use crate::linux::MachineBench;
use crate::port::Bench;
use crate::step::event::Tell;
use crate::step::outcome::*;
use crate::step::request::*;
use crate::step::show::onward;
use crate::step::{
    assess, copy, guard, hold, open, plan, print, recheck, release, show, verify, waive,
};
use std::path::{Path, PathBuf};

impl Engine for MachineBench {
    fn stop_asked(&self) -> bool {
        Bench::stop_asked(self)
    }

    fn open(&self, request: &OpenRequest, tell: Tell) -> Answer<Opened> {
        match &request.job {
            Some(dir) if Ledger::is_in(dir) => open::amend(hold::open(self, dir, tell)?, request),
            _ => open::open(self, request, &Ledger::create, tell),
        }
    }

    fn assess(&self, request: &AssessRequest, tell: Tell) -> Answer<Assessed> {
        let job = hold::fingerprints(hold::open(self, &request.job, tell)?)?;
        Ok(onward(&job, assess::assess(&job, request, tell)?))
    }

    fn plan(&self, request: &PlanRequest, tell: Tell) -> Answer<Planned> {
        let job = hold::open(self, &request.job, tell)?;
        Ok(onward(&job, plan::plan(&job, request, tell)?))
    }

    fn copy(&self, request: &CopyRequest, tell: Tell) -> Answer<Copied> {
        let job = hold::open(self, &request.job, tell)?;
        Ok(onward(&job, copy::copy(&job, request, tell)?))
    }

    fn verify(&self, request: &VerifyRequest, tell: Tell) -> Answer<Verified> {
        if request.path.join("bagit.txt").exists() && !Ledger::is_in(&request.path) {
            return verify::verify_bag(self, request, tell);
        }
        if let Some(problem) = crate::job::closed_to_us(&request.path) {
            return Err(problem);
        }
        if !Ledger::is_in(&request.path) {
            return Err(Problem::failed(
                format!(
                    "expected a job folder (one with a ledger.db in it) or a bag (one with a bagit.txt in it), found {}",
                    if request.path.is_dir() {
                        "a folder with neither"
                    } else if request.path.exists() {
                        "a file"
                    } else {
                        "no such folder"
                    }
                ),
                PathText::of(&request.path).path,
                "name the folder that open printed, or the bag in it; a bag that lost its bagit.txt is not valid any more",
            ));
        }
        let job = hold::open(self, &request.path, tell)?;
        Ok(onward(&job, verify::verify(&job, request, tell)?))
    }

    fn inspect(&self, request: &InspectRequest, tell: Tell) -> Answer<Inspected> {
        let job = Job::open(self, &request.job)?;
        let outcome = crate::step::inspect::inspect(&job, request, tell)?;
        Ok(onward(&job, outcome))
    }

    fn waive(&self, request: &WaiveRequest) -> Answer<Waived> {
        let job = Job::open(self, &request.job)?;
        Ok(onward(&job, waive::waive(&job, request)?))
    }

    fn answer(&self, request: &AnswerRequest) -> Answer<Answered> {
        let job = Job::open(self, &request.job)?;
        Ok(onward(&job, waive::answer(&job, request)?))
    }

    fn release(&self, request: &ReleaseRequest, tell: Tell) -> Answer<Released> {
        let job = hold::open(self, &request.job, tell)?;
        Ok(onward(&job, release::release(&job, request, None, tell)?))
    }

    fn recheck(&self, request: &RecheckRequest, tell: Tell) -> Answer<Rechecked> {
        let job = hold::open(self, &request.job, tell)?;
        Ok(onward(
            &job,
            recheck::recheck(&job, request.drive.as_deref())?,
        ))
    }

    fn guard(&self, request: &GuardRequest, tell: Tell) -> Answer<Guarded> {
        let job = hold::open(self, &request.job, tell)?;
        Ok(onward(&job, guard::guard(&job, request)?))
    }

    fn print(&self, request: &PrintRequest) -> Answer<Printed> {
        print::print(&Job::open_to_read(self, &request.job)?, request)
    }

    fn put_back(&self, request: &PutBackRequest, tell: Tell) -> Answer<PutBack> {
        let job = hold::open(self, &request.job, tell)?;
        let outcome = crate::step::put_back::put_back(&job, request, tell)?;
        Ok(onward(&job, outcome))
    }

    fn close(&self, request: &CloseRequest, tell: Tell) -> Answer<Closed> {
        let job = Job::open(self, &request.job)?;
        Ok(onward(
            &job,
            crate::step::close::close(&job, request, tell)?,
        ))
    }

    fn show(&self, job: &Path) -> Answer<Shown> {
        show::show(&Job::open_to_read(self, job)?)
    }

    fn show_all(&self) -> Answer<ShownAll> {
        show::show_all(self, &places_to_look())
    }

    fn demo(&self, request: &DemoRequest, tell: Tell) -> Answer<Demonstrated> {
        let dir = demo_folder(request.keep.as_deref())?;
        let steps = crate::life::demo::DemoLife::new(&dir)?.run(tell)?;
        let kept = Some(dir.display().to_string());
        Ok(Outcome::alone(Demonstrated { steps, kept }))
    }

    fn policies(&self) -> Answer<PoliciesListed> {
        crate::step::policies::list()
    }

    fn policy(&self, request: &PolicyRequest) -> Answer<PolicyExplained> {
        crate::step::policies::explain(self, request)
    }
}

/// The folder that the demonstration is kept in: the one named, made if it is not there, or a new one.
fn demo_folder(keep: Option<&Path>) -> Result<PathBuf, Problem> {
    let failed = |path: &Path, e: std::io::Error| {
        Problem::failed(
            format!("making a folder for the demonstration: {e}"),
            path.display().to_string(),
            "name an empty folder with --keep DIR",
        )
    };
    if let Some(path) = keep {
        std::fs::create_dir_all(path).map_err(|e| failed(path, e))?;
        return Ok(path.to_owned());
    }
    let base = std::env::temp_dir();
    for number in 1..10_000 {
        let path = base.join(format!("holdpoint-demo-{number}"));
        match std::fs::create_dir(&path) {
            Ok(()) => return Ok(path),
            Err(e) if e.kind() == std::io::ErrorKind::AlreadyExists => {}
            Err(e) => return Err(failed(&path, e)),
        }
    }
    Err(Problem::failed(
        "no free folder was found for the demonstration",
        base.display().to_string(),
        "name an empty folder with --keep DIR",
    ))
}

/// Folders that may hold jobs: here, one level below, and one or two levels below every mounted file system.
fn places_to_look() -> Vec<PathBuf> {
    let mut out = vec![PathBuf::from(".")];
    if let Ok(disks) = sysinfo::Disks::new_with_refreshed_list() {
        out.extend(disks.iter().map(|disk| disk.mount_point().to_owned()));
    }
    out.sort();
    out.dedup();
    out
}
