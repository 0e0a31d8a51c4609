//! NTFS volumes made by another implementation (the userspace driver's formatter and mount), read
//! by ours without mounting. What cannot run here says so: `SKIPPED: name: reason`.

#![allow(
    clippy::unwrap_used,
    clippy::expect_used,
    clippy::panic,
    clippy::print_stdout
)]

mod damage;
mod elsewhere;
mod listing;
mod owned;
mod size;
mod table;

use crate::skip::skip;
use holdpoint::port::{AHEAD, Fault, FaultKind, Sectors};
use holdpoint::read::content::ContentReader;
use holdpoint::survey::item::Mark;
use holdpoint::volume::filesystem::{Found, Limits, Place, Survey};
use holdpoint::volume::ntfs::{self, InMemory};
use sha2::{Digest, Sha256};
use std::collections::{BTreeMap, HashMap, VecDeque};
use std::path::{Path, PathBuf};
use std::process::Command;
use std::sync::Mutex;

/// Whether the formatter and the userspace mount are here; else says why the test is skipped.
pub fn can_make(name: &str) -> bool {
    let mut missing = Vec::new();
    for tool in ["mkntfs", "ntfs-3g"] {
        let found = std::env::var("PATH")
            .unwrap_or_default()
            .split(':')
            .chain(["/usr/sbin", "/sbin"])
            .any(|dir| Path::new(dir).join(tool).exists());
        if !found {
            missing.push(tool);
        }
    }
    if !missing.is_empty() {
        skip(name, &format!("{} not installed", missing.join(", ")));
        return false;
    }
    true
}

/// As [`can_make`], and mounting works.
pub fn can_mount(name: &str) -> bool {
    if !can_make(name) {
        return false;
    }
    if std::fs::OpenOptions::new()
        .read(true)
        .write(true)
        .open("/dev/fuse")
        .is_err()
    {
        skip(name, "/dev/fuse cannot be opened");
        return false;
    }
    true
}

/// An image file with a fresh volume.
pub struct Image {
    dir: tempfile::TempDir,
}

impl Image {
    /// Formats `mib` MiB.
    pub fn new(mib: u64, arguments: &[&str]) -> Self {
        let dir = tempfile::tempdir().unwrap();
        let image = Self { dir };
        let file = std::fs::File::create(image.path()).unwrap();
        file.set_len(mib << 20).unwrap();
        let out = Command::new("mkntfs")
            .args(["-F", "-Q", "-q", "-p", "0", "-H", "16", "-S", "63"])
            .args(arguments)
            .arg(image.path())
            .output()
            .unwrap();
        assert!(
            out.status.success(),
            "{}",
            String::from_utf8_lossy(&out.stderr)
        );
        image
    }

    pub fn path(&self) -> PathBuf {
        self.dir.path().join("volume.img")
    }

    /// Mounts it; unmounted when the guard goes.
    pub fn mount(&self, options: &str) -> Mount {
        let at = self.dir.path().join("mount");
        std::fs::create_dir_all(&at).unwrap();
        let out = Command::new("ntfs-3g")
            .args(["-o", options])
            .arg(self.path())
            .arg(&at)
            .output()
            .unwrap();
        assert!(
            out.status.success(),
            "{}",
            String::from_utf8_lossy(&out.stderr)
        );
        Mount { at }
    }

    /// The image without reading it into memory.
    pub fn sectors(&self) -> FileSectors {
        FileSectors(std::fs::File::open(self.path()).unwrap(), Mutex::default())
    }

    pub fn bytes(&self) -> Vec<u8> {
        std::fs::read(self.path()).unwrap()
    }
}

/// An image file as sectors: what was announced has to be requested next, in that order.
pub struct FileSectors(std::fs::File, Mutex<VecDeque<(u64, usize)>>);

