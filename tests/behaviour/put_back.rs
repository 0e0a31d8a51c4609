//! Putting back: names, times, marks, links and holes come back; nothing that differs is overwritten.

use crate::hand_bench::Scratch;
use holdpoint::job::Job;
use holdpoint::ledger::FactBody;
use holdpoint::port::{Content, Dress, Fault, FaultKind, Lacking, Recipient, Stamp, Writing};
use holdpoint::step::event::Event;
use holdpoint::step::outcome::{Exit, Outcome, Problem, ProblemKind, PutBack};
use holdpoint::step::put_back::put_back;
use holdpoint::step::request::PutBackRequest;
use holdpoint::survey::item::Kind;
use std::collections::BTreeMap;
use std::ffi::OsString;
use std::os::unix::ffi::{OsStrExt, OsStringExt};
use std::os::unix::fs::{FileExt, MetadataExt, PermissionsExt, symlink};
use std::path::Path;
use std::sync::atomic::Ordering;

fn request(scratch: &Scratch, to: &str) -> PutBackRequest {
    PutBackRequest {
        job: scratch.path("one/job"),
        to: scratch.path(to),
        map: Vec::new(),
        only: None,
        person: None,
    }
}

fn back(job: &Job<'_>, request: &PutBackRequest) -> Result<Outcome<PutBack>, Problem> {
    put_back(job, request, &mut |event| {
        if let Event::Warn { says } = event {
            eprintln!("warned: {says}");
        }
    })
}

/// Everything below a folder: kind, mode, time, and content or target; hard links by their number.
fn picture(root: &Path) -> BTreeMap<Vec<u8>, String> {
    let mut out = BTreeMap::new();
    let mut waiting = vec![root.to_owned()];
    while let Some(folder) = waiting.pop() {
        for entry in std::fs::read_dir(&folder).unwrap() {
            let path = entry.unwrap().path();
            let seen = std::fs::symlink_metadata(&path).unwrap();
            let what = if seen.is_dir() {
                waiting.push(path.clone());
                String::new()
            } else if seen.is_symlink() {
                std::fs::read_link(&path).unwrap().display().to_string()
            } else {
                let content = std::fs::read(&path).unwrap();
                format!(
                    "{} {} {}",
                    seen.nlink(),
                    content.len(),
                    blake3::hash(&content)
                )
            };
            out.insert(
                path.strip_prefix(root)
                    .unwrap()
                    .as_os_str()
                    .as_bytes()
                    .to_vec(),
                format!(
                    "{:o} {}.{} {what}",
                    seen.mode(),
                    seen.mtime(),
                    seen.mtime_nsec()
                ),
            );
        }
    }
    out
}

fn old(path: &Path, seconds: i64) {
    let times = rustix::fs::Timestamps {
        last_access: rustix::fs::Timespec {
            tv_sec: seconds,
            tv_nsec: 0,
        },
        last_modification: rustix::fs::Timespec {
            tv_sec: seconds,
            tv_nsec: 123_456_789,
        },
    };
    rustix::fs::utimensat(
        rustix::fs::CWD,
        path,
        &times,
        rustix::fs::AtFlags::SYMLINK_NOFOLLOW,
    )
    .unwrap();
}

