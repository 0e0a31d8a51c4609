//! A file table of a million records, surveyed: `cargo bench --bench records [-- RECORDS]`.
//!
//! An image is made with a table in fragments of 16 MiB, folders of 400 files, long and short names, one file in eight
//! kept in its record. Then, each in a process of its own and past the page cache, through the sectors that the program
//! itself reads by: the table read once in order, MiB by MiB, each waited for; the survey alone, which announces its next
//! requests and so has them fetched while it thinks; the whole `plan`. Medians of all rounds. The same with a tenth of the
//! records, for growth. For ext (as root, with mkfs.ext4): memory over as many inodes, made by the kernel.
//! A report, never a test: nothing fails on timing.
#![allow(
    clippy::unwrap_used,
    clippy::expect_used,
    clippy::panic,
    clippy::print_stdout
)]

use holdpoint::cli::engine::Engine;
use holdpoint::linux::MachineBench;
use holdpoint::port::Bench;
use holdpoint::step::request::{OpenRequest, PlanRequest, Source};
use holdpoint::volume::filesystem::{Limits, Place};
use holdpoint::volume::{ext, ntfs};
use std::fs::File;
use std::io::{BufWriter, Seek, SeekFrom, Write};
use std::path::{Path, PathBuf};
use std::process::Command;
use std::time::Instant;

const CLUSTER: u64 = 4096;
const RECORD: u64 = 1024;
/// Cluster at which the table begins.
const TABLE: u64 = 16;
/// Clusters of one fragment of the table; as many lie free behind it.
const FRAGMENT: u64 = 4096;
/// Files in one folder.
const FOLDER: u64 = 400;
/// What the child is asked for: `WHAT RECORDS IMAGE`.
const ASKED: &str = "HOLDPOINT_BENCH_RECORDS";
const ROUNDS: usize = 3;

/// Where everything of the volume lies.
struct Shape {
    records: u64,
}

impl Shape {
    fn table_clusters(&self) -> u64 {
        self.records * RECORD / CLUSTER
    }

    /// First cluster and clusters of each fragment of the table.
    fn fragments(&self) -> impl Iterator<Item = (u64, u64)> + '_ {
        (0..self.table_clusters().div_ceil(FRAGMENT)).map(|n| {
            let left = self.table_clusters() - n * FRAGMENT;
            (TABLE + n * 2 * FRAGMENT, left.min(FRAGMENT))
        })
    }

    fn volume_bits(&self) -> (u64, u64) {
        let behind = self.fragments().last().unwrap();
        (
            behind.0 + behind.1,
            self.clusters_at_least().div_ceil(8 * CLUSTER),
        )
    }

    fn record_bits(&self) -> (u64, u64) {
        let (at, clusters) = self.volume_bits();
        (at + clusters, self.records.div_ceil(8 * CLUSTER))
    }

    fn first_file(&self) -> u64 {
        let (at, clusters) = self.record_bits();
        at + clusters
    }

    fn clusters_at_least(&self) -> u64 {
        TABLE + 2 * self.table_clusters() + 2 * FRAGMENT + self.records + 65_536
    }

    fn is_folder(&self, number: u64) -> bool {
        number >= 24 && (number - 24).is_multiple_of(FOLDER + 1)
    }

    fn parent(&self, number: u64) -> u64 {
        if number < 24 || self.is_folder(number) {
            5
        } else {
            24 + (number - 24) / (FOLDER + 1) * (FOLDER + 1)
        }
    }

    fn in_record(&self, number: u64) -> bool {
        number.is_multiple_of(8)
    }

    fn has_cluster(&self, number: u64) -> bool {
        number >= 24 && !self.is_folder(number) && !self.in_record(number)
    }
}

