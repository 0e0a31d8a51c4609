//! Handing over: every inode of every subvolume, once for each of its names.
//!
//! Invariant: every entry of a folder is handed over, if need be as one whose inode is missing; no number stands for two items.

use super::files::Books;
use super::gather::{self, Gathered, Step};
use super::item::{Entry, Inode, Root, number};
use crate::port::Fault;
use crate::survey::item::{Kind, Mark};
use crate::value::Name;
use crate::value::measure::bytes_in_words;
use crate::volume::filesystem::{Access, Findings, Found, Limits, Weight};
use crate::volume::ntfs::LOST_PARENT;
use std::collections::{BTreeMap, BTreeSet, HashMap, HashSet};

/// Bits of a number that tell inodes apart; those above tell subvolumes apart.
const INODE_BITS: u32 = 40;
/// Subvolumes at most, so that numbers fit into what the ledger keeps.
const MOST_SUBVOLUMES: usize = 1 << 20;
/// Attributes that stand for how the file system packs a file begin so: they say nothing of its content.
const OWN_ATTRIBUTES: &[u8] = b"btrfs.";

/// Whether the item of this number is the root of the volume or of a subvolume.
pub fn begins_subvolume(record: u64) -> bool {
    record & ((1 << INODE_BITS) - 1) == number::FIRST
}

/// A file by all that makes it what it is.
type Same = [u8; 16];

/// How often a file that snapshots share is met, and the number that stands for it.
#[derive(Debug, Default, Clone, Copy)]
struct Shared {
    names: u32,
    record: Option<u64>,
}

/// One hand-over.
pub struct HandOver<'a, 's> {
    /// What contents are looked up in.
    pub books: Books<'a>,
    /// What was noticed.
    pub findings: Findings,
    /// Nothing is missing from the listing so far.
    pub whole: bool,
    /// Inodes handed over.
    pub records: u64,
    /// Inodes in use.
    pub in_use: u64,
    /// Gaps, each of which may have held inodes.
    pub damaged: u64,
    /// Items with attributes that could not be read.
    pub unkept: u64,
    roots: &'a BTreeMap<u64, Root>,
    names: &'a BTreeMap<u64, (u64, u64, Vec<u8>)>,
    /// Inodes of which the log has something newer.
    behind: BTreeSet<(u64, u64)>,
    limits: Limits,
    see: &'s mut dyn FnMut(Found),
    /// The place of each subvolume among all.
    places: HashMap<u64, u64>,
    shared: HashMap<Same, Shared>,
    handed: u64,
    held: u64,
    unlinked: u64,
}

/// What the folders of a subvolume name, against what its inodes say of themselves.
#[derive(Default)]
struct Ties {
    entries: u64,
    names: u64,
    gaps: u64,
}

impl<'a, 's> HandOver<'a, 's> {
    /// Nothing is handed over yet.
    pub fn new(
        books: Books<'a>,
        roots: &'a BTreeMap<u64, Root>,
        names: &'a BTreeMap<u64, (u64, u64, Vec<u8>)>,
        behind: BTreeSet<(u64, u64)>,
        limits: Limits,
        findings: Findings,
        see: &'s mut dyn FnMut(Found),
    ) -> Self {
        let places = roots
            .keys()
            .zip(0u64..)
            .map(|(id, place)| (*id, place))
            .collect();
        Self {
            books,
            findings,
            whole: true,
            records: 0,
            in_use: 0,
            damaged: 0,
            unkept: 0,
            roots,
            names,
            behind,
            limits,
            see,
            places,
            shared: HashMap::new(),
            handed: 0,
            held: 0,
            unlinked: 0,
        }
    }

    /// Everything; returns the number of the root.
    pub fn all(&mut self) -> Result<u64, Fault> {
        let roots = self.roots;
        if roots.len() > MOST_SUBVOLUMES {
            self.whole = false;
            self.findings
                .note("too-many-items", Weight::OpenPoint, None, || {
                    format!("more than {MOST_SUBVOLUMES} subvolumes; the rest is not listed")
                });
        }
        let listed = || roots.iter().take(MOST_SUBVOLUMES);
        if roots.values().any(|root| root.is_snapshot) {
            for (_, root) in listed() {
                self.count(root)?;
            }
        }
        for (id, root) in listed() {
            self.subvolume(*id, root)?;
        }
        let (held, unlinked) = (self.held, self.unlinked);
        self.findings.note_many("unlinked-while-open", Weight::Sentence, None, unlinked, || {
            format!(
                "{unlinked} files that were deleted, but still open when the system stopped, are not listed ({}): the system itself would have removed them at its next start",
                bytes_in_words(held)
            )
        });
        Ok(self.number(number::FILES, number::FIRST))
    }

