//! The superblock and its copies: sizes, features, and where the tables of the volume begin.
//!
//! Invariant: a superblock that contradicts itself, or whose checksum is wrong, is not used; what is used
//! describes groups whose inodes and blocks can be counted without overflow.

use super::crc::crc32c;
use crate::volume::bytes::{Part, array, le16, le32, le64, u8_at};
use crate::volume::filesystem::{Findings, NotSurveyed, Weight};

/// Bytes of a superblock.
pub const BYTES: usize = 1024;
/// Place of the first superblock.
pub const FIRST_AT: u64 = 1024;

/// Features without which a volume cannot be understood.
pub mod incompat {
    /// Folder entries bear a type.
    pub const FILETYPE: u32 = 0x2;
    /// The journal holds changes.
    pub const RECOVER: u32 = 0x4;
    /// Descriptors lie in their groups.
    pub const META_BG: u32 = 0x10;
    /// 64-bit block numbers.
    pub const WIDE: u32 = 0x80;
    /// Protection against two hosts: one more block in use.
    pub const MMP: u32 = 0x100;
    /// The seed of checksums is stored.
    pub const SEED: u32 = 0x2000;
    /// Folders longer than 4 GiB.
    pub const LARGEDIR: u32 = 0x4000;
    /// Content within inodes.
    pub const INLINE: u32 = 0x8000;
    /// Everything that this reader knows: the above, extents (0x40), flexible groups (0x200), attributes in inodes (0x400),
    /// encryption (0x1_0000) and case folding (0x2_0000).
    pub const KNOWN: u32 = 0x3_E7D6;
}

/// Features that only writers must know; some tell where to look.
pub mod ro {
    /// Copies of the superblock in some groups only.
    pub const SPARSE_SUPER: u32 = 0x1;
    /// Lengths of files in blocks.
    pub const HUGE_FILE: u32 = 0x8;
    /// Checksums of descriptors only.
    pub const GDT_CSUM: u32 = 0x10;
    /// Clusters of several blocks.
    pub const BIGALLOC: u32 = 0x200;
    /// Checksums of all metadata.
    pub const METADATA_CSUM: u32 = 0x400;
    /// Blocks that several files share on purpose.
    pub const SHARED_BLOCKS: u32 = 0x4000;
}

/// Features that may be passed over.
pub mod compat {
    /// There is a journal.
    pub const JOURNAL: u32 = 0x4;
    /// Inode 7 owns descriptor blocks to come.
    pub const RESIZE: u32 = 0x10;
    /// Copies of the superblock in two groups only.
    pub const SPARSE_SUPER2: u32 = 0x200;
    /// A file lists unlinked inodes.
    pub const ORPHAN_FILE: u32 = 0x1000;
}

/// What the superblock says.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Superblock {
    /// Bytes of one block, 1 to 64 KiB.
    pub block_bytes: u64,
    /// Blocks of one cluster; 1 without bigalloc.
    pub cluster_blocks: u64,
    /// Blocks of the volume.
    pub blocks: u64,
    /// Block that the first group begins with.
    pub first: u64,
    /// Blocks of one group.
    pub group_blocks: u64,
    /// Inodes of the volume.
    pub inodes: u32,
    /// Inodes of one group.
    pub group_inodes: u32,
    /// Bytes of one inode.
    pub inode_bytes: usize,
    /// Bytes of one descriptor.
    pub descriptor_bytes: usize,
    /// Features.
    pub compat: u32,
    /// Features.
    pub incompat: u32,
    /// Features.
    pub ro: u32,
    /// Identity.
    pub uuid: [u8; 16],
    /// Label, without padding.
    pub label: Vec<u8>,
    /// What checksums begin with.
    pub seed: u32,
    /// 1 = closed, 2 = errors seen.
    pub state: u16,
    /// The journal's inode; 0 = none on this volume.
    pub journal_inode: u32,
    /// The journal lies on another device.
    pub journal_elsewhere: bool,
    /// A copy of the journal inode's block map, if it is kept.
    pub journal_copy: Option<[u8; 68]>,
    /// First of the chain of unlinked inodes.
    pub last_orphan: u32,
    /// The file that lists unlinked inodes.
    pub orphan_file: u32,
    /// First inode that is not reserved.
    pub first_inode: u32,
    /// Inodes of quota files.
    pub quota_inodes: [u32; 3],
    /// Descriptor blocks set aside for growth.
    pub reserved_descriptors: u64,
    /// First group of groups that keep their own descriptors, in groups of descriptor blocks.
    pub first_meta_group: u64,
    /// The two groups with copies (sparse_super2).
    pub backup_groups: [u32; 2],
    /// Block of the protection against two hosts.
    pub mmp_block: u64,
    /// Group that this copy lies in.
    pub own_group: u16,
    /// Free blocks by its own count.
    pub free_blocks: u64,
    /// Free inodes by its own count.
    pub free_inodes: u32,
}

