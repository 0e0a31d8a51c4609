//! ext2, ext3 and ext4 by a library that applies the journal in memory. A mount that skips the journal loses files,
//! one that replays it writes to the drive; this does neither.
//!
//! The library gives bytes, not places: items bear no layout, and content is read by path through a handle. Neither does
//! it give inode numbers: a file with two names is listed as two files, and `record` is a number in the order of listing.
//!
//! Invariant: trouble with one item is told on that item, and the listing goes on.

use super::bytes::{Part, le16, le32};
use super::filesystem::{
    Accounts, Findings, Found, Limits, NoContent, NotSurveyed, Place, Survey, Weight,
};
use crate::port::{Fault, FaultKind, Sectors};
use crate::survey::item::{Kind, Mark, Times};
use crate::value::Name;
use ext4_view::{Ext4, Ext4Error, Ext4Read, FileType, Metadata, PathBuf};
use std::sync::Arc;

/// The library's way to the drive: it can only read.
struct Source {
    sectors: Arc<dyn Sectors>,
    place: Place,
}

impl Ext4Read for Source {
    fn read(
        &mut self,
        start_byte: u64,
        dst: &mut [u8],
    ) -> Result<(), Box<dyn std::error::Error + Send + Sync + 'static>> {
        Part::new(&*self.sectors, self.place)
            .read(start_byte, dst)
            .map_err(Into::into)
    }
}

/// An open volume. Not shared between threads: each opens its own.
pub struct ExtVolume {
    fs: Ext4,
    place: Place,
    facts: Facts,
}

/// What the superblock says.
#[derive(Debug, Clone, PartialEq, Eq)]
struct Facts {
    format: &'static str,
    inodes: u32,
    free_inodes: u32,
    reserved_inodes: u32,
    bytes: u64,
    needs_recovery: bool,
    clean: bool,
    errors_seen: bool,
}

/// One file, open for reading.
pub struct ExtFile {
    file: ext4_view::File,
}

impl ExtVolume {
    /// Opens the volume and reads its journal. Nothing is written.
    pub fn open(
        sectors: Arc<dyn Sectors>,
        place: Place,
        limits: Limits,
    ) -> Result<Self, NotSurveyed> {
        let doing = format!("opening the ext volume at byte {}", place.first_byte);
        let part = Part::new(&*sectors, place);
        let sb = part
            .read_vec(1024, 1024)
            .map_err(|fault| NotSurveyed::unread(doing.clone(), fault))?;
        let facts = Facts::parse(&sb, part.bytes(), limits).map_err(|why| {
            NotSurveyed::because(
                doing.clone(),
                why,
                "have the file system checked on a copy, with a backup superblock",
            )
        })?;
        let source = Source {
            sectors: Arc::clone(&sectors),
            place,
        };
        match Ext4::load(Box::new(source)) {
            Ok(fs) => Ok(Self { fs, place, facts }),
            Err(error) => Err(match fault_of(&error) {
                Some(fault) => NotSurveyed::unread(doing, fault),
                None => NotSurveyed::because(
                    doing,
                    error.to_string(),
                    "mount it with recovery on a throw-away overlay above the write-protected drive and give the mount with --folder",
                ),
            }),
        }
    }

    /// Calls `see` for the root and everything below it, parents first.
    pub fn survey(&self, limits: Limits, see: &mut dyn FnMut(Found)) -> Survey {
        let mut listing = Listing {
            volume: self,
            limits,
            findings: Findings::new(),
            next: 1,
            listed: 0,
            damaged: 0,
            whole: true,
        };
        listing.run(see);
        listing.finish()
    }

    /// Opens a file by the parts of its path from the root, exact bytes. Links are not followed: a path that
    /// leads to or through one is refused.
    pub fn file(&self, parts: &[Vec<u8>]) -> Result<ExtFile, Fault> {
        let path = path_of(parts)?;
        let doing = || {
            format!(
                "opening \"{}\" of the ext volume at byte {}",
                path.display(),
                self.place.first_byte
            )
        };
        let kind = self
            .fs
            .symlink_metadata(path.as_path())
            .map_err(|error| in_fault(&error, doing()))?
            .file_type();
        if kind != FileType::Regular {
            return Err(Fault::new(FaultKind::Other, doing(), "not a file"));
        }
        let file = self
            .fs
            .open(path.as_path())
            .map_err(|error| in_fault(&error, doing()))?;
        Ok(ExtFile { file })
    }
}

