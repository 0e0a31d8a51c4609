//! Who may decide what, how every command ends, and what is refused.

use crate::hand_bench::Scratch;
use crate::hostile::noise;
use crate::shop::{Shop, listing};

#[test]
fn every_exit_code() {
    let shop = Shop::with_pictures();
    // 2: the command line makes no sense.
    for arguments in [
        &["no-such-command"][..],
        &["open"],
        &["copy"],
        &["show", "copies/job", "--no-such-option"],
        &["release", "copies/job", "--valid", "soon"],
        &[
            "open",
            "--folder",
            "laptop",
            "--drive",
            "/dev/null",
            "--to",
            "copies",
        ],
        &["waive", "copies/job"],
    ] {
        shop.run(arguments).ends(2);
    }
    assert_eq!(std::fs::read_dir(shop.path("copies")).unwrap().count(), 0);
    // 0 for work that was done, open points or not; 3 on hold; 4 stopped early; 1 failed.
    shop.open().ends(0);
    shop.step(&["plan"]).ends(0);
    shop.step(&["release"]).ends(3);
    shop.step(&["recheck"]).ends(3);
    shop.step(&["copy", "--limit-bytes", "1"]).ends(4);
    shop.step(&["copy"]).ends(0);
    shop.step(&["verify"]).ends(0);
    shop.step(&["show"]).ends(0);
    shop.waive_health();
    shop.step(&["release"]).ends(0);
    shop.step(&["recheck"]).ends(0);
    std::fs::remove_file(&shop.payload()[0]).unwrap();
    shop.step(&["verify"]).ends(1);
    shop.run(&["show", "nowhere", "--json"]).ends(1);
    shop.run(&["schema"]).ends(0);
    shop.run(&["--version"]).ends(0);
    shop.run(&["--help"]).ends(0);
}

#[test]
fn a_policy_with_a_slip_of_the_pen() {
    let shop = Shop::with_pictures();
    let policy = |text: &str| shop.put("ours.toml", text);
    let good = "name = \"ours\"\nsays = \"As home.\"\nextends = \"home\"\n";
    policy(good);
    shop.run(&["policy", "check", "./ours.toml"]).ends(0);
    for (slip, named) in [
        ("[keping]\ndays = 3\n", "keping"),
        ("[keeping]\ndais = 3\n", "dais"),
        ("[keeping]\ndays = \"three\"\n", "line 5"),
        ("[keeping\n", "4"),
        ("[keeping]\ndays = 3\n", "[keeping]"),
        (
            "[waive]\nvolume-lockd = \"owner\"\nwhy = \"ours\"\n",
            "line 5, column 1",
        ),
    ] {
        policy(&format!("{good}{slip}"));
        let said = shop.run(&["policy", "check", "./ours.toml"]);
        assert!(
            matches!(said.code, Some(1 | 2)),
            "{slip}: {}{}",
            said.out,
            said.err
        );
        let text = format!("{}{}", said.out, said.err);
        assert!(
            text.contains("ours.toml") && text.contains(named),
            "{slip}: {text}"
        );
        // And no job starts on it.
        let mut arguments = vec![
            "open", "--folder", "laptop", "--to", "copies", "--owner", "A",
        ];
        arguments.extend(["--symptom", "none", "--memory", "known-good"]);
        arguments.extend(["--must-have", "none", "--policy", "./ours.toml"]);
        let said = shop.run(&arguments);
        assert!(
            matches!(said.code, Some(1 | 2)),
            "{slip}: {}{}",
            said.out,
            said.err
        );
        assert_eq!(std::fs::read_dir(shop.path("copies")).unwrap().count(), 0);
    }
    let said = shop.run(&["policy", "explain", "no-such-policy"]);
    assert!(matches!(said.code, Some(1 | 2)), "{}{}", said.out, said.err);
}

