//! Sealed parts of a drive in memory.

use super::read::MOST;
use super::*;
use crate::volume::bytes::Image;
use crate::volume::layout::Piece;
use crate::volume::layout::Reader;
use crate::volume::stored::Stored;
use crate::volume::stored::{Missing, Narrow, Ranges};
use proptest::prelude::*;

const SECTOR: u64 = 4096;

/// A drive of `sectors` sectors at 1 MiB, their copies at 2 MiB, and their checksums at 512 and in memory, half each.
fn drive(sectors: u64) -> (Image, Sealed) {
    let mut bytes: Vec<u8> = (0..3u32 << 20).map(|at| (at ^ (at >> 9)) as u8).collect();
    let mut sums = Vec::new();
    for sector in 0..sectors {
        let from = ((1 << 20) + sector * SECTOR) as usize;
        let raw = bytes[from..from + SECTOR as usize].to_vec();
        sums.extend_from_slice(Sum::Crc32c.of(&raw).as_ref());
        bytes[from + (1 << 20)..][..SECTOR as usize].copy_from_slice(&raw);
    }
    let half = sums.len() / 8 * 4;
    bytes[512..512 + half].copy_from_slice(&sums[..half]);
    let places = vec![
        SumsAt::Drive {
            at: 512,
            sectors: (half / 4) as u32,
        },
        SumsAt::Held(sums[half..].to_vec()),
    ];
    let sealed = Sealed {
        at: 1 << 20,
        copy: None,
        stored_bytes: sectors * SECTOR,
        sector_bytes: SECTOR as u32,
        packing: Packing::None,
        plain_bytes: sectors * SECTOR,
        from: 0,
        bytes: sectors * SECTOR - 100,
        seal: Some(Seal {
            sum: Sum::Crc32c,
            places,
        }),
    };
    (Image::new(bytes), sealed)
}

fn read(image: &Image, sealed: &Sealed, at: u64, bytes: usize) -> (Vec<u8>, Missing) {
    let stored = Stored::new(vec![
        Piece::Hole { bytes: 10 },
        Piece::Sealed(Box::new(sealed.clone())),
    ]);
    let (mut buf, mut missing) = (vec![0xEE; bytes], Missing::default());
    stored
        .read_telling(image, 10 + at, &mut buf, Narrow::default(), &mut missing)
        .unwrap();
    (buf, missing)
}

#[test]
fn what_a_checksum_does_not_fit_is_zeros_and_named() {
    let (mut image, sealed) = drive(6);
    let plain = image.bytes[1 << 20..][..6 * SECTOR as usize - 100].to_vec();
    assert_eq!(
        read(&image, &sealed, 0, plain.len()),
        (plain.clone(), Missing::default())
    );
    assert_eq!(
        read(&image, &sealed, 5000, 9000),
        (plain[5000..14_000].to_vec(), Missing::default())
    );
    // One bit of the fifth sector, whose checksum is held, and one of the second, whose checksum lies on the drive.
    for sector in [1u64, 4] {
        image.bytes[((1 << 20) + sector * SECTOR + 7) as usize] ^= 4;
    }
    let (bytes, missing) = read(&image, &sealed, 0, plain.len());
    assert_eq!(
        missing.ranges,
        [(10 + SECTOR, SECTOR), (10 + 4 * SECTOR, SECTOR)]
    );
    assert_eq!(
        (missing.refused, missing.why),
        (Ranges::new(), Some(UnpackError::Checksum))
    );
    let mut wanted = plain.clone();
    for sector in [1, 4] {
        wanted[sector * 4096..][..4096].fill(0);
    }
    assert_eq!(bytes, wanted);
    // Only what was asked for is named.
    let (_, missing) = read(&image, &sealed, 5000, 100);
    assert_eq!(missing.ranges, [(5010, 100)]);
    // A checksum that cannot be read proves nothing.
    image.bad.push(520..521);
    let (_, missing) = read(&image, &sealed, 2 * SECTOR, SECTOR as usize);
    assert_eq!(missing.ranges, [(10 + 2 * SECTOR, SECTOR)]);
}

#[test]
fn what_is_refused_or_wrong_comes_from_the_second_copy() {
    let (mut image, mut sealed) = drive(6);
    let plain = image.bytes[1 << 20..][..6 * SECTOR as usize - 100].to_vec();
    image.bad.push((1 << 20) + 600..(1 << 20) + 601);
    image.bytes[(1 << 20) + 3 * SECTOR as usize] ^= 1;
    let (bytes, missing) = read(&image, &sealed, 0, plain.len());
    assert_eq!(missing.ranges, [(10, SECTOR), (10 + 3 * SECTOR, SECTOR)]);
    assert_eq!(missing.refused, [(10, SECTOR)]);
    assert_eq!(bytes[..SECTOR as usize], [0; SECTOR as usize]);
    sealed.copy = Some(2 << 20);
    assert_eq!(
        read(&image, &sealed, 0, plain.len()),
        (plain.clone(), Missing::default())
    );
    // A copy that is wrong too does not stand in.
    image.bytes[(2 << 20) + 3 * SECTOR as usize] ^= 2;
    let (_, missing) = read(&image, &sealed, 0, plain.len());
    assert_eq!(missing.ranges, [(10 + 3 * SECTOR, SECTOR)]);
}