fn attribute(kind: u32, resident: Option<&[u8]>, runs: Option<(&[(u64, u64)], u64)>) -> Vec<u8> {
    let mut a = vec![0u8; 0x18];
    a[..4].copy_from_slice(&kind.to_le_bytes());
    if let Some(value) = resident {
        a[0x10..0x14].copy_from_slice(&(value.len() as u32).to_le_bytes());
        a[0x14] = 0x18;
        a.extend_from_slice(value);
    }
    if let Some((runs, bytes)) = runs {
        let clusters: u64 = runs.iter().map(|run| run.1).sum();
        a.resize(0x40, 0);
        a[8] = 1;
        a[0x18..0x20].copy_from_slice(&(clusters - 1).to_le_bytes());
        a[0x20] = 0x40;
        a[0x28..0x30].copy_from_slice(&(clusters * CLUSTER).to_le_bytes());
        a[0x30..0x38].copy_from_slice(&bytes.to_le_bytes());
        a[0x38..0x40].copy_from_slice(&bytes.to_le_bytes());
        let mut before = 0i64;
        for (cluster, clusters) in runs {
            // Three bytes of length, four of distance to the run before.
            a.push(0x43);
            a.extend_from_slice(&(*clusters as u32).to_le_bytes()[..3]);
            a.extend_from_slice(&((*cluster as i64 - before) as i32).to_le_bytes());
            before = *cluster as i64;
        }
        a.push(0);
    }
    a.resize(a.len().next_multiple_of(8), 0);
    let length = a.len() as u32;
    a[4..8].copy_from_slice(&length.to_le_bytes());
    a
}

fn name(parent: u64, name: &str, space: u8) -> Vec<u8> {
    let mut v = vec![0u8; 0x42];
    v[..8].copy_from_slice(&(parent | 1 << 48).to_le_bytes());
    v[0x40] = name.len() as u8;
    v[0x41] = space;
    v.extend(name.encode_utf16().flat_map(u16::to_le_bytes));
    attribute(0x30, Some(&v), None)
}

fn record(shape: &Shape, number: u64) -> Vec<u8> {
    let mut r = vec![0u8; RECORD as usize];
    r[..4].copy_from_slice(b"FILE");
    r[4] = 0x30;
    r[6] = 3;
    (r[0x10], r[0x12], r[0x14], r[0x16]) = (1, 1, 0x38, 1);
    r[0x2C..0x30].copy_from_slice(&(number as u32).to_le_bytes());
    r[0x30] = 9;
    let mut standard = vec![0u8; 48];
    for (i, time) in standard.chunks_exact_mut(8).take(4).enumerate() {
        let value = 133_000_000_000_000_000 + number * 98_765_432_123 + i as u64 * 77_777_777_777;
        time.copy_from_slice(&value.to_le_bytes());
    }
    let mut body = attribute(0x10, Some(&standard), None);
    let mut add = |a: Vec<u8>| body.extend(a);
    let parent = shape.parent(number);
    match number {
        0 => {
            let runs: Vec<_> = shape.fragments().collect();
            add(name(5, "$MFT", 3));
            add(attribute(0x80, None, Some((&runs, shape.records * RECORD))));
            let bits = [shape.record_bits()];
            add(attribute(
                0xB0,
                None,
                Some((&bits, shape.records.div_ceil(8))),
            ));
        }
        3 => {
            add(name(5, "$Volume", 3));
            add(attribute(
                0x70,
                Some(&[0, 0, 0, 0, 0, 0, 0, 0, 3, 1, 0, 0]),
                None,
            ));
        }
        5 => {
            r[0x16] = 3;
            add(name(5, ".", 3));
        }
        6 => {
            add(name(5, "$Bitmap", 3));
            let bits = [shape.volume_bits()];
            let bytes = shape.clusters_at_least().div_ceil(8);
            add(attribute(0x80, None, Some((&bits, bytes))));
        }
        1 | 2 | 4 | 7..16 => add(name(5, "$own", 3)),
        16..24 => {}
        _ if shape.is_folder(number) => {
            r[0x16] = 3;
            add(name(parent, &format!("Summer {number:07}"), 3));
        }
        _ => {
            r[0x12] = 2;
            let short = format!("PHOTO~{:06}", number % 1_000_000);
            let long = format!("photograph of somebody {number:09}.jpeg");
            add(name(parent, &short, 2));
            add(name(parent, &long, 1));
            if shape.in_record(number) {
                add(attribute(0x80, Some(&[0x5A; 300]), None));
            } else {
                let run = [(shape.first_file() + number - 24, 1)];
                add(attribute(0x80, None, Some((&run, 4000))));
            }
        }
    }
    body.extend([0xFF; 8]);
    r[0x38..0x38 + body.len()].copy_from_slice(&body);
    r[0x18..0x1C].copy_from_slice(&(0x38 + body.len() as u32).to_le_bytes());
    // Fixups: the last two bytes of each 512 stand in the header, the check number in their place.
    let check = [r[0x30], r[0x31]];
    for half in 0..2 {
        let end = half * 512 + 510;
        let own = [r[end], r[end + 1]];
        r[0x32 + 2 * half..0x34 + 2 * half].copy_from_slice(&own);
        r[end..end + 2].copy_from_slice(&check);
    }
    r
}

