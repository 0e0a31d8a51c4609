//! Surveying drives: every byte in an area, every partition in a state, every record an item.
//!
//! Invariant: what is locked, unrecognised, unread or does not add up ends as an open point with a
//! remedy; nothing is skipped because of a type code.

mod carried;
mod hives;
mod kept;
mod keys;
mod letters;
mod links;
mod look;
mod lost;
mod moved;
mod overlay;
mod paths;
mod people;
mod records;
mod rows;
mod shared;
mod source;
mod tally;

pub use kept::{
    GapKept, PointKept, SURVEYED, VolumeKept, gaps, is_given_up, points, volume_word, volumes,
    watched, watched_key,
};
pub use lost::lost_places;
pub use moved::Home;
pub use source::{image_alone, source};
pub use tally::{TOLD, sync_roots};

use crate::job::{Job, ledger_problem};
use crate::ledger::{Ledger, LedgerError, RowSum};
use crate::port::Sectors;
use crate::read::watched::{Watched, Watching};
use crate::step::event::{Event, Tell};
use crate::step::outcome::Problem;
use crate::step::outcome::VolumeState;
use crate::survey::class::Classer;
use crate::survey::person::People;
use crate::volume::filesystem::{Accounts, Found, Limits, NotSurveyed, Place, Survey, Weight};
use crate::volume::{exfat, ext, fat, gap, ntfs};
use kept::Format;
use std::collections::BTreeMap;
use std::sync::Arc;

/// What a survey of all drives came to.
#[derive(Debug, Default, Clone, Copy)]
pub struct Surveyed {
    /// Items listed.
    pub items: u64,
    /// Their bytes.
    pub bytes: u64,
    /// Bytes in use that belong to nothing listed.
    pub unaccounted_bytes: u64,
}

/// Surveys every drive of the job as survey number `survey`. A survey that breaks off leaves the one before as it was.
pub fn survey(
    job: &Job<'_>,
    classer: &Classer,
    survey: i64,
    tell: Tell<'_>,
) -> Result<Surveyed, Problem> {
    let outcome = all(job, classer, survey, tell);
    if outcome.is_err() {
        job.ledger.give_up();
    }
    outcome
}

