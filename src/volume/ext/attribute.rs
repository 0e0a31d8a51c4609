//! Extended attributes: lists of names with values, within an inode or in a block that inodes share, as the kernel tells them.
//!
//! A value that fits neither lies in an inode of its own. What only the file system itself uses (content within inodes, keys,
//! proofs) is none.
//! Facts: the kernel's documentation of ext4 ("Extended Attributes"); the two forms of access lists: Linux `fs/ext4/acl.h` and
//! `include/uapi/linux/posix_acl_xattr.h`.
//!
//! Invariant: a value is whole or not kept, and whether something was not kept is always told.

use super::crc::crc32c;
use super::superblock::Superblock;
use crate::volume::bytes::{is, le16, le32, u8_at};
use crate::volume::ntfs::raw::{put_number, take as take_bytes, take_number};

/// What both kinds of lists begin with.
const MAGIC: [u8; 4] = [0, 0, 2, 0xEA];
/// Bytes of a block before its list.
const BLOCK_HEAD: usize = 32;
/// Bytes of an entry before its name.
const ENTRY: usize = 16;
/// The longest value that Linux gives out (`XATTR_SIZE_MAX`, linux/limits.h).
pub const LONGEST: u64 = 64 << 10;

/// One entry of a list.
#[derive(Debug, Clone, Copy)]
pub struct Entry<'a> {
    /// Name space.
    pub index: u8,
    /// Name within it.
    pub name: &'a [u8],
    /// Place of the value within the bytes given, where it lies there.
    pub at: usize,
    /// Length of the value.
    pub bytes: u32,
    /// The inode that holds the value; 0 = none.
    pub inode: u32,
}

/// `system.data`: content within inodes.
pub fn is_content(entry: &Entry<'_>) -> bool {
    entry.index == 7 && entry.name == b"data"
}

/// Where the list within an inode begins, if there is one behind `extra`, the end of the fields.
pub fn within(inode: &[u8], extra: usize) -> Option<usize> {
    is(inode, extra, &MAGIC).then_some(extra + MAGIC.len())
}

/// Calls `see` for every entry of the list at `first`; places of values count from `base`. The end of the list, `None` when
/// it has none.
pub fn each<'a>(
    raw: &'a [u8],
    first: usize,
    base: usize,
    see: &mut dyn FnMut(Entry<'a>),
) -> Option<usize> {
    let mut at = first;
    loop {
        let head = raw.get(at..at.checked_add(4)?)?;
        if head == [0; 4] {
            return Some(at + 4);
        }
        let long = usize::from(u8_at(raw, at));
        let name = raw.get(at + ENTRY..at + ENTRY + long)?;
        see(Entry {
            index: u8_at(raw, at + 1),
            name,
            at: base + usize::from(le16(raw, at + 2)),
            bytes: le32(raw, at + 8),
            inode: le32(raw, at + 4),
        });
        at += ENTRY + long.next_multiple_of(4);
    }
}