#[test]
fn what_nobody_may_give_up() {
    let shop = Shop::with_pictures();
    shop.open();
    shop.step(&["plan"]).ends(0);
    let owner = |what: &[&str]| {
        let mut all = vec!["waive"];
        all.extend(what);
        all.extend(["--reason", "never mind", "--decided-by", "owner"]);
        all.extend(["--name", "R. Amsel", "--how", "signed"]);
        shop.step(&all)
    };
    for what in [
        &["--point", "no-such-point"][..],
        &["--point", "not-copied"],
        &["--point", "not-verified"],
        &["--point", "verification-missing"],
        &["--point", "source-changed"],
        &["--point", "ledger-broken"],
        &["--class", "irreplaceable"],
        &["--item", "Pictures/no such.jpg"],
    ] {
        let said = owner(what);
        assert!(
            matches!(said.code, Some(1 | 2)),
            "{what:?}: {:?} {}",
            said.code,
            said.out
        );
        let document = said.json();
        assert!(document["error"]["next"].is_string(), "{document}");
    }
    assert!(
        shop.step(&["release"])
            .ends(3)
            .points()
            .contains(&"not-copied".to_owned())
    );
}

#[test]
fn what_is_asked_too_early_or_of_nobody_says_what_to_do_first() {
    let shop = Shop::with_pictures();
    shop.open();
    let owner = [
        "--decided-by",
        "owner",
        "--name",
        "R. Amsel",
        "--how",
        "signed",
    ];
    let mut line = vec!["waive", "--no-rescue", "--reason", "nothing wanted"];
    line.extend(owner);
    let error = shop.step(&line).ends(1).json()["error"].clone();
    assert!(
        error["next"].as_str().unwrap().contains("holdpoint plan"),
        "{error}"
    );
    shop.step(&["plan"]).ends(0);
    let error = shop.step(&["print", "--language", "xx"]).ends(2).json()["error"].clone();
    assert_eq!(error["on"], "xx");
    assert!(
        error["what"].as_str().unwrap().contains("en, de"),
        "{error}"
    );
    shop.step(&["print", "--language", "de-AT"]).ends(0);
    let lost = shop.path("not-mounted/papers");
    shop.step(&["print", "--out", lost.to_str().unwrap()])
        .ends(1);
    assert!(!shop.path("not-mounted").exists());
    shop.step(&["print", "--out", "papers"]).ends(0);
    assert!(shop.path("papers/receipt.txt").is_file());
}

#[test]
fn a_must_have_that_was_not_found_is_for_the_owner() {
    let shop = Shop::with_pictures();
    std::fs::create_dir(shop.path("laptop/Empty")).unwrap();
    std::os::unix::fs::symlink("/elsewhere/wedding", shop.path("laptop/Wedding")).unwrap();
    let mut arguments = vec![
        "open",
        "--folder",
        "laptop",
        "--job",
        "copies/job",
        "--to",
        "copies",
    ];
    arguments.extend(["--policy", "practice", "--owner", "A", "--technician", "B"]);
    arguments.extend(["--symptom", "none", "--memory", "known-good"]);
    arguments.extend([
        "--must-have",
        "the wedding",
        "--must-have",
        "the will",
        "--json",
    ]);
    shop.run(&arguments).ends(0);
    for step in ["plan", "copy", "verify"] {
        shop.step(&[step]).ends(0);
    }
    shop.waive_health();
    assert_eq!(
        shop.step(&["release"]).ends(3).points(),
        ["must-have-open"; 2]
    );
    shop.step(&["waive", "--must-have", "1", "--found", "Pictures"])
        .ends(0);
    assert_eq!(shop.step(&["release"]).ends(3).points(), ["must-have-open"]);
    // Where no file is, nothing was found.
    for nothing in ["Empty", "Wedding"] {
        let said = shop.step(&["waive", "--must-have", "2", "--found", nothing]);
        assert!(said.ends(1).out.contains("no file is there"), "{nothing}");
    }
    let said = shop.step(&["waive", "--must-have", "2", "--found", "Documents/will.odt"]);
    assert_ne!(
        said.code,
        Some(0),
        "nothing of that name is there: {}",
        said.out
    );
    let mut answer = vec![
        "waive",
        "--must-have",
        "2",
        "--not-here",
        "--reason",
        "at the notary",
    ];
    answer.extend(["--decided-by", "owner", "--name", "A", "--how", "phone"]);
    shop.step(&answer).ends(0);
    shop.step(&["release"]).ends(0);
}

