//! The second pass: the blocks of all folders, in the order in which they lie on the drive.
//!
//! Invariant: what a folder's blocks do not deliver is told on the folder and as an open point; together folders never ask
//! for more blocks than the volume has.

use super::folder::{Sum, each, sum};
use super::ground::Ground;
use super::runs::{Form, Run};
use super::store::{Named, Names, Payload, Row, Store};
use crate::port::Fault;
use crate::volume::filesystem::{Findings, Limits, Weight};
use crate::volume::stored::{Ranges, push_range};

/// Bytes of a folder read at once.
const WINDOW: u64 = 1 << 20;

/// Reads the names of all folders.
pub struct Reader<'a, 'g> {
    ground: &'a Ground<'g>,
    limits: Limits,
    blocks_left: u64,
    names: u64,
    /// Nothing is missing from the listing so far.
    pub whole: bool,
}

/// One folder being read.
struct Folder {
    inode: u32,
    seed: u32,
    notes: Vec<u8>,
    trouble: Option<String>,
    unread: bool,
    /// Its first block is not its own.
    foreign: bool,
}

impl Folder {
    fn wrong(&mut self, says: String) {
        self.trouble.get_or_insert(says);
    }
}

impl<'a, 'g> Reader<'a, 'g> {
    /// Nothing read so far.
    pub fn new(ground: &'a Ground<'g>, limits: Limits) -> Self {
        Self {
            ground,
            limits,
            blocks_left: ground.blocks().saturating_add(1 << 10),
            names: 0,
            whole: true,
        }
    }

    /// Reads all folders, then counts the names of every inode.
    pub fn run(&mut self, store: &mut Store, findings: &mut Findings) -> Result<(), Fault> {
        let inline: Vec<u32> = store.folders.iter().map(|names| names.folder).collect();
        let mut order: Vec<(u64, usize)> = Vec::new();
        for (place, row) in store.rows.iter().enumerate() {
            let is_folder = row.flags & (Row::KIND | Row::UNREAD) == 1;
            if is_folder && !row.is(Row::OWN) && inline.binary_search(&row.inode).is_err() {
                let notes = store.notes_of(row);
                let at = notes.runs.iter().find(|run| run.form == Form::Data);
                order.push((at.map_or(0, |run| run.at), place));
            }
        }
        order.sort_unstable();
        for (_, place) in order {
            self.folder(store, place, findings)?;
            if self.names > self.limits.items {
                self.whole = false;
                let limit = self.limits.items;
                findings.note("too-many-items", Weight::OpenPoint, None, || {
                    format!("more than {limit} names; the rest is not listed")
                });
                break;
            }
        }
        store.folders.sort_unstable_by_key(|names| names.folder);
        count(store);
        Ok(())
    }

    fn folder(
        &mut self,
        store: &mut Store,
        place: usize,
        findings: &mut Findings,
    ) -> Result<(), Fault> {
        let Some(row) = store.rows.get(place).copied() else {
            return Ok(());
        };
        let notes = store.notes_of(&row);
        let mut folder = Folder {
            inode: row.inode,
            seed: match notes.payload {
                Payload::Folder(seed) => seed,
                _ => 0,
            },
            notes: Vec::new(),
            trouble: None,
            unread: false,
            foreign: false,
        };
        let size = self.ground.sb.block_bytes;
        let blocks = notes.bytes.div_ceil(size);
        let mut next = 0u64;
        for run in notes.runs.iter().filter(|run| run.logical < blocks) {
            if run.logical > next {
                folder.wrong("a part of it is a hole".to_owned());
            }
            next = run.end();
            self.run_of(run, blocks, &mut folder)?;
        }
        if next < blocks {
            folder.wrong("a part of it is a hole".to_owned());
        }
        if blocks == 0 {
            folder.wrong("it has no blocks".to_owned());
        }
        store.folders.push(Names {
            folder: row.inode,
            at: store.names.keep(&folder.notes),
        });
        if let Some(says) = folder.trouble {
            self.whole = false;
            let number = Some(u64::from(row.inode));
            let id = if folder.unread {
                "folder-unread"
            } else {
                "folder-damaged"
            };
            findings.note(id, Weight::OpenPoint, number, || {
                format!(
                    "folder {}: {says}; what else it holds is not listed",
                    row.inode
                )
            });
            store.trouble(row.inode, says);
            if let Some(row) = store.rows.get_mut(place) {
                row.flags |= if folder.unread {
                    Row::PARTLY
                } else {
                    Row::DAMAGED
                };
            }
        }
        Ok(())
    }

