//! Documents against the published schema, and the manual against the command tree.

use super::{JOB, conforms, engine, face, pages};
use crate::step::outcome::Exit;

#[test]
fn json_is_one_document_on_the_published_schema() {
    let schema = crate::cli::schema::schema();
    for (name, mut line, releases) in pages() {
        line.insert(1, "--json");
        let run = face(&engine(releases), 80, None, &line);
        let document: serde_json::Value =
            serde_json::from_str(&run.out).unwrap_or_else(|e| panic!("{name}: {e}\n{}", run.out));
        conforms::check(&schema, &schema, &document, name).unwrap();
        assert_eq!(document["command"], line[0], "{name}");
        assert_eq!(document["holdpoint"], env!("CARGO_PKG_VERSION"));
        assert!(
            document["open_points"].is_array() && document.get("error").is_none(),
            "{name}"
        );
    }
    for line in [
        &["manual", "--json"][..],
        &["completions", "bash", "--json"],
        &["schema", "--json"],
        &["--version", "--json"],
        &["--json", "--help"],
        &["copy", "--help", "--json"],
    ] {
        let run = face(&engine(true), 80, None, line);
        let document: serde_json::Value = serde_json::from_str(&run.out).unwrap();
        conforms::check(&schema, &schema, &document, line[0]).unwrap();
        assert!(document["result"].is_object(), "{line:?}");
    }
    let bare: serde_json::Value =
        serde_json::from_str(&face(&engine(true), 80, None, &["schema"]).out).unwrap();
    assert_eq!(bare, schema);
    let version = face(&engine(true), 80, None, &["--version", "--json"]);
    let document: serde_json::Value = serde_json::from_str(&version.out).unwrap();
    assert_eq!(document["result"]["version"], env!("CARGO_PKG_VERSION"));
}

/// What failed says on what: the item, the option, or at least the job.
#[test]
fn a_refusal_names_what_it_is_about() {
    let on = |line: &[&str]| {
        let run = face(&engine(true), 80, None, line);
        let document: serde_json::Value = serde_json::from_str(&run.out).unwrap();
        document["error"]["on"].as_str().unwrap().to_owned()
    };
    assert_eq!(on(&["waive", JOB, "--no-rescue", "--json"]), "--reason");
    assert!(on(&["release", JOB, "--valid", "99", "--json"]).starts_with("--valid"));
    assert_eq!(on(&["copy", JOB, "--speed", "--json"]), "--speed");
}

#[test]
fn returning_less_than_all_is_told_as_a_failure_beside_the_result() {
    use crate::step::outcome::{Outcome, Problem, PutBack};
    let schema = crate::cli::schema::schema();
    let why = Problem::failed("1 item not returned whole", "/mnt/fresh", "look at it");
    let outcome = Outcome::done(std::path::Path::new(JOB), PutBack::default(), Vec::new())
        .ending(Exit::Failed)
        .short(why);
    let text = crate::cli::envelope::document("put-back", &outcome).unwrap();
    let document: serde_json::Value = serde_json::from_str(&text).unwrap();
    conforms::check(&schema, &schema, &document, "put-back").unwrap();
    assert_eq!(document["error"]["on"], "/mnt/fresh");
    assert!(document["result"].is_object());
}

#[test]
fn the_schema_refuses_what_is_off_it() {
    let schema = crate::cli::schema::schema();
    let run = face(&engine(true), 80, None, &["release", JOB, "--json"]);
    let good: serde_json::Value = serde_json::from_str(&run.out).unwrap();
    let refused = |change: &dyn Fn(&mut serde_json::Value)| {
        let mut document = good.clone();
        change(&mut document);
        conforms::check(&schema, &schema, &document, "release").is_err()
    };
    assert!(!refused(&|_| {}));
    assert!(refused(&|d| d["result"]["state"] = "free".into()));
    assert!(refused(&|d| {
        d["result"].as_object_mut().unwrap().remove("certificate");
    }));
    assert!(refused(&|d| d["open_points"][0]["who"] = "somebody".into()));
    assert!(refused(&|d| d["schema"] = 2.into()));
    assert!(refused(&|d| d["command"] = "copy".into()));
    assert!(refused(
        &|d| d["error"] = serde_json::json!({"what": "", "on": "", "next": ""})
    ));
    assert_eq!(
        schema["$schema"],
        "https://json-schema.org/draft/2020-12/schema"
    );
}

#[test]
fn the_manual_holds_every_command_and_every_exit_code() {
    let run = face(&engine(true), 80, None, &["manual"]);
    for (_, names) in crate::cli::args::PHASES {
        for name in names {
            assert_eq!(
                run.out
                    .matches(&format!(".SS \"holdpoint {name}\""))
                    .count(),
                1,
                "{name}"
            );
        }
    }
    for exit in Exit::ALL {
        assert!(run.out.contains(exit.meaning()), "{}", exit.meaning());
    }
    let folder = tempfile::tempdir().unwrap();
    let out = folder.path().to_str().unwrap();
    assert_eq!(
        face(&engine(true), 80, None, &["manual", "--out", out]).exit,
        Exit::Done
    );
    assert!(folder.path().join("holdpoint-put-back.1").exists());
    assert!(folder.path().join("holdpoint.1").exists());
}
