//! Blocks of folders. Linear and hashed folders are read alike: blocks of the hash tree hold entries that look empty.
//!
//! Invariant: reading a block ends; an entry that contradicts itself ends its block with a word of trouble, and
//! what a wrong checksum leaves in doubt is handed over as doubtful.

use super::crc::crc32c;
use super::superblock::{Superblock, incompat};
use crate::survey::item::Kind;
use crate::volume::bytes::{le16, le32, u8_at};
use crate::volume::stored::Ranges;

/// One used entry.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Entry<'a> {
    /// Number of its inode.
    pub inode: u32,
    /// Its name.
    pub name: &'a [u8],
    /// What the folder says that it is, if it does.
    pub kind: Option<Kind>,
}

/// What a block says of itself.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Sum {
    /// The checksum holds, or there is none on this volume.
    Holds,
    /// It does not: names in this block are in doubt.
    Wrong,
    /// A block of the hash tree whose checksum is wrong: names may be hidden.
    IndexWrong,
}

fn record_bytes(raw: u16, block: usize) -> usize {
    let raw = usize::from(raw);
    if block < 65_536 {
        raw
    } else if raw == 65_535 || raw == 0 {
        65_536
    } else {
        raw & 65_532 | (raw & 3) << 16
    }
}

/// Checks a block's checksum. `seed` is its folder's.
pub fn sum(sb: &Superblock, seed: u32, block: &[u8]) -> Sum {
    if !sb.sums() {
        return Sum::Holds;
    }
    let size = block.len();
    // A block of the tree: the first entry covers it all, or `..` covers all but itself. Its end may still look like a leaf's.
    let first = record_bytes(le16(block, 4), size);
    let counts = if le32(block, 0) == 0 && first == size {
        8
    } else if first == 12 && record_bytes(le16(block, 16), size) == size.saturating_sub(12) {
        32
    } else {
        let tail = size.saturating_sub(12);
        let is_leaf = le32(block, tail) == 0
            && le16(block, tail + 4) == 12
            && u8_at(block, tail + 6) == 0
            && u8_at(block, tail + 7) == 0xDE;
        let own = crc32c(seed, block.get(..tail).unwrap_or_default());
        return if is_leaf && own == le32(block, tail + 8) {
            Sum::Holds
        } else {
            Sum::Wrong
        };
    };
    let (limit, count) = (
        usize::from(le16(block, counts)),
        usize::from(le16(block, counts + 2)),
    );
    let end = counts + limit * 8;
    if count > limit || end + 8 > size {
        return Sum::IndexWrong;
    }
    let mut own = crc32c(seed, block.get(..counts + count * 8).unwrap_or_default());
    own = crc32c(own, block.get(end..end + 4).unwrap_or_default());
    own = crc32c(own, &[0; 4]);
    if own == le32(block, end + 4) {
        Sum::Holds
    } else {
        Sum::IndexWrong
    }
}

/// Calls `see` for every used entry of a block, `.` and `..` among them. Nothing of `missing` is looked at.
/// `Err` = the block could not be followed to its end.
pub fn each(
    sb: &Superblock,
    block: &[u8],
    missing: &Ranges,
    see: &mut dyn FnMut(Entry<'_>),
) -> Result<(), String> {
    let size = block.len();
    let gone = |from: usize, to: usize| {
        missing
            .iter()
            .any(|(at, bytes)| *at < to as u64 && at.saturating_add(*bytes) > from as u64)
    };
    let mut at = 0usize;
    while at + 8 <= size {
        if gone(at, at + 8) {
            return Err("a part of it could not be read".to_owned());
        }
        let long = record_bytes(le16(block, at + 4), size);
        let name_bytes = if sb.has(incompat::FILETYPE) {
            usize::from(u8_at(block, at + 6))
        } else {
            usize::from(le16(block, at + 6))
        };
        let inode = le32(block, at);
        if long < 8 || !long.is_multiple_of(4) || at + long > size || 8 + name_bytes > long {
            return Err(format!("an entry of {long} bytes at byte {at}"));
        }
        if inode != 0 && name_bytes > 0 {
            if gone(at + 8, at + 8 + name_bytes) {
                return Err("a part of it could not be read".to_owned());
            }
            let kind = match u8_at(block, at + 7) {
                _ if !sb.has(incompat::FILETYPE) => None,
                1 => Some(Kind::File),
                2 => Some(Kind::Folder),
                7 => Some(Kind::Link),
                3..=6 => Some(Kind::Special),
                _ => None,
            };
            see(Entry {
                inode,
                name: block.get(at + 8..at + 8 + name_bytes).unwrap_or_default(),
                kind,
            });
        } else if inode != 0 {
            return Err(format!("an entry without a name at byte {at}"));
        }
        at += long;
    }
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    #[test]
    fn lengths_of_the_largest_blocks() {
        // Kernel documentation, ext4 directory entries: 64 KiB does not fit 16 bits.
        assert_eq!(record_bytes(12, 1024), 12);
        assert_eq!(record_bytes(65_535, 65_536), 65_536);
        assert_eq!(record_bytes(0, 65_536), 65_536);
        assert_eq!(record_bytes(65_524, 65_536), 65_524);
    }

    proptest! {
        #[test]
        fn any_bytes_end(bytes in proptest::collection::vec(any::<u8>(), 0..300)) {
            let sb = Superblock::parse(&super::super::tests::superblock()).unwrap();
            let mut seen = 0;
            let _ = each(&sb, &bytes, &vec![(100, 3)], &mut |_| seen += 1);
            prop_assert!(seen <= bytes.len() / 8);
            let _ = sum(&sb, 0, &bytes);
        }
    }
}
