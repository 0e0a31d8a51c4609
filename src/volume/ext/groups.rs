//! Group descriptors: where the bitmaps and the inode table of each group lie, and which blocks are the file system's own.
//!
//! Invariant: a descriptor whose checksum is wrong, or that points outside the volume, is taken from a copy or doubted aloud.

use super::crc::{crc16, crc32c};
use super::ground::Ground;
use super::superblock::{Superblock, incompat, ro};
use crate::port::Fault;
use crate::volume::bytes::{le16, le32};
use crate::volume::filesystem::{Findings, Weight};

/// Flag: the inode bitmap and table were never written, no inode is in use.
const INODE_UNINIT: u16 = 1;
/// Flag: the block bitmap was never written, only the group's own tables are in use.
const BLOCK_UNINIT: u16 = 2;

/// One group.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct Group {
    /// Block of the bitmap of blocks.
    pub block_bitmap: u64,
    /// Block of the bitmap of inodes.
    pub inode_bitmap: u64,
    /// First block of the inode table.
    pub table: u64,
    /// Inodes at the end of the table that were never used.
    pub unused: u32,
    /// Checksum of the block bitmap, if there is one.
    pub block_sum: Option<u32>,
    /// Checksum of the inode bitmap, if there is one.
    pub inode_sum: Option<u32>,
    /// Nothing was ever written to the inode bitmap.
    pub no_inodes: bool,
    /// Nothing was ever written to the block bitmap.
    pub no_blocks: bool,
    /// The descriptor is as it was last written; else only the places count, and the bitmaps may never have been written.
    pub current: bool,
    /// Its places are inside the volume.
    pub usable: bool,
}

/// All groups, in order.
pub type Groups = Vec<Group>;

/// Block that descriptor block `i` lies in: the first, or a copy.
fn place_of(sb: &Superblock, i: u64, copy: bool) -> Option<u64> {
    let each = sb.descriptors_a_block();
    if sb.has(incompat::META_BG) && i >= sb.first_meta_group {
        let group = (i * each).checked_add(u64::from(copy))?;
        // With 1 KiB blocks and clusters, the first group begins with the boot block.
        let boot = u64::from(group == 0 && sb.first == 0 && sb.block_bytes == 1024);
        return (group < sb.groups())
            .then(|| sb.group_first(group) + u64::from(sb.has_copy(group)) + boot);
    }
    if copy {
        let group = (1..sb.groups().min(1000)).find(|group| sb.has_copy(*group))?;
        return Some(sb.group_first(group) + 1 + i);
    }
    Some(u64::from(sb.block_bytes == 1024) + 1 + i)
}

/// Reads the descriptors of all groups.
pub fn read(ground: &Ground<'_>, findings: &mut Findings) -> Result<Groups, Fault> {
    let sb = &ground.sb;
    let mut out = Groups::with_capacity(usize::try_from(sb.groups()).unwrap_or(0));
    let each = sb.descriptors_a_block();
    for i in 0..sb.descriptor_blocks() {
        let first = match place_of(sb, i, false) {
            Some(block) => ground.block(block)?,
            None => None,
        };
        let mut copy = None;
        for n in 0..each.min(sb.groups() - i * each) {
            let number = i * each + n;
            let from = |block: &Option<Vec<u8>>| {
                let at = usize::try_from(n).ok()?.checked_mul(sb.descriptor_bytes)?;
                let raw = block.as_ref()?.get(at..at + sb.descriptor_bytes)?;
                Some((parse(sb, raw), holds(sb, number, raw)))
            };
            if let Some((group, true)) = from(&first)
                && inside(ground, &group)
            {
                out.push(group);
                continue;
            }
            if copy.is_none() {
                copy = Some(match place_of(sb, i, true) {
                    Some(block) => ground.block(block)?,
                    None => None,
                });
            }
            let other = copy.as_ref().and_then(from).filter(|(_, holds)| *holds);
            let taken = other.or_else(|| from(&first)).map(|(group, _)| Group {
                // Only without checksums do a copy's words on the bitmaps hold: every bitmap was written.
                current: sb.ro & (ro::METADATA_CSUM | ro::GDT_CSUM) == 0,
                block_sum: None,
                inode_sum: None,
                no_inodes: false,
                no_blocks: false,
                unused: 0,
                ..group
            });
            let usable = taken.filter(|group| inside(ground, group));
            findings.note("descriptors-damaged", Weight::OpenPoint, None, || {
                format!(
                    "the descriptor of group {number} is unreadable or wrong; {}",
                    match usable {
                        Some(_) if other.is_some() => "its copy was used",
                        Some(_) => "there is no sound copy, its places are used with doubt",
                        None => "the inodes of that group cannot be found",
                    }
                )
            });
            out.push(usable.unwrap_or_default());
        }
    }
    overlaps(sb, &mut out, findings);
    Ok(out)
}

/// Blocks of one inode table.
pub fn table_blocks(sb: &Superblock) -> u64 {
    (u64::from(sb.group_inodes) * sb.inode_bytes as u64).div_ceil(sb.block_bytes)
}

