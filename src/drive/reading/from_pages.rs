//! Pages that are seldom met, byte by byte from the standards' layouts, through a whole reading.

use super::tests::{IDENTIFY, find, limits, raw, read, seal, smart};
use crate::drive::question::Question;
use crate::drive::signal::SignalId;
use crate::value::Known;

/// A page of vital product data: type, number, length in two bytes with the high one first, then the data
/// (SPC-4, 7.8, from memory).
fn vpd(number: u8, data: &[u8]) -> Vec<u8> {
    let mut page = vec![0, number];
    page.extend((data.len() as u16).to_be_bytes());
    page.extend(data);
    page
}

/// Standard INQUIRY data of a translated ATA disk: vendor at 8, product at 16, revision at 32.
fn inquiry() -> Vec<u8> {
    let mut bytes = vec![0, 0, 6, 2, 31, 0, 0, 0];
    bytes.extend(b"ATA     EXAMPLE SATA 1TBAB12");
    bytes
}

#[test]
fn designators_of_the_unit_name_the_drive_and_those_of_its_port_do_not() {
    // Designation descriptor: code set in the low nibble of 0 (1 binary, 2 ASCII), association in bits 5:4 of 1
    // (0 the unit, 1 the port), type in its low nibble (1 vendor's, 2 EUI-64, 3 NAA), length at 3.
    let port = [0x61, 0x93, 0, 8, 0x50, 0, 0, 0, 0, 0, 0, 1];
    let text = [&[0x02, 0x01, 0, 4][..], b"ATA "].concat();
    let eui = [
        0x01, 0x02, 0, 8, 0, 0x25, 0x38, 0x1a, 0xbc, 0xde, 0xf0, 0x12,
    ];
    let naa = [
        0x01, 0x03, 0, 8, 0x50, 0x0a, 0x07, 0x51, 0x12, 0x34, 0x56, 0x78,
    ];
    let named = |list: &[u8]| {
        read(&[
            (Question::ScsiInquiry, &inquiry()),
            (Question::ScsiVpd(0x83), &vpd(0x83, list)),
        ])
        .drive
        .world_wide_name
    };
    let all = [&port[..], &text, &eui, &naa].concat();
    assert_eq!(named(&all), Known::Value("500a075112345678".into()));
    let without = [&port[..], &text, &eui].concat();
    assert_eq!(named(&without), Known::Value("0025381abcdef012".into()));
    assert!(named(&[&port[..], &text].concat()).value().is_none());
    // A length beyond the page ends the list.
    assert!(named(&[0x01, 0x03, 0, 9, 0x50]).value().is_none());
}

#[test]
fn identify_inside_vital_product_data_names_the_drive_behind_an_adapter() {
    // Page 89h: 8 to 15 vendor, 16 to 31 product, 32 to 35 revision of the translation; 56 = ECh; IDENTIFY from 60.
    let mut page = vpd(0x89, &[0; 568]);
    page[8..36].copy_from_slice(b"BRIDGE  TRANSLATION     0001");
    page[56] = 0xec;
    page[60..572].copy_from_slice(IDENTIFY);
    let r = read(&[
        (Question::ScsiInquiry, &inquiry()),
        (Question::ScsiVpd(0x89), &page),
    ]);
    assert_eq!(r.drive.model, Known::Value("EXAMPLE SATA 1TB".into()));
    assert_eq!(r.drive.serial, Known::Value("SYNTH-0002".into()));
    assert_eq!(r.drive.firmware, Known::Value("AB12".into()));
    assert_eq!(r.drive.bytes, Known::Value(1_000_204_886_016));
    // An identity alone says nothing of health.
    assert!(!r.readable);
}

/// Attributes of a disk at hour 28,202 that shows no fault.
fn clean() -> Vec<u8> {
    smart(&[
        (5, 0x33, 100, 100, raw(0)),
        (9, 0x32, 70, 70, raw(28_202)),
        (187, 0x32, 100, 100, raw(0)),
        (197, 0x12, 100, 100, raw(0)),
        (198, 0x10, 100, 100, raw(0)),
    ])
}

#[test]
fn the_extended_error_log_is_heard_through_the_general_purpose_log() {
    // GPL 03h: index of the newest (from 1) in bytes 2-3; entries of 124 bytes from 4: five commands of 18
    // bytes, then error at +91, LBA 7:0, 31:24, 15:8, 39:32, 23:16, 47:40 from +94, status +101, hours +122.
    let mut log = vec![0u8; 512];
    log[0] = 1;
    log[2] = 2;
    log[500] = 2;
    let at = 4 + 124;
    log[at + 4 * 18 + 12] = 0x25;
    log[at + 91] = 0x40;
    log[at + 94..at + 100].copy_from_slice(&[0xa0, 0x2a, 0xf2, 0x01, 0x05, 0x00]);
    log[at + 101] = 0x51;
    log[at + 122..at + 124].copy_from_slice(&28_150u16.to_le_bytes());
    seal(&mut log);
    let r = read(&[
        (Question::AtaIdentify, IDENTIFY),
        (Question::AtaSmartData, &clean()),
        (Question::AtaSmartThresholds, &limits(&[(5, 36)])),
        (Question::AtaGpl(3, 0), &log),
    ]);
    let entry = &r.decoded.values["extended_error_log"]["entries_newest_first"][0];
    assert_eq!(entry["lba48"], 5_000_000_160u64);
    assert_eq!(entry["uncorrectable"], true);
    assert_eq!(entry["failing_command"], 0x25);
    let signal = find(&r, SignalId::ReadsGivenUp).unwrap();
    assert_eq!(signal.source, "ATA log 03h");
    assert!(
        signal.says.contains("the last one 2 days of power ago"),
        "{}",
        signal.says
    );
    assert_eq!(r.evidence.error_age_days, Some(52.0 / 24.0));
}

#[test]
fn the_extended_self_test_log_is_heard_before_the_short_one() {
    // GPL 07h: index of the newest in bytes 2-3; descriptors of 26 bytes from 4: test +0, status +1, hours +2,
    // checkpoint +4, failing LBA in six bytes from +5.
    let mut log = vec![0u8; 512];
    log[0] = 1;
    log[2] = 1;
    log[4] = 2;
    log[5] = 0x73;
    log[6..8].copy_from_slice(&28_178u16.to_le_bytes());
    log[8] = 9;
    log[9..15].copy_from_slice(&5_000_000_160u64.to_le_bytes()[..6]);
    seal(&mut log);
    let r = read(&[
        (Question::AtaIdentify, IDENTIFY),
        (Question::AtaSmartData, &clean()),
        (Question::AtaGpl(7, 0), &log),
    ]);
    let test = find(&r, SignalId::SelfTestFound).unwrap();
    assert_eq!(
        test.says,
        "last self-test: stopped at sector 5000000160, unreadable"
    );
    assert_eq!(test.source, "ATA log 07h");
    assert!(r.evidence.self_test_read_failed);
    assert_eq!(r.evidence.error_age_days, Some(1.0));
}
