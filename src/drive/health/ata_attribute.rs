//! One ATA attribute and what its raw bytes may be taken for. No standard defines ids,
//! units or packing; the habits used here are those seen on many drives.
//!
//! Invariant: all six raw bytes are kept; a count is only believed where the bytes can
//! hardly be anything else, and an unbelievable one is never turned into zero.

use super::page::{Then, hex};
use crate::value::Known;
use serde_json::{Value, json};

/// One used slot.
#[derive(Debug, Clone, PartialEq)]
pub struct Attribute {
    /// Place in the table, from 0.
    pub slot: usize,
    /// Vendor's id, never 0.
    pub id: u8,
    /// Flags: bit 0 pre-failure, bit 1 updated on-line.
    pub flags: u16,
    /// Normalised value now.
    pub current: u8,
    /// Lowest normalised value ever.
    pub worst: u8,
    /// Raw bytes as delivered, lowest address first.
    pub raw: [u8; 6],
    /// The drive's limit for the normalised value, matched by id.
    pub threshold: Known<u8>,
}

/// 0, FEh and FFh are no normalised values (absent or reserved).
fn normal(value: u8) -> Option<u8> {
    (1..=0xfd).contains(&value).then_some(value)
}

impl Attribute {
    /// Crossing its limit predicts loss; otherwise it tells of age or use.
    pub fn pre_failure(&self) -> bool {
        self.flags & 1 == 1
    }

    /// The low two raw bytes; all ones = absent.
    pub fn low16(&self) -> Option<u16> {
        let value = u16::from_le_bytes([self.raw[0], self.raw[1]]);
        (value != u16::MAX).then_some(value)
    }

    /// The low four raw bytes; all ones = absent.
    pub fn low32(&self) -> Option<u32> {
        let [a, b, c, d, ..] = self.raw;
        let value = u32::from_le_bytes([a, b, c, d]);
        (value != u32::MAX).then_some(value)
    }

    /// All six raw bytes as one little-endian number; all ones = absent. Never a count by itself.
    pub fn raw48(&self) -> Option<u64> {
        let [a, b, c, d, e, f] = self.raw;
        let value = u64::from_le_bytes([a, b, c, d, e, f, 0, 0]);
        (value != (1 << 48) - 1).then_some(value)
    }

    fn limit(&self) -> Option<u8> {
        self.threshold.get().and_then(normal)
    }

    /// Whether the value is at or below its limit now; `None` = no comparison is defined.
    pub fn crossed_now(&self) -> Option<bool> {
        Some(normal(self.current)? <= self.limit()?)
    }

    /// Whether it is or ever was at or below its limit; `None` = no comparison is defined.
    pub fn crossed_ever(&self) -> Option<bool> {
        let limit = self.limit()?;
        match (normal(self.current), normal(self.worst)) {
            (None, None) => None,
            (now, worst) => {
                Some(now.is_some_and(|v| v <= limit) || worst.is_some_and(|v| v <= limit))
            }
        }
    }

    /// Whether the normalised value still stands at one of the usual starting values.
    fn at_its_top(&self) -> bool {
        matches!(self.current, 100 | 200 | 252..=255 | 0)
    }

    /// "now / lowest ever / the drive's limit / bytes as delivered".
    pub fn in_words(&self) -> String {
        let limit = self
            .threshold
            .get()
            .map_or_else(|| "-".to_owned(), |t| t.to_string());
        format!(
            "{} / {} / {limit} / {}",
            self.current,
            self.worst,
            hex(&self.raw)
        )
    }

    /// The row of the interface.
    pub fn json(&self) -> Value {
        json!({
            "id": self.id, "flags": self.flags, "current": self.current, "worst": self.worst,
            "raw": hex(&self.raw), "threshold": self.threshold.get(),
        })
    }

    fn odd(&self, expected: &str) -> Known<u64> {
        Known::Implausible {
            raw: format!("bytes {} as delivered, {expected}", hex(&self.raw)),
        }
    }

    /// A count of sectors (ids 5, 197, 198): low 32 bits; the two top bytes may hold other data.
    /// A count of 65,536 and more is believed only when the normalised value has fallen with it:
    /// otherwise bytes 2-3 are packed data of another kind, and the count is not known.
    pub fn sectors(&self, capacity: Option<u64>) -> Known<u64> {
        let (Some(low16), Some(low32)) = (self.low16(), self.low32()) else {
            return self.odd("all ones: no count");
        };
        if self.raw48().is_none() {
            return self.odd("all ones: no count");
        }
        let count = u64::from(low32);
        if u32::from(low16) == low32 {
            return Known::Value(count).then(|count| match capacity {
                Some(capacity) if count > capacity => self.odd("more sectors than the drive has"),
                _ => Known::Value(count),
            });
        }
        match capacity {
            Some(capacity) if count > capacity => self.odd("more sectors than the drive has"),
            _ if self.at_its_top() => self.odd("no believable count of sectors"),
            _ => Known::Value(count),
        }
    }