fn parse(sb: &Superblock, raw: &[u8]) -> Group {
    let wide = sb.descriptor_bytes >= 64;
    let high = |at| {
        if wide {
            u64::from(le32(raw, at)) << 32
        } else {
            0
        }
    };
    let high16 = |at| {
        if wide {
            u32::from(le16(raw, at)) << 16
        } else {
            0
        }
    };
    let sums = sb.ro & (ro::METADATA_CSUM | ro::GDT_CSUM) != 0;
    let flags = if sums { le16(raw, 0x12) } else { 0 };
    let sum = |low, at| sb.sums().then(|| u32::from(le16(raw, low)) | high16(at));
    Group {
        block_bitmap: high(0x20) | u64::from(le32(raw, 0)),
        inode_bitmap: high(0x24) | u64::from(le32(raw, 4)),
        table: high(0x28) | u64::from(le32(raw, 8)),
        unused: if sums {
            (u32::from(le16(raw, 0x1C)) | high16(0x32)).min(sb.group_inodes)
        } else {
            0
        },
        block_sum: sum(0x18, 0x38),
        inode_sum: sum(0x1A, 0x3A),
        no_inodes: flags & INODE_UNINIT != 0,
        no_blocks: flags & BLOCK_UNINIT != 0,
        current: true,
        usable: true,
    }
}

/// Whether the checksum of a descriptor holds; true where there is none.
fn holds(sb: &Superblock, number: u64, raw: &[u8]) -> bool {
    let own = le16(raw, 0x1E);
    let number = (number as u32).to_le_bytes();
    let (before, behind) = (
        raw.get(..0x1E).unwrap_or_default(),
        raw.get(0x20..).unwrap_or_default(),
    );
    if sb.sums() {
        let mut sum = crc32c(crc32c(sb.seed, &number), before);
        sum = crc32c(crc32c(sum, &[0, 0]), behind);
        own == sum as u16
    } else if sb.ro & ro::GDT_CSUM != 0 {
        let sum = crc16(crc16(crc16(!0, &sb.uuid), &number), before);
        own == crc16(sum, behind)
    } else {
        true
    }
}

fn inside(ground: &Ground<'_>, group: &Group) -> bool {
    let sb = &ground.sb;
    let fits = |block: u64, blocks: u64| {
        block > sb.first
            && block
                .checked_add(blocks)
                .is_some_and(|end| end <= sb.blocks)
    };
    fits(group.block_bitmap, 1)
        && fits(group.inode_bitmap, 1)
        && fits(group.table, table_blocks(sb))
}

/// Two groups whose inode tables overlap: then inodes would be taken twice.
fn overlaps(sb: &Superblock, groups: &mut Groups, findings: &mut Findings) {
    let blocks = table_blocks(sb);
    let mut order: Vec<(u64, usize)> = groups
        .iter()
        .enumerate()
        .filter(|(_, group)| group.usable)
        .map(|(number, group)| (group.table, number))
        .collect();
    order.sort_unstable();
    let mut end = 0;
    for (table, number) in order {
        if table < end {
            findings.note("descriptors-damaged", Weight::OpenPoint, None, || {
                format!("the inode table of group {number} lies upon another one")
            });
            if let Some(group) = groups.get_mut(number) {
                group.usable = false;
            }
        } else {
            end = table.saturating_add(blocks);
        }
    }
}

/// How many blocks at the start of a group hold copies of the superblock and descriptors (or room for them).
fn leading(sb: &Superblock, group: u64) -> u64 {
    let copy = sb.has_copy(group);
    let each = sb.descriptors_a_block();
    let old = !sb.has(incompat::META_BG) || group < sb.first_meta_group.saturating_mul(each);
    // With 1 KiB blocks and clusters, the first group begins with the boot block.
    let boot = u64::from(group == 0 && sb.first == 0 && sb.block_bytes == 1024);
    if old {
        if !copy {
            return 0;
        }
        let descriptors = if sb.has(incompat::META_BG) {
            sb.first_meta_group
        } else {
            sb.descriptor_blocks()
        };
        return boot + 1 + descriptors + sb.reserved_descriptors;
    }
    let within = group % each;
    boot + u64::from(copy) + u64::from(within <= 1 || within == each - 1)
}

/// Calls `see` with every range of blocks (first, count) that group `number` has for the file system's own tables.
pub fn own_blocks(sb: &Superblock, number: u64, group: &Group, see: &mut dyn FnMut(u64, u64)) {
    see(
        sb.group_first(number),
        leading(sb, number).min(sb.group_blocks),
    );
    if group.usable {
        see(group.block_bitmap, 1);
        see(group.inode_bitmap, 1);
        see(group.table, table_blocks(sb));
    }
}

/// Whether a bitmap is what its checksum says; true where there is none.
pub fn bitmap_holds(sb: &Superblock, bitmap: &[u8], bits: u64, sum: Option<u32>) -> bool {
    let Some(sum) = sum else {
        return true;
    };
    let bytes = usize::try_from(bits / 8).unwrap_or(0);
    let own = crc32c(sb.seed, bitmap.get(..bytes).unwrap_or_default());
    if sb.descriptor_bytes >= 64 {
        own == sum
    } else {
        own as u16 == sum as u16
    }
}
