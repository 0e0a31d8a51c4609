//! The survey itself: scan, judge the tree, count the clusters, hand everything over.
//!
//! Invariant: every record in use is listed, or falls under a named rule (the file system's own
//! records, merged extension records), or is counted as damaged.

use super::content::{self, Judged};
use super::gather::{Gathered, Source, Stream};
use super::owners::{self, Owners, touches};
use super::pieces::Ground;
use super::raw::{is_ascii, name_of, u16_at};
use super::record::{Attributes, BadRecord, Header, Value, kind, number_of, sequence_of};
use super::reparse::{self, Meaning, WOF_STREAM};
use super::runs::Runs;
use super::store::{Row, Store};
use super::table::{self, NoRecord, Table, Window};
use super::tree::{Parent, ROOT, Tree};
use crate::port::{Fault, Sectors};
use crate::survey::item::{Kind, Mark, Marks};
use crate::value::Name;
use crate::volume::filesystem::{
    Accounts, Findings, Found, Limits, NoContent, NotSurveyed, Place, Survey, Weight,
};
use crate::volume::layout::{Coding, Layout};
use crate::volume::stored::{Narrow, Ranges, Stored};

/// The parent of names whose own parent is missing, was used anew, or leads back to itself.
pub const LOST_PARENT: u64 = u64::MAX;

/// Bytes of content kept in records that are held in memory.
const KEEP: u64 = 32 << 20;

/// What record 3 says of the volume.
#[derive(Default)]
struct About {
    label: Option<Name>,
    flags: Option<u16>,
}

/// Surveys an NTFS volume: calls `see` for every name and every stream, in record order. Names whose
/// parent is lost have [`LOST_PARENT`] as parent and the mark `orphan`.
pub fn survey(
    sectors: &dyn Sectors,
    place: Place,
    limits: &Limits,
    see: &mut dyn FnMut(Found),
) -> Result<Survey, NotSurveyed> {
    let mut findings = Findings::new();
    let geometry = table::geometry(sectors, place, &mut findings)?;
    let ground = Ground { geometry, place };
    if geometry.bytes() > place.bytes {
        findings.note("partition-too-short", Weight::OpenPoint, None, || {
            format!(
                "the volume says it has {} bytes, its partition only {}",
                geometry.bytes(),
                place.bytes
            )
        });
    }
    let table = Table::locate(sectors, &ground, &mut findings)?;
    let mut scan = Scan::new(&table, limits);
    let nowhere = table
        .each(sectors, &mut |number, record| {
            scan.see(&table, number, record)
        })
        .map_err(|fault| NotSurveyed::unread("reading the NTFS file table", fault))?;
    let Scan {
        mut store,
        about,
        mut accounts,
        findings: scanned,
        stopped,
        ..
    } = scan;
    findings.append(scanned);
    store.finish();
    findings.note_many("records-nowhere", Weight::OpenPoint, None, nowhere, || {
        format!("the place of {nowhere} records of the file table is not known")
    });
    let source = Source {
        sectors,
        ground,
        table: &table,
        store: &store,
    };
    let unread = |fault: Fault| NotSurveyed::unread("reading NTFS metadata", fault);
    let bitmap = bitmap(&source).map_err(unread)?;
    if bitmap.is_none() {
        findings.note("volume-bitmap-unread", Weight::OpenPoint, Some(6), || {
            "the volume's own bitmap of used clusters cannot be found".to_owned()
        });
    }
    let owners =
        owners::count(sectors, &ground, &store, bitmap.as_ref(), &mut accounts).map_err(unread)?;
    note_accounts(&accounts, &owners, &mut findings);
    let tree = Tree::new(&store);
    let mut hand = HandOver {
        source,
        tree,
        owners,
        limits: *limits,
        items: 0,
        window: Window::default(),
        hibernation: None,
        findings,
        accounts,
        own_records: 0,
        see,
    };
    hand.all().map_err(unread)?;
    hand.hibernation().map_err(unread)?;
    let HandOver {
        mut findings,
        accounts,
        own_records,
        items,
        ..
    } = hand;
    findings.note_many(
        "file-systems-own-records",
        Weight::Sentence,
        None,
        own_records,
        || "records that hold the file system's own tables, left out by rule".to_owned(),
    );
    note_about(&about, &mut findings);
    let whole = nowhere == 0
        && !stopped
        && items <= limits.items
        && accounts.records_damaged == 0
        && findings.of("file-table-incomplete").is_none()
        && findings.of("file-table-damaged").is_none();
    Ok(Survey {
        format: "NTFS",
        label: about.label,
        serial: Some(geometry.serial_text()),
        dirty: about.flags.map(|flags| flags & 1 != 0),
        root: ROOT,
        bytes: geometry.bytes(),
        whole,
        findings,
        accounts,
    })
}

