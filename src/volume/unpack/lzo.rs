//! An extent that Btrfs packed with LZO: segments of LZO1X, each for one sector, with their lengths in front.
//!
//! The form is Btrfs's own (Linux `fs/btrfs/lzo.c`, the comment at its head): four bytes of the whole length, these included; then for
//! each segment four bytes of its length and its bytes. A length never crosses a sector of the packed form: where fewer than four
//! bytes of it are left, they are padding.
//!
//! Invariant: not more bytes than expected, or an error; a segment never gives more than one sector.

use super::UnpackError;
use super::zlib::MOST;
use crate::volume::bytes::le32;

/// Bytes of a length.
const LENGTH: usize = 4;

/// Unpacks an extent of sectors of `sector_bytes` bytes; what lies behind its length is padding. There may be less in it than
/// `most_bytes`.
///
/// # Errors
/// Whatever is not such an extent of at most `most_bytes` bytes, which are 128 KiB at most.
pub fn unpack(
    packed: &[u8],
    most_bytes: usize,
    sector_bytes: usize,
) -> Result<Vec<u8>, UnpackError> {
    if most_bytes > MOST || !(512..=MOST).contains(&sector_bytes) {
        return Err(UnpackError::TooLong);
    }
    let said = le32(packed, 0) as usize;
    let packed = packed
        .get(..said)
        .filter(|all| all.len() >= LENGTH)
        .ok_or(UnpackError::Truncated)?;
    let mut out = vec![0u8; most_bytes];
    let (mut at, mut done) = (LENGTH, 0usize);
    while at < packed.len() {
        let left = sector_bytes - at % sector_bytes;
        if left < LENGTH {
            at += left;
            continue;
        }
        let bytes = packed.get(at..at + LENGTH).ok_or(UnpackError::Truncated)?;
        at += LENGTH;
        let bytes = le32(bytes, 0) as usize;
        let end = at.checked_add(bytes).ok_or(UnpackError::BadHeader)?;
        let segment = packed.get(at..end).ok_or(UnpackError::Truncated)?;
        let room = sector_bytes.min(most_bytes - done);
        let into = out
            .get_mut(done..done + room)
            .ok_or(UnpackError::BadHeader)?;
        let found = lzokay::decompress::decompress(segment, into).map_err(|why| match why {
            lzokay::Error::LookbehindOverrun => UnpackError::BadReference,
            lzokay::Error::OutputOverrun => UnpackError::Length {
                expected: most_bytes,
                found: most_bytes + 1,
            },
            _ => UnpackError::Truncated,
        })?;
        // Only the last segment may stand for less than a sector.
        if found != room && end < packed.len() {
            return Err(UnpackError::Length {
                expected: room,
                found,
            });
        }
        (at, done) = (end, done + found);
    }
    out.truncate(done);
    Ok(out)
}
