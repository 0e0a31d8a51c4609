//! The whole face against an engine of canned values.

mod canned;
mod conforms;
mod documents;

use super::ask::Asker;
use super::ask::tests::Scripted;
use super::desk::Desk;
use super::look::Look;
use super::progress::Manner;
use crate::step::outcome::{Exit, Problem, ProblemKind};
use crate::step::request::{MustHaveAnswer, MustHaves};
use canned::{Canned, HOSTILE};
use std::ffi::OsString;
use std::io::Write;
use unicode_width::UnicodeWidthStr;

/// One run of the face.
struct Run {
    exit: Exit,
    out: String,
    err: String,
}

fn face(engine: &Canned, width: usize, asker: Option<&mut dyn Asker>, line: &[&str]) -> Run {
    let (mut out, mut err) = (Vec::new(), Vec::new());
    let exit = match asker {
        Some(asker) => face_to(engine, width, Some(asker), line, &mut out, &mut err),
        None => face_to(engine, width, None, line, &mut out, &mut err),
    };
    Run {
        exit,
        out: String::from_utf8(out).unwrap(),
        err: String::from_utf8(err).unwrap(),
    }
}

fn face_to<'a>(
    engine: &'a Canned,
    width: usize,
    asker: Option<&'a mut dyn Asker>,
    line: &[&str],
    out: &'a mut dyn Write,
    err: &'a mut dyn Write,
) -> Exit {
    let look = Look::of(false, Some(width), None, None, false);
    let mut desk = Desk {
        engine,
        err_look: look.clone(),
        look,
        json: false,
        manner: Manner::Plain,
        asker,
        out,
        err,
    };
    let args = std::iter::once("holdpoint")
        .chain(line.iter().copied())
        .map(OsString::from);
    super::go(args, &mut desk)
}

const JOB: &str = "/mnt/shelf-a/job-17";
const OPEN: &[&str] = &[
    "open",
    "--drive",
    "/dev/sdb",
    "--to",
    "/mnt/shelf-a",
    "--owner",
    "M. Sample",
    "--symptom",
    "clicking",
    "--memory",
    "swapped",
    "--must-have",
    "the wedding, 2019",
];
const WAIVE: &[&str] = &[
    "waive",
    JOB,
    "--item",
    "a.wav",
    "--reason",
    "owner has the tape",
    "--decided-by",
    "owner",
    "--name",
    "M. Sample",
    "--how",
    "signed",
];

/// A command line for every page, with the name of its snapshot.
fn pages() -> Vec<(&'static str, Vec<&'static str>, bool)> {
    vec![
        ("open", OPEN.to_vec(), true),
        ("assess", vec!["assess", JOB], true),
        (
            "assess-explain",
            vec!["assess", JOB, "--explain", "--no-sampling"],
            true,
        ),
        ("plan", vec!["plan", JOB], true),
        ("plan-list", vec!["plan", JOB, "--list"], true),
        ("copy", vec!["copy", JOB], true),
        ("verify", vec!["verify", JOB], true),
        ("inspect", vec!["inspect", JOB], true),
        ("waive", WAIVE.to_vec(), true),
        (
            "waive-must-have",
            vec!["waive", JOB, "--must-have", "1", "--found", "Pictures/2019"],
            true,
        ),
        ("release", vec!["release", JOB], true),
        ("release-hold", vec!["release", JOB], false),
        ("recheck", vec!["recheck", JOB], true),
        ("recheck-changed", vec!["recheck", JOB], false),
        ("guard", vec!["guard", JOB, "--", "erase", "{drive}"], true),
        (
            "guard-dry",
            vec!["guard", JOB, "--dry-run", "--", "erase", "{drive}"],
            true,
        ),
        (
            "guard-refused",
            vec!["guard", JOB, "--", "erase", "{drive}"],
            false,
        ),
        ("print", vec!["print", JOB, "--paper", "sheet"], true),
        (
            "put-back",
            vec!["put-back", JOB, "--to", "/mnt/fresh"],
            true,
        ),
        (
            "close",
            vec!["close", JOB, "--now", "--reason", "owner asked"],
            true,
        ),
        ("close-kept", vec!["close", JOB], true),
        ("show", vec!["show", JOB], false),
        ("show-released", vec!["show", JOB], true),
        ("show-all", vec!["show"], true),
        ("demo", vec!["demo"], true),
        ("policy-list", vec!["policy", "list"], true),
        ("policy-explain", vec!["policy", "explain", "home"], true),
        ("policy-check", vec!["policy", "check", "a.toml"], true),
        (
            "run",
            {
                let mut line = OPEN.to_vec();
                line[0] = "run";
                line.push("--yes");
                line
            },
            true,
        ),
    ]
}

