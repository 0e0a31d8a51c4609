//! Volumes with damaged bytes in their metadata: never a panic, never endless, and nothing that is
//! listed as whole differs from what it was, except where NTFS itself cannot know.
//!
//! Checked precisely: bytes are changed only in boot sectors, file records and the volume bitmap. Afterwards each
//! file of the undamaged volume must be (a) listed with its bytes, or (b) marked, or short of bytes, or left without content with a
//! reason, or (c) the survey has an open point, or (d) a changed byte lies in the record of the file itself or of a folder above
//! it. (d) is what NTFS cannot know: names, times, lengths and content kept in a record have no checksum, and fixups cover two
//! bytes of every 512. How often (d) was needed is printed. Changes to the contents' own clusters are not seen by anything.

use super::*;
use holdpoint::port::{Fault, FaultKind};
use holdpoint::volume::filesystem::Weight;
use std::collections::HashSet;
use std::io::{Seek, SeekFrom, Write};

struct Clean {
    raw: Vec<u8>,
    /// By path: record, records of everything it depends on, bytes.
    files: BTreeMap<String, (HashSet<u64>, Vec<u8>)>,
    table: Vec<(usize, usize)>,
    in_use: Vec<u64>,
    bitmap: usize,
}

fn clean() -> Clean {
    let image = Image::new(24, &["-c", "4096"]);
    {
        let m = image.mount("compression,streams_interface=windows");
        let put = |path: &str, bytes: &[u8]| std::fs::write(m.join(path), bytes).unwrap();
        std::fs::create_dir_all(m.join("Users/Ada/Documents")).unwrap();
        std::fs::create_dir_all(m.join("packed")).unwrap();
        m.set("packed", "system.ntfs_attrib", &0x800u32.to_le_bytes());
        for i in 0..12u64 {
            put(
                &format!("Users/Ada/Documents/letter {i}"),
                &bytes(i, 1, 100 + i as usize * 40),
            );
            put(
                &format!("Users/Ada/picture {i}"),
                &bytes(i, 0, 3000 * i as usize),
            );
            put(
                &format!("packed/p{i}"),
                &bytes(i, (i % 3) as u8, 20_000 * i as usize),
            );
        }
        for i in 0..30 {
            put(&format!("Users/Ada/picture 3:s{i}"), &bytes(i, 1, 60));
        }
        std::fs::hard_link(m.join("Users/Ada/picture 5"), m.join("linked")).unwrap();
        let mut sparse = std::fs::File::create(m.join("sparse")).unwrap();
        sparse.seek(SeekFrom::Start(300_000)).unwrap();
        sparse.write_all(b"tail").unwrap();
        let mut a = std::fs::File::create(m.join("woven")).unwrap();
        for i in 0..10u64 {
            a.write_all(&bytes(i, 0, 9000)).unwrap();
            a.sync_all().unwrap();
            put(&format!("between {i}"), &bytes(i, 0, 5000));
        }
    }
    let raw = image.bytes();
    let listing = Listing::of(&raw);
    assert!(listing.survey.accounts.add_up());
    let sectors = InMemory {
        bytes: &raw,
        sector_bytes: 512,
    };
    let parents: HashMap<u64, u64> = listing
        .found
        .iter()
        .filter(|f| f.stream.is_none())
        .map(|f| (f.record, f.parent))
        .collect();
    let mut files = BTreeMap::new();
    for (f, path) in listing.found.iter().zip(listing.paths()) {
        if f.layout.is_some() {
            let mut on = HashSet::from([f.record]);
            let mut at = f.parent;
            while on.insert(at) {
                at = parents[&at];
            }
            files.insert(path, (on, content(f, &sectors).0));
        }
    }
    // Where the table lies, and which of its records are in use.
    let cluster = 4096;
    let first = u64::from_le_bytes(raw[0x30..0x38].try_into().unwrap()) as usize * cluster;
    let runs = |record: usize| -> Vec<(usize, usize)> {
        let mut r = raw[first + record * 1024..][..1024].to_vec();
        ntfs::record::fix(&mut r).unwrap();
        let head = ntfs::record::header(&r).unwrap();
        let data = ntfs::record::Attributes::new(&r, &head)
            .flatten()
            .find(|a| a.kind == 0x80)
            .unwrap();
        let ntfs::record::Value::Runs { list, .. } = data.value else {
            panic!()
        };
        ntfs::runs::Runs::new(list, u64::MAX)
            .map(|r| r.unwrap())
            .map(|r| {
                (
                    r.cluster.unwrap() as usize * cluster,
                    r.clusters as usize * cluster,
                )
            })
            .collect()
    };
    let table = runs(0);
    let bitmap = runs(6)[0].0;
    let mut in_use = Vec::new();
    let mut number = 0;
    for (at, bytes) in &table {
        for place in (*at..at + bytes).step_by(1024) {
            if raw[place..].starts_with(b"FILE") && raw[place + 0x16] & 1 != 0 {
                in_use.push(number);
            }
            number += 1;
        }
    }
    let mut clean = Clean {
        raw,
        files,
        table,
        in_use,
        bitmap,
    };
    // Extension records belong to the file too.
    for number in &clean.in_use.clone() {
        let at = clean.place(*number) + 0x20;
        let base = u64::from_le_bytes(clean.raw[at..at + 8].try_into().unwrap()) & 0xFFFF_FFFF_FFFF;
        for (on, _) in clean.files.values_mut() {
            if base != 0 && on.contains(&base) {
                on.insert(*number);
            }
        }
    }
    clean
}