fn household(scratch: &Scratch) {
    scratch.write(
        "source/Users/Ottilie/Pictures/garden.jpg",
        vec![0x5a; 300_000],
    );
    scratch.write("source/Users/Ottilie/Documents/letter.txt", b"Dear all");
    scratch.write("source/Users/Ottilie/Documents/empty.txt", b"");
    scratch.write("source/Users/Bertram/notes.txt", b"oil the gate");
    scratch.write("source/ledger of the choir.csv", b"1;2");
    std::fs::create_dir_all(scratch.path("source/Users/Ottilie/Empty folder")).unwrap();
    symlink(
        "../Documents/letter.txt",
        scratch.path("source/Users/Ottilie/Pictures/link"),
    )
    .unwrap();
    symlink(
        "/nowhere/at all",
        scratch.path("source/Users/Ottilie/broken"),
    )
    .unwrap();
    std::fs::hard_link(
        scratch.path("source/Users/Ottilie/Documents/letter.txt"),
        scratch.path("source/Users/Bertram/same letter.txt"),
    )
    .unwrap();
    let odd = OsString::from_vec(b"caf\xe9\n<b>.txt".to_vec());
    std::fs::write(scratch.path("source").join(odd), b"odd").unwrap();
    let sparse = std::fs::File::create(scratch.path("source/disk.img")).unwrap();
    sparse.set_len(32 << 20).unwrap();
    sparse.write_all_at(b"middle", 16 << 20).unwrap();
    let mode = |path: &str, mode| {
        std::fs::set_permissions(scratch.path(path), std::fs::Permissions::from_mode(mode))
            .unwrap();
    };
    mode("source/Users/Ottilie/Documents/letter.txt", 0o440);
    mode("source/Users/Bertram", 0o700);
    rustix::fs::setxattr(
        scratch.path("source/Users/Ottilie/Pictures/garden.jpg"),
        "user.rating",
        b"5",
        rustix::fs::XattrFlags::empty(),
    )
    .unwrap();
    for (place, path) in [
        "source/Users/Ottilie/Pictures/garden.jpg",
        "source/Users/Ottilie/Pictures/link",
        "source/Users/Ottilie/Documents/letter.txt",
        "source/Users/Ottilie/Documents",
        "source/Users/Ottilie/Pictures",
        "source/Users/Ottilie",
        "source/Users",
    ]
    .iter()
    .enumerate()
    {
        old(&scratch.path(path), 1_000_000_000 + place as i64);
    }
}

#[test]
fn everything_comes_back_as_it_was_without_the_source() {
    let scratch = Scratch::new();
    household(&scratch);
    let before = picture(&scratch.path("source"));
    let job = scratch.saved();
    std::fs::rename(scratch.path("source"), scratch.path("gone")).unwrap();
    let done = back(&job, &request(&scratch, "fresh")).unwrap();
    assert_eq!(done.exit, Exit::Done, "{:?}", done.result.refused);
    // letter, its second name, empty, garden, notes, choir, odd, disk
    assert_eq!(done.result.returned.items, 8);
    assert_eq!((done.result.already_there, done.result.set_beside), (0, 0));
    assert_eq!(picture(&scratch.path("fresh")), before);
    let disk = std::fs::metadata(scratch.path("fresh/disk.img")).unwrap();
    assert!(disk.blocks() * 512 < 4 << 20, "holes were written");
    let mut value = [0u8; 4];
    let garden = scratch.path("fresh/Users/Ottilie/Pictures/garden.jpg");
    assert_eq!(
        rustix::fs::getxattr(garden, "user.rating", &mut value[..]).unwrap(),
        1
    );
    let facts = job.ledger.facts().unwrap();
    assert!(matches!(
        &facts.last().unwrap().body,
        FactBody::PutBack {
            items: 8,
            refused: 0,
            ..
        }
    ));

    // A second time everything is there, and nothing is touched.
    let again = back(&job, &request(&scratch, "fresh")).unwrap();
    assert_eq!(again.result.already_there, 8);
    assert_eq!(
        (again.result.returned.items, again.result.set_beside),
        (0, 0)
    );
    assert_eq!(picture(&scratch.path("fresh")), before);
}

