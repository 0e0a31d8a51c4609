//! `close`: ends the shop's own copy after its keeping time, on the record.
//!
//! Invariant: nothing is deleted before its time, and nothing at all while one of the destinations is
//! away, because a forgotten stick is a customer's data in a drawer; nor without the owner's word before everything was put
//! back. Afterwards no name of the customer's stays in what the job's folder holds (its own name was given by the shop and
//! stays): items are numbers, papers and bag are gone; readings, a drive's certificate (which names no person; a folder's
//! goes, because a path can name one) and the chain of facts stay. A run that was cut off is simply done again. The kernel's read-only flag of every held drive goes back to what it was.

use crate::bag::text::{Algorithm, BAG_INFO_NAME, BAGIT_NAME};
use crate::job::{ID_FILE, Job, KeptPath, Setup, fault_problem, ledger_problem};
use crate::ledger::terms::{FILE, WANTED_OR_WAIVED};
use crate::ledger::{Fact, FactBody, ItemRow, Ledger, LedgerError, TAKEN_OUT, standing};
use crate::port::{Destination, Fault, FaultKind};
use crate::read::places::Places;
use crate::step::event::{Event, Step, Tell};
use crate::step::hold::GUARD_LOCK;
use crate::step::outcome::{Amount, Closed, Outcome, Problem};
use crate::step::request::{CloseRequest, CloseWhen};
use crate::value::Moment;

/// What a job keeps at a destination that holds the customer's data or names.
const HOLDINGS: [&str; 3] = ["in-work", "papers", "salvage"];
/// The bag; of what lies in it only what is ours.
const BAG: &str = "bag";
/// What stays there, or was told of before.
const STAYING: [&str; 6] = [
    BAG,
    Ledger::FILE,
    "ledger.db-journal",
    ID_FILE,
    "release",
    crate::step::attest::FOLDER,
];
/// Rows taken at once.
const ROWS: usize = 1000;

/// Deletes the shop's copy, or sets how long it is kept.
pub fn close(
    job: &Job<'_>,
    request: &CloseRequest,
    tell: Tell<'_>,
) -> Result<Outcome<Closed>, Problem> {
    tell(Event::Started { step: Step::Close });
    let facts = job.ledger.facts().map_err(|e| ledger_problem(&e))?;
    if standing::is_closed(&facts) {
        // Closed before; a run that was cut off may have left something, so it is swept once more.
        let destinations = all_here(job)?;
        sweep(job, &destinations, tell)?;
        return ended(job, &destinations, Amount::default(), tell);
    }
    let reason = match &request.when {
        CloseWhen::KeepUntil(until) => return keep_until(job, *until, tell),
        CloseWhen::Now { reason } if reason.trim().is_empty() => {
            return Err(Problem::usage(
                "closing before its time needs its reason",
                "--reason",
                "say in a sentence why the copy goes now",
            ));
        }
        CloseWhen::Now { reason } => Some(reason.trim().to_owned()),
        CloseWhen::ByPolicy => {
            check_time(job, &facts)?;
            None
        }
    };
    let destinations = all_here(job)?;
    // What a run that was cut off had counted before its first deletion.
    let begun = facts.iter().rev().find_map(|fact| match fact.body {
        FactBody::Closing { items, bytes } => Some(Amount::new(items, bytes)),
        _ => None,
    });
    let amount = match begun {
        Some(amount) => amount,
        None => {
            let there = lying(job, &destinations)?;
            let on_record = amount(job)?.items;
            if there.items == 0 && on_record > 0 {
                taken_away(job, &request.when, on_record, tell)?;
            }
            there
        }
    };
    // Before the first copy goes: cut off from here on, nothing of this job counts as saved any more.
    job.record(&FactBody::Closing {
        items: amount.items,
        bytes: amount.bytes,
    })?;
    delete_copies(job, &destinations, tell)?;
    sweep(job, &destinations, tell)?;
    // While the ledger still tells which drives were held.
    for says in crate::step::hold::give_back_holds(job)? {
        tell(Event::Warn { says });
    }
    let setup = serde_json::to_value(without_names(&job.setup))
        .map_err(|e| Problem::failed(e.to_string(), "", "this is a fault of the program"))?;
    let last = FactBody::Closed {
        deleted_items: amount.items,
        deleted_bytes: amount.bytes,
        keep_until: None,
        reason,
    };
    job.ledger
        .strip_names(job.now(), &setup, &last)
        .map_err(|e| ledger_problem(&e))?;
    ended(job, &destinations, amount, tell)
}

