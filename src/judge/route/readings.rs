//! From the bytes of a drive to its route: what the signals say, what the forecast weighs and why
//! the route is what it is never contradict each other.

use super::*;
use crate::drive::asking::Hint;
use crate::drive::question::{Question, Reply};
use crate::drive::reading::{Reading, StoredReading};
use crate::drive::replies::Replies;
use crate::judge::forecast::forecast;
use crate::judge::situation::Pace;
use crate::value::Moment;
use proptest::prelude::*;

const IDENTIFY: &[u8] = include_bytes!("../../../tests/fixtures/pages/ata-identify.bin");
const ERRORS: &[u8] = include_bytes!("../../../tests/fixtures/pages/ata-summary-error-log.bin");
const CONTROLLER: &[u8] =
    include_bytes!("../../../tests/fixtures/pages/nvme-identify-controller.bin");
const NVME_ERRORS: &[u8] = include_bytes!("../../../tests/fixtures/pages/nvme-log01.bin");

type Row = (u8, [u8; 6]);

fn count(n: u32) -> [u8; 6] {
    let [a, b, c, d] = n.to_le_bytes();
    [a, b, c, d, 0, 0]
}

/// A disk of a million clean sectors but for these vendor values (later rows replace earlier ones).
fn disk(hours: u32, rows: &[Row]) -> Vec<(Question, Vec<u8>)> {
    let mut all: Vec<Row> = [5u8, 10, 187, 188, 197, 198, 199]
        .into_iter()
        .map(|id| (id, [0; 6]))
        .collect();
    all.push((9, count(hours)));
    for (id, raw) in rows {
        match all.iter_mut().find(|row| row.0 == *id) {
            Some(row) => row.1 = *raw,
            None => all.push((*id, *raw)),
        }
    }
    // READ DATA: slots of twelve bytes from byte 2, a sum of zero at the end (formats of the makers' manuals).
    let mut page = vec![0u8; 512];
    page[0] = 1;
    for (slot, (id, raw)) in all.iter().enumerate() {
        let row = &mut page[2 + slot * 12..14 + slot * 12];
        row[0] = *id;
        row[1] = 0x32;
        row[3] = 100;
        row[4] = 100;
        row[5..11].copy_from_slice(raw);
    }
    page[511] = 0u8.wrapping_sub(page.iter().fold(0u8, |sum, b| sum.wrapping_add(*b)));
    vec![
        (Question::AtaIdentify, IDENTIFY.to_vec()),
        (Question::AtaSmartData, page),
        (Question::AtaSmartStatus, vec![0x4f, 0xc2]),
    ]
}

/// NVMe log 02h of a sound drive with this many integrity errors (byte 160).
fn nvme(lost: u8) -> Vec<(Question, Vec<u8>)> {
    let mut page = vec![0u8; 512];
    page[1..3].copy_from_slice(&310u16.to_le_bytes());
    page[3] = 100;
    page[4] = 10;
    page[5] = 3;
    page[112] = 9;
    page[129] = 3;
    page[160] = lost;
    vec![
        (Question::NvmeIdentifyController, CONTROLLER.to_vec()),
        (Question::NvmeLog(2), page),
    ]
}

fn read(replies: Vec<(Question, Vec<u8>)>) -> Reading {
    let mut all = Replies::default();
    for (question, bytes) in replies {
        all.put(question, Reply::Bytes(bytes));
    }
    StoredReading {
        taken: Moment::from_seconds(1_764_072_000),
        through: "recorded replies".to_owned(),
        hint: Hint::recorded(),
        replies: all,
    }
    .decode()
}

fn judged(reading: &Reading) -> (Forecast, Decision) {
    let e = &reading.evidence;
    let s = Situation {
        plan_bytes: Some(195_000_000_000),
        drive_bytes: reading.drive.bytes.get(),
        pace: Pace::class_default(e.medium),
        memory: MemoryState::KnownGood,
        ..Situation::default()
    };
    let f = forecast(e, &s);
    let d = route(
        &f,
        e,
        &reading.signals,
        &s,
        Stakes::default(),
        &RouteLimits::default(),
    );
    (f, d)
}

fn explain(f: &Forecast) -> Vec<String> {
    f.working.iter().map(|line| line.text()).collect()
}

fn says(reading: &Reading, id: SignalId) -> Vec<(Weight, String)> {
    let of_id = reading.signals.iter().filter(|s| s.id == id);
    of_id.map(|s| (s.weight, s.says.clone())).collect()
}

