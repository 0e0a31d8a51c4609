//! Which way to copy: ordinary, gentle, salvage, or refer to a specialist laboratory first.
//!
//! Present media errors, growth and weighty signals decide; old and stable counts are one
//! sentence, so that an elderly healthy disk still goes the ordinary route. A drive whose health
//! could not be read goes the ordinary route with an open point, unless there are symptoms: many
//! docks pass no health pages, and calling each of their drives suspect would only teach people to
//! click through.
//!
//! Invariant: worse evidence never gives a milder route, and every route says why.

use super::forecast::Forecast;
use super::situation::Situation;
use super::working::chance_in_words;
use crate::drive::evidence::{Evidence, EvidenceMedium};
use crate::drive::signal::{Signal, SignalId, Weight};
use crate::value::measure::count_in_words;
use crate::value::words::{MemoryState, Route, Symptom};
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

/// The limits that a policy may move. All defaults are engineering judgement.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct RouteLimits {
    /// High end of the chance of losing the drive from which the route is gentle.
    pub gentle_high: f64,
    /// Mid from which it is gentle even when only old counts or an unread health page widen the range.
    pub gentle_mid: f64,
    /// Mid from which the loss counts as imminent: refer, when irreplaceable things are on the drive.
    pub refer_mid: f64,
    /// Replaced sectors (disk) that count as old age when nothing else speaks against the drive
    /// (Ma et al., FAST 2015, 3.4 put the knee at 40).
    pub old_remapped: u64,
    /// How often a drive may vanish before it is referred.
    pub vanished: u32,
    /// Share of its own earlier pace below which reading is careful.
    pub slow_share: f64,
}

impl Default for RouteLimits {
    fn default() -> Self {
        Self {
            gentle_high: 0.05,
            gentle_mid: 0.005,
            refer_mid: 0.05,
            old_remapped: 40,
            vanished: 2,
            slow_share: 0.5,
        }
    }
}

/// What else the route depends on.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct Stakes {
    /// Whether anything irreplaceable is wanted from this drive; `None` = not surveyed yet, counts as yes.
    pub irreplaceable: Option<bool>,
    /// A drive password locks the data.
    pub locked: bool,
}

/// An open point that the route leaves behind.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum RoutePoint {
    /// A drive password locks the data.
    DataLocked,
    /// Health could not be read.
    HealthUnread,
    /// The drive vanished once: re-seat it.
    Reseat,
    /// The owner must decide before anything is read.
    OwnerDecides,
}

/// The route with its reasons.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Decision {
    /// The route.
    pub route: Route,
    /// Why, most important first; never empty.
    pub reasons: Vec<String>,
    /// Sentences that change nothing (old counts, cables).
    pub remarks: Vec<String>,
    /// What stays open.
    pub open: Vec<RoutePoint>,
}

struct Deciding {
    route: Route,
    reasons: Vec<(Route, String)>,
    remarks: Vec<String>,
    open: Vec<RoutePoint>,
}

impl Deciding {
    fn at_least(&mut self, route: Route, why: impl Into<String>) {
        self.route = self.route.max(route);
        self.reasons.push((route, why.into()));
    }
}

/// Decides the route of one drive. The signals are those of the same evidence, so that what is said
/// of the route never contradicts what is said of the drive.
pub fn route(
    forecast: &Forecast,
    e: &Evidence,
    signals: &[Signal],
    s: &Situation,
    stakes: Stakes,
    limits: &RouteLimits,
) -> Decision {
    let mut d = Deciding {
        route: Route::Ordinary,
        reasons: Vec::new(),
        remarks: Vec::new(),
        open: Vec::new(),
    };
    symptoms(e, s, limits, &mut d);
    media(e, s, &mut d);
    weighty(e, limits, &mut d);
    chances(forecast, e, s, stakes, limits, &mut d);
    // A signal that decides is heard even where no rule above names it.
    if d.route == Route::Ordinary {
        let deciding = signals
            .iter()
            .filter(|s| s.weight == Weight::Decides && s.id != SignalId::DataLocked);
        for signal in deciding {
            d.at_least(Route::Gentle, signal.says.clone());
        }
    }
    remarks(e, s, &mut d);

    // The reasons for the route itself first; those of milder routes after them.
    let mut reasons = d.reasons;
    reasons.sort_by_key(|(route, _)| std::cmp::Reverse(*route));
    let mut reasons: Vec<String> = reasons.into_iter().map(|(_, why)| why).collect();
    if stakes.locked {
        reasons.insert(
            0,
            "a drive password locks the data: nothing can be read until it is given".to_owned(),
        );
        d.open.insert(0, RoutePoint::DataLocked);
    }
    if reasons.is_empty() {
        reasons.push(calm_reason(e, signals));
    }
    if d.route == Route::Refer {
        d.open.push(RoutePoint::OwnerDecides);
    }
    Decision {
        route: d.route,
        reasons,
        remarks: d.remarks,
        open: d.open,
    }
}

