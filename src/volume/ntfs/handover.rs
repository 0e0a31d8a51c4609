//! Handing everything over: one item for every name and every stream, in record order.
//!
//! Invariant: every base record in use is listed or falls under a named rule, and what is wrong with a
//! record is on every item that comes from it.

use super::content::{self, Judged};
use super::gather::{Gathered, Source, Stream};
use super::index;
use super::owners::{Owners, touches};
use super::raw::{is_ascii, name_of};
use super::record::{BadRecord, kind, number_of, sequence_of};
use super::reparse::{self, Meaning, WOF_STREAM};
use super::runs::Runs;
use super::salvage::Wreck;
use super::store::Row;
use super::survey::LOST_PARENT;
use super::table::{NoRecord, Window};
use super::tree::{Parent, ROOT, Tree};
use crate::port::Fault;
use crate::survey::item::{Kind, Mark, Marks};
use crate::value::Name;
use crate::volume::filesystem::{Accounts, Findings, Found, Limits, NoContent, Weight};
use crate::volume::layout::{Coding, Layout};
use crate::volume::stored::{Narrow, Ranges, Stored};
use std::collections::HashSet;

/// Hands every name and stream over.
pub(super) struct HandOver<'a, 's> {
    pub(super) source: Source<'a>,
    pub(super) tree: Tree,
    pub(super) owners: Owners,
    /// The volume was not closed properly: its bitmap may be older than its records.
    pub(super) dirty: bool,
    pub(super) limits: Limits,
    pub(super) items: u64,
    pub(super) window: Window,
    pub(super) hibernation: Option<Layout>,
    pub(super) findings: Findings,
    pub(super) accounts: Accounts,
    pub(super) own_records: u64,
    /// Records with extended attributes.
    pub(super) attributed: u64,
    pub(super) see: &'s mut dyn FnMut(Found),
}

