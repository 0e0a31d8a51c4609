//! The values that a policy holds: whole numbers within a range, shares, and a few words.
//!
//! Invariant: a value out of range is refused where it is read, so that its place in the file is known.

use serde::Deserialize as DeriveDeserialize;
use serde::de::{Deserialize, Deserializer, Error};
use std::fmt;

/// A whole number from `LOW` to `HIGH`, both included.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub struct Ranged<const LOW: u32, const HIGH: u32>(u32);

impl<const LOW: u32, const HIGH: u32> Ranged<LOW, HIGH> {
    /// The number.
    pub fn get(self) -> u32 {
        self.0
    }
}

impl<'de, const LOW: u32, const HIGH: u32> Deserialize<'de> for Ranged<LOW, HIGH> {
    fn deserialize<D: Deserializer<'de>>(d: D) -> Result<Self, D::Error> {
        let number = i64::deserialize(d)?;
        u32::try_from(number)
            .ok()
            .filter(|n| (LOW..=HIGH).contains(n))
            .map(Self)
            .ok_or_else(|| {
                D::Error::custom(format!(
                    "found {number}, expected a whole number from {LOW} to {HIGH}"
                ))
            })
    }
}

impl<const LOW: u32, const HIGH: u32> fmt::Display for Ranged<LOW, HIGH> {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{}", self.0)
    }
}

/// A share, 0 to 1.
#[derive(Debug, Clone, Copy, PartialEq, PartialOrd)]
pub struct Share(f64);

impl Share {
    /// The share.
    pub fn get(self) -> f64 {
        self.0
    }
}

impl<'de> Deserialize<'de> for Share {
    fn deserialize<D: Deserializer<'de>>(d: D) -> Result<Self, D::Error> {
        let share = f64::deserialize(d)?;
        // NaN fails this too.
        if (0.0..=1.0).contains(&share) {
            Ok(Self(share))
        } else {
            Err(D::Error::custom(format!(
                "found {share}, expected a share from 0.0 to 1.0"
            )))
        }
    }
}

impl fmt::Display for Share {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{:?}", self.0)
    }
}

/// A finite number above zero, at most 10⁹.
#[derive(Debug, Clone, Copy, PartialEq, PartialOrd)]
pub struct Positive(f64);

impl Positive {
    /// The number.
    pub fn get(self) -> f64 {
        self.0
    }
}

impl<'de> Deserialize<'de> for Positive {
    fn deserialize<D: Deserializer<'de>>(d: D) -> Result<Self, D::Error> {
        let number = f64::deserialize(d)?;
        if number > 0.0 && number <= 1e9 {
            Ok(Self(number))
        } else {
            Err(D::Error::custom(format!(
                "found {number}, expected a number above 0 and at most 1000000000"
            )))
        }
    }
}

impl fmt::Display for Positive {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{:?}", self.0)
    }
}

/// Several values of one kind.
#[derive(Debug, Clone, PartialEq, DeriveDeserialize)]
#[serde(transparent)]
pub struct List<T>(pub Vec<T>);

impl<T: fmt::Display> fmt::Display for List<T> {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let parts: Vec<String> = self.0.iter().map(ToString::to_string).collect();
        write!(
            f,
            "{}",
            if parts.is_empty() {
                "nothing".to_owned()
            } else {
                parts.join(", ")
            }
        )
    }
}

/// Steps that a second look can be asked for.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord, DeriveDeserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Step {
    /// Giving up a whole volume.
    VolumeWaiver,
    /// Copying although a laboratory was advised.
    ReferOverride,
    /// Giving up irreplaceable items.
    IrreplaceableWaiver,
    /// Any waiver that the owner decides.
    OwnerWaiver,
    /// The release itself.
    Release,
}

impl fmt::Display for Step {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(match self {
            Step::VolumeWaiver => "volume-waiver",
            Step::ReferOverride => "refer-override",
            Step::IrreplaceableWaiver => "irreplaceable-waiver",
            Step::OwnerWaiver => "owner-waiver",
            Step::Release => "release",
        })
    }
}
