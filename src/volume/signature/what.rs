//! The formats that are told apart.

/// One format of a volume, container or lock.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord)]
#[allow(missing_docs)] // each variant is the format's own name
pub enum What {
    BitLocker,
    BitLockerToGo,
    Luks1,
    Luks2,
    Ntfs,
    Fat12,
    Fat16,
    Fat32,
    ExFat,
    Refs,
    Ext2,
    Ext3,
    Ext4,
    Xfs,
    Btrfs,
    F2fs,
    Hfs,
    HfsPlus,
    Apfs,
    Iso9660,
    Udf,
    Squashfs,
    Zfs,
    Swap,
    Lvm,
    Md,
    Ldm,
    StorageSpaces,
    CoreStorage,
    ApplePartitionMap,
}

/// What can be done with a format here.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Role {
    /// A file system that is read directly.
    Readable,
    /// A file system that is not read here.
    Foreign,
    /// Encrypted: nothing of it can be seen without its key.
    Locked,
    /// Holds other volumes, perhaps spread over several drives.
    Container,
    /// Holds no user data by its nature.
    NoUserData,
}

impl What {
    /// The name, as people write it.
    pub fn word(self) -> &'static str {
        match self {
            What::BitLocker => "BitLocker",
            What::BitLockerToGo => "BitLocker To Go",
            What::Luks1 => "LUKS1",
            What::Luks2 => "LUKS2",
            What::Ntfs => "NTFS",
            What::Fat12 => "FAT12",
            What::Fat16 => "FAT16",
            What::Fat32 => "FAT32",
            What::ExFat => "exFAT",
            What::Refs => "ReFS",
            What::Ext2 => "ext2",
            What::Ext3 => "ext3",
            What::Ext4 => "ext4",
            What::Xfs => "XFS",
            What::Btrfs => "Btrfs",
            What::F2fs => "F2FS",
            What::Hfs => "HFS",
            What::HfsPlus => "HFS+",
            What::Apfs => "APFS",
            What::Iso9660 => "ISO 9660",
            What::Udf => "UDF",
            What::Squashfs => "SquashFS",
            What::Zfs => "ZFS",
            What::Swap => "swap",
            What::Lvm => "LVM",
            What::Md => "md",
            What::Ldm => "LDM",
            What::StorageSpaces => "Storage Spaces",
            What::CoreStorage => "Core Storage",
            What::ApplePartitionMap => "Apple partition map",
        }
    }

    /// What can be done with it here.
    pub fn role(self) -> Role {
        match self {
            What::BitLocker | What::BitLockerToGo | What::Luks1 | What::Luks2 => Role::Locked,
            What::Ntfs
            | What::Fat12
            | What::Fat16
            | What::Fat32
            | What::ExFat
            | What::Ext2
            | What::Ext3
            | What::Ext4 => Role::Readable,
            What::Refs
            | What::Xfs
            | What::Btrfs
            | What::F2fs
            | What::Hfs
            | What::HfsPlus
            | What::Apfs
            | What::Iso9660
            | What::Udf
            | What::Squashfs
            | What::Zfs => Role::Foreign,
            What::Lvm
            | What::Md
            | What::Ldm
            | What::StorageSpaces
            | What::CoreStorage
            | What::ApplePartitionMap => Role::Container,
            What::Swap => Role::NoUserData,
        }
    }

    /// Order in which whole hits decide: locks first, then what lies at the very start, then
    /// signatures that older contents leave behind further in or at the end.
    pub(super) fn rank(self) -> u8 {
        match self {
            What::BitLocker | What::BitLockerToGo => 0,
            What::Luks1 | What::Luks2 => 1,
            What::Refs | What::StorageSpaces => 2,
            What::Ntfs | What::ExFat => 3,
            What::Fat12 | What::Fat16 | What::Fat32 => 4,
            What::Xfs | What::Squashfs | What::Apfs | What::CoreStorage => 5,
            What::Ext2 | What::Ext3 | What::Ext4 | What::F2fs | What::HfsPlus | What::Hfs => 6,
            What::Btrfs => 7,
            What::Lvm => 8,
            What::Swap => 9,
            What::Iso9660 | What::Udf => 10,
            What::Zfs => 11,
            What::Md => 12,
            What::Ldm | What::ApplePartitionMap => 13,
        }
    }
}
