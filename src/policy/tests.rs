//! Policies as read, overridden and refused.

use super::*;

fn fault(text: &str) -> String {
    Policy::parse("shop.toml", text).unwrap_err().to_string()
}

fn based(rest: &str) -> String {
    format!("name = \"shop\"\nextends = \"home\"\n{rest}")
}

#[test]
fn the_shipped_policies_are_complete_and_differ() {
    let all: Vec<Policy> = Policy::names()
        .map(|name| Policy::builtin(name).unwrap())
        .collect();
    assert_eq!(
        all.iter().map(|p| p.name.as_str()).collect::<Vec<_>>(),
        ["home", "business", "practice"]
    );
    assert!(
        all.iter()
            .all(|p| p.rules == all[0].rules && !p.rules.is_empty())
    );
    assert!(all[0].hash() != all[1].hash() && all[1].hash() != all[2].hash());
}

/// The defaults that were agreed.
#[test]
fn home_holds_the_agreed_numbers() {
    let p = Policy::builtin("home").unwrap();
    assert_eq!(
        (
            p.health.before_copy_minutes.get(),
            p.health.during_copy_minutes.get(),
            p.health.at_release_minutes.get()
        ),
        (30, 5, 60)
    );
    assert_eq!(p.verification.longest_hours.get(), 24);
    assert_eq!(
        (
            p.certificate.valid_hours.get(),
            p.certificate.longest_hours.get()
        ),
        (4, 24)
    );
    assert_eq!(Class::ALL.map(|class| p.copies_wanted(class)), [2, 2, 1, 0]);
    assert_eq!(p.copies.single_copy, Who::Owner);
    assert_eq!(p.who_waives("health-unread"), Who::Technician);
    for id in [
        "damaged-items",
        "volume-locked",
        "placeholders",
        "efs-keys",
        "volume-unrecognised",
    ] {
        assert_eq!(p.who_waives(id), Who::Owner, "{id}");
    }
    for id in [
        "identity-unknown",
        "source-changed",
        "ledger-broken",
        "copy-on-same-drive",
        "no-such-point",
    ] {
        assert_eq!(p.who_waives(id), Who::Nobody, "{id}");
    }
    for step in [
        Step::VolumeWaiver,
        Step::ReferOverride,
        Step::IrreplaceableWaiver,
        Step::Release,
    ] {
        assert!(p.second_look.needed_for.0.contains(&step));
    }
    assert_eq!(
        (
            p.second_look.pause_minutes.get(),
            p.second_look.serial_characters.get()
        ),
        (10, 4)
    );
    assert_eq!(
        (
            p.heat.disk_pause_celsius.get(),
            p.heat.below_warning_celsius.get()
        ),
        (55, 5)
    );
    assert_eq!(
        (
            p.vanishing.reseat_times.get(),
            p.vanishing.refer_at_times.get()
        ),
        (1, 2)
    );
    assert_eq!(p.keeping.days.get(), 14);
    assert_eq!(
        (
            p.survey.gap_unread_mib.get(),
            p.survey.gap_content_mib.get()
        ),
        (16, 1)
    );
    assert!(!p.practice);
}

#[test]
fn business_never_rests_on_one_copy_and_practice_says_so() {
    let business = Policy::builtin("business").unwrap();
    assert_eq!(business.copies.single_copy, Who::Nobody);
    assert_eq!(business.who_waives("single-copy"), Who::Nobody);
    assert_eq!(business.extends, ["home"]);
    let practice = Policy::builtin("practice").unwrap();
    assert!(practice.practice && practice.second_look.needed_for.0.is_empty());
    assert!(practice.explain().iter().any(|line| line == PRACTICE_SAYS));
}

#[test]
fn a_shops_own_policy_names_points_that_exist_and_gives_its_reasons() {
    let points = ["volume-locked", "single-copy", "ledger-broken"];
    let open = |text: &str| Policy::of_a_shop("shop.toml", text, &points);
    let good = based("[waive]\nvolume-locked = \"nobody\"\nwhy = \"ours\"\n");
    assert_eq!(
        open(&good).unwrap().who_waives("volume-locked"),
        Who::Nobody
    );
    let said = |text: &str| open(text).unwrap_err().to_string();
    let typo = said(&good.replace("locked", "lockd"));
    assert!(
        typo.starts_with(
            "read policy shop.toml, line 4, column 1: there is no open point 'volume-lockd'"
        ),
        "{typo}"
    );
    assert!(typo.ends_with("allowed are why, volume-locked, single-copy"));
    let bare = said(&good.replace("why = \"ours\"\n", ""));
    assert!(
        bare.contains("no why says where they come from: [waive]"),
        "{bare}"
    );
    for name in Policy::names() {
        let text = good.replace("\"shop\"", &format!("{name:?}"));
        assert!(said(&text).contains("name of a shipped policy"), "{name}");
        // A job that was opened with such a file is opened again.
        assert!(Policy::parse("shop.toml", &text).is_ok());
    }
}

