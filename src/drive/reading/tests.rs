//! Whole readings out of recorded replies: the sample pages of every family, and damage.

use super::*;
use crate::drive::identity::Medium;
use crate::drive::question::{Question, Reply};
use crate::drive::signal::{SignalId, Weight};
use crate::value::Known;

pub(super) const IDENTIFY: &[u8] = include_bytes!("../../../tests/fixtures/pages/ata-identify.bin");
const SMART: &[u8] = include_bytes!("../../../tests/fixtures/pages/ata-smart-data.bin");
const LIMITS: &[u8] = include_bytes!("../../../tests/fixtures/pages/ata-smart-thresholds.bin");
const ERRORS: &[u8] = include_bytes!("../../../tests/fixtures/pages/ata-summary-error-log.bin");
const TESTS: &[u8] = include_bytes!("../../../tests/fixtures/pages/ata-selftest-log.bin");
const STAT1: &[u8] = include_bytes!("../../../tests/fixtures/pages/ata-devstat-01.bin");
const STAT5: &[u8] = include_bytes!("../../../tests/fixtures/pages/ata-devstat-05.bin");
const CONTROLLER: &[u8] =
    include_bytes!("../../../tests/fixtures/pages/nvme-identify-controller.bin");
pub(super) const WORN: &[u8] = include_bytes!("../../../tests/fixtures/pages/nvme-log02-worn.bin");
const EXTREME: &[u8] = include_bytes!("../../../tests/fixtures/pages/nvme-log02-extreme.bin");
const NVME_TESTS: &[u8] = include_bytes!("../../../tests/fixtures/pages/nvme-log06.bin");

pub(super) struct Recorded(pub(super) Replies);

impl Transport for Recorded {
    fn ask(&mut self, question: Question) -> Reply {
        self.0.get(question).clone()
    }
    fn says(&self) -> String {
        "recorded replies".into()
    }
}

pub(super) fn at(hour: i64) -> Moment {
    Moment::from_seconds(1_764_072_000 + hour * 3_600)
}

pub(super) fn read(replies: &[(Question, &[u8])]) -> Reading {
    read_at(at(0), replies)
}

fn read_at(at: Moment, replies: &[(Question, &[u8])]) -> Reading {
    let mut all = Replies::default();
    for (question, bytes) in replies {
        all.put(*question, Reply::Bytes(bytes.to_vec()));
    }
    Reading::take(&mut Recorded(all), at, &Hint::recorded())
}

pub(super) fn find(reading: &Reading, id: SignalId) -> Option<&Signal> {
    reading.signals.iter().find(|s| s.id == id)
}

/// A READ DATA page with these attributes (id, flags, current, worst, raw) and a sound checksum.
pub(super) fn smart(rows: &[(u8, u16, u8, u8, [u8; 6])]) -> Vec<u8> {
    let mut page = vec![0u8; 512];
    page[0] = 1;
    for (slot, (id, flags, current, worst, raw)) in rows.iter().enumerate() {
        let row = &mut page[2 + slot * 12..14 + slot * 12];
        row[0] = *id;
        row[1..3].copy_from_slice(&flags.to_le_bytes());
        row[3] = *current;
        row[4] = *worst;
        row[5..11].copy_from_slice(raw);
    }
    seal(&mut page);
    page
}

pub(super) fn limits(rows: &[(u8, u8)]) -> Vec<u8> {
    let mut page = vec![0u8; 512];
    page[0] = 1;
    for (slot, (id, limit)) in rows.iter().enumerate() {
        page[2 + slot * 12] = *id;
        page[3 + slot * 12] = *limit;
    }
    seal(&mut page);
    page
}

pub(super) fn seal(page: &mut [u8]) {
    page[511] = 0;
    let sum = page.iter().fold(0u8, |sum, b| sum.wrapping_add(*b));
    page[511] = 0u8.wrapping_sub(sum);
}

/// A statistics page with these supported and valid values.
fn statistics(number: u8, values: &[(usize, u64)]) -> Vec<u8> {
    let mut page = vec![0u8; 512];
    page[0] = 1;
    page[2] = number;
    for (at, value) in values {
        page[*at..at + 8].copy_from_slice(&(0xc0 << 56 | value).to_le_bytes());
    }
    page
}

