//! Volumes whose file table is in pieces, other cluster, sector and record sizes, and what the
//! volume says of itself.

use super::*;
use holdpoint::volume::filesystem::Weight;

/// What the mount held: length and SHA-256 by path.
type Truth = BTreeMap<String, (u64, [u8; 32])>;

/// Fills a volume with small files, deletes every second, writes one large file into the gaps, and then
/// so many tiny files that the table has to grow into gaps too: $MFT and the large file are in hundreds of pieces.
/// Never filled to the last byte, because the driver then leaves folders behind that it cannot read itself.
fn fragmented(mib: u64) -> (Image, Truth) {
    let image = Image::new(mib, &["-c", "4096"]);
    let truth;
    {
        let m = image.mount("streams_interface=windows");
        let free = || {
            let stat = rustix::fs::statvfs(&m.at).unwrap();
            stat.f_bfree * stat.f_frsize
        };
        let mut files = 0;
        while files % 50 != 0 || free() > 1 << 20 {
            std::fs::write(m.join(&format!("file {files}")), bytes(files, 0, 4096)).unwrap();
            files += 1;
        }
        for i in (0..files).step_by(2) {
            std::fs::remove_file(m.join(&format!("file {i}"))).unwrap();
        }
        let gaps = files as usize / 2 * 4096;
        std::fs::write(m.join("large"), bytes(9, 0, gaps / 2)).unwrap();
        let mut tiny = 0;
        while tiny % 50 != 0 || (free() > 2 << 20 && tiny < files) {
            std::fs::write(m.join(&format!("again {tiny}")), bytes(tiny, 1, 300)).unwrap();
            tiny += 1;
        }
        println!("{files} files, {tiny} tiny ones");
        truth = m.truth();
    }
    (image, truth)
}

/// The listing adds up, and every content is what the mount delivered.
fn compare(image: &Image, truth: &Truth) -> Listing {
    let file = image.sectors();
    let listing = Listing::with(&file, file.bytes());
    for finding in listing.survey.findings.list() {
        println!("{finding:?}");
    }
    assert!(listing.survey.whole);
    assert!(
        listing.survey.accounts.add_up(),
        "{:?}",
        listing.survey.accounts
    );
    assert!(!listing.survey.findings.any_open());
    let ours = digests(&listing, &file);
    assert_eq!(ours.len(), truth.len());
    let other: Vec<_> = ours
        .keys()
        .filter(|p| !truth.contains_key(*p))
        .take(5)
        .collect();
    assert!(other.is_empty(), "{other:?}");
    for (path, of) in truth {
        assert_eq!(ours.get(path), Some(of), "{path}: {:?}", listing.get(path));
    }
    listing
}

#[test]
fn a_file_table_in_pieces() {
    if !can_mount("a_file_table_in_pieces") {
        return;
    }
    let (image, truth) = fragmented(64);
    let listing = compare(&image, &truth);
    // It is really in pieces and has an attribute list, else this test shows nothing.
    let raw = image.bytes();
    let boot = &raw[..512];
    let first = u64::from_le_bytes(boot[0x30..0x38].try_into().unwrap()) as usize * 4096;
    let mut record = raw[first..first + 1024].to_vec();
    holdpoint::volume::ntfs::record::fix(&mut record).unwrap();
    let head = holdpoint::volume::ntfs::record::header(&record).unwrap();
    let kinds: Vec<u32> = holdpoint::volume::ntfs::record::Attributes::new(&record, &head)
        .flatten()
        .map(|a| a.kind)
        .collect();
    assert!(
        kinds.contains(&0x20),
        "$MFT has no attribute list: {kinds:x?}"
    );
    let large = listing.get("/large").layout.clone().unwrap();
    println!("pieces of the large file: {}", large.pieces.len());
    assert!(large.pieces.len() > 500);
}

#[test]
fn other_cluster_sector_and_record_sizes() {
    if !can_mount("other_cluster_sector_and_record_sizes") {
        return;
    }
    for (cluster, sector, mib) in [
        ("512", "512", 64),
        ("1024", "512", 64),
        ("8192", "512", 64),
        ("65536", "512", 64),
        ("4096", "4096", 64),
        ("16384", "2048", 64),
        // The formatter wants room for a log of several clusters.
        ("2097152", "512", 1024),
    ] {
        println!("cluster {cluster}, sector {sector}");
        let image = Image::new(mib, &["-c", cluster, "-s", sector]);
        let truth;
        {
            let m = image.mount("streams_interface=windows");
            for i in 0..40u64 {
                let bytes = bytes(i, 0, (i * i * 131) as usize);
                std::fs::write(m.join(&format!("file {i}")), bytes).unwrap();
            }
            truth = m.truth();
        }
        let listing = compare(&image, &truth);
        assert_eq!(listing.survey.accounts.cluster_bytes.to_string(), cluster);
    }
}

