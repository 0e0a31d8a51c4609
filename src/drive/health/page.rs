//! One page as a device sent it: its bytes and how it arrived, with getters that give a
//! value only where bytes were really delivered.
//!
//! Invariant: a blank page (all zero or all ones), a refused one and the missing tail of a
//! truncated one give no value; nothing is padded.

use crate::drive::question::Reply;
use crate::value::Known;

/// How a page arrived.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum PageState {
    /// Exactly as long as the standard says.
    Whole,
    /// Longer than the standard says; the surplus is not looked at.
    OverLong {
        /// Bytes beyond the page.
        extra: usize,
    },
    /// Shorter than the standard says: the tail is unknown.
    Truncated {
        /// Bytes delivered.
        got: usize,
    },
    /// Nothing but zero bytes: the device has nothing to say here (a missing log page of
    /// an ATA drive comes back like this, not as an error).
    AllZero,
    /// Nothing but FFh bytes: no data arrived.
    AllOnes,
    /// The device or the recording has no such page.
    NotReported,
    /// Asking failed.
    Unread {
        /// Why.
        why: String,
    },
}

impl PageState {
    /// One word for the JSON output.
    pub fn word(&self) -> &'static str {
        match self {
            PageState::Whole => "whole",
            PageState::OverLong { .. } => "over-long",
            PageState::Truncated { .. } => "truncated",
            PageState::AllZero => "all-zero",
            PageState::AllOnes => "all-ones",
            PageState::NotReported => "not-reported",
            PageState::Unread { .. } => "could-not-be-read",
        }
    }
}

/// The bytes of one page and how they arrived.
#[derive(Debug, Clone)]
pub struct Page<'a> {
    bytes: &'a [u8],
    state: PageState,
    expected: usize,
}

impl<'a> Page<'a> {
    /// A page that must be `expected` bytes long.
    pub fn of(bytes: &'a [u8], expected: usize) -> Self {
        let state = match blank(bytes) {
            Some(state) => state,
            None if bytes.len() < expected => PageState::Truncated { got: bytes.len() },
            None if bytes.len() > expected => PageState::OverLong {
                extra: bytes.len() - expected,
            },
            None => PageState::Whole,
        };
        Self {
            bytes: bytes.get(..expected).unwrap_or(bytes),
            state,
            expected,
        }
    }

    /// A page of variable length that must hold at least `least` bytes.
    pub fn at_least(bytes: &'a [u8], least: usize) -> Self {
        Self::of(bytes, bytes.len().max(least))
    }

    /// The page in a reply; a reply without bytes keeps its own state.
    pub fn from_reply(reply: &'a Reply, expected: usize) -> Self {
        match reply {
            Reply::Bytes(bytes) => Self::of(bytes, expected),
            other => Self::absent(other, expected),
        }
    }

    /// The page of variable length in a reply.
    pub fn variable(reply: &'a Reply, least: usize) -> Self {
        match reply {
            Reply::Bytes(bytes) => Self::at_least(bytes, least),
            other => Self::absent(other, least),
        }
    }

    fn absent(reply: &Reply, expected: usize) -> Self {
        let state = match reply {
            Reply::Unread(why) => PageState::Unread { why: why.clone() },
            Reply::NotReported | Reply::Bytes(_) => PageState::NotReported,
        };
        Self {
            bytes: &[],
            state,
            expected,
        }
    }

    /// How it arrived.
    pub fn state(&self) -> &PageState {
        &self.state
    }

    /// Whether every byte of the page was delivered and it is not blank.
    pub fn sound(&self) -> bool {
        matches!(self.state, PageState::Whole | PageState::OverLong { .. })
    }

    /// Whether some bytes with content were delivered.
    pub fn has_content(&self) -> bool {
        self.sound() || matches!(self.state, PageState::Truncated { .. })
    }

