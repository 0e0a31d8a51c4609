//! `plan`: whose things are there, what will be copied, and what cannot be accounted for.

use super::{amount, files, items, next, or_unknown, points, some, typed};
use crate::cli::page::Page;
use crate::cli::phrase::{capital, counted, day, listed};
use crate::step::outcome::{
    Amount, GapContent, ListingItem, MustHave, Outcome, PersonSeen, Planned, VolumeSeen,
    VolumeState,
};
use crate::step::request::PlanRequest;
use crate::survey::item::Class;
use crate::value::measure::bytes_in_words;

/// The page.
pub fn page(page: &mut Page, request: &PlanRequest, outcome: &Outcome<Planned>) {
    let plan = &outcome.result;
    let job = typed(outcome.job.as_deref());
    // What has no content here is found, and not copied: the order is what will be.
    let to_copy = plan.order.iter().fold(Amount::default(), |sum, step| {
        Amount::new(sum.items + step.items, sum.bytes + step.bytes)
    });
    page.say(&format!("To copy: {}.", amount(to_copy)));
    page.say("Found:");
    for class in Class::ALL {
        let found = plan.by_class.of(class);
        if found.items > 0 {
            page.item(&format!(
                "{}: {}",
                capital(&class.word().replace('-', " ")),
                amount(found)
            ));
        }
    }
    if plan.gone.items > 0 {
        page.say(&format!(
            "No longer at the source: {}. What was copied of it before is kept, and comes back.",
            amount(plan.gone)
        ));
    }
    if plan.gone_uncopied.items > 0 {
        page.warn(&format!(
            "No longer at the source, and never copied: {}.",
            amount(plan.gone_uncopied)
        ));
    }
    if plan.unaccounted_bytes > 0 {
        page.warn(&format!(
            "{} on the drives belong to nothing that was found.",
            bytes_in_words(plan.unaccounted_bytes)
        ));
    }

    page.head("People");
    if plan.people.is_empty() {
        page.say("No profile was found.");
    }
    for person in &plan.people {
        let text = one_person(page, person);
        page.item(&text);
        traps(page, person);
    }

    if !plan.must_haves.is_empty() {
        page.head("Must-haves");
        for (place, asked) in plan.must_haves.iter().enumerate() {
            must_have(page, &job, place + 1, asked);
        }
    }

    if !plan.volumes.is_empty() {
        page.head("Volumes");
        for volume in &plan.volumes {
            one_volume(page, volume);
        }
    }
    let gaps: Vec<_> = plan
        .gaps
        .iter()
        .filter(|gap| matches!(gap.content, GapContent::Content | GapContent::Unread))
        .collect();
    if !gaps.is_empty() {
        page.head("Gaps between volumes");
        some(page, &gaps, 10, |page, gap| {
            let says = match gap.content {
                GapContent::Unread => "not read",
                _ => "not blank: something lies there",
            };
            page.item(&format!(
                "{} from byte {} of {}: {says}",
                bytes_in_words(gap.bytes),
                gap.start,
                gap.drive
            ));
        });
    }
    if !plan.left_out.is_empty() {
        page.head("Left out by the policy");
        some(page, &plan.left_out, 10, |page, left| {
            page.item(&format!(
                "{}: {} ({})",
                left.rule,
                items(left.items),
                bytes_in_words(left.bytes)
            ));
        });
    }
    if !plan.order.is_empty() {
        page.head("Order of copying");
        let steps: Vec<String> = plan
            .order
            .iter()
            .map(|step| {
                format!(
                    "{} ({})",
                    step.class.word().replace('-', " "),
                    files(step.items)
                )
            })
            .collect();
        page.say(&format!("{}.", capital(&steps.join(", then "))));
    }
    if let Some(listing) = &plan.listing {
        page.head("Every item");
        for item in listing {
            one_item(page, item);
        }
    }
    points::open_points(page, outcome.job.as_deref(), &outcome.open_points);
    let mut lines = Vec::new();
    if !request.list {
        lines.push((
            "Every item with its class and rule:",
            format!("holdpoint plan {job} --list"),
        ));
    }
    next(page, outcome, &lines);
}

