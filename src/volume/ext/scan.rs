//! The first pass: the tables of inodes, group by group, in requests of 1 MiB.
//!
//! Blocks that lists of blocks lie in are read ahead for each stretch of a table, in the order of the drive.
//!
//! Invariant: every inode that the bitmaps say is in use gets a row; so does one that looks alive, but is free in the bitmap.

use super::attribute;
use super::extents::{Walker, first_nodes};
use super::folder;
use super::ground::Ground;
use super::groups::{Group, Groups, bitmap_holds};
use super::inode::{BLOCK_AT, BLOCK_BYTES, Inode, flag};
use super::runs::{Budget, Form, Mapped, pieces};
use super::store::{Named, Names, Notes, Payload, Row, Store};
use super::superblock::incompat;
use crate::port::Fault;
use crate::survey::item::Kind;
use crate::volume::bytes::le32;
use crate::volume::filesystem::{Findings, Limits, Weight};
use crate::volume::stored::{Narrow, Ranges, Stored};
use std::collections::{BTreeMap, HashMap};

/// Bytes of a table read at once.
const WINDOW: u64 = 1 << 20;
/// Bytes of lists of blocks read ahead at most.
const AHEAD: u64 = 32 << 20;
/// The root folder.
pub const ROOT: u32 = 2;
/// The inode of descriptor blocks to come.
const RESIZE: u32 = 7;
/// A link's target is no longer than a block, nor than this (`PATH_MAX`, limits.h).
const TARGET: u64 = 4096;

/// What is read off the tables.
pub struct Scan<'a, 'g> {
    ground: &'a Ground<'g>,
    budget: Budget,
    ahead: HashMap<u64, Vec<u8>>,
    scratch: Vec<u8>,
    /// Bytes of attributes that may still be kept.
    room: u64,
    /// The notes.
    pub store: Store,
    /// Inodes in use by the bitmaps; `None` = one of them could not be read.
    pub in_use: Option<u64>,
    /// Inodes in use that could not be read.
    pub damaged: u64,
    /// Words that the inodes have in the place of the time of deletion: the chain of unlinked ones.
    pub next_orphan: BTreeMap<u32, u32>,
}

/// One stretch of a table.
struct Stretch<'w> {
    bytes: &'w [u8],
    missing: &'w Ranges,
    /// First block of it on the volume.
    block: u64,
    /// Number of its first inode.
    first: u32,
    bitmap: Option<&'w [u8]>,
    /// Place in the bitmap of its first inode.
    bit: u64,
}

impl<'a, 'g> Scan<'a, 'g> {
    /// Nothing read so far.
    pub fn new(ground: &'a Ground<'g>, limits: Limits) -> Self {
        Self {
            ground,
            budget: Budget::of(ground),
            ahead: HashMap::new(),
            scratch: Vec::new(),
            room: limits.table_bytes / 4,
            store: Store::default(),
            in_use: Some(0),
            damaged: 0,
            next_orphan: BTreeMap::new(),
        }
    }

    /// Reads all tables.
    pub fn run(&mut self, groups: &Groups, findings: &mut Findings) -> Result<(), Fault> {
        for (number, group) in (0u64..).zip(groups) {
            if !group.usable {
                self.in_use = None;
            } else if !group.no_inodes {
                self.group(number, group, findings)?;
            }
        }
        Ok(())
    }

    fn group(&mut self, number: u64, group: &Group, findings: &mut Findings) -> Result<(), Fault> {
        let sb = &self.ground.sb;
        let inodes = u64::from(sb.group_inodes);
        let bitmap = self
            .ground
            .block(group.inode_bitmap)?
            .filter(|bitmap| group.current && bitmap_holds(sb, bitmap, inodes, group.inode_sum));
        let mut used = inodes - u64::from(group.unused);
        match &bitmap {
            None => {
                self.in_use = None;
                findings.note("inode-bitmap-unread", Weight::OpenPoint, None, || {
                    format!("the bitmap of inodes of group {number} is unreadable, in doubt or has a wrong checksum")
                });
            }
            Some(bitmap) => {
                let last = (0..inodes).rev().find(|bit| is_set(bitmap, *bit));
                let set = (0..inodes).filter(|bit| is_set(bitmap, *bit)).count() as u64;
                self.in_use = self.in_use.map(|n| n + set);
                used = used.max(last.map_or(0, |last| last + 1));
            }
        }
        let size = sb.inode_bytes as u64;
        let each = WINDOW.max(sb.block_bytes) / size;
        let mut done = 0u64;
        while done < used {
            let count = each.min(used - done);
            let block = group.table + done * size / sb.block_bytes;
            let blocks = (count * size).div_ceil(sb.block_bytes);
            let mut missing = Ranges::new();
            let bytes = self.ground.read(block, blocks, &mut missing)?;
            let long = usize::try_from(count * size).unwrap_or(0);
            let stretch = Stretch {
                bytes: bytes.get(..long).unwrap_or_default(),
                missing: &missing,
                block,
                first: (number * inodes + done + 1) as u32,
                bitmap: bitmap.as_deref(),
                bit: done,
            };
            self.stretch(&stretch)?;
            done += count;
        }
        Ok(())
    }

