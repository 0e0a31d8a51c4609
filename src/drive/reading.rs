//! One health reading of one drive at one moment: the raw replies, what they decode to, the
//! signals and the evidence for the forecast.
//!
//! Invariant: everything but the raw replies, the moment and the hint is computed from
//! them, so a stored reading can be decoded again at any time by a better decoder.

use super::asking::{self, Hint};
use super::counters::Counters;
use super::evidence::{Evidence, Growth};
use super::health::field::Fields;
use super::health::findings::Findings;
use super::health::pages::Pages;
use super::health::signals::{self, Before};
use super::health::who;
use super::identity::Drive;
use super::replies::Replies;
use super::signal::Signal;
use crate::port::Transport;
use crate::value::Moment;
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};
use serde_json::{Map, Value};

/// A reading, decoded.
#[derive(Debug, Clone, PartialEq)]
pub struct Reading {
    /// Who the drive is.
    pub drive: Drive,
    /// When it was taken.
    pub taken: Moment,
    /// What stood between us and the drive, in words.
    pub through: String,
    /// What was known beforehand.
    pub hint: Hint,
    /// The raw replies.
    pub replies: Replies,
    /// The decoded pages.
    pub pages: Pages,
    /// The decoded fields by the standard's names, and why absent ones are absent.
    pub decoded: Fields,
    /// What the pages say, in neutral terms.
    pub findings: Findings,
    /// The signals, heaviest first.
    pub signals: Vec<Signal>,
    /// The numbers for the forecast.
    pub evidence: Evidence,
    /// Whether at least one health page came whole and can be believed.
    pub readable: bool,
    /// Why not, in words; `None` when readable.
    pub why_not: Option<String>,
    /// Remarks for the technician (areas unseen, checksums, adapters that answer for themselves).
    pub notes: Vec<String>,
    before: Option<Before>,
    pace: Option<f64>,
}

/// A reading as it is stored: raw, to be decoded again.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct StoredReading {
    /// When it was taken.
    pub taken: Moment,
    /// What stood between us and the drive.
    pub through: String,
    /// What was known beforehand.
    pub hint: Hint,
    /// The raw replies by file name.
    pub replies: Replies,
}

/// The `reading` object of the interface.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct Report {
    /// When it was taken.
    pub taken: Moment,
    /// Whether health could be read.
    pub readable: bool,
    /// Why not; `null` when readable.
    pub why_not: Option<String>,
    /// Every decoded field under the standard's own name; absent = `null`.
    pub decoded: Map<String, Value>,
    /// The reason for every `null` (dotted names inside nested objects).
    pub decoded_why: Map<String, Value>,
    /// The signals, heaviest first.
    pub signals: Vec<Signal>,
    /// Remarks.
    pub notes: Vec<String>,
}

impl Reading {
    /// Asks the drive and decodes what it answers.
    pub fn take(transport: &mut dyn Transport, at: Moment, hint: &Hint) -> Self {
        let through = transport.says();
        let replies = asking::ask_all(transport, hint);
        StoredReading {
            taken: at,
            through,
            hint: *hint,
            replies,
        }
        .decode()
    }

    /// This reading compared with the one before: adds growth, `worsening` and earlier values.
    /// A reading of another drive (model or serial differ) or a later one compares to nothing.
    pub fn since(self, before: &Reading) -> Self {
        let same = |a: Option<&String>, b: Option<&String>| match (a, b) {
            (Some(a), Some(b)) => a == b,
            // What is not told on both sides cannot tell two drives apart.
            _ => true,
        };
        let one_drive = same(self.drive.serial.value(), before.drive.serial.value())
            && same(self.drive.model.value(), before.drive.model.value());
        if !one_drive {
            return self;
        }
        self.since_evidence(before.taken, &before.evidence)
    }

    /// The same against stored evidence of this very drive.
    pub fn since_evidence(mut self, at: Moment, evidence: &Evidence) -> Self {
        if at < self.taken {
            self.before = Some(Before {
                at,
                evidence: evidence.clone(),
            });
            self.judge();
        }
        self
    }

    /// Adds the read speed as a share of the drive's own earlier pace (1.0 = the same).
    pub fn with_pace(mut self, share: f64) -> Self {
        if share.is_finite() && share >= 0.0 {
            self.pace = Some(share);
            self.judge();
        }
        self
    }

    /// The drive's own counters, for a release and its recheck.
    pub fn counters(&self) -> Counters {
        Counters::of(&self.pages)
    }

    /// The form that is stored.
    pub fn stored(&self) -> StoredReading {
        StoredReading {
            taken: self.taken,
            through: self.through.clone(),
            hint: self.hint,
            replies: self.replies.clone(),
        }
    }

    /// The `reading` object of the interface.
    pub fn report(&self) -> Report {
        Report {
            taken: self.taken,
            readable: self.readable,
            why_not: self.why_not.clone(),
            decoded: self.decoded.values.clone(),
            decoded_why: self.decoded.why.clone(),
            signals: self.signals.clone(),
            notes: self.notes.clone(),
        }
    }

    fn judge(&mut self) {
        let mut evidence = self.findings.evidence(self.drive.medium);
        evidence.speed_share = self.pace;
        if let Some(before) = &self.before {
            evidence.growth = growth(&before.evidence, &evidence);
            evidence.growth.hours = Some(self.taken.hours_since(before.at));
        }
        self.signals = signals::of(&self.findings, &evidence, self.before.as_ref(), self.pace);
        self.evidence = evidence;
    }
}

impl StoredReading {
    /// Decodes the raw replies.
    pub fn decode(self) -> Reading {
        let pages = Pages::decode(&self.replies);
        let mut findings = Findings::gather(&pages);
        if findings.unreadable.is_none() {
            findings.unreadable = who::impostor(&pages, &self.hint);
        }
        let drive = who::drive(&pages, &self.hint);
        let mut decoded = pages.fields();
        // SCSI names the identity otherwise; the interface's three names are always there.
        decoded.put("model", &drive.model);
        decoded.put("serial", &drive.serial);
        decoded.put("firmware", &drive.firmware);
        let mut reading = Reading {
            evidence: Evidence::default(),
            signals: Vec::new(),
            readable: findings.unreadable.is_none(),
            why_not: findings.unreadable.clone(),
            notes: who::notes(&pages, &self.hint),
            drive,
            taken: self.taken,
            through: self.through,
            hint: self.hint,
            replies: self.replies,
            pages,
            decoded,
            findings,
            before: None,
            pace: None,
        };
        reading.judge();
        reading
    }
}

/// How the counts moved. Waiting sectors may fall (they get remapped): that is no growth. Any
/// other count that falls is no count over a life, so nothing is said of its growth.
fn growth(before: &Evidence, now: &Evidence) -> Growth {
    let grown = |then: Option<u64>, now: Option<u64>| now?.checked_sub(then?);
    let given_up = grown(before.reads_given_up, now.reads_given_up);
    let scanned = grown(before.scan_unreadable, now.scan_unreadable);
    Growth {
        sectors_awaiting: before
            .sectors_awaiting
            .zip(now.sectors_awaiting)
            .map(|(then, now)| now.saturating_sub(then)),
        sectors_remapped: grown(before.sectors_remapped, now.sectors_remapped),
        reads_given_up: given_up.max(scanned),
        data_lost_inside: grown(before.data_lost_inside, now.data_lost_inside),
        hours: None,
    }
}

#[cfg(test)]
mod captured;
#[cfg(test)]
mod from_pages;
#[cfg(test)]
mod garbage;
#[cfg(test)]
mod tests;
