//! ext2, ext3 and ext4 against mke2fs, e2fsck, debugfs, the kernel's own driver and, as a second opinion, another reader.

mod crash;
mod damage;
mod made;
mod mounted;
mod worn;
mod zoo;

use super::tool::{Drive, blank, run, sha256};
pub use super::tool::{try_whole as try_content, whole as content};
use holdpoint::port::Sectors;
use holdpoint::survey::item::{Kind, Mark};
use holdpoint::volume::ext;
use holdpoint::volume::filesystem::{Found, Limits, NotSurveyed, Survey};
use std::collections::BTreeMap;
use std::path::Path;

/// A survey and its items by path, the lost ones under `~lost/`.
pub struct Listing {
    pub survey: Survey,
    pub items: BTreeMap<Vec<u8>, Found>,
}

impl Listing {
    pub fn of(drive: &Drive) -> Self {
        Self::try_of(drive, drive, Limits::default()).unwrap()
    }

    pub fn try_of(
        drive: &Drive,
        sectors: &dyn Sectors,
        limits: Limits,
    ) -> Result<Self, NotSurveyed> {
        let mut paths: BTreeMap<u64, Vec<u8>> = BTreeMap::new();
        let mut items = BTreeMap::new();
        let survey = ext::survey(sectors, drive.place(), 0, limits, &mut |found| {
            if found.record == found.parent && found.name.stored().is_empty() {
                paths.insert(found.record, Vec::new());
                return;
            }
            let mut path = match paths.get(&found.parent) {
                Some(parent) => parent.clone(),
                None => {
                    assert!(found.marks.has(Mark::Orphan), "a parent comes first");
                    b"~lost/".to_vec()
                }
            };
            path.extend(found.name.stored());
            if found.kind == Kind::Folder {
                let mut below = path.clone();
                below.push(b'/');
                paths.entry(found.record).or_insert(below);
            }
            items.insert(path, found);
        })?;
        Ok(Self { survey, items })
    }

    pub fn get(&self, path: &str) -> &Found {
        &self.items[path.as_bytes()]
    }

    /// Every item by its path as text.
    pub fn text(&self) -> BTreeMap<String, &Found> {
        self.items
            .iter()
            .map(|(path, found)| (String::from_utf8(path.clone()).unwrap(), found))
            .collect()
    }

    /// SHA-256 of every file.
    pub fn hashes(&self, drive: &Drive) -> BTreeMap<String, String> {
        self.text()
            .into_iter()
            .filter(|(_, found)| found.kind == Kind::File)
            .map(|(path, found)| {
                assert_eq!(found.trouble, None, "{path}");
                (path, sha256(&content(drive, found)))
            })
            .collect()
    }

    /// Everything adds up and nothing is open.
    pub fn is_sound(&self, why: &str) {
        let open: Vec<_> = self.survey.findings.list().iter().collect();
        assert!(!self.survey.findings.any_open(), "{why}: {open:?}");
        assert!(self.survey.whole, "{why}: {open:?}");
        assert!(
            self.survey.accounts.add_up(),
            "{why}: {:?}",
            self.survey.accounts
        );
    }
}

/// A volume with `source` in it.
pub fn make(image: &Path, kind: &str, more: &[&str], source: &Path, mib: u64) {
    let _ = std::fs::remove_file(image);
    blank(image, mib << 20);
    let mut all = vec!["-q", "-F", "-t", kind, "-L", "old disk"];
    all.extend(more);
    all.extend(["-d", source.to_str().unwrap(), image.to_str().unwrap()]);
    run("mke2fs", &all);
}
