//! The survey itself: superblock, descriptors, journal, tables of inodes, folders, clusters, hand-over.
//!
//! Invariant: what the journal holds counts as if it were in its place; what could not be applied is an open point, and the
//! listing is then not whole.

use super::extents::Walker;
use super::ground::{Ground, Overlay};
use super::groups::{self, Groups};
use super::handover::HandOver;
use super::inode::{Inode, flag};
use super::journal::{self, Played};
use super::names::Reader;
use super::owners::Count;
use super::runs::{Budget, Mapped, Run, pieces};
use super::scan::{ROOT, Scan};
use super::store::{Row, Store};
use super::superblock::{self, FIRST_AT, Superblock, incompat};
use crate::port::{Fault, Sectors};
use crate::survey::item::Kind;
use crate::value::Name;
use crate::volume::bytes::{Part, le32, uuid_text};
use crate::volume::filesystem::{
    Accounts, Findings, Found, Limits, NotSurveyed, Place, Survey, Weight,
};
use crate::volume::stored::{Narrow, Ranges, Stored};
use std::collections::{BTreeMap, HashMap};

/// Surveys an ext volume: calls `see` for the root and every name below it, parents first, then for what no folder leads to
/// (with [`crate::volume::ntfs::LOST_PARENT`] as parent and the mark `orphan`). `boot_at` is the place of the superblock
/// within the volume where the first one is gone, else 0.
pub fn survey(
    sectors: &dyn Sectors,
    place: Place,
    boot_at: u64,
    limits: Limits,
    see: &mut dyn FnMut(Found),
) -> Result<Survey, NotSurveyed> {
    let part = Part::new(sectors, place);
    let doing = || format!("surveying the ext volume at byte {}", place.first_byte);
    let mut findings = Findings::new();
    let (sb, at) = superblock::locate(&part, boot_at, &mut findings)?;
    // In memory a descriptor takes about twice its bytes.
    let room = part.bytes().min(limits.table_bytes / 4);
    let wanted = sb.descriptor_blocks().saturating_mul(sb.block_bytes);
    if wanted > room {
        return Err(NotSurveyed::because(
            doing(),
            format!(
                "{} block groups, more than fit on the volume or in memory",
                sb.groups()
            ),
            "have the file system checked on a copy of the drive",
        ));
    }
    if sb.bytes() > part.bytes() {
        findings.note("partition-too-short", Weight::OpenPoint, None, || {
            format!(
                "the volume says it has {} bytes, its partition only {}",
                sb.bytes(),
                part.bytes()
            )
        });
    }
    let first = sb.clone();
    let mut ground = Ground {
        sectors,
        place: part.place(),
        sb,
        overlay: Overlay::new(),
    };
    let unread = |fault: Fault| NotSurveyed::unread(doing(), fault);
    let mut early = Findings::new();
    let mut groups = groups::read(&ground, &mut early).map_err(unread)?;
    let mut played = replay(&ground, &groups, at, &mut findings).map_err(unread)?;
    let outdated = std::mem::take(&mut played.outdated);
    if played.overlay.is_empty() {
        findings.append(early);
    } else {
        ground.overlay = played.overlay;
        renew(&mut ground, at, &mut findings).map_err(unread)?;
        groups = groups::read(&ground, &mut findings).map_err(unread)?;
    }
    let mut scan = Scan::new(&ground, limits);
    scan.run(&groups, &mut findings).map_err(unread)?;
    let Scan {
        mut store,
        in_use,
        damaged,
        next_orphan,
        ..
    } = scan;
    let mut reader = Reader::new(&ground, limits);
    reader.run(&mut store, &mut findings).map_err(unread)?;
    let whole = reader.whole;
    orphans(&ground, &mut store, &next_orphan).map_err(unread)?;
    for inode in &outdated {
        doubt(&mut store, *inode);
    }
    let mut accounts = Accounts {
        records_in_use: in_use,
        records_damaged: damaged,
        ..Accounts::default()
    };
    let owners = Count {
        ground: &ground,
        groups: &groups,
        store: &store,
    }
    .run(&mut accounts, &mut findings)
    .map_err(unread)?;
    note_accounts(&accounts, owners.absurd, &mut findings);
    let mut hand = HandOver {
        ground: &ground,
        settled: played.whole && first.state & 1 != 0,
        groups: &groups,
        store,
        owners,
        limits,
        findings,
        accounts,
        items: 0,
        room: limits.table_bytes,
        whole,
        see,
    };
    hand.all();
    let HandOver {
        mut findings,
        accounts,
        whole,
        store,
        ..
    } = hand;
    let attributed = store
        .rows
        .iter()
        .filter(|row| row.is(Row::LISTED) && row.is(Row::UNKEPT))
        .count() as u64;
    findings.note_attributes(attributed);
    let usable = groups.iter().all(|group| group.usable);
    let closed = note_state(
        &first,
        &ground.sb,
        &accounts,
        played.transactions,
        &mut findings,
    );
    Ok(Survey {
        format: ground.sb.format(),
        label: (!ground.sb.label.is_empty()).then(|| Name::Bytes(ground.sb.label.clone())),
        serial: Some(uuid_text(ground.sb.uuid)),
        dirty: Some(!closed),
        root: ROOT.into(),
        bytes: ground.sb.bytes(),
        whole: whole
            && played.whole
            && usable
            && accounts.records_in_use.is_some()
            && accounts.records_damaged == 0
            && ground.sb.bytes() <= part.bytes(),
        findings,
        accounts,
    })
}

