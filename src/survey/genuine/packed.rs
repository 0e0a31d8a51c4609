//! Unpacking in passing, to compare checksums: of packages (DEFLATE, RFC 1951) and gzip archives (RFC 1952).
//!
//! Invariants: nothing is kept of what is unpacked; one look spends no more than its [`Budget`], however the bytes
//! were made (lists that name the same bytes a thousand times, content that unpacks to a million times its size);
//! what the budget does not reach is taken as it is.

use super::look::Look;
use crate::port::Fault;
use std::io::{BufRead, BufReader, Read};

/// Bytes asked of the file at once.
const PIECE: usize = 64 << 10;
/// Unpacked beside the share of the file's own size, and at most in all (engineering judgement: ordinary documents
/// unpack to less than twenty times their size, and a look should take seconds).
const OUT_FREE: u64 = 64 << 20;
const OUT_SHARE: u64 = 32;
const OUT_MOST: u64 = 2 << 30;

/// What one look may still spend.
pub struct Budget {
    read: u64,
    out: u64,
}

impl Budget {
    /// For a file of so many bytes: all of it is read little more than once.
    pub fn of(bytes: u64) -> Self {
        let out = OUT_FREE.saturating_add(bytes.saturating_mul(OUT_SHARE));
        Self {
            read: bytes.saturating_add(1 << 20),
            out: out.min(OUT_MOST),
        }
    }

    /// Takes so many bytes of reading out of it; `false` = there are not so many left.
    pub fn reads(&mut self, bytes: u64) -> bool {
        let left = self.read.checked_sub(bytes);
        self.read = left.unwrap_or(0);
        left.is_some()
    }
}

/// How unpacking went.
#[derive(Debug, PartialEq)]
pub enum Unpacked {
    /// To its end: the checksum and the length of what came out.
    Whole(u32, u64),
    /// It is no such data, or ends too early.
    Broken,
    /// Its own checksum or length does not fit.
    Differs,
    /// The budget ended first.
    NotLooked,
}

/// A file's bytes between two places as a stream; a fault of reading is kept apart from what the unpacker says.
struct Feed<'a, 'b> {
    look: &'a mut Look<'b>,
    at: u64,
    end: u64,
    fault: &'a mut Option<Fault>,
}

impl Read for Feed<'_, '_> {
    fn read(&mut self, buf: &mut [u8]) -> std::io::Result<usize> {
        let left = usize::try_from(self.end.saturating_sub(self.at)).unwrap_or(usize::MAX);
        let wanted = buf.len().min(left).min(PIECE);
        let part = self.look.at(self.at, wanted).map_err(|fault| {
            *self.fault = Some(fault);
            std::io::Error::other("the file could not be read")
        })?;
        let Some(into) = buf.get_mut(..part.len()) else {
            return Ok(0);
        };
        into.copy_from_slice(&part);
        self.at = self.at.saturating_add(part.len() as u64);
        Ok(part.len())
    }
}

/// Reads `from` to its end, and only its checksum and length stay.
fn drain(from: &mut dyn Read, budget: &mut Budget) -> Unpacked {
    let (mut hasher, mut length) = (crc32fast::Hasher::new(), 0u64);
    let mut block = vec![0u8; PIECE];
    loop {
        match from.read(&mut block) {
            Ok(0) => return Unpacked::Whole(hasher.finalize(), length),
            Ok(count) => {
                hasher.update(block.get(..count).unwrap_or_default());
                length = length.saturating_add(count as u64);
                if length > budget.out {
                    budget.out = 0;
                    return Unpacked::NotLooked;
                }
            }
            // The unpacker's way to say that only the account at the end does not fit.
            Err(e) if e.to_string().contains("checksum") => return Unpacked::Differs,
            Err(_) => return Unpacked::Broken,
        }
    }
}

/// Unpacks the DEFLATE data of `packed` bytes at `at`.
///
/// # Errors
/// When the file cannot be read.
pub fn deflated(
    look: &mut Look<'_>,
    at: u64,
    packed: u64,
    budget: &mut Budget,
) -> Result<Unpacked, Fault> {
    if !budget.reads(packed) {
        return Ok(Unpacked::NotLooked);
    }
    let mut fault = None;
    let feed = Feed {
        look,
        at,
        end: at.saturating_add(packed),
        fault: &mut fault,
    };
    let from = BufReader::with_capacity(PIECE, feed);
    let unpacked = drain(&mut flate2::bufread::DeflateDecoder::new(from), budget);
    if let Unpacked::Whole(_, length) = unpacked {
        budget.out = budget.out.saturating_sub(length);
    }
    fault.map_or(Ok(unpacked), Err)
}

/// RFC 1952, 2.2 and 2.3.1: members one after the other, each with checksum and length of what it holds. What follows
/// the last member (zeros of a tape, a signature) is no part of it.
pub fn gzip(look: &mut Look<'_>) -> Result<Option<String>, Fault> {
    let mut budget = Budget::of(look.bytes());
    let mut fault = None;
    let feed = Feed {
        at: 0,
        end: look.bytes(),
        look,
        fault: &mut fault,
    };
    let mut from = BufReader::with_capacity(PIECE, feed);
    let mut doubt = None;
    loop {
        // A member begins with 1F 8B; a piece that ends between the two is one of garbage behind the last.
        let begins = from
            .fill_buf()
            .is_ok_and(|part| part.starts_with(&[0x1f, 0x8b]));
        if !begins {
            break;
        }
        let mut member = flate2::bufread::GzDecoder::new(from);
        match drain(&mut member, &mut budget) {
            Unpacked::Whole(_, length) => budget.out = budget.out.saturating_sub(length),
            Unpacked::NotLooked => break,
            Unpacked::Differs => {
                doubt = Some("its checksum does not fit".to_owned());
                break;
            }
            Unpacked::Broken => {
                doubt =
                    Some("it cannot be unpacked to its end: it is spoilt or cut off".to_owned());
                break;
            }
        }
        from = member.into_inner();
    }
    fault.map_or(Ok(doubt), Err)
}
