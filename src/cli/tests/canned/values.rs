//! An invented job with something of everything, hostile names included.

use crate::drive::signal::{Signal, SignalId, Weight};
use crate::step::outcome::*;
use crate::survey::item::{Class, Kind, Mark};
use crate::value::{Blake3, Moment, Probability, Sha256};
use std::path::PathBuf;

/// A name that tries to act on the terminal.
pub const HOSTILE: &str = "evil\u{1b}]0;x\u{7}\u{1b}[2J\nON HOLD\u{202e}gpj.<b>txt";

pub fn job() -> PathBuf {
    PathBuf::from("/mnt/shelf-a/job-17")
}

pub fn moment() -> Moment {
    Moment::parse("2026-11-25T14:20:00Z").unwrap()
}

pub fn points() -> Vec<OpenPoint> {
    let point = |id: &str, says: &str, lost: &str, remedy: &str, who, count| OpenPoint {
        id: id.into(),
        says: says.into(),
        lost: lost.into(),
        evidence: "survey of the second volume".into(),
        remedy: remedy.into(),
        who,
        count,
    };
    vec![
        point(
            "volume-locked",
            "Volume 2 is encrypted; its key protector is 5F2A-71",
            "everything on volume 2",
            "ask the owner for the recovery key of protector 5F2A-71",
            Who::Owner,
            1,
        ),
        point(
            "item-damaged",
            &format!("3 items have gaps, the first is {HOSTILE}"),
            "parts of 3 photos",
            "holdpoint waive /mnt/shelf-a/job-17 --point item-damaged --reason TEXT --decided-by owner --how signed",
            Who::Owner,
            3,
        ),
        point(
            "copy-on-drive",
            "A copy lies on the drive on hold",
            "everything",
            "holdpoint open --drive /dev/sdb --to DIR",
            Who::Nobody,
            1,
        ),
    ]
}

pub fn opened() -> Opened {
    Opened {
        job: job().display().to_string(),
        raw: None,
        state: State::Hold,
        drives: vec![DriveOnHold {
            path: "/dev/sdb".into(),
            raw: None,
            model: Some(HOSTILE.into()),
            serial: Some("SAMPLE-0042".into()),
            firmware: None,
            bytes: Some(500_107_862_016),
            sector_bytes: Some(512),
            kind: DriveKind::Disk,
            fingerprint: None,
            hold: Hold {
                kernel_read_only: true,
                why: "Commands sent past the kernel are not covered.".into(),
            },
        }],
        others: vec![OtherDrive {
            path: "/dev/nvme0n1".into(),
            model: None,
            serial: None,
            bytes: None,
        }],
        destinations: vec![
            DestinationSeen {
                path: "/mnt/shelf-a".into(),
                raw: None,
                free_bytes: 2_000_000_000_000,
                file_system: "ext4".into(),
                independent: true,
                why: None,
            },
            DestinationSeen {
                path: "/mnt/same".into(),
                raw: Some("2f".into()),
                free_bytes: 1,
                file_system: "exfat".into(),
                independent: false,
                why: Some("it lies on the drive on hold".into()),
            },
        ],
    }
}

pub fn assessed() -> Assessed {
    let signal = |id, weight, says: &str, value: f64, unit: &str, source: &str| Signal {
        id,
        weight,
        says: says.into(),
        value: Some(value),
        unit: unit.into(),
        before: None,
        before_at: None,
        source: source.into(),
    };
    let mut awaiting = signal(
        SignalId::SectorsAwaiting,
        Weight::Weighs,
        "12 sectors wait to be remapped",
        12.0,
        "sectors",
        "Device Statistics 03h, byte 56",
    );
    awaiting.before = Some(8.0);
    awaiting.before_at = Some(moment());
    let mut decoded = serde_json::Map::new();
    decoded.insert("model".into(), "INVENTED".into());
    let p = Probability::new;
    Assessed {
        drives: vec![
            DriveAssessed {
                serial: Some("SAMPLE-0042".into()),
                reading: ReadingShown {
                    taken: moment(),
                    readable: true,
                    why_not: None,
                    decoded,
                    decoded_why: serde_json::Map::new(),
                    signals: vec![
                        signal(
                            SignalId::TimePowered,
                            Weight::ForTheRecord,
                            "powered for 14,210 hours",
                            14210.0,
                            "hours",
                            "NVMe 128",
                        ),
                        awaiting,
                        signal(
                            SignalId::DrivePredictsFailure,
                            Weight::Decides,
                            "the drive itself reports that a limit was crossed",
                            1.0,
                            "",
                            "ATA return status",
                        ),
                    ],
                },
                forecast: ForecastShown {
                    route: Route::Salvage,
                    drive_lost: ChanceRange {
                        low: p(0.02),
                        mid: p(0.04),
                        high: p(0.09),
                    },
                    files_hit: FilesHit {
                        low: p(0.3),
                        high: p(0.7),
                        expected: Some(Finite::new(3.2)),
                    },
                    hours: HoursRange {
                        low: Some(Finite::new(2.0)),
                        mid: Some(Finite::new(3.0)),
                        high: Some(Finite::new(5.5)),
                    },
                    working: vec![
                        WorkingLine {
                            factor: "route".into(),
                            value: "12 sectors wait to be remapped".into(),
                            source: "salvage".into(),
                        },
                        WorkingLine {
                            factor: "baseline hazard".into(),
                            value: "2 to 8 in 100 a year".into(),
                            source: "Pinheiro et al., FAST 2007".into(),
                        },
                        WorkingLine {
                            factor: "a clean reading is no promise".into(),
                            value: "a clean reading is no promise".into(),
                            source: "Pinheiro et al., FAST 2007".into(),
                        },
                    ],
                },
            },
            DriveAssessed {
                serial: None,
                reading: ReadingShown {
                    taken: moment(),
                    readable: false,
                    why_not: Some("the USB adapter refuses".into()),
                    decoded: serde_json::Map::new(),
                    decoded_why: serde_json::Map::new(),
                    signals: vec![],
                },
                forecast: ForecastShown {
                    route: Route::Refer,
                    drive_lost: ChanceRange {
                        low: p(0.0),
                        mid: p(0.5),
                        high: p(1.0),
                    },
                    files_hit: FilesHit {
                        low: p(0.0),
                        high: p(1.0),
                        expected: None,
                    },
                    hours: HoursRange {
                        low: None,
                        mid: None,
                        high: None,
                    },
                    working: vec![],
                },
            },
        ],
    }
}

