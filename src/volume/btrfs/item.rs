//! Items of the trees of files: inodes, names, attributes, extents, and the roots of trees.
//!
//! Invariant: any bytes give a value or `None`; lengths within them are checked before they are used.

use super::superblock::Pointer;
use super::tree::Key;
use crate::survey::item::{Kind, Times};
use crate::volume::bytes::{array, le16, le32, le64, u8_at};

/// Kinds of items (`BTRFS_*_KEY`).
pub mod kind {
    #![allow(missing_docs)] // each is the item of that name
    pub const INODE: u8 = 1;
    pub const NAME: u8 = 12;
    pub const FURTHER_NAME: u8 = 13;
    pub const ATTRIBUTE: u8 = 24;
    pub const ENTRY: u8 = 96;
    pub const EXTENT: u8 = 108;
    pub const SUMS: u8 = 128;
    pub const ROOT: u8 = 132;
    pub const ROOT_NAME: u8 = 144;
    pub const OWNED: u8 = 168;
    pub const OWNED_BLOCK: u8 = 169;
    pub const CHUNK: u8 = 228;
}

/// Numbers of trees and of what is in them.
pub mod number {
    #![allow(missing_docs)] // each is the tree of that name
    pub const EXTENTS: u64 = 2;
    pub const FILES: u64 = 5;
    pub const SUMS: u64 = 7;
    /// The first that a subvolume or a file in it can have, and the last.
    pub const FIRST: u64 = 256;
    pub const LAST: u64 = u64::MAX - 255;
    /// Files that are being moved by a balance.
    pub const MOVED_FILES: u64 = u64::MAX - 8;
    /// A subvolume's tree with the new places, for as long as a balance moves what it has.
    pub const MOVED_TREE: u64 = u64::MAX - 7;
    /// Trees of the log.
    pub const LOG: u64 = u64::MAX - 5;
}

/// Bytes of an inode.
const INODE: usize = 160;

/// An inode.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct Inode {
    /// Length in bytes.
    pub bytes: u64,
    /// Bytes that are stored for it, before compression.
    pub stored: u64,
    /// Names that it has.
    pub names: u32,
    /// Mode with its kind.
    pub mode: u32,
    /// Owner.
    pub user: u32,
    /// Group.
    pub group: u32,
    /// Its times.
    pub times: Times,
    /// Contents have no checksums.
    pub unsummed: bool,
}

impl Inode {
    /// Reads one.
    pub fn read(raw: &[u8]) -> Option<Self> {
        const NODATASUM: u64 = 1;
        if raw.len() < INODE {
            return None;
        }
        let time = |at: usize| {
            let (seconds, part) = (le64(raw, at) as i64, le32(raw, at + 8));
            let whole = seconds.checked_mul(1_000_000_000)?;
            whole
                .checked_add(part.into())
                .filter(|ns| *ns != 0 && part < 1_000_000_000)
        };
        Some(Self {
            bytes: le64(raw, 16),
            stored: le64(raw, 24),
            names: le32(raw, 40),
            mode: le32(raw, 52),
            user: le32(raw, 44),
            group: le32(raw, 48),
            times: Times {
                created: time(148),
                modified: time(136),
                changed: time(124),
                accessed: None,
            },
            unsummed: le64(raw, 64) & NODATASUM != 0,
        })
    }

    /// What makes the content and properties of a file, without what reading, renaming and linking it changes: the change that
    /// touched it last, its count of changes, its names, and the times of that and of access.
    pub fn lasting(raw: &[u8]) -> [&[u8]; 4] {
        let part = |from: usize, to: usize| raw.get(from..to).unwrap_or_default();
        [part(0, 8), part(16, 40), part(44, 72), part(136, INODE)]
    }

    /// What it is; `None` = nothing that has a name.
    pub fn kind(&self) -> Option<Kind> {
        Some(match self.mode & 0o170_000 {
            0o100_000 => Kind::File,
            0o040_000 => Kind::Folder,
            0o120_000 => Kind::Link,
            0o010_000 | 0o020_000 | 0o060_000 | 0o140_000 => Kind::Special,
            _ => return None,
        })
    }
}