fn note_about(about: &About, findings: &mut Findings) {
    let Some(flags) = about.flags else {
        findings.note("volume-record-missing", Weight::OpenPoint, Some(3), || {
            "the record that describes the volume is not usable".to_owned()
        });
        return;
    };
    if flags & 1 != 0 {
        findings.note("volume-dirty", Weight::Sentence, Some(3), || {
            "the volume was not closed properly (dirty flag): normal after a crash, contents may be older than remembered".to_owned()
        });
    }
    if flags & !0x8001 != 0 {
        findings.note("volume-flags", Weight::Sentence, Some(3), || {
            format!("the volume has unfinished work of its own (flags {flags:#06x})")
        });
    }
}

fn note_accounts(accounts: &Accounts, owners: &Owners, findings: &mut Findings) {
    if owners.absurd {
        findings.note("clusters-claimed-absurdly", Weight::OpenPoint, None, || {
            "records claim several times more clusters than the volume has: every claim is doubted".to_owned()
        });
    }
    let bytes = |clusters: u64| clusters.saturating_mul(accounts.cluster_bytes);
    findings.note_many(
        "clusters-owned-twice",
        Weight::OpenPoint,
        None,
        accounts.owned_twice,
        || {
            format!(
                "{} clusters belong to two items at once",
                accounts.owned_twice
            )
        },
    );
    findings.note_many(
        "clusters-without-owner",
        Weight::OpenPoint,
        None,
        accounts.in_use_without_owner,
        || {
            format!(
                "{} bytes are in use, but belong to nothing that is listed",
                bytes(accounts.in_use_without_owner)
            )
        },
    );
    findings.note_many(
        "clusters-owned-but-free",
        Weight::OpenPoint,
        None,
        accounts.owned_but_free,
        || {
            format!(
                "{} bytes belong to items, but are free in the volume's own bitmap",
                bytes(accounts.owned_but_free)
            )
        },
    );
    findings.note_many(
        "clusters-marked-bad",
        Weight::Sentence,
        Some(8),
        accounts.marked_bad,
        || {
            format!(
                "the file system itself has set {} bytes aside as bad: a sign of the drive's health",
                bytes(accounts.marked_bad)
            )
        },
    );
}

/// The volume's own bitmap, laid out.
fn bitmap(source: &Source<'_>) -> Result<Option<Stored>, Fault> {
    let Some(row) = source.store.find(6).and_then(|i| source.store.rows.get(i)) else {
        return Ok(None);
    };
    let gathered = source.gather(row)?;
    let wanted = source.ground.geometry.clusters.div_ceil(8);
    for stream in &gathered.streams {
        if stream.kind != kind::DATA || !stream.name.is_empty() {
            continue;
        }
        let judged = content::judge(source, &mut Window::default(), stream)?;
        if let Some(layout) = judged.layout
            && layout.coding == Coding::Plain
            && judged.trouble.is_none()
            && layout.length >= wanted
            && layout.valid >= wanted
        {
            return Ok(Some(Stored::new(layout.pieces)));
        }
    }
    Ok(None)
}

/// The one pass over the table.
struct Scan {
    store: Store,
    about: About,
    accounts: Accounts,
    findings: Findings,
    table_bytes: u64,
    stopped: bool,
}

impl Scan {
    fn new(table: &Table, limits: &Limits) -> Self {
        let expected = table.bits_set().min(table.records()).min(16 << 20);
        Self {
            store: Store::new(usize::try_from(expected).unwrap_or(0), KEEP),
            about: About::default(),
            accounts: Accounts {
                records_in_use: Some(0),
                ..Accounts::default()
            },
            findings: Findings::new(),
            table_bytes: limits.table_bytes,
            stopped: false,
        }
    }

