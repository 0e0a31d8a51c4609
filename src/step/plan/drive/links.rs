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

/// Links of `volume` that lead to where this job does not reach, each in words. Where nothing says which volume a letter
/// was, a path that the volume itself has is taken for its own, unless its own letter is known.
pub(super) fn away(
    shelf: &Shelf<'_>,
    letters: &Letters,
    volume: i64,
) -> Result<Vec<String>, LedgerError> {
    let own = letters.letter_of(volume);
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
            let bag: Option<String> = row.get(3)?;
            Ok((
                Name::from_stored(&name, row.get(1)?).text(),
                String::from_utf8_lossy(&target).into_owned(),
                bag.unwrap_or_default(),
            ))
        })
        .and_then(Iterator::collect::<rusqlite::Result<Vec<_>>>);
    let mut out = Vec::new();
    for (name, target, bag) in ledger.doing(doing, rows)? {
        let is_away = match leads(&target) {
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
            // Without "data" and the volume's word.
            let folder = bag.split('/').skip(2).collect::<Vec<_>>().join("/");
            let slash = if folder.is_empty() { "" } else { "/" };
            let shown = target.trim_start_matches(['\\', '?']).replace('\\', "/");
            out.push(format!(
                "what is behind {folder}{slash}{name} lies at {shown}"
            ));
        }
    }
    Ok(out)
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
}
