//! Bag names: what an item is called inside the bag.
//!
//! Invariants: a bag name is valid UTF-8 and valid on ext4, NTFS, exFAT, FAT with long names, HFS+ and APFS alike; it needs no
//! escaping in a manifest; no two names of one folder are the same name on any of them; it is the original
//! name whenever that already fulfils all this; and it depends on the original names and their order only.
//!
//! Names that the program gives to folders of its own in a bag (`~lost`, `~deep-` and a number) are spelled out in an
//! original too (`^7Elost`), so that no item of a person can come to lie there.
//!
//! The escape character is `^`, never `%`: RFC 8493, 2.1.3, gives `%` a meaning in manifests that checkers in use
//! do not share. The forms, all spelled in ASCII:
//!
//! | form | stands for |
//! | --- | --- |
//! | `^3A` | one ASCII character, or one byte that is not UTF-8 |
//! | `^uD800` | one UTF-16 unit: an unpaired surrogate, a control or (at an end) a blank beyond ASCII |
//! | `^n2` | the second name that is the same name on some file system |
//! | `^h0123456789ab` | cut: the name was too long; the digits are the head of its BLAKE3 |
//! | `^s` | what follows is the name of a stream of the file before it |
//! | `^empty` | the empty name (a damaged file table can deliver one) |

use crate::value::Name;
use std::collections::HashMap;
use std::fmt::Write;
use unicode_normalization::UnicodeNormalization;

/// Longest part in bytes of UTF-8 (`NAME_MAX` of ext4 and of the Linux interface, limits.h).
pub const LONGEST_BYTES: usize = 255;
/// Longest part in UTF-16 units (NTFS, exFAT and FAT long names, and HFS+: 255).
pub const LONGEST_UNITS: usize = 255;
/// Longest extension in bytes that a cut keeps; beyond it the "extension" is no type any more (engineering judgement).
const LONGEST_EXTENSION: usize = 24;
/// Starts every stand-in; in an original it is itself spelled out, so that no original looks like a stand-in.
const ESCAPE: char = '^';

/// The folder of a bag for what has lost its own; see [`is_valid`]: no original has this bag name.
pub const LOST_FOLDER: &str = "~lost";
/// How folders of a bag begin whose path would have been too long; no original has such a bag name.
pub const DEEP_FOLDERS: &str = "~deep-";

/// A bag name, and whether it is the original name, character for character.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct BagName {
    /// One part of a bag path.
    pub text: String,
    /// `true`: the original itself. `false`: a stand-in, to be listed in the evidence ([`super::renamed`]).
    pub same: bool,
}

/// The names already given in one folder. Make one for each folder and drop it with the folder.
///
/// Memory: about 16 bytes a name. Names are remembered by a 64-bit digest of their folded form; should two unlike names
/// share it, one gets a needless stand-in, never a clash.
#[derive(Debug, Clone, Default)]
pub struct Taken {
    seen: HashMap<u64, u32>,
}

impl Taken {
    /// No name given yet.
    pub fn new() -> Self {
        Self::default()
    }

    /// The bag name for `original`, now taken. Ask once for each name, in the order of the folder.
    pub fn give(&mut self, original: &Name) -> BagName {
        let mut plain = escaped(original);
        if plain.is_empty() {
            plain.push_str("^empty");
        }
        self.settle(plain, original)
    }

    /// The bag name for the stream `stream` of the file `file` (or folder) of this folder, now taken.
    pub fn give_stream(&mut self, file: &Name, stream: &Name) -> BagName {
        let mut whole = file.stored();
        whole.push(b':');
        whole.extend(stream.stored());
        let plain = format!("{}^s{}", escaped(file), guarded_end(units_of(stream)));
        self.settle(plain, &Name::Bytes(whole))
    }

    /// Takes a bag name that was given in an earlier run.
    pub fn note(&mut self, bag_name: &str) {
        self.seen.entry(folded_digest(bag_name)).or_insert(1);
    }

    /// Cuts to length, numbers twins.
    fn settle(&mut self, plain: String, original: &Name) -> BagName {
        let fits = fits(&plain);
        let first = if fits { plain } else { cut(&plain, original) };
        let key = folded_digest(&first);
        let Some(count) = self.seen.get(&key).copied() else {
            self.seen.insert(key, 1);
            let same = fits && is_same(original, &first);
            return BagName { text: first, same };
        };
        let mut number = count;
        loop {
            number = number.saturating_add(1);
            let text = with_suffix(&first, &format!("^n{number}"));
            let own = folded_digest(&text);
            if let std::collections::hash_map::Entry::Vacant(free) = self.seen.entry(own) {
                free.insert(1);
                self.seen.insert(key, number);
                return BagName { text, same: false };
            }
        }
    }
}

