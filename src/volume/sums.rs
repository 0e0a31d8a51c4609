//! Checksums that file systems keep of their tables and of contents.
//!
//! Invariant: a sum fits only when all of its bytes do.

use blake2::Blake2b256;
use sha2::{Digest, Sha256};

/// Eight tables, so that eight bytes are taken at once.
const CASTAGNOLI: [[u32; 256]; 8] = castagnoli();

const fn castagnoli() -> [[u32; 256]; 8] {
    let mut tables = [[0u32; 256]; 8];
    let mut byte = 0;
    while byte < 256 {
        let mut value = byte as u32;
        let mut bit = 0;
        while bit < 8 {
            value = (value >> 1) ^ (0x82F6_3B78 & (value & 1).wrapping_neg());
            bit += 1;
        }
        tables[0][byte] = value;
        byte += 1;
    }
    let mut table = 1;
    while table < 8 {
        let mut byte = 0;
        while byte < 256 {
            let before = tables[table - 1][byte];
            tables[table][byte] = (before >> 8) ^ tables[0][(before & 0xFF) as usize];
            byte += 1;
        }
        table += 1;
    }
    tables
}

/// CRC-32C of `bytes`, going on from `crc`, without the usual inversion at its ends.
pub fn crc32c(mut crc: u32, bytes: &[u8]) -> u32 {
    let look = |table: usize, value: u32| {
        CASTAGNOLI
            .get(table)
            .and_then(|table| table.get((value & 0xFF) as usize))
            .copied()
            .unwrap_or(0)
    };
    let (eights, rest) = bytes.as_chunks::<8>();
    for eight in eights {
        let [a, b, c, d, e, f, g, h] = *eight;
        let low = crc ^ u32::from_le_bytes([a, b, c, d]);
        crc = look(7, low)
            ^ look(6, low >> 8)
            ^ look(5, low >> 16)
            ^ look(4, low >> 24)
            ^ look(3, e.into())
            ^ look(2, f.into())
            ^ look(1, g.into())
            ^ look(0, h.into());
    }
    for byte in rest {
        crc = look(0, crc ^ u32::from(*byte)) ^ (crc >> 8);
    }
    crc
}

/// A kind of checksum, as Btrfs numbers them (`btrfs_tree.h`, `btrfs_csum_type`).
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Sum {
    /// CRC-32C (RFC 3720, B.4), little-endian.
    Crc32c,
    /// xxHash64 with seed 0, little-endian.
    XxHash64,
    /// SHA-256 (FIPS 180-4).
    Sha256,
    /// BLAKE2b of 256 bits (RFC 7693).
    Blake2b,
}

impl Sum {
    /// By its number; `None` = unknown.
    pub fn from_code(code: u16) -> Option<Self> {
        [Self::Crc32c, Self::XxHash64, Self::Sha256, Self::Blake2b]
            .get(usize::from(code))
            .copied()
    }

    /// Its number.
    pub fn code(self) -> u16 {
        self as u16
    }

    /// Bytes of one.
    pub fn bytes(self) -> usize {
        match self {
            Self::Crc32c => 4,
            Self::XxHash64 => 8,
            Self::Sha256 | Self::Blake2b => 32,
        }
    }

    /// Whether `said` is the checksum of `data`.
    pub fn matches(self, data: &[u8], said: &[u8]) -> bool {
        match self {
            Self::Crc32c => said == (!crc32c(!0, data)).to_le_bytes(),
            Self::XxHash64 => said == twox_hash::XxHash64::oneshot(0, data).to_le_bytes(),
            Self::Sha256 => said == Sha256::digest(data).as_slice(),
            Self::Blake2b => said == Blake2b256::digest(data).as_slice(),
        }
    }

    /// The checksum of `data`, for tests.
    #[cfg(test)]
    pub fn of(self, data: &[u8]) -> Vec<u8> {
        match self {
            Self::Crc32c => (!crc32c(!0, data)).to_le_bytes().to_vec(),
            Self::XxHash64 => twox_hash::XxHash64::oneshot(0, data).to_le_bytes().to_vec(),
            Self::Sha256 => Sha256::digest(data).to_vec(),
            Self::Blake2b => Blake2b256::digest(data).to_vec(),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn raw(hex: &str) -> Vec<u8> {
        hex.as_bytes()
            .chunks(2)
            .map(|pair| u8::from_str_radix(std::str::from_utf8(pair).unwrap(), 16).unwrap())
            .collect()
    }

    /// RFC 3720, B.4; FIPS 180-4 examples ("abc"); for the rest `b2sum -l 256` of coreutils and the specification of xxHash
    /// (the empty input).
    #[test]
    fn published_values() {
        let fits = |sum: Sum, data: &[u8], hex: &str| {
            let said = raw(hex);
            assert_eq!(said.len(), sum.bytes());
            assert!(sum.matches(data, &said), "{sum:?}");
            assert!(!sum.matches(data, &said[1..]), "{sum:?}");
            assert_eq!(sum.of(data), said);
            assert_eq!(Sum::from_code(sum.code()), Some(sum));
        };
        fits(Sum::Crc32c, &[0; 32], "aa36918a");
        fits(Sum::Crc32c, &[0xFF; 32], "43aba862");
        let ascending: Vec<u8> = (0..32).collect();
        fits(Sum::Crc32c, &ascending, "4e79dd46");
        fits(Sum::XxHash64, b"", "99e9d85137db46ef");
        fits(
            Sum::Sha256,
            b"abc",
            "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad",
        );
        fits(
            Sum::Blake2b,
            b"abc",
            "bddd813c634239723171ef3fee98579b94964e3bb1cb3e427262c8c068d52319",
        );
        assert_eq!(Sum::from_code(4), None);
    }
}
