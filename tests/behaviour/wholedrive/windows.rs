//! Registry hives and reparse points as Windows writes them, for an invented laptop.

use regf::DataType;
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
