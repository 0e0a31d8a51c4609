//! Sealing the bags: manifests and evidence, from the ledger, on every destination that is here.

use crate::bag::seal::{
    Decided, Evidence, NOT_SAVED, Payload, SealError, close_bag, write_not_saved, write_payload,
};
use crate::bag::spare;
use crate::bag::text::{Algorithm, BAG_INFO_NAME, BAGIT_NAME, BagInfo};
use crate::job::{Job, ledger_problem};
use crate::ledger::{Fact, FactBody, standing};
use crate::paper::certificate;
use crate::port::Destination;
use crate::step::outcome::Problem;
use crate::value::Blake3;

/// Writes manifests and evidence at one destination; returns the manifest root. `payload` = what of the payload was
/// written before and stands.
fn seal(
    job: &Job<'_>,
    number: usize,
    to: &dyn Destination,
    facts: &[Fact],
    payload: Option<Payload>,
) -> Result<Blake3, Problem> {
    let failed = |e: SealError| match e {
        SealError::Ledger(e) => ledger_problem(&e),
        SealError::Destination(fault) => crate::job::fault_problem(
            &fault,
            "look whether the destination is full, read-only or gone; then do the same again",
        ),
    };
    let ready = to
        .make_folder("bag/data")
        .and_then(|()| to.make_folder("bag/holdpoint/readings"));
    ready.map_err(|fault| failed(fault.into()))?;
    let payload = match payload {
        Some(payload) => payload,
        None => write_payload(&job.ledger, number, to).map_err(failed)?,
    };
    let not_saved = write_not_saved(&job.ledger, &decided(job, facts)?, to).map_err(failed)?;
    let now = job.now();
    let mut info = BagInfo::new(
        now.to_string().get(..10).unwrap_or("1970-01-01"),
        payload.oxum,
    );
    info.add(
        "Bag-Software-Agent",
        concat!("holdpoint ", env!("CARGO_PKG_VERSION")),
    );
    info.add("External-Identifier", &job.setup.id);
    if let Some(owner) = &job.setup.owner {
        // Sealed when the copying is done: before anything was read back, so nothing is called saved yet.
        info.add("External-Description", &format!("Copied for {owner}"));
    }
    if job.policy.practice {
        info.add("Holdpoint-Practice", "practice: releases nothing");
    }
    let evidence = evidence(job, facts)?;
    close_bag(to, &payload, vec![not_saved], info, &evidence).map_err(failed)?;
    let kept = serde_json::to_string(&payload).unwrap_or_default();
    let kept = job.ledger.set(&payload_key(number), &kept);
    kept.map_err(|e| ledger_problem(&e))?;
    job.record(&FactBody::Sealed {
        destination: number,
        manifest_root: payload.root,
        items: payload.oxum.streams,
        bytes: payload.oxum.octets,
    })?;
    Ok(payload.root)
}

/// What the facts say of what is not saved.
fn decided(job: &Job<'_>, facts: &[Fact]) -> Result<Decided, Problem> {
    let reasons = facts.iter().filter_map(|fact| match &fact.body {
        FactBody::Waived { waiver, .. } => Some((waiver.number, waiver.reason.clone())),
        _ => None,
    });
    Ok(Decided {
        reasons: reasons.collect(),
        keys: crate::step::state::keys_given_up(job, facts)?,
        places: crate::step::plan::drive::lost_places(job, facts)?,
    })
}

