//! The reader against layouts made by hand, with the unpackers' own test encoders.

use super::*;
use crate::volume::ntfs::InMemory;
use crate::volume::unpack::{lzx, xpress};
use proptest::prelude::*;

fn all(layout: Layout, drive: &[u8]) -> (Vec<u8>, Ranges) {
    let drive = InMemory {
        bytes: drive,
        sector_bytes: 512,
    };
    let reader = ContentReader::new(layout, &drive);
    let mut out = Vec::new();
    let mut buf = vec![0xAAu8; 10_007];
    let missing = reader
        .stream(&mut buf, &mut |_, part, _| out.extend_from_slice(part))
        .unwrap();
    // Reading in another rhythm, and backwards, gives the same.
    let mut again = vec![0xAAu8; out.len()];
    for at in (0..out.len()).step_by(3331).rev() {
        let end = (at + 3331).min(out.len());
        reader.read(at as u64, &mut again[at..end]).unwrap();
    }
    assert_eq!(again, out);
    (out, missing)
}

/// System compression as the file provider stores it: a table of chunk starts, then the chunks, a
/// chunk that would not shrink stored as it is.
fn system(plain: &[u8], chunk: usize, coding: Coding) -> Vec<u8> {
    let chunks: Vec<Vec<u8>> = plain
        .chunks(chunk)
        .enumerate()
        .map(|(i, part)| {
            let packed = match coding {
                Coding::Lzx => lzx::tests::pack(i as u64, part, lzx::tests::Dialect::System),
                _ => xpress::tests::pack(part),
            };
            if packed.len() < part.len() {
                packed
            } else {
                part.to_vec()
            }
        })
        .collect();
    let mut out = Vec::new();
    let mut at = 0u32;
    for chunk in chunks.iter().take(chunks.len().saturating_sub(1)) {
        at += chunk.len() as u32;
        out.extend_from_slice(&at.to_le_bytes());
    }
    out.extend(chunks.concat());
    out
}

fn content(seed: u64, len: usize) -> Vec<u8> {
    let mut out = lzx::tests::content(seed, len);
    // A stretch of noise that cannot shrink.
    let noise = out.len() / 3..out.len() / 3 + (out.len() / 4).min(9000);
    for (i, byte) in out[noise].iter_mut().enumerate() {
        *byte = (i as u64).wrapping_mul(0x9E37_79B9_7F4A_7C15).to_be_bytes()[1];
    }
    out
}

#[test]
fn system_compression_in_every_form() {
    for (coding, chunk) in [
        (Coding::Xpress { chunk_bytes: 4096 }, 4096),
        (Coding::Xpress { chunk_bytes: 8192 }, 8192),
        (
            Coding::Xpress {
                chunk_bytes: 16_384,
            },
            16_384,
        ),
        (Coding::Lzx, 32_768),
    ] {
        for len in [1, 4096, 33_000] {
            let plain = content(len as u64, len);
            let stored = system(&plain, chunk, coding);
            let mut drive = vec![0xEE; 512];
            drive.extend_from_slice(&stored);
            let layout = |bytes: usize| Layout {
                pieces: vec![Piece::Extent {
                    at: 512,
                    bytes: bytes as u64,
                }],
                coding,
                length: len as u64,
                valid: len as u64,
            };
            let (out, missing) = all(layout(stored.len()), &drive);
            assert!(out == plain && missing.is_empty(), "{coding:?} {len}");
            // Its last bytes lost: something of the last chunk is missing, never made up.
            if stored.len() > 10 {
                let (out, missing) = all(layout(stored.len() - 9), &drive);
                let (from, bytes) = *missing.last().unwrap();
                assert_eq!(from + bytes, len as u64);
                assert_eq!(out[..from as usize], plain[..from as usize]);
            }
        }
    }
}

