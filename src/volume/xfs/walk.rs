//! Walking the mounted tree: every name once, parents first, with the place of its content.
//!
//! Invariant: what the driver refuses is an item that says so, or an open point; no folder is entered twice.

use super::blocks::Blocks;
use super::places::Places;
use crate::port::{Entry, Fault, Folder, Tree};
use crate::survey::item::{Kind, Mark, Times};
use crate::value::Name;
use crate::volume::filesystem::{Access, Findings, Found, Limits, Place, Weight};
use crate::volume::layout::{Layout, Piece};
use std::collections::{HashMap, HashSet};

/// Numbers from here on stand for entries whose inode is not told; inodes have 56 bits at most.
const NAMELESS: u64 = 1 << 60;
/// As the driver keeps access lists; it tells them under their common names too.
const KEPT_LISTS: [&[u8]; 2] = [b"trusted.SGI_ACL_FILE", b"trusted.SGI_ACL_DEFAULT"];

/// A folder to be entered.
struct Waiting {
    inode: u64,
    parts: Vec<Vec<u8>>,
}

/// One walk.
pub struct Walk<'a> {
    /// Where the volume lies.
    pub place: Place,
    /// Bytes of a block.
    pub block_bytes: u64,
    /// Whose the blocks are; `None` = too many to be compared.
    pub blocks: Option<Blocks>,
    /// Bounds.
    pub limits: Limits,
    /// What was noticed.
    pub findings: Findings,
    /// Nothing is missing from the listing so far.
    pub whole: bool,
    /// Names handed over.
    pub names: u64,
    /// Inodes handed over.
    pub inodes: u64,
    /// Blocks that belong to two.
    pub twice: u64,
    /// Items with attributes that could not be read.
    pub unkept: u64,
    /// Entries without a number.
    nameless: u64,
    /// Folders entered.
    entered: HashSet<u64>,
    /// Files of several names: how many it says, how many were met.
    linked: HashMap<u64, (u32, u32)>,
    /// Who gets the items.
    see: &'a mut dyn FnMut(Found),
}

impl<'a> Walk<'a> {
    /// A walk over the volume at `place`.
    pub fn new(
        place: Place,
        block_bytes: u64,
        blocks: Option<Blocks>,
        limits: Limits,
        see: &'a mut dyn FnMut(Found),
    ) -> Self {
        Self {
            place,
            block_bytes,
            blocks,
            limits,
            findings: Findings::new(),
            whole: true,
            names: 0,
            inodes: 0,
            twice: 0,
            unkept: 0,
            nameless: 0,
            entered: HashSet::new(),
            linked: HashMap::new(),
            see,
        }
    }

    /// Everything from the root down.
    pub fn all(&mut self, tree: &dyn Tree, root: u64) {
        let name = Name::Bytes(Vec::new());
        (self.see)(Found::new(root, root, name, Kind::Folder));
        self.entered.insert(root);
        self.inodes = 1;
        each_folder(tree, root, &mut |folder, open, waiting| match open {
            Ok(open) => self.folder(folder, open, waiting),
            Err(fault) => {
                self.unread(folder.inode, &fault);
                true
            }
        });
        let missing = self.linked.iter().filter(|(_, (says, met))| met < says);
        let (mut count, mut first) = (0, None);
        for (inode, (says, met)) in missing {
            count += 1;
            first.get_or_insert((*inode, *says, *met));
        }
        if let Some((inode, says, met)) = first {
            self.findings.note_many(
                "names-missing",
                Weight::Sentence,
                Some(inode),
                count,
                || format!("inode {inode} says it has {says} names, {met} were found"),
            );
        }
    }

