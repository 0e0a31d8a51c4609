//! Compact notes on every inode in use and on every name, so that tables and folders are read once, in their own order.
//!
//! Invariant: about 28 bytes and the bare facts for each inode, and a name with its number for each entry: a million files
//! fit under 150 MiB. Words of trouble are kept for a bounded number of inodes; the mark is kept for all.

use super::runs::{Run, put_runs, take_runs};
use crate::survey::item::{Kind, Times};
use crate::volume::filesystem::Access;
use crate::volume::ntfs::raw::{put_number, take, take_number};
use std::collections::{BTreeMap, HashMap};

/// Bytes of one block of notes.
const BLOCK: usize = 1 << 20;
/// Words of trouble kept.
const TROUBLES: usize = 100_000;

/// Notes, end to end.
#[derive(Debug, Default)]
pub struct Blob {
    blocks: Vec<Vec<u8>>,
}

/// Where notes are: block, first byte, length.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct Spot {
    block: u32,
    at: u32,
    bytes: u32,
}

impl Blob {
    /// Keeps notes.
    pub fn keep(&mut self, notes: &[u8]) -> Spot {
        let fits = |block: &Vec<u8>| block.len() + notes.len() <= BLOCK;
        if !self.blocks.last().is_some_and(fits) {
            self.blocks.push(Vec::with_capacity(BLOCK.max(notes.len())));
        }
        let block = self.blocks.len().saturating_sub(1) as u32;
        let Some(last) = self.blocks.last_mut() else {
            return Spot::default();
        };
        let at = last.len() as u32;
        last.extend_from_slice(notes);
        Spot {
            block,
            at,
            bytes: notes.len() as u32,
        }
    }

    /// The notes at a spot.
    pub fn get(&self, spot: Spot) -> &[u8] {
        let from = spot.at as usize;
        self.blocks
            .get(spot.block as usize)
            .and_then(|block| block.get(from..from + spot.bytes as usize))
            .unwrap_or_default()
    }
}

/// What is known of one inode without its notes.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Row {
    /// Its number.
    pub inode: u32,
    /// Its notes.
    pub notes: Spot,
    /// Names found.
    pub names: u32,
    /// Names that it says it has.
    pub links: u16,
    /// See the constants.
    pub flags: u16,
}

impl Row {
    /// Kind: file 0, folder 1, link 2, special 3.
    pub const KIND: u16 = 3;
    /// One of the file system's own.
    pub const OWN: u16 = 1 << 2;
    /// Free in the bitmap of inodes.
    pub const FREE: u16 = 1 << 3;
    /// Unlinked, but open when the system stopped.
    pub const ORPHAN: u16 = 1 << 4;
    /// It could not be read.
    pub const UNREAD: u16 = 1 << 5;
    /// Something is wrong with it.
    pub const DAMAGED: u16 = 1 << 6;
    /// Encrypted.
    pub const ENCRYPTED: u16 = 1 << 7;
    /// It has attributes that could not be kept.
    pub const UNKEPT: u16 = 1 << 8;
    /// A part of it could not be read, or its folder's content.
    pub const PARTLY: u16 = 1 << 9;
    /// Handed over.
    pub const LISTED: u16 = 1 << 10;
    /// A folder that was entered.
    pub const ENTERED: u16 = 1 << 11;
    /// Blocks behind its length are meant.
    pub const BEHIND: u16 = 1 << 13;
    /// It holds the value of others' attribute.
    pub const VALUE: u16 = 1 << 12;

    /// Whether a flag is set.
    pub fn is(&self, flag: u16) -> bool {
        self.flags & flag != 0
    }

    /// What it is.
    pub fn kind(&self) -> Kind {
        match self.flags & Self::KIND {
            0 => Kind::File,
            1 => Kind::Folder,
            2 => Kind::Link,
            _ => Kind::Special,
        }
    }

    /// The bits of a kind.
    pub fn bits(kind: Kind) -> u16 {
        match kind {
            Kind::File => 0,
            Kind::Folder => 1,
            Kind::Link => 2,
            Kind::Special => 3,
        }
    }
}

/// What else an inode holds.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub enum Payload {
    /// Nothing.
    #[default]
    None,
    /// The target of a link.
    Target(Vec<u8>),
    /// Content within the inode: byte of the drive and length of its two parts (`None` = lost).
    Inline([(Option<u64>, u64); 2]),
    /// A folder: what checksums of its blocks begin with.
    Folder(u32),
}

/// The notes on one inode.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct Notes {
    /// Length.
    pub bytes: u64,
    /// Times.
    pub times: Times,
    /// Mode, owner and group.
    pub access: Access,
    /// Attributes within the inode, in the form of [`super::attribute::keep`].
    pub attributes: Vec<u8>,
    /// Block of attributes, which inodes may share.
    pub attribute_block: u64,
    /// Blocks of the tree or map.
    pub nodes: Vec<u64>,
    /// The blocks.
    pub runs: Vec<Run>,
    /// What else there is.
    pub payload: Payload,
}

