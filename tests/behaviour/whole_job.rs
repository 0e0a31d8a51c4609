//! Whole jobs through the program: from `open` to the data put back, the bag checked by tools that are not ours.

use crate::hostile;
use crate::shop::{Said, Shop, have, listing, on_path, python, same_trees};
use crate::skip::skip;
use std::path::Path;
use std::process::Command;

/// Takes a job through to its release.
fn to_release(shop: &Shop) -> Said {
    for step in ["assess", "plan", "copy", "verify", "inspect"] {
        shop.step(&[step]).ends(0);
    }
    shop.waive_health();
    shop.step(&["release"])
}

/// No byte in text for people may move the cursor, whatever a file is called.
#[track_caller]
fn harmless(said: &Said) {
    for text in [&said.out, &said.err] {
        let bad = text
            .chars()
            .find(|c| c.is_control() && *c != '\n' || ('\u{202a}'..='\u{202e}').contains(c));
        assert_eq!(bad, None, "holdpoint {}: {text}", said.arguments);
    }
}

#[test]
fn a_hostile_folder_goes_through_the_whole_job_and_comes_back() {
    let name = "a_hostile_folder_goes_through_the_whole_job_and_comes_back";
    let shop = Shop::new();
    hostile::fill(&shop.path("laptop"));
    let before = listing(&shop.path("laptop"));
    shop.open();
    let released = to_release(&shop);
    // What is left is what the owner has to know: sockets and fifos have no content.
    let released = if released.code == Some(3) {
        let mut points = released.points();
        points.retain(|id| id != "health-unread");
        for id in &points {
            let mut waiver = vec!["waive", "--point", id, "--reason", "a test"];
            waiver.extend([
                "--decided-by",
                "owner",
                "--name",
                "R. Amsel",
                "--how",
                "signed",
            ]);
            shop.step(&waiver).ends(0);
        }
        shop.step(&["release"])
    } else {
        released
    };
    released.ends(0);

    for step in [
        &["recheck", "copies/job"][..],
        &["show", "copies/job"],
        &["print", "copies/job"],
        &["verify", "copies/job"],
        &["verify", "copies/job/bag"],
        // Last: a new survey voids the release.
        &["plan", "copies/job", "--list"],
    ] {
        harmless(&shop.run(step).ends(0));
    }
    bag_is_sound(name, &shop.path("copies/job/bag"));

    // The source is as it was: nothing was written to it, not even by looking.
    same_trees(&before, &listing(&shop.path("laptop")));

    let back = shop.step(&["put-back", "--to", "fresh"]);
    assert!(
        matches!(back.code, Some(0 | 3)),
        "{}\n{}",
        back.out,
        back.err
    );
    let mut expected = before.clone();
    // No content, not made again; named in the answer.
    expected.retain(|_, entry| !matches!(entry.kind, "fifo" | "socket"));
    same_trees(&expected, &listing(&shop.path("fresh")));
    assert_eq!(
        hostile::deepest(&shop.path("fresh")).as_deref(),
        Some(&b"down here\n"[..])
    );
    // What has no content is no loss, but it is not passed over in silence either.
    let planned = shop.step(&["plan"]).ends(0).json();
    let left_out = planned["result"]["left_out"].as_array().unwrap();
    let counted: u64 = left_out
        .iter()
        .filter_map(|rule| rule["items"].as_u64())
        .sum();
    assert_eq!(counted, 2, "the fifo and the socket: {left_out:?}");
    let twins = ["one of two.txt", "other of two.txt"].map(|twin| {
        let path = shop.path("fresh/kinds").join(twin);
        std::os::unix::fs::MetadataExt::ino(&path.metadata().unwrap())
    });
    assert_eq!(twins[0], twins[1], "hard links come back as such");
    let note = |top: &str| {
        let mut value = [0u8; 64];
        rustix::fs::getxattr(shop.path(top).join("noted.txt"), "user.note", &mut value)
            .map(|length| value[..length].to_vec())
            .ok()
    };
    assert_eq!(note("laptop"), note("fresh"), "attributes come back");

    // A second time there is nothing to do, and nothing is touched.
    let again = shop.step(&["put-back", "--to", "fresh"]);
    assert_eq!(
        again.json()["result"]["returned"]["items"],
        0,
        "{}",
        again.out
    );
    same_trees(&expected, &listing(&shop.path("fresh")));
}

