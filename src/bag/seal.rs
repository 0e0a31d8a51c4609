//! Sealing a bag: manifests of the payload, evidence, and the manifests over those.
//!
//! Invariant: the payload manifests list exactly the files that the ledger says this
//! destination holds, damaged ones included (their hash is of the zero-filled copy, and
//! `not-saved.json` names the missing ranges). Certificate and papers stand beside the bag,
//! so that writing them voids nothing.

use super::renamed::Renamed;
use super::stream::{TagFile, TagWritten, write_tag};
use super::text::{
    Algorithm, BAG_INFO_NAME, BAGIT_NAME, BagInfo, Oxum, blake3_line, manifest_line, sha256_line,
};
use crate::ledger::terms::WANTED_OR_WAIVED;
use crate::ledger::{Got, GotRow, ItemRow, Ledger, LedgerError, Want};
use crate::paper::account::LostPlace;
use crate::port::{Destination, Fault, FaultKind};
use crate::read::places::Places;
use crate::survey::item::{Kind, Mark};
use crate::value::measure::bytes_in_words;
use crate::value::{Blake3, Name};
use serde::{Deserialize, Serialize};
use std::collections::BTreeMap;

/// Payload manifests written, and the evidence that is as long as the item list.
#[derive(Debug, Clone, Serialize, Deserialize)]
pub struct Payload {
    /// BLAKE3 of `manifest-blake3.txt`: the manifest root.
    pub root: Blake3,
    /// Files and bytes listed.
    pub oxum: Oxum,
    /// They as tag files.
    pub written: Vec<TagWritten>,
}

/// The list of what is not wholly saved.
pub const NOT_SAVED: &str = "holdpoint/not-saved.json";

/// A small evidence file: path within the bag, and its bytes.
pub type Evidence = (String, Vec<u8>);

