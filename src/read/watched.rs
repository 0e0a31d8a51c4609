//! What a survey read of a drive: the places, and a sum over what stood there. Whatever adds, removes or changes a
//! file writes to one of them (file tables, folders, maps of what is in use), so that reading them again shows it.
//!
//! Invariant: a place counts once for each time it was read, in any order; nothing is concluded from places that could
//! not be read, and from a list that grew too long to be kept.

use crate::ledger::RowSum;
use crate::port::{Fault, Sectors};
use serde::{Deserialize, Serialize};
use std::sync::{Arc, Mutex, PoisonError};

/// Places kept at most (16 bytes each).
const MOST: usize = 1 << 20;

/// The places, and the sum.
#[derive(Debug, Clone, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct Watched {
    /// First byte and length of each read.
    places: Vec<(u64, u32)>,
    /// [`RowSum`] over place and bytes, as text.
    sum: String,
    /// More was read than is kept: nothing can be said.
    too_many: bool,
}

impl Watched {
    /// Takes the places of another survey in.
    pub fn join(&mut self, other: Self) {
        let mut sum = RowSum::parse(&self.sum).unwrap_or_default();
        sum.join(RowSum::parse(&other.sum).unwrap_or_default());
        self.too_many |= other.too_many || self.places.len() + other.places.len() > MOST;
        if self.too_many {
            self.places = Vec::new();
        } else {
            self.places.extend(other.places);
        }
        self.sum = sum.to_string();
    }

    /// Whether the same still stands at every place; `None` = nothing was kept that could be compared.
    ///
    /// # Errors
    /// When a place cannot be read now.
    pub fn is_same(&self, sectors: &dyn Sectors) -> Result<Option<bool>, Fault> {
        if self.too_many || self.places.is_empty() {
            return Ok(None);
        }
        let mut sum = RowSum::default();
        let mut buf = Vec::new();
        for (at, bytes) in &self.places {
            buf.resize(*bytes as usize, 0);
            sectors.read_at(*at, &mut buf)?;
            add(&mut sum, *at, &buf);
        }
        Ok(Some(sum.to_string() == self.sum))
    }
}

fn add(sum: &mut RowSum, at: u64, bytes: &[u8]) {
    let mut row = at.to_le_bytes().to_vec();
    row.extend_from_slice(blake3::hash(bytes).as_bytes());
    sum.add(&row);
}

#[derive(Default)]
struct Seen {
    places: Vec<(u64, u32)>,
    sum: RowSum,
    too_many: bool,
}

/// A drive whose reads are noted.
pub struct Watching {
    drive: Arc<dyn Sectors>,
    seen: Mutex<Seen>,
}

impl Watching {
    /// Notes what is read of `drive` through this.
    pub fn new(drive: Arc<dyn Sectors>) -> Arc<Self> {
        Arc::new(Self {
            drive,
            seen: Mutex::default(),
        })
    }

    /// What was read so far.
    pub fn seen(&self) -> Watched {
        let mut seen = self.seen.lock().unwrap_or_else(PoisonError::into_inner);
        let seen = std::mem::take(&mut *seen);
        Watched {
            places: seen.places,
            sum: seen.sum.to_string(),
            too_many: seen.too_many,
        }
    }
}

impl Sectors for Watching {
    fn sector_bytes(&self) -> u32 {
        self.drive.sector_bytes()
    }

    fn bytes(&self) -> u64 {
        self.drive.bytes()
    }

    fn read_at(&self, at: u64, buf: &mut [u8]) -> Result<(), Fault> {
        self.drive.read_at(at, buf)?;
        let mut seen = self.seen.lock().unwrap_or_else(PoisonError::into_inner);
        match u32::try_from(buf.len()) {
            Ok(bytes) if seen.places.len() < MOST && !seen.too_many => {
                seen.places.push((at, bytes));
                add(&mut seen.sum, at, buf);
            }
            _ => {
                seen.too_many = true;
                seen.places = Vec::new();
            }
        }
        Ok(())
    }

    fn soon(&self, at: u64, bytes: usize) {
        self.drive.soon(at, bytes);
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::port::FaultKind;

    struct Plain(Mutex<Vec<u8>>);

    impl Sectors for Plain {
        fn sector_bytes(&self) -> u32 {
            512
        }
        fn bytes(&self) -> u64 {
            self.0.lock().unwrap().len() as u64
        }
        fn read_at(&self, at: u64, buf: &mut [u8]) -> Result<(), Fault> {
            let bytes = self.0.lock().unwrap();
            let part = bytes.get(at as usize..at as usize + buf.len());
            let part = part.ok_or_else(|| Fault::new(FaultKind::Refused, "reading", "outside"))?;
            buf.copy_from_slice(part);
            Ok(())
        }
    }

    #[test]
    fn what_changes_where_it_was_read_shows_and_nothing_else_does() {
        let drive = Arc::new(Plain(Mutex::new((0..4096u32).map(|n| n as u8).collect())));
        let watching = Watching::new(drive.clone());
        let mut buf = [0u8; 512];
        for at in [1024, 0, 1024] {
            watching.read_at(at, &mut buf).unwrap();
        }
        assert!(watching.read_at(4000, &mut buf).is_err());
        let mut all = watching.seen();
        watching.read_at(2048, &mut buf).unwrap();
        all.join(watching.seen());
        let kept: Watched = serde_json::from_str(&serde_json::to_string(&all).unwrap()).unwrap();
        assert_eq!(kept.is_same(drive.as_ref()).unwrap(), Some(true));
        for (at, same) in [
            (700, true),
            (3000, true),
            (1100, false),
            (2560, true),
            (2049, false),
        ] {
            drive.0.lock().unwrap()[at] ^= 1;
            assert_eq!(kept.is_same(drive.as_ref()).unwrap(), Some(same), "{at}");
            drive.0.lock().unwrap()[at] ^= 1;
        }
        drive.0.lock().unwrap().truncate(2048);
        assert!(kept.is_same(drive.as_ref()).is_err());
        assert_eq!(Watched::default().is_same(drive.as_ref()).unwrap(), None);
    }
}
