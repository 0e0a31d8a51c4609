//! A bench of scratch folders and the real program: what a technician would type, and what came of it.

use crate::hostile::noise;
use crate::skip::skip;
use serde_json::Value;
use std::collections::BTreeMap;
use std::ffi::{OsStr, OsString};
use std::os::unix::ffi::OsStrExt;
use std::os::unix::fs::{FileTypeExt, MetadataExt};
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Output, Stdio};

/// The program under test.
pub const PROGRAM: &str = env!("CARGO_BIN_EXE_holdpoint");

/// What the program said, and how it ended.
pub struct Said {
    pub arguments: String,
    pub code: Option<i32>,
    pub out: String,
    pub err: String,
}

impl Said {
    fn of(arguments: String, output: Output) -> Self {
        Self {
            arguments,
            code: output.status.code(),
            out: String::from_utf8_lossy(&output.stdout).into_owned(),
            err: String::from_utf8_lossy(&output.stderr).into_owned(),
        }
    }

    /// Fails the test unless the program ended with this code.
    #[track_caller]
    pub fn ends(self, code: i32) -> Self {
        assert_eq!(
            self.code,
            Some(code),
            "holdpoint {}\n--- out\n{}\n--- err\n{}",
            self.arguments,
            self.out,
            self.err
        );
        self
    }

    /// The one JSON document on standard output.
    #[track_caller]
    pub fn json(&self) -> Value {
        serde_json::from_str(&self.out).unwrap_or_else(|e| {
            panic!(
                "holdpoint {}: not one JSON document ({e})\n{}\n{}",
                self.arguments, self.out, self.err
            )
        })
    }

    /// The ids of the open points.
    #[track_caller]
    pub fn points(&self) -> Vec<String> {
        let document = self.json();
        let points = document["open_points"].as_array().unwrap();
        points
            .iter()
            .map(|point| point["id"].as_str().unwrap().to_owned())
            .collect()
    }
}

/// Scratch folders `laptop`, `copies`, `fresh`; gone when the test is.
pub struct Shop {
    pub dir: tempfile::TempDir,
    program: PathBuf,
    user: Option<u32>,
}

impl Shop {
    pub fn new() -> Self {
        let dir = tempfile::Builder::new()
            .prefix("holdpoint-")
            .tempdir()
            .unwrap();
        for folder in ["laptop", "copies", "fresh", "home"] {
            std::fs::create_dir(dir.path().join(folder)).unwrap();
        }
        Self {
            dir,
            program: PROGRAM.into(),
            user: None,
        }
    }

    /// With five pictures on the laptop.
    pub fn with_pictures() -> Self {
        let shop = Self::new();
        for number in 0..5 {
            let picture = noise(number, 4000);
            shop.put(&format!("laptop/Pictures/{number}.jpg"), picture);
        }
        shop
    }

    /// The same, as a user without rights; `None` = that cannot be had here, said loudly.
    pub fn without_rights(test: &str) -> Option<Self> {
        let mut shop = Self::new();
        if !rustix::process::geteuid().is_root() {
            return Some(shop); // that is what we are already
        }
        if !on_path("setpriv") {
            skip(test, "setpriv is not installed");
            return None;
        }
        const NOBODY: u32 = 65534;
        // The scratch is that user's, and the program stands where they may start it.
        let program = shop.path("holdpoint");
        std::fs::copy(PROGRAM, &program).unwrap();
        for folder in ["", "laptop", "copies", "fresh", "home"] {
            std::os::unix::fs::chown(shop.path(folder), Some(NOBODY), Some(NOBODY)).unwrap();
        }
        (shop.program, shop.user) = (program, Some(NOBODY));
        Some(shop)
    }

    pub fn path(&self, inner: &str) -> PathBuf {
        self.dir.path().join(inner)
    }

    /// Opens a practice job on a drive, with every question answered.
    #[track_caller]
    pub fn open_drive(&self, image: &str) -> Said {
        let answers =
            "--policy practice --symptom none --memory known-good --must-have none --json";
        let mut words = vec![
            "open",
            "--drive",
            image,
            "--job",
            "copies/job",
            "--to",
            "copies",
        ];
        words.extend(["--owner", "R. Amsel", "--technician", "K. Brandt"]);
        words.extend(answers.split(' '));
        self.run(&words).ends(0)
    }

