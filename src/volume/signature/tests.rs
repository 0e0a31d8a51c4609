//! What lies in an area, told by its first bytes.

#![allow(clippy::single_range_in_vec_init)] // bad places are ranges

use super::*;
use crate::volume::bytes::Image;
use crate::volume::filesystem::Weight;
use crate::volume::gap::{self, Budget};
use crate::volume::map::{PartitionType, guid};
use proptest::prelude::*;

fn image(mib: usize, parts: &[(usize, &[u8])]) -> Image {
    let mut image = Image::new(vec![0; mib << 20]);
    for (at, bytes) in parts {
        image.bytes[*at..*at + bytes.len()].copy_from_slice(bytes);
    }
    image
}

fn kinds(image: &Image) -> Vec<What> {
    probe(image, image.place())
        .hits
        .iter()
        .map(|hit| hit.what)
        .collect()
}

fn boot_ntfs(sectors: u64) -> Vec<u8> {
    let mut boot = vec![0u8; 512];
    boot[..3].copy_from_slice(&[0xEB, 0x52, 0x90]);
    boot[3..11].copy_from_slice(b"NTFS    ");
    boot[11..13].copy_from_slice(&512u16.to_le_bytes());
    boot[13] = 8;
    boot[0x28..0x30].copy_from_slice(&sectors.to_le_bytes());
    boot[0x48..0x50].copy_from_slice(&0x0123_4567_89AB_CDEFu64.to_le_bytes());
    boot[510..512].copy_from_slice(&[0x55, 0xAA]);
    boot
}

/// A FAT32 boot sector of a volume of 64 MiB.
fn boot_fat32() -> Vec<u8> {
    let mut boot = vec![0u8; 512];
    boot[..3].copy_from_slice(&[0xEB, 0x58, 0x90]);
    boot[3..11].copy_from_slice(b"mkfs.fat");
    boot[11..13].copy_from_slice(&512u16.to_le_bytes());
    boot[13] = 1;
    boot[14..16].copy_from_slice(&32u16.to_le_bytes());
    boot[16] = 2;
    boot[21] = 0xF8;
    boot[32..36].copy_from_slice(&131_072u32.to_le_bytes());
    boot[36..40].copy_from_slice(&1024u32.to_le_bytes());
    boot[44..48].copy_from_slice(&2u32.to_le_bytes());
    boot[66] = 0x29;
    boot[67..71].copy_from_slice(&0x1234_ABCDu32.to_le_bytes());
    boot[82..90].copy_from_slice(b"FAT32   ");
    boot[510..512].copy_from_slice(&[0x55, 0xAA]);
    boot
}

/// A metadata block of BitLocker as far as it is in clear: a chip and a recovery key.
fn fve() -> Vec<u8> {
    let mut block = vec![0u8; 2048];
    block[..8].copy_from_slice(b"-FVE-FS-");
    block[10] = 2;
    block[16..24].copy_from_slice(&(64u64 << 20).to_le_bytes());
    block[72] = 48;
    block[80..96].copy_from_slice(&guid::LUKS.0);
    let mut at = 112;
    for (kind, id) in [(0x0100u16, guid::EFI_SYSTEM), (0x0800, guid::BASIC_DATA)] {
        block[at] = 60;
        block[at + 2] = 2;
        block[at + 4] = 8;
        block[at + 8..at + 24].copy_from_slice(&id.0);
        block[at + 34..at + 36].copy_from_slice(&kind.to_le_bytes());
        at += 60;
    }
    block[at] = 14;
    block[at + 2] = 7;
    block[at + 4] = 2;
    block[at + 8..at + 14].copy_from_slice(&[b'P', 0, b'C', 0, 0, 0]);
    at += 14;
    block[64..68].copy_from_slice(&((at - 64) as u32).to_le_bytes());
    block
}

#[test]
fn locks_win_over_the_file_systems_they_imitate() {
    let mut to_go = boot_fat32();
    to_go[3..11].copy_from_slice(b"MSWIN4.1");
    to_go[440..448].copy_from_slice(&0x20_0000u64.to_le_bytes());
    let plain = image(64, &[(0, &to_go)]);
    // Without the metadata it is what it looks like: FAT32 formatted by an old system.
    assert_eq!(kinds(&plain), [What::Fat32]);
    let locked = image(64, &[(0, &to_go), (0x20_0000, &fve())]);
    let found = probe(&locked, locked.place());
    assert_eq!(found.leading().unwrap().what, What::BitLockerToGo);
    assert!(!found.has(What::Fat32));
    let (state, _) = judge(PartitionType::Mbr(0x0C), 64 << 20, &found, None);
    assert_eq!(state, VolumeState::Locked(What::BitLockerToGo));
}

