//! Encrypted volumes: what locks them, and which key the owner has to look for.
//!
//! The BitLocker metadata fields below (block header, entries, protector types) are from memory of the published
//! format notes; a field that does not hold is left out, and the volume is locked all the same.

use super::{Hit, What, Window};
use crate::volume::bytes::{array, be16, be64, is, label_text, le16, le32, le64};
use crate::volume::map::guid::Guid;

/// One way to open a locked volume.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Protector {
    /// Identifier that the owner can look up (the recovery key's id).
    pub id: String,
    /// What kind of key it is.
    pub kind: Protection,
}

/// Kinds of key.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Protection {
    /// The key lies in clear on the volume (protection suspended): readable with the right tool, still locked for us.
    Clear,
    /// The machine's own chip: gone when board or firmware change.
    Chip,
    /// A key file on a stick.
    StartupKey,
    /// Chip and a PIN.
    ChipAndPin,
    /// The 48-digit recovery key.
    RecoveryKey,
    /// A password.
    Password,
    /// Another kind; the number as stored.
    Other(u16),
}

impl Protection {
    /// In words for the owner.
    pub fn in_words(self) -> String {
        match self {
            Protection::Clear => "protection suspended, the key lies on the volume".to_owned(),
            Protection::Chip => "the machine's own chip (TPM)".to_owned(),
            Protection::StartupKey => "a startup key on a stick".to_owned(),
            Protection::ChipAndPin => "the machine's own chip (TPM) and a PIN".to_owned(),
            Protection::RecoveryKey => "the 48-digit recovery key".to_owned(),
            Protection::Password => "a password".to_owned(),
            Protection::Other(kind) => format!("a key of kind {kind:04X}h"),
        }
    }
}

const FVE: &[u8; 8] = b"-FVE-FS-";
const LUKS: &[u8; 6] = b"LUKS\xBA\xBE";
const LUKS_SECOND: &[u8; 6] = b"SKUL\xBA\xBE";

/// What these first bytes show.
pub(super) fn head(head: &[u8]) -> Option<What> {
    if is(head, 3, FVE) {
        return Some(What::BitLocker);
    }
    if to_go_offset(head).is_some() && is(head, TO_GO_GUID, &TO_GO.0) {
        return Some(What::BitLockerToGo);
    }
    luks(head, 0).map(|hit| hit.what)
}

/// Place of the identifier in a To Go boot sector, and the identifier (from memory).
const TO_GO_GUID: usize = 424;
const TO_GO: Guid = Guid::new(
    0x4967D63B,
    0x2E29,
    0x4AD8,
    [0x83, 0x99, 0xF6, 0xA3, 0x39, 0xE3, 0xD0, 0x01],
);

/// A To Go header looks like FAT32; bytes 440..464 then hold the places of the metadata.
fn to_go_offset(sector: &[u8]) -> Option<u64> {
    (is(sector, 0, &[0xEB, 0x58, 0x90]) && is(sector, 3, b"MSWIN4.1"))
        .then(|| le64(sector, 440))
        .filter(|at| *at != 0)
}

pub(super) fn probe(window: &Window<'_>, hits: &mut Vec<Hit>) {
    if let Some(first) = window.get(0, 512) {
        if is(&first, 3, FVE) {
            // Windows 7 and later keep three places from byte 176; Vista keeps a cluster number, and its copies are not looked for.
            let places = [176, 184, 192].map(|at| le64(&first, at));
            hits.push(bitlocker(window, What::BitLocker, places));
        } else if let Some(at) = to_go_offset(&first) {
            let places = [440, 448, 456].map(|at| le64(&first, at));
            let seen = window.get(at, 8).is_some_and(|found| found == FVE);
            if seen || is(&first, TO_GO_GUID, &TO_GO.0) {
                hits.push(bitlocker(window, What::BitLockerToGo, places));
            }
        }
        hits.extend(luks(&first, 0));
    }
    if !hits
        .iter()
        .any(|hit| matches!(hit.what, What::Luks1 | What::Luks2))
    {
        // The second header of LUKS2 lies behind the first one's JSON area: 16 KiB by default.
        for at in [0x4000u64, 0x8000, 0x1_0000] {
            if let Some(second) = window.get(at, 512)
                && is(&second, 0, LUKS_SECOND)
                && be16(&second, 6) == 2
            {
                let mut hit = Hit::new(What::Luks2, at);
                hit.id = label_text(second.get(168..208).unwrap_or_default());
                hit.damaged = Some("its first header is gone; the second one is there".to_owned());
                hits.push(hit);
                break;
            }
        }
    }
}

