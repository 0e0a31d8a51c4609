//! Fuzzes NVMe Identify (controller and namespace).
#![no_main]

use holdpoint::drive::question::Question;
use holdpoint_fuzz::reading_of;

libfuzzer_sys::fuzz_target!(|data: &[u8]| {
    reading_of(
        &[
            Question::NvmeIdentifyController,
            Question::NvmeIdentifyNamespace,
        ],
        data,
    );
});
