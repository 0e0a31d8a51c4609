//! The survey: superblock, chunks, the tree of trees, checksums, the book of extents, then every subvolume.
//!
//! Invariant: every subvolume that is in use is listed, snapshots too; a file that a snapshot has unchanged is one file with a
//! further name, so that it is copied once.

use super::chunks::Chunks;
use super::files::Books;
use super::handover::HandOver;
use super::item::{Root, kind, number, root_name};
use super::owners::Owners;
use super::sums::Sums;
use super::superblock::{Pointer, Superblock};
use super::tree::{Met, Trees};
use crate::port::{Fault, Sectors};
use crate::volume::bytes::Part;
use crate::volume::filesystem::{
    Accounts, Findings, Found, Limits, NotSurveyed, Place, Survey, Weight,
};
use std::collections::{BTreeMap, BTreeSet};

/// The trees of a volume, by what the tree of trees says.
#[derive(Default)]
struct Forest {
    roots: BTreeMap<u64, Root>,
    /// Of each subvolume: the one that it stands in, the folder there, and its name.
    names: BTreeMap<u64, (u64, u64, Vec<u8>)>,
    /// What a balance that was stopped had moved by then.
    moved: Vec<Pointer>,
    whole: bool,
}

/// Whether a crash left something in a log that the trees do not have yet. Reads every superblock.
///
/// # Errors
/// Faults that are no refusals.
pub fn log_waits(part: &Part<'_>) -> Result<bool, Fault> {
    let found = Superblock::locate(part, &mut Findings::new())?;
    Ok(found.is_ok_and(|sb| sb.log.at != 0))
}

/// Surveys a Btrfs volume at `place` of the drive: calls `see` for the root and every name below it. `tables` is where the
/// tables are read, beginning at `tables_at`: the drive itself, or what a mount above a scratch made of the volume.
///
/// # Errors
/// What keeps the volume from being surveyed at all, and faults that are no refusals.
pub fn survey(
    tables: &dyn Sectors,
    tables_at: Place,
    sectors: &dyn Sectors,
    place: Place,
    limits: Limits,
    see: &mut dyn FnMut(Found),
) -> Result<Survey, NotSurveyed> {
    let doing = || format!("surveying the Btrfs volume at byte {}", place.first_byte);
    let unread = |fault: Fault| NotSurveyed::unread(doing(), fault);
    let no = |why: String| {
        NotSurveyed::because(
            doing(),
            why,
            "have the file system looked at on a copy of the drive",
        )
    };
    let part = Part::new(tables, tables_at);
    let drive = Part::new(sectors, place);
    let mut findings = Findings::new();
    let sb = Superblock::locate(&part, &mut findings)
        .map_err(unread)?
        .map_err(no)?;
    let mut trees = Trees {
        part,
        sb: &sb,
        chunks: Chunks::first(&sb, part.bytes()),
    };
    let mut whole = read_chunks(&mut trees, &mut findings).map_err(unread)?;
    if let Err(why) = trees.block(sb.root).map_err(unread)? {
        return Err(no(format!("its tree of trees: {why}")));
    }
    if sb.bytes > part.bytes() {
        findings.note("partition-too-short", Weight::OpenPoint, None, || {
            format!(
                "the volume says it has {} bytes, its partition only {}",
                sb.bytes,
                part.bytes()
            )
        });
    }
    let mut forest = forest(&trees, &mut findings).map_err(unread)?;
    let behind = log(&trees, &mut findings).map_err(unread)?;
    whole &= forest.whole && behind.is_empty() && sb.bytes <= part.bytes();
    let tree = |forest: &Forest, id: u64| forest.roots.get(&id).map(|root| root.pointer);
    let nothing = |what: &str| no(format!("it has no {what}"));
    let book = tree(&forest, number::EXTENTS).ok_or_else(|| nothing("book of extents"))?;
    let owners = Owners::read(&trees, book, limits.table_bytes, &mut findings).map_err(unread)?;
    let sums = match tree(&forest, number::SUMS) {
        Some(root) => {
            Sums::read(&trees, root, &drive, limits.table_bytes, &mut findings).map_err(unread)?
        }
        None => Sums::default(),
    };
    let mut books = Books {
        trees: &trees,
        drive,
        sums,
        owners,
    };
    claim_own(&mut books, sb.root).map_err(unread)?;
    for moved in &forest.moved {
        claim_own(&mut books, *moved).map_err(unread)?;
    }
    let is_files = |id: &u64| *id == number::FILES || (number::FIRST..=number::LAST).contains(id);
    let gone: Vec<u64> = forest
        .roots
        .iter()
        // One that was deleted has no name any more.
        .filter(|(id, root)| {
            let deleted = root.uses == 0 && !forest.names.contains_key(id);
            *id == &number::MOVED_FILES || is_files(id) && deleted
        })
        .map(|(id, _)| *id)
        .collect();
    let mut deleted = 0;
    for id in gone {
        if let Some(root) = forest.roots.remove(&id) {
            deleted += u64::from(id != number::MOVED_FILES);
            claim_own(&mut books, root.pointer).map_err(unread)?;
        }
    }
    findings.note_many(
        "subvolumes-deleted",
        Weight::Sentence,
        None,
        deleted,
        || {
            format!("subvolumes that somebody deleted, and that the system had not cleared away yet, are not listed: {deleted}")
        },
    );
    forest.roots.retain(|id, _| is_files(id));
    if !forest.roots.contains_key(&number::FILES) {
        return Err(nothing("tree of files"));
    }
    let mut hand = HandOver::new(
        books,
        &forest.roots,
        &forest.names,
        behind,
        limits,
        findings,
        see,
    );
    let listed = hand.all().map_err(unread)?;
    let HandOver {
        books,
        mut findings,
        whole: all_there,
        records,
        damaged,
        in_use,
        unkept,
        ..
    } = hand;
    findings.note_attributes(unkept);
    let mut accounts = Accounts {
        records_in_use: Some(in_use),
        records_listed: records,
        records_damaged: damaged,
        ..Accounts::default()
    };
    books.owners.count(trees.chunks.data_bytes(), &mut accounts);
    Ok(Survey {
        format: "Btrfs",
        label: sb.label(),
        serial: Some(sb.serial()),
        dirty: Some(sb.log.at != 0),
        root: listed,
        bytes: sb.bytes,
        whole: whole && all_there,
        findings,
        accounts,
    })
}

