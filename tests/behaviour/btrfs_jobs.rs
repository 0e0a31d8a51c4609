//! Btrfs volumes through the steps of a job: what is listed, what is open, what the copies are, and what ends a release.

use crate::hand_bench::Scratch;
use crate::linux::support::can;
use crate::volume::kernel::mount;
use crate::volume::tool::{blank, content, have, run};
use holdpoint::job::Job;
use holdpoint::ledger::Ledger;
use holdpoint::linux::FolderTree;
use holdpoint::port::{Bench, Fault, Mounted, NotMounted, Sectors, ToMount, Tree};
use holdpoint::step::event::Event;
use holdpoint::step::outcome::{
    ItemState, ListingItem, MemoryState, OpenPoint, Planned, Symptom, VolumeState,
};
use holdpoint::step::request::{
    CopyRequest, MustHaves, OpenRequest, PlanRequest, Source, VerifyRequest,
};
use std::io::Write;
use std::path::Path;
use std::sync::Arc;

/// The job up to the plan.
fn planned(scratch: &Scratch) -> (Job<'_>, Planned, Vec<OpenPoint>) {
    let request = OpenRequest {
        source: Source::Drives(vec![scratch.path("drive.img")]),
        to: vec![scratch.path("one")],
        job: Some(scratch.path("one/job")),
        policy: Some("practice".into()),
        owner: Some("Ottilie Quendel".into()),
        technician: Some("Bo".into()),
        symptom: Some(Symptom::None),
        memory: Some(MemoryState::KnownGood),
        machine: None,
        must_have: Some(MustHaves::Nothing),
        replies: None,
    };
    let create = |path: &Path| Ledger::create(path);
    let opened =
        holdpoint::step::open::open(&scratch.bench, &request, &create, &mut quiet).unwrap();
    let job = Job::open(&scratch.bench, &opened.job.unwrap()).unwrap();
    let (result, points) = plan(&job);
    (job, result, points)
}

fn plan(job: &Job<'_>) -> (Planned, Vec<OpenPoint>) {
    let request = PlanRequest {
        job: job.dir.clone(),
        list: true,
    };
    let told = holdpoint::step::plan::plan(job, &request, &mut quiet).unwrap();
    (told.result, told.open_points)
}

fn quiet(_: Event) {}

fn copied(job: &Job<'_>) {
    let request = CopyRequest {
        job: job.dir.clone(),
        limit_bytes: None,
        limit_minutes: None,
    };
    // With damage it ends with an open point.
    let _ = holdpoint::step::copy::copy(job, &request, &mut quiet);
    let request = VerifyRequest {
        path: job.dir.clone(),
        attest: false,
    };
    let told = holdpoint::step::verify::verify(job, &request, &mut quiet).unwrap();
    assert!(
        told.result.mismatched.is_empty(),
        "{:?}",
        told.result.mismatched
    );
}

/// What is open about the volume itself.
fn about(points: &[OpenPoint]) -> Vec<&OpenPoint> {
    let of_volume = |id: &str| id.starts_with("volume") || id.starts_with("accounts");
    points.iter().filter(|point| of_volume(&point.id)).collect()
}

/// A volume made from a folder, without root.
fn made(scratch: &Scratch) {
    for n in 0..30u64 {
        let place = ["", "a/", "a/b/"][n as usize % 3];
        scratch.write(
            &format!("source/{place}file{n}"),
            content(n + 1, 700 * n as usize),
        );
    }
    let image = scratch.path("drive.img");
    blank(&image, 128 << 20);
    let source = scratch.path("source");
    let (source, image) = (source.to_str().unwrap(), image.to_str().unwrap());
    run(
        "mkfs.btrfs",
        &["-q", "-L", "holiday", "-m", "single", "-r", source, image],
    );
}

fn copy_of(scratch: &Scratch, name: &str) -> Vec<u8> {
    scratch.read(&format!("one/job/bag/data/drive1-volume1/{name}"))
}

fn item<'a>(planned: &'a Planned, name: &str) -> &'a ListingItem {
    let listing = planned.listing.as_ref().unwrap();
    listing.iter().find(|item| item.path == name).unwrap()
}

