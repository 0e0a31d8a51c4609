//! `plan`: surveys what is on hold, classes each item, shows people and their things, orders the copy.
//!
//! Invariant: what is listed is what is there; nothing is left out except by a named rule, and
//! every rule is shown with its items and bytes.

pub mod drive;
pub mod find;
mod gone;
mod listing;
mod order;
pub mod people;
mod walk;

use crate::job::{Job, fault_problem, ledger_problem};
use crate::ledger::terms::{FILE, FOLDER, LEFT_OUT, LISTED, WANTED};
use crate::ledger::{Fact, FactBody, LedgerError, standing};
use crate::port::Tree;
use crate::step::event::{Event, Step, Tell};
use crate::step::outcome::{
    Amount, ByClass, GapSeen, LeftOut, MustHave, Outcome, Planned, Problem, VolumeSeen, VolumeState,
};
use crate::step::request::PlanRequest;
use crate::survey::class::{Classer, RuleId};
use crate::survey::item::{Class, Mark, Marks};
use crate::survey::root::Root;
use crate::value::{Blake3, Name};
use rusqlite::params;

pub use listing::listing;
pub use order::{class_values, complete, edited as edited_order};
pub use people::people;

/// The word of a volume in bags and listings; `folder` for the folder of a folder job.
pub fn volume_word(volumes: &[drive::VolumeKept], number: i64) -> String {
    drive::volume_word(volumes, number)
}

/// Surveys and orders.
pub fn plan(
    job: &Job<'_>,
    request: &PlanRequest,
    tell: Tell<'_>,
) -> Result<Outcome<Planned>, Problem> {
    tell(Event::Started { step: Step::Plan });
    let facts = job.ledger.facts().map_err(|e| ledger_problem(&e))?;
    crate::step::refuse_closing(job, &facts)?;
    // Surveying reads the source: with a bad symptom that is the owner's decision.
    let route = crate::step::route_of(job, &facts);
    if let Some(refused) = crate::step::refer_refusal(job, &facts, route) {
        return Err(refused);
    }
    let survey = 1 + facts
        .iter()
        .filter(|fact| matches!(fact.body, FactBody::SurveyBegun { .. }))
        .count() as i64;
    let classer = Classer::new(&job.policy);
    let walked = match &job.setup.folder {
        Some(kept) => {
            let again = "connect the folder on hold again, then:\nholdpoint plan JOB";
            let tree = job
                .tree()
                .map_err(|fault| fault_problem(&fault, again).on_path(&kept.path.path()))?;
            same_root(job, tree.as_ref())?;
            let root = look_at_root(job, tree.as_ref());
            let walked = walk::walk(job, tree.as_ref(), &classer, &root, survey, tell)?;
            if walked.forgotten > 0 {
                tell(Event::Warn {
                    says: format!(
                        "{} of files that can be had again are no longer at the source and were not copied before",
                        walked.forgotten
                    ),
                });
            }
            drive::Surveyed {
                items: walked.items,
                bytes: walked.bytes,
                unaccounted_bytes: 0,
            }
        }
        None => drive::survey(job, &classer, survey, tell)?,
    };
    keep_rules(job, &classer).map_err(|e| ledger_problem(&e))?;
    // The order comes before the fact that says "surveyed": a crash in between leaves a survey that is
    // plainly unfinished, never one that counts and copies nothing.
    crate::step::assess::judge_again(job)?;
    let facts = job.ledger.facts().map_err(|e| ledger_problem(&e))?;
    order::order(job, &facts).map_err(|e| ledger_problem(&e))?;
    let (tree, wear) = survey_digests(job)?;
    let told = told_digest(job)?;
    let rows = job
        .ledger
        .row_sum()
        .map_err(|e| ledger_problem(&e))?
        .to_string();
    job.record(&FactBody::Surveyed {
        survey,
        items: walked.items,
        bytes: walked.bytes,
        unaccounted_bytes: walked.unaccounted_bytes,
        tree,
        wear: Some(wear),
        told: Some(told),
        rows,
    })?;
    for warning in job.snapshot() {
        tell(Event::Warn { says: warning });
    }
    tell(Event::Finished);
    let planned = describe(job, request.list)?;
    Ok(Outcome::done(
        &job.dir,
        planned,
        crate::step::points_now(job)?,
    ))
}

/// Refuses when another folder stands where the one on hold was.
fn same_root(job: &Job<'_>, tree: &dyn Tree) -> Result<(), Problem> {
    let root = tree
        .root()
        .map_err(|fault| fault_problem(&fault, "connect the folder on hold again"))?;
    match &job.setup.folder {
        Some(kept) if !kept.is_at(&root) => Err(Problem::failed(
            "another folder stands in the place of the one on hold",
            kept.path.text.clone(),
            "connect the right drive again, or open a new job for this folder",
        )),
        _ => Ok(()),
    }
}

