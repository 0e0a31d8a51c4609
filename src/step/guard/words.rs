//! The words of a guarded command: where the drive goes, and what else in them may name a device.
//!
//! Invariant: pure text. The drive is put in exactly one place, as a whole name; every other part of every word
//! that could be a path is handed out to be looked at. What a command builds by itself (a pattern, a variable, a name
//! read from a file) is not seen: the check stops slips, not intent.

use crate::step::outcome::Problem;
use std::ffi::{OsStr, OsString};
use std::os::unix::ffi::{OsStrExt, OsStringExt};
use std::path::{Path, PathBuf};

/// What stands for the identified drive.
pub const PLACE: &[u8] = b"{drive}";

/// A word with more borders than this is looked at in neighbouring pieces only.
const MOST_BORDERS: usize = 48;

/// Where the drive goes: which word, and from which byte.
///
/// # Errors
/// When [`PLACE`] does not stand exactly once, stands for the program itself, or is glued to more of a name.
pub fn place(command: &[OsString]) -> Result<(usize, usize), Problem> {
    let next =
        "write {drive} once, where the command names the drive; the identified drive is put there";
    let mut found = Vec::new();
    for (word, text) in command.iter().enumerate() {
        let places = text.as_bytes().windows(PLACE.len()).enumerate();
        found.extend(
            places
                .filter(|(_, part)| *part == PLACE)
                .map(|(at, _)| (word, at)),
        );
    }
    let [(word, at)] = found.as_slice() else {
        return Err(Problem::usage(
            format!(
                "the command must hold {{drive}} exactly once, found it {} times",
                found.len()
            ),
            "",
            next,
        ));
    };
    if *word == 0 {
        return Err(Problem::usage(
            "{drive} stands where the program's name should be",
            "",
            next,
        ));
    }
    let after = command
        .get(*word)
        .and_then(|text| text.as_bytes().get(at + PLACE.len()));
    if after.is_some_and(|byte| byte.is_ascii_alphanumeric() || b"/._-{\\".contains(byte)) {
        return Err(Problem::usage(
            "{drive} is glued to more of a name, which would name something else than the drive",
            command
                .get(*word)
                .map(|text| text.to_string_lossy().into_owned())
                .unwrap_or_default(),
            next,
        ));
    }
    Ok((*word, *at))
}

/// The command with the drive in its place.
pub fn filled(command: &[OsString], (word, at): (usize, usize), drive: &Path) -> Vec<OsString> {
    let mut out = command.to_vec();
    if let Some(text) = out.get_mut(word) {
        let bytes = text.as_bytes();
        let mut whole = bytes.get(..at).unwrap_or_default().to_vec();
        whole.extend_from_slice(drive.as_os_str().as_bytes());
        whole.extend_from_slice(bytes.get(at + PLACE.len()..).unwrap_or_default());
        *text = OsString::from_vec(whole);
    }
    out
}

/// Every path that the command's words may name besides the drive: whole words, their pieces between signs that
/// separate (`of=/dev/…`, lists, shell text), and what follows an option's letter.
pub fn may_name(command: &[OsString]) -> Vec<PathBuf> {
    paths(all_pieces(command))
}

/// The nodes that the command's words may name without their folder (`sdb`).
pub fn may_name_node(command: &[OsString]) -> Vec<PathBuf> {
    let bare = all_pieces(command)
        .into_iter()
        .filter(|piece| !piece.contains(&b'/'));
    paths(
        bare.map(|piece| [b"/dev/", piece.as_slice()].concat())
            .collect(),
    )
}

fn paths(mut names: Vec<Vec<u8>>) -> Vec<PathBuf> {
    names.sort_unstable();
    names.dedup();
    let path = |bytes| PathBuf::from(OsString::from_vec(bytes));
    names.into_iter().map(path).collect()
}

fn all_pieces(command: &[OsString]) -> Vec<Vec<u8>> {
    let mut out = Vec::new();
    for word in command {
        for part in parts(word.as_bytes()) {
            pieces(part, &mut out);
        }
    }
    out
}

/// Around the place of the drive.
fn parts(word: &[u8]) -> Vec<&[u8]> {
    match word.windows(PLACE.len()).position(|part| part == PLACE) {
        None => vec![word],
        Some(at) => vec![
            word.get(..at).unwrap_or_default(),
            word.get(at + PLACE.len()..).unwrap_or_default(),
        ],
    }
}

