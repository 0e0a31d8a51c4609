//! Registry hives: which profiles there are, and where each one's folders really lie.
//!
//! A hive that was not closed is brought up to date in memory from its transaction logs: entries whose hashes
//! are right and whose sequence numbers follow on from the hive's second one are copied over it, page by page.
//!
//! Invariant: bytes in, values out, nothing written; a hive that cannot be understood is an error with words, a stale one
//! says so, and a path that cannot be resolved is kept as it stands, never guessed.

use super::mounted::{self, Mounted};
use crate::value::Name;
use regf::transaction_log::{LogEntry, TransactionLog};
use regf::{RegistryHive, hive::RegistryKey};
use std::fmt;
use std::io::Cursor;

/// Largest hive or log that is taken in.
const LARGEST: usize = 1 << 30;
/// The letter of the drive that Windows lies on, by custom.
pub const CUSTOMARY: char = 'C';
/// Bytes of the base block; offsets in a hive count from behind it.
const BASE: usize = 4096;

/// Why a hive gives nothing.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct NoHive {
    /// What was tried.
    pub doing: &'static str,
    /// What was found.
    pub found: String,
}

impl fmt::Display for NoHive {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(
            f,
            "{}: {}; next: look for the copy of this hive beside it, and ask the owner what it would have told",
            self.doing, self.found
        )
    }
}

impl std::error::Error for NoHive {}

/// How current the values are.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Current {
    /// The hive was closed properly.
    Closed,
    /// It was not; so many log entries were applied.
    Recovered {
        /// Number of entries.
        entries: u32,
    },
    /// It was not, and the logs do not help: values may be older than what the owner last saw.
    Stale {
        /// Why the logs do not help.
        why: String,
    },
}

/// An open hive.
pub struct Hive {
    hive: RegistryHive,
    current: Current,
}

fn u32_at(bytes: &[u8], at: usize) -> Option<u32> {
    bytes
        .get(at..)?
        .first_chunk::<4>()
        .map(|b| u32::from_le_bytes(*b))
}

fn put_u32(bytes: &mut [u8], at: usize, value: u32) {
    if let Some(field) = bytes.get_mut(at..at + 4) {
        field.copy_from_slice(&value.to_le_bytes());
    }
}

impl Hive {
    /// Opens a hive from its bytes and those of its logs (`.LOG1`, `.LOG2`, or an older `.LOG`; empty ones are fine).
    pub fn open(bytes: &[u8], logs: &[&[u8]]) -> Result<Self, NoHive> {
        let doing = "reading a registry hive";
        let no = |found: String| NoHive { doing, found };
        if bytes.len() > LARGEST || logs.iter().any(|log| log.len() > LARGEST) {
            return Err(no(format!("longer than {LARGEST} bytes")));
        }
        if bytes.len() < BASE || bytes.get(..4) != Some(b"regf".as_slice()) {
            return Err(no("it does not begin as a hive does".to_owned()));
        }
        let mut own = bytes.to_vec();
        let current = replay(&mut own, logs);
        let hive = RegistryHive::from_bytes(own).map_err(|e| match &current {
            // Half-written without its logs, or with wrong ones: the hive as it stands may still be readable.
            Current::Recovered { .. } => no(format!("after applying its logs: {e}")),
            Current::Closed | Current::Stale { .. } => no(e.to_string()),
        });
        match hive {
            Ok(hive) => Ok(Self { hive, current }),
            Err(first) => match (&current, RegistryHive::from_bytes(bytes.to_vec())) {
                (Current::Recovered { .. }, Ok(hive)) => Ok(Self {
                    hive,
                    current: Current::Stale { why: first.found },
                }),
                _ => Err(first),
            },
        }
    }

    /// How current the values are.
    pub fn current(&self) -> &Current {
        &self.current
    }