    /// The number of an inode within the volume.
    fn number(&self, subvolume: u64, inode: u64) -> u64 {
        let place = self.places.get(&subvolume).copied().unwrap_or(0);
        place << INODE_BITS | inode & ((1 << INODE_BITS) - 1)
    }

    /// Counts the names of files that subvolumes share.
    fn count(&mut self, root: &Root) -> Result<(), Fault> {
        let trees = self.books.trees;
        gather::each(trees, root.pointer, &mut |step| {
            if let Step::Inode(own) = step
                && let Some(same) = same(own)
            {
                let names = u32::try_from(own.names.len()).unwrap_or(u32::MAX);
                let shared = self.shared.entry(same).or_default();
                shared.names = shared.names.saturating_add(names);
            }
            Ok(())
        })
    }

    fn subvolume(&mut self, id: u64, root: &Root) -> Result<(), Fault> {
        let trees = self.books.trees;
        let mut ties = Ties::default();
        gather::each(trees, root.pointer, &mut |step| {
            match step {
                Step::Inode(own) => {
                    let counts = own.inode.is_some() && own.number != number::FIRST;
                    for (folder, name) in own.names.iter().filter(|_| counts) {
                        ties.names = ties.names.wrapping_add(tie(*folder, own.number, name));
                    }
                    self.inode(id, own);
                }
                Step::Entry { folder, entry } if !entry.is_subvolume() => {
                    ties.entries =
                        ties.entries
                            .wrapping_add(tie(folder, entry.to.object, &entry.name));
                }
                Step::Entry { folder, entry } => self.doorway(id, folder, &entry),
                Step::Gap { why } => {
                    ties.gaps += 1;
                    self.gap(why);
                }
            }
            Ok(())
        })?;
        if ties.gaps > 0 || ties.entries != ties.names {
            self.untied(id, root)?;
        }
        Ok(())
    }

    fn gap(&mut self, why: &str) {
        self.whole = false;
        self.damaged += 1;
        self.findings
            .note("file-table-damaged", Weight::OpenPoint, None, || {
                format!("a part of a tree of files is missing ({why})")
            });
    }

    /// Finds entries of folders without an inode that knows them, and lists these; and names that no folder knows.
    fn untied(&mut self, id: u64, root: &Root) -> Result<(), Fault> {
        let trees = self.books.trees;
        let (mut names, mut inodes) = (HashSet::new(), HashSet::new());
        gather::each(trees, root.pointer, &mut |step| {
            if let Step::Inode(own) = step
                && own.inode.is_some()
                && own.number != number::FIRST
            {
                inodes.insert(own.number);
                names.extend(
                    own.names
                        .iter()
                        .map(|(folder, name)| tie(*folder, own.number, name)),
                );
            }
            Ok(())
        })?;
        let mut missing = HashSet::new();
        gather::each(trees, root.pointer, &mut |step| {
            let Step::Entry { folder, entry } = step else {
                return Ok(());
            };
            let tied = tie(folder, entry.to.object, &entry.name);
            if entry.is_subvolume() || names.remove(&tied) {
                return Ok(());
            }
            let there = inodes.contains(&entry.to.object);
            if !there && missing.insert(entry.to.object) {
                self.in_use += 1;
                self.records += 1;
            }
            self.absent(id, folder, &entry, there);
            Ok(())
        })?;
        let left = names.len() as u64;
        self.findings.note_many(
            "names-not-in-folders",
            Weight::OpenPoint,
            None,
            left,
            || "files know names that their folders do not: they are listed by them".into(),
        );
        Ok(())
    }

