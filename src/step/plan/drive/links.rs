//! Junctions and links that lead to another volume: what lies behind them is on this drive's list only if that volume is.
//!
//! Invariant: a target that no surveyed volume has is named; one on the system's own letter that is not found is a
//! left-over (Windows makes such junctions for old programs), and says nothing.

use super::hives::Shelf;
use super::letters::{Letters, Lies};
use crate::ledger::LedgerError;
use crate::ledger::row::kind_code;
use crate::survey::item::Kind;
use crate::value::Name;

/// Where a link of a Windows volume leads (MS-FSCC 2.1.2.4 and 2.1.2.5: substitute names).
#[derive(Debug, PartialEq, Eq)]
enum Leads {
    /// Within its own volume, or nowhere that could be told.
    Within,
    /// To this path on a drive letter.
    Letter(char, Vec<String>),
    /// To a volume by its identifier, or to another machine.
    Away,
}

fn leads(target: &str) -> Leads {
    let bare = ["\\??\\", "\\\\?\\"]
        .iter()
        .find_map(|prefix| target.strip_prefix(prefix))
        .unwrap_or(target);
    let lower = bare.to_lowercase();
    if lower.starts_with("volume{") || lower.starts_with("unc\\") || bare.starts_with("\\\\") {
        return Leads::Away;
    }
    let mut chars = bare.chars();
    match (chars.next(), chars.next(), chars.next()) {
        (Some(letter), Some(':'), None | Some('\\' | '/')) if letter.is_ascii_alphabetic() => {
            let rest = bare.get(2..).unwrap_or_default();
            let parts = rest.split(['\\', '/']).filter(|part| !part.is_empty());
            Leads::Letter(
                letter.to_ascii_uppercase(),
                parts.map(str::to_owned).collect(),
            )
        }
        _ => Leads::Within,
    }
}

/// A link of a volume.
struct Link {
    /// Its folder, from the root of the volume.
    folder: String,
    name: String,
    target: String,
}

impl Link {
    fn path(&self) -> String {
        match self.folder.as_str() {
            "" => self.name.clone(),
            folder => format!("{folder}/{}", self.name),
        }
    }

    fn in_words(&self, target: &str) -> String {
        format!("what is behind {} lies at {target}", self.path())
    }
}

/// Every link of a volume.
fn links(shelf: &Shelf<'_>, volume: i64) -> Result<Vec<Link>, LedgerError> {
    let ledger = shelf.ledger();
    let doing = "looking at links";
    let mut query = ledger.doing(
        doing,
        ledger.db().prepare(
            "SELECT item.name, item.wide, item.target, place.bag FROM item LEFT JOIN place ON place.item = item.parent
             WHERE item.volume = ?1 AND item.kind = ?2 AND item.target IS NOT NULL",
        ),
    )?;
    let rows = query
        .query_map(rusqlite::params![volume, kind_code(Kind::Link)], |row| {
            let name: Vec<u8> = row.get(0)?;
            let target: Vec<u8> = row.get(2)?;
            let bag: String = row.get::<_, Option<String>>(3)?.unwrap_or_default();
            Ok(Link {
                // Without "data" and the volume's word.
                folder: bag.split('/').skip(2).collect::<Vec<_>>().join("/"),
                name: Name::from_stored(&name, row.get(1)?).text(),
                target: String::from_utf8_lossy(&target).into_owned(),
            })
        })
        .and_then(Iterator::collect::<rusqlite::Result<Vec<_>>>);
    ledger.doing(doing, rows)
}

/// Links of the Windows volume `volume` that lead to where this job does not reach, each in words. Where nothing says which
/// volume a letter was, a path that the volume itself has is taken for its own, unless its own letter is known.
pub(super) fn away(
    shelf: &Shelf<'_>,
    letters: &Letters,
    volume: i64,
) -> Result<Vec<String>, LedgerError> {
    let own = letters.letter_of(volume);
    let mut out = Vec::new();
    for link in links(shelf, volume)? {
        let is_away = match leads(&link.target) {
            Leads::Within => false,
            Leads::Away => true,
            Leads::Letter(letter, parts) => match letters.lies(volume, letter) {
                Lies::On(it) if it == volume || it == letters.system_of(volume) => false,
                Lies::On(it) => shelf.on(it, &parts)?.is_none(),
                Lies::Elsewhere => true,
                Lies::NotKnown => own.is_some() || shelf.on(volume, &parts)?.is_none(),
            },
        };
        if is_away {
            let shown = link
                .target
                .trim_start_matches(['\\', '?'])
                .replace('\\', "/");
            out.push(link.in_words(&shown));
        }
    }
    Ok(out)
}

