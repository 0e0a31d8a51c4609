//! Cuts a drive into areas: every byte in exactly one of them.

use super::{Area, AreaKind};
use crate::volume::filesystem::Place;
use std::collections::BTreeMap;

/// Takes the claims in order of trust; each gets what is still free of it, the rest of the drive is gaps.
pub(super) fn cut(
    drive_bytes: u64,
    claims: impl IntoIterator<Item = (Place, AreaKind)>,
) -> Vec<Area> {
    let mut free: BTreeMap<u64, u64> = BTreeMap::new();
    if drive_bytes > 0 {
        free.insert(0, drive_bytes);
    }
    let mut areas = Vec::new();
    for (place, kind) in claims {
        let (from, to) = (place.first_byte, place.end().min(drive_bytes));
        if from >= to {
            continue;
        }
        // Free stretches that the claim touches: the one that starts before it, and all that start within it.
        let touched: Vec<(u64, u64)> = free
            .range(..from)
            .next_back()
            .into_iter()
            .chain(free.range(from..to))
            .map(|(start, end)| (*start, *end))
            .filter(|(start, end)| *start < to && *end > from)
            .collect();
        for (start, end) in touched {
            free.remove(&start);
            if start < from {
                free.insert(start, from);
            }
            if end > to {
                free.insert(to, end);
            }
            let (first, last) = (start.max(from), end.min(to));
            areas.push(Area {
                first_byte: first,
                bytes: last - first,
                kind,
            });
        }
    }
    areas.extend(free.into_iter().map(|(start, end)| Area {
        first_byte: start,
        bytes: end - start,
        kind: AreaKind::Gap,
    }));
    areas.sort_by_key(|area| area.first_byte);
    areas
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    proptest! {
        #![proptest_config(ProptestConfig { failure_persistence: None, ..ProptestConfig::default() })]

        #[test]
        fn every_byte_lies_in_exactly_one_area(
            drive in 0u64..200,
            claims in proptest::collection::vec((0u64..250, 0u64..100), 0..20),
        ) {
            let areas = cut(drive, claims.iter().enumerate().map(|(index, (first_byte, bytes))| {
                (Place { first_byte: *first_byte, bytes: *bytes }, AreaKind::Partition(index))
            }));
            let mut next = 0;
            for area in &areas {
                prop_assert_eq!(area.first_byte, next);
                prop_assert!(area.bytes > 0);
                next += area.bytes;
            }
            prop_assert_eq!(next, drive);
            // The owner of each byte is the first claim that covers it, a gap only where none does.
            for byte in 0..drive {
                let owner = claims.iter().position(|(first, bytes)| (*first..first + bytes).contains(&byte));
                let area = areas.iter().find(|area| (area.first_byte..area.first_byte + area.bytes).contains(&byte)).unwrap();
                let expected = owner.map_or(AreaKind::Gap, AreaKind::Partition);
                prop_assert_eq!(area.kind, expected);
            }
        }
    }
}
