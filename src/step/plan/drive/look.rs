//! Looking at one drive: its tables, each partition's content, each gap.

use super::kept::{Format, GapKept, PointKept, VolumeKept};
use super::overlay;
use crate::job::Job;
use crate::port::Sectors;
use crate::step::event::{Event, Tell};
use crate::step::outcome::{GapContent as Content, VolumeState as State};
use crate::survey::mounted::Mounted;
use crate::value::measure::bytes_in_words;
use crate::volume::filesystem::{Place, Weight};
use crate::volume::gap::{
    Budget, Candidate, GapContent, GapLook, behind, look as look_at, outside as gap_outside,
};
use crate::volume::map::{self, AreaKind, Map, Partition, Scheme};
use crate::volume::signature::{Hit, Probe, VolumeState, What, deciding, judge, probe};
use std::sync::Arc;

/// A gap or a partition without a signature is read up to here; more would only prove what is an open point anyway.
const BUDGET: Budget = Budget { bytes: 8 << 30 };

/// Everything found on the drives so far.
#[derive(Debug, Default)]
pub struct Looked {
    /// Volumes.
    pub volumes: Vec<VolumeKept>,
    /// Gaps.
    pub gaps: Vec<GapKept>,
    /// What is open.
    pub points: Vec<PointKept>,
    /// What an installation's list of drive letters knows volumes by, with their numbers.
    pub signs: Vec<(i64, Mounted)>,
}

/// Looks at drive `drive`.
pub fn look(
    job: &Job<'_>,
    drive: usize,
    sectors: &Arc<dyn Sectors>,
    found: &mut Looked,
    tell: Tell<'_>,
) {
    let map = map::read(sectors.as_ref());
    let (open, said): (Vec<_>, Vec<_>) = map
        .findings
        .list()
        .iter()
        .partition(|finding| finding.weight == Weight::OpenPoint);
    if !open.is_empty() {
        // One point for a drive's tables, with everything that is wrong with them.
        let words: Vec<String> = open.iter().map(|finding| finding.words()).collect();
        let evidence: Vec<String> = open
            .iter()
            .map(|finding| {
                format!(
                    "{} ({} times): {}",
                    finding.id,
                    finding.count,
                    finding.words()
                )
            })
            .collect();
        let what = if open.iter().all(|finding| finding.id == "table-unread") {
            ("a table", "was not read")
        } else {
            ("the tables", "do not agree")
        };
        found.points.push(PointKept {
            id: "tables-disagree".into(),
            volume: String::new(),
            says: format!("{} of drive {} {}: {}", what.0, drive + 1, what.1, words.join("; ")),
            lost: "a part of the drive may be hidden from the list".into(),
            evidence: format!("drive {}: {}", drive + 1, evidence.join("; ")),
            remedy: "look at the list of volumes, then:\nholdpoint waive JOB --point tables-disagree --decided-by owner --how signed --name NAME --reason TEXT".into(),
            bytes: 0,
        });
    }
    let said: Vec<String> = said.iter().map(|finding| finding.words()).collect();
    for says in &said {
        tell(Event::Warn {
            says: format!("drive {}: {says}", drive + 1),
        });
    }
    let first_of_drive = found.volumes.len();
    let mut partitions: Vec<&Partition> = map.partitions.iter().collect();
    partitions.sort_by_key(|partition| (partition.place.first_byte, partition.number));
    for (index, partition) in (1u32..).zip(partitions) {
        tell(Event::Counted {
            what: "partitions looked at".into(),
            done: u64::from(index),
            all: Some(map.partitions.len() as u64),
        });
        let number = found.volumes.len() as i64 + 1;
        let volume = look_at_partition(
            job,
            drive,
            index,
            number,
            partition,
            sectors.as_ref(),
            &mut found.points,
        );
        found
            .signs
            .extend(sign(&map, partition).map(|sign| (number, sign)));
        let is_swap = volume.state == State::NoUserData && volume.rule == "swap";
        found.volumes.push(volume);
        if is_swap {
            swap(job, drive, sectors.as_ref(), partition.place, found);
        }
    }
    if let Some(first) = found.volumes.get_mut(first_of_drive) {
        let said = said
            .iter()
            .map(|says| format!("about the whole drive: {says}"));
        first.notes.extend(said);
    }
    if map.partitions.is_empty() && !sectors_blank(sectors.as_ref()) {
        found.points.push(PointKept {
            id: "volume-unrecognised".into(),
            volume: String::new(),
            says: format!("drive {} has no partition table, and its first sector is none of the volumes that this program knows", drive + 1),
            lost: format!("whatever lies on it ({})", bytes_in_words(sectors.bytes())),
            evidence: format!("drive {}: nothing recognised at byte 0", drive + 1),
            remedy: "ask the owner what is on it; let a specialist look, or else:\nholdpoint waive JOB --point volume-unrecognised --decided-by owner --how signed --name NAME --reason TEXT".into(),
            bytes: sectors.bytes(),
        });
    }
    for area in map.areas.iter().filter(|area| area.kind == AreaKind::Gap) {
        let place = area.place();
        let whence = "between the partitions";
        let kept = gap(job, drive, sectors.as_ref(), place, whence, found);
        found.gaps.push(kept);
    }
    let tables = |kind| matches!(kind, AreaKind::Table(_));
    for area in map.areas.iter().filter(|area| tables(area.kind)) {
        found.gaps.push(GapKept {
            drive,
            first_byte: area.first_byte,
            bytes: area.bytes,
            content: Content::Table,
        });
    }
}

