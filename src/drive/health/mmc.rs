//! eMMC life time estimates and pre-end-of-life information (EXT_CSD 267 to 269, JESD84-B51,
//! 7.4, from memory), as the kernel prints them: "0x01 0x02" and "0x01".
//!
//! Invariant: 00h is "not defined" (cards older than eMMC 5.0 have the files and nothing in them), never "new".

use super::field::Fields;
use super::page::Then;
use crate::drive::question::Reply;
use crate::value::Known;

/// What an eMMC says of its wear.
#[derive(Debug, Clone, PartialEq)]
pub struct Wear {
    /// Area of single-level cells: 01h = 0 to 10 % used, ... 0Ah = 90 to 100 %, 0Bh = beyond.
    pub life_time_a: Known<u8>,
    /// Area of multi-level cells, the same steps.
    pub life_time_b: Known<u8>,
    /// 01h normal, 02h 80 % of the spare blocks used, 03h urgent (90 %).
    pub pre_eol: Known<u8>,
}

impl Wear {
    /// Decodes both texts.
    pub fn decode(life_time: &Reply, pre_eol: &Reply) -> Self {
        Self {
            life_time_a: word(life_time, 0, 0x0b),
            life_time_b: word(life_time, 1, 0x0b),
            pre_eol: word(pre_eol, 0, 0x03),
        }
    }

    /// Upper edge of the worse of the two estimates, percent; 110 = beyond the rated life.
    pub fn spent_percent(&self) -> Known<u32> {
        let edge = |step: &Known<u8>| step.clone().map(|s| u32::from(s) * 10);
        match (self.life_time_a.get(), self.life_time_b.get()) {
            (Some(a), Some(b)) => Known::Value(u32::from(a.max(b)) * 10),
            _ => edge(&self.life_time_a).or(edge(&self.life_time_b)),
        }
    }

    /// Whether anything about health was told.
    pub fn sound(&self) -> bool {
        self.spent_percent().value().is_some() || self.pre_eol.value().is_some()
    }

    /// The fields for JSON.
    pub fn fields(&self) -> Fields {
        let mut f = Fields::default();
        f.put("device_life_time_est_typ_a", &self.life_time_a);
        f.put("device_life_time_est_typ_b", &self.life_time_b);
        f.put("pre_eol_info", &self.pre_eol);
        f
    }
}

/// The `n`-th "0xNN" of the text.
fn word(reply: &Reply, n: usize, most: u8) -> Known<u8> {
    let bytes = match reply {
        Reply::Bytes(bytes) => bytes,
        Reply::NotReported => return Known::NotReported,
        Reply::Unread(why) => return Known::Unread { why: why.clone() },
    };
    let text = String::from_utf8_lossy(bytes);
    let Some(part) = text.split_whitespace().nth(n) else {
        return Known::NotReported;
    };
    let digits = part.strip_prefix("0x").or_else(|| part.strip_prefix("0X"));
    match digits.and_then(|d| u8::from_str_radix(d, 16).ok()) {
        Some(0) => Known::NotReported,
        Some(value) if value <= most => Known::Value(value),
        _ => Known::Implausible {
            raw: part
                .chars()
                .take(16)
                .flat_map(char::escape_default)
                .collect(),
        },
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn wear(life: &str, eol: &str) -> Wear {
        Wear::decode(
            &Reply::Bytes(life.as_bytes().to_vec()),
            &Reply::Bytes(eol.as_bytes().to_vec()),
        )
    }

    #[test]
    fn steps_become_their_upper_edge() {
        let w = wear("0x01 0x0b\n", "0x03\n");
        assert_eq!(w.spent_percent(), Known::Value(110));
        assert_eq!(w.pre_eol, Known::Value(3));
        assert_eq!(wear("0x02 0x00", "0x01").spent_percent(), Known::Value(20));
    }

    #[test]
    fn undefined_is_never_new() {
        let w = wear("0x00 0x00\n", "0x00\n");
        assert!(!w.sound());
        assert_eq!(w.spent_percent(), Known::NotReported);
        for garbage in ["", "x", "0x0c 0xff", "0x100", "\u{1b}[2J"] {
            assert!(!wear(garbage, garbage).sound(), "{garbage:?}");
        }
    }
}
