//! The gate's points in words: what is open, what is lost, who decides, what to type next.
//!
//! Invariant: a remedy is lines; one that starts with `holdpoint ` is a whole command to paste (words in capitals are
//! filled in by hand), every other one is for people and holds no command.

use super::gate::{DestinationNow, GateRules, HealthNow, Now, SecondLook};
use super::point::{Point, things};
use crate::policy::Step;
use crate::value::measure::{bytes_in_words, count_in_words};
use crate::value::words::{WaiverScope, Who};

/// What to do when a decision does not cover the same things any more.
pub(super) fn decide_anew(scope: WaiverScope, about: &str) -> String {
    let about_typed = crate::value::typed(std::ffi::OsStr::new(about));
    let what = match scope {
        WaiverScope::Class => format!("--class {about_typed}"),
        WaiverScope::Volume => format!("--volume {about_typed}"),
        WaiverScope::NoRescue => "--no-rescue".to_owned(),
        _ if about.starts_with("placeholders:") => format!("--point {about_typed}"),
        // Several paths stand in one text; which of them to name again is for a person to say.
        _ if about.contains(", ") => "--item PATH".to_owned(),
        _ => format!("--item {about_typed}"),
    };
    format!(
        "save it after all:\nholdpoint copy JOB\nor show the owner the list again and record the decision anew:\nholdpoint waive JOB {what} --decided-by owner --how signed --name NAME --reason TEXT"
    )
}

/// Who decides, what it says and what to do next, for a pile of items.
pub(super) fn of_items(rules: &GateRules, id: &str, count: u64) -> (Who, String, String) {
    let items = things(count, "item", "items");
    let is = if count == 1 { "is" } else { "are" };
    let has = if count == 1 { "has" } else { "have" };
    let or_else = |before: &str| or_waive(before, id, rules.who(id));
    match id {
        "not-copied" => (Who::Nobody, format!("{items} {is} not copied yet"), "holdpoint copy JOB".into()),
        "changed-items" => (
            Who::Nobody,
            format!("{items} changed while the job ran"),
            "close what writes to the source, then:\nholdpoint plan JOB\nholdpoint copy JOB".into(),
        ),
        "unreadable-items" => (
            rules.who(id),
            format!("{items} could not be read at all"),
            format!("holdpoint copy JOB{}", or_else("if it cannot be read then either, show the owner the list:")),
        ),
        "damaged-items" => (
            rules.who(id),
            format!("{items} {has} parts that could not be read, or may hold something else"),
            format!("holdpoint print JOB --paper sheet{}", or_else("with the sheet signed:")),
        ),
        "folders-unreadable" => (
            rules.who(id),
            format!("{} could not be opened, so nothing in {} is known", things(count, "folder", "folders"), if count == 1 { "it" } else { "them" }),
            format!("give read permission (of --folder), or wait until the bad places of the drive are copied, then:\nholdpoint plan JOB{}", or_else("or else:")),
        ),
        "mounts-not-entered" => (
            rules.who(id),
            format!("{} inside the folder belong{} to another file system and {} not entered", things(count, "place", "places"), if count == 1 { "s" } else { "" }, if count == 1 { "was" } else { "were" }),
            format!("open a job for {} too:\nholdpoint open --folder DIR --to DIR{}", if count == 1 { "it" } else { "each" }, or_else("or else:")),
        ),
        "unknown-tags" => (
            rules.who(id),
            format!("{items} {is} stored in a way that this program cannot read"),
            format!("copy {} by hand on the running system{}", if count == 1 { "it" } else { "them" }, or_else("then, or else:")),
        ),
        "not-verified" => (Who::Nobody, format!("{items} {is} copied but not read back"), "holdpoint verify JOB".into()),
        "single-copy" => (
            rules.who(id),
            format!("{items} {has} only one proven copy where the policy wants two"),
            format!("{ANOTHER_DISK}\nholdpoint copy JOB\nholdpoint verify JOB{}", or_else("or else:")),
        ),
        "placeholders" => (
            rules.who(id),
            format!("{items} {has} no content on the drive (kept by a cloud service only)"),
            format!("have the owner check the account on another device{}", or_else("then:")),
        ),
        "efs-keys" => (
            rules.who(id),
            format!("{items} {is} encrypted with the owner's own key and worth nothing without it"),
            format!("have the owner decrypt {} on the running system, then:\nholdpoint plan JOB{}", if count == 1 { "it" } else { "them" }, or_else("or else:")),
        ),
        "copy-differs" => (
            Who::Nobody,
            format!("{} of {items} differ{} from what was read", if count == 1 { "the copy" } else { "copies" }, if count == 1 { "s" } else { "" }),
            "holdpoint copy JOB\nholdpoint verify JOB\nit writes them anew; if one differs again, replace that destination".into(),
        ),
        _ => (Who::Nobody, format!("{items} {is} open"), "holdpoint show JOB".into()),
    }
}

