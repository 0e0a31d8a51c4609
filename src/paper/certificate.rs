//! The release certificate: the signed statement that what the owner would miss on the named
//! drives is saved, left out by rule or given up by name.
//!
//! One documented form of bytes: JSON as RFC 8785 (JSON Canonicalization Scheme) fixes it: keys
//! sorted, no space between tokens, UTF-8, the shortest escapes. Only whole numbers up to
//! 2^53 − 1 occur, larger counters travel as decimal strings; there is no line end after the last brace. A signature covers exactly
//! these bytes, and the parser refuses any others.
//!
//! Invariant: a [`CertificateBody`] is written only by the release step, and only from the
//! `Release` that the gate alone can construct. It holds no owner's name and no file name, because a signed
//! text cannot be stripped of names when the job is closed.

use crate::value::{Blake3, Counter128, Moment};
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};
use serde_json::Value;

/// The version written and the only one read.
pub const VERSION: u64 = 1;

/// Where a certificate stands, beside the bag of a destination and in the job folder.
pub const PLACE: &str = "release/certificate.json";

/// Where its signature stands.
pub const SIGNATURE: &str = "release/certificate.json.sig";

/// No certificate holds longer than this, whatever the policy says.
pub const LONGEST_HOURS: f64 = 24.0;

/// Largest whole number that RFC 8785 carries without loss (I-JSON, RFC 7493, 2.2).
const LARGEST_NUMBER: u64 = (1 << 53) - 1;

/// What the certificate says of itself, in every copy.
pub const NOTICE: &str = "States that everything on the named drives (or in the named folder) was saved and \
read back, left out by a named rule, or given up by a recorded decision. It says nothing about how to wipe. A signature shows \
that these bytes are unchanged since a holder of the key signed them; who that is, only your own list of keys can tell.";

/// The content of a certificate.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct CertificateBody {
    /// Version of this form; [`VERSION`].
    #[serde(rename = "holdpoint_release")]
    pub version: u64,
    /// What the certificate does.
    pub effect: Effect,
    /// [`NOTICE`].
    pub notice: String,
    /// Job id.
    pub job: String,
    /// When it was issued.
    pub issued: Moment,
    /// From when it no longer holds.
    pub expires: Moment,
    /// What was on hold.
    pub scope: Scope,
    /// The policy that the gate applied.
    pub policy: PolicyRef,
    /// BLAKE3 of `manifest-blake3.txt`; `None` only when a recorded decision says that nothing is wanted.
    pub manifest_root: Option<Blake3>,
    /// How many copies stand and how they were read back.
    pub copies: Vec<CopyRef>,
    /// Every decision to lose something.
    pub waivers: Vec<WaiverRef>,
    /// Every answer of the intake that was changed later, with what it was changed to. Left out where none was.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub answers: Vec<AnswerRef>,
    /// The facts of the ledger that the gate relied on.
    pub evidence: Evidence,
}

/// What a certificate does.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub enum Effect {
    /// Releases what the scope names.
    #[serde(rename = "releases the scope")]
    Releases,
    /// Made under a practice policy.
    #[serde(rename = "practice: releases nothing")]
    Practice,
}

/// What was on hold: whole drives, or one folder. A folder's certificate never covers the drive below it.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case", deny_unknown_fields)]
pub enum Scope {
    /// These drives, every partition and gap of them.
    Drives(Vec<DriveRef>),
    /// This folder and nothing else.
    Folder(FolderRef),
}

/// One drive of the scope.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct DriveRef {
    /// Model, as the drive reports it.
    pub model: String,
    /// Serial number, as the drive reports it.
    pub serial: String,
    /// Firmware revision.
    pub firmware: Option<String>,
    /// Capacity in bytes.
    pub bytes: u64,
    /// What stores the bytes.
    pub kind: String,
    /// Fingerprint of the contents.
    pub fingerprint: String,
    /// Times it was powered on, when the drive counts them.
    pub power_cycles: Option<Counter128>,
    /// Bytes written to it over its life, when the drive counts them.
    pub bytes_written: Option<Counter128>,
    /// When the counters were read.
    pub counters_at: Option<Moment>,
}

