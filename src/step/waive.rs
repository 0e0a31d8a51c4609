//! `waive`: records that something may be lost, decided by whom and how; and the answers to must-haves.
//!
//! Invariant: a waiver names a frozen set and lapses when the set changes. Nobody gives up the
//! irreplaceable class as a whole, except the owner who signs that nothing is wanted.

mod volume;

use crate::job::{Job, ledger_problem};
use crate::judge::gate::{Gate, set_entry};
use crate::judge::point::Point;
use crate::ledger::facts::Waiver;
use crate::ledger::terms::{FILE, WANTED_OR_WAIVED};
use crate::ledger::{FactBody, Got, GotRow, ItemRow, LedgerError, Want};
use crate::step::doubts;
use crate::step::gate::{Closeness, ask, seen};
use crate::step::outcome::{Answer, Answered, DecidedBy, Outcome, Problem, Waived, WaivedSet};
use crate::step::plan::find;
use crate::step::request::{AnswerRequest, MustHaveAnswer, WaiveRequest, WaiveWhat};
use crate::survey::item::{Class, Kind, Mark};
use crate::value::hex::unhex;
use crate::value::words::{WaiverScope, Who};
use crate::value::{Blake3, Name};
use std::ffi::OsStr;
use std::os::unix::ffi::OsStrExt;

/// Before a sync root, in the place of a point's id: its placeholders alone. The owner decides for an account, and what of it
/// is on the drive is not given up with them.
pub const OF_ONE_ROOT: &str = "placeholders:";

/// A decision as it is recorded: once, or once for each of the points that it settles.
struct Decision<'a, 'b> {
    job: &'a Job<'b>,
    request: &'a WaiveRequest,
    /// The first of its numbers.
    number: i64,
    proof: Option<(String, Blake3)>,
}

impl Decision<'_, '_> {
    /// The waiver of what it covers, a frozen set that is still empty.
    fn of(&self, scope: WaiverScope, about: &str, set_hash: Blake3) -> Waiver {
        let (job, request) = (self.job, self.request);
        let name = request
            .name
            .clone()
            .or_else(|| job.setup.technician.clone());
        Waiver {
            number: self.number,
            scope,
            about: about.to_owned(),
            items: 0,
            bytes: 0,
            set_hash,
            reason: request.reason.clone(),
            decided_by: request.decided_by.word().to_owned(),
            name: name.unwrap_or_default(),
            how: (request.how)
                .map_or("own decision", |how| how.word())
                .to_owned(),
            proof: self.proof.clone(),
        }
    }

    /// Records that a point is given up as it stands; `later` = how many waivers of this decision were recorded before.
    fn point(&self, point: &Point, later: i64) -> Result<Waiver, Problem> {
        let waiver = Waiver {
            number: self.number + later,
            items: point.count,
            bytes: point.bytes,
            ..self.of(WaiverScope::Point, point.id, point.set)
        };
        let rows = self.job.ledger.row_sum().map_err(|e| ledger_problem(&e))?;
        self.job.record(&FactBody::Waived {
            waiver: waiver.clone(),
            rows: rows.to_string(),
        })?;
        Ok(waiver)
    }
}

