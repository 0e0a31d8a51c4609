//! Fuzzes the survey of an NTFS volume: the input is its file table, from record 0 on.
//!
//! A boot sector that leads to the table stands before it, and the fixups of each record are made right, so that what is
//! mutated is read as a record and not refused as a torn one. Behind the table some clusters of the input once more.
#![no_main]

use holdpoint::volume::ntfs;
use holdpoint_fuzz::volume;

const CLUSTER: usize = 4096;
const RECORD: usize = 1024;

libfuzzer_sys::fuzz_target!(|data: &[u8]| {
    let table = data
        .len()
        .next_multiple_of(CLUSTER)
        .clamp(4 * CLUSTER, 64 * CLUSTER);
    let clusters = 4 + 2 * (table / CLUSTER);
    let mut bytes = vec![0u8; clusters * CLUSTER + 512];
    bytes[3..11].copy_from_slice(b"NTFS    ");
    bytes[0x0B..0x0D].copy_from_slice(&512u16.to_le_bytes());
    bytes[0x0D] = 8;
    bytes[0x28..0x30].copy_from_slice(&(clusters as u64 * 8).to_le_bytes());
    for at in [0x30, 0x38] {
        bytes[at..at + 8].copy_from_slice(&4u64.to_le_bytes());
    }
    bytes[0x40] = 0xF6;
    bytes[0x44] = 1;
    bytes[510..512].copy_from_slice(&[0x55, 0xAA]);
    for (number, record) in data.chunks(RECORD).take(table / RECORD).enumerate() {
        let at = 4 * CLUSTER + number * RECORD;
        let own = &mut bytes[at..at + RECORD];
        own[..record.len()].copy_from_slice(record);
        own[..4].copy_from_slice(b"FILE");
        // Update sequence at 48, three words of it; the number itself is the input's.
        own[4..8].copy_from_slice(&[48, 0, 3, 0]);
        let check = [own[48], own[49]];
        for half in 0..2 {
            let end = half * 512 + 510;
            (own[50 + 2 * half], own[51 + 2 * half]) = (own[end], own[end + 1]);
            own[end..end + 2].copy_from_slice(&check);
        }
    }
    let behind = 4 * CLUSTER + table;
    let rest = data.len().min(table);
    bytes[behind..behind + rest].copy_from_slice(&data[..rest]);
    volume(&bytes, |drive, place, limits, see| {
        ntfs::survey(drive, place, &limits, see)
    });
});