    /// Puts a file into the scratch, with the folders above it.
    pub fn put(&self, inner: &str, bytes: impl AsRef<[u8]>) -> PathBuf {
        let path = self.path(inner);
        std::fs::create_dir_all(path.parent().unwrap()).unwrap();
        std::fs::write(&path, bytes).unwrap();
        path
    }

    /// The program, ready to be started in the scratch, with nothing of the tester's own surroundings.
    pub fn command<S: AsRef<OsStr>>(&self, arguments: &[S]) -> Command {
        let mut command = match self.user {
            None => Command::new(&self.program),
            Some(user) => {
                let mut command = Command::new("setpriv");
                command
                    .args([
                        format!("--reuid={user}"),
                        format!("--regid={user}"),
                        "--clear-groups".into(),
                    ])
                    .arg(&self.program);
                command
            }
        };
        command
            .args(arguments)
            .current_dir(self.dir.path())
            .env_clear()
            .env("PATH", std::env::var_os("PATH").unwrap_or_default())
            .env("HOME", self.path("home"))
            .env("LC_ALL", "C.UTF-8")
            .env("TZ", "UTC")
            .env("COLUMNS", "100")
            .stdin(Stdio::null());
        command
    }

    /// Runs the program to its end.
    pub fn run<S: AsRef<OsStr>>(&self, arguments: &[S]) -> Said {
        let shown: Vec<_> = arguments
            .iter()
            .map(|a| a.as_ref().to_string_lossy())
            .collect();
        let output = self.command(arguments).output().unwrap();
        Said::of(shown.join(" "), output)
    }

    /// Runs a step of the job of this shop, `--json` included.
    pub fn step(&self, arguments: &[&str]) -> Said {
        let mut all = arguments.to_vec();
        let place = all.iter().position(|a| *a == "--").unwrap_or(all.len());
        all.insert(place, "--json");
        all.insert(1, "copies/job");
        self.run(&all)
    }

    /// Starts the program and does not wait.
    pub fn start(&self, arguments: &[&str]) -> Child {
        self.command(arguments)
            .stdout(Stdio::null())
            .stderr(Stdio::null())
            .spawn()
            .unwrap()
    }

    /// Opens a practice job on `laptop`, everything answered.
    #[track_caller]
    pub fn open(&self) -> Said {
        self.open_with("practice", &["copies"])
    }

    /// Opens a job on `laptop` under a policy, with these destinations.
    #[track_caller]
    pub fn open_with(&self, policy: &str, to: &[&str]) -> Said {
        let mut arguments = vec!["open", "--folder", "laptop", "--job", "copies/job"];
        to.iter().for_each(|to| arguments.extend(["--to", *to]));
        arguments.extend(["--policy", policy, "--owner", "R. Amsel"]);
        arguments.extend(["--technician", "K. Brandt", "--symptom", "none"]);
        arguments.extend(["--memory", "known-good", "--must-have", "none", "--json"]);
        self.run(&arguments).ends(0)
    }

    /// Opens, plans, copies and verifies.
    #[track_caller]
    pub fn saved(&self) {
        self.open();
        for step in ["plan", "copy", "verify"] {
            self.step(&[step]).ends(0);
        }
    }

    /// A folder has no health; the technician says so.
    #[track_caller]
    pub fn waive_health(&self) {
        self.waive(&["--point", "health-unread"]).ends(0);
    }

    /// A waiver of the technician.
    pub fn waive(&self, what: &[&str]) -> Said {
        self.waive_as(what, "technician", "K. Brandt")
    }

    /// A waiver that the owner signed.
    pub fn owner(&self, what: &[&str]) -> Said {
        self.waive_as(what, "owner", "R. Amsel")
    }

    fn waive_as(&self, what: &[&str], who: &str, name: &str) -> Said {
        let by = ["--reason", "a test", "--decided-by", who, "--name", name];
        self.step(&[&["waive"][..], what, &by, &["--how", "signed"]].concat())
    }

