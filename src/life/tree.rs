//! The customer's folder: a tree of files, folders, links and odd things, with everything that
//! can go wrong with them.
//!
//! Invariant: every version of every file's bytes is remembered, so that afterwards it is known
//! what a true copy would have held. The engine sees faults or bytes, never a mark of what is true.

use super::clock::LifeClock;
use super::fate::Fate;
use super::memory::LifeMemory;
use crate::port::{Content, Entry, Fault, FaultKind, Folder, Stamp, Tree, TreeRoot};
use crate::survey::item::{Kind, Mark, Marks};
use std::collections::{BTreeMap, BTreeSet};
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};

/// A read that no drive answers: how long the machine waits for it.
const STALL_NANOSECONDS: u64 = 30_000_000_000;
/// A sector that cannot be read: how long the drive tries by itself.
const REFUSED_NANOSECONDS: u64 = 2_000_000_000;
/// An ordinary read.
const READ_NANOSECONDS: u64 = 100_000;

/// A thing that happens to the source when an operation number is reached.
#[derive(Debug, Clone)]
pub enum Happening {
    /// A program writes to the file: other bytes, a later time.
    Write {
        /// The node.
        node: usize,
        /// Its new content.
        bytes: Vec<u8>,
    },
    /// Permission to open it is refused from now on.
    Deny {
        /// The node.
        node: usize,
    },
    /// The name goes.
    Remove {
        /// Folder.
        folder: usize,
        /// Name in it.
        name: Vec<u8>,
    },
    /// The drive vanishes and comes back at the operation named; never = it died.
    Vanish {
        /// Operation number of its return.
        until: u64,
    },
}

/// One thing in the tree. A file with two names is one node.
#[derive(Debug, Clone)]
pub struct Node {
    /// What it is.
    pub kind: Kind,
    /// What is said of it.
    pub stamp: Stamp,
    /// Its content, when it is a file.
    pub bytes: Arc<Vec<u8>>,
    /// Ranges of the content that are holes (zeros): first byte and length.
    pub holes: Vec<(u64, u64)>,
    /// Names in it, when it is a folder.
    pub names: BTreeMap<Vec<u8>, usize>,
    /// Where it points, when it is a link.
    pub target: Option<Vec<u8>>,
    /// Extended attributes.
    pub attributes: Vec<(Vec<u8>, Vec<u8>)>,
    /// Marks that a tree can tell.
    pub marks: Marks,
    /// Permission to open it is refused.
    pub denied: bool,
    /// Ranges that the medium refuses: first byte and length.
    pub refused: Vec<(u64, u64)>,
    /// Ranges that never answer: first byte and length.
    pub silent: Vec<(u64, u64)>,
}

/// A file as it is now, for the oracle.
#[derive(Debug, Clone)]
pub struct Truth {
    /// Names from the root.
    pub parts: Vec<Vec<u8>>,
    /// The node.
    pub node: Node,
}

struct State {
    nodes: Vec<Node>,
    due: BTreeMap<u64, Vec<Happening>>,
    flips: BTreeSet<u64>,
    reads: u64,
    gone_until: Option<u64>,
    plugged: u64,
    versions: BTreeMap<(u64, i64, u64), Arc<Vec<u8>>>,
}

/// The drive that holds the tree.
pub struct LifeDrive {
    fate: Arc<Fate>,
    clock: Arc<LifeClock>,
    memory: Arc<LifeMemory>,
    path: String,
    disks: Vec<String>,
    state: Mutex<State>,
}

/// Device number of the source's file system.
pub const DEVICE: u64 = 0x801;

impl LifeDrive {
    /// An empty tree at `path` on the disk named.
    pub fn new(
        path: &str,
        disk: &str,
        fate: Arc<Fate>,
        clock: Arc<LifeClock>,
        memory: Arc<LifeMemory>,
    ) -> Self {
        let drive = Self {
            fate,
            clock,
            memory,
            path: path.to_owned(),
            disks: vec![disk.to_owned()],
            state: Mutex::new(State {
                nodes: Vec::new(),
                due: BTreeMap::new(),
                flips: BTreeSet::new(),
                reads: 0,
                gone_until: None,
                plugged: 0,
                versions: BTreeMap::new(),
            }),
        };
        drive.put(Kind::Folder, Vec::new());
        drive
    }

