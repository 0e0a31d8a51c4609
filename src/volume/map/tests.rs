//! Partition maps: sound, damaged and hostile ones.

#![allow(clippy::single_range_in_vec_init)] // bad places are ranges

use super::*;
use crate::volume::bytes::Image;
use proptest::prelude::*;

fn put(image: &mut Image, at: usize, bytes: &[u8]) {
    image.bytes[at..at + bytes.len()].copy_from_slice(bytes);
}

/// Writes one MBR entry into the table that starts at byte `table`.
fn entry(image: &mut Image, table: usize, index: usize, kind: u8, start: u32, count: u32) {
    let at = table + 446 + 16 * index;
    put(image, at + 4, &[kind]);
    put(image, at + 8, &start.to_le_bytes());
    put(image, at + 12, &count.to_le_bytes());
    put(image, table + 510, &[0x55, 0xAA]);
}

struct GptEntry {
    kind: Guid,
    first: u64,
    last: u64,
}

/// Writes a header and its entries (UEFI specification), all fields from the arguments.
#[allow(clippy::too_many_arguments)]
fn gpt(
    image: &mut Image,
    unit: u64,
    own: u64,
    other: u64,
    array: u64,
    size: usize,
    count: u32,
    entries: &[GptEntry],
) {
    let total = count as usize * size;
    let at = (array * unit) as usize;
    let mut raw = vec![0u8; total];
    for (slot, e) in raw.chunks_mut(size).zip(entries) {
        slot[..16].copy_from_slice(&e.kind.0);
        slot[16] = 7;
        slot[32..40].copy_from_slice(&e.first.to_le_bytes());
        slot[40..48].copy_from_slice(&e.last.to_le_bytes());
        slot[56..60].copy_from_slice(&[b'a', 0, 0x42, 0x26]);
    }
    put(image, at, &raw);
    let mut header = vec![0u8; 92];
    header[..8].copy_from_slice(b"EFI PART");
    header[8..12].copy_from_slice(&0x1_0000u32.to_le_bytes());
    header[12..16].copy_from_slice(&92u32.to_le_bytes());
    header[24..32].copy_from_slice(&own.to_le_bytes());
    header[32..40].copy_from_slice(&other.to_le_bytes());
    header[40..48].copy_from_slice(&34u64.to_le_bytes());
    header[48..56].copy_from_slice(&(own.max(other).saturating_sub(34)).to_le_bytes());
    header[56] = 9;
    header[72..80].copy_from_slice(&array.to_le_bytes());
    header[80..84].copy_from_slice(&count.to_le_bytes());
    header[84..88].copy_from_slice(&(size as u32).to_le_bytes());
    header[88..92].copy_from_slice(&crc32fast::hash(&raw).to_le_bytes());
    let crc = crc32fast::hash(&header);
    header[16..20].copy_from_slice(&crc.to_le_bytes());
    put(image, (own * unit) as usize, &header);
}

fn covers(map: &Map, bytes: u64) {
    let mut next = 0;
    for area in &map.areas {
        assert_eq!(area.first_byte, next, "{:?}", map.areas);
        assert!(area.bytes > 0);
        next += area.bytes;
    }
    assert_eq!(next, bytes);
}

fn blank(mib: usize) -> Image {
    Image::new(vec![0; mib << 20])
}

fn two() -> Vec<GptEntry> {
    vec![
        GptEntry {
            kind: guid::EFI_SYSTEM,
            first: 2048,
            last: 4095,
        },
        GptEntry {
            kind: guid::BASIC_DATA,
            first: 8192,
            last: 12_287,
        },
    ]
}

fn sound_gpt(size: usize) -> Image {
    let mut image = blank(8);
    entry(&mut image, 0, 0, 0xEE, 1, 16_383);
    gpt(&mut image, 512, 1, 16_383, 2, size, 128, &two());
    let array = 16_383 - (128 * size as u64) / 512;
    gpt(&mut image, 512, 16_383, 1, array, size, 128, &two());
    image
}

