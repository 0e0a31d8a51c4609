//! One frame of RFC 8878, as Btrfs keeps an extent.
//!
//! Invariant: not more bytes than expected, or an error; a window that a frame claims is not reserved before it is known to
//! be one that Btrfs writes, and blocks are unpacked one by one, so that a few bytes never become many.

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