/// Record 3's flags, $BadClus, the boot sector and the mirror, each changed by hand.
#[test]
fn what_the_volume_says_of_itself() {
    if !can_make("what_the_volume_says_of_itself") {
        return;
    }
    let image = Image::new(16, &["-c", "4096"]);
    let raw = image.bytes();
    let table = u64::from_le_bytes(raw[0x30..0x38].try_into().unwrap()) as usize * 4096;
    let clean = Listing::of(&raw);
    assert!(clean.survey.accounts.add_up(), "{:?}", clean.survey);
    assert_eq!(clean.survey.dirty, Some(false));

    // Dirty flag: attribute 0x70 of record 3.
    let mut dirty = raw.clone();
    let record = table + 3 * 1024;
    let at = (record..record + 1024)
        .step_by(8)
        .find(|at| dirty[*at..*at + 4] == [0x70, 0, 0, 0] && dirty[*at + 8] == 0)
        .unwrap();
    let value = at + usize::from(dirty[at + 0x14]);
    dirty[value + 0x0A] |= 1;
    let listing = Listing::of(&dirty);
    assert_eq!(listing.survey.dirty, Some(true));
    let finding = listing.survey.findings.of("volume-dirty").unwrap();
    assert_eq!(finding.weight, Weight::Sentence);
    assert!(listing.survey.accounts.add_up());

    // The boot sector gone: its copy serves.
    let mut blank = raw.clone();
    blank[..512].fill(0);
    let listing = Listing::of(&blank);
    assert!(listing.survey.findings.of("boot-copy-used").is_some());
    assert!(listing.survey.accounts.add_up());

    // Record 0 torn: its mirror serves, so nothing is missing, and the table's own clusters belong to the table.
    let mut torn = raw.clone();
    torn[table + 510] ^= 0x40;
    let listing = Listing::of(&torn);
    assert!(listing.survey.findings.of("mirror-used").is_some());
    assert_eq!(listing.survey.accounts.records_damaged, 0);
    assert!(listing.survey.whole);
    assert!(listing.survey.accounts.add_up());

    // Neither: an error with words, not a panic.
    let mirror = u64::from_le_bytes(raw[0x38..0x40].try_into().unwrap()) as usize * 4096;
    torn[mirror + 510] ^= 0x40;
    let no = ntfs::survey_bytes(&torn, &mut |_| {}).unwrap_err();
    assert!(no.to_string().contains("mirror"), "{no}");

    // A bit of the volume's bitmap changed: the accounts no longer add up, either way.
    let bitmap_runs = |raw: &[u8]| -> usize {
        let record = table + 6 * 1024;
        let mut bytes = raw[record..record + 1024].to_vec();
        holdpoint::volume::ntfs::record::fix(&mut bytes).unwrap();
        let head = holdpoint::volume::ntfs::record::header(&bytes).unwrap();
        let list = holdpoint::volume::ntfs::record::Attributes::new(&bytes, &head)
            .flatten()
            .find(|a| a.kind == 0x80)
            .unwrap();
        let holdpoint::volume::ntfs::record::Value::Runs { list, .. } = list.value else {
            panic!()
        };
        let run = holdpoint::volume::ntfs::runs::Runs::new(list, 4096)
            .next()
            .unwrap()
            .unwrap();
        run.cluster.unwrap() as usize * 4096
    };
    let bitmap = bitmap_runs(&raw);
    let mut freed = raw.clone();
    freed[bitmap] &= !1;
    let listing = Listing::of(&freed);
    assert_eq!(listing.survey.accounts.owned_but_free, 1);
    assert!(!listing.survey.accounts.add_up());
    let mut used = raw.clone();
    let empty = (bitmap..).find(|at| used[*at] == 0).unwrap();
    used[empty] = 0x10;
    let listing = Listing::of(&used);
    assert_eq!(listing.survey.accounts.in_use_without_owner, 1);
    assert!(
        listing
            .survey
            .findings
            .of("clusters-without-owner")
            .is_some()
    );
    assert!(listing.survey.findings.any_open());
}

/// Real runs in $BadClus are a sign of health. The list of one hole is rewritten to two holes around a run.
#[test]
fn clusters_set_aside_as_bad() {
    if !can_make("clusters_set_aside_as_bad") {
        return;
    }
    let image = Image::new(16, &["-c", "4096"]);
    let mut raw = image.bytes();
    let table = u64::from_le_bytes(raw[0x30..0x38].try_into().unwrap()) as usize * 4096;
    let record = table + 8 * 1024;
    // One hole of 4095 clusters: 02 FF 0F 00.
    let at = (record..record + 500)
        .find(|at| raw[*at..*at + 4] == [0x02, 0xFF, 0x0F, 0x00])
        .unwrap();
    let list = [0x02, 0x00, 0x08, 0x21, 0x03, 0x00, 0x08];
    // 2048 of hole, 3 clusters at 2048, 2044 of hole: needs 11 bytes, and there is room for 8 and the end mark;
    // the attribute behind is the end of the record, so it moves.
    let tail = [0x02, 0xFC, 0x07, 0x00];
    let mut body = raw[record..record + 1024].to_vec();
    holdpoint::volume::ntfs::record::fix(&mut body).unwrap();
    let into = at - record;
    let used = u32::from_le_bytes(body[0x18..0x1C].try_into().unwrap()) as usize;
    let end = body[into..used]
        .windows(4)
        .position(|w| w == [0xFF; 4])
        .unwrap()
        + into;
    body.splice(end..end, [0; 8]);
    body.truncate(1024);
    body[into..into + 7].copy_from_slice(&list);
    body[into + 7..into + 11].copy_from_slice(&tail);
    let head = (0x38..into)
        .rev()
        .find(|i| body[*i..*i + 4] == [0x80, 0, 0, 0])
        .unwrap();
    let length = u32::from_le_bytes(body[head + 4..head + 8].try_into().unwrap()) + 8;
    body[head + 4..head + 8].copy_from_slice(&length.to_le_bytes());
    body[0x18..0x1C].copy_from_slice(&(used as u32 + 8).to_le_bytes());
    unfix(&mut body);
    raw[record..record + 1024].copy_from_slice(&body);
    let listing = Listing::of(&raw);
    assert_eq!(
        listing.survey.accounts.marked_bad, 3,
        "{:?}",
        listing.survey
    );
    assert!(listing.survey.findings.of("clusters-marked-bad").is_some());
}