fn one_person(page: &Page, person: &PersonSeen) -> String {
    let mut things = Vec::new();
    for (count, one, many) in [
        (person.photos, "photo or film", "photos and films"),
        (person.documents, "document", "documents"),
        (person.mail, "mail store", "mail stores"),
    ] {
        if count > 0 {
            things.push(counted(count, one, many));
        }
    }
    let newest = person.newest.map_or_else(String::new, |moment| {
        format!("; newest thing written {}", day(moment, page.look()))
    });
    format!(
        "{} (on {}): {}{}{}{newest}",
        person.profile,
        person.volume,
        bytes_in_words(person.bytes),
        if things.is_empty() { "" } else { ", " },
        listed(&things),
    )
}

/// What people lose although it looks saved.
fn traps(page: &mut Page, person: &PersonSeen) {
    if person.placeholders > 0 {
        page.under(&format!(
            "{} only as cloud placeholders: their content is not on this drive.",
            files(person.placeholders)
        ));
    }
    if person.efs > 0 {
        page.under(&format!(
            "{} encrypted with this profile's own key: worth nothing without it after the wipe.",
            files(person.efs)
        ));
    }
    for elsewhere in &person.redirected {
        page.under(&format!("Leads elsewhere: {elsewhere}"));
    }
}

fn must_have(page: &mut Page, job: &str, number: usize, asked: &MustHave) {
    if asked.answered {
        page.item(&format!(
            "{number}. {}: {}",
            asked.asked,
            if asked.found.is_empty() {
                "not here, as somebody answered".to_owned()
            } else {
                format!("found at {}", listed(&asked.found))
            }
        ));
    } else {
        page.item_warn(&format!(
            "{number}. {}: nobody has said where it is",
            asked.asked
        ));
        if !page.quiet() {
            page.command(&format!(
                "holdpoint waive {job} --must-have {number} --found PATH"
            ));
            page.under("or, when it is not on what is on hold, --not-here --reason TEXT");
        }
    }
}

fn one_volume(page: &mut Page, volume: &VolumeSeen) {
    let label = volume
        .label
        .as_deref()
        .map(|label| format!(" \"{label}\""))
        .unwrap_or_default();
    let what = format!(
        "{} volume {}{label} ({}, {})",
        volume.drive,
        volume.index,
        volume.kind,
        bytes_in_words(volume.bytes)
    );
    let rule = or_unknown(Some(&volume.rule), "reason");
    match volume.state {
        VolumeState::Surveyed => page.item(&format!("{what}: its items are listed")),
        VolumeState::NoUserData => page.item(&format!("{what}: no user data ({rule})")),
        VolumeState::Waived => page.item(&format!("{what}: given up ({rule})")),
        VolumeState::Locked => page.item_warn(&format!("{what}: locked ({rule})")),
        VolumeState::Unrecognised => page.item_warn(&format!("{what}: unrecognised ({rule})")),
    }
}

fn one_item(page: &mut Page, item: &ListingItem) {
    let stream = item
        .stream
        .as_deref()
        .map(|name| format!(":{name}"))
        .unwrap_or_default();
    let mut text = format!(
        "{}/{}{stream}: {}, {}, {} ({})",
        item.volume,
        item.path,
        bytes_in_words(item.bytes),
        item.class.word().replace('-', " "),
        item.state.word().replace('-', " "),
        item.rule,
    );
    if !item.missing.is_empty() {
        let lost = item
            .missing
            .iter()
            .fold(0u64, |sum, (_, bytes)| sum.saturating_add(*bytes));
        text.push_str(&format!(
            "; {} missing in {}",
            bytes_in_words(lost),
            counted(item.missing.len() as u64, "place", "places")
        ));
    }
    page.item(&text);
}
