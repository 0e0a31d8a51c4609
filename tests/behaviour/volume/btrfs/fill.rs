//! One of everything that the kernel's driver can make: what a person has on a disk, and what only a file system that shares
//! blocks, packs and keeps former states has.

use super::super::kernel::access_list;
use super::super::tool::{Dice, content, run};
use super::zoo::btrfs;
use rustix::fs::{FallocateFlags, XattrFlags, copy_file_range, fallocate, setxattr};
use std::ffi::OsString;
use std::fs::{File, Permissions};
use std::io::{Seek, SeekFrom, Write};
use std::os::unix::ffi::OsStringExt;
use std::os::unix::fs::{FileExt, PermissionsExt, symlink};
use std::path::Path;

/// Text that packs to about a third.
pub fn text(seed: u64, bytes: usize) -> Vec<u8> {
    const WORDS: [&str; 12] = [
        "drive ",
        "the ",
        "summer ",
        "of ",
        "letter\n",
        "a ",
        "and ",
        "photograph ",
        "Dear ",
        "all ",
        "lake ",
        "old ",
    ];
    let mut dice = Dice(seed.wrapping_mul(0x9E37_79B9_7F4A_7C15) | 1);
    let mut out = Vec::with_capacity(bytes + 16);
    while out.len() < bytes {
        match dice.roll(6) {
            0 => out.extend(format!("{} ", dice.roll(100_000)).bytes()),
            _ => out.extend(WORDS[dice.roll(WORDS.len())].bytes()),
        }
    }
    out.truncate(bytes);
    out
}

pub fn put(path: &Path, bytes: &[u8]) {
    std::fs::create_dir_all(path.parent().unwrap()).unwrap();
    std::fs::write(path, bytes).unwrap();
}

pub fn write_at(path: &Path, at: u64, bytes: &[u8]) {
    let file = File::options().write(true).open(path).unwrap();
    file.write_all_at(bytes, at).unwrap();
}

pub fn sync(at: &Path) {
    btrfs(&["filesystem", "sync", at.to_str().unwrap()]);
}

/// Names of a folder that the tree keeps in one item, because their CRC-32C is the same; found by trying.
pub const TWINS: [&str; 6] = [
    "twin ebblgkjwh",
    "twin gjunzdtpb",
    "twin kdqkgvhcq",
    "twin gxdgpqttl",
    "twin dezxvrsev",
    "twin wqlrytfcf",
];

/// The same for attributes.
pub const TWIN_ATTRIBUTES: [&str; 4] = [
    "user.ycbpwdxht",
    "user.bounhdqyz",
    "user.qnhmyvgbl",
    "user.kiopwzzth",
];

/// Fills a mounted volume.
pub fn fill(at: &Path, many: usize) {
    plain(at, many);
    packed(at);
    shared(at);
    holes(at);
    names(at);
    worn(at);
    subvolumes(at);
}

fn plain(at: &Path, many: usize) {
    // Around the borders of what is kept in the tree itself, and of a sector.
    for (n, length) in [
        0usize, 1, 100, 2047, 2048, 2049, 3900, 4095, 4096, 4097, 12_288, 300_000, 3_000_000,
    ]
    .into_iter()
    .enumerate()
    {
        put(
            &at.join(format!("plain/{length}")),
            &content(n as u64 + 1, length),
        );
    }
    for n in 0..many {
        let length = if n % 5 == 0 { 2500 + n } else { n % 90 };
        let path = at.join(format!("many/{n} {}", "long name ".repeat(n % 12)));
        put(&path, &text(n as u64 + 200, length));
    }
    for n in (0..many).step_by(7) {
        std::fs::remove_file(at.join(format!("many/{n} {}", "long name ".repeat(n % 12)))).unwrap();
    }
    put(&at.join("a/b/c/d/e/f/g/h/deep"), b"deep");
    // Two files that grow by turns.
    let mut turns = ["turn a", "turn b"].map(|name| File::create(at.join(name)).unwrap());
    for n in 0..12u64 {
        let file = &mut turns[(n % 2) as usize];
        file.write_all(&content(n + 90, 9000)).unwrap();
        file.sync_data().unwrap();
    }
    // Never copied on writing, and without checksums.
    let stays = at.join("stays");
    std::fs::create_dir(&stays).unwrap();
    run("chattr", &["+C", stays.to_str().unwrap()]);
    put(&stays.join("disk"), &content(60, 200_000));
    put(&stays.join("inline"), b"short");
    let file = File::create(stays.join("set aside")).unwrap();
    fallocate(&file, FallocateFlags::empty(), 0, 200_000).unwrap();
    sync(at);
    write_at(&stays.join("disk"), 50_001, &content(61, 20_000));
    file.write_all_at(&content(62, 10_000), 70_000).unwrap();
}