#[test]
fn a_compression_unit_is_plain_packed_or_a_hole() {
    // Unit 0 plain, unit 1 packed ([MS-XCA] 2.5: 'a', then 4095 bytes from one byte back), unit 2 a hole, unit 3 with
    // content behind a hole: impossible.
    let unit = 4096u32;
    let mut drive = vec![7u8; 4096];
    drive.extend_from_slice(&[0x03, 0xb0, 0b10, b'a', 0xfc, 0x0f, 0, 0]);
    drive.resize(8192, 0x55);
    let extent = |at: u64, bytes: u64| Piece::Extent { at, bytes };
    let layout = Layout {
        pieces: vec![
            extent(0, 4096),
            extent(4096, 512),
            Piece::Hole { bytes: 3584 + 4096 },
            Piece::Hole { bytes: 512 },
            extent(4096, 3584),
        ],
        coding: Coding::Lznt1 { unit_bytes: unit },
        length: 16_384,
        valid: 16_384,
    };
    let (out, missing) = all(layout.clone(), &drive);
    assert_eq!(out[..4096], [7; 4096]);
    assert!(out[4096..8192].iter().all(|b| *b == b'a'));
    assert!(out[8192..].iter().all(|b| *b == 0));
    assert_eq!(missing, vec![(12_288, 4096)]);
    // A packed unit that does not unpack, or to less than what was written, is missing as a whole.
    let mut short = drive.clone();
    short[4096..4103].copy_from_slice(&[0x02, 0x30, b'a', b'b', b'c', 0, 0]);
    drive[4097] = 0x90;
    for broken in [drive, short] {
        let (_, missing) = all(layout.clone(), &broken);
        assert_eq!(missing, vec![(4096, 4096), (12_288, 4096)]);
    }
}

#[test]
fn behind_the_valid_length_are_zeros_and_behind_the_pieces_gaps() {
    let drive = vec![9u8; 4096];
    let layout = Layout {
        pieces: vec![Piece::Extent { at: 0, bytes: 4096 }],
        coding: Coding::Plain,
        length: 6000,
        valid: 1000,
    };
    let (out, missing) = all(layout.clone(), &drive);
    assert!(out[..1000].iter().all(|b| *b == 9) && out[1000..].iter().all(|b| *b == 0));
    assert_eq!((out.len(), missing), (6000, vec![]));
    let (_, missing) = all(
        Layout {
            valid: 6000,
            ..layout
        },
        &drive,
    );
    assert_eq!(missing, vec![(4096, 1904)]);
}

#[test]
fn as_content_it_stops_before_a_gap_and_refuses_in_it() {
    let drive = InMemory {
        bytes: &[5; 1024],
        sector_bytes: 512,
    };
    let reader = ContentReader::new(
        Layout {
            pieces: vec![
                Piece::Extent { at: 0, bytes: 512 },
                Piece::Lost { bytes: 100 },
                Piece::Hole { bytes: 88 },
                Piece::Inline(vec![1; 10]),
            ],
            coding: Coding::Plain,
            length: 710,
            valid: 710,
        },
        &drive,
    );
    let mut buf = [0u8; 4096];
    assert_eq!(reader.read_at(0, &mut buf).unwrap(), 512);
    assert_eq!(
        reader.read_at(512, &mut buf).unwrap_err().kind,
        FaultKind::Refused
    );
    assert_eq!(reader.read_at(612, &mut buf).unwrap(), 98);
    assert_eq!(reader.read_at(710, &mut buf).unwrap(), 0);
    assert_eq!(reader.data_after(612).unwrap(), Some((700, 10)));
    assert_eq!(reader.data_after(710).unwrap(), None);
    assert_eq!(reader.stamp().unwrap().bytes, 710);
}

/// A drive that counts what it is asked for, and refuses or vanishes.
struct Counting {
    bad: std::ops::Range<u64>,
    kind: FaultKind,
    asked: std::sync::atomic::AtomicU64,
}

impl Sectors for Counting {
    fn sector_bytes(&self) -> u32 {
        512
    }
    fn bytes(&self) -> u64 {
        1 << 20
    }
    fn read_at(&self, at: u64, buf: &mut [u8]) -> Result<(), Fault> {
        let end = at + buf.len() as u64;
        buf.fill(3);
        if at < self.bad.end && end > self.bad.start {
            self.asked
                .fetch_add(1, std::sync::atomic::Ordering::Relaxed);
            return Err(Fault::new(self.kind, "reading", "EIO"));
        }
        Ok(())
    }
}