/// Plays the journal, if the volume says that it holds changes, or if that cannot be known.
fn replay(
    ground: &Ground<'_>,
    groups: &Groups,
    at: u64,
    findings: &mut Findings,
) -> Result<Played, Fault> {
    let sb = &ground.sb;
    let clean = Played {
        whole: true,
        ..Played::default()
    };
    let missing = |findings: &mut Findings, why: &str| {
        findings.note("journal-not-applied", Weight::OpenPoint, Some(8), || {
            format!("{why}: the last changes are missing from the listing and from contents")
        });
        Played::default()
    };
    let needed = sb.has(incompat::RECOVER);
    // A copy of the superblock does not know whether the volume was closed.
    if !needed && at == FIRST_AT {
        return Ok(clean);
    }
    if sb.journal_inode == 0 {
        return Ok(match (needed, sb.journal_elsewhere) {
            (_, true) => missing(
                findings,
                "the journal lies on another device; give the volume as a mounted folder with that device attached",
            ),
            (true, false) => missing(
                findings,
                "the volume says that its journal holds changes, but has none",
            ),
            (false, false) => clean,
        });
    }
    match journal_runs(ground, groups)? {
        Some(runs) => journal::play(ground, &runs, findings),
        None => Ok(missing(
            findings,
            "the journal's inode is unreadable or damaged",
        )),
    }
}

/// Where the journal lies, by its inode or the copy in the superblock.
fn journal_runs(ground: &Ground<'_>, groups: &Groups) -> Result<Option<Vec<Run>>, Fault> {
    let sb = &ground.sb;
    let number = sb.journal_inode;
    let index = number.saturating_sub(1);
    let group = groups.get((index / sb.group_inodes) as usize);
    let size = sb.inode_bytes as u64;
    let into = u64::from(index % sb.group_inodes) * size;
    let raw = match group.filter(|group| group.usable) {
        Some(group) => ground.block(group.table + into / sb.block_bytes)?,
        None => None,
    };
    let from = (into % sb.block_bytes) as usize;
    let raw = raw
        .as_ref()
        .and_then(|raw| raw.get(from..from + sb.inode_bytes));
    if let Some(raw) = raw {
        let inode = Inode::new(raw, number);
        let extents = inode.has(flag::EXTENTS);
        let bytes = inode.bytes(sb);
        if inode.holds(sb)
            && let Some(runs) = walk(ground, inode.block(), extents, inode.seed(sb), bytes)?
        {
            return Ok(Some(runs));
        }
    }
    let Some(copy) = &sb.journal_copy else {
        return Ok(None);
    };
    let bytes = u64::from(le32(copy, 64)) | u64::from(le32(copy, 60)) << 32;
    let extents = copy.get(..2) == Some(&[0x0A, 0xF3]);
    walk(
        ground,
        copy.get(..60).unwrap_or_default(),
        extents,
        0,
        bytes,
    )
}

fn walk(
    ground: &Ground<'_>,
    block: &[u8],
    extents: bool,
    seed: u32,
    bytes: u64,
) -> Result<Option<Vec<Run>>, Fault> {
    let mut walker = Walker {
        ground,
        ahead: &HashMap::new(),
        budget: &mut Budget::of(ground),
        seed,
        out: Mapped::default(),
    };
    walker.walk(block, extents)?;
    let out = walker.out;
    let mapped = out.runs.last().map_or(0, Run::end);
    let sound = out.trouble.is_none() && mapped > 0 && mapped >= bytes / ground.sb.block_bytes;
    Ok(sound.then_some(out.runs))
}

/// The superblock as the journal left it.
fn renew(ground: &mut Ground<'_>, at: u64, findings: &mut Findings) -> Result<(), Fault> {
    let (block, into) = (
        FIRST_AT / ground.sb.block_bytes,
        FIRST_AT % ground.sb.block_bytes,
    );
    if at != FIRST_AT || !ground.changed(block, 1) {
        return Ok(());
    }
    let raw = ground.block(block)?;
    let parsed = raw
        .as_ref()
        .and_then(|raw| raw.get(into as usize..))
        .map(Superblock::parse);
    match parsed {
        Some(Ok(sb)) if sb.block_bytes == ground.sb.block_bytes => ground.sb = sb,
        _ => findings.note("journal-not-applied", Weight::OpenPoint, None, || {
            "the superblock in the journal does not hold; the old one was used".to_owned()
        }),
    }
    Ok(())
}

