//! Open points found by looking at the drives as they are now.
//!
//! Invariant: looking changes nothing. What cannot be told is a point, not silence; the contents are read only
//! when the gate looks at the source itself.

use crate::job::{DriveKept, Job};
use crate::judge::gate::Now;
use crate::judge::point::Point;
use crate::ledger::sight::{SeenPoint, Sight};
use crate::ledger::{Fact, standing};
use crate::paper::account::OtherDrive as OnPaper;
use crate::port::DriveFacts;
use crate::read::fingerprint::Likeness;
use crate::step::gate::{Closeness, rules};
use crate::step::outcome::Machine;
use crate::step::present;
use crate::value::measure::bytes_in_words;
use crate::value::words::Who;

/// Every point about the drives; none for a folder job.
pub fn found(job: &Job<'_>, facts: &[Fact], closeness: Closeness) -> Vec<Point> {
    let mut out = Vec::new();
    for (number, kept) in job.setup.drives.iter().enumerate() {
        out.extend(identity(job, facts, kept));
        out.extend(hidden_area(job, number, kept));
        let spent = present::spent(facts, number).is_some();
        // After the wipe the drive is no longer what was surveyed; only a new release asks for it.
        if spent && closeness != Closeness::Source {
            continue;
        }
        match present::find(job, number, None) {
            Ok(now) => {
                out.extend(mounted(kept, &now));
                out.extend(hold(facts, number, kept, &now, closeness));
                if closeness == Closeness::Source {
                    out.extend(contents(job, facts, number, kept, &now));
                }
            }
            Err(why) if closeness == Closeness::Source => out.push(gone(kept, why)),
            Err(_) => {}
        }
    }
    out.extend(other_drives(job));
    out
}

/// What looking alone tells: found at one moment, kept until something later finds otherwise.
const BY_LOOKING: [&str; 2] = ["source-gone", "source-changed"];

/// What of `now` the record does not tell.
pub fn sight(now: &Now) -> Sight {
    let bags = now.destinations.iter().enumerate();
    let kept = |point: &Point| SeenPoint {
        id: point.id.to_owned(),
        says: point.says.clone(),
        lost: point.lost.clone(),
        evidence: point.evidence.clone(),
        remedy: point.remedy.clone(),
    };
    let drives = now.found.iter();
    Sight {
        source_gone: now.source_gone.clone(),
        source_changed: now.source_changed.clone(),
        bags: bags
            .filter_map(|(number, bag)| Some((number, bag.differs.clone()?)))
            .collect(),
        drives: drives
            .filter(|point| BY_LOOKING.contains(&point.id))
            .map(kept)
            .collect(),
    }
}

/// The points about drives that a look found and nothing disproved since.
pub fn seen(sight: &Sight) -> Vec<Point> {
    let point = |seen: &SeenPoint| {
        let id = BY_LOOKING.into_iter().find(|id| *id == seen.id)?;
        let SeenPoint {
            says,
            lost,
            evidence,
            remedy,
            ..
        } = seen.clone();
        Some(Point::plain(id, Who::Nobody, says, lost, evidence, remedy))
    };
    sight.drives.iter().filter_map(point).collect()
}

fn identity(job: &Job<'_>, facts: &[Fact], kept: &DriveKept) -> Option<Point> {
    let words = present::words(kept);
    let point = |why: &str, remedy: &str| {
        Some(Point::plain(
            "identity-unknown",
            Who::Nobody,
            format!("{words} cannot be told from another drive: {why}"),
            "the wrong drive could be wiped",
            format!("{}: {why}", kept.path.text),
            remedy,
        ))
    };
    let is_device = !kept.is_image && !kept.is_loop;
    let serial = kept.serial.as_deref().unwrap_or_default();
    if is_device && serial.trim().is_empty() {
        return point(
            "it tells no serial number",
            "connect it directly, without dock or adapter, and open a new job for it:\nholdpoint open --drive PATH --to DIR",
        );
    }
    if kept.bytes == 0 {
        return point(
            "it tells no size",
            "connect it directly and open a new job for it:\nholdpoint open --drive PATH --to DIR",
        );
    }
    if kept.fingerprint.is_none() {
        let waits = job.has_bad_symptom() && !crate::step::state::refer_decided(facts);
        return point(
            "no fingerprint of its contents was taken",
            if waits {
                "nothing is read from a drive with this symptom; once the owner has decided to go on:\nholdpoint waive JOB --point refer-undecided --decided-by owner --how signed --name NAME --reason TEXT\nholdpoint assess JOB"
            } else {
                "as soon as the drive can be read:\nholdpoint assess JOB"
            },
        );
    }
    None
}