    fn count_in_use(&mut self) {
        if let Some(n) = &mut self.accounts.records_in_use {
            *n += 1;
        }
    }

    fn see(
        &mut self,
        table: &Table,
        number: u64,
        record: Result<(&[u8], Header), NoRecord>,
    ) -> bool {
        let bit = table.bit(number);
        let (bytes, head) = match record {
            Ok(found) => found,
            Err(no) => {
                self.damaged(number, bit, no);
                return true;
            }
        };
        // The reserved records 12 to 23 are kept differently by different systems.
        if bit.is_some_and(|bit| bit != head.in_use) && number >= 24 {
            self.findings.note(
                "record-bitmap-differs",
                Weight::Sentence,
                Some(number),
                || {
                    format!(
                        "record {number} and the table's own bitmap disagree whether it is in use"
                    )
                },
            );
        }
        if !head.in_use {
            return true;
        }
        self.count_in_use();
        let Ok(short) = u32::try_from(number) else {
            self.accounts.records_damaged += 1;
            return true;
        };
        self.store.add(short, bytes, &head);
        if number == 3 {
            self.about_volume(bytes, &head);
        }
        if self.store.bytes() > self.table_bytes {
            self.stopped = true;
            let limit = self.table_bytes;
            self.findings
                .note("survey-stopped", Weight::OpenPoint, Some(number), || {
                    format!("the notes on the file table outgrew {limit} bytes at record {number}: the rest is not listed")
                });
            return false;
        }
        true
    }

    fn damaged(&mut self, number: u64, bit: Option<bool>, no: NoRecord) {
        // A free record may hold anything (or never have been written).
        if bit == Some(false) {
            return;
        }
        if bit.is_none() && no == NoRecord::Bad(BadRecord::Signature) && number >= 16 {
            self.findings
                .note("records-without-signature", Weight::OpenPoint, Some(number), || {
                    format!("record {number} is no record, and the table's bitmap, which would say whether it is free, could not be read")
                });
        }
        self.count_in_use();
        self.accounts.records_damaged += 1;
        let id = match no {
            NoRecord::Unread => "records-unread",
            NoRecord::Bad(BadRecord::Torn) => "records-torn",
            NoRecord::Bad(_) => "records-damaged",
        };
        self.findings.note(id, Weight::OpenPoint, Some(number), || {
            let what = match no {
                NoRecord::Unread => "could not be read",
                NoRecord::Bad(BadRecord::Torn) => "was written only in part",
                NoRecord::Bad(BadRecord::Signature) => "does not begin as a record does",
                NoRecord::Bad(BadRecord::Header) => "contradicts itself or belongs elsewhere",
            };
            format!("record {number} of the file table {what}: the item it described is not listed, or not in full")
        });
    }

    fn about_volume(&mut self, bytes: &[u8], head: &Header) {
        for attribute in Attributes::new(bytes, head).flatten() {
            let Value::Resident(value) = attribute.value else {
                continue;
            };
            match attribute.kind {
                kind::VOLUME_NAME if !value.is_empty() => self.about.label = Some(name_of(value)),
                kind::VOLUME_INFORMATION => self.about.flags = u16_at(value, 0x0A),
                _ => {}
            }
        }
    }
}

/// Hands every name and stream over.
struct HandOver<'a, 's> {
    source: Source<'a>,
    tree: Tree,
    owners: Owners,
    limits: Limits,
    items: u64,
    window: Window,
    hibernation: Option<Layout>,
    findings: Findings,
    accounts: Accounts,
    own_records: u64,
    see: &'s mut dyn FnMut(Found),
}

impl HandOver<'_, '_> {
    fn all(&mut self) -> Result<(), Fault> {
        let store = self.source.store;
        for (index, row) in store.rows.iter().enumerate() {
            if self.items > self.limits.items {
                break;
            }
            self.record(index, row)?;
        }
        if self.items > self.limits.items {
            let limit = self.limits.items;
            self.findings
                .note("survey-stopped", Weight::OpenPoint, None, || {
                    format!("more than {limit} names: the rest is not listed")
                });
        }
        // Extension records are part of their base record, if it is there.
        for row in &store.extensions {
            let base = store
                .find(number_of(row.reference))
                .and_then(|i| store.rows.get(i));
            if base.is_some_and(|base| base.sequence == sequence_of(row.reference)) {
                self.accounts.records_listed += 1;
            } else {
                self.accounts.records_damaged += 1;
                self.findings.note(
                    "records-without-base",
                    Weight::OpenPoint,
                    Some(row.number.into()),
                    || {
                        format!(
                            "record {} is a part of record {}, which is not usable: an item is missing from the listing",
                            row.number,
                            number_of(row.reference)
                        )
                    },
                );
            }
        }
        Ok(())
    }

