//! Checking a bag with no job at hand: complete and valid in the words of RFC 8493, section 3.
//!
//! Invariant: every file is read back; a bag that lacks one of our two manifests, or whose two
//! manifests disagree about what there is, is not valid.

use super::text::{Algorithm, Entry, parse_manifest};
use crate::job::crew::{self, Foreman};
use crate::port::{Destination, Fault, FaultKind};
use crate::read::digest;
use crate::value::Amount;
use crate::value::{Blake3, Sha256};
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};
use std::collections::BTreeMap;

/// One copy in a bag.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub struct CopyAt {
    /// Path in the bag.
    pub path: String,
    /// Hex of the exact bytes when `path` is not exactly the path.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub raw: Option<String>,
    /// The destination (or bag) that holds it.
    pub destination: String,
    /// What was expected and found.
    pub why: String,
}

/// What checking came to.
#[derive(Debug, Clone, Default)]
pub struct Checked {
    /// Payload files that are equal to both manifests.
    pub verified: Amount,
    /// Files that differ or cannot be read.
    pub mismatched: Vec<CopyAt>,
    /// Files that are listed and not there.
    pub missing: Vec<CopyAt>,
    /// Payload files that nobody listed.
    pub extra: Vec<CopyAt>,
    /// BLAKE3 of the BLAKE3 manifest.
    pub root: Option<Blake3>,
    /// Bytes read back.
    pub read_bytes: u64,
}

struct Expected {
    path: String,
    blake3: Option<[u8; 32]>,
    sha256: Option<[u8; 32]>,
}

impl Expected {
    /// What is wrong, and with which file of the bag. Of two lines about a tag file, the one that does not fit it when
    /// the other does stands in the manifest that is told of.
    fn against(&self, blake3: &Blake3, sha256: &Sha256) -> Option<(String, String)> {
        let path = &self.path;
        let is_payload = path.starts_with("data/");
        let name = |algorithm: Algorithm| {
            let name = match is_payload {
                true => algorithm.manifest(),
                false => algorithm.tag_manifest(),
            };
            name.to_owned()
        };
        let fits = (
            self.blake3.map(|digest| digest == blake3.0),
            self.sha256.map(|digest| digest == sha256.0),
        );
        let other_fits = |algorithm| {
            // A forger changes a file and makes one manifest fit it: what is wrong with a payload file is told at the file.
            let (at, line) = match is_payload {
                true => (path.clone(), format!("its line in {}", name(algorithm))),
                false => (name(algorithm), format!("its line about {path}")),
            };
            let why = format!(
                "{line} does not fit, and the line in the other manifest does: one of the three was changed"
            );
            Some((at, why))
        };
        let not_listed = |algorithm| {
            let why = format!("it does not list {path}, and the other manifest does");
            Some((name(algorithm), why))
        };
        match fits {
            (Some(true), Some(true)) => None,
            (Some(true), Some(false)) => other_fits(Algorithm::Sha256),
            (Some(false), Some(true)) => other_fits(Algorithm::Blake3),
            (Some(true), None) => not_listed(Algorithm::Sha256),
            (None, Some(true)) => not_listed(Algorithm::Blake3),
            _ => {
                let why = format!("it is not as it was sealed: found BLAKE3 {blake3}");
                Some((path.clone(), why))
            }
        }
    }
}

struct Checking<'a> {
    left: std::vec::IntoIter<Expected>,
    bag: &'a str,
    out: Checked,
}

enum Looked {
    Equal(u64),
    Differs(String),
    Missing,
}

impl Foreman for Checking<'_> {
    type Errand = Expected;
    type Done = (String, Looked);
    type Error = Fault;

    fn next(&mut self) -> Result<Option<Expected>, Fault> {
        Ok(self.left.next())
    }

    fn take(&mut self, (path, looked): (String, Looked)) -> Result<(), Fault> {
        let at = |path: String, why: String| CopyAt {
            path,
            raw: None,
            destination: self.bag.to_owned(),
            why,
        };
        match looked {
            Looked::Equal(bytes) => {
                self.out.read_bytes += bytes;
                if path.starts_with("data/") {
                    self.out.verified.items += 1;
                    self.out.verified.bytes += bytes;
                }
            }
            Looked::Differs(why) => self.out.mismatched.push(at(path, why)),
            Looked::Missing => self
                .out
                .missing
                .push(at(path, "listed in a manifest, and not there".into())),
        }
        Ok(())
    }
}