/// What the drive itself says that it has and the device does not show: nobody surveyed it, and a wipe may or may not reach it.
fn hidden_area(job: &Job<'_>, number: usize, kept: &DriveKept) -> Option<Point> {
    // A reading that cannot be read back is said as a broken ledger.
    let reading = crate::step::assess::newest_before(job, number, i64::MAX).ok()??;
    let hidden = reading.hidden()?;
    let of_it = job.setup.drives.iter().filter(|other| {
        other.serial.is_some() && other.serial == kept.serial && other.model == kept.model
    });
    // Every namespace may well be a drive of the job.
    if hidden
        .namespaces
        .is_some_and(|all| of_it.count() >= all as usize)
    {
        return None;
    }
    let words = present::words(kept);
    let first = match hidden.namespaces {
        Some(_) => "open a job that holds every namespace as a drive",
        None => {
            "find out what set it up (often the maker's own recovery system) and have it opened before the survey"
        }
    };
    Some(Point::plain(
        "hidden-area",
        rules(job).who("hidden-area"),
        format!("{words} has more than it shows: {}", hidden.says),
        "what lies there is in no survey and in no copy, and a wipe may or may not reach it",
        format!("{words}: {}", hidden.says),
        format!(
            "{first}; else:\nholdpoint waive JOB --point hidden-area --decided-by owner --how signed --name NAME --reason TEXT"
        ),
    ))
}

fn mounted(kept: &DriveKept, now: &DriveFacts) -> Vec<Point> {
    let writable = now.in_use.iter().filter(|used| used.writable);
    writable
        .map(|used| {
            Point::plain(
                "mounted-writable",
                Who::Nobody,
                format!(
                    "something of {} is mounted for writing at {}",
                    present::words(kept),
                    used.at
                ),
                "what is written there from now on is in no copy",
                format!("{}: {}", kept.path.text, used.at),
                "unmount it (umount), then:\nholdpoint plan JOB\nholdpoint copy JOB",
            )
        })
        .collect()
}

fn hold(
    facts: &[Fact],
    number: usize,
    kept: &DriveKept,
    now: &DriveFacts,
    closeness: Closeness,
) -> Option<Point> {
    if now.is_image || now.kernel_read_only == Some(true) {
        return None;
    }
    let given_back = present::given_back(facts, number);
    if given_back && closeness != Closeness::Source {
        return None;
    }
    let replugged = kept.sequence.is_some() && now.sequence != kept.sequence;
    let why = if given_back {
        "the kernel's flag was given back when the job was closed".to_owned()
    } else if replugged {
        "it was unplugged since; the kernel's flag is lost with that".to_owned()
    } else if now.kernel_read_only.is_none() {
        "whether the kernel's flag is set cannot be told".to_owned()
    } else if kept.held {
        "the kernel's flag was set, and somebody lifted it since".to_owned()
    } else {
        kept.held_why.clone()
    };
    Some(Point::plain(
        "hold-not-set",
        Who::Nobody,
        format!(
            "{} is not held against writing: {why}",
            present::words(kept)
        ),
        "anything that mounts it may change it unseen",
        format!("{}: {why}", kept.path.text),
        if given_back {
            "open a new job for it:\nholdpoint open --drive PATH --to DIR"
        } else {
            "as root, to set the flag again:\nholdpoint assess JOB"
        },
    ))
}

fn gone(kept: &DriveKept, why: String) -> Point {
    Point::plain(
        "source-gone",
        Who::Nobody,
        format!("{} cannot be looked at now", present::words(kept)),
        "whether it changed, and which drive would be wiped, is not known",
        why,
        "connect the same drive again, then:\nholdpoint release JOB",
    )
}