    fn stretch(&mut self, stretch: &Stretch<'_>) -> Result<(), Fault> {
        self.read_ahead(stretch)?;
        for (i, raw) in stretch.inodes(self.ground.sb.inode_bytes) {
            let number = stretch.first.wrapping_add(i as u32);
            let bit = stretch.bitmap.map(|bitmap| is_set(bitmap, stretch.bit + i));
            let at = i * self.ground.sb.inode_bytes as u64;
            let torn = stretch.missing.iter().any(|(from, bytes)| {
                *from < at + raw.len() as u64 && from.saturating_add(*bytes) > at
            });
            if torn {
                if bit != Some(false) {
                    self.unread(number);
                }
                continue;
            }
            let inode = Inode::new(raw, number);
            let alive = inode.links() > 0 && inode.kind().is_some();
            if bit == Some(true) || alive {
                let block = stretch.block + at / self.ground.sb.block_bytes;
                let into = at % self.ground.sb.block_bytes;
                // Without a bitmap, what was never an inode is told by its checksum only.
                let free = bit == Some(false) || (bit.is_none() && !inode.holds(&self.ground.sb));
                self.take(&inode, free, (block, into))?;
            }
        }
        Ok(())
    }

    /// Reads the first lists of blocks of a stretch's inodes, in the order of the drive.
    fn read_ahead(&mut self, stretch: &Stretch<'_>) -> Result<(), Fault> {
        self.ahead.clear();
        let mut wanted = Vec::new();
        for (i, raw) in stretch.inodes(self.ground.sb.inode_bytes) {
            let inode = Inode::new(raw, 0);
            let in_use = stretch
                .bitmap
                .is_none_or(|bitmap| is_set(bitmap, stretch.bit + i));
            let mapped = matches!(inode.kind(), Some(Kind::File | Kind::Folder));
            let list = inode.attribute_block(&self.ground.sb);
            if in_use && self.store.block(list).is_none() {
                wanted.push(list);
            }
            if in_use && mapped && !inode.has(flag::INLINE) {
                first_nodes(inode.block(), inode.has(flag::EXTENTS), &mut |block| {
                    wanted.push(block)
                });
            }
        }
        wanted.retain(|block| *block > self.ground.sb.first && *block < self.ground.blocks());
        wanted.sort_unstable();
        wanted.dedup();
        wanted.truncate(usize::try_from(AHEAD / self.ground.sb.block_bytes).unwrap_or(0));
        let size = self.ground.sb.block_bytes;
        for group in wanted.chunk_by(|a, b| a + 1 == *b) {
            for part in group.chunks(usize::try_from(WINDOW / size).unwrap_or(1).max(1)) {
                let Some(first) = part.first() else {
                    continue;
                };
                let mut missing = Ranges::new();
                let bytes = self.ground.read(*first, part.len() as u64, &mut missing)?;
                for (block, (at, raw)) in part.iter().zip((0u64..).zip(bytes.chunks(size as usize)))
                {
                    let at = at * size;
                    let torn = missing
                        .iter()
                        .any(|(from, n)| *from < at + size && from.saturating_add(*n) > at);
                    if !torn {
                        self.ahead.insert(*block, raw.to_vec());
                    }
                }
            }
        }
        Ok(())
    }

    fn row(&mut self, inode: u32, flags: u16, links: u16, notes: &Notes) {
        let mut bytes = std::mem::take(&mut self.scratch);
        bytes.clear();
        notes.put(&mut bytes);
        self.store.rows.push(Row {
            inode,
            notes: self.store.notes.keep(&bytes),
            names: 0,
            links,
            flags,
        });
        self.scratch = bytes;
    }

    fn unread(&mut self, number: u32) {
        self.damaged += 1;
        self.store
            .trouble(number, "its inode could not be read".to_owned());
        self.row(number, Row::UNREAD, 0, &Notes::default());
    }

    fn is_own(&self, inode: &Inode<'_>, number: u32) -> bool {
        let sb = &self.ground.sb;
        (number != ROOT && number < sb.first_inode)
            || number == sb.journal_inode
            || (number == sb.orphan_file && number != 0)
            || (number != 0 && sb.quota_inodes.contains(&number))
            || inode.has(flag::ATTRIBUTE)
    }

