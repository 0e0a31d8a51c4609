//! Sampling the read speed: gentle, bounded, spread over the drive; stops at the first trouble.
//!
//! Invariant: never with a bad symptom; never more than [`PLACES`] requests; a sample that met
//! trouble gives no pace, because half a truth about a weak drive is none.

use crate::port::{Clock, FaultKind, Sectors};

/// Requests at most.
pub const PLACES: u64 = 16;
/// Bytes of each.
const BYTES: usize = 1 << 20;
/// One request that takes longer than this ends the sample (engineering judgement: a healthy disk answers 1 MiB within 50 ms).
const STALL_NANOSECONDS: u64 = 1_000_000_000;

/// What a sample came to.
#[derive(Debug, Clone, PartialEq)]
pub struct Sample {
    /// Bytes per second, the median over the places; `None` = trouble was met, or the drive is too small to say.
    pub bytes_per_second: Option<f64>,
    /// Requests made.
    pub places: u64,
    /// What ended it early, in words.
    pub trouble: Option<String>,
    /// What that was.
    pub met: Met,
}

/// What a sample met.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Met {
    /// Nothing, or something that says nothing about the drive (permission).
    Nothing,
    /// A place that did not read.
    Error,
    /// A place that took too long: its pace, and that of the places before it, in bytes per second.
    Stall(f64, Option<f64>),
    /// The drive went away.
    Gone,
}

/// Takes a sample.
pub fn sample(sectors: &dyn Sectors, clock: &dyn Clock) -> Sample {
    let bytes = sectors.bytes();
    let mut out = Sample {
        bytes_per_second: None,
        places: 0,
        trouble: None,
        met: Met::Nothing,
    };
    if bytes < PLACES * BYTES as u64 {
        return out;
    }
    let mut buf = vec![0u8; BYTES];
    let mut paces = Vec::new();
    for n in 0..PLACES {
        // Odd steps between start and end, on whole MiB, so that inner and outer tracks count alike.
        let at = (u128::from(bytes - BYTES as u64) * u128::from(2 * n + 1) / u128::from(2 * PLACES))
            as u64
            & !(BYTES as u64 - 1);
        let begun = clock.ticks();
        let outcome = sectors.read_at(at, &mut buf);
        let took = clock.ticks().saturating_sub(begun);
        out.places += 1;
        match outcome {
            Err(fault) => {
                out.met = match fault.kind {
                    FaultKind::Refused | FaultKind::NoAnswer => Met::Error,
                    FaultKind::Gone => Met::Gone,
                    _ => Met::Nothing,
                };
                out.trouble = Some(match fault.kind {
                    FaultKind::NoAnswer => format!("no answer at byte {at}"),
                    _ => fault.to_string(),
                });
                return out;
            }
            Ok(()) if took > STALL_NANOSECONDS => {
                out.met = Met::Stall(BYTES as f64 * 1e9 / took as f64, median(&mut paces));
                out.trouble = Some(format!(
                    "reading 1 MiB at byte {at} took {:.1} s",
                    took as f64 / 1e9
                ));
                return out;
            }
            Ok(()) => paces.push(BYTES as f64 * 1e9 / took.max(1) as f64),
        }
    }
    out.bytes_per_second = median(&mut paces);
    out
}

fn median(paces: &mut [f64]) -> Option<f64> {
    paces.sort_by(f64::total_cmp);
    paces.get(paces.len() / 2).copied()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::port::Fault;
    use crate::value::Moment;
    use std::sync::atomic::{AtomicU64, Ordering};

    struct Slow<'a> {
        clock: &'a Ticking,
        nanoseconds: u64,
        bad_from: u64,
    }

    #[derive(Default)]
    struct Ticking(AtomicU64);

    impl Clock for Ticking {
        fn now(&self) -> Moment {
            Moment::from_seconds(0)
        }
        fn ticks(&self) -> u64 {
            self.0.load(Ordering::Relaxed)
        }
        fn rest(&self, nanoseconds: u64) {
            self.0.fetch_add(nanoseconds, Ordering::Relaxed);
        }
    }

    impl Sectors for Slow<'_> {
        fn sector_bytes(&self) -> u32 {
            512
        }
        fn bytes(&self) -> u64 {
            1 << 30
        }
        fn read_at(&self, at: u64, _: &mut [u8]) -> Result<(), Fault> {
            self.clock.rest(self.nanoseconds);
            if at >= self.bad_from {
                Err(Fault::new(FaultKind::Refused, "reading", "ENODATA"))
            } else {
                Ok(())
            }
        }
    }

    #[test]
    fn a_steady_drive_shows_its_pace() {
        let clock = Ticking::default();
        let seen = sample(
            &Slow {
                clock: &clock,
                nanoseconds: 10_000_000,
                bad_from: u64::MAX,
            },
            &clock,
        );
        assert_eq!(seen.places, PLACES);
        assert!((seen.bytes_per_second.unwrap() - 104_857_600.0).abs() < 1.0);
    }

    #[test]
    fn the_first_error_or_stall_ends_it_without_a_pace() {
        let clock = Ticking::default();
        let seen = sample(
            &Slow {
                clock: &clock,
                nanoseconds: 1_000_000,
                bad_from: 1 << 29,
            },
            &clock,
        );
        assert!(seen.places < PLACES && seen.bytes_per_second.is_none() && seen.trouble.is_some());
        assert_eq!(seen.met, Met::Error);
        let seen = sample(
            &Slow {
                clock: &clock,
                nanoseconds: 2_000_000_000,
                bad_from: u64::MAX,
            },
            &clock,
        );
        assert_eq!((seen.places, seen.bytes_per_second), (1, None));
        assert!(seen.trouble.unwrap().contains("took 2.0 s"));
        assert_eq!(seen.met, Met::Stall((1 << 20) as f64 / 2.0, None));
    }
}