    fn state(&self) -> MutexGuard<'_, State> {
        self.state.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// A new node without a name; its number. The root is number 0.
    pub fn put(&self, kind: Kind, bytes: Vec<u8>) -> usize {
        let mut state = self.state();
        let number = state.nodes.len();
        let length = bytes.len() as u64;
        let mode = match kind {
            Kind::File => 0o100_644,
            Kind::Folder => 0o040_755,
            Kind::Link => 0o120_777,
            Kind::Special => 0o010_644,
        };
        let stamp = Stamp {
            device: DEVICE,
            inode: number as u64 + 2,
            bytes: length,
            allocated: length.next_multiple_of(4096),
            modified_ns: 1_700_000_000_000_000_000 + number as i64 * 1_000_000_000,
            changed_ns: 1_700_000_000_000_000_000,
            created_ns: 0,
            mode,
            user: 1000,
            group: 1000,
            names: 1,
        };
        let bytes = Arc::new(bytes);
        state
            .versions
            .insert((stamp.inode, stamp.modified_ns, length), bytes.clone());
        state.nodes.push(Node {
            kind,
            stamp,
            bytes,
            holes: Vec::new(),
            names: BTreeMap::new(),
            target: None,
            attributes: Vec::new(),
            marks: Marks::default(),
            denied: false,
            refused: Vec::new(),
            silent: Vec::new(),
        });
        number
    }

    /// Gives `node` a name in `folder`; a second name makes a hard link.
    pub fn name(&self, folder: usize, name: &[u8], node: usize) {
        let mut state = self.state();
        if let Some(folder) = state.nodes.get_mut(folder) {
            folder.names.insert(name.to_vec(), node);
        }
        let count = state
            .nodes
            .iter()
            .flat_map(|folder| folder.names.values())
            .filter(|named| **named == node)
            .count();
        if let Some(node) = state.nodes.get_mut(node)
            && node.kind == Kind::File
        {
            node.stamp.names = count as u32;
        }
    }

    /// A file with a name.
    pub fn file(&self, folder: usize, name: &[u8], bytes: Vec<u8>) -> usize {
        let node = self.put(Kind::File, bytes);
        self.name(folder, name, node);
        node
    }

    /// A folder with a name.
    pub fn folder(&self, folder: usize, name: &[u8]) -> usize {
        let node = self.put(Kind::Folder, Vec::new());
        self.name(folder, name, node);
        node
    }

    /// A link with a name.
    pub fn link(&self, folder: usize, name: &[u8], target: &[u8]) -> usize {
        let node = self.put(Kind::Link, Vec::new());
        self.change(node, |node| node.target = Some(target.to_vec()));
        self.name(folder, name, node);
        node
    }

    /// Another file system is mounted on the folder.
    pub fn mount_elsewhere(&self, node: usize) {
        self.change(node, |node| {
            node.stamp.device = DEVICE + 7;
            node.marks.set(Mark::OtherMount);
        });
    }

    /// The range becomes a hole.
    pub fn punch(&self, node: usize, first: u64, length: u64) {
        self.change(node, |node| {
            let mut bytes = node.bytes.as_ref().clone();
            let start = usize::try_from(first).unwrap_or(0).min(bytes.len());
            let end = usize::try_from(first + length)
                .unwrap_or(0)
                .min(bytes.len());
            if let Some(range) = bytes.get_mut(start..end) {
                range.fill(0);
            }
            node.stamp.allocated = node.stamp.allocated.saturating_sub(length);
            node.holes.push((first, length));
            node.bytes = Arc::new(bytes);
        });
    }

    /// Changes a node in any way; its content counts as a version of its own.
    pub fn change(&self, node: usize, how: impl FnOnce(&mut Node)) {
        let mut state = self.state();
        let version = state.nodes.get_mut(node).map(|node| {
            how(node);
            let stamp = node.stamp;
            (
                (stamp.inode, stamp.modified_ns, stamp.bytes),
                node.bytes.clone(),
            )
        });
        if let Some((key, bytes)) = version {
            state.versions.insert(key, bytes);
        }
    }

    /// Plans something for an operation number.
    pub fn plan(&self, operation: u64, what: Happening) {
        self.state().due.entry(operation).or_default().push(what);
    }

    /// Plans a wrong bit in the `read`-th read (counted from 1), which nobody is told of.
    pub fn plan_flip(&self, read: u64) {
        self.state().flips.insert(read);
    }

    /// The drive is taken out and put in again: what vanished is back, what died stays dead.
    pub fn plug_in(&self) {
        let mut state = self.state();
        if state.gone_until.is_some_and(|until| until != u64::MAX) {
            state.gone_until = None;
            state.plugged += 1;
        }
    }

    /// Number of nodes.
    pub fn nodes(&self) -> usize {
        self.state().nodes.len()
    }

