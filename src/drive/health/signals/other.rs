//! Signals beside those of the medium: mechanics and link, solid-state wear, heat and time.
//!
//! Invariant: as for all signals, what is not told makes none.

use super::{Maker, many, times};
use crate::drive::evidence::Evidence;
use crate::drive::health::findings::Findings;
use crate::drive::signal::{SignalId, Weight};

pub(super) fn mechanics(make: &mut Maker<'_>, f: &Findings, now: &Evidence) {
    make.count(
        SignalId::StartsFailed,
        Weight::Weighs,
        &f.starts_failed,
        "times",
        |n| format!("the motor failed to start {}", times(n)),
    );
    make.count(
        SignalId::EmergencyUnloads,
        Weight::ForTheRecord,
        &f.emergency_unloads,
        "times",
        |n| format!("heads withdrawn in an emergency {}", times(n)),
    );
    make.count(
        SignalId::CommandsOverdue,
        Weight::Weighs,
        &f.commands_overdue,
        "commands",
        |n| many(n, "command ran out of time", "commands ran out of time"),
    );
    make.count(
        SignalId::ResetMidway,
        Weight::ForTheRecord,
        &f.reset_midway,
        "times",
        |n| many(n, "reset while a command ran", "resets while a command ran"),
    );
    let grown = make
        .before
        .and_then(|b| b.evidence.link_garbled)
        .zip(now.link_garbled)
        .is_some_and(|(then, now)| now > then);
    let weight = if grown {
        Weight::Weighs
    } else {
        Weight::ForTheRecord
    };
    make.count(
        SignalId::LinkGarbled,
        weight,
        &f.link_garbled,
        "transfers",
        |n| {
            format!(
                "{} arrived garbled: suspect cable or port",
                many(n, "transfer", "transfers")
            )
        },
    );
}

pub(super) fn solid_state(make: &mut Maker<'_>, f: &Findings) {
    if let Some((left, limit)) = f.spare.value.get() {
        let weight = match i16::from(left) - i16::from(limit) {
            i16::MIN..0 => Weight::Decides,
            0..=10 => Weight::Weighs,
            _ => Weight::ForTheRecord,
        };
        make.number(
            SignalId::SpareLeft,
            weight,
            &format!("{left} % of the spare area is left; the drive's limit is {limit} %"),
            f64::from(left),
            "percent",
            &f.spare.source,
        );
    }
    for (found, id, weight, says) in [
        (
            &f.spare_short,
            SignalId::SpareShort,
            Weight::Decides,
            "the spare area is below its limit",
        ),
        (
            &f.reliability_reduced,
            SignalId::ReliabilityReduced,
            Weight::Decides,
            "the drive says that its reliability is reduced",
        ),
        (
            &f.writes_refused,
            SignalId::WritesRefused,
            Weight::Decides,
            "the drive accepts no more writes",
        ),
        (
            &f.backup_power_out,
            SignalId::BackupPowerOut,
            Weight::Weighs,
            "its protection against power loss failed",
        ),
    ] {
        if found.value.get() == Some(true) {
            make.word(id, weight, says, &found.source);
        }
    }
    if f.pre_end_of_life.value.get() == Some(2) {
        make.word(
            SignalId::SpareShort,
            Weight::Weighs,
            "most of the spare area is used: about a fifth is left",
            &f.pre_end_of_life.source,
        );
    }
    if let Some(spent) = f.endurance_spent.value.get() {
        // A card tells steps of ten: its 0Ah is "90 to 100 %" and still within the rating.
        let beyond = match f.card_life_step {
            Some(step) => step >= 0x0b,
            None => spent >= 100,
        };
        let says = match f.card_life_step {
            Some(_) if beyond => "more than the rated writing is spent".to_owned(),
            Some(_) => format!(
                "{} to {spent} % of the rated writing is spent",
                spent.saturating_sub(10)
            ),
            None => format!("{spent} % of the rated writing is spent"),
        };
        let weight = if beyond {
            Weight::Weighs
        } else {
            Weight::ForTheRecord
        };
        make.number(
            SignalId::EnduranceSpent,
            weight,
            &says,
            f64::from(spent),
            "percent",
            &f.endurance_spent.source,
        );
    }
}

pub(super) fn heat_and_time(make: &mut Maker<'_>, f: &Findings, now: &Evidence) {
    if let Some(celsius) = f.celsius.value.get() {
        // Without a limit of the maker's own, 55 degrees: the heat at which copying pauses for a disk.
        let hot = celsius >= f.celsius_limit.unwrap_or(55.0) || now.temperature_warning;
        let limit = f.celsius_limit.map_or_else(
            || "the maker's limit is not told".to_owned(),
            |limit| format!("maker's limit {limit}"),
        );
        make.number(
            SignalId::HeatNow,
            if hot {
                Weight::Weighs
            } else {
                Weight::ForTheRecord
            },
            &format!("{celsius} °C, {limit}"),
            celsius,
            "celsius",
            &f.celsius.source,
        );
    } else if now.temperature_warning {
        make.word(
            SignalId::HeatNow,
            Weight::Weighs,
            "the drive says that its temperature is out of range",
            &f.temperature_warning.source,
        );
    }
    let record = Weight::ForTheRecord;
    make.count(
        SignalId::HeatTime,
        record,
        &f.heat_minutes,
        "minutes",
        |n| {
            many(
                n,
                "minute above the temperature limit",
                "minutes above the temperature limit",
            )
        },
    );
    make.count(SignalId::HeatSlowed, record, &f.heat_slowed, "times", |n| {
        format!("slowed itself for heat {}", times(n))
    });
    make.count(
        SignalId::TimePowered,
        record,
        &f.powered_hours,
        "hours",
        |n| format!("powered for {}", many(n, "hour", "hours")),
    );
    make.count(SignalId::PowerCut, record, &f.power_cuts, "times", |n| {
        format!("lost power unannounced {}", times(n))
    });
}