/// Why sealing failed.
#[derive(Debug, thiserror::Error)]
pub enum SealError {
    /// The ledger could not be read.
    #[error(transparent)]
    Ledger(#[from] LedgerError),
    /// The destination did not take it.
    #[error("{0}")]
    Destination(#[from] Fault),
}

/// Writes both payload manifests and the evidence that is as long as the item list.
pub fn write_payload(
    ledger: &Ledger,
    number: usize,
    to: &dyn Destination,
) -> Result<Payload, SealError> {
    let bit = 1u64 << number;
    let mut blake3 = TagFile::start(to, Algorithm::Blake3.manifest())?;
    let mut sha256 = TagFile::start(to, Algorithm::Sha256.manifest())?;
    let mut names = List::start(to, "holdpoint/names.json")?;
    let mut links = List::start(to, "holdpoint/links.json")?;
    let mut places = List::start(to, "holdpoint/places.json")?;
    let mut oxum = Oxum::default();
    let mut folders = Places::new(ledger);
    ledger.each_item::<SealError>("", |item, got| {
        let own = item.bag.clone().unwrap_or_else(|| item.name.text());
        let path = format!("{}/{own}", folders.of(item.parent)?.bag);
        match item.kind {
            Kind::File if got.written & bit != 0 => {
                let (Some(b), Some(s)) = (got.blake3, got.sha256) else {
                    return Err(Fault::new(
                        FaultKind::Other,
                        format!("listing {path}"),
                        "the ledger holds no digest for it",
                    )
                    .into());
                };
                let refused = |e: super::text::LineFault| {
                    Fault::new(
                        FaultKind::CannotHold,
                        format!("listing {path}"),
                        e.to_string(),
                    )
                };
                blake3.add(blake3_line(b, &path).map_err(refused)?.as_bytes())?;
                sha256.add(sha256_line(s, &path).map_err(refused)?.as_bytes())?;
                oxum.add(item.bytes);
                match &item.stream {
                    Some(stream) => {
                        names.add(&Renamed::of_stream(&path, &item.name, stream))?;
                    }
                    None if item.bag.is_some() => names.add(&Renamed::of(&path, &item.name))?,
                    None => {}
                }
            }
            Kind::Folder if item.want != Want::Vanished => {
                let place = ledger.place(item.id)?.unwrap_or_default();
                if place != path {
                    places.add(&Moved {
                        bag: place,
                        instead_of: path.clone(),
                    })?;
                }
                if item.bag.is_some() {
                    names.add(&Renamed::of(&path, &item.name))?;
                }
            }
            // Given up or not: what is listed is the same before and after a decision.
            Kind::Link if matches!(item.want, Want::Wanted | Want::Waived) => {
                let target = Name::Bytes(item.target.clone().unwrap_or_default());
                links.add(&LinkKept {
                    path: path.clone(),
                    target: target.text(),
                    raw: target.raw(),
                })?;
                if item.bag.is_some() {
                    names.add(&Renamed::of(&path, &item.name))?;
                }
            }
            _ => {}
        }
        Ok(())
    })?;
    let blake3 = blake3.finish()?;
    let root = blake3.blake3;
    let written = vec![
        blake3,
        sha256.finish()?,
        names.finish()?,
        links.finish()?,
        places.finish()?,
    ];
    Ok(Payload {
        root,
        oxum,
        written,
    })
}

#[derive(Serialize)]
struct LinkKept {
    path: String,
    target: String,
    #[serde(skip_serializing_if = "Option::is_none")]
    raw: Option<String>,
}

#[derive(Serialize)]
struct Moved {
    bag: String,
    instead_of: String,
}

/// What the facts say of what is not saved, beside the rows.
#[derive(Debug, Default)]
pub struct Decided {
    /// Why items were given up, by the number of the decision.
    pub reasons: BTreeMap<i64, String>,
    /// Why what is encrypted with its owner's own key was given up; `None` = nobody decided about it.
    pub keys: Option<String>,
    /// Parts of drives that are no items.
    pub places: Vec<LostPlace>,
}

/// One item that is not (wholly) saved, as `not-saved.json` lists it.
#[derive(Serialize)]
struct NotSaved<'a> {
    path: String,
    state: &'a str,
    bytes: u64,
    missing: &'a [(u64, u64)],
    /// There may be more than these bytes: nobody could tell.
    #[serde(skip_serializing_if = "std::ops::Not::not")]
    at_least: bool,
    why: Option<&'a str>,
}

/// Writes `not-saved.json`: every part of a drive that nobody could look into, then every item that is damaged, unreadable,
/// changed, given up or without content. What rules leave out is named by rule in `left-out.json`.
pub fn write_not_saved(
    ledger: &Ledger,
    decided: &Decided,
    to: &dyn Destination,
) -> Result<TagWritten, SealError> {
    let mut list = List::start(to, NOT_SAVED)?;
    for place in &decided.places {
        let why = match &place.given_up {
            Some(reason) => format!("{}; given up: {reason}", place.says),
            None => place.says.clone(),
        };
        list.add(&NotSaved {
            path: place.place.clone(),
            state: &place.what,
            bytes: place.bytes,
            missing: &[],
            at_least: place.at_least,
            why: Some(&why),
        })?;
    }
    let mut folders = Places::new(ledger);
    ledger.each_item::<SealError>(WANTED_OR_WAIVED, |item, got| {
        let state = match (item.want, got.state) {
            // Whole and in doubt all the same: what was given up has to be told.
            (Want::Waived, Got::Whole) if !item.marks.has(Mark::Damaged) => return Ok(()),
            (Want::Waived, _) => "waived",
            _ if item.kind == Kind::Folder && item.fault.is_none() => return Ok(()),
            _ if item.kind == Kind::Link => return Ok(()),
            _ if item.kind == Kind::Folder => "unreadable",
            _ if item.marks.has(Mark::Placeholder) => "placeholder",
            // Every byte was read, but the file table contradicts itself about the item.
            (_, Got::Whole) if item.marks.has(Mark::Damaged) => "damaged",
            (_, Got::Whole) => return Ok(()),
            (_, Got::Gaps) => "damaged",
            (_, Got::Unreadable) => "unreadable",
            (_, Got::Changed) => "changed",
            (_, Got::Nothing) if item.marks.has(Mark::Efs) && decided.keys.is_some() => "waived",
            (_, Got::Nothing) => "listed",
        };
        let own = item.bag.clone().unwrap_or_else(|| item.name.text());
        let path = format!("{}/{own}", folders.of(item.parent)?.bag);
        let own = own_reason(&item, &got, decided);
        let why = (got.fault.as_deref())
            .or(item.fault.as_deref())
            .or(own.as_deref());
        list.add(&NotSaved {
            path,
            state,
            bytes: item.bytes,
            missing: &got.missing,
            at_least: item.bytes == 0
                && (got.state == Got::Unreadable || item.kind == Kind::Folder),
            why,
        })?;
        Ok(())
    })?;
    Ok(list.finish()?)
}

/// Why an item is not saved that no fault kept from it.
fn own_reason(item: &ItemRow, got: &GotRow, decided: &Decided) -> Option<String> {
    let given_up = |reason: &String| format!("given up: {reason}");
    if item.want == Want::Waived {
        return decided.reasons.get(&item.waiver).map(given_up);
    }
    if got.state != Got::Nothing {
        return None;
    }
    if item.part_here() > 0 {
        return Some(format!(
            "a placeholder; only a part of its content is on the drive ({}), and that part is not copied",
            bytes_in_words(item.part_here())
        ));
    }
    if item.marks.has(Mark::Placeholder) || !item.marks.has(Mark::Efs) {
        return None;
    }
    let locked = "encrypted with its owner's own key, without which the bytes are worth nothing";
    Some(match &decided.keys {
        Some(reason) => format!("{locked}; {}", given_up(reason)),
        None => locked.to_owned(),
    })
}

/// Writes the small files and the manifests over all tag files; the bag is complete after this.
pub fn close_bag(
    to: &dyn Destination,
    payload: &Payload,
    mut tags: Vec<TagWritten>,
    mut info: BagInfo,
    evidence: &[Evidence],
) -> Result<(), SealError> {
    info.add("Holdpoint-Manifest-Root", &payload.root.to_string());
    tags.push(write_tag(
        to,
        BAGIT_NAME,
        super::text::BAGIT_TXT.as_bytes(),
    )?);
    tags.push(write_tag(to, BAG_INFO_NAME, info.to_string().as_bytes())?);
    for (path, bytes) in evidence {
        tags.push(write_tag(to, path, bytes)?);
    }
    tags.extend(payload.written.iter().cloned());
    tags.sort_by(|a, b| a.path.cmp(&b.path));
    tags.dedup_by(|a, b| a.path == b.path);
    for algorithm in [Algorithm::Sha256, Algorithm::Blake3] {
        let mut text = String::new();
        for tag in &tags {
            let digest: &dyn std::fmt::Display = match algorithm {
                Algorithm::Sha256 => &tag.sha256,
                Algorithm::Blake3 => &tag.blake3,
            };
            let line = manifest_line(digest, &tag.path).map_err(|e| {
                Fault::new(
                    FaultKind::CannotHold,
                    format!("listing {}", tag.path),
                    e.to_string(),
                )
            })?;
            text.push_str(&line);
        }
        write_tag(to, algorithm.tag_manifest(), text.as_bytes())?;
    }
    Ok(())
}

/// A JSON array written entry by entry, one a line.
struct List<'a> {
    file: TagFile<'a>,
    any: bool,
}

impl<'a> List<'a> {
    fn start(to: &'a dyn Destination, path: &str) -> Result<Self, Fault> {
        let mut file = TagFile::start(to, path)?;
        file.add(b"[")?;
        Ok(Self { file, any: false })
    }

    fn add(&mut self, entry: &impl Serialize) -> Result<(), Fault> {
        let text = serde_json::to_string(entry)
            .map_err(|e| Fault::new(FaultKind::Other, "writing evidence", e.to_string()))?;
        self.file.add(if self.any { b",\n" } else { b"\n" })?;
        self.any = true;
        self.file.add(text.as_bytes())
    }

    fn finish(mut self) -> Result<TagWritten, Fault> {
        self.file.add(b"\n]\n")?;
        self.file.finish()
    }
}