impl Clean {
    fn place(&self, record: u64) -> usize {
        let mut into = record as usize * 1024;
        for (at, bytes) in &self.table {
            if into < *bytes {
                return at + into;
            }
            into -= bytes;
        }
        panic!()
    }
}

fn next(state: &mut u64) -> usize {
    *state ^= *state << 13;
    *state ^= *state >> 7;
    *state ^= *state << 17;
    (*state >> 8) as usize
}

#[test]
fn changed_metadata_is_never_silent() {
    if !can_mount("changed_metadata_is_never_silent") {
        return;
    }
    let rounds: u64 = match std::env::var("HOLDPOINT_NTFS_ROUNDS") {
        Ok(rounds) => rounds.parse().unwrap(),
        // A quick look; with optimisation a minute.
        Err(_) if cfg!(debug_assertions) => 250,
        Err(_) => 20_000,
    };
    let clean = clean();
    let (mut refused, mut marked, mut open, mut cannot_know) = (0u64, 0u64, 0u64, 0u64);
    let mut slowest = std::time::Duration::ZERO;
    let mut raw = clean.raw.clone();
    for seed in 0..rounds {
        let mut state = (seed + 1).wrapping_mul(0x9E37_79B9_7F4A_7C15);
        let mut touched = HashSet::new();
        let mut undo = Vec::new();
        for _ in 0..1 + next(&mut state) % 4 {
            let (record, at) = match next(&mut state) % 20 {
                0 => (None, next(&mut state) % 0x54),
                1 => (None, clean.bitmap + next(&mut state) % 768),
                2 => (Some(0), clean.place(0) + next(&mut state) % 512),
                _ => {
                    let record = clean.in_use[next(&mut state) % clean.in_use.len()];
                    // Most records are half empty; the part in use is where damage matters.
                    (Some(record), clean.place(record) + next(&mut state) % 600)
                }
            };
            touched.extend(record);
            undo.push((at, raw[at]));
            raw[at] = match next(&mut state) % 3 {
                0 => raw[at] ^ 1 << (next(&mut state) % 8),
                1 => next(&mut state) as u8,
                _ => [0, 0xFF, 0x7F, 0x80][next(&mut state) % 4],
            };
        }
        let started = std::time::Instant::now();
        judge(
            &clean,
            &raw,
            seed,
            &touched,
            [&mut refused, &mut marked, &mut open, &mut cannot_know],
        );
        slowest = slowest.max(started.elapsed());
        assert!(
            started.elapsed().as_secs() < 60,
            "seed {seed} took {:?}",
            started.elapsed()
        );
        for (at, byte) in undo.into_iter().rev() {
            raw[at] = byte;
        }
    }
    println!(
        "{rounds} rounds: {refused} volumes refused; of the files that differ {marked} marked, {open} under an open point, {cannot_know} that NTFS cannot know; slowest round {slowest:?}"
    );
    assert!(marked > 0);
}