/// What the root of the folder is: a whole system, people's folders, one profile, or just a folder.
fn look_at_root(job: &Job<'_>, tree: &dyn Tree) -> Root {
    let names = |parts: &[Vec<u8>]| {
        let mut out = Vec::new();
        if let Ok(folder) = tree.folder(parts) {
            // What cannot be listed here only means that fewer rules apply; the walk reports the fault itself.
            let _ = folder.names(&mut |name| {
                out.push(name.to_vec());
                out.len() < 10_000
            });
        }
        out
    };
    let top = names(&[]);
    let text: Vec<String> = top
        .iter()
        .map(|name| Name::Bytes(name.clone()).text())
        .collect();
    let own = job
        .setup
        .folder
        .as_ref()
        .map(|kept| kept.path.path())
        .and_then(|path| {
            path.file_name()
                .map(|name| name.to_string_lossy().into_owned())
        });
    Root::guess(&own.unwrap_or_default(), false, &text, &mut |name| {
        let parts: Vec<Vec<u8>> = name
            .split('/')
            .map(|part| part.as_bytes().to_vec())
            .collect();
        names(&parts)
            .into_iter()
            .map(|name| Name::Bytes(name).text())
            .collect()
    })
}

/// Keeps the names and reasons of the rules that rows refer to.
fn keep_rules(job: &Job<'_>, classer: &Classer) -> Result<(), LedgerError> {
    let ledger = &job.ledger;
    let mut query = ledger.doing(
        "looking for rules in use",
        ledger.db().prepare("SELECT DISTINCT rule FROM item"),
    )?;
    let rows = query
        .query_map([], |row| row.get::<_, i64>(0))
        .and_then(Iterator::collect::<rusqlite::Result<Vec<_>>>);
    let used = ledger.doing("looking for rules in use", rows)?;
    ledger.transaction(|ledger| {
        for id in used {
            let (name, why) = match u16::try_from(id) {
                Ok(id) => (
                    classer.rule_name(RuleId(id)).to_owned(),
                    classer.rule_why(RuleId(id)).to_owned(),
                ),
                Err(_) if id == walk::RULE_LOST => (
                    walk::RULE_LOST_NAME.to_owned(),
                    "Stands in for folders that are lost, or for a link with something beneath it; it is no folder of the drive.".to_owned(),
                ),
                Err(_) => (
                    walk::RULE_SPECIAL_NAME.to_owned(),
                    "Sockets, pipes and devices hold no content of their own.".to_owned(),
                ),
            };
            ledger.doing(
                "keeping a rule",
                ledger.db().execute(
                    "INSERT OR REPLACE INTO rule(id, name, why) VALUES(?1,?2,?3)",
                    params![id, name, why],
                ),
            )?;
        }
        Ok(())
    })
}

/// BLAKE3 over all that a survey found and no later step changes. The first is the fingerprint of the tree as surveyed: of
/// every item place, kind, size, time, class, marks and rule; the volumes, gaps and points. The second covers everything
/// else that a row holds, and with it all that `put-back` makes an item of: mode, owner, attributes, where a link leads,
/// under which name the copy lies. The order of copying is in neither: it has a digest of its own ([`edited_order`]).
///
/// # Errors
/// When the ledger cannot be read.
pub fn survey_digests(job: &Job<'_>) -> Result<(Blake3, Blake3), Problem> {
    let ledger = &job.ledger;
    let failed = |e: LedgerError| ledger_problem(&e);
    let mut tree = Running::default();
    let keys = drive::SURVEYED.map(str::to_owned).into_iter();
    let keys = keys.chain((0..job.setup.drives.len()).map(drive::watched_key));
    for key in keys {
        let text = ledger.get(&key).map_err(failed)?.unwrap_or_default();
        part(&mut tree, Some(text.as_bytes()));
    }
    let mut wear = Running::default();
    ledger
        .each_item::<LedgerError>(LISTED, |item, _| {
            let name = item.name.stored();
            for number in [
                item.id,
                item.parent,
                crate::ledger::row::kind_code(item.kind),
                crate::ledger::row::class_code(item.class),
                i64::from(item.marks.0),
                item.rule,
                item.bytes as i64,
                item.modified_ns,
                name.len() as i64,
            ] {
                tree.add(&number.to_le_bytes());
            }
            tree.add(&name);
            for number in [
                item.volume,
                i64::from(item.name.is_wide()),
                item.allocated as i64,
                item.device as i64,
                item.inode as i64,
                item.changed_ns,
                item.created_ns,
                i64::from(item.mode),
                i64::from(item.user),
                i64::from(item.group),
                i64::from(item.names),
                item.twin,
                item.seen,
            ] {
                wear.add(&number.to_le_bytes());
            }
            let stream = item.stream.as_ref().map(Name::stored);
            part(&mut wear, stream.as_deref());
            part(&mut wear, item.bag.as_deref().map(str::as_bytes));
            part(&mut wear, item.target.as_deref());
            part(&mut wear, item.fault.as_deref().map(str::as_bytes));
            part(&mut wear, item.layout.as_deref());
            Ok(())
        })
        .map_err(failed)?;
    ledger
        .each_beside(|item, texts| {
            wear.add(&item.to_le_bytes());
            texts.iter().for_each(|text| part(&mut wear, Some(text)));
        })
        .map_err(failed)?;
    Ok((tree.end(), wear.end()))
}

