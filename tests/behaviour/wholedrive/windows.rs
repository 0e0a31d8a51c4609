//! Registry hives and reparse points as Windows writes them, for an invented laptop.

use regf::DataType;
use regf::transaction_log::{DirtyPageReference, LogEntry};
use regf::writer::HiveBuilder;

fn utf16(text: &str) -> Vec<u8> {
    text.encode_utf16()
        .chain([0])
        .flat_map(u16::to_le_bytes)
        .collect()
}

pub fn user_hive(values: &[(&str, &str)]) -> Vec<u8> {
    let mut hive = HiveBuilder::new().unwrap();
    let key = hive
        .create_key("Software\\Microsoft\\Windows\\CurrentVersion\\Explorer\\User Shell Folders")
        .unwrap();
    for (name, value) in values {
        hive.add_value(key, name, DataType::ExpandString, &utf16(value))
            .unwrap();
    }
    hive.to_bytes().unwrap()
}

pub fn software_hive(profiles: &[(&str, &str)]) -> Vec<u8> {
    let mut hive = HiveBuilder::new().unwrap();
    let list = hive
        .create_key("Microsoft\\Windows NT\\CurrentVersion\\ProfileList")
        .unwrap();
    for (sid, path) in profiles {
        let key = hive.add_key(list, sid).unwrap();
        hive.add_value(
            key,
            "ProfileImagePath",
            DataType::ExpandString,
            &utf16(path),
        )
        .unwrap();
    }
    hive.to_bytes().unwrap()
}

/// A base block with these sequence numbers and its checksum (public descriptions of the registry file format).
fn base(block: &[u8], sequences: [u32; 2], kind: u32) -> Vec<u8> {
    let mut out = block[..512].to_vec();
    let mut put = |at: usize, value: u32| out[at..at + 4].copy_from_slice(&value.to_le_bytes());
    put(4, sequences[0]);
    put(8, sequences[1]);
    put(28, kind);
    let words = out[..508].chunks(4);
    let sum = words.fold(0, |sum, word| {
        sum ^ u32::from_le_bytes(word.try_into().unwrap())
    });
    // 0 and all ones stand for something else.
    let sum = match sum {
        0 => 1,
        u32::MAX => u32::MAX - 1,
        sum => sum,
    };
    out[508..512].copy_from_slice(&sum.to_le_bytes());
    out
}

/// A hive as Windows leaves it when it stops in the middle: `old` on the drive, and the log that makes it `new`.
pub fn unclosed_hive(old: &[u8], new: &[u8]) -> (Vec<u8>, Vec<u8>) {
    const BASE: usize = 4096;
    const FIRST: u32 = 7;
    let mut hive = base(old, [FIRST + 3, FIRST], 0);
    hive.extend_from_slice(&old[512..]);
    let mut log = base(new, [FIRST, FIRST], 6);
    let mut sequence = FIRST;
    for at in (BASE..new.len()).step_by(4096) {
        let page = &new[at..at + 4096];
        if old.get(at..at + 4096) == Some(page) {
            continue;
        }
        let entry = LogEntry {
            signature: *b"HvLE",
            size: 4096 + 512,
            flags: 0,
            sequence_number: sequence,
            hive_bins_data_size: (new.len() - BASE) as u32,
            dirty_pages_count: 1,
            hash1: 0,
            hash2: 0,
            page_references: vec![DirtyPageReference {
                offset: (at - BASE) as u32,
                size: 4096,
            }],
            dirty_pages: vec![page.to_vec()],
        };
        entry.write(&mut log).unwrap();
        sequence += 1;
    }
    (hive, log)
}

pub fn reparse(tag: u32, data: &[u8]) -> Vec<u8> {
    let mut out = tag.to_le_bytes().to_vec();
    out.extend_from_slice(&(data.len() as u16).to_le_bytes());
    out.extend_from_slice(&[0, 0]);
    out.extend_from_slice(data);
    out
}

pub fn junction(target: &str) -> Vec<u8> {
    let units: Vec<u8> = target.encode_utf16().flat_map(u16::to_le_bytes).collect();
    let length = units.len() as u16;
    let mut data = Vec::new();
    for field in [0, length, length + 2, 0] {
        data.extend_from_slice(&field.to_le_bytes());
    }
    data.extend_from_slice(&units);
    data.extend_from_slice(&[0; 4]);
    reparse(0xA000_0003, &data)
}
