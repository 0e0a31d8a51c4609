//! How long the gate and the counts take over a million items: `cargo bench --bench gate [-- ITEMS]`.
//!
//! A real job is opened on an empty folder, its ledger filled with copied and verified rows
//! through the same calls as the engine's, and each question is asked five times.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::print_stdout)]

use holdpoint::cli::engine::Engine;
use holdpoint::job::Job;
use holdpoint::ledger::{FactBody, Got, GotRow, ItemRow, LedgerError, RowSum, Want};
use holdpoint::linux::MachineBench;
use holdpoint::step::request::{OpenRequest, Source};
use holdpoint::survey::item::{Class, Kind, Marks};
use holdpoint::value::{Blake3, Name, Sha256};
use std::time::Instant;

fn main() {
    let items: i64 = std::env::args()
        .skip(1)
        .find_map(|word| word.parse().ok())
        .unwrap_or(1_000_000);
    let room = tempfile::tempdir().unwrap();
    let (source, to) = (room.path().join("source"), room.path().join("to"));
    std::fs::create_dir_all(&source).unwrap();
    std::fs::create_dir_all(&to).unwrap();
    let bench = MachineBench::here();
    let request = OpenRequest {
        source: Source::Folder(source),
        to: vec![to],
        job: None,
        policy: Some("home".into()),
        owner: None,
        technician: None,
        symptom: None,
        memory: None,
        machine: None,
        must_have: None,
        replies: None,
    };
    let opened = bench.open(&request, &mut |_| {}).unwrap();
    let dir = opened.job.unwrap();
    let job = Job::open(&bench, &dir).unwrap();
    let mut sum = RowSum::default();
    job.ledger
        .transaction::<_, LedgerError>(|ledger| {
            for id in 1..=items {
                let mut item = ItemRow::bare(id, Kind::File, Want::Wanted, Marks::default());
                item.parent = id / 400;
                item.name = Name::Bytes(format!("file {id}.dat").into_bytes());
                item.bytes = 1024;
                item.class = Class::ALL[id as usize % 4];
                ledger.add_item(&item, &mut sum)?;
                let nothing = GotRow::nothing(id);
                let digest = blake3::hash(&id.to_le_bytes());
                let got = GotRow {
                    state: Got::Whole,
                    blake3: Some(Blake3(*digest.as_bytes())),
                    sha256: Some(Sha256(*digest.as_bytes())),
                    written: 1,
                    verified: 1,
                    batch: id / 1000,
                    ..GotRow::nothing(id)
                };
                ledger.put_got(item.want, 0, &nothing, &got, &mut sum)?;
            }
            for batch in 0..items / 1000 {
                let rows = sum.to_string();
                let fact = FactBody::Batch {
                    batch,
                    items: 1000,
                    bytes: 0,
                    rows,
                };
                ledger.record(job.now(), &fact)?;
            }
            ledger.rows_moved(job.now(), sum)
        })
        .unwrap();
    let report = |what: &str, target: f64, ask: &mut dyn FnMut()| {
        let before = cpu_seconds();
        let mut seconds: Vec<f64> = (0..5)
            .map(|_| {
                let start = Instant::now();
                ask();
                start.elapsed().as_secs_f64()
            })
            .collect();
        let cpu = (cpu_seconds() - before) / 5.0;
        seconds.sort_by(f64::total_cmp);
        println!(
            "{what:<24} {items} items: median {:.3} s ({:.3} to {:.3}), CPU {cpu:.3} s, target <= {target} s",
            seconds[2], seconds[0], seconds[4]
        );
    };
    report("gate", 2.0, &mut || {
        holdpoint::step::points_now(&job).unwrap();
    });
    report("counts", 2.0, &mut || {
        holdpoint::step::counts(&job).unwrap();
    });
    report("facts", 0.1, &mut || {
        job.ledger.facts().unwrap();
    });
}

/// Seconds that this process has had on a processor (first number of schedstat, nanoseconds): on a busy machine the
/// clock on the wall measures the others.
fn cpu_seconds() -> f64 {
    let text = std::fs::read_to_string("/proc/self/schedstat").unwrap_or_default();
    let first = text.split_whitespace().next();
    first
        .and_then(|word| word.parse::<f64>().ok())
        .unwrap_or(0.0)
        / 1e9
}
