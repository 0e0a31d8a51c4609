//! Fuzzes the unpackers of compressed content. The first bytes choose the method and the length that is promised.
#![no_main]

use holdpoint::volume::unpack::{lznt1, lzx, xpress};

libfuzzer_sys::fuzz_target!(|data: &[u8]| {
    let [method, low, high, packed @ ..] = data else {
        return;
    };
    // As promised by the layout: a unit of 64 KiB at most (LZNT1), a chunk of 32 KiB at most (the others).
    let promised = usize::from(u16::from_le_bytes([*low, *high]));
    let got = match method % 3 {
        0 => lznt1::unpack(packed, promised),
        1 => xpress::unpack(packed, promised.min(32 << 10)),
        _ => lzx::unpack(packed, promised.min(32 << 10)),
    };
    if let Ok(got) = got {
        assert!(got.len() <= 64 << 10);
    }
});
