//! The two digests that every copy carries. Lower-case hex in text and JSON.

use super::hex::unhex;
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};
use std::fmt;

macro_rules! digest {
    ($(#[$doc:meta])* $name:ident) => {
        $(#[$doc])*
        #[derive(Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord)]
        pub struct $name(pub [u8; 32]);

        impl $name {
            /// Reads 64 hex digits; anything else is `None`.
            pub fn parse(text: &str) -> Option<Self> {
                Self::from_slice(&unhex(text)?)
            }

            /// Takes exactly 32 bytes, as the ledger stores them.
            pub fn from_slice(bytes: &[u8]) -> Option<Self> {
                bytes.try_into().ok().map(Self)
            }
        }

        impl fmt::Display for $name {
            fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
                self.0.iter().try_for_each(|byte| write!(f, "{byte:02x}"))
            }
        }

        impl fmt::Debug for $name {
            fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
                fmt::Display::fmt(self, f)
            }
        }

        impl Serialize for $name {
            fn serialize<S: serde::Serializer>(&self, s: S) -> Result<S::Ok, S::Error> {
                s.collect_str(self)
            }
        }

        impl<'de> Deserialize<'de> for $name {
            fn deserialize<D: serde::Deserializer<'de>>(d: D) -> Result<Self, D::Error> {
                let text = String::deserialize(d)?;
                Self::parse(&text).ok_or_else(|| serde::de::Error::custom("expected 64 hex digits"))
            }
        }

        impl JsonSchema for $name {
            fn schema_name() -> std::borrow::Cow<'static, str> {
                stringify!($name).into()
            }

            fn json_schema(_: &mut schemars::SchemaGenerator) -> schemars::Schema {
                schemars::json_schema!({ "type": "string", "pattern": "^[0-9a-f]{64}$" })
            }
        }
    };
}

digest!(
    /// A BLAKE3 digest (32 bytes, default output length, unkeyed).
    Blake3
);
digest!(
    /// A SHA-256 digest (FIPS 180-4).
    Sha256
);

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn hex_goes_both_ways_and_refuses_the_rest() {
        let d = Blake3([0xab; 32]);
        assert_eq!(Blake3::parse(&d.to_string()), Some(d));
        assert_eq!(Blake3::parse("ab"), None);
        assert_eq!(Blake3::parse(&"zz".repeat(32)), None);
    }
}