fn boot(shape: &Shape) -> Vec<u8> {
    let mut b = vec![0u8; 512];
    b[3..11].copy_from_slice(b"NTFS    ");
    b[0x0B..0x0D].copy_from_slice(&512u16.to_le_bytes());
    b[0x0D] = 8;
    b[0x28..0x30].copy_from_slice(&(shape.clusters_at_least() * 8).to_le_bytes());
    b[0x30..0x38].copy_from_slice(&TABLE.to_le_bytes());
    b[0x38..0x40].copy_from_slice(&TABLE.to_le_bytes());
    b[0x40] = 0xF6;
    b[0x44] = 1;
    b[510..].copy_from_slice(&[0x55, 0xAA]);
    b
}

fn image(path: &Path, shape: &Shape) {
    let mut file = File::create(path).unwrap();
    let clusters = shape.clusters_at_least();
    file.set_len(clusters * CLUSTER + 512).unwrap();
    for at in [0, clusters * CLUSTER] {
        file.seek(SeekFrom::Start(at)).unwrap();
        file.write_all(&boot(shape)).unwrap();
    }
    let mut number = 0;
    for (cluster, clusters) in shape.fragments() {
        file.seek(SeekFrom::Start(cluster * CLUSTER)).unwrap();
        let mut out = BufWriter::with_capacity(1 << 20, &file);
        for _ in 0..clusters * CLUSTER / RECORD {
            out.write_all(&record(shape, number)).unwrap();
            number += 1;
        }
        out.flush().unwrap();
    }
    let mut used = vec![0u8; (shape.volume_bits().1 * CLUSTER) as usize];
    let mut set = |first: u64, count: u64| {
        for cluster in first..first + count {
            used[(cluster / 8) as usize] |= 1 << (cluster % 8);
        }
    };
    shape.fragments().for_each(|(at, count)| set(at, count));
    for (at, count) in [shape.volume_bits(), shape.record_bits()] {
        set(at, count);
    }
    for number in (24..shape.records).filter(|number| shape.has_cluster(*number)) {
        set(shape.first_file() + number - 24, 1);
    }
    let mut full = vec![0xFFu8; (shape.records / 8) as usize];
    full.resize((shape.record_bits().1 * CLUSTER) as usize, 0);
    for (at, bits) in [
        (shape.volume_bits().0, &used),
        (shape.record_bits().0, &full),
    ] {
        file.seek(SeekFrom::Start(at * CLUSTER)).unwrap();
        file.write_all(bits).unwrap();
    }
    file.sync_all().unwrap();
}

/// Memory this process had at most, in KiB.
fn peak() -> u64 {
    let status = std::fs::read_to_string("/proc/self/status").unwrap();
    let line = status.lines().find(|l| l.starts_with("VmHWM:")).unwrap();
    line.split_whitespace().nth(1).unwrap().parse().unwrap()
}

/// Seconds that this process has had on processors, all its threads.
fn cpu_seconds() -> f64 {
    let threads = std::fs::read_dir("/proc/self/task").unwrap();
    let of = |path: PathBuf| {
        let text = std::fs::read_to_string(path.join("schedstat")).unwrap_or_default();
        let first = text.split_whitespace().next().map(str::to_owned);
        first
            .and_then(|word| word.parse::<f64>().ok())
            .unwrap_or(0.0)
            / 1e9
    };
    threads.flatten().map(|thread| of(thread.path())).sum()
}