/// The small evidence files: readings, decisions, what rules leave out, the setup.
fn evidence(job: &Job<'_>, facts: &[Fact]) -> Result<Vec<Evidence>, Problem> {
    let mut out = Vec::new();
    let mut add = |path: &str, value: serde_json::Value| {
        let mut bytes = serde_json::to_vec_pretty(&value).unwrap_or_default();
        bytes.push(b'\n');
        out.push((path.to_owned(), bytes));
    };
    let waivers: Vec<_> = facts
        .iter()
        .filter_map(|fact| match &fact.body {
            FactBody::Waived { waiver, .. } => {
                Some(serde_json::json!({ "at": fact.at, "waiver": waiver }))
            }
            _ => None,
        })
        .collect();
    add("holdpoint/waivers.json", serde_json::Value::Array(waivers));
    let answers: Vec<_> = facts
        .iter()
        .filter_map(|fact| match &fact.body {
            FactBody::Answered { must_have, found, not_here } => {
                Some(serde_json::json!({ "at": fact.at, "must_have": must_have + 1, "found": found, "not_here": not_here }))
            }
            _ => None,
        })
        .collect();
    add(
        "holdpoint/must-haves.json",
        serde_json::json!({ "asked": job.setup.must_haves, "answers": answers }),
    );
    add(
        "holdpoint/left-out.json",
        serde_json::to_value(crate::step::plan::left_out(job)?).unwrap_or_default(),
    );
    add(
        "holdpoint/policy.json",
        serde_json::json!({ "name": job.setup.policy, "hash": job.setup.policy_hash, "text": job.setup.policy_text }),
    );
    if let Some(ranges) = ranges(job, facts)? {
        add("holdpoint/salvage.json", ranges);
    }
    for fact in facts {
        if let FactBody::Read { reading, .. } = &fact.body {
            let kept = job
                .ledger
                .get(&format!("reading-{reading}"))
                .map_err(|e| ledger_problem(&e))?;
            if let Some(value) = kept.and_then(|text| serde_json::from_str(&text).ok()) {
                add(&reading_path(*reading), value);
            }
        }
    }
    Ok(out)
}

/// How the sectors of each drive stand that was read on the salvage route; `None` = none was.
fn ranges(job: &Job<'_>, facts: &[Fact]) -> Result<Option<serde_json::Value>, Problem> {
    let was = |number: usize| {
        facts
            .iter()
            .any(|fact| matches!(fact.body, FactBody::Salvaged { drive, .. } if drive == number))
    };
    let mut out = Vec::new();
    for (number, kept) in job.setup.drives.iter().enumerate() {
        if !was(number) {
            continue;
        }
        let states = job
            .ledger
            .range_states(number)
            .map_err(|e| ledger_problem(&e))?;
        let runs: Vec<_> = states
            .runs()
            .map(|run| serde_json::json!({ "first": run.first, "count": run.count, "state": run.state.word() }))
            .collect();
        out.push(serde_json::json!({
            "drive": number + 1, "serial": kept.serial, "sector_bytes": kept.sector_bytes, "ranges": runs,
        }));
    }
    Ok((!out.is_empty()).then_some(serde_json::Value::Array(out)))
}

/// The newest fact that changed what the bag of a destination should hold.
fn newest_change(facts: &[Fact]) -> i64 {
    newest(facts, |body| {
        changes_payload(body)
            || matches!(
                body,
                FactBody::Waived { .. }
                    | FactBody::Answered { .. }
                    | FactBody::Read { .. }
                    | FactBody::Salvaged { .. }
            )
    })
}

/// Whether a fact changed what a bag's manifests and lists of names hold.
fn changes_payload(body: &FactBody) -> bool {
    matches!(
        body,
        FactBody::Batch { items: 1.., .. }
            | FactBody::SurveyBegun { .. }
            | FactBody::Surveyed { .. }
    )
}

fn newest(facts: &[Fact], matters: impl Fn(&FactBody) -> bool) -> i64 {
    standing::newest(facts, matters).map_or(0, |fact| fact.number)
}

fn reading_path(reading: i64) -> String {
    format!("holdpoint/readings/{reading:04}.json")
}

/// When the bag at destination `number` was sealed last, and its manifest root.
fn sealed_last(facts: &[Fact], number: usize) -> Option<(i64, Blake3)> {
    facts.iter().rev().find_map(|fact| match fact.body {
        FactBody::Sealed {
            destination,
            manifest_root,
            ..
        } if destination == number => Some((fact.number, manifest_root)),
        _ => None,
    })
}

/// The root of the bag at destination `number`, if it is as the ledger says now.
fn is_sealed(facts: &[Fact], number: usize) -> Option<Blake3> {
    sealed_last(facts, number)
        .filter(|(at, _)| *at > newest_change(facts))
        .map(|(_, root)| root)
}

fn payload_key(number: usize) -> String {
    format!("payload-{number}")
}

/// What of the payload was written when the bag was sealed last, if nothing was copied or surveyed since.
fn payload_that_stands(job: &Job<'_>, facts: &[Fact], number: usize) -> Option<Payload> {
    let (at, root) = sealed_last(facts, number)?;
    let kept = job.ledger.get(&payload_key(number)).ok()??;
    let payload: Payload = serde_json::from_str(&kept).ok()?;
    (at > newest(facts, changes_payload) && payload.root == root).then_some(payload)
}