/// The bag as tools see it that know nothing of us.
fn bag_is_sound(test: &str, bag: &Path) {
    if have(test, &["sha256sum"]) {
        for manifest in ["manifest-sha256.txt", "tagmanifest-sha256.txt"] {
            let mut command = Command::new("sha256sum");
            command.args(["--quiet", "--strict", "-c", manifest]);
            let output = command.current_dir(bag).output().unwrap();
            let said = String::from_utf8_lossy(&output.stderr);
            assert!(output.status.success(), "{manifest}: {said}");
        }
    }
    let validate = "import sys, bagit; bagit.Bag(sys.argv[1]).validate()";
    if let Some(mut python) = python(test, "bagit") {
        let output = python.args(["-c", validate]).arg(bag).output().unwrap();
        let said = String::from_utf8_lossy(&output.stderr);
        assert!(output.status.success(), "RFC 8493 validator: {said}");
    }
    let recompute = r#"
import sys, os, blake3
bag, listed = sys.argv[1], {}
for line in open(os.path.join(bag, "manifest-blake3.txt"), encoding="utf-8", newline="\n"):
    digest, path = line.rstrip("\n").split("  ", 1)
    assert path not in listed, path
    listed[path] = digest
found = set()
for top, _, files in os.walk(os.path.join(bag, "data")):
    for name in files:
        path = os.path.join(top, name)
        shown = os.path.relpath(path, bag)
        assert blake3.blake3(open(path, "rb").read()).hexdigest() == listed[shown], shown
        found.add(shown)
assert found == set(listed), found ^ set(listed)
"#;
    if let Some(mut python) = python(test, "blake3") {
        let output = python.args(["-c", recompute]).arg(bag).output().unwrap();
        let said = String::from_utf8_lossy(&output.stderr);
        assert!(output.status.success(), "BLAKE3 binding: {said}");
    }
}

#[test]
fn a_tree_that_nobody_here_made_comes_back_equal() {
    let name = "a_tree_that_nobody_here_made_comes_back_equal";
    let shop = Shop::new();
    let taken = take_a_real_tree(&shop.path("laptop"), 200 << 20);
    if taken < 1 << 20 {
        return skip(name, "no tree of some size in /usr/share");
    }
    let before = listing(&shop.path("laptop"));
    shop.open();
    let planned = shop.step(&["plan"]).ends(0).json();
    assert_eq!(planned["result"]["unaccounted_bytes"], 0);
    // What is left out by rule is named; all else comes back.
    let left_out = planned["result"]["left_out"].as_array().unwrap().len();
    for step in ["copy", "verify"] {
        shop.step(&[step]).ends(0);
    }
    shop.waive_health();
    let released = shop.step(&["release"]);
    assert_eq!(released.code, Some(0), "{}", released.out);
    bag_is_sound(name, &shop.path("copies/job/bag"));
    shop.step(&["put-back", "--to", "fresh"]).ends(0);
    if left_out == 0 {
        same_trees(&before, &listing(&shop.path("fresh")));
        if on_path("diff") {
            let mut command = Command::new("diff");
            command.args(["-r", "--no-dereference", "laptop", "fresh"]);
            let output = command.current_dir(shop.dir.path()).output().unwrap();
            let said = String::from_utf8_lossy(&output.stdout);
            assert!(output.status.success(), "{said}");
        }
    } else {
        let found = listing(&shop.path("fresh"));
        let expected = before
            .into_iter()
            .filter(|(path, _)| found.contains_key(path))
            .collect();
        same_trees(&expected, &found);
    }
}

/// Copies folders of the running system until enough is there; returns the bytes.
fn take_a_real_tree(to: &Path, enough: u64) -> u64 {
    let mut taken = 0;
    for folder in [
        "doc", "zoneinfo", "perl", "mime", "vim", "man", "locale", "python3",
    ] {
        let from = Path::new("/usr/share").join(folder);
        if !from.is_dir() || taken > enough {
            continue;
        }
        let bytes: u64 = walkdir::WalkDir::new(&from)
            .into_iter()
            .filter_map(|entry| entry.ok()?.metadata().ok())
            .map(|seen| seen.len())
            .sum();
        if taken + bytes > enough {
            continue;
        }
        let copied = Command::new("cp").arg("-a").arg(&from).arg(to).status();
        assert!(copied.unwrap().success());
        taken += bytes;
    }
    taken
}

