//! How a drive is divided: tables, partitions and the gaps between them.
//!
//! Invariant: every byte of the drive lies in exactly one area, and every partition that any table
//! names (current, backup, hybrid or left over) is in the list, so nothing escapes the survey.

mod areas;
mod build;
mod gpt;
pub mod guid;
mod mbr;

use crate::value::Name;
use crate::volume::filesystem::{Findings, Place};
use guid::Guid;

pub use build::read;
pub use mbr::type_in_words as mbr_type_in_words;

/// How a drive is divided.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Map {
    /// Disjoint areas in order of their place; together they are the whole drive.
    pub areas: Vec<Area>,
    /// Every partition that any table names. Probe each of them over its own [`Partition::place`]
    /// (two may overlap; their areas do not).
    pub partitions: Vec<Partition>,
    /// Which tables count here.
    pub scheme: Scheme,
    /// Bytes of one sector as the table counts them; may differ from what the drive says.
    pub table_sector_bytes: u32,
    /// The disk's GUID, or the eight hex digits of the MBR's disk signature.
    pub disk_id: Option<String>,
    /// What was noticed.
    pub findings: Findings,
}

/// Which tables a drive has.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Scheme {
    /// Nothing: blank, foreign, or a volume from the first byte.
    None,
    /// An MBR.
    Mbr,
    /// A GUID partition table behind a protective MBR.
    Gpt,
    /// Both a GUID partition table and an MBR that names partitions.
    Both,
}

/// One stretch of the drive.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Area {
    /// First byte, counted from the start of the drive.
    pub first_byte: u64,
    /// Length in bytes, never 0.
    pub bytes: u64,
    /// What it is.
    pub kind: AreaKind,
}

impl Area {
    /// Its place on the drive.
    pub fn place(&self) -> Place {
        Place {
            first_byte: self.first_byte,
            bytes: self.bytes,
        }
    }
}

/// What a stretch of the drive is.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum AreaKind {
    /// Part of a partition table.
    Table(TableKind),
    /// Belongs to the partition with this index in [`Map::partitions`].
    Partition(usize),
    /// No table names it.
    Gap,
}

/// Which part of a table.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum TableKind {
    /// The MBR in sector 0.
    Mbr,
    /// A table of an extended chain.
    Extended,
    /// Header or entries of the primary GUID partition table.
    GptPrimary,
    /// Header or entries of its backup.
    GptBackup,
}

/// Who names a partition.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub enum Source {
    /// The primary GUID partition table.
    GptPrimary,
    /// The backup GUID partition table.
    GptBackup,
    /// The MBR in sector 0.
    Mbr,
    /// A table of an extended chain.
    Extended,
    /// Nobody: a volume starts at the first byte of the drive.
    WholeDrive,
}

/// The type that a table gives a partition. A hint for people, never a reason to skip.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum PartitionType {
    /// Type byte of an MBR entry.
    Mbr(u8),
    /// Type GUID.
    Gpt(Guid),
    /// No table.
    None,
}

impl PartitionType {
    /// In words for people, the number itself where no words are known.
    pub fn in_words(self) -> String {
        match self {
            PartitionType::Mbr(kind) => {
                mbr::type_in_words(kind).map_or_else(|| format!("type {kind:02X}h"), str::to_owned)
            }
            PartitionType::Gpt(kind) => {
                guid::type_in_words(kind).map_or_else(|| format!("type {kind}"), str::to_owned)
            }
            PartitionType::None => "no table".to_owned(),
        }
    }
}

/// One partition.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Partition {
    /// Its number in its table (1 and up; logical partitions 5 and up; 0 = the whole drive).
    pub number: u32,
    /// Where it lies, clipped to the drive.
    pub place: Place,
    /// Length that the table gives it, in bytes; more than `place.bytes` = it reaches beyond the drive.
    pub declared_bytes: u64,
    /// Its type.
    pub kind: PartitionType,
    /// Its name, where the table has names.
    pub name: Option<Name>,
    /// The attribute bits of the table (GPT), or 1 for an active MBR entry.
    pub attributes: u64,
    /// Its own GUID.
    pub unique: Option<Guid>,
    /// Every table that names it, in order of trust.
    pub sources: Vec<Source>,
    /// It shares bytes with another partition.
    pub overlaps: bool,
}

#[cfg(test)]
mod tests;
