//! `recheck`: does the release still hold for what is present now? Ten seconds, nothing written
//! to a source, nothing assumed.

use crate::drive::counters::Counters;
use crate::job::{Job, ledger_problem};
use crate::judge::point::Point;
use crate::ledger::{Fact, FactBody, ItemRow, LedgerError, Want, standing};
use crate::paper::certificate::{self, CertificateBody, DriveRef, Scope};
use crate::port::{Entry, Fault, Folder};
use crate::read::fingerprint::Likeness;
use crate::read::source::unchanged;
use crate::step::outcome::{Change, Exit, OpenPoint, Outcome, Problem, Rechecked};
use crate::step::present;
use crate::survey::item::{Kind, Mark};
use crate::value::words::Who;
use crate::value::{Blake3, Moment, Name};
use std::collections::HashMap;
use std::path::Path;

/// How a source was that has changed since.
const AS_SURVEYED: &str = "as surveyed";

/// Checks the newest release against the world; `named` is the drive as it is named now.
pub fn recheck(job: &Job<'_>, named: Option<&Path>) -> Result<Outcome<Rechecked>, Problem> {
    let only = match named {
        Some(_) if job.setup.drives.is_empty() => {
            return Err(Problem::usage(
                "this job holds a folder, no drive",
                "--drive",
                "leave --drive out",
            ));
        }
        Some(named) => Some(present::which(job, Some(named))?),
        None => None,
    };
    let (holds, changed, until) = judge(job, named, only)?;
    job.record(&FactBody::Rechecked {
        holds,
        changed: changed.iter().map(|change| change.what.clone()).collect(),
    })?;
    let mut points = crate::step::points_now(job)?;
    if changed.iter().any(|change| change.what == "ledger-broken") {
        points = crate::step::gate::points_by(job, crate::step::gate::Closeness::Record)?;
    }
    if !holds && points.is_empty() {
        points.extend(as_point(job, &changed)?);
    }
    let exit = if holds { Exit::Done } else { Exit::Hold };
    Ok(Outcome::done(
        &job.dir,
        Rechecked {
            holds,
            changed,
            until,
            practice: job.policy.practice,
        },
        points,
    )
    .ending(exit))
}

/// Why the release does not hold, where the gate by itself knows of nothing open.
fn as_point(job: &Job<'_>, changed: &[Change]) -> Result<Option<OpenPoint>, Problem> {
    let facts = job.ledger.facts().map_err(|e| ledger_problem(&e))?;
    if standing::is_closing(&facts) {
        return Ok(None);
    }
    let told = |change: &Change| {
        let now = change.now.as_deref().unwrap_or("not known now");
        format!("{}: {now}", change.what)
    };
    let told: Vec<String> = changed.iter().map(told).collect();
    let surveyed = |change: &&Change| change.before.as_deref() == Some(AS_SURVEYED);
    if let Some(change) = changed.iter().find(surveyed) {
        let now = change.now.clone().unwrap_or_default();
        let point = Point::plain(
            "source-changed",
            Who::Nobody,
            "what is on hold is not as it was surveyed",
            "newer content is not in the copies",
            now,
            "holdpoint plan JOB\nholdpoint copy JOB\nholdpoint verify JOB",
        );
        return Ok(Some(crate::step::gate::shown(job, &point)));
    }
    let says = format!("the release does not hold: {}", told.join("; "));
    let done = crate::step::show::used(job, &facts).is_some();
    Ok(Some(crate::step::show::not_in_force(job, says, done)))
}

type Judged = (bool, Vec<Change>, Option<Moment>);

fn change(what: &str, before: Option<String>, now: Option<String>) -> Change {
    Change {
        drive: String::new(),
        what: what.to_owned(),
        before,
        now,
    }
}