    /// The delivered bytes of the page, cut to its length; empty when blank or absent.
    pub fn content(&self) -> &'a [u8] {
        if self.has_content() { self.bytes } else { &[] }
    }

    /// What a field is whose bytes are not there, in this page's state.
    pub fn missing<T>(&self) -> Known<T> {
        match &self.state {
            PageState::NotReported | PageState::AllZero => Known::NotReported,
            PageState::AllOnes => Known::Unread {
                why: "the answer holds nothing but one bits".to_owned(),
            },
            PageState::Unread { why } => Known::Unread { why: why.clone() },
            PageState::Whole | PageState::OverLong { .. } | PageState::Truncated { .. } => {
                Known::Unread {
                    why: format!(
                        "the answer ended after {} of {} bytes",
                        self.bytes.len(),
                        self.expected
                    ),
                }
            }
        }
    }

    /// `bytes` bytes from `at`.
    pub fn slice(&self, at: usize, bytes: usize) -> Known<&'a [u8]> {
        let end = at.saturating_add(bytes);
        match self.content().get(at..end) {
            Some(found) => Known::Value(found),
            None => self.missing(),
        }
    }

    /// `N` bytes from `at`.
    pub fn array<const N: usize>(&self, at: usize) -> Known<[u8; N]> {
        match self.slice(at, N) {
            Known::Value(bytes) => match bytes.try_into() {
                Ok(array) => Known::Value(array),
                Err(_) => self.missing(),
            },
            _ => self.missing(),
        }
    }

    /// One byte.
    pub fn byte(&self, at: usize) -> Known<u8> {
        self.array::<1>(at).map(|[b]| b)
    }

    /// Two bytes, little-endian.
    pub fn le16(&self, at: usize) -> Known<u16> {
        self.array(at).map(u16::from_le_bytes)
    }

    /// Four bytes, little-endian.
    pub fn le32(&self, at: usize) -> Known<u32> {
        self.array(at).map(u32::from_le_bytes)
    }

    /// Eight bytes, little-endian.
    pub fn le64(&self, at: usize) -> Known<u64> {
        self.array(at).map(u64::from_le_bytes)
    }

    /// Sixteen bytes, little-endian.
    pub fn le128(&self, at: usize) -> Known<u128> {
        self.array(at).map(u128::from_le_bytes)
    }

    /// Two bytes, big-endian.
    pub fn be16(&self, at: usize) -> Known<u16> {
        self.array(at).map(u16::from_be_bytes)
    }

    /// Text padded with spaces or NUL bytes, as delivered. Empty = not reported.
    pub fn text(&self, at: usize, bytes: usize) -> Known<String> {
        self.slice(at, bytes).then(text)
    }

    /// Text with the two characters of each 16-bit word exchanged, as ATA keeps it.
    pub fn swapped_text(&self, at: usize, bytes: usize) -> Known<String> {
        self.slice(at, bytes).then(|raw| {
            let mut swapped = raw.to_vec();
            swapped.chunks_exact_mut(2).for_each(|pair| pair.swap(0, 1));
            text(&swapped)
        })
    }

    /// Whether the bytes of the (whole) page add up to zero modulo 256.
    pub fn sums_to_zero(&self) -> Known<bool> {
        if self.sound() {
            let sum = self.bytes.iter().fold(0u8, |sum, b| sum.wrapping_add(*b));
            Known::Value(sum == 0)
        } else {
            self.missing()
        }
    }
}

/// `Some` when every byte is 00h or every byte is FFh.
fn blank(bytes: &[u8]) -> Option<PageState> {
    if bytes.is_empty() {
        return Some(PageState::Unread {
            why: "the answer was empty".to_owned(),
        });
    }
    if bytes.iter().all(|b| *b == 0) {
        return Some(PageState::AllZero);
    }
    bytes
        .iter()
        .all(|b| *b == 0xff)
        .then_some(PageState::AllOnes)
}

/// Device text: padding cut on both ends, bytes outside printable ASCII written as `\xNN`.
fn text(raw: &[u8]) -> Known<String> {
    let pad = |b: &u8| *b == b' ' || *b == 0;
    let start = raw.iter().position(|b| !pad(b));
    let end = raw.iter().rposition(|b| !pad(b));
    let (Some(start), Some(end)) = (start, end) else {
        return Known::NotReported;
    };
    let kept = raw.get(start..=end).unwrap_or_default();
    if kept.iter().all(|b| *b == 0xff) {
        return Known::NotReported;
    }
    let mut out = String::with_capacity(kept.len());
    for byte in kept {
        if (0x20..0x7f).contains(byte) {
            out.push(char::from(*byte));
        } else {
            out.push_str(&format!("\\x{byte:02x}"));
        }
    }
    Known::Value(out)
}

