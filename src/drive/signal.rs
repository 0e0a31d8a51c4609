//! Signals: normalised pieces of evidence about a drive's health, each with its weight,
//! its sentence for people and where it came from.

use crate::value::Moment;
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

/// The stable words of the interface for each kind of evidence.
#[derive(
    Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord, Serialize, Deserialize, JsonSchema,
)]
#[serde(rename_all = "kebab-case")]
#[allow(missing_docs)] // each variant is its own word; phrases and sources stand in `health::signals`
pub enum SignalId {
    HealthUnread,
    DrivePredictsFailure,
    SectorsAwaiting,
    SectorsRemapped,
    ReadsGivenUp,
    ScanUnreadable,
    ReadsLaboured,
    DataLostInside,
    StartsFailed,
    EmergencyUnloads,
    CommandsOverdue,
    ResetMidway,
    LinkGarbled,
    SelfTestFound,
    SpareLeft,
    SpareShort,
    EnduranceSpent,
    ReliabilityReduced,
    WritesRefused,
    BackupPowerOut,
    HeatNow,
    HeatTime,
    HeatSlowed,
    TimePowered,
    PowerCut,
    DataLocked,
    Worsening,
    ReadsSlowing,
}

/// How much a signal bears on the route.
#[derive(
    Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize, JsonSchema,
)]
#[serde(rename_all = "kebab-case")]
pub enum Weight {
    /// Worth keeping, changes nothing.
    ForTheRecord,
    /// Moves the forecast.
    Weighs,
    /// May decide the route by itself.
    Decides,
}

/// One piece of evidence from one reading.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Signal {
    /// Which kind.
    pub id: SignalId,
    /// How much it bears on the route.
    pub weight: Weight,
    /// The sentence for people ("12 sectors wait to be remapped").
    pub says: String,
    /// The number in the sentence; `None` when the signal has none.
    pub value: Option<f64>,
    /// Unit of `value`: `sectors`, `reads`, `percent`, `celsius`, `hours`, `minutes`, `times`, `transfers`, `commands`, or empty.
    pub unit: String,
    /// The same value in the reading before, when there was one.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub before: Option<f64>,
    /// When the reading before was taken.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub before_at: Option<Moment>,
    /// Where it came from: page and byte of a standard, or "vendor value 197".
    pub source: String,
}