/// What one entry is to people and programs.
enum Named {
    Attribute(Vec<u8>),
    List(&'static [u8]),
    /// The file system's own.
    Own,
    Unknown,
}

/// The whole name. The name spaces are the documentation's; those of keys (9) and proofs (11) are Linux `fs/ext4/xattr.h`.
fn whole_name(entry: &Entry<'_>) -> Named {
    let prefix: &[u8] = match entry.index {
        0 => b"",
        1 => b"user.",
        2 if entry.name.is_empty() => return Named::List(b"system.posix_acl_access"),
        3 if entry.name.is_empty() => return Named::List(b"system.posix_acl_default"),
        4 => b"trusted.",
        6 => b"security.",
        7 if entry.name == b"data" => return Named::Own,
        9 | 11 => return Named::Own,
        _ => return Named::Unknown,
    };
    if entry.name.is_empty() || entry.name.contains(&0) {
        return Named::Unknown;
    }
    Named::Attribute([prefix, entry.name].concat())
}

/// An access list as programs get it, from its form on the volume; `None` = it is none.
fn access_list(stored: &[u8]) -> Option<Vec<u8>> {
    let mut rest = stored.strip_prefix(&1u32.to_le_bytes())?;
    let mut out = 2u32.to_le_bytes().to_vec();
    while !rest.is_empty() {
        let head = take_bytes(&mut rest, 4)?;
        out.extend_from_slice(head);
        match le16(head, 0) {
            // The owner, the group, the mask, everybody else: whom is clear.
            0x01 | 0x04 | 0x10 | 0x20 => out.extend_from_slice(&[0xFF; 4]),
            0x02 | 0x08 => out.extend_from_slice(take_bytes(&mut rest, 4)?),
            _ => return None,
        }
    }
    Some(out)
}

/// Appends the list at `first` to notes; `false` = something of it could not be kept.
pub fn keep(raw: &[u8], first: usize, base: usize, out: &mut Vec<u8>) -> bool {
    let mut entries = Vec::new();
    let end = each(raw, first, base, &mut |entry| entries.push(entry));
    let mut whole = end.is_some();
    for entry in entries {
        let value = if entry.inode != 0 || entry.bytes == 0 {
            Some(&[][..])
        } else {
            // A value never lies within the list.
            usize::try_from(entry.bytes)
                .ok()
                .filter(|_| entry.at >= end.unwrap_or(first))
                .and_then(|bytes| raw.get(entry.at..entry.at.checked_add(bytes)?))
        };
        let kept = match (whole_name(&entry), value) {
            (Named::Own, _) => true,
            (Named::Attribute(name), Some(value)) => {
                put(out, &name, value, &entry);
                true
            }
            (Named::List(name), Some(value)) if entry.inode == 0 => match access_list(value) {
                Some(value) => {
                    put(out, name, &value, &entry);
                    true
                }
                None => false,
            },
            _ => false,
        };
        whole &= kept;
    }
    whole
}

fn put(out: &mut Vec<u8>, name: &[u8], value: &[u8], entry: &Entry<'_>) {
    put_number(out, name.len() as u64);
    out.extend_from_slice(name);
    put_number(out, entry.inode.into());
    let bytes = if entry.inode == 0 {
        value.len() as u64
    } else {
        entry.bytes.into()
    };
    put_number(out, bytes);
    out.extend_from_slice(value);
}

/// A value as it is noted.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Value<'a> {
    /// These bytes.
    Here(&'a [u8]),
    /// The content of an inode.
    Inode {
        /// Its number.
        inode: u32,
        /// Length.
        bytes: u64,
    },
}

/// Takes name and value of one attribute off notes.
pub fn take<'a>(notes: &mut &'a [u8]) -> Option<(&'a [u8], Value<'a>)> {
    let long = usize::try_from(take_number(notes)?).ok()?;
    let name = take_bytes(notes, long)?;
    let inode = take_number(notes)? as u32;
    let bytes = take_number(notes)?;
    let value = if inode != 0 {
        Value::Inode { inode, bytes }
    } else {
        Value::Here(take_bytes(notes, usize::try_from(bytes).ok()?)?)
    };
    Some((name, value))
}

/// Appends the list of a block to notes; `false` = something of it could not be kept.
pub fn keep_block(sb: &Superblock, number: u64, raw: &[u8], out: &mut Vec<u8>) -> bool {
    let sound = is(raw, 0, &MAGIC) && le32(raw, 8) == 1 && holds(sb, number, raw);
    sound && keep(raw, BLOCK_HEAD, 0, out)
}