    /// Names every file with blocks that belong to two: the first of each pair was handed over before anybody knew.
    pub fn name_the_first(&mut self, tree: &dyn Tree, root: u64) {
        let Some(blocks) = &self.blocks else {
            return;
        };
        let findings = &mut self.findings;
        let mut entered = HashSet::from([root]);
        each_folder(tree, root, &mut |folder, open, waiting| {
            let Ok(open) = open else {
                return true;
            };
            // A folder that ends early here was named by the first walk.
            let _ = open.each(&mut |entry| {
                let Ok(stamp) = &entry.stamp else {
                    return;
                };
                match entry.kind {
                    Kind::Folder if entered.insert(stamp.inode) => {
                        waiting.push(folder.below(stamp.inode, &entry.name));
                    }
                    Kind::File if stamp.bytes > 0 => {
                        let mut places = Places::new(self.place, stamp.bytes);
                        let _ = read_places(open, &entry.name, &mut places);
                        let doubted = places.taken.iter().any(|(at, bytes, _)| {
                            let (from, to) = range(self.block_bytes, *at, *bytes);
                            blocks.in_doubt(from, to)
                        });
                        if doubted {
                            findings.note("clusters-owned-twice", Weight::OpenPoint, Some(stamp.inode), || {
                                "files lie over the same blocks, and the file system does not know it".into()
                            });
                        }
                    }
                    _ => {}
                }
            });
            true
        });
    }

    /// One folder; `false` = no more names may be listed.
    fn folder(&mut self, folder: &Waiting, open: &dyn Folder, waiting: &mut Vec<Waiting>) -> bool {
        let mut stopped = false;
        let outcome = open.each(&mut |entry| {
            if self.names >= self.limits.items {
                stopped = true;
                return;
            }
            self.names += 1;
            let (found, enter) = self.entry(folder, open, entry);
            if enter && let Some(name) = bytes_of(&found.name) {
                waiting.push(folder.below(found.record, name));
            }
            self.findings.note_item(&found);
            (self.see)(found);
        });
        if let Err(fault) = outcome {
            self.unread(folder.inode, &fault);
        }
        if stopped {
            self.whole = false;
            let limit = self.limits.items;
            self.findings
                .note("too-many-items", Weight::OpenPoint, None, || {
                    format!("more than {limit} names; the rest is not listed")
                });
        }
        !stopped
    }

    fn unread(&mut self, inode: u64, fault: &Fault) {
        self.whole = false;
        self.findings
            .note("folder-unread", Weight::OpenPoint, Some(inode), || {
                format!("a folder could not be read to its end ({fault})")
            });
    }

    /// One name, and whether to enter it.
    fn entry(&mut self, folder: &Waiting, open: &dyn Folder, entry: Entry) -> (Found, bool) {
        let name = Name::Bytes(entry.name.clone());
        let stamp = match entry.stamp {
            Ok(stamp) => stamp,
            Err(fault) => {
                self.nameless += 1;
                let number = NAMELESS + self.nameless;
                let mut found = Found::new(number, folder.inode, name, entry.kind);
                found.marks.set(Mark::Unreadable);
                found.trouble = Some(fault.to_string());
                self.whole &= entry.kind != Kind::Folder;
                return (found, false);
            }
        };
        let mut found = Found::new(stamp.inode, folder.inode, name, entry.kind);
        let time = |ns: i64| (ns != 0).then_some(ns);
        found.times = Times {
            created: time(stamp.created_ns),
            modified: time(stamp.modified_ns),
            changed: time(stamp.changed_ns),
            accessed: None,
        };
        found.access = Some(Access {
            mode: stamp.mode,
            user: stamp.user,
            group: stamp.group,
        });
        found.marks = entry.marks;
        found.attributes = entry.attributes;
        let kept = found.attributes.len();
        found
            .attributes
            .retain(|(name, _)| !KEPT_LISTS.contains(&name.as_slice()));
        if entry.marks.has(Mark::ExtendedAttributes) && kept == 0 {
            self.unkept += 1;
        }
        if entry.kind == Kind::Folder {
            let mut enter = false;
            if !self.entered.insert(stamp.inode) {
                self.not_entered(&mut found, "it leads to a folder that was already listed");
            } else if folder.parts.len() >= self.limits.depth as usize {
                self.not_entered(&mut found, "it lies too many folders deep");
                self.inodes += 1;
            } else {
                enter = true;
                self.inodes += 1;
            }
            return (found, enter);
        }
        found.names = stamp.names.max(1);
        let mut first = true;
        if found.names > 1 {
            let (_, met) = self.linked.entry(stamp.inode).or_insert((found.names, 0));
            *met += 1;
            first = *met == 1;
        }
        self.inodes += u64::from(first);
        match entry.kind {
            Kind::File => {
                found.bytes = stamp.bytes;
                self.content(&mut found, open, &entry.name, first);
            }
            Kind::Link => {
                found.link_target = entry.target.map(Name::Bytes);
                if found.link_target.is_none() {
                    found.trouble = Some("the target of the link cannot be read".into());
                }
            }
            Kind::Folder | Kind::Special => {}
        }
        (found, false)
    }