pub(super) fn raw(count: u32) -> [u8; 6] {
    let [a, b, c, d] = count.to_le_bytes();
    [a, b, c, d, 0, 0]
}

#[test]
fn the_sample_disk_comes_out_whole() {
    let r = read(&[
        (Question::AtaIdentify, IDENTIFY),
        (Question::AtaSmartData, SMART),
        (Question::AtaSmartThresholds, LIMITS),
        (Question::AtaSmartStatus, &[0x4f, 0xc2]),
        (Question::AtaLog(1), ERRORS),
        (Question::AtaLog(6), TESTS),
        (Question::AtaGpl(4, 1), STAT1),
        (Question::AtaGpl(4, 5), STAT5),
    ]);
    assert!(r.readable);
    assert_eq!(r.drive.medium, Medium::Disk);
    assert_eq!(r.drive.bytes, Known::Value(1_000_204_886_016));
    let d = &r.decoded.values;
    assert_eq!(d["model"], "EXAMPLE SATA 1TB");
    assert_eq!(d["serial"], "SYNTH-0002");
    assert_eq!(d["firmware"], "AB12");
    assert_eq!(d["capacity_sectors"], 1_953_525_168u64);
    assert_eq!(d["status"], "no-limit-crossed");
    assert_eq!(d["attributes"].as_array().unwrap().len(), 19);
    assert_eq!(d["attributes"][5]["raw"], "2a6e0000d112");
    assert_eq!(d["checksums_ok"]["identify"], true);
    let e = &r.evidence;
    assert_eq!(e.sectors_awaiting, Some(392));
    assert_eq!(e.sectors_remapped, Some(2_584));
    assert_eq!(e.reads_given_up, Some(154));
    assert_eq!(e.powered_hours, Some(28_202.0));
    assert_eq!(e.limit_crossed, Some(false));
    assert_eq!(e.celsius, Some(41.0));
    assert_eq!(e.error_age_days, Some(0.0));
    assert!(e.self_test_read_failed);
    assert_eq!(
        find(&r, SignalId::SelfTestFound).unwrap().says,
        "last self-test: stopped at sector 10597059, unreadable"
    );
    let waiting = find(&r, SignalId::SectorsAwaiting).unwrap();
    assert_eq!(waiting.says, "392 sectors wait to be remapped");
    assert_eq!(
        (waiting.weight, waiting.source.as_str()),
        (Weight::Decides, "vendor value 197")
    );
    // Id 190 passed its limit once and is no pre-failure value: a note, not an alarm.
    let once = find(&r, SignalId::DrivePredictsFailure).unwrap();
    assert_eq!(once.weight, Weight::ForTheRecord);
    assert!(once.says.starts_with("A limit was crossed once, not now."));
}

#[test]
fn the_worn_nvme_drive_comes_out_whole() {
    let r = read(&[
        (Question::NvmeIdentifyController, CONTROLLER),
        (Question::NvmeLog(2), WORN),
        (Question::NvmeLog(6), NVME_TESTS),
    ]);
    assert!(r.readable);
    assert_eq!(r.drive.medium, Medium::Nvme);
    let e = &r.evidence;
    assert_eq!(e.spare, Some((7, 10)));
    assert!(e.spare_short && e.reliability_reduced && !e.writes_refused);
    assert_eq!(e.endurance_spent, Some(104));
    assert_eq!(e.data_lost_inside, Some(23));
    assert_eq!(e.celsius, Some(45.0));
    assert!(e.self_test_read_failed);
    assert_eq!(e.error_age_days, Some(3.0 / 24.0));
    for (id, says) in [
        (
            SignalId::SpareLeft,
            "7 % of the spare area is left; the drive's limit is 10 %",
        ),
        (
            SignalId::EnduranceSpent,
            "104 % of the rated writing is spent",
        ),
        (
            SignalId::DataLostInside,
            "23 times the drive could not deliver intact data",
        ),
        (SignalId::HeatNow, "45 °C, maker's limit 80"),
        (SignalId::HeatSlowed, "slowed itself for heat 13 times"),
        (SignalId::PowerCut, "lost power unannounced 187 times"),
    ] {
        assert_eq!(find(&r, id).unwrap().says, says);
    }
    assert_eq!(r.decoded.values["media_errors"], "23");
    assert_eq!(r.decoded.values["nsze"], Value::Null);
    assert_eq!(r.decoded.why["nsze"], "not reported");
}