fn engine(releases: bool) -> Canned {
    let engine = Canned::default();
    engine.releases.set(releases);
    engine
}

/// Pages are compared with the files in `pages/`; `HOLDPOINT_WRITE_PAGES=1` writes them anew.
#[test]
fn pages_read_as_they_did_at_80_and_120_columns() {
    let folder = concat!(env!("CARGO_MANIFEST_DIR"), "/src/cli/tests/pages");
    let write = std::env::var_os("HOLDPOINT_WRITE_PAGES").is_some();
    for (name, line, releases) in pages() {
        for width in [80, 120] {
            let run = face(&engine(releases), width, None, &line);
            for text in run.out.lines() {
                assert!(text.width() <= width, "{name}: {text}");
            }
            let path = format!("{folder}/{name}-{width}.txt");
            if write {
                std::fs::write(&path, &run.out).unwrap();
            }
            let before = std::fs::read_to_string(&path).unwrap_or_default();
            assert_eq!(run.out, before, "{path}");
        }
    }
}

#[test]
fn hostile_names_never_reach_the_terminal() {
    for (name, mut line, releases) in pages() {
        let text = face(&engine(releases), 80, None, &line);
        for c in text.out.chars().chain(text.err.chars()) {
            assert!(
                c == '\n' || !(c.is_control() || c == '\u{202e}'),
                "{name}: {c:?}"
            );
        }
        // A name cannot forge a line of its own.
        let forged = text
            .out
            .lines()
            .any(|line| line.starts_with("ON HOLD\u{202e}") || line.starts_with("ON HOLDg"));
        assert!(!forged, "{name}");
        line.insert(1, "--json");
        let json = face(&engine(releases), 80, None, &line);
        assert!(!json.out.contains('\u{1b}'), "{name}");
    }
}

#[test]
fn every_exit_code_comes_out_and_a_refusal_is_one_document() {
    let schema = super::schema::schema();
    for exit in Exit::ALL {
        let engine = Canned::default();
        engine.exit.set(exit);
        assert_eq!(face(&engine, 80, None, &["copy", JOB]).exit, exit);
    }
    for (kind, code) in [
        (ProblemKind::Failed, 1),
        (ProblemKind::Usage, 2),
        (ProblemKind::Hold, 3),
        (ProblemKind::Stopped, 4),
    ] {
        let engine = Canned::default();
        *engine.problem.borrow_mut() = Some(Problem::new(
            kind,
            format!("could not: {HOSTILE}"),
            JOB,
            "holdpoint show",
        ));
        for (_, line, _) in pages() {
            let text = face(&engine, 80, None, &line);
            assert_eq!(text.exit.code(), code);
            assert_eq!(text.out, "");
            assert!(
                text.err.contains("holdpoint show") && !text.err.contains('\u{1b}'),
                "{}",
                text.err
            );
            let mut line = line.clone();
            line.insert(1, "--json");
            let json = face(&engine, 80, None, &line);
            assert_eq!(json.exit.code(), code);
            let document: serde_json::Value = serde_json::from_str(&json.out).unwrap();
            conforms::check(&schema, &schema, &document, "refusal").unwrap();
            assert_eq!(document["error"]["on"], JOB);
        }
    }
}

#[test]
fn a_hold_or_a_difference_is_never_success() {
    // The canned engine says `Done` although the gate held.
    assert_eq!(
        face(&engine(false), 80, None, &["release", JOB]).exit,
        Exit::Hold
    );
    assert_eq!(
        face(&engine(false), 80, None, &["recheck", JOB]).exit,
        Exit::Hold
    );
    assert_eq!(
        face(
            &engine(false),
            80,
            None,
            &["guard", JOB, "--", "x", "{drive}"]
        )
        .exit,
        Exit::Hold
    );
    let mut line = OPEN.to_vec();
    line[0] = "run";
    assert_eq!(face(&engine(false), 80, None, &line).exit, Exit::Hold);
}

