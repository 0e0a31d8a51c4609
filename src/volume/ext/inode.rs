//! Inodes: kind, length, times, flags, checksum, and content or attributes that lie within them.
//!
//! Invariant: a field that the inode does not have is not read from what lies behind it.

use super::attribute;
use super::crc::crc32c;
use super::superblock::{Superblock, incompat, ro};
use crate::survey::item::{Kind, Times};
use crate::volume::bytes::{le16, le32};
use crate::volume::filesystem::Access;

/// Where the 60 bytes of the block map, the extent tree or the content begin.
pub const BLOCK_AT: usize = 0x28;
/// How long they are.
pub const BLOCK_BYTES: usize = 60;
/// Where the part that old inodes lack begins.
const EXTRA_AT: usize = 128;

/// Flags of inodes.
pub mod flag {
    /// Encrypted.
    pub const ENCRYPTED: u32 = 0x800;
    /// Length in blocks counts blocks, not 512 bytes.
    pub const HUGE_FILE: u32 = 0x4_0000;
    /// The block map is an extent tree.
    pub const EXTENTS: u32 = 0x8_0000;
    /// Hashes of the content stand behind it.
    pub const VERITY: u32 = 0x10_0000;
    /// Older kernels: blocks behind the length were set aside on purpose.
    pub const EOF_BLOCKS: u32 = 0x40_0000;
    /// Holds the value of another inode's attribute.
    pub const ATTRIBUTE: u32 = 0x20_0000;
    /// Content lies in the inode.
    pub const INLINE: u32 = 0x1000_0000;
}

/// One inode.
#[derive(Debug, Clone, Copy)]
pub struct Inode<'a> {
    raw: &'a [u8],
    number: u32,
}

/// Content within an inode: offset and length of its second part (the first are the 60 bytes).
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Rest {
    /// First byte within the inode.
    pub at: usize,
    /// Length.
    pub bytes: usize,
}

impl<'a> Inode<'a> {
    /// Inode `number` in the bytes of its place in the table.
    pub fn new(raw: &'a [u8], number: u32) -> Self {
        Self { raw, number }
    }

    /// Its number.
    pub fn number(&self) -> u32 {
        self.number
    }

    /// Whether the length of its newer part can be.
    pub fn is_sound(&self) -> bool {
        self.extra().is_some()
    }

    /// Whether nothing was ever written here.
    pub fn is_blank(&self) -> bool {
        self.raw.iter().all(|byte| *byte == 0)
    }

    /// What it is; `None` = nothing that exists.
    pub fn kind(&self) -> Option<Kind> {
        match le16(self.raw, 0) >> 12 {
            0x8 => Some(Kind::File),
            0x4 => Some(Kind::Folder),
            0xA => Some(Kind::Link),
            0x1 | 0x2 | 0x6 | 0xC => Some(Kind::Special),
            _ => None,
        }
    }

    /// Mode, owner and group.
    pub fn access(&self) -> Access {
        let whose = |low: usize, high: usize| {
            u32::from(le16(self.raw, low)) | u32::from(le16(self.raw, high)) << 16
        };
        Access {
            mode: le16(self.raw, 0).into(),
            user: whose(2, 0x78),
            group: whose(0x18, 0x7A),
        }
    }

    /// Length in bytes.
    pub fn bytes(&self, sb: &Superblock) -> u64 {
        let low = u64::from(le32(self.raw, 4));
        let long = match self.kind() {
            Some(Kind::File) => true,
            Some(Kind::Folder) => sb.has(incompat::LARGEDIR),
            _ => false,
        };
        if long {
            low | u64::from(le32(self.raw, 0x6C)) << 32
        } else {
            low
        }
    }

    /// Names that it says it has.
    pub fn links(&self) -> u16 {
        le16(self.raw, 0x1A)
    }

    /// Flags.
    pub fn flags(&self) -> u32 {
        le32(self.raw, 0x20)
    }

    /// Whether a flag is set.
    pub fn has(&self, flag: u32) -> bool {
        self.flags() & flag != 0
    }

    /// When it was deleted, or the next one in the chain of unlinked inodes.
    pub fn deleted(&self) -> u32 {
        le32(self.raw, 0x14)
    }

    /// The block of its attributes; 0 = none.
    pub fn attribute_block(&self, sb: &Superblock) -> u64 {
        let high = if sb.has(incompat::WIDE) {
            u64::from(le16(self.raw, 0x76)) << 32
        } else {
            0
        };
        high | u64::from(le32(self.raw, 0x68))
    }