/// The form under which two names are one: no file system in use tells apart more than this folds together.
/// Canonical decomposition, upper then lower case of each character, invisible characters dropped
/// (HFS+ skips them when it compares names: from memory of Apple TN1150).
pub fn folded(text: &str) -> String {
    if text.is_ascii() {
        return text.to_ascii_lowercase();
    }
    text.nfd()
        .filter(|c| !is_invisible(*c))
        .flat_map(char::to_uppercase)
        .flat_map(char::to_lowercase)
        .nfd()
        .collect()
}

/// Whether `text` may stand in a bag as one part of a path.
pub fn is_valid(text: &str) -> bool {
    !text.is_empty()
        && fits(text)
        && text.chars().all(|c| c == ESCAPE || !must_go(c))
        && !text.ends_with(['.', ' '])
        && !text.starts_with(is_wide_blank)
        && !text.ends_with(is_wide_blank)
        && !is_device(text)
        && !is_short_alias(text)
        && !is_own(text)
}

fn folded_digest(text: &str) -> u64 {
    let hash = blake3::hash(folded(text).as_bytes());
    let mut head = [0u8; 8];
    head.copy_from_slice(&hash.as_bytes()[..8]);
    u64::from_le_bytes(head)
}

fn is_same(original: &Name, text: &str) -> bool {
    match original {
        Name::Bytes(bytes) => bytes == text.as_bytes(),
        Name::Units(units) => text.encode_utf16().eq(units.iter().copied()),
    }
}

fn fits(text: &str) -> bool {
    text.len() <= LONGEST_BYTES && text.encode_utf16().count() <= LONGEST_UNITS
}

/// One step of an original: a character, or a unit that makes none.
enum Unit {
    Char(char),
    Byte(u8),
    Lone(u16),
}

fn units_of(name: &Name) -> Vec<Unit> {
    let mut out = Vec::new();
    match name {
        Name::Bytes(bytes) => {
            for chunk in bytes.utf8_chunks() {
                out.extend(chunk.valid().chars().map(Unit::Char));
                out.extend(chunk.invalid().iter().copied().map(Unit::Byte));
            }
        }
        Name::Units(units) => {
            for unit in char::decode_utf16(units.iter().copied()) {
                out.push(match unit {
                    Ok(c) => Unit::Char(c),
                    Err(lone) => Unit::Lone(lone.unpaired_surrogate()),
                });
            }
        }
    }
    out
}

/// The name with every character that cannot stay spelled out; of any length.
fn escaped(name: &Name) -> String {
    let text = guarded_end(units_of(name));
    if is_device(&text) {
        // The first character is ASCII in all of these.
        let mut out = String::with_capacity(text.len() + 2);
        let mut rest = text.chars();
        if let Some(first) = rest.next() {
            push_escape(&mut out, first);
        }
        out.push_str(rest.as_str());
        return out;
    }
    let tilde = if is_short_alias(&text) {
        text.split('.').next().and_then(|base| base.rfind('~'))
    } else if is_own(&text) {
        text.find('~')
    } else {
        None
    };
    if let Some((head, tail)) = tilde.and_then(|at| text.split_at_checked(at)) {
        return format!("{head}^7E{}", tail.strip_prefix('~').unwrap_or(tail));
    }
    text
}

/// Spells out single characters, the last one if it is a dot or a blank, and blanks beyond ASCII at either end.
fn guarded_end(units: Vec<Unit>) -> String {
    let last = units.len().saturating_sub(1);
    let mut out = String::with_capacity(units.len());
    for (at, unit) in units.into_iter().enumerate() {
        match unit {
            Unit::Char(c)
                if must_go(c)
                    || (at == last && (c == '.' || c == ' '))
                    || ((at == 0 || at == last) && is_wide_blank(c)) =>
            {
                push_escape(&mut out, c);
            }
            Unit::Char(c) => out.push(c),
            Unit::Byte(byte) => {
                let _ = write!(out, "^{byte:02X}");
            }
            Unit::Lone(unit) => {
                let _ = write!(out, "^u{unit:04X}");
            }
        }
    }
    out
}

fn push_escape(out: &mut String, c: char) {
    if c.is_ascii() {
        let _ = write!(out, "^{:02X}", c as u32);
    } else {
        let mut units = [0u16; 2];
        for unit in c.encode_utf16(&mut units) {
            let _ = write!(out, "^u{unit:04X}");
        }
    }
}

