//! Which whole disks lie under a path, a mount or a device: through partitions, stacked devices,
//! loop files, overlays and file systems of several devices (Linux `Documentation/ABI` for sysfs).
//!
//! Invariant: a disk is named only when the way down to it was followed to the end; where the way
//! is lost, `unknown` says so, and nobody may take the list for complete.

use super::beneath::{Place, look_at_open, place_of};
use super::fault::{fault, io_fault};
use super::mountinfo::{Mount, device_number, parse_mountinfo};
use crate::port::Fault;
use rustix::fd::{AsFd, BorrowedFd};
use rustix::fs::{FileType, Mode, OFlags, major, makedev, minor, open, stat};
use std::collections::BTreeSet;
use std::ffi::OsStr;
use std::os::unix::ffi::OsStrExt;
use std::path::{Path, PathBuf};

/// Deeper stacks than this are taken for a loop of names.
const DEEPEST: usize = 16;

/// Where the system tells about itself; another place in tests.
#[derive(Debug, Clone)]
pub struct System {
    /// Root of sysfs.
    pub sysfs: PathBuf,
    /// The mounts of this process.
    pub mountinfo: PathBuf,
    /// The swap areas in use.
    pub swaps: PathBuf,
}

impl System {
    /// The machine that we run on.
    pub fn this_machine() -> Self {
        Self {
            sysfs: "/sys".into(),
            mountinfo: "/proc/self/mountinfo".into(),
            swaps: "/proc/swaps".into(),
        }
    }

    /// All mounts now.
    ///
    /// # Errors
    /// When the list cannot be read, as in a bare root without `/proc`.
    pub fn mounts(&self) -> Result<Vec<Mount>, Fault> {
        let text = std::fs::read(&self.mountinfo)
            .map_err(|e| io_fault(format!("reading '{}'", self.mountinfo.display()), &e))?;
        Ok(parse_mountinfo(&text))
    }

    /// Directory of a device by number.
    fn by_number(&self, device: (u32, u32)) -> PathBuf {
        self.sysfs
            .join(format!("dev/block/{}:{}", device.0, device.1))
    }

    /// Directory of a device by kernel name.
    fn by_name(&self, name: &OsStr) -> PathBuf {
        self.sysfs.join("class/block").join(name)
    }
}

/// What lies beneath a path.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Beneath {
    /// Whole disks by kernel name, sorted, each once.
    pub disks: Vec<String>,
    /// The loop devices on the way, by kernel name.
    pub loops: Vec<String>,
    /// The stacked devices on the way, by kernel name.
    pub stacks: Vec<String>,
    /// What the stacks end on before any image file: whole disks and loop devices, by kernel name.
    pub leaves: Vec<String>,
    /// A loop device or an image file lies on the way.
    pub through_loop: bool,
    /// A file system in memory, or a disk made of memory, holds it (or a layer of it).
    pub memory: bool,
    /// Reached over a network.
    pub network: bool,
    /// The mount that holds the path; `None` = not found.
    pub mount: Option<Mount>,
    /// Why the list of disks may be incomplete; empty = it is complete.
    pub unknown: Vec<String>,
}

impl Beneath {
    /// Whether the way down passes the device `name`: a disk, a stack or a loop device.
    pub fn goes_through(&self, name: &str) -> bool {
        let mut all = self.disks.iter().chain(&self.loops).chain(&self.stacks);
        all.any(|device| device == name)
    }
}

/// File systems that keep everything in memory.
const MEMORY: [&str; 4] = ["tmpfs", "ramfs", "devtmpfs", "rootfs"];

/// File systems that reach another machine.
const NETWORK: [&str; 14] = [
    "nfs",
    "nfs4",
    "cifs",
    "smb3",
    "smbfs",
    "9p",
    "ceph",
    "afs",
    "coda",
    "ncpfs",
    "lustre",
    "glusterfs",
    "fuse.glusterfs",
    "orangefs",
];

/// What lies beneath an existing path; links in it are followed.
///
/// # Errors
/// When the path cannot be opened or the list of mounts cannot be read.
pub fn beneath(system: &System, path: &Path) -> Result<Beneath, Fault> {
    let fd = open(path, OFlags::PATH | OFlags::CLOEXEC, Mode::empty())
        .map_err(|e| fault(format!("opening '{}'", path.display()), e))?;
    beneath_open(system, fd.as_fd(), path)
}