#[test]
fn a_sound_gpt_has_no_findings() {
    for size in [128, 256, 512] {
        let image = sound_gpt(size);
        let map = read(&image);
        assert_eq!(map.findings.list(), [], "entry size {size}");
        assert_eq!(map.scheme, Scheme::Gpt);
        assert_eq!(map.partitions.len(), 2);
        assert_eq!(
            map.partitions[0].place,
            Place {
                first_byte: 1 << 20,
                bytes: 1 << 20
            }
        );
        assert_eq!(
            map.partitions[0].sources,
            [Source::GptPrimary, Source::GptBackup]
        );
        assert_eq!(map.partitions[0].name.as_ref().unwrap().text(), "a♂");
        assert_eq!(map.partitions[1].kind.in_words(), "basic data");
        covers(&map, 8 << 20);
        // MBR, header, entries, gap, first, gap, second, gap, entries, header.
        let tables = map
            .areas
            .iter()
            .filter(|a| matches!(a.kind, AreaKind::Table(_)))
            .map(|a| a.bytes)
            .sum::<u64>();
        assert_eq!(tables, 512 + 2 * 512 + 2 * 128 * size as u64);
    }
}

#[test]
fn one_bad_copy_is_a_sentence_and_two_are_an_open_point() {
    let mut image = sound_gpt(128);
    image.bytes[512 + 40] ^= 1;
    let map = read(&image);
    assert_eq!(map.partitions.len(), 2);
    assert_eq!(map.partitions[0].sources, [Source::GptBackup]);
    assert!(map.findings.of("gpt-header-damaged").is_some());
    assert!(!map.findings.any_open());
    image.bytes[16_383 * 512 + 40] ^= 1;
    let map = read(&image);
    assert_eq!(map.partitions.len(), 0);
    assert!(map.findings.of("gpt-missing").is_some());
    assert!(map.findings.any_open());
    covers(&map, 8 << 20);
}

#[test]
fn damaged_entries_are_taken_from_the_other_copy() {
    let mut image = sound_gpt(128);
    image.bytes[1024 + 33] ^= 4;
    let map = read(&image);
    assert!(map.findings.of("gpt-entries-damaged").is_some());
    assert_eq!(map.partitions.len(), 2);
    assert_eq!(map.partitions[0].place.first_byte, 1 << 20);
    assert!(!map.findings.any_open());
}

#[test]
fn copies_that_differ_give_the_union() {
    let mut image = sound_gpt(128);
    gpt(
        &mut image,
        512,
        16_383,
        1,
        16_351,
        128,
        128,
        &[GptEntry {
            kind: guid::LINUX,
            first: 13_000,
            last: 13_999,
        }],
    );
    let map = read(&image);
    assert_eq!(map.partitions.len(), 3);
    assert!(map.findings.of("gpt-copies-differ").is_some());
    assert!(map.findings.any_open());
}

#[test]
fn huge_counts_and_odd_sizes_are_refused_without_memory() {
    for (count, size) in [
        (u32::MAX, 128u32),
        (128, u32::MAX),
        (4, 4),
        (u32::MAX, u32::MAX),
        (200_000_000, 128),
        (128, 130),
    ] {
        let mut image = blank(8);
        entry(&mut image, 0, 0, 0xEE, 1, 16_383);
        gpt(&mut image, 512, 1, 16_383, 2, 128, 128, &two());
        let mut header = image.bytes[512..604].to_vec();
        header[80..84].copy_from_slice(&count.to_le_bytes());
        header[84..88].copy_from_slice(&size.to_le_bytes());
        header[16..20].fill(0);
        let crc = crc32fast::hash(&header);
        header[16..20].copy_from_slice(&crc.to_le_bytes());
        put(&mut image, 512, &header);
        let map = read(&image);
        assert_eq!(map.partitions.len(), 0, "{count} x {size}");
        assert!(map.findings.of("gpt-entries-damaged").is_some());
        assert!(map.findings.any_open());
        covers(&map, 8 << 20);
    }
}