    fn record(&mut self, index: usize, row: &Row) -> Result<(), Fault> {
        self.accounts.records_listed += 1;
        let number = u64::from(row.number);
        let by_rule = number != ROOT
            && (number < 16 || (number < 24 && !row.is(Row::NAMED)) || self.tree.own(index));
        let gathered = self.source.gather(row)?;
        if by_rule {
            return self.own(row, gathered);
        }
        if gathered.all_names < u32::from(row.links) {
            self.findings
                .note("names-missing", Weight::Sentence, Some(number), || {
                    format!(
                        "record {number} says it has {} names, {} were found",
                        row.links, gathered.all_names
                    )
                });
        }
        let names = self.names(index, row, &gathered);
        let base = self.base(row, &gathered, names.len())?;
        let mut streams = Vec::new();
        let mut unnamed = None;
        let packed = matches!(&base.1, Some(Meaning::System(Some(_))));
        for stream in gathered.streams.iter().filter(|s| s.kind == kind::DATA) {
            if stream.name.is_empty() {
                unnamed = Some(stream);
            } else if !(packed && is_ascii(stream.name, WOF_STREAM)) {
                let judged = content::judge(&self.source, &mut self.window, stream)?;
                streams.push((name_of(stream.name), self.owned(judged, &[stream])));
            }
        }
        let (mut found, meaning) = base;
        if found.kind != Kind::Folder {
            let mut judged = match unnamed {
                Some(stream) => content::judge(&self.source, &mut self.window, stream)?,
                None => missing_content(&meaning),
            };
            if let Some(meaning) = &meaning {
                judged =
                    content::with_tag(&self.source, &mut self.window, &gathered, judged, meaning)?;
            }
            if gathered.attributes & 0x4000 != 0 || gathered.keys {
                judged.marks.set(Mark::Efs);
                if judged.bytes > 0 {
                    judged.no_content = judged.no_content.or(Some(NoContent::Encrypted));
                }
            }
            let concerned: Vec<&Stream<'_>> = if packed {
                gathered.streams.iter().collect()
            } else {
                unnamed.into_iter().collect()
            };
            let judged = self.owned(judged, &concerned);
            fill(&mut found, judged);
        }
        self.note_item(number, &found);
        for (parent, name, orphan) in names {
            let mut one = found.clone();
            one.parent = parent;
            one.name = name;
            if orphan {
                one.marks.set(Mark::Orphan);
            }
            if parent == ROOT && is_hibernation(&one.name) {
                self.hibernation = one.layout.clone();
            }
            for (stream, judged) in &streams {
                let mut of = Found::new(number, parent, one.name.clone(), Kind::File);
                of.stream = Some(stream.clone());
                of.times = one.times;
                of.names = one.names;
                of.marks.set(Mark::Stream);
                for mark in [Mark::Orphan, Mark::HardLinked] {
                    if one.marks.has(mark) {
                        of.marks.set(mark);
                    }
                }
                if let Some(trouble) = &gathered.trouble {
                    of.marks.set(Mark::Damaged);
                    of.trouble = Some(trouble.clone());
                }
                fill(&mut of, judged.clone());
                self.note_item(number, &of);
                self.items += 1;
                (self.see)(of);
            }
            self.items += 1;
            (self.see)(one);
        }
        Ok(())
    }

    /// What all names of a record share: kind, times, tag, target; content not yet filled in.
    fn base(
        &mut self,
        row: &Row,
        gathered: &Gathered<'_>,
        names: usize,
    ) -> Result<(Found, Option<Meaning>), Fault> {
        let mut marks = Marks::default();
        let mut trouble = gathered.trouble.clone();
        let mut tag = None;
        let mut meaning = None;
        if let Some(stream) = &gathered.reparse {
            match self.source.reparse(&mut self.window, stream)? {
                Ok(value) => {
                    if let Some((number, what)) = reparse::judge(&value) {
                        tag = Some(number);
                        meaning = Some(what);
                    } else {
                        meaning = Some(Meaning::Unknown);
                        trouble = trouble.or(Some("its reparse point is too short".to_owned()));
                    }
                }
                Err(why) => {
                    meaning = Some(Meaning::Unknown);
                    trouble = trouble.or(Some(why));
                }
            }
        }
        let folder = row.is(Row::FOLDER);
        let kind = match &meaning {
            Some(Meaning::Junction(_) | Meaning::Link(_)) => Kind::Link,
            Some(Meaning::Special) => Kind::Special,
            _ if folder => Kind::Folder,
            _ => Kind::File,
        };
        if trouble.is_some() {
            marks.set(Mark::Damaged);
        }
        if gathered.extended {
            marks.set(Mark::ExtendedAttributes);
        }
        if names > 1 {
            marks.set(Mark::HardLinked);
        }
        if kind == Kind::Folder && meaning == Some(Meaning::Unknown) {
            marks.set(Mark::UnknownTag);
        }
        if matches!(meaning, Some(Meaning::Junction(_))) {
            marks.set(Mark::Junction);
        }
        let mut found = Found::new(
            row.number.into(),
            LOST_PARENT,
            Name::Units(Vec::new()),
            kind,
        );
        found.times = gathered.times;
        found.marks = marks;
        found.tag = tag;
        found.names = u32::try_from(names).unwrap_or(u32::MAX).max(1);
        found.trouble = trouble;
        if let Some(Meaning::Junction(target) | Meaning::Link(target)) = &meaning {
            found.link_target = target.clone();
            if target.is_none() && found.trouble.is_none() {
                found.marks.set(Mark::Damaged);
                found.trouble = Some("the target of the link cannot be read".to_owned());
            }
        }
        Ok((found, meaning))
    }

    /// Parent, name and whether the parent is lost, for every name to be listed.
    fn names(
        &mut self,
        index: usize,
        row: &Row,
        gathered: &Gathered<'_>,
    ) -> Vec<(u64, Name, bool)> {
        let number = u64::from(row.number);
        if number == ROOT {
            return vec![(ROOT, Name::Units(Vec::new()), false)];
        }
        let mut out = Vec::new();
        for (reference, name) in &gathered.names {
            let parent = self.tree.parent(self.source.store, index, *reference);
            let lost = parent == Parent::Lost;
            if lost {
                self.findings
                    .note("orphans", Weight::OpenPoint, Some(number), || {
                        format!(
                            "record {number} lies in folder {}, which is not there (any more)",
                            number_of(*reference)
                        )
                    });
            }
            let parent = if lost {
                LOST_PARENT
            } else {
                number_of(*reference)
            };
            out.push((parent, name.clone(), lost));
        }
        if out.is_empty() {
            self.findings
                .note("nameless", Weight::OpenPoint, Some(number), || {
                    format!("record {number} is in use and has no name")
                });
            let name: Vec<u16> = format!("#{number}").encode_utf16().collect();
            out.push((LOST_PARENT, Name::Units(name), true));
        }
        out
    }

    /// Doubts a stream whose clusters are also somebody else's.
    fn owned(&mut self, mut judged: Judged, streams: &[&Stream<'_>]) -> Judged {
        let clusters = self.source.ground.geometry.clusters;
        let mut free = false;
        for part in streams.iter().flat_map(|stream| &stream.parts) {
            for run in Runs::new(part.list, clusters).flatten() {
                let Some(first) = run.cluster else {
                    continue;
                };
                if touches(&self.owners.twice, first, run.clusters) {
                    judged.marks.set(Mark::Damaged);
                    judged.trouble.get_or_insert_with(|| {
                        "some of its clusters belong to another item too".to_owned()
                    });
                }
                free |= touches(&self.owners.free, first, run.clusters);
            }
        }
        if free {
            judged.trouble.get_or_insert_with(|| {
                "some of its clusters are free in the volume's own bitmap".to_owned()
            });
        }
        judged
    }

    fn note_item(&mut self, number: u64, found: &Found) {
        if found.marks.has(Mark::Damaged) {
            let says = found.trouble.clone().unwrap_or_default();
            self.findings
                .note("items-damaged", Weight::OpenPoint, Some(number), || {
                    format!("record {number}: {says}")
                });
        }
    }

    /// A record of the file system's own: left out by rule. Streams in it that the file system does
    /// not make are somebody's, and are listed.
    fn own(&mut self, row: &Row, gathered: Gathered<'_>) -> Result<(), Fault> {
        self.own_records += 1;
        let number = u64::from(row.number);
        if let Some(trouble) = &gathered.trouble {
            self.findings.note(
                "own-record-damaged",
                Weight::OpenPoint,
                Some(number),
                || format!("record {number}, one of the file system's own: {trouble}"),
            );
        }
        for stream in gathered.streams.iter().filter(|s| s.kind == kind::DATA) {
            let foreign = if stream.name.is_empty() {
                (12..24).contains(&number)
            } else {
                number < 24 && stream.name.get(..2) != Some(b"$\0")
            };
            if !foreign {
                continue;
            }
            let judged = content::judge(&self.source, &mut self.window, stream)?;
            if judged.bytes == 0 {
                continue;
            }
            self.findings
                .note("content-in-own-record", Weight::OpenPoint, Some(number), || {
                    format!("record {number}, one of the file system's own, holds content that it does not make")
                });
            let (parent, name) = match gathered.names.first() {
                Some((parent, name)) => (number_of(*parent), name.clone()),
                None => (
                    LOST_PARENT,
                    Name::Units(format!("#{number}").encode_utf16().collect()),
                ),
            };
            let mut found = Found::new(number, parent, name, Kind::File);
            found.times = gathered.times;
            if !stream.name.is_empty() {
                found.stream = Some(name_of(stream.name));
                found.marks.set(Mark::Stream);
            }
            let judged = self.owned(judged, &[stream]);
            fill(&mut found, judged);
            self.items += 1;
            (self.see)(found);
        }
        Ok(())
    }

    /// Looks at the first bytes of the hibernation file.
    fn hibernation(&mut self) -> Result<(), Fault> {
        let Some(layout) = self.hibernation.take() else {
            return Ok(());
        };
        if layout.coding != Coding::Plain || layout.length < 4 {
            return Ok(());
        }
        let mut head = [0u8; 4];
        let mut missing = Ranges::new();
        Stored::new(layout.pieces).read(
            self.source.sectors,
            0,
            &mut head,
            Narrow::default(),
            &mut missing,
        )?;
        let says = if !missing.is_empty() {
            "the hibernation file could not be read: a sleeping session may be in it"
        } else {
            match head.to_ascii_lowercase().as_slice() {
                b"hibr" => {
                    "a hibernated session is on this volume: unsaved work may be in it, contents may be slightly older than remembered"
                }
                b"wake" => "the last hibernation was resumed",
                [0, 0, 0, 0] => return Ok(()),
                _ => "the hibernation file begins with something unknown",
            }
        };
        self.findings
            .note("hibernation", Weight::Sentence, None, || says.to_owned());
        Ok(())
    }
}