#[test]
fn an_unread_sector_in_the_error_log_is_a_present_one_at_the_present_hour() {
    // The sample log holds two errors at hours 28,201 and 28,202 of power (summary error log, 90-byte
    // entries: error register at +61, hours at +88, as two makers' manuals print them).
    let with_log = |hours, rows: &[Row]| {
        let mut replies = disk(hours, rows);
        replies.push((Question::AtaLog(1), ERRORS.to_vec()));
        read(replies)
    };
    let now = with_log(28_202, &[]);
    let signal = now
        .signals
        .iter()
        .find(|s| s.id == SignalId::ReadsGivenUp)
        .unwrap();
    assert_eq!(signal.weight, Weight::Decides);
    assert_eq!(signal.source, "ATA log 01h");
    assert!(
        signal.says.contains("within the last day of power"),
        "{}",
        signal.says
    );
    let (f, d) = judged(&now);
    assert_eq!(d.route, Route::Salvage);
    assert!(d.reasons[0].contains("error log"), "{d:?}");
    assert!(f.moved_by.contains(&SignalId::ReadsGivenUp));
    // With a count beside it, both are told, and the route is the same.
    let counted = with_log(28_202, &[(187, count(3))]);
    assert_eq!(says(&counted, SignalId::ReadsGivenUp).len(), 2);
    assert_eq!(judged(&counted).1.route, Route::Salvage);
    // Four years of power later it is one sentence.
    let old = with_log(63_200, &[]);
    assert_eq!(
        says(&old, SignalId::ReadsGivenUp)[0].0,
        Weight::ForTheRecord
    );
    let (_, d) = judged(&old);
    assert_eq!(d.route, Route::Ordinary, "{d:?}");
    assert_eq!(d.remarks.len(), 1, "{d:?}");
}

#[test]
fn an_unread_block_in_the_nvme_error_log_is_heard() {
    // Status 281h, "unrecovered read error": type 2, code 81h (the kernel's own name for it: BLK_STS_MEDIUM).
    let mut replies = nvme(0);
    replies.push((Question::NvmeLog(1), NVME_ERRORS.to_vec()));
    let reading = read(replies);
    let heard = says(&reading, SignalId::ReadsGivenUp);
    assert_eq!(heard.len(), 1);
    assert_eq!(heard[0].0, Weight::Decides);
    let (f, d) = judged(&reading);
    assert_eq!(d.route, Route::Salvage, "{d:?}");
    assert!(f.moved_by.contains(&SignalId::DataLostInside));
    let quiet = judged(&read(nvme(0))).1;
    assert_eq!(quiet.route, Route::Ordinary);
    assert_eq!(
        quiet.reasons,
        ["no media errors now, and no weighty signal"]
    );
}

#[test]
fn data_lost_inside_is_never_called_no_weighty_signal() {
    for (lost, route) in [(1, Route::Ordinary), (10, Route::Gentle)] {
        let reading = read(nvme(lost));
        let (_, d) = judged(&reading);
        assert!(d.route >= route, "{d:?}");
        assert!(!d.reasons[0].contains("no weighty signal"), "{d:?}");
        let about = if d.route == Route::Ordinary {
            "signals that weigh"
        } else {
            "could not deliver intact data"
        };
        assert!(d.reasons.iter().any(|r| r.contains(about)), "{d:?}");
    }
}

#[test]
fn failed_starts_as_a_vendor_value_carry_their_factor() {
    // Relative risk 1 / 3 / 15: engineering judgement, the row shared with commands overdue.
    let reading = read(disk(3_000, &[(10, count(3))]));
    let signal = reading
        .signals
        .iter()
        .find(|s| s.id == SignalId::StartsFailed)
        .unwrap();
    assert_eq!(
        (signal.says.as_str(), signal.source.as_str()),
        ("the motor failed to start 3 times", "vendor value 10")
    );
    let (f, _) = judged(&reading);
    assert!(f.moved_by.contains(&SignalId::StartsFailed));
    assert!(
        explain(&f)
            .iter()
            .any(|line| line.contains("m = 1 / 3 / 15"))
    );
    // Both of one row: both named, one factor.
    let both = read(disk(3_000, &[(10, count(3)), (188, count(2))]));
    let rows = explain(&judged(&both).0);
    let row: Vec<&String> = rows
        .iter()
        .filter(|l| l.contains("m = 1 / 3 / 15"))
        .collect();
    assert_eq!(row.len(), 1);
    assert!(
        row[0].contains("2 commands") && row[0].contains("start 3 times"),
        "{row:?}"
    );
}

#[test]
fn attempts_to_replace_sectors_are_heard() {
    // Any of 5, 187, 196, 197 and 198 above zero: copy first.
    let reading = read(disk(3_000, &[(196, count(7))]));
    let want = (
        Weight::Weighs,
        "7 attempts to replace sectors by spares".to_owned(),
    );
    assert_eq!(says(&reading, SignalId::SectorsRemapped), [want]);
    assert_eq!(reading.evidence.sectors_remapped, Some(0));
    // As many attempts as replaced sectors add nothing.
    let reading = read(disk(3_000, &[(5, count(7)), (196, count(7))]));
    assert_eq!(says(&reading, SignalId::SectorsRemapped).len(), 1);
}

