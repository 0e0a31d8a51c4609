//! `release`: asks the gate; writes and signs the certificate, or says what is open.
//!
//! Invariant: only the gate's [`Release`] gets here to be signed; everything that the
//! certificate says is taken from the ledger at that moment.

mod in_force;

use crate::bag::stream::write_beside;
use crate::drive::reading::Reading;
use crate::job::{Job, fault_problem, ledger_problem};
use crate::judge::gate::{Release, Verdict};
use crate::ledger::facts::CHAIN_START;
use crate::ledger::{Fact, FactBody, Sight, standing};
use crate::paper::certificate::{
    self, CertificateBody, CopyRef, DriveRef, DriveTold, Effect, Evidence, FactRef, FolderRef,
    NOTICE, PolicyRef, Scope, VERSION, WaiverRef,
};
use crate::paper::sshsig;
use crate::port::Destination;
use crate::step::event::{Event, Step, Tell};
use crate::step::gate::{Closeness, ask_seeing, shown};
use crate::step::outcome::{Exit, Outcome, Problem, Released, Signature, State};
use crate::step::request::ReleaseRequest;
use crate::value::words::WaiverScope;
use crate::value::{Blake3, Known};
use in_force::{Shop, Standing};
use std::path::Path;

/// Asks the gate; releases when nothing is open. The newest asking counts: one that ends without a release takes the
/// certificate of an earlier one back. That nobody looked a second time takes nothing back: a second look was given at
/// the release in force, and nothing has changed since; that certificate can still be signed.
pub fn release(
    job: &Job<'_>,
    request: &ReleaseRequest,
    passphrase: Option<&[u8]>,
    tell: Tell<'_>,
) -> Result<Outcome<Released>, Problem> {
    tell(Event::Started {
        step: Step::Release,
    });
    // Before anything is written: what the command line asks for must be possible.
    let hours = valid_hours(job, request)?;
    let shop = Shop::of(job, request, passphrase)?;
    // A broken chain is for the gate to say.
    let facts = job.ledger.facts().unwrap_or_default();
    crate::step::refuse_closing(job, &facts)?;
    let asked = ask_and_write(job, request, hours, &shop, tell);
    let released = |outcome: &Outcome<Released>| outcome.result.state == State::Released;
    if !asked.as_ref().is_ok_and(released) {
        withdraw(job, tell);
    }
    if asked.is_err() && standing::released(&facts).is_some() && standing::voided(&facts).is_none()
    {
        // Said by what made it fail; where the ledger takes nothing either, the certificate is gone all the same.
        let failed = FactBody::AskedToRelease {
            second_look: request.second_look.clone(),
            open_points: 0,
            seen: Sight::default(),
        };
        drop(job.record(&failed));
    }
    asked
}

/// Takes certificate and signature back wherever they are: what is not released must not look so to anybody.
fn withdraw(job: &Job<'_>, tell: Tell<'_>) {
    let own = job.bench.destination(&job.dir, false);
    for place in job.destinations().into_iter().chain([own]).flatten() {
        let gone = [certificate::SIGNATURE, certificate::PLACE]
            .into_iter()
            .try_for_each(|path| match place.read_small(path)? {
                Some(_) => place.remove(path).and_then(|()| place.settle()),
                None => Ok(()),
            });
        if let Err(fault) = gone {
            tell(Event::Warn {
                says: format!("a certificate that does not count could not be removed: {fault}"),
            });
        }
    }
}

