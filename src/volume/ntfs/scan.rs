//! The one pass over the file table: notes on every record in use, and what cannot be used is counted.
//!
//! Invariant: a record that is not usable counts as damaged unless the table's own bitmap says it is free.

use super::owners::Claims;
use super::pieces::Ground;
use super::raw::{name_of, u16_at};
use super::record::{Attributes, BadRecord, Header, Value, kind};
use super::salvage::{Wreck, wreck};
use super::store::Store;
use super::table::{NoRecord, Seen, Table};
use crate::value::Name;
use crate::volume::filesystem::{Accounts, Findings, Limits, Weight};

/// Bytes of content kept in records that are held in memory.
const KEEP: u64 = 48 << 20;
/// Damaged records listed one by one at most; beyond it they are counted (engineering judgement).
const WRECKS: usize = 1 << 20;

/// What record 3 says of the volume.
#[derive(Default)]
pub(super) struct About {
    pub(super) label: Option<Name>,
    pub(super) flags: Option<u16>,
}

/// The one pass over the table.
pub(super) struct Scan {
    pub(super) store: Store,
    pub(super) claims: Claims,
    pub(super) about: About,
    pub(super) accounts: Accounts,
    pub(super) findings: Findings,
    /// Records in use that cannot be used.
    pub(super) wrecks: Vec<Wreck>,
    table_bytes: u64,
    pub(super) stopped: bool,
}

impl Scan {
    pub(super) fn new(table: &Table, ground: &Ground, limits: &Limits) -> Self {
        let expected = table.bits_set().min(table.records()).min(16 << 20);
        Self {
            store: Store::new(usize::try_from(expected).unwrap_or(0), KEEP),
            claims: Claims::new(ground, 0),
            about: About::default(),
            accounts: Accounts {
                records_in_use: Some(0),
                ..Accounts::default()
            },
            findings: Findings::new(),
            wrecks: Vec::new(),
            table_bytes: limits.table_bytes,
            stopped: false,
        }
    }

    fn count_in_use(&mut self) {
        if let Some(n) = &mut self.accounts.records_in_use {
            *n += 1;
        }
    }

    pub(super) fn see(&mut self, table: &Table, number: u64, record: Seen<'_>) -> bool {
        if !table.counts(number) {
            return true;
        }
        let bit = table.bit(number);
        let (bytes, head) = match record {
            Ok(found) => found,
            Err((no, bytes)) => {
                self.damaged(number, bit, no, bytes);
                return true;
            }
        };
        // Deleting clears both. A name under a bit that is still set may be somebody's file.
        if !head.in_use && bit == Some(true) && number >= 24 {
            let short = u32::try_from(number).unwrap_or(u32::MAX);
            let left = wreck(short, NoRecord::Freed, Some(bytes));
            if left.name.is_some() && left.base == 0 {
                self.damaged(number, bit, NoRecord::Freed, Some(bytes));
                return true;
            }
        }
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
        let claims = &mut self.claims;
        self.store.add(short, bytes, &head, |kind, name, list| {
            claims.part(short, kind, name, list);
        });
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

    fn damaged(&mut self, number: u64, bit: Option<bool>, no: NoRecord, bytes: Option<&[u8]>) {
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
        if let Ok(short) = u32::try_from(number)
            && self.wrecks.len() < WRECKS
        {
            self.wrecks.push(wreck(short, no, bytes));
        }
        let id = match no {
            NoRecord::Unread => "records-unread",
            NoRecord::Freed => "records-freed-in-part",
            NoRecord::Bad(BadRecord::Torn) => "records-torn",
            NoRecord::Bad(_) => "records-damaged",
        };
        self.findings.note(id, Weight::OpenPoint, Some(number), || {
            let what = match no {
                NoRecord::Unread => "could not be read",
                NoRecord::Freed => "says that it is free, while the table's own bitmap says that it is in use",
                NoRecord::Bad(BadRecord::Torn) => "was written only in part",
                NoRecord::Bad(BadRecord::Signature) => "does not begin as a record does",
                NoRecord::Bad(BadRecord::Header) => "contradicts itself or belongs elsewhere",
            };
            format!("record {number} of the file table {what}: where the content of its item lies is not known")
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
