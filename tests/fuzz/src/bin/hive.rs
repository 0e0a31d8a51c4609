//! Fuzzes registry hives and their logs. The first two bytes say where the log begins.
#![no_main]

use holdpoint::survey::hive;

libfuzzer_sys::fuzz_target!(|data: &[u8]| {
    let [low, high, rest @ ..] = data else {
        return;
    };
    let at = usize::from(u16::from_le_bytes([*low, *high])).min(rest.len());
    let (log, hive) = rest.split_at(at);
    std::hint::black_box(hive::examine(hive, log));
});
