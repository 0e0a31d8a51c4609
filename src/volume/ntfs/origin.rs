//! Where everything begins: the boot sector or its copy, and record 0 or its mirror.
//!
//! Invariant: the copies are used only when the originals cannot be, or know less, and that is said.

use super::boot::Geometry;
use super::pieces::{Ground, Laid, Part, lay};
use super::record::{Attributes, BadRecord, Header, Value, kind, number_of};
use super::table::{NoRecord, entries, read_list, usable};
use crate::port::{Fault, Sectors};
use crate::volume::filesystem::{Findings, NotSurveyed, Place, Weight};
use crate::volume::stored::{Narrow, Ranges, Spot, Stored, read_narrowing};

/// Owned parts of one attribute of $MFT.
type Parts = Vec<(u64, u64, Vec<u8>)>;

/// What $MFT's records say of $MFT itself.
#[derive(Default)]
pub(super) struct Own {
    pub(super) data: Parts,
    pub(super) bytes: Option<u64>,
    pub(super) bitmap: Parts,
    pub(super) bitmap_bytes: Option<u64>,
    pub(super) bitmap_inline: Option<Vec<u8>>,
}

impl Own {
    pub(super) fn take(&mut self, record: &[u8], head: &Header) {
        for attribute in Attributes::new(record, head).flatten() {
            let (parts, bytes) = match attribute.kind {
                kind::DATA if attribute.name.is_empty() => (&mut self.data, &mut self.bytes),
                kind::BITMAP if attribute.name.is_empty() => {
                    if let Value::Resident(bits) = attribute.value {
                        self.bitmap_inline = Some(bits.to_vec());
                    }
                    (&mut self.bitmap, &mut self.bitmap_bytes)
                }
                _ => continue,
            };
            if let Value::Runs {
                first,
                last,
                sizes,
                list,
                ..
            } = attribute.value
            {
                let clusters = last.wrapping_add(1).saturating_sub(first);
                parts.push((first, clusters, list.to_vec()));
                if let Some(sizes) = sizes {
                    *bytes = Some(sizes.real);
                }
            }
        }
    }
}

pub(super) fn laid_of(ground: &Ground, parts: &Parts) -> Laid {
    let parts: Vec<_> = parts
        .iter()
        .map(|(first, clusters, list)| Part {
            first: *first,
            clusters: *clusters,
            list,
        })
        .collect();
    lay(ground, &parts, false)
}

/// Reads one record at a byte of the drive.
fn record_at(
    sectors: &dyn Sectors,
    at: u64,
    bytes: u32,
) -> Result<Result<(Vec<u8>, Header), NoRecord>, Fault> {
    let mut record = vec![0u8; bytes as usize];
    let mut missing = Ranges::new();
    read_narrowing(sectors, at, &mut record, Narrow::default(), &mut missing)?;
    if !missing.is_empty() {
        return Ok(Err(NoRecord::Unread));
    }
    Ok(usable(&mut record).map(|head| (record, head)))
}

/// The mirror's copy of one of the first records.
pub(super) fn mirror(
    sectors: &dyn Sectors,
    ground: &Ground,
    number: u64,
) -> Result<Result<(Vec<u8>, Header), NoRecord>, Fault> {
    let bytes = ground.geometry.record_bytes;
    let from = ground
        .geometry
        .mirror_cluster
        .saturating_mul(ground.geometry.cluster_bytes)
        .saturating_add(number.saturating_mul(bytes.into()));
    if from.saturating_add(bytes.into()) > ground.place.bytes {
        return Ok(Err(NoRecord::Unread));
    }
    record_at(sectors, ground.place.first_byte.saturating_add(from), bytes)
}

