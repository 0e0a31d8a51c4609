//! The superblock and its copies: where the trees begin, and what kind of volume this is.
//!
//! Invariant: a copy counts only with a checksum that fits and at the place that it names; of those the newest is used.

use crate::port::{Fault, FaultKind};
use crate::value::Name;
use crate::volume::bytes::{Part, array, is, le16, le32, le64, u8_at, uuid_text};
use crate::volume::filesystem::{Findings, Weight};
use crate::volume::sums::Sum;

/// Where copies of it stand, in bytes from the start of the volume.
const COPIES: [u64; 3] = [64 << 10, 64 << 20, 256 << 30];
/// Bytes of one.
const BYTES: usize = 4096;
/// What it begins with, behind its checksum and place.
const MAGIC: &[u8] = b"_BHRfS_M";

/// Properties without which a volume is read wrongly (`incompat_flags`).
mod incompat {
    /// Blocks of tables bear another identity than the volume.
    pub const METADATA_UUID: u64 = 1 << 10;
    /// Holes of files are not written down.
    pub const NO_HOLES: u64 = 1 << 9;
    /// All that this reader knows: mixed back references, default subvolume, mixed groups, LZO, Zstandard, large tables,
    /// extended references, RAID5/6, skinny tables, no holes, identity of tables, three and four copies, simple quotas.
    pub const KNOWN: u64 = 0x1
        | 0x2
        | 0x4
        | 0x8
        | 0x10
        | 0x20
        | 0x40
        | 0x80
        | 0x100
        | 0x200
        | 0x400
        | 0x800
        | 0x1_0000;
}

/// Where a tree begins.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Pointer {
    /// Logical byte of its block.
    pub at: u64,
    /// The change that wrote it.
    pub generation: u64,
    /// Levels below it.
    pub level: u8,
}

/// What a superblock says.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Superblock {
    /// How blocks and contents are summed.
    pub sum: Sum,
    /// The volume's identity.
    pub id: [u8; 16],
    /// The identity that blocks of tables bear.
    pub tables_id: [u8; 16],
    /// Counts changes.
    pub generation: u64,
    /// The tree of trees.
    pub root: Pointer,
    /// The tree of chunks.
    pub chunks: Pointer,
    /// The tree of what was written since the last change; 0 = none.
    pub log: Pointer,
    /// Bytes of the volume on this device.
    pub bytes: u64,
    /// Devices of the volume.
    pub devices: u64,
    /// This device's number.
    pub device: u64,
    /// Bytes of a sector: the smallest unit of content, and what a checksum stands for.
    pub sector_bytes: u32,
    /// Bytes of a block of a table.
    pub block_bytes: u32,
    /// Its label.
    pub label: Vec<u8>,
    /// Chunks that hold the tree of chunks: keys and items, one behind the other.
    pub first_chunks: Vec<u8>,
    flags: u64,
}

impl Superblock {
    /// Finds the newest sound copy. The error is for people.
    pub fn locate(part: &Part<'_>, findings: &mut Findings) -> Result<Result<Self, String>, Fault> {
        let mut best: Option<(u64, Self)> = None;
        let mut why = None;
        for at in COPIES {
            if at.saturating_add(BYTES as u64) > part.bytes() {
                continue;
            }
            let read = match part.read_vec(at, BYTES) {
                Ok(raw) => Self::parse(&raw, at),
                Err(fault) if fault.kind == FaultKind::Refused => {
                    Err(format!("the superblock at byte {at} cannot be read"))
                }
                Err(fault) => return Err(fault),
            };
            match read {
                Ok(sb)
                    if best
                        .as_ref()
                        .is_none_or(|(_, have)| have.generation < sb.generation) =>
                {
                    best = Some((at, sb))
                }
                Ok(_) => {}
                Err(says) => {
                    why.get_or_insert(says);
                }
            }
        }
        let Some((at, sb)) = best else {
            return Ok(Err(
                why.unwrap_or_else(|| "it is too short for a superblock".into())
            ));
        };
        if at != 64 << 10 {
            findings.note("superblock-from-copy", Weight::Sentence, None, || {
                format!("the first superblock is damaged or older; its copy at byte {at} was used")
            });
        }
        Ok(sb.usable().map(|()| sb))
    }

    /// Reads one copy, which has to stand at `at`.
    fn parse(raw: &[u8], at: u64) -> Result<Self, String> {
        let no = |why: &str| Err(format!("the superblock at byte {at}: {why}"));
        if raw.len() != BYTES || !is(raw, 64, MAGIC) {
            return no("there is none");
        }
        let Some(sum) = Sum::from_code(le16(raw, 0xC4)) else {
            return no("its kind of checksum is not known");
        };
        let (said, rest) = raw.split_at_checked(32).unwrap_or_default();
        if !sum.matches(rest, said.get(..sum.bytes()).unwrap_or_default()) {
            return no("its checksum does not fit");
        }
        if le64(raw, 0x30) != at {
            return no("it is another one's copy");
        }
        let (sector_bytes, block_bytes) = (le32(raw, 0x90), le32(raw, 0x94));
        let sizes = sector_bytes.is_power_of_two()
            && block_bytes.is_power_of_two()
            && (4096..=65_536).contains(&sector_bytes)
            && (sector_bytes..=65_536).contains(&block_bytes);
        if !sizes {
            return no("its sizes contradict one another");
        }
        let flags = le64(raw, 0xBC);
        let id = array(raw, 0x20).unwrap_or_default();
        let other = array(raw, 0x23B).unwrap_or_default();
        let pointer = |at: usize, generation: u64, level: usize| Pointer {
            at: le64(raw, at),
            generation,
            level: u8_at(raw, level),
        };
        let generation = le64(raw, 0x48);
        let label = raw.get(0x12B..0x22B).unwrap_or_default();
        let listed = usize::try_from(le32(raw, 0xA0))
            .unwrap_or(usize::MAX)
            .min(2048);
        Ok(Self {
            sum,
            id,
            tables_id: if flags & incompat::METADATA_UUID == 0 {
                id
            } else {
                other
            },
            generation,
            root: pointer(0x50, generation, 0xC6),
            chunks: pointer(0x58, le64(raw, 0xA4), 0xC7),
            // A log belongs to the change that comes next.
            log: pointer(0x60, generation.wrapping_add(1), 0xC8),
            bytes: le64(raw, 0xC9 + 8),
            devices: le64(raw, 0x88),
            device: le64(raw, 0xC9),
            sector_bytes,
            block_bytes,
            label: label
                .split(|byte| *byte == 0)
                .next()
                .unwrap_or_default()
                .to_vec(),
            first_chunks: raw.get(0x32B..0x32B + listed).unwrap_or_default().to_vec(),
            flags,
        })
    }

    /// Whether it is a kind of volume that this reader knows.
    fn usable(&self) -> Result<(), String> {
        let unknown = self.flags & !incompat::KNOWN;
        if unknown != 0 {
            return Err(format!(
                "it has properties that are not known here (incompat {unknown:#x})"
            ));
        }
        if self.devices != 1 {
            return Err(format!("it is spread over {} devices", self.devices));
        }
        Ok(())
    }

    /// Whether holes are not written down.
    pub fn no_holes(&self) -> bool {
        self.flags & incompat::NO_HOLES != 0
    }

    /// The label as a name; `None` = it has none.
    pub fn label(&self) -> Option<Name> {
        (!self.label.is_empty()).then(|| Name::Bytes(self.label.clone()))
    }

    /// The volume's identity, as people write it.
    pub fn serial(&self) -> String {
        uuid_text(self.id)
    }
}