#[test]
fn a_refused_sector_is_asked_for_once_and_a_vanished_drive_ends_it() {
    let asked = |drive: &Counting| drive.asked.load(std::sync::atomic::Ordering::Relaxed);
    let layout = Layout {
        pieces: vec![Piece::Extent {
            at: 0,
            bytes: 1 << 20,
        }],
        coding: Coding::Plain,
        length: 1 << 20,
        valid: 1 << 20,
    };
    let mut drive = Counting {
        bad: 5120..6144,
        kind: FaultKind::Refused,
        asked: Default::default(),
    };
    let reader = ContentReader::new(layout.clone(), &drive);
    let mut buf = vec![0u8; 1 << 20];
    assert_eq!(
        reader.read(0, &mut buf).unwrap().missing,
        vec![(5120, 1024)]
    );
    let first = asked(&drive);
    // The copy engine goes around it: everything else counts, and no good byte next to it is given up.
    let around = reader.read_around(0, &mut buf).unwrap().unwrap();
    assert_eq!(
        (around.bytes, around.missing),
        (1 << 20, vec![(5120, 1024)])
    );
    assert_eq!(around.fault.unwrap().kind, FaultKind::Refused);
    assert!(
        buf.iter()
            .enumerate()
            .all(|(at, byte)| *byte == if (5120..6144).contains(&at) { 0 } else { 3 })
    );
    assert_eq!(
        reader.read(5000, &mut buf[..2000]).unwrap().missing,
        vec![(5120, 1024)]
    );
    assert_eq!(asked(&drive), first);
    drop(reader);
    drive.kind = FaultKind::Gone;
    let reader = ContentReader::new(layout, &drive);
    assert_eq!(reader.read(0, &mut buf).unwrap_err().kind, FaultKind::Gone);
}

fn piece() -> impl Strategy<Value = Piece> {
    prop_oneof![
        (any::<u64>(), 0u64..200_000).prop_map(|(at, bytes)| Piece::Extent {
            at: at % 40_000,
            bytes
        }),
        (any::<u64>(), any::<u64>()).prop_map(|(at, bytes)| Piece::Extent { at, bytes }),
        (0u64..100_000).prop_map(|bytes| Piece::Hole { bytes }),
        any::<u64>().prop_map(|bytes| Piece::Hole { bytes }),
        (0u64..100_000).prop_map(|bytes| Piece::Lost { bytes }),
        proptest::collection::vec(any::<u8>(), 0..300).prop_map(Piece::Inline),
    ]
}

proptest! {
    #![proptest_config(ProptestConfig { failure_persistence: None, ..ProptestConfig::default() })]
    #[test]
    fn any_layout(
        pieces in proptest::collection::vec(piece(), 0..8),
        coding in prop_oneof![
            Just(Coding::Plain),
            (1u32..100_000).prop_map(|unit_bytes| Coding::Lznt1 { unit_bytes }),
            (1u32..20_000).prop_map(|chunk_bytes| Coding::Xpress { chunk_bytes }),
            Just(Coding::Lzx),
        ],
        length in prop_oneof![0u64..300_000, any::<u64>()],
        valid in any::<u64>(),
        at in prop_oneof![0u64..300_000, any::<u64>()],
        drive in proptest::collection::vec(any::<u8>(), 40_000..40_001),
    ) {
        let sectors = InMemory { bytes: &drive, sector_bytes: 512 };
        let reader = ContentReader::new(Layout { pieces, coding, length, valid }, &sectors);
        let mut buf = vec![1u8; 20_000];
        let got = reader.read(at, &mut buf).unwrap();
        prop_assert_eq!(got.bytes as u64, length.saturating_sub(at).min(20_000));
        for (from, bytes) in got.missing {
            prop_assert!(from >= at && from + bytes <= at + got.bytes as u64);
            let into = (from - at) as usize;
            prop_assert!(buf[into..into + bytes as usize].iter().all(|b| *b == 0));
        }
    }
}
