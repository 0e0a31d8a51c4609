//! What every file-system reader hands over, whatever the format: one [`Found`] per name or
//! stream through a callback, and at the end one [`Survey`] with findings and accounts.
//!
//! Invariant: trouble with one item is a mark on that item, never the end of the listing;
//! memory does not grow with the number of findings.

use super::layout::Layout;
use crate::port::Fault;
use crate::survey::item::{Kind, Mark, Marks, Times};
use crate::value::Name;
use std::fmt;

/// Where a file system lies on its drive, in bytes.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Place {
    /// First byte, counted from the start of the drive.
    pub first_byte: u64,
    /// Length of the partition (or gap, or drive) that holds it.
    pub bytes: u64,
}

impl Place {
    /// The byte behind the last one, saturating.
    pub fn end(self) -> u64 {
        self.first_byte.saturating_add(self.bytes)
    }
}

/// One name (or named stream) of one record. A record with two hard links appears twice,
/// each with `names == 2`; the content is the same layout.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Found {
    /// Number of the record within its volume. Formats without record numbers use the byte
    /// place of the directory entry (or of the folder's content), unique within the volume.
    pub record: u64,
    /// Record of the folder that holds this name. The root's parent is the root itself.
    pub parent: u64,
    /// The name within the folder, exact units. Empty for the root.
    pub name: Name,
    /// Name of the stream; `None` = the unnamed content.
    pub stream: Option<Name>,
    /// What it is.
    pub kind: Kind,
    /// Logical length in bytes (0 for folders and links without content).
    pub bytes: u64,
    /// Its times, as far as the format keeps them.
    pub times: Times,
    /// How it is stored, and what is wrong with it.
    pub marks: Marks,
    /// Target of a link or junction, exact units, unresolved.
    pub link_target: Option<Name>,
    /// Where its bytes are; `None` = see `no_content`, or the reader gives content by a handle.
    pub layout: Option<Layout>,
    /// Mode, owner and group, where the format keeps them.
    pub access: Option<Access>,
    /// Extended attributes as a mount would tell them: name and value, access lists as `system.posix_acl_*`. The mark
    /// `ExtendedAttributes` with an attribute missing from the list says that it could not be kept.
    pub attributes: Vec<(Vec<u8>, Vec<u8>)>,
    /// Why there are no bytes to copy; `None` = there is content.
    pub no_content: Option<NoContent>,
    /// The reparse tag, where the format has one and the item bears it.
    pub tag: Option<u32>,
    /// Number of names that the record says it has (at least 1).
    pub names: u32,
    /// What is wrong with this item, in words; `None` = nothing was noticed.
    pub trouble: Option<String>,
}

impl Found {
    /// An item with nothing but its place in the tree; the reader fills the rest.
    pub fn new(record: u64, parent: u64, name: Name, kind: Kind) -> Self {
        Self {
            record,
            parent,
            name,
            stream: None,
            kind,
            bytes: 0,
            times: Times::default(),
            marks: Marks::default(),
            link_target: None,
            layout: None,
            access: None,
            attributes: Vec::new(),
            no_content: NoContent::of(kind),
            tag: None,
            names: 1,
            trouble: None,
        }
    }
}

/// Who may do what with an item.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct Access {
    /// Mode bits, with the kind of file as Unix keeps it.
    pub mode: u32,
    /// Owner.
    pub user: u32,
    /// Group.
    pub group: u32,
}

/// Why an item has no bytes that could be copied.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum NoContent {
    /// A folder.
    Folder,
    /// A link or junction: the target is recorded.
    Link,
    /// A socket, fifo or device.
    Special,
    /// A cloud placeholder: the content is on somebody's server.
    Placeholder,
    /// Content was moved to a deduplication store that is not understood here.
    Deduplicated,
    /// A reparse tag that nothing here understands: the bytes seen may not be the content.
    UnknownTag,
    /// Encrypted by the file system; the key is not here.
    Encrypted,
    /// Stored in a form that is not understood here.
    UnknownForm,
}

impl NoContent {
    /// Why items of this kind have none.
    pub fn of(kind: Kind) -> Option<Self> {
        match kind {
            Kind::File => None,
            Kind::Folder => Some(NoContent::Folder),
            Kind::Link => Some(NoContent::Link),
            Kind::Special => Some(NoContent::Special),
        }
    }

    /// The word for lists and JSON.
    pub fn word(self) -> &'static str {
        match self {
            NoContent::Folder => "folder",
            NoContent::Link => "link",
            NoContent::Special => "special",
            NoContent::Placeholder => "placeholder",
            NoContent::Deduplicated => "deduplicated",
            NoContent::UnknownTag => "unknown-tag",
            NoContent::Encrypted => "encrypted",
            NoContent::UnknownForm => "unknown-form",
        }
    }
}

/// What a finding asks for.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub enum Weight {
    /// One sentence; normal in this trade (a dirty flag after a crash).
    Sentence,
    /// Somebody has to decide: something may be missing from the listing, or wrong in it.
    OpenPoint,
}

