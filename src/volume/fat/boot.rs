//! The boot sector of a FAT volume (Microsoft FAT specification, "Boot Sector and BPB").

use crate::volume::bytes::{is, label_text, le16, le32, u8_at};
use crate::volume::chain::EntryForm;

/// Which of the three widths.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Width {
    /// 12 bits.
    Fat12,
    /// 16 bits.
    Fat16,
    /// 32 bits, of which 28 count.
    Fat32,
}

impl Width {
    /// The name, as people write it.
    pub fn word(self) -> &'static str {
        match self {
            Width::Fat12 => "FAT12",
            Width::Fat16 => "FAT16",
            Width::Fat32 => "FAT32",
        }
    }

    /// How table entries lie.
    pub fn form(self) -> EntryForm {
        match self {
            Width::Fat12 => EntryForm::Bits12,
            Width::Fat16 => EntryForm::Bits16,
            Width::Fat32 => EntryForm::Bits28,
        }
    }
}

/// A geometry that can be true. Counts are in the volume's own sectors.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Boot {
    /// Width, decided by the count of clusters (FAT32: by its own field for the table's length).
    pub width: Width,
    /// Bytes of one sector.
    pub sector_bytes: u32,
    /// Bytes of one cluster.
    pub cluster_bytes: u32,
    /// Sectors before the first table.
    pub reserved: u32,
    /// Number of tables.
    pub tables: u32,
    /// Sectors of one table.
    pub table_sectors: u32,
    /// Entries of the fixed root folder (not FAT32).
    pub root_entries: u32,
    /// First cluster of the root folder (FAT32).
    pub root_cluster: u32,
    /// Sectors of the volume.
    pub sectors: u32,
    /// Clusters that both the volume and its table have room for.
    pub clusters: u32,
    /// The table has entries for fewer clusters than the volume has room for.
    pub table_short: bool,
    /// Which table counts, when they are not kept equal (FAT32).
    pub only_table: Option<u32>,
    /// Serial number, if the boot sector has one.
    pub serial: Option<u32>,
    /// Label in the boot sector; the one in the root folder counts more.
    pub label: Option<String>,
    /// The "not closed properly" bit that Windows keeps here.
    pub dirty: bool,
}

impl Boot {
    /// Parses 512 bytes, or says why they are not a FAT boot sector.
    pub fn parse(sector: &[u8]) -> Result<Self, String> {
        if sector.len() < 512 {
            return Err("shorter than a sector".to_owned());
        }
        if !matches!(u8_at(sector, 0), 0xEB | 0xE9) {
            return Err("no jump instruction".to_owned());
        }
        if is(sector, 3, b"NTFS    ") || is(sector, 3, b"EXFAT   ") || is(sector, 3, b"-FVE-FS-") {
            return Err("another format's boot sector".to_owned());
        }
        let sector_bytes = u32::from(le16(sector, 11));
        if !matches!(sector_bytes, 512 | 1024 | 2048 | 4096) {
            return Err(format!("{sector_bytes} bytes per sector"));
        }
        let per_cluster = u32::from(u8_at(sector, 13));
        if !per_cluster.is_power_of_two() {
            return Err(format!("{per_cluster} sectors per cluster"));
        }
        let reserved = u32::from(le16(sector, 14));
        let tables = u32::from(u8_at(sector, 16));
        let root_entries = u32::from(le16(sector, 17));
        let media = u8_at(sector, 21);
        if reserved == 0 || tables == 0 || tables > 4 || !(media == 0xF0 || media >= 0xF8) {
            return Err("fields of the boot sector make no sense".to_owned());
        }
        let sectors = match le16(sector, 19) {
            0 => le32(sector, 32),
            small => u32::from(small),
        };
        let small_table = u32::from(le16(sector, 22));
        let wide = small_table == 0;
        let table_sectors = if wide { le32(sector, 36) } else { small_table };
        let root_sectors = (root_entries * 32).div_ceil(sector_bytes);
        let before = u64::from(reserved)
            + u64::from(tables) * u64::from(table_sectors)
            + u64::from(root_sectors);
        let Some(data) = u64::from(sectors).checked_sub(before) else {
            return Err(format!(
                "{sectors} sectors, but the tables alone take {before}"
            ));
        };
        let room = u32::try_from(data / u64::from(per_cluster)).unwrap_or(u32::MAX);
        if table_sectors == 0 || room == 0 || room > 0x0FFF_FFF5 {
            return Err(format!("{room} clusters, {table_sectors} sectors of table"));
        }
        let width = if wide {
            if root_entries != 0 {
                return Err("the table's length is FAT32's, the root folder is not".to_owned());
            }
            Width::Fat32
        } else if room < 4085 {
            Width::Fat12
        } else if room < 65_525 {
            Width::Fat16
        } else {
            return Err(format!("{room} clusters are too many for 16-bit entries"));
        };
        if !wide && root_entries == 0 {
            return Err("no root folder".to_owned());
        }
        let table_bytes = u64::from(table_sectors) * u64::from(sector_bytes);
        let entries = match width {
            Width::Fat12 => table_bytes * 2 / 3,
            Width::Fat16 => table_bytes / 2,
            Width::Fat32 => table_bytes / 4,
        };
        let named = u32::try_from(entries.saturating_sub(2)).unwrap_or(u32::MAX);
        let extended = if wide { 66 } else { 38 };
        let has_extended = matches!(u8_at(sector, extended), 0x28 | 0x29);
        let flags = le16(sector, 40);
        Ok(Self {
            width,
            sector_bytes,
            cluster_bytes: sector_bytes * per_cluster,
            reserved,
            tables,
            table_sectors,
            root_entries,
            root_cluster: if wide {
                le32(sector, 44) & 0x0FFF_FFFF
            } else {
                0
            },
            sectors,
            clusters: room.min(named),
            table_short: named < room,
            only_table: (wide && flags & 0x80 != 0)
                .then_some(u32::from(flags & 0x0F))
                .filter(|table| *table < tables),
            serial: has_extended.then(|| le32(sector, extended + 1)),
            label: (u8_at(sector, extended) == 0x29)
                .then(|| sector.get(extended + 5..extended + 16))
                .flatten()
                .and_then(label_text)
                .filter(|label| label != "NO NAME"),
            dirty: u8_at(sector, extended - 1) & 1 != 0,
        })
    }

    /// Bytes of the volume.
    pub fn bytes(&self) -> u64 {
        u64::from(self.sectors) * u64::from(self.sector_bytes)
    }

    /// First byte of table `number`.
    pub fn table_at(&self, number: u32) -> u64 {
        (u64::from(self.reserved) + u64::from(number) * u64::from(self.table_sectors))
            * u64::from(self.sector_bytes)
    }

    /// First byte of the fixed root folder (FAT12, FAT16).
    pub fn root_at(&self) -> u64 {
        self.table_at(self.tables)
    }

    /// First byte of cluster 2.
    pub fn data_at(&self) -> u64 {
        let root = (self.root_entries * 32).div_ceil(self.sector_bytes);
        self.root_at() + u64::from(root) * u64::from(self.sector_bytes)
    }

    /// The serial number as Windows prints it.
    pub fn serial_text(&self) -> Option<String> {
        self.serial
            .map(|serial| format!("{:04X}-{:04X}", serial >> 16, serial & 0xFFFF))
    }
}