/// The names in an item of names; `further` = of the kind that names its folder in itself. `None` = it makes no sense.
pub fn names(key: Key, raw: &[u8]) -> Option<Vec<(u64, Vec<u8>)>> {
    let mut out = Vec::new();
    let mut rest = raw;
    while !rest.is_empty() {
        let (folder, head) = match key.kind {
            kind::NAME => (key.offset, 10),
            _ => (le64(rest, 0), 18),
        };
        let bytes = usize::from(le16(rest, head - 2));
        let name = rest.get(head..head + bytes)?;
        if name.is_empty() {
            return None;
        }
        out.push((folder, name.to_vec()));
        rest = rest.get(head + bytes..)?;
    }
    Some(out)
}

/// Where an entry of a folder leads.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Entry {
    /// Its inode, or its subvolume.
    pub to: Key,
    /// Its name.
    pub name: Vec<u8>,
    /// What is behind the name: the value of an attribute.
    pub value: Vec<u8>,
    /// What it is, as the folder says.
    pub kind: Option<Kind>,
}

impl Entry {
    /// Whether it leads to a subvolume.
    pub fn is_subvolume(&self) -> bool {
        self.to.kind == kind::ROOT
    }
}

/// The entries (or attributes) in an item; `None` = it makes no sense.
pub fn entries(raw: &[u8]) -> Option<Vec<Entry>> {
    const HEAD: usize = 30;
    let mut out = Vec::new();
    let mut rest = raw;
    while !rest.is_empty() {
        let (value, name) = (usize::from(le16(rest, 25)), usize::from(le16(rest, 27)));
        let to = Key {
            object: le64(rest, 0),
            kind: u8_at(rest, 8),
            offset: le64(rest, 9),
        };
        let kind = match u8_at(rest, 29) {
            1 => Some(Kind::File),
            2 => Some(Kind::Folder),
            3..=6 => Some(Kind::Special),
            7 => Some(Kind::Link),
            _ => None,
        };
        let bytes = rest.get(HEAD..HEAD + name + value)?;
        let (name, value) = bytes
            .split_at_checked(name)
            .filter(|(name, _)| !name.is_empty())?;
        out.push(Entry {
            to,
            name: name.to_vec(),
            value: value.to_vec(),
            kind,
        });
        rest = rest.get(HEAD + bytes.len()..)?;
    }
    Some(out)
}

/// How a stretch of a file is stored.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Form {
    /// In the tree itself.
    Inline(Vec<u8>),
    /// Nothing is stored.
    Hole,
    /// A part of an extent.
    Stored {
        /// Address of the extent.
        at: u64,
        /// Its bytes on the device.
        bytes: u64,
        /// First byte of the part within the unpacked extent.
        from: u64,
        /// Set aside, never written: reads as zeros.
        unwritten: bool,
    },
}

/// A stretch of a file.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Extent {
    /// First byte within the file.
    pub first: u64,
    /// Bytes of the file.
    pub bytes: u64,
    /// Bytes that the whole extent unpacks to.
    pub plain_bytes: u64,
    /// How it is packed: 0 = not, 1 to 3.
    pub packing: u8,
    /// How it is stored.
    pub form: Form,
}

impl Extent {
    /// Reads one; `None` = it makes no sense, or is in a form that is not known.
    pub fn read(first: u64, raw: &[u8]) -> Option<Self> {
        const HEAD: usize = 21;
        let (plain_bytes, packing, form) = (le64(raw, 8), u8_at(raw, 16), u8_at(raw, 20));
        // Encrypted, or coded in another way.
        if packing > 3 || u8_at(raw, 17) != 0 || le16(raw, 18) != 0 {
            return None;
        }
        let (at, on_device, from, bytes) =
            (le64(raw, 21), le64(raw, 29), le64(raw, 37), le64(raw, 45));
        let (form, bytes) = match (form, raw.len()) {
            (0, HEAD..) => (Form::Inline(raw.get(HEAD..)?.to_vec()), plain_bytes),
            (1 | 2, 53) if at == 0 => (Form::Hole, bytes),
            (1 | 2, 53) => {
                let unwritten = form == 2;
                let stored = Form::Stored {
                    at,
                    bytes: on_device,
                    from,
                    unwritten,
                };
                (stored, bytes)
            }
            _ => return None,
        };
        first.checked_add(bytes)?;
        Some(Self {
            first,
            bytes,
            plain_bytes,
            packing,
            form,
        })
    }
}

