//! Decoded fields for JSON: every field under its standard's own name, an absent one as
//! `null` with its reason kept beside it.
//!
//! Invariant: a field is never left out silently, and a known value is never replaced by an unknown one.

use crate::value::Known;
use serde::Serialize;
use serde_json::{Map, Value};

/// Fields by name, and why the absent ones are absent.
#[derive(Debug, Clone, Default, PartialEq, Serialize)]
pub struct Fields {
    /// Name to value; `null` = absent.
    pub values: Map<String, Value>,
    /// Name to the reason, for every `null` in `values` (dotted names inside nested objects).
    pub why: Map<String, Value>,
}

impl Fields {
    /// Puts one field that may not be known. The first known value under a name stays.
    pub fn put<T: Serialize>(&mut self, name: &str, known: &Known<T>) {
        match known.value() {
            Some(value) => self.set(name, value),
            None => {
                if self.values.contains_key(name) {
                    return;
                }
                self.values.insert(name.to_owned(), Value::Null);
                let why = known.why_not().unwrap_or_default();
                self.why.insert(name.to_owned(), Value::String(why));
            }
        }
    }

    /// Puts one field that is known.
    pub fn set(&mut self, name: &str, value: impl Serialize) {
        if self.values.get(name).is_some_and(|old| !old.is_null()) {
            return;
        }
        // Our own types serialise without error; should one ever fail, it is an absent field with a reason.
        match serde_json::to_value(value) {
            Ok(value) => {
                self.values.insert(name.to_owned(), value);
                self.why.remove(name);
            }
            Err(error) => {
                self.values.insert(name.to_owned(), Value::Null);
                self.why
                    .insert(name.to_owned(), Value::String(error.to_string()));
            }
        }
    }

    /// Puts a nested object; its reasons are kept under dotted names.
    pub fn nest(&mut self, name: &str, inner: Fields) {
        for (field, why) in inner.why {
            self.why.insert(format!("{name}.{field}"), why);
        }
        self.set(name, Value::Object(inner.values));
    }

    /// Takes over all fields of `other`; known values already here stay.
    pub fn absorb(&mut self, other: Fields) {
        for (name, value) in other.values {
            let why = other.why.get(&name).cloned();
            let ours = self.values.get(&name);
            if ours.is_some_and(|ours| !ours.is_null() || value.is_null()) {
                continue;
            }
            self.why.remove(&name);
            if let Some(why) = why {
                // A word such as "unknown" has a reason of its own beside it.
                self.why.insert(name.clone(), why);
            }
            self.values.insert(name, value);
        }
        for (name, why) in other.why {
            if name.contains('.') {
                self.why.entry(name).or_insert(why);
            }
        }
    }
}

#[cfg(test)]
pub(crate) mod tests_support {
    use super::Fields;
    use serde_json::Value;

    /// Every field of `want` but the `skipped` ones stands in `got`, equal.
    pub(crate) fn agrees(got: &Fields, want: &Value, skipped: &[&str]) {
        let mut compared = 0;
        for (name, value) in want.as_object().unwrap() {
            if !skipped.contains(&name.as_str()) {
                assert_eq!(got.values.get(name), Some(value), "{name}");
                compared += 1;
            }
        }
        assert!(compared > 0);
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn an_absent_field_is_null_with_a_reason() {
        let mut fields = Fields::default();
        fields.put::<u8>("spare", &Known::NotReported);
        fields.put("used", &Known::Value(3u8));
        fields.put::<u8>("used", &Known::NotReported);
        assert_eq!(fields.values["spare"], Value::Null);
        assert_eq!(fields.why["spare"], "not reported");
        assert_eq!(fields.values["used"], 3);
        assert!(!fields.why.contains_key("used"));
        fields.put("spare", &Known::Value(9u8));
        assert!(!fields.why.contains_key("spare"));
        let mut outer = Fields::default();
        let mut inner = Fields::default();
        inner.put::<u8>("index", &Known::NotReported);
        outer.nest("log", inner);
        assert_eq!(outer.why["log.index"], "not reported");
    }
}
