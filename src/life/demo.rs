//! A friendly life for a newcomer: an invented customer's failing drive, copied to real folders.
//!
//! Use: `DemoLife::new(dir)?.run(tell)`; every step is the engine's own, and what it leaves in `dir`
//! (two destinations with a bag each, the ledger, the certificate) can be looked at with ordinary tools.
//!
//! Invariant: the source and the drive are simulated, nothing of this machine is read; everything is
//! written below `dir`; the policy is `practice`, so what is issued says that it releases nothing.

use super::clock::LifeClock;
use super::fate::Fate;
use super::health::{Ailing, Recorded, replies};
use super::memory::LifeMemory;
use super::seed::Seed;
use super::tree::{LifeDrive, LifeTree};
use crate::drive::replies::Replies;
use crate::job::Job;
use crate::ledger::Ledger;
use crate::linux::{FolderDestination, MachineClock};
use crate::port::{
    Bench, Clock, Destination, Fault, FaultKind, Host, Memory, Recipient, Transport, Tree,
};
use crate::step::event::Tell;
use crate::step::outcome::{
    DecidedBy, DemoStep, Exit, How, Machine, MemoryState, OpenPoint, Paper, Problem, ProblemKind,
    Symptom, Who,
};
use crate::step::request::{
    AssessRequest, CopyRequest, MustHaves, OpenRequest, PlanRequest, PrintRequest, ReleaseRequest,
    Source, VerifyRequest, WaiveRequest, WaiveWhat,
};
use crate::value::measure::bytes_in_words;
use std::path::{Path, PathBuf};
use std::sync::Arc;

/// Where the invented source seems to be.
pub const SOURCE: &str = "/demo/Users/marta";
/// Where the drive's recorded replies seem to be.
pub const REPLIES: &str = "/demo/replies";
/// The invented drive.
pub const MODEL: &str = "INVENTED 500 GB";
/// Its serial.
pub const SERIAL: &str = "DEMO-4711";

/// Marta Feld's folder: photos, letters, mail, some of it on bad sectors.
pub fn demo_source() -> Arc<LifeDrive> {
    let drive = Arc::new(LifeDrive::new(
        SOURCE,
        "the failing drive",
        Arc::new(Fate::default()),
        Arc::new(LifeClock::new(super::world::MORNING)),
        Arc::new(LifeMemory::default()),
    ));
    let mut seed = Seed::new(2019);
    let pictures = drive.folder(0, b"Pictures");
    let wedding = drive.folder(pictures, b"Wedding 2019");
    for number in 1..=18 {
        let bytes = seed.between(60_000, 260_000) as usize;
        let name = format!("IMG_{number:04}.jpg");
        let photo = drive.file(wedding, name.as_bytes(), picture(&mut seed, bytes));
        if number == 7 || number == 12 {
            drive.change(photo, |node| node.refused.push((40_960, 4096)));
        }
    }
    let garden = drive.folder(pictures, b"Garden");
    for number in 1..=6 {
        let name = format!("tulips {number}.jpg");
        drive.file(garden, name.as_bytes(), picture(&mut seed, 48_000));
    }
    let documents = drive.folder(0, b"Documents");
    for (name, text) in [
        ("Letter to the landlord.txt", "Dear Mr Brandt,\n"),
        ("Recipe plum cake.txt", "500 g plums\n"),
        ("Tax 2024.txt", "Income, expenses\n"),
        ("Diary.txt", "Monday. It rained.\n"),
    ] {
        drive.file(documents, name.as_bytes(), text.repeat(40).into_bytes());
    }
    let thesis = drive.file(documents, b"Thesis final.txt", seed.content(90_000));
    drive.change(thesis, |node| node.refused.push((0, u64::MAX / 2)));
    let mail = drive.folder(0, b"Mail");
    for name in ["Inbox.mbox", "Sent.mbox"] {
        let text = "From marta@example.org Mon Jan  1 00:00:00 2024\nSubject: Hello\n\nHello!\n\n";
        drive.file(mail, name.as_bytes(), text.repeat(900).into_bytes());
    }
    let desktop = drive.folder(0, b"Desktop");
    drive.link(desktop, b"Photos", b"../Pictures");
    drive.file(desktop, b"Passwords.kdbx", seed.content(9_000));
    drive
}

