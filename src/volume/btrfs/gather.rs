//! One file after the other: all that the tree of a subvolume says of it, put together.
//!
//! Invariant: what a gap in the tree may have held is told with the file that it may have belonged to.

use super::item::{Entry, Extent, Inode, entries, kind, names, number};
use super::superblock::Pointer;
use super::tree::{Key, Met, Trees};
use crate::port::Fault;

/// A stretch of a file, or that nobody knows what lies there.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Stretch {
    /// As the tree says.
    Told(Extent),
    /// From here to the next one that is told.
    Untold {
        /// First byte within the file.
        first: u64,
    },
}

/// All that is known of one inode.
#[derive(Debug, Default)]
pub struct Gathered {
    /// Its number.
    pub number: u64,
    /// The inode itself.
    pub inode: Option<Inode>,
    /// Its names, with the folders that they stand in.
    pub names: Vec<(u64, Vec<u8>)>,
    /// Its attributes.
    pub attributes: Vec<(Vec<u8>, Vec<u8>)>,
    /// Its stretches, in order.
    pub stretches: Vec<Stretch>,
    /// What is wrong with what was read of it.
    pub trouble: Option<String>,
    /// Some of its names may be missing.
    pub names_cut: bool,
    /// Some of its attributes may be missing.
    pub attributes_cut: bool,
    /// Tells files apart that differ in anything but who reads them.
    pub lasting: blake3::Hasher,
}

impl Gathered {
    fn new(number: u64) -> Self {
        Self {
            number,
            ..Self::default()
        }
    }

    fn wrong(&mut self, says: impl FnOnce() -> String) {
        if self.trouble.is_none() {
            self.trouble = Some(says());
        }
    }

    fn take(&mut self, key: Key, raw: &[u8]) {
        let note = |hasher: &mut blake3::Hasher, parts: &[&[u8]]| {
            hasher.update(&[key.kind]);
            hasher.update(&key.offset.to_le_bytes());
            for part in parts {
                hasher.update(&(part.len() as u64).to_le_bytes());
                hasher.update(part);
            }
        };
        match key.kind {
            kind::INODE => {
                self.inode = Inode::read(raw);
                note(&mut self.lasting, &Inode::lasting(raw));
            }
            kind::NAME | kind::FURTHER_NAME => match names(key, raw) {
                Some(more) => self.names.extend(more),
                None => self.names_cut = true,
            },
            kind::ATTRIBUTE => {
                note(&mut self.lasting, &[raw]);
                match entries(raw) {
                    Some(more) => self
                        .attributes
                        .extend(more.into_iter().map(|entry| (entry.name, entry.value))),
                    None => self.attributes_cut = true,
                }
            }
            kind::EXTENT => {
                note(&mut self.lasting, &[raw]);
                match Extent::read(key.offset, raw) {
                    Some(extent) => self.stretches.push(Stretch::Told(extent)),
                    None => {
                        self.wrong(|| "a part of it is stored in a form that is not known".into());
                        self.stretches.push(Stretch::Untold { first: key.offset });
                    }
                }
            }
            _ => {}
        }
    }

    /// Everything of it from `from` on, and before `to`, may be missing.
    fn gap(&mut self, from: Key, to: Option<Key>, why: &str) {
        // Up to here everything was another one's.
        if to.is_some_and(|to| to.object == self.number && to.kind <= kind::INODE) {
            return;
        }
        self.wrong(|| format!("a part of what the file system knows of it is missing ({why})"));
        let at = |key: Key| (key.kind, key.offset);
        let within = |what: u8| {
            let begins = from.object < self.number || from.kind <= what;
            let ends = to.is_some_and(|to| to.object == self.number && at(to) <= (what, 0));
            begins && !ends
        };
        self.names_cut |= within(kind::NAME) || within(kind::FURTHER_NAME);
        self.attributes_cut |= within(kind::ATTRIBUTE);
        if within(kind::EXTENT) {
            let first = match from.object == self.number && from.kind == kind::EXTENT {
                true => from.offset,
                false => 0,
            };
            self.stretches.push(Stretch::Untold { first });
        }
    }
}

