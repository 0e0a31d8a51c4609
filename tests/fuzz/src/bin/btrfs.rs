//! Fuzzes the survey of a Btrfs volume. The input is blocks of 4 KiB with their places in front; their checksums are made to fit, so
//! that what reads them is reached.
#![no_main]

use holdpoint::port::{Fault, FaultKind, Sectors};
use holdpoint::read::content::ContentReader;
use holdpoint::volume::btrfs;
use holdpoint::volume::filesystem::{Limits, Place};
use holdpoint::volume::sums::crc32c;
use std::collections::BTreeMap;

const BLOCK: usize = 4096;
const BYTES: u64 = 128 << 20;

/// The blocks of the input; everywhere else are zeros.
struct Sparse(BTreeMap<u64, Vec<u8>>);

impl Sectors for Sparse {
    fn sector_bytes(&self) -> u32 {
        512
    }
    fn bytes(&self) -> u64 {
        BYTES
    }
    fn read_at(&self, at: u64, buf: &mut [u8]) -> Result<(), Fault> {
        if at.checked_add(buf.len() as u64).is_none_or(|end| end > BYTES) {
            return Err(Fault::new(FaultKind::Other, "reading", "EINVAL"));
        }
        buf.fill(0);
        let end = at + buf.len() as u64;
        let (first, last) = (at / BLOCK as u64, end.div_ceil(BLOCK as u64));
        for (place, block) in self.0.range(first..last) {
            let start = place * BLOCK as u64;
            let (from, to) = (start.max(at), (start + BLOCK as u64).min(end));
            let part = &block[(from - start) as usize..(to - start) as usize];
            buf[(from - at) as usize..(to - at) as usize].copy_from_slice(part);
        }
        Ok(())
    }
}

libfuzzer_sys::fuzz_target!(|data: &[u8]| {
    let mut blocks = BTreeMap::new();
    for raw in data.chunks_exact(4 + BLOCK) {
        let (place, block) = raw.split_at(4);
        let place = u32::from_le_bytes(place.try_into().unwrap_or_default());
        let mut block = block.to_vec();
        let sum = !crc32c(!0, &block[32..]);
        block[..4].copy_from_slice(&sum.to_le_bytes());
        blocks.insert(u64::from(place) % (BYTES / BLOCK as u64), block);
    }
    let drive = Sparse(blocks);
    let place = Place {
        first_byte: 0,
        bytes: BYTES,
    };
    let limits = Limits {
        items: 100_000,
        depth: 64,
        table_bytes: 16 << 20,
    };
    let mut layouts = Vec::new();
    let outcome = btrfs::survey(&drive, place, &drive, place, limits, &mut |found| {
        if layouts.len() < 16 {
            layouts.extend(found.layout);
        }
    });
    std::hint::black_box(outcome.is_ok());
    for layout in layouts {
        let mut buf = vec![0u8; 64 << 10];
        let _ = ContentReader::new(layout, &drive).read(0, &mut buf);
    }
});