/// Bytes that begin as a JPEG file does.
fn picture(seed: &mut Seed, bytes: usize) -> Vec<u8> {
    let mut out = seed.content(bytes);
    if let Some(head) = out.get_mut(..4) {
        head.copy_from_slice(&[0xff, 0xd8, 0xff, 0xe0]);
    }
    out
}

/// The health pages of the invented drive: sectors wait, and the self-test stopped.
pub fn demo_replies() -> Replies {
    let ailing = Ailing {
        hours: 31_250,
        awaiting: 24,
        remapped: 8,
        given_up: 31,
        stopped_at: Some(40_219_776),
        celsius: 41,
    };
    replies(MODEL, SERIAL, &ailing)
}

/// Simulated source and drive, real folders to copy to, the real clock.
pub struct DemoBench {
    clock: MachineClock,
    memory: LifeMemory,
    source: Arc<LifeDrive>,
    replies: Replies,
}

fn of_file(doing: &str, path: &Path, e: &std::io::Error) -> Fault {
    let kind = match e.kind() {
        std::io::ErrorKind::NotFound => FaultKind::Missing,
        std::io::ErrorKind::PermissionDenied => FaultKind::Denied,
        std::io::ErrorKind::StorageFull => FaultKind::Full,
        _ => FaultKind::Other,
    };
    Fault::new(kind, format!("{doing} {}", path.display()), e.to_string())
}

impl Bench for DemoBench {
    fn clock(&self) -> &dyn Clock {
        &self.clock
    }

    fn memory(&self) -> &dyn Memory {
        &self.memory
    }

    fn workers(&self) -> usize {
        0
    }

    fn stop_asked(&self) -> bool {
        false
    }

    fn host(&self) -> Host {
        Host {
            id: "de30".into(),
            product: "an invented machine".into(),
            ..Host::default()
        }
    }

    fn absolute(&self, path: &Path) -> Result<PathBuf, Fault> {
        if path == Path::new(SOURCE) || path == Path::new(REPLIES) {
            return Ok(path.to_owned());
        }
        std::fs::canonicalize(path).map_err(|e| of_file("looking for", path, &e))
    }

    fn is_inside(&self, inner: &Path, outer: &Path) -> Result<bool, Fault> {
        Ok(inner.starts_with(outer))
    }

    fn tree(&self, path: &Path) -> Result<Box<dyn Tree>, Fault> {
        if path == Path::new(SOURCE) {
            return Ok(Box::new(LifeTree(self.source.clone())));
        }
        Err(Fault::new(
            FaultKind::Missing,
            format!("opening {}", path.display()),
            "the demonstration has one source only",
        ))
    }

    fn destination(&self, path: &Path, make: bool) -> Result<Box<dyn Destination>, Fault> {
        Ok(Box::new(if make {
            FolderDestination::make(path)?
        } else {
            FolderDestination::open(path)?
        }))
    }

    fn recipient(&self, path: &Path) -> Result<Box<dyn Recipient>, Fault> {
        Err(Fault::new(
            FaultKind::Missing,
            format!("opening {}", path.display()),
            "the demonstration puts nothing back",
        ))
    }

    fn replies(&self, _: &Path) -> Result<Box<dyn Transport>, Fault> {
        Ok(Box::new(Recorded(self.replies.clone())))
    }

    fn read_file(&self, path: &Path) -> Result<Vec<u8>, Fault> {
        std::fs::read(path).map_err(|e| of_file("reading", path, &e))
    }

    fn write_file(&self, path: &Path, bytes: &[u8]) -> Result<(), Fault> {
        let folder = path.parent().unwrap_or(Path::new("."));
        let name = path.file_name().unwrap_or_default().to_string_lossy();
        FolderDestination::make(folder)?.write_small(&name, bytes)
    }
}

/// The demonstration.
pub struct DemoLife {
    /// The outside.
    pub bench: DemoBench,
    /// Where everything is written.
    pub dir: PathBuf,
}

