//! The traits to the outside. Each has a real implementation (`linux`), a simulated one and
//! a failing one (`life`). A source has no write method; a destination cannot reach outside its folder.
//!
//! Invariant: everything the engine knows of the world passes through here, so a test can
//! put any world behind it.

mod dress;
mod mounted;

pub use dress::{Dress, Lacking};
pub use mounted::{Mounted, NotMounted, ToMount, ToldExtent, ToldForm};

use crate::drive::question::{Question, Reply};
use crate::survey::item::{Kind, Marks};
use crate::value::Moment;
use std::ffi::OsString;
use std::fmt;
use std::path::{Path, PathBuf};

/// Why the outside did not do what was asked.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Fault {
    /// What kind; decides what the engine does next.
    pub kind: FaultKind,
    /// What was tried and on what, in words.
    pub doing: String,
    /// The system's own word (`ENODATA`, "no space left").
    pub errno: String,
}

/// The kinds of fault that the engine tells apart.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum FaultKind {
    /// These bytes could not be read (medium or transport error); others may be readable.
    Refused,
    /// Time ran out; the request may still be in flight.
    NoAnswer,
    /// The device or folder is gone, or is another one than before.
    Gone,
    /// Not there (any more).
    Missing,
    /// Already there.
    Exists,
    /// The destination is full.
    Full,
    /// The destination takes no writes.
    ReadOnly,
    /// Permission refused.
    Denied,
    /// The destination cannot hold this name or size.
    CannotHold,
    /// Anything else.
    Other,
}

impl fmt::Display for Fault {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{}: {}", self.doing, self.errno)
    }
}

impl std::error::Error for Fault {}

impl Fault {
    /// A fault of the given kind.
    pub fn new(kind: FaultKind, doing: impl Into<String>, errno: impl Into<String>) -> Self {
        Self {
            kind,
            doing: doing.into(),
            errno: errno.into(),
        }
    }
}

/// Requests that may be announced before they are made: the bytes of one lie ready, the next is under way.
pub const AHEAD: usize = 2;

/// A drive (or image) as sectors. Read-only by construction.
pub trait Sectors: Send + Sync {
    /// Logical sector size in bytes (512 or 4096, or what the device says).
    fn sector_bytes(&self) -> u32;
    /// Length in bytes, as accessible now.
    fn bytes(&self) -> u64;
    /// Fills `buf` from byte `at`. Both need not be aligned. On a fault nothing in `buf` counts.
    fn read_at(&self, at: u64, buf: &mut [u8]) -> Result<(), Fault>;
    /// Says that the next request, behind those said already, will be exactly this one, so that it may be fetched
    /// meanwhile. No more than [`AHEAD`] of them are said before they are made.
    fn soon(&self, _at: u64, _bytes: usize) {}
    /// Whether it still owes the answer to a request whose time ran out: until then nothing can be asked of it.
    fn owes(&self) -> bool {
        false
    }
}

/// The way to a drive's health pages.
pub trait Transport {
    /// Asks one question. Implementations never ask twice on a device that stopped answering.
    fn ask(&mut self, question: Question) -> Reply;
    /// What stands between us and the drive, in words ("recorded replies", "NVMe", "USB adapter").
    fn says(&self) -> String;
}

/// The present moment and the passing of time.
pub trait Clock: Send + Sync {
    /// Now, by the machine's calendar clock.
    fn now(&self) -> Moment;
    /// Nanoseconds since some fixed point, never going back.
    fn ticks(&self) -> u64;
    /// Waits.
    fn rest(&self, nanoseconds: u64);
}

/// What the source says of one entry, by `statx` or its like.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct Stamp {
    /// Device number of the file system that holds it.
    pub device: u64,
    /// Inode or record number.
    pub inode: u64,
    /// Length in bytes.
    pub bytes: u64,
    /// Bytes allocated on the medium.
    pub allocated: u64,
    /// Last written, nanoseconds since 1970.
    pub modified_ns: i64,
    /// Entry last changed, nanoseconds since 1970.
    pub changed_ns: i64,
    /// Created, nanoseconds since 1970; 0 = not kept.
    pub created_ns: i64,
    /// Permission bits and type, as `st_mode`.
    pub mode: u32,
    /// Owner.
    pub user: u32,
    /// Group.
    pub group: u32,
    /// Number of names.
    pub names: u32,
}

