//! What opens with a person's keys only, in every person's folder that was found, wherever it lies: where profiles usually are,
//! on another volume, in an earlier installation, at a root.
//!
//! Invariant: each file is counted once. What a rule at its own place called so was counted while the volume was walked.

use super::hives::Shelf;
use super::tally::Tally;
use crate::ledger::{ItemRow, LedgerError, Want};
use crate::step::outcome::PersonSeen;
use crate::step::plan::people::NOBODY;
use crate::survey::class::{Classer, FolderState, RuleId};
use crate::survey::item::Kind;
use crate::survey::root::{Root, RootKind};

/// Counts what the rules for a person's folder call bound to keys, by the people found.
pub(super) fn count(
    shelf: &Shelf<'_>,
    classer: &Classer,
    people: &[PersonSeen],
    tally: &mut Tally,
) -> Result<(), LedgerError> {
    let home = classer.root_of(&Root {
        kind: RootKind::Profile,
        profiles: Vec::new(),
    });
    for line in people.iter().filter(|line| line.profile != NOBODY) {
        let parts: Vec<String> = line.profile.split('/').map(str::to_owned).collect();
        let Some(volume) = shelf.number(&line.volume) else {
            continue;
        };
        if let Some(folder) = shelf.on(volume, &parts)? {
            below(shelf, classer, (folder, home.clone()), line, tally)?;
        }
    }
    Ok(())
}

fn below(
    shelf: &Shelf<'_>,
    classer: &Classer,
    home: (i64, FolderState),
    line: &PersonSeen,
    tally: &mut Tally,
) -> Result<(), LedgerError> {
    let mut stack = vec![home];
    while let Some((folder, state)) = stack.pop() {
        shelf.ledger().each_child(folder, |row, _| {
            let name = row.name.text();
            if row.kind == Kind::Folder {
                let inside = classer.enter(&state, &name);
                if classer.may_be_key_bound(&inside) {
                    stack.push((row.id, inside));
                }
            } else if is_new(classer, &row) {
                let rule = classer.judge(&state, &name, row.kind, row.bytes, None).rule;
                if classer.is_key_bound(rule) {
                    tally.key_bound(false, Some(&line.profile), row.bytes);
                }
            }
        })?;
    }
    Ok(())
}

/// Whether it is a file with content that is to be copied, and was not counted by its own rule.
fn is_new(classer: &Classer, row: &ItemRow) -> bool {
    let counted = u16::try_from(row.rule).is_ok_and(|rule| classer.is_key_bound(RuleId(rule)));
    row.kind == Kind::File
        && row.stream.is_none()
        && row.bytes > 0
        && row.twin == 0
        && row.want != Want::LeftOut
        && !counted
}

#[cfg(test)]
mod tests {
    use super::super::kept::Format;
    use super::super::people::tests::tree;
    use super::super::rows::tests::{counted, volume};
    use super::*;
    use crate::policy::Policy;

    fn person(profile: &str, volume: &str) -> PersonSeen {
        PersonSeen {
            profile: profile.into(),
            volume: volume.into(),
            ..PersonSeen::default()
        }
    }

    #[test]
    fn saved_passwords_count_wherever_the_profile_lies() {
        const LOGINS: &str = "AppData/Local/V/B/User Data/Default/Login Data";
        let at = |home: &str, path: &str| (format!("{home}/{path}"), vec![1; 10]);
        let of = |files: &[(String, Vec<u8>)]| {
            let files = files.iter();
            let files = files.map(|(path, bytes)| (path.as_str(), bytes.clone()));
            tree(&files.collect::<Vec<_>>())
        };
        let kernel = ("Windows/System32/ntoskrnl.exe".to_owned(), vec![1]);
        let first = of(&[
            kernel,
            at("Users/Ann", LOGINS),
            at("Windows.old/Users/Ann", LOGINS),
            at("Windows.old/Users/Ann", "Documents/a.txt"),
        ]);
        let second = of(&[
            at("Prof/Bob", LOGINS),
            at("Prof/Bob", "AppData/Roaming/Microsoft/Credentials/DFBE70"),
            at("Nobody", LOGINS),
        ]);
        let volumes = [volume(1, Format::Ntfs), volume(2, Format::Ntfs)];
        let [one, two] = volumes.clone();
        let (_dir, ledger, _, mut tally) = counted(&[(one, first), (two, second)]);
        let people = [
            person("Users/Ann", "drive1-volume1"),
            person("Windows.old/Users/Ann", "drive1-volume1"),
            person("Prof/Bob", "drive1-volume2"),
            person(NOBODY, "drive1-volume2"),
        ];
        let shelf = Shelf::new(&ledger, &[], &volumes);
        let classer = Classer::new(&Policy::builtin("home").unwrap());
        count(&shelf, &classer, &people, &mut tally).unwrap();
        let points = tally.key_bound_points();
        assert_eq!(points.len(), 1);
        assert_eq!(
            (points[0].evidence.as_str(), points[0].bytes),
            ("Prof/Bob (2), Users/Ann (1), Windows.old/Users/Ann (1)", 40)
        );
    }

    /// Names as eCryptfs writes them (kernel documentation, `filesystems/ecryptfs`).
    #[test]
    fn an_encrypted_home_opens_with_its_key_only() {
        let files = [
            ("etc/fstab", vec![1]),
            ("usr/bin/x", vec![1]),
            ("var/x", vec![1]),
            (
                "home/.ecryptfs/ann/.Private/ECRYPTFS_FNEK_ENCRYPTED.FWa",
                vec![1; 9],
            ),
            ("home/.ecryptfs/ann/.ecryptfs/wrapped-passphrase", vec![1]),
        ];
        let volumes = [volume(1, Format::Ext)];
        let (_dir, _ledger, _, tally) = counted(&[(volumes[0].clone(), tree(&files))]);
        let points = tally.key_bound_points();
        assert_eq!(points.len(), 1);
        assert_eq!(points[0].id, "key-bound");
        assert!(
            points[0]
                .says
                .starts_with("an encrypted home (home/.ecryptfs (1)) is copied as it lies"),
            "{}",
            points[0].says
        );
    }
}