fn judge(clean: &Clean, raw: &[u8], seed: u64, touched: &HashSet<u64>, counts: [&mut u64; 4]) {
    let [refused, marked, open, cannot_know] = counts;
    let sectors = InMemory {
        bytes: raw,
        sector_bytes: 512,
    };
    let mut found = Vec::new();
    let survey = match ntfs::survey_bytes(raw, &mut |f| found.push(f)) {
        Ok(survey) => survey,
        Err(no) => {
            assert!(!no.to_string().is_empty());
            *refused += 1;
            return;
        }
    };
    let listing = Listing { found, survey };
    let any_open = listing.survey.findings.any_open()
        || !listing.survey.whole
        || !listing.survey.accounts.add_up();
    let paths: HashMap<String, usize> = listing
        .paths()
        .into_iter()
        .enumerate()
        .map(|(i, p)| (p, i))
        .collect();
    for (path, (on, bytes)) in &clean.files {
        let excuse = || !on.is_disjoint(touched);
        let Some(f) = paths.get(path).map(|i| &listing.found[*i]) else {
            if any_open {
                *open += 1;
            } else if excuse() {
                *cannot_know += 1;
            } else {
                panic!("seed {seed}: {path} is missing without a word");
            }
            continue;
        };
        let flagged = f.marks.has(Mark::Damaged) || f.no_content.is_some() || f.trouble.is_some();
        let same = match &f.layout {
            // A length from a damaged record may be absurd: then it is not read here.
            Some(layout) if layout.length <= 64 << 20 => {
                let (ours, missing) = content(f, &sectors);
                if !missing.is_empty() && !flagged {
                    // Gaps are named by the reader even where the survey saw nothing.
                    *marked += 1;
                    continue;
                }
                missing.is_empty() && &ours == bytes
            }
            _ => false,
        };
        if same {
            continue;
        }
        if flagged {
            *marked += 1;
        } else if any_open {
            *open += 1;
        } else if excuse() || touched.contains(&f.record) {
            // The latter: another file's record was changed, and bears this name now.
            *cannot_know += 1;
        } else {
            panic!("seed {seed}: {path} differs, and nothing says so: {f:?}");
        }
    }
}

/// A drive that refuses sectors: only what lies in them is missing, by exact ranges, and records in
/// refused sectors are counted.
struct Weak<'a> {
    inner: InMemory<'a>,
    bad: HashSet<u64>,
}

impl Sectors for Weak<'_> {
    fn sector_bytes(&self) -> u32 {
        512
    }
    fn bytes(&self) -> u64 {
        self.inner.bytes()
    }
    fn read_at(&self, at: u64, buf: &mut [u8]) -> Result<(), Fault> {
        let end = at + buf.len() as u64;
        if (at / 512..end.div_ceil(512)).any(|s| self.bad.contains(&s)) {
            buf.fill(0xDB);
            return Err(Fault::new(
                FaultKind::Refused,
                format!("reading at {at}"),
                "EIO",
            ));
        }
        self.inner.read_at(at, buf)
    }
}

#[test]
fn refused_sectors_cost_only_what_lies_in_them() {
    if !can_mount("refused_sectors_cost_only_what_lies_in_them") {
        return;
    }
    let clean = clean();
    let whole = Listing::of(&clean.raw);
    let mut weak = Weak {
        inner: InMemory {
            bytes: &clean.raw,
            sector_bytes: 512,
        },
        bad: HashSet::new(),
    };
    // One sector in the middle of a plain file, of a packed file, and of a record.
    let extent = |path: &str, into: u64| {
        let layout = whole.get(path).layout.clone().unwrap();
        let stored = holdpoint::volume::stored::Stored::new(layout.pieces);
        match stored.spot(into).0 {
            holdpoint::volume::stored::Spot::Drive(at) => at / 512,
            other => panic!("{other:?}"),
        }
    };
    weak.bad.insert(extent("/Users/Ada/picture 9", 10_000));
    weak.bad.insert(extent("/packed/p7", 65_536 + 3000));
    let lost = whole.get("/Users/Ada/Documents/letter 4").record;
    weak.bad.insert(clean.place(lost) as u64 / 512 + 1);
    let listing = Listing::with(&weak, weak.bytes());
    assert_eq!(listing.survey.accounts.records_damaged, 1);
    assert!(!listing.survey.whole);
    assert_eq!(
        listing
            .survey
            .findings
            .of("records-unread")
            .unwrap()
            .records,
        vec![lost]
    );
    // Its folder's index still knows its name; where its content lies, nothing tells.
    let left = listing.get("/Users/Ada/Documents/letter 4");
    assert!(left.marks.has(Mark::Damaged) && left.marks.has(Mark::Unreadable));
    assert!(left.layout.is_none());
    let paths = listing.paths();
    for (path, (_, bytes)) in &clean.files {
        if path == "/Users/Ada/Documents/letter 4" {
            continue;
        }
        let at = paths.iter().position(|p| p == path).unwrap();
        let (ours, missing) = content(&listing.found[at], &weak);
        let expected: Vec<(u64, u64)> = match path.as_str() {
            "/Users/Ada/picture 9" => vec![(9728, 512)],
            // p7 is text-like: its second unit is packed, and is lost as a whole.
            "/packed/p7" => vec![(65_536, 65_536)],
            _ => vec![],
        };
        assert_eq!(missing, expected, "{path}");
        for (i, (a, b)) in ours.iter().zip(bytes).enumerate() {
            let gone = missing
                .iter()
                .any(|(from, n)| (*from..from + n).contains(&(i as u64)));
            assert_eq!(*a, if gone { 0 } else { *b }, "{path} byte {i}");
        }
    }
}

