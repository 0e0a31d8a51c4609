//! Content that is not where a file's name is, or that nobody can vouch for: each judged by what is stored and by every mark
//! that says so (MS-FSCC 2.6 for attributes, 2.1.2.1 for tags).

use super::*;
use holdpoint::volume::filesystem::{NoContent, Weight};

fn record_at(raw: &[u8], record: u64) -> usize {
    let table = u64::from_le_bytes(raw[0x30..0x38].try_into().unwrap()) as usize * 4096;
    table + record as usize * 1024
}

/// Adds attributes to the standard information of a record: the driver keeps some of them to itself.
fn add_attributes(raw: &mut [u8], record: u64, attributes: u32) {
    let record = record_at(raw, record);
    let first = record + usize::from(raw[record + 0x14]);
    assert_eq!(raw[first], 0x10, "standard information comes first");
    let value = first + usize::from(raw[first + 0x14]) + 0x20;
    let have = u32::from_le_bytes(raw[value..value + 4].try_into().unwrap());
    raw[value..value + 4].copy_from_slice(&(have | attributes).to_le_bytes());
}

fn tag(tag: u32, data: &[u8]) -> Vec<u8> {
    let mut out = tag.to_le_bytes().to_vec();
    out.extend_from_slice(&(data.len() as u16).to_le_bytes());
    out.extend_from_slice(&[0, 0]);
    out.extend_from_slice(data);
    out
}

#[test]
fn any_one_attribute_of_the_cloud_is_enough() {
    if !can_mount("any_one_attribute_of_the_cloud_is_enough") {
        return;
    }
    let image = Image::new(16, &["-c", "4096"]);
    {
        let m = image.mount("streams_interface=windows");
        for name in ["hole", "zeros wanted"] {
            let file = std::fs::File::create(m.join(name)).unwrap();
            file.set_len(300_000).unwrap();
        }
        std::fs::write(m.join("full"), bytes(1, 0, 300_000)).unwrap();
        std::fs::write(m.join("small"), b"in the record").unwrap();
        std::fs::write(m.join("empty"), b"").unwrap();
    }
    let raw = image.bytes();
    let record = |path: &str| Listing::of(&raw).get(path).record;
    for attribute in [0x1000, 0x4_0000, 0x40_0000] {
        let mut raw = raw.clone();
        for path in ["/hole", "/full", "/small", "/empty"] {
            add_attributes(&mut raw, record(path), attribute);
        }
        let listing = Listing::of(&raw);
        assert_eq!(
            listing.get("/hole").no_content,
            Some(NoContent::Placeholder),
            "{attribute:#x}"
        );
        assert!(listing.get("/hole").marks.has(Mark::Placeholder));
        // What is here is here, whatever the attributes say; and a hole without any mark reads as zeros.
        for path in ["/full", "/small", "/empty", "/zeros wanted"] {
            assert_eq!(listing.get(path).no_content, None, "{path} {attribute:#x}");
        }
        assert!(!listing.survey.findings.any_open());
    }
}

#[test]
fn a_compressed_file_of_the_cloud_may_be_here() {
    if !can_mount("a_compressed_file_of_the_cloud_may_be_here") {
        return;
    }
    let image = Image::new(16, &["-c", "4096"]);
    let here = bytes(2, 1, 300_000);
    {
        let m = image.mount("compression,streams_interface=windows");
        std::fs::create_dir(m.join("packed")).unwrap();
        m.set("packed", "system.ntfs_attrib", &0x800u32.to_le_bytes());
        std::fs::write(m.join("packed/here"), &here).unwrap();
        std::fs::write(m.join("packed/in part"), &here).unwrap();
        let file = std::fs::File::options()
            .write(true)
            .open(m.join("packed/in part"))
            .unwrap();
        file.set_len(900_000).unwrap();
        drop(file);
        for path in ["packed/here", "packed/in part"] {
            m.set(path, "system.ntfs_reparse_data", &tag(0x9000_101A, &[0; 8]));
        }
    }
    let raw = image.bytes();
    let listing = Listing::of(&raw);
    let found = listing.get("/packed/here");
    assert!(found.marks.has(Mark::Compressed));
    assert_eq!(found.no_content, None);
    let sectors = InMemory {
        bytes: &raw,
        sector_bytes: 512,
    };
    assert_eq!(content(found, &sectors), (here, Vec::new()));
    assert_eq!(
        listing.get("/packed/in part").no_content,
        Some(NoContent::Placeholder)
    );
}