/// By every packer, in the tree and outside, overwritten and cut.
fn packed(at: &Path) {
    for (n, packer) in ["zlib", "lzo", "zstd"].into_iter().enumerate() {
        let folder = at.join("packed").join(packer);
        std::fs::create_dir_all(&folder).unwrap();
        let place = folder.to_str().unwrap();
        btrfs(&["property", "set", place, "compression", packer]);
        let seed = 300 + 50 * n as u64;
        for (n, length) in [
            1usize, 10, 150, 1000, 2048, 3500, 4096, 5000, 9000, 131_071, 131_072, 131_073, 400_000,
        ]
        .into_iter()
        .enumerate()
        {
            put(
                &folder.join(length.to_string()),
                &text(seed + n as u64, length),
            );
        }
        put(&folder.join("zeros"), &vec![0; 300_000]);
        put(&folder.join("cut"), &text(seed + 20, 300_000));
        put(&folder.join("woven"), &text(seed + 21, 500_000));
        put(&folder.join("replaced"), &text(seed + 22, 200_000));
        // What does not pack, between what does.
        let mut mixed = text(seed + 23, 150_000);
        mixed.extend(content(seed + 24, 150_000));
        mixed.extend(text(seed + 25, 100_000));
        put(&folder.join("mixed"), &mixed);
        sync(at);
        let cut = File::options()
            .write(true)
            .open(folder.join("cut"))
            .unwrap();
        cut.set_len(70_123).unwrap();
        cut.set_len(90_000).unwrap();
        for n in 0..20u64 {
            let piece = text(seed + 30 + n, 3000 + 500 * n as usize);
            write_at(&folder.join("woven"), 7 + 24_000 * n, &piece);
        }
        write_at(&folder.join("replaced"), 0, &text(seed + 29, 200_000));
        sync(at);
    }
}

/// Blocks of several files.
fn shared(at: &Path) {
    let folder = at.join("shared");
    put(&folder.join("first"), &content(400, 400_000));
    put(&folder.join("packed first"), &text(401, 400_000));
    let packed = folder.join("packed first");
    run("chattr", &["+c", packed.to_str().unwrap()]);
    write_at(&packed, 0, &text(401, 400_000));
    sync(at);
    for (from, to) in [
        ("first", "second"),
        ("packed first", "packed second"),
        ("first", "third"),
    ] {
        let (from, to) = (folder.join(from), folder.join(to));
        run(
            "cp",
            &[
                "--reflink=always",
                from.to_str().unwrap(),
                to.to_str().unwrap(),
            ],
        );
    }
    write_at(&folder.join("second"), 100_000, &content(402, 50_000));
    write_at(&folder.join("packed second"), 130_000, &text(403, 9000));
    // The first one is gone; the third has a part of another at another place, and of itself.
    let third = File::options()
        .read(true)
        .write(true)
        .open(folder.join("third"))
        .unwrap();
    for (from, from_at, to_at, bytes) in [
        (&File::open(&packed).unwrap(), 40_960u64, 200_704u64, 81_920),
        (&third, 0, 409_600, 40_960),
    ] {
        let (mut from_at, mut to_at, mut left) = (from_at, to_at, bytes);
        while left > 0 {
            let got = copy_file_range(from, Some(&mut from_at), &third, Some(&mut to_at), left);
            left -= got.unwrap();
        }
    }
    std::fs::remove_file(folder.join("first")).unwrap();
    sync(at);
}

