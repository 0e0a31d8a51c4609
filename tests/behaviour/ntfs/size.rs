//! A volume of a million files, made up record by record as it is asked for: memory and time.

use super::*;
use holdpoint::port::{AHEAD, Fault, FaultKind};
use std::collections::VecDeque;
use std::sync::atomic::{AtomicU64, Ordering};

const CLUSTER: u64 = 4096;
const TABLE: u64 = 16;

/// Sectors that are computed: a boot sector, and a table in which every record from 24 on is a file of
/// one cluster with a long and a short name.
struct MadeUp {
    records: u64,
    clusters: u64,
    reads: AtomicU64,
    last: AtomicU64,
    back: AtomicU64,
    /// The requests announced, how many were made as announced, and how many otherwise.
    announced: Mutex<VecDeque<(u64, usize)>>,
    kept: AtomicU64,
    broken: AtomicU64,
}

impl MadeUp {
    fn new(records: u64) -> Self {
        let clusters = TABLE + records / 4 + records + 65_536;
        Self {
            records,
            clusters,
            reads: AtomicU64::new(0),
            last: AtomicU64::new(0),
            back: AtomicU64::new(0),
            announced: Mutex::default(),
            kept: AtomicU64::new(0),
            broken: AtomicU64::new(0),
        }
    }

    fn table_clusters(&self) -> u64 {
        self.records / 4
    }

    /// Cluster of the volume bitmap, behind the table.
    fn bitmap_cluster(&self) -> u64 {
        TABLE + self.table_clusters()
    }

    fn bitmap_clusters(&self) -> u64 {
        self.clusters.div_ceil(8 * CLUSTER)
    }

    fn record_bitmap_cluster(&self) -> u64 {
        self.bitmap_cluster() + self.bitmap_clusters()
    }

    fn record_bitmap_clusters(&self) -> u64 {
        self.records.div_ceil(8 * CLUSTER)
    }

    fn first_file_cluster(&self) -> u64 {
        self.record_bitmap_cluster() + self.record_bitmap_clusters()
    }

    fn used(&self, cluster: u64) -> bool {
        (TABLE..self.first_file_cluster() + self.records - 24).contains(&cluster)
    }

    fn attribute(
        &self,
        kind: u32,
        resident: Option<&[u8]>,
        run: Option<(u64, u64, u64)>,
    ) -> Vec<u8> {
        let mut a = vec![0u8; 0x18];
        a[..4].copy_from_slice(&kind.to_le_bytes());
        if let Some(value) = resident {
            a[0x10..0x14].copy_from_slice(&(value.len() as u32).to_le_bytes());
            a[0x14] = 0x18;
            a.extend_from_slice(value);
        }
        if let Some((cluster, clusters, bytes)) = run {
            a.resize(0x40, 0);
            a[8] = 1;
            a[0x18..0x20].copy_from_slice(&(clusters - 1).to_le_bytes());
            a[0x20] = 0x40;
            a[0x28..0x30].copy_from_slice(&(clusters * CLUSTER).to_le_bytes());
            a[0x30..0x38].copy_from_slice(&bytes.to_le_bytes());
            a[0x38..0x40].copy_from_slice(&bytes.to_le_bytes());
            a.push(0x44);
            a.extend_from_slice(&(clusters as u32).to_le_bytes());
            a.extend_from_slice(&(cluster as u32).to_le_bytes());
            a.push(0);
        }
        a.resize(a.len().next_multiple_of(8), 0);
        let length = a.len() as u32;
        a[4..8].copy_from_slice(&length.to_le_bytes());
        a
    }

    fn name(&self, parent: u64, name: &str, space: u8) -> Vec<u8> {
        let mut v = vec![0u8; 0x42];
        v[..8].copy_from_slice(&(parent | 1 << 48).to_le_bytes());
        v[0x40] = name.len() as u8;
        v[0x41] = space;
        v.extend(name.encode_utf16().flat_map(u16::to_le_bytes));
        v
    }

