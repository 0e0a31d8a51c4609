//! One item: what its inode says, where its bytes lie, and who else claims them.
//!
//! Invariant: an item without a mark has a place for every byte (or a hole that the file system means), and no block of it
//! belongs to anybody else.

use super::attribute::{self, Value};
use super::crc::crc32c;
use super::handover::HandOver;
use super::owners::Count;
use super::runs::{Form, pieces};
use super::store::{Notes, Payload, Row};
use crate::survey::item::{Kind, Mark};
use crate::value::Name;
use crate::volume::filesystem::{Found, NoContent, Weight};
use crate::volume::layout::{Coding, Layout, Piece, append};
use crate::volume::ntfs::owners::touches;
use crate::volume::stored::{Narrow, Ranges, Stored};

impl HandOver<'_, '_, '_> {
    /// What all names of an inode share.
    pub(super) fn fill(&mut self, found: &mut Found, row: &Row, notes: &Notes) {
        found.times = notes.times;
        found.trouble = self.store.trouble_of(row);
        if row.is(Row::DAMAGED) {
            found.marks.set(Mark::Damaged);
        }
        if row.is(Row::PARTLY) {
            found.marks.set(Mark::Unreadable);
        }
        found.access = Some(notes.access);
        self.attributes(found, row, notes);
        if row.kind() != Kind::Folder {
            found.names = row.names.max(1);
            if row.names > 1 {
                found.marks.set(Mark::HardLinked);
            }
        }
        match row.kind() {
            Kind::File => {
                found.bytes = notes.bytes;
                self.content(found, notes);
                if !row.is(Row::BEHIND) {
                    self.behind(found, notes);
                }
            }
            Kind::Link => match &notes.payload {
                Payload::Target(target) if !row.is(Row::ENCRYPTED) => {
                    found.link_target = Some(Name::Bytes(target.clone()));
                }
                Payload::Target(_) => {}
                _ => {
                    found.marks.set(Mark::Damaged);
                    found
                        .trouble
                        .get_or_insert_with(|| "the target of the link cannot be read".to_owned());
                }
            },
            Kind::Folder | Kind::Special => {}
        }
        if row.is(Row::ENCRYPTED) {
            found.marks.set(Mark::Efs);
            if found.bytes > 0 || row.kind() == Kind::Link {
                found.no_content = Some(NoContent::Encrypted);
            }
            self.findings
                .note("items-encrypted", Weight::OpenPoint, Some(found.record), || {
                    "some items are encrypted by the file system; without their key they are lost with the wipe".to_owned()
                });
        }
        self.owned(found, row, notes);
    }

    /// Attributes as the kernel would tell them.
    fn attributes(&mut self, found: &mut Found, row: &Row, notes: &Notes) {
        let mut unkept = row.is(Row::UNKEPT);
        let shared = self.store.block(notes.attribute_block);
        for mut list in [
            notes.attributes.as_slice(),
            shared.map_or(&[], |(list, _)| list),
        ] {
            while let Some((name, value)) = attribute::take(&mut list) {
                let value = match value {
                    Value::Here(value) => Some(value.to_vec()),
                    Value::Inode { inode, bytes } => self.value_of(inode, bytes),
                };
                let room = value
                    .as_ref()
                    .and_then(|value| self.room.checked_sub((name.len() + value.len()) as u64));
                match (value, room) {
                    (Some(value), Some(room)) => {
                        self.room = room;
                        found.attributes.push((name.to_vec(), value));
                    }
                    _ => unkept = true,
                }
            }
        }
        // The label of a security module is made anew by the next system and would mark every file.
        let marking = |(name, _): &(Vec<u8>, Vec<u8>)| name != b"security.selinux";
        if unkept || found.attributes.iter().any(marking) {
            found.marks.set(Mark::ExtendedAttributes);
        }
        if unkept {
            self.flag(row.inode, Row::UNKEPT);
        }
    }

    /// A value that lies in an inode of its own; `None` = that is none, or not what was written.
    fn value_of(&self, inode: u32, bytes: u64) -> Option<Vec<u8>> {
        let row = self.store.rows.get(self.store.find(inode)?)?;
        let notes = self.store.notes_of(row);
        let doubtful = row.is(Row::UNREAD | Row::DAMAGED | Row::PARTLY | Row::FREE);
        if !row.is(Row::VALUE) || doubtful || notes.bytes != bytes || bytes > attribute::LONGEST {
            return None;
        }
        let mut value = vec![0u8; usize::try_from(bytes).ok()?];
        let mut missing = Ranges::new();
        Stored::new(pieces(self.ground, &notes.runs, bytes))
            .read(
                self.ground.sectors,
                0,
                &mut value,
                Narrow::default(),
                &mut missing,
            )
            .ok()?;
        // Its time of access holds the checksum of the value (documentation of ext4, "Extended Attributes").
        let sum = notes.times.accessed?.div_euclid(1_000_000_000) as u32;
        (missing.is_empty() && crc32c(self.ground.sb.seed, &value) == sum).then_some(value)
    }

    fn content(&mut self, found: &mut Found, notes: &Notes) {
        let pieces = match &notes.payload {
            Payload::Inline(parts) => {
                found.marks.set(Mark::Resident);
                let mut out = Vec::new();
                let mut done = 0;
                for (at, bytes) in parts {
                    done += bytes;
                    let bytes = *bytes;
                    append(
                        &mut out,
                        match at {
                            Some(at) => Piece::Extent { at: *at, bytes },
                            None => Piece::Lost { bytes },
                        },
                    );
                }
                let rest = notes.bytes.saturating_sub(done);
                append(&mut out, Piece::Hole { bytes: rest });
                out
            }
            _ => pieces(self.ground, &notes.runs, notes.bytes),
        };
        if pieces
            .iter()
            .any(|piece| matches!(piece, Piece::Hole { .. }))
        {
            found.marks.set(Mark::Sparse);
        }
        if pieces
            .iter()
            .any(|piece| matches!(piece, Piece::Lost { .. }))
        {
            found.marks.set(Mark::Damaged);
            found.trouble.get_or_insert_with(|| {
                "the place of a part of it is not known, or its newest copy is lost".to_owned()
            });
        }
        found.layout = Some(Layout {
            pieces,
            coding: Coding::Plain,
            length: notes.bytes,
            valid: notes.bytes,
        });
    }

    /// Doubts a file with written blocks behind its length. What is set aside in advance is not written.
    fn behind(&mut self, found: &mut Found, notes: &Notes) {
        let end = notes.bytes.div_ceil(self.ground.sb.block_bytes);
        let runs = notes.runs.iter().filter(|run| run.form == Form::Data);
        let blocks: u64 = runs
            .map(|run| run.end().saturating_sub(end.max(run.logical)))
            .fold(0, u64::saturating_add);
        if blocks > 0 {
            found.marks.set(Mark::Damaged);
            found.trouble.get_or_insert_with(|| {
                format!("{blocks} written blocks belong to it that its length does not count: its length may have been cut")
            });
        }
    }

    /// Doubts an item whose clusters are also somebody else's, or free.
    fn owned(&mut self, found: &mut Found, row: &Row, notes: &Notes) {
        let count = Count {
            ground: self.ground,
            groups: self.groups,
            store: &self.store,
        };
        let mut free = row.is(Row::FREE);
        let data = notes
            .runs
            .iter()
            .filter(|run| run.form != Form::Lost)
            .map(|run| (run.at, run.blocks));
        for (first, blocks) in data.chain(notes.nodes.iter().map(|node| (*node, 1))) {
            let (from, to) = count.clusters(first, blocks);
            if touches(&self.owners.twice, from, to - from) {
                found.marks.set(Mark::Damaged);
                found.trouble.get_or_insert_with(|| {
                    "some of its blocks belong to another item or to the file system itself, too: its bytes were copied, but whose they are is not known".to_owned()
                });
            }
            free |= touches(&self.owners.free, from, to - from);
        }
        if free {
            // In a volume that was not closed and has no journal the bitmaps may be older than the inodes.
            if self.settled {
                found.marks.set(Mark::Damaged);
            } else {
                let number = found.record;
                self.findings.note("items-on-free-blocks", Weight::OpenPoint, Some(number), || {
                    format!("inode {number} or some of its blocks are free in the volume's own bitmaps, which may be older than the inode")
                });
            }
            found.trouble.get_or_insert_with(|| {
                "its inode or some of its blocks are free in the volume's own bitmaps".to_owned()
            });
        }
    }
}
