//! FAT12, FAT16 and FAT32, read directly (Microsoft FAT specification).
//!
//! Two walks over the folders: the first books who owns which cluster, the second hands out the items, so that
//! *both* owners of a shared cluster bear a mark. Deleted entries are not listed.
//!
//! Invariant: an item without a mark has a chain with as many clusters as its size needs, that no other item
//! shares, and about which the copies of the table agree. More clusters than that are a sentence while they are blank.

mod boot;
mod entry;
mod table;

pub use boot::{Boot, Width};

use super::bytes::Part;
use super::chain::{Bits, Chain, Link, Space, Table};
use super::filesystem::{Accounts, Findings, Found, Limits, NotSurveyed, Place, Survey, Weight};
use super::spare;
use crate::port::Sectors;
use crate::survey::item::{Kind, Mark};
use crate::value::Name;
use entry::{ENTRY, Entry};
use std::collections::HashMap;

/// A folder holds 65,536 entries at most (Microsoft FAT specification).
const FOLDER_BYTES: u64 = 65_536 * ENTRY as u64;
/// Folder bytes kept from the first walk for the second (engineering judgement).
const KEPT_BYTES: usize = 64 << 20;

/// Lists a FAT volume. `boot_at` is the place of the boot sector within the volume: 0, or that of
/// the backup when the first one is gone.
pub fn survey(
    sectors: &dyn Sectors,
    place: Place,
    boot_at: u64,
    limits: Limits,
    see: &mut dyn FnMut(Found),
) -> Result<Survey, NotSurveyed> {
    let part = Part::new(sectors, place);
    let doing = || format!("surveying the FAT volume at byte {}", place.first_byte);
    let raw = part
        .read_vec(boot_at, 512)
        .map_err(|fault| NotSurveyed::unread(doing(), fault))?;
    let boot = Boot::parse(&raw).map_err(|why| {
        NotSurveyed::because(
            doing(),
            format!("expected a FAT boot sector, found: {why}"),
            "look at the backup boot sector, or have the volume repaired on a copy",
        )
    })?;
    let mut findings = Findings::new();
    check_boot(&part, &boot, boot_at, &mut findings);
    let table = table::read(&part, &boot, limits, &mut findings).map_err(|why| {
        NotSurveyed::because(
            doing(),
            why,
            "raise the limit, or survey it on a machine with more memory",
        )
    })?;
    let space = Space::new(
        part.absolute(boot.data_at()),
        u64::from(boot.cluster_bytes),
        boot.clusters,
    );
    let mut reader = Reader {
        part,
        boot,
        table,
        space,
        limits,
        findings,
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

fn check_boot(part: &Part<'_>, boot: &Boot, boot_at: u64, findings: &mut Findings) {
    if boot.bytes() > part.bytes() {
        findings.note(
            "volume-longer-than-partition",
            Weight::OpenPoint,
            None,
            || {
                format!(
                    "the volume says {} bytes, its place has {}",
                    boot.bytes(),
                    part.bytes()
                )
            },
        );
    }
    if boot.table_short {
        findings.note("table-short", Weight::OpenPoint, None, || {
            format!("the allocation table has entries for {} clusters only; the volume has room for more", boot.clusters)
        });
    }
    if boot_at != 0 {
        findings.note("boot-sector-from-backup", Weight::OpenPoint, None, || {
            "the first sector does not hold; the backup was used".to_owned()
        });
    } else if boot.width == Width::Fat32
        && let Ok(backup) = part.read_vec(6 * u64::from(boot.sector_bytes), 512)
        && let Ok(other) = Boot::parse(&backup)
    {
        // The dirty bit and the like may differ; the geometry may not.
        let same = Boot {
            dirty: boot.dirty,
            label: boot.label.clone(),
            ..other
        } == *boot;
        if !same {
            findings.note("boot-sectors-differ", Weight::OpenPoint, None, || {
                "the boot sector and its backup describe different volumes; the first one was used".to_owned()
            });
        }
    }
}

/// One folder waiting to be read.
struct Folder {
    /// Record of its own entry; 0 = the root.
    record: u64,
    /// First cluster; 0 = the fixed root folder.
    cluster: u32,
    depth: u32,
}

struct Reader<'a> {
    part: Part<'a>,
    boot: Boot,
    table: Table,
    space: Space,
    limits: Limits,
    findings: Findings,
    label: Option<Name>,
    /// Folders that could not be read whole, by record: found in the first walk, told in the second.
    broken: HashMap<u64, (Mark, String)>,
    kept: HashMap<u64, (Vec<u8>, Chain)>,
    kept_bytes: usize,
    look: spare::Look,
    listed: u64,
    damaged: u64,
    whole: bool,
}

impl Reader<'_> {
    /// One walk over all folders; with `see` the items are handed out, without it clusters are booked.
    fn walk(&mut self, mut see: Option<&mut dyn FnMut(Found)>) {
        let mut entered = Bits::new(u64::from(self.boot.clusters) + 2);
        let mut waiting = vec![Folder {
            record: 0,
            cluster: self.boot.root_cluster,
            depth: 0,
        }];
        entered.set(u64::from(self.boot.root_cluster));
        let mut items = 0u64;
        if let Some(see) = see.as_deref_mut() {
            see(self.root());
        }
        while let Some(folder) = waiting.pop() {
            let booking = see.is_none();
            let (bytes, chain) = self.folder_bytes(&folder, booking);
            let mut entries = Vec::new();
            entry::each(&bytes, self.boot.width == Width::Fat32, &mut |entry| {
                entries.push(entry);
            });
            if !self.dots_hold(&folder, &entries, booking) {
                continue;
            }
            for entry in entries {
                if entry.dots != 0 {
                    continue;
                }
                if entry.is_label() {
                    if folder.record == 0 && self.label.is_none() {
                        self.label = Some(entry.name);
                    }
                    continue;
                }
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
                let record = self.record(&folder, &chain, entry.at);
                let found = if entry.is_folder() {
                    self.take_folder(&entry, &folder, record, &mut entered, &mut waiting, booking)
                } else {
                    self.take_file(&entry, folder.record, record, booking)
                };
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

    fn root(&self) -> Found {
        let mut found = Found::new(0, 0, Name::Units(Vec::new()), Kind::Folder);
        if let Some((mark, why)) = self.broken.get(&0) {
            found.marks.set(*mark);
            found.trouble = Some(why.clone());
        }
        found
    }

    /// The byte place of an entry within the volume: unique, and never 0.
    fn record(&self, folder: &Folder, chain: &Chain, at: usize) -> u64 {
        if folder.cluster == 0 {
            return self.boot.root_at() + at as u64;
        }
        let mut left = at as u64;
        for (first, count) in &chain.runs {
            let here = u64::from(*count) * self.space.cluster_bytes;
            if left < here {
                let start = self.space.at(*first).saturating_sub(self.part.absolute(0));
                return start + left;
            }
            left -= here;
        }
        u64::MAX
    }

    /// A folder's bytes; what cannot be read reads as deleted entries, and is told.
    fn folder_bytes(&mut self, folder: &Folder, booking: bool) -> (Vec<u8>, Chain) {
        if !booking && let Some(kept) = self.kept.remove(&folder.record) {
            return kept;
        }
        let chain = if folder.cluster == 0 && self.boot.width != Width::Fat32 {
            Chain::empty()
        } else {
            let limit = FOLDER_BYTES.div_ceil(self.space.cluster_bytes);
            self.space.follow(&self.table, folder.cluster, limit)
        };
        let mut places: Vec<(u64, usize)> = Vec::new();
        if folder.cluster == 0 && self.boot.width != Width::Fat32 {
            places.push((self.boot.root_at(), self.boot.root_entries as usize * ENTRY));
        }
        for (first, count) in &chain.runs {
            for cluster in (*first..).take(*count as usize) {
                let at = self.space.at(cluster).saturating_sub(self.part.absolute(0));
                places.push((at, self.space.cluster_bytes as usize));
            }
        }
        let mut bytes = Vec::new();
        for (at, length) in places {
            match self.part.read_vec(at, length) {
                Ok(piece) => bytes.extend(piece),
                Err(fault) => {
                    bytes.resize(bytes.len() + length, 0xE5);
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
        if booking {
            self.space.claim(&chain);
            if let Some(trouble) = chain.trouble() {
                self.whole = false;
                self.findings.note(
                    "folder-chain-broken",
                    Weight::OpenPoint,
                    Some(folder.record),
                    || format!("a folder's content is cut short or in doubt: {trouble}"),
                );
                self.broken
                    .entry(folder.record)
                    .or_insert((Mark::Damaged, trouble));
            }
            if self.kept_bytes + bytes.len() <= KEPT_BYTES {
                self.kept_bytes += bytes.len();
                self.kept
                    .insert(folder.record, (bytes.clone(), chain.clone()));
            }
        }
        (bytes, chain)
    }

    /// The first entry of a folder other than the root is for itself; without it, the bytes are something else.
    /// (Some writers put a long name in front of it, so it is not always at byte 0.)
    fn dots_hold(&mut self, folder: &Folder, entries: &[Entry], booking: bool) -> bool {
        if folder.record == 0 {
            return true;
        }
        let first = entries.first().filter(|entry| entry.dots == 1);
        let own = first.is_some();
        let says = first.map_or(0, |entry| entry.cluster);
        if own && says == folder.cluster {
            return true;
        }
        if booking {
            self.whole = false;
            let why = if own {
                format!(
                    "its own entry says that it starts at cluster {says}, it was reached at {}",
                    folder.cluster
                )
            } else {
                "its clusters do not hold a folder".to_owned()
            };
            self.findings.note(
                "folder-content-lost",
                Weight::OpenPoint,
                Some(folder.record),
                || format!("a folder's content is not a folder's: {why}"),
            );
            self.broken
                .entry(folder.record)
                .or_insert((Mark::Damaged, why));
        }
        own
    }

    fn take_folder(
        &mut self,
        entry: &Entry,
        within: &Folder,
        record: u64,
        entered: &mut Bits,
        waiting: &mut Vec<Folder>,
        booking: bool,
    ) -> Found {
        let mut found = Found::new(record, within.record, entry.name.clone(), Kind::Folder);
        found.times = entry.times;
        let deeper = within.depth + 1;
        let refused = if !self.table.exists(entry.cluster) {
            Some("it has no clusters".to_owned())
        } else if entered.set(u64::from(entry.cluster)) {
            Some("it leads back into a folder that was already listed".to_owned())
        } else if deeper > self.limits.depth {
            Some(format!(
                "it lies more than {} folders deep",
                self.limits.depth
            ))
        } else {
            None
        };
        match refused {
            Some(why) => {
                if booking {
                    self.whole = false;
                    self.findings.note(
                        "folder-not-entered",
                        Weight::OpenPoint,
                        Some(record),
                        || {
                            format!(
                                "the folder \"{}\" was not entered: {why}",
                                entry.name.text()
                            )
                        },
                    );
                }
                found.marks.set(Mark::Damaged);
                found.trouble = Some(why);
            }
            None => waiting.push(Folder {
                record,
                cluster: entry.cluster,
                depth: deeper,
            }),
        }
        if let Some((mark, why)) = self.broken.get(&record) {
            found.marks.set(*mark);
            found.trouble = Some(why.clone());
        }
        found
    }

    fn take_file(&mut self, entry: &Entry, parent: u64, record: u64, booking: bool) -> Found {
        let mut found = Found::new(record, parent, entry.name.clone(), Kind::File);
        found.times = entry.times;
        found.bytes = u64::from(entry.bytes);
        let needed = found.bytes.div_ceil(self.space.cluster_bytes);
        let mut tail = Chain::empty();
        let (chain, trouble) = match (entry.bytes, entry.cluster) {
            (0, 0) => (Chain::empty(), None),
            (0, cluster) => {
                let chain = self.space.follow(&self.table, cluster, u64::MAX);
                let why = format!(
                    "its size is 0, but {} clusters belong to it",
                    chain.clusters
                );
                (chain, Some(why))
            }
            (_, 0) => (
                Chain::empty(),
                Some("it has a size, but no clusters".to_owned()),
            ),
            (_, cluster) => {
                let chain;
                (chain, tail) = self.space.follow_file(&self.table, cluster, needed);
                let trouble = chain.trouble();
                (chain, trouble)
            }
        };
        if booking {
            self.space.claim(&chain);
            self.space.claim_spare(&tail);
            return found;
        }
        if entry.long_name_broken {
            self.findings
                .note("long-name-broken", Weight::Sentence, Some(record), || {
                    format!(
                        "the long name of \"{}\" is lost; its short name is used",
                        entry.name.text()
                    )
                });
        }
        let trouble = trouble.or_else(|| {
            self.space.shared(&chain).then(|| {
                "another item owns some of its clusters too: its bytes were copied, but whose they are is not known"
                    .to_owned()
            })
        });
        let trouble = trouble.or_else(|| self.space.tail_trouble(&tail));
        let trouble = trouble.or_else(|| self.look.trouble(&self.part, &self.space, &tail));
        if tail.clusters > 0 && trouble.is_none() {
            spare::note(&mut self.findings, record, &entry.name, tail.clusters);
        }
        let (layout, absurd) = self.space.layout(&chain, found.bytes, found.bytes);
        found.bytes = layout.length;
        found.layout = Some(layout);
        if let Some(why) = absurd.or(trouble) {
            found.marks.set(Mark::Damaged);
            self.findings
                .note("items-damaged", Weight::OpenPoint, Some(record), || {
                    format!("\"{}\": {why}", entry.name.text())
                });
            found.trouble = Some(why);
        }
        found
    }

    fn finish(mut self) -> Survey {
        let clusters = u64::from(self.boot.clusters);
        let mut in_use = Bits::new(clusters + 2);
        let mut pointed = Bits::new(clusters + 2);
        let mut marked_bad = 0;
        for cluster in 2..self.boot.clusters.saturating_add(2) {
            match self.table.link(cluster) {
                Link::Free | Link::Unread => {}
                Link::Bad => marked_bad += 1,
                Link::Next(next) => {
                    in_use.set(u64::from(cluster));
                    pointed.set(u64::from(next));
                }
                Link::End | Link::Outside => {
                    in_use.set(u64::from(cluster));
                }
            }
        }
        let lost = in_use.count_without(&self.space.owned);
        if lost > 0 {
            let heads = (2..clusters + 2)
                .filter(|c| in_use.has(*c) && !self.space.owned.has(*c) && !pointed.has(*c))
                .count();
            self.findings.note_many("lost-chains", Weight::OpenPoint, None, heads.max(1) as u64, || {
                format!("{lost} clusters in {heads} chains are in use, but no folder lists them: files without a name")
            });
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
        let flags = self.table.raw_entry(1);
        // Entry 1: "closed properly" and "no hard errors seen" (bits 15 and 14; 27 and 26 on FAT32).
        let (closed, sound) = match (self.boot.width, flags) {
            (Width::Fat16, Some(flags)) => (flags & 0x8000 != 0, flags & 0x4000 != 0),
            (Width::Fat32, Some(flags)) => (flags & 0x0800_0000 != 0, flags & 0x0400_0000 != 0),
            _ => (true, true),
        };
        let dirty = !closed || self.boot.dirty;
        if dirty {
            self.findings
                .note("not-closed", Weight::Sentence, None, || {
                    "the volume was not closed properly".to_owned()
                });
        }
        if !sound {
            self.findings
                .note("hard-errors-seen", Weight::Sentence, None, || {
                    "the system that wrote here met disk errors: a sign of the drive's health"
                        .to_owned()
                });
        }
        Survey {
            format: self.boot.width.word(),
            label: self.label.or_else(|| {
                self.boot
                    .label
                    .as_deref()
                    .map(|text| Name::Units(text.encode_utf16().collect()))
            }),
            serial: self.boot.serial_text(),
            dirty: (self.boot.width != Width::Fat12 || self.boot.dirty).then_some(dirty),
            root: 0,
            bytes: self.boot.bytes(),
            whole: self.whole,
            accounts: Accounts {
                cluster_bytes: self.space.cluster_bytes,
                clusters,
                owned: self.space.owned.count(),
                in_use: Some(in_use.count()),
                in_use_without_owner: lost,
                owned_but_free: self.space.owned.count_without(&in_use),
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