/// Linux `fs/ntfs/layout.h` (FILE_root = 5): the root folder is record 5 by definition. Its record unreadable, every path
/// still begins at the root, and the volume is surveyed in part only.
#[test]
fn an_unreadable_root_record_costs_no_path() {
    if !can_mount("an_unreadable_root_record_costs_no_path") {
        return;
    }
    let clean = clean();
    let weak = Weak {
        inner: InMemory {
            bytes: &clean.raw,
            sector_bytes: 512,
        },
        bad: HashSet::from([clean.place(5) as u64 / 512]),
    };
    let listing = Listing::with(&weak, weak.bytes());
    assert!(!listing.survey.whole);
    assert!(listing.survey.findings.of("orphans").is_none());
    for path in clean.files.keys() {
        assert!(!listing.get(path).marks.has(Mark::Orphan), "{path}");
    }
}

impl Clean {
    /// Where the unnamed content attribute of an item begins in the raw volume.
    fn data_of(&self, raw: &[u8], record: u64) -> usize {
        let start = self.place(record);
        let word = |at: usize| u32::from_le_bytes(raw[at..at + 4].try_into().unwrap());
        let mut at = start + usize::from(raw[start + 0x14]);
        while word(at) != 0x80 {
            assert_ne!(word(at), u32::MAX);
            at += word(at + 4) as usize;
        }
        at
    }

    fn record_of(&self, path: &str) -> u64 {
        Listing::of(&self.raw).get(path).record
    }
}

fn lost_of(listing: &Listing, raw: &[u8], path: &str) -> Vec<(u64, u64)> {
    let sectors = InMemory {
        bytes: raw,
        sector_bytes: 512,
    };
    let found = listing.get(path);
    assert!(found.marks.has(Mark::Damaged), "{path}");
    content(found, &sectors).1
}

/// Linux `fs/ntfs/layout.h`: a cluster has one owner. Two records with one run list: both are named, and both keep the bytes.
#[test]
fn two_owners_of_the_same_clusters_are_named_and_keep_them() {
    if !can_mount("two_owners_of_the_same_clusters_are_named_and_keep_them") {
        return;
    }
    let clean = clean();
    let (one, other) = ("/Users/Ada/picture 8", "/Users/Ada/picture 7");
    let mut raw = clean.raw.clone();
    let from = clean.data_of(&raw, clean.record_of(one)) + 0x40;
    let to = clean.data_of(&raw, clean.record_of(other)) + 0x40;
    // 24,000 and 21,000 bytes are six clusters each.
    raw.copy_within(from..from + 8, to);
    let listing = Listing::of(&raw);
    let sectors = InMemory {
        bytes: &raw,
        sector_bytes: 512,
    };
    for path in [one, other] {
        assert_eq!(lost_of(&listing, &raw, path), [], "{path}");
        let (bytes, _) = content(listing.get(path), &sectors);
        assert_eq!(bytes, clean.files[one].1[..bytes.len()], "{path}");
    }
    let finding = listing.survey.findings.of("items-damaged").unwrap();
    assert!(finding.words().contains("picture 8"), "{finding:?}");
    assert!(finding.words().contains("picture 7"), "{finding:?}");
}

