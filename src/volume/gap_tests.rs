//! Tests of looking into gaps.
#![allow(clippy::single_range_in_vec_init)] // bad places are ranges

use super::*;
use crate::volume::bytes::Image;

const ALL: Budget = Budget { bytes: u64::MAX };

fn noise(bytes: usize) -> Vec<u8> {
    let mut state = 0x9E37_79B9_7F4A_7C15u64;
    (0..bytes)
        .map(|_| {
            state ^= state << 13;
            state ^= state >> 7;
            state ^= state << 17;
            (state >> 32) as u8
        })
        .collect()
}

#[test]
fn blank_means_that_every_byte_was_read() {
    let mut image = Image::new(vec![0; 3 << 20]);
    assert_eq!(
        look(&image, image.place(), ALL).content(),
        GapContent::Blank
    );
    let short = Budget { bytes: 2 << 20 };
    let seen = look(&image, image.place(), short);
    assert_eq!(seen.content(), GapContent::Unread { bytes: 1 << 20 });
    assert_eq!(seen.beyond, 1 << 20);
    image.bad = vec![(1 << 20)..(1 << 20) + 1];
    let seen = look(&image, image.place(), ALL);
    assert_eq!(seen.content(), GapContent::Unread { bytes: 512 });
    assert!(seen.fault.is_some());
    let beyond = Place {
        first_byte: 2 << 20,
        bytes: 5 << 20,
    };
    assert_eq!(look(&image, beyond, ALL).unread, 4 << 20);
}

#[test]
fn one_byte_in_a_gap_is_content() {
    let mut image = Image::new(vec![0; 2 << 20]);
    image.bytes[0x18_0007] = 1;
    let seen = look(&image, image.place(), ALL);
    assert_eq!(
        seen.content(),
        GapContent::Content {
            bytes: 512,
            first: 0x18_0000
        }
    );
    assert_eq!(seen.blank + seen.content + seen.unread, seen.bytes);
    image.bytes.fill(0xFF);
    assert_eq!(
        look(&image, image.place(), ALL).content(),
        GapContent::Blank
    );
}

#[test]
fn noise_is_told_from_text() {
    let image = Image::new(noise(1 << 20));
    assert!(look(&image, image.place(), ALL).high_entropy);
    let text: Vec<u8> = b"the quick brown fox "
        .iter()
        .copied()
        .cycle()
        .take(1 << 20)
        .collect();
    let image = Image::new(text);
    assert!(!look(&image, image.place(), ALL).high_entropy);
}

fn ntfs_boot(sectors: u64) -> Vec<u8> {
    let mut boot = vec![0u8; 512];
    boot[3..11].copy_from_slice(b"NTFS    ");
    boot[11..13].copy_from_slice(&512u16.to_le_bytes());
    boot[13] = 8;
    boot[0x28..0x30].copy_from_slice(&sectors.to_le_bytes());
    boot[510..512].copy_from_slice(&[0x55, 0xAA]);
    boot
}

#[test]
fn lost_volumes_are_found_at_both_alignments_and_by_their_backup() {
    let mut image = Image::new(vec![0; 24 << 20]);
    let put = |image: &mut Image, at: usize, bytes: &[u8]| {
        image.bytes[at..at + bytes.len()].copy_from_slice(bytes);
    };
    put(&mut image, 5 << 20, &ntfs_boot(100));
    put(&mut image, 16_065 * 512 + 63 * 512, b"XFSB\0\0\x10\0");
    put(&mut image, 63 * 512, b"LUKS\xBA\xBE\0\x02");
    // Its first sector is gone: 2 MiB that end at 12 MiB.
    put(&mut image, (12 << 20) - 512, &ntfs_boot(4095));
    let seen = look(&image, image.place(), ALL);
    let places: Vec<_> = seen
        .candidates
        .iter()
        .map(|c| (c.first_byte, c.what, c.by_backup))
        .collect();
    assert_eq!(
        places,
        [
            (63 * 512, What::Luks2, false),
            (5 << 20, What::Ntfs, false),
            ((16_065 + 63) * 512, What::Xfs, false),
            (10 << 20, What::Ntfs, true),
        ]
    );
}