fn is_hibernation(name: &Name) -> bool {
    name.text().eq_ignore_ascii_case("hiberfil.sys")
}

/// An item without an unnamed stream. Every file has one, if only an empty one; links and the like may do without.
fn missing_content(meaning: &Option<Meaning>) -> Judged {
    let mut judged = Judged {
        layout: Some(Layout::empty()),
        no_content: None,
        marks: Marks::default(),
        bytes: 0,
        trouble: None,
    };
    if !matches!(
        meaning,
        Some(Meaning::Junction(_) | Meaning::Link(_) | Meaning::Special)
    ) {
        judged.marks.set(Mark::Damaged);
        judged.trouble = Some("the part that says where its content is, is missing".to_owned());
        judged.layout = None;
        judged.no_content = Some(NoContent::UnknownForm);
    }
    judged
}

/// Puts a judged stream into what is handed over.
fn fill(found: &mut Found, judged: Judged) {
    found.bytes = judged.bytes;
    found.marks.0 |= judged.marks.0;
    if found.trouble.is_none() {
        found.trouble = judged.trouble;
    }
    if matches!(found.kind, Kind::File) {
        found.layout = judged.layout;
        found.no_content = judged.no_content;
    } else if found.kind == Kind::Link {
        // The link is the item; bytes beside a reparse point are not content.
        found.bytes = 0;
    }
}
