//! Structures made by hand; whole volumes are compared with the kernel and e2fsprogs in the behaviour tests.

use super::superblock::{Bad, Superblock, copies, incompat};

/// A superblock of 8192 blocks of 1 KiB in one group.
pub fn superblock() -> Vec<u8> {
    let mut sb = vec![0u8; 1024];
    let mut put = |at: usize, bytes: &[u8]| sb[at..at + bytes.len()].copy_from_slice(bytes);
    put(0x00, &64u32.to_le_bytes());
    put(0x04, &8192u32.to_le_bytes());
    put(0x14, &1u32.to_le_bytes());
    put(0x20, &8192u32.to_le_bytes());
    put(0x28, &64u32.to_le_bytes());
    put(0x38, &[0x53, 0xEF]);
    put(0x4C, &1u32.to_le_bytes());
    put(0x54, &11u32.to_le_bytes());
    put(0x58, &256u16.to_le_bytes());
    put(0x60, &incompat::FILETYPE.to_le_bytes());
    put(0x64, &1u32.to_le_bytes());
    sb
}

#[test]
fn copies_stand_in_the_groups_that_the_documentation_names() {
    let sb = Superblock::parse(&superblock()).unwrap();
    let with: Vec<u64> = (0..60).filter(|group| sb.has_copy(*group)).collect();
    assert_eq!(with, [0, 1, 3, 5, 7, 9, 25, 27, 49]);
    // mke2fs -n for a volume of 4 KiB blocks prints 32768, 98304, 163840 as places of copies; of 1 KiB blocks 8193, 24577.
    let places: Vec<(u64, u16, u64)> = copies().collect();
    assert!(places.contains(&(32_768 * 4096, 1, 4096)));
    assert!(places.contains(&(98_304 * 4096, 3, 4096)));
    assert!(places.contains(&(8193 * 1024, 1, 1024)));
    assert!(places.contains(&(24_577 * 1024, 3, 1024)));
}

#[test]
fn unknown_features_are_told_from_damage() {
    let mut foreign = superblock();
    foreign[0x61] = 0x08;
    assert!(matches!(Superblock::parse(&foreign), Err(Bad::Foreign(_))));
    let mut damaged = superblock();
    damaged[0x18] = 9;
    assert!(matches!(Superblock::parse(&damaged), Err(Bad::Damaged(_))));
    for at in 0..1024 {
        for bit in 0..8 {
            let mut sb = superblock();
            sb[at] ^= 1 << bit;
            // Whatever is taken can be counted.
            if let Ok(sb) = Superblock::parse(&sb) {
                let _ = (
                    sb.groups(),
                    sb.clusters(),
                    sb.bytes(),
                    sb.descriptor_blocks(),
                );
            }
        }
    }
}