/// Folders at the root of a Linux that hold nothing of a person's: links into them are the business of programs.
const PROGRAMS: [&str; 16] = [
    "bin", "boot", "dev", "etc", "lib", "lib32", "lib64", "nix", "opt", "proc", "sbin", "snap",
    "sys", "tmp", "usr", "var",
];

/// The parts of a target that a person may have made: an absolute one that is no program's.
fn persons(target: &str) -> Option<Vec<String>> {
    let parts: Vec<String> = target
        .strip_prefix('/')?
        .split('/')
        .filter(|part| !part.is_empty() && *part != ".")
        .map(str::to_owned)
        .collect();
    let (first, second) = (parts.first()?.as_str(), parts.get(1).map(String::as_str));
    // What is plugged in lies at /run/media.
    let is_programs = PROGRAMS.contains(&first) || first == "run" && second != Some("media");
    (!is_programs && !parts.iter().any(|part| part == "..")).then_some(parts)
}

/// How many folders lead to the homes: none, or the subvolume of a system. `None` = the link is no person's, or in a folder that
/// programs keep to themselves (those that begin with a dot).
fn above_homes(path: &str) -> Option<usize> {
    let parts: Vec<&str> = path.split('/').collect();
    let homes = |part: &&str| part.strip_prefix('@').unwrap_or(part) == "home";
    let at = parts.iter().take(2).position(homes)?;
    let below = parts.get(at + 1..).unwrap_or_default();
    (!below.iter().any(|part| part.starts_with('.'))).then_some(at)
}

/// Links on a volume of Linux, in people's folders or in place of them, that lead to where this job does not reach: another
/// disk that was mounted there. What any volume of the job has at the end of the target is not away.
pub(super) fn away_from_homes(shelf: &Shelf<'_>, volume: i64) -> Result<Vec<String>, LedgerError> {
    let mut out = Vec::new();
    for link in links(shelf, volume)? {
        let path = link.path();
        let (Some(at), Some(parts)) = (above_homes(&path), persons(&link.target)) else {
            continue;
        };
        let system: Vec<String> = path.split('/').take(at).map(str::to_owned).collect();
        if !is_reached(shelf, volume, &system, &parts)? {
            out.push(link.in_words(&link.target));
        }
    }
    Ok(out)
}

/// Whether a path of the system that began at `system` of `volume` leads to something that is listed.
fn is_reached(
    shelf: &Shelf<'_>,
    volume: i64,
    system: &[String],
    parts: &[String],
) -> Result<bool, LedgerError> {
    if shelf.holds(volume, &[system, parts].concat())? {
        return Ok(true);
    }
    for other in shelf.volumes() {
        // Where another volume was mounted is not known: anywhere along the way.
        for from in 1..parts.len() {
            let rest = parts.get(from..).unwrap_or_default();
            if other != volume && shelf.holds(other, rest)? {
                return Ok(true);
            }
        }
    }
    Ok(false)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn substitute_names_are_told_apart() {
        let letter = |letter, parts: &[&str]| {
            Leads::Letter(
                letter,
                parts.iter().map(|part| (*part).to_owned()).collect(),
            )
        };
        for (target, expected) in [
            (
                "\\??\\D:\\Eva\\Documents",
                letter('D', &["Eva", "Documents"]),
            ),
            ("\\??\\c:\\Users", letter('C', &["Users"])),
            ("E:\\", letter('E', &[])),
            ("E:", letter('E', &[])),
            (
                "\\??\\Volume{0b1c2d3e-0000-0000-0000-100000000000}\\",
                Leads::Away,
            ),
            ("\\??\\UNC\\server\\share\\x", Leads::Away),
            ("\\\\server\\share", Leads::Away),
            ("..\\Pictures", Leads::Within),
            ("D:relative", Leads::Within),
            ("", Leads::Within),
        ] {
            assert_eq!(leads(target), expected, "{target}");
        }
    }

    #[test]
    fn links_of_people_are_told_from_those_of_programs() {
        for (target, parts) in [
            ("/mnt/data/Pictures", Some(3)),
            ("/run/media/ann/disk", Some(4)),
            ("/data//./x/", Some(2)),
            ("/run/user/1000/pulse", None),
            ("/usr/share/x", None),
            ("/tmp/socket", None),
            ("../Pictures", None),
            ("/mnt/../etc", None),
            ("/", None),
        ] {
            assert_eq!(persons(target).map(|parts| parts.len()), parts, "{target}");
        }
        for (path, at) in [
            ("home", Some(0)),
            ("home/ann", Some(0)),
            ("home/ann/Pictures", Some(0)),
            ("@/home/ann/a/b", Some(1)),
            ("@home/ann", Some(0)),
            ("home/ann/.config/x", None),
            ("home/ann/.wine/drive/y", None),
            ("srv/home-office", None),
            ("mnt/old/home/x", None),
        ] {
            assert_eq!(above_homes(path), at, "{path}");
        }
    }
}
