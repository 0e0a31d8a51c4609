//! An invented laptop's drive as an image file, made by the tools of the systems that would have made it.

use super::windows::{junction, reparse, software_hive, unclosed_hive, user_hive};
use crate::ntfs::{Mount, bytes, can_mount};
use crate::shop::have;
use crate::volume::tool::LUKS2;
use sha2::{Digest, Sha256};
use std::collections::BTreeMap;
use std::io::{Read, Seek, SeekFrom, Write};
use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};

const MIB: u64 = 1 << 20;

/// What a file is called: volume, path, stream.
pub type Key = (String, String, Option<String>);

/// The image and what is truly on it.
pub struct Laptop {
    pub image: PathBuf,
    /// SHA-256 of every file and stream that has content.
    pub truth: BTreeMap<Key, String>,
    dir: PathBuf,
}

pub fn sha256(bytes: &[u8]) -> String {
    Sha256::digest(bytes)
        .iter()
        .map(|byte| format!("{byte:02x}"))
        .collect()
}

/// Whether everything is here that makes one; said loudly when not.
pub fn can_make(test: &str) -> bool {
    have(
        test,
        &[
            "sgdisk",
            "mkfs.fat",
            "mcopy",
            "mke2fs",
            "debugfs",
            "mkswap",
            "cryptsetup",
        ],
    ) && can_mount(test)
}

fn run(tool: &str, arguments: &[&str], input: &str) -> String {
    let mut child = Command::new(tool)
        .args(arguments)
        .env("LC_ALL", "C.UTF-8")
        .stdin(Stdio::piped())
        .stdout(Stdio::piped())
        .stderr(Stdio::piped())
        .spawn()
        .unwrap();
    let _ = child.stdin.take().unwrap().write_all(input.as_bytes());
    let output = child.wait_with_output().unwrap();
    assert!(
        output.status.success(),
        "{tool} {arguments:?}: {}{}",
        String::from_utf8_lossy(&output.stdout),
        String::from_utf8_lossy(&output.stderr)
    );
    String::from_utf8_lossy(&output.stdout).into_owned()
}

impl Laptop {
    fn blank(dir: &Path, mib: u64, parts: &[(u64, u64, &str)]) -> Self {
        let image = dir.join("laptop.img");
        std::fs::File::create(&image)
            .unwrap()
            .set_len(mib * MIB)
            .unwrap();
        let mut arguments = vec!["-a".to_owned(), "2048".to_owned()];
        for (number, (from, length, kind)) in (1..).zip(parts) {
            let (first, last) = (from * 2048, (from + length) * 2048 - 1);
            arguments.extend([
                "-n".to_owned(),
                format!("{number}:{first}:{last}"),
                "-t".to_owned(),
                format!("{number}:{kind}"),
            ]);
        }
        arguments.push(image.to_str().unwrap().to_owned());
        let arguments: Vec<&str> = arguments.iter().map(String::as_str).collect();
        run("sgdisk", &arguments, "");
        Self {
            image,
            truth: BTreeMap::new(),
            dir: dir.to_owned(),
        }
    }

    fn put(&self, at: u64, volume: &Path) {
        let mut image = std::fs::OpenOptions::new()
            .write(true)
            .open(&self.image)
            .unwrap();
        let mut from = std::fs::File::open(volume).unwrap();
        let mut block = vec![0u8; 1 << 20];
        let mut place = at * MIB;
        loop {
            let count = from.read(&mut block).unwrap();
            if count == 0 {
                break;
            }
            if block[..count].iter().any(|byte| *byte != 0) {
                image.seek(SeekFrom::Start(place)).unwrap();
                image.write_all(&block[..count]).unwrap();
            }
            place += count as u64;
        }
    }

    fn volume(&self, name: &str, mib: u64) -> PathBuf {
        let path = self.dir.join(name);
        std::fs::File::create(&path)
            .unwrap()
            .set_len(mib * MIB)
            .unwrap();
        path
    }

    fn knows(&mut self, volume: u32, path: &str, stream: Option<&str>, bytes: &[u8]) {
        let key = (
            format!("drive1-volume{volume}"),
            path.to_owned(),
            stream.map(str::to_owned),
        );
        self.truth.insert(key, sha256(bytes));
    }