    fn not_entered(&mut self, found: &mut Found, why: &str) {
        self.whole = false;
        found.marks.set(Mark::Damaged);
        found.trouble = Some(why.to_owned());
        let inode = found.record;
        self.findings
            .note("folder-not-entered", Weight::OpenPoint, Some(inode), || {
                format!("a folder was not entered: {why}")
            });
    }

    fn content(&mut self, found: &mut Found, open: &dyn Folder, name: &[u8], first: bool) {
        if found.bytes == 0 {
            found.layout = Some(Layout::empty());
            return;
        }
        let mut places = Places::new(self.place, found.bytes);
        if let Err(fault) = read_places(open, name, &mut places) {
            found.marks.set(Mark::Unreadable);
            found.trouble = Some(fault.to_string());
            return;
        }
        if let Some(why) = places.trouble {
            found.marks.set(Mark::Damaged);
            found.trouble = Some(why.to_owned());
        }
        let mut twice = 0;
        // Of a file with several names only one counts.
        if first && let Some(blocks) = &mut self.blocks {
            for (at, bytes, shared) in &places.taken {
                let (from, to) = range(self.block_bytes, *at, *bytes);
                twice += blocks.take(from, to, *shared);
            }
        }
        if twice > 0 {
            self.twice += twice;
            found.marks.set(Mark::Damaged);
            found.trouble = Some("some of its blocks belong to another file, too: its bytes were copied, but whose they are is not known".into());
        }
        let layout = places.layout();
        let is_hole = |piece: &Piece| matches!(piece, Piece::Hole { .. });
        if layout.pieces.iter().any(is_hole) {
            found.marks.set(Mark::Sparse);
        }
        found.layout = Some(layout);
    }
}

impl Waiting {
    fn below(&self, inode: u64, name: &[u8]) -> Self {
        let mut parts = self.parts.clone();
        parts.push(name.to_vec());
        Self { inode, parts }
    }
}

/// Opens the root and every folder that `see` puts on the list, until it says `false`.
fn each_folder(
    tree: &dyn Tree,
    root: u64,
    see: &mut dyn FnMut(&Waiting, Result<&dyn Folder, Fault>, &mut Vec<Waiting>) -> bool,
) {
    let mut waiting = vec![Waiting {
        inode: root,
        parts: Vec::new(),
    }];
    while let Some(folder) = waiting.pop() {
        let open = tree.folder(&folder.parts);
        let open = match &open {
            Ok(open) => Ok(open.as_ref()),
            Err(fault) => Err(fault.clone()),
        };
        if !see(&folder, open, &mut waiting) {
            return;
        }
    }
}

fn read_places(open: &dyn Folder, name: &[u8], places: &mut Places) -> Result<(), Fault> {
    open.open(name)?.extents(&mut |told| places.take(told))
}

/// The blocks that a range of bytes lies in.
fn range(block_bytes: u64, at: u64, bytes: u64) -> (u64, u64) {
    let end = at.saturating_add(bytes);
    (at / block_bytes, end.div_ceil(block_bytes))
}

fn bytes_of(name: &Name) -> Option<&[u8]> {
    match name {
        Name::Bytes(bytes) => Some(bytes),
        Name::Units(_) => None,
    }
}