#[test]
fn the_certificate_is_checked_by_openssh_and_only_as_it_is() {
    let name = "the_certificate_is_checked_by_openssh_and_only_as_it_is";
    if !have(name, &["ssh-keygen"]) {
        return;
    }
    let shop = Shop::new();
    shop.put("laptop/Pictures/harbour.jpg", hostile::noise(1, 9000));
    shop.saved();
    shop.waive_health();
    let made = Command::new("ssh-keygen")
        .args(["-q", "-t", "ed25519", "-N", "", "-C", "shop", "-f"])
        .arg(shop.path("key"))
        .status()
        .unwrap();
    assert!(made.success());
    let released = shop.step(&["release", "--key", "key"]).ends(0).json();
    assert_eq!(released["result"]["signature"], "sshsig");
    let public = std::fs::read_to_string(shop.path("key.pub")).unwrap();
    shop.put(
        "allowed",
        format!("shop namespaces=\"release@holdpoint\" {public}"),
    );
    let certificate = shop.path("copies/job/release/certificate.json");
    let agrees = |bytes: &[u8], namespace: &str| {
        shop.put("presented.json", bytes);
        Command::new("ssh-keygen")
            .args(["-Y", "verify", "-I", "shop", "-n", namespace, "-f"])
            .arg(shop.path("allowed"))
            .arg("-s")
            .arg(shop.path("copies/job/release/certificate.json.sig"))
            .stdin(std::fs::File::open(shop.path("presented.json")).unwrap())
            .output()
            .unwrap()
            .status
            .success()
    };
    let mut bytes = std::fs::read(&certificate).unwrap();
    assert!(agrees(&bytes, "release@holdpoint"));
    assert!(
        !agrees(&bytes, "file"),
        "another namespace is another statement"
    );
    bytes[10] ^= 1;
    assert!(!agrees(&bytes, "release@holdpoint"), "one flipped bit");
}

#[test]
fn an_unreadable_folder_is_an_open_point_and_not_an_empty_one() {
    use std::os::unix::fs::PermissionsExt;
    let name = "an_unreadable_folder_is_an_open_point_and_not_an_empty_one";
    let Some(shop) = Shop::without_rights(name) else {
        return;
    };
    shop.put("laptop/readable.jpg", hostile::noise(1, 5000));
    shop.put("laptop/closed/diary.txt", "nobody may look");
    let secret = shop.put("laptop/secret.txt", "nobody may read");
    std::fs::set_permissions(&secret, PermissionsExt::from_mode(0o000)).unwrap();
    let closed = shop.path("laptop/closed");
    std::fs::set_permissions(&closed, PermissionsExt::from_mode(0o000)).unwrap();
    shop.open();
    for step in ["plan", "copy", "verify"] {
        shop.step(&[step]);
    }
    shop.waive_health();
    let held = shop.step(&["release"]).ends(3);
    let rule = shop.step(&["plan"]).json()["result"]["volumes"][0]["rule"].clone();
    assert!(
        rule.as_str()
            .unwrap()
            .contains("1 folder could not be opened"),
        "{rule}"
    );
    // Permissions say nothing about the drive, and what was given up unseen is named to the owner all the same.
    shop.step(&["copy"]);
    shop.step(&[
        "waive",
        "--point",
        "folders-unreadable",
        "--reason",
        "known",
        "--decided-by",
        "owner",
        "--name",
        "R. Amsel",
        "--how",
        "signed",
    ])
    .ends(0);
    shop.step(&["print", "--paper", "receipt"]).ends(0);
    let paper = std::fs::read_to_string(shop.path("copies/job/papers/receipt.txt")).unwrap();
    let paper = paper.split_whitespace().collect::<Vec<_>>().join(" ");
    assert!(
        paper.contains("closed: this folder could not be opened"),
        "{paper}"
    );
    assert!(!paper.contains("weak places"), "{paper}");
    std::fs::set_permissions(&closed, PermissionsExt::from_mode(0o755)).unwrap();
    let points = held.points();
    assert!(
        points.contains(&"folders-unreadable".to_owned()),
        "{points:?}"
    );
}
