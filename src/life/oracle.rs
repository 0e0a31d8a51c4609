//! The one who knows the true bytes, and judges what the engine claims.
//!
//! Invariant: it never asks the engine what is true. It compares the rows of the ledger with the
//! source as it was and with the drives as they are.

use super::bench::LifeBench;
use super::disk::LifeDisk;
use crate::job::Job;
use crate::ledger::terms::FILE;
use crate::ledger::{Got, GotRow, ItemRow, LedgerError, Want};
use crate::read::places::Places;
use crate::survey::item::{Class, Kind, Mark};
use crate::value::{Blake3, Name, Sha256};
use sha2::Digest;
use std::collections::{BTreeMap, BTreeSet};
use std::sync::Arc;

/// What the engine got wrong, in words.
pub type Broken = String;

/// How far the world can be trusted, and so what must hold.
#[derive(Debug, Clone, Copy)]
pub struct Trust {
    /// No bit flips unseen, in memory or while reading: what was read is the truth.
    pub reads: bool,
    /// No copy was damaged where it lies.
    pub rest: bool,
}

/// What the technician and the owner gave up so far.
#[derive(Debug, Clone, Default)]
pub struct GivenUp {
    /// Ids of points.
    pub points: BTreeSet<String>,
    /// Items that were not wholly saved when something was given up.
    pub items: BTreeSet<i64>,
}

/// The oracle of one job.
pub struct Oracle<'a> {
    /// The world.
    pub bench: &'a LifeBench,
    /// The job.
    pub job: &'a Job<'a>,
    /// The job's own drives by number, wherever they are now.
    pub disks: &'a [Arc<LifeDisk>],
    /// What must hold.
    pub trust: Trust,
}

fn ledger(e: LedgerError) -> Broken {
    format!("the ledger could not be read: {e}")
}

