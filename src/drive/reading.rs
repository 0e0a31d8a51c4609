//! One health reading of one drive at one moment: the raw replies, what they decode to, the
//! signals and the evidence for the forecast.
//!
//! Invariant: everything but the raw replies, the moment and the hint is computed from
//! them, so a stored reading can be decoded again at any time by a better decoder.

use super::asking::{self, Hint};
use super::counters::Counters;
use super::evidence::{Evidence, Growth};
use super::health::changes;
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
    earlier: Vec<Before>,
    pace: Option<f64>,
    unread_since: Option<(Moment, String)>,
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

    /// This reading compared with an earlier one: adds growth, `worsening` and earlier values. It may be compared with
    /// several: what grew since any of them has grown, so that a count that rose and then stood still is not forgotten.
    /// A reading of another drive (model or serial differ), a later one and one that could not be made compare to nothing.
    pub fn since(mut self, before: &Reading) -> Self {
        if before.readable
            && before.taken < self.taken
            && self.drive.contradiction(&before.drive).is_none()
        {
            self.earlier.push(Before {
                at: before.taken,
                evidence: before.evidence.clone(),
            });
            self.judge();
        }
        self
    }

    /// This reading, with a later one of the same drive that could not be made: what is known stays, and beside it
    /// stands that the present state is not.
    pub fn but_unread(mut self, later: &Reading) -> Self {
        if !later.readable {
            let why = later.why_not.clone().unwrap_or_default();
            self.unread_since = Some((later.taken, why));
            self.judge();
        }
        self
    }

    /// Whether any count of bad media rose from `before` to this reading.
    pub fn grew_since(&self, before: &Reading) -> bool {
        changes::growth(&before.evidence, &self.evidence).any()
    }

    /// Adds the read speed as a share of the drive's own earlier pace (1.0 = the same).
    pub fn with_pace(mut self, share: f64) -> Self {
        if share.is_finite() && share >= 0.0 {
            self.pace = Some(share);
            self.judge();
        }
        self
    }

    /// What the drive has that the device does not show; `None` = nothing that it tells of.
    pub fn hidden(&self) -> Option<who::Hidden> {
        // An adapter that answers for itself tells of something else.
        who::impostor(&self.pages, &self.hint)
            .is_none()
            .then(|| who::hidden(&self.pages))
            .flatten()
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
        evidence.later_unread = self.unread_since.is_some();
        self.earlier
            .sort_by_key(|before| std::cmp::Reverse(before.at));
        let grown: Vec<Growth> = (self.earlier.iter())
            .map(|before| Growth {
                hours: Some(self.taken.hours_since(before.at)),
                ..changes::growth(&before.evidence, &evidence)
            })
            .collect();
        // How long ago: since the newest of the earlier readings that shows growth; when none does, since the newest.
        let told = grown.iter().find(|growth| growth.any()).or(grown.first());
        if let Some(told) = told {
            evidence.growth = grown.iter().fold(told.clone(), Growth::or_more);
        }
        for before in &self.earlier {
            evidence.keep_told(&before.evidence);
        }
        self.signals = signals::of(&self.findings, &evidence, &self.earlier, self.pace);
        if let Some((at, why)) = &self.unread_since {
            self.signals.push(signals::unread_since(*at, why));
            self.signals
                .sort_by_key(|signal| std::cmp::Reverse(signal.weight));
        }
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
            earlier: Vec::new(),
            pace: None,
            unread_since: None,
        };
        reading.judge();
        reading
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