/// FAT32 keeps a copy of its first sector in sector 6 (Microsoft's FAT specification, BPB_BkBootSec), exFAT in sector 12
/// (exFAT specification, Backup Boot Region).
#[test]
fn lost_volumes_are_found_by_the_copy_near_their_bad_first_sector() {
    let boot = |fields: &[(usize, &[u8])]| {
        let mut boot = vec![0u8; 512];
        for (at, bytes) in fields.iter().chain(&[(510, &[0x55, 0xAA][..])]) {
            boot[*at..at + bytes.len()].copy_from_slice(bytes);
        }
        boot
    };
    let fat32 = boot(&[
        (0, &[0xEB, 0x58, 0x90]),
        (11, &512u16.to_le_bytes()),
        (13, &[1]),
        (14, &32u16.to_le_bytes()),
        (16, &[2]),
        (21, &[0xF8]),
        (32, &131_072u32.to_le_bytes()),
        (36, &1024u32.to_le_bytes()),
        (44, &2u32.to_le_bytes()),
        (82, b"FAT32   "),
    ]);
    let exfat = boot(&[
        (0, &[0xEB, 0x76, 0x90]),
        (3, b"EXFAT   "),
        (72, &65_536u64.to_le_bytes()),
        (80, &128u32.to_le_bytes()),
        (84, &64u32.to_le_bytes()),
        (88, &256u32.to_le_bytes()),
        (92, &8000u32.to_le_bytes()),
        (96, &4u32.to_le_bytes()),
        (104, &[0, 1]),
        (108, &[9, 3, 1]),
    ]);
    let sound = {
        let mut image = Image::new(vec![0; 160 << 20]);
        for at in [5 << 20, (5 << 20) + 6 * 512] {
            image.bytes[at..at + 512].copy_from_slice(&fat32);
        }
        for at in [100 << 20, (100 << 20) + 12 * 512] {
            image.bytes[at..at + 512].copy_from_slice(&exfat);
        }
        image
    };
    let found = |image: &Image| -> Vec<_> {
        let seen = look(image, image.place(), ALL);
        let all = seen.candidates.into_iter();
        all.map(|c| (c.first_byte, c.what, c.bytes, c.by_backup))
            .collect()
    };
    let both = |by_backup| {
        [
            (5 << 20, What::Fat32, Some(64 << 20), by_backup),
            (100 << 20, What::ExFat, Some(32 << 20), by_backup),
        ]
    };
    assert_eq!(found(&sound), both(false));
    let mut image = sound;
    for at in [5 << 20, 100 << 20] {
        image.bad.push(at..at + 512);
    }
    assert_eq!(found(&image), both(true));
    // Overwritten, not unreadable.
    image.bad.clear();
    for at in [5 << 20, 100 << 20] {
        image.bytes[at..at + 512].fill(0xA5);
    }
    assert_eq!(found(&image), both(true));
}

#[test]
fn what_lies_beside_a_lost_volume_is_still_there_to_be_judged() {
    // Volume-table rule: every byte of the drive is in exactly one state. 2 MiB of NTFS at 5 MiB, a bare lock at 12 MiB.
    let mut image = Image::new(vec![0; 16 << 20]);
    image.bytes[5 << 20..(5 << 20) + 512].copy_from_slice(&ntfs_boot(4095));
    image.bytes[12 << 20..(12 << 20) + 8].copy_from_slice(b"LUKS\xBA\xBE\0\x02");
    image.bytes[9 << 20] = 7;
    let seen = look(&image, image.place(), ALL);
    assert_eq!(seen.candidates.len(), 2);
    assert_eq!(seen.candidates[0].bytes, Some(2 << 20));
    let rest: Vec<_> = outside(image.place(), &seen.candidates)
        .iter()
        .map(|place| (place.first_byte >> 20, place.bytes >> 20))
        .collect();
    assert_eq!(rest, [(0, 5), (7, 9)]);
}

#[test]
fn behind_a_shorter_file_system_there_is_a_stretch() {
    let partition = Place {
        first_byte: 1000,
        bytes: 500,
    };
    assert_eq!(
        behind(partition, 300),
        Some(Place {
            first_byte: 1300,
            bytes: 200
        })
    );
    assert_eq!(behind(partition, 500), None);
    assert_eq!(behind(partition, 501), None);
}