/// What lies beneath something open; `path` is for messages and for mounts that only a path can find.
///
/// # Errors
/// When it cannot be looked at or the list of mounts cannot be read.
pub fn beneath_open(system: &System, fd: BorrowedFd<'_>, path: &Path) -> Result<Beneath, Fault> {
    let mounts = system.mounts()?;
    let mut search = Search {
        system,
        mounts: &mounts,
        seen: BTreeSet::new(),
        in_file: false,
        found: Beneath::default(),
    };
    search.found.mount = search.open_file(fd, path, 0)?.cloned();
    Ok(search.finish())
}

/// What lies beneath a block device, by number.
///
/// # Errors
/// When the list of mounts cannot be read.
pub fn beneath_device(system: &System, device: (u32, u32)) -> Result<Beneath, Fault> {
    let mounts = system.mounts()?;
    Ok(device_in(system, &mounts, device))
}

fn device_in(system: &System, mounts: &[Mount], device: (u32, u32)) -> Beneath {
    let mut search = Search {
        system,
        mounts,
        seen: BTreeSet::new(),
        in_file: false,
        found: Beneath::default(),
    };
    search.device(&system.by_number(device), 0);
    search.finish()
}

/// What lies beneath one mount.
pub(super) fn mount_in(system: &System, mounts: &[Mount], mount: &Mount) -> Beneath {
    let mut search = Search {
        system,
        mounts,
        seen: BTreeSet::new(),
        in_file: false,
        found: Beneath::default(),
    };
    search.mount(mount, 0);
    search.finish()
}

struct Search<'a> {
    system: &'a System,
    mounts: &'a [Mount],
    seen: BTreeSet<PathBuf>,
    /// Below a loop device, where another file system and its disks begin.
    in_file: bool,
    found: Beneath,
}

impl<'a> Search<'a> {
    fn finish(mut self) -> Beneath {
        self.found.disks.sort_unstable();
        self.found.disks.dedup();
        self.found.leaves.sort_unstable();
        self.found.leaves.dedup();
        self.found
    }

    fn lost(&mut self, why: String) {
        if !self.found.unknown.contains(&why) {
            self.found.unknown.push(why);
        }
    }

    /// A file or folder of any kind, or a device node.
    fn path(&mut self, path: &Path, depth: usize) {
        if depth > DEEPEST {
            return self.lost(format!("'{}' leads in a circle", path.display()));
        }
        match open(path, OFlags::PATH | OFlags::CLOEXEC, Mode::empty()) {
            Ok(fd) => {
                if let Err(why) = self.open_file(fd.as_fd(), path, depth) {
                    self.lost(why.to_string());
                }
            }
            Err(errno) => {
                self.lost(fault(format!("opening '{}'", path.display()), errno).to_string())
            }
        }
    }

