//! Who may waive which open point.
//!
//! Invariants: an id that the policy does not name is waived by nobody; some points no policy can open to anybody.

use super::fault::PolicyFault;
use super::table::NO_REASON;
use crate::value::words::Who;
use serde::de::{Deserialize, DeserializeSeed, Deserializer, Error, MapAccess, Visitor};
use std::collections::BTreeMap;
use std::fmt;
use toml::Spanned;

/// Open points that no policy can make waivable: without them a release would prove nothing.
pub const NEVER: [&str; 8] = [
    "identity-unknown",
    "source-changed",
    "ledger-broken",
    "policy-edited",
    "clock-wrong",
    "copy-on-same-drive",
    "destination-not-independent",
    "survey-unfinished",
];

/// Who may waive which open point, and why.
#[derive(Debug, Clone, PartialEq)]
pub struct Waive {
    by_id: BTreeMap<String, Who>,
    /// Where the choice comes from.
    pub why: String,
}

impl Waive {
    /// Who may waive the open point `id`.
    pub fn who(&self, id: &str) -> Who {
        if NEVER.contains(&id) {
            return Who::Nobody;
        }
        self.by_id.get(id).copied().unwrap_or(Who::Nobody)
    }

    /// The ids that the policy names, in alphabetical order.
    pub fn ids(&self) -> impl Iterator<Item = &str> {
        self.by_id.keys().map(String::as_str)
    }

    pub(super) fn shown(&self) -> Vec<(String, String)> {
        self.by_id
            .iter()
            .map(|(id, who)| (id.clone(), who.to_string()))
            .collect()
    }
}

/// The table as it stands in a file.
#[derive(Debug, Clone, Default)]
pub(super) struct WaiveDraft {
    by_id: BTreeMap<String, Who>,
    why: Option<String>,
}

impl WaiveDraft {
    pub(super) fn over(&mut self, base: Self) {
        let touched = !self.by_id.is_empty();
        for (id, who) in base.by_id {
            self.by_id.entry(id).or_insert(who);
        }
        if self.why.is_none() {
            self.why = if touched {
                Some(NO_REASON.to_owned())
            } else {
                base.why
            };
        }
    }

    pub(super) fn resolved(self) -> Waive {
        Waive {
            by_id: self.by_id,
            why: self.why.unwrap_or_default(),
        }
    }
}

/// Refuses a key that is no open point: misspelt, it would leave the decision to whom the policy below gives it.
pub(super) fn only(file: &str, text: &str, points: &[&str]) -> Result<(), PolicyFault> {
    #[derive(serde::Deserialize)]
    struct Keys {
        #[serde(default)]
        waive: BTreeMap<Spanned<String>, toml::Value>,
    }
    let keys: Keys = toml::from_str(text).map_err(|e| PolicyFault::toml(file, text, &e))?;
    for key in keys.waive.keys() {
        let id = key.as_ref().as_str();
        if id != "why" && !points.contains(&id) {
            let allowed: Vec<&str> = points
                .iter()
                .filter(|point| !NEVER.contains(*point))
                .copied()
                .collect();
            let what = format!(
                "there is no open point '{id}'; allowed are why, {}",
                allowed.join(", ")
            );
            return Err(PolicyFault::at(file, text, key.span().start).says(what));
        }
    }
    Ok(())
}

impl<'de> Deserialize<'de> for WaiveDraft {
    fn deserialize<D: Deserializer<'de>>(d: D) -> Result<Self, D::Error> {
        d.deserialize_map(Table)
    }
}

struct Table;

impl<'de> Visitor<'de> for Table {
    type Value = WaiveDraft;

    fn expecting(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("a table of open points, each with owner, technician or nobody")
    }

    fn visit_map<A: MapAccess<'de>>(self, mut map: A) -> Result<WaiveDraft, A::Error> {
        let mut draft = WaiveDraft::default();
        while let Some(PointId(id)) = map.next_key()? {
            if id == "why" {
                draft.why = Some(map.next_value()?);
            } else {
                let who = map.next_value_seed(Decided { id: &id })?;
                draft.by_id.insert(id, who);
            }
        }
        Ok(draft)
    }
}

struct PointId(String);

impl<'de> Deserialize<'de> for PointId {
    fn deserialize<D: Deserializer<'de>>(d: D) -> Result<Self, D::Error> {
        let id = String::deserialize(d)?;
        if super::rule::is_kebab(&id) {
            Ok(Self(id))
        } else {
            Err(D::Error::custom(format!(
                "found {id:?}, expected the id of an open point: lower-case letters, digits and hyphens"
            )))
        }
    }
}

struct Decided<'a> {
    id: &'a str,
}

impl<'de> DeserializeSeed<'de> for Decided<'_> {
    type Value = Who;

    fn deserialize<D: Deserializer<'de>>(self, d: D) -> Result<Who, D::Error> {
        let who = Who::deserialize(d)?;
        if who != Who::Nobody && NEVER.contains(&self.id) {
            return Err(D::Error::custom(format!(
                "'{}' can be waived by nobody; without it a release proves nothing",
                self.id
            )));
        }
        Ok(who)
    }
}
