//! The text of a bag's tag files: bagit.txt, bag-info.txt and manifests, as RFC 8493 lays down.
//!
//! Invariants: what is written needs no decoding by its reader; what is read is never trusted: a path that leaves
//! the bag, a digest that is none, and a line that is no manifest line are faults with a line number.

use crate::value::{Blake3, Sha256};
use serde::{Deserialize, Serialize};
use std::borrow::Cow;
use std::fmt;

/// The bag declaration (RFC 8493, 2.1.1).
pub const BAGIT_TXT: &str = "BagIt-Version: 1.0\nTag-File-Character-Encoding: UTF-8\n";
/// Name of the bag declaration.
pub const BAGIT_NAME: &str = "bagit.txt";
/// Name of the file with what describes the bag.
pub const BAG_INFO_NAME: &str = "bag-info.txt";

/// The digests that our bags carry: SHA-256 for stock tools, BLAKE3 for ourselves.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub enum Algorithm {
    /// BLAKE3, 32 bytes.
    Blake3,
    /// SHA-256 (FIPS 180-4).
    Sha256,
}

impl Algorithm {
    /// Both, in the order in which we write them.
    pub const ALL: [Algorithm; 2] = [Algorithm::Blake3, Algorithm::Sha256];

    /// The name in file names: lower case, letters and digits only (RFC 8493, 2.4).
    pub fn word(self) -> &'static str {
        match self {
            Algorithm::Blake3 => "blake3",
            Algorithm::Sha256 => "sha256",
        }
    }

    /// File name of the payload manifest (RFC 8493, 2.1.3).
    pub fn manifest(self) -> &'static str {
        match self {
            Algorithm::Blake3 => "manifest-blake3.txt",
            Algorithm::Sha256 => "manifest-sha256.txt",
        }
    }

    /// File name of the tag manifest (RFC 8493, 2.2.1).
    pub fn tag_manifest(self) -> &'static str {
        match self {
            Algorithm::Blake3 => "tagmanifest-blake3.txt",
            Algorithm::Sha256 => "tagmanifest-sha256.txt",
        }
    }
}

/// Octets and number of the payload's files (RFC 8493, 2.2.2, Payload-Oxum). Sums saturate.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize, Deserialize)]
pub struct Oxum {
    /// Bytes of all payload files.
    pub octets: u64,
    /// Number of payload files.
    pub streams: u64,
}

impl Oxum {
    /// Counts one more file.
    pub fn add(&mut self, bytes: u64) {
        self.octets = self.octets.saturating_add(bytes);
        self.streams = self.streams.saturating_add(1);
    }

    /// Reads `octets.files`.
    pub fn parse(text: &str) -> Option<Self> {
        let (octets, streams) = text.trim().split_once('.')?;
        Some(Self {
            octets: decimal(octets)?,
            streams: decimal(streams)?,
        })
    }
}

impl fmt::Display for Oxum {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{}.{}", self.octets, self.streams)
    }
}

fn decimal(text: &str) -> Option<u64> {
    // `parse` alone would take a leading plus sign.
    text.bytes()
        .all(|b| b.is_ascii_digit())
        .then(|| text.parse().ok())
        .flatten()
}

/// What bag-info.txt tells (RFC 8493, 2.2.2). Reserved labels are spelled as there; ours begin with `Holdpoint-`.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct BagInfo {
    lines: Vec<(String, String)>,
}

impl BagInfo {
    /// With the two elements that every bag of ours has. `date` is `YYYY-MM-DD`.
    pub fn new(date: &str, payload: Oxum) -> Self {
        let mut info = Self::default();
        info.add("Bagging-Date", date);
        info.add("Payload-Oxum", &payload.to_string());
        info
    }

    /// Adds one element. A label keeps its letters, digits and hyphens only; in a value, whatever could start a new
    /// line or steer a terminal becomes a blank.
    pub fn add(&mut self, label: &str, value: &str) {
        let label: String = label
            .chars()
            .filter(|c| c.is_ascii_alphanumeric() || *c == '-')
            .collect();
        let value: String = value
            .chars()
            .map(|c| match c {
                '\u{2028}' | '\u{2029}' => ' ',
                c if c.is_control() => ' ',
                c => c,
            })
            .collect();
        self.lines.push((label, value.trim().to_owned()));
    }