    fn fat(&mut self, number: u32, at: u64, mib: u64, label: &str, files: &[(&str, Vec<u8>)]) {
        let volume = self.volume("fat", mib);
        let single = volume.to_str().unwrap();
        let mut arguments = vec!["-F", "32", "-s", "1"];
        if !label.is_empty() {
            arguments.extend(["-n", label]);
        }
        arguments.push(single);
        run("mkfs.fat", &arguments, "");
        let source = self.dir.join(format!("fat{number}"));
        for (path, bytes) in files {
            let place = source.join(path);
            std::fs::create_dir_all(place.parent().unwrap()).unwrap();
            std::fs::write(place, bytes).unwrap();
            self.knows(number, path, None, bytes);
        }
        for entry in std::fs::read_dir(&source).unwrap() {
            let entry = entry.unwrap().path();
            run(
                "mcopy",
                &["-s", "-Q", "-i", single, entry.to_str().unwrap(), "::"],
                "",
            );
        }
        self.put(at, &volume);
    }

    fn ntfs(&self, name: &str, at: u64, mib: u64, label: &str) -> PathBuf {
        let volume = self.volume(name, mib);
        let hidden = (at * 2048).to_string();
        let single = volume.to_str().unwrap();
        run(
            "mkntfs",
            &[
                "-F", "-Q", "-q", "-p", &hidden, "-H", "16", "-S", "63", "-c", "4096", "-s", "512",
                "-L", label, single,
            ],
            "",
        );
        volume
    }

    fn mount(&self, volume: &Path) -> Mount {
        let at = self.dir.join("mount");
        std::fs::create_dir_all(&at).unwrap();
        let options = "compression,streams_interface=windows";
        let (volume, place) = (volume.to_str().unwrap(), at.to_str().unwrap());
        run("ntfs-3g", &["-o", options, volume, place], "");
        Mount { at }
    }

    /// A system volume as any laptop has it: nothing on it asks for a decision.
    fn plain_system(&mut self, mount: &Mount) {
        let mut files: Vec<(&str, Vec<u8>)> = vec![
            ("Users/Ada Test/Documents/letter.txt", b"Dear all".to_vec()),
            ("Users/Ada Test/Documents/Straße ☃.txt", b"melts".to_vec()),
            (
                "Users/Ada Test/Pictures/garden.jpg",
                [b"\xff\xd8\xff".to_vec(), bytes(1, 0, 300_000)].concat(),
            ),
            ("Users/Ada Test/Desktop/empty.txt", Vec::new()),
            (
                "Users/Ada Test/AppData/Roaming/Microsoft/Protect/S-1-5-21-1/key",
                bytes(2, 0, 468),
            ),
            (
                "Users/Ada Test/AppData/Local/Maker/Browser/User Data/Default/Login Data",
                [b"SQLite format 3\0".to_vec(), bytes(11, 0, 4000)].concat(),
            ),
            ("Users/Public/Documents/shared.txt", b"for both".to_vec()),
            ("ProgramData/Bookkeeper/2025.db", bytes(3, 1, 70_000)),
            ("Scans/invoice.pdf", b"%PDF-1.4 invented".to_vec()),
            ("Windows/explorer.exe", bytes(4, 0, 50_000)),
            ("Windows/Fonts/arial.ttf", bytes(5, 0, 9_000)),
            ("Program Files/Tool/tool.dll", bytes(6, 0, 12_000)),
            ("Program Files/Praxis/kunden.dat", bytes(9, 1, 70_000)),
            ("Program Files/Praxis/patients.pax", bytes(10, 0, 7_000)),
            ("pagefile.sys", bytes(7, 0, 200_000)),
            (
                "hiberfil.sys",
                [b"hibr".to_vec(), bytes(8, 0, 50_000)].concat(),
            ),
        ];
        files.push((
            "Users/Ada Test/NTUSER.DAT",
            user_hive(&[
                ("Desktop", "%USERPROFILE%\\Desktop"),
                ("Personal", "%USERPROFILE%\\Documents"),
                ("AppData", "%USERPROFILE%\\AppData\\Roaming"),
            ]),
        ));
        files.push((
            "Windows/System32/config/SOFTWARE",
            software_hive(&[
                ("S-1-5-18", "%systemroot%\\system32\\config\\systemprofile"),
                ("S-1-5-21-1-2-3-1001", "C:\\Users\\Ada Test"),
                ("S-1-5-21-1-2-3-1009", "C:\\Users\\long gone"),
            ]),
        ));
        for (path, bytes) in files {
            self.file(mount, path, &bytes);
        }
        self.stream(
            mount,
            "Users/Ada Test/Documents/letter.txt",
            "Zone.Identifier",
            b"[ZoneTransfer]\r\nZoneId=3\r\n",
        );
        std::fs::create_dir_all(mount.join("System Volume Information")).unwrap();
        let local = "Users/Ada Test/AppData/Local";
        std::fs::create_dir_all(mount.join(&format!("{local}/Application Data"))).unwrap();
        mount.set(
            &format!("{local}/Application Data"),
            "system.ntfs_reparse_data",
            &junction("\\??\\C:\\Users\\Ada Test\\AppData\\Local"),
        );
        std::fs::create_dir(mount.join("Documents and Settings")).unwrap();
        mount.set(
            "Documents and Settings",
            "system.ntfs_reparse_data",
            &junction("\\??\\C:\\Users"),
        );
    }

