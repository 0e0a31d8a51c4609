//! `close`: ends the shop's own copy after its keeping time, on the record.
//!
//! Invariant: nothing is deleted before its time, and nothing at all while one of the destinations is
//! away, because a forgotten stick is a customer's data in a drawer; nor without the owner's word before everything was put
//! back. Afterwards no name of the customer's stays in what the job's folder holds (its own name was given by the shop and
//! stays): items are numbers, papers and bag are gone; readings, a drive's certificate (which names no person; a folder's
//! goes, because a path can name one) and the chain of facts stay. A run that was cut off is simply done again. The kernel's read-only flag of every held drive goes back to what it was.

use crate::job::{ID_FILE, Job, KeptPath, Setup, fault_problem, ledger_problem};
use crate::ledger::{Fact, FactBody, Ledger, LedgerError, TAKEN_OUT, standing};
use crate::port::{Destination, Fault, FaultKind};
use crate::read::places::Places;
use crate::step::event::{Event, Step, Tell};
use crate::step::hold::GUARD_LOCK;
use crate::step::outcome::{Amount, Closed, Outcome, Problem};
use crate::step::request::{CloseRequest, CloseWhen};
use crate::value::Moment;

/// What a job keeps at a destination that holds the customer's data or names.
const HOLDINGS: [&str; 4] = ["bag", "in-work", "papers", "salvage"];
/// What stays there.
const STAYING: [&str; 5] = [
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
    let amount = amount(job)?;
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
        "connect all destinations of the job, then:\nholdpoint close JOB",
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

/// Deletes the copies by the record, a page of rows at a time.
fn delete_copies(
    job: &Job<'_>,
    destinations: &[Box<dyn Destination>],
    tell: &mut dyn FnMut(Event),
) -> Result<(), Problem> {
    let mut places = Places::new(&job.ledger);
    let (mut after, mut done) = (0, 0u64);
    loop {
        let page = job
            .ledger
            .items_after("got.written <> 0", after, ROWS)
            .map_err(|e| ledger_problem(&e))?;
        let Some((last, _)) = page.last() else {
            return Ok(());
        };
        after = last.id;
        for (item, _) in &page {
            let place = places
                .of(item.parent)
                .map_err(|e: LedgerError| ledger_problem(&e))?;
            let path = place.bag_path(item);
            for destination in destinations {
                destination.remove(&path).map_err(|f| gone(&f))?;
            }
            done += 1;
        }
        tell(Event::Counted {
            what: "copies deleted".into(),
            done,
            all: None,
        });
    }
}

/// Removes what is left of the data and the papers, folders included, and looks that nothing is.
fn sweep(
    job: &Job<'_>,
    destinations: &[Box<dyn Destination>],
    tell: &mut dyn FnMut(Event),
) -> Result<(), Problem> {
    for destination in destinations {
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
    let (mut files, mut folders) = (Vec::new(), vec![top.to_owned()]);
    let walked = destination.each(top, &mut |below| {
        if below.is_folder {
            folders.push(below.path.to_owned());
        } else {
            files.push(below.path.to_owned());
        }
    });
    match walked {
        Err(fault) if fault.kind == FaultKind::Missing => return Ok(()),
        other => other?,
    }
    for file in files {
        destination.remove(&file)?;
    }
    // Parents come first in the walk, so the other way round each is empty when its turn comes.
    for folder in folders.into_iter().rev() {
        destination.remove_folder(&folder)?;
    }
    Ok(())
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
