//! Two partitions that overlap (the UEFI and the MBR rules forbid it): what the second one wrote, the first one has lost, and
//! nothing in either file system says so. The files with bytes there are named, kept, and never counted as saved.

use super::laptop::sha256;
use super::listing;
use crate::shop::{Shop, have};
use crate::volume::tool::{content, run};
use std::path::Path;

const MIB: usize = 1 << 20;

/// A FAT volume of 16 MiB with files of 1 MiB, in the order of the drive.
fn fat(folder: &Path, seed: u64, files: u64) -> (Vec<u8>, Vec<Vec<u8>>) {
    let image = folder.join(format!("fat{seed}"));
    std::fs::write(&image, vec![0; 16 * MIB]).unwrap();
    let at = image.to_str().unwrap();
    run("mkfs.fat", &["-F", "16", at]);
    let mut all = Vec::new();
    for n in 0..files {
        let bytes = content(seed * 100 + n, MIB);
        let file = folder.join(format!("F{n}.BIN"));
        std::fs::write(&file, &bytes).unwrap();
        run("mcopy", &["-i", at, file.to_str().unwrap(), "::"]);
        all.push(bytes);
    }
    (std::fs::read(&image).unwrap(), all)
}

#[test]
fn files_in_bytes_that_two_partitions_share_are_kept_and_never_called_saved() {
    let name = "files_in_bytes_that_two_partitions_share_are_kept_and_never_called_saved";
    if !have(name, &["mkfs.fat", "mcopy"]) {
        return;
    }
    let shop = Shop::new();
    let ((first, truth), (second, other)) =
        (fat(shop.dir.path(), 1, 14), fat(shop.dir.path(), 2, 6));
    let mut drive = vec![0u8; 34 * MIB];
    for (slot, (start, volume)) in [(1, &first), (13, &second)].into_iter().enumerate() {
        let entry = &mut drive[446 + slot * 16..][..16];
        entry[4] = 6;
        entry[8..12].copy_from_slice(&((start * MIB / 512) as u32).to_le_bytes());
        entry[12..16].copy_from_slice(&((16 * MIB / 512) as u32).to_le_bytes());
        drive[start * MIB..][..16 * MIB].copy_from_slice(volume);
    }
    drive[510..512].copy_from_slice(&[0x55, 0xAA]);
    let image = shop.put("drive.img", &drive);
    shop.open_drive(image.to_str().unwrap());
    shop.step(&["plan"]).ends(0);
    shop.step(&["copy"]).ends(0);
    let verified = shop.step(&["verify"]).ends(0);
    assert_eq!(
        verified.points(),
        [
            "volume-partly-surveyed",
            "volume-partly-surveyed",
            "health-unread",
            "damaged-items"
        ]
    );
    let mut doubted = Vec::new();
    for item in listing(&shop) {
        let (volume, path) = (
            item["volume"].as_str().unwrap(),
            item["path"].as_str().unwrap(),
        );
        let own = if volume == "drive1-volume1" {
            &truth
        } else {
            &other
        };
        let number: usize = path[1..path.len() - 4].parse().unwrap();
        match item["state"].as_str().unwrap() {
            "verified" => assert_eq!(item["sha256"], sha256(&own[number]), "{volume} {path}"),
            "damaged" => doubted.push(format!("data/{volume}/{path}")),
            other => panic!("{other}: {item}"),
        }
    }
    // Behind 12 MiB the first volume is the second one's first 4 MiB; files lie there on both.
    assert!(
        doubted.contains(&"data/drive1-volume1/F13.BIN".to_owned()),
        "{doubted:?}"
    );
    assert!(
        doubted.contains(&"data/drive1-volume2/F0.BIN".to_owned()),
        "{doubted:?}"
    );
    assert!((4..=9).contains(&doubted.len()), "{doubted:?}");

    // Given up by the owner, they are in the bag all the same, and named with the reason.
    shop.owner(&["--point", "damaged-items"]).ends(0);
    for volume in ["1:1", "1:2"] {
        shop.owner(&["--volume", volume]).ends(0);
    }
    shop.waive_health();
    shop.step(&["verify"]).ends(0);
    shop.step(&["release"]).ends(0);
    let bag = shop.path("copies/job/bag");
    let list = std::fs::read(bag.join("holdpoint/not-saved.json")).unwrap();
    let list: serde_json::Value = serde_json::from_slice(&list).unwrap();
    let (volumes, list): (Vec<_>, Vec<_>) = (list.as_array().unwrap().iter())
        .partition(|told| told["state"] == "volume-partly-surveyed");
    // Both volumes stand there too: how much of them is missing, nobody knows.
    assert_eq!((volumes.len(), list.len()), (2, doubted.len()));
    for path in &doubted {
        assert_eq!(
            std::fs::metadata(bag.join(path)).unwrap().len(),
            MIB as u64,
            "{path}"
        );
        let told = list.iter().find(|told| told["path"] == path.as_str());
        let told = told.unwrap_or_else(|| panic!("{path} is not named: {list:?}"));
        assert_eq!(told["state"], "waived");
        assert!(
            told["why"].as_str().unwrap().contains("lie in volume"),
            "{told}"
        );
    }
}