    fn file(&mut self, mount: &Mount, path: &str, bytes: &[u8]) {
        let place = mount.join(path);
        std::fs::create_dir_all(place.parent().unwrap()).unwrap();
        std::fs::write(place, bytes).unwrap();
        self.knows(3, path, None, bytes);
    }

    fn stream(&mut self, mount: &Mount, path: &str, stream: &str, bytes: &[u8]) {
        std::fs::write(mount.join(&format!("{path}:{stream}")), bytes).unwrap();
        self.knows(3, path, Some(stream), bytes);
    }

    fn boot(&mut self) {
        let boot = vec![("EFI/Boot/bootx64.efi", bytes(20, 0, 40_000))];
        self.fat(1, 1, 34, "", &boot);
    }

    fn recovery(&mut self) {
        let volume = self.ntfs("recovery", 115, 12, "Recovery");
        let image = bytes(21, 0, 90_000);
        let mount = self.mount(&volume);
        let path = "Recovery/WindowsRE/Winre.wim";
        std::fs::create_dir_all(mount.join("Recovery/WindowsRE")).unwrap();
        std::fs::write(mount.join(path), &image).unwrap();
        drop(mount);
        self.knows(4, path, None, &image);
        self.put(115, &volume);
    }

    /// A laptop on which nothing is wrong.
    pub fn healthy(dir: &Path) -> Self {
        let parts = [
            (1, 34, "ef00"),
            (35, 16, "0c01"),
            (51, 64, "0700"),
            (115, 12, "2700"),
        ];
        let mut laptop = Self::blank(dir, 130, &parts);
        laptop.boot();
        let volume = laptop.ntfs("system", 51, 64, "System");
        let mount = laptop.mount(&volume);
        laptop.plain_system(&mount);
        drop(mount);
        laptop.put(51, &volume);
        laptop.recovery();
        laptop
    }

    /// A laptop with one of everything.
    pub fn with_everything(dir: &Path) -> Self {
        let parts = [
            (1, 34, "ef00"),
            (35, 16, "0c01"),
            (51, 64, "0700"),
            (115, 12, "2700"),
            (127, 36, "0700"),
            // A lost volume lies between here and the next.
            (183, 16, "8300"),
            (199, 20, "8309"),
            (219, 4, "8200"),
            (223, 4, "0700"),
        ];
        let mut laptop = Self::blank(dir, 230, &parts);
        laptop.boot();
        laptop.rich_system();
        laptop.recovery();
        let data = vec![
            (
                "Ben papers/thesis.docx",
                [b"PK\x03\x04".to_vec(), bytes(30, 0, 80_000)].concat(),
            ),
            ("People/Cleo/NTUSER.DAT", user_hive(&[])),
            ("People/Cleo/Documents/poem.txt", b"roses".to_vec()),
        ];
        laptop.fat(5, 127, 36, "DATEN", &data);
        laptop.lost();
        laptop.linux();
        let locked = laptop.volume("locked", 20);
        run(
            "cryptsetup",
            &[&LUKS2[..], &[locked.to_str().unwrap()]].concat(),
            "an invented passphrase",
        );
        laptop.put(199, &locked);
        let swap = laptop.volume("swap", 4);
        run("mkswap", &[swap.to_str().unwrap()], "");
        laptop.put(219, &swap);
        let noise = laptop.dir.join("noise");
        std::fs::write(&noise, bytes(40, 0, 4 << 20)).unwrap();
        laptop.put(223, &noise);
        laptop
    }