/// Records a waiver.
pub fn waive(job: &Job<'_>, request: &WaiveRequest) -> Result<Outcome<Waived>, Problem> {
    check_who(job, request)?;
    let proof = match &request.proof {
        None => None,
        Some(path) => {
            let bytes = job.bench.read_file(path).map_err(|fault| {
                crate::job::fault_problem(&fault, "name a file that can be read").on_path(path)
            })?;
            Some((
                path.display().to_string(),
                Blake3(*blake3::hash(&bytes).as_bytes()),
            ))
        }
    };
    let facts = job.ledger.facts().map_err(|e| ledger_problem(&e))?;
    crate::step::refuse_closing(job, &facts)?;
    let number = 1 + facts
        .iter()
        .filter(|fact| matches!(fact.body, FactBody::Waived { .. }))
        .count() as i64;
    let decision = Decision {
        job,
        request,
        number,
        proof,
    };
    let waiver = match &request.what {
        WaiveWhat::Point(id) => match id.strip_prefix(OF_ONE_ROOT) {
            Some(root) => {
                let mut set = everything_at(job, OsStr::new(root))?;
                set.retain(|(item, _)| item.marks.has(Mark::Placeholder));
                waive_set(&decision, set, WaiverScope::Items, id)?
            }
            None => waive_point(&decision, id)?,
        },
        WaiveWhat::Items(paths) => {
            let mut set = Vec::new();
            for path in paths {
                set.extend(everything_at(job, path)?);
            }
            let about = paths
                .iter()
                .map(|path| Name::Bytes(path.as_bytes().to_vec()).text())
                .collect::<Vec<_>>()
                .join(", ");
            let rules = crate::step::gate::rules(job);
            let holds = |(item, got): &(ItemRow, GotRow)| {
                Gate::is_open(&rules, job.counting(), &seen(item, got))
            };
            // What is saved is not given up; a copy of it that is in doubt may be accepted as it is.
            let accepted = if set.iter().any(holds) {
                None
            } else {
                let blank = decision.of(WaiverScope::Doubtful, &about, Blake3([0; 32]));
                doubts::accept(job, request, set.iter().map(|(item, _)| item), blank)?
            };
            match accepted {
                Some(waiver) => waiver,
                None => waive_set(&decision, set, WaiverScope::Items, &about)?,
            }
        }
        WaiveWhat::Class(Class::Irreplaceable) => return Err(whole_class("irreplaceable")),
        WaiveWhat::Class(class) => {
            let mut set = Vec::new();
            let wanted = format!(
                "item.class = {} AND {FILE} AND {WANTED_OR_WAIVED}",
                crate::ledger::row::class_code(*class)
            );
            job.ledger
                .each_item::<LedgerError>(&wanted, |item, got| {
                    set.push((item, got));
                    Ok(())
                })
                .map_err(|e| ledger_problem(&e))?;
            waive_set(&decision, set, WaiverScope::Class, class.word())?
        }
        WaiveWhat::Volume { drive, number } => volume::waive(&decision, drive, *number)?,
        WaiveWhat::NoRescue => {
            let mut set = Vec::new();
            job.ledger
                .each_item::<LedgerError>(WANTED_OR_WAIVED, |item, got| {
                    set.push((item, got));
                    Ok(())
                })
                .map_err(|e| ledger_problem(&e))?;
            waive_set(&decision, set, WaiverScope::NoRescue, "everything")?
        }
    };
    let result = Waived {
        waived: WaivedSet {
            items: waiver.items,
            bytes: waiver.bytes,
            set_hash: waiver.set_hash,
        },
        kept: waiver.scope == WaiverScope::Doubtful
            || waiver.is_about(WaiverScope::Point, doubts::ID),
    };
    let warnings = job.snapshot();
    let points = crate::step::points_now(job)?;
    Ok(Outcome::done(&job.dir, result, points).warning(warnings))
}

fn check_who(job: &Job<'_>, request: &WaiveRequest) -> Result<(), Problem> {
    let owner = request.decided_by == DecidedBy::Owner;
    if request.reason.trim().is_empty() {
        return Err(Problem::usage(
            "a decision needs its reason",
            "--reason",
            "say in a sentence why this may be lost",
        ));
    }
    let signed = request.how == Some(crate::step::outcome::How::Signed);
    if matches!(request.what, WaiveWhat::NoRescue) && !(owner && signed) {
        return Err(Problem::usage(
            "that nothing at all is wanted is for the owner to sign",
            "--no-rescue",
            "show the owner the people page, then:\nholdpoint waive JOB --no-rescue --decided-by owner --how signed --name NAME --reason TEXT",
        ));
    }
    if owner
        && request
            .name
            .as_deref()
            .is_none_or(|name| name.trim().is_empty())
    {
        return Err(Problem::usage(
            "the owner's decision needs their name",
            "--name",
            "name the person who decided",
        ));
    }
    if owner && request.how.is_none() {
        return Err(Problem::usage(
            "the owner's decision needs how it was told",
            "--how",
            "signed, message or phone",
        ));
    }
    let needs_owner = match &request.what {
        WaiveWhat::NoRescue | WaiveWhat::Volume { .. } => true,
        WaiveWhat::Class(class) => *class != Class::Rebuildable,
        WaiveWhat::Items(_) | WaiveWhat::Point(_) => false,
    };
    if needs_owner && !owner {
        return Err(only_the_owner(job));
    }
    Ok(())
}