/// Whether the newest release holds now, and what is not as it was. `only` = look at this drive alone.
pub fn judge(job: &Job<'_>, named: Option<&Path>, only: Option<usize>) -> Result<Judged, Problem> {
    let facts = job.ledger.facts().map_err(|e| ledger_problem(&e))?;
    if standing::is_closing(&facts) {
        let gone = "the shop's copies were deleted, or their deleting was begun";
        let was = standing::released(&facts).map(|_| "released".to_owned());
        let closed = change("record", was, Some(gone.into()));
        return Ok((false, vec![closed], None));
    }
    let Some(issued) = standing::issued(&facts) else {
        let none = change("release", None, Some("none was ever given".into()));
        return Ok((false, vec![none], None));
    };
    let mut changed = times(job.now(), &issued);
    let certificate = the_certificate(job, issued.certificate);
    let certificate = certificate.map_err(|change| changed.push(change)).ok();
    if let Some(copy) = job.outrun_by().map_err(|e| ledger_problem(&e))? {
        changed.push(change(
            "record",
            Some("the newest one".into()),
            Some(format!("older than its copy at {copy}")),
        ));
    }
    if let Some(fact) = standing::voided(&facts) {
        changed.push(change(
            "record",
            Some(format!("released at {:.0}", issued.at)),
            Some(format!(
                "{} ({:.0})",
                standing::happened(&fact.body),
                fact.at
            )),
        ));
    }
    if job.setup.drives.is_empty() {
        changed.extend(folder_changes(job)?);
    }
    let drives = (0..job.setup.drives.len()).filter(|n| only.is_none_or(|only| only == *n));
    for drive in drives {
        let then = certificate.as_ref().and_then(|body| match &body.scope {
            Scope::Drives(drives) => drives.get(drive),
            Scope::Folder(_) => None,
        });
        changed.extend(drive_changes(
            job,
            &facts,
            issued.number,
            drive,
            named,
            then,
        )?);
    }
    changed.extend(destination_changes(job, &facts)?);
    changed.extend(reopened(job)?);
    Ok((changed.is_empty(), changed, Some(issued.expires)))
}

/// Whether this is a moment at which the release can hold.
fn times(now: Moment, issued: &standing::Issued) -> Vec<Change> {
    let (at, expires) = (issued.at, issued.expires);
    let mut out = Vec::new();
    if now >= expires {
        out.push(change(
            "expiry",
            Some(format!("{expires:.0}")),
            Some(format!("it is {now:.0}")),
        ));
    }
    if now < at {
        out.push(change(
            "clock",
            Some(format!("{at:.0}")),
            Some(format!("it shows {now:.0}, before the release")),
        ));
    }
    out
}

/// What of the folder on hold is not as it was surveyed.
fn folder_changes(job: &Job<'_>) -> Result<Vec<Change>, Problem> {
    let (gone, differs) = look_at_source(job)?;
    let gone = gone.map(|why| change("source", Some("here".into()), Some(why)));
    let differs = differs.map(|(count, example)| {
        change(
            "source",
            Some(AS_SURVEYED.into()),
            Some(match count {
                1 => format!("1 item differs: {example}"),
                _ => format!("{count} items differ, for example {example}"),
            }),
        )
    });
    Ok(gone.into_iter().chain(differs).collect())
}

/// Which destinations are away, or do not hold what the record says.
fn destination_changes(job: &Job<'_>, facts: &[Fact]) -> Result<Vec<Change>, Problem> {
    let mut out = Vec::new();
    for (number, destination) in job.destinations().into_iter().enumerate() {
        let trouble = match destination {
            Err(fault) => Some(("here", fault.to_string())),
            Ok(at) => crate::step::bags::difference(job, facts, number, at.as_ref())?
                .map(|why| ("as recorded", why)),
        };
        if let Some((before, now)) = trouble {
            let at = job.setup.destinations.get(number);
            let at = at.map(|kept| kept.to.text.clone()).unwrap_or_default();
            out.push(change(
                "destination",
                Some(before.into()),
                Some(format!("{at}: {now}")),
            ));
        }
    }
    Ok(out)
}

/// What the gate would hold for now. How old the evidence may be was judged at the release; since then the
/// certificate's own end counts.
fn reopened(job: &Job<'_>) -> Result<Vec<Change>, Problem> {
    let verdict = crate::step::gate::ask(
        job,
        crate::step::gate::Closeness::Record,
        crate::judge::gate::SecondLook::Done,
    )?;
    let crate::judge::gate::Verdict::Hold(points) = verdict else {
        return Ok(Vec::new());
    };
    let aged = ["health-old", "verification-old"];
    let open = points.iter().filter(|point| !aged.contains(&point.id));
    Ok(open
        .map(|point| change(point.id, Some("settled".into()), Some(point.says.clone())))
        .collect())
}

/// The certificate that the ledger's release is about; else what is wrong with it.
fn the_certificate(job: &Job<'_>, digest: Blake3) -> Result<CertificateBody, Change> {
    let was = Some(digest.to_string());
    match certificate_bytes(job) {
        Some(bytes) if blake3::hash(&bytes).as_bytes() == &digest.0 => {
            CertificateBody::parse(&bytes)
                .map_err(|e| change("certificate", Some("readable".into()), Some(e.to_string())))
        }
        Some(_) => Err(change("certificate", was, Some("another one".into()))),
        None => Err(change(
            "certificate",
            was,
            Some("not found beside any bag".into()),
        )),
    }
}

