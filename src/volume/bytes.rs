//! Fields of on-disk structures, and reading within one place of a drive.
//!
//! Invariant: no field lookup can leave its buffer, and no read can leave its place.

use super::filesystem::Place;
use crate::port::{Fault, FaultKind, Sectors};

/// The `N` bytes at `at`, or `None` when the buffer ends before.
pub fn array<const N: usize>(buf: &[u8], at: usize) -> Option<[u8; N]> {
    buf.get(at..at.checked_add(N)?)?.try_into().ok()
}

/// Whether the bytes at `at` are exactly `bytes`.
pub fn is(buf: &[u8], at: usize, bytes: &[u8]) -> bool {
    at.checked_add(bytes.len())
        .and_then(|end| buf.get(at..end))
        .is_some_and(|found| found == bytes)
}

/// The byte at `at`; 0 outside the buffer. Callers hold a buffer of the structure's full length,
/// so "outside" does not occur; the same holds for the functions below.
pub fn u8_at(buf: &[u8], at: usize) -> u8 {
    buf.get(at).copied().unwrap_or(0)
}

/// Little-endian 16 bits at `at`; 0 outside.
pub fn le16(buf: &[u8], at: usize) -> u16 {
    array(buf, at).map_or(0, u16::from_le_bytes)
}

/// Little-endian 32 bits at `at`; 0 outside.
pub fn le32(buf: &[u8], at: usize) -> u32 {
    array(buf, at).map_or(0, u32::from_le_bytes)
}

/// Little-endian 64 bits at `at`; 0 outside.
pub fn le64(buf: &[u8], at: usize) -> u64 {
    array(buf, at).map_or(0, u64::from_le_bytes)
}

/// Big-endian 16 bits at `at`; 0 outside.
pub fn be16(buf: &[u8], at: usize) -> u16 {
    array(buf, at).map_or(0, u16::from_be_bytes)
}

/// Big-endian 32 bits at `at`; 0 outside.
pub fn be32(buf: &[u8], at: usize) -> u32 {
    array(buf, at).map_or(0, u32::from_be_bytes)
}

/// Big-endian 64 bits at `at`; 0 outside.
pub fn be64(buf: &[u8], at: usize) -> u64 {
    array(buf, at).map_or(0, u64::from_be_bytes)
}

/// Lower-case hex of 16 bytes in the order of RFC 9562 (as most Unix formats store a UUID).
pub fn uuid_text(bytes: [u8; 16]) -> String {
    let mut out = String::with_capacity(36);
    for (place, byte) in bytes.iter().enumerate() {
        if matches!(place, 4 | 6 | 8 | 10) {
            out.push('-');
        }
        out.push_str(&format!("{byte:02x}"));
    }
    out
}

/// Text up to the first NUL, undecodable bytes replaced; `None` when empty. For labels shown to people.
pub fn label_text(bytes: &[u8]) -> Option<String> {
    let end = bytes.iter().position(|b| *b == 0).unwrap_or(bytes.len());
    let text = String::from_utf8_lossy(bytes.get(..end)?)
        .trim_end()
        .to_owned();
    (!text.is_empty()).then_some(text)
}

/// One place of a drive, read by offsets from its own first byte.
#[derive(Clone, Copy)]
pub struct Part<'a> {
    sectors: &'a dyn Sectors,
    place: Place,
}

impl<'a> Part<'a> {
    /// The place, clipped to the drive.
    pub fn new(sectors: &'a dyn Sectors, place: Place) -> Self {
        let room = sectors.bytes().saturating_sub(place.first_byte);
        Self {
            sectors,
            place: Place {
                first_byte: place.first_byte,
                bytes: place.bytes.min(room),
            },
        }
    }

    /// Length in bytes, clipped to the drive.
    pub fn bytes(&self) -> u64 {
        self.place.bytes
    }

    /// The place, clipped to the drive.
    pub fn place(&self) -> Place {
        self.place
    }