fn ask_and_write(
    job: &Job<'_>,
    request: &ReleaseRequest,
    hours: u32,
    shop: &Shop<'_>,
    tell: Tell<'_>,
) -> Result<Outcome<Released>, Problem> {
    let opened = job.destinations();
    let destinations = crate::job::here::here(&opened);
    let facts = job.ledger.facts().unwrap_or_default();
    read_health(job, &facts)?;
    let facts = job.ledger.facts().unwrap_or_default();
    let look = crate::step::second_look::given(job, request, &facts);
    let (verdict, seen) = ask_seeing(job, Closeness::Source, look)?;
    let practice = job.policy.practice;
    let release = match verdict {
        Verdict::Hold(points) => {
            let only_the_look = points.iter().all(|point| point.id == "second-look");
            if only_the_look && let Some(standing) = Standing::of(job, &facts) {
                return standing.stays(job, request, &destinations, shop, tell);
            }
            // Nothing is added to a record that was tampered with: it would end in good order again.
            if !points.iter().any(|point| point.id == "ledger-broken") {
                job.record(&FactBody::AskedToRelease {
                    second_look: request.second_look.clone(),
                    open_points: points.len() as u64,
                    seen,
                })?;
            }
            let result = Released {
                state: State::Hold,
                certificate: None,
                signature: Signature::None,
                manifest_root: None,
                until: None,
                practice,
                looked_into: None,
            };
            tell(Event::Finished);
            return Ok(Outcome::done(
                &job.dir,
                result,
                points.iter().map(|point| shown(job, point)).collect(),
            )
            .ending(Exit::Hold));
        }
        Verdict::Release(release) => release,
    };
    // Decisions taken after the copies were read back go into the evidence files now; those few files are read back at once.
    let roots = crate::step::seal::seal_decisions(job, &destinations)?;
    check_evidence(job, &destinations)?;
    let root = job
        .setup
        .destinations
        .iter()
        .zip(&roots)
        .filter(|(kept, _)| kept.counts)
        .find_map(|(_, root)| *root);
    let body = certificate(job, hours, &release, root)?;
    let bytes = body.to_bytes().map_err(|e| {
        Problem::failed(
            e.to_string(),
            job.dir.display().to_string(),
            "this is a fault of the program; keep the copies",
        )
    })?;
    let signed = shop.sign(&bytes)?;
    let digest = Blake3(*blake3::hash(&bytes).as_bytes());
    let path = write(job, &destinations, &bytes, signed.as_ref())?;
    job.record(&FactBody::Released {
        certificate: digest,
        manifest_root: root,
        expires: body.expires,
        signed: signed.is_some(),
    })?;
    // No snapshot of the ledger: nothing large is written after the copies were read back, and a snapshot that takes the
    // ledger's place voids the release anyway.
    tell(Event::Finished);
    let signature = if signed.is_some() {
        Signature::Sshsig
    } else {
        Signature::None
    };
    let result = Released {
        state: State::Released,
        certificate: Some(path),
        signature,
        manifest_root: root,
        until: Some(body.expires),
        practice,
        looked_into: standing::looked_into(&facts),
    };
    Ok(Outcome::done(&job.dir, result, Vec::new()))
}

/// Whether the evidence that was just written is as it should be at each destination.
fn check_evidence(job: &Job<'_>, destinations: &[Option<&dyn Destination>]) -> Result<(), Problem> {
    for (number, destination) in destinations.iter().enumerate() {
        let Some(destination) = destination else {
            continue;
        };
        let wrong = crate::bag::check::check_tags(*destination, "bag").map_err(|f| {
            fault_problem(
                &f,
                "connect the destination again, then:\nholdpoint release JOB",
            )
        })?;
        if let Some((path, why)) = wrong.first() {
            return Err(Problem::failed(
                format!(
                    "the evidence at {} was not written as it should be: {path}: {why}",
                    job.setup.destinations[number].to.text
                ),
                job.dir.display().to_string(),
                "replace that destination, copy and verify again",
            ));
        }
    }
    Ok(())
}

/// Reads the health of every live drive whose newest reading is from before the last read of the source, or too old for a
/// release. A drive that is not here is not asked: that no reading could be had of it must not stand for one that was refused.
fn read_health(job: &Job<'_>, facts: &[Fact]) -> Result<(), Problem> {
    if job.setup.replies.is_some() || job.ledger.facts().is_err() {
        return Ok(());
    }
    let mut read = false;
    for (drive, kept) in job.setup.drives.iter().enumerate() {
        if kept.is_image || kept.is_loop || !crate::step::gate::health_is_due(job, facts, drive) {
            continue;
        }
        if let Ok(now) = crate::step::present::find(job, drive, None) {
            let reading = crate::step::assess::ask_drive(job, kept, &now.path, job.now());
            crate::step::assess::refuse_another_drive(job, drive, &reading)?;
            crate::step::assess::keep(job, drive, &reading, false)?;
            read = true;
        }
    }
    if read {
        crate::step::assess::judge_again(job)?;
    }
    Ok(())
}

/// For how many hours the certificate is asked to be valid.
fn valid_hours(job: &Job<'_>, request: &ReleaseRequest) -> Result<u32, Problem> {
    let limits = &job.policy.certificate;
    let hours = request.valid_hours.unwrap_or(limits.valid_hours.get());
    if hours == 0 || hours > limits.longest_hours.get() {
        return Err(Problem::usage(
            format!(
                "a certificate may be valid for 1 to {} hours, not {hours}",
                limits.longest_hours.get()
            ),
            "--valid",
            "choose fewer hours; a recheck and a new release cost seconds",
        ));
    }
    Ok(hours)
}

