//! Fuzzes the ATA error and self-test logs.
#![no_main]

use holdpoint::drive::question::Question;
use holdpoint_fuzz::reading_of;

libfuzzer_sys::fuzz_target!(|data: &[u8]| {
    reading_of(
        &[
            Question::AtaLog(0x01),
            Question::AtaLog(0x02),
            Question::AtaLog(0x06),
            Question::AtaGpl(0x03, 0),
            Question::AtaGpl(0x07, 0),
        ],
        data,
    );
});