    /// A count of events that some makers pack as three 16-bit fields (ids 187, 188): the low
    /// field; where only the others hold something, the count is not known.
    pub fn events16(&self) -> Known<u64> {
        let Some(low16) = self.low16() else {
            return Known::NotReported;
        };
        if low16 == 0 && self.raw != [0; 6] {
            return self.odd("fields beside an empty count");
        }
        Known::Value(u64::from(low16))
    }

    /// A plain count (id 199): low 32 bits.
    pub fn count32(&self) -> Known<u64> {
        match (self.low32(), self.raw48()) {
            (Some(low32), Some(_)) => Known::Value(u64::from(low32)),
            _ => Known::NotReported,
        }
    }

    /// Hours powered on (id 9), low 32 bits. The unit is the maker's own (hours, minutes,
    /// half-minutes, seconds), so only a number that can hardly be another unit is claimed:
    /// at most ten years (engineering judgement; beyond, minutes are likelier), not below one
    /// hundredth of the `power_cycles`, not earlier than `stamp`, the latest hour that the drive's own logs
    /// mention.
    pub fn hours(&self, power_cycles: Option<u64>, stamp: Option<u64>) -> Known<u64> {
        const TEN_YEARS: u64 = 87_660;
        let Some(low32) = self.low32() else {
            return Known::NotReported;
        };
        let hours = u64::from(low32);
        if hours > TEN_YEARS {
            return self.odd("unit unknown: no believable hours");
        }
        if power_cycles.is_some_and(|cycles| hours < cycles / 100) {
            return self.odd("unit unknown: too few hours for the power cycles");
        }
        if stamp.is_some_and(|stamp| hours < stamp) {
            return self.odd("unit unknown: the drive's own logs are stamped later");
        }
        Known::Value(hours)
    }

    /// Degrees Celsius (ids 194, 190): the lowest byte; the others hold extremes in several
    /// packings. Believed between -15 and 100.
    pub fn celsius(&self) -> Known<i16> {
        if self.raw == [0; 6] || self.raw == [0xff; 6] {
            return Known::NotReported;
        }
        let tenths = matches!(self.raw, [_, 1..=3, 0, 0, 0, 0]);
        // A byte above 7Fh is below zero.
        let celsius = i16::from(self.raw[0] as i8);
        if tenths || !(-15..=100).contains(&celsius) {
            return Known::Implausible {
                raw: format!(
                    "bytes {} as delivered, no believable temperature",
                    hex(&self.raw)
                ),
            };
        }
        Known::Value(celsius)
    }
}