#[test]
fn a_locked_volume_names_its_keys() {
    let mut boot = vec![0u8; 512];
    boot[..3].copy_from_slice(&[0xEB, 0x58, 0x90]);
    boot[3..11].copy_from_slice(b"-FVE-FS-");
    boot[176..184].copy_from_slice(&0x20_0000u64.to_le_bytes());
    boot[184..192].copy_from_slice(&0x30_0000u64.to_le_bytes());
    boot[510..512].copy_from_slice(&[0x55, 0xAA]);
    // The first copy of the metadata cannot be read; the second one tells.
    let mut drive = image(64, &[(0, &boot), (0x20_0000, &fve()), (0x30_0000, &fve())]);
    drive.bad = vec![0x20_0000..0x20_0200];
    let found = probe(&drive, drive.place());
    let hit = found.leading().unwrap();
    assert_eq!(hit.what, What::BitLocker);
    let keys: Vec<_> = hit
        .protectors
        .iter()
        .map(|key| (key.kind, key.id.as_str()))
        .collect();
    assert_eq!(
        keys,
        [
            (Protection::Chip, "C12A7328-F81F-11D2-BA4B-00A0C93EC93B"),
            (
                Protection::RecoveryKey,
                "EBD0A0A2-B9E5-4433-87C0-68B6B72699C7"
            ),
        ]
    );
    assert_eq!(hit.label.as_deref(), Some("PC"));
    drive.bad.push(0x30_0000..0x30_0200);
    let found = probe(&drive, drive.place());
    assert_eq!(found.leading().unwrap().what, What::BitLocker);
    assert!(found.leading().unwrap().protectors.is_empty());
}

#[test]
fn a_blanked_boot_sector_is_damage_not_emptiness() {
    let last = (64 << 20) - 512;
    let drive = image(64, &[(last, &boot_ntfs(131_071))]);
    let found = probe(&drive, drive.place());
    let (state, _) = judge(PartitionType::Mbr(7), 64 << 20, &found, None);
    assert!(
        matches!(state, VolumeState::Damaged { what: What::Ntfs, boot_at, .. } if boot_at == last as u64)
    );
    let drive = image(64, &[(6 * 512, &boot_fat32())]);
    let (state, _) = judge(
        PartitionType::Mbr(0xC),
        64 << 20,
        &probe(&drive, drive.place()),
        None,
    );
    assert!(
        matches!(
            state,
            VolumeState::Damaged {
                what: What::Fat32,
                boot_at: 3072,
                ..
            }
        ),
        "{state:?}"
    );
    // Reformatted since: the left-over backup is one sentence.
    let mut ext = vec![0u8; 1024];
    ext[4..8].copy_from_slice(&65_536u32.to_le_bytes());
    ext[56..58].copy_from_slice(&[0x53, 0xEF]);
    ext[96] = 0x42;
    let drive = image(64, &[(1024, &ext), (last, &boot_ntfs(131_071))]);
    let (state, findings) = judge(
        PartitionType::Mbr(0x83),
        64 << 20,
        &probe(&drive, drive.place()),
        None,
    );
    assert_eq!(state, VolumeState::Readable(What::Ext4));
    assert_eq!(
        findings.of("left-over-signature").unwrap().weight,
        Weight::Sentence
    );
    assert!(!findings.any_open());
}