    fn open_file(
        &mut self,
        fd: BorrowedFd<'_>,
        path: &Path,
        depth: usize,
    ) -> Result<Option<&'a Mount>, Fault> {
        let seen =
            look_at_open(fd).map_err(|e| fault(format!("looking at '{}'", path.display()), e))?;
        let device = (seen.stx_dev_major, seen.stx_dev_minor);
        let mount = match place_of(&seen) {
            Place::Mount(id) => self.mounts.iter().find(|mount| mount.id == id),
            Place::Device(_) => None,
        }
        .or_else(|| holding(self.mounts, path));
        if device.0 != 0 && self.system.by_number(device).exists() {
            // The number of the file system's device is the surest thing there is.
            self.device(&self.system.by_number(device), depth);
        } else if let Some(mount) = mount {
            self.mount(mount, depth);
        } else {
            self.lost(format!("no mount holds '{}'", path.display()));
        }
        if let Some(mount) = mount {
            self.note(&mount.file_system);
        }
        Ok(mount)
    }

    fn note(&mut self, file_system: &str) {
        self.found.memory |= MEMORY.contains(&file_system);
        self.found.network |= NETWORK.contains(&file_system);
    }

    fn mount(&mut self, mount: &Mount, depth: usize) {
        if depth > DEEPEST {
            return self.lost("mounts lead in a circle".to_owned());
        }
        self.note(&mount.file_system);
        if mount.device.0 != 0 && self.system.by_number(mount.device).exists() {
            return self.device(&self.system.by_number(mount.device), depth);
        }
        let name = mount.file_system.as_str();
        if name == "overlay" {
            return self.overlay(mount, depth);
        }
        if MEMORY.contains(&name) || NETWORK.contains(&name) {
            return;
        }
        // btrfs, file systems in user space and the like name their device (or devices) as the source.
        if !mount.source.starts_with(b"/") {
            return self.lost(format!(
                "the {name} mount at '{}' names no device (source '{}')",
                String::from_utf8_lossy(&mount.point),
                String::from_utf8_lossy(&mount.source)
            ));
        }
        for source in mount.source.split(|b| *b == b':') {
            self.source(Path::new(OsStr::from_bytes(source)), depth);
        }
        if name == "btrfs" {
            self.btrfs(mount, depth);
        }
    }

    /// A device node or an image file that a mount names.
    fn source(&mut self, source: &Path, depth: usize) {
        match stat(source) {
            Ok(seen) if FileType::from_raw_mode(seen.st_mode) == FileType::BlockDevice => {
                let device = (major(seen.st_rdev), minor(seen.st_rdev));
                self.device(&self.system.by_number(device), depth);
            }
            Ok(_) => {
                self.found.through_loop = true;
                self.path(source, depth + 1);
            }
            // Without its node the device may still be known to the kernel under that name.
            Err(_) => match source.file_name().map(|name| self.system.by_name(name)) {
                Some(by_name) if by_name.exists() => self.device(&by_name, depth),
                _ => self.lost(format!("'{}' is not there", source.display())),
            },
        }
    }

    /// All devices of the btrfs that has the mount's source among them.
    fn btrfs(&mut self, mount: &Mount, depth: usize) {
        let Some(source) = Path::new(OsStr::from_bytes(&mount.source))
            .canonicalize()
            .ok()
        else {
            return self.lost("the devices of a btrfs could not be told".to_owned());
        };
        let Some(name) = source.file_name() else {
            return;
        };
        let all = self.system.sysfs.join("fs/btrfs");
        for file_system in list(&all) {
            let devices = all.join(file_system).join("devices");
            if !devices.join(name).exists() {
                continue;
            }
            for device in list(&devices) {
                self.device(&self.system.by_name(OsStr::new(&device)), depth + 1);
            }
            return;
        }
        self.lost("the devices of a btrfs could not be told".to_owned());
    }

    /// Every layer of an overlay: what is written goes to the upper one, what is read comes from any.
    fn overlay(&mut self, mount: &Mount, depth: usize) {
        let layers = overlay_layers(&mount.super_options);
        if layers.is_empty() {
            self.lost("an overlay names no layers".to_owned());
        }
        for layer in layers {
            self.path(Path::new(&layer), depth + 1);
        }
    }

    /// A device's directory in sysfs (any link to it).
    fn device(&mut self, directory: &Path, depth: usize) {
        let Ok(directory) = directory.canonicalize() else {
            return self.lost(format!("'{}' is not there", directory.display()));
        };
        if depth > DEEPEST {
            return self.lost(format!("'{}' leads in a circle", directory.display()));
        }
        if !self.seen.insert(directory.clone()) {
            return;
        }
        if directory.join("partition").exists() {
            return match directory.parent() {
                Some(disk) => self.device(disk, depth + 1),
                None => self.lost(format!("'{}' has no disk", directory.display())),
            };
        }
        let name = directory
            .file_name()
            .map(|name| name.to_string_lossy().into_owned())
            .unwrap_or_default();
        let slaves = directory.join("slaves");
        let below = list(&slaves);
        if !below.is_empty() {
            self.found.stacks.push(name);
            for slave in below {
                self.device(&slaves.join(slave), depth + 1);
            }
            return;
        }
        if !self.in_file {
            self.found.leaves.push(name.clone());
        }
        if directory.join("loop").exists() || name.starts_with("loop") {
            self.found.through_loop = true;
            self.found.loops.push(name.clone());
            return match std::fs::read(directory.join("loop/backing_file")) {
                Ok(path) => {
                    let path = path.strip_suffix(b"\n").unwrap_or(&path);
                    let before = std::mem::replace(&mut self.in_file, true);
                    self.path(Path::new(OsStr::from_bytes(path)), depth + 1);
                    self.in_file = before;
                }
                Err(_) => self.lost(format!("{name} does not tell its file")),
            };
        }
        self.found.memory |= name.starts_with("ram") || name.starts_with("zram");
        if name.starts_with("dm-") || name.starts_with("md") {
            // A stacked device without anything below it, like a zero target.
            self.found.stacks.push(name.clone());
            self.lost(format!("{name} lies on nothing that it names"));
        }
        self.found.network |= name.starts_with("nbd") || name.starts_with("rbd");
        self.found.disks.push(name);
    }
}

