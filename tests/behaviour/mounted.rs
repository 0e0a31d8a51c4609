//! XFS volumes of a drive, with a made-up mount in place of the kernel's: what the driver tells, and what it refuses, each once.

use crate::hand_bench::{HandBench, Scratch};
use holdpoint::job::Job;
use holdpoint::ledger::Ledger;
use holdpoint::linux::FolderTree;
use holdpoint::port::{
    Content, Entry, Fault, FaultKind, Folder, Mounted, NotMounted, Sectors, Stamp, ToMount,
    ToldExtent, ToldForm, Tree, TreeRoot,
};
use holdpoint::step::event::Event;
use holdpoint::step::outcome::{MemoryState, OpenPoint, Planned, Symptom, VolumeState};
use holdpoint::step::request::{
    CopyRequest, MustHaves, OpenRequest, PlanRequest, Source, VerifyRequest,
};
use std::collections::BTreeMap;
use std::sync::Arc;

/// What the made-up driver tells, by file name.
type Told = Arc<BTreeMap<Vec<u8>, Vec<ToldExtent>>>;

/// A folder of this machine as the mounted volume.
struct Fake {
    tree: FakeTree,
    inodes: u64,
}

struct FakeTree(FolderTree, Told);
struct FakeFolder(Box<dyn Folder>, Told);
struct FakeContent(Box<dyn Content>, Vec<u8>, Told);

impl Mounted for Fake {
    fn tree(&self) -> &dyn Tree {
        &self.tree
    }
    fn inodes_in_use(&self) -> Option<u64> {
        Some(self.inodes)
    }
    fn sectors(&self) -> Result<Arc<dyn Sectors>, Fault> {
        panic!("the places of XFS are those that the driver tells");
    }
}

impl Tree for FakeTree {
    fn root(&self) -> Result<TreeRoot, Fault> {
        self.0.root()
    }
    fn folder(&self, parts: &[Vec<u8>]) -> Result<Box<dyn Folder>, Fault> {
        if parts.last().is_some_and(|name| name == b"torn") {
            let doing = "opening folder 'torn'";
            return Err(Fault::new(FaultKind::Other, doing, "EUCLEAN"));
        }
        let folder = self.0.folder(parts)?;
        Ok(Box::new(FakeFolder(folder, Arc::clone(&self.1))))
    }
}

impl Folder for FakeFolder {
    fn each(&self, see: &mut dyn FnMut(Entry)) -> Result<(), Fault> {
        self.0.each(see)
    }
    fn folder(&self, name: &[u8]) -> Result<Box<dyn Folder>, Fault> {
        self.0.folder(name)
    }
    fn open(&self, name: &[u8]) -> Result<Box<dyn Content>, Fault> {
        let content = self.0.open(name)?;
        let told = Arc::clone(&self.1);
        Ok(Box::new(FakeContent(content, name.to_vec(), told)))
    }
    fn stamp(&self, name: &[u8]) -> Result<Stamp, Fault> {
        self.0.stamp(name)
    }
}

impl Content for FakeContent {
    fn stamp(&self) -> Result<Stamp, Fault> {
        self.0.stamp()
    }
    fn read_at(&self, _: u64, _: &mut [u8]) -> Result<usize, Fault> {
        panic!("contents are read from the drive, never from the mount");
    }
    fn data_after(&self, at: u64) -> Result<Option<(u64, u64)>, Fault> {
        self.0.data_after(at)
    }
    fn extents(&self, see: &mut dyn FnMut(ToldExtent)) -> Result<(), Fault> {
        let Some(told) = self.2.get(&self.1) else {
            let doing = "asking where it lies";
            return Err(Fault::new(FaultKind::Refused, doing, "EIO"));
        };
        told.iter().for_each(|told| see(*told));
        Ok(())
    }
}

const BLOCK: u64 = 4096;
/// Blocks of the image; two groups, the log in the second one ("XFS Algorithms & Data Structures", "Superblocks").
const BLOCKS: u64 = 8000;