#[test]
fn the_drives_own_counters_tell_whether_it_was_used() {
    let nvme = read(&[(Question::NvmeLog(2), WORN)]).counters();
    assert_eq!(nvme.power_cycles.unwrap().0, 2_411);
    assert_eq!(
        (nvme.written.unwrap().0, nvme.written_in.as_str()),
        (88_211_094, "data units")
    );
    let disk = [
        (Question::AtaSmartData, SMART),
        (Question::AtaGpl(4, 1), STAT1),
    ];
    let by_statistics = read(&disk).counters();
    assert_eq!(by_statistics.written.unwrap().0, 42_149_282_791);
    let by_vendor = read(&disk[..1]).counters();
    assert_eq!(by_vendor.written_in, "vendor units");
    assert_eq!(by_vendor.power_cycles, by_statistics.power_cycles);
    assert!(
        by_vendor.moved_since(&by_statistics).is_empty(),
        "units differ"
    );
    let mut later = nvme.clone();
    later.power_cycles = Some(crate::value::Counter128(2_412));
    assert_eq!(
        later.moved_since(&nvme),
        ["power cycles: 2411 then, 2412 now"]
    );
}

#[test]
fn impossible_hours_are_decoded_but_not_claimed() {
    let r = read(&[(Question::NvmeLog(2), EXTREME)]);
    assert_eq!(r.decoded.values["power_on_hours"], "4294967297");
    assert_eq!(r.evidence.powered_hours, None);
    assert!(r.evidence.writes_refused);
    assert_eq!(
        find(&r, SignalId::WritesRefused).unwrap().weight,
        Weight::Decides
    );
}

#[test]
fn an_emulated_nvme_with_zero_spare_is_no_failing_one() {
    // QEMU 7.2: 323 K, spare 0 of 0, percentage 0, power cycles 0.
    let mut log = vec![0u8; 512];
    log[1..3].copy_from_slice(&0x143u16.to_le_bytes());
    log[48] = 9;
    let r = read(&[
        (Question::NvmeIdentifyController, CONTROLLER),
        (Question::NvmeLog(2), &log),
    ]);
    assert!(r.readable);
    assert_eq!(r.evidence.spare, None);
    assert!(
        r.signals.iter().all(|s| s.weight == Weight::ForTheRecord),
        "{:?}",
        r.signals
    );
    log[0] = 0x08;
    let r = read(&[(Question::NvmeLog(2), &log)]);
    assert!(r.evidence.writes_refused);
}

#[test]
fn standard_statistics_come_before_vendor_values() {
    let data = smart(&[(5, 0x33, 100, 100, raw(9)), (197, 0x12, 100, 100, raw(4))]);
    let page = statistics(3, &[(0x20, 2), (0x28, 7), (0x38, 0), (0x30, 1)]);
    let errors = statistics(4, &[(0x08, 3)]);
    let r = read(&[
        (Question::AtaSmartData, &data),
        (Question::AtaGpl(4, 3), &page),
        (Question::AtaGpl(4, 4), &errors),
    ]);
    assert_eq!(r.drive.medium, Medium::Disk);
    assert_eq!(r.evidence.sectors_remapped, Some(2));
    assert_eq!(r.evidence.sectors_awaiting, Some(0));
    assert_eq!(r.evidence.reads_given_up, Some(3));
    assert_eq!(r.evidence.starts_failed, Some(1));
    let told = find(&r, SignalId::SectorsAwaiting).unwrap();
    assert_eq!((told.weight, told.value), (Weight::Weighs, Some(4.0)));
    let source = &find(&r, SignalId::SectorsRemapped).unwrap().source;
    assert_eq!(source, "device statistics page 03h, byte 20h");
}

