//! A folder as nobody would want to get it: names, kinds, times and depths that break programs.

use std::ffi::OsStr;
use std::io::{Seek, SeekFrom, Write};
use std::os::unix::ffi::OsStrExt;
use std::os::unix::fs::{PermissionsExt, symlink};
use std::path::Path;

use rustix::fs::{AtFlags, CWD, Mode, OFlags, Timespec, Timestamps};

/// Folders below `deep`, each with a name of 200 bytes: the path is three times as long as Linux takes.
pub const DEPTH: usize = 60;

/// Bytes that look like nothing, the same for the same seed.
pub fn noise(seed: u64, bytes: usize) -> Vec<u8> {
    let mut out = vec![0; bytes];
    blake3::Hasher::new_derive_key("holdpoint tests: noise")
        .update(&seed.to_le_bytes())
        .finalize_xof()
        .fill(&mut out);
    out
}

/// Names that are data, whatever they look like. All of them can stand in one folder.
pub fn names() -> Vec<Vec<u8>> {
    let mut out: Vec<Vec<u8>> = [
        &b"plain.txt"[..],
        b"two\nlines.txt",
        b"carriage\rreturn.txt",
        b"escape\x1b[2J\x1b]0;title\x07.txt",
        b"<script>alert(1)<\\script>.html",
        b"&amp;\"'`$(touch owned).txt",
        b"not\xff\xfetext.jpg",
        b"half\xc3.txt",
        b"..one up",
        b"...",
        b"..%2f..%2fetc%2fpasswd",
        b"..\\..\\windows",
        b"trailing.",
        b"trailing..",
        b"trailing ",
        b" leading",
        b"Twin.txt",
        b"twin.txt",
        b"TWIN.TXT",
        b"CON",
        b"con.txt",
        b"NUL.jpg",
        b"COM1",
        b"aux.h",
        b"LPT9.",
        b"a%20b.txt",
        b"col:on*what?pipe|.txt",
        b"back\\slash.txt",
        b"-rf",
        b"--help",
        // What our own stand-ins look like.
        b"~deep-60",
        b"~names-1",
        b"%0A",
        b"name (2).txt",
        b"manifest-sha256.txt",
        b"bagit.txt",
        b"\x7f\x01\x02",
    ]
    .iter()
    .map(|name| name.to_vec())
    .collect();
    out.push("\u{202e}gpj.exe".into());
    out.push("caf\u{e9}.txt".into()); // composed
    out.push("cafe\u{301}.txt".into()); // decomposed: the same to the eye and to some file systems
    out.push("zero\u{200b}width.txt".into());
    // What readers of manifests take for the end of a line or strip from it.
    for blank in [
        "\u{a0}", "\u{3000}", "\u{2003}", "\u{1c}", "\u{85}", "\u{2028}", "\u{2029}",
    ] {
        out.push(["blank at the end", blank].concat().into());
        out.push([blank, "blank at the start.txt"].concat().into());
        out.push(["blank", blank, "within.txt"].concat().into());
    }
    out.push("\u{1f4f7} photo.jpg".into());
    // The longest names that Linux takes, and two that differ at their very end only.
    for last in ["a", "b"] {
        out.push(
            ["x".repeat(250), last.into(), ".txt".into()]
                .concat()
                .into(),
        );
    }
    out.push(["\u{e4}".repeat(125), ".txt".into()].concat().into());
    out
}

/// Sets a modification time to the nanosecond.
pub fn set_modified(path: &Path, seconds: i64, nanoseconds: i64) {
    let time = Timespec {
        tv_sec: seconds,
        tv_nsec: nanoseconds,
    };
    let both = Timestamps {
        last_access: time,
        last_modification: time,
    };
    rustix::fs::utimensat(CWD, path, &both, AtFlags::SYMLINK_NOFOLLOW).unwrap();
}