    fn key(&self, path: &str) -> Result<RegistryKey<'_>, NoHive> {
        self.hive.open_key(path).map_err(|e| NoHive {
            doing: "looking for a key in a registry hive",
            found: e.to_string(),
        })
    }

    /// The profiles that a `SOFTWARE` hive lists, whatever folder they lie in.
    pub fn profiles(&self) -> Result<Vec<Profile>, NoHive> {
        let list = self.key("Microsoft\\Windows NT\\CurrentVersion\\ProfileList")?;
        let keys = list.subkeys().map_err(|e| NoHive {
            doing: "reading the list of profiles",
            found: e.to_string(),
        })?;
        Ok(keys
            .iter()
            .map(|key| {
                let raw = text(key, "ProfileImagePath");
                Profile {
                    sid: key.name(),
                    at: raw.as_deref().map(|raw| resolve(raw, None, CUSTOMARY)),
                    raw,
                }
            })
            .collect())
    }

    /// The letter that the installation of a `SOFTWARE` hive gave to the drive it lies on; `None` = the hive does not say.
    pub fn own_letter(&self) -> Option<char> {
        let key = self.key("Microsoft\\Windows NT\\CurrentVersion").ok()?;
        match resolve(&text(&key, "SystemRoot")?, None, CUSTOMARY) {
            At::Letter(letter, _) => Some(letter),
            _ => None,
        }
    }

    /// The letters that a `SYSTEM` hive knows, and what each stands for.
    pub fn mounted(&self) -> Result<Vec<(char, Mounted)>, NoHive> {
        let key = self.key("MountedDevices")?;
        let values = key.values().map_err(|e| NoHive {
            doing: "reading the letters of an installation",
            found: e.to_string(),
        })?;
        Ok(values
            .iter()
            .filter_map(|value| {
                let letter = mounted::letter(&value.name())?;
                // A value that cannot be read names no partition that is known.
                let data = value.raw_data().unwrap_or_default();
                Some((letter, Mounted::of(&data)))
            })
            .collect())
    }

    /// The folders of one person, from an `NTUSER.DAT` hive. `profile` is where the profile lies on its
    /// volume (for `%USERPROFILE%`), for example `Users/Ada`; `own` is the letter of that volume.
    pub fn folders(&self, profile: &[String], own: char) -> Result<Vec<ShellFolder>, NoHive> {
        let key =
            self.key("Software\\Microsoft\\Windows\\CurrentVersion\\Explorer\\User Shell Folders")?;
        let values = key.values().map_err(|e| NoHive {
            doing: "reading the folders of a profile",
            found: e.to_string(),
        })?;
        let mut out = Vec::new();
        for value in values {
            let name = value.name();
            let Some(raw) = value.raw_data().ok().map(|bytes| decode(&bytes)) else {
                continue;
            };
            let at = resolve(&raw, Some(profile), own);
            let usual = USUAL
                .iter()
                .find(|(own, _)| own.eq_ignore_ascii_case(&name))
                .map(|(_, path)| *path);
            let redirected = match (&at, usual) {
                (At::Profile(parts), Some(usual)) => !same(parts, usual),
                // A folder whose usual place is not known here is elsewhere if it leaves the profile.
                (At::Profile(_), None) => false,
                // The system's own value names for machine-wide folders stay outside the profile.
                _ => true,
            };
            out.push(ShellFolder {
                name,
                raw,
                at,
                redirected,
            });
        }
        Ok(out)
    }
}

/// One profile.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Profile {
    /// Security identifier (with `.bak` behind it when Windows set a broken profile aside).
    pub sid: String,
    /// Its path as the hive holds it; `None` = the value is missing.
    pub raw: Option<String>,
    /// Where that is.
    pub at: Option<At>,
}

/// One folder of a person.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct ShellFolder {
    /// The value's name: `Desktop`, `Personal` (documents), `My Pictures`, or a known-folder id.
    pub name: String,
    /// The path as the hive holds it.
    pub raw: String,
    /// Where that is.
    pub at: At,
    /// It does not lie where it usually does.
    pub redirected: bool,
}