    /// The first value under `label`, compared without case (RFC 8493, 2.2.2).
    pub fn get(&self, label: &str) -> Option<&str> {
        self.lines
            .iter()
            .find(|(have, _)| have.eq_ignore_ascii_case(label))
            .map(|(_, value)| value.as_str())
    }

    /// Reads the text of a bag-info.txt; a line that starts with a blank continues the one before.
    pub fn parse(text: &str) -> Self {
        let mut info = Self::default();
        for line in text.split(['\n', '\r']).filter(|line| !line.is_empty()) {
            if line.starts_with([' ', '\t']) {
                if let Some((_, value)) = info.lines.last_mut() {
                    value.push(' ');
                    value.push_str(line.trim());
                }
            } else if let Some((label, value)) = line.split_once(':') {
                info.lines
                    .push((label.trim().to_owned(), value.trim().to_owned()));
            }
        }
        info
    }
}

impl fmt::Display for BagInfo {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        self.lines
            .iter()
            .try_for_each(|(label, value)| writeln!(f, "{label}: {value}"))
    }
}

/// One line of a manifest: digest, two blanks, path from the bag's root, line feed.
///
/// # Errors
/// A path that would need decoding, or that leaves the bag: bag names never make one.
pub fn manifest_line(digest: &dyn fmt::Display, path: &str) -> Result<String, LineFault> {
    if path.contains(['%', '\n', '\r', '\\']) {
        return Err(LineFault::new(
            0,
            path,
            "a path that a manifest cannot hold as it stands",
        ));
    }
    check_path(path).map_err(|why| LineFault::new(0, path, why))?;
    Ok(format!("{digest}  {path}\n"))
}

/// The line of `manifest-blake3.txt` or its tag manifest.
///
/// # Errors
/// As [`manifest_line`].
pub fn blake3_line(digest: Blake3, path: &str) -> Result<String, LineFault> {
    manifest_line(&digest, path)
}

/// The line of `manifest-sha256.txt` or its tag manifest.
///
/// # Errors
/// As [`manifest_line`].
pub fn sha256_line(digest: Sha256, path: &str) -> Result<String, LineFault> {
    manifest_line(&digest, path)
}

/// One entry of a manifest, as read.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Entry {
    /// The digest's 32 bytes.
    pub digest: [u8; 32],
    /// Path from the bag's root, `%0A`, `%0D` and `%25` decoded as RFC 8493, 2.1.3, says.
    pub path: String,
}

/// A line that is no manifest line of ours.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error(
    "read a manifest: line {line} ({shown}) is {why}; expected 64 hex digits, two blanks and a path inside the bag. Compare the file with the other destination's"
)]
pub struct LineFault {
    /// Line number from 1; 0 = the line was to be written.
    pub line: u64,
    /// The line, cut and escaped.
    pub shown: String,
    /// What is wrong with it.
    pub why: &'static str,
}

impl LineFault {
    fn new(line: u64, text: &str, why: &'static str) -> Self {
        Self {
            line,
            shown: text
                .chars()
                .take(120)
                .flat_map(char::escape_default)
                .collect(),
            why,
        }
    }
}

/// Reads one line (without its line end); `number` counts from 1. An empty line is `None`.
///
/// # Errors
/// Not UTF-8, no digest of 64 hex digits, no path, or a path outside the bag.
pub fn parse_line(number: u64, line: &[u8]) -> Result<Option<Entry>, LineFault> {
    let line = line.strip_suffix(b"\r").unwrap_or(line);
    if line.is_empty() {
        return Ok(None);
    }
    let fault = |why| LineFault::new(number, &String::from_utf8_lossy(line), why);
    let text = std::str::from_utf8(line).map_err(|_| fault("not UTF-8"))?;
    let (hex, rest) = text
        .split_once([' ', '\t'])
        .ok_or_else(|| fault("without a blank after the digest"))?;
    let digest = Blake3::parse(&hex.to_ascii_lowercase())
        .ok_or_else(|| fault("without a digest of 64 hex digits"))?;
    // RFC 8493, 2.1.3, allows any number of blanks; `*` marks "binary" in lines made by checksum tools.
    let path = rest.trim_start_matches([' ', '\t']);
    let path = decoded(path.strip_prefix('*').unwrap_or(path));
    check_path(&path).map_err(fault)?;
    Ok(Some(Entry {
        digest: digest.0,
        path: path.into_owned(),
    }))
}