    /// Every payload file of the bag in `copies/job`.
    pub fn payload(&self) -> Vec<PathBuf> {
        let mut found: Vec<PathBuf> = walkdir::WalkDir::new(self.path("copies/job/bag/data"))
            .into_iter()
            .map(Result::unwrap)
            .filter(|entry| entry.file_type().is_file())
            .map(walkdir::DirEntry::into_path)
            .collect();
        found.sort();
        found
    }
}

/// Whether a tool is installed.
pub fn on_path(tool: &str) -> bool {
    std::env::var_os("PATH")
        .is_some_and(|paths| std::env::split_paths(&paths).any(|folder| folder.join(tool).exists()))
}

/// Whether every tool is installed; says so loudly when one is not.
pub fn have(test: &str, tools: &[&str]) -> bool {
    match tools.iter().find(|tool| !on_path(tool)) {
        Some(tool) => {
            skip(test, &format!("{tool} is not installed"));
            false
        }
        None => true,
    }
}

/// A Python with one of the packages that `tests/all` installs; `None` = not here, said loudly.
pub fn python(test: &str, module: &str) -> Option<Command> {
    let python = std::env::var_os("HOLDPOINT_PYTHON").unwrap_or_else(|| "python3".into());
    let there = Command::new(&python)
        .args(["-c", &format!("import {module}")])
        .output()
        .is_ok_and(|output| output.status.success());
    if !there {
        skip(
            test,
            &format!("no Python package {module} here (tests/all installs it)"),
        );
        return None;
    }
    Some(Command::new(python))
}

/// What one entry of a tree is, as far as it can come back.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Entry {
    pub kind: &'static str,
    pub bytes: u64,
    pub content: Option<blake3::Hash>,
    pub target: Option<PathBuf>,
    pub mode: u32,
    /// Seconds and nanoseconds.
    pub modified: (i64, i64),
}

/// Every entry below `top`, by its path relative to it.
pub fn listing(top: &Path) -> BTreeMap<OsString, Entry> {
    let mut out = BTreeMap::new();
    // `deep` is deeper than a path can say; `hostile::deepest` looks there.
    let walk = walkdir::WalkDir::new(top).min_depth(1).into_iter();
    for entry in walk.filter_entry(|entry| entry.depth() != 1 || entry.file_name() != "deep") {
        let entry = entry.unwrap();
        let seen = entry.path().symlink_metadata().unwrap();
        let kind = seen.file_type();
        let kind = match () {
            () if kind.is_dir() => "folder",
            () if kind.is_symlink() => "link",
            () if kind.is_file() => "file",
            () if kind.is_fifo() => "fifo",
            () if kind.is_socket() => "socket",
            () => "device",
        };
        let is_file = kind == "file";
        let name = entry.path().strip_prefix(top).unwrap().as_os_str();
        let found = Entry {
            kind,
            bytes: if is_file { seen.len() } else { 0 },
            content: is_file.then(|| blake3::hash(&std::fs::read(entry.path()).unwrap())),
            target: (kind == "link").then(|| std::fs::read_link(entry.path()).unwrap()),
            mode: if kind == "link" {
                0
            } else {
                seen.mode() & 0o7777
            },
            modified: (seen.mtime(), seen.mtime_nsec()),
        };
        out.insert(name.to_owned(), found);
    }
    out
}

/// Fails with the differences, not with two whole trees.
#[track_caller]
pub fn same_trees(expected: &BTreeMap<OsString, Entry>, found: &BTreeMap<OsString, Entry>) {
    let mut differences = Vec::new();
    let names: std::collections::BTreeSet<_> = expected.keys().chain(found.keys()).collect();
    for name in names {
        let (before, after) = (expected.get(name), found.get(name));
        if before != after {
            let shown = String::from_utf8_lossy(name.as_bytes())
                .escape_debug()
                .to_string();
            let shown = shown.chars().take(120).collect::<String>();
            differences.push(format!("{shown}\n  was {before:?}\n  is  {after:?}"));
        }
    }
    assert!(
        differences.is_empty(),
        "{} entries differ:\n{}",
        differences.len(),
        differences[..differences.len().min(20)].join("\n")
    );
}