/// The same for items whose only copies lie where no copy counts.
pub(super) fn copied_elsewhere(count: u64) -> (Who, String, String) {
    let have = if count == 1 { "has" } else { "have" };
    (
        Who::Nobody,
        format!(
            "{} {have} a copy only where it does not count",
            things(count, "item", "items")
        ),
        format!("{ANOTHER_DISK}\nholdpoint copy JOB\nholdpoint verify JOB"),
    )
}

/// The points that are not about single items.
pub(super) fn of_the_world(rules: &GateRules, now: &Now) -> Vec<Point> {
    let mut out = super::gate_record::of_record(now);
    let nobody = Who::Nobody;
    if let Some(why) = &now.source_gone {
        out.push(Point::plain(
            "source-gone",
            nobody,
            "what is on hold cannot be looked at now",
            "whether it changed is not known",
            why.clone(),
            "connect it again, then:\nholdpoint release JOB",
        ));
    }
    if let Some((count, example)) = &now.source_changed {
        let mut point = Point::plain(
            "source-changed",
            nobody,
            format!(
                "{} changed, appeared or vanished since the survey",
                things(*count, "item", "items")
            ),
            "newer content is not in the copies",
            example.clone(),
            "holdpoint plan JOB\nholdpoint copy JOB\nholdpoint verify JOB",
        );
        point.count = *count;
        out.push(point);
    }
    if now.surveyed.is_none() {
        out.push(Point::plain(
            "survey-unfinished",
            nobody,
            "nobody knows yet what is there",
            "everything",
            "no finished survey in the ledger",
            "holdpoint plan JOB",
        ));
    }
    if now.unaccounted_bytes > 0 {
        out.push(Point::plain(
            "accounts-differ",
            rules.who("accounts-differ"),
            "the accounts of the survey do not add up",
            bytes_in_words(now.unaccounted_bytes),
            "bytes that belong to nothing we know",
            "holdpoint plan JOB\nif it stays, a specialist has to look",
        ));
    }
    if now.health.is_empty() {
        out.push(health_unread(
            rules,
            "what is on hold",
            (false, false),
            "no reading was taken".into(),
        ));
    }
    now.health
        .iter()
        .for_each(|health| out.extend(of_health(rules, now, health)));
    out.extend(of_destinations(rules, now));
    out.extend(of_people(rules, now));
    out.extend(super::memory::points(rules, now));
    out.extend(super::gate_content::of_content(rules, now));
    out
}

/// Adds a destination to the job.
const ANOTHER_DISK: &str = "name a folder on a disk of its own:\nholdpoint open --job JOB --to DIR";

/// The command that records a decision about a point, in full, below the words that lead to it; nothing where nobody decides.
pub(super) fn or_waive(before: &str, id: &str, who: Who) -> String {
    let who = match who {
        Who::Technician => "technician",
        Who::Owner => "owner",
        Who::Nobody => return String::new(),
    };
    format!(
        "\n{before}\nholdpoint waive JOB --point {id} --decided-by {who} --how signed --name NAME --reason TEXT"
    )
}

