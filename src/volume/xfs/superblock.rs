//! The superblock: what is needed to know whether the volume stands alone, and where its log and its heads of groups lie.
//!
//! Fields: "XFS Algorithms & Data Structures", chapter "Superblocks". All numbers are big-endian.
//!
//! Invariant: a superblock that contradicts itself, or that names parts on other devices, is not used; the places that it gives
//! lie on the volume.

use crate::port::Fault;
use crate::value::Name;
use crate::volume::bytes::{Part, array, be16, be32, be64, is, u8_at, uuid_text};

/// Groups at most: far more than any volume has (each has 16 MiB at least).
const MOST_GROUPS: u64 = 1 << 20;
/// A log has 2 GiB at most ("Journaling Log").
const MOST_LOG: u64 = 2 << 30;
/// `sb_features_incompat`: inodes of the system have a tree of their own.
const METADIR: u32 = 0x100;
/// No inode.
const NONE: u64 = u64::MAX;
/// Sectors at the start of each group that every change to it writes: superblock, free space, inodes, free list.
const HEADS: u64 = 4;
/// Bytes read at once.
const PIECE: u64 = 1 << 20;

/// What a superblock says.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Superblock {
    /// Bytes of a block.
    pub block_bytes: u64,
    /// Blocks of the volume.
    pub blocks: u64,
    /// Inode of the root folder.
    pub root: u64,
    /// Its label; empty = none.
    pub label: Vec<u8>,
    /// Its UUID.
    pub uuid: String,
    /// Inodes of the file system's own, that no folder leads to; `None` = they cannot be told from here.
    pub own_inodes: Option<u64>,
    sector_bytes: u64,
    group_blocks: u64,
    groups: u64,
    log_at: u64,
    log_bytes: u64,
}

impl Superblock {
    /// Reads the first superblock of a volume.
    ///
    /// # Errors
    /// In words: it cannot be read, or does not describe a volume that stands alone.
    pub fn read(part: &Part<'_>) -> Result<Self, String> {
        let mut raw = [0u8; 512];
        part.read(0, &mut raw).map_err(|fault| fault.to_string())?;
        Self::parse(&raw, part.bytes())
    }

    fn parse(raw: &[u8], bytes: u64) -> Result<Self, String> {
        if !is(raw, 0, b"XFSB") || raw.len() < 512 {
            return Err("its first sector is no superblock".into());
        }
        let block_bytes = u64::from(be32(raw, 4));
        let sector_bytes = u64::from(be16(raw, 102));
        let blocks = be64(raw, 8);
        let group_blocks = u64::from(be32(raw, 84));
        let groups = u64::from(be32(raw, 88));
        let group_log = u32::from(u8_at(raw, 124));
        let sizes = block_bytes.is_power_of_two()
            && (512..=65_536).contains(&block_bytes)
            && sector_bytes.is_power_of_two()
            && (512..=block_bytes).contains(&sector_bytes)
            && group_blocks.saturating_mul(block_bytes) >= HEADS * sector_bytes
            && (1..=MOST_GROUPS).contains(&groups)
            && blocks > group_blocks.saturating_mul(groups - 1)
            && blocks <= group_blocks.saturating_mul(groups)
            && group_log < 32
            && group_blocks <= 1 << group_log;
        if !sizes {
            return Err("its superblock contradicts itself".into());
        }
        if blocks
            .checked_mul(block_bytes)
            .is_none_or(|own| own > bytes)
        {
            return Err("it says that it is longer than its partition".into());
        }
        if be64(raw, 16) != 0 {
            return Err("a part of its files lies in a realtime section".into());
        }
        let log = be64(raw, 48);
        if log == 0 {
            return Err("its log lies on another device".into());
        }
        let (group, within) = (log >> group_log, log & ((1 << group_log) - 1));
        let log_block = group.saturating_mul(group_blocks).saturating_add(within);
        let log_blocks = u64::from(be32(raw, 96));
        let log_bytes = log_blocks.saturating_mul(block_bytes);
        if log_block.saturating_add(log_blocks) > blocks || log_bytes > MOST_LOG {
            return Err("its log does not lie on it".into());
        }
        let label = raw.get(108..120).unwrap_or_default();
        let label = label.split(|byte| *byte == 0).next().unwrap_or_default();
        Ok(Self {
            block_bytes,
            blocks,
            root: be64(raw, 56),
            label: label.to_vec(),
            uuid: array(raw, 32).map(uuid_text).unwrap_or_default(),
            own_inodes: own_inodes(raw),
            sector_bytes,
            group_blocks,
            groups,
            log_at: log_block * block_bytes,
            log_bytes,
        })
    }

    /// Length of the volume in bytes.
    pub fn bytes(&self) -> u64 {
        self.blocks * self.block_bytes
    }

    /// The label as a name; `None` = it has none.
    pub fn label(&self) -> Option<Name> {
        (!self.label.is_empty()).then(|| Name::Bytes(self.label.clone()))
    }

