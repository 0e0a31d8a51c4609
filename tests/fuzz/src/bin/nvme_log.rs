//! Fuzzes the NVMe logs 01h, 02h, 06h and 81h.
#![no_main]

use holdpoint::drive::question::Question;
use holdpoint_fuzz::reading_of;

libfuzzer_sys::fuzz_target!(|data: &[u8]| {
    reading_of(
        &[
            Question::NvmeLog(0x01),
            Question::NvmeLog(0x02),
            Question::NvmeLog(0x06),
            Question::NvmeLog(0x81),
        ],
        data,
    );
});