#[test]
fn a_table_of_the_other_sector_size_is_found() {
    for (own, unit) in [(512u32, 4096u64), (4096, 512)] {
        let mut image = blank(8);
        image.sector_bytes = own;
        let last = (8 << 20) / unit - 1;
        let first = (1 << 20) / unit;
        let list = || {
            vec![GptEntry {
                kind: guid::BASIC_DATA,
                first,
                last: 2 * first - 1,
            }]
        };
        let array_sectors = 16_384 / unit;
        gpt(&mut image, unit, 1, last, 2, 128, 128, &list());
        gpt(
            &mut image,
            unit,
            last,
            1,
            last - array_sectors,
            128,
            128,
            &list(),
        );
        let map = read(&image);
        assert_eq!(u64::from(map.table_sector_bytes), unit);
        assert_eq!(map.partitions.len(), 1);
        assert_eq!(
            map.partitions[0].place,
            Place {
                first_byte: 1 << 20,
                bytes: 1 << 20
            }
        );
        assert!(map.findings.of("table-in-other-sector-size").is_some());
        covers(&map, 8 << 20);
    }
    let mut image = blank(8);
    image.sector_bytes = 4096;
    gpt(&mut image, 4096, 1, 2047, 2, 128, 128, &[]);
    gpt(&mut image, 4096, 2047, 1, 2043, 128, 128, &[]);
    assert_eq!(read(&image).findings.list(), []);
}

#[test]
fn a_drive_larger_or_smaller_than_its_table_is_told() {
    let mut image = sound_gpt(128);
    image.bytes.resize(16 << 20, 0);
    let map = read(&image);
    assert!(map.findings.of("table-ends-early").is_some());
    assert_eq!(
        map.partitions[0].sources,
        [Source::GptPrimary, Source::GptBackup]
    );
    assert_eq!(map.areas.last().unwrap().kind, AreaKind::Gap);
    covers(&map, 16 << 20);
    let mut image = sound_gpt(128);
    image.bytes.truncate(5 << 20);
    let map = read(&image);
    assert!(map.findings.of("drive-shorter-than-table").is_some());
    assert!(map.findings.of("entry-outside").is_some());
    assert!(map.findings.any_open());
    covers(&map, 5 << 20);
}

#[test]
fn extended_chains_are_followed_through_both_containers() {
    let mut image = blank(32);
    entry(&mut image, 0, 0, 0x07, 2048, 4096);
    entry(&mut image, 0, 1, 0x05, 8192, 16_384);
    entry(&mut image, 0, 2, 0x0F, 32_768, 8192);
    // First container: two logicals.
    entry(&mut image, 8192 * 512, 0, 0x83, 2048, 2048);
    entry(&mut image, 8192 * 512, 1, 0x05, 8192, 8192);
    entry(&mut image, 16_384 * 512, 0, 0x82, 2048, 1024);
    // Second container: one.
    entry(&mut image, 32_768 * 512, 0, 0x0C, 63, 4000);
    let map = read(&image);
    let list: Vec<_> = map
        .partitions
        .iter()
        .map(|p| {
            (
                p.number,
                p.place.first_byte / 512,
                p.place.bytes / 512,
                p.kind,
            )
        })
        .collect();
    assert_eq!(
        list,
        [
            (1, 2048, 4096, PartitionType::Mbr(0x07)),
            (5, 10_240, 2048, PartitionType::Mbr(0x83)),
            (6, 18_432, 1024, PartitionType::Mbr(0x82)),
            (7, 32_831, 4000, PartitionType::Mbr(0x0C)),
        ]
    );
    assert_eq!(
        map.areas
            .iter()
            .filter(|a| a.kind == AreaKind::Table(TableKind::Extended))
            .count(),
        3
    );
    assert!(!map.findings.any_open());
    covers(&map, 32 << 20);
}

#[test]
fn broken_chains_end_and_are_told() {
    let build = |link: u32| {
        let mut image = blank(32);
        entry(&mut image, 0, 0, 0x05, 8192, 16_384);
        entry(&mut image, 8192 * 512, 0, 0x83, 2048, 2048);
        entry(&mut image, 8192 * 512, 1, 0x05, link, 8192);
        read(&image)
    };
    // Back to itself, to an empty sector, outside, far outside.
    for link in [0, 8192, 20_000, u32::MAX] {
        let map = build(link);
        assert!(map.findings.of("extended-chain-broken").is_some(), "{link}");
        assert_eq!(map.partitions.len(), 1);
        covers(&map, 32 << 20);
    }
}