#[test]
fn every_signature_of_the_table_is_told() {
    let mut ext2 = vec![0u8; 1024];
    ext2[56..58].copy_from_slice(&[0x53, 0xEF]);
    ext2[92] = 0x38;
    ext2[96] = 2;
    ext2[100] = 3;
    let mut ext3 = ext2.clone();
    ext3[92] = 0x3C;
    let mut md = vec![0u8; 512];
    md[..4].copy_from_slice(&[0xFC, 0x4E, 0x2B, 0xA9]);
    md[4] = 1;
    md[72] = 5;
    md[92] = 3;
    let mut lvm = vec![0u8; 512];
    lvm[..8].copy_from_slice(b"LABELONE");
    lvm[20] = 32;
    lvm[24..32].copy_from_slice(b"LVM2 001");
    lvm[32..64].copy_from_slice(b"abcdefghijklmnopqrstuvwxyz012345");
    let mut xfs = vec![0u8; 512];
    xfs[..8].copy_from_slice(b"XFSB\0\0\x10\0");
    let mut apfs = vec![0u8; 512];
    apfs[32..36].copy_from_slice(b"NXSB");
    let mut hfs = vec![0u8; 512];
    hfs[..4].copy_from_slice(b"H+\0\x04");
    let mut wrapped = vec![0u8; 512];
    wrapped[..2].copy_from_slice(b"BD");
    wrapped[124..126].copy_from_slice(b"H+");
    let mut iso = vec![0u8; 2048];
    iso[..6].copy_from_slice(b"\x01CD001");
    let mut core = vec![0u8; 512];
    core[8] = 1;
    core[88..90].copy_from_slice(b"CS");
    let mut zfs = vec![0u8; 2048];
    zfs[..8].copy_from_slice(&0x00BA_B10Cu64.to_be_bytes());
    zfs[1024..1032].copy_from_slice(&0x00BA_B10Cu64.to_be_bytes());
    let mib = 64usize << 20;
    type Case<'a> = (What, Vec<(usize, &'a [u8])>);
    let cases: Vec<Case<'_>> = vec![
        (What::Ext2, vec![(1024, &ext2)]),
        (What::Ext3, vec![(1024, &ext3)]),
        (What::Md, vec![(0, &md)]),
        (What::Md, vec![(4096, &md)]),
        (What::Md, vec![(mib - 8192, &md)]),
        (What::Md, vec![(mib - 65_536, &[0xA9, 0x2B, 0x4E, 0xFC])]),
        (What::Lvm, vec![(512, &lvm)]),
        (What::Lvm, vec![(1536, &lvm)]),
        (What::Xfs, vec![(0, &xfs)]),
        (What::Apfs, vec![(0, &apfs)]),
        (What::HfsPlus, vec![(1024, &hfs)]),
        (What::HfsPlus, vec![(1024, &wrapped)]),
        (What::Iso9660, vec![(32_768, &iso)]),
        (What::Udf, vec![(32_769, b"BEA01"), (34_817, b"NSR03")]),
        (What::CoreStorage, vec![(0, &core)]),
        (What::Zfs, vec![(128 << 10, &zfs)]),
        (What::Zfs, vec![(mib - (128 << 10), &zfs)]),
        (What::Refs, vec![(0, b"\0\0\0ReFS\0")]),
        (What::StorageSpaces, vec![(0, b"SPACEDB ")]),
        (What::Btrfs, vec![(65_600, b"_BHRfS_M")]),
        (What::F2fs, vec![(1024, &[0x10, 0x20, 0xF5, 0xF2])]),
        (What::F2fs, vec![(5120, &[0x10, 0x20, 0xF5, 0xF2])]),
        (What::Squashfs, vec![(0, b"hsqs")]),
        (What::Swap, vec![(4086, b"SWAPSPACE2")]),
        (What::Luks1, vec![(0, b"LUKS\xBA\xBE\0\x01")]),
        (What::Luks2, vec![(0x4000, b"SKUL\xBA\xBE\0\x02")]),
        (
            What::Ldm,
            vec![(mib - 512, b"PRIVHEAD"), (mib - 99 * 512, b"TOCBLOCK")],
        ),
        (What::BitLocker, vec![(0, b"\xEB\x52\x90-FVE-FS-")]),
        (What::Ntfs, vec![(0, &[0; 1])]),
    ];
    for (what, parts) in &cases {
        let mut drive = image(64, parts);
        if *what == What::Ntfs {
            drive.bytes[..512].copy_from_slice(&boot_ntfs(131_071));
        }
        assert_eq!(
            kinds(&drive),
            [*what],
            "at {:?}",
            parts.iter().map(|(at, _)| at).collect::<Vec<_>>()
        );
    }
}

#[test]
fn a_striped_set_under_a_file_system_start_is_not_surveyed() {
    let mut md = vec![0u8; 512];
    md[..4].copy_from_slice(&[0xFC, 0x4E, 0x2B, 0xA9]);
    md[4] = 1;
    md[92] = 2;
    let at = (64 << 20) - 8192;
    let mut drive = image(64, &[(0, &boot_ntfs(200_000)), (at, &md)]);
    let (state, _) = judge(
        PartitionType::None,
        64 << 20,
        &probe(&drive, drive.place()),
        None,
    );
    assert!(matches!(state, VolumeState::Unrecognised { .. }));
    // A mirror holds all of it.
    drive.bytes[at + 72] = 1;
    let (state, findings) = judge(
        PartitionType::None,
        64 << 20,
        &probe(&drive, drive.place()),
        None,
    );
    assert_eq!(state, VolumeState::Readable(What::Ntfs));
    assert!(findings.of("volume-longer-than-partition").is_some());
}