fn all(job: &Job<'_>, classer: &Classer, survey: i64, tell: Tell<'_>) -> Result<Surveyed, Problem> {
    let failed = |e: LedgerError| ledger_problem(&e);
    let facts = job.ledger.facts().map_err(failed)?;
    let (mut drives, mut paths) = (Vec::new(), Vec::new());
    for number in 0..job.setup.drives.len() {
        let (now, sectors) = crate::step::present::to_read(job, &facts, number)?;
        drives.push(sectors);
        paths.push(now.path);
    }
    let mut found = look::Looked::default();
    for (number, sectors) in drives.iter().enumerate() {
        look::look(job, number, sectors, &mut found, tell);
    }
    // Without a fingerprint nothing says that the copies made so far are of these contents.
    let same = job
        .setup
        .drives
        .iter()
        .all(|kept| kept.fingerprint.is_some());
    let shared = shared::Shared::of(&found.volumes);
    let mut rows =
        rows::Rows::begin(&job.ledger, classer, survey, job.now(), same).map_err(failed)?;
    let mut out = Surveyed::default();
    let mut people = Vec::new();
    let mut more_gaps = Vec::new();
    let mut watched = BTreeMap::new();
    for volume in &mut found.volumes {
        if volume.format == Format::None {
            continue;
        }
        let (Some(sectors), Some(path)) = (drives.get(volume.drive), paths.get(volume.drive))
        else {
            continue;
        };
        let sectors = Arc::clone(sectors);
        tell(Event::Counted {
            what: format!("records of {}", volume.word()),
            done: 0,
            all: None,
        });
        let records = rows.records();
        records.clear().map_err(failed)?;
        let mut trouble = None;
        let watching = Watching::new(Arc::clone(&sectors));
        let watched_drive: Arc<dyn Sectors> = watching.clone();
        let mut doubts = shared.findings(volume.number);
        let number = volume.number;
        let mut see = |mut item| {
            shared.doubt(number, &mut item, &mut doubts);
            if trouble.is_none() {
                trouble = records.take(&item).err();
            }
        };
        let outcome = match volume.format {
            Format::Xfs => overlay::xfs(job, volume, path, watching.as_ref(), &mut see),
            Format::Btrfs => overlay::btrfs(job, volume, path, watching.as_ref(), &mut see),
            _ => read(volume, &watched_drive, &mut see).map_err(Unread::Because),
        };
        watched
            .entry(volume.drive)
            .or_insert_with(Watched::default)
            .join(watching.seen());
        if let Some(e) = trouble {
            return Err(failed(e));
        }
        match outcome {
            Ok(mut survey) => {
                // Who knows it by its signature alone called it that.
                (found.points).retain(|point| !unrecognised(point, volume));
                survey.findings.append(doubts);
                let mut counted = People::new(i64::try_from(job.now().0).ok());
                let walked = rows.walk(volume, &survey, &mut counted).map_err(failed)?;
                people.extend(super::people::lines(
                    &counted,
                    &volume.word(),
                    &volume.word(),
                ));
                out.items += walked.items;
                out.bytes += walked.bytes;
                out.unaccounted_bytes += survey
                    .accounts
                    .in_use_without_owner
                    .saturating_mul(survey.accounts.cluster_bytes);
                settle(volume, &survey, &job.ledger, &mut found.points).map_err(failed)?;
                if walked.beneath_links > 0 {
                    volume.rule.push_str(&format!(
                        "; {} entries lie beneath links, where no system shows them: they are listed with their paths",
                        walked.beneath_links
                    ));
                }
                // NTFS counts one sector less than it has: the last one holds the copy of its boot sector (volume's own).
                if let Some(place) = gap::behind(volume.place(), survey.bytes) {
                    more_gaps.push((volume.drive, place, Arc::clone(&sectors)));
                }
            }
            Err(Unread::AsItIs(why)) => {
                volume.format = Format::None;
                let mut points = found.points.iter_mut();
                let point = points.find(|point| unrecognised(point, volume));
                if let Some((point, why)) = point.zip(why) {
                    point.evidence.push_str(&format!("; {why}"));
                }
            }
            Err(Unread::Because(why)) => {
                volume.state = VolumeState::Unrecognised;
                volume.rule = why.found.clone();
                found.points.push(PointKept::of_volume(
                    "volume-unrecognised",
                    volume,
                    &why.to_string(),
                    &why.next,
                ));
            }
        }
    }
    for (drive, place, sectors) in more_gaps {
        look::gap(
            job,
            drive,
            sectors.as_ref(),
            place,
            "behind a file system",
            &mut found,
        );
    }
    let (sum, lost, mut tally): (RowSum, u64, _) = rows.end(&people).map_err(failed)?;
    if lost > 0 {
        tell(Event::Warn {
            says: format!(
                "{lost} copies of an earlier survey belong to nothing that this one found; reading back lists them as extra"
            ),
        });
    }
    let shelf = hives::Shelf::new(&job.ledger, &drives, &found.volumes);
    let homes = people::settle(
        &shelf,
        &found.signs,
        &mut found.volumes,
        &mut people,
        &mut found.points,
    )
    .map_err(failed)?;
    keys::count(&shelf, classer, &people, &mut tally).map_err(failed)?;
    found.points.extend(tally.key_bound_points());
    found.points = kept::merge(std::mem::take(&mut found.points));
    found.gaps.sort_by_key(|gap| (gap.drive, gap.first_byte));
    job.ledger
        .transaction::<_, LedgerError>(|ledger| {
            super::people::keep(ledger, &people)?;
            super::people::keep_homes(ledger, &homes)?;
            kept::keep(ledger, &found.volumes, &found.gaps, &found.points)?;
            for drive in 0..drives.len() {
                kept::keep_watched(ledger, drive, &watched.remove(&drive).unwrap_or_default())?;
            }
            ledger.rows_moved(job.now(), sum)
        })
        .map_err(failed)?;
    Ok(out)
}

/// Why a volume has no list.
enum Unread {
    /// Its reader cannot make one.
    Because(NotSurveyed),
    /// Nobody could be asked for one, or would give one (in words): what was said of it before holds.
    AsItIs(Option<String>),
}

/// Whether a point says of a volume that nothing here can read it.
fn unrecognised(point: &PointKept, volume: &VolumeKept) -> bool {
    point.id == "volume-unrecognised" && point.volume == volume.about()
}

fn read(
    volume: &VolumeKept,
    sectors: &Arc<dyn Sectors>,
    see: &mut dyn FnMut(Found),
) -> Result<Survey, NotSurveyed> {
    let (place, limits): (Place, Limits) = (volume.place(), Limits::default());
    match volume.format {
        Format::Ntfs => ntfs::survey(sectors.as_ref(), place, &limits, see),
        Format::Fat => fat::survey(sectors.as_ref(), place, volume.boot_at, limits, see),
        Format::ExFat => exfat::survey(sectors.as_ref(), place, volume.boot_at, limits, see),
        Format::Ext => ext::survey(sectors.as_ref(), place, volume.boot_at, limits, see),
        Format::Xfs | Format::Btrfs | Format::None => Err(NotSurveyed::because(
            "surveying a volume",
            "no reader for it",
            "look at it by hand",
        )),
    }
}