#[test]
fn what_differs_is_never_overwritten() {
    let scratch = Scratch::new();
    household(&scratch);
    let job = scratch.saved();
    scratch.write("fresh/Users/Ottilie/Documents/letter.txt", b"Dear new");
    scratch.write("fresh/Users/Bertram/notes.txt", b"oil the gate");
    scratch.write("fresh/Users/Ottilie/Pictures", b"a file where a folder was");
    scratch.write("outside/file", b"outside");
    symlink(
        "../outside",
        scratch.path("fresh/Users/Ottilie/Empty folder"),
    )
    .unwrap();
    symlink("elsewhere", scratch.path("fresh/Users/Ottilie/broken")).unwrap();
    let new = picture(&scratch.path("fresh"));
    let done = back(&job, &request(&scratch, "fresh")).unwrap();
    assert_eq!(done.exit, Exit::Done, "{:?}", done.result.refused);
    let after = picture(&scratch.path("fresh"));
    for (path, what) in &new {
        if !what.ends_with(' ') {
            assert_eq!(
                after.get(path),
                Some(what),
                "{}",
                String::from_utf8_lossy(path)
            );
        }
    }
    let day = scratch.bench_day();
    let beside = format!("fresh/Users/Ottilie/Documents/letter (put back {day}).txt");
    assert_eq!(scratch.read(&beside), b"Dear all");
    let garden = format!("fresh/Users/Ottilie/Pictures (put back {day})/garden.jpg");
    assert_eq!(scratch.read(&garden).len(), 300_000);
    assert_eq!(done.result.already_there, 1);
    // letter, Pictures, Empty folder, broken
    assert_eq!(done.result.set_beside, 4);
    assert_eq!(
        std::fs::read_dir(scratch.path("outside")).unwrap().count(),
        1
    );
    // The further name of the letter is one file with the letter that was set beside.
    let twin = std::fs::metadata(scratch.path("fresh/Users/Bertram/same letter.txt")).unwrap();
    assert_eq!(
        twin.ino(),
        std::fs::metadata(scratch.path(&beside)).unwrap().ino()
    );

    // The next day the same things are found where they were put.
    scratch.bench.pass_days(1);
    let again = back(&job, &request(&scratch, "fresh")).unwrap();
    assert_eq!(
        (again.result.returned.items, again.result.already_there),
        (0, 8)
    );
    assert_eq!(picture(&scratch.path("fresh")), after);
}

impl Scratch {
    fn bench_day(&self) -> String {
        use holdpoint::port::Bench;
        self.bench.clock().now().to_string()[..10].to_owned()
    }

    fn bag(&self, destination: &str, path: &str) -> std::path::PathBuf {
        self.path(&format!("{destination}/job/bag/data/folder/{path}"))
    }
}

#[test]
fn a_copy_that_differs_is_refused_and_the_next_destination_asked() {
    let scratch = Scratch::new();
    household(&scratch);
    let job = scratch.saved();
    let letter = "Users/Ottilie/Documents/letter.txt";
    let spoil = |destination: &str, path: &str| {
        let path = scratch.bag(destination, path);
        std::fs::remove_file(&path).unwrap();
        std::fs::write(path, b"Dear elk").unwrap();
    };
    spoil("one", letter);
    spoil("one", "ledger of the choir.csv");
    spoil("two", "ledger of the choir.csv");
    let done = back(&job, &request(&scratch, "fresh")).unwrap();
    assert_eq!(scratch.read(&format!("fresh/{letter}")), b"Dear all");
    assert!(!scratch.path("fresh/ledger of the choir.csv").exists());
    assert_eq!(done.exit, Exit::Failed);
    let refused = &done.result.refused;
    assert_eq!(refused.len(), 1, "{refused:?}");
    assert_eq!(refused[0].path, "ledger of the choir.csv");
    assert!(refused[0].why.contains("destination 1") && refused[0].why.contains("destination 2"));
    assert_eq!(done.result.returned.items, 7);
    let left: Vec<_> = picture(&scratch.path("fresh"))
        .into_keys()
        .filter(|name| name.starts_with(b".put-back"))
        .collect();
    assert!(left.is_empty(), "{left:?}");
    // A destination that is away is no reason to fail.
    std::fs::rename(scratch.path("two/job"), scratch.path("two/away")).unwrap();
    std::fs::create_dir(scratch.path("fresh 2")).unwrap();
    let done = back(&job, &request(&scratch, "fresh 2")).unwrap();
    // The letter and its further name are good at the second one only.
    assert_eq!(done.result.refused.len(), 2, "{:?}", done.result.refused);
}