    /// One inode in use, or that looks alive, at a block and a byte in it.
    fn take(&mut self, inode: &Inode<'_>, free: bool, place: (u64, u64)) -> Result<(), Fault> {
        let sb = &self.ground.sb;
        let number = inode.number();
        let own = self.is_own(inode, number);
        let kind = inode.kind();
        let mut flags = Row::bits(kind.unwrap_or(Kind::File));
        if own {
            flags |= Row::OWN;
        }
        if free {
            flags |= Row::FREE;
        }
        let mut notes = Notes {
            times: inode.times(),
            ..Notes::default()
        };
        if own && inode.is_blank() {
            self.row(number, flags, 0, &notes);
            return Ok(());
        }
        if inode.deleted() != 0 {
            self.next_orphan.insert(number, inode.deleted());
        }
        notes.bytes = inode.bytes(sb);
        notes.access = inode.access();
        notes.attribute_block = inode.attribute_block(sb);
        let mut mapped = Mapped::default();
        if !inode.holds(sb) {
            mapped.wrong(|| "its inode has a wrong checksum".to_owned());
        } else if !inode.is_sound() {
            mapped.wrong(|| "its inode contradicts itself".to_owned());
        }
        if inode.has(flag::ENCRYPTED) && sb.incompat & 0x1_0000 != 0 {
            flags |= Row::ENCRYPTED;
        }
        if inode.has(flag::ATTRIBUTE) {
            flags |= Row::VALUE;
        }
        if inode.has(flag::VERITY) || inode.has(flag::EOF_BLOCKS) {
            flags |= Row::BEHIND;
        }
        if !own && !self.attributes(inode, &mut notes)? {
            flags |= Row::UNKEPT;
        }
        match kind {
            None => mapped.wrong(|| "its inode does not say what it is".to_owned()),
            Some(Kind::Special) => {}
            Some(_) if number == RESIZE => mapped.nodes.push(le32(inode.block(), 13 * 4).into()),
            Some(kind) if inode.has(flag::INLINE) => {
                self.inline(inode, kind, place, &mut notes, &mut mapped);
            }
            Some(Kind::Link) if inode.is_short_link(sb) => {
                let long = usize::try_from(notes.bytes).unwrap_or(0);
                let target = inode.block().get(..long).unwrap_or_default();
                notes.payload = Payload::Target(target.to_vec());
            }
            Some(kind) => {
                let before = mapped.trouble.take();
                let mut walker = Walker {
                    ground: self.ground,
                    ahead: &self.ahead,
                    budget: &mut self.budget,
                    seed: inode.seed(sb),
                    out: mapped,
                };
                walker.walk(inode.block(), inode.has(flag::EXTENTS))?;
                mapped = walker.out;
                mapped.trouble = before.or(mapped.trouble);
                self.length(inode, kind, &notes, &mut mapped);
                if kind == Kind::Link {
                    self.long_target(&mut notes, &mut mapped)?;
                }
            }
        }
        if kind == Some(Kind::Folder) {
            notes.payload = Payload::Folder(inode.seed(sb));
        }
        if mapped.unread {
            flags |= Row::PARTLY;
        }
        if let Some(says) = mapped.trouble {
            flags |= Row::DAMAGED;
            self.store.trouble(number, says);
        }
        (notes.runs, notes.nodes) = (mapped.runs, mapped.nodes);
        self.row(number, flags, inode.links(), &notes);
        Ok(())
    }

    /// Notes the attributes of an inode; `false` = something of them could not be kept.
    fn attributes(&mut self, inode: &Inode<'_>, notes: &mut Notes) -> Result<bool, Fault> {
        let mut whole = inode.keep_attributes(&mut notes.attributes);
        if !self.take_room(notes.attributes.len()) {
            notes.attributes.clear();
            whole = false;
        }
        let block = notes.attribute_block;
        if block == 0 {
            return Ok(whole);
        }
        if let Some((_, known)) = self.store.block(block) {
            return Ok(whole && known);
        }
        let raw = match self.ahead.get(&block) {
            Some(raw) => Some(raw.clone()),
            None if block > self.ground.sb.first => self.ground.block(block)?,
            None => None,
        };
        let mut list = Vec::new();
        let mut known =
            raw.is_some_and(|raw| attribute::keep_block(&self.ground.sb, block, &raw, &mut list));
        if !self.take_room(list.len()) {
            list.clear();
            known = false;
        }
        self.store.keep_block(block, &list, known);
        Ok(whole && known)
    }

    fn take_room(&mut self, bytes: usize) -> bool {
        let left = self.room.checked_sub(bytes as u64);
        self.room = left.unwrap_or(self.room);
        left.is_some()
    }