/// What a list of drive letters knows a partition by; `None` = nothing that tells it from others.
fn sign(map: &Map, partition: &Partition) -> Option<Mounted> {
    if let Some(guid) = partition.unique {
        return Some(Mounted::Gpt(guid.0));
    }
    let disk = map
        .disk_id
        .as_deref()
        .filter(|_| map.scheme == Scheme::Mbr)?;
    let disk = u32::from_str_radix(disk, 16)
        .ok()
        .filter(|disk| *disk != 0)?;
    Some(Mounted::Mbr {
        disk,
        first_byte: partition.place.first_byte,
    })
}

/// A swap area is no proof of what lies in and behind it: its header is a page, and only that page is ever written anew.
fn swap(job: &Job<'_>, drive: usize, sectors: &dyn Sectors, place: Place, found: &mut Looked) {
    let own = probe(sectors, place)
        .leading()
        .and_then(|hit| hit.bytes)
        .map_or(place.bytes, |bytes| bytes.min(place.bytes));
    // Pages of memory are not told from content; what looks like the start of a volume is.
    let inside = Place {
        first_byte: place.first_byte,
        bytes: own,
    };
    let seen = look_at(sectors, inside, BUDGET);
    for candidate in &seen.candidates {
        if candidate.first_byte > place.first_byte {
            lost_volume(drive, candidate, place, found);
        }
    }
    if let Some(tail) = behind(place, own) {
        gap(job, drive, sectors, tail, "behind a swap area", found);
    }
}

/// A volume that no table names, as a point of its own: giving it up gives up nothing beside it.
fn lost_volume(drive: usize, candidate: &Candidate, within: Place, found: &mut Looked) {
    let bytes = candidate
        .bytes
        .unwrap_or(within.end().saturating_sub(candidate.first_byte));
    let at = candidate.first_byte;
    found.points.push(PointKept {
        id: "lost-volume".into(),
        volume: String::new(),
        says: format!(
            "a lost volume ({}) seems to begin at byte {at} of drive {}{}",
            candidate.what.word(),
            drive + 1,
            if candidate.by_backup {
                "; only the copy of its first sector is left"
            } else {
                ""
            }
        ),
        lost: bytes_in_words(bytes),
        evidence: format!("drive {}, byte {at}, {bytes} bytes", drive + 1),
        remedy: "ask the owner about earlier partitions, then:\nholdpoint waive JOB --point lost-volume --decided-by owner --how signed --name NAME --reason TEXT".into(),
        bytes,
    });
}

fn sectors_blank(sectors: &dyn Sectors) -> bool {
    let place = Place {
        first_byte: 0,
        bytes: sectors.bytes(),
    };
    sectors.bytes() <= BUDGET.bytes && look_at(sectors, place, BUDGET).is_blank()
}

