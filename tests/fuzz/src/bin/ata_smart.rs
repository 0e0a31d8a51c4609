//! Fuzzes ATA SMART data, thresholds and status.
#![no_main]

use holdpoint::drive::question::Question;
use holdpoint_fuzz::reading_of;

libfuzzer_sys::fuzz_target!(|data: &[u8]| {
    reading_of(
        &[
            Question::AtaSmartData,
            Question::AtaSmartThresholds,
            Question::AtaSmartStatus,
        ],
        data,
    );
});
