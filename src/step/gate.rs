//! Asking the gate: everything it weighs is gathered here, from the ledger and the world as it is now.

mod edited;

use crate::job::{Job, ledger_problem};
use crate::judge::gate::{
    DestinationNow, Gate, GateRules, HealthNow, ItemSeen, MustHaveNow, Now, SecondLook, Verdict,
    VerifiedAt, WaiverSeen,
};
use crate::judge::point::Point;
use crate::ledger::terms::LISTED;
use crate::ledger::{
    Fact, FactBody, GotRow, ItemRow, LedgerError, RowSum, Sight, Want, row, standing,
};
use crate::policy;
use crate::step::doubts::Doubts;
use crate::step::outcome::{OpenPoint, Problem, ReadBack};
use crate::survey::item::{Class, Mark, Marks};
use crate::value::words::WaiverScope;
use crate::value::{Blake3, Moment};
use std::collections::HashMap;

pub use edited::edited_survey;

/// How closely to look.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Closeness {
    /// The ledger and the destinations only: quick, after every step.
    Ledger,
    /// And whether what the survey found is still what its fact says: for a recheck, which looks at the source by itself.
    Record,
    /// The source too, entry by entry: for a release and a recheck.
    Source,
}

/// The open points as they are now, by the ledger.
pub fn points_now(job: &Job<'_>) -> Result<Vec<OpenPoint>, Problem> {
    // Of a closed job no names are left that a point could speak of, and nothing is open any more.
    if job
        .ledger
        .facts()
        .is_ok_and(|facts| standing::is_closed(&facts))
    {
        return Ok(Vec::new());
    }
    points_by(job, Closeness::Ledger)
}

/// The open points, looked at as closely as this.
pub fn points_by(job: &Job<'_>, closeness: Closeness) -> Result<Vec<OpenPoint>, Problem> {
    match ask(job, closeness, SecondLook::Done)? {
        Verdict::Hold(points) => Ok(points.iter().map(|point| shown(job, point)).collect()),
        Verdict::Release(_) => Ok(Vec::new()),
    }
}

/// A point in the words of the interface.
pub fn shown(job: &Job<'_>, point: &Point) -> OpenPoint {
    let dir = job.typed();
    OpenPoint {
        id: point.id.to_owned(),
        says: point.says.clone(),
        lost: point.lost.clone(),
        evidence: point.evidence.clone(),
        remedy: point.remedy.replace(" JOB", &format!(" {dir}")),
        who: point.who,
        count: point.count,
    }
}

/// What the policy asks of a release.
pub fn rules(job: &Job<'_>) -> GateRules {
    let policy = &job.policy;
    let who = |id: &&str| ((*id).to_owned(), policy.who_waives(id));
    GateRules {
        copies: Class::ALL.map(|class| policy.copies_wanted(class)),
        verified_hours: f64::from(policy.verification.longest_hours.get()),
        health_hours: f64::from(policy.health.at_release_minutes.get()) / 60.0,
        who: crate::judge::point::ORDER.iter().map(who).collect(),
        second_look: policy.second_look.needed_for.0.to_vec(),
        practice: policy.practice,
    }
}

/// Asks the gate.
pub fn ask(
    job: &Job<'_>,
    closeness: Closeness,
    second_look: SecondLook,
) -> Result<Verdict, Problem> {
    ask_seeing(job, closeness, second_look).map(|(verdict, _)| verdict)
}