#[test]
fn a_command_line_that_makes_no_sense_is_exit_code_2() {
    let schema = super::schema::schema();
    for line in [
        &[][..],
        &["wipe"],
        &["\u{1b}[2J"],
        &["copy"],
        &["release", JOB, "--valid", "99"],
        &["guard", JOB, "--", "erase", "/dev/sdb"],
        &["guard", JOB, "--", "erase", "{drive}", "{drive}"],
        &["waive", JOB, "--item", "a"],
        &["waive", JOB],
        &[
            "waive",
            JOB,
            "--item",
            "a",
            "--reason",
            "r",
            "--decided-by",
            "owner",
        ],
        &["waive", JOB, "--must-have", "1"],
        &["close", JOB, "--now"],
        &["open", "--folder", "/a"],
    ] {
        let run = face(&engine(true), 80, None, line);
        assert_eq!(run.exit, Exit::Usage, "{line:?}");
        assert_eq!(run.out, "", "{line:?}");
        assert!(
            !run.err.is_empty() && !run.err.contains('\u{1b}'),
            "{line:?}"
        );
        let mut line = line.to_vec();
        line.insert(0, "--json");
        let run = face(&engine(true), 80, None, &line);
        assert_eq!(run.exit, Exit::Usage, "{line:?}");
        let document: serde_json::Value =
            serde_json::from_str(&run.out).unwrap_or_else(|e| panic!("{line:?} {e}: {}", run.out));
        conforms::check(&schema, &schema, &document, "usage").unwrap();
    }
}

#[test]
fn what_follows_the_dashes_does_not_ask_us_for_json() {
    let run = face(
        &engine(true),
        80,
        None,
        &["guard", JOB, "--bad", "--", "x", "--json"],
    );
    assert_eq!((run.exit, run.out.as_str()), (Exit::Usage, ""));
}

/// A pipe that nobody reads.
struct Broken;

impl Write for Broken {
    fn write(&mut self, _: &[u8]) -> std::io::Result<usize> {
        Err(std::io::ErrorKind::BrokenPipe.into())
    }
    fn flush(&mut self) -> std::io::Result<()> {
        Ok(())
    }
}

#[test]
fn a_verdict_that_was_not_delivered_is_no_success() {
    for (name, line, releases) in pages() {
        for json in [false, true] {
            let mut line = line.clone();
            if json {
                line.insert(1, "--json");
            }
            let exit = face_to(&engine(releases), 80, None, &line, &mut Broken, &mut Broken);
            assert_ne!(exit, Exit::Done, "{name}");
            assert_eq!(
                exit,
                if releases || name == "show" {
                    Exit::Failed
                } else {
                    Exit::Hold
                },
                "{name}"
            );
        }
    }
    for line in [
        &["--help"][..],
        &["schema"],
        &["manual"],
        &["completions", "zsh"],
    ] {
        assert_eq!(
            face_to(&engine(true), 80, None, line, &mut Broken, &mut Broken),
            Exit::Failed
        );
    }
}

#[test]
fn no_prompt_without_a_terminal_and_none_that_is_not_needed() {
    let engine = Canned::default();
    let run = face(&engine, 80, None, &["open", "--folder", "/a", "--to", "/b"]);
    // Nobody answers for the owner: the questions stay open, and the gate names them.
    assert_eq!(run.exit, Exit::Done);
    let opened = engine.opened.borrow_mut().take().unwrap();
    assert_eq!(
        (opened.owner, opened.symptom, opened.memory),
        (None, None, None)
    );

    let mut asker = Scripted {
        lines: ["M. Sample", "K. Brandt", "the wedding", ""].into(),
        places: [0, 0].into(),
        ..Scripted::default()
    };
    let run = face(
        &engine,
        80,
        Some(&mut asker),
        &["open", "--folder", "/a", "--to", "/b"],
    );
    assert_eq!(run.exit, Exit::Done);
    let opened = engine.opened.borrow().clone().unwrap();
    assert_eq!(opened.owner.as_deref(), Some("M. Sample"));
    assert_eq!(
        opened.must_have,
        Some(MustHaves::Named(vec!["the wedding".into()]))
    );
}