/// Linux `fs/ntfs/layout.h`: a folder has an index and no unnamed content. One that has is said, not passed over.
#[test]
fn content_in_a_folder_is_open() {
    if !can_mount("content_in_a_folder_is_open") {
        return;
    }
    let image = Image::new(16, &["-c", "4096"]);
    {
        let m = image.mount("streams_interface=windows");
        std::fs::write(m.join("was a file"), bytes(3, 0, 20_000)).unwrap();
    }
    let mut raw = image.bytes();
    let record = Listing::of(&raw).get("/was a file").record;
    let place = record_at(&raw, record);
    raw[place + 0x16] |= 2;
    let survey = Listing::of(&raw).survey;
    let finding = survey.findings.of("content-in-folder").unwrap();
    assert_eq!(finding.weight, Weight::OpenPoint);
    assert!(finding.says.contains("20000 bytes"), "{}", finding.says);
}

#[test]
fn what_is_decoded_but_not_proven_is_not_whole() {
    if !can_mount("what_is_decoded_but_not_proven_is_not_whole") {
        return;
    }
    let image = Image::new(16, &["-c", "4096"]);
    let plain = bytes(4, 0, 10_000);
    {
        let m = image.mount("streams_interface=windows");
        for (name, algorithm) in [("lzx.exe", 1u32), ("xpress.exe", 3)] {
            let file = std::fs::File::create(m.join(name)).unwrap();
            file.set_len(10_000).unwrap();
            drop(file);
            // One chunk, stored as it is.
            std::fs::write(m.join(&format!("{name}:WofCompressedData")), &plain).unwrap();
            let wof = [1, 2, 1, algorithm].map(u32::to_le_bytes).concat();
            m.set(name, "system.ntfs_reparse_data", &tag(0x8000_0017, &wof));
        }
    }
    let raw = image.bytes();
    let listing = Listing::of(&raw);
    let sectors = InMemory {
        bytes: &raw,
        sector_bytes: 512,
    };
    let (lzx, xpress) = (listing.get("/lzx.exe"), listing.get("/xpress.exe"));
    assert_eq!(content(xpress, &sectors).0, plain);
    assert!(!xpress.marks.has(Mark::Damaged));
    assert_eq!(content(lzx, &sectors).0, plain);
    assert!(lzx.marks.has(Mark::Damaged));
    assert!(lzx.trouble.as_ref().unwrap().contains("LZX"));
    // Of the item alone: a system file that is left out by rule asks for nothing.
    assert!(!listing.survey.findings.any_open());
    assert!(listing.survey.whole && listing.survey.accounts.add_up());
}

/// MS-FSCC and Linux `fs/ntfs/layout.h`: 0xF0 was never given a meaning, 0x1000 is the first kind for programs.
#[test]
fn attributes_that_nobody_knows_are_named() {
    if !can_mount("attributes_that_nobody_knows_are_named") {
        return;
    }
    let image = Image::new(16, &["-c", "4096"]);
    {
        let m = image.mount("streams_interface=windows");
        std::fs::write(m.join("a"), b"in the record").unwrap();
    }
    let sound = image.bytes();
    assert!(!Listing::of(&sound).survey.findings.any_open());
    let number = Listing::of(&sound).get("/a").record;
    for (kind, name, told) in [
        (0xF0u32, "", true),
        (0x100, "MINE", true),
        (0x100, "$TXF_DATA", false),
        (0x1000, "", true),
    ] {
        let mut raw = sound.clone();
        let record = record_at(&raw, number);
        let long = |raw: &[u8], at: usize| u32::from_le_bytes(raw[at..at + 4].try_into().unwrap());
        let mut at = record + usize::from(raw[record + 0x14]);
        while long(&raw, at) != u32::MAX {
            at += long(&raw, at + 4) as usize;
        }
        let units: Vec<u8> = name.encode_utf16().flat_map(u16::to_le_bytes).collect();
        let value = (24 + units.len()).next_multiple_of(8);
        let mut one = vec![0u8; value + 8];
        one[..4].copy_from_slice(&kind.to_le_bytes());
        one[4..8].copy_from_slice(&((value + 8) as u32).to_le_bytes());
        one[9] = name.len() as u8;
        one[10] = 24;
        one[16] = 8;
        one[20] = value as u8;
        one[24..24 + units.len()].copy_from_slice(&units);
        one.extend([0xFF; 4]);
        one.extend([0; 4]);
        // Before the first place that is checked against a torn record.
        assert!(at - record + one.len() < 510);
        raw[at..at + one.len()].copy_from_slice(&one);
        let used = (at + one.len() - record) as u32;
        raw[record + 0x18..record + 0x1C].copy_from_slice(&used.to_le_bytes());
        let listing = Listing::of(&raw);
        let found = listing.survey.findings.of("attributes-unknown");
        assert_eq!(found.is_some(), told, "{kind:#x} {name}");
        assert!(found.is_none_or(|it| it.weight == Weight::OpenPoint && it.records == [number]));
    }
}