#[test]
fn a_volume_is_read_without_a_mount_and_any_writing_since_shows() {
    if !have(
        "a_volume_is_read_without_a_mount_and_any_writing_since_shows",
        &["mkfs.btrfs"],
    ) {
        return;
    }
    let scratch = Scratch::new();
    made(&scratch);
    let (job, planned, points) = planned(&scratch);
    assert_eq!(about(&points), Vec::<&OpenPoint>::new());
    let volume = &planned.volumes[0];
    assert_eq!(
        (volume.kind.as_str(), volume.state),
        ("Btrfs", VolumeState::Surveyed)
    );
    assert_eq!(volume.label.as_deref(), Some("holiday"));
    copied(&job);
    for n in 0..30u64 {
        let place = ["", "a/", "a/b/"][n as usize % 3];
        assert_eq!(
            copy_of(&scratch, &format!("{place}file{n}")),
            content(n + 1, 700 * n as usize)
        );
    }
    // One bit in either superblock, and in any block of a table.
    let image = scratch.path("drive.img");
    let sound = std::fs::read(&image).unwrap();
    let id = &sound[65_536 + 0x20..65_536 + 0x30];
    let tables = (0..sound.len())
        .step_by(16_384)
        .filter(|at| *at != 65_536 && &sound[at + 0x20..at + 0x30] == id);
    let mut places: Vec<usize> = tables.collect();
    assert!(places.len() > 4);
    places.extend([65_536, 64 << 20]);
    let facts = job.ledger.facts().unwrap();
    let mut unseen = Vec::new();
    for at in places.iter().copied() {
        let mut raw = sound.clone();
        raw[at + 0x48] ^= 1;
        std::fs::write(&image, raw).unwrap();
        let told = holdpoint::step::present::listing_changed(&job, &facts, 0, &image).unwrap();
        if told.is_none() {
            unseen.push(at);
        }
    }
    // What an earlier change left behind is of no interest, nor are the trees of what is free.
    let seen = places.len() - unseen.len();
    assert!(
        seen > 8 && !unseen.contains(&65_536) && !unseen.contains(&(64 << 20)),
        "{seen} {unseen:?}"
    );
}

#[test]
fn bytes_that_do_not_fit_their_checksum_are_damage() {
    if !have(
        "bytes_that_do_not_fit_their_checksum_are_damage",
        &["mkfs.btrfs"],
    ) {
        return;
    }
    let scratch = Scratch::new();
    made(&scratch);
    let image = scratch.path("drive.img");
    let mut raw = std::fs::read(&image).unwrap();
    let mut wanted = content(28, 700 * 27);
    let at = (0..raw.len())
        .step_by(4096)
        .find(|at| raw[*at..].starts_with(&wanted[4096..4196]))
        .unwrap();
    raw[at + 9] ^= 0x10;
    wanted[4096..8192].fill(0);
    std::fs::write(&image, raw).unwrap();
    let (job, _, _) = planned(&scratch);
    copied(&job);
    assert_eq!(copy_of(&scratch, "file27"), wanted);
    let (planned, points) = plan(&job);
    let hurt = item(&planned, "file27");
    assert_eq!(
        (hurt.state, hurt.missing.clone()),
        (ItemState::Damaged, vec![(4096, 4096)])
    );
    assert_eq!(item(&planned, "file0").state, ItemState::Verified);
    assert!(
        points.iter().any(|point| point.id == "damaged-items"),
        "{points:?}"
    );
}

/// What a mount above a scratch made of the volume; here a copy of the image that was mounted in its place.
struct Replayed(FolderTree, std::path::PathBuf, Scratch);

impl Mounted for Replayed {
    fn tree(&self) -> &dyn Tree {
        &self.0
    }
    fn inodes_in_use(&self) -> Option<u64> {
        None
    }
    fn sectors(&self) -> Result<Arc<dyn Sectors>, Fault> {
        self.2.bench.sectors(&self.1)
    }
}