#[test]
fn a_fault_names_file_line_column_and_what_is_allowed() {
    let text = fault(&based("[health]\nbefor-copy-minutes = 30\n"));
    assert!(
        text.starts_with("read policy shop.toml, line 4, column 1: "),
        "{text}"
    );
    assert!(
        text.contains("unknown field `befor-copy-minutes`, expected one of `before-copy-minutes`"),
        "{text}"
    );

    let text = fault(&based("[certificate]\nvalid-hours = 48\n"));
    assert!(
        text.starts_with("read policy shop.toml, line 4, column 15: "),
        "{text}"
    );
    assert!(
        text.contains("found 48, expected a whole number from 1 to 24"),
        "{text}"
    );

    let text = fault(&based("[waive]\nplaceholders = \"customer\"\n"));
    assert!(
        text.contains("line 4, column 16") && text.contains("`owner`, `technician`, `nobody`"),
        "{text}"
    );

    let text = fault(&based("[waive]\nidentity-unknown = \"owner\"\n"));
    assert!(
        text.contains("line 4, column 20") && text.contains("can be waived by nobody"),
        "{text}"
    );

    let text = fault(&based("[waive]\n\"Not An Id\" = \"owner\"\n"));
    assert!(
        text.contains("line 4, column 1:") && text.contains("lower-case letters"),
        "{text}"
    );

    let text = fault("name = \"shop\"\nextends = \"hom\"\n");
    assert!(
        text.contains("line 2, column 11") && text.contains("home, business, practice"),
        "{text}"
    );

    let text = fault("name = \"a\"\nname = \"b\"\n");
    assert!(
        text.contains("line 2, column 1") && text.contains("duplicate key"),
        "{text}"
    );

    let text = fault("name = \"shop\"\n");
    assert!(
        text.contains("[health] before-copy-minutes is missing") && text.contains("extends"),
        "{text}"
    );

    let text = fault("extends = \"home\"\n");
    assert!(text.contains("name is missing"), "{text}");

    let text = Policy::builtin("hom").unwrap_err().to_string();
    assert!(text.contains("home, business, practice"), "{text}");
}

#[test]
fn contradictions_are_refused() {
    for (rest, says) in [
        (
            "[certificate]\nvalid-hours = 6\nlongest-hours = 4\n",
            "more than longest-hours",
        ),
        (
            "[vanishing]\nreseat-times = 2\n",
            "less than refer-at-times",
        ),
        ("[routes]\nslow-share = nan\n", "share from 0.0 to 1.0"),
        ("[routes]\ngentle-mid = 0.9\n", "not be above refer-mid"),
        ("[value]\nrebuildable = 5000.0\n", "must not rise"),
    ] {
        let text = fault(&based(rest));
        assert!(text.contains(says), "{text}");
    }
}