/// A tree, as the tree of trees names it.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Root {
    /// Where it begins.
    pub pointer: Pointer,
    /// How often it is in use; 0 = it is being deleted.
    pub uses: u32,
    /// Everything before this key is deleted already.
    pub deleted_to: Key,
    /// It began as a copy of another one.
    pub is_snapshot: bool,
}

impl Root {
    /// Reads one.
    pub fn read(raw: &[u8]) -> Option<Self> {
        const OLD: usize = 239;
        if raw.len() < OLD {
            return None;
        }
        Some(Self {
            pointer: Pointer {
                at: le64(raw, 176),
                generation: le64(raw, 160),
                level: u8_at(raw, 238),
            },
            uses: le32(raw, 216),
            deleted_to: Key {
                object: le64(raw, 220),
                kind: u8_at(raw, 228),
                offset: le64(raw, 229),
            },
            is_snapshot: array::<16>(raw, 263).is_some_and(|parent| parent != [0; 16]),
        })
    }
}

/// The name of a subvolume: the folder that it stands in, and how it is called there.
pub fn root_name(raw: &[u8]) -> Option<(u64, Vec<u8>)> {
    let bytes = usize::from(le16(raw, 16));
    let name = raw.get(18..18 + bytes).filter(|name| !name.is_empty())?;
    Some((le64(raw, 0), name.to_vec()))
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    #[test]
    fn extents_are_what_the_description_says() {
        let mut raw = vec![0u8; 53];
        raw[8..16].copy_from_slice(&131_072u64.to_le_bytes());
        raw[16] = 3;
        raw[20] = 1;
        for (at, number) in [(21, 5u64 << 20), (29, 8192), (37, 4096), (45, 65_536)] {
            raw[at..at + 8].copy_from_slice(&number.to_le_bytes());
        }
        let extent = Extent::read(4096, &raw).unwrap();
        assert_eq!(
            (
                extent.first,
                extent.bytes,
                extent.plain_bytes,
                extent.packing
            ),
            (4096, 65_536, 131_072, 3)
        );
        let stored = |unwritten| Form::Stored {
            at: 5 << 20,
            bytes: 8192,
            from: 4096,
            unwritten,
        };
        assert_eq!(extent.form, stored(false));
        let changed = |at: usize, byte: u8| {
            let mut raw = raw.clone();
            raw[at] = byte;
            Extent::read(4096, &raw)
        };
        assert_eq!(changed(20, 2).unwrap().form, stored(true));
        // Packed in an unknown way, encrypted, coded otherwise, of an unknown kind; too long to have an end.
        for (at, byte) in [(16, 4), (17, 1), (18, 1), (19, 1), (20, 3)] {
            assert_eq!(changed(at, byte), None, "{at}");
        }
        raw[45..53].fill(0xFF);
        assert_eq!(Extent::read(4096, &raw), None);
        raw[21..29].fill(0);
        raw[45..53].copy_from_slice(&7u64.to_le_bytes());
        assert_eq!(Extent::read(0, &raw).unwrap().form, Form::Hole);
        assert_eq!(Extent::read(0, &raw[..52]), None);
    }

    #[test]
    fn an_item_holds_several_names() {
        let key = Key {
            object: 300,
            kind: kind::NAME,
            offset: 256,
        };
        let raw = b"\x02\0\0\0\0\0\0\0\x03\0one\x05\0\0\0\0\0\0\0\x02\0zw";
        let name = |name: &[u8]| (256, name.to_vec());
        assert_eq!(names(key, raw), Some(vec![name(b"one"), name(b"zw")]));
        assert_eq!(names(key, &raw[..24]), None);
        let further = Key {
            kind: kind::FURTHER_NAME,
            ..key
        };
        let raw = b"\x01\x01\0\0\0\0\0\0\x02\0\0\0\0\0\0\0\x03\0one";
        assert_eq!(names(further, raw), Some(vec![(257, b"one".to_vec())]));
        assert_eq!(names(further, &[0; 18]), None);
    }

    proptest! {
        #![proptest_config(ProptestConfig { failure_persistence: None, ..ProptestConfig::default() })]

        #[test]
        fn any_bytes_are_an_item_or_none(raw in proptest::collection::vec(any::<u8>(), 0..500), offset in any::<u64>(), kind in 12u8..14) {
            let key = Key { object: 1, kind, offset };
            let _ = (names(key, &raw), entries(&raw), Inode::read(&raw), Extent::read(offset, &raw), Root::read(&raw), root_name(&raw));
        }
    }
}