#[test]
fn only_a_class_only_a_person_and_to_another_place() {
    let scratch = Scratch::new();
    household(&scratch);
    let job = scratch.saved();
    let mut wanted = request(&scratch, "fresh");
    wanted.person = Some("ottilie".into());
    wanted.map = vec![
        ("Users/Ottilie".into(), "home/otti".into()),
        ("/Users/Ottilie/Pictures/".into(), "photos".into()),
    ];
    let done = back(&job, &wanted).unwrap();
    assert_eq!(done.result.returned.items, 3, "{:?}", done.result.refused);
    assert_eq!(
        scratch.read("fresh/home/otti/Documents/letter.txt"),
        b"Dear all"
    );
    assert_eq!(scratch.read("fresh/photos/garden.jpg").len(), 300_000);
    assert!(scratch.path("fresh/home/otti/Empty folder").is_dir());
    assert!(!scratch.path("fresh/Users/Bertram").exists());
    assert!(!scratch.path("fresh/disk.img").exists());
    let mode = |path: &str| std::fs::metadata(scratch.path(path)).unwrap().mode() & 0o7777;
    assert_eq!((mode("fresh/home"), mode("fresh/photos")), (0o755, 0o755));
    let mut nobody = request(&scratch, "fresh");
    nobody.person = Some("Kasimir".into());
    let problem = back(&job, &nobody).unwrap_err();
    assert_eq!(problem.kind, ProblemKind::Usage);
    assert!(
        problem.what.contains("Ottilie") && problem.what.contains("Bertram"),
        "{problem}"
    );
    for (from, to) in [("Users/Nobody", "x"), ("", "x"), ("Users/Ottilie", "../x")] {
        let mut wrong = request(&scratch, "fresh");
        wrong.map = vec![(from.into(), to.into())];
        assert_eq!(
            back(&job, &wrong).unwrap_err().kind,
            ProblemKind::Usage,
            "{from}={to}"
        );
    }
    let mut none = request(&scratch, "fresh 2");
    std::fs::create_dir(scratch.path("fresh 2")).unwrap();
    none.only = Some(holdpoint::survey::item::Class::Rebuildable);
    let done = back(&job, &none).unwrap();
    assert_eq!(done.result.returned.items, 0);
    assert_eq!(
        std::fs::read_dir(scratch.path("fresh 2")).unwrap().count(),
        0
    );
}

#[test]
fn not_among_the_copies_and_not_into_what_is_on_hold() {
    let scratch = Scratch::new();
    household(&scratch);
    let job = scratch.saved();
    for inner in ["one/job", "two/job/bag", "one/job/bag/data"] {
        let problem = back(&job, &request(&scratch, inner)).unwrap_err();
        assert_eq!(problem.kind, ProblemKind::Usage, "{inner}: {problem}");
    }
    for inner in ["source", "source/Users"] {
        let problem = back(&job, &request(&scratch, inner)).unwrap_err();
        assert_eq!(problem.kind, ProblemKind::Hold, "{inner}: {problem}");
    }
    assert!(back(&job, &request(&scratch, "missing")).is_err());
}

#[test]
fn stopped_and_cut_off_runs_are_gone_on_with() {
    let scratch = Scratch::new();
    household(&scratch);
    let before = picture(&scratch.path("source"));
    let job = scratch.saved();
    scratch.bench.stop.store(true, Ordering::Relaxed);
    let done = back(&job, &request(&scratch, "fresh")).unwrap();
    assert_eq!(done.exit, Exit::Stopped);
    scratch.bench.stop.store(false, Ordering::Relaxed);
    // What a run leaves that was killed: folders not dressed, a temporary file with half its bytes.
    std::fs::create_dir_all(scratch.path("fresh/Users/Ottilie")).unwrap();
    for folder in ["fresh/Users", "fresh/Users/Ottilie"] {
        std::fs::set_permissions(
            scratch.path(folder),
            std::fs::Permissions::from_mode(0o1700),
        )
        .unwrap();
    }
    for item in 1..30 {
        scratch.write(&format!("fresh/.put-back-{}-{item}", job.setup.id), b"half");
        scratch.write(
            &format!("fresh/Users/Ottilie/.put-back-{}-{item}", job.setup.id),
            b"half",
        );
    }
    let done = back(&job, &request(&scratch, "fresh")).unwrap();
    assert_eq!((done.exit, done.result.returned.items), (Exit::Done, 8));
    let after: BTreeMap<_, _> = picture(&scratch.path("fresh"))
        .into_iter()
        .filter(|(path, _)| !path.windows(9).any(|part| part == b".put-back"))
        .collect();
    assert_eq!(after, before);
}

