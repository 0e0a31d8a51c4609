//! Fuzzes SCSI sense data: registers never come from a format that cannot carry them.
#![no_main]

use holdpoint::drive::health::sense::{Sense, return_status};

libfuzzer_sys::fuzz_target!(|data: &[u8]| {
    let sense = Sense::decode(data);
    if return_status(data).value().is_some() {
        assert!(sense.and_then(|s| s.registers).is_some());
    }
});