fn holes(at: &Path) {
    let mut sparse = File::create(at.join("sparse")).unwrap();
    for (n, place) in [
        0u64,
        20_000,
        300_000,
        20_000_000,
        80_000_000,
        1_500_000_000,
        6_000_000_000,
    ]
    .into_iter()
    .enumerate()
    {
        sparse.seek(SeekFrom::Start(place)).unwrap();
        sparse.write_all(&content(n as u64 + 80, 3000)).unwrap();
    }
    sparse.set_len(6_000_100_000).unwrap();
    let only = File::create(at.join("only a hole")).unwrap();
    only.set_len(1_000_001).unwrap();
    let aside = File::create(at.join("unwritten")).unwrap();
    fallocate(&aside, FallocateFlags::empty(), 0, 1 << 20).unwrap();
    aside.write_all_at(b"start", 0).unwrap();
    aside.write_all_at(b"middle", 700_000).unwrap();
    let untouched = File::create(at.join("never written")).unwrap();
    fallocate(&untouched, FallocateFlags::empty(), 0, 100_000).unwrap();
    // Reserved behind the end.
    let kept = File::create(at.join("kept size")).unwrap();
    kept.write_all_at(&content(70, 5000), 0).unwrap();
    fallocate(&kept, FallocateFlags::KEEP_SIZE, 0, 1 << 20).unwrap();
    // Every second block punched out.
    let punched = File::create(at.join("punched")).unwrap();
    punched.write_all_at(&content(71, 1_000_000), 0).unwrap();
    punched.sync_all().unwrap();
    let punch = FallocateFlags::PUNCH_HOLE | FallocateFlags::KEEP_SIZE;
    for n in (0..1_000_000u64).step_by(8192) {
        fallocate(&punched, punch, n, 4096).unwrap();
    }
    fallocate(&punched, punch, 500_001, 30_000).unwrap();
    // Inline once, and longer since.
    put(&at.join("grown"), b"short at first");
    sync(at);
    write_at(&at.join("grown"), 50_000, b"and long then");
}

fn names(at: &Path) {
    // A folder that is older than the one it stands in.
    put(&at.join("early/file"), b"in an early folder");
    std::fs::create_dir(at.join("late")).unwrap();
    std::fs::rename(at.join("early"), at.join("late/early")).unwrap();
    for name in TWINS {
        put(&at.join(name), name.as_bytes());
    }
    let linked = at.join("plain/12288");
    std::fs::hard_link(&linked, at.join("a/b/other name")).unwrap();
    std::fs::hard_link(&linked, at.join("a/third name")).unwrap();
    // More names in one folder than fit into one item, whatever the size of a node.
    std::fs::create_dir(at.join("links")).unwrap();
    put(&at.join("links/first"), b"one file");
    for n in 0..60 {
        // Without the feature of extended references a node is the limit.
        let name = at.join(format!("links/{n} {}", "link ".repeat(44)));
        if std::fs::hard_link(at.join("links/first"), name).is_err() {
            break;
        }
    }
    for n in 0..300 {
        let name = at.join(format!("links/{n} further {}", "link ".repeat(44)));
        if std::fs::hard_link(at.join("links/first"), name).is_err() {
            break;
        }
    }
    for length in [1usize, 58, 150, 1000, 1900] {
        symlink("t".repeat(length), at.join(format!("link {length}"))).unwrap();
    }
    let longest = ["ü".repeat(127), "x".to_owned()].concat();
    for name in [
        b"no text \xff\xfe".to_vec(),
        b"two\nlines".to_vec(),
        b" ".to_vec(),
        b"-rf *".to_vec(),
        longest.into_bytes(),
    ] {
        std::fs::write(at.join(OsString::from_vec(name)), b"odd").unwrap();
    }
    let fifo = at.join("fifo");
    run("mkfifo", &[fifo.to_str().unwrap()]);
    drop(std::os::unix::net::UnixListener::bind(at.join("socket")).unwrap());
    let node = at.join("device");
    run("mknod", &[node.to_str().unwrap(), "c", "1", "3"]);
}

fn worn(at: &Path) {
    for (path, stamp) in [
        ("plain/2047", "@-5"),
        ("plain/2048", "@4102444800.123456789"),
    ] {
        let path = at.join(path);
        run("touch", &["-d", stamp, path.to_str().unwrap()]);
    }
    let set = |path: &str, name: &str, value: &[u8]| {
        setxattr(at.join(path), name, value, XattrFlags::empty()).unwrap();
    };
    set("plain/100", "user.note", b"a note");
    set("plain/4096", "user.long", &[7; 3000]);
    for n in 0..60 {
        set("plain/1", &format!("user.number {n}"), &content(n, 40));
    }
    for (n, name) in TWIN_ATTRIBUTES.into_iter().enumerate() {
        set("plain/4097", name, &[n as u8; 5]);
    }
    set("plain/12288", "trusted.note", b"a secret");
    set("plain/12288", "user.empty", b"");
    set("plain/12288", "security.note", &[0xFF; 40]);
    set("many", "user.of a folder", b"folder");
    set("plain/0", "system.posix_acl_access", &access_list());
    set("a", "system.posix_acl_default", &access_list());
    // Made below a folder whose list is inherited.
    put(&at.join("a/heir"), b"heir");
    let may = Permissions::from_mode(0o4710);
    std::fs::set_permissions(at.join("plain/1"), may).unwrap();
    std::os::unix::fs::chown(at.join("plain/100"), Some(1000), Some(70_000)).unwrap();
    std::os::unix::fs::lchown(at.join("link 58"), Some(1000), Some(1000)).unwrap();
}

