//! Chunks: which bytes of the device the addresses of the volume stand for.
//!
//! Invariant: an address is told only where exactly one chunk says it, wholly on this device; chunks that share bytes of the
//! device are both in doubt.

use super::superblock::Superblock;
use crate::volume::bytes::{le16, le32, le64};
use std::collections::BTreeMap;

/// Bytes of a chunk item before its places.
const HEAD: usize = 48;
/// Bytes of one place.
const PLACE: usize = 32;
/// Bytes of a key.
const KEY: usize = 17;

/// Kinds of chunks (`BTRFS_BLOCK_GROUP_*`).
mod kind {
    pub const DATA: u64 = 1;
    pub const RAID0: u64 = 1 << 3;
    pub const DUP: u64 = 1 << 5;
    /// How several places belong together.
    pub const PROFILES: u64 = 0x7F8;
    /// Every place holds everything: one, two, three or four times.
    pub const MIRRORS: u64 = 1 << 4 | DUP | 1 << 9 | 1 << 10;
}

/// One chunk.
#[derive(Debug, Clone, PartialEq, Eq)]
struct Chunk {
    bytes: u64,
    /// First bytes on this device, counted from the start of the volume: each place holds all of it.
    places: Vec<u64>,
    data: bool,
    doubtful: bool,
}

/// Where an address lies.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Spot {
    /// Bytes of the volume, from its start: the first and every further copy.
    pub copies: Vec<u64>,
    /// Another chunk claims the same bytes of the device.
    pub doubtful: bool,
}

/// All chunks that are known.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct Chunks {
    map: BTreeMap<u64, Chunk>,
    /// What is wrong with chunks that were left out, the first of them.
    pub trouble: Option<String>,
    /// Chunks left out.
    pub left_out: u64,
}

impl Chunks {
    /// Those that the superblock names.
    pub fn first(sb: &Superblock, device_bytes: u64) -> Self {
        let mut chunks = Self::default();
        let mut rest = sb.first_chunks.as_slice();
        while let Some((key, item)) = rest.split_at_checked(KEY) {
            let places = usize::from(le16(item, 44));
            let bytes = HEAD + places * PLACE;
            let Some((item, behind)) = item.split_at_checked(bytes) else {
                chunks.wrong(0, "the superblock's list of them ends in the middle");
                break;
            };
            chunks.take(sb, le64(key, 9), item, device_bytes);
            rest = behind;
        }
        chunks
    }

    fn wrong(&mut self, at: u64, why: &str) {
        self.left_out += 1;
        self.trouble
            .get_or_insert_with(|| format!("the chunk at {at}: {why}"));
    }

    /// Takes one chunk item.
    pub fn take(&mut self, sb: &Superblock, at: u64, item: &[u8], device_bytes: u64) {
        let (bytes, form) = (le64(item, 0), le64(item, 24));
        let count = usize::from(le16(item, 44));
        let places = item.get(HEAD..).unwrap_or_default();
        if item.len() != HEAD + count * PLACE || count == 0 {
            return self.wrong(at, "its item has another length than it says");
        }
        let sector = u64::from(sb.sector_bytes);
        let whole = bytes > 0
            && at.checked_add(bytes).is_some()
            && at.is_multiple_of(sector)
            && bytes.is_multiple_of(sector);
        if !whole || u64::from(le32(item, 40)) > sector {
            return self.wrong(at, "its length or place is impossible");
        }
        // A stripe over one device is the whole of it.
        let profile = form & kind::PROFILES;
        let known = profile & !kind::MIRRORS == 0 && profile.count_ones() <= 1
            || profile == kind::RAID0 && count == 1;
        if !known || profile == 0 && count != 1 || profile == kind::DUP && count != 2 {
            return self.wrong(
                at,
                "it is spread in a way that one device alone does not show",
            );
        }
        let mut own = Vec::new();
        for place in places.as_chunks::<PLACE>().0 {
            let (device, first) = (le64(place, 0), le64(place, 8));
            let fits = first
                .checked_add(bytes)
                .is_some_and(|end| end <= device_bytes);
            if device == sb.device && fits && first.is_multiple_of(sector) {
                own.push(first);
            }
        }
        if own.is_empty() {
            return self.wrong(at, "it does not lie on this device");
        }
        let chunk = Chunk {
            bytes,
            places: own,
            data: form & kind::DATA != 0,
            doubtful: false,
        };
        let known = self.map.get(&at) == Some(&chunk);
        let before = self
            .map
            .range(..at)
            .next_back()
            .is_some_and(|(first, chunk)| first.saturating_add(chunk.bytes) > at);
        let behind = self
            .map
            .range(at..)
            .next()
            .is_some_and(|(first, _)| *first < at + bytes);
        if known {
            return;
        }
        if before || behind {
            return self.wrong(at, "it overlaps another one");
        }
        self.map.insert(at, chunk);
    }

