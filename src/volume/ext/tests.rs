//! Structures made by hand; whole volumes are compared with the kernel and e2fsprogs in the behaviour tests.

use super::crc::crc32_high;
use super::ground::{Ground, JOURNAL_MAGIC, Newer, Overlay};
use super::journal::play;
use super::runs::{Form, Run};
use super::superblock::{Bad, Superblock, copies, incompat};
use crate::volume::bytes::Image;
use crate::volume::filesystem::Findings;

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

/// A journal of 16 blocks at block 20 of a small volume; blocks of it are put down by number.
struct Old(Vec<u8>);

impl Old {
    /// Kind 3 is the oldest form, without features.
    fn new(kind: u32, compat: u32, start: u32, sequence: u32) -> Self {
        let mut own = Self(vec![0; 64 * 1024]);
        let mut head = vec![0u8; 1024];
        for (at, value) in [
            (4, kind),
            (12, 1024),
            (16, 16),
            (20, 1),
            (24, sequence),
            (28, start),
            (36, compat),
        ] {
            head[at..at + 4].copy_from_slice(&value.to_be_bytes());
        }
        head[..4].copy_from_slice(&JOURNAL_MAGIC);
        own.put(0, &head);
        own
    }

    fn put(&mut self, block: usize, bytes: &[u8]) {
        let at = (20 + block) * 1024;
        self.0[at..at + bytes.len()].copy_from_slice(bytes);
    }

    fn head(kind: u32, sequence: u32, rest: &[u32]) -> Vec<u8> {
        let mut out = JOURNAL_MAGIC.to_vec();
        for value in [kind, sequence].iter().chain(rest) {
            out.extend(value.to_be_bytes());
        }
        out.resize(1024, 0);
        out
    }

    fn play(self) -> (Overlay, bool, u64, Findings) {
        let image = Image::new(self.0);
        let ground = Ground {
            sectors: &image,
            place: image.place(),
            sb: Superblock::parse(&superblock()).unwrap(),
            overlay: Overlay::new(),
        };
        let runs = [Run {
            logical: 0,
            blocks: 16,
            at: 20,
            form: Form::Data,
        }];
        let mut findings = Findings::new();
        let played = play(&ground, &runs, &mut findings).unwrap();
        (played.overlay, played.whole, played.transactions, findings)
    }
}

/// Layout by hand after the kernel's documentation of the journal (JBD2): the log goes around its end, a later transaction
/// revokes a block and puts another down anew, and the last one never ended.
#[test]
fn an_old_journal_goes_around_its_end() {
    let mut old = Old::new(3, 0, 14, 7);
    // Tags of eight bytes: block, then flags: 2 same volume, 8 the last, 1 escaped.
    old.put(14, &Old::head(1, 7, &[50, 2, 51, 2, 52, 2 | 8 | 1]));
    old.put(2, &Old::head(2, 7, &[]));
    old.put(3, &Old::head(5, 8, &[16 + 4, 50]));
    old.put(4, &Old::head(1, 8, &[51, 2 | 8]));
    old.put(6, &Old::head(2, 8, &[]));
    old.put(7, &Old::head(1, 9, &[52, 2 | 8]));
    let (overlay, whole, transactions, findings) = old.play();
    // Copies of transaction 7 lie in blocks 15, then around in 1; the third one where its end was put would be 2.
    assert_eq!(transactions, 0);
    assert!(overlay.is_empty() && whole && findings.of("journal-unfinished").is_some());

    let mut old = Old::new(3, 0, 13, 7);
    old.put(13, &Old::head(1, 7, &[50, 2, 51, 2, 52, 2 | 8 | 1]));
    old.put(2, &Old::head(2, 7, &[]));
    old.put(3, &Old::head(5, 8, &[16 + 4, 50]));
    old.put(4, &Old::head(1, 8, &[51, 2 | 8]));
    old.put(6, &Old::head(2, 8, &[]));
    old.put(7, &Old::head(1, 9, &[52, 2 | 8]));
    let (overlay, whole, transactions, findings) = old.play();
    assert_eq!((whole, transactions), (true, 2));
    assert!(findings.of("journal-unfinished").is_some() && !findings.any_open());
    let newer = |block, escaped| Newer::At { block, escaped };
    assert_eq!(
        overlay.into_iter().collect::<Vec<_>>(),
        [(51, newer(25, false)), (52, newer(21, true))]
    );
}

#[test]
fn an_old_checksum_over_a_transaction_counts() {
    let put = |wrong: bool| {
        let mut old = Old::new(4, 1, 1, 7);
        let list = Old::head(1, 7, &[50, 2 | 8]);
        let copy = vec![9u8; 1024];
        let sum = crc32_high(crc32_high(!0, &list), &copy) ^ u32::from(wrong);
        old.put(1, &list);
        old.put(2, &copy);
        // Kind 1 (CRC-32) of four bytes, then the sum.
        old.put(3, &Old::head(2, 7, &[0x0104_0000, sum]));
        old.play()
    };
    let (overlay, whole, ..) = put(false);
    assert!(whole && overlay.len() == 1);
    let (overlay, whole, _, findings) = put(true);
    assert!(!whole && overlay.is_empty() && findings.any_open());
}
