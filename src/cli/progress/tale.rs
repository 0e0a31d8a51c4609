//! What has happened so far, told in a sentence per class. Free of clocks and terminals.
//!
//! Invariant: a duration is said only as a range, and only once there is something to
//! compute it from.

use super::FAULTS_TOLD;
use crate::cli::phrase::{capital, counted, span};
use crate::step::event::{ClassAmount, Event, Step};
use crate::survey::item::Class;
use crate::value::measure::{bytes_in_words, count_in_words};
use std::collections::VecDeque;
use std::time::Duration;

/// Nothing is said of the time left before this much of it was seen.
const SEEN_ENOUGH: Duration = Duration::from_secs(3);
/// How far back the recent pace looks.
const RECENT: Duration = Duration::from_secs(60);

/// How far one class is.
#[derive(Debug, Clone, Copy)]
struct Part {
    class: Class,
    items_done: u64,
    items_all: u64,
    bytes_done: u64,
    bytes_all: u64,
    gaps: u64,
}

/// Everything seen so far.
#[derive(Debug, Default)]
pub struct Tale {
    step: Option<Step>,
    parts: Vec<Part>,
    counted: Option<(String, u64, Option<u64>)>,
    precious_safe: bool,
    paused: Option<String>,
    faults: u64,
    /// When, and bytes done in all by then.
    pace: VecDeque<(Duration, u64)>,
    /// The first of them: what an earlier run did is no pace of this one.
    start: Option<(Duration, u64)>,
}

impl Tale {
    /// Takes an event at its time since the start. Returns a line that must be told now.
    pub fn see(&mut self, event: &Event, at: Duration) -> Option<String> {
        match event {
            Event::Started { step } => {
                *self = Self {
                    step: Some(*step),
                    ..Self::default()
                };
                None
            }
            Event::Planned { classes } => {
                for amount in classes {
                    self.planned(*amount);
                }
                None
            }
            Event::Counted { what, done, all } => {
                self.counted = Some((what.clone(), *done, *all));
                None
            }
            Event::Class {
                class,
                items_done,
                items_all,
                bytes_done,
                bytes_all,
                gaps,
            } => {
                let part = Part {
                    class: *class,
                    items_done: *items_done,
                    items_all: *items_all,
                    bytes_done: *bytes_done,
                    bytes_all: *bytes_all,
                    gaps: *gaps,
                };
                match self.parts.iter_mut().find(|known| known.class == *class) {
                    Some(known) => *known = part,
                    None => self.parts.push(part),
                }
                self.keep_pace(at);
                None
            }
            Event::PreciousSafe => {
                self.precious_safe = true;
                Some("Everything irreplaceable is on the medium of its destinations (not yet read back).".to_owned())
            }
            Event::Batch { .. } => None,
            Event::Fault { on, says } => {
                self.faults = self.faults.saturating_add(1);
                if self.faults <= FAULTS_TOLD {
                    Some(format!("{on}: {says}"))
                } else if self.faults == FAULTS_TOLD + 1 {
                    Some("More faults follow; from here on they are only counted.".to_owned())
                } else {
                    None
                }
            }
            Event::Paused { why } => {
                self.paused = Some(why.clone());
                Some(format!("Paused: {why}"))
            }
            Event::Resumed => {
                // A pause is no pace either.
                self.pace.clear();
                self.start = None;
                self.keep_pace(at);
                self.paused.take().map(|_| "Going on.".to_owned())
            }
            Event::Rerouted { route, why } => Some(format!("The route is now {route}: {why}")),
            Event::Warn { says } => Some(capital(says)),
            Event::Finished => (self.faults > FAULTS_TOLD).then(|| {
                let count = counted(self.faults, "fault", "faults");
                format!("{count} in all; the items that they hit are listed with their state by plan --list.")
            }),
        }
    }

