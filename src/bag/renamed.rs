//! The way back from a bag name to the original: the entries of the evidence file `names.json`.
//!
//! Invariant: a bag name without an entry *is* the original name; an entry holds the original to the exact unit.

use crate::value::Name;
use crate::value::hex::unhex;
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

/// One part of a bag path that is not the original name.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Renamed {
    /// Path in the bag, from `data/`, whose last part is the stand-in.
    pub bag: String,
    /// The original name of that last part as text; undecodable units escaped as [`Name::text`] does.
    pub name: String,
    /// For a stream: the name of the stream; `name` is then the file that it belongs to.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub stream: Option<String>,
    /// Hex of the original's bytes or UTF-16LE units, when `name` is not the exact name.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub raw: Option<String>,
    /// The same for the stream's name.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub stream_raw: Option<String>,
    /// Whether the original was held as UTF-16 units; `raw` is read accordingly.
    pub wide: bool,
}

impl Renamed {
    /// The entry for a stand-in of a file or folder.
    pub fn of(bag_path: &str, original: &Name) -> Self {
        Self {
            bag: bag_path.to_owned(),
            name: original.text(),
            stream: None,
            raw: original.raw(),
            stream_raw: None,
            wide: original.is_wide(),
        }
    }

    /// The entry for a stream (a stream's bag name is always a stand-in).
    pub fn of_stream(bag_path: &str, file: &Name, stream: &Name) -> Self {
        Self {
            stream: Some(stream.text()),
            stream_raw: stream.raw(),
            ..Self::of(bag_path, file)
        }
    }

    /// The original name of the file or folder; `None` when the entry contradicts itself (a `raw` that is no hex, or
    /// does not read as `name`).
    pub fn original(&self) -> Option<Name> {
        exact(&self.name, self.raw.as_deref(), self.wide)
    }
}

/// The original name of one part of a bag path, given its entry if it has one.
pub fn original(bag_name: &str, entry: Option<&Renamed>) -> Option<Name> {
    match entry {
        None => Some(Name::of(bag_name)),
        Some(entry) => entry.original(),
    }
}

fn exact(text: &str, raw: Option<&str>, wide: bool) -> Option<Name> {
    let Some(raw) = raw else {
        return Some(if wide {
            Name::Units(text.encode_utf16().collect())
        } else {
            Name::of(text)
        });
    };
    let bytes = unhex(raw)?;
    if wide && bytes.len() % 2 != 0 {
        return None;
    }
    let name = Name::from_stored(&bytes, wide);
    (name.text() == text).then_some(name)
}
