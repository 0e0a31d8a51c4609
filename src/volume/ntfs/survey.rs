//! The survey itself: scan, judge the tree, count the clusters, hand everything over.
//!
//! Invariant: every record in use is listed, or falls under a named rule (the file system's own
//! records, merged extension records), or is counted as damaged.

use super::content;
use super::gather::{Gathered, Source};
use super::handover::HandOver;
use super::origin;
use super::owners::{self, Owners};
use super::pieces::Ground;
use super::record::kind;
use super::scan::{About, Scan};
use super::table::{Table, Window};
use super::tree::{ROOT, Tree};
use crate::port::{Fault, Sectors};
use crate::volume::filesystem::{
    Accounts, Findings, Found, Limits, NotSurveyed, Place, Survey, Weight,
};
use crate::volume::layout::Coding;
use crate::volume::stored::Stored;

/// The parent of names whose own parent is missing, was used anew, or leads back to itself.
pub const LOST_PARENT: u64 = u64::MAX;

/// Surveys an NTFS volume: calls `see` for every name and every stream, in record order. Names whose
/// parent is lost have [`LOST_PARENT`] as parent and the mark `orphan`.
pub fn survey(
    sectors: &dyn Sectors,
    place: Place,
    limits: &Limits,
    see: &mut dyn FnMut(Found),
) -> Result<Survey, NotSurveyed> {
    let mut findings = Findings::new();
    let geometry = origin::geometry(sectors, place, &mut findings)?;
    let ground = Ground { geometry, place };
    if geometry.bytes() > place.bytes {
        findings.note("partition-too-short", Weight::OpenPoint, None, || {
            format!(
                "the volume says it has {} bytes, its partition only {}",
                geometry.bytes(),
                place.bytes
            )
        });
    }
    let (table, first) = Table::locate(sectors, &ground, &mut findings)?;
    let mut scan = Scan::new(&table, &ground, limits);
    let nowhere = table
        .each(sectors, first, &mut |number, record| {
            scan.see(&table, number, record)
        })
        .map_err(|fault| NotSurveyed::unread("reading the NTFS file table", fault))?;
    let Scan {
        mut store,
        claims,
        about,
        mut accounts,
        findings: scanned,
        wrecks,
        stopped,
        ..
    } = scan;
    findings.append(scanned);
    if let Some(in_use) = &mut accounts.records_in_use {
        *in_use = in_use.saturating_add(table.beyond());
    }
    store.finish();
    findings.note_many("records-nowhere", Weight::OpenPoint, None, nowhere, || {
        format!("the place of {nowhere} records of the file table is not known")
    });
    let source = Source {
        sectors,
        ground,
        table: &table,
        store: &store,
    };
    let unread = |fault: Fault| NotSurveyed::unread("reading NTFS metadata", fault);
    let bitmap = bitmap(&source).map_err(unread)?;
    if bitmap.is_none() {
        findings.note("volume-bitmap-unread", Weight::OpenPoint, Some(6), || {
            "the volume's own bitmap of used clusters cannot be found".to_owned()
        });
    }
    let owners = owners::count(
        sectors,
        &ground,
        &store,
        claims,
        bitmap.as_ref(),
        &mut accounts,
    )
    .map_err(unread)?;
    note_accounts(&accounts, &owners, &mut findings);
    let tree = Tree::new(&store);
    let mut hand = HandOver {
        source,
        tree,
        owners,
        dirty: about.flags.is_some_and(|flags| flags & 1 != 0),
        limits: *limits,
        items: 0,
        window: Window::default(),
        hibernation: None,
        findings,
        accounts,
        own_records: 0,
        attributed: 0,
        see,
    };
    hand.all().map_err(unread)?;
    hand.wrecks(&wrecks).map_err(unread)?;
    hand.hibernation().map_err(unread)?;
    let HandOver {
        mut findings,
        accounts,
        own_records,
        attributed,
        items,
        ..
    } = hand;
    findings.note_attributes(attributed);
    findings.note_many(
        "file-systems-own-records",
        Weight::Sentence,
        None,
        own_records,
        || "records that hold the file system's own tables, left out by rule".to_owned(),
    );
    note_about(&about, &mut findings);
    let whole = nowhere == 0
        && !stopped
        && items <= limits.items
        && accounts.records_damaged == 0
        && findings.of("file-table-incomplete").is_none()
        && findings.of("file-table-damaged").is_none()
        && table.beyond() == 0;
    Ok(Survey {
        format: "NTFS",
        label: about.label,
        serial: Some(geometry.serial_text()),
        dirty: about.flags.map(|flags| flags & 1 != 0),
        root: ROOT,
        // The copy of the boot sector stands behind the last sector that the volume counts.
        bytes: geometry
            .bytes()
            .saturating_add(geometry.sector_bytes.into()),
        whole,
        findings,
        accounts,
    })
}