    /// The drive's logical sector size in bytes.
    pub fn sector_bytes(&self) -> u32 {
        self.sectors.sector_bytes()
    }

    /// The drive behind it.
    pub fn drive(&self) -> &'a dyn Sectors {
        self.sectors
    }

    /// Byte of the drive for an offset within the place.
    pub fn absolute(&self, at: u64) -> u64 {
        self.place.first_byte.saturating_add(at)
    }

    /// Fills `buf` from `at`, counted from the start of the place.
    pub fn read(&self, at: u64, buf: &mut [u8]) -> Result<(), Fault> {
        let inside = at
            .checked_add(buf.len() as u64)
            .is_some_and(|end| end <= self.place.bytes);
        if !inside {
            return Err(Fault::new(
                FaultKind::Missing,
                format!(
                    "reading {} bytes at byte {at} of a place of {} bytes",
                    buf.len(),
                    self.place.bytes
                ),
                "outside",
            ));
        }
        self.sectors.read_at(self.absolute(at), buf)
    }

    /// `bytes` bytes from `at`, as a new buffer. Callers bound `bytes`.
    pub fn read_vec(&self, at: u64, bytes: usize) -> Result<Vec<u8>, Fault> {
        if at
            .checked_add(bytes as u64)
            .is_none_or(|end| end > self.place.bytes)
        {
            self.read(self.place.bytes, &mut [0])?;
        }
        let mut buf = vec![0; bytes];
        self.read(at, &mut buf)?;
        Ok(buf)
    }
}

/// A drive in memory, for tests.
#[cfg(test)]
pub(crate) struct Image {
    /// Its bytes.
    pub bytes: Vec<u8>,
    /// Its logical sector size.
    pub sector_bytes: u32,
    /// Byte ranges that cannot be read.
    pub bad: Vec<std::ops::Range<u64>>,
}

#[cfg(test)]
impl Image {
    /// A drive of 512-byte sectors without bad places.
    pub fn new(bytes: Vec<u8>) -> Self {
        Self {
            bytes,
            sector_bytes: 512,
            bad: Vec::new(),
        }
    }

    /// The whole of it.
    pub fn place(&self) -> Place {
        Place {
            first_byte: 0,
            bytes: self.bytes.len() as u64,
        }
    }
}

#[cfg(test)]
impl Sectors for Image {
    fn sector_bytes(&self) -> u32 {
        self.sector_bytes
    }
    fn bytes(&self) -> u64 {
        self.bytes.len() as u64
    }
    fn read_at(&self, at: u64, buf: &mut [u8]) -> Result<(), Fault> {
        let end = at.saturating_add(buf.len() as u64);
        if self.bad.iter().any(|bad| bad.start < end && at < bad.end) {
            return Err(Fault::new(
                FaultKind::Refused,
                format!("reading byte {at}"),
                "EIO",
            ));
        }
        let from = usize::try_from(at).unwrap();
        match self.bytes.get(from..from.saturating_add(buf.len())) {
            Some(found) => {
                buf.copy_from_slice(found);
                Ok(())
            }
            None => Err(Fault::new(
                FaultKind::Other,
                format!("reading byte {at}"),
                "EINVAL",
            )),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_part_never_reads_outside_its_place() {
        let image = Image::new((0..=255).collect());
        let part = Part::new(
            &image,
            Place {
                first_byte: 200,
                bytes: 1000,
            },
        );
        assert_eq!(part.bytes(), 56);
        let mut one = [0];
        assert!(part.read(55, &mut one).is_ok());
        assert_eq!(one, [255]);
        assert!(part.read(56, &mut one).is_err());
        assert!(part.read(u64::MAX, &mut one).is_err());
        assert!(part.read_vec(0, usize::MAX).is_err());
        assert_eq!(le32(&[1, 2], 0), 0);
        assert_eq!(le16(&[1, 2], 0), 0x201);
    }
}
