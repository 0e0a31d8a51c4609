//! Counters of the drive itself that move when somebody starts it or writes to it: a release
//! holds only while they stand still.
//!
//! Invariant: they are compared, never interpreted; a counter that is not told is `None` and
//! can prove nothing.

use super::health::ata_attribute::Attribute;
use super::health::pages::Pages;
use crate::value::Counter128;
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

/// The counters of one reading.
#[derive(Debug, Clone, Default, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub struct Counters {
    /// Times the drive was powered up.
    pub power_cycles: Option<Counter128>,
    /// Amount written by hosts, in `written_in`.
    pub written: Option<Counter128>,
    /// Unit of `written`: `data units` (NVMe, 512,000 bytes), `sectors`, `vendor units`, or empty.
    pub written_in: String,
}

impl Counters {
    /// Bytes written, where the unit of the counter is a standard's.
    pub fn written_bytes(&self) -> Option<Counter128> {
        let unit = match self.written_in.as_str() {
            "data units" => 512_000,
            _ => return None,
        };
        self.written
            .and_then(|written| written.0.checked_mul(unit))
            .map(Counter128)
    }

    /// Takes them from the pages: NVMe log 02h; device statistics page 01h, bytes 08h and 18h;
    /// else the vendor values 12 and 241.
    pub fn of(pages: &Pages) -> Self {
        let wide = |n: u64| Counter128(u128::from(n));
        if let Some(nvme) = &pages.nvme
            && nvme.health.sound
        {
            let written = nvme.health.counter("data_units_written").get();
            return Self {
                power_cycles: nvme.health.counter("power_cycles").get().map(Counter128),
                written: written.map(Counter128),
                written_in: unit(written.is_some(), "data units"),
            };
        }
        let Some(ata) = &pages.ata else {
            return Self::default();
        };
        let vendor = |id: u8, read: &dyn Fn(&Attribute) -> Option<u64>| {
            let rows = ata.smart.attributes.value().filter(|_| ata.smart.sound())?;
            rows.iter().find(|a| a.id == id).and_then(read)
        };
        let cycles = ata.statistics.count(0x01, 0x08).get();
        let sectors = ata.statistics.count(0x01, 0x18).get();
        let units = vendor(241, &Attribute::raw48);
        Self {
            power_cycles: cycles
                .or_else(|| vendor(12, &|a: &Attribute| a.low32().map(u64::from)))
                .map(wide),
            written: sectors.or(units).map(wide),
            written_in: match sectors {
                Some(_) => unit(true, "sectors"),
                None => unit(units.is_some(), "vendor units"),
            },
        }
    }

    /// What moved since `then`, in words; counters known on one side only are not compared, and neither are amounts in
    /// different units. One exception: NVMe says 0 for "not reported" (Base 2.0, log 02h, bytes 48 to 63), so an amount
    /// that begins to be told has moved.
    pub fn moved_since(&self, then: &Counters) -> Vec<String> {
        let mut moved = Vec::new();
        if let (Some(then), Some(now)) = (then.power_cycles, self.power_cycles)
            && then != now
        {
            moved.push(format!("power cycles: {} then, {} now", then.0, now.0));
        }
        if let (Some(old), Some(now)) = (then.written, self.written)
            && self.written_in == then.written_in
            && old != now
        {
            moved.push(format!(
                "written: {} {} then, {} now",
                old.0, self.written_in, now.0
            ));
        }
        if let (None, Some(now)) = (then.written, self.written)
            && then.power_cycles.is_some()
            && self.written_in == "data units"
        {
            moved.push(format!("written: none told then, {} data units now", now.0));
        }
        moved
    }
}

fn unit(known: bool, name: &str) -> String {
    if known {
        name.to_owned()
    } else {
        String::new()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn told(cycles: Option<u64>, written: Option<u64>, unit: &str) -> Counters {
        Counters {
            power_cycles: cycles.map(|n| Counter128(u128::from(n))),
            written: written.map(|n| Counter128(u128::from(n))),
            written_in: unit.into(),
        }
    }

    #[test]
    fn an_amount_that_begins_to_be_told_has_moved() {
        // NVM Express Base 2.0, figure 207: data units written, "a value of 0h indicates that it is not reported".
        let silent = told(Some(9), None, "");
        let moved = |now: Counters, then: &Counters| now.moved_since(then);
        assert_eq!(
            moved(told(Some(9), Some(3), "data units"), &silent),
            ["written: none told then, 3 data units now"]
        );
        assert!(moved(silent.clone(), &silent).is_empty());
        // A reading that told nothing at all is no zero, and other counters have no such rule.
        let unread = told(None, None, "");
        assert!(moved(told(Some(9), Some(3), "data units"), &unread).is_empty());
        assert!(moved(told(Some(9), Some(3), "sectors"), &silent).is_empty());
    }
}
