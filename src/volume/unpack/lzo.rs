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

#[cfg(test)]
mod tests {
    use super::super::fixtures::{self, hex, keeper};
    use super::*;
    use proptest::prelude::*;

    const SECTOR: usize = 4096;

    /// Packs as the comment at the head of Linux's file describes it, with another implementation's packer of segments.
    fn packed(plain: &[u8]) -> Vec<u8> {
        let mut out = vec![0u8; LENGTH];
        for part in plain.chunks(SECTOR) {
            let segment = lzokay::compress::compress(part).unwrap();
            if SECTOR - out.len() % SECTOR < LENGTH {
                out.resize(out.len().next_multiple_of(SECTOR), 0);
            }
            out.extend((segment.len() as u32).to_le_bytes());
            out.extend(segment);
        }
        let bytes = out.len() as u32;
        out[..LENGTH].copy_from_slice(&bytes.to_le_bytes());
        out.resize(out.len().next_multiple_of(SECTOR), 0);
        out
    }

    #[test]
    fn the_shortest_extents() {
        // Length 12; one segment of four bytes: three literals would need more, so nothing but the end mark.
        assert_eq!(
            unpack(&[11, 0, 0, 0, 3, 0, 0, 0, 0x11, 0, 0], 10, SECTOR),
            Ok(Vec::new())
        );
        for (raw, most, sector) in [
            (&[][..], 10, SECTOR),
            (&[3, 0, 0, 0], 10, SECTOR),
            (&[200, 0, 0, 0, 3, 0, 0, 0, 0x11, 0, 0], 10, SECTOR),
            (
                &[11, 0, 0, 0, 0xFF, 0xFF, 0xFF, 0xFF, 0x11, 0, 0],
                10,
                SECTOR,
            ),
            (&[4, 0, 0, 0], MOST + 1, SECTOR),
            (&[4, 0, 0, 0], 10, 0),
        ] {
            assert!(unpack(raw, most, sector).is_err(), "{raw:?}");
        }
    }

    #[test]
    fn what_the_kernel_wrote() {
        let mut packed = hex(fixtures::LZO);
        packed.resize(packed.len().next_multiple_of(4096), 0);
        assert_eq!(unpack(&packed, 12_288, SECTOR), Ok(keeper(12_000)));
        assert_eq!(
            unpack(&hex(fixtures::LZO_INLINE), 1500, SECTOR),
            Ok(keeper(1500))
        );
    }

    proptest! {
        #![proptest_config(ProptestConfig { failure_persistence: None, cases: 64, ..ProptestConfig::default() })]

        #[test]
        fn what_was_packed_comes_back(plain in proptest::collection::vec(0u8..200, 1..30_000)) {
            let packed = packed(&plain);
            prop_assert_eq!(unpack(&packed, plain.len(), SECTOR), Ok(plain.clone()));
            prop_assert!(unpack(&packed, plain.len() - 1, SECTOR).is_err());
        }

        #[test]
        fn any_bytes_end(plain in proptest::collection::vec(0u8..9, 200..9000), changes in proptest::collection::vec((0usize..2000, any::<u8>()), 1..5)) {
            let mut packed = packed(&plain);
            let most = packed.len();
            for (at, byte) in changes {
                packed[at % most] = byte;
            }
            if let Ok(found) = unpack(&packed, plain.len(), SECTOR) {
                prop_assert!(found.len() <= plain.len());
            }
        }
    }
}
