//! An invented job for the tests of this room and for `examples/`.

use super::account::*;
use super::certificate::*;
use crate::survey::item::Class;
use crate::value::words::Who;
use crate::value::{Amount, Blake3, Counter128, Moment};

fn digest(of: &str) -> Blake3 {
    Blake3(*blake3::hash(of.as_bytes()).as_bytes())
}

fn at(text: &str) -> Moment {
    Moment::parse(text).unwrap()
}

fn class(class: Class, all: Amount, verified: Amount) -> ClassLine {
    ClassLine {
        class,
        counts: ClassTotals {
            all,
            verified,
            ..ClassTotals::default()
        },
    }
}

fn signal(id: &str, says: &str, value: u64, weighs: bool) -> SignalLine {
    SignalLine {
        id: id.to_owned(),
        says: says.to_owned(),
        value: Some(value),
        weighs,
    }
}

/// A released job with some losses.
pub fn released() -> Account {
    let mut irreplaceable = class(
        Class::Irreplaceable,
        Amount::new(18_431, 96_204_118_016),
        Amount::new(18_412, 95_318_004_736),
    );
    irreplaceable.counts.damaged = Amount::new(3, 61_201_408);
    irreplaceable.counts.unreadable = Amount::new(1, 4_194_304);
    irreplaceable.counts.placeholder = Amount::new(15, 820_717_568);
    let mut hard = class(
        Class::HardToReplace,
        Amount::new(2_117, 9_340_211_200),
        Amount::new(2_115, 9_340_194_816),
    );
    hard.counts.waived = Amount::new(2, 16_384);
    let mut rebuildable = class(
        Class::Rebuildable,
        Amount::new(214_077, 41_800_232_960),
        Amount::default(),
    );
    rebuildable.counts.left_out = rebuildable.counts.all;
    let lost = |path: &str, what, bytes, missing_bytes| LostItem {
        path: path.to_owned(),
        what,
        bytes,
        missing_bytes,
    };
    Account {
        job: "2026-0412".to_owned(),
        typed: "/media/shop-a/2026-0412".to_owned(),
        job_digest: Some(digest("job")),
        at: at("2026-11-25T13:20:00Z"),
        offset_minutes: 60,
        opened: at("2026-11-24T08:15:00Z"),
        owner: "Mira Halvorsen-Okoye".to_owned(),
        technician: "Jonas Brandl, bench 2".to_owned(),
        symptom: "none".to_owned(),
        memory: "suspect".to_owned(),
        machine: "bench".to_owned(),
        changed_answers: Vec::new(),
        policy: PolicyLine {
            name: "home".to_owned(),
            hash: digest("policy"),
            practice: false,
        },
        state: State::Released,
        used: None,
        drives: vec![DriveLine {
            model: Some("Examplar QL-500".to_owned()),
            serial: Some("QL5-7F3K-20917".to_owned()),
            firmware: Some("B2.14".to_owned()),
            bytes: Some(500_107_862_016),
            is_volume: false,
            kind: "disk".to_owned(),
            fingerprint: Some("3c9e51aa07d2f418".to_owned()),
            power_cycles: Some(Counter128(2_841)),
            bytes_written: Some(Counter128(41_231_000_000_000)),
            readings: vec![
                signal(
                    "sectors-awaiting",
                    "12 sectors wait to be remapped",
                    12,
                    true,
                ),
                signal(
                    "sectors-remapped",
                    "8 sectors already replaced by spares",
                    8,
                    true,
                ),
                signal("time-powered", "powered for 19,204 hours", 19_204, false),
            ],
            health_unread: None,
            forecast: Some((0.02, 0.09)),
            route: Some("salvage".to_owned()),
        }],
        folder: None,
        others: vec![OtherDrive {
            model: Some("Muster NV-250".to_owned()),
            serial: Some("NV2-00417".to_owned()),
            bytes: Some(250_059_350_016),
        }],
        others_unknown: None,
        destinations: vec![
            DestinationLine {
                path: "/media/shop-a/2026-0412".to_owned(),
                file_system: "ext4".to_owned(),
                independent: true,
                counts: true,
                why: "another whole disk, on another port".to_owned(),
            },
            DestinationLine {
                path: "/media/owner-stick/2026-0412".to_owned(),
                file_system: "exfat".to_owned(),
                independent: true,
                counts: true,
                why: "another whole disk; the owner takes it home".to_owned(),
            },
        ],
        people: vec![
            PersonLine {
                profile: "mira".to_owned(),
                last_used: Some(at("2026-11-20T18:00:00Z")),
                bytes: 98_771_000_000,
                photos: 16_204,
                documents: 1_877,
                mail: 2,
                newest: Some(at("2026-11-20T17:42:00Z")),
                placeholders: 15,
                efs: 0,
            },
            PersonLine {
                profile: "tomas".to_owned(),
                last_used: None,
                bytes: 6_773_000_000,
                photos: 311,
                documents: 640,
                mail: 0,
                newest: Some(at("2024-02-03T10:00:00Z")),
                placeholders: 0,
                efs: 0,
            },
        ],
        folders: vec![
            FolderLine {
                path: "Users/mira/Pictures".to_owned(),
                items: 16_190,
                bytes: 88_100_000_000,
                newest: Some(at("2026-11-16T09:00:00Z")),
            },
            FolderLine {
                path: "Users/mira/Documents".to_owned(),
                items: 1_902,
                bytes: 4_210_000_000,
                newest: Some(at("2026-11-20T17:42:00Z")),
            },
            FolderLine {
                path: "Users/tomas".to_owned(),
                items: 951,
                bytes: 6_773_000_000,
                newest: None,
            },
        ],
        classes: vec![
            irreplaceable,
            hard,
            class(
                Class::Replaceable,
                Amount::new(5_310, 22_011_904_000),
                Amount::new(5_310, 22_011_904_000),
            ),
            rebuildable,
        ],
        left_out: vec![
            LeftOut {
                rule: "our-old-programs".to_owned(),
                why: "The shop installs them again.".to_owned(),
                items: 203_118,
                bytes: 37_200_000_000,
            },
            LeftOut {
                rule: "caches".to_owned(),
                why: "Programs make these again by themselves.".to_owned(),
                items: 10_959,
                bytes: 4_600_232_960,
            },
        ],
        gone: Amount::default(),
        looked_into: Some(true),
        not_saved: NotSaved {
            at_least: false,
            places: Vec::new(),
            items: 21,
            missing_bytes: 6_307_840,
            first: vec![
                lost(
                    "Users/mira/Pictures/2019 wedding/DSC_0412.raw",
                    Lost::Damaged,
                    24_117_248,
                    65_536,
                ),
                lost(
                    "Users/mira/Pictures/2019 wedding/DSC_0413.raw",
                    Lost::Damaged,
                    24_104_960,
                    1_048_576,
                ),
                lost(
                    "Users/mira/Videos/first steps.mp4",
                    Lost::Damaged,
                    12_979_200,
                    983_040,
                ),
                lost(
                    "Users/mira/Pictures/scan 11.tif",
                    Lost::Unreadable,
                    4_194_304,
                    4_194_304,
                ),
                lost(
                    "Users/mira/Cloud/letters.docx",
                    Lost::Placeholder,
                    48_211,
                    0,
                ),
                lost(
                    "Users/mira/Documents/tax 2011.tmp",
                    Lost::Waived,
                    8_192,
                    8_192,
                ),
            ],
            by_folder: vec![
                LostFolder {
                    folder: "Users/mira/Pictures/2019 wedding".to_owned(),
                    items: 2,
                    missing_bytes: 1_114_112,
                },
                LostFolder {
                    folder: "Users/mira/Videos".to_owned(),
                    items: 1,
                    missing_bytes: 983_040,
                },
                LostFolder {
                    folder: "Users/mira/Pictures".to_owned(),
                    items: 1,
                    missing_bytes: 4_194_304,
                },
                LostFolder {
                    folder: "Users/mira/Cloud".to_owned(),
                    items: 15,
                    missing_bytes: 0,
                },
                LostFolder {
                    folder: "Users/mira/Documents".to_owned(),
                    items: 2,
                    missing_bytes: 16_384,
                },
            ],
        },
        doubtful: Doubtful {
            all: Amount::new(2, 1_310_720),
            first: vec![
                (
                    "Users/mira/Pictures/2014/IMG_0031.jpg".to_owned(),
                    1_048_576,
                ),
                ("Users/mira/Documents/lease.pdf".to_owned(), 262_144),
            ],
            by_folder: vec![
                (
                    "Users/mira/Pictures/2014".to_owned(),
                    Amount::new(1, 1_048_576),
                ),
                ("Users/mira/Documents".to_owned(), Amount::new(1, 262_144)),
            ],
            list: None,
        },
        must_haves: vec![
            MustHave {
                asked: "the wedding, 2019".to_owned(),
                found: vec!["Users/mira/Pictures/2019 wedding".to_owned()],
                answer: Answer::Found,
                reason: String::new(),
                not_whole: 0,
            },
            MustHave {
                asked: "letters from grandfather".to_owned(),
                found: Vec::new(),
                answer: Answer::NotHere,
                reason: "Looked for with the owner on the telephone; they lie on the old laptop."
                    .to_owned(),
                not_whole: 0,
            },
        ],
        waivers: vec![
            WaiverLine {
                what: "Pictures and one video with gaps or unreadable".to_owned(),
                about: "".to_owned(),
                kept: false,
                folders: 0,
                paths: vec![
                    "Users/mira/Pictures/2019 wedding/DSC_0412.raw".to_owned(),
                    "Users/mira/Videos/first steps.mp4".to_owned(),
                ],
                count: 4,
                bytes: 65_395_712,
                set_hash: digest("set one"),
                why: "Smaller versions of all four are on the telephone.".to_owned(),
                decided_by: Who::Owner,
                name: "Mira Halvorsen-Okoye".to_owned(),
                how: "signed".to_owned(),
                at: at("2026-11-25T11:02:00Z"),
                proof: Some("sheet-signed.pdf".to_owned()),
            },
            WaiverLine {
                what: "Cloud placeholders of one account".to_owned(),
                about: "placeholders".to_owned(),
                kept: false,
                folders: 0,
                paths: Vec::new(),
                count: 15,
                bytes: 820_717_568,
                set_hash: digest("set two"),
                why: "The owner signed in and saw all of them.".to_owned(),
                decided_by: Who::Owner,
                name: "Mira Halvorsen-Okoye".to_owned(),
                how: "phone".to_owned(),
                at: at("2026-11-25T11:20:00Z"),
                proof: None,
            },
            WaiverLine {
                what: "the open point \"doubtful-content\"".to_owned(),
                about: "doubtful-content".to_owned(),
                kept: true,
                paths: Vec::new(),
                count: 2,
                folders: 0,
                bytes: 1_310_720,
                set_hash: digest("set four"),
                why: "They were grey before.".to_owned(),
                decided_by: Who::Owner,
                name: "Mira Halvorsen-Okoye".to_owned(),
                how: "signed".to_owned(),
                at: at("2026-11-25T11:24:00Z"),
                proof: None,
            },
            WaiverLine {
                what: "Temporary files of a tax program".to_owned(),
                about: "".to_owned(),
                kept: false,
                folders: 0,
                paths: vec!["Users/mira/Documents/tax 2011.tmp".to_owned()],
                count: 2,
                bytes: 16_384,
                set_hash: digest("set three"),
                why: "The program makes them again.".to_owned(),
                decided_by: Who::Technician,
                name: "Jonas Brandl".to_owned(),
                how: "signed".to_owned(),
                at: at("2026-11-25T11:31:00Z"),
                proof: None,
            },
        ],
        open_points: Vec::new(),
        verifications: vec![
            Verification {
                destination: "/media/shop-a/2026-0412".to_owned(),
                method: "medium".to_owned(),
                at: at("2026-11-25T10:41:00Z"),
                items: 25_837,
                bytes: 126_670_103_552,
            },
            Verification {
                destination: "/media/owner-stick/2026-0412".to_owned(),
                method: "medium".to_owned(),
                at: at("2026-11-25T12:09:00Z"),
                items: 25_837,
                bytes: 126_670_103_552,
            },
        ],
        manifest_root: Some(digest("manifest")),
        certificate: Some(CertificateLine {
            digest: digest("certificate"),
            signed_by: Some("SHA256:q0exampleexampleexampleexampleexampleexampl".to_owned()),
            issued: at("2026-11-25T12:30:00Z"),
            expires: at("2026-11-25T16:30:00Z"),
        }),
        keep_until: Some(at("2026-12-09T00:00:00Z")),
    }
}

