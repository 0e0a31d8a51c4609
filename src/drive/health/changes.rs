//! What changed between two readings of one drive.
//!
//! Invariant: only a count known in both readings can grow; a falling count is no good news.

use super::signals::Before;
use crate::drive::evidence::{Evidence, Growth};
use crate::drive::signal::{Signal, SignalId, Weight};
use crate::value::measure::count_in_words;

/// How the counts moved. Waiting sectors may fall (they get remapped): that is no growth. Any
/// other count that falls is no count over a life, so nothing is said of its growth.
pub fn growth(before: &Evidence, now: &Evidence) -> Growth {
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

/// One `worsening` signal for each count that grew since an earlier reading: since the newest of those (they stand
/// newest first) that shows it.
pub(super) fn worsening(earlier: &[Before], now: &Evidence) -> Vec<Signal> {
    type Grown = fn(&Evidence, &Evidence) -> Option<u64>;
    let mut out = Vec::new();
    let kinds: [(Grown, &str, &str, Weight, SignalId); 5] = [
        (
            |then, now| growth(then, now).sectors_awaiting,
            "sectors that wait to be remapped",
            "sectors",
            Weight::Decides,
            SignalId::SectorsAwaiting,
        ),
        (
            |then, now| growth(then, now).sectors_remapped,
            "sectors replaced by spares",
            "sectors",
            Weight::Decides,
            SignalId::SectorsRemapped,
        ),
        (
            |then, now| growth(then, now).reads_given_up,
            "reads that ended without the data",
            "reads",
            Weight::Decides,
            SignalId::ReadsGivenUp,
        ),
        (
            |then, now| growth(then, now).data_lost_inside,
            "failures to deliver intact data",
            "times",
            Weight::Decides,
            SignalId::DataLostInside,
        ),
        (
            |then, now| now.link_garbled?.checked_sub(then.link_garbled?),
            "garbled transfers (suspect cable or port)",
            "transfers",
            Weight::Weighs,
            SignalId::LinkGarbled,
        ),
    ];
    for (grown, what, unit, weight, source) in kinds {
        let grew = earlier.iter().find_map(|before| {
            let n = grown(&before.evidence, now).filter(|n| *n > 0)?;
            Some((before, n))
        });
        if let Some((before, n)) = grew {
            let at = before.at;
            out.push(Signal {
                id: SignalId::Worsening,
                weight,
                says: format!(
                    "{what}: grew by {} since the reading at {at}",
                    count_in_words(n)
                ),
                value: Some(n as f64),
                unit: unit.to_owned(),
                before: earlier_value(source, &before.evidence),
                before_at: Some(at),
                source: "two readings".to_owned(),
            });
        }
    }
    out
}

/// The number of a signal in the reading before.
pub(super) fn earlier_value(id: SignalId, e: &Evidence) -> Option<f64> {
    let count = |n: Option<u64>| n.map(|n| n as f64);
    match id {
        SignalId::SectorsAwaiting => count(e.sectors_awaiting),
        SignalId::SectorsRemapped => count(e.sectors_remapped),
        SignalId::ReadsGivenUp => count(e.reads_given_up),
        SignalId::ScanUnreadable => count(e.scan_unreadable),
        SignalId::DataLostInside => count(e.data_lost_inside),
        SignalId::CommandsOverdue => count(e.commands_overdue),
        SignalId::StartsFailed => count(e.starts_failed),
        SignalId::LinkGarbled => count(e.link_garbled),
        SignalId::HeatNow => e.celsius,
        SignalId::SpareLeft => e.spare.map(|(left, _)| f64::from(left)),
        SignalId::EnduranceSpent => e.endurance_spent.map(f64::from),
        SignalId::TimePowered => e.powered_hours,
        SignalId::ReadsSlowing => e.speed_share.map(|share| (share * 100.0).round()),
        _ => None,
    }
}
