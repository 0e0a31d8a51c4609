//! Patterns of class rules: paths by parts, without case.
//!
//! Invariant: matching one name costs no more than its length times the pattern's, whatever both hold.

use super::item::Kind;

/// One pattern, taken apart.
#[derive(Debug)]
pub(super) struct Pattern {
    /// Number of its rule.
    pub(super) rule: u16,
    /// Its parts, in order.
    pub(super) parts: Vec<Part>,
}

/// One part of a pattern.
#[derive(Debug)]
pub(super) enum Part {
    /// Exactly this, in lower case.
    Literal(Box<str>),
    /// With `*` and `?`, in lower case.
    Glob(Box<str>),
    /// Any one part.
    Any,
    /// Any number of parts.
    Deep,
}

impl Pattern {
    /// From parts in lower case; `floating`: may begin at any depth.
    pub(super) fn new(rule: u16, floating: bool, parts: &[String]) -> Self {
        let deep = floating && parts.first().is_some_and(|part| part != "**");
        let parts = parts.iter().map(|part| match part.as_str() {
            "**" => Part::Deep,
            "*" => Part::Any,
            part if part.contains(['*', '?']) => Part::Glob(part.into()),
            part => Part::Literal(part.into()),
        });
        Self {
            rule,
            parts: deep
                .then_some(Part::Deep)
                .into_iter()
                .chain(parts)
                .collect(),
        }
    }
}

/// Whether `rest` is used up by `name`. A pattern that covers a folder's content covers the folder, too.
pub(super) fn ends(rest: &[Part], name: &str, kind: Kind) -> bool {
    match rest {
        [Part::Deep, after @ ..] => ends(after, name, kind),
        [last] => last.matches(name),
        [last, Part::Deep] => kind == Kind::Folder && last.matches(name),
        _ => false,
    }
}

impl Part {
    /// Whether one name fits.
    pub(super) fn matches(&self, name: &str) -> bool {
        match self {
            Part::Any | Part::Deep => true,
            Part::Literal(wanted) => {
                if name.is_ascii() {
                    wanted.eq_ignore_ascii_case(name)
                } else {
                    !wanted.is_ascii() && **wanted == *name.to_lowercase()
                }
            }
            Part::Glob(pattern) => {
                if name.is_ascii() {
                    glob(pattern.as_bytes(), name.as_bytes())
                } else {
                    glob(pattern.as_bytes(), name.to_lowercase().as_bytes())
                }
            }
        }
    }
}

/// `*` any bytes, `?` one byte; the pattern is in lower case, ASCII letters of the name are folded. Linear but for the
/// last `*`, so no name can make it slow.
fn glob(pattern: &[u8], name: &[u8]) -> bool {
    let (mut p, mut n) = (0, 0);
    let mut retry: Option<(usize, usize)> = None;
    while let Some(byte) = name.get(n) {
        match pattern.get(p) {
            Some(b'*') => {
                retry = Some((p, n));
                p += 1;
            }
            Some(wanted) if *wanted == b'?' || *wanted == byte.to_ascii_lowercase() => {
                p += 1;
                n += 1;
            }
            _ => match retry.as_mut() {
                Some((star, from)) => {
                    *from += 1;
                    n = *from;
                    p = *star + 1;
                }
                None => return false,
            },
        }
    }
    pattern
        .get(p..)
        .unwrap_or_default()
        .iter()
        .all(|byte| *byte == b'*')
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn globs_match_within_a_part() {
        for (pattern, name, want) in [
            ("*.pst", "A.PST", true),
            ("ntuser.dat*", "NTUSER.DAT", true),
            ("s-*-*", "S-1-5", true),
            ("a?c", "abc", true),
            ("a?c", "ac", false),
            ("*a*a*a*b", "aaaaaaaaaaaaaaaaaaaaaaaaaaaa", false),
            ("*", "", true),
        ] {
            assert_eq!(
                glob(pattern.as_bytes(), name.as_bytes()),
                want,
                "{pattern} {name}"
            );
        }
    }
}