fn of_health(rules: &GateRules, now: &Now, health: &HealthNow) -> Vec<Point> {
    let mut out = Vec::new();
    if health.locked {
        out.push(Point::plain(
            "data-locked",
            Who::Nobody,
            "a drive password locks the data",
            "everything on the drive",
            health.drive.clone(),
            "have the owner unlock the drive in the firmware, then:\nholdpoint assess JOB",
        ));
    }
    if let Some(why) = &health.refer_undecided {
        out.push(Point::plain(
            "refer-undecided",
            rules.who("refer-undecided"),
            "this drive should go to a specialist laboratory before anything else is tried",
            "every further read may be its last",
            why.clone(),
            format!(
                "holdpoint print JOB --paper sheet{}",
                or_waive(
                    "with the sheet signed, to go on all the same:",
                    "refer-undecided",
                    rules.who("refer-undecided")
                )
            ),
        ));
    }
    let unread = |why| health_unread(rules, &health.drive, (health.symptom, health.live), why);
    match &health.reading {
        None => out.push(unread("no reading was taken".into())),
        Some((_, Some(why))) => out.push(unread(why.clone())),
        Some((taken, None)) => {
            // A recorded reply cannot get younger by asking again; a live drive can.
            let old = now.at.hours_since(*taken) > rules.health_hours;
            if health.live && (old || health.before_last_read) {
                out.push(Point::plain(
                    "health-old",
                    Who::Nobody,
                    format!(
                        "the newest health reading of {} is from before the last read, or too old",
                        health.drive
                    ),
                    "what the copying did to the drive is not known",
                    format!("taken {taken:.0}"),
                    "holdpoint assess JOB",
                ));
            }
        }
    }
    out
}

fn health_unread(
    rules: &GateRules,
    drive: &str,
    (symptom, live): (bool, bool),
    why: String,
) -> Point {
    // Without symptoms the technician may go on unread, as in a dock; with one it is the owner's risk to take.
    let who = match rules.who("health-unread") {
        Who::Technician if symptom => Who::Owner,
        who => who,
    };
    let remedy = if live {
        let without = or_waive("or go on without it:", "health-unread", who);
        format!("connect the drive directly, then:\nholdpoint assess JOB{without}")
    } else {
        let without = or_waive("go on without it:", "health-unread", who);
        let or = if without.is_empty() { "" } else { "or " };
        let all = format!(
            "{without}\n{or}read it from recorded replies of the drive:\nholdpoint assess JOB --replies DIR"
        );
        all.trim_start().to_owned()
    };
    Point::plain(
        "health-unread",
        who,
        format!("the health of {drive} could not be read"),
        "nobody knows whether the drive lasts, or whether it lied",
        why,
        remedy,
    )
}