/// Why a superblock is of no use.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Bad {
    /// It contradicts itself, or is none.
    Damaged(String),
    /// It is sound, but asks for more than this reader knows.
    Foreign(String),
}

impl Superblock {
    /// Reads a superblock.
    pub fn parse(raw: &[u8]) -> Result<Self, Bad> {
        let damaged = |says: String| Err(Bad::Damaged(says));
        if raw.len() < BYTES || le16(raw, 0x38) != 0xEF53 {
            return damaged("no ext superblock".to_owned());
        }
        let dynamic = le32(raw, 0x4C) != 0;
        let feature = |at| if dynamic { le32(raw, at) } else { 0 };
        let (compat, incompat, ro) = (feature(0x5C), feature(0x60), feature(0x64));
        if ro & ro::METADATA_CSUM != 0 {
            let sum = crc32c(!0, raw.get(..0x3FC).unwrap_or_default());
            if u8_at(raw, 0x175) != 1 || sum != le32(raw, 0x3FC) {
                return damaged("a superblock with a wrong checksum".to_owned());
            }
        }
        if incompat & 0x8 != 0 {
            return Err(Bad::Foreign(
                "it holds only the journal of another volume".to_owned(),
            ));
        }
        let unknown = incompat & !incompat::KNOWN;
        if unknown != 0 {
            return Err(Bad::Foreign(format!(
                "it uses features that are not known here ({unknown:#x})"
            )));
        }
        let log = le32(raw, 0x18);
        if log > 6 {
            return damaged(format!("blocks of 2^{} bytes", u64::from(log) + 10));
        }
        let block_bytes = 1024u64 << log;
        let wide = incompat & incompat::WIDE != 0;
        let high = |at| {
            if wide {
                u64::from(le32(raw, at)) << 32
            } else {
                0
            }
        };
        let blocks = high(0x150) | u64::from(le32(raw, 4));
        let cluster_log = le32(raw, 0x1C);
        let cluster_blocks = match cluster_log.checked_sub(log) {
            _ if ro & ro::BIGALLOC == 0 => 1,
            Some(more) if more <= 20 => 1u64 << more,
            _ => return damaged(format!("clusters of 2^{cluster_log} blocks")),
        };
        let first = u64::from(le32(raw, 0x14));
        let group_blocks = u64::from(le32(raw, 0x20));
        let group_inodes = le32(raw, 0x28);
        let inodes = le32(raw, 0);
        if first >= blocks || first > 1 {
            return damaged(format!("{blocks} blocks from block {first} on"));
        }
        if blocks.checked_mul(block_bytes).is_none() {
            return damaged("more blocks than can be addressed".to_owned());
        }
        let most = block_bytes * 8;
        // mke2fs makes no groups of fewer than 256 blocks.
        if group_blocks < 256
            || !group_blocks.is_multiple_of(cluster_blocks)
            || group_blocks / cluster_blocks > most
        {
            return damaged(format!("groups of {group_blocks} blocks"));
        }
        let groups = (blocks - first).div_ceil(group_blocks);
        if group_inodes == 0
            || u64::from(group_inodes) > most
            || groups.checked_mul(group_inodes.into()) != Some(inodes.into())
        {
            return damaged(format!(
                "{inodes} inodes, {group_inodes} in each of {groups} groups"
            ));
        }
        let inode_bytes = if dynamic {
            usize::from(le16(raw, 0x58))
        } else {
            128
        };
        if !inode_bytes.is_power_of_two() || inode_bytes < 128 || inode_bytes as u64 > block_bytes {
            return damaged(format!("inodes of {inode_bytes} bytes"));
        }
        let descriptor_bytes = if wide {
            usize::from(le16(raw, 0xFE))
        } else {
            32
        };
        if !descriptor_bytes.is_power_of_two()
            || (wide && descriptor_bytes < 64)
            || descriptor_bytes > 1024
        {
            return damaged(format!("descriptors of {descriptor_bytes} bytes"));
        }
        let uuid: [u8; 16] = array(raw, 0x68).unwrap_or_default();
        let label: [u8; 16] = array(raw, 0x78).unwrap_or_default();
        let end = label.iter().position(|b| *b == 0).unwrap_or(label.len());
        Ok(Self {
            block_bytes,
            cluster_blocks,
            blocks,
            first,
            group_blocks,
            inodes,
            group_inodes,
            inode_bytes,
            descriptor_bytes,
            compat,
            incompat,
            ro,
            uuid,
            label: label.get(..end).unwrap_or_default().to_vec(),
            seed: if incompat & incompat::SEED != 0 {
                le32(raw, 0x270)
            } else {
                crc32c(!0, &uuid)
            },
            state: le16(raw, 0x3A),
            journal_inode: if compat & compat::JOURNAL != 0 {
                le32(raw, 0xE0)
            } else {
                0
            },
            journal_elsewhere: compat & compat::JOURNAL != 0 && le32(raw, 0xE4) != 0,
            journal_copy: (u8_at(raw, 0xFD) == 1).then(|| array(raw, 0x10C)).flatten(),
            last_orphan: le32(raw, 0xE8),
            orphan_file: if compat & compat::ORPHAN_FILE != 0 {
                le32(raw, 0x280)
            } else {
                0
            },
            first_inode: if dynamic { le32(raw, 0x54).max(11) } else { 11 },
            quota_inodes: [le32(raw, 0x240), le32(raw, 0x244), le32(raw, 0x26C)],
            reserved_descriptors: if compat & compat::RESIZE != 0 {
                le16(raw, 0xCE).into()
            } else {
                0
            },
            first_meta_group: le32(raw, 0x104).into(),
            backup_groups: [le32(raw, 0x24C), le32(raw, 0x250)],
            mmp_block: le64(raw, 0x168),
            own_group: le16(raw, OWN_GROUP_AT),
            free_blocks: high(0x158) | u64::from(le32(raw, 0xC)),
            free_inodes: le32(raw, 0x10),
        })
    }

