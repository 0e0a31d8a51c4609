//! Fuzzes a stored reading: text from a ledger that somebody may have edited.
#![no_main]

use holdpoint::drive::reading::StoredReading;

libfuzzer_sys::fuzz_target!(|data: &[u8]| {
    if let Ok(stored) = serde_json::from_slice::<StoredReading>(data) {
        std::hint::black_box(stored.decode().report());
    }
});