#[allow(clippy::too_many_arguments)] // numbers of one partition, and where its points go
fn look_at_partition(
    job: &Job<'_>,
    drive: usize,
    index: u32,
    number: i64,
    partition: &Partition,
    sectors: &dyn Sectors,
    points: &mut Vec<PointKept>,
) -> VolumeKept {
    let place = partition.place;
    let probed = probe(sectors, place);
    // Without any signature only reading all of it can show that it is blank.
    let whole: Option<GapLook> = probed
        .hits
        .is_empty()
        .then(|| look_at(sectors, place, BUDGET));
    let (state, findings) = judge(partition.kind, place.bytes, &probed, whole.as_ref());
    let leading = deciding(place.bytes, &probed);
    let mut volume = VolumeKept {
        number,
        drive,
        index,
        first_byte: place.first_byte,
        bytes: place.bytes,
        reach: leading.and_then(|hit| hit.bytes).unwrap_or(0),
        boot_at: 0,
        format: Format::None,
        kind: leading.map_or_else(
            || partition.kind.in_words(),
            |hit| hit.what.word().to_owned(),
        ),
        label: leading.and_then(|hit| hit.label.clone()).or_else(|| {
            partition
                .name
                .as_ref()
                .map(|name| name.text())
                .filter(|name| !name.is_empty())
        }),
        state: State::Unrecognised,
        rule: String::new(),
        notes: findings
            .list()
            .iter()
            .filter(|finding| finding.weight == Weight::Sentence)
            .map(|finding| finding.words())
            .collect(),
    };
    if partition.overlaps {
        volume
            .notes
            .push("it shares bytes with another partition".to_owned());
    }
    for finding in findings
        .list()
        .iter()
        .filter(|finding| finding.weight == Weight::OpenPoint)
    {
        points.push(PointKept::of_volume(
            "volume-partly-surveyed",
            &volume,
            &finding.words(),
            "look at the volume by hand",
        ));
    }
    match state {
        VolumeState::Readable(what) => {
            volume.format = format_of(what);
            volume.rule = "read directly".into();
        }
        VolumeState::Damaged { what, boot_at, why } => {
            volume.format = format_of(what);
            volume.boot_at = boot_at;
            volume.rule = why.clone();
            points.push(PointKept::of_volume(
                "volume-partly-surveyed",
                &volume,
                &why,
                "the list comes from its backup; ask the owner whether anything is missing",
            ));
        }
        VolumeState::HoldsNoUserData { rule } => {
            volume.state = State::NoUserData;
            volume.rule = rule.to_owned();
        }
        VolumeState::Locked(_) => {
            volume.state = State::Locked;
            volume.rule = protectors(&probed);
            let next = format!(
                "have the owner look up the key ({}), unlock the volume, and give the opened volume as a drive or folder",
                volume.rule
            );
            let point = PointKept::of_volume("volume-locked", &volume, &volume.rule, &next);
            points.push(point);
        }
        VolumeState::Unrecognised { why, next } => {
            volume.state = State::Unrecognised;
            volume.rule = why.clone();
            volume.format = leading.map_or(Format::None, overlay::format_of);
            let kept = job.setup.drives.get(drive);
            let by_mount = leading.zip(kept).and_then(|(hit, kept)| {
                let serial = kept.serial.as_deref().unwrap_or_default();
                overlay::commands(hit, &volume, kept.path.path().as_os_str(), serial)
            });
            points.push(PointKept::of_volume(
                "volume-unrecognised",
                &volume,
                &why,
                by_mount.as_deref().unwrap_or(next),
            ));
        }
    }
    volume
}

/// What the owner must look up to open a locked volume, as far as the format tells it in clear.
fn protectors(probe: &Probe) -> String {
    let hits: Vec<&Hit> = probe
        .hits
        .iter()
        .filter(|hit| {
            // A file system's id beside the lock is no key.
            let locks = [
                What::BitLocker,
                What::BitLockerToGo,
                What::Luks1,
                What::Luks2,
            ];
            locks.contains(&hit.what) && (!hit.protectors.is_empty() || hit.id.is_some())
        })
        .collect();
    let (mut keys, mut ids) = (Vec::new(), Vec::new());
    for hit in hits {
        for protector in &hit.protectors {
            keys.push(format!("{} {}", protector.kind.in_words(), protector.id));
        }
        if hit.protectors.is_empty()
            && let Some(id) = &hit.id
        {
            ids.push(format!("{} {id}", hit.what.word()));
        }
    }
    let known: Vec<String> = [("key protector", keys), ("volume id", ids)]
        .into_iter()
        .filter(|(_, all)| !all.is_empty())
        .map(|(what, all)| format!("{what} {}", all.join(", ")))
        .collect();
    if known.is_empty() {
        "the format does not say which key is needed".into()
    } else {
        known.join("; ")
    }
}

fn format_of(what: What) -> Format {
    match what {
        What::Ntfs => Format::Ntfs,
        What::Fat12 | What::Fat16 | What::Fat32 => Format::Fat,
        What::ExFat => Format::ExFat,
        What::Ext2 | What::Ext3 | What::Ext4 => Format::Ext,
        _ => Format::None,
    }
}

