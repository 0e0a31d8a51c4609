//! The boot sector: sizes and the place of the file table.
//!
//! Invariant: a [`Geometry`] holds only sizes that NTFS can have, so that nothing computed
//! from it overflows or divides by zero.

use super::raw::{u8_at, u16_at, u64_at};
use std::fmt;

/// Sizes and places of one NTFS volume.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Geometry {
    /// Bytes of one sector as the volume counts them: 256 to 4096.
    pub sector_bytes: u32,
    /// Bytes of one cluster: up to 2 MiB.
    pub cluster_bytes: u64,
    /// Sectors of the volume; the partition has one more, which holds the copy of the boot sector.
    pub sectors: u64,
    /// Whole clusters of the volume.
    pub clusters: u64,
    /// First cluster of $MFT.
    pub table_cluster: u64,
    /// First cluster of $MFTMirr.
    pub mirror_cluster: u64,
    /// Bytes of one file record: 512 to 64 KiB.
    pub record_bytes: u32,
    /// The volume's serial number.
    pub serial: u64,
}

/// What is wrong with a boot sector.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct NoBoot(pub String);

impl fmt::Display for NoBoot {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&self.0)
    }
}

impl Geometry {
    /// Reads a boot sector (at least its first 512 bytes).
    pub fn parse(sector: &[u8]) -> Result<Self, NoBoot> {
        let no = |what: &str, found: u64| NoBoot(format!("{what} ({found})"));
        if sector.get(3..11) != Some(b"NTFS    ".as_slice()) {
            return Err(NoBoot(
                "no NTFS boot sector: the name at byte 3 is missing".to_owned(),
            ));
        }
        let short = || NoBoot("boot sector shorter than 512 bytes".to_owned());
        if sector.len() < 512 {
            return Err(short());
        }
        let sector_bytes = u16_at(sector, 0x0B).ok_or_else(short)?;
        if !sector_bytes.is_power_of_two() || !(256..=4096).contains(&sector_bytes) {
            return Err(no("impossible sector size", sector_bytes.into()));
        }
        let per_cluster = u8_at(sector, 0x0D).ok_or_else(short)?;
        // Up to 128 as a number, above as a negated power of two.
        let sectors_per_cluster = match per_cluster {
            1..=0x80 if per_cluster.is_power_of_two() => u64::from(per_cluster),
            0xF4..=0xFF => 1u64 << (256 - u32::from(per_cluster)),
            _ => {
                return Err(no(
                    "impossible number of sectors in a cluster",
                    per_cluster.into(),
                ));
            }
        };
        let cluster_bytes = u64::from(sector_bytes) * sectors_per_cluster;
        if cluster_bytes > 2 << 20 {
            return Err(no("cluster larger than 2 MiB", cluster_bytes));
        }
        let sectors = u64_at(sector, 0x28).ok_or_else(short)?;
        if sectors == 0 || sectors > (i64::MAX as u64) / u64::from(sector_bytes) {
            return Err(no("impossible number of sectors", sectors));
        }
        let clusters = sectors / sectors_per_cluster;
        let table_cluster = u64_at(sector, 0x30).ok_or_else(short)?;
        let mirror_cluster = u64_at(sector, 0x38).ok_or_else(short)?;
        if table_cluster >= clusters {
            return Err(no(
                "the file table starts outside the volume, at cluster",
                table_cluster,
            ));
        }
        let size = u8_at(sector, 0x40).ok_or_else(short)?;
        // Positive: clusters. Negative: a power of two in bytes.
        let record_bytes = match size {
            1..=0x7F => u64::from(size) * cluster_bytes,
            0xF0..=0xFF => 1u64 << (256 - u32::from(size)),
            _ => return Err(no("impossible record size", size.into())),
        };
        if !record_bytes.is_power_of_two() || !(512..=65_536).contains(&record_bytes) {
            return Err(no("impossible record size", record_bytes));
        }
        Ok(Self {
            sector_bytes: sector_bytes.into(),
            cluster_bytes,
            sectors,
            clusters,
            table_cluster,
            mirror_cluster,
            record_bytes: record_bytes as u32,
            serial: u64_at(sector, 0x48).ok_or_else(short)?,
        })
    }

    /// Bytes that the volume occupies, without the copy of the boot sector.
    pub fn bytes(&self) -> u64 {
        self.sectors.saturating_mul(self.sector_bytes.into())
    }

    /// The serial as it is commonly written: 16 hex digits.
    pub fn serial_text(&self) -> String {
        format!("{:016X}", self.serial)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The fields of a 16 MiB volume made by mkntfs.
    pub fn sample() -> Vec<u8> {
        let mut b = vec![0u8; 512];
        b[3..11].copy_from_slice(b"NTFS    ");
        b[0x0B..0x0D].copy_from_slice(&512u16.to_le_bytes());
        b[0x0D] = 8;
        b[0x28..0x30].copy_from_slice(&32_767u64.to_le_bytes());
        b[0x30..0x38].copy_from_slice(&4u64.to_le_bytes());
        b[0x38..0x40].copy_from_slice(&2047u64.to_le_bytes());
        b[0x40] = 0xF6;
        b
    }

    #[test]
    fn sizes_in_both_notations() {
        let g = Geometry::parse(&sample()).unwrap();
        assert_eq!(
            (g.cluster_bytes, g.record_bytes, g.clusters),
            (4096, 1024, 4095)
        );
        let mut b = sample();
        b[0x0D] = 0xF4; // 2^12 sectors: 2 MiB
        b[0x40] = 0xF4; // 4096-byte records
        let g = Geometry::parse(&b).unwrap();
        assert_eq!((g.cluster_bytes, g.record_bytes), (2 << 20, 4096));
        let mut b = sample();
        b[0x0B..0x0D].copy_from_slice(&4096u16.to_le_bytes());
        b[0x0D] = 1;
        b[0x40] = 1;
        assert_eq!(Geometry::parse(&b).unwrap().record_bytes, 4096);
    }

    #[test]
    fn impossible_sizes_are_refused() {
        for (at, bytes) in [
            (0x0B, vec![0u8, 0]),
            (0x0B, vec![0x01, 0x02]),
            (0x0D, vec![0]),
            (0x0D, vec![3]),
            (0x0D, vec![0xF0]),
            (0x28, vec![0; 8]),
            (0x28, vec![0xFF; 8]),
            (0x30, vec![0xFF; 8]),
            (0x40, vec![0]),
            (0x40, vec![0x80]),
            (0x40, vec![3]),
            (0, vec![0; 12]),
        ] {
            let mut b = sample();
            b[at..at + bytes.len()].copy_from_slice(&bytes);
            assert!(Geometry::parse(&b).is_err(), "{at:#x} {bytes:?}");
        }
        assert!(Geometry::parse(&sample()[..100]).is_err());
    }
}