/// The folder of a folder job.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct FolderRef {
    /// Its path as given.
    pub path: String,
    /// Identity of the file system that holds it.
    pub file_system_id: String,
    /// Fingerprint of its contents.
    pub fingerprint: String,
    /// What recorded replies tell of the drive that the folder is said to lie on. It is named, not
    /// released, and nothing ties it to the folder but the word of whoever recorded them. Left out where none were given.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub drive_told: Option<Box<DriveTold>>,
}

/// A drive by recorded replies; each value as the drive itself told it.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct DriveTold {
    /// Model.
    pub model: Option<String>,
    /// Serial number.
    pub serial: Option<String>,
    /// Firmware revision.
    pub firmware: Option<String>,
    /// Capacity in bytes.
    pub bytes: Option<u64>,
    /// Times it was powered on.
    pub power_cycles: Option<Counter128>,
    /// Bytes written to it over its life.
    pub bytes_written: Option<Counter128>,
    /// When the reading was taken.
    pub counters_at: Moment,
}

/// The policy by name and digest.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct PolicyRef {
    /// Its name.
    pub name: String,
    /// BLAKE3 of its text.
    pub blake3: Blake3,
}

/// One destination.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct CopyRef {
    /// Number of the destination in the job, from 1.
    pub destination: u64,
    /// Items compared and equal.
    pub items: u64,
    /// Their bytes.
    pub bytes: u64,
    /// How it was read back: `medium`, `network`, `cache-suspected`.
    pub method: String,
    /// When the reading back ended.
    pub verified: Moment,
}

/// One waiver, by its frozen set.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct WaiverRef {
    /// What is given up, in words that name no person and no single file.
    pub what: String,
    /// Items in the frozen set.
    pub count: u64,
    /// Their bytes.
    pub bytes: u64,
    /// Digest of the frozen set.
    pub set_blake3: Blake3,
    /// `owner` or `technician`.
    pub decided_by: String,
    /// `signed`, `message` or `phone`.
    pub how: String,
    /// When.
    pub at: Moment,
}

/// One answer to a question of the intake that was answered more than once.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct AnswerRef {
    /// `symptom` or `memory`.
    pub question: String,
    /// The word of the interface that was answered.
    pub answer: String,
    /// When.
    pub at: Moment,
}

/// Where the evidence stands in the ledger.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Evidence {
    /// Digest of the newest fact of the chain.
    pub chain_head: Blake3,
    /// Digest of the item rows at that moment.
    pub items_digest: Blake3,
    /// The facts relied on, oldest first.
    pub facts: Vec<FactRef>,
}

/// One fact of the ledger.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct FactRef {
    /// Its number in the chain.
    pub number: u64,
    /// Its kind (`opened`, `read`, `surveyed`, `verified`, …).
    pub kind: String,
    /// When.
    pub at: Moment,
    /// Its digest.
    pub blake3: Blake3,
}

/// Why a certificate was not written or not accepted.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum CertificateError {
    /// Not JSON at all.
    #[error(
        "reading the release certificate: expected JSON, found {found}; fetch the file again from the job's release folder"
    )]
    NotJson {
        /// What the parser met.
        found: String,
    },
    /// A version this program does not know.
    #[error(
        "reading the release certificate: expected version 1, found {found}; use the holdpoint that wrote it, or a newer one"
    )]
    UnknownVersion {
        /// The version as written.
        found: String,
    },
    /// Fields missing, unknown or of the wrong kind.
    #[error(
        "reading the release certificate: expected the fields of version 1, found {found}; it was edited or made by another program, so issue a new one with `holdpoint release`"
    )]
    Fields {
        /// What the parser met.
        found: String,
    },
    /// The same content in other bytes: spaces, order, escapes, doubled keys.
    #[error(
        "reading the release certificate: expected the canonical bytes (RFC 8785), found the same content in another form; use the file as it was written"
    )]
    NotCanonical,
    /// The content cannot be a certificate.
    #[error("checking the release certificate: {what}; issue a new one with `holdpoint release`")]
    Impossible {
        /// What is wrong, expected and found.
        what: String,
    },
}