/// The same, with what was found that the record does not tell.
pub fn ask_seeing(
    job: &Job<'_>,
    closeness: Closeness,
    second_look: SecondLook,
) -> Result<(Verdict, Sight), Problem> {
    let (facts, chain) = match job.ledger.facts() {
        Ok(facts) => (facts, None),
        Err(e @ LedgerError::Broken { .. }) => (Vec::new(), Some(e.to_string())),
        Err(e) => return Err(ledger_problem(&e)),
    };
    let mut gate = Gate::new(rules(job), job.counting());
    let mut sum = RowSum::default();
    let mut batches = HashMap::<i64, u64>::new();
    job.ledger
        .each_gate_row(|item, got| {
            sum.add(&row::encode(item.id, item.want, item.waiver, &got));
            *batches.entry(got.batch).or_default() += 1;
            if item.want != Want::Vanished {
                gate.see(&seen(&item, &got));
            }
        })
        .map_err(|e| ledger_problem(&e))?;
    let mut now = gather(job, &facts, closeness, second_look)?;
    let kept = facts
        .iter()
        .rev()
        .find_map(|fact| fact.body.rows().map(str::to_owned));
    let broken_rows = kept
        .filter(|kept| *kept != sum.to_string())
        .map(|_| "the item rows are not those of the newest fact about them".to_owned());
    now.ledger_broken = chain
        .or(broken_rows)
        .or(edited::moved_batches(job, &batches)?)
        .or_else(|| edited::edited_setup(job, &facts))
        .or(crate::step::plan::edited_order(job, &facts).map_err(|e| ledger_problem(&e))?)
        .or(crate::step::assess::edited(job, &facts)?)
        .or(match closeness {
            Closeness::Ledger => None,
            Closeness::Record | Closeness::Source => edited_survey(job, &facts)?,
        });
    let mut verdict = gate.close(&now);
    if let Verdict::Hold(points) = &mut verdict {
        name_sync_roots(job, points, &now.waivers)?;
    }
    Ok((verdict, crate::step::drive_points::sight(&now)))
}

/// Numbers of the decisions that no longer cover what they froze.
pub fn lapsed(job: &Job<'_>) -> Result<Vec<i64>, Problem> {
    let facts = job.ledger.facts().map_err(|e| ledger_problem(&e))?;
    let mut gate = Gate::new(rules(job), job.counting());
    job.ledger
        .each_gate_row(|item, got| {
            if item.want != Want::Vanished {
                gate.see(&seen(&item, &got));
            }
        })
        .map_err(|e| ledger_problem(&e))?;
    let waivers = waivers(&facts);
    Ok(gate
        .lapsed(&waivers)
        .iter()
        .map(|waiver| waiver.number)
        .collect())
}

/// What the point about items of this id stands for now; only items with `mark` can be among them.
///
/// # Errors
/// When the ledger cannot be read.
pub fn set_of(job: &Job<'_>, id: &str, mark: Mark) -> Result<Option<Blake3>, Problem> {
    let mut gate = Gate::new(rules(job), job.counting());
    let of = format!("{LISTED} AND item.marks & {} <> 0", Marks::of(&[mark]).0);
    job.ledger
        .each_item::<LedgerError>(&of, |item, got| {
            gate.see(&seen(&item, &got));
            Ok(())
        })
        .map_err(|e| ledger_problem(&e))?;
    Ok(gate.set_of(id))
}

/// Whether, with the items `more` given up too, the whole irreplaceable class would be given up by decisions about single
/// things, and some of it untried.
///
/// # Errors
/// When the ledger cannot be read.
pub fn would_give_up_the_class(
    job: &Job<'_>,
    more: &std::collections::BTreeSet<i64>,
) -> Result<bool, Problem> {
    let mut gate = Gate::new(rules(job), job.counting());
    job.ledger
        .each_gate_row(|item, got| {
            let mut seen = seen(&item, &got);
            if more.contains(&item.id) {
                seen.waiver = i64::MAX;
            }
            if item.want != Want::Vanished {
                gate.see(&seen);
            }
        })
        .map_err(|e| ledger_problem(&e))?;
    Ok(gate.gives_up_the_class())
}

/// What the gate needs of a row.
pub fn seen(item: &ItemRow, got: &GotRow) -> ItemSeen {
    ItemSeen {
        id: item.id,
        kind: item.kind,
        class: item.class,
        bytes: item.bytes,
        modified_ns: item.modified_ns,
        marks: item.marks,
        left_out: item.want == Want::LeftOut,
        waiver: if item.want == Want::Waived {
            item.waiver
        } else {
            0
        },
        got: got.state,
        written: got.written,
        verified: got.verified,
        mismatch: got.mismatch,
        reads_disagree: got.again == 2,
        missing_bytes: got.missing.iter().map(|(_, bytes)| bytes).sum(),
    }
}

