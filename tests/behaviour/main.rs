//! What the program does, seen from outside its modules. One program, so that everything is linked once.
#![allow(
    clippy::unwrap_used,
    clippy::expect_used,
    clippy::panic,
    clippy::print_stdout,
    clippy::print_stderr
)]

/// Saying that a test did nothing; shared with the unit tests.
#[path = "../support/skip.rs"]
mod skip;

// --- what the tests below stand on ---
/// A bench put together by hand around real folders, for calls into the library.
mod hand_bench;
/// Folders as nobody would want to get them.
mod hostile;
/// A bench of scratch folders and the real program.
mod shop;

// --- the rooms against the outside ---
/// Loop devices, mounts, destinations and folders of the machine that runs the tests.
mod linux;
/// NTFS volumes made by another implementation.
mod ntfs;
/// Partition tables, signatures, FAT, exFAT, ext and Btrfs against the tools that make them.
mod volume;

// --- whole jobs ---
/// Drives that get worse, fall silent, are exchanged; answers and readings that somebody takes back.
mod ailing;
/// Btrfs volumes, with a log to be applied and with damage, through the steps of a job.
mod btrfs_jobs;
/// The end of the shop's copy, on the record and without a name left.
mod close;
/// Copying that is killed, out of room, without its disk.
mod cut_short;
/// Who may decide what; exit codes; refusals.
mod decisions;
/// Every JSON document against the published schema.
mod documents;
/// What happened in between: cut off, exchanged, changed, gone.
mod doubts;
/// What vanishes from the source while a job runs.
mod gone;
/// A wiping command let through, refused, and held again.
mod guard;
/// People's folders on a volume of Linux, and links that lead out of them.
mod homes;
/// Copies that are not what they claim to be.
mod inspect;
/// Drives taken in: what is undone when no job comes of it, and what papers say of the drives beside.
mod intake;
/// What ends a release, and what is asked anew because of it.
mod lapse;
/// A ledger that is torn, newer, edited, or none.
mod ledger_hurt;
/// Volumes that only a kernel reads, mounted above a scratch.
mod mounted;
/// What comes next, wherever a job stands.
mod onward;
/// The saved items back on the fresh system, through the library.
mod put_back;
/// Another pair of eyes, or a pause, before a release.
mod salvage;
mod second_look;
/// Copies that somebody changed.
mod tampering;
/// Published digests through the path that hashes a customer's files.
mod vectors;
/// Drives with bad sectors: the salvage route and its image.
mod weak;
/// From open to the data put back, checked by tools that are not ours.
mod whole_job;
/// Whole drives: an invented laptop with one of everything, and drives that nobody made.
mod wholedrive;

/// A file that no `mod` line names is compiled by nobody, and its tests pass for ever.
#[test]
fn no_file_is_forgotten() {
    let top = std::path::Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/behaviour");
    let forgotten = forgotten_in(&top, "main.rs");
    assert!(forgotten.is_empty(), "declared by no `mod`: {forgotten:?}");

    // The check can fail.
    let made_up = tempfile::tempdir().unwrap();
    let put = |name: &str, text: &str| {
        let path = made_up.path().join(name);
        std::fs::create_dir_all(path.parent().unwrap()).unwrap();
        std::fs::write(path, text).unwrap();
    };
    put(
        "main.rs",
        "mod told;\n// mod untold;\n/// Room.\nmod room;\n",
    );
    put("told.rs", "");
    put("untold.rs", "");
    put("room/mod.rs", "mod inner;");
    put("room/inner.rs", "");
    put("room/lost.rs", "");
    put("nowhere/mod.rs", "");
    let mut found = forgotten_in(made_up.path(), "main.rs");
    found.sort();
    assert_eq!(found, ["nowhere/mod.rs", "room/lost.rs", "untold.rs"]);
}

/// Files under `folder` that `root` does not reach by `mod` lines, relative to `folder`.
fn forgotten_in(folder: &std::path::Path, root: &str) -> Vec<String> {
    let text = std::fs::read_to_string(folder.join(root)).unwrap();
    let declared: Vec<&str> = text
        .lines()
        .filter_map(|line| {
            let line = line.trim();
            let line = line.strip_prefix("pub ").unwrap_or(line);
            line.strip_prefix("mod ")?.strip_suffix(';')
        })
        .collect();
    let mut forgotten = Vec::new();
    for entry in std::fs::read_dir(folder).unwrap() {
        let path = entry.unwrap().path();
        let name = path.file_name().unwrap().to_str().unwrap().to_owned();
        let stem = name.trim_end_matches(".rs");
        if path.is_dir() {
            if !path.join("mod.rs").is_file() {
                continue; // data
            }
            if declared.contains(&name.as_str()) {
                let inside = forgotten_in(&path, "mod.rs");
                forgotten.extend(inside.into_iter().map(|file| format!("{name}/{file}")));
            } else {
                forgotten.push(format!("{name}/mod.rs"));
            }
        } else if name.ends_with(".rs") && name != root && !declared.contains(&stem) {
            forgotten.push(name);
        }
    }
    forgotten
}
