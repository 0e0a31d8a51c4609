//! A whole drive from table to files: every partition has a state, every gap a content.

use super::tool::{Drive, LUKS2, blank, hashes, have, listing, run, run_with, tree};
use holdpoint::volume::filesystem::{Limits, Place};
use holdpoint::volume::gap::{self, Budget, GapContent};
use holdpoint::volume::map::{self, AreaKind};
use holdpoint::volume::signature::{VolumeState, What, judge, probe};
use holdpoint::volume::{exfat, fat};

#[test]
fn every_partition_has_a_state_and_every_gap_a_content() {
    if !have(
        "every_partition_has_a_state_and_every_gap_a_content",
        &[
            "sgdisk",
            "mkfs.fat",
            "mcopy",
            "mkfs.exfat",
            "mke2fs",
            "mkswap",
            "cryptsetup",
        ],
    ) {
        return;
    }
    let folder = tempfile::tempdir().unwrap();
    let (disk, volume, source) = (
        folder.path().join("disk"),
        folder.path().join("volume"),
        folder.path().join("source"),
    );
    let files = tree(&source);
    let (image, single) = (disk.to_str().unwrap(), volume.to_str().unwrap());
    blank(&disk, 200 << 20);
    let parts = [
        ("1:2048:+40M", "ef00"),
        ("2:0:+16M", "0c01"),
        ("3:0:+32M", "0700"),
        ("4:0:+16M", "8300"),
        ("5:0:+8M", "8200"),
        ("6:0:+32M", "8300"),
        ("7:0:+2M", "0700"),
        ("8:0:+8M", "0700"),
    ];
    let mut arguments = Vec::new();
    for (place, kind) in &parts {
        let number = place.split(':').next().unwrap();
        arguments.extend([
            "-n".to_owned(),
            (*place).to_owned(),
            "-t".to_owned(),
            format!("{number}:{kind}"),
        ]);
    }
    arguments.push(image.to_owned());
    run(
        "sgdisk",
        &arguments.iter().map(String::as_str).collect::<Vec<_>>(),
    );
    let mut drive = Drive::load(&disk);
    let layout = map::read(&drive);
    assert_eq!(layout.partitions.len(), 8);
    let makers: [(u32, &str, &[&str]); 5] = [
        (1, "mkfs.fat", &["-F", "32", "-s", "1"]),
        (3, "mkfs.exfat", &["-c", "4K"]),
        (4, "mke2fs", &["-q", "-F", "-t", "ext4"]),
        (5, "mkswap", &[]),
        (6, "cryptsetup", &LUKS2),
    ];
    for (number, maker, arguments) in makers {
        let place = layout
            .partitions
            .iter()
            .find(|p| p.number == number)
            .unwrap()
            .place;
        let _ = std::fs::remove_file(&volume);
        blank(&volume, place.bytes);
        let mut all = arguments.to_vec();
        all.push(single);
        run_with(maker, &all, "an invented passphrase");
        if number == 1 {
            for entry in std::fs::read_dir(&source).unwrap() {
                run(
                    "mcopy",
                    &[
                        "-s",
                        "-Q",
                        "-i",
                        single,
                        entry.unwrap().path().to_str().unwrap(),
                        "::",
                    ],
                );
            }
        }
        let bytes = std::fs::read(&volume).unwrap();
        drive.bytes[place.first_byte as usize..][..bytes.len()].copy_from_slice(&bytes);
    }
    // Partition 7: text without a signature. And a lost volume behind the last partition.
    let seventh = layout
        .partitions
        .iter()
        .find(|p| p.number == 7)
        .unwrap()
        .place
        .first_byte as usize;
    drive.bytes[seventh + 4096..seventh + 4096 + 5].copy_from_slice(b"diary");
    let lost = 180usize << 20;
    drive.bytes[lost..lost + 8].copy_from_slice(b"XFSB\0\0\x10\0");

    let states: Vec<VolumeState> = layout
        .partitions
        .iter()
        .map(|p| {
            let found = probe(&drive, p.place);
            let look = found
                .hits
                .is_empty()
                .then(|| gap::look(&drive, p.place, Budget { bytes: u64::MAX }));
            judge(p.kind, p.place.bytes, &found, look.as_ref()).0
        })
        .collect();
    assert_eq!(states[0], VolumeState::Readable(What::Fat32));
    assert_eq!(
        states[1],
        VolumeState::HoldsNoUserData {
            rule: "microsoft-reserved-blank"
        }
    );
    assert_eq!(states[2], VolumeState::Readable(What::ExFat));
    assert_eq!(states[3], VolumeState::Readable(What::Ext4));
    assert_eq!(states[4], VolumeState::HoldsNoUserData { rule: "swap" });
    assert_eq!(states[5], VolumeState::Locked(What::Luks2));
    assert!(
        matches!(&states[6], VolumeState::Unrecognised { why, .. } if why.contains("512 bytes of content"))
    );
    assert_eq!(states[7], VolumeState::HoldsNoUserData { rule: "blank" });

    let (survey, items) = listing(|see| {
        fat::survey(
            &drive,
            layout.partitions[0].place,
            0,
            Limits::default(),
            see,
        )
    })
    .unwrap();
    assert_eq!(hashes(&drive, &items), files);
    assert!(survey.accounts.add_up());
    let (survey, _) = listing(|see| {
        exfat::survey(
            &drive,
            layout.partitions[2].place,
            0,
            Limits::default(),
            see,
        )
    })
    .unwrap();
    assert!(survey.accounts.add_up());

    let mut content = Vec::new();
    for area in layout
        .areas
        .iter()
        .filter(|area| area.kind == AreaKind::Gap)
    {
        let seen = gap::look(&drive, area.place(), Budget { bytes: u64::MAX });
        if seen.content() != GapContent::Blank {
            content.push(seen);
        }
    }
    assert_eq!(content.len(), 1);
    assert_eq!(
        content[0].content(),
        GapContent::Content {
            bytes: 512,
            first: lost as u64
        }
    );
    let candidate = &content[0].candidates[0];
    assert_eq!(
        (candidate.what, candidate.first_byte),
        (What::Xfs, lost as u64)
    );
    // Behind a file system that is shorter than its partition.
    let place = layout.partitions[3].place;
    assert_eq!(
        gap::behind(
            Place {
                bytes: place.bytes + 512,
                ..place
            },
            place.bytes
        )
        .map(|p| p.bytes),
        Some(512)
    );
}