    /// Compares the places of all: whether none are shared.
    pub fn compare(&mut self) -> bool {
        let mut all: Vec<(u64, u64, u64)> = Vec::new();
        for (at, chunk) in &self.map {
            all.extend(
                chunk
                    .places
                    .iter()
                    .map(|place| (*place, place.saturating_add(chunk.bytes), *at)),
            );
        }
        all.sort_unstable();
        let (mut reach, mut last, mut doubted) = (0u64, 0u64, Vec::new());
        for (from, to, at) in all {
            if from < reach {
                doubted.extend([last, at]);
            }
            if to > reach {
                (reach, last) = (to, at);
            }
        }
        for at in &doubted {
            if let Some(chunk) = self.map.get_mut(at) {
                chunk.doubtful = true;
            }
        }
        doubted.is_empty()
    }

    /// Where `bytes` bytes from an address lie; `None` = no chunk holds all of them.
    pub fn spot(&self, at: u64, bytes: u64) -> Option<Spot> {
        let (first, chunk) = self.map.range(..=at).next_back()?;
        let into = at - first;
        if into.checked_add(bytes)? > chunk.bytes {
            return None;
        }
        Some(Spot {
            copies: chunk
                .places
                .iter()
                .map(|place| place.saturating_add(into))
                .collect(),
            doubtful: chunk.doubtful,
        })
    }