    fn rich_system(&mut self) {
        let volume = self.ntfs("system", 51, 64, "System");
        let mount = self.mount(&volume);
        self.plain_system(&mount);
        self.file(
            &mount,
            "Users/Ada Test/NTUSER.DAT",
            &user_hive(&[
                ("Personal", "%USERPROFILE%\\Documents"),
                ("My Pictures", "\\\\server\\home\\ada\\pictures"),
                ("My Music", "%USERPROFILE%\\OneDrive\\Music"),
                // The system's own volume has this very path.
                ("My Video", "E:\\Users\\Ada Test\\Documents"),
            ]),
        );
        // Windows stopped in the middle: where Ben's documents lie now stands in the log alone.
        let (hive, log) = unclosed_hive(
            &user_hive(&[("Personal", "%USERPROFILE%\\Documents")]),
            &user_hive(&[("Personal", "D:\\Ben papers")]),
        );
        self.file(&mount, "Users/Ben/NTUSER.DAT", &hive);
        self.file(&mount, "Users/Ben/ntuser.dat.LOG1", &log);
        self.file(
            &mount,
            "Windows/System32/config/SOFTWARE",
            &software_hive(&[
                ("S-1-5-21-1-2-3-1001", "C:\\Users\\Ada Test"),
                ("S-1-5-21-1-2-3-1002", "C:\\Users\\Ben"),
                ("S-1-5-21-1-2-3-1003", "D:\\People\\Cleo"),
                ("S-1-5-21-1-2-3-1004", "F:\\People\\Dora"),
            ]),
        );
        let old = "Windows.old/Users/Ada Test";
        self.file(&mount, &format!("{old}/Documents/old letter.txt"), b"old");
        self.file(
            &mount,
            &format!("{old}/NTUSER.DAT"),
            &user_hive(&[("Personal", "C:\\Users\\Ada Test\\Documents")]),
        );
        self.file(&mount, "Users/Ada Test.000/Desktop/newest.txt", b"newest");
        // Compressed by the file system.
        std::fs::create_dir_all(mount.join("Users/Ben/packed")).unwrap();
        mount.set(
            "Users/Ben/packed",
            "system.ntfs_attrib",
            &0x800u32.to_le_bytes(),
        );
        for (kind, length) in [(1, 300_000), (2, 1_000_003), (0, 65_537)] {
            let path = format!("Users/Ben/packed/{kind}-{length}.bin");
            self.file(&mount, &path, &bytes(50, kind, length));
        }
        // Sparse, with a hole in front.
        let mut sparse = vec![0u8; 5 << 20];
        sparse.extend(bytes(51, 0, 100_000));
        let path = "Users/Ben/sparse.img";
        let mut file = std::fs::File::create(mount.join(path)).unwrap();
        file.seek(SeekFrom::Start(5 << 20)).unwrap();
        file.write_all(&sparse[5 << 20..]).unwrap();
        drop(file);
        self.knows(3, path, None, &sparse);
        // Streams of a file and of a folder.
        let letter = "Users/Ada Test/Documents/letter.txt";
        self.stream(&mount, letter, "notes", &bytes(52, 1, 100_000));
        self.stream(&mount, "Users/Ben/packed", "on a folder", b"folders too");
        // Two names of one file.
        self.file(&mount, "Users/Ben/one.bin", &bytes(53, 0, 20_000));
        std::fs::create_dir_all(mount.join("Users/Ben/Desktop")).unwrap();
        let other = "Users/Ben/Desktop/other.bin";
        std::fs::hard_link(mount.join("Users/Ben/one.bin"), mount.join(other)).unwrap();
        self.knows(3, other, None, &bytes(53, 0, 20_000));
        // Without content that could be read.
        for (path, tag) in [
            ("Users/Ada Test/OneDrive/film.mp4", 0x9000_101Au32),
            ("Users/Ben/Firm cloud/plan.docx", 0x9000_201A),
            ("Users/Ben/dedup.docx", 0x8000_0013),
            ("Users/Ben/odd.docx", 0x8000_7777),
        ] {
            let place = mount.join(path);
            std::fs::create_dir_all(place.parent().unwrap()).unwrap();
            std::fs::File::create(place)
                .unwrap()
                .set_len(1 << 20)
                .unwrap();
            mount.set(
                path,
                "system.ntfs_reparse_data",
                &reparse(tag, &[1, 2, 3, 4]),
            );
        }
        self.file(&mount, "Users/Ada Test/OneDrive/here.txt", b"is here");
        self.file(&mount, "Users/Ben/Firm cloud/here too.txt", b"is here too");
        // Compressed by the system: the starts of the second and third chunk, then the chunks as they are.
        let program = "Users/Ben/old program.exe";
        let plain = bytes(54, 0, 10_000);
        let mut packed = [4096u32, 8192].map(u32::to_le_bytes).concat();
        packed.extend_from_slice(&plain);
        std::fs::File::create(mount.join(program))
            .unwrap()
            .set_len(10_000)
            .unwrap();
        std::fs::write(mount.join(&format!("{program}:WofCompressedData")), packed).unwrap();
        let wof = [1u32, 2, 1, 0].map(u32::to_le_bytes).concat();
        mount.set(
            program,
            "system.ntfs_reparse_data",
            &reparse(0x8000_0017, &wof),
        );
        self.knows(3, program, None, &plain);
        std::fs::create_dir(mount.join("Users/Ada Test/moved")).unwrap();
        mount.set(
            "Users/Ada Test/moved",
            "system.ntfs_reparse_data",
            &junction("\\??\\E:\\Users\\Ada Test\\Documents"),
        );
        let secret = mount.join("Users/Ada Test/Documents/efs secret.txt");
        std::fs::write(&secret, bytes(55, 0, 8192)).unwrap();
        drop(mount);
        encrypt(&volume, "efs secret.txt");
        self.put(51, &volume);
    }