impl ExtFile {
    /// Length in bytes.
    pub fn bytes(&self) -> u64 {
        self.file.metadata().len()
    }

    /// Fills `buf` from `at` as far as the file goes and says how much that was; 0 = the end. Reading on from where the
    /// last call ended is quick, anything else walks the file's blocks from its start.
    pub fn read_at(&mut self, at: u64, buf: &mut [u8]) -> Result<usize, Fault> {
        let doing = || {
            format!(
                "reading {} bytes at {at} of a file on an ext volume",
                buf.len()
            )
        };
        if at >= self.bytes() {
            return Ok(0);
        }
        if self.file.position() != at {
            let told = doing();
            self.file
                .seek_to(at)
                .map_err(|error| in_fault(&error, told))?;
        }
        let told = doing();
        let mut done = 0;
        while let Some(rest) = buf.get_mut(done..)
            && !rest.is_empty()
        {
            match self.file.read_bytes(rest) {
                Ok(0) => break,
                Ok(count) => done += count,
                Err(error) => {
                    return Err(in_fault(&error, told));
                }
            }
        }
        Ok(done)
    }
}

fn path_of(parts: &[Vec<u8>]) -> Result<PathBuf, Fault> {
    let bad = |why: &str| Fault::new(FaultKind::Other, "naming a path on an ext volume", why);
    let mut path = PathBuf::new("/");
    for part in parts {
        if part == b"." || part == b".." {
            return Err(bad("a part of it is . or .."));
        }
        let name = ext4_view::DirEntryName::try_from(part.as_slice())
            .map_err(|_| bad("a part of it cannot be a name"))?;
        path.push(name);
    }
    Ok(path)
}

/// The read fault behind an error, if it was one.
fn fault_of(error: &Ext4Error) -> Option<Fault> {
    error
        .as_io()
        .and_then(|inner| inner.downcast_ref::<Fault>())
        .cloned()
}

fn in_fault(error: &Ext4Error, doing: String) -> Fault {
    match fault_of(error) {
        Some(fault) => Fault { doing, ..fault },
        None => Fault::new(FaultKind::Other, doing, error.to_string()),
    }
}

impl Facts {
    fn parse(sb: &[u8], room: u64, limits: Limits) -> Result<Self, String> {
        if le16(sb, 56) != 0xEF53 {
            return Err("expected an ext superblock, found none".to_owned());
        }
        let (compat, incompat, ro) = (le32(sb, 92), le32(sb, 96), le32(sb, 100));
        let log = le32(sb, 24);
        if log > 6 {
            return Err(format!("blocks of 2^{} bytes", u64::from(log) + 10));
        }
        let block = 1024u64 << log;
        let wide = incompat & 0x80 != 0;
        let high = if wide { le32(sb, 0x150) } else { 0 };
        let blocks = u64::from(high) << 32 | u64::from(le32(sb, 4));
        let bytes = blocks
            .checked_mul(block)
            .ok_or("more blocks than can be addressed")?;
        let (first, per_group) = (u64::from(le32(sb, 20)), u64::from(le32(sb, 32)));
        if per_group == 0 || first >= blocks {
            return Err("groups of no blocks".to_owned());
        }
        // The library reads all group descriptors at once.
        let groups = (blocks - first).div_ceil(per_group);
        let descriptor = if wide {
            u64::from(le16(sb, 0xFE)).max(32)
        } else {
            32
        };
        let wanted = groups.saturating_mul(descriptor);
        if wanted > room || wanted > limits.table_bytes {
            return Err(format!(
                "{groups} block groups, more than fit on the volume"
            ));
        }
        let format = if incompat & !0x16 != 0 || ro & !0x07 != 0 {
            "ext4"
        } else if compat & 0x04 != 0 {
            "ext3"
        } else {
            "ext2"
        };
        let old = le32(sb, 76) == 0;
        let state = le16(sb, 58);
        Ok(Self {
            format,
            inodes: le32(sb, 0),
            free_inodes: le32(sb, 16),
            reserved_inodes: if old {
                10
            } else {
                le32(sb, 84).saturating_sub(1)
            },
            bytes,
            needs_recovery: incompat & 0x04 != 0,
            clean: state & 1 != 0,
            errors_seen: state & 2 != 0,
        })
    }
}

