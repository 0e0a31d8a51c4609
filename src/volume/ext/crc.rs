//! The sums that ext volumes keep: CRC-32C (Castagnoli), CRC-16 of group descriptors, and the plain CRC-32 of old
//! journal commits, high bit first. All three run without the usual inversion at their ends, as the format wants it.

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

/// CRC-32C of `bytes`, going on from `crc`.
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
        // RFC 3720, B.4: 32 bytes of zeros, of ones, ascending.
        assert_eq!(!crc32c(!0, &[0; 32]), 0x8A91_36AA);
        assert_eq!(!crc32c(!0, &[0xFF; 32]), 0x62A8_AB43);
        let ascending: Vec<u8> = (0..32).collect();
        assert_eq!(!crc32c(!0, &ascending), 0x46DD_794E);
    }
}
