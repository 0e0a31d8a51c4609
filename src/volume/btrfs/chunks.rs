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
