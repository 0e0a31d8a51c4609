//! Every JSON document, good news and refusals alike, against the published schema, by a validator that is not ours.

use crate::hostile;
use crate::shop::{Shop, python};

const VALIDATE: &str = r#"
import json, sys, os
from jsonschema import Draft202012Validator
schema = json.load(open(sys.argv[1]))
Draft202012Validator.check_schema(schema)
validator = Draft202012Validator(schema)
bad = 0
for name in sorted(os.listdir(sys.argv[2])):
    document = json.load(open(os.path.join(sys.argv[2], name)))
    for error in validator.iter_errors(document):
        bad += 1
        print(name, "/".join(map(str, error.absolute_path)), error.message[:600])
        for inner in sorted(error.context or [], key=lambda e: -len(e.absolute_path))[:3]:
            print("   ", "/".join(map(str, inner.absolute_path)), inner.message[:300])
sys.exit(bad > 0)
"#;

#[test]
fn every_document_fits_the_published_schema() {
    let name = "every_document_fits_the_published_schema";
    let Some(mut python) = python(name, "jsonschema") else {
        return;
    };
    let shop = Shop::new();
    hostile::fill(&shop.path("laptop"));
    std::fs::create_dir(shop.path("said")).unwrap();
    let mut number = 0;
    let mut keep = |said: crate::shop::Said, command: &str| {
        number += 1;
        let document = said.json();
        assert_eq!(document["command"], command, "{document}");
        assert_eq!(document["holdpoint"], env!("CARGO_PKG_VERSION"));
        assert_eq!(document["schema"], 1);
        // Exactly one of what came of it and what went wrong.
        assert_ne!(
            document["result"].is_null(),
            document["error"].is_null(),
            "{document}"
        );
        shop.put(&format!("said/{number:02}-{command}.json"), &said.out);
    };
    keep(shop.run(&["show", "nowhere", "--json"]).ends(1), "show");
    keep(shop.open(), "open");
    keep(shop.step(&["copy"]), "copy"); // nothing planned yet
    keep(shop.step(&["assess", "--explain"]), "assess");
    keep(shop.step(&["plan", "--list"]), "plan");
    keep(shop.step(&["show"]), "show");
    keep(shop.step(&["copy", "--limit-bytes", "1000"]), "copy");
    keep(shop.step(&["copy"]), "copy");
    keep(shop.step(&["verify"]), "verify");
    keep(
        shop.step(&["inspect", "--fault-since", "2020-01-01", "--sample", "5"]),
        "inspect",
    );
    keep(shop.step(&["release"]), "release");
    keep(shop.waive(&["--point", "health-unread"]), "waive");
    keep(shop.waive(&["--point", "no-such-point"]), "waive");
    keep(shop.step(&["release"]), "release");
    keep(shop.step(&["recheck"]), "recheck");
    keep(
        shop.step(&["guard", "--dry-run", "--", "true", "{drive}"]),
        "guard",
    );
    for paper in ["receipt", "sheet", "tag", "slip"] {
        keep(shop.step(&["print", "--paper", paper]), "print");
    }
    keep(shop.run(&["verify", "copies/job/bag", "--json"]), "verify");
    keep(shop.step(&["close"]).ends(3), "close"); // not everything is put back
    keep(shop.step(&["put-back", "--to", "fresh"]), "put-back");
    keep(shop.run(&["show", "--json"]), "show");
    std::fs::remove_file(&shop.payload()[0]).unwrap();
    keep(shop.step(&["verify"]), "verify");
    keep(
        shop.step(&["close", "--now", "--reason", "a test"]),
        "close",
    );
    keep(shop.run(&["policy", "list", "--json"]), "policy");
    keep(shop.run(&["policy", "explain", "home", "--json"]), "policy");

    let schema = shop.run(&["schema"]).ends(0);
    shop.put("schema.json", &schema.out);
    let output = python
        .args(["-c", VALIDATE])
        .arg(shop.path("schema.json"))
        .arg(shop.path("said"))
        .output()
        .unwrap();
    assert!(
        output.status.success(),
        "{}{}",
        String::from_utf8_lossy(&output.stdout),
        String::from_utf8_lossy(&output.stderr)
    );
}

/// The interface: `error` says what was tried, on what, and what to do next.
#[test]
fn a_refusal_names_what_it_is_about() {
    let shop = Shop::new();
    std::fs::create_dir_all(shop.path("laptop")).unwrap();
    std::fs::create_dir_all(shop.path("copies")).unwrap();
    let cases: [(&[&str], &str); 6] = [
        // A node that is no drive; nothing there; a folder where a drive should be.
        (&["--drive", "/dev/null", "--to", "copies"], "/dev/null"),
        (&["--drive", "gone.img", "--to", "copies"], "gone.img"),
        (&["--drive", "laptop", "--to", "copies"], "laptop"),
        (&["--folder", "nowhere", "--to", "copies"], "nowhere"),
        (&["--folder", "laptop", "--to", "no-disk"], "no-disk"),
        (
            &[
                "--folder",
                "laptop",
                "--to",
                "copies",
                "--replies",
                "unheard",
            ],
            "unheard",
        ),
    ];
    for (arguments, on) in cases {
        let words = [&["open"], arguments, &["--policy", "practice", "--json"]].concat();
        let said = shop.run(&words).ends(1).json();
        let error = &said["error"];
        assert_eq!(error["on"], on, "{said}");
        for key in ["what", "next"] {
            assert!(error[key].as_str().is_some_and(|t| !t.is_empty()), "{said}");
        }
    }
    // A drive that was there, and is gone when its job goes on.
    std::fs::write(shop.path("laptop.img"), vec![0u8; 1 << 20]).unwrap();
    let image = shop.path("laptop.img");
    let image = image.to_str().unwrap();
    let mut words = vec!["open", "--drive", image, "--to", "copies", "--job"];
    words.extend(["copies/job", "--policy", "practice", "--symptom", "none"]);
    shop.run(&[words, vec!["--json"]].concat()).ends(0);
    shop.run(&["plan", "copies/job", "--json"]).ends(0);
    std::fs::remove_file(image).unwrap();
    for step in ["plan", "copy"] {
        let said = shop.run(&[step, "copies/job", "--json"]).ends(1).json();
        assert_eq!(said["error"]["on"], image, "{said}");
    }
}