#[test]
fn a_good_file_system_does_not_vanish_behind_an_old_or_bare_set() {
    // Linux `include/uapi/linux/raid/md_p.h` and `drivers/md/md.c`: version 0.90 near the end, with its sum.
    let mut md = vec![0u8; 4096];
    md[..4].copy_from_slice(&[0xFC, 0x4E, 0x2B, 0xA9]);
    md[8] = 90;
    md[28] = 5;
    md[36] = 3;
    md[40] = 3;
    let sum: u64 = md
        .chunks(4)
        .map(|word| u64::from(u32::from_le_bytes(word.try_into().unwrap())))
        .sum();
    let sum = (sum & 0xFFFF_FFFF) + (sum >> 32);
    md[152..156].copy_from_slice(&(sum as u32).to_le_bytes());
    let at = (64 << 20) - 65_536;
    let look = |sectors: u64, md: &[u8]| {
        let drive = image(64, &[(0, &boot_ntfs(sectors)), (at, md)]);
        let found = probe(&drive, drive.place());
        let state = judge(PartitionType::None, 64 << 20, &found, None).0;
        (state, found)
    };
    let readable = VolumeState::Readable(What::Ntfs);
    // Over the whole partition, so made later: the set is old.
    let (state, found) = look(131_071, &md);
    assert_eq!(state, readable);
    assert!(found.has(What::Md));
    // It ends before the superblock, or is longer than its partition: it may be a part of the set.
    let (state, found) = look(100_000, &md);
    assert_ne!(state, readable);
    // What it is called is what it was judged by.
    assert_eq!(deciding(64 << 20, &found).unwrap().what, What::Md);
    assert_ne!(look(200_000, &md).0, readable);
    // The bare word proves no set.
    let (state, found) = look(100_000, &[0xFC, 0x4E, 0x2B, 0xA9]);
    assert_eq!(state, readable);
    assert!(
        found
            .hits
            .iter()
            .any(|hit| hit.what == What::Md && hit.damaged.is_some())
    );
}

#[test]
fn a_swap_area_tells_what_is_in_it() {
    // Linux `include/linux/swap.h`: version 1 at 1024, last page at 1028, the word at the end of the first page.
    let mut head = vec![0u8; 4096];
    head[1024] = 1;
    head[1028..1032].copy_from_slice(&255u32.to_le_bytes());
    head[4086..].copy_from_slice(b"SWAPSPACE2");
    let look = |parts: &[(usize, &[u8])]| {
        let drive = image(16, parts);
        let found = probe(&drive, drive.place());
        let judged = judge(PartitionType::Mbr(0x82), 16 << 20, &found, None);
        (
            judged.0,
            judged.1,
            found.leading().and_then(|hit| hit.bytes),
        )
    };
    let swap = VolumeState::HoldsNoUserData { rule: "swap" };
    let (state, findings, own) = look(&[(0, &head)]);
    assert_eq!((state, own), (swap.clone(), Some(1 << 20)));
    assert!(!findings.any_open());
    // The end of an NTFS volume in it.
    let backup = boot_ntfs(32_767);
    let (_, findings, _) = look(&[(0, &head), ((16 << 20) - 512, &backup)]);
    assert!(findings.of("second-signature").is_some());
    head[4086..].copy_from_slice(b"S1SUSPEND\0");
    let (state, findings, _) = look(&[(0, &head)]);
    assert_eq!(state, swap);
    assert!(findings.of("swap-holds-memory").is_some());
    // Only the word, no header.
    assert!(matches!(
        look(&[(4086, b"SWAPSPACE2")]).0,
        VolumeState::Unrecognised { .. }
    ));
}

