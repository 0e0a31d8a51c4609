//! Fuzzes the survey of an exFAT volume: boot region, bitmap, up-case table, folders.
#![no_main]

use holdpoint::volume::exfat;
use holdpoint_fuzz::volume;

libfuzzer_sys::fuzz_target!(|data: &[u8]| {
    volume(data, |drive, place, limits, see| {
        exfat::survey(drive, place, 0, limits, see)
    });
});
