//! A drive's fingerprint: digests of chosen stretches, so that the same drive is known again behind
//! a dock that lends one serial to many, and so that starting the old system since shows.
//!
//! Invariant: cheap and gentle: at most about 3 MiB in a few long reads, of a weak drive less. A stretch that cannot be read
//! is no agreement and no difference: a weak drive stays itself as long as most of it agrees, and two
//! readable stretches that differ are another content, however many agree.

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

/// What was seen of a drive: a digest for each stretch in order, `None` = it could not be read.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Fingerprint {
    bytes: u64,
    stretches: Vec<Option<Blake3>>,
}

/// What comparing two fingerprints comes to.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Likeness {
    /// Every stretch that both could read agrees, and that is at least half of them.
    Same,
    /// At least one stretch differs.
    Different,
    /// Nothing differs, and too little could be read of one of them.
    Unknown,
}

impl Fingerprint {
    /// Looks at a drive; `None` when it does not answer at all.
    pub fn of(sectors: &dyn Sectors) -> Option<Self> {
        let all = 0..places(sectors.bytes()).len();
        Self::look(sectors, all, |_, _, _| true)
    }

    /// Looks at a weak drive that was looked at before: a stretch that could not be read then, or that holds a place
    /// which `is_bad` (first byte, bytes), tells nothing and is not asked. Unless it is to be looked at `closely`,
    /// the short stretches come first, and no more is asked once enough of them agree or one differs.
    pub fn of_weak(
        sectors: &dyn Sectors,
        then: &Self,
        is_bad: impl Fn(u64, u64) -> bool,
        closely: bool,
    ) -> Option<Self> {
        let count = places(sectors.bytes()).len();
        let order = (1..count).chain(0..count.min(1));
        Self::look(sectors, order, |seen, stretch, (at, bytes)| {
            let told = matches!(then.stretches.get(stretch), Some(Some(_)));
            let known = !closely && seen.against(then) != Likeness::Unknown;
            told && !known && !is_bad(at, bytes)
        })
    }

    /// Asks for the stretches in `order` that `is_wanted`, by what was seen so far.
    fn look(
        sectors: &dyn Sectors,
        order: impl Iterator<Item = usize>,
        is_wanted: impl Fn(&Self, usize, (u64, u64)) -> bool,
    ) -> Option<Self> {
        let bytes = sectors.bytes();
        let places = places(bytes);
        let mut buf = vec![0u8; HEAD.min(bytes) as usize];
        let mut seen = Self {
            bytes,
            stretches: vec![None; places.len()],
        };
        for stretch in order {
            let (at, length) = *places.get(stretch)?;
            if !is_wanted(&seen, stretch, (at, length)) {
                continue;
            }
            let part = buf.get_mut(..length as usize)?;
            match sectors.read_at(at, part) {
                Ok(()) => {
                    let digest = Blake3(*blake3::hash(part).as_bytes());
                    *seen.stretches.get_mut(stretch)? = Some(digest);
                }
                Err(fault) if fault.kind == FaultKind::Refused => {}
                Err(_) => return None,
            }
        }
        Some(seen)
    }

    /// From what was kept: the drive's bytes and [`Fingerprint::stretches`].
    pub fn kept(bytes: u64, stretches: Vec<Option<Blake3>>) -> Self {
        Self { bytes, stretches }
    }

    /// The digests in order, to be kept.
    pub fn stretches(&self) -> &[Option<Blake3>] {
        &self.stretches
    }

    /// One digest over all of it, for papers.
    pub fn digest(&self) -> Blake3 {
        let mut hasher = blake3::Hasher::new();
        hasher.update(b"holdpoint drive fingerprint 1");
        hasher.update(&self.bytes.to_le_bytes());
        for (stretch, (at, _)) in self.stretches.iter().zip(places(self.bytes)) {
            hasher.update(&at.to_le_bytes());
            match stretch {
                Some(digest) => hasher.update(&digest.0),
                None => hasher.update(b"unreadable"),
            };
        }
        Blake3(*hasher.finalize().as_bytes())
    }

    /// Whether this is the drive, with the content, that `then` was taken of.
    pub fn against(&self, then: &Self) -> Likeness {
        if self.bytes != then.bytes || self.stretches.len() != then.stretches.len() {
            return Likeness::Different;
        }
        let (mut agree, mut differ) = (0, 0);
        for pair in self.stretches.iter().zip(&then.stretches) {
            match pair {
                (Some(now), Some(then)) if now == then => agree += 1,
                (Some(_), Some(_)) => differ += 1,
                _ => {}
            }
        }
        if differ > 0 {
            Likeness::Different
        } else if agree * 2 >= self.stretches.len() {
            Likeness::Same
        } else {
            Likeness::Unknown
        }
    }
}