/// One kind of thing noticed, however often it occurred.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Finding {
    /// A stable word with hyphens (`clusters-owned-twice`).
    pub id: &'static str,
    /// What it asks for.
    pub weight: Weight,
    /// The first occurrence, in words, with numbers.
    pub says: String,
    /// A few more of them, in words.
    pub more: Vec<String>,
    /// How often it occurred.
    pub count: u64,
    /// Records concerned, the first [`Findings::EXAMPLES`] of them.
    pub records: Vec<u64>,
}

impl Finding {
    /// The first few occurrences, in words.
    pub fn words(&self) -> String {
        let mut all = vec![self.says.as_str()];
        all.extend(self.more.iter().map(String::as_str));
        all.join("; ")
    }
}

/// Collects findings: one per id, with a count and a few examples, so that a hostile volume
/// cannot fill memory with complaints.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct Findings {
    list: Vec<Finding>,
}

impl Findings {
    /// How many records are kept as examples of one finding.
    pub const EXAMPLES: usize = 16;
    /// How many occurrences besides the first are kept in words.
    pub const WORDS: usize = 5;

    /// None so far.
    pub fn new() -> Self {
        Self::default()
    }

    /// Notes one occurrence. `says` is called for the first few only.
    pub fn note(
        &mut self,
        id: &'static str,
        weight: Weight,
        record: Option<u64>,
        says: impl FnOnce() -> String,
    ) {
        self.note_many(id, weight, record, 1, says);
    }

    /// Notes an item that is not whole, by its name.
    pub fn note_item(&mut self, found: &Found) {
        if found.marks.has(Mark::Damaged) || found.marks.has(Mark::Unreadable) {
            let says = found.trouble.clone().unwrap_or_default();
            self.note(
                "items-damaged",
                Weight::OpenPoint,
                Some(found.record),
                || format!("\"{}\": {says}", found.name.text()),
            );
        }
    }

    /// Says of how many items attributes stay behind. On ext those that could not be read; on NTFS all: its access lists
    /// name accounts of the old system alone, and what programs noted (`$EA`) has no name that a Linux file could bear
    /// unchanged, nor any that a system put back to would look for.
    pub fn note_attributes(&mut self, items: u64) {
        self.note_many("attributes-not-kept", Weight::Sentence, None, items, || {
            format!(
                "{items} files or folders have attributes of their own (access lists, labels, notes of programs) that are not copied; contents, names and times are"
            )
        });
    }

    /// Notes `count` occurrences at once (nothing when `count` is 0).
    pub fn note_many(
        &mut self,
        id: &'static str,
        weight: Weight,
        record: Option<u64>,
        count: u64,
        says: impl FnOnce() -> String,
    ) {
        if count == 0 {
            return;
        }
        let known = self.list.iter_mut().find(|finding| finding.id == id);
        match known {
            Some(finding) => {
                finding.count = finding.count.saturating_add(count);
                finding.weight = finding.weight.max(weight);
                if finding.more.len() < Self::WORDS {
                    let says = says();
                    if says != finding.says && !finding.more.contains(&says) {
                        finding.more.push(says);
                    }
                }
                if let Some(record) = record
                    && finding.records.len() < Self::EXAMPLES
                {
                    finding.records.push(record);
                }
            }
            None => self.list.push(Finding {
                id,
                weight,
                says: says(),
                more: Vec::new(),
                count,
                records: record.into_iter().collect(),
            }),
        }
    }

    /// The finding of this id, if it occurred.
    pub fn of(&self, id: &str) -> Option<&Finding> {
        self.list.iter().find(|finding| finding.id == id)
    }

    /// All of them, in the order of their first occurrence.
    pub fn list(&self) -> &[Finding] {
        &self.list
    }

    /// Whether any of them is an open point.
    pub fn any_open(&self) -> bool {
        self.list
            .iter()
            .any(|finding| finding.weight == Weight::OpenPoint)
    }

    /// Takes over everything from another collection.
    pub fn append(&mut self, other: Findings) {
        for finding in other.list {
            let Finding {
                id,
                weight,
                says,
                more,
                count,
                records,
            } = finding;
            self.note_many(id, weight, None, count, || says);
            if let Some(own) = self.list.iter_mut().find(|own| own.id == id) {
                let room = Self::EXAMPLES.saturating_sub(own.records.len());
                own.records.extend(records.into_iter().take(room));
                let room = Self::WORDS.saturating_sub(own.more.len());
                own.more.extend(more.into_iter().take(room));
            }
        }
    }
}