fn whole_class(about: &str) -> Problem {
    Problem::failed(
        "the whole irreplaceable class cannot be given up",
        about,
        "copy it first: what cannot be read then may be given up by name; or, when the owner wants nothing of what is on hold:\nholdpoint waive JOB --no-rescue --decided-by owner --how signed --name NAME --reason TEXT",
    )
}

pub(super) fn only_the_owner(job: &Job<'_>) -> Problem {
    Problem::failed(
        "only the owner may give this up",
        job.shown(),
        "ask the owner, then add --decided-by owner --name NAME --how signed|message|phone",
    )
}

fn waive_point(decision: &Decision<'_, '_>, id: &str) -> Result<Waiver, Problem> {
    let (job, request) = (decision.job, decision.request);
    let verdict = ask(job, Closeness::Ledger, crate::judge::gate::SecondLook::Done)?;
    let points = match verdict {
        crate::judge::gate::Verdict::Hold(points) => points,
        crate::judge::gate::Verdict::Release(_) => Vec::new(),
    };
    let matching: Vec<_> = points.iter().filter(|point| point.id == id).collect();
    let Some(point) = matching.first() else {
        let open = points
            .iter()
            .map(|point| point.id)
            .collect::<Vec<_>>()
            .join(", ");
        let open = if open.is_empty() {
            "none".to_owned()
        } else {
            open
        };
        return Err(Problem::failed(
            format!("there is no open point \"{id}\"; open now: {open}"),
            job.shown(),
            "name one of the open points",
        ));
    };
    match point.who {
        Who::Nobody => {
            return Err(Problem::failed(
                format!("\"{id}\" cannot be given up by anybody: {}", point.says),
                job.shown(),
                point.remedy.clone(),
            ));
        }
        Who::Owner if request.decided_by != DecidedBy::Owner => {
            return Err(only_the_owner(job));
        }
        Who::Owner | Who::Technician => {}
    }
    // Several points may share an id (two must-haves, two destinations): each is frozen by a waiver of its own.
    let mut all = decision.point(point, 0)?;
    for (later, point) in (1..).zip(matching.iter().skip(1)) {
        let one = decision.point(point, later)?;
        all = Waiver {
            items: all.items + one.items,
            bytes: all.bytes + one.bytes,
            ..one
        };
    }
    Ok(all)
}

