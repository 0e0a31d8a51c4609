//! The gate's points in words: what is open, what is lost, who decides, what to type next.

use super::gate::{DestinationNow, GateRules, HealthNow, MemoryNow, Now, SecondLook, things};
use super::point::{Decider, Point};
use crate::value::measure::{bytes_in_words, count_in_words};

/// What to do when a decision does not cover the same things any more.
pub(super) fn decide_anew(scope: &str, about: &str) -> String {
    let what = match scope {
        "class" => format!("--class {about}"),
        "volume" => "--volume DRIVE:N".to_owned(),
        "no-rescue" => "--no-rescue".to_owned(),
        _ if about.starts_with("placeholders:") => format!("--point '{about}'"),
        _ => "--item PATH".to_owned(),
    };
    format!(
        "show the owner the list again and record the decision anew: holdpoint waive JOB {what} --decided-by owner --how signed --name NAME --reason TEXT"
    )
}

/// Who decides, what it says and what to do next, for a pile of items.
pub(super) fn of_items(rules: &GateRules, id: &str, count: u64) -> (Decider, String, String) {
    let items = things(count, "item", "items");
    let is = if count == 1 { "is" } else { "are" };
    let has = if count == 1 { "has" } else { "have" };
    let waive = |id: &str| waive(id, rules.who(id));
    match id {
        "not-copied" => (Decider::Nobody, format!("{items} {is} not copied yet"), "holdpoint copy JOB".into()),
        "changed-items" => (
            Decider::Nobody,
            format!("{items} changed while the job ran"),
            "close what writes to the source, then holdpoint plan JOB and holdpoint copy JOB".into(),
        ),
        "unreadable-items" => (
            rules.who(id),
            format!("{items} could not be read at all"),
            format!("try again with holdpoint copy JOB; else show the owner the list: {}", waive(id)),
        ),
        "damaged-items" => (
            rules.who(id),
            format!("{items} {has} parts that could not be read"),
            format!("show the owner the list on the sheet: {}", waive(id)),
        ),
        "folders-unreadable" => (
            rules.who(id),
            format!("{} could not be opened, so nothing in {} is known", things(count, "folder", "folders"), if count == 1 { "it" } else { "them" }),
            format!("give read permission and run holdpoint plan JOB; else {}", waive(id)),
        ),
        "mounts-not-entered" => (
            rules.who(id),
            format!("{} inside the folder belong{} to another file system and {} not entered", things(count, "place", "places"), if count == 1 { "s" } else { "" }, if count == 1 { "was" } else { "were" }),
            format!("open a job for {} too, or {}", if count == 1 { "it" } else { "them" }, waive(id)),
        ),
        "unknown-tags" => (
            rules.who(id),
            format!("{items} {is} stored in a way that this program cannot read"),
            format!("copy {} on the running system, or {}", if count == 1 { "it" } else { "them" }, waive(id)),
        ),
        "not-verified" => (Decider::Nobody, format!("{items} {is} copied but not read back"), "holdpoint verify JOB".into()),
        "single-copy" => (
            rules.who(id),
            format!("{items} {has} only one proven copy where the policy wants two"),
            if rules.who(id) != Decider::Nobody {
                format!("open the job again with a second destination, or {}", waive(id))
            } else {
                "open the job again with a second destination on another disk".into()
            },
        ),
        "placeholders" => (
            rules.who(id),
            format!("{items} {has} no content on the drive (kept by a cloud service only)"),
            format!("have the owner check the account on another device, then {}", waive(id)),
        ),
        "efs-keys" => (
            rules.who(id),
            format!("{items} {is} encrypted with the owner's own key and worth nothing without it"),
            format!("have the owner decrypt {} on the running system and plan again; else {}", if count == 1 { "it" } else { "them" }, waive(id)),
        ),
        "copy-differs" => (
            Decider::Nobody,
            format!("{} of {items} differ{} from what was read", if count == 1 { "the copy" } else { "copies" }, if count == 1 { "s" } else { "" }),
            "holdpoint copy JOB (it writes them anew), then holdpoint verify JOB; if one differs again, replace that destination".into(),
        ),
        _ => (Decider::Nobody, format!("{items} {is} open"), "holdpoint show JOB".into()),
    }
}