fn image() -> Vec<u8> {
    let mut raw = vec![0u8; (BLOCKS * BLOCK) as usize];
    let mut put = |at: usize, bytes: &[u8]| raw[at..at + bytes.len()].copy_from_slice(bytes);
    put(0, b"XFSB");
    put(4, &4096u32.to_be_bytes());
    put(8, &BLOCKS.to_be_bytes());
    put(32, &[0xAB; 16]);
    put(48, &((1u64 << 12) + 8).to_be_bytes());
    put(56, &128u64.to_be_bytes());
    put(64, &129u64.to_be_bytes());
    put(72, &130u64.to_be_bytes());
    put(84, &4096u32.to_be_bytes());
    put(88, &2u32.to_be_bytes());
    put(96, &1000u32.to_be_bytes());
    put(102, &512u16.to_be_bytes());
    put(108, b"holiday");
    put(124, &[12]);
    raw
}

/// A drive with files in blocks of the image, and the folder that the made-up mount shows of it.
struct Made {
    scratch: Scratch,
    raw: Vec<u8>,
    told: BTreeMap<Vec<u8>, Vec<ToldExtent>>,
    inodes: u64,
}

fn told(from: u64, block: u64, blocks: u64) -> ToldExtent {
    ToldExtent {
        from,
        at: block * BLOCK,
        bytes: blocks * BLOCK,
        form: ToldForm::Plain,
        shared: false,
    }
}

impl Made {
    fn new() -> Self {
        Self {
            scratch: Scratch::new(),
            raw: image(),
            told: BTreeMap::new(),
            // The root, and two of the file system's own.
            inodes: 3,
        }
    }

    /// A file whose content lies where `told` says, and nowhere else.
    fn file(&mut self, name: &str, content: &[u8], told: Vec<ToldExtent>) {
        self.scratch
            .write(&format!("source/{name}"), vec![b'?'; content.len()]);
        for extent in told.iter().filter(|told| told.form == ToldForm::Plain) {
            let from = extent.from as usize;
            let part = &content[from..content.len().min(from + extent.bytes as usize)];
            if let Some(room) = self
                .raw
                .get_mut(extent.at as usize..extent.at as usize + part.len())
            {
                room.copy_from_slice(part);
            }
        }
        let last = name.rsplit('/').next().unwrap();
        self.told.insert(last.as_bytes().to_vec(), told);
        self.inodes += 1;
    }

    /// The job up to the plan, with what the mount is to be.
    fn planned(
        &self,
        mount: impl Fn(&Made) -> Result<Fake, NotMounted>,
    ) -> (Job<'_>, Planned, Vec<OpenPoint>) {
        let image = self.scratch.path("drive.img");
        if !image.exists() {
            std::fs::write(&image, &self.raw).unwrap();
        }
        let made = mount(self);
        *self.scratch.bench.mounts.lock().unwrap() = Some(Box::new({
            let made = std::sync::Mutex::new(Some(made));
            move |asked: &ToMount<'_>| {
                assert_eq!((asked.first_byte, asked.bytes), (0, BLOCKS * BLOCK));
                assert_eq!((asked.driver, asked.options), ("xfs", &["nouuid"][..]));
                let made = made.lock().unwrap().take().unwrap();
                made.map(|fake| Box::new(fake) as Box<dyn Mounted>)
            }
        }));
        let request = OpenRequest {
            source: Source::Drives(vec![image]),
            to: vec![self.scratch.path("one")],
            job: Some(self.scratch.path("one/job")),
            policy: Some("practice".into()),
            owner: Some("Ottilie Quendel".into()),
            technician: Some("Bo".into()),
            symptom: Some(Symptom::None),
            memory: Some(MemoryState::KnownGood),
            machine: None,
            must_have: Some(MustHaves::Nothing),
            replies: None,
        };
        let bench: &HandBench = &self.scratch.bench;
        let mut quiet = |_: Event| {};
        let create = |path: &std::path::Path| Ledger::create(path);
        let opened = holdpoint::step::open::open(bench, &request, &create, &mut quiet).unwrap();
        let job = Job::open(bench, &opened.job.unwrap()).unwrap();
        let plan = PlanRequest {
            job: job.dir.clone(),
            list: true,
        };
        let told = holdpoint::step::plan::plan(&job, &plan, &mut quiet).unwrap();
        (job, told.result, told.open_points)
    }

    fn mount(&self) -> Result<Fake, NotMounted> {
        let tree = FolderTree::open(&self.scratch.path("source")).unwrap();
        Ok(Fake {
            tree: FakeTree(tree, Arc::new(self.told.clone())),
            inodes: self.inodes,
        })
    }
}

