//! GUIDs as the UEFI specification stores them: the first three groups little-endian, the last
//! two as written; and the partition types that matter before a wipe.

use crate::volume::bytes::array;
use std::fmt;

/// A GUID, 16 bytes as they lie on the disk.
#[derive(Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord, Default)]
pub struct Guid(pub [u8; 16]);

impl Guid {
    /// From its text groups.
    pub const fn new(a: u32, b: u16, c: u16, d: [u8; 8]) -> Self {
        let (a, b, c) = (a.to_le_bytes(), b.to_le_bytes(), c.to_le_bytes());
        Self([
            a[0], a[1], a[2], a[3], b[0], b[1], c[0], c[1], d[0], d[1], d[2], d[3], d[4], d[5],
            d[6], d[7],
        ])
    }

    /// The GUID at `at` of a buffer; all zero when the buffer ends before.
    pub fn at(buf: &[u8], at: usize) -> Self {
        Self(array(buf, at).unwrap_or_default())
    }

    /// All bytes zero: "not used" in a partition entry.
    pub fn is_zero(self) -> bool {
        self.0 == [0; 16]
    }
}

impl fmt::Display for Guid {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let b = self.0;
        for place in [
            3, 2, 1, 0, 16, 5, 4, 16, 7, 6, 16, 8, 9, 16, 10, 11, 12, 13, 14, 15,
        ] {
            match b.get(place) {
                Some(byte) => write!(f, "{byte:02X}")?,
                None => f.write_str("-")?,
            }
        }
        Ok(())
    }
}

impl fmt::Debug for Guid {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        fmt::Display::fmt(self, f)
    }
}

const APPLE: [u8; 8] = [0xAA, 0x11, 0x00, 0x30, 0x65, 0x43, 0xEC, 0xAC];

/// EFI system partition.
pub const EFI_SYSTEM: Guid = Guid::new(
    0xC12A7328,
    0xF81F,
    0x11D2,
    [0xBA, 0x4B, 0x00, 0xA0, 0xC9, 0x3E, 0xC9, 0x3B],
);
/// Microsoft reserved partition.
pub const MICROSOFT_RESERVED: Guid = Guid::new(
    0xE3C9E316,
    0x0B5C,
    0x4DB8,
    [0x81, 0x7D, 0xF9, 0x2D, 0xF0, 0x02, 0x15, 0xAE],
);
/// Basic data.
pub const BASIC_DATA: Guid = Guid::new(
    0xEBD0A0A2,
    0xB9E5,
    0x4433,
    [0x87, 0xC0, 0x68, 0xB6, 0xB7, 0x26, 0x99, 0xC7],
);
/// Windows recovery environment.
pub const WINDOWS_RECOVERY: Guid = Guid::new(
    0xDE94BBA4,
    0x06D1,
    0x4D40,
    [0xA1, 0x6A, 0xBF, 0xD5, 0x01, 0x79, 0xD6, 0xAC],
);
/// Metadata of a dynamic disk.
pub const LDM_METADATA: Guid = Guid::new(
    0x5808C8AA,
    0x7E8F,
    0x42E0,
    [0x85, 0xD2, 0xE1, 0xE9, 0x04, 0x34, 0xCF, 0xB3],
);
/// Data of a dynamic disk.
pub const LDM_DATA: Guid = Guid::new(
    0xAF9B60A0,
    0x1431,
    0x4F62,
    [0xBC, 0x68, 0x33, 0x11, 0x71, 0x4A, 0x69, 0xAD],
);
/// Member of a storage pool.
pub const STORAGE_SPACES: Guid = Guid::new(
    0xE75CAF8F,
    0xF680,
    0x4CEE,
    [0xAF, 0xA3, 0xB0, 0x01, 0xE5, 0x6E, 0xFC, 0x2D],
);
/// BIOS boot code.
pub const BIOS_BOOT: Guid = Guid::new(
    0x21686148,
    0x6449,
    0x6E6F,
    [0x74, 0x4E, 0x65, 0x65, 0x64, 0x45, 0x46, 0x49],
);
/// Linux file system.
pub const LINUX: Guid = Guid::new(
    0x0FC63DAF,
    0x8483,
    0x4772,
    [0x8E, 0x79, 0x3D, 0x69, 0xD8, 0x47, 0x7D, 0xE4],
);
/// Linux swap.
pub const LINUX_SWAP: Guid = Guid::new(
    0x0657FD6D,
    0xA4AB,
    0x43C4,
    [0x84, 0xE5, 0x09, 0x33, 0xC8, 0x4B, 0x4F, 0x4F],
);
/// Linux LVM.
pub const LINUX_LVM: Guid = Guid::new(
    0xE6D6D379,
    0xF507,
    0x44C2,
    [0xA2, 0x3C, 0x23, 0x8F, 0x2A, 0x3D, 0xF9, 0x28],
);
/// Linux RAID.
pub const LINUX_RAID: Guid = Guid::new(
    0xA19D880F,
    0x05FC,
    0x4D3B,
    [0xA0, 0x06, 0x74, 0x3F, 0x0F, 0x84, 0x91, 0x1E],
);
/// LUKS.
pub const LUKS: Guid = Guid::new(
    0xCA7D7CCB,
    0x63ED,
    0x4C53,
    [0x86, 0x1C, 0x17, 0x42, 0x53, 0x60, 0x59, 0xCC],
);
/// Linux home.
pub const LINUX_HOME: Guid = Guid::new(
    0x933AC7E1,
    0x2EB4,
    0x4F13,
    [0xB8, 0x44, 0x0E, 0x14, 0xE2, 0xAE, 0xF9, 0x15],
);
/// HFS+.
pub const HFS_PLUS: Guid = Guid::new(0x48465300, 0x0000, 0x11AA, APPLE);
/// APFS.
pub const APFS: Guid = Guid::new(0x7C3457EF, 0x0000, 0x11AA, APPLE);
/// Core Storage.
pub const CORE_STORAGE: Guid = Guid::new(0x53746F72, 0x6167, 0x11AA, APPLE);

