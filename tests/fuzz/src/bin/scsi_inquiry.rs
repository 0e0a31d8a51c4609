//! Fuzzes SCSI INQUIRY and the vital product data.
#![no_main]

use holdpoint::drive::question::Question;
use holdpoint_fuzz::reading_of;

libfuzzer_sys::fuzz_target!(|data: &[u8]| {
    reading_of(
        &[
            Question::ScsiInquiry,
            Question::ScsiVpd(0x00),
            Question::ScsiVpd(0x80),
            Question::ScsiVpd(0x83),
            Question::ScsiVpd(0x89),
            Question::ScsiVpd(0xb1),
        ],
        data,
    );
});