/// One entry of a folder of the source.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Entry {
    /// Name, exact bytes.
    pub name: Vec<u8>,
    /// What it is.
    pub kind: Kind,
    /// What `statx` says; `Err` when even that failed.
    pub stamp: Result<Stamp, Fault>,
    /// Target of a link, exact bytes.
    pub target: Option<Vec<u8>>,
    /// Extended attributes: name and value. Access-control lists appear as `system.posix_acl_*`.
    pub attributes: Vec<(Vec<u8>, Vec<u8>)>,
    /// Marks that the tree itself can tell and the stamp does not (other mount, compressed).
    pub marks: Marks,
}

/// A tree of folders without extents: the customer's folder, or a mounted volume.
pub trait Tree: Send + Sync {
    /// What the root is: device, file system, and whatever identifies it again.
    fn root(&self) -> Result<TreeRoot, Fault>;
    /// A folder, reached by descriptors beneath the root, each part opened without following links.
    fn folder(&self, parts: &[Vec<u8>]) -> Result<Box<dyn Folder>, Fault>;
}

/// Identity of a tree's root.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct TreeRoot {
    /// The path as given, for people.
    pub path: String,
    /// Stamp of the root folder itself.
    pub stamp: Stamp,
    /// Name of the file system type.
    pub file_system: String,
    /// Identity of the file system (UUID or fsid in hex), empty = not reported.
    pub file_system_id: String,
    /// The whole disks under it, by kernel name; empty = none known (network, memory).
    pub disks: Vec<String>,
    /// Why `disks` may be incomplete, in words; empty = the way down was followed to the end.
    pub disks_unknown: Vec<String>,
}

/// One open folder of a tree.
pub trait Folder: Send + Sync {
    /// Calls `see` for every entry, in no particular order. A fault of one entry is in that
    /// entry; a fault of the folder ends the walk and is returned.
    fn each(&self, see: &mut dyn FnMut(Entry)) -> Result<(), Fault>;
    /// Calls `see` with every name, in no particular order, until it says `false`: cheaper than
    /// [`Folder::each`] where nothing but names is wanted.
    fn names(&self, see: &mut dyn FnMut(&[u8]) -> bool) -> Result<(), Fault> {
        let mut on = true;
        self.each(&mut |entry| on = on && see(&entry.name))
    }
    /// Opens a subfolder (links are never followed).
    fn folder(&self, name: &[u8]) -> Result<Box<dyn Folder>, Fault>;
    /// Opens a file's content for reading (links are never followed).
    fn open(&self, name: &[u8]) -> Result<Box<dyn Content>, Fault>;
    /// The stamp of one entry, now.
    fn stamp(&self, name: &[u8]) -> Result<Stamp, Fault>;
}

/// Open content.
pub trait Content: Send + Sync {
    /// The stamp now (of the open file, not of the name).
    fn stamp(&self) -> Result<Stamp, Fault>;
    /// Reads up to `buf.len()` bytes at `at`; 0 = the end. When `buf` starts and ends on
    /// 4096-byte borders and `at` does too, the page cache is bypassed where the file system can.
    fn read_at(&self, at: u64, buf: &mut [u8]) -> Result<usize, Fault>;
    /// The next range at or after `at` that holds data, `None` = only a hole follows.
    /// Trees that cannot tell answer with the rest of the file.
    fn data_after(&self, at: u64) -> Result<Option<(u64, u64)>, Fault>;
    /// Like [`Content::read_at`], but goes on behind what cannot be read, for content that knows to the byte
    /// what that is. `None` = this one does not: narrow a refused request by asking for less.
    fn read_around(&self, _at: u64, _buf: &mut [u8]) -> Option<Result<Stretch, Fault>> {
        None
    }
    /// Calls `see` with every stretch of it that lies anywhere, in order; what lies between them reads as zeros.
    fn extents(&self, _see: &mut dyn FnMut(ToldExtent)) -> Result<(), Fault> {
        let doing = "asking where content lies";
        Err(Fault::new(FaultKind::Other, doing, "not told here"))
    }
}