#[test]
fn no_user_data_needs_a_named_rule() {
    let mut drive = image(4, &[]);
    let look = |drive: &Image| gap::look(drive, drive.place(), Budget { bytes: u64::MAX });
    let msr = PartitionType::Gpt(guid::MICROSOFT_RESERVED);
    let state = |drive: &Image, kind, look: Option<gap::GapLook>| {
        judge(kind, 4 << 20, &probe(drive, drive.place()), look.as_ref()).0
    };
    assert_eq!(
        state(&drive, msr, Some(look(&drive))),
        VolumeState::HoldsNoUserData {
            rule: "microsoft-reserved-blank"
        }
    );
    assert_eq!(
        state(&drive, PartitionType::Mbr(7), Some(look(&drive))),
        VolumeState::HoldsNoUserData { rule: "blank" }
    );
    // Not looked at: not blank.
    assert!(matches!(
        state(&drive, msr, None),
        VolumeState::Unrecognised { .. }
    ));
    // A type in the table is no content: boot code lies at the start, was read, and nothing is behind it.
    let bios = PartitionType::Gpt(guid::BIOS_BOOT);
    let unrecognised = |state| matches!(state, VolumeState::Unrecognised { .. });
    assert!(unrecognised(state(&drive, bios, None)));
    drive.bytes[..200_000].fill(0xEB);
    assert_eq!(
        state(&drive, bios, Some(look(&drive))),
        VolumeState::HoldsNoUserData { rule: "bios-boot" }
    );
    for kind in [msr, PartitionType::Gpt(guid::EFI_SYSTEM)] {
        assert!(unrecognised(state(&drive, kind, Some(look(&drive)))));
    }
    drive.bytes[2 << 20] = 1;
    assert!(unrecognised(state(&drive, bios, Some(look(&drive)))));
    drive.bytes[2 << 20] = 0;
    drive.bad = vec![(2 << 20)..(2 << 20) + 1];
    assert!(unrecognised(state(&drive, bios, Some(look(&drive)))));
    drive.bad = Vec::new();
    // A volume within it, at a border where partitions begin.
    drive.bytes[1 << 20..][..512].copy_from_slice(&boot_ntfs(100));
    assert!(unrecognised(state(&drive, bios, Some(look(&drive)))));
    drive.bytes[1 << 20..][..512].fill(0);
    drive.bytes[..200_000].fill(0);
    drive.bytes[3 << 20] = 1;
    assert!(matches!(
        state(&drive, msr, Some(look(&drive))),
        VolumeState::Unrecognised { .. }
    ));
    drive.bytes[3 << 20] = 0;
    drive.bad = vec![(2 << 20)..(2 << 20) + 1];
    let seen = look(&drive);
    assert!(matches!(
        state(&drive, msr, Some(seen)),
        VolumeState::Unrecognised { .. }
    ));
    drive.bad = vec![0..1];
    assert!(probe(&drive, drive.place()).unread_bytes > 0);
}

proptest! {
    #![proptest_config(ProptestConfig { failure_persistence: None, cases: 200, ..ProptestConfig::default() })]

    #[test]
    fn any_bytes_are_probed(
        words in proptest::collection::vec((0usize..40, 0usize..24), 0..8),
        noise in proptest::collection::vec((0usize..140_000, any::<u8>()), 0..60),
        kib in 1usize..140,
    ) {
        const WORDS: [&[u8]; 24] = [b"NTFS    ", b"EXFAT   ", b"-FVE-FS-", b"MSWIN4.1", b"LUKS\xBA\xBE\0\x02", b"SKUL\xBA\xBE\0\x02", b"XFSB",
            b"\x53\xEF", b"_BHRfS_M", b"NXSB", b"H+", b"BD", b"LABELONE", b"LVM2 001", b"\xFC\x4E\x2B\xA9", b"\x0C\xB1\xBA\0", b"SWAPSPACE2",
            b"\x01CD001", b"hsqs", b"BEA01", b"CS", b"PRIVHEAD", b"SPACEDB ", b"\x10\x20\xF5\xF2"];
        const PLACES: [usize; 40] = [0, 3, 8, 11, 24, 32, 54, 64, 82, 88, 176, 424, 440, 510, 512, 536, 1024, 1080, 1148, 4086, 4096, 5120,
            6144, 16_384, 32_768, 32_769, 34_817, 65_536, 65_600, 131_072, 3072, 3075, 6147, 1025, 1026, 1027, 2048, 2072, 20, 446];
        let mut bytes = vec![0u8; 140 << 10];
        for (place, word) in words {
            let at = PLACES[place];
            bytes[at..at + WORDS[word].len()].copy_from_slice(WORDS[word]);
        }
        for (at, byte) in noise { bytes[at] = byte; }
        bytes.truncate(kib << 10);
        let image = Image::new(bytes);
        let found = probe(&image, image.place());
        let _ = judge(PartitionType::None, image.bytes.len() as u64, &found, None);
        let _ = crate::volume::map::read(&image);
    }
}