/// In the child: one thing, measured.
fn child(asked: &str) {
    let words: Vec<&str> = asked.splitn(3, ' ').collect();
    let (what, shape, path) = (
        words[0],
        Shape {
            records: words[1].parse().unwrap(),
        },
        Path::new(words[2]),
    );
    let bench = MachineBench::here();
    let (started, cpu) = (Instant::now(), cpu_seconds());
    let mut found = 0u64;
    match what {
        "read" => {
            let sectors = bench.sectors(path).unwrap();
            let mut block = vec![0u8; 1 << 20];
            for (cluster, clusters) in shape.fragments() {
                let (mut at, end) = (cluster * CLUSTER, (cluster + clusters) * CLUSTER);
                while at < end {
                    let part = &mut block[..(end - at).min(1 << 20) as usize];
                    sectors.read_at(at, part).unwrap();
                    at += part.len() as u64;
                }
                found += clusters * CLUSTER / RECORD;
            }
        }
        "survey" | "ext" => {
            let sectors = bench.sectors(path).unwrap();
            let place = Place {
                first_byte: 0,
                bytes: sectors.bytes(),
            };
            let mut see = |_| found += 1;
            let limits = Limits::default();
            let survey = if what == "ext" {
                ext::survey(sectors.as_ref(), place, 0, limits, &mut see)
            } else {
                ntfs::survey(sectors.as_ref(), place, &limits, &mut see)
            };
            let survey = survey.unwrap();
            assert!(survey.whole, "{:?}", survey.findings);
            assert!(
                what == "ext" || survey.accounts.add_up(),
                "{:?}",
                survey.accounts
            );
        }
        _ => {
            let request = PlanRequest {
                job: path.to_owned(),
                list: false,
            };
            found = bench.plan(&request, &mut |_| {}).unwrap().result.items;
        }
    }
    let cpu = cpu_seconds() - cpu;
    println!(
        "MEASURED {} {cpu} {} {found}",
        started.elapsed().as_secs_f64(),
        peak()
    );
}

/// Wall seconds, CPU seconds, MiB at most, items found.
type Took = (f64, f64, f64, u64);

fn measured(what: &str, records: u64, path: &Path) -> Took {
    let out = Command::new(std::env::current_exe().unwrap())
        .env(ASKED, format!("{what} {records} {}", path.display()))
        .output()
        .unwrap();
    let text = String::from_utf8_lossy(&out.stdout).into_owned();
    let line = text.lines().find_map(|line| line.strip_prefix("MEASURED "));
    let line = line.unwrap_or_else(|| panic!("{text}{}", String::from_utf8_lossy(&out.stderr)));
    let numbers: Vec<f64> = line.split(' ').map(|n| n.parse().unwrap()).collect();
    (
        numbers[0],
        numbers[1],
        numbers[2] / 1024.0,
        numbers[3] as u64,
    )
}

fn median(mut all: Vec<f64>) -> f64 {
    all.sort_by(f64::total_cmp);
    all[all.len() / 2]
}

/// A job on the image, in a folder of its own.
fn job(room: &Path, image: &Path, number: usize) -> PathBuf {
    let to = room.join(format!("to-{number}"));
    std::fs::create_dir_all(&to).unwrap();
    let request = OpenRequest {
        source: Source::Drives(vec![image.to_owned()]),
        to: vec![to],
        job: None,
        policy: Some("practice".into()),
        owner: None,
        technician: None,
        symptom: None,
        memory: None,
        machine: None,
        must_have: None,
        replies: None,
    };
    let bench = MachineBench::here();
    bench.open(&request, &mut |_| {}).unwrap().job.unwrap()
}

fn line(what: &str, value: f64, unit: &str, target: Option<f64>) {
    let beside = target.map(|target| {
        let met = if value <= target { "met" } else { "MISSED" };
        format!("target <= {target}{unit}: {met}")
    });
    println!(
        "{what:<64} {value:9.3}{unit:<4} {}",
        beside.unwrap_or_default()
    );
}