#[test]
fn what_stands_in_the_log_alone_is_copied_where_the_host_can_apply_it() {
    let name = "what_stands_in_the_log_alone_is_copied_where_the_host_can_apply_it";
    if !can(name, &["mkfs.btrfs", "mount"]) {
        return;
    }
    let scratch = Scratch::new();
    let (image, whole, at) = (
        scratch.path("drive.img"),
        scratch.path("whole.img"),
        scratch.path("at"),
    );
    blank(&whole, 200 << 20);
    run("mkfs.btrfs", &["-q", whole.to_str().unwrap()]);
    match mount(&whole, &at, "commit=300,compress-force=zstd") {
        Err(says) => {
            return crate::skip::skip(name, &format!("the kernel here mounts no Btrfs: {says}"));
        }
        Ok(mounted) => {
            std::fs::write(at.join("old"), b"long on the disk").unwrap();
            std::fs::write(at.join("changed"), b"an earlier state").unwrap();
            run("sync", &[]);
            for (file, bytes) in [
                ("changed", &b"the newest state"[..]),
                ("new", &b"line of a letter\n".repeat(3000)),
            ] {
                let mut open = std::fs::File::create(at.join(file)).unwrap();
                open.write_all(bytes).unwrap();
                open.sync_all().unwrap();
            }
            std::fs::copy(&whole, &image).unwrap();
            drop(mounted);
        }
    }
    std::fs::copy(&image, &whole).unwrap();
    drop(mount(&whole, &at, "").unwrap());
    // Without a mount: told, by name.
    let (job, first, points) = planned(&scratch);
    let [point] = about(&points)[..] else {
        panic!("{points:?}");
    };
    assert_eq!(point.id, "volume-partly-surveyed");
    assert!(
        point.evidence.contains("journal-not-applied") && point.evidence.contains("changed"),
        "{}",
        point.evidence
    );
    assert!(
        point.remedy.contains("as root") && point.remedy.contains("holdpoint plan"),
        "{}",
        point.remedy
    );
    assert_eq!(first.volumes[0].state, VolumeState::Surveyed);
    copied(&job);
    // With one.
    let replayed = whole.clone();
    *scratch.bench.mounts.lock().unwrap() = Some(Box::new(move |asked: &ToMount<'_>| {
        assert_eq!((asked.first_byte, asked.driver), (0, "btrfs"));
        assert_eq!(asked.options, ["skip_balance", "nodiscard"]);
        let other = Scratch::new();
        let tree = FolderTree::open(&other.path("source")).unwrap();
        Ok(Box::new(Replayed(tree, replayed.clone(), other)) as Box<dyn Mounted>)
    }));
    let (second, points) = plan(&job);
    assert_eq!(about(&points), Vec::<&OpenPoint>::new());
    assert!(
        second.volumes[0].rule.contains("applied by the kernel"),
        "{}",
        second.volumes[0].rule
    );
    copied(&job);
    assert_eq!(copy_of(&scratch, "old"), b"long on the disk");
    assert_eq!(copy_of(&scratch, "changed"), b"the newest state");
    assert_eq!(copy_of(&scratch, "new"), b"line of a letter\n".repeat(3000));
    let (third, _) = plan(&job);
    for name in ["old", "changed", "new"] {
        assert_eq!(item(&third, name).state, ItemState::Verified, "{name}");
    }
    // The kernel refuses: as without a mount.
    *scratch.bench.mounts.lock().unwrap() = Some(Box::new(|_: &ToMount<'_>| {
        let why = Fault::new(
            holdpoint::port::FaultKind::Other,
            "mounting it as btrfs",
            "EINVAL",
        );
        Err(NotMounted::Refused(why))
    }));
    let (_, points) = plan(&job);
    assert_eq!(about(&points)[0].id, "volume-partly-surveyed");
}

/// As many a Linux is set up: the system in one subvolume, the homes in another, and snapshots of both.
#[test]
fn systems_and_homes_in_subvolumes_are_known_as_such() {
    let name = "systems_and_homes_in_subvolumes_are_known_as_such";
    if !can(name, &["mkfs.btrfs", "mount", "btrfs"]) {
        return;
    }
    let scratch = Scratch::new();
    let (image, at) = (scratch.path("drive.img"), scratch.path("at"));
    blank(&image, 200 << 20);
    run("mkfs.btrfs", &["-q", image.to_str().unwrap()]);
    match mount(&image, &at, "") {
        Err(says) => {
            return crate::skip::skip(name, &format!("the kernel here mounts no Btrfs: {says}"));
        }
        Ok(mounted) => {
            let path = |path: &str| at.join(path).to_str().unwrap().to_owned();
            for subvolume in ["@", "@home"] {
                run("btrfs", &["subvolume", "create", &path(subvolume)]);
            }
            let files = [
                "@/etc/fstab",
                "@/usr/bin/true",
                "@/var/log/x",
                "@/bin/sh",
                "@home/ann/Pictures/one.jpg",
                "@home/ann/letter.odt",
            ];
            for (n, file) in files.iter().enumerate() {
                let file = at.join(file);
                std::fs::create_dir_all(file.parent().unwrap()).unwrap();
                std::fs::write(file, content(n as u64 + 1, 9000)).unwrap();
            }
            for (of, to) in [("@", "@/snap"), ("@home", "@home/snap")] {
                run(
                    "btrfs",
                    &["subvolume", "snapshot", "-r", &path(of), &path(to)],
                );
            }
            drop(mounted);
        }
    }
    let (_, planned, points) = planned(&scratch);
    assert_eq!(about(&points), Vec::<&OpenPoint>::new());
    let who: Vec<&str> = planned
        .people
        .iter()
        .map(|person| person.profile.as_str())
        .collect();
    assert!(who.iter().any(|who| who.contains("ann")), "{who:?}");
    for system in ["@/usr/bin/true", "@/snap/usr/bin/true"] {
        assert_eq!(item(&planned, system).state, ItemState::LeftOut, "{system}");
    }
    for wanted in [
        "@home/ann/letter.odt",
        "@home/snap/ann/letter.odt",
        "@/etc/fstab",
    ] {
        assert_ne!(item(&planned, wanted).state, ItemState::LeftOut, "{wanted}");
    }
}