/// Reads the tree of chunks.
fn read_chunks(trees: &mut Trees<'_>, findings: &mut Findings) -> Result<bool, Fault> {
    let (mut more, mut gaps) = (Vec::new(), Vec::new());
    trees.walk(trees.sb.chunks, &mut |met| {
        match met {
            Met::Item { key, bytes, .. } if key.kind == kind::CHUNK => {
                more.push((key.offset, bytes.to_vec()));
            }
            Met::Item { .. } => {}
            Met::Gap { why, .. } => gaps.push(why),
        }
        Ok(())
    })?;
    let room = trees.part.bytes();
    for (at, item) in more {
        trees.chunks.take(trees.sb, at, &item, room);
    }
    let compared = trees.chunks.compare();
    for why in &gaps {
        findings.note("chunks-missing", Weight::OpenPoint, None, || {
            format!("a part of the tree of chunks is missing ({why})")
        });
    }
    let left_out = trees.chunks.left_out;
    findings.note_many("chunks-missing", Weight::OpenPoint, None, left_out, || {
        trees.chunks.trouble.clone().unwrap_or_default()
    });
    if !compared {
        findings.note("chunks-crossed", Weight::OpenPoint, None, || {
            "chunks lie over the same bytes of the device".into()
        });
    }
    Ok(gaps.is_empty() && left_out == 0 && compared)
}

/// Reads the tree of trees.
fn forest(trees: &Trees<'_>, findings: &mut Findings) -> Result<Forest, Fault> {
    let mut out = Forest {
        whole: true,
        ..Forest::default()
    };
    trees.walk(trees.sb.root, &mut |met| {
        match met {
            Met::Item { key, bytes, .. } => {
                let wrong = match key.kind {
                    kind::ROOT => match Root::read(bytes) {
                        Some(root) if key.object == number::MOVED_TREE => {
                            out.moved.push(root.pointer);
                            false
                        }
                        Some(root) => {
                            out.roots.insert(key.object, root);
                            false
                        }
                        None => true,
                    },
                    kind::ROOT_NAME => match root_name(bytes) {
                        Some((folder, name)) => {
                            out.names.insert(key.object, (key.offset, folder, name));
                            false
                        }
                        None => true,
                    },
                    _ => false,
                };
                if wrong {
                    out.whole = false;
                    findings.note("roots-missing", Weight::OpenPoint, None, || {
                        format!("what the volume says of its tree {} makes no sense", key.object)
                    });
                }
            }
            Met::Gap { why, .. } => {
                out.whole = false;
                findings.note("roots-missing", Weight::OpenPoint, None, || {
                    format!("a part of the tree of trees is missing ({why}): whole subvolumes may be missing")
                });
            }
        }
        Ok(())
    })?;
    Ok(out)
}

/// What was written since the last change and stands in the log alone: subvolumes with the inodes concerned.
fn log(trees: &Trees<'_>, findings: &mut Findings) -> Result<BTreeSet<(u64, u64)>, Fault> {
    let mut out = BTreeSet::new();
    if trees.sb.log.at == 0 {
        return Ok(out);
    }
    let mut logs = Vec::new();
    let mut gaps = 0u64;
    trees.walk(trees.sb.log, &mut |met| {
        match met {
            Met::Item { key, bytes, .. } if key.kind == kind::ROOT && key.object == number::LOG => {
                logs.extend(Root::read(bytes).map(|root| (key.offset, root.pointer)));
            }
            Met::Item { .. } => {}
            Met::Gap { .. } => gaps += 1,
        }
        Ok(())
    })?;
    for (subvolume, pointer) in logs {
        trees.walk(pointer, &mut |met| {
            match met {
                Met::Item { key, .. } if (number::FIRST..=number::LAST).contains(&key.object) => {
                    out.insert((subvolume, key.object));
                }
                Met::Item { .. } => {}
                Met::Gap { .. } => gaps += 1,
            }
            Ok(())
        })?;
    }
    let files = out.len();
    findings.note("journal-not-applied", Weight::OpenPoint, None, || {
        let unread = match gaps {
            0 => "",
            _ => ", and a part of it cannot be read",
        };
        format!("what was saved in the last seconds stands in a log that is not applied here ({files} files and folders{unread}): files made then are missing, others are older than their owner last saw. A Linux that mounts the volume applies it: run this program as root on a machine whose kernel knows Btrfs")
    });
    if out.is_empty() {
        out.insert((0, 0));
    }
    Ok(out)
}

/// Books what the file system itself has, or what is being deleted or moved: it has no names.
fn claim_own(books: &mut Books<'_>, root: Pointer) -> Result<(), Fault> {
    let trees = books.trees;
    trees.walk(root, &mut |met| {
        if let Met::Item { key, bytes, .. } = met
            && key.kind == kind::EXTENT
        {
            books.claim(key.offset, bytes);
        }
        Ok(())
    })
}