    /// An entry whose inode is missing, or does not know it.
    fn absent(&mut self, id: u64, folder: u64, entry: &Entry, there: bool) {
        let parent = self.number(id, folder);
        let record = self.number(id, entry.to.object);
        let name = Name::Bytes(entry.name.clone());
        let mut found = Found::new(record, parent, name, entry.kind.unwrap_or(Kind::File));
        let (mark, why) = match there {
            true => (
                Mark::Damaged,
                "its inode does not know this name: its content is listed under another one",
            ),
            false => (
                Mark::Unreadable,
                "what the file system knows of it is missing",
            ),
        };
        found.marks.set(mark);
        found.trouble = Some(why.to_owned());
        self.hand(found);
    }

    /// An entry that leads to a subvolume. Within a snapshot it leads nowhere: the system shows an empty folder.
    fn doorway(&mut self, id: u64, folder: u64, entry: &Entry) {
        let to = entry.to.object;
        let own = |(parent, dir, name): &(u64, u64, Vec<u8>)| {
            *parent == id && *dir == folder && *name == entry.name
        };
        let leads = self.names.get(&to).is_some_and(own) && self.roots.contains_key(&to);
        if leads {
            return;
        }
        // Numbers of subvolumes and of inodes do not meet below this bit.
        let place = self.number(id, to) | 1 << (INODE_BITS - 1);
        let name = Name::Bytes(entry.name.clone());
        let mut found = Found::new(place, self.number(id, folder), name, Kind::Folder);
        let lost = self.roots.get(&id).is_some_and(|root| !root.is_snapshot)
            && !self.roots.contains_key(&to);
        if lost {
            self.whole = false;
            found.marks.set(Mark::Unreadable);
            found.trouble = Some("it leads to a subvolume that is missing".into());
        }
        self.hand(found);
    }

    fn hand(&mut self, found: Found) {
        if self.handed >= self.limits.items {
            self.whole = false;
            let limit = self.limits.items;
            self.findings
                .note("too-many-items", Weight::OpenPoint, None, || {
                    format!("more than {limit} names; the rest is not listed")
                });
            return;
        }
        self.handed += 1;
        self.findings.note_item(&found);
        (self.see)(found);
    }

    /// One inode, by all its names.
    fn inode(&mut self, id: u64, own: &Gathered) {
        let Some(inode) = own.inode else {
            // Its names, if folders have them, are listed as missing; what it has is not free.
            self.books.content(own, Inode::default());
            return;
        };
        if own.number >= 1 << (INODE_BITS - 1) {
            self.gap("an inode has a number that is too large");
            return;
        }
        let content = (inode.kind() == Some(Kind::File)).then(|| self.books.content(own, inode));
        if inode.names == 0 && own.names.is_empty() {
            self.unlinked += 1;
            self.held = self.held.saturating_add(inode.bytes);
            return;
        }
        self.in_use += 1;
        self.records += 1;
        let mut record = self.number(id, own.number);
        let mut names = inode.names.max(1);
        if let Some(same) = same(own)
            && let Some(shared) = self.shared.get_mut(&same)
            && shared.names > inode.names
        {
            names = shared.names;
            record = *shared.record.get_or_insert(record);
        }
        let mut found = Found::new(
            record,
            LOST_PARENT,
            Name::Bytes(Vec::new()),
            inode.kind().unwrap_or(Kind::Special),
        );
        found.names = names;
        if names > 1 && found.kind != Kind::Folder {
            found.marks.set(Mark::HardLinked);
        }
        found.times = inode.times;
        found.access = Some(Access {
            mode: inode.mode,
            user: inode.user,
            group: inode.group,
        });
        self.wear(&mut found, own);
        found.trouble.clone_from(&own.trouble);
        let mut doubt = |says: &str| _ = found.trouble.get_or_insert_with(|| says.into());
        if inode.kind().is_none() {
            doubt("it is nothing that has a name");
        }
        if inode.names == 0 {
            doubt("its inode says that it was deleted, and it has names");
        }
        match content {
            Some(content) => {
                found.bytes = content.layout.length;
                found.marks.0 |= content.marks.0;
                found.trouble = content.trouble.or(found.trouble);
                found.layout = Some(content.layout);
            }
            None if found.kind == Kind::Link => {
                found.link_target = Books::target(own).map(Name::Bytes);
                if found.link_target.is_none() {
                    found
                        .trouble
                        .get_or_insert_with(|| "the target of the link cannot be read".into());
                }
            }
            None => {}
        }
        if self.behind.contains(&(id, own.number)) && found.kind == Kind::File {
            found.trouble.get_or_insert_with(|| {
                "its newest length and places of content stand in a log that is not applied here: it may be older than its owner last saw".into()
            });
        }
        if found.trouble.is_some() {
            found.marks.set(Mark::Damaged);
        }
        self.by_names(id, own, found);
    }