/// Seals every destination that is here and not sealed as the ledger says now; by number, the root or what went wrong.
/// One that is full or gone keeps no other one from being sealed.
///
/// # Errors
/// When the ledger cannot be read.
pub fn seal_each(
    job: &Job<'_>,
    destinations: &[Option<&dyn Destination>],
) -> Result<Vec<Option<Result<Blake3, Problem>>>, Problem> {
    seal_where(job, destinations, |_| false)
}

/// The same, and anew where manifests, lists or evidence are not as they were sealed.
///
/// # Errors
/// When the ledger cannot be read.
pub fn seal_anew(
    job: &Job<'_>,
    destinations: &[Option<&dyn Destination>],
) -> Result<Vec<Option<Result<Blake3, Problem>>>, Problem> {
    seal_where(job, destinations, |to| {
        !crate::bag::check::check_tags(to, "bag").is_ok_and(|wrong| wrong.is_empty())
    })
}

fn seal_where(
    job: &Job<'_>,
    destinations: &[Option<&dyn Destination>],
    is_hurt: impl Fn(&dyn Destination) -> bool,
) -> Result<Vec<Option<Result<Blake3, Problem>>>, Problem> {
    let facts = job.ledger.facts().map_err(|e| ledger_problem(&e))?;
    let one = |(number, destination): (usize, &Option<&dyn Destination>)| {
        destination.map(|to| match is_sealed(&facts, number) {
            Some(root) if !is_hurt(to) => Ok(root),
            sealed => {
                let stands = || payload_that_stands(job, &facts, number);
                let whole = sealed.is_none() && !is_hurt(to);
                seal(job, number, to, &facts, whole.then(stands).flatten())
            }
        })
    };
    Ok(destinations.iter().enumerate().map(one).collect())
}

/// Brings what was decided and read since into every bag that is here, and writes nothing else: the copies were read
/// back, and what is written after that should be little (see [`spare`]).
///
/// # Errors
/// The first bag that could not be sealed.
pub fn seal_decisions(
    job: &Job<'_>,
    destinations: &[Option<&dyn Destination>],
) -> Result<Vec<Option<Blake3>>, Problem> {
    let facts = job.ledger.facts().map_err(|e| ledger_problem(&e))?;
    let one = |(number, destination): (usize, &Option<&dyn Destination>)| {
        destination.map(|to| match is_sealed(&facts, number) {
            Some(root) => Ok(root),
            None => {
                let stands = payload_that_stands(job, &facts, number);
                seal(job, number, to, &facts, stands)
            }
        })
    };
    destinations
        .iter()
        .enumerate()
        .map(|each| one(each).transpose())
        .collect()
}

/// Lays the room for what `release` may write, before the copies are read back. A destination that takes no more gets
/// none: nothing that comes later will land on it either.
///
/// # Errors
/// When the ledger cannot be read.
pub fn lay_spares(job: &Job<'_>, to: &dyn Destination) -> Result<(), Problem> {
    let facts = job.ledger.facts().map_err(|e| ledger_problem(&e))?;
    let last_reading = facts.iter().rev().find_map(|fact| match fact.body {
        FactBody::Read { reading, .. } => Some(reading),
        _ => None,
    });
    let next_reading = last_reading.unwrap_or(0) + 1;
    let drives = job.setup.drives.len() as i64;
    let evidence = evidence(job, &facts)?.into_iter().map(|(path, _)| path);
    let tags = [
        BAGIT_NAME,
        BAG_INFO_NAME,
        NOT_SAVED,
        Algorithm::Blake3.tag_manifest(),
        Algorithm::Sha256.tag_manifest(),
    ];
    let mut files: Vec<String> = evidence
        .chain(tags.map(str::to_owned))
        .chain((next_reading..next_reading + drives).map(reading_path))
        .map(|path| format!("bag/{path}"))
        .collect();
    files.extend([certificate::PLACE, certificate::SIGNATURE].map(str::to_owned));
    let laid = to
        .make_folder("release")
        .and_then(|()| files.iter().try_for_each(|path| spare::lay(to, path)))
        .and_then(|()| to.settle());
    drop(laid);
    Ok(())
}