/// The names in a directory, sorted; none if it is not there.
pub(super) fn list(directory: &Path) -> Vec<String> {
    let mut names: Vec<String> = std::fs::read_dir(directory)
        .into_iter()
        .flatten()
        .flatten()
        .map(|entry| entry.file_name().to_string_lossy().into_owned())
        .collect();
    names.sort_unstable();
    names
}

/// The mount that holds an absolute path: the longest mount point before it, the newest of equals.
pub(super) fn holding<'a>(mounts: &'a [Mount], path: &Path) -> Option<&'a Mount> {
    let path = path.canonicalize().ok()?;
    mounts
        .iter()
        .filter(|mount| path.starts_with(OsStr::from_bytes(&mount.point)))
        .max_by_key(|mount| mount.point.len())
}

/// Paths of an overlay's layers, from its options, upper first. `\` protects the next character there.
fn overlay_layers(options: &str) -> Vec<String> {
    let mut upper = Vec::new();
    let mut lower = Vec::new();
    for option in split_protected(options, ',') {
        if let Some(path) = option.strip_prefix("upperdir=") {
            upper.push(unprotected(path));
        } else if let Some(paths) = option.strip_prefix("lowerdir=") {
            let layers = split_protected(paths, ':');
            lower.extend(
                layers
                    .iter()
                    .filter(|l| !l.is_empty())
                    .map(|l| unprotected(l)),
            );
        } else if let Some(path) = option
            .strip_prefix("lowerdir+=")
            .or_else(|| option.strip_prefix("datadir+="))
        {
            lower.push(unprotected(path));
        }
    }
    upper.append(&mut lower);
    upper
}

fn split_protected(text: &str, border: char) -> Vec<String> {
    let mut out = vec![String::new()];
    let mut protected = false;
    for c in text.chars() {
        if c == border && !protected {
            out.push(String::new());
        } else if let Some(last) = out.last_mut() {
            last.push(c);
        }
        protected = c == '\\' && !protected;
    }
    out
}

fn unprotected(text: &str) -> String {
    let mut out = String::new();
    let mut chars = text.chars();
    while let Some(c) = chars.next() {
        match c {
            '\\' => out.extend(chars.next()),
            other => out.push(other),
        }
    }
    out
}

/// The kernel's name of a block device; `None` = it knows no such number.
pub fn name_of(system: &System, device: (u32, u32)) -> Option<String> {
    let directory = system.by_number(device).canonicalize().ok()?;
    Some(directory.file_name()?.to_string_lossy().into_owned())
}

/// The device number of a node, `None` when the path is no block device.
///
/// # Errors
/// When the path cannot be looked at.
pub fn block_device_at(path: &Path) -> Result<Option<(u32, u32)>, Fault> {
    let seen = stat(path).map_err(|e| fault(format!("looking at '{}'", path.display()), e))?;
    Ok(
        (FileType::from_raw_mode(seen.st_mode) == FileType::BlockDevice)
            .then(|| (major(seen.st_rdev), minor(seen.st_rdev))),
    )
}

/// The device number of a kernel name, from sysfs.
pub fn device_of_name(system: &System, name: &str) -> Option<u64> {
    let text = std::fs::read_to_string(system.by_name(OsStr::new(name)).join("dev")).ok()?;
    device_number(&text).map(|(major, minor)| makedev(major, minor))
}

#[cfg(test)]
#[path = "topology_tests.rs"]
mod tests;
