//! Where everything begins: the boot sector or its copy, and record 0 or its mirror.
//!
//! Invariant: the copies are used only when the originals cannot be, and that is said.

use super::boot::Geometry;
use super::pieces::Ground;
use super::record::{BadRecord, Header};
use super::table::{NoRecord, Own, usable};
use crate::port::{Fault, Sectors};
use crate::volume::filesystem::{Findings, NotSurveyed, Place, Weight};
use crate::volume::stored::{Narrow, Ranges, read_narrowing};

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
    let sound = |record: &Result<(Vec<u8>, Header), NoRecord>| match record {
        Ok((bytes, head)) => {
            let mut own = Own::default();
            own.take(bytes, head);
            head.in_use
                && head.base == 0
                && own.bytes.is_some()
                && own.data.iter().any(|(first, ..)| *first == 0)
        }
        Err(_) => false,
    };
    let first = read(table_cluster).map_err(|fault| NotSurveyed::unread(doing, fault))?;
    let mirror = read(mirror_cluster).map_err(|fault| NotSurveyed::unread(doing, fault))?;
    match (first, mirror) {
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