#[test]
fn bad_sectors_hide_neither_heads_nor_content_beside_them() {
    // Design: an unread gap is never a blank one, and what is readable beside bad sectors is looked at. One bad block of
    // 4 KiB in each of twelve steps, each step with a volume's head and content around it.
    let mut image = Image::new(vec![0; 16 << 20]);
    for step in 0..12usize {
        let at = step << 20;
        image.bytes[at..at + 512].copy_from_slice(&ntfs_boot(1000));
        image.bytes[at + (700 << 10)..at + (800 << 10)].fill(b'x');
        let bad = at as u64 + (300 << 10);
        image.bad.push(bad..bad + 4096);
    }
    image.bytes[14 << 20..(14 << 20) + 512].copy_from_slice(&ntfs_boot(1000));
    let seen = look(&image, image.place(), ALL);
    assert_eq!(seen.candidates.len(), 13);
    assert_eq!(seen.content, 12 * (100 << 10) + 13 * 512);
    assert_eq!(seen.unread, 12 * 4096);
    assert_eq!((seen.leapt, seen.beyond), (0, 0));
    assert_eq!(seen.blank + seen.content + seen.unread, seen.bytes);
}

#[test]
fn a_dead_stretch_is_leapt_over_with_few_reads_and_said_to_be() {
    struct Counting(Image, std::sync::atomic::AtomicU32);
    impl Sectors for Counting {
        fn sector_bytes(&self) -> u32 {
            512
        }
        fn bytes(&self) -> u64 {
            self.0.bytes()
        }
        fn read_at(&self, at: u64, buf: &mut [u8]) -> Result<(), Fault> {
            let read = self.0.read_at(at, buf);
            if read.is_err() {
                self.1.fetch_add(1, std::sync::atomic::Ordering::Relaxed);
            }
            read
        }
    }
    let mut image = Image::new(vec![0; 48 << 20]);
    image.bytes[40 << 20..(40 << 20) + 512].copy_from_slice(&ntfs_boot(1000));
    image.bad = vec![(2 << 20) + 5000..20 << 20];
    let place = image.place();
    let drive = Counting(image, Default::default());
    let seen = look(&drive, place, ALL);
    let faults = drive.1.load(std::sync::atomic::Ordering::Relaxed);
    assert!(faults < 60, "{faults} failed reads");
    assert_eq!(seen.candidates.len(), 1);
    assert!(seen.leapt > 16 << 20, "{}", seen.leapt);
    assert!(seen.unread >= 18 << 20 && seen.unread - seen.leapt < 1 << 20);
    assert_eq!(seen.blank + seen.content + seen.unread, seen.bytes);
}

#[test]
fn copies_of_an_ext_superblock_and_what_lies_in_a_lost_volume_are_no_further_volumes() {
    // Kernel, ext4 pages, "Super Block": s_block_group_nr at 0x5A. Blocks of 1 KiB: a copy 1 KiB behind each 8 MiB.
    let mut image = Image::new(vec![0; 40 << 20]);
    for group in 0..4u16 {
        let at = ((group as usize * 8) << 20) + 1024 + (1 << 20);
        image.bytes[at + 4..at + 8].copy_from_slice(&(26u32 << 10).to_le_bytes());
        image.bytes[at + 56..at + 58].copy_from_slice(&0xEF53u16.to_le_bytes());
        image.bytes[at + 90..at + 92].copy_from_slice(&group.to_le_bytes());
    }
    // A file in it is an image of a volume; another volume lies behind it.
    image.bytes[13 << 20..(13 << 20) + 512].copy_from_slice(&ntfs_boot(1000));
    image.bytes[30 << 20..(30 << 20) + 512].copy_from_slice(&ntfs_boot(1000));
    let seen = look(&image, image.place(), ALL);
    let places: Vec<_> = seen.candidates.iter().map(|c| c.first_byte >> 20).collect();
    assert_eq!(places, [1, 30]);
    assert_eq!(seen.candidates[0].bytes, Some(26 << 20));
    // Its head is overwritten: a copy alone is no head either.
    image.bytes[(1 << 20) + 1024..(1 << 20) + 2048].fill(0);
    let seen = look(&image, image.place(), ALL);
    let places: Vec<_> = seen.candidates.iter().map(|c| c.first_byte >> 20).collect();
    assert_eq!(places, [13, 30]);
}
