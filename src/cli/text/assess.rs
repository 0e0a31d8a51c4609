//! `assess`: the forecast as range, route and reason; the working on request.

use super::{caution, next, points, typed};
use crate::cli::page::Page;
use crate::cli::phrase::{capital, chance, chance_mid, hours, when};
use crate::drive::signal::{Signal, SignalId, Weight};
use crate::judge::forecast::NO_PLAN;
use crate::step::outcome::{Assessed, DriveAssessed, Outcome, Route};
use crate::value::measure::count_in_words;

/// What the text depends on besides the result.
#[derive(Debug, Clone, Copy)]
pub struct Asked {
    /// `--explain` was given.
    pub explain: bool,
    /// The read speed may be sampled.
    pub sampling: bool,
}

/// The page.
pub fn page(page: &mut Page, asked: Asked, outcome: &Outcome<Assessed>) {
    let mut refer = false;
    for drive in &outcome.result.drives {
        one(page, asked, drive);
        refer |= drive.forecast.route == Route::Refer;
    }
    if outcome.result.drives.is_empty() {
        page.warn("No drive belongs to this job, so nothing is known about the health of what holds the folder.");
    }
    if refer {
        caution::refer(page);
    }
    points::open_points(page, outcome.job.as_deref(), &outcome.open_points);
    let job = typed(outcome.job.as_deref());
    let mut lines = Vec::new();
    if !asked.explain && !outcome.result.drives.is_empty() {
        lines.push((
            "How the forecast came about:",
            format!("holdpoint assess {job} --explain"),
        ));
    }
    next(page, outcome, &lines);
}

fn one(page: &mut Page, asked: Asked, drive: &DriveAssessed) {
    let forecast = &drive.forecast;
    page.head(&match &drive.serial {
        Some(serial) => format!("Drive with serial {serial}"),
        None => "Drive, serial not known".to_owned(),
    });
    // What stands in the way of everything else comes before the route.
    let lock = drive
        .reading
        .signals
        .iter()
        .find(|signal| signal.id == SignalId::DataLocked);
    if let Some(lock) = lock {
        page.warn(&format!("{}.", capital(&lock.says)));
    }
    if !drive.reading.readable {
        let why = drive.reading.why_not.as_deref();
        let why = why.unwrap_or("no reason was given");
        let earlier =
            drive.reading.signals.iter().any(|signal| {
                !matches!(signal.id, SignalId::HealthUnread | SignalId::ReadsSlowing)
            });
        page.warn(&if earlier {
            format!(
                "Its health could not be read now: {why}. That takes nothing back: what an earlier reading told stands below."
            )
        } else {
            format!("Its health could not be read: {why}. That is no good news: nothing is known.")
        });
    }
    let route = match forecast.route {
        Route::Ordinary => "ordinary. Everything at full speed.",
        Route::Gentle => "gentle. One reader, the most precious first, pauses on heat.",
        Route::Salvage => {
            "salvage. One reader, the most precious first, pauses on heat; what does not read is listed, gap by gap."
        }
        Route::Refer => {
            "refer. Stop: a specialist laboratory comes first, unless the owner decides otherwise."
        }
    };
    let route = match lock {
        Some(_) => format!("Route once it is unlocked: {route}"),
        None => format!("Route: {route}"),
    };
    match forecast.route {
        Route::Refer => page.warn(&route),
        Route::Ordinary | Route::Gentle | Route::Salvage => page.say(&route),
    }
    // The reasons stand first in the working, the heaviest at its head; the lock has been told.
    let reason = forecast
        .working
        .iter()
        .filter(|line| line.factor == "route")
        .find(|line| lock.is_none_or(|lock| lock.says != line.value));
    if let Some(reason) = reason {
        page.say(&format!("Why: {}.", reason.value));
    }
    let lost = &forecast.drive_lost;
    let (range, mid) = (chance(lost.low.get(), lost.high.get()), chance_mid(lost));
    page.say(&if range == mid {
        format!("Losing the drive while copying: {range}.")
    } else {
        format!("Losing the drive while copying: {range}, most likely {mid}.")
    });
    let hit = &forecast.files_hit;
    page.say(&format!(
        "Losing parts of at least one file: {}; {}.",
        chance(hit.low.get(), hit.high.get()),
        match hit.expected {
            Some(n) if (0.5..1.5).contains(&n.get()) => "about one file to expect".to_owned(),
            Some(n) if n.get() >= 1.5 => format!(
                "about {} files to expect",
                count_in_words(n.get().round() as u64)
            ),
            Some(_) => "less than one file to expect".to_owned(),
            None => "how many to expect is known after the plan".to_owned(),
        }
    ));
    page.say(&match forecast.hours.ends() {
        Some(range) if forecast.working.iter().any(|line| line.factor == NO_PLAN) => format!(
            "Copying takes {} if all of the drive is read; once the plan is made, assess counts only what it copies.",
            hours(range)
        ),
        Some(range) => format!("Copying takes {}.", hours(range)),
        None if asked.sampling => {
            "How long copying takes is not known: the read speed could not be sampled.".to_owned()
        }
        None => "How long copying takes is not known: the read speed was not sampled.".to_owned(),
    });

    // The lock and the lack of any reading have been told above.
    let told = |signal: &&Signal| {
        signal.id == SignalId::DataLocked
            || (signal.id == SignalId::HealthUnread && !drive.reading.readable)
    };
    let mut telling: Vec<&Signal> = drive.reading.signals.iter().filter(|s| !told(s)).collect();
    telling.sort_by_key(|signal| std::cmp::Reverse(signal.weight));
    let (for_the_record, telling): (Vec<&Signal>, Vec<&Signal>) = telling
        .into_iter()
        .partition(|signal| signal.weight == Weight::ForTheRecord);
    let heading = !telling.is_empty();
    if heading {
        page.say("Signals:");
    }
    for signal in telling {
        let text = sentence(page, asked, signal);
        match signal.weight {
            Weight::Decides => page.item_warn(&format!("{text} (decides)")),
            Weight::Weighs | Weight::ForTheRecord => page.item(&text),
        }
    }
    if asked.explain {
        if !heading && !for_the_record.is_empty() {
            page.say("Signals:");
        }
        for signal in for_the_record {
            let text = sentence(page, asked, signal);
            page.item(&format!("{text} (for the record)"));
        }
        if !forecast.working.is_empty() {
            page.say("Working:");
        }
        for line in &forecast.working {
            // A remark has nothing to compute: its text is not said twice.
            if line.factor == line.value {
                page.item(&format!("{} [{}]", line.value, line.source));
            } else {
                page.item(&format!(
                    "{}: {} [{}]",
                    line.factor, line.value, line.source
                ));
            }
        }
    } else if !for_the_record.is_empty() {
        let says: Vec<&str> = for_the_record
            .iter()
            .map(|signal| signal.says.trim_end_matches('.'))
            .collect();
        page.say(&format!("For the record: {}.", says.join("; ")));
    }
    let taken = when(drive.reading.taken, page.look());
    page.say(&format!("Read {taken}."));
}

fn sentence(page: &Page, asked: Asked, signal: &Signal) -> String {
    let mut text = capital(&signal.says);
    // What stands still is no news.
    if let Some(before) = signal.before.filter(|before| signal.value != Some(*before)) {
        text.push_str(&format!("; was {before}"));
        if let Some(at) = signal.before_at {
            text.push_str(&format!(" on {}", when(at, page.look())));
        }
    }
    if asked.explain {
        text.push_str(&format!(" [{}]", signal.source));
    }
    text
}
