//! Fuzzes the survey of an ext volume: superblock, descriptors, journal, inodes, folders.
#![no_main]

use holdpoint::volume::ext;
use holdpoint_fuzz::volume;

libfuzzer_sys::fuzz_target!(|data: &[u8]| {
    volume(data, |drive, place, limits, see| {
        ext::survey(drive, place, 0, limits, see)
    });
});
