//! Fuzzes the survey of a FAT volume: boot sector, tables, folders, long names.
#![no_main]

use holdpoint::volume::fat;
use holdpoint_fuzz::volume;

libfuzzer_sys::fuzz_target!(|data: &[u8]| {
    volume(data, |drive, place, limits, see| {
        fat::survey(drive, place, 0, limits, see)
    });
});
