//! Unpackers for what volumes pack their contents with: LZNT1 (NTFS compression), XPRESS Huffman and LZX (system
//! compression of Windows), and zlib, LZO and Zstandard (Btrfs).
//!
//! Invariant: any bytes in, never a panic, never more memory than the expected length;
//! the result has exactly the expected length or it is an error.

#[cfg(test)]
mod fixtures;
pub mod lznt1;
pub mod lzo;
pub mod lzx;
pub mod xpress;
pub mod zlib;
pub mod zstd;

use std::fmt;

/// Why packed bytes could not be unpacked.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum UnpackError {
    /// The packed bytes end in the middle.
    Truncated,
    /// A back-reference points before the first byte.
    BadReference,
    /// A code table is no complete prefix code.
    BadTable,
    /// A header or block type that the format does not know.
    BadHeader,
    /// More or fewer bytes came out than expected.
    Length {
        /// Bytes expected.
        expected: usize,
        /// Bytes that came out (or would have).
        found: usize,
    },
    /// The expected length is larger than this form can hold in one unit.
    TooLong,
    /// It could be read, but the file system's checksum of it does not fit.
    Checksum,
}

impl fmt::Display for UnpackError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            UnpackError::Truncated => f.write_str("the compressed bytes end in the middle"),
            UnpackError::BadReference => {
                f.write_str("the compressed bytes refer to something before their start")
            }
            UnpackError::BadTable => f.write_str("the code table is not a prefix code"),
            UnpackError::BadHeader => f.write_str("unknown block header"),
            UnpackError::Length { expected, found } => {
                write!(f, "expected {expected} bytes, found {found}")
            }
            UnpackError::Checksum => f.write_str("read, but its checksum does not fit"),
            UnpackError::TooLong => f.write_str("longer than one unit of this form can be"),
        }
    }
}

impl std::error::Error for UnpackError {}

/// A canonical prefix code, decoded through one table of `1 << bits` entries
/// (symbol and length), the most significant bit of a code first.
pub(crate) struct PrefixCode {
    bits: u32,
    /// (symbol, length); length 0 = no such code.
    table: Vec<(u16, u8)>,
}

impl PrefixCode {
    /// From code lengths (0 = not used). `longest` is the longest length the format allows (at most 16).
    /// An over- or under-subscribed code is refused, except a code of no symbol (which decodes nothing)
    /// and one of a single symbol with one bit, which encoders do write.
    pub(crate) fn new(lengths: &[u8], longest: u32) -> Result<Self, UnpackError> {
        let bits = longest.min(16);
        let size = 1usize << bits;
        let mut table = vec![(0u16, 0u8); size];
        let mut at = 0usize;
        for length in 1..=bits {
            for (symbol, _) in lengths
                .iter()
                .enumerate()
                .filter(|(_, own)| u32::from(**own) == length)
            {
                let span = 1usize << (bits - length);
                let symbol = u16::try_from(symbol).map_err(|_| UnpackError::BadTable)?;
                let entries = table
                    .get_mut(at..at.saturating_add(span))
                    .ok_or(UnpackError::BadTable)?;
                entries.fill((symbol, u8::try_from(length).unwrap_or(u8::MAX)));
                at += span;
            }
        }
        let lone = at == size / 2 && lengths.iter().filter(|own| **own == 1).count() == 1;
        if at != 0 && at != size && !lone || lengths.iter().any(|own| u32::from(*own) > bits) {
            return Err(UnpackError::BadTable);
        }
        Ok(Self { bits, table })
    }

    /// How many bits [`PrefixCode::find`] wants to see.
    pub(crate) fn bits(&self) -> u32 {
        self.bits
    }

    /// The symbol whose code starts the `bits()` bits of `peeked`, and the length of its code.
    pub(crate) fn find(&self, peeked: u32) -> Result<(u16, u32), UnpackError> {
        match self.table.get(peeked as usize) {
            Some((symbol, length)) if *length > 0 => Ok((*symbol, u32::from(*length))),
            _ => Err(UnpackError::BadTable),
        }
    }
}

/// Appends `length` bytes from `distance` bytes back; both checked.
pub(crate) fn copy_back(
    out: &mut Vec<u8>,
    distance: usize,
    length: usize,
    limit: usize,
) -> Result<(), UnpackError> {
    let from = out
        .len()
        .checked_sub(distance)
        .filter(|_| distance > 0)
        .ok_or(UnpackError::BadReference)?;
    if out.len().saturating_add(length) > limit {
        return Err(UnpackError::Length {
            expected: limit,
            found: out.len().saturating_add(length),
        });
    }
    // The source may overlap what is being written (a repeated pattern), so byte by byte.
    for i in 0..length {
        let byte = out
            .get(from + i)
            .copied()
            .ok_or(UnpackError::BadReference)?;
        out.push(byte);
    }
    Ok(())
}