/// What a subvolume's tree holds, one after the other.
pub enum Step<'a> {
    /// An inode, whole.
    Inode(&'a Gathered),
    /// An entry of a folder.
    Entry {
        /// The folder's inode.
        folder: u64,
        /// The entry.
        entry: Entry,
    },
    /// Inodes or entries may be missing.
    Gap {
        /// Why.
        why: &'a str,
    },
}

type See<'s> = &'s mut dyn FnMut(Step<'_>) -> Result<(), Fault>;

/// Hands over everything in a subvolume's tree.
pub fn each(trees: &Trees<'_>, root: Pointer, see: See<'_>) -> Result<(), Fault> {
    let mut now: Option<Gathered> = None;
    // A gap that ended within an inode before anything of it was seen.
    let mut before: Option<(Key, Option<Key>, String)> = None;
    trees.walk(root, &mut |met| {
        let (key, raw) = match met {
            Met::Gap { from, to, why } => {
                see(Step::Gap { why: &why })?;
                if let Some(own) = &mut now
                    && from.object <= own.number
                {
                    own.gap(from, to, &why);
                }
                before = Some((from, to, why));
                return Ok(());
            }
            Met::Item { key, bytes, .. } => (key, bytes),
        };
        if !(number::FIRST..=number::LAST).contains(&key.object) {
            return Ok(());
        }
        if key.kind == kind::ENTRY {
            match entries(raw) {
                Some(more) => {
                    for entry in more {
                        let folder = key.object;
                        see(Step::Entry { folder, entry })?;
                    }
                }
                None => see(Step::Gap {
                    why: "an entry of a folder makes no sense",
                })?,
            }
        }
        if now.as_ref().is_none_or(|own| own.number != key.object) {
            if let Some(own) = now.take() {
                see(Step::Inode(&own))?;
            }
            let mut own = Gathered::new(key.object);
            if let Some((from, to, why)) = before.take()
                && to.is_none_or(|to| to.object >= key.object)
                && from.object <= key.object
            {
                own.gap(from, to, &why);
            }
            now = Some(own);
        }
        if let Some(own) = &mut now {
            own.take(key, raw);
        }
        Ok(())
    })?;
    match now {
        Some(own) => see(Step::Inode(&own)),
        None => Ok(()),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn key(object: u64, kind: u8, offset: u64) -> Key {
        Key {
            object,
            kind,
            offset,
        }
    }

    /// What a gap costs inode 300: its names, its attributes, and from where on its content.
    fn cost(from: Key, to: Option<Key>) -> Option<(bool, bool, Option<u64>)> {
        let mut own = Gathered::new(300);
        own.gap(from, to, "torn");
        own.trouble.as_ref()?;
        let first = own.stretches.first().map(|stretch| match stretch {
            Stretch::Untold { first } => *first,
            Stretch::Told(_) => u64::MAX,
        });
        Some((own.names_cut, own.attributes_cut, first))
    }

    #[test]
    fn a_gap_costs_what_it_may_have_held() {
        let before = key(299, kind::EXTENT, 0);
        // Everything up to the inode was another one's.
        assert_eq!(cost(before, Some(key(300, kind::INODE, 0))), None);
        // The inode itself; its names too; and its attributes.
        assert_eq!(
            cost(before, Some(key(300, kind::NAME, 0))),
            Some((false, false, None))
        );
        assert_eq!(
            cost(before, Some(key(300, kind::NAME, 256))),
            Some((true, false, None))
        );
        assert_eq!(
            cost(before, Some(key(300, kind::EXTENT, 0))),
            Some((true, true, None))
        );
        // A part of the content, with all in front, or alone.
        assert_eq!(
            cost(before, Some(key(300, kind::EXTENT, 4096))),
            Some((true, true, Some(0)))
        );
        assert_eq!(
            cost(
                key(300, kind::EXTENT, 8192),
                Some(key(300, kind::EXTENT, 90_000))
            ),
            Some((false, false, Some(8192)))
        );
        // Everything behind.
        assert_eq!(
            cost(key(300, kind::ATTRIBUTE, 5), Some(key(301, kind::INODE, 0))),
            Some((false, true, Some(0)))
        );
        assert_eq!(
            cost(key(300, kind::EXTENT, 4096), None),
            Some((false, false, Some(4096)))
        );
    }
}
