//! Puts a map together from every table that a drive has.

use super::guid::Guid;
use super::{AreaKind, Map, Partition, PartitionType, Scheme, Source, TableKind, areas, gpt, mbr};
use crate::port::Sectors;
use crate::volume::filesystem::{Findings, Place, Weight};
use crate::volume::signature;
use std::collections::HashMap;

/// Reads every table of a drive and divides it. Never fails: what cannot be read is a finding,
/// and the bytes concerned are gaps.
pub fn read(sectors: &dyn Sectors) -> Map {
    let mut build = Build {
        sectors,
        drive_bytes: sectors.bytes(),
        findings: Findings::new(),
        partitions: Vec::new(),
        tables: Vec::new(),
        by_place: HashMap::new(),
    };
    let first = build.first_sector();
    let tables = build.find_gpt();
    let unit = tables
        .first()
        .map(|(_, header)| header.unit)
        .unwrap_or_else(|| build.mbr_unit(&first));
    let has_gpt = !tables.is_empty();
    let disk_id = tables.first().map(|(_, header)| header.disk.to_string());
    build.take_gpt(&tables);
    let mbr = mbr::read(sectors, &first, unit, &mut build.findings);
    build.take_mbr(mbr.as_ref(), unit, has_gpt);
    build.take_whole_drive(&first, mbr.is_some(), has_gpt);
    build.mark_overlaps();
    let named_by_mbr = mbr.as_ref().is_some_and(|mbr| !mbr.entries.is_empty());
    let scheme = match (has_gpt, mbr.is_some(), named_by_mbr) {
        (true, _, true) => Scheme::Both,
        (true, _, false) => Scheme::Gpt,
        (false, true, _) => Scheme::Mbr,
        (false, false, _) => Scheme::None,
    };
    let disk_id = disk_id.or_else(|| mbr.map(|mbr| format!("{:08x}", mbr.disk_id)));
    let by_partitions = build
        .partitions
        .iter()
        .enumerate()
        .map(|(index, partition)| (partition.place, AreaKind::Partition(index)));
    let by_tables = build
        .tables
        .iter()
        .map(|(place, kind)| (*place, AreaKind::Table(*kind)));
    let areas = areas::cut(build.drive_bytes, by_partitions.chain(by_tables));
    Map {
        areas,
        partitions: build.partitions,
        scheme,
        table_sector_bytes: unit,
        disk_id,
        findings: build.findings,
    }
}

/// The sector sizes that tables are tried with, what the drive says first.
fn units(sectors: &dyn Sectors) -> Vec<u32> {
    let own = sectors.sector_bytes();
    let mut units = vec![512, 4096];
    if (512..=65_536).contains(&own) {
        units.retain(|unit| *unit != own);
        units.insert(0, own);
    }
    units
}

struct Build<'a> {
    sectors: &'a dyn Sectors,
    drive_bytes: u64,
    findings: Findings,
    partitions: Vec<Partition>,
    tables: Vec<(Place, TableKind)>,
    by_place: HashMap<(u64, u64), usize>,
}

