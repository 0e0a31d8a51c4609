//! Fuzzes the SCSI log pages.
#![no_main]

use holdpoint::drive::question::Question;
use holdpoint_fuzz::reading_of;

libfuzzer_sys::fuzz_target!(|data: &[u8]| {
    reading_of(
        &[
            Question::ScsiLog(0x00),
            Question::ScsiLog(0x02),
            Question::ScsiLog(0x03),
            Question::ScsiLog(0x05),
            Question::ScsiLog(0x0d),
            Question::ScsiLog(0x0e),
            Question::ScsiLog(0x10),
            Question::ScsiLog(0x11),
            Question::ScsiLog(0x2f),
        ],
        data,
    );
});