/// Where a path leads.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum At {
    /// Within the profile.
    Profile(Vec<String>),
    /// On the drive that Windows itself lies on (`%SystemDrive%`, `%SystemRoot%`).
    System(Vec<String>),
    /// On a drive letter; which partition that is, the hive of this file does not say.
    Letter(char, Vec<String>),
    /// On another machine: server, share and the rest. Not on this drive.
    Network(Vec<String>),
    /// Not resolved: kept as it stands.
    Unknown(String),
}

/// Usual places of the folders, beneath the profile (the documented defaults of the known folders).
const USUAL: [(&str, &str); 12] = [
    ("Desktop", "Desktop"),
    ("Personal", "Documents"),
    ("My Pictures", "Pictures"),
    ("My Music", "Music"),
    ("My Video", "Videos"),
    ("Favorites", "Favorites"),
    ("{374DE290-123F-4565-9164-39C4925E467B}", "Downloads"),
    ("AppData", "AppData/Roaming"),
    ("Local AppData", "AppData/Local"),
    ("Cache", "AppData/Local/Microsoft/Windows/INetCache"),
    ("Cookies", "AppData/Local/Microsoft/Windows/INetCookies"),
    ("History", "AppData/Local/Microsoft/Windows/History"),
];

fn same(parts: &[String], usual: &str) -> bool {
    let usual: Vec<&str> = usual.split('/').collect();
    usual.len() == parts.len()
        && usual
            .iter()
            .zip(parts)
            .all(|(a, b)| a.to_lowercase() == b.to_lowercase())
}

fn parts(path: &str) -> Vec<String> {
    path.split(['\\', '/'])
        .filter(|part| !part.is_empty())
        .map(str::to_owned)
        .collect()
}

/// Resolves a Windows path; `profile` stands for `%USERPROFILE%`, `own` is the letter of the drive that the profile lies on.
pub fn resolve(raw: &str, profile: Option<&[String]>, own: char) -> At {
    let trimmed = raw.trim();
    if let Some(rest) = trimmed.strip_prefix('%')
        && let Some((variable, rest)) = rest.split_once('%')
    {
        if !(rest.is_empty() || rest.starts_with(['\\', '/'])) {
            return At::Unknown(raw.to_owned());
        }
        let mut beneath = parts(rest);
        if climbs(&beneath) {
            return At::Unknown(raw.to_owned());
        }
        return match variable.to_ascii_uppercase().as_str() {
            "USERPROFILE" => At::Profile(beneath),
            "APPDATA" if profile.is_some() => {
                beneath.splice(0..0, ["AppData", "Roaming"].map(str::to_owned));
                At::Profile(beneath)
            }
            "LOCALAPPDATA" if profile.is_some() => {
                beneath.splice(0..0, ["AppData", "Local"].map(str::to_owned));
                At::Profile(beneath)
            }
            "SYSTEMDRIVE" => within(At::System(beneath), profile, own),
            "SYSTEMROOT" | "WINDIR" => {
                beneath.insert(0, "Windows".to_owned());
                At::System(beneath)
            }
            _ => At::Unknown(raw.to_owned()),
        };
    }
    // A device prefix before a drive or a share.
    let path = ["\\\\?\\UNC\\", "\\??\\UNC\\"]
        .iter()
        .find_map(|prefix| {
            trimmed
                .strip_prefix(prefix)
                .map(|rest| format!("\\\\{rest}"))
        })
        .or_else(|| {
            ["\\\\?\\", "\\??\\"]
                .iter()
                .find_map(|prefix| trimmed.strip_prefix(prefix).map(str::to_owned))
        })
        .unwrap_or_else(|| trimmed.to_owned());
    if path.starts_with("\\\\") || path.starts_with("//") {
        let all = parts(&path);
        return if all.is_empty() {
            At::Unknown(raw.to_owned())
        } else {
            At::Network(all)
        };
    }
    let mut letters = path.chars();
    match (letters.next(), letters.next(), letters.next()) {
        (Some(letter), Some(':'), None | Some('\\' | '/')) if letter.is_ascii_alphabetic() => {
            let beneath = parts(letters.as_str());
            if climbs(&beneath) {
                At::Unknown(raw.to_owned())
            } else {
                within(
                    At::Letter(letter.to_ascii_uppercase(), beneath),
                    profile,
                    own,
                )
            }
        }
        _ => At::Unknown(raw.to_owned()),
    }
}