/// Characters that some file system, or some reader of manifests, does not take.
///
/// `< > : " / \ | ? *` and 1-31: Microsoft, "Naming Files, Paths, and Namespaces". `%` and line ends: RFC 8493, 2.1.3.
/// U+0085, U+2028, U+2029 end a line for some readers (Unicode 5.8, newline guidelines); U+FFFE and U+FFFF are no characters.
fn must_go(c: char) -> bool {
    c.is_control()
        || matches!(
            c,
            '<' | '>' | ':' | '"' | '/' | '\\' | '|' | '?' | '*' | '%' | ESCAPE
        )
        || matches!(c, '\u{2028}' | '\u{2029}' | '\u{fffe}' | '\u{ffff}')
}

/// Blanks beyond ASCII (Unicode White_Space: U+00A0, U+3000 and others): readers of manifests take them off the ends of
/// a line, and with them the end of a name.
fn is_wide_blank(c: char) -> bool {
    !c.is_ascii() && c.is_whitespace()
}

fn is_invisible(c: char) -> bool {
    matches!(c, '\u{200b}'..='\u{200f}' | '\u{202a}'..='\u{202e}' | '\u{2060}'..='\u{206f}' | '\u{feff}' | '\u{00ad}' | '\u{fe00}'..='\u{fe0f}')
}

/// Device names that Windows keeps for itself, with any extension and with blanks before it
/// (Microsoft, "Naming Files": CON, PRN, AUX, NUL, COM and LPT with a digit or a superscript digit; CONIN$, CONOUT$ and CLOCK$ from memory).
fn is_device(text: &str) -> bool {
    let base = text
        .split('.')
        .next()
        .unwrap_or_default()
        .trim_end_matches(' ');
    let upper = base.to_ascii_uppercase();
    if matches!(
        upper.as_str(),
        "CON" | "PRN" | "AUX" | "NUL" | "CONIN$" | "CONOUT$" | "CLOCK$"
    ) {
        return true;
    }
    let port = upper
        .strip_prefix("COM")
        .or_else(|| upper.strip_prefix("LPT"));
    matches!(port.map(|digit| digit.chars().collect::<Vec<_>>()), Some(digit)
        if matches!(digit.as_slice(), ['0'..='9' | '\u{b9}' | '\u{b2}' | '\u{b3}']))
}

/// Whether FAT might have made this very name as the short alias of another long name (`DOCUME~1.TXT`): there the
/// two would be one file (Microsoft FAT specification, "short name generation").
fn is_short_alias(text: &str) -> bool {
    let (base, extension) = text.split_once('.').unwrap_or((text, ""));
    if base.len() > 8 || extension.len() > 3 || extension.contains('.') {
        return false;
    }
    match base.rsplit_once('~') {
        Some((_, digits)) => !digits.is_empty() && digits.bytes().all(|b| b.is_ascii_digit()),
        None => false,
    }
}

/// Whether it is the name of a folder that the program itself makes in a bag.
fn is_own(text: &str) -> bool {
    text.contains('~') && {
        let folded = folded(text);
        folded == LOST_FOLDER || folded.starts_with(DEEP_FOLDERS)
    }
}

fn cut(plain: &str, original: &Name) -> String {
    let hash = blake3::hash(&original.stored()).to_hex();
    let head = hash.as_str().get(..12).unwrap_or_default();
    with_suffix(plain, &format!("^h{head}"))
}

/// `suffix` set before the extension; the base gives way until the whole fits.
fn with_suffix(text: &str, suffix: &str) -> String {
    let (base, extension) = match text.rfind('.') {
        Some(at) if at > 0 && text.len() - at <= LONGEST_EXTENSION => text.split_at(at),
        _ => (text, ""),
    };
    let fixed_bytes = suffix.len() + extension.len();
    let fixed_units = suffix.len() + extension.encode_utf16().count();
    let (mut bytes, mut units, mut end) = (fixed_bytes, fixed_units, 0);
    for (at, c) in base.char_indices() {
        bytes += c.len_utf8();
        units += c.len_utf16();
        if bytes > LONGEST_BYTES || units > LONGEST_UNITS {
            break;
        }
        end = at + c.len_utf8();
    }
    let kept = base.get(..end).unwrap_or_default();
    // A cut must not leave half an escape: it would read as something that was never there.
    let kept = if end < base.len() {
        whole_escapes(kept)
    } else {
        kept
    };
    format!("{kept}{suffix}{extension}")
}

/// `text` without a torn escape at its end.
fn whole_escapes(text: &str) -> &str {
    let Some(at) = text.rfind('^') else {
        return text;
    };
    let tail = text.get(at + 1..).unwrap_or_default();
    let wanted = if tail.starts_with('u') { 5 } else { 2 };
    if tail.len() < wanted {
        text.get(..at).unwrap_or_default()
    } else {
        text
    }
}

#[cfg(test)]
mod tests;
