//! Fuzzes the partition tables: MBR with its chain, GPT, and what lies in the gaps.
#![no_main]

use holdpoint::volume::map;
use holdpoint::volume::ntfs::InMemory;

libfuzzer_sys::fuzz_target!(|data: &[u8]| {
    for sector_bytes in [512, 4096] {
        let drive = InMemory {
            bytes: data,
            sector_bytes,
        };
        let map = map::read(&drive);
        // What the plan relies on: areas stand in order, none reaches over the end, none over the next.
        let mut end = 0;
        for area in &map.areas {
            let place = area.place();
            assert!(place.first_byte >= end, "{map:?}");
            end = place.first_byte + place.bytes;
        }
        assert!(end <= data.len() as u64, "{map:?}");
    }
});
