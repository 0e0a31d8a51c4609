//! Names exactly as the source holds them: bytes (Unix trees) or UTF-16 units (NTFS,
//! FAT, exFAT), valid text or not. A name is data; it is shown only through
//! [`Name::text`] (percent-escaped) and, on a terminal, through `cli::shown`.

use std::fmt::Write;

/// One part of a path, to the exact unit.
#[derive(Debug, Clone, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub enum Name {
    /// Bytes as a Unix tree delivers them; no `/`, no NUL.
    Bytes(Vec<u8>),
    /// UTF-16 code units as a Windows volume delivers them; unpaired surrogates are legal.
    Units(Vec<u16>),
}

impl Name {
    /// A name of plain text.
    pub fn of(text: &str) -> Self {
        Name::Bytes(text.as_bytes().to_vec())
    }

    /// Text for JSON and lists: undecodable bytes or units become `%XX` / `%uXXXX`, and a literal `%` stays as it is
    /// (the exact units stand beside it in `raw` whenever they differ).
    pub fn text(&self) -> String {
        match self {
            Name::Bytes(bytes) => {
                let mut out = String::with_capacity(bytes.len());
                for chunk in bytes.utf8_chunks() {
                    out.push_str(chunk.valid());
                    for byte in chunk.invalid() {
                        let _ = write!(out, "%{byte:02X}");
                    }
                }
                out
            }
            Name::Units(units) => {
                let mut out = String::with_capacity(units.len());
                for unit in char::decode_utf16(units.iter().copied()) {
                    match unit {
                        Ok(c) => out.push(c),
                        Err(e) => {
                            let _ = write!(out, "%u{:04X}", e.unpaired_surrogate());
                        }
                    }
                }
                out
            }
        }
    }

    /// Whether [`Name::text`] is the name itself, with nothing escaped.
    pub fn is_text(&self) -> bool {
        match self {
            Name::Bytes(bytes) => std::str::from_utf8(bytes).is_ok(),
            Name::Units(units) => {
                char::decode_utf16(units.iter().copied()).all(|unit| unit.is_ok())
            }
        }
    }

    /// Hex of the bytes, or of the UTF-16LE units.
    pub fn raw_hex(&self) -> String {
        let mut out = String::new();
        for byte in self.stored() {
            let _ = write!(out, "{byte:02x}");
        }
        out
    }

    /// The `raw` field of the interface; `None` = the text is exactly the name.
    pub fn raw(&self) -> Option<String> {
        (!self.is_text()).then(|| self.raw_hex())
    }

    /// The bytes of a part of a path on this machine: as they are, or units as text.
    pub fn path_part(&self) -> Vec<u8> {
        match self {
            Name::Bytes(bytes) => bytes.clone(),
            Name::Units(_) => self.text().into_bytes(),
        }
    }

    /// The path that these names make, exact: in units where any of them is held as such.
    pub fn joined(parts: &[&Name]) -> Self {
        if !parts.iter().any(|name| name.is_wide()) {
            let parts: Vec<_> = parts.iter().map(|name| name.stored()).collect();
            return Name::Bytes(parts.join(&b'/'));
        }
        let units = |name: &&Name| match name {
            Name::Units(units) => units.clone(),
            Name::Bytes(_) => name.text().encode_utf16().collect(),
        };
        let parts: Vec<_> = parts.iter().map(units).collect();
        Name::Units(parts.join(&u16::from(b'/')))
    }

    /// The bytes that the ledger stores (UTF-16 as little-endian units).
    pub fn stored(&self) -> Vec<u8> {
        match self {
            Name::Bytes(bytes) => bytes.clone(),
            Name::Units(units) => units.iter().flat_map(|unit| unit.to_le_bytes()).collect(),
        }
    }

    /// The name from what the ledger stored; `wide` says that it was UTF-16.
    pub fn from_stored(bytes: &[u8], wide: bool) -> Self {
        if wide {
            Name::Units(
                bytes
                    .chunks_exact(2)
                    .map(|pair| u16::from_le_bytes([pair[0], pair[1]]))
                    .collect(),
            )
        } else {
            Name::Bytes(bytes.to_vec())
        }
    }

    /// Whether the name is held as UTF-16 units.
    pub fn is_wide(&self) -> bool {
        matches!(self, Name::Units(_))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn undecodable_parts_are_escaped_and_marked() {
        let n = Name::Bytes(b"caf\xe9.txt".to_vec());
        assert_eq!(n.text(), "caf%E9.txt");
        assert!(!n.is_text());
        assert_eq!(n.raw_hex(), "636166e92e747874");
        let w = Name::Units(vec![0x61, 0xd800, 0x62]);
        assert_eq!(w.text(), "a%uD800b");
        assert!(!w.is_text());
        assert_eq!(Name::from_stored(&w.stored(), true), w);
        assert!(Name::of("täst 100%.txt").is_text());
    }

    #[test]
    fn a_path_of_wide_names_is_text() {
        let wide = |text: &str| Name::Units(text.encode_utf16().collect());
        let told = |parts: &[&Name]| {
            let path = Name::joined(parts);
            (path.text(), path.raw())
        };
        assert_eq!(
            told(&[&wide("Users"), &wide("Zoë"), &wide("a.jpg")]),
            ("Users/Zoë/a.jpg".to_owned(), None)
        );
        let odd = Name::Units(vec![0xd800]);
        assert_eq!(
            told(&[&wide("a"), &odd]),
            ("a/%uD800".to_owned(), Some("61002f0000d8".to_owned()))
        );
        let bytes = Name::Bytes(vec![0xe9]);
        assert_eq!(
            told(&[&Name::of("a"), &bytes]),
            ("a/%E9".to_owned(), Some("612fe9".to_owned()))
        );
    }
}