fn put_signed(out: &mut Vec<u8>, value: i64) {
    put_number(out, ((value << 1) ^ (value >> 63)) as u64);
}

fn take_signed(notes: &mut &[u8]) -> Option<i64> {
    let value = take_number(notes)?;
    Some(((value >> 1) ^ (value & 1).wrapping_neg()) as i64)
}

impl Notes {
    /// The compact form.
    pub fn put(&self, out: &mut Vec<u8>) {
        put_number(out, self.bytes);
        let base = self.times.modified.unwrap_or(0);
        let times = [
            self.times.modified,
            self.times.created,
            self.times.changed,
            self.times.accessed,
        ];
        out.push(
            times
                .iter()
                .fold(0, |bits, time| bits << 1 | u8::from(time.is_some())),
        );
        put_signed(out, base);
        for time in times.iter().skip(1) {
            put_signed(out, time.map_or(0, |time| time.wrapping_sub(base)));
        }
        put_number(out, self.access.mode.into());
        put_number(out, self.access.user.into());
        put_number(out, self.access.group.into());
        put_number(out, self.attributes.len() as u64);
        out.extend_from_slice(&self.attributes);
        put_number(out, self.attribute_block);
        put_number(out, self.nodes.len() as u64);
        let mut last = 0u64;
        for node in &self.nodes {
            put_signed(out, node.wrapping_sub(last) as i64);
            last = *node;
        }
        match &self.payload {
            Payload::None => out.push(0),
            Payload::Target(target) => {
                out.push(1);
                put_number(out, target.len() as u64);
                out.extend_from_slice(target);
            }
            Payload::Inline(parts) => {
                out.push(2);
                for (at, bytes) in parts {
                    put_number(out, at.map_or(0, |at| at.saturating_add(1)));
                    put_number(out, *bytes);
                }
            }
            Payload::Folder(seed) => {
                out.push(3);
                put_number(out, (*seed).into());
            }
        }
        put_runs(out, &self.runs);
    }

    /// Reads [`Notes::put`] back.
    pub fn take(mut notes: &[u8]) -> Option<Self> {
        let notes = &mut notes;
        let bytes = take_number(notes)?;
        let there = *take(notes, 1)?.first()?;
        let base = take_signed(notes)?;
        let mut times = [Some(base); 4];
        for time in times.iter_mut().skip(1) {
            *time = Some(base.wrapping_add(take_signed(notes)?));
        }
        for (place, time) in times.iter_mut().enumerate() {
            if there & (8 >> place) == 0 {
                *time = None;
            }
        }
        let [modified, created, changed, accessed] = times;
        let access = Access {
            mode: take_number(notes)? as u32,
            user: take_number(notes)? as u32,
            group: take_number(notes)? as u32,
        };
        let length = usize::try_from(take_number(notes)?).ok()?;
        let attributes = take(notes, length)?.to_vec();
        let attribute_block = take_number(notes)?;
        let mut nodes = Vec::new();
        let mut last = 0u64;
        for _ in 0..take_number(notes)? {
            last = last.wrapping_add(take_signed(notes)? as u64);
            nodes.push(last);
        }
        let payload = match *take(notes, 1)?.first()? {
            0 => Payload::None,
            1 => {
                let length = usize::try_from(take_number(notes)?).ok()?;
                Payload::Target(take(notes, length)?.to_vec())
            }
            2 => {
                let mut parts = [(None, 0); 2];
                for part in &mut parts {
                    let at = take_number(notes)?;
                    *part = (at.checked_sub(1), take_number(notes)?);
                }
                Payload::Inline(parts)
            }
            _ => Payload::Folder(take_number(notes)? as u32),
        };
        Some(Self {
            bytes,
            times: Times {
                created,
                modified,
                changed,
                accessed,
            },
            access,
            attributes,
            attribute_block,
            nodes,
            runs: take_runs(notes)?,
            payload,
        })
    }
}

/// One folder's names.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Names {
    /// The folder's inode.
    pub folder: u32,
    /// Where they are.
    pub at: Spot,
}

/// One name in the notes.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Named<'a> {
    /// Inode.
    pub inode: u32,
    /// Name.
    pub name: &'a [u8],
    /// What the folder says that it is.
    pub kind: Option<Kind>,
    /// The block that it stands in has a wrong checksum.
    pub doubtful: bool,
}

impl<'a> Named<'a> {
    /// Appends it to notes.
    pub fn put(&self, out: &mut Vec<u8>) {
        let kind = self.kind.map_or(4, |kind| Row::bits(kind) as u8);
        out.push(kind | if self.doubtful { 8 } else { 0 });
        put_number(out, self.inode.into());
        put_number(out, self.name.len() as u64);
        out.extend_from_slice(self.name);
    }

