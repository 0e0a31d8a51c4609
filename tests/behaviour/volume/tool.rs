//! What the tests of this room share: running tools, drives in memory, trees of files, listings.

use holdpoint::port::{Fault, FaultKind, Sectors};
use holdpoint::read::content::ContentReader;
use holdpoint::survey::item::{Kind, Mark};
use holdpoint::volume::filesystem::{Found, NotSurveyed, Place, Survey};
use holdpoint::volume::layout::{Layout, Piece};
use sha2::{Digest, Sha256};
use std::collections::{BTreeMap, HashMap};
use std::path::Path;
use std::process::{Command, Stdio};

/// Says so and answers `false` when a tool is missing.
pub fn have(test: &str, tools: &[&str]) -> bool {
    for tool in tools {
        let found = ["/usr/sbin", "/sbin", "/usr/bin", "/bin", "/usr/local/bin"]
            .iter()
            .any(|folder| Path::new(folder).join(tool).exists());
        if !found {
            skipped(test, &format!("{tool} is not installed"));
            return false;
        }
    }
    true
}

pub use crate::skip::skip as skipped;

/// A command with the folders of the system's tools in its path and a plain language.
pub fn command(tool: &str) -> Command {
    let mut command = Command::new(tool);
    command
        .env("PATH", "/usr/sbin:/sbin:/usr/bin:/bin")
        .env("LC_ALL", "C.UTF-8")
        .stdin(Stdio::null());
    command
}

/// Runs a tool and returns its output; a failure fails the test.
pub fn run(tool: &str, arguments: &[&str]) -> String {
    let output = command(tool).args(arguments).output().unwrap();
    assert!(
        output.status.success(),
        "{tool} {arguments:?}: {}{}",
        String::from_utf8_lossy(&output.stdout),
        String::from_utf8_lossy(&output.stderr)
    );
    String::from_utf8_lossy(&output.stdout).into_owned()
}

/// How `cryptsetup` makes a locked volume without taking its time; the key comes on its standard input.
pub const LUKS2: [&str; 10] = [
    "luksFormat",
    "--batch-mode",
    "--type",
    "luks2",
    "--pbkdf",
    "pbkdf2",
    "--pbkdf-force-iterations",
    "1000",
    "--key-file",
    "-",
];

/// Runs a tool with text on its standard input.
pub fn run_with(tool: &str, arguments: &[&str], input: &str) {
    use std::io::Write;
    let mut child = command(tool)
        .args(arguments)
        .stdin(Stdio::piped())
        .stdout(Stdio::piped())
        .stderr(Stdio::piped())
        .spawn()
        .unwrap();
    // A tool that asks for nothing may be gone before it is told.
    let _ = child.stdin.take().unwrap().write_all(input.as_bytes());
    let output = child.wait_with_output().unwrap();
    assert!(
        output.status.success(),
        "{tool} {arguments:?}: {}",
        String::from_utf8_lossy(&output.stderr)
    );
}

/// An empty file of this length.
pub fn blank(path: &Path, bytes: u64) {
    std::fs::File::create(path).unwrap().set_len(bytes).unwrap();
}

/// A drive in memory.
pub struct Drive {
    pub bytes: Vec<u8>,
    pub sector_bytes: u32,
}

impl Drive {
    pub fn new(bytes: Vec<u8>) -> Self {
        Self {
            bytes,
            sector_bytes: 512,
        }
    }

    pub fn load(path: &Path) -> Self {
        Self::new(std::fs::read(path).unwrap())
    }

    pub fn place(&self) -> Place {
        Place {
            first_byte: 0,
            bytes: self.bytes.len() as u64,
        }
    }
}

impl Sectors for Drive {
    fn sector_bytes(&self) -> u32 {
        self.sector_bytes
    }
    fn bytes(&self) -> u64 {
        self.bytes.len() as u64
    }
    fn read_at(&self, at: u64, buf: &mut [u8]) -> Result<(), Fault> {
        let from = usize::try_from(at).unwrap_or(usize::MAX);
        match self.bytes.get(from..from.saturating_add(buf.len())) {
            Some(found) => {
                buf.copy_from_slice(found);
                Ok(())
            }
            None => Err(Fault::new(
                FaultKind::Other,
                format!("reading byte {at}"),
                "EINVAL",
            )),
        }
    }
}

/// A drive that refuses some sectors.
pub struct Weak<'a> {
    pub drive: &'a Drive,
    pub bad: Vec<u64>,
}

impl Sectors for Weak<'_> {
    fn sector_bytes(&self) -> u32 {
        512
    }
    fn bytes(&self) -> u64 {
        self.drive.bytes()
    }
    fn read_at(&self, at: u64, buf: &mut [u8]) -> Result<(), Fault> {
        let end = at + buf.len() as u64;
        if self.bad.iter().any(|s| s * 512 < end && at < (s + 1) * 512) {
            return Err(Fault::new(FaultKind::Refused, "reading", "EIO"));
        }
        self.drive.read_at(at, buf)
    }
}

/// Pseudo-random numbers from a fixed seed.
pub struct Dice(pub u64);

impl Dice {
    pub fn roll(&mut self, below: usize) -> usize {
        self.0 ^= self.0 << 13;
        self.0 ^= self.0 >> 7;
        self.0 ^= self.0 << 17;
        (self.0 >> 11) as usize % below
    }
}