/// What is open about the volume itself.
fn about(points: &[OpenPoint]) -> Vec<&OpenPoint> {
    let of_volume = |id: &str| id.starts_with("volume") || id.starts_with("accounts");
    points.iter().filter(|point| of_volume(&point.id)).collect()
}

fn content(number: u8, bytes: usize) -> Vec<u8> {
    (0..bytes)
        .map(|at| (at as u8).wrapping_mul(31) ^ number)
        .collect()
}

#[test]
fn what_the_driver_lists_is_read_from_the_drive_and_any_writing_since_shows() {
    let mut made = Made::new();
    let (one, two) = (content(1, 9000), content(2, 30_000));
    made.file("one.txt", &one, vec![told(0, 100, 3)]);
    let mut aside = told(8192, 300, 2);
    aside.form = ToldForm::Unwritten;
    made.file(
        "below/two.bin",
        &two,
        vec![told(0, 200, 2), aside, told(20_480, 400, 3)],
    );
    made.inodes += 1;
    made.file("empty", b"", Vec::new());
    let mut shared = told(0, 100, 1);
    shared.shared = true;
    made.told.get_mut(&b"one.txt"[..]).unwrap()[0].shared = true;
    made.file("part.txt", &one[..4096], vec![shared]);
    let again = made.scratch.path("source/again.txt");
    std::fs::hard_link(made.scratch.path("source/one.txt"), again).unwrap();
    let one_told = made.told[&b"one.txt"[..]].clone();
    made.told.insert(b"again.txt".to_vec(), one_told);
    let (job, planned, points) = made.planned(Made::mount);
    assert_eq!(about(&points), Vec::<&OpenPoint>::new());
    let volume = &planned.volumes[0];
    assert_eq!(
        (volume.kind.as_str(), volume.state),
        ("XFS", VolumeState::Surveyed)
    );
    assert_eq!(volume.label.as_deref(), Some("holiday"));
    assert!(volume.rule.starts_with("8 of 8 records"), "{}", volume.rule);
    let mut quiet = |_: Event| {};
    let copy = CopyRequest {
        job: job.dir.clone(),
        limit_bytes: None,
        limit_minutes: None,
    };
    holdpoint::step::copy::copy(&job, &copy, &mut quiet).unwrap();
    let verify = VerifyRequest {
        path: job.dir.clone(),
        attest: false,
    };
    let verified = holdpoint::step::verify::verify(&job, &verify, &mut quiet).unwrap();
    assert!(verified.result.mismatched.is_empty());
    let copied = |name: &str| {
        made.scratch
            .read(&format!("one/job/bag/data/drive1-volume1/{name}"))
    };
    assert_eq!(copied("one.txt"), one);
    assert_eq!(copied("part.txt"), one[..4096]);
    assert_eq!(copied("empty"), b"");
    let mut with_zeros = two.clone();
    with_zeros[8192..20_480].fill(0);
    assert_eq!(copied("below/two.bin"), with_zeros);

    // One bit in a superblock, a head of a group, the log; and one where no file system changes anything by itself.
    let image = made.scratch.path("drive.img");
    let facts = job.ledger.facts().unwrap();
    let changed = |at: u64| {
        let flip = || {
            let mut raw = std::fs::read(&image).unwrap();
            raw[at as usize] ^= 1;
            std::fs::write(&image, raw).unwrap();
        };
        flip();
        let told = holdpoint::step::present::listing_changed(&job, &facts, 0, &image).unwrap();
        flip();
        told.is_some()
    };
    let log = (4096 + 8) * BLOCK;
    for at in [
        300,
        700,
        1500,
        4096 * BLOCK + 512,
        log,
        log + 1000 * BLOCK - 1,
    ] {
        assert!(changed(at), "{at}");
    }
    assert!(!changed(7999 * BLOCK));
}