fn waive_set(
    decision: &Decision<'_, '_>,
    mut set: Vec<(ItemRow, GotRow)>,
    scope: WaiverScope,
    about: &str,
) -> Result<Waiver, Problem> {
    let (job, request) = (decision.job, decision.request);
    // A decision made anew takes over what an earlier one about the same thing gave up: that set has changed since.
    let facts = job.ledger.facts().map_err(|e| ledger_problem(&e))?;
    let earlier: Vec<i64> = facts
        .iter()
        .filter_map(|fact| match &fact.body {
            FactBody::Waived { waiver, .. } if waiver.is_about(scope, about) => Some(waiver.number),
            _ => None,
        })
        .collect();
    // What is saved stays saved: only what holds the release by itself can be given up.
    let rules = crate::step::gate::rules(job);
    let holds = |item: &ItemRow, got: &GotRow| {
        scope == WaiverScope::NoRescue || Gate::is_open(&rules, job.counting(), &seen(item, got))
    };
    set.retain(|(item, got)| match item.want {
        Want::Wanted => holds(item, got),
        // That nothing is wanted takes the place of every decision about a part.
        Want::Waived => scope == WaiverScope::NoRescue || earlier.contains(&item.waiver),
        _ => false,
    });
    let by_earlier = |item: &ItemRow| item.want == Want::Waived && earlier.contains(&item.waiver);
    if set.iter().all(|(item, _)| by_earlier(item)) {
        let lapsed = crate::step::gate::lapsed(job)?;
        if !earlier.iter().any(|number| lapsed.contains(number)) {
            set.clear();
        }
    }
    set.sort_by_key(|(item, _)| item.id);
    set.dedup_by_key(|(item, _)| item.id);
    if set.is_empty() && crate::ledger::standing::surveyed(&facts).is_none() {
        return Err(Problem::failed(
            "nobody knows yet what there is, so nothing of it can be given up",
            job.shown(),
            "holdpoint plan JOB\nthen record the decision again",
        ));
    }
    if set.is_empty() && scope != WaiverScope::Volume {
        return Err(Problem::failed(
            "there is nothing left there to give up",
            about.to_owned(),
            "holdpoint plan JOB --list\nit shows every item and its state",
        ));
    }
    let needs_owner =
        scope == WaiverScope::Items && set.iter().any(|(item, _)| item.class != Class::Rebuildable);
    if needs_owner && request.decided_by != DecidedBy::Owner {
        return Err(only_the_owner(job));
    }
    let no_rescue = scope == WaiverScope::NoRescue
        || facts.iter().any(|fact| matches!(&fact.body, FactBody::Waived { waiver, .. } if waiver.scope == WaiverScope::NoRescue));
    if !no_rescue
        && set
            .iter()
            .any(|(item, _)| item.class == Class::Irreplaceable)
    {
        let more = set.iter().map(|(item, _)| item.id).collect();
        if crate::step::gate::would_give_up_the_class(job, &more)? {
            return Err(whole_class(about));
        }
    }
    let mut hasher = blake3::Hasher::new();
    let (mut items, mut bytes) = (0, 0);
    for (item, got) in &set {
        let seen = seen(item, got);
        hasher.update(&set_entry(
            seen.id,
            seen.bytes,
            seen.modified_ns,
            seen.missing_bytes,
        ));
        items += 1;
        bytes += item.bytes;
    }
    let waiver = Waiver {
        items,
        bytes,
        ..decision.of(scope, about, Blake3(*hasher.finalize().as_bytes()))
    };
    let at = job.now();
    job.ledger
        .transaction::<_, LedgerError>(|ledger| {
            let mut sum = ledger.row_sum()?;
            for (item, got) in &set {
                ledger.put_want(item, got, Want::Waived, waiver.number, &mut sum)?;
            }
            ledger.keep_row_sum(sum)?;
            ledger.record(
                at,
                &FactBody::Waived {
                    waiver: waiver.clone(),
                    rows: sum.to_string(),
                },
            )?;
            Ok(())
        })
        .map_err(|e| ledger_problem(&e))?;
    Ok(waiver)
}

/// Whether an item is wanted and not (wholly) saved.
fn is_unsaved(item: &ItemRow, got: &GotRow) -> bool {
    item.kind == Kind::File
        && item.want != Want::Waived
        && (item.want == Want::LeftOut || got.state != Got::Whole || got.written == 0)
}

/// The item at a path, its streams, and everything below it.
fn everything_at(job: &Job<'_>, path: &OsStr) -> Result<Vec<(ItemRow, GotRow)>, Problem> {
    let meant = find::find(job, path.as_bytes())?;
    if meant.item.is_none() {
        return Err(Problem::failed(
            "no item is named",
            Name::Bytes(path.as_bytes().to_vec()).text(),
            "a whole volume is given up with --volume; else give the path as this shows it:\nholdpoint plan JOB --list",
        ));
    }
    let items = find::everything_below(job, &meant)?;
    // Neither an empty folder nor a link is what anybody asks for by name.
    if !items.iter().any(|(item, _)| item.kind == Kind::File) {
        return Err(Problem::failed(
            "no file is there: it is an empty folder, or a link that leads elsewhere",
            Name::Bytes(path.as_bytes().to_vec()).text(),
            "look where the files are, and name them as this shows them:\nholdpoint plan JOB --list",
        ));
    }
    Ok(items)
}