    fn run_of(&mut self, run: &Run, blocks: u64, folder: &mut Folder) -> Result<(), Fault> {
        let count = run.blocks.min(blocks - run.logical);
        match run.form {
            Form::Data => {}
            Form::Unwritten => {
                folder.wrong("a part of it was never written".to_owned());
                return Ok(());
            }
            Form::Lost => {
                folder.wrong("the place of a part of it is not known".to_owned());
                return Ok(());
            }
        }
        let size = self.ground.sb.block_bytes;
        let each = (WINDOW / size).max(1);
        let mut done = 0;
        while done < count {
            let some = each.min(count - done);
            let Some(left) = self.blocks_left.checked_sub(some) else {
                folder.wrong("folders have more blocks than the volume".to_owned());
                return Ok(());
            };
            self.blocks_left = left;
            let mut missing = Ranges::new();
            let bytes = self.ground.read(run.at + done, some, &mut missing)?;
            for (n, block) in (0u64..).zip(bytes.chunks(size as usize)) {
                let own = within(&missing, n * size, size);
                self.block(run.logical + done + n, block, &own, folder);
            }
            done += some;
        }
        Ok(())
    }

    fn block(&mut self, number: u64, block: &[u8], missing: &Ranges, folder: &mut Folder) {
        let sb = &self.ground.sb;
        let mut doubtful = folder.foreign;
        if missing.is_empty() {
            match sum(sb, folder.seed, block) {
                Sum::Holds => {}
                Sum::Wrong => {
                    doubtful = true;
                    folder.wrong("a block of it has a wrong checksum".to_owned());
                }
                Sum::IndexWrong => {
                    folder.wrong("a block of its index has a wrong checksum".to_owned());
                }
            }
        } else {
            doubtful |= sb.sums();
            folder.unread = true;
            folder.wrong("a part of it could not be read".to_owned());
        }
        let mut first = number == 0 && missing.is_empty();
        let mut foreign = false;
        let inode = folder.inode;
        let names = &mut self.names;
        let notes = &mut folder.notes;
        let whole = each(sb, block, missing, &mut |entry| {
            if std::mem::take(&mut first) && (entry.name != b"." || entry.inode != inode) {
                foreign = true;
            }
            if entry.name == b"." || entry.name == b".." {
                return;
            }
            *names += 1;
            Named {
                inode: entry.inode,
                name: entry.name,
                kind: entry.kind,
                doubtful: doubtful || foreign,
            }
            .put(notes);
        });
        if let Err(why) = whole {
            folder.wrong(format!("a block of it cannot be read to its end ({why})"));
        }
        if foreign {
            folder.foreign = true;
            folder.wrong(
                "its first entry does not name itself: its blocks are another folder's or none"
                    .to_owned(),
            );
        }
    }
}

/// The part of `missing` within `bytes` from `at`, counted from `at`.
fn within(missing: &Ranges, at: u64, bytes: u64) -> Ranges {
    let mut out = Ranges::new();
    for (from, n) in missing {
        let start = (*from).max(at);
        let end = from.saturating_add(*n).min(at + bytes);
        push_range(
            &mut out,
            start.saturating_sub(at),
            end.saturating_sub(start),
        );
    }
    out
}

/// Counts the names of every inode.
fn count(store: &mut Store) {
    let Store {
        rows,
        folders,
        names,
        ..
    } = store;
    for folder in folders.iter() {
        let mut rest = names.get(folder.at);
        while let Some(named) = Named::take(&mut rest) {
            if let Ok(place) = rows.binary_search_by_key(&named.inode, |row| row.inode)
                && let Some(row) = rows.get_mut(place)
            {
                row.names = row.names.saturating_add(1);
            }
        }
    }
}