fn of_destinations(rules: &GateRules, now: &Now) -> Vec<Point> {
    let mut out = Vec::new();
    let nobody = Who::Nobody;
    let counting: Vec<&DestinationNow> = now.destinations.iter().filter(|d| d.counts).collect();
    if counting.is_empty() {
        out.push(Point::plain(
            "no-destination",
            nobody,
            "no copy lies anywhere that counts",
            "everything",
            "no independent destination",
            ANOTHER_DISK,
        ));
    }
    let wanted = rules.copies.iter().copied().max().unwrap_or(1) as usize;
    for destination in &now.destinations {
        // Where enough others count, nothing hangs on this one: each item is weighed by the copies that do.
        if let Some(why) = &destination.why
            && !destination.counts
            && counting.len() < wanted
        {
            out.push(Point::plain(
                "destination-not-independent",
                nobody,
                format!("the copy at {} does not count: {why}", destination.path),
                "a copy on the same disk is lost with it",
                why.clone(),
                ANOTHER_DISK,
            ));
        }
        if let Some(trouble) = &destination.trouble {
            out.push(Point::plain(
                "destination-missing",
                nobody,
                format!("the copy at {} cannot be looked at", destination.path),
                "whether that copy still exists is not known",
                trouble.clone(),
                "connect the same destination again, then:\nholdpoint release JOB\nor, where it is mounted in another place now, say where:\nholdpoint open --job JOB --to DIR",
            ));
            continue;
        }
        if let Some(lacks) = &destination.lacks {
            out.push(Point::plain(
                "destination-full",
                nobody,
                format!("{} has {lacks}", destination.path),
                "what does not fit is not saved",
                lacks.clone(),
                "make room there, then:\nholdpoint copy JOB\nor name another folder on a disk of its own:\nholdpoint open --job JOB --to DIR",
            ));
        }
        // A stranger in the bag has a point of its own.
        if let Some(differs) = destination
            .differs
            .as_ref()
            .filter(|_| destination.extra == 0)
        {
            out.push(Point::plain(
                "verification-missing",
                nobody,
                format!("the bag at {} is not as it was read back", destination.path),
                "copies may be missing",
                differs.clone(),
                "holdpoint verify JOB\nit says what differs; then:\nholdpoint copy JOB\nholdpoint verify JOB",
            ));
            continue;
        }
        if destination.extra > 0 {
            out.push(Point::plain(
                "extra-in-bag",
                nobody,
                format!(
                    "the bag at {} holds {} that nobody recorded",
                    destination.path,
                    things(destination.extra, "file", "files")
                ),
                "a bag with strangers in it proves nothing",
                format!("{} extra", count_in_words(destination.extra)),
                "holdpoint verify JOB\nlook at what it lists as extra, take it out of the bag, then:\nholdpoint verify JOB",
            ));
        }
        match destination.verified {
            None => out.push(Point::plain(
                "verification-missing",
                nobody,
                format!("the copies at {} were not read back", destination.path),
                "a copy that nobody read may not be there",
                "no finished verification",
                "holdpoint verify JOB",
            )),
            Some(v) if !v.whole => out
                .push(Point::plain(
                    "verification-missing",
                    nobody,
                    if v.differed {
                        format!(
                            "not every copy at {} was found as it was written",
                            destination.path
                        )
                    } else {
                        format!(
                            "something was written to {} after it was read back",
                            destination.path
                        )
                    },
                    if v.differed {
                        "a copy that differs or is missing saves nothing"
                    } else {
                        "a later write may have hit an earlier copy"
                    },
                    format!("read back {:.0}", v.at),
                    if v.differed {
                        "holdpoint copy JOB\nholdpoint verify JOB\ncopy writes anew what differs, lists and manifests too"
                    } else {
                        "holdpoint verify JOB"
                    },
                )),
            Some(v) if now.at.hours_since(v.at) > rules.verified_hours || v.at > now.at => out
                .push(Point::plain(
                    "verification-old",
                    nobody,
                    if v.at > now.at {
                        format!(
                            "the copies at {} were read back by a clock that was ahead: how long ago is not known",
                            destination.path
                        )
                    } else {
                        format!(
                            "the copies at {} were read back too long ago",
                            destination.path
                        )
                    },
                    "they may have changed since",
                    format!("read back {:.0}", v.at),
                    "holdpoint verify JOB",
                )),
            Some(v) if v.doubtful && !rules.practice => out.push(Point::plain(
                "verification-doubtful",
                rules.who("verification-doubtful"),
                format!(
                    "the copies at {} may have been read back from memory instead of the medium",
                    destination.path
                ),
                "what the medium holds is not proven",
                "fewer bytes came from the medium than were compared",
                "unplug the destination and plug it in again, then:\nholdpoint verify JOB",
            )),
            Some(_) => {}
        }
    }
    out
}