/// Whether an item went without a copy, and nobody gave it up.
fn is_gone(item: &ItemRow, got: &GotRow) -> bool {
    let missed = item.want == Want::Vanished || item.marks.has(Mark::Gone);
    missed && item.want != Want::Waived && got.written == 0
}

/// Files at or below these paths that are not saved; and the first path that names nothing any more: what was meant may
/// have gone since, without ever having been copied.
pub fn unsaved_among(job: &Job<'_>, paths: &[String]) -> (u64, Option<String>) {
    let (mut count, mut gone) = (0, None);
    for path in paths {
        match everything_at(job, &path_from_text(path)) {
            Ok(items) if !items.iter().all(|(item, got)| is_gone(item, got)) => {
                let unsaved = items.iter().filter(|(item, got)| is_unsaved(item, got));
                count += unsaved.count() as u64;
            }
            // Whatever keeps it from being found, it has to be named again.
            Ok(_) | Err(_) => gone = gone.or_else(|| Some(path.clone())),
        }
    }
    (count, gone)
}

/// Files at or below these paths that are not saved whole, whoever gave them up.
pub fn not_whole_among(job: &Job<'_>, paths: &[String]) -> u64 {
    let of = |path: &String| everything_at(job, &path_from_text(path)).unwrap_or_default();
    let missed = |(item, got): &(ItemRow, GotRow)| {
        item.kind == Kind::File && (got.state != Got::Whole || got.written == 0)
    };
    let all = paths.iter().flat_map(of);
    all.filter(missed).count() as u64
}

/// Paths are kept as hex behind a mark when they are no text.
fn path_from_text(text: &str) -> std::ffi::OsString {
    use std::os::unix::ffi::OsStringExt;
    let bytes = text.strip_prefix("hex:").and_then(unhex);
    bytes.map_or_else(|| text.into(), std::ffi::OsString::from_vec)
}

/// Records the answer to a must-have.
pub fn answer(job: &Job<'_>, request: &AnswerRequest) -> Result<Outcome<Answered>, Problem> {
    let facts = job.ledger.facts().map_err(|e| ledger_problem(&e))?;
    crate::step::refuse_closing(job, &facts)?;
    let asked = job.setup.must_haves.clone().unwrap_or_default();
    let place = (request.number as usize).wrapping_sub(1);
    let Some(text) = asked.get(place) else {
        let found = format!(
            "there is no must-have {}; the owner named {}",
            request.number,
            asked.len()
        );
        return Err(Problem::failed(
            found,
            job.shown(),
            "holdpoint plan JOB\nit lists them with their numbers",
        ));
    };
    let (found, not_here) = match &request.answer {
        MustHaveAnswer::Found(paths) => {
            let mut kept = Vec::new();
            for path in paths {
                everything_at(job, path)?;
                let name = Name::Bytes(path.as_bytes().to_vec());
                kept.push(if name.is_text() {
                    name.text()
                } else {
                    format!("hex:{}", name.raw_hex())
                });
            }
            (kept, None)
        }
        MustHaveAnswer::NotHere { reason } => (Vec::new(), Some(reason.clone())),
    };
    job.record(&FactBody::Answered {
        must_have: place,
        found: found.clone(),
        not_here: not_here.clone(),
    })?;
    let answered = Answer {
        number: request.number,
        asked: text.clone(),
        found,
        not_here,
    };
    Ok(Outcome::done(
        &job.dir,
        Answered { answered },
        crate::step::points_now(job)?,
    ))
}