fn certificate(
    job: &Job<'_>,
    hours: u32,
    release: &Release,
    root: Option<Blake3>,
) -> Result<CertificateBody, Problem> {
    let facts = job.ledger.facts().map_err(|e| ledger_problem(&e))?;
    let scope = scope(job, &facts)?;
    let relied = |body: &FactBody| {
        matches!(
            body,
            FactBody::Opened { .. }
                | FactBody::Read { .. }
                | FactBody::Surveyed { .. }
                | FactBody::Verified { .. }
                | FactBody::Waived { .. }
                | FactBody::Answered { .. }
                | FactBody::SourceReadAgain { .. }
                | FactBody::Inspected { .. }
        )
    };
    let head = facts.last().map_or(CHAIN_START, |fact| fact.hash);
    let rows = job
        .ledger
        .row_sum()
        .map_err(|e| ledger_problem(&e))?
        .to_string();
    Ok(CertificateBody {
        version: VERSION,
        effect: if release.practice() {
            Effect::Practice
        } else {
            Effect::Releases
        },
        notice: NOTICE.to_owned(),
        job: job.setup.id.clone(),
        issued: release.at(),
        expires: release.at().plus_hours(f64::from(hours)),
        scope,
        policy: PolicyRef {
            name: job.policy.name.clone(),
            blake3: job.setup.policy_hash,
        },
        manifest_root: root,
        copies: copies(&facts, job),
        waivers: waivers(&facts),
        answers: job.setup.answer_refs(),
        evidence: Evidence {
            chain_head: head,
            items_digest: Blake3(*blake3::hash(rows.as_bytes()).as_bytes()),
            facts: facts
                .iter()
                .filter(|fact| relied(&fact.body))
                .map(|fact| FactRef {
                    number: fact.number as u64,
                    kind: fact.body.kind().to_owned(),
                    at: fact.at,
                    blake3: fact.hash,
                })
                .collect(),
        },
    })
}

/// What the certificate names: the drives of a drive job, the folder of a folder job.
fn scope(job: &Job<'_>, facts: &[Fact]) -> Result<Scope, Problem> {
    if !job.setup.drives.is_empty() {
        return (0..job.setup.drives.len())
            .map(|number| drive_ref(job, number))
            .collect::<Result<_, _>>()
            .map(Scope::Drives);
    }
    let Some(folder) = &job.setup.folder else {
        return Err(Problem::failed(
            "this job has nothing on hold that a certificate could name",
            job.shown(),
            "open a new job",
        ));
    };
    let tree = facts.iter().rev().find_map(|fact| match fact.body {
        FactBody::Surveyed { tree, .. } => Some(tree),
        _ => None,
    });
    Ok(Scope::Folder(FolderRef {
        path: folder.path.text.clone(),
        file_system_id: folder.file_system_id.clone(),
        fingerprint: tree.unwrap_or(folder.fingerprint).to_string(),
        drive_told: crate::step::assess::newest_before(job, 0, i64::MAX)?
            .as_ref()
            .and_then(told_by)
            .map(Box::new),
    }))
}

/// What the newest reading of a folder job tells of the drive; `None` = nothing that names it.
fn told_by(reading: &Reading) -> Option<DriveTold> {
    let counters = reading.counters();
    let said = |known: &Known<String>| known.value().cloned();
    let told = DriveTold {
        model: said(&reading.drive.model),
        serial: said(&reading.drive.serial),
        firmware: said(&reading.drive.firmware),
        // A size beyond what the certificate's numbers hold is no drive's.
        bytes: reading.drive.bytes.get().filter(|n| *n < 1 << 53),
        power_cycles: counters.power_cycles,
        bytes_written: counters.written_bytes(),
        counters_at: reading.taken,
    };
    let names = told.model.is_some() || told.serial.is_some() || told.power_cycles.is_some();
    (names || told.bytes_written.is_some()).then_some(told)
}

/// One drive as the certificate names it. An image file and a loop device have no label to read: they are named
/// as what they are, and known again by size and fingerprint alone. The file's name stays out, as every file name does.
fn drive_ref(job: &Job<'_>, number: usize) -> Result<DriveRef, Problem> {
    let unknown = |what: &str| {
        Problem::failed(
            format!(
                "drive {} has no {what} that a certificate could name",
                number + 1
            ),
            job.shown(),
            "holdpoint release JOB\nit lists the open points again; keep the copies",
        )
    };
    let kept = job
        .setup
        .drives
        .get(number)
        .ok_or_else(|| unknown("entry"))?;
    let stand_in = match (kept.is_image, kept.is_loop) {
        (true, _) => Some("image file"),
        (_, true) => Some("loop device"),
        _ => None,
    };
    let reading = crate::step::assess::newest_before(job, number, i64::MAX)?;
    let counters = reading
        .as_ref()
        .map(crate::drive::reading::Reading::counters)
        .unwrap_or_default();
    let told = counters != crate::drive::counters::Counters::default();
    Ok(DriveRef {
        model: kept
            .model
            .clone()
            .or(stand_in.map(str::to_owned))
            .unwrap_or_else(|| "not told".to_owned()),
        serial: kept
            .serial
            .clone()
            .filter(|serial| !serial.trim().is_empty())
            .or(stand_in.map(|word| format!("none: {word}")))
            .ok_or_else(|| unknown("serial number"))?,
        firmware: kept.firmware.clone(),
        bytes: kept.bytes,
        kind: kept.kind.word().to_owned(),
        fingerprint: kept
            .fingerprint
            .ok_or_else(|| unknown("fingerprint"))?
            .to_string(),
        power_cycles: counters.power_cycles,
        bytes_written: counters.written_bytes(),
        counters_at: reading.filter(|_| told).map(|reading| reading.taken),
    })
}

