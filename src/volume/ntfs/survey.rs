//! The survey itself: scan, judge the tree, count the clusters, hand everything over.
//!
//! Invariant: every record in use is listed, or falls under a named rule (the file system's own
//! records, merged extension records), or is counted as damaged.

mod hand_over;

use super::content;
use super::gather::Source;
use super::owners::{self, Owners};
use super::pieces::Ground;
use super::raw::{name_of, u16_at};
use super::record::{Attributes, BadRecord, Header, Value, kind};
use super::store::Store;
use super::table::{self, NoRecord, Table, Window};
use super::tree::{ROOT, Tree};
use crate::port::{Fault, Sectors};
use crate::value::Name;
use crate::volume::filesystem::{
    Accounts, Findings, Found, Limits, NotSurveyed, Place, Survey, Weight,
};
use crate::volume::layout::Coding;
use crate::volume::stored::Stored;

use hand_over::HandOver;

/// The parent of names whose own parent is missing, was used anew, or leads back to itself.
pub const LOST_PARENT: u64 = u64::MAX;

/// Bytes of content kept in records that are held in memory.
const KEEP: u64 = 32 << 20;

/// What record 3 says of the volume.
#[derive(Default)]
struct About {
    label: Option<Name>,
    flags: Option<u16>,
}

/// Surveys an NTFS volume: calls `see` for every name and every stream, in record order. Names whose
/// parent is lost have [`LOST_PARENT`] as parent and the mark `orphan`.
pub fn survey(
    sectors: &dyn Sectors,
    place: Place,
    limits: &Limits,
    see: &mut dyn FnMut(Found),
) -> Result<Survey, NotSurveyed> {
    let mut findings = Findings::new();
    let geometry = table::geometry(sectors, place, &mut findings)?;
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
    let table = Table::locate(sectors, &ground, &mut findings)?;
    let mut scan = Scan::new(&table, limits);
    let nowhere = table
        .each(sectors, &mut |number, record| {
            scan.see(&table, number, record)
        })
        .map_err(|fault| NotSurveyed::unread("reading the NTFS file table", fault))?;
    let Scan {
        mut store,
        about,
        mut accounts,
        findings: scanned,
        stopped,
        ..
    } = scan;
    findings.append(scanned);
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
    let owners =
        owners::count(sectors, &ground, &store, bitmap.as_ref(), &mut accounts).map_err(unread)?;
    note_accounts(&accounts, &owners, &mut findings);
    let tree = Tree::new(&store);
    let mut hand = HandOver {
        source,
        tree,
        owners,
        limits: *limits,
        items: 0,
        window: Window::new(),
        hibernation: None,
        findings,
        accounts,
        own_records: 0,
        see,
    };
    hand.all().map_err(unread)?;
    hand.hibernation().map_err(unread)?;
    let HandOver {
        mut findings,
        accounts,
        own_records,
        items,
        ..
    } = hand;
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
        && findings.of("file-table-damaged").is_none();
    Ok(Survey {
        format: "NTFS",
        label: about.label,
        serial: Some(geometry.serial_text()),
        dirty: about.flags.map(|flags| flags & 1 != 0),
        root: ROOT,
        bytes: geometry.bytes(),
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
    let gathered = source.gather(row)?;
    let wanted = source.ground.geometry.clusters.div_ceil(8);
    for stream in &gathered.streams {
        if stream.kind != kind::DATA || !stream.name.is_empty() {
            continue;
        }
        let judged = content::judge(source, &mut Window::new(), stream)?;
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

/// The one pass over the table.
struct Scan {
    store: Store,
    about: About,
    accounts: Accounts,
    findings: Findings,
    table_bytes: u64,
    stopped: bool,
}

impl Scan {
    fn new(table: &Table, limits: &Limits) -> Self {
        let expected = table.bits_set().min(table.records()).min(16 << 20);
        Self {
            store: Store::new(usize::try_from(expected).unwrap_or(0), KEEP),
            about: About::default(),
            accounts: Accounts {
                records_in_use: Some(0),
                ..Accounts::default()
            },
            findings: Findings::new(),
            table_bytes: limits.table_bytes,
            stopped: false,
        }
    }

    fn count_in_use(&mut self) {
        if let Some(n) = &mut self.accounts.records_in_use {
            *n += 1;
        }
    }

    fn see(
        &mut self,
        table: &Table,
        number: u64,
        record: Result<(&[u8], Header), NoRecord>,
    ) -> bool {
        let bit = table.bit(number);
        let (bytes, head) = match record {
            Ok(found) => found,
            Err(no) => {
                self.damaged(number, bit, no);
                return true;
            }
        };
        // The reserved records 12 to 23 are kept differently by different systems.
        if bit.is_some_and(|bit| bit != head.in_use) && number >= 24 {
            self.findings.note(
                "record-bitmap-differs",
                Weight::Sentence,
                Some(number),
                || {
                    format!(
                        "record {number} and the table's own bitmap disagree whether it is in use"
                    )
                },
            );
        }
        if !head.in_use {
            return true;
        }
        self.count_in_use();
        let Ok(short) = u32::try_from(number) else {
            self.accounts.records_damaged += 1;
            return true;
        };
        self.store.add(short, bytes, &head);
        if number == 3 {
            self.about_volume(bytes, &head);
        }
        if self.store.bytes() > self.table_bytes {
            self.stopped = true;
            let limit = self.table_bytes;
            self.findings
                .note("survey-stopped", Weight::OpenPoint, Some(number), || {
                    format!("the notes on the file table outgrew {limit} bytes at record {number}: the rest is not listed")
                });
            return false;
        }
        true
    }

    fn damaged(&mut self, number: u64, bit: Option<bool>, no: NoRecord) {
        // A free record may hold anything (or never have been written).
        if bit == Some(false) {
            return;
        }
        if bit.is_none() && no == NoRecord::Bad(BadRecord::Signature) && number >= 16 {
            self.findings
                .note("records-without-signature", Weight::OpenPoint, Some(number), || {
                    format!("record {number} is no record, and the table's bitmap, which would say whether it is free, could not be read")
                });
        }
        self.count_in_use();
        self.accounts.records_damaged += 1;
        let id = match no {
            NoRecord::Unread => "records-unread",
            NoRecord::Bad(BadRecord::Torn) => "records-torn",
            NoRecord::Bad(_) => "records-damaged",
        };
        self.findings.note(id, Weight::OpenPoint, Some(number), || {
            let what = match no {
                NoRecord::Unread => "could not be read",
                NoRecord::Bad(BadRecord::Torn) => "was written only in part",
                NoRecord::Bad(BadRecord::Signature) => "does not begin as a record does",
                NoRecord::Bad(BadRecord::Header) => "contradicts itself or belongs elsewhere",
            };
            format!("record {number} of the file table {what}: the item it described is not listed, or not in full")
        });
    }

    fn about_volume(&mut self, bytes: &[u8], head: &Header) {
        for attribute in Attributes::new(bytes, head).flatten() {
            let Value::Resident(value) = attribute.value else {
                continue;
            };
            match attribute.kind {
                kind::VOLUME_NAME if !value.is_empty() => self.about.label = Some(name_of(value)),
                kind::VOLUME_INFORMATION => self.about.flags = u16_at(value, 0x0A),
                _ => {}
            }
        }
    }
}
