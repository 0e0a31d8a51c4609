//! `print`: the papers, made from one account of the job; and that account, from the ledger.
//!
//! Invariant: papers stand beside the bag; printing changes nothing of the job.

mod doubtful;
mod walk;

use crate::job::{Job, fault_problem, ledger_problem};
use crate::ledger::terms::{FILE, WAIVED};
use crate::ledger::{Fact, FactBody, LedgerError, standing};
use crate::paper::account::{
    self, Account, Answer, Asked, CertificateLine, DestinationLine, DriveLine, LeftOut, MustHave,
    PersonLine, PointLine, PolicyLine, SignalLine, Verification, WaiverLine,
};
use crate::read::places::Places;
use crate::step::doubts;
use crate::step::outcome::{Names, OpenPoint, Outcome, Paper, Printed, Problem, Who};
use crate::step::request::PrintRequest;
use crate::survey::item::{Mark, Marks};
use crate::value::words::WaiverScope;
use std::collections::HashMap;

/// Writes a paper as HTML and as plain text.
pub fn print(job: &Job<'_>, request: &PrintRequest) -> Result<Outcome<Printed>, Problem> {
    if job.ledger.newer().is_some() {
        return Err(ledger_problem(&job.ledger.too_new()));
    }
    let language = request.language.as_deref().unwrap_or("en");
    if !crate::paper::speaks(language) {
        return Err(Problem::usage(
            format!(
                "no papers are written in that language; there are: {}",
                crate::paper::languages().join(", ")
            ),
            language,
            "name one of these with --language, or leave it away",
        ));
    }
    if let Some(out) = &request.out {
        let beside = out.parent().filter(|above| !above.as_os_str().is_empty());
        // As root a mistyped path would be made all the way, and the paper would lie on no medium that was meant.
        if beside.is_some_and(|above| !above.is_dir()) {
            return Err(Problem::failed(
                "the folder in which that folder would be made is not there",
                crate::job::KeptPath::of(out).text,
                "look whether the disk is mounted and the path is right, or name another folder with --out DIR",
            ));
        }
    }
    let facts = job.ledger.facts().map_err(|e| ledger_problem(&e))?;
    crate::step::refuse_closing(job, &facts)?;
    let mut account = account(job)?;
    account.offset_minutes = request.offset_minutes;
    let paper = crate::paper::Paper::of(request.paper.word()).ok_or_else(|| {
        Problem::usage(
            "there is no such paper",
            request.paper.word(),
            "receipt, sheet, tag or slip",
        )
    })?;
    let usual = if request.paper == Paper::Receipt || request.paper == Paper::Sheet {
        Names::Full
    } else {
        Names::Folders
    };
    let names = crate::paper::Names::of(request.names.unwrap_or(usual).word())
        .unwrap_or(crate::paper::Names::Folders);
    let more = account.doubtful.all.items > account::FIRST as u64;
    let lists = matches!(request.paper, Paper::Receipt | Paper::Sheet)
        && names == crate::paper::Names::Full;
    let list = (more && lists)
        .then(|| doubtful::list(job, &facts))
        .transpose()?;
    account.doubtful.list = list.as_ref().map(|_| doubtful::FILE.to_owned());
    let printed = crate::paper::print(paper, &account, names, language);
    let folder = request
        .out
        .clone()
        .unwrap_or_else(|| job.dir.join("papers"));
    let word = request.paper.word();
    let (html, text) = (
        folder.join(format!("{word}.html")),
        folder.join(format!("{word}.txt")),
    );
    let failed = |fault| {
        fault_problem(
            &fault,
            "name a folder that can be written to with --out DIR",
        )
        .on_path(&folder)
    };
    job.bench
        .write_file(&html, printed.html.as_bytes())
        .map_err(failed)?;
    job.bench
        .write_file(&text, printed.text.as_bytes())
        .map_err(failed)?;
    if let Some(list) = list {
        job.bench
            .write_file(&folder.join(doubtful::FILE), list.as_bytes())
            .map_err(failed)?;
    }
    let result = Printed {
        html: html.display().to_string(),
        text: text.display().to_string(),
    };
    let points = crate::step::show::points(job, &facts)?;
    Ok(Outcome::done(&job.dir, result, points))
}