#[test]
fn run_goes_through_all_steps_and_asks_only_what_it_must() {
    let engine = Canned::default();
    let mut asker = Scripted {
        lines: ["K. Brandt", "disk1-2/Pictures/2019"].into(),
        places: [0].into(),
        ..Scripted::default()
    };
    let mut line = OPEN.to_vec();
    line[0] = "run";
    let run = face(&engine, 80, Some(&mut asker), &line);
    assert_eq!(run.exit, Exit::Done);
    assert_eq!(
        *engine.steps.borrow(),
        [
            "open", "assess", "plan", "copy", "verify", "inspect", "answer", "release"
        ]
    );
    assert_eq!(engine.answers.borrow().len(), 1);
    assert!(
        matches!(&engine.answers.borrow()[0].answer, MustHaveAnswer::Found(paths) if paths.len() == 1)
    );
    assert_eq!(
        run.out.matches("open points").count(),
        1,
        "points stand at the end only"
    );

    // `--yes`: nothing is asked, nothing is answered for the owner.
    let engine = Canned::default();
    let run = face(
        &engine,
        80,
        Some(&mut Scripted::default()),
        &["run", "--drive", "/d", "--to", "/b", "--yes"],
    );
    assert_eq!(run.exit, Exit::Done);
    assert!(engine.answers.borrow().is_empty());
    assert_eq!(engine.opened.borrow().as_ref().unwrap().must_have, None);
}

#[test]
fn the_second_look_is_asked_for_when_nothing_else_is_open() {
    let engine = Canned::default();
    engine.wants_look.set(true);
    assert_eq!(face(&engine, 80, None, &["release", JOB]).exit, Exit::Hold);
    let mut asker = Scripted {
        lines: ["0042"].into(),
        ..Scripted::default()
    };
    let run = face(&engine, 80, Some(&mut asker), &["release", JOB]);
    assert_eq!(run.exit, Exit::Done);
    // Asked once; a wrong answer is not asked again.
    let mut wrong = Scripted {
        lines: ["9999"].into(),
        ..Scripted::default()
    };
    let run = face(&engine, 80, Some(&mut wrong), &["release", JOB]);
    assert_eq!((run.exit, wrong.asked.len()), (Exit::Hold, 1));
}

#[test]
fn run_stops_where_a_step_does() {
    let engine = Canned::default();
    engine.exit.set(Exit::Stopped);
    let mut line = OPEN.to_vec();
    line[0] = "run";
    line.push("--json");
    let run = face(&engine, 80, None, &line);
    assert_eq!(run.exit, Exit::Stopped);
    assert_eq!(*engine.steps.borrow(), ["open"]);
    let document: serde_json::Value = serde_json::from_str(&run.out).unwrap();
    assert_eq!(document["command"], "run");
    // The same command would begin another job: the text names the one that goes on.
    line.pop();
    let run = face(&engine, 80, None, &line);
    assert!(run.out.contains("holdpoint run --job "), "{}", run.out);
}

#[test]
fn quiet_leaves_the_outcome() {
    for (name, mut line, releases) in pages() {
        let loud = face(&engine(releases), 80, None, &line).out;
        line.insert(1, "--quiet");
        let run = face(&engine(releases), 80, None, &line);
        assert!(run.out.len() <= loud.len(), "{name}");
        assert!(!run.out.contains("\nNext\n"), "{name}");
        assert!(!run.err.contains("slow"), "{name}");
    }
}

#[test]
fn the_state_is_the_first_line() {
    let first = |releases, line: &[&str]| {
        let run = face(&engine(releases), 80, None, line);
        run.out.lines().next().unwrap().to_owned()
    };
    assert_eq!(first(false, &["show", JOB]), "ON HOLD");
    assert_eq!(
        first(true, &["show", JOB]),
        "RELEASED until Wed 25 Nov 2026, 14:20 UTC"
    );
    assert_eq!(first(false, &["release", JOB]), "ON HOLD");
    assert_eq!(
        first(true, &["release", JOB]),
        "RELEASED until Wed 25 Nov 2026, 14:20 UTC"
    );
    assert_eq!(first(true, OPEN), "ON HOLD");
}

#[test]
fn unread_health_is_as_prominent_as_bad_news() {
    let mut look = Look::of(true, None, None, Some("xterm"), false);
    look.width = 120;
    let mut page = super::page::Page::new(&look);
    let asked = super::text::assess::Asked {
        explain: false,
        sampling: true,
    };
    let outcome = crate::step::outcome::Outcome::done(&canned::job(), canned::assessed(), vec![]);
    super::text::assess::page(&mut page, asked, &outcome);
    let text = page.finish();
    let stop = |needle: &str| {
        let line = text.lines().find(|line| line.contains(needle)).unwrap();
        line.split(needle).next().unwrap().contains("\u{1b}[31m")
    };
    assert!(stop("could not be read"), "{text}");
    assert!(
        stop("that a limit was crossed") || text.contains("\u{1b}[31mThe drive itself"),
        "{text}"
    );
}