    /// Whether a feature is there.
    pub fn has(&self, incompat: u32) -> bool {
        self.incompat & incompat != 0
    }

    /// Whether metadata bears checksums.
    pub fn sums(&self) -> bool {
        self.ro & ro::METADATA_CSUM != 0
    }

    /// Groups.
    pub fn groups(&self) -> u64 {
        (self.blocks - self.first).div_ceil(self.group_blocks)
    }

    /// First block of a group.
    pub fn group_first(&self, group: u64) -> u64 {
        self.first
            .saturating_add(group.saturating_mul(self.group_blocks))
    }

    /// Bytes of the volume.
    pub fn bytes(&self) -> u64 {
        self.blocks.saturating_mul(self.block_bytes)
    }

    /// Clusters of the volume.
    pub fn clusters(&self) -> u64 {
        (self.blocks - self.first).div_ceil(self.cluster_blocks)
    }

    /// Blocks that the descriptors of all groups take.
    pub fn descriptor_blocks(&self) -> u64 {
        self.groups().div_ceil(self.descriptors_a_block())
    }

    /// Descriptors in one block.
    pub fn descriptors_a_block(&self) -> u64 {
        self.block_bytes / (self.descriptor_bytes as u64).max(1)
    }

    /// Whether a group begins with a copy of the superblock.
    pub fn has_copy(&self, group: u64) -> bool {
        if group == 0 {
            return true;
        }
        if self.compat & compat::SPARSE_SUPER2 != 0 {
            return self.backup_groups.iter().any(|b| u64::from(*b) == group);
        }
        if self.ro & ro::SPARSE_SUPER == 0 || group == 1 {
            return true;
        }
        [3u64, 5, 7].iter().any(|base| {
            let mut power = *base;
            while power < group {
                power *= base;
            }
            power == group
        })
    }