impl Sectors for FileSectors {
    fn sector_bytes(&self) -> u32 {
        512
    }
    fn bytes(&self) -> u64 {
        self.0.metadata().unwrap().len()
    }
    fn read_at(&self, at: u64, buf: &mut [u8]) -> Result<(), Fault> {
        if let Some(announced) = self.1.lock().unwrap().pop_front() {
            assert_eq!((at, buf.len()), announced, "another request was announced");
        }
        std::os::unix::fs::FileExt::read_exact_at(&self.0, buf, at).map_err(|e| {
            Fault::new(
                FaultKind::Refused,
                format!("reading at {at}"),
                e.to_string(),
            )
        })
    }

    fn soon(&self, at: u64, bytes: usize) {
        let mut announced = self.1.lock().unwrap();
        announced.push_back((at, bytes));
        assert!(announced.len() <= AHEAD);
    }
}

/// A mounted image.
pub struct Mount {
    pub at: PathBuf,
}

impl Mount {
    pub fn join(&self, path: &str) -> PathBuf {
        self.at.join(path)
    }

    /// Sets an NTFS matter through the driver's extended attributes.
    pub fn set(&self, path: &str, attribute: &str, value: &[u8]) {
        rustix::fs::lsetxattr(
            self.join(path),
            attribute,
            value,
            rustix::fs::XattrFlags::empty(),
        )
        .unwrap_or_else(|e| panic!("{attribute} on {path}: {e}"));
    }

    /// Every regular file beneath, by path: length and SHA-256.
    pub fn truth(&self) -> BTreeMap<String, (u64, [u8; 32])> {
        let mut out = BTreeMap::new();
        walk(&self.at, "", &mut out);
        out
    }
}

fn walk(at: &Path, path: &str, out: &mut BTreeMap<String, (u64, [u8; 32])>) {
    for entry in std::fs::read_dir(at).unwrap() {
        let entry = entry.unwrap();
        let own = format!("{path}/{}", entry.file_name().to_str().unwrap());
        let kind = entry.file_type().unwrap();
        if kind.is_dir() {
            walk(&entry.path(), &own, out);
        } else if kind.is_file() {
            let bytes = std::fs::read(entry.path()).unwrap();
            out.insert(own, (bytes.len() as u64, Sha256::digest(&bytes).into()));
        }
    }
}

impl Drop for Mount {
    fn drop(&mut self) {
        for (tool, arguments) in [
            ("fusermount", &["-u"][..]),
            ("umount", &[]),
            ("umount", &["-l"]),
        ] {
            let done = Command::new(tool).args(arguments).arg(&self.at).output();
            if done.is_ok_and(|out| out.status.success()) {
                break;
            }
        }
        // The driver writes its last blocks after the mount is gone.
        for _ in 0..200 {
            let mounts = std::fs::read_to_string("/proc/mounts").unwrap_or_default();
            let busy = mounts.contains(self.at.to_str().unwrap()) || driver_runs(&self.at);
            if !busy {
                return;
            }
            std::thread::sleep(std::time::Duration::from_millis(20));
        }
    }
}

fn driver_runs(at: &Path) -> bool {
    let Ok(all) = std::fs::read_dir("/proc") else {
        return false;
    };
    let at = at.to_str().unwrap().as_bytes();
    all.flatten().any(|p| {
        std::fs::read(p.path().join("cmdline"))
            .is_ok_and(|c| c.starts_with(b"ntfs-3g") && c.windows(at.len()).any(|w| w == at))
    })
}

/// Everything a survey handed over.
pub struct Listing {
    pub found: Vec<Found>,
    pub survey: Survey,
}

impl Listing {
    pub fn of(image: &[u8]) -> Self {
        Self::with(
            &InMemory {
                bytes: image,
                sector_bytes: 512,
            },
            image.len() as u64,
        )
    }

    pub fn with(sectors: &dyn Sectors, bytes: u64) -> Self {
        let mut found = Vec::new();
        let place = Place {
            first_byte: 0,
            bytes,
        };
        let survey =
            ntfs::survey(sectors, place, &Limits::default(), &mut |f| found.push(f)).unwrap();
        Self { found, survey }
    }