impl CertificateBody {
    /// The canonical bytes: what is stored, signed and hashed.
    ///
    /// # Errors
    /// [`CertificateError::Impossible`] when the content contradicts itself (see [`CertificateBody::check`]).
    pub fn to_bytes(&self) -> Result<Vec<u8>, CertificateError> {
        self.check()?;
        let value = serde_json::to_value(self).map_err(|e| CertificateError::Impossible {
            what: format!("it cannot be written as JSON ({e})"),
        })?;
        let mut out = Vec::new();
        canonical(&value, &mut out)?;
        Ok(out)
    }

    /// Reads a certificate back; anything but the canonical bytes of a known version is refused.
    ///
    /// # Errors
    /// Every [`CertificateError`].
    pub fn parse(bytes: &[u8]) -> Result<Self, CertificateError> {
        let value: Value =
            serde_json::from_slice(bytes).map_err(|e| CertificateError::NotJson {
                found: e.to_string(),
            })?;
        // The version comes first: of a later form nothing else may be assumed.
        match value.get("holdpoint_release") {
            Some(version) if version.as_u64() == Some(VERSION) => {}
            Some(other) => {
                return Err(CertificateError::UnknownVersion {
                    found: other.to_string(),
                });
            }
            None => {
                return Err(CertificateError::UnknownVersion {
                    found: "none".to_owned(),
                });
            }
        }
        let body: Self = serde_json::from_value(value).map_err(|e| CertificateError::Fields {
            found: e.to_string(),
        })?;
        if body.to_bytes()? != bytes {
            return Err(CertificateError::NotCanonical);
        }
        Ok(body)
    }

    /// Whether the content can be a certificate: a scope that names something, an end after the
    /// beginning, at most [`LONGEST_HOURS`] between them.
    ///
    /// # Errors
    /// [`CertificateError::Impossible`], naming what was expected and found.
    pub fn check(&self) -> Result<(), CertificateError> {
        let wrong = |what: String| Err(CertificateError::Impossible { what });
        if self.version != VERSION {
            return wrong(format!(
                "expected version {VERSION}, found {}",
                self.version
            ));
        }
        if self.notice != NOTICE {
            return wrong("expected the notice of version 1, found another text".to_owned());
        }
        match &self.scope {
            Scope::Drives(drives) if drives.is_empty() => {
                return wrong("expected at least one drive, found none".to_owned());
            }
            Scope::Drives(drives) => {
                for (place, drive) in drives.iter().enumerate() {
                    if drive.serial.trim().is_empty()
                        || drive.bytes == 0
                        || drive.fingerprint.is_empty()
                    {
                        return wrong(format!(
                            "drive {}: expected serial, size and fingerprint, found serial '{}', {} bytes, fingerprint '{}'",
                            place.saturating_add(1),
                            crate::value::shown(&drive.serial),
                            drive.bytes,
                            crate::value::shown(&drive.fingerprint)
                        ));
                    }
                }
            }
            Scope::Folder(folder) if folder.path.is_empty() || folder.fingerprint.is_empty() => {
                return wrong("expected a folder and its fingerprint, found none".to_owned());
            }
            Scope::Folder(_) => {}
        }
        let hours = self.expires.hours_since(self.issued);
        // Not "hours <= 0 or > 24" on purpose: a NaN could pass that.
        if !(hours > 0.0 && hours <= LONGEST_HOURS) {
            return wrong(format!(
                "expected an end within {LONGEST_HOURS} hours of {}, found {}",
                self.issued, self.expires
            ));
        }
        Ok(())
    }

    /// Digest of the canonical bytes: what the papers quote.
    ///
    /// # Errors
    /// As [`CertificateBody::to_bytes`].
    pub fn digest(&self) -> Result<Blake3, CertificateError> {
        Ok(Blake3(*blake3::hash(&self.to_bytes()?).as_bytes()))
    }

