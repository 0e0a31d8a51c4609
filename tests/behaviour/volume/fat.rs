//! FAT volumes made by dosfstools and filled by mtools.

use super::tool::{Drive, blank, hashes, have, listing, run, tree};
use holdpoint::volume::fat;
use holdpoint::volume::filesystem::Limits;

#[test]
fn what_mtools_copied_in_is_read_byte_for_byte() {
    if !have(
        "what_mtools_copied_in_is_read_byte_for_byte",
        &["mkfs.fat", "mcopy", "mmd", "mdel"],
    ) {
        return;
    }
    let folder = tempfile::tempdir().unwrap();
    let source = folder.path().join("source");
    let mut files = tree(&source);
    let path = folder.path().join("volume");
    let image = path.to_str().unwrap();
    let cases: [(&[&str], u64); 6] = [
        (&["-F", "12", "-s", "1"], 2),
        (&["-F", "12", "-s", "8"], 8),
        (&["-F", "16", "-s", "1"], 12),
        (&["-F", "16", "-S", "2048"], 64),
        (&["-F", "32", "-s", "1"], 40),
        (&["-F", "32", "-S", "4096", "-s", "1"], 300),
    ];
    files.remove("never");
    for (arguments, mib) in cases {
        let _ = std::fs::remove_file(&path);
        blank(&path, mib << 20);
        let mut all = vec!["-n", "OLD DISK", "-i", "1234abcd"];
        all.extend(arguments);
        all.push(image);
        run("mkfs.fat", &all);
        for entry in std::fs::read_dir(&source).unwrap() {
            let entry = entry.unwrap().path();
            run(
                "mcopy",
                &["-s", "-Q", "-i", image, entry.to_str().unwrap(), "::"],
            );
        }
        // Something deleted in between.
        run(
            "mcopy",
            &[
                "-i",
                image,
                source.join("Photos/f7.txt").to_str().unwrap(),
                "::gone.txt",
            ],
        );
        run("mdel", &["-i", image, "::gone.txt"]);
        let drive = Drive::load(&path);
        let (survey, items) =
            listing(|see| fat::survey(&drive, drive.place(), 0, Limits::default(), see)).unwrap();
        assert_eq!(survey.findings.list(), [], "{arguments:?}");
        assert!(
            survey.accounts.add_up(),
            "{arguments:?}: {:?}",
            survey.accounts
        );
        assert!(survey.whole);
        assert_eq!(survey.label.as_ref().unwrap().text(), "OLD DISK");
        assert_eq!(survey.serial.as_deref(), Some("1234-ABCD"));
        assert_eq!(hashes(&drive, &items), files, "{arguments:?}");
    }
}