/// Sentences of a reader that are worth a word in the list of volumes.
const SENTENCES: [&str; 13] = [
    "hibernation",
    "clusters-marked-bad",
    "hard-errors-seen",
    "mirror-differs",
    "table-first-copy-damaged",
    "table-other-copy-damaged",
    "boot-backup-damaged",
    "record-bitmap-differs",
    "clusters-to-spare",
    "attributes-not-kept",
    "unlinked-while-open",
    "superblock-from-copy",
    "subvolumes-deleted",
];
/// Items named in the evidence of one kind of damage.
const NAMED: usize = 8;

/// What the survey of one volume leaves open.
fn settle(
    volume: &mut VolumeKept,
    survey: &Survey,
    ledger: &Ledger,
    points: &mut Vec<PointKept>,
) -> Result<(), LedgerError> {
    volume.state = VolumeState::Surveyed;
    volume.kind = survey.format.to_owned();
    volume.label = survey
        .label
        .as_ref()
        .map(crate::value::Name::text)
        .or(volume.label.take());
    volume.rule = format!(
        "{} of {} records listed",
        survey.accounts.records_listed,
        survey
            .accounts
            .records_in_use
            .unwrap_or(survey.accounts.records_listed)
    );
    if survey.dirty == Some(true) {
        volume
            .rule
            .push_str("; it was not closed properly, which is normal after a crash");
    }
    let mut evidence = Vec::new();
    for finding in survey.findings.list() {
        match finding.weight {
            Weight::Sentence if SENTENCES.contains(&finding.id) => {
                volume.notes.push(finding.words());
            }
            Weight::Sentence => {}
            Weight::OpenPoint => {
                let mut says = format!(
                    "{} ({}, {} times)",
                    finding.words(),
                    finding.id,
                    finding.count
                );
                let mut paths = paths::paths(ledger, survey.root, &finding.records)?;
                paths.sort();
                paths.dedup();
                paths.truncate(NAMED);
                if !paths.is_empty() {
                    let named = paths.len() as u64;
                    says.push_str(&format!(", concerned: {}", paths.join(", ")));
                    if finding.count > named {
                        says.push_str(&format!(" and {} more", finding.count - named));
                    }
                }
                evidence.push(says);
            }
        }
    }
    let next = match survey.findings.of("journal-not-applied") {
        Some(_) if volume.format == Format::Btrfs => {
            "as root, on a machine whose kernel knows Btrfs, its log is applied above a scratch in memory, and nothing is written to the drive:\nholdpoint plan JOB"
        }
        _ => "ask the owner whether anything is missing from the list; else refer the drive",
    };
    if !evidence.is_empty() {
        points.push(PointKept::of_volume(
            "volume-partly-surveyed",
            volume,
            &evidence.join("; "),
            next,
        ));
    } else if !survey.whole {
        points.push(PointKept::of_volume(
            "volume-partly-surveyed",
            volume,
            "not all of its tables could be read",
            "try again after this, or else let a specialist look:\nholdpoint assess JOB",
        ));
    }
    if !survey.accounts.add_up() {
        points.push(PointKept::of_volume(
            "accounts-differ",
            volume,
            &accounts_in_words(&survey.accounts),
            "show the owner the list of this volume; a check on a copy of the drive may explain it",
        ));
    }
    Ok(())
}

/// What does not add up.
fn accounts_in_words(a: &Accounts) -> String {
    let mut out = Vec::new();
    for (count, what) in [
        (a.in_use_without_owner, "clusters in use without an owner"),
        (a.owned_but_free, "clusters owned but free"),
        (a.owned_twice, "clusters owned twice"),
        (a.records_damaged, "damaged records"),
    ] {
        if count > 0 {
            out.push(format!("{count} {what}"));
        }
    }
    if a.clusters > 0 && a.in_use.is_none() {
        out.push("the volume's own book of clusters could not be read".to_owned());
    }
    if let Some(in_use) = a.records_in_use
        && in_use != a.records_listed
    {
        out.push(format!(
            "{in_use} records in use against {} listed",
            a.records_listed
        ));
    }
    format!("the accounts do not add up: {}", out.join(", "))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::volume::filesystem::Findings;

    #[test]
    fn deleted_files_that_were_open_are_named() {
        let mut volume = rows::tests::volume(1, Format::Ext);
        let (_dir, ledger, _) = rows::tests::ledger(&[]);
        let mut findings = Findings::new();
        findings.note_many("unlinked-while-open", Weight::Sentence, None, 2, || {
            "2 files that were deleted".to_owned()
        });
        let survey = Survey {
            format: "ext4",
            label: None,
            serial: None,
            dirty: None,
            root: 2,
            bytes: volume.bytes,
            whole: true,
            findings,
            accounts: Accounts::default(),
        };
        settle(&mut volume, &survey, &ledger, &mut Vec::new()).unwrap();
        assert!(volume.rule_in_words().contains("2 files that were deleted"));
    }
}