fn gather(
    job: &Job<'_>,
    facts: &[Fact],
    closeness: Closeness,
    second_look: SecondLook,
) -> Result<Now, Problem> {
    let at = job.now();
    let surveyed = standing::surveyed(facts);
    // Whoever looks finds anew; whoever does not goes by what was found last.
    let seen = match closeness {
        Closeness::Source | Closeness::Record => Sight::default(),
        Closeness::Ledger => Sight::standing(facts),
    };
    let (source_gone, source_changed) = match closeness {
        // What the owner has to decide first is not looked at for a check; that point is open until then.
        Closeness::Source if crate::step::waits_for_owner(job, facts) => (None, None),
        Closeness::Source if surveyed.is_some() => crate::step::recheck::look_at_source(job)?,
        // Without a survey there is nothing that the source could differ from.
        Closeness::Source | Closeness::Record => (None, None),
        Closeness::Ledger => (seen.source_gone.clone(), seen.source_changed.clone()),
    };
    let unaccounted = match surveyed.map(|fact| &fact.body) {
        Some(FactBody::Surveyed {
            unaccounted_bytes, ..
        }) => *unaccounted_bytes,
        _ => 0,
    };
    Ok(Now {
        at,
        clock_wrong: clock_wrong(at, facts),
        ledger_broken: None,
        outrun_by: job.outrun_by().map_err(|e| ledger_problem(&e))?,
        policy_edited: policy_edited(job),
        surveyed: surveyed.map(|fact| fact.at),
        source_gone,
        source_changed,
        // On a drive the point of the volume that they lie in stands for them, and is settled with it.
        unaccounted_bytes: if job.setup.drives.is_empty() {
            unaccounted
        } else {
            0
        },
        health: health(job, facts)?,
        destinations: destinations(job, facts, closeness, &seen)?,
        must_haves: must_haves(job, facts),
        questions_open: questions(job),
        memory: crate::step::state::memory_now(job, facts),
        memory_told: job.setup.answers_in_words("memory"),
        waivers: waivers(facts),
        false_content: match Doubts::of(job, facts).map_err(|e| ledger_problem(&e))? {
            Some(doubts) => doubts.now(job, facts).map_err(|e| ledger_problem(&e))?,
            None => None,
        },
        second_look,
        found: {
            let mut points = found(job)?;
            points.extend(crate::step::drive_points::found(job, facts, closeness));
            points.extend(crate::step::drive_points::seen(&seen));
            points
        },
    })
}

/// Points that the survey of the drives left. What was decided about them stands in waivers, each frozen on a point as it was.
fn found(job: &Job<'_>) -> Result<Vec<Point>, Problem> {
    let rules = rules(job);
    let kept = crate::step::plan::drive::points(job)?;
    Ok(kept
        .iter()
        .filter_map(|point| point.point(|id| rules.who(id)))
        .collect())
}

/// Tells which sync roots the placeholders lie in: the owner decides for an account, not for a file.
fn name_sync_roots(
    job: &Job<'_>,
    points: &mut [Point],
    waivers: &[WaiverSeen],
) -> Result<(), Problem> {
    use crate::step::waive::OF_ONE_ROOT;
    let decided = |root: &str| {
        let about = format!("{OF_ONE_ROOT}{root}");
        waivers
            .iter()
            .any(|waiver| waiver.scope == WaiverScope::Items && waiver.about == about)
    };
    if let Some(point) = points.iter_mut().find(|point| point.id == "placeholders")
        && let Some((roots, several)) = crate::step::plan::drive::sync_roots(job, &decided)?
    {
        point.evidence = roots;
        if several {
            point.remedy.push_str(&format!(
                " (of one account alone: --point '{OF_ONE_ROOT}FOLDER')"
            ));
        }
    }
    Ok(())
}