/// Why nothing but the ordinary route is called for; what weighs all the same stands in the signals.
fn calm_reason(e: &Evidence, signals: &[Signal]) -> String {
    if e.is_blind() {
        return "nothing speaks against the drive, but its health is not known".to_owned();
    }
    let weighing: Vec<&Signal> = signals
        .iter()
        .filter(|signal| signal.weight == Weight::Weighs)
        .collect();
    if weighing.is_empty() {
        return "no media errors now, and no weighty signal".to_owned();
    }
    let about_media = |id: SignalId| {
        matches!(
            id,
            SignalId::SectorsAwaiting
                | SignalId::SectorsRemapped
                | SignalId::ReadsGivenUp
                | SignalId::ScanUnreadable
                | SignalId::DataLostInside
        )
    };
    // "None now" is said only where nothing casts doubt on it.
    let media = if weighing.iter().any(|signal| about_media(signal.id)) {
        "no media error is known to be a present one"
    } else {
        "no media errors now"
    };
    format!("{media}; the signals that weigh do not ask for more care by themselves")
}

fn symptoms(_: &Evidence, s: &Situation, limits: &RouteLimits, d: &mut Deciding) {
    let why = match s.symptom {
        Symptom::Clicking => Some("the drive clicks: each start may be its last, leave it off"),
        Symptom::Dropped => {
            Some("the drive was dropped: heads may touch the surface, leave it off")
        }
        Symptom::Liquid => Some("the drive got wet: do not power it"),
        Symptom::Vanishes => Some("the drive vanishes from the machine"),
        Symptom::None => None,
    };
    if let Some(why) = why {
        d.at_least(Route::Refer, why);
    }
    if s.vanished >= limits.vanished.max(1) {
        d.at_least(
            Route::Refer,
            format!("the drive vanished {} times during the job", s.vanished),
        );
    } else if s.vanished > 0 {
        d.at_least(
            Route::Gentle,
            "the drive vanished once: switch off, seat cable and drive again, try once more",
        );
        d.open.push(RoutePoint::Reseat);
    }
}

/// Media errors that are there now.
fn media(e: &Evidence, s: &Situation, d: &mut Deciding) {
    if s.errors_met > 0 {
        d.at_least(
            Route::Salvage,
            format!("{} places did not read in this copy", s.errors_met),
        );
    }
    if s.counts_grew {
        d.at_least(
            Route::Salvage,
            "the drive's counts of bad sectors rose during this copy",
        );
    }
    if let Some(n) = e.sectors_awaiting.filter(|n| *n > 0) {
        d.at_least(Route::Salvage, format!("{n} sectors wait to be remapped"));
    }
    // A scan's count with none waiting is history; with the waiting count unknown it may be now.
    if e.sectors_awaiting.is_none()
        && let Some(n) = e.scan_unreadable.filter(|n| *n > 0)
    {
        d.at_least(
            Route::Salvage,
            format!("the drive's own scan found {n} unreadable sectors"),
        );
    }
    if e.self_test_read_failed {
        d.at_least(
            Route::Salvage,
            "the last self-test stopped at an unreadable sector",
        );
    }
    if e.unread_lately() {
        d.at_least(
            Route::Salvage,
            e.logged_in_words().unwrap_or_else(|| {
                "a read ended without the data within the last week of power".to_owned()
            }),
        );
    }
    let grew = |n: Option<u64>| n.is_some_and(|n| n > 0);
    if grew(e.growth.reads_given_up) || grew(e.growth.data_lost_inside) {
        d.at_least(
            Route::Salvage,
            "reads ended without the data since the reading before",
        );
    }
}

