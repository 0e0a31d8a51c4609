//! Fuzzes the unpackers of compressed content. The first bytes choose the method and the length that is promised.
#![no_main]

use holdpoint::volume::unpack::{lznt1, lzo, lzx, xpress, zlib, zstd};

libfuzzer_sys::fuzz_target!(|data: &[u8]| {
    let [method, low, high, packed @ ..] = data else {
        return;
    };
    // As promised by the layout: a unit of 64 KiB at most (LZNT1), a chunk of 32 KiB at most (the other two of Windows), an extent of
    // 128 KiB at most (Btrfs).
    let promised = usize::from(u16::from_le_bytes([*low, *high]));
    let got = match method % 6 {
        0 => lznt1::unpack(packed, promised),
        1 => xpress::unpack(packed, promised.min(32 << 10)),
        2 => lzx::unpack(packed, promised.min(32 << 10)),
        3 => zlib::unpack(packed, promised),
        4 => zstd::unpack(packed, promised),
        _ => lzo::unpack(packed, promised, 4096),
    };
    if let Ok(got) = got {
        assert!(got.len() <= 64 << 10);
    }
});