/// How the policy in use differs from the one the job was opened with: what the job holds, or what its file says now, when
/// it came from one that is still there.
fn policy_edited(job: &Job<'_>) -> Option<String> {
    // A file that is gone or cannot be read changes nothing: the job holds the whole text.
    let text = (job.setup.policy_file.as_ref())
        .and_then(|file| job.bench.read_file(&file.path()).ok())
        .and_then(|bytes| String::from_utf8(bytes).ok());
    let now = match text.map(|text| policy::Policy::parse(&job.setup.policy, &text)) {
        Some(Ok(now)) => now.hash(),
        Some(Err(fault)) => return Some(fault.to_string()),
        None => job.policy.hash(),
    };
    let expected = job.setup.policy_hash;
    (now != expected).then(|| format!("expected hash {expected}, found {now}"))
}

/// Only the newest fact is asked: what was once recorded under a clock that ran ahead does not stand in the way for ever,
/// it just proves nothing (a reading or a verification whose moment has not come counts as old).
fn clock_wrong(at: Moment, facts: &[Fact]) -> Option<String> {
    if let Some(why) = crate::step::clock::clock_before_its_time(at) {
        return Some(why);
    }
    let latest = facts.last()?.at;
    (at < latest).then(|| format!("it shows {at:.0}, and something was recorded at {latest:.0}"))
}

