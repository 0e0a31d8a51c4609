//! People's folders on a volume of Linux: what is behind a link that leads to another disk is on no list.

use crate::shop::Shop;
use crate::volume::tool::{blank, have, run};
use std::os::unix::fs::symlink;

/// The points of a job on an ext4 image with these links in it, and the evidence of `redirected-elsewhere`.
fn told(links: &[(&str, &str)], folders: &[&str]) -> (Vec<String>, String) {
    let shop = Shop::new();
    for (path, bytes) in [
        ("etc/passwd", &b"ann:x:1000:1000::/home/ann:/bin/sh"[..]),
        ("usr/bin/true", b"ELF"),
        ("var/log/x", b"x"),
        ("srv/ann/a.txt", b"a"),
    ] {
        shop.put(&format!("root/{path}"), bytes);
    }
    for folder in folders {
        std::fs::create_dir_all(shop.path(&format!("root/{folder}"))).unwrap();
    }
    for (link, target) in links {
        let link = shop.path(&format!("root/{link}"));
        std::fs::create_dir_all(link.parent().unwrap()).unwrap();
        symlink(target, link).unwrap();
    }
    let (image, root) = (shop.path("drive.img"), shop.path("root"));
    blank(&image, 32 << 20);
    run(
        "mke2fs",
        &[
            "-q",
            "-F",
            "-t",
            "ext4",
            "-d",
            root.to_str().unwrap(),
            image.to_str().unwrap(),
        ],
    );
    std::fs::create_dir_all(shop.path("copies")).unwrap();
    let mut words = vec![
        "open",
        "--drive",
        "drive.img",
        "--job",
        "copies/job",
        "--to",
        "copies",
    ];
    words.extend([
        "--policy",
        "practice",
        "--owner",
        "A",
        "--technician",
        "B",
        "--must-have",
        "none",
    ]);
    words.extend(["--symptom", "none", "--memory", "known-good", "--json"]);
    shop.run(&words).ends(0);
    let plan = shop.step(&["plan"]);
    let document: serde_json::Value = serde_json::from_str(&plan.out).unwrap();
    let points = document["open_points"].as_array().unwrap();
    let moved = points
        .iter()
        .find(|point| point["id"] == "redirected-elsewhere");
    let evidence = moved.map_or(String::new(), |point| {
        point["evidence"].as_str().unwrap().to_owned()
    });
    (plan.points(), evidence)
}

#[test]
fn a_link_out_of_a_home_is_a_point_and_one_within_it_is_none() {
    if !have(
        "a_link_out_of_a_home_is_a_point_and_one_within_it_is_none",
        &["mke2fs"],
    ) {
        return;
    }
    let homes = ["home/ann/Documents", "mnt/data"];
    for (link, target) in [
        ("home/ann/Pictures", "/mnt/data/Pictures"),
        ("home/ann/Data", "/mnt/data"),
        ("home/bob", "/run/media/disk/bob"),
    ] {
        let (points, evidence) = told(&[(link, target)], &homes);
        assert!(
            points.contains(&"redirected-elsewhere".to_owned()),
            "{link}: {points:?}"
        );
        assert_eq!(evidence, format!("what is behind {link} lies at {target}"));
    }
    let (_, evidence) = told(&[("home", "/mnt/data/home")], &["mnt/data"]);
    assert_eq!(evidence, "what is behind home lies at /mnt/data/home");
    // Programs keep such links in any healthy home.
    let (points, evidence) = told(
        &[
            ("home/ann/.config/pulse/runtime", "/tmp/pulse-x"),
            ("home/ann/.wine/dosdevices/d:", "/media/cdrom"),
            (
                "home/ann/Desktop/x.desktop",
                "/usr/share/applications/x.desktop",
            ),
            ("home/ann/shared", "/srv/ann"),
            ("home/ann/near", "Documents"),
        ],
        &homes,
    );
    assert_eq!(
        (
            points.contains(&"redirected-elsewhere".to_owned()),
            evidence
        ),
        (false, String::new())
    );
}
