//! The boot region of an exFAT volume (Microsoft exFAT specification, 3.1 and 3.4).

use crate::port::Fault;
use crate::volume::bytes::{Part, is, le16, le32, le64, u8_at};

/// Sectors of one boot region.
const REGION: u64 = 12;

/// A geometry that can be true. Counts are in the volume's own sectors.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Boot {
    /// Sectors of the volume.
    pub sectors: u64,
    /// Bytes of one sector.
    pub sector_bytes: u64,
    /// Bytes of one cluster.
    pub cluster_bytes: u64,
    /// First sector of the first table.
    pub table: u32,
    /// Sectors of one table.
    pub table_sectors: u32,
    /// Number of tables.
    pub tables: u8,
    /// First sector of the clusters.
    pub heap: u32,
    /// Clusters.
    pub clusters: u32,
    /// First cluster of the root folder.
    pub root_cluster: u32,
    /// Serial number.
    pub serial: u32,
    /// Flags: 1 = the second table counts, 2 = dirty, 4 = media failures seen.
    pub flags: u16,
}

impl Boot {
    /// Parses 512 bytes, or says why they are not an exFAT boot sector.
    pub fn parse(sector: &[u8]) -> Result<Self, String> {
        if sector.len() < 512 || !is(sector, 3, b"EXFAT   ") {
            return Err("no exFAT signature".to_owned());
        }
        if sector
            .get(11..64)
            .is_none_or(|zero| zero.iter().any(|b| *b != 0))
        {
            return Err("bytes 11 to 63 are not zero".to_owned());
        }
        if !is(sector, 510, &[0x55, 0xAA]) {
            return Err("no boot signature".to_owned());
        }
        let (sector_shift, cluster_shift) = (u8_at(sector, 108), u8_at(sector, 109));
        if !(9..=12).contains(&sector_shift)
            || u32::from(sector_shift) + u32::from(cluster_shift) > 25
        {
            return Err(format!(
                "sectors of 2^{sector_shift} bytes, clusters of 2^{cluster_shift} sectors"
            ));
        }
        let boot = Self {
            sectors: le64(sector, 72),
            sector_bytes: 1 << sector_shift,
            cluster_bytes: 1 << (u32::from(sector_shift) + u32::from(cluster_shift)),
            table: le32(sector, 80),
            table_sectors: le32(sector, 84),
            tables: u8_at(sector, 110),
            heap: le32(sector, 88),
            clusters: le32(sector, 92),
            root_cluster: le32(sector, 96),
            serial: le32(sector, 100),
            flags: le16(sector, 106),
        };
        if !matches!(boot.tables, 1 | 2) {
            return Err(format!("{} allocation tables", boot.tables));
        }
        let tables_end =
            u64::from(boot.table) + u64::from(boot.table_sectors) * u64::from(boot.tables);
        if boot.table < 24 || tables_end > u64::from(boot.heap) {
            return Err("the allocation table overlaps something else".to_owned());
        }
        let clusters_end = u64::from(boot.clusters) << cluster_shift;
        if boot.sectors.checked_mul(boot.sector_bytes).is_none()
            || u64::from(boot.heap) + clusters_end > boot.sectors
            || boot.clusters == 0
            || boot.clusters > 0xFFFF_FFF5
        {
            return Err(format!(
                "{} clusters do not fit in {} sectors",
                boot.clusters, boot.sectors
            ));
        }
        let entries = u64::from(boot.table_sectors) * boot.sector_bytes / 4;
        if entries < u64::from(boot.clusters) + 2 {
            return Err("the allocation table is too short for the clusters".to_owned());
        }
        if boot.root_cluster < 2 || boot.root_cluster - 2 >= boot.clusters {
            return Err(format!(
                "the root folder lies at cluster {}",
                boot.root_cluster
            ));
        }
        Ok(boot)
    }

    /// Bytes of the volume.
    pub fn bytes(&self) -> u64 {
        self.sectors.saturating_mul(self.sector_bytes)
    }

    /// First byte of cluster 2.
    pub fn data_at(&self) -> u64 {
        u64::from(self.heap) * self.sector_bytes
    }

    /// First byte of the table that counts.
    pub fn table_at(&self) -> u64 {
        let second = u64::from(self.tables == 2 && self.flags & 1 != 0);
        (u64::from(self.table) + second * u64::from(self.table_sectors)) * self.sector_bytes
    }

    /// The serial number as Windows prints it.
    pub fn serial_text(&self) -> String {
        format!("{:04X}-{:04X}", self.serial >> 16, self.serial & 0xFFFF)
    }

    /// Whether the region whose first sector lies at `at` bears its own check sum: eleven sectors are
    /// summed, the twelfth repeats the sum. Flags and the share in use are left out of it.
    pub fn region_holds(&self, part: &Part<'_>, at: u64) -> Result<bool, Fault> {
        let sector = self.sector_bytes as usize;
        let region = part.read_vec(at, sector * REGION as usize)?;
        let (summed, sums) = region.split_at(sector * 11);
        let sum = summed
            .iter()
            .enumerate()
            .filter(|(place, _)| !matches!(place, 106 | 107 | 112))
            .fold(0u32, |sum, (_, byte)| {
                sum.rotate_right(1).wrapping_add(u32::from(*byte))
            });
        Ok(sums.chunks_exact(4).all(|repeat| le32(repeat, 0) == sum))
    }
}