/// Bytes that tell which file they belong to.
pub fn content(seed: u64, bytes: usize) -> Vec<u8> {
    let mut dice = Dice(seed.wrapping_mul(0x9E37_79B9_7F4A_7C15) | 1);
    (0..bytes).map(|_| dice.roll(256) as u8).collect()
}

/// SHA-256 in hex.
pub fn sha256(bytes: &[u8]) -> String {
    Sha256::digest(bytes)
        .iter()
        .map(|byte| format!("{byte:02x}"))
        .collect()
}

/// Writes a tree of files of many lengths and names; returns path and SHA-256 of each.
pub fn tree(folder: &Path) -> BTreeMap<String, String> {
    let mut files = BTreeMap::new();
    let lengths = [
        0usize, 1, 511, 512, 513, 4095, 4096, 4097, 20_000, 65_536, 150_001,
    ];
    let folders = ["", "Photos/", "Photos/Summer 2019, the lake/", "a/b/c/d/e/"];
    for (n, length) in lengths.iter().enumerate() {
        for (m, place) in folders.iter().enumerate() {
            let name = match (n + m) % 4 {
                0 => format!("f{n}.txt"),
                1 => format!("A long name with blanks and dots. number {n}.jpeg"),
                2 => format!("grüße-{n}-日本.doc"),
                _ => format!("UPPER{n}.BIN"),
            };
            let bytes = content((n * 10 + m + 1) as u64, *length);
            std::fs::create_dir_all(folder.join(place)).unwrap();
            std::fs::write(folder.join(place).join(&name), &bytes).unwrap();
            files.insert(format!("{place}{name}"), sha256(&bytes));
        }
    }
    files
}

/// The bytes that a plain layout stands for.
pub fn bytes_of(drive: &Drive, layout: &Layout) -> Vec<u8> {
    let mut out = Vec::new();
    for piece in &layout.pieces {
        match piece {
            Piece::Extent { at, bytes } => {
                let found = drive.bytes.get(*at as usize..(*at + *bytes) as usize);
                out.extend_from_slice(found.expect("an extent lies on the drive"));
            }
            other => out.resize(out.len() + other.bytes() as usize, 0),
        }
    }
    out.truncate(layout.length as usize);
    let valid = (layout.valid as usize).min(out.len());
    out[valid..].fill(0);
    out
}

/// A file's bytes, through the reader that copies customers' files; nothing may be missing.
pub fn whole(sectors: &dyn Sectors, found: &Found) -> Vec<u8> {
    let (bytes, missing) = try_whole(sectors, found);
    assert_eq!(missing, [], "{} {:?}", found.name.text(), found.layout);
    assert_eq!(bytes.len() as u64, found.bytes);
    bytes
}

/// The same, with what is missing.
pub fn try_whole(sectors: &dyn Sectors, found: &Found) -> (Vec<u8>, Vec<(u64, u64)>) {
    let reader = ContentReader::new(found.layout.clone().unwrap(), sectors);
    let mut out = Vec::new();
    let mut buf = vec![0u8; 1 << 20];
    let missing = reader
        .stream(&mut buf, &mut |_, bytes, _| out.extend_from_slice(bytes))
        .unwrap();
    (out, missing)
}

/// Path and item of everything that a survey hands out, the root left out.
pub fn listing(
    survey: impl FnOnce(&mut dyn FnMut(Found)) -> Result<Survey, NotSurveyed>,
) -> Result<(Survey, BTreeMap<String, Found>), NotSurveyed> {
    let mut paths: HashMap<u64, String> = HashMap::new();
    let mut items = BTreeMap::new();
    let survey = survey(&mut |found| {
        if found.record == found.parent && found.name.stored().is_empty() {
            paths.insert(found.record, String::new());
            return;
        }
        let parent = paths
            .get(&found.parent)
            .expect("a parent comes before its children");
        let path = format!("{parent}{}", found.name.text());
        if found.kind == Kind::Folder {
            paths.insert(found.record, format!("{path}/"));
        }
        items.insert(path, found);
    })?;
    Ok((survey, items))
}

/// SHA-256 of every file of a listing, by its layout.
pub fn hashes(drive: &Drive, items: &BTreeMap<String, Found>) -> BTreeMap<String, String> {
    items
        .iter()
        .filter(|(_, found)| found.kind == Kind::File)
        .map(|(path, found)| {
            assert!(
                !found.marks.has(Mark::Damaged),
                "{path}: {:?}",
                found.trouble
            );
            let bytes = bytes_of(drive, found.layout.as_ref().unwrap());
            assert_eq!(bytes.len() as u64, found.bytes);
            (path.clone(), sha256(&bytes))
        })
        .collect()
}

/// How many damaged volumes a test tries: what it says itself, with optimisation twenty times as many, or HOLDPOINT_MUTATIONS.
pub fn mutations(usual: usize) -> usize {
    std::env::var("HOLDPOINT_MUTATIONS")
        .ok()
        .and_then(|text| text.parse().ok())
        .unwrap_or(if cfg!(debug_assertions) {
            usual
        } else {
            20 * usual
        })
}