    /// Reads everything that any writing to the volume changes.
    ///
    /// # Errors
    /// The first fault; then nothing can be said of a change.
    pub fn read_what_changes(&self, part: &Part<'_>) -> Result<(), Fault> {
        let heads = HEADS * self.sector_bytes;
        let mut buf = vec![0u8; heads.max(PIECE.min(self.log_bytes)) as usize];
        let mut read = |at: u64, bytes: u64| match buf.get_mut(..bytes as usize) {
            Some(buf) => part.read(at, buf),
            None => Ok(()),
        };
        for group in 0..self.groups {
            read(group * self.group_blocks * self.block_bytes, heads)?;
        }
        let mut done = 0;
        while done < self.log_bytes {
            let bytes = PIECE.min(self.log_bytes - done);
            read(self.log_at + done, bytes)?;
            done += bytes;
        }
        Ok(())
    }
}

/// Inodes of bitmaps of the realtime section, which is always described, and of quotas.
fn own_inodes(raw: &[u8]) -> Option<u64> {
    if be32(raw, 216) & METADIR != 0 {
        return None;
    }
    let own = [64, 72, 160, 168, 232].map(|at| be64(raw, at));
    let mut seen: Vec<u64> = own
        .into_iter()
        .filter(|inode| !matches!(*inode, 0 | NONE))
        .collect();
    seen.sort_unstable();
    seen.dedup();
    Some(seen.len() as u64)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A superblock with the fields of the published documentation: 2 groups of 4096 blocks of 4 KiB, the log in the second one.
    fn made() -> Vec<u8> {
        let mut raw = vec![0u8; 512];
        let mut put = |at: usize, bytes: &[u8]| raw[at..at + bytes.len()].copy_from_slice(bytes);
        put(0, b"XFSB");
        put(4, &4096u32.to_be_bytes());
        put(8, &8000u64.to_be_bytes());
        put(32, &[0xAB; 16]);
        put(48, &((1u64 << 12) + 8).to_be_bytes());
        put(56, &128u64.to_be_bytes());
        put(64, &129u64.to_be_bytes());
        put(72, &130u64.to_be_bytes());
        put(84, &4096u32.to_be_bytes());
        put(88, &2u32.to_be_bytes());
        put(96, &1000u32.to_be_bytes());
        put(102, &512u16.to_be_bytes());
        put(108, b"holiday");
        put(124, &[12]);
        put(160, &u64::MAX.to_be_bytes());
        raw
    }

    fn parsed(at: usize, bytes: &[u8]) -> Result<Superblock, String> {
        let mut raw = made();
        raw[at..at + bytes.len()].copy_from_slice(bytes);
        Superblock::parse(&raw, 8000 * 4096)
    }

    #[test]
    fn fields_stand_where_the_documentation_has_them() {
        let sb = parsed(0, b"X").unwrap();
        assert_eq!((sb.block_bytes, sb.blocks, sb.root), (4096, 8000, 128));
        assert_eq!(sb.label, b"holiday");
        assert_eq!(sb.own_inodes, Some(2));
        assert_eq!((sb.log_at, sb.log_bytes), ((4096 + 8) * 4096, 4_096_000));
        assert_eq!(
            parsed(160, &77u64.to_be_bytes()).unwrap().own_inodes,
            Some(3)
        );
        assert_eq!(
            parsed(216, &METADIR.to_be_bytes()).unwrap().own_inodes,
            None
        );
    }

    #[test]
    fn what_does_not_stand_alone_or_makes_no_sense_is_not_used() {
        for (at, bytes, why) in [
            (0, &b"Y"[..], "no superblock"),
            (4, &4095u32.to_be_bytes(), "contradicts"),
            (88, &0u32.to_be_bytes(), "contradicts"),
            (88, &u32::MAX.to_be_bytes(), "contradicts"),
            (84, &0u32.to_be_bytes(), "contradicts"),
            (124, &[11], "contradicts"),
            (124, &[200], "contradicts"),
            (102, &100u16.to_be_bytes(), "contradicts"),
            (8, &8001u64.to_be_bytes(), "longer"),
            (16, &1u64.to_be_bytes(), "realtime"),
            (48, &0u64.to_be_bytes(), "another device"),
            (48, &u64::MAX.to_be_bytes(), "not lie on it"),
            (96, &u32::MAX.to_be_bytes(), "not lie on it"),
        ] {
            let told = parsed(at, bytes).unwrap_err();
            assert!(told.contains(why), "{at}: {told}");
        }
        assert!(Superblock::parse(&[], 0).is_err());
    }

    proptest::proptest! {
        #[test]
        fn any_bytes_are_a_superblock_with_its_log_within_or_none(
            changes in proptest::collection::vec((4usize..240, proptest::prelude::any::<u8>()), 0..6),
        ) {
            let mut raw = made();
            changes.into_iter().for_each(|(at, byte)| raw[at] = byte);
            if let Ok(sb) = Superblock::parse(&raw, u64::MAX) {
                assert!(sb.log_at + sb.log_bytes <= sb.bytes());
            }
        }
    }
}