    /// ext2, ext3 or ext4, by what it uses.
    pub fn format(&self) -> &'static str {
        if self.incompat & !0x16 != 0 || self.ro & !0x07 != 0 {
            "ext4"
        } else if self.compat & compat::JOURNAL != 0 {
            "ext3"
        } else {
            "ext2"
        }
    }
}

/// Where copies of the superblock lie on volumes of usual groups: place, group, bytes of a block.
pub fn copies() -> impl Iterator<Item = (u64, u16, u64)> {
    (0..7u32).flat_map(|log| {
        let block = 1024u64 << log;
        [1u16, 3, 5, 7, 9, 25].into_iter().map(move |group| {
            let first = u64::from(log == 0);
            ((first + u64::from(group) * block * 8) * block, group, block)
        })
    })
}

/// Whether this is a sound copy of the superblock for its place.
pub fn is_copy(raw: &[u8], group: u16, block_bytes: u64) -> bool {
    Superblock::parse(raw).is_ok_and(|sb| sb.own_group == group && sb.block_bytes == block_bytes)
}

/// Where a superblock names the group that it stands in: 0 = it is the first one.
pub const OWN_GROUP_AT: usize = 0x5A;

/// Finds the superblock: the one at `at` (0 = the first), else the first; if it does not hold, a copy.
pub fn locate(
    part: &Part<'_>,
    at: u64,
    findings: &mut Findings,
) -> Result<(Superblock, u64), NotSurveyed> {
    let doing = || format!("opening the ext volume at byte {}", part.absolute(0));
    let first = part.read_vec(FIRST_AT, BYTES);
    let why = match &first {
        Ok(raw) => match Superblock::parse(raw) {
            Ok(sb) => return Ok((sb, FIRST_AT)),
            Err(Bad::Foreign(why)) => {
                return Err(NotSurveyed::because(
                    doing(),
                    why,
                    "mount it read-only with the system that wrote it, on a throw-away overlay above the write-protected drive, and give the mount with --folder",
                ));
            }
            Err(Bad::Damaged(why)) => why,
        },
        Err(fault) => fault.to_string(),
    };
    let uuid = first.as_ref().ok().and_then(|raw| array::<16>(raw, 0x68));
    let mut other = None;
    let usual = copies().map(|(at, group, block)| (at, Some((group, block))));
    let asked = (at > FIRST_AT).then_some((at, None));
    for (at, expected) in asked.into_iter().chain(usual) {
        if at.saturating_add(BYTES as u64) > part.bytes() {
            continue;
        }
        let Ok(raw) = part.read_vec(at, BYTES) else {
            continue;
        };
        let Ok(sb) = Superblock::parse(&raw) else {
            continue;
        };
        if expected.is_some_and(|(group, block)| sb.own_group != group || sb.block_bytes != block) {
            continue;
        }
        if Some(sb.uuid) == uuid {
            other = Some((sb, at));
            break;
        }
        other = other.or(Some((sb, at)));
    }
    let Some((sb, at)) = other else {
        return Err(match first {
            Err(fault) => NotSurveyed::unread(doing(), fault),
            Ok(_) => NotSurveyed::because(
                doing(),
                format!("expected an ext superblock, found {why}; no copy of it holds either"),
                "have the file system checked on a copy of the drive",
            ),
        });
    };
    findings.note("superblock-from-copy", Weight::OpenPoint, None, || {
        format!("the first superblock does not hold ({why}); its copy at byte {at} was used")
    });
    Ok((sb, at))
}