struct Listing<'a> {
    volume: &'a ExtVolume,
    limits: Limits,
    findings: Findings,
    next: u64,
    listed: u64,
    damaged: u64,
    whole: bool,
}

/// One folder waiting to be read.
struct Waiting {
    record: u64,
    path: PathBuf,
    depth: u32,
}

impl Listing<'_> {
    fn run(&mut self, see: &mut dyn FnMut(Found)) {
        let mut root = Found::new(0, 0, Name::Bytes(Vec::new()), Kind::Folder);
        if let Ok(metadata) = self.volume.fs.symlink_metadata("/") {
            root.times = times(&metadata);
        }
        see(root);
        let mut waiting = vec![Waiting {
            record: 0,
            path: PathBuf::new("/"),
            depth: 0,
        }];
        // Every folder has an inode and one name: more of them than inodes means that they lead in circles.
        let mut folders = 0u64;
        while let Some(folder) = waiting.pop() {
            folders += 1;
            if folders > u64::from(self.volume.facts.inodes) {
                self.whole = false;
                self.findings
                    .note("folder-loop", Weight::OpenPoint, None, || {
                        "more folders than inodes: folders lead in circles; the rest is not listed"
                            .to_owned()
                    });
                return;
            }
            if !self.folder(&folder, &mut waiting, see) {
                return;
            }
        }
    }

    /// Lists one folder; `false` = the limit of items is reached.
    fn folder(
        &mut self,
        folder: &Waiting,
        waiting: &mut Vec<Waiting>,
        see: &mut dyn FnMut(Found),
    ) -> bool {
        let entries = match self.volume.fs.read_dir(folder.path.as_path()) {
            Ok(entries) => entries,
            Err(error) => {
                self.folder_lost(folder, &error);
                return true;
            }
        };
        for entry in entries {
            let entry = match entry {
                Ok(entry) => entry,
                Err(error) => {
                    self.folder_lost(folder, &error);
                    continue;
                }
            };
            let name = entry.file_name().as_ref().to_vec();
            if name == b"." || name == b".." {
                continue;
            }
            if self.listed >= self.limits.items {
                self.whole = false;
                self.findings
                    .note("too-many-items", Weight::OpenPoint, None, || {
                        format!(
                            "more than {} names; the rest is not listed",
                            self.limits.items
                        )
                    });
                return false;
            }
            let record = self.next;
            self.next += 1;
            self.listed += 1;
            let path = entry.path();
            let found = self.item(record, folder.record, name, &path, entry.metadata());
            if found.marks.has(Mark::Damaged) || found.marks.has(Mark::Unreadable) {
                self.damaged += 1;
            }
            let enter = found.kind == Kind::Folder && found.no_content == Some(NoContent::Folder);
            see(found);
            if enter {
                if folder.depth >= self.limits.depth {
                    self.whole = false;
                    self.findings.note(
                        "folder-not-entered",
                        Weight::OpenPoint,
                        Some(record),
                        || format!("folders lie more than {} deep", self.limits.depth),
                    );
                } else {
                    waiting.push(Waiting {
                        record,
                        path,
                        depth: folder.depth + 1,
                    });
                }
            }
        }
        true
    }

    fn folder_lost(&mut self, folder: &Waiting, error: &Ext4Error) {
        self.whole = false;
        self.findings.note("folder-unread", Weight::OpenPoint, Some(folder.record), || {
            format!(
                "the folder \"{}\" could not be read whole ({error}); what else it holds is not listed",
                folder.path.display()
            )
        });
    }

    fn item(
        &mut self,
        record: u64,
        parent: u64,
        name: Vec<u8>,
        path: &PathBuf,
        metadata: Result<Metadata, Ext4Error>,
    ) -> Found {
        let name = Name::Bytes(name);
        let metadata = match metadata {
            Ok(metadata) => metadata,
            Err(error) => {
                let mut found = Found::new(record, parent, name, Kind::File);
                self.spoil(&mut found, &error);
                return found;
            }
        };
        let kind = match metadata.file_type() {
            FileType::Regular => Kind::File,
            FileType::Directory => Kind::Folder,
            FileType::Symlink => Kind::Link,
            _ => Kind::Special,
        };
        let mut found = Found::new(record, parent, name, kind);
        found.times = times(&metadata);
        match kind {
            // Opening each file here would search its folder once more for every name; trouble with its blocks shows
            // when it is read.
            Kind::File => found.bytes = metadata.len(),
            Kind::Link => match self.volume.fs.read_link(path.as_path()) {
                Ok(target) => {
                    found.link_target = Some(Name::Bytes(AsRef::<[u8]>::as_ref(&target).to_vec()));
                }
                Err(error) => self.spoil(&mut found, &error),
            },
            Kind::Folder => {
                if let Err(error @ Ext4Error::Encrypted) =
                    self.volume.fs.read_dir(path.as_path()).map(|_| ())
                {
                    self.spoil(&mut found, &error);
                }
            }
            Kind::Special => {}
        }
        found
    }

    /// Tells an item's trouble on the item.
    fn spoil(&mut self, found: &mut Found, error: &Ext4Error) {
        let why = error.to_string();
        match error {
            Ext4Error::Encrypted => {
                found.no_content = Some(NoContent::Encrypted);
                self.findings.note("items-encrypted", Weight::OpenPoint, Some(found.record), || {
                    "some items are encrypted by the file system; without their key they are lost with the wipe".to_owned()
                });
            }
            _ if error.as_io().is_some() => found.marks.set(Mark::Unreadable),
            _ => found.marks.set(Mark::Damaged),
        }
        if !matches!(error, Ext4Error::Encrypted) {
            self.findings.note(
                "items-damaged",
                Weight::OpenPoint,
                Some(found.record),
                || format!("\"{}\": {why}", found.name.text()),
            );
        }
        found.trouble = Some(why);
    }

    fn finish(mut self) -> Survey {
        let facts = &self.volume.facts;
        if facts.needs_recovery {
            self.findings.note("not-closed", Weight::Sentence, None, || {
                "the volume was not closed properly; the changes in its journal were applied in memory".to_owned()
            });
        }
        if facts.errors_seen {
            self.findings
                .note("errors-seen", Weight::OpenPoint, None, || {
                    "the system that wrote here found errors in the file system".to_owned()
                });
        }
        // The count is kept up to date only in a volume that was closed. The reserved inodes are in use and have no names,
        // but for the root and lost+found: the latter is the first that is not reserved.
        let settled = facts.clean && !facts.needs_recovery;
        let named = u64::from(facts.inodes)
            .saturating_sub(u64::from(facts.free_inodes))
            .saturating_sub(u64::from(facts.reserved_inodes));
        if settled && self.listed < named {
            let missing = named - self.listed;
            self.findings.note_many(
                "inodes-without-name",
                Weight::OpenPoint,
                None,
                missing,
                || {
                    format!(
                        "{named} inodes are in use, but only {} names were found",
                        self.listed
                    )
                },
            );
        }
        let label = self.volume.fs.label().as_bytes();
        let end = label.iter().position(|b| *b == 0).unwrap_or(label.len());
        Survey {
            format: facts.format,
            label: (end > 0).then(|| Name::Bytes(label.get(..end).unwrap_or_default().to_vec())),
            serial: Some(self.volume.fs.uuid().to_string()),
            dirty: Some(!settled),
            root: 0,
            bytes: facts.bytes,
            whole: self.whole,
            accounts: Accounts {
                records_in_use: None,
                records_listed: self.listed,
                records_damaged: self.damaged,
                ..Accounts::default()
            },
            findings: self.findings,
        }
    }
}

fn times(metadata: &Metadata) -> Times {
    let ns = |stamp: ext4_view::Timestamp| {
        stamp
            .seconds()
            .checked_mul(1_000_000_000)?
            .checked_add(i64::from(stamp.nanoseconds()))
    };
    Times {
        created: metadata.created().and_then(ns),
        modified: ns(metadata.modified()),
        changed: None,
        accessed: ns(metadata.accessed()),
    }
}
