//! $MFT: where its records are, and reading them once, in order, in large requests.
//!
//! Invariant: only $MFT's own attribute list is followed; record 0 is read once (its mirror stands in
//! when it is unreadable); a record that could not be read is reported as unread, never skipped.

mod window;

use super::boot::Geometry;
use super::pieces::{Ground, Laid, Part, lay};
use super::raw::{span, u8_at, u16_at, u32_at, u64_at};
use super::record::{self, Attributes, BadRecord, Header, Value, kind, number_of};
use crate::port::{Fault, Sectors};
use crate::volume::filesystem::{Findings, NotSurveyed, Place, Weight};
use crate::volume::layout::Piece;
use crate::volume::stored::{Narrow, Ranges, Spot, Stored, read_narrowing};

pub use window::Window;

/// Largest attribute list that is followed (NTFS allows 256 KiB).
pub const LIST_BYTES: u64 = 256 << 10;
/// Bytes of one request while the table is read in order.
const WINDOW: u64 = 1 << 20;

/// Why a record is not there.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum NoRecord {
    /// The drive did not deliver it, or the table does not say where it is.
    Unread,
    /// It was read, but cannot be used.
    Bad(BadRecord),
}

/// The file table.
#[derive(Debug)]
pub struct Table {
    stored: Stored,
    /// Bytes of the table.
    bytes: u64,
    record_bytes: u32,
    /// The table's own bitmap, one bit for each record; empty = not readable.
    in_use: Vec<u8>,
}

/// Owned parts of one attribute of $MFT.
type Parts = Vec<(u64, u64, Vec<u8>)>;

#[derive(Default)]
struct Own {
    data: Parts,
    bytes: Option<u64>,
    bitmap: Parts,
    bitmap_bytes: Option<u64>,
    bitmap_inline: Option<Vec<u8>>,
}

