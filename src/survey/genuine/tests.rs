//! Small files made by the standards' own layouts, whole and spoilt.

use super::*;

fn ask(name: &str, bytes: &[u8]) -> Option<String> {
    let mut read = |at: u64, buf: &mut [u8]| {
        let at = (at as usize).min(bytes.len());
        // Short reads are legal.
        let count = buf.len().min(bytes.len() - at).min(70_000);
        buf[..count].copy_from_slice(&bytes[at..at + count]);
        Ok(count)
    };
    let mut block = vec![0u8; 8192];
    doubt(
        name,
        false,
        &mut Look::new(bytes.len() as u64, &mut read, &mut block),
    )
    .unwrap()
}

fn noise(bytes: usize) -> Vec<u8> {
    let mut out = vec![0u8; bytes];
    blake3::Hasher::new().finalize_xof().fill(&mut out);
    // No byte that a marker could be made of.
    out.iter_mut().for_each(|byte| *byte = (*byte & 0x7f) | 1);
    out
}

fn png_chunk(kind: &[u8; 4], data: &[u8]) -> Vec<u8> {
    let mut crc = crc32fast::Hasher::new();
    crc.update(kind);
    crc.update(data);
    [
        &(data.len() as u32).to_be_bytes()[..],
        kind,
        data,
        &crc.finalize().to_be_bytes(),
    ]
    .concat()
}

fn png() -> Vec<u8> {
    [
        b"\x89PNG\r\n\x1a\n".to_vec(),
        png_chunk(b"IHDR", &[0, 0, 0, 1, 0, 0, 0, 1, 8, 0, 0, 0, 0]),
        png_chunk(b"IDAT", &noise(20_000)),
        png_chunk(b"IEND", &[]),
    ]
    .concat()
}

fn jpeg() -> Vec<u8> {
    [
        // SOI; APP1 that holds a preview with an end mark of its own; SOF; SOS; data; EOI.
        &[0xff, 0xd8, 0xff, 0xe1, 0, 8, 0xff, 0xd8, 0, 0, 0xff, 0xd9][..],
        &[0xff, 0xc0, 0, 4, 1, 2, 0xff, 0xda, 0, 4, 1, 2],
        &noise(150_000),
        &[0xff, 0x00, 0xff, 0xd0, 7, 0xff, 0xd9],
    ]
    .concat()
}

fn deflated(content: &[u8]) -> Vec<u8> {
    use std::io::Write;
    let mut out = flate2::write::DeflateEncoder::new(Vec::new(), flate2::Compression::fast());
    out.write_all(content).unwrap();
    out.finish().unwrap()
}

fn gzip(content: &[u8]) -> Vec<u8> {
    [
        &[0x1f, 0x8b, 8, 0, 0, 0, 0, 0, 0, 0xff][..],
        &deflated(content),
        &crc32fast::hash(content).to_le_bytes(),
        &(content.len() as u32).to_le_bytes(),
    ]
    .concat()
}

fn zip(content: &[u8], method: u8) -> Vec<u8> {
    let packed = if method == 8 {
        deflated(content)
    } else {
        content.to_vec()
    };
    packed_zip(content, &packed, method)
}

fn packed_zip(content: &[u8], packed: &[u8], method: u8) -> Vec<u8> {
    let crc = crc32fast::hash(content).to_le_bytes();
    let size = (packed.len() as u32).to_le_bytes();
    let whole = (content.len() as u32).to_le_bytes();
    let mut out = [
        b"PK\x03\x04\x14\0\0\0",
        &[method, 0, 0, 0, 0, 0][..],
        &crc,
        &size,
        &whole,
        &[1, 0, 0, 0],
        b"a",
        packed,
    ]
    .concat();
    let list = out.len() as u32;
    let entry = [
        b"PK\x01\x02\x14\0\x14\0\0\0",
        &[method, 0, 0, 0, 0, 0][..],
        &crc,
        &size,
        &whole,
        &[1, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0],
        &[0; 4],
        b"a",
    ]
    .concat();
    out.extend(&entry);
    out.extend(
        [
            b"PK\x05\x06\0\0\0\0\x01\0\x01\0",
            &(entry.len() as u32).to_le_bytes()[..],
            &list.to_le_bytes(),
            &[0, 0],
        ]
        .concat(),
    );
    out
}

