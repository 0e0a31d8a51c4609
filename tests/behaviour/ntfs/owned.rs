//! Clusters that nobody owns by the volume's own bitmap, or that lie beneath a tag: the bytes are copied,
//! and what is in doubt is told by name (Linux `fs/ntfs/layout.h`: `$Bitmap` has a bit for each
//! cluster in use).

use super::*;
use holdpoint::survey::item::Kind;
use holdpoint::volume::filesystem::{NoContent, Weight};

const CLUSTER: usize = 4096;

/// The place of a record; the table of these volumes is in one piece.
fn record_at(raw: &[u8], record: u64) -> usize {
    let table = u64::from_le_bytes(raw[0x30..0x38].try_into().unwrap()) as usize * CLUSTER;
    table + record as usize * 1024
}

/// An attribute of a record.
fn attribute(raw: &[u8], record: usize, kind: u8) -> usize {
    let mut at = record + usize::from(raw[record + 0x14]);
    while raw[at] != kind {
        at += u32::from_le_bytes(raw[at + 4..at + 8].try_into().unwrap()) as usize;
    }
    at
}

/// The only run of an item: where its first cluster stands, and which it is.
fn run_of(raw: &[u8], path: &str) -> (usize, u64) {
    let data = attribute(raw, record_at(raw, Listing::of(raw).get(path).record), 0x80);
    let list = data + usize::from(raw[data + 0x20]);
    assert_eq!(raw[list], 0x21, "one byte of length, two of place");
    let first = u64::from(raw[list + 2]) | u64::from(raw[list + 3]) << 8;
    (list + 2, first)
}

fn move_to(raw: &mut [u8], path: &str, cluster: u64) {
    let (at, _) = run_of(raw, path);
    raw[at..at + 2].copy_from_slice(&(cluster as u16).to_le_bytes());
}

#[test]
fn what_is_free_by_the_bitmap_is_copied_and_in_doubt() {
    if !can_mount("what_is_free_by_the_bitmap_is_copied_and_in_doubt") {
        return;
    }
    let image = Image::new(24, &["-c", "4096"]);
    {
        let m = image.mount("streams_interface=windows");
        // So far in that a cluster's number takes two bytes.
        std::fs::write(m.join("room"), bytes(3, 0, 4 << 20)).unwrap();
        std::fs::write(m.join("a"), bytes(1, 0, 20_000)).unwrap();
        std::fs::write(m.join("b"), bytes(2, 0, 20_000)).unwrap();
    }
    let sound = image.bytes();
    assert!(!Listing::of(&sound).survey.findings.any_open());
    let read = |raw: &[u8], listing: &Listing, path: &str| {
        let sectors = InMemory {
            bytes: raw,
            sector_bytes: 512,
        };
        content(listing.get(path), &sectors)
    };

    // Clusters that are free: in doubt by name.
    let mut raw = sound.clone();
    let free = 5600;
    move_to(&mut raw, "/a", free);
    let listing = Listing::of(&raw);
    let found = listing.get("/a");
    assert!(found.marks.has(Mark::Damaged), "{:?}", found.trouble);
    assert!(!listing.get("/b").marks.has(Mark::Damaged));
    assert_eq!(read(&raw, &listing, "/a").1, []);

    // After a crash the bitmap may be older than the record: the volume's point names it, and that is all.
    let about = attribute(&raw, record_at(&raw, 3), 0x70);
    let flags = about + usize::from(raw[about + 0x14]) + 0x0A;
    raw[flags] |= 1;
    let listing = Listing::of(&raw);
    assert_eq!(listing.survey.dirty, Some(true));
    let found = listing.get("/a");
    assert!(!found.marks.has(Mark::Damaged) && found.trouble.is_some());
    let told = listing
        .survey
        .findings
        .of("items-on-free-clusters")
        .unwrap();
    assert_eq!(
        (told.weight, &told.records),
        (Weight::OpenPoint, &vec![found.record])
    );
}

/// MS-FSCC 2.1.2.1: such tags stand for items without content; judged by what is stored, as every other tag.
#[test]
fn content_beneath_a_tag_for_what_has_none_is_content() {
    if !can_mount("content_beneath_a_tag_for_what_has_none_is_content") {
        return;
    }
    let image = Image::new(16, &["-c", "4096"]);
    let (large, small) = (bytes(1, 0, 9000), b"small".to_vec());
    {
        let m = image.mount("streams_interface=windows");
        let put = |path: &str, tag: u32, bytes: &[u8]| {
            std::fs::write(m.join(path), bytes).unwrap();
            let mut value = tag.to_le_bytes().to_vec();
            // As much as a symbolic link to "x" needs; the others take anything.
            value.extend_from_slice(&[14, 0, 0, 0, 0, 0, 2, 0, 0, 0, 2, 0, 1, 0, 0, 0, b'x', 0]);
            m.set(path, "system.ntfs_reparse_data", &value);
        };
        put("alias", 0x8000_001B, &large);
        put("socket", 0x8000_0014, &small);
        put("empty", 0x8000_001B, b"");
        put("link", 0xA000_000C, &small);
        std::fs::write(m.join("hole"), b"").unwrap();
        let file = std::fs::File::options()
            .write(true)
            .open(m.join("hole"))
            .unwrap();
        file.set_len(300_000).unwrap();
        drop(file);
        let mut value = 0x8000_0014u32.to_le_bytes().to_vec();
        value.extend_from_slice(&[0; 4]);
        m.set("hole", "system.ntfs_reparse_data", &value);
    }
    let raw = image.bytes();
    let sectors = InMemory {
        bytes: &raw,
        sector_bytes: 512,
    };
    let listing = Listing::of(&raw);
    for (path, wanted) in [("/alias", large), ("/socket", small)] {
        let found = listing.get(path);
        assert_eq!((found.kind, found.no_content), (Kind::File, None), "{path}");
        assert_eq!(content(found, &sectors), (wanted, vec![]), "{path}");
    }
    for path in ["/empty", "/hole"] {
        let found = listing.get(path);
        assert_eq!(
            (found.kind, found.no_content),
            (Kind::Special, Some(NoContent::Special)),
            "{path}"
        );
    }
    // A link is its target; what lies beneath it is copied nowhere, and that is a decision.
    assert_eq!(listing.get("/link").kind, Kind::Link);
    let told = listing.survey.findings.of("content-beneath-link").unwrap();
    assert_eq!((told.weight, told.count), (Weight::OpenPoint, 1));
}