impl Own {
    fn take(&mut self, record: &[u8], head: &Header) {
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

fn laid_of(ground: &Ground, parts: &Parts) -> Laid {
    let parts = parts
        .iter()
        .map(|(first, clusters, list)| Part {
            first: *first,
            clusters: *clusters,
            list,
        })
        .collect();
    lay(ground, parts, false)
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

/// Fixes a record and reads its header.
pub fn usable(record: &mut [u8]) -> Result<Header, NoRecord> {
    record::fix(record).map_err(NoRecord::Bad)?;
    record::header(record).map_err(NoRecord::Bad)
}

/// One entry of an attribute list.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Listed {
    /// Type of the attribute.
    pub kind: u32,
    /// First cluster of the part.
    pub first: u64,
    /// Record that holds it.
    pub record: u64,
    /// It has a name.
    pub named: bool,
}

/// The entries of an attribute list; `false` = it could not be read to its end.
pub fn entries(list: &[u8]) -> (Vec<Listed>, bool) {
    let mut out = Vec::new();
    let mut at = 0usize;
    while at < list.len() {
        let read = || {
            let length = usize::from(u16_at(list, at + 4)?);
            if length < 0x18 || span(list, at, length).is_none() {
                return None;
            }
            let entry = Listed {
                kind: u32_at(list, at)?,
                first: u64_at(list, at + 8)?,
                record: number_of(u64_at(list, at + 16)?),
                named: u8_at(list, at + 6)? > 0,
            };
            Some((entry, length))
        };
        match read() {
            Some((entry, length)) => {
                out.push(entry);
                at += length;
            }
            None => return (out, false),
        }
    }
    (out, true)
}

impl Table {
    /// Finds the table from record 0 (or its mirror).
    pub fn locate(
        sectors: &dyn Sectors,
        ground: &Ground,
        findings: &mut Findings,
    ) -> Result<Self, NotSurveyed> {
        let doing = "reading record 0 of the NTFS file table";
        let geometry = &ground.geometry;
        let (record, head) = record_zero(sectors, ground, findings)?;
        let mut own = Own::default();
        own.take(&record, &head);
        if let Err(fault) = follow(sectors, ground, &record, &head, &mut own, findings) {
            return Err(NotSurveyed::unread(
                "reading the attribute list of the NTFS file table",
                fault,
            ));
        }
        let Some(bytes) = own.bytes else {
            return Err(NotSurveyed::because(
                doing,
                "it does not say how long the file table is",
                "treat the volume as damaged: read the drive by the salvage route and have it examined",
            ));
        };
        let mut laid = laid_of(ground, &own.data);
        if laid.bytes < bytes {
            findings.note("file-table-incomplete", Weight::OpenPoint, Some(0), || {
                format!(
                    "the file table has {bytes} bytes, but only {} of them can be found: the files listed in the rest are missing from the listing",
                    laid.bytes
                )
            });
        }
        if let Some(trouble) = &laid.trouble {
            findings.note("file-table-damaged", Weight::OpenPoint, Some(0), || {
                format!("the file table's own place is damaged: {trouble}")
            });
        }
        laid.fit(bytes);
        let on_drive: u64 = laid
            .pieces
            .iter()
            .filter(|piece| matches!(piece, Piece::Extent { .. }))
            .fold(0, |sum, piece| sum.saturating_add(piece.bytes()));
        if on_drive > ground.geometry.bytes() {
            return Err(NotSurveyed::because(
                doing,
                "the file table is said to be larger than its volume",
                "treat the volume as damaged: read the drive by the salvage route and have it examined",
            ));
        }
        let mut table = Self {
            stored: Stored::new(laid.pieces),
            bytes,
            record_bytes: geometry.record_bytes,
            in_use: Vec::new(),
        };
        table.in_use = table
            .bitmap(sectors, ground, &own)
            .map_err(|fault| NotSurveyed::unread("reading the bitmap of the file table", fault))?;
        if table.in_use.is_empty() {
            findings.note("record-bitmap-unread", Weight::Sentence, Some(0), || {
                "the file table's own bitmap could not be read".to_owned()
            });
        }
        Ok(table)
    }

    /// The table's bitmap, as long as the records need it; empty when any of it is missing.
    fn bitmap(&self, sectors: &dyn Sectors, ground: &Ground, own: &Own) -> Result<Vec<u8>, Fault> {
        if let Some(bits) = &own.bitmap_inline {
            return Ok(bits.clone());
        }
        // Records that are on the drive at all bound what is asked for.
        let present = self.present().min(u64::from(u32::MAX));
        let wanted = own.bitmap_bytes.unwrap_or(0).min(present.div_ceil(8));
        let laid = laid_of(ground, &own.bitmap);
        if wanted == 0 || laid.trouble.is_some() || laid.bytes < wanted {
            return Ok(Vec::new());
        }
        let mut bits = vec![0u8; usize::try_from(wanted).unwrap_or(0)];
        let mut missing = Ranges::new();
        Stored::new(laid.pieces).read(sectors, 0, &mut bits, Narrow::default(), &mut missing)?;
        if missing.is_empty() {
            Ok(bits)
        } else {
            Ok(Vec::new())
        }
    }

    /// Record number behind the last record that is on the drive.
    fn present(&self) -> u64 {
        let mut end = 0u64;
        let mut at = 0u64;
        for piece in self.stored.pieces() {
            at = at.saturating_add(piece.bytes());
            if matches!(piece, Piece::Extent { .. }) {
                end = at;
            }
        }
        end / u64::from(self.record_bytes)
    }

    /// Records that the table says it has.
    pub fn records(&self) -> u64 {
        self.bytes / u64::from(self.record_bytes)
    }

    /// Bytes of one record.
    pub fn record_bytes(&self) -> u32 {
        self.record_bytes
    }

    /// What the table's own bitmap says of a record; `None` = it does not say.
    pub fn bit(&self, number: u64) -> Option<bool> {
        let byte = self.in_use.get(usize::try_from(number / 8).ok()?)?;
        Some(byte & (1 << (number % 8)) != 0)
    }

    /// Records in use by the bitmap.
    pub fn bits_set(&self) -> u64 {
        self.in_use.iter().map(|b| u64::from(b.count_ones())).sum()
    }

    /// Calls `see` with every record, in order; returns the number of records that the table does not
    /// know the place of. `see` gets the fixed record and its header, or why there is none.
    pub fn each(
        &self,
        sectors: &dyn Sectors,
        see: &mut dyn FnMut(u64, Result<(&[u8], Header), NoRecord>) -> bool,
    ) -> Result<u64, Fault> {
        let record = u64::from(self.record_bytes);
        let end = self.records().saturating_mul(record);
        let mut window = Window::new();
        let mut nowhere = 0u64;
        let mut at = 0u64;
        while at < end {
            let (spot, rest) = self.stored.spot(at);
            if spot == Spot::Lost {
                // Whole records at once: a hostile table may claim any number of them.
                let skip = rest.min(end - at).div_ceil(record);
                nowhere = nowhere.saturating_add(skip);
                at = at.saturating_add(skip.saturating_mul(record));
                continue;
            }
            window.load(sectors, &self.stored, at, end)?;
            while at < window.end() {
                if !see(at / record, window.record(at, self.record_bytes)) {
                    return Ok(nowhere);
                }
                at += record;
            }
        }
        Ok(nowhere)
    }

    /// One record, through a window that is moved when it does not hold it.
    pub fn record<'w>(
        &self,
        sectors: &dyn Sectors,
        window: &'w mut Window,
        number: u64,
    ) -> Result<Result<(&'w [u8], Header), NoRecord>, Fault> {
        let record = u64::from(self.record_bytes);
        let at = number.saturating_mul(record);
        let end = self.records().saturating_mul(record);
        if at >= end {
            return Ok(Err(NoRecord::Unread));
        }
        if !window.holds(at, self.record_bytes) {
            window.load(sectors, &self.stored, at, end)?;
        }
        Ok(window.record(at, self.record_bytes))
    }
}

/// Record 0, or its mirror.
fn record_zero(
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
                    Err(NoRecord::Bad(BadRecord::Header)) | Ok(_) => "it contradicts itself",
                }
            ),
            "treat the volume as damaged: read the drive by the salvage route and have it examined",
        )),
    }
}

/// Follows $MFT's own attribute list.
fn follow(
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
        } => read_list(sectors, ground, first, last, sizes.map(|s| s.real), list)?,
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

/// Reads an attribute list kept in clusters; `None` = (partly) unreadable or too long.
pub fn read_list(
    sectors: &dyn Sectors,
    ground: &Ground,
    first: u64,
    last: u64,
    real: Option<u64>,
    list: &[u8],
) -> Result<Option<Vec<u8>>, Fault> {
    let part = Part {
        first,
        clusters: last.wrapping_add(1).saturating_sub(first),
        list,
    };
    let laid = lay(ground, vec![part], false);
    let bytes = real.unwrap_or(u64::MAX);
    if laid.trouble.is_some() || bytes > laid.bytes.min(LIST_BYTES) {
        return Ok(None);
    }
    let mut out = vec![0u8; usize::try_from(bytes).unwrap_or(0)];
    let mut missing = Ranges::new();
    Stored::new(laid.pieces).read(sectors, 0, &mut out, Narrow::default(), &mut missing)?;
    Ok(missing.is_empty().then_some(out))
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