/// What came of reading one stretch of content into a buffer.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct Stretch {
    /// Bytes that count, from the start of the buffer (missing ranges are zeros); 0 = the end.
    pub bytes: usize,
    /// The ranges among them that could not be read: first byte of the content, length.
    pub missing: Vec<(u64, u64)>,
    /// The newest fault among them.
    pub fault: Option<Fault>,
}

/// What a destination says of itself.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct DestinationFacts {
    /// The path as given, for people.
    pub path: String,
    /// Identity of the file system that holds it (device number).
    pub device: u64,
    /// Whole disks under it, by kernel name, through partitions, stacked devices and loop files.
    pub disks: Vec<String>,
    /// Why `disks` may be incomplete, in words; empty = the way down was followed to the end.
    pub disks_unknown: Vec<String>,
    /// Whether it is a loop device or a memory file system (counts for practice only).
    pub practice_only: bool,
    /// Reached over a network.
    pub network: bool,
    /// File system type.
    pub file_system: String,
    /// Free bytes for us.
    pub free_bytes: u64,
    /// Free file entries, `None` = not limited or not told.
    pub free_entries: Option<u64>,
    /// Longest name in bytes.
    pub longest_name: u32,
    /// Largest file in bytes, `None` = no limit that matters.
    pub largest_file: Option<u64>,
    /// Names that differ only in case are one name here (tried, not guessed).
    pub folds_case: bool,
    /// Hard links can be made here (tried).
    pub hard_links: bool,
    /// Why writing does not work (tried); `None` = it works.
    pub not_writable: Option<String>,
}

/// What lies below a folder of a destination.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Below<'a> {
    /// Its path within the destination.
    pub path: &'a str,
    /// Whether it is a folder.
    pub is_folder: bool,
    /// Length of a file in bytes.
    pub bytes: u64,
    /// When its content was last written, in nanoseconds since 1970, and the number of its inode; `None` = they do not stay
    /// the same: a file system that keeps local time tells another one in another season, and one that a program serves
    /// may number its files anew.
    pub written: Option<(i128, u64)>,
}