/// What of one drive is not as it was when fact `released` was recorded.
fn drive_changes(
    job: &Job<'_>,
    facts: &[Fact],
    released: i64,
    drive: usize,
    named: Option<&Path>,
    then: Option<&DriveRef>,
) -> Result<Vec<Change>, Problem> {
    let mut out = Vec::new();
    let Some(kept) = job.setup.drives.get(drive) else {
        return Ok(out);
    };
    let on = kept
        .serial
        .clone()
        .unwrap_or_else(|| kept.path.text.clone());
    let of = |what: &str, before: Option<String>, now: Option<String>| Change {
        drive: on.clone(),
        ..change(what, before, now)
    };
    if let Some(at) = present::spent(facts, drive) {
        out.push(of(
            "use",
            Some("not used yet".into()),
            Some(format!(
                "spent: a guarded command was let loose on it at {at:.0}"
            )),
        ));
    }
    let Some(then) = then else {
        out.push(of(
            "scope",
            Some("named".into()),
            Some("the certificate does not name it".into()),
        ));
        return Ok(out);
    };
    let now = match present::find(job, drive, named) {
        Ok(now) => now,
        Err(why) => {
            out.push(of("drive", Some("here".into()), Some(why)));
            return Ok(out);
        }
    };
    if now.bytes != then.bytes {
        out.push(of(
            "size",
            Some(then.bytes.to_string()),
            Some(now.bytes.to_string()),
        ));
    }
    // The certificate has one digest; what it is made of stands in the ledger, if it is that one.
    let kept_then = kept
        .seen()
        .filter(|kept| kept.digest().to_string() == then.fingerprint);
    let seen = present::fingerprint_now(job, facts, drive, &now.path, true);
    let now_is = match (seen, kept_then) {
        (Ok(seen), Some(kept)) => match seen.against(&kept) {
            Likeness::Same => None,
            Likeness::Different => Some(seen.digest().to_string()),
            Likeness::Unknown => Some(present::TOO_LITTLE.to_owned()),
        },
        (Ok(seen), None) => Some(seen.digest().to_string()),
        (Err(why), _) => Some(why),
    };
    match now_is {
        Some(now_is) => out.push(of(
            "fingerprint",
            Some(then.fingerprint.clone()),
            Some(now_is),
        )),
        None => {
            let changed = present::listing_changed(job, facts, drive, &now.path);
            if let Some(why) = changed.unwrap_or_else(Some) {
                out.push(of("contents", Some(AS_SURVEYED.into()), Some(why)));
            }
        }
    }
    let Some(reading) = present::read_now(job, drive, &now.path) else {
        return Ok(out);
    };
    if let (Some(seen), Some(serial)) = (reading.drive.serial.value(), &kept.serial)
        && seen.trim() != serial.trim()
    {
        out.push(of("serial", Some(serial.clone()), Some(seen.clone())));
    }
    let counts = reading.counters();
    // The certificate's own numbers first; the reading behind them tells what is written in units of the maker's own.
    let told = crate::step::assess::newest_before(job, drive, released);
    let behind = match told {
        Ok(reading) => reading
            .map(|reading| reading.counters())
            .unwrap_or_default(),
        Err(problem) => {
            out.push(of(
                "record",
                Some("as the chain holds it".into()),
                Some(problem.to_string()),
            ));
            Counters::default()
        }
    };
    let told = Counters {
        power_cycles: then.power_cycles.or(behind.power_cycles),
        ..behind
    };
    for moved in counts.moved_since(&told) {
        out.push(of("counter", Some("standing still".into()), Some(moved)));
    }
    let written = then.bytes_written.zip(counts.written_bytes());
    if let Some((before, now)) = written.filter(|(before, now)| before != now)
        && told.written_bytes() != Some(before)
    {
        out.push(of(
            "counter",
            Some(format!("{} bytes written", before.0)),
            Some(format!("{} bytes written", now.0)),
        ));
    }
    // A drive that counted then and does not tell now proves nothing.
    for (was, is, what) in [
        (told.power_cycles, counts.power_cycles, "power cycles"),
        (told.written, counts.written, "written"),
    ] {
        if let Some(was) = was.filter(|_| is.is_none()) {
            out.push(of("counter", Some(format!("{} {what}", was.0)), None));
        }
    }
    Ok(out)
}

/// The certificate as it lies in the job folder, or beside the first bag that has it.
pub fn certificate_bytes(job: &Job<'_>) -> Option<Vec<u8>> {
    let own = job.bench.read_file(&job.dir.join(certificate::PLACE)).ok();
    own.or_else(|| {
        job.destinations()
            .into_iter()
            .flatten()
            .find_map(|destination| destination.read_small(certificate::PLACE).ok().flatten())
    })
}

/// `Some` = the source is gone and why; `Some` = how many entries differ from the survey, with an example.
pub type SourceLook = (Option<String>, Option<(u64, String)>);

