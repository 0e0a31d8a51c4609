//! exFAT, read directly (Microsoft exFAT specification).
//!
//! Two walks over the folders: the first books who owns which cluster, the second hands out the items, so that
//! *both* owners of a shared cluster bear a mark. Deleted entries are not listed. Bytes behind the valid length
//! read as zeros whatever is on the drive.
//!
//! Invariant: an item without a mark has an entry set whose check sum holds, and as many clusters as its length needs,
//! all marked as in use and none of them shared.

mod boot;
mod entry;
mod system;

pub use boot::Boot;

use super::bytes::Part;
use super::chain::{Bits, Chain, Link, Space, Table};
use super::filesystem::{Accounts, Findings, Found, Limits, NotSurveyed, Place, Survey, Weight};
use super::spare;
use crate::port::Sectors;
use crate::survey::item::{Kind, Mark};
use crate::value::Name;
use entry::{Entry, Set};
use std::collections::HashMap;

/// A folder holds 256 MiB at most (7.6.2 of the specification).
const FOLDER_BYTES: u64 = 256 << 20;
/// Folder bytes kept from the first walk for the second (engineering judgement).
const KEPT_BYTES: usize = 64 << 20;

/// Lists an exFAT volume. `boot_at` is the place of the boot region within the volume: 0, or that of
/// the backup (12 sectors in) when the first one is gone.
pub fn survey(
    sectors: &dyn Sectors,
    place: Place,
    boot_at: u64,
    limits: Limits,
    see: &mut dyn FnMut(Found),
) -> Result<Survey, NotSurveyed> {
    let part = Part::new(sectors, place);
    let doing = || format!("surveying the exFAT volume at byte {}", place.first_byte);
    let raw = part
        .read_vec(boot_at, 512)
        .map_err(|fault| NotSurveyed::unread(doing(), fault))?;
    let boot = Boot::parse(&raw).map_err(|why| {
        NotSurveyed::because(
            doing(),
            format!("expected an exFAT boot sector, found: {why}"),
            "look at the backup boot region in sector 12, or have the volume repaired on a copy",
        )
    })?;
    let mut findings = Findings::new();
    system::check_boot(&part, &boot, boot_at, &mut findings);
    let table = system::read_table(&part, &boot, limits, &mut findings).map_err(|why| {
        NotSurveyed::because(doing(), why, "survey it on a machine with more memory")
    })?;
    let space = Space::new(
        part.absolute(boot.data_at()),
        boot.cluster_bytes,
        boot.clusters,
    );
    let mut reader = Reader {
        part,
        boot,
        table,
        space,
        limits,
        findings,
        bitmap: None,
        label: None,
        broken: HashMap::new(),
        kept: HashMap::new(),
        kept_bytes: 0,
        look: spare::Look::default(),
        listed: 0,
        damaged: 0,
        whole: true,
    };
    reader.walk(None);
    reader.space.close_books();
    reader.space.refill();
    reader.walk(Some(see));
    Ok(reader.finish())
}

/// One folder waiting to be read.
struct Folder {
    /// Record of its own entry; 0 = the root.
    record: u64,
    chain: Chain,
    /// Bytes of it; the root has no entry that says.
    bytes: u64,
    depth: u32,
}

struct Reader<'a> {
    part: Part<'a>,
    boot: Boot,
    table: Table,
    space: Space,
    limits: Limits,
    findings: Findings,
    /// The allocation bitmap, by cluster number; `None` = not found or not readable.
    bitmap: Option<Bits>,
    label: Option<Name>,
    broken: HashMap<u64, (Mark, String)>,
    kept: HashMap<u64, Vec<u8>>,
    kept_bytes: usize,
    look: spare::Look,
    listed: u64,
    damaged: u64,
    whole: bool,
}

