//! One volume with everything on it: listing and contents against the mount.

use super::*;
use holdpoint::survey::item::Kind;
use holdpoint::value::Name;
use holdpoint::volume::filesystem::NoContent;
use holdpoint::volume::layout::Coding;
use std::io::{Seek, SeekFrom, Write};

const COMPRESSED: [u8; 4] = 0x800u32.to_le_bytes();

fn reparse(tag: u32, data: &[u8]) -> Vec<u8> {
    let mut out = tag.to_le_bytes().to_vec();
    out.extend_from_slice(&(data.len() as u16).to_le_bytes());
    out.extend_from_slice(&[0, 0]);
    out.extend_from_slice(data);
    out
}

fn junction(target: &str) -> Vec<u8> {
    let units: Vec<u8> = target.encode_utf16().flat_map(u16::to_le_bytes).collect();
    let n = units.len() as u16;
    let mut data = Vec::new();
    for field in [0, n, n + 2, 0] {
        data.extend_from_slice(&field.to_le_bytes());
    }
    data.extend_from_slice(&units);
    data.extend_from_slice(&[0; 4]);
    reparse(0xA000_0003, &data)
}

#[test]
fn everything_on_one_volume() {
    if !can_mount("everything_on_one_volume") {
        return;
    }
    let image = Image::new(96, &["-c", "4096", "-L", "Büro"]);
    let mut truth;
    {
        let m = image.mount("compression,streams_interface=windows");
        let put = |path: &str, bytes: &[u8]| std::fs::write(m.join(path), bytes).unwrap();
        put("empty", b"");
        put("resident.txt", b"only a few bytes");
        put("plain.bin", &bytes(1, 0, 3_000_001));
        std::fs::create_dir_all(m.join("Users/Ada Test/Documents/tief/tiefer")).unwrap();
        put(
            "Users/Ada Test/Documents/tief/tiefer/Straße ☃ 𝄞.txt",
            b"name beyond the plane",
        );
        put(&format!("{}.txt", "l".repeat(250)), b"long");
        let mut deep = String::from("deep");
        for i in 0..40 {
            deep.push_str(&format!("/a rather long folder name {i}"));
        }
        std::fs::create_dir_all(m.join(&deep)).unwrap();
        put(&format!("{deep}/end"), b"far down");
        for name in [
            "trail. ",
            "CON",
            "Case",
            "case",
            "q?<>|*.txt",
            "a\nb",
            "<b>&amp;",
        ] {
            put(name, name.as_bytes());
        }
        // Sparse: holes at both ends and in the middle.
        let mut sparse = std::fs::File::create(m.join("sparse")).unwrap();
        sparse.seek(SeekFrom::Start(1 << 20)).unwrap();
        sparse.write_all(&bytes(2, 0, 100_000)).unwrap();
        sparse.seek(SeekFrom::Start(9 << 20)).unwrap();
        sparse.write_all(b"x").unwrap();
        drop(sparse);
        // Compressed files of several kinds, in a folder that asks for it.
        std::fs::create_dir(m.join("packed")).unwrap();
        m.set("packed", "system.ntfs_attrib", &COMPRESSED);
        for (i, len) in [1usize, 4096, 65_535, 65_536, 65_537, 300_000, 1_000_003]
            .into_iter()
            .enumerate()
        {
            for kind in 0..3u8 {
                put(
                    &format!("packed/{kind}-{len}"),
                    &bytes(i as u64 + 10, kind, len),
                );
            }
        }
        // Overwritten in the middle.
        let mut patch = std::fs::OpenOptions::new()
            .write(true)
            .open(m.join("packed/1-1000003"))
            .unwrap();
        patch.seek(SeekFrom::Start(200_000)).unwrap();
        patch.write_all(&bytes(77, 0, 100_000)).unwrap();
        drop(patch);
        // Streams on files and folders, small and large.
        put(
            "plain.bin:Zone.Identifier",
            b"[ZoneTransfer]\r\nZoneId=3\r\n",
        );
        put("resident.txt:large", &bytes(3, 1, 500_000));
        put("Users:on a folder", b"folders have streams too");
        for i in 0..120 {
            put(
                &format!("resident.txt:s{i}"),
                &bytes(i, 1, 100 + i as usize),
            );
        }
        // Hard links in two folders.
        std::fs::hard_link(m.join("plain.bin"), m.join("Users/second name.bin")).unwrap();
        std::fs::hard_link(m.join("plain.bin"), m.join("third.bin")).unwrap();
        // Two files growing in turns: fragmented. Kept below what needs an attribute list.
        let mut a = std::fs::File::create(m.join("woven-a")).unwrap();
        let mut b = std::fs::File::create(m.join("woven-b")).unwrap();
        for i in 0..40u64 {
            a.write_all(&bytes(i, 0, 20_000)).unwrap();
            a.sync_all().unwrap();
            b.write_all(&bytes(i + 100, 0, 9_000)).unwrap();
            b.sync_all().unwrap();
        }
        drop((a, b));
        std::fs::write(m.join("hiberfil.sys"), b"hibr and so on").unwrap();
        truth = m.truth();
        // Reparse points come last: the mount shows most of them as links.
        std::fs::create_dir(m.join("joined")).unwrap();
        m.set(
            "joined",
            "system.ntfs_reparse_data",
            &junction("\\??\\D:\\Data"),
        );
        for (name, tag) in [
            ("cloud", 0x9000_101Au32),
            ("dedup", 0x8000_0013),
            ("odd", 0x8000_7777),
        ] {
            let mut f = std::fs::File::create(m.join(name)).unwrap();
            f.set_len(1 << 20).unwrap();
            f.flush().unwrap();
            drop(f);
            m.set(
                name,
                "system.ntfs_reparse_data",
                &reparse(tag, &[1, 2, 3, 4]),
            );
        }
        put("cloud-full", &bytes(5, 0, 50_000));
        m.set(
            "cloud-full",
            "system.ntfs_reparse_data",
            &reparse(0x9000_601A, &[0; 8]),
        );
        // Compressed by the system: two chunk starts, then three chunks that are stored as they are.
        let wof = [1u32, 2, 1, 0].map(u32::to_le_bytes).concat();
        let mut packed = [4096u32, 8192].map(u32::to_le_bytes).concat();
        packed.extend_from_slice(&bytes(6, 0, 10_000));
        std::fs::File::create(m.join("system.dll"))
            .unwrap()
            .set_len(10_000)
            .unwrap();
        put("system.dll:WofCompressedData", &packed);
        m.set(
            "system.dll",
            "system.ntfs_reparse_data",
            &reparse(0x8000_0017, &wof),
        );
        truth.insert(
            "/system.dll".into(),
            (10_000, Sha256::digest(bytes(6, 0, 10_000)).into()),
        );
        put("cloud-folder-file", b"x");
        std::fs::create_dir(m.join("synced")).unwrap();
        put("synced/inside", b"inside a sync root");
        truth.insert(
            "/cloud-full".into(),
            (50_000, Sha256::digest(bytes(5, 0, 50_000)).into()),
        );
        truth.insert(
            "/cloud-folder-file".into(),
            (1, Sha256::digest(b"x").into()),
        );
        truth.insert(
            "/synced/inside".into(),
            (18, Sha256::digest(b"inside a sync root").into()),
        );
    }
    // The streams as they were written.
    let mut of = |path: String, bytes: &[u8]| {
        truth.insert(path, (bytes.len() as u64, Sha256::digest(bytes).into()));
    };
    for name in ["plain.bin", "third.bin", "Users/second name.bin"] {
        of(
            format!("/{name}:Zone.Identifier"),
            b"[ZoneTransfer]\r\nZoneId=3\r\n",
        );
    }
    of("/resident.txt:large".into(), &bytes(3, 1, 500_000));
    of("/Users:on a folder".into(), b"folders have streams too");
    for i in 0..120 {
        of(
            format!("/resident.txt:s{i}"),
            &bytes(i, 1, 100 + i as usize),
        );
    }

    let raw = image.bytes();
    let listing = Listing::of(&raw);
    let survey = &listing.survey;
    println!("{:#?}", survey.accounts);
    for finding in survey.findings.list() {
        println!("{finding:?}");
    }
    assert!(survey.whole);
    assert!(survey.accounts.add_up());
    assert!(!survey.findings.any_open());
    assert_eq!(
        survey.label,
        Some(Name::Units("Büro".encode_utf16().collect()))
    );
    assert_eq!(survey.dirty, Some(false));
    assert!(survey.findings.of("hibernation").is_some());

    let sectors = InMemory {
        bytes: &raw,
        sector_bytes: 512,
    };
    let ours = digests(&listing, &sectors);
    for (path, of) in &truth {
        assert_eq!(ours.get(path), Some(of), "{path:?}");
    }
    let extra: Vec<_> = ours
        .keys()
        .filter(|path| !truth.contains_key(*path))
        .collect();
    assert!(extra.is_empty(), "{extra:?}");

    // Marks and kinds.
    let marks = |path: &str| listing.get(path).marks.list();
    assert!(marks("/resident.txt").contains(&Mark::Resident));
    assert!(marks("/sparse").contains(&Mark::Sparse));
    assert!(marks("/packed/1-300000").contains(&Mark::Compressed));
    assert!(matches!(
        listing
            .get("/packed/1-300000")
            .layout
            .as_ref()
            .unwrap()
            .coding,
        Coding::Lznt1 { unit_bytes: 65_536 }
    ));
    assert!(marks("/Users:on a folder").contains(&Mark::Stream));
    for name in ["/plain.bin", "/third.bin", "/Users/second name.bin"] {
        assert_eq!(listing.get(name).names, 3);
        assert_eq!(listing.get(name).record, listing.get("/plain.bin").record);
        assert!(marks(name).contains(&Mark::HardLinked));
    }
    let joined = listing.get("/joined");
    assert_eq!(joined.kind, Kind::Link);
    assert_eq!(
        joined.link_target,
        Some(Name::Units("\\??\\D:\\Data".encode_utf16().collect()))
    );
    assert!(joined.marks.has(Mark::Junction));
    let why = |path: &str| listing.get(path).no_content;
    assert_eq!(why("/cloud"), Some(NoContent::Placeholder));
    assert_eq!(listing.get("/cloud").bytes, 1 << 20);
    assert!(listing.get("/cloud").layout.is_none());
    assert_eq!(why("/cloud-full"), None);
    assert_eq!(listing.get("/cloud-full").tag, Some(0x9000_601A));
    assert!(marks("/system.dll").contains(&Mark::SystemCompressed));
    assert!(!marks("/system.dll").contains(&Mark::Sparse));
    assert_eq!(why("/dedup"), Some(NoContent::Deduplicated));
    assert_eq!(why("/odd"), Some(NoContent::UnknownTag));
    assert!(marks("/odd").contains(&Mark::UnknownTag));
    // Times: made a moment ago, and told to the 100 ns.
    let times = listing.get("/plain.bin").times;
    let now = std::time::SystemTime::now()
        .duration_since(std::time::UNIX_EPOCH)
        .unwrap()
        .as_nanos() as i64;
    assert!((0..600_000_000_000).contains(&(now - times.modified.unwrap())));
}