/// The points that are not about single items.
pub(super) fn of_the_world(rules: &GateRules, now: &Now) -> Vec<Point> {
    let mut out = Vec::new();
    let nobody = Decider::Nobody;
    if let Some(why) = &now.ledger_broken {
        out.push(Point::plain(
            "ledger-broken",
            nobody,
            "the job's record does not hold together",
            "everything this job claims is in doubt",
            why.clone(),
            "keep the copies; open a new job and copy again",
        ));
    }
    if let Some(why) = &now.policy_edited {
        out.push(Point::plain(
            "policy-edited",
            nobody,
            "the policy is not the one the job was opened with",
            "the rules of this job are in doubt",
            why.clone(),
            "put the policy back as it was, or open a new job",
        ));
    }
    if let Some(why) = &now.clock_wrong {
        out.push(Point::plain(
            "clock-wrong",
            nobody,
            "the clock of this machine cannot be right",
            "ages and expiry cannot be judged",
            why.clone(),
            "set the clock, then ask again",
        ));
    }
    if let Some(why) = &now.source_gone {
        out.push(Point::plain(
            "source-gone",
            nobody,
            "what is on hold cannot be looked at now",
            "whether it changed is not known",
            why.clone(),
            "connect it again, then holdpoint release JOB",
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
            "holdpoint plan JOB, then copy and verify",
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
            "holdpoint plan JOB; if it stays, refer to a specialist",
        ));
    }
    if now.health.is_empty() {
        out.push(health_unread(
            rules,
            "what is on hold",
            false,
            "no reading was taken".into(),
        ));
    }
    now.health
        .iter()
        .for_each(|health| out.extend(of_health(rules, now, health)));
    out.extend(of_destinations(rules, now));
    out.extend(of_people(rules, now));
    out.extend(of_memory(rules, now));
    out.extend(super::gate_content::of_content(rules, now));
    out
}

/// The command that records a decision about a point, in full.
pub(super) fn waive(id: &str, who: Decider) -> String {
    let who = match who {
        Decider::Technician => "technician",
        Decider::Owner => "owner",
        Decider::Nobody => return "(by the policy of this job nobody may give it up)".to_owned(),
    };
    format!(
        "holdpoint waive JOB --point {id} --decided-by {who} --how signed --name NAME --reason TEXT"
    )
}

fn of_health(rules: &GateRules, now: &Now, health: &HealthNow) -> Vec<Point> {
    let mut out = Vec::new();
    if health.locked {
        out.push(Point::plain(
            "data-locked",
            Decider::Nobody,
            "a drive password locks the data",
            "everything on the drive",
            health.drive.clone(),
            "have the owner unlock the drive in the firmware, then start again",
        ));
    }
    if let Some(why) = &health.refer_undecided {
        out.push(Point::plain(
            "refer-undecided",
            rules.who("refer-undecided"),
            "this drive should go to a specialist laboratory before anything else is tried",
            "every further read may be its last",
            why.clone(),
            "ask the owner; to go on: holdpoint waive JOB --point refer-undecided --decided-by owner --how signed --name NAME --reason TEXT",
        ));
    }
    let unread = |why| health_unread(rules, &health.drive, health.symptom, why);
    match &health.reading {
        None => out.push(unread("no reading was taken".into())),
        Some((_, Some(why))) => out.push(unread(why.clone())),
        Some((taken, None)) => {
            // A recorded reply cannot get younger by asking again; a live drive can.
            let old = now.at.hours_since(*taken) > rules.health_hours;
            if health.live && (old || health.before_last_read) {
                out.push(Point::plain(
                    "health-old",
                    Decider::Nobody,
                    format!(
                        "the newest health reading of {} is from before the last read, or too old",
                        health.drive
                    ),
                    "what the copying did to the drive is not known",
                    format!("taken {taken}"),
                    "holdpoint assess JOB",
                ));
            }
        }
    }
    out
}

fn health_unread(rules: &GateRules, drive: &str, symptom: bool, why: String) -> Point {
    // Without symptoms the technician may go on unread, as in a dock; with one it is the owner's risk to take.
    let who = match rules.who("health-unread") {
        Decider::Technician if symptom => Decider::Owner,
        who => who,
    };
    Point::plain(
        "health-unread",
        who,
        format!("the health of {drive} could not be read"),
        "nobody knows whether the drive lasts, or whether it lied",
        why,
        format!(
            "connect the drive directly and run holdpoint assess JOB; else {}",
            waive("health-unread", who)
        ),
    )
}