fn questions(job: &Job<'_>) -> Vec<&'static str> {
    let setup = &job.setup;
    let mut out = Vec::new();
    if setup.owner.is_none() {
        out.push("--owner");
    }
    if setup.technician.is_none() {
        out.push("--technician");
    }
    if setup.symptom.is_none() {
        out.push("--symptom");
    }
    if setup.memory.is_none() {
        out.push("--memory");
    }
    out
}

/// The newest reading of a drive by the facts: its number, when, and why it could not be made.
fn newest_reading(facts: &[Fact], wanted: usize) -> Option<(i64, Moment, Option<String>)> {
    facts.iter().rev().find_map(|fact| match &fact.body {
        FactBody::Read {
            drive,
            readable,
            why_not,
            ..
        } if *drive == wanted => {
            // A drive may answer and tell none of the counts that matter: then there is a reason too.
            let why = why_not
                .clone()
                .or((!readable).then(|| "no health page could be read".into()));
            Some((fact.number, fact.at, why))
        }
        _ => None,
    })
}

/// Whether the source was read after a reading, or that reading's moment has not come yet.
fn is_before_last_read(job: &Job<'_>, facts: &[Fact], number: i64, at: Moment) -> bool {
    let last_read = facts.iter().rev().find(|fact| {
        matches!(
            fact.body,
            FactBody::Batch { .. } | FactBody::SourceReadAgain { .. }
        )
    });
    last_read.is_some_and(|read| read.number > number) || at > job.now()
}

/// Whether a release wants a newer reading of a drive than there is.
pub fn health_is_due(job: &Job<'_>, facts: &[Fact], drive: usize) -> bool {
    newest_reading(facts, drive).is_none_or(|(number, at, _)| {
        is_before_last_read(job, facts, number, at)
            || job.now().hours_since(at) > rules(job).health_hours
    })
}

fn health(job: &Job<'_>, facts: &[Fact]) -> Result<Vec<HealthNow>, Problem> {
    let route = crate::step::route_of(job, facts);
    let refer = crate::step::waits_for_owner(job, facts).then(|| {
        if !job.has_bad_symptom() {
            return "the newest forecast".to_owned();
        }
        match job.setup.answers_in_words("symptom") {
            Some(answers) => format!(
                "the symptom told at the intake ({answers}); a milder answer does not take it back, the owner decides"
            ),
            None => "the symptom told at the intake".to_owned(),
        }
    });
    (0..crate::step::assess::drive_count(job))
        .map(|wanted| {
            let reading = newest_reading(facts, wanted);
            let before_last_read = reading
                .as_ref()
                .is_some_and(|(number, at, _)| is_before_last_read(job, facts, *number, *at));
            // A reading that was edited is said as a broken ledger, and releases nothing.
            let locked = crate::step::assess::is_locked(job, wanted).unwrap_or(false);
            let drive = crate::step::assess::drive_words(job, wanted)
                .unwrap_or_else(|_| "the drive".to_owned());
            Ok(HealthNow {
                drive,
                reading: reading.map(|(_, at, why)| (at, why)),
                before_last_read,
                live: job
                    .setup
                    .drives
                    .get(wanted)
                    .is_some_and(|kept| !kept.is_image)
                    && job.setup.replies.is_none(),
                symptom: job.has_bad_symptom() || route >= crate::step::outcome::Route::Salvage,
                refer_undecided: refer.clone().filter(|_| wanted == 0),
                locked,
            })
        })
        .collect()
}

fn destinations(
    job: &Job<'_>,
    facts: &[Fact],
    closeness: Closeness,
    seen: &Sight,
) -> Result<Vec<DestinationNow>, Problem> {
    let here = job.destinations();
    let last_write = standing::last_write(facts);
    let closing = standing::is_closing(facts);
    let surveyed = standing::surveyed(facts).is_some();
    job.setup
        .destinations
        .iter()
        .enumerate()
        .map(|(number, kept)| {
            let verified = facts.iter().rev().find_map(|fact| match &fact.body {
                FactBody::Verified {
                    destination,
                    method,
                    extra,
                    mismatched,
                    missing,
                    ..
                } if *destination == number => {
                    let clean = *mismatched == 0 && *missing == 0;
                    Some((
                        fact.number,
                        *extra,
                        VerifiedAt {
                            at: fact.at,
                            whole: clean,
                            differed: !clean,
                            doubtful: *method == ReadBack::CacheSuspected,
                        },
                    ))
                }
                _ => None,
            });
            // Facts are numbered in the order of things: a write after the reading back voids it, whatever the clock says.
            let verified = verified.map(|(at, extra, mut v)| {
                v.whole &= !closing && last_write.is_none_or(|write| write.number < at);
                (extra, v)
            });
            let lacks = match here.get(number) {
                Some(Ok(at)) if surveyed => crate::step::room::lacks(job, number, at.as_ref())?,
                _ => None,
            };
            let (trouble, differs) = match here.get(number) {
                Some(Ok(at)) if closeness == Closeness::Source => {
                    let differs = crate::step::bags::difference(job, facts, number, at.as_ref())?;
                    (None, differs)
                }
                Some(Err(fault)) => (Some(fault.to_string()), None),
                _ => (None, seen.of_bag(number)),
            };
            Ok(DestinationNow {
                path: kept.to.text.clone(),
                trouble,
                differs,
                lacks,
                counts: kept.counts,
                why: kept.why.clone(),
                verified: verified.map(|(_, v)| v),
                extra: verified.map_or(0, |(extra, _)| extra),
            })
        })
        .collect()
}

fn must_haves(job: &Job<'_>, facts: &[Fact]) -> Option<Vec<MustHaveNow>> {
    let asked = job.setup.must_haves.as_ref()?;
    let mut out = Vec::new();
    for (number, text) in asked.iter().enumerate() {
        let answer = standing::answered(facts, number);
        let (unsaved, gone) = match &answer {
            Some((found, None)) => crate::step::waive::unsaved_among(job, found),
            _ => (0, None),
        };
        out.push(MustHaveNow {
            asked: text.clone(),
            answered: answer.is_some(),
            unsaved,
            gone,
        });
    }
    Some(out)
}

fn waivers(facts: &[Fact]) -> Vec<WaiverSeen> {
    facts
        .iter()
        .filter_map(|fact| match &fact.body {
            FactBody::Waived { waiver, .. } => Some(WaiverSeen {
                number: waiver.number,
                scope: waiver.scope,
                about: waiver.about.clone(),
                set: waiver.set_hash,
                by_owner: waiver.decided_by == "owner",
            }),
            _ => None,
        })
        .collect()
}