fn contents(
    job: &Job<'_>,
    facts: &[Fact],
    number: usize,
    kept: &DriveKept,
    now: &DriveFacts,
) -> Option<Point> {
    let changed = |why: String| {
        Some(Point::plain(
            "source-changed",
            Who::Nobody,
            format!(
                "{} is not as it was when it was surveyed",
                present::words(kept)
            ),
            "newer content is not in the copies",
            why,
            "find out what wrote to it (a started system, a mount for writing, a wipe); then open a new job for it:\nholdpoint open --drive PATH --to DIR",
        ))
    };
    let surveyed = standing::surveyed(facts).map_or(0, |fact| fact.number);
    let run = present::guard_runs(facts)
        .into_iter()
        .rev()
        .find(|run| run.drive == number && !run.refused && run.number > surveyed);
    if let Some(run) = run {
        // What the command did is not asked: with it the release is spent, whatever it left of the drive.
        return Some(Point::plain(
            "source-changed",
            Who::Nobody,
            format!(
                "a guarded command was let loose on {} at {:.0}: the release is spent",
                present::words(kept),
                run.at
            ),
            "what the command and anybody since wrote there is in no copy",
            format!(
                "{}: a guarded command was let loose on it at {:.0}",
                kept.path.text, run.at
            ),
            "if the command left the drive as it was, survey it again, and then release:\nholdpoint plan JOB\nholdpoint copy JOB\nholdpoint verify JOB\nelse open a new job for it:\nholdpoint open --drive PATH --to DIR",
        ));
    }
    let then = kept.seen()?;
    match present::fingerprint_now(job, facts, number, &now.path, true) {
        Ok(seen) => match seen.against(&then) {
            Likeness::Same => match present::listing_changed(job, facts, number, &now.path) {
                Ok(None) => None,
                Ok(Some(why)) => changed(why),
                Err(why) => Some(gone(kept, why)),
            },
            Likeness::Different => changed(format!(
                "fingerprint {} when it was opened, {} now",
                then.digest(),
                seen.digest()
            )),
            Likeness::Unknown => Some(gone(kept, present::TOO_LITTLE.to_owned())),
        },
        Err(why) => Some(gone(kept, why)),
    }
}

/// The other internal drives of the machine under repair as they are now; none when the drives are on a bench. Those that
/// hold a destination are no surprise.
///
/// # Errors
/// In words, when it cannot be told: then nobody may say that there is none.
pub fn others_now(job: &Job<'_>) -> Result<Vec<DriveFacts>, String> {
    let setup = &job.setup;
    if setup.machine != Some(Machine::UnderRepair) || setup.drives.is_empty() {
        return Ok(Vec::new());
    }
    let here = job.bench.host().id;
    if !here.is_empty() && !setup.host.is_empty() && here != setup.host {
        return Err("this is not the machine that the job was opened on".to_owned());
    }
    let drives = setup.drives.iter().flat_map(DriveKept::whole_disks);
    let copies = setup.destinations.iter().flat_map(|kept| &kept.disks);
    let known: Vec<String> = drives.chain(copies).cloned().collect();
    job.bench.other_drives(&known).map_err(|e| e.to_string())
}

/// The other drives of the machine as they are now; where that cannot be told, those seen at `open`, and why.
pub fn others_for_paper(job: &Job<'_>) -> (Vec<OnPaper>, Option<String>) {
    let seen = |model: &Option<String>, serial: &Option<String>, bytes| OnPaper {
        model: model.clone(),
        serial: serial.clone(),
        bytes,
    };
    match others_now(job) {
        Ok(now) => {
            let one = |other: &DriveFacts| seen(&other.model, &other.serial, Some(other.bytes));
            (now.iter().map(one).collect(), None)
        }
        Err(why) => {
            let then = job.setup.others.iter();
            let then = then.map(|other| seen(&other.model, &other.serial, other.bytes));
            (then.collect(), Some(why))
        }
    }
}

/// Other internal drives of a machine under repair: a reset may hit them too.
fn other_drives(job: &Job<'_>) -> Vec<Point> {
    let who = rules(job).who("other-drive");
    let others = match others_now(job) {
        Ok(others) => others,
        Err(why) => {
            return vec![Point::plain(
                "other-drive",
                who,
                "whether this machine has other internal drives could not be told",
                "a reset may wipe every drive in the machine",
                why,
                "open the machine and look, then:\nholdpoint waive JOB --point other-drive --decided-by owner --how signed --name NAME --reason TEXT",
            )];
        }
    };
    let not_told = || "not told".to_owned();
    others
        .into_iter()
        .map(|other| {
            let words = format!(
                "{} (serial {}, {})",
                other.model.clone().unwrap_or_else(|| "a drive without a model name".to_owned()),
                other.serial.clone().unwrap_or_else(not_told),
                bytes_in_words(other.bytes)
            );
            Point::plain(
                "other-drive",
                who,
                format!("{words} is in this machine too and not part of the job"),
                format!("everything on {words}, if the reset wipes every drive"),
                // The path may change from start to start; the decision is about the drive.
                words,
                "take it out before the wipe, or open a job for it too; or else:\nholdpoint waive JOB --point other-drive --decided-by owner --how signed --name NAME --reason TEXT",
            )
        })
        .collect()
}