fn of_destinations(rules: &GateRules, now: &Now) -> Vec<Point> {
    let mut out = Vec::new();
    let nobody = Decider::Nobody;
    let counting: Vec<&DestinationNow> = now.destinations.iter().filter(|d| d.counts).collect();
    if counting.is_empty() {
        out.push(Point::plain(
            "no-destination",
            nobody,
            "no copy lies anywhere that counts",
            "everything",
            "no independent destination",
            "open the job again with --to on another disk",
        ));
    }
    for destination in &now.destinations {
        if let Some(why) = &destination.why
            && !destination.counts
        {
            out.push(Point::plain(
                "destination-not-independent",
                nobody,
                format!("the copy at {} does not count: {why}", destination.path),
                "a copy on the same disk is lost with it",
                why.clone(),
                "open the job again with --to on a disk of its own",
            ));
        }
        if let Some(trouble) = &destination.trouble {
            out.push(Point::plain(
                "destination-missing",
                nobody,
                format!("the copy at {} cannot be looked at", destination.path),
                "whether that copy still exists is not known",
                trouble.clone(),
                "connect the same destination again, then holdpoint release JOB",
            ));
            continue;
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
                "holdpoint verify JOB says what; then holdpoint copy JOB, and holdpoint verify JOB again",
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
                "look at them (holdpoint verify JOB lists them), take them out, verify again",
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
            Some(v) if !v.whole || destination.last_write.is_some_and(|write| write > v.at) => out
                .push(Point::plain(
                    "verification-missing",
                    nobody,
                    format!(
                        "something was written to {} after it was read back",
                        destination.path
                    ),
                    "a later write may have hit an earlier copy",
                    format!("read back {}", v.at),
                    "holdpoint verify JOB",
                )),
            Some(v) if now.at.hours_since(v.at) > rules.verified_hours || v.at > now.at => out
                .push(Point::plain(
                    "verification-old",
                    nobody,
                    format!(
                        "the copies at {} were read back too long ago",
                        destination.path
                    ),
                    "they may have changed since",
                    format!("read back {}", v.at),
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
                "unplug the destination, plug it in again, holdpoint verify JOB",
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
            Decider::Owner,
            "the owner was not asked what they would miss most",
            "nobody knows what matters",
            "no answer to --must-have",
            "ask, then holdpoint open --job JOB --must-have TEXT (or --must-have none)",
        )),
        Some(list) => {
            for (place, must_have) in list
                .iter()
                .enumerate()
                .filter(|(_, m)| !m.answered || m.unsaved > 0)
            {
                let says = if must_have.answered {
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
                let remedy = if must_have.answered {
                    // It was found; what is missing is the copy of it.
                    "save it with holdpoint copy JOB, then holdpoint verify JOB; what cannot be saved the owner gives up: holdpoint waive JOB --item PATH --decided-by owner --how signed --name NAME --reason TEXT".to_owned()
                } else {
                    format!(
                        "holdpoint waive JOB --must-have {} --found PATH (or --not-here --reason TEXT)",
                        place + 1
                    )
                };
                out.push(Point::plain(
                    "must-have-open",
                    rules.who("must-have-open"),
                    says,
                    must_have.asked.clone(),
                    format!("must-have {}: {}", place + 1, must_have.asked),
                    remedy,
                ));
            }
        }
    }
    if !now.questions_open.is_empty() {
        let list = now.questions_open.join(", ");
        out.push(Point::plain(
            "questions-open",
            Decider::Nobody,
            format!("questions of the intake are unanswered: {list}"),
            "what nobody asked cannot be weighed",
            list.clone(),
            format!("holdpoint open --job JOB with {list}"),
        ));
    }
    out
}

fn of_memory(rules: &GateRules, now: &Now) -> Vec<Point> {
    let told = |alone: &str| match &now.memory_told {
        Some(answers) => {
            format!("{answers}; the worst that was told counts for every copy made until then")
        }
        None => alone.to_owned(),
    };
    let doubt = |says: &str, remedy: &str| {
        vec![Point::plain(
            "memory-doubt",
            rules.who("memory-doubt"),
            says,
            "a fault of memory between reading and hashing enters copy and hash alike",
            told("the state of memory as told at open"),
            remedy,
        )]
    };
    match now.memory {
        MemoryNow::Good { sampled: true } => Vec::new(),
        MemoryNow::Good { sampled: false } => doubt(
            "the drawn sample of the source was not read a second time after the last copy",
            "holdpoint verify JOB",
        ),
        // As a question of the intake it is open already.
        MemoryNow::NotTold if now.questions_open.contains(&"--memory") => Vec::new(),
        MemoryNow::NotTold => doubt(
            "nobody told the state of the copying machine's memory",
            "holdpoint open --job JOB --memory known-good|swapped|suspect|failed",
        ),
        MemoryNow::Failed { attested: true } => Vec::new(),
        MemoryNow::Failed { .. } => vec![Point::plain(
            "memory-failed",
            Decider::Nobody,
            "the copies were made on a machine whose memory failed a test",
            "no copy made on it counts",
            told("memory told as failed"),
            "change the modules, say so with holdpoint open --job JOB --memory swapped, and holdpoint copy JOB writes every copy anew; or move the drive to a sound machine, copy there, and verify with holdpoint verify BAG --attest on another machine",
        )],
        MemoryNow::Doubtful {
            read_again: false, ..
        } => doubt(
            "the source was not read a second time in full after the last copy",
            "holdpoint verify JOB",
        ),
        MemoryNow::Doubtful {
            read_again: true,
            attested: false,
            swapped: false,
        } => doubt(
            "the copies were made on doubtful memory and no other machine has verified them",
            "holdpoint verify BAG --attest on another machine; or the owner decides: holdpoint waive JOB --point memory-doubt --decided-by owner --how signed --name NAME --reason TEXT",
        ),
        MemoryNow::Doubtful { .. } => Vec::new(),
    }
}

/// The last point of all: asked for only when nothing else is open.
pub(super) fn second_look(look: &SecondLook) -> Option<Point> {
    let why = match look {
        SecondLook::Done => return None,
        SecondLook::Missing => "nobody looked a second time".to_owned(),
        SecondLook::NotEnough(why) => why.clone(),
    };
    Some(Point::plain(
        "second-look",
        Decider::Nobody,
        "a release wants a second look",
        "nothing else is open",
        why,
        "holdpoint release JOB --second-look NAME of a second person; or, ten minutes after the first asking, the last four characters of the drive's serial",
    ))
}
