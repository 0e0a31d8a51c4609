//! Fuzzes registry hives and their logs. The first byte says whether the hive was closed, the next two where the log
//! begins; the rest are cells. Headers and their sums are made right, so that what is mutated is read at all.
#![no_main]

use holdpoint::survey::hive;

const BLOCK: usize = 4096;

/// A base block: sequence numbers, the root cell's place, the length of the bins, the sum over it all.
fn base(second: u32, bins: usize) -> Vec<u8> {
    let mut block = vec![0u8; BLOCK];
    block[..4].copy_from_slice(b"regf");
    let mut put = |at: usize, value: u32| block[at..at + 4].copy_from_slice(&value.to_le_bytes());
    put(4, 2);
    put(8, second);
    put(20, 1);
    put(24, 5);
    put(32, 1);
    put(36, 32);
    put(40, bins as u32);
    put(44, 1);
    let sum = block[..508].chunks_exact(4).fold(0u32, |sum, w| {
        sum ^ u32::from_le_bytes([w[0], w[1], w[2], w[3]])
    });
    block[508..512].copy_from_slice(&sum.to_le_bytes());
    block
}

libfuzzer_sys::fuzz_target!(|data: &[u8]| {
    let [closed, low, high, rest @ ..] = data else {
        return;
    };
    let at = usize::from(u16::from_le_bytes([*low, *high])).min(rest.len());
    let (log, cells) = rest.split_at(at);
    let bins = cells.len().next_multiple_of(BLOCK).clamp(BLOCK, 16 * BLOCK);
    let mut whole = base(if closed & 1 == 0 { 2 } else { 1 }, bins);
    let body = cells.get(..bins).unwrap_or(cells);
    whole.extend_from_slice(body);
    whole.resize(BLOCK + bins, 0);
    for bin in 0..bins / BLOCK {
        let start = BLOCK + bin * BLOCK;
        whole[start..start + 4].copy_from_slice(b"hbin");
        whole[start + 4..start + 8].copy_from_slice(&((bin * BLOCK) as u32).to_le_bytes());
        whole[start + 8..start + 12].copy_from_slice(&(BLOCK as u32).to_le_bytes());
    }
    let mut whole_log = base(2, bins)[..512].to_vec();
    whole_log.extend_from_slice(log);
    std::hint::black_box(hive::examine(&whole, &whole_log));
});
