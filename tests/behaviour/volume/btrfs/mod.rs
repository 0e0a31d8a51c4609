//! Btrfs against mkfs.btrfs and the kernel's own driver.

mod cut_off;
mod damage;
mod fill;
mod hurt;
mod kinds;
mod mounted;
mod moving;
mod zoo;

use super::ext::Listing;
use super::tool::{Drive, run};
use holdpoint::port::Sectors;
use holdpoint::survey::item::{Kind, Mark};
use holdpoint::volume::btrfs;
use holdpoint::volume::filesystem::{Found, Limits, NotSurveyed, Survey};
use std::collections::{BTreeMap, BTreeSet, HashMap};
use std::path::Path;

/// A listing with its paths; a name may come before that of its folder.
fn listing(drive: &Drive, sectors: &dyn Sectors, limits: Limits) -> Result<Listing, NotSurveyed> {
    let (mut all, place) = (Vec::new(), drive.place());
    let survey = btrfs::survey(sectors, place, sectors, place, limits, &mut |found| {
        all.push(found);
    })?;
    Ok(with_paths(survey, all))
}

/// Tables from one place, contents from another.
fn above(tables: &Drive, drive: &Drive) -> Listing {
    let (mut all, place) = (Vec::new(), drive.place());
    let see = &mut |found| all.push(found);
    let survey =
        btrfs::survey(tables, tables.place(), drive, place, Limits::default(), see).unwrap();
    with_paths(survey, all)
}

fn with_paths(survey: Survey, all: Vec<Found>) -> Listing {
    let folders: HashMap<u64, (u64, Vec<u8>)> = all
        .iter()
        .filter(|found| found.kind == Kind::Folder)
        .map(|found| (found.record, (found.parent, found.name.stored().to_vec())))
        .collect();
    let mut items = BTreeMap::new();
    for found in all {
        if found.record == found.parent {
            continue;
        }
        let mut path = found.name.stored().to_vec();
        let mut at = found.parent;
        // A damaged volume may lead in circles.
        for _ in 0..64 {
            match folders.get(&at) {
                Some((parent, _)) if *parent == at => break,
                Some((parent, name)) => {
                    path = [name.as_slice(), b"/", &path].concat();
                    at = *parent;
                }
                None => {
                    path = [b"~lost/", path.as_slice()].concat();
                    break;
                }
            }
        }
        if found.marks.has(Mark::Orphan) {
            assert!(path.starts_with(b"~lost/"));
        }
        items.insert(path, found);
    }
    Listing { survey, items }
}

fn whole(drive: &Drive) -> Listing {
    listing(drive, drive, Limits::default()).unwrap()
}

/// Items that are said to be damaged or unreadable.
fn marked(listing: &Listing) -> BTreeSet<String> {
    let marked =
        |found: &Found| found.marks.has(Mark::Damaged) || found.marks.has(Mark::Unreadable);
    let items = listing.items.iter().filter(|(_, found)| marked(found));
    items
        .map(|(path, _)| String::from_utf8_lossy(path).into_owned())
        .collect()
}

/// A fresh file system on an image of so many MiB.
fn format(image: &Path, mib: u64, more: &[&str]) {
    let _ = std::fs::remove_file(image);
    super::tool::blank(image, mib << 20);
    let mut all = vec!["-q", "-L", "old disk"];
    all.extend(more);
    all.push(image.to_str().unwrap());
    run("mkfs.btrfs", &all);
}