/// Whether the checksum of a block holds; true where there is none.
fn holds(sb: &Superblock, number: u64, raw: &[u8]) -> bool {
    if !sb.sums() {
        return true;
    }
    let (Some(head), Some(rest)) = (raw.get(..16), raw.get(20..)) else {
        return false;
    };
    let sum = crc32c(crc32c(sb.seed, &number.to_le_bytes()), head);
    crc32c(crc32c(sum, &[0; 4]), rest) == le32(raw, 16)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// An entry by hand: name space, name, place and length of the value.
    fn entry(index: u8, name: &[u8], at: u16, bytes: u32, inode: u32) -> Vec<u8> {
        let mut out = vec![name.len() as u8, index];
        out.extend(at.to_le_bytes());
        out.extend(inode.to_le_bytes());
        out.extend(bytes.to_le_bytes());
        out.extend([0; 4]);
        out.extend(name);
        out.resize(out.len().next_multiple_of(4), 0);
        out
    }

    fn read(raw: &[u8]) -> (Vec<(Vec<u8>, Vec<u8>)>, bool) {
        let mut notes = Vec::new();
        let whole = keep(raw, 0, 0, &mut notes);
        let (mut rest, mut out) = (notes.as_slice(), Vec::new());
        while let Some((name, value)) = take(&mut rest) {
            let value = match value {
                Value::Here(bytes) => bytes.to_vec(),
                Value::Inode { inode, bytes } => format!("{inode}:{bytes}").into_bytes(),
            };
            out.push((name.to_vec(), value));
        }
        assert!(rest.is_empty());
        (out, whole)
    }

    fn pair(name: &str, value: &[u8]) -> (Vec<u8>, Vec<u8>) {
        (name.as_bytes().to_vec(), value.to_vec())
    }

    /// Name spaces and fields of the kernel's documentation.
    #[test]
    fn lists_are_read_as_documented() {
        let mut raw = [
            entry(1, b"note", 120, 5, 0),
            entry(6, b"capability", 124, 2, 0),
            entry(4, b"empty", 0, 0, 0),
            entry(7, b"data", 60, 4, 0),
            entry(1, b"huge", 0, 30_000, 77),
        ]
        .concat();
        raw.resize(120, 0);
        raw.extend(b"value..");
        let (all, whole) = read(&raw);
        assert!(whole);
        assert_eq!(
            all,
            [
                pair("user.note", b"value"),
                pair("security.capability", b"e."),
                pair("trusted.empty", b""),
                pair("user.huge", b"77:30000"),
            ]
        );
    }

    #[test]
    fn what_cannot_be_is_told() {
        // No end; a value behind the end, in the list, of a length that wraps; a name that is none; a space nobody knows.
        for bad in [
            [entry(1, b"a", 60, 2, 0), vec![1; 8]].concat(),
            [entry(1, b"a", 60, 9, 0), vec![0; 44]].concat(),
            [entry(1, b"a", 0, 9, 0), vec![0; 44]].concat(),
            [entry(1, b"a", u16::MAX, u32::MAX, 0), vec![0; 44]].concat(),
            [entry(1, b"", 60, 2, 0), vec![0; 44]].concat(),
            [entry(1, b"a\0b", 60, 2, 0), vec![0; 44]].concat(),
            [entry(5, b"a", 60, 2, 0), vec![0; 44]].concat(),
            [entry(2, b"", 60, 2, 0), vec![0; 44]].concat(),
        ] {
            assert!(!read(&bad).1, "{bad:?}");
        }
        // One that is sound beside one that is not.
        let mut raw = [entry(1, b"good", 60, 2, 0), entry(1, b"bad", 62, 7, 0)].concat();
        raw.resize(60, 0);
        raw.extend(b"ok!!");
        assert_eq!(read(&raw), (vec![pair("user.good", b"ok")], false));
    }

    /// `fs/ext4/acl.h` and `posix_acl_xattr.h`: rwx for the owner, r-x for user 1000, masked, nothing for others.
    #[test]
    fn access_lists_come_as_programs_get_them() {
        let stored = [
            &[1, 0, 0, 0][..],
            &[1, 0, 7, 0],
            &[2, 0, 5, 0, 0xE8, 3, 0, 0],
            &[4, 0, 5, 0],
            &[0x10, 0, 5, 0],
            &[0x20, 0, 0, 0],
        ]
        .concat();
        let told = [
            &[2, 0, 0, 0][..],
            &[1, 0, 7, 0, 0xFF, 0xFF, 0xFF, 0xFF],
            &[2, 0, 5, 0, 0xE8, 3, 0, 0],
            &[4, 0, 5, 0, 0xFF, 0xFF, 0xFF, 0xFF],
            &[0x10, 0, 5, 0, 0xFF, 0xFF, 0xFF, 0xFF],
            &[0x20, 0, 0, 0, 0xFF, 0xFF, 0xFF, 0xFF],
        ]
        .concat();
        assert_eq!(access_list(&stored), Some(told));
        for cut in 1..stored.len() {
            let cut = stored.get(..cut).unwrap();
            // Cut between entries it is a shorter list.
            if ![4, 8, 16, 20, 24].contains(&cut.len()) {
                assert_eq!(access_list(cut), None, "{}", cut.len());
            }
        }
    }

    proptest::proptest! {
        #[test]
        fn any_bytes_are_read_or_told(raw in proptest::collection::vec(proptest::prelude::any::<u8>(), 0..400), base in 0usize..500) {
            let mut notes = Vec::new();
            keep(&raw, 0, base, &mut notes);
            let mut rest = notes.as_slice();
            while take(&mut rest).is_some() {}
            assert!(rest.is_empty());
            // Notes never hold more than the list and one long prefix for each entry.
            assert!(notes.len() <= raw.len() * 4 + 32);
        }
    }
}
