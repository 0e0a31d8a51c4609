//! Lessons of captured drives of 2000 to 2009; the bytes they sent are quoted in each test.

use super::tests::{IDENTIFY, find, limits, raw, read, smart};
use crate::drive::question::Question;
use crate::drive::signal::{SignalId, Weight};

#[test]
fn a_pass_with_hundreds_of_waiting_sectors_is_no_good_news() {
    // A captured desktop drive passes with 63 remapped and 529 waiting sectors.
    let data = smart(&[(5, 0x33, 100, 100, raw(63)), (197, 0x12, 88, 88, raw(529))]);
    let r = read(&[
        (Question::AtaSmartData, &data),
        (Question::AtaSmartStatus, &[0x4f, 0xc2]),
    ]);
    assert_eq!(r.evidence.limit_crossed, Some(false));
    assert_eq!(r.evidence.sectors_awaiting, Some(529));
    assert_eq!(r.signals[0].id, SignalId::SectorsAwaiting);
}

#[test]
fn a_crossed_limit_counts_on_an_id_that_nobody_watches() {
    let data = smart(&[
        (5, 0x33, 100, 100, raw(0)),
        (197, 0x12, 100, 100, raw(0)),
        (203, 0x0b, 24, 24, [0x12, 0x34, 0x56, 0, 0, 0]),
    ]);
    let crossed = limits(&[(203, 24), (5, 36)]);
    let r = read(&[
        (Question::AtaSmartData, &data),
        (Question::AtaSmartThresholds, &crossed),
    ]);
    assert_eq!(
        r.evidence.limit_crossed,
        Some(true),
        "no verdict frame, own numbers"
    );
    assert_eq!(r.decoded.values["status"], "unknown");
    assert_eq!(r.decoded.why["status"], "not reported");
    let signal = find(&r, SignalId::DrivePredictsFailure).unwrap();
    assert_eq!(signal.weight, Weight::Decides);
    assert_eq!(
        signal.source,
        "vendor value 203: 24 / 24 / 24 / 123456000000"
    );
    let r = read(&[
        (Question::AtaSmartData, &data),
        (Question::AtaSmartStatus, &[0xf4, 0x2c]),
    ]);
    assert_eq!(r.decoded.values["status"], "limit-crossed");
    assert_eq!(r.evidence.limit_crossed, Some(true));
    assert_eq!(
        r.signals[0].says,
        "the drive itself reports that a limit was crossed"
    );
}

#[test]
fn a_limit_crossed_once_weighs_only_on_pre_failure_ids() {
    let data = smart(&[(10, 0x13, 100, 90, raw(0)), (194, 0x22, 60, 40, raw(40))]);
    let crossed = limits(&[(194, 45), (10, 97)]);
    let r = read(&[
        (Question::AtaSmartData, &data),
        (Question::AtaSmartThresholds, &crossed),
    ]);
    let found: Vec<(Weight, &str)> = r
        .signals
        .iter()
        .filter(|s| s.id == SignalId::DrivePredictsFailure)
        .map(|s| (s.weight, s.says.as_str()))
        .collect();
    assert_eq!(found.len(), 2);
    assert_eq!(
        found[0],
        (Weight::Weighs, "A limit was crossed once, not now.")
    );
    assert_eq!(found[1].0, Weight::ForTheRecord);
    assert_eq!(r.evidence.limit_crossed, None);
}

#[test]
fn neither_5_nor_197_means_unknown_and_not_zero() {
    let data = smart(&[
        (9, 0x32, 80, 80, raw(9_000)),
        (194, 0x22, 110, 90, [0x22, 0, 0xff, 0xff, 0x2f, 0]),
    ]);
    let r = read(&[(Question::AtaSmartData, &data)]);
    assert!(r.readable);
    assert_eq!(r.evidence.sectors_awaiting, None);
    assert_eq!(r.evidence.sectors_remapped, None);
    assert_eq!(r.evidence.limit_crossed, None);
    assert_eq!(r.evidence.celsius, Some(34.0));
    assert_eq!(r.evidence.powered_hours, Some(9_000.0));
}

#[test]
fn a_notebook_drive_that_counts_minutes_and_packs_197() {
    // 129,691 minutes are 2,161 hours; 197 holds no sector count on the same drive.
    let data = smart(&[
        (5, 0x33, 100, 100, [0, 0, 0, 0, 0xd0, 0x07]),
        (9, 0x32, 98, 98, raw(129_691)),
        (12, 0x32, 100, 100, raw(1_800)),
        (197, 0x12, 100, 100, [0x05, 0x00, 0x31, 0x02, 0, 0]),
    ]);
    let r = read(&[
        (Question::AtaIdentify, IDENTIFY),
        (Question::AtaSmartData, &data),
    ]);
    assert_eq!(r.evidence.powered_hours, None);
    assert_eq!(r.evidence.sectors_remapped, Some(0));
    assert_eq!(r.evidence.sectors_awaiting, None);
    assert!(find(&r, SignalId::TimePowered).is_none());
    let unclear = find(&r, SignalId::SectorsAwaiting).unwrap();
    assert_eq!((unclear.weight, unclear.value), (Weight::Weighs, None));
    assert!(unclear.says.contains("bytes 050031020000 as delivered"));
    assert_eq!(r.decoded.values["attributes"][1]["raw"], "9bfa01000000");
}