    /// Bytes of all chunks that hold contents.
    pub fn data_bytes(&self) -> u64 {
        self.map
            .values()
            .filter(|chunk| chunk.data)
            .fold(0, |sum, chunk| sum.saturating_add(chunk.bytes))
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::volume::btrfs::superblock::Pointer;
    use crate::volume::sums::Sum;

    const MIB: u64 = 1 << 20;

    fn volume() -> Superblock {
        let nowhere = Pointer {
            at: 0,
            generation: 0,
            level: 0,
        };
        Superblock::made_up(nowhere, Sum::Crc32c)
    }

    /// A chunk item: type, length, and its places as device and first byte.
    fn item(form: u64, bytes: u64, places: &[(u64, u64)]) -> Vec<u8> {
        let mut raw = vec![0u8; HEAD];
        raw[0..8].copy_from_slice(&bytes.to_le_bytes());
        raw[24..32].copy_from_slice(&form.to_le_bytes());
        raw[40..44].copy_from_slice(&4096u32.to_le_bytes());
        raw[44..46].copy_from_slice(&(places.len() as u16).to_le_bytes());
        for (device, first) in places {
            raw.extend(device.to_le_bytes());
            raw.extend(first.to_le_bytes());
            raw.extend([0; 16]);
        }
        raw
    }

    #[test]
    fn addresses_lie_where_their_chunk_does_and_nowhere_else() {
        let (sb, mut chunks) = (volume(), Chunks::default());
        chunks.take(
            &sb,
            10 * MIB,
            &item(kind::DATA, 2 * MIB, &[(1, 5 * MIB)]),
            64 * MIB,
        );
        chunks.take(
            &sb,
            20 * MIB,
            &item(4 | kind::DUP, MIB, &[(1, 8 * MIB), (1, 30 * MIB)]),
            64 * MIB,
        );
        // The same once more, as the superblock and the tree of chunks both tell it.
        chunks.take(
            &sb,
            20 * MIB,
            &item(4 | kind::DUP, MIB, &[(1, 8 * MIB), (1, 30 * MIB)]),
            64 * MIB,
        );
        assert!(chunks.compare());
        assert_eq!((chunks.left_out, chunks.data_bytes()), (0, 2 * MIB));
        assert_eq!(
            chunks.spot(10 * MIB + 4096, 4096).unwrap().copies,
            [5 * MIB + 4096]
        );
        assert_eq!(
            chunks.spot(20 * MIB, MIB).unwrap().copies,
            [8 * MIB, 30 * MIB]
        );
        for (at, bytes) in [
            (0, 1),
            (12 * MIB - 1, 2),
            (12 * MIB, 1),
            (u64::MAX, 1),
            (10 * MIB, u64::MAX),
        ] {
            assert_eq!(chunks.spot(at, bytes), None, "{at}");
        }
    }

    #[test]
    fn what_one_device_does_not_show_is_left_out() {
        for (form, bytes, places, why) in [
            (
                1 | kind::RAID0,
                MIB,
                &[(1, 0), (2, 0)][..],
                "one device alone",
            ),
            (1 | 1 << 7, MIB, &[(1, 0), (2, 0)], "one device alone"),
            (1, MIB, &[(1, 0), (1, MIB)], "one device alone"),
            (1, MIB, &[(2, 0)], "not lie on this device"),
            (1, MIB, &[(1, 63 * MIB + 4096)], "not lie on this device"),
            (1, MIB, &[(1, u64::MAX - 4095)], "not lie on this device"),
            (1, 0, &[(1, 0)], "impossible"),
            (1, 4097, &[(1, 0)], "impossible"),
        ] {
            let (sb, mut chunks) = (volume(), Chunks::default());
            chunks.take(&sb, 10 * MIB, &item(form, bytes, places), 64 * MIB);
            let told = chunks.trouble.clone().unwrap_or_default();
            assert!(told.contains(why), "{form:#x}: {told}");
            assert_eq!(chunks.spot(10 * MIB, 1), None);
        }
        let (sb, mut chunks) = (volume(), Chunks::default());
        for cut in [&item(1, MIB, &[(1, 0)])[..HEAD + 3], &[]] {
            chunks.take(&sb, 0, cut, 64 * MIB);
        }
        assert_eq!(chunks.left_out, 2);
    }

    #[test]
    fn chunks_over_the_same_bytes_are_in_doubt_and_addresses_are_unique() {
        let (sb, mut chunks) = (volume(), Chunks::default());
        chunks.take(&sb, 10 * MIB, &item(1, 4 * MIB, &[(1, 5 * MIB)]), 64 * MIB);
        chunks.take(&sb, 11 * MIB, &item(1, MIB, &[(1, 40 * MIB)]), 64 * MIB);
        chunks.take(&sb, 9 * MIB, &item(1, 2 * MIB, &[(1, 40 * MIB)]), 64 * MIB);
        assert_eq!(chunks.left_out, 2);
        chunks.take(&sb, 20 * MIB, &item(1, MIB, &[(1, 8 * MIB)]), 64 * MIB);
        chunks.take(&sb, 30 * MIB, &item(1, MIB, &[(1, 50 * MIB)]), 64 * MIB);
        assert!(!chunks.compare());
        let doubtful = |at: u64| chunks.spot(at, 1).map(|spot| spot.doubtful);
        assert_eq!(
            (doubtful(10 * MIB), doubtful(20 * MIB), doubtful(30 * MIB)),
            (Some(true), Some(true), Some(false))
        );
    }
}