fn film() -> Vec<u8> {
    let part = |kind: &[u8], data: &[u8]| {
        [&(data.len() as u32 + 8).to_be_bytes()[..], kind, data].concat()
    };
    [
        part(b"ftyp", b"isom\0\0\0\0"),
        part(b"mdat", &noise(9_000)),
        part(b"moov", &noise(900)),
    ]
    .concat()
}

fn wave() -> Vec<u8> {
    [
        b"RIFF",
        &(36u32 + 8000).to_le_bytes()[..],
        b"WAVEfmt ",
        &[0; 20],
        b"data",
        &8000u32.to_le_bytes(),
        &[0; 8000],
    ]
    .concat()
}

fn database() -> Vec<u8> {
    let mut out = vec![0u8; 4096 * 3];
    out[..16].copy_from_slice(b"SQLite format 3\0");
    out[16..18].copy_from_slice(&[0x10, 0]);
    out[27] = 7;
    out[31] = 3;
    out[95] = 7;
    out
}

fn mail_store() -> Vec<u8> {
    let mut out = vec![0u8; 50_000];
    out[..4].copy_from_slice(b"!BDN");
    out[10] = 23;
    out[184..192].copy_from_slice(&50_000u64.to_le_bytes());
    out
}

fn seven_zip() -> Vec<u8> {
    let mut start = Vec::new();
    start.extend(5_000u64.to_le_bytes());
    start.extend(100u64.to_le_bytes());
    start.extend(1u32.to_le_bytes());
    let crc = crc32fast::hash(&start).to_le_bytes();
    [
        &[0x37, 0x7a, 0xbc, 0xaf, 0x27, 0x1c, 0, 4][..],
        &crc,
        &start,
        &noise(5_100),
    ]
    .concat()
}

fn whole() -> Vec<(&'static str, Vec<u8>)> {
    vec![
        ("a.jpg", jpeg()),
        ("a.png", png()),
        ("a.docx", zip(&noise(30_000), 0)),
        ("a.odt", zip(&noise(300), 8)),
        ("a.epub", zip(&noise(90_000), 8)),
        ("a.gz", gzip(&noise(90_000))),
        ("a.tgz", [gzip(b"first"), gzip(&noise(9000))].concat()),
        ("a.mp4", film()),
        ("a.wav", wave()),
        ("a.sqlite", database()),
        ("a.pst", mail_store()),
        ("a.7z", seven_zip()),
        (
            "a.pdf",
            [b"%PDF-1.7\n", &noise(90_000)[..], b"\n%%EOF\n"].concat(),
        ),
        (
            "a.xz",
            [b"\xfd7zXZ\0", &noise(500)[..], b"YZ\0\0\0\0"].concat(),
        ),
        ("a.tif", [b"II*\0\x08\0\0\0", &noise(500)[..]].concat()),
    ]
}

#[test]
fn whole_files_raise_no_doubt() {
    for (name, bytes) in whole() {
        assert_eq!(ask(name, &bytes), None, "{name}");
    }
}

#[test]
fn cut_off_blank_and_empty_files_do() {
    for (name, bytes) in whole() {
        let cut = bytes.len() * 2 / 3;
        let why = ask(name, &bytes[..cut]);
        if name != "a.tif" {
            assert!(why.is_some(), "{name} cut off");
        }
        // The length is kept and the rest is zeros: the usual trace of a crash.
        let mut half = bytes.clone();
        half[cut..].fill(0);
        // These say their length in their head and may hold zeros at their end.
        if !["a.tif", "a.wav", "a.sqlite", "a.pst", "a.7z", "a.mp4"].contains(&name) {
            assert!(ask(name, &half).is_some(), "{name} half-written");
        }
        for byte in [0u8, 0xff, 0x41] {
            assert!(
                ask(name, &vec![byte; 5000]).is_some(),
                "{name} all {byte:02X}"
            );
        }
        if name != "a.sqlite" {
            assert!(ask(name, b"").is_some(), "{name} empty");
        }
        assert!(
            ask(name, b"Access to this page was denied.").is_some() || name == "a.pst",
            "{name} is a text"
        );
    }
}