fn climbs(parts: &[String]) -> bool {
    parts.iter().any(|part| part == ".." || part.contains('%'))
}

/// A path on the profile's own drive that lies in the profile after all.
fn within(at: At, profile: Option<&[String]>, own: char) -> At {
    let path = match &at {
        At::System(path) => path,
        At::Letter(letter, path) if *letter == own => path,
        _ => return at,
    };
    let Some(profile) = profile.filter(|p| !p.is_empty()) else {
        return at;
    };
    let inside = path.len() >= profile.len()
        && path
            .iter()
            .zip(profile)
            .all(|(a, b)| a.to_lowercase() == b.to_lowercase());
    match path.get(profile.len()..) {
        Some(rest) if inside => At::Profile(rest.to_vec()),
        _ => at,
    }
}

/// UTF-16 text up to its NUL; unpaired units become `%uXXXX`.
fn decode(bytes: &[u8]) -> String {
    let units = bytes
        .chunks_exact(2)
        .map(|pair| {
            u16::from_le_bytes([
                pair.first().copied().unwrap_or(0),
                pair.get(1).copied().unwrap_or(0),
            ])
        })
        .take_while(|unit| *unit != 0)
        .collect();
    Name::Units(units).text()
}

fn text(key: &RegistryKey<'_>, value: &str) -> Option<String> {
    Some(decode(&key.value(value).ok()?.raw_data().ok()?))
}

/// Checksum of a base block: the exclusive or of its first 127 words, 0 and all ones avoided.
fn checksum(base: &[u8]) -> u32 {
    let sum = base
        .chunks_exact(4)
        .take(127)
        .filter_map(|word| word.first_chunk::<4>())
        .fold(0u32, |sum, word| sum ^ u32::from_le_bytes(*word));
    match sum {
        0 => 1,
        u32::MAX => u32::MAX - 1,
        sum => sum,
    }
}

