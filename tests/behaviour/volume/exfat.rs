//! exFAT volumes formatted by exfatprogs, filled through a FUSE file system where there is one.

use super::tool::{Drive, blank, command, hashes, have, listing, run, skipped, tree};
use holdpoint::volume::exfat;
use holdpoint::volume::filesystem::Limits;
use std::path::Path;
use std::process::Command;

#[test]
fn a_fresh_volume_has_no_findings() {
    if !have("a_fresh_volume_has_no_findings", &["mkfs.exfat"]) {
        return;
    }
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("volume");
    for (mib, cluster) in [(8u64, "4K"), (64, "32K"), (300, "128K")] {
        let _ = std::fs::remove_file(&path);
        blank(&path, mib << 20);
        run(
            "mkfs.exfat",
            &["-L", "Größe ☃", "-c", cluster, path.to_str().unwrap()],
        );
        let drive = Drive::load(&path);
        let (survey, items) =
            listing(|see| exfat::survey(&drive, drive.place(), 0, Limits::default(), see)).unwrap();
        assert_eq!(survey.findings.list(), []);
        assert!(survey.accounts.add_up(), "{:?}", survey.accounts);
        assert_eq!(survey.label.as_ref().unwrap().text(), "Größe ☃");
        assert_eq!(survey.bytes, mib << 20);
        assert!(items.is_empty());
    }
}

/// A loop device and a mount on it, both undone at the end whatever happens.
struct Mounted {
    device: String,
    mount: String,
}

impl Drop for Mounted {
    fn drop(&mut self) {
        let _ = command("umount").arg(&self.mount).status();
        let _ = command("losetup").args(["-d", &self.device]).status();
    }
}

fn quiet(command: &mut Command) -> Result<String, String> {
    let output = command.output().map_err(|e| e.to_string())?;
    if output.status.success() {
        Ok(String::from_utf8_lossy(&output.stdout).trim().to_owned())
    } else {
        Err(String::from_utf8_lossy(&output.stderr).trim().to_owned())
    }
}

fn mount(image: &Path, at: &Path) -> Result<Mounted, String> {
    let device = quiet(command("losetup").args(["--show", "-f"]).arg(image))?;
    let mounted = Mounted {
        device,
        mount: at.to_str().unwrap().to_owned(),
    };
    quiet(command("mount.exfat-fuse").arg(&mounted.device).arg(at))?;
    Ok(mounted)
}

#[test]
fn what_another_implementation_wrote_is_read_byte_for_byte() {
    const NAME: &str = "exfat: what_another_implementation_wrote_is_read_byte_for_byte";
    if !have(
        NAME,
        &["mkfs.exfat", "mount.exfat-fuse", "losetup", "umount"],
    ) {
        return;
    }
    let folder = tempfile::tempdir().unwrap();
    let (image, at) = (folder.path().join("volume"), folder.path().join("mount"));
    std::fs::create_dir(&at).unwrap();
    blank(&image, 32 << 20);
    run("mkfs.exfat", &["-c", "4K", image.to_str().unwrap()]);
    let files = {
        let mounted = match mount(&image, &at) {
            Ok(mounted) => mounted,
            Err(why) => {
                skipped(NAME, &why);
                return;
            }
        };
        let files = tree(&at);
        // Holes in the allocation, then a file that has to be put together from them.
        for n in 0..300 {
            std::fs::write(at.join(format!("small{n}")), vec![n as u8; 4000]).unwrap();
        }
        for n in (0..300).step_by(2) {
            std::fs::remove_file(at.join(format!("small{n}"))).unwrap();
        }
        let mut files = files;
        for n in (1..300).step_by(2) {
            files.insert(
                format!("small{n}"),
                super::tool::sha256(&vec![n as u8; 4000]),
            );
        }
        let large = super::tool::content(99, 27_000_000);
        std::fs::write(at.join("large"), &large).unwrap();
        files.insert("large".to_owned(), super::tool::sha256(&large));
        drop(mounted);
        files
    };
    let drive = Drive::load(&image);
    let (survey, items) =
        listing(|see| exfat::survey(&drive, drive.place(), 0, Limits::default(), see)).unwrap();
    assert_eq!(hashes(&drive, &items), files);
    assert!(survey.accounts.add_up(), "{:?}", survey.accounts);
    assert!(!survey.findings.any_open(), "{:?}", survey.findings);
    assert!(items["large"].layout.as_ref().unwrap().pieces.len() > 50);
}