impl Reader<'_> {
    fn walk(&mut self, mut see: Option<&mut dyn FnMut(Found)>) {
        let booking = see.is_none();
        let limit = FOLDER_BYTES.div_ceil(self.space.cluster_bytes);
        let root = self
            .space
            .follow(&self.table, self.boot.root_cluster, limit);
        let mut entered = Bits::new(u64::from(self.boot.clusters) + 2);
        entered.set(u64::from(self.boot.root_cluster));
        if booking {
            self.space.claim(&root);
            self.note_folder(0, &root);
        }
        if let Some(see) = see.as_deref_mut() {
            let mut found = Found::new(0, 0, Name::Units(Vec::new()), Kind::Folder);
            self.tell_broken(0, &mut found);
            see(found);
        }
        let mut waiting = vec![Folder {
            record: 0,
            bytes: root.clusters.saturating_mul(self.space.cluster_bytes),
            chain: root,
            depth: 0,
        }];
        let mut items = 0u64;
        while let Some(folder) = waiting.pop() {
            let bytes = self.folder_bytes(&folder, booking);
            let mut entries = Vec::new();
            entry::each(&bytes, &mut |entry| entries.push(entry));
            for entry in entries {
                let set = match entry {
                    Entry::File(set) => set,
                    other => {
                        if booking {
                            self.take_other(other, &folder);
                        }
                        continue;
                    }
                };
                if items >= self.limits.items {
                    self.whole = false;
                    self.findings
                        .note("too-many-items", Weight::OpenPoint, None, || {
                            format!(
                                "more than {} names; the rest is not listed",
                                self.limits.items
                            )
                        });
                    return;
                }
                items += 1;
                let record = self.record(&folder, set.at);
                let found = self.take(&set, &folder, record, &mut entered, &mut waiting, booking);
                if let Some(see) = see.as_deref_mut() {
                    self.listed += 1;
                    if found.marks.has(Mark::Damaged) || found.marks.has(Mark::Unreadable) {
                        self.damaged += 1;
                    }
                    see(found);
                }
            }
        }
    }

    /// The byte place of an entry within the volume: unique, and never 0.
    fn record(&self, folder: &Folder, at: usize) -> u64 {
        let mut left = at as u64;
        for (first, count) in &folder.chain.runs {
            let here = u64::from(*count) * self.space.cluster_bytes;
            if left < here {
                return self.space.at(*first).saturating_sub(self.part.absolute(0)) + left;
            }
            left -= here;
        }
        u64::MAX
    }

    fn tell_broken(&self, record: u64, found: &mut Found) {
        if let Some((mark, why)) = self.broken.get(&record) {
            found.marks.set(*mark);
            found.trouble = Some(why.clone());
        }
    }

    fn note_folder(&mut self, record: u64, chain: &Chain) {
        if let Some(trouble) = chain.trouble() {
            self.whole = false;
            self.findings.note(
                "folder-chain-broken",
                Weight::OpenPoint,
                Some(record),
                || format!("a folder's content is cut short or in doubt: {trouble}"),
            );
            self.broken
                .entry(record)
                .or_insert((Mark::Damaged, trouble));
        }
    }

    /// A folder's bytes; what cannot be read reads as entries not in use, and is told.
    fn folder_bytes(&mut self, folder: &Folder, booking: bool) -> Vec<u8> {
        if !booking && let Some(kept) = self.kept.remove(&folder.record) {
            return kept;
        }
        let mut bytes: Vec<u8> = Vec::new();
        for (first, count) in &folder.chain.runs {
            for cluster in (*first..).take(*count as usize) {
                let left = folder.bytes.saturating_sub(bytes.len() as u64);
                let length = self.space.cluster_bytes.min(left) as usize;
                if length == 0 {
                    break;
                }
                let at = self.space.at(cluster).saturating_sub(self.part.absolute(0));
                match self.part.read_vec(at, length) {
                    Ok(piece) => bytes.extend(piece),
                    Err(fault) => {
                        bytes.resize(bytes.len() + length, 0x05);
                        if booking {
                            self.whole = false;
                            self.findings.note("folder-unread", Weight::OpenPoint, Some(folder.record), || {
                                format!("part of a folder could not be read ({fault}); what it holds is not listed")
                            });
                            self.broken.insert(
                                folder.record,
                                (
                                    Mark::Unreadable,
                                    format!("part of it could not be read: {fault}"),
                                ),
                            );
                        }
                    }
                }
            }
        }
        if booking && self.kept_bytes + bytes.len() <= KEPT_BYTES {
            self.kept_bytes += bytes.len();
            self.kept.insert(folder.record, bytes.clone());
        }
        bytes
    }

    /// Entries other than files and folders.
    fn take_other(&mut self, entry: Entry, folder: &Folder) {
        match entry {
            Entry::Bitmap(table, cluster, bytes) if folder.record == 0 => {
                self.take_bitmap(table, cluster, bytes);
            }
            Entry::UpCase(sum, cluster, bytes) if folder.record == 0 => {
                self.take_up_case(sum, cluster, bytes);
            }
            Entry::Label(name) if folder.record == 0 => {
                if matches!(&name, Name::Units(units) if !units.is_empty()) {
                    self.label = Some(name);
                }
            }
            Entry::Broken(at, why) => {
                self.whole = false;
                let record = self.record(folder, at);
                self.damaged += 1;
                self.findings
                    .note("entry-damaged", Weight::OpenPoint, Some(record), || {
                        format!("an entry in use makes no sense ({why}); it may have been a file")
                    });
            }
            _ => {}
        }
    }

    /// The clusters that its size needs, what hangs on behind them, and what is wrong.
    fn clusters(&mut self, set: &Set) -> (Chain, Chain, Option<String>) {
        let needed = set.bytes.div_ceil(self.space.cluster_bytes);
        if set.bytes == 0 {
            if set.has_clusters && set.cluster != 0 {
                let chain = self.space.follow(&self.table, set.cluster, u64::MAX);
                let why = format!(
                    "its size is 0, but {} clusters belong to it",
                    chain.clusters
                );
                return (chain, Chain::empty(), Some(why));
            }
            return (Chain::empty(), Chain::empty(), None);
        }
        if set.cluster == 0 || !set.has_clusters {
            return (
                Chain::empty(),
                Chain::empty(),
                Some("it has a size, but no clusters".to_owned()),
            );
        }
        if set.in_one_run {
            let chain = self.space.run(set.cluster, needed);
            let trouble = chain.trouble();
            return (chain, Chain::empty(), trouble);
        }
        let (chain, tail) = self.space.follow_file(&self.table, set.cluster, needed);
        let mut trouble = chain.trouble();
        if set.is_folder() && tail.clusters > 0 {
            trouble = trouble.or(Some(
                "its chain of clusters is longer than its size says".to_owned(),
            ));
        }
        (chain, tail, trouble)
    }

    fn take(
        &mut self,
        set: &Set,
        within: &Folder,
        record: u64,
        entered: &mut Bits,
        waiting: &mut Vec<Folder>,
        booking: bool,
    ) -> Found {
        let kind = if set.is_folder() {
            Kind::Folder
        } else {
            Kind::File
        };
        let mut found = Found::new(record, within.record, set.name.clone(), kind);
        found.times = set.times;
        let (chain, tail, mut trouble) = self.clusters(set);
        if booking {
            self.space.claim(&chain);
            self.space.claim_spare(&tail);
        }
        if !set.sum_holds {
            trouble = Some(
                "the check sum of its entries does not hold: name, size or place may be wrong"
                    .to_owned(),
            );
        }
        if trouble.is_none() && self.space.shared(&chain) {
            trouble = Some(
                "another item owns some of its clusters too: its bytes were copied, but whose they are is not known"
                    .to_owned(),
            );
        }
        if trouble.is_none()
            && let Some(bitmap) = &self.bitmap
            && chain.runs.iter().any(|(first, count)| {
                (u64::from(*first)..)
                    .take(*count as usize)
                    .any(|cluster| !bitmap.has(cluster))
            })
        {
            trouble = Some(
                "some of its clusters are marked as free: they may hold something else by now"
                    .to_owned(),
            );
        }
        if trouble.is_none() && set.valid > set.bytes {
            trouble = Some(format!(
                "{} bytes are said to be written, its size is {}",
                set.valid, set.bytes
            ));
        }
        if kind == Kind::Folder {
            let deeper = within.depth + 1;
            let refused = if entered.set(u64::from(set.cluster)) {
                Some("it leads back into a folder that was already listed".to_owned())
            } else if deeper > self.limits.depth {
                Some(format!(
                    "it lies more than {} folders deep",
                    self.limits.depth
                ))
            } else if set.bytes > FOLDER_BYTES {
                Some(format!("it says that it is {} bytes long", set.bytes))
            } else {
                None
            };
            if booking && let Some(why) = refused.as_ref().or(trouble.as_ref()) {
                self.whole = false;
                self.findings
                    .note("folder-in-doubt", Weight::OpenPoint, Some(record), || {
                        format!("the folder \"{}\": {why}", set.name.text())
                    });
            }
            if refused.is_none() {
                waiting.push(Folder {
                    record,
                    bytes: set.bytes,
                    chain,
                    depth: deeper,
                });
            }
            if let Some(why) = refused.or(trouble) {
                found.marks.set(Mark::Damaged);
                found.trouble = Some(why);
            }
            self.tell_broken(record, &mut found);
            return found;
        }
        found.bytes = set.bytes;
        let trouble = if booking {
            trouble
        } else {
            trouble = trouble.or_else(|| self.space.tail_trouble(&tail));
            trouble = trouble.or_else(|| self.look.trouble(&self.part, &self.space, &tail));
            if tail.clusters > 0 && trouble.is_none() {
                spare::note(&mut self.findings, record, &set.name, tail.clusters);
            }
            let (layout, absurd) = self.space.layout(&chain, set.bytes, set.valid);
            found.bytes = layout.length;
            found.layout = Some(layout);
            absurd.or(trouble)
        };
        if let Some(why) = trouble {
            found.marks.set(Mark::Damaged);
            if !booking {
                self.findings
                    .note("items-damaged", Weight::OpenPoint, Some(record), || {
                        format!("\"{}\": {why}", set.name.text())
                    });
            }
            found.trouble = Some(why);
        }
        found
    }

    fn finish(mut self) -> Survey {
        let clusters = u64::from(self.boot.clusters);
        let marked_bad = (2..self.boot.clusters.saturating_add(2))
            .filter(|cluster| self.table.link(*cluster) == Link::Bad)
            .count() as u64;
        if self.bitmap.is_none() {
            self.findings
                .note("bitmap-damaged", Weight::OpenPoint, None, || {
                    "no allocation bitmap was found: whether everything is listed cannot be told"
                        .to_owned()
                });
        }
        let lost = self
            .bitmap
            .as_ref()
            .map_or(0, |bitmap| bitmap.count_without(&self.space.owned))
            .saturating_sub(marked_bad);
        if lost > 0 {
            self.findings.note_many(
                "clusters-without-owner",
                Weight::OpenPoint,
                None,
                lost,
                || {
                    format!(
                        "{lost} clusters are in use, but no folder lists them: files without a name"
                    )
                },
            );
        }
        if marked_bad > 0 {
            self.findings.note("clusters-marked-bad", Weight::Sentence, None, || {
                format!("the volume has {marked_bad} clusters marked as bad: a sign of the drive's health")
            });
        }
        if self.space.twice.count() > 0 {
            self.findings.note_many(
                "clusters-owned-twice",
                Weight::OpenPoint,
                None,
                self.space.twice.count(),
                || {
                    format!(
                        "{} clusters belong to more than one item",
                        self.space.twice.count()
                    )
                },
            );
        }
        let dirty = self.boot.flags & 2 != 0;
        if dirty {
            self.findings
                .note("not-closed", Weight::Sentence, None, || {
                    "the volume was not closed properly".to_owned()
                });
        }
        if self.boot.flags & 4 != 0 {
            self.findings
                .note("hard-errors-seen", Weight::Sentence, None, || {
                    "the system that wrote here met disk errors: a sign of the drive's health"
                        .to_owned()
                });
        }
        Survey {
            format: "exFAT",
            label: self.label,
            serial: Some(self.boot.serial_text()),
            dirty: Some(dirty),
            root: 0,
            bytes: self.boot.bytes(),
            whole: self.whole,
            accounts: Accounts {
                cluster_bytes: self.space.cluster_bytes,
                clusters,
                owned: self.space.owned.count(),
                in_use: self.bitmap.as_ref().map(Bits::count),
                in_use_without_owner: lost,
                owned_but_free: self
                    .bitmap
                    .as_ref()
                    .map_or(0, |bitmap| self.space.owned.count_without(bitmap)),
                owned_twice: self.space.twice.count(),
                marked_bad,
                records_in_use: None,
                records_listed: self.listed,
                records_damaged: self.damaged,
            },
            findings: self.findings,
        }
    }
}

#[cfg(test)]
mod tests;