/// First byte and length of each stretch of a drive of `bytes`.
fn places(bytes: u64) -> Vec<(u64, u64)> {
    let mut places = vec![(0, HEAD.min(bytes))];
    for n in 1..=SAMPLES {
        let at = (u128::from(bytes) * u128::from(n) / u128::from(SAMPLES + 1)) as u64 & !4095;
        places.push((at, SAMPLE.min(bytes - at.min(bytes))));
    }
    places.push((bytes.saturating_sub(TAIL), TAIL.min(bytes)));
    places
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::port::Fault;

    struct Drive {
        bytes: Vec<u8>,
        bad: Vec<u64>,
        gone: bool,
    }

    impl Sectors for Drive {
        fn sector_bytes(&self) -> u32 {
            512
        }
        fn bytes(&self) -> u64 {
            self.bytes.len() as u64
        }
        fn read_at(&self, at: u64, buf: &mut [u8]) -> Result<(), Fault> {
            let end = at + buf.len() as u64;
            if self.gone {
                return Err(Fault::new(FaultKind::Gone, "reading", "ENODEV"));
            }
            if self.bad.iter().any(|bad| (at..end).contains(bad)) {
                return Err(Fault::new(FaultKind::Refused, "reading", "EIO"));
            }
            buf.copy_from_slice(&self.bytes[at as usize..end as usize]);
            Ok(())
        }
    }

    fn drive() -> Drive {
        Drive {
            bytes: (0..8u32 << 20)
                .map(|n| (n.wrapping_mul(0x9E37_79B9) >> 24) as u8)
                .collect(),
            bad: Vec::new(),
            gone: false,
        }
    }

    #[test]
    fn a_written_byte_shows_and_a_new_bad_sector_does_not() {
        let sound = Fingerprint::of(&drive()).unwrap();
        assert_eq!(sound.against(&sound), Likeness::Same);
        let mut weaker = drive();
        weaker.bad = vec![5, 4 << 20];
        let weaker = Fingerprint::of(&weaker).unwrap();
        assert_eq!(weaker.against(&sound), Likeness::Same);
        assert_eq!(sound.against(&weaker), Likeness::Same);
        assert_ne!(weaker.digest(), sound.digest());
        let mut started = drive();
        started.bytes[700_000] ^= 1;
        started.bad = vec![8 << 19];
        let started = Fingerprint::of(&started).unwrap();
        assert_eq!(started.against(&sound), Likeness::Different);
    }

    /// A drive that remembers where it was asked.
    struct Asked(Drive, std::sync::Mutex<Vec<u64>>);

    impl Sectors for Asked {
        fn sector_bytes(&self) -> u32 {
            512
        }
        fn bytes(&self) -> u64 {
            self.0.bytes()
        }
        fn read_at(&self, at: u64, buf: &mut [u8]) -> Result<(), Fault> {
            self.1.lock().unwrap().push(at);
            self.0.read_at(at, buf)
        }
    }

    #[test]
    fn a_weak_drive_is_asked_for_what_tells_something_and_no_more() {
        let mut weak = drive();
        weak.bad = vec![5];
        let then = Fingerprint::of(&weak).unwrap();
        let places = places(8 << 20);
        let asked = Asked(weak, std::sync::Mutex::default());
        let ask = |bad: Option<u64>, closely| {
            asked.1.lock().unwrap().clear();
            let is_bad = |at, _| Some(at) == bad;
            let seen = Fingerprint::of_weak(&asked, &then, is_bad, closely).unwrap();
            (seen.against(&then), asked.1.lock().unwrap().len())
        };
        // Known again by half of the stretches, and never by the one that could not be read then.
        assert_eq!(ask(None, false), (Likeness::Same, places.len() / 2));
        assert_eq!(ask(None, true), (Likeness::Same, places.len() - 1));
        assert_eq!(
            ask(Some(places[3].0), true),
            (Likeness::Same, places.len() - 2)
        );
        let mut started = drive();
        started.bytes[places[1].0 as usize] ^= 1;
        let asked = Asked(started, std::sync::Mutex::default());
        let seen = Fingerprint::of_weak(&asked, &then, |_, _| false, false).unwrap();
        assert_eq!(seen.against(&then), Likeness::Different);
        assert_eq!(asked.1.lock().unwrap().len(), 1);
    }

    #[test]
    fn little_that_can_be_read_is_no_agreement_and_silence_is_nothing() {
        let sound = Fingerprint::of(&drive()).unwrap();
        let mut dying = drive();
        dying.bad = (0..8 << 20).step_by(32 << 10).collect();
        let dying = Fingerprint::of(&dying).unwrap();
        assert_eq!(dying.against(&sound), Likeness::Unknown);
        assert_eq!(dying.against(&dying), Likeness::Unknown);
        let mut gone = drive();
        gone.gone = true;
        assert_eq!(Fingerprint::of(&gone), None);
        let mut longer = drive();
        longer.bytes.extend_from_slice(&[0; 512]);
        assert_eq!(
            Fingerprint::of(&longer).unwrap().against(&sound),
            Likeness::Different
        );
    }

    #[test]
    fn drives_shorter_than_a_stretch_have_one_too() {
        for length in [0usize, 512, 5000, 70_000] {
            let mut short = drive();
            short.bytes.truncate(length);
            let seen = Fingerprint::of(&short).unwrap();
            assert_eq!(seen.against(&seen), Likeness::Same, "{length}");
            let kept = Fingerprint::kept(length as u64, seen.stretches().to_vec());
            assert_eq!(kept.digest(), seen.digest());
        }
    }
}
