//! The sums that ext volumes keep: CRC-32C (Castagnoli), CRC-16 of group descriptors, and the plain CRC-32 of old
//! journal commits, high bit first. All three run without the usual inversion at their ends, as the format wants it.

pub use crate::volume::sums::crc32c;

/// CRC-16 (polynomial 0x8005, low bit first) of `bytes`, going on from `crc`.
pub fn crc16(mut crc: u16, bytes: &[u8]) -> u16 {
    for byte in bytes {
        crc ^= u16::from(*byte);
        for _ in 0..8 {
            crc = (crc >> 1) ^ (0xA001 & (crc & 1).wrapping_neg());
        }
    }
    crc
}

/// CRC-32 (polynomial 0x04C11DB7, high bit first) of `bytes`, going on from `crc`.
pub fn crc32_high(mut crc: u32, bytes: &[u8]) -> u32 {
    for byte in bytes {
        crc ^= u32::from(*byte) << 24;
        for _ in 0..8 {
            crc = (crc << 1) ^ (0x04C1_1DB7 & (crc >> 31).wrapping_neg());
        }
    }
    crc
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The check values of the catalogue of parametrised CRC algorithms: CRC-32/ISCSI, CRC-16/MODBUS, CRC-32/MPEG-2.
    #[test]
    fn published_check_values() {
        assert_eq!(!crc32c(!0, b"123456789"), 0xE306_9283);
        assert_eq!(crc16(!0, b"123456789"), 0x4B37);
        assert_eq!(crc32_high(!0, b"123456789"), 0x0376_E6E7);
    }
}