/// Everything that may stand on a paper.
pub fn account(job: &Job<'_>) -> Result<Account, Problem> {
    let failed = |e: LedgerError| ledger_problem(&e);
    let facts = job.ledger.facts().map_err(failed)?;
    let setup = &job.setup;
    let released = crate::step::show::was_released(job, &facts);
    let points = if released {
        Vec::new()
    } else {
        crate::step::show::points(job, &facts)?
    };
    let rows = walk::walk(job, &facts)?;
    let planned = crate::step::plan::describe(job, false)?;
    let newest_root = facts.iter().rev().find_map(|fact| match fact.body {
        FactBody::Sealed { manifest_root, .. } => Some(manifest_root),
        _ => None,
    });
    let (others, others_unknown) = crate::step::drive_points::others_for_paper(job);
    let why_of: HashMap<String, String> = rule_reasons(job).map_err(failed)?;
    Ok(Account {
        job: setup.name.clone(),
        typed: job.typed(),
        job_digest: facts.first().map(|fact| fact.hash),
        at: job.now(),
        offset_minutes: 0,
        opened: setup.opened,
        owner: setup.owner.clone().unwrap_or_default(),
        technician: setup.technician.clone().unwrap_or_default(),
        symptom: setup
            .symptom
            .map(|word| word.word().to_owned())
            .unwrap_or_default(),
        memory: crate::step::state::memory_in_force(job, &facts)
            .map(|word| word.word().to_owned())
            .unwrap_or_default(),
        machine: setup
            .machine
            .map(|word| word.word().to_owned())
            .unwrap_or_default(),
        changed_answers: [("symptom", Asked::Symptom), ("memory", Asked::Memory)]
            .into_iter()
            .filter_map(|(word, asked)| Some((asked, setup.answers_in_words(word)?)))
            .collect(),
        policy: PolicyLine {
            name: job.policy.name.clone(),
            hash: setup.policy_hash,
            practice: job.policy.practice,
        },
        state: if released {
            account::State::Released
        } else {
            account::State::Hold
        },
        used: crate::step::show::used(job, &facts),
        drives: drives(job, &facts)?,
        folder: setup.folder.as_ref().map(|folder| folder.path.text.clone()),
        others,
        others_unknown,
        destinations: setup
            .destinations
            .iter()
            .map(|kept| DestinationLine {
                path: kept.to.text.clone(),
                file_system: kept.file_system.clone(),
                independent: kept.independent,
                counts: kept.counts,
                why: kept.why.clone().unwrap_or_default(),
            })
            .collect(),
        people: together(planned.people.iter().map(|person| PersonLine {
            profile: match person.profile.as_str() {
                crate::step::plan::people::NOBODY => String::new(),
                name => name.to_owned(),
            },
            last_used: person.last_used,
            bytes: person.bytes,
            photos: person.photos,
            documents: person.documents,
            mail: person.mail,
            newest: person.newest,
            placeholders: person.placeholders,
            efs: person.efs,
        })),
        folders: rows.folders,
        classes: rows.classes,
        left_out: planned
            .left_out
            .iter()
            .map(|left| LeftOut {
                rule: left.rule.clone(),
                why: why_of.get(&left.rule).cloned().unwrap_or_default(),
                items: left.items,
                bytes: left.bytes,
            })
            .collect(),
        gone: rows.gone,
        looked_into: standing::looked_into(&facts),
        not_saved: rows.not_saved,
        doubtful: doubtful::of(job, &facts)?,
        must_haves: must_haves(job, &facts),
        waivers: waivers(job, &facts)?,
        open_points: points.iter().map(point_line).collect(),
        verifications: verifications(job, &facts),
        manifest_root: newest_root,
        certificate: certificate(job, &facts),
        keep_until: crate::step::close::kept_until(job, &facts),
    })
}

/// One line for all that lies outside of every profile, on however many volumes.
fn together(people: impl Iterator<Item = PersonLine>) -> Vec<PersonLine> {
    let mut out: Vec<PersonLine> = Vec::new();
    for person in people {
        let known = out
            .iter_mut()
            .find(|known| known.profile.is_empty() && person.profile.is_empty());
        let Some(known) = known else {
            out.push(person);
            continue;
        };
        known.bytes = known.bytes.saturating_add(person.bytes);
        known.photos = known.photos.saturating_add(person.photos);
        known.documents = known.documents.saturating_add(person.documents);
        known.mail = known.mail.saturating_add(person.mail);
        known.placeholders = known.placeholders.saturating_add(person.placeholders);
        known.efs = known.efs.saturating_add(person.efs);
        known.newest = known.newest.max(person.newest);
        known.last_used = known.last_used.max(person.last_used);
    }
    out
}

fn point_line(point: &OpenPoint) -> PointLine {
    PointLine {
        id: point.id.clone(),
        says: point.says.clone(),
        lost: point.lost.clone(),
        remedy: point.remedy.clone(),
        who: point.who,
        count: point.count,
    }
}