/// Lower-case hex, lowest address first.
pub fn hex(bytes: &[u8]) -> String {
    bytes.iter().map(|b| format!("{b:02x}")).collect()
}

/// Chaining of values that may not be known.
pub trait Then<T> {
    /// Applies `f` to a known value; every other state stays.
    fn then<U>(self, f: impl FnOnce(T) -> Known<U>) -> Known<U>;
    /// Keeps a known value only if `ok`; otherwise it is implausible, shown as `raw`.
    fn plausible_if(self, ok: impl FnOnce(&T) -> bool, raw: impl FnOnce(&T) -> String) -> Known<T>;
    /// Turns a known value into *not reported* where `absent` says that it stands for nothing.
    fn absent_if(self, absent: impl FnOnce(&T) -> bool) -> Known<T>;
    /// This value, or `other` when this one is not known; keeps the better-founded reason.
    fn or(self, other: Known<T>) -> Known<T>;
}

impl<T> Then<T> for Known<T> {
    fn then<U>(self, f: impl FnOnce(T) -> Known<U>) -> Known<U> {
        match self {
            Known::Value(v) => f(v),
            Known::NotReported => Known::NotReported,
            Known::Implausible { raw } => Known::Implausible { raw },
            Known::Unread { why } => Known::Unread { why },
        }
    }

    fn plausible_if(self, ok: impl FnOnce(&T) -> bool, raw: impl FnOnce(&T) -> String) -> Known<T> {
        self.then(|v| {
            if ok(&v) {
                Known::Value(v)
            } else {
                Known::Implausible { raw: raw(&v) }
            }
        })
    }

    fn absent_if(self, absent: impl FnOnce(&T) -> bool) -> Known<T> {
        self.then(|v| {
            if absent(&v) {
                Known::NotReported
            } else {
                Known::Value(v)
            }
        })
    }

    fn or(self, other: Known<T>) -> Known<T> {
        match (self, other) {
            (Known::Value(v), _) => Known::Value(v),
            (_, Known::Value(v)) => Known::Value(v),
            (Known::NotReported, other) => other,
            (own, _) => own,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn each_kind_of_damage_is_its_own_outcome() {
        assert_eq!(Page::of(&[1; 8], 8).state(), &PageState::Whole);
        assert_eq!(
            Page::of(&[1; 9], 8).state(),
            &PageState::OverLong { extra: 1 }
        );
        assert_eq!(
            Page::of(&[1; 7], 8).state(),
            &PageState::Truncated { got: 7 }
        );
        assert_eq!(Page::of(&[0; 8], 8).state(), &PageState::AllZero);
        assert_eq!(Page::of(&[0xff; 8], 8).state(), &PageState::AllOnes);
        assert_eq!(Page::of(&[], 8).state().word(), "could-not-be-read");
    }

    #[test]
    fn blank_and_missing_bytes_give_no_value() {
        assert_eq!(Page::of(&[0; 8], 8).le16(0), Known::NotReported);
        assert!(matches!(
            Page::of(&[0xff; 8], 8).byte(0),
            Known::Unread { .. }
        ));
        let cut = [7u8, 0, 1];
        let page = Page::of(&cut, 8);
        assert_eq!(page.le16(0), Known::Value(7));
        assert_eq!(
            page.le16(2),
            Known::Unread {
                why: "the answer ended after 3 of 8 bytes".into()
            }
        );
        assert!(page.sums_to_zero().get().is_none());
        assert!(page.slice(usize::MAX, 2).get().is_none());
    }

    #[test]
    fn hostile_text_is_escaped_data() {
        let page = Page::of(b"  a\x1b[2J\n b \0\0", 13);
        assert_eq!(
            page.text(0, 13),
            Known::Value("a\\x1b[2J\\x0a b".to_owned())
        );
        assert_eq!(
            Page::of(b"XEMALP E", 8).swapped_text(0, 8),
            Known::Value("EXAMPLE".to_owned())
        );
    }
}