/// Reads a whole manifest (a tag manifest, say); payload manifests are better read line by line.
///
/// # Errors
/// The first line that [`parse_line`] refuses.
pub fn parse_manifest(bytes: &[u8]) -> Result<Vec<Entry>, LineFault> {
    let mut entries = Vec::new();
    for (number, line) in (1u64..).zip(bytes.split(|byte| *byte == b'\n')) {
        entries.extend(parse_line(number, line)?);
    }
    Ok(entries)
}

fn decoded(path: &str) -> Cow<'_, str> {
    if !path.contains('%') {
        return Cow::Borrowed(path);
    }
    let mut out = String::with_capacity(path.len());
    let mut rest = path;
    while let Some(at) = rest.find('%') {
        let (before, from) = rest.split_at(at);
        out.push_str(before);
        let (text, used) = match from.get(1..3).map(str::to_ascii_uppercase).as_deref() {
            Some("0A") => ("\n", 3),
            Some("0D") => ("\r", 3),
            Some("25") => ("%", 3),
            _ => ("%", 1),
        };
        out.push_str(text);
        rest = from.get(used..).unwrap_or_default();
    }
    out.push_str(rest);
    Cow::Owned(out)
}

/// RFC 8493, 5.1.2: a path must not lead out of the bag.
fn check_path(path: &str) -> Result<(), &'static str> {
    if path.is_empty() {
        return Err("without a path");
    }
    if path.starts_with(['/', '~', '\\']) || path.contains('\0') {
        return Err("a path that does not start inside the bag");
    }
    if path.split('/').any(|part| matches!(part, "" | "." | "..")) {
        return Err("a path with an empty part, '.' or '..'");
    }
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    const EMPTY_SHA256: &str = "e3b0c44298fc1c149afbf4c8996fb92427ae41e4649b934ca495991b7852b855";

    #[test]
    fn a_line_is_digest_two_blanks_path() {
        let digest = Sha256::parse(EMPTY_SHA256).unwrap();
        let line = sha256_line(digest, "data/folder/leer.txt").unwrap();
        assert_eq!(line, format!("{EMPTY_SHA256}  data/folder/leer.txt\n"));
        let read = parse_manifest(line.as_bytes()).unwrap();
        assert_eq!(read[0].path, "data/folder/leer.txt");
        assert_eq!(read[0].digest, digest.0);
    }

    #[test]
    fn what_would_need_decoding_or_leaves_the_bag_is_not_written() {
        let digest = Blake3([0; 32]);
        for path in [
            "data/100%.txt",
            "data/a\nb",
            "data/../../x",
            "/data/x",
            "~/x",
            "data//x",
            "",
            "data\\x",
            "data/.",
        ] {
            assert!(blake3_line(digest, path).is_err(), "{path:?}");
        }
    }

    /// RFC 8493, 2.1.3: `%0A`, `%0D`, `%25` are decoded and nothing else is.
    #[test]
    fn only_the_three_codes_of_the_rfc_are_decoded() {
        let line = format!("{} \t data/a%0Ab%25c%0dd%41%", EMPTY_SHA256.to_uppercase());
        let entry = parse_line(1, line.as_bytes()).unwrap().unwrap();
        assert_eq!(entry.path, "data/a\nb%c\rd%41%");
    }

    #[test]
    fn a_fault_names_the_line_and_what_was_expected() {
        let text = format!("{EMPTY_SHA256}  data/x\r\n\n{EMPTY_SHA256}  data/../../etc/passwd\n");
        let fault = parse_manifest(text.as_bytes()).unwrap_err();
        assert_eq!(fault.line, 3);
        assert!(fault.to_string().contains("'..'"), "{fault}");
        assert!(
            parse_line(1, b"abc  data/x")
                .unwrap_err()
                .why
                .contains("64 hex")
        );
        assert!(
            parse_line(1, b"\xff\xfe")
                .unwrap_err()
                .why
                .contains("UTF-8")
        );
        assert!(parse_line(1, EMPTY_SHA256.as_bytes()).is_err());
        assert!(
            !parse_line(1, b"\x1b[2J  x")
                .unwrap_err()
                .to_string()
                .contains('\u{1b}')
        );
    }

    #[test]
    fn bag_info_holds_one_element_a_line_whatever_the_value() {
        let mut oxum = Oxum::default();
        oxum.add(40);
        oxum.add(2);
        let mut info = BagInfo::new("2026-11-25", oxum);
        info.add("External-Identifier", "job 7\nPayload-Oxum: 0.0\u{2028}x");
        info.add("Bad: label\n", "v");
        let text = info.to_string();
        assert_eq!(
            text,
            "Bagging-Date: 2026-11-25\nPayload-Oxum: 42.2\nExternal-Identifier: job 7 Payload-Oxum: 0.0 x\nBadlabel: v\n"
        );
        let read = BagInfo::parse(&text);
        assert_eq!(read, info);
        assert_eq!(read.get("payload-oxum").and_then(Oxum::parse), Some(oxum));
        assert_eq!(Oxum::parse("+1.2"), None);
        assert_eq!(BagInfo::parse("A: b\r\n  c\r\n").get("a"), Some("b c"));
    }

    /// GNU coreutils `sha256sum -c`, the checker that any Linux has.
    #[test]
    fn sha256sum_finds_every_hostile_name_without_unescaping() {
        use crate::bag::name::Taken;
        use crate::value::Name;
        use sha2::Digest;
        let bag = tempfile::tempdir().unwrap();
        std::fs::create_dir(bag.path().join("data")).unwrap();
        let mut taken = Taken::new();
        let mut manifest = String::new();
        let names: [&[u8]; 12] = [
            b"100%25.txt",
            b"line\nfeed\r",
            b"back\\slash",
            b" blanks  ",
            b"*star",
            b"caf\xe9",
            b"cafe\xcc\x81",
            b"Photo.jpg",
            b"photo.JPG",
            b"CON",
            b"\xe2\x80\xa8",
            b"^25",
        ];
        for (number, name) in names.iter().enumerate() {
            let path = format!("data/{}", taken.give(&Name::Bytes(name.to_vec())).text);
            let content = format!("content {number}");
            std::fs::write(bag.path().join(&path), &content).unwrap();
            let digest = Sha256(sha2::Sha256::digest(content.as_bytes()).into());
            manifest.push_str(&sha256_line(digest, &path).unwrap());
        }
        std::fs::write(bag.path().join(Algorithm::Sha256.manifest()), &manifest).unwrap();
        let check = std::process::Command::new("sha256sum")
            .args(["--strict", "-c", Algorithm::Sha256.manifest()])
            .current_dir(bag.path())
            .output()
            .unwrap();
        let says = String::from_utf8_lossy(&check.stdout);
        assert!(check.status.success(), "{says}");
        assert_eq!(says.matches(": OK").count(), names.len());
    }

    proptest! {
        #![proptest_config(ProptestConfig { failure_persistence: None, ..ProptestConfig::default() })]

        #[test]
        fn any_bytes_are_read_or_refused_never_a_panic(bytes in proptest::collection::vec(any::<u8>(), 0..200)) {
            let _ = parse_manifest(&bytes);
        }

        #[test]
        fn what_is_written_reads_back(digest in any::<[u8; 32]>(), path in "data/[ *a-zA-Zäöü^,~]{0,9}[a-z]") {
            let line = blake3_line(Blake3(digest), &path).unwrap();
            let entry = parse_line(1, line.trim_end_matches('\n').as_bytes()).unwrap().unwrap();
            prop_assert_eq!(entry, Entry { digest, path });
        }
    }
}
