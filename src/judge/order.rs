//! What to copy first. With a constant hazard `lambda` of losing the drive, the expected worth
//! saved is greatest in falling order of `v e^(-lambda p) / (1 - e^(-lambda p))` (value v, copy
//! time p; weighted discounted completion time, Rothkopf 1966; Pinedo, Scheduling, chapter 3). As
//! lambda goes to 0 this becomes value per second (Smith's rule).
//!
//! Each item's key is computed from that item alone, so a ledger can order millions of rows by it
//! without holding them. Keys are whole numbers, smaller = earlier, made from the logarithm of
//! lambda times the index, so that neither a tiny hazard nor a long copy loses digits.
//!
//! Invariant: a key depends on nothing but its arguments, and no argument, however broken, gives
//! anything but a key (what cannot be valued goes last).

use crate::survey::item::Class;
use crate::value::Probability;

/// What an item of each class is worth, against the others.
///
/// The weights and the exponent are engineering judgement: a class is worth about a hundred of the
/// next, and worth grows with the square root of size, so that a long film counts for more than a
/// note without drowning a thousand pictures.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct ClassValues {
    /// One irreplaceable item of `unit_bytes`.
    pub irreplaceable: f64,
    /// One hard-to-replace item of that size.
    pub hard_to_replace: f64,
    /// One replaceable item of that size.
    pub replaceable: f64,
    /// One rebuildable item of that size.
    pub rebuildable: f64,
    /// Size up to which size does not matter, in bytes.
    pub unit_bytes: u64,
    /// Power by which worth grows beyond that size; 0 = not at all, 1 = in proportion.
    pub exponent: f64,
}

impl Default for ClassValues {
    fn default() -> Self {
        Self {
            irreplaceable: 10_000.0,
            hard_to_replace: 1_000.0,
            replaceable: 10.0,
            rebuildable: 0.1,
            unit_bytes: 65_536,
            exponent: 0.5,
        }
    }
}

impl ClassValues {
    /// The worth of one item.
    pub fn value(&self, class: Class, bytes: u64) -> f64 {
        let weight = match class {
            Class::Irreplaceable => self.irreplaceable,
            Class::HardToReplace => self.hard_to_replace,
            Class::Replaceable => self.replaceable,
            Class::Rebuildable => self.rebuildable,
        };
        let unit = self.unit_bytes.max(1) as f64;
        weight * (bytes as f64 / unit).max(1.0).powf(self.exponent)
    }
}

/// The shortest time that a copy is taken to need, seconds: keeps an empty file's key finite.
pub const SHORTEST_SECONDS: f64 = 1e-6;

/// The smallest hazard per second where items that endanger the drive compete with items that do
/// not; below it the order no longer changes.
const SMALLEST_LAMBDA: f64 = 1e-30;

/// Width of a bucket, as a logarithm of the index: items within about 28 % count as alike.
pub const BUCKET_WIDTH: f64 = 0.25;

/// Fixed-point scale of a key.
const SCALE: f64 = (1u64 << 32) as f64;

/// Seconds that copying an item takes.
pub fn seconds(bytes: u64, extents: u64, bytes_per_second: f64, seek_seconds: f64) -> f64 {
    let pace = if bytes_per_second.is_finite() && bytes_per_second >= 1.0 {
        bytes_per_second
    } else {
        1.0
    };
    let seek = if seek_seconds.is_finite() {
        seek_seconds.max(0.0)
    } else {
        0.0
    };
    bytes as f64 / pace + extents as f64 * seek
}

/// `ln(lambda * I)` of an item that the drive survives with certainty apart from `lambda`:
/// the logarithm of value per second when lambda is 0.
pub fn log_index(value: f64, seconds: f64, lambda: f64) -> f64 {
    log_index_of(
        value,
        seconds,
        lambda,
        Probability::new(1.0),
        Probability::new(0.0),
    )
}

/// The same with the item's own chances: `reads` = it reads clean, given a living drive; `kills` =
/// trying it kills the drive. `r = v s`, `pi = e^(-lambda p) (1 - d)`, index `r pi / (1 - pi)`
/// (unreliable job sequencing, Agnetis et al.; the two chances: derived).
pub fn log_index_of(
    value: f64,
    seconds: f64,
    lambda: f64,
    reads: Probability,
    kills: Probability,
) -> f64 {
    let worth = value * reads.get();
    if worth.is_nan() || worth <= 0.0 {
        return f64::NEG_INFINITY;
    }
    let p = if seconds.is_nan() {
        f64::INFINITY
    } else {
        seconds.max(SHORTEST_SECONDS)
    };
    let lambda = if lambda.is_finite() {
        lambda.max(0.0)
    } else {
        0.0
    };
    let d = kills.get();
    if p.is_infinite() || d >= 1.0 {
        return f64::NEG_INFINITY;
    }
    if d > 0.0 {
        let lambda = lambda.max(SMALLEST_LAMBDA);
        let y = lambda * p - (-d).ln_1p();
        // ln(lambda) + ln(worth) + ln(e^-y / (1 - e^-y))
        return lambda.ln() + worth.ln() - y - (-(-y).exp_m1()).ln();
    }
    let x = lambda * p;
    if x < 1e-12 {
        // lambda / (e^x - 1) = (1 - x/2 + ...) / p: value per second.
        return worth.ln() - p.ln();
    }
    lambda.ln() + worth.ln() - x - (-(-x).exp_m1()).ln()
}

/// `I = v e^(-lambda p) / (1 - e^(-lambda p))` itself, for showing; infinite when lambda is 0.
pub fn index(value: f64, seconds: f64, lambda: f64) -> f64 {
    value / (lambda * seconds).exp_m1()
}

/// Where an item stands in the order.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct Rank {
    /// Items of like index share a bucket; smaller = earlier. Within a bucket, a disk with moving
    /// heads takes physical order.
    pub bucket: i32,
    /// The exact key; smaller = earlier.
    pub key: i64,
}

impl Rank {
    /// What goes last.
    pub const LAST: Rank = Rank {
        bucket: i32::MAX,
        key: i64::MAX,
    };

    fn of(log: f64) -> Self {
        if log == f64::NEG_INFINITY || log.is_nan() {
            return Self::LAST;
        }
        // Casts saturate; one below the last keeps "worth nothing" behind "worth little".
        Self {
            bucket: ((-log / BUCKET_WIDTH).floor() as i32).min(i32::MAX - 1),
            key: ((-log * SCALE).round() as i64).min(i64::MAX - 1),
        }
    }
}

/// The rank of an item: `value` in any unit, `seconds` of copying, `lambda` per second.
pub fn key(value: f64, seconds: f64, lambda: f64) -> Rank {
    Rank::of(log_index(value, seconds, lambda))
}

/// Place of an item in the order of a disk with moving heads: bucket first, then position on the
/// drive; without moving heads the exact key decides.
pub fn place(rank: Rank, first_sector: u64, moving_heads: bool) -> (i64, u64) {
    if moving_heads {
        (i64::from(rank.bucket), first_sector)
    } else {
        (rank.key, first_sector)
    }
}

#[cfg(test)]
mod tests;