/// Linux `fs/ntfs/layout.h`: the runs hold as many clusters as the attribute says. What they do not hold is lost, not zeros,
/// and a number that no such volume can hold is not read for ever.
#[test]
fn bytes_that_no_run_covers_are_lost() {
    if !can_mount("bytes_that_no_run_covers_are_lost") {
        return;
    }
    let clean = clean();
    let path = "/Users/Ada/picture 8";
    let at = clean.data_of(&clean.raw, clean.record_of(path)) + 0x30;
    for (size, missing) in [
        (1u64 << 20, (24_576, (1 << 20) - 24_576)),
        (10 << 30, (24_576, 4096)),
        (1 << 43, (24_576, 4096)),
        (1 << 62, (24_576, 4096)),
        (u64::MAX, (0, 4096)),
    ] {
        let mut raw = clean.raw.clone();
        raw[at..at + 8].copy_from_slice(&size.to_le_bytes());
        let listing = Listing::of(&raw);
        assert_eq!(lost_of(&listing, &raw, path), [missing], "{size}");
        assert_eq!(listing.get(path).bytes, missing.0 + missing.1);
    }
}

/// Linux `fs/ntfs/layout.h`: fixups tell a record that was written only in part. It is listed by the name that it still tells, or by
/// its folder's index; record 0 has a mirror, and nothing belongs to nobody because of it.
#[test]
fn damaged_records_are_listed_and_the_mirror_stands_in() {
    if !can_mount("damaged_records_are_listed_and_the_mirror_stands_in") {
        return;
    }
    let clean = clean();
    let path = "/Users/Ada/picture 8";
    let place = clean.place(clean.record_of(path));
    let spoil: [fn(&mut [u8]); 2] = [|record| record[510] ^= 0xFF, |record| record.fill(0)];
    for spoil in spoil {
        let mut raw = clean.raw.clone();
        spoil(&mut raw[place..place + 1024]);
        let listing = Listing::of(&raw);
        let left = listing.get(path);
        assert!(left.marks.has(Mark::Damaged) && left.layout.is_none());
        assert_eq!(listing.survey.accounts.records_damaged, 1);
    }
    let mut raw = clean.raw.clone();
    let zero = clean.place(0);
    raw[zero..zero + 1024].fill(0);
    let listing = Listing::of(&raw);
    assert!(listing.survey.findings.of("mirror-used").is_some());
    assert!(
        listing.survey.accounts.add_up(),
        "{:?}",
        listing.survey.accounts
    );
}

/// Linux `fs/ntfs/layout.h` and `fs/ntfs3/bitmap.c`: a record is free when its flag and its bit both say so. One that keeps its bit
/// and its name may be somebody's file; one that was deleted is nothing.
#[test]
fn a_record_freed_in_part_is_listed_and_a_deleted_one_is_not() {
    if !can_mount("a_record_freed_in_part_is_listed_and_a_deleted_one_is_not") {
        return;
    }
    let clean = clean();
    let path = "/Users/Ada/picture 8";
    let mut raw = clean.raw.clone();
    raw[clean.place(clean.record_of(path)) + 0x16] &= !1;
    let listing = Listing::of(&raw);
    let left = listing.get(path);
    assert!(left.marks.has(Mark::Damaged) && left.layout.is_none());
    assert!(left.trouble.as_ref().unwrap().contains("free"));
    let survey = &listing.survey;
    let finding = survey.findings.of("records-freed-in-part").unwrap();
    assert_eq!(finding.weight, Weight::OpenPoint);
    assert!(!survey.accounts.add_up());
    assert_eq!(survey.accounts.records_damaged, 1);

    let image = Image::new(16, &["-c", "4096"]);
    {
        let m = image.mount("streams_interface=windows");
        for i in 0..40u64 {
            std::fs::write(m.join(&format!("gone {i}")), bytes(i, 0, 9000)).unwrap();
        }
        std::fs::write(m.join("stays"), b"stays").unwrap();
        for i in 0..40 {
            std::fs::remove_file(m.join(&format!("gone {i}"))).unwrap();
        }
    }
    let listing = Listing::of(&image.bytes());
    assert!(!listing.survey.findings.any_open());
    assert!(listing.survey.accounts.add_up());
    assert!(listing.paths().iter().all(|path| !path.contains("gone")));
}