/// Looks at a stretch that belongs to no volume, or to none of its file system, and notes what that leaves open.
pub fn gap(
    job: &Job<'_>,
    drive: usize,
    sectors: &dyn Sectors,
    place: Place,
    whence: &str,
    found: &mut Looked,
) -> GapKept {
    const MIB: u64 = 1 << 20;
    let seen = look_at(sectors, place, BUDGET);
    let limits = &job.policy.survey;
    let size = bytes_in_words(place.bytes);
    let known: Vec<u64> = found
        .volumes
        .iter()
        .filter(|volume| volume.drive == drive)
        .map(|volume| volume.first_byte)
        .collect();
    let candidates: Vec<_> = seen
        .candidates
        .iter()
        .filter(|candidate| !known.contains(&candidate.first_byte))
        .collect();
    let at = place.first_byte;
    for candidate in &candidates {
        lost_volume(drive, candidate, place, found);
    }
    // What lies beside the volumes found is judged like any other gap.
    let rest: Vec<GapLook> = if candidates.is_empty() {
        vec![seen.clone()]
    } else {
        gap_outside(place, &seen.candidates)
            .into_iter()
            .map(|place| look_at(sectors, place, BUDGET))
            .collect()
    };
    let sum = |part: fn(&GapLook) -> u64| rest.iter().map(part).fold(0, u64::saturating_add);
    let (content, unread) = (sum(|look| look.content), sum(|look| look.unread));
    let (beyond, leapt) = (sum(|look| look.beyond), sum(|look| look.leapt));
    let beside = if candidates.is_empty() {
        ""
    } else {
        " beside the lost volumes in it"
    };
    let mut add = |id: &str, says: String, bytes: u64| {
        found.points.push(PointKept {
            id: id.to_owned(),
            volume: String::new(),
            says,
            lost: bytes_in_words(bytes),
            evidence: format!("drive {}, byte {}, {} bytes{beside}", drive + 1, place.first_byte, place.bytes),
            remedy: format!("ask the owner about earlier partitions, then:\nholdpoint waive JOB --point {id} --decided-by owner --how signed --name NAME --reason TEXT"),
            bytes,
        });
    };
    let content_from = u64::from(limits.gap_content_mib.get()) * MIB;
    let first = rest.iter().find_map(|look| look.first_content);
    if let Some(first) = first
        && content >= content_from
    {
        add(
            "gap-with-content",
            format!(
                "a gap of {size} {whence}, at byte {at} of drive {}, holds {} of content{beside} from byte {first} on",
                drive + 1,
                bytes_in_words(content)
            ),
            content,
        );
    }
    if unread > 0 && unread >= u64::from(limits.gap_unread_mib.get()) * MIB {
        add(
            "gap-unread",
            format!(
                "{} of a gap {whence}, at byte {at} of drive {}, {}",
                bytes_in_words(unread),
                drive + 1,
                why_unread(unread, beyond, leapt)
            ),
            unread,
        );
    }
    let content = match seen.content() {
        GapContent::Blank => Content::Blank,
        // Too little content for a point says nothing about what was not read.
        GapContent::Content { bytes, .. } if seen.unread > 0 && bytes < content_from => {
            Content::Unread
        }
        GapContent::Content { .. } => Content::Content,
        GapContent::Unread { .. } => Content::Unread,
    };
    GapKept {
        drive,
        first_byte: at,
        bytes: place.bytes,
        content,
    }
}

/// Why `unread` bytes of a gap are not known: `beyond` of them were not asked for because there is a limit, `leapt`
/// because the drive did not answer around them.
fn why_unread(unread: u64, beyond: u64, leapt: u64) -> String {
    let mut parts = Vec::new();
    if beyond > 0 {
        let limit = bytes_in_words(BUDGET.bytes);
        parts.push((
            beyond,
            format!("were not looked at: of one gap the first {limit} are read"),
        ));
    }
    if leapt > 0 {
        let why = "were not asked for, because the drive did not answer around them";
        parts.push((leapt, why.to_owned()));
    }
    let failed = unread.saturating_sub(beyond).saturating_sub(leapt);
    if failed > 0 {
        parts.push((failed, "could not be read".to_owned()));
    }
    match parts.as_slice() {
        [(_, why)] => why.clone(),
        _ => {
            let each: Vec<String> = parts
                .iter()
                .map(|(bytes, why)| format!("{} {why}", bytes_in_words(*bytes)))
                .collect();
            format!("are not known: {}", each.join("; "))
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_id_of_a_lock_is_no_key() {
        let mut hit = probed_hit(What::Luks2);
        hit.id = Some("1b4e28ba".into());
        let probe = Probe {
            hits: vec![hit],
            unread_bytes: 0,
        };
        assert_eq!(protectors(&probe), "volume id LUKS2 1b4e28ba");
    }

    fn probed_hit(what: What) -> Hit {
        Hit {
            what,
            at: 0,
            bytes: None,
            label: None,
            id: None,
            damaged: None,
            note: None,
            protectors: Vec::new(),
        }
    }

    #[test]
    fn what_nobody_asked_for_is_not_called_unreadable() {
        assert_eq!(why_unread(5 << 30, 0, 0), "could not be read");
        assert_eq!(
            why_unread(5 << 30, 5 << 30, 0),
            "were not looked at: of one gap the first 8.59 GB are read"
        );
        assert_eq!(
            why_unread(5 << 30, 3 << 30, 1 << 30),
            "are not known: 3.22 GB were not looked at: of one gap the first 8.59 GB are read; 1.07 GB were not asked for, because the drive did not answer around them; 1.07 GB could not be read"
        );
    }
}
