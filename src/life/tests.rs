//! Lives of every kind: many random ones, a crash at every sync point, and single troubles in turn.

#![allow(clippy::print_stderr)] // how many lives, and which failed

use super::bench::ONE;
use super::seed::Seed;
use super::story::{Lived, Story, live};
use super::tree::Happening;
use super::world::{LONG_AGO, World, calm};
use crate::step::outcome::MemoryState;

/// Seeds whose lives once went wrong.
const REGRESSIONS: &[u64] = &[
    69, 1078, 1081, 1214, 1410, 1548, 2508, 2592, 2871, 2898, 4408, 5033, 7633, 8283, 8875,
];

fn number(name: &str) -> Option<u64> {
    std::env::var(name).ok()?.parse().ok()
}

/// Random lives: `HOLDPOINT_LIVES` of them from seed `HOLDPOINT_LIVES_FROM` on. Without optimisation a
/// life costs a third of a second, so fewer are lived then. 2,000 take about two minutes on one core.
#[test]
fn random_lives_keep_every_promise() {
    let default = if cfg!(debug_assertions) { 80 } else { 2000 };
    let count = number("HOLDPOINT_LIVES").unwrap_or(default);
    let from = number("HOLDPOINT_LIVES_FROM").unwrap_or(1000);
    let mut broken = Vec::new();
    let (mut released, mut crashes) = (0, 0);
    for seed in from..from + count {
        match live(seed) {
            Ok(lived) => {
                released += u64::from(lived.released);
                crashes += lived.crashes;
            }
            Err(e) => broken.push(e),
        }
    }
    let firsts: Vec<&str> = broken
        .iter()
        .filter_map(|tale| tale.lines().next())
        .collect();
    let shown = broken.iter().take(5).cloned().collect::<Vec<_>>();
    assert!(
        broken.is_empty(),
        "{} of {count} lives went wrong ({crashes} crashes):\n{}\n\n{}",
        broken.len(),
        firsts.join("\n"),
        shown.join("\n\n")
    );
    assert!(
        released * 3 > count || count < 10,
        "only {released} released"
    );
}

#[test]
fn seeds_that_once_failed_live_well() {
    for seed in REGRESSIONS {
        live(*seed).unwrap();
    }
}

#[test]
fn the_same_seed_gives_the_same_life() {
    for seed in [5, 21, 63] {
        let (a, b) = (live(seed).unwrap(), live(seed).unwrap());
        assert_eq!(a.fingerprint, b.fingerprint, "{:#?}\n{:#?}", a.tale, b.tale);
        assert_eq!(a.operations, b.operations);
    }
    assert_ne!(live(5).unwrap().fingerprint, live(6).unwrap().fingerprint);
}

fn lived(world: &World) -> Lived {
    Story::new(world, Seed::new(1)).live().unwrap()
}

fn released(world: &World) {
    let lived = lived(world);
    assert!(lived.released, "{lived:#?}");
}

#[test]
fn not_even_the_release_itself_hits_a_copy() {
    let with_room_for = |pages: u64| {
        let world = calm(&Seed::new(3));
        world.disks[1].becomes(|nature| nature.true_pages = Some(pages));
        let lived = Story::new(&world, Seed::new(1)).live();
        assert!(lived.is_ok(), "{pages} pages: {lived:#?}");
        lived.is_ok_and(|lived| lived.released)
    };
    // A stick that is full to its true end when the copies are read back lies just beyond those that are found out.
    let (mut too_small, mut enough) = (5, 2000);
    assert!(!with_room_for(too_small) && with_room_for(enough));
    while enough - too_small > 1 {
        let middle = (too_small + enough) / 2;
        if with_room_for(middle) {
            enough = middle;
        } else {
            too_small = middle;
        }
    }
    for pages in enough..enough + 24 {
        with_room_for(pages);
    }
}

/// One destination and three files: every step is there, and few sync points.
fn small() -> World {
    let mut world = calm(&Seed::new(11));
    world.only_one("practice");
    world
}

#[test]
fn a_crash_at_every_sync_point_costs_nothing() {
    let calm = lived(&small());
    assert!(calm.released);
    let (_, syncs) = calm.operations;
    assert!(syncs > 40, "{syncs}");
    for at in 1..=syncs {
        let world = small();
        world.bench.fate.crash_at_sync(at);
        let lived = lived(&world);
        assert!(
            lived.released && lived.crashes == 1,
            "sync point {at}: {lived:#?}"
        );
    }
}

#[test]
fn a_calm_life_ends_with_a_release() {
    released(&calm(&Seed::new(3)));
}

#[test]
fn a_counterfeit_stick_is_found_by_reading_back() {
    let world = calm(&Seed::new(3));
    world.disks[1].becomes(|nature| nature.true_pages = Some(5));
    let lived = lived(&world);
    // Some writes hit copies, some the file that tells the drive from another one.
    assert!(!lived.released, "{lived:#?}");
}

#[test]
fn a_lying_drive_that_loses_power_proves_nothing() {
    let world = calm(&Seed::new(3));
    let plain = lived(&calm(&Seed::new(3)));
    world.disks[1].becomes(|nature| nature.lies = true);
    world.bench.fate.crash_at_operation(plain.operations.0 / 2);
    let lived = lived(&world);
    assert!(lived.crashes == 1 && !lived.released, "{lived:#?}");
}