#[test]
fn a_damaged_file_comes_back_by_name_and_is_never_counted_whole() {
    let scratch = Scratch::new();
    household(&scratch);
    let job = scratch.saved();
    // As copying leaves it: zero-filled, with the digest of the zero-filled copy.
    let choir = job
        .ledger
        .child(
            0,
            &holdpoint::value::Name::of("ledger of the choir.csv"),
            None,
        )
        .unwrap()
        .unwrap();
    let mut got = choir.1.clone();
    got.state = holdpoint::ledger::Got::Gaps;
    got.missing = vec![(1, 2)];
    got.blake3 = Some(holdpoint::value::Blake3(*blake3::hash(b"1\0\0").as_bytes()));
    for destination in ["one", "two"] {
        std::fs::write(
            scratch.bag(destination, "ledger of the choir.csv"),
            b"1\0\0",
        )
        .unwrap();
    }
    job.ledger
        .transaction::<_, holdpoint::ledger::LedgerError>(|ledger| {
            let mut sum = ledger.row_sum()?;
            ledger.put_got(choir.0.want, 0, &choir.1, &got, &mut sum)?;
            ledger.rows_moved(job.now(), sum)
        })
        .unwrap();
    for round in 0..2 {
        let done = back(&job, &request(&scratch, "fresh")).unwrap();
        assert_eq!(scratch.read("fresh/ledger of the choir.csv"), b"1\0\0");
        assert_eq!(
            done.exit,
            Exit::Done,
            "what was lost before is no failure of putting back"
        );
        assert_eq!(
            done.result.returned.items + done.result.already_there,
            7,
            "round {round}"
        );
        assert_eq!(done.result.refused.len(), 1);
        assert!(
            done.result.refused[0].why.contains("2 of its 3 bytes"),
            "{:?}",
            done.result.refused
        );
    }
}

/// A recipient that folds case and refuses what FAT refuses, and has no room for one name.
struct Folding(Box<dyn Recipient>);

impl Folding {
    fn fold(parts: &[Vec<u8>]) -> Result<Vec<Vec<u8>>, Fault> {
        if parts.iter().any(|part| part.contains(&b'?')) {
            return Err(Fault::new(FaultKind::CannotHold, "naming", "EINVAL"));
        }
        Ok(parts.iter().map(|part| part.to_ascii_lowercase()).collect())
    }
}

impl Recipient for Folding {
    fn look(&self, parts: &[Vec<u8>]) -> Result<Option<(Kind, Stamp, Option<Vec<u8>>)>, Fault> {
        self.0.look(&Self::fold(parts)?)
    }
    fn open(&self, parts: &[Vec<u8>]) -> Result<Box<dyn Content>, Fault> {
        self.0.open(&Self::fold(parts)?)
    }
    fn make_folder(&self, parts: &[Vec<u8>]) -> Result<(), Fault> {
        self.0.make_folder(&Self::fold(parts)?)
    }
    fn create(&self, parts: &[Vec<u8>], bytes: u64) -> Result<Box<dyn Writing>, Fault> {
        self.0.create(&Self::fold(parts)?, bytes)
    }
    fn rename(&self, from: &[Vec<u8>], to: &[Vec<u8>]) -> Result<(), Fault> {
        if to.last().is_some_and(|name| name == b"no room") {
            return Err(Fault::new(FaultKind::Full, "naming", "ENOSPC"));
        }
        self.0.rename(&Self::fold(from)?, &Self::fold(to)?)
    }
    fn make_link(&self, _: &[Vec<u8>], _: &[u8]) -> Result<(), Fault> {
        Err(Fault::new(FaultKind::Denied, "linking", "EPERM"))
    }
    fn hard_link(&self, _: &[Vec<u8>], _: &[Vec<u8>]) -> Result<(), Fault> {
        Err(Fault::new(FaultKind::Denied, "linking", "EPERM"))
    }
    fn dress(&self, parts: &[Vec<u8>], kind: Kind, dress: &Dress) -> Result<Lacking, Fault> {
        self.0.dress(&Self::fold(parts)?, kind, dress)
    }
    fn remove(&self, parts: &[Vec<u8>]) -> Result<(), Fault> {
        self.0.remove(&Self::fold(parts)?)
    }
    fn settle(&self) -> Result<(), Fault> {
        self.0.settle()
    }
}

