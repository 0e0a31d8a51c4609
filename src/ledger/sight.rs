//! What a look at the world found that the record alone does not tell: a source that changed or is away, a bag that is
//! not as it was read back. A refused release keeps it in its fact, so that nobody forgets it.
//!
//! Invariant: it counts until a later fact finds otherwise; the order of facts decides, never the clock.

use super::facts::{Fact, FactBody};
use crate::value::Blake3;
use serde::{Deserialize, Serialize};

/// What a look found; empty = nothing that the record does not tell.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
pub struct Sight {
    /// The folder on hold cannot be looked at, and why.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub source_gone: Option<String>,
    /// How many items of it are not as surveyed, and one of them.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub source_changed: Option<(u64, String)>,
    /// Destinations whose bag is not as the record says, and how.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub bags: Vec<(usize, String)>,
    /// The same of drives.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub drives: Vec<SeenPoint>,
}

/// An open point about a drive, as it was found.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[allow(missing_docs)] // as in `judge::point::Point`
pub struct SeenPoint {
    pub id: String,
    pub says: String,
    pub lost: String,
    pub evidence: String,
    pub remedy: String,
}

impl Sight {
    /// Whether nothing was found.
    pub fn is_empty(&self) -> bool {
        *self == Self::default()
    }

    /// What the newest look found, as far as nothing later found otherwise.
    pub fn standing(facts: &[Fact]) -> Self {
        let looked = facts.iter().enumerate().rev();
        let newest = looked
            .into_iter()
            .find_map(|(place, fact)| match &fact.body {
                FactBody::AskedToRelease { seen, .. } => Some((place, seen.clone())),
                FactBody::Released { .. } => Some((place, Self::default())),
                _ => None,
            });
        let Some((place, mut seen)) = newest else {
            return Self::default();
        };
        for fact in facts.iter().skip(place) {
            match fact.body {
                // Surveyed anew: what is there now is what is known.
                FactBody::Surveyed { .. } => {
                    seen.source_gone = None;
                    seen.source_changed = None;
                    seen.drives.clear();
                }
                // It was read, so it is there.
                FactBody::Batch { items: 1.., .. } => {
                    seen.source_gone = None;
                    seen.drives.retain(|point| point.id != "source-gone");
                }
                FactBody::Verified { destination, .. } => {
                    seen.bags.retain(|(number, _)| *number != destination);
                }
                _ => {}
            }
        }
        seen
    }

    /// How the bag at a destination differs; `None` = not known to.
    pub fn of_bag(&self, wanted: usize) -> Option<String> {
        let mut bags = self.bags.iter();
        bags.find(|(number, _)| *number == wanted)
            .map(|(_, why)| why.clone())
    }

    /// Bits of the destinations whose bag is not as the record says: nothing there is proven.
    pub fn doubted(&self) -> u64 {
        self.bags.iter().fold(0, |mask, (number, _)| {
            mask | 1u64.checked_shl(*number as u32).unwrap_or(0)
        })
    }

    /// Every text in it that may hold a name.
    pub(super) fn texts(&mut self) -> impl Iterator<Item = &mut String> {
        let changed = self.source_changed.iter_mut().map(|(_, example)| example);
        let bags = self.bags.iter_mut().map(|(_, why)| why);
        let drives = self
            .drives
            .iter_mut()
            .flat_map(|point| [&mut point.says, &mut point.evidence]);
        (self.source_gone.iter_mut())
            .chain(changed)
            .chain(bags)
            .chain(drives)
    }
}

/// Copies that are blank or not what they claim to be, as an inspection found them.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct FalseContent {
    /// How many.
    pub items: u64,
    /// Their bytes.
    pub bytes: u64,
    /// How many of them are irreplaceable.
    pub irreplaceable: u64,
    /// The first of them, by its path.
    pub example: String,
    /// BLAKE3 over them in their order: what a decision about them freezes.
    pub set_hash: Blake3,
}