    /// Takes one off notes.
    pub fn take(notes: &mut &'a [u8]) -> Option<Self> {
        let head = *take(notes, 1)?.first()?;
        let inode = take_number(notes)? as u32;
        let length = usize::try_from(take_number(notes)?).ok()?;
        Some(Self {
            inode,
            name: take(notes, length)?,
            kind: match head & 7 {
                0 => Some(Kind::File),
                1 => Some(Kind::Folder),
                2 => Some(Kind::Link),
                3 => Some(Kind::Special),
                _ => None,
            },
            doubtful: head & 8 != 0,
        })
    }
}

/// All notes.
#[derive(Debug, Default)]
pub struct Store {
    /// Inodes, by number.
    pub rows: Vec<Row>,
    /// Their notes.
    pub notes: Blob,
    /// Folders' names, by folder once all are read.
    pub folders: Vec<Names>,
    /// The names.
    pub names: Blob,
    troubles: BTreeMap<u32, String>,
    lists: Blob,
    blocks: HashMap<u64, (Spot, bool)>,
}

impl Store {
    /// The place of an inode in `rows`.
    pub fn find(&self, inode: u32) -> Option<usize> {
        self.rows.binary_search_by_key(&inode, |row| row.inode).ok()
    }

    /// The notes on an inode.
    pub fn notes_of(&self, row: &Row) -> Notes {
        Notes::take(self.notes.get(row.notes)).unwrap_or_default()
    }

    /// The names in a folder.
    pub fn names_of(&self, folder: u32) -> &[u8] {
        self.folders
            .binary_search_by_key(&folder, |names| names.folder)
            .ok()
            .and_then(|place| self.folders.get(place))
            .map_or(&[], |names| self.names.get(names.at))
    }

    /// Keeps the attributes of a block, in the form of [`super::attribute::keep`], and whether they are all of them.
    pub fn keep_block(&mut self, block: u64, attributes: &[u8], whole: bool) {
        let spot = self.lists.keep(attributes);
        self.blocks.insert(block, (spot, whole));
    }

    /// The attributes of a block, and whether they are all of them; `None` = it was not looked at.
    pub fn block(&self, block: u64) -> Option<(&[u8], bool)> {
        let (spot, whole) = self.blocks.get(&block)?;
        Some((self.lists.get(*spot), *whole))
    }

    /// Says what is wrong with an inode; the first word counts.
    pub fn trouble(&mut self, inode: u32, says: String) {
        if self.troubles.len() < TROUBLES {
            self.troubles.entry(inode).or_insert(says);
        }
    }

    /// What is wrong with an inode.
    pub fn trouble_of(&self, row: &Row) -> Option<String> {
        let says = self.troubles.get(&row.inode).cloned();
        says.or_else(|| {
            row.is(Row::DAMAGED | Row::UNREAD | Row::PARTLY)
                .then(|| "its inode or the lists of its blocks are damaged".to_owned())
        })
    }
}

#[cfg(test)]
mod tests {
    use super::super::runs::Form;
    use super::*;

    #[test]
    fn notes_come_back() {
        let run = |logical, blocks, at, form| Run {
            logical,
            blocks,
            at,
            form,
        };
        let mut notes = Notes {
            bytes: 1 << 40,
            times: Times {
                created: None,
                modified: Some(-5),
                changed: Some(i64::MAX),
                accessed: Some(i64::MIN),
            },
            access: Access {
                mode: 0o100_644,
                user: u32::MAX,
                group: 0,
            },
            attributes: vec![4; 300],
            attribute_block: 7,
            nodes: vec![900, 3, u64::from(u32::MAX)],
            runs: vec![
                run(0, 5, 100, Form::Data),
                run(5, 40_000, 90, Form::Unwritten),
                run(90_000, 1, 0, Form::Lost),
            ],
            payload: Payload::None,
        };
        for payload in [
            Payload::None,
            Payload::Target(b"../x".to_vec()),
            Payload::Inline([(Some(0), 60), (None, 5)]),
            Payload::Folder(u32::MAX),
        ] {
            notes.payload = payload;
            let mut out = Vec::new();
            notes.put(&mut out);
            assert_eq!(Notes::take(&out), Some(notes.clone()));
        }
        let mut out = Vec::new();
        let named = Named {
            inode: 12,
            name: b"name",
            kind: None,
            doubtful: true,
        };
        named.put(&mut out);
        assert_eq!(Named::take(&mut out.as_slice()), Some(named));
        let mut blob = Blob::default();
        let a = blob.keep(&[1; 700_000]);
        let b = blob.keep(&[2; 700_000]);
        assert_eq!((blob.get(a)[0], blob.get(b)[699_999]), (1, 2));
    }
}