impl DemoLife {
    /// Prepares the demonstration in `dir`, which must exist and be empty. It is never removed here.
    ///
    /// # Errors
    /// When `dir` holds something already or cannot be written to.
    pub fn new(dir: &Path) -> Result<Self, Problem> {
        let shown = dir.display().to_string();
        let failed =
            |what: String| Problem::failed(what, shown.clone(), "name a new, empty folder");
        let dir = dir.canonicalize().map_err(|e| failed(e.to_string()))?;
        let mut there = std::fs::read_dir(&dir).map_err(|e| failed(e.to_string()))?;
        if there.next().is_some() {
            return Err(failed("the folder is not empty".into()));
        }
        for name in ["first", "second"] {
            std::fs::create_dir(dir.join(name)).map_err(|e| failed(e.to_string()))?;
        }
        Ok(Self {
            bench: DemoBench {
                clock: MachineClock::new(),
                memory: LifeMemory::default(),
                source: demo_source(),
                replies: demo_replies(),
            },
            dir,
        })
    }

    /// The job folder, once [`DemoLife::run`] opened it.
    pub fn job(&self) -> PathBuf {
        self.dir.join("first").join("marta")
    }

    /// Goes through the whole job; what a technician would type, and what it showed.
    ///
    /// # Errors
    /// When a step fails that should not.
    pub fn run(&self, tell: Tell<'_>) -> Result<Vec<DemoStep>, Problem> {
        let mut steps = Vec::new();
        let job = format!(" {}", crate::value::typed(self.job().as_os_str()));
        let mut show = |command: String, says: String| {
            steps.push(DemoStep {
                command: command.replace(" JOB", &job),
                says,
            });
        };
        let open = OpenRequest {
            source: Source::Folder(SOURCE.into()),
            to: vec![self.dir.join("first"), self.dir.join("second")],
            job: Some(self.job()),
            policy: Some("practice".into()),
            owner: Some("Marta Feld".into()),
            technician: Some("Jo Lind".into()),
            symptom: Some(Symptom::None),
            memory: Some(MemoryState::KnownGood),
            machine: Some(Machine::Bench),
            must_have: Some(MustHaves::Nothing),
            replies: Some(REPLIES.into()),
        };
        let opened = crate::step::open::open(&self.bench, &open, &Ledger::create, tell)?;
        show(
            format!(
                "holdpoint open --folder {SOURCE} --to first --to second --policy practice --owner 'Marta Feld' --replies {REPLIES}"
            ),
            format!(
                "On hold: {SOURCE}, on {MODEL}, serial {SERIAL}. {}",
                open_points(&opened.open_points)
            ),
        );
        let dir = self.job();
        let job = Job::open(&self.bench, &dir)?;
        let none = || dir.clone();
        let request = AssessRequest {
            job: none(),
            replies: None,
            sampling: false,
        };
        let assessed = crate::step::assess::assess(&job, &request, tell)?;
        show(
            "holdpoint assess JOB".into(),
            assessed_words(&assessed.result),
        );
        let request = PlanRequest {
            job: none(),
            list: false,
        };
        let planned = crate::step::plan::plan(&job, &request, tell)?.result;
        show(
            "holdpoint plan JOB".into(),
            format!(
                "{} items, {}, most precious first.",
                planned.items,
                bytes_in_words(planned.bytes)
            ),
        );
        let request = CopyRequest {
            job: none(),
            limit_bytes: None,
            limit_minutes: None,
        };
        let copied = match crate::step::copy::copy(&job, &request, tell) {
            Err(problem) if problem.kind == ProblemKind::Hold => {
                show("holdpoint copy JOB".into(), problem.to_string());
                self.waive(
                    &job,
                    "refer-undecided",
                    "The laboratory costs more than the photos are worth to me.",
                    &mut show,
                )?;
                crate::step::copy::copy(&job, &request, tell)?
            }
            other => other?,
        };
        show(
            "holdpoint copy JOB".into(),
            format!(
                "{} items copied whole to two places, {}; {} kept with gaps, {} could not be read at all.",
                copied.result.copied.items,
                bytes_in_words(copied.result.copied.bytes),
                copied.result.damaged,
                copied.result.unreadable
            ),
        );
        let request = VerifyRequest {
            path: none(),
            attest: false,
        };
        let verified = crate::step::verify::verify(&job, &request, tell)?.result;
        show(
            "holdpoint verify JOB".into(),
            format!(
                "{} items read back and equal, {} differ, {} missing.",
                verified.verified.items,
                verified.mismatched.len(),
                verified.missing.len()
            ),
        );
        let request = ReleaseRequest {
            job: none(),
            key: None,
            valid_hours: None,
            second_look: Some("Kim Sommer".into()),
        };
        let refused = crate::step::release::release(&job, &request, None, tell)?;
        show(
            "holdpoint release JOB".into(),
            open_points(&refused.open_points),
        );
        for point in &refused.open_points {
            if point.who != Who::Nobody {
                self.waive(
                    &job,
                    &point.id,
                    "I have seen the list; these may go.",
                    &mut show,
                )?;
            }
        }
        let released = crate::step::release::release(&job, &request, None, tell)?;
        if released.exit != Exit::Done {
            return Err(Problem::failed(
                open_points(&released.open_points),
                dir.display().to_string(),
                "this is a fault of the program",
            ));
        }
        let certificate = released.result.certificate.unwrap_or_default();
        show(
            "holdpoint release JOB".into(),
            format!("Released, for practice only. Certificate: {certificate}"),
        );
        let paper = PrintRequest {
            job: dir.clone(),
            paper: Paper::Receipt,
            out: None,
            names: None,
            language: None,
            offset_minutes: 0,
        };
        let printed = crate::step::print::print(&job, &paper)?.result;
        show(
            "holdpoint print JOB --paper receipt".into(),
            format!(
                "The owner's receipt: {} (and {})",
                printed.html, printed.text
            ),
        );
        show(
            format!(
                "cd {} && sha256sum --quiet -c manifest-sha256.txt",
                dir.join("bag").display()
            ),
            format!(
                "Anybody can check every copy like that. The other bag is {}.",
                self.dir.join("second/marta/bag").display()
            ),
        );
        Ok(steps)
    }