    /// Hands one item over by each of its names.
    fn by_names(&mut self, id: u64, own: &Gathered, found: Found) {
        if own.number == number::FIRST {
            return self.root(id, found);
        }
        if own.names_cut {
            self.whole = false;
        }
        for (folder, name) in &own.names {
            let mut one = found.clone();
            one.parent = self.number(id, *folder);
            one.name = Name::Bytes(name.clone());
            if name.iter().any(|byte| matches!(byte, 0 | b'/')) {
                one.marks.set(Mark::Damaged);
                one.trouble
                    .get_or_insert_with(|| "its name cannot be a name".into());
            }
            self.hand(one);
        }
        let met = own.names.len() as u64;
        if met == 0 {
            let mut one = found;
            one.name = Name::Bytes(format!("#{}", own.number).into_bytes());
            one.marks.set(Mark::Orphan);
            let record = one.record;
            self.findings
                .note("nameless", Weight::OpenPoint, Some(record), || {
                    format!("inode {} is in use, and no folder leads to it", own.number)
                });
            self.hand(one);
        } else if own.inode.is_some_and(|inode| u64::from(inode.names) > met) {
            let record = self.number(id, own.number);
            self.findings
                .note("names-missing", Weight::Sentence, Some(record), || {
                    format!("inode {} has fewer names than it says", own.number)
                });
        }
    }

    /// The root of a subvolume, in the folder that it stands in.
    fn root(&mut self, id: u64, mut found: Found) {
        found.record = self.number(id, number::FIRST);
        found.names = 1;
        if id == number::FILES {
            found.parent = found.record;
            return self.hand(found);
        }
        match self.names.get(&id) {
            Some((parent, folder, name)) if self.roots.contains_key(parent) => {
                found.parent = self.number(*parent, *folder);
                found.name = Name::Bytes(name.clone());
            }
            _ => {
                found.parent = LOST_PARENT;
                found.name = Name::Bytes(format!("#subvolume-{id}").into_bytes());
                found.marks.set(Mark::Orphan);
                self.findings
                    .note("nameless", Weight::OpenPoint, Some(found.record), || {
                        format!("subvolume {id} is in use, and no folder leads to it")
                    });
            }
        }
        self.hand(found);
    }

    fn wear(&mut self, found: &mut Found, own: &Gathered) {
        let kept = own
            .attributes
            .iter()
            .filter(|(name, _)| !name.starts_with(OWN_ATTRIBUTES));
        found.attributes = kept.cloned().collect();
        if !found.attributes.is_empty() || own.attributes_cut {
            found.marks.set(Mark::ExtendedAttributes);
        }
        self.unkept += u64::from(own.attributes_cut);
    }
}

/// What tells a file that snapshots have unchanged; `None` = it has no content, or something of it is missing.
fn same(own: &Gathered) -> Option<Same> {
    let inode = own
        .inode
        .filter(|inode| inode.kind() == Some(Kind::File) && inode.bytes > 0)?;
    if own.trouble.is_some() || own.attributes_cut || inode.names == 0 {
        return None;
    }
    let mut hasher = own.lasting.clone();
    hasher.update(&own.number.to_le_bytes());
    hasher.finalize().as_bytes().first_chunk::<16>().copied()
}

/// A name as a number: the sums of two equal sets are equal, and those of different ones are not, but by an accident of 2^-64.
fn tie(folder: u64, inode: u64, name: &[u8]) -> u64 {
    let mut hasher = blake3::Hasher::new();
    hasher.update(&folder.to_le_bytes());
    hasher.update(&inode.to_le_bytes());
    hasher.update(name);
    hasher
        .finalize()
        .as_bytes()
        .first_chunk::<8>()
        .map_or(0, |bytes| u64::from_le_bytes(*bytes))
}