fn copies(facts: &[Fact], job: &Job<'_>) -> Vec<CopyRef> {
    (0..job.setup.destinations.len())
        .filter_map(|number| {
            facts.iter().rev().find_map(|fact| match &fact.body {
                FactBody::Verified {
                    destination,
                    method,
                    items,
                    bytes,
                    ..
                } if *destination == number => Some(CopyRef {
                    destination: number as u64 + 1,
                    items: *items,
                    bytes: *bytes,
                    method: method.word().to_owned(),
                    verified: fact.at,
                }),
                _ => None,
            })
        })
        .collect()
}

fn waivers(facts: &[Fact]) -> Vec<WaiverRef> {
    facts
        .iter()
        .filter_map(|fact| match &fact.body {
            FactBody::Waived { waiver, .. } => Some(WaiverRef {
                // A path would name a file; the frozen set's digest says which without telling.
                what: match waiver.scope {
                    WaiverScope::Items => "named items".to_owned(),
                    WaiverScope::Doubtful => "named copies in doubt, kept as they are".to_owned(),
                    scope => format!("{scope} {}", waiver.about),
                },
                count: waiver.items,
                bytes: waiver.bytes,
                set_blake3: waiver.set_hash,
                decided_by: waiver.decided_by.clone(),
                how: waiver.how.clone(),
                at: fact.at,
            }),
            _ => None,
        })
        .collect()
}

/// Writes the certificate beside every bag and into the job folder; returns the path in the job folder.
fn write(
    job: &Job<'_>,
    destinations: &[Option<&dyn Destination>],
    bytes: &[u8],
    signed: Option<&sshsig::Signed>,
) -> Result<String, Problem> {
    let failed = |fault: crate::port::Fault| {
        fault_problem(
            &fault,
            "look whether the destination is full, read-only or gone, then:\nholdpoint release JOB",
        )
    };
    for destination in destinations.iter().flatten() {
        destination.remove(certificate::SIGNATURE).map_err(failed)?;
        write_beside(*destination, certificate::PLACE, bytes).map_err(failed)?;
        if let Some(signed) = signed {
            write_beside(
                *destination,
                certificate::SIGNATURE,
                signed.armour.as_bytes(),
            )
            .map_err(failed)?;
        }
    }
    // The job folder is one of them, as a rule.
    let own = job.dir.join(certificate::PLACE);
    let keep = |path: &Path, bytes: &[u8]| {
        let is_there = job.bench.read_file(path).is_ok_and(|there| there == bytes);
        if is_there {
            return Ok(());
        }
        job.bench.write_file(path, bytes).map_err(failed)
    };
    keep(&own, bytes)?;
    if let Some(signed) = signed {
        keep(
            &job.dir.join(certificate::SIGNATURE),
            signed.armour.as_bytes(),
        )?;
    }
    Ok(own.display().to_string())
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::drive::asking::Hint;
    use crate::drive::question::{Question, Reply};
    use crate::drive::reading::StoredReading;
    use crate::drive::replies::Replies;
    use crate::value::Moment;

    #[test]
    fn a_folder_job_names_the_drive_that_its_replies_tell_of() {
        let read = |pages: &[(Question, &[u8])]| {
            let mut replies = Replies::default();
            for (question, bytes) in pages {
                replies.put(*question, Reply::Bytes(bytes.to_vec()));
            }
            StoredReading {
                taken: Moment::from_seconds(1_764_072_000),
                through: "recorded replies".to_owned(),
                hint: Hint::recorded(),
                replies,
            }
            .decode()
        };
        // The worn sample: bytes 48 to 63 hold 88,211,094 units of 512,000 bytes; bytes 112 to 127 hold 096Bh.
        let told = told_by(&read(&[
            (
                Question::NvmeIdentifyController,
                include_bytes!("../../tests/fixtures/pages/nvme-identify-controller.bin"),
            ),
            (
                Question::NvmeLog(2),
                include_bytes!("../../tests/fixtures/pages/nvme-log02-worn.bin"),
            ),
        ]))
        .unwrap();
        assert_eq!(told.power_cycles.map(|n| n.0), Some(0x096b));
        assert_eq!(told.bytes_written.map(|n| n.0), Some(45_164_080_128_000));
        assert!(told.model.is_some() && told.serial.is_some() && told.bytes.is_some());
        assert_eq!(told_by(&read(&[])), None);
    }
}