    /// Every name as it is now, folders first.
    pub fn truth(&self) -> Vec<Truth> {
        let state = self.state();
        let mut out = Vec::new();
        let mut waiting = vec![(Vec::new(), 0usize)];
        while let Some((parts, number)) = waiting.pop() {
            let Some(folder) = state.nodes.get(number) else {
                continue;
            };
            for (name, number) in &folder.names {
                let Some(node) = state.nodes.get(*number) else {
                    continue;
                };
                let mut parts: Vec<Vec<u8>> = parts.clone();
                parts.push(name.clone());
                if node.kind == Kind::Folder && !node.denied && !node.marks.has(Mark::OtherMount) {
                    waiting.push((parts.clone(), *number));
                }
                out.push(Truth {
                    parts,
                    node: node.clone(),
                });
            }
        }
        out
    }

    /// The bytes that inode held when it had this time and length.
    pub fn version(&self, inode: u64, modified_ns: i64, bytes: u64) -> Option<Arc<Vec<u8>>> {
        self.state()
            .versions
            .get(&(inode, modified_ns, bytes))
            .cloned()
    }

    /// One operation on the drive. `since` = as of when the asker opened it.
    fn enter(&self, since: Option<u64>) -> Result<MutexGuard<'_, State>, Fault> {
        let operation = self.fate.operation()?;
        self.clock.pass(READ_NANOSECONDS);
        let mut state = self.state();
        state.happen(operation);
        let gone = state.gone_until.is_some();
        if gone || since.is_some_and(|since| since != state.plugged) {
            return Err(Fault::new(
                FaultKind::Gone,
                format!("reading {}", self.path),
                "the drive is not there",
            ));
        }
        Ok(state)
    }
}

impl State {
    fn happen(&mut self, operation: u64) {
        if self
            .gone_until
            .is_some_and(|until| operation >= until && until != u64::MAX)
        {
            self.gone_until = None;
            self.plugged += 1;
        }
        let later = self.due.split_off(&(operation + 1));
        for what in std::mem::replace(&mut self.due, later)
            .into_values()
            .flatten()
        {
            match what {
                Happening::Write { node, bytes } => self.write(node, bytes),
                Happening::Deny { node } => {
                    if let Some(node) = self.nodes.get_mut(node) {
                        node.denied = true;
                    }
                }
                Happening::Remove { folder, name } => {
                    if let Some(folder) = self.nodes.get_mut(folder) {
                        folder.names.remove(&name);
                    }
                }
                Happening::Vanish { until } => {
                    self.gone_until = Some(until.max(operation + 1));
                }
            }
        }
    }

    fn write(&mut self, node: usize, bytes: Vec<u8>) {
        if let Some(node) = self.nodes.get_mut(node) {
            node.stamp.bytes = bytes.len() as u64;
            node.stamp.allocated = node.stamp.bytes.next_multiple_of(4096);
            node.stamp.modified_ns += 1_000_000_000_000;
            node.holes.clear();
            node.bytes = Arc::new(bytes);
            let stamp = node.stamp;
            self.versions.insert(
                (stamp.inode, stamp.modified_ns, stamp.bytes),
                node.bytes.clone(),
            );
        }
    }

    fn find(&self, from: usize, name: &[u8], kind: Kind) -> Result<usize, Fault> {
        let doing = || format!("opening {}", String::from_utf8_lossy(name));
        let number = self
            .nodes
            .get(from)
            .and_then(|folder| folder.names.get(name))
            .copied()
            .ok_or_else(|| Fault::new(FaultKind::Missing, doing(), "no such name"))?;
        match self.nodes.get(number) {
            Some(node) if node.kind != kind => Err(Fault::new(
                FaultKind::Other,
                doing(),
                "it is something else",
            )),
            Some(node) if node.denied => Err(Fault::new(
                FaultKind::Denied,
                doing(),
                "EACCES (permission refused)",
            )),
            _ => Ok(number),
        }
    }
}

/// The source as the engine holds it.
pub struct LifeTree(pub Arc<LifeDrive>);

impl Tree for LifeTree {
    fn root(&self) -> Result<TreeRoot, Fault> {
        let state = self.0.enter(None)?;
        Ok(TreeRoot {
            path: self.0.path.clone(),
            stamp: state
                .nodes
                .first()
                .map(|node| node.stamp)
                .unwrap_or_default(),
            file_system: "simulated".into(),
            file_system_id: "5eed".into(),
            disks: self.0.disks.clone(),
            disks_unknown: Vec::new(),
        })
    }

    fn folder(&self, parts: &[Vec<u8>]) -> Result<Box<dyn Folder>, Fault> {
        let state = self.0.enter(None)?;
        let mut node = 0;
        for part in parts {
            node = state.find(node, part, Kind::Folder)?;
        }
        Ok(Box::new(LifeFolder {
            drive: self.0.clone(),
            since: state.plugged,
            node,
        }))
    }
}

struct LifeFolder {
    drive: Arc<LifeDrive>,
    since: u64,
    node: usize,
}

