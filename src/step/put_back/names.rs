//! Names that an item may be put back under: its own first, then names beside what is there.
//!
//! Invariant: the same item is offered the same names in the same order in every run, so that a
//! run that was cut off finds what it had put beside.

/// Longest name in bytes that every file system in use takes.
const LONGEST: usize = 255;
/// From this many names beside one another on, something else is wrong.
const MOST: u32 = 1000;
/// Longest ending that still looks like a file type.
const ENDING: usize = 16;

/// The names of one item, one after the other.
#[derive(Debug, Clone)]
pub struct Names {
    base: Vec<u8>,
    /// The item's name in the bag, which the strictest file system holds.
    stand_in: Option<Vec<u8>>,
    day: String,
    is_folder: bool,
    tried: u32,
}

impl Names {
    /// Of an item with that name; `day` goes into names beside. A name that no folder here can hold (a damaged or
    /// hostile volume has such) gives way to its stand-in at once.
    pub fn new(own: Vec<u8>, stand_in: Option<Vec<u8>>, day: &str, is_folder: bool) -> Self {
        let mut stand_in = stand_in.filter(|name| *name != own);
        let base = match stand_in.take_if(|_| is_impossible(&own)) {
            Some(name) => name,
            None => own,
        };
        Self {
            stand_in,
            base,
            day: day.to_owned(),
            is_folder,
            tried: 0,
        }
    }

    /// The next name; `None` = no more.
    pub fn offer(&mut self) -> Option<Vec<u8>> {
        let name = match self.tried {
            0 => self.base.clone(),
            n if n < MOST => beside(&self.base, &self.day, n, self.is_folder),
            _ => return None,
        };
        self.tried += 1;
        Some(name)
    }

    /// The recipient cannot hold the name: goes on with the stand-in. `false` = there is none.
    pub fn stand_in(&mut self) -> bool {
        match self.stand_in.take() {
            Some(name) => {
                (self.base, self.tried) = (name, 0);
                true
            }
            None => false,
        }
    }
}

/// Whether it can be no name of a folder's entry (POSIX.1-2024, 3.141 and 3.271).
fn is_impossible(name: &[u8]) -> bool {
    matches!(name, b"" | b"." | b"..") || name.iter().any(|byte| matches!(byte, b'/' | 0))
}

/// `letter.txt` as `letter (put back 2026-11-25).txt`; from the second on with a number.
fn beside(name: &[u8], day: &str, number: u32, is_folder: bool) -> Vec<u8> {
    let dot = name.iter().rposition(|byte| *byte == b'.');
    let cut = dot
        .filter(|at| !is_folder && *at > 0 && name.len() - at <= ENDING)
        .unwrap_or(name.len());
    let (stem, ending) = name.split_at(cut);
    let mark = if number < 2 {
        format!(" (put back {day})")
    } else {
        format!(" (put back {day}, {number})")
    };
    let mut room = LONGEST
        .saturating_sub(mark.len() + ending.len())
        .min(stem.len());
    // Not in the middle of a UTF-8 character (its further bytes are 10xxxxxx).
    while room > 0 && stem.get(room).is_some_and(|byte| byte & 0xc0 == 0x80) {
        room -= 1;
    }
    [
        stem.get(..room).unwrap_or_default(),
        mark.as_bytes(),
        ending,
    ]
    .concat()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn all(name: &str, is_folder: bool) -> Vec<String> {
        let mut names = Names::new(name.into(), None, "2026-11-25", is_folder);
        (0..3)
            .map(|_| String::from_utf8(names.offer().unwrap()).unwrap())
            .collect()
    }

    #[test]
    fn a_name_beside_keeps_its_ending() {
        let beside = "letter (put back 2026-11-25).txt";
        assert_eq!(
            all("letter.txt", false),
            ["letter.txt", beside, "letter (put back 2026-11-25, 2).txt"]
        );
        assert_eq!(all("v1.2", true)[1], "v1.2 (put back 2026-11-25)");
        assert_eq!(all(".profile", false)[1], ".profile (put back 2026-11-25)");
    }

    #[test]
    fn a_name_that_cannot_be_gives_way_at_once() {
        for own in [&b"a/b"[..], b"..", b".", b"", b"nul\0byte", b"/abs"] {
            let mut names = Names::new(
                own.to_vec(),
                Some(b"stand-in".to_vec()),
                "2026-11-25",
                false,
            );
            assert_eq!(names.offer().unwrap(), b"stand-in");
            assert!(!names.stand_in(), "it comes once");
        }
    }

    #[test]
    fn a_long_name_is_cut_between_characters() {
        let name = "ä".repeat(126) + ".jpg";
        for made in &all(&name, false)[1..] {
            assert!(made.len() <= LONGEST && made.ends_with(").jpg"), "{made}");
        }
    }

    #[test]
    fn names_end_and_the_stand_in_comes_once() {
        let mut names = Names::new(b"a:b".to_vec(), Some(b"a%3Ab".to_vec()), "d", false);
        names.offer();
        assert!(names.stand_in());
        assert_eq!(names.offer().unwrap(), b"a%3Ab");
        assert!(!names.stand_in());
        assert_eq!(
            std::iter::from_fn(|| names.offer()).count(),
            MOST as usize - 1
        );
        assert!(!Names::new(b"a".to_vec(), Some(b"a".to_vec()), "d", false).stand_in());
    }
}