    /// A length that blocks cannot hold.
    fn length(&self, inode: &Inode<'_>, kind: Kind, notes: &Notes, mapped: &mut Mapped) {
        let sb = &self.ground.sb;
        let each = sb.block_bytes / 4;
        let most = if inode.has(flag::EXTENTS) {
            1 << 32
        } else {
            (12 + each + each * each + each * each * each).min(1 << 32)
        };
        if notes.bytes > most.saturating_mul(sb.block_bytes) {
            mapped.wrong(|| format!("{} bytes, more than its form can hold", notes.bytes));
        }
        if kind == Kind::Folder && !notes.bytes.is_multiple_of(sb.block_bytes) {
            mapped.wrong(|| format!("a folder of {} bytes, no number of blocks", notes.bytes));
        }
    }

    /// A target in a block of its own.
    fn long_target(&mut self, notes: &mut Notes, mapped: &mut Mapped) -> Result<(), Fault> {
        let bytes = notes.bytes;
        if bytes == 0 || bytes > self.ground.sb.block_bytes.min(TARGET) {
            mapped.wrong(|| format!("a link to a name of {bytes} bytes"));
            return Ok(());
        }
        let mut target = vec![0u8; bytes as usize];
        let mut missing = Ranges::new();
        Stored::new(pieces(self.ground, &mapped.runs, bytes)).read(
            self.ground.sectors,
            0,
            &mut target,
            Narrow::default(),
            &mut missing,
        )?;
        let written = mapped
            .runs
            .first()
            .is_some_and(|run| run.logical == 0 && run.form == Form::Data);
        if !missing.is_empty() {
            mapped.unread = true;
            mapped.wrong(|| "the target of the link could not be read".to_owned());
        } else if !written {
            mapped.wrong(|| "the target of the link is nowhere".to_owned());
        } else {
            notes.payload = Payload::Target(target);
        }
        Ok(())
    }

    /// Content within the inode.
    fn inline(
        &mut self,
        inode: &Inode<'_>,
        kind: Kind,
        place: (u64, u64),
        notes: &mut Notes,
        mapped: &mut Mapped,
    ) {
        if !self.ground.sb.has(incompat::INLINE) {
            mapped.wrong(|| {
                "it is said to hold its content itself, on a volume without that".to_owned()
            });
        }
        let rest = match inode.rest() {
            Ok(rest) => rest,
            Err(why) => {
                mapped.wrong(|| why);
                mapped.lose(0, notes.bytes.div_ceil(self.ground.sb.block_bytes));
                return;
            }
        };
        let first = notes.bytes.min(BLOCK_BYTES as u64);
        let second = (notes.bytes - first).min(rest.bytes as u64);
        match kind {
            Kind::Folder => self.inline_folder(inode, rest, mapped),
            Kind::Link => {
                let mut target = inode.block().to_vec();
                target.extend_from_slice(inode.part(rest));
                target.truncate(usize::try_from(notes.bytes).unwrap_or(0));
                notes.payload = Payload::Target(target);
            }
            _ => {
                let at = |into: usize| self.ground.spot(place.0, place.1 + into as u64);
                notes.payload = Payload::Inline([(at(BLOCK_AT), first), (at(rest.at), second)]);
            }
        }
    }

    /// A folder within its inode: its parent's number, then entries in both parts.
    fn inline_folder(&mut self, inode: &Inode<'_>, rest: super::inode::Rest, mapped: &mut Mapped) {
        let mut notes = Vec::new();
        let sb = &self.ground.sb;
        let doubtful = mapped.trouble.is_some();
        for part in [inode.block().get(4..).unwrap_or_default(), inode.part(rest)] {
            let whole = folder::each(sb, part, &Ranges::new(), &mut |entry| {
                Named {
                    inode: entry.inode,
                    name: entry.name,
                    kind: entry.kind,
                    doubtful,
                }
                .put(&mut notes);
            });
            if let Err(why) = whole {
                mapped.wrong(|| format!("names in it cannot be read: {why}"));
            }
        }
        self.store.folders.push(Names {
            folder: inode.number(),
            at: self.store.names.keep(&notes),
        });
    }
}

impl<'w> Stretch<'w> {
    fn inodes(&self, bytes: usize) -> impl Iterator<Item = (u64, &'w [u8])> + use<'w> {
        (0u64..).zip(self.bytes.chunks_exact(bytes))
    }
}

/// Whether a bit of a bitmap is set, lowest bit first.
fn is_set(bitmap: &[u8], bit: u64) -> bool {
    usize::try_from(bit / 8)
        .ok()
        .and_then(|byte| bitmap.get(byte))
        .is_some_and(|byte| byte & (1 << (bit % 8)) != 0)
}
