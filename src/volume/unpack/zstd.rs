//! One frame of RFC 8878, as Btrfs keeps an extent.
//!
//! Invariant: not more bytes than expected, or an error; a window that a frame claims is not reserved before it is known to
//! be one that Btrfs writes, and blocks are unpacked one by one, so that a few bytes never become many.
//! The decoder is the crate ruzstd, whose code (0.9) was read for this: it looks at a window before it allocates one (its own limit
//! is 128 MiB), it believes a content size and does not compare it, and one block can bring a little more than 1 MiB.

use super::UnpackError;
use super::zlib::MOST;
use ruzstd::decoding::errors::FrameDecoderError;
use ruzstd::decoding::{BlockDecodingStrategy, FrameDecoder};

/// Unpacks a frame that begins with the first byte of `packed`; what lies behind it is padding. There may be less in it than
/// `most_bytes`.
///
/// # Errors
/// Whatever is not such a frame of at most `most_bytes` bytes, which are [`MOST`] at most.
pub fn unpack(packed: &[u8], most_bytes: usize) -> Result<Vec<u8>, UnpackError> {
    if most_bytes > MOST {
        return Err(UnpackError::TooLong);
    }
    let mut rest = packed;
    let mut decoder = FrameDecoder::new();
    // Btrfs asks for windows of 2^17 bytes at most (`ZSTD_BTRFS_MAX_WINDOWLOG`).
    decoder.set_max_window_size(MOST as u64);
    decoder.init(&mut rest).map_err(|why| why_not(&why))?;
    loop {
        let ended = decoder
            .decode_blocks(&mut rest, BlockDecodingStrategy::UptoBlocks(1))
            .map_err(|why| why_not(&why))?;
        if ended {
            break;
        }
        if decoder.can_collect() > most_bytes {
            return Err(longer(most_bytes, decoder.can_collect()));
        }
    }
    let out = decoder.collect().unwrap_or_default();
    // 0 also where the frame does not say.
    let said = usize::try_from(decoder.content_size()).unwrap_or(usize::MAX);
    if said != 0 && said != out.len() {
        return Err(longer(said, out.len()));
    }
    match out.len() <= most_bytes {
        true => Ok(out),
        false => Err(longer(most_bytes, out.len())),
    }
}

fn longer(expected: usize, found: usize) -> UnpackError {
    UnpackError::Length { expected, found }
}

fn why_not(why: &FrameDecoderError) -> UnpackError {
    match why {
        FrameDecoderError::FailedToReadBlockHeader(_) => UnpackError::Truncated,
        FrameDecoderError::FailedToReadBlockBody(_) => UnpackError::BadReference,
        _ => UnpackError::BadHeader,
    }
}

#[cfg(test)]
mod tests {
    use super::super::fixtures::{self, hex, keeper};
    use super::*;
    use proptest::prelude::*;
    use ruzstd::encoding::{CompressionLevel, compress_to_vec};

    fn packed(plain: &[u8]) -> Vec<u8> {
        let mut out = compress_to_vec(plain, CompressionLevel::Fastest);
        out.resize(out.len().next_multiple_of(4096), 0);
        out
    }

    /// Twelve lines as the reference implementation's command packs them at level 3 (`zstd -3 --no-check`).
    #[test]
    fn a_frame_of_the_reference_implementation_is_read() {
        let hex = "28b52ffd605e002d0200940261206c657474657220746f207468652073686f702c206c696e6520300a313233343536373839\
            31310a0b00264b14c01c60186004300718061801cc018601460442e504";
        let raw: Vec<u8> = (0..hex.len() / 2)
            .map(|at| u8::from_str_radix(&hex[at * 2..at * 2 + 2], 16).unwrap())
            .collect();
        let plain: String = (0..12)
            .map(|line| format!("a letter to the shop, line {line}\n"))
            .collect();
        assert_eq!(unpack(&raw, 4096), Ok(plain.clone().into_bytes()));
        assert!(unpack(&raw, plain.len() - 1).is_err());
        assert!(unpack(&raw[..raw.len() - 1], 4096).is_err());
    }

    #[test]
    fn a_few_bytes_never_become_many() {
        // A frame header of a window of 128 KiB, then blocks that repeat one byte 128 KiB times (RFC 8878, 3.1.1.2).
        let mut raw = vec![0x28, 0xB5, 0x2F, 0xFD, 0x00, 0x38];
        for _ in 0..10_000 {
            raw.extend([0x02, 0x00, 0x10, b'x']);
        }
        assert!(matches!(
            unpack(&raw, MOST),
            Err(UnpackError::Length { .. })
        ));
        // A window of 1 MiB, which the decoder by itself would allow.
        assert_eq!(
            unpack(&[0x28, 0xB5, 0x2F, 0xFD, 0x00, 0x50, 0x01, 0x00, 0x00], 100),
            Err(UnpackError::BadHeader)
        );
        assert_eq!(unpack(&[], 10), Err(UnpackError::BadHeader));
    }

    #[test]
    fn what_the_kernel_wrote() {
        let mut packed = hex(fixtures::ZSTD);
        packed.resize(packed.len().next_multiple_of(4096), 0);
        assert_eq!(unpack(&packed, 12_288), Ok(keeper(12_000)));
        assert_eq!(unpack(&hex(fixtures::ZSTD_INLINE), 1500), Ok(keeper(1500)));
    }

    proptest! {
        #![proptest_config(ProptestConfig { failure_persistence: None, ..ProptestConfig::default() })]

        #[test]
        fn what_was_packed_comes_back(plain in proptest::collection::vec(0u8..9, 1..20_000)) {
            prop_assert_eq!(unpack(&packed(&plain), plain.len()), Ok(plain));
        }

        #[test]
        fn any_bytes_end(plain in proptest::collection::vec(0u8..9, 200..5000), changes in proptest::collection::vec((0usize..2000, any::<u8>()), 1..5)) {
            let mut packed = packed(&plain);
            let most = packed.len();
            for (at, byte) in changes {
                packed[at % most] = byte;
            }
            if let Ok(found) = unpack(&packed, plain.len()) {
                prop_assert!(found.len() <= plain.len());
            }
        }
    }
}
