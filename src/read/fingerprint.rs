//! A drive's fingerprint: a digest of chosen sectors, so that the same drive is known again behind
//! a dock that lends one serial to many, and so that starting the old system since shows.
//!
//! Invariant: cheap and gentle: at most about 3 MiB in a few long reads; a sector that cannot be
//! read is part of the fingerprint as "unreadable", never skipped in silence.

use crate::port::{FaultKind, Sectors};
use crate::value::Blake3;

/// Bytes at the start: tables, the first boot sectors.
const HEAD: u64 = 1 << 20;
/// Bytes at the end: backup tables.
const TAIL: u64 = 64 << 10;
/// Samples spread evenly in between.
const SAMPLES: u64 = 16;
/// Bytes of each.
const SAMPLE: u64 = 64 << 10;

/// The fingerprint; `None` when the drive does not answer at all.
pub fn fingerprint(sectors: &dyn Sectors) -> Option<Blake3> {
    let bytes = sectors.bytes();
    let mut hasher = blake3::Hasher::new();
    hasher.update(b"holdpoint drive fingerprint 1");
    hasher.update(&bytes.to_le_bytes());
    let mut places = vec![(0, HEAD.min(bytes))];
    for n in 1..=SAMPLES {
        let at = (u128::from(bytes) * u128::from(n) / u128::from(SAMPLES + 1)) as u64 & !4095;
        places.push((at, SAMPLE.min(bytes - at.min(bytes))));
    }
    places.push((bytes.saturating_sub(TAIL), TAIL.min(bytes)));
    let mut any = bytes == 0;
    let mut buf = vec![0u8; HEAD as usize];
    for (at, length) in places {
        hasher.update(&at.to_le_bytes());
        match sectors.read_at(at, &mut buf[..length as usize]) {
            Ok(()) => {
                hasher.update(&buf[..length as usize]);
                any = true;
            }
            Err(fault) if fault.kind == FaultKind::Refused => {
                hasher.update(b"unreadable");
                any = true;
            }
            Err(_) => return None,
        }
    }
    any.then(|| Blake3(*hasher.finalize().as_bytes()))
}