#[test]
fn a_file_system_with_less_room_for_names_loses_nothing() {
    let mut scratch = Scratch::new();
    scratch.bench.wrap = Some(|real| Box::new(Folding(real)));
    for (name, content) in [
        ("Plan/Case.txt", "upper"),
        ("Plan/case.txt", "lower"),
        ("plan/case.txt", "third"),
        ("what?.txt", "asked"),
        ("why?/because.txt", "so"),
        ("same", "twin"),
    ] {
        scratch.write(&format!("source/{name}"), content);
    }
    std::fs::hard_link(scratch.path("source/same"), scratch.path("source/twin")).unwrap();
    symlink("same", scratch.path("source/link")).unwrap();
    let job = scratch.saved();
    for round in 0..2 {
        let done = back(&job, &request(&scratch, "fresh")).unwrap();
        let mut contents: Vec<String> = picture(&scratch.path("fresh"))
            .into_keys()
            .map(|path| scratch.path("fresh").join(OsString::from_vec(path)))
            .filter(|path| path.is_file())
            .map(|path| std::fs::read_to_string(path).unwrap())
            .collect();
        contents.sort();
        assert_eq!(
            contents,
            ["asked", "lower", "so", "third", "twin", "twin", "upper"],
            "round {round}"
        );
        let all = (done.result.returned.items, done.result.already_there);
        assert_eq!(all, if round == 0 { (7, 0) } else { (0, 7) });
        // The link cannot be made there, and that is said.
        assert_eq!(done.exit, Exit::Failed);
        assert_eq!(done.result.refused.len(), 1, "{:?}", done.result.refused);
        assert_eq!(done.result.refused[0].path, "link");
    }
}

/// That nothing more fits is no trouble of the one file that meets it.
#[test]
fn a_recipient_without_room_for_a_name_stops_the_step() {
    let mut scratch = Scratch::new();
    scratch.bench.wrap = Some(|real| Box::new(Folding(real)));
    scratch.write("source/letter", "Dear all");
    scratch.write("source/no room", "Dear you");
    let job = scratch.saved();
    let done = back(&job, &request(&scratch, "fresh")).unwrap();
    assert_eq!(done.exit, Exit::Stopped);
    assert!(done.result.refused.is_empty(), "{:?}", done.result.refused);
    assert_eq!(done.result.returned.items, 1);
    let there: Vec<_> = picture(&scratch.path("fresh")).into_keys().collect();
    assert_eq!(there, [b"letter".to_vec()]);
}

/// A recipient with no room for attributes.
struct Plain(Box<dyn Recipient>);

