//! A reported value in its four states. Only [`Known::Value`] may ever count in a
//! drive's favour: a zero from a missing field, a refused command or a truncated
//! answer is not a zero.

use serde::Serialize;

/// One value that a device may or may not have told us.
#[derive(Debug, Clone, PartialEq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Known<T> {
    /// The device said so, and it can be true.
    Value(T),
    /// The device does not report this value (field absent, page absent, reserved code).
    NotReported,
    /// Bytes were delivered, but they cannot mean what the field says; `raw` shows them.
    Implausible {
        /// The bytes as delivered, in hex or decimal, and what was expected.
        raw: String,
    },
    /// Asking failed; `why` says how (errno name, sense triple, refusal in words).
    Unread {
        /// What happened when the value was asked for.
        why: String,
    },
}

impl<T> Known<T> {
    /// The value, if it is known.
    pub fn value(&self) -> Option<&T> {
        match self {
            Known::Value(v) => Some(v),
            Known::NotReported | Known::Implausible { .. } | Known::Unread { .. } => None,
        }
    }

    /// The value by copy, if it is known.
    pub fn get(&self) -> Option<T>
    where
        T: Copy,
    {
        self.value().copied()
    }

    /// Applies `f` to a known value and keeps every other state as it is.
    pub fn map<U>(self, f: impl FnOnce(T) -> U) -> Known<U> {
        match self {
            Known::Value(v) => Known::Value(f(v)),
            Known::NotReported => Known::NotReported,
            Known::Implausible { raw } => Known::Implausible { raw },
            Known::Unread { why } => Known::Unread { why },
        }
    }

    /// Why there is no value, in words for people; `None` when the value is known.
    pub fn why_not(&self) -> Option<String> {
        match self {
            Known::Value(_) => None,
            Known::NotReported => Some("not reported".to_owned()),
            Known::Implausible { raw } => Some(format!("implausible: {raw}")),
            Known::Unread { why } => Some(format!("could not be read: {why}")),
        }
    }
}