/// Record 0, or its mirror.
pub(super) fn record_zero(
    sectors: &dyn Sectors,
    ground: &Ground,
    findings: &mut Findings,
) -> Result<(Vec<u8>, Header), NotSurveyed> {
    let doing = "reading record 0 of the NTFS file table";
    let Geometry {
        cluster_bytes,
        record_bytes,
        table_cluster,
        mirror_cluster,
        ..
    } = ground.geometry;
    let read = |cluster: u64| {
        let from = cluster.saturating_mul(cluster_bytes);
        if from.saturating_add(record_bytes.into()) > ground.place.bytes {
            return Ok(Err(NoRecord::Unread));
        }
        record_at(
            sectors,
            ground.place.first_byte.saturating_add(from),
            record_bytes,
        )
    };
    // What a sound record says the table's length is.
    let says = |record: &Result<(Vec<u8>, Header), NoRecord>| {
        let (bytes, head) = record.as_ref().ok()?;
        let mut own = Own::default();
        own.take(bytes, head);
        let sound = head.in_use && head.base == 0 && own.data.iter().any(|(first, ..)| *first == 0);
        own.bytes.filter(|_| sound)
    };
    let sound = |record: &Result<(Vec<u8>, Header), NoRecord>| says(record).is_some();
    let first = read(table_cluster).map_err(|fault| NotSurveyed::unread(doing, fault))?;
    let mirror = read(mirror_cluster).map_err(|fault| NotSurveyed::unread(doing, fault))?;
    match (first, mirror) {
        // A table only ever grows: the smaller of two lengths is the one that was damaged, or left behind.
        (first, mirror) if says(&first).is_some_and(|own| says(&mirror) > Some(own)) => {
            findings.note("mirror-used", Weight::OpenPoint, Some(0), || {
                format!(
                    "record 0 of the file table says that the table has {} bytes, its mirror {}: the mirror was used",
                    says(&first).unwrap_or(0),
                    says(&mirror).unwrap_or(0)
                )
            });
            mirror.map_err(|_| NotSurveyed::because(doing, "it is gone", "try again"))
        }
        (first, mirror) if sound(&first) => {
            let first = first.map_err(|_| ());
            if let (Ok((a, _)), Ok((b, _))) = (&first, &mirror)
                && a != b
            {
                findings.note("mirror-differs", Weight::Sentence, Some(0), || {
                    "record 0 of the file table and its mirror differ".to_owned()
                });
            }
            first.map_err(|()| NotSurveyed::because(doing, "it is gone", "try again"))
        }
        (_, mirror) if sound(&mirror) => {
            findings.note("mirror-used", Weight::OpenPoint, Some(0), || {
                "record 0 of the file table is damaged or unreadable; its mirror was used"
                    .to_owned()
            });
            mirror.map_err(|_| NotSurveyed::because(doing, "it is gone", "try again"))
        }
        (first, _) => Err(NotSurveyed::because(
            doing,
            format!(
                "neither it nor its mirror is usable ({})",
                match first {
                    Err(NoRecord::Unread) => "unreadable",
                    Err(NoRecord::Bad(BadRecord::Signature)) => "no record there",
                    Err(NoRecord::Bad(BadRecord::Torn)) => "written only in part",
                    Err(NoRecord::Bad(BadRecord::Header) | NoRecord::Freed) | Ok(_) => {
                        "it contradicts itself"
                    }
                }
            ),
            "treat the volume as damaged: read the drive by the salvage route and have it examined",
        )),
    }
}