pub fn planned(list: bool) -> Planned {
    let item = ListingItem {
        path: format!("Pictures/{HOSTILE}"),
        raw: Some("00".into()),
        volume: "disk1-2".into(),
        stream: None,
        kind: Kind::File,
        bytes: 4096,
        class: Class::Irreplaceable,
        rule: "no rule: treated as irreplaceable".into(),
        state: ItemState::Damaged,
        blake3: Some(Blake3([7; 32])),
        sha256: Some(Sha256([8; 32])),
        missing: vec![(512, 1024)],
        marks: vec![Mark::Sparse],
    };
    let volume = |index, kind: &str, label: Option<&str>, state, rule: &str| VolumeSeen {
        drive: "SAMPLE-0042".into(),
        index,
        start: 1_048_576,
        bytes: 250_000_000_000,
        kind: kind.into(),
        label: label.map(str::to_owned),
        state,
        rule: rule.into(),
    };
    let by_class = ByClass {
        irreplaceable: Amount::new(1310, 20_000_000_000),
        rebuildable: Amount::new(90_000, 30_000_000_000),
        ..ByClass::default()
    };
    Planned {
        volumes: vec![
            volume(
                1,
                "NTFS",
                Some(HOSTILE),
                VolumeState::Surveyed,
                "file table read",
            ),
            volume(
                2,
                "encrypted",
                None,
                VolumeState::Locked,
                "key protector 5F2A-71",
            ),
        ],
        gaps: vec![
            GapSeen {
                drive: "SAMPLE-0042".into(),
                start: 0,
                bytes: 1_048_576,
                content: GapContent::Blank,
            },
            GapSeen {
                drive: "SAMPLE-0042".into(),
                start: 9_000,
                bytes: 20_000_000,
                content: GapContent::Unread,
            },
        ],
        people: vec![PersonSeen {
            profile: "anna".into(),
            volume: "disk1-2".into(),
            last_used: Some(moment()),
            bytes: 20_000_000_000,
            photos: 1200,
            documents: 1,
            mail: 0,
            newest: None,
            placeholders: 40,
            efs: 1,
            redirected: vec!["Documents to D:\\Papers".into()],
        }],
        must_haves: vec![
            MustHave {
                asked: "the wedding, 2019".into(),
                found: vec![],
                answered: false,
            },
            MustHave {
                asked: "tax papers".into(),
                found: vec!["disk1-2/Tax".into()],
                answered: true,
            },
        ],
        items: 1310,
        bytes: 20_000_000_000,
        by_class,
        gone: Amount::default(),
        gone_uncopied: Amount::default(),
        left_out: vec![LeftOut {
            rule: "page-file".into(),
            items: 1,
            bytes: 8_000_000_000,
        }],
        unaccounted_bytes: 20_000_000,
        order: vec![
            OrderStep {
                class: Class::Irreplaceable,
                items: 1310,
                bytes: 20_000_000_000,
            },
            OrderStep {
                class: Class::HardToReplace,
                items: 1,
                bytes: 5,
            },
        ],
        listing: list.then(|| vec![item]),
    }
}

pub fn verified(clean: bool) -> Verified {
    let copy = |path: &str| CopyAt {
        path: path.into(),
        raw: None,
        destination: "/mnt/shelf-b".into(),
        why: "expected 4,096 bytes, found 0".into(),
    };
    Verified {
        verified: Amount::new(1307, 19_999_000_000),
        mismatched: if clean {
            vec![]
        } else {
            vec![copy("data/disk1-2/a.jpg")]
        },
        missing: if clean {
            vec![]
        } else {
            (0..12)
                .map(|n| copy(&format!("data/disk1-2/{n}")))
                .collect()
        },
        extra: vec![],
        method: if clean {
            ReadBack::Medium
        } else {
            ReadBack::CacheSuspected
        },
    }
}

pub fn released(releases: bool) -> Released {
    Released {
        state: if releases {
            State::Released
        } else {
            State::Hold
        },
        certificate: releases.then(|| "/mnt/shelf-a/job-17/release/certificate.json".into()),
        signature: if releases {
            Signature::Sshsig
        } else {
            Signature::None
        },
        manifest_root: releases.then_some(Blake3([9; 32])),
        until: releases.then(moment),
        practice: false,
        looked_into: Some(true),
    }
}