fn of_people(rules: &GateRules, now: &Now) -> Vec<Point> {
    let mut out = Vec::new();
    match &now.must_haves {
        None => out.push(Point::plain(
            "must-haves-not-asked",
            Who::Owner,
            "the owner was not asked what they would miss most",
            "nobody knows what matters",
            "no answer to --must-have",
            "holdpoint open --job JOB --must-have TEXT\nor, when the owner says that there is nothing:\nholdpoint open --job JOB --must-have none",
        )),
        Some(list) => {
            for (place, must_have) in list
                .iter()
                .enumerate()
                .filter(|(_, m)| !m.answered || m.unsaved > 0 || m.gone.is_some())
            {
                let says = if let Some(gone) = &must_have.gone {
                    format!(
                        "\"{}\" was found at {gone}, and that is not there any more",
                        must_have.asked
                    )
                } else if must_have.answered {
                    format!(
                        "\"{}\" was found, but {} not saved",
                        must_have.asked,
                        things(must_have.unsaved, "item of it is", "items of it are")
                    )
                } else {
                    format!(
                        "nobody has looked yet whether \"{}\" is among the items",
                        must_have.asked
                    )
                };
                let remedy = if must_have.answered && must_have.gone.is_none() {
                    // It was found; what is missing is the copy of it.
                    "holdpoint copy JOB\nholdpoint verify JOB\nwhat cannot be saved the owner gives up:\nholdpoint waive JOB --item PATH --decided-by owner --how signed --name NAME --reason TEXT".to_owned()
                } else {
                    format!(
                        "holdpoint waive JOB --must-have {0} --found PATH\nor, when it is not on what is on hold:\nholdpoint waive JOB --must-have {0} --not-here --reason TEXT",
                        place + 1
                    )
                };
                out.push(Point::plain(
                    "must-have-open",
                    rules.who("must-have-open"),
                    says,
                    must_have.asked.clone(),
                    match &must_have.gone {
                        None => format!("must-have {}: {}", place + 1, must_have.asked),
                        Some(gone) => format!("must-have {}: {gone} is gone", place + 1),
                    },
                    remedy,
                ));
            }
        }
    }
    if !now.questions_open.is_empty() {
        let list = now.questions_open.join(", ");
        let options = now.questions_open.iter();
        let answers: Vec<String> = options
            .map(|option| format!("{option} {}", answer_to(option)))
            .collect();
        let answers = answers.join(" ");
        let words = if answers.contains("WORD") || answers.contains("STATE") {
            "\nWORD: none, clicking, dropped, liquid or vanishes; STATE: known-good, swapped, suspect or failed"
        } else {
            ""
        };
        out.push(Point::plain(
            "questions-open",
            Who::Nobody,
            format!("questions of the intake are unanswered: {list}"),
            "what nobody asked cannot be weighed",
            list,
            format!("holdpoint open --job JOB {answers}") + words,
        ));
    }
    out
}

/// What stands for the answer in a command that gives it.
fn answer_to(option: &str) -> &'static str {
    match option {
        "--symptom" => "WORD",
        "--memory" => "STATE",
        _ => "TEXT",
    }
}

/// The last point of all: asked for only when nothing else is open.
pub(super) fn second_look(step: Step, look: &SecondLook) -> Option<Point> {
    let why = match look {
        SecondLook::Done => return None,
        SecondLook::Missing => "nobody looked a second time".to_owned(),
        SecondLook::NotEnough(why) => why.clone(),
    };
    Some(Point::plain(
        "second-look",
        Who::Nobody,
        match step {
            Step::Release => "a release wants a second look",
            Step::VolumeWaiver => "a volume was given up: that wants a second look",
            Step::ReferOverride => {
                "it was copied although a laboratory was advised: that wants a second look"
            }
            Step::IrreplaceableWaiver => {
                "something irreplaceable was given up: that wants a second look"
            }
            Step::OwnerWaiver => "the owner gave something up: that wants a second look",
        },
        "nothing else is open",
        why,
        "holdpoint release JOB --second-look TEXT\nTEXT is the name of a second person; or, ten minutes after the first asking, the last four characters of the drive's serial",
    ))
}