/// What all slots with `id` say together: absent id = not reported; of doubles the worse
/// (the higher count) is taken, and an unbelievable one outweighs a zero.
pub fn worst_of(
    attributes: &Known<Vec<Attribute>>,
    id: u8,
    read: impl Fn(&Attribute) -> Known<u64>,
) -> Known<u64> {
    attributes.clone().then(|attributes| {
        attributes
            .iter()
            .filter(|a| a.id == id)
            .map(read)
            .reduce(|a, b| match (a, b) {
                (Known::Value(a), Known::Value(b)) => Known::Value(a.max(b)),
                (Known::Value(0), odd @ Known::Implausible { .. })
                | (odd @ Known::Implausible { .. }, Known::Value(0)) => odd,
                (a, b) => a.or(b),
            })
            .unwrap_or(Known::NotReported)
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    fn attribute(id: u8, current: u8, raw: [u8; 6]) -> Attribute {
        Attribute {
            slot: 0,
            id,
            flags: 0x33,
            current,
            worst: current,
            raw,
            threshold: Known::Value(36),
        }
    }

    // The raw bytes below are those of captured drives of 2000 to 2009.

    #[test]
    fn upper_bytes_are_no_part_of_the_remapped_count() {
        let a = attribute(5, 100, [0, 0, 0, 0, 0xd0, 0x07]);
        assert_eq!(a.sectors(Some(78_140_160)), Known::Value(0));
        let a = attribute(5, 98, [0x18, 0x0a, 0, 0, 0, 0]);
        assert_eq!(a.sectors(Some(1_953_525_168)), Known::Value(2584));
    }

    #[test]
    fn all_ones_are_no_count_and_never_zero() {
        for raw in [
            [0xff; 6],
            [0xff, 0xff, 0, 0, 0, 0],
            [0xff, 0xff, 0xff, 0xff, 0, 0],
        ] {
            let count = attribute(197, 100, raw).sectors(None);
            assert!(matches!(count, Known::Implausible { .. }), "{count:?}");
        }
        assert_eq!(
            attribute(187, 100, [0xff; 6]).events16(),
            Known::NotReported
        );
        assert_eq!(attribute(194, 100, [0xff; 6]).celsius(), Known::NotReported);
    }

    #[test]
    fn what_is_no_count_of_sectors_is_unknown() {
        // Bytes 2-3 hold something while the normalised value never moved.
        let a = attribute(197, 100, [0, 0, 0x12, 0, 0, 0]);
        assert!(matches!(
            a.sectors(Some(78_140_160)),
            Known::Implausible { .. }
        ));
        // A real count of that size has pulled the value down.
        let a = attribute(197, 41, [0x70, 0x11, 0x01, 0, 0, 0]);
        assert_eq!(a.sectors(Some(78_140_160)), Known::Value(70_000));
        let a = attribute(197, 41, [0, 0, 0, 0x70, 0, 0]);
        assert!(matches!(
            a.sectors(Some(78_140_160)),
            Known::Implausible { .. }
        ));
    }

    #[test]
    fn minutes_are_not_claimed_as_hours() {
        // 129,691 minutes = 2,161 h on a notebook drive.
        let raw = [0x9b, 0xfa, 0x01, 0, 0, 0];
        assert_eq!(attribute(9, 79, raw).low32(), Some(129_691));
        assert!(matches!(
            attribute(9, 79, raw).hours(Some(1_200), None),
            Known::Implausible { .. }
        ));
        let hours = attribute(9, 68, [0x2a, 0x6e, 0, 0, 0xd1, 0x12]);
        assert_eq!(hours.hours(Some(1_012), Some(28_202)), Known::Value(28_202));
        assert!(hours.hours(Some(1_012), Some(28_203)).get().is_none());
        assert!(hours.hours(Some(2_820_300), None).get().is_none());
    }

    #[test]
    fn temperature_is_the_lowest_byte() {
        let a = attribute(194, 117, [0x22, 0x00, 0xff, 0xff, 0x2f, 0x00]);
        assert_eq!(a.celsius(), Known::Value(34));
        let a = attribute(190, 69, [0x1f, 0x00, 0x1f, 0x1f, 0, 0]);
        assert_eq!(a.celsius(), Known::Value(31));
        let tenths = attribute(194, 100, [0x36, 0x01, 0, 0, 0, 0]);
        assert!(tenths.celsius().get().is_none());
        assert_eq!(
            attribute(194, 100, [0xfb, 0, 0, 0, 0, 0]).celsius(),
            Known::Value(-5)
        );
        assert_eq!(attribute(194, 0, [0; 6]).celsius(), Known::NotReported);
    }

    #[test]
    fn packed_event_counts_use_the_low_field() {
        let a = attribute(188, 100, [3, 0, 3, 0, 5, 0]);
        assert_eq!(a.events16(), Known::Value(3));
        let a = attribute(188, 100, [0, 0, 3, 0, 5, 0]);
        assert!(a.events16().get().is_none());
    }

    #[test]
    fn limits_compare_only_real_values() {
        let mut a = attribute(10, 36, [0; 6]);
        assert_eq!(a.crossed_now(), Some(true), "equality crosses");
        for absent in [0, 0xfe, 0xff] {
            a.threshold = Known::Value(absent);
            assert_eq!(a.crossed_now(), None);
            a.threshold = Known::Value(36);
            a.current = absent;
            assert_eq!(a.crossed_now(), None);
            a.current = 36;
        }
        a.current = 80;
        a.worst = 30;
        assert_eq!(
            (a.crossed_now(), a.crossed_ever()),
            (Some(false), Some(true))
        );
        a.worst = 0;
        assert_eq!(a.crossed_ever(), Some(false));
    }

    #[test]
    fn doubles_are_judged_by_the_worse_and_absent_is_absent() {
        let rows = Known::Value(vec![
            attribute(5, 100, [0; 6]),
            attribute(5, 100, [7, 0, 0, 0, 0, 0]),
        ]);
        let sectors = |a: &Attribute| a.sectors(None);
        assert_eq!(worst_of(&rows, 5, sectors), Known::Value(7));
        assert_eq!(worst_of(&rows, 197, sectors), Known::NotReported);
        let odd = Known::Value(vec![
            attribute(5, 100, [0; 6]),
            attribute(5, 100, [0, 0, 9, 0, 0, 0]),
        ]);
        assert!(worst_of(&odd, 5, sectors).get().is_none());
    }
}