#[test]
fn an_elderly_disk_with_few_old_marks_raises_no_alarm() {
    let data = smart(&[
        (5, 0x33, 100, 100, raw(8)),
        (9, 0x32, 70, 70, raw(41_000)),
        (187, 0x32, 98, 98, raw(2)),
        (197, 0x12, 100, 100, raw(0)),
        (198, 0x10, 100, 100, raw(0)),
        (199, 0x3e, 200, 199, raw(17)),
    ]);
    let old = read_at(
        at(0),
        &[
            (Question::AtaSmartData, &data),
            (Question::AtaSmartStatus, &[0x4f, 0xc2]),
        ],
    );
    assert!(!old.signals.is_empty());
    assert!(
        old.signals.iter().all(|s| s.weight == Weight::ForTheRecord),
        "{:?}",
        old.signals
    );
}

#[test]
fn growth_is_a_signal_of_its_own() {
    let page = |waiting, remapped| {
        smart(&[
            (5, 0x33, 100, 100, raw(remapped)),
            (9, 0x32, 70, 70, raw(41_000)),
            (197, 0x12, 100, 100, raw(waiting)),
        ])
    };
    let (before, now) = (page(4, 8), page(2, 10));
    let before = read_at(
        at(0),
        &[
            (Question::AtaIdentify, IDENTIFY),
            (Question::AtaSmartData, &before),
        ],
    );
    let now = read_at(
        at(2),
        &[
            (Question::AtaIdentify, IDENTIFY),
            (Question::AtaSmartData, &now),
        ],
    );
    let grown = now.clone().since(&before);
    assert_eq!(grown.evidence.growth.sectors_awaiting, Some(0));
    assert_eq!(grown.evidence.growth.sectors_remapped, Some(2));
    assert_eq!(grown.evidence.growth.hours, Some(2.0));
    let worse = find(&grown, SignalId::Worsening).unwrap();
    assert_eq!(worse.weight, Weight::Decides);
    assert!(
        worse
            .says
            .ends_with("grew by 2 since the reading at 2025-11-25T12:00:00Z")
    );
    let remapped = find(&grown, SignalId::SectorsRemapped).unwrap();
    assert_eq!(
        (remapped.before, remapped.before_at),
        (Some(8.0), Some(at(0)))
    );
    // A reading of another drive, or one from later, says nothing about growth.
    let mut other = before.clone();
    other.drive.serial = Known::Value("ANOTHER".into());
    assert_eq!(now.clone().since(&other), now);
    assert_eq!(before.clone().since(&now), before);
}

#[test]
fn a_locked_drive_says_so_first() {
    let mut identify = IDENTIFY.to_vec();
    identify[256] = 0x07;
    seal(&mut identify);
    let r = read(&[
        (Question::AtaIdentify, &identify),
        (Question::AtaSmartData, SMART),
        (Question::AtaSmartThresholds, LIMITS),
    ]);
    assert_eq!(r.signals[0].id, SignalId::DataLocked);
}

#[test]
fn a_solid_state_drive_counts_lost_data() {
    let mut identify = IDENTIFY.to_vec();
    identify[434..436].copy_from_slice(&1u16.to_le_bytes());
    seal(&mut identify);
    let wear = statistics(7, &[(8, 104)]);
    let errors = statistics(4, &[(0x08, 3)]);
    let r = read(&[
        (Question::AtaIdentify, &identify),
        (Question::AtaGpl(4, 7), &wear),
        (Question::AtaGpl(4, 4), &errors),
    ]);
    assert_eq!(r.drive.medium, Medium::Ssd);
    assert_eq!(r.evidence.data_lost_inside, Some(3));
    assert_eq!(r.evidence.endurance_spent, Some(104));
}

#[test]
fn a_card_by_its_sysfs_texts() {
    let r = read(&[
        (Question::MmcLifeTime, b"0x03 0x0b\n"),
        (Question::MmcPreEol, b"0x03\n"),
    ]);
    assert_eq!(r.drive.medium, Medium::Card);
    assert!(r.readable && r.evidence.spare_short);
    assert_eq!(r.evidence.endurance_spent, Some(110));
    assert_eq!(r.evidence.pre_end_of_life, Some(3));
    let old = read(&[
        (Question::MmcLifeTime, b"0x00 0x00\n"),
        (Question::MmcPreEol, b"0x00\n"),
    ]);
    assert!(!old.readable);
}