#[test]
fn a_waiver_lapses_with_its_set_and_is_made_anew() {
    let shop = Shop::with_pictures();
    shop.put("laptop/closed.jpg", noise(77, 7000));
    shop.open();
    shop.step(&["plan"]).ends(0);
    let give_up = |shop: &Shop| {
        let mut all = vec!["waive", "--item", "closed.jpg", "--reason", "a blurred one"];
        all.extend([
            "--decided-by",
            "owner",
            "--name",
            "R. Amsel",
            "--how",
            "signed",
        ]);
        shop.step(&all)
    };
    give_up(&shop).ends(0);
    for step in ["copy", "verify"] {
        shop.step(&[step]).ends(0);
    }
    shop.waive_health();
    shop.step(&["release"]).ends(0);
    assert!(!shop.path("copies/job/bag/data/folder/closed.jpg").exists());
    // The item is another one now: the old yes does not cover it.
    shop.put("laptop/closed.jpg", noise(78, 7777));
    shop.step(&["plan"]).ends(0);
    shop.step(&["verify"]).ends(0);
    assert_eq!(shop.step(&["release"]).ends(3).points(), ["waiver-lapsed"]);
    // Made anew, it covers what is there now.
    give_up(&shop).ends(0);
    shop.step(&["release"]).ends(0);
}

#[test]
fn guard_refuses_where_no_drive_was_released() {
    let shop = Shop::with_pictures();
    shop.saved();
    shop.waive_health();
    shop.step(&["release"]).ends(0);
    let proof = shop.path("ran");
    let touch = format!("touch {} # {{drive}}", proof.display());
    for extra in [&["--dry-run"][..], &[]] {
        let mut arguments = vec!["guard", "copies/job"];
        arguments.extend(extra);
        arguments.extend(["--json", "--", "sh", "-c", &touch]);
        let said = shop.run(&arguments);
        assert!(
            matches!(said.code, Some(1..=3)),
            "{:?} {}{}",
            said.code,
            said.out,
            said.err
        );
    }
    assert!(!proof.exists(), "the command ran");
}

#[test]
fn opening_again_only_answers_and_adds() {
    let shop = Shop::with_pictures();
    shop.saved();
    shop.waive_health();
    std::fs::create_dir(shop.path("other")).unwrap();
    let again = |folder: &str, to: &str| {
        let mut arguments = vec![
            "open",
            "--folder",
            folder,
            "--job",
            "copies/job",
            "--to",
            to,
        ];
        arguments.extend(["--policy", "practice", "--technician", "B. Holm"]);
        arguments.extend(["--must-have", "the will", "--json"]);
        shop.run(&arguments)
    };
    // What the job does not have would silently not be on hold.
    let said = again("other", "copies").ends(2).json();
    assert_eq!(said["error"]["on"], "other", "{said}");
    again("laptop", "copies").ends(0);
    // Everything that was saved is still saved; the new question is open.
    assert_eq!(shop.step(&["release"]).ends(3).points(), ["must-have-open"]);
    // The job is enough: it knows its source and its destinations.
    let job = ["open", "--job", "copies/job", "--json"];
    shop.run(&job).ends(2);
    let with = |more: &[&str]| shop.run(&[&job[..], more].concat());
    with(&["--owner", "R. Amsel"]).ends(0);

    // A destination that it did not have: its copies are missing until they are made and read back.
    let added = with(&["--to", "other"]).ends(0);
    let places = added.json()["result"]["destinations"].clone();
    assert_eq!(places.as_array().unwrap().len(), 2, "{places}");
    assert!(added.points().contains(&"verification-missing".to_owned()));
    let next = || shop.step(&["show"]).json()["result"]["next"].clone();
    shop.step(&["assess"]).ends(0);
    shop.waive_health();
    assert!(next().as_str().unwrap().starts_with("holdpoint copy "));
    for step in ["copy", "verify"] {
        shop.step(&[step]).ends(0);
    }
    let found = |top: &str| -> Vec<_> {
        let all = listing(&shop.path(top).join("job/bag/data"));
        all.into_iter()
            .map(|(path, entry)| (path, entry.content))
            .collect()
    };
    assert_eq!(found("copies"), found("other"));
    assert!(!found("other").is_empty());
    // Named once more it is no other one, and a place inside the source is none at all.
    with(&["--to", "other"]).ends(2);
    std::fs::create_dir(shop.path("laptop/inside")).unwrap();
    with(&["--to", "laptop/inside"]).ends(2);
    std::fs::remove_dir(shop.path("laptop/inside")).unwrap();
    let answered = [
        "--must-have",
        "1",
        "--not-here",
        "--reason",
        "it is at home",
    ];
    shop.step(&[&["waive"][..], &answered].concat()).ends(0);
    shop.step(&["release"]).ends(0);
    // Released, it takes no other: its release would not hold.
    std::fs::create_dir(shop.path("third")).unwrap();
    with(&["--to", "third"]).ends(1);
    shop.step(&["recheck"]).ends(0);
    assert!(!shop.path("third/job").exists());
}