    fn record(&self, number: u64) -> Vec<u8> {
        let mut r = vec![0u8; 1024];
        r[..4].copy_from_slice(b"FILE");
        r[4] = 0x30;
        r[6] = 3;
        r[0x10] = 1;
        r[0x12] = 1;
        r[0x14] = 0x38;
        r[0x16] = 1;
        r[0x2C..0x30].copy_from_slice(&(number as u32).to_le_bytes());
        r[0x30] = 9;
        let mut standard = vec![0u8; 48];
        for (i, time) in standard.chunks_exact_mut(8).take(4).enumerate() {
            let value =
                133_000_000_000_000_000 + number * 98_765_432_123 + i as u64 * 77_777_777_777;
            time.copy_from_slice(&value.to_le_bytes());
        }
        let mut body = self.attribute(0x10, Some(&standard), None);
        let mut add = |a: Vec<u8>| body.extend(a);
        match number {
            0 => {
                add(self.attribute(0x30, Some(&self.name(5, "$MFT", 3)), None));
                add(self.attribute(
                    0x80,
                    None,
                    Some((TABLE, self.table_clusters(), self.records * 1024)),
                ));
                let bits = self.records.div_ceil(8);
                add(self.attribute(
                    0xB0,
                    None,
                    Some((
                        self.record_bitmap_cluster(),
                        self.record_bitmap_clusters(),
                        bits,
                    )),
                ));
            }
            3 => {
                add(self.attribute(0x30, Some(&self.name(5, "$Volume", 3)), None));
                add(self.attribute(0x70, Some(&[0, 0, 0, 0, 0, 0, 0, 0, 3, 1, 0, 0]), None));
            }
            5 => {
                r[0x16] = 3;
                add(self.attribute(0x30, Some(&self.name(5, ".", 3)), None));
            }
            6 => {
                add(self.attribute(0x30, Some(&self.name(5, "$Bitmap", 3)), None));
                add(self.attribute(
                    0x80,
                    None,
                    Some((
                        self.bitmap_cluster(),
                        self.bitmap_clusters(),
                        self.clusters.div_ceil(8),
                    )),
                ));
            }
            1 | 2 | 4 | 7..16 => add(self.attribute(0x30, Some(&self.name(5, "$own", 3)), None)),
            16..24 => {}
            _ => {
                r[0x12] = 2;
                let long = format!("photograph of somebody {number:09}.jpeg");
                let short = format!("PHOTO~{:06}", number % 1_000_000);
                add(self.attribute(0x30, Some(&self.name(5, &short, 2)), None));
                add(self.attribute(0x30, Some(&self.name(5, &long, 1)), None));
                add(self.attribute(
                    0x80,
                    None,
                    Some((self.first_file_cluster() + number - 24, 1, 4000)),
                ));
            }
        }
        body.extend([0xFF; 8]);
        r[0x38..0x38 + body.len()].copy_from_slice(&body);
        r[0x18..0x1C].copy_from_slice(&(0x38 + body.len() as u32).to_le_bytes());
        super::table::unfix(&mut r);
        r
    }
}

impl Sectors for MadeUp {
    fn sector_bytes(&self) -> u32 {
        512
    }

    fn bytes(&self) -> u64 {
        self.clusters * CLUSTER + 512
    }

    fn read_at(&self, at: u64, buf: &mut [u8]) -> Result<(), Fault> {
        let end = at + buf.len() as u64;
        if end > self.bytes() {
            return Err(Fault::new(FaultKind::Refused, "reading", "behind the end"));
        }
        buf.fill(0);
        if let Some(announced) = self.announced.lock().unwrap().pop_front() {
            let which = if announced == (at, buf.len()) {
                &self.kept
            } else {
                &self.broken
            };
            which.fetch_add(1, Ordering::Relaxed);
        }
        self.reads.fetch_add(1, Ordering::Relaxed);
        if at < self.last.swap(at, Ordering::Relaxed) {
            self.back.fetch_add(1, Ordering::Relaxed);
        }
        if at < 512 || end > self.clusters * CLUSTER {
            let mut b = vec![0u8; 512];
            b[3..11].copy_from_slice(b"NTFS    ");
            b[0x0B..0x0D].copy_from_slice(&512u16.to_le_bytes());
            b[0x0D] = 8;
            b[0x28..0x30].copy_from_slice(&(self.clusters * 8).to_le_bytes());
            b[0x30..0x38].copy_from_slice(&TABLE.to_le_bytes());
            b[0x38..0x40].copy_from_slice(&TABLE.to_le_bytes());
            b[0x40] = 0xF6;
            let n = buf.len().min(512);
            buf[..n].copy_from_slice(&b[..n]);
            return Ok(());
        }
        let table = TABLE * CLUSTER..(TABLE + self.table_clusters()) * CLUSTER;
        let bits = |buf: &mut [u8], start: u64, set: &dyn Fn(u64) -> bool| {
            for (i, byte) in buf.iter_mut().enumerate() {
                for bit in 0..8 {
                    if set((at - start + i as u64) * 8 + bit) {
                        *byte |= 1 << bit;
                    }
                }
            }
        };
        if table.contains(&at) {
            let mut from = at;
            while from < end {
                let into = (from - table.start) % 1024;
                let record = self.record((from - table.start) / 1024);
                let take = (1024 - into).min(end - from);
                let to = (from - at) as usize;
                buf[to..to + take as usize]
                    .copy_from_slice(&record[into as usize..(into + take) as usize]);
                from += take;
            }
        } else if at >= self.record_bitmap_cluster() * CLUSTER
            && at < self.first_file_cluster() * CLUSTER
        {
            bits(buf, self.record_bitmap_cluster() * CLUSTER, &|n| {
                n < self.records
            });
        } else if at >= self.bitmap_cluster() * CLUSTER
            && at < self.record_bitmap_cluster() * CLUSTER
        {
            bits(buf, self.bitmap_cluster() * CLUSTER, &|n| self.used(n));
        }
        Ok(())
    }