impl<'a> HandOver<'a, '_> {
    pub(super) fn all(&mut self) -> Result<(), Fault> {
        let store = self.source.store;
        let mut gathered = Gathered::default();
        for (index, row) in store.rows.iter().enumerate() {
            if self.items > self.limits.items {
                break;
            }
            self.record(index, row, &mut gathered)?;
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

    fn record(
        &mut self,
        index: usize,
        row: &Row,
        gathered: &mut Gathered<'a>,
    ) -> Result<(), Fault> {
        self.accounts.records_listed += 1;
        let number = u64::from(row.number);
        let by_rule = number != ROOT
            && (number < 16 || (number < 24 && !row.is(Row::NAMED)) || self.tree.own(index));
        self.source.gather(row, gathered)?;
        if by_rule {
            return self.own(row, gathered);
        }
        if gathered.foreign {
            self.findings
                .note("attributes-unknown", Weight::OpenPoint, Some(number), || {
                    format!("record {number} has attributes of a kind that is not known here: what is in them is not copied")
                });
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
        let mut names = std::mem::take(&mut gathered.names);
        self.names(index, row, &mut names);
        let mut found = Found::new(number, LOST_PARENT, Name::Units(Vec::new()), Kind::File);
        let meaning = self.base(row, gathered, names.len(), &mut found)?;
        let mut streams = Vec::new();
        let mut unnamed = None;
        let packed = matches!(&meaning, Some(Meaning::System(Some(_))));
        for stream in gathered.streams.iter().filter(|s| s.kind == kind::DATA) {
            if stream.name.is_empty() {
                unnamed = Some(stream);
            } else if !(packed && is_ascii(stream.name, WOF_STREAM)) {
                let judged = content::judge(&self.source, &mut self.window, stream)?;
                streams.push((name_of(stream.name), self.owned(number, judged, &[stream])));
            }
        }
        if found.kind != Kind::Folder {
            let mut judged = match unnamed {
                Some(stream) => content::judge(&self.source, &mut self.window, stream)?,
                None => missing_content(&meaning),
            };
            let elsewhere = content::recalled(gathered, &judged).then_some(Meaning::Elsewhere);
            if let Some(meaning) = meaning.or(elsewhere) {
                judged =
                    content::with_tag(&self.source, &mut self.window, gathered, judged, &meaning)?;
            }
            if gathered.attributes & 0x4000 != 0 || gathered.keys {
                judged.marks.set(Mark::Efs);
                if judged.bytes > 0 {
                    judged.no_content = judged.no_content.or(Some(NoContent::Encrypted));
                }
            }
            let all: Vec<&Stream<'_>>;
            let concerned = if packed {
                all = gathered.streams.iter().collect();
                &all
            } else {
                unnamed.as_slice()
            };
            let judged = self.owned(number, judged, concerned);
            let stored = judged.layout.as_ref().map_or(0, Layout::stored_bytes);
            match found.kind {
                // Content that is there is content, whatever the tag says of such items.
                Kind::Special if judged.no_content.is_none() => found.kind = Kind::File,
                Kind::Link if stored > 0 => self.findings.note(
                    "content-beneath-link",
                    Weight::OpenPoint,
                    Some(number),
                    || format!("record {number} is a link and holds {stored} bytes as a file does: they are not listed"),
                ),
                _ => {}
            }
            fill(&mut found, judged);
        } else if let Some(stream) = unnamed {
            let judged = content::judge(&self.source, &mut self.window, stream)?;
            if judged.bytes > 0 {
                let bytes = judged.bytes;
                self.findings
                    .note("content-in-folder", Weight::OpenPoint, Some(number), || {
                        format!("record {number} is a folder and holds {bytes} bytes as a file does: they are not listed")
                    });
            }
        }
        if let Some((_, name)) = names.first() {
            self.note_item(number, name, &found);
        }
        // The last one is the item itself, not a copy of it.
        let last = names.pop();
        for name in names.drain(..) {
            self.hand(found.clone(), name, &streams, gathered);
        }
        gathered.names = names;
        if let Some(name) = last {
            self.hand(found, name, &streams, gathered);
        }
        Ok(())
    }

    /// Hands one name of an item over, and under it the item's named streams.
    fn hand(
        &mut self,
        mut one: Found,
        (parent, name): (u64, Name),
        streams: &[(Name, Judged)],
        gathered: &Gathered<'_>,
    ) {
        one.parent = parent;
        one.name = name;
        if parent == LOST_PARENT {
            one.marks.set(Mark::Orphan);
        }
        if parent == ROOT && is_hibernation(&one.name) {
            self.hibernation = one.layout.clone();
        }
        for (stream, judged) in streams {
            let mut of = Found::new(one.record, parent, one.name.clone(), Kind::File);
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
            self.note_item(one.record, &of.name, &of);
            self.items += 1;
            (self.see)(of);
        }
        self.items += 1;
        (self.see)(one);
    }

    /// Records that cannot be used are items all the same: by the name they still tell, else by their number.
    pub(super) fn wrecks(&mut self, wrecks: &[Wreck]) -> Result<(), Fault> {
        let nameless: HashSet<u32> = wrecks
            .iter()
            .filter(|wreck| wreck.name.is_none() && wreck.number >= 24)
            .map(|wreck| wreck.number)
            .collect();
        let mut indexed = if nameless.is_empty() {
            index::Names::new()
        } else {
            index::names(&self.source, &mut self.window, &nameless)?
        };
        for wreck in wrecks {
            let number = u64::from(wreck.number);
            let part = wreck.base != 0 && self.source.store.find(number_of(wreck.base)).is_some();
            // The file system's own records hold nobody's content; a part of an item is told at that item.
            if number < 24 || part {
                continue;
            }
            let name = wreck.name.clone().or_else(|| indexed.remove(&wreck.number));
            let known = name.as_ref().and_then(|(reference, units)| {
                let row = self.source.store.find(number_of(*reference));
                if row.is_some_and(|row| self.tree.own(row)) {
                    return None;
                }
                let parent = self.tree.parent(self.source.store, usize::MAX, *reference);
                let parent = match parent {
                    Parent::Lost => LOST_PARENT,
                    Parent::Fine | Parent::Own => number_of(*reference),
                };
                Some((parent, name_of(units)))
            });
            let (parent, name) = known.unwrap_or_else(|| {
                let name = format!("record {number}").encode_utf16().collect();
                (LOST_PARENT, Name::Units(name))
            });
            let kind = if wreck.folder {
                Kind::Folder
            } else {
                Kind::File
            };
            let mut found = Found::new(number, parent, name, kind);
            found.marks.set(Mark::Damaged);
            if kind == Kind::File {
                found.marks.set(Mark::Unreadable);
            }
            if parent == LOST_PARENT {
                found.marks.set(Mark::Orphan);
            }
            found.trouble = Some(
                match wreck.why {
                    NoRecord::Unread => {
                        "its record could not be read: where its content lies is not known"
                    }
                    NoRecord::Bad(BadRecord::Torn) => {
                        "its record was written only in part: where its content lies is not known"
                    }
                    NoRecord::Freed => {
                        "its record says that it is free, the table's own bitmap that it is in use: whether its content is still its own is not known"
                    }
                    NoRecord::Bad(_) => {
                        "its record is damaged: where its content lies is not known"
                    }
                }
                .to_owned(),
            );
            self.items += 1;
            (self.see)(found);
        }
        Ok(())
    }

    /// What all names of a record share: kind, times, tag, target; content not yet filled in.
    fn base(
        &mut self,
        row: &Row,
        gathered: &Gathered<'_>,
        names: usize,
        found: &mut Found,
    ) -> Result<Option<Meaning>, Fault> {
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
            self.attributed += 1;
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
        (found.kind, found.no_content) = (kind, NoContent::of(kind));
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
        Ok(meaning)
    }

    /// Every name to be listed, with its parent or [`LOST_PARENT`].
    fn names(&mut self, index: usize, row: &Row, names: &mut Vec<(u64, Name)>) {
        let number = u64::from(row.number);
        if number == ROOT {
            names.clear();
            names.push((ROOT, Name::Units(Vec::new())));
            return;
        }
        for (reference, _) in names.iter_mut() {
            let folder = number_of(*reference);
            let parent = self.tree.parent(self.source.store, index, *reference);
            *reference = folder;
            if parent == Parent::Lost {
                *reference = LOST_PARENT;
                self.findings
                    .note("orphans", Weight::OpenPoint, Some(number), || {
                        format!(
                            "record {number} lies in folder {folder}, which is not there (any more)"
                        )
                    });
            }
        }
        if names.is_empty() {
            self.findings
                .note("nameless", Weight::OpenPoint, Some(number), || {
                    format!("record {number} is in use and has no name")
                });
            let name: Vec<u16> = format!("#{number}").encode_utf16().collect();
            names.push((LOST_PARENT, Name::Units(name)));
        }
    }

    /// Doubts a stream whose clusters are also somebody else's, or nobody's. The bytes stay: they can be read, and may be its own.
    fn owned(&mut self, number: u64, mut judged: Judged, streams: &[&Stream<'_>]) -> Judged {
        if self.owners.twice.is_empty() && self.owners.free.is_empty() {
            return judged;
        }
        let clusters = self.source.ground.geometry.clusters;
        let (mut free, mut shared) = (false, false);
        for part in streams.iter().flat_map(|stream| &stream.parts) {
            for run in Runs::new(part.list, clusters).flatten() {
                let Some(first) = run.cluster else {
                    continue;
                };
                shared |= touches(&self.owners.twice, first, run.clusters);
                free |= touches(&self.owners.free, first, run.clusters);
            }
        }
        if shared {
            judged.marks.set(Mark::Damaged);
            judged.trouble.get_or_insert_with(|| {
                "some of its clusters belong to another item too: its bytes were copied, but whose they are is not known".to_owned()
            });
            // Several times the volume, copied for each that claims it, would fill any destination.
            if self.owners.absurd
                && let Some(layout) = &mut judged.layout
            {
                layout.lose(|at, bytes| vec![(at, at.saturating_add(bytes))]);
            }
        }
        if free {
            // After a crash the records are newer than the bitmap, as a rule: then the volume's point names them, and no more.
            if self.dirty {
                self.findings.note("items-on-free-clusters", Weight::OpenPoint, Some(number), || {
                    format!("record {number} has clusters that are free in the volume's own bitmap, which may be older than the record")
                });
            } else {
                judged.marks.set(Mark::Damaged);
            }
            judged.trouble.get_or_insert_with(|| {
                "some of its clusters are free in the volume's own bitmap: they may hold something else by now".to_owned()
            });
        }
        judged
    }

    fn note_item(&mut self, number: u64, name: &Name, found: &Found) {
        let says = found.trouble.as_deref().unwrap_or_default();
        // A form that is not proven is a matter of that item, not of the volume's tables.
        if found.marks.has(Mark::Damaged) && says != content::UNPROVEN {
            self.findings.note(
                "items-damaged",
                Weight::OpenPoint,
                Some(number),
                || match name.text() {
                    name if name.is_empty() => format!("record {number}: {says}"),
                    name => format!("\"{name}\": {says}"),
                },
            );
        }
    }

    /// A record of the file system's own: left out by rule. Streams in it that the file system does
    /// not make are somebody's, and are listed.
    fn own(&mut self, row: &Row, gathered: &Gathered<'_>) -> Result<(), Fault> {
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
            let judged = self.owned(number, judged, &[stream]);
            fill(&mut found, judged);
            self.items += 1;
            (self.see)(found);
        }
        Ok(())
    }

    /// Looks at the first bytes of the hibernation file.
    pub(super) fn hibernation(&mut self) -> Result<(), Fault> {
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
        judged.marks.set(Mark::Unreadable);
        judged.layout = None;
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