/// Follows $MFT's own attribute list.
pub(super) fn follow(
    sectors: &dyn Sectors,
    ground: &Ground,
    record: &[u8],
    head: &Header,
    own: &mut Own,
    findings: &mut Findings,
) -> Result<(), Fault> {
    let Some(list) = Attributes::new(record, head)
        .flatten()
        .find(|attribute| attribute.kind == kind::ATTRIBUTE_LIST)
    else {
        return Ok(());
    };
    let list = match list.value {
        Value::Resident(list) => Some(list.to_vec()),
        Value::Runs {
            first,
            last,
            sizes,
            list,
            ..
        } => {
            let part = Part {
                first,
                clusters: last.wrapping_add(1).saturating_sub(first),
                list,
            };
            read_list(sectors, ground, part, sizes.map(|s| s.real))?
        }
    };
    let Some(list) = list else {
        findings.note("file-table-damaged", Weight::OpenPoint, Some(0), || {
            "the file table's own attribute list could not be read".to_owned()
        });
        return Ok(());
    };
    let (mut wanted, _) = entries(&list);
    wanted.retain(|entry| {
        entry.record != 0 && !entry.named && matches!(entry.kind, kind::DATA | kind::BITMAP)
    });
    // Parts of the table come first and in order: each can only lie in what is known so far.
    wanted.sort_by_key(|entry| (entry.kind, entry.first));
    let mut seen = std::collections::BTreeSet::new();
    let mut stored = Stored::new(laid_of(ground, &own.data).pieces);
    for entry in wanted {
        if !seen.insert(entry.record) {
            continue;
        }
        let at = entry
            .record
            .saturating_mul(ground.geometry.record_bytes.into());
        if matches!(stored.spot(at).0, Spot::Lost) {
            stored = Stored::new(laid_of(ground, &own.data).pieces);
        }
        let mut bytes = vec![0u8; ground.geometry.record_bytes as usize];
        let mut missing = Ranges::new();
        stored.read(sectors, at, &mut bytes, Narrow::default(), &mut missing)?;
        let got = if missing.is_empty() {
            usable(&mut bytes)
        } else {
            Err(NoRecord::Unread)
        };
        match got {
            Ok(head) if head.in_use && number_of(head.base) == 0 && head.base != 0 => {
                own.take(&bytes, &head);
            }
            _ => findings.note(
                "file-table-damaged",
                Weight::OpenPoint,
                Some(entry.record),
                || format!("record {}, which holds a part of the file table's own place, is not usable", entry.record),
            ),
        }
    }
    Ok(())
}

/// The boot sector or its copy at the end of the partition.
pub fn geometry(
    sectors: &dyn Sectors,
    place: Place,
    findings: &mut Findings,
) -> Result<Geometry, NotSurveyed> {
    let doing = "reading the NTFS boot sector";
    let read = |at: u64| -> Result<Option<Vec<u8>>, NotSurveyed> {
        let mut bytes = vec![0u8; 512];
        let mut missing = Ranges::new();
        read_narrowing(sectors, at, &mut bytes, Narrow::default(), &mut missing)
            .map_err(|fault| NotSurveyed::unread(doing, fault))?;
        Ok(missing.is_empty().then_some(bytes))
    };
    if place.bytes < 4096 {
        return Err(NotSurveyed::because(
            doing,
            format!("the partition has only {} bytes", place.bytes),
            "check the partition table",
        ));
    }
    let first = read(place.first_byte)?.map(|bytes| Geometry::parse(&bytes));
    // The copy lies in the last sector; its size is known only from the copy itself.
    let mut copy = None;
    for sector in [u64::from(sectors.sector_bytes()), 512, 1024, 2048, 4096] {
        let at = place.end().saturating_sub(sector);
        if let Some(Ok(found)) = read(at)?.map(|bytes| Geometry::parse(&bytes)) {
            copy = Some(found);
            break;
        }
    }
    let usable = |g: &Geometry| {
        let ground = Ground {
            geometry: *g,
            place,
        };
        record_zero(sectors, &ground, &mut Findings::new()).is_ok()
    };
    let why = match first {
        Some(Ok(g)) => match copy {
            Some(other) if other == g => return Ok(g),
            None => {
                findings.note("boot-copy-missing", Weight::Sentence, Some(7), || {
                    "there is no copy of the boot sector in the last sector of the partition"
                        .to_owned()
                });
                return Ok(g);
            }
            Some(other) => {
                findings.note("boot-copy-differs", Weight::OpenPoint, Some(7), || {
                    "the boot sector and its copy give different sizes".to_owned()
                });
                return Ok(if !usable(&g) && usable(&other) {
                    other
                } else {
                    g
                });
            }
        },
        Some(Err(no)) => no.to_string(),
        None => "the drive did not deliver it".to_owned(),
    };
    match copy {
        Some(copy) => {
            findings.note("boot-copy-used", Weight::OpenPoint, Some(7), || {
                format!("the boot sector is damaged ({why}); its copy was used")
            });
            Ok(copy)
        }
        None => Err(NotSurveyed::because(
            doing,
            why,
            "look whether another format is there; if it was NTFS, have the volume examined",
        )),
    }
}