#[test]
fn where_the_host_cannot_the_volume_stays_as_it_is_and_where_the_driver_will_not_it_says_so() {
    let fault = |kind, errno: &str| Fault::new(kind, "mounting it as xfs", errno);
    let without = Made::new();
    let (_, planned, points) = without.planned(|_| {
        let none = fault(FaultKind::Missing, "ENOENT");
        Err(NotMounted::NoWay(none))
    });
    assert_eq!(planned.volumes[0].state, VolumeState::Unrecognised);
    let plain = about(&points)[0].clone();
    assert_eq!(
        (plain.id.as_str(), plain.evidence.as_str()),
        ("volume-unrecognised", "1:1: XFS")
    );
    assert!(plain.remedy.contains("dmsetup create") && about(&points).len() == 1);

    let refused = Made::new();
    let (_, planned, points) = refused.planned(|_| {
        let torn = fault(FaultKind::Other, "EUCLEAN (its structure needs repair)");
        Err(NotMounted::Refused(torn))
    });
    assert_eq!(planned.volumes[0].state, VolumeState::Unrecognised);
    let [point] = about(&points)[..] else {
        panic!("{points:?}");
    };
    assert!(point.evidence.contains("EUCLEAN") && point.remedy.contains("dmsetup create"));

    // Never asked: a part of it lies elsewhere.
    let mut realtime = Made::new();
    realtime.raw[16..24].copy_from_slice(&9u64.to_be_bytes());
    let (_, _, points) =
        realtime.planned(|_| Err(NotMounted::NoWay(fault(FaultKind::Missing, "asked"))));
    assert!(about(&points)[0].evidence.contains("realtime"));
}

#[test]
fn what_the_driver_refuses_or_does_not_tell_is_never_whole() {
    let mut made = Made::new();
    let (one, two) = (content(1, 8192), content(2, 8192));
    made.file("whole.txt", &one, vec![told(0, 100, 2)]);
    let mut untold = told(4096, 50, 1);
    untold.form = ToldForm::Untold;
    made.file("coded.txt", &two, vec![told(0, 200, 1), untold]);
    made.file("outside.txt", &two, vec![told(0, BLOCKS, 2)]);
    made.file("refused.txt", &one, Vec::new());
    made.told.remove(&b"refused.txt"[..]);
    made.file("first.txt", &one, vec![told(0, 300, 2)]);
    made.file("second.txt", &one, vec![told(0, 301, 2)]);
    made.file("torn/hidden.txt", &one, vec![told(0, 400, 2)]);
    made.inodes += 1;
    let (job, planned, points) = made.planned(Made::mount);
    let [point] = about(&points)[..] else {
        panic!("{points:?}");
    };
    assert_eq!(point.id, "volume-partly-surveyed");
    for part in [
        "a folder could not be read to its end",
        "does not tell where a part of it lies",
        "outside the volume",
        "EIO",
        "lie over the same blocks",
        "first.txt",
        "second.txt",
        "1 clusters owned twice",
        "11 records in use against 10 listed",
    ] {
        assert!(point.evidence.contains(part), "{part}: {}", point.evidence);
    }
    let mut quiet = |_: Event| {};
    let copy = CopyRequest {
        job: job.dir.clone(),
        limit_bytes: None,
        limit_minutes: None,
    };
    let _ = holdpoint::step::copy::copy(&job, &copy, &mut quiet);
    let plan = PlanRequest {
        job: job.dir.clone(),
        list: true,
    };
    assert_eq!(planned.items, 6);
    *made.scratch.bench.mounts.lock().unwrap() = Some(Box::new({
        let again = std::sync::Mutex::new(Some(made.mount()));
        move |_: &ToMount<'_>| {
            let made = again.lock().unwrap().take().unwrap();
            made.map(|fake| Box::new(fake) as Box<dyn Mounted>)
        }
    }));
    let listed = holdpoint::step::plan::plan(&job, &plan, &mut quiet)
        .unwrap()
        .result
        .listing
        .unwrap();
    let state = |name: &str| {
        let item = listed.iter().find(|item| item.path == name).unwrap();
        serde_json::to_value(item).unwrap()["state"]
            .as_str()
            .unwrap()
            .to_owned()
    };
    assert_eq!(state("whole.txt"), "copied");
    for name in ["coded.txt", "outside.txt"] {
        assert!(
            ["damaged", "unreadable"].contains(&state(name).as_str()),
            "{name}"
        );
    }
    assert_eq!(state("refused.txt"), "unreadable");
}