/// A digest over many short pieces: they are taken together, because long ones are digested several times as fast.
#[derive(Default)]
struct Running {
    hasher: blake3::Hasher,
    pending: Vec<u8>,
}

impl Running {
    const TOGETHER: usize = 64 << 10;

    fn add(&mut self, bytes: &[u8]) {
        self.pending.extend_from_slice(bytes);
        if self.pending.len() >= Self::TOGETHER {
            self.hasher.update(&self.pending);
            self.pending.clear();
        }
    }

    fn end(mut self) -> Blake3 {
        self.hasher.update(&self.pending);
        Blake3(*self.hasher.finalize().as_bytes())
    }
}

/// BLAKE3 over what lists and papers say of the items, and no row holds: names and reasons of rules, the people with their
/// folders, the sync roots.
///
/// # Errors
/// When the ledger cannot be read.
pub fn told_digest(job: &Job<'_>) -> Result<Blake3, Problem> {
    let ledger = &job.ledger;
    let mut told = Running::default();
    for key in people::TOLD.into_iter().chain(drive::TOLD) {
        let text = ledger.get(key).map_err(|e| ledger_problem(&e))?;
        part(&mut told, text.as_deref().map(str::as_bytes));
    }
    ledger
        .each_rule(|id, name, why| {
            told.add(&id.to_le_bytes());
            part(&mut told, Some(name.as_bytes()));
            part(&mut told, Some(why.as_bytes()));
        })
        .map_err(|e| ledger_problem(&e))?;
    Ok(told.end())
}

/// Adds a part of any length, so that no two lists of parts come out alike; for `None` a length that no text has.
fn part(digest: &mut Running, bytes: Option<&[u8]>) {
    let length = bytes.map_or(u64::MAX, |bytes| bytes.len() as u64);
    digest.add(&length.to_le_bytes());
    digest.add(bytes.unwrap_or_default());
}