fn note_about(about: &About, findings: &mut Findings) {
    let Some(flags) = about.flags else {
        findings.note("volume-record-missing", Weight::OpenPoint, Some(3), || {
            "the record that describes the volume is not usable".to_owned()
        });
        return;
    };
    if flags & 1 != 0 {
        findings.note("volume-dirty", Weight::Sentence, Some(3), || {
            "the volume was not closed properly (dirty flag): normal after a crash, contents may be older than remembered".to_owned()
        });
    }
    if flags & !0x8001 != 0 {
        findings.note("volume-flags", Weight::Sentence, Some(3), || {
            format!("the volume has unfinished work of its own (flags {flags:#06x})")
        });
    }
}

fn note_accounts(accounts: &Accounts, owners: &Owners, findings: &mut Findings) {
    if owners.absurd {
        findings.note("clusters-claimed-absurdly", Weight::OpenPoint, None, || {
            "records claim several times more clusters than the volume has: every claim is doubted".to_owned()
        });
    }
    let bytes = |clusters: u64| clusters.saturating_mul(accounts.cluster_bytes);
    findings.note_many(
        "clusters-owned-twice",
        Weight::OpenPoint,
        None,
        accounts.owned_twice,
        || {
            format!(
                "{} clusters belong to two items at once",
                accounts.owned_twice
            )
        },
    );
    findings.note_many(
        "clusters-without-owner",
        Weight::OpenPoint,
        None,
        accounts.in_use_without_owner,
        || {
            format!(
                "{} bytes are in use, but belong to nothing that is listed",
                bytes(accounts.in_use_without_owner)
            )
        },
    );
    findings.note_many(
        "clusters-owned-but-free",
        Weight::OpenPoint,
        None,
        accounts.owned_but_free,
        || {
            format!(
                "{} bytes belong to items, but are free in the volume's own bitmap",
                bytes(accounts.owned_but_free)
            )
        },
    );
    findings.note_many(
        "clusters-marked-bad",
        Weight::Sentence,
        Some(8),
        accounts.marked_bad,
        || {
            format!(
                "the file system itself has set {} bytes aside as bad: a sign of the drive's health",
                bytes(accounts.marked_bad)
            )
        },
    );
}

/// The volume's own bitmap, laid out.
fn bitmap(source: &Source<'_>) -> Result<Option<Stored>, Fault> {
    let Some(row) = source.store.find(6).and_then(|i| source.store.rows.get(i)) else {
        return Ok(None);
    };
    let mut gathered = Gathered::default();
    source.gather(row, &mut gathered)?;
    let wanted = source.ground.geometry.clusters.div_ceil(8);
    for stream in &gathered.streams {
        if stream.kind != kind::DATA || !stream.name.is_empty() {
            continue;
        }
        let judged = content::judge(source, &mut Window::default(), stream)?;
        if let Some(layout) = judged.layout
            && layout.coding == Coding::Plain
            && judged.trouble.is_none()
            && layout.length >= wanted
            && layout.valid >= wanted
        {
            return Ok(Some(Stored::new(layout.pieces)));
        }
    }
    Ok(None)
}