/// Brings a hive up to date from its logs.
fn replay(hive: &mut Vec<u8>, logs: &[&[u8]]) -> Current {
    let stale = |why: &str| Current::Stale {
        why: why.to_owned(),
    };
    let (Some(first), Some(second)) = (u32_at(hive, 4), u32_at(hive, 8)) else {
        return stale("it is too short");
    };
    let sound = u32_at(hive, 508) == Some(checksum(hive));
    if sound && first == second {
        return Current::Closed;
    }
    let mut entries: Vec<LogEntry> = Vec::new();
    let mut bases: Vec<(u32, &[u8])> = Vec::new();
    for log in logs.iter().filter(|log| log.len() >= 512) {
        match TransactionLog::parse(Cursor::new(*log)) {
            Ok(TransactionLog::New(log_file)) => {
                bases.push((log_file.base_block.primary_sequence, log));
                entries.extend(log_file.log_entries);
            }
            Ok(TransactionLog::Old(old)) => {
                // Before Windows 8.1: one set of pages, for exactly this state of the hive.
                let timely = old.base_block.checksum_valid
                    && old.base_block.primary_sequence == old.base_block.secondary_sequence
                    && (!sound
                        || u32_at(hive, 12)
                            .zip(u32_at(hive, 16))
                            .is_some_and(|(low, high)| {
                                old.can_apply_to(u64::from(high) << 32 | u64::from(low))
                            }));
                if timely && !old.dirty_pages.is_empty() {
                    let bytes = old.base_block.hive_bins_data_size;
                    let pages = old
                        .dirty_pages
                        .iter()
                        .map(|p| (p.offset, p.data.as_slice()));
                    if !apply(hive, bytes, pages) {
                        return stale("its log holds pages outside it");
                    }
                    if !sound {
                        restore_base(hive, log);
                    }
                    close(hive, old.base_block.primary_sequence, bytes);
                    return Current::Recovered { entries: 1 };
                }
            }
            Err(_) => {}
        }
    }
    // Of a damaged base block nothing can be used: the older log's copy says where to begin.
    let start = if sound {
        second
    } else {
        bases.sort_by_key(|(sequence, _)| *sequence);
        match bases.first() {
            Some((sequence, log)) => {
                let (sequence, log) = (*sequence, *log);
                restore_base(hive, log);
                sequence
            }
            None => return stale("its base block is damaged and no log is usable"),
        }
    };
    if entries.is_empty() {
        return stale("it was not closed, and no log entry is usable");
    }
    // Sequence numbers are compared from the start on, so that running over 2^32 does no harm.
    entries.sort_by_key(|entry| entry.sequence_number.wrapping_sub(start));
    let mut expected = start;
    let mut applied = 0u32;
    let mut bytes = 0u32;
    for entry in &entries {
        if entry.sequence_number != expected {
            continue;
        }
        let pages = entry
            .page_references
            .iter()
            .zip(&entry.dirty_pages)
            .map(|(place, page)| (place.offset, page.as_slice()));
        if !apply(hive, entry.hive_bins_data_size, pages) {
            return stale("its log holds pages outside it");
        }
        bytes = entry.hive_bins_data_size;
        applied += 1;
        expected = expected.wrapping_add(1);
    }
    if applied == 0 {
        return stale("its logs do not follow on from its own sequence number");
    }
    close(hive, expected, bytes);
    Current::Recovered { entries: applied }
}

/// Takes the base block from a log, as that of a hive.
fn restore_base(hive: &mut [u8], log: &[u8]) {
    if let (Some(to), Some(from)) = (hive.get_mut(..512), log.get(..512)) {
        to.copy_from_slice(from);
    }
    put_u32(hive, 28, 0);
}

/// Copies pages over the hive's bins, which then have `bytes` bytes.
fn apply<'p>(hive: &mut Vec<u8>, bytes: u32, pages: impl Iterator<Item = (u32, &'p [u8])>) -> bool {
    let length = BASE.saturating_add(bytes as usize);
    if length > LARGEST {
        return false;
    }
    if hive.len() < length {
        hive.resize(length, 0);
    }
    for (offset, page) in pages {
        let from = BASE.saturating_add(offset as usize);
        let place = from
            .checked_add(page.len())
            .and_then(|to| hive.get_mut(from..to));
        match place {
            Some(place) => place.copy_from_slice(page),
            None => return false,
        }
    }
    true
}

fn close(hive: &mut [u8], sequence: u32, bytes: u32) {
    put_u32(hive, 4, sequence);
    put_u32(hive, 8, sequence);
    put_u32(hive, 40, bytes);
    let sum = checksum(hive);
    put_u32(hive, 508, sum);
}

/// Takes any bytes as a hive and its log; for fuzzing. Returns how many profiles and folders came out.
pub fn examine(bytes: &[u8], log: &[u8]) -> usize {
    let Ok(hive) = Hive::open(bytes, &[log]) else {
        return 0;
    };
    let profiles = hive.profiles().map_or(0, |list| list.len());
    profiles
        + hive
            .folders(&["Users".to_owned(), "x".to_owned()], CUSTOMARY)
            .map_or(0, |list| list.len())
}

#[cfg(test)]
#[path = "hive_tests.rs"]
mod tests;