/// What the plan says, from the ledger.
pub fn describe(job: &Job<'_>, list: bool) -> Result<Planned, Problem> {
    let failed = |e: LedgerError| ledger_problem(&e);
    let ledger = &job.ledger;
    let sql = &format!("SELECT class, count(*), coalesce(sum(bytes),0), coalesce(sum({WANTED}),0), coalesce(sum(CASE WHEN {WANTED} THEN bytes ELSE 0 END),0)
               FROM item WHERE {FILE} AND {LISTED} AND marks & ?1 = 0 GROUP BY class");
    let mut query = ledger
        .doing("adding up", ledger.db().prepare(sql))
        .map_err(failed)?;
    let rows = query
        .query_map([Marks::of(&[Mark::Gone]).0], |row| {
            let number = |at: usize| row.get::<_, i64>(at).map(|n| n as u64);
            Ok((
                row.get::<_, i64>(0)?,
                number(1)?,
                number(2)?,
                number(3)?,
                number(4)?,
            ))
        })
        .and_then(Iterator::collect::<rusqlite::Result<Vec<_>>>);
    let (mut by_class, mut items, mut bytes) = (ByClass::default(), 0, 0);
    for (class, all, all_bytes, wanted, wanted_bytes) in
        ledger.doing("adding up", rows).map_err(failed)?
    {
        if let Some(class) = Class::ALL.get(class as usize) {
            *by_class.of_mut(*class) = Amount::new(all, all_bytes);
        }
        items += wanted;
        bytes += wanted_bytes;
    }
    let facts = ledger.facts().map_err(failed)?;
    let order = order::steps(job).map_err(failed)?;
    let folder = job.setup.folder.as_ref();
    let surveyed = standing::surveyed(&facts).and_then(|fact| match &fact.body {
        FactBody::Surveyed {
            bytes,
            unaccounted_bytes,
            ..
        } => Some((*bytes, *unaccounted_bytes)),
        _ => None,
    });
    let volumes = match folder {
        Some(folder) => vec![VolumeSeen {
            drive: "folder".into(),
            index: 1,
            start: 0,
            bytes: surveyed.map_or(0, |(bytes, _)| bytes),
            kind: folder.file_system.clone(),
            label: None,
            state: if surveyed.is_some() {
                VolumeState::Surveyed
            } else {
                VolumeState::Unrecognised
            },
            rule: match unopened(job)? {
                0 => "every entry listed through descriptors beneath the root".into(),
                folders => format!(
                    "entries listed through descriptors beneath the root; {} could not be opened or entered, so what lies in there is not listed",
                    counted_folders(folders)
                ),
            },
        }],
        None => volumes_seen(job, &facts)?,
    };
    let gaps = drive::gaps(job)?
        .iter()
        .map(|gap| GapSeen {
            drive: drive_name(job, gap.drive),
            start: gap.first_byte,
            bytes: gap.bytes,
            content: gap.content,
        })
        .collect();
    Ok(Planned {
        volumes,
        gaps,
        people: people(job)?,
        must_haves: must_haves(job, &facts),
        items,
        bytes,
        by_class,
        gone: gone::found_no_more(ledger, true).map_err(failed)?,
        gone_uncopied: gone::found_no_more(ledger, false).map_err(failed)?,
        left_out: left_out(job)?,
        unaccounted_bytes: surveyed.map_or(0, |(_, bytes)| bytes),
        order,
        listing: if list { Some(listing(job)?) } else { None },
    })
}

fn counted_folders(count: u64) -> String {
    match count {
        1 => "1 folder".to_owned(),
        _ => format!("{} folders", crate::value::measure::count_in_words(count)),
    }
}

/// Folders of a folder job whose content nobody could list.
fn unopened(job: &Job<'_>) -> Result<u64, Problem> {
    let marks = Marks::of(&[Mark::Unreadable, Mark::OtherMount]).0;
    let sql = &format!("SELECT count(*) FROM item WHERE {FOLDER} AND {LISTED} AND marks & ?1 <> 0");
    let count = job
        .ledger
        .db()
        .query_row(sql, [marks], |row| row.get::<_, i64>(0));
    job.ledger
        .doing("counting folders that could not be opened", count)
        .map(|count| count as u64)
        .map_err(|e| ledger_problem(&e))
}

/// Serial of a drive, or its path when it has none.
fn drive_name(job: &Job<'_>, drive: usize) -> String {
    let kept = job.setup.drives.get(drive);
    kept.map(|kept| {
        kept.serial
            .clone()
            .unwrap_or_else(|| kept.path.text.clone())
    })
    .unwrap_or_default()
}

fn volumes_seen(job: &Job<'_>, facts: &[Fact]) -> Result<Vec<VolumeSeen>, Problem> {
    let points = drive::points(job)?;
    Ok(drive::volumes(job)?
        .into_iter()
        .map(|volume| VolumeSeen {
            drive: drive_name(job, volume.drive),
            index: volume.index,
            start: volume.first_byte,
            bytes: volume.bytes,
            kind: volume.kind.clone(),
            label: volume.label.clone(),
            state: if drive::is_given_up(&volume, &points, facts) {
                VolumeState::Waived
            } else {
                volume.state
            },
            rule: volume.rule_in_words(),
        })
        .collect())
}

/// Must-haves with their answers.
pub fn must_haves(job: &Job<'_>, facts: &[Fact]) -> Vec<MustHave> {
    let asked = job.setup.must_haves.clone().unwrap_or_default();
    asked
        .into_iter()
        .enumerate()
        .map(|(number, asked)| {
            let answer = standing::answered(facts, number);
            MustHave {
                asked,
                answered: answer.is_some(),
                found: answer.map(|(found, _)| found.to_vec()).unwrap_or_default(),
            }
        })
        .collect()
}

/// What rules leave out, each with items and bytes.
pub fn left_out(job: &Job<'_>) -> Result<Vec<LeftOut>, Problem> {
    let ledger = &job.ledger;
    let sql = &format!("SELECT coalesce(rule.name, 'rule ' || item.rule), count(*), coalesce(sum(item.bytes),0) FROM item LEFT JOIN rule ON rule.id = item.rule
               WHERE {LEFT_OUT} AND NOT {FOLDER} GROUP BY item.rule ORDER BY 3 DESC, 1");
    let rows = ledger.db().prepare(sql).and_then(|mut query| {
        query
            .query_map([], |row| {
                Ok(LeftOut {
                    rule: row.get(0)?,
                    items: row.get::<_, i64>(1)? as u64,
                    bytes: row.get::<_, i64>(2)? as u64,
                })
            })?
            .collect::<rusqlite::Result<Vec<_>>>()
    });
    ledger
        .doing("adding up what rules leave out", rows)
        .map_err(|e| ledger_problem(&e))
}