    /// Paths of everything, in the order of `found`; `path:stream` for streams.
    pub fn paths(&self) -> Vec<String> {
        let folders: HashMap<u64, &Found> = self
            .found
            .iter()
            .filter(|f| f.stream.is_none())
            .map(|f| (f.record, f))
            .collect();
        self.found
            .iter()
            .map(|f| {
                let mut path = match &f.stream {
                    Some(stream) => format!(":{}", stream.text()),
                    None => String::new(),
                };
                let mut at = f;
                for _ in 0..300 {
                    if at.record == 5 {
                        return path;
                    }
                    path = format!("/{}{path}", at.name.text());
                    // The root by its number: its own record may not be readable.
                    if at.parent == 5 {
                        return path;
                    }
                    if at.parent == ntfs::LOST_PARENT {
                        return format!("(lost){path}");
                    }
                    match folders.get(&at.parent) {
                        Some(parent) => at = parent,
                        None => return format!("(missing){path}"),
                    }
                }
                panic!("endless path {path}")
            })
            .collect()
    }

    pub fn get(&self, path: &str) -> &Found {
        let at = self.paths().iter().position(|p| p == path);
        &self.found[at.unwrap_or_else(|| panic!("{path} is not listed"))]
    }
}

/// Content of an item and what is missing of it.
pub fn content(f: &Found, sectors: &dyn Sectors) -> (Vec<u8>, Vec<(u64, u64)>) {
    let reader = ContentReader::new(f.layout.clone().unwrap(), sectors);
    let mut bytes = Vec::new();
    let mut buf = vec![0u8; 300_001];
    let missing = reader
        .stream(&mut buf, &mut |at, part, _| {
            assert_eq!(at, bytes.len() as u64);
            bytes.extend_from_slice(part);
        })
        .unwrap();
    (bytes, missing)
}

/// Files with content, by path (streams as `path:stream`): length and SHA-256. Nothing may be missing.
pub fn digests(listing: &Listing, sectors: &dyn Sectors) -> BTreeMap<String, (u64, [u8; 32])> {
    let mut out = BTreeMap::new();
    for (f, path) in listing.found.iter().zip(listing.paths()) {
        if f.layout.is_none() || f.no_content.is_some() {
            continue;
        }
        let (bytes, missing) = content(f, sectors);
        assert!(missing.is_empty(), "{path}: {missing:?}");
        assert!(!f.marks.has(Mark::Damaged), "{path}: {:?}", f.trouble);
        assert_eq!(bytes.len() as u64, f.bytes, "{path}");
        let digest = Sha256::digest(&bytes).into();
        assert!(
            out.insert(path.clone(), (f.bytes, digest)).is_none(),
            "{path} twice"
        );
    }
    out
}

/// Bytes that are the same every time, and differ between seeds; `kind` 0 noise, 1 text-like, 2 zeros and noise.
pub fn bytes(seed: u64, kind: u8, len: usize) -> Vec<u8> {
    let mut state = seed.wrapping_mul(0x9E37_79B9_7F4A_7C15) | 1;
    let mut next = move || {
        state ^= state << 13;
        state ^= state >> 7;
        state ^= state << 17;
        state
    };
    let mut out = Vec::with_capacity(len + 64);
    while out.len() < len {
        match kind {
            0 => out.extend_from_slice(&next().to_le_bytes()),
            1 => {
                let words = [
                    "the ", "quick ", "brown ", "fox ", "jumps ", "over ", "line\n",
                ];
                out.extend_from_slice(words[(next() % 7) as usize].as_bytes());
            }
            _ => {
                let run = (next() % 9000) as usize;
                if next() % 2 == 0 {
                    out.resize(out.len() + run, 0);
                } else {
                    out.extend((0..run).map(|_| next() as u8));
                }
            }
        }
    }
    out.truncate(len);
    out
}