#[test]
fn spoilt_bytes_show_where_there_is_a_checksum() {
    for (name, bytes) in [("a.png", png()), ("a.zip", zip(&noise(30_000), 0))] {
        let mut spoilt = bytes.clone();
        spoilt[10_000] ^= 0x10;
        let why = ask(name, &spoilt).unwrap();
        assert!(why.contains("checksum"), "{why}");
    }
}

/// APPNOTE.TXT, 4.4.7, and RFC 1952, 2.3.1: the checksum of what comes out. Bytes changed anywhere in packed data, and
/// checksums that do not fit it.
#[test]
fn spoilt_packed_bytes_show() {
    for (name, bytes) in [
        ("a.docx", zip(&noise(40_000), 8)),
        ("a.gz", gzip(&noise(40_000))),
    ] {
        for at in [60, 1000, bytes.len() / 2] {
            let mut spoilt = bytes.clone();
            spoilt[at] ^= 0x10;
            assert!(ask(name, &spoilt).is_some(), "{name} at {at}");
        }
    }
    let mut other = gzip(&noise(40_000));
    let end = other.len() - 8;
    other[end] ^= 1;
    assert!(ask("a.gz", &other).unwrap().contains("checksum"));
    let other = packed_zip(&noise(500), &deflated(&noise(501)), 8);
    assert!(ask("a.xlsx", &other).unwrap().contains("length"));
    let mut same = noise(500);
    same[3] ^= 4;
    let other = packed_zip(&noise(500), &deflated(&same), 8);
    assert!(ask("a.odt", &other).unwrap().contains("checksum"));
    // A second member of which only the beginning is there.
    let cut = [gzip(b"first"), gzip(&noise(9000))[..4000].to_vec()].concat();
    assert!(ask("a.gz", &cut).unwrap().contains("cut off"));
}

#[test]
fn what_no_checksum_can_be_asked_of_is_left_alone() {
    // Bit 0 of the flags: encrypted (APPNOTE.TXT, 4.4.4); method 14: a packing not known here.
    let mut sealed = packed_zip(&noise(500), &noise(512), 8);
    let list = sealed.windows(4).position(|four| four == b"PK\x01\x02");
    for at in [6, list.unwrap() + 8] {
        sealed[at] |= 1;
    }
    assert_eq!(ask("a.zip", &sealed), None);
    assert_eq!(
        ask("a.zip", &packed_zip(&noise(500), &noise(100), 14)),
        None
    );
    // Zeros or a signature behind the last member.
    let tape = [gzip(&noise(2000)), vec![0; 20_000]].concat();
    assert_eq!(ask("a.tgz", &tape), None);
    let signed = [gzip(&noise(2000)), noise(300)].concat();
    assert_eq!(ask("a.gz", &signed), None);
}

/// Packed data that unpacks to a thousand times its size, and a list that names the same bytes two thousand times: a
/// look ends soon, and what it did not reach is no doubt.
#[test]
fn what_unpacks_without_end_costs_little() {
    let began = std::time::Instant::now();
    let zeros = vec![0u8; 1 << 20];
    let mut bomb = flate2::Compress::new(flate2::Compression::fast(), false);
    let mut packed = Vec::with_capacity(4 << 20);
    for _ in 0..300 {
        bomb.compress_vec(&zeros, &mut packed, flate2::FlushCompress::None)
            .unwrap();
    }
    bomb.compress_vec(&[], &mut packed, flate2::FlushCompress::Finish)
        .unwrap();
    assert!(packed.len() < 2 << 20, "{}", packed.len());
    assert_eq!(ask("a.zip", &packed_zip(b"small", &packed, 8)), None);
    let archive = [&gzip(b"")[..10], &packed, &[0; 8]].concat();
    assert_eq!(ask("a.gz", &archive), None);

    let one = zip(&zeros, 0);
    let list = one
        .windows(4)
        .rposition(|four| four == b"PK\x01\x02")
        .unwrap();
    let end = one
        .windows(4)
        .rposition(|four| four == b"PK\x05\x06")
        .unwrap();
    let entry = one[list..end].to_vec();
    let mut many = one[..list].to_vec();
    (0..2000).for_each(|_| many.extend(&entry));
    many.extend(b"PK\x05\x06\0\0\0\0\xd0\x07\xd0\x07");
    many.extend((entry.len() as u32 * 2000).to_le_bytes());
    many.extend((list as u32).to_le_bytes());
    many.extend([0, 0]);
    assert_eq!(ask("a.zip", &many), None);
    assert!(began.elapsed().as_secs() < 20, "{:?}", began.elapsed());
}