/// What a GPT type means, in words (list of types as kept by util-linux).
pub fn type_in_words(kind: Guid) -> Option<&'static str> {
    const KNOWN: [(Guid, &str); 17] = [
        (EFI_SYSTEM, "EFI system"),
        (MICROSOFT_RESERVED, "Microsoft reserved"),
        (BASIC_DATA, "basic data"),
        (WINDOWS_RECOVERY, "Windows recovery environment"),
        (LDM_METADATA, "metadata of a dynamic disk"),
        (LDM_DATA, "data of a dynamic disk"),
        (STORAGE_SPACES, "member of a storage pool"),
        (BIOS_BOOT, "BIOS boot"),
        (LINUX, "Linux file system"),
        (LINUX_SWAP, "Linux swap"),
        (LINUX_LVM, "Linux LVM"),
        (LINUX_RAID, "Linux RAID"),
        (LUKS, "LUKS"),
        (LINUX_HOME, "Linux home"),
        (HFS_PLUS, "HFS+"),
        (APFS, "APFS"),
        (CORE_STORAGE, "Core Storage"),
    ];
    KNOWN
        .iter()
        .find(|(guid, _)| *guid == kind)
        .map(|(_, words)| *words)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn text_and_disk_order_differ_as_the_uefi_specification_says() {
        assert_eq!(
            EFI_SYSTEM.to_string(),
            "C12A7328-F81F-11D2-BA4B-00A0C93EC93B"
        );
        assert_eq!(
            EFI_SYSTEM.0[..8],
            [0x28, 0x73, 0x2A, 0xC1, 0x1F, 0xF8, 0xD2, 0x11]
        );
        assert_eq!(APFS.to_string(), "7C3457EF-0000-11AA-AA11-00306543ECAC");
        assert_eq!(BIOS_BOOT.0, *b"Hah!IdontNeedEFI");
        assert_eq!(type_in_words(LUKS), Some("LUKS"));
        assert_eq!(type_in_words(Guid::default()), None);
    }
}