    fn planned(&mut self, amount: ClassAmount) {
        if !self.parts.iter().any(|part| part.class == amount.class) {
            self.parts.push(Part {
                class: amount.class,
                items_done: 0,
                items_all: amount.items,
                bytes_done: 0,
                bytes_all: amount.bytes,
                gaps: 0,
            });
        }
    }

    fn keep_pace(&mut self, at: Duration) {
        let done = self
            .parts
            .iter()
            .fold(0u64, |sum, part| sum.saturating_add(part.bytes_done));
        self.start.get_or_insert((at, done));
        self.pace.push_back((at, done));
        while self.pace.len() > 2
            && self
                .pace
                .get(1)
                .is_some_and(|(then, _)| at.saturating_sub(*then) >= RECENT)
        {
            self.pace.pop_front();
        }
        // A fast source may send thousands a second; a range needs no more than these.
        if self.pace.len() > 4096 {
            let mut keep = false;
            self.pace.retain(|_| {
                keep = !keep;
                keep
            });
        }
    }

    /// The sentences as of now.
    pub fn lines(&self) -> Vec<String> {
        let mut lines = Vec::new();
        if let Some((what, done, all)) = &self.counted {
            lines.push(match all {
                Some(all) => format!(
                    "{}: {} of {}",
                    capital(what),
                    count_in_words(*done),
                    count_in_words(*all)
                ),
                None => format!("{}: {} so far", capital(what), count_in_words(*done)),
            });
        }
        let done_word = match self.step {
            Some(Step::Verify) => "read back",
            Some(Step::Inspect) => "looked into",
            Some(Step::PutBack) => "returned",
            Some(Step::Close) => "deleted",
            _ => "copied",
        };
        let mut before = 0u64;
        for part in &self.parts {
            let left = part.bytes_all.saturating_sub(part.bytes_done);
            let mut line = format!(
                "{}: {} of {} {done_word}",
                capital(&part.class.word().replace('-', " ")),
                count_in_words(part.items_done),
                count_in_words(part.items_all)
            );
            if part.gaps > 0 {
                line.push_str(&format!(", {} with gaps", count_in_words(part.gaps)));
            }
            before = before.saturating_add(left);
            if part.items_done < part.items_all {
                match self.time_for(before) {
                    Some((low, high)) => line.push_str(&format!(", {} left", span(low, high))),
                    None => line.push_str(&format!(", {} left", bytes_in_words(left))),
                }
            }
            lines.push(line);
        }
        if let Some(line) = self.outlook() {
            lines.push(line);
        }
        if self.faults > FAULTS_TOLD {
            lines.push(format!(
                "{} so far",
                capital(&counted(self.faults, "fault", "faults"))
            ));
        }
        if let Some(why) = &self.paused {
            lines.push(format!("Paused: {why}"));
        }
        lines
    }

    /// "Precious safe in 20 to 50 min, all done in 2 to 4 h."
    fn outlook(&self) -> Option<String> {
        if self.step != Some(Step::Copy) {
            return None;
        }
        let left = |wanted: &dyn Fn(&Part) -> bool| {
            self.parts
                .iter()
                .filter(|part| wanted(part))
                .fold(0u64, |sum, part| {
                    sum.saturating_add(part.bytes_all.saturating_sub(part.bytes_done))
                })
        };
        let precious = left(&|part| part.class == Class::Irreplaceable);
        let (all_low, all_high) = self.time_for(left(&|_| true))?;
        let all = format!("all done in {}", span(all_low, all_high));
        if self.precious_safe || precious == 0 {
            return Some(capital(&all));
        }
        let (low, high) = self.time_for(precious)?;
        Some(format!("Precious safe in {}, {all}", span(low, high)))
    }