#[test]
fn what_cannot_be_is_refused_before_anything_is_made() {
    let shop = Shop::with_pictures();
    shop.put("empty.img", "");
    std::fs::create_dir(shop.path("other")).unwrap();
    let open = |source: [&str; 2], more: &[&str]| {
        let line = [
            "open",
            source[0],
            source[1],
            "--job",
            "copies/job",
            "--to",
            "copies",
            "--to",
            "other",
            "--json",
        ];
        shop.run(&[&line[..], more].concat())
    };
    let said = open(["--drive", "empty.img"], &[]).ends(1);
    assert!(said.out.contains("an empty file"), "{}", said.out);
    let said = open(["--folder", "nosuch"], &[]).ends(1);
    assert!(
        said.out.contains("not there") && !said.out.contains("os error"),
        "{}",
        said.out
    );
    assert!(
        said.json()["job"].as_str().unwrap().starts_with('/'),
        "{}",
        said.out
    );
    // One destination has a job's copy already: what was made at the first one is taken back, and the same command works.
    shop.put("other/job/destination.json", "{}");
    open(["--folder", "laptop"], &[]).ends(1);
    std::fs::remove_dir_all(shop.path("other/job")).unwrap();
    open(["--folder", "laptop"], &["--policy", "practice"]).ends(0);

    // A reason is asked of every number that somebody changed; what is wrong is said of the file.
    let check = |text: &str| {
        shop.put("shop.toml", text);
        shop.run(&["policy", "check", "shop.toml", "--json"])
    };
    let head = "name = \"shop\"\nsays = \"s\"\nextends = \"home\"\n[keeping]\ndays = 3\n";
    for text in [head, "name = 3"] {
        let said = check(text).ends(1).json();
        assert_eq!(said["error"]["on"], "shop.toml", "{said}");
    }
    check(&format!("{head}why = \"agreed\"\n")).ends(0);

    // A folder is no volume of a drive, and a file is no job.
    let owner = [
        "--reason",
        "r",
        "--decided-by",
        "owner",
        "--how",
        "signed",
        "--name",
        "N",
    ];
    let said = shop
        .step(&[&["waive", "--volume", "folder:1"][..], &owner].concat())
        .ends(1);
    assert!(said.out.contains("--no-rescue"), "{}", said.out);
    let said = shop.run(&["show", "shop.toml"]).ends(1);
    assert!(said.err.contains("found a file"), "{}", said.err);
    let said = shop.step(&["inspect", "--fault-since", "2026-11-25T09:30:00"]);
    assert_eq!(said.code, Some(2), "no zone: {}", said.out);
    let said = shop.run(&["copy", "-1"]).ends(2);
    assert!(said.err.contains("found; tip:"), "{}", said.err);
}

#[test]
fn a_destination_inside_the_folder_on_hold_is_refused() {
    let shop = Shop::with_pictures();
    std::fs::create_dir(shop.path("laptop/inside")).unwrap();
    let mut arguments = vec!["open", "--folder", "laptop", "--to", "laptop/inside"];
    arguments.extend(["--policy", "practice", "--owner", "A", "--technician", "B"]);
    arguments.extend([
        "--symptom",
        "none",
        "--memory",
        "known-good",
        "--must-have",
        "none",
    ]);
    let said = shop.run(&arguments);
    assert!(
        matches!(said.code, Some(1 | 2)),
        "{:?} {}",
        said.code,
        said.out
    );
    assert_eq!(
        std::fs::read_dir(shop.path("laptop/inside"))
            .unwrap()
            .count(),
        0
    );
}