/// A place that copies go to: one job folder on one destination. Paths are relative to it,
/// `/`-separated, made of bag names only.
pub trait Destination: Send + Sync {
    /// What it is, looked at now.
    fn facts(&self) -> Result<DestinationFacts, Fault>;
    /// Makes a folder and its parents; being there already is fine.
    fn make_folder(&self, path: &str) -> Result<(), Fault>;
    /// Starts a new file (must not exist). `bytes` is the expected length.
    fn create(&self, path: &str, bytes: u64) -> Result<Box<dyn Writing>, Fault>;
    /// Opens a file of this job to be written over from its start, in the place that it has on the medium where the file
    /// system writes in place. [`Writing::finish`] cuts it to its new length.
    fn write_over(&self, path: &str) -> Result<Box<dyn Writing>, Fault>;
    /// Gives `existing` a second name (hard link).
    fn link(&self, existing: &str, path: &str) -> Result<(), Fault>;
    /// Renames within the destination, replacing what is there.
    fn rename(&self, from: &str, to: &str) -> Result<(), Fault>;
    /// Removes a file; missing is fine.
    fn remove(&self, path: &str) -> Result<(), Fault>;
    /// Removes an empty folder; missing is fine.
    fn remove_folder(&self, path: &str) -> Result<(), Fault>;
    /// Makes everything written so far durable on the medium. A fault means that nothing since
    /// the last success may be trusted.
    fn settle(&self) -> Result<(), Fault>;
    /// Opens a file for reading back, past the page cache where the file system can.
    fn open(&self, path: &str) -> Result<Box<dyn Content>, Fault>;
    /// Calls `see` for everything below `path`, parents first.
    fn each(&self, path: &str, see: &mut dyn FnMut(Below<'_>)) -> Result<(), Fault>;
    /// Reads a small file whole; `None` = not there.
    fn read_small(&self, path: &str) -> Result<Option<Vec<u8>>, Fault>;
    /// Replaces a small file durably: written beside, made durable, renamed, folder made durable.
    fn write_small(&self, path: &str, bytes: &[u8]) -> Result<(), Fault>;
    /// Whether a range that is never written takes no room here: tried with a file that is gone again at once, and not where
    /// trying would take room. Only for use before the copies are read back.
    fn keeps_holes(&self) -> bool {
        false
    }
    /// Bytes that this process has fetched from the medium so far (to show that reading back was no cache hit).
    /// `None` = cannot be told here.
    fn fetched_bytes(&self) -> Option<u64>;
}

/// A file being written.
pub trait Writing: Send {
    /// Writes at `at`. Aligned buffers and offsets bypass the page cache where the file system can.
    fn write_at(&mut self, at: u64, bytes: &[u8]) -> Result<(), Fault>;
    /// Makes the bytes written so far durable; the file's name is [`Destination::settle`]'s. A fault means that nothing
    /// since the last success may be trusted.
    fn settle(&mut self) -> Result<(), Fault>;
    /// Sets the final length and closes. Not yet durable: that is [`Destination::settle`].
    fn finish(self: Box<Self>, bytes: u64) -> Result<(), Fault>;
}

/// A buffer for the pipeline: its slice starts on a 2 MiB border.
pub struct Block {
    store: Vec<u8>,
    start: usize,
    bytes: usize,
}

impl Block {
    /// The border that every block starts on, so that the kernel may back it with huge pages.
    pub const BORDER: usize = 2 << 20;

    /// A zeroed block of `bytes`; `advise` is told the aligned slice once, before first use.
    pub fn new(bytes: usize, advise: &dyn Fn(&mut [u8])) -> Self {
        // A fresh zeroed allocation of this size comes as untouched pages, so advising comes before touching.
        let mut store = vec![0u8; bytes + Self::BORDER];
        let start = store.as_ptr().align_offset(Self::BORDER).min(Self::BORDER);
        advise(&mut store[start..start + bytes]);
        Self {
            store,
            start,
            bytes,
        }
    }
}

impl std::ops::Deref for Block {
    type Target = [u8];
    fn deref(&self) -> &[u8] {
        &self.store[self.start..self.start + self.bytes]
    }
}

impl std::ops::DerefMut for Block {
    fn deref_mut(&mut self) -> &mut [u8] {
        &mut self.store[self.start..self.start + self.bytes]
    }
}

/// Where blocks come from.
pub trait Memory: Send + Sync {
    /// A zeroed, aligned block.
    fn block(&self, bytes: usize) -> Block;
}

/// Permission bits of a folder that was made by [`Recipient::make_folder`] and not dressed yet. Nobody else
/// makes folders so, which tells a run that was cut off which folders it still has to dress.
pub const RECIPIENT_UNDRESSED: u32 = 0o1700;

/// Where items are put back: the fresh system's folder, by original names.
pub trait Recipient: Send + Sync {
    /// What is at `parts` now; links are looked at, not followed. `None` = nothing.
    fn look(&self, parts: &[Vec<u8>]) -> Result<Option<(Kind, Stamp, Option<Vec<u8>>)>, Fault>;
    /// Opens a file for reading back.
    fn open(&self, parts: &[Vec<u8>]) -> Result<Box<dyn Content>, Fault>;
    /// Makes one folder, with the mode [`RECIPIENT_UNDRESSED`] where modes are kept; its parent must be there.
    /// Being there already is fine.
    fn make_folder(&self, parts: &[Vec<u8>]) -> Result<(), Fault>;
    /// Starts a new file (must not exist). Ranges never written read as zeros (sparse where the file system can).
    fn create(&self, parts: &[Vec<u8>], bytes: u64) -> Result<Box<dyn Writing>, Fault>;
    /// Renames within one folder; never replaces what is there ([`FaultKind::Exists`]).
    fn rename(&self, from: &[Vec<u8>], to: &[Vec<u8>]) -> Result<(), Fault>;
    /// Makes a symbolic link (must not exist).
    fn make_link(&self, parts: &[Vec<u8>], target: &[u8]) -> Result<(), Fault>;
    /// Gives a file a second name (must not exist).
    fn hard_link(&self, existing: &[Vec<u8>], parts: &[Vec<u8>]) -> Result<(), Fault>;
    /// Sets mode, owner (where allowed), times and extended attributes. What could not be set is named, and is no failure.
    fn dress(&self, parts: &[Vec<u8>], kind: Kind, dress: &Dress) -> Result<Lacking, Fault>;
    /// Removes a file that this run made.
    fn remove(&self, parts: &[Vec<u8>]) -> Result<(), Fault>;
    /// Makes everything durable.
    fn settle(&self) -> Result<(), Fault>;
}

/// The machine that holdpoint runs on.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct Host {
    /// Something that stays the same on one machine and differs between machines (hex), empty = not told.
    pub id: String,
    /// Product name, empty = not told.
    pub product: String,
    /// Kernel version, empty = not told.
    pub kernel: String,
    /// Memory in bytes; `None` = not told.
    pub memory_bytes: Option<u64>,
}

/// One drive, as the system knows it before anything is asked of it.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct DriveFacts {
    /// Its node (or the image file), links resolved.
    pub path: PathBuf,
    /// Kernel name (`sda`); empty for an image file.
    pub name: String,
    /// An image file, no device.
    pub is_image: bool,
    /// A loop device: an image file that looks like a device.
    pub is_loop: bool,
    /// An opened volume that lies on other disks (unlocked, combined): no disk of its own. Its serial is made of theirs.
    pub is_stack: bool,
    /// Model, as the system has it; `None` = not told.
    pub model: Option<String>,
    /// Serial, as the system has it; `None` = not told.
    pub serial: Option<String>,
    /// Firmware, as the system has it; `None` = not told.
    pub firmware: Option<String>,
    /// Length in bytes, as accessible now.
    pub bytes: u64,
    /// Logical sector size in bytes.
    pub sector_bytes: u32,
    /// Turning platters; `None` = not told.
    pub rotational: Option<bool>,
    /// How it is attached, for people.
    pub bus: String,
    /// The whole disks under it (itself for a device; those under the file for an image).
    pub disks: Vec<String>,
    /// Which disks are under it could not be told in full.
    pub disks_unknown: bool,
    /// Device number of the file system that holds an image file; 0 for a device.
    pub device: u64,
    /// Number of an image file there, the same under each of its names; 0 for a device.
    pub inode: u64,
    /// Device number and number of the file that a loop device shows; `None` = it is none, or that was not told.
    pub shows: Option<(u64, u64)>,
    /// What of it is mounted or otherwise in use, and whether that may write.
    pub in_use: Vec<DriveUse>,
    /// The kernel's read-only flag; `None` = there is none (image) or it was not told.
    pub kernel_read_only: Option<bool>,
    /// Changes when another disk takes the name; `None` = not told.
    pub sequence: Option<u64>,
}