    /// Seconds that `bytes` will take, as a range between the overall and the recent pace, widened by
    /// a fifth on either side (engineering judgement: small items and retries come in lumps).
    fn time_for(&self, bytes: u64) -> Option<(f64, f64)> {
        let (start_at, start_done) = self.start?;
        let &(recent_at, recent_done) = self.pace.front()?;
        let &(last_at, last_done) = self.pace.back()?;
        let rate = |at: Duration, done: u64| {
            let seconds = last_at.saturating_sub(at).as_secs_f64();
            (seconds >= SEEN_ENOUGH.as_secs_f64() && last_done > done)
                .then(|| (last_done - done) as f64 / seconds)
        };
        let overall = rate(start_at, start_done)?;
        let recent = rate(recent_at, recent_done).unwrap_or(overall);
        let (slow, fast) = (overall.min(recent), overall.max(recent));
        Some((bytes as f64 / fast / 1.2, bytes as f64 / slow * 1.2))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn class(class: Class, items_done: u64, mb_done: u64, gaps: u64) -> Event {
        Event::Class {
            class,
            items_done,
            items_all: 1310,
            bytes_done: mb_done * 1_000_000,
            bytes_all: 13_100_000_000,
            gaps,
        }
    }

    #[test]
    fn a_sentence_per_class_with_a_range() {
        let mut tale = Tale::default();
        let second = Duration::from_secs;
        tale.see(&Event::Started { step: Step::Copy }, second(0));
        // An earlier run did 1.1 GB: no pace of this run.
        tale.see(&class(Class::Irreplaceable, 110, 1_100, 0), second(1));
        assert_eq!(
            tale.lines(),
            ["Irreplaceable: 110 of 1,310 copied, 12.0 GB left"]
        );
        tale.see(&class(Class::Irreplaceable, 610, 6_100, 3), second(1001));
        tale.see(&class(Class::Replaceable, 0, 0, 0), second(1001));
        let lines = tale.lines();
        // 5 MB/s, 7 GB left: 1,400 s, widened to 1,166..1,680 s.
        assert_eq!(
            lines[0],
            "Irreplaceable: 610 of 1,310 copied, 3 with gaps, 19 to 28 min left"
        );
        assert!(
            lines[1].starts_with("Replaceable: 0 of 1,310 copied, 55 to 81 min left"),
            "{lines:?}"
        );
        assert_eq!(
            lines[2],
            "Precious safe in 19 to 28 min, all done in 55 to 81 min"
        );
    }

    #[test]
    fn without_anything_precious_only_the_end_is_told() {
        let mut tale = Tale::default();
        tale.see(&Event::Started { step: Step::Copy }, Duration::ZERO);
        tale.see(&class(Class::Replaceable, 0, 0, 0), Duration::ZERO);
        tale.see(
            &class(Class::Replaceable, 655, 6_550, 0),
            Duration::from_secs(100),
        );
        assert_eq!(
            tale.lines().last().map(String::as_str),
            Some("All done in 1 to 2 min")
        );
    }

    #[test]
    fn nothing_is_promised_while_nothing_moves() {
        let mut tale = Tale::default();
        tale.see(&Event::Started { step: Step::Copy }, Duration::ZERO);
        tale.see(
            &class(Class::Irreplaceable, 1, 5, 0),
            Duration::from_secs(1),
        );
        tale.see(
            &class(Class::Irreplaceable, 1, 5, 0),
            Duration::from_secs(500),
        );
        assert!(!tale.lines()[0].contains(" min"), "no pace, no promise");
    }

    #[test]
    fn safe_is_said_when_the_engine_says_so() {
        let mut tale = Tale::default();
        tale.see(&Event::Started { step: Step::Copy }, Duration::ZERO);
        assert!(
            tale.see(&Event::PreciousSafe, Duration::ZERO)
                .unwrap()
                .contains("not yet read back")
        );
        tale.see(
            &Event::Paused {
                why: "52 °C".into(),
            },
            Duration::ZERO,
        );
        assert!(tale.lines().contains(&"Paused: 52 °C".to_owned()));
        assert_eq!(
            tale.see(&Event::Resumed, Duration::ZERO).as_deref(),
            Some("Going on.")
        );
    }
}