#[test]
fn a_clock_that_went_back_years_releases_nothing() {
    use holdpoint::step::request::ReleaseRequest;
    let scratch = Scratch::new();
    scratch.write("source/one.jpg", noise(1, 3000));
    let job = scratch.saved();
    // An empty battery on the board: the clock says 2015, before the job was opened.
    scratch.bench.pass_days(-4000);
    let request = ReleaseRequest {
        job: scratch.path("one/job"),
        key: None,
        valid_hours: None,
        second_look: None,
    };
    let outcome = holdpoint::step::release::release(&job, &request, None, &mut |_| {}).unwrap();
    let ids: Vec<_> = outcome
        .open_points
        .iter()
        .map(|point| point.id.to_string())
        .collect();
    assert!(ids.iter().any(|id| id == "clock-wrong"), "{ids:?}");
    assert!(!scratch.path("one/job/release/certificate.json").exists());
}

#[test]
fn that_nothing_is_wanted_covers_nothing_that_came_later() {
    let shop = Shop::with_pictures();
    shop.open();
    shop.step(&["plan"]).ends(0);
    shop.owner(&["--no-rescue"]).ends(0);
    shop.waive_health();
    shop.put("laptop/Pictures/new.jpg", noise(9, 4000));
    shop.step(&["plan"]).ends(0);
    let held = shop.step(&["release"]).ends(3).points();
    assert!(held.contains(&"not-copied".to_owned()), "{held:?}");
}

#[test]
fn what_is_saved_cannot_be_given_up_and_goes_back() {
    let shop = Shop::with_pictures();
    shop.saved();
    let give_up = ["--item", "Pictures"];
    shop.owner(&give_up).ends(1);
    // One more comes: only that one can be given up, and the rest goes back.
    shop.put("laptop/Pictures/late.jpg", noise(10, 5000));
    shop.step(&["plan"]).ends(0);
    shop.owner(&give_up).ends(0);
    shop.waive_health();
    shop.step(&["verify"]).ends(0);
    shop.step(&["release"]).ends(0);
    shop.step(&["put-back", "--to", "fresh"]).ends(0);
    for number in 0..5 {
        let back = std::fs::read(shop.path(&format!("fresh/Pictures/{number}.jpg"))).unwrap();
        assert!(back == noise(number, 4000), "{number}");
    }
    assert!(!shop.path("fresh/Pictures/late.jpg").exists());
}

#[test]
fn what_was_given_up_and_changed_is_saved_after_all() {
    let shop = Shop::with_pictures();
    shop.put("laptop/closed.jpg", noise(77, 7000));
    shop.open();
    shop.step(&["plan"]).ends(0);
    shop.owner(&["--item", "closed.jpg"]).ends(0);
    shop.put("laptop/closed.jpg", noise(78, 7777));
    for step in ["plan", "copy", "verify"] {
        shop.step(&[step]).ends(0);
    }
    shop.waive_health();
    shop.step(&["release"]).ends(0);
    let copy = std::fs::read(shop.path("copies/job/bag/data/folder/closed.jpg")).unwrap();
    assert!(copy == noise(78, 7777));
}

#[test]
fn a_file_rewritten_under_its_old_time_is_another_one() {
    let shop = Shop::with_pictures();
    shop.saved();
    shop.waive_health();
    let path = shop.path("laptop/Pictures/3.jpg");
    let old = std::fs::metadata(&path).unwrap().modified().unwrap();
    let file = std::fs::OpenOptions::new().write(true).open(&path).unwrap();
    std::os::unix::fs::FileExt::write_all_at(&file, b"other", 100).unwrap();
    file.set_modified(old).unwrap();
    drop(file);
    assert_eq!(shop.step(&["release"]).ends(3).points(), ["source-changed"]);
    for step in ["plan", "copy", "verify"] {
        shop.step(&[step]).ends(0);
    }
    shop.step(&["release"]).ends(0);
    let copy = std::fs::read(shop.path("copies/job/bag/data/folder/Pictures/3.jpg")).unwrap();
    assert!(copy == std::fs::read(&path).unwrap());
}