/// Checks the bag whose root is `root` within `at` (`""` = `at` itself is the bag).
pub fn check(
    at: &dyn Destination,
    root: &str,
    shown: &str,
    workers: usize,
    memory: &dyn crate::port::Memory,
) -> Result<Checked, Fault> {
    let inside = |path: &str| {
        if root.is_empty() {
            path.to_owned()
        } else {
            format!("{root}/{path}")
        }
    };
    let mut expected: BTreeMap<String, Expected> = BTreeMap::new();
    let mut out = Checked::default();
    let wrong = |path: &str, why: String| CopyAt {
        path: path.to_owned(),
        raw: None,
        destination: shown.to_owned(),
        why,
    };
    match at.read_small(&inside(super::text::BAGIT_NAME))? {
        Some(text) if text == super::text::BAGIT_TXT.as_bytes() => {}
        Some(_) => out.mismatched.push(wrong(
            super::text::BAGIT_NAME,
            "expected version 1.0 in UTF-8, found something else".into(),
        )),
        None => out.missing.push(wrong(
            super::text::BAGIT_NAME,
            "without it this is no bag".into(),
        )),
    }
    for algorithm in [Algorithm::Blake3, Algorithm::Sha256] {
        for (name, is_payload) in [
            (algorithm.manifest(), true),
            (algorithm.tag_manifest(), false),
        ] {
            let Some(bytes) = read_whole(at, &inside(name))? else {
                out.missing
                    .push(wrong(name, "this manifest is needed".into()));
                continue;
            };
            if is_payload && algorithm == Algorithm::Blake3 {
                out.root = Some(Blake3(*blake3::hash(&bytes).as_bytes()));
            }
            let entries = match parse_manifest(&bytes) {
                Ok(entries) => entries,
                Err(e) => {
                    out.mismatched.push(wrong(name, e.to_string()));
                    continue;
                }
            };
            list(&mut expected, algorithm, entries);
        }
    }
    let listed = at.each(&inside("data"), &mut |below| {
        let path = (below.path.strip_prefix(root))
            .unwrap_or(below.path)
            .trim_start_matches('/');
        if !below.is_folder && !expected.contains_key(path) {
            out.extra
                .push(wrong(path, "in the bag, and in no manifest".into()));
        }
    });
    match listed {
        // What the manifests name is missing then.
        Err(fault) if fault.kind == FaultKind::Missing => {}
        listed => listed?,
    }
    let mut checking = Checking {
        left: expected.into_values().collect::<Vec<_>>().into_iter(),
        bag: shown,
        out,
    };
    let inside = &inside;
    crew::run(workers, &mut checking, &|| {
        let mut block = memory.block(2 << 20);
        Box::new(move |expected: Expected| {
            let looked = match at.open(&inside(&expected.path)) {
                Err(fault) if fault.kind == FaultKind::Missing => Looked::Missing,
                Err(fault) => Looked::Differs(fault.to_string()),
                Ok(content) => match digest::both(content.as_ref(), &mut block) {
                    Err(fault) => Looked::Differs(fault.to_string()),
                    Ok((bytes, blake3, sha256)) => match expected.against(&blake3, &sha256) {
                        None => Looked::Equal(bytes),
                        Some((name, why)) => return (name, Looked::Differs(why)),
                    },
                },
            };
            (expected.path, looked)
        })
    })?;
    Ok(checking.out)
}

/// Checks the tag files of the bag at `root` against both tag manifests; returns what is wrong, by path.
pub fn check_tags(at: &dyn Destination, root: &str) -> Result<Vec<(String, String)>, Fault> {
    let mut wrong = Vec::new();
    let mut buf = vec![0u8; 1 << 20];
    let mut listed: BTreeMap<String, Expected> = BTreeMap::new();
    for algorithm in Algorithm::ALL {
        let name = algorithm.tag_manifest();
        let Some(bytes) = read_whole(at, &format!("{root}/{name}"))? else {
            wrong.push((name.to_owned(), "it is missing".to_owned()));
            continue;
        };
        match parse_manifest(&bytes) {
            Ok(entries) => list(&mut listed, algorithm, entries),
            Err(e) => wrong.push((name.to_owned(), e.to_string())),
        }
    }
    for expected in listed.into_values() {
        let read = at
            .open(&format!("{root}/{}", expected.path))
            .and_then(|content| digest::both(content.as_ref(), &mut buf));
        match read {
            Ok((_, blake3, sha256)) => wrong.extend(expected.against(&blake3, &sha256)),
            Err(fault) => wrong.push((expected.path, fault.to_string())),
        }
    }
    Ok(wrong)
}

fn list(into: &mut BTreeMap<String, Expected>, algorithm: Algorithm, entries: Vec<Entry>) {
    for Entry { digest, path } in entries {
        let slot = into.entry(path.clone()).or_insert(Expected {
            path,
            blake3: None,
            sha256: None,
        });
        match algorithm {
            Algorithm::Blake3 => slot.blake3 = Some(digest),
            Algorithm::Sha256 => slot.sha256 = Some(digest),
        }
    }
}

/// Reads a manifest, of whatever length.
fn read_whole(at: &dyn Destination, path: &str) -> Result<Option<Vec<u8>>, Fault> {
    let content = match at.open(path) {
        Ok(content) => content,
        Err(fault) if fault.kind == FaultKind::Missing => return Ok(None),
        Err(fault) => return Err(fault),
    };
    let mut out = Vec::new();
    let mut buf = vec![0u8; 1 << 20];
    loop {
        let count = content.read_at(out.len() as u64, &mut buf)?;
        if count == 0 {
            return Ok(Some(out));
        }
        out.extend_from_slice(&buf[..count]);
    }
}