/// Marks the inodes that were unlinked while open, or being cut short: the chain that begins in the superblock, and the file
/// that lists them.
fn orphans(ground: &Ground<'_>, store: &mut Store, next: &BTreeMap<u32, u32>) -> Result<(), Fault> {
    let mark = |store: &mut Store, inode: u32| {
        if let Some(place) = store.find(inode)
            && let Some(row) = store.rows.get_mut(place)
            && !row.is(Row::OWN | Row::FREE | Row::UNREAD)
        {
            row.flags |= if row.links == 0 {
                Row::ORPHAN
            } else {
                Row::BEHIND
            };
        }
    };
    let mut here = ground.sb.last_orphan;
    for _ in 0..=next.len() {
        if here == 0 {
            break;
        }
        mark(store, here);
        here = next.get(&here).copied().unwrap_or(0);
    }
    let Some(row) = store
        .find(ground.sb.orphan_file)
        .and_then(|place| store.rows.get(place).copied())
    else {
        return Ok(());
    };
    let notes = store.notes_of(&row);
    let stored = Stored::new(pieces(ground, &notes.runs, notes.bytes));
    let size = ground.sb.block_bytes;
    let mut block = vec![0u8; size as usize];
    for number in 0..notes.bytes.min(ground.sb.bytes()) / size {
        let mut missing = Ranges::new();
        stored.read(
            ground.sectors,
            number * size,
            &mut block,
            Narrow::default(),
            &mut missing,
        )?;
        // The last eight bytes are its mark and checksum.
        let entries = block.get(..block.len() - 8).unwrap_or_default();
        for entry in entries.chunks_exact(4) {
            match le32(entry, 0) {
                0 => {}
                inode => mark(store, inode),
            }
        }
    }
    Ok(())
}

/// Marks an inode of which something newer is known to stand elsewhere.
fn doubt(store: &mut Store, inode: u32) {
    if let Some(place) = store.find(inode)
        && let Some(row) = store.rows.get_mut(place)
        && row.kind() == Kind::File
        && !row.is(Row::OWN | Row::UNREAD)
    {
        row.flags |= Row::DAMAGED;
        store.trouble(
            inode,
            "its newest length and places of content stand in fast commits of the journal, which are not applied here: it may be older than its owner last saw".to_owned(),
        );
    }
}

/// Notes what the volume says of its own state; returns whether it was closed.
fn note_state(
    first: &Superblock,
    sb: &Superblock,
    accounts: &Accounts,
    transactions: u64,
    findings: &mut Findings,
) -> bool {
    let closed = first.state & 1 != 0 && !first.has(incompat::RECOVER);
    if !closed {
        findings.note("not-closed", Weight::Sentence, None, || {
            format!(
                "the volume was not closed properly; {transactions} transactions of its journal were applied in memory"
            )
        });
    }
    if (first.state | sb.state) & 2 != 0 {
        findings.note("errors-seen", Weight::OpenPoint, None, || {
            "the system that wrote here found errors in the file system".to_owned()
        });
    }
    if closed && let (Some(blocks), Some(inodes)) = (accounts.in_use, accounts.records_in_use) {
        let free = accounts.clusters.saturating_sub(blocks);
        let free_inodes = u64::from(sb.inodes).saturating_sub(inodes);
        let own = sb.free_blocks / sb.cluster_blocks;
        if free != own || free_inodes != u64::from(sb.free_inodes) {
            findings.note("free-counts-differ", Weight::Sentence, None, || {
                format!(
                    "the volume counts {own} free clusters and {} free inodes, its bitmaps have {free} and {free_inodes}",
                    sb.free_inodes
                )
            });
        }
    }
    closed
}

fn note_accounts(accounts: &Accounts, absurd: bool, findings: &mut Findings) {
    if absurd {
        findings.note("clusters-claimed-absurdly", Weight::OpenPoint, None, || {
            "inodes claim several times more clusters than the volume has: every claim is doubted".to_owned()
        });
    }
    let bytes = |clusters: u64| clusters.saturating_mul(accounts.cluster_bytes);
    let mut note = |id, weight, count, says: &dyn Fn(u64) -> String| {
        findings.note_many(id, weight, None, count, || says(count));
    };
    note(
        "clusters-owned-twice",
        Weight::OpenPoint,
        accounts.owned_twice,
        &|n| format!("{n} clusters belong to two owners at once"),
    );
    note(
        "clusters-without-owner",
        Weight::OpenPoint,
        accounts.in_use_without_owner,
        &|n| {
            format!(
                "{} bytes are in use, but belong to nothing that is listed",
                bytes(n)
            )
        },
    );
    note(
        "clusters-owned-but-free",
        Weight::OpenPoint,
        accounts.owned_but_free,
        &|n| {
            format!(
                "{} bytes belong to items, but are free in the volume's own bitmaps",
                bytes(n)
            )
        },
    );
    note(
        "clusters-marked-bad",
        Weight::Sentence,
        accounts.marked_bad,
        &|n| {
            format!(
                "the file system itself has set {} bytes aside as bad: a sign of the drive's health",
                bytes(n)
            )
        },
    );
}