/// The crate `ntfs` as a second opinion, on what it reads right (plain, resident, sparse).
#[test]
fn second_opinion() {
    use std::io::Cursor;
    if !can_mount("second_opinion") {
        return;
    }
    let image = Image::new(32, &["-c", "4096"]);
    {
        let m = image.mount("streams_interface=windows");
        for i in 0..60u64 {
            std::fs::create_dir_all(m.join(&format!("f{}", i % 7))).unwrap();
            let len = (i * i * 97) as usize;
            std::fs::write(m.join(&format!("f{}/file {i}", i % 7)), bytes(i, 0, len)).unwrap();
        }
    }
    let raw = image.bytes();
    let listing = Listing::of(&raw);
    let sectors = InMemory {
        bytes: &raw,
        sector_bytes: 512,
    };
    let mut cursor = Cursor::new(&raw[..]);
    let mut theirs = ::ntfs::Ntfs::new(&mut cursor).unwrap();
    theirs.read_upcase_table(&mut cursor).unwrap();
    let mut compared = 0;
    for f in listing.found.iter().filter(|f| f.kind == Kind::File) {
        let file = theirs.file(&mut cursor, f.record).unwrap();
        let item = file.data(&mut cursor, "").unwrap().unwrap();
        let value = item.to_attribute().unwrap().value(&mut cursor).unwrap();
        let mut bytes = Vec::new();
        std::io::Read::read_to_end(&mut value.attach(&mut cursor), &mut bytes).unwrap();
        assert_eq!(bytes, content(f, &sectors).0);
        let name = file.name(&mut cursor, None, None).unwrap().unwrap();
        assert_eq!(
            name.parent_directory_reference().file_record_number(),
            f.parent
        );
        compared += 1;
    }
    assert_eq!(compared, 60);
}

/// mkntfs lays a volume over its whole partition, the copy of the boot sector in the last sector, whatever a sector is.
#[test]
fn nothing_lies_behind_a_volume_with_sectors_of_4_kib() {
    if !can_make("nothing_lies_behind_a_volume_with_sectors_of_4_kib") {
        return;
    }
    for sector in ["512", "4096"] {
        let image = Image::new(16, &["-s", sector, "-c", "4096"]);
        let listing = Listing::of(&image.bytes());
        assert_eq!(listing.survey.bytes, 16 << 20, "{sector}");
    }
}