#[test]
fn bytes_that_widen_the_range_are_seen() {
    // All ones: absent (captured drives). Unknown is told, widens, and is not called "none".
    for (id, signal, about) in [
        (5, SignalId::SectorsRemapped, "replaced by spares"),
        (197, SignalId::SectorsAwaiting, "wait to be remapped"),
    ] {
        let reading = read(disk(3_000, &[(id, [0xff; 6])]));
        let heard = says(&reading, signal);
        assert_eq!(heard.len(), 1);
        assert!(heard[0].1.contains(about) && heard[0].1.contains("all ones"));
        let (f, d) = judged(&reading);
        assert!(f.drive_lost.high > judged(&read(disk(3_000, &[]))).0.drive_lost.high);
        assert!(!d.reasons[0].contains("no media errors now"), "{d:?}");
    }
    // Not there at all: told as well.
    let mut replies = disk(3_000, &[]);
    let page = &mut replies[1].1;
    for slot in 0..30 {
        if page[2 + slot * 12] == 197 {
            page[2 + slot * 12..14 + slot * 12].fill(0);
        }
    }
    page[511] = 0;
    page[511] = 0u8.wrapping_sub(page.iter().fold(0u8, |sum, b| sum.wrapping_add(*b)));
    let heard = says(&read(replies), SignalId::SectorsAwaiting);
    assert_eq!(
        heard,
        [(
            Weight::Weighs,
            "how many sectors wait to be remapped is not told".to_owned()
        )]
    );
}

#[test]
fn a_cards_steps_are_no_percentages() {
    // 0Ah = 90 to 100 %, 0Bh = beyond the rated life (JESD84-B51, 7.4, from memory).
    let card = |life: &str| {
        read(vec![
            (Question::MmcLifeTime, life.as_bytes().to_vec()),
            (Question::MmcPreEol, b"0x01".to_vec()),
        ])
    };
    let last = card("0x0a 0x02");
    let heard = says(&last, SignalId::EnduranceSpent);
    assert_eq!(
        heard,
        [(
            Weight::ForTheRecord,
            "90 to 100 % of the rated writing is spent".to_owned()
        )]
    );
    let (f, _) = judged(&last);
    assert!(f.moved_by.is_empty(), "{:?}", f.moved_by);
    let beyond = card("0x0b 0x02");
    let (f, d) = judged(&beyond);
    assert_eq!(f.moved_by, [SignalId::EnduranceSpent]);
    let lines = explain(&f);
    assert!(lines.iter().any(|l| l.contains("m = 5 / 20 / 60")));
    assert!(!lines.iter().any(|l| l.contains("100 to 149")));
    assert!(!d.reasons[0].contains("no weighty signal"), "{d:?}");
}

#[test]
fn the_total_capacity_stands_in_for_a_missing_namespace() {
    // TNVMCAP, bytes 280 to 295 of Identify Controller.
    let reading = read(nvme(0));
    let total = u128::from_le_bytes(CONTROLLER[280..296].try_into().unwrap());
    assert_eq!(reading.drive.bytes.get().map(u128::from), Some(total));
}

proptest! {
    #![proptest_config(ProptestConfig { failure_persistence: None, ..ProptestConfig::default() })]

    #[test]
    fn the_route_never_contradicts_the_signals(
        rows in proptest::collection::vec(
            (
                proptest::sample::select(vec![1u8, 5, 9, 10, 187, 188, 194, 196, 197, 198, 199, 200]),
                prop_oneof![Just([0u8; 6]), Just([0xff; 6]), (0u32..300).prop_map(count), any::<[u8; 6]>()],
            ),
            0..6,
        ),
        hours in 0u32..70_000,
        log in any::<bool>(),
        solid in any::<bool>(),
        lost in any::<u8>(),
    ) {
        let mut replies = if solid { nvme(lost) } else { disk(hours, &rows) };
        if log {
            replies.push(if solid {
                (Question::NvmeLog(1), NVME_ERRORS.to_vec())
            } else {
                (Question::AtaLog(1), ERRORS.to_vec())
            });
        }
        let reading = read(replies);
        let (f, d) = judged(&reading);
        let weight = reading.signals.iter().map(|s| s.weight).max();
        if weight == Some(Weight::Decides) {
            prop_assert!(d.route > Route::Ordinary, "{:?} {:?}", d, reading.signals);
        }
        if d.reasons.iter().any(|r| r.contains("no weighty signal")) {
            prop_assert!(weight <= Some(Weight::ForTheRecord), "{:?}", reading.signals);
        }
        // What moves the forecast is told in one way or another.
        for moved in &f.moved_by {
            let told = reading.signals.iter().any(|s| {
                s.id == *moved
                    || (*moved == SignalId::HealthUnread && s.says.contains("not told"))
                    || (*moved == SignalId::HealthUnread && s.says.contains("cannot be made out"))
                    || (*moved == SignalId::DataLostInside && s.id == SignalId::ReadsGivenUp)
                    || (*moved == SignalId::ReadsGivenUp && s.id == SignalId::ScanUnreadable)
            });
            prop_assert!(told, "{:?} moved the forecast: {:?}", moved, reading.signals);
        }
    }
}