impl Oracle<'_> {
    /// Every file's row with its path in the bag.
    fn files(&self) -> Result<Vec<(ItemRow, GotRow, String)>, Broken> {
        let mut places = Places::new(&self.job.ledger);
        let mut out = Vec::new();
        self.job
            .ledger
            .each_item::<LedgerError>(FILE, |item, got| {
                let place = places.of(item.parent)?;
                let path = format!("{}/{}", self.job.setup.name, place.bag_path(&item));
                out.push((item, got, path));
                Ok(())
            })
            .map_err(ledger)?;
        Ok(out)
    }

    fn copies(&self, got: &GotRow) -> impl Iterator<Item = (u64, &Arc<LifeDisk>)> {
        let written = got.written;
        self.disks
            .iter()
            .enumerate()
            .map(|(number, disk)| (1u64 << number, disk))
            .filter(move |(bit, _)| written & bit != 0)
    }

    /// What the ledger calls copied is on the medium of every honest drive, byte for byte: it would
    /// survive a loss of power at this instant. What is missing is listed, and nothing else is wrong.
    pub fn copied(&self) -> Result<(), Broken> {
        let truth = self.bench.drive.truth();
        // There, and every byte of it can be read.
        let is_sound = |inode: u64| {
            let mut there = truth.iter().map(|one| &one.node);
            there.any(|node| {
                let readable = !node.denied && node.refused.is_empty() && node.silent.is_empty();
                node.stamp.inode == inode && readable
            })
        };
        for (item, got, path) in self.files()? {
            let name = item.name.text();
            if got.written != 0 && !matches!(got.state, Got::Whole | Got::Gaps) {
                return Err(format!("{name} is {:?} and has copies", got.state));
            }
            if got.verified & !got.written != 0 {
                return Err(format!("{name} is verified where it was never written"));
            }
            if got.state == Got::Unreadable && is_sound(item.inode) {
                return Err(format!(
                    "{name} is called unreadable, and nothing is wrong with it"
                ));
            }
            let whole = got.missing.is_empty();
            if got.written != 0 && (got.state == Got::Whole) != whole {
                return Err(format!(
                    "{name} is {:?} with missing {:?}",
                    got.state, got.missing
                ));
            }
            for (bit, disk) in self.copies(&got) {
                // A second destination may be filled from the first: with a liar among them nothing is proven before the reading back.
                let liars = self.disks.iter().any(|disk| !disk.nature().is_honest());
                if liars || !self.trust.rest || !self.trust.reads {
                    continue;
                }
                let version = self
                    .bench
                    .drive
                    .version(item.inode, item.modified_ns, item.bytes);
                // A row that a later survey renewed keeps no copies; what has copies has a version.
                let Some(truth) = version else {
                    return Err(format!("{name} was copied in a version that never was"));
                };
                let Some(found) = disk.durable(&path) else {
                    return Err(format!(
                        "{name} is called copied, and {path} is not there (copy {bit})"
                    ));
                };
                equal_but_for(&name, &truth, &found, &got.missing)?;
                let digests = (
                    Blake3(*blake3::hash(&found).as_bytes()),
                    Sha256(sha2::Sha256::digest(&found).into()),
                );
                if (Some(digests.0), Some(digests.1)) != (got.blake3, got.sha256) {
                    return Err(format!("{name} has digests of other bytes than its copy"));
                }
            }
        }
        Ok(())
    }

    /// What was just read back and called equal is what the drive gives.
    pub fn verified(&self) -> Result<(), Broken> {
        let here = self.job.destinations();
        for (item, got, path) in self.files()? {
            for (bit, disk) in self.copies(&got) {
                let at = here.get(bit.trailing_zeros() as usize);
                if at.is_none_or(Result::is_err) {
                    continue;
                }
                let nature = disk.nature();
                let proven = got.verified & !got.mismatch & bit != 0;
                if !proven || !nature.unplugged.is_empty() {
                    continue;
                }
                let found = disk.live(&path);
                let digest = found.map(|found| Blake3(*blake3::hash(&found).as_bytes()));
                if digest != got.blake3 {
                    return Err(format!(
                        "{} is called verified, and {path} differs (copy {bit})",
                        item.name.text()
                    ));
                }
            }
        }
        Ok(())
    }

    /// The bags of honest drives, after a reading back without complaint: their manifests list
    /// exactly the files that are there, with the digests that these have.
    pub fn manifests(&self) -> Result<(), Broken> {
        for disk in self.disks.iter().filter(|disk| disk.nature().is_honest()) {
            let bag = format!("{}/bag", self.job.setup.name);
            for (name, digest) in [
                ("manifest-blake3.txt", digest_blake3 as fn(&[u8]) -> String),
                ("manifest-sha256.txt", digest_sha256),
                ("tagmanifest-blake3.txt", digest_blake3),
            ] {
                let Some(text) = disk.durable(&format!("{bag}/{name}")) else {
                    return Err(format!("{name} is not on the medium"));
                };
                let text = String::from_utf8(text).map_err(|e| e.to_string())?;
                let mut listed = BTreeSet::new();
                for line in text.lines() {
                    let (wanted, path) = line.split_once("  ").ok_or("a line that is no line")?;
                    let path = format!("{bag}/{path}");
                    let found = disk.durable(&path).map(|bytes| digest(&bytes));
                    if found.as_deref() != Some(wanted) {
                        return Err(format!("{name} lists {path}, which is {found:?}"));
                    }
                    listed.insert(path);
                }
                let payload: BTreeSet<String> = disk
                    .durable_files(&format!("{bag}/data"))
                    .into_iter()
                    .collect();
                if !name.starts_with("tag") && listed != payload {
                    let odd: Vec<_> = listed.symmetric_difference(&payload).collect();
                    return Err(format!("{name} and the payload differ in {odd:?}"));
                }
            }
        }
        Ok(())
    }

    /// What is not wholly saved at as many destinations as wanted, by item.
    pub fn unsaved(&self) -> Result<BTreeSet<i64>, Broken> {
        let mut out = BTreeSet::new();
        let counting = self.job.counting();
        self.job
            .ledger
            .each_item::<LedgerError>("", |item, got| {
                let wanted = self.job.policy.copies_wanted(item.class).max(1);
                let saved = (got.written & counting).count_ones();
                let file = item.kind == Kind::File;
                if !file || got.state != Got::Whole || saved < wanted {
                    out.insert(item.id);
                }
                Ok(())
            })
            .map_err(ledger)?;
        Ok(out)
    }

    /// After a release: everything on the source now is on as many drives as the policy wants, byte
    /// for byte, or was given up while it was not.
    pub fn released(&self, given_up: &GivenUp) -> Result<(), Broken> {
        let counting = self.job.counting();
        // A drive with a bad symptom is read once; where a bit flips unseen then, only the same bytes can be asked for.
        let doubt_taken = given_up.points.contains("memory-doubt");
        let read_once = !self.trust.reads && (self.job.has_bad_symptom() || doubt_taken);
        for truth in self.bench.drive.truth() {
            let shown = Name::Bytes(truth.parts.join(&b'/')).text();
            let (item, got) = self.row(&truth.parts)?;
            let loss_decided = given_up.items.contains(&item.id);
            if item.want == Want::LeftOut || item.want == Want::Waived {
                continue;
            }
            let stamp = truth.node.stamp;
            let closed = truth.node.denied || item.marks.has(Mark::OtherMount);
            if truth.node.kind != Kind::File {
                if closed && !loss_decided {
                    return Err(format!("released although {shown} was never looked into"));
                }
                if item.target != truth.node.target {
                    return Err(format!(
                        "released although the link {shown} points elsewhere"
                    ));
                }
                continue;
            }
            if (item.bytes, item.modified_ns) != (stamp.bytes, stamp.modified_ns) {
                return Err(format!(
                    "released although {shown} changed since the survey"
                ));
            }
            if got.written == 0 {
                if loss_decided {
                    continue;
                }
                return Err(format!("released although nothing of {shown} was saved"));
            }
            let path = self.path_of(&item)?;
            let mut good = 0;
            for (bit, disk) in self.copies(&got) {
                if counting & bit == 0 {
                    continue;
                }
                let found = if disk.nature().is_honest() {
                    disk.durable(&path)
                } else {
                    disk.live(&path)
                };
                let sound = found.is_some_and(|found| {
                    equal_but_for(&shown, &truth.node.bytes, &found, &got.missing).is_ok()
                        || read_once && Some(Blake3(*blake3::hash(&found).as_bytes())) == got.blake3
                });
                good += u32::from(sound);
            }
            let wanted = self.job.policy.copies_wanted(item.class).max(1);
            let single = given_up.points.contains("single-copy") && good >= 1;
            if good < wanted && !single {
                return Err(format!(
                    "released although {shown} ({}) has {good} good copies of {wanted}",
                    item.class.word()
                ));
            }
            if !got.missing.is_empty() && !loss_decided {
                return Err(format!(
                    "released although {shown} has gaps that nobody gave up"
                ));
            }
        }
        Ok(())
    }

    /// The row of a path.
    fn row(&self, parts: &[Vec<u8>]) -> Result<(ItemRow, GotRow), Broken> {
        let mut parent = 0;
        let mut found = None;
        for bytes in parts {
            let name = Name::Bytes(bytes.clone());
            found = self.job.ledger.child(parent, &name, None).map_err(ledger)?;
            match &found {
                Some((item, _)) if item.want != Want::Vanished => parent = item.id,
                _ => break,
            }
        }
        found
            .filter(|(item, _)| item.want != Want::Vanished)
            .ok_or_else(|| {
                let path = Name::Bytes(parts.join(&b'/')).text();
                format!("released although {path} is on the source and not in the survey")
            })
    }

    fn path_of(&self, item: &ItemRow) -> Result<String, Broken> {
        let place = Places::new(&self.job.ledger)
            .of(item.parent)
            .map_err(ledger)?;
        Ok(format!("{}/{}", self.job.setup.name, place.bag_path(item)))
    }

    /// What is wholly saved now: item, the version, and where. A copy that is known to differ is no copy: the next run replaces it.
    pub fn saved(&self) -> Result<BTreeMap<i64, (i64, u64)>, Broken> {
        self.whole(|got| got.written & !got.mismatch)
    }

    fn whole(&self, places: impl Fn(&GotRow) -> u64) -> Result<BTreeMap<i64, (i64, u64)>, Broken> {
        let files = self.files()?;
        let whole = files
            .into_iter()
            .filter(|(_, got, _)| got.state == Got::Whole && got.written != 0);
        Ok(whole
            .map(|(item, got, _)| (item.id, (item.modified_ns, places(&got))))
            .collect())
    }

    /// Nothing that was wholly saved before is less saved now, unless its source moved on.
    pub fn nothing_lost(&self, before: &BTreeMap<i64, (i64, u64)>) -> Result<(), Broken> {
        let now = self.whole(|got| got.written)?;
        // What is known to differ at every place it was written to is not saved: it is copied anew.
        for (item, (version, written)) in before.iter().filter(|(_, (_, places))| *places != 0) {
            let kept = now
                .get(item)
                .is_some_and(|(now, places)| now != version || places & written == *written);
            if kept {
                continue;
            }
            let row = self.job.ledger.item(*item).map_err(ledger)?;
            let Some((row, got)) = row else {
                return Err(format!("item {item} was saved and has no row any more"));
            };
            let inode = row.inode;
            let stands = self.bench.drive.truth().iter().any(|truth| {
                truth.node.stamp.inode == inode && truth.node.stamp.modified_ns == *version
            });
            // A drive that writes over its own copies, or a source that moved on, excuses it.
            if stands {
                return Err(format!(
                    "{} was saved at {written:b} and is now {:?} at {:b}",
                    row.name.text(),
                    got.state,
                    got.written
                ));
            }
        }
        Ok(())
    }

    /// How many files of each class there are; for the tale of a life.
    pub fn classes(&self) -> Result<BTreeMap<Class, u64>, Broken> {
        let mut out = BTreeMap::new();
        for (item, _, _) in self.files()? {
            *out.entry(item.class).or_insert(0) += 1;
        }
        Ok(out)
    }
}

fn digest_blake3(bytes: &[u8]) -> String {
    blake3::hash(bytes).to_hex().to_string()
}

fn digest_sha256(bytes: &[u8]) -> String {
    Sha256(sha2::Sha256::digest(bytes).into()).to_string()
}

/// Both are equal outside the missing ranges, which hold zeros.
fn equal_but_for(
    name: &str,
    truth: &[u8],
    found: &[u8],
    missing: &[(u64, u64)],
) -> Result<(), Broken> {
    if truth.len() != found.len() {
        return Err(format!(
            "{name} has {} bytes of {}",
            found.len(),
            truth.len()
        ));
    }
    if truth == found && missing.is_empty() {
        return Ok(());
    }
    for (at, (truth, found)) in truth.iter().zip(found).enumerate() {
        let at = at as u64;
        let lost = missing
            .iter()
            .any(|(first, length)| *first <= at && at < first + length);
        if lost && *found != 0 {
            return Err(format!(
                "{name} has something at byte {at}, which is missing"
            ));
        }
        if !lost && truth != found {
            return Err(format!(
                "{name} has a wrong byte at {at}, which is not listed"
            ));
        }
    }
    Ok(())
}