/// Does everything add up? Clusters owned by items and by the file system itself, against the
/// volume's own book of what is in use.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct Accounts {
    /// Bytes of one cluster (block).
    pub cluster_bytes: u64,
    /// Clusters of the volume; 0 = the reader cannot see clusters.
    pub clusters: u64,
    /// Clusters owned by at least one listed item or by the file system's own tables.
    pub owned: u64,
    /// Clusters that the volume's own bitmap (or table) says are in use; `None` = it could not be read.
    pub in_use: Option<u64>,
    /// In use, but owned by nothing that was listed: content that the listing does not show.
    pub in_use_without_owner: u64,
    /// Owned, but free in the volume's own book: may be overwritten or stale.
    pub owned_but_free: u64,
    /// Owned by two: at most one of the owners has its own bytes.
    pub owned_twice: u64,
    /// Clusters that the volume's own book marks as bad.
    pub marked_bad: u64,
    /// Records (entries) that the file table says are in use; `None` = the format does not count them.
    pub records_in_use: Option<u64>,
    /// Records (entries) listed.
    pub records_listed: u64,
    /// Records (entries) in use that could not be understood; each of them may have been a file.
    pub records_damaged: u64,
}

impl Accounts {
    /// Whether every cluster and record in use has exactly one listed owner. An unread bitmap never adds up;
    /// `clusters == 0` says that the reader cannot see clusters at all, and only records are compared.
    pub fn add_up(&self) -> bool {
        (self.clusters == 0 || self.in_use.is_some())
            && self.in_use_without_owner == 0
            && self.owned_but_free == 0
            && self.owned_twice == 0
            && self.records_damaged == 0
            && self
                .records_in_use
                .is_none_or(|in_use| in_use == self.records_listed)
    }
}

/// What a file system says of itself, and whether its listing can be relied on.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Survey {
    /// The format, as people write it (`NTFS`, `FAT32`, `exFAT`, `ext4`).
    pub format: &'static str,
    /// The volume's label; `None` = it has none.
    pub label: Option<Name>,
    /// The volume's serial number or UUID, as the format prints it.
    pub serial: Option<String>,
    /// The volume says that it was not closed properly; `None` = the format does not say.
    pub dirty: Option<bool>,
    /// Record of the root folder.
    pub root: u64,
    /// Bytes that the file system says it occupies from its first byte.
    pub bytes: u64,
    /// Everything in the tables was read and understood, so nothing can be missing from the listing.
    pub whole: bool,
    /// What was noticed.
    pub findings: Findings,
    /// Does it add up?
    pub accounts: Accounts,
}

/// Bounds for one survey, so that a damaged or hostile volume ends.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Limits {
    /// Names at most.
    pub items: u64,
    /// Folders within folders at most.
    pub depth: u32,
    /// Bytes at most that one table (allocation table, bitmap, folder) may take in memory.
    pub table_bytes: u64,
}

impl Default for Limits {
    /// Far above what real volumes hold (engineering judgement).
    fn default() -> Self {
        Self {
            items: 100_000_000,
            depth: 4096,
            table_bytes: 2 << 30,
        }
    }
}

/// Why a volume could not be surveyed at all.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct NotSurveyed {
    /// What was tried and on what.
    pub doing: String,
    /// What was expected and what was found.
    pub found: String,
    /// What to do next.
    pub next: String,
    /// The read fault behind it, if it was one.
    pub fault: Option<Box<Fault>>,
}

impl NotSurveyed {
    /// The bytes do not make sense.
    pub fn because(
        doing: impl Into<String>,
        found: impl Into<String>,
        next: impl Into<String>,
    ) -> Self {
        Self {
            doing: doing.into(),
            found: found.into(),
            next: next.into(),
            fault: None,
        }
    }

    /// The bytes could not be read.
    pub fn unread(doing: impl Into<String>, fault: Fault) -> Self {
        Self {
            doing: doing.into(),
            found: fault.to_string(),
            next: "read the drive by the salvage route, then survey it again".to_owned(),
            fault: Some(Box::new(fault)),
        }
    }
}

impl fmt::Display for NotSurveyed {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{}: {}; next: {}", self.doing, self.found, self.next)
    }
}

impl std::error::Error for NotSurveyed {}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn findings_are_counted_not_piled_up() {
        let mut findings = Findings::new();
        for record in 0..1_000_000 {
            findings.note("x", Weight::Sentence, Some(record), || {
                format!("first {record}")
            });
        }
        findings.note("x", Weight::OpenPoint, None, || "later".to_owned());
        let x = findings.of("x").unwrap();
        assert_eq!(x.count, 1_000_001);
        assert_eq!(x.says, "first 0");
        assert_eq!(x.records.len(), Findings::EXAMPLES);
        assert_eq!(x.more.len(), Findings::WORDS);
        assert!(x.words().starts_with("first 0; first 1; "));
        assert!(findings.any_open());
        let mut other = Findings::new();
        other.append(findings);
        assert_eq!(other.of("x").unwrap().count, 1_000_001);
        assert_eq!(other.of("x").unwrap().records.len(), Findings::EXAMPLES);
    }

    #[test]
    fn an_unread_bitmap_never_adds_up() {
        let mut accounts = Accounts {
            clusters: 8,
            ..Accounts::default()
        };
        assert!(!accounts.add_up());
        accounts.in_use = Some(0);
        assert!(accounts.add_up());
        accounts.records_in_use = Some(3);
        assert!(!accounts.add_up());
    }
}
