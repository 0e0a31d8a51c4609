//! An item: one thing that can be lost. The same shape for folders and volumes.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

/// How precious an item is.
#[derive(
    Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord, Serialize, Deserialize, JsonSchema,
)]
#[serde(rename_all = "kebab-case")]
pub enum Class {
    /// Made by a person, exists nowhere else.
    Irreplaceable,
    /// Could be made again with much work, or needs keys, accounts, phone calls.
    HardToReplace,
    /// Can be bought, downloaded or set up again.
    Replaceable,
    /// The system or a program makes it again by itself.
    Rebuildable,
}

impl Class {
    /// All classes, most precious first.
    pub const ALL: [Class; 4] = [
        Class::Irreplaceable,
        Class::HardToReplace,
        Class::Replaceable,
        Class::Rebuildable,
    ];

    /// The word of the interface.
    pub fn word(self) -> &'static str {
        match self {
            Class::Irreplaceable => "irreplaceable",
            Class::HardToReplace => "hard-to-replace",
            Class::Replaceable => "replaceable",
            Class::Rebuildable => "rebuildable",
        }
    }
}

/// What an item is.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum Kind {
    /// A file, or a named stream of one.
    File,
    /// A folder.
    Folder,
    /// A link or junction: recorded, never followed.
    Link,
    /// Socket, fifo, device: recorded, no content.
    Special,
}

impl Kind {
    /// The word of the interface.
    pub fn word(self) -> &'static str {
        match self {
            Kind::File => "file",
            Kind::Folder => "folder",
            Kind::Link => "link",
            Kind::Special => "special",
        }
    }
}

/// What copying an item came to.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Got {
    /// Nothing yet.
    Nothing,
    /// All bytes.
    Whole,
    /// Some ranges are missing (zero-filled in the copy).
    Gaps,
    /// No byte could be read.
    Unreadable,
    /// It changed while it was read: no copy of it is left, so no destination's bit is set beside this.
    Changed,
}

/// What a technician should know about how an item is stored.
#[derive(
    Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord, Serialize, Deserialize, JsonSchema,
)]
#[serde(rename_all = "kebab-case")]
#[repr(u8)]
#[allow(missing_docs)] // each variant is its own word of the interface
pub enum Mark {
    Compressed = 0,
    Sparse = 1,
    Resident = 2,
    Placeholder = 3,
    Efs = 4,
    SystemCompressed = 5,
    HardLinked = 6,
    Junction = 7,
    ExtendedAttributes = 8,
    OtherMount = 9,
    Unreadable = 10,
    Deduplicated = 11,
    UnknownTag = 12,
    Stream = 13,
    Orphan = 14,
    Damaged = 15,
    /// It was listed once and is no longer at the source.
    Gone = 16,
}

/// A small set of [`Mark`]s.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Hash)]
pub struct Marks(pub u32);

impl Marks {
    const ALL: [Mark; 17] = [
        Mark::Compressed,
        Mark::Sparse,
        Mark::Resident,
        Mark::Placeholder,
        Mark::Efs,
        Mark::SystemCompressed,
        Mark::HardLinked,
        Mark::Junction,
        Mark::ExtendedAttributes,
        Mark::OtherMount,
        Mark::Unreadable,
        Mark::Deduplicated,
        Mark::UnknownTag,
        Mark::Stream,
        Mark::Orphan,
        Mark::Damaged,
        Mark::Gone,
    ];

    /// These marks and no other.
    pub fn of(marks: &[Mark]) -> Self {
        let mut out = Self::default();
        marks.iter().for_each(|mark| out.set(*mark));
        out
    }

    /// Marks of items whose content is not on the drive, or not in a form that can be read: nothing to copy.
    pub fn without_content() -> Self {
        Self::of(&[
            Mark::Placeholder,
            Mark::Deduplicated,
            Mark::UnknownTag,
            Mark::Efs,
        ])
    }

    /// Adds a mark.
    pub fn set(&mut self, mark: Mark) {
        self.0 |= 1 << mark as u32;
    }

    /// Whether the mark is there.
    pub fn has(self, mark: Mark) -> bool {
        self.0 & (1 << mark as u32) != 0
    }

    /// Whether one of these marks is there.
    pub fn any(self, of: Marks) -> bool {
        self.0 & of.0 != 0
    }

    /// The marks, in a fixed order.
    pub fn list(self) -> Vec<Mark> {
        Self::ALL
            .into_iter()
            .filter(|mark| self.has(*mark))
            .collect()
    }
}

/// The times of an item, nanoseconds since 1970 UTC; `None` = the source does not keep it.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct Times {
    /// Created.
    pub created: Option<i64>,
    /// Content last written.
    pub modified: Option<i64>,
    /// Entry last changed.
    pub changed: Option<i64>,
    /// Last read.
    pub accessed: Option<i64>,
}