    fn lost(&mut self) {
        let volume = self.ntfs("lost", 164, 12, "Lost");
        let mount = self.mount(&volume);
        std::fs::write(mount.join("forgotten.txt"), b"forgotten").unwrap();
        drop(mount);
        self.put(164, &volume);
    }

    /// A Linux volume whose last change is in its journal only.
    fn linux(&mut self) {
        let source = self.dir.join("linux-source");
        std::fs::create_dir_all(source.join("home/ida")).unwrap();
        std::fs::write(source.join("diary"), bytes(60, 0, 1024)).unwrap();
        std::fs::write(source.join("home/ida/code.rs"), b"fn main() {}").unwrap();
        let volume = self.volume("linux", 16);
        let single = volume.to_str().unwrap();
        run(
            "mke2fs",
            &[
                "-q",
                "-F",
                "-t",
                "ext4",
                "-b",
                "1024",
                "-L",
                "linux",
                "-d",
                source.to_str().unwrap(),
                single,
            ],
            "",
        );
        let block = run("debugfs", &["-R", "blocks diary", single], "");
        let new = self.dir.join("new");
        std::fs::write(&new, bytes(61, 0, 1024)).unwrap();
        let commands = format!(
            "jo -c -v 3\njw -b {} {}\njc\nquit\n",
            block.trim(),
            new.display()
        );
        run("debugfs", &["-w", single], &commands);
        self.put(183, &volume);
        self.knows(6, "diary", None, &bytes(61, 0, 1024));
        self.knows(6, "home/ida/code.rs", None, b"fn main() {}");
    }
}

/// Sets the attribute of encryption (0x4000, MS-FSCC 2.6) in the record of a file: the driver does not.
fn encrypt(volume: &Path, name: &str) {
    let mut all = std::fs::read(volume).unwrap();
    let name: Vec<u8> = name.encode_utf16().flat_map(u16::to_le_bytes).collect();
    let mut hits = 0;
    for at in (0..all.len() - 1024).step_by(1024) {
        let record = &all[at..at + 1024];
        if !record.starts_with(b"FILE") || !record.windows(name.len()).any(|w| w == name) {
            continue;
        }
        let first = usize::from(u16::from_le_bytes([record[0x14], record[0x15]]));
        assert_eq!(record[first], 0x10, "standard information comes first");
        let value = usize::from(u16::from_le_bytes([
            record[first + 0x14],
            record[first + 0x15],
        ]));
        all[at + first + value + 0x21] |= 0x40;
        hits += 1;
    }
    assert_eq!(hits, 1);
    std::fs::write(volume, all).unwrap();
}