#[test]
fn hybrid_and_left_over_tables_both_count() {
    let mut image = sound_gpt(128);
    // Hybrid: the second partition is named in the MBR too; a third only there.
    entry(&mut image, 0, 1, 0x07, 8192, 4096);
    entry(&mut image, 0, 2, 0x0C, 14_000, 500);
    let map = read(&image);
    assert_eq!(map.scheme, Scheme::Both);
    assert_eq!(map.partitions.len(), 3);
    assert_eq!(
        map.partitions[1].sources,
        [Source::GptPrimary, Source::GptBackup, Source::Mbr]
    );
    assert!(map.findings.of("two-tables").is_some());
    assert!(!map.partitions.iter().any(|p| p.overlaps));
    // A left-over backup under an MBR.
    let mut image = sound_gpt(128);
    image.bytes[..34 * 512].fill(0);
    entry(&mut image, 0, 0, 0x07, 2048, 10_000);
    let map = read(&image);
    assert_eq!(map.partitions.len(), 3);
    assert!(map.findings.of("partitions-overlap").is_some());
    assert!(map.partitions.iter().all(|p| p.overlaps));
    covers(&map, 8 << 20);
}

#[test]
fn a_partition_at_sector_0_is_taken() {
    // As on an isohybrid stick.
    let mut image = blank(4);
    entry(&mut image, 0, 0, 0x17, 0, 8192);
    let map = read(&image);
    assert_eq!(map.partitions.len(), 1);
    assert_eq!(map.partitions[0].place, image.place());
    covers(&map, 4 << 20);
}

#[test]
fn a_volume_from_the_first_byte_is_no_table() {
    let mut image = blank(4);
    put(&mut image, 0, b"LUKS\xBA\xBE\0\x01");
    let map = read(&image);
    assert_eq!((map.scheme, map.partitions.len()), (Scheme::None, 1));
    assert_eq!(map.partitions[0].sources, [Source::WholeDrive]);
    let map = read(&blank(4));
    assert_eq!((map.partitions.len(), map.areas.len()), (0, 1));
    assert_eq!(map.areas[0].kind, AreaKind::Gap);
    assert_eq!(read(&blank(0)).areas, []);
}

#[test]
fn an_unreadable_table_is_an_open_point() {
    let mut image = sound_gpt(128);
    image.bad = vec![0..8192];
    let map = read(&image);
    assert!(map.findings.of("table-unread").is_some());
    assert!(map.findings.any_open());
    assert_eq!(map.partitions.len(), 2);
    assert_eq!(map.partitions[0].sources, [Source::GptBackup]);
}

proptest! {
    #![proptest_config(ProptestConfig { failure_persistence: None, cases: 300, ..ProptestConfig::default() })]

    #[test]
    fn any_bytes_give_a_whole_map(
        sector in 0usize..2,
        mib in 1usize..8,
        changes in proptest::collection::vec((0usize..20_480, any::<u8>()), 0..40),
        entries in proptest::collection::vec((0usize..8, 0usize..4, any::<u8>(), 0u32..20_000, 0u32..20_000), 0..12),
        with_gpt in any::<bool>(),
        fix_sums in any::<bool>(),
    ) {
        let mut image = if with_gpt { sound_gpt(128) } else { blank(mib) };
        image.sector_bytes = [512, 4096][sector];
        for (table, index, kind, start, count) in entries {
            let kind = if kind < 128 { [0x05, 0x0F, 0x07, 0xEE][usize::from(kind) % 4] } else { kind };
            entry(&mut image, table * 2048 * 512 % ((mib << 20) - 512), index, kind, start, count);
        }
        for (at, byte) in changes { image.bytes[at] = byte; }
        if fix_sums {
            let array = crc32fast::hash(&image.bytes[1024..1024 + 16_384]);
            put(&mut image, 512 + 88, &array.to_le_bytes());
            let mut header = image.bytes[512..604].to_vec();
            header[16..20].fill(0);
            put(&mut image, 512 + 16, &crc32fast::hash(&header).to_le_bytes());
        }
        let map = read(&image);
        covers(&map, image.bytes.len() as u64);
        for partition in &map.partitions {
            prop_assert!(partition.place.end() <= image.bytes.len() as u64);
        }
    }
}