    fn soon(&self, at: u64, bytes: usize) {
        let mut announced = self.announced.lock().unwrap();
        announced.push_back((at, bytes));
        assert!(announced.len() <= AHEAD);
    }
}

/// Memory this process had at most, in KiB.
fn peak() -> u64 {
    let status = std::fs::read_to_string("/proc/self/status").unwrap();
    let line = status.lines().find(|l| l.starts_with("VmHWM:")).unwrap();
    line.split_whitespace().nth(1).unwrap().parse().unwrap()
}

/// Surveys a made-up volume in a process of its own, so that nothing else counts.
#[test]
fn a_million_files_in_bounded_memory() {
    const MARK: &str = "HOLDPOINT_TEST_MADE_UP_RECORDS";
    if let Ok(records) = std::env::var(MARK) {
        let volume = MadeUp::new(records.parse().unwrap());
        let before = peak();
        let place = Place {
            first_byte: 0,
            bytes: volume.bytes(),
        };
        let (mut count, mut name_bytes) = (0u64, 0u64);
        let started = std::time::Instant::now();
        let survey = ntfs::survey(&volume, place, &Limits::default(), &mut |f| {
            count += 1;
            name_bytes += f.name.stored().len() as u64;
        })
        .unwrap();
        assert!(
            survey.accounts.add_up(),
            "{:?} {:?}",
            survey.accounts,
            survey.findings
        );
        assert!(survey.whole);
        println!(
            "MADE-UP {count} {} {} {} {} {} {}",
            peak() - before,
            volume.back.load(Ordering::Relaxed),
            volume.reads.load(Ordering::Relaxed),
            started.elapsed().as_millis(),
            volume.kept.load(Ordering::Relaxed),
            volume.broken.load(Ordering::Relaxed)
        );
        assert!(name_bytes > 0);
        return;
    }
    let run = |records: u64| -> Vec<u64> {
        let out = Command::new(std::env::current_exe().unwrap())
            .args([
                "--exact",
                "ntfs::size::a_million_files_in_bounded_memory",
                "--nocapture",
            ])
            .env(MARK, records.to_string())
            .output()
            .unwrap();
        let text = String::from_utf8_lossy(&out.stdout).into_owned();
        let line = text
            .lines()
            .find_map(|l| l.split_once("MADE-UP ").map(|(_, rest)| rest.to_owned()))
            .unwrap_or_else(|| panic!("{text} {}", String::from_utf8_lossy(&out.stderr)));
        line.split(' ').map(|n| n.parse().unwrap()).collect()
    };
    // Making the records up takes most of the time; the full million (146 MiB, measured) on demand.
    let records: u64 = match std::env::var("HOLDPOINT_NTFS_RECORDS") {
        Ok(records) => records.parse().unwrap(),
        Err(_) => 150_000,
    };
    let large = run(records);
    println!(
        "{} names: {} KiB more memory, {} reads, {} of them backwards, {} ms",
        large[0], large[1], large[3], large[2], large[4]
    );
    assert_eq!(large[0], records - 24 + 1);
    let allowed = (records * (200 << 10)).div_ceil(1_000_000).max(40 << 10);
    assert!(large[1] < allowed, "{} KiB", large[1]);
    // The table is read forwards: going back happens a handful of times, not once a record.
    assert!(large[2] < 12, "{} reads backwards", large[2]);
    // One request for each MiB of the table, every one but the first announced, and nothing announced that was not read.
    let stretches = records / 1024;
    assert!(large[3] < stretches + 100, "{} reads", large[3]);
    assert!(
        (stretches..stretches + 2).contains(&large[5]),
        "{}",
        large[5]
    );
    assert_eq!(large[6], 0);
}

/// 72 GiB in clusters of 512 bytes: more than are looked at together, 64 Mi (see `volume::ntfs::owners`).
#[test]
fn a_volume_of_several_slices_adds_up() {
    if !can_make("a_volume_of_several_slices_adds_up") {
        return;
    }
    let image = Image::new(72 << 10, &["-c", "512"]);
    let sectors = image.sectors();
    let mut boot = [0u8; 512];
    sectors.read_at(0, &mut boot).unwrap();
    let mirror = u64::from_le_bytes(boot[0x38..0x40].try_into().unwrap());
    assert!(mirror > 64 << 20, "nothing lies in the second slice");
    let survey = Listing::with(&sectors, sectors.bytes()).survey;
    assert!(survey.accounts.add_up(), "{:?}", survey.accounts);
    assert!(survey.accounts.owned > 0);
}