/// Not one copy lies where the record has them: somebody moved the bag, and what is closed now deletes nothing of it.
fn taken_away(
    job: &Job<'_>,
    when: &CloseWhen,
    on_record: u64,
    tell: Tell<'_>,
) -> Result<(), Problem> {
    let says = format!("none of the {on_record} copies on record lies in a bag of this job");
    if let CloseWhen::Now { .. } = when {
        tell(Event::Warn {
            says: format!(
                "{says}: nothing of them was deleted, and whoever has them has the customer's data"
            ),
        });
        return Ok(());
    }
    Err(Problem::failed(
        format!("not closed, and nothing deleted: {says}"),
        job.shown(),
        "put the bag back to its place; or, when the copies are destroyed already:\nholdpoint close JOB --now --reason TEXT",
    ))
}

/// Replaces the ledger's copies at the other destinations: they still hold names until then.
fn ended(
    job: &Job<'_>,
    destinations: &[Box<dyn Destination>],
    deleted: Amount,
    tell: Tell<'_>,
) -> Result<Outcome<Closed>, Problem> {
    let work = "in-work";
    for destination in destinations {
        destination.make_folder(work).map_err(|f| gone(&f))?;
    }
    if let Some(warning) = job.snapshot().into_iter().next() {
        return Err(Problem::failed(
            format!(
                "the copies are deleted, but a copy of the ledger still holds names: {warning}"
            ),
            job.shown(),
            "holdpoint close JOB\nit goes on from there",
        ));
    }
    for destination in destinations {
        clear(destination.as_ref(), work).map_err(|f| gone(&f))?;
        destination.settle().map_err(|f| gone(&f))?;
    }
    tell(Event::Finished);
    let result = Closed {
        closed: true,
        deleted,
        keep_until: None,
    };
    Ok(Outcome::done(&job.dir, result, Vec::new()))
}

fn keep_until(job: &Job<'_>, until: Moment, tell: Tell<'_>) -> Result<Outcome<Closed>, Problem> {
    if until <= job.now() {
        return Err(Problem::usage(
            format!("{until:.0} is past"),
            "--keep-until",
            "name a day to come; to close before its time:\nholdpoint close JOB --now --reason TEXT",
        ));
    }
    job.record(&FactBody::Closed {
        deleted_items: 0,
        deleted_bytes: 0,
        keep_until: Some(until),
        reason: None,
    })?;
    for warning in job.snapshot() {
        tell(Event::Warn { says: warning });
    }
    tell(Event::Finished);
    let result = Closed {
        closed: false,
        deleted: Amount::default(),
        keep_until: Some(until),
    };
    Ok(Outcome::done(&job.dir, result, Vec::new()))
}

/// Until when the copy is kept: the day set last, else the policy's days from acceptance. `None` = never accepted.
pub fn kept_until(job: &Job<'_>, facts: &[Fact]) -> Option<Moment> {
    let set = facts.iter().rev().find_map(|fact| match fact.body {
        FactBody::Closed { keep_until, .. } => keep_until,
        _ => None,
    });
    set.or_else(|| {
        let accepted = standing::accepted(facts)?;
        let days = f64::from(job.policy.keeping.days.get());
        Some(accepted.at.plus_hours(days * 24.0))
    })
}

fn check_time(job: &Job<'_>, facts: &[Fact]) -> Result<(), Problem> {
    let shown = job.shown();
    let early = "or, with the owner's word:\nholdpoint close JOB --now --reason TEXT";
    let newest = standing::returned(facts).map(|(_, refused)| refused);
    match newest {
        // A release says that the source may go; it does not say that the copy may go with it.
        None if amount(job)?.items > 0 => {
            return Err(Problem::hold(
                "nothing was put back: this may be the only copy",
                shown,
                format!("holdpoint put-back JOB --to DIR\n{early}"),
            ));
        }
        Some(1..) => {
            return Err(Problem::failed(
                format!(
                    "the newest put-back of everything did not return {} items: for those this may be the only copy",
                    newest.unwrap_or_default()
                ),
                shown,
                format!("holdpoint put-back JOB --to DIR\n{early}"),
            ));
        }
        None | Some(0) => {}
    }
    match kept_until(job, facts) {
        Some(until) if job.now() < until => Err(Problem::failed(
            format!(
                "the shop's copy is kept until {until:.0}; it is {:.0} now",
                job.now()
            ),
            shown,
            format!("close it then\n{early}"),
        )),
        _ => Ok(()),
    }
}

