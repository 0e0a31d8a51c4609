//! Fuzzes what a partition is taken for, and how it is judged.
#![no_main]

use holdpoint::volume::filesystem::Place;
use holdpoint::volume::ntfs::InMemory;
use holdpoint::volume::signature;

libfuzzer_sys::fuzz_target!(|data: &[u8]| {
    let drive = InMemory {
        bytes: data,
        sector_bytes: 512,
    };
    let place = Place {
        first_byte: 0,
        bytes: data.len() as u64,
    };
    let probe = signature::probe(&drive, place);
    std::hint::black_box(signature::is_disc_image(&drive, place));
    std::hint::black_box(probe.leading());
});