#[test]
fn a_full_destination_holds() {
    let world = calm(&Seed::new(3));
    world.disks[1].becomes(|nature| nature.room = 9_000);
    assert!(!lived(&world).released);
}

#[test]
fn a_source_that_vanishes_and_returns_is_copied_to_the_end() {
    for at in (30..300).step_by(30) {
        let mut world = calm(&Seed::new(3));
        world.troubles.push("the drive vanishes for a while".into());
        let until = at + 40;
        world.bench.drive.plan(at, Happening::Vanish { until });
        released(&world);
    }
}

#[test]
fn a_copy_made_before_the_source_got_worse_is_kept() {
    for at in (60..500).step_by(55) {
        let world = calm(&Seed::new(3));
        // The second destination is away while the first is filled; then the file may not be opened any more.
        world.disks[1].becomes(|nature| nature.unplugged.push((50, 1 << 40)));
        let node = some_file(&world);
        world.bench.drive.plan(at, Happening::Deny { node });
        lived(&world);
    }
}

#[test]
fn another_drive_in_place_of_a_destination_is_not_written_to() {
    for step in 1..8 {
        let mut world = calm(&Seed::new(3));
        world.swap_after = Some(step);
        released(&world);
        assert!(world.stranger.durable_files("").is_empty());
        assert!(world.stranger.live("work-1").is_none());
    }
}

#[test]
fn a_flipped_bit_in_memory_is_never_released() {
    let plain = lived(&calm(&Seed::new(3)));
    assert!(plain.released);
    let mut held = 0;
    for pass in (1..60).step_by(4) {
        let mut world = calm(&Seed::new(3));
        world.told_memory = MemoryState::Suspect;
        world.trust.reads = false;
        world.bench.memory.plan_flip(pass);
        // The oracle speaks up when a wrong byte gets through to a release.
        held += u32::from(!lived(&world).released);
        assert_eq!(world.bench.memory.flipped(), 1, "pass {pass}");
    }
    assert!(held > 0);
}

#[test]
fn under_a_clock_in_2015_no_job_begins_until_it_is_set() {
    let mut world = calm(&Seed::new(3));
    world.bench.clock.set(LONG_AGO);
    let wrong = lived(&world);
    let said = wrong.tale.join("\n");
    assert!(!wrong.released && said.contains("clock"), "{said}");
    world = calm(&Seed::new(3));
    world.bench.clock.set(LONG_AGO);
    world.clock_wrong = true;
    released(&world);
}

#[test]
fn a_file_that_changes_while_it_is_read_is_copied_again() {
    let plain = lived(&calm(&Seed::new(3)));
    for at in (20..plain.operations.0).step_by(plain.operations.0 as usize / 7) {
        let mut world = calm(&Seed::new(3));
        world.troubles.push("a file is written to".into());
        let node = some_file(&world);
        let bytes = vec![7; 5000];
        world.bench.drive.plan(at, Happening::Write { node, bytes });
        released(&world);
    }
}

fn some_file(world: &World) -> usize {
    let truth = world.bench.drive.truth();
    let file = truth
        .iter()
        .filter(|truth| truth.node.kind == crate::survey::item::Kind::File)
        .max_by_key(|truth| truth.node.stamp.bytes)
        .unwrap();
    file.node.stamp.inode as usize - 2
}

#[test]
fn a_bad_sector_costs_one_page_and_is_given_up_by_name() {
    for ails in [false, true] {
        let mut world = calm(&Seed::new(4));
        let node = world.bench.drive.file(0, b"holiday.jpg", vec![5; 40_000]);
        world
            .bench
            .drive
            .change(node, |node| node.refused.push((9000, 512)));
        if ails {
            // A weak drive is read once: the second destination is filled from the first.
            world.ails(&mut Seed::new(2));
        }
        let lived = lived(&world);
        assert!(lived.released, "{lived:#?}");
        assert!(
            lived
                .tale
                .iter()
                .any(|line| line.starts_with("waive damaged-items: exit 0")),
            "{lived:#?}"
        );
        let bag = "work-1/bag/holdpoint/not-saved.json".to_owned();
        for disk in &world.disks {
            let listed = String::from_utf8(disk.durable(&bag).unwrap()).unwrap();
            assert!(listed.contains("[[8192,4096]]"), "{ONE}: {listed}");
        }
    }
}

#[test]
fn a_drive_of_which_nothing_can_be_read_is_released_only_by_its_owner() {
    let mut world = calm(&Seed::new(3));
    world.trouble(9, &mut Seed::new(1));
    let lived = lived(&world);
    assert!(
        lived
            .tale
            .iter()
            .any(|line| line.starts_with("waive unreadable-items: exit 0")),
        "{lived:#?}"
    );
}

#[test]
fn names_that_differ_in_case_survive_a_drive_that_folds_it() {
    let world = calm(&Seed::new(3));
    for (name, byte) in [
        (&b"a photo.jpg"[..], 1),
        (b"A Photo.JPG", 2),
        (b"A PHOTO.jpg", 3),
    ] {
        world.bench.drive.file(0, name, vec![byte; 700]);
    }
    world.disks[1].becomes(|nature| nature.folds_case = true);
    world.disks[1].becomes_folding();
    released(&world);
}