/// Signals that weigh by themselves.
fn weighty(e: &Evidence, limits: &RouteLimits, d: &mut Deciding) {
    let flags = [
        (
            e.limit_crossed == Some(true),
            "the drive itself reports that a limit was crossed",
        ),
        (e.spare_short, "the spare area is below its limit"),
        (
            e.reliability_reduced,
            "the drive says that its reliability is reduced",
        ),
        (
            e.writes_refused,
            "the drive accepts no more writes: copy while it still reads",
        ),
        (
            e.self_test_other_failed,
            "the last self-test failed for another reason than a read",
        ),
        (
            e.growth.sectors_remapped.is_some_and(|n| n > 0),
            "more sectors were replaced since the reading before",
        ),
        (
            e.growth.sectors_awaiting.is_some_and(|n| n > 0),
            "more sectors wait to be remapped since the reading before",
        ),
        (
            e.pre_end_of_life.is_some_and(|n| n >= 3),
            "the card reports its end of life as near",
        ),
        (
            e.spare.is_some_and(|(left, limit)| left < limit),
            "less of the spare area is left than the drive's own limit",
        ),
    ];
    for (yes, why) in flags {
        if yes {
            d.at_least(Route::Gentle, why);
        }
    }
    if let Some(n) = e.data_lost_inside.filter(|n| *n >= 10) {
        d.at_least(
            Route::Gentle,
            format!(
                "{} times the drive could not deliver intact data",
                count_in_words(n)
            ),
        );
    }
    if let Some(share) = e
        .speed_share
        .filter(|share| *share >= 0.0 && *share < limits.slow_share)
    {
        d.at_least(
            Route::Gentle,
            format!("reads at {:.0} % of its own earlier pace", share * 100.0),
        );
    }
}

/// What the forecast itself asks for.
fn chances(
    forecast: &Forecast,
    e: &Evidence,
    s: &Situation,
    stakes: Stakes,
    limits: &RouteLimits,
    d: &mut Deciding,
) {
    let (mid, high) = (forecast.drive_lost.mid, forecast.drive_lost.high);
    // What widens the range by itself, without any sign of present trouble.
    let calm = forecast.worsening.is_empty()
        && s.vanished == 0
        && forecast.moved_by.iter().all(|signal| match signal {
            SignalId::HealthUnread | SignalId::LinkGarbled => true,
            SignalId::SectorsRemapped => {
                let limit = if e.medium == Some(EvidenceMedium::Disk) {
                    limits.old_remapped
                } else {
                    0
                };
                e.sectors_remapped.is_none_or(|n| n <= limit)
                    && e.growth.sectors_remapped.is_none_or(|n| n == 0)
            }
            _ => false,
        })
        && s.errors_met == 0;
    if mid.get() >= limits.refer_mid {
        if stakes.irreplaceable.unwrap_or(true) {
            d.at_least(
                Route::Refer,
                format!(
                    "losing the drive while copying is likely ({} by the middle estimate) and irreplaceable things are on it{}",
                    chance_in_words(mid),
                    if stakes.irreplaceable.is_none() {
                        ", or may be"
                    } else {
                        ""
                    }
                ),
            );
        } else {
            d.at_least(
                Route::Gentle,
                format!(
                    "losing the drive while copying is likely ({} by the middle estimate)",
                    chance_in_words(mid)
                ),
            );
        }
    }
    if !calm && high.get() >= limits.gentle_high {
        d.at_least(
            Route::Gentle,
            format!(
                "the high end of the forecast is elevated ({})",
                chance_in_words(high)
            ),
        );
    } else if mid.get() >= limits.gentle_mid {
        d.at_least(
            Route::Gentle,
            format!(
                "the middle of the forecast is elevated ({})",
                chance_in_words(mid)
            ),
        );
    }
}

fn remarks(e: &Evidence, s: &Situation, d: &mut Deciding) {
    if e.is_blind() || e.later_unread {
        d.open.push(RoutePoint::HealthUnread);
        d.remarks.push(
            "the drive's health is not known, which is no good news: connect it directly if that can be done"
                .to_owned(),
        );
    }
    let grew = |n: Option<u64>| n.is_some_and(|n| n > 0);
    if let Some(n) = e.sectors_remapped.filter(|n| *n > 0)
        && !grew(e.growth.sectors_remapped)
    {
        d.remarks.push(if e.growth.sectors_remapped.is_some() {
            format!("{n} sectors were replaced by spares earlier, none since the reading before")
        } else {
            format!("{n} sectors were replaced by spares at some time")
        });
    }
    if let Some(says) = e.logged_in_words().filter(|_| !e.unread_lately()) {
        d.remarks.push(says);
    }
    if let Some(n) = e.link_garbled.filter(|n| *n > 0) {
        d.remarks.push(format!(
            "{n} transfers arrived garbled: suspect cable or port before the drive"
        ));
    }
    if d.route > Route::Ordinary
        && matches!(
            s.memory,
            MemoryState::Failed | MemoryState::Suspect | MemoryState::Swapped
        )
    {
        d.remarks.push(
            "the drive is weak and the memory is not trusted: move the drive to a sound machine"
                .to_owned(),
        );
    }
}

#[cfg(test)]
mod readings;
#[cfg(test)]
mod tests;