/// Seconds of the survey and of the plan over so many records.
fn ntfs_report(room: &Path, records: u64) -> (f64, f64) {
    let shape = Shape { records };
    let path = room.join(format!("table-{records}"));
    image(&path, &shape);
    let mut took: [Vec<Took>; 3] = Default::default();
    // Interleaved, so that whatever else the machine does falls on all three.
    for round in 0..ROUNDS {
        took[0].push(measured("read", records, &path));
        took[1].push(measured("survey", records, &path));
        let job = job(room, &path, records as usize + round);
        took[2].push(measured("plan", records, &job));
    }
    let of = |n: usize, part: fn(&Took) -> f64| median(took[n].iter().map(part).collect());
    let (read, survey, plan) = (of(0, |t| t.0), of(1, |t| t.0), of(2, |t| t.0));
    println!(
        "{records} records, {} MiB of table in {} fragments, {ROUNDS} rounds, load {}:",
        records >> 10,
        shape.fragments().count(),
        std::fs::read_to_string("/proc/loadavg")
            .unwrap_or_default()
            .trim()
    );
    for (n, what) in ["table read once in order", "survey alone", "whole plan"]
        .iter()
        .enumerate()
    {
        let (wall, cpu, peak) = (of(n, |t| t.0), of(n, |t| t.1), of(n, |t| t.2));
        println!(
            "  {what:<26} {wall:7.2} s, CPU {cpu:7.2} s, peak {peak:6.1} MiB, {} found",
            took[n][0].3
        );
    }
    line(
        "  survey : table read once in order",
        survey / read,
        "",
        Some(1.5),
    );
    line("  plan : table read once in order", plan / read, "", None);
    // On a slower drive reading takes longer and thinking does not; the processor's seconds count, because on a busy
    // machine the clock on the wall measures the others.
    let mib = (records >> 10) as f64;
    let thinking = of(1, |t| t.1) - of(0, |t| t.1);
    for pace in [150.0, 500.0] {
        let slow = mib / pace;
        let what = format!("  the same by CPU on a drive of {pace} MiB/s, reckoned");
        line(&what, (slow + thinking) / slow, "", Some(1.5));
    }
    line(
        "  peak memory of the survey",
        of(1, |t| t.2),
        " MiB",
        Some(200.0),
    );
    line(
        "  peak memory of the plan",
        of(2, |t| t.2),
        " MiB",
        Some(200.0),
    );
    let _ = std::fs::remove_file(&path);
    (survey, plan)
}

/// As many inodes, made by the kernel on a loop device.
fn ext_report(room: &Path, inodes: u64) {
    let path = room.join("ext");
    let point = room.join("point");
    std::fs::create_dir_all(&point).unwrap();
    let file = File::create(&path).unwrap();
    file.set_len(inodes * 1024 + inodes * 512 + (256 << 20))
        .unwrap();
    drop(file);
    let ran = |tool: &str, words: &[&str]| {
        let status = Command::new(tool).args(words).status();
        status.is_ok_and(|status| status.success())
    };
    let (image, at) = (path.to_str().unwrap(), point.to_str().unwrap());
    let wanted = (inodes + inodes / 50 + 5000).to_string();
    let made = ran(
        "mkfs.ext4",
        &["-q", "-F", "-b", "1024", "-N", &wanted, image],
    ) && ran("mount", &["-o", "loop", image, at]);
    if !made {
        println!("SKIPPED: ext: needs root, mkfs.ext4 and loop devices");
        return;
    }
    let filled = std::panic::catch_unwind(|| {
        for number in 0..inodes {
            let folder = point.join(format!("Summer {:07}", number / FOLDER));
            if number.is_multiple_of(FOLDER) {
                std::fs::create_dir(&folder).unwrap();
            }
            let name = folder.join(format!("photograph of somebody {number:09}.jpeg"));
            std::fs::write(name, b"x").unwrap();
        }
    });
    assert!(ran("umount", &[at]), "{at} stays mounted");
    filled.unwrap();
    let (wall, cpu, peak, found) = measured("ext", inodes, &path);
    println!("ext, {inodes} files: survey {wall:.2} s, CPU {cpu:.2} s, {found} found");
    line("  peak memory of the survey", peak, " MiB", Some(200.0));
    let _ = std::fs::remove_file(&path);
}

fn main() {
    if let Ok(asked) = std::env::var(ASKED) {
        return child(&asked);
    }
    let records: u64 = std::env::args()
        .skip(1)
        .find_map(|word| word.parse().ok())
        .unwrap_or(1_000_000);
    // Whole clusters and whole bytes of the bitmap.
    let records = records.max(20_480) / 32 * 32;
    let fewer = (records / 10).max(10_240) / 32 * 32;
    let room = tempfile::tempdir_in("/var/tmp").unwrap();
    let few = ntfs_report(room.path(), fewer);
    let many = ntfs_report(room.path(), records);
    let grown = |few: f64, many: f64| (many / records as f64) / (few / fewer as f64);
    println!("time a record, {records} : {fewer}");
    line("  survey", grown(few.0, many.0), "", Some(1.3));
    line("  plan", grown(few.1, many.1), "", Some(1.3));
    ext_report(room.path(), records);
}