/// Subvolumes within subvolumes and folders, former states of one, what changed since, and one that is no more.
fn subvolumes(at: &Path) {
    let volume = |path: &str| {
        let path = at.join(path);
        std::fs::create_dir_all(path.parent().unwrap()).unwrap();
        btrfs(&["subvolume", "create", path.to_str().unwrap()]);
    };
    let snapshot = |from: &str, to: &str, more: &[&str]| {
        let (from, to) = (at.join(from), at.join(to));
        let mut all = vec!["subvolume", "snapshot"];
        all.extend(more);
        all.extend([from.to_str().unwrap(), to.to_str().unwrap()]);
        btrfs(&all);
    };
    for path in [
        "sub",
        "sub/inner",
        "a/b/sub deep",
        "gone",
        "empty sub",
        "odd/two\nlines",
    ] {
        volume(path);
    }
    put(&at.join("a/b/sub deep/file"), &content(500, 9000));
    put(
        &at.join("odd/two\nlines/file"),
        b"in a subvolume of odd name",
    );
    put(&at.join("sub/inner/below/file"), &text(501, 9000));
    put(&at.join("gone/file"), &content(502, 300_000));
    let sub = at.join("sub");
    for n in 0..120u64 {
        put(
            &sub.join(format!("folder {}/{n}", n % 7)),
            &text(n + 510, (n * 90) as usize),
        );
    }
    for (n, name) in ["kept", "changed", "cut", "deleted", "renamed", "replaced"]
        .iter()
        .enumerate()
    {
        put(&sub.join(name), &content(n as u64 + 640, 100_000));
    }
    put(&sub.join("short"), b"inline, before");
    setxattr(
        sub.join("kept"),
        "user.note",
        b"before",
        XattrFlags::empty(),
    )
    .unwrap();
    std::fs::hard_link(sub.join("kept"), sub.join("folder 1/kept too")).unwrap();
    std::fs::create_dir(at.join("states")).unwrap();
    snapshot("sub", "states/first", &["-r"]);
    write_at(&sub.join("changed"), 30_000, &content(650, 20_000));
    File::options()
        .write(true)
        .open(sub.join("cut"))
        .unwrap()
        .set_len(5000)
        .unwrap();
    std::fs::remove_file(sub.join("deleted")).unwrap();
    std::fs::rename(sub.join("renamed"), sub.join("folder 2/renamed")).unwrap();
    std::fs::remove_file(sub.join("replaced")).unwrap();
    put(&sub.join("replaced"), &content(651, 50_000));
    put(&sub.join("new"), &content(652, 70_000));
    put(&sub.join("short"), b"inline, afterwards");
    std::fs::remove_dir_all(sub.join("folder 3")).unwrap();
    setxattr(sub.join("kept"), "user.note", b"after", XattrFlags::empty()).unwrap();
    snapshot("sub", "states/second", &["-r"]);
    snapshot("states/first", "states/writable", &[]);
    put(&at.join("states/writable/only here"), &content(653, 20_000));
    write_at(
        &at.join("states/writable/changed"),
        60_000,
        &content(654, 100),
    );
    std::fs::remove_dir_all(at.join("states/writable/folder 4")).unwrap();
    // A state of the whole, with the other subvolumes missing from it; and one within what it is a state of.
    snapshot("a/b/sub deep", "a/b/sub deep/itself", &["-r"]);
    let gone = at.join("gone");
    btrfs(&["subvolume", "delete", "-c", gone.to_str().unwrap()]);
    btrfs(&["subvolume", "sync", at.to_str().unwrap()]);
    write_at(&sub.join("changed"), 90_000, &content(655, 30_000));
    // A subvolume within a younger one.
    volume("moved");
    put(&at.join("moved/file"), &content(656, 5000));
    volume("younger");
    std::fs::rename(at.join("moved"), at.join("younger/moved")).unwrap();
}