impl Build<'_> {
    fn first_sector(&mut self) -> Vec<u8> {
        let mut first = vec![0u8; 512];
        if self.drive_bytes >= 512
            && let Err(fault) = self.sectors.read_at(0, &mut first)
        {
            self.findings.note("table-unread", Weight::OpenPoint, None, || {
                format!("sector 0 could not be read ({fault}); partitions named only there are not known")
            });
            first.fill(0);
        }
        first
    }

    /// All whole headers, the primary before the backup.
    fn find_gpt(&mut self) -> Vec<(Source, gpt::Header)> {
        let mut found: Vec<(Source, gpt::Header)> = Vec::new();
        let mut places = Vec::new();
        for unit in units(self.sectors) {
            places.push((Source::GptPrimary, u64::from(unit), unit));
        }
        for unit in units(self.sectors) {
            let sectors = self.drive_bytes / u64::from(unit);
            if let Some(last) = sectors.checked_sub(1) {
                places.push((Source::GptBackup, last * u64::from(unit), unit));
            }
        }
        let mut next = 0;
        while let Some((source, at, unit)) = places.get(next).copied() {
            next += 1;
            if found.iter().any(|(_, header)| header.at == at) {
                continue;
            }
            match gpt::header(self.sectors, at, unit) {
                gpt::Look::Absent => {}
                gpt::Look::Unread(fault) => {
                    if unit == self.sectors.sector_bytes() {
                        self.findings.note("table-unread", Weight::OpenPoint, None, || {
                            format!("byte {at}, where a GUID partition table may lie, could not be read: {fault}")
                        });
                    }
                }
                // With another sector size the same place is no header; only the drive's own size makes it a damaged one.
                gpt::Look::Damaged(why) => {
                    if unit == self.sectors.sector_bytes() || next > 2 * units(self.sectors).len() {
                        self.findings.note("gpt-header-damaged", Weight::Sentence, None, || {
                            format!("the GUID partition table header at byte {at} does not hold: {why}")
                        });
                    }
                }
                gpt::Look::Whole(header) => {
                    let other = header.other_lba.checked_mul(u64::from(unit));
                    if let Some(other) = other
                        && other < self.drive_bytes
                        && !places.iter().any(|(_, at, u)| *at == other && *u == unit)
                        && places.len() < 16
                    {
                        let role = match source {
                            Source::GptPrimary => Source::GptBackup,
                            _ => Source::GptPrimary,
                        };
                        places.push((role, other, unit));
                    }
                    found.push((source, header));
                }
            }
        }
        found.sort_by_key(|(source, _)| *source);
        found
    }

    fn take_gpt(&mut self, tables: &[(Source, gpt::Header)]) {
        let Some((_, leading)) = tables.first() else {
            return;
        };
        self.check_header(leading, tables);
        let arrays: Vec<gpt::Array> = tables
            .iter()
            .map(|(_, header)| gpt::array(self.sectors, header))
            .collect();
        let any_whole = arrays.iter().any(|array| array.doubt.is_none());
        let mut lists: Vec<Vec<(u64, u64, Guid)>> = Vec::new();
        for ((source, header), array) in tables.iter().zip(&arrays) {
            let kind = match source {
                Source::GptPrimary => TableKind::GptPrimary,
                _ => TableKind::GptBackup,
            };
            let unit = u64::from(header.unit);
            self.tables.push((
                Place {
                    first_byte: header.at,
                    bytes: unit,
                },
                kind,
            ));
            if let Some(doubt) = &array.doubt {
                let weight = if any_whole {
                    Weight::Sentence
                } else {
                    Weight::OpenPoint
                };
                self.findings.note("gpt-entries-damaged", weight, None, || {
                    format!("the partition list that belongs to the header at byte {} does not hold: {doubt}", header.at)
                });
                if any_whole {
                    continue;
                }
            }
            if array.doubt.is_none()
                && let Some(place) = header.array_place(self.drive_bytes)
            {
                self.tables.push((place, kind));
            }
            if array.cut {
                self.findings.note("table-too-large", Weight::OpenPoint, None, || {
                    format!("the table names more than {} partitions; the rest is looked at as gaps only", gpt::ENTRIES)
                });
            }
            let mut list: Vec<(u64, u64, Guid)> = Vec::with_capacity(array.entries.len());
            for entry in &array.entries {
                list.push((entry.first_lba, entry.last_lba, entry.kind));
                self.take_gpt_entry(*source, header, entry);
            }
            list.sort_unstable();
            lists.push(list);
        }
        if lists.windows(2).any(|pair| pair[0] != pair[1]) {
            self.findings.note("gpt-copies-differ", Weight::OpenPoint, None, || {
                "the GUID partition table and its backup name different partitions; all of both were taken".to_owned()
            });
        }
        if lists.len() < 2 {
            self.findings
                .note("gpt-one-copy", Weight::Sentence, None, || {
                    format!(
                        "only one copy of the GUID partition table holds (header at byte {})",
                        leading.at
                    )
                });
        }
    }

    fn check_header(&mut self, leading: &gpt::Header, tables: &[(Source, gpt::Header)]) {
        let unit = u64::from(leading.unit);
        if leading.unit != self.sectors.sector_bytes() {
            let says = self.sectors.sector_bytes();
            self.findings.note("table-in-other-sector-size", Weight::Sentence, None, || {
                format!("the table counts in sectors of {unit} bytes, the drive says {says}: it was divided behind another adapter")
            });
        }
        let last = (self.drive_bytes / unit).saturating_sub(1);
        // The far end of the table: where a primary expects its backup, or where a backup lies.
        let far = leading.other_lba.max(leading.at / unit);
        if far > last {
            self.findings.note("drive-shorter-than-table", Weight::OpenPoint, None, || {
                format!("the table reaches to sector {far}, the drive ends at {last}: capacity is hidden or the adapter misreports it; do not wipe before this is settled")
            });
        } else if far < last {
            self.findings.note("table-ends-early", Weight::Sentence, None, || {
                format!("the table ends at sector {far}, the drive at {last}: what lies behind is looked at as a gap")
            });
        }
        if leading.first_usable > leading.last_usable {
            self.findings
                .note("gpt-usable-range", Weight::Sentence, None, || {
                    format!(
                        "the table's usable range runs backwards ({} to {})",
                        leading.first_usable, leading.last_usable
                    )
                });
        }
        if tables.iter().any(|(_, header)| header.disk != leading.disk) {
            self.findings.note("gpt-of-another-time", Weight::OpenPoint, None, || {
                "two GUID partition tables with different disk GUIDs: one is left over; partitions of both were taken".to_owned()
            });
        }
    }

    fn take_gpt_entry(&mut self, source: Source, header: &gpt::Header, entry: &gpt::Entry) {
        let unit = u64::from(header.unit);
        if entry.last_lba < entry.first_lba {
            self.findings
                .note("entry-backwards", Weight::OpenPoint, None, || {
                    format!(
                        "partition {} ends before it starts (sectors {} to {})",
                        entry.number, entry.first_lba, entry.last_lba
                    )
                });
            return;
        }
        let first_byte = entry.first_lba.saturating_mul(unit);
        let count = (entry.last_lba - entry.first_lba).saturating_add(1);
        self.add(Partition {
            number: entry.number,
            place: Place {
                first_byte,
                bytes: 0,
            },
            declared_bytes: count.saturating_mul(unit),
            kind: PartitionType::Gpt(entry.kind),
            name: entry.name.clone(),
            attributes: entry.attributes,
            unique: Some(entry.unique),
            sources: vec![source],
            overlaps: false,
        });
    }

    fn take_mbr(&mut self, mbr: Option<&mbr::Mbr>, unit: u32, has_gpt: bool) {
        let Some(mbr) = mbr else {
            return;
        };
        let unit = u64::from(unit);
        self.tables.push((
            Place {
                first_byte: 0,
                bytes: unit,
            },
            TableKind::Mbr,
        ));
        for sector in &mbr.tables {
            self.tables.push((
                Place {
                    first_byte: sector.saturating_mul(unit),
                    bytes: unit,
                },
                TableKind::Extended,
            ));
        }
        if mbr.protective && !has_gpt {
            self.findings.note("gpt-missing", Weight::OpenPoint, None, || {
                "the MBR announces a GUID partition table, but neither copy of it holds: look at the gaps for lost volumes".to_owned()
            });
        }
        let before = self.partitions.len();
        for entry in &mbr.entries {
            self.add(Partition {
                number: entry.number,
                place: Place {
                    first_byte: entry.start.saturating_mul(unit),
                    bytes: 0,
                },
                declared_bytes: entry.count.saturating_mul(unit),
                kind: PartitionType::Mbr(entry.kind),
                name: None,
                attributes: u64::from(entry.active),
                unique: None,
                sources: vec![entry.source],
                overlaps: false,
            });
        }
        if has_gpt && self.partitions.len() > before {
            self.findings.note("two-tables", Weight::Sentence, None, || {
                "the MBR names partitions that the GUID partition table does not: a hybrid or left-over table; both were taken".to_owned()
            });
        }
    }

    /// Adds a partition, clipped to the drive; the same stretch named by another table is one partition.
    fn add(&mut self, mut partition: Partition) {
        let first = partition.place.first_byte;
        if first >= self.drive_bytes {
            self.findings.note("entry-outside", Weight::OpenPoint, None, || {
                format!("partition {} starts at byte {first}, behind the end of the drive ({} bytes)", partition.number, self.drive_bytes)
            });
            return;
        }
        let room = self.drive_bytes - first;
        if partition.declared_bytes > room {
            self.findings
                .note("entry-outside", Weight::OpenPoint, None, || {
                    format!(
                        "partition {} reaches {} bytes beyond the end of the drive",
                        partition.number,
                        partition.declared_bytes - room
                    )
                });
        }
        partition.place.bytes = partition.declared_bytes.min(room);
        let key = (first, partition.place.bytes);
        let known = self.by_place.get(&key).copied();
        match known.and_then(|index| self.partitions.get_mut(index)) {
            Some(known) => {
                for source in partition.sources {
                    if !known.sources.contains(&source) {
                        known.sources.push(source);
                    }
                }
            }
            None => {
                self.by_place.insert(key, self.partitions.len());
                self.partitions.push(partition);
            }
        }
    }

    /// A volume that starts at the first byte, with no table or with one that only looks like it.
    fn take_whole_drive(&mut self, first: &[u8], has_mbr: bool, has_gpt: bool) {
        if self.drive_bytes == 0 {
            return;
        }
        let place = Place {
            first_byte: 0,
            bytes: self.drive_bytes,
        };
        let found = if has_mbr || has_gpt {
            // Beside a table only a boot sector or a disc image counts; anything else at the start is a remnant.
            signature::is_boot_sector(first) || signature::is_disc_image(self.sectors, place)
        } else {
            !signature::probe(self.sectors, place).hits.is_empty()
        };
        if !found || self.partitions.iter().any(|known| known.place == place) {
            return;
        }
        if has_mbr || has_gpt {
            self.findings.note("volume-under-table", Weight::Sentence, None, || {
                "a volume starts at the first byte of the drive, and a table is there too; both were taken".to_owned()
            });
        }
        self.partitions.push(Partition {
            number: 0,
            place,
            declared_bytes: self.drive_bytes,
            kind: PartitionType::None,
            name: None,
            attributes: 0,
            unique: None,
            sources: vec![Source::WholeDrive],
            overlaps: false,
        });
    }

    fn mark_overlaps(&mut self) {
        let mut order: Vec<usize> = (0..self.partitions.len()).collect();
        order.sort_by_key(|index| {
            self.partitions
                .get(*index)
                .map(|partition| (partition.place.first_byte, partition.place.bytes))
        });
        let mut overlapping = Vec::new();
        let mut furthest: Option<(usize, u64)> = None;
        for index in order {
            let Some(place) = self.partitions.get(index).map(|partition| partition.place) else {
                continue;
            };
            if let Some((holder, end)) = furthest
                && place.first_byte < end
                && place.bytes > 0
            {
                overlapping.push(holder);
                overlapping.push(index);
            }
            if furthest.is_none_or(|(_, end)| place.end() > end) {
                furthest = Some((index, place.end()));
            }
        }
        for index in &overlapping {
            if let Some(partition) = self.partitions.get_mut(*index) {
                partition.overlaps = true;
            }
        }
        if !overlapping.is_empty() {
            let count = self
                .partitions
                .iter()
                .filter(|partition| partition.overlaps)
                .count();
            self.findings.note("partitions-overlap", Weight::Sentence, None, || {
                format!("{count} partitions share bytes with others; each is looked at over its full length")
            });
        }
    }

    /// The sector size that an MBR without GPT counts in: the one under which most of its entries
    /// start at something recognisable; the drive's own when that does not tell.
    fn mbr_unit(&mut self, first: &[u8]) -> u32 {
        let own = self.sectors.sector_bytes().max(1);
        let mut best = (own, 0);
        for unit in units(self.sectors) {
            if !mbr::plausible(first, self.drive_bytes / u64::from(unit)) {
                continue;
            }
            let hits = mbr::primary_starts(first)
                .into_iter()
                .filter(|start| {
                    let first_byte = start.saturating_mul(u64::from(unit));
                    first_byte > 0
                        && first_byte < self.drive_bytes
                        && signature::at_start(self.sectors, first_byte)
                })
                .count();
            if hits > best.1 {
                best = (unit, hits);
            }
        }
        if best.0 != own {
            self.findings.note("table-in-other-sector-size", Weight::Sentence, None, || {
                format!("the table counts in sectors of {} bytes, the drive says {own}: it was divided behind another adapter", best.0)
            });
        }
        best.0
    }
}