    /// Whether the certificate is in force at `at`.
    pub fn holds_at(&self, at: Moment) -> bool {
        self.check().is_ok() && at >= self.issued && at < self.expires
    }
}

/// RFC 8785 for the values that occur here: no fractions, whole numbers up to 2^53 − 1, keys in ASCII
/// (for which byte order is the order of UTF-16 units that the RFC asks for, 3.2.3).
fn canonical(value: &Value, out: &mut Vec<u8>) -> Result<(), CertificateError> {
    let impossible = |what: String| CertificateError::Impossible { what };
    match value {
        Value::Null | Value::Bool(_) => out.extend_from_slice(value.to_string().as_bytes()),
        Value::Number(number) => match number.as_u64() {
            Some(n) if n <= LARGEST_NUMBER => out.extend_from_slice(n.to_string().as_bytes()),
            _ => {
                return Err(impossible(format!(
                    "expected whole numbers from 0 to {LARGEST_NUMBER}, found {number}"
                )));
            }
        },
        // serde_json writes strings as RFC 8785, 3.2.2.2 wants them: two-character escapes where they
        // exist, \u00xx in lower case for other controls, everything else as it is.
        Value::String(_) => out.extend_from_slice(value.to_string().as_bytes()),
        Value::Array(items) => {
            out.push(b'[');
            for (place, item) in items.iter().enumerate() {
                if place > 0 {
                    out.push(b',');
                }
                canonical(item, out)?;
            }
            out.push(b']');
        }
        Value::Object(map) => {
            let mut pairs: Vec<_> = map.iter().collect();
            pairs.sort_by(|a, b| a.0.cmp(b.0));
            out.push(b'{');
            for (place, (key, item)) in pairs.into_iter().enumerate() {
                if place > 0 {
                    out.push(b',');
                }
                out.extend_from_slice(Value::from(key.as_str()).to_string().as_bytes());
                out.push(b':');
                canonical(item, out)?;
            }
            out.push(b'}');
        }
    }
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::paper::sample;
    use proptest::prelude::*;

    #[test]
    fn goes_to_bytes_and_back() {
        let body = sample::certificate();
        let bytes = body.to_bytes().unwrap();
        assert_eq!(CertificateBody::parse(&bytes).unwrap(), body);
        let text = String::from_utf8(bytes).unwrap();
        assert!(text.starts_with("{\"copies\":[{\"bytes\":"));
        assert!(!text.contains(": ") || text.contains("wipe. A"));
        assert!(!text.contains('\n'));
        assert!(text.contains("\"bytes_written\":\"41231000000000\""));
        let root = body.manifest_root.unwrap().to_string();
        assert!(text.contains(&root));
    }

    #[test]
    fn a_folders_drive_is_named_only_where_it_is_told() {
        let mut body = sample::certificate();
        let folder = |drive_told| {
            Scope::Folder(FolderRef {
                path: "/srv/desk".to_owned(),
                file_system_id: "id".to_owned(),
                fingerprint: "00".to_owned(),
                drive_told,
            })
        };
        // As certificates were before this field came: still read, byte for byte.
        body.scope = folder(None);
        let bytes = body.to_bytes().unwrap();
        assert!(
            !String::from_utf8(bytes.clone())
                .unwrap()
                .contains("drive_told")
        );
        assert_eq!(CertificateBody::parse(&bytes).unwrap(), body);
        body.scope = folder(Some(Box::new(DriveTold {
            model: Some("M".to_owned()),
            serial: Some("S1".to_owned()),
            firmware: None,
            bytes: Some(512),
            power_cycles: Some(Counter128(u128::MAX)),
            bytes_written: None,
            counters_at: body.issued,
        })));
        let bytes = body.to_bytes().unwrap();
        assert_eq!(CertificateBody::parse(&bytes).unwrap(), body);
        assert_eq!(body.check(), Ok(()));
    }

    #[test]
    fn the_canonical_form_is_that_of_rfc_8785() {
        // The string of the RFC's own sample, 3.2.2 and 3.2.3: "€$\u000F\nA'B\"\\\\\"/" and literals.
        let sample: Value = serde_json::from_str(
            "{ \"string\": \"\\u20ac$\\u000F\\u000aA'\\u0042\\u0022\\u005c\\\\\\\"\\/\", \"literals\": [null, true, false] }",
        )
        .unwrap();
        let mut out = Vec::new();
        canonical(&sample, &mut out).unwrap();
        assert_eq!(
            String::from_utf8(out).unwrap(),
            "{\"literals\":[null,true,false],\"string\":\"€$\\u000f\\nA'B\\\"\\\\\\\\\\\"/\"}"
        );
        let mut out = Vec::new();
        assert!(canonical(&serde_json::json!(1.5), &mut out).is_err());
        assert!(canonical(&serde_json::json!(1u64 << 53), &mut out).is_err());
    }

    #[test]
    fn refuses_other_versions_before_anything_else() {
        let newer = b"{\"holdpoint_release\":2,\"wholly\":\"different\"}";
        let error = CertificateBody::parse(newer).unwrap_err();
        assert_eq!(
            error,
            CertificateError::UnknownVersion {
                found: "2".to_owned()
            }
        );
        assert!(error.to_string().contains("found 2"));
        assert!(matches!(
            CertificateBody::parse(b"{}"),
            Err(CertificateError::UnknownVersion { .. })
        ));
        assert!(matches!(
            CertificateBody::parse(b"Dear Sir"),
            Err(CertificateError::NotJson { .. })
        ));
    }

    #[test]
    fn refuses_other_bytes_of_the_same_content() {
        let bytes = sample::certificate().to_bytes().unwrap();
        let spaced = [bytes.as_slice(), b"\n"].concat();
        assert_eq!(
            CertificateBody::parse(&spaced),
            Err(CertificateError::NotCanonical)
        );
        let text = String::from_utf8(bytes).unwrap();
        // A doubled key: parsers disagree which of the two counts.
        let doubled = text.replacen('{', "{\"job\":\"another\",", 1);
        assert!(CertificateBody::parse(doubled.as_bytes()).is_err());
        let unknown = text.replacen("{\"copies\"", "{\"aside\":1,\"copies\"", 1);
        assert!(matches!(
            CertificateBody::parse(unknown.as_bytes()),
            Err(CertificateError::Fields { .. })
        ));
    }

    #[test]
    fn an_empty_scope_or_an_endless_release_is_never_written() {
        let mut body = sample::certificate();
        body.expires = body.issued.plus_hours(24.5);
        assert!(body.to_bytes().is_err());
        body.expires = body.issued;
        assert!(body.to_bytes().is_err());
        body = sample::certificate();
        body.scope = Scope::Drives(Vec::new());
        assert!(body.to_bytes().is_err());
        body = sample::certificate();
        if let Scope::Drives(drives) = &mut body.scope {
            drives[0].serial = "  ".to_owned();
        }
        assert!(body.to_bytes().unwrap_err().to_string().contains("drive 1"));
    }

    #[test]
    fn holds_from_its_beginning_to_its_end_and_no_longer() {
        let body = sample::certificate();
        assert!(body.holds_at(body.issued));
        assert!(!body.holds_at(body.expires));
        assert!(!body.holds_at(body.issued.plus_hours(-0.01)));
    }

    proptest! {
        #![proptest_config(ProptestConfig { failure_persistence: None, cases: 64, ..ProptestConfig::default() })]

        #[test]
        fn any_text_survives(job in any::<String>(), what in any::<String>()) {
            let mut body = sample::certificate();
            body.job = job;
            body.waivers[0].what = what;
            let bytes = body.to_bytes().unwrap();
            prop_assert_eq!(CertificateBody::parse(&bytes).unwrap(), body);
        }

        #[test]
        fn hostile_bytes_are_refused_not_feared(bytes in proptest::collection::vec(any::<u8>(), 0..400)) {
            prop_assert!(CertificateBody::parse(&bytes).is_err());
        }
    }
}
