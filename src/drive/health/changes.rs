//! What changed between two readings of one drive.
//!
//! Invariant: only a count known in both readings can grow; a falling count is no good news.

use super::signals::Before;
use crate::drive::evidence::Evidence;
use crate::drive::signal::{Signal, SignalId, Weight};
use crate::value::measure::count_in_words;

/// One `worsening` signal for each count that grew since the reading before.
pub(super) fn worsening(before: &Before, now: &Evidence) -> Vec<Signal> {
    let mut out = Vec::new();
    let at = before.at;
    let growth = &now.growth;
    let garbled = before
        .evidence
        .link_garbled
        .zip(now.link_garbled)
        .and_then(|(then, now)| now.checked_sub(then));
    for (grown, what, unit, weight, source) in [
        (
            growth.sectors_awaiting,
            "sectors that wait to be remapped",
            "sectors",
            Weight::Decides,
            SignalId::SectorsAwaiting,
        ),
        (
            growth.sectors_remapped,
            "sectors replaced by spares",
            "sectors",
            Weight::Decides,
            SignalId::SectorsRemapped,
        ),
        (
            growth.reads_given_up,
            "reads that ended without the data",
            "reads",
            Weight::Decides,
            SignalId::ReadsGivenUp,
        ),
        (
            growth.data_lost_inside,
            "failures to deliver intact data",
            "times",
            Weight::Decides,
            SignalId::DataLostInside,
        ),
        (
            garbled,
            "garbled transfers (suspect cable or port)",
            "transfers",
            Weight::Weighs,
            SignalId::LinkGarbled,
        ),
    ] {
        if let Some(n) = grown.filter(|n| *n > 0) {
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