/// One use of a drive by the system.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct DriveUse {
    /// Mount point or holder, for people.
    pub at: String,
    /// The mount point, or the node of the holder.
    pub point: std::path::PathBuf,
    /// Whether it may write to the drive.
    pub writable: bool,
}

fn no_drives(doing: &str) -> Fault {
    Fault::new(FaultKind::Missing, doing, "this bench has no drives")
}

/// One drive kept open for reading, so that its name stays its own as long as it is kept.
pub trait Grip: Send {
    /// A path by which another program reaches this very drive for writing, checked now.
    ///
    /// # Errors
    /// [`FaultKind::Gone`] when the name leads to another drive or the drive went away.
    fn path(&self) -> Result<PathBuf, Fault>;
    /// Whether the kernel would give the whole drive to one user alone: nothing mounted, stacked or swapping
    /// on it or on a part of it, in whatever namespace.
    ///
    /// # Errors
    /// When something has it, or it cannot be told.
    fn alone(&self) -> Result<(), Fault>;
    /// Sets or lifts the kernel's read-only flag, and returns it as read back. An image file has none: `false`.
    ///
    /// # Errors
    /// When the kernel refuses, or shows the flag unchanged.
    fn set_read_only(&self, read_only: bool) -> Result<bool, Fault>;
}

/// A device that a word of a command names.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum DeviceNamed {
    /// A block device: a disk, a partition, a stack of them.
    Block,
    /// A character device that may reach a drive.
    Character,
}