fn pieces(word: &[u8], out: &mut Vec<Vec<u8>>) {
    let separates = |byte: &u8| byte.is_ascii_whitespace() || b"\"'=,:;|&<>()$`[]{}".contains(byte);
    let mut starts = vec![0];
    let mut ends = Vec::new();
    for (at, byte) in word.iter().enumerate() {
        if separates(byte) {
            ends.push(at);
            starts.push(at + 1);
        }
    }
    ends.push(word.len());
    let few = starts.len() <= MOST_BORDERS;
    for (number, start) in starts.iter().enumerate() {
        for (last, end) in ends.iter().enumerate().skip(number) {
            // A name may itself hold separating signs, so longer pieces are tried too.
            if !few && last > number + 2 {
                break;
            }
            let Some(piece) = word.get(*start..*end).filter(|piece| !piece.is_empty()) else {
                continue;
            };
            out.push(piece.to_vec());
            if let Some(slash) = piece.iter().position(|byte| *byte == b'/') {
                out.extend(piece.get(slash..).map(<[u8]>::to_vec));
            }
        }
    }
}

/// The words for the record: undecodable bytes and control signs made visible.
pub fn recorded(command: &[OsString]) -> Vec<String> {
    let text = |word: &OsString| {
        let word: &OsStr = word;
        crate::value::Name::Bytes(word.as_bytes().to_vec()).text()
    };
    command.iter().map(text).collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn words(words: &[&str]) -> Vec<OsString> {
        words.iter().map(OsString::from).collect()
    }

    #[test]
    fn the_drive_stands_once_and_as_a_whole_name() {
        let at = |list: &[&str]| place(&words(list)).ok();
        assert_eq!(at(&["erase", "{drive}"]), Some((1, 0)));
        assert_eq!(at(&["dd", "of={drive}", "bs=4k"]), Some((1, 3)));
        assert_eq!(at(&["sh", "-c", "erase '{drive}' && sync"]), Some((2, 7)));
        for wrong in [
            &["erase"][..],
            &["erase", "{drive}", "{drive}"],
            &["erase", "{drive}{drive}"],
            &["erase", "{drive}1"],
            &["erase", "{drive}/../sdb"],
            &["{drive}", "x"],
        ] {
            assert_eq!(at(wrong), None, "{wrong:?}");
        }
        let command = words(&["dd", "of={drive}", "bs=4k"]);
        let filled = filled(&command, (1, 3), Path::new("/dev/sdx"));
        assert_eq!(filled, words(&["dd", "of=/dev/sdx", "bs=4k"]));
    }

    #[test]
    fn names_are_found_wherever_a_command_may_hide_them() {
        let names =
            |list: &[&str], wanted: &str| may_name(&words(list)).contains(&PathBuf::from(wanted));
        assert!(names(&["dd", "of=/dev/sdb"], "/dev/sdb"));
        let bare = |list: &[&str]| may_name_node(&words(list));
        assert!(bare(&["erase", "sdb"]).contains(&PathBuf::from("/dev/sdb")));
        assert!(bare(&["sh", "-c", "cd /dev; erase sdb"]).contains(&PathBuf::from("/dev/sdb")));
        assert!(names(&["erase", "-f/dev/sdb"], "/dev/sdb"));
        assert!(names(&["erase", "--to=a,/dev/sdb"], "/dev/sdb"));
        assert!(names(&["sh", "-c", "erase \"/dev/sdb\";sync"], "/dev/sdb"));
        assert!(names(&["sh", "-c", "x>/dev/sdb"], "/dev/sdb"));
        assert!(names(&["x", "of={drive},/dev/sdb"], "/dev/sdb"));
        assert!(names(
            &["x", "of=/dev/disk/by-path/pci-0000:00:1f.2-ata-1"],
            "/dev/disk/by-path/pci-0000:00:1f.2-ata-1"
        ));
        assert!(names(&["x", "../dev/sdb"], "../dev/sdb"));
    }

    proptest! {
        #![proptest_config(ProptestConfig { failure_persistence: None, ..ProptestConfig::default() })]

        #[test]
        fn a_name_between_any_separating_signs_is_looked_at(
            before in "[a-z=,; ]{0,12}[=,; :\"'(]", after in "([=,; )\"'][a-z=,; ]{0,12})?",
        ) {
            let word = format!("{before}/dev/sdq{after}");
            prop_assert!(may_name(&words(&["x", &word])).contains(&PathBuf::from("/dev/sdq")));
        }

        #[test]
        fn filling_changes_nothing_else(bytes in proptest::collection::vec(any::<u8>(), 0..40)) {
            let mut word = bytes.clone();
            word.extend_from_slice(b" {drive}");
            let command = vec![OsString::from("x"), OsString::from_vec(word)];
            if let Ok(at) = place(&command) {
                let filled = filled(&command, at, Path::new("{drive}"));
                prop_assert_eq!(filled, command.clone());
            }
            let _ = may_name(&command);
        }
    }
}