fn rule_reasons(job: &Job<'_>) -> Result<HashMap<String, String>, LedgerError> {
    let ledger = &job.ledger;
    let rows = ledger
        .db()
        .prepare("SELECT name, why FROM rule")
        .and_then(|mut query| {
            query
                .query_map([], |row| Ok((row.get(0)?, row.get(1)?)))?
                .collect::<rusqlite::Result<HashMap<_, _>>>()
        });
    ledger.doing("reading the rules", rows)
}

fn drives(job: &Job<'_>, facts: &[Fact]) -> Result<Vec<DriveLine>, Problem> {
    let mut out = Vec::new();
    for number in 0..crate::step::assess::drive_count(job) {
        let kept = job.setup.drives.get(number);
        let reading = crate::step::assess::newest_before(job, number, i64::MAX)?;
        if kept.is_none() && (job.setup.replies.is_none() || reading.is_none()) {
            continue;
        }
        let forecast = crate::step::assess::forecast_of(job, facts, number);
        let counters = reading
            .as_ref()
            .map(|reading| reading.counters())
            .unwrap_or_default();
        let said = reading.as_ref().map(|reading| &reading.drive);
        let kind: Option<crate::step::outcome::DriveKind> = said.map(|drive| drive.medium.into());
        out.push(DriveLine {
            model: said
                .and_then(|drive| drive.model.value().cloned())
                .or_else(|| kept.and_then(|kept| kept.model.clone())),
            serial: said
                .and_then(|drive| drive.serial.value().cloned())
                .or_else(|| kept.and_then(|kept| kept.serial.clone())),
            firmware: said
                .and_then(|drive| drive.firmware.value().cloned())
                .or_else(|| kept.and_then(|kept| kept.firmware.clone())),
            // What is on hold; recorded replies may be of a larger one.
            bytes: kept
                .map(|kept| kept.bytes)
                .or_else(|| said.and_then(|drive| drive.bytes.get())),
            is_volume: kept.is_some_and(|kept| kept.is_stack),
            kind: kept
                .map(|kept| kept.kind.word().to_owned())
                .or(kind.map(|kind| kind.word().to_owned()))
                .unwrap_or_else(|| "unknown".into()),
            fingerprint: kept
                .and_then(|kept| kept.fingerprint)
                .map(|digest| digest.to_string()),
            power_cycles: counters.power_cycles,
            bytes_written: counters.written_bytes(),
            readings: reading
                .as_ref()
                .map(|reading| reading.signals.iter().map(signal_line).collect())
                .unwrap_or_default(),
            health_unread: match &reading {
                Some(reading) => reading.why_not.clone(),
                None => Some("no reading was taken".into()),
            },
            forecast: forecast.as_ref().map(|(_, range)| *range),
            route: forecast.map(|(route, _)| route),
        });
    }
    Ok(out)
}

fn signal_line(signal: &crate::drive::signal::Signal) -> SignalLine {
    let id = serde_json::to_value(signal.id).ok();
    SignalLine {
        id: id
            .and_then(|id| id.as_str().map(str::to_owned))
            .unwrap_or_default(),
        says: signal.says.clone(),
        value: signal
            .value
            .filter(|value| value.is_finite() && *value >= 0.0)
            .map(|value| value.round() as u64),
        weighs: signal.weight != crate::drive::signal::Weight::ForTheRecord,
    }
}

fn must_haves(job: &Job<'_>, facts: &[Fact]) -> Vec<MustHave> {
    let asked = job.setup.must_haves.clone().unwrap_or_default();
    asked
        .into_iter()
        .enumerate()
        .map(|(number, asked)| match standing::answered(facts, number) {
            None => MustHave {
                asked,
                found: Vec::new(),
                answer: Answer::Unanswered,
                reason: String::new(),
                not_whole: 0,
            },
            Some((found, None)) => MustHave {
                asked,
                found: found.to_vec(),
                answer: Answer::Found,
                reason: String::new(),
                not_whole: crate::step::waive::not_whole_among(job, found),
            },
            Some((_, Some(reason))) => MustHave {
                asked,
                found: Vec::new(),
                answer: Answer::NotHere,
                reason: reason.to_owned(),
                not_whole: 0,
            },
        })
        .collect()
}

