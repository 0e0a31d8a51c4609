//! Fuzzes the ATA device statistics, by page and as one log.
#![no_main]

use holdpoint::drive::question::Question;
use holdpoint_fuzz::reading_of;

libfuzzer_sys::fuzz_target!(|data: &[u8]| {
    reading_of(
        &[
            Question::AtaLog(0x04),
            Question::AtaGpl(0x04, 0),
            Question::AtaGpl(0x04, 1),
            Question::AtaGpl(0x04, 3),
            Question::AtaGpl(0x04, 4),
            Question::AtaGpl(0x04, 5),
            Question::AtaGpl(0x04, 6),
            Question::AtaGpl(0x04, 7),
        ],
        data,
    );
});
