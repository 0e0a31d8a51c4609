//! One stream of RFC 1950, as Btrfs keeps an extent.
//!
//! Invariant: not more bytes than expected, or an error; a stream that does not end, or whose own checksum does not fit, is one.

use super::UnpackError;
use flate2::{Decompress, FlushDecompress, Status};

/// Plain bytes of one extent at most (`BTRFS_MAX_UNCOMPRESSED`).
pub const MOST: usize = 128 << 10;

/// Unpacks a stream that begins with the first byte of `packed`; what lies behind it is padding. There may be less in it than
/// `most_bytes`.
///
/// # Errors
/// Whatever is not such a stream of at most `most_bytes` bytes, which are [`MOST`] at most.
pub fn unpack(packed: &[u8], most_bytes: usize) -> Result<Vec<u8>, UnpackError> {
    if most_bytes > MOST {
        return Err(UnpackError::TooLong);
    }
    // One byte more shows that there is more.
    let mut out = Vec::with_capacity(most_bytes + 1);
    let mut stream = Decompress::new(true);
    match stream.decompress_vec(packed, &mut out, FlushDecompress::Finish) {
        Ok(Status::StreamEnd) if out.len() <= most_bytes => Ok(out),
        Ok(_) if out.len() <= most_bytes => Err(UnpackError::Truncated),
        Ok(_) => Err(UnpackError::Length {
            expected: most_bytes,
            found: out.len(),
        }),
        Err(_) => Err(UnpackError::BadHeader),
    }
}

#[cfg(test)]
mod tests {
    use super::super::fixtures::{self, hex, keeper};
    use super::*;
    use proptest::prelude::*;
    use std::io::Write;

    fn packed(plain: &[u8]) -> Vec<u8> {
        let mut encoder =
            flate2::write::ZlibEncoder::new(Vec::new(), flate2::Compression::default());
        encoder.write_all(plain).unwrap();
        let mut out = encoder.finish().unwrap();
        out.resize(out.len().next_multiple_of(4096), 0);
        out
    }

    /// Forty lines as the zlib of python3 (a library of its own) packs them at level 6, with padding behind.
    #[test]
    fn a_stream_of_another_encoder_is_read() {
        let hex = "789c7dd3b10d83501443d19e29de0029629b101887e24b20a11091bfbf9820b7bedd91bdd6d17a6f57f5b3fad6eab79ddf47\
            1dfba7d57358ff475134c5501c29be284e14df14678a0b2230111a0991844a4226a193104a2825a4125a19adcc7b422ba395\
            d1ca6865b4325a19ad8c5641aba055f87c6815b40a5a05ad825641ab2cc30dbe3e8728";
        let mut raw: Vec<u8> = (0..hex.len() / 2)
            .map(|at| u8::from_str_radix(&hex[at * 2..at * 2 + 2], 16).unwrap())
            .collect();
        let plain: String = (0..40)
            .map(|line| format!("a letter to the shop, line {line}\n"))
            .collect();
        raw.resize(4096, 0);
        assert_eq!(unpack(&raw, plain.len()), Ok(plain.into_bytes()));
        assert_eq!(unpack(&raw[..90], 1200), Err(UnpackError::Truncated));
        assert_eq!(unpack(&raw, MOST + 1), Err(UnpackError::TooLong));
    }

    #[test]
    fn what_the_kernel_wrote() {
        let mut packed = hex(fixtures::ZLIB);
        packed.resize(packed.len().next_multiple_of(4096), 0);
        assert_eq!(unpack(&packed, 12_288), Ok(keeper(12_000)));
        assert_eq!(unpack(&hex(fixtures::ZLIB_INLINE), 1500), Ok(keeper(1500)));
    }

    proptest! {
        #![proptest_config(ProptestConfig { failure_persistence: None, ..ProptestConfig::default() })]

        #[test]
        fn what_was_packed_comes_back(plain in proptest::collection::vec(0u8..9, 1..20_000)) {
            let packed = packed(&plain);
            let unpacked = unpack(&packed, plain.len());
            prop_assert_eq!(unpacked.as_ref(), Ok(&plain));
            prop_assert_eq!(unpack(&packed, plain.len() + 1), Ok(plain.clone()));
            prop_assert!(unpack(&packed, plain.len() - 1).is_err());
        }

        #[test]
        fn changed_bytes_never_give_other_content(plain in proptest::collection::vec(0u8..9, 200..5000), at in 0usize..100, bit in 0u8..8) {
            let mut packed = packed(&plain);
            packed[at] ^= 1 << bit;
            // Its checksum (Adler-32) is within the stream.
            if let Ok(found) = unpack(&packed, plain.len()) {
                prop_assert_eq!(found, plain);
            }
        }
    }
}