#[test]
fn nothing_answered_is_unread_and_never_fine() {
    let r = read(&[]);
    assert!(!r.readable);
    assert_eq!(r.signals.len(), 1);
    assert_eq!(r.signals[0].id, SignalId::HealthUnread);
    assert_eq!(r.decoded.values["model"], Value::Null);
    let mut refused = Replies::default();
    for question in [
        Question::AtaIdentify,
        Question::AtaSmartData,
        Question::ScsiLog(0),
    ] {
        refused.put(question, Reply::Unread("sense 05/20/00".into()));
    }
    let r = Reading::take(&mut Recorded(refused), at(0), &Hint::default());
    assert!(!r.readable);
    assert!(r.why_not.unwrap().contains("sense 05/20/00"));
    assert_eq!(r.evidence, Evidence::default());
}

#[test]
fn damaged_pages_are_unread_but_their_bad_news_stays() {
    let mut data = smart(&[(5, 0x33, 100, 100, raw(0)), (197, 0x12, 100, 100, raw(12))]);
    data[400] ^= 1;
    let r = read(&[
        (Question::AtaIdentify, IDENTIFY),
        (Question::AtaSmartData, &data),
    ]);
    assert!(!r.readable);
    assert_eq!(r.decoded.values["attributes"][1]["raw"], "0c0000000000");
    assert_eq!(r.decoded.values["smart_data_checksum_ok"], false);
    assert_eq!(
        r.evidence.sectors_remapped, None,
        "a zero on a damaged page"
    );
    assert_eq!(r.evidence.sectors_awaiting, Some(12));
    for bytes in [vec![0u8; 512], vec![0xff; 512], SMART[..200].to_vec()] {
        let r = read(&[
            (Question::AtaIdentify, IDENTIFY),
            (Question::AtaSmartData, &bytes),
        ]);
        assert!(!r.readable);
        assert!(find(&r, SignalId::HealthUnread).is_some());
        let r = read(&[(Question::NvmeLog(2), &bytes)]);
        assert!(!r.readable && r.evidence.spare.is_none());
    }
    let r = read(&[(Question::NvmeLog(2), &WORN[..300])]);
    assert!(!r.readable, "an incomplete page vouches for nothing");
    assert!(r.evidence.reliability_reduced);
}

#[test]
fn an_adapter_that_answers_for_itself_is_found_out() {
    let mut all = Replies::default();
    all.put(Question::AtaIdentify, Reply::Bytes(IDENTIFY.to_vec()));
    all.put(Question::AtaSmartData, Reply::Bytes(SMART.to_vec()));
    let hint = Hint {
        bytes: Some(4_000_787_030_016),
        ..Hint::default()
    };
    let r = Reading::take(&mut Recorded(all), at(0), &hint);
    assert!(!r.readable);
    assert!(r.why_not.unwrap().contains("answers for itself"));
}

#[test]
fn other_namespaces_are_named() {
    let mut namespace = vec![0u8; 4096];
    namespace[0..8].copy_from_slice(&500_000_000u64.to_le_bytes());
    namespace[130] = 9;
    let r = read(&[
        (Question::NvmeIdentifyController, CONTROLLER),
        (Question::NvmeIdentifyNamespace, &namespace),
    ]);
    assert_eq!(
        r.notes,
        ["256 GB lie in other namespaces, which this reading does not see"]
    );
    assert_eq!(r.drive.bytes, Known::Value(256_000_000_000));
}

#[test]
fn what_lies_behind_a_protected_area_is_told() {
    // ACS-2, READ NATIVE MAX ADDRESS EXT: the last address. The sample has 1,953,525,168 sectors.
    let last = |sectors: u64| (sectors - 1).to_le_bytes()[..6].to_vec();
    let all = read(&[
        (Question::AtaIdentify, IDENTIFY),
        (Question::AtaNativeMax, &last(1_953_525_168)),
    ]);
    assert_eq!((all.hidden(), all.notes), (None, vec![]));
    let less = read(&[
        (Question::AtaIdentify, IDENTIFY),
        (Question::AtaNativeMax, &last(1_953_525_168 + 20_000_000)),
    ]);
    assert_eq!(
        less.hidden().unwrap().says,
        "10.2 GB at its end are kept out of reach by a protected area"
    );
}