/// Compares the source with the survey, entry by entry, reading no content.
pub fn look_at_source(job: &Job<'_>) -> Result<SourceLook, Problem> {
    let Some(kept) = &job.setup.folder else {
        return Ok((None, None));
    };
    let facts = job.ledger.facts().unwrap_or_default();
    if crate::step::waits_for_owner(job, &facts) {
        return Ok((Some(present::NOT_READ.to_owned()), None));
    }
    let tree = match job.tree() {
        Ok(tree) => tree,
        Err(fault) => return Ok((Some(fault.to_string()), None)),
    };
    match tree.root() {
        Err(fault) => return Ok((Some(fault.to_string()), None)),
        Ok(root) if !kept.is_at(&root) => {
            return Ok((
                Some(format!("another folder stands at {}", kept.path.text)),
                None,
            ));
        }
        Ok(_) => {}
    }
    let mut comparing = Comparing {
        job,
        count: 0,
        example: String::new(),
        stack: vec![(0, Vec::new())],
    };
    match comparing.all(tree.as_ref()) {
        Ok(()) => Ok((
            None,
            (comparing.count > 0).then_some((comparing.count, comparing.example)),
        )),
        Err(Trouble::Ledger(e)) => Err(ledger_problem(&e)),
        Err(Trouble::Source(fault)) => Ok((Some(fault.to_string()), None)),
    }
}

enum Trouble {
    Ledger(LedgerError),
    Source(Fault),
}

struct Comparing<'a, 'b> {
    job: &'a Job<'b>,
    count: u64,
    example: String,
    stack: Vec<(i64, Vec<Vec<u8>>)>,
}

impl Comparing<'_, '_> {
    fn differs(&mut self, parts: &[Vec<u8>], name: &[u8], how: &str) {
        self.count += 1;
        if self.example.is_empty() {
            let mut path = parts.join(&b'/');
            if !path.is_empty() {
                path.push(b'/');
            }
            path.extend_from_slice(name);
            self.example = format!("{} {how}", Name::Bytes(path).text());
        }
    }

    fn all(&mut self, tree: &dyn crate::port::Tree) -> Result<(), Trouble> {
        while let Some((id, parts)) = self.stack.pop() {
            let folder = match tree.folder(&parts) {
                Ok(folder) => folder,
                Err(fault) if id == 0 => return Err(Trouble::Source(fault)),
                Err(_) => {
                    let known = self.job.ledger.item(id).map_err(Trouble::Ledger)?;
                    if known.is_some_and(|(item, _)| !item.marks.has(Mark::Unreadable)) {
                        self.differs(&parts, b"", "cannot be opened any more");
                    }
                    continue;
                }
            };
            self.folder(id, &parts, folder.as_ref())
                .map_err(Trouble::Ledger)?;
        }
        Ok(())
    }

    fn folder(
        &mut self,
        id: i64,
        parts: &[Vec<u8>],
        folder: &dyn Folder,
    ) -> Result<(), LedgerError> {
        let mut listed: HashMap<Vec<u8>, ItemRow> = HashMap::new();
        self.job.ledger.each_child(id, |item, _| {
            // What was gone when the newest survey looked is not expected, and expected when it is back.
            if item.want != Want::Vanished && !item.marks.has(Mark::Gone) {
                listed.insert(item.name.stored(), item);
            }
        })?;
        let mut entries = Vec::new();
        if folder
            .each(&mut |entry| entries.push((entry.name.clone(), entry)))
            .is_err()
        {
            // What lies behind the break is not known, so nobody can say that nothing came.
            self.differs(parts, b"", "could not be listed to its end");
        }
        for (name, entry) in entries {
            match listed.remove(&name) {
                None => self.differs(parts, &name, "appeared"),
                Some(item) => {
                    if item.kind != entry.kind || !same(&item, &entry) {
                        self.differs(parts, &name, "changed");
                    } else if item.kind == Kind::Folder
                        && !item.marks.has(Mark::OtherMount)
                        && !item.marks.has(Mark::Unreadable)
                    {
                        let mut parts = parts.to_vec();
                        parts.push(name);
                        self.stack.push((item.id, parts));
                    }
                }
            }
        }
        let mut gone: Vec<Vec<u8>> = listed.into_keys().collect();
        gone.sort();
        for name in gone {
            self.differs(parts, &name, "vanished");
        }
        Ok(())
    }
}

fn same(item: &ItemRow, entry: &Entry) -> bool {
    match (&entry.stamp, item.kind) {
        (Err(_), _) => item.marks.has(Mark::Unreadable),
        // A folder's own time moves with every entry; its entries are compared themselves.
        (Ok(stamp), Kind::Folder) => item.inode == stamp.inode,
        (Ok(stamp), Kind::Link) => item.inode == stamp.inode && item.target == entry.target,
        (Ok(_), Kind::Special) => true,
        (Ok(stamp), Kind::File) => unchanged(item, stamp),
    }
}