impl Recipient for Plain {
    fn look(&self, parts: &[Vec<u8>]) -> Result<Option<(Kind, Stamp, Option<Vec<u8>>)>, Fault> {
        self.0.look(parts)
    }
    fn open(&self, parts: &[Vec<u8>]) -> Result<Box<dyn Content>, Fault> {
        self.0.open(parts)
    }
    fn make_folder(&self, parts: &[Vec<u8>]) -> Result<(), Fault> {
        self.0.make_folder(parts)
    }
    fn create(&self, parts: &[Vec<u8>], bytes: u64) -> Result<Box<dyn Writing>, Fault> {
        self.0.create(parts, bytes)
    }
    fn rename(&self, from: &[Vec<u8>], to: &[Vec<u8>]) -> Result<(), Fault> {
        self.0.rename(from, to)
    }
    fn make_link(&self, parts: &[Vec<u8>], target: &[u8]) -> Result<(), Fault> {
        self.0.make_link(parts, target)
    }
    fn hard_link(&self, existing: &[Vec<u8>], parts: &[Vec<u8>]) -> Result<(), Fault> {
        self.0.hard_link(existing, parts)
    }
    fn dress(&self, parts: &[Vec<u8>], kind: Kind, dress: &Dress) -> Result<Lacking, Fault> {
        let bare = Dress {
            attributes: Vec::new(),
            ..dress.clone()
        };
        let mut lacking = self.0.dress(parts, kind, &bare)?;
        for (name, _) in &dress.attributes {
            let name = String::from_utf8_lossy(name);
            lacking.attributes.push(format!("attribute {name}: ENOSPC"));
        }
        Ok(lacking)
    }
    fn remove(&self, parts: &[Vec<u8>]) -> Result<(), Fault> {
        self.0.remove(parts)
    }
    fn settle(&self) -> Result<(), Fault> {
        self.0.settle()
    }
}

#[test]
fn an_attribute_that_could_not_be_given_back_is_named_by_its_file() {
    let mut scratch = Scratch::new();
    scratch.bench.wrap = Some(|real| Box::new(Plain(real)));
    scratch.write("source/garden.jpg", "roses");
    rustix::fs::setxattr(
        scratch.path("source/garden.jpg"),
        "user.rating",
        b"5",
        rustix::fs::XattrFlags::empty(),
    )
    .unwrap();
    let job = scratch.saved();
    let mut told = Vec::new();
    let done = put_back(&job, &request(&scratch, "fresh"), &mut |event| {
        if let Event::Warn { says } = event {
            told.push(says);
        }
    })
    .unwrap();
    assert_eq!(done.result.returned.items, 1);
    let refused = &done.result.refused;
    assert_eq!(refused.len(), 1, "{refused:?}");
    assert_eq!(refused[0].path, "garden.jpg");
    assert!(refused[0].why.contains("user.rating"), "{refused:?}");
    assert!(
        told[0].starts_with("'garden.jpg' was put back without"),
        "{told:?}"
    );
}

#[test]
fn a_file_system_that_knows_neither_the_flag_nor_second_names_takes_things_back() {
    use crate::linux::support::{Loop, Mounted, can, run};
    let name = "put back to exFAT";
    if !can(
        name,
        &["mkfs.exfat", "mount.exfat-fuse", "losetup", "umount"],
    ) {
        return;
    }
    let scratch = Scratch::new();
    scratch.write("source/letter.txt", "Dear all");
    scratch.write("source/deep/photo.jpg", vec![7u8; 70_000]);
    let job = scratch.saved();
    let disk = Loop::fresh(scratch.dir.path(), "stick", 32 << 20);
    run("mkfs.exfat", &[disk.path()]).unwrap();
    let point = scratch.path("fresh");
    run("mount.exfat-fuse", &[disk.path(), point.to_str().unwrap()]).unwrap();
    let _mounted = Mounted { point };
    // What is there already is not replaced by this way of renaming either.
    scratch.write("fresh/letter.txt", "another letter");
    let outcome = back(&job, &request(&scratch, "fresh")).unwrap();
    assert_eq!(
        outcome.result.refused.len(),
        0,
        "{:?}",
        outcome.result.refused
    );
    assert_eq!(scratch.read("fresh/deep/photo.jpg"), vec![7u8; 70_000]);
    assert_eq!(scratch.read("fresh/letter.txt"), b"another letter");
    assert_eq!(outcome.result.set_beside, 1);
}