/// The same job before two points were settled.
pub fn on_hold() -> Account {
    let mut account = released();
    account.state = State::Hold;
    account.certificate = None;
    account.waivers.truncate(1);
    account.open_points = vec![
        PointLine {
            id: "placeholders".to_owned(),
            says: "15 items lie only in a cloud account.".to_owned(),
            lost: "820 MB that this drive does not hold".to_owned(),
            remedy: "let the owner sign in, then `holdpoint waive JOB --point placeholders`"
                .to_owned(),
            who: Who::Owner,
            count: 15,
        },
        PointLine {
            id: "other-drive".to_owned(),
            says: "Another internal drive is not part of the job.".to_owned(),
            lost: "everything on Muster NV-250".to_owned(),
            remedy: "open a job for it or take it out".to_owned(),
            who: Who::Nobody,
            count: 1,
        },
    ];
    account
}

/// A certificate for [`released`].
pub fn certificate() -> CertificateBody {
    let account = released();
    let drive = &account.drives[0];
    CertificateBody {
        version: VERSION,
        effect: Effect::Releases,
        notice: NOTICE.to_owned(),
        job: account.job.clone(),
        issued: at("2026-11-25T12:30:00Z"),
        expires: at("2026-11-25T16:30:00Z"),
        scope: Scope::Drives(vec![DriveRef {
            model: drive.model.clone().unwrap(),
            serial: drive.serial.clone().unwrap(),
            firmware: drive.firmware.clone(),
            bytes: drive.bytes.unwrap(),
            kind: drive.kind.clone(),
            fingerprint: drive.fingerprint.clone().unwrap(),
            power_cycles: drive.power_cycles,
            bytes_written: drive.bytes_written,
            counters_at: Some(at("2026-11-25T12:29:00Z")),
        }]),
        policy: PolicyRef {
            name: account.policy.name.clone(),
            blake3: account.policy.hash,
        },
        manifest_root: account.manifest_root,
        copies: vec![CopyRef {
            destination: 1,
            items: 25_837,
            bytes: 126_670_103_552,
            method: "medium".to_owned(),
            verified: at("2026-11-25T10:41:00Z"),
        }],
        waivers: vec![WaiverRef {
            what: account.waivers[0].what.clone(),
            count: 4,
            bytes: 65_395_712,
            set_blake3: account.waivers[0].set_hash,
            decided_by: "owner".to_owned(),
            how: "signed".to_owned(),
            at: account.waivers[0].at,
        }],
        answers: Vec::new(),
        evidence: Evidence {
            chain_head: digest("head"),
            items_digest: digest("rows"),
            facts: vec![FactRef {
                number: 1,
                kind: "opened".to_owned(),
                at: account.opened,
                blake3: digest("fact one"),
            }],
        },
    }
}
