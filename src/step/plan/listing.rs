//! `--list`: every item in full.

use crate::job::{Job, ledger_problem};
use crate::ledger::{ItemRow, LedgerError, Want};
use crate::step::outcome::{ListingItem, Problem};
use crate::step::state::{Recorded, item_state};
use crate::value::Name;
use std::collections::HashMap;

/// Every item, in the order of the survey, root first.
pub fn listing(job: &Job<'_>) -> Result<Vec<ListingItem>, Problem> {
    let failed = |e: LedgerError| ledger_problem(&e);
    let facts = job.ledger.facts().map_err(failed)?;
    let (recorded, counting) = (Recorded::of(&facts), job.counting());
    let rules = rule_names(job).map_err(failed)?;
    let mut paths = Paths {
        job,
        known: HashMap::new(),
    };
    let volumes = crate::step::plan::drive::volumes(job)?;
    let mut out = Vec::new();
    job.ledger
        .each_item::<LedgerError>("", |item, got| {
            if item.want == Want::Vanished {
                return Ok(());
            }
            let (path, raw) = paths.of(&item)?;
            out.push(ListingItem {
                path,
                raw,
                volume: crate::step::plan::volume_word(&volumes, item.volume),
                stream: item.stream.as_ref().map(Name::text),
                kind: item.kind,
                bytes: item.bytes,
                class: item.class,
                rule: rules
                    .get(&item.rule)
                    .cloned()
                    .unwrap_or_else(|| format!("rule {}", item.rule)),
                state: item_state(&item, &got, counting, recorded),
                blake3: got.blake3,
                sha256: got.sha256,
                missing: got.missing.clone(),
                marks: item.marks.list(),
            });
            Ok(())
        })
        .map_err(failed)?;
    Ok(out)
}

fn rule_names(job: &Job<'_>) -> Result<HashMap<i64, String>, LedgerError> {
    let ledger = &job.ledger;
    let rows = ledger
        .db()
        .prepare("SELECT id, name FROM rule")
        .and_then(|mut query| {
            query
                .query_map([], |row| Ok((row.get(0)?, row.get(1)?)))?
                .collect::<rusqlite::Result<HashMap<_, _>>>()
        });
    ledger.doing("reading the rules", rows)
}

/// Original paths of items, remembered by folder.
pub struct Paths<'a, 'b> {
    /// The job.
    pub job: &'a Job<'b>,
    /// Folder number to the names of its path, exact.
    pub known: HashMap<i64, Vec<Name>>,
}

impl Paths<'_, '_> {
    /// The exact names of a folder's path, from the root of its volume (or of the folder on hold) down.
    pub fn folder(&mut self, id: i64) -> Result<Vec<Name>, LedgerError> {
        // Below zero are the roots of volumes, zero is the root of a folder. No recursion: trees may be very deep.
        let (mut above, mut parts, mut at) = (Vec::new(), Vec::new(), id);
        while at > 0 {
            if let Some(known) = self.known.get(&at) {
                parts.clone_from(known);
                break;
            }
            let Some((row, _)) = self.job.ledger.item(at)? else {
                break;
            };
            above.push(row.name);
            at = row.parent;
        }
        parts.extend(above.into_iter().rev());
        if self.known.len() >= 4096 {
            self.known.clear();
        }
        if id > 0 {
            self.known.insert(id, parts.clone());
        }
        Ok(parts)
    }

    /// An item's path as text, and in hex where the text is not exactly the path.
    pub fn of(&mut self, item: &ItemRow) -> Result<(String, Option<String>), LedgerError> {
        let mut parts = self.folder(item.parent)?;
        parts.push(item.name.clone());
        Ok(in_words(&parts))
    }
}

/// A path as text; and, where that is not exactly the path, hex of its bytes (of its UTF-16LE units when a name is held as such).
fn in_words(parts: &[Name]) -> (String, Option<String>) {
    let text = parts.iter().map(Name::text).collect::<Vec<_>>().join("/");
    if parts.iter().all(Name::is_text) {
        return (text, None);
    }
    let exact = if parts.iter().any(Name::is_wide) {
        let units = |name: &Name| match name {
            Name::Units(units) => units.clone(),
            Name::Bytes(_) => name.text().encode_utf16().collect(),
        };
        Name::Units(
            parts
                .iter()
                .map(units)
                .collect::<Vec<_>>()
                .join(&u16::from(b'/')),
        )
    } else {
        Name::Bytes(
            parts
                .iter()
                .map(Name::stored)
                .collect::<Vec<_>>()
                .join(&b'/'),
        )
    };
    (text, Some(exact.raw_hex()))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_path_of_wide_names_is_text() {
        let wide = |text: &str| Name::Units(text.encode_utf16().collect());
        assert_eq!(
            in_words(&[wide("Users"), wide("Zoë"), wide("a.jpg")]),
            ("Users/Zoë/a.jpg".to_owned(), None)
        );
        let odd = Name::Units(vec![0xd800]);
        assert_eq!(
            in_words(&[wide("a"), odd]),
            ("a/%uD800".to_owned(), Some("61002f0000d8".to_owned()))
        );
        let bytes = Name::Bytes(vec![0xe9]);
        assert_eq!(
            in_words(&[Name::of("a"), bytes]),
            ("a/%E9".to_owned(), Some("612fe9".to_owned()))
        );
    }
}