#[test]
fn a_rule_that_would_leave_out_by_a_mere_name_is_refused() {
    for (rule, says) in [
        (
            "at = \"anywhere\"\nleave-out = true\nmatch = [\"Cache/**\"]",
            "give it a place",
        ),
        (
            "at = \"profile\"\nleave-out = true\nmatch = [\"**/Cache/**\"]",
            "begin with a name",
        ),
        ("at = \"profile\"", "needs either match"),
        ("match = [\"x\"]", "needs at ="),
        ("at = \"profile\"\nmatch = [\"a//b\"]", "empty parts"),
        ("at = \"profile\"\nmatch = [\"a**\"]", "stands alone"),
        (
            "at = \"profile\"\nmatch = [\"a\\\\\\\\b\"]",
            "joined by '/'",
        ),
        (
            "at = \"profile\"\nmatch = [\"x\"]\nany-type = true",
            "leave-out = true",
        ),
        (
            "at = \"profile\"\nmatch = [\"x\"]\nonly-types = [\"exe\"]",
            "leave-out = true",
        ),
        (
            "at = \"profile\"\nleave-out = true\nmatch = [\"x\"]\nkey-bound = true",
            "needs no key",
        ),
        (
            "at = \"profile\"\nleave-out = true\nmatch = [\"x\"]\nonly-types = [\".EXE\"]",
            "without its dot",
        ),
        (
            "at = \"profile\"\nleave-out = true\nany-type = true\nmatch = [\"x\"]\nonly-types = [\"exe\"]",
            "exclude each other",
        ),
    ] {
        let text = fault(&based(&format!(
            "[[rule]]\nid = \"mine\"\nclass = \"rebuildable\"\nwhy = \"w\"\n{rule}\n"
        )));
        assert!(
            text.contains("line 3, column 1") && text.contains(says),
            "{text}"
        );
    }
    let text = fault(&based(
        "[[rule]]\nid = \"unknown\"\nclass = \"replaceable\"\nwhy = \"w\"\nat = \"volume\"\nmatch = [\"x\"]\n",
    ));
    assert!(text.contains("the program's own"), "{text}");
    let text = fault(&based(
        "[[rule]]\nid = \"mine\"\nclass = \"irreplaceable\"\nleave-out = true\nwhy = \"w\"\nat = \"volume\"\nmatch = [\"x\"]\n",
    ));
    assert!(text.contains("only rebuildable"), "{text}");
}

#[test]
fn own_rules_come_first_and_replace_their_namesakes() {
    let rule = "[[rule]]\nid = \"downloads\"\nclass = \"replaceable\"\nwhy = \"agreed\"\nat = \"profile\"\nmatch = [\"Downloads/**\"]\n";
    let p = Policy::parse("shop.toml", &based(rule)).unwrap();
    assert_eq!(p.rules[0].id, "downloads");
    assert_eq!(p.rules.iter().filter(|r| r.id == "downloads").count(), 1);
    assert_eq!(p.rules.len(), Policy::builtin("home").unwrap().rules.len());
}

#[test]
fn a_changed_number_does_not_keep_the_old_reason() {
    let p = Policy::parse("shop.toml", &based("[keeping]\ndays = 90\n")).unwrap();
    assert_eq!(p.keeping.days.get(), 90);
    assert_eq!(p.keeping.why, table::NO_REASON);
    assert_eq!(p.health.why, Policy::builtin("home").unwrap().health.why);
}

#[test]
fn the_identity_follows_the_content_and_nothing_else() {
    let a = Policy::parse("a.toml", &based("[keeping]\ndays = 14\nwhy = \"w\"\n")).unwrap();
    let b = Policy::parse(
        "b.toml",
        "extends='home'\n  # moved about\nname='shop'\n[keeping]\nwhy='w'\ndays=14",
    )
    .unwrap();
    let c = Policy::parse("a.toml", &based("[keeping]\ndays = 15\nwhy = \"w\"\n")).unwrap();
    assert_eq!(a.hash(), b.hash());
    assert_ne!(a.hash(), c.hash());
}

#[test]
fn every_number_and_rule_is_explained() {
    for name in Policy::names() {
        let p = Policy::builtin(name).unwrap();
        for (table, _, why) in p.tables() {
            assert!(
                why.contains("ngineering judgement") || why.contains("ommon practice"),
                "{name} {table}: {why}"
            );
        }
        assert!(p.rules.iter().all(|rule| rule.why.len() > 10));
        let text = p.explain().join("\n");
        assert!(
            text.contains("before-copy-minutes: 30") && text.contains("windows-system (left out)")
        );
        // The name and the digest stand beside it, once.
        assert!(!text.contains(&p.hash().to_string()));
    }
}

#[test]
fn who_decides_is_ordered() {
    assert!(Who::Technician.accepts(Who::Owner) && Who::Technician.accepts(Who::Technician));
    assert!(Who::Owner.accepts(Who::Owner) && !Who::Owner.accepts(Who::Technician));
    assert!(!Who::Nobody.accepts(Who::Owner));
}

mod any_text {
    use super::*;
    use proptest::prelude::*;
    proptest! {
        #![proptest_config(ProptestConfig { failure_persistence: None, ..ProptestConfig::default() })]
        #[test]
        fn is_read_or_refused_never_a_panic(text in "(name|extends|\\[health\\]|\\[waive\\]|=|\"home\"|\"\\PC{0,4}\"|\n| |-?[0-9]{1,20}|\\[\\[rule\\]\\]|ä){0,30}") {
            let _ = Policy::parse("any.toml", &text);
        }
    }
}