    fn waive(
        &self,
        job: &Job<'_>,
        point: &str,
        reason: &str,
        show: &mut dyn FnMut(String, String),
    ) -> Result<(), Problem> {
        let request = WaiveRequest {
            job: job.dir.clone(),
            what: WaiveWhat::Point(point.to_owned()),
            reason: reason.to_owned(),
            decided_by: DecidedBy::Owner,
            name: Some("Marta Feld".into()),
            how: Some(How::Signed),
            proof: None,
        };
        let waived = crate::step::waive::waive(job, &request)?.result.waived;
        show(
            format!(
                "holdpoint waive JOB --point {point} --decided-by owner --name 'Marta Feld' --how signed --reason '{reason}'"
            ),
            format!(
                "Recorded: the owner gave up {} {}, {}.",
                waived.items,
                if waived.items == 1 { "item" } else { "items" },
                bytes_in_words(waived.bytes)
            ),
        );
        Ok(())
    }
}

fn assessed_words(assessed: &crate::step::outcome::Assessed) -> String {
    let mut out = Vec::new();
    for drive in &assessed.drives {
        out.extend(
            drive
                .reading
                .signals
                .iter()
                .map(|signal| signal.says.clone()),
        );
        out.push(format!("route: {}", drive.forecast.route));
    }
    out.join("; ")
}

fn open_points(points: &[OpenPoint]) -> String {
    let says: Vec<&str> = points.iter().map(|point| point.says.as_str()).collect();
    if says.is_empty() {
        "Nothing is open.".into()
    } else {
        format!("On hold: {}.", says.join("; "))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_demonstration_runs_to_a_practice_release_with_bags_that_check() {
        let dir = tempfile::tempdir().unwrap();
        let demo = DemoLife::new(dir.path()).unwrap();
        let steps = demo.run(&mut |_| {}).unwrap();
        let said: String = steps
            .iter()
            .map(|step| format!("{}\n  {}\n", step.command, step.says))
            .collect();
        assert!(said.contains("gave up 2 items"), "{said}");
        assert!(said.contains("wait to be remapped"), "{said}");
        assert!(said.contains("Released, for practice only"), "{said}");
        // The stock tool (coreutils) finds every file equal.
        for bag in [demo.job().join("bag"), dir.path().join("second/marta/bag")] {
            let checked = std::process::Command::new("sha256sum")
                .args(["--quiet", "--check", "manifest-sha256.txt"])
                .current_dir(&bag)
                .status()
                .unwrap();
            assert!(checked.success(), "{said}");
        }
    }

    #[test]
    fn a_folder_with_something_in_it_is_left_alone() {
        let dir = tempfile::tempdir().unwrap();
        std::fs::write(dir.path().join("mine"), b"x").unwrap();
        assert!(DemoLife::new(dir.path()).is_err());
    }
}
