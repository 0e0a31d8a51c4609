//! Partition tables written by util-linux, gdisk and the crate `gptman`.

use super::tool::{Drive, blank, have, run, run_with};
use holdpoint::volume::map::{self, AreaKind, PartitionType, Scheme};
use std::io::Cursor;

/// What util-linux reads from an image: start, length (sectors), type.
fn outside(image: &str) -> Vec<(u64, u64, String)> {
    let json: serde_json::Value = serde_json::from_str(&run("sfdisk", &["-J", image])).unwrap();
    json["partitiontable"]["partitions"]
        .as_array()
        .unwrap()
        .iter()
        .map(|p| {
            (
                p["start"].as_u64().unwrap(),
                p["size"].as_u64().unwrap(),
                p["type"].as_str().unwrap().to_uppercase(),
            )
        })
        .collect()
}

fn ours(map: &map::Map) -> Vec<(u64, u64, String)> {
    let unit = u64::from(map.table_sector_bytes);
    map.partitions
        .iter()
        .map(|p| {
            let kind = match p.kind {
                PartitionType::Mbr(kind) => format!("{kind:X}"),
                PartitionType::Gpt(kind) => kind.to_string(),
                PartitionType::None => "none".to_owned(),
            };
            (p.place.first_byte / unit, p.place.bytes / unit, kind)
        })
        .collect()
}

fn covers(map: &map::Map, bytes: u64) {
    let mut next = 0;
    for area in &map.areas {
        assert_eq!(area.first_byte, next);
        next += area.bytes;
    }
    assert_eq!(next, bytes);
}

#[test]
fn an_mbr_with_logical_partitions_agrees_with_sfdisk() {
    if !have(
        "an_mbr_with_logical_partitions_agrees_with_sfdisk",
        &["sfdisk"],
    ) {
        return;
    }
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("disk");
    blank(&path, 64 << 20);
    let image = path.to_str().unwrap();
    run_with(
        "sfdisk",
        &["-q", image],
        "label: dos\nlabel-id: 0x1234abcd\nstart=2048, size=8192, type=7, bootable\nstart=10240, size=4096, type=c\n\
         start=16384, size=98304, type=f\nstart=18432, size=8192, type=83\nstart=30720, size=8192, type=82\nstart=43008, size=20480, type=7\n",
    );
    let map = map::read(&Drive::load(&path));
    let mut wanted = outside(image);
    wanted.retain(|(_, _, kind)| kind != "F");
    assert_eq!(ours(&map), wanted);
    assert_eq!(map.disk_id.as_deref(), Some("1234abcd"));
    assert_eq!(map.scheme, Scheme::Mbr);
    assert_eq!(map.findings.list(), []);
    assert_eq!(
        map.partitions.iter().map(|p| p.number).collect::<Vec<_>>(),
        [1, 2, 5, 6, 7]
    );
    covers(&map, 64 << 20);
}

#[test]
fn a_gpt_agrees_with_sfdisk_and_gptman() {
    if !have("a_gpt_agrees_with_sfdisk_and_gptman", &["sgdisk", "sfdisk"]) {
        return;
    }
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("disk");
    blank(&path, 64 << 20);
    let image = path.to_str().unwrap();
    run(
        "sgdisk",
        &[
            "-n",
            "1:2048:+4M",
            "-t",
            "1:ef00",
            "-c",
            "1:EFI system",
            "-n",
            "2:0:+1M",
            "-t",
            "2:0c01",
            "-n",
            "5:0:+20M",
            "-t",
            "5:0700",
            "-c",
            "5:Größe ☃",
            "-A",
            "5:set:62",
            image,
        ],
    );
    let drive = Drive::load(&path);
    let map = map::read(&drive);
    assert_eq!(ours(&map), outside(image));
    assert_eq!(map.findings.list(), []);
    assert_eq!(map.scheme, Scheme::Gpt);
    let table = gptman::GPT::find_from(&mut Cursor::new(&drive.bytes)).unwrap();
    for (number, entry) in table.iter().filter(|(_, entry)| entry.is_used()) {
        let own = map.partitions.iter().find(|p| p.number == number).unwrap();
        assert_eq!(own.place.first_byte, entry.starting_lba * 512);
        assert_eq!(own.place.end(), (entry.ending_lba + 1) * 512);
        assert_eq!(own.unique.unwrap().0, entry.unique_partition_guid);
        assert_eq!(own.attributes, entry.attribute_bits);
        assert_eq!(
            own.name
                .as_ref()
                .map_or_else(String::new, |name| name.text()),
            entry.partition_name.as_str()
        );
    }
    covers(&map, 64 << 20);
}

#[test]
fn gpts_of_both_sector_sizes_by_gptman_are_read() {
    for unit in [512u64, 4096] {
        let mut disk = Cursor::new(vec![0u8; 32 << 20]);
        let mut table = gptman::GPT::new_from(&mut disk, unit, [7; 16]).unwrap();
        table[1] = gptman::GPTPartitionEntry {
            partition_type_guid: [0xAB; 16],
            unique_partition_guid: [0xCD; 16],
            starting_lba: (1 << 20) / unit,
            ending_lba: (9 << 20) / unit - 1,
            attribute_bits: 0,
            partition_name: "data".into(),
        };
        table.write_into(&mut disk).unwrap();
        for says in [512, 4096] {
            let mut drive = Drive::new(disk.get_ref().clone());
            drive.sector_bytes = says;
            let map = map::read(&drive);
            assert_eq!(map.partitions.len(), 1, "{unit} read as {says}");
            assert_eq!(
                (
                    map.partitions[0].place.first_byte,
                    map.partitions[0].place.bytes
                ),
                (1 << 20, 8 << 20)
            );
            let other = map.findings.of("table-in-other-sector-size").is_some();
            assert_eq!(other, u64::from(says) != unit);
            covers(&map, 32 << 20);
        }
    }
}

#[test]
fn a_stick_made_from_a_disc_image_and_a_bare_volume_are_one_partition() {
    if !have(
        "a_stick_made_from_a_disc_image_and_a_bare_volume_are_one_partition",
        &["mkfs.fat"],
    ) {
        return;
    }
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("disk");
    for arguments in [&["-F", "16"][..], &["-F", "12"], &["-F", "32"]] {
        blank(
            &path,
            match arguments[1] {
                "12" => 2 << 20,
                "16" => 16 << 20,
                _ => 64 << 20,
            },
        );
        // mkfs.fat writes an MBR signature and no entries; -I because there is no table.
        let mut all = vec!["-I"];
        all.extend(arguments);
        all.push(path.to_str().unwrap());
        run("mkfs.fat", &all);
        let drive = Drive::load(&path);
        let map = map::read(&drive);
        assert_eq!(map.partitions.len(), 1, "{arguments:?}");
        assert_eq!(map.partitions[0].place, drive.place());
        assert!(
            map.areas
                .iter()
                .all(|area| area.kind == AreaKind::Partition(0))
        );
    }
}