impl Folder for LifeFolder {
    fn each(&self, see: &mut dyn FnMut(Entry)) -> Result<(), Fault> {
        let entries: Vec<Entry> = {
            let state = self.drive.enter(Some(self.since))?;
            let names = state.nodes.get(self.node).map(|node| node.names.clone());
            names
                .unwrap_or_default()
                .into_iter()
                .filter_map(|(name, number)| {
                    let node = state.nodes.get(number)?;
                    Some(Entry {
                        name,
                        kind: node.kind,
                        stamp: Ok(node.stamp),
                        target: node.target.clone(),
                        attributes: node.attributes.clone(),
                        marks: node.marks,
                    })
                })
                .collect()
        };
        entries.into_iter().for_each(see);
        Ok(())
    }

    fn folder(&self, name: &[u8]) -> Result<Box<dyn Folder>, Fault> {
        let state = self.drive.enter(Some(self.since))?;
        Ok(Box::new(LifeFolder {
            drive: self.drive.clone(),
            since: self.since,
            node: state.find(self.node, name, Kind::Folder)?,
        }))
    }

    fn open(&self, name: &[u8]) -> Result<Box<dyn Content>, Fault> {
        let state = self.drive.enter(Some(self.since))?;
        Ok(Box::new(LifeContent {
            drive: self.drive.clone(),
            since: self.since,
            node: state.find(self.node, name, Kind::File)?,
        }))
    }

    fn stamp(&self, name: &[u8]) -> Result<Stamp, Fault> {
        let state = self.drive.enter(Some(self.since))?;
        let node = state
            .nodes
            .get(self.node)
            .and_then(|folder| folder.names.get(name))
            .and_then(|number| state.nodes.get(*number));
        node.map(|node| node.stamp)
            .ok_or_else(|| Fault::new(FaultKind::Missing, "looking at a name", "no such name"))
    }
}

struct LifeContent {
    drive: Arc<LifeDrive>,
    since: u64,
    node: usize,
}

impl LifeContent {
    fn lost() -> Fault {
        Fault::new(FaultKind::Other, "reading", "no such node")
    }
}

fn meets(ranges: &[(u64, u64)], first: u64, end: u64) -> bool {
    ranges
        .iter()
        .any(|(at, length)| *at < end && first < at + length)
}

impl Content for LifeContent {
    fn stamp(&self) -> Result<Stamp, Fault> {
        let state = self.drive.enter(Some(self.since))?;
        let node = state.nodes.get(self.node).ok_or_else(Self::lost)?;
        Ok(node.stamp)
    }

    fn read_at(&self, at: u64, buf: &mut [u8]) -> Result<usize, Fault> {
        let mut state = self.drive.enter(Some(self.since))?;
        state.reads += 1;
        let read = state.reads;
        let flip = state.flips.remove(&read);
        let node = state.nodes.get(self.node).ok_or_else(Self::lost)?;
        let length = node.bytes.len();
        let start = usize::try_from(at).unwrap_or(length).min(length);
        let end = start.saturating_add(buf.len()).min(length);
        let (first, last) = (start as u64, end as u64);
        let doing = || format!("reading {} bytes at {at}", buf.len());
        if meets(&node.silent, first, last) {
            self.drive.clock.pass(STALL_NANOSECONDS);
            return Err(Fault::new(FaultKind::NoAnswer, doing(), "time ran out"));
        }
        if meets(&node.refused, first, last) {
            self.drive.clock.pass(REFUSED_NANOSECONDS);
            return Err(Fault::new(FaultKind::Refused, doing(), "unreadable sector"));
        }
        let (Some(from), Some(to)) = (node.bytes.get(start..end), buf.get_mut(..end - start))
        else {
            return Ok(0);
        };
        to.copy_from_slice(from);
        if flip && let Some(byte) = to.first_mut() {
            *byte ^= 0x10;
        }
        self.drive.memory.pass(to);
        Ok(to.len())
    }

    fn data_after(&self, at: u64) -> Result<Option<(u64, u64)>, Fault> {
        let state = self.drive.enter(Some(self.since))?;
        let node = state.nodes.get(self.node).ok_or_else(Self::lost)?;
        let length = node.bytes.len() as u64;
        let mut holes = node.holes.clone();
        holes.sort_unstable();
        let mut first = at;
        for (hole, bytes) in &holes {
            if *hole <= first && first < hole + bytes {
                first = hole + bytes;
            }
        }
        if first >= length {
            return Ok(None);
        }
        let end = holes
            .iter()
            .map(|(hole, _)| *hole)
            .find(|hole| *hole > first)
            .unwrap_or(length)
            .min(length);
        Ok(Some((first, end - first)))
    }
}