#[test]
fn a_second_namespace_is_told_by_the_list() {
    // NVMe Base 1.4, Identify, CNS 02h: numbers of four bytes, up to the first zero.
    let mut list = vec![0u8; 4096];
    list[0] = 1;
    let alone = read(&[(Question::NvmeActiveNamespaces, &list)]);
    assert_eq!(alone.hidden(), None);
    list[4] = 2;
    let two = read(&[(Question::NvmeActiveNamespaces, &list)]);
    assert_eq!(two.hidden().unwrap().namespaces, Some(2));
}

#[test]
fn slowing_reads_weigh_below_half_their_pace() {
    let worn = read(&[(Question::NvmeLog(2), WORN)]);
    let slow = worn.clone().with_pace(0.41);
    let signal = find(&slow, SignalId::ReadsSlowing).unwrap();
    assert_eq!(
        (signal.says.as_str(), signal.weight),
        ("reads at 41 % of its own earlier pace", Weight::Weighs)
    );
    assert_eq!(slow.evidence.speed_share, Some(0.41));
    assert!(find(&worn.clone().with_pace(0.97), SignalId::ReadsSlowing).is_none());
    assert_eq!(worn.clone().with_pace(f64::NAN), worn);
}

#[test]
fn a_stored_reading_decodes_to_the_same() {
    let r = read(&[
        (Question::AtaIdentify, IDENTIFY),
        (Question::AtaSmartData, SMART),
        (Question::AtaSmartThresholds, LIMITS),
    ]);
    let text = serde_json::to_string(&r.stored()).unwrap();
    let back: StoredReading = serde_json::from_str(&text).unwrap();
    assert_eq!(back.decode(), r);
    let report = serde_json::to_value(r.report()).unwrap();
    for (name, value) in report["decoded"].as_object().unwrap() {
        assert!(
            !value.is_null() || report["decoded_why"].get(name).is_some(),
            "{name} has no reason"
        );
    }
}

/// A SCSI log page with one parameter.
fn scsi_log(page: u8, code: u16, value: &[u8]) -> Vec<u8> {
    let mut bytes = vec![page, 0, 0, 4 + value.len() as u8];
    bytes.extend(code.to_be_bytes());
    bytes.extend([3, value.len() as u8]);
    bytes.extend(value);
    bytes
}

#[test]
fn a_scsi_disk_by_its_log_pages() {
    let mut inquiry = vec![0u8, 0, 6, 2, 31, 0, 0, 0];
    inquiry.extend(b"EXAMPLE SAS DISK 4000   B007");
    let rotation = [0, 0xb1, 0, 4, 0x1c, 0x20, 0, 2];
    let errors = scsi_log(0x03, 6, &[0, 0, 0, 3]);
    let heat = scsi_log(0x0d, 0, &[0, 41]);
    let pages = |exception: &[u8]| {
        read(&[
            (Question::ScsiInquiry, &inquiry),
            (Question::ScsiVpd(0xb1), &rotation),
            (Question::ScsiLog(0x03), &errors),
            (Question::ScsiLog(0x0d), &heat),
            (Question::ScsiLog(0x2f), &scsi_log(0x2f, 0, exception)),
        ])
    };
    let r = pages(&[0x5d, 0x10, 41]);
    assert!(r.readable);
    assert_eq!(r.drive.medium, Medium::Disk);
    assert_eq!(r.drive.model, Known::Value("EXAMPLE SAS DISK 4000".into()));
    assert_eq!(r.decoded.values["firmware"], "B007");
    assert_eq!(r.evidence.limit_crossed, Some(true));
    assert_eq!(r.evidence.reads_given_up, Some(3));
    assert_eq!(r.evidence.celsius, Some(41.0));
    assert_eq!(pages(&[0, 0, 41]).evidence.limit_crossed, Some(false));
    let hot = pages(&[0x0b, 0x01, 70]);
    assert!(hot.evidence.temperature_warning);
    assert_eq!(hot.evidence.limit_crossed, Some(false));
}
