//! LZNT1, the compression of NTFS files ([MS-XCA] 2.5): chunks of 4096 bytes, each with a
//! 16-bit header (bit 15 compressed, bits 14-12 = 3, bits 11-0 length of the chunk's data less 1).
//!
//! Invariant: exactly `expected_len` bytes, or an error. The form lets a buffer end early, with a zero header or with
//! its last chunk; no writer of a file does that before the end of what was written, so fewer bytes than expected are
//! damage. There is no checksum in this form.

use super::{UnpackError, copy_back};

/// Bytes of one chunk, unpacked.
const CHUNK: usize = 4096;

/// Unpacks one compression unit to exactly `expected_len` bytes (at most 16 MiB).
pub fn unpack(src: &[u8], expected_len: usize) -> Result<Vec<u8>, UnpackError> {
    if expected_len > 16 << 20 {
        return Err(UnpackError::TooLong);
    }
    let mut out: Vec<u8> = Vec::with_capacity(expected_len.next_multiple_of(CHUNK));
    let mut rest = src;
    while out.len() < expected_len {
        let Some((head, after)) = rest.split_first_chunk::<2>() else {
            if rest.is_empty() {
                break;
            }
            return Err(UnpackError::Truncated);
        };
        let head = u16::from_le_bytes(*head);
        if head == 0 {
            break;
        }
        if (head >> 12) & 7 != 3 {
            return Err(UnpackError::BadHeader);
        }
        let bytes = usize::from(head & 0x0FFF) + 1;
        let (data, after) = after
            .split_at_checked(bytes)
            .ok_or(UnpackError::Truncated)?;
        rest = after;
        let start = out.len();
        let wanted = CHUNK.min(expected_len - start);
        if head & 0x8000 == 0 {
            // A stored chunk: at most 4096 bytes by the width of the length.
            out.extend_from_slice(data);
        } else {
            chunk(data, start, &mut out)?;
        }
        // Only the last chunk may be shorter: the next one starts on its own 4096-byte border.
        if out.len() - start < wanted {
            break;
        }
    }
    if out.len() < expected_len {
        return Err(UnpackError::Length {
            expected: expected_len,
            found: out.len(),
        });
    }
    out.truncate(expected_len);
    Ok(out)
}

/// One compressed chunk, appended to `out`, whose part from `start` on is this chunk's window.
fn chunk(data: &[u8], start: usize, out: &mut Vec<u8>) -> Result<(), UnpackError> {
    let limit = start + CHUNK;
    let mut bytes = data.iter().copied();
    while let Some(flags) = bytes.next() {
        for bit in 0..8 {
            let Some(first) = bytes.next() else {
                return Ok(());
            };
            if flags & (1 << bit) == 0 {
                if out.len() >= limit {
                    return Err(UnpackError::Length {
                        expected: CHUNK,
                        found: CHUNK + 1,
                    });
                }
                out.push(first);
                continue;
            }
            let second = bytes.next().ok_or(UnpackError::Truncated)?;
            let token = u16::from_le_bytes([first, second]);
            let done = out.len() - start;
            if done == 0 {
                return Err(UnpackError::BadReference);
            }
            // The further the chunk has come, the more bits belong to the displacement:
            // 4 up to 16 bytes, one more at each doubling, 12 beyond 2048.
            let mut wide = 4u32;
            while wide < 12 && (1usize << wide) < done {
                wide += 1;
            }
            let distance = usize::from(token >> (16 - wide)) + 1;
            let length = usize::from(token & (0xFFFF >> wide)) + 3;
            if distance > done {
                return Err(UnpackError::BadReference);
            }
            copy_back(out, distance, length, limit)?;
        }
    }
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    /// [MS-XCA] 3.3, example of LZNT1 (bytes from memory; the text makes them their own check).
    #[test]
    fn published_example() {
        let packed: [u8; 59] = [
            0x38, 0xb0, 0x88, 0x46, 0x23, 0x20, 0x00, 0x20, 0x47, 0x20, 0x41, 0x00, 0x10, 0xa2,
            0x47, 0x01, 0xa0, 0x45, 0x20, 0x44, 0x00, 0x08, 0x45, 0x01, 0x50, 0x79, 0x00, 0xc0,
            0x45, 0x20, 0x05, 0x24, 0x13, 0x88, 0x05, 0xb4, 0x02, 0x4a, 0x44, 0xef, 0x03, 0x58,
            0x02, 0x8c, 0x09, 0x16, 0x01, 0x48, 0x45, 0x00, 0xbe, 0x00, 0x9e, 0x00, 0x04, 0x01,
            0x18, 0x90, 0x00,
        ];
        let plain = b"F# F# G A A G F# E D D E F# F# E E F# F# G A A G F# E D D E F# E D D E E \
F# D E F# G F# D E F# G F# E D E A F# F# G A A G F# E D D E F# E D D\0";
        assert_eq!(unpack(&packed, plain.len()).unwrap(), plain);
    }

    #[test]
    fn stored_chunk_early_end_and_bad_input() {
        let mut packed = vec![0x02, 0x30];
        packed.extend_from_slice(b"abc");
        assert_eq!(unpack(&packed, 3).unwrap(), b"abc");
        // Short of what was written: in its last chunk, before any chunk, behind a whole one.
        let short = |expected, found| Err(UnpackError::Length { expected, found });
        assert_eq!(unpack(&packed, 5), short(5, 3));
        packed.extend_from_slice(&[0, 0, 0xFF, 0xFF]);
        assert_eq!(unpack(&packed, 9000), short(9000, 3));
        assert_eq!(unpack(&[0; 4096], 65_536), short(65_536, 0));
        let mut whole = vec![0xFF, 0x3F];
        whole.extend([7; 4096]);
        assert_eq!(unpack(&whole, 4096).unwrap(), [7; 4096]);
        whole.extend([0, 0]);
        assert_eq!(unpack(&whole, 5000), short(5000, 4096));
        // A reference before the first byte, a wrong signature, a chunk cut short.
        assert_eq!(
            unpack(&[0x02, 0xB0, 0x01, 0x00, 0x00], 10),
            Err(UnpackError::BadReference)
        );
        assert_eq!(
            unpack(&[0x02, 0x90, 0, 0, 0], 10),
            Err(UnpackError::BadHeader)
        );
        assert_eq!(unpack(&[0x02, 0x30, 0], 10), Err(UnpackError::Truncated));
    }

    proptest! {
        #![proptest_config(ProptestConfig { failure_persistence: None, ..ProptestConfig::default() })]
        #[test]
        fn any_bytes(src in proptest::collection::vec(any::<u8>(), 0..600), len in 0usize..70_000) {
            if let Ok(out) = unpack(&src, len) {
                prop_assert_eq!(out.len(), len);
            }
        }
    }
}