/// The whole outside, as one thing that a job is given.
pub trait Bench: Send + Sync {
    /// The clock.
    fn clock(&self) -> &dyn Clock;
    /// Where buffers come from.
    fn memory(&self) -> &dyn Memory;
    /// Worker threads for copying; 0 = everything in one thread, in order.
    fn workers(&self) -> usize;
    /// Whether somebody asked to stop (signal).
    fn stop_asked(&self) -> bool;
    /// This machine.
    fn host(&self) -> Host;
    /// A path made absolute, links resolved; must exist.
    fn absolute(&self, path: &Path) -> Result<PathBuf, Fault>;
    /// Whether `inner` is `outer` or lies in it, by device and inode, bind mounts seen through.
    fn is_inside(&self, inner: &Path, outer: &Path) -> Result<bool, Fault>;
    /// A tree to be read.
    fn tree(&self, path: &Path) -> Result<Box<dyn Tree>, Fault>;
    /// A destination; `make` = create its last folder if it is not there.
    fn destination(&self, path: &Path, make: bool) -> Result<Box<dyn Destination>, Fault>;
    /// A folder that items are put back to.
    fn recipient(&self, path: &Path) -> Result<Box<dyn Recipient>, Fault>;
    /// What the system knows of a drive: a device, a loop device or an image file.
    fn drive(&self, path: &Path) -> Result<DriveFacts, Fault> {
        Err(no_drives(&format!(
            "looking at the drive {}",
            path.display()
        )))
    }
    /// A drive's sectors, read by one thread under a time limit.
    fn sectors(&self, path: &Path) -> Result<std::sync::Arc<dyn Sectors>, Fault> {
        Err(no_drives(&format!("opening the drive {}", path.display())))
    }
    /// Mounts a volume of a drive that only the kernel reads, above a scratch, so that nothing is written to the drive.
    fn mounted(&self, volume: &ToMount<'_>) -> Result<Box<dyn Mounted>, NotMounted> {
        let doing = format!("mounting a volume of {}", volume.drive.display());
        Err(NotMounted::NoWay(no_drives(&doing)))
    }
    /// The way to a drive's health pages; a drive that cannot be asked has one that says why.
    fn transport(&self, path: &Path) -> Result<Box<dyn Transport>, Fault> {
        Err(no_drives(&format!("asking the drive {}", path.display())))
    }
    /// Sets the kernel's read-only flag of a whole disk, and returns it as read back.
    fn hold(&self, path: &Path, read_only: bool) -> Result<bool, Fault> {
        let _ = read_only;
        Err(no_drives(&format!("holding the drive {}", path.display())))
    }
    /// Every internal drive of this machine that is not among `known` (kernel names).
    fn other_drives(&self, known: &[String]) -> Result<Vec<DriveFacts>, Fault> {
        let _ = known;
        Ok(Vec::new())
    }
    /// Every whole disk of this machine, whatever it is attached to.
    fn every_drive(&self) -> Result<Vec<DriveFacts>, Fault> {
        Ok(Vec::new())
    }
    /// Keeps a drive open. From here on a signal asks to stop and no longer ends the process at once, so that
    /// whoever lifts the kernel's flag can put it back.
    fn grip(&self, path: &Path) -> Result<Box<dyn Grip>, Fault> {
        Err(no_drives(&format!("holding on to {}", path.display())))
    }
    /// Runs a command of the technician's to its end, with our standard input and error; its exit code, `None` =
    /// ended by a signal. `output_aside` = its output goes to standard error. A signal to us is passed on to it.
    fn run_command(&self, command: &[OsString], output_aside: bool) -> Result<Option<i32>, Fault> {
        let _ = output_aside;
        let name = command.first().map(|word| word.to_string_lossy());
        Err(no_drives(&format!("starting {}", name.unwrap_or_default())))
    }
    /// What a path names, when it is a device that a command could write to a drive through; `None` = no such thing.
    fn device_named(&self, path: &Path) -> Option<DeviceNamed> {
        let _ = path;
        None
    }
    /// Takes a lock that ends with the process or with the value; `None` = somebody else has it. The file is made.
    fn lock(&self, path: &Path) -> Result<Option<Box<dyn std::any::Any + Send>>, Fault> {
        let _ = path;
        Ok(Some(Box::new(())))
    }
    /// Recorded replies.
    fn replies(&self, path: &Path) -> Result<Box<dyn Transport>, Fault>;
    /// A small file of the technician's (policy, key, proof), at most 16 MiB.
    fn read_file(&self, path: &Path) -> Result<Vec<u8>, Fault>;
    /// Writes a file of the technician's durably, replacing it.
    fn write_file(&self, path: &Path, bytes: &[u8]) -> Result<(), Fault>;
}