    /// The 60 bytes of the block map, the extent tree or the content.
    pub fn block(&self) -> &'a [u8] {
        self.raw
            .get(BLOCK_AT..BLOCK_AT + BLOCK_BYTES)
            .unwrap_or_default()
    }

    /// Bytes of the newer part that this inode has; `None` = a length that cannot be.
    fn extra(&self) -> Option<usize> {
        if self.raw.len() <= EXTRA_AT {
            return Some(0);
        }
        let extra = usize::from(le16(self.raw, EXTRA_AT));
        (extra.is_multiple_of(4) && extra <= self.raw.len() - EXTRA_AT).then_some(extra)
    }

    /// A 32-bit field of the newer part.
    fn newer(&self, at: usize) -> Option<u32> {
        (at + 4 <= EXTRA_AT + self.extra()?).then(|| le32(self.raw, at))
    }

    /// Its times.
    pub fn times(&self) -> Times {
        let time = |at: usize, extra: usize| -> Option<i64> {
            let extra = self.newer(extra).unwrap_or(0);
            let seconds = i64::from(le32(self.raw, at) as i32) + (i64::from(extra & 3) << 32);
            let ns = i64::from(extra >> 2);
            seconds
                .checked_mul(1_000_000_000)?
                .checked_add(if ns < 1_000_000_000 { ns } else { 0 })
        };
        let created = self.newer(0x90).filter(|seconds| *seconds != 0);
        Times {
            created: created.and_then(|_| time(0x90, 0x94)),
            modified: time(0x10, 0x88),
            changed: time(0x0C, 0x84),
            accessed: time(0x08, 0x8C),
        }
    }

    /// What checksums of its blocks begin with.
    pub fn seed(&self, sb: &Superblock) -> u32 {
        let generation: [u8; 4] = le32(self.raw, 0x64).to_le_bytes();
        crc32c(crc32c(sb.seed, &self.number.to_le_bytes()), &generation)
    }

    /// Whether its checksum holds; true where there is none.
    pub fn holds(&self, sb: &Superblock) -> bool {
        if !sb.sums() {
            return true;
        }
        let wide = self.raw.len() > EXTRA_AT && self.extra().is_some_and(|extra| extra >= 4);
        let part = |from: usize, to: usize| self.raw.get(from..to).unwrap_or_default();
        let end = self.raw.len();
        let mut sum = crc32c(self.seed(sb), part(0, 0x7C));
        sum = crc32c(crc32c(sum, &[0, 0]), part(0x7E, EXTRA_AT));
        if wide {
            sum = crc32c(sum, part(EXTRA_AT, 0x82));
            sum = crc32c(crc32c(sum, &[0, 0]), part(0x84, end));
        } else if end > EXTRA_AT {
            sum = crc32c(sum, part(EXTRA_AT, end));
        }
        let low = le16(self.raw, 0x7C);
        if wide {
            sum == u32::from(low) | u32::from(le16(self.raw, 0x82)) << 16
        } else {
            sum as u16 == low
        }
    }

    /// Whether a link's target lies in the 60 bytes.
    pub fn is_short_link(&self, sb: &Superblock) -> bool {
        if self.has(flag::EXTENTS | flag::INLINE) {
            return false;
        }
        let attributes = self.attribute_block(sb) != 0;
        let mut blocks = u64::from(le32(self.raw, 0x1C));
        if sb.ro & ro::HUGE_FILE != 0 {
            blocks |= u64::from(le16(self.raw, 0x74)) << 32;
        }
        let own = if attributes {
            sb.block_bytes * sb.cluster_blocks
                / if self.has(flag::HUGE_FILE) {
                    sb.block_bytes
                } else {
                    512
                }
        } else {
            0
        };
        self.bytes(sb) < BLOCK_BYTES as u64 && blocks.saturating_sub(own) == 0
    }

    /// The attributes within the inode: where their entries begin, if there are any.
    fn attributes(&self) -> Option<usize> {
        let extra = self.extra().filter(|_| self.raw.len() > EXTRA_AT)?;
        attribute::within(self.raw, EXTRA_AT + extra)
    }

    /// Appends the attributes within the inode to notes; `false` = something of them could not be kept.
    pub fn keep_attributes(&self, out: &mut Vec<u8>) -> bool {
        self.attributes()
            .is_none_or(|first| attribute::keep(self.raw, first, first, out))
    }

    /// The second part of content within the inode: `Err` = it is said to be there, but is not.
    pub fn rest(&self) -> Result<Rest, String> {
        let mut found = None;
        if let Some(first) = self.attributes() {
            attribute::each(self.raw, first, first, &mut |entry| {
                if attribute::is_content(&entry) {
                    found = Some(entry);
                }
            });
        }
        let Some(entry) = found else {
            return Err("it is said to hold its content itself, but has none".to_owned());
        };
        let bytes = entry.bytes as usize;
        let inside = entry
            .at
            .checked_add(bytes)
            .is_some_and(|end| end <= self.raw.len());
        if !inside || entry.inode != 0 {
            return Err("the part of its content in its attributes makes no sense".to_owned());
        }
        Ok(Rest {
            at: entry.at,
            bytes,
        })
    }

    /// Bytes of the inode.
    pub fn part(&self, rest: Rest) -> &'a [u8] {
        self.raw
            .get(rest.at..rest.at.saturating_add(rest.bytes))
            .unwrap_or_default()
    }
}