/// Every destination of the job; one that is away ends the step before anything was deleted.
fn all_here(job: &Job<'_>) -> Result<Vec<Box<dyn Destination>>, Problem> {
    let (mut here, mut away) = (Vec::new(), Vec::new());
    for (kept, opened) in job.setup.destinations.iter().zip(job.destinations()) {
        match opened {
            Ok(destination) => here.push(destination),
            Err(fault) => away.push(format!("{} ({fault})", kept.to.text)),
        }
    }
    if away.is_empty() {
        return Ok(here);
    }
    Err(Problem::failed(
        format!(
            "not closed, and nothing deleted: not every destination is here: {}",
            away.join("; ")
        ),
        job.shown(),
        "connect all destinations of the job, then:\nholdpoint close JOB\nor, where one is mounted in another place now, say where:\nholdpoint open --job JOB --to DIR",
    ))
}

/// What the record says is copied: each item once, however many destinations hold it.
fn amount(job: &Job<'_>) -> Result<Amount, Problem> {
    let ledger = &job.ledger;
    let row = ledger.db().query_row(
        "SELECT count(*), coalesce(sum(item.bytes), 0) FROM got JOIN item ON item.id = got.item WHERE got.written <> 0",
        [],
        |row| Ok((row.get::<_, i64>(0)?, row.get::<_, i64>(1)?)),
    );
    let (items, bytes) = ledger
        .doing("counting the copies", row)
        .map_err(|e| ledger_problem(&e))?;
    Ok(Amount::new(items as u64, bytes as u64))
}

fn gone(fault: &Fault) -> Problem {
    fault_problem(
        fault,
        "connect all destinations for writing, then go on from there:\nholdpoint close JOB",
    )
}

/// What of the recorded copies lies there, each once: somebody may have taken one away.
fn lying(job: &Job<'_>, destinations: &[Box<dyn Destination>]) -> Result<Amount, Problem> {
    let mut there = Amount::default();
    each_copy(job, "got.written <> 0", &mut |path, item| {
        let opened = destinations.iter().any(|at| at.open(path).is_ok());
        if opened {
            there = there.plus(Amount::new(1, item.bytes));
        }
        Ok(())
    })?;
    Ok(there)
}

/// Goes through the places of copies by the record, a page of rows at a time.
fn each_copy(
    job: &Job<'_>,
    which: &str,
    see: &mut dyn FnMut(&str, &ItemRow) -> Result<(), Problem>,
) -> Result<(), Problem> {
    let mut places = Places::new(&job.ledger);
    let mut after = 0;
    loop {
        let page = job
            .ledger
            .items_after(which, after, ROWS)
            .map_err(|e| ledger_problem(&e))?;
        let Some((last, _)) = page.last() else {
            return Ok(());
        };
        after = last.id;
        for (item, _) in &page {
            let place = places
                .of(item.parent)
                .map_err(|e: LedgerError| ledger_problem(&e))?;
            see(&place.bag_path(item), item)?;
        }
    }
}

/// Deletes the copies by the record; those too that stand under their names and were not recorded before a run ended.
fn delete_copies(
    job: &Job<'_>,
    destinations: &[Box<dyn Destination>],
    tell: &mut dyn FnMut(Event),
) -> Result<(), Problem> {
    let mut done = 0u64;
    let which = format!("{FILE} AND ({WANTED_OR_WAIVED} OR got.written <> 0)");
    each_copy(job, &which, &mut |path, _| {
        for destination in destinations {
            destination.remove(path).map_err(|f| gone(&f))?;
        }
        done += 1;
        if done.is_multiple_of(ROWS as u64) {
            tell(Event::Counted {
                what: "copies deleted".into(),
                done,
                all: None,
            });
        }
        Ok(())
    })
}

/// Whether a file of the bag, which is no copy, is one that `copy` or `release` wrote there.
fn is_of_the_bag(path: &str) -> bool {
    let within = path.strip_prefix("bag/").unwrap_or(path);
    let lists = [Algorithm::Blake3, Algorithm::Sha256]
        .map(|algorithm| [algorithm.manifest(), algorithm.tag_manifest()]);
    match within.strip_prefix("holdpoint/") {
        Some(evidence) => evidence.ends_with(".json"),
        None => {
            [BAGIT_NAME, BAG_INFO_NAME].contains(&within) || lists.as_flattened().contains(&within)
        }
    }
}