#[test]
fn the_record_of_a_job_does_not_lie_in_the_folder_on_hold() {
    let shop = Shop::with_pictures();
    std::fs::create_dir(shop.path("laptop/sub")).unwrap();
    for job in ["laptop", "laptop/job", "laptop/sub/../job", "laptop/sub"] {
        let open = ["open", "--folder", "laptop", "--to", "copies", "--job", job];
        shop.run(&open).ends(2);
    }
    assert_eq!(std::fs::read_dir(shop.path("laptop")).unwrap().count(), 2);
}

#[test]
fn asked_again_and_refused_the_earlier_release_is_void() {
    let shop = Shop::with_pictures();
    shop.saved();
    shop.waive_health();
    shop.step(&["release"]).ends(0);
    shop.step(&["recheck"]).ends(0);
    let (bag, away) = (shop.path("copies/job/bag"), shop.path("away"));
    std::fs::rename(&bag, &away).unwrap();
    shop.step(&["release"]).ends(3);
    std::fs::rename(&away, &bag).unwrap();
    shop.step(&["recheck"]).ends(3);
    assert_eq!(shop.step(&["show"]).json()["result"]["state"], "hold");
    shop.step(&["release"]).ends(0);
    shop.step(&["recheck"]).ends(0);
}

#[test]
fn a_practice_job_is_never_shown_as_released() {
    let shop = Shop::with_pictures();
    shop.saved();
    shop.waive_health();
    shop.run(&["release", "copies/job"]).ends(0);
    for words in [
        &["show", "copies/job"][..],
        &["recheck", "copies/job"],
        &["show"],
    ] {
        let said = shop.run(words).ends(0);
        assert!(
            said.out.contains("PRACTICE: releases nothing"),
            "{}",
            said.out
        );
        assert!(!said.out.contains("RELEASED"), "{}", said.out);
    }
}

#[test]
fn what_stays_as_a_job_was_opened_is_refused_and_an_empty_name_is_none() {
    let shop = Shop::with_pictures();
    let mut open = vec!["open", "--folder", "laptop", "--job", "copies/job"];
    open.extend(["--to", "copies", "--policy", "practice", "--owner", " "]);
    let opened = shop.run(&[&open[..], &["--json"]].concat()).ends(0);
    assert!(opened.points().contains(&"questions-open".to_owned()));
    let again = |what: &[&str]| {
        let said = shop.run(&[&["open", "--job", "copies/job", "--json"], what].concat());
        let said = said.ends(2).json();
        said["error"]["what"].as_str().unwrap().to_owned()
    };
    for option in ["--policy", "--replies"] {
        let what = again(&[option, "business", "--owner", "Q"]);
        assert!(
            what.starts_with(option) && what.contains("--must-have"),
            "{what}"
        );
    }
    assert!(again(&["--owner", ""]).contains("neither an answer"));
    let owned = ["open", "--job", "copies/job", "--owner", "Q", "--json"];
    shop.run(&[&owned[..], &["--policy", "practice"]].concat())
        .ends(0);
}

#[test]
fn a_refusal_because_of_the_hold_carries_the_open_points() {
    let shop = Shop::with_pictures();
    let mut open = vec!["open", "--folder", "laptop", "--job", "copies/job"];
    open.extend(["--to", "copies", "--policy", "practice", "--owner", "Q"]);
    open.extend(["--symptom", "clicking", "--memory", "known-good", "--json"]);
    shop.run(&open).ends(0);
    let refused = shop.step(&["plan"]).ends(3);
    assert!(refused.json()["error"]["what"].is_string());
    assert!(refused.points().contains(&"refer-undecided".to_owned()));
    // Hours are an object even where nothing is known of them.
    let assessed = shop.step(&["assess", "--no-sampling"]).json();
    let hours = &assessed["result"]["drives"][0]["forecast"]["hours"];
    assert!(
        hours.get("mid").is_some_and(serde_json::Value::is_null),
        "{assessed}"
    );
}
