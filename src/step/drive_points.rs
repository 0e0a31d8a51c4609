//! Open points found by looking at the drives as they are now.
//!
//! Invariant: looking changes nothing. What cannot be told is a point, not silence; the contents are read only
//! when the gate looks at the source itself.

use crate::job::{DriveKept, Job};
use crate::judge::point::{Decider, Point};
use crate::ledger::{Fact, standing};
use crate::port::DriveFacts;
use crate::read::fingerprint::Likeness;
use crate::step::gate::{Closeness, rules};
use crate::step::outcome::Machine;
use crate::step::present;
use crate::value::measure::bytes_in_words;

/// Every point about the drives; none for a folder job.
pub fn found(job: &Job<'_>, facts: &[Fact], closeness: Closeness) -> Vec<Point> {
    let mut out = Vec::new();
    for (number, kept) in job.setup.drives.iter().enumerate() {
        out.extend(identity(job, facts, kept));
        let spent = present::spent(facts, number).is_some();
        // After the wipe the drive is no longer what was surveyed; only a new release asks for it.
        if spent && closeness == Closeness::Ledger {
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

fn identity(job: &Job<'_>, facts: &[Fact], kept: &DriveKept) -> Option<Point> {
    let words = present::words(kept);
    let point = |why: &str, remedy: &str| {
        Some(Point::plain(
            "identity-unknown",
            Decider::Nobody,
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

fn mounted(kept: &DriveKept, now: &DriveFacts) -> Vec<Point> {
    let writable = now.in_use.iter().filter(|used| used.writable);
    writable
        .map(|used| {
            Point::plain(
                "mounted-writable",
                Decider::Nobody,
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
    if given_back && closeness == Closeness::Ledger {
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
        Decider::Nobody,
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
        Decider::Nobody,
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
            Decider::Nobody,
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
        return changed(format!(
            "a guarded command was let loose on it at {:.0}",
            run.at
        ));
    }
    let then = kept.seen()?;
    match present::fingerprint_now(job, facts, &now.path) {
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

/// Other internal drives of a machine under repair: a reset may hit them too. Those that hold a destination are no surprise.
fn other_drives(job: &Job<'_>) -> Vec<Point> {
    if job.setup.machine != Some(Machine::UnderRepair) || job.setup.drives.is_empty() {
        return Vec::new();
    }
    let drives = job.setup.drives.iter().flat_map(|kept| &kept.disks);
    let copies = job.setup.destinations.iter().flat_map(|kept| &kept.disks);
    let known: Vec<String> = drives.chain(copies).cloned().collect();
    let who = rules(job).who("other-drive");
    let others = match job.bench.other_drives(&known) {
        Ok(others) => others,
        Err(fault) => {
            return vec![Point::plain(
                "other-drive",
                who,
                "whether this machine has other internal drives could not be told",
                "a reset may wipe every drive in the machine",
                fault.to_string(),
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