/// Fills `top`. What it holds can all be saved but for the fifo and the socket.
pub fn fill(top: &Path) {
    let names_at = top.join("names");
    std::fs::create_dir(&names_at).unwrap();
    for (number, name) in names().iter().enumerate() {
        let path = names_at.join(OsStr::from_bytes(name));
        std::fs::write(path, noise(number as u64, 10 + number * 37)).unwrap();
    }
    // Folders with such names too.
    for name in [
        &b"folder\nwith line"[..],
        b"CON.",
        b"not\xfftext",
        b"Twin",
        b"twin",
    ] {
        let folder = top.join("folders").join(OsStr::from_bytes(name));
        std::fs::create_dir_all(&folder).unwrap();
        std::fs::write(folder.join("inside.txt"), name).unwrap();
    }

    // Sizes at the borders of requests, pages and whatever else goes by powers of two.
    let sizes = top.join("sizes");
    std::fs::create_dir(&sizes).unwrap();
    for bytes in [
        0,
        1,
        511,
        4095,
        4096,
        4097,
        (128 << 10) - 1,
        128 << 10,
        (2 << 20) + 1,
        (16 << 20) + 4097,
    ] {
        let path = sizes.join(format!("{bytes}.jpg"));
        std::fs::write(path, noise(bytes as u64, bytes)).unwrap();
    }
    let mut sparse = std::fs::File::create(sizes.join("sparse.raw")).unwrap();
    sparse.write_all(b"head").unwrap();
    sparse.seek(SeekFrom::Start(48 << 20)).unwrap();
    sparse.write_all(b"middle").unwrap();
    sparse.set_len(64 << 20).unwrap();
    std::fs::File::create(sizes.join("only-a-hole"))
        .unwrap()
        .set_len(3 << 20)
        .unwrap();

    let kinds = top.join("kinds");
    std::fs::create_dir_all(kinds.join("empty/also empty")).unwrap();
    symlink("/etc/hostname", kinds.join("out of the folder")).unwrap();
    symlink("../../../../../../etc", kinds.join("far out")).unwrap();
    symlink(".", kinds.join("loop")).unwrap();
    symlink("loop two", kinds.join("loop two")).unwrap();
    symlink("nowhere\n/at <all>", kinds.join("dangling")).unwrap();
    std::fs::write(kinds.join("one of two.txt"), "one content").unwrap();
    std::fs::hard_link(kinds.join("one of two.txt"), kinds.join("other of two.txt")).unwrap();
    rustix::fs::mknodat(
        CWD,
        kinds.join("fifo"),
        rustix::fs::FileType::Fifo,
        Mode::from_raw_mode(0o644),
        0,
    )
    .unwrap();
    drop(std::os::unix::net::UnixListener::bind(kinds.join("socket")).unwrap());

    let times = top.join("times");
    std::fs::create_dir(&times).unwrap();
    for (name, seconds, nanoseconds) in [
        ("1905", -2_051_222_400, 1),
        ("just before 1970", -1, 999_999_999),
        ("1970", 0, 0),
        ("last second of 31 bits", 0x7FFF_FFFF, 999_999_999),
        ("2038", 0x8000_0000, 0),
        ("2040", 2_208_988_800, 123_456_789),
        ("2107", 4_323_000_000, 5),
    ] {
        let path = times.join(name);
        std::fs::write(&path, name).unwrap();
        set_modified(&path, seconds, nanoseconds);
    }

    let modes = top.join("modes");
    std::fs::create_dir(&modes).unwrap();
    for mode in [0o400, 0o444, 0o600, 0o755] {
        let path = modes.join(format!("{mode:o}"));
        std::fs::write(&path, "x").unwrap();
        std::fs::set_permissions(&path, PermissionsExt::from_mode(mode)).unwrap();
    }
    std::fs::create_dir(modes.join("read-only folder")).unwrap();
    std::fs::write(modes.join("read-only folder/inside"), "x").unwrap();
    let read_only = PermissionsExt::from_mode(0o555);
    std::fs::set_permissions(modes.join("read-only folder"), read_only).unwrap();

    let noted = top.join("noted.txt");
    std::fs::write(&noted, "with an attribute").unwrap();
    // Not every file system takes them; where it does, put-back returns them.
    let _ = rustix::fs::setxattr(
        &noted,
        "user.note",
        b"by hand\0\xff",
        rustix::fs::XattrFlags::empty(),
    );
    deep(top);
    // Times of folders last: making their content moves them.
    set_modified(&names_at, 1_000_000_000, 42);
    set_modified(&kinds.join("empty"), 1_100_000_000, 7);
}

/// One folder in the other, deeper than a path can say.
fn deep(top: &Path) {
    let mut at = rustix::fs::open(top, OFlags::DIRECTORY | OFlags::CLOEXEC, Mode::empty()).unwrap();
    for level in 0..=DEPTH {
        let name = level_name(level);
        rustix::fs::mkdirat(&at, &name, Mode::from_raw_mode(0o755)).unwrap();
        at = rustix::fs::openat(
            &at,
            &name,
            OFlags::DIRECTORY | OFlags::CLOEXEC,
            Mode::empty(),
        )
        .unwrap();
    }
    let flags = OFlags::CREATE | OFlags::WRONLY | OFlags::CLOEXEC;
    let file = rustix::fs::openat(&at, "deepest.txt", flags, Mode::from_raw_mode(0o644)).unwrap();
    std::fs::File::from(file).write_all(b"down here\n").unwrap();
}

fn level_name(level: usize) -> String {
    match level {
        0 => "deep".into(),
        _ => format!("{level:02}{}", "d".repeat(198)),
    }
}

/// The content of the file at the bottom of `deep`, when it is there.
pub fn deepest(top: &Path) -> Option<Vec<u8>> {
    let mut at = rustix::fs::open(top, OFlags::DIRECTORY | OFlags::CLOEXEC, Mode::empty()).ok()?;
    for level in 0..=DEPTH {
        let flags = OFlags::DIRECTORY | OFlags::CLOEXEC;
        at = rustix::fs::openat(&at, level_name(level), flags, Mode::empty()).ok()?;
    }
    let flags = OFlags::RDONLY | OFlags::CLOEXEC;
    let file = rustix::fs::openat(&at, "deepest.txt", flags, Mode::empty()).ok()?;
    let mut content = Vec::new();
    std::io::Read::read_to_end(&mut std::fs::File::from(file), &mut content).ok()?;
    Some(content)
}