/// Puts fixups back into a record.
pub fn unfix(record: &mut [u8]) {
    let at = usize::from(u16::from_le_bytes([record[4], record[5]]));
    let check = [record[at], record[at + 1]];
    for i in 0..record.len() / 512 {
        let end = i * 512 + 510;
        let own = [record[end], record[end + 1]];
        record[at + 2 + 2 * i..at + 4 + 2 * i].copy_from_slice(&own);
        record[end..end + 2].copy_from_slice(&check);
    }
}

/// Place of a record's unnamed $DATA in the record (the layout of records: Linux `fs/ntfs3/ntfs.h`).
fn data_of(record: &[u8]) -> usize {
    let mut at = usize::from(u16::from_le_bytes([record[0x14], record[0x15]]));
    while record[at] != 0x80 {
        at += u32::from_le_bytes(record[at + 4..at + 8].try_into().unwrap()) as usize;
    }
    at
}

/// The table's size cut in record 0, in its mirror too or not: what its own bitmap has in use is listed all the same.
#[test]
fn a_file_table_whose_size_was_cut() {
    if !can_mount("a_file_table_whose_size_was_cut") {
        return;
    }
    let image = Image::new(24, &["-c", "4096"]);
    {
        let m = image.mount("streams_interface=windows");
        for i in 0..200 {
            std::fs::write(m.join(&format!("file {i}")), bytes(i, 1, 80)).unwrap();
        }
    }
    let sound = image.bytes();
    let whole = Listing::of(&sound);
    assert!(whole.survey.whole && whole.survey.accounts.add_up());
    assert!(!whole.survey.findings.any_open());
    let cluster =
        |at: usize| u64::from_le_bytes(sound[at..at + 8].try_into().unwrap()) as usize * 4096;
    let (table, mirror) = (cluster(0x30), cluster(0x38));
    let cut = |raw: &mut Vec<u8>, at: usize, records: u64| {
        let size = at + data_of(&raw[at..]) + 0x30;
        raw[size..size + 8].copy_from_slice(&(records * 1024).to_le_bytes());
        raw[size + 8..size + 16].copy_from_slice(&(records * 1024).to_le_bytes());
    };
    for both in [false, true] {
        let mut raw = sound.clone();
        cut(&mut raw, table, 100);
        if both {
            cut(&mut raw, mirror, 100);
        }
        let listing = Listing::of(&raw);
        assert_eq!(listing.found.len(), whole.found.len());
        let id = if both {
            "file-table-cut"
        } else {
            "mirror-used"
        };
        let told = listing.survey.findings.of(id).unwrap();
        assert_eq!(told.weight, Weight::OpenPoint);
    }
    // Bits behind all of the table's clusters: records that nobody can list, so the accounts cannot add up.
    let mut raw = sound.clone();
    let at = table + data_of(&raw[table..]);
    let allocated = u64::from_le_bytes(raw[at + 0x28..at + 0x30].try_into().unwrap());
    let bitmap = at + raw[at + 4] as usize;
    assert_eq!(raw[bitmap], 0xB0);
    let list = bitmap + usize::from(raw[bitmap + 0x20]);
    assert_eq!(raw[list] & 0x0F, 1, "one byte of length");
    let wide = usize::from(raw[list] >> 4);
    let first = (0..wide)
        .rev()
        .fold(0, |n, i| n << 8 | usize::from(raw[list + 2 + i]));
    raw[bitmap + 0x30..bitmap + 0x38].copy_from_slice(&4096u64.to_le_bytes());
    raw[bitmap + 0x38..bitmap + 0x40].copy_from_slice(&4096u64.to_le_bytes());
    raw[mirror..mirror + 1024].copy_from_slice(&sound[table..table + 1024]);
    raw[first * 4096 + (allocated / 1024 / 8) as usize + 3] |= 6;
    let listing = Listing::of(&raw);
    assert_eq!(
        listing
            .survey
            .findings
            .of("records-beyond-table")
            .unwrap()
            .count,
        2
    );
    assert!(!listing.survey.accounts.add_up() && !listing.survey.whole);
}