/// What stands on every healthy machine, and must not hold up a release.
#[test]
fn harmless_files_do_not_weigh() {
    assert_eq!(ask("._photo.jpg", &[0, 5, 0x16, 7, 0, 2, 0, 0]), None);
    assert_eq!(ask("~$letter.docx", &noise(162)), None);
    for (name, bytes, is_hole) in [
        ("new document.docx", 0, false),
        ("tiny.png", 30, false),
        ("cloud.jpg", 90_000, true),
        ("Thumbs.db", 90_000, false),
        ("._film.mov", 4096, false),
    ] {
        assert!(is_harmless(name, bytes, is_hole), "{name}");
    }
    assert!(!is_harmless("photo.jpg", 90_000, false));
}

#[test]
fn what_is_readable_all_the_same_is_left_alone() {
    let secret: Vec<u8> = noise(9000).iter().map(|byte| byte | 0x80).collect();
    for (name, bytes) in [
        ("picture.jpg", png()),
        (
            "sealed.docx",
            [
                &[0xd0, 0xcf, 0x11, 0xe0, 0xa1, 0xb1, 0x1a, 0xe1][..],
                &noise(9000),
            ]
            .concat(),
        ),
        ("notes.doc", b"plain words".to_vec()),
        ("vault.sqlite", secret.clone()),
        ("unknown.xyz", secret.clone()),
        ("no ending", secret),
        ("empty.txt", Vec::new()),
        ("lines.txt", vec![b'\n'; 700]),
        ("small.bin", vec![0; 4095]),
        ("moved.jpg", [jpeg(), film()].concat()),
    ] {
        assert_eq!(ask(name, &bytes), None, "{name}");
    }
    assert!(ask("invoice.pdf", &jpeg()).unwrap().contains("JPEG"));
    assert!(
        ask("unknown.xyz", &vec![0; 4096])
            .unwrap()
            .contains("zeros")
    );
    let mut log = b"line\n".repeat(1000);
    log.extend(vec![0; 4096]);
    assert!(ask("list.csv", &log).unwrap().contains("4096"));
}

#[test]
fn patterns_across_pieces_are_found_and_zeros_counted() {
    let mut bytes = vec![1u8; 40_000];
    bytes[8191] = 0xff;
    bytes[8192] = 0xd9;
    bytes[30_000..].fill(0);
    let mut read = |at: u64, buf: &mut [u8]| {
        let at = (at as usize).min(bytes.len());
        let count = buf.len().min(bytes.len() - at);
        buf[..count].copy_from_slice(&bytes[at..at + count]);
        Ok(count)
    };
    let mut block = vec![0u8; 8192];
    let mut look = Look::new(40_000, &mut read, &mut block);
    assert_eq!(look.find(0, 40_000, &[0xff, 0xd9]).unwrap(), Some(8191));
    assert_eq!(look.find(8192, 40_000, &[0xff, 0xd9]).unwrap(), None);
    assert_eq!(look.trailing_zeros().unwrap(), 10_000);
    assert_eq!(look.at(39_998, 8).unwrap(), [0, 0]);
    assert_eq!(look.at(8190, 4).unwrap(), [1, 0xff, 0xd9, 1]);
}

proptest::proptest! {
    #![proptest_config(proptest::prelude::ProptestConfig { failure_persistence: None, ..Default::default() })]
    #[test]
    fn no_bytes_make_it_fail(ending in "(jpg|png|zip|gz|mp4|pdf|7z|sqlite|pst|tif|wav|xz|mp3|doc)", which in 0usize..15, spoil in proptest::collection::vec((0usize..2000, proptest::prelude::any::<u8>()), 0..20), cut in 0usize..3000) {
        let (_, mut bytes) = whole().swap_remove(which);
        bytes.truncate(cut);
        for (at, byte) in spoil {
            if let Some(there) = bytes.get_mut(at) { *there = byte; }
        }
        let _ = ask(&format!("x.{ending}"), &bytes);
    }
}