/// Removes what is left of the data and the papers, folders included, and looks that nothing is.
fn sweep(
    job: &Job<'_>,
    destinations: &[Box<dyn Destination>],
    tell: &mut dyn FnMut(Event),
) -> Result<(), Problem> {
    for destination in destinations {
        let left = clear_but(destination.as_ref(), BAG, &is_of_the_bag).map_err(|f| gone(&f))?;
        if let Some(example) = left.first() {
            let more = match left.len() {
                1 => String::new(),
                n => format!(" and {} more", n - 1),
            };
            tell(Event::Warn {
                says: format!(
                    "left alone, because holdpoint did not put it into the bag: {example}{more}; look whether it holds the customer's data"
                ),
            });
        }
        for holding in HOLDINGS {
            clear(destination.as_ref(), holding).map_err(|f| gone(&f))?;
        }
        if job.setup.drives.is_empty() {
            clear(destination.as_ref(), "release").map_err(|f| gone(&f))?;
        }
        destination.remove(GUARD_LOCK).map_err(|f| gone(&f))?;
        destination.settle().map_err(|f| gone(&f))?;
        tell_strangers(destination.as_ref(), tell);
    }
    // The job folder may be none of the destinations; its papers go all the same.
    let own = job
        .bench
        .destination(&job.dir, false)
        .map_err(|f| gone(&f))?;
    clear(own.as_ref(), "papers").map_err(|f| gone(&f))?;
    own.remove(GUARD_LOCK).map_err(|f| gone(&f))?;
    if job.setup.drives.is_empty() {
        clear(own.as_ref(), "release").map_err(|f| gone(&f))?;
    }
    own.settle().map_err(|f| gone(&f))
}

/// Removes a folder of the job with all that is in it.
fn clear(destination: &dyn Destination, top: &str) -> Result<(), Fault> {
    clear_but(destination, top, &|_| true).map(drop)
}

/// Removes what is ours in a folder of the job, and the folders that are empty then; returns what stays.
fn clear_but(
    destination: &dyn Destination,
    top: &str,
    is_ours: &dyn Fn(&str) -> bool,
) -> Result<Vec<String>, Fault> {
    let (mut files, mut folders) = (Vec::new(), vec![top.to_owned()]);
    let walked = destination.each(top, &mut |below| {
        if below.is_folder {
            folders.push(below.path.to_owned());
        } else {
            files.push(below.path.to_owned());
        }
    });
    match walked {
        Err(fault) if fault.kind == FaultKind::Missing => return Ok(Vec::new()),
        other => other?,
    }
    let (ours, others): (Vec<String>, Vec<String>) =
        files.into_iter().partition(|file| is_ours(file));
    for file in ours {
        destination.remove(&file)?;
    }
    // Parents come first in the walk, so the other way round each is empty when its turn comes.
    let holds_others = |folder: &String| {
        let mut within = others
            .iter()
            .filter_map(|file| file.strip_prefix(folder.as_str()));
        within.any(|rest| rest.starts_with('/'))
    };
    for folder in folders.iter().rev().filter(|folder| !holds_others(folder)) {
        destination.remove_folder(folder)?;
    }
    Ok(others)
}

/// Names what somebody else put into the job's folder: it is not ours to delete.
fn tell_strangers(destination: &dyn Destination, tell: &mut dyn FnMut(Event)) {
    let mut strangers = std::collections::BTreeSet::new();
    let _ = destination.each("", &mut |below| {
        let top = below.path.split('/').next().unwrap_or_default();
        if !STAYING.contains(&top) && strangers.len() < 20 {
            strangers.insert(top.to_owned());
        }
    });
    if !strangers.is_empty() {
        let list: Vec<String> = strangers.into_iter().collect();
        tell(Event::Warn {
            says: format!(
                "left alone in the job's folder, because holdpoint did not make it: {}; look whether it holds the customer's data",
                list.join(", ")
            ),
        });
    }
}

/// The setup without anything that names a person or their things. Destinations stay: they are the shop's own.
fn without_names(setup: &Setup) -> Setup {
    let mut bare = setup.clone();
    let nowhere = || KeptPath {
        text: TAKEN_OUT.to_owned(),
        raw: String::new(),
    };
    bare.owner = None;
    bare.technician = None;
    bare.must_haves = setup
        .must_haves
        .as_ref()
        .map(|list| (1..=list.len()).map(|number| number.to_string()).collect());
    if let Some(folder) = &mut bare.folder {
        folder.path = nowhere();
    }
    // An image file is named after whose drive it is; a device's name is the kernel's.
    for drive in bare.drives.iter_mut().filter(|drive| drive.is_image) {
        drive.path = nowhere();
    }
    bare.replies = None;
    bare.policy_file = None;
    bare
}