#[test]
fn a_packed_extent_is_had_whole_or_not_at_all() {
    let (mut image, mut sealed) = drive(2);
    let plain: Vec<u8> = (0..40_000u32).map(|at| (at / 100) as u8).collect();
    let mut encoder = flate2::write::ZlibEncoder::new(Vec::new(), flate2::Compression::default());
    std::io::Write::write_all(&mut encoder, &plain).unwrap();
    let packed = encoder.finish().unwrap();
    image.bytes[1 << 20..][..2 * SECTOR as usize].fill(0);
    image.bytes[1 << 20..][..packed.len()].copy_from_slice(&packed);
    sealed.packing = Packing::Zlib;
    (sealed.plain_bytes, sealed.from, sealed.bytes, sealed.seal) = (40_000, 8192, 20_000, None);
    assert_eq!(
        read(&image, &sealed, 100, 500),
        (plain[8292..8792].to_vec(), Missing::default())
    );
    assert_eq!(sealed.on_drive(100, 500), [(1 << 20, 2 * SECTOR)]);
    image.bad.push((1 << 20) + 5000..(1 << 20) + 5001);
    let (bytes, missing) = read(&image, &sealed, 100, 500);
    assert_eq!(
        (bytes, missing.ranges, missing.refused),
        (vec![0; 500], vec![(110, 500)], vec![(110, 500)])
    );
    image.bad.clear();
    image.bytes[(1 << 20) + 20] ^= 0x40;
    let (_, missing) = read(&image, &sealed, 0, 20_000);
    assert_eq!(
        (missing.ranges, missing.refused),
        (vec![(10, 20_000)], Vec::new())
    );
    assert!(missing.why.is_some());
    // Nothing is read or unpacked that no writer makes.
    sealed.plain_bytes = MOST + 1;
    assert_eq!(
        read(&image, &sealed, 0, 10).1.why,
        Some(UnpackError::TooLong)
    );
}

#[test]
fn the_drive_is_asked_for_the_sectors_and_what_proves_them() {
    let (_, sealed) = drive(6);
    assert_eq!(
        sealed.on_drive(5000, 4000),
        [((1 << 20) + SECTOR, 2 * SECTOR), (516, 8)]
    );
    assert_eq!(
        sealed.on_drive(5 * SECTOR, 10),
        [((1 << 20) + 5 * SECTOR, SECTOR)]
    );
}

fn any_sealed() -> impl Strategy<Value = Sealed> {
    let place = prop_oneof![
        (any::<u64>(), any::<u32>()).prop_map(|(at, sectors)| SumsAt::Drive { at, sectors }),
        proptest::collection::vec(any::<u8>(), 0..40).prop_map(SumsAt::Held),
    ];
    let seal = (0u16..4, proptest::collection::vec(place, 0..4)).prop_map(|(code, places)| Seal {
        sum: Sum::from_code(code).unwrap(),
        places,
    });
    let numbers = (
        any::<u64>(),
        proptest::option::of(0..u64::MAX),
        any::<u64>(),
        any::<u64>(),
        any::<u64>(),
        any::<u64>(),
    );
    (numbers, any::<u32>(), 0u8..4, proptest::option::of(seal)).prop_map(
        |(numbers, sector_bytes, packing, seal)| {
            let (at, copy, stored_bytes, plain_bytes, from, bytes) = numbers;
            let packing = Packing::from_code(packing).unwrap();
            Sealed {
                at,
                copy,
                stored_bytes,
                sector_bytes,
                packing,
                plain_bytes,
                from,
                bytes,
                seal,
            }
        },
    )
}

proptest! {
    #![proptest_config(ProptestConfig { failure_persistence: None, ..ProptestConfig::default() })]

    #[test]
    fn the_ledger_gives_it_back(sealed in any_sealed()) {
        let mut bytes = Vec::new();
        sealed.to_bytes(&mut bytes);
        let mut rest = Reader::new(&bytes);
        prop_assert_eq!(Sealed::from_bytes(&mut rest), Some(sealed));
        prop_assert_eq!(rest.byte(), None);
    }

    #[test]
    fn any_numbers_are_read_without_a_panic(sealed in any_sealed(), at in any::<u64>(), bytes in 0usize..9000) {
        let image = Image::new(vec![7; 64 << 10]);
        let mut sealed = sealed;
        // What a reader hands over is whole sectors.
        sealed.stored_bytes %= 1 << 20;
        let (mut buf, mut missing) = (vec![0; bytes], Missing::default());
        let _ = sealed.read(&image, at, &mut buf, Narrow::default(), 0, &mut missing);
        let _ = sealed.on_drive(at, bytes as u64);
    }
}