fn waivers(job: &Job<'_>, facts: &[Fact]) -> Result<Vec<WaiverLine>, Problem> {
    let mut out = Vec::new();
    for fact in facts {
        let FactBody::Waived { waiver, .. } = &fact.body else {
            continue;
        };
        let mut paths = Vec::new();
        if waiver.scope == WaiverScope::Items {
            let mut places = Places::new(&job.ledger);
            job.ledger
                .each_item::<LedgerError>(
                    &format!("item.waiver = {} AND {FILE}", waiver.number),
                    |item, _| {
                        if paths.len() < account::FIRST {
                            paths.push(places.of(item.parent)?.path_of(&item).text());
                        }
                        Ok(())
                    },
                )
                .map_err(|e| ledger_problem(&e))?;
        }
        if waiver.scope == WaiverScope::Doubtful {
            paths = doubtful::accepted(job, waiver.number)?;
        }
        let is_point = waiver.scope == WaiverScope::Point;
        let folders = folders_of(job, waiver.number)?.min(waiver.items);
        // Folders that are all of it were given up themselves: nobody could look into them.
        let folders = if folders == waiver.items { 0 } else { folders };
        let about = match waiver.scope {
            WaiverScope::Items if waiver.about.starts_with(crate::step::waive::OF_ONE_ROOT) => {
                "placeholders"
            }
            WaiverScope::Items => "items",
            WaiverScope::NoRescue => "no-rescue",
            WaiverScope::Point | WaiverScope::Class => &waiver.about,
            WaiverScope::Doubtful => doubts::ID,
            WaiverScope::Volume => "",
        };
        let what = match waiver.scope {
            WaiverScope::Items => "items named one by one".to_owned(),
            WaiverScope::Class => format!("everything {} that is not saved", waiver.about),
            WaiverScope::NoRescue => "everything: nothing is wanted from this drive".to_owned(),
            WaiverScope::Point => format!("the open point \"{}\"", waiver.about),
            WaiverScope::Volume => format!("volume {}", waiver.about),
            WaiverScope::Doubtful => "copies in doubt".to_owned(),
        };
        out.push(WaiverLine {
            what,
            about: about.to_owned(),
            kept: waiver.scope == WaiverScope::Doubtful
                || (is_point && !crate::paper::matter::loses(&waiver.about)),
            paths,
            // A point about no items has a count of its own, which is none of items.
            count: if is_point && waiver.bytes == 0 {
                0
            } else {
                waiver.items - folders
            },
            folders,
            bytes: waiver.bytes,
            set_hash: waiver.set_hash,
            why: waiver.reason.clone(),
            decided_by: if waiver.decided_by == "owner" {
                Who::Owner
            } else {
                Who::Technician
            },
            name: waiver.name.clone(),
            how: waiver.how.clone(),
            at: fact.at,
            proof: waiver.proof.as_ref().map(|(name, _)| name.clone()),
        });
    }
    Ok(out)
}

/// Folders and links among what a decision covers, but for those that nobody could look into.
fn folders_of(job: &Job<'_>, waiver: i64) -> Result<u64, Problem> {
    let closed = Marks::of(&[Mark::Unreadable, Mark::OtherMount]).0;
    let sql = &format!(
        "SELECT count(*) FROM item WHERE {WAIVED} AND item.waiver = ?1 AND NOT {FILE} AND item.marks & ?2 = 0"
    );
    let row = job
        .ledger
        .db()
        .query_row(sql, rusqlite::params![waiver, closed], |row| {
            row.get::<_, i64>(0)
        });
    job.ledger
        .doing("counting what a decision covers", row)
        .map(|count| count as u64)
        .map_err(|e: LedgerError| ledger_problem(&e))
}

fn verifications(job: &Job<'_>, facts: &[Fact]) -> Vec<Verification> {
    job.setup
        .destinations
        .iter()
        .enumerate()
        .filter_map(|(number, kept)| {
            facts.iter().rev().find_map(|fact| match &fact.body {
                FactBody::Verified {
                    destination,
                    method,
                    items,
                    bytes,
                    ..
                } if *destination == number => Some(Verification {
                    destination: kept.to.text.clone(),
                    method: method.word().to_owned(),
                    at: fact.at,
                    items: *items,
                    bytes: *bytes,
                }),
                _ => None,
            })
        })
        .collect()
}

fn certificate(job: &Job<'_>, facts: &[Fact]) -> Option<CertificateLine> {
    let issued = standing::issued(facts)?;
    let signature = job.dir.join(crate::paper::certificate::SIGNATURE);
    let signer = (issued.signed)
        .then(|| job.bench.read_file(&signature).ok())
        .flatten()
        .and_then(|bytes| String::from_utf8(bytes).ok());
    let signed_by = signer.and_then(|armour| crate::paper::sshsig::claimed_signer(&armour).ok());
    Some(CertificateLine {
        digest: issued.certificate,
        signed_by,
        issued: issued.at,
        expires: issued.expires,
    })
}