fn luks(sector: &[u8], at: u64) -> Option<Hit> {
    if !is(sector, 0, LUKS) {
        return None;
    }
    let mut hit = match be16(sector, 6) {
        1 => Hit::new(What::Luks1, at),
        2 => Hit::new(What::Luks2, at),
        other => {
            let mut hit = Hit::new(What::Luks2, at);
            hit.note = Some(format!("version {other}, which is not known here"));
            hit
        }
    };
    hit.id = label_text(sector.get(168..208)?);
    if hit.what == What::Luks2 && hit.note.is_none() {
        hit.label = label_text(sector.get(24..72)?);
        // Header size and sequence number stand in clear; they help to tell copies apart.
        hit.note = Some(format!("header of {} bytes", be64(sector, 8)));
    }
    Some(hit)
}

fn bitlocker(window: &Window<'_>, what: What, places: [u64; 3]) -> Hit {
    let mut hit = Hit::new(what, 0);
    for at in places {
        if at == 0 {
            continue;
        }
        let Some(block) = window.get(at, 112) else {
            continue;
        };
        if !is(&block, 0, FVE) || le16(&block, 10) != 2 {
            continue;
        }
        hit.bytes = Some(le64(&block, 16)).filter(|bytes| *bytes > 0);
        hit.id = Some(Guid::at(&block, 64 + 16).to_string());
        let metadata = (le32(&block, 64) as usize).clamp(48, 64 << 10);
        let Some(entries) = window
            .get(at.saturating_add(112), metadata - 48)
            .or_else(|| window.get(at.saturating_add(112), 2048 - 112))
        else {
            continue;
        };
        (hit.protectors, hit.label) = protectors(&entries);
        if !hit.protectors.is_empty() {
            break;
        }
    }
    if hit.protectors.is_empty() {
        hit.note = Some("its list of keys could not be read".to_owned());
    } else if hit
        .protectors
        .iter()
        .any(|key| key.kind == Protection::Clear)
    {
        hit.note = Some("protection is suspended: the key lies on the volume".to_owned());
    }
    hit
}

/// Walks the entries: length, type, kind of value, version, then the value. Type 2, kind 8 = a key
/// with its identifier; type 7 = the description.
fn protectors(entries: &[u8]) -> (Vec<Protector>, Option<String>) {
    let (mut keys, mut label) = (Vec::new(), None);
    let mut rest = entries;
    while let Some(length) = array(rest, 0).map(u16::from_le_bytes) {
        let length = usize::from(length);
        if length < 8 || keys.len() >= 64 {
            break;
        }
        let Some(entry) = rest.get(..length) else {
            break;
        };
        match (le16(entry, 2), le16(entry, 4)) {
            (2, 8) if length >= 8 + 28 => keys.push(Protector {
                id: Guid::at(entry, 8).to_string(),
                kind: match le16(entry, 8 + 26) {
                    0x0000 => Protection::Clear,
                    0x0100 => Protection::Chip,
                    0x0200 => Protection::StartupKey,
                    0x0500 => Protection::ChipAndPin,
                    0x0800 => Protection::RecoveryKey,
                    0x2000 => Protection::Password,
                    other => Protection::Other(other),
                },
            }),
            (7, 2) => {
                let units: Vec<u16> = entry
                    .get(8..)
                    .unwrap_or_default()
                    .chunks_exact(2)
                    .map(|pair| le16(pair, 0))
                    .take_while(|unit| *unit != 0)
                    .collect();
                label = Some(String::from_utf16_lossy(&units)).filter(|text| !text.is_empty());
            }
            _ => {}
        }
        rest = rest.get(length..).unwrap_or_default();
    }
    (keys, label)
}
