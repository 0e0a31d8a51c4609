//! Content that is packed by itself, or that the file system keeps checksums of: a part of one extent.
//!
//! Invariant: a byte that is not named in `missing` was proven by its checksum, where there is one. A sector whose checksum
//! does not fit is zeros and named, like one that was refused: every later reading of a copy counts on zeros in its gaps. What
//! cannot be unpacked is missing as a whole, since nothing of it can be told from a part.

mod kept;
mod read;

use super::sums::Sum;
use super::unpack::{UnpackError, lzo, zlib, zstd};

/// How an extent is packed.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Packing {
    /// It is not.
    None,
    /// One stream of RFC 1950.
    Zlib,
    /// Segments of LZO1X, one for each sector.
    Lzo,
    /// One frame of RFC 8878.
    Zstd,
}

impl Packing {
    /// As Btrfs and the ledger number them; `None` = unknown.
    pub fn from_code(code: u8) -> Option<Self> {
        [Self::None, Self::Zlib, Self::Lzo, Self::Zstd]
            .get(usize::from(code))
            .copied()
    }

    /// The number of [`Packing::from_code`].
    pub fn code(self) -> u8 {
        self as u8
    }

    /// Unpacks an extent of `plain_bytes` bytes. They are whole sectors, and what was packed may end within the last one: behind
    /// it are zeros. `slack` is how many bytes these can be.
    ///
    /// # Errors
    /// Whatever is not packed so, or unpacks to another length.
    pub fn unpack(
        self,
        packed: Vec<u8>,
        plain_bytes: usize,
        sector_bytes: usize,
        slack: usize,
    ) -> Result<Vec<u8>, UnpackError> {
        let mut plain = match self {
            Self::None => packed,
            Self::Zlib => zlib::unpack(&packed, plain_bytes)?,
            Self::Lzo => lzo::unpack(&packed, plain_bytes, sector_bytes)?,
            Self::Zstd => zstd::unpack(&packed, plain_bytes)?,
        };
        let missing = plain_bytes
            .checked_sub(plain.len())
            .filter(|missing| *missing <= slack);
        if missing.is_none() {
            return Err(UnpackError::Length {
                expected: plain_bytes,
                found: plain.len(),
            });
        }
        plain.resize(plain_bytes, 0);
        Ok(plain)
    }
}

/// Where checksums of neighbouring sectors lie.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum SumsAt {
    /// On the drive.
    Drive {
        /// First byte, counted from the start of the drive.
        at: u64,
        /// Sectors that they stand for.
        sectors: u32,
    },
    /// Here.
    Held(Vec<u8>),
}

/// The checksums of an extent.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Seal {
    /// Which kind.
    pub sum: Sum,
    /// Where they lie, in order, from the first sector of the extent on.
    pub places: Vec<SumsAt>,
}

/// A part of an extent.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Sealed {
    /// First byte of the extent, counted from the start of the drive.
    pub at: u64,
    /// Its second copy, if there is one.
    pub copy: Option<u64>,
    /// Bytes of it on the drive: whole sectors.
    pub stored_bytes: u64,
    /// Bytes of one sector.
    pub sector_bytes: u32,
    /// How it is packed.
    pub packing: Packing,
    /// Bytes that it unpacks to; as many as are stored where it is not packed.
    pub plain_bytes: u64,
    /// First byte of the part within what it unpacks to.
    pub from: u64,
    /// Bytes of the part.
    pub bytes: u64,
    /// Its checksums; `None` = the file system keeps none of it.
    pub seal: Option<Seal>,
}

impl Sealed {
    fn sector(&self) -> u64 {
        u64::from(self.sector_bytes.clamp(512, 65_536))
    }

    /// The bytes of the drive that logical bytes of the part are read from, with what proves them.
    pub fn on_drive(&self, from: u64, bytes: u64) -> Vec<(u64, u64)> {
        let sector = self.sector();
        let first = self.from.saturating_add(from);
        let (a, b) = match self.packing {
            Packing::None => (
                first / sector,
                first
                    .saturating_add(bytes)
                    .min(self.stored_bytes)
                    .div_ceil(sector),
            ),
            _ => (0, self.stored_bytes / sector),
        };
        let mut out = vec![(
            self.at.saturating_add(a.saturating_mul(sector)),
            b.saturating_sub(a).saturating_mul(sector),
        )];
        if let Some(seal) = &self.seal {
            let wide = seal.sum.bytes() as u64;
            let mut here = 0u64;
            for place in &seal.places {
                let n = place.sectors(wide);
                let (x, y) = (a.max(here), b.min(here.saturating_add(n)));
                if let SumsAt::Drive { at, .. } = place
                    && x < y
                {
                    out.push((at.saturating_add((x - here) * wide), (y - x) * wide));
                }
                here = here.saturating_add(n);
            }
        }
        out
    }
}

impl SumsAt {
    fn sectors(&self, wide: u64) -> u64 {
        match self {
            Self::Drive { sectors, .. } => u64::from(*sectors),
            Self::Held(held) => held.len() as u64 / wide.max(1),
        }
    }
}

#[cfg(test)]
mod tests;
